"""Points measured to lines of many vertices: as by shapely, and no work of their product."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from geotools.network import doubles, measured
from geotools.network.doubles import _on_each_other
from geotools.network.measured import STEPS, Polylines
from geotools.network.overlaps import find_overlaps
from geotools.network.ragged import offsets_of, to_linestrings

WAYS = ("distance", "line_locate_point")


def _lines(rng: np.random.Generator, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Return lines: drawn by hand, or on a raster where segments lie on others and are nothing."""
    sizes = rng.integers(2, 90, 12)
    if kind == "hand":
        steps = rng.normal(0, 3, (sizes.sum(), 2))
        return np.cumsum(steps, axis=0) + np.array([4e5, 5.6e6]), offsets_of(sizes)
    return np.cumsum(rng.integers(-1, 2, (sizes.sum(), 2)), axis=0) * 1.0, offsets_of(sizes)


def _points(rng: np.random.Generator, xy: np.ndarray) -> np.ndarray:
    """Return points at vertices, half way between those of a raster, near and far off."""
    at = xy[rng.integers(0, len(xy), 200)]
    aside = (rng.integers(-3, 4, at.shape) / 2, rng.normal(0, 2, at.shape), 1e4)
    return np.concatenate([at, *(at + off for off in aside)])


class Counted:
    """A function of shapely that counts the vertices of what it measures to."""

    def __init__(self, patch: pytest.MonkeyPatch, name: str) -> None:
        self.plain, self.vertices = getattr(shapely, name), 0
        patch.setattr(shapely, name, self)

    def __call__(self, lines: Any, points: Any) -> Any:
        self.vertices += int(shapely.get_num_coordinates(lines).sum())
        return self.plain(lines, points)


@pytest.mark.parametrize("kind", ["hand", "raster"])
@pytest.mark.parametrize("seed", range(5))
def test_nearest_segments_are_measured_to_as_the_whole_line_to_the_last_bit(
    monkeypatch: pytest.MonkeyPatch, kind: str, seed: int
) -> None:
    monkeypatch.setattr(measured, "EVEN", 0)  # of every line a tree
    rng = np.random.default_rng(seed)
    xy, offsets = _lines(rng, kind)
    points = _points(rng, xy)
    point = np.repeat(np.arange(len(points)), 3)
    line = rng.integers(0, len(offsets) - 1, len(point))
    lines, spots = to_linestrings(xy, offsets)[line], shapely.points(points[point])
    counted = [Counted(monkeypatch, name) for name in WAYS]
    ours = Polylines(xy, offsets)
    assert (ours.distance(points, point, line) == counted[0].plain(lines, spots)).all()
    assert (ours.locate(points, point, line) == counted[1].plain(lines, spots)).all()
    assert [way.vertices for way in counted] == [2 * len(point)] * 2


def test_lines_asked_for_seldom_are_measured_to_as_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    xy = np.column_stack([np.arange(5_000.0), np.zeros(5_000)])
    points, row = xy[::100] + np.array([0.25, 3.0]), np.arange(50)
    counted = [Counted(monkeypatch, name) for name in WAYS]
    line = Polylines(xy, np.array([0, 5_000]))
    assert (line.distance(points, row, 0 * row) == 3.0).all()
    assert line.locate(points, row, 0 * row)[:49] == pytest.approx(points[:49, 0], abs=1e-9)
    assert [way.vertices for way in counted] == [50 * 5_000] * 2


def test_points_beside_a_line_of_as_many_vertices_take_work_in_proportion(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    count = 3_000
    rng = np.random.default_rng(1)
    xy = np.column_stack([np.arange(count) / 2, 20 * np.sin(np.arange(count) / 600)])
    counted = [Counted(monkeypatch, name) for name in WAYS]
    line = Polylines(xy, np.array([0, count]))
    found = line.within(xy + rng.normal(0, 2, xy.shape), 20.0)
    line.locate(xy, found.point, found.line)
    assert found.point.tolist() == list(range(count))
    assert [way.vertices for way in counted] == [2 * count] * 2
    assert shapely.get_num_coordinates(line.tree.geometries).max() == STEPS + 1


def _twins(count: int, aside: float) -> tuple[np.ndarray, np.ndarray]:
    """Return one line drawn twice, with so many vertices each, between the same ends."""
    rng = np.random.default_rng(2)
    xy = np.column_stack([np.arange(count) / 2, 20 * np.sin(np.arange(count) / 600)])
    off = rng.uniform(-aside, aside, xy.shape)
    off[[0, -1]] = 0.0
    return np.concatenate([xy, xy + off]), offsets_of(np.full(2, count))


def test_a_main_drawn_twice_is_found_with_work_in_proportion(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    count = 3_000
    xy, offsets = _twins(count, 0.02)
    counted = [Counted(monkeypatch, name) for name in (*WAYS, "hausdorff_distance")]
    both = np.ones(2, dtype=bool)
    found = find_overlaps(
        xy, offsets, chosen=both, diameter=both / 2, diameter_tolerance=0.0, reach=0.3
    )
    assert found.line.tolist() == [[0, 1]]
    assert found.high - found.low == pytest.approx(count / 2, rel=0.1)
    pairs = np.array([[0, 1]])
    assert _on_each_other(Polylines(xy, offsets), pairs, 0.05).tolist() == [True]
    assert (
        counted[0].vertices == (4 + 2 + 4) * count
    )  # of both lines: overlaps, half way, all the way
    assert counted[1].vertices == 4 * count
    assert counted[2].vertices == 0


@pytest.mark.parametrize("seed", range(4))
def test_lines_lie_on_each_other_as_hausdorffs_distance_tells_it(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    monkeypatch.setattr(doubles, "AT_ONCE", 50)  # pairs a few at once
    rng = np.random.default_rng(seed)
    sizes = rng.integers(2, 30, 30)
    parts = [np.sort(rng.uniform(0, 90, size)) for size in sizes]
    along = np.concatenate(parts)
    aside = np.repeat(rng.choice([0.1, 0.3, 2.0], 30), sizes) * rng.uniform(-1, 1, sizes.sum())
    xy = np.column_stack([along, 9 * np.sin(along / 30) + aside])
    offsets = offsets_of(sizes)
    xy[offsets[:-1]], xy[offsets[1:] - 1] = (0.0, 0.0), (90.0, 1.27)
    pairs = np.stack(np.triu_indices(30, 1), axis=1)
    one, other = (to_linestrings(xy, offsets)[rows] for rows in pairs.T)
    apart = shapely.hausdorff_distance(one, other)
    for near in (*np.quantile(apart, [0.1, 0.5, 0.9]), *apart[:3], 1.0):  # some at the very limit
        same = _on_each_other(Polylines(xy, offsets), pairs, float(near))
        assert (same == (apart <= near)).all()
        assert same.any()
    assert not _on_each_other(Polylines(xy, offsets), pairs[:0], 1.0).size
