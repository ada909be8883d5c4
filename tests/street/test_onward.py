"""Closures go on along the carriageways their traffic comes and goes by, and along no other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.layout.works import _aslant_by_corners
from geotools.network.ragged import to_linestrings
from geotools.street.arms import flows
from geotools.street.closures import ClosureRules, Closures, close_lanes
from geotools.street.lanes import Passage
from geotools.street.net import StreetNet, build_streets

SPEED = 50 / 3.6
TAPER, BUFFER = 30.0, 70.0
Drawn = tuple[list[tuple[float, float]], dict[str, Any]]
CENTRE = np.array([3000.0, 2000.0])


def streets(drawn: list[Drawn], turned: float = 0.0) -> StreetNet:
    """Return streets of two lanes of 3.5 m, unless they say otherwise, turned by degrees."""
    row = {"class": "local", "lanes": 2, "width": 7.0, "speed": SPEED, "name": "", "oneway": ""}
    table = pd.DataFrame([{**row, **says} for _, says in drawn])
    xy = np.concatenate([_turned(line, turned) for line, _ in drawn])
    offsets = np.append(0, np.cumsum([len(line) for line, _ in drawn]))
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=0.1)


def _turned(xy: Any, degrees: float) -> np.ndarray:
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.asarray(xy, dtype=float) @ np.array([[cos, sin], [-sin, cos]]) + CENTRE


def a_pit(net: StreetNet, place: tuple[float, float], turned: float) -> dict[str, Any]:
    """Return a pit 1.5 m wide and 10 m long at a place, in the street nearest to it."""
    point = shapely.Point(_turned([place], turned)[0])
    lines = to_linestrings(net.chains.xy, net.chains.offsets)
    chain = int(np.argmin(shapely.distance(lines, point)))
    at = float(shapely.line_locate_point(lines[chain], point))
    (x, y), (dx, dy), _ = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines[chain], at + k))[0]
        for k in (0.0, 0.5, 1.0)
    )
    off = 2 * ((dx - x) * (point.y - y) - (dy - y) * (point.x - x))
    piece = net.piece_of(np.array([chain]), np.array([at]))[0]
    line = net.chains.pieces["line"].iloc[piece]
    return {
        "pit_id": "P1", "pull_id": "", "run_id": "R", "lanes_taken": 1, "days": 4.0,
        "edge_low": off - 0.75, "edge_high": off + 0.75, "street_chain": chain,
        **{f"street_{name}": net.table[name].iloc[line] for name in ("width", "lanes", "speed")},
        "street_oneway": flows(net)[piece], "street_class": "local",
        "street_name": net.table["name"].iloc[line], "first_day": 1.0, "last_day": 9.0,
        "work_low": at - 5.0, "work_high": at + 5.0,
    }  # fmt: skip


def closed(
    drawn: list[Drawn], place: tuple[float, float], *, turned: float = 0.0, keep_right: bool = True
) -> tuple[Closures, Any, StreetNet]:
    """Close the lanes of a pit; return its closures, their ground turned back, and the streets."""
    net = streets(drawn, turned)
    passage = Passage(gap=0.6, share=0.85)
    rules = ClosureRules(passage, TAPER, BUFFER, keep_right, Street().max_turn)
    found = close_lanes(pd.DataFrame([a_pit(net, place, turned)]), net, rules)
    ground = shapely.union_all(found.table["geometry"].to_numpy())
    back = shapely.transform(
        ground, lambda xy: _turned(xy - CENTRE, -turned) - CENTRE, interleaved=True
    )
    return found, back, net


def back_to_front(drawn: list[Drawn]) -> list[Drawn]:
    """Return the same streets, listed and drawn the other way round."""
    other = {"along": "against", "against": "along"}
    return [
        (line[::-1], {**says, "oneway": other.get(says.get("oneway", ""), "")})
        for line, says in drawn[::-1]
    ]


def fork(out: float, home: float, lanes: int = 2) -> list[Drawn]:
    """Return a street that becomes two carriageways, that to the east and that from it, m north."""
    return [
        ([(-400, 0), (0, 0)], {"name": "Harbour", "lanes": lanes, "width": 4.0 * lanes}),
        ([(0, 0), (40, out), (600, out)], {"name": "Harbour", "oneway": "along"}),
        ([(600, home), (40, home), (0, 0)], {"name": "Harbour", "oneway": "along"}),
    ]


TURNS = [0.0, 99.0, 271.0]


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize(("out", "home"), [(-9, 3), (-3, 9), (-6, 6)])
def test_a_taper_lies_on_the_carriageway_that_flows_towards_the_lane(
    out: float, home: float, back: bool, turned: float
) -> None:
    """The pit is in the lane to the west, 20 m before the street becomes two carriageways."""
    drawn = fork(out, home)
    found, ground, _ = closed(back_to_front(drawn) if back else drawn, (-20.0, 2.0), turned=turned)
    (row,) = found.table.itertuples()
    beyond = ground.intersection(shapely.box(12, -100, 700, 100))
    assert beyond.within(shapely.LineString([(0, 0), (40, home), (600, home)]).buffer(3.6))
    assert row.lacking == 0.0
    along = TAPER / 2 + BUFFER + 10 + row.downstream_taper / 2
    assert ground.area == pytest.approx(4.0 * along, rel=0.02)
    assert found.joining.empty


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize(("out", "home"), [(-9, 3), (-3, 9), (-6, 6)])
@pytest.mark.parametrize("left", [False, True])
def test_traffic_onto_one_carriageway_comes_by_its_own_half_of_the_street_before(
    out: float, home: float, left: bool, back: bool, turned: float
) -> None:
    """The pit is on the carriageway to the east, in its right or its left lane."""
    drawn = fork(out, home, lanes=4)
    found, ground, _ = closed(
        back_to_front(drawn) if back else drawn,
        (60.0, out + (2.0 if left else -2.0)),
        turned=turned,
    )
    before = ground.intersection(shapely.box(-500, -100, -0.5, 100))
    assert before.area > 20.0
    assert before.within(shapely.box(-500, -8.0, 0, 0.0).buffer(1e-6))
    (row,) = found.table.itertuples()
    assert row.lacking == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("turned", TURNS)
def test_a_downstream_taper_lies_where_traffic_goes_to(turned: float) -> None:
    """The pit is on the carriageway to the west, 5 m before it becomes a street both ways."""
    _, ground, _ = closed(fork(-3, 9, lanes=4), (10.0, 2.25 + 2.0), turned=turned)
    behind = ground.intersection(shapely.box(-500, -100, -1, 100))
    assert behind.area > 1.0
    assert behind.within(shapely.box(-500, 0.0, 0, 8.0).buffer(1e-6))


def test_where_traffic_keeps_left_it_comes_by_the_other_half() -> None:
    drawn = [
        ([(-400, 0), (0, 0)], {"width": 8.0}),
        ([(600, -3), (40, -3), (0, 0)], {"oneway": "along"}),
        ([(0, 0), (40, 9), (600, 9)], {"oneway": "along"}),
    ]
    _, ground, _ = closed(drawn, (-20.0, -2.0), keep_right=False)
    beyond = ground.intersection(shapely.box(12, -100, 700, 100))
    assert beyond.within(shapely.LineString([(0, 0), (40, -3), (600, -3)]).buffer(3.6))


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
def test_of_two_streets_that_merge_one_bears_the_taper_and_the_other_is_told(
    back: bool, turned: float
) -> None:
    """As straight both: that on the side of the lane closed, which is the right one."""
    drawn = [
        ([(-300, 80), (0, 0)], {"name": "North", "oneway": "along"}),
        ([(-300, -80), (0, 0)], {"name": "South", "oneway": "along"}),
        ([(0, 0), (600, 0)], {"name": "Trunk", "oneway": "along"}),
    ]
    for place, own, other in (((30, -2), -80, "North"), ((30, 2), 80, "South")):
        found, ground, net = closed(back_to_front(drawn) if back else drawn, place, turned=turned)
        before = ground.intersection(shapely.box(-400, -200, -5, 200))
        assert before.within(shapely.LineString([(-300, own), (0, 0)]).buffer(3.6))
        (told,) = found.joining.itertuples()
        assert net.table["name"].iloc[told.line] == other
        assert (told.x, told.y) == pytest.approx(tuple(CENTRE))
        assert found.table["closure_id"].iloc[told.closure] == "P1-T1"


def test_the_straightest_street_that_flows_in_bears_the_taper() -> None:
    drawn = [
        ([(-300, 0), (0, 0)], {"name": "Trunk", "oneway": "along"}),
        ([(-300, -80), (0, 0)], {"name": "Slip", "oneway": "along"}),
        ([(0, 0), (600, 0)], {"name": "Trunk", "oneway": "along"}),
    ]
    found, ground, net = closed(drawn, (30.0, -2.0))
    assert ground.within(shapely.box(-300, -3.6, 600, 3.6))
    assert net.table["name"].iloc[found.joining["line"]].tolist() == ["Slip"]


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("node", [False, True])
def test_where_no_street_flows_towards_the_lane_taper_and_buffer_are_told_to_lack(
    node: bool, turned: float
) -> None:
    """East of 0 all traffic goes away; a side street is no way straight on into the lane."""
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"name": "Harbour"}),
        ([(0, 0), (600, 0)], {"name": "Harbour", "oneway": "along"}),
    ]
    if node:
        drawn.append(([(0, 0), (0, 300)], {"name": "Side"}))
    found, ground, _ = closed(drawn, (-20.0, 2.0), turned=turned)
    (row,) = found.table.itertuples()
    assert row.lacking == pytest.approx(TAPER + BUFFER - 15.0)
    assert ground.within(shapely.box(-400, -0.1, 0.1, 3.6))


def test_a_closure_among_streets_of_two_ways_stays_as_it_was() -> None:
    """Side streets at right angles say nothing of where it lies."""
    drawn: list[Drawn] = [([(-400, 0), (600, 0)], {})]
    crossed = [*drawn, ([(20, -200), (20, 200)], {}), ([(40, 0), (40, 200)], {"oneway": "along"})]
    bare, alone, _ = closed(drawn, (-20.0, 2.0))
    found, ground, _ = closed(crossed, (-20.0, 2.0))
    assert ground.symmetric_difference(alone).area < 1e-6
    assert found.table["lacking"].tolist() == bare.table["lacking"].tolist() == [0.0]
    assert found.joining.empty


def met_by(found: Closures, net: StreetNet) -> list[tuple[str, str]]:
    """Return the names of streets at whose intersections closures lie, and with what."""
    names = net.table["name"].to_numpy(dtype=object)[found.met["line"].to_numpy(dtype=np.int64)]
    return list(zip(names.tolist(), found.met["part"].tolist(), strict=True))


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
def test_the_streets_met_by_work_buffer_and_taper_are_told_as_traffic_comes_to_them(
    back: bool, turned: float
) -> None:
    """Its work lies from 95 to 105 m, its taper from 175 to 205 m, the downstream one to 79.8 m.

    Others are 7 m wide: those at 82 and 207 m reach into it, those at 76 and 209 m do not, and
    that at 173 m reaches from the buffer into the taper.
    """
    drawn: list[Drawn] = [([(-400, 0), (600, 0)], {"name": "High"})]
    across = (76, 82, 104, 150, 173, 190, 207, 209, 300)
    drawn += [([(at, -100), (at, 100)], {"name": f"At {at}"}) for at in across]
    drawn[3][1]["name"] = ""
    found, _, net = closed(back_to_front(drawn) if back else drawn, (100.0, 2.0), turned=turned)
    assert met_by(found, net) == [
        ("At 207", "taper"),
        ("At 190", "taper"),
        ("At 173", "taper"),
        ("At 150", "buffer"),
        ("", "work space"),
        ("At 82", "downstream taper"),
    ]
    at = _turned([(x, 0) for x in (207, 190, 173, 150, 104, 82)], turned)
    assert found.met[["x", "y"]].to_numpy() == pytest.approx(at)


@pytest.mark.parametrize("back", [False, True])
def test_streets_met_are_those_of_the_way_a_closure_is_led(back: bool) -> None:
    """Of a street that becomes two carriageways the other one is no street that is met."""
    drawn = [
        *fork(-9, 3),
        ([(60, 3), (60, 90)], {"name": "Home"}),
        ([(50, -9), (50, -90)], {"name": "Out"}),
    ]
    found, _, net = closed(back_to_front(drawn) if back else drawn, (-20.0, 2.0))
    assert met_by(found, net) == [("Home", "taper")]


def test_a_closure_between_intersections_meets_no_street() -> None:
    drawn: list[Drawn] = [([(-400, 0), (600, 0)], {"name": "High"})]
    drawn += [([(at, -100), (at, 100)], {"name": "Far"}) for at in (-300, 500)]
    found, _, net = closed(drawn, (100.0, 2.0))
    assert met_by(found, net) == []


@pytest.mark.parametrize(
    ("lanes", "width", "off", "wide"), [(4, 10.5, -1.75, 2.625), (4, 7.0, 1.75, 1.75)]
)
def test_a_closure_led_on_into_a_street_of_another_width_has_no_vertex_twice(
    lanes: int, width: float, off: float, wide: float
) -> None:
    """Two of three lanes of one way are closed, 7 m; of the street before, all but one lane.

    The kerb goes on straight, or the other side does. Taper and half of the buffer lie there.
    """
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"lanes": lanes, "width": width}),
        ([(0, 0), (400, 0)], {"lanes": 3, "width": 10.5, "oneway": "along"}),
    ]
    found, ground, _ = closed(drawn, (40.0, off))
    (row,) = found.table.itertuples()
    assert row.lanes_closed == 2
    area = 7.0 * (35.0 + 10.0 + row.downstream_taper / 2) + wide * (BUFFER - 35.0 + TAPER / 2)
    assert ground.area == pytest.approx(area)
    xy = shapely.get_coordinates(row.geometry)
    assert np.hypot(*np.diff(xy, axis=0).T).min() > 1e-6


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
def test_where_the_way_of_traffic_changes_in_the_work_its_lane_is_followed_from_there(
    back: bool, turned: float
) -> None:
    """Both lanes of a street one way are shut; 3 m before the middle of the work it is both ways.

    Before the work only the half is closed whose traffic comes to it.
    """
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {}),
        ([(0, 0), (400, 0)], {"oneway": "along"}),
    ]
    found, ground, _ = closed(back_to_front(drawn) if back else drawn, (3.0, 0.0), turned=turned)
    (row,) = found.table.itertuples()
    assert (row.lanes_closed, row.taper, row.lacking) == (2, 0.0, pytest.approx(0.0, abs=1e-6))
    before = ground.intersection(shapely.box(-500, -100, -2, 100))
    assert before.symmetric_difference(shapely.box(-2 - BUFFER, -3.5, -2, 0)).area < 1e-3
    assert ground.area == pytest.approx(3.5 * BUFFER + 7.0 * 10.0)


def test_no_traffic_comes_to_work_that_reaches_into_a_street_which_flows_away_from_it() -> None:
    """The street both ways becomes one that leads away to the west 3 m before the work's middle."""
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"oneway": "against"}),
        ([(0, 0), (400, 0)], {}),
    ]
    found, _, _ = closed(drawn, (3.0, 0.0))
    lacking = found.table.set_index("side")["lacking"]
    assert lacking["along"] == pytest.approx(BUFFER)
    assert lacking["against"] == pytest.approx(0.0)


