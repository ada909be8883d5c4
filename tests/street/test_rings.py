"""Rings: streets that close on themselves end nowhere, wherever their drawing begins."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.street.closures import ClosureRules, close_lanes
from geotools.street.context import Spots, find_streets
from geotools.street.lanes import Passage
from geotools.street.laydown import build_corridors
from geotools.street.net import StreetNet, build_streets
from geotools.street.others import Own, others_near
from geotools.street.tapers import DOWNSTREAM_TAPER_M

RADIUS, STEPS = 200.0, 180
SIDE = 2 * RADIUS * np.sin(np.pi / STEPS)  # m of the polygon drawn
ROUND = STEPS * SIDE
MAX_TURN = Street().max_turn
RULES = ClosureRules(
    passage=Passage(gap=0.6, share=0.85),
    taper=30.0,
    buffer=50.0,
    keep_right=True,
    max_turn=MAX_TURN,
)
Line = list[tuple[float, float]]


def at(step: float, radius: float = RADIUS) -> tuple[float, float]:
    """Return a place so many of the steps round, counted against the clock from the west."""
    turn = np.pi + 2 * np.pi * step / STEPS
    return float(radius * np.cos(turn)), float(radius * np.sin(turn))


def ring(start: int, *, back: bool = False, cuts: tuple[int, ...] = ()) -> list[Line]:
    """Return a ring drawn from a step on, in one or cut into several lines."""
    whole = [at(start + k) for k in range(STEPS)]
    whole.append(whole[0])
    if back:
        whole.reverse()
    return [whole[a : b + 1] for a, b in pairwise((0, *cuts, STEPS))]


def net(lines: list[Line], **columns: Any) -> StreetNet:
    said = {"class": "local", "lanes": 2.0, "width": 7.0, "speed": 14.0, "name": ""}
    table = pd.DataFrame({**said, **columns}, index=range(len(lines)))
    xy = np.concatenate([np.array(line, dtype=float) for line in lines])
    offsets = np.cumsum([0, *map(len, lines)])
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=0.5)


def spots(streets: StreetNet, *steps: float) -> Spots:
    """Return the places in the middle of the street, so far round."""
    xy = np.array([at(step) for step in steps])
    heading = np.stack([-xy[:, 1], xy[:, 0]], axis=1) / RADIUS  # against the clock
    return find_streets(streets, xy, heading, reach=15.0, parallel=np.radians(30))


def room(streets: StreetNet, step: float, *obstacles: shapely.Geometry) -> list[float]:
    """Return the room for strings from there on against the clock, and with it."""
    lanes = build_corridors(
        streets, np.array(obstacles, dtype=object), no_block=["arterial"], clear=10.0, verge=4.0,
        accuracy=0.5, max_turn=np.radians(45),
    )  # fmt: skip
    place = spots(streets, step, step)
    way = np.array([True, False]) == place.same
    return lanes.available(place.chain, place.at, way, np.array([8.0, 8.0])).tolist()


DRAWN = [(0, False, ()), (0, True, ()), (37, False, ()), (90, True, (20,)), (120, False, (40, 90))]


@pytest.mark.parametrize(("start", "back", "cuts"), DRAWN)
@pytest.mark.parametrize("step", [0.0, 0.4, 37.0, 90.2, 119.9])
def test_a_string_in_a_ring_goes_half_way_round_wherever_the_ring_begins(
    start: int, back: bool, cuts: tuple[int, ...], step: float
) -> None:
    streets = net(ring(start, back=back, cuts=cuts))
    assert room(streets, step) == pytest.approx([ROUND / 2] * 2, abs=1e-6)


@pytest.mark.parametrize(("start", "back", "cuts"), DRAWN)
def test_an_intersection_in_a_ring_stops_strings_from_either_side_and_no_seam_does(
    start: int, back: bool, cuts: tuple[int, ...]
) -> None:
    """An arterial meets the ring where one of the drawings begins."""
    stem = [at(37), at(37, RADIUS + 150)]
    lines = [*ring(start, back=back, cuts=cuts), stem]
    streets = net(lines, **{"class": [*["local"] * (len(lines) - 1), "arterial"]})
    assert room(streets, 30.0) == pytest.approx([7 * SIDE - 10, ROUND / 2], abs=1e-6)
    assert room(streets, 45.0) == pytest.approx([ROUND / 2, 8 * SIDE - 10], abs=1e-6)
    quiet = net(lines)
    assert room(quiet, 30.0) == pytest.approx([ROUND / 2] * 2, abs=1e-6)


@pytest.mark.parametrize("start", [0, 5, 60])
def test_a_place_in_the_way_stops_strings_over_the_seam_of_a_ring(start: int) -> None:
    """It reaches half a step either way from a vertex."""
    river = shapely.Point(*at(5)).buffer(SIDE / 2, 256)
    streets = net(ring(start))
    before, behind = room(streets, 3.0, river), room(streets, 9.0, river)
    assert before == pytest.approx([1.5 * SIDE, ROUND / 2], abs=0.01)
    assert behind == pytest.approx([ROUND / 2, 3.5 * SIDE], abs=0.01)


def closures(streets: StreetNet, step: float, work: float) -> pd.DataFrame:
    """Close the lane to the right, in the way of the chain, of work so long about a place."""
    place = spots(streets, step)
    pit = {
        "pit_id": "P1", "pull_id": "", "run_id": "R", "lanes_taken": 1, "days": 4.0,
        "edge_low": -2.0, "edge_high": -1.0, "street_chain": place.chain[0],
        "street_width": 7.0, "street_lanes": 2, "street_speed": 14.0, "street_oneway": 0.0,
        "street_class": "local", "street_name": "", "first_day": 1.0, "last_day": 9.0,
        "work_low": place.at[0] - work / 2, "work_high": place.at[0] + work / 2,
    }  # fmt: skip
    return close_lanes(pd.DataFrame([pit]), streets, RULES).table


@pytest.mark.parametrize(("start", "back", "cuts"), DRAWN)
def test_a_closure_goes_on_over_the_seam_of_a_ring(
    start: int, back: bool, cuts: tuple[int, ...]
) -> None:
    """It is as the one far from the seam, turned: of the same size, none of it lacking."""
    streets = net(ring(start, back=back, cuts=cuts))
    turned = []
    for step in (0, 37, 90, 135):
        (row,) = closures(streets, step, 10.0).itertuples()
        assert row.lacking == 0.0
        turned.append(shapely.affinity.rotate(row.geometry, -step * 360 / STEPS, origin=(0, 0)))
    for shape in turned[1:]:
        assert shape.symmetric_difference(turned[0]).area == pytest.approx(0.0, abs=1e-4)
    # 30 m of taper and 15.24 m of the other one take half of a lane, 60 m between all of it, on
    # the outer side of a ring or on its inner side.
    due = 3.5 * (50.0 + 10.0 + (30.0 + DOWNSTREAM_TAPER_M) / 2)
    assert turned[0].area == pytest.approx(due, rel=0.02)


def test_a_closure_ends_where_it_would_come_to_itself_round_a_ring() -> None:
    """Round a ring of 1257 m work of 1200 m leaves what its downstream taper does not take."""
    (row,) = closures(net(ring(0)), 40.0, 1200.0).itertuples()
    left = ROUND - 1200.0 - DOWNSTREAM_TAPER_M
    assert row.lacking == pytest.approx(80.0 - left, abs=1e-6)


def test_a_ring_is_one_street_to_what_lies_by_it() -> None:
    """Held several laps long, it is told once of a ground in the middle of one of its sides."""
    x, y = np.mean([at(20), at(21)], axis=0)
    ground = np.array([shapely.box(x - 1, y - 1, x + 1, y + 1)], dtype=object)
    near = others_near(net(ring(0)), ground, Own.none(1), reach=10.0)
    assert near.ground.tolist() == [0]
    assert near.line.tolist() == [0]
