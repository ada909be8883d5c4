"""The alternatives of every run: carriers planned through, refused or left out, and the edits."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.accel import in_parts
from geotools.layout.whole import Layout
from geotools.layout.winners import by_rank, in_running, winners
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.words import in_words, rows_in_order, worded
from geotools.pipe.choice import CHOICE_RULES
from geotools.pipe.hydraulics import CARRIER_C, capacity_ratio
from geotools.siting.carrier import shortfall

__all__ = ["alternatives_table"]

AT_ONCE = 500_000  # pipes held against runs
FIXED = "fixed for this run; no other carrier was tried"
ONLY = "the only carrier tried"
# Told in few words, or few values.
WORDED = ("outcome", "refused_by", "reason", "pit_count", "pull_count")


def alternatives_table(
    layout: Layout, run_ids: npt.NDArray[np.object_], *, larger_for: float
) -> pd.DataFrame:
    """Return the alternatives layer: chosen first, then by outcome and cost.

    ``larger_for`` is the rule the winner was found by, as of `winners`.
    """
    every = (_tried(layout), _not_tried(layout), _without_edits(layout, larger_for))
    parts = [in_words(part, WORDED) for part in every if len(part)] or list(every[:1])
    del every
    table = rows_in_order(parts, _order(parts))
    run = table.pop("run").to_numpy(dtype=np.int64)
    table["run_id"] = worded(run_ids, run)
    return table


def _order(parts: list[pd.DataFrame]) -> IntArray:
    """Return the order of the rows of all parts: by run, outcome, cost and size."""
    outcomes = (
        *("chosen", "without_edits", "outweighed", "dearer", "refuses_edits"),
        *("no_plan", "not_tried", "refused"),
    )
    rank = {outcome: place for place, outcome in enumerate(outcomes)}
    place = np.concatenate([part["outcome"].map(rank).to_numpy(dtype=np.int8) for part in parts])
    keys = [np.concatenate([part[n] for part in parts]) for n in ("outside", "cost", "run")]
    order = np.lexsort([*keys[:2], place, keys[2]])
    return np.asarray(order, dtype=np.int64)


def _pipes(layout: Layout, run: IntArray, pipe: IntArray) -> dict[str, Any]:
    """Return what is told of a pipe in a run."""
    pipes, table = layout.contest.pipes, layout.table
    bore = np.asarray(pipes.bore_m)
    host_c, host = (table[name].to_numpy(dtype=float) for name in ("host_c", "bore"))

    def ratio(run: IntArray, pipe: IntArray) -> FloatArray:
        return capacity_ratio(host_c[run], host[run], CARRIER_C, bore[pipe])

    return {
        "run": run,
        "carrier": worded(pipes.name.astype(object), pipe),
        "outside": worded(np.asarray(pipes.outside_m), pipe),
        "carrier_bore": worded(bore, pipe),
        "capacity_ratio": in_parts(ratio, AT_ONCE, run, pipe),
    }


def _tried(layout: Layout) -> pd.DataFrame:
    """Return the carriers planned through."""
    tried = layout.tried.sort_values("rank", kind="stable")
    run = tried["run"].to_numpy(dtype=np.int64)
    cost = tried["cost"].where(np.isfinite(tried["cost"]))
    best = layout.table["cost"].to_numpy(dtype=float)[run]
    beaten = _beaten(tried, len(layout.table))
    outcome = np.select(
        [cost.isna(), tried["shown"], beaten, cost < best],
        ["no_plan", "chosen", "refuses_edits", "outweighed"],
        "dearer",
    )
    cheapest = cost.where(~beaten).groupby(run).transform("min")
    weighed = pd.Series(beaten).groupby(run).transform("any")
    fixed = layout.contest.fixed[run] >= 0
    alone = np.where(fixed, FIXED, np.where(np.bincount(run)[run] < 2, ONLY, ""))
    told = [outcome, cost - best, cost - cheapest, tried["refused_edits"], weighed, alone]
    return pd.DataFrame(
        {
            **_pipes(layout, run, tried["pipe"].to_numpy(dtype=np.int64)),
            **{name: tried[name].to_numpy() for name in ("pit_count", "pull_count")},
            "longest_pull": tried["longest_pull"].to_numpy(),
            "cost": cost.to_numpy(),
            "outcome": outcome,
            "refused_by": "",
            "reason": [_why(*row) for row in zip(*told, strict=True)],
        }
    )


def _beaten(tried: pd.DataFrame, count: int) -> BoolArray:
    """Return the rows of plans that refuse more edits than another of their run."""
    value = by_rank(tried, "value", count, missing=np.inf)
    refused = by_rank(tried, "refused_edits", count, missing=0.0)
    beaten = np.isfinite(value) & ~np.isfinite(in_running(value, refused))
    rank, run = (tried[name].to_numpy(dtype=np.int64) for name in ("rank", "run"))
    return np.asarray(beaten[rank, run])


def _why(
    outcome: str, dearer: float, above_least: float, refused: int, weighed: bool, alone: str
) -> str:
    """Say what became of a carrier that was planned through.

    ``refused`` edits it could not honour; ``weighed``: other carriers of its run refuse more, or
    fewer; ``alone``: what to say of one that no other was tried beside.
    """
    if outcome == "no_plan":
        return "no plan with this carrier"
    if outcome == "refuses_edits":
        word = "dearer" if dearer >= 0 else "cheaper"
        return (
            f"refuses {refused} of this run's edits, the chosen one fewer; "
            f"{abs(dearer):,.0f} {word}"
        )
    if outcome == "outweighed":
        return (
            f"{-dearer:,.0f} cheaper, but the chosen one has the larger bore or serves the "
            "objective better"
        )
    if outcome == "dearer":
        return f"{dearer:,.0f} dearer"
    if alone:
        return alone
    rivals = " of those that refuse fewest edits" if weighed else ""
    if above_least > 0.5:
        return (
            f"{above_least:,.0f} dearer than the cheapest{rivals}, but it has the larger bore or "
            "serves the objective better"
        )
    return "the cheapest of the carriers tried that carry the flow" + (
        "," + rivals if rivals else ""
    )


def _not_tried(layout: Layout) -> pd.DataFrame:
    """Return the pipes near enough in size that were refused, or suit and were left out."""
    contest = layout.contest
    shown = contest.in_window.copy()
    shown[layout.tried["run"], layout.tried["pipe"]] = False
    run, pipe = np.nonzero(shown)
    rule = contest.verdict.refused_by[run, pipe].astype(np.int64)
    suits, flowing = rule < 0, contest.flowing[run].astype(np.int64)
    words = [shortfall(name, flows) for flows in (False, True) for name in CHOICE_RULES]
    reason = flowing * len(CHOICE_RULES) + rule
    reason[suits] = len(words) + _left_out(layout, run[suits], pipe[suits])
    empty = np.full(len(run), np.nan)
    return pd.DataFrame(
        copy=False,
        data={
            **_pipes(layout, run, pipe),
            "pit_count": empty,
            "pull_count": empty,
            "longest_pull": empty,
            "cost": empty,
            "outcome": worded(_words("refused", "not_tried"), suits.astype(np.int64)),
            "refused_by": worded(_words("", *CHOICE_RULES), np.maximum(rule, -1) + 1),
            "reason": worded(_words(*words, *LEFT_OUT), reason),
        },
    )


def _words(*words: str) -> npt.NDArray[np.object_]:
    return np.array(words, dtype=object)


# Why pipes that suit were not planned through; of several the first.
LEFT_OUT = (
    "suits; but the carrier of this run is fixed",
    "suits; but no carrier was planned through in this run",
    "suits; no easier to pull than one that gave no plan",
    "suits; a pipe of its material that is cheaper by length as laid was tried (carrier.tries)",
    "suits; its material is dearer than those tried (carrier.tries)",
    "suits; a pipe of its material as cheap and no heavier was tried (carrier.tries)",
    "suits; pipes of other materials as cheap and no heavier were tried (carrier.tries)",
)


def _left_out(layout: Layout, run: IntArray, pipe: IntArray) -> IntArray:
    """Return why pipes that suit were not planned through, as places in `LEFT_OUT`."""
    contest = layout.contest
    material = np.append(np.unique(contest.pipes.material, return_inverse=True)[1], -1)
    tried = contest.tries[run]
    same = material[tried] == material[pipe][:, None]
    cheaper = np.append(contest.laid, np.inf)[tried] < contest.laid[pipe][:, None]
    planned = np.isfinite(layout.table["cost"].to_numpy(dtype=float))[run]
    first = [contest.fixed[run] >= 0, contest.tries[run, 0] < 0, ~planned]
    beaten = [(same & cheaper).any(axis=1), ~same.any(axis=1) & cheaper.any(axis=1)]
    cases = [*first, *beaten, same.any(axis=1)]
    return np.asarray(np.select(cases, range(len(cases)), len(cases)), dtype=np.int64)


def _without_edits(layout: Layout, larger_for: float) -> pd.DataFrame:
    """Return for runs whose edits change the cost what they would cost without them.

    Without the edits another carrier may win, by the rule the plan's own was found by.
    """
    tried, count = layout.tried, len(layout.table)
    value, cost = (
        by_rank(tried, name, count, missing=np.inf) for name in ("plain_value", "plain_cost")
    )
    rank = winners(value, cost, by_rank(tried, "bore", count, missing=0.0), larger_for)
    won = tried[rank[tried["run"]] == tried["rank"]].set_index("run")
    won = won.loc[np.intersect1d(layout.edited, won.index)]
    least = won["plain_cost"].to_numpy(dtype=float)
    more = layout.table["cost"].to_numpy(dtype=float)[won.index] - least
    changed = np.abs(more) > 1e-9 * np.abs(least)  # never where either has no plan
    won, more = won[changed], more[changed]
    return pd.DataFrame(
        {
            **_pipes(layout, won.index.to_numpy(), won["pipe"].to_numpy(dtype=np.int64)),
            "pit_count": won["plain_pits"].to_numpy(),
            "pull_count": won["plain_pits"].to_numpy() - 1,
            "longest_pull": np.nan,
            "cost": won["plain_cost"].to_numpy(),
            "outcome": "without_edits",
            "refused_by": "",
            "reason": [_edits_cost(change) for change in more],
        }
    )


def _edits_cost(more: float) -> str:
    """Say what the edits of a run change; less where they lead to a smaller carrier."""
    word = "more" if more > 0 else "less"
    return f"with the edits this run costs {abs(more):,.0f} {word}"
