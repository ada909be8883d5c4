"""The street of a place: nearest, roughly parallel, and what is known of it."""

from __future__ import annotations

import itertools
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.pipe.bending import passing_radius_m
from geotools.street.context import STREET_COLUMNS, context_of, find_streets
from geotools.street.laydown import build_corridors
from geotools.street.net import StreetNet, build_streets
from geotools.street.scene import with_street

EAST = np.array([1.0, 0.0])


def net(*lines: list[tuple[float, float]], **columns: Any) -> StreetNet:
    count = len(lines)
    said = {"class": "", "lanes": np.nan, "width": np.nan, "speed": np.nan, "name": ""}
    table = pd.DataFrame({**said, **columns}, index=range(count))
    offsets = np.cumsum([0, *map(len, lines)])
    xy = np.concatenate([np.array(line, dtype=float) for line in lines])
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=0.5)


def street_context(streets: StreetNet, xy: Any, heading: Any, **limits: float) -> pd.DataFrame:
    return context_of(find_streets(streets, xy, heading, **limits))


def street_at(streets: StreetNet, x: float, y: float, heading: Any = EAST) -> pd.Series:
    table = street_context(
        streets, np.array([[x, y]]), np.array([heading]), reach=25.0, parallel=np.radians(30)
    )
    assert list(table.columns) == list(STREET_COLUMNS)
    return table.iloc[0]


def test_the_nearest_street_along_the_main_is_its_street_and_not_one_that_crosses() -> None:
    streets = net([(0, 10), (300, 10)], [(50, -100), (50, 200)], name=["Along", "Across"])
    here = street_at(streets, 49.0, 2.0)
    assert here["street_name"] == "Along"
    assert street_at(streets, 49.0, 2.0, np.array([0.0, 1.0]))["street_name"] == "Across"


def test_on_its_carriageway_a_place_is_in_a_wide_street_however_far_its_centreline() -> None:
    wide = net([(0, 0), (300, 0)], [(300, 0), (600, 0)], width=[60.0, 80.0], name=["Wide", "Wider"])
    for x, y, name in ((100, 27, "Wide"), (100, -29.9, "Wide"), (500, 39, "Wider"), (500, 41, "")):
        here = street_at(wide, x, y)
        assert here["street_name"] == name
        assert not name or abs(here["street_offset"]) == y * np.sign(y)
    assert street_at(wide, 100, 31)["street_name"] == ""
    assert street_at(wide, 100, 27, np.array([0.0, 1.0]))["street_name"] == ""  # it crosses
    near = net([(0, 0), (300, 0)], [(0, 40), (300, 40)], width=[60.0, 5.0], name=["Wide", "Lane"])
    assert street_at(near, 100, 27)["street_name"] == "Lane"  # a centreline in reach comes first


def test_the_offset_is_positive_to_the_left_of_the_street_as_drawn() -> None:
    there, back = net([(0, 0), (300, 0)]), net([(300, 0), (0, 0)])
    assert street_at(there, 100.0, 4.0)["street_offset"] == pytest.approx(4.0)
    assert street_at(there, 100.0, -4.0)["street_offset"] == pytest.approx(-4.0)
    start = street_at(there, 100.0, 4.0)
    other = street_at(back, 100.0, 4.0)
    # A chain starts at its western end, whichever way the street was drawn.
    assert start["street_offset"] == pytest.approx(other["street_offset"])
    assert bool(start["street_same"]) and bool(other["street_same"])
    assert not street_at(there, 100.0, 4.0, -EAST)["street_same"]


@pytest.mark.parametrize("line", [[(0, 0), (300, 0)], [(300, 0), (0, 0)]])
def test_a_place_beyond_the_end_of_a_street_is_not_in_it_even_where_it_is_in_line(
    line: list[tuple[float, float]],
) -> None:
    for x in (-20.0, 320.0):
        beside = street_at(net(line), x, 0.001)["street_offset"]
        in_line = street_at(net(line), x, 0.0)["street_offset"]
        assert abs(in_line) == pytest.approx(20.0)
        assert in_line == pytest.approx(beside, abs=1e-3)
    assert street_at(net(line), 100.0, 0.0)["street_offset"] == 0.0


