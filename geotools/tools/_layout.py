"""The whole layout: the best attempt of every run, and what follows from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief
from geotools.intake.columns import Layers
from geotools.network.build import RunSet
from geotools.network.places import points_along
from geotools.network.ragged import FloatArray, IntArray
from geotools.pulls.explain import reached
from geotools.pulls.forces import force_table, with_band
from geotools.pulls.sections import section_table
from geotools.schema import ROLES
from geotools.siting.candidates import Candidates
from geotools.siting.carrier import Contest, hydraulic_columns, pulled_pipes
from geotools.siting.further import cheaper_pipes, further_pipes, no_easier, suiting
from geotools.tool import Progress
from geotools.tools._attempt import Attempt, friction_band_of, profile_of, try_carriers
from geotools.tools._blocked import explain_blocked
from geotools.tools._prepare import prepare
from geotools.tools._shared import Shared, only_runs
from geotools.tools._works import Works, work_out

__all__ = ["Layout", "lay_out_plan", "winners"]


@dataclass(frozen=True)
class Layout:
    """Everything a plan consists of, in the working CRS and SI units.

    ``shown`` is the attempt each run's rows come from; ``attempts`` and ``contest`` are kept for
    the alternatives.
    """

    runs: RunSet
    table: pd.DataFrame
    stations: pd.DataFrame
    bends: pd.DataFrame
    candidates: pd.DataFrame
    pits: pd.DataFrame
    pulls: pd.DataFrame
    forces: pd.DataFrame
    sections: pd.DataFrame
    works: Works
    contest: Contest
    attempts: list[Attempt]
    shown: IntArray


def lay_out_plan(
    layers: Layers,
    brief: Brief,
    progress: Progress,
    *,
    allow_remote: bool,
    named: Callable[[RunSet], pd.DataFrame] | None = None,
) -> Layout:
    """Lay out pits and pulls of every run of the layers read; ``named`` as in `prepare`."""
    ground = prepare(layers, brief, progress, allow_remote=allow_remote, named=named)
    tries = ground.contest.tries
    attempts = []
    for rank, pipe in enumerate(tries.T):
        if rank and not (pipe >= 0).any():
            break
        progress("planning pits and pulls", rank, len(tries.T))
        attempts.append(try_carriers(ground, pipe))
    attempts += _further(ground, np.min([a.value for a in attempts], axis=0), progress)
    shown = winners(np.stack([a.value for a in attempts]), attempts, brief.carrier.larger_for)
    lost = np.flatnonzero((tries[:, 0] >= 0) & ~np.isfinite([a.value for a in attempts]).any(0))
    shown[lost] = [_closest(attempts, int(run)) for run in lost]
    return _merge(ground, attempts, shown)


def _further(ground: Shared, value: FloatArray, progress: Progress) -> list[Attempt]:
    """Go on with the other pipes that suit, for the runs that have no plan yet.

    The first plan found ends it for a run. Of pipes that stand or fall together the easiest to
    pull is tried; where it gives a plan, the cheaper ones like it are tried after it.
    """
    brief, contest = ground.brief, ground.contest
    idle = no_easier(contest, pulled_pipes(contest.pipes, brief.carrier, brief.pulls))
    open_ = np.flatnonzero((contest.tries[:, 0] >= 0) & ~np.isfinite(value))
    rest = further_pipes(contest, open_, idle)
    attempts, won = _until_planned(ground, open_, rest, progress)
    found = won >= 0
    rest = cheaper_pipes(contest, open_[found], won[found], idle)
    return attempts + _until_planned(ground, open_[found], rest, progress)[0]


def _until_planned(
    ground: Shared, runs: IntArray, pipes: IntArray, progress: Progress
) -> tuple[list[Attempt], IntArray]:
    """Try the pipes of each run one after the other until one gives a plan.

    Returns the attempts, and of each run the pipe that gave the plan, or -1.
    """
    attempts: list[Attempt] = []
    won = np.full(len(runs), -1, dtype=np.int64)
    part = only_runs(ground, runs)
    for rank, tried in enumerate(pipes.T):
        tried = np.where(won < 0, tried, -1)
        if not (tried >= 0).any():
            break
        progress("trying further carriers", rank, pipes.shape[1])
        pipe = np.full(len(ground.runs.table), -1, dtype=np.int64)
        pipe[runs] = tried
        attempts.append(try_carriers(part, pipe))
        planned = np.isfinite(attempts[-1].value[runs])
        if planned.any():
            won[planned] = tried[planned]
            part = only_runs(part, runs[won < 0])
    return attempts, won


def winners(value: FloatArray, attempts: list[Attempt], larger_for: float) -> IntArray:
    """Return the attempt that wins each run: the cheapest, or a larger bore for little more.

    ``value`` is what is made least, attempts x runs; infinite where there is no plan.
    """
    bore = np.stack([a.table["carrier_bore"].fillna(0.0).to_numpy(dtype=float) for a in attempts])
    best = value.min(axis=0)
    near = np.isfinite(value) & (value <= best * (1 + larger_for))
    if larger_for <= 0:
        return np.asarray(np.argmin(value, axis=0), dtype=np.int64)
    return np.asarray(np.argmax(np.where(near, bore, -1.0), axis=0), dtype=np.int64)


def _tried(attempts: list[Attempt], run: int) -> list[int]:
    """Return the attempts a run was in."""
    return [k for k, a in enumerate(attempts) if int(a.table["pipe"].iloc[run]) >= 0]


def _closest(attempts: list[Attempt], run: int) -> int:
    """Return the attempt that left the least of a run without a plan; of equals the first."""

    def left(k: int) -> float:
        attempt = attempts[k]
        covered = float(attempt.edited.choice.covered[run])
        low, high = reached(attempt.sites, attempt.costs, run=run, covered=covered)
        return round(high - low, 3)  # to the millimetre: noise decides nothing

    return min(_tried(attempts, run), key=left)


def _rows_of(frames: list[pd.DataFrame], shown: IntArray, run: str = "run") -> pd.DataFrame:
    """Take each run's rows from the attempt shown for it."""
    parts = [
        frame[shown[frame[run].to_numpy(dtype=np.int64)] == rank]
        for rank, frame in enumerate(frames)
    ]
    rows: pd.DataFrame = pd.concat(parts).sort_values(run, kind="stable")
    return rows.reset_index(drop=True)


