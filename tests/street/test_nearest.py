"""Nearest segments by cells against geos, which measures every place to every segment."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools import accel
from geotools.network.cells import STRIDE, by_place, cells_near_segments, cells_of_points
from geotools.street.nearest import StreetSegments, nearest_segments

EAST = np.array([1.0, 0.0])


def segments_of(ends: np.ndarray) -> StreetSegments:
    first = np.arange(len(ends)) * 2
    return StreetSegments(first, np.arange(len(ends)), ends.reshape(-1, 2))


def by_geos(
    ends: np.ndarray, xy: np.ndarray, heading: np.ndarray, reach: float, parallel: float
) -> set[tuple[int, int]]:
    gap = shapely.distance(shapely.points(xy)[:, None], shapely.linestrings(ends)[None])
    step = ends[:, 1] - ends[:, 0]
    size = np.hypot(*step.T)
    cosine = np.abs(heading @ step.T) / np.maximum(size, 1e-12)
    gap[cosine < np.cos(parallel)] = np.inf
    least = gap.min(axis=1, keepdims=True)
    return set(zip(*np.nonzero((gap <= least + 1e-6) & (gap <= reach)), strict=True))


@pytest.mark.parametrize("reach", [0.3, 25.0, 4_000.0])
@pytest.mark.parametrize("scale", [10.0, 400.0, 30_000.0])
def test_the_nearest_segments_are_those_of_geos(reach: float, scale: float) -> None:
    rng = np.random.default_rng([int(reach * 10), int(scale)])
    ends = rng.uniform(-3_000, 3_000, (300, 1, 2)) + rng.normal(0, scale, (300, 2, 2))
    ends[:20, 1] = ends[:20, 0] + (scale, 0.0)  # along the edges of cells
    xy = np.concatenate([rng.uniform(-4_000, 4_000, (400, 2)), ends[:100, 0], ends[100:200, 1]])
    angle = rng.uniform(0, 2 * np.pi, len(xy))
    heading = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    place, segment = nearest_segments(
        segments_of(ends), xy, heading, reach=reach, parallel=np.radians(50), tie=1e-6
    )
    assert (np.diff(place) >= 0).all()
    due = by_geos(ends, xy, heading, reach, np.radians(50))
    assert set(zip(place, segment, strict=True)) == due


def test_of_segments_with_a_reach_each_the_nearest_in_its_own_is_found() -> None:
    rng = np.random.default_rng(3)
    ends = rng.uniform(-500, 500, (300, 1, 2)) + rng.normal(0, 100, (300, 2, 2))
    xy, reach = rng.uniform(-600, 600, (300, 2)), rng.uniform(1, 60, 300)
    place, segment = nearest_segments(
        segments_of(ends), xy, np.tile(EAST, (300, 1)), reach=reach, parallel=1.0, tie=1e-6
    )
    gap = shapely.distance(shapely.points(xy)[:, None], shapely.linestrings(ends)[None])
    step = ends[:, 1] - ends[:, 0]
    aslant = np.abs(step[:, 0]) / np.hypot(*step.T) < np.cos(1.0)
    gap[(gap > reach) | aslant] = np.inf
    nearest = np.flatnonzero(np.isfinite(gap.min(axis=1)))
    due = set(zip(nearest, gap.argmin(axis=1)[nearest], strict=True))
    assert set(zip(place, segment, strict=True)) == due and 50 < len(due) < 300


def test_every_segment_equally_near_is_returned_however_many_there_are() -> None:
    ends = np.array([[(0.0, 2.0 * side), (50.0, 2.0 * side)] for side in (1, -1)] * 4)
    place, segment = nearest_segments(
        segments_of(ends),
        np.array([[20.0, 0.0], [20.0, 500.0], [20.0, 2.5]]),
        np.tile(EAST, (3, 1)),
        reach=25.0,
        parallel=0.5,
        tie=1e-6,
    )
    assert place.tolist() == [0] * 8 + [2] * 4
    assert segment.tolist() == [*range(8), 0, 2, 4, 6]


def test_a_compiled_look_up_finds_the_same_as_an_interpreted_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(5)
    ends = rng.uniform(0, 500, (400, 1, 2)) + rng.normal(0, 30, (400, 2, 2))
    xy = rng.uniform(0, 500, (4_000, 2))
    segments, heading = segments_of(ends), np.tile(EAST, (4_000, 1))

    def find(rows: slice) -> set[tuple[int, int]]:
        place, segment = nearest_segments(
            segments, xy[rows], heading[rows], reach=25.0, parallel=1.0, tie=1e-6
        )
        return set(zip(place, segment, strict=True))

    monkeypatch.setattr(accel, "COMPILE_ABOVE", np.inf)
    few = find(slice(0, 50))
    monkeypatch.setattr(accel, "COMPILE_ABOVE", -1.0)
    whole = find(slice(0, 4_000))
    assert {pair for pair in whole if pair[0] < 50} == few


def test_no_segments_and_no_places_are_nothing_found() -> None:
    none = segments_of(np.zeros((0, 2, 2)))
    for xy in (np.zeros((0, 2)), np.zeros((3, 2))):
        place, segment = nearest_segments(
            none, xy, np.tile(EAST, (len(xy), 1)), reach=25.0, parallel=0.5, tie=1e-6
        )
        assert len(place) == len(segment) == 0


def test_a_long_segment_is_entered_along_itself_and_not_in_the_box_around_it() -> None:
    ends = np.array([[(0.0, 0.0), (50_000.0, 50_000.0)]])
    cells = cells_near_segments(ends[:, 0], ends[:, 1], reach=25.0)
    assert len(cells.member) < 12_000  # a million cells are in the box


def test_entries_of_a_cell_are_the_points_in_it() -> None:
    xy = np.array([[0.0, 0.0], [9.9, 9.9], [10.0, 0.0], [-35.0, 12.0]])
    cells = cells_of_points(xy, size=10.0)
    first, count = cells.entries(np.array([[-26.0, 17.0], [4.0, 4.0], [1e9, -1e9], [500.0, 0.0]]))
    assert count.tolist() == [1, 1, 0, 0]
    assert cells.member[first[:2]].tolist() == [3, 0]
    assert (np.diff(cells.key) > 0).all() and cells.key.max() < STRIDE * 3


def test_points_put_in_order_by_place_lie_near_the_next() -> None:
    rng = np.random.default_rng(8)
    xy = rng.uniform(-1e5, 1e5, (2_000, 2))
    order = by_place(xy)
    assert sorted(order) == list(range(2_000))
    step = np.hypot(*np.diff(xy[order], axis=0).T)
    assert np.median(step) < 8_000  # points lie 4,500 m apart, any two 100,000 m
    assert by_place(np.ones((5, 2))).tolist() == [0, 1, 2, 3, 4]
    assert len(by_place(np.zeros((0, 2)))) == 0
