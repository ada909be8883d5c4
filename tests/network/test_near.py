"""Near points and lines are those that an independent tree finds."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import shapely
from scipy.spatial import cKDTree

from geotools import accel
from geotools.links import components
from geotools.network.near import (
    LONGEST,
    _usual,
    clusters,
    holding_links,
    lines_near,
    near_places,
    segments_near,
)
from geotools.network.ragged import offsets_of, to_linestrings

NO_LINKS = np.zeros((0, 2), dtype=np.int64)


@pytest.fixture(params=["interpreted", "compiled"])
def _both_ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "compiled":
        monkeypatch.setattr(accel, "COMPILE_ABOVE", 0)


def _pairs(points: np.ndarray, distance: float) -> list[tuple[int, int]]:
    """Return all pairs of near points, put together from places and the points at them."""
    same, near = near_places(points, distance)
    at = {first: np.flatnonzero(same == first).tolist() for first in set(same.tolist())}
    pairs = {(i, j) for own in at.values() for i in own for j in own if i < j}
    for a, b in near.tolist():
        pairs |= {(min(i, j), max(i, j)) for i in at[a] for j in at[b]}
    return sorted(pairs)


@pytest.mark.parametrize("count", [0, 1, 2, 40, 900])
@pytest.mark.parametrize(("side", "distance"), [(20.0, 0.7), (3e4, 0.001), (1.0, 5.0)])
@pytest.mark.usefixtures("_both_ways")
def test_pairs_are_those_of_a_tree(count: int, side: float, distance: float) -> None:
    if side == 1.0 and count > 100:
        count = 100  # all are near all
    rng = np.random.default_rng(count)
    points = rng.uniform(0, side, (count, 2)) + np.array([4e5, 5.6e6])
    beside = points[: count // 2] + rng.uniform(-1, 1, (count // 2, 2)) * distance
    points = np.concatenate([points, beside, points[: count // 5]])
    expected = sorted(cKDTree(points).query_pairs(distance)) if len(points) else []
    assert len(expected) > 0 or count < 2
    assert _pairs(points, distance) == expected


def test_points_just_so_far_apart_are_near() -> None:
    grid = np.stack(np.meshgrid(np.arange(12.0), np.arange(9.0)), axis=-1).reshape(-1, 2)
    pairs = near_places(grid, 1.0)[1]
    assert len(pairs) == 11 * 9 + 12 * 8
    assert len(near_places(grid, np.sqrt(2.0) + 1e-9)[1]) == len(pairs) + 2 * 11 * 8


def test_points_at_the_place_of_the_very_first_are_told_as_it() -> None:
    points = np.array([[3.0, 4.0], [3.0, 4.0], [8.0, 4.0], [3.0, 4.0]])
    same, pairs = near_places(points, 0.5)
    assert same.tolist() == [0, 0, 2, 0]
    assert len(pairs) == 0


def test_a_far_point_does_not_blur_the_near_ones() -> None:
    points = np.array([[0.0, 0.0], [0.0008, 0.0], [0.003, 0.0], [4e6, 9e6], [4e6, 9e6]])
    same, pairs = near_places(points, 0.001)
    assert same.tolist() == [0, 1, 2, 3, 3]
    assert pairs.tolist() == [[0, 1]]


def test_points_differ_however_far_the_corner_of_the_map_is() -> None:
    step = float(np.spacing(5.6e6))
    points = np.array([[1e-3, 0.1], [4e5, 5.6e6], [4e5, 5.6e6 + step], [4e5, 5.6e6]])
    assert near_places(points, 1e-12)[0].tolist() == [0, 1, 2, 1]


def test_clusters_are_numbered_by_their_first_points_and_links_hold() -> None:
    points = np.array([[9.0, 0], [0, 0], [9.0, 0], [0.4, 0], [50, 50], [0.8, 0]])
    assert clusters(points, 0.5, NO_LINKS).tolist() == [0, 1, 0, 1, 2, 1]
    assert clusters(points, 0.5, np.array([[4, 2]])).tolist() == [0, 1, 0, 1, 0, 1]
    assert clusters(points, 0.1, NO_LINKS).tolist() == [0, 1, 0, 2, 3, 4]


def _walks(rng: np.random.Generator, count: int, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Return lines that wander about, some of them in long strides."""
    sizes = rng.integers(2, 9, count)
    strides = rng.normal(0, step, (int(sizes.sum()), 2)) * rng.choice(
        [1, 1, 1, 40], (sizes.sum(), 1)
    )
    offsets = offsets_of(sizes)
    starts = np.repeat(rng.uniform(0, 300, (count, 2)) + np.array([4e5, 5.6e6]), sizes, axis=0)
    walked = np.cumsum(strides, axis=0)
    return starts + walked - np.repeat(walked[offsets[:-1]], sizes, axis=0), offsets


@pytest.mark.parametrize("reach", [0.001, 0.5, 30.0])
@pytest.mark.parametrize("step", [2.0, 60.0])
@pytest.mark.usefixtures("_both_ways")
def test_lines_near_points_are_those_of_a_tree(reach: float, step: float) -> None:
    rng = np.random.default_rng(int(step))
    xy, offsets = _walks(rng, 90, step)
    lines = to_linestrings(xy, offsets)
    inside = shapely.line_interpolate_point(lines[:60], rng.uniform(0, 1, 60), normalized=True)
    points = shapely.get_coordinates(inside) + rng.uniform(-1, 1, (60, 2)) * reach
    points = np.concatenate([points, rng.uniform(0, 300, (40, 2)) + np.array([4e5, 5.6e6])])
    expected = shapely.STRtree(lines).query(shapely.points(points), "dwithin", reach).T
    found = lines_near(points, xy, offsets, reach=reach)
    told = set(map(tuple, found.tolist()))
    assert len(expected) > 30
    assert len(told) == len(found)
    assert told >= set(map(tuple, expected.tolist()))
    farther = shapely.distance(shapely.points(points[found[:, 0]]), lines[found[:, 1]])
    assert farther.max() <= reach + 2e-6


