"""The force at the head of a pull against what pipe and machine may be given."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe import bending, pulling
from geotools.pipe.catalogue import Carrier
from geotools.pipe.materials import is_polyethylene, material_property
from geotools.pipe.ranges import check_range, within
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
from geotools.pipe.worksheets.clearance import least_radius_step

__all__ = ["pull_sheet"]

_RUNS_AHEAD = (
    "Downhill the string runs ahead by itself where friction is low: hold it back from the "
    "insertion pit."
)
_TENSION = (
    "Keep clear of a line under tension, and out of both pits; stop the pull when the force leaves "
    "its plan. Have what the machine bears on designed for its force. Slack the winch from "
    "outside, let nobody in until the tension is off and the string has rested, then hold both "
    "ends, then cut."
)


def pull_sheet(
    *,
    pipe: Carrier,
    lengths_m: Sequence[float],
    grades_rad: Sequence[float] | float,
    deflections_rad: Sequence[float] | float,
    host: str,
    condition: str,
    surface: str,
    tail_length_m: float,
    hours: float,
    temperature_c: float,
    wanted_share: float,
    machine_share: float,
    friction: float | None = None,
    bend_radius_m: float = math.inf,
    machine_n: float = math.inf,
) -> Worksheet:
    """Work out the force at the head of a pull, at low, central and high friction.

    Parameters
    ----------
    pipe, host, condition, surface, hours, temperature_c
        As for the formulas of `pulling`.
    lengths_m, grades_rad, deflections_rad : sequence of float
        Stretches from the tail to the head, m, their slope and the turn at their end, rad.
    tail_length_m, wanted_share, machine_share : float
        String on rollers behind the pit, m; shares of the allowable tension and of the machine's
        rating not to be exceeded.
    friction, bend_radius_m, machine_n : float, optional
        Friction, by default the middle of the surface's band; radius the carrier is bent to, m,
        and rated pull, N, if there are a bend and a machine.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    weight, tail, pulled = _pulled(pipe, condition, host, tail_length_m)
    path = np.asarray(lengths_m, dtype=float), grades_rad, deflections_rad
    forces = _force_steps(path, weight, tail, surface, friction)
    way = _way_steps(pipe, path, weight, tail, _planned(surface, friction), forces[1].value)
    strength = _strength_steps(pipe, hours, temperature_c, bend_radius_m)
    limits = _limit_steps(strength[-1].value, wanted_share, machine_n, machine_share)
    bend = _bend_steps(pipe, bend_radius_m, temperature_c)
    most = (*way, forces[1])[0].value
    passes, results = _judged(most, strength[-1].value, limits, bend, bend_radius_m)
    return Worksheet(
        title="Pull force at the head",
        inputs=(
            *pipe_entries(pipe),
            *_path_entries(*path, tail_length_m),
            *_pull_entries(pipe, host, condition, surface, hours, temperature_c),
            *_limit_entries(bend_radius_m, machine_n, wanted_share, machine_share),
        ),
        steps=(*pulled, *forces, *way, *strength, *limits.values(), *bend),
        results=results,
        passes=passes,
        cautions=(*_held_back(path, weight, surface, friction), _TENSION, PLANNING),
    )


def _path_entries(
    lengths: ArrayLike, grades: ArrayLike, turns: ArrayLike, tail: float
) -> tuple[Entry, ...]:
    """Return every stretch from tail to head: its length, its grade, the turn at its end."""
    stretches = list(
        zip(*(a.tolist() for a in np.broadcast_arrays(lengths, grades, turns)), strict=True)
    )
    many = len(stretches) > 1
    entries = []
    for number, (length, grade, turn) in enumerate(stretches, 1):
        place, words = (str(number), f"stretch {number}") if many else ("", "the pull")
        entries.append(entry(f"L{place}", length, "length", f"length of {words}"))
        entries.append(entry(f"tan a{place}", math.tan(grade), "share", "grade towards the head"))
        if turn or not many:
            entries.append(entry(f"q{place}", turn, "angle", f"turn at the end of {words}"))
    return (*entries, entry("tail", tail, "length", "string on rollers behind the pit"))


def _limit_entries(
    radius: float, machine: float, share: float, machine_share: float
) -> tuple[Entry, ...]:
    """Return what the limits are worked out from, so far as it was given."""
    given = []
    if math.isfinite(radius):
        given.append(entry("R", radius, "length", "radius the carrier is bent to"))
    if math.isfinite(machine):
        given.append(entry("machine", machine, "force", "rated pull of the machine"))
        text = "share of the machine's rating a plan may use"
        given.append(entry("m share", machine_share, "share", text))
    text = "share of the pipe's allowable tension a plan may use"
    return (*given, entry("share", share, "share", text))


