"""Force a pull needs, what the carrier and the machine can take, and the recovery afterwards.

The ramp of a pit is no bend under tension (`tension_with_bending_n`), though the carrier has its
least radius there while the string drags behind it. By the rule of those PE of a DR up to 9 could
not come down a ramp at all, and PE100 up to DR 21 at 20 C could not; the handbook that gives these
radii (ch. 7) sizes pits by them, with the string pulled through (ch. 11, from memory). A radius is
imposed on the pipe, and its maker allows it by itself; what is asked is that the fibre does not
yield, and that follows from what is asked of every pull: that the drag of all its string stays
within the planned share of the straight tension, by default half. Grown by the capstan over half a
turn on rollers, and with E of half an hour as it is in warmth and cold, that leaves the fibre at
0.95 of the yield strength at most (PE100 up to DR 9, at 20 C), PVC at 0.63 of its strength. With
another share it holds for 1 km of string on the worst rollers of the band. So no pipe of the
catalogue is governed by its ramp, nor one of the user's own, whose radius is by the same table;
tests/pipe/test_pipe_pulls.py holds this.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe._tables import rows
from geotools.pipe.bending import PVC_MODULUS_PA, bending_strain
from geotools.pipe.catalogue import CarrierLike
from geotools.pipe.defaults import (
    DURATION_H,
    MACHINE_SHARE,
    PULL_RATE_M_PER_S,
    RATED_C,
    ROLLER_FRICTION,
    STRING_JOINT_H,
)
from geotools.pipe.factors import GRAVITY, HOUR, WATER_DENSITY
from geotools.pipe.materials import (
    apparent_modulus_pa,
    by_material,
    is_polyethylene,
    material_property,
    modulus_temperature_factor,
    per_material,
    tension_temperature_factor,
)
from geotools.pipe.ranges import FloatArray, check_choice, check_range

__all__ = [
    "CONDITIONS",
    "HOSTS",
    "LONGEST_LOAD_H",
    "STOPPED_BY",
    "FrictionBand",
    "PullIncrements",
    "Tails",
    "allowable_stress_pa",
    "allowable_tension_n",
    "capstan_growth",
    "friction_band",
    "head_force_n",
    "machine_capacity_n",
    "pull_hours",
    "pull_increments",
    "recovery_wait_hours",
    "roller_drag_n",
    "running_ahead_n",
    "stop_force_n",
    "stop_forces_on_the_way_n",
    "stretch_m",
    "tails_to_leave",
    "tension_with_bending_n",
    "thermal_length_change_m",
    "wall_area_m2",
    "weight_n_per_m",
]

CONDITIONS = ("empty", "filled")
HOSTS = ("dry", "flooded")
# Fields of a pull that say at which force it is to stop, in the order `stop_force_n` takes them.
STOPPED_BY = ("head_force", "governing_force", "governing_limit", "allowable")
LONGEST_LOAD_H = 24.0  # h; where the factors of time end
BENT_H = 12.0  # h; a bend is no softer than in a shift, whatever time the pull is reckoned for
LEAST_REST_H = 24.0  # h before tying in; common practice, from memory
WORKING_LENGTH_M = 1.0  # left at each end to work on; common practice, from memory (others 3 %)
_LOAD_HOURS = (1.0, 12.0, LONGEST_LOAD_H)
_LOAD_FACTOR = (1.00, 0.95, 0.91)


@dataclass(frozen=True)
class FrictionBand:
    """Friction coefficient of a surface: what to plan with, and how far off it may be.

    Attributes
    ----------
    low, central, high : float
        Coefficients.
    source : str
        Where they come from.
    """

    low: float
    central: float
    high: float
    source: str


@dataclass(frozen=True)
class PullIncrements:
    """What each stretch of the path adds to the pull, from the tail to the head.

    Attributes
    ----------
    load_n : ndarray of float
        Force each stretch adds, N; never below zero.
    growth : ndarray of float
        Factor by which the deflection at its end multiplies the force, at least 1.
    """

    load_n: FloatArray
    growth: FloatArray


@cache
def _friction() -> dict[str, FrictionBand]:
    return {
        row["condition"]: FrictionBand(
            float(row["low"]), float(row["central"]), float(row["high"]), row["source"]
        )
        for row in rows("friction")
    }


def friction_band(condition: str) -> FrictionBand:
    """Look up the friction between carrier and what it slides on.

    Parameters
    ----------
    condition : str
        rollers, lubricated, wet, dry, tuberculated or ground.

    Returns
    -------
    FrictionBand
        Low, central and high coefficient.

    Raises
    ------
    ChoiceError
        If the surface is unknown.
    """
    return _friction()[check_choice("condition", condition, _friction())]


def wall_area_m2(outside_m: ArrayLike, wall_m: ArrayLike) -> FloatArray:
    """Cross-section of a pipe wall, pi (OD - t) t.

    Parameters
    ----------
    outside_m, wall_m : array_like
        Outside diameter and wall, m.

    Returns
    -------
    ndarray of float
        Area, m2.

    Raises
    ------
    RangeError
        If the diameter or the wall lies outside its range.
    """
    outside = check_range("outside_m", outside_m, 0.0, 10.0, "m", above_low=True)
    wall = check_range("wall_m", wall_m, 0.0, 2.0, "m", above_low=True)
    return np.asarray(np.pi * (outside - wall) * wall, dtype=np.float64)


def _load_factor(hours: ArrayLike) -> FloatArray:
    """F1804's time factor: the step that covers the duration."""
    time = check_range("hours", hours, 0.0, LONGEST_LOAD_H, "h")
    return np.asarray(np.array(_LOAD_FACTOR)[np.searchsorted(_LOAD_HOURS, time)])


