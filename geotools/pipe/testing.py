"""Hydrostatic test: pressure, water, and what may be made up."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe import bounds
from geotools.pipe._tables import rows
from geotools.pipe.defaults import RATED_C, TEST_FACTOR
from geotools.pipe.factors import FOOT, GALLON, GRAVITY, HOUR, INCH, PSI, WATER_DENSITY
from geotools.pipe.materials import per_material
from geotools.pipe.pressure import pressure_class_pa, temperature_factor
from geotools.pipe.ranges import ChoiceError, FloatArray, check_range

__all__ = [
    "FILLING_M_PER_S",
    "PE_TEST",
    "PeTest",
    "at_gauge_pa",
    "end_thrust_n",
    "filling_hours",
    "hydrotest_limit_pa",
    "hydrotest_pressure_pa",
    "pe_make_up_m3",
    "pe_make_up_table_m3_per_m",
    "pe_phase_least_pa",
    "pe_test_passes",
    "pvc_allowance_m3_per_s",
    "tabled_size_m",
    "water_volume_m3",
]

FILLING_M_PER_S = 0.3  # of the water that fills a main (1 ft/s); common practice, no source
_C605 = 148_000.0
_MAKE_UP_HOURS = (1.0, 2.0, 3.0)


@dataclass(frozen=True)
class PeTest:
    """The test phase of a polyethylene main, after the pipe has swollen and pressure was let off.

    Attributes
    ----------
    hold_hours : float
        Test phase without adding water, h.
    pass_share : float
        Share by which the pressure may differ at its end.
    let_off_pa : float
        What is let off the test pressure before it begins, Pa.
    read_to : float
        Share of the test pressure to which a gauge is read; common practice, no source.
    source : str
        Where the figures come from.
    """

    hold_hours: float = 1.0
    pass_share: float = 0.05
    let_off_pa: float = 10.0 * PSI
    read_to: float = 0.01
    source: str = (
        "ASTM F2164; its sequence from memory, confirm against the standard (8 h also in a "
        "municipal specification)"
    )


PE_TEST = PeTest()


def pe_phase_least_pa(gauge_pa: ArrayLike) -> FloatArray:
    """Least pressure to begin the test phase of a polyethylene main at.

    Parameters
    ----------
    gauge_pa : array_like
        Test pressure where the gauge stands, Pa.

    Returns
    -------
    ndarray of float
        Pressure, Pa; below nothing, nothing.

    Raises
    ------
    RangeError
        If a pressure lies outside 0 to 20 MPa.

    Notes
    -----
    ASTM F2164 lets 10 psi off the test pressure after the pipe has swollen, and holds what is left
    (from memory, see `PE_TEST`): the test pressure less 10 psi, and less a hundredth of the test
    pressure, to which a gauge is read. A phase begun lower has tested the pipe to less.
    """
    gauge = check_range("gauge_pa", gauge_pa, 0.0, 2e7, "Pa")
    return np.asarray(np.maximum(gauge * (1.0 - PE_TEST.read_to) - PE_TEST.let_off_pa, 0.0))


def pe_test_passes(start_pa: ArrayLike, end_pa: ArrayLike) -> NDArray[np.bool_]:
    """Judge the test phase of a polyethylene main.

    Parameters
    ----------
    start_pa, end_pa : array_like
        Pressure at the start and end of the phase without make-up, Pa.

    Returns
    -------
    ndarray of bool
        True if the end is within 5 % of the start.

    Raises
    ------
    RangeError
        If a pressure lies outside 0 to 10 MPa.

    Notes
    -----
    ASTM F2164, see `PE_TEST`.
    """
    start = check_range("start_pa", start_pa, 0.0, 1e7, "Pa", above_low=True)
    end = check_range("end_pa", end_pa, 0.0, 1e7, "Pa")
    return np.asarray(np.abs(end / start - 1.0) <= PE_TEST.pass_share + 1e-9, dtype=np.bool_)


def hydrotest_pressure_pa(working_pa: ArrayLike, *, factor: ArrayLike = TEST_FACTOR) -> FloatArray:
    """Test pressure at the low point.

    Parameters
    ----------
    working_pa : array_like
        Working pressure at the low point, Pa; 0 to 10 MPa. All arguments broadcast.
    factor : array_like, optional
        1 to 2; 1.25 to 1.5 is common practice.

    Returns
    -------
    ndarray of float
        Pressure, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    working = check_range("working_pa", working_pa, 0.0, 1e7, "Pa")
    times = check_range("factor", factor, *bounds.TEST_FACTOR, "")
    return np.asarray(working * times, dtype=np.float64)