def _pull_entries(
    pipe: Carrier, host: str, condition: str, surface: str, hours: float, temperature_c: float
) -> tuple[Entry, ...]:
    return (
        entry("rho", pipe.density, "density", "density of the pipe"),
        entry("host", host, "word", "host dry or flooded"),
        entry("inside", condition, "word", "carrier empty or filled"),
        entry("surface", surface, "word", "what the carrier slides on"),
        entry("hours", hours, "hours", "duration of the pull"),
        entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
    )


def _pulled(
    pipe: Carrier, condition: str, host: str, tail_length_m: float
) -> tuple[float, float, tuple[Step, ...]]:
    """Return the weight in the host, N/m, the drag of the tail, N, and the steps that tell both."""
    weight = float(pulling.weight_n_per_m(pipe, condition=condition, host=host))
    tail = _tail_drag_n(pipe, tail_length_m)
    return weight, tail, (_weight_step(condition, host, weight), *_tail_steps(tail_length_m, tail))


def _weight_step(condition: str, host: str, weight: float) -> Step:
    water = " and the water in it" if condition == "filled" else ""
    text = f"weight of the pipe{water}{', less buoyancy' if host == 'flooded' else ''}"
    return step("w", text, weight, "line_load", "average wall")


def _tail_drag_n(pipe: Carrier, length_m: float) -> float:
    """Return the drag of the string on rollers behind the pit, N: it is empty and dry."""
    check_range("tail_length_m", length_m, 0.0, math.inf, "m")
    return float(pulling.roller_drag_n(pulling.weight_n_per_m(pipe), length_m))


def _tail_steps(length_m: float, drag_n: float) -> tuple[Step, ...]:
    if length_m <= 0.0:
        return ()
    share = pulling.friction_band("rollers").central
    source = "roller friction from memory; the F to start from"
    return (step("F tail", f"{share:g} x dry weight of the tail", drag_n, "force", source),)


def _planned(surface: str, friction: float | None) -> float:
    """Return the friction to plan with: as given, or the middle of the surface's band."""
    return pulling.friction_band(surface).central if friction is None else friction


def _force_steps(
    path: tuple[ArrayLike, ArrayLike, ArrayLike],
    weight: float,
    tail: float,
    surface: str,
    friction: float | None,
) -> tuple[Step, ...]:
    """Work out the force at the low, planned and high friction."""
    band = pulling.friction_band(surface)
    central = _planned(surface, friction)
    mu = np.array([min(band.low, central), central, max(band.high, central)])
    force = pulling.head_force_n(
        *path, weight=weight, friction=mu[:, np.newaxis], tail_force=np.full(3, tail)
    )[:, -1]
    formula = "(F + L {}) exp(mu q) from stretch to stretch, mu = {:g}"
    names = "F low", "F", "F high"
    middle = band.source if friction is None else "friction as given"
    sources = "low end of the band", middle, "high end of it"
    return tuple(
        step(name, formula.format(_drag(path, weight, m), m), f, "force", told)
        for name, m, f, told in zip(names, mu, force, sources, strict=True)
    )


def _drag(path: tuple[ArrayLike, ArrayLike, ArrayLike], weight: float, friction: float) -> str:
    """Return the formula of the drag; a stretch that would run by itself has none, and no less."""
    drag = "mu |w| cos a + w sin a"
    return f"max({drag}, 0)" if _runs_ahead(path, weight, friction) else f"({drag})"


def _runs_ahead(
    path: tuple[ArrayLike, ArrayLike, ArrayLike], weight: float, friction: float
) -> bool:
    """Tell whether friction does not hold the weight of the string somewhere on its way."""
    lengths, grades, _ = path
    drive = np.asarray(lengths, dtype=float) * (
        friction * abs(weight) * np.cos(grades) + weight * np.sin(grades)
    )
    return bool(np.any(drive < 0.0))


def _way_steps(
    pipe: Carrier,
    path: tuple[ArrayLike, ArrayLike, ArrayLike],
    weight: float,
    tail: float,
    friction: float,
    end: float,
) -> tuple[Step, ...]:
    """Return the greatest planned force on the way, if it is above that at the end, N.

    While the head goes in, the rest of the string drags on its rollers: the force may be greatest
    just past a bend near the tail, or before anything is in.
    """
    lengths, grades, turns = np.broadcast_arrays(*path)
    left = lengths.sum() - np.concatenate([[0.0], np.cumsum(lengths)])
    drag = tail + pulling.roller_drag_n(pulling.weight_n_per_m(pipe), np.maximum(left, 0.0))
    past = pulling.head_force_n(
        lengths, grades, turns, weight=weight, friction=friction, tail_force=drag[1:]
    )
    force = np.concatenate([drag[:1], np.diagonal(past)])
    worst = int(np.argmax(force))
    if within(force[worst], end):
        return ()
    place = f"the head at the end of stretch {worst}" if worst else "the head not in yet"
    text = f"the same, {place}, the rest of the string on its rollers"
    return (step("F way", text, force[worst], "force", "roller friction from memory"),)


