"""What the sheets show: a written plan in metres of the CRS that lengths are taken in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.cautions import CAUTIONS
from geotools.deliver.chosen_runs import wanted_runs
from geotools.deliver.columns import GEOMETRY
from geotools.deliver.digs import check_digs
from geotools.deliver.read_plan import PlanFile
from geotools.deliver.sheets.strips import Axis
from geotools.deliver.shut import valves_to_close
from geotools.deliver.working_crs import working_crs_of
from geotools.errors import LayerError
from geotools.intake.crs import (
    UNNAMED,
    crs_name,
    horizontal,
    project,
    set_out_in,
)
from geotools.schema import OUTPUTS

__all__ = ["CONTEXT", "Plan", "load_plan"]

FloatArray = npt.NDArray[np.float64]
CONTEXT = "context"
_SHOWN = (
    *("runs", "stations", "bends", "pits", "pit_footprints", "pulls", "forces", "sections"),
    "strings",
    *("closures", "local_digs", "shutdowns", "schedule", "quantities", "findings", CONTEXT),
)
_PLANNED = "planned"
_UNIT_WORDS = {"metre": "m", "foot": "ft", "US survey foot": "US survey ft", "degree": "degrees"}
_IN_LINE = 5e-3  # m; half of what coordinates are shown to
METRES_A_DEGREE = 111_000.0
_EDGE = 1e-3  # m; a bend this near to the edge of a pit is at it


@dataclass(frozen=True)
class Plan:
    """A plan to be drawn; lengths in m, bare names.

    Attributes
    ----------
    name : str
        Of its file.
    units : {"si", "us"}
        What texts are written in.
    crs, xy_unit : str
        Name and unit of the CRS of the file, which x and y of the pits are in.
    grid : str
        Name of the CRS that shapes are in, metres; empty if its north is that of the file's.
    set_out_in : str
        Name of the CRS that bearings are from the north of; empty if it is that of the file.
    tables : mapping of str to DataFrame
        Layers of the plan; one that the file lacks has no rows.
    context : DataFrame or None
        Features of the source near the runs; None if the plan has no such layer.
    missing : tuple of str
        Layers the file lacks.
    settings : mapping of str to str
    cautions : tuple of str
    wanted : frozenset of str
        Runs to be drawn, with a plan or without.
    axes : mapping of str to Axis
        Of those that have a plan.
    """

    name: str
    units: str
    crs: str
    xy_unit: str
    grid: str
    set_out_in: str
    tables: Mapping[str, Any] = field(repr=False)
    context: Any = field(repr=False)
    missing: tuple[str, ...]
    settings: Mapping[str, str] = field(repr=False)
    cautions: tuple[str, ...] = field(repr=False)
    wanted: frozenset[str]
    axes: Mapping[str, Axis] = field(repr=False)

    @cached_property
    def letters(self) -> frozenset[str]:
        """Every letter that names of the source are written with."""
        names = [self.tables["runs"]["main_ids"]]
        if self.context is not None:
            names.append(self.context["name"])
        return frozenset().union(*(str(name) for column in names for name in column))

    def of(self, table: str, run_id: str) -> Any:
        """Return the rows of a table that belong to a run."""
        frame = self.tables[table]
        if table not in self._rows:
            self._rows[table] = frame.groupby("run_id").indices
        rows = self._rows[table].get(run_id, np.zeros(0, dtype=np.intp))
        return frame.iloc[rows].reset_index(drop=True)

    def near(self, table: str, area: Any) -> Any:
        """Return the rows of a table whose shapes meet an area."""
        frame = self.tables[table]
        if table not in self._trees:
            self._trees[table] = shapely.STRtree(frame[GEOMETRY].to_numpy())
        return frame.iloc[np.sort(self._trees[table].query(area, predicate="intersects"))]

    @cached_property
    def _rows(self) -> dict[str, Any]:
        """Rows of each run, by table, as they are asked for: a book asks for every sheet."""
        return {}

    @cached_property
    def _trees(self) -> dict[str, Any]:
        """Trees of the shapes of tables, as they are asked for."""
        return {}

    def pit_of_bend(self, bend: Mapping[str, Any]) -> tuple[str, bool]:
        """Return the pit that holds a bend, and whether it holds all of it; empty if none does."""
        middle = bend["chainage"]
        first = bend["start"] if np.isfinite(bend["start"]) else middle
        last = first + bend["span"] if np.isfinite(first + bend["span"]) else middle
        for pit in self.of("pits", bend["run_id"]).to_dict("records"):
            low, high = pit["chainage"] - pit["before"], pit["chainage"] + pit["after"]
            if first >= low - _EDGE and last <= high + _EDGE:
                return str(pit["pit_id"]), True
            if first < high - _EDGE and last > low + _EDGE:
                return str(pit["pit_id"]), False
        return "", False

    def run(self, run_id: str) -> Any:
        """Return the row of a run."""
        return self.of("runs", run_id).iloc[0]


def load_plan(file: PlanFile, *, runs: Iterable[str] = ()) -> Plan:
    """Read what the sheets show.

    Parameters
    ----------
    file : PlanFile
    runs : iterable of str, optional
        Runs wanted; all if none is named.

    Raises
    ------
    LayerError
        If the plan cannot be used, or has no such run.
    """
    tables = {name: _table(file, name) for name in _SHOWN}
    check_digs(file, tables["local_digs"])
    wanted = wanted_runs(file, tables["runs"], runs)
    crs = _working(file, tables["runs"])
    tables["pits"] = _with_places(tables["pits"])
    tables["pit_footprints"] = _with_corners(tables["pit_footprints"], file.crs)
    # places are held against each other in m or ft
    near = None if horizontal(file.crs).is_geographic else tables[CONTEXT]
    tables["shutdowns"] = _with_valves(tables["shutdowns"], near)
    moved = {name: _moved(frame, file.crs, crs) for name, frame in tables.items()}
    moved["strings"] = _with_ends(moved["strings"], tables["strings"])
    flat = horizontal(file.crs)
    unit = flat.axis_info[0].unit_name if flat.axis_info else ""
    drawn = shapely.get_coordinates(tables["runs"][GEOMETRY].to_numpy())
    own_north = crs == flat or crs.name == f"{flat.name} in metres"  # as the reader names it
    missing = tuple(name for name in _SHOWN if name not in file.layers)
    return Plan(
        name=file.path.name,
        units=file.units,
        crs=", ".join(dict.fromkeys(n for n in (flat.name, crs_name(flat)) if n not in UNNAMED)),
        xy_unit=_UNIT_WORDS.get(unit, unit),
        grid="" if own_north else crs_name(crs),
        set_out_in="" if not len(drawn) or set_out_in(flat, drawn) else crs_name(crs),
        tables=moved,
        context=moved[CONTEXT] if CONTEXT in file.layers else None,
        missing=missing,
        settings=file.settings,
        cautions=_cautions(file),
        wanted=wanted,
        axes=_axes(file, moved["runs"][moved["runs"]["run_id"].isin(wanted)]),
    )


def _table(file: PlanFile, name: str) -> Any:
    if name in file.layers:
        return file.table(name)
    columns = [f.name for f in OUTPUTS[name].fields]
    return pd.DataFrame(columns=[*columns, *([GEOMETRY] if OUTPUTS[name].geometry else [])])


def _working(file: PlanFile, runs: Any) -> Any:
    """Return the CRS to measure in, as the plan was made in it."""
    xy = shapely.get_coordinates(runs[GEOMETRY].to_numpy())
    if not len(xy):
        return horizontal(file.crs)
    return working_crs_of(file, xy).crs


def _moved(frame: Any, source: Any, target: Any) -> Any:
    """Return a table with its shapes in the CRS to measure in, levels left out."""
    out = pd.DataFrame(frame)
    if GEOMETRY not in out:
        return out
    shapes = shapely.force_2d(out[GEOMETRY].to_numpy())
    shapes = shapely.transform(shapes, lambda xy: project(xy, horizontal(source), target))
    out = out.drop(columns=GEOMETRY)
    out[GEOMETRY] = pd.Series(shapes, index=out.index, dtype=object)
    return out


def _with_places(frame: Any) -> Any:
    """Return the pits with x and y as the file has them, for setting out."""
    points = frame[GEOMETRY].to_numpy(dtype=object)
    return frame.assign(x=shapely.get_x(points), y=shapely.get_y(points))


def _with_valves(frame: Any, context: Any) -> Any:
    """Return the shutdowns with name, x and y of every valve to close as the file has them."""
    closed = [
        [
            (name, point.x, point.y)
            for point, name in valves_to_close(
                row.geometry, row.valves, context, in_order=row.valves_in_order
            )
        ]
        for row in frame.itertuples()
    ]
    return frame.assign(closed=pd.Series(closed, index=frame.index, dtype=object))


def _with_corners(frame: Any, crs: Any) -> Any:
    """Return the ground of pits with the corners of its outline as the file has them.

    In order around it, shape (n, 2); none of ground in several parts. Vertices that lie in line
    with their neighbours within `_IN_LINE` are no corners.
    """
    unit = METRES_A_DEGREE
    if len(frame) and not horizontal(crs).is_geographic:
        unit = horizontal(crs).axis_info[0].unit_conversion_factor
    corners = pd.Series([np.zeros((0, 2))] * len(frame), index=frame.index, dtype=object)
    for row, shape in zip(frame.index, frame.get(GEOMETRY, ()), strict=False):
        parts = shapely.get_parts(shapely.force_2d(shape))
        if len(parts) == 1:
            ring = shapely.simplify(parts[0].exterior, _IN_LINE / unit)
            corners[row] = shapely.get_coordinates(ring)[:-1]
    return frame.assign(corners=corners)


def _with_ends(moved: Any, given: Any) -> Any:
    """Return the strings with x and y of both ends as the file has them, that at the pit first.

    A string is drawn as a strip of its width, along one side from its pit and back along the
    other. Of one drawn otherwise, as a hull in bends it would lie over itself in, not-a-number.
    """
    ends = np.full((len(moved), 4), np.nan)
    pairs = zip(moved.get(GEOMETRY, ()), given.get(GEOMETRY, ()), moved["length"], strict=False)
    for row, (shape, own, length) in enumerate(pairs):
        sides = _sides_of(shape)
        wide = np.hypot(*(sides[0] - sides[1]).T)
        due = shapely.area(shape) / length if length > 0 else np.nan
        if len(wide) > 1 and 0.9 * due < wide.min() < 1.1 * due and wide.max() < 2.1 * due:
            ends[row] = np.mean(_sides_of(own), axis=0)[[0, -1]].ravel()
    return moved.assign(**dict(zip(("x", "y", "end_x", "end_y"), ends.T, strict=True)))


def _sides_of(shape: Any) -> tuple[FloatArray, FloatArray]:
    """Return both sides of a strip, vertex by vertex from its start; none of another shape."""
    xy = shapely.get_coordinates(shape)[:-1]
    half = len(xy) // 2
    if len(xy) % 2 or len(shapely.get_parts(shape)) != 1:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return xy[:half], xy[: half - 1 : -1]


def _cautions(file: PlanFile) -> tuple[str, ...]:
    """Return the cautions the plan carries; those of the program if it has lost them."""
    settings = file.table("settings", ("name", "text"))
    rows = settings[settings["name"].str.startswith("caution.") & (settings["text"] != "")]
    return tuple(rows["text"]) or tuple(CAUTIONS.values())


def _axes(file: PlanFile, runs: Any) -> dict[str, Axis]:
    planned = runs[runs["status"] == _PLANNED]
    axes = {}
    for row in planned.to_dict("records"):
        xy = _in_order(row[GEOMETRY])
        if len(xy) < 2 or not row["length"] > 0:
            raise LayerError(str(file.path), f"layer runs, run {row['run_id']}: has no line")
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        axes[str(row["run_id"])] = Axis(xy, along * (row["length"] / along[-1]))
    return axes


def _in_order(geometry: Any) -> FloatArray:
    """Return the vertices of a run, its parts one after the other, none twice in a row."""
    xy: FloatArray = shapely.get_coordinates(geometry)
    if not len(xy):
        return xy
    moves = np.hypot(*np.diff(xy, axis=0).T) > 1e-6
    kept: FloatArray = xy[np.concatenate([[True], moves])]
    return kept
