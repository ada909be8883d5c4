"""The most fixed pits of a run that go together: counted by the optimiser, before any cost.

A plan leads past every fixed pit: through a state that is this pit, or over it with another pit or
a pull. So each pit left out is a fine on what leads over it, fines are costs of pits and pulls like
all others, and the plan with the fewest is found in one go, however many pits there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray
from geotools.network.stretches import EDGE
from geotools.pulls.in_force import Alone, applied
from geotools.pulls.optimise import TIE, PullCosts, Sites, StringDays, choose_pits, costs_up_to
from geotools.pulls.ways import costs_back_to

__all__ = ["most_pits"]

DEAR = 4.0  # times the plan without edits: a fine to begin with
DEARER, TIMES = 1_000.0, 3  # if the plan would rather pay it: how much more next, and how often


@dataclass(frozen=True)
class _Fined:
    """A run on which pits left out are counted.

    ``covered`` are those a state covers and is not, shape (n, 4); ``before`` and ``up_to`` those
    before its first edge and up to its second; ``fewest`` those that every way from the start to
    it leaves out, infinite where none leads there.
    """

    sites: Sites
    covered: FloatArray
    before: FloatArray
    up_to: FloatArray
    fewest: FloatArray

    @property
    def least(self) -> float:
        """The fewest that a plan leaves out."""
        return float(np.min(self.fewest[self.ends], initial=np.inf))

    @property
    def ends(self) -> BoolArray:
        """States a plan may end with, shape (n, 4)."""
        at_end = self.sites.end >= self.sites.lengths[0] - EDGE
        return np.asarray(at_end & (np.arange(4) % 2 == 0))  # it inserts no pull ahead


def most_pits(alone: Alone, pits: Sequence[int], forbids: frozenset[int]) -> list[int] | None:
    """Return the most of some fixed pits that go together, and with these prohibitions.

    Of sets as large that with the cheapest plan, of these the one that keeps what comes first;
    in order from the start, as ``pits`` are. None if no plan honours the prohibitions, or the set
    could not be told for sure.
    """
    edits = alone.edits.iloc[list(pits)].assign(run=0)
    wanted = {row: alone.wanted(row) for row in pits}
    fined = _fined(alone.under(forbids), alone.costs, edits, list(wanted.values()))
    if not np.isfinite(fined.least):
        return None
    count = len(pits) - round(fined.least)
    costs = replace(alone.costs, connection=1.0)
    fine = DEAR * float(choose_pits(fined.sites, alone.costs).cost[0])
    for _ in range(TIMES):
        sites = _with_fines(fined, alone.costs.connection, fine)
        plan = choose_pits(sites, costs)
        through = np.zeros(sites.cost.size, dtype=bool)
        through[plan.states] = True
        taken = [row for row in pits if through[wanted[row].ravel()].any()]
        if len(taken) == count:
            bar = float(plan.cost[0])
            return _first(alone, sites, costs, wanted, count, bar + TIE * max(1.0, bar))
        fine *= DEARER
    return None


def _fined(sites: Sites, costs: PullCosts, edits: pd.DataFrame, wanted: list[BoolArray]) -> _Fined:
    """Count the pits left out, and nothing else, on every way through a run."""
    at = np.sort(edits["chainage"].to_numpy(dtype=float))
    before = np.searchsorted(at, sites.start, side="left").astype(float)
    up_to = np.searchsorted(at, sites.end, side="right").astype(float)
    covered = up_to - before - np.sum(wanted, axis=0)
    bare = replace(
        costs,
        setup=0.0,
        per_length=np.zeros(1),
        joint=0.0,
        connection=1.0,
        string_joint=0.0,
        days=StringDays(),
    )
    counted = replace(
        sites,
        cost=np.where(np.isfinite(sites.cost), covered, np.inf),
        passed_start=before,
        passed_end=up_to,
    )
    return _Fined(sites, covered, before, up_to, costs_up_to(counted, bare))


def _with_fines(fined: _Fined, connection: float, fine: float) -> Sites:
    """Return the sites with a fine on every pit left out beyond the fewest on the way there.

    So the fewest cost nothing, and costs keep all their digits. Digs are money.
    """
    reached = np.isfinite(fined.fewest)
    fewest = np.where(reached, fined.fewest, 0.0)
    lost = ~reached | (fined.ends & (fewest > fined.least + 0.5))
    sites = fined.sites
    return replace(
        sites,
        cost=np.where(lost, np.inf, sites.cost),
        passed_start=connection * sites.passed_start
        + fine * (fined.before + fined.covered - fewest),
        passed_end=connection * sites.passed_end + fine * (fined.up_to - fewest),
    )


def _first(
    alone: Alone,
    sites: Sites,
    costs: PullCosts,
    wanted: dict[int, BoolArray],
    count: int,
    bar: float,
) -> list[int] | None:
    """Return the first from the start of the sets of so many pits that cost no more than a bar."""
    back = costs_back_to(sites, costs)
    there, taken, left = costs_up_to(sites, costs), list[int](), list(wanted)
    while len(taken) < count:
        with np.errstate(invalid="ignore"):  # no way there, and no cost either
            cheap = there + back - sites.cost <= bar
        may = [row for row in left if cheap[wanted[row]].any()]
        if not may:
            return None
        if len(taken) + len(may) == count:
            return [*taken, *may]
        taken.append(may[0])
        left = may[1:]
        kept = alone.edits.iloc[taken].assign(run=0)
        there = costs_up_to(applied(sites, alone.chainage, kept, alone.reach), costs)
    return taken
