"""Hand calculations set out step by step, as an engineer would check them on paper."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe import (
    bending,
    excavation,
    external,
    hydraulics,
    pits,
    pressure,
    pulling,
    testing,
)
from geotools.pipe import fit as fitting
from geotools.pipe._ranges import FloatArray, check_range
from geotools.pipe._units import GRAVITY, INCH, WATER_DENSITY
from geotools.pipe.catalogue import Carrier
from geotools.pipe.materials import apparent_modulus_pa, is_polyethylene, material_property

__all__ = [
    "QUANTITIES",
    "WORKSHEETS",
    "Entry",
    "Step",
    "Worksheet",
    "bend_sheet",
    "collapse_sheet",
    "fit_sheet",
    "flow_sheet",
    "grout_sheet",
    "hydrotest_sheet",
    "pit_sheet",
    "pressure_sheet",
    "pull_sheet",
]

# What a number is, and the SI unit it is given in. A printer picks the units it shows by the
# first: sizes of pipe in mm or in, lengths of ground in m or ft.
QUANTITIES: Mapping[str, str] = MappingProxyType(
    {
        "length": "m",
        "size": "m",
        "pressure": "Pa",
        "force": "N",
        "line_load": "N/m",
        "angle": "rad",
        "volume": "m3",
        "liquid": "m3",
        "area": "m2",
        "flow": "m3/s",
        "velocity": "m/s",
        "head": "m",
        "density": "kg/m3",
        "hours": "h",
        "temperature": "C",
        "number": "",
        "share": "",
        "word": "",
    }
)

_PLANNING = "Planning values only: local codes and licensed practice decide."
_TENSION = "Keep clear of a line under tension; stop the pull when the force leaves its plan."
_PIT = "Shore or slope the pit and inspect it daily; a main lies in disturbed ground."
_TEST = "Test with water, not air; vent, restrain the ends and keep people away."
_GROUT = "Watch the grout's pressure at the lowest point; fill the carrier against collapse."
_GAUGE = "Gauge the bore and pull a proving pig before the carrier is ordered."


@dataclass(frozen=True)
class Entry:
    """One named value of a worksheet.

    Attributes
    ----------
    name : str
        Symbol or short name.
    value : float or str
        Number in SI, or a word.
    unit : str
        SI unit, empty for numbers and words.
    text : str
        What it means.
    quantity : str
        One of `QUANTITIES`.
    """

    name: str
    value: float | str
    unit: str
    text: str
    quantity: str


@dataclass(frozen=True)
class Step:
    """One step of a calculation.

    Attributes
    ----------
    symbol : str
        What is worked out.
    formula : str
        How, in text.
    value : float
        Number in SI.
    unit : str
        SI unit.
    source : str
        Where the formula or the limit comes from.
    quantity : str
        One of `QUANTITIES`.
    formula_us : str
        The formula with the constants for US units, where they differ.
    """

    symbol: str
    formula: str
    value: float
    unit: str
    source: str
    quantity: str
    formula_us: str = ""


@dataclass(frozen=True)
class Worksheet:
    """A hand calculation.

    Attributes
    ----------
    title : str
        What is worked out.
    inputs : tuple of Entry
        What was given or assumed.
    steps : tuple of Step
        In order.
    results : tuple of Entry
        The answer.
    passes : bool or None
        Whether the limits of the sheet are kept; None where it has none.
    cautions : tuple of str
        What to mind.
    """

    title: str
    inputs: tuple[Entry, ...]
    steps: tuple[Step, ...]
    results: tuple[Entry, ...]
    passes: bool | None
    cautions: tuple[str, ...]


def _entry(name: str, value: ArrayLike | str, quantity: str, text: str) -> Entry:
    shown = value if isinstance(value, str) else float(np.asarray(value))
    return Entry(name, shown, QUANTITIES[quantity], text, quantity)


def _step(
    symbol: str, formula: str, value: ArrayLike, quantity: str, source: str, us: str = ""
) -> Step:
    number = float(np.asarray(value))
    return Step(symbol, formula, number, QUANTITIES[quantity], source, quantity, us)


def _verdict(passes: bool, text: str) -> Entry:
    return _entry("verdict", "passes" if passes else "fails", "word", text)


def _pipe_entries(pipe: Carrier) -> tuple[Entry, ...]:
    return (
        _entry("carrier", pipe.name, "word", "carrier pipe"),
        _entry("OD", pipe.outside_m, "size", "outside diameter"),
        _entry("t", pipe.wall_min_m, "size", "minimum wall"),
        _entry("d", pipe.bore_m, "size", "average bore"),
    )


def fit_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    rule: str = "share_of_bore",
    share: float = 0.10,
    bead_m: float = 0.0,
) -> Worksheet:
    """Work out whether a carrier clears the host.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    host_bore_m : float
        Low bore of the host, m.
    rule : str, optional
        One of `fit.RULES`.
    share : float, optional
        Share of the bore that must stay free.
    bead_m : float, optional
        Height of the outer bead, m.

    Returns
    -------
    Worksheet
        Clearance against the rule.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    found = fitting.fit(host_bore_m, pipe.outside_m, rule=rule, share=share, bead_m=bead_m)
    passes = bool(found.passes)
    largest = fitting.largest_outside_m(host_bore_m, rule=rule, share=share, bead_m=bead_m)
    source = "PPI Handbook ch. 11, AWWA M28, ASTM F585; radial gap: PE100+ Association"
    return Worksheet(
        title="Fit of the carrier in the host",
        inputs=(
            *_pipe_entries(pipe),
            _entry("ID", host_bore_m, "size", "bore of the host"),
            _entry("b", bead_m, "size", "height of the outer bead"),
            _entry("rule", rule, "word", "clearance rule"),
        ),
        steps=(
            _step("c", "ID - OD - 2 b", found.clearance_m, "size", "geometry at the joint"),
            _step("c/ID", "share of the bore that stays free", found.share, "share", "geometry"),
            _step("c needed", _rule_text(rule, share), found.required_m, "size", source),
            _step("OD most", "ID - c needed - 2 b", largest, "size", source),
        ),
        results=(
            _entry("c", found.clearance_m, "size", "clearance on the diameter"),
            _entry("c needed", found.required_m, "size", "clearance the rule asks for"),
            _entry("OD most", largest, "size", "largest barrel the rule lets in"),
            _verdict(passes, "clearance against what the rule asks for"),
        ),
        passes=passes,
        cautions=(_GAUGE, _PLANNING),
    )


