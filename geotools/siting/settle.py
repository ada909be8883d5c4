"""The length of a ramp and the drop of the ground it climbs to, made to agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.pipe.pits import (
    LONGEST_RAMP,
    deepest_drop_m,
    insertion_length_m,
    ramp_drop_m,
    ramp_least_m,
)
from geotools.pipe.ranges import within

__all__ = ["Climb", "Settled", "ramp_length", "settle"]

# m of drop; a ramp that climbs 1 in 20 at its steepest is then long to a fifth of a millimetre.
CLOSE = 1e-5
STEPS = 60  # halvings alone would bring 500 m down to a nanometre in fewer


@dataclass(frozen=True)
class Climb:
    """What ramps of a length have to climb: drop, m, and slopes of host and string."""

    drop: FloatArray
    host_slope: FloatArray
    rest_slope: FloatArray

    @classmethod
    def unknown(cls, count: int) -> Climb:
        """Return what so many ramps climb, not looked at yet."""
        return cls(*(np.full(count, np.nan) for _ in range(3)))

    def put(self, line: IntArray, part: Climb, some: BoolArray) -> None:
        """Take what some of these ramps climb for that of these lines."""
        for name in ("drop", "host_slope", "rest_slope"):
            getattr(self, name)[line[some]] = getattr(part, name)[some]

    def short_of(self, length: FloatArray, radius: FloatArray, form: str) -> FloatArray:
        """Return what a ramp of this length lacks of the drop, m."""
        made = ramp_drop_m(
            length, radius, host_slope=self.host_slope, rest_slope=self.rest_slope,
            form=form, drawn_on=True,
        )  # fmt: skip
        return np.asarray(np.nan_to_num(self.drop) - made, dtype=np.float64)

    def turned(self, length: FloatArray, radius: FloatArray, form: str) -> BoolArray:
        """Return whether ramps of this length turn out of the host's slope, False of no length."""
        least = ramp_least_m(
            radius, host_slope=self.host_slope, rest_slope=self.rest_slope, form=form
        )
        return within(least, length)


@dataclass(frozen=True)
class Settled:
    """Ramps as long as their drop asks for: length, m, NaN where none can be had, and climb.

    ``falls``: none can be, since the host falls away too steeply for the carrier's radius.
    """

    length: FloatArray
    climb: Climb
    falls: BoolArray


def ramp_length(drop: FloatArray, radius: FloatArray, form: str) -> FloatArray:
    """Return the ramp's length on level ground, NaN where no ramp can be had."""
    fits = (drop > 0) & (drop <= deepest_drop_m(radius, form=form))
    length = np.full(drop.shape, np.nan)
    length[fits] = insertion_length_m(drop[fits], radius[fits], form=form)
    return length


def settle(
    climb_of: Callable[[IntArray, FloatArray], Climb], radius: FloatArray, form: str
) -> Settled:
    """Find the ramps as long as their drops ask for; NaN where the drop is none or has no ramp.

    A ramp of no length is too short for its drop and one of the greatest makes more, so there is
    a length between: found by false position, halving the weight of an end that stays (the
    Illinois rule), until the drop made and the drop to be made agree within `CLOSE`. Where it is
    less than the carrier takes to turn out of the host's slope there is no ramp: on ground as
    steep as at its top a longer one would come up over where the string rests
    (`pipe.pits.ramp_drop_m`). ``climb_of`` takes rows and their lengths.
    """

    def tried(line: IntArray, length: FloatArray) -> tuple[Climb, FloatArray]:
        climb = climb_of(line, length)
        return climb, climb.short_of(length, radius[line], form)

    every = np.arange(len(radius))
    most = LONGEST_RAMP * radius
    ends = _Ends(np.zeros(len(radius)), most, tried(every, 0 * most)[1], tried(every, most)[1])
    open_ = (ends.above > 0) & (ends.below < 0)
    # what the ground at the foot would ask for
    settled = ramp_length(ends.above, radius, form)
    settled = np.where(np.isfinite(settled), settled, most / 2)
    climb, length = Climb.unknown(len(radius)), np.full(len(radius), np.nan)
    line, ends = every[open_], ends.some(open_)
    for _ in range(STEPS):
        now, short = tried(line, settled[line])
        close = np.abs(short) <= CLOSE
        # The drop told is the one the length found makes, to the last digit.
        climb.put(line, replace(now, drop=np.nan_to_num(now.drop) - short), close)
        length[line[close]] = settled[line[close]]
        line, ends = line[~close], ends.some(~close)
        if not len(line):
            break
        ends = ends.closer(settled[line], short[~close])
        settled[line] = ends.between()
    lost = every[np.isnan(length)]
    climb.put(lost, climb_of(lost, settled[lost]), np.ones(len(lost), dtype=bool))
    falls = np.isfinite(length) & ~climb.turned(length, radius, form)
    return Settled(np.where(falls, np.nan, length), climb, falls)


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
