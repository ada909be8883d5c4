"""Lines that cross, against what shapely says of every pair."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from geotools.network import crossing
from geotools.network.crossing import crossing_pairs
from geotools.network.ragged import offsets_of


def _packed(lines: list[Any]) -> tuple[Any, Any]:
    parts = [np.asarray(line, dtype=float) for line in lines]
    return np.concatenate(parts), offsets_of(np.array([len(part) for part in parts]))


def _of_shapely(lines: list[Any]) -> set[tuple[int, int]]:
    drawn = [shapely.LineString(line) for line in lines]
    rows = range(len(drawn))
    return {(i, j) for i in rows for j in rows if i < j and drawn[i].crosses(drawn[j])}


def _pairs(lines: list[Any]) -> set[tuple[int, int]]:
    return set(map(tuple, crossing_pairs(*_packed(lines)).tolist()))


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("corner", [0.0, 4.7e6])
def test_lines_cross_where_shapely_says_so(seed: int, corner: float) -> None:
    """On a grid, so that ends meet, lines touch, lie over each other, close and fold back."""
    rng = np.random.default_rng(seed)
    side = [3, 5, 12][seed % 3]
    lines = []
    for _ in range(70):
        line = rng.integers(0, side, (rng.integers(2, 6), 2)) + corner
        keep = np.append(True, (np.diff(line, axis=0) != 0).any(axis=1))
        if keep.sum() > 1:
            lines.append(line[keep])
    due = _of_shapely(lines)
    assert len(due) > 50
    assert _pairs(lines) == due


@pytest.mark.parametrize("angle", np.linspace(0.0, 3.0, 7))
def test_lines_turned_off_the_grid_cross_where_shapely_says_so(angle: float) -> None:
    rng = np.random.default_rng(int(angle * 10))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    nodes = rng.uniform(0, 100, (25, 2)) @ turn + [4e5, 5e6]
    lines = []
    for one, other in rng.integers(0, 25, (120, 2)):
        if one != other:
            middle = (nodes[one] + nodes[other]) / 2 + rng.normal(0, 2, 2)
            lines.append(np.array([nodes[one], middle, nodes[other]]))
    assert _pairs(lines) == _of_shapely(lines)


def test_few_pairs_that_only_share_an_end_are_left_to_shapely(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    star = [[(0, 0), (np.cos(a), np.sin(a)), (2 * np.cos(a), 3)] for a in np.arange(0.1, 3, 0.2)]
    star[::2] = [line[::-1] for line in star[::2]]  # first ends and last ends meet
    across = [(-3.0, 0.9), (3.0, 0.9)]
    asked = []
    plain = shapely.crosses

    def crosses(one: Any, other: Any) -> Any:
        asked.extend(one)
        return plain(one, other)

    monkeypatch.setattr(crossing.shapely, "crosses", crosses)
    assert len(_pairs([*star, across])) == len(star)
    assert len(asked) == len(star)


@pytest.mark.parametrize("length", [1e-3, 1e3, 1e9])
def test_lines_that_all_but_touch_are_left_to_shapely_at_any_size(length: float) -> None:
    rng = np.random.default_rng(5)
    lines = []
    for angle in rng.uniform(0, 2 * np.pi, 60):  # an end within rounding of the line through 0
        along = length * np.array([np.cos(angle), np.sin(angle)])
        lines += [[-along, along], [along * rng.uniform(-1, 1), length * rng.normal(0, 1, 2)]]
    assert _pairs(lines) == _of_shapely(lines)


def test_a_line_that_ends_where_a_ring_begins_touches_it_and_two_that_go_on_cross() -> None:
    ring = [(0, 0), (4, 0), (4, 4), (0, 0)]
    lines = [[(0, 0), (-2, 1)], [(1, 3), (0, 0)], [(0, 0), (3, 1)], [(-1, 0), (0, 0), (3, 1)]]
    for order in ([ring, *lines], [*lines, ring], [ring[::-1], *lines]):
        assert _pairs(order) == _of_shapely(order)


def test_two_rings_that_share_their_first_place_cross_as_rings_do() -> None:
    rings = [
        [(0, 0), (4, 0), (4, 4), (0, 0)],
        [(0, 0), (4, 2), (0, 4), (0, 0)],
        [(0, 0), (-4, 0), (-4, -4), (0, 0)],
    ]
    assert _pairs(rings) == _of_shapely(rings)


def test_no_lines_cross_nothing() -> None:
    assert crossing_pairs(np.zeros((0, 2)), np.zeros(1, dtype=np.int64)).shape == (0, 2)
