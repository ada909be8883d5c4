"""Pull force against worked values, closed forms and an independent solution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from geotools.pipe.catalogue import Carrier, carrier
from geotools.pipe.materials import (
    apparent_modulus_pa,
    modulus_temperature_factor,
    tension_temperature_factor,
)
from geotools.pipe.pulling import (
    allowable_stress_pa,
    allowable_tension_n,
    friction_band,
    head_force_n,
    recovery_wait_hours,
    stretch_m,
    tails_to_leave,
    tension_with_bending_n,
    thermal_length_change_m,
    wall_area_m2,
    weight_n_per_m,
)
from geotools.pipe.ranges import RangeError

INCH = 0.0254
FOOT = 0.3048
LBF = 4.4482216152605
PSI = LBF / INCH**2


def _pe20() -> Carrier:
    return carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17)


@pytest.mark.parametrize(
    ("system", "nominal", "dr", "worked_lbf", "worked_kn"),
    [
        # Worked by hand by ASTM F1804: symbols seen on its front page, its numbers from memory;
        # at <= 1 h, 12 h, 24 h
        ("IPS", "8 in", 11, (27_040, 25_688, 24_607), (120.3, 114.3, 109.5)),
        ("DIPS", "20 in", 17, (113_608, 107_927, 103_383), (505.4, 480.1, 459.9)),
        ("DIPS", "24 in", 17, (162_084, 153_980, 147_496), (721.0, 684.9, 656.1)),
    ],
)
def test_polyethylene_allowable_tension(
    system: str,
    nominal: str,
    dr: float,
    worked_lbf: tuple[float, ...],
    worked_kn: tuple[float, ...],
) -> None:
    pipe = carrier(system=system, nominal=nominal, material="PE4710", dr=dr)
    ours = allowable_tension_n(pipe, hours=np.array([1.0, 12.0, 24.0]))
    assert ours / LBF == pytest.approx(worked_lbf, abs=0.51)
    assert ours / 1e3 == pytest.approx(worked_kn, abs=0.051)


def test_a_pull_between_two_durations_takes_the_factor_of_the_longer() -> None:
    # ASTM F1804 gives 1.00 to 1 h, 0.95 to 12 h, 0.91 to 24 h; from memory, confirm
    hours = np.array([0.5, 1.0, 1.01, 12.0, 12.01, 24.0])
    share = allowable_stress_pa("PE4710", hours=hours) / allowable_stress_pa("PE4710", hours=1.0)
    assert share == pytest.approx([1.0, 1.0, 0.95, 0.95, 0.91, 0.91], abs=1e-12)


def test_stress_at_12_hours_is_that_of_astm_f1962() -> None:
    # ASTM F1962-22 as quoted in a trade article of March 2023: 1330 psi for 12 h
    assert allowable_stress_pa("PE4710") / PSI == pytest.approx(1330, abs=0.5)
    # PPI sheet of July 2015 gives 1300 for PE4710 and 1150 for PE3608. Gap 2.3 % and 5.7 %: they
    # start from a lower yield. The older 1150 is taken by the cap.
    assert allowable_stress_pa("PE4710", stress_cap_pa=1150 * PSI) / PSI == pytest.approx(1150)
    pipe = carrier(system="DIPS", nominal="12 in", material="PE4710", dr=11)
    area = wall_area_m2(pipe.outside_m, pipe.wall_min_m)
    capped = allowable_tension_n(pipe, stress_cap_pa=1150 * PSI)
    assert capped == pytest.approx(1150 * PSI * area)
    assert tension_with_bending_n(pipe, np.inf, stress_cap_pa=1150 * PSI) == pytest.approx(capped)
    assert float(allowable_stress_pa("PE3608") / PSI) == pytest.approx(0.95 * 0.4 * 3200, abs=0.01)


@pytest.mark.parametrize(
    ("fahrenheit", "factor"), [(40, 1.0), (100, 0.78), (120, 0.63), (140, 0.5)]
)
def test_warm_polyethylene_takes_less(fahrenheit: float, factor: float) -> None:
    """Weak memory; the table's 1.2 at 40 F is not used, cold strength is not counted on."""
    warm = allowable_stress_pa("PE4710", temperature_c=(fahrenheit - 32) / 1.8)
    assert warm / PSI == pytest.approx(1330 * factor, abs=0.5)


