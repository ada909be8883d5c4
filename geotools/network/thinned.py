"""Thinned: axes without the wiggles of the drawing, and what they turn.

The axis is thinned within the survey accuracy (Douglas and Peucker 1973); turning angles are
taken with atan2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    greatest_so_far,
    measures,
    offsets_of,
    row_of,
    spread_out,
)

__all__ = ["ALIKE", "Thinned", "inner_vertices", "thin", "turns_of"]

STRAIGHT = 1e-5  # m; a joint no farther off its neighbours is on a straight main
ALIKE = 0.001  # m; vertices whose distances from a chord differ by less are equally far
ROUNDING = 1e-9  # m


@dataclass(frozen=True)
class Thinned:
    """Axes thinned within the survey accuracy, with the chainage of every vertex kept."""

    xy: FloatArray
    offsets: IntArray
    chainage: FloatArray


def thin(
    xy: FloatArray, offsets: IntArray, *, accuracy: float, joints: IntArray | None = None
) -> Thinned:
    """Thin lines within an accuracy, m, keeping the chainage of the full line.

    ``joints`` are vertices where mains join; one that lies straight between its neighbours is
    there only because the main was split, and is never kept.

    Of vertices equally far from their chord the one nearest its middle is kept, or two if two
    are: the same line is thinned the same from either end and whichever way it lies. Vertices
    that lie off a straight main by up to half the accuracy never bend it: two may err in
    opposite ways.
    """
    along = measures(xy, offsets)
    kept = np.zeros(len(xy), dtype=bool)
    first, last = offsets[:-1], offsets[1:] - 1
    kept[first] = kept[last] = True
    idle = np.zeros(len(xy), dtype=bool)
    if joints is not None:
        idle[joints[_off_chord(xy[joints], xy[joints - 1], xy[joints + 1]) <= STRAIGHT]] = True
    while len(first):
        first, last = _split_chords(xy, along, kept, idle, first, last, accuracy)
    counts = np.add.reduceat(kept, offsets[:-1]) if len(offsets) > 1 else np.zeros(0, dtype=int)
    return Thinned(xy[kept], offsets_of(counts.astype(np.int64)), along[kept])


def _split_chords(
    xy: FloatArray,
    along: FloatArray,
    kept: BoolArray,
    idle: BoolArray,
    first: IntArray,
    last: IntArray,
    accuracy: float,
) -> tuple[IntArray, IntArray]:
    """Keep the vertex farthest from each chord, if it is off; return the chords that makes."""
    open_to = last - first > 1
    first, last = first[open_to], last[open_to]
    if not len(first):
        return first, last
    inner = last - first - 1
    bounds = offsets_of(inner)
    chord, place = spread_out(inner)
    vertex = first[chord] + 1 + place
    off = _off_chord(xy[vertex], xy[first][chord], xy[last][chord])
    off = np.where(idle[vertex], -1.0, off)
    farthest = np.maximum.reduceat(off, bounds[:-1])
    flat = np.flatnonzero(farthest <= accuracy + ROUNDING)
    folded = flat[_goes_back(xy, first[flat], last[flat]) > accuracy + ROUNDING]
    if len(folded):
        mine = np.isin(chord, folded) & ~idle[vertex]
        off[mine] = _folds(xy, vertex[mine], first[chord[mine]], last[chord[mine]])
        farthest = np.maximum.reduceat(off, bounds[:-1])
    far = (farthest[chord] > accuracy + ROUNDING) & (off >= farthest[chord] - ALIKE)
    aside = np.abs(along[vertex] - ((along[first] + along[last]) / 2)[chord])
    nearest = np.minimum.reduceat(np.where(far, aside, np.inf), bounds[:-1])
    taken = far & (aside <= nearest[chord] + ALIKE)
    kept[vertex[taken]] = True
    ends = np.concatenate([first, last, vertex[taken]])
    owner = np.concatenate([np.arange(len(first))] * 2 + [chord[taken]])
    split = farthest > accuracy + ROUNDING
    ends, owner = ends[split[owner]], owner[split[owner]]
    order = np.lexsort([ends, owner])
    ends, owner = ends[order], owner[order]
    same = owner[1:] == owner[:-1]
    return ends[:-1][same], ends[1:][same]


def _goes_back(xy: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return how far the way from vertex to vertex goes back along the chord in all, m."""
    counts = last - first
    of, place = spread_out(counts)
    start = first[of] + place
    step = ((xy[start + 1] - xy[start]) * _unit(xy[last] - xy[first])[of]).sum(axis=1)
    back = np.bincount(of, np.maximum(-step, 0.0), minlength=len(first))
    return np.asarray(back, dtype=np.float64)


def _folds(xy: FloatArray, vertex: IntArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return how far vertices lie back along their chord behind one before, or before one behind.

    A line that turns back on itself lies on its chord all the same.
    """
    along = ((xy[vertex] - xy[first]) * _unit(xy[last] - xy[first])).sum(axis=1)
    behind = greatest_so_far(along, first) - along
    ahead = along + greatest_so_far(-along[::-1], -first[::-1])[::-1]
    return np.asarray(np.maximum(behind, ahead), dtype=np.float64)


def _unit(step: FloatArray) -> FloatArray:
    size = np.hypot(*step.T)
    return np.asarray(step / np.where(size > 0, size, 1.0)[:, None], dtype=np.float64)


def _off_chord(point: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Return the distance of points from straight pieces, m."""
    step = end - start
    size = (step**2).sum(axis=1)
    share = ((point - start) * step).sum(axis=1) / np.where(size > 0, size, 1.0)
    nearest = start + np.clip(share, 0.0, 1.0)[:, None] * step
    return np.asarray(np.hypot(*(point - nearest).T), dtype=np.float64)


def inner_vertices(thinned: Thinned) -> IntArray:
    """Return the vertices that are not the ends of axes."""
    run = row_of(thinned.offsets)
    return np.flatnonzero((run[1:-1] == run[:-2]) & (run[1:-1] == run[2:])) + 1


def turns_of(thinned: Thinned) -> pd.DataFrame:
    """Return the signed turn at every inner vertex of the thinned axes, and the legs beside it."""
    run, inner = row_of(thinned.offsets), inner_vertices(thinned)
    before = thinned.xy[inner] - thinned.xy[inner - 1]
    after = thinned.xy[inner + 1] - thinned.xy[inner]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    at = thinned.chainage
    return pd.DataFrame(
        {
            "run": run[inner],
            "chainage": at[inner],
            "turn": np.arctan2(cross, (before * after).sum(axis=1)),
            "before": at[inner] - at[inner - 1],
            "after": at[inner + 1] - at[inner],
        }
    )
