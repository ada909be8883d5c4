"""Levels in the outer half cell of an elevation raster, where others of its grid lie beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.ground.cells import NO_WEIGHT, interpolate, levels_at
from geotools.ground.mosaic import Mosaic
from geotools.ground.neighbours import Neighbour
from geotools.ground.places import CELL_ROUNDING, SEAM, aside
from geotools.ground.raster import Raster
from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["at_seams"]

HALF = 0.5  # cells, from the outer corner of a cell to its middle


def at_seams(
    mosaic: Mosaic, path: str, xy: FloatArray, flat: FloatArray, vertical_unit: str | None
) -> FloatArray:
    """Return levels in the outer half cell of a raster, with what its neighbours hold.

    A neighbour that has a point between its cell centres gives its level. Elsewhere the cells of
    all neighbours that line up are blended with those of the raster, as if they were one file.
    Cells that no neighbour has, or has no level in, are left out: there the edge goes on flat.

    Parameters
    ----------
    mosaic : Mosaic
    path : str
        The raster.
    xy : ndarray, shape (n, 2)
        Points in its outer half cell, in its CRS.
    flat : ndarray, shape (n,)
        Levels with its edge going on, m: the mean of its own cells around the points. Where it
        has none, none is made of the cells of others.
    vertical_unit : str, optional
        As of `sample_ground`.
    """
    level = flat.copy()
    rest = np.arange(len(flat))
    for beside in mosaic.beside(path):
        if beside.later:  # one before it was asked before, and has no level
            rest = _from_inside(mosaic, beside, xy, level, rest, vertical_unit)
    rest = rest[np.isfinite(flat[rest])]
    if len(rest):
        level[rest] = _blended(mosaic, path, xy[rest], flat[rest], vertical_unit)
    return level


def _from_inside(
    mosaic: Mosaic,
    beside: Neighbour,
    xy: FloatArray,
    level: FloatArray,
    rest: IntArray,
    vertical_unit: str | None,
) -> IntArray:
    """Fill in the levels of points that a neighbour has between its centres; return the rest."""
    path = mosaic.paths[beside.place]
    between = aside(mosaic.known(path), xy[rest]) >= SEAM - CELL_ROUNDING
    some = rest[between]
    if len(some) == 0:
        return rest
    raster = mosaic.open(path)
    z = interpolate(raster, xy[some], metres=_metres(mosaic, raster, vertical_unit)).z
    level[some] = np.where(np.isfinite(z), z, level[some])
    return np.sort(np.concatenate([rest[~between], some[np.isnan(z)]]))


def _metres(mosaic: Mosaic, raster: Raster, vertical_unit: str | None) -> float:
    unit = mosaic.unit(raster, vertical_unit)
    return 1.0 if unit is None else unit.metres


@dataclass(frozen=True)
class _Four:
    """The four cells around points in a grid that goes on beyond its raster, shape (4, n)."""

    row: IntArray
    column: IntArray
    weight: FloatArray

    @classmethod
    def around(cls, raster: Raster, xy: FloatArray) -> _Four:
        column, row = (at - HALF for at in raster.cells(xy))
        left, top = np.floor(column), np.floor(row)
        right, down = column - left, row - top
        weight = np.stack(
            [(1 - down) * (1 - right), (1 - down) * right, down * (1 - right), down * right]
        )
        rows = top.astype(np.int64) + np.array([[0], [0], [1], [1]])
        columns = left.astype(np.int64) + np.array([[0], [1], [0], [1]])
        return cls(rows, columns, weight)

    def held(self, raster: Raster, first: tuple[int, int]) -> BoolArray:
        """Tell which of the cells a raster has whose first cell is this one of the grid."""
        row, column = self.row - first[0], self.column - first[1]
        rows, columns = raster.shape
        held: BoolArray = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        return held


def _blended(
    mosaic: Mosaic, path: str, xy: FloatArray, flat: FloatArray, vertical_unit: str | None
) -> FloatArray:
    """Return the levels of points between cells of a raster and of those that line up with it."""
    four = _Four.around(mosaic.known(path), xy)
    own = four.held(mosaic.known(path), (0, 0))
    wanted = ~own & (four.weight > NO_WEIGHT)
    values = np.full(own.shape, np.nan)
    for beside in mosaic.beside(path):
        if beside.first is not None:
            other = mosaic.paths[beside.place]
            held = wanted & np.isnan(values) & four.held(mosaic.known(other), beside.first)
            if held.any():
                raster = mosaic.open(other)
                metres = _metres(mosaic, raster, vertical_unit)
                values[held] = _cells(raster, four, held, beside.first, metres=metres)
    beyond = np.where(np.isfinite(values), four.weight, 0.0)
    weight = np.where(own, four.weight, 0.0).sum(axis=0)
    total = flat * weight + np.sum(beyond * np.nan_to_num(values), axis=0)
    return np.where(beyond.any(axis=0), total / (weight + beyond.sum(axis=0)), flat)


def _cells(
    raster: Raster,
    four: _Four,
    held: BoolArray,
    first: tuple[int, int],
    *,
    metres: float,
) -> FloatArray:
    """Return the levels of cells, m, that a raster holds whose first cell is this one."""
    row, column = (
        (at[held] - start + HALF).astype(np.float64)
        for at, start in zip((four.row, four.column), first, strict=True)
    )
    return levels_at(raster, column, row, metres=metres).z
