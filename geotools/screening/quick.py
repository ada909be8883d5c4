"""Quick estimate of a run before it is planned: pits, pulls, cost of lining and of open cut.

Pits and pulls are estimates: as if a pit could lie wherever it is wanted between the ends but on
steep ground, on a straight level main with its bends spread evenly; at the ends and at what must
lie in a pit some can only receive. The plan, which must look for sites, needs as many or more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of
from geotools.network.stretches import EDGE, Stretches
from geotools.pipe.factors import DAY

__all__ = [
    "Gaps",
    "OpenCutRates",
    "Pits",
    "count_pits",
    "gaps_between",
    "open_cut_cost",
    "pits_by_kind",
    "pulls_past",
    "reach_by_force",
]


PART_SLACK = 1e-9  # share of a reach: a pull longer by less is rounding


@dataclass(frozen=True)
class Pits:
    """Pits of every run, shape (n,): all, and by kind."""

    total: IntArray
    receiving: IntArray
    one_way: IntArray
    two_way: IntArray


@dataclass(frozen=True)
class Gaps:
    """Stretches between two pits that have their place, shape (g,), in the order of the runs.

    ``start`` and ``end`` are where pits a reach apart would be counted from and to, m: by half of
    what the pit at each opens of the stretch, less half of what one between two pulls opens.
    """

    run: IntArray
    start: FloatArray
    end: FloatArray


@dataclass(frozen=True)
class OpenCutRates:
    """Rates of open cut per SI unit: volume, area, length times diameter, length, each."""

    excavation: float
    restoration: float
    pipe: float
    other: float
    connection: float
    per_second: float  # m of trench a second


def reach_by_force(
    weight: FloatArray,
    turn: FloatArray,
    limit: FloatArray,
    *,
    friction: float,
    rollers: FloatArray,
) -> FloatArray:
    """Return how far a string can be pulled on the level before its limit is met, m.

    With its head s into a pull of length L, bends spread evenly, the force is what was gathered
    in the host and the string still on its rollers, grown by the bends behind the head:
    F = (w/k)(exp(mu k s) - 1) + d (L - s) exp(mu k s). Where d <= mu w it is greatest at the end:
    L = ln(1 + F k/w) / (mu k), without bends F/(mu w). Where rollers hold more than the host it is
    greatest at s = L - (1 - mu w/d)/(mu k), or at the tail, F = d L. The capstan rule of
    `pipe.pulling` in the limit of many small bends.

    Parameters
    ----------
    weight : ndarray
        w, weight of the carrier in the host, N/m; below zero where it floats and presses on the
        crown, where it is held by friction no less.
    turn : ndarray
        k, deflection of the bends pulled through per length, rad/m.
    limit : ndarray
        F, force that may not be passed, N.
    friction : float
        mu.
    rollers : ndarray
        d, drag of the string on its rollers, N/m.
    """
    pressed = np.maximum(np.abs(weight), 1e-9)
    mu, bent = max(friction, 1e-12), np.maximum(turn, 1e-12)
    drag = np.maximum(rollers, mu * pressed)  # beyond the host's: as at the end
    passed = np.maximum((limit * bent + pressed) * mu / drag, 1.0)
    curved = (np.log(passed) + 1 - mu * pressed / drag) / (mu * bent)
    held = (passed == 1.0) | (turn <= 1e-9)  # at the tail, or bent nowhere
    return np.asarray(np.where(held, limit / drag, curved), dtype=np.float64)


def count_pits(
    must: Stretches,
    lengths: FloatArray,
    longest: FloatArray,
    *,
    opened: FloatArray,
    ends: float,
    closed: tuple[BoolArray, BoolArray] | None = None,
    least: FloatArray | None = None,
) -> IntArray:
    """Return the fewest pits a run can do with: at its ends, at what must lie in one, and between.

    A stretch of length g between two of these takes k - 1 more, the smallest k for which k pulls,
    the k - 1 pits between them and what the two open of it make up g:
    k = ceil((g - ends + opened) / (longest + opened)), and more where pits have to lie before
    steep ground. Where pulls can come from neither of the two, k is at least 2. A run that must
    lie in a pit from end to end takes that one.

    Parameters
    ----------
    must : Stretches
        What must lie in a pit; one that touches an end shares the pit there.
    lengths, longest : ndarray, shape (n,)
        Length of each run and longest pull, m.
    opened : ndarray, shape (n,)
        Length of main a pit between two pulls opens, m.
    ends : float
        Length the pits at both ends of a stretch open of it, together, m.
    closed : pair of ndarray of bool, optional
        Where a pit can only receive: at the ends, shape (n, 2), and at what must lie in one.
    least : ndarray, optional
        Pulls that each gap takes at least, as of `pulls_past`.
    """
    runs = len(lengths)
    gaps = gaps_between(must, lengths, opened=opened, ends=ends)
    of, reach = gaps.run, longest[gaps.run] + opened[gaps.run]
    parts = np.ceil((gaps.end - gaps.start) / reach - PART_SLACK)
    if least is not None:
        parts = np.maximum(parts, least)
    if closed is not None:
        shut = _shut(must, lengths, *closed)
        parts = np.where(shut & (parts > 0), np.maximum(parts, 2), parts)
    more = np.bincount(of, np.maximum(parts - 1, 0), minlength=runs)
    inside = (must.low > 0) & (must.high < lengths[must.run])
    held = np.bincount(must.run, inside, minlength=runs)
    whole = np.bincount(
        must.run, (must.low <= 0) & (must.high >= lengths[must.run]), minlength=runs
    )
    return np.asarray(2 + more + held - whole, dtype=np.int64)


def gaps_between(must: Stretches, lengths: FloatArray, *, opened: FloatArray, ends: float) -> Gaps:
    """Return the stretches between the ends of every run and what must lie in a pit.

    Parameters
    ----------
    must, lengths, opened, ends
        As for `count_pits`.
    """
    place, bounds = _places(must, len(lengths))
    start, end = np.zeros(bounds[-1]), np.zeros(bounds[-1])
    end[bounds[1:] - 1] = lengths
    end[place], start[place + 1] = must.low, must.high
    of = np.repeat(np.arange(len(lengths)), np.diff(bounds))
    less = (opened[of] - ends) / 2
    return Gaps(of, start - less, end + less)


def _places(must: Stretches, runs: int) -> tuple[IntArray, IntArray]:
    """Return the row of the gap before each stretch, and the offsets of the runs in the gaps."""
    counts = np.bincount(must.run, minlength=runs)
    place = np.arange(len(must.run)) + must.run
    return place.astype(np.int64), offsets_of(counts + 1)


def pulls_past(gaps: Gaps, reach: FloatArray, steep: Stretches) -> FloatArray:
    """Return the pulls each gap takes where its pits have to lie before steep ground.

    From pit to pit, each as far as it may: back at the start of a stretch that is too steep. A
    gap with a stretch no pull reaches past has none, from either side, and is given 0.

    Parameters
    ----------
    gaps : Gaps
    reach : ndarray, shape (runs,)
        From one pit to the next at most, m.
    steep : Stretches
        Where the ground is too steep for a pit, which may stand at the ends of such a stretch.
    """
    far, out = reach[gaps.run], np.zeros(len(gaps.run))
    rows = np.flatnonzero(np.isin(gaps.run, steep.run) & (gaps.end > gaps.start))
    at = gaps.start[rows]
    out[rows] = 1.0
    while len(rows):
        on = (gaps.end[rows] - at) / far[rows] > 1 + PART_SLACK
        rows, at = rows[on], at[on]
        aim, run = at + far[rows], gaps.run[rows]
        row = np.where(steep.cut_by(run, aim) > 0, steep.holding(run, aim), -1)
        back = np.where(row >= 0, steep.low[row], aim)
        out[rows] = np.where(back > at + EDGE, out[rows] + 1.0, 0.0)
        rows, at = rows[back > at + EDGE], back[back > at + EDGE]
    return out


def _shut(must: Stretches, lengths: FloatArray, ends: BoolArray, held: BoolArray) -> BoolArray:
    """Return the stretches between two pits that both can only receive; as in `count_pits`.

    A pit that something must lie in at an end of the run is one with the pit there.
    """
    place, bounds = _places(must, len(lengths))
    before, after = np.zeros(bounds[-1], dtype=bool), np.zeros(bounds[-1], dtype=bool)
    before[bounds[:-1]], after[bounds[1:] - 1] = ends[:, 0], ends[:, 1]
    at_start, at_end = must.low <= 0, must.high >= lengths[must.run]
    both = held | (at_start & ends[must.run, 0]) | (at_end & ends[must.run, 1])
    after[place], before[place + 1] = both, both
    shut = before & after
    shut[place[at_start]] = False  # between the end and what lies in the pit there is no pull
    shut[place[at_end] + 1] = False
    return shut


def pits_by_kind(total: IntArray) -> Pits:
    """Return pits by kind, insertion and receiving by turns with receiving pits at the ends.

    An odd number needs insertion pits for both ways only; with an even one the last insertion
    pit, at an end, serves one way. A single pit has no pull and counts as receiving.
    """
    even = (total % 2 == 0).astype(np.int64)
    two_way = (total - 1) // 2
    return Pits(total=total, receiving=total - two_way - even, one_way=even, two_way=two_way)


def open_cut_cost(
    length: FloatArray,
    diameter: FloatArray,
    depth: FloatArray,
    connections: FloatArray,
    lane_day: FloatArray,
    rates: OpenCutRates,
    *,
    side_room: float,
    bedding: float,
) -> FloatArray:
    """Return the cost of replacing each run in an upright trench beside the old main.

    Trench (d + 2 side room) wide and (depth + bedding) deep; excavation by volume, surface by
    area, pipe by length and diameter, connections, the rest by length, and the lanes closed for
    as long as the trench takes. Invented rates.

    Parameters
    ----------
    length, diameter, depth : ndarray
        Of the run, its nominal diameter, ground to invert, m.
    connections : ndarray
        Tees, services and valves.
    lane_day : ndarray
        Cost of the lanes a trench takes, a day.
    rates : OpenCutRates
    side_room, bedding : float
        Beside the pipe, each side, and below it, m.
    """
    width = diameter + 2 * side_room
    deep = np.maximum(depth, 0.0) + bedding
    per_m = rates.excavation * width * deep + rates.restoration * width + rates.pipe * diameter
    days = length / rates.per_second / DAY
    return np.asarray(
        length * (per_m + rates.other) + rates.connection * connections + lane_day * days,
        dtype=np.float64,
    )
