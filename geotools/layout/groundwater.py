"""Pits and digs that go down below the groundwater; findings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Brief
from geotools.intake.findings import Findings

__all__ = ["report_groundwater"]

SETTING = "service.water_table"
LEAST_M = 0.005  # m of water over a bottom that are not told as none


def report_groundwater(
    pits: pd.DataFrame, digs: pd.DataFrame, brief: Brief, findings: Findings
) -> None:
    """Report, a finding a run, what is dug below the groundwater, and what to do about it.

    A warning where the brief says how deep the groundwater lies, an info where nobody said.

    Parameters
    ----------
    pits : DataFrame
        ``run_id``, ``pit_id``, ``deepest`` (m), ``x``, ``y``, in order along the runs.
    digs : DataFrame
        ``run_id``, ``dig_id``, ``dig_depth`` (m), ``spared``, ``x``, ``y``, in the same order.
    """
    depth = brief.service.water_table
    set_ = brief.origins.get(SETTING, "default") != "default"
    wet = pits.assign(head=pits["deepest"].to_numpy(dtype=float) - depth)
    own = digs[~digs["spared"].to_numpy(dtype=bool)]
    below = own.assign(head=own["dig_depth"].to_numpy(dtype=float) - depth)
    wet, below = (table[table["head"] > LEAST_M] for table in (wet, below))
    runs = list(dict.fromkeys([*wet["run_id"], *below["run_id"]]))
    places = _places([wet, below], runs)
    of_pits, of_digs = _by_run(wet, "pit_id"), _by_run(below, "dig_id")
    dug = [_dug(of_pits.get(run, []), of_digs.get(run, []), findings) for run in runs]
    known = "as the brief says" if set_ else "where nobody said: prove it"
    water = f"{findings.length(depth, 2)} below the ground ({SETTING}, {known})"
    findings.add_many(
        "warning" if set_ else "info",
        "dug-below-groundwater",
        [
            f"run {run}: the groundwater is taken to stand {water}; "
            f"{told}. Pump it down or cut it off, "
            "with leave to discharge it, and hold the bottom against heave, and what lies in the "
            "pit against uplift: that is in no price and in no task of the programme."
            for run, told in zip(runs, dug, strict=True)
        ],
        layer="runs",
        features=np.array(runs, dtype=object),
        geometry=places,
    )


def _by_run(dug: pd.DataFrame, name: str) -> dict[str, list[tuple[str, float]]]:
    """Return by run what is dug in it, in order: its name, and the head over its bottom, m."""
    by_run: dict[str, list[tuple[str, float]]] = {}
    for run, own, head in zip(dug["run_id"], dug[name], dug["head"], strict=True):
        by_run.setdefault(run, []).append((own, head))
    return by_run


def _dug(pits: list[tuple[str, float]], digs: list[tuple[str, float]], findings: Findings) -> str:
    """Say which pits, and how many digs, of a run go below the groundwater, and by how much."""
    told = []
    if pits:
        heads = ", ".join(f"{pit} {findings.length(head, 2)}" for pit, head in pits)
        many = "pits go" if len(pits) > 1 else "pit goes"
        told.append(f"{len(pits)} {many} below it (head over the bottom: {heads})")
    if digs:
        many = "digs between the pits go" if len(digs) > 1 else "dig between the pits goes"
        most = findings.length(max(head for _, head in digs), 2)
        told.append(f"{len(digs)} {many} below it, by up to {most}")
    return "; ".join(told)


def _places(dug: list[pd.DataFrame], runs: list[str]) -> npt.NDArray[np.object_]:
    """Return where what is dug of each run lies, a multipoint each."""
    row = pd.Index(runs).get_indexer(pd.Index(np.concatenate([one["run_id"] for one in dug])))
    xy = np.concatenate([one[["x", "y"]].to_numpy(dtype=float) for one in dug])
    order = np.argsort(row, kind="stable")
    places: npt.NDArray[np.object_] = shapely.multipoints(xy[order], indices=row[order])
    return places
