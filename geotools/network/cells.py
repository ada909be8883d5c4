"""Square cells over the plane: what lies in or near each, found without a tree.

A place falls into one cell; what may lie within reach of it is listed there. Cells that hold
nothing are not kept, so a few mains far apart cost no more than many close together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from geotools.accel import ready_tree
from geotools.network.ragged import FloatArray, IntArray, firsts, offsets_of, spread_out

__all__ = [
    "STRIDE",
    "Cells",
    "Points",
    "by_place",
    "cells_near_segments",
    "cells_of_points",
]

STRIDE = 2**31  # cells in a row: more than any map has
LEAST_CELL = 50.0  # m; smaller ones are many, and hold little
QUARTERED = 16  # times, the square around all points put in order
LONGEST = 4.0  # cells; a longer segment is entered part by part, not by the box around all of it


@dataclass(frozen=True)
class Cells:
    """What is entered in which cell.

    Attributes
    ----------
    size : float
        Side of a cell, m.
    west, south : float
        Corner the cells are counted from, m.
    key : ndarray of int64, shape (k,)
        Cells that hold something, rising: row times `STRIDE` and column.
    offsets : ndarray of int64, shape (k + 1,)
        Entries of each.
    member : ndarray of int64, shape (n,)
        What is entered, cell by cell.
    """

    size: float
    west: float
    south: float
    key: IntArray
    offsets: IntArray
    member: IntArray

    def entries(self, xy: FloatArray) -> tuple[IntArray, IntArray]:
        """Return the first entry of the cell of each place, and how many it has."""
        if not len(self.key):
            none = np.zeros(len(xy), dtype=np.int64)
            return none, none
        key = _keys(xy, np.array([self.west, self.south]), self.size)
        row = np.minimum(np.searchsorted(self.key, key), len(self.key) - 1)
        count = np.where(self.key[row] == key, self.offsets[row + 1] - self.offsets[row], 0)
        return self.offsets[row], count.astype(np.int64)


class Points:
    """Points looked up by place.

    Attributes
    ----------
    xy : ndarray, shape (k, 2)
    """

    def __init__(self, xy: FloatArray) -> None:
        self.xy = xy

    @cached_property
    def cells(self) -> Cells:
        """Return the cells the points lie in."""
        return cells_of_points(self.xy, size=LEAST_CELL)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Return a tree of the points that threads may share."""
        return ready_tree(shapely.points(self.xy))

    def gap(self, xy: FloatArray) -> FloatArray:
        """Return the distance of places to the nearest point, m; there must be one."""
        _, nearest = self.tree.query_nearest(shapely.points(xy), all_matches=False)
        gap = xy - self.xy[nearest]
        return np.asarray(np.sqrt((gap**2).sum(axis=1)), dtype=np.float64)


def cells_of_points(xy: FloatArray, *, size: float) -> Cells:
    """Enter points in the cells they lie in."""
    corner = _corner(xy)
    return _filled(size, corner, _keys(xy, corner, size), np.arange(len(xy)))


def cells_near_segments(start: FloatArray, end: FloatArray, *, reach: float) -> Cells:
    """Enter segments in every cell from some place of which they may be within reach, m."""
    size = max(2 * reach, LEAST_CELL)
    corner = _corner(np.minimum(start, end))
    parts = np.ceil(np.hypot(*(end - start).T) / (LONGEST * size)).astype(np.int64)
    member, place = spread_out(np.maximum(parts, 1))
    step = (end - start)[member] / np.maximum(parts, 1)[member, None]
    one = start[member] + step * place[:, None]
    low, high = np.minimum(one, one + step) - reach, np.maximum(one, one + step) + reach
    # A little more than the reach, lest rounding keeps out what lies just within it.
    margin = 1e-6 * size
    first = np.floor((low - margin - corner) / size).astype(np.int64)
    count = np.floor((high + margin - corner) / size).astype(np.int64) - first + 1
    box, cell = spread_out(count.prod(axis=1))
    row, column = np.divmod(cell, count[box, 0])
    key = (first[box, 1] + row) * STRIDE + first[box, 0] + column
    return _filled(size, corner, *_once(key, member[box]))


def by_place(xy: FloatArray) -> IntArray:
    """Return an order of points in which those next to each other lie close together.

    Along the curve that goes through the quarters of a square one after the other, and through
    theirs (Morton 1966).
    """
    low, high = (xy.min(axis=0), xy.max(axis=0)) if len(xy) else np.zeros((2, 2))
    cell = (2**QUARTERED * (xy - low) / max(float((high - low).max(initial=0.0)), 1e-9)).astype(int)
    cell = np.minimum(cell, 2**QUARTERED - 1)
    bits = cell[:, :, None] >> np.arange(QUARTERED) & 1
    place = (bits << (2 * np.arange(QUARTERED) + np.array([[0], [1]]))).sum(axis=(1, 2))
    return np.argsort(place, kind="stable").astype(np.int64)


def _once(key: IntArray, member: IntArray) -> tuple[IntArray, IntArray]:
    """Return each pair once: neighbouring parts of a segment meet in the same cells."""
    order = np.lexsort([member, key])
    key, member = key[order], member[order]
    fresh = firsts(key, member)
    return key[fresh], member[fresh]


def _corner(xy: FloatArray) -> FloatArray:
    return np.asarray(xy.min(axis=0) if len(xy) else np.zeros(2), dtype=np.float64)


def _keys(xy: FloatArray, corner: FloatArray, size: float) -> IntArray:
    column, row = np.floor((xy - corner) / size).astype(np.int64).T
    return np.asarray(row * STRIDE + column, dtype=np.int64)


def _filled(size: float, corner: FloatArray, key: IntArray, member: IntArray) -> Cells:
    order = np.argsort(key, kind="stable")
    known, counts = np.unique(key, return_counts=True)
    west, south = map(float, corner)
    return Cells(size, west, south, known, offsets_of(counts), member[order])
