"""Water in the carrier: flow and head, working pressure and surge, the hydrostatic test."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe import hydraulics, pressure, testing
from geotools.pipe.catalogue import Carrier
from geotools.pipe.factors import FOOT, HOUR, INCH, PSI, YEAR_H
from geotools.pipe.materials import is_polyethylene, material_property
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

__all__ = ["flow_sheet", "hydrotest_sheet", "pressure_sheet"]

_ADDED = "most water that may be added in the test"
_EXPANDS = "water it takes up as it expands, before the test phase"
_TEST = (
    "Test with water, not air; vent, restrain ends and caps against F, and keep people away. Let "
    "the water off dechlorinated, and only where there is leave for it."
)


def flow_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    host_c: float,
    flow_m3_per_s: float,
    length_m: float,
    highest_velocity: float,
    host_age_years: float | None = None,
) -> Worksheet:
    """Work out flow and head before and after: capacity ratio, head and velocity.

    Parameters
    ----------
    pipe : Carrier
    host_bore_m, host_c : float
        Centre bore of the host, m, and its Hazen-Williams C.
    flow_m3_per_s, length_m, highest_velocity : float
        Flow, m3/s; length of the run, m; velocity not to be exceeded, m/s.
    host_age_years : float, optional
        Years since the host was laid, to hold its C against what bare iron comes to.

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
    return Worksheet(
        title="Flow before and after",
        inputs=(
            *pipe_entries(pipe),
            *_rough_entries(host_bore_m, host_c),
            entry("Q", flow_m3_per_s, "flow", "flow"),
            entry("L", length_m, "length", "length of the run"),
        ),
        steps=(
            *_age_steps(host_bore_m, host_age_years),
            _head_step("h1", "C1", "ID", run.head_before_m),
            _head_step("h2", "C2", "d", run.head_after_m),
            *_colebrook_steps(pipe, flow_m3_per_s, length_m),
            *_speed_steps(run),
        ),
        results=_flow_results(run, highest_velocity, passes),
        passes=passes,
        cautions=(
            *_too_wide(pipe, host_bore_m),
            *_beyond_hazen_williams("host", flow_m3_per_s, host_bore_m),
            *_beyond_hazen_williams("carrier", flow_m3_per_s, float(pipe.bore_m)),
            "A field test of C beats a table.",
            PLANNING,
        ),
    )


def _speed_steps(run: hydraulics.BeforeAfter) -> tuple[Step, ...]:
    return (
        step("V1", "Q/(pi/4 ID^2)", run.velocity_before, "velocity", "continuity"),
        step("V2", "Q/(pi/4 d^2)", run.velocity_after, "velocity", "continuity"),
        step("Q2/Q1", "(C2/C1)(d/ID)^2.63", run.capacity_ratio, "number", "equal gradient"),
    )


def _flow_results(run: hydraulics.BeforeAfter, highest: float, passes: bool) -> tuple[Entry, ...]:
    more = run.head_after_m - run.head_before_m
    return (
        entry("Q2/Q1", run.capacity_ratio, "number", "flow after over flow before"),
        entry("h2 - h1", more, "head", "change of the head lost"),
        entry("V2", run.velocity_after, "velocity", "velocity in the carrier"),
        entry("V most", highest, "velocity", "highest velocity wanted"),
        verdict(Limit(passes, "velocity in the carrier against the highest wanted")),
    )


def _beyond_hazen_williams(where: str, flow: float, bore: float) -> tuple[str, ...]:
    """Say that the flow in a bore is none that Hazen-Williams is for; still water loses no head."""
    number = float(hydraulics.reynolds(flow, bore))
    speed = float(hydraulics.flow_velocity_m_per_s(flow, bore))
    if 0.0 < number < hydraulics.TURBULENT:
        return (
            f"Hazen-Williams is for turbulent water, from a Reynolds number of "
            f"{hydraulics.TURBULENT:,.0f}: in the {where} it is {number:,.0f}, and the head told "
            "is not to be relied on.",
        )
    if speed > hydraulics.HW_FASTEST * (1 + 1e-9):
        return (
            f"Hazen-Williams is for water below {hydraulics.HW_FASTEST:g} m/s: in the {where} it "
            f"runs at {speed:.2f} m/s, and the head told is not to be relied on.",
        )
    return ()