def test_what_a_street_does_not_say_takes_the_defaults_of_the_brief() -> None:
    here = street_at(net([(0, 0), (300, 0)]), 100.0, 0.0)
    rules = Street()
    assert here["street_class"] == "unclassified"
    assert here["street_lanes"] == rules.default_lanes
    assert here["street_width"] == pytest.approx(rules.default_lanes * rules.lane_width)
    assert here["street_speed"] == pytest.approx(rules.default_speed)
    said = net([(0, 0), (300, 0)], **{"class": " Arterial ", "lanes": 4.0, "width": 13.0})
    here = street_at(said, 100.0, 0.0)
    assert (here["street_class"], here["street_lanes"], here["street_width"]) == (
        "arterial", 4, 13.0,
    )  # fmt: skip


def test_a_place_with_no_street_within_reach_has_none() -> None:
    far = street_at(net([(0, 0), (300, 0)]), 100.0, 26.0)
    assert far["street_chain"] == -1
    assert far["street_name"] == ""
    assert np.isnan(far["street_width"])


def test_of_two_carriageways_the_nearer_is_the_street() -> None:
    streets = net([(0, 0), (300, 0)], [(300, 14), (0, 14)], name=["South", "North"])
    assert street_at(streets, 100.0, 5.0)["street_name"] == "South"
    assert street_at(streets, 100.0, 9.0)["street_name"] == "North"


def test_pieces_of_a_street_are_one_chain_and_say_their_own_width() -> None:
    streets = net([(0, 0), (100, 0)], [(100, 0), (300, 0)], width=[6.0, 9.0])
    assert len(streets.chains) == 1
    assert street_at(streets, 50.0, 1.0)["street_width"] == 6.0
    assert street_at(streets, 150.0, 1.0)["street_width"] == 9.0


def _told(lines: list[list[tuple[float, float]]], order: list[int], **columns: Any) -> list[Any]:
    """Return what is told of places on the middle line, the streets listed in some order."""
    picked = {name: [values[k] for k in order] for name, values in columns.items()}
    streets = net(*(lines[k] for k in order), **picked)
    xy = np.array([[30.0, 0.0], [100.0, 0.0], [170.0, 0.0]])
    table = street_context(streets, xy, np.tile(EAST, (3, 1)), reach=25.0, parallel=np.radians(30))
    # Which number a chain has hangs on the order, and says nothing of the street.
    return [tuple(row) for row in table.drop(columns="street_chain").round(6).to_numpy()]


@pytest.mark.parametrize(
    "said",
    [
        {"width": [7.0, 9.0, 7.0], "class": ["local", "arterial", "local"]},
        {"class": ["local", "arterial", "collector"]},
        {"name": ["B", "C", "A"]},
        {},
    ],
)
def test_of_streets_equally_near_the_same_counts_however_they_are_listed_and_drawn(
    said: dict[str, list[Any]],
) -> None:
    # One on either side of the main, and one that begins where the first of them does.
    lines = [[(0.0, 6.0), (200.0, 6.0)], [(0.0, -6.0), (200.0, -6.0)], [(30.0, 6.0), (210.0, 40.0)]]
    wanted = _told(lines, [0, 1, 2], **said)
    turns = itertools.cycle(itertools.product((-1, 1), repeat=3))
    for order, turned in zip(itertools.permutations(range(3)), turns, strict=False):
        drawn = [line[::way] for line, way in zip(lines, turned, strict=True)]
        assert _told(drawn, list(order), **said) == wanted


def test_of_streets_equally_near_the_wider_one_counts() -> None:
    lines = [[(0.0, 6.0), (200.0, 6.0)], [(0.0, -6.0), (200.0, -6.0)]]
    for width in ([7.0, 9.0], [9.0, 7.0]):
        assert street_at(net(*lines, width=width), 100.0, 0.0)["street_width"] == 9.0


# Corners and joints ----------------------------------------------------------------------

TURN = np.radians(60.0)
UNLIKE = {"lanes": [4, 2], "width": [14.0, 7.0], "class": ["arterial", "local"]}


def turned(points: Any, angle: float) -> Any:
    """Turn points about the origin, degrees."""
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.asarray(points, dtype=float) @ np.array([[c, s], [-s, c]])


def at_corner(streets: list[Any], angle: float, *, back: bool = False, **columns: Any) -> pd.Series:
    """Return the street where a main from the west turns left by `TURN`; all turned, or back."""
    ways = turned([EAST, [np.cos(TURN), np.sin(TURN)]], angle)
    before, after = -ways[::-1] if back else ways
    rules = Street()
    drawn = net(*(turned(line, angle) for line in streets), **columns)
    scene = SimpleNamespace(net=drawn)
    stations = pd.DataFrame({"x": [0.0], "y": [0.0]})
    return with_street(stations, after[None], before[None], scene, rules).iloc[0]


