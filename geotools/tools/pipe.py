"""The tools ``pipe ...``: hand calculations for one pipe, set out step by step."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geotools.pipe import defaults
from geotools.pipe.factors import FOOT, HOUR
from geotools.pipe.names import MATERIALS, PIT_CAST_CLASSES, SYSTEMS
from geotools.tool import Key, Kind, Outcome, Parameter, Tool, ToolError

if TYPE_CHECKING:
    from geotools.pipe._ranges import Limits, RangeError
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


@dataclass(frozen=True)
class _Option:
    """A parameter of the tool and the argument of the worksheet it is handed on as.

    ``refusals`` are names by which formulas further down refuse it; ``unit`` is what one unit of
    the worksheet is in SI, where it counts in another.
    """

    parameter: Parameter
    argument: str
    refusals: tuple[str, ...] = ()
    unit: float = 1.0


def _quantity(
    name: str,
    measure: str,
    text: str,
    argument: str,
    *refusals: str,
    default: str | None = None,
    required: bool = False,
    multiple: bool = False,
    unit: float = 1.0,
) -> _Option:
    parameter = Parameter(
        name,
        "quantity",
        text,
        default=default,
        required=required,
        multiple=multiple,
        measure=measure,
    )
    return _Option(parameter, argument, refusals, unit)


def _plain(
    name: str,
    kind: Kind,
    text: str,
    argument: str,
    *refusals: str,
    default: object = None,
    required: bool = False,
    multiple: bool = False,
    choices: tuple[str, ...] = (),
) -> _Option:
    parameter = Parameter(
        name,
        kind,
        text,
        default=default,
        required=required,
        multiple=multiple,
        choices=choices,
    )
    return _Option(parameter, argument, refusals)


_CARRIER = (
    Parameter("carrier", "text", "a pipe as plans name it, such as '20 in DIPS DR 17 PE4710'"),
    Parameter("system", "choice", "system of outside diameters", choices=SYSTEMS),
    Parameter("nominal", "text", "nominal size, such as '20 in' or '560 mm'"),
    Parameter("material", "choice", "material of the carrier", choices=MATERIALS),
    Parameter("dr", "number", "dimension ratio, outside diameter over wall"),
    Parameter("outside", "quantity", "outside diameter of a pipe of your own", measure="diameter"),
    Parameter("wall", "quantity", "minimum wall of a pipe of your own", measure="length"),
)
_HOST = (
    Parameter("bore", "quantity", "bore of the host as measured", measure="diameter"),
    Parameter(
        "host_diameter", "quantity", "nominal diameter of the host, unmeasured", measure="diameter"
    ),
    Parameter("host_material", "text", "its material, such as 'cast iron'"),
    Parameter("host_year", "integer", "year it was laid"),
    Parameter(
        "host_class",
        "choice",
        "class of pit-cast iron by the standard of 1908, from records or the bell, in place of "
        "material and year",
        choices=PIT_CAST_CLASSES,
    ),
)
_UNITS = Parameter(
    "units",
    "choice",
    "units of the answer; default: as the first length was given",
    choices=("si", "us"),
)
_CARRIER_NAMES = tuple(parameter.name for parameter in _CARRIER)
_HOST_NAMES = tuple(parameter.name for parameter in _HOST)

_TEMPERATURE = _quantity(
    "temperature",
    "temperature",
    "temperature of the pipe wall",
    "temperature_c",
    default=defaults.PULL_TEMPERATURE,
)
_BEAD = _quantity(
    "bead",
    "length",
    "height of the outer fusion bead where it is left on",
    "bead_m",
    default=defaults.BEAD,
)
_LENGTH = _quantity("length", "length", "length of main", "length_m", required=True)


_SAYS = (
    Key("calculation", "text", "which one"),
    Key("title", "text", "what it works out"),
    Key("units", "text", "units of the values told in words, si or us"),
    Key("inputs", "list", "what was given: name, value in SI, value in the units, text"),
    Key("steps", "list", "the way to the results: symbol, formula, value, source"),
    Key("results", "list", "what came out, as the inputs"),
    Key("passes", "flag", "whether every limit is kept", open=True),
    Key("cautions", "list", "what to mind"),
)


@dataclass(frozen=True)
class _Sheet:
    """One calculation: its options, and which estimate of the host's bore it takes, if any."""

    name: str
    title: str
    summary: str
    options: tuple[_Option, ...]
    bore: str = ""

    def tool(self) -> Tool:
        """Return the declaration of the tool."""
        return Tool(
            name=f"pipe.{self.name}",
            title=self.title,
            summary=self.summary,
            function=f"geotools.tools.pipe:{self.name}",
            parameters=(
                *_CARRIER,
                *(_HOST if self.bore else ()),
                *(option.parameter for option in self.options),
                _UNITS,
            ),
            says=_SAYS,
            takes_written=True,
        )


