"""Rules of chaining mains into runs."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools import accel
from geotools.network import runs
from geotools.network.noding import Graph
from geotools.network.ragged import line_lengths, to_linestrings
from geotools.network.runs import Chains

Chained = Callable[..., Chains]
few = settings(max_examples=60, derandomize=True, deadline=None, database=None)


def _lengths(chains: Chains) -> list[float]:
    return sorted(np.round(line_lengths(chains.xy, chains.offsets), 6).tolist())


def _lines_of(chains: Chains) -> list[list[int]]:
    """Return the lines of every run in order, from the lower end."""
    out = [g["line"].tolist() for _, g in chains.pieces.groupby("run")]
    return sorted(min(lines, lines[::-1]) for lines in out)


def _axis(chains: Chains, run: int = 0) -> list[list[float]]:
    rows: list[list[float]] = chains.xy[chains.offsets[run] : chains.offsets[run + 1]].tolist()
    return rows


def _spoke(degrees: float, length: float = 50.0) -> list[tuple[float, float]]:
    angle = np.radians(degrees)
    return [(0.0, 0.0), (length * float(np.cos(angle)), length * float(np.sin(angle)))]


def test_at_a_tee_the_straight_mains_continue_each_other(chained: Chained) -> None:
    chains = chained([_spoke(180), _spoke(2), _spoke(90)])
    assert _lines_of(chains) == [[0, 1], [2]]


def test_at_a_crossing_with_a_node_each_continues_into_its_opposite(chained: Chained) -> None:
    chains = chained([_spoke(180), _spoke(90), _spoke(0), _spoke(270)])
    assert _lines_of(chains) == [[0, 2], [1, 3]]


def test_the_two_that_turn_least_go_first_and_the_rest_among_themselves(chained: Chained) -> None:
    # turns: 0-1 by 10 deg, 0-2 by 20 deg; 2 and 3 are left and turn 60 deg
    chains = chained([_spoke(180), _spoke(10), _spoke(-20), _spoke(100)])
    assert _lines_of(chains) == [[0, 1], [2, 3]]


def test_at_a_junction_no_run_turns_more_than_the_limit(chained: Chained) -> None:
    wye = [_spoke(90), _spoke(210), _spoke(330)]
    assert _lines_of(chained(wye, max_turn=59.0)) == [[0], [1], [2]]
    assert len(chained(wye, max_turn=61.0)) == 2


@pytest.mark.parametrize("ranks", list(itertools.permutations(range(3))))
def test_of_equal_turns_the_lower_identifiers_decide(
    chained: Chained, ranks: tuple[int, ...]
) -> None:
    wye = [_spoke(90), _spoke(210), _spoke(330)]
    joined = next(run for run in _lines_of(chained(wye, rank=ranks)) if len(run) == 2)
    assert sorted(ranks[line] for line in joined) == [0, 1]


def test_two_mains_with_no_other_at_the_node_are_one_run_whatever_the_turn(
    chained: Chained,
) -> None:
    # where it turns above the limit the run is cut later, and the place is reported
    assert _lines_of(chained([_spoke(0), _spoke(30)], max_turn=100.0)) == [[0, 1]]


def test_a_run_ends_where_the_diameter_changes(chained: Chained) -> None:
    row = [[(0, 0), (10, 0)], [(10, 0), (20, 0)], [(20, 0), (30, 0)]]
    chains = chained(row, diameter=[0.6, 0.61, 0.5])
    assert _lines_of(chains) == [[0, 1], [2]]
    assert chains.connections["others"].tolist() == [1, 1]


def test_a_junction_joins_only_mains_of_like_diameter(chained: Chained) -> None:
    chains = chained([_spoke(180), _spoke(0), _spoke(90)], diameter=[0.6, 0.4, 0.6])
    assert _lines_of(chains) == [[0, 2], [1]]


def test_mains_that_may_not_be_lined_are_in_no_run_but_connect(chained: Chained) -> None:
    chains = chained([_spoke(180), _spoke(0), _spoke(90)], eligible=[True, False, True])
    assert _lines_of(chains) == [[0, 2]]
    assert chains.connections[["chainage", "others"]].to_numpy().tolist() == [[50.0, 1.0]]


def test_what_is_drawn_within_a_few_metres_of_a_node_does_not_decide(chained: Chained) -> None:
    crooked = [(0.0, 0.0), (0.0, -0.4), (50.0, 0.5)]  # leaves the node at a right angle, then east
    other = [(0.0, 0.0), (0.4, 0.02), (10.0, 30.0)]  # leaves it east, then north
    assert _lines_of(chained([_spoke(180), crooked, other])) == [[0, 1], [2]]


def test_where_a_main_is_split_near_a_node_does_not_decide(chained: Chained) -> None:
    short = [(0.0, 0.0), (0.0, -0.7)]
    rest = [(0.0, -0.7), (50.0, 0.5)]
    other = [(0.0, 0.0), (1.0, 0.5), (10.0, 30.0)]
    assert _lines_of(chained([_spoke(180), short, rest, other])) == [[0, 1, 2], [3]]


@pytest.mark.parametrize(("bend", "joined"), [(5.0, 1), (4.9, 2)])
def test_how_a_main_leaves_a_node_is_taken_five_metres_on(
    chained: Chained, bend: float, joined: int
) -> None:
    # east, then north; looked at 5 m on it leaves due east, or at 1.2 deg
    other = [(0.0, 0.0), (50.0, 50.0 * float(np.tan(np.radians(0.5))))]
    lines = [_spoke(180), [(0.0, 0.0), (bend, 0.0), (bend, 50.0)], other]
    assert _lines_of(chained(lines)) == sorted([[0, joined], [3 - joined]])


def test_a_crooked_main_shorter_than_that_leaves_the_way_to_its_end(chained: Chained) -> None:
    stub = [(0.0, 0.0), (0.0, 1.0), (2.0, 1.0)]  # turns 26.6 deg as a whole
    assert _lines_of(chained([_spoke(180), stub, _spoke(-35)])) == [[0, 1], [2]]


@pytest.mark.parametrize(("angle", "joined"), [(45.0, 1), (70.0, 2)])
def test_a_stub_of_less_than_a_metre_leaves_the_way_to_its_end(
    chained: Chained, angle: float, joined: int
) -> None:
    x, y = _spoke(angle, 0.8)[1]  # first east, then north
    lines = [_spoke(180), [(0.0, 0.0), (x, 0.0), (x, y)], _spoke(-50)]
    assert _lines_of(chained(lines)) == sorted([[0, joined], [3 - joined]])


def test_a_run_starts_at_its_western_end(chained: Chained) -> None:
    for line in ([(0, 0), (30, 9)], [(30, 9), (0, 0)]):
        chains = chained([line])
        assert _axis(chains) == [[0, 0], [30, 9]]
        piece = chains.pieces.iloc[0]
        back = line[0] == (30, 9)
        assert bool(piece["reversed"]) is back
        length = float(np.hypot(30, 9))
        whole = (length, 0) if back else (0, length)
        assert (piece["line_start"], piece["line_end"]) == pytest.approx(whole, abs=1e-9)


def test_of_ends_due_north_of_each_other_a_run_starts_at_the_southern(chained: Chained) -> None:
    assert _axis(chained([[(5, 80), (5, 0)]])) == [[5, 0], [5, 80]]


def test_a_connection_in_a_gap_stands_in_its_middle(chained: Chained) -> None:
    lines = [[(0, 0), (50, 0)], [(50.4, 0), (90, 0)], [(50.2, 0.1), (50.2, 30)]]
    chains = chained(lines, eligible=[True, True, False])
    assert chains.connections["chainage"].tolist() == pytest.approx([50.2])


def test_a_gap_joined_is_bridged_by_a_straight_step(chained: Chained) -> None:
    chains = chained([[(0, 0), (50, 0)], [(50.3, 0.4), (90, 0.4)]])
    assert _axis(chains) == [[0, 0], [50, 0], [50.3, 0.4], [90, 0.4]]
    assert chains.pieces["start"].tolist() == pytest.approx([0.0, 50.5])
    assert chains.pieces["end"].tolist() == pytest.approx([50.0, 90.2])


RING = [(0, 0), (60, 0), (60, 40), (0, 40), (0, 0)]


@pytest.mark.parametrize("shift", range(4))
@pytest.mark.parametrize("back", [False, True])
def test_a_ring_that_meets_nothing_is_cut_at_its_westernmost_node(
    chained: Chained, shift: int, back: bool
) -> None:
    sides = [RING[k : k + 2] for k in range(4)]
    sides = sides[shift:] + sides[:shift]
    chains = chained([s[::-1] for s in sides] if back else sides)
    assert len(chains) == 1
    # cut at (0, 0), the southern of the two westernmost; from there to the second vertex west
    assert _axis(chains) == [[0, 0], [0, 40], [60, 40], [60, 0], [0, 0]]
    assert chains.connections.empty


def test_of_several_rings_each_is_one_run(chained: Chained) -> None:
    sides = [RING[k : k + 2] for k in range(4)]
    rings = [[(x + east, y) for x, y in side] for east in (0, 200, 400) for side in sides]
    assert _lengths(chained(rings)) == [200.0] * 3


def test_a_ring_drawn_in_one_is_cut_where_it_was_closed(chained: Chained) -> None:
    chains = chained([[*RING[2:], *RING[1:3]]])
    assert len(chains) == 1
    assert _axis(chains)[0] == _axis(chains)[-1] == [60, 40]
    assert _lengths(chains) == [200.0]


def test_ways_there_and_back_that_are_both_kept_are_one_run(chained: Chained) -> None:
    there, back = [(0, 0), (50, 0)], [(50, 0), (0, 0)]
    for lines in ([[*there, (0, 0)]], [there, back]):
        chains = chained(lines)
        assert _axis(chains) == [[0, 0], [50, 0], [0, 0]]
        assert chains.pieces["run"].tolist() == [0, 0]


def test_a_ring_is_cut_where_other_mains_meet_it(chained: Chained) -> None:
    spurs = [[(60, 40), (99, 70)], [(60, 0), (80, 0)]]
    chains = chained([RING, *spurs], eligible=[True, False, False])
    assert len(chains) == 1
    assert _axis(chains)[0] == _axis(chains)[-1] == [60, 0]  # the southern of two as far west
    met = chains.connections[["chainage", "others"]].to_numpy().tolist()
    assert met == [[0.0, 1.0], [160.0, 1.0], [200.0, 1.0]]


def test_a_stick_goes_on_round_its_ring(chained: Chained) -> None:
    stick = [(-30, 5), (0, 0)]
    for parts in ([RING, stick], [RING[:3], RING[2:], stick], [RING[::-1], stick[::-1]]):
        chains = chained(parts)
        assert _lengths(chains) == [round(200 + float(np.hypot(30, 5)), 6)]
        assert _axis(chains)[1] == _axis(chains)[-1] == [0, 0]
        assert _axis(chains)[2] == [60, 0]  # turns less than to the north
        # past the end of the ring on the way in; stick and ring go on where the run ends
        met = chains.connections[["chainage", "others"]].to_numpy().ravel().tolist()
        long = float(np.hypot(30, 5))
        assert met == pytest.approx([long, 1, long + 200, 2])


LOOP = [(0, 0), (200, 0), (400, 0), (400, 200), (200, 200), (200, 0), (200, -90)]


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("cuts", [[1, 2], [1, 3], [3, 4], [1, 2, 3, 4]])
@pytest.mark.parametrize(
    ("through", "met"), [(False, [200, 1, 1000, 2]), (True, [200, 2, 1000, 2])]
)
def test_a_run_that_comes_back_onto_itself_meets_itself_there(
    chained: Chained, back: bool, cuts: list[int], through: bool, met: list[float]
) -> None:
    """It ends on itself (a tee), or goes on across; noded there, however it is drawn."""
    points = LOOP if through else LOOP[:-1]
    # at a cross an end must lie for it to be a node
    bounds = sorted({0, *cuts, *([1, 5] if through else []), len(points) - 1})
    lines = [points[i : j + 1] for i, j in itertools.pairwise(bounds)]
    chains = chained([line[::-1] for line in lines][::-1] if back else lines)
    assert len(chains) == 1
    found = chains.connections[["chainage", "others"]].to_numpy().ravel().tolist()
    assert found == pytest.approx(met)


def test_an_eight_meets_itself_in_its_middle(chained: Chained) -> None:
    east = [(0, 0), (40, 20), (40, -20), (0, 0)]
    chains = chained([[(-x, -y) for x, y in east], east])
    lobe = 2 * float(np.hypot(40, 20)) + 40
    found = chains.connections[["chainage", "others"]].to_numpy().ravel().tolist()
    assert found == pytest.approx([0, 2, lobe, 2, 2 * lobe, 2])


@pytest.mark.parametrize("spur", [0, 1])
def test_a_piece_within_a_node_is_no_loop(chained: Chained, spur: int) -> None:
    row = [[(0, 0), (50, 0)], [(50, 0), (50.0008, 0)], [(50.0008, 0), (90, 0)]]
    spurs = [[(50, 0), (50, 30)]] * spur
    chains = chained([*row, *spurs], eligible=[True] * 3 + [False] * spur)
    assert len(chains) == 1
    assert chains.connections["others"].tolist() == [1] * spur


@pytest.mark.parametrize("back", [False, True])
def test_round_an_even_ring_the_way_does_not_depend_on_the_drawing(
    chained: Chained, back: bool
) -> None:
    ring = [(0, 0), (30, 30), (60, 0), (30, -30), (0, 0)]
    chains = chained([ring[::-1] if back else ring, [(-30, 0), (0, 0)]], rank=[0, 0])
    assert _axis(chains)[2] == [30, 30]


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("east_back", [1, -1])
@pytest.mark.parametrize("west_back", [1, -1])
def test_an_eight_is_one_run_cut_in_its_middle(
    chained: Chained, turned: bool, east_back: int, west_back: int
) -> None:
    east = [(0, 0), (40, 20), (40, -20), (0, 0)][::east_back]
    west = [(0, 0), (-40, -20), (-40, 20), (0, 0)][::west_back]
    chains = chained([west, east] if turned else [east, west])
    assert len(chains) == 1
    assert _axis(chains)[:3] == [[0, 0], [-40, -20], [-40, 20]]


def test_a_long_chain_of_pieces_is_one_run_in_order(chained: Chained) -> None:
    count = 5_000
    rng = np.random.default_rng(3)
    at = np.stack([np.arange(count + 1) * 3.0, rng.uniform(0, 0.2, count + 1)], axis=1)
    order = rng.permutation(count)
    flipped = rng.random(count) < 0.5
    lines = [at[[k + 1, k]] if flipped[k] else at[[k, k + 1]] for k in order]
    chains = chained(lines)
    assert len(chains) == 1
    np.testing.assert_array_equal(chains.xy, at)
    np.testing.assert_array_equal(order[chains.pieces["line"]], np.arange(count))
    np.testing.assert_array_equal(chains.pieces["reversed"], flipped)


def test_connections_stand_at_the_chainage_of_the_node(chained: Chained) -> None:
    spurs = [[(30, 0), (30, 20)], [(30, 0), (30, -20)], [(70, 0), (70, 20)]]
    chains = chained([[(0, 0), (100, 0)], *spurs], eligible=[True, False, False, False])
    assert chains.connections[["run", "chainage", "others"]].to_numpy().tolist() == [
        [0.0, 30.0, 2.0],
        [0.0, 70.0, 1.0],
    ]


def test_runs_that_meet_at_a_node_count_each_other_there(chained: Chained) -> None:
    chains = chained([[(0, 0), (50, 0)], [(0, -50), (0, 0)], [(0, 0), (0, 50)]])
    assert _lines_of(chains) == [[0], [1, 2]]
    assert sorted(chains.connections[["chainage", "others"]].to_numpy().tolist()) == [
        [0.0, 2.0],
        [50.0, 1.0],
    ]


Network = dict[str, Any]


def _network(seed: int) -> Network:
    """Return a random planar network of straight mains: part of a shaken grid of streets."""
    rng = np.random.default_rng(seed)
    side = int(rng.integers(2, 6))
    nodes = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2) * 100.0
    nodes += rng.uniform(-22, 22, nodes.shape)
    pairs = [(k, k + 1) for k in range(side * side) if (k + 1) % side]
    pairs += [(k, k + side) for k in range(side * (side - 1))]
    pairs = [p for p in pairs if rng.random() < 0.8] or pairs[:1]
    count = len(pairs)
    return {
        "lines": [nodes[list(p)] for p in pairs],
        "diameter": rng.choice([0.5, 0.6], count, p=[0.2, 0.8]),
        "eligible": rng.random(count) < 0.9,
        "rank": rng.permutation(count),
        "max_turn": float(rng.uniform(20, 120)),
    }


def _shape(chains: Chains, turn: Sequence[Sequence[float]] | None = None) -> list[Any]:
    """Return what a run looks like from neither end: length, middle, and its ends if it is open."""
    out = []
    turned = chains.xy @ np.array(turn).T if turn is not None else chains.xy
    for axis in to_linestrings(turned, chains.offsets):
        ends = np.array([axis.coords[0], axis.coords[-1]])
        closed = np.hypot(*(ends[0] - ends[1])) < 1e-6
        ends = np.zeros((2, 2)) if closed else ends[np.lexsort(np.round(ends.T[::-1], 3))]
        out.append((shapely.length(axis), *shapely.centroid(axis).coords[0], *ends.ravel()))
    return sorted(out, key=lambda row: tuple(np.round(row, 3)))


def _same(a: list[Any], b: list[Any]) -> None:
    assert len(a) == len(b)
    if a:
        np.testing.assert_allclose(np.array(a), np.array(b), atol=1e-5)


@few
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_order_direction_and_splits_of_the_drawing_change_no_run(
    chained: Chained, seed: int, random: Any
) -> None:
    net = _network(seed)
    wanted = _shape(chained(**net))
    rows = list(range(len(net["lines"])))
    random.shuffle(rows)
    lines, source = [], []
    for row in rows:
        line = np.asarray(net["lines"][row])
        if random.random() < 0.5:
            line = line[::-1]
        cuts = sorted(random.uniform(0.02, 0.98) for _ in range(random.randrange(3)))
        points = [line[0], *(line[0] + c * (line[1] - line[0]) for c in cuts), line[1]]
        for a, b in itertools.pairwise(points):
            lines.append(np.array([a, b]))
            source.append(row)
    columns = {name: np.asarray(net[name])[source] for name in ("diameter", "eligible", "rank")}
    _same(_shape(chained(lines, max_turn=net["max_turn"], **columns)), wanted)


@few
@given(st.integers(0, 10_000), st.floats(-3.1, 3.1), st.integers(-5, 5))
def test_where_north_is_and_where_the_origin_is_change_no_run(
    chained: Chained, seed: int, angle: float, shift: int
) -> None:
    net = _network(seed)
    wanted = _shape(chained(**net))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    move = np.array([shift * 1e5, -shift * 1e6])
    moved = chained(**{**net, "lines": [line @ turn.T + move for line in net["lines"]]})
    back = Chains(moved.xy - move, moved.offsets, moved.pieces, moved.connections)
    _same(_shape(back, turn.T.tolist()), wanted)


@few
@given(st.integers(0, 10_000))
def test_every_metre_that_may_be_lined_is_in_one_run(
    chained: Chained, noded: Callable[..., Graph], seed: int
) -> None:
    net = _network(seed)
    chains = chained(**net)
    graph = noded(net["lines"])
    assert sorted(chains.pieces["edge"]) == np.flatnonzero(net["eligible"][graph.line]).tolist()
    length = line_lengths(graph.xy, graph.offsets)[net["eligible"][graph.line]].sum()
    assert line_lengths(chains.xy, chains.offsets).sum() == pytest.approx(length)
    for _, run in chains.pieces.groupby("run"):
        assert run["start"].to_numpy()[1:] == pytest.approx(run["end"].to_numpy()[:-1])
        assert np.ptp(net["diameter"][run["line"]]) < 0.02


def test_at_a_point_where_very_many_meet_each_main_continues_its_opposite(
    chained: Chained, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = 200  # all free pairs anew for each pair joined would be 660,000
    wheel = [_spoke(360 * k / count, 500.0) for k in range(count)]
    tried = 0

    def counted(*arguments: Any) -> Any:
        nonlocal tried
        tried += 1
        return turn_of(*arguments)

    turn_of = runs._turn
    monkeypatch.setattr(runs, "_turn", counted)
    monkeypatch.setattr(accel, "COMPILE_ABOVE", np.inf)
    chains = chained(wheel)
    assert len(chains) == count // 2
    assert all(b - a == count // 2 for a, b in _lines_of(chains))
    assert tried < 10 * count**2