def _rule_text(rule: str, share: float) -> str:
    """Say what a clearance rule asks for."""
    if rule == "radial_gap":
        return f"twice {fitting.GAP_M * 1e3:g} mm"
    part = f"{share:g} ID"
    if rule == "share_of_bore":
        return part
    wide, total = fitting.LARGE_BORE_M / INCH, fitting.TOTAL_M / INCH
    return f"{part}; in hosts above {wide:g} in the less of that and {total:g} in"


def bend_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    deflection_rad: float,
    axis_radius_m: float = 0.0,
    bead_m: float = 0.0,
    temperature_c: float = 23.0,
) -> Worksheet:
    """Work out whether a carrier passes a bend of the host.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    host_bore_m : float
        Low bore of the host, m.
    deflection_rad : float
        Angle the bend turns, rad.
    axis_radius_m : float, optional
        Radius of the host's axis, m; 0 for a mitre.
    bead_m : float, optional
        Height of the outer bead, m.
    temperature_c : float, optional
        Temperature of the pipe wall, C.

    Returns
    -------
    Worksheet
        Passing radius against least radius.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    gap = fitting.clearance_m(host_bore_m, pipe.outside_m, bead_m=bead_m)
    widest = bending.passing_radius_m(deflection_rad, gap, axis_radius_m=axis_radius_m)
    least = bending.least_radius_m(
        pipe.material, pipe.dr, pipe.outside_m, temperature_c=temperature_c
    )
    formula = (
        "c/(1 - cos(q/2))"
        if axis_radius_m == 0.0
        else "Rh + (c/2)(1 + cos(q/2))/(1 - cos(q/2)), not less than the mitre"
    )
    passes = bool(widest >= least)
    strain = bending.bending_strain(pipe.outside_m, least)
    return Worksheet(
        title="Carrier through a bend of the host",
        inputs=(
            *_pipe_entries(pipe),
            _entry("ID", host_bore_m, "size", "bore of the host"),
            _entry("b", bead_m, "size", "height of the outer bead"),
            _entry("q", deflection_rad, "angle", "deflection of the bend"),
            _entry("Rh", axis_radius_m, "length", "radius of the host's axis, 0 for a mitre"),
            _entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
        ),
        steps=(
            _step("c", "ID - OD - 2 b", gap, "size", "geometry at the joint"),
            _step("R", formula, widest, "length", "geometry"),
            _least_radius_step(pipe, least),
            _step("strain", "OD/(2 R least)", strain, "share", "geometry"),
        ),
        results=(
            _entry("R", widest, "length", "largest carrier radius that passes"),
            _entry("R least", least, "length", "least radius of the carrier"),
            _verdict(
                passes, "R against R least" + ("" if passes else "; the bend must lie in a pit")
            ),
        ),
        passes=passes,
        cautions=(_GAUGE, _PLANNING),
    )


def _least_radius_step(pipe: Carrier, radius: ArrayLike) -> Step:
    source = (
        "PPI Handbook ch. 7, AWWA M55, wider in the cold; from memory"
        if is_polyethylene(pipe.material)
        else "E OD/(2 Sb), Sb 800 psi, wider in the cold; AWWA M23, C605; from memory"
    )
    times = float(np.asarray(radius)) / pipe.outside_m
    return _step("R least", f"{times:.4g} OD", radius, "length", source)


def pit_sheet(
    *,
    pipe: Carrier,
    drop_m: float,
    rest_m: float = 0.0,
    form: str = "level",
    working_m: float = 2.0,
    fitting_in_bend: bool = False,
    temperature_c: float = 23.0,
    soil: str = "C",
    bedding_m: float = 0.15,
) -> Worksheet:
    """Work out the insertion pit.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    drop_m : float
        From the axis of the resting pipe down to the host's axis, m.
    rest_m : float, optional
        Axis of the resting pipe above the ground, m.
    form : {"level", "lifted"}, optional
        How the pipe lies behind the pit.
    working_m : float, optional
        Room at the host's face, m.
    fitting_in_bend : bool, optional
        A flange or fitting goes round the bend.
    temperature_c : float, optional
        Temperature of the pipe wall, C.
    soil : str, optional
        Soil class for the slope, one of `excavation.SOILS`.
    bedding_m : float, optional
        Depth dug below the pipe, m.

    Returns
    -------
    Worksheet
        Length, width, steepest slope and excavated volume.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    check_range("rest_m", rest_m, 0.0, max(drop_m, 0.0), "m")
    check_range("working_m", working_m, 0.0, 30.0, "m")
    check_range("bedding_m", bedding_m, 0.0, 2.0, "m")
    radius = bending.least_radius_m(
        pipe.material,
        pipe.dr,
        pipe.outside_m,
        fitting_in_bend=fitting_in_bend,
        temperature_c=temperature_c,
    )
    most = pits.deepest_drop_m(radius, form=form)
    check_range("drop_m", drop_m, 0.0, float(most), "m")
    ramp = pits.insertion_length_m(drop_m, radius, form=form)
    width = pits.pit_width_m(pipe.outside_m)
    below = pipe.outside_m / 2.0 + bedding_m - rest_m
    depth = drop_m + below
    slope = excavation.slope_ratio(soil, depth)
    volume = _pit_volume(pipe, drop_m, radius, form, working_m, below, float(slope))
    top = width + 2.0 * slope * depth
    formula = "sqrt(H (4 R - H))" if form == "level" else "sqrt(H (2 R - H))"
    steepest = pits.steepest_angle_rad(drop_m, radius, form=form)
    return Worksheet(
        title="Insertion pit",
        inputs=(
            *_pipe_entries(pipe),
            _entry("H", drop_m, "length", "axis of the resting pipe to axis of the host"),
            _entry("e", rest_m, "length", "axis of the resting pipe above the ground"),
            _entry("form", form, "word", "level: two arcs; lifted: one arc"),
            _entry("w", working_m, "length", "room at the face of the host"),
            _entry("soil", soil, "word", "soil class; over an old main B or C, never A"),
            _entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
        ),
        steps=(
            _least_radius_step(pipe, radius),
            _step("L", formula, ramp, "length", "geometry of the arcs, R = R least"),
            _step("angle", _steepest_text(form), steepest, "angle", "geometry of the arcs"),
            _step("m", f"horizontal to 1 vertical, soil {soil}", slope, "number", _SLOPES),
            _step("b", "OD + working room", width, "length", "handbook rooms, from memory"),
            _step("depth", "H - e + OD/2 + bedding", depth, "length", "geometry"),
            _step("b top", "b + 2 m depth", top, "length", "geometry, at the face"),
        ),
        results=(
            _entry("length", ramp + working_m, "length", "L + w, ramp and room at the face"),
            _entry("width", width, "length", "bottom width"),
            _entry("top width", top, "length", "at the ground; hold it against the street's"),
            _entry("depth", depth, "length", "below the ground, at the face of the host"),
            _entry("volume", volume, "volume", "excavated, in place, sides sloped"),
        ),
        passes=None,
        cautions=(_PIT, _PLANNING),
    )


