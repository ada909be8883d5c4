"""Runs planned a lot at a time: every carrier tried, the best kept, a row told of each of the rest.

What is worked out for every place, role and carrier would fill the memory with a large network;
runs do not hang on each other, so a lot of them is planned through before the next is begun.
Of many lots each leaves a few runs with no plan; these are gathered and planned again, in lots of
their own, for every carrier that is tried takes a while however few the runs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from functools import partial
from math import ceil
from typing import Any

import numpy as np
import pandas as pd

from geotools.accel import give_back, processors
from geotools.layout.attempt import Attempt, equip, try_carriers
from geotools.layout.blocked import explain_blocked
from geotools.layout.rules import refusal_limits
from geotools.layout.shared import Shared, lot_of, on_streets, only_runs
from geotools.layout.winners import (
    edits_alone,
    left_of,
    measured,
    moved_runs,
    shown_of,
    tried_rows,
    unedited,
    values_in_running,
    winners,
)
from geotools.network.cells import by_place
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.words import in_words, rows_in_order, rows_joined
from geotools.pipe.fusion import piece_count
from geotools.schema import OUTPUTS
from geotools.siting.further import (
    cheaper_pipes,
    further_pipes,
    larger_pipe,
    no_easier,
    suiting,
    thicker_pipes,
)
from geotools.siting.pulled import pulled_pipes
from geotools.siting.told import tell_candidates
from geotools.threads import ThreadPool
from geotools.tool import Progress

__all__ = ["Planned", "plan_lots"]

# What is told of candidates in few words, or few values.
WORDED = (
    *("roles", "reasons", "street_name", "street_class", "depth", "lanes_taken"),
    *("string_day_ahead", "string_day_behind", "before_receiving", "after_receiving"),
    *("after_insertion_ahead", "before_insertion_behind"),
)
FEWEST = 2  # pits of a plan
NONE = -1  # of a run that is shown from no attempt
LOT = 20_000  # stations of runs planned at once, at most: smaller lots cost time, larger memory
# Attempts with the figures that decide which carriers are tried next: `unedited`, or as they are.
Seen = Callable[[list[Attempt]], list[Attempt]]


@dataclass(frozen=True)
class Planned:
    """Runs planned through with every carrier tried; run numbers are those of all runs.

    Attributes
    ----------
    table, bends, candidates, pits, pulls : DataFrame
        Rows of the attempt shown for each run.
    tried : DataFrame
        A row for each carrier tried in a run: ``run``, ``rank`` (order of trying), ``pipe``,
        ``shown``, ``bore`` (m), ``value`` (what is made least) and ``cost``, infinite where there
        is no plan, ``pit_count``, ``pull_count``, ``longest_pull`` (m), ``refused_edits`` (how
        many), and without the edits ``plain_value``, ``plain_cost``, ``plain_pits``.
    blocked : DataFrame
        Runs without a plan: ``run``, ``reason``, ``chainage`` (m) of the place.
    refused : dict of int to str
        Row of the edit to why it could not be honoured.
    """

    table: pd.DataFrame
    bends: pd.DataFrame
    candidates: pd.DataFrame
    pits: pd.DataFrame
    pulls: pd.DataFrame
    tried: pd.DataFrame
    blocked: pd.DataFrame
    refused: dict[int, str]


def plan_lots(ground: Shared, progress: Progress) -> Planned:
    """Plan all runs through, a lot at a time, as many lots at once as there are processors."""
    lots = _lots(ground, np.arange(len(ground.runs.table)))
    # What streets are looked up by is made here, once, and not in every thread.
    on_streets(lot_of(ground, np.zeros(0, dtype=np.int64)))
    with ThreadPool(processors()) as pool:
        plan = partial(_plan_lot, ground, gather=len(lots) > 1)
        done = list(_told(pool.map(plan, lots), progress, len(lots)))
        left = np.sort(np.concatenate([runs for _, runs in done]))
        if len(left):
            lots = _lots(ground, left)
            plan = partial(_plan_lot, ground, gather=False)
            done += _told(pool.map(plan, lots), progress, len(lots))
    refused = {row: why for one, _ in done for row, why in one.refused.items()}
    names = _tables()
    parts = {name: [getattr(one, name) for one, _ in done] for name in names}
    done.clear()
    return Planned(**{name: _in_order(parts.pop(name)) for name in names}, refused=refused)


def _told(
    done: Iterator[tuple[Planned, IntArray]], progress: Progress, count: int
) -> Iterator[tuple[Planned, IntArray]]:
    """Yield the lots as they are planned, and tell of each."""
    for number, planned in enumerate(done, start=1):
        yield planned
        del planned
        give_back()
        progress("planning pits and pulls", number, count)


def _tables() -> list[str]:
    """Return the names of the tables of a plan."""
    return [field.name for field in fields(Planned) if field.name != "refused"]


def _lots(ground: Shared, runs: IntArray) -> list[IntArray]:
    """Return the runs of each lot, in order; those of a lot lie together.

    So a lot reads no more of the elevation raster than lies around it. Where there are several
    they are about as large as each other, and so many that no processor waits for the last.
    """
    lined = ground.contest.tries[:, 0] >= 0
    chains = ground.runs.chains
    order = runs[by_place(chains.xy[chains.offsets[runs]])]
    size = np.where(lined, np.diff(ground.offsets), 0)[order]
    count = max(ceil(size.sum() / LOT), 1)
    if count > 1:
        count = ceil(count / processors()) * processors()
    before = np.cumsum(size) - size
    lot = np.minimum(before * count // max(size.sum(), 1), count - 1)
    return [np.sort(runs) for runs in np.split(order, np.flatnonzero(np.diff(lot)) + 1)]


def _plan_lot(ground: Shared, runs: IntArray, *, gather: bool) -> tuple[Planned, IntArray]:
    """Plan these runs through with their carriers.

    Returns the plan and, if they are to be gathered, the runs left out of it: those that have no
    plan with the first carriers and may have one with another.
    """
    lot = on_streets(lot_of(ground, runs))
    attempts: list[Attempt] = []
    larger_for = ground.brief.carrier.larger_for
    for pipe in lot.contest.tries.T:
        if not attempts or (pipe >= 0).any():
            attempts = left_of([*attempts, try_carriers(lot, equip(lot, pipe))], larger_for)
            give_back()  # lots planned side by side come to their most at the same time
    every = np.arange(len(runs))
    attempts = _thicker(lot, attempts, every, unedited)
    open_ = _open(lot, attempts)
    left = np.zeros(0, dtype=np.int64)
    if gather:
        left = open_[(further_pipes(lot.contest, open_, _idle(lot)) >= 0).any(axis=1)]
    else:
        attempts = _further(lot, attempts, open_)
    attempts = _for_edits(lot, _larger(lot, attempts, every, unedited))
    return _numbered(_shown_plan(lot, attempts, left), ground, runs), runs[left]


def _for_edits(lot: Shared, attempts: list[Attempt]) -> list[Attempt]:
    """Go on with thicker walls and larger bores where the edits lead away from what is best.

    All that a plan without the edits tries was tried before. What is tried for the edits alone
    takes no part in what that plan would be.
    """
    runs = moved_runs(attempts, lot.brief.carrier.larger_for)
    more = _larger(lot, _thicker(lot, attempts, runs, list), runs, list)
    return [*more[: len(attempts)], *(edits_alone(one) for one in more[len(attempts) :])]


def _thicker(lot: Shared, attempts: list[Attempt], runs: IntArray, seen: Seen) -> list[Attempt]:
    """Go on with thicker walls of the best pipe of these runs, as long as plans become cheaper.

    Only where they could do with fewer pits: elsewhere the pipe is dearer and little else cheaper.
    """
    count, part = len(lot.runs.table), lot
    while len(runs) and lot.brief.carrier.thicker:
        pipes = _walls(lot, seen(attempts), runs)
        runs, pipes = runs[pipes[:, 0] >= 0], pipes[pipes[:, 0] >= 0]
        part, before = only_runs(part, runs), len(attempts)
        for tried in pipes.T[(pipes >= 0).any(axis=0)]:
            attempts = [*attempts, try_carriers(part, equip(part, _given(count, runs, tried)))]
            attempts = left_of(attempts, lot.brief.carrier.larger_for)
            give_back()
        best = np.argmin(values_in_running(seen(attempts)), axis=0)
        runs = runs[best[runs] >= before]
    return attempts


def _walls(lot: Shared, attempts: list[Attempt], runs: IntArray) -> IntArray:
    """Return the thicker walls to try in these runs, as of `thicker_pipes`.

    None where there is no plan or no fewer pits could do, and none that costs more than all pits
    but two, with their pulls, could save: the run is paid the price of its pipe from end to end.
    """
    brief, contest = lot.brief, lot.contest
    value, place = values_in_running(attempts)[:, runs], np.arange(len(runs))
    best = np.argmin(value, axis=0)
    tried = np.array([one.table["pipe"].to_numpy(dtype=np.int64)[runs] for one in attempts])
    eased, pits = (
        np.array([one.figures[name].to_numpy(dtype=float)[runs] for one in attempts])[best, place]
        for name in ("eased", "pit_count")
    )
    own, least = tried[best, place], value[best, place]
    some = np.flatnonzero(np.isfinite(least) & (eased > 0.0) & (pits > FEWEST))
    pipes = np.full((len(runs), len(contest.price)), -1, dtype=np.int64)
    price = contest.price[own[some]]
    length = lot.runs.table["length"].to_numpy(dtype=float)[runs[some]]
    spared = (least[some] - price * length) * (1 - FEWEST / pits[some])
    pipes[some] = thicker_pipes(
        contest,
        runs[some],
        own[some],
        tried=tried[:, some].T,
        radius=pulled_pipes(contest.pipes, brief.carrier, brief.pulls)["radius"].to_numpy(float),
        eased=eased[some],
        worth=price + spared / length,
    )
    return pipes


def _larger(lot: Shared, attempts: list[Attempt], runs: IntArray, seen: Seen) -> list[Attempt]:
    """Go on with larger bores that these runs may have for little more, the largest first.

    No more of them than were to be tried before; a run has its own once the largest left is
    shown for it.
    """
    carrier, count, part = lot.brief.carrier, len(lot.runs.table), lot
    for _ in range(carrier.tries if carrier.larger_for > 0 else 0):
        pipes = _largest(lot, seen(attempts), runs)
        runs, pipes = runs[pipes >= 0], pipes[pipes >= 0]
        if not len(runs):
            break
        part = only_runs(part, runs)
        attempt = try_carriers(part, equip(part, _given(count, runs, pipes)))
        attempts = left_of([*attempts, attempt], carrier.larger_for)
        give_back()
    return attempts


def _largest(lot: Shared, attempts: list[Attempt], runs: IntArray) -> IntArray:
    """Return the larger bore to try in each of these runs, as of `larger_pipe`; -1 for none.

    A plan is taken to cost as much more than that of a pipe of its material as the pipe itself:
    most need the same pits. Both what it costs and what is made least must be little more.
    """
    larger_for, pipes = lot.brief.carrier.larger_for, np.full(len(runs), NONE, dtype=np.int64)
    value = values_in_running(attempts)
    planned = np.isfinite(value[:, runs]).any(axis=0)
    some, value = runs[planned], value[:, runs[planned]]
    cost = np.array([one.figures["cost"].to_numpy(dtype=float)[some] for one in attempts])
    bore = np.array([one.table["carrier_bore"].to_numpy(dtype=float)[some] for one in attempts])
    tried = np.array([one.table["pipe"].to_numpy(dtype=np.int64)[some] for one in attempts])
    best, shown = np.argmin(value, axis=0), winners(value, cost, bore, larger_for)
    spare = np.minimum(*(_little_more(part, best, larger_for) - part for part in (value, cost)))
    length = lot.runs.table["length"].to_numpy(dtype=float)[some]
    pipes[planned] = larger_pipe(
        lot.contest,
        some,
        above=bore[shown, np.arange(len(some))],
        tried=tried.T,
        worth=(lot.contest.laid[tried] + spare / length).T,
    )
    return pipes


def _little_more(part: FloatArray, best: IntArray, larger_for: float) -> FloatArray:
    """Return what a plan may cost, or be worth, at most for a larger bore: by that of the best."""
    of_best: FloatArray = part[best, np.arange(len(best))]
    return of_best * (1 + larger_for)


def _given(count: int, runs: IntArray, pipes: IntArray) -> IntArray:
    """Return the pipe of each of so many runs: that given to some, -1 for the others."""
    pipe = np.full(count, NONE, dtype=np.int64)
    pipe[runs] = pipes
    return pipe


def _open(lot: Shared, attempts: list[Attempt]) -> IntArray:
    """Return the runs that have a carrier but no plan."""
    value = np.min([attempt.value for attempt in attempts], axis=0)
    return np.flatnonzero((lot.contest.tries[:, 0] >= 0) & ~np.isfinite(value))


def _shown_plan(lot: Shared, attempts: list[Attempt], without: IntArray) -> Planned:
    """Return the rows of the attempt shown for each run, and no rows of the runs left out."""
    count = len(lot.runs.table)
    tried = tried_rows(attempts, without)
    shown = shown_of(lot, attempts, tried)
    shown[without] = NONE
    tried = tried.assign(shown=shown[tried["run"]] == tried["rank"])
    reasons = list(_blocked(lot, attempts, tried))
    return Planned(
        table=_rows_of([a.table.assign(run=np.arange(count)) for a in attempts], shown),
        bends=_rows_of([a.bends for a in attempts], shown),
        candidates=_candidates_of(lot, attempts, shown),
        pits=_rows_of([a.plan.pits for a in attempts], shown),
        pulls=_rows_of([a.plan.pulls for a in attempts], shown),
        tried=tried,
        blocked=pd.DataFrame(reasons, columns=["run", "reason", "chainage"]),
        refused=_refused(lot, attempts, shown),
    )


def _refused(lot: Shared, attempts: list[Attempt], shown: IntArray) -> dict[int, str]:
    """Return by the row of the edit why the attempt shown refuses it, and what the others do."""
    refused: dict[int, str] = {}
    for row, run in enumerate(lot.edits["run"].to_numpy(dtype=np.int64).tolist()):
        if shown[run] == NONE:
            continue
        best = attempts[shown[run]]
        if row in best.refused:
            planned = [one for one in attempts if np.isfinite(one.value[run])]
            refused[row] = best.refused[row] + _of_others(best, planned, run, row)
    return refused


def _of_others(best: Attempt, planned: list[Attempt], run: int, edit: int) -> str:
    """Say of an edit the best carrier refuses what the others that give its run a plan do."""
    if not planned:
        return ""
    names = [one.table["carrier"].iloc[run] for one in planned if edit not in one.refused]
    if names:
        rest = f"; {names[0]} honours it, and refuses no fewer of this run's edits"
    elif len(planned) > 1:
        rest = f", and none of the {len(planned)} carriers tried that give a plan honours it"
    else:
        rest = ", the one carrier tried that gives a plan"
    return f"; told of {best.table['carrier'].iloc[run]}{rest}"


def _numbered(planned: Planned, ground: Shared, runs: IntArray) -> Planned:
    """Give the rows of a lot the numbers their runs, and their edits, have among all."""
    edited = np.flatnonzero(np.isin(ground.edits["run"].to_numpy(dtype=np.int64), runs))
    given: dict[str, Any] = {}
    for name in _tables():
        rows = getattr(planned, name)
        given[name] = rows.assign(run=runs[rows["run"].to_numpy(dtype=np.int64)])
    refused = {int(edited[place]): why for place, why in planned.refused.items()}
    return replace(planned, **given, refused=refused)


def _idle(ground: Shared) -> BoolArray:
    """Return which pipe (column) can give no plan where another (row) gave none."""
    brief, contest = ground.brief, ground.contest
    return no_easier(contest, pulled_pipes(contest.pipes, brief.carrier, brief.pulls))


def _further(ground: Shared, attempts: list[Attempt], open_: IntArray) -> list[Attempt]:
    """Go on with the other pipes that suit, for the runs that have no plan yet.

    The first plan found ends it for a run. Of pipes that stand or fall together the easiest to
    pull is tried; where it gives a plan, the cheaper ones like it are tried after it.
    """
    if not len(open_):
        return attempts
    contest, idle = ground.contest, _idle(ground)
    rest = further_pipes(contest, open_, idle)
    attempts, won = _until_planned(ground, open_, rest, attempts)
    found = won >= 0
    rest = cheaper_pipes(contest, open_[found], won[found], idle)
    return _until_planned(ground, open_[found], rest, attempts)[0]


def _until_planned(
    ground: Shared, runs: IntArray, pipes: IntArray, attempts: list[Attempt]
) -> tuple[list[Attempt], IntArray]:
    """Try the pipes of each run one after the other until one gives a plan.

    Returns the attempts, these behind those before, and of each run the pipe that gave the plan,
    or -1.
    """
    won = np.full(len(runs), -1, dtype=np.int64)
    part = only_runs(ground, runs)
    larger_for = ground.brief.carrier.larger_for
    attempts = left_of([measured(attempt, runs) for attempt in attempts], larger_for)
    for tried in pipes.T:
        tried = np.where(won < 0, tried, -1)
        if not (tried >= 0).any():
            break
        pipe = _given(len(ground.runs.table), runs, tried)
        attempt = measured(try_carriers(part, equip(part, pipe)), runs[tried >= 0])
        attempts = left_of([*attempts, attempt], larger_for)
        give_back()
        planned = np.isfinite(attempt.value[runs])
        if planned.any():
            won[planned] = tried[planned]
            part = only_runs(part, runs[won < 0])
    return attempts, won


def _blocked(
    ground: Shared, attempts: list[Attempt], tried: pd.DataFrame
) -> Iterator[tuple[int, str, float]]:
    """Yield run, reason and chainage (m) of every run that no carrier gave a plan."""
    rows = tried[tried["shown"] & ~np.isfinite(tried["cost"])]
    for rank, mine in rows.groupby("rank"):
        attempt = attempts[int(rank)]
        yield from explain_blocked(
            ground,
            attempt,
            mine["run"].to_numpy(dtype=np.int64),
            lead=partial(_carriers_tried, ground, attempt, tried),
        )


def _carriers_tried(ground: Shared, best: Attempt, tried: pd.DataFrame, run: int) -> str:
    """Say how many carriers were tried in a run that has no plan, and which came closest."""
    pipe, count = best.table["carrier"].iloc[run], int((tried["run"] == run).sum())
    suits = int(suiting(ground.contest, np.array([run])).sum())
    if suits <= 1:
        return f"the one carrier that may be used, {pipe}, gives no plan: "
    rest = f", {count} planned through and the others no easier to pull" if count < suits else ""
    return f"none of the {suits} carriers that suit gives a plan{rest}; with {pipe}, the closest, "


def _rows_of(frames: list[pd.DataFrame], shown: IntArray) -> pd.DataFrame:
    """Take each run's rows from the attempt shown for it; a run shown from none is left out."""
    parts = [
        frame[shown[frame["run"].to_numpy(dtype=np.int64)] == rank]
        for rank, frame in enumerate(frames)
    ]
    return _together(parts)


def _candidates_of(ground: Shared, attempts: list[Attempt], shown: IntArray) -> pd.DataFrame:
    """Tell of each run's candidates as they are for the carrier shown."""
    pulls, limits, parts = ground.brief.pulls, refusal_limits(ground.brief), []
    longest = float(piece_count(pulls.max_length, pulls.piece_length)) * pulls.piece_length
    told = ["run", "x", "y", *(field.name for field in OUTPUTS["candidates"].fields)]
    for rank, attempt in enumerate(attempts):
        run = attempt.candidates.table["run"].to_numpy(dtype=np.int64)
        rows = np.flatnonzero(shown[run] == rank)
        table = tell_candidates(attempt.candidates, rows, ground.scene, limits, longest=longest)
        parts.append(in_words(table[[name for name in told if name in table]], WORDED))
    return _together(parts)


def _together(parts: list[pd.DataFrame]) -> pd.DataFrame:
    kept = [part for part in parts if len(part)] or parts[:1]
    return rows_joined(kept)


def _in_order(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Put the rows of all lots in order of their runs."""
    run = np.concatenate([part["run"].to_numpy(dtype=np.int64) for part in parts])
    return rows_in_order(parts, np.argsort(run, kind="stable"))
