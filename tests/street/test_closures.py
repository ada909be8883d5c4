"""Lane closures: which lanes of which direction, how long, and where they are drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.ops import substring

from geotools.brief import Street
from geotools.deliver.verify.beside import lanes_met
from geotools.intake.columns import Lines
from geotools.street import closures
from geotools.street.closures import ONE_LANE_TAPER_M, ClosureRules, close_lanes
from geotools.street.lanes import Carriageway, Passage, lanes_between
from geotools.street.net import StreetNet, build_streets
from geotools.street.strips import strips
from geotools.street.tapers import DOWNSTREAM_TAPER_M, buffer_length_m, merging_taper_m

SPEED = 50 / 3.6
PASSAGE = Passage(gap=0.6, share=0.85)
BARE = Passage(gap=0.0, share=0.85)
MAX_TURN = Street().max_turn
RULES = ClosureRules(passage=PASSAGE, taper=None, buffer=None, keep_right=True, max_turn=MAX_TURN)


def net(lanes: int, width: float) -> StreetNet:
    """Return a straight street of 1 km towards the east."""
    table = pd.DataFrame(
        {"class": ["local"], "lanes": [lanes], "width": [width], "speed": [SPEED], "name": ["High"]}
    )
    lines = Lines(table, np.array([[0.0, 0.0], [1000.0, 0.0]]), np.array([0, 2]))
    return build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)


def a_pit(lanes: int, width: float, offset: float, **pit: Any) -> dict[str, Any]:
    """Return a pit 1.5 m wide at 500 m, so far left of the centreline."""
    return {
        "pit_id": "P1", "pull_id": "", "run_id": "R", "lanes_taken": 1, "days": 4.0,
        "edge_low": offset - 0.75, "edge_high": offset + 0.75,
        "street_chain": 0, "street_width": width, "street_lanes": lanes,
        "street_speed": SPEED, "street_oneway": 0.0, "street_class": "local", "street_name": "High",
        "first_day": 1.0, "last_day": 9.0, "work_low": 494.0, "work_high": 506.0, **pit,
    }  # fmt: skip


def closed(
    lanes: int, width: float, offset: float, rules: ClosureRules = RULES, **pit: Any
) -> pd.DataFrame:
    """Close lanes for that pit."""
    (table,) = closed_each(lanes, width, [offset], rules, **pit)
    return table


def closed_each(
    lanes: int, width: float, offsets: list[float], rules: ClosureRules = RULES, **pit: Any
) -> list[pd.DataFrame]:
    """Close lanes for pits so far left of the centreline, each for itself."""
    names = [f"P{row}" for row in range(1, len(offsets) + 1)]
    pits = [
        a_pit(lanes, width, offset, pit_id=name, **pit)
        for offset, name in zip(offsets, names, strict=True)
    ]
    table = close_lanes(pd.DataFrame(pits), net(lanes, width), rules).table
    return [table[table["pit_id"] == name].reset_index(drop=True) for name in names]


def test_closures_drawn_some_at_a_time_are_those_drawn_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pits = pd.DataFrame(
        [
            a_pit(2, 7.0, off, pit_id=f"P{k % 3}")
            for k, off in enumerate((0.0, -2.0, 2.0, -5.5, 0.0))
        ]
    )
    whole = close_lanes(pits, net(2, 7.0), RULES).table
    assert len(whole) == 6 and whole["closure_id"].is_unique
    monkeypatch.setattr(closures, "AT_ONCE", 2)
    pd.testing.assert_frame_equal(close_lanes(pits, net(2, 7.0), RULES).table, whole)


@pytest.mark.parametrize("back", [False, True])
def test_closures_of_a_pit_are_numbered_by_the_street_as_drawn(back: bool) -> None:
    """Its chain may go along it or against it, by what else is read."""
    row = {"class": "local", "lanes": 2, "width": 7.0, "speed": SPEED, "name": "High"}
    xy = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 0.0], [1000.0, 0.0]])
    if back:
        xy[2:] = xy[:1:-1]
    lines = Lines(pd.DataFrame([row, row]), xy, np.array([0, 2, 4]))
    streets = build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)
    table = close_lanes(pd.DataFrame([a_pit(2, 7.0, 0.0)]), streets, RULES).table
    assert table["side"].tolist() == ["along", "against"]
    assert table["closure_id"].tolist() == ["P1-T1", "P1-T2"]
    above = shapely.get_y(shapely.centroid(table["geometry"].to_numpy())) > 0
    assert above.tolist() == [back, not back]


@pytest.mark.parametrize(
    ("lanes", "width", "offset", "expected"),
    [
        # Two lanes: the pit is in the right lane, traffic along the street; it loses its lane.
        (2, 7.0, -2.0, {"along": (1, 0)}),
        (2, 7.0, 2.0, {"against": (1, 0)}),
        # In the middle it takes from both.
        (2, 7.0, 0.0, {"along": (1, 0), "against": (1, 0)}),
        # Four lanes of 3.5 m: at the kerb the inner lane stays open, at the middle the outer.
        (4, 14.0, -6.0, {"along": (1, 1)}),
        (4, 14.0, -1.6, {"along": (1, 1)}),
        # Astride the lane line there is room for none of the two.
        (4, 14.0, -3.5, {"along": (2, 0)}),
        # Of three lanes of 3.5 m the one over the centreline is of the half the pit lies on.
        (3, 10.5, 0.0, {"along": (1, 1)}),
        (3, 10.5, 3.5, {"against": (1, 1)}),
        (3, 10.5, -3.5, {"along": (1, 1)}),
        (5, 17.5, 0.0, {"along": (1, 2)}),
        # One lane for both ways is closed to both, and counts once.
        (1, 4.0, -1.0, {"along": (1, 0), "against": (0, 0)}),
        (1, 4.0, 1.0, {"against": (1, 0), "along": (0, 0)}),
        # On the verge it takes nothing.
        (2, 7.0, -5.5, {}),
    ],
)
def test_lanes_closed_and_left_in_each_direction(
    lanes: int, width: float, offset: float, expected: dict[str, tuple[int, int]]
) -> None:
    table = closed(lanes, width, offset)
    got = {row.side: (row.lanes_closed, row.lanes_left) for row in table.itertuples()}
    assert got == expected


@pytest.mark.parametrize(("lanes", "width"), [(1, 4.0), (2, 7.0), (3, 10.5), (3, 8.0), (5, 17.5)])
def test_which_way_a_street_runs_says_nothing_of_the_lanes_taken(lanes: int, width: float) -> None:
    """Mirrored at the centreline, as by a chain that goes the other way; by hand as in `verify`."""
    off, reach = (v.ravel() for v in np.meshgrid(np.arange(-9, 9.1, 0.25), [0.8, 1.4, 2.6]))
    for oneway in (0.0, 1.0, -1.0):
        way = Carriageway(np.array(width), np.array(lanes), np.array(oneway))
        taken = lanes_between(off - reach, off + reach, way, BARE)
        assert taken.tolist() == lanes_between(-off - reach, -off + reach, way, BARE).tolist()
        hand = [
            lanes_met(o, r, width, lanes, 0.85, oneway=oneway != 0)
            for o, r in zip(off, reach, strict=True)
        ]
        assert taken.tolist() == hand


@pytest.mark.parametrize("offset", [-2.0, 2.0])
@pytest.mark.parametrize("middle", [480.0, 498.0, 502.0, 520.0])
@pytest.mark.parametrize("names", [("High", "High"), ("High", "Low")])
def test_the_side_is_told_by_the_centreline_abreast_of_the_middle_of_the_work(
    offset: float, middle: float, names: tuple[str, str]
) -> None:
    """Two centrelines are drawn towards each other and meet at 500 m, some within the work.

    Where traffic keeps right, what lies south of the street is passed eastwards: along the western
    centreline, drawn eastwards, and against the eastern one.
    """
    table = pd.DataFrame(
        {"class": "local", "lanes": 2, "width": 7.0, "speed": SPEED, "name": list(names)}
    )
    xy = np.array([[0.0, 0.0], [500.0, 0.0], [1000.0, 0.0], [500.0, 0.0]])
    streets = build_streets(
        Lines(table, xy, np.array([0, 2, 4])), Street(), tolerance=0.5, accuracy=0.5
    )
    assert len(streets.lengths) == 1
    pit = a_pit(2, 7.0, offset, work_low=middle - 6, work_high=middle + 6)
    (row,) = close_lanes(pd.DataFrame([pit]), streets, RULES).table.itertuples()
    west, _, east, _ = row.geometry.bounds
    eastwards = row.geometry.centroid.y < 0
    at = west + DOWNSTREAM_TAPER_M + 6 if not eastwards else east - DOWNSTREAM_TAPER_M - 6
    assert row.side == ("along" if eastwards == (at < 500) else "against")


@pytest.mark.parametrize(("off", "side"), [(1.95, "against"), (-1.95, "along")])
def test_of_three_lanes_a_pit_takes_as_many_whichever_way_the_street_runs(
    off: float, side: str
) -> None:
    """Pit and room from 0.9 to 3.0 m off the centreline of 10.5 m, so 2.25 m stay beside it.

    That is no lane of 2.975 m. In the half to the line between the directions, 1.75 m beyond the
    centreline, stay 2.65 m, which is none either: both its lanes are closed.
    """
    table = closed(3, 10.5, off, edge_low=off - 0.45, edge_high=off + 0.45)
    got = {row.side: (row.lanes_closed, row.lanes_left) for row in table.itertuples()}
    assert got == {side: (2, 0)}


def test_a_wider_pit_takes_no_fewer_lanes() -> None:
    for lanes in (1, 2, 3, 5):
        low, high = np.meshgrid(np.arange(-8, 8, 0.25), np.arange(-8, 8, 0.25))
        for oneway in (0.0, 1.0):
            way = Carriageway(np.array(3.5 * lanes), np.array(lanes), np.array(oneway))
            taken = np.where(low < high, lanes_between(low, high, way, BARE), 0)
            assert (np.diff(taken, axis=0)[(low < high)[:-1]] >= 0).all()


def test_a_closure_of_an_odd_number_of_lanes_is_as_wide_as_its_lanes() -> None:
    """Lanes of 3.5 m: 118 m of taper were told of one of them, for two thirds of its width."""
    (row,) = closed(3, 10.5, 3.5, street_speed=20.0).itertuples()
    assert row.taper == pytest.approx(float(merging_taper_m(3.5, 20.0)))
    (row,) = closed(3, 10.5, -3.5, street_speed=20.0).itertuples()
    assert row.taper == pytest.approx(float(merging_taper_m(3.5, 20.0)))
    across = shapely.bounds(row.geometry)[[1, 3]]
    assert across.tolist() == pytest.approx([-5.25, -1.75])
    (row,) = closed(3, 10.5, 0.0).itertuples()
    assert shapely.bounds(row.geometry)[[1, 3]].tolist() == pytest.approx([-1.75, 1.75])


@pytest.mark.parametrize("oneway", [1.0, -1.0])
@pytest.mark.parametrize("lanes", [1, 2, 3, 4])
def test_a_one_way_street_is_closed_as_one_direction_of_a_street_twice_as_wide(
    lanes: int, oneway: float
) -> None:
    """3.3 m a lane. The pit, 1.5 m wide, stays off the line between the directions there."""
    width = 3.3 * lanes
    offsets = np.arange(-width / 2, width / 2 - 1.4, 0.15)
    ones = closed_each(lanes, width, offsets.tolist(), street_oneway=oneway)
    boths = closed_each(2 * lanes, 2 * width, (offsets - width / 2).tolist())
    for one, both in zip(ones, boths, strict=True):
        told = ["lanes_closed", "lanes_left"]
        assert one[told].to_numpy().tolist() == both[told].to_numpy().tolist()
        assert set(one["side"]) <= {"along" if oneway > 0 else "against"}


@pytest.mark.parametrize("oneway", [1.0, -1.0])
@pytest.mark.parametrize("lanes", [2, 3, 4, 5])
def test_traffic_of_a_one_way_street_passes_a_pit_on_one_side_of_it(
    lanes: int, oneway: float
) -> None:
    """What is closed is one strip from a kerb on, with the pit and 0.6 m beside it in it.

    Lanes of 3.3 m that are left keep their lines, or are narrowed to the room the pit leaves them.
    """
    width = 3.3 * lanes
    for offset in np.linspace(-width / 2, width / 2, 23).tolist():
        free = max(width / 2 - (offset + 1.35), offset - 1.35 + width / 2)
        kept = int(free / (0.85 * 3.3) + 1e-9)
        table = closed(lanes, width, offset, street_oneway=oneway)
        assert len(table) == (kept < lanes)
        if kept == lanes:
            continue
        (row,) = table.itertuples()
        low, high = shapely.bounds(row.geometry)[[1, 3]]
        assert np.isclose(min(abs(low + width / 2), abs(high - width / 2)), 0.0)
        assert high - low == pytest.approx(width - min(3.3 * kept, free))
        assert low <= max(offset - 1.35, -width / 2) + 1e-9
        assert high >= min(offset + 1.35, width / 2) - 1e-9
        assert (row.lanes_closed, row.lanes_left) == (lanes - kept, kept)
        merged = float(merging_taper_m(high - low, SPEED)) if kept else 0.0  # W as drawn
        assert row.taper == pytest.approx(merged)


def test_the_lanes_closed_of_a_one_way_street_do_not_hang_on_how_it_is_drawn() -> None:
    """Half way across three lanes one finds room on either side: the left hand one stays open."""
    for oneway in (1.0, -1.0):
        (row,) = closed(3, 9.9, 0.0, street_oneway=oneway).itertuples()
        across = shapely.bounds(row.geometry)[[1, 3]] * oneway
        assert sorted(across.tolist()) == pytest.approx([-4.95, 1.65])


def test_a_one_way_street_of_one_lane_is_closed_whole() -> None:
    (row,) = closed(1, 4.0, -1.2, street_oneway=1).itertuples()
    assert (row.lanes_closed, row.lanes_left) == (1, 0)


@pytest.mark.parametrize("fixed", [None, 12.0])
@pytest.mark.parametrize(
    ("lanes", "width", "oneway", "halves"),
    [(2, 7.0, 0.0, 2), (1, 4.0, 0.0, 2), (1, 4.0, 1.0, 1), (2, 5.0, -1.0, 1)],
)
def test_a_street_no_lane_is_left_of_is_shut_with_a_buffer_and_no_tapers(
    lanes: int, width: float, oneway: float, halves: int, fixed: float | None
) -> None:
    """No traffic merges, nor takes turns, also where the brief fixes how long tapers are."""
    rules = ClosureRules(PASSAGE, fixed, None, True, MAX_TURN)
    pit = a_pit(lanes, width, 0.0, street_oneway=oneway)
    found = close_lanes(pd.DataFrame([pit]), net(lanes, width), rules)
    assert len(found.table) == halves
    for row in found.table.itertuples():
        assert (row.lanes_left, row.taper, row.downstream_taper) == (0, 0.0, 0.0)
        long, wide = row.buffer + 12.0, width / min(halves, lanes)
        assert shapely.equals(row.geometry.envelope, row.geometry)  # blunt at both ends
        assert row.geometry.area == pytest.approx(long * wide)
    (told,) = found.shut.itertuples()
    assert told.closures == found.table["closure_id"].tolist()
    assert (told.first, told.between) == (0, "from end to end")


@pytest.mark.parametrize("keep_right", [True, False])
@pytest.mark.parametrize("offset", [-1.0, 0.0, 1.0])
def test_one_lane_of_both_ways_is_shut_with_a_buffer_before_either_end(
    offset: float, keep_right: bool
) -> None:
    rules = ClosureRules(PASSAGE, None, None, keep_right, MAX_TURN)
    found = close_lanes(pd.DataFrame([a_pit(1, 4.0, offset)]), net(1, 4.0), rules)
    table = found.table.set_index("side")
    assert table["lanes_closed"].sum() == 1
    buffer = table["buffer"].iloc[0]
    for side, ends in {"along": (494 - buffer, 506), "against": (494, 506 + buffer)}.items():
        due = shapely.box(ends[0], -2.0, ends[1], 2.0)
        assert shapely.symmetric_difference(table.at[side, "geometry"], due).area < 1e-6
    (told,) = found.shut.itertuples()
    assert told.closures == ["P1-T1", "P1-T2"]


def test_a_street_with_a_lane_for_both_ways_is_not_shut() -> None:
    for lanes, width, offset in ((2, 7.0, -2.0), (3, 10.5, 0.0), (4, 14.0, -3.5)):
        pit = a_pit(lanes, width, offset)
        found = close_lanes(pd.DataFrame([pit]), net(lanes, width), RULES)
        assert len(found.table) and found.shut.empty
        assert (found.table["downstream_taper"] == DOWNSTREAM_TAPER_M).all()


def test_it_is_told_between_which_streets_a_street_is_shut() -> None:
    """Those of the next intersections on either side; its own end where there is none."""
    names = ["High", "Mill", "Park", ""]
    table = pd.DataFrame(
        {"class": "local", "lanes": 2, "width": 7.0, "speed": SPEED, "name": names}
    )
    across = [[[x, -100.0], [x, 100.0]] for x in (200.0, 450.0, 530.0)]
    xy = np.concatenate([[[0.0, 0.0], [1000.0, 0.0]], *across])
    streets = build_streets(
        Lines(table, xy, np.array([0, 2, 4, 6, 8])), Street(), tolerance=0.5, accuracy=0.5
    )
    own = int(np.argmax(streets.lengths))
    places = {100.0: "Mill and its end", 300.0: "Mill and Park"}
    places |= {500.0: "Park and a street without a name", 800.0: "a street without a name and "}
    for at, between in places.items():
        pit = a_pit(2, 7.0, 0.0, street_chain=own, work_low=at - 6, work_high=at + 6)
        (told,) = close_lanes(pd.DataFrame([pit]), streets, RULES).shut.itertuples()
        assert told.between.startswith(f"between {between}")


def test_lanes_as_wide_as_the_reader_lets_pass_are_closed() -> None:
    """A square told as two lanes of 35 m: L = W S, as for any other."""
    row = closed(2, 70.0, 20.0, street_oneway=1.0, lanes_taken=1).iloc[0]
    assert row["taper"] == pytest.approx(float(merging_taper_m(35.0, SPEED)))


def test_where_traffic_keeps_left_the_sides_change_places() -> None:
    left = ClosureRules(
        passage=PASSAGE, taper=None, buffer=None, keep_right=False, max_turn=MAX_TURN
    )
    assert closed(2, 7.0, -2.0, left)["side"].tolist() == ["against"]


def test_taper_and_buffer_go_by_speed_and_width_unless_the_brief_fixes_them() -> None:
    row = closed(4, 14.0, -6.0).iloc[0]
    assert row["taper"] == pytest.approx(float(merging_taper_m(3.5, SPEED)))
    assert row["buffer"] == pytest.approx(float(buffer_length_m(SPEED)))
    assert row["downstream_taper"] == DOWNSTREAM_TAPER_M
    assert closed(2, 7.0, -2.0).iloc[0]["taper"] == ONE_LANE_TAPER_M
    fixed = closed(2, 7.0, -2.0, ClosureRules(PASSAGE, 12.0, 8.0, True, MAX_TURN)).iloc[0]
    assert (fixed["taper"], fixed["buffer"]) == (12.0, 8.0)


@pytest.mark.parametrize(("offset", "side"), [(-2.0, "along"), (2.0, "against")])
def test_the_closure_holds_the_work_space_and_lies_upstream_on_its_half(
    offset: float, side: str
) -> None:
    row = closed(2, 7.0, offset).iloc[0]
    shape, half = row["geometry"], np.sign(offset) * 3.5
    work = shapely.box(494.0, min(0.0, half), 506.0, max(0.0, half))
    assert shape.buffer(1e-6).contains(work)
    west, south, east, north = shape.bounds
    assert (min(abs(south), abs(north)), max(abs(south), abs(north))) == pytest.approx((0.0, 3.5))
    upstream, downstream = row["taper"] + row["buffer"], row["downstream_taper"]
    reach = (494 - west, east - 506) if side == "along" else (east - 506, 494 - west)
    assert reach == pytest.approx((upstream, downstream))
    # Taper and downstream taper are triangles, buffer and work space whole.
    area = 3.5 * (row["buffer"] + 12.0 + (row["taper"] + downstream) / 2)
    assert shape.area == pytest.approx(area)


def test_a_closure_ends_where_the_street_does() -> None:
    shape = closed(2, 7.0, -2.0, street_at=20.0, work_low=10.0, work_high=22.0).iloc[0]["geometry"]
    assert shape.bounds[0] == pytest.approx(0.0)


@pytest.mark.parametrize(("offset", "at"), [(-2.0, 20.0), (2.0, 980.0), (-2.0, 500.0)])
def test_what_of_taper_and_buffer_the_street_has_no_room_for_is_told(
    offset: float, at: float
) -> None:
    """Traffic on the right comes from 0 m, on the left from 1,000 m; the work is 12 m long."""
    (row,) = closed(2, 7.0, offset, work_low=at - 6, work_high=at + 6).itertuples()
    room = at - 6 if offset < 0 else 1000 - at - 6
    assert row.lacking == pytest.approx(max(row.taper + row.buffer - room, 0.0))
    drawn = row.geometry.bounds
    due = row.taper + row.buffer + 12 + DOWNSTREAM_TAPER_M - row.lacking
    assert drawn[2] - drawn[0] == pytest.approx(due)


def test_a_closure_that_folds_over_by_corners_of_its_street_is_drawn() -> None:
    """Found in a drawn district: its outline runs back on itself, and is of two parts besides.

    Between taper and work it takes the ground on that side of the street, as shapely draws it.
    """
    xy = np.array(
        [[904.0, 117.0], [893.7, 86.8], [887.2, 85.7], [877.2, 89.2], [896.2, 113.8],
         [931.9, 104.6], [931.3, 120.1]]
    )  # fmt: skip
    xy += np.array([421_000.0, 5_302_000.0])
    table = pd.DataFrame(
        {"class": ["local"], "lanes": [2], "width": [7.2], "speed": [SPEED], "name": ["High"]}
    )
    street = build_streets(
        Lines(table, xy, np.array([0, len(xy)])), Street(), tolerance=0.5, accuracy=0.5
    )
    low, taper, work, high = 0.0, 13.38406525711715, 43.98250519537417, 59.222505195374175
    off = -3.606680151597551
    corners = np.array([[low, off], [taper, -0.0], [work, -0.0], [high, off]])
    (shape,) = strips(street, np.zeros(1, dtype=np.int64), corners[None])
    assert shapely.get_type_id(shape) in (3, 6)  # a polygon, or several
    line = shapely.LineString(street.chains.xy)
    side = substring(line, taper, work).buffer(off, single_sided=True, join_style="mitre")
    assert shape.intersection(side).area == pytest.approx(side.area)


def test_a_pit_that_takes_no_lane_has_no_closure() -> None:
    assert closed(2, 7.0, -2.0, lanes_taken=0).empty
    assert closed(2, 7.0, -2.0, street_chain=-1).empty
    assert close_lanes(pd.DataFrame({"pit_id": []}), None, RULES).table.empty


def test_a_half_closed_on_a_wide_street_merges_into_the_other_half() -> None:
    """Two lanes stay on the other half: each direction has its own, none takes turns."""
    wide = closed(4, 14.0, -3.5).iloc[0]
    assert (wide["lanes_closed"], wide["lanes_left"]) == (2, 0)
    assert wide["taper"] == pytest.approx(float(merging_taper_m(7.0, SPEED)))
    narrow = closed(2, 7.0, -2.0).iloc[0]
    assert narrow["taper"] == ONE_LANE_TAPER_M


def test_a_closure_follows_the_kerb_round_a_corner_of_the_street() -> None:
    table = pd.DataFrame(
        {"class": ["local"], "lanes": [2], "width": [8.0], "speed": [SPEED], "name": ["High"]}
    )
    xy = np.array([[0.0, 0.0], [500.0, 0.0], [933.0127, 250.0]])
    bent = build_streets(Lines(table, xy, np.array([0, 3])), Street(), tolerance=0.5, accuracy=0.5)
    row = {
        "pit_id": "P1", "pull_id": "", "run_id": "R", "lanes_taken": 1, "days": 4.0,
        "edge_low": -3.0,
        "edge_high": -1.0, "street_chain": 0, "street_width": 8.0, "street_lanes": 2,
        "street_speed": SPEED, "street_oneway": 0.0, "street_class": "local", "street_name": "High",
        "first_day": 1.0, "last_day": 9.0, "work_low": 490.0, "work_high": 510.0,
    }  # fmt: skip
    shape = close_lanes(pd.DataFrame([row]), bent, RULES).table["geometry"].iloc[0]
    line = shapely.LineString(xy)
    right = line.buffer(-4.0, single_sided=True, join_style="mitre")
    work = line.buffer(-4.0, single_sided=True, join_style="mitre").intersection(
        substring(line, 490, 510).buffer(4.0, cap_style="flat", join_style="mitre")
    )
    assert shape.difference(right.buffer(1e-6)).area < 1e-3
    assert work.difference(shape).area < 1e-3


@pytest.mark.parametrize(("oneway", "side"), [(1.0, "along"), (-1.0, "against")])
@pytest.mark.parametrize("offset", [-2.0, 2.0])
def test_on_a_one_way_street_traffic_merges_into_the_lane_left(
    offset: float, oneway: float, side: str
) -> None:
    """Both lanes go the same way, whichever of them is closed: a merging taper, upstream."""
    (row,) = closed(2, 7.0, offset, street_oneway=oneway).itertuples()
    assert (row.side, row.lanes_closed, row.lanes_left) == (side, 1, 1)
    assert row.taper == pytest.approx(float(merging_taper_m(3.5, SPEED)))
    west, _, east, _ = row.geometry.bounds
    upstream = 494 - west if side == "along" else east - 506
    assert upstream == pytest.approx(row.taper + row.buffer)