def hydrotest_limit_pa(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    *,
    temperature_c: ArrayLike = RATED_C,
) -> FloatArray:
    """Highest test pressure at the low point.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio.
    temperature_c : array_like, optional
        Temperature of pipe and water, C.

    Returns
    -------
    ndarray of float
        Pressure, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    Not above 1.5 times the class with its temperature factor (PE, ASTM F2164;
    PVC-U, EN 805) or 1.6 times (PVC, the occasional limit of C900); from memory.
    """
    rated = pressure_class_pa(material, dr) * temperature_factor(material, temperature_c)
    return np.asarray(rated * per_material(material, "test_times"), dtype=np.float64)


def at_gauge_pa(low_point_pa: ArrayLike, fall_m: ArrayLike) -> FloatArray:
    """Pressure where the gauge stands, above the low point.

    Parameters
    ----------
    low_point_pa : array_like
        Pressure at the low point, Pa. Both arguments broadcast.
    fall_m : array_like
        Height of the gauge over the low point, m; 0 to what the pressure reaches up to.

    Returns
    -------
    ndarray of float
        P - rho g z, Pa.

    Raises
    ------
    RangeError
        If the fall is below nothing, or its head exceeds the pressure.
    """
    per_m = WATER_DENSITY * GRAVITY
    low, fall = np.broadcast_arrays(
        np.asarray(low_point_pa, dtype=np.float64), np.asarray(fall_m, dtype=np.float64)
    )
    for row in np.flatnonzero(~((fall >= 0.0) & (fall * per_m <= low))):  # a hair beyond may pass
        check_range("fall_m", fall.flat[row], 0.0, float(low.flat[row]) / per_m, "m")
    return np.asarray(low - per_m * fall, dtype=np.float64)


def end_thrust_n(pressure_pa: ArrayLike, outside_m: ArrayLike) -> FloatArray:
    """Thrust of the water on a cap at the end of a pipe under test.

    Parameters
    ----------
    pressure_pa : array_like
        Test pressure at the cap, Pa; 0 to 20 MPa. All arguments broadcast.
    outside_m : array_like
        Outside diameter of the pipe, m; above 0 to 5.

    Returns
    -------
    ndarray of float
        Force, N.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    p pi/4 OD^2, statics. Over the outside diameter, as if the water stood in the wall too: a cap
    over the end may be sealed on the outside.
    """
    pressure = check_range("pressure_pa", pressure_pa, 0.0, 2e7, "Pa")
    outside = check_range("outside_m", outside_m, 0.0, 5.0, "m", above_low=True)
    return np.asarray(np.pi / 4.0 * outside**2 * pressure, dtype=np.float64)


def water_volume_m3(bore_m: ArrayLike, length_m: ArrayLike) -> FloatArray:
    """Water that fills a length of pipe.

    Parameters
    ----------
    bore_m : array_like
        Average inside diameter, m; above 0 to 5.
    length_m : array_like
        Length, m.

    Returns
    -------
    ndarray of float
        Volume, m3.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    bore = check_range("bore_m", bore_m, 0.0, 5.0, "m", above_low=True)
    length = check_range("length_m", length_m, 0.0, 1e6, "m")
    return np.asarray(np.pi / 4.0 * bore**2 * length, dtype=np.float64)


def filling_hours(
    length_m: ArrayLike, *, velocity_m_per_s: ArrayLike = FILLING_M_PER_S
) -> FloatArray:
    """Time to fill a pipe slowly enough for the air to leave.

    Parameters
    ----------
    length_m : array_like
        Length of pipe, m; 0 to 1000 km.
    velocity_m_per_s : array_like, optional
        Velocity of filling, m/s; above 0 to 2.

    Returns
    -------
    ndarray of float
        Time, h.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    length = check_range("length_m", length_m, 0.0, 1e6, "m")
    speed = check_range("velocity_m_per_s", velocity_m_per_s, 0.0, 2.0, "m/s", above_low=True)
    return np.asarray(length / speed / HOUR, dtype=np.float64)