def _tension_basis(material: str) -> float:
    """Strength at 23 C times the share of it allowed, Pa."""
    if is_polyethylene(material):
        share = material_property(material, "pull_yield_share")
        return share * material_property(material, "tensile_yield")
    strength = material_property(material, "tensile_strength")
    return strength / material_property(material, "pull_safety_factor")


def allowable_stress_pa(
    material: str | NDArray[np.str_],
    *,
    hours: ArrayLike = DURATION_H,
    temperature_c: ArrayLike = RATED_C,
    stress_cap_pa: ArrayLike = np.inf,
) -> FloatArray:
    """Tensile stress allowed in the wall during a pull.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    hours : array_like, optional
        Duration of the pull, h; 0 to 24. Counts for PE only.
    temperature_c : array_like, optional
        Temperature of the pipe wall, C; -20 to 60.
    stress_cap_pa : array_like, optional
        A lower stress laid down by the owner or the maker, Pa.

    Returns
    -------
    ndarray of float
        Stress, Pa.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the material is unknown.

    Notes
    -----
    PE, ASTM F1804: fY fT T with fY = 0.40 and fT = 1.00 up to 1 h, 0.95 up to 12 h, 0.91 up to
    24 h; the symbols are on its front page, the numbers from memory. It is written for gas pipe
    and used here by analogy. At 12 h PE4710 gets 1330 psi, which is also the safe pull stress of
    ASTM F1962-22; a PPI sheet of July 2015 gives 1300 psi (1150 for PE3608), an older PPI
    Handbook 1150 (1100): give one of them as `stress_cap_pa` to hold to it. A plan uses the share
    `pulls.force_share` of what the first allows; it has no other cap.
    PVC: 7000 psi (ASTM D1784 cell 12454) over 2.5, common practice; PVC-U: 45 MPa over the same.
    """
    basis = by_material(material, _tension_basis)
    plastic = is_polyethylene(material)
    time = np.where(plastic, _load_factor(np.where(plastic, hours, 0.0)), 1.0)
    warm = tension_temperature_factor(material, temperature_c)
    cap = check_range("stress_cap_pa", stress_cap_pa, 0.0, np.inf, "Pa", above_low=True)
    return np.asarray(np.minimum(basis * time * warm, cap), dtype=np.float64)


