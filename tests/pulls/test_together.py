"""Which edits go together: the largest set, found with few plans, whatever way a run is drawn."""

from __future__ import annotations

import math
from itertools import chain, combinations

from hypothesis import given
from hypothesis import strategies as st

from geotools.pulls.together import MOST, TRIES, Tries, in_the_way, largest_set

Rows = frozenset[int]


def _tries(contradictions: list[Rows], cost: dict[int, float] | None = None) -> Tries:
    """Return plans that fail where a contradiction is whole; each edit costs something."""

    def plan(rows: Rows) -> float:
        if any(one <= rows for one in contradictions):
            return math.inf
        return sum((cost or {}).get(row, 1.0) for row in rows)

    return Tries(plan)


def _by_trying_all(rows: list[int], forbids: Rows, tries: Tries) -> list[int]:
    every = chain.from_iterable(combinations(rows, n) for n in range(len(rows) + 1))
    sets = [frozenset(some) for some in every]
    ranked = [
        (-len(some), -len(some & forbids), tries.plan(some), sorted(some))
        for some in sets
        if math.isfinite(tries.plan(some))
    ]
    return min(ranked)[-1]


CONTRADICTIONS = st.lists(st.frozensets(st.integers(0, 7), min_size=1, max_size=4), max_size=6)


@given(
    CONTRADICTIONS,
    st.frozensets(st.integers(0, 7)),
    st.lists(st.integers(1, 4), min_size=8, max_size=8),
)
def test_the_set_kept_is_the_largest_with_most_prohibitions_then_cheapest_then_first(
    contradictions: list[Rows], forbids: Rows, cost: list[int]
) -> None:
    rows, tries = list(range(8)), _tries(contradictions, dict(enumerate(map(float, cost))))
    assert largest_set(rows, forbids, tries) == _by_trying_all(rows, forbids, tries)


@given(CONTRADICTIONS, st.frozensets(st.integers(0, 7)), st.permutations(range(8)))
def test_where_costs_differ_the_set_kept_hangs_on_no_direction(
    contradictions: list[Rows], forbids: Rows, dearer: list[int]
) -> None:
    cost = {row: 2.0**place for row, place in enumerate(dearer)}
    one_way = largest_set(range(8), forbids, _tries(contradictions, cost))
    other = largest_set(range(7, -1, -1), forbids, _tries(contradictions, cost))
    assert one_way == other


@given(CONTRADICTIONS.filter(bool))
def test_what_is_in_the_way_is_a_contradiction_with_nothing_needless_in_it(
    contradictions: list[Rows],
) -> None:
    tries = _tries(contradictions)
    found = in_the_way(range(8), frozenset(), tries.goes)
    assert math.isinf(tries.plan(found))
    assert all(math.isfinite(tries.plan(found - {row})) for row in found)


def test_edits_that_all_go_together_are_tried_once() -> None:
    tries = _tries([])
    assert largest_set(range(40), frozenset(), tries) == list(range(40))
    assert len(tries.known) == 1


def test_few_contradictions_among_many_edits_are_solved_exactly_with_few_plans() -> None:
    contradictions = [frozenset({10, 11}), frozenset({11, 12}), frozenset({30, 35, 39})]
    tries = _tries(contradictions, {30: 5.0})
    assert largest_set(range(40), frozenset(), tries) == [
        row for row in range(40) if row not in (11, 30)
    ]
    assert len(tries.known) < 50


def test_beyond_a_dozen_in_contradiction_prohibitions_go_first_then_those_from_the_start() -> None:
    count = 4 * MOST
    pairs = [frozenset(pair) for pair in combinations(range(count), 2)]
    tries = _tries(pairs)
    assert largest_set(range(count), frozenset({20, 30}), tries) == [20]
    assert largest_set(range(count), frozenset(), _tries(pairs)) == [0]
    assert len(tries.known) <= TRIES + 2 * count


def test_of_a_great_contradiction_no_more_is_sought_than_is_told_of() -> None:
    tries = _tries([frozenset(range(300))])
    found = in_the_way(range(1, 300), frozenset([0]), tries.goes)
    assert len(found) == MOST + 2
    assert 0 in found
    assert len(tries.known) < 10 * MOST


def test_hundreds_of_pits_are_counted_and_not_tried() -> None:
    pairs = [frozenset(pair) for pair in combinations(range(300), 2)]
    tries = Tries(_tries(pairs).plan, lambda pits, _forbids: [pits[7]])
    assert largest_set(range(300), frozenset(), tries) == [7]
    assert len(tries.known) == 1


def test_of_hundreds_of_pits_those_are_counted_that_go_with_the_prohibitions_kept() -> None:
    count = 60
    pairs = [frozenset(pair) for pair in combinations(range(count), 2) if 50 not in pair]
    pairs.append(frozenset({50, 0}))  # a prohibition and a pit
    plan = _tries(pairs).plan
    told = Tries(plan, lambda _pits, forbids: [1] if forbids else [0])
    assert largest_set(range(count), frozenset({50}), told) == [1, 50]
