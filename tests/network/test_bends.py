"""Bends told from the drawing, from fittings on record and from inverts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import shapely

from geotools.network.bends import BendRules, find_bends
from geotools.network.build import RunSet
from geotools.network.redrawn import FINER
from geotools.network.thinned import thin

HOST = 0.6  # m
RULES = BendRules(
    accuracy=0.5,
    gather=5.0,
    least_angle=np.radians(3.0),
    curve_angle=np.radians(15.0),
    fitting_radius=0.0,
)
Array = npt.NDArray[np.float64]


def _bends(
    xy: Any,
    *,
    fittings: Sequence[tuple[float, float]] = (),
    rises: Sequence[tuple[float, float]] = (),
    **rules: float,
) -> pd.DataFrame:
    """Bends of one run; fittings and rises as (chainage, degrees); angles come back in degrees."""
    used = BendRules(**{**vars(RULES), **rules})
    xy = np.asarray(xy, dtype=float)
    drawn = [thin(xy, np.array([0, len(xy)]), accuracy=used.accuracy / n) for n in (1.0, FINER)]
    tables = []
    for rows, name in ((fittings, "angle"), (rises, "rise")):
        table = pd.DataFrame(list(rows), columns=["chainage", name], dtype=float)
        tables.append(table.assign(run=np.int64(0), **{name: np.radians(table[name])}))
    found = find_bends(drawn[0], np.array([HOST]), *tables, used, fine=drawn[1])
    return found.assign(
        deflection=np.degrees(found["deflection"]), drawn=np.degrees(found["drawn"])
    )


def _legs(*legs: tuple[float, float], step: float = 1e9) -> Array:
    """A line of legs (length, turn in degrees before it), a vertex at least every step."""
    points, heading = [np.zeros(2)], 0.0
    for length, turn in legs:
        heading += np.radians(turn)
        way = np.array([np.cos(heading), np.sin(heading)])
        count = max(1, round(length / step))
        points += [points[-1] + way * length * k / count for k in range(1, count + 1)]
    return np.array(points)


def _shaken(xy: Array, noise: float, rng: np.random.Generator) -> Array:
    """Move every vertex by up to the noise, any way."""
    size, way = rng.uniform(0, noise, len(xy)), rng.uniform(0, 2 * np.pi, len(xy))
    return np.asarray(xy + size[:, None] * np.stack([np.cos(way), np.sin(way)], axis=1))


@pytest.mark.parametrize("step", [2.0, 10.0, 25.0])
def test_a_straight_main_drawn_with_noise_has_no_bend(step: float) -> None:
    rng = np.random.default_rng(1)
    for _ in range(25):
        assert _bends(_shaken(_legs((400.0, 0.0), step=step), 0.25, rng)).empty


@pytest.mark.parametrize("angle", [5.625, 11.25, 22.5, 30.0, 45.0, 60.0, 90.0])
@pytest.mark.parametrize("step", [5.0, 20.0, 150.0])
def test_a_mitre_is_found_within_a_degree_under_noise(angle: float, step: float) -> None:
    # 0.3 m of noise either way: the accuracy is set to twice that
    rng = np.random.default_rng(2)
    line = _legs((150.0, 0.0), (150.0, angle), step=step)
    for _ in range(12):
        found = _bends(_shaken(line, 0.3, rng), accuracy=0.6)
        assert len(found) == 1
        assert found["deflection"].iloc[0] == pytest.approx(angle, abs=1.0)
        assert found["kind"].iloc[0] == "fitting"
        # the least turns may be laid a vertex off
        assert found["chainage"].iloc[0] == pytest.approx(150.0, abs=max(6.0, 0.6 * step))


@pytest.mark.parametrize("angle", [11.25, 22.5, 45.0, 90.0, 135.0, 179.0, -45.0])
def test_without_noise_the_angle_is_exact(angle: float) -> None:
    found = _bends(_legs((50.0, 0.0), (70.0, angle)))
    assert found["deflection"].tolist() == pytest.approx([abs(angle)], abs=1e-9)
    assert found["chainage"].tolist() == pytest.approx([50.0])
    assert found["axis_radius"].tolist() == [0.0]
    assert found["angle_source"].tolist() == ["drawing"]


def test_turns_below_the_least_angle_are_straight() -> None:
    assert _bends(_legs((80.0, 0.0), (80.0, 2.9))).empty
    assert len(_bends(_legs((80.0, 0.0), (80.0, 3.1)))) == 1


def _arc(radius: float, total: float, step: float, leg: float = 120.0) -> Array:
    """Tangent, arc with a vertex every step, tangent."""
    turn = np.radians(total)
    at = np.linspace(0, turn, round(radius * turn / step) + 1)
    arc = radius * np.stack([np.sin(at), 1 - np.cos(at)], axis=1)
    way = np.array([np.cos(turn), np.sin(turn)])
    return np.concatenate([[[-leg, 0.0]], arc, [arc[-1] + leg * way]])


@pytest.mark.parametrize("radius", [60.0, 100.0, 300.0, 1000.0])
@pytest.mark.parametrize("total", [20.0, 45.0, 90.0])
def test_a_drawn_arc_is_one_curve_of_its_radius(radius: float, total: float) -> None:
    found = _bends(_arc(radius, total, 4.0))
    assert found["kind"].tolist() == ["curve"]
    assert found["axis_radius"].tolist() == pytest.approx([radius], rel=0.01)
    assert found["deflection"].tolist() == pytest.approx([total], abs=1.0)
    length = radius * np.radians(total)
    chord = np.sqrt(8 * radius * RULES.accuracy)  # the drawing does not tell nearer where it begins
    assert found["first"].iloc[0] == pytest.approx(120.0, abs=chord)
    assert found["last"].iloc[0] == pytest.approx(120.0 + length, abs=chord)
    assert found["chainage"].iloc[0] == pytest.approx(120.0 + length / 2, abs=chord / 2)


@pytest.mark.parametrize("radius", [60.0, 100.0, 300.0, 1000.0])
def test_an_arc_digitised_by_hand_is_one_curve_within_15_per_cent(radius: float) -> None:
    rng = np.random.default_rng(3)
    for _ in range(12):
        found = _bends(_shaken(_arc(radius, 45.0, 4.0), 0.05, rng))
        assert found["kind"].tolist() == ["curve"]
        assert found["axis_radius"].tolist() == pytest.approx([radius], rel=0.15)


def test_arcs_that_turn_opposite_ways_are_two_curves() -> None:
    one = _arc(150.0, 45.0, 4.0, leg=60.0)[:-1]
    other = one[-1] + (one[-1] - one[::-1])  # point mirror: the reverse arc
    found = _bends(np.concatenate([one, other[1:]]))
    assert found["kind"].tolist() == ["curve", "curve"]
    assert found["axis_radius"].tolist() == pytest.approx([150.0, 150.0], rel=0.05)


def test_two_gentle_elbows_are_no_curve() -> None:
    found = _bends(_legs((60.0, 0.0), (20.0, 6.0), (60.0, 6.0)))
    assert found["kind"].tolist() == ["fitting", "fitting"]


def test_elbows_far_apart_are_no_curve() -> None:
    found = _bends(_legs((60.0, 0.0), *[(60.0, 11.25)] * 4))
    assert found["kind"].tolist() == ["fitting"] * 4


def test_a_jog_counts_both_its_turns() -> None:
    found = _bends(_legs((60.0, 0.0), (2.0, 45.0), (60.0, -45.0)))
    assert len(found) == 1
    assert found["deflection"].iloc[0] == pytest.approx(90.0)
    assert (found["first"].iloc[0], found["last"].iloc[0]) == pytest.approx((60.0, 62.0))
    assert found["chainage"].iloc[0] == pytest.approx(61.0)


@pytest.mark.parametrize(("apart", "count"), [(2.9, 1), (3.1, 2)])
def test_turns_within_five_diameters_are_one_bend(apart: float, count: int) -> None:
    found = _bends(_legs((60.0, 0.0), (apart, 22.5), (60.0, 22.5)))
    assert len(found) == count
    assert found["deflection"].sum() == pytest.approx(45.0)


def test_the_angle_on_record_overrides_the_drawing() -> None:
    found = _bends(_legs((60.0, 0.0), (60.0, 41.0)), fittings=[(61.5, 45.0)])
    assert found["deflection"].tolist() == pytest.approx([45.0])
    assert found["drawn"].tolist() == pytest.approx([41.0])
    assert found["angle_source"].tolist() == ["fitting record"]
    assert found["chainage"].tolist() == pytest.approx([60.0])


def test_two_fittings_at_one_turn_add_up() -> None:
    found = _bends(_legs((60.0, 0.0), (60.0, 85.0)), fittings=[(59.0, 45.0), (61.0, 45.0)])
    assert found["deflection"].tolist() == pytest.approx([90.0])


def test_a_fitting_the_drawing_does_not_show_is_a_bend() -> None:
    found = _bends(_legs((60.0, 0.0), (60.0, 30.0)), fittings=[(20.0, 22.5)])
    assert found["chainage"].tolist() == pytest.approx([20.0, 60.0])
    assert found["deflection"].tolist() == pytest.approx([22.5, 30.0])
    assert found["drawn"].tolist() == pytest.approx([0.0, 30.0])
    alone = _bends(_legs((60.0, 0.0)), fittings=[(20.0, 22.5)])
    assert alone["deflection"].tolist() == pytest.approx([22.5])


def test_a_fitting_parts_a_curve() -> None:
    xy = _arc(100.0, 90.0, 4.0)
    found = _bends(xy, fittings=[(120.0 + 78.0, 11.25)])
    assert found["kind"].tolist().count("curve") == 2
    assert found["angle_source"].tolist().count("fitting record") == 1


def test_fittings_of_a_stated_radius_have_it_in_host_diameters() -> None:
    found = _bends(_legs((60.0, 0.0), (60.0, 45.0)), fitting_radius=1.5)
    assert found["axis_radius"].tolist() == pytest.approx([1.5 * HOST])


def test_a_break_of_grade_is_a_bend_in_the_vertical() -> None:
    found = _bends(_legs((100.0, 0.0)), rises=[(30.0, 11.25), (70.0, 2.0)])
    assert found["deflection"].tolist() == pytest.approx([11.25])
    assert found["chainage"].tolist() == pytest.approx([30.0])


def test_turns_in_plan_and_in_the_vertical_add_as_in_space() -> None:
    # legs east level, then 30 deg to the north rising by 10 deg
    found = _bends(_legs((100.0, 0.0), (100.0, 30.0)), rises=[(100.0, 10.0)])
    one = np.array([1.0, 0.0, 0.0])
    rise, turn = np.radians(10.0), np.radians(30.0)
    two = np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
    exact = np.degrees(np.arccos(one @ two))
    assert found["deflection"].tolist() == pytest.approx([exact], abs=0.2)
    assert found["deflection"].iloc[0] >= exact  # the safe side


def test_grade_breaks_alone_make_no_curve() -> None:
    found = _bends(_legs((200.0, 0.0)), rises=[(50.0, 5.0), (80.0, 5.0), (110.0, 5.0)])
    assert found["kind"].tolist() == ["fitting"] * 3


def test_a_slight_break_of_grade_does_not_part_a_curve() -> None:
    found = _bends(_arc(100.0, 90.0, 4.0), rises=[(185.0, 1.0)])
    assert found["kind"].tolist() == ["curve"]


def test_from_the_other_end_the_bends_are_the_same() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        legs = [(float(rng.uniform(5, 90)), float(rng.uniform(-60, 60))) for _ in range(6)]
        xy = np.concatenate([_legs(*legs), _arc(200.0, 60.0, 4.0) + 700.0])
        one, other = _bends(xy), _bends(xy[::-1])
        length = float(np.hypot(*np.diff(xy, axis=0).T).sum())
        for name in ("deflection", "kind", "axis_radius"):
            back = other[name].to_numpy()[::-1]
            if name == "kind":
                assert one[name].tolist() == back.tolist()
            else:
                np.testing.assert_allclose(one[name], back, atol=1e-6)
        np.testing.assert_allclose(one["first"], length - other["last"][::-1], atol=1e-6)


def test_thinned_vertices_keep_the_chainage_of_the_drawing() -> None:
    xy = _legs((100.0, 0.0), (50.0, 40.0), step=10.0)
    xy[3] += (0.0, 0.4)
    thinned = thin(xy, np.array([0, len(xy)]), accuracy=0.5)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    np.testing.assert_array_equal(thinned.xy, xy[[0, 10, -1]])
    np.testing.assert_allclose(thinned.chainage, along[[0, 10, -1]])


def _turned(xy: Array, degrees: float) -> Array:
    angle = np.radians(degrees)
    return np.asarray(
        xy @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    )


@pytest.mark.parametrize("steps", [14, 15, 16, 23])
def test_an_even_arc_is_thinned_the_same_whichever_way_it_lies(steps: int) -> None:
    arc = _arc(260.0, 41.0, 260.0 * np.radians(41.0) / steps)
    offsets = np.array([0, len(arc)])
    plain = thin(arc, offsets, accuracy=0.5)
    length = float(np.hypot(*np.diff(arc, axis=0).T).sum())
    for degrees in (0.0, 33.3, 149.4, 201.0):
        moved = _turned(arc, degrees) + np.array([5e5, 4.8e6])
        for back in (False, True):
            found = thin(moved[::-1] if back else moved, offsets, accuracy=0.5)
            at = length - found.chainage[::-1] if back else found.chainage
            np.testing.assert_allclose(at, plain.chainage, atol=1e-6)


def test_no_vertex_lies_farther_from_the_thinned_line_than_the_accuracy() -> None:
    rng = np.random.default_rng(5)
    counts = rng.integers(2, 60, 50)
    offsets = np.cumsum([0, *counts]).astype(np.int64)
    xy = np.cumsum(rng.normal(0, 4, (offsets[-1], 2)) + np.array([3, 0]), axis=0)
    thinned = thin(xy, offsets, accuracy=2.0)
    lines = shapely.linestrings(
        thinned.xy, indices=np.repeat(np.arange(50), np.diff(thinned.offsets))
    )
    row = np.repeat(np.arange(50), counts)
    assert shapely.distance(shapely.points(xy), lines[row]).max() <= 2.0 + 1e-9
    # Douglas and Peucker as GEOS has it, but for the ties: hardly a vertex more
    geos = shapely.simplify(shapely.linestrings(xy, indices=row), 2.0, preserve_topology=False)
    least = shapely.get_num_coordinates(geos).sum()
    assert least <= len(thinned.xy) <= 1.01 * least
    assert len(thinned.xy) < 0.9 * len(xy)


@pytest.mark.parametrize("x", [[0, 100, 50, 200], [0, 60, 20, 90, 40, 120], [0, 30, 0.4, 100]])
def test_a_line_drawn_back_over_itself_keeps_where_it_turns(x: list[float]) -> None:
    for way in (x, x[::-1]):
        xy = np.stack([way, np.zeros(len(way))], axis=1) @ np.array([[0.6, 0.8], [-0.8, 0.6]])
        thinned = thin(xy, np.array([0, len(xy)]), accuracy=0.5)
        assert np.allclose(thinned.xy, xy) and thinned.chainage[-1] == pytest.approx(
            np.abs(np.diff(x)).sum()
        )


def test_wiggles_along_a_straight_line_within_the_accuracy_are_thinned_away() -> None:
    x = np.linspace(0.0, 300.0, 301)
    x[1:-1:2] += 1.2  # each falls back by 0.2 behind the one before, 30 m in all
    thinned = thin(np.stack([x, 0.0 * x], axis=1), np.array([0, len(x)]), accuracy=0.5)
    assert thinned.xy.tolist() == [[0.0, 0.0], [300.0, 0.0]]


def test_a_ring_is_thinned_from_where_it_was_cut() -> None:
    ring = np.array([(0, 0), (20, 0.1), (40, 0), (40, 30), (0, 30), (0, 0)], dtype=float)
    thinned = thin(ring, np.array([0, 6]), accuracy=0.5)
    np.testing.assert_array_equal(thinned.xy, ring[[0, 2, 3, 4, 5]])


def test_runs_do_not_share_turns() -> None:
    one, two = _legs((50.0, 0.0), (50.0, 30.0)), _legs((50.0, 0.0), (50.0, -60.0)) + 40.0
    xy, offsets = np.concatenate([one, two]), np.array([0, 3, 6])
    none = pd.DataFrame({"run": np.zeros(0, dtype=np.int64), "chainage": [], "angle": []})
    found = find_bends(
        thin(xy, offsets, accuracy=0.5),
        np.array([HOST, HOST]),
        none,
        none.rename(columns={"angle": "rise"}),
        RULES,
        fine=thin(xy, offsets, accuracy=0.5 / FINER),
    )
    assert found["run"].tolist() == [0, 1]
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([30.0, 60.0])


RunsOf = Callable[..., RunSet]


def test_inverts_give_the_breaks_of_grade_in_either_direction_of_drawing(run_set: RunsOf) -> None:
    for back in (False, True):
        second = [(50, 0), (100, 0)]
        inverts = [10.0, 20.0]
        if back:
            second, inverts = second[::-1], inverts[::-1]
        runs = run_set(
            [[(0, 0), (50, 0)], second],
            invert_start=[5.0, inverts[0]],
            invert_end=[10.0, inverts[1]],
        )
        found = runs.bends
        assert np.degrees(found["deflection"]).tolist() == pytest.approx(
            [np.degrees(np.arctan(10 / 50) - np.arctan(5 / 50))]
        )
        assert found["chainage"].tolist() == pytest.approx([50.0])


def test_a_main_without_inverts_breaks_no_grade(run_set: RunsOf) -> None:
    runs = run_set(
        [[(0, 0), (50, 0)], [(50, 0), (100, 0)]],
        invert_start=[5.0, np.nan],
        invert_end=[9.0, np.nan],
    )
    assert runs.bends.empty


def test_a_record_far_from_the_drawing_is_reported_and_a_far_fitting_ignored(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    corner = [(0, 0), (100, 0), (100 + 70.7, 70.7)]
    layers = layers_of(
        [corner],
        fittings=[(100.5, 0.4, "bend", 22.5), (50.0, 3.5, "bend", 45.0), (30.0, 0.0, "tee", 90.0)],
    )
    found = run_set(layers).bends
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([22.5])
    table = layers.findings.table()
    texts = table.loc[table["rule"] == "bend-angle-disagrees", "text"].tolist()
    assert len(texts) == 1
    assert "on record with 22.5 deg, the drawing turns 45 deg" in texts[0]
    told = table.set_index("rule")["feature"]
    assert told["bend-angle-disagrees"] == "F0"
    assert told["fitting-off-main"] == "F1"
