"""Pits along runs against constructions in shapely made another way."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import shapely
from shapely.affinity import rotate, translate
from shapely.ops import substring

from geotools.network.thinned import thin
from geotools.siting.axis import Axis, straight_reach
from geotools.siting.depths import Stretch, dug_depths
from geotools.siting.extents import Extents, PitSizes, pit_extents
from geotools.siting.grounds import Sides, lay_grounds
from geotools.siting.must import BEND, VALVE, Stretches, must_stretches
from geotools.siting.profile import Profile

RECEIVING, AHEAD, BEHIND, BOTH = range(4)
RAMP, HALF, WORKING, RECEIVE = 14.0, 0.8, 2.0, 6.0  # m
Array = npt.NDArray[np.float64]
NO_STRETCH = Stretches(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0), 1)


def _axis(*lines: Any) -> Axis:
    xy = np.concatenate([np.asarray(line, dtype=float) for line in lines])
    offsets = np.cumsum([0, *(len(line) for line in lines)]).astype(np.int64)
    return Axis(thin(xy, offsets, accuracy=0.0))


def _sizes(count: int, ramp: float = RAMP) -> PitSizes:
    ramps = np.full((count, 2), ramp)
    return PitSizes(ramps, ramps[:, 0], np.full(count, HALF), WORKING, RECEIVE)


def _level(length: float) -> Profile:
    """Return the profile of a run 1 m deep all along."""
    columns = {"depth": 1.0, "cover": 0.5, "ground_z": 0.0, "axis_z": -0.75}
    return Profile(pd.DataFrame({"run": 0, "chainage": [0.0, length], **columns}), 1)


def _must(*stretches: tuple[float, float]) -> Stretches:
    low, high = np.array(stretches, dtype=float).reshape(-1, 2).T
    return Stretches(np.zeros(len(low), dtype=np.int64), low, high, 1)


def _pit(
    axis: Axis, at: float, must: Stretches = NO_STRETCH, ramp: float = RAMP
) -> tuple[Extents, npt.NDArray[np.object_]]:
    run = np.zeros(1, dtype=np.int64)
    extents = pit_extents(axis, run, np.array([at]), _sizes(1, ramp), must)
    ground = lay_grounds(axis, run, extents, np.array([HALF]))
    return extents, ground.polygons(np.zeros(4, dtype=np.int64), np.arange(4))


def _edges(extents: Extents, role: int) -> tuple[float, float]:
    return float(extents.start[0, role]), float(extents.end[0, role])


def _same_ground(ours: Any, other: Any) -> None:
    assert shapely.is_valid(ours)
    assert ours.symmetric_difference(other).area < 1e-6 * other.area


@pytest.mark.parametrize("angle", [0.0, 33.0, 90.0, 200.0])
def test_pits_on_a_straight_main(angle: float) -> None:
    def turned(shape: Any) -> Any:
        return translate(rotate(shape, angle, origin=(0, 0)), 5e5, 4e6)

    axis = _axis(shapely.get_coordinates(turned(shapely.LineString([(0, 0), (200, 0)]))))
    extents, ground = _pit(axis, 100.0)
    wanted = {
        RECEIVING: (97.0, 103.0),
        AHEAD: (100.0 - RAMP, 102.0),
        BEHIND: (98.0, 100.0 + RAMP),
        BOTH: (100.0 - RAMP / 2 - WORKING, 100.0 + RAMP / 2 + WORKING),
    }
    for role, (start, end) in wanted.items():
        assert _edges(extents, role) == pytest.approx((start, end), abs=1e-9)
        _same_ground(ground[role], turned(shapely.box(start, -HALF, end, HALF)))
    assert extents.box_ahead[0].tolist() == pytest.approx([0, RAMP + 2, 0, RAMP + 4])
    assert extents.box_behind[0].tolist() == pytest.approx([0, 0, RAMP + 2, RAMP + 4])


def test_a_two_way_pit_on_a_straight_main_is_one_hole_for_both_ramps() -> None:
    extents, ground = _pit(_axis([(0, 0), (200, 0)]), 100.0)
    one_way = 2 * HALF * (RAMP + WORKING)
    assert ground[BOTH].area == pytest.approx(2 * HALF * (RAMP + 2 * WORKING))
    assert ground[BOTH].area < 2 * one_way
    # each ramp and its face fit into the hole
    start, end = _edges(extents, BOTH)
    assert end - start == pytest.approx(RAMP + 2 * WORKING)


@pytest.mark.parametrize("at", [0.0, 200.0])
def test_a_pit_at_the_end_of_a_run_goes_straight_on_beyond_it(at: float) -> None:
    extents, ground = _pit(_axis([(0, 0), (200, 0)]), at)
    for role in (RECEIVING, AHEAD, BEHIND, BOTH):
        start, end = _edges(extents, role)
        _same_ground(ground[role], shapely.box(start, -HALF, end, HALF))
    assert _edges(extents, AHEAD) == pytest.approx((at - RAMP, at + WORKING))


def test_without_a_ramp_the_pit_is_as_long_as_the_working_room() -> None:
    extents, _ = _pit(_axis([(0, 0), (200, 0)]), 100.0, ramp=np.nan)
    assert _edges(extents, AHEAD) == pytest.approx((97.0, 102.0))


def _bend(angle: float, leg: float = 100.0) -> tuple[Array, Array, Array]:
    """A run of two legs that meet at the origin, and the directions of the legs."""
    turn = np.radians(angle)
    one, two = np.array([1.0, 0.0]), np.array([np.cos(turn), np.sin(turn)])
    return np.array([-leg * one, [0.0, 0.0], leg * two]), one, two


def _ramp_box(face: Array, back: Array, length: float) -> shapely.Polygon:
    """The straight trench from a face: a buffered line, flat at both ends."""
    return shapely.LineString([face, face + back * length]).buffer(HALF, cap_style="flat")


def _follows(run: shapely.LineString, box: shapely.Polygon, face: float) -> tuple[float, float]:
    """Return the stretch of the run around a face that lies in a box, by intersection."""
    part = run.intersection(box.buffer(1e-9))
    spot = run.interpolate(face)
    pieces = [p for p in shapely.get_parts(part) if p.length > 0]
    piece = min(pieces, key=lambda p: p.distance(spot))
    ends = sorted(run.project(shapely.Point(c)) for c in (piece.coords[0], piece.coords[-1]))
    return ends[0], ends[1]


@pytest.mark.parametrize("angle", [22.5, 45.0, 90.0, -45.0])
@pytest.mark.parametrize("role", [AHEAD, BEHIND])
def test_at_a_bend_the_ramp_leaves_the_main_straight_behind_the_leg_pulled(
    angle: float, role: int
) -> None:
    xy, one, two = _bend(angle)
    bend, stretch = 100.0, (99.4, 100.6)
    run = shapely.LineString(xy)
    extents, ground = _pit(_axis(xy), bend, _must(stretch))
    if role == AHEAD:
        face, out, back = bend + WORKING, two, -two
    else:
        face, out, back = bend - WORKING, -one, one
    box = _ramp_box(out * WORKING, back, RAMP + WORKING)
    low, high = _follows(run, box, face)
    other = low if role == AHEAD else high
    near = 3.0  # half a receiving pit stays open on the far side of the bend
    far = max(near, abs(other - bend))
    wanted = (bend - far, face) if role == AHEAD else (face, bend + far)
    assert _edges(extents, role) == pytest.approx(wanted, abs=1e-6)
    opened = substring(run, *wanted).buffer(HALF, cap_style="flat", join_style="mitre")
    _same_ground(ground[role], opened.union(box))
    # the far end of the ramp lies on the line of the leg that is pulled, not on the other leg
    top = shapely.Point(out * WORKING + back * (RAMP + WORKING - 0.01))
    assert ground[role].distance(top) == 0
    if abs(angle) > 30:
        assert run.distance(top) > HALF


@pytest.mark.parametrize("angle", [45.0, 90.0])
@pytest.mark.parametrize("last", [100.6, 104.5])
def test_a_two_way_pit_at_a_bend_has_a_ramp_behind_either_leg(angle: float, last: float) -> None:
    xy, one, two = _bend(angle)
    extents, ground = _pit(_axis(xy), 100.0, _must((99.4, last)))
    start, end = _edges(extents, BOTH)
    assert start == pytest.approx(_edges(extents, AHEAD)[0])
    assert end == pytest.approx(_edges(extents, BEHIND)[1])
    for top in (-two * (RAMP - 0.01), one * (RAMP - 0.01)):
        assert ground[BOTH].distance(shapely.Point(top)) == 0
    opened = substring(shapely.LineString(xy), start, end)
    trench = opened.buffer(HALF, cap_style="flat", join_style="mitre")
    boxes = [
        _ramp_box(two * (end - 100.0), -two, RAMP + end - 100.0),
        _ramp_box(-one * (100.0 - start), one, RAMP + 100.0 - start),
    ]
    _same_ground(ground[BOTH], shapely.union_all([trench, *boxes]))


def test_a_box_ends_where_the_run_turns_back_past_its_face() -> None:
    axis = _axis([(-50, 0), (6, 0), (6, 0.5), (-50, 0.5)])
    reach = straight_reach(
        axis,
        np.zeros(1, dtype=np.int64),
        np.array([50.0]),
        np.array([[1.0, 0.0]]),
        length=np.array([20.0]),
        half_width=np.array([HALF]),
        ahead=True,
    )
    assert reach.tolist() == pytest.approx([6 + 0.5 + 6])


@pytest.mark.parametrize("seed", range(40))
def test_the_run_follows_a_box_as_far_as_their_intersection_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turns = np.cumsum(rng.normal(0, 0.12, 12))
    steps = rng.uniform(2, 12, 12)
    xy = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=1) * steps[:, None], axis=0)
    axis, run = _axis(xy), shapely.LineString(xy)
    for ahead in (False, True):
        face = float(rng.uniform(0.3, 0.7) * run.length)
        length, half = float(rng.uniform(5, 20)), float(rng.uniform(0.3, 1.5))
        one = np.zeros(1, dtype=np.int64)
        heading = axis.heading(one, np.array([face]), before=ahead)[0] * (1 if ahead else -1)
        reach = straight_reach(
            axis,
            one,
            np.array([face]),
            heading[None],
            length=np.array([length]),
            half_width=np.array([half]),
            ahead=ahead,
        )
        spot = np.array(run.interpolate(face).coords[0])
        box = shapely.LineString([spot, spot + heading * length]).buffer(half, cap_style="flat")
        low, high = _follows(run, box, face)
        wanted = high - face if ahead else face - low
        ends_inside = high > run.length - 1e-6 if ahead else low < 1e-6
        wanted = length if ends_inside else min(wanted, length)  # beyond its end the box is free
        assert reach[0] == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_pits_hold_all_of_the_stretch_they_stand_in_and_never_end_inside_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turns = np.cumsum(rng.choice([0.0, 0.4, -0.8, 1.5], 10))
    xy = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=1) * 60.0, axis=0)
    along = np.arange(1, 9) * 60.0
    size = rng.uniform(0.2, 12.0, 8)
    must = _must(*((a - s, a + s * rng.uniform(0.2, 1)) for a, s in zip(along, size, strict=True)))
    at = np.concatenate([along, must.low, must.high, (must.low + along) / 2])
    run = np.zeros(len(at), dtype=np.int64)
    extents = pit_extents(_axis(xy), run, at, _sizes(len(at)), must)
    row = must.holding(run, at)
    assert (row >= 0).all()
    assert (extents.start <= must.low[row][:, None] + 1e-9).all()
    assert (extents.end >= must.high[row][:, None] - 1e-9).all()


@pytest.mark.parametrize("lean", [0.0, 2.5])
@pytest.mark.parametrize("seed", range(4))
def test_the_box_around_a_bent_ground_holds_it_and_has_its_middle_in_it(
    seed: int, lean: float
) -> None:
    rng = np.random.default_rng(seed)
    turns = np.cumsum(rng.uniform(-2.6, 2.6, 60))  # radians
    steps = rng.uniform(2.0, 12.0, 60)[:, None] * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    axis = _axis(np.cumsum(steps, axis=0))
    at = rng.uniform(0, axis.chainage[-1], 30)
    run = np.zeros(len(at), dtype=np.int64)
    extents = pit_extents(axis, run, at, _sizes(len(at)), NO_STRETCH)

    def widths(row: Any, from_top: Array, way: int) -> Array:
        return HALF + lean * from_top / RAMP

    half = np.full(len(at), HALF)
    dug = Stretch(_level(float(axis.chainage[-1])), run, extents.deep_start, extents.deep_end)
    sides = Sides(np.full(len(at), lean), dug_depths(dug, bedding=0.0), dug, 0.0, widths)
    ground = lay_grounds(axis, run, extents, half, sides=sides if lean else None)
    row, role = np.nonzero(ground.bent)
    drawn, reach = ground.draw(row, role), ground.half_width[row, role]
    middle = (ground.foot + ground.heading * ground.length[..., None] / 2)[row, role]
    assert len(row) > 60
    assert shapely.within(drawn, shapely.buffer(shapely.points(middle), reach + 1e-9)).all()
    assert shapely.distance(drawn, shapely.points(middle)).max() < 1e-9


@pytest.mark.parametrize(("past", "lean"), [(0.05, 3.0), (0.3, 3.0), (2.0, 3.0), (2.0, 0.0)])
@pytest.mark.parametrize("turn", [-8.0, -2.0, 1.0, 5.0, 40.0])
def test_the_ground_across_a_corner_is_that_of_both_legs_however_the_run_lies_or_is_drawn(
    turn: float, past: float, lean: float
) -> None:
    """Shapely: a box along either leg, and the kite between them on the outside of the corner.

    Sides 1 m deep lean out by so much all round; the pit ends ``past`` m past the corner.
    """
    angle, half, out = np.radians(turn), HALF + lean, lean
    legs = np.array([[-60.0, 0.0], [0.0, 0.0], 60.0 * np.array([np.cos(angle), np.sin(angle)])])
    before = shapely.box(past - RECEIVE - out, -half, 0.0, half)
    after = rotate(shapely.box(0.0, -half, past + out, half), turn, origin=(0, 0))
    tip = half * np.array([np.tan(angle / 2), -1.0]) * np.sign(turn)
    square = [(0.0, -half * np.sign(turn)), rotate(shapely.Point(0, -half), turn, origin=(0, 0))]
    side = np.sign(turn) * shapely.get_coordinates(square[1])[0]
    due = shapely.union_all([before, after, shapely.Polygon([(0, 0), square[0], tip, side])])
    for way in (0.0, 1.0, np.pi / 2, np.pi):
        turned = np.array([[np.cos(way), np.sin(way)], [-np.sin(way), np.cos(way)]])
        for back in (False, True):
            xy = (legs[::-1] if back else legs) @ turned + [4e5, 5e6]
            axis, at = _axis(xy), 60.0 + (-1 if back else 1) * (past - RECEIVE / 2)
            run = np.zeros(1, dtype=np.int64)
            extents = pit_extents(axis, run, np.array([at]), _sizes(1), NO_STRETCH)
            dug = Stretch(_level(120.0), run, extents.deep_start, extents.deep_end)
            depths = dug_depths(dug, bedding=0.0)
            sides = Sides(np.array([lean]), depths, dug, 0.0, lambda row, top, way: HALF + 0 * top)
            ground = lay_grounds(
                axis, run, extents, np.array([HALF]), sides=sides if lean else None
            )
            (got,) = ground.polygons(run, np.array([RECEIVING]))
            back_home = shapely.transform(
                got, lambda xy, turned=turned: (xy - [4e5, 5e6]) @ turned.T
            )
            assert shapely.area(shapely.symmetric_difference(back_home, due)) < 1e-6


@pytest.mark.parametrize("past", [0.001, 0.05])
@pytest.mark.parametrize("heading", np.arange(0.0, 6.2, 0.3))
def test_the_box_holds_a_corner_cut_off_at_the_limit_of_its_mitre(
    heading: float, past: float
) -> None:
    """A run folded back just before the end of a pit: the corner goes out as far as any can."""
    back = heading + 3.138
    there = 50 * np.array([np.cos(heading), np.sin(heading)])
    axis = _axis([(0, 0), there, there + 50 * np.array([np.cos(back), np.sin(back)])])
    run = np.zeros(1, dtype=np.int64)
    extents = pit_extents(axis, run, np.array([50 + past - RECEIVE / 2]), _sizes(1), NO_STRETCH)
    ground = lay_grounds(axis, run, extents, np.array([3.0]))
    assert ground.bent[0, RECEIVING]
    drawn = ground.draw(np.array([0]), np.array([RECEIVING]))[0]
    west, south = ground.foot[0, RECEIVING] - [0.0, ground.half_width[0, RECEIVING]]
    side = ground.length[0, RECEIVING]
    assert shapely.box(west, south, west + side, south + side).buffer(1e-9).covers(drawn)


def test_must_stretches_are_the_union_of_blocked_bends_with_a_diameter_either_side() -> None:
    rng = np.random.default_rng(8)
    count, lengths, diameter = 60, np.array([300.0, 80.0, 500.0]), np.array([0.6, 1.2, 0.3])
    run = np.sort(rng.integers(0, 3, count))
    first = rng.uniform(0, 1, count) * lengths[run]
    bends = pd.DataFrame(
        {
            "run": run,
            "first": first,
            "last": np.minimum(first + rng.uniform(0, 6, count), lengths[run]),
            "passes": rng.random(count) < 0.4,
            "deflection": 0.7,
        }
    )
    found = must_stretches(bends, diameter, lengths)
    for k in range(3):
        rows = bends[(bends["run"] == k) & ~bends["passes"]]
        union = shapely.union_all(
            [
                shapely.box(max(a - diameter[k], 0.0), 0, min(b + diameter[k], lengths[k]), 1)
                for a, b in zip(rows["first"], rows["last"], strict=True)
            ]
        )
        spans = sorted((p.bounds[0], p.bounds[2]) for p in shapely.get_parts(union))
        mine = found.run == k
        np.testing.assert_allclose(np.stack([found.low[mine], found.high[mine]], axis=1), spans)


def _blocked(*places: float, length: float = 400.0, apart: float = 10.0) -> list[list[float]]:
    bends = pd.DataFrame({"run": 0, "first": places, "last": places, "passes": False})
    bends["deflection"] = 0.7
    found = must_stretches(bends, np.array([0.5]), np.array([length]), apart=apart)
    return np.stack([found.low, found.high], axis=1).tolist()


def test_a_stretch_tells_whether_it_holds_a_bend_a_valve_or_both() -> None:
    places = np.array([100.0, 104.0, 200.0, 300.0])
    held = pd.DataFrame({"run": 0, "first": places, "last": places, "passes": False})
    held["deflection"] = [0.7, np.nan, np.nan, 0.7]  # a valve has none
    for order in ([0, 1, 2, 3], [3, 1, 0, 2]):
        found = must_stretches(held.iloc[order], np.array([0.5]), np.array([400.0]), apart=10.0)
        at = np.array([102.0, 150.0, 200.0, 300.0])
        kinds = found.cut_by(np.zeros(4, dtype=np.int64), at).tolist()
        assert kinds == [BEND | VALVE, 0, VALVE, BEND]


def test_bends_too_near_each_other_for_a_pull_between_lie_in_one_pit() -> None:
    assert _blocked(100.0, 110.9) == [[99.5, 111.4]]
    assert _blocked(100.0, 111.1) == pytest.approx(np.array([[99.5, 100.5], [110.6, 111.6]]))
    assert _blocked(100.0, 110.0, 120.0, 300.0) == pytest.approx(
        np.array([[99.5, 120.5], [299.5, 300.5]])
    )


def test_a_bend_too_near_the_end_of_a_run_lies_in_the_pit_at_the_end() -> None:
    assert _blocked(10.4) == [[0.0, 10.9]]
    assert _blocked(10.6) == pytest.approx(np.array([[10.1, 11.1]]))
    assert _blocked(389.6) == pytest.approx(np.array([[389.1, 400.0]]))
    assert _blocked(9.0, 18.0, length=20.0) == pytest.approx(np.array([[0.0, 20.0]]))


def test_one_long_pit_holds_two_near_bends_in_any_role() -> None:
    turn = np.radians(20.0)
    way = np.array([np.cos(turn), np.sin(turn)])
    back = np.array([np.cos(2 * turn), np.sin(2 * turn)])
    xy = np.array([[-200.0, 0.0], [0.0, 0.0], 9 * way, 9 * way + 200 * back])
    must = _must((199.5, 209.5))
    for at in (200.0, 204.0, 209.0):
        extents, ground = _pit(_axis(xy), at, must)
        for role in (RECEIVING, AHEAD, BEHIND, BOTH):
            start, end = _edges(extents, role)
            assert start <= 199.5 + 1e-9
            assert end >= 209.5 - 1e-9
            opened = substring(shapely.LineString(xy), start, end)
            assert opened.difference(ground[role].buffer(1e-6)).length < 1e-6


def test_the_outline_of_a_pit_at_a_bend_is_sound_in_other_units_too() -> None:
    """Written in US survey feet and read in metres, its corners move by some 1e-10 m.

    Corners as near to each other as that would change places, and the outline cross itself.
    """
    rng = np.random.default_rng(1)
    for _ in range(200):
        way, turn = rng.uniform(0, 2 * np.pi), np.radians(rng.uniform(20, 80))
        corner = np.array([3e5, 6e4]) + rng.uniform(0, 1e4, 2)
        one, two = (np.array([np.cos(w), np.sin(w)]) for w in (way, way + turn))
        line = [corner - 60 * one, corner, corner + 60 * two]
        ground = _pit(_axis(line), 60.0, _must((59.0, 61.0)))[1]
        read = shapely.transform(ground, lambda xy: xy * 3937 / 1200 * 1200 / 3937)
        assert shapely.is_valid(read).all(), shapely.is_valid_reason(read)
        sides = [np.hypot(*np.diff(shapely.get_coordinates(g), axis=0).T) for g in ground]
        assert min(side.min() for side in sides) > 1e-6


@pytest.mark.parametrize("seed", range(10))
def test_from_the_other_end_the_pits_are_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turns = np.cumsum(rng.choice([0.0, 0.01, -0.03, 0.3, 1.5], 30))
    xy = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=1) * 9.0, axis=0)
    length = float(shapely.LineString(xy).length)
    at = rng.uniform(0, length, 25)
    run = np.zeros(25, dtype=np.int64)
    one = pit_extents(_axis(xy), run, at, _sizes(25), _must((50.0, 53.0)))
    must = _must((length - 53.0, length - 50.0))
    other = pit_extents(_axis(xy[::-1]), run, length - at, _sizes(25), must)
    swapped = [RECEIVING, BEHIND, AHEAD, BOTH]
    np.testing.assert_allclose(one.start, length - other.end[:, swapped], atol=1e-6)
    np.testing.assert_allclose(one.end, length - other.start[:, swapped], atol=1e-6)
    np.testing.assert_allclose(one.box_ahead, other.box_behind[:, swapped], atol=1e-6)
    np.testing.assert_allclose(one.on_run, other.on_run[:, swapped], atol=1e-6)


def test_look_ups_of_stretches_are_those_of_a_plain_loop() -> None:
    rng = np.random.default_rng(9)
    spans = {0: [(2.0, 5.0), (9.0, 9.5)], 1: [], 2: [(0.0, 1.0), (40.0, 60.0), (70.0, 80.0)]}
    rows = [(k, *span) for k, of in spans.items() for span in of]
    run, low, high = (np.array(c) for c in zip(*rows, strict=True))
    must = Stretches(run.astype(np.int64), low, high, 3)
    for k, of in spans.items():
        at = np.concatenate([rng.uniform(-3, 90, 200), np.ravel(of)])
        where = np.full(len(at), k)
        before = [max([h for _, h in of if h <= a], default=-np.inf) for a in at]
        after = [min([lo for lo, _ in of if lo >= a], default=np.inf) for a in at]
        assert must.before(where, at).tolist() == before
        assert must.after(where, at).tolist() == after
        held = must.holding(where, at) >= 0
        assert held.tolist() == [any(lo <= a <= h for lo, h in of) for a in at]
        assert must.cut_by(where, at).tolist() == [any(lo < a < h for lo, h in of) for a in at]


def test_no_stretches_hold_and_cut_nothing() -> None:
    run, at = np.zeros(3, dtype=np.int64), np.array([0.0, 1.0, 2.0])
    assert NO_STRETCH.holding(run, at).tolist() == [-1, -1, -1]
    assert not NO_STRETCH.cut_by(run, at).any()
    assert NO_STRETCH.before(run, at).tolist() == [-np.inf] * 3
    assert NO_STRETCH.after(run, at).tolist() == [np.inf] * 3
