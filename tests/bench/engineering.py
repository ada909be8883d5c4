"""Measuring the engineering: all runs and stations at once against a plain loop over each.

The loops are written as one would without arrays: numbers of the pipes looked up once, then
`math` alone. They must agree with what the program says of the same runs and stations.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from geotools.brief import Brief
from geotools.network.ragged import FloatArray
from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import CarrierColumns, as_columns, contenders
from geotools.pipe.choice import Criteria, RunColumns, choose
from geotools.pipe.external import collapse_pressure_pa
from geotools.pipe.factors import GRAVITY, WATER_DENSITY
from geotools.pipe.pits import deepest_drop_m, insertion_length_m
from geotools.pipe.pressure import pressure_class_pa, surge_pressure_pa, temperature_factor
from geotools.pipe.pulling import head_force_n, weight_n_per_m
from geotools.siting.carrier import choice_limits
from tests.bench.measure import call, in_turn
from tests.bench.results import Section

__all__ = ["measure_engineering"]

CARRIERS, PULL = 30, 100  # pipes; stations of a pull
STEP, FRICTION, WARM = 10.0, 0.5, 15.0  # m, -, degrees C


@dataclass(frozen=True)
class Case:
    """A calculation: of so many stations or runs at once, and of a sample one at a time.

    ``all`` and ``loop`` take a count and return an array of pipes or runs by places; what they
    say of the sample is compared.
    """

    name: str
    all: Callable[[int], FloatArray]
    loop: Callable[[int], list[list[float]]]


def measure_engineering(size: int, sample: int) -> Section:
    """Measure choice, pits and pulls for ``size`` runs or stations and 30 carriers."""
    pipes = _pipes()
    rows = []
    for case in (_choice(pipes, size), *_pits(pipes, size), _pulls(pipes, size)):
        rows.append(_measured(case, len(pipes), size, sample))
        print(rows[-1], flush=True)
    return Section(
        "Engineering of all runs and stations at once against a plain loop",
        f"python -m tests.bench engineering --sizes {size} {sample}",
        ["calculation", "places x carriers", "rounds", "CPU s", "loop's places x carriers",
         "loop CPU s", "ns each", "loop ns each", "loop / ours, each"],
        rows,
        [
            f"{len(pipes)} carriers; choice: fit, pressure with surge, collapse and flow of runs; "
            "pits: both forms at stations; pulls: force at every station along pulls of "
            f"{PULL} stations, {STEP:g} m apart",
            "loop: numbers of the pipes looked up beforehand, then `math`, one place and one "
            "carrier at a time; both agree to 1e-9 on the sample (the run fails otherwise)",
        ],
    )  # fmt: skip


def _measured(case: Case, carriers: int, size: int, sample: int) -> list[str]:
    """Compare the two on the sample, then measure both in turn."""
    np.testing.assert_allclose(
        case.all(size)[:, :sample], np.array(case.loop(sample)), rtol=1e-9, atol=0
    )
    tasks = {
        "ours": partial(call, partial(case.all, size)),
        "loop": partial(call, partial(case.loop, sample)),
    }
    found, rounds = in_turn(tasks)
    ours = found["ours"].cpu / (size * carriers)
    loop = found["loop"].cpu / (sample * carriers)
    return [
        case.name,
        f"{size:,} x {carriers}",
        str(rounds),
        f"{found['ours'].cpu:.3f}",
        f"{sample:,} x {carriers}",
        f"{found['loop'].cpu:.3f}",
        f"{ours * 1e9:.0f}",
        f"{loop * 1e9:.0f}",
        f"{loop / ours:.1f}",
    ]


def _pipes() -> CarrierColumns:
    """Return pipes of 350 to 600 mm in every material, evenly out of the catalogue."""
    near = [pipe for pipe in contenders() if 0.35 <= pipe.outside_m <= 0.6]
    return as_columns([near[k] for k in np.linspace(0, len(near) - 1, CARRIERS).astype(int)])


# Choice ----------------------------------------------------------------------------------


def _choice(pipes: CarrierColumns, size: int) -> Case:
    draw = np.random.default_rng(1).uniform
    bore = draw(0.35, 0.65, size)
    runs = {
        "host_low_m": bore - 0.01,
        "host_centre_m": bore,
        "host_c": draw(60.0, 120.0, size),
        "working_pa": draw(4e5, 12e5, size),
        "groundwater_head_m": draw(0.0, 8.0, size),
        "design_flow_m3_per_s": np.where(draw(size=size) < 0.5, draw(0.01, 0.6, size), np.nan),
    }

    limits = choice_limits(Brief())

    def at_once(count: int) -> FloatArray:
        columns = {name: column[:count] for name, column in runs.items()}
        verdict = choose(RunColumns(**columns, temperature_c=WARM), pipes, limits=limits)
        return np.asarray(verdict.suits.T, dtype=float)

    def loop(count: int) -> list[list[float]]:
        facts = [_facts(pipes, row, limits) for row in range(len(pipes))]
        rows = list(zip(*(column[:count].tolist() for column in runs.values()), strict=True))
        return [[_suits(fact, limits, *row) for row in rows] for fact in facts]

    return Case("choice of carriers", at_once, loop)


@dataclass(frozen=True)
class _Fact:
    """What a loop over runs needs of a pipe: sizes m, pressures Pa."""

    outside: float
    bore: float
    limit: float
    surge: float
    seldom: float
    stands: float


def _facts(pipes: CarrierColumns, row: int, limits: Criteria) -> _Fact:
    material, dr = str(pipes.material[row]), float(pipes.dr[row])
    rated = pressure_class_pa(material, dr) * temperature_factor(material, WARM)
    surge = surge_pressure_pa(material, dr, limits.occasional_velocity_m_per_s)
    times = {"PVC": 1.6, "PVC-U": 1.0}.get(material, 2.0)
    stands = collapse_pressure_pa(material, dr)
    return _Fact(
        outside=float(pipes.outside_m[row]),
        bore=float(pipes.bore_m[row]),
        limit=float(rated),
        surge=float(surge),
        seldom=float(rated) * times,
        stands=float(stands),
    )


def _suits(
    pipe: _Fact,
    limits: Criteria,
    low: float,
    centre: float,
    host_c: float,
    working: float,
    water: float,
    flow: float,
) -> float:
    """Hold one pipe against one run."""
    if low - pipe.outside < limits.clearance_share * low:
        return 0.0
    if working > pipe.limit or working + pipe.surge > pipe.seldom:
        return 0.0
    if pipe.stands < WATER_DENSITY * GRAVITY * water:
        return 0.0
    if math.isnan(flow):
        ratio = limits.carrier_c / host_c * (pipe.bore / centre) ** 2.63
        return float(ratio >= limits.least_capacity_ratio)
    if flow / (math.pi / 4.0 * pipe.bore**2) > limits.highest_velocity_m_per_s:
        return 0.0
    lost = 10.67 * flow**1.852 / (limits.carrier_c**1.852 * pipe.bore**4.8704)
    return float(lost <= limits.highest_gradient)


# Pits ------------------------------------------------------------------------------------


def _pits(pipes: CarrierColumns, size: int) -> list[Case]:
    radius = least_radius_m(pipes.material, pipes.dr, pipes.outside_m, temperature_c=WARM)
    drop = np.random.default_rng(2).uniform(1.0, 5.0, size)
    return [_pit(form, radius, drop) for form in ("level", "lifted")]


def _pit(form: str, radius: FloatArray, drop: FloatArray) -> Case:
    if drop.max() > deepest_drop_m(radius, form=form).min():
        raise ValueError("a drop is deeper than the radius reaches")
    reach = 4.0 if form == "level" else 2.0

    def at_once(count: int) -> FloatArray:
        return insertion_length_m(drop[:count], radius[:, np.newaxis], form=form)

    def loop(count: int) -> list[list[float]]:
        some = drop[:count].tolist()
        return [[math.sqrt(h * (reach * r - h)) for h in some] for r in radius.tolist()]

    return Case(f"pit length, {form}", at_once, loop)


# Pulls -----------------------------------------------------------------------------------


def _pulls(pipes: CarrierColumns, size: int) -> Case:
    draw = np.random.default_rng(3)
    grade = draw.uniform(-0.05, 0.05, size)
    turn = np.where(draw.random(size) < 0.05, draw.uniform(0.0, 0.2, size), 0.0)
    weight = weight_n_per_m(pipes)

    def at_once(count: int) -> FloatArray:
        paths = (column[:count].reshape(-1, PULL) for column in (grade, turn))
        force = head_force_n(
            STEP, *paths, weight=weight[:, np.newaxis, np.newaxis], friction=FRICTION
        )
        return force.reshape(len(weight), count)

    def loop(count: int) -> list[list[float]]:
        path = list(zip(grade[:count].tolist(), turn[:count].tolist(), strict=True))
        return [_forces(path, w) for w in weight.tolist()]

    return Case("pull force", at_once, loop)


def _forces(path: list[tuple[float, float]], weight: float) -> list[float]:
    """March along pulls of `PULL` stations each, from the tail of every one to its head."""
    forces = []
    force = 0.0
    for place, (grade, turn) in enumerate(path):
        if place % PULL == 0:
            force = 0.0
        load = STEP * weight * (FRICTION * math.cos(grade) + math.sin(grade))
        force = (force + max(load, 0.0)) * math.exp(FRICTION * turn)
        forces.append(force)
    return forces
