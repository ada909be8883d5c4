"""Pressure class and warmth against printed tables, surge against worked values."""

from __future__ import annotations

import pytest

from geotools.pipe.pressure import (
    check_pressure,
    fatigue_limit_pa,
    pressure_class_pa,
    surge_pressure_pa,
    temperature_factor,
    wave_speed_m_per_s,
)

PSI = 6894.757293168
FOOT = 0.3048


@pytest.mark.parametrize(
    ("dr", "exact", "printed"),
    [
        (14, 307.7, 305), (17, 250.0, 250), (18, 235.3, 235), (21, 200.0, 200), (25, 166.7, 165),
        (27.5, 150.9, 150), (32.5, 127.0, 125), (41, 100.0, 100), (51, 80.0, 80),
    ],
)  # fmt: skip
def test_pvc_class_is_the_printed_one(dr: float, exact: float, printed: float) -> None:
    """AWWA C900-16 classes in open pipe data; HDB 4000 psi over 2 from memory."""
    ours = pressure_class_pa("PVC", dr, published=False) / PSI
    assert ours == pytest.approx(exact, abs=0.05)
    assert pressure_class_pa("PVC", dr) / PSI == pytest.approx(printed, abs=1e-6)


@pytest.mark.parametrize(
    ("dr", "exact", "printed", "gap"),
    [
        # printed column from memory of C906, but for DR 11 = 200 (PPI sheet, July 2015)
        (7, 333.3, 335, 1.7),  # printed rounds up to a whole 5
        (7.3, 317.5, 317, 0.5),
        (9, 250, 250, 0),
        (11, 200, 200, 0),
        (13.5, 160, 160, 0),
        (17, 125, 125, 0),
        (19, 111.1, 110, 1.2),  # printed rounds down to a whole 10
        (21, 100, 100, 0),
        (26, 80, 80, 0),
        (32.5, 63.5, 63, 0.5),
    ],
)
def test_pe4710_class_is_the_thin_ring_value(
    dr: float, exact: float, printed: float, gap: float
) -> None:
    ours = float(pressure_class_pa("PE4710", dr) / PSI)
    assert ours == pytest.approx(exact, abs=0.05)
    assert ours == pytest.approx(printed, abs=gap + 1e-6)


@pytest.mark.parametrize(
    ("sdr", "printed_bar"),
    [(7.4, 25.0), (9, 20.0), (11, 16.0), (13.6, 12.7), (17, 10.0), (21, 8.0), (26, 6.4), (33, 5.0)],
)
def test_pe100_nominal_pressure(sdr: float, printed_bar: float) -> None:
    """PN = 20 MRS/(C (SDR - 1)), MRS 10 MPa, C 1.25; pairs seen in open code, formula memory."""
    assert pressure_class_pa("PE100", sdr) / 1e5 == pytest.approx(printed_bar, abs=0.05)


@pytest.mark.parametrize(
    ("sdr", "sold", "gap"),
    [
        # sold by the rounded series; the SDR is itself rounded, so thin-ring values stray from it
        (13.6, 20, 0.16), (17, 16, 0.38), (21, 12.5, 0), (26, 10, 0), (33, 8, 0.19), (41, 6, 0.25),
    ],
)  # fmt: skip
def test_pvc_u_nominal_pressure(sdr: float, sold: float, gap: float) -> None:
    """PN = 20 MRS/(C (SDR - 1)), MRS 25 MPa, C 2.0 above dn 90: ISO 1452-2, from memory."""
    ours = float(pressure_class_pa("PVC-U", sdr)) / 1e5
    assert ours == pytest.approx(20 * 25 / (2.0 * (sdr - 1)), rel=1e-12)
    assert ours == pytest.approx(sold, abs=gap + 0.005)


@pytest.mark.parametrize(
    ("celsius", "printed"), [(20, 1.0), (25, 1.0), (30, 0.90), (35, 0.80), (40, 0.71), (45, 0.63)]
)
def test_temperature_factor_of_pvc_u(celsius: float, printed: float) -> None:
    """Figure A.1 of ISO 1452-2 as remembered, and the steps 0.80 and 0.63 of its forerunner.

    The range, to 45 C, was seen in the scope of the standard; the numbers are from memory.
    """
    assert temperature_factor("PVC-U", celsius) == pytest.approx(printed, abs=1e-12)