_SHEETS = (
    _Sheet(
        "fit",
        "Clearance of a carrier in a host",
        "Works out whether a carrier clears the host, and the largest that would.",
        (
            _plain(
                "rule",
                "choice",
                "what clearance must be",
                "rule",
                default=defaults.FIT_RULE,
                choices=("share_of_bore", "share_or_total", "radial_gap"),
            ),
            _plain(
                "share",
                "number",
                "share of the bore that must stay free",
                "share",
                default=defaults.SHARE_OF_BORE,
            ),
            _BEAD,
        ),
        bore="low",
    ),
    _Sheet(
        "pull",
        "Force of a pull",
        "Works out the force at the head of a pull against what pipe and machine may be given. "
        "Lengths, bends and grades go from the tail to the head.",
        (
            _quantity(
                "length",
                "length",
                "length of the pull, or of each straight stretch between bends",
                "lengths_m",
                "ds",
                "length_m",
                required=True,
                multiple=True,
            ),
            _quantity(
                "bend",
                "angle",
                "turn at the end of each stretch; the last may be left out",
                "deflections_rad",
                "deflection_rad",
                multiple=True,
            ),
            _plain(
                "grade",
                "number",
                "rise over run towards the head, 0.03 for 3 %; one, or one a stretch",
                "grades_rad",
                "grade_rad",
                multiple=True,
            ),
            _plain(
                "surface",
                "choice",
                "what the carrier slides on, which sets the band of friction",
                "surface",
                default=defaults.HOST,
                choices=("rollers", "lubricated", "wet", "dry", "tuberculated", "ground"),
            ),
            _plain(
                "friction",
                "number",
                "friction planned with, in place of the band's middle",
                "friction",
            ),
            _plain("flooded", "flag", "water stands in the host", "host"),
            _plain("filled", "flag", "the carrier is filled with water", "condition"),
            _quantity(
                "tail",
                "length",
                "string on rollers behind the pit",
                "tail_length_m",
                default="0 m",
            ),
            _quantity(
                "duration",
                "time",
                "time under tension",
                "hours",
                default=defaults.DURATION,
                unit=HOUR,
            ),
            _TEMPERATURE,
            _quantity(
                "bend_radius",
                "length",
                "radius the carrier is bent to where the force is greatest",
                "bend_radius_m",
                "radius_m",
            ),
            _quantity("machine", "force", "rated pull of the machine", "machine_n", "rated_n"),
            _plain(
                "share",
                "number",
                "share of the pipe's allowable tension a plan may use",
                "wanted_share",
                default=defaults.FORCE_SHARE,
            ),
            _plain(
                "machine_share",
                "number",
                "share of the machine's rating a plan may use",
                "machine_share",
                default=defaults.MACHINE_SHARE,
            ),
        ),
    ),
    _Sheet(
        "pit",
        "Size of an insertion pit",
        "Works out length, width, depth and excavation of an insertion pit.",
        (
            _quantity(
                "drop",
                "length",
                "axis of the resting pipe down to the axis of the host",
                "drop_m",
                required=True,
            ),
            _quantity(
                "rest",
                "length",
                "axis of the resting pipe above the ground",
                "rest_m",
                default="0 m",
            ),
            _plain(
                "form",
                "choice",
                "level: string on rollers, two arcs; lifted: tail held up, one arc",
                "form",
                default=defaults.RAMP,
                choices=("level", "lifted"),
            ),
            _quantity(
                "working",
                "length",
                "room at the face of the host",
                "working_m",
                default=defaults.WORKING_ROOM,
            ),
            _plain("fitting", "flag", "a flange or fitting goes round the bend", "fitting_in_bend"),
            _TEMPERATURE,
            _plain(
                "soil",
                "choice",
                "soil class for the slope of the sides",
                "soil",
                default=defaults.SOIL,
                choices=("rock", "A", "B", "C", "A_short_term"),
            ),
            _quantity(
                "bedding",
                "length",
                "depth dug below the pipe",
                "bedding_m",
                default=defaults.BEDDING,
            ),
        ),
    ),
    _Sheet(
        "bend",
        "Carrier through a bend",
        "Works out whether a carrier passes a bend of the host.",
        (
            _quantity(
                "deflection",
                "angle",
                "angle the bend turns",
                "deflection_rad",
                required=True,
            ),
            _quantity(
                "axis_radius",
                "length",
                "radius of the bend's axis; 0 for a mitre",
                "axis_radius_m",
                default="0 m",
            ),
            _BEAD,
            _TEMPERATURE,
        ),
        bore="low",
    ),
    _Sheet(
        "flow",
        "Flow before and after",
        "Works out what the smaller but smoother bore does to flow, head and velocity.",
        (
            _plain(
                "host_c",
                "number",
                "Hazen-Williams C of the host as it is",
                "host_c",
                "c",
                required=True,
            ),
            _quantity("flow", "flow", "flow", "flow_m3_per_s", "flow", required=True),
            _LENGTH,
            _quantity(
                "max_velocity",
                "speed",
                "highest velocity wanted",
                "highest_velocity",
                "highest",
                default=defaults.MAX_VELOCITY,
            ),
            _plain(
                "host_age",
                "number",
                "years since the host was laid, to hold its C against that of bare iron as old",
                "host_age_years",
                "age_years",
            ),
        ),
        bore="centre",
    ),
    _Sheet(
        "pressure",
        "Working pressure and surge",
        "Works out pressure class, surge and their limits.",
        (
            _quantity("working", "pressure", "working pressure", "working_pa", required=True),
            _quantity(
                "recurring",
                "speed",
                "change of velocity in everyday surges",
                "recurring_velocity",
                default=defaults.RECURRING_VELOCITY,
            ),
            _quantity(
                "occasional",
                "speed",
                "change of velocity in a rare surge",
                "occasional_velocity",
                default=defaults.OCCASIONAL_VELOCITY,
            ),
            _quantity(
                "temperature",
                "temperature",
                "highest temperature of the water",
                "temperature_c",
                default=defaults.WATER_TEMPERATURE,
            ),
            _plain(
                "surges",
                "number",
                "everyday surges a day, for the fatigue of PVC; 0 does not ask for it",
                "surges_per_day",
                default=defaults.SURGES_PER_DAY,
            ),
            _quantity(
                "life",
                "time",
                "how long they go on",
                "life_hours",
                default=defaults.LIFE,
                unit=HOUR,
            ),
            _plain(
                "fatigue_safety",
                "number",
                "safety on the number of surges",
                "fatigue_safety",
                default=defaults.FATIGUE_SAFETY,
            ),
        ),
    ),
    _Sheet(
        "collapse",
        "Collapse of the empty carrier",
        "Works out whether an empty carrier, bare or grouted, stands the groundwater.",
        (
            _quantity(
                "head",
                "length",
                "water table above the invert",
                "groundwater_head_m",
                "head_m",
                required=True,
            ),
            _quantity(
                "duration",
                "time",
                "how long it presses",
                "hours",
                default="50 year",
                unit=HOUR,
            ),
            _plain(
                "ovality", "number", "ovality, 0.03 for 3 %", "ovality", default=defaults.OVALITY
            ),
            _plain("safety", "number", "safety factor", "safety", default=defaults.COLLAPSE_SAFETY),
            _plain(
                "grout",
                "number",
                "what grout all round multiplies the pressure of PE by, up to 5; 1 without",
                "grout_factor",
                default=defaults.GROUT_FACTOR,
            ),
        ),
    ),
    _Sheet(
        "grout",
        "Grout in the annulus",
        "Works out volume, pressure at the port and uplift of the grout.",
        (
            _LENGTH,
            _quantity(
                "port",
                "length",
                "grout port above the lowest point",
                "port_above_low_point_m",
                default="0 m",
            ),
            _quantity(
                "inside_head",
                "length",
                "head of water in the carrier at the lowest point",
                "inside_head_m",
                "head_m",
                default="0 m",
            ),
            _quantity(
                "cure",
                "time",
                "time the grout presses before it holds itself",
                "cure_hours",
                "hours",
                default=defaults.CURE,
                unit=HOUR,
            ),
            _quantity(
                "density",
                "density",
                "density of the fresh grout",
                "grout_density",
                default="1200 kg/m^3",
            ),
            _plain("empty", "flag", "the carrier is empty, not filled with water", "condition"),
        ),
        bore="high",
    ),
    _Sheet(
        "test",
        "Hydrostatic test",
        "Works out test pressure, water to fill and what may be added.",
        (
            _LENGTH,
            _quantity(
                "working",
                "pressure",
                "working pressure at the lowest point",
                "working_pa",
                required=True,
            ),
            _plain(
                "factor",
                "number",
                "test pressure over working pressure",
                "factor",
                default=defaults.TEST_FACTOR,
            ),
            _quantity(
                "fall",
                "length",
                "gauge above the lowest point",
                "fall_m",
                default="0 m",
            ),
            _quantity(
                "temperature",
                "temperature",
                "temperature of pipe and water",
                "temperature_c",
                default=defaults.WATER_TEMPERATURE,
            ),
            _plain(
                "hours",
                "integer",
                "duration of the test, for PE 1, 2 or 3; default as in plans, "
                f"{defaults.PE_TEST_HOURS} for PE and {defaults.PVC_TEST_HOURS} for PVC",
                "test_hours",
                "hours",
            ),
            _quantity(
                "start",
                "pressure",
                "pressure read when the test phase of PE began, after letting off 10 psi",
                "start_pa",
            ),
            _quantity(
                "end",
                "pressure",
                "pressure read at its end, no water added meanwhile",
                "end_pa",
            ),
        ),
    ),
)

