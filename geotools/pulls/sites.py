"""Candidates made ready for the optimiser: how far a pull may reach from each of their edges."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.pulls.annulus import Annulus
from geotools.pulls.force import ForceProfile, march
from geotools.pulls.optimise import Sites
from geotools.schema import AHEAD, BEHIND, BOTH
from geotools.siting.candidates import Judged
from geotools.siting.laydown import Laydown
from geotools.siting.must import Stretches

__all__ = ["build_sites"]

BoolTable = npt.NDArray[np.bool_]
Edges = tuple[FloatArray, FloatArray]  # by state, of the first and the last edge of its pit


def build_sites(
    candidates: Judged,
    profile: ForceProfile,
    must: Stretches,
    *,
    lengths: FloatArray,
    limit: FloatArray,
    max_length: float,
    digs: pd.DataFrame,
    objective: FloatArray,
    per_lane_day: float = 0.0,
    annulus: Annulus | None = None,
    grout: float = 0.0,
) -> Sites:
    """Work out the reach of every pit edge under all limits on a pull.

    Parameters
    ----------
    candidates : Judged
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
    per_lane_day : float
        What a day of a lane taken by strings is worth beside its cost.
    annulus : Annulus, optional
        Filled with ``grout``, a price of a m3, along a pull. Like digs it is counted up to both
        edges of a pit: the bore differs along a run, and what pulls hold adds up to the run's.
    """
    extents, room, shape = candidates.extents, candidates.laydown, objective.shape
    runs = np.repeat(candidates.table["run"].to_numpy(dtype=np.int64), 4)
    edges = extents.start.ravel(), extents.end.ravel()
    bounds = _bounds(must, runs, edges, lengths=lengths, max_length=max_length)
    passed = _passed(digs, annulus, grout, runs, edges, len(lengths))
    usable = np.isfinite(objective)
    reach_ahead, reach_behind, short = _reaches(profile, limit, runs, usable, edges, bounds, room)
    return Sites(
        offsets=candidates.offsets,
        lengths=lengths,
        start=extents.start,
        end=extents.end,
        cost=objective,
        reach_ahead=reach_ahead.reshape(shape),
        reach_behind=reach_behind.reshape(shape),
        floor=bounds[0].reshape(shape),
        roof=bounds[1].reshape(shape),
        passed_start=passed[0].reshape(shape),
        passed_end=passed[1].reshape(shape),
        forced=short.reshape(shape),
        **_strings(room, per_lane_day),
    )


def _bounds(
    must: Stretches, runs: IntArray, edges: Edges, *, lengths: FloatArray, max_length: float
) -> Edges:
    """Return how far back and on a pull may come from every pit for all but force and strings."""
    first, last = edges
    floor = np.maximum(must.before(runs, first), np.maximum(first - max_length, 0.0))
    roof = np.minimum(must.after(runs, last), np.minimum(last + max_length, lengths[runs]))
    return floor, roof


def _passed(
    digs: pd.DataFrame,
    annulus: Annulus | None,
    grout: float,
    runs: IntArray,
    edges: Edges,
    count: int,
) -> Edges:
    """Return what is paid by place before each pit's first edge, and up to its last."""
    first, last = edges
    before = _cost_before(digs, count, runs, first - EDGE, "left")
    up_to = _cost_before(digs, count, runs, last + EDGE, "right")
    if annulus is not None and grout > 0:
        before += grout * annulus.before(runs, first)
        up_to += grout * annulus.before(runs, last)
    return before, up_to


def _strings(room: Laydown, per_lane_day: float) -> dict[str, FloatArray]:
    """Return what `Sites` tells of the strings laid out at every candidate."""
    return {
        "pieces_ahead": np.repeat(room.pieces_ahead[:, None], 4, axis=1),
        "pieces_behind": np.repeat(room.pieces_behind[:, None], 4, axis=1),
        "string_day_ahead": room.day_ahead + per_lane_day * _finite(room.lanes_ahead),
        "string_day_behind": room.day_behind + per_lane_day * _finite(room.lanes_behind),
        "string_begins_ahead": room.begins_ahead,
        "string_begins_behind": room.begins_behind,
    }


def _reaches(
    profile: ForceProfile,
    limit: FloatArray,
    runs: IntArray,
    usable: BoolTable,
    edges: Edges,
    bounds: Edges,
    room: Laydown,
) -> tuple[FloatArray, FloatArray, BoolTable]:
    """Return how far pulls ahead and behind come from every state, infinite where none is pulled.

    ``edges`` are the first and the last of each state's pit, ``bounds`` how far back and on a
    pull may come for all else but its strings, m. Third, from which states force ends a pull
    before all else does.
    """
    (first, last), (floor, roof) = edges, bounds
    roof_ahead = np.minimum(roof, last + np.repeat(room.longest_ahead, 4))
    floor_behind = np.maximum(floor, first - np.repeat(room.longest_behind, 4))
    ahead = np.flatnonzero(_inserts(usable, AHEAD) & (last < roof))
    behind = np.flatnonzero(_inserts(usable, BEHIND) & (first > floor))
    reach_ahead, reach_behind = np.full(first.size, -np.inf), np.full(first.size, np.inf)
    reach_ahead[ahead], reach_behind[behind] = _reach(
        profile, limit, runs, (ahead, last, roof_ahead), (behind, first, floor_behind)
    )
    short = np.zeros(first.size, dtype=bool)
    short[ahead] = reach_ahead[ahead] < roof_ahead[ahead] - EDGE
    short[behind] |= reach_behind[behind] > floor_behind[behind] + EDGE
    return reach_ahead, reach_behind, short


def _finite(lanes: FloatArray) -> FloatArray:
    """Return lanes with none where they are not known: their cost there is infinite already."""
    return np.where(np.isfinite(lanes), lanes, 0.0)


def _inserts(usable: BoolTable, role: int) -> BoolTable:
    """Return which states are usable and insert that way, one after the other."""
    inserts = np.isin(np.arange(4), (role, BOTH))
    return np.asarray((usable & inserts).ravel())


# States that pull, and by state the edge the string goes in at and where it must stop, m.
Pulled = tuple[IntArray, FloatArray, FloatArray]


def _reach(
    profile: ForceProfile, limit: FloatArray, runs: IntArray, ahead: Pulled, behind: Pulled
) -> tuple[FloatArray, FloatArray]:
    """Return how far pulls ahead, and pulls behind, come from their edges, m."""
    states = np.concatenate([ahead[0], behind[0]])
    tail, stop = (
        np.concatenate([ahead[part][ahead[0]], behind[part][behind[0]]]) for part in (1, 2)
    )
    forward = np.arange(len(states)) < len(ahead[0])
    reach, _ = march(profile, runs[states], tail, stop, limit[runs[states]], forward)
    return reach[forward], reach[~forward]


def _cost_before(
    digs: pd.DataFrame,
    count: int,
    run: IntArray,
    at: FloatArray,
    side: Literal["left", "right"],
) -> FloatArray:
    """Return the cost of the digs of a run before (left) or up to (right) each place."""
    places = Places.of(digs["run"].to_numpy(), digs["chainage"].to_numpy(dtype=float), count)
    # Summed run by run: what is taken from a sum over all runs hangs on those before.
    total = np.append(digs.groupby("run")["cost"].cumsum().to_numpy(dtype=float), 0.0)
    found = places.search(run, at, side)
    return np.where(found > places.offsets[run], total[found - 1], 0.0)
