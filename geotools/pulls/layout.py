"""The plan laid out: pits and pulls of every run as tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, row_of
from geotools.pipe.factors import HOUR
from geotools.pipe.fusion import piece_count
from geotools.pulls.force import ForceProfile, march
from geotools.pulls.optimise import (
    AHEAD,
    BEHIND,
    BOTH,
    Choice,
    PullCosts,
    Sites,
    day_of_strings,
    longest_string,
    pull_cost,
    string_count,
)
from geotools.schema import ROLES
from geotools.siting.candidates import Candidates
from geotools.siting.laydown import Laydown

__all__ = ["Plan", "lay_out"]


@dataclass(frozen=True)
class Plan:
    """Pits and pulls in order along the runs.

    Attributes
    ----------
    pits : DataFrame
        Contract columns by bare name, plus ``run``, ``candidate`` and ``role_index``.
    pulls : DataFrame
        The same, plus ``run``.
    """

    pits: pd.DataFrame
    pulls: pd.DataFrame


def lay_out(
    choice: Choice,
    sites: Sites,
    candidates: Candidates,
    profile: ForceProfile,
    costs: PullCosts,
    runs: pd.DataFrame,
    *,
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
    rate : float
        Speed of pulling, m/s.
    joint_hours : float
        Standstill for each string joined on, h.
    """
    run = row_of(choice.offsets)
    row, role = choice.states // 4, choice.states % 4
    pits = _pits(run, row, role, candidates, runs)
    pulls = _pulls(pits, run, row, role, sites, profile, costs, runs, candidates.laydown)
    hours = pulls["length"] / rate / HOUR + (pulls["strings"] - 1) * joint_hours
    return Plan(pits, pulls.assign(hours=hours))


def _numbered(prefix: str, run_ids: pd.Series, run: IntArray) -> list[str]:
    place = np.arange(len(run)) - np.searchsorted(run, run, side="left") + 1
    names = run_ids.to_numpy(dtype=object)[run]
    return [f"{name}-{prefix}{number}" for name, number in zip(names, place, strict=True)]


def _pits(
    run: IntArray, row: IntArray, role: IntArray, candidates: Candidates, runs: pd.DataFrame
) -> pd.DataFrame:
    table = candidates.table.iloc[row].reset_index(drop=True)
    at = table["chainage"].to_numpy(dtype=float)
    last = runs["length"].to_numpy(dtype=float)[run]
    start = np.clip(candidates.extents.start[row, role], 0.0, None)
    end = np.minimum(candidates.extents.end[row, role], last)
    return pd.DataFrame(
        {
            "pit_id": _numbered("P", runs["run_id"], run),
            "run_id": runs["run_id"].to_numpy(dtype=object)[run],
            "run": run,
            "role_index": role,
            "chainage": at,
            "x": table["x"],
            "y": table["y"],
            "role": np.array(ROLES, dtype=object)[role],
            "before": at - start,
            "after": end - at,
            "depth": table["depth"],
            "length": candidates.length[row, role],
            "width": table["width"],
            "ramp": candidates.ramp[row, role],
            "drop": candidates.drop[row, role],
            "host_slope": candidates.host_slope[row, role],
            "rest_slope": candidates.rest_slope[row, role],
            "volume": candidates.volume[row, role],
            "area": candidates.area[row, role],
            "off_street": candidates.off_street[row, role],
            "supported": candidates.supported[row, role],
            "services": candidates.services[row, role],
            "days": candidates.days[row, role],
            "lanes_taken": candidates.lanes.taken[row, role],
            "edge_low": candidates.lanes.low[row, role],
            "edge_high": candidates.lanes.high[row, role],
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
            "ground": candidates.ground.polygons(row, role),
            "reasons": table["why"],
            **{name: table[name] for name in table.columns if name.startswith("street_")},
            "cost": candidates.cost[row, role],
        }
    )


def _pulls(
    pits: pd.DataFrame,
    run: IntArray,
    row: IntArray,
    role: IntArray,
    sites: Sites,
    profile: ForceProfile,
    costs: PullCosts,
    runs: pd.DataFrame,
    laydown: Laydown,
) -> pd.DataFrame:
    """Return the pull between each pit and the next of its run."""
    first = np.flatnonzero(run[1:] == run[:-1]) if len(run) > 1 else np.zeros(0, dtype=np.int64)
    second = first + 1
    start, end = sites.end[row[first], role[first]], sites.start[row[second], role[second]]
    behind = (role[second] == BEHIND) | (role[second] == BOTH)
    of = run[first]
    length = end - start
    digs = sites.passed_start[row[second], role[second]] - sites.passed_end[row[first], role[first]]
    tail, head = np.where(behind, end, start), np.where(behind, start, end)
    _, force = march(profile, of, tail, head, np.full(len(of), np.inf), ~behind)
    pieces = piece_count(length, costs.piece_length)
    room = _string_pieces(sites, row, role, first, second, behind)
    strings = string_count(pieces, room)
    longest = longest_string(length, pieces, strings, costs.piece_length)
    lanes, day = _traffic(laydown, row[first], row[second], (strings, longest), behind)
    joints = np.maximum(pieces - 1, 0)
    days = costs.days.of(length, strings, joints)
    allowable = runs["allowable"].to_numpy(dtype=float)[of]
    ids = pits["pit_id"].to_numpy(dtype=object)
    return pd.DataFrame(
        {
            "pull_id": _numbered("L", runs["run_id"], of),
            "run_id": runs["run_id"].to_numpy(dtype=object)[of],
            "run": of,
            "insertion_pit": np.where(behind, ids[second], ids[first]),
            "receiving_pit": np.where(behind, ids[first], ids[second]),
            "start": start,
            "end": end,
            "length": length,
            "direction": np.where(behind, "behind", "ahead"),
            "deflection": _deflection(profile, of, start, end),
            "head_force": force,
            "allowable": allowable,
            "head_utilisation": force / allowable,
            "governed_by": runs["governed_by"].to_numpy(dtype=object)[of],
            "joints": joints,
            "strings": strings,
            "lanes_taken": lanes,
            "string_days": days,
            "traffic_cost": day * days,
            "string_pieces": np.minimum(room, pieces),
            "cost": pull_cost(length, digs, strings, costs, of, day),
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
    low, high = places.search(run, start, "right"), places.search(run, end, "left")
    # Each summed by itself: a sum taken from that of all runs would hang on those before.
    turn = np.append(profile.turn, 0.0)
    parts = np.add.reduceat(turn, np.stack([low, np.maximum(high, low)], axis=1).ravel())[::2]
    return np.asarray(np.where(high > low, parts, 0.0), dtype=np.float64)
