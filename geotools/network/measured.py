"""Polylines measured from points: lines are made for it some at a time, and let go.

Of a line of many vertices that many points are measured to, each point is brought to the nearest
segment first: else the work would grow with the product of both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.near import lines_near, passing_pays
from geotools.network.ragged import (
    FloatArray,
    IntArray,
    firsts,
    linestrings_at,
    offsets_of,
    spread_out,
    to_linestrings,
)

__all__ = ["AT_ONCE", "Polylines", "Stretches", "Within", "stretches", "stretches_tree"]

AT_ONCE = 100_000  # pairs of a point and a line
STEPS = 8  # steps of an axis indexed as one; a box around a whole run would be near everything
# steps of a line measured to in the time a step is entered in a tree, or a point looked up in it:
# some 5 us, and 20 to 45 ns for each step
EVEN = 200


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
class Stretches:
    """Stretches of lines, each a few segments long: their line, first vertex and segments."""

    line: IntArray
    first: IntArray
    count: IntArray

    def lines(self, xy: FloatArray) -> npt.NDArray[np.object_]:
        """Return the stretches as lines, given the vertices of the lines."""
        row, step = spread_out(self.count + 1)
        return to_linestrings(xy[self.first[row] + step], offsets_of(self.count + 1))


def stretches(offsets: IntArray) -> Stretches:
    """Return the stretches of lines with these offsets of vertices."""
    line, part = spread_out(np.ceil((np.diff(offsets) - 1) / STEPS).astype(np.int64))
    first = offsets[line] + STEPS * part
    return Stretches(line, first, np.minimum(offsets[line + 1] - 1 - first, STEPS))


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
    def tree(self) -> shapely.STRtree:
        """Return a tree of the stretches of all lines, some ten times as large as these."""
        return stretches_tree(self)

    def within(self, points: FloatArray, reach: float) -> Within:
        """Return all lines within reach of points, m, sorted by point and line."""
        if passing_pays(points, self.xy):
            point, line = lines_near(points, self.xy, self.offsets, reach=reach, ends=True).T
        else:
            point, line = self.around(points, reach)
        gap = self.distance(points, point, line)
        near = gap <= reach
        return Within(point[near], line[near], gap[near])

    def around(self, points: FloatArray, reach: FloatArray | float) -> tuple[IntArray, IntArray]:
        """Return rows of points and of the lines within reach of them, m, as a tree finds them.

        Each pair once, sorted by point and line.
        """
        found = self.tree.query(shapely.points(points), predicate="dwithin", distance=reach)
        point, line = found[0].astype(np.int64), stretches(self.offsets).line[found[1]]
        order = np.lexsort([line, point])
        point, line = point[order], line[order]
        fresh = firsts(point, line)
        return point[fresh], line[fresh]

    def distance(self, points: FloatArray, point: IntArray, line: IntArray) -> FloatArray:
        """Return how far points are from lines, m, given the rows of both."""
        return self._measured(shapely.distance, points, point, line)[0]

    def locate(self, points: FloatArray, point: IntArray, line: IntArray) -> FloatArray:
        """Return how far along lines points are, m, given the rows of both.

        Of places of a line as near to a point, it is the first.
        """
        along, before = self._measured(shapely.line_locate_point, points, point, line)
        return along + before

    def _measured(
        self,
        function: Callable[..., npt.NDArray[np.float64]],
        points: FloatArray,
        point: IntArray,
        line: IntArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Return ``function(lines, points)``, as of shapely, of rows of points and of lines.

        In place of a line that is long, and asked for often, stands its segment that is nearest;
        how far along the line that begins, m, is returned beside, or 0. Pairs are taken in the
        order of the lines, so that each line is made about once.
        """
        out, before = np.empty(len(line)), np.zeros(len(line))
        order = np.argsort(line, kind="stable")
        often = self._often(line)[line[order]]
        for rows in _parts_of(order[~often]):
            lines = linestrings_at(self.xy, self.offsets, line[rows])
            out[rows] = function(lines, shapely.points(points[point[rows]]))
        for rows in _groups_of(order[often], line):
            own, spots = line[rows[0]], shapely.points(points[point[rows]])
            xy = self.xy[self.offsets[own] : self.offsets[own + 1]]
            segments, before[rows] = _nearest_segments(xy, spots)
            out[rows] = function(segments, spots)
        return out, before

    def _often(self, line: IntArray) -> npt.NDArray[np.bool_]:
        """Return for each line whether, by how often it is asked for, a tree of it is quicker."""
        points, steps = np.bincount(line, minlength=len(self)), np.diff(self.offsets)
        return np.asarray(points * steps > EVEN * (points + steps), dtype=np.bool_)


def stretches_tree(lines: Polylines) -> shapely.STRtree:
    """Return a tree of polylines stretch by stretch."""
    return shapely.STRtree(stretches(lines.offsets).lines(lines.xy))


def _parts_of(rows: IntArray) -> Iterator[IntArray]:
    """Yield rows, so many at once as there is to be room for."""
    for first in range(0, len(rows), AT_ONCE):
        yield rows[first : first + AT_ONCE]


def _groups_of(rows: IntArray, line: IntArray) -> Iterator[IntArray]:
    """Yield rows, which are sorted by line, of one line at a time."""
    if len(rows):
        yield from np.split(rows, np.flatnonzero(firsts(line[rows]))[1:])


def _nearest_segments(
    xy: FloatArray, spots: npt.NDArray[np.object_]
) -> tuple[npt.NDArray[np.object_], FloatArray]:
    """Return the segment of a line nearest to each spot, and how far along the line it begins, m.

    Of those as near it is the first. Lengths are shapely's and added up in its order, so that
    what is measured is as if it were to the whole line, to the last bit.
    """
    segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    spot, segment = shapely.STRtree(segments).query_nearest(spots, all_matches=True)
    order = np.lexsort([segment, spot])
    order = order[firsts(spot[order])]
    nearest = np.zeros(len(spots), dtype=np.int64)
    nearest[spot[order]] = segment[order]
    begins = np.concatenate([[0.0], np.cumsum(shapely.length(segments))])
    return segments[nearest], begins[nearest]
