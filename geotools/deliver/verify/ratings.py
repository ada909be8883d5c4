"""What a carrier may carry and stand, written again one pipe at a time, to check `pipe` by.

Values of tables (strength, moduli, factors of temperature) are looked up in `pipe`. Pressures Pa,
lengths m, velocities m/s, flows m3/s, durations h, temperatures C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

from geotools.deliver.verify.formulas import Pipe
from geotools.deliver.verify.plan import Plan
from geotools.pipe.factors import DAY, FOOT, GRAVITY, HOUR, INCH, PSI, WATER_DENSITY, YEAR_H
from geotools.pipe.materials import (
    apparent_modulus_pa,
    material_property,
    modulus_temperature_factor,
)
from geotools.pipe.pressure import highest_temperature_c, temperature_factor

__all__ = [
    "CARRIER_C",
    "HEAD_POWER",
    "Rated",
    "allowed_outside",
    "capacity_share",
    "groundwater",
    "head_loss",
    "pressure_share",
    "rated_in",
    "stands_fresh_grout",
    "test_limit",
    "velocity",
]

CARRIER_C = 150.0  # Hazen-Williams C of a plastic carrier
HEAD_POWER, BORE_POWER = 1.852, 4.8704  # Hazen and Williams
LARGE_BORE = 24.0 * INCH
ENOUGH = 2.0 * INCH  # clearance of a large bore, share_or_total
CLASS_STEP = 5.0 * PSI  # of the classes printed for PVC
STANDS_H = 50.0 * YEAR_H
SHORTEST_H = 0.01  # that moduli are known for; the longest are 100 years
COLD_C, WARM_C = -20.0, 60.0  # that they are known between


@dataclass(frozen=True)
class Rated:
    """What a pipe may carry and stand under the settings of a plan, Pa.

    Attributes
    ----------
    working, recurring, occasional : float
        Limits of the working pressure, and of that with each of the surges.
    often, seldom : float
        The surges of the settings.
    surge : float
        Surge of a flow of 1 m/s stopped, Pa s/m.
    stands : float
        Outside pressure the empty pipe stands.
    test : float
        Highest test pressure.
    """

    working: float
    recurring: float
    occasional: float
    often: float
    seldom: float
    surge: float
    stands: float
    test: float


def _class(pipe: Pipe) -> float:
    """Pressure class 2 HDS/(DR - 1), of PVC cut to whole 5 psi, Pa."""
    exact = 2.0 * material_property(pipe.material, "hds") / (pipe.dr - 1.0)
    if pipe.material != "PVC":
        return exact
    return math.floor(exact / CLASS_STEP + 1e-9) * CLASS_STEP


def _surge(pipe: Pipe, change: float) -> float:
    """Rise of pressure rho a dV, a = 4660/sqrt(1 + (K/E)(DR - 2)) ft/s, Pa."""
    softness = 300_000.0 * PSI / material_property(pipe.material, "surge_modulus")
    speed = 4660.0 * FOOT / math.sqrt(1.0 + softness * (pipe.dr - 2.0))
    return WATER_DENSITY * speed * change


def _fatigue(pipe: Pipe, cycles: float) -> float:
    """Peak pressure of PVC so many times: N = 5.05 10^21 S^-4.906, S = P (DR - 1)/2 in psi; Pa."""
    stress = math.pow(5.05e21 / cycles, 1.0 / 4.906) * PSI
    return 2.0 * stress / (pipe.dr - 1.0)


def _stands(
    pipe: Pipe, ovality: float, safety: float, grout: float, hours: float = STANDS_H
) -> float:
    """Collapse of a ring: (f0/N) 2 E/(1 - nu^2) (1/(DR - 1))^3, f0 by its ovality; Pa."""
    stiff = float(apparent_modulus_pa(pipe.material, hours))
    nu = material_property(pipe.material, "poisson_short" if hours <= 1 else "poisson_long")
    round_ = math.pow((1.0 - ovality) / (1.0 + ovality) ** 2, 3)
    ring = 2.0 * stiff / (1.0 - nu**2) / (pipe.dr - 1.0) ** 3
    return round_ / max(safety, 1.0) * ring * (grout if pipe.plastic else 1.0)


@cache
def _warm(material: str, celsius: float) -> float:
    """Share of the pressure class left in warm water; none beyond what the class is known for."""
    most = highest_temperature_c(material)
    if celsius > most * (1 + 1e-9):
        return 0.0
    return float(temperature_factor(material, min(celsius, most)))


def _soft(pipe: Pipe, celsius: float) -> float:
    """Share of the modulus left in warm water; cold adds none."""
    # beyond what the class is known for no class is left, which another rule asks
    warmest = min(celsius, highest_temperature_c(pipe.material))
    return min(float(modulus_temperature_factor(pipe.material, warmest)), 1.0)


def stands_fresh_grout(plan: Plan, pipe: Pipe) -> float:
    """Pressure from outside, over that inside, the pipe stands until grout sets, Pa."""
    hours = min(max(plan.setting("pulls.grout_cure") / HOUR, SHORTEST_H), 2 * STANDS_H)
    celsius = max(
        plan.setting("pulls.ground_temperature"), plan.setting("service.water_temperature")
    )
    soft = float(modulus_temperature_factor(pipe.material, min(max(celsius, COLD_C), WARM_C)))
    oval, safety = (plan.setting(f"service.{name}") for name in ("ovality", "collapse_safety"))
    return min(soft, 1.0) * _stands(pipe, oval, safety, 1.0, hours)


def rated_in(plan: Plan, pipe: Pipe) -> Rated:
    """Return what a pipe may carry and stand under the settings."""
    known: dict[str, Rated] = plan.once("pipes rated", dict)
    if pipe.name not in known:
        known[pipe.name] = _rated(plan, pipe)
    return known[pipe.name]


def _rated(plan: Plan, pipe: Pipe) -> Rated:
    def told(name: str) -> Any:
        return plan.setting(f"service.{name}")

    limit = _class(pipe) * _warm(pipe.material, told("water_temperature"))
    often = _surge(pipe, told("recurring_velocity"))
    recurring = limit * material_property(pipe.material, "recurring_times")
    cycles = told("surges_per_day") * told("life") / DAY * told("fatigue_safety")
    if cycles >= 1.0 and often > 0 and not pipe.plastic:
        recurring = min(recurring, _fatigue(pipe, cycles))
    grout = told("grout_factor") if plan.setting("pulls.grouted") else 1.0
    return Rated(
        working=limit,
        recurring=recurring,
        occasional=limit * material_property(pipe.material, "occasional_times"),
        often=often,
        seldom=_surge(pipe, told("occasional_velocity")),
        surge=_surge(pipe, 1.0),
        stands=_soft(pipe, told("water_temperature"))
        * _stands(pipe, told("ovality"), told("collapse_safety"), grout),
        test=limit * material_property(pipe.material, "test_times"),
    )


def test_limit(plan: Plan, pipe: Pipe) -> float:
    """Return the highest test pressure of a pipe at the low point, Pa."""
    return rated_in(plan, pipe).test


def pressure_share(rated: Rated, working: float, flowing: float) -> float:
    """Return the greatest of working pressure, alone and with surges, over its limit.

    ``flowing`` is the velocity that may be stopped at once, m/s, where the setting is less.
    """
    if not rated.working > 0:
        return math.inf
    return max(
        working / rated.working,
        (working + rated.often) / rated.recurring,
        (working + max(rated.seldom, rated.surge * flowing)) / rated.occasional,
    )


def groundwater(head: float) -> float:
    """Pressure of groundwater standing so high, Pa."""
    return WATER_DENSITY * GRAVITY * head


def allowed_outside(plan: Plan, bore: float) -> float:
    """Return the largest outside diameter at the joints that a host of such a bore takes, m."""
    if plan.setting("carrier.fit_rule") == "radial_gap":
        return bore - 2.0 * float(plan.setting("carrier.clearance_gap"))
    room = bore * float(plan.setting("carrier.clearance_share"))
    if plan.setting("carrier.fit_rule") == "share_or_total" and bore > LARGE_BORE:
        room = min(room, ENOUGH)
    return bore - room


def velocity(flow: float, bore: float) -> float:
    """Mean velocity in a full bore, m/s."""
    return 4.0 * flow / (math.pi * bore * bore)


def head_loss(flow: float, bore: float, length: float) -> float:
    """Head lost in a plastic carrier, 10.67 L Q^1.852/(C^1.852 d^4.8704), m."""
    slope = math.pow(flow / CARRIER_C, HEAD_POWER) / math.pow(bore, BORE_POWER)
    return 10.67 * length * slope


def capacity_share(one: float, two: float) -> float:
    """Return how much more a bore carries than another at equal gradient and C: (d1/d2)^2.63."""
    return math.pow(one / two, BORE_POWER / HEAD_POWER)