@pytest.mark.parametrize(
    ("nominal", "dr", "area_in2", "worked_lbf", "worked_kn"),
    [
        # Worked by hand, (7000/2.5) A; 7000 psi of ASTM D1784 seen, the factor 2.5 is common
        # practice
        ("16 in", 18, 49.906, 139_737, 621.6),
        ("20 in", 25, 56.284, 157_597, 701.0),
        ("24 in", 25, None, 224_843, 1000.1),
    ],
)
def test_pvc_allowable_tension(
    nominal: str, dr: float, area_in2: float | None, worked_lbf: float, worked_kn: float
) -> None:
    pipe = carrier(system="DIPS", nominal=nominal, material="PVC", dr=dr)
    if area_in2 is not None:
        area = float(wall_area_m2(pipe.outside_m, pipe.wall_min_m)) / INCH**2
        assert area == pytest.approx(area_in2, abs=0.0005)
    assert allowable_tension_n(pipe) / LBF == pytest.approx(worked_lbf, abs=0.75)
    assert allowable_tension_n(pipe) / 1e3 == pytest.approx(worked_kn, abs=0.051)


def test_pvc_in_a_bend_keeps_more_tension_than_the_most_cautious_rule_leaves() -> None:
    """Pull stress/2800 + bending/800 <= 1 is a conservative choice, not a standard.

    At 250 outside diameters the fibre has 800 psi of bending, and that rule leaves nothing. Ours
    holds the sum of both against 2800 psi and leaves 2000, 71 % of the tension: the gap is the
    choice of what bending counts against. At 500 outside diameters it is 50 % against 86 %.
    """
    pipe = carrier(system="DIPS", nominal="24 in", material="PVC", dr=25)
    for ratio, left, cautious in ((250, 2000 / 2800, 0.0), (500, 2400 / 2800, 0.5)):
        bent = float(tension_with_bending_n(pipe, ratio * pipe.outside_m))
        ours = bent / float(allowable_tension_n(pipe))
        assert ours == pytest.approx(left, abs=1e-9)
        bending = 400_000 / (2 * ratio)
        assert 1 - bending / 800 == pytest.approx(cautious)
        assert ours > cautious


def test_rest_and_length_to_leave_after_the_pull() -> None:
    """From memory: wait at least as long as the pull took, commonly 24 h; leave 3 % or 1 to 2 m.

    Ours leaves what the pipe really stretched and will shrink, and 1 m at each end; the 3 % of the
    rule of thumb is more than the 2.11 % a pull at its allowable stress all along would stretch.
    """
    assert recovery_wait_hours([6.0, 24.0, 30.0]).tolist() == [24.0, 24.0, 30.0]

    def left(stretch: float, cooling: float) -> float:
        tails = tails_to_leave(stretch, cooling)
        return float(tails.head_m + tails.tail_m)

    assert left(0.5, -0.3) == pytest.approx(2.8)
    assert left(6.0, -0.5) == pytest.approx(8.5)
    pipe, length = _pe20(), 300.0
    stretched = float(stretch_m(pipe, length, allowable_tension_n(pipe), hours=12.0))
    assert 0.02 * length < left(stretched, 0.0) < 0.03 * length


def test_weight_of_20_inch_polyethylene() -> None:
    # worked: 35.54 lb/ft, 52.9 kg/m, on the average wall with SG 0.957 of water at 62.4 lb/ft3
    # (999.55 kg/m3). Ours takes 957 kg/m3 and gives 35.553: the gap of 0.045 % is that water.
    ours = float(weight_n_per_m(_pe20()))
    water = 62.4 * 0.45359237 / FOOT**3
    assert ours / LBF * FOOT * water / 1000 == pytest.approx(35.54, abs=0.005)
    assert ours / LBF * FOOT == pytest.approx(35.54, abs=0.02)
    assert ours / 9.80665 == pytest.approx(52.9, abs=0.05)


def test_empty_polyethylene_in_a_flooded_host_floats() -> None:
    # worked: uplift 123.3 lb/ft
    ours = float(weight_n_per_m(_pe20(), host="flooded"))
    assert -ours / LBF * FOOT == pytest.approx(123.3, abs=0.05)


W_PE20 = 35.54 * LBF / FOOT  # as the worked examples have it


