"""Ways through a run: which of its states lie on a plan, whatever that costs.

A plan honours a fixed pit if it leads through a state that is this pit. So one look from either
end, under some edits, says of every pit whether it goes with these, where a plan each would have
to be made.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray
from geotools.pulls.explain import SWAPPED, mirrored
from geotools.pulls.in_force import Alone
from geotools.pulls.optimise import PullCosts, Sites, costs_up_to

__all__ = ["Ways", "costs_back_to"]

Rows = frozenset[int]


def costs_back_to(sites: Sites, costs: PullCosts) -> FloatArray:
    """Return what the cheapest pits and pulls from each state to the end cost, its own with it."""
    return costs_up_to(mirrored(sites, 0), costs)[::-1][:, SWAPPED]


@dataclass(frozen=True)
class Ways:
    """Ways through a run under edits, each set of them looked at once."""

    alone: Alone
    known: dict[tuple[Rows, float | None], BoolArray] = field(default_factory=dict)
    wanted: dict[int, BoolArray] = field(default_factory=dict)

    def goes(self, row: int, others: Collection[int], least_length: float | None = None) -> bool:
        """Tell whether a plan honours a fixed pit and other edits; ``least_length`` as of `Alone`.

        ``others`` may hold the pit itself.
        """
        case = frozenset(others) - {row}, least_length
        if case not in self.known:
            self.known[case] = self._on_a_plan(*case)
        if row not in self.wanted:
            self.wanted[row] = self.alone.wanted(row)
        return bool(self.known[case][self.wanted[row]].any())

    def _on_a_plan(self, rows: Rows, least_length: float | None) -> BoolArray:
        costs = self.alone.costs
        if least_length is not None:
            costs = replace(costs, least_length=least_length)
        sites = self.alone.under(rows)
        there, back = costs_up_to(sites, costs), costs_back_to(sites, costs)
        return np.asarray(np.isfinite(there) & np.isfinite(back))
