"""Written plans read back: bare column names, SI units, whatever the file was written in."""

from __future__ import annotations

import os
import sqlite3
import warnings
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.errors
import pyproj
import pyproj.exceptions
import shapely
import shapely.errors

from geotools.brief import declared, load_brief
from geotools.deliver.layers import mover
from geotools.deliver.levels import scaled_levels
from geotools.deliver.systems import sqlite_uri
from geotools.errors import BriefError, LayerError, OlderPlanWarning
from geotools.intake.crs import crs_name, horizontal, level_unit, unplaced
from geotools.intake.digest import journals, sha256
from geotools.intake.faults import LOCKED, locked
from geotools.intake.place import PACKED
from geotools.program import PROGRAM
from geotools.quiet import without
from geotools.schema import DIMENSIONS, OUTPUTS, Field, Layer

__all__ = ["NEEDED", "PlanFile", "layer_names", "read_plan", "read_raw"]

# What a GeoPackage must hold to be a plan at all.
NEEDED = ("runs", "pits", "pulls", "settings")
# What a field that the file lacks is filled with, and its type.
_EMPTY: dict[str, tuple[Any, Any]] = {
    "text": ("", object),
    "integer": (pd.NA, "Int64"),
    "real": (np.nan, float),
    "flag": (pd.NA, "boolean"),
}
# A shutdown with no valve to close has no place, nor has a main that was set aside.
_PLACELESS = ("shutdowns", "ranking_mains")
_FARTHEST = 1e9  # units of the CRS; farther out than any coordinate on earth in m, ft or degrees
_SQLITE, _GPKG, _GPKG_AT = b"SQLite format 3\x00", b"GPKG", 68
_ZIP = b"PK\x03\x04"
# what GDAL tells of before it opens a file as one that never changes
_RETRIED = "attempt to write a readonly database"
_AGAIN = "write it again with `slipmain plan`"
_READ_ERRORS = (
    OSError,
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError,
    pyogrio.errors.GeometryError,
    pa.ArrowException,  # text of another encoding than its file says; numbers out of range
    UnicodeDecodeError,
    shapely.errors.ShapelyError,  # geometries that are damaged
)


