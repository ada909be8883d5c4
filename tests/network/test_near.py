"""Pairs of near points are those that an independent tree finds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from geotools.network.near import near_pairs


def _by_tree(points: np.ndarray, distance: float) -> list[tuple[int, int]]:
    return sorted(cKDTree(points).query_pairs(distance)) if len(points) else []


@pytest.mark.parametrize("count", [0, 1, 2, 40, 900])
@pytest.mark.parametrize(("side", "distance"), [(20.0, 0.7), (3e4, 0.001), (1.0, 5.0)])
def test_pairs_are_those_of_a_tree(count: int, side: float, distance: float) -> None:
    rng = np.random.default_rng(count)
    points = rng.uniform(0, side, (count, 2)) + np.array([4e5, 5.6e6])
    beside = points[: count // 2] + rng.uniform(-1, 1, (count // 2, 2)) * distance
    points = np.concatenate([points, beside, points[: count // 5]])
    expected = _by_tree(points, distance)
    assert len(expected) > 0 or count < 2
    assert [tuple(pair) for pair in near_pairs(points, distance).tolist()] == expected


def test_points_just_so_far_apart_are_near() -> None:
    grid = np.stack(np.meshgrid(np.arange(12.0), np.arange(9.0)), axis=-1).reshape(-1, 2)
    pairs = near_pairs(grid, 1.0)
    assert len(pairs) == 11 * 9 + 12 * 8
    assert len(near_pairs(grid, np.sqrt(2.0) + 1e-9)) == len(pairs) + 2 * 11 * 8


def test_a_far_point_does_not_blur_the_near_ones() -> None:
    points = np.array([[0.0, 0.0], [0.0008, 0.0], [0.003, 0.0], [4e6, 9e6], [4e6, 9e6]])
    assert near_pairs(points, 0.001).tolist() == [[0, 1], [3, 4]]
