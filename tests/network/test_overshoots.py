"""Overshoots: ends drawn a little past each other mean one place, and nothing is there twice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from geotools.network.noding import Graph, node_lines, unnoded_crossings
from geotools.network.ragged import measures

WAYS = np.array([(-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)])


def noded(*lines: Any, tolerance: float = 0.5) -> Graph:
    xy = [np.asarray(line, dtype=float) for line in lines]
    offsets = np.concatenate([[0], np.cumsum([len(line) for line in xy])])
    return node_lines(np.concatenate(xy), offsets, tolerance=tolerance)


def length(graph: Graph) -> float:
    return float((graph.end - graph.start).sum())


def junctions(graph: Graph) -> list[int]:
    return sorted(d for d in graph.degrees().tolist() if d != 1)


@pytest.mark.parametrize("arms", [3, 4])
@pytest.mark.parametrize("noise", [0.02, 0.05, 0.1])
@pytest.mark.parametrize("seed", range(12))
def test_ends_that_mean_one_place_are_one_node_however_they_miss_it(
    arms: int, noise: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    lines = [
        [150 * way, rng.normal(0, noise, 2)][:: rng.choice([1, -1])]
        for way in rng.permutation(WAYS)[:arms]
    ]
    graph = noded(*lines)
    assert junctions(graph) == [arms]
    assert not len(unnoded_crossings(graph, tolerance=0.5)[0])
    assert length(graph) == pytest.approx(150 * arms, abs=arms * 5 * noise)
    assert (graph.overshoots[:, 2] <= 0.5).all()


@pytest.mark.parametrize("over", [0.05, 0.2, 0.45])
@pytest.mark.parametrize("aside", [0.0, 0.001, 0.02, 0.1])
@pytest.mark.parametrize("turned", [False, True])
def test_what_two_mains_in_a_row_draw_twice_is_there_once(
    over: float, aside: float, turned: bool
) -> None:
    one, other = [(0, 0), (300, 0)], [(300 - over, aside), (600, 0)]
    graph = noded(one, other[::-1] if turned else other)
    assert junctions(graph) == [2]
    # the step from one to the other goes aslant, over twice what they lie aside at most
    assert 600 - 2 * aside - 0.003 <= length(graph) <= 600.0 + 1e-9
    assert graph.overshoots[:, 3].tolist() == [0, 1]


def test_lines_that_run_past_each_other_at_a_corner_meet_where_they_cross() -> None:
    graph = noded([(0, 0), (300.2, 0)], [(300, -0.3), (300, 300)])
    assert junctions(graph) == [2]
    corner = graph.node_xy[np.argmax(graph.degrees())]
    assert corner == pytest.approx((300.0, 0.0), abs=1e-6)
    assert graph.overshoots[:, 2] == pytest.approx([0.2, 0.3])
    assert (graph.start.tolist(), graph.end.tolist()) == ([0.0, 0.3], [300.0, 300.3])


def test_an_end_within_reach_but_past_no_other_is_left_as_drawn() -> None:
    graph = noded([(0, 0), (299.8, 0)], [(300, 0.1), (600, 0)])
    assert not len(graph.overshoots)
    assert len(graph.joined_gaps) == 1
    assert measures(graph.xy, graph.offsets)[1] == pytest.approx(299.8)


def test_twin_mains_that_end_side_by_side_are_not_cut() -> None:
    graph = noded([(0, 0), (300, 0)], [(0, 0.4), (300, 0.4)])
    assert not len(graph.overshoots)
    assert junctions(graph) == []


def test_mains_split_near_where_they_cross_are_no_overshoots() -> None:
    mains = [(0, 0), (300.2, 0)], [(300.2, 0), (600, 0)], [(300, -300), (300, 0.2)]
    graph = noded(*mains, [(300, 0.2), (300, 300)])
    assert not len(graph.overshoots)
    assert junctions(graph) == [2, 2]
    assert len(unnoded_crossings(graph, tolerance=0.5)[0]) == 1


def test_no_end_is_taken_back_without_a_tolerance() -> None:
    graph = noded([(0, 0), (300.2, 0)], [(300, -0.3), (300, 300)], tolerance=0.0)
    assert not len(graph.overshoots)


def test_lines_drawn_to_and_fro_upon_themselves_keep_their_rows() -> None:
    fold = [(0, -50), (0, -80), (0, -50), (40, -50)]
    graph = noded(fold, [(100, 0), (300.2, 0)], [(300, -0.3), (300, 300)])
    assert graph.overshoots[:, 3].tolist() == [1, 2]
    assert set(graph.line.tolist()) == {0, 1, 2}