_SLOPES = "29 CFR 1926 Subpart P, Table B-1"


def _steepest_text(form: str) -> str:
    return "acos(1 - H/(2 R)), half way down" if form == "level" else "acos(1 - H/R), at the rim"


def _pit_volume(
    pipe: Carrier,
    drop: float,
    radius: ArrayLike,
    form: str,
    working: float,
    below_axis: float,
    slope: float,
) -> float:
    """Ramp and working room as one trench; its ends cut upright."""
    length = float(pits.insertion_length_m(drop, radius, form=form))
    along = np.linspace(0.0, length, 201)
    below = np.maximum(pits.ramp_depth_m(along, drop, radius, form=form) + below_axis, 0.0)
    width = pits.pit_width_m(pipe.outside_m)
    ramp = excavation.ramp_volume_m3(along, below, width, slope=slope)
    face = excavation.ramp_volume_m3([0.0, working], below[0], width, slope=slope)
    return float(ramp + face)


def pull_sheet(
    *,
    pipe: Carrier,
    lengths_m: Sequence[float],
    grades_rad: Sequence[float] | float = 0.0,
    deflections_rad: Sequence[float] | float = 0.0,
    host: str = "dry",
    condition: str = "empty",
    surface: str = "dry",
    friction: float | None = None,
    tail_length_m: float = 0.0,
    hours: float = 12.0,
    temperature_c: float = 23.0,
    bend_radius_m: float = math.inf,
    machine_n: float = math.inf,
    wanted_share: float = 0.5,
) -> Worksheet:
    """Work out the force at the head of a pull.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    lengths_m : sequence of float
        Stretches of the path, tail to head, m.
    grades_rad, deflections_rad : sequence of float or float, optional
        Slope of each stretch, and turn at its end, rad.
    host, condition : str, optional
        As for `pulling.weight_n_per_m`.
    surface : str, optional
        As for `pulling.friction_band`.
    friction : float, optional
        Friction to plan with; by default the middle of the surface's band.
    tail_length_m : float, optional
        String on rollers behind the pit, m.
    hours, temperature_c : float, optional
        Duration, h, and wall temperature, C.
    bend_radius_m : float, optional
        Radius the carrier takes in the tightest bend under full tension, m.
    machine_n : float, optional
        Rated pull of the machine, N.
    wanted_share : float, optional
        Share of the allowable tension not to be exceeded; half is usual.

    Returns
    -------
    Worksheet
        Force at low, central and high friction against pipe and machine.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    check_range("wanted_share", wanted_share, 0.0, 1.0, "", above_low=True)
    check_range("tail_length_m", tail_length_m, 0.0, math.inf, "m")
    band = pulling.friction_band(surface)
    weight = float(pulling.weight_n_per_m(pipe, condition=condition, host=host))
    tail = pulling.roller_drag_n(pulling.weight_n_per_m(pipe), tail_length_m)
    central = band.central if friction is None else friction
    mu = np.array([min(band.low, central), central, max(band.high, central)])
    force = pulling.head_force_n(
        np.asarray(lengths_m, dtype=float),
        grades_rad,
        deflections_rad,
        weight=weight,
        friction=mu[:, np.newaxis],
        tail_force=np.full(3, float(tail)),
    )[:, -1]
    strength = _strength_steps(pipe, hours, temperature_c, bend_radius_m)
    allowed = strength[-1].value
    limits = _pull_limits(allowed * wanted_share, machine_n)
    least = min(limits, key=lambda name: limits[name])
    passes = bool(force[1] <= limits[least])
    return Worksheet(
        title="Pull force at the head",
        inputs=(
            *_pipe_entries(pipe),
            _entry("L", float(np.sum(lengths_m)), "length", "length of the pull"),
            _entry("q", _turn(lengths_m, deflections_rad), "angle", "turned on the way, in all"),
            _entry("tail", tail_length_m, "length", "string on rollers behind the pit"),
            _entry("rho", pipe.density, "density", "density of the pipe"),
            *_pull_entries(host, condition, surface, hours, temperature_c),
        ),
        steps=(
            _step("w", _weight_text(condition, host), weight, "line_load", "average wall"),
            *_tail_steps(tail_length_m, tail),
            *_force_steps(mu, force, band.source),
            *strength,
            *_limit_steps(limits, wanted_share, machine_n),
        ),
        results=(
            _entry("F", force[1], "force", "planned force at the head"),
            _entry("F limit", limits[least], "force", f"what the {least} may be given"),
            _entry("utilisation", _share(force[1], allowed), "share", "F over F pipe"),
            _entry("governed by", least, "word", "the lower limit"),
            _verdict(passes, f"planned force against the limit of the {least}"),
        ),
        passes=passes,
        cautions=(_TENSION, _PLANNING),
    )


def _turn(lengths_m: Sequence[float], deflections_rad: Sequence[float] | float) -> float:
    return float(np.broadcast_to(deflections_rad, np.shape(lengths_m)).sum())


def _weight_text(condition: str, host: str) -> str:
    water = " and the water in it" if condition == "filled" else ""
    return f"weight of the pipe{water}{', less buoyancy' if host == 'flooded' else ''}"


def _tail_steps(length_m: float, drag_n: ArrayLike) -> tuple[Step, ...]:
    if length_m <= 0.0:
        return ()
    share = pulling.friction_band("rollers").central
    source = "roller friction from memory; the F to start from"
    return (_step("F tail", f"{share:g} x dry weight of the tail", drag_n, "force", source),)


def _pull_entries(
    host: str, condition: str, surface: str, hours: float, temperature_c: float
) -> tuple[Entry, ...]:
    return (
        _entry("host", host, "word", "host dry or flooded"),
        _entry("inside", condition, "word", "carrier empty or filled"),
        _entry("surface", surface, "word", "what the carrier slides on"),
        _entry("hours", hours, "hours", "duration of the pull"),
        _entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
    )


def _strength_steps(
    pipe: Carrier, hours: float, temperature_c: float, bend_radius_m: float
) -> tuple[Step, ...]:
    """Work out the tension the pipe may have, where it is bent if it is; the last step."""
    stress = pulling.allowable_stress_pa(pipe.material, hours=hours, temperature_c=temperature_c)
    area = pulling.wall_area_m2(pipe.outside_m, pipe.wall_min_m)
    allowed = pulling.tension_with_bending_n(
        pipe, bend_radius_m, hours=hours, temperature_c=temperature_c
    )
    if is_polyethylene(pipe.material):
        share = material_property(pipe.material, "pull_yield_share")
        formula = f"{share:g} x factors of time and warmth x yield strength"
    else:
        formula = (
            f"strength/{material_property(pipe.material, 'pull_safety_factor'):g}, less in warmth"
        )
    steps = [
        _step("s", formula, stress, "pressure", _tension_source(pipe)),
        _step("A", "pi (OD - t) t", area, "area", "geometry, minimum wall"),
    ]
    if math.isinf(bend_radius_m):
        return (*steps, _step("F pipe", "s A", allowed, "force", "statics"))
    bent = float(stress) - float(allowed) / float(area)
    return (
        *steps,
        _step("s bend", "E OD/(2 R), up to s", bent, "pressure", "extreme fibre"),
        _step("F pipe", "(s - s bend) A", allowed, "force", "PPI Handbook ch. 12, from memory"),
    )


def _limit_steps(
    limits: Mapping[str, float], wanted_share: float, machine_n: float
) -> tuple[Step, ...]:
    planned = _step("F planned", f"{wanted_share:g} F pipe", limits["pipe"], "force", "practice")
    if "machine" not in limits:
        return (planned,)
    share = limits["machine"] / machine_n
    machine = _step("F machine", f"{share:g} of the rating", limits["machine"], "force", "practice")
    return planned, machine


def _pull_limits(pipe_n: float, machine_n: float) -> dict[str, float]:
    if math.isinf(machine_n):
        return {"pipe": pipe_n}
    return {"pipe": pipe_n, "machine": float(pulling.machine_capacity_n(machine_n))}


def _share(force: float, allowed: float) -> float:
    return force / allowed if allowed > 0.0 else math.inf


def _force_steps(mu: FloatArray, force: FloatArray, source: str) -> tuple[Step, ...]:
    formula = "F <- (F + w L (mu cos a + sin a)) exp(mu q), mu = {:g}"
    names, sources = ("F low", "F", "F high"), ("low end of the band", source, "high end of it")
    return tuple(
        _step(name, formula.format(m), f, "force", told)
        for name, m, f, told in zip(names, mu, force, sources, strict=True)
    )


def _tension_source(pipe: Carrier) -> str:
    if is_polyethylene(pipe.material):
        return "ASTM F1804, by analogy; numbers from memory"
    return "7000 psi (ASTM D1784) over 2.5, common practice"


def flow_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    host_c: float,
    flow_m3_per_s: float,
    length_m: float,
    highest_velocity: float = 2.5,
) -> Worksheet:
    """Work out flow and head before and after.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    host_bore_m : float
        Centre bore of the host, m.
    host_c : float
        Hazen-Williams C of the host.
    flow_m3_per_s : float
        Flow, m3/s.
    length_m : float
        Length of the run, m.
    highest_velocity : float, optional
        m/s.

    Returns
    -------
    Worksheet
        Capacity ratio, head and velocity.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    run = hydraulics.before_and_after(
        flow_m3_per_s,
        length_m,
        host_bore_m=host_bore_m,
        host_c=host_c,
        carrier_bore_m=pipe.bore_m,
    )
    passes = bool(hydraulics.velocity_within(run.velocity_after, highest=highest_velocity))
    names = ("C1", "ID"), ("C2", "d")
    metric, us = (
        [text.format(c, d) for c, d in names]
        for text in (
            "10.67 L Q^1.852/({0}^1.852 {1}^4.8704)  [m, m3/s]",
            "10.44 L Q^1.852/({0}^1.852 {1}^4.8704)  [ft, gpm, in]",
        )
    )
    return Worksheet(
        title="Flow before and after",
        inputs=(
            *_pipe_entries(pipe),
            _entry("ID", host_bore_m, "size", "bore of the host"),
            _entry("C1", host_c, "number", "Hazen-Williams C of the host"),
            _entry("C2", hydraulics.CARRIER_C, "number", "Hazen-Williams C of the carrier"),
            _entry("Q", flow_m3_per_s, "flow", "flow"),
            _entry("L", length_m, "length", "length of the run"),
        ),
        steps=(
            _step("h1", metric[0], run.head_before_m, "head", "Hazen-Williams", us[0]),
            _step("h2", metric[1], run.head_after_m, "head", "Hazen-Williams", us[1]),
            _step("V1", "Q/(pi/4 ID^2)", run.velocity_before, "velocity", "continuity"),
            _step("V2", "Q/(pi/4 d^2)", run.velocity_after, "velocity", "continuity"),
            _step("Q2/Q1", "(C2/C1)(d/ID)^2.63", run.capacity_ratio, "number", "equal gradient"),
        ),
        results=(
            _entry("Q2/Q1", run.capacity_ratio, "number", "flow after over flow before"),
            _entry(
                "h2 - h1", run.head_after_m - run.head_before_m, "head", "change of the head lost"
            ),
            _entry("V2", run.velocity_after, "velocity", "velocity in the carrier"),
            _entry("V most", highest_velocity, "velocity", "highest velocity wanted"),
            _verdict(passes, "velocity in the carrier against the highest wanted"),
        ),
        passes=passes,
        cautions=("A field test of C beats a table.", _PLANNING),
    )