def _too_wide(pipe: Carrier, host_bore_m: float) -> tuple[str, ...]:
    text = "This carrier does not enter the host: its outside diameter is not below the bore."
    return (text,) if pipe.outside_m >= host_bore_m else ()


def _rough_entries(host_bore: float, host_c: float) -> tuple[Entry, ...]:
    return (
        entry("ID", host_bore, "size", "bore of the host"),
        entry("C1", host_c, "number", "Hazen-Williams C of the host"),
        entry("C2", hydraulics.CARRIER_C, "number", "Hazen-Williams C of the carrier"),
    )


def _age_steps(bore: float, years: float | None) -> tuple[Step, ...]:
    """Return what C bare iron of an age comes to, by regression and by the table of plans."""
    if years is None:
        return ()
    found = hydraulics.regression_c(bore, years)
    text = f"18.0 - 37.2 log10((0.18 mm + 0.2 mm x {years:g})/ID), bare iron, to compare with C1"
    table = hydraulics.aged_c("unlined", years)
    band = f"table of bare iron, {table.low:.0f} to {table.high:.0f}, to compare with C1"
    return (
        step("C regression", text, found, "number", "regression of 1988, 15 either way"),
        step("C table", band, table.central, "number", "as plans take it; from memory"),
    )


def _colebrook_steps(pipe: Carrier, flow: float, length: float) -> tuple[Step, ...]:
    """Return the head after by the other formula; none where the flow is not turbulent."""
    if hydraulics.reynolds(flow, pipe.bore_m) < hydraulics.TURBULENT:
        return ()
    rough = hydraulics.CARRIER_ROUGHNESS_M
    head = hydraulics.colebrook_head_loss_m(flow, pipe.bore_m, rough, length)
    text = f"f (L/d) V2^2/(2 g), roughness {rough * 1e3:g} mm, 15 C, to compare with h2"
    return (step("h2 D-W", text, head, "head", "Darcy-Weisbach, f by Colebrook"),)


def _head_step(symbol: str, c: str, bore: str, head: ArrayLike) -> Step:
    form = f"L Q^1.852/({c}^1.852 {bore}^4.8704)"
    metric, us = f"10.67 {form}  [m, m3/s]", f"10.44 {form}  [ft, gpm, in]"
    return step(symbol, metric, head, "head", "Hazen-Williams", us)


def pressure_sheet(
    *,
    pipe: Carrier,
    working_pa: float,
    recurring_velocity: float,
    occasional_velocity: float,
    temperature_c: float,
    surges_per_day: float,
    life_hours: float,
    fatigue_safety: float,
) -> Worksheet:
    """Work out working pressure and surge against their limits.

    Parameters
    ----------
    pipe : Carrier
    working_pa : float
        Working pressure, Pa.
    recurring_velocity, occasional_velocity : float
        Changes of velocity, m/s.
    temperature_c : float
        Water temperature, C.
    surges_per_day, life_hours, fatigue_safety : float
        Recurring surges a day, h they go on, and safety on their number: the fatigue of PVC;
        0 a day does not ask for it.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    cycles = _cycles(surges_per_day, life_hours, fatigue_safety)
    often = _surge_pa(pipe, "recurring_velocity", recurring_velocity)
    seldom = _surge_pa(pipe, "occasional_velocity", occasional_velocity)
    check = pressure.check_pressure(
        pipe.material,
        pipe.dr,
        working_pa,
        recurring_surge_pa=often,
        occasional_surge_pa=seldom,
        temperature_c=temperature_c,
        recurring_cycles=cycles,
    )
    fatigue, untold = _fatigue(pipe, recurring_velocity, cycles)
    return Worksheet(
        title="Working pressure and surge",
        inputs=(
            *pipe_entries(pipe),
            *_water_entries(working_pa, temperature_c, recurring_velocity, occasional_velocity),
            *_cycle_entries(surges_per_day, life_hours, fatigue_safety),
        ),
        steps=(
            *_class_steps(pipe, check.class_pa, temperature_c),
            *fatigue,
            *_pressure_steps(pipe, check, working_pa, often, seldom),
        ),
        results=_pressure_results(check, working_pa),
        passes=bool(check.passes),
        cautions=(*untold, *_vacuum(pressure.fallen_pressure_pa(working_pa, seldom)), PLANNING),
    )


def _vacuum(fallen_pa: FloatArray) -> tuple[str, ...]:
    """Return what to mind where the pressure falls below the atmosphere's."""
    return (_SUCKED,) if fallen_pa < 0.0 else ()


