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

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, row_of, take
from geotools.pulls.optimise import ChosenPits, PullCosts, Sites, choose_pits
from geotools.pulls.together import Tries, in_the_way, largest_set
from geotools.schema import ROLES

__all__ = ["Edited", "choose_with_edits"]

AT = 0.01  # m; a candidate this near a fixed place is the one meant


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


@dataclasses.dataclass(frozen=True)
class _Lost:
    """An edit that leaves its run no plan.

    ``covered`` is how far pits and pulls get with it, m. ``other`` is the one edit, taken up
    before, that rules it out by itself, if there is one; ``over`` says that one of the two pits
    would cover the place of the other.
    """

    covered: float
    other: pd.Series | None = None
    over: bool = False


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
        told = _joined(sites, costs, chainage, edits, kept, int(run), reach)
        for row, lost in told.items():
            kept.remove(row)
            refused[row] = _too_much(lost, edits.iloc[row], reach, say)
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
    return _renewed(plain, _applied(sites, chainage, edits, reach), costs, runs)


def _without(plain: ChosenPits, sites: Sites, costs: PullCosts, placed: BoolArray) -> ChosenPits:
    """Choose again, without any edit, the runs that have candidates for an edit alone."""
    runs = np.unique(row_of(sites.offsets)[placed])
    if not len(runs):
        return plain
    cost = np.where(placed[:, None], np.inf, sites.cost)
    return _renewed(plain, dataclasses.replace(sites, cost=cost), costs, runs)


def _renewed(plain: ChosenPits, sites: Sites, costs: PullCosts, runs: IntArray) -> ChosenPits:
    """Return a choice with some runs chosen again from their sites, which are others now."""
    part = _of_runs(sites, runs)
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


def _rows(sites: Sites, run: int) -> slice:
    return slice(int(sites.offsets[run]), int(sites.offsets[run + 1]))


def _fixed_row(sites: Sites, chainage: FloatArray, run: int, at: float) -> int:
    rows = _rows(sites, run)
    return int(rows.start + np.argmin(np.abs(chainage[rows] - at)))


def _roles(role: object) -> IntArray:
    """Return the roles an edit is about: the one it names, or all."""
    return np.array([ROLES.index(str(role))] if role in ROLES else range(4), dtype=np.int64)


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
    at = _fixed_row(sites, chainage, int(edit["run"]), float(edit["chainage"]))
    if np.isfinite(sites.cost[at, _roles(edit["role"])]).any():
        return True
    refused[row] = f"a pit may not stand there in that role ({reason(at)})"
    return False


def _applied(sites: Sites, chainage: FloatArray, edits: pd.DataFrame, reach: float) -> Sites:
    """Return the sites with the edits in force."""
    cost = sites.cost.copy()
    ahead, behind = sites.reach_ahead.copy(), sites.reach_behind.copy()
    floor, roof = sites.floor.copy(), sites.roof.copy()
    for run, at, action, role in zip(
        edits["run"].astype(int).tolist(),
        edits["chainage"].astype(float).tolist(),
        edits["action"],
        edits["role"],
        strict=True,
    ):
        rows = _rows(sites, run)
        if action == "forbid":
            opens = (sites.start[rows] < at + reach) & (sites.end[rows] > at - reach)
            cost[rows][opens & np.isin(np.arange(4), _roles(role))] = np.inf
            continue
        wanted = _wanted(sites, chainage, run, at, role)
        covers = (sites.start[rows] <= at) & (sites.end[rows] >= at)
        cost[rows][covers & ~wanted] = np.inf
        low, high = sites.end[rows] <= at, sites.start[rows] >= at
        ahead[rows] = np.where(low, np.minimum(ahead[rows], at), ahead[rows])
        roof[rows] = np.where(low, np.minimum(roof[rows], at), roof[rows])
        behind[rows] = np.where(high, np.maximum(behind[rows], at), behind[rows])
        floor[rows] = np.where(high, np.maximum(floor[rows], at), floor[rows])
    return dataclasses.replace(
        sites, cost=cost, reach_ahead=ahead, reach_behind=behind, floor=floor, roof=roof
    )