TOOLS = tuple(sheet.tool() for sheet in _SHEETS)


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
    from geotools.pipe._ranges import RangeError
    from geotools.pipe.worksheets import WORKSHEETS
    from geotools.tools._sheets import sheet_summary, sheet_text

    sheet = next(sheet for sheet in _SHEETS if sheet.name == name)
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
        raise ToolError(f"pipe {name}", [_refusal(error, sheet, written)]) from error
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
    own = [name for name in written if name not in _CARRIER_NAMES]
    for name in (*own, *written):
        if PINT_UNITS[measures[name]] == PINT_UNITS["length"]:
            return "us" if unit_of(written[name], "length") in _US_LENGTHS else "si"
    size = f"{given['nominal'] or ''} {given['carrier'] or ''}".split()
    return "us" if "in" in size else "si"


_US_LENGTHS = ("in", "inch", "inches", "ft", "foot", "feet", "yd", "yard", "yards", "mi", "mile")


def _carrier(given: Given, faults: list[str]) -> Carrier | None:
    """Return the carrier meant: by name, from the catalogue or by its own sizes."""
    from geotools.pipe.catalogue import carrier, custom_carrier, own_ratios

    got = {name: given[name] for name in _CARRIER_NAMES if given[name] is not None}
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
    from geotools.pipe.catalogue import closest_name, contenders

    pipes = {pipe.name.lower(): pipe for pipe in contenders()}
    wanted = " ".join(name.lower().split())
    if wanted in pipes:
        return pipes[wanted]
    near = pipes[closest_name(wanted, pipes)].name
    faults.append(f"carrier: no pipe is called {name!r}; did you mean {near!r}?")
    return None


