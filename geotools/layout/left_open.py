"""Pits with leaning sides: too wide to be plated, so that their lanes stay closed between work."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.intake.findings import Findings
from geotools.lists import listed

__all__ = ["report_left_open", "with_days_open"]

NAMED = 3  # pits a finding names


def with_days_open(pits: pd.DataFrame) -> pd.DataFrame:
    """Return the pits with the days their lanes are closed for in place of those of work.

    Where the sides lean that is from first to last day: common practice, no source. A shored pit
    is plated between, and its lanes are given back.

    Parameters
    ----------
    pits : DataFrame
        With ``side_slope``, ``days``, ``first_day``, ``last_day``.
    """
    lean, days, first, last = (
        pits[name].to_numpy(dtype=float) for name in ("side_slope", "days", "first_day", "last_day")
    )
    return pits.assign(days=np.where(lean > 0, last - first, days))


def report_left_open(pits: pd.DataFrame, currency: str, findings: Findings) -> None:
    """Warn of the lane-days at every run's pits with leaning sides that are closed and not priced.

    Pits are chosen, and priced, before it is known when each of them is dug and refilled.

    Parameters
    ----------
    pits : DataFrame
        With ``run_id``, ``pit_id``, ``x``, ``y``, ``side_slope``, ``lanes_taken``, ``traffic_cost``
        (of the days of work), ``days`` (of work), ``first_day``, ``last_day``.
    currency : str
    findings : Findings
    """
    lean, lanes = (pits[name].to_numpy(dtype=float) for name in ("side_slope", "lanes_taken"))
    rows = pits[(lean > 0) & (lanes > 0)]
    if not len(rows):
        return
    open_ = with_days_open(rows)["days"]
    beyond = rows["traffic_cost"] * (open_ / rows["days"] - 1)
    rows = rows.assign(
        priced=rows["lanes_taken"] * rows["days"],
        closed=rows["lanes_taken"] * open_,
        beyond=beyond,
    )
    runs = rows.groupby("run_id", sort=False, observed=True).agg(
        pits=("pit_id", list),
        priced=("priced", "sum"),
        closed=("closed", "sum"),
        beyond=("beyond", "sum"),
        x=("x", "first"),
        y=("y", "first"),
    )
    findings.add_points(
        "warning",
        "pits-not-plated",
        [
            f"run {run}: {_who(row.pits)} too wide at the street to be plated between work, for "
            "the sides lean (pits.support): lanes there are closed from first to last day, "
            f"{row.closed:,.1f} lane-days; priced are the days of work, {row.priced:,.1f} "
            "lane-days, for pits are chosen before the programme is known. Count the others in, "
            f"which at the same rates cost {row.beyond:,.0f} {currency} and are in no cost of the "
            "plan, or shore the pits"
            for run, row in zip(runs.index, _rows(runs), strict=True)
        ],
        layer="runs",
        features=runs.index.to_numpy(dtype=object),
        xy=runs[["x", "y"]].to_numpy(dtype=float),
    )


def _rows(runs: pd.DataFrame) -> list[Any]:
    return list(runs.itertuples(index=False))


def _who(pits: list[str]) -> str:
    """Begin a sentence on pits."""
    several = len(pits) > 1
    return f"pit{'s' * several} {listed(pits, most=NAMED)} {'are' if several else 'is'}"
