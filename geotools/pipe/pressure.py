"""Pressure a carrier is made for: class, warmth, surge and their limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe.defaults import RATED_C
from geotools.pipe.factors import ATMOSPHERE, FOOT, PSI, WATER_DENSITY
from geotools.pipe.materials import PVC_FACTOR, PVC_FAHRENHEIT, is_polyethylene, per_material
from geotools.pipe.ranges import FloatArray, check_range, within

__all__ = [
    "BULK_MODULUS_PA",
    "TESTED_CYCLES",
    "PressureCheck",
    "check_pressure",
    "fallen_pressure_pa",
    "fatigue_limit_pa",
    "highest_temperature_c",
    "pressure_class_pa",
    "surge_pressure_pa",
    "temperature_factor",
    "wave_speed_m_per_s",
]

_PE_STEPS_F = (80.0, 90.0, 100.0)
_PE_STEPS = (1.0, 0.9, 0.8)
# Temperature, C, and factor: straight lines between, 1 below the first, none above the last.
_WARM_C = {
    "PE100": ((20.0, 30.0, 40.0), (1.0, 0.87, 0.74)),
    "PVC": ([(f - 32.0) / 1.8 for f in PVC_FAHRENHEIT], PVC_FACTOR),
    "PVC-U": ((25.0, 30.0, 35.0, 40.0, 45.0), (1.0, 0.90, 0.80, 0.71, 0.63)),
}
_CLASS_STEP_PA = 5.0 * PSI  # of the classes printed for PVC
BULK_MODULUS_PA = 300_000.0 * PSI
_RIGID_WAVE = 4660.0 * FOOT
TESTED_CYCLES = 1e7  # surges; the formula for the fatigue of PVC rests on tests to about so many
_VINSON_CYCLES, _VINSON_POWER = 5.05e21, 4.906  # cycles, of a peak hoop stress in psi


@dataclass(frozen=True)
class PressureCheck:
    """Pressures against their limits, arrays of one shape, Pa.

    Attributes
    ----------
    class_pa : ndarray of float
        Pressure class at 23 C, of PE100 and PVC-U at 20 C.
    working_limit_pa : ndarray of float
        Class times temperature factor.
    recurring_limit_pa, occasional_limit_pa : ndarray of float
        Limits on working pressure plus recurring, plus occasional surge; the former also by
        fatigue where it was asked.
    passes : ndarray of bool
        All three limits are kept.
    shares : tuple of ndarray of float
        Working pressure, with recurring and with occasional surge, each over its limit.
    """

    class_pa: FloatArray
    working_limit_pa: FloatArray
    recurring_limit_pa: FloatArray
    occasional_limit_pa: FloatArray
    passes: NDArray[np.bool_]
    shares: tuple[FloatArray, FloatArray, FloatArray]

    @property
    def utilisation(self) -> FloatArray:
        """The greatest of the three pressures over their limits."""
        working, often, seldom = self.shares
        return np.asarray(np.maximum(np.maximum(working, often), seldom))


def pressure_class_pa(
    material: str | NDArray[np.str_], dr: ArrayLike, *, published: bool = True
) -> FloatArray:
    """Pressure class for water at 23 C, of PE100 and PVC-U at 20 C.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material; broadcasts with `dr`.
    dr : array_like
        Dimension ratio as named; 5 to 100.
    published : bool, optional
        Give PVC the class printed in its standard, the exact value cut to a whole 5 psi. The
        others have the exact one: PN 16 of PE100 in SDR 11, PN 10 of PVC-U in SDR 26.

    Returns
    -------
    ndarray of float
        Pressure, Pa.

    Raises
    ------
    RangeError
        If the ratio lies outside its range, or the material is unknown.

    Notes
    -----
    P = 2 HDS/(DR - 1), thin ring (ISO 4065). HDS 2000 psi for PVC (AWWA C900-16), 1000 psi for
    PE4710 (C906, design factor 0.63), 800 psi for PE3608; PE100 8 MPa and PVC-U 12.5 MPa, which is
    PN = 20 MRS/(C (SDR - 1)) bar with MRS 10 and C = 1.25 (ISO 12162), MRS 25 and C = 2.0 (ISO
    1452-2, above dn 90).
    """
    ratio = check_range("dr", dr, 5.0, 100.0, "(OD/wall)")
    exact = 2.0 * per_material(material, "hds") / (ratio - 1.0)
    if not published:
        return np.asarray(exact, dtype=np.float64)
    cut = np.floor(exact / _CLASS_STEP_PA + 1e-9) * _CLASS_STEP_PA
    return np.asarray(np.where(np.asarray(material) == "PVC", cut, exact), dtype=np.float64)


def temperature_factor(material: str | NDArray[np.str_], temperature_c: ArrayLike) -> FloatArray:
    """Share of the pressure class left in warm water.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material; broadcasts with `temperature_c`.
    temperature_c : array_like
        Water temperature, C; 0 to 60 for PVC, to 45 for PVC-U, to 40 for PE100, to 37.7 for PE4710
        and PE3608.

    Returns
    -------
    ndarray of float
        Factor, at most 1.

    Raises
    ------
    RangeError
        If the temperature lies outside the range of its material, or the material is unknown.

    Notes
    -----
    PVC (C900): 80 F 0.88, 90 0.75, 100 0.62, 110 0.50, 120 0.40, 130 0.30, 140 0.22, straight
    lines between. PE (C906): to 80 F 1.0, to 90 F 0.9, to 100 F 0.8. PE100 (ISO 4427): 20 C 1.0,
    30 C 0.87, 40 C 0.74. PVC-U (ISO 1452-2, its temperature range seen, its curve not): to 25 C
    1.0, 30 C 0.90, 35 C 0.80, 40 C 0.71, 45 C 0.63. All from memory; confirm against the standards.
    """
    celsius = np.asarray(temperature_c, dtype=np.float64)
    is_polyethylene(material)
    kinds = np.unique(np.asarray(material, dtype=np.str_))
    words, celsius = np.broadcast_arrays(np.asarray(material, dtype=np.str_), celsius)
    factor = np.empty(celsius.shape)
    for word in kinds:
        here = words == word
        factor[here] = _factor_of(str(word), celsius[here])
    return factor


def highest_temperature_c(material: str) -> float:
    """Return the warmest water the class of a carrier material is known for, C.

    Parameters
    ----------
    material : str
        Carrier material.

    Raises
    ------
    RangeError
        If the material is unknown.
    """
    is_polyethylene(material)
    return _WARM_C[material][0][-1] if material in _WARM_C else (_PE_STEPS_F[-1] - 32.0) / 1.8


def _factor_of(material: str, celsius: FloatArray) -> FloatArray:
    """Share of the class of one material; the temperature is held against the table's end."""
    most = highest_temperature_c(material)
    check_range(f"temperature_c of {material}", celsius, 0.0, most, "C")
    if material in _WARM_C:
        return np.asarray(np.interp(celsius, *_WARM_C[material]), dtype=np.float64)
    step = np.searchsorted(_PE_STEPS_F, celsius * 1.8 + 32.0 - 1e-9)
    return np.asarray(_PE_STEPS)[np.minimum(step, len(_PE_STEPS) - 1)]