def test_surges_of_pvc_u_stay_within_its_nominal_pressure() -> None:
    """UK and European guidance (from memory): the peak of a surge not above PN at that warmth."""
    check = check_pressure("PVC-U", 26, 8e5, occasional_surge_pa=[1.9e5, 2.1e5])
    assert check.occasional_limit_pa == pytest.approx([1e6, 1e6])
    assert check.recurring_limit_pa == pytest.approx([1e6, 1e6])
    assert check.passes.tolist() == [True, False]
    warm = check_pressure("PVC-U", 26, 8e5, temperature_c=35)
    assert warm.working_limit_pa == pytest.approx(8e5)


@pytest.mark.parametrize(
    ("material", "fahrenheit", "printed"),
    [
        ("PVC", 80, 0.88), ("PVC", 90, 0.75), ("PVC", 100, 0.62), ("PVC", 110, 0.50),
        ("PVC", 120, 0.40), ("PVC", 130, 0.30), ("PVC", 140, 0.22), ("PE4710", 80, 1.0),
        ("PE4710", 81, 0.9), ("PE4710", 90, 0.9), ("PE4710", 91, 0.8), ("PE4710", 100, 0.8),
    ],
)  # fmt: skip
def test_temperature_factor_is_the_tabulated_one(
    material: str, fahrenheit: float, printed: float
) -> None:
    """C900 and C906, both from memory; confirm against the standards."""
    ours = temperature_factor(material, (fahrenheit - 32) / 1.8)
    assert ours == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(
    ("material", "dr", "worked"),
    [
        ("PVC", 14, 19.8), ("PVC", 18, 17.4), ("PVC", 21, 16.1), ("PVC", 25, 14.7),
        ("PVC", 32.5, 12.8), ("PVC", 41, 11.4), ("PVC", 51, 10.2), ("PE4710", 9, 16.2),
        ("PE4710", 11, 14.4), ("PE4710", 13.5, 12.8), ("PE4710", 17, 11.3), ("PE4710", 21, 10.0),
    ],
)  # fmt: skip
def test_surge_per_foot_per_second(material: str, dr: float, worked: float) -> None:
    """AWWA M23, M55 formula from memory, worked by hand: a V/(2.31 g).

    The rounded 2.31 ft/psi means water of 998.6 kg/m3; ours is 1000, 0.14 % more. Taken out,
    the values agree to their tenth.
    """
    ours = float(surge_pressure_pa(material, dr, FOOT) / PSI)
    us_density = 144 / 2.31 * 0.45359237 / FOOT**3
    assert ours * us_density / 1000.0 == pytest.approx(worked, abs=0.0505)
    assert ours == pytest.approx(worked, abs=0.05 + 0.0015 * worked)


def test_wave_speed_in_si_is_1420_over_the_root() -> None:
    # the SI form prints 1420 m/s for 4660 ft/s (1420.37); ours keeps 4660
    ours = float(wave_speed_m_per_s("PVC", 18))
    assert ours == pytest.approx(1420 / (1 + 0.75 * 16) ** 0.5, rel=3e-4)


@pytest.mark.parametrize(
    ("material", "dr", "worked", "half"),
    # the limits worked with them are 187.5 = 1.5 x 125 for the PE and 250 = 2.0 x 125
    [("PVC", 25, 58.7, 0.05), ("PE4710", 17, 45.0, 0.05)],
)
def test_surge_of_four_feet_per_second(
    material: str, dr: float, worked: float, half: float
) -> None:
    # worked values; 0.14 % for the density of water as above
    ours = float(surge_pressure_pa(material, dr, 4 * FOOT) / PSI)
    assert ours == pytest.approx(worked, abs=half + 0.0015 * worked)


def test_pe_limits_of_dr_11_are_the_printed_200_300_400() -> None:
    # PPI comparison sheet, July 2015
    check = check_pressure("PE4710", 11, 0.0)
    limits = [check.working_limit_pa, check.recurring_limit_pa, check.occasional_limit_pa]
    assert [float(limit) / PSI for limit in limits] == pytest.approx([200, 300, 400], abs=1e-6)


def test_pe_dr_17_limits() -> None:
    check = check_pressure("PE4710", 17, 0.0)
    assert float(check.recurring_limit_pa) / PSI == pytest.approx(187.5, abs=1e-6)
    assert float(check.occasional_limit_pa) / PSI == pytest.approx(250.0, abs=1e-6)


