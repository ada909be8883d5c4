"""Which of the edits of a run go together: the largest set of them that leaves it a plan.

Of sets as large, the one with more prohibitions, which are mostly there for safety; of these the
cheapest plan; of these the one that keeps what comes first from the start. None but the last rule
hangs on the way a run is drawn. An edit only takes choices away, so that what does not go with a
few does not go with more: contradictions are sought, as small as can be, until a set that leaves
out one of each is a plan. Beyond some contradictions this takes too long: the edits are then
taken up one by one, prohibitions first.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from geotools.pulls.optimise import TIE

__all__ = ["MOST", "Tries", "in_the_way", "largest_set"]

MOST = 12  # edits in contradiction, of a run; with more they are taken up one by one
TRIES = 200  # plans made to find out; beyond, the same

Rows = frozenset[int]


@dataclass
class Tries:
    """What the plan costs that honours some edits, each set of them tried once.

    ``plan`` returns the cost, infinite where there is no plan. What follows from a set tried
    before, larger or smaller, is not tried again.
    """

    plan: Callable[[Rows], float]
    known: dict[Rows, float] = field(default_factory=dict)

    def cost(self, rows: Rows) -> float:
        """Return what the plan costs that honours these edits."""
        if rows not in self.known:
            self.known[rows] = self.plan(rows)
        return self.known[rows]

    def goes(self, rows: Rows) -> bool:
        """Tell whether a plan honours these edits."""
        for tried, cost in self.known.items():
            if math.isinf(cost) and tried <= rows:
                return False
            if not math.isinf(cost) and rows <= tried:
                return True
        return not math.isinf(self.cost(rows))


def largest_set(rows: Sequence[int], forbids: Rows, tries: Tries) -> list[int]:
    """Return the edits to keep, of these in order from the start; ``forbids`` are prohibitions."""
    every = frozenset(rows)
    found: list[Rows] = []
    while True:
        contested = frozenset[int]().union(*(one for one in found if len(one) > 1))
        outs = _least_left_out(found, contested, forbids) if len(contested) <= MOST else []
        if not outs or len(tries.known) + len(outs) > TRIES:
            return _one_by_one(rows, forbids, tries)
        costs = {every - out: tries.cost(every - out) for out in outs}
        least = min(costs.values())
        if not math.isinf(least):
            bar = least + TIE * max(1.0, abs(least))
            return min(sorted(kept) for kept, cost in costs.items() if cost <= bar)
        found.append(in_the_way(sorted(every - outs[0]), frozenset(), tries))


def in_the_way(rows: Sequence[int], core: Rows, tries: Tries) -> Rows:
    """Return few of some edits that do not go together, with ``core``, which is among them.

    Were any of them but ``core`` left out, the others would go. The first ones are preferred.
    """
    rows = list(rows)
    while tries.goes(core):
        count = bisect_left(
            range(len(rows)), True, key=lambda n: not tries.goes(core | {*rows[: n + 1]})
        )
        core, rows = core | {rows[count]}, rows[:count]
    return core


def _least_left_out(found: list[Rows], contested: Rows, forbids: Rows) -> list[Rows]:
    """Return the best sets to leave out so that no contradiction found stays whole.

    They are the smallest, and of these those with the fewest prohibitions.
    """
    alone = frozenset[int]().union(*(one for one in found if len(one) == 1))
    open_ = [one for one in found if not one & alone]
    for count in range(len(contested) + 1):
        tried = map(frozenset, combinations(sorted(contested - alone), count))
        outs = [out for out in tried if all(out & one for one in open_)]
        if outs:
            fewest = min(len(out & forbids) for out in outs)
            return [out | alone for out in outs if len(out & forbids) == fewest]
    return [alone]


def _one_by_one(rows: Sequence[int], forbids: Rows, tries: Tries) -> list[int]:
    """Take up edits one by one, prohibitions first, each that goes with those before."""
    kept = frozenset[int]()
    for row in sorted(rows, key=lambda row: row not in forbids):
        if tries.goes(kept | {row}):
            kept |= {row}
    return sorted(kept)
