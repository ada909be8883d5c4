"""Formulas of the trade written again, one number at a time, to check those of `pipe` by.

Values of tables (strength, moduli, factors of temperature, ratios of radius) are looked up in
`pipe`, for there is one table of each; what is done with them is written out here. Lengths m,
forces N, stresses Pa, angles rad, durations h, temperatures C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from geotools.pipe.bending import least_radius_m
from geotools.pipe.factors import FOOT, GRAVITY, MPH, PSI, WATER_DENSITY
from geotools.pipe.materials import (
    apparent_modulus_pa,
    material_property,
    modulus_temperature_factor,
    tension_temperature_factor,
)
from geotools.pipe.pits import SLOPE_OVER_M

__all__ = [
    "DOWNSTREAM_TAPER",
    "ONE_LANE_TAPER",
    "Pipe",
    "Slopes",
    "bend_tension",
    "buffer",
    "least_radius",
    "merging_taper",
    "metric_wall",
    "passing_radius",
    "pieces",
    "ramp_drop",
    "ramp_ground",
    "ramp_least",
    "shared_out",
    "tension",
    "weight",
]

WARM_C = 20.0  # least bending radii hold from here up
PIECE_SLACK = 1e-6  # share of a pipe: a cut this short is rounding
ISO_SERIES = {7.4: 5, 9.0: 6, 11.0: 7, 13.6: 8, 17.0: 9, 21.0: 10, 26.0: 11, 33.0: 12, 41.0: 13}
RAMP_SPARE = 10.0  # m
ONE_LANE_TAPER = 100 * FOOT  # MUTCD table 6B-3, the longest
DOWNSTREAM_TAPER = 50 * FOOT
SIGHT = ((20, 115), (25, 155), (30, 200), (35, 250), (40, 305), (45, 360),
         (50, 425), (55, 495), (60, 570), (65, 645), (70, 730), (75, 820))  # fmt: skip


@cache
def _property(material: str, name: str) -> float:
    return float(material_property(material, name))


@dataclass(frozen=True)
class Pipe:
    """A carrier: its name, material, dimension ratio, outside diameter and walls, m."""

    name: str
    material: str
    dr: float
    outside: float
    wall: float

    @property
    def average(self) -> float:
        """Average wall, m: weight and bore."""
        return self.wall * _property(self.material, "wall_average_factor")

    @property
    def bore(self) -> float:
        """Average inside diameter, m."""
        return self.outside - 2.0 * self.average

    @property
    def mass(self) -> float:
        """Mass, kg/m."""
        area = math.pi * (self.outside - self.average) * self.average
        return area * _property(self.material, "density")

    @property
    def plastic(self) -> bool:
        """Whether it is polyethylene."""
        return self.material.startswith("PE")


def metric_wall(outside: float, sdr: float) -> float:
    """ISO 4065: e = dn/(2 S + 1), S = 10^(k/10), up to the next 0.1 mm (0.005 mm let go)."""
    series = math.pow(10.0, ISO_SERIES[sdr] / 10.0)
    return math.ceil((outside * 1e3 / (2.0 * series + 1.0) - 0.005) * 10.0) / 1e4


def weight(pipe: Pipe, *, filled: bool, flooded: bool) -> float:
    """Weight on the bottom of the host, N/m; below zero where it floats."""
    mass = pipe.mass
    if filled:
        mass += WATER_DENSITY * math.pi / 4.0 * pipe.bore**2
    if flooded:
        mass -= WATER_DENSITY * math.pi / 4.0 * pipe.outside**2
    return GRAVITY * mass


@cache
def _stress(pipe: Pipe, hours: float, warm: float) -> float:
    """ASTM F1804: fY fT T fY-share for PE; strength over safety for PVC, at its temperature."""
    if pipe.plastic:
        basis = _property(pipe.material, "tensile_yield")
        basis *= _property(pipe.material, "pull_yield_share")
        basis *= 1.0 if hours <= 1.0 else 0.95 if hours <= 12.0 else 0.91
    else:
        basis = _property(pipe.material, "tensile_strength")
        basis /= _property(pipe.material, "pull_safety_factor")
    return basis * float(tension_temperature_factor(pipe.material, warm))


def _section(pipe: Pipe) -> float:
    return math.pi * (pipe.outside - pipe.wall) * pipe.wall


def tension(pipe: Pipe, *, hours: float, warm: float) -> float:
    """Tension allowed in the straight pipe, N."""
    return _stress(pipe, hours, warm) * _section(pipe)


def bend_tension(pipe: Pipe, radius: float, *, hours: float, warm: float) -> float:
    """Tension allowed in the pipe bent to a radius: (sigma - E OD/(2 R)) A, not below 0, N.

    E is that after the duration, after 12 h no lower, stiffer in the cold and not softer in the
    warm.
    """
    modulus = 400_000.0 * PSI
    if pipe.plastic:
        modulus = float(apparent_modulus_pa(pipe.material, min(max(hours, 0.01), 12.0)))
    modulus *= max(float(modulus_temperature_factor(pipe.material, warm)), 1.0)
    left = _stress(pipe, hours, warm) - modulus * pipe.outside / (2.0 * radius)
    return max(left, 0.0) * _section(pipe)


@cache
def least_radius(pipe: Pipe, *, warm: float) -> float:
    """Least radius while it is pulled, m: the table's ratio times OD, wider in the cold."""
    ratio = float(least_radius_m(pipe.material, pipe.dr, 1.0, temperature_c=WARM_C))
    cold = min(max((WARM_C - warm) / WARM_C, 0.0), 1.0)
    return ratio * pipe.outside * (1.0 + cold * ((2.5 if pipe.plastic else 1.2) - 1.0))


