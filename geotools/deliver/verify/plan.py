"""The tables of a written plan, in SI units and metres, as rows to walk through."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from geotools.brief import Setting, declared
from geotools.deliver.read_plan import PlanFile, layer_names, read_plan, read_raw
from geotools.deliver.verify.tally import NotChecked, Unreadable
from geotools.deliver.working_crs import working_crs_of
from geotools.intake.crs import level_unit
from geotools.lists import list_from_text
from geotools.schema import DIMENSIONS, OUTPUTS, Field
from geotools.units import parse_quantity

__all__ = ["CONTEXT", "GEOMETRY", "LEVEL_UNIT", "Named", "Plan", "load_plan", "of_context"]

T = TypeVar("T")
GEOMETRY = "geometry"
LEVEL_UNIT = "unit of levels"  # what the plan keeps the name of that unit under
CONTEXT = "context"  # features of the input layers near the runs, where the plan holds them


class Named(dict[str, T]):
    """Rows by a name; a name that none bears is a fault of the plan."""

    def __init__(self, rows: dict[str, T], what: str) -> None:
        super().__init__(rows)
        self._what = what

    def __missing__(self, name: str) -> T:
        raise Unreadable(f"there is no {name!r} in {self._what}")


@dataclass(frozen=True)
class Plan:
    """A plan as read: only what is no place or no number is refused; the rules say the rest.

    Attributes
    ----------
    path : Path
    units : {"si", "us"}
        System the file says it is written in.
    tables : dict of str to DataFrame
        Bare names and SI units; a field the file lacks is not-a-number or empty throughout.
        Geometries are in the working CRS, metres.
    columns : dict of str to tuple of str
        Columns of every layer as the file spells them.
    spoiled : dict of str to list of str
        By layer, values that are no numbers.
    layers : tuple of str
        Layers a plan is due to hold.
    crs : pyproj.CRS, optional
        The working CRS; None where no run is drawn.
    written : pyproj.CRS, optional
        The CRS of the file.
    found_in : dict of str to pyproj.CRS
        The CRS that each layer with features lay in, before it was moved to that of the file.
    """

    path: Path
    units: Literal["si", "us"]
    tables: dict[str, pd.DataFrame]
    columns: dict[str, tuple[str, ...]]
    spoiled: dict[str, list[str]]
    layers: tuple[str, ...]
    crs: pyproj.CRS | None = None
    written: pyproj.CRS | None = None
    found_in: dict[str, pyproj.CRS] = field(default_factory=dict)
    kept: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    def once(self, name: str, make: Callable[[], T]) -> T:
        """Return what has been made under a name, making it the first time."""
        if name not in self.kept:
            self.kept[name] = make()
        made: T = self.kept[name]
        return made

    def table(self, name: str) -> pd.DataFrame:
        """Return a layer.

        Raises
        ------
        NotChecked
            If the plan rightly does without it.
        Unreadable
            If it should hold it.
        """
        if name in self.tables:
            return self.tables[name]
        if name == CONTEXT:
            raise NotChecked("the plan holds no layer context with streets and places to avoid")
        if name == "stations" and self.setting("output.stations") is False:
            raise NotChecked("the plan was written without stations (output.stations)")
        raise Unreadable(f"there is no layer {name}")

    def holds(self, name: str, wanted: str) -> bool:
        """Return whether the file has a field of a layer, in any unit."""
        spellings = OUTPUTS[name].field(wanted).spellings()
        return any(column in spellings for column in self.columns.get(name, ()))

    def rows(self, name: str) -> list[Any]:
        """Return the rows of a layer as named tuples; ``class`` is called ``class_``.

        Asked for a field that the file lacks and no earlier version did without, a row raises
        Unreadable.
        """

        def make() -> list[Any]:
            lost = self.lost(name)
            frame = self.table(name).drop(columns=lost, errors="ignore")
            named = frame.rename(columns={"class": "class_"})
            rows = pd.DataFrame(named).itertuples(index=False, name="Row")
            if not lost:
                return list(rows)
            first = next(rows, None)
            if first is None:
                return []
            kind = _lacking(type(first), name, lost)
            return [kind(*row) for row in (first, *rows)]

        return self.once(f"rows {name}", make)

    def lost(self, name: str) -> list[str]:
        """Return the fields of a layer that the file lacks and every version has written."""
        if name not in OUTPUTS or name not in self.columns:
            return []
        fields = [f for f in OUTPUTS[name].fields if not f.later]
        return [f.name for f in fields if not self.holds(name, f.name)]

    def by(self, name: str, key: str, order: str = "") -> Named[list[Any]]:
        """Return the rows of a layer by one of its columns, in order of another."""

        def make() -> Named[list[Any]]:
            groups: dict[str, list[Any]] = {}
            for row in self.rows(name):
                groups.setdefault(getattr(row, key), []).append(row)
            if order:
                for rows in groups.values():
                    rows.sort(key=lambda row: getattr(row, order))
            return Named(groups, f"{key} of layer {name}")

        return self.once(f"by {name} {key} {order}", make)

    def one(self, name: str, key: str) -> Named[Any]:
        """Return the rows of a layer by an identifier; of several the first."""

        def make() -> Named[Any]:
            rows = {value: rows[0] for value, rows in self.by(name, key).items()}
            return Named(rows, f"{key} of layer {name}")

        return self.once(f"one {name} {key}", make)

    @property
    def planned(self) -> list[Any]:
        """Rows of the runs that have a plan."""
        return [run for run in self.rows("runs") if run.status == "planned"]

    def setting(self, key: str) -> Any:
        """Return a setting in SI, as the table writes it; None where nothing was set.

        Raises
        ------
        Unreadable
            If the table lacks it or it cannot be read.
        """
        return self.once(f"setting {key}", lambda: self._setting(key))

    def _setting(self, key: str) -> Any:
        written = self.once("settings by name", self._settings)
        if key not in written:
            raise Unreadable(f"settings: no {key}")
        try:
            return _value(declared()[key], written[key])
        except ValueError as error:
            raise Unreadable(f"settings: {key} cannot be read: {error}") from error

    def _settings(self) -> dict[str, str]:
        table = self.tables["settings"]
        return dict(zip(table["name"], table["value"], strict=True))

    def unit(self, dimension: str) -> tuple[str, float]:
        """Return the unit the file tells a dimension in, and its size in SI."""
        kind = DIMENSIONS[dimension]
        suffix = kind.suffix(self.units)
        return suffix, kind.units[suffix]


def _lacking(kind: type[Any], layer: str, lost: Iterable[str]) -> type[Any]:
    """Return a kind of row that says which field it lacks where it is asked for it."""
    names = {f"{name}_" if name == "class" else name: name for name in lost}

    def missing(row: Any, name: str) -> Any:
        if name in names:
            raise Unreadable(f"layer {layer}: there is no field {names[name]}")
        raise AttributeError(name)

    return type("Row", (kind,), {"__slots__": (), "__getattr__": missing})


def _value(setting: Setting, text: str) -> Any:
    """Return a setting written as text in SI."""
    if text == "none" and setting.written == "none":  # may be left open
        return None
    if setting.type == "list":
        return list_from_text(text)
    if setting.kind == "per_item":
        return float(text)
    if setting.kind is not None:
        return parse_quantity(text, setting.kind)
    if setting.type == "flag":
        if text not in ("true", "false"):
            raise ValueError(f"{text!r} is neither true nor false")
        return text == "true"
    return float(text) if setting.type in ("integer", "number") else text


def of_context(plan: Plan, layer: str) -> list[Any]:
    """Return the features of an input layer near the runs.

    Raises
    ------
    NotChecked
        If the layer was not read, or its features were not written.
    """
    rows = [row for row in plan.rows(CONTEXT) if row.layer == layer]
    if not rows and all(row.layer != layer for row in plan.rows("inputs")):
        raise NotChecked(f"no {layer} were given")
    if plan.setting("output.context") <= 0:
        raise NotChecked(f"the plan was written without the {layer} near it (output.context)")
    return rows


def load_plan(path: Path, layers: Iterable[str]) -> Plan:
    """Read a plan whole.

    Parameters
    ----------
    path : Path
        GeoPackage written by the tool ``plan``.
    layers : iterable of str
        Layers that tool is due to write.

    Raises
    ------
    LayerError
        If there is no such file, or it is not a plan at all.
    """
    file = read_plan(path)
    present = {*layer_names(path)}
    tables, columns, spoiled, found_in = {}, {}, {}, {}
    for name in [*OUTPUTS, *({CONTEXT} - set(OUTPUTS))]:
        if name not in present:
            continue
        raw = read_raw(path, name, geometry=True)
        columns[name] = tuple(c for c in raw.columns if c != GEOMETRY)
        if GEOMETRY in raw.columns and len(raw):
            found_in[name], raw = raw.crs, file.in_one_crs(name, raw)
        fields = OUTPUTS[name].fields if name in OUTPUTS else ()
        tables[name], spoiled[name] = _in_si(raw, fields, file.units)
        lost = [f.name for f in fields if f.later and set(f.spellings()).isdisjoint(columns[name])]
        file.warn_of(name, lost)
    plan = Plan(path, file.units, tables, columns, spoiled, tuple(layers), found_in=found_in)
    return replace(plan, crs=_measure(plan, file), written=file.crs)


def _in_si(raw: Any, fields: Iterable[Field], units: str) -> tuple[pd.DataFrame, list[str]]:
    """Return a layer under bare names in SI, and what in it is no number."""
    out: dict[str, Any] = {}
    spoiled = []
    for wanted in fields:
        names = (wanted.column(units), *wanted.spellings())
        column = next((name for name in names if name in raw.columns), None)
        if wanted.dtype == "text":
            text = pd.Series("", index=raw.index) if column is None else raw[column]
            out[wanted.name] = text.astype(object).where(text.notna(), "").map(str)
        elif column is None:
            out[wanted.name] = np.full(len(raw), np.nan)
        else:
            given = raw[column]
            numbers = pd.to_numeric(given.astype(object), errors="coerce").astype(float)
            if (numbers.isna() & given.notna()).any():
                spoiled.append(column)
            out[wanted.name] = numbers * wanted.spellings()[column] + wanted.zero(column)
    if not out:  # a layer the contract does not know yet
        out = {str(name): raw[name] for name in raw.columns if name != GEOMETRY}
    if GEOMETRY in raw.columns:
        out[GEOMETRY] = raw[GEOMETRY].to_numpy(dtype=object)
    return pd.DataFrame(out, index=raw.index), spoiled


def _measure(plan: Plan, file: PlanFile) -> pyproj.CRS | None:
    """Move all geometries to the CRS the plan measured in, and return it; levels to metres."""
    lines = plan.tables["runs"][GEOMETRY].to_numpy(dtype=object)
    xy = shapely.get_coordinates(lines)
    if not len(xy):
        return None
    crs, working = file.crs, working_crs_of(file, xy).crs
    name, scale = level_unit(crs) if plan.holds("pulls", "z_unit") else plan.unit("length")
    plan.kept[LEVEL_UNIT] = name
    move = None
    if working != crs:
        move = pyproj.Transformer.from_crs(crs, working, always_xy=True)

    def shift(coords: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        x, y = coords[:, 0], coords[:, 1]
        if move is not None:
            x, y = move.transform(x, y)
        return np.column_stack([x, y, coords[:, 2:] * scale])

    for table in plan.tables.values():
        if GEOMETRY not in table.columns or (move is None and scale == 1.0):
            continue
        shapes = table[GEOMETRY].to_numpy(dtype=object)
        moved = shapes.copy()
        for deep in (False, True):
            rows = (shapely.has_z(shapes) == deep) & ~shapely.is_missing(shapes)
            if rows.any():
                moved[rows] = shapely.transform(shapes[rows], shift, include_z=deep)
        table[GEOMETRY] = moved
    return working