def test_pvc_occasional_limit_agrees_with_its_short_term_strength() -> None:
    # from memory: 6400/2 psi short-term gives 6400/(DR - 1) = 376.5 psi at DR 18, which is 1.6
    # times the exact 235.3. Ours takes 1.6 times the printed class 235 and gives 376.0: safe side.
    check = check_pressure("PVC", 18, 0.0)
    ours = float(check.occasional_limit_pa) / PSI
    assert ours == pytest.approx(1.6 * 235, abs=1e-6)
    assert 0 < 376.5 - ours < 1.6 * 0.35
    exact = float(pressure_class_pa("PVC", 18, published=False)) / PSI
    assert 1.6 * exact == pytest.approx(376.5, abs=0.05)


@pytest.mark.parametrize(("dr", "old_class"), [(14, 200), (18, 150), (25, 100)])
def test_classes_of_pvc_before_2007(dr: float, old_class: float) -> None:
    """An old drawing's "Class 150 PVC" is DR 18, sold as 235 today (an association's article).

    Before 2007 C900 took a safety factor of 2.5 and kept room for a surge of 2 ft/s: 0.8 of
    today's exact value less our surge is 206.4, 153.4 and 103.9, cut to whole 50 psi. DR 14 and
    25 from memory.
    """
    exact = float(pressure_class_pa("PVC", dr, published=False)) / PSI
    surge = float(surge_pressure_pa("PVC", dr, 2 * FOOT)) / PSI
    room = 0.8 * exact - surge
    assert room // 50 * 50 == old_class
    assert old_class < room < old_class * 1.05


@pytest.mark.parametrize(
    ("mean", "amplitude", "cycles"),
    [(1787, 213, 322_432), (2000, 400, 131_818), (1500, 1500, 44_110), (2000, 900, 52_091)],
)
def test_cycles_to_failure_are_the_printed_ones(mean: int, amplitude: int, cycles: int) -> None:
    """Moser and Folkman, Buried Pipe Design: stresses of table 4.7, psi, and of table 4.9 what
    Vinson's equation (4.17) foretells for them. Peak stress 2000 psi is 235.3 psi in DR 18.
    """
    peak = mean + amplitude
    for dr in (18, 25):
        most = float(fatigue_limit_pa(dr, cycles)) / PSI
        # the rounding of the printed number to one cycle
        assert most * (dr - 1) / 2 == pytest.approx(peak, rel=0.5 / cycles / 4.906)


def test_recurring_surges_tire_pvc_and_not_polyethylene() -> None:
    # 55 surges a day for 50 years, safety 2: 2.009e6 cycles; (5.05e21/2.009e6)^(1/4.906) = 1377 psi
    cycles = 55 * 50 * 365.25 * 2
    limit = 2 * 1377 / 17  # 162 psi in DR 18, below its class of 235
    kept = {"recurring_surge_pa": 20 * PSI, "recurring_cycles": cycles}
    assert check_pressure("PVC", 18, (limit - 21) * PSI, **kept).passes
    assert not check_pressure("PVC", 18, (limit - 19) * PSI, **kept).passes
    assert check_pressure("PVC", 18, (limit - 19) * PSI, recurring_surge_pa=20 * PSI).passes
    assert check_pressure("PVC", 18, (limit + 20) * PSI, recurring_cycles=cycles).passes
    often = check_pressure("PE4710", 11, 1e6, **kept).recurring_limit_pa
    assert float(often) / PSI == pytest.approx(300, abs=1e-6)


@pytest.mark.parametrize(("sdr", "exponent", "printed_bar"), [(11, 0.7, 15.96), (17, 0.9, 10.07)])
def test_pe100_by_its_exact_series(sdr: float, exponent: float, printed_bar: float) -> None:
    """The exact preferred S gives 15.96 and 10.07 bar, worked; the pipe is sold as PN 16 and 10.

    Ours takes the nominal SDR, as the trade does: 16.00 and 10.00, 0.25 % over and 0.7 % under.
    """
    exact = 10.0 / (1.25 * 10.0**exponent) * 10.0
    assert exact == pytest.approx(printed_bar, abs=0.005)
    ours = float(pressure_class_pa("PE100", sdr)) / 1e5
    assert ours == pytest.approx(exact, rel=0.0075)
    assert ours == pytest.approx(round(printed_bar), abs=1e-9)
