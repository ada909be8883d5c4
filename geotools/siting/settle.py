"""The length of a ramp and the drop of the ground it climbs to, made to agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.pipe.pits import deepest_drop_m, insertion_length_m

__all__ = ["ramp_length", "settle"]

CLOSE = 1e-3  # m; length and drop of a ramp agree when a step changes no more than this
STEPS = 60  # halvings alone would bring 500 m down to a nanometre in fewer


def ramp_length(drop: FloatArray, radius: FloatArray, form: str) -> FloatArray:
    """Return the ramp's length, NaN where no ramp can be had."""
    fits = (drop > 0) & (drop <= deepest_drop_m(radius, form=form))
    length = np.full(drop.shape, np.nan)
    length[fits] = insertion_length_m(drop[fits], radius[fits], form=form)
    return length


def settle(
    drop_of: Callable[[IntArray, FloatArray], FloatArray], radius: FloatArray, form: str
) -> tuple[FloatArray, FloatArray]:
    """Find the ramps as long as their drops ask for; NaN where the drop is none or too great.

    A ramp of no length is too short for its drop and one of the greatest too long, so there is
    one between: found by false position, halving the weight of an end that stays (the Illinois
    rule), until length and drop agree within `CLOSE`. ``drop_of`` takes rows and their lengths.
    """
    most = deepest_drop_m(radius, form=form)

    def gap(line: IntArray, length: FloatArray) -> FloatArray:
        drop = np.clip(np.nan_to_num(drop_of(line, length)), 0.0, most[line] * (1.0 - 1e-12))
        return insertion_length_m(drop, radius[line], form=form) - length

    every = np.arange(len(radius))
    ends = _Ends(np.zeros(len(radius)), most.copy(), gap(every, 0 * most), gap(every, most))
    settled = np.clip(ends.above, 0.0, most)  # what the ground at the foot would ask for
    line = every
    for _ in range(STEPS):
        now = gap(line, settled[line])
        wide = ~(np.abs(now) <= CLOSE)
        if not wide.any():
            break
        line, ends = line[wide], ends.some(wide)
        ends = ends.closer(settled[line], now[wide])
        settled[line] = ends.between()
    drop = drop_of(every, settled)
    # The length told is the one the drop found asks for, to the last digit.
    return ramp_length(drop, radius, form), drop


@dataclass(frozen=True)
class _Ends:
    """Lengths too short and too long, m, what each lacks, and the end moved last."""

    low: FloatArray
    high: FloatArray
    above: FloatArray
    below: FloatArray
    side: FloatArray | float = 0.0

    def some(self, rows: BoolArray) -> _Ends:
        side = np.broadcast_to(self.side, self.low.shape)[rows]
        return _Ends(self.low[rows], self.high[rows], self.above[rows], self.below[rows], side)

    def closer(self, length: FloatArray, gap: FloatArray) -> _Ends:
        """Put the lengths tried in the place of one end each."""
        up = gap > 0
        below = np.where(up & (self.side > 0), self.below / 2, self.below)
        above = np.where(~up & (self.side < 0), self.above / 2, self.above)
        return _Ends(
            low=np.where(up, length, self.low),
            high=np.where(up, self.high, length),
            above=np.where(up, gap, above),
            below=np.where(up, below, gap),
            side=np.where(up, 1.0, -1.0),
        )

    def between(self) -> FloatArray:
        """Return where a line between the ends says that nothing is lacking."""
        span = self.above - self.below
        share = np.where(span > 0, self.above / np.where(span > 0, span, 1.0), 0.5)
        return np.asarray(self.low + share * (self.high - self.low), dtype=np.float64)
