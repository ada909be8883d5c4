"""Polylines measured from points: lines are made for it some at a time, and let go."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.near import lines_near, passing_pays
from geotools.network.ragged import FloatArray, IntArray, linestrings_at, to_linestrings

__all__ = ["Polylines", "Within"]

AT_ONCE = 100_000  # pairs of a point and a line


@dataclass(frozen=True)
class Within:
    """Points and the lines within reach of them: rows of both, and distances, m."""

    point: IntArray
    line: IntArray
    gap: FloatArray

    def least(self, points: int) -> FloatArray:
        """Return the distance of each of so many points to the nearest line found, or infinity."""
        least = np.full(points, np.inf)
        np.minimum.at(least, self.point, self.gap)
        return least


@dataclass(frozen=True)
class Polylines:
    """Lines of two or more vertices, as plain arrays.

    Attributes
    ----------
    xy : ndarray, shape (v, 2)
    offsets : ndarray of int64, shape (n + 1,)
    """

    xy: FloatArray
    offsets: IntArray

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @cached_property
    def lines(self) -> npt.NDArray[np.object_]:
        """Return all of them as shapely has them, some ten times as large."""
        return to_linestrings(self.xy, self.offsets)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Return a tree of all lines."""
        return shapely.STRtree(self.lines)

    def within(self, points: FloatArray, reach: float) -> Within:
        """Return all lines within reach of points, m, sorted by point and line."""
        if passing_pays(points, self.xy):
            point, line = lines_near(points, self.xy, self.offsets, reach=reach, ends=True).T
        else:
            found = self.tree.query(shapely.points(points), predicate="dwithin", distance=reach)
            point, line = found[:, np.lexsort(found[::-1])].astype(np.int64)
        gap = self.measure(shapely.distance, points, point, line)
        near = gap <= reach
        return Within(point[near], line[near], gap[near])

    def measure(
        self,
        function: Callable[..., npt.NDArray[np.float64]],
        points: FloatArray,
        point: IntArray,
        line: IntArray,
    ) -> FloatArray:
        """Return ``function(lines, points)``, as of shapely, of rows of points and of lines.

        Pairs are taken in the order of the lines, so that each is made about once.
        """
        order = np.argsort(line, kind="stable")
        out = np.empty(len(order))
        for first in range(0, len(order), AT_ONCE):
            rows = order[first : first + AT_ONCE]
            lines = linestrings_at(self.xy, self.offsets, line[rows])
            out[rows] = function(lines, shapely.points(points[point[rows]]))
        return out
