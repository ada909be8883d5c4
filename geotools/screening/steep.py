"""Ground along the runs that is too steep for a pit, and the steepest a run cannot do without.

A pit is judged as a candidate of a plan is: from edge to edge, and from its place to either edge,
with the length of a receiving pit, the shortest there is. A plan needs as much or more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.layout.shared import Shared
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.network.stretches import Stretches, disjoint
from geotools.screening.quick import Gaps
from geotools.siting.profile import steepest

__all__ = ["PitGround", "least_within", "look_along", "steepest_needed"]


@dataclass(frozen=True)
class PitGround:
    """The ground of a receiving pit at every station.

    Attributes
    ----------
    slope : ndarray, shape (stations,)
        Its steepest slope, rise over run; what is unknown counts as level.
    ends : ndarray, shape (runs,)
        The steeper of the two ends of each run; NaN where the ground at neither is known.
    steep : Stretches
        Between the stations that are the last where a pit may stand, and the first again.
    """

    slope: FloatArray
    ends: FloatArray
    steep: Stretches


def look_along(ground: Shared) -> PitGround:
    """Look at the ground of a pit at every station of every run."""
    runs, offsets = len(ground.runs.table), ground.offsets
    run = ground.stations["run"].to_numpy(dtype=np.int64)
    at = ground.stations["chainage"].to_numpy(dtype=float)
    half = ground.brief.pits.receiving_length / 2
    slope = _slope(ground, run, at - half, at, at + half)
    known = np.where(np.isnan(ground.stations["ground_z"].to_numpy(dtype=float)), np.nan, slope)
    ends, full = np.full((runs, 2), np.nan), np.diff(offsets) > 0
    ends[full] = known[np.stack([offsets[:-1], offsets[1:] - 1], axis=1)[full]]
    steep = slope > ground.brief.pits.max_slope
    first, last = offsets[:-1][run], offsets[1:][run] - 1
    rows = np.flatnonzero(steep)
    before, after = np.maximum(rows - 1, first[rows]), np.minimum(rows + 1, last[rows])
    shut = disjoint(run[rows], at[before], at[after], runs)
    return PitGround(slope, np.fmax(ends[:, 0], ends[:, 1]), shut)


def _slope(
    ground: Shared, run: IntArray, low: FloatArray, at: FloatArray, high: FloatArray
) -> FloatArray:
    """Return the steepest slope of the ground of pits from low to high, m; what is of the run."""
    length = ground.runs.table["length"].to_numpy(dtype=float)[run]
    low, high = np.maximum(low, 0.0), np.minimum(high, length)
    places = np.stack([low, at, high], axis=1)
    (level,) = ground.profile.table(["ground_z"], run, places)
    rise = np.diff(level, axis=1)
    return steepest((rise.sum(axis=1), high - low), (rise[:, 0], at - low), (rise[:, 1], high - at))


def steepest_needed(
    ground: Shared, pits: PitGround, must: Stretches, gaps: Gaps, reach: FloatArray
) -> FloatArray:
    """Return the steepest ground of the pits each run cannot do without, rise over run.

    At its ends, at what must lie in a pit, and where no pull reaches past: of every stretch as
    long as a pull and the pit behind it, the place with the least slope.

    Parameters
    ----------
    ground : Shared
    pits : PitGround
    must : Stretches
        What must lie in a pit.
    gaps : Gaps
        Between the pits that have their place.
    reach : ndarray, shape (runs,)
        From one pit to the next at most, m.
    """
    needed = np.zeros(len(reach))
    np.maximum.at(needed, must.run, _at_must(ground, must))
    run, least = _between(ground, pits, gaps, reach)
    np.maximum.at(needed, run, least)
    return np.fmax(pits.ends, np.where(needed > 0, needed, np.nan))


def _at_must(ground: Shared, must: Stretches) -> FloatArray:
    """Return the slope of the pit at what must lie in one: at its flattest place."""
    size = np.maximum(ground.brief.pits.receiving_length, must.high - must.low)
    middle = (must.low + must.high) / 2
    lows = must.high - size, middle - size / 2, must.low
    slopes = [_slope(ground, must.run, low, middle, low + size) for low in lows]
    return np.asarray(np.min(slopes, axis=0), dtype=np.float64)


def _between(
    ground: Shared, pits: PitGround, gaps: Gaps, reach: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return runs, and the least slope of a place within reach: from every place that needs one."""
    stations = Places.of_offsets(ground.offsets, ground.stations["chainage"].to_numpy(dtype=float))
    wide = np.flatnonzero(gaps.end - gaps.start > reach[gaps.run])
    if not len(wide):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    first, last = (
        stations.search(gaps.run[wide], edge[wide], "right") for edge in (gaps.start, gaps.end)
    )
    count = np.maximum(last - first, 0)
    inner = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(count.sum())
    gap = np.concatenate([wide, np.repeat(wide, count)])
    at = np.concatenate([gaps.start[wide], stations.at[inner]])
    gap, at = (each[at + reach[gaps.run[gap]] < gaps.end[gap]] for each in (gap, at))
    run = gaps.run[gap]
    low, high = (stations.search(run, to, "right") for to in (at, at + reach[run]))
    return run, least_within(pits.slope, low, high)


def least_within(values: FloatArray, low: IntArray, high: IntArray) -> FloatArray:
    """Return the least of values from one row up to another, without it; 0 of none.

    From tables of the least of 2, 4, 8 and more in a row, two of which cover any stretch.
    """
    out, count = np.zeros(len(low)), high - low
    width, least = 1, values
    while True:
        rows = np.flatnonzero((count >= width) & (count < 2 * width))
        out[rows] = np.minimum(least[low[rows]], least[high[rows] - width])
        if not (count >= 2 * width).any():
            return out
        least = np.minimum(least[:-width], least[width:])
        width *= 2
