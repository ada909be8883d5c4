"""Properties of pulls."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geotools.pipe.bending import PVC_MODULUS_PA, bending_strain, least_radius_m
from geotools.pipe.catalogue import as_columns, carrier, contenders
from geotools.pipe.defaults import FORCE_SHARE, ROLLER_FRICTION
from geotools.pipe.materials import (
    apparent_modulus_pa,
    by_material,
    is_polyethylene,
    material_property,
    modulus_temperature_factor,
    tension_temperature_factor,
)
from geotools.pipe.pulling import (
    allowable_stress_pa,
    allowable_tension_n,
    capstan_growth,
    friction_band,
    head_force_n,
    machine_capacity_n,
    pull_hours,
    pull_increments,
    recovery_wait_hours,
    roller_drag_n,
    running_ahead_n,
    stop_force_n,
    stop_forces_on_the_way_n,
    stretch_m,
    tails_to_leave,
    tension_with_bending_n,
    thermal_length_change_m,
    wall_area_m2,
    weight_n_per_m,
)
from geotools.pipe.ranges import ChoiceError, FloatArray, RangeError

steps = arrays(np.float64, 12, elements=st.floats(0.0, 30.0))
slopes = arrays(np.float64, 12, elements=st.floats(-0.5, 0.5))
turns = arrays(np.float64, 12, elements=st.floats(0.0, 0.6))
weights = st.floats(-2000.0, 3000.0)
mus = st.floats(0.0, 1.0)


def _loop(ds, slope, turn, weight, mu, tail):  # type: ignore[no-untyped-def]
    """The recurrence as it is written in the docstring, one station at a time."""
    force, out = tail, []
    for step, a, t in zip(ds, slope, turn, strict=True):
        load = step * (mu * abs(weight) * np.cos(a) + weight * np.sin(a))
        force = (force + max(load, 0.0)) * np.exp(mu * t)
        out.append(force)
    return out


@given(steps, slopes, turns, weights, mus, st.floats(0.0, 1e4))
def test_the_vectorised_march_is_the_recurrence(ds, slope, turn, weight, mu, tail) -> None:  # type: ignore[no-untyped-def]
    ours = head_force_n(ds, slope, turn, weight=weight, friction=mu, tail_force=tail)
    assert ours == pytest.approx(_loop(ds, slope, turn, weight, mu, tail), rel=1e-10, abs=1e-6)


@given(steps, slopes, turns, weights, mus, st.floats(0.0, 1e4), st.floats(0.0, 0.5))
def test_force_never_falls_towards_the_head_and_grows_with_friction(  # type: ignore[no-untyped-def]
    ds, slope, turn, weight, mu, tail, more
) -> None:
    force = head_force_n(ds, slope, turn, weight=weight, friction=mu, tail_force=tail)
    assert np.all(np.diff(force) >= -1e-9 * (1 + force[:-1]))
    rougher = head_force_n(ds, slope, turn, weight=weight, friction=mu + more, tail_force=tail)
    assert np.all(rougher >= force * (1 - 1e-12))


@given(steps, turns, st.floats(10.0, 3000.0), mus)
def test_a_level_straight_and_its_reverse_need_the_same_when_nothing_turns(  # type: ignore[no-untyped-def]
    ds, turn, weight, mu
) -> None:
    ahead = head_force_n(ds, 0.0, 0.0, weight=weight, friction=mu)[-1]
    behind = head_force_n(ds[::-1], 0.0, 0.0, weight=weight, friction=mu)[-1]
    assert ahead == pytest.approx(behind, rel=1e-12)


@given(steps, slopes, turns, weights, mus)
def test_cutting_a_stretch_in_two_changes_nothing(ds, slope, turn, weight, mu) -> None:  # type: ignore[no-untyped-def]
    whole = head_force_n(ds, slope, turn, weight=weight, friction=mu)[-1]
    halves = head_force_n(
        np.repeat(ds / 2, 2),
        np.repeat(slope, 2),
        np.column_stack([np.zeros(12), turn]).ravel(),
        weight=weight,
        friction=mu,
    )[-1]
    assert halves == pytest.approx(whole, rel=1e-10, abs=1e-6)


def test_a_stretch_pushes_ahead_with_what_friction_does_not_hold() -> None:
    """By hand: 800 N/m (0.14 - 0.05) 100 m; of what floats, uphill; level, friction alone."""
    slope, pipe = math.atan(0.14), math.hypot(100.0, 14.0)
    assert running_ahead_n(pipe, -slope, weight=800.0, friction=0.05) == pytest.approx(7200.0)
    assert running_ahead_n(pipe, slope, weight=-800.0, friction=0.05) == pytest.approx(7200.0)
    assert running_ahead_n(100.0, 0.0, weight=800.0, friction=0.05) == pytest.approx(-4000.0)
    uphill = float(running_ahead_n(pipe, slope, weight=800.0, friction=0.05))
    load = pull_increments(pipe, slope, 0.0, weight=800.0, friction=0.05).load_n
    assert uphill == pytest.approx(-float(load))


def test_downhill_is_never_counted_as_help() -> None:
    parts = pull_increments([10.0], -0.6, 0.0, weight=500.0, friction=0.3)
    assert parts.load_n.tolist() == [0.0]


def test_a_bend_near_the_tail_costs_less_than_one_near_the_head() -> None:
    ds = np.full(10, 30.0)
    early, late = np.zeros(10), np.zeros(10)
    early[1], late[8] = 0.5, 0.5
    force = [head_force_n(ds, 0.0, t, weight=500.0, friction=0.4)[-1] for t in (early, late)]
    assert force[0] < force[1]


def test_many_paths_and_carriers_are_marched_at_once() -> None:
    rng = np.random.default_rng(3)
    ds, turn = rng.uniform(1, 10, (50, 1, 40)), rng.uniform(0, 0.1, (50, 1, 40))
    pipes = as_columns(contenders(systems=["DIPS"], materials=["PVC"]))
    weight = weight_n_per_m(pipes)[:, np.newaxis]
    force = head_force_n(ds, 0.01, turn, weight=weight, friction=0.5)
    assert force.shape == (50, len(pipes), 40)
    one = head_force_n(ds[7, 0], 0.01, turn[7, 0], weight=weight[5, 0], friction=0.5)
    assert force[7, 5] == pytest.approx(one, rel=1e-13)


def test_water_inside_adds_and_water_outside_takes_away_weight() -> None:
    pipe = carrier(system="DIPS", nominal="20 in", material="PVC", dr=25)
    empty = float(weight_n_per_m(pipe))
    assert float(weight_n_per_m(pipe, condition="filled")) > empty
    assert float(weight_n_per_m(pipe, host="flooded")) < 0 < empty
    # PVC full of water and under water rests on the bottom, PE floats
    full = {"condition": "filled", "host": "flooded"}
    assert float(weight_n_per_m(pipe, **full)) > 0
    plastic = carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17)
    assert float(weight_n_per_m(plastic, **full)) < 0


@pytest.mark.parametrize("word", ["half", "Empty"])
def test_an_unknown_condition_is_refused(word: str) -> None:
    pipe = carrier(system="DIPS", nominal="20 in", material="PVC", dr=25)
    with pytest.raises(ChoiceError, match="empty, filled"):
        weight_n_per_m(pipe, condition=word)


def test_a_polyethylene_pull_over_a_day_is_refused_and_pvc_does_not_mind() -> None:
    with pytest.raises(RangeError, match="hours"):
        allowable_stress_pa("PE4710", hours=25.0)
    assert allowable_stress_pa("PVC", hours=25.0) == allowable_stress_pa("PVC", hours=1.0)


def test_bending_takes_from_tension_and_a_straight_pipe_has_all_of_it() -> None:
    pipes = as_columns(contenders(systems=["DIPS"]))
    straight = tension_with_bending_n(pipes, np.inf)
    assert straight == pytest.approx(allowable_tension_n(pipes), rel=1e-12)
    radii = np.array([[50.0], [100.0], [500.0], [5000.0]])
    bent = tension_with_bending_n(pipes, radii)
    assert np.all(np.diff(bent, axis=0) >= 0)
    assert np.all((bent >= 0) & (bent <= straight))


def test_a_bend_leaves_no_more_tension_to_a_pull_of_a_day_than_to_one_of_a_shift() -> None:
    pipe = carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17)
    shift, day = tension_with_bending_n(pipe, 40 * pipe.outside_m, hours=[12.0, 24.0])
    assert 0 < day < shift


@pytest.mark.parametrize("material", ["PE4710", "PE100", "PE3608"])
def test_a_bend_passed_in_minutes_leaves_half_the_yield_strength(material: str) -> None:
    """The fibre as stiff as after half an hour, under all the tension that is allowed in 12 h."""
    system, nominal = ("METRIC", "400 mm") if material == "PE100" else ("DIPS", "20 in")
    pipe = carrier(system=system, nominal=nominal, material=material, dr=17)
    ratios = np.linspace(20.0, 400.0, 2000)
    left = tension_with_bending_n(pipe, ratios * pipe.outside_m)
    tension = left / wall_area_m2(pipe.outside_m, pipe.wall_min_m)
    fibre = tension + apparent_modulus_pa(material, 0.5) / (2 * ratios)
    assert (left > 0).sum() > 1000
    assert fibre[left > 0].max() < 0.51 * material_property(material, "tensile_yield")


def test_bending_at_the_least_radius_of_pvc_uses_800_of_2800_psi() -> None:
    pipe = carrier(system="DIPS", nominal="20 in", material="PVC", dr=25)
    left = tension_with_bending_n(pipe, 250 * pipe.outside_m) / allowable_tension_n(pipe)
    assert left == pytest.approx(2000 / 2800, rel=1e-9)


def in_the_ramp(temperature: float, tension: FloatArray, friction: float) -> FloatArray:
    """Return the stress of the fibre over the strength, for every pipe of the catalogue.

    At its least radius, under a tension at the top of the ramp grown by half a turn on rollers: on
    level ground the two arcs turn by no more together. E is that of half an hour, softer in the
    warm as it is; the strength is not raised in the cold.
    """
    pipes = as_columns(contenders())
    plastic = is_polyethylene(pipes.material)
    radius = least_radius_m(pipes.material, pipes.dr, pipes.outside_m, temperature_c=temperature)
    slow = np.where(plastic, apparent_modulus_pa(pipes.material, 0.5), PVC_MODULUS_PA)
    modulus = slow * modulus_temperature_factor(pipes.material, temperature)
    area = wall_area_m2(pipes.outside_m, pipes.wall_min_m)
    pulled = tension * capstan_growth(friction, np.pi) / area
    bent = modulus * bending_strain(pipes.outside_m, radius)
    strength = by_material(
        pipes.material,
        lambda name: material_property(
            name, "tensile_yield" if is_polyethylene(name) else "tensile_strength"
        ),
    )
    return (pulled + bent) / (strength * tension_temperature_factor(pipes.material, temperature))


@pytest.mark.parametrize("temperature", [-20, -10, 0, 10, 15, 19, 20, 21, 23, 30, 40, 50, 60])
def test_no_pipe_of_the_catalogue_yields_in_its_ramp_whatever_drags_behind_it(
    temperature: float,
) -> None:
    """The drag of all the string behind the pit stays within the share of the straight tension.

    It is part of the force of every pull. A greater share, and worse rollers, are for strings of
    more than 1 km.
    """
    pipes = as_columns(contenders())
    vinyl = ~is_polyethylene(pipes.material)
    for hours, most in ((12.0, 0.95), (1.0, 0.97)):
        straight = allowable_tension_n(pipes, hours=hours, temperature_c=temperature)
        share = in_the_ramp(temperature, FORCE_SHARE * straight, ROLLER_FRICTION)
        assert share.max() <= most
        assert share[vinyl].max() <= 0.63
    worst = friction_band("rollers").high
    drag = roller_drag_n(weight_n_per_m(pipes), 1000.0, friction=worst)
    assert in_the_ramp(temperature, drag, worst).max() <= 0.95


def test_by_the_rule_of_bends_few_polyethylene_pipes_could_come_down_a_ramp() -> None:
    """Why ramps are not held to it: at the least radius, with a string of 500 m on rollers."""
    pipes = as_columns(contenders(systems=["METRIC"], materials=["PE100"]))
    radius = least_radius_m(pipes.material, pipes.dr, pipes.outside_m, temperature_c=20.0)
    left = FORCE_SHARE * tension_with_bending_n(pipes, radius, temperature_c=20.0)
    assert np.all(left[pipes.dr <= 21] == 0.0)
    drag = roller_drag_n(weight_n_per_m(pipes), 500.0)
    assert np.all(left[pipes.dr > 21] > drag[pipes.dr > 21])


def test_friction_bands_are_ordered() -> None:
    for word in ("rollers", "lubricated", "wet", "dry", "tuberculated", "ground"):
        band = friction_band(word)
        assert 0 < band.low <= band.central <= band.high < 1
    with pytest.raises(ChoiceError, match="rollers"):
        friction_band("ice")


def test_machine_is_planned_below_its_rating() -> None:
    assert machine_capacity_n(100.0) == pytest.approx(75.0)
    assert machine_capacity_n(100.0, usable=0.6) == pytest.approx(60.0)
    with pytest.raises(RangeError, match="usable"):
        machine_capacity_n(100.0, usable=1.2)


def test_joints_during_the_pull_lengthen_it() -> None:
    plain = pull_hours(300.0, rate_m_per_s=0.05)
    assert plain == pytest.approx(300 / 0.05 / 3600)
    assert pull_hours(300.0, rate_m_per_s=0.05, joints_during=2, hours_per_joint=1.5) == (
        pytest.approx(float(plain) + 3.0)
    )


def test_a_joint_during_the_pull_takes_an_hour_if_nothing_else_is_told() -> None:
    assert pull_hours(0.0, joints_during=3) == 3.0


def test_rest_after_a_pull_is_a_day_or_as_long_as_the_pull() -> None:
    assert recovery_wait_hours([3.0, 30.0]).tolist() == [24.0, 30.0]


def test_the_head_is_left_all_of_the_stretch_and_both_ends_half_the_shrinking_but_no_swelling() -> (
    None
):
    """And a metre each to work on, whatever is taken back."""
    left = tails_to_leave([3.0, 3.0, 0.1], [-0.5, 0.5, 0.0])
    assert left.head_m.tolist() == pytest.approx([4.25, 4.0, 1.1])
    assert left.tail_m.tolist() == pytest.approx([1.25, 1.0, 1.0])


def test_cooling_shortens() -> None:
    assert thermal_length_change_m("PE4710", 300.0, -15.0) < 0


def test_a_longer_load_stretches_more() -> None:
    pipe = carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17)
    ours = stretch_m(pipe, 300.0, 1e5, hours=np.array([0.5, 2.0, 12.0, 100.0]))
    assert np.all(np.diff(ours) > 0)


def test_roller_drag_is_friction_times_weight() -> None:
    assert roller_drag_n(500.0, 100.0) == pytest.approx(0.1 * 500 * 100)


def test_a_pull_stops_where_the_first_of_its_places_is_at_its_limit() -> None:
    """In proportion: 40 of 44 kN used in the bend with 50 kN at the head make 55 kN there."""
    stops = stop_force_n([50e3, 50e3, 50e3, 0.0], [40e3, 50e3, np.nan, 0.0],
                         [44e3, 100e3, np.nan, 44e3], 100e3)  # fmt: skip
    assert stops.tolist() == pytest.approx([55e3, 100e3, 100e3, 100e3])


def test_on_the_way_a_bend_passed_stops_a_pull_sooner_than_at_its_end() -> None:
    """A bend planned for 10 kN may take 12: a fifth more than planned, wherever the head is."""
    planned, none = [5e3, 10e3, 30e3, 50e3], np.nan
    stops = stop_forces_on_the_way_n(planned, [none, 12e3, none, none], allowable=80e3)
    assert stops.tolist() == pytest.approx([80e3, 12e3, 36e3, 60e3])
    at_end = stop_force_n(50e3, 10e3, 12e3, 80e3)
    assert stops[-1] == pytest.approx(float(at_end))
    both = stop_forces_on_the_way_n(planned, [none, 12e3, 31e3, none], allowable=80e3)
    assert both.tolist() == pytest.approx([80e3, 12e3, 31e3, 50e3 * 31 / 30])
    free = stop_forces_on_the_way_n([0.0, 1e3], [none, none], allowable=80e3)
    assert free.tolist() == [80e3, 80e3]
