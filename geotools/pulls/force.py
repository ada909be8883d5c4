"""Pull force along runs, and how far a pull may reach from every edge of every pit.

From the tail to the head ``F <- (F + w ds (mu cos a + sin a)) exp(mu t)``: the straight-line
drag of `pipe.pulling` and the capstan rule at bends. A stretch counts at least the drag the
string has on the rollers it comes off: so the force only grows as the head goes on, the largest
force of a pull is at its end, and downhill stretches never help (the safe side).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.accel import read_only, run_kernel
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["ForceProfile", "build_profile", "march", "pull_forces"]


@dataclass(frozen=True)
class ForceProfile:
    """What a pull meets along the runs, at points sorted by run and chainage.

    Attributes
    ----------
    offsets : ndarray of int64, shape (runs + 1,)
    chainage : ndarray, shape (p,)
        Chainage of each point, m.
    load_ahead, load_behind : ndarray, shape (p,)
        Drag of the stretch after each point, N/m, pulled with and against the run.
    turn : ndarray, shape (p,)
        Deflection turned at the point, rad.
    friction : float
        Coefficient of friction between carrier and host.
    bend_limit : ndarray, shape (p,)
        Tension the carrier may have where it is bent at the point, N; infinite where it is not.
        The tension at a bend stays what it was when the head came by: what drags behind it.
    """

    offsets: IntArray
    chainage: FloatArray
    load_ahead: FloatArray
    load_behind: FloatArray
    turn: FloatArray
    friction: float
    bend_limit: FloatArray


def build_profile(
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    offsets: IntArray,
    *,
    weight: FloatArray,
    string_weight: FloatArray,
    friction: float,
    roller_friction: float,
) -> ForceProfile:
    """Lay out what pulls meet along all runs.

    Parameters
    ----------
    stations : DataFrame
        Sorted stations: ``run``, ``chainage`` (m), ``grade`` (rise over run of the stretch after).
    bends : DataFrame
        ``run``, ``chainage`` (m, of a station), ``first`` and ``last`` (m, where turning begins
        and ends), ``deflection`` (rad), ``bend_limit`` (N).
    offsets : ndarray of int64, shape (runs + 1,)
        Offsets of the runs in `stations`.
    weight : ndarray, shape (runs,)
        Weight of the carrier on the host, N/m; negative where it floats up.
    string_weight : ndarray, shape (runs,)
        Weight of the string on its rollers, in air, N/m.
    friction, roller_friction : float
        Coefficients in the host and on the rollers.
    """
    chainage = stations["chainage"].to_numpy(dtype=float)
    run = stations["run"].to_numpy(dtype=np.int64)
    slope = np.arctan(stations["grade"].to_numpy(dtype=float))
    w = weight[run]
    drag = friction * np.abs(w) * np.cos(slope)
    least = roller_friction * string_weight[run]
    turn = np.zeros(len(stations))
    at, bend, share = _spread(Places.of_offsets(offsets, chainage), bends)
    np.add.at(turn, at, share * bends["deflection"].to_numpy(dtype=float)[bend])
    bend_limit = np.full(len(stations), np.inf)
    np.minimum.at(bend_limit, at, bends["bend_limit"].to_numpy(dtype=float)[bend])
    return ForceProfile(
        offsets=offsets,
        chainage=chainage,
        load_ahead=np.maximum(drag + w * np.sin(slope), least),
        load_behind=np.maximum(drag - w * np.sin(slope), least),
        turn=turn,
        friction=friction,
        bend_limit=bend_limit,
    )


def _spread(places: Places, bends: pd.DataFrame) -> tuple[IntArray, IntArray, FloatArray]:
    """Share every bend out over the stations between its first and last turn.

    Returns the station, the bend and the share of each part. A station takes the stretch nearer
    to it than to its neighbours; a bend with no more than one station inside turns at the station
    nearest to its middle.
    """
    run = bends["run"].to_numpy(dtype=np.int64)
    first, last = bends["first"].to_numpy(dtype=float), bends["last"].to_numpy(dtype=float)
    low, high = places.search(run, first, "left"), places.search(run, last, "right")
    middle, _ = places.nearest(run, bends["chainage"].to_numpy(dtype=float))
    alone = high - low < 2
    low, count = np.where(alone, middle, low), np.where(alone, 1, high - low)
    bend = np.repeat(np.arange(len(bends)), count)
    start = np.repeat(np.concatenate([[0], np.cumsum(count)[:-1]]), count) if len(count) else bend
    local = np.arange(len(bend)) - start
    at = low[bend] + local
    here = places.at[at]
    before = np.where(local > 0, (places.at[np.maximum(at - 1, 0)] + here) / 2, first[bend])
    after = np.where(
        local < count[bend] - 1,
        (places.at[np.minimum(at + 1, len(places.at) - 1)] + here) / 2,
        last[bend],
    )
    span = np.where(alone[bend], 1.0, (last - first)[bend])
    share = np.where(alone[bend], 1.0, (after - before) / np.where(span > 0, span, 1.0))
    return at.astype(np.int64), bend, share


def march(
    profile: ForceProfile,
    run: IntArray,
    tail: FloatArray,
    stop: FloatArray,
    limit: FloatArray,
    ahead: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> tuple[FloatArray, FloatArray]:
    """March pulls from their tails until they stop or their force would pass its limit.

    Parameters
    ----------
    profile : ForceProfile
    run : ndarray of int64, shape (k,)
    tail, stop : ndarray, shape (k,)
        Chainage where the string goes in, and where the head shall come out, m.
    limit : ndarray, shape (k,)
        Force that may not be passed, N.
    ahead : ndarray of bool, shape (k,)
        Pulled with the run (stop > tail) or against it (stop < tail).

    Returns
    -------
    reach, force : ndarray, shape (k,)
        Chainage the head comes to, m, and the force there, N.
    """
    reach, force = np.zeros(len(run)), np.zeros(len(run))
    if not len(run):
        return reach, force
    growth = np.exp(profile.friction * profile.turn)
    loads = profile.load_ahead, profile.load_behind
    axis = (profile.offsets, profile.chainage, *loads, growth, profile.bend_limit)
    first = _first_point(profile, run, tail)
    steps = float(np.abs(_first_point(profile, run, stop) - first).sum())
    pulls = (run, tail, stop, limit, ahead.astype(np.int64), first)
    readable = [tuple(map(read_only, columns)) for columns in (axis, pulls)]
    run_kernel(_march, steps, *readable, reach, force)
    return reach, force


def pull_forces(
    profile: ForceProfile, run: int, tail: float, head: float
) -> tuple[FloatArray, FloatArray]:
    """Return chainages and the force at the head as it passes them, for one pull, N."""
    low, high = profile.offsets[run], profile.offsets[run + 1]
    inner = profile.chainage[low:high]
    inner = inner[(inner > min(tail, head)) & (inner < max(tail, head))]
    points = np.concatenate([[tail], inner if head > tail else inner[::-1], [head]])
    count = len(points)
    _, force = march(
        profile,
        np.full(count, run, dtype=np.int64),
        np.full(count, tail),
        points,
        np.full(count, np.inf),
        np.full(count, head > tail),
    )
    return points, force


def _first_point(profile: ForceProfile, run: IntArray, tail: FloatArray) -> IntArray:
    """Return the last point at or before each tail."""
    return Places.of_offsets(profile.offsets, profile.chainage).holding(run, tail)


def _march(axis, pulls, reach, force):  # type: ignore[no-untyped-def]  # a kernel
    """March each pull from point to point; see `march`."""
    offsets, chainage, load_ahead, load_behind, growth, bend_limit = axis
    run, tail, stop, limit, ahead, first = pulls
    for k in range(len(run)):
        low = offsets[run[k]]
        high = offsets[run[k] + 1]
        at = tail[k]
        f = 0.0
        end = stop[k]
        point = first[k]
        if ahead[k]:
            while at < end:
                upto = end
                inner = point + 1 < high and chainage[point + 1] < end
                if inner:
                    upto = chainage[point + 1]
                load = load_ahead[point]
                grown = f + load * (upto - at)
                if grown > limit[k]:
                    at = at + (limit[k] - f) / load
                    f = limit[k]
                    break
                f = grown
                at = upto
                if inner:
                    point += 1
                    if f * growth[point] > min(limit[k], bend_limit[point]):
                        break
                    f = f * growth[point]
        else:
            if chainage[point] >= at and point > low:
                point -= 1
            while at > end:
                downto = end
                inner = point > low and chainage[point] > end
                if inner:
                    downto = chainage[point]
                load = load_behind[point]
                grown = f + load * (at - downto)
                if grown > limit[k]:
                    at = at - (limit[k] - f) / load
                    f = limit[k]
                    break
                f = grown
                at = downto
                if inner:
                    if f * growth[point] > min(limit[k], bend_limit[point]):
                        break
                    f = f * growth[point]
                    point -= 1
        reach[k] = at
        force[k] = f
