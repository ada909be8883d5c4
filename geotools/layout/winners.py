"""Which of the carriers tried wins each run, and which comes closest where none has a plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.layout.attempt import Attempt
from geotools.layout.shared import Shared
from geotools.network.ragged import FloatArray, IntArray
from geotools.pulls.explain import reached

__all__ = [
    "by_rank",
    "edits_alone",
    "in_running",
    "left_of",
    "measured",
    "moved_runs",
    "shown_of",
    "tried_rows",
    "unedited",
    "values_in_running",
    "winners",
]

SAME = 1e-9  # share by which two plans may differ and still be worth the same


def values_in_running(attempts: list[Attempt]) -> FloatArray:
    """Return what is made least, attempts x runs, infinite where it cannot win."""
    return in_running(
        np.array([attempt.value for attempt in attempts]),
        np.array([attempt.figures["refused_edits"] for attempt in attempts]),
    )


def left_of(attempts: list[Attempt], larger_for: float) -> list[Attempt]:
    """Leave in each attempt the runs it may yet be shown for, `winners` deciding.

    By what is made least alone: the cost it is held against is that of the best, which a later
    attempt may be. Of a run without a plan it is the one that came closest, once that is known.
    So a lot holds the places of its runs about once, however many carriers are tried.
    """
    value = values_in_running(attempts)
    best = value.min(axis=0)
    near = value <= best * (1 + larger_for)
    lost = ~np.isfinite(best)
    if larger_for <= 0:  # the first of the cheapest; without a plan any may come closest
        near &= (np.cumsum(near, axis=0) == 1) | lost
    short = np.array([attempt.figures["short"].to_numpy(dtype=float) for attempt in attempts])
    least = np.fmin.reduce(short, axis=0)
    closest = short == least
    closest &= np.cumsum(closest, axis=0) == 1
    near &= closest | ~(lost & np.isfinite(least))
    return [attempt.only(wanted) for attempt, wanted in zip(attempts, near, strict=True)]


def unedited(attempts: list[Attempt]) -> list[Attempt]:
    """Return attempts with the figures of the plans without the edits in place of their own."""
    plain = ["plain_value", "plain_cost", "plain_pits"]
    own = ["value", "cost", "pit_count"]
    return [
        replace(
            one,
            figures=one.figures.assign(
                refused_edits=0, **dict(zip(own, (one.figures[n] for n in plain), strict=True))
            ),
        )
        for one in attempts
    ]


def edits_alone(attempt: Attempt) -> Attempt:
    """Return an attempt that a plan without the edits would not have made."""
    return replace(attempt, figures=attempt.figures.assign(plain_value=np.inf, plain_cost=np.inf))


def moved_runs(attempts: list[Attempt], larger_for: float) -> IntArray:
    """Return the runs whose edits lead to another carrier, or to a plan of another worth."""
    (won, worth), (plain, plain_worth) = (
        _won(seen, larger_for) for seen in (attempts, unedited(attempts))
    )
    alike = np.isclose(worth, plain_worth, rtol=SAME, atol=0.0)
    return np.flatnonzero((won != plain) | ~alike)


def _won(attempts: list[Attempt], larger_for: float) -> tuple[IntArray, FloatArray]:
    """Return the attempt that wins each run, as of `winners`, and what was made least there."""
    value = values_in_running(attempts)
    cost = np.array([one.figures["cost"].to_numpy(dtype=float) for one in attempts])
    bore = np.array([one.table["carrier_bore"].to_numpy(dtype=float) for one in attempts])
    won = winners(value, cost, bore, larger_for)
    return won, value[won, np.arange(value.shape[1])]


def tried_rows(attempts: list[Attempt], without: IntArray) -> pd.DataFrame:
    """Return a row for each run and carrier tried in it, columns as of `Planned.tried`.

    None of the runs left out.
    """
    frames = []
    for rank, attempt in enumerate(attempts):
        pipe = attempt.table["pipe"].to_numpy(dtype=np.int64)
        run = np.setdiff1d(np.flatnonzero(pipe >= 0), without, assume_unique=True)
        frames.append(
            pd.DataFrame(
                {
                    "run": run,
                    "rank": rank,
                    "pipe": pipe[run],
                    "bore": attempt.table["carrier_bore"].to_numpy(dtype=float)[run],
                    **{name: column.to_numpy()[run] for name, column in attempt.figures.items()},
                }
            ).drop(columns=["covered", "eased", "short"])
        )
    return pd.concat(frames, ignore_index=True)


def by_rank(tried: pd.DataFrame, column: str, runs: int, *, missing: float) -> FloatArray:
    """Return a column of the carriers tried, ranks x runs; ``missing`` where none was tried."""
    rank = tried["rank"].to_numpy(dtype=np.int64)
    out = np.full((int(rank.max(initial=0)) + 1, runs), missing)
    out[rank, tried["run"].to_numpy(dtype=np.int64)] = tried[column].to_numpy(dtype=float)
    return out


def in_running(value: FloatArray, refused: npt.NDArray[np.number]) -> FloatArray:
    """Return ``value``, infinite also where another plan of the run refuses fewer of its edits.

    The designer's edits come before the cost. ``value`` is what is made least, attempts x runs,
    infinite where there is no plan; ``refused`` how many edits of the run the attempt refuses.
    """
    counted = np.where(np.isfinite(value), refused, np.inf)
    return np.where(counted > counted.min(axis=0), np.inf, value)


def winners(value: FloatArray, cost: FloatArray, bore: FloatArray, larger_for: float) -> IntArray:
    """Return the attempt that wins each run: the best, or a larger bore for little more.

    Little more than the best is both: no more than the share ``larger_for`` above its cost, for
    money is what is said to be paid for the bore, nor above it in what is made least, which an
    objective may set far from the cost.

    Parameters
    ----------
    value : ndarray, attempts x runs
        What is made least, infinite where there is no plan or, as of `in_running`, it cannot win.
    cost : ndarray, attempts x runs
        What the plans cost.
    bore : ndarray, attempts x runs
        Bore of the carriers, m.
    larger_for : float
    """
    best = np.argmin(value, axis=0)
    if larger_for <= 0:
        return np.asarray(best, dtype=np.int64)
    near = np.isfinite(value)
    for part in (value, cost):
        near &= part <= np.take_along_axis(part, best[None, :], axis=0) * (1 + larger_for)
    return np.asarray(np.argmax(np.where(near, bore, -1.0), axis=0), dtype=np.int64)


def shown_of(ground: Shared, attempts: list[Attempt], tried: pd.DataFrame) -> IntArray:
    """Return the attempt shown for each run: the best, or the one that came closest."""
    count = len(ground.runs.table)
    value = by_rank(tried, "value", count, missing=np.inf)
    refused = by_rank(tried, "refused_edits", count, missing=0.0)
    cost = by_rank(tried, "cost", count, missing=np.inf)
    bore = by_rank(tried, "bore", count, missing=0.0)
    shown = winners(in_running(value, refused), cost, bore, ground.brief.carrier.larger_for)
    known = np.flatnonzero(np.isfinite(value).any(axis=0))
    lost = np.setdiff1d(tried["run"].to_numpy(dtype=np.int64), known)
    ranks = tried.groupby("run")["rank"]
    shown[lost] = [_closest(attempts, ranks.get_group(run), run) for run in lost.tolist()]
    return shown


def _closest(attempts: list[Attempt], ranks: pd.Series, run: int) -> int:
    """Return the attempt that left the least of a run without a plan; of equals the first."""

    def left(rank: int) -> float:
        known = float(attempts[rank].figures["short"].iloc[run])
        return known if np.isfinite(known) else _short(attempts[rank], run)

    closest: int = min(ranks.tolist(), key=left)
    return closest


def _short(attempt: Attempt, run: int) -> float:
    """Return how much of a run without a plan an attempt left, m."""
    covered = float(attempt.figures["covered"].iloc[run])
    low, high = reached(attempt.sites, attempt.costs, run=run, covered=covered)
    return round(high - low, 3)  # to the millimetre: noise decides nothing


def measured(attempt: Attempt, runs: IntArray) -> Attempt:
    """Return an attempt that knows how much it left of these runs, where it gave them no plan."""
    short = attempt.figures["short"].to_numpy(dtype=float).copy()
    tried = attempt.table["pipe"].to_numpy(dtype=np.int64)[runs] >= 0
    lost = runs[tried & ~np.isfinite(attempt.value[runs]) & np.isnan(short[runs])]
    short[lost] = [_short(attempt, run) for run in lost.tolist()]
    return replace(attempt, figures=attempt.figures.assign(short=short))
