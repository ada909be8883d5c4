"""Which of the edits of a run go together: the largest set of them that leaves it a plan.

Of sets as large, the one with more prohibitions, which are mostly there for safety; of these the
cheapest plan; of these the one that keeps what comes first from the start. None but the last rule
hangs on the way a run is drawn. An edit only takes choices away, so that what does not go with a
few does not go with more: contradictions are sought, as small as can be, until a set that leaves
out one of each is a plan. Beyond some contradictions this takes too long: prohibitions are then
taken up one by one, and of the pits the most that go with these, which the optimiser counts. Where
pits alone are asked for it counts them at once.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations, islice

from geotools.pulls.optimise import TIE

__all__ = ["MOST", "Tries", "in_the_way", "largest_set"]

MOST = 12  # edits in contradiction, of a run; with more prohibitions are taken up one by one
TRIES = 200  # plans made to find out; beyond, the same

Rows = frozenset[int]


@dataclass
class Tries:
    """What the plan costs that honours some edits, each set of them tried once.

    ``plan`` returns the cost, infinite where there is no plan. ``most``, if there is one, returns
    the most of some pits that go with some prohibitions, the cheapest and then the first of sets
    as large; None if it cannot tell. What follows from a set tried before, larger or smaller, is
    not tried again.
    """

    plan: Callable[[Rows], float]
    most: Callable[[Sequence[int], Rows], list[int] | None] | None = None
    known: dict[Rows, float] = field(default_factory=dict)
    _seen: tuple[list[int], list[int]] = field(default_factory=lambda: ([], []))

    def cost(self, rows: Rows) -> float:
        """Return what the plan costs that honours these edits."""
        if rows not in self.known:
            self.known[rows] = self.plan(rows)
            self._seen[math.isinf(self.known[rows])].append(_bits(rows))
        return self.known[rows]

    def goes(self, rows: Rows) -> bool:
        """Tell whether a plan honours these edits."""
        bits = _bits(rows)
        if any(bits & tried == bits for tried in self._seen[False]):
            return True
        if any(bits & tried == tried for tried in self._seen[True]):
            return False
        return not math.isinf(self.cost(rows))


def _bits(rows: Rows) -> int:
    """Return a set of edits as a number: of many sets one is quickly told to be in another."""
    return sum(1 << row for row in rows)


def largest_set(rows: Sequence[int], forbids: Rows, tries: Tries) -> list[int]:
    """Return the edits to keep, of these in order from the start; ``forbids`` are prohibitions."""
    every = frozenset(rows)
    found: list[Rows] = []
    pits = [row for row in rows if row not in forbids]
    told = _most(pits, frozenset(), tries)
    if told is not None and (len(pits) == len(every) or _too_many(pits, told, tries)):
        return told if len(pits) == len(every) else _one_by_one(rows, forbids, tries)
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
        found.append(in_the_way(sorted(every - outs[0]), frozenset(), tries.goes))


def _most(pits: Sequence[int], forbids: Rows, tries: Tries) -> list[int] | None:
    """Return the most pits that go with prohibitions, if that can be told and a plan honours it."""
    told = tries.most(pits, forbids) if tries.most and pits else None
    return told if told is not None and tries.goes(forbids.union(told)) else None


def _too_many(pits: Sequence[int], told: Sequence[int], tries: Tries) -> bool:
    """Tell whether more pits contradict each other than sets are tried of.

    Of those left out even without a prohibition, each is in a contradiction, or has no plan alone.
    """
    alone = (row for row in {*pits} - {*told} if tries.goes(frozenset([row])))
    return len(list(islice(alone, MOST + 1))) > MOST


def in_the_way(rows: Sequence[int], core: Rows, goes: Callable[[Rows], bool]) -> Rows:
    """Return few of some edits that do not go together, with ``core``, which is among them.

    Were any of them but ``core`` left out, the others would go. The first ones are preferred.
    ``goes`` tells whether a plan honours some edits. Where more than `MOST` others are in the way
    it stops at one more than that, which may well go together.
    """
    rows = list(rows)
    while len(core) < MOST + 2 and goes(core):
        count = bisect_left(range(len(rows)), True, key=lambda n: not goes(core | {*rows[: n + 1]}))
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
    """Take up prohibitions one by one, each that goes with those before, then the most pits.

    Where the most cannot be told, pits too are taken up one by one.
    """
    kept = _taken_up([row for row in rows if row in forbids], frozenset(), tries)
    pits = [row for row in rows if row not in forbids]
    most = _most(pits, kept, tries)
    return sorted(_taken_up(pits, kept, tries) if most is None else kept.union(most))


def _taken_up(rows: Sequence[int], kept: Rows, tries: Tries) -> Rows:
    """Take up edits one by one, each that goes with those before and those kept already."""
    for row in rows:
        if tries.goes(kept | {row}):
            kept |= {row}
    return kept
