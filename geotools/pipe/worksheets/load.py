"""What presses on the carrier from outside: groundwater, and grout in the annulus."""

from __future__ import annotations

from numpy.typing import ArrayLike

from geotools.pipe import external
from geotools.pipe.catalogue import Carrier
from geotools.pipe.defaults import COLLAPSE_SAFETY, OVALITY
from geotools.pipe.factors import ATMOSPHERE, GRAVITY, WATER_DENSITY
from geotools.pipe.grout import grout_lift_count
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.ranges import FloatArray, check_range, within
from geotools.pipe.worksheets._parts import (
    PLANNING,
    Entry,
    Limit,
    Step,
    Worksheet,
    entry,
    pipe_entries,
    step,
    verdict,
)

__all__ = ["collapse_sheet", "grout_sheet"]

_PORT = "least of Pa + rho w g zw - rho g z and P cap"
_LIGHT = "least of Pa + rho w g (zw - m) - rho g (z - m), m the lesser of z and zw, and P cap"
_HEAD = (
    "the carrier stands the grout up to the port: P port is more than 0",
    "the carrier does not stand the grout up to the port: nothing is left for P port",
)
_GROUT = "Watch the grout's pressure at the lowest point; fill the carrier against collapse."
_VACUUM = "Vacuum inside adds to the pressure outside."
_ENCASED = "grouted PE up to fivefold: older PPI sliplining table, from memory"
_COLLAPSE = "PPI Handbook ch. 6, ASTM F1962; from memory"


def collapse_sheet(
    *,
    pipe: Carrier,
    groundwater_head_m: float,
    hours: float,
    ovality: float,
    safety: float,
    grout_factor: float,
    vacuum_pa: float,
    temperature_c: float,
) -> Worksheet:
    """Work out whether an empty carrier stands the groundwater, and a vacuum inside if any.

    Parameters
    ----------
    pipe : Carrier
    groundwater_head_m : float
        Water table above the invert, m.
    hours, ovality, safety, grout_factor, temperature_c : float
        As for `external.collapse_pressure_pa`.
    vacuum_pa : float
        Pressure inside, below the atmosphere's, Pa; to one atmosphere.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    stands = external.collapse_pressure_pa(
        pipe.material,
        pipe.dr,
        hours=hours,
        ovality=ovality,
        safety=safety,
        grout_factor=grout_factor,
        temperature_c=temperature_c,
    )
    sucks = check_range("vacuum_pa", vacuum_pa, 0.0, ATMOSPHERE, "Pa")
    acts = external.groundwater_pressure_pa(groundwater_head_m) + sucks
    passes = bool(within(acts, stands))
    return Worksheet(
        title="Collapse of the empty carrier",
        inputs=(
            *pipe_entries(pipe),
            entry("Hw", groundwater_head_m, "length", "water table above the invert"),
            *_load_entries(hours, ovality, safety, grout_factor),
            entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
            entry("Pv", vacuum_pa, "pressure", "vacuum inside, below the atmosphere's"),
        ),
        steps=(
            *_ring_steps(pipe, hours, temperature_c, ovality, stands / grout_factor),
            step("Pa", "G P bare", stands, "pressure", _ENCASED),
            step("P", "rho g Hw + Pv", acts, "pressure", "statics"),
        ),
        results=_collapse_results(stands, acts, passes, _held_against(vacuum_pa, grout_factor)),
        passes=passes,
        cautions=(*(() if vacuum_pa > 0.0 else (_VACUUM,)), PLANNING),
    )


def _held_against(vacuum_pa: float, grout_factor: float) -> str:
    presses = "groundwater and vacuum" if vacuum_pa > 0.0 else "groundwater"
    grouted = "without grout" if grout_factor == 1.0 else "grouted all round without a gap"
    return f"{presses} against the pressure allowed, {grouted}"


def _load_entries(
    hours: float, ovality: float, safety: float, grout_factor: float
) -> tuple[Entry, ...]:
    return (
        entry("hours", hours, "hours", "duration of the load"),
        entry("q", ovality, "share", "ovality"),
        entry("N", safety, "number", "safety factor"),
        entry("G", grout_factor, "number", "factor for grout all round, 1 without"),
    )


def _ring_steps(
    pipe: Carrier, hours: float, temperature_c: float, ovality: float, bare: ArrayLike
) -> tuple[Step, ...]:
    """Return the steps to the pressure, Pa, that the pipe stands without grout."""
    known = "PPI Handbook ch. 3" if is_polyethylene(pipe.material) else "from memory"
    stiff = external.warm_modulus_pa(pipe.material, hours, temperature_c)
    nu = external.poisson_ratio(pipe.material, hours)
    oval = external.ovality_factor(ovality)
    return (
        step("f0", "((1 - q)/(1 + q)^2)^3", oval, "number", "ASTM F1216"),
        step("E", "modulus at that duration, softened above 23 C", stiff, "stress", known),
        step("nu", "Poisson's ratio at that duration", nu, "number", known),
        step("P bare", "(f0/N) 2 E/(1 - nu^2) (1/(DR - 1))^3", bare, "pressure", _COLLAPSE),
    )


def _collapse_results(
    stands: FloatArray, acts: FloatArray, passes: bool, against: str
) -> tuple[Entry, ...]:
    return (
        entry("Pa", stands, "pressure", "pressure allowed from outside"),
        entry("P", acts, "pressure", "pressure of groundwater and vacuum"),
        entry("Pa/(rho g)", stands / (WATER_DENSITY * GRAVITY), "head", "Pa as a head of water"),
        verdict(Limit(passes, against)),
    )


def grout_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    length_m: float,
    port_above_low_point_m: float,
    inside_head_m: float,
    cure_hours: float,
    grout_density: float,
    cap_pa: float,
    condition: str,
    temperature_c: float,
) -> Worksheet:
    """Work out grouting the annulus: volume, pressure, uplift, lifts.

    Parameters
    ----------
    pipe : Carrier
    host_bore_m, length_m : float
        High bore of the host, and length grouted, m.
    port_above_low_point_m, inside_head_m, cure_hours, grout_density, cap_pa, temperature_c : float
        As for `external.grout_injection_limit_pa`.
    condition : {"empty", "filled"}
        Air or water inside the carrier.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    volume = external.annulus_volume_m3(host_bore_m, pipe.outside_m, length_m)
    limit = external.grout_injection_limit_pa(
        pipe.material,
        pipe.dr,
        cure_hours=cure_hours,
        port_above_low_point_m=port_above_low_point_m,
        inside_head_m=inside_head_m,
        grout_density=grout_density,
        cap_pa=cap_pa,
        temperature_c=temperature_c,
    )
    stands = _stands_fresh(pipe, cure_hours, temperature_c)
    up = external.grout_uplift_n_per_m(pipe, grout_density=grout_density, condition=condition)
    rise = port_above_low_point_m
    lifts = grout_lift_count(pipe, rise_m=rise, grout_density=grout_density, condition=condition)
    return Worksheet(
        title="Grouting the annulus",
        inputs=(
            *pipe_entries(pipe),
            entry("ID", host_bore_m, "size", "bore of the host"),
            entry("L", length_m, "length", "length grouted"),
            *_level_entries(rise, inside_head_m),
            *_fill_entries(grout_density, cap_pa, cure_hours, temperature_c, condition),
        ),
        steps=_grout_steps(grout_density < WATER_DENSITY, stands, volume, limit, up),
        results=_grout_results(volume, limit, up, lifts),
        passes=bool(limit > 0.0),
        cautions=(_GROUT, PLANNING),
    )


