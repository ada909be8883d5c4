"""Room for strings: what stops them, how many pipes they hold, how long a pull they make."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotools.brief import Street
from geotools.deliver.verify.formulas import shared_out
from geotools.deliver.verify.strings import given_to_last
from geotools.intake.columns import Lines
from geotools.street.lanes import Passage
from geotools.street.laydown import (
    Corridors,
    build_corridors,
    longest_pull,
    most_strings,
    pieces_per_string,
)
from geotools.street.net import StreetNet, build_streets
from geotools.street.strings import lay_strings, string_pieces
from geotools.street.strips import on_street


def net(*lines: list[tuple[float, float]], accuracy: float = 0.5, **columns: Any) -> StreetNet:
    said = {"class": "local", "lanes": 2.0, "width": 7.0, "speed": 14.0, "name": ""}
    table = pd.DataFrame({**said, **columns}, index=range(len(lines)))
    xy = np.concatenate([np.array(line, dtype=float) for line in lines])
    offsets = np.cumsum([0, *map(len, lines)])
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=accuracy)


def corridors(streets: StreetNet, *obstacles: shapely.Geometry, accuracy: float = 0.5) -> Corridors:
    places = np.array(obstacles, dtype=object)
    return build_corridors(
        streets, places, no_block=["Arterial", "Arterial, minor"], clear=10.0, verge=4.0,
        accuracy=accuracy, max_turn=np.radians(45),
    )  # fmt: skip


def free(lanes: Corridors, at: float, *, forward: bool, radius: float = 8.0) -> float:
    """Return the room along the chain that starts farthest west."""
    starts = lanes.net.chains.xy[lanes.net.chains.offsets[:-1], 0]
    chain = np.array([int(np.argmin(starts))])
    room = lanes.available(chain, np.array([at]), np.array([forward]), np.array([radius]))
    return float(room[0])


def test_a_string_lies_as_far_as_the_street_goes() -> None:
    lanes = corridors(net([(0, 0), (300, 0)]))
    assert free(lanes, 100.0, forward=True) == pytest.approx(200.0)
    assert free(lanes, 100.0, forward=False) == pytest.approx(100.0)
    assert free(lanes, -5.0, forward=True) == 0.0


@pytest.mark.parametrize("name", ["arterial", "Arterial, Minor"])
def test_a_string_keeps_clear_of_intersections_that_may_not_be_blocked(name: str) -> None:
    lines = ([(0, 0), (300, 0)], [(200, -90), (200, 0)], [(200, 0), (200, 90)])
    busy = corridors(net(*lines, **{"class": ["local", name, name]}))
    quiet = corridors(net(*lines))
    assert free(busy, 100.0, forward=True) == pytest.approx(90.0)
    assert free(busy, 195.0, forward=True) == 0.0
    assert free(quiet, 100.0, forward=True) == pytest.approx(200.0)


@pytest.mark.parametrize(
    ("layer", "brief"),
    [("ANAYOL İÇİ", "Anayol İçi"), ("ΛΕΩΦΟΡΟΣ", "Λεωφόρος"), ("VIA RAPIDA", "vía rápida")],
)
def test_capitals_of_any_language_keep_strings_off_what_may_not_be_blocked(
    layer: str, brief: str
) -> None:
    lines = ([(0, 0), (300, 0)], [(200, -90), (200, 0)], [(200, 0), (200, 90)])
    streets = net(*lines, **{"class": ["local", layer, layer]})
    busy = build_corridors(
        streets, np.array([], dtype=object), no_block=[brief], clear=10.0, verge=4.0,
        accuracy=0.5, max_turn=np.radians(45),
    )  # fmt: skip
    assert free(busy, 100.0, forward=True) == pytest.approx(90.0)


@pytest.mark.parametrize(
    ("said", "stored"),
    [
        (["MAIN Road ", "Main road", ""], ["main road", "main road", "unclassified"]),
        (["ANAYOL İÇİ", "Anayol İçi", "Anayol İçi"], ["Anayol İçi"] * 3),
        (["ΛΕΩΦΟΡΟΣ", "Λεωφόρος", "\u0301"], ["Λεωφόρος", "Λεωφόρος", "\u0301"]),
        (["Straße", "STRASSE", "Straße"], ["Straße"] * 3),
    ],
)
def test_a_class_is_kept_in_one_spelling_of_the_layer_and_plain_letters_in_small_ones(
    said: list[str], stored: list[str]
) -> None:
    lines = ([(0, 0), (300, 0)], [(200, -90), (200, 0)], [(200, 0), (200, 90)])
    assert net(*lines, **{"class": said}).table["class"].astype(str).tolist() == stored


def test_a_string_stops_at_a_river_across_the_street() -> None:
    lanes = corridors(net([(0, 0), (300, 0)]), shapely.box(150, -50, 170, 50))
    assert free(lanes, 100.0, forward=True) == pytest.approx(50.0)
    assert free(lanes, 200.0, forward=False) == pytest.approx(30.0)
    assert free(lanes, 160.0, forward=True) == 0.0


def test_a_place_over_the_start_of_a_ring_stops_strings_there_and_nowhere_else() -> None:
    """A ring of 200 m radius; of each of its ends 20 m, twice the chord's half angle, lie in it.

    It is held three times round; half way round a string ends in any case.
    """
    turn = np.radians(np.arange(361) % 360)
    ring = net([(float(x), float(y)) for x, y in 200 * np.stack([-np.cos(turn), np.sin(turn)], 1)])
    lanes = corridors(ring, shapely.Point(-200, 0).buffer(20.0, 256))
    whole, hidden = 2 * np.pi * 200.0, 2 * 200 * np.arcsin(20 / 400)
    for lap in (0.0, whole, 2 * whole):
        at = lap + 150.0
        assert free(lanes, at, forward=False) == pytest.approx(150.0 - hidden, abs=0.1)
        assert free(lanes, lap + 10.0, forward=True) == 0.0
        assert free(lanes, lap + whole - 10.0, forward=True) == 0.0
    assert free(lanes, whole + 150.0, forward=True) == pytest.approx(whole / 2, abs=0.1)
    at = whole + 850.0
    assert free(lanes, at, forward=True) == pytest.approx(whole - hidden - 850.0, abs=0.1)


def test_a_bend_of_the_street_stops_stiff_pipe_and_lets_soft_pipe_round() -> None:
    lanes = corridors(net([(0, 0), (200, 0), (353.2, 128.6)]))
    assert free(lanes, 100.0, forward=True, radius=10.0) == pytest.approx(300.0, abs=0.1)
    # 40 deg within half a carriageway of 7 m and a verge of 4 m, so that it does not lie over the
    # middle: R = 7.5 / (1 - cos 20 deg) = 124.4 m.
    assert free(lanes, 100.0, forward=True, radius=122.0) == pytest.approx(300.0, abs=0.1)
    assert free(lanes, 100.0, forward=True, radius=127.0) == pytest.approx(100.0)


def test_no_string_is_laid_round_a_corner() -> None:
    lanes = corridors(net([(0, 0), (200, 0), (200, 200)]))
    assert free(lanes, 100.0, forward=True, radius=2.0) == pytest.approx(100.0)


def bent(radius: float, turn: float, step: float, accuracy: float = 0.5) -> StreetNet:
    """Return a street that goes 200 m east, turns left along an arc, and goes 200 m on."""
    along = np.radians(np.arange(0.0, turn + step / 2, step))
    arc = [(200 + radius * np.sin(t), radius * (1 - np.cos(t))) for t in along]
    out = np.array(arc[-1]) + 200 * np.array([np.cos(along[-1]), np.sin(along[-1])])
    return net([(0, 0), *arc, (float(out[0]), float(out[1]))], accuracy=accuracy)


@pytest.mark.parametrize(("turn", "passes"), [(44.9, True), (45.0, True), (45.1, False)])
def test_where_north_is_decides_no_corner_of_just_the_greatest_turn(
    turn: float, *, passes: bool
) -> None:
    for way in np.radians([0.0, 37.0, 92.0, 135.0, 270.0]):
        headings = way, way + np.radians(turn)
        steps = np.array([(150.0 * np.cos(h), 150.0 * np.sin(h)) for h in headings])
        xy = np.cumsum([(500_000.0, 5_600_000.0), *steps], axis=0).round(3)
        lanes = corridors(net([tuple(point) for point in xy]))
        chain, ahead = np.zeros(1, dtype=np.int64), np.array([True, False])
        start = np.where(ahead, 1.0, 299.0)
        room = lanes.available(np.repeat(chain, 2), start, ahead, np.full(2, 8.0))
        assert (room > 200.0).all() == passes, way


def test_a_long_curve_is_judged_by_its_radius_and_not_by_how_far_it_turns() -> None:
    lanes = corridors(bent(400.0, 80.0, 2.0))
    whole = 400.0 + np.radians(80.0) * 400.0
    # Within 7 m of carriageway and two verges of 4 m the inner side has 400 - 7.5 m.
    assert free(lanes, 100.0, forward=True, radius=380.0) == pytest.approx(whole - 100, abs=1.0)
    assert free(lanes, 100.0, forward=True, radius=405.0) < 120.0


@pytest.mark.parametrize("accuracy", [0.5, 0.1, 0.02])
@pytest.mark.parametrize("step", [0.6, 3.0])
def test_a_curve_of_a_street_is_no_corner_however_finely_it_is_drawn(
    step: float, accuracy: float
) -> None:
    lanes = corridors(bent(100.0, 60.0, step, accuracy), accuracy=accuracy)
    # round the inner side, 7.5 m in, a string follows a radius of 92.5 m all the way
    whole = 400.0 + np.radians(60.0) * 100.0
    assert free(lanes, 100.0, forward=True, radius=85.0) == pytest.approx(whole - 100, abs=1.0)
    assert free(lanes, 100.0, forward=True, radius=95.0) < 120.0


def test_a_tight_curve_stops_a_string_where_it_begins_from_either_end() -> None:
    lanes = corridors(bent(60.0, 90.0, 5.0))
    arc = np.radians(90.0) * 60.0
    assert free(lanes, 100.0, forward=True, radius=70.0) == pytest.approx(100.0, abs=8.0)
    assert free(lanes, 300.0 + arc, forward=False, radius=70.0) == pytest.approx(100.0, abs=8.0)
    assert free(lanes, 200.0 + arc / 2, forward=True, radius=70.0) == 0.0


def test_off_the_streets_a_string_lies_straight_back_to_the_first_obstacle() -> None:
    lanes = corridors(net([(0, 0), (300, 0)]), shapely.box(80, 90, 90, 110))
    tops, heading = np.array([[0.0, 100.0], [0.0, 200.0]]), np.array([[1.0, 0.0], [1.0, 0.0]])
    room = lanes.straight_back(tops, heading, most=500.0, half_width=np.array([0.3, 0.3]))
    assert room == pytest.approx([80.0, 500.0])


@given(
    pieces=st.integers(0, 60),
    piece=st.floats(5, 20),
    rate=st.floats(0.01, 0.2),
    shift=st.floats(3600, 12 * 3600),
    joint_time=st.floats(600, 4 * 3600),
)
def test_the_longest_pull_is_the_best_number_of_strings(
    pieces: int, piece: float, rate: float, shift: float, joint_time: float
) -> None:
    best = max(
        (
            min(k * pieces * piece, rate * (shift - (k - 1) * joint_time))
            for k in range(1, 101)
            if shift - (k - 1) * joint_time > 0
        ),
        default=0.0,
    )
    got = longest_pull(
        np.array([float(pieces)]), piece=piece, rate=rate, shift=shift, joint_time=joint_time
    )
    assert got[0] == pytest.approx(best if pieces else 0.0)


def test_without_a_limit_the_shift_alone_sets_the_longest_pull() -> None:
    got = longest_pull(np.array([np.inf]), piece=12.0, rate=0.05, shift=36000.0, joint_time=3600.0)
    assert got[0] == pytest.approx(1800.0)


def test_no_pull_is_made_of_more_strings_than_find_room_side_by_side() -> None:
    limits = {"piece": 12.0, "rate": 0.05, "shift": 36000.0, "joint_time": 3600.0}
    got = longest_pull(np.full(4, 5.0), most=np.array([0, 1, 3, 99]), **limits)
    # 60 m a string; of nine only 360 m are pulled in what eight standstills leave of the shift.
    assert got.tolist() == [0.0, 60.0, 180.0, 480.0]


@pytest.mark.parametrize(
    ("least", "longest", "joint_time", "most"),
    [
        (30.0, 550.0, 3600.0, 10),  # the shift of 10 h holds nine standstills and some pulling
        (30.0, 550.0, 60.0, 23),  # 46 pipes, two to the shortest string
        (5.0, 550.0, 0.0, 46),  # never more strings than pipes
        (30.0, 9_000.0, 0.0, 100),
    ],
)
def test_the_most_strings_are_by_shift_and_by_the_shortest_string(
    least: float, longest: float, joint_time: float, most: int
) -> None:
    got = most_strings(
        piece=12.0, least=least, longest=longest, shift=36000.0, joint_time=joint_time
    )
    assert got == most


def test_a_string_consists_of_whole_pipes() -> None:
    assert pieces_per_string(np.array([0.0, 11.9, 12.0, 35.9, 36.0]), 12.0).tolist() == [
        0, 0, 1, 2, 3,
    ]  # fmt: skip
    pull, pieces = string_pieces(np.array([10, 2]), np.array([3, 1]))
    assert pull.tolist() == [0, 0, 0, 1]
    assert pieces.tolist() == [4, 3, 3, 2]


def laid(streets: StreetNet | None, *obstacles: shapely.Geometry, **pull: Any) -> pd.DataFrame:
    row = {
        "pull_id": "L1", "run_id": "R", "length": 115.0, "joints": 9, "strings": 3, "outside": 0.4,
        "street_chain": 0, "street_offset": 2.0, "street_name": "High", "lay_at": 100.0,
        "lay_forward": True, "lay_width": 7.5, "top_x": 100.0, "top_y": 2.0,
        "lay_dx": 1.0, "lay_dy": 0.0, **pull,
    }  # fmt: skip
    places = np.array(obstacles, dtype=object)
    return lay_strings(pd.DataFrame([row]), streets, places, gap=0.5, piece=12.0, least=1.0)


@pytest.mark.parametrize("forward", [True, False])
def test_strings_lie_side_by_side_from_the_ramp_on_in_whole_pipes(forward: bool) -> None:
    table = laid(net([(0, 0), (400, 0)]), lay_forward=forward)
    assert table["length"].tolist() == pytest.approx([48.0, 36.0, 31.0])
    assert table["joints"].tolist() == [3, 2, 2]
    for row in table.itertuples():
        west, south, east, north = row.geometry.bounds
        assert (east - west, north - south) == pytest.approx((row.length, 0.4))
        assert (west if forward else east) == pytest.approx(100.0)
    first = table.geometry.iloc[0] if hasattr(table, "geometry") else table["geometry"].iloc[0]
    assert first.centroid.y == pytest.approx(2.0)
    shapes = table["geometry"].tolist()
    assert all(a.distance(b) >= 0.5 - 1e-9 for k, a in enumerate(shapes) for b in shapes[:k])
    assert max(s.bounds[3] for s in shapes) <= 7.5


@pytest.mark.parametrize(
    ("length", "joints", "strings", "due"),
    [
        (36.045, 3, 4, [12.0, 12.0, 6.0225, 6.0225]),  # 45 mm cannot be clamped
        (37.0, 3, 4, [12.0, 12.0, 12.0, 1.0]),
        (36.045, 3, 2, [24.0, 12.045]),  # shared inside the string, when it is fused
        (0.5, 0, 1, [0.5]),
    ],
)
def test_a_last_string_too_short_to_be_fused_shares_with_the_one_before(
    length: float, joints: int, strings: int, due: list[float]
) -> None:
    table = laid(net([(0, 0), (400, 0)]), length=length, joints=joints, strings=strings)
    assert table["length"].tolist() == pytest.approx(due)
    shares = shared_out(joints + 1, strings)
    plan = SimpleNamespace(setting={"pulls.piece_length": 12.0, "pulls.least_piece": 1.0}.get)
    given = given_to_last(plan, SimpleNamespace(length=length), shares)  # type: ignore[arg-type]
    if strings > 1:
        assert given == pytest.approx(shares[-2] * 12.0 - due[-2])


def test_off_the_street_strings_lie_straight_back_from_the_ramp() -> None:
    table = laid(None, street_chain=-1, street_offset=0.0, lay_width=np.nan, lay_dx=0.0, lay_dy=1.0)
    west, south, east, north = table["geometry"].iloc[0].bounds
    assert (south, north - south, east - west) == pytest.approx((2.0, 48.0, 0.4))


def test_places_beyond_the_end_of_a_street_go_straight_on() -> None:
    points = on_street(
        net([(0, 0), (100, 0)]),
        np.zeros(3, dtype=np.int64),
        np.array([-10.0, 50.0, 120.0]),
        np.array([1.0, -2.0, 3.0]),
    )
    np.testing.assert_allclose(points, [[-10, 1], [50, -2], [120, 3]], atol=1e-9)


def test_strings_are_led_past_a_building_beside_the_street() -> None:
    """The building stands on the verge, where the pit is; over the middle there is room."""
    house = shapely.box(120, 4.0, 130, 12)
    table = laid(net([(0, 0), (400, 0)]), house, street_offset=5.0)
    shapes = table["geometry"].tolist()
    assert not any(s.intersects(house) for s in shapes)
    assert all(a.distance(b) >= 0.5 - 1e-9 for k, a in enumerate(shapes) for b in shapes[:k])
    assert all(abs(s.bounds[k]) <= 7.5 for s in shapes for k in (1, 3))
    plain = laid(net([(0, 0), (400, 0)]), street_offset=5.0)
    assert any(s.intersects(house) for s in plain["geometry"])


def test_where_nothing_is_clear_the_string_stays_in_line_with_its_pit() -> None:
    wall = shapely.box(120, -20, 121, 20)
    table = laid(net([(0, 0), (400, 0)]), wall)
    assert table["geometry"].iloc[0].centroid.y == pytest.approx(2.0)


def test_for_a_soft_place_no_lane_is_taken_that_is_not_taken_anyway() -> None:
    # three lanes of 10 m, the string on the left one; across lies a shaft that only the verge
    # on the far side gets round. Of a hard one it is led there.
    streets = net([(0, 0), (300, 0)], lanes=3.0, width=10.0)
    pull = pd.DataFrame(
        [
            {
                "pull_id": "L1", "run_id": "R", "length": 120.0, "joints": 9, "strings": 1,
                "outside": 0.2, "street_chain": 0, "street_offset": 2.1, "street_name": "",
                "street_width": 10.0, "street_lanes": 3.0, "street_oneway": 0.0, "lay_at": 10.0,
                "lay_forward": True, "lay_width": 9.0, "top_x": 10.0, "top_y": 2.1,
                "lay_dx": 1.0, "lay_dy": 0.0,
            }
        ]
    )  # fmt: skip
    if streets.chains.xy[0, 0] > 0:
        pytest.skip("the chain runs the other way")
    shaft, none = np.array([shapely.box(60, -6.5, 65, 9.5)]), np.zeros(0, dtype=object)
    soft, hard = (
        lay_strings(pull, streets, *places, gap=0.5, piece=12.0, passage=Passage(0.6, 0.85)).iloc[0]
        for places in ((none, shaft), (shaft, none))
    )
    assert soft["off"] == pytest.approx(2.1)
    assert not soft["led"]
    assert hard["off"] + 0.1 < -6.5
    assert hard["led"]