def passing_radius(turn: float, gap: float, axis: float) -> float:
    """Largest carrier radius that passes a bend: mitre c/(1 - cos(t/2)), or the bend's arc, m."""
    if gap < 0.0:
        return 0.0
    versine = 1.0 - math.cos(turn / 2.0)
    if versine <= 0.0:
        return math.inf
    return max(gap / versine, axis + 0.5 * gap * (1.0 + math.cos(turn / 2.0)) / versine)


@dataclass(frozen=True)
class Slopes:
    """Rises of host and resting string, back along a ramp, m/m."""

    host: float
    rest: float


def ramp_drop(length: float, radius: float, slopes: Slopes, form: str) -> float:
    """Drop of a ramp of two opposed arcs, or of one, between a host and a string that slope, m.

    L = R (2 sin c - sin a - sin b), H = R (cos a + cos b - 2 cos c); of one arc, where the tail is
    lifted to its slope or the ground behind is steeper, L = R (sin c - sin a).
    """
    host, rest = math.atan(slopes.host), math.atan(slopes.rest)
    lifted = math.sin(host) + length / radius
    if form == "lifted" or math.sin(rest) >= lifted:
        return radius * (math.cos(host) - math.sqrt(1.0 - min(lifted, 1.0) ** 2))
    steepest = min((math.sin(rest) + lifted) / 2.0, 1.0)
    return radius * (math.cos(host) + math.cos(rest) - 2.0 * math.sqrt(1.0 - steepest**2))


def ramp_least(radius: float, slopes: Slopes, form: str) -> float:
    """Length a pipe takes to turn from the host's slope down to the string's, m; no ramp is less.

    dx = R cos t dt for an arc at the angle t, so R (sin a - sin b) from a to b; a lifted tail does
    not turn down.
    """
    if form == "lifted":
        return 0.0
    return radius * max(math.sin(math.atan(slopes.host)) - math.sin(math.atan(slopes.rest)), 0.0)


def ramp_ground(drop: float, ramp: float, radius: float, *, form: str, working: float) -> float:
    """How far back from the room at its face the ground of a ramp is looked up, m.

    Twice the ramp of the drop on level ground, L = n R sin c with n R (1 - cos c) = H, n arcs, and
    10 m, or n R if that is less; half of it is no less than the room of half a hole. Doubled until
    the ramp there is lies on it, up to four radii: none is longer. The slope behind comes on top.
    """
    deepest = (1 if form == "lifted" else 2) * radius
    flat = deepest * math.sin(math.acos(1.0 - drop / deepest)) if 0.0 < drop <= deepest else 0.0
    back = min(2.0 * flat + RAMP_SPARE, deepest) + SLOPE_OVER_M
    back += max(working - back / 2.0, 0.0)
    longest = 4.0 * radius + SLOPE_OVER_M
    while back < min(ramp + SLOPE_OVER_M, longest):
        back = min(2.0 * back, longest)
    return back


def pieces(length: float, piece: float) -> int:
    """Pipes a length is made of."""
    return math.ceil(length / piece - PIECE_SLACK)


def shared_out(count: int, parts: int) -> list[int]:
    """Share pipes out evenly, the first strings getting those left over."""
    return [count // parts + (k < count % parts) for k in range(parts)]


def merging_taper(width: float, speed: float) -> float:
    """MUTCD table 6B-4: L = W S^2/60 to 40 mph, W S from 45 mph (ft and mph); m."""
    feet, mph = width / FOOT, speed / MPH
    return FOOT * (feet * mph**2 / 60.0 if mph <= 40.0 + 1e-9 else feet * max(mph, 45.0))


def buffer(speed: float) -> float:
    """MUTCD table 6B-2, the next row; above 75 mph the formula it is made by, in rows of 5; m."""
    mph = speed / MPH
    if not math.isfinite(mph):
        return math.nan
    for row, feet in SIGHT:
        if row >= mph - 1e-9:
            return FOOT * feet
    faster = 5 * math.ceil(mph / 5 - 1e-9)
    return FOOT * 5 * math.ceil((1.47 * 2.5 * faster + 1.075 * faster**2 / 11.2) / 5 - 1e-9)
