"""Places along runs, sorted by run and chainage, and looked up by both.

A sorted key is made of both: runs are laid end to end, a few metres apart, so that a whole city
in one array keeps its micrometres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from geotools.network.ragged import FloatArray, IntArray, measures, offsets_of

__all__ = ["Places", "on_measures", "points_along"]

APART = 10.0  # m between runs laid end to end; a look-up beyond an end stays within half of it


@dataclass(frozen=True)
class Places:
    """Rows sorted by run and chainage.

    Attributes
    ----------
    offsets : ndarray of int64, shape (runs + 1,)
        Rows of each run.
    at : ndarray, shape (n,)
        Chainage, m.
    base : ndarray, shape (runs,)
        What is added to the chainage of each run to make the key.
    """

    offsets: IntArray
    at: FloatArray
    base: FloatArray

    @classmethod
    def of(cls, run: IntArray, at: FloatArray, runs: int) -> Places:
        """Take rows that are sorted by run and chainage."""
        counts = np.bincount(run.astype(np.int64), minlength=runs).astype(np.int64)
        return cls.of_offsets(offsets_of(counts), at)

    @classmethod
    def of_offsets(cls, offsets: IntArray, at: FloatArray) -> Places:
        """Take rows that are sorted, given the offsets of their runs."""
        filled = np.diff(offsets) > 0
        last = np.zeros(len(offsets) - 1)
        first = np.zeros(len(offsets) - 1)
        last[filled] = at[offsets[1:][filled] - 1]
        first[filled] = at[offsets[:-1][filled]]
        base = _laid_out(last - first + APART) - first
        return cls(offsets.astype(np.int64), np.asarray(at, dtype=np.float64), base)

    @cached_property
    def _key(self) -> FloatArray:
        rows = np.repeat(np.arange(len(self.base)), np.diff(self.offsets))
        return np.asarray(self.at + self.base[rows], dtype=np.float64)

    @cached_property
    def _bounds(self) -> tuple[FloatArray, FloatArray]:
        """Return the least and the greatest key to look for in each run."""
        first = np.clip(self.offsets[:-1], 0, len(self.at) - 1)
        last = np.clip(self.offsets[1:] - 1, 0, len(self.at) - 1)
        least = self.at[first] - APART / 3 + self.base
        greatest = self.at[last] + APART / 3 + self.base
        return least, greatest

    def search(
        self, run: IntArray, at: FloatArray, side: Literal["left", "right"] = "left"
    ) -> IntArray:
        """Return where each place would be inserted among the rows of its run."""
        if not len(self.at):
            return np.zeros(len(run), dtype=np.int64)
        least, greatest = self._bounds
        where = np.clip(at + self.base[run], least[run], greatest[run])
        found = np.searchsorted(self._key, where, side=side)
        return np.clip(found, self.offsets[run], self.offsets[run + 1]).astype(np.int64)

    def holding(self, run: IntArray, at: FloatArray, *, slack: float = 0.0) -> IntArray:
        """Return the last row at or before each place (with slack, m); the first if none is."""
        return np.maximum(self.search(run, at + slack, "right") - 1, self.offsets[run])

    def nearest(self, run: IntArray, at: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the row nearest to each place and the gap, m; infinite where the run has none."""
        if not len(self.at):
            return np.zeros(len(run), dtype=np.int64), np.full(len(run), np.inf)
        low, high = self.offsets[run], self.offsets[run + 1]
        right = np.minimum(self.search(run, at), np.maximum(high - 1, low))
        left = np.maximum(right - 1, low)
        right, left = (np.clip(row, 0, len(self.at) - 1) for row in (right, left))
        nearest = np.where(np.abs(self.at[left] - at) < np.abs(self.at[right] - at), left, right)
        gap = np.where(high > low, np.abs(self.at[nearest] - at), np.inf)
        return nearest.astype(np.int64), gap

    def interpolate(self, run: IntArray, at: FloatArray, values: FloatArray) -> FloatArray:
        """Return values linear between rows, the end's beyond the ends of the run.

        ``values`` are of shape (n,), or (n, c) for several columns; what comes back is alike.
        """
        low, top = self.offsets[run], self.offsets[run + 1]
        first = np.clip(self.search(run, at, "right") - 1, low, np.maximum(top - 2, low))
        second = np.minimum(first + 1, top - 1)
        start, span = self.at[first], self.at[second] - self.at[first]
        share = np.clip((at - start) / np.where(span > 0, span, 1.0), 0.0, 1.0)
        if values.ndim > 1:
            share = share[..., None]
        before, after = values[first], values[second]
        moved = np.where(share > 0, before + share * (after - before), before)
        return np.asarray(np.where(share >= 1, after, moved), dtype=np.float64)


def _laid_out(lengths: FloatArray) -> FloatArray:
    """Return where each length starts when they are laid end to end."""
    return np.concatenate([[0.0], np.cumsum(lengths)[:-1]]) if len(lengths) else np.zeros(0)


def points_along(
    xy: FloatArray, offsets: IntArray, rows: IntArray, distance: FloatArray
) -> FloatArray:
    """Return the points at distances, m, along lines, kept within them; shape (k, 2)."""
    return on_measures(xy, Places.of_offsets(offsets, measures(xy, offsets)), rows, distance)


def on_measures(xy: FloatArray, places: Places, rows: IntArray, distance: FloatArray) -> FloatArray:
    """As `points_along`, for vertices whose measures are given."""
    return places.interpolate(rows, distance, xy) if len(rows) else np.zeros((0, 2))
