"""The data contract: every input and output layer, its fields, their units and meaning.

Inside the program a column bears the bare name (``depth``) and SI base units; the reader
strips a unit suffix and converts in, the writer adds it and converts out. A field is listed
here and nowhere else: the README's table of layers, the writer and the checks are made from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from geotools.criteria import CRITERIA, LIKELIHOOD, SIDES, Criterion
from geotools.pipe.factors import (
    FAHRENHEIT_STEP,
    FOOT,
    GALLON,
    HOUR,
    INCH,
    KGF,
    LBF,
    MILE,
    MPH,
    PSI,
)

__all__ = [
    "AHEAD",
    "AREA",
    "BEHIND",
    "BOTH",
    "COSTS",
    "CUT_OUT",
    "DIG_KINDS",
    "DIMENSIONS",
    "DISTRICT_STATUSES",
    "INPUTS",
    "LINE",
    "NAMESAKE",
    "NEEDS",
    "NO",
    "NOT_CHECKED",
    "NOT_HELD",
    "NOT_KNOWN",
    "NO_RESULT",
    "OUTPUTS",
    "OUTSIDE_RULE",
    "PLAN_LAYERS",
    "POINT",
    "REASONS",
    "RECEIVING",
    "RESUMED",
    "ROLES",
    "SCREENED",
    "STATES",
    "UNIT_SIGNS",
    "VERDICTS",
    "WAYS",
    "YEARS",
    "YES",
    "Dimension",
    "Field",
    "Layer",
    "Words",
    "angle_text",
    "describe",
    "explain",
    "length_text",
    "quantity_text",
    "unit_sign",
]


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity, its units by suffix (factor to SI base), and those written out.

    ``zero`` holds what 0 of a unit is in the unit of the program, where that is not 0 either.
    """

    units: dict[str, float]
    si: str
    us: str
    zero: dict[str, float] = field(default_factory=dict)

    def suffix(self, system: str) -> str:
        """Return the unit suffix written for ``si`` or ``us``."""
        return self.si if system == "si" else self.us

    def shown_in(self, system: str) -> tuple[str, float]:
        """Return the unit suffix written for ``si`` or ``us``, and the size of that unit in SI."""
        unit = self.suffix(system)
        return unit, self.units[unit]


DIMENSIONS: dict[str, Dimension] = {
    "length": Dimension({"m": 1.0, "ft": FOOT, "mm": 1e-3, "in": INCH}, "m", "ft"),
    "bore": Dimension({"mm": 1e-3, "in": INCH, "cm": 1e-2, "m": 1.0}, "mm", "in"),
    "pressure": Dimension({"kpa": 1e3, "psi": PSI, "bar": 1e5, "mpa": 1e6}, "kpa", "psi"),
    # winches write tonnes (of force), kgf, daN and kips; kN and lbf alone are written
    "force": Dimension(
        {
            "kn": 1e3,
            "lbf": LBF,
            "t": 1e3 * KGF,
            "kgf": KGF,
            "dan": 10.0,
            "n": 1.0,
            "kip": 1e3 * LBF,
        },
        "kn",
        "lbf",
    ),
    "line_load": Dimension({"n_per_m": 1.0, "lbf_per_ft": LBF / FOOT}, "n_per_m", "lbf_per_ft"),
    "flow": Dimension({"lps": 1e-3, "gpm": GALLON / 60, "m3h": 1 / HOUR}, "lps", "gpm"),
    "speed": Dimension({"kmh": 1 / 3.6, "mph": MPH}, "kmh", "mph"),
    "velocity": Dimension({"ms": 1.0, "fts": FOOT}, "ms", "fts"),
    "angle": Dimension({"deg": math.pi / 180}, "deg", "deg"),
    "liquid": Dimension({"m3": 1.0, "gal": GALLON}, "m3", "gal"),
    "area": Dimension({"m2": 1.0, "ft2": FOOT**2}, "m2", "ft2"),
    "volume": Dimension({"m3": 1.0, "yd3": (3 * FOOT) ** 3}, "m3", "yd3"),
    "by_length": Dimension({"per_m": 1.0, "per_ft": 1 / FOOT}, "per_m", "per_ft"),
    "per_length": Dimension({"per_km": 1e-3, "per_mile": 1 / MILE}, "per_km", "per_mile"),
    "leakage": Dimension(
        {"lps_per_km": 1e-6, "gpm_per_mile": GALLON / 60 / MILE}, "lps_per_km", "gpm_per_mile"
    ),
    "piston": Dimension({"cm2": 1e-4, "mm2": 1e-6, "in2": INCH**2}, "cm2", "in2"),
    "minutes": Dimension({"min": 60.0, "s": 1.0, "h": HOUR}, "min", "min"),
    "seconds": Dimension({"s": 1.0, "min": 60.0}, "s", "s"),
    # degrees Celsius inside, as everywhere in the program
    "temperature": Dimension(
        {"c": 1.0, "f": FAHRENHEIT_STEP}, "c", "f", {"f": -32 * FAHRENHEIT_STEP}
    ),
}

Words = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class Field:
    """One column: its bare name, type, dimension (none for plain numbers) and meaning.

    Plans written before a field was in the contract lack it if it is ``later``, and are read all
    the same, as if it were empty, with a warning. Only what nothing is worked out from is
    ``later``: without the others a plan is refused.

    ``note`` says of an input what its words do, and what stands in where it is missing. ``values``
    are all a text may be, any other being a fault of the layer; ``words`` are those that are read,
    in lower case, by what they mean.
    """

    name: str
    dtype: str  # "text", "integer", "real", "flag"
    text: str
    dimension: str | None = None
    required: bool = False
    values: tuple[str, ...] = ()
    later: bool = False
    note: str = ""
    words: Words = ()

    @property
    def meaning(self) -> str:
        """Return what it is, and what there is to know for who fills it in."""
        return f"{self.text}; {self.note}" if self.note else self.text

    def column(self, system: str = "si") -> str:
        """Return the name this field has in a file, with its unit suffix."""
        if self.dimension is None:
            return self.name
        return f"{self.name}_{DIMENSIONS[self.dimension].suffix(system)}"

    def spellings(self) -> dict[str, float]:
        """Return every column name accepted on input and its factor to SI base units."""
        if self.dimension is None:
            return {self.name: 1.0}
        units = DIMENSIONS[self.dimension].units
        return {f"{self.name}_{suffix}": factor for suffix, factor in units.items()}

    def zero(self, column: str) -> float:
        """Return what 0 in a column of one of the `spellings` is in SI."""
        if self.dimension is None:
            return 0.0
        return DIMENSIONS[self.dimension].zero.get(column.removeprefix(f"{self.name}_"), 0.0)


@dataclass(frozen=True)
class Layer:
    """One layer or table of the contract; ``geometry`` lists the kinds it may hold."""

    name: str
    text: str
    geometry: tuple[str, ...]
    fields: tuple[Field, ...]

    def field(self, name: str) -> Field:
        """Return the field of that bare name.

        Raises
        ------
        KeyError
            If the layer has no such field.
        """
        return {f.name: f for f in self.fields}[name]


def _text(
    name: str,
    text: str,
    *,
    note: str = "",
    values: tuple[str, ...] = (),
    words: Words = (),
    required: bool = False,
    later: bool = False,
) -> Field:
    return Field(
        name, "text", text, note=note, values=values, words=words, required=required, later=later
    )


def _real(
    name: str,
    text: str,
    dimension: str | None = None,
    *,
    note: str = "",
    required: bool = False,
    later: bool = False,
) -> Field:
    return Field(name, "real", text, dimension, note=note, required=required, later=later)


def _integer(name: str, text: str, *, note: str = "", later: bool = False) -> Field:
    return Field(name, "integer", text, note=note, later=later)


def _flag(name: str, text: str, *, note: str = "", words: Words = (), later: bool = False) -> Field:
    return Field(name, "flag", text, note=note, words=words, later=later)