@dataclass(frozen=True)
class PlanFile:
    """A written plan; its layers are read when they are asked for.

    Attributes
    ----------
    path : Path
        The GeoPackage.
    layers : tuple of str
        Layers of the contract it holds, in the order of the contract.
    units : {"si", "us"}
        System the file was written in. What `table` gives is SI all the same.
    crs : pyproj.CRS
        CRS of its geometries.
    settings : mapping of str to str
        Key of the brief to the value used, as written: ``{"pulls.piece_length": "12.192 m"}``.
    told : set
        Layers and fields of which it was told that the file is too old to have them.
    """

    path: Path
    layers: tuple[str, ...]
    units: Literal["si", "us"]
    crs: pyproj.CRS
    settings: Mapping[str, str] = field(repr=False)
    told: set[tuple[str, str]] = field(default_factory=set, repr=False, compare=False)

    def table(self, name: str, fields: Iterable[str] | None = None) -> Any:
        """Read one layer.

        Parameters
        ----------
        name : str
            Key of ``schema.OUTPUTS``.
        fields : iterable of str, optional
            Bare names of the fields wanted; all of the contract otherwise.

        Returns
        -------
        DataFrame or GeoDataFrame
            Bare names and SI base units (m, Pa, N, radians). Missing text is empty, and so is a
            field that came into the contract later than the file, of which it is told once; a
            missing number is NaN;
            columns of whole numbers or flags are nullable only where something is missing.
            Levels along lines (Z) are m too; x and y are in `crs`, whatever that of the layer.

        Raises
        ------
        KeyError
            If the contract has no such layer or field.
        LayerError
            If the file lacks the layer or a field wanted, or holds what cannot be used.

        Warns
        -----
        OlderPlanWarning
            If the file lacks fields that came into the contract after it was written.
        """
        layer = OUTPUTS[name]
        wanted = layer.fields if fields is None else tuple(layer.field(f) for f in fields)
        if name not in self.layers:
            raise LayerError(str(self.path), f"has no layer {name}; {_AGAIN}")
        raw = read_raw(self.path, name, geometry=bool(layer.geometry))
        columns = {f.name: self._column(f, raw.columns) for f in wanted}
        faults = [
            f"layer {name} has no field {layer.field(n).column(self.units)}; {_AGAIN}"
            for n, column in columns.items()
            if column is None and not layer.field(n).later
        ]
        out = {
            f.name: _values(raw[column], f, column, name, faults)
            for f in wanted
            if (column := columns[f.name]) is not None
        }
        lost = [n for n, c in columns.items() if c is None]
        out |= {n: _nothing(layer.field(n), raw.index) for n in lost}
        if faults:
            raise LayerError(str(self.path), faults)
        self.warn_of(name, lost)
        frame = pd.DataFrame(out, index=raw.index)
        if not layer.geometry:
            return frame
        raw = self.in_one_crs(name, raw)
        return _with_geometry(frame, raw, layer, self._level_unit(layer, raw))

    def in_one_crs(self, name: str, raw: Any) -> Any:
        """Return a layer in the CRS of the plan; one edited since may have been saved in another.

        Levels stay as they are.
        """
        if raw.crs == self.crs or not len(raw):
            return raw
        text = unplaced(raw.crs)
        if not text:
            move = mover(horizontal(raw.crs), horizontal(self.crs))
            shapes = move(raw.geometry.to_numpy(dtype=object))
            lost = np.flatnonzero(np.isinf(shapely.bounds(shapes)).any(axis=1))
            if not len(lost):
                return raw.set_geometry(shapes, crs=self.crs)
            text = f"feature {lost[0] + 1} lies nowhere in {crs_name(self.crs)}"
        raise LayerError(str(self.path), f"layer {name}: {text}; {_AGAIN}")

    def _level_unit(self, layer: Layer, raw: Any) -> float:
        """Return the unit of Z in a layer, m; earlier plans had it in that of their lengths."""
        if any(field.name == "z_unit" for field in layer.fields) and "z_unit" not in raw.columns:
            length = DIMENSIONS["length"]
            return length.units[length.suffix(self.units)]
        return level_unit(self.crs)[1]

    def setting(self, key: str) -> Any:
        """Return a setting as the program used it: quantities in SI, words as text.

        Parameters
        ----------
        key : str
            Key of the brief, such as ``pulls.piece_length``.

        Returns
        -------
        float, int, bool, str, list of str or None
            None where nothing was set.

        Raises
        ------
        KeyError
            If the brief has no such setting.
        LayerError
            If the plan does not hold it, or what it holds cannot be read.
        """
        if key not in declared():
            raise KeyError(key)
        if key not in self.settings:
            raise LayerError(str(self.path), f"settings: no {key}; {_AGAIN}")
        try:
            brief = load_brief(overrides={key: self.settings[key]})
        except BriefError as error:
            raise LayerError(str(self.path), [f"settings: {f}" for f in error.faults]) from error
        section, _, name = key.partition(".")
        return getattr(getattr(brief, section), name)

    @property
    def program(self) -> str:
        """What made the plan, as `geotools.program.program`; "" where it is too old to say so."""
        return self.settings.get(PROGRAM, "")

    def files(self) -> list[Path]:
        """Return the files that are read."""
        return [self.path]

    def sha256(self) -> str:
        """Return the hash of what is read."""
        return sha256(self.path)

    @property
    def styled(self) -> bool:
        """Whether styles lie beside the plan, or would if it were old enough not to say so."""
        return "output.styles" not in self.settings or bool(self.setting("output.styles"))

    def _column(self, wanted: Field, columns: Iterable[str]) -> str | None:
        """Return the column of the file that holds a field, in its own units first."""
        present = set(columns)
        names = (wanted.column(self.units), *wanted.spellings())
        return next((name for name in names if name in present), None)

    def warn_of_later(self, layer: str, columns: Iterable[str]) -> None:
        """Tell once of all fields of a layer that came later, and are not among its columns."""
        fields = OUTPUTS[layer].fields
        present = set(columns)
        self.warn_of(
            layer, [f.name for f in fields if f.later and self._column(f, present) is None]
        )

    def warn_of(self, layer: str, fields: Iterable[str]) -> None:
        """Tell once of fields that came into the contract after the file was written.

        Parameters
        ----------
        layer : str
        fields : iterable of str
            Bare names of those the file lacks.
        """
        fresh = [name for name in fields if (layer, name) not in self.told]
        self.told.update((layer, name) for name in fresh)
        if fresh:
            warnings.warn(
                f"{self.path}: layer {layer} was written by an earlier version and has no "
                f"{', '.join(fresh)}: taken as empty; {_AGAIN} to have it",
                OlderPlanWarning,
                stacklevel=3,
            )


