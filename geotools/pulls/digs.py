"""What is dug up between the pits: connections of mains, services, hydrants, line valves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.build import RunSet
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, IntArray
from geotools.network.stretches import EDGE
from geotools.pulls.names import numbered

__all__ = ["dig_list", "local_digs"]

# m; holes of half a metre round two branches this near are one; common practice, no source
ONE_DIG = 1.0


def dig_list(
    runs: RunSet,
    *,
    connection: float,
    valve: float,
    at_end: float,
    in_pit_share: float,
    temporary: float,
) -> pd.DataFrame:
    """Return all that is cut out or remade along the runs, sorted by run and chainage.

    ``run``, ``chainage`` (m), ``kind``, ``cost`` (of its dig), ``in_pit`` (its cost where a pit
    lies open over it), ``tie_in`` and ``temporary``.

    A pull cannot go through a line valve, nor feed what is tapped off the host: each is cut out
    or remade in a dig of its own, unless a pit lies there. A valve on a branch, as an air valve
    or that of a hydrant, is tapped again as services are; with another tapping, or another of
    its kind before it, within `ONE_DIG` it is in the dig of that. A pit spares the dig and leaves
    a share of the price; a main met within `ONE_DIG` of an end of the run is what the run is tied
    in to there (``tie_in``), and costs ``at_end`` in a pit. ``temporary`` is what it costs to feed
    a service meanwhile, on a pull or in a pit.
    """
    tapped = runs.valves["tapped"].to_numpy(dtype=bool)
    parts = [
        runs.chains.connections[["run", "chainage"]].assign(kind="connection", cost=connection),
        runs.laterals[["run", "chainage"]].assign(kind="lateral", cost=connection),
        runs.hydrants[["run", "chainage"]].assign(kind="hydrant", cost=connection),
        runs.valves.loc[~tapped, ["run", "chainage"]].assign(kind="valve", cost=valve),
    ]
    branches = runs.valves.loc[tapped, ["run", "chainage"]].sort_values(["run", "chainage"])
    branches = branches.assign(kind="branch_valve", cost=connection)
    tappings = pd.concat(parts[:3], ignore_index=True)
    alone = ~(_beside(branches, tappings, len(runs.table)) | _goes_on(branches))
    both = pd.concat([*parts, branches[alone]], ignore_index=True)
    length = runs.table["length"].to_numpy(dtype=float)[both["run"].to_numpy(dtype=np.int64)]
    to_end = np.minimum(both["chainage"], length - both["chainage"])
    both["tie_in"] = (both["kind"] == "connection") & (to_end <= ONE_DIG)
    both["in_pit"] = np.where(both["tie_in"], at_end, in_pit_share * both["cost"])
    both["temporary"] = np.where(both["kind"] == "lateral", temporary, 0.0)
    return both.sort_values(["run", "chainage", "kind"], kind="stable").reset_index(drop=True)


def _beside(rows: pd.DataFrame, others: pd.DataFrame, runs: int) -> BoolArray:
    """Return which places lie within `ONE_DIG` of another on their run."""
    others = others.sort_values(["run", "chainage"], kind="stable")
    places = Places.of(others["run"].to_numpy(), others["chainage"].to_numpy(dtype=float), runs)
    run, at = rows["run"].to_numpy(dtype=np.int64), rows["chainage"].to_numpy(dtype=float)
    return np.asarray(places.nearest(run, at)[1] <= ONE_DIG, dtype=np.bool_)


def _goes_on(rows: pd.DataFrame) -> BoolArray:
    """Return which places, in order along their runs, lie within `ONE_DIG` of the one before."""
    run, at = rows["run"].to_numpy(dtype=np.int64), rows["chainage"].to_numpy(dtype=float)
    same = np.diff(run, prepend=-1) == 0
    return np.asarray(same & (np.diff(at, prepend=-np.inf) <= ONE_DIG), dtype=np.bool_)


def local_digs(
    digs: pd.DataFrame,
    pulls: pd.DataFrame,
    planned: IntArray,
    run_ids: np.ndarray[tuple[int], np.dtype[np.object_]],
) -> pd.DataFrame:
    """Say of every dig on a planned run which pull it lies on, or that a pit spares it.

    Parameters
    ----------
    digs : DataFrame
        As `dig_list` gives it.
    pulls : DataFrame
        ``run``, ``pull_id``, ``start``, ``end`` (m), sorted by run and start.
    planned : ndarray of int64
        Runs with a plan; of one laid in a single pit all is spared.
    run_ids : ndarray of str
    """
    run = digs["run"].to_numpy(dtype=np.int64)
    at = digs["chainage"].to_numpy(dtype=float)
    keep = np.isin(run, planned)
    digs, run, at = digs[keep], run[keep], at[keep]
    starts = Places.of(pulls["run"].to_numpy(), pulls["start"].to_numpy(dtype=float), len(run_ids))
    pulled = np.flatnonzero(np.isin(run, pulls["run"].to_numpy(dtype=np.int64)))
    row = starts.holding(run[pulled], at[pulled])
    start = pulls["start"].to_numpy(dtype=float)[row]
    end = pulls["end"].to_numpy(dtype=float)[row]
    on_pull, ids = np.zeros(len(run), dtype=bool), np.full(len(run), "", dtype=object)
    on_pull[pulled] = (at[pulled] > start + EDGE) & (at[pulled] < end - EDGE)
    ids[pulled] = pulls["pull_id"].to_numpy(dtype=object)[row]
    names = run_ids[run]
    return pd.DataFrame(
        {
            "dig_id": numbered("D", run_ids, run),
            "run_id": names,
            "run": run,
            "pull_id": np.where(on_pull, ids, ""),
            "chainage": at,
            "kind": digs["kind"].to_numpy(dtype=object),
            "spared": ~on_pull,
            "cost": np.where(on_pull, digs["cost"], digs["in_pit"]).astype(np.float64),
        }
    )
