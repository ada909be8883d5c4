"""Pressure on the carrier from outside: groundwater, grout, uplift, annulus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe import bounds
from geotools.pipe.catalogue import CarrierLike
from geotools.pipe.defaults import (
    COLLAPSE_SAFETY,
    CURE_H,
    GROUT_DENSITY_KG_PER_M3,
    GROUT_FACTOR,
    GROUT_PRESSURE_PA,
    OVALITY,
    RATED_C,
)
from geotools.pipe.factors import GRAVITY, WATER_DENSITY, YEAR_H
from geotools.pipe.materials import (
    apparent_modulus_pa,
    is_polyethylene,
    modulus_temperature_factor,
    per_material,
)
from geotools.pipe.pressure import fallen_pressure_pa
from geotools.pipe.pulling import weight_n_per_m
from geotools.pipe.ranges import FloatArray, RangeError, check_range, within

__all__ = [
    "FIFTY_YEARS_H",
    "GROUTED_PE",
    "VACUUM_H",
    "SurgeVacuum",
    "annulus_volume_m3",
    "collapse_pressure_pa",
    "groundwater_pressure_pa",
    "grout_injection_limit_pa",
    "grout_uplift_n_per_m",
    "ovality_factor",
    "poisson_ratio",
    "surge_vacuum",
    "warm_modulus_pa",
]

FIFTY_YEARS_H = 50.0 * YEAR_H
VACUUM_H = 0.5  # h; a surge is over in minutes, the modulus of half an hour is common for vacuum
GROUTED_PE = bounds.GROUTED[1]  # times; the older PPI sliplining table, from memory
# Columns of water and grout hold at any height; no two levels on land lie farther apart than this.
_HIGHEST_M = 1e4
_SHORT_H = 1.0


def ovality_factor(ovality: ArrayLike) -> FloatArray:
    """Share of the collapse pressure left in a pipe that is not round.

    Parameters
    ----------
    ovality : array_like
        (Greatest diameter - mean)/mean, as a fraction; 0 to 0.15.

    Returns
    -------
    ndarray of float
        f0, 1 for a round pipe.

    Raises
    ------
    RangeError
        If the ovality lies outside its range.

    Notes
    -----
    f0 = ((1 - q)/(1 + q)^2)^3, ASTM F1216 form; gives the PPI Handbook's 0.76 at 3 % and 0.64 at
    5 % as remembered.
    """
    q = check_range("ovality", ovality, 0.0, 0.15, "(fraction)")
    return np.asarray(((1.0 - q) / (1.0 + q) ** 2) ** 3, dtype=np.float64)


def collapse_pressure_pa(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    *,
    hours: ArrayLike = FIFTY_YEARS_H,
    ovality: ArrayLike = OVALITY,
    safety: ArrayLike = COLLAPSE_SAFETY,
    grout_factor: ArrayLike = GROUT_FACTOR,
    temperature_c: ArrayLike = RATED_C,
) -> FloatArray:
    """Outside pressure, over the inside one, that a carrier without support may stand.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio; 5 to 100.
    hours : array_like, optional
        How long the pressure stands, h; 0.01 h to 100 years, 50 years by default.
    ovality : array_like, optional
        Fraction; 3 % by default.
    safety : array_like, optional
        Safety factor; 1 to 10.
    grout_factor : array_like, optional
        What grout all round multiplies the pressure by; 1 to 5, above 1 for PE alone.
    temperature_c : array_like, optional
        Temperature of the pipe wall, C; -20 to 60.

    Returns
    -------
    ndarray of float
        Pressure, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the material is unknown.

    Notes
    -----
    P = (f0/N) 2 E/(1 - nu^2) (1/(DR - 1))^3, an unsupported ring (PPI Handbook ch. 6, ASTM
    F1962), with E after so many hours, softened in the warm (`warm_modulus_pa`); from memory.
    Grout all round raises it fivefold for PE (older PPI sliplining table: 8 ft of water for DR 21
    bare and 40 grouted; from memory); for PVC no figure is known. It counts only where the annulus
    is filled without a gap, and not while the grout is fresh.
    """
    grouted = _grout_factor(material, grout_factor)
    ratio = check_range("dr", dr, 5.0, 100.0, "(OD/wall)")
    factor = check_range("safety", safety, *bounds.SAFETY, "")
    stiff, nu = warm_modulus_pa(material, hours, temperature_c), poisson_ratio(material, hours)
    ring = 2.0 * stiff / (1.0 - nu**2) / (ratio - 1.0) ** 3
    return np.asarray(ovality_factor(ovality) / factor * ring * grouted, dtype=np.float64)


def warm_modulus_pa(
    material: str | NDArray[np.str_], hours: ArrayLike, temperature_c: ArrayLike
) -> FloatArray:
    """Modulus after so many hours, softened in the warm and not stiffened in the cold.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    hours : array_like
        Duration of the load, h; 0.01 h to 100 years.
    temperature_c : array_like
        Temperature of the pipe wall, C; -20 to 60.

    Returns
    -------
    ndarray of float
        Modulus, Pa: `apparent_modulus_pa` times `modulus_temperature_factor`, at most 1. Ground
        and water are not cold all year, and the load stands as long.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the material is unknown.
    """
    soft = np.minimum(modulus_temperature_factor(material, temperature_c), 1.0)
    return np.asarray(apparent_modulus_pa(material, hours) * soft, dtype=np.float64)


def poisson_ratio(material: str | NDArray[np.str_], hours: ArrayLike) -> FloatArray:
    """Poisson's ratio under a load of so many hours: short-term to 1 h, long-term beyond."""
    brief = np.asarray(hours, dtype=np.float64) <= _SHORT_H
    slow = per_material(material, "poisson_long")
    return np.where(brief, per_material(material, "poisson_short"), slow)


