"""Candidates made ready for the optimiser: how far a pull may reach from each of their edges."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.pulls.force import ForceProfile, march
from geotools.pulls.optimise import AHEAD, BEHIND, BOTH, Sites
from geotools.siting.candidates import Candidates
from geotools.siting.must import Stretches

__all__ = ["build_sites"]


def build_sites(
    candidates: Candidates,
    profile: ForceProfile,
    must: Stretches,
    *,
    lengths: FloatArray,
    limit: FloatArray,
    max_length: float,
    digs: pd.DataFrame,
    objective: FloatArray,
) -> Sites:
    """Work out the reach of every pit edge under all limits on a pull.

    Parameters
    ----------
    candidates : Candidates
    profile : ForceProfile
    must : Stretches
        A pull may not run into one.
    lengths, limit : ndarray, shape (runs,)
        Length of each run, m, and the force its pulls may not pass, N.
    max_length : float
        Longest pull, m.
    digs : DataFrame
        What is dug up along a pull: ``run``, ``chainage`` (m), ``cost``, sorted.
    objective : ndarray, shape (n, 4)
        What the optimiser makes least for each site; infinite where the role is refused.
    """
    run = candidates.table["run"].to_numpy(dtype=np.int64)
    start, end = candidates.extents.start, candidates.extents.end
    cost = objective
    shape = cost.shape
    runs = np.repeat(run, 4)
    first, last = start.ravel(), end.ravel()
    floor = np.maximum(must.before(runs, first), np.maximum(first - max_length, 0.0))
    roof = np.minimum(must.after(runs, last), np.minimum(last + max_length, lengths[runs]))
    usable = np.isfinite(cost).ravel()
    role = np.tile(np.arange(4), len(run))
    ahead = np.flatnonzero(usable & ((role == AHEAD) | (role == BOTH)) & (last < roof))
    behind = np.flatnonzero(usable & ((role == BEHIND) | (role == BOTH)) & (first > floor))
    room = candidates.laydown
    roof_ahead = np.minimum(roof, last + np.repeat(room.longest_ahead, 4))
    floor_behind = np.maximum(floor, first - np.repeat(room.longest_behind, 4))
    pulls = np.concatenate([ahead, behind])
    forward = np.arange(len(pulls)) < len(ahead)
    reach, _ = march(
        profile,
        runs[pulls],
        np.where(forward, last[pulls], first[pulls]),
        np.where(forward, roof_ahead[pulls], floor_behind[pulls]),
        limit[runs[pulls]],
        forward,
    )
    reach_ahead, reach_behind = np.full(cost.size, -np.inf), np.full(cost.size, np.inf)
    reach_ahead[ahead], reach_behind[behind] = reach[forward], reach[~forward]
    return Sites(
        offsets=candidates.offsets,
        lengths=lengths,
        start=start,
        end=end,
        cost=cost,
        reach_ahead=reach_ahead.reshape(shape),
        reach_behind=reach_behind.reshape(shape),
        floor=floor.reshape(shape),
        roof=roof.reshape(shape),
        passed_start=_cost_before(digs, len(lengths), runs, first, "left").reshape(shape),
        passed_end=_cost_before(digs, len(lengths), runs, last, "right").reshape(shape),
        pieces_ahead=np.repeat(room.pieces_ahead[:, None], 4, axis=1),
        pieces_behind=np.repeat(room.pieces_behind[:, None], 4, axis=1),
    )


def _cost_before(
    digs: pd.DataFrame,
    count: int,
    run: IntArray,
    at: FloatArray,
    side: Literal["left", "right"],
) -> FloatArray:
    """Return the cost of the digs of a run before (left) or up to (right) each place."""
    places = Places.of(digs["run"].to_numpy(), digs["chainage"].to_numpy(dtype=float), count)
    total = np.concatenate([[0.0], np.cumsum(digs["cost"].to_numpy(dtype=float))])
    found = places.search(run, at, side)
    return np.asarray(total[found] - total[places.offsets[run]], dtype=np.float64)