# Words that are read, in lower case: of flags, and of the way of traffic, as the attribute tables
# of road data have it. Those of other languages are common practice, no source; marks on letters of
# flags do not matter.
YES = (
    "yes", "y", "true", "t", "1", "1.0", "open", "opened", "on",
    "ja", "j", "wahr", "oui", "vrai", "sí", "verdadero", "sì", "vero", "waar", "sim", "verdadeiro",
    "tak", "prawda", "ano", "pravda", "sant",
)  # fmt: skip
NO = (
    "no", "n", "false", "f", "0", "0.0", "closed", "close", "shut", "off",
    "nein", "falsch", "non", "faux", "falso", "nee", "onwaar", "não", "nie", "fałsz", "nepravda",
    "nej", "falskt", "falsk",
)  # fmt: skip
# Of valves, beside those for yes and no.
STATES: Words = (
    (
        "open",
        (
            "open", "opened", "offen", "auf", "geöffnet", "geoeffnet", "ouvert", "ouverte",
            "abierta", "abierto", "aperta", "aperto", "geopend", "aberta", "aberto", "otwarta",
            "otwarty", "otwarte", "otw", "otevřeno", "otevřena", "otevřený", "otevřené",
            "otevř", "öppen", "öppet", "öppna", "åben", "åbent",
        ),
    ),
    (
        "closed",
        (
            "closed", "close", "shut", "geschlossen", "zu", "verschlossen", "gesperrt",
            "abgesperrt", "fermé", "fermée", "cerrada", "cerrado", "chiusa", "chiuso", "gesloten",
            "dicht", "fechada", "fechado", "zamknięta", "zamknięty", "zamknięte", "zamkn",
            "zamk", "zavřeno", "zavřena", "zavřený", "zavřené", "zavř", "uzavřeno", "uzavřena",
            "uzavřený", "stängd", "stängt", "lukket",
        ),
    ),
)  # fmt: skip
WAYS: Words = (
    (
        "along",
        (
            *("along", "yes", "y", "true", "1", "1.0", "f", "ft", "forward", "in direction"),
            *("digitised direction", "in digitised direction"),
            *("digitized direction", "in digitized direction"),
            *("in Richtung", "in Digitalisierungsrichtung", "sens direct"),
            *("ja", "ano", "tak", "sí", "si", "sì", "oui", "sim"),
        ),
    ),
    (
        "against",
        (
            *("against", "reverse", "-1", "-1.0", "t", "tf", "backward", "against direction"),
            *("opposite direction", "in opposite direction"),
            *("against digitised direction", "against digitized direction"),
            *("gegen Richtung", "gegen Digitalisierungsrichtung", "sens inverse"),
        ),
    ),
    (
        "both",
        (
            *("both", "no", "n", "false", "0", "0.0", "b", "", "both ways", "both directions"),
            *("in both directions", "two way", "two ways", "twoway", "bidirectional"),
            *("beide Richtungen", "in beide Richtungen", "in beiden Richtungen"),
            *("double sens", "à double sens", "sans objet", "doble sentido", "ambos sentidos"),
            *("doppio senso", "entrambi i sensi", "beide richtingen", "in beide richtingen"),
            *("doble", "dwukierunkowa", "dwukierunkowy", "dwukierunkowe", "obousměrná"),
            *("obousměrný", "dubbelriktad", "dobbeltrettet"),
            *("nein", "nee", "nej", "nie", "non", "ne", "não"),
        ),
    ),
)

ACTIONS = ("fix", "forbid")
ROLES = ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")
RECEIVING, AHEAD, BEHIND, BOTH = range(len(ROLES))  # columns of what is told by role
LINE = ("LineString", "MultiLineString")
POINT = ("Point", "MultiPoint")
AREA = ("Polygon", "MultiPolygon")
ANY = (*POINT, *LINE, *AREA)
YEARS = ("installed", "year")  # fields that are years; of a date the year is taken
SCREENED = ("breaks",)  # layers a screening alone makes something of: no plan reads them

_STATUS = _text(
    "status",
    "status, such as active or abandoned",
    note="those of `network.excluded_statuses` are out of service",
)

INPUTS: dict[str, Layer] = {
    layer.name: layer
    for layer in (
        Layer(
            "mains",
            "The water mains, as drawn; the only layer that must be given.",
            LINE,
            (
                _text("main_id", "identifier, unique in the layer", required=True),
                _real("diameter", "nominal diameter", "bore", required=True),
                _text("material", "material, in words or the usual short forms"),
                _integer("installed", "year laid", note="a year or a date"),
                _real("bore", "measured inside diameter; beats the table", "bore"),
                _real(
                    "cover",
                    "ground to crown of the main",
                    "length",
                    note="used where there are no inverts; without either: `ground.assumed_cover`",
                ),
                _real("invert_start", "invert level at the first vertex", "length"),
                _real("invert_end", "invert level at the last vertex", "length"),
                _real(
                    "pressure",
                    "working pressure",
                    "pressure",
                    note="missing: `service.working_pressure`",
                ),
                _real("c_factor", "Hazen-Williams C of the main as it is"),
                _real("flow", "design flow", "flow"),
                _real("breaks", "breaks over the whole period on record: a count, no rate"),
                _real("leakage", "leakage found on the main", "flow"),
                _real(
                    "criticality",
                    "consequence of a failure: 1 (little) to 5 (most), or to "
                    "`screening.criticality_scale`",
                ),
                _STATUS,
                _text(
                    "owner",
                    "who owns the main",
                    note="those of `network.excluded_owners` are not lined",
                ),
            ),
        ),
        Layer(
            "fittings",
            "Bends, tees, crosses, reducers, caps on the mains.",
            POINT,
            (
                _text(
                    "kind",
                    "what it is: bend, tee, cross, reducer, cap, ...",
                    note="a bend or elbow turns the main by its angle; a cap, plug, end cap or "
                    "blank end ends it; the others change nothing; words in other languages are "
                    "read as those of valves",
                    required=True,
                ),
                _real("angle", "deflection of a bend", "angle"),
                _real("diameter", "nominal diameter", "bore"),
            ),
        ),
        Layer(
            "valves",
            "Line valves.",
            POINT,
            (
                _text(
                    "kind",
                    "what kind of valve",
                    note="gate, butterfly, sluice, ball and the like shut a main; air, scour, "
                    "check, control valves and the like do not; missing: a line valve",
                ),
                _flag(
                    "open",
                    "normally open: yes or no, N.O. or N.C.",
                    note="what NO, NF, NA and OFF mean is judged by their column; missing: taken "
                    "as open",
                    words=STATES,
                ),
                _text("valve_id", "identifier, by which shutdowns and findings name the valve"),
                _STATUS,
            ),
        ),
        Layer(
            "laterals",
            "Service connections, a point or a line each.",
            (*POINT, *LINE),
            (
                _real(
                    "customers", "customers behind the connection", note="missing: counts as one"
                ),
                _flag("critical", "feeds a customer who may not lose water", note="missing: no"),
                _STATUS,
            ),
        ),
        Layer("hydrants", "Hydrants, each on its main or beside it.", POINT, (_STATUS,)),
        Layer("sources", "Where water enters the network.", POINT, ()),
        Layer(
            "breaks",
            "Breaks on record, a point each; of use to a screening alone.",
            POINT,
            (
                _text(
                    "main_id",
                    "main it was on",
                    note="missing, or no main's: the nearest no farther than "
                    "`screening.break_reach`",
                ),
                _integer("year", "year of the break", note="a year or a date"),
            ),
        ),
        Layer(
            "streets",
            "Street centrelines.",
            LINE,
            (
                _text(
                    "class",
                    "arterial, collector, local, ...",
                    note="those of `street.excluded_classes` are no streets; others matter where "
                    "settings name them, such as `rates.lane_day`",
                ),
                _integer("lanes", "lanes, both directions together"),
                _real("width", "width of the carriageway", "length"),
                _real("speed", "speed limit", "speed"),
                _text("name", "name of the street"),
                _text(
                    "oneway",
                    "traffic one way, along or against the line as drawn; both ways if left out",
                    note="what T and F alone mean is judged by their column",
                    words=WAYS,
                ),
            ),
        ),
        Layer(
            "avoid",
            "Places a pit may not lie (hard) or had better not lie (soft).",
            ANY,
            (
                _text("reason", "what is there"),
                _flag(
                    "hard",
                    "whether no pit may lie there at all",
                    note="yes: no pit comes to lie there; no: a soft place, where a pit may lie "
                    "but costs more; missing: yes",
                ),
                _real(
                    "weight",
                    "factor on the site cost of a pit in a soft place, without lanes, pipe and "
                    "what is remade or fed",
                    note="2 makes the site twice as dear; less than 1 counts as 1; missing: "
                    "`rates.soft_place_factor`; of a hard place it says nothing",
                ),
                _real("buffer", "distance to keep from it", "length"),
            ),
        ),
        Layer("districts", "Areas planned one by one.", AREA, (_text("name", "its name"),)),
        Layer(
            "pit_edits",
            "The designer's wishes: pits fixed and stretches forbidden.",
            POINT,
            (
                _text("action", "fix a pit here (also if left out), or forbid", values=ACTIONS),
                _text(
                    "role",
                    "role to fix or forbid; left out: any is fixed, all are forbidden",
                    note="receiving: strings are pulled to it from both sides; insertion_ahead: "
                    "the string goes in towards the end of the run; insertion_behind: towards its "
                    "start; either takes in the pull from its other side; insertion_both: strings "
                    "go in both ways",
                    # others are no fault of the layer: the edit is refused, in a finding
                    words=tuple((role, ()) for role in ROLES),
                ),
                _text("run_id", "run it is meant for, where several are near"),
                _real(
                    "ahead_deg",
                    "azimuth in which the run went on when the role was given, degrees, as pits of "
                    "a plan tell it: where the run goes the other way now, the roles change places",
                ),
            ),
        ),
    )
}

