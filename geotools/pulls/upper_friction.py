"""Pulls whose force passes a limit where friction is at the upper end of its band."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.intake.findings import Findings
from geotools.network.places import points_along
from geotools.network.runs import Chains
from geotools.pulls.forces import share_of_limit
from geotools.schema import quantity_text

__all__ = ["report_upper_friction"]

_PASSED = 1e-9  # share; a force that much over its limit has come to it


def report_upper_friction(
    pulls: pd.DataFrame, forces: pd.DataFrame, chains: Chains, findings: Findings
) -> None:
    """Warn of every pull that the greatest friction takes past a limit, at the worst place.

    Parameters
    ----------
    pulls : DataFrame
        As `geotools.pulls.forces.with_band` returns them.
    forces : DataFrame
        As of `geotools.pulls.forces.force_table`.
    chains : Chains
        The runs.
    findings : Findings
    """
    pull = forces["pull"].to_numpy(dtype=np.int64)
    at_head = pulls["allowable"].to_numpy(dtype=float)[pull]
    in_bend = share_of_limit(forces, "head_force_high")
    share = np.maximum(forces["head_force_high"].to_numpy(dtype=float) / at_head, in_bend)
    order = np.lexsort([-share, pull])
    worst = order[np.searchsorted(pull[order], np.unique(pull))]
    worst = worst[share[worst] > 1 + _PASSED]
    rows = forces.iloc[worst]
    told = rows.assign(
        bent=in_bend[worst] >= share[worst],
        limit=np.where(in_bend[worst] >= share[worst], rows["bend_limit"], at_head[worst]),
    )
    findings.add_points(
        "warning",
        "force-at-upper-friction",
        [_words(row, findings) for row in told.to_dict("records")],
        layer="pulls",
        features=pulls["pull_id"].to_numpy(dtype=object)[pull[worst]],
        xy=points_along(
            chains.xy,
            chains.offsets,
            rows["run"].to_numpy(dtype=np.int64),
            rows["chainage"].to_numpy(dtype=float),
        ),
    )


def _words(row: dict[str, float], findings: Findings) -> str:
    """Say where the limit is passed, by how much, and what to do."""

    def force(name: str) -> str:
        return quantity_text(row[name], "force", findings.system)

    at = findings.length(row["chainage"])
    where = f"with the head in the bend at chainage {at}"
    if not row["bent"]:
        where = f"at the head at chainage {at}"
    over = f"{row['head_force_high'] / row['limit']:.0%}" if row["limit"] > 0 else "all of it over"
    return (
        "at the greatest friction of its band the force passes its limit: "
        f"{force('head_force_high')} {where}, where {force('limit')} are allowed ({over}) and "
        f"{force('head_force')} planned; the pull is to stop before that, which may be short of "
        "its end. Clean and lubricate, log the force of a trial length, have a pit at hand to end "
        "in, or shorten the pull (pulls.max_length, pulls.force_share)"
    )