def wave_speed_m_per_s(material: str | NDArray[np.str_], dr: ArrayLike) -> FloatArray:
    """Speed of a pressure wave in a plastic pipe full of water.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material; broadcasts with `dr`.
    dr : array_like
        Dimension ratio; 5 to 100.

    Returns
    -------
    ndarray of float
        Speed, m/s.

    Raises
    ------
    RangeError
        If the ratio lies outside its range, or the material is unknown.

    Notes
    -----
    a = 4660/sqrt(1 + (K/E)(DR - 2)) ft/s, K = 300,000 psi, E = 400,000 psi (PVC and PVC-U),
    150,000 psi (PE, dynamic). AWWA M23, M55, PPI Handbook ch. 6; from memory.
    """
    ratio = check_range("dr", dr, 5.0, 100.0, "(OD/wall)")
    softness = BULK_MODULUS_PA / per_material(material, "surge_modulus")
    return np.asarray(_RIGID_WAVE / np.sqrt(1.0 + softness * (ratio - 2.0)), dtype=np.float64)


def surge_pressure_pa(
    material: str | NDArray[np.str_], dr: ArrayLike, velocity_change_m_per_s: ArrayLike
) -> FloatArray:
    """Pressure rise when the water's velocity changes at once, rho a dV.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio; 5 to 100.
    velocity_change_m_per_s : array_like
        Change of velocity, m/s; 0 to 10.

    Returns
    -------
    ndarray of float
        Rise, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    In US units a V/(2.31 g) psi. AWWA M23, M55; from memory.
    """
    change = check_range("velocity_change_m_per_s", velocity_change_m_per_s, 0.0, 10.0, "m/s")
    return np.asarray(WATER_DENSITY * wave_speed_m_per_s(material, dr) * change)


def fallen_pressure_pa(working_pa: ArrayLike, surge_pa: ArrayLike) -> FloatArray:
    """Pressure in a downsurge.

    Parameters
    ----------
    working_pa : array_like
        Least working pressure, Pa gauge; 0 to 10 MPa. Both broadcast.
    surge_pa : array_like
        Surge, Pa; 0 to 10 MPa.

    Returns
    -------
    ndarray of float
        Gauge pressure, Pa; no lower than an atmosphere below nothing, where the water parts.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    WP - rho a dV: beyond a pump that trips the pressure falls first, as far as it may rise when
    the wave comes back. AWWA M23, M55; from memory.
    """
    working = check_range("working_pa", working_pa, 0.0, 1e7, "Pa")
    surge = check_range("surge_pa", surge_pa, 0.0, 1e7, "Pa")
    return np.asarray(np.maximum(working - surge, -ATMOSPHERE), dtype=np.float64)


