"""Properties of bends, pits and fit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.pipe.bending import (
    cold_factor,
    least_radius_m,
    passing_radius_m,
    permanent_radius_m,
    tangent_length_m,
)
from geotools.pipe.excavation import egress_count, pit_volume_m3, ramp_volume_m3, slope_ratio
from geotools.pipe.fit import clearance_m, fit, largest_outside_m
from geotools.pipe.pits import (
    deepest_drop_m,
    insertion_length_m,
    pit_width_m,
    ramp_depth_m,
    ramp_drop_m,
    ramp_least_m,
    ramp_rise_m,
    steepest_angle_rad,
)
from geotools.pipe.ranges import ChoiceError, RangeError

turns = st.floats(0.01, 3.0)
gaps = st.floats(0.001, 0.5)
radii = st.floats(1.0, 300.0)


def test_a_straight_host_passes_any_radius() -> None:
    assert np.isinf(passing_radius_m(0.0, 0.05))
    assert np.isinf(passing_radius_m(0.0, 0.0, axis_radius_m=5.0))


def test_a_carrier_that_does_not_enter_passes_no_bend() -> None:
    assert passing_radius_m([0.0, 0.3], -0.01).tolist() == [0.0, 0.0]


@given(turns, gaps, gaps, st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_passing_radius_grows_with_clearance_and_host_radius(
    turn: float, gap: float, more: float, axis: float, wider: float
) -> None:
    base = passing_radius_m(turn, gap, axis_radius_m=axis)
    assert passing_radius_m(turn, gap + more, axis_radius_m=axis) >= base
    assert passing_radius_m(turn, gap, axis_radius_m=axis + wider) >= base


@given(turns, st.floats(1.0, 1.05), gaps, st.floats(0.0, 50.0))
def test_passing_radius_falls_as_the_bend_sharpens(
    turn: float, factor: float, gap: float, axis: float
) -> None:
    sharper = min(turn * factor, np.pi)
    base = passing_radius_m(turn, gap, axis_radius_m=axis)
    assert passing_radius_m(sharper, gap, axis_radius_m=axis) <= base * (1 + 1e-12)


@given(turns, gaps)
def test_the_mitre_and_the_bend_meet_without_a_step(turn: float, gap: float) -> None:
    mitre = float(passing_radius_m(turn, gap))
    joined = float(passing_radius_m(turn, gap, axis_radius_m=gap / 2))
    assert joined == pytest.approx(mitre, rel=1e-9)


def test_a_very_small_turn_keeps_its_digits() -> None:
    turn = 1e-7
    assert passing_radius_m(turn, 0.05) == pytest.approx(0.05 * 8 / turn**2, rel=1e-9)


def test_a_carrier_bent_as_the_host_needs_no_clearance() -> None:
    assert passing_radius_m(0.5, 0.0, axis_radius_m=30.0) == pytest.approx(30.0)


@given(radii, turns)
def test_tangent_length_is_radius_times_the_tangent_of_half_the_turn(
    radius: float, turn: float
) -> None:
    ours = float(tangent_length_m(radius, turn))
    assert ours == pytest.approx(radius * np.tan(turn / 2), rel=1e-12)


def test_a_straight_piece_of_infinite_radius_has_no_tangent_length() -> None:
    assert tangent_length_m(np.inf, 0.0) == 0.0


def test_a_thinner_pipe_needs_a_wider_bend() -> None:
    ratios = np.linspace(5, 41, 200)
    assert np.all(np.diff(least_radius_m("PE4710", ratios, 0.5)) >= 0)


def test_materials_may_be_mixed_in_one_column() -> None:
    words, ratios = np.array(["PE4710", "PVC", "PVC"]), np.array([17.0, 25.0, 51.0])
    ours = least_radius_m(words, ratios, 0.5)
    assert ours == pytest.approx([27 * 0.5, 250 * 0.5, 250 * 0.5])


def test_a_ratio_beyond_the_table_is_refused_for_polyethylene_only() -> None:
    with pytest.raises(RangeError, match="dr = 51"):
        least_radius_m("PE4710", 51.0, 0.5)


def test_in_service_a_carrier_may_stay_as_it_was_bent_while_warm() -> None:
    """PVC: (4000 - 2000)/2.5 psi in bending beside its pressure, so 250 outside diameters."""
    ratios = np.array([9.0, 13.5, 17.0, 26.0])
    stays = permanent_radius_m("PE4710", ratios, 0.5)
    assert stays.tolist() == least_radius_m("PE4710", ratios, 0.5).tolist()
    assert np.all(stays < 100 * 0.5)
    allowed = (4000.0 - 2000.0) / 2.5
    assert permanent_radius_m("PVC", 18.0, 0.5) == pytest.approx(400_000 / (2 * allowed) * 0.5)
    assert permanent_radius_m("PVC-U", 18.0, 0.5) == pytest.approx(300 * 0.5)


def test_halfway_to_the_frost_the_radius_is_halfway_wider() -> None:
    """PE: 20, 35 and 50 outside diameters at 20, 10 and 0 C; PVC 250 and 300. Weak memory."""
    cold = cold_factor(np.array(["PE4710", "PE100"]), [[20.0], [10.0], [0.0]])
    assert cold.tolist() == [[1.0, 1.0], [35 / 20, 35 / 20], [50 / 20, 50 / 20]]
    assert cold_factor("PVC", [20.0, 10.0, 0.0]) == pytest.approx([1.0, 275 / 250, 300 / 250])


def test_cold_widens_the_radius_and_warmth_does_not_narrow_it() -> None:
    for material in ("PE4710", "PVC"):
        factor = cold_factor(material, np.linspace(-20, 60, 81))
        assert np.all(np.diff(factor) <= 0)
        assert factor[-1] == 1.0


@given(st.floats(0.05, 20.0), radii, st.sampled_from(["level", "lifted"]))
def test_the_ramp_falls_from_rest_to_the_host_and_is_as_long_as_the_pit(
    drop: float, radius: float, form: str
) -> None:
    most = 2.0 if form == "level" else 1.0
    drop = min(drop, most * radius * 0.999)
    length = float(insertion_length_m(drop, radius, form=form))
    x = np.linspace(0.0, length, 401)
    depth = ramp_depth_m(x, drop, radius, form=form)
    assert depth[0] == pytest.approx(drop, rel=1e-12)
    assert depth[-1] == pytest.approx(0.0, abs=1e-9 * radius)
    assert np.all(np.diff(depth) <= 1e-12 * radius)
    beyond = ramp_depth_m([length * 1.001, length + 50.0], drop, radius, form=form)
    assert beyond == pytest.approx([0.0, 0.0], abs=1e-9 * radius)


@pytest.mark.parametrize("form", ["level", "lifted"])
def test_the_ramp_is_bent_to_its_radius_everywhere(form: str) -> None:
    """Curvature by differences of the drawn ramp: 1/R, changing sign half way if level."""
    drop, radius = 3.0, 40.0
    length = float(insertion_length_m(drop, radius, form=form))
    step = 0.01
    x = np.arange(0.0, length, step)
    y = -ramp_depth_m(x, drop, radius, form=form)
    first, second = np.gradient(y, step), np.gradient(np.gradient(y, step), step)
    curvature = second / (1 + first**2) ** 1.5
    inner = slice(5, -5)
    if form == "lifted":
        assert curvature[inner] == pytest.approx(1 / radius, rel=1e-3)
        return
    away = np.abs(x - length / 2) > 0.1
    assert np.abs(curvature[away][inner]) == pytest.approx(1 / radius, rel=1e-3)
    assert curvature[10] > 0 > curvature[-10]


@pytest.mark.parametrize(("host", "rest"), [(0.2, 0.0), (0.25, -0.05), (0.1, 0.05), (-0.1, 0.1)])
@pytest.mark.parametrize("longer", [1.0, 1.3])
def test_a_ramp_has_the_slopes_of_host_and_string_at_its_ends_and_no_kink(
    host: float, rest: float, longer: float
) -> None:
    """By differences of the drawn ramp; the least length is R (sin a - sin b), one arc."""
    radius = 137.2
    length = radius * abs(np.sin(np.arctan(host)) - np.sin(np.arctan(rest))) * longer
    slopes = {"host_slope": host, "rest_slope": rest}
    x = np.linspace(-1.0, length + 1.0, 2001)
    slope = np.diff(ramp_rise_m(x, length, radius, **slopes)) / np.diff(x)
    angle = np.arctan(slope)
    assert slope[[0, -1]] == pytest.approx([host, rest], abs=1e-9)
    turn = np.abs(np.diff(angle)) / (np.diff(x)[1:] / np.cos(angle[1:]))
    assert turn.max() <= 1.005 / radius


def test_a_ramp_too_short_to_turn_out_of_its_host_is_refused() -> None:
    """Of 12 degrees into a level street, R 137.2 m: one arc, 28.5 m long, rises R (1 - cos 12)."""
    radius, slope = 137.2, float(np.tan(np.radians(12.0)))
    least = float(ramp_least_m(radius, host_slope=slope))
    assert least == pytest.approx(radius * np.sin(np.radians(12.0)), rel=1e-12)
    rise = radius * (1 - np.cos(np.radians(12.0)))
    assert ramp_drop_m(least, radius, host_slope=slope) == pytest.approx(rise, rel=1e-12)
    for formula in (ramp_drop_m, lambda *some, **more: ramp_rise_m(1.0, *some, **more)):
        with pytest.raises(RangeError, match=r"length_m = 28 m .* from 28\.5"):
            formula([40.0, 28.0], radius, host_slope=slope)
    with pytest.raises(RangeError, match="length_m = 0 m"):
        ramp_drop_m(0.0, 163.8, host_slope=0.2)
    assert ramp_drop_m(0.0, 163.8, host_slope=0.2, form="lifted") == 0.0
    assert ramp_least_m(radius, host_slope=0.1, rest_slope=0.2) == 0.0


@given(st.floats(0.0, 0.5), st.floats(-0.3, 0.5), st.floats(1.0, 3.0), st.integers(0, 99))
def test_no_pipe_between_two_slopes_climbs_higher_than_the_ramp_of_its_length(
    host: float, rest: float, longer: float, seed: int
) -> None:
    """Pipes bent at random, no tighter than R; and none stays below the one arc that turns down."""
    radius = 100.0
    start, end = (float(np.sin(np.arctan(slope))) for slope in (host, rest))
    length = max(abs(start - end) * radius * longer, 1.0)
    x = np.linspace(0.0, length, 801)
    wild = start + np.cumsum(np.random.default_rng(seed).uniform(-40, 40, 801) * x[1] / radius)
    low = np.maximum(start - x / radius, end - (length - x) / radius)
    high = np.minimum(start + x / radius, end + (length - x) / radius)
    sine = np.clip(wild, low, np.minimum(high, 0.99))  # it keeps both ends, and R but for noise
    rise = np.concatenate([[0.0], np.cumsum((sine / np.sqrt(1 - sine**2))[:-1] * x[1])])
    most = ramp_rise_m(x, length, radius, host_slope=host, rest_slope=rest)
    assert np.all(rise <= most + length * 2e-3)
    least = float(ramp_least_m(radius, host_slope=host, rest_slope=rest))
    if least > 0:
        arc = ramp_rise_m(x, least, radius, host_slope=host, rest_slope=rest)
        assert np.all(rise[x <= least] >= arc[x <= least] - length * 2e-3)


@pytest.mark.parametrize("form", ["level", "lifted"])
def test_the_steepest_angle_is_that_of_the_drawn_ramp(form: str) -> None:
    drop, radius = 3.0, 40.0
    length = float(insertion_length_m(drop, radius, form=form))
    x = np.linspace(0.0, length, 200_001)
    depth = ramp_depth_m(x, drop, radius, form=form)
    drawn = np.arctan(np.max(-np.diff(depth) / np.diff(x)))
    assert float(steepest_angle_rad(drop, radius, form=form)) == pytest.approx(drawn, rel=1e-4)


def test_exit_angle_is_the_slope_of_the_lifted_tail() -> None:
    assert steepest_angle_rad(3.0, 40.0, form="lifted") == pytest.approx(np.arccos(1 - 3 / 40))


@pytest.mark.parametrize(("form", "most"), [("level", 2.0), ("lifted", 1.0)])
def test_a_pit_too_deep_for_its_radius_is_refused(form: str, most: float) -> None:
    assert insertion_length_m(most * 10.0, 10.0, form=form) > 0
    with pytest.raises(RangeError, match=form):
        insertion_length_m(most * 10.0 + 0.01, 10.0, form=form)


@pytest.mark.parametrize("radius", [0.0, -0.5])
def test_a_carrier_is_bent_to_no_radius_of_nothing(radius: float) -> None:
    with pytest.raises(RangeError, match="radius_m"):
        deepest_drop_m(radius)


def test_an_unknown_form_is_refused() -> None:
    with pytest.raises(ChoiceError, match="level, lifted"):
        insertion_length_m(1.0, 10.0, form="curved")


@given(st.floats(0.1, 5.0), radii, st.floats(1.0, 2.0))
def test_a_pit_grows_with_drop_and_radius(drop: float, radius: float, factor: float) -> None:
    drop = min(drop, radius / 2)
    base = insertion_length_m(drop, radius)
    assert insertion_length_m(drop, radius * factor) >= base
    assert insertion_length_m(drop * factor, radius) >= base


# --- fit ------------------------------------------------------------------------------------------


@given(
    st.floats(0.1, 3.0),
    st.sampled_from(["share_of_bore", "share_or_total", "radial_gap"]),
    st.floats(0.0, 0.02),
)
def test_the_largest_carrier_just_passes_and_a_larger_one_does_not(
    bore: float, rule: str, bead: float
) -> None:
    largest = float(largest_outside_m(bore, rule=rule, bead_m=bead))
    if largest <= 0.001:
        return
    assert bool(fit(bore, largest, rule=rule, bead_m=bead).passes)
    assert not bool(fit(bore, largest + 1e-6, rule=rule, bead_m=bead).passes)


def test_two_inches_are_enough_in_large_hosts_only() -> None:
    bore = np.array([0.60, 1.20])
    found = fit(bore, bore - 0.0508, rule="share_or_total")
    assert found.passes.tolist() == [False, True]
    assert fit(bore, bore - 0.0508).passes.tolist() == [False, False]


def test_a_radial_gap_is_wanted_on_both_sides() -> None:
    found = fit(0.6, [0.580, 0.581], rule="radial_gap", gap_m=0.010)
    assert found.passes.tolist() == [True, False]
    assert found.required_m == pytest.approx(0.020)


def test_the_bead_narrows_the_clearance_twice() -> None:
    assert clearance_m(0.6, 0.5, bead_m=0.01) == pytest.approx(0.08)


def test_an_unknown_clearance_rule_is_refused() -> None:
    with pytest.raises(ChoiceError, match="radial_gap"):
        fit(0.6, 0.5, rule="tight")


# --- excavation -----------------------------------------------------------------------------------


def test_a_level_trench_is_width_times_depth_times_length() -> None:
    volume = ramp_volume_m3(np.linspace(0, 10, 11), 2.0, 1.5)
    assert volume == pytest.approx(30.0)


def test_ramp_volume_is_exact_for_a_wedge_with_sloped_sides() -> None:
    # depth 0 to 3 over 12 m, b 1.5, m 1: integral of d b + d^2 = 12 (1.5 x 1.5 + 3)
    assert ramp_volume_m3([0.0, 12.0], [3.0, 0.0], 1.5, slope=1.0) == pytest.approx(12 * 5.25)


def test_ramp_volume_works_on_many_trenches_at_once() -> None:
    along = np.linspace(0, 10, 21)
    depth = np.array([[2.0], [3.0]]) * np.ones(21)
    width = np.array([[1.0], [2.0]])
    assert ramp_volume_m3(along, depth, width) == pytest.approx([20.0, 60.0])


def test_ramp_stations_must_rise() -> None:
    with pytest.raises(RangeError, match="steps of distance_m"):
        ramp_volume_m3([0.0, 2.0, 1.0], 1.0, 1.0)


@given(st.floats(0.5, 5), st.floats(2, 60), st.floats(0.1, 6), st.floats(0, 2))
def test_pit_volume_is_the_integral_of_its_sections(
    width: float, length: float, depth: float, slope: float
) -> None:
    z = np.linspace(0, depth, 2001)
    section = (width + 2 * slope * z) * (length + 2 * slope * z)
    integral = np.trapezoid(section, z)
    assert float(pit_volume_m3(width, length, depth, depth, slope=slope)) == pytest.approx(
        integral, rel=1e-5
    )


def test_a_pit_deeper_than_the_table_is_for_an_engineer() -> None:
    with pytest.raises(RangeError, match="depth_m"):
        slope_ratio("B", 6.2)
    with pytest.raises(RangeError, match="depth_m"):
        slope_ratio("A_short_term", 4.0)


def test_egress_every_fifty_feet() -> None:
    assert egress_count(np.array([5.0, 15.24, 15.3, 31.0]), 2.0).tolist() == [1, 1, 2, 3]


def test_a_trench_is_the_sum_of_its_parts() -> None:
    at, depth = [0.0, 4.0, 7.0, 15.0], [1.0, 2.5, 3.0, 0.5]
    parts = [
        float(ramp_volume_m3(at[k : k + 2], depth[k : k + 2], 1.8, slope=1.5)) for k in range(3)
    ]
    assert float(ramp_volume_m3(at, depth, 1.8, slope=1.5)) == pytest.approx(sum(parts), rel=1e-12)


@pytest.mark.parametrize(
    ("of", "named"),
    [
        (lambda: insertion_length_m(0.0, 0.0), "radius_m"),
        (lambda: pit_width_m(0.0), "outside_m"),
        (lambda: fit(0.6, 0.5, rule="radial_gap", gap_m=-0.01), "gap_m"),
        (lambda: largest_outside_m(0.0), "host_bore_m"),
    ],
)
def test_a_size_of_nothing_or_a_gap_below_it_is_refused(of: Callable[[], Any], named: str) -> None:
    with pytest.raises(RangeError, match=named):
        of()