def _strength_steps(
    pipe: Carrier, hours: float, temperature_c: float, bend_radius_m: float
) -> tuple[Step, ...]:
    """Work out the tension the pipe may have, where it is bent if it is; the last step."""
    stress = pulling.allowable_stress_pa(pipe.material, hours=hours, temperature_c=temperature_c)
    area = pulling.wall_area_m2(pipe.outside_m, pipe.wall_min_m)
    allowed = pulling.tension_with_bending_n(
        pipe, bend_radius_m, hours=hours, temperature_c=temperature_c
    )
    formula, source = _stress_text(pipe.material)
    steps = (
        step("s", formula, stress, "stress", source),
        step("A", "pi (OD - t) t", area, "area", "geometry, minimum wall"),
    )
    if math.isinf(bend_radius_m):
        return (*steps, step("F pipe", "s A", allowed, "force", "statics"))
    bent = float(stress) - float(allowed) / float(area)
    return (
        *steps,
        step(
            "s bend",
            "E OD/(2 R), E raised in the cold; up to s",
            bent,
            "stress",
            "extreme fibre",
        ),
        step("F pipe", "(s - s bend) A", allowed, "force", "PPI Handbook ch. 12, from memory"),
    )


def _stress_text(material: str) -> tuple[str, str]:
    """Return the formula of the allowable stress, and its source."""
    if is_polyethylene(material):
        share = material_property(material, "pull_yield_share")
        formula = f"{share:g} x factors of time and warmth x yield strength"
        return formula, "ASTM F1804, by analogy; numbers from memory"
    factor = material_property(material, "pull_safety_factor")
    strength = {"PVC": "7000 psi (ASTM D1784)", "PVC-U": "45 MPa (makers' manuals)"}[material]
    source = f"{strength} over {factor:g}, common practice"
    return f"strength/{factor:g}, less in warmth", source


def _limit_steps(
    allowed: float, wanted_share: float, machine_n: float, machine_share: float
) -> dict[str, Step]:
    """Return what the pipe, and the machine if its rating is known, may be given."""
    check_range("wanted_share", wanted_share, 0.0, 1.0, "", above_low=True)
    check_range("machine_share", machine_share, 0.0, 1.0, "", above_low=True)
    planned = allowed * wanted_share
    limits = {
        "pipe": step("F planned", f"{wanted_share:g} F pipe", planned, "force", "practice"),
    }
    if math.isfinite(machine_n):
        capacity = float(pulling.machine_capacity_n(machine_n, usable=machine_share))
        text = f"{machine_share:g} of the rating"
        limits["machine"] = step("F machine", text, capacity, "force", "practice")
    return limits


def _bend_steps(pipe: Carrier, radius: float, temperature_c: float) -> tuple[Step, ...]:
    """Return the least radius the carrier may be bent to, where it is bent."""
    if math.isinf(radius):
        return ()
    least = bending.least_radius_m(
        pipe.material, pipe.dr, pipe.outside_m, temperature_c=temperature_c
    )
    return (least_radius_step(pipe, least),)


def _held_back(
    path: tuple[ArrayLike, ArrayLike, ArrayLike], weight: float, surface: str, given: float | None
) -> tuple[str, ...]:
    """Say that the string must be held back where friction does not hold its weight.

    That of the low end of the band, or what is given if it is less.
    """
    friction = min(pulling.friction_band(surface).low, math.inf if given is None else given)
    return (_RUNS_AHEAD,) if _runs_ahead(path, weight, friction) else ()


def _judged(
    force: float,
    allowed: float,
    limits: dict[str, Step],
    bend: tuple[Step, ...],
    radius: float,
) -> tuple[bool, tuple[Entry, ...]]:
    """Hold the planned force against the lower limit, and a bend against the least radius."""
    least = min(limits, key=lambda name: limits[name].value)
    limit = limits[least].value
    kept = [Limit(bool(within(force, limit)), f"planned force against the limit of the {least}")]
    bent: tuple[Entry, ...] = ()
    if bend:
        kept.append(Limit(bool(within(bend[-1].value, radius)), "R against R least"))
        bent = (
            entry("R", radius, "length", "radius the carrier is bent to"),
            entry("R least", bend[-1].value, "length", "least radius of the carrier"),
        )
    used, of_pipe = (force / most if most > 0.0 else math.inf for most in (limit, allowed))
    return all(one.kept for one in kept), (
        entry("F", force, "force", "planned force at the head"),
        entry("F limit", limit, "force", f"what the {least} may be given"),
        entry("F/F pipe", of_pipe, "share", "planned force over what the pipe bears"),
        entry("utilisation", used, "share", "F over F limit"),
        entry("governed by", least, "word", "the lower limit"),
        *bent,
        verdict(*kept),
    )
