"""Which bends the carrier passes, and which must lie inside a pit."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.bends import LEFT, RIGHT
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, rows_of
from geotools.pipe.bending import passing_radius_m, tangent_length_m
from geotools.pipe.ranges import within
from geotools.pipe.successive import Couples, couple_radius_m, like_mitre_rad, past_curve_m

__all__ = ["judge_bends"]

T = TypeVar("T", bound=np.generic)

FAR = 1e6  # m, a radius that no pipe needs
HALF_TURN = np.nextafter(np.pi, 0.0)  # rad; the most that has a tangent at all


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
    no straight between them to come back to, so it is taken to meet the sum of their angles. Two
    bends that follow each other, an elbow among them, are no better passed than
    `pipe.successive` has it: the straight between may be too short to cross to the other wall
    for a turn the other way. A bend that cannot be passed alone lies in a pit, where the carrier
    is laid by hand: it takes no neighbour with it.
    """
    run = bends["run"].to_numpy(dtype=np.int64)
    if not len(bends):
        return bends.assign(passing_radius=np.zeros(0), needed_radius=np.zeros(0), passes=False)
    angle = np.clip(bends["deflection"].to_numpy(dtype=float), 0.0, np.pi)
    radius, gap = needed[run], clearance[run]
    alone = passing_radius_m(angle, gap, axis_radius_m=bends["axis_radius"].to_numpy(dtype=float))
    eased = within(radius, alone)
    group = _overlapping(bends, run, angle, radius, eased)
    size = np.bincount(group)[group]
    together = np.minimum(np.bincount(group, angle)[group], np.pi)
    joint = np.where(size > 1, passing_radius_m(together, gap), np.inf)
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
    pair = np.flatnonzero(np.isfinite(apart) & (elbow[1:] | elbow[:-1]) & np.isfinite(least))
    if not len(pair):
        return out
    between, apart = apart, np.maximum(apart - rounded[1:] - rounded[:-1], 0.0)
    angle = np.where(elbow, np.minimum(turn, like_mitre_rad(gap, alone)), turn)
    both, swap = elbow[1:] & elbow[:-1], ~elbow[:-1]  # a curve and the elbow behind it
    one, other = np.arange(len(apart)) + swap, np.arange(len(apart)) + ~swap
    # what is beyond the first of a couple lies before it
    past = past_curve_m(np.minimum(alone[one], FAR), gap[:-1], axis[other], turn[other])
    near = np.where(both, apart, np.where(elbow[one], np.maximum(apart - past, 0.0), np.inf))
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
    bends: pd.DataFrame, run: IntArray, angle: FloatArray, radius: FloatArray, passes: BoolArray
) -> IntArray:
    """Number groups of consecutive bends whose tangents overlap.

    A bend that cannot be passed alone lies in a pit, where the carrier is laid by hand: it
    takes no neighbour with it. Nor does a curve, whose angle is spread along an arc.
    """
    reach = tangent_length_m(radius, np.minimum(angle, HALF_TURN))
    elbow = (bends["kind"] == "fitting").to_numpy() & passes
    first, last = bends["first"].to_numpy(dtype=float), bends["last"].to_numpy(dtype=float)
    joined = np.zeros(len(bends), dtype=bool)
    joined[1:] = (
        (run[1:] == run[:-1])
        & elbow[1:]
        & elbow[:-1]
        & (first[1:] - last[:-1] < reach[1:] + reach[:-1])
    )
    return np.cumsum(~joined) - 1
