"""Butt-fused joints: how many, with what pressure, heat and time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe._tables import rows
from geotools.pipe.bounds import OUTSIDE_M
from geotools.pipe.factors import HOUR, INCH, MINUTE, PSI, to_si
from geotools.pipe.pulling import wall_area_m2
from geotools.pipe.ranges import FloatArray, check_choice, check_range

__all__ = [
    "HEATER_C",
    "INTERFACIAL_PA",
    "ISO_PROCEDURES",
    "PIECE_SLACK",
    "THICKEST_M",
    "FusionWindow",
    "IsoProcedure",
    "fusion_window",
    "gauge_pressure_pa",
    "iso_cooling_s",
    "iso_procedure",
    "joint_count",
    "joint_hours",
    "least_bead_m",
    "least_handling_s",
    "piece_count",
]

# Share of a piece, so that 25 pieces of 40 ft make 1000 ft and not a shade over.
PIECE_SLACK = 1e-6
HEATER_C = ((400.0 - 32.0) / 1.8, (450.0 - 32.0) / 1.8)
INTERFACIAL_PA = (60.0 * PSI, 75.0 * PSI, 90.0 * PSI)
ISO_PROCEDURES = ("single_low", "single_high")  # of the third, dual low, no times are known
_SOAK_S_PER_M = 4.5 * MINUTE / INCH
_COOL_S_PER_M = 11.0 * MINUTE / INCH
_SOAK_FROM_M = 14.0 * INCH
_HANDLING_S = 15.0 * MINUTE  # up to this outside diameter
_HANDLED_M = 18.0 * INCH
_HANDLING_S_PER_M = 1.5 * MINUTE / INCH
THICKEST_M = 0.2  # wall of a joint whose time is known


@dataclass(frozen=True)
class FusionWindow:
    """Parameters of one PE butt-fusion joint, arrays of one shape.

    Attributes
    ----------
    heater_low_c, heater_high_c : float
        Heater surface, C.
    bead_m : ndarray of float
        Least melt bead before the heater is taken out, m.
    soak_s : ndarray of float
        Least heat soak, s; 0 where the bead alone decides (OD below 14 in).
    removal_s : ndarray of float
        Longest time to take the heater out and close, s.
    cool_s : ndarray of float
        Least cooling under pressure, s.
    """

    heater_low_c: float
    heater_high_c: float
    bead_m: FloatArray
    soak_s: FloatArray
    removal_s: FloatArray
    cool_s: FloatArray


@dataclass(frozen=True)
class IsoProcedure:
    """One butt-fusion procedure of ISO 21307.

    Attributes
    ----------
    fusion_pa, tolerance_pa : float
        Pressure between the pipe ends, Pa, and how far it may be off.
    heater_low_c, heater_high_c : float
        Heater surface, C.
    source : str
        Where the figures come from.
    """

    fusion_pa: float
    tolerance_pa: float
    heater_low_c: float
    heater_high_c: float
    source: str


def iso_procedure(name: str) -> IsoProcedure:
    """Look up one procedure of ISO 21307.

    Parameters
    ----------
    name : {"single_low", "single_high"}
        Single low pressure, single high pressure.

    Returns
    -------
    IsoProcedure
        Pressures and heater range.

    Raises
    ------
    ChoiceError
        If there is no such procedure.
    """
    check_choice("name", name, ISO_PROCEDURES)
    row = next(row for row in rows("iso_fusion") if row["procedure"] == name)
    parts = ("fusion_pressure", "tolerance")
    fusion, tolerance = (to_si(float(row[part]), row["unit"]) for part in parts)
    heat = float(row["heater_low_c"]), float(row["heater_high_c"])
    return IsoProcedure(fusion, tolerance, *heat, row["source"])


def piece_count(length_m: ArrayLike, piece_m: ArrayLike) -> FloatArray:
    """Count the pieces a length is made of, whole numbers; both m, broadcast, without limits."""
    return np.asarray(np.ceil(np.asarray(length_m) / np.asarray(piece_m) - PIECE_SLACK))


def joint_count(length_m: ArrayLike, piece_m: ArrayLike) -> FloatArray:
    """Count the joints that fuse the pieces of a length, ceil(L/piece) - 1.

    Parameters
    ----------
    length_m, piece_m : array_like
        As for `piece_count`.

    Returns
    -------
    ndarray of float
        Whole numbers; 0 for a length of one piece. Tie-ins, cut-outs and flanges come on top.
    """
    return np.asarray(np.maximum(piece_count(length_m, piece_m) - 1.0, 0.0))


@cache
def _steps(table: str, limit: str, value: str) -> tuple[FloatArray, FloatArray]:
    lines = rows(table)
    limits = np.array([to_si(float(row[limit]), row["unit"]) for row in lines])
    factor = 1.0 if value == "seconds" else to_si(1.0, lines[0]["unit"])
    return limits, np.array([float(row[value]) * factor for row in lines])


def _step_value(values: FloatArray, table: tuple[FloatArray, FloatArray]) -> FloatArray:
    limits, steps = table
    return np.asarray(steps[np.searchsorted(limits, values * (1.0 - 1e-12))])


def least_bead_m(outside_m: ArrayLike) -> FloatArray:
    """Least melt bead, by outside diameter.

    Parameters
    ----------
    outside_m : array_like
        m; above 0 to 65 in.

    Returns
    -------
    ndarray of float
        Bead, m.

    Raises
    ------
    RangeError
        If the diameter lies outside the table.

    Notes
    -----
    ASTM F2620; from memory.
    """
    table = _steps("fusion_beads", "outside_up_to", "bead")
    most = float(table[0][-1])
    outside = check_range("outside_m", outside_m, 0.0, most, "m", above_low=True)
    return _step_value(outside, table)


def fusion_window(outside_m: ArrayLike, wall_m: ArrayLike) -> FusionWindow:
    """Heat, soak, removal and cooling of a PE joint.

    Parameters
    ----------
    outside_m : array_like
        Outside diameter, m; broadcasts with `wall_m`.
    wall_m : array_like
        Minimum wall, m; above 0 to 8 in.

    Returns
    -------
    FusionWindow
        Limits of the standard; the qualified written procedure of the job decides.

    Raises
    ------
    RangeError
        If a size lies outside the tables.

    Notes
    -----
    ASTM F2620: heater surface 400 to 450 F (a PPI advisory page); soak 4.5 min per inch of wall
    of pipe of 14 in OD and larger; cooling under pressure 11 min per inch of wall; from memory.
    Whether 14 in itself is among these is from memory too, and on the safe side; dn 355 is less.
    PVC has no open standard for its parameters: take them from the qualified procedure.
    """
    outside = np.asarray(outside_m, dtype=np.float64)
    removal = _steps("fusion_removal", "wall_up_to", "seconds")
    soaked = outside >= _SOAK_FROM_M * (1.0 - 1e-9)  # 14 in by whatever way to metres
    wall = check_range("wall_m", wall_m, 0.0, float(removal[0][-1]), "m", above_low=True)
    return FusionWindow(
        heater_low_c=HEATER_C[0],
        heater_high_c=HEATER_C[1],
        bead_m=least_bead_m(outside),
        soak_s=np.asarray(np.where(soaked, _SOAK_S_PER_M * wall, 0.0)),
        removal_s=_step_value(wall, removal),
        cool_s=np.asarray(_COOL_S_PER_M * wall, dtype=np.float64),
    )


def gauge_pressure_pa(
    outside_m: ArrayLike,
    wall_m: ArrayLike,
    piston_area_m2: ArrayLike,
    *,
    interfacial_pa: ArrayLike = INTERFACIAL_PA[1],
    drag_pa: ArrayLike = 0.0,
) -> FloatArray:
    """Pressure to set on the fusion machine, IFP A/TEPA + drag.

    Parameters
    ----------
    outside_m, wall_m : array_like
        Outside diameter and minimum wall, m. All arguments broadcast.
    piston_area_m2 : array_like
        Total effective piston area of the machine, m2.
    interfacial_pa : array_like, optional
        Pressure on the pipe ends, Pa; 0.01 to 2 MPa, which holds ASTM F2620 (60 to 90 psi), the
        procedures of ISO 21307 and those written for PVC.
    drag_pa : array_like, optional
        Gauge pressure that just moves the carriage, Pa.

    Returns
    -------
    ndarray of float
        Gauge pressure, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    ASTM F2620; from memory.
    """
    pressure = check_range("interfacial_pa", interfacial_pa, 1e4, 2e6, "Pa")
    piston = check_range("piston_area_m2", piston_area_m2, 0.0, 1.0, "m2", above_low=True)
    drag = check_range("drag_pa", drag_pa, 0.0, 3e7, "Pa")
    return np.asarray(pressure * wall_area_m2(outside_m, wall_m) / piston + drag)


def iso_cooling_s(wall_m: ArrayLike, procedure: str) -> FloatArray:
    """Cooling under pressure by the single-pressure procedures of ISO 21307.

    Parameters
    ----------
    wall_m : array_like
        Wall e, m; 5 to 100 mm.
    procedure : {"single_low", "single_high"}
        Which procedure.

    Returns
    -------
    ndarray of float
        Time, s.

    Raises
    ------
    RangeError
        If the wall or the procedure is outside what is known.

    Notes
    -----
    Single low 0.015 e^2 - 0.47 e + 20 min, single high 0.43 e min, e in mm; from memory. The low
    formula is least at 15.7 mm and asks for more again of thinner walls: taken as it stands, so
    that no joint gets less than it asks for.
    """
    wall = check_range("wall_m", wall_m, 0.005, 0.1, "m") * 1e3
    check_choice("procedure", procedure, ISO_PROCEDURES)
    if procedure == "single_high":
        return np.asarray(0.43 * wall * MINUTE, dtype=np.float64)
    return np.asarray((0.015 * wall**2 - 0.47 * wall + 20.0) * MINUTE, dtype=np.float64)


def least_handling_s(outside_m: ArrayLike) -> FloatArray:
    """Handling of a joint at its quickest: setting up, facing, aligning, moving on.

    Parameters
    ----------
    outside_m : array_like
        Outside diameter, m; 0.02 to 3.

    Returns
    -------
    ndarray of float
        Time, s.

    Raises
    ------
    RangeError
        If the diameter lies outside its range.

    Notes
    -----
    15 min up to 18 in, and 1.5 min more with every inch beyond, for the pipe is lifted and the
    machine is slow. With soak and cooling that is the quick end of practice from 20 to 36 in,
    DIPS, DR 17 (40 to 75 min a joint), and no more than practice in smaller pipe: common practice,
    no source. Larger pipe goes on by the same line, unchecked.
    """
    outside = check_range("outside_m", outside_m, *OUTSIDE_M, "m")
    return np.asarray(_HANDLING_S + _HANDLING_S_PER_M * np.maximum(outside - _HANDLED_M, 0.0))


def joint_hours(wall_m: ArrayLike, *, handling_s: ArrayLike) -> FloatArray:
    """Time from joint to joint: handling, soak and cooling.

    Parameters
    ----------
    wall_m : array_like
        Minimum wall, m; above 0 to 0.2.
    handling_s : array_like
        Handling, facing and moving on, s; 0 to 10 h. It grows with the pipe: `least_handling_s`
        is the quickest, some twice that the slow end of practice.

    Returns
    -------
    ndarray of float
        Time, h.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    handling + 4.5 t + 11 t min, t in inches. Held against practice, common and without a source,
    in PE of 8 to 36 in, DR 11 to 17, walls of 0.8 to 2.3 in; beyond these soak and cooling go on
    by the inch as in ASTM F2620, to 8 in. Used for PVC too for want of an open standard.
    """
    wall = check_range("wall_m", wall_m, 0.0, THICKEST_M, "m", above_low=True)
    handling = check_range("handling_s", handling_s, 0.0, 36000.0, "s")
    return np.asarray((handling + (_SOAK_S_PER_M + _COOL_S_PER_M) * wall) / HOUR)
