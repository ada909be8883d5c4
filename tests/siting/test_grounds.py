"""Grounds kept as boxes against the same grounds as polygons, judged by shapely."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from geotools.network.cells import Points
from geotools.network.ragged import IntArray
from geotools.pipe.pits import GROUND_PLACES
from geotools.siting.grounds import Grounds
from geotools.siting.ramps import GroundLine
from tests.siting.drawn import grounds_of

COUNT = 60


def _shapes(grounds: Grounds) -> Any:
    row, role = np.divmod(np.arange(grounds.bent.size), 4)
    return grounds.polygons(row, role).reshape(grounds.bent.shape)


@pytest.fixture(scope="module")
def pairs() -> tuple[Grounds, Grounds]:
    """The same pits as boxes and as polygons; every seventh ground is no box in either."""
    rng = np.random.default_rng(3)
    angle = rng.uniform(0, 2 * np.pi, (COUNT, 4))
    foot = (
        np.array([4e5, 5e6]) + rng.uniform(0, 200, (COUNT, 1, 2)) + rng.uniform(0, 5, (COUNT, 4, 2))
    )
    heading = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    length, half = rng.uniform(1, 40, (COUNT, 4)), rng.uniform(0.5, 3, (COUNT, 4))
    lines = [
        shapely.LineString([f, f + h * n])
        for f, h, n in zip(foot.reshape(-1, 2), heading.reshape(-1, 2), length.ravel(), strict=True)
    ]
    drawn = shapely.buffer(lines, half.ravel(), cap_style="flat").reshape(COUNT, 4)
    odd = (np.arange(COUNT * 4) % 7 == 0).reshape(COUNT, 4)
    whole = grounds_of(drawn)
    mixed = [
        np.where(odd.reshape(odd.shape + (1,) * (box.ndim - 2)), around, box)
        for box, around in zip(
            (foot, heading, length, half),
            (whole.foot, whole.heading, whole.length, whole.half_width),
            strict=True,
        )
    ]
    size = np.where(odd, np.nan, 2 * half * length)
    return Grounds(*mixed, size, odd, whole.draw), whole


def test_boxes_are_drawn_as_a_line_with_its_width(pairs: tuple[Grounds, Grounds]) -> None:
    boxed, drawn = pairs
    row, role = np.divmod(np.arange(COUNT * 4), 4)
    apart = shapely.symmetric_difference(boxed.polygons(row, role), drawn.polygons(row, role))
    assert shapely.area(apart).max() < 1e-6
    assert 0 < boxed.bent.sum() < COUNT * 4
    assert drawn.bent.all()
    wanted = np.ones((COUNT, 4), dtype=bool)
    assert boxed.area(wanted) == pytest.approx(drawn.area(wanted), rel=1e-6)


def test_the_area_of_a_bent_ground_is_worked_out_where_it_is_wanted_alone(
    pairs: tuple[Grounds, Grounds],
) -> None:
    boxed, drawn = pairs
    wanted = np.arange(COUNT * 4).reshape(COUNT, 4) % 3 == 0
    asked: list[int] = []

    def draw(row: IntArray, role: IntArray) -> Any:
        asked.append(len(row))
        return boxed.draw(row, role)

    area = replace(boxed, draw=draw).area(wanted)
    whole = shapely.area(_shapes(drawn))
    assert area == pytest.approx(np.where(boxed.bent & ~wanted, 0.0, whole), rel=1e-6)
    assert asked == [int((boxed.bent & wanted).sum())]


@pytest.mark.parametrize("distance", [0.5, 6.0, 30.0])
def test_boxes_near_points_are_those_the_polygons_are_near(
    pairs: tuple[Grounds, Grounds], distance: float
) -> None:
    boxed, drawn = pairs
    points = np.array([4e5, 5e6]) + np.random.default_rng(4).uniform(-60, 260, (40, 2))
    gap = shapely.distance(_shapes(drawn)[..., None], shapely.points(points)).min(axis=-1)
    near = boxed.near_points(Points(points), distance)
    assert (near == (gap <= distance)).all()
    assert (near == drawn.near_points(Points(points), distance)).all()
    assert 0 < near.sum() < near.size


@pytest.mark.parametrize("distance", [0.0, 4.0])
def test_boxes_near_places_are_those_the_polygons_are_near(
    pairs: tuple[Grounds, Grounds], distance: float
) -> None:
    drawn = pairs[1]
    corner = np.array([4e5, 5e6]) + np.random.default_rng(5).uniform(-20, 220, (15, 2))
    places = shapely.box(*corner.T, *(corner + 12.0).T)
    gap = shapely.distance(_shapes(drawn)[..., None], places)
    due = set(zip(*np.nonzero(gap <= distance), strict=True))
    for grounds in pairs:
        assert set(zip(*grounds.near_places(shapely.STRtree(places), distance), strict=True)) == due
    assert due


def test_a_pit_of_no_candidates_meets_nothing() -> None:
    none = grounds_of(np.zeros((0, 4), dtype=object))
    tree = shapely.STRtree([shapely.Point(0, 0), shapely.Point(1, 1)])
    points = Points(np.array([[0.0, 0.0], [1.0, 1.0]]))
    assert none.near_points(points, 5.0).shape == (0, 4)
    assert all(len(part) == 0 for part in none.near_places(tree, 1.0))


def test_ground_before_the_run_turns_off_is_that_of_the_run_alone() -> None:
    """A run that climbs 1 in 10 for 10.5 m and turns; straight on the ground drops by 3 m."""
    reach = np.array([[16.0]])
    place = np.linspace(0.0, 16.0, GROUND_PLACES)
    rise = np.where(place <= 10.5, place / 10, -3.0)[None, None]
    line = GroundLine(
        reach,
        np.zeros((1, 1), dtype=np.int64),
        rise.reshape(-1, GROUND_PLACES),
        np.array([[10.5]]),
        np.array([[1.05]]),
    )
    for way, due in [
        (3.3, 0.33),
        (10.2, 1.02),
        (10.5, 1.05),
        (10.75, (1.05 - 3) / 2),
        (12.0, -3.0),
    ]:
        assert line.at(np.array([[way]]))[0, 0] == pytest.approx(due, abs=1e-12)
    ways = np.array([[3.3, 10.2, 10.75, 99.0]])
    rows = np.zeros(1, dtype=np.int64)
    assert line.of(rows, 0).at(ways)[0] == pytest.approx([0.33, 1.02, -0.975, -3.0])
