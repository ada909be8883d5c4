"""Pull force along runs, and how far a pull may reach from every edge of every pit.

From the tail to the head ``F <- (F + w ds (mu cos a + sin a)) exp(mu t)``: the straight-line
drag and the capstan rule of `pipe.pulling`, by which downhill stretches never help (the safe
side). With the head a way s into a pull of length L the force is what was gathered on the way
plus the drag of the L - s of string still on its rollers, grown at every bend passed: so it is
greatest at the end, or just past a bend on the way. The string counts as one length on level
rollers; where strings are joined on during the pull less of it drags, which is on the safe side.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.accel import read_only, run_kernel
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.pipe.pulling import capstan_growth, pull_increments, roller_drag_n

__all__ = ["ForceProfile", "build_profile", "head_forces", "march"]


@dataclass(frozen=True)
class ForceProfile:
    """What a pull meets along the runs, at points sorted by run and chainage.

    Attributes
    ----------
    offsets : ndarray of int64, shape (runs + 1,)
    chainage : ndarray, shape (p,)
        Chainage of each point, m.
    load_ahead, load_behind : ndarray, shape (p,)
        Drag of the stretch after each point, N per m of chainage, pulled with and against the
        run. Chainage is measured in plan; up or down a grade there is more pipe to a metre of it.
    turn : ndarray, shape (p,)
        Deflection turned at the point, rad.
    friction : float
        Coefficient of friction between carrier and host.
    bend_limit : ndarray, shape (p,)
        Tension the carrier may have where it is bent at the point, N; infinite where it is not.
        The tension at a bend is greatest when the head comes by: what drags behind it is all
        there, and the string on its rollers only grows shorter.
    string_drag : ndarray, shape (runs,)
        Drag of the string on its rollers before it goes in, N/m.
    """

    offsets: IntArray
    chainage: FloatArray
    load_ahead: FloatArray
    load_behind: FloatArray
    turn: FloatArray
    friction: float
    bend_limit: FloatArray
    string_drag: FloatArray


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
    grade = stations["grade"].to_numpy(dtype=float)
    slope, pipe = np.arctan(grade), np.hypot(1.0, grade)
    ahead, behind = (
        pull_increments(pipe, way * slope, 0.0, weight=weight[run], friction=friction).load_n
        for way in (1.0, -1.0)
    )
    turn = np.zeros(len(stations))
    at, bend, share = _spread(Places.of_offsets(offsets, chainage), bends)
    np.add.at(turn, at, share * bends["deflection"].to_numpy(dtype=float)[bend])
    bend_limit = np.full(len(stations), np.inf)
    np.minimum.at(bend_limit, at, bends["bend_limit"].to_numpy(dtype=float)[bend])
    return ForceProfile(
        offsets=offsets,
        chainage=chainage,
        load_ahead=ahead,
        load_behind=behind,
        turn=turn,
        friction=friction,
        bend_limit=bend_limit,
        string_drag=roller_drag_n(string_weight, 1.0, friction=roller_friction),
    )


def _spread(places: Places, bends: pd.DataFrame) -> tuple[IntArray, IntArray, FloatArray]:
    """Share every bend out over the stations between its first and last turn.

    Returns the station, the bend and the share of each part. A station takes the stretch nearer
    to it than to its neighbours; a bend with no more than one station inside turns at the station
    nearest to its middle. A station no farther than `EDGE` outside counts as inside: it is at
    the edge of the curve, and differs by rounding.
    """
    run = bends["run"].to_numpy(dtype=np.int64)
    first, last = bends["first"].to_numpy(dtype=float), bends["last"].to_numpy(dtype=float)
    low = places.search(run, first - EDGE, "left")
    high = places.search(run, last + EDGE, "right")
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
    ahead: BoolArray,
) -> tuple[FloatArray, FloatArray]:
    """March pulls from their tails: how far may each go, its force within its limits all along?

    A longer pull has more string on its rollers when its head is at a bend, so every bend passed
    may draw the end of the pull nearer.

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
        Chainage the pull may end at, m, and the force there, all of the string being in, N.
    """
    reach, force, _ = _marched(profile, run, tail, stop, limit, ahead)
    return reach, force


def head_forces(
    profile: ForceProfile,
    run: IntArray,
    tail: FloatArray,
    at: FloatArray,
    length: FloatArray,
    ahead: BoolArray,
) -> FloatArray:
    """Return the force at the head when it comes to a place on its pull, N.

    Parameters
    ----------
    profile, run, tail, ahead
        As for `march`.
    at : ndarray, shape (k,)
        Chainage of the head, m; a bend right there is not turned yet.
    length : ndarray, shape (k,)
        Length of the whole pull, m: what of it is not in yet drags on the rollers.
    """
    free = dataclasses.replace(profile, bend_limit=np.full(len(profile.turn), np.inf))
    _, gathered, gain = _marched(free, run, tail, at, np.full(len(at), np.inf), ahead)
    outside = np.maximum(length - np.abs(at - tail), 0.0)
    return np.asarray(gathered + gain * profile.string_drag[run] * outside, dtype=np.float64)


def _marched(
    profile: ForceProfile,
    run: IntArray,
    tail: FloatArray,
    stop: FloatArray,
    limit: FloatArray,
    ahead: BoolArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """March as `march`; third, how much the bends passed make of a force at the tail."""
    reach, force, gain = (np.zeros(len(run)) for _ in range(3))
    if not len(run):
        return reach, force, gain
    growth = capstan_growth(profile.friction, profile.turn)
    loads = profile.load_ahead, profile.load_behind
    axis = (profile.offsets, profile.chainage, *loads, growth, profile.bend_limit)
    first = _first_point(profile, run, tail)
    steps = float(np.abs(_first_point(profile, run, stop) - first).sum())
    pulls = (run, tail, stop, limit, ahead.astype(np.int64), first, profile.string_drag[run])
    readable = [tuple(map(read_only, columns)) for columns in (axis, pulls)]
    run_kernel(_march, steps, *readable, reach, force, gain)
    return reach, force, gain


def _first_point(profile: ForceProfile, run: IntArray, tail: FloatArray) -> IntArray:
    """Return the last point at or before each tail."""
    return Places.of_offsets(profile.offsets, profile.chainage).holding(run, tail)


def _march(axis, pulls, reach, force, gain):  # type: ignore[no-untyped-def]  # a kernel
    """March each pull from point to point; see `march`.

    Between points the force is linear in the way of the head, so it is enough to hold it at
    both ends: at the tail, where all of the string drags, past each point, and at the end.
    """
    offsets, chainage, load_ahead, load_behind, growth, bend_limit = axis
    run, tail, stop, limit, ahead, first, drag = pulls
    for k in range(len(run)):
        low = offsets[run[k]]
        high = offsets[run[k] + 1]
        load = load_ahead if ahead[k] else load_behind
        way = 1.0 if ahead[k] else -1.0
        step = 1 if ahead[k] else -1
        next_ = 1 if ahead[k] else 0  # the point met ahead is the one after, behind the one at
        most = limit[k]
        string = drag[k]
        at = tail[k]
        end = stop[k]
        point = first[k]
        if not ahead[k] and chainage[point] >= at and point > low:
            point -= 1
        f = 0.0
        grown = 1.0
        left = way * (end - at)
        if string > 0.0 and left > most / string:
            end = at + way * most / string
            left = way * (end - at)
        while left > 0.0:
            met = point + next_
            inner = low < met < high and way * (end - chainage[met]) > 0.0
            upto = chainage[met] if inner else end
            drawn = f + load[point] * way * (upto - at)
            if drawn > most:
                at = at + way * (most - f) / load[point]
                f = most
                break
            f = drawn
            at = upto
            if not inner:
                break
            held = bend_limit[met] if bend_limit[met] < most else most
            if f * growth[met] > held:
                break
            f = f * growth[met]
            grown = grown * growth[met]
            point += step
            left = way * (end - at)
            if string > 0.0 and left * grown * string > held - f:
                end = at + way * (held - f) / (grown * string)
                left = way * (end - at)
        reach[k] = at
        force[k] = f
        gain[k] = grown
