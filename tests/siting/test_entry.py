"""Strings that turn from their ramp into the street, against arcs walked step by step."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.siting.entry import turned_into
from geotools.street.context import Spots, find_streets
from geotools.street.net import StreetNet, build_streets

WIDTH, VERGE = 7.0, 4.0
HALF = WIDTH / 2 + VERGE
ROOM = 140.0
WIDEST = math.radians(45.0)


def street(xy: list[tuple[float, float]]) -> StreetNet:
    table = pd.DataFrame(
        {"class": ["local"], "lanes": 2.0, "width": WIDTH, "speed": 14.0, "name": ""}
    )
    lines = Lines(table, np.array(xy, dtype=float), np.array([0, len(xy)]))
    return build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)


def free(
    xy: list[tuple[float, float]], top: tuple[float, float], heading: float, radius: float
) -> float:
    """Return how far a string gets along a street, m; ``heading`` of its ramp in rad."""
    at = np.array([top])
    way = np.array([[math.cos(heading), math.sin(heading)]])
    lies: Spots = find_streets(street(xy), at, way, reach=25.0, parallel=WIDEST)
    assert lies.chain[0] >= 0
    got = turned_into(
        lies, at, way, np.array([ROOM]), np.array([radius]), verge=VERGE, max_turn=WIDEST
    )
    return float(got[0])


def walked_out(corner: float, turn: float, radius: float) -> float:
    """Return how far a string walked step by step gets outside the leg behind a corner, m.

    It starts at the origin along x, bends as tightly as it may until it goes the way of the leg,
    and the leg goes from ``corner``, m along x, at an angle ``turn`` to it.
    """
    step = 0.01
    headings = np.minimum(np.arange(0.0, turn * radius + step, step) / radius, turn)
    x, y = np.cumsum(step * np.cos(headings)), np.cumsum(step * np.sin(headings))
    outside = math.sin(turn) * (x - corner) - math.cos(turn) * y
    return float(outside[-1])


def test_a_string_that_goes_straight_on_has_all_its_room() -> None:
    assert free([(-50, 0), (200, 0)], (0.0, 1.0), 0.0, 150.0) == ROOM


@pytest.mark.parametrize("turn", [10.0, 25.0, 44.0])
@pytest.mark.parametrize("left", [1.0, -1.0])
def test_an_arc_swings_out_over_half_the_street_at_most(turn: float, left: float) -> None:
    """R (1 - cos a), the ramp on the centreline at once at an angle to the street."""
    angle = math.radians(turn)
    most = HALF / (1.0 - math.cos(angle))
    xy = [(-200.0 * math.cos(angle), -200.0 * left * math.sin(angle)), (0.0, 0.0)]
    xy.append((-xy[0][0], -xy[0][1]))
    assert free(xy, (0.0, 0.0), 0.0, most * 0.999) == ROOM
    assert free(xy, (0.0, 0.0), 0.0, most * 1.001) == 0.0


@pytest.mark.parametrize("drawn", [1, -1])
def test_before_a_corner_too_near_for_its_tangent_a_string_ends(drawn: int) -> None:
    """PVC of R 124 m and 45 degrees: x sin a >= R (1 - cos a) - 7.5 m from x = 40.8 m on."""
    turn, radius = math.radians(45.0), 124.0
    least = (radius * (1.0 - math.cos(turn)) - HALF) / math.sin(turn)
    assert least == pytest.approx(40.8, abs=0.05)
    for corner, due in ((least + 0.1, ROOM), (least - 0.1, least - 0.1)):
        xy = [(-80.0, 0.0), (corner, 0.0), (corner + 150 * math.cos(turn), 150 * math.sin(turn))]
        assert free(xy[::drawn], (0.0, 0.0), 0.0, radius) == pytest.approx(due, abs=1e-6)


def test_a_string_on_the_outer_side_has_the_less_room_to_swing_out() -> None:
    """The ramp 2 m right of a street that goes off to the left: 5.5 m are left."""
    angle = math.radians(20.0)
    xy = [(-300.0 * math.cos(angle), -300.0 * math.sin(angle)), (0.0, 0.0)]
    xy.append((-xy[0][0], -xy[0][1]))
    right = (2.0 * math.sin(angle), -2.0 * math.cos(angle))
    left = (-right[0], -right[1])
    most = (HALF - 2.0) / (1.0 - math.cos(angle))
    assert free(xy, right, 0.0, most * 0.999) == ROOM
    assert free(xy, right, 0.0, most * 1.001) == 0.0
    assert free(xy, left, 0.0, most * 1.2) == ROOM


def test_a_wiggle_of_the_drawing_turns_no_string_away() -> None:
    wiggle = [(-50.0, 0.0), (0.0, 0.0), (0.3, 0.25), (0.6, 0.0), (200.0, 0.0)]
    assert free(wiggle, (-0.2, 0.0), 0.0, 150.0) == ROOM


@given(st.floats(0.15, 0.78), st.floats(15.0, 160.0), st.floats(0.5, 100.0))
def test_where_a_walked_arc_stays_on_its_half_there_is_room(
    turn: float, radius: float, corner: float
) -> None:
    out = walked_out(corner, turn, radius)
    if abs(out - HALF) < 0.05:
        return
    xy = [(-80.0, 0.0), (corner, 0.0), (corner + 200 * math.cos(turn), 200 * math.sin(turn))]
    got = free(xy, (0.0, 0.0), 0.0, radius)
    assert got == pytest.approx(ROOM if out < HALF else corner, abs=1e-6)