NARROWER: dict[str, tuple[Drawn, Drawn, float, float]] = {
    # street before, street of the work, how far left of it, how wide what is closed before it
    "one of two lanes by the kerb": (
        ([(-400, 0), (0, 0)], {}), ([(0, 0), (400, 0)], {"lanes": 4, "width": 14.0}), -6.0, 0.0
    ),
    "one of two lanes by the middle": (
        ([(-400, 0), (0, 0)], {}), ([(0, 0), (400, 0)], {"lanes": 4, "width": 14.0}), -1.6, 0.0
    ),
    "one of two, one way": (
        ([(-400, 0), (0, 0)], {}), ([(0, 0), (400, 0)], {"oneway": "along"}), -2.0, 0.0
    ),
    "one of three": (
        ([(-400, 0), (0, 0)], {"oneway": "along"}),
        ([(0, 0), (400, 0)], {"oneway": "along", "lanes": 3, "width": 10.5}), -3.5, 0.0
    ),
    "two of three": (
        ([(-400, 0), (0, 0)], {"oneway": "along"}),
        ([(0, 0), (400, 0)], {"oneway": "along", "lanes": 3, "width": 10.5}), -1.75, 3.5
    ),
    "the only one, with none beside it to be led over to": (
        ([(-400, 0), (0, 0)], {"oneway": "along", "lanes": 1, "width": 3.5}),
        ([(0, 0), (400, 0)], {}), -2.0, 0.0
    ),
    "the only one, with one of two beside it": (
        ([(-400, 0), (0, 0)], {"oneway": "along"}), ([(0, 0), (400, 0)], {}), -2.0, 3.5
    ),
    "the only one, with that of the other direction beside it": (
        ([(-400, 0), (0, 0)], {"width": 8.0}), ([(0, 0), (400, 0)], {}), -2.0, 3.5
    ),
}  # fmt: skip


