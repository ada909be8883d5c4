"""Pull force along runs, and how far a pull may reach from every edge of every pit.

From the tail to the head ``F <- (F + w ds (mu cos a + sin a)) exp(mu t)``: the straight-line
drag and the capstan rule of `pipe.pulling`, by which downhill stretches never help (the safe
side). With the head a way s into a pull of length L the force is what was gathered on the way
plus the drag of the L - s of string still on its rollers, grown at every bend passed: so it is
greatest at the end, or just past a bend on the way. A bend that turns along a stretch, as a curve
does, grows the force evenly on the way: ``dF/ds = w (mu cos a + sin a) + mu F / R``, wherever in
it a pull begins or ends. The string counts as one length on level rollers; where strings are
joined on during the pull less of it drags, which is on the safe side.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.accel import read_only, run_kernel
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, spread_out
from geotools.network.stretches import EDGE
from geotools.pipe.pulling import capstan_growth, pull_increments, roller_drag_n

__all__ = ["ForceProfile", "build_profile", "head_forces", "march"]


@dataclass(frozen=True)
class ForceProfile:
    """What a pull meets along the runs, at points sorted by run and chainage.

    The points are the stations, and where a bend begins or ends to turn along a stretch.

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
    curvature : ndarray, shape (p,)
        Deflection turned along the stretch after each point, rad/m.
    friction : float
        Coefficient of friction between carrier and host.
    bend_limit, curve_limit : ndarray, shape (p,)
        Tension the carrier may have where it is bent at the point, and along the stretch after
        it, N; infinite where it is not. The tension at a bend is greatest when the head comes by:
        what drags behind it is all there, and the string on its rollers only grows shorter.
    string_drag : ndarray, shape (runs,)
        Drag of the string on its rollers before it goes in, N/m.
    """

    offsets: IntArray
    chainage: FloatArray
    load_ahead: FloatArray
    load_behind: FloatArray
    turn: FloatArray
    curvature: FloatArray
    friction: float
    bend_limit: FloatArray
    curve_limit: FloatArray
    string_drag: FloatArray

    def unbent(self) -> ForceProfile:
        """Return the same with no limit where the carrier is bent."""
        free = np.full(len(self.chainage), np.inf)
        return dataclasses.replace(self, bend_limit=free, curve_limit=free)


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
    grade = stations["grade"].to_numpy(dtype=float)
    run = stations["run"].to_numpy(dtype=np.int64)
    slope, pipe = np.arctan(grade), np.hypot(1.0, grade)
    loads = [
        pull_increments(pipe, way * slope, 0.0, weight=weight[run], friction=friction).load_n
        for way in (1.0, -1.0)
    ]
    places = Places.of_offsets(offsets, stations["chainage"].to_numpy(dtype=float))
    bends = bends[np.diff(offsets)[bends["run"].to_numpy(dtype=np.int64)] > 0]
    points, after = _with_ends(places, bends)
    turn, bend_limit = _turned_at(points, bends)
    curvature, curve_limit = _turned_along(points, bends)
    return ForceProfile(
        offsets=points.offsets,
        chainage=points.at,
        load_ahead=loads[0][after],
        load_behind=loads[1][after],
        turn=turn,
        curvature=curvature,
        friction=friction,
        bend_limit=bend_limit,
        curve_limit=curve_limit,
        string_drag=roller_drag_n(string_weight, 1.0, friction=roller_friction),
    )


def _along(bends: pd.DataFrame) -> BoolArray:
    """Return which bends turn along a stretch, and not at a place."""
    return np.asarray((bends["last"] - bends["first"]).to_numpy(dtype=float) > EDGE)


def _with_ends(stations: Places, bends: pd.DataFrame) -> tuple[Places, IntArray]:
    """Put the ends of what bends turn along among the stations, where none stands there.

    Returns the points, and the station at or before each.
    """
    bends = bends[_along(bends)]
    run = np.tile(bends["run"].to_numpy(dtype=np.int64), 2)
    at = bends[["first", "last"]].to_numpy(dtype=float).ravel(order="F")
    _, off = stations.nearest(run, at)
    order = np.lexsort([at, run])
    run, at = run[order], at[order]
    new = np.array(off[order] > EDGE, dtype=np.bool_)
    new[1:] &= (run[1:] != run[:-1]) | (np.diff(at) > EDGE)
    run, at = run[new], at[new]
    before = stations.holding(run, at)
    chainage = np.insert(stations.at, before + 1, at)
    after = np.insert(np.arange(len(stations.at)), before + 1, before)
    ends = np.searchsorted(run, np.arange(len(stations.offsets)), side="left")
    return Places.of_offsets(stations.offsets + ends, chainage), after


def _turned_at(points: Places, bends: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Return what is turned at each point, rad, and the tension allowed there, N."""
    turn, limit = np.zeros(len(points.at)), np.full(len(points.at), np.inf)
    bends = bends[~_along(bends)]
    run, chainage = bends["run"].to_numpy(dtype=np.int64), bends["chainage"].to_numpy(dtype=float)
    at, _ = points.nearest(run, chainage)
    np.add.at(turn, at, bends["deflection"].to_numpy(dtype=float))
    np.minimum.at(limit, at, bends["bend_limit"].to_numpy(dtype=float))
    return turn, limit