@pytest.mark.parametrize("step", [2.0, 60.0])
@pytest.mark.usefixtures("_both_ways")
def test_segments_near_points_are_those_of_a_tree_of_segments(step: float) -> None:
    rng = np.random.default_rng(int(step))
    xy, offsets = _walks(rng, 90, step)
    first = np.setdiff1d(np.arange(len(xy)), offsets[1:] - 1)
    segments = shapely.linestrings(np.stack([xy[first], xy[first + 1]], axis=1))
    points = xy[first] + 0.3 * (xy[first + 1] - xy[first]) + rng.uniform(-0.5, 0.5, (len(first), 2))
    expected = shapely.STRtree(segments).query(shapely.points(points), "dwithin", 0.5).T
    found = segments_near(points, xy, offsets, reach=0.5)
    told = set(map(tuple, found.tolist()))
    assert len(told) == len(found)
    assert told >= {(point, first[row]) for point, row in expected.tolist()}
    row = np.searchsorted(first, found[:, 1])
    apart = shapely.distance(shapely.points(points[found[:, 0]]), segments[row])
    assert apart.max() <= 0.5 + 2e-6


def test_a_line_that_only_ends_at_a_point_is_not_near_it() -> None:
    xy = np.array([(0, 0), (10, 0), (10, 0), (20, 5), (10, 0), (15, 9), (9, 9), (9.0, 0)])
    offsets = np.array([0, 2, 4, 8])
    ends = np.array([(10.0, 0), (9.0, 0), (0, 0)])
    assert lines_near(ends, xy, offsets, reach=0.1).tolist() == [[1, 0]]
    assert lines_near(ends, xy, offsets, reach=1.5).tolist() == [[0, 2], [1, 0], [1, 1], [1, 2]]


@pytest.mark.parametrize("end", [(0.0, 0.0), (10.0, 0.0)])
@pytest.mark.parametrize("off", [(0.05, 0.0), (-0.05, 0.0), (0.0, 0.05), (0.0, -0.05)])
@pytest.mark.usefixtures("_both_ways")
def test_a_line_is_near_what_lies_beside_its_end(
    end: tuple[float, float], off: tuple[float, float]
) -> None:
    xy = np.array([(0.0, 0), (4.0, 0), (4.0, 0), (10.0, 0)])  # a vertex drawn twice
    found = lines_near(np.array([end]) + off, xy, np.array([0, 4]), reach=0.1)
    assert found.tolist() == [[0, 0]]


def test_from_one_line_to_the_next_there_is_no_line() -> None:
    xy = np.array([(0, 0), (1, 0), (900, 0), (901, 0), (0, 7), (1.0, 7)])
    points = np.array([(450.0, 0), (450.0, 3.5), (900.5, 0.2)])
    assert lines_near(points, xy, np.array([0, 2, 4, 6]), reach=0.5).tolist() == [[2, 1]]


def test_segments_to_the_null_of_the_map_are_in_few_parts() -> None:
    rng = np.random.default_rng(3)
    starts = rng.uniform(0, 2_000, (3_000, 2)) + np.array([4e5, 5.6e6])
    ends = starts + rng.normal(0, 30, starts.shape)
    ends[:300] = 0.0
    xy = np.stack([starts, ends], axis=1).reshape(-1, 2)
    steps = np.abs(ends - starts).max(axis=1)
    assert np.ceil(steps / (LONGEST * _usual(steps))).sum() < 6 * len(steps)
    points = (starts + ends)[300:] / 2
    offsets = np.arange(0, len(xy) + 1, 2)
    found = set(map(tuple, lines_near(points, xy, offsets, reach=0.5).tolist()))
    assert {(k, k + 300) for k in range(2_700)} <= found


@pytest.mark.parametrize("seed", range(20))
def test_links_that_hold_places_together_are_few_and_hold_what_all_pairs_do(seed: int) -> None:
    rng = np.random.default_rng(seed)
    spread = float(rng.choice([1.0, 5.0, 30.0]))
    points = rng.uniform(0, spread, (80, 2)).round(int(rng.integers(0, 4)))
    same, pairs = near_places(points, 1.0)
    held = np.stack([np.arange(80), same], axis=1)
    links = holding_links(points, 1.0)
    assert len(links) < 80
    assert components(links, 80).tolist() == components(np.concatenate([held, pairs]), 80).tolist()


def test_of_points_in_a_heap_no_more_links_are_held_than_there_are_points() -> None:
    points = np.random.default_rng(1).uniform(0, 3.0, (4_000, 2))
    tracemalloc.start()
    try:
        links = holding_links(points, 1.0)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert not components(links, 4_000).any()
    assert peak < 10e6  # bytes; of all pairs there are two million


def test_no_points_hold_together_nothing() -> None:
    assert holding_links(np.zeros((0, 2)), 1.0).shape == (0, 2)
