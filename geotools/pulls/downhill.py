"""Pulls whose string runs ahead by itself in the host, where friction does not hold its weight."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.intake.findings import Findings
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, spread_out
from geotools.network.stretches import EDGE
from geotools.units import percent_text

__all__ = ["report_running_ahead"]

LEAST_M = 1.0  # of a pull, in all; less is the roughness of levels


def report_running_ahead(
    pulls: pd.DataFrame,
    stations: pd.DataFrame,
    offsets: IntArray,
    weight: FloatArray,
    friction: float,
    findings: Findings,
) -> None:
    """Warn of every pull whose string would run ahead by itself somewhere on its way.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``run_id``, ``run``, ``start``, ``end`` (m), ``direction``, ``insertion_pit``.
    stations : DataFrame
        Sorted: ``run``, ``chainage`` (m), ``grade`` of the stretch after, ``x``, ``y``.
    offsets : ndarray of int64, shape (runs + 1,)
        Offsets of the runs in `stations`.
    weight : ndarray, shape (runs,)
        Weight of the carrier on the host, N/m; negative where it floats up.
    friction : float
        The least of the band.
    findings : Findings
    """
    steep = _steep(pulls, stations, offsets, weight, friction)
    steep = steep[steep.groupby("pull")["length"].transform("sum") >= LEAST_M]
    told = steep.groupby("pull", sort=True).agg(
        low=("low", "min"), high=("high", "max"), length=("length", "sum"), grade=("grade", "max"),
        at=("station", "first"),
    )  # fmt: skip
    rows = pulls.iloc[told.index.to_numpy(dtype=np.int64)]
    floats = weight[rows["run"].to_numpy(dtype=np.int64)] < 0
    findings.add_points(
        "warning",
        "string-runs-ahead",
        [
            _words(one, pit, up, friction, findings)
            for one, pit, up in zip(
                told.itertuples(index=False), rows["insertion_pit"], floats, strict=True
            )
        ],
        layer="pulls",
        features=rows["pull_id"].to_numpy(dtype=object),
        xy=stations[["x", "y"]].to_numpy(dtype=float)[told["at"].to_numpy(dtype=np.int64)],
    )


def _steep(
    pulls: pd.DataFrame,
    stations: pd.DataFrame,
    offsets: IntArray,
    weight: FloatArray,
    friction: float,
) -> pd.DataFrame:
    """Return what of pulls is steeper than friction holds: ``pull``, ``station``, and its ends.

    A floating carrier runs up, so that what counts is the grade by the sign of the weight.
    """
    run, start, end = (pulls[name].to_numpy() for name in ("run", "start", "end"))
    run = run.astype(np.int64)
    at, grade = (stations[name].to_numpy(dtype=float) for name in ("chainage", "grade"))
    places = Places.of_offsets(offsets, at)
    low, high = places.holding(run, start + EDGE), places.search(run, end - EDGE)
    pull, local = spread_out(np.maximum(high - low, 0))
    station = low[pull] + local
    way = np.where(pulls["direction"] == "ahead", 1.0, -1.0) * np.sign(weight[run])
    rows = np.flatnonzero(way[pull] * grade[station] < -friction)
    pull, station = pull[rows], station[rows]
    begins = np.maximum(at[station], start[pull])
    last = station + 1 == offsets[run[pull] + 1]
    ends = np.where(last, end[pull], at[np.minimum(station + 1, len(at) - 1)])
    ends = np.minimum(ends, end[pull])
    return pd.DataFrame(
        {
            "pull": pull,
            "station": station,
            "low": begins,
            "high": ends,
            "length": ends - begins,
            "grade": np.abs(grade[station]),
        }
    )


def _words(told: Any, pit: str, floats: bool, friction: float, findings: Findings) -> str:
    """Say where a string runs ahead, and to hold it back; ``told`` is a row of the places."""
    whole = told.high - told.low - told.length < EDGE
    place = f"from {findings.length(told.low)} to {findings.length(told.high)} along its run"
    place += "" if whole else f", over {findings.length(told.length)} of that,"
    slope = "floats, and the host rises towards the head" if floats else "goes down"
    return (
        f"{place} it {slope} by up to {told.grade:.0%}, more than friction holds at the low end "
        f"of its band ({percent_text(friction)}): there the string runs ahead by itself where "
        f"friction is low, which the forces count as nothing; hold it back from insertion pit {pit}"
    )
