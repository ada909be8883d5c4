"""Hooks of up to half a metre in centrelines are taken out; what a street may be stays as drawn."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.network.noding import node_lines
from geotools.network.ragged import to_linestrings
from geotools.street.hooks import HOOK, without_hooks


def cleaned(*lines: list[tuple[float, float]]) -> list[shapely.LineString]:
    """Return the edges of streets without their hooks."""
    xy = np.concatenate([np.array(line, dtype=float) for line in lines])
    offsets = np.cumsum([0, *map(len, lines)])
    graph = without_hooks(node_lines(xy, offsets, tolerance=0.5))
    return list(to_linestrings(graph.xy, graph.offsets))


@pytest.mark.parametrize("aside", [0.08, -0.08])
def test_a_hook_at_the_end_goes_and_the_end_stays(aside: float) -> None:
    [line] = cleaned([(0, 0), (300, 0), (300, aside)])
    assert list(line.coords) == [(0, 0), (300, aside)]
    [back] = cleaned([(300, aside), (300, 0), (0, 0)])
    assert back.reverse().equals_exact(line, 0)


def test_a_spike_at_the_end_goes_though_it_is_longer_there_and_back() -> None:
    [line] = cleaned([(0, 0), (300, 0), (300.4, 0.01), (300.05, 0.02)])
    assert list(line.coords) == [(0, 0), (300.05, 0.02)]


def test_a_jog_of_decimetres_is_drawn_straight() -> None:
    [line] = cleaned([(0, 0), (100, 0), (100, 0.4), (200, 0.4)])
    assert list(line.coords) == [(0, 0), (100, 0.2), (200, 0.4)]


def test_a_corner_drawn_with_two_vertices_stays_a_corner() -> None:
    [line] = cleaned([(0, 0), (99.95, 0), (100, 0.05), (100, 80)])
    assert line.length == pytest.approx(180.0, abs=0.1)
    assert shapely.LineString([(0, 0), (100, 0), (100, 80)]).hausdorff_distance(line) < 0.1


@pytest.mark.parametrize(
    "line",
    [
        [(0, 0), (100, 0), (100, 2 * HOOK), (200, 2 * HOOK)],  # longer than a hook
        [(0, 0), (100, 0), (100.1, 0.01), (200, 10.0)],  # no sharp turn
        # a curve of 20 m radius with a vertex every 0.2 m
        [(20 * np.sin(t), 20 * (1 - np.cos(t))) for t in np.arange(0.0, 1.5, 0.01)],
    ],
)
def test_what_is_no_hook_stays_as_drawn(line: list[tuple[float, float]]) -> None:
    [kept] = cleaned(line)
    assert kept.equals_exact(shapely.LineString(line), 0)


def test_an_edge_no_longer_than_a_hook_stays() -> None:
    lines = [(0, 0), (0.05, 0.05), (0.1, 0.0)]
    xy = np.array(lines, dtype=float)
    graph = node_lines(xy, np.array([0, 3]), tolerance=0.0)
    assert without_hooks(graph).xy.tolist() == xy.tolist()


def test_no_streets_have_no_hooks() -> None:
    graph = node_lines(np.zeros((0, 2)), np.zeros(1, dtype=np.int64), tolerance=0.5)
    assert len(without_hooks(graph)) == 0