def _grout_factor(material: str | NDArray[np.str_], grout_factor: ArrayLike) -> FloatArray:
    """Give the factor back, or name the first one refused and the material it is refused for."""
    plastic, factor = np.broadcast_arrays(
        is_polyethylene(material), np.asarray(grout_factor, dtype=np.float64)
    )
    bad = ~((factor >= 1.0) & (factor <= np.where(plastic, GROUTED_PE, 1.0)))
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        kind = "PE" if plastic.flat[row] else "PVC"
        note = f" ({bad.sum()} of {bad.size} values, the first at index {row}, {kind})"
        valid = f"1 to {GROUTED_PE:g} for PE, 1 for PVC"
        told = f"{factor.flat[row]:g}"
        raise RangeError("grout_factor", told, valid, note if bad.ndim else "")
    return np.asarray(grout_factor, dtype=np.float64)


def groundwater_pressure_pa(head_m: ArrayLike) -> FloatArray:
    """Pressure of groundwater on the invert of an empty carrier.

    Parameters
    ----------
    head_m : array_like
        Water table above the invert, m; 0 to 10,000; give 0 where it lies below.

    Returns
    -------
    ndarray of float
        Pressure, Pa.

    Raises
    ------
    RangeError
        If the head lies outside its range.
    """
    head = check_range("head_m", head_m, 0.0, _HIGHEST_M, "m")
    return np.asarray(WATER_DENSITY * GRAVITY * head, dtype=np.float64)


@dataclass(frozen=True)
class SurgeVacuum:
    """What a downsurge does to a carrier; arrays of one shape.

    Attributes
    ----------
    inside_pa : ndarray of float
        Gauge pressure it falls to, Pa.
    outside_pa : ndarray of float
        Net pressure from outside, Pa; 0 where that inside is no less.
    stands_pa : ndarray of float
        Net pressure from outside that the carrier may stand so briefly, Pa.
    holds : ndarray of bool
        It stands it.
    """

    inside_pa: FloatArray
    outside_pa: FloatArray
    stands_pa: FloatArray
    holds: NDArray[np.bool_]


def surge_vacuum(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    working_pa: ArrayLike,
    surge_pa: ArrayLike,
    *,
    groundwater_head_m: ArrayLike = 0.0,
    ovality: ArrayLike = OVALITY,
    safety: ArrayLike = COLLAPSE_SAFETY,
    grout_factor: ArrayLike = GROUT_FACTOR,
    temperature_c: ArrayLike = RATED_C,
) -> SurgeVacuum:
    """Hold a carrier against vacuum and groundwater when its flow is stopped.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio; 5 to 100.
    working_pa : array_like
        Least working pressure, Pa; 0 to 10 MPa.
    surge_pa : array_like
        Fall of pressure, rho a dV, Pa; 0 to 10 MPa.
    groundwater_head_m : array_like, optional
        Water table above the invert, m; 0 to 10,000.
    ovality, safety, grout_factor, temperature_c : array_like, optional
        As for `collapse_pressure_pa`.

    Returns
    -------
    SurgeVacuum
        Pressures and verdict.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the material is unknown.

    Notes
    -----
    The pressure falls as far as it rises (`pressure.fallen_pressure_pa`). What the groundwater
    presses more than is left inside, max(water - inside, 0), presses on the pipe: pressure left
    inside holds as much of it, a vacuum adds to it. The pipe stands the collapse pressure with
    its modulus at half an hour. AWWA M23, M55, PPI Handbook ch. 6; from memory.
    """
    inside = fallen_pressure_pa(working_pa, surge_pa)
    water = groundwater_pressure_pa(groundwater_head_m)
    outside = np.maximum(water - inside, 0.0)
    stands = collapse_pressure_pa(
        material,
        dr,
        hours=VACUUM_H,
        ovality=ovality,
        safety=safety,
        grout_factor=grout_factor,
        temperature_c=temperature_c,
    )
    inside, outside, stands = np.broadcast_arrays(inside, outside, stands)
    return SurgeVacuum(inside, outside, stands, within(outside, stands))