def _merge(ground: Shared, attempts: list[Attempt], shown: IntArray) -> Layout:
    """Put the plan together from the attempt that won each run, and work out what follows."""
    brief = ground.brief
    number = np.arange(len(shown))
    table = _rows_of([a.table.assign(run=number) for a in attempts], shown)
    bends = _rows_of([a.bends for a in attempts], shown)
    pits = _rows_of([a.plan.pits for a in attempts], shown)
    pulls = _rows_of([a.plan.pulls for a in attempts], shown)
    profiles = {
        name: profile_of(ground, table, bends, friction)
        for name, friction in friction_band_of(brief).items()
    }
    forces = force_table(pulls, profiles)
    pulls = with_band(pulls, forces)
    table = _verdicts(ground, table, attempts, shown, pits, pulls)
    _report_edits(ground, attempts, shown)
    sections = section_table(pulls, table, ground.stations, ground.contest.pipes, brief)
    works = work_out(ground, table, pits, pulls, sections)
    pulls = pulls.assign(digs=works.dig_count)
    return Layout(
        runs=ground.runs,
        table=table,
        stations=ground.stations,
        bends=bends,
        candidates=_rows_of([_costed(a.candidates) for a in attempts], shown),
        pits=pits,
        pulls=pulls,
        forces=forces,
        sections=sections,
        works=works,
        contest=ground.contest,
        attempts=attempts,
        shown=shown,
    )


def _costed(candidates: Candidates) -> pd.DataFrame:
    """Return the candidates with extent and cost of each role; no cost where it is refused."""
    at = candidates.table["chainage"].to_numpy(dtype=float)
    columns = {
        "cost": np.where(np.isfinite(candidates.cost), candidates.cost, np.nan),
        "before": at[:, None] - candidates.extents.start,
        "after": candidates.extents.end - at[:, None],
    }
    return candidates.table.assign(
        **{f"{n}_{role}": c[:, k] for n, c in columns.items() for k, role in enumerate(ROLES)}
    )


