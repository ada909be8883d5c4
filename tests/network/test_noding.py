"""Rules of noding."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
import shapely
import shapely.affinity

from geotools.network.noding import Graph, unnoded_crossings
from geotools.network.pieces import cut_lines, end_points
from geotools.network.ragged import line_lengths

Noded = Callable[..., Graph]
TEE: list[list[tuple[float, float]]] = [[(0, 0), (100, 0)], [(50, 0), (50, 50)]]


def _degrees(graph: Graph) -> list[int]:
    return sorted(graph.degrees().tolist())


def test_ends_that_coincide_are_one_node(noded: Noded) -> None:
    graph = noded([[(0, 0), (50, 0)], [(50, 0), (90, 30)]])
    assert _degrees(graph) == [1, 1, 2]
    assert len(graph.joined_gaps) == 0


def test_an_end_on_the_inside_of_a_line_splits_it(noded: Noded) -> None:
    graph = noded(TEE)
    assert _degrees(graph) == [1, 1, 1, 3]
    assert graph.line.tolist() == [0, 0, 1]
    assert graph.start.tolist() == [0.0, 50.0, 0.0]
    assert graph.end.tolist() == [50.0, 100.0, 50.0]


def test_a_line_split_at_a_tee_gives_the_same_network(noded: Noded) -> None:
    whole, split = noded(TEE), noded([[(0, 0), (50, 0)], [(50, 0), (100, 0)], TEE[1]])
    assert _degrees(split) == _degrees(whole)
    assert sorted(map(tuple, split.node_xy.tolist())) == sorted(map(tuple, whole.node_xy.tolist()))


# Lines that pass (50, 0) so many times, and what else of nodes is due where an end lies there.
PASSES: dict[str, tuple[list[tuple[float, float]], int]] = {
    "across": ([(0, 0), (100, 0), (100, 50), (50, 50), (50, -50)], 2),
    "across, with vertices there": (
        [(0, 0), (50, 0), (100, 0), (100, 50), (50, 50), (50, 0), (50, -50)],
        2,
    ),
    "aslant, thrice": ([(0, 0), (100, 0), (100, 50), (0, -50), (0, -90), (50, -90), (50, 70)], 3),
    "touching": ([(0, 0), (100, 0), (100, 50), (50, 0), (20, 50)], 2),
}


@pytest.mark.parametrize("case", PASSES)
@pytest.mark.parametrize("ends", [1, 2])
@pytest.mark.parametrize("drawn", [1, -1])
def test_an_end_where_a_main_crosses_itself_joins_all_its_passes(
    noded: Noded, case: str, ends: int, drawn: int
) -> None:
    """As where mains cross that are drawn apart: the main split elsewhere is such."""
    line, passes = PASSES[case]
    others = [[(50, 0), (-20, 90)], [(90, -70), (50, 0)]][:ends]
    whole = noded([line[::drawn], *others])
    at = np.flatnonzero(np.hypot(*(whole.node_xy - (50, 0)).T) < 0.01)
    assert whole.degrees()[at].tolist() == [2 * passes + ends]
    assert line_lengths(whole.xy, whole.offsets).sum() == pytest.approx(
        sum(shapely.LineString(way).length for way in (line, *others))
    )
    apart = noded([line[:3], line[2:][::drawn], *others])
    far = [node for node in apart.node_xy.round(6).tolist() if node != list(line[2])]
    assert sorted(far) == sorted(whole.node_xy.round(6).tolist())


@pytest.mark.parametrize("drawn", [1, -1])
def test_an_end_of_a_main_where_it_has_crossed_itself_joins_all_its_passes(
    noded: Noded, drawn: int
) -> None:
    line, _ = PASSES["across"]
    graph = noded([[*line, (0, -50), (50, 0)][::drawn]])
    assert _degrees(graph) == [1, 5]


def test_a_main_that_crosses_itself_where_none_ends_stays_one(noded: Noded) -> None:
    graph = noded([PASSES["across"][0], [(80, 50), (80, 90)]])
    assert _degrees(graph) == [1, 1, 1, 3]


def test_nothing_is_moved(noded: Noded) -> None:
    lines = [[(0, 0), (49.8, 0.1)], [(50, 0), (50, 50)], [(50.1, -0.2), (90, -7)]]
    graph = noded(lines)
    np.testing.assert_array_equal(graph.xy, np.concatenate(lines))


@pytest.mark.parametrize(("gap", "nodes"), [(0.0, 3), (0.3, 3), (0.5, 3), (0.51, 4)])
def test_dangling_ends_within_the_tolerance_are_one_node(
    noded: Noded, gap: float, nodes: int
) -> None:
    graph = noded([[(0, 0), (50, 0)], [(50 + gap, 0), (100, 0)]])
    assert len(graph.node_xy) == nodes
    assert len(graph.joined_gaps) == (1 if 0 < gap <= 0.5 else 0)


def test_a_gap_joined_is_told_with_its_place_width_and_line(noded: Noded) -> None:
    graph = noded([[(70, 0), (70, -9)], [(0, 0), (100, 0)], [(50, 50), (50, 0.25)]])
    assert graph.joined_gaps.tolist() == [[50.0, 0.25, 0.25, 2.0, 1.0]]


def test_of_a_gap_from_end_to_end_it_is_told_that_no_line_was_split(noded: Noded) -> None:
    graph = noded([[(30, 0), (30, -9)], [(0, 0), (50, 0)], [(50.25, 0), (100, 0)]])  # one touches
    (joined,) = graph.joined_gaps.tolist()
    assert joined[2:] == [0.25, 1.0, -1.0]


@pytest.mark.parametrize(("gap", "joined"), [(0.4, True), (0.6, False)])
def test_a_dangling_end_that_stops_short_of_a_line_splits_it_within_the_tolerance(
    noded: Noded, gap: float, joined: bool
) -> None:
    graph = noded([[(0, 0), (100, 0)], [(50, gap), (50, 50)]])
    assert len(graph) == (3 if joined else 2)
    assert _degrees(graph) == ([1, 1, 1, 3] if joined else [1, 1, 1, 1])


def test_a_dangling_end_past_a_line_splits_it_and_is_no_crossing(noded: Noded) -> None:
    graph = noded([[(0, 0), (100, 0)], [(50.3, -0.3), (40, 40)]])
    assert _degrees(graph) == [1, 1, 1, 3]
    assert graph.end[0] == pytest.approx(50.3)  # it crosses at 50.2
    assert len(unnoded_crossings(graph, tolerance=0.5)[0]) == 0


@pytest.mark.parametrize("backwards", list(itertools.product([False, True], repeat=2)))
def test_past_a_line_no_crossing_is_told_whichever_way_the_lines_are_drawn(
    noded: Noded, backwards: tuple[bool, bool]
) -> None:
    lines = [[(0, 0), (100, 0)], [(50.3, -0.3), (40, 40)]]
    drawn = [line[::-1] if back else line for line, back in zip(lines, backwards, strict=True)]
    for order in (drawn, drawn[::-1]):
        graph = noded(order)
        assert _degrees(graph) == [1, 1, 1, 3]
        assert len(unnoded_crossings(graph, tolerance=0.5)[0]) == 0


def test_a_crossing_beside_an_end_that_is_no_node_of_both_is_told(noded: Noded) -> None:
    # the end lies 0.8 m past the other line: too far to be joined, and no node of theirs
    lines = [[(0, 0), (100, 0)], [(30, -0.8), (30, 20)]]
    for order in (lines, lines[::-1]):
        graph = noded(order)
        assert len(graph) == 2
        assert unnoded_crossings(graph, tolerance=0.5)[0].tolist() == [[0, 1]]


@pytest.mark.parametrize(("away", "told"), [(0.9, 0), (1.1, 1), (60.0, 1)])
def test_lines_of_one_node_that_cross_elsewhere_are_told(
    noded: Noded, away: float, told: int
) -> None:
    graph = noded([[(0, 0), (100, 0)], [(0, 0), (away / 2, 30), (away * 1.5, -30)]])
    assert len(unnoded_crossings(graph, tolerance=0.5)[0]) == told


@pytest.mark.parametrize("seed", range(6))
def test_every_crossing_is_told_however_the_lines_are_drawn(noded: Noded, seed: int) -> None:
    """Lines from one node that weave about each other, against what shapely says of each pair."""
    rng = np.random.default_rng(seed)
    lines = [
        [(0.0, 0.0), *zip(np.cumsum(rng.uniform(0.2, 9, 8)), rng.uniform(-4, 4, 8), strict=True)]
        for _ in range(4)
    ]
    due = set()
    for one, other in itertools.combinations(map(shapely.LineString, lines), 2):
        for x, y in shapely.get_coordinates(one.intersection(other)).tolist():
            if np.hypot(x, y) > 1.0:  # twice the tolerance from their node
                due.add((round(x, 6), round(y, 6)))
    assert len(due) > 10
    for drawn in (lines, lines[::-1], [line[::-1] for line in lines]):
        pairs, place = unnoded_crossings(noded(drawn), tolerance=0.5)
        assert {(round(x, 6), round(y, 6)) for x, y in place.tolist()} == due
        assert len(pairs) == len(due)


def test_without_a_tolerance_lines_that_meet_at_a_node_do_not_cross_there(noded: Noded) -> None:
    graph = noded([[(0, 0), (90, 0)], [(0.0003, -0.0003), (50, 60)]], 0.0)  # past it by a hair
    assert _degrees(graph) == [1, 1, 2]
    assert len(unnoded_crossings(graph, tolerance=0.0)[0]) == 0


def test_a_dangling_end_near_two_lines_is_joined_to_the_nearer(noded: Noded) -> None:
    lines = [[(0, 0), (100, 0)], [(0, 0.8), (100, 0.8)], [(20, 0.45), (20, -50)]]
    graph = noded(lines)
    assert graph.line.tolist().count(1) == 2
    assert graph.line.tolist().count(0) == 1
    assert unnoded_crossings(graph, tolerance=0.5)[0].tolist() == [[0, 3]]


def test_halfway_between_two_lines_the_one_to_the_west_is_joined(noded: Noded) -> None:
    west, east = [(-0.25, 0), (-0.25, 90)], [(0.25, 0), (0.25, 90)]
    end = [(0, 40), (0, 40.3), (50, 60)]
    for lines in itertools.permutations([west, east, end]):
        graph = noded(lines)
        node = int(np.flatnonzero(graph.degrees() == 3)[0])
        edge = np.flatnonzero((graph.ends == node).any(axis=1))
        assert sum(lines[graph.line[e]] is west for e in edge) == 2


def test_a_dangling_end_is_joined_to_the_end_of_a_line_rather_than_beside_it(noded: Noded) -> None:
    lines = [[(0, 0), (50, 0)], [(50, 0), (100, 0)], [(50.3, 0.2), (50.3, 40)]]
    graph = noded(lines)
    assert len(graph) == 3
    assert _degrees(graph) == [1, 1, 1, 3]


def test_ends_in_use_join_nothing_they_do_not_touch(noded: Noded) -> None:
    # two tees 0.4 m apart on a split main, on a main in one, and from either side
    tees = [[(50, 0), (50, 50)], [(50.4, 0), (50.4, -50)]]
    split = [[(0, 0), (50, 0)], [(50, 0), (50.4, 0)], [(50.4, 0), (100, 0)]]
    for main in (split, [[(0, 0), (100, 0)]]):
        graph = noded([*main, *tees])
        assert _degrees(graph) == [1, 1, 1, 1, 3, 3]
        assert len(graph.joined_gaps) == 0


def test_two_ends_that_stop_short_of_a_main_from_either_side_meet_in_the_main(
    noded: Noded,
) -> None:
    graph = noded([[(0, 0), (100, 0)], [(50, 0.2), (50, 50)], [(50, -0.2), (50, -50)]])
    assert _degrees(graph) == [1, 1, 1, 1, 4]


def test_three_dangling_ends_near_each_other_are_one_node(noded: Noded) -> None:
    spokes = [[(0.2, 0), (50, 0)], [(-0.1, 0.15), (-30, 40)], [(-0.1, -0.15), (-30, -40)]]
    graph = noded(spokes)
    assert _degrees(graph) == [1, 1, 1, 3]


def test_lines_that_cross_with_no_node_do_not_connect_and_are_found(noded: Noded) -> None:
    graph = noded([[(0, 0), (100, 0)], [(30, -20), (30, 20)]])
    pairs, place = unnoded_crossings(graph, tolerance=0.5)
    assert _degrees(graph) == [1, 1, 1, 1]
    assert pairs.tolist() == [[0, 1]]
    assert place.tolist() == [[30.0, 0.0]]


@pytest.mark.parametrize("apart", [0.35, 0.45])
def test_mains_side_by_side_stay_two(noded: Noded, apart: float) -> None:
    twins = [[(0, 0), (100, 0)], [(0, apart), (100, apart)]]
    assert _degrees(noded(twins)) == [1, 1, 1, 1]
    uneven = [[(0, 0), (100, 0)], [(20, apart), (70, apart)]]
    assert _degrees(noded(uneven)) == [1, 1, 1, 1]
    split = [[(0, 0), (50, 0)], [(50, 0), (100, 0)], [(0, apart), (50, apart)]]
    split += [[(50, apart), (100, apart)]]
    assert _degrees(noded(split)) == [1, 1, 1, 1, 2, 2]


def _turned(lines: Any, turn: float, drawn: int) -> list[Any]:
    """Return lines turned about the null, and drawn the other way."""
    way = shapely.affinity.rotate(shapely.MultiLineString(lines), turn, origin=(0, 0))
    return [np.asarray(line.coords)[::drawn] for line in way.geoms]


def _branch(off: float, slant: float, length: float = 150.0) -> list[Any]:
    """Return a main, and one that leaves it so far from its axis, m, at so many degrees."""
    on = length * np.exp(1j * np.radians(slant))
    return [[(0, 0), (400, 0)], [(200, off), (200 + on.real, off + on.imag)]]


@pytest.mark.parametrize("slant", [5, 10, 12, 15, 19, 20, 45])
@pytest.mark.parametrize("off", [0.0011, 0.02, 0.05, 0.18, 0.3, 0.45, -0.02, -0.2])
@pytest.mark.parametrize(("turn", "drawn"), [(0.0, 1), (33.3, -1), (200.0, 1)])
def test_a_branch_within_the_tolerance_is_joined_however_it_slants(
    noded: Noded, slant: float, off: float, turn: float, drawn: int
) -> None:
    """A smaller tolerance joins nothing that a larger one does not: all that reach it do."""
    lines = _turned(_branch(off, slant), turn, drawn)
    for tolerance in (0.1, 0.29, 0.5, 0.7, 1.0):
        joined = tolerance > abs(off)
        graph = noded(lines, tolerance)
        assert _degrees(graph) == ([1, 1, 1, 3] if joined else [1] * 4), tolerance
        widths = graph.joined_gaps[:, 2].tolist()
        assert widths == pytest.approx([abs(off)] * joined, abs=1e-6)


@pytest.mark.parametrize(("behind", "end"), [(0.4, 0.4), (0.45, 0.36), (0.36, 0.45), (0.44, 0.44)])
@pytest.mark.parametrize(("turn", "drawn"), [(0.0, 1), (33.3, -1)])
@pytest.mark.parametrize("last", [1.5, 20.0, 100.0])
def test_twins_that_a_hand_drew_a_little_aslant_stay_two(
    noded: Noded, behind: float, end: float, turn: float, drawn: int, last: float
) -> None:
    """Axes that are 0.09 m nearer at the end than 1.5 m or more before are 3.4 degrees apart."""
    twin = [(100, behind), (200 - last, behind), (200, end)]
    for tolerance in (0.5, 0.6, 1.0):
        graph = noded(_turned([[(0, 0), (300, 0)], twin], turn, drawn), tolerance)
        assert _degrees(graph) == [1, 1, 1, 1]


def test_an_end_that_has_crossed_the_main_just_behind_does_not_run_alongside(noded: Noded) -> None:
    # at 30 degrees, 0.4 m past the main: 0.35 m from it on the other side, 1.5 m behind
    for drawn in (1, -1):
        assert _degrees(noded(_turned(_branch(-0.4, 30.0), 0.0, drawn))) == [1, 1, 1, 3]


@pytest.mark.parametrize("piece", [0.05, 0.2, 0.4])
def test_pieces_shorter_than_the_tolerance_do_not_fold_up(noded: Noded, piece: float) -> None:
    x = [0.0, 50.0, *(50 + piece * np.arange(1, 8))]
    chain = [[(a, 0.0), (b, 0.0)] for a, b in itertools.pairwise(x)]
    assert _degrees(noded(chain)) == [1, 1] + [2] * 7
    beyond = x[-1] + 50
    graph = noded([*chain, [(x[-1], 0), (beyond, 0)]])
    assert _degrees(graph) == [1, 1] + [2] * 8
    assert len(graph.joined_gaps) == 0


def test_a_short_piece_between_two_gaps_joins_them_in_a_row(noded: Noded) -> None:
    graph = noded([[(0, 0), (50, 0)], [(50.1, 0), (50.4, 0)], [(50.5, 0), (100, 0)]])
    assert _degrees(graph) == [1, 1, 2, 2]
    assert graph.ends.tolist() == [[0, 1], [1, 2], [2, 3]]


def test_a_stub_shorter_than_the_tolerance_stays_a_stub(noded: Noded) -> None:
    for main in ([[(0, 0), (100, 0)]], [[(0, 0), (50, 0)], [(50, 0), (100, 0)]]):
        assert _degrees(noded([*main, [(50, 0), (50, 0.3)]])) == [1, 1, 1, 3]


def test_a_closed_ring_is_one_edge_at_one_node(noded: Noded) -> None:
    ring = [(0, 0), (50, 0), (50, 50), (0, 50), (0, 0)]
    assert noded([ring]).ends.tolist() == [[0, 0]]


def test_a_ring_that_all_but_closes_is_closed_however_it_is_split(noded: Noded) -> None:
    ring = [(0, 0), (50, 0), (50, 50), (0, 50), (0, 0.3)]
    assert _degrees(noded([ring])) == [2]
    assert _degrees(noded([ring[:3], ring[2:]])) == [2, 2]


def test_an_end_that_touches_its_own_line_splits_it(noded: Noded) -> None:
    line = [(20, 0), (50, 0), (50, 50), (20, 50), (20, 0)]
    for knot in ([(0, 0), *line], [*line[::-1], (0, 0)]):
        graph = noded([knot])
        assert _degrees(graph) == [1, 3]
        assert sorted(line_lengths(graph.xy, graph.offsets).tolist()) == [20.0, 160.0]


def test_an_end_that_touches_its_own_line_splits_it_beside_others_and_of_three_segments(
    noded: Noded,
) -> None:
    hook = [(0, 0), (50, 0), (50, 40), (20, 0)]
    others = [[(-90, 9), (-60, 9)], [(-90, 20), (-60, 20)], [(-90, 30), (-60, 30)]]
    for knot in (hook, hook[::-1]):
        graph = noded([*others, knot])
        assert _degrees(graph) == [*[1] * 7, 3]
        assert sorted(line_lengths(graph.xy, graph.offsets).tolist()) == [20, 30, 30, 30, 120]


def test_an_end_a_hair_past_its_own_line_splits_it_though_nothing_is_joined(noded: Noded) -> None:
    knot = [(0, 0), (50, 0), (50, 50), (20, 50), (20, -0.0004)]
    for line in (knot, knot[::-1]):
        graph = noded([[(-90, 9), (-60, 9)], line], 0.0)
        assert _degrees(graph) == [1, 1, 1, 3]


@pytest.mark.parametrize("off", [0.0, 1e-10, -1e-10, 1e-6, 9e-4, -9e-4, 0.3, -0.3, 0.49])
@pytest.mark.parametrize("share", [0.15, 0.4])
@pytest.mark.parametrize("split", [0, 1, 2])
def test_an_end_that_all_but_touches_its_own_line_is_joined_to_it_however_it_is_split(
    noded: Noded, off: float, share: float, split: int
) -> None:
    """The main comes round and ends so far off its own slanted first leg, or past it."""
    b = np.array([397.0, 131.0])
    side = np.array([-b[1], b[0]]) / np.hypot(*b)
    foot = b * share
    line = [(0.0, 0.0), tuple(b), tuple(foot + np.array([30, 260])), tuple(foot + off * side)]
    whole = [line] if split == 0 else [line[: split + 1], line[split:]]
    for drawn in (whole, [part[::-1] for part in whole]):
        graph = noded(drawn)
        assert _degrees(graph) == [1, *[2] * (split > 0), 3]
        node = graph.node_xy[graph.degrees() == 3][0]
        assert np.hypot(*(node - foot)) <= abs(off) / 2 + 1e-9
        assert len(graph.joined_gaps) == (abs(off) > 0.001)
        assert len(unnoded_crossings(graph, tolerance=0.5)[0]) == 0


def test_without_a_tolerance_an_end_a_centimetre_off_its_own_line_stays_open(noded: Noded) -> None:
    assert _degrees(noded([[(0, 0), (50, 0), (50, 50), (20, 50), (20, 0.01)]], 0.0)) == [1, 1]


@pytest.mark.parametrize(("apart", "joined"), [(0.2, True), (0.45, False), (0.6, False)])
def test_a_main_that_runs_back_beside_itself_is_two_side_by_side(
    noded: Noded, apart: float, joined: bool
) -> None:
    back = [(0, 0), (100, 0), (100, apart), (30, apart)]
    for line in (back, back[::-1]):
        assert _degrees(noded([line])) == ([1, 3] if joined else [1, 1])


@pytest.mark.parametrize("step", [0.05, 0.2, 0.32])
def test_a_hook_that_leads_back_within_twice_the_tolerance_stays_as_drawn(
    noded: Noded, step: float
) -> None:
    hook = [(0, 0), (50, 0), (50, step), (50 - step, step)]
    for line in (hook, hook[::-1]):
        assert len(noded([line])) == 1


def test_a_ring_that_begins_on_its_own_inside_is_split_there(noded: Noded) -> None:
    eight = [(0, 0), (40, 10), (40, -10), (0, 0), (-40, 10), (-40, -10), (0, 0)]
    graph = noded([eight])
    assert _degrees(graph) == [4]
    assert len(graph) == 2


@pytest.mark.parametrize("drawn", [1, -1])
def test_an_end_that_touches_the_last_millimetre_of_a_line_is_joined_to_its_end(
    noded: Noded, drawn: int
) -> None:
    # 0.8 mm before the end and 0.9 mm beside it: on the line, but farther than 1 mm from its end
    graph = noded([[(0, 0), (50, 0)][::drawn], [(49.9992, 0.0009), (49.9992, 30)]], 0.0)
    assert _degrees(graph) == [1, 1, 2]


def test_a_network_without_lines_has_no_nodes(noded: Noded) -> None:
    graph = noded([])
    assert len(graph) == 0
    assert [graph.node_xy.shape, graph.ends.shape, graph.xy.shape] == [(0, 2)] * 3
    assert graph.joined_gaps.shape == (0, 5)
    assert graph.offsets.tolist() == [0]
    assert [part.shape for part in unnoded_crossings(graph, tolerance=0.5)] == [(0, 2)] * 2


def test_no_tolerance_joins_nothing_but_what_touches(noded: Noded) -> None:
    graph = noded([*TEE, [(100.01, 0), (120, 0)]], 0.0)
    assert _degrees(graph) == [1, 1, 1, 1, 1, 3]


def test_cuts_leave_the_line_as_drawn() -> None:
    xy = np.array([(0, 0), (10, 0), (10, 10), (5, 5), (9, 5)], dtype=float)
    cuts = np.array([(0, 4.0), (0, 10.0), (0, 4.0005), (0, 0.0), (1, 1.0), (0, 20.0)])
    pieces = cut_lines(xy, np.array([0, 3, 5]), cuts)
    assert pieces.line.tolist() == [0, 0, 0, 1, 1]
    assert pieces.start.tolist() == [0, 4, 10, 0, 1]
    assert pieces.end.tolist() == [4, 10, 20, 1, 4]
    parts = np.split(pieces.xy, pieces.offsets[1:-1])
    assert [p.tolist() for p in parts] == [
        [[0, 0], [4, 0]],
        [[4, 0], [10, 0]],
        [[10, 0], [10, 10]],
        [[5, 5], [6, 5]],
        [[6, 5], [9, 5]],
    ]


def test_cuts_at_one_place_are_one_on_every_line() -> None:
    xy = np.array([(0, 0), (30, 0), (0, 5), (30, 5), (0, 9), (30, 9)], dtype=float)
    at = [(0, 4.0), (0, 20.0), (0, 20.0008), (1, 20.0), (1, 20.0008), (2, 20.0), (2, 7.0)]
    pieces = cut_lines(xy, np.array([0, 2, 4, 6]), np.array(at))
    assert pieces.line.tolist() == [0, 0, 0, 1, 1, 2, 2, 2]
    assert pieces.start.tolist() == [0, 4, 20, 0, 20, 0, 7, 20]


@pytest.mark.parametrize("drawn", [1, -1])
@pytest.mark.parametrize("short", [0.0003, 0.0005, 0.0009])
def test_a_gap_to_the_last_millimetre_of_a_line_is_joined_to_that_end_of_it(
    noded: Noded, drawn: int, short: float
) -> None:
    # just the tolerance away, so that the end itself is a trifle farther and the inside is met
    for x, end in ((1000 - short, (1000.0, 0.0)), (short, (0.0, 0.0))):
        graph = noded([[(0, 0), (1000, 0)][::drawn], [(x, 0.5), (x, 60)]])
        assert _degrees(graph) == [1, 1, 2]
        joined = graph.node_xy[graph.degrees() == 2][0]
        assert np.hypot(*(joined - end)) < 0.5


def test_every_cut_is_at_the_piece_end_nearest_to_it() -> None:
    rng = np.random.default_rng(4)
    ends = np.array([(0, 0), (30, 0), (0, 5), (0.0015, 5), (0, 9), (25, 9)], dtype=float)
    offsets = np.array([0, 2, 4, 6])
    line = rng.integers(0, 3, 200)
    length = np.array([30.0, 0.0015, 25.0])[line]
    at = np.round(rng.uniform(0, length), 0) + rng.choice([0.0, 0.0, 0.0004, -0.0004], 200)
    cuts = np.stack([line, at.clip(0, length)], axis=1)
    pieces = cut_lines(ends, offsets, cuts)
    points = end_points(pieces.xy, pieces.offsets)[pieces.cut]
    due = np.stack([cuts[:, 1], ends[offsets[line], 1]], axis=1)
    assert np.hypot(*(points - due).T).max() <= 0.001


def test_a_cut_in_a_short_segment_lies_where_it_is_asked_for() -> None:
    xy = np.array([(0, 0), (10, 0), (10.4, 0), (20, 0)])
    pieces = cut_lines(xy, np.array([0, 4]), np.array([(0, 10.1)]))
    assert pieces.xy[pieces.offsets[1]].tolist() == pytest.approx([10.1, 0.0])


def test_edges_keep_where_they_lie_on_the_line_as_drawn(noded: Noded) -> None:
    main = [(0, 0), (40, 0), (40, 60)]
    graph = noded([main, [(40, 20.2), (70, 20)], [(10, 0), (10, -9)], [(40, 50), (0, 50)]])
    rows: Sequence[Any] = np.flatnonzero(graph.line == 0)
    assert graph.start[rows] == pytest.approx([0.0, 10.0, 60.2, 90.0])
    assert graph.end[rows] == pytest.approx([10.0, 60.2, 90.0, 100.0])
    np.testing.assert_allclose(
        line_lengths(graph.xy, graph.offsets), graph.end - graph.start, atol=1e-9
    )
