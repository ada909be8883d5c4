"""Places along runs, sorted by run and chainage, and looked up by both.

A sorted key is made of both: runs are laid end to end, a few metres apart, so that a whole city
in one array keeps its micrometres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from geotools.accel import read_only, run_kernel, worth_compiling
from geotools.network.ragged import BoolArray, FloatArray, IntArray, measures, offsets_of, take

__all__ = ["Between", "Places", "Side", "on_measures", "points_along"]

Side = Literal["left", "right"]
NUMPY_AHEAD = 4  # look-ups NumPy makes while one is interpreted
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
    """

    offsets: IntArray
    at: FloatArray

    @classmethod
    def of(cls, run: IntArray, at: FloatArray, runs: int) -> Places:
        """Take rows that are sorted by run and chainage."""
        counts = np.bincount(run.astype(np.int64), minlength=runs).astype(np.int64)
        return cls.of_offsets(offsets_of(counts), at)

    @classmethod
    def of_offsets(cls, offsets: IntArray, at: FloatArray) -> Places:
        """Take rows that are sorted, given the offsets of their runs."""
        return cls(np.asarray(offsets, dtype=np.int64), np.asarray(at, dtype=np.float64))

    @cached_property
    def _base(self) -> FloatArray:
        """Return what is added to the chainage of each run to make the key."""
        offsets, at = self.offsets, self.at
        filled = np.diff(offsets) > 0
        last = np.zeros(len(offsets) - 1)
        first = np.zeros(len(offsets) - 1)
        last[filled] = at[offsets[1:][filled] - 1]
        first[filled] = at[offsets[:-1][filled]]
        return np.asarray(_laid_out(last - first + APART) - first, dtype=np.float64)

    @cached_property
    def _key(self) -> FloatArray:
        rows = np.repeat(np.arange(len(self._base)), np.diff(self.offsets))
        return np.asarray(self.at + self._base[rows], dtype=np.float64)

    def search(self, run: IntArray, at: FloatArray, side: Side = "left") -> IntArray:
        """Return where each place would be inserted among the rows of its run.

        Few are looked up by NumPy in the key of all runs; many by a kernel, run by run.
        """
        if not len(self.at):
            return np.zeros(len(run), dtype=np.int64)
        if worth_compiling(_search, len(run) / NUMPY_AHEAD):
            found = np.empty(len(run), dtype=np.int64)
            places = np.asarray(run, dtype=np.int64), np.asarray(at, dtype=np.float64)
            inputs = map(read_only, (self.offsets, self.at, *places))
            run_kernel(_search, 0, *inputs, side == "right", found)
            return found
        low, high = self.offsets[run], self.offsets[run + 1]
        first, last = self._ends
        where = np.clip(at, first[run], last[run])
        found = np.searchsorted(self._key, where + self._base[run], side=side)
        return self._settled(np.clip(found, low, high), at, low, high, side)

    def _settled(
        self, found: IntArray, at: FloatArray, low: IntArray, high: IntArray, side: Side
    ) -> IntArray:
        """Move rows found by key to where the chainages themselves say.

        A key is rounded by how far its run lies along the row of all runs; what lies on other
        runs is to decide nothing.
        """
        rows = len(self.at) - 1
        while True:
            before, here = self.at[np.maximum(found - 1, 0)], self.at[np.minimum(found, rows)]
            back = before >= at if side == "left" else before > at
            on = here < at if side == "left" else here <= at
            step = (on & (found < high)).astype(np.int64) - (back & (found > low))
            if not step.any():
                return np.asarray(found, dtype=np.int64)
            found = found + step

    @cached_property
    def _ends(self) -> tuple[FloatArray, FloatArray]:
        """Return the first and the last place of each run, and a little beyond."""
        rows = len(self.at) - 1
        first = self.at[np.clip(self.offsets[:-1], 0, rows)] - APART / 3
        return first, self.at[np.clip(self.offsets[1:] - 1, 0, rows)] + APART / 3

    def holding(self, run: IntArray, at: FloatArray, *, slack: float = 0.0) -> IntArray:
        """Return the last row at or before each place (with slack, m); the first if none is."""
        return np.maximum(self.search(run, at + slack, "right") - 1, self.offsets[run])

    def begun(self, run: IntArray, at: FloatArray, forward: BoolArray, *, slack: float) -> IntArray:
        """Return the row that a line from each place on lies in first, along its run or back.

        One entered by no more than ``slack``, m, is not entered: where two meet it is its own.
        """
        return self.holding(run, at + np.where(forward, slack, -slack))

    def beside(self, run: IntArray, at: FloatArray, *, touch: float) -> tuple[IntArray, IntArray]:
        """Return the rows that hold places just before and just after each, ``touch`` m away."""
        return self.holding(run, at - touch), self.holding(run, at + touch)

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

    def between(self, run: IntArray, at: FloatArray) -> Between:
        """Return the rows each place lies between, the end's beyond the ends of the run."""
        if len(self.at) and worth_compiling(_between, len(run) / NUMPY_AHEAD):
            return self._between_compiled(run, at)
        first = self.holding(run, at)
        low = self.offsets[run]
        first = np.clip(first, low, np.maximum(self.offsets[run + 1] - 2, low))
        second = np.minimum(first + 1, self.offsets[run + 1] - 1)
        span = self.at[second] - self.at[first]
        share = np.clip((at - self.at[first]) / np.where(span > 0, span, 1.0), 0.0, 1.0)
        return Between(first, second, share)

    def _between_compiled(self, run: IntArray, at: FloatArray) -> Between:
        places = np.asarray(run, dtype=np.int64), np.asarray(at, dtype=np.float64)
        first, second = (np.empty(len(run), dtype=np.int64) for _ in range(2))
        found = first, second, np.empty(len(run))
        run_kernel(_between, 0, *map(read_only, (self.offsets, self.at, *places)), found)
        return Between(*found)

    def interpolate(self, run: IntArray, at: FloatArray, values: FloatArray) -> FloatArray:
        """Return values linear between rows, the end's beyond the ends of the run."""
        return self.between(run, at).of(values)