def allowable_tension_n(
    carrier: CarrierLike,
    *,
    hours: ArrayLike = DURATION_H,
    temperature_c: ArrayLike = RATED_C,
    stress_cap_pa: ArrayLike = np.inf,
) -> FloatArray:
    """Tension allowed at the head of a straight carrier.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    hours, temperature_c, stress_cap_pa : array_like, optional
        As for `allowable_stress_pa`.

    Returns
    -------
    ndarray of float
        Force, N: allowable stress times the area of the minimum wall.

    Raises
    ------
    RangeError
        As for `allowable_stress_pa`.

    Notes
    -----
    ASTM F1804 writes the same as fY fT T pi OD^2 (1/DR - 1/DR^2).
    """
    stress = allowable_stress_pa(
        carrier.material, hours=hours, temperature_c=temperature_c, stress_cap_pa=stress_cap_pa
    )
    return np.asarray(
        stress * wall_area_m2(carrier.outside_m, carrier.wall_min_m), dtype=np.float64
    )


def tension_with_bending_n(
    carrier: CarrierLike,
    bend_radius_m: ArrayLike,
    *,
    hours: ArrayLike = DURATION_H,
    temperature_c: ArrayLike = RATED_C,
    stress_cap_pa: ArrayLike = np.inf,
) -> FloatArray:
    """Tension allowed where the carrier is bent while it is pulled.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    bend_radius_m : array_like
        Radius the carrier really takes in the tightest bend under tension, m; infinite if none.
    hours, temperature_c, stress_cap_pa : array_like, optional
        As for `allowable_stress_pa`.

    Returns
    -------
    ndarray of float
        Force, N; 0 where the bend alone uses up the stress.

    Raises
    ------
    RangeError
        As for `allowable_stress_pa`, or if the radius is not above zero.

    Notes
    -----
    Extreme fibre: T/A + E OD/(2 R) <= allowable stress, both of PE after `hours`; beyond
    `BENT_H` E falls no more. PVC has its short-term E, whose relaxation is not counted on. E is
    raised in the cold (`materials.modulus_temperature_factor`), the strength is not; in the warm
    the strength is lowered and E is not: both on the safe side. PPI Handbook ch. 12 form, from
    memory. At the least radius of a PE pipe little or nothing is left for tension, so let the pull
    take such a bend only near the tail, where the force is small.

    A pull takes hours, and what is in a bend has been there for minutes: E of half an hour is 30 %
    above that of 12 h. The tabulated E is of small stresses, though, and a pipe bent by 1 to 2 %
    yields more; and with the greater one the fibre has at most half the yield strength wherever
    any tension is allowed, where it is to have 0.38 of it. A duration as long as the pull itself is
    the more careful choice where forces in bends govern.

    The ramp of a pit is no such bend: see the head of the module.
    """
    stress = allowable_stress_pa(
        carrier.material, hours=hours, temperature_c=temperature_c, stress_cap_pa=stress_cap_pa
    )
    cold = np.maximum(modulus_temperature_factor(carrier.material, temperature_c), 1.0)
    slow = apparent_modulus_pa(carrier.material, np.clip(hours, 0.01, BENT_H))
    modulus = cold * np.where(is_polyethylene(carrier.material), slow, PVC_MODULUS_PA)
    left = stress - modulus * bending_strain(carrier.outside_m, bend_radius_m)
    area = wall_area_m2(carrier.outside_m, carrier.wall_min_m)
    return np.asarray(np.maximum(left, 0.0) * area, dtype=np.float64)