def read_plan(path: str | Path, *, needs: Iterable[str] = NEEDED) -> PlanFile:
    """Open a plan written by the tool ``plan``.

    Parameters
    ----------
    path : path
        A GeoPackage on a local disk.
    needs : iterable of str, optional
        Layers it must hold.

    Returns
    -------
    PlanFile
        Its units, CRS and settings, and its layers on demand.

    Raises
    ------
    LayerError
        If there is no such file, or it is not a plan; the text says why.
    """
    source = Path(path)
    _check_file(source)
    try:
        present = layer_names(source)
    except _READ_ERRORS as error:
        raise LayerError(str(path), _unread("", error)) from error
    missing = [name for name in (*needs, "settings") if name not in present]
    if missing and "district_results" in present:
        raise LayerError(
            str(path),
            "is the summary of a batch, not a plan; give the plans of its districts, which lie "
            "beside it (`compare` and `verify` take their folder)",
        )
    if missing:
        found = ", ".join(sorted(present)) or "nothing"
        lacks = ", ".join(dict.fromkeys(missing))
        raise LayerError(
            str(path),
            f"is not a plan: it has no layer {lacks} (it holds {found[:200]}); "
            "give a GeoPackage written by `slipmain plan`",
        )
    chosen = _read_settings(source)
    units: Literal["si", "us"] = "us" if chosen.get("output.units") == "us" else "si"
    layers = tuple(name for name in OUTPUTS if name in present)
    placed = next((name for name in layers if OUTPUTS[name].geometry), None)
    return PlanFile(source, layers, units, _read_crs(source, placed), chosen)


def layer_names(path: Path) -> list[str]:
    """Return the layers of a file, as GDAL lists them."""
    with without(RuntimeWarning, _RETRIED):
        return [str(name) for name, _ in pyogrio.list_layers(path)]


def _unread(what: str, error: Exception) -> str:
    """Say why a file, or what of it, cannot be read."""
    return LOCKED if locked(error) else f"{what}cannot be read ({error}); {_AGAIN}"


def _check_file(path: Path) -> None:
    """Refuse what is no GeoPackage on the disk before any library gets to see it."""
    if path.is_dir():
        raise LayerError(str(path), "is a folder; give the GeoPackage of a plan")
    try:
        with path.open("rb") as stream:
            head = stream.read(_GPKG_AT + len(_GPKG))
    except FileNotFoundError as error:
        raise LayerError(str(path), "there is no such file; check the path") from error
    except OSError as error:
        raise LayerError(str(path), f"cannot be read ({error.strerror})") from error
    if path.suffix.lower() in PACKED or head.startswith(_ZIP):
        raise LayerError(str(path), "is packed; unpack it and give the GeoPackage in it")
    if head.startswith(_SQLITE) and journals(path) and not os.access(path.parent, os.W_OK):
        raise LayerError(
            str(path),
            "another program has written to it and not finished (the file beside it that ends in "
            "-wal or -journal), and it lies where nothing can be written: close it there, or copy "
            "both files to a folder that can be written to",
        )
    if not head.startswith(_SQLITE) or head[_GPKG_AT:] != _GPKG:
        raise LayerError(
            str(path), "is not a GeoPackage; give the GeoPackage written by `slipmain plan`"
        )


