"""The length of a ramp and the drop of the ground it climbs to, made to agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.pipe.pits import deepest_drop_m, insertion_length_m, ramp_drop_m

__all__ = ["Climb", "Settled", "ramp_length", "settle"]

# m of drop; a ramp that climbs 1 in 20 at its steepest is then long to a fifth of a millimetre.
CLOSE = 1e-5
STEPS = 60  # halvings alone would bring 500 m down to a nanometre in fewer
LONGEST = 4.0  # of the radius: two quarter turns on from slopes of 45 degrees the other way


@dataclass(frozen=True)
class Climb:
    """What ramps of a length have to climb: drop, m, and slopes of host and string."""

    drop: FloatArray
    host_slope: FloatArray
    rest_slope: FloatArray

    def short_of(self, length: FloatArray, radius: FloatArray, form: str) -> FloatArray:
        """Return what a ramp of this length lacks of the drop, m."""
        made = ramp_drop_m(
            length, radius, host_slope=self.host_slope, rest_slope=self.rest_slope, form=form
        )
        return np.asarray(np.nan_to_num(self.drop) - made, dtype=np.float64)


@dataclass(frozen=True)
class Settled:
    """Ramps as long as their drop asks for: length, m, NaN where none can be had, and climb."""

    length: FloatArray
    climb: Climb


def ramp_length(drop: FloatArray, radius: FloatArray, form: str) -> FloatArray:
    """Return the ramp's length on level ground, NaN where no ramp can be had."""
    fits = (drop > 0) & (drop <= deepest_drop_m(radius, form=form))
    length = np.full(drop.shape, np.nan)
    length[fits] = insertion_length_m(drop[fits], radius[fits], form=form)
    return length


def settle(
    climb_of: Callable[[IntArray, FloatArray], Climb], radius: FloatArray, form: str
) -> Settled:
    """Find the ramps as long as their drops ask for; NaN where the drop is none or too great.

    A ramp of no length is too short for its drop and one of the greatest makes more, so there is
    one between: found by false position, halving the weight of an end that stays (the Illinois
    rule), until the drop made and the drop to be made agree within `CLOSE`. ``climb_of`` takes
    rows and their lengths.
    """

    def gap(line: IntArray, length: FloatArray) -> FloatArray:
        return climb_of(line, length).short_of(length, radius[line], form)

    every = np.arange(len(radius))
    most = LONGEST * radius
    ends = _Ends(np.zeros(len(radius)), most, gap(every, 0 * most), gap(every, most))
    open_ = (ends.above > 0) & (ends.below < 0)
    # what the ground at the foot would ask for
    settled = ramp_length(ends.above, radius, form)
    settled = np.where(np.isfinite(settled), settled, most / 2)
    line, ends = every[open_], ends.some(open_)
    for _ in range(STEPS):
        now = gap(line, settled[line])
        wide = ~(np.abs(now) <= CLOSE)
        if not wide.any():
            break
        line, ends = line[wide], ends.some(wide)
        ends = ends.closer(settled[line], now[wide])
        settled[line] = ends.between()
    climb = climb_of(every, settled)
    # The drop told is the one the length found makes, to the last digit.
    short = climb.short_of(settled, radius, form)
    found = open_ & (np.abs(short) <= CLOSE)
    made = np.where(found, np.nan_to_num(climb.drop) - short, climb.drop)
    return Settled(
        np.where(found, settled, np.nan), Climb(made, climb.host_slope, climb.rest_slope)
    )


@dataclass(frozen=True)
class _Ends:
    """Lengths too short and too long, m, what drop each lacks, m, and the end moved last."""

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