def weight_n_per_m(
    carrier: CarrierLike, *, condition: str = "empty", host: str = "dry"
) -> FloatArray:
    """Weight with which the carrier rests on the bottom of the host.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    condition : {"empty", "filled"}, optional
        Air or water inside the carrier.
    host : {"dry", "flooded"}, optional
        Air or water between host and carrier.

    Returns
    -------
    ndarray of float
        Weight, N/m; below zero where it floats and presses on the crown.

    Raises
    ------
    ChoiceError
        If a condition is unknown.
    """
    check_choice("condition", condition, CONDITIONS)
    check_choice("host", host, HOSTS)
    mass = carrier.density * wall_area_m2(carrier.outside_m, carrier.wall_average_m)
    if condition == "filled":
        mass = mass + WATER_DENSITY * np.pi / 4.0 * np.square(carrier.bore_m)
    if host == "flooded":
        mass = mass - WATER_DENSITY * np.pi / 4.0 * np.square(carrier.outside_m)
    return np.asarray(GRAVITY * mass, dtype=np.float64)


def capstan_growth(friction: ArrayLike, deflection_rad: ArrayLike) -> FloatArray:
    """Factor by which a turn multiplies the force in the pipe, exp(mu t).

    Parameters
    ----------
    friction, deflection_rad : array_like
        Coefficient mu, and the angle turned, t, rad; broadcast, without limits.

    Returns
    -------
    ndarray of float
        At least 1. The capstan form, as in ASTM F1962.
    """
    turned = np.asarray(friction, dtype=np.float64) * np.asarray(deflection_rad, dtype=np.float64)
    return np.asarray(np.exp(turned), dtype=np.float64)


def pull_increments(
    ds: ArrayLike,
    grade_rad: ArrayLike,
    deflection_rad: ArrayLike,
    *,
    weight: ArrayLike,
    friction: ArrayLike,
) -> PullIncrements:
    """Break a path into what each of its stretches adds to the pull.

    Parameters
    ----------
    ds : array_like
        Length of each stretch along the pipe, m, from the tail to the head. All arguments
        broadcast.
    grade_rad : array_like
        Slope of each stretch, rad, positive uphill in the direction of the pull.
    deflection_rad : array_like
        Angle turned at the end of each stretch, rad; 0 to pi.
    weight : array_like
        Weight on the bottom of the host, N/m; below zero if it floats.
    friction : array_like
        Coefficient between carrier and host; 0 to 2.

    Returns
    -------
    PullIncrements
        Loads and growth factors: F <- (F + load) growth.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    load = ds (mu |w| cos a + w sin a). Friction acts on the size of the weight (on the crown if
    the pipe floats), gravity on the weight with its sign. A stretch that would run by itself
    counts as zero, never as help, which is on the safe side. growth is that of
    `capstan_growth`. The pipe's bending stiffness is not counted.
    """
    step = check_range("ds", ds, 0.0, np.inf, "m")
    slope = check_range("grade_rad", grade_rad, -np.pi / 2.0, np.pi / 2.0, "rad")
    turn = check_range("deflection_rad", deflection_rad, 0.0, np.pi, "rad")
    bottom = check_range("weight", weight, -1e6, 1e6, "N/m")
    mu = check_range("friction", friction, 0.0, 2.0, "")
    load = step * (mu * np.abs(bottom) * np.cos(slope) + bottom * np.sin(slope))
    return PullIncrements(
        np.asarray(np.maximum(load, 0.0), dtype=np.float64),
        capstan_growth(mu, turn),
    )