VERDICTS = ("suitable", "doubtful", "not suitable")
NEEDS = ("high", "middle", "low")
COSTS = ("lining cheaper", "too close to call", "lining dearer")
NOT_KNOWN = "not known"
NOT_CHECKED = "not checked"  # verdict on a pull that nothing measured was given of
CUT_OUT = "cut out"  # verdict on a joint that was added on site and is not there any more
NOT_HELD = ("pass", NOT_CHECKED, CUT_OUT)  # verdicts that hold nothing against anyone
NAMESAKE = "name-of-two"  # rule of findings on a name that is of a run and of a main of another
REASONS = 5  # columns of reasons; the last holds what is left


def _criterion_fields(criterion: Criterion) -> tuple[Field, ...]:
    """Return the columns of a criterion: value, limit and verdict."""
    name, dimension, later = criterion.name, criterion.dimension, criterion.later
    words = VERDICTS if criterion.group == "suitability" else NEEDS
    at = "not suitable beyond" if criterion.group == "suitability" else "high from here"
    share = "; 0.1 here is 10 % in marks" if criterion.share else ""
    return (
        _real(name, criterion.text + share, dimension, later=later),
        _real(f"{name}_limit", f"{name}: {at}", dimension, later=later),
        _text(f"{name}_verdict", f"{name}: verdict", values=(*words, NOT_KNOWN), later=later),
    )


def _side_fields(side: str) -> tuple[Field, ...]:
    """Return the columns of a side of need: its score, and how much of it is known."""
    names = ", ".join(c.name for c in CRITERIA if c.side == side)
    what = "a failure" if side == LIKELIHOOD else "one"
    return (
        _real(
            side,
            f"{side} of {what}, 0 to 1: need by {names} alone, by their weights; empty where these "
            "weights are 0",
            later=True,
        ),
        _real(
            f"{side}_known",
            f"share of the weight of these on record, by length of the run; {side} counts the "
            "rest as unknown_need",
            later=True,
        ),
    )


DIG_KINDS = ("connection", "lateral", "hydrant", "branch_valve", "valve")
DISTRICT_STATUSES = ("done", "empty", "failed", "set_aside")
RESUMED = (
    *("kept", "new", "changed", "failed_before", "file_lost", "file_changed"),
    "written_by_earlier_version",
)
GOVERNED = ("pipe", "machine", "bend")
# Fields that several layers bear alike.
_RUN_ID = _text("run_id", "identifier of the run")
_PULL_ID = _text("pull_id", "identifier of the pull")
_PIT_ID = _text("pit_id", "identifier of the pit")
_MAIN_IDS = _text("main_ids", "source mains in order along the run, joined by commas")
_HOST_DIAMETER = _real("host_diameter", "nominal diameter of the host", "bore")
_HOST_MATERIAL = _text("host_material", "materials met along the run")
_AXIS_LENGTH = _real("length", "length along the axis", "length")
_STATUSES = ("planned", "no_plan", "not_suitable")
_STATUS = _text("status", "outcome", values=_STATUSES)
OUTSIDE_RULE = "outside-districts"  # finding of a run that touches no district
NO_RESULT = "failed"  # status of a run whose district failed: of it no plan says anything
_REASON = _text("reason", "why, in plain words, where there is no plan")
_CARRIER = _text("carrier", "carrier planned, or tried and closest to a plan")
_PIT_COUNT = _integer("pit_count", "pits planned")
_PULL_COUNT = _integer("pull_count", "pulls planned")
_LONGEST_PULL = _real("longest_pull", "longest pull planned", "length")
_HOST_BORE = "bore of the host, its low estimate or as measured"
_CAPACITY_RATIO = _real("capacity_ratio", "flow after lining over flow before, at equal gradient")
_HEAD_AFTER = _real("head_after", "head lost over the run at the design flow, carrier", "length")
_COST = _real("cost", "planning cost, in the brief's currency")
_CHAINAGE = _real("chainage", "distance from the start of the run", "length")
_HOST_DEPTH = _real("depth", "ground to invert of the host", "length")
_DEPTH_SOURCE = "what the depth rests on: invert, cover, assumed"
_ROLE = _text("role", "what the pit serves for", values=ROLES)
_RUN = _text("run_id", "the run it belongs to")


def _sides() -> tuple[Field, ...]:
    """Return how much of the run a pit of each role would open, before and after its place."""
    return tuple(
        _real(f"{side}_{role}", f"host opened {side} it as {role.replace('_', ' ')}", "length")
        for role in ROLES
        for side in ("before", "after")
    )


def _each_ramp() -> tuple[Field, ...]:
    """Return what is told of the ramps of a pit one by one; empty where it has no such ramp."""
    return (
        _real(
            "ramp_ahead",
            "ramp of the pull ahead, which comes down to it from behind; of two in one hole both "
            "are as long as it leaves room for, the one that needs less bent less",
            "length",
            later=True,
        ),
        _real("drop_ahead", "its drop, as `drop`", "length", later=True),
        _real("host_slope_ahead", "its `host_slope`", later=True),
        _real("rest_slope_ahead", "its `rest_slope`", later=True),
        _real("ramp_behind", "ramp of the pull behind, the same", "length", later=True),
        _real("drop_behind", "its drop, as `drop`", "length", later=True),
        _real("host_slope_behind", "its `host_slope`", later=True),
        _real("rest_slope_behind", "its `rest_slope`", later=True),
    )


_JOINT = (
    _text("joint_id", "identifier of the joint"),
    _RUN,
    _text("pull_id", "pull it is for"),
    _text(
        "pull_mark",
        "letters that are others as soon as the pull is laid out otherwise: ends, direction, "
        "pieces or carrier",
    ),
    _text("string_id", "string it is in, or which it joins on"),
    _integer("number", "place in the pull, the first behind the head is 1"),
    _real("chainage", "where it comes to rest, along the run", "length"),
    _flag("intermediate", "joins two strings in the insertion pit during the pull"),
)

