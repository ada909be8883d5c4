"""How far a carrier may be bent, and what bend of the host it can follow."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe._tables import rows
from geotools.pipe.bounds import PE_RATIO, TEMPERATURE_C
from geotools.pipe.defaults import RATED_C
from geotools.pipe.factors import PSI
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.ranges import FloatArray, check_range

__all__ = [
    "FITTING_RATIO",
    "HALF_TURN",
    "PVC_MODULUS_PA",
    "PVC_STRESS_PA",
    "bending_strain",
    "cold_factor",
    "least_radius_m",
    "passing_radius_m",
    "permanent_radius_m",
    "tangent_length_m",
]

PVC_MODULUS_PA = 400_000.0 * PSI
PVC_STRESS_PA = 800.0 * PSI
_PVC_U_STRESS_PA = 400_000.0 / 600.0 * PSI  # gives 300 outside diameters
FITTING_RATIO = 100.0
HALF_TURN = float(np.nextafter(np.pi, 0.0))  # rad; the most that has a tangent at all
_COLD_FROM_C, _COLD_TO_C = 20.0, 0.0
_COLD_PE, _COLD_PVC = 2.5, 1.2


@cache
def _pe_table() -> tuple[FloatArray, FloatArray]:
    table = rows("pe_bend_ratios")
    limits = np.array([float(row["dr_up_to"]) for row in table])
    ratios = np.array([float(row["radius_over_outside"]) for row in table])
    return limits, ratios


def _pe_ratio(dr: ArrayLike) -> FloatArray:
    """Radius over outside diameter; a ratio between two rows takes the wider radius."""
    limits, ratios = _pe_table()
    thin = check_range("dr", dr, *PE_RATIO, "(OD/wall, polyethylene)")
    return np.asarray(ratios[np.searchsorted(limits, thin)], dtype=np.float64)


def cold_factor(material: str | NDArray[np.str_], temperature_c: ArrayLike) -> FloatArray:
    """How much wider the least bending radius is in the cold.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material; broadcasts with `temperature_c`.
    temperature_c : array_like
        Temperature of the pipe wall while it is bent, C; -20 to 60.

    Returns
    -------
    ndarray of float
        1 at 20 C and above; rising evenly to 2.5 (PE) or 1.2 (PVC) at 0 C, and held below.

    Raises
    ------
    RangeError
        If the temperature lies outside the range, or the material is unknown.

    Notes
    -----
    PE: common figures of 20, 35 and 50 outside diameters at 20, 10 and 0 C. PVC: many owners take
    300 instead of 250 outside diameters in the cold. Both weak memory; confirm with the maker.
    """
    warm = check_range("temperature_c", temperature_c, *TEMPERATURE_C, "C")
    share = np.clip((_COLD_FROM_C - warm) / (_COLD_FROM_C - _COLD_TO_C), 0.0, 1.0)
    full = np.where(is_polyethylene(material), _COLD_PE, _COLD_PVC)
    return np.asarray(1.0 + share * (full - 1.0), dtype=np.float64)


def least_radius_m(
    material: str | NDArray[np.str_],
    dr: ArrayLike,
    outside_m: ArrayLike,
    *,
    fitting_in_bend: bool | NDArray[np.bool_] = False,
    temperature_c: ArrayLike = RATED_C,
) -> FloatArray:
    """Least radius, to the axis, a carrier may be bent to while it is installed.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    dr : array_like
        Dimension ratio; for PE 5 to 41.
    outside_m : array_like
        Outside diameter, m.
    fitting_in_bend : bool or ndarray of bool, optional
        A flange or fitting is fused on within the bend: at least 100 outside diameters for PE.
    temperature_c : array_like, optional
        Wall temperature, C; see `cold_factor`.

    Returns
    -------
    ndarray of float
        Radius, m.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the material is unknown.

    Notes
    -----
    PE: R/OD = 20 (DR to 9), 25 (to 13.5), 27 (to 21), 34 (26), 42 (32.5), 52 (41). PPI Handbook
    ch. 7 and AWWA M55, from memory; DR 11 = 25 also in the PPI sheet of July 2015. Ratios between
    two rows take the wider radius; metric 13.6 and 33 count as 13.5 and 32.5.
    PVC: R = E OD/(2 Sb), E = 400,000 psi; Sb = 800 psi gives 250 OD. AWWA M23 and C605, from
    memory. PVC-U: 300 OD, as makers' manuals of metric pipe print it for bending on site.
    """
    outside = check_range("outside_m", outside_m, 0.0, 3.0, "m", above_low=True)
    stress = np.where(np.asarray(material) == "PVC-U", _PVC_U_STRESS_PA, PVC_STRESS_PA)
    plastic = is_polyethylene(material)
    thin = np.where(plastic, np.asarray(dr, dtype=np.float64), 11.0)
    pe = np.where(fitting_in_bend, np.maximum(_pe_ratio(thin), FITTING_RATIO), _pe_ratio(thin))
    ratio = np.where(plastic, pe, PVC_MODULUS_PA / (2.0 * stress))
    return np.asarray(ratio * outside * cold_factor(material, temperature_c), dtype=np.float64)


def permanent_radius_m(
    material: str | NDArray[np.str_], dr: ArrayLike, outside_m: ArrayLike
) -> FloatArray:
    """Least radius a carrier may be left at in service.

    The same as while it is installed, warm: bends of a plan are judged by it. The 800 psi of PVC
    leave room for its pressure: long-term strength 4000 psi less 2000 psi, over 2.5, are 800 psi.
    AWWA M23, Uni-Bell Handbook, from memory; the pipe data of a maker of fused PVC quote the
    latter for 250 outside diameters, with a safety of 2.5 on bending.

    Parameters
    ----------
    material, dr, outside_m
        As for `least_radius_m`.

    Returns
    -------
    ndarray of float
        Radius, m.

    Raises
    ------
    RangeError
        As for `least_radius_m`.
    """
    return least_radius_m(material, dr, outside_m)


def passing_radius_m(
    deflection_rad: ArrayLike, clearance_m: ArrayLike, *, axis_radius_m: ArrayLike = 0.0
) -> FloatArray:
    """Largest carrier radius that passes a bend of the host.

    The carrier's axis runs as one arc that touches the outer wall on both legs and the inner wall
    in the middle. A bend passes if this radius is at least the carrier's least radius.

    Parameters
    ----------
    deflection_rad : array_like
        Angle turned, t; 0 (straight) to pi rad. All arguments broadcast.
    clearance_m : array_like
        Host bore less the carrier's outside diameter at its joints, c, m. Below zero the carrier
        does not enter at all and the answer is 0.
    axis_radius_m : array_like, optional
        Radius of the host's axis in the bend, Rh, m; 0 for a mitre.

    Returns
    -------
    ndarray of float
        Radius, m; infinite where the host is straight.

    Raises
    ------
    RangeError
        If the angle or the host's radius lies outside its range.

    Notes
    -----
    Mitre: R = c/(1 - cos(t/2)). Bend: R = Rh + (c/2)(1 + cos(t/2))/(1 - cos(t/2)). Derived from
    the geometry; the mitre form leaves out that a round carrier may also roll round the inner
    corner, which would add half its outside diameter, so it errs on the safe side. Both agree at
    Rh = c/2, and the greater is taken, so that the answer never falls as Rh grows. Beyond t of
    about 2.5 rad a main no longer has bends of this kind; the formula still holds.
    """
    turn = check_range("deflection_rad", deflection_rad, 0.0, np.pi, "rad")
    gap = check_range("clearance_m", clearance_m, -np.inf, np.inf, "m")
    axis = check_range("axis_radius_m", axis_radius_m, 0.0, np.inf, "m")
    # 1 - cos(t/2) written through the sine, which keeps its digits for small angles
    versine = 2.0 * np.sin(turn / 4.0) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        mitre = gap / versine
        bend = axis + 0.5 * gap * (2.0 - versine) / versine
    radius = np.where(versine > 0.0, np.maximum(mitre, bend), np.inf)
    return np.asarray(np.where(gap < 0.0, 0.0, radius), dtype=np.float64)


def tangent_length_m(radius_m: ArrayLike, deflection_rad: ArrayLike) -> FloatArray:
    """Length from the corner to where an arc of this radius begins, R tan(t/2).

    Parameters
    ----------
    radius_m : array_like
        Radius of the arc, m; may be infinite where the deflection is zero.
    deflection_rad : array_like
        Angle turned, rad; 0 to below pi.

    Returns
    -------
    ndarray of float
        Length, m; 0 where straight.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    radius = check_range("radius_m", radius_m, 0.0, np.inf, "m")
    turn = check_range("deflection_rad", deflection_rad, 0.0, HALF_TURN, "rad")
    bent = np.where(turn > 0.0, radius, 0.0)
    return np.asarray(bent * np.tan(turn / 2.0), dtype=np.float64)


def bending_strain(outside_m: ArrayLike, radius_m: ArrayLike) -> FloatArray:
    """Strain of the outermost fibre, OD/(2 R).

    Parameters
    ----------
    outside_m : array_like
        Outside diameter, m.
    radius_m : array_like
        Bending radius to the axis, m; may be infinite.

    Returns
    -------
    ndarray of float
        Strain, m/m.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    outside = check_range("outside_m", outside_m, 0.0, 3.0, "m", above_low=True)
    radius = check_range("radius_m", radius_m, 0.0, np.inf, "m", above_low=True)
    return np.asarray(outside / (2.0 * radius), dtype=np.float64)
