"""Which bends the carrier passes, and which must lie inside a pit."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.bends import LEFT, RIGHT
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, rows_of
from geotools.pipe.bending import HALF_TURN, passing_radius_m, tangent_length_m
from geotools.pipe.ranges import within
from geotools.pipe.successive import Couples, couple_radius_m, like_mitre_rad, past_curve_m

__all__ = ["judge_bends"]

T = TypeVar("T", bound=np.generic)

FAR = 1e6  # m, a radius that no pipe needs


def judge_bends(bends: pd.DataFrame, *, clearance: FloatArray, needed: FloatArray) -> pd.DataFrame:
    """Judge every bend for the carrier of its run, alone and with the bends before and after it.

    Parameters
    ----------
    bends : DataFrame
        As `network.bends.find_bends` gives them, sorted by run and chainage.
    clearance : ndarray, shape (runs,)
        Host bore less carrier over its beads, m.
    needed : ndarray, shape (runs,)
        Least radius of the carrier, m.

    Returns
    -------
    DataFrame
        The bends with ``passing_radius``, ``needed_radius`` (m) and ``passes``.

    Notes
    -----
    Elbows whose tangent lengths at the needed radius overlap are taken together: the carrier has
    no straight between them to come back to, so it is taken to meet the sum of their angles. So
    are curves of one sense where arcs of the needed radius round each of them overlap. Two bends
    that follow each other are no better passed than `pipe.successive` has it: the straight
    between may be too short to cross to the other wall for a turn the other way. A bend that
    cannot be passed alone lies in a pit, where the carrier is laid by hand: it takes no neighbour
    with it.
    """
    run = bends["run"].to_numpy(dtype=np.int64)
    if not len(bends):
        return bends.assign(passing_radius=np.zeros(0), needed_radius=np.zeros(0), passes=False)
    angle = np.clip(bends["deflection"].to_numpy(dtype=float), 0.0, np.pi)
    radius, gap = needed[run], clearance[run]
    axis = bends["axis_radius"].to_numpy(dtype=float)
    alone = passing_radius_m(angle, gap, axis_radius_m=axis)
    eased = within(radius, alone)
    group = _overlapping(bends, run, angle, radius, gap, eased)
    size = np.bincount(group)[group]
    together = np.minimum(np.bincount(group, angle)[group], np.pi)
    tightest = np.minimum.reduceat(axis, np.flatnonzero(firsts(group)))[group]
    round_all = np.where(_elbows(bends), 0.0, tightest)
    joint = np.where(size > 1, passing_radius_m(together, gap, axis_radius_m=round_all), np.inf)
    passing = np.where(eased, np.minimum(alone, joint), alone)
    left = within(radius, passing)  # what does not pass lies in a pit, and no other hangs on it
    if left.any():
        whole, of = _as_one(bends[left].assign(alone=passing[left]), group[left])
        coupled = _with_neighbours(whole, gap[left][firsts(of)])
        passing[left] = np.minimum(passing[left], coupled[of])
    return bends.assign(
        passing_radius=passing, needed_radius=radius, passes=within(radius, passing)
    )


def _as_one(bends: pd.DataFrame, group: IntArray) -> tuple[pd.DataFrame, IntArray]:
    """Return bends that are taken together as one bend each, and the row of each bend in these.

    Its ``deflection`` is the sum of theirs, its ``sense`` theirs if it is that of all.
    """
    new = firsts(group)
    starts, of = np.flatnonzero(new), np.cumsum(new) - 1
    sense = bends["sense"].to_numpy(dtype=object)
    differ = np.bincount(of, sense != sense[starts][of]) > 0
    whole = np.add.reduceat(bends["deflection"].to_numpy(dtype=float), starts)
    return bends.iloc[starts].assign(
        last=np.maximum.reduceat(bends["last"].to_numpy(dtype=float), starts),
        deflection=np.minimum(whole, np.pi),
        axis_radius=np.minimum.reduceat(bends["axis_radius"].to_numpy(dtype=float), starts),
        sense=np.where(differ, "", sense[starts]).astype(object),
    ), np.asarray(of, dtype=np.int64)


def _with_neighbours(bends: pd.DataFrame, gap: FloatArray) -> FloatArray:
    """Return what passes bends with the bends before and after them, m; infinite where alone.

    ``alone`` is what passes each without them, m.
    """
    run, alone = bends["run"].to_numpy(dtype=np.int64), bends["alone"].to_numpy(dtype=float)
    apart = np.where(run[1:] == run[:-1], _apart(bends), np.inf)
    sense = bends["sense"].to_numpy(dtype=object)
    known = np.isin(sense[1:], [LEFT, RIGHT]) & np.isin(sense[:-1], [LEFT, RIGHT])
    opposite = known & (sense[1:] != sense[:-1])
    radius = _radii(bends, gap, alone, apart, opposite)
    if not known.all():  # of what turns up or down, or by a record alone: the worse of the two
        radius = np.minimum(radius, _radii(bends, gap, alone, apart, opposite | ~known))
    end = np.array([np.inf])
    least = np.minimum(np.concatenate([end, radius]), np.concatenate([radius, end]))
    return np.asarray(least, dtype=np.float64)


def _apart(bends: pd.DataFrame) -> FloatArray:
    """Return how far bends are from the one before, m."""
    first, last = bends["first"].to_numpy(dtype=float), bends["last"].to_numpy(dtype=float)
    return np.asarray(np.maximum(first[1:] - last[:-1], 0.0), dtype=np.float64)


def _elbows(bends: pd.DataFrame) -> BoolArray:
    return np.asarray(bends["kind"] == "fitting", dtype=np.bool_)


def _radii(
    bends: pd.DataFrame, gap: FloatArray, alone: FloatArray, apart: FloatArray, opposite: BoolArray
) -> FloatArray:
    """Return what passes every bend but the last together with the next one, m."""
    turn, axis = (bends[name].to_numpy(dtype=float) for name in ("deflection", "axis_radius"))
    span = (bends["last"] - bends["first"]).to_numpy(dtype=float)
    elbow, tangent = _elbows(bends), np.tan(np.minimum(turn, HALF_TURN) / 2)
    least, rounded = np.minimum(alone[1:], alone[:-1]), np.where(elbow, axis * tangent, 0.0)
    out = np.full(len(apart), np.inf)
    pair = np.flatnonzero(np.isfinite(apart) & np.isfinite(least))
    if not len(pair):
        return out
    between, apart = apart, np.maximum(apart - rounded[1:] - rounded[:-1], 0.0)
    angle = np.where(elbow, np.minimum(turn, like_mitre_rad(gap, alone)), turn)
    both, swap = elbow[1:] & elbow[:-1], ~elbow[:-1]  # a curve and the elbow behind it
    one, other = np.arange(len(apart)) + swap, np.arange(len(apart)) + ~swap
    # what is beyond the first of a couple lies before it
    widest = np.minimum(np.where(elbow[one], alone[one], least), FAR)
    past = past_curve_m(widest, gap[:-1], axis[other], turn[other])
    own = past_curve_m(widest, gap[:-1], axis[one], turn[one])
    taken = np.where(elbow[one], np.where(both, 0.0, past), np.maximum(past, own))
    near = np.maximum(apart - taken, 0.0)
    before, after = _shifted(near, np.inf)
    whole = opposite & both
    turns_before, turns_after = _shifted(whole, False)
    curve_before, curve_after = _shifted(~both, False)
    couples = Couples(
        clearance=gap[:-1],
        turn=np.where(whole, turn[one], angle[one]),
        other=np.where(whole, turn[other], angle[other]),
        apart=apart,
        between=between,
        tangents=tangent[1:] + tangent[:-1],
        opposite=opposite,
        axis_radius=np.where(elbow[other], 0.0, axis[other]),
        span=np.where(elbow[other], 0.0, span[other]),
        own_axis_radius=np.where(elbow[1:] | elbow[:-1], 0.0, axis[one]),
        beyond=np.where(swap, after, before),
        other_beyond=np.where(swap, before, after),
        beyond_opposite=np.where(swap, turns_after, turns_before),
        other_beyond_opposite=np.where(swap, turns_before, turns_after),
        beyond_curve=np.where(swap, curve_after, curve_before),
        other_beyond_curve=np.where(swap, curve_before, curve_after),
    )
    out[pair] = couple_radius_m(rows_of(couples, pair), least[pair])
    return out


def _shifted(values: npt.NDArray[T], outside: Any) -> tuple[npt.NDArray[T], npt.NDArray[T]]:
    """Return the values of the row before and of the row after each."""
    end = np.array([outside], dtype=values.dtype)
    return np.concatenate([end, values[:-1]]), np.concatenate([values[1:], end])


def _overlapping(
    bends: pd.DataFrame,
    run: IntArray,
    angle: FloatArray,
    radius: FloatArray,
    gap: FloatArray,
    passes: BoolArray,
) -> IntArray:
    """Number groups of consecutive bends of a kind whose tangents, or arcs round them, overlap.

    A bend that cannot be passed alone lies in a pit, where the carrier is laid by hand: it
    takes no neighbour with it. Nor does a curve the carrier can go along, or one of the opposite
    sense.
    """
    elbow, sense = _elbows(bends), bends["sense"].to_numpy(dtype=object)
    past = past_curve_m(radius, gap, bends["axis_radius"].to_numpy(dtype=float), angle)
    tangent = tangent_length_m(radius, np.minimum(angle, HALF_TURN))
    reach = np.where(elbow, tangent, past)
    tight = np.isin(sense, [LEFT, RIGHT]) & (past > 0)
    alike = elbow[1:] | ((sense[1:] == sense[:-1]) & tight[1:] & tight[:-1])
    joined = np.zeros(len(bends), dtype=bool)
    joined[1:] = (
        (run[1:] == run[:-1])
        & (elbow[1:] == elbow[:-1])
        & alike
        & passes[1:]
        & passes[:-1]
        & (_apart(bends) < reach[1:] + reach[:-1])
    )
    return np.cumsum(~joined) - 1