def _turned_along(points: Places, bends: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Return what is turned along the stretch after each point, rad/m, and what is allowed, N."""
    curvature, limit = np.zeros(len(points.at)), np.full(len(points.at), np.inf)
    bends = bends[_along(bends)]
    run = bends["run"].to_numpy(dtype=np.int64)
    ends = (bends[name].to_numpy(dtype=float) for name in ("first", "last"))
    low, high = (points.search(run, end - EDGE, "left") for end in ends)
    length = points.at[high] - points.at[low]
    bend, local = spread_out(high - low)
    at = low[bend] + local
    np.add.at(curvature, at, (bends["deflection"].to_numpy(dtype=float) / length)[bend])
    np.minimum.at(limit, at, bends["bend_limit"].to_numpy(dtype=float)[bend])
    return curvature, limit


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
    limit = np.full(len(at), np.inf)
    _, gathered, gain = _marched(profile.unbent(), run, tail, at, limit, ahead)
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
    curve = profile.friction * profile.curvature, profile.curve_limit
    axis = (profile.offsets, profile.chainage, *loads, growth, profile.bend_limit, *curve)
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

    It is held along each stretch (`_onward`), and past each point.
    """
    offsets, chainage, load_ahead, load_behind, growth, bend_limit, curve, curve_limit = axis
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
        while left > 0.0:
            met = point + next_
            inner = low < met < high and way * (end - chainage[met]) > 0.0
            upto = chainage[met] if inner else end
            held = curve_limit[point] if curve_limit[point] < most else most
            onward = way * (upto - at)
            f, grown, gone, most_left = _onward(
                f, grown, load[point], curve[point], held, string, left, onward
            )
            if most_left < left:
                end = at + way * most_left
            at = upto if gone == onward else at + way * gone
            if gone < onward or not inner:
                break
            left = way * (end - at)
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


def _onward(
    force: float,
    grown: float,
    load: float,
    rate: float,
    held: float,
    string: float,
    left: float,
    onward: float,
) -> tuple[float, float, float, float]:
    """Go on along a stretch that turns evenly, or not, a kernel, as far as the force is held.

    With the head x into it the force is ``F e^(rate x) + load (e^(rate x) - 1) / rate``, and the
    ``left - x`` of string still out adds ``string grown e^(rate x)`` times as much: together
    greatest at an end of the stretch, or once on the way. Where nothing is turned, or nothing
    rubs (rate 0), both are linear, as limits of these.

    Returns the force, what is grown, the way made (``onward`` or less, where the pull ends), and
    the way the pull may go on from the beginning of the stretch.
    """
    drag = string * grown
    if force + drag * left > held:
        if force >= held:
            return force, grown, 0.0, 0.0
        left = (held - force) / drag
    gone = onward if onward < left else left
    if _gathered(force, load, rate, gone) > held:
        gone = left = _way_to(force, load, rate, held)
    if drag > 0.0:
        room = (held - _gathered(force, load, rate, gone)) / (drag * math.exp(rate * gone))
        left = min(left, gone + room) if room > 0.0 else gone
        if rate > 0.0:
            lead = load / rate
            begin = (force + lead) / drag - 1.0 / rate  # the force is greatest left + begin on
            if 0.0 < left + begin < gone:
                left = min(left, math.log((held + lead) * rate / drag) / rate - begin)
        gone = gone if gone < left else left
    return _gathered(force, load, rate, gone), grown * math.exp(rate * gone), gone, left


def _gathered(force: float, load: float, rate: float, way: float) -> float:
    """Return the force a way into a stretch that turns evenly, N, a kernel."""
    along = way if rate == 0.0 else math.expm1(rate * way) / rate
    return force * math.exp(rate * way) + load * along


def _way_to(force: float, load: float, rate: float, held: float) -> float:
    """Return the way after which a force held back by friction reaches a limit, m, a kernel."""
    if rate == 0.0:
        return (held - force) / load
    lead = load / rate
    return math.log((held + lead) / (force + lead)) / rate