def pvc_allowance_m3_per_s(
    length_m: ArrayLike, nominal_m: ArrayLike, pressure_pa: ArrayLike
) -> FloatArray:
    """Water that may be made up in the test of a PVC main.

    Parameters
    ----------
    length_m : array_like
        Length under test, m. All arguments broadcast.
    nominal_m : array_like
        Nominal diameter, m; 0.05 to 3.
    pressure_pa : array_like
        Average test pressure, Pa; 0 to 10 MPa.

    Returns
    -------
    ndarray of float
        Flow, m3/s.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    AWWA C605: Q = L D sqrt(P)/148,000 (gal/h, ft, in, psi). Written for gasketed joints: for a
    fused string owners usually want no visible leakage, and this is a ceiling.
    """
    feet = check_range("length_m", length_m, 0.0, 1e6, "m") / FOOT
    inches = check_range("nominal_m", nominal_m, 0.05, 3.0, "m") / INCH
    psi = check_range("pressure_pa", pressure_pa, 0.0, 1e7, "Pa") / PSI
    return np.asarray(feet * inches * np.sqrt(psi) / _C605 * GALLON / HOUR)


@cache
def _make_up() -> tuple[FloatArray, FloatArray]:
    table = rows("pe_make_up")
    sizes = np.array([float(row["nominal_in"]) * INCH for row in table])
    per_m = GALLON / (100.0 * FOOT)
    values = [
        [float(row[f"gal_per_100_ft_{hours:.0f}_h"]) * per_m for row in table]
        for hours in _MAKE_UP_HOURS
    ]
    return sizes, np.array(values)


def tabled_size_m(nominal_m: ArrayLike) -> FloatArray:
    """Nominal size the table of make-up water is read at: beyond its ends the nearest.

    Parameters
    ----------
    nominal_m : array_like
        Nominal size, m.

    Returns
    -------
    ndarray of float
        The same between 4 and 48 in, m.
    """
    sizes, _ = _make_up()
    return np.clip(np.asarray(nominal_m, dtype=np.float64), sizes[0], sizes[-1])


def pe_make_up_table_m3_per_m(nominal_m: ArrayLike, hours: float) -> FloatArray:
    """Water that may be made up per length in a PE test, as the older table has it.

    Parameters
    ----------
    nominal_m : array_like
        Nominal size, m; 4 in to 48 in. Sizes between two rows are interpolated.
    hours : {1, 2, 3}
        Duration of the test phase, h.

    Returns
    -------
    ndarray of float
        Volume per length, m3/m.

    Raises
    ------
    RangeError
        If the size lies outside the table or the duration is not one of its columns.

    Notes
    -----
    For the pipe's expansion, not for leaks: fused joints get no leakage allowance (ASTM F2164).
    Older PPI Handbook / AWWA M55 method, from memory and not verified as part of F2164.
    """
    sizes, values = _make_up()
    size = check_range("nominal_m", nominal_m, float(sizes[0]), float(sizes[-1]), "m")
    if float(hours) not in _MAKE_UP_HOURS:
        raise ChoiceError("hours", hours, "1, 2 or 3 h")
    return np.asarray(np.interp(size, sizes, values[_MAKE_UP_HOURS.index(float(hours))]))


def pe_make_up_m3(nominal_m: ArrayLike, length_m: ArrayLike, hours: float) -> FloatArray:
    """Water that may be made up in the test of a PE main.

    Parameters
    ----------
    nominal_m, hours
        As for `pe_make_up_table_m3_per_m`.
    length_m : array_like
        Length under test, m.

    Returns
    -------
    ndarray of float
        Volume, m3.

    Raises
    ------
    RangeError
        As for `pe_make_up_table_m3_per_m`.
    """
    length = check_range("length_m", length_m, 0.0, 1e6, "m")
    return np.asarray(pe_make_up_table_m3_per_m(nominal_m, hours) * length)
