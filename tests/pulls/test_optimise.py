"""Rules of the optimiser one by one; its optimality is proved in tests/outside/test_optimum.py."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from geotools import accel
from geotools.network.stretches import EDGE
from geotools.pipe.fusion import piece_count
from geotools.pulls.explain import mirrored
from geotools.pulls.optimise import (
    TIE,
    PullCosts,
    Sites,
    StringDays,
    choose_pits,
    day_of_strings,
    longest_string,
    pull_cost,
    string_count,
)
from geotools.schema import AHEAD, BEHIND, BOTH, RECEIVING

COSTS = PullCosts(
    setup=1000.0,
    per_length=np.array([10.0]),
    joint=0.0,
    piece_length=1e6,
    connection=0.0,
    least_length=5.0,
)
INF = np.inf


def _sites(
    at: list[float], cost: list[list[float]], *, longest: float = 1e4, **fields: Any
) -> Sites:
    """One run with pits of 2 m before and after every place."""
    length = fields.pop("length", at[-1])
    shape = (len(at), 4)
    start = np.tile(np.array(at)[:, None] - 2.0, 4)
    end = start + 4.0
    roof = np.minimum(end + longest, length)
    floor = np.maximum(start - longest, 0.0)
    return Sites(
        offsets=np.array([0, len(at)]),
        lengths=np.array([length]),
        start=start,
        end=end,
        cost=np.array(cost, dtype=float),
        reach_ahead=fields.get("reach_ahead", roof),
        reach_behind=fields.get("reach_behind", floor),
        floor=floor,
        roof=roof,
        passed_start=fields.get("passed_start", np.zeros(shape)),
        passed_end=fields.get("passed_end", np.zeros(shape)),
    )


def _plan(sites: Sites, costs: PullCosts = COSTS) -> list[tuple[int, int]]:
    return [(int(s) // 4, int(s) % 4) for s in choose_pits(sites, costs).states]


def test_a_run_shorter_than_a_pit_is_one_receiving_pit() -> None:
    sites = _sites([1.0], [[5.0, 1.0, 1.0, 1.0]], length=3.0)
    choice = choose_pits(sites, COSTS)
    assert choice.states.tolist() == [RECEIVING]
    assert choice.cost.tolist() == [5.0]


def test_one_insertion_pit_serves_both_ways() -> None:
    cost = [[10.0, INF, INF, INF], [INF, INF, INF, 50.0], [10.0, INF, INF, INF]]
    sites = _sites([0.0, 100.0, 200.0], cost)
    assert _plan(sites) == [(0, RECEIVING), (1, BOTH), (2, RECEIVING)]
    # two pits of 10, one of 50, two pulls of 96 m (edge to edge) at 1000 + 10 a metre
    assert choose_pits(sites, COSTS).cost[0] == pytest.approx(70 + 2 * (1000 + 960))


def test_a_receiving_pit_may_take_in_pulls_from_both_sides() -> None:
    cost = [[INF, 5.0, INF, INF], [7.0, INF, INF, INF], [INF, INF, 5.0, INF]]
    assert _plan(_sites([0.0, 100.0, 200.0], cost)) == [(0, AHEAD), (1, RECEIVING), (2, BEHIND)]


def test_a_one_way_insertion_pit_may_take_in_the_pull_before_it() -> None:
    cost = [[INF, 5.0, INF, INF], [INF, 5.0, INF, INF], [5.0, INF, INF, INF]]
    sites = _sites([0.0, 100.0, 200.0], cost, longest=150.0)
    assert _plan(sites) == [(0, AHEAD), (1, AHEAD), (2, RECEIVING)]


def test_two_ends_that_both_receive_have_no_plan() -> None:
    cost = [[1.0, INF, INF, INF], [1.0, INF, INF, INF]]
    choice = choose_pits(_sites([0.0, 100.0], cost), COSTS)
    assert choice.cost.tolist() == [INF]
    assert choice.states.size == 0
    assert choice.covered.tolist() == [2.0]


def test_a_pull_never_exceeds_the_reach_of_the_side_it_is_inserted_from() -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, 9.0, INF]]
    sites = _sites([0.0, 100.0], cost)
    assert _plan(sites) == [(0, AHEAD), (1, RECEIVING)]
    short = replace(sites, reach_ahead=np.full((2, 4), 97.9))
    assert _plan(short) == [(0, RECEIVING), (1, BEHIND)]
    assert _plan(replace(short, reach_behind=np.full((2, 4), 2.1))) == []


def test_a_pull_shorter_than_the_least_is_none() -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, INF, INF]]
    assert _plan(_sites([0.0, 9.0], cost)) == [(0, AHEAD), (1, RECEIVING)]  # 5 m between edges
    assert _plan(_sites([0.0, 8.9], cost)) == []


def test_a_pull_may_be_as_long_as_the_longest_and_no_longer() -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, INF, INF]]
    assert _plan(_sites([0.0, 100.0], cost, longest=96.0))  # 96 m from edge to edge
    assert not _plan(_sites([0.0, 100.0], cost, longest=95.9))


def test_a_place_too_near_in_one_role_may_do_in_another() -> None:
    cost = [[5.0, 1.0, INF, INF], [1.0, INF, 9.0, INF], [INF, INF, 5.0, INF]]
    sites = _sites([0.0, 100.0, 110.0], cost, longest=100.0)
    assert _plan(sites) == [(0, AHEAD), (1, RECEIVING), (2, BEHIND)]
    sites.end[1, RECEIVING] = 104.0  # 4 m to the last pit, 6 m from where the place inserts behind
    assert _plan(sites) == [(0, RECEIVING), (1, BEHIND), (2, BEHIND)]


def test_a_pull_of_nothing_has_no_joint_and_not_one_less() -> None:
    cost = [[INF, 5.0, INF, INF], [5.0, INF, INF, INF]]
    sites = _sites([0.0, 4.0], cost, length=6.0)  # the pits touch
    day = np.full((2, 1), 100.0)
    lanes = replace(sites, string_day_ahead=day, string_day_behind=day)
    costs = replace(COSTS, joint=70.0, least_length=0.0, days=StringDays(joint=0.5, least=0.25))
    choice = choose_pits(lanes, costs)
    assert choice.states.tolist() == [AHEAD, 4 + RECEIVING]
    assert choice.cost[0] == pytest.approx(5.0 + 5.0 + 1000.0 + 0.25 * 100.0)


def test_a_joint_less_than_the_pieces_is_fused_in_the_street() -> None:
    sites = _sites([0.0, 100.0], [[5.0, 1.0, INF, INF], [5.0, INF, INF, INF]])
    day = np.full((2, 1), 100.0)
    lanes = replace(sites, string_day_ahead=day, string_day_behind=day)
    costs = replace(COSTS, piece_length=12.0, days=StringDays(joint=0.5))
    plain = choose_pits(sites, costs).cost[0]
    # 96 m are 8 pieces: 7 joints of half a day
    assert choose_pits(lanes, costs).cost[0] == pytest.approx(plain + 7 * 0.5 * 100.0)


def test_the_longest_pull_holds_for_both_ends_of_a_pull() -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, INF, INF]]
    sites = _sites([0.0, 100.0], cost)
    assert _plan(sites)
    assert not _plan(replace(sites, roof=np.full((2, 4), 97.0)))
    assert not _plan(replace(sites, floor=np.full((2, 4), 3.0)))


def test_joints_are_those_between_whole_pieces() -> None:
    costs = replace(COSTS, setup=0.0, per_length=np.zeros(1), joint=1.0, piece_length=12.0)
    length = np.array([5.0, 12.0, 12.0001, 24.0, 24.1])
    joints = pull_cost(length, np.zeros(5), np.ones(5), costs, np.zeros(5, dtype=np.int64))
    assert joints.tolist() == [0, 0, 1, 1, 2]


def test_connections_between_the_edges_of_pits_are_paid_for() -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, INF, INF]]
    passed = _sites(
        [0.0, 100.0],
        cost,
        passed_start=np.array([[0.0] * 4, [4.0] * 4]),
        passed_end=np.array([[1.0] * 4, [4.0] * 4]),
    )
    dear = replace(COSTS, connection=70.0)
    plain = choose_pits(passed, COSTS).cost[0]
    assert choose_pits(passed, dear).cost[0] == pytest.approx(plain + 3 * 70.0)


def test_every_string_joined_on_during_a_pull_costs_a_joint_more() -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, 9.0, INF]]
    sites = _sites([0.0, 100.0], cost)  # 96 m of pipe: 8 pieces of 12 m
    costs = replace(COSTS, piece_length=12.0, string_joint=50.0)
    plain = choose_pits(sites, costs).cost[0]
    for room, strings in ((8.0, 1), (7.0, 2), (3.0, 3), (1.0, 8)):
        crowded = replace(
            sites, pieces_ahead=np.full((2, 4), room), pieces_behind=np.full((2, 4), 1.0)
        )
        choice = choose_pits(crowded, costs)
        assert choice.cost[0] == pytest.approx(plain + 50.0 * (strings - 1))
        assert choice.states.tolist() == [AHEAD, 4 + RECEIVING]


def test_strings_cost_nothing_but_what_is_said_of_them() -> None:
    length, run = np.array([100.0]), np.zeros(1, dtype=np.int64)
    bare = replace(COSTS, piece_length=12.0)
    (cost,) = pull_cost(length, np.zeros(1), np.array([3.0]), bare, run, day=500.0)
    assert cost == 1000.0 + 10.0 * 100.0


def test_a_pull_has_no_more_strings_than_its_pieces_need() -> None:
    pieces, room = np.array([8.0, 8.0, 8.0, 8.0, 1.0]), np.array([INF, 8.0, 7.0, 3.0, 1.0])
    assert string_count(pieces, room).tolist() == [1, 1, 2, 3, 1]


@pytest.mark.parametrize("turned", [False, True])
def test_among_plans_of_one_cost_the_more_even_pulls_are_kept(turned: bool) -> None:
    free = [1.0, 1.0, 1.0, 1.0]
    sites = _sites([0.0, 100.0, 160.0, 210.0, 300.0], [free] * 5, longest=250.0)
    if turned:
        sites = mirrored(sites, 0)
    chosen = [row for row, _ in _plan(sites)]
    # one pit between the ends will do; 160 m parts 300 m most evenly
    assert chosen == [0, 2, 4]


def test_the_order_of_equal_plans_does_not_depend_on_other_runs() -> None:
    one = _sites([0.0, 100.0, 200.0], [[1.0] * 4] * 3, longest=150.0)
    arrays = {
        name: np.concatenate([getattr(one, name)] * 3)
        for name in vars(one)
        if name not in ("offsets", "lengths") and getattr(one, name) is not None
    }
    many = Sites(offsets=np.array([0, 3, 6, 9]), lengths=np.full(3, 200.0), **arrays)
    choice = choose_pits(many, replace(COSTS, per_length=np.full(3, 10.0)))
    plans = [
        (choice.states[a:b] - 12 * k).tolist()
        for k, (a, b) in enumerate(zip(choice.offsets[:-1], choice.offsets[1:], strict=True))
    ]
    assert plans[0] == plans[1] == plans[2]
    assert plans[0] == choose_pits(one, COSTS).states.tolist()


def _random_sites(rng: np.random.Generator, runs: int, places: int) -> Sites:
    lengths = rng.uniform(200, 900, runs)
    at = np.sort(rng.uniform(0, 1, (runs, places)), axis=1) * lengths[:, None]
    at[:, 0], at[:, -1] = 0.0, lengths
    start = at.ravel()[:, None] - rng.uniform(1, 15, (runs * places, 4))
    end = at.ravel()[:, None] + rng.uniform(1, 15, (runs * places, 4))
    longest = np.repeat(lengths, places)[:, None]
    floor = np.maximum(start - 250.0, 0.0)
    roof = np.minimum(end + 250.0, longest)
    cost = rng.uniform(1, 9, start.shape)
    cost[rng.random(cost.shape) < 0.3] = INF
    return Sites(
        offsets=np.arange(runs + 1) * places,
        lengths=lengths,
        start=start,
        end=end,
        cost=cost,
        reach_ahead=roof - rng.uniform(0, 100, start.shape),
        reach_behind=floor + rng.uniform(0, 100, start.shape),
        floor=floor,
        roof=roof,
        passed_start=np.zeros_like(start),
        passed_end=np.zeros_like(start),
    )


def test_the_compiled_kernel_gives_what_the_interpreted_one_gives(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(5)
    sites = _random_sites(rng, 40, 25)
    costs = replace(COSTS, per_length=rng.uniform(1, 5, 40), joint=3.0, piece_length=12.0)
    monkeypatch.setattr(accel, "COMPILE_ABOVE", np.inf)
    plain = choose_pits(sites, costs)
    monkeypatch.setattr(accel, "COMPILE_ABOVE", -1.0)
    compiled = choose_pits(sites, costs)
    assert np.isfinite(plain.cost).sum() > 10
    for name in ("states", "offsets", "cost", "covered"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(compiled, name))


def _every_pull_tried(sites: Sites, costs: PullCosts) -> tuple[list[float], list[int]]:
    """Return value and state before of every state; every pull is worked out, from near to far."""
    start, end, cost = (column.ravel() for column in (sites.start, sites.end, sites.cost))
    floor, roof = sites.floor.ravel(), sites.roof.ravel()
    ahead, behind = sites.reach_ahead.ravel(), sites.reach_behind.ravel()
    rooms, days = sites.string_pieces(), sites.string_days()
    value, even, back = [INF] * len(cost), [INF] * len(cost), [-2] * len(cost)
    for k in np.flatnonzero(np.isfinite(cost)).tolist():
        heads = k % 4 in (RECEIVING, AHEAD)
        if heads and start[k] <= EDGE:
            value[k], even[k], back[k] = cost[k], 0.0, -1
        for i in range(k // 4 - 1, -1, -1):
            for m in (4 * i + heads, 4 * i + heads + 2):
                far = start[k] > ahead[m] + EDGE if heads else end[m] < behind[k] - EDGE
                near = start[k] - end[m] < costs.least_length - EDGE
                barred = end[m] < floor[k] - EDGE or start[k] > roof[m] + EDGE
                if value[m] == INF or far or near or barred:
                    continue
                length, at = np.array([start[k] - end[m]]), m if heads else k
                room = rooms[0 if heads else 1].ravel()[[at]]
                strings = string_count(piece_count(length, costs.piece_length), room)
                pipes, side = piece_count(length, costs.piece_length), 0 if heads else 1
                longest = longest_string(length, pipes, strings, costs.piece_length)
                begins = sites.string_begins()[side][[at // 4]]
                day = day_of_strings(days[side][[at // 4]], begins, strings, longest)
                digs = sites.passed_start.ravel()[[k]] - sites.passed_end.ravel()[[m]]
                if day[0] == INF:
                    continue
                pull = pull_cost(length, digs, strings, costs, np.zeros(1, dtype=np.int64), day)
                total, evenness = value[m] + cost[k] + float(pull[0]), even[m] + length[0] ** 2
                slack = TIE * max(1.0, total)
                if total < value[k] - slack or (
                    total <= value[k] + slack and evenness < even[k] * (1 - TIE)
                ):
                    value[k], even[k], back[k] = total, evenness, m
    return value, back


@pytest.mark.parametrize("joint", [0.0, 4.0])
@pytest.mark.parametrize("seed", range(8))
def test_pulls_passed_over_unpriced_change_neither_the_plan_nor_its_ties(
    seed: int, joint: float
) -> None:
    rng = np.random.default_rng(seed)
    at = np.arange(25) * 10.0
    cost = rng.integers(1, 3, (25, 4)) * 10.0  # whole numbers, evenly spaced: ties everywhere
    cost[rng.random(cost.shape) < 0.2] = INF
    cost[0, AHEAD] = 10.0
    digs = np.cumsum(rng.integers(0, 2, 25) * 10.0)[:, None] + np.zeros(4)
    sites = replace(
        _sites(at.tolist(), cost.tolist(), longest=120.0, passed_start=digs, passed_end=digs),
        pieces_ahead=rng.integers(2, 30, (25, 4)).astype(float),
        pieces_behind=rng.integers(2, 30, (25, 4)).astype(float),
        string_day_ahead=rng.choice([0.0, 20.0, INF], (25, 4), p=[0.8, 0.1, 0.1]),
        string_day_behind=rng.choice([0.0, 20.0, INF], (25, 4), p=[0.8, 0.1, 0.1]),
        string_begins_ahead=np.tile([0.0, 55.0], (25, 1)),
        string_begins_behind=np.tile([0.0, 75.0], (25, 1)),
    )
    costs = replace(
        COSTS,
        setup=10.0,
        per_length=np.array([1.0]),
        joint=joint,
        piece_length=2.0,
        connection=1.0,
        string_joint=10.0,
        days=StringDays(joint=0.1, length=0.01, standstill=0.2, least=0.5),
    )
    value, back = _every_pull_tried(sites, costs)
    planned = 0
    for last in range(3, 25):  # the run ended at each of its places
        choice = choose_pits(_ended(sites, last), costs)
        states = choice.states.tolist()
        assert choice.cost[0] == min(value[4 * last], value[4 * last + BEHIND])
        assert all(back[state] == before for before, state in pairwise([-1, *states]))
        planned += bool(states)
    assert planned > 10


def _ended(sites: Sites, last: int) -> Sites:
    """Return the run ended at one of its places; nothing is known of what comes after it."""
    cut = {
        name: column[: last + 1]
        for name, column in vars(sites).items()
        if name not in ("offsets", "lengths") and column is not None
    }
    end = cut["start"][last, 0] + 2.0
    return replace(sites, offsets=np.array([0, last + 1]), lengths=np.array([end]), **cut)


@pytest.mark.parametrize("given", ["string_day_ahead", "string_day_behind"])
def test_lanes_cost_nothing_the_way_nothing_is_said_of_them(given: str) -> None:
    cost = [[5.0, 1.0, INF, INF], [5.0, INF, 1.0, INF]]
    sites = _sites([0.0, 100.0], cost)
    dear = replace(sites, **{given: np.full((2, 3), 1e6)})
    costs = replace(COSTS, days=StringDays(least=1.0))
    plain = choose_pits(sites, costs).cost[0]
    choice = choose_pits(dear, costs)
    assert choice.cost[0] == plain
    ahead = [AHEAD, 4 + RECEIVING]
    assert (choice.states.tolist() == ahead) == (given == "string_day_behind")


def test_no_runs_and_runs_without_places_have_no_plan() -> None:
    none = _sites([0.0], [[1.0] * 4])
    empty = Sites(
        offsets=np.zeros(3, dtype=np.int64),
        lengths=np.array([10.0, 20.0]),
        **{
            k: v[:0]
            for k, v in vars(none).items()
            if k not in ("offsets", "lengths") and v is not None
        },
    )
    choice = choose_pits(empty, replace(COSTS, per_length=np.full(2, 10.0)))
    assert choice.cost.tolist() == [INF, INF]
    assert choice.covered.tolist() == [0.0, 0.0]
    assert choice.offsets.tolist() == [0, 0, 0]