def read_raw(path: Path, name: str, *, geometry: bool) -> Any:
    """Return a layer with the columns, units and types it has in the file.

    Raises
    ------
    LayerError
        If it cannot be read.
    """
    try:
        with without(RuntimeWarning, _RETRIED):
            raw = pyogrio.read_dataframe(path, layer=name, use_arrow=True, read_geometry=geometry)
    except _READ_ERRORS as error:
        raise LayerError(str(path), _unread(f"layer {name} ", error)) from error
    _check_text(path, name, raw)
    _check_numbers(path, name, raw)
    if geometry and name in OUTPUTS and OUTPUTS[name].geometry:
        _check_places(path, name, raw)
        return _in_single(path, name, raw)
    return raw


def _check_numbers(path: Path, name: str, raw: Any) -> None:
    """Refuse infinite numbers; no plan is written with one."""
    numbers = raw.select_dtypes("number")
    faults = []
    for column in numbers.columns:
        rows = np.flatnonzero(np.isinf(numbers[column].to_numpy(dtype=float, na_value=np.nan)))
        if len(rows):
            faults.append(
                f"layer {name}, field {column}: feature {rows[0] + 1} is infinite; {_AGAIN}"
            )
    if faults:
        raise LayerError(str(path), faults)


def _check_places(path: Path, name: str, raw: Any) -> None:
    """Refuse geometries that are missing, of another kind, or nowhere on earth."""
    kind = OUTPUTS[name].geometry[0]
    shapes = raw.geometry.to_numpy(dtype=object)
    gone = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    bounds = shapely.bounds(shapes)
    # a point of no number is read as one without a place
    far = ~gone & ~(np.abs(bounds) <= _FARTHEST).all(axis=1)
    faults = [(far, "lies nowhere on earth")]
    if kind != "Unknown":
        if name not in _PLACELESS:
            faults.insert(0, (gone, "has no geometry"))
        base = kind.removesuffix(" Z").removeprefix("Multi").upper()
        fitting = [shapely.GeometryType[k] for k in (base, f"MULTI{base}")]
        other = ~gone & ~np.isin(shapely.get_type_id(shapes), fitting)
        faults.append((other, f"is no {kind.removesuffix(' Z')}"))
    for wrong, text in faults:
        rows = np.flatnonzero(wrong)
        if len(rows):
            raise LayerError(str(path), f"layer {name}: feature {rows[0] + 1} {text}; {_AGAIN}")


def _in_single(path: Path, name: str, raw: Any) -> Any:
    """Return a layer of single geometries as such: a GIS may have saved them as multis of one part.

    Raises
    ------
    LayerError
        If one has several parts.
    """
    kind = OUTPUTS[name].geometry[0].removesuffix(" Z")
    if kind.startswith("Multi"):
        return raw
    shapes = raw.geometry.to_numpy(dtype=object)
    parts = shapely.get_num_geometries(shapes)
    several = np.flatnonzero(parts > 1)
    if len(several) and kind != "Unknown":
        raise LayerError(
            str(path),
            f"layer {name}: feature {several[0] + 1} has several parts and must be one {kind}; "
            f"split or mend it, or {_AGAIN}",
        )
    multi = (shapely.get_type_id(shapes) >= shapely.GeometryType.MULTIPOINT) & (parts == 1)
    if not multi.any():
        return raw
    singles = np.where(multi, shapely.get_geometry(shapes, 0), shapes)
    return raw.set_geometry(type(raw.geometry)(singles, index=raw.index, crs=raw.crs))


