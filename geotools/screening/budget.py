"""The budget along a ranking: what runs cost down to each, and which a budget holds.

Runs are taken in the order of the ranking. One that does not fit into what is left is passed over
for a later one that does: a dear run on top would else leave the rest of the money idle. Runs that
are not suitable are not lined, and no part of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["BudgetLine", "budget_line"]

SLACK = 1e-9  # of a budget; a sum meant to be exactly it fits


class BudgetLine(NamedTuple):
    """The sum of costs down to each run, whether it is in the budget, and what is left of that.

    NaN of runs that are no part of it, or where there is no budget.
    """

    running: FloatArray
    within: FloatArray
    left: FloatArray


def budget_line(
    place: IntArray, cost: FloatArray, out: BoolArray, budget: float | None
) -> BudgetLine:
    """Add costs up by place, and fill a budget.

    Parameters
    ----------
    place : ndarray of int64, shape (n,)
        Place of each run, from 1.
    cost : ndarray, shape (n,)
        NaN where not known: the run is no part of the sum, and in no budget.
    out : ndarray of bool, shape (n,)
        Not suitable.
    budget : float or None
    """
    running, within, left = (np.full(len(place), np.nan) for _ in range(3))
    order = np.argsort(place)
    some = order[(~out & np.isfinite(cost))[order]]
    running[some] = np.cumsum(cost[some])
    if budget is None:
        return BudgetLine(running, within, left)
    rest = budget
    for run, price in zip(some.tolist(), cost[some].tolist(), strict=True):
        fits = price <= rest + SLACK * budget
        rest = max(rest - price, 0.0) if fits else rest
        within[run], left[run] = float(fits), rest
    return BudgetLine(running, within, left)