def _surge_pa(pipe: Carrier, name: str, velocity: float) -> FloatArray:
    """Return the surge of a change of velocity, m/s, that is refused by its own name."""
    check_range(name, velocity, 0.0, 10.0, "m/s")
    return pressure.surge_pressure_pa(pipe.material, pipe.dr, velocity)


def _pressure_results(check: pressure.PressureCheck, working: float) -> tuple[Entry, ...]:
    return (
        entry("WP", working, "pressure", "working pressure"),
        entry("limit WP", check.working_limit_pa, "pressure", "most working pressure"),
        entry("utilisation", check.utilisation, "share", "greatest pressure over its limit"),
        entry("governed by", _governing(check), "word", "the pressure nearest its limit"),
        verdict(Limit(bool(check.passes), "working pressure and surges against their limits")),
    )


def _governing(check: pressure.PressureCheck) -> str:
    """Name the pressure that takes most of its limit."""
    names = "working pressure", "recurring surge", "occasional surge"
    return names[int(np.argmax(check.shares))]


def _water_entries(
    working: float, temperature_c: float, recurring: float, occasional: float
) -> tuple[Entry, ...]:
    return (
        entry("WP", working, "pressure", "working pressure"),
        entry("V often", recurring, "velocity", "recurring change of velocity"),
        entry("V seldom", occasional, "velocity", "occasional change of velocity"),
        entry("T", temperature_c, "temperature", "water temperature"),
    )


def _cycles(a_day: float, life_hours: float, safety: float) -> float:
    """Return how many recurring surges the pipe must stand."""
    check_range("surges_per_day", a_day, 0.0, 1000.0, "")
    check_range("life_hours", life_hours, 0.0, 1e6, "h")
    check_range("fatigue_safety", safety, 1.0, 10.0, "")
    return a_day * life_hours / 24.0 * safety


def _cycle_entries(a_day: float, life_hours: float, safety: float) -> tuple[Entry, ...]:
    return (
        entry("n", a_day, "number", "recurring surges a day; 0: not counted"),
        entry("life", life_hours / YEAR_H, "number", "years they go on"),
        entry("N", safety, "number", "safety on their number"),
    )


_FATIGUE = (
    "The fatigue of PVC was not checked: it takes the change of velocity in recurring surges and "
    "their number a day."
)
_UNTESTED = (
    f"The formula for the fatigue of PVC rests on tests to about {pressure.TESTED_CYCLES:,.0f} "
    "surges: {:,.0f} are beyond them."
)
_SUCKED = (
    "The downsurge leaves a vacuum (P fall is below zero): hold the pipe against it and the "
    "groundwater, by the hand calculation of collapse with a duration of half an hour."
)
_VINSON = "Vinson, in Moser and Folkman, Buried Pipe Design, eq. 4.17"
_WAVE = "AWWA M23, M55"


def _code(material: str) -> str:
    """Return the standard the pressure class is by."""
    other = {"PVC": "AWWA C900", "PE100": "ISO 4427", "PVC-U": "ISO 1452-2"}
    return other.get(material, "AWWA C906")


def _rated_at(pipe: Carrier) -> int:
    """Return the temperature the design stress is for, C."""
    return 20 if pipe.material in ("PE100", "PVC-U") else 23


def _class_text(material: str) -> str:
    return "2 HDS/(DR - 1)" + (", cut to a whole 5 psi" if material == "PVC" else "")


