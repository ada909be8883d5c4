"""The designer's edits: pits fixed, stretches forbidden; each honoured or refused with its reason.

An edit acts on what the optimiser may choose and on nothing else: a fixed pit is the one state
left that may cover its place, and no pull may pass it; in a forbidden stretch no pit, or none of
the role that is named, may open the main. So a plan with no edits is the plan without this module,
and fixing all pits of a plan gives it again. Where not all edits of a run go together, `together`
says which are kept.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, row_of
from geotools.pulls.in_force import Alone, applied, fixed_row, of_runs, roles_of
from geotools.pulls.most_pits import most_pits
from geotools.pulls.optimise import ChosenPits, PullCosts, Sites, choose_pits
from geotools.pulls.together import Tries, in_the_way, largest_set
from geotools.pulls.ways import Ways
from geotools.pulls.without_plan import Told, why_no_plan

__all__ = ["Edited", "choose_with_edits"]


@dataclasses.dataclass(frozen=True)
class Edited:
    """The plan under the edits.

    Attributes
    ----------
    choice : ChosenPits
    plain : ChosenPits
        Without the edits, and without the candidates that are there for them alone.
    runs : ndarray of int64
        Runs that have edits.
    refused : dict of int to str
        Row of the edit to why it could not be honoured.
    """

    choice: ChosenPits
    plain: ChosenPits
    runs: IntArray
    refused: dict[int, str]


def choose_with_edits(
    sites: Sites,
    costs: PullCosts,
    chainage: FloatArray,
    reason: Callable[[int], str],
    edits: pd.DataFrame,
    *,
    placed: BoolArray,
    reach: float,
    say: Callable[[float], str],
    held: Callable[[int, float, float], str],
) -> Edited:
    """Choose pits under the designer's edits.

    Parameters
    ----------
    sites, costs
        As for `choose_pits`.
    chainage : ndarray, shape (n,)
        Chainage of the candidates, m.
    reason : callable
        Says what speaks for and against a candidate, given its row.
    edits : DataFrame
        ``run``, ``chainage`` (m), ``action`` (fix or forbid), ``role`` (empty: any is fixed, all
        are forbidden).
    placed : ndarray of bool, shape (n,)
        Candidates that are there for an edit alone.
    reach : float
        A forbidden stretch goes this far before and after its point, m.
    say : callable
        Puts a length, m, into words.
    held : callable
        Names what must lie in a pit, given the run and two chainages, m, it lies between.
    """
    plain = choose_pits(sites, costs)
    if edits.empty:
        return Edited(plain, plain, np.zeros(0, dtype=np.int64), {})
    refused = {
        row: "its run has no plan, with or without it"
        for row, run in enumerate(edits["run"].astype(int))
        if not np.isfinite(plain.cost[run])
    }
    kept = [
        row
        for row in range(len(edits))
        if row not in refused and _possible(sites, chainage, reason, edits.iloc[row], row, refused)
    ]
    edited = _again(plain, sites, costs, chainage, edits.iloc[kept], reach)
    broken = np.flatnonzero(np.isfinite(plain.cost) & ~np.isfinite(edited.cost))
    for run in broken:
        mine = [row for row in kept if int(edits.iloc[row]["run"]) == run]
        alone = Alone.of(int(run), sites, costs, chainage, edits, reach)
        lost = _left_out(alone, mine, Told(say, partial(held, int(run))))
        kept = [row for row in kept if row not in lost]
        refused |= lost
    if len(broken):
        edited = _again(plain, sites, costs, chainage, edits.iloc[kept], reach)
    runs = np.unique(edits["run"].to_numpy(dtype=np.int64))
    return Edited(edited, _without(plain, sites, costs, placed), runs, refused)


def _again(
    plain: ChosenPits,
    sites: Sites,
    costs: PullCosts,
    chainage: FloatArray,
    edits: pd.DataFrame,
    reach: float,
) -> ChosenPits:
    """Choose the runs with edits again; the others, on which no edit acts, stay as they are."""
    runs = np.unique(edits["run"].to_numpy(dtype=np.int64))
    return _renewed(plain, applied(sites, chainage, edits, reach), costs, runs)


def _without(plain: ChosenPits, sites: Sites, costs: PullCosts, placed: BoolArray) -> ChosenPits:
    """Choose again, without any edit, the runs that have candidates for an edit alone."""
    runs = np.unique(row_of(sites.offsets)[placed])
    if not len(runs):
        return plain
    cost = np.where(placed[:, None], np.inf, sites.cost)
    return _renewed(plain, dataclasses.replace(sites, cost=cost), costs, runs)


def _renewed(plain: ChosenPits, sites: Sites, costs: PullCosts, runs: IntArray) -> ChosenPits:
    """Return a choice with some runs chosen again from their sites, which are others now."""
    part = of_runs(sites, runs)
    new = choose_pits(part, dataclasses.replace(costs, per_length=costs.per_length[runs]))
    shift = 4 * (sites.offsets[runs] - part.offsets[:-1])
    of_new, of_old = row_of(new.offsets), row_of(plain.offsets)
    stays = ~np.isin(of_old, runs)
    run = np.concatenate([of_old[stays], runs[of_new]])
    states = np.concatenate([plain.states[stays], new.states + shift[of_new]])
    cost, covered = plain.cost.copy(), plain.covered.copy()
    cost[runs], covered[runs] = new.cost, new.covered
    return ChosenPits(
        states=states[np.argsort(run, kind="stable")],
        offsets=offsets_of(np.bincount(run, minlength=len(cost))),
        cost=cost,
        covered=covered,
    )


def _possible(
    sites: Sites,
    chainage: FloatArray,
    reason: Callable[[int], str],
    edit: pd.Series,
    row: int,
    refused: dict[int, str],
) -> bool:
    """Say whether a fixed pit may stand where it is wanted at all; refusals are noted."""
    if edit["action"] != "fix":
        return True
    at = fixed_row(sites, chainage, int(edit["run"]), float(edit["chainage"]))
    if np.isfinite(sites.cost[at, roles_of(edit["role"])]).any():
        return True
    refused[row] = f"a pit may not stand there in that role ({reason(at)})"
    return False


def _left_out(alone: Alone, mine: list[int], told: Told) -> dict[int, str]:
    """Return the edits of a run left out for the largest set that leaves it a plan, and why."""
    forbids = frozenset(row for row in mine if alone.edits.iloc[row]["action"] == "forbid")
    ways = Ways(alone)
    tries = Tries(lambda rows: float(alone.chosen(rows).cost[0]), partial(most_pits, alone))
    taken = largest_set(mine, forbids, tries)
    lost: dict[int, str] = {}
    for row in sorted({*mine} - {*taken}):
        goes = tries.goes if row in forbids else partial(ways.goes, row)
        others = sorted(in_the_way(taken, frozenset([row]), goes) - {row})
        lost[row] = why_no_plan(ways, row, others, told)
    return lost
