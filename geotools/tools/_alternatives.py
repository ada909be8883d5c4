"""The alternatives of every run: carriers planned through, refused or left out, and the edits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.choice import CHOICE_RULES
from geotools.pipe.hydraulics import CARRIER_C, capacity_ratio
from geotools.siting.carrier import shortfall
from geotools.tools._attempt import Attempt
from geotools.tools._layout import Layout, winners

__all__ = ["alternatives_table"]


def alternatives_table(
    layout: Layout, run_ids: npt.NDArray[np.object_], *, larger_for: float
) -> pd.DataFrame:
    """Return the alternatives layer: chosen first, then by outcome and cost.

    ``larger_for`` is the rule the winner was found by, as of `winners`.
    """
    rows = [_tried(layout, rank, attempt) for rank, attempt in enumerate(layout.attempts)]
    rows += [_not_tried(layout), _without_edits(layout, larger_for)]
    table = pd.concat([r for r in rows if len(r)] or rows[:1], ignore_index=True)
    order = ("chosen", "without_edits", "dearer", "no_plan", "not_tried", "refused")
    place = table["outcome"].map(order.index)
    table = table.iloc[np.lexsort([table["outside"], table["cost"], place, table["run"]])]
    return table.assign(run_id=run_ids[table["run"].to_numpy(dtype=np.int64)]).reset_index(
        drop=True
    )


def _pipes(layout: Layout, run: IntArray, pipe: IntArray) -> dict[str, npt.NDArray[np.generic]]:
    """Return what is told of a pipe in a run."""
    pipes, table = layout.contest.pipes, layout.table
    bore = np.asarray(pipes.bore_m)[pipe]
    return {
        "run": run,
        "carrier": pipes.name[pipe].astype(object),
        "outside": np.asarray(pipes.outside_m)[pipe],
        "carrier_bore": bore,
        "capacity_ratio": capacity_ratio(
            table["host_c"].to_numpy(dtype=float)[run],
            table["bore"].to_numpy(dtype=float)[run],
            CARRIER_C,
            bore,
        ),
    }


def _figures(attempt: Attempt, run: IntArray, cost: FloatArray) -> dict[str, FloatArray]:
    """Return pits, pulls, longest pull and cost of an attempt, NaN where it has no plan."""
    count = len(attempt.table)
    pits = np.bincount(attempt.plan.pits["run"].to_numpy(dtype=np.int64), minlength=count)
    of_pull = attempt.plan.pulls["run"].to_numpy(dtype=np.int64)
    longest = np.full(count, np.nan)  # a run with one pit has no pull
    np.fmax.at(longest, of_pull, attempt.plan.pulls["length"].to_numpy(dtype=float))
    known = np.isfinite(cost)
    figures = {
        "pit_count": pits[run],
        "pull_count": np.bincount(of_pull, minlength=count)[run],
        "longest_pull": longest[run],
        "cost": cost,
    }
    return {name: np.where(known, value, np.nan) for name, value in figures.items()}


def _tried(layout: Layout, rank: int, attempt: Attempt) -> pd.DataFrame:
    """Return the carriers planned through at one rank."""
    pipe = attempt.table["pipe"].to_numpy(dtype=np.int64)
    run = np.flatnonzero(pipe >= 0)
    cost = attempt.cost[run]
    best = layout.table["cost"].to_numpy(dtype=float)[run]
    chosen = (layout.shown[run] == rank) & np.isfinite(cost)
    outcome = np.where(np.isfinite(cost), np.where(chosen, "chosen", "dearer"), "no_plan")
    more = np.where(np.isfinite(cost), cost, np.nan) - best
    cheapest = np.min([a.cost[run] for a in layout.attempts], axis=0) if len(run) else cost
    reason = [
        _why(o, m, m + b - low) for o, m, b, low in zip(outcome, more, best, cheapest, strict=True)
    ]
    return pd.DataFrame(
        {
            **_pipes(layout, run, pipe[run]),
            **_figures(attempt, run, cost),
            "outcome": outcome,
            "refused_by": "",
            "reason": reason,
        }
    )


def _why(outcome: str, dearer: float, above_least: float) -> str:
    """Say what became of a carrier that was planned through."""
    if outcome == "no_plan":
        return "no plan with this carrier"
    if outcome == "dearer":
        if dearer < 0:
            return (
                f"{-dearer:,.0f} cheaper, but the chosen one has the larger bore or serves the "
                "objective better"
            )
        return f"{dearer:,.0f} dearer"
    if above_least > 0.5:
        return (
            f"{above_least:,.0f} dearer than the cheapest, but it has the larger bore or serves "
            "the objective better"
        )
    return "the cheapest plan that carries the flow"


def _not_tried(layout: Layout) -> pd.DataFrame:
    """Return the pipes near enough in size that were refused, or suit and were left out."""
    contest = layout.contest
    shown = contest.in_window.copy()
    tried = [a.table["pipe"].to_numpy(dtype=np.int64) for a in layout.attempts]
    for pipe in tried:
        rows = np.flatnonzero(pipe >= 0)
        shown[rows, pipe[rows]] = False
    run, pipe = np.nonzero(shown)
    rule = contest.verdict.refused_by[run, pipe]
    names = np.array([*CHOICE_RULES, ""], dtype=object)[rule]
    suits, flowing = rule < 0, contest.flowing[run].astype(np.int64)
    words = np.array(
        [[*(shortfall(name, flowing) for name in CHOICE_RULES), ""] for flowing in (False, True)],
        dtype=object,
    )
    empty = np.full(len(run), np.nan)
    return pd.DataFrame(
        {
            **_pipes(layout, run, pipe),
            "pit_count": empty,
            "pull_count": empty,
            "longest_pull": empty,
            "cost": empty,
            "outcome": np.where(suits, "not_tried", "refused"),
            "refused_by": names,
            "reason": np.where(suits, _left_out(layout, run, pipe), words[flowing, rule]),
        }
    )


def _left_out(layout: Layout, run: IntArray, pipe: IntArray) -> npt.NDArray[np.object_]:
    """Say why pipes that suit were not planned through."""
    contest = layout.contest
    material = np.append(contest.pipes.material.astype(object), "")
    tried = material[contest.tries[run]]
    alike = (tried == material[pipe][:, None]).any(axis=1)
    planned = np.isfinite(layout.table["cost"].to_numpy(dtype=float))[run]
    return np.select(
        [contest.fixed[run] >= 0, contest.tries[run, 0] < 0, ~planned, alike],
        [
            "suits; but the carrier of this run is fixed",
            "suits; but no carrier was planned through in this run",
            "suits; no easier to pull than one that gave no plan",
            "suits; a cheaper pipe of its material was tried",
        ],
        "suits; its material is dearer than those tried (carrier.tries)",
    ).astype(object)


def _plain_cost(attempt: Attempt) -> FloatArray:
    """Return the cost of each run with a carrier and no edits; infinite where it has no plan."""
    plain = attempt.edited.plain
    row, role = plain.states // 4, plain.states % 4
    weights = attempt.sites.cost[row, role] - attempt.candidates.cost[row, role]
    run = np.repeat(np.arange(len(plain.cost)), np.diff(plain.offsets))
    return np.asarray(plain.cost - np.bincount(run, weights, minlength=len(plain.cost)))


def _without_edits(layout: Layout, larger_for: float) -> pd.DataFrame:
    """Return for runs whose edits change the cost what they would cost without them.

    Without the edits another carrier may win, by the rule the plan's own was found by.
    """
    attempts, every = layout.attempts, np.arange(len(layout.table))
    value = np.stack([a.edited.plain.cost for a in attempts])
    rank = winners(value, attempts, larger_for)
    least = np.stack([_plain_cost(a) for a in attempts])[rank, every]
    cost = layout.table["cost"].to_numpy(dtype=float)
    known = np.isfinite(cost) & np.isfinite(least)
    more = np.where(known, cost, 0.0) - np.where(known, least, 0.0)
    edits = attempts[0].edited.runs
    run = edits[np.abs(more[edits]) > 1e-9 * np.abs(least[edits])]
    pipe = np.stack([a.table["pipe"].to_numpy(dtype=np.int64) for a in attempts])
    counts = np.stack([np.diff(a.edited.plain.offsets) for a in attempts])[rank[run], run]
    return pd.DataFrame(
        {
            **_pipes(layout, run, pipe[rank[run], run]),
            "pit_count": counts,
            "pull_count": counts - 1,
            "longest_pull": np.nan,
            "cost": least[run],
            "outcome": "without_edits",
            "refused_by": "",
            "reason": [_edits_cost(change) for change in more[run]],
        }
    )


def _edits_cost(more: float) -> str:
    """Say what the edits of a run change; less where they lead to a smaller carrier."""
    word = "more" if more > 0 else "less"
    return f"with the edits this run costs {abs(more):,.0f} {word}"