def _class_steps(pipe: Carrier, class_pa: ArrayLike, temperature_c: float) -> tuple[Step, ...]:
    code = _code(pipe.material)
    factor = pressure.temperature_factor(pipe.material, temperature_c)
    wave = pressure.wave_speed_m_per_s(pipe.material, pipe.dr)
    stress = material_property(pipe.material, "hds")
    ratio = pressure.BULK_MODULUS_PA / material_property(pipe.material, "surge_modulus")
    root = f"sqrt(1 + {ratio:g} (DR - 2))"
    metric, us = f"1420/{root}  [m/s]", f"4660/{root}  [ft/s]"
    return (
        step(
            "HDS", f"design stress of {pipe.material}, {_rated_at(pipe)} C", stress, "stress", code
        ),
        step("PC", _class_text(pipe.material), class_pa, "pressure", f"ISO 4065, {code}"),
        step("FT", "temperature factor", factor, "number", code),
        step("a", metric, wave, "velocity", _WAVE, us),
    )


def _fatigue(
    pipe: Carrier, velocity: float, cycles: float
) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """Return the steps to the fatigue of PVC, and the caution where it is not told or tested."""
    surges, counted = velocity > 0.0, cycles >= 1.0
    if is_polyethylene(pipe.material) or not (surges or counted):
        return (), ()
    if not (surges and counted):
        return (), (_FATIGUE,)
    beyond = cycles > pressure.TESTED_CYCLES
    return _fatigue_steps(pipe, cycles), ((_UNTESTED.format(cycles),) if beyond else ())


def _fatigue_steps(pipe: Carrier, cycles: float) -> tuple[Step, ...]:
    most = pressure.fatigue_limit_pa(pipe.dr, cycles)
    stress = most * (pipe.dr - 1.0) / 2.0
    metric, us = "(1.256e11/C)^(1/4.906)  [MPa]", "(5.05e21/C)^(1/4.906)  [psi]"
    return (
        step("C", "n life N", cycles, "number", "surges the pipe must stand"),
        step("S", metric, stress, "stress", _VINSON, us),
        step("P fatigue", "2 S/(DR - 1)", most, "pressure", "hoop stress"),
    )


def _pressure_steps(
    pipe: Carrier,
    check: pressure.PressureCheck,
    working: float,
    often: ArrayLike,
    seldom: ArrayLike,
) -> tuple[Step, ...]:
    code = _code(pipe.material)
    limits = check.recurring_limit_pa, check.occasional_limit_pa
    often_text, seldom_text = (_times(float(limit / check.working_limit_pa)) for limit in limits)
    if not is_polyethylene(pipe.material):
        often_text = "PC FT, or P fatigue if it is less"
    whole = bool(within(check.working_limit_pa, limits[0]))
    totals = working + np.asarray(often), working + np.asarray(seldom)
    fallen = pressure.fallen_pressure_pa(working, seldom)
    return (
        step("dP often", "rho a V often", often, "pressure", _WAVE),
        step("dP seldom", "rho a V seldom", seldom, "pressure", _WAVE),
        step("limit WP", "PC FT", check.working_limit_pa, "pressure", code),
        step("P often", "WP + dP often", totals[0], "pressure", "sum"),
        step("limit often", often_text, limits[0], "pressure", code if whole else _VINSON),
        step("P seldom", "WP + dP seldom", totals[1], "pressure", "sum"),
        step("limit seldom", seldom_text, limits[1], "pressure", code),
        step("P fall", "WP - dP seldom, no less than a vacuum", fallen, "pressure", _WAVE),
    )


def _times(number: float) -> str:
    """Write a multiple of the class with its temperature factor."""
    return "PC FT" if math.isclose(number, 1.0) else f"{number:.4g} PC FT"