_YEARS = (1700, 2100)


def _bore(given: Given, estimate: str, faults: list[str]) -> tuple[float | None, tuple[Entry, ...]]:
    """Return the bore of the host, measured or from the tables, and what is told of it."""
    from geotools.pipe.host import host_bore
    from geotools.pipe.worksheets import Entry

    got = [name for name in _HOST_NAMES if given[name] is not None]
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


# Names by which formulas refuse what the carrier and the host are made of.
_KNOWN_AS = {
    "outside_m": "outside",
    "wall_min_m": "wall",
    "host_bore_m": "bore",
    "measured_m": "bore",
    "nominal_m": "host_diameter",
    "system and material": "material",
}
# What is worked out on the way and found wrong: the parameter to mend, and why.
_WORKED_OUT = {
    "depth_m": (
        "drop",
        "the pit would be too deep for sides by the table, which ends at {:g} ft for this soil",
    ),
    "outside_m / host_bore_m": ("bore", "the carrier does not enter the host"),
}


def _refusal(error: RangeError, sheet: _Sheet, written: Mapping[str, str]) -> str:
    """Say in the words and units of the user what cannot be used and what could."""
    name, _, whose = error.name.partition(" (")[0].partition(" of ")
    if name in _WORKED_OUT:
        parameter_name, words = _WORKED_OUT[name]
        if error.limits is not None:
            words = words.format(error.limits.high / FOOT)
        return f"{parameter_name}: {written.get(parameter_name, 'as given')}: {words}"
    found = {p.name: (p, 1.0) for p in (*_CARRIER, *_HOST)}
    found |= {alias: found[target] for alias, target in _KNOWN_AS.items()}
    if not sheet.bore:  # there is no host: the nominal size is that of the carrier
        found["nominal_m"] = found["outside"]
    found |= {
        alias: (option.parameter, option.unit)
        for option in sheet.options
        for alias in (option.argument, *option.refusals)
    }
    if name not in found:
        return str(error)
    parameter, unit = found[name]
    if error.limits is None:
        return f"{parameter.name}: {error.value} cannot be used; valid: {error.valid}"
    for_it = f" for {whose}" if whose in MATERIALS else ""
    return f"{parameter.name}: {_range(error.limits, parameter, unit, written)}{for_it}"


def _range(limits: Limits, parameter: Parameter, unit: float, written: Mapping[str, str]) -> str:
    """Say which value lies outside which range, in the unit the value was written in."""
    from geotools.units import in_unit, unit_of, usual_unit

    shown = ""
    if parameter.measure:
        text = written.get(parameter.name, "")
        shown = unit_of(text, parameter.measure) if text else usual_unit(parameter.measure)

    def said(number: float) -> str:
        if not parameter.measure:
            return f"{number:.6g}"
        value, told = in_unit(number * unit, shown, parameter.measure), shown
        if 0.0 < abs(value) < 1e-3:  # a hundredth of an hour is no number of years to read
            told = usual_unit(parameter.measure)
            value = in_unit(number * unit, told, parameter.measure)
        return f"{value:.6g} {told}" if abs(value) < 1e6 else f"{value:,.0f} {told}"

    opening = "above" if limits.above_low else "from"
    if math.isinf(limits.high):
        valid = f"{'above' if limits.above_low else 'at least'} {said(limits.low)}"
    else:
        valid = f"{opening} {said(limits.low)} to {said(limits.high)}"
    return f"{said(limits.value)} is out of range; valid {valid}"
