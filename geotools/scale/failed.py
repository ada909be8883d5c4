"""Runs of districts that failed: which they are, how long, and what is told of them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import shapely

from geotools.deliver.layers import run_lines
from geotools.network.ragged import IntArray
from geotools.scale.manifest import Entry
from geotools.scale.resume import FAILED
from geotools.scale.share import Share
from geotools.schema import NO_RESULT

__all__ = ["failed_layer", "failed_runs", "length_of", "report_failed"]


def failed_runs(share: Share, entries: Mapping[str, Entry]) -> dict[str, IntArray]:
    """Return the runs that each district that failed or was set aside was to plan, as rows."""
    return {
        name: np.flatnonzero(share.district == k)
        for k, name in enumerate(share.districts["name"])
        if entries[name].status in FAILED
    }


def length_of(share: Share, rows: IntArray) -> float:
    """Return the length of some runs together, m."""
    return float(share.runs.table["length"].to_numpy(dtype=float)[rows].sum())


def failed_layer(share: Share, entries: Mapping[str, Entry]) -> pd.DataFrame:
    """Return the runs of districts that failed, with the columns of `runs` that need no plan."""
    failed = failed_runs(share, entries)
    count = [len(rows) for rows in failed.values()]
    row = np.concatenate([np.zeros(0, dtype=np.int64), *failed.values()])
    table = share.runs.table.iloc[row]
    why = [f"district {name} {_short(entries[name])}" for name in failed]
    return pd.DataFrame(
        {
            "run_id": table["run_id"].to_numpy(dtype=object),
            "main_ids": table["main_ids"].to_numpy(dtype=object),
            "host_diameter": table["diameter"].to_numpy(dtype=float),
            "host_material": table["material"].to_numpy(dtype=object),
            "length": table["length"].to_numpy(dtype=float),
            "status": np.full(len(row), NO_RESULT, dtype=object),
            "reason": np.repeat(np.array(why, dtype=object), count),
            "carrier": np.full(len(row), "", dtype=object),
            "pit_count": np.zeros(len(row), dtype=np.int64),
            "pull_count": np.zeros(len(row), dtype=np.int64),
            "district": np.repeat(np.array([*failed], dtype=object), count),
        }
    )


def report_failed(share: Share, entries: Mapping[str, Entry]) -> None:
    """Leave an error for every district that failed: where its runs are, and how long."""
    findings, failed = share.layers.findings, failed_runs(share, entries)
    lines = run_lines(share.runs.chains)
    findings.add_many(
        "error",
        "district-failed",
        [
            f"district {name} {_short(entries[name])}. It was to plan {len(rows)} runs, "
            f"{findings.length(length_of(share, rows), 0)}: none of them is planned. Mend what "
            "failed and run the same again with --resume"
            for name, rows in failed.items()
        ],
        layer="districts",
        features=[*failed],
        geometry=[shapely.union_all(lines[rows]) for rows in failed.values()],
    )


def _short(entry: Entry) -> str:
    """Return what became of a district that failed, of several faults the first."""
    what = "was set aside" if entry.status == "set_aside" else "failed"
    first, *more = entry.error.splitlines() or ["for no reason told"]
    others = f" (and {len(more)} more: error in district_results)" if more else ""
    return f"{what}: {first}{others}"