@pytest.mark.parametrize(
    ("lengths_ft", "turns_deg", "friction", "grade", "worked"),
    [
        # mu w L, capstan, worked by hand with the unrounded 35.537 lb/ft, so ours
        # from 35.54 may differ by 0.01 % (1 to 2 lbf); no other gap
        ((1000,), (0,), 0.3, 0.0, 10_661),
        ((1000,), (0,), 0.5, 0.0, 17_769),
        ((500, 500), (22.5, 0), 0.3, 0.0, 11_328),
        ((400, 300, 300), (11.25, 11.25, 0), 0.3, 0.0, 11_389),
        ((1000,), (0,), 0.3, 0.03, 11_722),
    ],
)
def test_head_force_is_the_worked_one(
    lengths_ft: tuple[float, ...],
    turns_deg: tuple[float, ...],
    friction: float,
    grade: float,
    worked: float,
) -> None:
    ours = head_force_n(
        np.array(lengths_ft) * FOOT,
        np.arctan(grade),
        np.deg2rad(turns_deg),
        weight=W_PE20,
        friction=friction,
    )
    assert ours[-1] / LBF == pytest.approx(worked, abs=2.0)


@pytest.mark.parametrize(
    ("surface", "planned", "low", "high"),
    # from memory: 0.1 rollers, 0.3 lubricated or wet bore, 0.5 ground or dry host, up to 0.7 over
    # tubercles; plan with 0.5 and report 0.3 to 0.7
    [
        ("rollers", 0.1, None, None),
        ("lubricated", 0.3, None, None),
        ("wet", 0.3, None, None),
        ("ground", 0.5, None, None),
        ("dry", 0.5, 0.3, 0.7),
        ("tuberculated", 0.7, None, None),
    ],
)
def test_friction_to_plan_with(
    surface: str, planned: float, low: float | None, high: float | None
) -> None:
    band = friction_band(surface)
    assert band.central == planned
    if low is not None:
        assert (band.low, band.high) == (low, high)


def test_capstan_factor_of_45_degrees() -> None:
    # exp(0.3 x 45 deg) = 1.2657
    force = head_force_n(0.0, 0.0, np.pi / 4, weight=1.0, friction=0.3, tail_force=1.0)
    assert force[-1] == pytest.approx(1.2657, abs=5e-5)


def test_textbook_drilling_example() -> None:
    """A trenchless textbook: 600 x 7.8/3 x 1.6^2.2 = 4387 lb printed; computed 4399.

    It takes friction in the bore as 0.3, L w/3 for the drag of a bore without bends, and 1.6 for
    each right angle: those planned, and one in every 500 ft of the path for its corrections. Of
    the 2.2 that makes 1.2, so one is planned (our reading). L w/3 is dragged here as a straight
    with friction 1/3 (our reading; theirs stands for a whole bore, ends above ground included).
    The gap of 0.28 % is the 1.6: exp(0.3 x 90 deg) is 1.602.
    """
    weight = 7.8 * LBF / FOOT
    straight = head_force_n(600 * FOOT, 0.0, 0.0, weight=weight, friction=1 / 3)
    turns = np.deg2rad([90.0, 600 / 500 * 90.0])
    bent = head_force_n(
        np.zeros(2), 0.0, turns, weight=weight, friction=0.3, tail_force=straight[-1]
    )
    ours = bent[-1] / LBF
    assert straight[-1] / LBF == pytest.approx(1560, rel=1e-12)
    assert ours == pytest.approx(4399, abs=0.5)
    assert ours == pytest.approx(4387, rel=0.003)
    unrounded = np.exp(0.3 * np.pi / 2)
    assert ours * (1.6 / unrounded) ** 2.2 == pytest.approx(4387, abs=0.5)


def test_strain_at_the_allowable_stress() -> None:
    # 1330 psi over the 12 h modulus of 63,000 psi (PPI Handbook ch. 3) = 2.11 %
    pipe = _pe20()
    ours = stretch_m(pipe, 1.0, allowable_tension_n(pipe), hours=12.0)
    assert float(ours) * 100 == pytest.approx(2.11, abs=0.005)


@pytest.mark.parametrize(
    ("material", "length", "change", "worked", "unit"),
    [
        # worked by hand, alpha from memory: PE 1.44e-4, PVC 5.4e-5 per K
        ("PE4710", 1000 * FOOT, 30 / 1.8, 28.8, INCH),
        ("PVC", 1000 * FOOT, 30 / 1.8, 10.8, INCH),
        ("PE4710", 300.0, 15.0, 0.648, 1.0),
        ("PVC", 300.0, 15.0, 0.243, 1.0),
    ],
)
def test_thermal_length_change(
    material: str, length: float, change: float, worked: float, unit: float
) -> None:
    digits = len(str(worked).split(".")[1])
    ours = float(thermal_length_change_m(material, length, change)) / unit
    assert ours == pytest.approx(worked, abs=0.5 * 10**-digits)


