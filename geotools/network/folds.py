"""Folds: stretches of a line drawn to and fro upon itself, found so that they become pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.pieces import TOUCH
from geotools.network.ragged import BoolArray, FloatArray, IntArray, measures, row_of

__all__ = ["fold_cuts"]

AT_ONCE = 1_000_000  # vertices looked at for tips


@dataclass(frozen=True)
class _Legs:
    """Segments that leave two vertices of a line, back along it and on along it."""

    back: FloatArray
    on: FloatArray

    @classmethod
    def of(cls, xy: FloatArray, low: IntArray, high: IntArray) -> _Legs:
        return cls(xy[low - 1] - xy[low], xy[high + 1] - xy[high])

    def shorter(self) -> FloatArray:
        """Return how far both go, m."""
        short: FloatArray = np.minimum(np.hypot(*self.back.T), np.hypot(*self.on.T))
        return short

    def folded(self) -> BoolArray:
        """Return which pairs lie on each other as far as both go."""
        (ax, ay), (bx, by) = self.back.T, self.on.T
        longer = np.maximum(np.hypot(ax, ay), np.hypot(bx, by))
        ahead = (ax * bx + ay * by > 0.0) & (self.shorter() > TOUCH)
        return np.asarray(ahead & (np.abs(ax * by - ay * bx) <= TOUCH * longer), dtype=np.bool_)


def fold_cuts(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return where to cut lines that fold upon themselves: line and distance along it, m, (k, 2).

    At the tip of every fold and, on both its ways, at the vertex or the place up to which they lie
    on each other, within `TOUCH`. The ways are pieces between the same ends then, as if they had
    been drawn as two lines.
    """
    tip = _tips(xy, offsets)
    if not len(tip):
        return np.zeros((0, 2))
    along, line = measures(xy, offsets), row_of(offsets)[tip]
    low, high, further = tip.copy(), tip.copy(), np.zeros(len(tip))
    left = np.arange(len(tip))
    while len(left):
        inner = (low[left] > offsets[line[left]]) & (high[left] < offsets[line[left] + 1] - 1)
        left = left[inner]
        legs = _Legs.of(xy, low[left], high[left])
        lie = legs.folded()
        left, short = left[lie], legs.shorter()[lie]
        apart = np.hypot(*(xy[low[left] - 1] - xy[high[left] + 1]).T)
        further[left] = np.where(apart > TOUCH, short, 0.0)
        left = left[apart <= TOUCH]
        low[left] -= 1
        high[left] += 1
    at = np.concatenate([along[tip], along[low] - further, along[high] + further])
    return np.stack([np.tile(line, 3).astype(float), at], axis=1)


def _tips(xy: FloatArray, offsets: IntArray) -> IntArray:
    """Return the vertices at which lines turn back upon themselves."""
    found = [np.zeros(0, dtype=np.int64)]
    for first in range(0, max(len(xy) - 2, 0), AT_ONCE):
        step = np.diff(xy[first : first + AT_ONCE + 2], axis=0)
        back = (step[1:] * step[:-1]).sum(axis=1) < 0.0
        found.append(first + 1 + np.flatnonzero(back))
    sharp = np.concatenate(found)
    inner = np.ones(len(xy), dtype=bool)
    inner[offsets[:-1]] = inner[offsets[1:] - 1] = False
    sharp = sharp[inner[sharp]]
    return sharp[_Legs.of(xy, sharp, sharp).folded()]