def beside_corner(off: float, other: float) -> list[Any]:
    """Return streets so far left of the legs of the main, m, that meet at a corner."""
    unit = np.array([np.cos(TURN), np.sin(TURN)])
    left = np.array([-unit[1], unit[0]])
    # on y = off and on other * left + t * unit
    along = (off - other * left[1]) / unit[1]
    corner = other * left + along * unit
    return [[(-300.0, off), tuple(corner)], [tuple(corner), tuple(corner + 300.0 * unit)]]


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("which", [(0, 1), (1, 0)])
@pytest.mark.parametrize(("off", "away"), [(-3.0, 3.0), (3.0, 3.0 / np.cos(TURN / 2))])
def test_at_a_corner_of_unlike_streets_the_wider_one_counts_from_either_end(
    angle: float, back: bool, which: tuple[int, int], off: float, away: float
) -> None:
    """On the inside of a turn the corner of the streets is what is nearest."""
    columns = {name: [values[k] for k in which] for name, values in UNLIKE.items()}
    here = at_corner(beside_corner(off, off), angle, back=back, **columns)
    assert (here["street_class"], here["street_lanes"]) == ("arterial", 4)
    assert abs(here["street_offset"]) == pytest.approx(away)


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
def test_at_a_corner_the_street_in_which_the_place_lies_counts_before_one_it_lies_beside(
    angle: float, back: bool
) -> None:
    """By hand: 20 m off is 13 m past the kerb of 14 m; 2 m off is in a carriageway of 7 m."""
    here = at_corner(beside_corner(-20.0, -2.0), angle, back=back, **UNLIKE)
    assert here["street_class"] == "local"


