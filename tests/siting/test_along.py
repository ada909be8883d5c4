"""Strings take lanes of every street they lie in, as far as they are long."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.siting.along import Across, Along, StringSpots, lanes_along
from geotools.siting.refusals import PAST_VERGE, SHUTS
from geotools.siting.works import SiteRates
from geotools.street.net import build_streets

RATES: Any = SiteRates(
    setup=(0.0, 0.0, 0.0, 0.0), intersection_factor=1.0, excavation=0.0, restoration=0.0,
    open_laying=0.0, off_street=0.0, support=0.0, tie_in=0.0,
    temporary_service=0.0, connection_in_pit=0.0, valve_in_pit=0.0, at_end=0.0,
    lane_day={"local": 150.0, "collector": 400.0, "primary": 2000.0}, lane_day_other=200.0,
    full_closure_factor=2.0,
)  # fmt: skip
WIDE, NARROW = (14.0, 4), (6.0, 2)


def along(
    own: float, classes: tuple[str, ...], sizes: list[tuple[float, int]], *, most: int = 1,
    forward: bool = True, outside: float = 0.1, begin: float = 70.0, back: bool = False,
    least: float = 40.0, free: float = np.inf, verge: float = 4.0,
) -> Along:  # fmt: skip
    """Walk along streets of 100 m each, from 70 m into the first of them, or back from there.

    For all else so many metres are ``free``, and no string is shorter than the ``least``.
    """
    ends = np.arange(len(sizes) + 1) * 100.0
    ends = ends if forward else -ends
    xy = np.array([[(a, 0.0), (b, 0.0)] for a, b in itertools.pairwise(ends)])
    table = pd.DataFrame(
        {"class": classes, "lanes": [n for _, n in sizes], "width": [w for w, _ in sizes],
         "speed": 14.0, "name": "High Lane"}
    )  # fmt: skip
    lines = Lines(table, xy.reshape(-1, 2), np.arange(len(sizes) + 1) * 2)
    net = build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)
    (first, last) = net.chains.xy[0, 0], net.chains.xy[-1, 0]
    way = (last > first) == forward
    at = abs((begin if forward else -begin) - first)
    left = own if way else -own
    way = way != back
    spots = StringSpots(
        np.array([0]), np.array([at]), np.array([way]), np.array([left]), np.array([outside])
    )
    across = Across(verge, 0.5, 0.6, 0.85, True, frozenset({"primary"}), most)
    room = np.array([min(free, net.lengths[0] - at if way else at)])
    return lanes_along(spots, room, net.alike, across, RATES, least=least, longest=500.0)


@pytest.mark.parametrize("forward", [True, False])
def test_a_string_on_the_middle_closes_the_narrow_street_it_goes_on_into(forward: bool) -> None:
    # 0.65 m either side of the middle: two lanes of 3.5 m keep 6.35 m, 85 % of both; of one lane
    # of 3 m 2.35 m are left, less than 85 %
    got = along(0.0, ("collector", "local"), [WIDE, NARROW], forward=forward)
    assert got.begins[0].tolist() == pytest.approx([0.0, 30.0])
    assert got.taken[0].tolist() == [0.0, 2.0]
    assert got.day[0].tolist() == [0.0, 2 * 150.0 * 2.0]
    assert got.room[0] == pytest.approx(130.0)


@pytest.mark.parametrize("hair", [-1e-9, 0.0, 1e-9])
@pytest.mark.parametrize("forward", [True, False])
@pytest.mark.parametrize(("back", "taken"), [(True, 0.0), (False, 2.0)])
def test_a_string_that_begins_where_two_streets_meet_takes_of_the_one_it_lies_in(
    forward: bool, back: bool, taken: float, hair: float
) -> None:
    """As above: none of the wide street, both lanes of the narrow one, whichever way they run."""
    streets = ("collector", "local"), [WIDE, NARROW]
    got = along(0.0, *streets, forward=forward, back=back, begin=100.0 + hair)
    assert got.begins[0].tolist() == [0.0]
    assert got.taken[0].tolist() == [taken]
    assert got.room[0] == pytest.approx(100.0)


def test_a_lane_costs_what_it_does_in_the_dearest_street_it_is_taken_of() -> None:
    got = along(2.0, ("local", "collector", "local"), [NARROW, NARROW, NARROW])
    assert got.begins[0].tolist() == pytest.approx([0.0, 30.0])
    assert got.taken[0].tolist() == [1.0, 1.0]
    assert got.day[0].tolist() == [150.0, 400.0]


def test_streets_alike_are_one() -> None:
    assert along(2.0, ("local",) * 3, [NARROW] * 3).begins[0].tolist() == [0.0]


def test_room_ends_where_the_string_would_lie_past_the_verge() -> None:
    got = along(10.5, ("collector", "local"), [WIDE, NARROW])  # 7 + 4 m here, 3 + 4 m there
    assert got.room[0] == pytest.approx(30.0)
    assert got.denied[0] == PAST_VERGE


def test_room_ends_where_a_busy_street_would_lose_all_its_lanes() -> None:
    got = along(0.0, ("collector", "primary"), [WIDE, NARROW])
    assert got.room[0] == pytest.approx(30.0)
    assert got.denied[0] == SHUTS
    alone = along(0.0, ("primary",), [NARROW])
    assert np.isinf(alone.taken[0, 0])  # as at the ramp itself


@pytest.mark.parametrize(("least", "denied"), [(30.0, 0), (30.5, PAST_VERGE)])
def test_what_lies_beyond_the_shortest_string_denies_it_nothing(least: float, denied: int) -> None:
    got = along(10.5, ("collector", "local"), [WIDE, NARROW], least=least)
    assert got.room[0] == pytest.approx(30.0)  # longer ones end there all the same
    assert got.denied[0] == denied


# A string 2 m off the middle, with a verge of 0.5 m. In a street of 2.8 m it lies beyond 1.4 + 0.5
# m; of a single lane of 4 m it leaves 2 - 0.65 + 2 m, less than 85 %.
OPEN, TIGHT, SHUT = ("local", (8.0, 2)), ("local", (2.8, 1)), ("primary", (4.0, 1))


@pytest.mark.parametrize("forward", [True, False])
@pytest.mark.parametrize(
    ("streets", "least", "free", "denied", "room"),
    [
        ([OPEN, TIGHT], 40.0, np.inf, PAST_VERGE, 30.0),
        ([OPEN, SHUT], 40.0, np.inf, SHUTS, 30.0),
        ([OPEN, SHUT, TIGHT], 140.0, np.inf, SHUTS | PAST_VERGE, 30.0),
        ([OPEN, TIGHT, SHUT], 140.0, np.inf, SHUTS | PAST_VERGE, 30.0),
        ([OPEN, SHUT, TIGHT], 120.0, np.inf, SHUTS, 30.0),  # the second begins at 130 m
        ([SHUT, TIGHT], 40.0, np.inf, SHUTS | PAST_VERGE, 130.0),
        # what else ends its room hides no street
        ([OPEN, TIGHT], 40.0, 10.0, PAST_VERGE, 10.0),
        ([OPEN, TIGHT], 40.0, 30.0, PAST_VERGE, 30.0),
        ([OPEN, TIGHT, SHUT], 140.0, 10.0, SHUTS | PAST_VERGE, 10.0),
        ([OPEN, TIGHT], 20.0, 10.0, 0, 10.0),
    ],
)
def test_all_that_denies_the_shortest_string_its_room_is_told(
    streets, least, free, denied, room, forward
) -> None:
    classes, sizes = zip(*streets, strict=True)
    got = along(2.0, classes, list(sizes), verge=0.5, least=least, free=free, forward=forward)
    assert got.denied[0] == denied
    assert got.room[0] == pytest.approx(room)


def test_of_a_street_that_denies_a_string_its_room_twice_both_are_told() -> None:
    # the pipe of 1 m leaves 2 - 1.1 + 1.4 m of a lane of 2.8 m, 82 %, and lies past the verge
    got = along(2.0, ("local", "primary"), [OPEN[1], TIGHT[1]], verge=0.5, outside=1.0)
    assert got.denied[0] == PAST_VERGE | SHUTS


def test_what_is_told_beyond_the_room_changes_nothing_of_the_lanes_within() -> None:
    streets = ("local", "collector", "local"), [OPEN[1], NARROW, (8.0, 2)]
    near, far = (along(0.0, *streets, least=least, free=20.0, most=3) for least in (15.0, 400.0))
    for name in ("room", "begins", "taken", "day"):
        np.testing.assert_array_equal(getattr(near, name), getattr(far, name))


def test_strings_side_by_side_lie_as_the_narrowest_street_lets_them() -> None:
    # own 4.0 m, steps of 0.6 m: to the verge 10.95 m there is room, in the narrow one to 6.95 m
    got = along(4.0, ("local", "local"), [WIDE, NARROW], most=6)
    near, far = got.taken[0, :6], got.taken[0, 6:]
    assert np.isfinite(near).all() and np.isfinite(far).all()
    # beyond the kerb at 3 m five lie from 4.0 to 6.4 m, clear of the lane by 0.95 m, the sixth
    # towards the middle at 3.4 m, which is 0.25 m into the lane of 3 m: 92 % of it stay
    assert far[:5].tolist() == near[:5].tolist()
    assert got.room[0] == pytest.approx(130.0)