def fatigue_limit_pa(dr: ArrayLike, cycles: ArrayLike) -> FloatArray:
    """Highest pressure PVC may reach, again and again, so many times before it breaks.

    Parameters
    ----------
    dr : array_like
        Dimension ratio; 5 to 100. Both broadcast.
    cycles : array_like
        Surges, all safety in them; 1 to 10^9.

    Returns
    -------
    ndarray of float
        Working pressure plus surge, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    N = 5.05 10^21 S^-4.906 with S = P (DR - 1)/2 the peak hoop stress, psi: Vinson, as printed in
    Moser and Folkman, Buried Pipe Design, eq. 4.17, which finds it very safe (10^7 cycles without
    a break where it foretells 322,000). It rests on tests to about `TESTED_CYCLES`. AWWA C900-16
    appendix B goes by mean and amplitude of the stress instead; its formula is not used here.
    """
    ratio = check_range("dr", dr, 5.0, 100.0, "(OD/wall)")
    number = check_range("cycles", cycles, 1.0, 1e9, "")
    stress = (_VINSON_CYCLES / number) ** (1.0 / _VINSON_POWER) * PSI
    return np.asarray(2.0 * stress / (ratio - 1.0), dtype=np.float64)


def check_pressure(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    working_pa: ArrayLike,
    *,
    recurring_surge_pa: ArrayLike = 0.0,
    occasional_surge_pa: ArrayLike = 0.0,
    temperature_c: ArrayLike = RATED_C,
    recurring_cycles: ArrayLike = 0.0,
) -> PressureCheck:
    """Hold working pressure and surges against what the carrier may carry.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio.
    working_pa : array_like
        Working pressure, Pa; 0 to 10 MPa.
    recurring_surge_pa, occasional_surge_pa : array_like, optional
        Surges, Pa; 0 to 10 MPa.
    temperature_c : array_like, optional
        Water temperature, C.
    recurring_cycles : array_like, optional
        Recurring surges in the life of the main, times their safety factor; below 1 the fatigue
        of PVC is not asked. 0 to 10^9.

    Returns
    -------
    PressureCheck
        Limits and verdicts.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    With PC the class and FT the temperature factor. PE (C906): WP <= PC FT, WP + recurring <=
    1.5 PC FT, WP + occasional <= 2.0 PC FT (limits of DR 11 printed in the PPI sheet of July
    2015). PVC (C900): WP and WP + recurring <= PC FT, WP + occasional <= 1.6 PC FT, from memory.
    PVC-U: all three <= PC FT, for UK and European guidance keeps the peak within PN, from memory.
    With recurring surges counted, WP + recurring of both PVC also within `fatigue_limit_pa`. Tough
    PE needs no check of fatigue (UK IGN 4-37-02). The factors stand in ``data/materials.csv``.
    """
    working = check_range("working_pa", working_pa, 0.0, 1e7, "Pa")
    often = working + check_range("recurring_surge_pa", recurring_surge_pa, 0.0, 1e7, "Pa")
    seldom = working + check_range("occasional_surge_pa", occasional_surge_pa, 0.0, 1e7, "Pa")
    rated = pressure_class_pa(material, dr)
    limit = rated * temperature_factor(material, temperature_c)
    fatigue = _fatigue_pa(material, dr, recurring_cycles, surges=often > working)
    often_limit = np.minimum(limit * per_material(material, "recurring_times"), fatigue)
    seldom_limit = limit * per_material(material, "occasional_times")
    return _held(rated, (working, limit), (often, often_limit), (seldom, seldom_limit))


def _fatigue_pa(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    cycles: ArrayLike,
    *,
    surges: NDArray[np.bool_],
) -> FloatArray:
    """`fatigue_limit_pa` where fatigue is asked: surges of PVC that are counted; else no limit."""
    number = check_range("recurring_cycles", cycles, 0.0, 1e9, "")
    tires = ~is_polyethylene(material) & (number >= 1.0) & surges
    return np.where(tires, fatigue_limit_pa(dr, np.maximum(number, 1.0)), np.inf)


_Pair = tuple[FloatArray, FloatArray]


def _held(rated: FloatArray, working: _Pair, often: _Pair, seldom: _Pair) -> PressureCheck:
    """Hold three pressures, each with its limit, against these."""
    pairs = working, often, seldom
    rates = np.broadcast_arrays(*(pressure / limit for pressure, limit in pairs))
    holds = [within(rate, 1.0) for rate in rates]
    shape = rates[0].shape
    return PressureCheck(
        class_pa=np.broadcast_to(rated, shape),
        working_limit_pa=np.broadcast_to(working[1], shape),
        recurring_limit_pa=np.broadcast_to(often[1], shape),
        occasional_limit_pa=np.broadcast_to(seldom[1], shape),
        passes=np.asarray(holds[0] & holds[1] & holds[2], dtype=np.bool_),
        shares=(rates[0], rates[1], rates[2]),
    )
