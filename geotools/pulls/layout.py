"""The plan laid out: pits and pulls of every run as tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, row_of
from geotools.pulls.force import ForceProfile, march
from geotools.pulls.optimise import BEHIND, BOTH, Choice, PullCosts, Sites, pull_cost
from geotools.siting.candidates import ROLES, Candidates

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
    """
    run = row_of(choice.offsets)
    row, role = choice.states // 4, choice.states % 4
    pits = _pits(run, row, role, candidates, runs)
    return Plan(pits, _pulls(pits, run, row, role, sites, profile, costs, runs, rate))


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
            "candidate": row,
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
            "drop": table["drop"],
            "volume": candidates.volume[row, role],
            "area": candidates.area[row, role],
            "ground": candidates.ground[row, role],
            "reasons": table["why"],
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
    rate: float,
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
            "utilisation": force / allowable,
            "governed_by": runs["governed_by"].to_numpy(dtype=object)[of],
            "joints": np.maximum(np.ceil(length / costs.piece_length - 1e-9) - 1, 0),
            "digs": digs,
            "hours": length / rate / 3600,
            "cost": pull_cost(length, digs, costs, of),
        }
    )


def _deflection(
    profile: ForceProfile, run: IntArray, start: FloatArray, end: FloatArray
) -> FloatArray:
    """Return the turn passed between two chainages, rad."""
    places = Places.of_offsets(profile.offsets, profile.chainage)
    total = np.concatenate([[0.0], np.cumsum(profile.turn)])
    low, high = places.search(run, start, "right"), places.search(run, end, "left")
    return np.asarray(total[np.maximum(high, low)] - total[low], dtype=np.float64)