def pressure_sheet(
    *,
    pipe: Carrier,
    working_pa: float,
    recurring_velocity: float = 0.0,
    occasional_velocity: float = 1.2,
    temperature_c: float = 23.0,
) -> Worksheet:
    """Work out pressure and surge against the class.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    working_pa : float
        Working pressure, Pa.
    recurring_velocity, occasional_velocity : float, optional
        Velocity changes, m/s.
    temperature_c : float, optional
        Water temperature, C.

    Returns
    -------
    Worksheet
        Pressures and limits.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    check_range("recurring_velocity", recurring_velocity, 0.0, 10.0, "m/s")
    check_range("occasional_velocity", occasional_velocity, 0.0, 10.0, "m/s")
    often = pressure.surge_pressure_pa(pipe.material, pipe.dr, recurring_velocity)
    seldom = pressure.surge_pressure_pa(pipe.material, pipe.dr, occasional_velocity)
    check = pressure.check_pressure(
        pipe.material,
        pipe.dr,
        working_pa,
        recurring_surge_pa=often,
        occasional_surge_pa=seldom,
        temperature_c=temperature_c,
    )
    factor = pressure.temperature_factor(pipe.material, temperature_c)
    wave = pressure.wave_speed_m_per_s(pipe.material, pipe.dr)
    code = {"PVC": "AWWA C900", "PE100": "ISO 4427"}.get(pipe.material, "AWWA C906")
    limits = (check.recurring_limit_pa, check.occasional_limit_pa)
    times = [float(limit / check.working_limit_pa) for limit in limits]
    passes = bool(check.passes)
    return Worksheet(
        title="Working pressure and surge",
        inputs=(
            *_pipe_entries(pipe),
            _entry("WP", working_pa, "pressure", "working pressure"),
            _entry("V often", recurring_velocity, "velocity", "recurring change of velocity"),
            _entry("V seldom", occasional_velocity, "velocity", "occasional change of velocity"),
            _entry("T", temperature_c, "temperature", "water temperature"),
        ),
        steps=(
            _step("PC", "2 HDS/(DR - 1)", check.class_pa, "pressure", f"ISO 4065, {code}"),
            _step("FT", "temperature factor", factor, "number", code),
            _step(
                "a",
                "1420/sqrt(1 + (K/E)(DR - 2))  [m/s]",
                wave,
                "velocity",
                "AWWA M23, M55",
                "4660/sqrt(1 + (K/E)(DR - 2))  [ft/s]",
            ),
            _step("dP often", "rho a V often", often, "pressure", "AWWA M23, M55"),
            _step("dP seldom", "rho a V seldom", seldom, "pressure", "AWWA M23, M55"),
            _step("limit WP", "PC FT", check.working_limit_pa, "pressure", code),
            _step("P often", "WP + dP often", working_pa + often, "pressure", "sum"),
            _step("limit often", f"{times[0]:g} PC FT", check.recurring_limit_pa, "pressure", code),
            _step("P seldom", "WP + dP seldom", working_pa + seldom, "pressure", "sum"),
            _step(
                "limit seldom", f"{times[1]:g} PC FT", check.occasional_limit_pa, "pressure", code
            ),
        ),
        results=(
            _entry("WP", working_pa, "pressure", "working pressure"),
            _entry("limit WP", check.working_limit_pa, "pressure", "most working pressure"),
            _entry("utilisation", check.utilisation, "share", "greatest pressure over its limit"),
            _verdict(passes, "working pressure and surges against their limits"),
        ),
        passes=passes,
        cautions=(_PLANNING,),
    )


def _modulus_source(pipe: Carrier) -> str:
    return "PPI Handbook ch. 3" if is_polyethylene(pipe.material) else "from memory"


def collapse_sheet(
    *,
    pipe: Carrier,
    groundwater_head_m: float,
    hours: float = external.FIFTY_YEARS_H,
    ovality: float = 0.03,
    safety: float = 2.0,
) -> Worksheet:
    """Work out whether an empty carrier stands the groundwater.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    groundwater_head_m : float
        Water table above the invert, m.
    hours : float, optional
        How long it presses, h.
    ovality, safety : float, optional
        As for `external.collapse_pressure_pa`.

    Returns
    -------
    Worksheet
        Allowed against acting pressure.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    stands = external.collapse_pressure_pa(
        pipe.material, pipe.dr, hours=hours, ovality=ovality, safety=safety
    )
    acts = external.groundwater_pressure_pa(groundwater_head_m)
    head = stands / (WATER_DENSITY * GRAVITY)
    stiff = apparent_modulus_pa(pipe.material, hours)
    passes = bool(stands >= acts)
    return Worksheet(
        title="Collapse of the empty carrier",
        inputs=(
            *_pipe_entries(pipe),
            _entry("Hw", groundwater_head_m, "length", "water table above the invert"),
            _entry("hours", hours, "hours", "duration of the load"),
            _entry("q", ovality, "share", "ovality"),
            _entry("N", safety, "number", "safety factor"),
        ),
        steps=(
            _step(
                "f0",
                "((1 - q)/(1 + q)^2)^3",
                external.ovality_factor(ovality),
                "number",
                "ASTM F1216",
            ),
            _step("E", "modulus at that duration, 23 C", stiff, "pressure", _modulus_source(pipe)),
            _step(
                "Pa",
                "(f0/N) 2 E/(1 - nu^2) (1/(DR - 1))^3",
                stands,
                "pressure",
                "PPI Handbook ch. 6, ASTM F1962; from memory",
            ),
            _step("P", "rho g Hw", acts, "pressure", "statics"),
        ),
        results=(
            _entry("Pa", stands, "pressure", "pressure allowed from outside"),
            _entry("P", acts, "pressure", "pressure of the groundwater"),
            _entry("Pa/(rho g)", head, "head", "Pa as a head of water"),
            _verdict(passes, "groundwater against the pressure allowed, without grout"),
        ),
        passes=passes,
        cautions=("Vacuum inside adds to the pressure outside.", _PLANNING),
    )


