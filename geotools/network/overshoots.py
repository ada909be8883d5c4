"""Overshoots: line ends drawn a little past what they meet, taken back to it.

Dangling ends that face each other, within the snap tolerance, mean one place (see `gaps`). Where
lines of such ends run past each other they are taken back to where they first meet, and where two
lap over each other in one direction both are taken back by half of that: what is drawn twice is
there once, and a run does not go to and fro over it. All ends that mean the place become one node.
Nothing else of a line is moved, and no end by more than the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.links import components
from geotools.network.gaps import facing_ends
from geotools.network.near import clusters
from geotools.network.pieces import TOUCH, Pieces, cut_lines, end_points, from_ends
from geotools.network.places import Places, on_measures
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    lengths_along,
    linestrings_at,
    measures,
    offsets_of,
    spread_out,
    take,
)
from geotools.network.trimmed import trimmed_lines

__all__ = ["Left", "without_overshoots"]

# Of a short line this much is taken off an end at most: something is left of it. Judgement.
SHARE = 0.3
ONWARDS = -np.sqrt(0.5)  # cosine; ends that lap over each other head for each other within 45 deg


@dataclass(frozen=True)
class Left:
    """What is left of lines.

    Attributes
    ----------
    pieces : Pieces
        One of each line, in their order.
    told : ndarray, shape (k, 4)
        Ends taken back: x and y as drawn, by how much, m, and the row of the line.
    one : ndarray of int64, shape (p, 2)
        Line ends that become one node.
    """

    pieces: Pieces
    told: FloatArray
    one: IntArray


@dataclass(frozen=True)
class _Lines:
    """Lines, and of their ends the points and how much may be taken off, m."""

    xy: FloatArray
    offsets: IntArray
    places: Places
    lengths: FloatArray
    points: FloatArray
    most: FloatArray

    @classmethod
    def of(cls, xy: FloatArray, offsets: IntArray, tolerance: float) -> _Lines:
        places = Places.of_offsets(offsets, measures(xy, offsets))
        lengths = lengths_along(places.at, offsets)
        most = np.repeat(np.minimum(tolerance, SHARE * lengths), 2)
        return cls(xy, offsets, places, lengths, end_points(xy, offsets), most)

    def lines(self, rows: IntArray) -> npt.NDArray[np.object_]:
        return linestrings_at(self.xy, self.offsets, rows)

    def tails(self, ends: IntArray) -> npt.NDArray[np.object_]:
        """Return the last part of lines before ends, as drawn, as much as may be taken off."""
        line, last = ends >> 1, (ends & 1).astype(bool)
        low = np.where(last, self.lengths[line] - self.most[ends], 0.0)
        high = np.where(last, self.lengths[line], self.most[ends])
        return trimmed_lines(self.xy, self.places, line, low, high)

    def heading(self, ends: IntArray) -> FloatArray:
        """Return the directions lines end in, shape (k, 2)."""
        line, most = ends >> 1, self.most[ends]
        behind = from_ends(self.lengths, ends, most)
        step = self.points[ends] - on_measures(self.xy, self.places, line, behind)
        far = np.maximum(np.hypot(*step.T), np.finfo(float).tiny)
        return np.asarray(step / far[:, None], dtype=np.float64)


def without_overshoots(
    xy: FloatArray, offsets: IntArray, near: IntArray, *, tolerance: float
) -> Iterator[Left]:
    """Yield what is left of the lines, each time of what was left before; nothing if it is all.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
        Vertices, m, of lines of two or more distinct points.
    offsets : ndarray of int64, shape (n + 1,)
    near : ndarray of int64, shape (k, 2)
        Line ends no farther apart than the tolerance, as `near_places` gives them.
    tolerance : float
        How much of an end may be taken back, m.
    """
    if tolerance <= TOUCH or not len(near):
        return
    lines = _Lines.of(xy, offsets, tolerance)
    node = clusters(lines.points, TOUCH, np.zeros((0, 2), dtype=np.int64))
    one = facing_ends(xy, offsets, lines.places.at, node, tolerance=tolerance)
    if not len(one):
        return
    label = components(one, len(node))
    pairs = _pairs(label, np.unique(one))
    off = _past_others(lines, pairs)
    over = _laps(lines, pairs)[1]
    run_past = np.isin(
        label, label[np.concatenate([pairs[over, 0], pairs[off[pairs[:, 0]] > 0, 0]])]
    )
    one = one[run_past[one[:, 0]]]
    if off.any():
        yield (left := _left(lines, off, one))
        lines = _Lines.of(left.pieces.xy, left.pieces.offsets, tolerance)
    off = _lapping(lines, pairs)
    if off.any():
        yield _left(lines, off, one)


def _pairs(label: IntArray, ends: IntArray) -> IntArray:
    """Return all pairs of these ends that have one label, each both ways round."""
    ends = ends[np.argsort(label[ends], kind="stable")]
    number = np.cumsum(np.diff(label[ends], prepend=-1) != 0) - 1  # of the label among these
    bounds = offsets_of(np.bincount(number))
    of, at = spread_out(np.diff(bounds)[number])
    other = ends[bounds[number[of]] + at]
    pairs = np.stack([ends[of], other], axis=1)
    return np.asarray(pairs[pairs[:, 0] != other], dtype=np.int64)


def _past_others(lines: _Lines, pairs: IntArray) -> FloatArray:
    """Return how far every end has run past where its line first meets one of its pairs, m."""
    mates = pairs[~_laps(lines, pairs)[1]]
    off = np.zeros(len(lines.points))
    end, back = _met(lines, mates[:, 0], mates[:, 1] >> 1)
    np.maximum.at(off, end, back)
    return np.where((off > TOUCH) & (off < lines.most), off, 0.0)


def _met(lines: _Lines, end: IntArray, line: IntArray) -> tuple[IntArray, FloatArray]:
    """Return ends whose lines meet others, and how far before the end they last do, m."""
    apart = end >> 1 != line
    end, line = end[apart], line[apart]
    tails, others = lines.tails(end), lines.lines(line)
    back = np.full(len(end), np.inf)
    rows = np.flatnonzero(shapely.dwithin(tails, others, TOUCH))
    met = shapely.intersection(tails[rows], others[rows])
    bare = shapely.is_empty(met)
    met[bare] = shapely.get_point(shapely.shortest_line(tails[rows[bare]], others[rows[bare]]), 0)
    place, of = shapely.get_coordinates(met, return_index=True)
    row = rows[of]
    along = shapely.line_locate_point(tails[row], shapely.points(place))
    far = np.where(end[row] & 1, lines.most[end[row]] - along, along)
    np.minimum.at(back, row, np.maximum(far, 0.0))
    return end[rows], back[rows]


def _laps(lines: _Lines, pairs: IntArray) -> tuple[FloatArray, BoolArray]:
    """Return how far, m, second ends have come along the first ones' lines, and which lap over."""
    end, other = pairs.T
    spots = shapely.points(lines.points[other])
    over = shapely.line_locate_point(lines.lines(end >> 1), spots)
    over = from_ends(lines.lengths, end, over)
    come = (over > 2 * TOUCH) & (over < lines.most[end]) & (end >> 1 != other >> 1)
    come &= (lines.heading(end) * lines.heading(other)).sum(axis=1) < ONWARDS
    count = len(lines.points)
    return over, come & np.isin(other * count + end, (end * count + other)[come])