def _verdicts(
    ground: Shared,
    table: pd.DataFrame,
    attempts: list[Attempt],
    shown: IntArray,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
) -> pd.DataFrame:
    """Say of every run whether it is planned, and if not, why; add the figures of the plan."""
    count = len(table)
    cost = np.stack([a.cost for a in attempts])[shown, np.arange(count)]
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    planned = np.isfinite(cost)
    status = np.where(planned, "planned", np.where(lined, "no_plan", "not_suitable"))
    reason = np.where(lined, "", ground.contest.reason).astype(object)
    blocked = np.flatnonzero(lined & ~planned)
    for rank in np.unique(shown[blocked]):
        for run, text in explain_blocked(
            ground,
            attempts[rank],
            blocked[shown[blocked] == rank],
            lead=partial(_carriers_tried, ground, attempts, int(rank)),
        ):
            reason[run] = text
    _report_unsuitable(ground, table, status, reason)

    def per_run(frame: pd.DataFrame) -> npt.NDArray[np.int64]:
        return np.bincount(frame["run"].to_numpy(dtype=np.int64), minlength=count)

    longest = np.zeros(count)
    np.maximum.at(longest, pulls["run"].to_numpy(dtype=np.int64), pulls["length"].to_numpy())
    return table.join(hydraulic_columns(table)).assign(
        status=status,
        reason=reason,
        host_bore=table["bore_low"],
        pit_count=per_run(pits),
        pull_count=per_run(pulls),
        longest_pull=np.where(longest > 0, longest, np.nan),
        bend_count=per_run(ground.runs.bends),
        connection_count=per_run(ground.runs.chains.connections),
        cost=np.where(planned, cost, np.nan),
    )


def _carriers_tried(ground: Shared, attempts: list[Attempt], best: int, run: int) -> str:
    """Say how many carriers were tried in a run that has no plan, and which came closest."""
    pipe, tried = attempts[best].table["carrier"].iloc[run], len(_tried(attempts, run))
    suits = int(suiting(ground.contest, np.array([run])).sum())
    if suits <= 1:
        return f"the one carrier that may be used, {pipe}, gives no plan: "
    rest = f", {tried} planned through and the others no easier to pull" if tried < suits else ""
    return f"none of the {suits} carriers that suit gives a plan{rest}; with {pipe}, the closest, "


def _report_unsuitable(
    ground: Shared, table: pd.DataFrame, status: Any, reason: npt.NDArray[np.object_]
) -> None:
    """Leave a finding at the middle of every run that no carrier suits."""
    rows = np.flatnonzero(status == "not_suitable")
    chains = ground.runs.chains
    middle = table["length"].to_numpy(dtype=float)[rows] / 2
    names = table["run_id"].to_numpy(dtype=object)[rows]
    ground.layers.findings.add_points(
        "warning",
        "no-carrier",
        [f"run {n}: {r}" for n, r in zip(names, reason[rows], strict=True)],
        layer="runs",
        features=names,
        xy=points_along(chains.xy, chains.offsets, rows, middle),
    )


def _report_edits(ground: Shared, attempts: list[Attempt], shown: IntArray) -> None:
    """Say of every edit whether it was honoured, and why not where it was not."""
    chains = ground.runs.chains
    edits = ground.edits
    run = edits["run"].to_numpy(dtype=np.int64)
    at = edits["chainage"].to_numpy(dtype=float)
    places = points_along(chains.xy, chains.offsets, run, at)
    for row, (action, role, feature) in enumerate(
        zip(edits["action"], edits["role"], edits["feature"], strict=True)
    ):
        why = attempts[int(shown[run[row]])].edited.refused.get(row)
        name = ground.runs.table["run_id"].iloc[run[row]]
        verdict = "honoured" if why is None else f"not honoured, {why}"
        place = f"{ground.layers.findings.length(at[row])} of run {name}"
        text = f"{action} {role or 'a pit'} at {place}: {verdict}"
        ground.layers.findings.add_points(
            "info" if why is None else "warning",
            "edit-honoured" if why is None else "edit-refused",
            [text],
            layer="pit_edits",
            features=[str(feature)],
            xy=places[row : row + 1],
        )