@pytest.mark.parametrize("bend", [0.0, 20.0])
@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("kind", NARROWER)
def test_a_closure_is_led_into_no_street_that_it_leaves_fewer_lanes_than_it_tells(
    kind: str, back: bool, bend: float
) -> None:
    """The work lies from 25 to 35 m; the street before 0 is another, straight on or at an angle."""
    (line, before), work, off, wide = NARROWER[kind]
    x, y = _turned([line[0]], bend)[0] - CENTRE
    drawn = [([(x, y), line[1]], before), work]
    found, ground, _ = closed(back_to_front(drawn) if back else drawn, (30.0, off))
    (row,) = found.table.itertuples()
    beyond = shapely.LineString([(x, y), (0.01 * x, 0.01 * y)])  # 4 m from the mitre of the corner
    here = shapely.intersection(ground, beyond.buffer(20.0, cap_style="flat"))
    assert here.area == pytest.approx(wide * (TAPER / 2 + BUFFER - 29.0), rel=0.02, abs=1e-6)
    lacks = 0.0 if wide else TAPER + BUFFER - 25.0
    assert row.lacking == pytest.approx(lacks, abs=1e-6)
    assert len(found.ended) == (wide == 0.0)


def test_no_street_is_told_to_join_past_where_a_closure_ends() -> None:
    """South joins at 40 m before the work, past where the street has one lane that way."""
    drawn: list[Drawn] = [
        ([(-400, 0), (-15, 0)], {"name": "High", "oneway": "along", "lanes": 1, "width": 3.5}),
        ([(-300, -80), (-15, 0)], {"name": "South", "oneway": "along", "lanes": 1, "width": 3.5}),
        ([(-15, 0), (0, 0)], {"name": "High", "oneway": "along", "lanes": 1, "width": 3.5}),
        ([(0, 0), (400, 0)], {"name": "High", "oneway": "along"}),
    ]
    found, _, net = closed(drawn, (30.0, -2.0))
    assert found.joining.empty
    (told,) = found.ended.itertuples()
    assert (told.closure, net.table["lanes"].iloc[told.line]) == (0, 1)


