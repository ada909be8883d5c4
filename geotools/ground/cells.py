"""Bilinear interpolation between cell centres, window by window of a raster."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from rasterio.windows import Window

from geotools.ground.raster import WINDOW_CELLS, Raster, read_mask, read_window
from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = [
    *("HIGHEST", "LOWEST", "NO_WEIGHT", "Levels"),
    *("ends_of", "interpolate", "levels_at"),
]


# A cell that counts for less than this share of a level does not matter, even without data.
NO_WEIGHT = 1e-6
# Points worked on at a time, so that the arrays of their four cells stay small.
CHUNK = 2**17
# No ground on earth that carries a water main lies outside these levels (m).
LOWEST, HIGHEST = -500.0, 9000.0


@dataclass(frozen=True)
class Levels:
    """Levels at points (m, NaN where there is none), and where a cell held no possible level.

    ``held`` is what such cells hold, as stored: the least and the greatest; empty without any.
    """

    z: FloatArray
    strange: BoolArray
    held: FloatArray


def interpolate(raster: Raster, xy: FloatArray, *, metres: float) -> Levels:
    """Return levels at points on a raster.

    Parameters
    ----------
    raster : Raster
    xy : ndarray, shape (n, 2)
        Points in its CRS, on it; in the outer half cell the level of the edge goes on.
    metres : float
        Length of its vertical unit, m.
    """
    return levels_at(raster, *raster.cells(xy), metres=metres)


def levels_at(raster: Raster, column: FloatArray, row: FloatArray, *, metres: float) -> Levels:
    """Return levels at places given in cells from the outer corner of a raster's first cell.

    As of `interpolate`; a place at the middle of a cell, half a cell beyond its corner, has the
    level of that cell.
    """
    z = np.full(len(column), np.nan)
    strange = np.zeros(len(column), dtype=bool)
    held = np.zeros(0)
    grid = _grid(raster, column, row)
    for part in _windows(raster, grid):
        tile = _tile(raster, grid, part)
        for some in np.array_split(part, -(-len(part) // CHUNK)):
            corners = _corners(raster, tile, grid, some)
            level = corners.values * (raster.scale * metres) + raster.offset * metres
            odd = corners.valid & ~((level >= LOWEST) & (level <= HIGHEST))
            if raster.untold_nodata is not None:
                odd |= corners.valid & (corners.values == raster.untold_nodata)
            matters = corners.weight > NO_WEIGHT
            z[some] = _blend(level, corners.valid & ~odd, corners.weight, matters)
            strange[some] = np.any(odd & matters, axis=0)
            held = ends_of(held, corners.values[odd & matters])
    return Levels(z, strange, held)


def ends_of(*values: FloatArray) -> FloatArray:
    """Return the least and the greatest of all values, one where they are the same, or none."""
    every = np.concatenate(values)
    return np.unique([every.min(), every.max()]) if len(every) else every


@dataclass(frozen=True)
class _Grid:
    """Upper left cell of the four around every point, and the share of the way to the next."""

    row: IntArray
    column: IntArray
    down: FloatArray
    right: FloatArray


def _grid(raster: Raster, column: FloatArray, row: FloatArray) -> _Grid:
    rows, columns = raster.shape
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