def grout_injection_limit_pa(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    *,
    cure_hours: ArrayLike = CURE_H,
    port_above_low_point_m: ArrayLike = 0.0,
    grout_density: ArrayLike = GROUT_DENSITY_KG_PER_M3,
    inside_head_m: ArrayLike = 0.0,
    cap_pa: ArrayLike = GROUT_PRESSURE_PA,
    ovality: ArrayLike = OVALITY,
    safety: ArrayLike = COLLAPSE_SAFETY,
    temperature_c: ArrayLike = RATED_C,
) -> FloatArray:
    """Gauge pressure allowed at the grout port.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio.
    cure_hours : array_like, optional
        Time the grout presses before it holds itself, h.
    port_above_low_point_m : array_like, optional
        Height of the port over the lowest point of the annulus, m; 0 to 10,000.
    grout_density : array_like, optional
        kg/m3; 300 to 2300.
    inside_head_m : array_like, optional
        Head of water in the carrier at the low point, m; 0 to 10,000.
    cap_pa : array_like, optional
        Limit of the specification, Pa; 0 to 10 MPa. 5 psi is common, from memory.
    ovality, safety, temperature_c : array_like, optional
        As for `collapse_pressure_pa`; the heat of the grout as it sets is to be counted in.

    Returns
    -------
    ndarray of float
        Pressure, Pa; 0 where the grout's own head is too much: grout in lifts or fill the carrier.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    P = Pa + rho w g (zw - m) - rho g (z - m), hydrostatics, where grout presses most beyond the
    water inside: at the lowest point, m = 0, or, if it is lighter than water, as high as both
    reach, m the lesser of port and head.
    """
    cap = check_range("cap_pa", cap_pa, *bounds.GROUT_PRESSURE_PA, "Pa")
    height = check_range("port_above_low_point_m", port_above_low_point_m, 0.0, _HIGHEST_M, "m")
    heavy = check_range("grout_density", grout_density, *bounds.GROUT_DENSITY, "kg/m3")
    stands = collapse_pressure_pa(
        material, dr, hours=cure_hours, ovality=ovality, safety=safety, temperature_c=temperature_c
    )
    head = check_range("inside_head_m", inside_head_m, 0.0, _HIGHEST_M, "m")
    at = np.where(heavy < WATER_DENSITY, np.minimum(height, head), 0.0)  # above the low point
    left = stands + groundwater_pressure_pa(head - at) - heavy * GRAVITY * (height - at)
    return np.asarray(np.clip(np.minimum(left, cap), 0.0, None), dtype=np.float64)


def grout_uplift_n_per_m(
    carrier: CarrierLike,
    *,
    grout_density: ArrayLike = GROUT_DENSITY_KG_PER_M3,
    condition: str = "empty",
) -> FloatArray:
    """Net uplift on a carrier drowned in fresh grout.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    grout_density : array_like, optional
        kg/m3; 300 to 2300.
    condition : {"empty", "filled"}, optional
        Air or water inside.

    Returns
    -------
    ndarray of float
        Force, N/m; below zero where the pipe stays down by itself.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    heavy = check_range("grout_density", grout_density, *bounds.GROUT_DENSITY, "kg/m3")
    displaced = heavy * GRAVITY * np.pi / 4.0 * np.square(carrier.outside_m)
    return np.asarray(displaced - weight_n_per_m(carrier, condition=condition))


def annulus_volume_m3(
    host_bore_m: ArrayLike, outside_m: ArrayLike, length_m: ArrayLike
) -> FloatArray:
    """Volume between host and carrier, pi/4 (ID^2 - OD^2) L.

    Parameters
    ----------
    host_bore_m : array_like
        Inside diameter of the host, m; above 0 to 10. All arguments broadcast.
    outside_m : array_like
        Outside diameter of the carrier, m; not more than the bore.
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
    bore = check_range("host_bore_m", host_bore_m, 0.0, 10.0, "m", above_low=True)
    outside = check_range("outside_m", outside_m, 0.0, 10.0, "m")
    check_range("outside_m / host_bore_m", outside / bore, 0.0, 1.0, "")
    length = check_range("length_m", length_m, 0.0, 1e6, "m")
    return np.asarray(np.pi / 4.0 * (bore**2 - outside**2) * length, dtype=np.float64)
