"""Runs by name: by their own, or by that of a main they hold."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from geotools.errors import BriefError
from geotools.lists import as_spelled
from geotools.network.ragged import BoolArray

__all__ = ["chosen_runs", "namesakes", "runs_by_name"]


def runs_by_name(runs: pd.DataFrame) -> dict[str, list[int]]:
    """Return the runs each name stands for: that of a run, or of a main, which may be in several.

    A main that was cut into parts, /1 and so on, may be named whole. Of a run and a main of one
    name the run is meant.

    Parameters
    ----------
    runs : DataFrame
        ``run_id`` and ``main_ids`` of every run.
    """
    owners = _by_main(runs)
    owners.update({run_id: [run] for run, run_id in enumerate(runs["run_id"])})
    return owners


def namesakes(
    runs: pd.DataFrame, names: Sequence[str], *, elsewhere: Collection[str] = ()
) -> dict[str, list[int]]:
    """Return the runs that hold a main whose name is also that of another run, which is meant.

    Only names by which a run is meant are there.

    Parameters
    ----------
    runs : DataFrame
        ``run_id`` and ``main_ids`` of every run.
    names : sequence of str
        As they are written.
    elsewhere : collection of str
        Those of the names that are of runs not among these.
    """
    mains = _by_main(runs)
    own = {run_id: run for run, run_id in enumerate(runs["run_id"])}
    out: dict[str, list[int]] = {}
    for name in dict.fromkeys(names):
        spelled = as_spelled(name, own)
        rows = [run for run in mains.get(as_spelled(name, mains), ()) if run != own.get(spelled)]
        if rows and (spelled in own or name in elsewhere):
            out[spelled] = rows
    return out


def _by_main(runs: pd.DataFrame) -> dict[str, list[int]]:
    """Return the runs that hold each main, whole or a part of it."""
    owners: dict[str, list[int]] = {}
    wholes: dict[str, list[int]] = {}
    for run, ids in enumerate(runs["main_ids"]):
        for main in dict.fromkeys(ids.split(",")):
            owners.setdefault(main, []).append(run)
            whole, _, part = main.rpartition("/")
            if whole and part.isdigit():
                wholes.setdefault(whole, []).append(run)
    return {**{name: list(dict.fromkeys(rows)) for name, rows in wholes.items()}, **owners}


def chosen_runs(runs: pd.DataFrame, wanted: Sequence[str], mains: Collection[str]) -> BoolArray:
    """Return which runs are named, or hold a main that is; all where nothing is named.

    Parameters
    ----------
    runs : DataFrame
        ``run_id`` and ``main_ids`` of every run of the whole network.
    wanted : sequence of str
        ``network.only`` of the brief.
    mains : collection of str
        Identifiers of all mains, lined or not.

    Raises
    ------
    BriefError
        With every name that stands for no run, and the nearest that does.
    """
    if not wanted:
        return np.ones(len(runs), dtype=bool)
    owners = runs_by_name(runs)
    wanted = [as_spelled(name, owners) for name in wanted]
    faults = [_fault(name, owners, mains) for name in wanted if name not in owners]
    if faults:
        raise BriefError(faults)
    chosen = np.zeros(len(runs), dtype=bool)
    chosen[[run for name in wanted for run in owners[name]]] = True
    return chosen


def _fault(name: str, owners: Collection[str], mains: Collection[str]) -> str:
    """Say why a name stands for no run."""
    if as_spelled(name, mains) in mains:
        return (
            f"network.only: main {name!r} is in no run: it is not considered "
            "(network.min_diameter, network.excluded_statuses, network.excluded_owners, "
            "or another main is drawn on it)"
        )
    near = difflib.get_close_matches(name, owners, n=3, cutoff=0.5)
    hint = f"; did you mean {' or '.join(map(repr, near))}?" if near else ""
    return f"network.only: {name!r} is neither a run nor a main of one{hint}"
