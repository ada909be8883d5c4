"""Lengths beside the centreline against shapely's offset curves, and strings on curves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.ops

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.street.laydown import build_corridors
from geotools.street.net import StreetNet, build_streets
from geotools.street.offsets import offset_ends, offset_length
from geotools.street.strings import lay_strings
from geotools.street.strips import on_street, strips

ANGLES = np.radians(np.linspace(-90, 0, 46))
CURVE = np.stack([60 * np.cos(ANGLES), 60 + 60 * np.sin(ANGLES)], axis=1)  # turns left, R 60
ROAD = np.concatenate([[[-50.0, 0.0]], CURVE, [[60.0, 120.0]]])
S_BEND = np.array([[0, 0], [100, 0], [160, 40], [260, 40], [300, 0.0]])


def street(xy: np.ndarray) -> StreetNet:
    table = pd.DataFrame(
        {"class": ["local"], "lanes": 2.0, "width": 7.0, "speed": 14.0, "name": ""}
    )
    offsets = np.array([0, len(xy)])
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=0.5)


@pytest.mark.parametrize("xy", [ROAD, S_BEND], ids=["curve", "s_bend"])
@pytest.mark.parametrize("off", [-6.0, -2.0, 0.0, 2.0, 6.0])
def test_a_line_beside_a_street_is_as_long_as_its_offset_curve(xy: np.ndarray, off: float) -> None:
    net = street(xy)
    curve = shapely.offset_curve(shapely.LineString(net.chains.xy), off, join_style="mitre")
    size = float(net.lengths[0])
    one = np.zeros(1, dtype=np.int64)
    got = offset_length(net, one, np.zeros(1), np.array([size]), np.array([off]))
    assert got[0] == pytest.approx(curve.length, abs=1e-6)
    ends = offset_ends(
        net,
        np.zeros(2, dtype=np.int64),
        np.array([0.0, size]),
        np.full(2, off),
        np.full(2, curve.length),
        np.array([True, False]),
    )
    assert ends == pytest.approx([size, 0.0], abs=1e-6)


CORNERS = {
    "left": [[0, 0], [50, 0], [50, 100]],
    "right": [[0, 0], [50, 0], [80, -60]],
    "two near": [[0, 0], [50, 0], [60, 10], [60, 120]],
    "back and on": [[0, 0], [50, 0], [70, 25], [160, 25]],
}


@pytest.mark.parametrize("xy", CORNERS.values(), ids=CORNERS)
@pytest.mark.parametrize("off", [-6.0, -2.0, 2.0, 6.0])
@pytest.mark.parametrize("length", [30.0, 72.0, 90.0])
def test_a_string_that_ends_beyond_a_corner_is_as_long_as_it_is(
    xy: list[list[float]], off: float, length: float
) -> None:
    """The end lies on the street's offset curve, the length of the string along it.

    One that ends on the way round an outer corner is drawn to the corner.
    """
    net = street(np.array(xy, dtype=float))
    curve = shapely.offset_curve(shapely.LineString(net.chains.xy), off, join_style="mitre")
    size = np.array([0.0, float(net.lengths[0])])
    chain, offs = np.zeros(2, dtype=np.int64), np.full(2, off)
    at = offset_ends(net, chain, size, offs, np.full(2, length), np.array([True, False]))
    there = shapely.points(on_street(net, chain, at, offs))
    far = shapely.line_interpolate_point(curve, [length, -length])
    at_corner = np.abs(at[:, None] - net.places.at[None, 1:-1]) < 1e-9
    round_it = np.abs(off * np.diff(net.swing, prepend=0.0)[1:-1]) / 2
    allowed = np.where(at_corner, round_it, 0.0).max(axis=1)
    assert (shapely.distance(there, far) <= allowed + 1e-6).all()


@pytest.mark.parametrize("aside", [0.0, 1e-9, -1e-9], ids=["at", "just past", "just before"])
@pytest.mark.parametrize("turn", [20.0, 40.0, -40.0, 75.0])
def test_a_string_that_begins_at_an_outer_corner_is_as_long_as_it_is(
    turn: float, aside: float
) -> None:
    """Plane geometry: it begins on the mitre, 5 m off both edges, and lies straight beside either.

    From the mitre on, the offset curve of the street tells where it ends, whichever way it goes.
    """
    angle, off = np.radians(turn), -5.0 * np.sign(turn)
    before = np.array([-90.0 * np.cos(angle), 90.0 * np.sin(angle)])
    net = street(np.array([before, [0.0, 0.0], [90.0, 0.0]]))
    if net.chains.xy[0, 0] > 0:  # the chain is drawn the other way
        off = -off
    curve = shapely.offset_curve(shapely.LineString(net.chains.xy), off, join_style="mitre")
    mitre = shapely.line_locate_point(curve, shapely.get_point(curve, 1))
    chain, offs, length = np.zeros(2, dtype=np.int64), np.full(2, off), np.full(2, 40.0)
    corner = np.full(2, net.places.at[1]) + aside
    at = offset_ends(net, chain, corner, offs, length, np.array([True, False]))
    begun, there = (on_street(net, chain, where, offs) for where in (corner, at))
    due = shapely.line_interpolate_point(curve, mitre + np.array([40.0, -40.0]))
    assert there == pytest.approx(shapely.get_coordinates(due), abs=1e-6)
    assert np.hypot(*(there - begun).T) == pytest.approx(length, abs=1e-6)
    assert offset_length(net, chain, corner, at, offs) == pytest.approx(length, abs=1e-6)


@pytest.mark.parametrize("forward", [True, False])
def test_a_string_drawn_from_an_outer_corner_on_is_as_long_as_told(forward: bool) -> None:
    """Plane geometry: its middle line is straight, half its outline less the cuts at both ends."""
    angle = np.radians(40.0)
    net = street(np.array([[-200 * np.cos(angle), 200 * np.sin(angle)], [0, 0], [200, 0.0]]))
    off = -5.0 if net.swing[-1] > net.swing[0] else 5.0
    corner = float(net.places.at[1])
    table = laid(net, street_offset=off, strings=1, lay_at=corner, lay_forward=forward)
    xy = shapely.get_coordinates(table["geometry"].iloc[0])
    middle = (xy[:2] + xy[3:1:-1]) / 2
    assert np.hypot(*np.diff(middle, axis=0)[0]) == pytest.approx(115.0, abs=1e-6)


def test_corners_nearer_than_their_line_is_off_keep_the_order_of_places() -> None:
    """The line beside them would run backwards: it stands still, and what follows is right."""
    net = street(np.array([[0, 0], [50, 0], [52, 2], [52, 4], [50, 6], [0, 6.0]]))
    count = 60
    length = np.linspace(0.0, 110.0, count)
    chain, offs = np.zeros(count, dtype=np.int64), np.full(count, 2.9)
    at = offset_ends(net, chain, np.zeros(count), offs, length, np.ones(count, dtype=bool))
    assert (np.diff(at) >= 0).all()
    assert at[0] == pytest.approx(0.0)
    assert at[-1] > net.lengths[0]


EIGHTHS = np.radians(np.linspace(0.0, 90.0, 5))
ROUNDED = np.stack([4 - 4 * np.cos(EIGHTHS), 4 * np.sin(EIGHTHS) - 4], axis=1)  # turns right, R 4
SHORT_CORNERS = {
    "rounded": [[0, -120], *ROUNDED.tolist(), [260, 0]],
    "chamfered": [[0, -120], [0, -4], [4, 0], [260, 0]],
}


@pytest.mark.parametrize("backwards", [False, True], ids=["as drawn", "backwards"])
@pytest.mark.parametrize("xy", SHORT_CORNERS.values(), ids=SHORT_CORNERS)
def test_a_line_is_as_long_as_its_street_past_a_corner_it_has_no_room_in(
    xy: list[list[float]], backwards: bool
) -> None:
    """Plane geometry: 9 m on the inside of these corners a line meets itself, and then is straight.

    Shapely says from where on nothing but the straight lies so near: past that, a string on the
    straight ends as far along it as the string is long, whichever way it goes.
    """
    net = street(np.array(xy[::-1] if backwards else xy, dtype=float))
    east = bool(net.chains.xy[-1, 0] > 100)  # the chain ends in the straight that runs to x = 260
    off = -9.0 if east else 9.0
    curve = shapely.offset_curve(shapely.LineString(net.chains.xy), off, join_style="mitre")
    along_x = shapely.get_coordinates(curve)[:, 0]
    free = float(np.sort(along_x[along_x > 0])[0]) + 1.0
    size, far = float(net.lengths[0]), np.array([free + 3.0, 100.0, 250.0])

    def chainage(x: np.ndarray) -> np.ndarray:
        return size - 260.0 + x if east else 260.0 - x

    for begin, end in ((far[:2], far[1:]), (far[1:], far[:2])):
        forward = (end > begin) == np.full(2, east)
        got = offset_ends(
            net, np.zeros(2, dtype=np.int64), chainage(begin), np.full(2, off),
            np.abs(end - begin), forward,
        )  # fmt: skip
        assert got == pytest.approx(chainage(end), abs=1e-6)


@pytest.mark.parametrize("xy", SHORT_CORNERS.values(), ids=SHORT_CORNERS)
def test_a_line_stands_still_in_a_corner_the_same_both_ways(xy: list[list[float]]) -> None:
    """Both legs of the street are as long: what goes for the one end goes for the other."""
    net = street(np.array([*xy[:-1], [xy[-2][0] + 116.0, 0]], dtype=float))
    count, size = 81, float(net.lengths[0])
    chain, off = np.zeros(count, dtype=np.int64), 9.0 if net.swing[-1] > net.swing[0] else -9.0
    length = np.linspace(90.0, 130.0, count)
    on, back = (
        offset_ends(net, chain, np.full(count, start), np.full(count, off), length, forward)
        for start, forward in ((0.0, np.ones(count, bool)), (size, np.zeros(count, bool)))
    )
    assert on == pytest.approx(size - back, abs=1e-6)


@pytest.mark.parametrize("forward", [True, False])
@pytest.mark.parametrize("inside", [True, False], ids=["inside", "outside"])
@pytest.mark.parametrize("turn", [50.0, 90.0, 115.0])
def test_room_up_to_a_corner_no_string_goes_round_ends_before_the_line_turns(
    turn: float, inside: bool, forward: bool
) -> None:
    """Inside it turns where shapely's offset curve does; outside the street's corner is the end.

    A string a hair shorter than its room ends before the corner of the street.
    """
    angle = np.radians(turn)
    net = street(
        np.array([[0.0, 0.0], [200, 0], 200 * np.array([1 + np.cos(angle), np.sin(angle)])])
    )
    off = 4.0 if (net.swing[-1] > net.swing[0]) == inside else -4.0
    corner, size = float(net.places.at[1]), float(net.lengths[0])
    lanes = build_corridors(
        net, np.zeros(0, dtype=object), no_block=[], clear=10.0, verge=4.0, accuracy=0.5,
        max_turn=np.radians(45.0),
    )  # fmt: skip
    one, at, on = np.zeros(1, dtype=np.int64), np.array([size * (not forward)]), np.array([forward])
    offs = np.array([off])
    (room,) = lanes.available(one, at, on, np.full(1, 5.0), offs)
    curve = shapely.offset_curve(shapely.LineString(net.chains.xy), off, join_style="mitre")
    legs = np.hypot(*np.diff(shapely.get_coordinates(curve), axis=0).T)
    leg = legs[0] if forward else legs[-1]
    assert room == pytest.approx(leg if inside else 200.0, abs=1e-6)
    (end,) = offset_ends(net, one, at, offs, np.array([room - 1e-6]), on)
    assert (end < corner) == forward
    assert abs(end - corner) < 4.0 * np.tan(angle / 2) + 1e-3


def test_a_string_on_the_inside_of_a_curve_has_less_room_and_outside_more() -> None:
    net = street(ROAD)
    lanes = build_corridors(
        net, np.zeros(0, dtype=object), no_block=[], clear=10.0, verge=4.0, accuracy=0.5,
        max_turn=np.pi,
    )  # fmt: skip
    at, chain, on = np.full(3, 10.0), np.zeros(3, dtype=np.int64), np.ones(3, dtype=bool)
    room = lanes.available(chain, at, on, np.full(3, 5.0), np.array([-5.0, 0.0, 5.0]))
    # A quarter of a circle: 5 m aside is 5 pi/2 longer or shorter.
    assert np.diff(room) == pytest.approx([-2.5 * np.pi] * 2, rel=1e-3)


def laid(net: StreetNet, **pull: Any) -> pd.DataFrame:
    row = {
        "pull_id": "L1", "run_id": "R", "length": 115.0, "joints": 9, "strings": 3, "outside": 0.4,
        "street_chain": 0, "street_offset": 5.0, "street_name": "High", "lay_at": 10.0,
        "lay_forward": True, "lay_width": 7.5, "top_x": 0.0, "top_y": 0.0, "lay_dx": 1.0,
        "lay_dy": 0.0, **pull,
    }  # fmt: skip
    soft = pull.pop("soft", np.zeros(0, dtype=object))
    return lay_strings(
        pd.DataFrame([row]), net, np.zeros(0, dtype=object), soft, gap=0.5, piece=12.0
    )


@pytest.mark.parametrize("offset", [-5.0, 5.0])
def test_a_string_drawn_on_a_curve_is_as_long_as_it_is(offset: float) -> None:
    table = laid(street(ROAD), street_offset=offset, strings=1)
    (shape,) = table["geometry"]
    assert shape.area / 0.4 == pytest.approx(115.0, rel=2e-3)


@pytest.mark.parametrize("off", [4.05, 6.0])
def test_a_string_inside_a_corner_just_before_a_joint_is_drawn_its_width_all_along(
    off: float,
) -> None:
    """The corner, of 19.5 deg, is the last vertex of its centreline, 0.32 m before another goes on.

    Shapely: the offset curve of the street, and its width; it is drawn within 0.1 m of that.
    """
    way = np.radians([0.0, 19.5, 19.5])
    steps = np.array([50.0, 0.32, 60.0])[:, None] * np.stack([np.cos(way), np.sin(way)], axis=1)
    xy = np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)])
    table = pd.DataFrame(
        {"class": "local", "lanes": 2.0, "width": 7.0, "speed": 14.0, "name": ["A", "B"]}
    )
    lines = Lines(table, np.concatenate([xy[:3], xy[2:]]), np.array([0, 3, 5]))
    net = build_streets(lines, Street(), tolerance=0.05, accuracy=0.5)
    assert len(net.chains.xy) == 4
    left = bool(net.swing[-1] > net.swing[0])
    table = laid(
        net, street_offset=off if left else -off, strings=1, length=100.0, lay_at=2.0, joints=8
    )
    (shape,) = shapely.get_parts(table["geometry"].iloc[0])
    assert shapely.get_num_interior_rings(shape) == 0
    line = shapely.LineString(net.chains.xy)
    curve = shapely.offset_curve(line, off if left else -off, join_style="mitre")
    wide = shapely.buffer(curve, 0.2, cap_style="flat", join_style="mitre")
    assert shapely.within(shape, shapely.buffer(wide, 0.1))
    assert shapely.area(shape) == pytest.approx(0.4 * 100.0, rel=0.005)


def rounded(degrees: float, radius: float, step: float) -> np.ndarray:
    """Legs that would meet after 80 m, joined by an arc to the left of a vertex every degrees."""
    turn = np.radians(degrees)
    way = np.radians(np.linspace(0.0, degrees, max(int(degrees / step), 2) + 1))
    tangent = radius * np.tan(turn / 2)
    on_arc = radius * np.stack([np.sin(way), 1 - np.cos(way)], axis=1) + [80.0 - tangent, 0.0]
    end = np.array([80.0, 0.0]) + 80.0 * np.array([np.cos(turn), np.sin(turn)])
    return np.vstack([[0.0, 0.0], on_arc, end])


def mitred(degrees: float, off: float) -> np.ndarray:
    """The line so far to the left of both legs of `rounded` where they go on until they meet."""
    turn = np.radians(degrees)
    corner = np.array([80.0, 0.0]) + off * np.array([-np.tan(turn / 2), 1.0])
    far = 90.0 * np.array([np.cos(turn), np.sin(turn)])
    return np.array([[-10.0, off], corner, corner + far])


@pytest.mark.parametrize("degrees", [15.0, 23.0, 45.0])
@pytest.mark.parametrize(("radius", "step"), [(2.0, 6.0), (3.0, 3.0), (3.0, 7.5), (4.0, 1.5)])
@pytest.mark.parametrize("off", [5.6, 6.25, 8.0])
@pytest.mark.parametrize("back", [False, True])
def test_a_string_inside_an_arc_tighter_than_it_lies_off_the_street_turns_in_one_corner(
    degrees: float, radius: float, step: float, off: float, back: bool
) -> None:
    """Plane geometry: both sides of it are parallel to the legs up to where these lines meet."""
    xy = rounded(degrees, radius, step)
    net = street(xy[::-1] if back else xy)
    along = bool(np.hypot(*net.chains.xy[0]) < 1.0)
    at = 10.0 if along else float(net.lengths[0]) - 10.0
    table = laid(
        net, street_offset=off if along else -off, strings=1, length=110.0, lay_at=at,
        lay_forward=along, joints=9, lay_width=12.0,
    )  # fmt: skip
    (shape,) = shapely.get_parts(table["geometry"].iloc[0])
    due = shapely.buffer(
        shapely.LineString(mitred(degrees, off)), 0.2, cap_style="flat", join_style="mitre"
    )
    assert shapely.within(shape, shapely.buffer(due, 1e-5))
    beyond = shapely.LineString([(10.0, 0.0), (10.0, 20.0)])
    cut = next(part for part in shapely.ops.split(due, beyond).geoms if part.centroid.x > 10.0)
    # what is missing of it all lies past its far end, square to the leg
    missing = shapely.get_parts(shapely.difference(cut, shapely.buffer(shape, 1e-5)))
    areas = np.sort(shapely.area(missing))
    assert areas[-1] == pytest.approx(cut.area - shape.area, abs=0.01)
    assert areas[:-1].sum() < 1e-3
    # an arc of the string would be longer than the corner by (off - R) (2 tan(t/2) - t)
    turn = np.radians(degrees)
    short = (off - radius) * (2 * np.tan(turn / 2) - turn)
    assert shape.area / 0.4 == pytest.approx(110.0 - short, abs=0.02 + 0.1 * short)


@pytest.mark.parametrize("off", [-8.0, -3.0, -1.2, 1.2])
@pytest.mark.parametrize(("degrees", "radius", "step"), [(22.0, 2.0, 5.5), (45.0, 1.5, 3.0)])
def test_a_strip_keeps_its_width_along_straights_that_meet_a_tight_arc(
    degrees: float, radius: float, step: float, off: float
) -> None:
    xy = rounded(degrees, radius, step)
    net = street(xy)
    size = float(net.lengths[0])
    along = bool(np.hypot(*net.chains.xy[0]) < 1.0)
    side = off if along else -off
    corners = [[5.0, side - 0.2], [size - 5.0, side - 0.2], [size - 5.0, side + 0.2],
               [5.0, side + 0.2]]  # fmt: skip
    (shape,) = strips(net, np.zeros(1, dtype=np.int64), np.array([corners]))
    edges = np.diff(np.vstack([ring := shapely.get_coordinates(shape), ring[1]]), axis=0)[:-1]
    long = np.flatnonzero(np.hypot(*edges.T) > 20.0)
    assert len(long) == 4
    turn = np.radians(degrees)
    for k in long:
        one, two = ring[k], ring[k + 1]
        second = bool(one[0] + two[0] > 160.0)
        way = np.array([np.cos(turn), np.sin(turn)]) if second else np.array([1.0, 0.0])
        start = np.array([80.0, 0.0]) if second else np.zeros(2)
        aside = (np.array([one, two]) - start) @ np.array([-way[1], way[0]])
        assert np.abs(np.abs(aside - off) - 0.2).max() < 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_the_ground_of_a_string_that_folds_over_is_the_same_turned_about(seed: int) -> None:
    """Several short steps that turn to the side of the string, whose line inside them runs back.

    The whole street turned by 180 degrees; and the ground is no more than the lane there is.
    """
    rng = np.random.default_rng(seed)
    steps = np.concatenate([[40.0], rng.uniform(0.5, 1.5, 4), [40.0]])
    way = np.concatenate([[0.0], np.cumsum(np.radians(rng.uniform(6.0, 22.0, 5)))])
    xy = np.cumsum(steps[:, None] * np.stack([np.cos(way), np.sin(way)], axis=1), axis=0)
    xy = np.vstack([[0.0, 0.0], xy])
    drawn = []
    for turn in (1.0, -1.0):
        net = street(xy * turn)
        begin = net.chains.xy[0] * turn
        forward = bool(np.hypot(*(begin - xy[0])) < 1.0)
        side = 5.0 if forward else -5.0
        at = 10.0 if forward else float(net.lengths[0]) - 10.0
        table = laid(
            net, street_offset=side, strings=1, length=40.0, lay_at=at, lay_forward=forward,
            joints=3,
        )  # fmt: skip
        drawn.append(shapely.transform(table["geometry"].iloc[0], lambda p, t=turn: p * t))
    one, other = drawn
    assert one.area == pytest.approx(other.area, abs=1e-6)
    assert shapely.symmetric_difference(one, other).area < 1e-6
    assert one.area < 0.4 * 40.0 * 1.05


def test_strings_past_the_middle_and_past_the_verge_are_told() -> None:
    straight = street(np.array([[0.0, 0.0], [400.0, 0.0]]))
    few = laid(straight)
    assert set(few["beyond"]) == {""}
    many = laid(straight, length=360.0, joints=29, strings=30)
    offs = [g.centroid.y for g in many["geometry"]]
    want = [
        "verge" if abs(y) + 0.2 > 7.5 + 1e-6 else "middle" if y + 0.2 < -1e-6 else "" for y in offs
    ]
    assert many["beyond"].tolist() == want
    assert {"middle", "verge"} <= set(want)


def test_a_string_is_led_past_a_soft_place() -> None:
    straight = street(np.array([[0.0, 0.0], [400.0, 0.0]]))
    soft = np.array([shapely.box(20, 4.0, 30, 12)], dtype=object)
    assert not any(g.intersects(soft[0]) for g in laid(straight, soft=soft)["geometry"])
    wall = np.array([shapely.box(20, -20, 21, 20)], dtype=object)
    assert laid(straight, soft=wall)["geometry"].iloc[0].centroid.y == pytest.approx(5.0)


@pytest.mark.parametrize("before", [0.05, 0.3, 0.7])
def test_a_strip_that_ends_shortly_before_a_corner_ends_square(before: float) -> None:
    """Plane geometry: up to the corner the street is straight, and so is what lies along it."""
    turned = np.radians(-77.0)
    far = (100.0 + 80.0 * np.cos(turned), 80.0 * np.sin(turned))
    lines = Lines(
        pd.DataFrame(
            {"class": ["local"], "lanes": [2.0], "width": [7.0], "speed": [14.0], "name": [""]}
        ),
        np.array([(0.0, 0.0), (100.0, 0.0), far]),
        np.array([0, 3]),
    )
    streets = build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)
    on = streets.chains.xy[0, 0] == 0.0
    at = 100.0 - before if on else streets.lengths[0] - 100.0 + before
    off = np.array([-3.5 if on else 3.5])
    (place,) = on_street(streets, np.array([0]), np.array([at]), off)
    assert place == pytest.approx([100.0 - before, -3.5], abs=1e-9)


@pytest.mark.parametrize("inside", [True, False], ids=["inside", "outside"])
@pytest.mark.parametrize("turn", [125.0, 149.0, 165.0])
def test_a_strip_round_a_sharp_corner_holds_the_whole_lane_before_and_after_it(
    turn: float, inside: bool
) -> None:
    """Shapely: the buffer of the street on one side, cut off by a bevel on the outside."""
    back = np.radians(turn)
    xy = np.array([[0, 0], [250, 0], [250 + 230 * np.cos(back), 230 * np.sin(back)]])
    net = street(xy)
    line = shapely.LineString(net.chains.xy)
    left = bool(net.swing[-1] > net.swing[0])  # the turn is to the left along the chain
    off = 3.25 if left == inside else -3.25
    low, high = 120.0, 400.0
    corners = np.array([[[low, 0.0], [high, 0.0], [high, off], [low, off]]])
    (got,) = strips(net, np.zeros(1, dtype=np.int64), corners)
    style = {"join_style": "mitre", "mitre_limit": 50.0} if inside else {"join_style": "bevel"}
    want = shapely.ops.substring(line, low, high).buffer(off, single_sided=True, **style)
    assert shapely.area(shapely.symmetric_difference(got, want)) < 1e-6 * shapely.area(want)


def test_a_strip_that_ends_shortly_after_a_sharp_corner_does_not_turn_back_past_its_start() -> None:
    """Plane geometry: the sides meet 37 m before the corner, which the strip does not reach."""
    back = np.radians(170.0)
    net = street(np.array([[0, 0], [250, 0], [250 + 230 * np.cos(back), 230 * np.sin(back)]]))
    size = float(net.lengths[0])
    first = net.chains.xy[0, 1] == 0  # the chain begins with the leg along x
    off = 3.25 if net.swing[-1] > net.swing[0] else -3.25
    at = np.array([240.0, 260.0]) if first else size - np.array([240.0, 260.0])
    corners = np.array([[[at[0], 0.0], [at[1], 0.0], [at[1], off], [at[0], off]]])
    (got,) = strips(net, np.zeros(1, dtype=np.int64), corners)
    assert shapely.bounds(got)[0] >= 239.0
