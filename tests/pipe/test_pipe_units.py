"""US and SI give one answer: inputs and outputs carried through pint."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.pipe import factors
from geotools.pipe.bending import passing_radius_m
from geotools.pipe.external import annulus_volume_m3
from geotools.pipe.fit import clearance_m
from geotools.pipe.hydraulics import hazen_williams_head_loss_m
from geotools.pipe.pits import insertion_length_m
from geotools.pipe.pulling import head_force_n
from geotools.pipe.testing import pvc_allowance_m3_per_s, water_volume_m3

UNITS = pint.UnitRegistry()


def _si(value: float, unit: str, target: str) -> float:
    return float(UNITS.Quantity(value, unit).to(target).magnitude)


def test_exact_factors_are_those_of_pint() -> None:
    for ours, unit, target in (
        (factors.INCH, "inch", "m"),
        (factors.FOOT, "foot", "m"),
        (factors.GALLON, "gallon", "m**3"),
        (factors.LBF, "lbf", "N"),
        (factors.PSI, "psi", "Pa"),
        (factors.MILE, "mile", "m"),
        (factors.MPH, "mile/hour", "m/s"),
        (factors.FAHRENHEIT_STEP, "delta_degree_Fahrenheit", "delta_degree_Celsius"),
        (factors.GRAVITY, "standard_gravity", "m/s**2"),
        (factors.YEAR_H, "julian_year", "hour"),
    ):
        assert ours == pytest.approx(_si(1.0, unit, target), rel=1e-12), unit


@pytest.mark.parametrize("unit", ["-", "mm", "in", "ft", "MPa", "psi", "kg/m3", "1/K"])
def test_units_of_the_tables_are_those_of_pint(unit: str) -> None:
    there = UNITS.Quantity(2.5, {"-": "", "in": "inch", "kg/m3": "kg/m**3"}.get(unit, unit))
    assert factors.to_si(2.5, unit) == pytest.approx(there.to_base_units().magnitude, rel=1e-12)


@given(st.floats(1, 20), st.floats(30, 600))
def test_pit_length_in_feet_is_the_formula_in_feet(drop: float, radius: float) -> None:
    ours = float(insertion_length_m(_si(drop, "ft", "m"), _si(radius, "ft", "m")))
    assert _si(ours, "m", "ft") == pytest.approx((drop * (4 * radius - drop)) ** 0.5, rel=1e-12)


@given(st.floats(8, 60), st.floats(0.6, 0.95), st.floats(1, 89))
def test_bend_in_inches_and_degrees(bore: float, share: float, degrees: float) -> None:
    gap = clearance_m(_si(bore, "inch", "m"), _si(bore * share, "inch", "m"))
    ours = float(passing_radius_m(_si(degrees, "degree", "rad"), gap))
    half = _si(degrees / 2, "degree", "rad")
    us = bore * (1 - share) / 12 / (2 * math.sin(half / 2) ** 2)
    assert _si(ours, "m", "ft") == pytest.approx(us, rel=1e-9)


@given(st.floats(100, 3000), st.floats(5, 200), st.floats(0.1, 0.9))
def test_straight_pull_in_pounds(length: float, pounds_per_foot: float, mu: float) -> None:
    force = head_force_n(
        [_si(length, "ft", "m")],
        0.0,
        0.0,
        weight=_si(pounds_per_foot, "lbf/ft", "N/m"),
        friction=mu,
    )
    assert _si(float(force[-1]), "N", "lbf") == pytest.approx(
        mu * pounds_per_foot * length, rel=1e-12
    )


@given(st.floats(100, 20000), st.floats(6, 60), st.floats(60, 150))
def test_head_in_feet_by_the_constant_in_us_units(gpm: float, inches: float, c: float) -> None:
    ours = hazen_williams_head_loss_m(
        _si(gpm, "gallon/minute", "m**3/s"), _si(inches, "inch", "m"), c, _si(1000, "ft", "m")
    )
    us = 10.44 * 1000 * gpm**1.852 / (c**1.852 * inches**4.8704)
    # 10.44 and 10.67 are both rounded: 0.03 %
    assert _si(float(ours), "m", "ft") == pytest.approx(us, rel=1e-3)


@given(st.floats(100, 5000), st.floats(4, 48), st.floats(50, 300))
def test_allowance_in_gallons(feet: float, inches: float, psi: float) -> None:
    ours = pvc_allowance_m3_per_s(
        _si(feet, "ft", "m"), _si(inches, "inch", "m"), _si(psi, "psi", "Pa")
    )
    us = feet * inches * psi**0.5 / 148_000
    assert _si(float(ours), "m**3/s", "gallon/hour") == pytest.approx(us, rel=1e-9)


def test_volumes_in_gallons_and_cubic_yards() -> None:
    feet = _si(1000, "ft", "m")
    water = float(water_volume_m3(_si(12, "inch", "m"), feet))
    assert _si(water, "m**3", "gallon") == pytest.approx(0.785398 * 12**2 * 12000 / 231, rel=1e-6)
    room = float(annulus_volume_m3(_si(24, "inch", "m"), _si(20, "inch", "m"), feet))
    yards = 0.785398163 * (2**2 - (20 / 12) ** 2) * 1000 / 27
    assert _si(room, "m**3", "yard**3") == pytest.approx(yards, rel=1e-8)
