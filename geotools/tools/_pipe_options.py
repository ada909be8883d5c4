"""The declarations of ``pipe ...``: what each calculation takes, and as which argument."""

from __future__ import annotations

from dataclasses import dataclass

from geotools.pipe import defaults
from geotools.pipe.factors import HOUR
from geotools.pipe.names import MATERIALS, PIT_CAST_CLASSES, SYSTEMS
from geotools.tool import Key, Kind, Parameter, Tool

__all__ = ["CARRIER", "CARRIER_NAMES", "HOST", "HOST_NAMES", "SHEETS", "Option", "Sheet"]


@dataclass(frozen=True)
class Option:
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
) -> Option:
    parameter = Parameter(
        name,
        "quantity",
        text,
        default=default,
        required=required,
        multiple=multiple,
        measure=measure,
    )
    return Option(parameter, argument, refusals, unit)


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
) -> Option:
    parameter = Parameter(
        name,
        kind,
        text,
        default=default,
        required=required,
        multiple=multiple,
        choices=choices,
    )
    return Option(parameter, argument, refusals)


CARRIER = (
    Parameter("carrier", "text", "a pipe as plans name it, such as '20 in DIPS DR 17 PE4710'"),
    Parameter("system", "choice", "system of outside diameters", choices=SYSTEMS),
    Parameter("nominal", "text", "nominal size, such as '20 in' or '560 mm'"),
    Parameter("material", "choice", "material of the carrier", choices=MATERIALS),
    Parameter("dr", "number", "dimension ratio, outside diameter over wall"),
    Parameter("outside", "quantity", "outside diameter of a pipe of your own", measure="diameter"),
    Parameter("wall", "quantity", "minimum wall of a pipe of your own", measure="length"),
)
HOST = (
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
CARRIER_NAMES = tuple(parameter.name for parameter in CARRIER)
HOST_NAMES = tuple(parameter.name for parameter in HOST)

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
class Sheet:
    """One calculation: its options, and which estimate of the host's bore it takes, if any."""

    name: str
    title: str
    summary: str
    options: tuple[Option, ...]
    bore: str = ""

    def tool(self) -> Tool:
        """Return the declaration of the tool."""
        return Tool(
            name=f"pipe.{self.name}",
            title=self.title,
            summary=self.summary,
            function=f"geotools.tools.pipe:{self.name}",
            parameters=(
                *CARRIER,
                *(HOST if self.bore else ()),
                *(option.parameter for option in self.options),
                _UNITS,
            ),
            says=_SAYS,
            takes_written=True,
        )


SHEETS = (
    Sheet(
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
    Sheet(
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
    Sheet(
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
            _quantity(
                "host_diameter",
                "length",
                "diameter of the host that is cut in the pit; 0 where it is no wider than the "
                "carrier",
                "host_m",
                default="0 m",
            ),
            _quantity(
                "side_room",
                "length",
                "working room beside host or carrier, each side",
                "side_room_m",
                default=defaults.SIDE_ROOM,
            ),
            _quantity(
                "opened",
                "length",
                "length of the host opened from its face on and dug down to it, the room there "
                "with it; default: all along the ramp, as a plan digs on a straight main; less "
                "where the ramp leaves the main, at a bend or beyond its end",
                "opened_m",
            ),
        ),
    ),
    Sheet(
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
    Sheet(
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
    Sheet(
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
    Sheet(
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
            _quantity(
                "vacuum",
                "pressure",
                "pressure inside, below the atmosphere's, such as a surge leaves (pipe pressure)",
                "vacuum_pa",
                default="0 kPa",
            ),
            _TEMPERATURE,
        ),
    ),
    Sheet(
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
                default=defaults.GROUT_DENSITY,
            ),
            _quantity(
                "cap",
                "pressure",
                "highest pressure the specification lets a grout port have",
                "cap_pa",
                default=defaults.GROUT_PRESSURE,
            ),
            _plain("empty", "flag", "the carrier is empty, not filled with water", "condition"),
            _TEMPERATURE,
        ),
        bore="high",
    ),
    Sheet(
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