@pytest.mark.parametrize(
    ("hours", "pe4710", "pe3608"),
    [
        # PPI Handbook of PE Pipe, ch. 3, Table B.1.1, psi
        (0.5, 82_000, 78_000), (2, 74_000, 71_000), (12, 63_000, 60_000), (100, 55_000, 52_000),
        (8766, 40_000, 38_000), (50 * 8766, 29_000, 28_000), (100 * 8766, 28_000, None),
    ],
)  # fmt: skip
def test_apparent_modulus_is_the_tabulated_one(
    hours: float, pe4710: float, pe3608: float | None
) -> None:
    assert apparent_modulus_pa("PE4710", hours) / PSI == pytest.approx(pe4710, rel=1e-9)
    if pe3608 is not None:
        assert apparent_modulus_pa("PE3608", hours) / PSI == pytest.approx(pe3608, rel=1e-9)


@pytest.mark.parametrize(
    ("material", "fahrenheit", "printed"),
    [
        # PPI Handbook of PE Pipe, ch. 3, Table B.1.2, from memory
        ("PE4710", 10, 2.00), ("PE100", 40, 1.49), ("PE3608", 73.4, 1.00), ("PE4710", 100, 0.73),
        ("PE4710", 140, 0.43),
        # AWWA M23, from memory: 400,000 psi at 73 F, 354,000 at 100, 270,000 at 140; cold as 73
        ("PVC", 40, 1.0), ("PVC", 73.4, 1.0), ("PVC-U", 100, 0.885), ("PVC", 140, 0.675),
    ],
)  # fmt: skip
def test_stiffness_in_cold_and_warmth_is_the_tabulated_one(
    material: str, fahrenheit: float, printed: float
) -> None:
    ours = modulus_temperature_factor(material, (fahrenheit - 32) / 1.8)
    assert ours == pytest.approx(printed, rel=1e-9)


def test_a_bend_costs_a_cold_pipe_more_of_its_strength() -> None:
    """By hand, psi: 1330 less 1.49 x 63,000 x 21.6/(2 R) at 40 F; at 100 F 0.78 x 1330, E as is."""
    pipe, radius = _pe20(), 100 * 21.6 * INCH
    wall = 21.6 * INCH / 17
    area = np.pi * (21.6 * INCH - wall) * wall
    for fahrenheit, strength, stiff in ((40, 1330, 1.49), (73.4, 1330, 1.0), (100, 0.78 * 1330, 1)):
        ours = tension_with_bending_n(pipe, radius, temperature_c=(fahrenheit - 32) / 1.8)
        due = strength - stiff * 63_000 / 200
        assert ours / area / PSI == pytest.approx(due, rel=1e-9)


# --- closed forms ---------------------------------------------------------------------------------


def test_straight_pull_is_friction_times_weight_times_length() -> None:
    force = head_force_n(np.full(100, 3.0), 0.0, 0.0, weight=500.0, friction=0.4)
    assert force == pytest.approx(0.4 * 500 * 3.0 * np.arange(1, 101), rel=1e-13)


def test_graded_pull_adds_the_weight_along_the_slope() -> None:
    slope = 0.05
    force = head_force_n(np.full(50, 4.0), slope, 0.0, weight=500.0, friction=0.4, tail_force=900.0)
    closed = 900 + 200 * 500 * (0.4 * np.cos(slope) + np.sin(slope))
    assert force[-1] == pytest.approx(closed, rel=1e-13)


def test_a_string_stretches_as_it_does_in_a_shift_of_twelve_hours() -> None:
    """Apparent modulus of PE4710 at 12 h and 73 F: 63,000 psi (PPI Handbook ch. 3)."""
    wall = 21.6 * INCH / 17  # the minimum: it stretches most
    area = np.pi * (21.6 * INCH - wall) * wall
    computed = stretch_m(_pe20(), 300.0, 1e5)
    assert computed == pytest.approx(1e5 * 300.0 / (area * 63_000 * PSI), rel=1e-9)  # no gap