OUTPUTS: dict[str, Layer] = {
    layer.name: layer
    for layer in (
        Layer(
            "runs",
            "Chains of mains that can be lined as one.",
            ("MultiLineString",),
            (
                _RUN_ID,
                _MAIN_IDS,
                _HOST_DIAMETER,
                _HOST_MATERIAL,
                _AXIS_LENGTH,
                _STATUS,
                _REASON,
                _CARRIER,
                _PIT_COUNT,
                _PULL_COUNT,
                _LONGEST_PULL,
                _real("host_bore", _HOST_BORE, "bore"),
                _CAPACITY_RATIO,
                _real(
                    "head_before", "head lost over the run at the design flow, old mains", "length"
                ),
                _HEAD_AFTER,
                _real("velocity", "velocity in the carrier at the design flow", "velocity"),
                _integer("bend_count", "bends found"),
                _integer(
                    "connection_count",
                    "places where other mains in service end at it; several at one place are one",
                ),
                _COST,
            ),
        ),
        Layer(
            "stations",
            "Points along every run: ground, axis, cover, depth.",
            ("Point",),
            (
                _RUN,
                _CHAINAGE,
                _text("kind", "why it is there: step, end, bend, fitting, connection, valve, ..."),
                _real("ground_z", "ground level", "length"),
                _real("axis_z", "level of the host axis", "length"),
                _real("cover", "ground to crown of the host", "length"),
                _HOST_DEPTH,
                _text("depth_source", _DEPTH_SOURCE),
                _real("grade", "rise over run of the axis, along the run"),
                _text("main_id", "source main at the station"),
            ),
        ),
        Layer(
            "bends",
            "Bends met along every run, and whether the carrier passes them.",
            ("Point",),
            (
                _text("bend_id", "identifier of the bend"),
                _RUN,
                _real("chainage", "middle of the bend", "length"),
                _real("deflection", "turning angle", "angle"),
                _text("kind", "fitting (turns at a point) or curve", values=("fitting", "curve")),
                _text(
                    "sense",
                    "side it turns to, along the run; empty where it turns up or down, to both "
                    "sides, or by its record alone",
                    values=("", "left", "right"),
                    later=True,
                ),
                _text(
                    "angle_source",
                    "drawing or fitting record",
                    values=("drawing", "fitting record"),
                ),
                _real("start", "where it begins to turn", "length"),
                _real("span", "length over which it turns", "length"),
                _real("axis_radius", "radius of the host's axis in it; 0: a mitre", "length"),
                _real(
                    "passing_radius",
                    "largest carrier radius that passes it, with the bends beside it if they are "
                    "close",
                    "length",
                ),
                _real("needed_radius", "least radius the carrier may take", "length"),
                _flag("passes", "the carrier passes; otherwise it must lie in a pit"),
            ),
        ),
        Layer(
            "candidates",
            "Every place looked at for a pit, also the refused ones.",
            ("Point",),
            (
                _text("candidate_id", "identifier of the candidate"),
                _RUN,
                _CHAINAGE,
                _flag("usable", "at least one role is possible here"),
                _text("roles", "roles possible here"),
                _text("reasons", "reasons for and against"),
                _HOST_DEPTH,
                _real("intersection_distance", "distance to the nearest intersection", "length"),
                _text("street_name", "street it lies in"),
                _text("street_class", "class of that street"),
                _integer("lanes_taken", "lanes a pit here takes"),
                _real(
                    "string_room_ahead",
                    "room for strings of a pull ahead, up to the longest; a string is of whole "
                    "pipes (`pulls.piece_length`): the room holds as many as fit in it, and a pull "
                    "has as many strings as its own pipes, shared out so, make",
                    "length",
                ),
                _real(
                    "string_room_behind",
                    "the same for a pull behind",
                    "length",
                ),
                _text(
                    "string_day_ahead",
                    "cost of the lanes that the strings of a pull ahead take a day: one string, "
                    "two, and so on, as many as find room side by side; where a longer string "
                    "comes to other streets, from which length on, m, and what it is then",
                ),
                _text("string_day_behind", "the same for a pull behind"),
                *_sides(),
                _real("cost_receiving", "site cost as a receiving pit"),
                _real("cost_insertion_ahead", "site cost as an insertion pit ahead"),
                _real("cost_insertion_behind", "site cost as an insertion pit behind"),
                _real("cost_insertion_both", "site cost as an insertion pit both ways"),
            ),
        ),
        Layer(
            "pits",
            "The pits of the plan, each at its station on the run; the ground it takes is in "
            "`pit_footprints`.",
            ("Point",),
            (
                _PIT_ID,
                _RUN,
                _real("chainage", "station of the pit", "length"),
                _ROLE,
                _real("before", "host opened before the station", "length"),
                _real("after", "host opened after the station", "length"),
                _HOST_DEPTH,
                _text("depth_source", _DEPTH_SOURCE, later=True),
                _real(
                    "dig_depth",
                    "ground to the bottom of the pit at its station: the depth and the bedding",
                    "length",
                    later=True,
                ),
                _real(
                    "deepest",
                    "ground to the bottom of the pit where it is dug deepest, ramps beside the run "
                    "or beyond its end and bedding included",
                    "length",
                    later=True,
                ),
                _real(
                    "ground_z",
                    "ground level at its station; empty where not known",
                    "length",
                    later=True,
                ),
                _real("axis_z", "level of the host's axis there, the same", "length", later=True),
                _real(
                    "bottom_z",
                    "level of the bottom of the pit there: the host's invert less the bedding",
                    "length",
                    later=True,
                ),
                _real("length", "length of the excavation along its longer axis", "length"),
                _real("width", "width at the bottom", "length"),
                _real(
                    "ramp",
                    "ramp, along the ground; of two ramps the longer, in one hole that which makes "
                    "it so long: `drop` and both slopes are of the same one",
                    "length",
                ),
                _real("drop", "resting pipe at the ramp's top to host axis at its foot", "length"),
                _real("host_slope", "rise of the host at the foot, back along the ramp"),
                _real("rest_slope", "rise of the ground behind the top, back along the ramp"),
                *_each_ramp(),
                _real("side_slope", "lean of the sides, out for each up; 0 where shored"),
                _real(
                    "ahead_deg",
                    "azimuth in which chainage grows here, degrees clockwise from true north",
                    later=True,
                ),
                _real(
                    "behind_grid_deg",
                    "bearing in which chainage grows along the 5 m of the run before the pit (the "
                    "first of it at its start), degrees clockwise from grid north: of the CRS of "
                    "this file where it shows true lengths, north up, else of that lengths are "
                    "taken in (`working_crs` of `settings`)",
                    later=True,
                ),
                _real(
                    "ahead_grid_deg",
                    "the same along the 5 m past the pit (the last of the run at its end)",
                    later=True,
                ),
                _real("volume", "excavation", "volume"),
                _real("off_street", "ground taken outside carriageway and verge", "area"),
                _text("street_name", "street it lies in"),
                _text("street_class", "class of that street"),
                _integer("lanes_taken", "lanes it takes"),
                _real(
                    "days",
                    "days of work at it: set up, dug, tied in, made good; it stands open between",
                ),
                _text("reasons", "why a pit lies here"),
                _real("cost", "planning cost of the site"),
            ),
        ),
        Layer(
            "pit_footprints",
            "Ground the pits take.",
            ("MultiPolygon",),
            (
                _PIT_ID,
                _RUN,
                _ROLE,
                _real("area", "area of the footprint", "area"),
            ),
        ),
        Layer(
            "pulls",
            "The pulls of the plan, on the host axis.",
            ("LineString Z",),
            (
                _PULL_ID,
                _RUN,
                _text("insertion_pit", "pit the string goes in by"),
                _text(
                    "receiving_pit",
                    "pit the pulling machine stands in: a receiving one, or one that inserts the "
                    "next pull the same way",
                ),
                _real("start", "edge of the pit before it", "length"),
                _real("end", "edge of the pit after it", "length"),
                _real("length", "length of carrier in the host", "length"),
                _text("direction", "with or against the run", values=("ahead", "behind")),
                _real("deflection", "sum of the bends passed", "angle"),
                _real(
                    "head_force",
                    "largest force at the pulling head; a stretch down which the string would run "
                    "by itself counts as nothing, never as help",
                    "force",
                ),
                _real("head_force_low", "the same, least friction of the band", "force"),
                _real("head_force_high", "the same, greatest friction of the band", "force"),
                _real(
                    "allowable",
                    "force that may not be passed at the head; a bend may allow less",
                    "force",
                ),
                _real(
                    "pipe_strength",
                    "tension the carrier itself bears where it is straight, of which "
                    "`pulls.force_share` is planned with",
                    "force",
                    later=True,
                ),
                _real("head_utilisation", "head force over what is allowable"),
                _real("utilisation", "greatest of force over limit, at the head or at a bend"),
                _text("governed_by", "what is nearest its limit", values=GOVERNED),
                _real(
                    "governing_chainage",
                    "where the head is when the force is nearest its limit: at that bend, or where "
                    "the head force is largest",
                    "length",
                    later=True,
                ),
                _real("governing_force", "force at the head there", "force", later=True),
                _real(
                    "governing_limit",
                    "force allowed there: what the bend leaves, else what is allowable",
                    "force",
                    later=True,
                ),
                _integer(
                    "joints",
                    "fused joints, in the strings and between them, of the length in the host; "
                    "tails may take one more (joint schedule)",
                ),
                _integer(
                    "strings",
                    "strings joined one to the next while pulling: pipes of the pull by whole "
                    "pipes (`pulls.piece_length`) that find room at its insertion pit, rounded up",
                ),
                _integer("digs", "connections dug up along the pull"),
                _real("hours", "hours of pulling and of joining strings"),
                _integer("lanes_taken", "lanes its strings take"),
                _real(
                    "string_days",
                    "days they are fused in the street and pulled in, as priced; joints made while "
                    "the pull stands still count among those fused and in its hours, to be safe; "
                    "strings that wait while others are fused lie longer (`closures`)",
                ),
                _text(
                    "z_source",
                    "what the levels (Z) of its line rest on: known (all along), filled (where "
                    "none is known, straight between those known on the pull, at its ends the "
                    "nearest), none (known nowhere: Z is 0 and stands for no level)",
                    values=("known", "filled", "none"),
                    later=True,
                ),
                _text(
                    "z_unit",
                    "unit of the levels (Z) of its line, whatever the units of the fields: of the "
                    "vertical axis of the CRS; where it has none that of its x and y; metre where "
                    "these are degrees",
                    later=True,
                ),
                _real("cost", "planning cost of the pull"),
            ),
        ),
        Layer(
            "forces",
            "Force at the head of every pull at stations and at both ends of what turns along a "
            "stretch, drag of the string outside included.",
            (),
            (
                _PULL_ID,
                _RUN,
                _real("chainage", "where the head is, along the run", "length"),
                _real("pulled", "length pulled in so far", "length"),
                _real("head_force_low", "force, least friction of the band", "force"),
                _real("head_force", "force, friction planned with", "force"),
                _real("head_force_high", "force, greatest friction of the band", "force"),
                _real("bend_limit", "tension allowed where the carrier is bent here", "force"),
            ),
        ),
        Layer(
            "sections",
            "Every pull as a section to be rested, grouted, filled and tested.",
            (),
            (
                _PULL_ID,
                _RUN,
                _real("length", "length of carrier in the host", "length"),
                _real(
                    "stretch",
                    "lengthening under the pull, taken back afterwards: by the tension averaged "
                    "along the string, all of it in, in pulls.duration, or in the hours of the "
                    "pull if they are more",
                    "length",
                ),
                _real(
                    "thermal_change",
                    "change of length from pulling to ground temperature",
                    "length",
                ),
                _real("leave", "carrier to leave out of the host, both ends together", "length"),
                _real(
                    "leave_head",
                    "of that at the head: stretch, half of the shortening as it cools, and a "
                    "length to work on; the rest at the tail",
                    "length",
                    later=True,
                ),
                _real("wait_hours", "rest before the carrier is cut and tied in, hours"),
                _real("water_volume", "water that fills the section", "liquid"),
                _real("fill_hours", "hours to fill it slowly"),
                _real(
                    "low_z",
                    "lowest level of the axis, straight between the levels known on the run",
                    "length",
                ),
                _real(
                    "low_chainage",
                    "where that is; fill from the end nearer to it",
                    "length",
                    later=True,
                ),
                _real("high_z", "highest level of the axis, as the lowest", "length"),
                _real(
                    "high_chainage",
                    "where that is; vent there, or at the end nearer to it",
                    "length",
                    later=True,
                ),
                _real(
                    "test_pressure",
                    "test pressure at the section's low point; the run is tested as one: at its "
                    "lowest point the test factor times the working pressure, higher up the less "
                    "by the water between; empty: nothing is left of it (test-below-working)",
                    "pressure",
                ),
                _real(
                    "test_pressure_high",
                    "the same at the section's high point; empty also where no level is known",
                    "pressure",
                ),
                _real(
                    "end_thrust",
                    "thrust on a cap at its end, were that at the low point: test pressure times "
                    "the area of the carrier by its outside diameter; what restrains the ends "
                    "bears it; empty: nothing is left of the test",
                    "force",
                    later=True,
                ),
                _real(
                    "working_pressure",
                    "working pressure where the test stands least above it in the section",
                    "pressure",
                    later=True,
                ),
                _text(
                    "working_source",
                    "what that rests on: recorded (main there), run (highest on record on the "
                    "run, the main there has none), assumed (service.working_pressure, where that "
                    "is more)",
                    values=("recorded", "run", "assumed"),
                    later=True,
                ),
                _real(
                    "working_test",
                    "test pressure there; under the working pressure the section is a finding "
                    "(test-below-working)",
                    "pressure",
                    later=True,
                ),
                _text("test_rule", "PE: expansion only, no leak; PVC: allowance of AWWA C605"),
                _real("test_hours", "duration of the test the next field is for, hours"),
                _real(
                    "make_up",
                    "water that may be added in the test; PE beyond 4 to 48 in as the nearest of "
                    "these sizes; PVC by the mean of the test pressures at low and high point; "
                    "empty where there is none",
                    "liquid",
                ),
                _real(
                    "annulus_volume",
                    "annulus of the mains it passes by the central estimate of their bores, or as "
                    "measured: the grout that fills it, if it is grouted; pipe grout takes the "
                    "high estimate",
                    "volume",
                ),
                _real(
                    "grout_limit",
                    "pressure allowed at a grout port at the high point; 0: none, the head of the "
                    "grout alone is more than the carrier stands; empty: no level is known",
                    "pressure",
                ),
                _integer(
                    "grout_lifts",
                    "level lifts in which the water-filled carrier stays down; that of a level "
                    "pull where no level is known; empty: it falls by more than its bore, and "
                    "lifts do not hold it down",
                ),
                _integer(
                    "grout_stages",
                    "stages, each on one that has set and from a port at its top, in which grout "
                    "does not crush the carrier; 1: at once from the high point; 0: none do, and "
                    "no grouting is in the programme; empty: no level is known",
                    later=True,
                ),
                _integer(
                    "grout_ports",
                    "ports between its pits for these stages: one at the top of every stretch that "
                    "is grouted apart, but where that is at a pit; rises and falls no higher than "
                    "the bore part none; 0: grouted at once, or not; empty: no level is known",
                    later=True,
                ),
            ),
        ),
        Layer(
            "strings",
            "Where the fused strings lie before and while they are pulled; an outline starts at "
            "the end at the pit, goes along one side and comes back along the other.",
            ("MultiPolygon",),
            (
                _text("string_id", "identifier of the string"),
                _text("pull_id", "pull it is for"),
                _RUN,
                _integer("number", "order in which it is joined on, from the pit"),
                _real("length", "length of the string", "length"),
                _text("street", "street it lies along; empty where it lies straight back, in none"),
                _integer("joints", "fused joints inside it, without the tails"),
            ),
        ),
        Layer(
            "closures",
            "Lanes closed for a pit, or for the strings behind it, with tapers and buffer.",
            ("MultiPolygon",),
            (
                _text("closure_id", "identifier of the closure"),
                _text("pit_id", "pit it is for, or that the strings lie behind"),
                _text("pull_id", "pull whose strings it is for; empty where it is for the pit"),
                _RUN,
                _text("street", "street closed"),
                _text("class", "class of the street"),
                _text("side", "approach it faces: along or against the street as drawn"),
                _integer(
                    "lanes_closed",
                    "lanes taken in this direction; none where the one lane of both is told with "
                    "the other",
                ),
                _integer("lanes_left", "lanes left in this direction"),
                _real("speed", "speed the taper is for", "speed"),
                _real(
                    "taper",
                    "length of the merging taper; none where no lane is left of the street, which "
                    "is shut by a barrier at each end",
                    "length",
                ),
                _real("buffer", "length of the buffer before the work", "length"),
                _real(
                    "lacking",
                    "what of taper and buffer finds no room in the street before the work and is "
                    "not drawn: to be set up in the streets traffic comes from",
                    "length",
                    later=True,
                ),
                _real("work_length", "length of the work space", "length"),
                _real(
                    "downstream_taper",
                    "length of the downstream taper; none where the street is shut",
                    "length",
                ),
                _real(
                    "days",
                    "days with the lanes closed: at a shored pit, of work, fewer than from first "
                    "to last day, plated between; at one with leaning sides, too wide for that, "
                    "from first to last day, of which those of work are priced; for strings, from "
                    "first to last day: fused, waiting while others are, which is not priced, and "
                    "pulled",
                ),
                _real("first_day", "working day of the run it is first put up"),
                _real("last_day", "working day it is last taken down"),
            ),
        ),
        Layer(
            "local_digs",
            "Connections, services, hydrants and valves, dug up between the pits or spared it.",
            ("Point",),
            (
                _text("dig_id", "identifier of the dig"),
                _RUN,
                _text("pull_id", "pull it lies on; empty where a pit spares it"),
                _CHAINAGE,
                _text(
                    "kind",
                    "what is dug up; branch_valve: air valve, washout and the like",
                    values=DIG_KINDS,
                ),
                _flag("spared", "a pit covers it: no dig of its own"),
                _real("depth", "ground to invert of the host", "length", later=True),
                _text("depth_source", _DEPTH_SOURCE, later=True),
                _real(
                    "dig_depth",
                    "ground to the bottom of a dig of its own: as in a pit the depth and the "
                    "bedding (`pits.bedding`), for the host is cut away all round",
                    "length",
                    later=True,
                ),
                _real(
                    "cost",
                    "planning cost, the same at every depth; it is to hold the lane the dig takes "
                    "while it is worked at, if any; in a pit the share of it that is left, of a "
                    "main at an end of the run its own rate",
                ),
            ),
        ),
        Layer(
            "quantities",
            "Quantities and cost by pit, pull and run.",
            (),
            (
                _text(
                    "scope",
                    "what it is for; shared: two pits on one ground, in no cost",
                    values=("pit", "pull", "run", "shared"),
                ),
                _text("ref", "identifier of the pit, pull or run; of shared pits the first"),
                _RUN,
                _text(
                    "item",
                    "what is counted; of pipe, which it is; lanes closed are those of pits and "
                    "strings",
                ),
                _real("quantity", "how much"),
                _text("unit", "of what"),
                _real("rate", "per unit, in the brief's currency"),
                _real("cost", "planning cost"),
            ),
        ),
        Layer(
            "schedule",
            "Tasks of every run in working days from its start.",
            (),
            (
                _RUN,
                _text("task", "what is done"),
                _text("ref", "pit, pull or run it is done at"),
                _text("crew", "who does it; a pull of several strings takes the fusing crew too"),
                _real("start_day", "working day it starts, the first is 0"),
                _real("days", "working days it takes"),
                _flag(
                    "critical",
                    "a day more here is a day more on the run; of strings, which are fused as late "
                    "as may be, even if they were fused as soon as may be",
                ),
            ),
        ),
        Layer(
            "alternatives",
            "Carriers of every run: the one chosen, those that lost and why, those not tried; and "
            "the plan without edits.",
            (),
            (
                _RUN,
                _text("carrier", "carrier of the alternative"),
                _text(
                    "outcome",
                    "what became of it; outweighed: cheaper than the chosen one, which serves the "
                    "objective better or has the larger bore",
                    values=(
                        "chosen",
                        "dearer",
                        "no_plan",
                        "not_tried",
                        "outweighed",
                        "refused",
                        "refuses_edits",
                        "without_edits",
                    ),
                ),
                _text("refused_by", "first rule it broke: fit, flow, pressure, collapse"),
                _text("reason", "why it lost, in plain words"),
                _real("outside", "outside diameter", "bore"),
                _real("carrier_bore", "average inside diameter", "bore"),
                _CAPACITY_RATIO,
                _integer("pit_count", "pits it would take"),
                _integer("pull_count", "pulls it would take"),
                _real("longest_pull", "its longest pull", "length"),
                _COST,
            ),
        ),
        Layer(
            "shutdowns",
            "Valves to close to take a run out of service, and what loses water.",
            ("MultiPoint",),
            (
                _RUN,
                _text("valves", "valves to close, joined by commas"),
                _integer("valve_count", "valves to close"),
                _flag(
                    "valves_in_order",
                    "places stand in the order of the names, one a name; not where several valves "
                    "have one name",
                    later=True,
                ),
                _integer("segments", "segments shut in"),
                _real("main_length", "length of mains that go dry", "length"),
                _real("customers", "customers without water: in dry segments and cut off"),
                _integer("critical", "critical customers among them"),
                _integer(
                    "services",
                    "service connections they have: in dry segments and cut off",
                    later=True,
                ),
                _real(
                    "customers_beyond",
                    "customers among them not served off the run itself: for them no temporary "
                    "supply is priced",
                    later=True,
                ),
                _integer(
                    "hydrants", "hydrants without water: in dry segments and cut off", later=True
                ),
                _integer("cut_off_nodes", "nodes cut off from every source though not shut in"),
                _real("cut_off_length", "mains cut off though not shut in", "length"),
                _real("temporary_supply", "length of temporary supply along the run", "length"),
                _integer("temporary_services", "services on the run, fed temporarily meanwhile"),
                _text(
                    "remarks",
                    "valves missing, shut, stuck or cut out by the work, which widen the shutdown",
                ),
            ),
        ),
        Layer(
            "ranking",
            "Runs of a screening, the one to line first on top.",
            ("MultiLineString",),
            (
                _integer("rank", "place in the ranking"),
                _RUN_ID,
                _MAIN_IDS,
                _HOST_DIAMETER,
                _HOST_MATERIAL,
                _AXIS_LENGTH,
                _text(
                    "verdict",
                    "worst of the verdicts on suitability; an estimate: a run that is doubtful may "
                    "have no plan",
                    values=VERDICTS,
                ),
                _text(
                    "reason_need",
                    "why it is in need, in plain words: what adds most to it, and a stretch in far "
                    "more",
                    later=True,
                ),
                *(
                    _text(f"reason_{k + 1}", "why, in plain words; what rules it out first")
                    for k in range(REASONS)
                ),
                _text("assumed", "what a setting or a default stands in for, in words"),
                _text("not_known", "criteria of which nothing, or too little, is on record"),
                _real("priority", "need and suitability by their weights, 0 to 1"),
                _real("need", "mean mark of need by weight; not known counts as unknown_need"),
                _real("need_known", "share of the weight of need on record, by length of the run"),
                _real("suitability", "mean mark by weight of the criteria of suitability known"),
                _real(
                    "suitability_known",
                    "share of the weight of suitability on record, by length of the run; what "
                    "is assumed is not",
                ),
                _real(
                    "worst_need",
                    "need of its worst stretch: whole mains joined, as long together as "
                    "`screening.run_length_good` or the run",
                    later=True,
                ),
                _real("worst_length", "length of that stretch", "length", later=True),
                _text("worst_main_ids", "its mains in order, joined by commas", later=True),
                _integer("rank_need", "place by need alone"),
                _integer("rank_suitability", "place by suitability alone"),
                _integer("rank_best", "best place as the weights move one by one"),
                _integer("rank_worst", "worst place as the weights move one by one"),
                _integer(
                    "rank_if_needed",
                    "place if what is not known of its need spoke for it",
                    later=True,
                ),
                _text("moved_most_by", "weight whose move changes the place most"),
                _text("carrier", "carrier the figures are for; the closest where none suits"),
                _flag("carrier_suits", "a carrier suits; otherwise the run is not suitable"),
                _CAPACITY_RATIO,
                _text(
                    "hydraulics_basis",
                    "flow wanted: the design flow, or a share of the old main's",
                    values=("design flow", "capacity"),
                ),
                _real("host_bore", f"{_HOST_BORE}: that of the fit", "bore", later=True),
                _real(
                    "host_bore_flow",
                    "bore of the host, middle estimate or as measured: that of the capacity ratio",
                    "bore",
                    later=True,
                ),
                _real("host_c", "Hazen-Williams C of the host, that of the ratio", later=True),
                _real("outside", "outside diameter of the carrier", "bore", later=True),
                _real("carrier_bore", "average inside diameter of the carrier", "bore", later=True),
                _real(
                    "working_pressure",
                    "working pressure of the run: the highest on record, or that assumed",
                    "pressure",
                    later=True,
                ),
                _real(
                    "design_flow",
                    "design flow of the run: the highest on record; empty where none is",
                    "flow",
                    later=True,
                ),
                _real(
                    "groundwater",
                    "groundwater above the deepest invert on the run",
                    "length",
                    later=True,
                ),
                _integer("pit_count", "pits, quick estimate"),
                _real("longest_pull", "longest pull there can be, quick estimate", "length"),
                _real("lining_cost_low", "lining, low end of the band"),
                _real("lining_cost", "lining, quick estimate"),
                _real("lining_cost_high", "lining, high end of the band"),
                _real("open_cut_cost_low", "replacement in open cut, low end of the band"),
                _real("open_cut_cost", "replacement in open cut, quick estimate"),
                _real("open_cut_cost_high", "replacement in open cut, high end of the band"),
                _real(
                    "cost_ratio", "lining over open cut; without laterals, of both with no service"
                ),
                _text(
                    "cost_verdict",
                    "cheaper or dearer if the bands are apart, else too close; without laterals "
                    "what holds whatever the number of services",
                    values=(*COSTS, NOT_KNOWN),
                ),
                *(field for criterion in CRITERIA for field in _criterion_fields(criterion)),
                _real("break_count", "breaks on record", later=True),
                _real(
                    "breaks_yearly",
                    "breaks per length and year: those with a year, over the years on record in "
                    "which the main lay; empty without a layer of breaks with years, or a period",
                    "per_length",
                    later=True,
                ),
                _real(
                    "cost_running",
                    "lining, quick estimate, of this run and all before it in the ranking; of runs "
                    "that are not suitable none",
                    later=True,
                ),
                _flag(
                    "in_budget",
                    "it fits into what the runs before it leave of `screening.budget`; empty "
                    "without a budget, and where it is not suitable",
                    later=True,
                ),
                _real("budget_left", "what is left of the budget after it", later=True),
                *(field for side in SIDES for field in _side_fields(side)),
                _real(
                    "customers",
                    "customers behind the services along it, one where their number is not on "
                    "record; empty without laterals",
                    later=True,
                ),
                _text(
                    "district",
                    "district most of it lies in; empty without the layer, or in none",
                    later=True,
                ),
            ),
        ),
        Layer(
            "ranking_mains",
            "Source mains of a screening with the place of their run; a row each, without a line "
            "where it was set aside.",
            ("MultiLineString",),
            (
                _text("main_id", "identifier in the source; its parts, if any, are /1, /2, ..."),
                _text("run_id", "run that holds most of it; empty where it is in none"),
                _text("run_ids", "all its runs, the one with most of it first, joined by commas"),
                _text(
                    "run_shares", "shares of its length in these runs, joined by commas", later=True
                ),
                _real(
                    "length",
                    "length of the main, all parts together; empty of one set aside",
                    "length",
                ),
                _real("share", "share of its length that lies in that run"),
                _integer("rank", "place of that run"),
                _text("verdict", "verdict on that run", values=(*VERDICTS, "not considered")),
                _text("reason_need", "why that run is in need", later=True),
                _text("reason", "first reason of the run, or why it is in none"),
                _real("priority", "priority of the run"),
                _real("need", "need of the run"),
                _real("suitability", "suitability of the run"),
                _real(
                    "main_need",
                    "need of the main by its own records, of what of it lies in runs",
                    later=True,
                ),
                _real("break_count", "breaks on record, of what of it lies in runs", later=True),
            ),
        ),
        Layer(
            "criteria",
            "Criteria of a screening: weight, thresholds and what they mean.",
            (),
            (
                _text("criterion", "its name, that of the column in the ranking"),
                _text("kind", "what it tells of", values=("need", "suitability")),
                _text(
                    "side",
                    "of need: whether of the likelihood of a failure or of its consequence",
                    values=(*SIDES, ""),
                    later=True,
                ),
                _real("weight", "its weight among those of its kind"),
                _real("full_at", "value with the full mark of 1"),
                _real("none_at", "value with no mark; empty where it differs from run to run"),
                _text("unit", "unit of both"),
                _text("origin", "default, brief or command line, of the weight"),
                _text("source", "where weight and thresholds come from"),
                _text("settings", "settings it is made of, joined by commas"),
                _text("text", "what it measures, and how the verdict follows"),
                _integer("known", "runs that have a value of it, on record or assumed"),
            ),
        ),
        Layer(
            "marks",
            "Every criterion of every run of a screening: the sum that makes its place.",
            (),
            (
                _RUN,
                _text("criterion", "name of the criterion"),
                _text("kind", "what it tells of", values=("need", "suitability")),
                _real("value", "value, in the unit given"),
                _text("unit", "unit of value and thresholds"),
                _real("full_at", "value with the full mark"),
                _real("none_at", "value with no mark"),
                _real(
                    "known",
                    "share of the run's length the value is on record for, or measured on; what "
                    "rests on what is assumed is not known",
                    later=True,
                ),
                _real(
                    "mark",
                    "0 to 1, straight between the two; of need at value by known, and the least "
                    "there is (0, of criticality 1) by the rest",
                ),
                _real("weight", "its weight"),
                _real("part", "what it adds to the score"),
                _text("verdict", "verdict"),
            ),
        ),
        Layer(
            "joints",
            "Fused joints of every string, where they come to rest, and how to fuse them.",
            ("Point",),
            (
                *_JOINT,
                _real("piece_before", "length of the piece before it, along the run", "length"),
                _real("piece_after", "length of the piece after it", "length"),
                _text("carrier", "pipe to be fused"),
                _text("material", "its material"),
                _real("outside", "outside diameter", "bore"),
                _real("wall", "minimum wall", "bore"),
                _real("dr", "outside diameter over minimum wall"),
                _text("procedure", "what the limits are taken from; empty: no limits known"),
                _real("heater_low", "heater surface, lowest", "temperature"),
                _real("heater_high", "heater surface, highest", "temperature"),
                _real("interfacial_low", "least pressure between the pipe ends", "pressure"),
                _real("interfacial", "pressure between the pipe ends to aim at", "pressure"),
                _real("interfacial_high", "most pressure between the pipe ends", "pressure"),
                _real("gauge_low", "the same on the gauge of the machine, least", "pressure"),
                _real(
                    "gauge",
                    "pressure to set on the gauge: that between the ends by the area of the wall "
                    "over that of the piston, and drag; empty if the piston is not given",
                    "pressure",
                ),
                _real("gauge_high", "on the gauge, most", "pressure"),
                _real("bead", "least bead before the heater is taken out", "bore"),
                _real("soak", "least heat soak; 0: the bead alone decides", "minutes"),
                _real("removal", "longest time from opening to closing again", "seconds"),
                _real("cool", "least cooling under pressure", "minutes"),
            ),
        ),
        Layer(
            "asbuilt_joints",
            "Fused joints held against the inspector's records.",
            ("Point",),
            (
                *_JOINT,
                _text(
                    "verdict",
                    "pass, fail, missing (no record), unknown (not in the schedule) or cut out "
                    "(added on site and cut out again, so not due)",
                    values=("pass", "fail", "missing", "unknown", CUT_OUT),
                ),
                _text("reasons", "everything found against it"),
                _integer("records", "records of it that count"),
                _text("lines", "lines of the file they stand in"),
                _text("made", "date and time of the record"),
                _text("operator", "who fused it"),
                _text("machine", "machine used"),
                _real("found_interfacial", "pressure between the pipe ends", "pressure"),
                _real("found_cool", "cooling under pressure", "minutes"),
                _real("found_heater_low", "heater surface, coldest point", "temperature"),
                _real("found_heater_high", "heater surface, hottest point", "temperature"),
                _real("found_bead", "bead when the heater was taken out", "bore"),
                _real("found_soak", "heat soak", "minutes"),
                _real("found_removal", "time from opening to closing again", "seconds"),
                _text("lot_left", "print line or lot of the pipe"),
                _text("lot_right", "the same, other side"),
                _text("remarks", "what else the record says"),
                _integer("cut_outs", "records that say it was cut out"),
                _integer(
                    "set_aside",
                    "records of it that do not count: of it cut out, of what was cut out later, of "
                    "another layout of its pull",
                ),
                _text("set_aside_lines", "lines of the file these stand in"),
            ),
        ),
        Layer(
            "asbuilt_pulls",
            "Pulls as made against the plan, their lines as there (Z too).",
            ("LineString Z",),
            (
                _PULL_ID,
                _RUN,
                _text(
                    "verdict",
                    "outcome; not checked where no records of pulls were given",
                    values=("pass", "fail", "missing", "unknown", NOT_CHECKED),
                ),
                _text("reasons", "everything found against it"),
                _real("length", "length planned", "length"),
                _real("found_length", "length measured", "length"),
                _real("head_force", "largest force planned at the head", "force"),
                _real("allowable", "force that may not be passed", "force"),
                _real("found_force", "largest force measured", "force"),
                _text("started", "start of the pull"),
                _text("ended", "end of the pull"),
                _integer("joints", "joints of the schedule, and those added on site"),
                _integer("joints_passed", "joints with a good record"),
                _integer("joints_failed", "joints with a fault"),
                _integer("joints_missing", "joints without a record"),
            ),
        ),
        Layer(
            "context",
            "What the input layers hold near the runs, and the streets that strings and closures "
            "lie in or by, as a backdrop for maps and drawings.",
            ("Unknown",),
            (
                _text("layer", "input layer it is from"),
                _text("feature", "feature of that layer"),
                _text("kind", "kind of fitting or valve, class of street, reason to keep off"),
                _text("name", "name of the street"),
                _real("angle", "deflection of a fitting", "angle"),
                _real("width", "width of the carriageway", "length"),
                _real("lanes", "lanes of a street, both directions", later=True),
                _text(
                    "oneway",
                    "traffic of a street goes one way, along or against the line; empty both ways",
                    later=True,
                ),
                _flag("hard", "a place where no pit may lie"),
                _real("buffer", "distance to keep from it", "length"),
            ),
        ),
        Layer(
            "district_results",
            "Districts of a batch and what became of each.",
            ("MultiPolygon",),
            (
                _text("district", "name of the district"),
                _text("status", "outcome; set_aside: workers died of it", values=DISTRICT_STATUSES),
                _text("error", "why it has no plan, in words"),
                _text("file", "its plan, in the same folder"),
                _text(
                    "resumed",
                    "the plan of an earlier batch was kept, or why it was planned",
                    values=RESUMED,
                    later=True,
                ),
                _text("changed", "what changed since, joined by commas", later=True),
                _integer("tries", "tries in this batch; 0: unchanged since the last"),
                _integer("runs_planned", "runs with a plan"),
                _integer("runs_without_plan", "runs a carrier suits, without a plan"),
                _integer("runs_not_suitable", "runs no carrier suits"),
                _integer(
                    "runs_failed",
                    "runs it was to plan, where it failed or was set aside",
                    later=True,
                ),
                _integer("pits", "pits planned"),
                _integer("pulls", "pulls planned"),
                _real("length", "length of the runs planned", "length"),
                _real(
                    "length_failed",
                    "length of the runs it was to plan and did not",
                    "length",
                    later=True,
                ),
                _COST,
                _integer("plan_errors", "errors among the findings of its plan", later=True),
                _integer("plan_warnings", "warnings among the findings of its plan", later=True),
            ),
        ),
        Layer(
            "district_runs",
            "Runs of all districts of a batch, the cheapest by length first.",
            ("MultiLineString",),
            (
                _integer("rank", "place by cost per length; none without a plan"),
                _text("district", "district that plans it"),
                _RUN,
                _MAIN_IDS,
                _HOST_DIAMETER,
                _AXIS_LENGTH,
                _text(
                    "status",
                    "outcome; failed: the district that was to plan it failed or was set aside",
                    values=(*_STATUSES, NO_RESULT),
                ),
                _REASON,
                _CARRIER,
                _PIT_COUNT,
                _PULL_COUNT,
                _LONGEST_PULL,
                _COST,
                _real("unit_cost", "cost per length", "by_length"),
            ),
        ),
        Layer(
            "comparison",
            "Runs of several plans side by side, a row for each run and plan that holds it.",
            ("MultiLineString",),
            (
                _integer("number", "number of the run, the same in every plan"),
                _text("plan", "name of the plan"),
                _text("run_id", "identifier of the run in that plan"),
                _integer("plans", "plans that hold the run"),
                _HOST_DIAMETER,
                _AXIS_LENGTH,
                _STATUS,
                _REASON,
                _CARRIER,
                _COST,
                _PIT_COUNT,
                _PULL_COUNT,
                _LONGEST_PULL,
                _real(
                    "lane_days",
                    "lanes taken by pits and strings times the days of each; not by local digs",
                ),
                _HEAD_AFTER,
                _CAPACITY_RATIO,
                _real("days", "working days from the first task of the run to its last"),
                _real("customers", "customers without water while the run is out of service"),
                _real("shut_length", "length of mains that go dry", "length"),
                _flag("cheapest", "no plan of this run costs less"),
                _text("best_in", "criteria in which no plan is better and another is worse"),
                _text(
                    "dominated_by",
                    "plans no worse in any criterion and better in one, joined by commas; where "
                    "there is no solution, all that have one",
                ),
                _flag("efficient", "planned, and dominated by none"),
                _text("not_counted", "criteria not known of all plans of the run: no part"),
            ),
        ),
        Layer(
            "comparison_totals",
            "Plans side by side: over the runs planned in all of them, and over all their own.",
            (),
            (
                _text("plan", "name of the plan"),
                _text("file", "its file"),
                _integer("common_runs", "runs planned in all plans: the fields that follow"),
                _real("common_length", "their length", "length"),
                _real("common_cost", "their planning cost, in the brief's currency"),
                _integer("common_pit_count", "their pits"),
                _integer("common_pull_count", "their pulls"),
                _real("common_longest_pull", "their longest pull", "length"),
                _real("common_lane_days", "their lanes taken times days"),
                _real(
                    "common_head_after",
                    "head lost over those whose design flow is known in all plans, added up",
                    "length",
                ),
                _real("common_capacity_ratio", "their least flow after lining over flow before"),
                _text("best_in", "criteria in which no plan is better and another is worse"),
                _text("dominated_by", "plans no worse in any of these sums and better in one"),
                _flag("efficient", "dominated by none"),
                _integer("common_cheapest", "those of them no plan does for less"),
                _integer("common_efficient", "those of them dominated by no other plan"),
                _integer("runs", "runs the plan holds"),
                _integer("runs_planned", "runs with a plan: the fields that follow"),
                _real("length", "their length", "length"),
                _real("cost", "their planning cost, in the brief's currency"),
                _integer("pit_count", "their pits"),
                _integer("pull_count", "their pulls"),
                _real("longest_pull", "their longest pull", "length"),
                _real("lane_days", "their lanes taken times days"),
            ),
        ),
        Layer(
            "settings_differ",
            "Settings that are not the same in all plans, a row for each and plan.",
            (),
            (
                _text("name", "key of the brief"),
                _text("plan", "name of the plan"),
                _text("value", "value used, with its unit; empty: the plan does not hold it"),
                _text("origin", "default, brief or command line"),
                _text("text", "what it means"),
            ),
        ),
        Layer(
            "findings",
            "Assumptions, repairs, refusals and gaps.",
            ("Unknown",),
            (
                _text("severity", "gravity", values=("info", "warning", "error")),
                _text("rule", "stable name of the rule"),
                _text("layer", "layer it concerns"),
                _text("feature", "feature it concerns"),
                _text("text", "what was found, what was done, what to do"),
            ),
        ),
        Layer(
            "settings",
            "Every setting used, given or by default.",
            (),
            (
                _text("name", "key of the brief"),
                _text("value", "value used, with its unit"),
                _text("unit", "unit of the value"),
                _text(
                    "origin",
                    "default, brief or command line; always, of a caution, the program and the CRS "
                    "measured in",
                ),
                _text("source", "where the default comes from"),
                _text("text", "what it means"),
            ),
        ),
        Layer(
            "inputs",
            "What was read.",
            (),
            (
                _text("layer", "layer of the contract"),
                _text("source", "file name"),
                _text("sublayer", "layer inside the file"),
                _text("sha256", "hash of the file, or of what a GeoDataFrame holds"),
                _text("crs", "its coordinate reference system"),
                _integer("features_read", "features read"),
                _integer(
                    "features_used",
                    "features used after repair and refusal; none where only districts read it",
                ),
            ),
        ),
        Layer(
            "columns",
            "What `intake` makes of the columns of the layers given.",
            (),
            (
                _text("layer", "layer of the contract"),
                _text("field", "field of the contract, bare; empty for a column left over"),
                _text("column", "column of the file; empty for a field that is not there"),
                _text("read_as", "name it is read under, with the unit"),
                _text("state", "what became of it", values=("read", "not there", "left over")),
            ),
        ),
    )
}


