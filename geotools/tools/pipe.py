"""The tools ``pipe ...``: hand calculations for one pipe, set out step by step."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from geotools.pipe import defaults
from geotools.tool import Outcome, ToolError
from geotools.tools._pipe_options import CARRIER_NAMES, HOST_NAMES, SHEETS
from geotools.tools._pipe_refusals import refusal

if TYPE_CHECKING:
    from geotools.pipe.catalogue import Carrier
    from geotools.pipe.worksheets import Entry

__all__ = [
    "TOOLS",
    "bend",
    "collapse",
    "fit",
    "flow",
    "grout",
    "pit",
    "pressure",
    "pull",
    "test",
]

Given = dict[str, Any]

TOOLS = tuple(sheet.tool() for sheet in SHEETS)


def fit(**given: Any) -> Outcome:
    """Work out whether a carrier clears the host."""
    return _calculate("fit", given)


def pull(**given: Any) -> Outcome:
    """Work out the force at the head of a pull."""
    return _calculate("pull", given, _path_of_pull)


def pit(**given: Any) -> Outcome:
    """Work out an insertion pit."""
    return _calculate("pit", given)


def bend(**given: Any) -> Outcome:
    """Work out whether a carrier passes a bend of the host."""
    return _calculate("bend", given)


def flow(**given: Any) -> Outcome:
    """Work out flow, head and velocity before and after."""
    return _calculate("flow", given)


def pressure(**given: Any) -> Outcome:
    """Work out working pressure and surge against their limits."""
    return _calculate("pressure", given)


def collapse(**given: Any) -> Outcome:
    """Work out whether an empty carrier stands the groundwater."""
    return _calculate("collapse", given)


def grout(**given: Any) -> Outcome:
    """Work out the grout of the annulus."""
    return _calculate("grout", given, _inside_of_grout)


def test(**given: Any) -> Outcome:
    """Work out the hydrostatic test."""
    return _calculate("test", given, _nominal_of_test)


Arranged = Callable[[Given, "Carrier", list[str]], Given]


def _as_given(arguments: Given, pipe: Carrier, faults: list[str]) -> Given:
    """Hand the arguments on as they are."""
    return arguments


def _calculate(name: str, given: Given, arrange: Arranged = _as_given) -> Outcome:
    """Work out one sheet from what was given, in SI; refusals speak of the parameters."""
    from geotools.pipe.ranges import RangeError
    from geotools.pipe.worksheets import WORKSHEETS
    from geotools.tools._worksheet_text import sheet_summary, sheet_text

    sheet = next(sheet for sheet in SHEETS if sheet.name == name)
    written: Mapping[str, str] = given["written"]
    faults: list[str] = []
    units = given["units"] or _units(given, written)
    try:
        pipe = _carrier(given, faults)
        bore, host = _bore(given, sheet.bore, faults) if sheet.bore else (None, ())
        if pipe is None or faults:
            raise ToolError(f"pipe {name}", faults)
        arguments = {
            option.argument: _unscaled(given[option.parameter.name], option.unit)
            for option in sheet.options
            if given[option.parameter.name] not in (None, ())
        }
        arguments = arrange(arguments, pipe, faults)
        if faults:
            raise ToolError(f"pipe {name}", faults)
        if bore is not None:
            arguments["host_bore_m"] = bore
        result = WORKSHEETS[name](pipe=pipe, **arguments)
    except RangeError as error:
        raise ToolError(f"pipe {name}", [refusal(error, sheet, written)]) from error
    result = _replaced(result, inputs=(*host, *result.inputs))
    return Outcome(
        {"calculation": name, **sheet_summary(result, units)},
        sheet_text(result, units),
        failed=result.passes is False,
    )


def _replaced(result: Any, **changes: Any) -> Any:
    import dataclasses

    return dataclasses.replace(result, **changes)


def _unscaled(value: Any, unit: float) -> Any:
    """Return a value in the unit of the worksheet."""
    if unit == 1.0:
        return list(value) if isinstance(value, tuple) else value
    return value / unit


def _units(given: Given, written: Mapping[str, str]) -> str:
    """Return the system of the first length written, then of the nominal size; si otherwise."""
    from geotools.units import PINT_UNITS, unit_of

    measures = {p.name: p.measure for tool in TOOLS for p in tool.parameters if p.measure}
    own = [name for name in written if name not in CARRIER_NAMES]
    for name in (*own, *written):
        if PINT_UNITS[measures[name]] == PINT_UNITS["length"]:
            return "us" if unit_of(written[name], "length") in _US_LENGTHS else "si"
    size = f"{given['nominal'] or ''} {given['carrier'] or ''}".split()
    return "us" if "in" in size else "si"


_US_LENGTHS = ("in", "inch", "inches", "ft", "foot", "feet", "yd", "yard", "yards", "mi", "mile")


def _carrier(given: Given, faults: list[str]) -> Carrier | None:
    """Return the carrier meant: by name, from the catalogue or by its own sizes."""
    from geotools.pipe.catalogue import carrier, custom_carrier, own_ratios

    got = {name: given[name] for name in CARRIER_NAMES if given[name] is not None}
    if set(got) == {"carrier"}:
        return _named(got["carrier"], faults)
    if set(got) == {"system", "nominal", "material", "dr"}:
        return carrier(**got)
    if set(got) in ({"material", "outside", "wall"}, {"material", "outside", "dr"}):
        outside, material = got["outside"], got["material"]
        low, high = own_ratios(material)
        if "dr" in got and not low <= got["dr"] <= high:
            faults.append(f"dr: {got['dr']:g} is out of range; valid from {low:g} to {high:g}")
            return None
        wall = got.get("wall", outside / got.get("dr", math.inf))
        name = f"own pipe, {material}"
        return custom_carrier(name, material=material, outside_m=outside, wall_min_m=wall)
    have = f"; given: {', '.join(got)}" if got else ""
    faults.append(
        "the carrier must be given, and in one way: carrier; or system, nominal, material and "
        f"dr; or material, outside and wall or dr{have}"
    )
    return None


def _named(name: str, faults: list[str]) -> Carrier | None:
    """Return a pipe of the catalogue by its name."""
    from geotools.pipe.catalogue import closest_names, contenders

    pipes = {pipe.name.lower(): pipe for pipe in contenders()}
    wanted = " ".join(name.lower().split())
    if wanted in pipes:
        return pipes[wanted]
    near = " or ".join(repr(pipes[other].name) for other in closest_names(wanted, pipes))
    faults.append(f"carrier: no pipe is called {name!r}; did you mean {near}?")
    return None


_YEARS = (1700, 2100)


def _bore(given: Given, estimate: str, faults: list[str]) -> tuple[float | None, tuple[Entry, ...]]:
    """Return the bore of the host, measured or from the tables, and what is told of it."""
    from geotools.pipe.host import host_bore
    from geotools.pipe.worksheets import Entry

    got = [name for name in HOST_NAMES if given[name] is not None]
    if got == ["bore"]:
        return given["bore"], (Entry("host", "bore as given", "", "old main", "word"),)
    if got == ["host_diameter", "host_class"]:
        return _pit_cast(given["host_diameter"], given["host_class"])
    if got[:2] != ["host_diameter", "host_material"] or "host_class" in got:
        have = f"; given: {', '.join(got)}" if got else ""
        faults.append(
            "the host must be given, and in one way: bore; or host_diameter and host_material, "
            "with host_year if it is known; or host_diameter and host_class of pit-cast iron"
            f"{have}"
        )
        return None, ()
    low, high = _YEARS
    if given["host_year"] is not None and not low <= given["host_year"] <= high:
        faults.append(f"host_year: {given['host_year']} is out of range; valid {low} to {high}")
        return None, ()
    year = math.nan if given["host_year"] is None else float(given["host_year"])
    found = host_bore(given["host_material"], given["host_diameter"], year)
    bore = {"low": found.low_m, "centre": found.centre_m, "high": found.high_m}[estimate]
    kind = str(found.kind).replace("_", " ")
    text = f"old main; its bore by table, {estimate} estimate: gauge it"
    return float(bore), (
        Entry("host", kind, "", text, "word"),
        Entry("D", given["host_diameter"], "m", "nominal diameter of the host", "size"),
    )


def _pit_cast(diameter: float, name: str) -> tuple[float, tuple[Entry, ...]]:
    """Return the bore of pit-cast iron of a class, and what is told of it."""
    from geotools.pipe.host import pit_cast_bore_m
    from geotools.pipe.worksheets import Entry

    text = "old main; clean bore by the standard of 1908, from memory: gauge it"
    return pit_cast_bore_m(diameter, name), (
        Entry("host", f"pit cast class {name}", "", text, "word"),
        Entry("D", diameter, "m", "nominal diameter of the host", "size"),
    )


def _path_of_pull(arguments: Given, pipe: Carrier, faults: list[str]) -> Given:
    """Bring bends and grades of a pull to one for each stretch."""
    count = len(arguments["lengths_m"])
    bends = arguments.get("deflections_rad", [])
    grades = arguments.get("grades_rad", [0.0])
    if len(bends) == count - 1:
        bends = [*bends, 0.0]
    if len(bends) != count:
        faults.append(
            f"bend: {len(bends)} bends do not go with {count} lengths; give the length before each "
            "bend and the one after the last"
        )
    if len(grades) not in (1, count):
        faults.append(f"grade: {len(grades)} grades do not go with {count} lengths")
    faults += [
        f"grade: {grade:g} is out of range; valid from -1 to 1: it is rise over run, 0.03 for 3 %"
        for grade in grades
        if not -1.0 <= grade <= 1.0
    ]
    return arguments | {
        "deflections_rad": bends,
        "grades_rad": [math.atan(grade) for grade in grades if len(grades) > 1]
        or math.atan(grades[0]),
        "host": "flooded" if arguments["host"] else "dry",
        "condition": "filled" if arguments["condition"] else "empty",
    }


def _inside_of_grout(arguments: Given, pipe: Carrier, faults: list[str]) -> Given:
    """Say what is in the carrier, which if it is empty has no head of water."""
    if arguments["condition"] and arguments["inside_head_m"] > 0.0:
        faults.append("inside_head: an empty carrier has no head of water in it; leave out one")
    return arguments | {"condition": "empty" if arguments["condition"] else "filled"}


def _nominal_of_test(arguments: Given, pipe: Carrier, faults: list[str]) -> Given:
    """Add the nominal size, of a pipe of one's own the outside diameter; hours by the material."""
    from geotools.pipe.materials import is_polyethylene
    from geotools.units import parse_quantity

    plastic = bool(is_polyethylene(pipe.material))
    read = [name for name in ("start_pa", "end_pa") if name in arguments]
    if read and not plastic:
        faults.append("start, end: the test phase without water added is that of polyethylene")
    elif len(read) == 1 and arguments[read[0]] >= 0.0:  # what is below nothing is refused first
        faults.append("start, end: give both readings of the test phase or none")
    hours = defaults.PE_TEST_HOURS if plastic else defaults.PVC_TEST_HOURS
    nominal = parse_quantity(pipe.nominal, "length")
    return {"test_hours": hours, **arguments, "nominal_m": nominal}
