"""Pulls whose string runs ahead by itself in the host, where friction does not hold its weight."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.intake.findings import Findings
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, spread_out
from geotools.network.stretches import EDGE
from geotools.pipe.pulling import running_ahead_n
from geotools.schema import quantity_text
from geotools.units import percent_text, told_apart

__all__ = ["report_running_ahead"]

LEAST_M = 1.0  # of a pull, in all; less is the roughness of levels
LEAST_N = 50.0  # that pushes ahead, or a hold-back takes; less would be told as none
EVEN = 1e-6  # rise over run; steeper by less is rounding


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
    of_pull = steep.groupby("pull")
    enough = (of_pull["length"].transform("sum") >= LEAST_M) & (
        of_pull["push"].transform("sum") >= LEAST_N
    )
    steep = steep[enough]
    told = steep.groupby("pull", sort=True).agg(
        low=("low", "min"), high=("high", "max"), length=("length", "sum"), grade=("grade", "max"),
        at=("station", "first"),
    )  # fmt: skip
    rows = pulls.iloc[told.index.to_numpy(dtype=np.int64)]
    held = _held_back(rows, stations, offsets, weight, friction)
    floats = weight[rows["run"].to_numpy(dtype=np.int64)] < 0
    findings.add_points(
        "warning",
        "string-runs-ahead",
        [
            _words(one, up, friction, findings) + _hold_back(pit, force, head, findings)
            for one, pit, up, force, head in zip(
                told.itertuples(index=False), rows["insertion_pit"], floats, *held, strict=True
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

    With its ``length`` (m), ``grade``, and the ``push`` of the string in it (N). A floating carrier
    runs up, so that what counts is the grade by the sign of the weight.
    """
    pull, station = _passed(pulls, stations, offsets)
    grade = stations["grade"].to_numpy(dtype=float)
    heavy = weight[pulls["run"].to_numpy(dtype=np.int64)]
    way = _way(pulls) * np.sign(heavy)
    rows = np.flatnonzero(way[pull] * grade[station] < -friction - EVEN)
    pull, station = pull[rows], station[rows]
    begins, ends = _ends(pulls, stations, offsets, pull, station)
    steep = np.abs(grade[station])
    pipe = (ends - begins) * np.hypot(1.0, steep)
    push = running_ahead_n(pipe, -np.arctan(steep), weight=np.abs(heavy[pull]), friction=friction)
    return pd.DataFrame(
        {
            "pull": pull,
            "station": station,
            "low": begins,
            "high": ends,
            "length": ends - begins,
            "grade": steep,
            "push": push,
        }
    )


def _way(pulls: pd.DataFrame) -> FloatArray:
    """Return 1 for pulls with their runs, and -1 for those against them."""
    return np.where(pulls["direction"] == "ahead", 1.0, -1.0)


def _passed(
    pulls: pd.DataFrame, stations: pd.DataFrame, offsets: IntArray
) -> tuple[IntArray, IntArray]:
    """Return every pull as often as it passes stretches, and the station each begins at."""
    run, start, end = (pulls[name].to_numpy() for name in ("run", "start", "end"))
    run = run.astype(np.int64)
    places = Places.of_offsets(offsets, stations["chainage"].to_numpy(dtype=float))
    low, high = places.holding(run, start + EDGE), places.search(run, end - EDGE)
    pull, local = spread_out(np.maximum(high - low, 0))
    return pull, low[pull] + local


def _ends(
    pulls: pd.DataFrame,
    stations: pd.DataFrame,
    offsets: IntArray,
    pull: IntArray,
    station: IntArray,
) -> tuple[FloatArray, FloatArray]:
    """Return between which chainages a pull passes the stretch after a station, m."""
    start, end = (pulls[name].to_numpy(dtype=float)[pull] for name in ("start", "end"))
    at = stations["chainage"].to_numpy(dtype=float)
    last = station + 1 == offsets[pulls["run"].to_numpy(dtype=np.int64)[pull] + 1]
    ends = np.where(last, end, at[np.minimum(station + 1, len(at) - 1)])
    return np.maximum(at[station], start), np.minimum(ends, end)


def _held_back(
    pulls: pd.DataFrame,
    stations: pd.DataFrame,
    offsets: IntArray,
    weight: FloatArray,
    friction: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the most a hold-back at the tail of every pull takes, N, and where its head is, m.

    Every pull passes a stretch.
    """
    pull, station = _passed(pulls, stations, offsets)
    way = _way(pulls)[pull]
    order = np.lexsort([way * station, pull])  # from the tail to the head
    pull, station, way = pull[order], station[order], way[order]
    low, high = _ends(pulls, stations, offsets, pull, station)
    grade = stations["grade"].to_numpy(dtype=float)[station]
    heavy = weight[pulls["run"].to_numpy(dtype=np.int64)[pull]]
    pipe = (high - low) * np.hypot(1.0, grade)
    pushed = running_ahead_n(pipe, way * np.arctan(grade), weight=heavy, friction=friction)
    # Summed pull by pull: what is taken from a sum over all hangs on those before.
    so_far = pd.Series(pushed).groupby(pull).cumsum()
    most = so_far.groupby(pull).idxmax().to_numpy(dtype=np.int64)
    return so_far.to_numpy(dtype=float)[most], np.where(way > 0, high, low)[most]


def _words(told: Any, floats: bool, friction: float, findings: Findings) -> str:
    """Say where a string runs ahead; ``told`` is a row of the places."""
    whole = told.high - told.low - told.length < EDGE
    place = f"from {findings.length(told.low)} to {findings.length(told.high)} along its run"
    place += "" if whole else f", over {findings.length(told.length)} of that,"
    grade, _ = told_apart((told.grade, friction), 0, lambda share, digits: f"{share:.{digits}%}")
    slope = "floats, and the host rises towards the head" if floats else "goes down"
    return (
        f"{place} it {slope} by up to {grade}, more than friction holds at the low end "
        f"of its band ({percent_text(friction)}): there the string runs ahead by itself where "
        "friction is low, which the forces count as nothing; "
    )


def _hold_back(pit: str, force: float, head: float, findings: Findings) -> str:
    """Say from where to hold a string back, and with what force, N.

    What the string on its rollers adds is told of every string by itself, ``string-on-slope``.
    """
    if force < LEAST_N:
        return (
            "what lies behind it in the host holds it by that friction, so that a hold-back at "
            f"insertion pit {pit} is left nothing to take of it: have one made fast there all the "
            "same, for all that the string still on its rollers pushes with where string-on-slope "
            "says that it may run to the pit"
        )
    return (
        f"hold it back from insertion pit {pit}: at that friction it pushes ahead with up to "
        f"{quantity_text(force, 'force', findings.system)}, when its head is at "
        f"{findings.length(head)}. This is of the string in the host alone: where string-on-slope "
        "says that the string still on its rollers may run to the pit, the force told there adds "
        "to it. Winch or brake there and their hold on the pipe must take both together, before "
        "any margin; bends, which hold it too, are left out, on the safe side"
    )
