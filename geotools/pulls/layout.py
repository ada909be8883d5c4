"""The plan laid out: pits and pulls of every run as tables."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, row_of, spread_out
from geotools.pipe.fusion import joint_count, piece_count
from geotools.pipe.pulling import pull_hours
from geotools.pulls.annulus import Annulus
from geotools.pulls.force import ForceProfile, march
from geotools.pulls.names import numbered
from geotools.pulls.optimise import (
    ChosenPits,
    PullCosts,
    Sites,
    day_of_strings,
    longest_string,
    pull_cost,
    string_count,
)
from geotools.schema import AHEAD, BEHIND, BOTH, ROLES
from geotools.siting.candidates import Candidates, TwoRamps
from geotools.siting.laydown import Laydown

__all__ = ["EACH_RAMP", "Plan", "lay_out", "plan_cost"]

# Columns of a pit that its candidate has for each role.
OF_ROLE = (
    *("ramp", "drop", "host_slope", "rest_slope", "volume", "area", "off_street", "supported"),
    *("services", "remade", "valves", "tied", "days"),
)
EACH_RAMP = {
    AHEAD: {field.name: f"{field.name}_ahead" for field in fields(TwoRamps)},
    BEHIND: {field.name: f"{field.name}_behind" for field in fields(TwoRamps)},
}
"""Columns of a pit on the ramp of the pull ahead, and on that of the pull behind."""


@dataclass(frozen=True)
class Plan:
    """Pits and pulls in order along the runs.

    Attributes
    ----------
    pits : DataFrame
        Contract columns by bare name, plus ``run``, ``candidate`` and ``role_index``.
    pulls : DataFrame
        The same, plus ``run`` and ``annulus``, what is between host and carrier, m3.
    """

    pits: pd.DataFrame
    pulls: pd.DataFrame


def lay_out(
    choice: ChosenPits,
    sites: Sites,
    candidates: Candidates,
    profile: ForceProfile,
    costs: PullCosts,
    runs: pd.DataFrame,
    *,
    annulus: Annulus,
    rate: float,
    joint_hours: float,
) -> Plan:
    """Turn the chosen states into pits and pulls.

    Parameters
    ----------
    choice, sites, candidates, profile, costs
        As used by the optimiser.
    runs : DataFrame
        ``run_id``, ``length``, ``allowable`` (N), ``governed_by``.
    annulus : Annulus
        Between host and carrier.
    rate : float
        Speed of pulling, m/s.
    joint_hours : float
        Standstill for each string joined on, h.
    """
    run = row_of(choice.offsets)
    row, role = choice.states // 4, choice.states % 4
    pits = _pits(run, row, role, candidates, runs)
    pulls = _pulls(pits, _drawn(choice, sites, costs, candidates.laydown), profile, runs)
    hours = pull_hours(
        pulls["length"],
        rate_m_per_s=rate,
        joints_during=pulls["strings"] - 1,
        hours_per_joint=joint_hours,
    )
    of = pulls["run"].to_numpy(dtype=np.int64)
    low, high = (annulus.before(of, pulls[edge].to_numpy(dtype=float)) for edge in ("start", "end"))
    return Plan(pits, pulls.assign(hours=hours, annulus=high - low))


def _pits(
    run: IntArray, row: IntArray, role: IntArray, candidates: Candidates, runs: pd.DataFrame
) -> pd.DataFrame:
    table = candidates.table.iloc[row].reset_index(drop=True)
    at = table["chainage"].to_numpy(dtype=float)
    run_ids, last = runs["run_id"].to_numpy(dtype=object), runs["length"].to_numpy(dtype=float)[run]
    start = np.clip(candidates.extents.start[row, role], 0.0, None)
    end = np.minimum(candidates.extents.end[row, role], last)
    return pd.DataFrame(
        {
            "pit_id": numbered("P", run_ids, run),
            "run_id": run_ids[run],
            "run": run,
            "role_index": role,
            "chainage": at,
            "x": table["x"],
            "y": table["y"],
            "role": np.array(ROLES, dtype=object)[role],
            "before": at - start,
            "after": end - at,
            "depth": table["depth"],
            "deepest": candidates.deepest[row, role],
            "length": candidates.length[row, role],
            "width": table["width"],
            **{name: getattr(candidates, name)[row, role] for name in OF_ROLE},
            **_each_way(row, role, candidates),
            "lanes_taken": candidates.lanes.taken[row, role],
            "edge_low": candidates.lanes.low[row, role],
            "edge_high": candidates.lanes.high[row, role],
            "street_begin": candidates.lanes.begin[row, role],
            "street_end": candidates.lanes.end[row, role],
            "side_slope": table["side_slope"],
            "opened": end - start,
            "factor": candidates.factor[row, role],
            "traffic_cost": candidates.traffic[row, role],
            "face_start": candidates.extents.start[row, role],
            "face_end": candidates.extents.end[row, role],
            "box_ahead": candidates.extents.box_ahead[row, role],
            "box_behind": candidates.extents.box_behind[row, role],
            # Strings are judged and priced from the ramp of a pit that inserts one way.
            "lay_face_end": candidates.extents.end[row, AHEAD],
            "lay_face_start": candidates.extents.start[row, BEHIND],
            "lay_box_ahead": candidates.extents.box_ahead[row, AHEAD],
            "lay_box_behind": candidates.extents.box_behind[row, BEHIND],
            "beside_ahead": candidates.extents.leaves(0)[row, role],
            "beside_behind": candidates.extents.leaves(1)[row, role],
            "ground": candidates.ground.polygons(row, role),
            "reasons": table["why"],
            **{name: table[name] for name in table.columns if name.startswith("street_")},
            "cost": candidates.cost[row, role],
        }
    )


def _each_way(row: IntArray, role: IntArray, candidates: Candidates) -> dict[str, FloatArray]:
    """Return the ramp of the pull ahead and that of the pull behind; not a number where none."""
    out = {}
    for way, (one_way, names) in enumerate(EACH_RAMP.items()):
        for bare, name in names.items():
            own = getattr(candidates, bare)[row, one_way]
            both = getattr(candidates.two_ways, bare)[row, way]
            out[name] = np.select([role == one_way, role == BOTH], [own, both], np.nan)
    return out


@dataclass(frozen=True)
class _Drawn:
    """The pull between each pit of a choice and the next of its run; ``first``, ``second`` are the
    places of the two among the pits, ``day`` what the lanes its strings take cost a day.
    """

    first: IntArray
    second: IntArray
    run: IntArray
    start: FloatArray
    end: FloatArray
    behind: BoolArray
    room: FloatArray
    pieces: FloatArray
    joints: FloatArray
    strings: FloatArray
    lanes: FloatArray
    day: FloatArray
    days: FloatArray
    cost: FloatArray


def _drawn(choice: ChosenPits, sites: Sites, costs: PullCosts, laydown: Laydown) -> _Drawn:
    """Work out the pulls of a choice and what each costs, in money and nothing else."""
    run = row_of(choice.offsets)
    row, role = choice.states // 4, choice.states % 4
    first = np.flatnonzero(run[1:] == run[:-1]) if len(run) > 1 else np.zeros(0, dtype=np.int64)
    second = first + 1
    start, end = sites.end[row[first], role[first]], sites.start[row[second], role[second]]
    behind = (role[second] == BEHIND) | (role[second] == BOTH)
    length = end - start
    digs = sites.passed_start[row[second], role[second]] - sites.passed_end[row[first], role[first]]
    pieces = piece_count(length, costs.piece_length)
    joints = joint_count(length, costs.piece_length)
    room = _string_pieces(sites, row, role, first, second, behind)
    strings = string_count(pieces, room)
    longest = longest_string(length, pieces, strings, costs.piece_length)
    lanes, day = _traffic(laydown, row[first], row[second], (strings, longest), behind)
    return _Drawn(
        first=first,
        second=second,
        run=run[first],
        start=start,
        end=end,
        behind=behind,
        room=room,
        pieces=pieces,
        joints=joints,
        strings=strings,
        lanes=lanes,
        day=day,
        days=costs.days.of(length, strings, joints),
        cost=pull_cost(length, digs, strings, costs, run[first], day),
    )


def plan_cost(
    choice: ChosenPits, sites: Sites, candidates: Candidates, costs: PullCosts
) -> FloatArray:
    """Return what the plan of every run costs, shape (runs,); infinite where it has none.

    In money: the optimiser makes least what the objective adds for pits and lane-days, too.
    """
    runs = len(choice.cost)
    row, role = choice.states // 4, choice.states % 4
    pulls = _drawn(choice, sites, costs, candidates.laydown)
    pits = np.bincount(row_of(choice.offsets), candidates.cost[row, role], minlength=runs)
    spent = pits + np.bincount(pulls.run, pulls.cost, minlength=runs)
    return np.where(np.isfinite(choice.cost), spent, np.inf)


def _pulls(
    pits: pd.DataFrame,
    pulls: _Drawn,
    profile: ForceProfile,
    runs: pd.DataFrame,
) -> pd.DataFrame:
    """Return the pulls as a table."""
    start, end, behind, of = pulls.start, pulls.end, pulls.behind, pulls.run
    tail, head = np.where(behind, end, start), np.where(behind, start, end)
    _, force = march(profile, of, tail, head, np.full(len(of), np.inf), ~behind)
    allowable = runs["allowable"].to_numpy(dtype=float)[of]
    ids = pits["pit_id"].to_numpy(dtype=object)
    first, second = ids[pulls.first], ids[pulls.second]
    run_ids = runs["run_id"].to_numpy(dtype=object)
    return pd.DataFrame(
        {
            "pull_id": numbered("L", run_ids, of),
            "run_id": run_ids[of],
            "run": of,
            "insertion_pit": np.where(behind, second, first),
            "receiving_pit": np.where(behind, first, second),
            "start": start,
            "end": end,
            "length": end - start,
            "direction": np.where(behind, "behind", "ahead"),
            "deflection": _deflection(profile, of, start, end),
            "head_force": force,
            "allowable": allowable,
            "head_utilisation": force / allowable,
            "governed_by": runs["governed_by"].to_numpy(dtype=object)[of],
            "joints": pulls.joints,
            "strings": pulls.strings,
            "lanes_taken": pulls.lanes,
            "string_days": pulls.days,
            "traffic_cost": pulls.day * pulls.days,
            "string_pieces": np.minimum(pulls.room, pulls.pieces),
            "cost": pulls.cost,
        }
    )


def _traffic(
    laydown: Laydown,
    first: IntArray,
    second: IntArray,
    strings: tuple[FloatArray, FloatArray],
    behind: BoolArray,
) -> tuple[FloatArray, FloatArray]:
    """Return the lanes the strings of each pull take, and what these cost a day.

    ``strings`` are how many there are, and how long the longest is, m.
    """
    both = []
    for ahead_of, behind_of in (
        (laydown.lanes_ahead, laydown.lanes_behind),
        (laydown.day_ahead, laydown.day_behind),
    ):
        one = day_of_strings(ahead_of[first], laydown.begins_ahead[first], *strings)
        two = day_of_strings(behind_of[second], laydown.begins_behind[second], *strings)
        both.append(np.where(behind, two, one))
    return both[0], both[1]


def _string_pieces(
    sites: Sites,
    row: IntArray,
    role: IntArray,
    first: IntArray,
    second: IntArray,
    behind: BoolArray,
) -> FloatArray:
    """Return the pipes a string of each pull may consist of, by its insertion pit."""
    ahead_room, behind_room = sites.string_pieces()
    return np.where(
        behind,
        behind_room[row[second], role[second]],
        ahead_room[row[first], role[first]],
    )


def _deflection(
    profile: ForceProfile, run: IntArray, start: FloatArray, end: FloatArray
) -> FloatArray:
    """Return the turn passed between two chainages, rad."""
    places = Places.of_offsets(profile.offsets, profile.chainage)
    low, high = places.holding(run, start), places.search(run, end, "left")
    of, local = spread_out(high - low)
    point = low[of] + local
    rows = len(profile.chainage) - 1
    begin, after = profile.chainage[point], profile.chainage[np.minimum(point + 1, rows)]
    passed = np.minimum(after, end[of]) - np.maximum(begin, start[of])
    turn = np.where(begin > start[of], profile.turn[point], 0.0)
    turn += profile.curvature[point] * np.maximum(passed, 0.0)
    # Each summed by itself: a sum taken from that of all runs would hang on those before.
    return np.asarray(np.bincount(of, turn, minlength=len(run)), dtype=np.float64)
