"""Stretches along runs, sorted and disjoint, and look-ups of what lies before and after a place."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, greatest_so_far

__all__ = ["EDGE", "Stretches", "disjoint"]

EDGE = 1e-6  # m; edges, and places along runs and streets, this close to each other are one


@dataclass(frozen=True)
class Stretches:
    """Disjoint stretches sorted by run and chainage: ``low`` to ``high``, m.

    ``kind`` is 0 or more, as whoever makes them means it; 1 where it is left out.
    """

    run: IntArray
    low: FloatArray
    high: FloatArray
    runs: int
    kind: IntArray | None = None

    @cached_property
    def _starts(self) -> Places:
        return Places.of(self.run, self.low, self.runs)

    @cached_property
    def _ends(self) -> Places:
        return Places.of_offsets(self._starts.offsets, self.high)

    def before(self, run: IntArray, at: FloatArray) -> FloatArray:
        """Return the end of the last stretch that ends at or before each place, or -inf."""
        ends = self._ends
        row = ends.search(run, at + EDGE, "right") - 1
        return self._pick(self.high, row, row >= ends.offsets[run], -np.inf)

    def after(self, run: IntArray, at: FloatArray) -> FloatArray:
        """Return the start of the first stretch that starts at or after each place, or inf."""
        starts = self._starts
        row = starts.search(run, at - EDGE, "left")
        return self._pick(self.low, row, row < starts.offsets[run + 1], np.inf)

    def holding(self, run: IntArray, at: FloatArray) -> IntArray:
        """Return the row of the stretch each place lies in (ends included), or -1."""
        starts = self._starts
        row = starts.search(run, at + EDGE, "right") - 1
        high = self._pick(self.high, row, row >= starts.offsets[run], -np.inf)
        return np.where(high >= at - EDGE, row, -1).astype(np.int64)

    def cut_by(self, run: IntArray, at: FloatArray) -> IntArray:
        """Return the kind of the stretch each place lies strictly inside, 0 for none."""
        row = self.holding(run, at)
        safe = np.maximum(row, 0)
        if not len(self.low):
            return np.zeros(len(at), dtype=np.int64)
        cut = (row >= 0) & (at > self.low[safe] + EDGE) & (at < self.high[safe] - EDGE)
        return np.where(cut, 1 if self.kind is None else self.kind[safe], 0).astype(np.int64)

    def _pick(self, values: FloatArray, row: IntArray, known: BoolArray, none: float) -> FloatArray:
        if not len(values):
            return np.full(len(row), none)
        return np.where(known, values[np.clip(row, 0, len(values) - 1)], none)


def disjoint(run: IntArray, low: FloatArray, high: FloatArray, runs: int) -> Stretches:
    """Sort stretches and merge those that overlap or touch."""
    order = np.lexsort([low, run])
    run, low, high = run[order].astype(np.int64), low[order], high[order]
    reach = greatest_so_far(high, run)
    fresh = firsts(run)
    fresh[1:] |= low[1:] > reach[:-1]
    rows = np.flatnonzero(fresh)
    merged = np.maximum.reduceat(high, rows) if len(rows) else high
    return Stretches(run[rows], low[rows], merged, runs)