# How a unit suffix is written for a reader, where that differs.
# What `plan` writes, of a network or of a district, in this order.
PLAN_LAYERS = (
    "runs",
    "stations",
    "bends",
    "candidates",
    "pits",
    "pit_footprints",
    "pulls",
    "forces",
    "sections",
    "strings",
    "closures",
    "local_digs",
    "quantities",
    "schedule",
    "alternatives",
    "shutdowns",
    "context",
    "findings",
    "settings",
    "inputs",
)

UNIT_SIGNS = {
    "kpa": "kPa",
    "mpa": "MPa",
    "kn": "kN",
    "n": "N",
    "c": "°C",
    "f": "°F",
    "deg": "°",
    "m2": "m²",
    "ft2": "ft²",
    "in2": "in²",
    "cm2": "cm²",
    "mm2": "mm²",
    "m3": "m³",
    "yd3": "yd³",
    "m3h": "m³/h",
    "lps": "L/s",
    "kmh": "km/h",
    "ms": "m/s",
    "fts": "ft/s",
}


def unit_sign(suffix: str) -> str:
    """Return a unit suffix as it is written for a reader: ``lps_per_km`` is L/s per km."""
    return " ".join(UNIT_SIGNS.get(word, word) for word in suffix.split("_"))


def quantity_text(value: float, dimension: str, system: str, digits: int = 1) -> str:
    """Return a quantity, SI, in words, in the units of ``si`` or ``us``."""
    unit, size = DIMENSIONS[dimension].shown_in(system)
    return f"{value / size:,.{digits}f} {unit_sign(unit)}"