def _lapping(lines: _Lines, pairs: IntArray) -> FloatArray:
    """Return how far ends lap over others that come towards them, m, each half.

    What they lie aside of each other is taken off besides, where there is as much: so the step
    from one to the other goes aslant, and not square.
    """
    off = np.zeros(len(lines.points))
    over, laps = _laps(lines, pairs)
    end, other = pairs[laps].T
    aside = shapely.distance(shapely.points(lines.points[other]), lines.lines(end >> 1))
    half = over[laps] / 2
    np.maximum.at(off, end, half + np.minimum(aside, lines.most[end] - half))
    return off


def _left(lines: _Lines, off: FloatArray, one: IntArray) -> Left:
    """Return what is left of lines with so much taken off their ends, m."""
    ends = np.flatnonzero(off)
    line = ends >> 1
    at = from_ends(lines.lengths, ends, off[ends])
    cuts = np.stack([line.astype(float), at], axis=1)
    pieces = cut_lines(lines.xy, lines.offsets, cuts, lines.places.at)
    kept = np.ones(len(pieces.line), dtype=bool)
    of_line = offsets_of(np.bincount(pieces.line, minlength=len(lines.lengths)))
    kept[of_line[line[(ends & 1) == 0]]] = False
    kept[of_line[line[(ends & 1) == 1] + 1] - 1] = False
    rows = np.flatnonzero(kept)
    pieces = Pieces(
        pieces.xy[take(pieces.offsets, rows)],
        offsets_of(np.diff(pieces.offsets)[rows]),
        pieces.line[rows],
        pieces.start[rows],
        pieces.end[rows],
        np.zeros(0, dtype=np.int64),
    )
    return Left(pieces, np.stack([*lines.points[ends].T, off[ends], line], axis=1), one)