def test_in_the_street_that_the_work_reaches_into_its_closure_has_taper_and_buffer() -> None:
    """Its last 2 m lie where the street has a lane a way, one of which is closed past 8 m of two.

    There the work itself closes it; before that it ends.
    """
    lane = {"oneway": "along", "lanes": 1, "width": 3.5}
    drawn: list[Drawn] = [
        ([(-400, 0), (-40, 0)], {**lane, "name": "Far"}),
        ([(-40, 0), (0, 0)], {**lane, "name": "Near"}),
        ([(0, 0), (400, 0)], {"oneway": "along"}),
    ]
    found, ground, net = closed(drawn, (3.0, -1.75))
    (row,) = found.table.itertuples()
    assert row.lacking == pytest.approx(TAPER + BUFFER - 38.0)
    assert ground.bounds[0] == pytest.approx(-40.0)
    assert net.table["name"].iloc[found.ended["line"]].tolist() == ["Far"]


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize(("keep_right", "far"), [(True, TAPER + BUFFER), (False, 15.24)])
def test_work_that_reaches_past_the_begin_of_its_street_goes_on_in_the_one_it_forks_off(
    far: float, keep_right: bool, back: bool, turned: float
) -> None:
    """Its first 3 m lie before the fork: neither buffer nor downstream taper, on either side."""
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"name": "Stem"}),
        ([(0, 0), (400, 56)], {"name": "Stem"}),
        ([(0, 0), (400, -146)], {"name": "Branch"}),
        ([(0, 0), (0, 300)], {"name": "Side"}),
    ]
    place = (1.28, -2.33)  # beside Branch, 2 m along it
    found, ground, net = closed(
        back_to_front(drawn) if back else drawn, place, turned=turned, keep_right=keep_right
    )
    (row,) = found.table.itertuples()
    assert row.street == "Branch" and row.lacking == 0.0
    assert ground.bounds[0] == pytest.approx(-3.0 - far, abs=0.05)
    assert ground.contains(shapely.box(-2.9, -3.4, -0.8, -0.1))
    assert met_by(found, net) == [("Side", "work space")]