@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
def test_abreast_of_a_joint_of_unlike_streets_the_wider_one_counts(angle: float) -> None:
    """Straight on, the streets are one chain, which goes from west to east."""
    lines = [[(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (300.0, 0.0)]]
    for columns in (UNLIKE, {name: values[::-1] for name, values in UNLIKE.items()}):
        streets = net(*(turned(line, angle) for line in lines), **columns)
        assert len(streets.chains) == 1
        here = street_at(streets, *turned((0.0, 3.0), angle), turned(EAST, angle))
        assert (here["street_class"], here["street_width"]) == ("arterial", 14.0)


@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
def test_strings_turn_between_unlike_streets_in_the_half_of_the_narrower(angle: float) -> None:
    """A corner of 40 degrees: the pipe's radius has to pass in half the width and the verge."""
    u = np.array([np.cos(np.radians(40.0)), np.sin(np.radians(40.0))])
    lines = [[(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), tuple(300.0 * u)]]
    verge, turn = 2.0, np.radians(40.0)
    for width in ([14.0, 7.0], [7.0, 14.0]):
        streets = net(*(turned(line, angle) for line in lines), width=width)
        passing = build_corridors(
            streets, np.zeros(0, dtype=object), no_block=[], clear=15.0, verge=verge,
            accuracy=0.5, max_turn=np.radians(60.0),
        ).bends["passing_radius"]  # fmt: skip
        half = 7.0 / 2 + verge
        assert len(passing) == 1
        assert passing.iloc[0] == pytest.approx(float(passing_radius_m(turn, half)), rel=1e-6)


@pytest.mark.parametrize("angle", range(0, 360, 20))
def test_a_place_nearest_to_a_vertex_has_the_chainage_of_the_vertex(angle: float) -> None:
    """On the outside of corners and beyond the ends, to the last digit, however it is turned."""
    line = [(0.0, 0.0), (31.7, 4.3), (70.1, -3.9), (113.3, 8.7)]
    xy, way = np.array([[-3.0, 0.2], [31.8, 9.1], [71.0, -9.0], [117.0, 9.0]]), EAST
    streets = net(turned(line, angle))
    heading = np.tile(turned(way, angle), (len(xy), 1))
    table = street_context(streets, turned(xy, angle), heading, reach=25.0, parallel=np.radians(30))
    along = streets.places.at.tolist()
    assert streets.lengths.tolist() == [along[-1]]
    assert sorted(table["street_at"]) == along


@pytest.mark.parametrize("mirrored", [1.0, -1.0])
@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("drawn", [(1, 1), (1, -1), (-1, 1), (-1, -1)])
@pytest.mark.parametrize("which", [(0, 1), (1, 0)])
def test_of_records_alike_but_for_the_way_of_traffic_that_of_both_ways_counts_at_their_joint(
    which: tuple[int, int], drawn: tuple[int, int], angle: float, mirrored: float
) -> None:
    """On the outside of a corner, where neither is nearer: a pit takes no fewer lanes of it."""
    legs = [[(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (280.0, 100.0)]]
    lines = [turned(np.array(legs[k]) * [1.0, mirrored], angle)[:: drawn[k]] for k in which]
    ways = [("both", "along" if drawn[1] > 0 else "against")[k] for k in which]
    streets = net(*lines, oneway=ways)
    assert len(streets.chains) == 1
    here = street_at(streets, *turned((0.5, -4.0 * mirrored), angle), turned(EAST, angle))
    assert here["street_oneway"] == 0.0


@pytest.mark.parametrize("mirrored", [1.0, -1.0])
@pytest.mark.parametrize("angle", range(0, 360, 45))
def test_where_two_carriageways_meet_that_counts_which_the_main_runs_along(
    angle: float, mirrored: float
) -> None:
    """By hand: past the node the main is at 5 degrees to the one, at 21 degrees to the other."""
    legs = [[(-300.0, s * 7.0), (-30.0, s * 7.0), (0.0, 0.0)] for s in (1.0, -1.0)]
    lines = [turned(np.array(leg) * [1.0, mirrored], angle) for leg in legs]
    streets = net(*lines, oneway=["along", "against"])
    place, way = (3.0, 0.5), np.array([np.cos(np.radians(8.0)), np.sin(np.radians(8.0))])
    place, way = (turned(np.array(of) * [1.0, mirrored], angle) for of in (place, way))
    here = street_at(streets, *place, way)
    # in the second of them traffic comes towards the main
    assert (here["street_oneway"] > 0) != here["street_same"]


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("mirrored", [1.0, -1.0])
@pytest.mark.parametrize("angle", range(0, 360, 45))
def test_where_two_carriageways_open_alike_that_counts_on_whose_side_the_place_lies(
    angle: float, mirrored: float, back: bool
) -> None:
    """The main runs midway between their ways from the node on, and begins a little to the left."""
    legs = [[(-300.0, s * 7.0), (-30.0, s * 7.0), (0.0, 0.0)] for s in (1.0, -1.0)]
    lines = [turned(np.array(leg) * [1.0, mirrored], angle) for leg in legs]
    streets = net(*lines, oneway=["along", "against"])
    way = turned(-EAST if back else EAST, angle)
    here = street_at(streets, *turned((3.0, 2.0 * mirrored), angle), way)
    # in the first of them traffic goes east
    assert ((here["street_oneway"] > 0) == here["street_same"]) == (not back)


@pytest.mark.parametrize("mirrored", [1.0, -1.0])
@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("which", [(0, 1), (1, 0)])
def test_where_traffic_of_two_records_meets_head_on_that_counts_which_the_main_runs_along(
    which: tuple[int, int], angle: float, mirrored: float
) -> None:
    """On the outside of a corner; in the record along the main traffic goes as the main does."""
    legs = [[(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (280.0, 100.0)]]
    lines = [turned(np.array(legs[k]) * [1.0, mirrored], angle) for k in which]
    streets = net(*lines, oneway=[("along", "against")[k] for k in which])
    assert len(streets.chains) == 1
    here = street_at(streets, *turned((0.5, -4.0 * mirrored), angle), turned(EAST, angle))
    assert (here["street_oneway"] > 0) == here["street_same"]


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("angle", range(0, 360, 45))
@pytest.mark.parametrize("which", [(0, 1), (1, 0)])
def test_at_a_corner_of_streets_alike_that_counts_on_whose_side_of_the_mitre_the_main_turns(
    which: tuple[int, int], angle: float, back: bool
) -> None:
    """Their node is nearest to it; the second leg, in which traffic comes, is farther off."""
    legs = beside_corner(3.0, 4.0)
    ways = [("along", "against")[k] for k in which]
    here = at_corner([legs[k] for k in which], angle, back=back, oneway=ways)
    assert ((here["street_oneway"] > 0) == here["street_same"]) == back