def _level_entries(port_above_low_point_m: float, inside_head_m: float) -> tuple[Entry, ...]:
    """Return how far the port and the water inside are above the lowest point."""
    return (
        entry("z", port_above_low_point_m, "length", "port above the lowest point"),
        entry("zw", inside_head_m, "head", "head of water inside, at the lowest point"),
    )


def _stands_fresh(pipe: Carrier, cure_hours: float, temperature_c: float) -> FloatArray:
    """Return the collapse pressure while the grout presses, Pa."""
    return external.collapse_pressure_pa(
        pipe.material, pipe.dr, hours=cure_hours, temperature_c=temperature_c
    )


def _fill_entries(
    grout_density: float, cap_pa: float, cure_hours: float, temperature_c: float, condition: str
) -> tuple[Entry, ...]:
    return (
        entry("rho", grout_density, "density", "density of the grout"),
        entry("P cap", cap_pa, "pressure", "highest pressure the specification lets a port have"),
        entry("cure", cure_hours, "hours", "time the grout presses"),
        entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
        entry("inside", condition, "word", "carrier empty or filled"),
    )


def _curing() -> str:
    """Return the formula of what the carrier stands, with the defaults it is worked with."""
    return (
        "(f0/N) 2 E/(1 - nu^2) (1/(DR - 1))^3, E at cure time and T, "
        f"{OVALITY * 100:g} % oval, N {COLLAPSE_SAFETY:g}"
    )


def _grout_steps(
    light: bool, stands: ArrayLike, volume: ArrayLike, limit: ArrayLike, up: ArrayLike
) -> tuple[Step, ...]:
    return (
        step("V", "pi/4 (ID^2 - OD^2) L", volume, "volume", "geometry"),
        step("Pa", _curing(), stands, "pressure", _COLLAPSE),
        step("P port", _LIGHT if light else _PORT, limit, "pressure", "practice"),
        step("uplift", "g (rho pi/4 OD^2 - pipe - water)", up, "line_load", "buoyancy"),
    )


def _grout_results(
    volume: ArrayLike, limit: FloatArray, up: ArrayLike, lifts: ArrayLike
) -> tuple[Entry, ...]:
    return (
        entry("V", volume, "volume", "grout, without loss"),
        entry("P port", limit, "pressure", "most pressure at the port"),
        entry("uplift", up, "line_load", "to hold down if grouted at once"),
        entry(
            "lifts",
            lifts,
            "number",
            "level lifts up to the port that do not float the carrier",
        ),
        verdict(Limit(bool(limit > 0.0), *_HEAD)),
    )