def test_up_a_shaft_the_whole_weight_is_lifted_and_nothing_drags() -> None:
    force = head_force_n(10.0, [np.pi / 2], 0.0, weight=500.0, friction=0.4)
    assert force[-1] == pytest.approx(10 * 500)
    with pytest.raises(RangeError, match="grade_rad"):
        head_force_n(10.0, [1.58], 0.0, weight=500.0, friction=0.4)


def test_one_bend_multiplies_what_lies_behind_it_only() -> None:
    turn = np.zeros(100)
    turn[59] = 0.6
    force = head_force_n(np.full(100, 2.0), 0.0, turn, weight=500.0, friction=0.4, tail_force=50.0)
    closed = (50 + 0.4 * 500 * 120) * np.exp(0.4 * 0.6) + 0.4 * 500 * 80
    assert force[-1] == pytest.approx(closed, rel=1e-13)


def test_floating_pipe_drags_on_the_crown_and_runs_uphill() -> None:
    slope = 0.05
    up = head_force_n([10.0], slope, 0.0, weight=-500.0, friction=0.4)
    assert up[-1] == pytest.approx(5000 * (0.4 * np.cos(slope) - np.sin(slope)), rel=1e-13)


# --- an independent solution ----------------------------------------------------------------------


@pytest.mark.parametrize("mu", [0.3, 0.7])
@pytest.mark.parametrize("start", [0.0, 5_000.0])
def test_marching_converges_to_the_differential_equation_of_a_curved_profile(
    mu: float, start: float
) -> None:
    """dF/ds = mu w cos a + w sin a + mu F |da/ds| on a main that rises and falls, turned in plan.

    The marching puts each stretch's turn at its end, so it differs by the order of one step;
    halving the step must halve the gap.
    """
    weight, length = 520.0, 400.0

    def slope(s: np.ndarray | float) -> np.ndarray:
        return np.asarray(0.06 * np.sin(2 * np.pi * np.asarray(s) / 250.0))

    def turning(s: float) -> float:
        pitch = 0.06 * 2 * np.pi / 250.0 * np.cos(2 * np.pi * s / 250.0)
        plan = 0.002 * np.sin(s / 90.0)
        return float(np.hypot(pitch, plan))

    def rate(s: float, f: np.ndarray) -> list[float]:
        a = float(slope(s))
        own = weight * (mu * np.cos(a) + np.sin(a))
        return [max(own, 0.0) + mu * f[0] * turning(s)]

    solved = solve_ivp(rate, (0.0, length), [start], rtol=1e-10, atol=1e-8, max_step=1.0)
    truth = float(solved.y[0, -1])

    def march(step: float) -> float:
        edges = np.arange(0.0, length + step / 2, step)
        middle = (edges[1:] + edges[:-1]) / 2
        turn = np.array([turning(float(s)) for s in middle]) * step
        ds = np.full(middle.size, step)
        force = head_force_n(ds, slope(middle), turn, weight=weight, friction=mu, tail_force=start)
        return float(force[-1])

    coarse, fine = march(10.0) - truth, march(5.0) - truth
    assert abs(coarse) < 0.01 * truth
    assert fine == pytest.approx(coarse / 2, rel=0.1)
    assert march(0.1) == pytest.approx(truth, rel=2e-4)


@pytest.mark.parametrize(
    ("material", "printed"),
    [
        # AWWA C900 and trade-association data book, by F: from memory
        ("PVC", {80: 0.88, 90: 0.75, 100: 0.62, 110: 0.50, 120: 0.40, 130: 0.30, 140: 0.22}),
        # AWWA M55, PPI Handbook: from memory
        ("PE4710", {100: 0.78, 120: 0.63, 140: 0.50}),
    ],
)
def test_strength_left_in_warmth_is_that_of_the_tables(
    material: str, printed: dict[int, float]
) -> None:
    degrees, shares = np.array(list(printed), dtype=float), np.array(list(printed.values()))
    computed = tension_temperature_factor(material, (degrees - 32.0) / 1.8)
    assert computed == pytest.approx(shares, abs=1e-12)  # no gap
    # half way between two rows half way between their factors
    between = tension_temperature_factor(material, ((degrees[1:] + degrees[:-1]) / 2 - 32.0) / 1.8)
    assert between == pytest.approx((shares[1:] + shares[:-1]) / 2)
    assert tension_temperature_factor(material, 23.0) == pytest.approx(1.0)  # 73.4 F