def length_text(length: float, system: str, digits: int = 1) -> str:
    """Return a length, m, in words, in the units of ``si`` or ``us``."""
    return quantity_text(length, "length", system, digits)


def angle_text(turn: float) -> str:
    """Return an angle, radians, in degrees as fittings are named: 22.5, 11.25, 45."""
    return f"{round(math.degrees(turn), 2):g}"


def describe(layers: dict[str, Layer], system: str = "si") -> str:
    """Return the layers and their fields as a Markdown list, for the README."""
    lines: list[str] = []
    for layer in layers.values():
        kinds = " or ".join(layer.geometry) or "table"
        lines.append(f"- **{layer.name}** ({kinds}): {layer.text}")
        names = [f"`{f.column(system)}`{' (must)' if f.required else ''}" for f in layer.fields]
        if names:
            lines.append("  " + ", ".join(names))
    return "\n".join(lines) + "\n"


_MAY_HOLD = {
    "text": "text",
    "integer": "whole number",
    "real": "number",
    "flag": "yes or no",
    "time": "date, with or without the time of day",
}


def explain(layers: dict[str, Layer], system: str = "si") -> str:
    """Return the layers with every field, its meaning and words in Markdown, for the README."""
    blocks = []
    for layer in layers.values():
        kinds = " or ".join(layer.geometry) or "table"
        lines = [f"**{layer.name}** ({kinds}): {layer.text}"]
        if layer.fields:
            lines += ["", "| field | what it is | may hold |", "|---|---|---|"]
        for column in layer.fields:
            name = f"`{column.column(system)}`{' (must)' if column.required else ''}"
            meaning = column.meaning.replace("|", "\\|")
            lines.append(f"| {name} | {meaning} | {_may_hold(column)} |")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _may_hold(column: Field) -> str:
    """Return what a field may hold, with all words that are read for each meaning."""
    if column.words:
        told = [
            f"`{meaning}`{_also([w for w in words if w not in (meaning, '')])}"
            for meaning, words in column.words
        ]
        return "; ".join([_MAY_HOLD["flag"], *told] if column.dtype == "flag" else told)
    return ", ".join(f"`{word}`" for word in column.values) or _MAY_HOLD[column.dtype]


def _also(words: list[str]) -> str:
    """Return further words in brackets; nothing where there are none."""
    return f" ({', '.join(words)})" if words else ""