def grout_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    length_m: float,
    port_above_low_point_m: float = 0.0,
    inside_head_m: float = 0.0,
    cure_hours: float = 12.0,
    grout_density: float = external.GROUT_DENSITY,
    condition: str = "filled",
) -> Worksheet:
    """Work out grouting: volume, pressure, uplift, lifts.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    host_bore_m : float
        High bore of the host, m.
    length_m : float
        Length grouted, m.
    port_above_low_point_m : float, optional
        Height of the port over the lowest point, m.
    inside_head_m : float, optional
        Head of water in the carrier at the lowest point, m.
    cure_hours : float, optional
        Time the grout presses, h.
    grout_density : float, optional
        kg/m3.
    condition : {"empty", "filled"}, optional
        Air or water inside the carrier.

    Returns
    -------
    Worksheet
        What to order and what to keep under.

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
    )
    stands = external.collapse_pressure_pa(pipe.material, pipe.dr, hours=cure_hours)
    up = external.grout_uplift_n_per_m(pipe, grout_density=grout_density, condition=condition)
    lifts = external.grout_lift_count(pipe, grout_density=grout_density, condition=condition)
    passes = bool(limit > 0.0)
    return Worksheet(
        title="Grouting the annulus",
        inputs=(
            *_pipe_entries(pipe),
            _entry("ID", host_bore_m, "size", "bore of the host"),
            _entry("L", length_m, "length", "length grouted"),
            _entry("z", port_above_low_point_m, "length", "port above the lowest point"),
            _entry("zw", inside_head_m, "head", "head of water inside, at the lowest point"),
            _entry("rho", grout_density, "density", "density of the grout"),
            _entry("cure", cure_hours, "hours", "time the grout presses"),
            _entry("inside", condition, "word", "carrier empty or filled"),
        ),
        steps=(
            _step("V", "pi/4 (ID^2 - OD^2) L", volume, "volume", "geometry"),
            _step("Pa", "collapse at the cure time", stands, "pressure", "see collapse"),
            _step(
                "P port",
                "least of Pa + rho w g zw - rho g z and 5 psi",
                limit,
                "pressure",
                "practice",
            ),
            _step("uplift", "g (rho pi/4 OD^2 - pipe - water)", up, "line_load", "buoyancy"),
        ),
        results=(
            _entry("V", volume, "volume", "grout, without loss"),
            _entry("P port", limit, "pressure", "most pressure at the port"),
            _entry("uplift", up, "line_load", "to hold down if grouted at once"),
            _entry("lifts", float(lifts), "number", "lifts that do not float the carrier"),
            _verdict(passes, "carrier under the head of the grout up to the port"),
        ),
        passes=passes,
        cautions=(_GROUT, _PLANNING),
    )


def hydrotest_sheet(
    *,
    pipe: Carrier,
    nominal_m: float,
    length_m: float,
    working_pa: float,
    factor: float = 1.5,
    fall_m: float = 0.0,
    temperature_c: float = 23.0,
    test_hours: int = 2,
) -> Worksheet:
    """Work out the hydrostatic test.

    Parameters
    ----------
    pipe : Carrier
        The carrier.
    nominal_m : float
        Nominal size, m.
    length_m : float
        Length under test, m.
    working_pa : float
        Working pressure at the lowest point, Pa.
    factor : float, optional
        Test over working pressure.
    fall_m : float, optional
        Height of the gauge over the lowest point, m.
    temperature_c : float, optional
        Temperature of pipe and water, C.
    test_hours : {1, 2, 3}, optional
        Duration, h.

    Returns
    -------
    Worksheet
        Pressure, water and allowance.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    wanted = testing.hydrotest_pressure_pa(working_pa, factor=factor)
    column = WATER_DENSITY * GRAVITY * fall_m
    check_range("head of fall_m / test pressure", column / wanted, 0.0, 1.0, "")
    most = testing.hydrotest_limit_pa(pipe.material, pipe.dr, temperature_c=temperature_c)
    volume = testing.water_volume_m3(pipe.bore_m, length_m)
    most_times = float(
        most
        / pressure.pressure_class_pa(pipe.material, pipe.dr)
        / pressure.temperature_factor(pipe.material, temperature_c)
    )
    if is_polyethylene(pipe.material):
        most_source = "ASTM F2164, from memory"
        extra = testing.pe_make_up_m3(nominal_m, length_m, test_hours)
        make_up = "table of water taken up as the pipe expands", ""
        rule = "older PPI/M55 table; expansion, not a leak: ASTM F2164 allows none"
    else:
        flow = testing.pvc_allowance_m3_per_s(length_m, nominal_m, wanted)
        most_source = "occasional limit of AWWA C900, from memory"
        extra = np.asarray(flow * test_hours * 3600.0)
        make_up = (
            "hours x L D sqrt(P)/794,797  [m, mm, kPa, L]",
            "hours x L D sqrt(P)/148,000  [ft, in, psi, gal]",
        )
        rule = "AWWA C605, for gasketed joints: a ceiling for a fused string"
    passes = bool(wanted <= most)
    hours = testing.filling_hours(pipe.bore_m, length_m)
    return Worksheet(
        title="Hydrostatic test",
        inputs=(
            *_pipe_entries(pipe),
            _entry("D", nominal_m, "size", "nominal size"),
            _entry("L", length_m, "length", "length under test"),
            _entry("WP", working_pa, "pressure", "working pressure, lowest point"),
            _entry("z", fall_m, "length", "gauge above the lowest point"),
            _entry("hours", float(test_hours), "hours", "duration of the test"),
        ),
        steps=(
            _step("P test", f"{factor:g} WP", wanted, "pressure", "practice, 1.25 to 1.5"),
            _step("P most", f"{most_times:g} PC FT", most, "pressure", most_source),
            _step("P gauge", "P test - rho g z", wanted - column, "pressure", "statics"),
            _step("V", "pi/4 d^2 L", volume, "liquid", "geometry"),
            _step("make-up", make_up[0], extra, "liquid", rule, make_up[1]),
            _step("filling", "L at 0.3 m/s (1 ft/s)", hours, "hours", "practice"),
        ),
        results=(
            _entry("P gauge", wanted - column, "pressure", "to read at the gauge"),
            _entry("P most", most, "pressure", "most at the lowest point"),
            _entry("V", volume, "liquid", "water to fill"),
            _entry("make-up", extra, "liquid", "most water that may be added in the test"),
            _verdict(passes, "test pressure against what the carrier may be tested to"),
        ),
        passes=passes,
        cautions=(_TEST, _PLANNING),
    )


WORKSHEETS: Mapping[str, Callable[..., Worksheet]] = MappingProxyType(
    {
        "bend": bend_sheet,
        "collapse": collapse_sheet,
        "fit": fit_sheet,
        "flow": flow_sheet,
        "grout": grout_sheet,
        "pit": pit_sheet,
        "pressure": pressure_sheet,
        "pull": pull_sheet,
        "test": hydrotest_sheet,
    }
)