def hydrotest_sheet(
    *,
    pipe: Carrier,
    nominal_m: float,
    length_m: float,
    working_pa: float,
    factor: float,
    fall_m: float,
    temperature_c: float,
    test_hours: int,
    start_pa: float | None = None,
    end_pa: float | None = None,
) -> Worksheet:
    """Work out the hydrostatic test: pressure, water and allowance.

    Parameters
    ----------
    pipe : Carrier
    nominal_m, length_m : float
        Nominal size, and length under test, m.
    working_pa, factor : float
        Working pressure at the lowest point, Pa; test over working pressure.
    fall_m, temperature_c : float
        Height of the gauge over the lowest point, m; temperature of pipe and water, C.
    test_hours : {1, 2, 3}
        How long the test lasts, h.
    start_pa, end_pa : float, optional
        Pressure read at the start and the end of the test phase of polyethylene, Pa.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    check_range("working_pa", working_pa, 0.0, 1e7, "Pa", above_low=True)
    wanted = testing.hydrotest_pressure_pa(working_pa, factor=factor)
    gauge = testing.at_gauge_pa(wanted, fall_m)
    most = testing.hydrotest_limit_pa(pipe.material, pipe.dr, temperature_c=temperature_c)
    volume = testing.water_volume_m3(pipe.bore_m, length_m)
    thrust = testing.end_thrust_n(wanted, pipe.outside_m)
    make_up = _make_up_steps(pipe, nominal_m, length_m, (wanted + gauge) / 2, test_hours)
    read, kept = _phase(start_pa, end_pa, gauge=gauge, most=most - (wanted - gauge))
    limits = (*kept[:-1], _allowed(wanted, most), *kept[-1:])
    return Worksheet(
        title="Hydrostatic test",
        inputs=(
            *pipe_entries(pipe),
            *_section_entries(nominal_m, length_m, working_pa, fall_m),
            *_phase_entries(temperature_c, test_hours),
        ),
        steps=(
            *_test_steps(pipe, factor, wanted, gauge, most, temperature_c),
            step("F", "P test pi/4 OD^2", thrust, "force", "statics"),
            step("V", "pi/4 d^2 L", volume, "liquid", "geometry"),
            *make_up,
            _filling_step(length_m),
            *read,
        ),
        results=_test_results(pipe, (gauge, most, thrust), volume, make_up[-1].value, limits),
        passes=all(limit.kept for limit in limits),
        cautions=(_TEST, PLANNING),
    )


def _allowed(wanted: FloatArray, most: FloatArray) -> Limit:
    text = "test pressure against what the carrier may be tested to"
    return Limit(bool(within(wanted, most)), text)


def _test_steps(
    pipe: Carrier,
    factor: float,
    wanted: FloatArray,
    gauge: FloatArray,
    most: FloatArray,
    temperature_c: float,
) -> tuple[Step, ...]:
    return (
        step("P test", f"{factor:g} WP", wanted, "pressure", "practice, 1.25 to 1.5"),
        _test_limit_step(pipe, most, temperature_c),
        step("P gauge", "P test - rho g z", gauge, "pressure", "statics"),
    )


def _filling_step(length_m: float) -> Step:
    hours = testing.filling_hours(length_m)
    speed = testing.FILLING_M_PER_S
    formula = f"L at {speed:g} m/s ({speed / FOOT:.1g} ft/s)"
    return step("filling", formula, hours, "hours", "practice")


def _phase_entries(temperature_c: float, hours: float) -> tuple[Entry, ...]:
    return (
        entry("T", temperature_c, "temperature", "temperature of pipe and water"),
        entry("hours", hours, "hours", "duration of the test"),
    )


def _section_entries(
    nominal: float, length: float, working: float, fall: float
) -> tuple[Entry, ...]:
    return (
        entry("D", nominal, "size", "nominal size"),
        entry("L", length, "length", "length under test"),
        entry("WP", working, "pressure", "working pressure, lowest point"),
        entry("z", fall, "length", "gauge above the lowest point"),
    )


def _phase(
    start: float | None, end: float | None, *, gauge: FloatArray, most: FloatArray
) -> tuple[tuple[Step, ...], tuple[Limit, ...]]:
    """Return the steps that judge what was read in the test phase, and the limits held against.

    ``gauge`` is the test pressure where the gauge stands, ``most`` the highest allowed there.
    """
    for name, read in (("start_pa", start), ("end_pa", end)):
        check_range(name, 0.0 if read is None else read, 0.0, 1e7, "Pa")
    if start is None or end is None:
        return (), ()
    held = bool(testing.pe_test_passes(start, end))
    least = testing.pe_phase_least_pa(gauge)
    high = bool(within(max(start, end), most))
    return (
        *_phase_limit_steps(least, most),
        *_phase_steps(start, end),
    ), (
        Limit(
            bool(within(least, start)),
            "the test phase was begun at its pressure",
            "the test phase was begun below the test pressure, less what is let off",
        ),
        Limit(
            high,
            "at no more than allowed",
            "a pressure read is above what the carrier may be tested to",
        ),
        Limit(held, "the test phase held", "the test phase did not hold"),
    )


def _phase_limit_steps(least: FloatArray, most: FloatArray) -> tuple[Step, ...]:
    rule = testing.PE_TEST
    off, share = rule.let_off_pa, f"{1.0 - rule.read_to:g} P gauge"
    texts = f"{share} - {off / 1e3:.3g} kPa", f"{share} - {off / PSI:.3g} psi"
    return (
        step("P least", texts[0], least, "pressure", rule.source, texts[1]),
        step("P high", "P most - rho g z", most, "pressure", "statics"),
    )


def _phase_steps(start: float, end: float) -> tuple[Step, ...]:
    rule = testing.PE_TEST
    text = f"end over start, less 1; within {rule.pass_share:.0%} after {rule.hold_hours:g} h"
    return (
        step("P start", "as read, P least to P high", start, "pressure", "at the gauge"),
        step("P end", "as read, no water added", end, "pressure", "at the gauge"),
        step("change", text, end / start - 1.0, "share", rule.source),
    )


def _test_results(
    pipe: Carrier,
    loads: tuple[FloatArray, FloatArray, FloatArray],
    volume: ArrayLike,
    make_up: float,
    limits: tuple[Limit, ...],
) -> tuple[Entry, ...]:
    gauge, most, thrust = loads
    added = _EXPANDS if is_polyethylene(pipe.material) else _ADDED
    return (
        entry("P gauge", gauge, "pressure", "to read at the gauge"),
        entry("P most", most, "pressure", "most at the lowest point"),
        entry("F", thrust, "force", "thrust on an end or cap, at most"),
        entry("V", volume, "liquid", "water to fill"),
        entry("make-up", make_up, "liquid", added),
        verdict(*limits),
    )


def _test_limit_step(pipe: Carrier, most: FloatArray, temperature_c: float) -> Step:
    allowed = pressure.pressure_class_pa(pipe.material, pipe.dr) * pressure.temperature_factor(
        pipe.material, temperature_c
    )
    other = {"PVC": "occasional limit of AWWA C900", "PVC-U": "EN 805"}
    standard = other.get(pipe.material, "ASTM F2164")
    return step(
        "P most", _times(float(most / allowed)), most, "pressure", f"{standard}, from memory"
    )


def _make_up_steps(
    pipe: Carrier, nominal_m: float, length_m: float, mean_pa: ArrayLike, hours: int
) -> tuple[Step, ...]:
    """Return the water that may be added in the test, of PVC by the average test pressure."""
    if is_polyethylene(pipe.material):
        tabled = float(testing.tabled_size_m(nominal_m))
        extra = testing.pe_make_up_m3(tabled, length_m, hours)
        text = "table of water taken up as the pipe expands"
        if tabled != nominal_m:
            text += f", its row of {tabled / INCH:g} in: the nearest, where the table ends"
        source = "older PPI/M55 table; expansion, not a leak: ASTM F2164 allows none"
        return (step("make-up", text, extra, "liquid", source),)
    rate = testing.pvc_allowance_m3_per_s(length_m, nominal_m, mean_pa)
    metric = "hours x L D sqrt(P mean)/794,797  [m, mm, kPa, L]"
    us = "hours x L D sqrt(P mean)/148,000  [ft, in, psi, gal]"
    source = "AWWA C605, for gasketed joints: a ceiling for a fused string"
    return (
        step("P mean", "(P test + P gauge)/2", mean_pa, "pressure", "average test pressure"),
        step("make-up", metric, rate * hours * HOUR, "liquid", source, us),
    )
