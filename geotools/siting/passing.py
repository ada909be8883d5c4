"""Which bends the carrier passes, and which must lie inside a pit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.pipe.bending import passing_radius_m, tangent_length_m
from geotools.pipe.ranges import within

__all__ = ["judge_bends"]

HALF_TURN = np.nextafter(np.pi, 0.0)  # rad; the most that has a tangent at all


def judge_bends(bends: pd.DataFrame, *, clearance: FloatArray, needed: FloatArray) -> pd.DataFrame:
    """Judge every bend for the carrier of its run.

    Bends whose tangent lengths at the needed radius overlap are taken together: the carrier has
    no straight between them to come back to, so it meets the sum of their angles.

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
    return bends.assign(
        passing_radius=passing, needed_radius=radius, passes=within(radius, passing)
    )


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