def running_ahead_n(
    ds: ArrayLike, grade_rad: ArrayLike, *, weight: ArrayLike, friction: ArrayLike
) -> FloatArray:
    """Break a path into what each of its stretches pushes the pipe ahead with.

    Parameters
    ----------
    ds, grade_rad, weight, friction : array_like
        As for `pull_increments`. All broadcast.

    Returns
    -------
    ndarray of float
        Force, N; below zero where friction, or the way up, holds the pipe.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    -ds (mu |w| cos a + w sin a), the load of `pull_increments` before it is cut off at zero. Summed
    from the tail, the most of it at any stretch is what a hold-back at the tail must take once the
    head is there; statics. Turns are left out, which hold a pipe that is held back as they do one
    that is pulled: on the safe side. 100 m in plan of 800 N/m down 14 % at a friction of 0.05 push
    with 7.2 kN: 800 (0.14 - 0.05) 100.
    """
    step = check_range("ds", ds, 0.0, np.inf, "m")
    slope = check_range("grade_rad", grade_rad, -np.pi / 2.0, np.pi / 2.0, "rad")
    bottom = check_range("weight", weight, -1e6, 1e6, "N/m")
    mu = check_range("friction", friction, 0.0, 2.0, "")
    held = mu * np.abs(bottom) * np.cos(slope) + bottom * np.sin(slope)
    return np.asarray(-step * held, dtype=np.float64)


