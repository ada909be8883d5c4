"""Ground levels at points, from one elevation raster or a mosaic of many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from rasterio.windows import Window

from geotools.errors import LayerError
from geotools.ground.raster import (
    WINDOW_CELLS,
    Raster,
    open_raster,
    raster_environment,
    read_mask,
    read_window,
)
from geotools.ground.vertical import resolve_unit
from geotools.intake.findings import Findings

__all__ = ["GroundSample", "sample_ground"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

# Points this far (in cells) outside the raster are on its edge: rounding of the transformation.
EDGE = 1e-6
# A cell that counts for less than this share of a level does not matter, even without data.
NO_WEIGHT = 1e-6
# Points worked on at a time, so that the arrays of their four cells stay small.
CHUNK = 2**17
# No ground on earth that carries a water main lies outside these levels (m).
LOWEST, HIGHEST = -500.0, 9000.0


@dataclass(frozen=True)
class GroundSample:
    """Ground levels at points.

    Attributes
    ----------
    z : ndarray, shape (n,)
        Ground level, m; NaN where no raster has a value.
    covered : int
        Points that have a level.
    source : tuple of str
        Names of the files that gave at least one level.
    """

    z: FloatArray
    covered: int
    source: tuple[str, ...]


def sample_ground(
    paths: Sequence[str],
    xy: FloatArray,
    *,
    crs: pyproj.CRS,
    vertical_unit: str | None,
    findings: Findings,
    allow_remote: bool = False,
) -> GroundSample:
    """Sample ground levels by bilinear interpolation between cell centres.

    Where files overlap, the first in sorted order with a level wins. A point that needs a cell
    without data has no level (NaN). In the outer half cell the level of the edge goes on.

    Parameters
    ----------
    paths : sequence of str
        Rasters, any CRS, rotation or type; none gives no level anywhere.
    xy : ndarray, shape (n, 2)
        Points in ``crs``.
    crs : pyproj.CRS
        CRS of the points.
    vertical_unit : str, optional
        Unit of the levels by the brief (``m``, ``ft``, ``us-ft``), where the file does not say.
    findings : Findings
        Receives what was assumed.
    allow_remote : bool
        Whether rasters may lie elsewhere than on this machine.

    Raises
    ------
    LayerError
        If a raster cannot be used, contradicts the brief, or none of them overlaps the points.
    """
    places = _Places(xy, crs)
    z = np.full(len(xy), np.nan)
    notes = _Notes(places.xy)
    source = []
    extents = []
    with raster_environment(allow_remote=allow_remote):
        for path in sorted(paths):
            with open_raster(path, allow_remote=allow_remote) as raster:
                unit = resolve_unit(raster.units, vertical_unit, raster.name)
                inside = places.inside(raster)
                if len(inside) == 0:
                    extents.append(_extents(raster, places))
                    continue
                notes.raster(raster, inside, unit_known=unit is not None)
                wanted = inside[np.isnan(z[inside])]
                metres = unit.metres if unit is not None else 1.0
                z[wanted] = _levels(raster, places.at(raster, wanted), metres, wanted, notes)
                if np.any(np.isfinite(z[wanted])):
                    source.append(raster.name)
    if len(xy) and len(extents) == len(paths) > 0:
        raise LayerError("dem", _no_overlap(extents))
    notes.hand_over(findings)
    return GroundSample(z, int(np.count_nonzero(np.isfinite(z))), tuple(source))


class _Places:
    """The points in every CRS met, sorted by x so that a tile finds its points quickly."""

    def __init__(self, xy: FloatArray, crs: pyproj.CRS) -> None:
        self.xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        self.crs = crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()
        self._by_crs: dict[str, tuple[FloatArray, IntArray, FloatArray]] = {}

    def _columns(self, raster: Raster) -> tuple[FloatArray, IntArray, FloatArray]:
        key = raster.crs.to_wkt()
        if key not in self._by_crs:
            xy = self._moved(raster)
            order = np.argsort(xy[:, 0], kind="stable")
            self._by_crs[key] = (xy, order, xy[order, 0])
        return self._by_crs[key]

    def _moved(self, raster: Raster) -> FloatArray:
        if self.crs.equals(raster.crs, ignore_axis_order=True):
            return self.xy
        try:
            transformer = pyproj.Transformer.from_crs(self.crs, raster.crs, always_xy=True)
            x, y = transformer.transform(self.xy[:, 0], self.xy[:, 1])
        except pyproj.exceptions.ProjError as error:
            raise LayerError(
                raster.name,
                f"its CRS {raster.crs.name!r} cannot be reached from {self.crs.name!r} ({error}); "
                "warp the raster to the CRS of the mains",
            ) from error
        return np.column_stack([x, y])

    def at(self, raster: Raster, index: IntArray) -> FloatArray:
        """Return points in the CRS of a raster."""
        return self._columns(raster)[0][index]

    def extent(self, raster: Raster) -> FloatArray:
        """Return west, south, east, north of all points in the CRS of a raster."""
        xy = self._columns(raster)[0]
        xy = xy[np.isfinite(xy).all(axis=1)]
        return np.concatenate([xy.min(axis=0), xy.max(axis=0)]) if len(xy) else np.full(4, np.nan)

    def inside(self, raster: Raster) -> IntArray:
        """Return the points that lie on a raster, in their own order."""
        xy, order, sorted_x = self._columns(raster)
        west, _, east, _ = raster.bounds
        slack = (east - west) * EDGE
        first, last = np.searchsorted(sorted_x, [west - slack, east + slack])
        near = order[first:last]
        column, row = raster.cells(xy[near])
        rows, columns = raster.shape
        on = (column >= -EDGE) & (column <= columns + EDGE) & (row >= -EDGE) & (row <= rows + EDGE)
        return np.sort(near[on])


def _levels(
    raster: Raster, xy: FloatArray, metres: float, index: IntArray, notes: _Notes
) -> FloatArray:
    """Return levels in m at points on a raster; reads window by window."""
    z = np.full(len(xy), np.nan)
    grid = _grid(raster, xy)
    for part in _windows(raster, grid):
        tile = _tile(raster, grid, part)
        for some in np.array_split(part, -(-len(part) // CHUNK)):
            corners = _corners(raster, tile, grid, some)
            level = corners.values * (raster.scale * metres) + raster.offset * metres
            strange = corners.valid & ~((level >= LOWEST) & (level <= HIGHEST))
            matters = corners.weight > NO_WEIGHT
            z[some] = _blend(level, corners.valid & ~strange, corners.weight, matters)
            notes.strange(raster, index[some[np.any(strange & matters, axis=0)]])
    return z


@dataclass(frozen=True)
class _Grid:
    """Upper left cell of the four around every point, and the share of the way to the next."""

    row: IntArray
    column: IntArray
    down: FloatArray
    right: FloatArray


def _grid(raster: Raster, xy: FloatArray) -> _Grid:
    rows, columns = raster.shape
    column, row = raster.cells(xy)
    column0, right = _split(column, columns)
    row0, down = _split(row, rows)
    return _Grid(row0, column0, down, right)


def _split(position: FloatArray, count: int) -> tuple[IntArray, FloatArray]:
    """Split positions in cells into the cell centre before and the share of the way beyond it."""
    centred = np.clip(position - 0.5, 0, count - 1)
    before = np.minimum(centred.astype(np.int64), max(count - 2, 0))
    return before, centred - before


def _windows(raster: Raster, grid: _Grid) -> Iterator[IntArray]:
    """Yield the points of every row of touching blocks that hold points, at most a window full."""
    if len(grid.row) == 0:
        return
    high, wide = raster.block
    across = -(-raster.shape[1] // wide)
    key = grid.row // high * across + grid.column // wide
    order = np.argsort(key, kind="stable")
    start = np.flatnonzero(np.diff(key[order], prepend=-1))
    blocks = key[order[start]]
    gap = np.diff(blocks, prepend=-2) != 1
    if across > 1:
        gap |= np.diff(blocks // across, prepend=-1) != 0
    place = np.arange(len(blocks))
    place -= np.maximum.accumulate(np.where(gap, place, 0))
    cuts = start[gap | (place % max(1, WINDOW_CELLS // (high * wide)) == 0)]
    yield from np.split(order, cuts[1:])


@dataclass(frozen=True)
class _Tile:
    """A window as read: its first row and column, stored values and, if there is one, mask."""

    top: int
    left: int
    values: npt.NDArray[Any]
    mask: npt.NDArray[Any] | None


def _tile(raster: Raster, grid: _Grid, part: IntArray) -> _Tile:
    """Read the smallest window that holds the four cells of each of these points."""
    row, column = grid.row[part], grid.column[part]
    top, left = int(row.min()), int(column.min())
    next_row, next_column = raster.next_cell
    height = int(row.max()) + next_row - top + 1
    window = Window(left, top, int(column.max()) + next_column - left + 1, height)
    mask = read_mask(raster, window) if raster.masked else None
    return _Tile(top, left, read_window(raster, window), mask)


@dataclass(frozen=True)
class _Corners:
    """Stored values, validity and weights of the four cells around points, shape (4, n)."""

    values: FloatArray
    valid: BoolArray
    weight: FloatArray


def _corners(raster: Raster, tile: _Tile, grid: _Grid, part: IntArray) -> _Corners:
    width = tile.values.shape[1]
    down_step, right_step = raster.next_cell
    first = (grid.row[part] - tile.top) * width + (grid.column[part] - tile.left)
    step = np.array([0, right_step, down_step * width, down_step * width + right_step])
    cells = first + step[:, None]
    values = tile.values.ravel()[cells]
    valid = np.isfinite(values)
    if raster.nodata is not None:
        valid &= values != raster.nodata
    if tile.mask is not None:
        valid &= tile.mask.ravel()[cells] != 0
    down, right = grid.down[part], grid.right[part]
    up, left = 1 - down, 1 - right
    weight = np.stack([up * left, up * right, down * left, down * right])
    return _Corners(values.astype(np.float64), valid, weight)


def _blend(
    values: FloatArray, valid: BoolArray, weight: FloatArray, matters: BoolArray
) -> FloatArray:
    """Return the weighted mean of four cells; NaN where one that matters has no value."""
    used = np.where(valid, weight, 0.0)
    total = np.sum(used * np.where(valid, values, 0.0), axis=0)
    whole = ~np.any(matters & ~valid, axis=0)
    z = np.full(values.shape[1], np.nan)
    np.divide(total, used.sum(axis=0), out=z, where=whole)
    return z


def _extents(raster: Raster, places: _Places) -> str:
    west, south, east, north = places.extent(raster)
    left, bottom, right, top = raster.bounds
    return (
        f"in {raster.crs.name!r} {raster.name} covers x {left:.8g} to {right:.8g}, "
        f"y {bottom:.8g} to {top:.8g}, the mains x {west:.8g} to {east:.8g}, "
        f"y {south:.8g} to {north:.8g}"
    )


def _no_overlap(extents: Sequence[str]) -> str:
    more = f" (and {len(extents) - 1} more files)" if len(extents) > 1 else ""
    return (
        f"no raster overlaps the mains: {extents[0]}{more}; check that it is the DEM of this "
        "place and that the CRS of both are right"
    )


class _Notes:
    """What was assumed of the rasters, one finding a rule, however many tiles there are."""

    TEXTS: dict[str, tuple[str, str]] = {  # noqa: RUF012 (constant table)
        "dem-unit-assumed": (
            "warning",
            "neither file nor brief says the unit of the levels; metres assumed; "
            "set ground.vertical_unit in the brief",
        ),
        "dem-no-nodata": (
            "warning",
            "the file does not say which value means no data, so every cell was taken as ground; "
            "set its nodata value if it has gaps",
        ),
        "dem-bands": ("warning", "more than one band; band 1 was taken as ground level"),
        "dem-strange-level": (
            "warning",
            f"values outside {LOWEST:.0f} to {HIGHEST:.0f} m were taken as no data; "
            "check nodata value and vertical unit",
        ),
    }

    def __init__(self, xy: FloatArray) -> None:
        self._xy = xy
        self._files: dict[str, list[str]] = {}
        self._points: dict[str, list[IntArray]] = {}

    def _add(self, rule: str, raster: Raster, index: IntArray) -> None:
        names = self._files.setdefault(rule, [])
        if raster.name not in names[-1:]:
            names.append(raster.name)
        self._points.setdefault(rule, []).append(index)

    def raster(self, raster: Raster, index: IntArray, *, unit_known: bool) -> None:
        """Note what is missing in a file that holds points."""
        if not unit_known:
            self._add("dem-unit-assumed", raster, index)
        if not raster.says_nodata:
            self._add("dem-no-nodata", raster, index)
        if raster.dataset.count > 1:
            self._add("dem-bands", raster, index)

    def strange(self, raster: Raster, index: IntArray) -> None:
        """Note points whose cells hold levels that no ground has."""
        if len(index):
            self._add("dem-strange-level", raster, index)

    def hand_over(self, findings: Findings) -> None:
        """Add the findings, each with the box of the points it concerns."""
        for rule, names in self._files.items():
            severity, text = self.TEXTS[rule]
            index = np.concatenate(self._points[rule])
            west, south = self._xy[index].min(axis=0)
            east, north = self._xy[index].max(axis=0)
            findings.add(
                severity,
                rule,
                f"{text} ({len(index)} points)",
                layer="dem",
                feature=_listed(names),
                geometry=_box(west, south, east, north),
            )


def _listed(names: Sequence[str], most: int = 5) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _box(west: float, south: float, east: float, north: float) -> Any:
    """Return a box; a point where all points are one."""
    if west == east and south == north:
        return shapely.Point(west, south)
    if west == east or south == north:
        return shapely.LineString([(west, south), (east, north)])
    return shapely.box(west, south, east, north)