@dataclass(frozen=True)
class Between:
    """Places between two rows, and the share of the way from the first to the second."""

    first: IntArray
    second: IntArray
    share: FloatArray

    def of(self, values: FloatArray) -> FloatArray:
        """Return values of the rows, linear between them; of a row exactly its own."""
        one, two = values[self.first], values[self.second]
        moved = np.where(self.share > 0, one + self.share * (two - one), one)
        return np.asarray(np.where(self.share >= 1, two, moved), dtype=np.float64)


def _search(offsets, values, run, at, right, found):  # type: ignore[no-untyped-def]  # a kernel
    """Find each place among the rows of its run by halving them; see `Places.search`."""
    for k in range(len(run)):
        low = offsets[run[k]]
        high = offsets[run[k] + 1]
        place = at[k]
        while low < high:
            middle = (low + high) // 2
            beyond = values[middle] > place if right else values[middle] >= place
            if beyond:
                high = middle
            else:
                low = middle + 1
        found[k] = low


def _between(offsets, values, run, at, found):  # type: ignore[no-untyped-def]  # a kernel
    """Find the rows each place lies between; see `Places.between`.

    Places mostly come in order: they are sought around the one before first.
    """
    first, second, share = found
    last = -1
    for k in range(len(run)):
        begin, end = offsets[run[k]], offsets[run[k] + 1]
        place, low, high = at[k], begin, end
        if low <= last < high:
            if values[last] > place:
                high = last
                if last - 2 >= low and values[last - 2] <= place:
                    low = last - 1
            else:
                low = last + 1
                if last + 2 < high and values[last + 2] > place:
                    high = last + 2
        while low < high:
            middle = (low + high) // 2
            if values[middle] > place:
                high = middle
            else:
                low = middle + 1
        last = max(min(low - 1, end - 2), begin)
        after = min(last + 1, end - 1)
        span = values[after] - values[last]
        part = (place - values[last]) / (span if span > 0.0 else 1.0)
        if part < 0.0:
            part = 0.0
        elif part > 1.0:
            part = 1.0
        first[k], second[k], share[k] = last, after, part


def _laid_out(lengths: FloatArray) -> FloatArray:
    """Return where each length starts when they are laid end to end."""
    return np.concatenate([[0.0], np.cumsum(lengths)[:-1]]) if len(lengths) else np.zeros(0)


def points_along(
    xy: FloatArray, offsets: IntArray, rows: IntArray, distance: FloatArray
) -> FloatArray:
    """Return the points at distances, m, along lines, kept within them; shape (k, 2)."""
    if 2 * len(rows) < len(offsets):  # most lines are not asked for: they are not measured
        wanted, rows = np.unique(rows, return_inverse=True)
        xy, offsets = xy[take(offsets, wanted)], offsets_of(np.diff(offsets)[wanted])
    return on_measures(xy, Places.of_offsets(offsets, measures(xy, offsets)), rows, distance)


def on_measures(xy: FloatArray, places: Places, rows: IntArray, distance: FloatArray) -> FloatArray:
    """As `points_along`, for vertices whose measures are given."""
    if not len(rows):
        return np.zeros((0, 2))
    spot = places.between(rows, distance)
    return np.stack([spot.of(xy[:, k]) for k in (0, 1)], axis=1)