def _running(load: FloatArray, growth: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Growth from the tail to each station, and the loads gathered there over that growth."""
    total = np.asarray(np.cumprod(growth, axis=-1), dtype=np.float64)
    gathered = np.asarray(np.cumsum(load * growth / total, axis=-1), dtype=np.float64)
    return total, gathered


def head_force_n(
    ds: ArrayLike,
    grade_rad: ArrayLike,
    deflection_rad: ArrayLike,
    *,
    weight: ArrayLike,
    friction: ArrayLike,
    tail_force: ArrayLike = 0.0,
) -> FloatArray:
    """Force in the pipe after every station, marching from the tail to the head.

    The last element is the pull the machine sees when the head has reached the end of the path.

    Parameters
    ----------
    ds, grade_rad, deflection_rad, weight, friction : array_like
        As for `pull_increments`; the stretches lie along the last axis, other axes (paths,
        carriers) broadcast, so give weights per path a last axis of length one.
    tail_force : array_like, optional
        Drag of the tail where the path begins, N; at least 0; shape of the other axes.

    Returns
    -------
    ndarray of float
        Force after each stretch and its deflection, N.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    F <- (F + w ds (mu cos a + sin a)) exp(mu t); see `pull_increments` for floating pipe and
    downhill stretches. Every term is positive, so the running sums lose no digits; the total
    turning times friction may go up to about 700 before the exponential overflows.
    """
    parts = pull_increments(ds, grade_rad, deflection_rad, weight=weight, friction=friction)
    tail = check_range("tail_force", tail_force, 0.0, np.inf, "N")
    load, growth = np.broadcast_arrays(np.atleast_1d(parts.load_n), np.atleast_1d(parts.growth))
    total, gathered = _running(load, growth)
    return np.asarray(total * (tail[..., np.newaxis] + gathered), dtype=np.float64)


def roller_drag_n(
    weight: ArrayLike, length_m: ArrayLike, *, friction: ArrayLike = ROLLER_FRICTION
) -> FloatArray:
    """Drag of the tail on the rollers behind the pit, on level ground.

    Parameters
    ----------
    weight : array_like
        Weight of the string in air, N/m; at least 0. All arguments broadcast.
    length_m : array_like
        Length of string on the rollers, m.
    friction : array_like, optional
        Coefficient of the rollers; 0 to 2. The default is the middle of their `friction_band`.

    Returns
    -------
    ndarray of float
        Force, N; never below zero.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    heavy = check_range("weight", weight, 0.0, 1e6, "N/m")
    return pull_increments(length_m, 0.0, 0.0, weight=heavy, friction=friction).load_n


def machine_capacity_n(rated_n: ArrayLike, *, usable: ArrayLike = MACHINE_SHARE) -> FloatArray:
    """Force to plan with for a machine of a given rating.

    Parameters
    ----------
    rated_n : array_like
        Rated pull, N.
    usable : array_like, optional
        Share of the rating planned for; above 0 to 1. The default is common practice, no source.

    Returns
    -------
    ndarray of float
        Force, N.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    rated = check_range("rated_n", rated_n, 0.0, 1e8, "N", above_low=True)
    share = check_range("usable", usable, 0.0, 1.0, "", above_low=True)
    return np.asarray(rated * share, dtype=np.float64)


def pull_hours(
    length_m: ArrayLike,
    *,
    rate_m_per_s: ArrayLike = PULL_RATE_M_PER_S,
    joints_during: ArrayLike = 0,
    hours_per_joint: ArrayLike = STRING_JOINT_H,
) -> FloatArray:
    """Duration of a pull with the joints made while it stands still, L/v + n t.

    Parameters
    ----------
    length_m : array_like
        Length pulled, L, m. All arguments broadcast.
    rate_m_per_s : array_like, optional
        Pulling rate, v, m/s; above 0. 10 to 15 ft/min is common practice, no source.
    joints_during : array_like, optional
        Strings joined on during the pull, n.
    hours_per_joint : array_like, optional
        Standstill for each, t, h; common practice, no source.

    Returns
    -------
    ndarray of float
        Duration, h.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    length = check_range("length_m", length_m, 0.0, np.inf, "m")
    rate = check_range("rate_m_per_s", rate_m_per_s, 0.0, np.inf, "m/s", above_low=True)
    joints = check_range("joints_during", joints_during, 0.0, np.inf, "")
    each = check_range("hours_per_joint", hours_per_joint, 0.0, np.inf, "h")
    return np.asarray(length / rate / HOUR + joints * each, dtype=np.float64)


def stop_force_n(
    head: ArrayLike, governing: ArrayLike, limit: ArrayLike, allowable: ArrayLike
) -> FloatArray:
    """Force at the head at the end of a pull at which some place of it is at its limit.

    On the way there less may do it: `stop_forces_on_the_way_n`. What a bend bears is not read on
    site: every place is taken to bear more than planned by as much as the head does.

    Parameters
    ----------
    head : array_like
        Largest force planned at the head, N. All arguments broadcast.
    governing, limit : array_like
        Force planned, and allowed, at the place that is nearest its limit, N; not-a-number where
        that is not known.
    allowable : array_like
        Force allowed at the head, N.

    Returns
    -------
    ndarray of float
        Force, N; what is allowed at the head where that is less, or nothing is planned.

    Notes
    -----
    Proportion; common practice, no source.
    """
    head, governing, limit, allowable = np.broadcast_arrays(
        *(np.asarray(values, dtype=np.float64) for values in (head, governing, limit, allowable))
    )
    scaled = np.full(head.shape, np.nan)
    np.divide(head * limit, governing, out=scaled, where=(head > 0) & (governing > 0))
    return np.asarray(np.fmin(scaled, allowable), dtype=np.float64)


def stop_forces_on_the_way_n(
    head: ArrayLike, bend_limit: ArrayLike, *, allowable: float
) -> FloatArray:
    """Force at the head at which to stop a pull, at every place its head comes to.

    The least of what is allowed at the head, in a bend the head is in, and in those it has passed,
    which are taken to bear more than planned by as much as the head does where it is now.

    Parameters
    ----------
    head : array_like, shape (k,)
        Force planned at the head, N, in the order in which it comes to the places.
    bend_limit : array_like, shape (k,)
        Force allowed in the bend there, N; not-a-number where there is none.
    allowable : float
        Force allowed at the head elsewhere, N.

    Returns
    -------
    ndarray of float, shape (k,)
        Force, N.

    Notes
    -----
    Proportion, as there; common practice, no source.
    """
    head, limit = np.asarray(head, dtype=np.float64), np.asarray(bend_limit, dtype=np.float64)
    room = np.full(head.shape, np.inf)  # how many times the planned force the bend there bears
    np.divide(limit, head, out=room, where=(head > 0) & ~np.isnan(limit))
    least, passed = np.minimum.accumulate(room), np.full(head.shape, np.inf)
    np.multiply(head, least, out=passed, where=np.isfinite(least))
    return np.asarray(np.fmin(np.fmin(passed, limit), allowable), dtype=np.float64)


def stretch_m(
    carrier: CarrierLike,
    length_m: ArrayLike,
    mean_force_n: ArrayLike,
    *,
    hours: ArrayLike = DURATION_H,
) -> FloatArray:
    """Lengthening of the string under the pull, which it takes back afterwards.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    length_m : array_like
        Length pulled, m.
    mean_force_n : array_like
        Force averaged along the string, N; half the head force for a straight pull.
    hours : array_like, optional
        Duration, h; 0.01 h to 100 years.

    Returns
    -------
    ndarray of float
        Lengthening, elastic and delayed, m.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    length = check_range("length_m", length_m, 0.0, 1e5, "m")
    force = check_range("mean_force_n", mean_force_n, 0.0, 1e8, "N")
    area = wall_area_m2(carrier.outside_m, carrier.wall_min_m)
    modulus = apparent_modulus_pa(carrier.material, hours)
    return np.asarray(force / (area * modulus) * length, dtype=np.float64)


def recovery_wait_hours(pull_h: ArrayLike) -> FloatArray:
    """Rest before the carrier is tied in: the pull's own duration, and not under `LEAST_REST_H`.

    Parameters
    ----------
    pull_h : array_like
        Duration of the pull, h.

    Returns
    -------
    ndarray of float
        Rest, h.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    pulled = check_range("pull_h", pull_h, 0.0, 1000.0, "h")
    return np.asarray(np.maximum(pulled, LEAST_REST_H), dtype=np.float64)


def thermal_length_change_m(
    material: str | NDArray[np.str_], length_m: ArrayLike, temperature_change_k: ArrayLike
) -> FloatArray:
    """Change of length of an unrestrained carrier, alpha L dT.

    Parameters
    ----------
    material : str or ndarray of str
        Carrier material. All arguments broadcast.
    length_m : array_like
        m.
    temperature_change_k : array_like
        K; -80 to 80, positive for warming.

    Returns
    -------
    ndarray of float
        m, positive for lengthening.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    PE 1.44e-4 per K (8e-5 per F), PVC 5.4e-5 per K; from memory.
    """
    length = check_range("length_m", length_m, 0.0, 1e5, "m")
    step = check_range("temperature_change_k", temperature_change_k, -80.0, 80.0, "K")
    return np.asarray(per_material(material, "thermal_expansion") * length * step)


@dataclass(frozen=True)
class Tails:
    """Carrier beyond the host at both ends of a pull, m; arrays of one shape.

    Attributes
    ----------
    head_m, tail_m : ndarray of float
        At the end that was pulled, and at the one that went in last.
    """

    head_m: FloatArray
    tail_m: FloatArray


def tails_to_leave(stretch: ArrayLike, cooling_change_m: ArrayLike) -> Tails:
    """Extra carrier to leave out of the host at its head and tail, before it is cut and tied in.

    Tension is greatest at the head and nothing at the tail, which lies by itself: the head is
    taken to go back by all of the stretch, and both ends by half of what cooling takes, so that a
    working length of `WORKING_LENGTH_M` is left at each.

    Parameters
    ----------
    stretch : array_like
        Lengthening under the pull that will be taken back, m.
    cooling_change_m : array_like
        Length change from the pull to ground temperature, m; counts where it is a shortening
        (below zero).

    Returns
    -------
    Tails

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    How it is shared between the ends: common practice, no source.
    """
    taken_back, cooling = np.broadcast_arrays(
        check_range("stretch", stretch, 0.0, 1e4, "m"),
        check_range("cooling_change_m", cooling_change_m, -1e4, 1e4, "m"),
    )
    tail = np.maximum(-cooling, 0.0) / 2 + WORKING_LENGTH_M
    return Tails(np.asarray(taken_back + tail), np.asarray(tail))