@pytest.mark.parametrize("turned", TURNS)
@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("keep_right", [True, False])
@pytest.mark.parametrize(
    ("east", "off", "comes"),
    [("", 2.0, True), ("", -2.0, False), ("against", -2.0, True), ("along", 2.0, False)],
)
def test_traffic_from_the_other_end_is_told_where_the_way_changes_in_the_work(
    east: str, off: float, comes: bool, keep_right: bool, back: bool, turned: float
) -> None:
    """To the middle of the work it comes from the west alone; 3 m on from there, it may from east.

    That is into a lane that the work takes, of a street both ways the one on the north.
    """
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"name": "West", "oneway": "along"}),
        ([(0, 0), (400, 0)], {"name": "East", "oneway": east}),
        ([(0, 0), (0, 100)], {"name": "Side"}),
    ]
    off = off if keep_right else -off
    drawn = back_to_front(drawn) if back else drawn
    found, _, net = closed(drawn, (-3.0, off), turned=turned, keep_right=keep_right)
    assert net.table["name"].iloc[found.opposed["line"]].tolist() == ["East"] * comes
    if comes:
        (told,) = found.opposed.itertuples()
        assert (told.x, told.y) == pytest.approx(tuple(_turned([(2.0, 0.0)], turned)[0]))
        assert found.table["closure_id"].iloc[told.closure] == "P1-T1"