def _wanted(
    sites: Sites, chainage: FloatArray, run: int, at: float, role: object
) -> npt.NDArray[np.bool_]:
    """Return the states that are the fixed pit, shape (candidates of the run, 4)."""
    rows = _rows(sites, run)
    wanted = np.zeros((rows.stop - rows.start, 4), dtype=bool)
    wanted[np.abs(chainage[rows] - at) <= AT] = np.isin(np.arange(4), _roles(role))
    return wanted


def _of_runs(sites: Sites, runs: IntArray) -> Sites:
    """Return the sites of some runs, as if they were all."""
    return sites.at(
        take(sites.offsets, runs),
        offsets=offsets_of(np.diff(sites.offsets)[runs]),
        lengths=sites.lengths[runs],
    )


def _joined(
    sites: Sites,
    costs: PullCosts,
    chainage: FloatArray,
    edits: pd.DataFrame,
    kept: list[int],
    run: int,
    reach: float,
) -> dict[int, _Lost]:
    """Return each edit of a run that is left out for the largest set that leaves it a plan."""
    mine = [row for row in kept if int(edits.iloc[row]["run"]) == run]
    alone, own = (
        _of_runs(sites, np.array([run])),
        dataclasses.replace(costs, per_length=costs.per_length[run : run + 1]),
    )
    at = chainage[_rows(sites, run)]

    def chosen(rows: frozenset[int]) -> ChosenPits:
        tried = edits.iloc[sorted(rows)].assign(run=0)
        return choose_pits(_applied(alone, at, tried, reach), own)

    tries = Tries(lambda rows: float(chosen(rows).cost[0]), {frozenset(mine): np.inf})
    forbids = frozenset(row for row in mine if edits.iloc[row]["action"] == "forbid")
    taken = largest_set(mine, forbids, tries)
    lost: dict[int, _Lost] = {}
    for row in sorted({*mine} - {*taken}):
        covered = float(chosen(frozenset([*taken, row])).covered[0])
        others = sorted(in_the_way(taken, frozenset([row]), tries) - {row})
        other = edits.iloc[others[0]] if len(others) == 1 else None
        over = other is not None and _over(alone, at, edits.iloc[row], other)
        lost[row] = _Lost(covered, other, over)
    return lost


def _over(sites: Sites, chainage: FloatArray, one: pd.Series, two: pd.Series) -> bool:
    """Say whether two pits fixed on the only run would cover the place of one of the two."""
    if {one["action"], two["action"]} != {"fix"}:
        return False
    for pit, place in ((one, two), (two, one)):
        states = _wanted(sites, chainage, 0, float(pit["chainage"]), pit["role"])
        states &= np.isfinite(sites.cost)
        at = float(place["chainage"])
        if ((sites.start <= at) & (sites.end >= at))[states].all():
            return True
    return False


def _too_much(lost: _Lost, edit: pd.Series, reach: float, say: Callable[[float], str]) -> str:
    """Say that an edit would leave its run no plan, and where it would end, or by which other."""
    if lost.other is not None:
        word = "pit fixed" if lost.other["action"] == "fix" else "stretch forbidden"
        why = ": one of the two pits would cover the place of the other" if lost.over else ""
        place = say(float(lost.other["chainage"]))
        return f"no plan of the run honours it and the {word} at {place} as well{why}"
    covered = lost.covered
    where = f"pits and pulls would reach {say(covered)} from the start and no farther"
    if covered <= 0:
        where = "no pit could stand at its start"
    pits = f"{edit['role']} pits" if edit["role"] else "pits"
    setting = f" (it keeps {say(reach)} either side free of {pits}: pits.forbid_reach)"
    return (
        "with it the run could no longer be lined whole: "
        + where
        + (setting if edit["action"] == "forbid" else "")
    )
