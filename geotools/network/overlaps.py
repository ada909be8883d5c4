"""Overlaps: stretches over which two like mains are drawn on each other, with no vertex in common.

Two stretches lie on each other if every vertex of either lies near the other line: between one
such vertex and the next both are straight, so that no place of theirs is farther apart than the
ends. Lines that cross at a flat angle have no vertices there and are not drawn on each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.links import components
from geotools.network.gaps import ONE, ROUNDING
from geotools.network.measured import Polylines
from geotools.network.near import clusters, lines_near
from geotools.network.pieces import TOUCH, end_points
from geotools.network.places import Places, points_along
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    measures,
    offsets_of,
    row_of,
    take,
)
from geotools.network.runs import alike

__all__ = ["LEAST", "Overlaps", "find_overlaps", "overlap_reach"]

# m; what is shorter is two mains that part or meet at a flat angle, or one end snapped askew.
# Judgement, no source.
LEAST = 5.0
# times how near they are; ways along two lines on each other differ by less from spot to spot
ASKEW = 4.0


@dataclass(frozen=True)
class Overlaps:
    """Stretches of two lines that lie on each other; arrays have shape (k, 2), a column a line.

    Attributes
    ----------
    line : ndarray of int64
    low, high : ndarray
        Where the stretch begins and ends along each line, m.
    same : ndarray of bool, shape (k,)
        Both lines run the same way: ``low`` lies on ``low``; else on ``high``.
    """

    line: IntArray
    low: FloatArray
    high: FloatArray
    same: BoolArray

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True)
class _Spots:
    """Vertices of pairs of lines: where along both lines they lie, and which are near the other.

    ``at`` has shape (k, 2), m along the first and the second line of the pair; ``side`` tells
    whose vertex it is. What is not near the other line has no place along that.
    """

    pair: IntArray
    side: IntArray
    at: FloatArray
    near: BoolArray


def overlap_reach(tolerance: float) -> float:
    """Return how near two mains are drawn that can only be one, m, given the snap tolerance, m."""
    return max(min(tolerance, ONE), TOUCH)


def find_overlaps(
    xy: FloatArray,
    offsets: IntArray,
    *,
    chosen: BoolArray,
    diameter: FloatArray,
    diameter_tolerance: float,
    reach: float,
    thick: FloatArray | None = None,
) -> Overlaps:
    """Find where lines of like diameter lie on each other for some metres.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
        Vertices, m.
    offsets : ndarray of int64, shape (n + 1,)
    chosen : ndarray of bool, shape (n,)
        Lines that count.
    diameter : ndarray, shape (n,)
        m
    diameter_tolerance : float
        Share by which diameters that are alike differ at most.
    reach : float
        Lines as far apart or farther do not lie on each other, m.
    thick : ndarray, shape (n,), optional
        In place of the reach, lines as far apart as half of both, m, do not: each pair by its own,
        whatever else there is. Ends are one within the reach.
    """
    rows = np.flatnonzero(chosen)
    lines = Polylines(xy[take(offsets, rows)], offsets_of(np.diff(offsets)[rows]))
    farthest = reach if thick is None else float(thick[rows].max(initial=reach))
    pairs = _neighbours(lines, farthest)
    one, other = diameter[rows[pairs]].T
    pairs = pairs[alike(one, other, diameter_tolerance)]
    within = np.full(len(pairs), reach) if thick is None else thick[rows[pairs]].mean(axis=1)
    pair, low, high, same = _stretches(_spots(lines, pairs, within), within)
    long = _long_enough(lines, pairs[pair], low, high, reach)
    return Overlaps(rows[pairs[pair[long]]], low[long], high[long], same[long])


def _long_enough(
    lines: Polylines, pair: IntArray, low: FloatArray, high: FloatArray, reach: float
) -> BoolArray:
    """Return which stretches are long enough, with those that go on from them.

    One goes on where a main ends or is split: how long an overlap is may not hang on that.
    """
    if not len(pair):
        return np.zeros(0, dtype=np.bool_)
    ends = np.concatenate([low.ravel(), high.ravel()])
    points = points_along(lines.xy, lines.offsets, np.tile(pair.ravel(), 2), ends)
    place = clusters(points, reach, np.zeros((0, 2), dtype=np.int64)).reshape(2, -1, 2)
    stretch = np.broadcast_to(np.arange(len(pair))[None, :, None], place.shape)
    links = np.stack([stretch.ravel(), len(pair) + place.ravel()], axis=1)
    whole = components(links, len(pair) + int(place.max()) + 1)[: len(pair)]
    total = np.bincount(whole, (high - low).min(axis=1))
    return np.asarray(total[whole] >= LEAST, dtype=np.bool_)


def _neighbours(lines: Polylines, reach: float) -> IntArray:
    """Return the pairs of lines that are near each other at two places or more, (k, 2).

    Places are vertices of one near the other line, and ends of both at the very same place.
    """
    own, count = row_of(lines.offsets), len(lines)
    vertex, other = lines_near(lines.xy, lines.xy, lines.offsets, reach=reach).T
    found = np.stack([own[vertex], other], axis=1)
    found = np.sort(found[found[:, 0] != found[:, 1]], axis=1)
    if not len(found):
        return found
    key, times = np.unique(found[:, 0] * count + found[:, 1], return_counts=True)
    one, two = pairs = np.divmod(key, count)
    ends = end_points(lines.xy, lines.offsets).reshape(-1, 2, 2)
    met = (ends[one][:, :, None] == ends[two][:, None]).all(axis=3).sum(axis=(1, 2))
    return np.asarray(np.stack(pairs, axis=1)[times + met > 1], dtype=np.int64)


def _spots(lines: Polylines, pairs: IntArray, within: FloatArray) -> _Spots:
    """Bring every vertex of the lines of pairs onto the other line of its pair.

    ``within`` is how far apart the lines of each pair do not lie on each other any more, m.
    """
    along = measures(lines.xy, lines.offsets)
    parts = []
    for side in (0, 1):
        vertex = take(lines.offsets, pairs[:, side])
        pair = np.repeat(np.arange(len(pairs)), np.diff(lines.offsets)[pairs[:, side]])
        other = pairs[pair, 1 - side]
        near = lines.distance(lines.xy, vertex, other) < within[pair] - ROUNDING
        foot = np.full(len(pair), np.nan)
        foot[near] = lines.locate(lines.xy, vertex[near], other[near])
        at = np.stack([along[vertex], foot], axis=1)[:, :: 1 - 2 * side]
        parts.append(_Spots(pair, np.full(len(pair), side), at, near))
    return _Spots(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("pair", "side", "at", "near")
        )
    )


def _stretches(
    spots: _Spots, within: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, BoolArray]:
    """Return pair, low and high along both its lines, (k, 2), and whether they go the same way."""
    order = np.flatnonzero(spots.near)
    order = order[np.lexsort([*spots.at[order].T[::-1], spots.pair[order]])]
    pair, at = spots.pair[order], spots.at[order]
    starts = np.flatnonzero(~_goes_on(spots, pair, at, within))
    last = np.append(starts[1:], len(pair)) - 1 if len(starts) else starts
    low, high = (
        np.stack([edge.reduceat(at[:, k], starts) for k in (0, 1)], axis=1)
        if len(starts)
        else np.zeros((0, 2))
        for edge in (np.minimum, np.maximum)
    )
    kept = (high - low).min(axis=1, initial=np.inf) > within[pair[starts]]
    same = at[last, 1] > at[starts, 1]
    return pair[starts[kept]], low[kept], high[kept], same[kept]


def _goes_on(spots: _Spots, pair: IntArray, at: FloatArray, within: FloatArray) -> BoolArray:
    """Return which near vertices the lines lie on each other up to, from the one before."""
    goes = np.zeros(len(pair), dtype=bool)
    askew = np.abs(np.subtract(*np.abs(np.diff(at, axis=0)).T))
    goes[1:] = ~firsts(pair)[1:] & (askew <= ASKEW * within[pair[1:]])
    pairs = int(spots.pair.max(initial=-1)) + 1
    rows = np.flatnonzero(goes)
    for side in (0, 1):
        away = np.flatnonzero(~spots.near & (spots.side == side))  # by pair, and along the line
        places = Places.of(spots.pair[away], spots.at[away, side], pairs)
        one, two = np.sort(np.stack([at[rows - 1, side], at[rows, side]]), axis=0)
        between = places.search(pair[rows], two) > places.search(pair[rows], one, "right")
        goes[rows[between]] = False
    return goes