def _check_text(path: Path, name: str, raw: Any) -> None:
    """Refuse text that is not UTF-8; pandas would find out in the middle of the work."""
    faults = []
    texts = raw.select_dtypes("string")
    for column in texts.columns:
        try:
            pa.array(texts[column].array).validate(full=True)
        except pa.ArrowInvalid:
            faults.append(f"layer {name}, field {column}: holds text that is not UTF-8; {_AGAIN}")
    if faults:
        raise LayerError(str(path), faults)


def _read_settings(path: Path) -> dict[str, str]:
    """Read the settings by way of SQLite: a table without geometry that other tools may edit."""
    try:
        try:
            rows = _asked(path, "mode=ro")
        except sqlite3.OperationalError as error:
            if locked(error) or journals(path):
                raise
            # left as one that keeps a log, on a disk where none can be made beside it
            rows = _asked(path, "immutable=1")
    except sqlite3.Error as error:
        told = LOCKED if locked(error) else f"is not a plan: its settings cannot be read ({error})"
        raise LayerError(str(path), told) from error
    return {str(name): "" if value is None else str(value) for name, value in rows}


def _asked(path: Path, how: str) -> list[tuple[Any, Any]]:
    """Return names and values of the settings; ``how`` the file is opened is SQLite's."""
    with closing(sqlite3.connect(sqlite_uri(path.resolve(), how), uri=True)) as connection:
        return connection.execute("SELECT name, value FROM settings").fetchall()


def _read_crs(path: Path, layer: str | None) -> pyproj.CRS:
    try:
        with without(RuntimeWarning, _RETRIED):
            text = None if layer is None else pyogrio.read_info(path, layer=layer)["crs"]
    except _READ_ERRORS as error:  # such as a field's name that is no text
        raise LayerError(str(path), _unread(f"layer {layer} ", error)) from error
    if text is None:
        raise LayerError(str(path), f"its layers have no CRS; {_AGAIN}")
    try:
        return pyproj.CRS(text)
    except pyproj.exceptions.CRSError as error:
        raise LayerError(str(path), f"its CRS is unknown ({error}); {_AGAIN}") from error


def _values(
    series: pd.Series[Any], wanted: Field, column: str, layer: str, faults: list[str]
) -> Any:
    """Return a column in the type of its field and in SI; what does not fit is a fault."""
    if wanted.dtype == "text":
        return series.astype(object).where(series.notna(), "").map(str)
    numbers = pd.to_numeric(series.astype(object), errors="coerce").astype(float)
    wrong = np.flatnonzero(numbers.isna() & series.notna())
    if len(wrong):
        value = str(series.iloc[int(wrong[0])])[:40]
        faults.append(
            f"layer {layer}, field {column}: {value!r} in feature {wrong[0] + 1} is no number"
        )
        return numbers
    if wanted.dtype == "real":
        return numbers * wanted.spellings()[column] + wanted.zero(column)
    gaps = bool(numbers.isna().any())
    if wanted.dtype == "flag":
        return numbers.astype("Float64").astype("boolean") if gaps else numbers.astype(bool)
    if (numbers.dropna() % 1 != 0).any():
        faults.append(f"layer {layer}, field {column}: holds numbers that are not whole")
        return numbers
    return numbers.astype("Int64" if gaps else np.int64)


def _nothing(wanted: Field, rows: pd.Index[Any]) -> pd.Series[Any]:
    """Return the column of a field that the file lacks."""
    value, dtype = _EMPTY[wanted.dtype]
    column: pd.Series[Any] = pd.Series([value] * len(rows), index=rows, dtype=dtype)
    return column


def _with_geometry(frame: pd.DataFrame, raw: Any, layer: Layer, z_unit: float) -> Any:
    import geopandas

    shapes = raw.geometry.to_numpy()
    if layer.geometry[0].endswith(" Z"):
        shapes = scaled_levels(shapes, z_unit)
    return geopandas.GeoDataFrame(frame, geometry=shapes, crs=raw.crs)