def test_no_traffic_is_told_from_an_end_that_a_closure_faces() -> None:
    """Of the street both ways, in the middle of the work, both halves are closed."""
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"oneway": "along"}),
        ([(0, 0), (400, 0)], {}),
    ]
    found, _, _ = closed(drawn, (3.0, 0.0))
    assert len(found.table) == 2 and found.opposed.empty


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("first", [-6, 6])
def test_a_taper_lies_on_the_carriageway_that_flows_towards_the_lane_where_both_are_one_chain(
    first: int, back: bool
) -> None:
    """At the far end both go over into each other, round a loop: their chain comes back."""
    home = [(0, 0), (40, first), (260, first), (320, 5 * first), (350, 2 * first), (350, 0)]
    out = [(350, 0), (350, -2 * first), (320, -5 * first), (260, -first), (40, -first), (0, 0)]
    drawn: list[Drawn] = [
        ([(-400, 0), (0, 0)], {"name": "Harbour", "oneway": "against"}),
        (home, {"name": "Harbour", "oneway": "against"}),
        (out, {"name": "Harbour", "oneway": "against"}),
    ]
    _, ground, _ = closed(back_to_front(drawn) if back else drawn, (-20.0, 2.0))
    beyond = ground.intersection(shapely.box(12, -100, 700, 100))
    assert beyond.area > 20.0
    assert beyond.within(shapely.LineString(home).buffer(3.6))


@pytest.mark.parametrize("order", [["in"], ["edge"], ["point"], ["in", "edge"], ["point", "in"]])
def test_a_pit_aslant_that_only_touches_its_carriageway_takes_no_more_of_its_street(
    order: list[str],
) -> None:
    net = streets([([(0, 0), (100, 0), (100, 100)], {"name": "A"})])
    east, north = CENTRE
    grounds = {
        "in": shapely.box(east + 88, north + 2, east + 97, north + 12),
        "edge": shapely.box(east + 80, north + 3.5, east + 96.5, north + 9),
        "point": shapely.box(east + 104, north - 9, east + 108, north - 3.5),
    }
    pits = pd.DataFrame({"street_chain": 0, "street_at": 95.0, "street_width": 7.0}, index=order)
    pits["ground"] = [grounds[name] for name in order]
    low, high = np.full(len(pits), 93.0), np.full(len(pits), 97.0)
    begin, end = _aslant_by_corners(pits, low, high, net)
    for name, first, last in zip(order, begin.tolist(), end.tolist(), strict=True):
        assert ((first, last) == (93.0, 97.0)) is (name != "in")
