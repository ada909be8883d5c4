"""The brief: every setting of a run, with its unit, default and where the default comes from."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, get_args, get_origin

import pydantic
from pydantic import BaseModel, ConfigDict, Field
from pydantic.fields import FieldInfo
from pydantic_core import core_schema

from geotools.clock import this_year
from geotools.criteria import CRITERIA, NEED
from geotools.encodings import known_encoding
from geotools.errors import BriefError
from geotools.lists import list_from_text, list_text, words_apart
from geotools.pipe import bounds, defaults
from geotools.pipe.factors import DAY, HOUR
from geotools.pipe.names import Material, System, folded
from geotools.schema import INPUTS
from geotools.toml_faults import escapes_in, path_hint, toml_fault
from geotools.units import (
    LevelUnit,
    example,
    examples,
    limit_text,
    parse_quantity,
    unit_of,
    usual_unit,
)
from geotools.worktime import SHIFT_H, Per, refuse_other_time

__all__ = [
    "USERS",
    "Bends",
    "Brief",
    "CarrierChoice",
    "Crew",
    "FixedPipe",
    "InputSource",
    "Length",
    "Network",
    "OwnPipe",
    "Pressure",
    "Pulls",
    "Rates",
    "Screening",
    "Service",
    "Setting",
    "Sheets",
    "Street",
    "Temperature",
    "Time",
    "anywhere",
    "declared",
    "lay_over",
    "load_brief",
    "read_brief",
    "settings",
    "sources_of",
]

COMMON = "common practice, no source"
INVENTED = "invented planning value, to be replaced by your own"
USERS = "the user"
# Beyond these a setting is a slip, and sums of it are numbers no more.
MOST = 1e12  # of a rate, in any currency
DEAREST = 1e3  # factor of a place
SLOWEST = 0.01 / DAY  # m, m2 or m3 in a day
_NEED_NAMES = tuple(criterion.name for criterion in CRITERIA if criterion.group == NEED)


class _InSi(float):
    """A quantity of a brief that is loaded already: in SI, and no text any more."""


@dataclass(frozen=True)
class Kind:
    """Marks a number of the brief as a quantity of this kind, written with its unit.

    ``per`` is the time it is stated by, where a day would be taken for 24 hours or for a shift.
    """

    name: str
    per: Per | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """Parse the text before pydantic's own checks of the number."""
        return core_schema.no_info_before_validator_function(self.parse, handler(source))

    def parse(self, value: object) -> float:
        """Return the quantity in SI units."""
        if isinstance(value, _InSi):
            return float(value)
        number = parse_quantity(value, self.name)
        if self.per is not None:
            refuse_other_time(str(value), self.name, self.per)
        # Of a scale with another zero, 140 F, the last digits of the sum are noise: it would be
        # above a limit of 60 C.
        return round(number, 9) if self.name == "temperature" else number


Length = Annotated[float, Kind("length")]
Diameter = Annotated[float, Kind("diameter")]
Angle = Annotated[float, Kind("angle")]
Force = Annotated[float, Kind("force")]
Pressure = Annotated[float, Kind("pressure")]
Density = Annotated[float, Kind("density")]
Speed = Annotated[float, Kind("speed")]
Time = Annotated[float, Kind("time")]
Temperature = Annotated[float, Kind("temperature")]
PerItem = Annotated[float, Kind("per_item")]
PerLength = Annotated[float, Kind("per_length")]
PerArea = Annotated[float, Kind("per_area")]
PerVolume = Annotated[float, Kind("per_volume")]
PerMass = Annotated[float, Kind("per_mass")]
# What a crew does is stated by the day of work, what is priced by the hour, or goes on while the
# machine runs, by the hour.
PerHour = Annotated[float, Kind("per_time", "hour")]
SpeedAtWork = Annotated[float, Kind("speed", "hour")]
LengthPerDay = Annotated[float, Kind("speed", "day")]
VolumePerDay = Annotated[float, Kind("volume_rate", "day")]
AreaPerDay = Annotated[float, Kind("area_rate", "day")]
FlowPerLength = Annotated[float, Kind("area_rate")]  # m3/s on each m


def _written(default: Any) -> str:
    return "none" if default is None else str(default)


def _set(default: Any, text: str, source: str, **bounds: Any) -> Any:
    """Declare one setting: default as the user would write it, meaning, source, bounds (SI)."""
    return Field(
        default,
        description=text,
        json_schema_extra={"source": source, "written": _written(default)},
        validate_default=True,
        **bounds,
    )


def _range(ends: tuple[float, float], size: float = 1.0) -> dict[str, float]:
    """Return a range of a formula as bounds of a setting; size of its unit in SI."""
    return {"ge": ends[0] * size, "le": ends[1] * size}


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class InputSource(_Section):
    """Where a layer comes from and how its fields are named there."""

    source: str | list[str] = Field(description="path, or path:layer; for the DEM also a list")
    fields: dict[str, str] = Field(
        default_factory=dict,
        description="contract field with its unit suffix = column of the file",
    )
    crs: str | None = Field(default=None, description="CRS of a layer whose file does not say")
    encoding: Annotated[str, pydantic.AfterValidator(known_encoding)] | None = Field(
        default=None, description="encoding of text that is not UTF-8"
    )
    vertical_unit: LevelUnit | None = Field(
        None, description="unit of levels, where the file does not say"
    )


class Network(_Section):
    """How mains become runs."""

    snap_tolerance: Length = _set(
        "0.5 m", "ends closer than this are one node", COMMON, ge=0, le=10
    )
    min_diameter: Diameter = _set("300 mm", "smaller mains are not considered", COMMON, ge=0.05)
    diameter_tolerance: float = _set(
        0.02,
        "mains whose diameters differ by less (share) continue each other",
        COMMON,
        ge=0,
        lt=0.5,
    )
    max_turn: Angle = _set(
        "100 deg", "a run ends where it would turn more than this", COMMON, gt=0, le=3.2
    )
    excluded_statuses: list[str] = _set(
        ["abandoned", "removed", "proposed", "retired", "out of service"],
        "mains with these statuses are not lined, and carry no water to connect to others",
        COMMON,
    )
    excluded_owners: list[str] = _set(
        [],
        "mains of these owners are not lined; they carry water and connect to others all the same",
        USERS,
    )
    service_reach: Length = _set(
        "20 m",
        "a service or hydrant belongs to the nearest main in service no farther away than this",
        COMMON,
        gt=0,
        le=100,
    )
    only: list[str] = _set(
        [],
        "runs to plan, each by its name or that of a main it holds; without any, all are planned. "
        "The network stays whole, and so do names, connections and shutdowns of the runs",
        USERS,
    )
    working_crs: str | None = Field(
        default=None,
        description="projected CRS to measure in; by default the mains' own, or the local UTM zone",
        json_schema_extra={"source": "the mains", "written": "none"},
    )

    @pydantic.field_validator("only", mode="before")
    @classmethod
    def one_by_one(cls, value: object) -> object:
        """Take names with commas between them apart, as they stand after ``--only``."""
        return words_apart(value) if isinstance(value, list | tuple) else value


class Ground(_Section):
    """Levels and stations along the runs."""

    step: Length = _set("10 m", "spacing of stations, at most", COMMON, ge=0.5, le=200)
    assumed_cover: Length = _set(
        "1.2 m", "cover of a main with no invert and no cover on record", COMMON, gt=0, le=30
    )
    survey_accuracy: Length = _set(
        "0.5 m", "wiggles of the drawing smaller than this are noise", COMMON, ge=0, le=10
    )
    vertical_unit: LevelUnit | None = Field(
        default=None,
        description="unit of the DEM, where the file does not say",
        json_schema_extra={"source": "the DEM", "written": "none"},
    )


class Bends(_Section):
    """How the drawing is read for bends."""

    gather: float = _set(
        5.0,
        "vertices closer than this many host diameters are one bend; an arc of a wider radius and "
        "longer than twice that is a curve",
        COMMON,
        gt=0,
        le=50,
    )
    least_angle: Angle = _set("3 deg", "smaller turns are taken as straight", COMMON, gt=0, le=0.5)
    curve_angle: Angle = _set(
        "15 deg",
        "turns up to this at each vertex, at even spacing, are a curve and not fittings",
        COMMON,
        gt=0,
        le=0.8,
    )
    fitting_reach: Length = _set(
        "3 m",
        "a fitting or a valve belongs to a main no farther away than this",
        COMMON,
        gt=0,
        le=50,
    )
    fitting_radius: float = _set(
        0.0,
        "axis radius of a bend fitting in host diameters; 0 is a mitre, the safe side",
        COMMON,
        ge=0,
        le=20,
    )


class OwnPipe(_Section):
    """A pipe of the user's own, added to the catalogue."""

    name: str = Field(min_length=1, max_length=80, description="its name")
    material: Material = Field(description="its material")
    outside: Diameter = Field(
        ge=bounds.OUTSIDE_M[0], le=bounds.OUTSIDE_M[1], description="outside diameter"
    )
    wall: Length = Field(
        gt=0.001, le=0.3, description="minimum wall", json_schema_extra={"written": "25 mm"}
    )

    @pydantic.model_validator(mode="before")
    @classmethod
    def from_text(cls, value: object) -> object:
        """Take a pipe written as ``name; material; outside; wall``."""
        if not isinstance(value, str):
            return value
        parts = [part.strip() for part in value.split(";")]
        if len(parts) != 4:
            raise ValueError(f"{value!r} is not 'name; material; outside diameter; wall'")
        return dict(zip(("name", "material", "outside", "wall"), parts, strict=True))

    @pydantic.field_validator("name")
    @classmethod
    def plain(cls, value: str) -> str:
        """Refuse a name that could not be written in a list or after ``run =``."""
        if set(value) & set(";,="):
            raise ValueError(f"{value!r}: a name may not hold ';', ',' or '='")
        return value

    def __str__(self) -> str:
        """Write the pipe as the brief takes it."""
        outside, wall = (f"{size * 1e3:.10g} mm" for size in (self.outside, self.wall))
        return f"{self.name}; {self.material}; {outside}; {wall}"


def _around_last_sign(value: object, form: str, names: tuple[str, str]) -> object:
    """Take a pair written with ``=`` between its parts; the first part may hold the sign too."""
    if not isinstance(value, str):
        return value
    first, sign, last = (part.strip() for part in value.rpartition("="))
    if not (sign and first and last):
        raise ValueError(f"{value!r} is not of the form '{form}'")
    return dict(zip(names, (first, last), strict=True))


class FixedPipe(_Section):
    """The pipe a run or a main gets, whatever the choice."""

    owner: str = Field(min_length=1, description="run or main")
    pipe: str = Field(min_length=1, description="name of the pipe, which holds no '='")

    @pydantic.model_validator(mode="before")
    @classmethod
    def from_text(cls, value: object) -> object:
        """Take a wish written as ``run or main = pipe``."""
        return _around_last_sign(value, "run or main = pipe", ("owner", "pipe"))

    def __str__(self) -> str:
        """Write the wish as the brief takes it."""
        return f"{self.owner} = {self.pipe}"


class ClassRate(_Section):
    """What a lane of a street of one class costs a day."""

    street: str = Field(min_length=1, description="class of the street")
    cost: PerItem = Field(ge=0, le=MOST, description="cost of one lane closed for one day")

    @pydantic.model_validator(mode="before")
    @classmethod
    def from_text(cls, value: object) -> object:
        """Take a rate written as ``class = cost``."""
        return _around_last_sign(value, "class = cost", ("street", "cost"))

    def __str__(self) -> str:
        """Write the rate as the brief takes it."""
        return f"{self.street} = {self.cost:.10g}"


class CarrierChoice(_Section):
    """Which carriers may be chosen; all four of system, nominal, material and dr fix one."""

    system: System | None = _set(
        None, "only this system of outside diameters", "the whole catalogue"
    )
    nominal: str | None = _set(
        None, "only this nominal size, such as '20 in' or '500 mm'", "the whole catalogue"
    )
    material: Material | None = _set(
        None,
        "only this material; PVC-U is in the choice only if it is named here or fixed, for few "
        "make it for fusing",
        "the whole catalogue, less PVC-U",
    )
    dr: float | None = _set(
        None,
        "only this dimension ratio, outside diameter over wall",
        "the whole catalogue",
        ge=6,
        le=51,
    )
    own: list[OwnPipe] = _set(
        [],
        "pipes added to those wished for: 'name; material; outside diameter; wall' each",
        USERS,
    )
    fixed: list[FixedPipe] = _set(
        [], "'run or main = name of the pipe' it gets, whatever the choice", USERS
    )
    tries: int = _set(
        4,
        "how many of the pipes that suit a run are planned through, the cheapest by length of "
        "every material first, counted with the grout round it where pulls.grouted. The others "
        "are tried only while it has no plan, or as `thicker` or `larger_for` ask",
        COMMON,
        ge=1,
        le=20,
    )
    thicker: bool = _set(
        True,
        "where force or a bend holds up the best plan of a run, thicker walls of its pipe are "
        "planned through too, as long as they make the plan cheaper",
        COMMON,
    )
    larger_for: float = _set(
        0.0,
        "of the carriers planned through (tries) one of a larger bore is taken if its plan costs "
        "at most this share more than the cheapest; with an objective, both the cost and the "
        "objective may be at most this share worse than the best plan's. Larger ones for which "
        "that would hold with the pits of one of their material are planned through too, the "
        "largest first, no more than tries",
        USERS,
        ge=0,
        le=1,
    )
    fit_rule: Literal["share_of_bore", "share_or_total", "radial_gap"] = _set(
        defaults.FIT_RULE,
        "clearance: share of the bore; that, or 2 in in hosts above 24 in; a gap all round",
        "PPI Handbook of PE Pipe ch. 11, AWWA M28 (from memory); PE100+ Association page (gap)",
    )
    clearance_share: float = _set(
        defaults.SHARE_OF_BORE,
        "diametral clearance wanted, as a share of the host's bore",
        "PPI Handbook of PE Pipe ch. 11 (from memory)",
        **_range(bounds.SHARE_OF_BORE),
    )
    clearance_gap: Length = _set(
        "10 mm",
        "gap wanted all round",
        "PE100+ Association page on sliplining",
        **_range(bounds.GAP_M),
    )
    bead_height: Length = _set(
        defaults.BEAD,
        "height of the outer fusion bead where it is not taken off",
        COMMON,
        **_range(bounds.BEAD_M),
    )
    temperature: Temperature = _set(
        defaults.PULL_TEMPERATURE,
        "temperature of the pipe at pulling",
        COMMON,
        **_range(bounds.TEMPERATURE_C),
    )


class Service(_Section):
    """What the lined main must carry and stand; records of the mains beat these."""

    working_pressure: Pressure = _set(
        "6 bar", "working pressure where none is on record", INVENTED, ge=0, le=4e6
    )
    water_temperature: Temperature = _set(
        defaults.WATER_TEMPERATURE,
        "highest temperature of the water; a pipe whose class is not known so warm is not chosen",
        COMMON,
        ge=0,
        le=60,
    )
    recurring_velocity: Speed = _set(
        defaults.RECURRING_VELOCITY, "change of velocity in everyday surges", COMMON, ge=0, le=5
    )
    occasional_velocity: Speed = _set(
        defaults.OCCASIONAL_VELOCITY,
        "change of velocity in a rare surge; where a design flow is on record, at least the "
        "velocity at it",
        COMMON,
        ge=0,
        le=5,
    )
    surges_per_day: float = _set(
        defaults.SURGES_PER_DAY,
        "everyday surges a day, for the fatigue of PVC; 0 does not ask for it",
        USERS,
        ge=0,
        le=1000,
    )
    life: Time = _set(
        defaults.LIFE, "how long the main must last, for the fatigue of PVC", COMMON, gt=0, le=3.2e9
    )
    fatigue_safety: float = _set(
        defaults.FATIGUE_SAFETY,
        "safety on the number of surges",
        "older design by Vinson's formula (from memory; confirm against AWWA C900 appendix B)",
        ge=1,
        le=10,
    )
    water_table: Length = _set(
        "1 m",
        "depth of the groundwater below the surface, over the carrier and in what is dug",
        COMMON,
        ge=0,
        le=100,
    )
    host_lining: Literal["default", "none", "single", "double"] = _set(
        "default",
        "cement lining inside the host: by material and year, or as said",
        "AWWA C104 and C205 thicknesses (from memory)",
    )
    host_cleaned: bool = _set(True, "the host is cleaned before the pull", COMMON)
    tubercles: Length = _set(
        "12.7 mm",
        "height of tubercles in uncleaned bare iron or steel",
        "0.25 to 1.5 in: from memory",
        **_range(bounds.TUBERCLE_M),
    )
    ovality: float = _set(
        defaults.OVALITY, "ovality of the carrier", "PPI Handbook ch. 6 (from memory)", ge=0, le=0.1
    )
    collapse_safety: float = _set(
        defaults.COLLAPSE_SAFETY,
        "safety against collapse",
        "PPI Handbook ch. 6 (from memory)",
        **_range(bounds.SAFETY),
    )
    grout_factor: float = _set(
        defaults.GROUT_FACTOR,
        "what a grouted annulus (pulls.grouted) multiplies the collapse pressure of PE by; 1 does "
        "not count the grout",
        "up to 5: older PPI sliplining table (from memory)",
        **_range(bounds.GROUTED),
    )
    year: int = _set(this_year(), "year the age of mains is counted to", "today", ge=1900, le=2200)
    max_velocity: Speed = _set(
        defaults.MAX_VELOCITY,
        "highest velocity at the design flow, where one is on record",
        COMMON,
        gt=0,
    )
    max_gradient: float = _set(
        0.005,
        "highest loss of head per length at the design flow, where one is on record",
        COMMON,
        gt=0,
        le=1,
    )
    least_capacity: float = _set(
        0.5,
        "least flow after over flow before, at equal gradient: stands in for the design flow "
        "where none is on record, and is not asked where one is",
        INVENTED,
        ge=0,
        le=5,
    )
    test_factor: float = _set(
        defaults.TEST_FACTOR,
        "test pressure over working pressure",
        "1.25 to 1.5: " + COMMON,
        **_range(bounds.TEST_FACTOR),
    )
    pe_test_hours: int = _set(
        defaults.PE_TEST_HOURS,
        "duration of the test of a PE carrier, whole hours, for the water it may take up",
        "make-up table of PPI and AWWA M55 for 1, 2 and 3 h (from memory)",
        ge=1,
        le=3,
    )
    pvc_test_duration: Time = _set(
        f"{defaults.PVC_TEST_HOURS} h",
        "duration of the test of a PVC carrier, for the water that may be added",
        "AWWA C605: 2 h at the least (from memory)",
        gt=0,
        le=DAY,
    )


class Pits(_Section):
    """What a pit needs and where it may not lie."""

    max_depth: Length = _set("5 m", "deepest invert a pit may reach", COMMON, gt=0, le=50)
    max_slope: float = _set(
        0.12, "steepest ground over any 3 m of a pit, rise over run", COMMON, gt=0, le=1
    )
    clear_of_intersection: Length = _set(
        "10 m", "distance a pit keeps from the middle of an intersection", COMMON, ge=0, le=200
    )
    receive_in_intersection: bool = _set(
        True,
        "a receiving pit may lie in an intersection where it opens an end of the run or a bend too "
        "sharp to be pulled through: the main must be opened there in any case",
        COMMON,
    )
    ramp: Literal["level", "lifted"] = _set(
        defaults.RAMP,
        "level: string on rollers at street level, two arcs; lifted: tail held up, one arc",
        "geometry of two and one arcs",
    )
    resting_height: Length = _set(
        "0.5 m", "underside of the resting string above ground", COMMON, ge=0, le=5
    )
    working_length: Length = _set(
        defaults.WORKING_ROOM, "working room at the face of the host", COMMON, ge=0.5, le=20
    )
    receiving_length: Length = _set("6 m", "length of a receiving pit", COMMON, ge=2, le=40)
    side_room: Length = _set(
        defaults.SIDE_ROOM,
        "working room beside the host, or the carrier where that is wider, each side",
        COMMON,
        ge=0.2,
        le=5,
    )
    support: Literal["shored", "sloped"] = _set(
        "shored", "sides of the pits: upright and shored, or sloped by soil", COMMON
    )
    soil: Literal["B", "C"] = _set(
        defaults.SOIL,
        "class of the soil; the trench of an old main is disturbed soil, never the best class",
        "29 CFR 1926 Subpart P, table B-1",
    )
    spoil_setback: Length = _set(
        "0.61 m", "room kept free along the edge", "29 CFR 1926.651(j)(2): 2 ft", ge=0, le=10
    )
    edit_reach: Length = _set(
        "5 m", "an edit belongs to a main no farther away than this", COMMON, gt=0, le=100
    )
    forbid_reach: Length = _set(
        "15 m",
        "no pit opens the main nearer than this before and after a forbidden point",
        COMMON,
        gt=0,
        le=1000,
    )
    bedding: Length = _set(defaults.BEDDING, "depth dug below the host", COMMON, ge=0, le=2)


class Street(_Section):
    """Streets around the pits: what counts as one, what may be blocked, what a closure takes."""

    reach: Length = _set(
        "25 m",
        "a centreline farther away is not the main's street, unless the main lies on its "
        "carriageway",
        COMMON,
        gt=0,
    )
    parallel: Angle = _set(
        "30 deg", "a centreline at a wider angle crosses the main", COMMON, gt=0, le=1.5
    )
    max_turn: Angle = _set(
        "45 deg",
        "a street goes straight on through smaller turns",
        "30 to 70 deg in the street-network literature (Jiang et al. 2008, from memory)",
        gt=0,
        le=1.6,
    )
    crossing_without_node: Literal["intersection", "bridge"] = _set(
        "intersection",
        "centrelines that cross with no common node: an intersection, the safe side, or a bridge",
        COMMON,
    )
    excluded_classes: list[str] = _set(
        [
            *("footway", "footpath", "sidewalk", "walkway", "crosswalk", "path"),
            *("cycleway", "bike path", "bridleway", "steps", "stairs", "platform"),
        ],
        "lines of these classes are no streets: no vehicle uses them",
        COMMON,
    )
    default_lanes: int = _set(2, "lanes of a street that does not say", COMMON, ge=1, le=12)
    lane_width: Length = _set("3.3 m", "width of a lane", COMMON, ge=2, le=6)
    default_speed: Speed = _set(
        "50 km/hour", "speed on a street that does not say", COMMON, gt=0, le=40
    )
    verge: Length = _set("4 m", "verge and footway beside the carriageway", COMMON, ge=0, le=50)
    keep_right: bool = _set(
        True,
        "traffic keeps to the right; set it to false where it keeps to the left",
        "the country",
    )
    lateral_gap: Length = _set("0.6 m", "room between pit and traffic", COMMON, ge=0, le=5)
    least_lane_share: float = _set(
        0.85,
        "share of its width that a lane keeps past a pit or strings; one that would keep less is "
        "closed. The US manual on traffic control asks for 10 ft, 9 ft on slow streets of little "
        "traffic, from memory",
        COMMON,
        ge=0.5,
        le=1,
    )
    no_block: list[str] = _set(
        ["arterial", "motorway", "trunk", "primary"],
        "intersections with these classes may not be blocked by a string",
        COMMON,
    )
    least_string: Length = _set("30 m", "shortest string worth laying out", COMMON, gt=0)
    string_gap: Length = _set("0.5 m", "room between strings laid side by side", COMMON, ge=0, le=5)
    strings_over_middle: bool = _set(
        True,
        "strings may lie over the middle of the street, at the price of the lanes there; false "
        "keeps them to the side of their pit",
        COMMON,
    )
    taper: Length | None = _set(
        None, "length of the merging taper", "MUTCD 11th ed. table 6B-4, by speed and width", ge=0
    )
    buffer: Length | None = _set(
        None, "length of the buffer", "MUTCD 11th ed. table 6B-2, by speed", ge=0
    )


class Objective(_Section):
    """What the optimiser makes least: cost, plus what each pit and each lane-day is worth."""

    per_pit: PerItem = _set(
        0,
        "added for every pit; very large: fewest pits first, then cost. Plans are told apart to "
        "1e-9 of what is made least: beyond 1e7 a pit differences of cost would be lost in it",
        USERS,
        ge=0,
        le=1e7,
    )
    per_lane_day: PerItem = _set(
        0,
        "added for every lane closed a day; very large: least disruption first; bounded as per_pit",
        USERS,
        ge=0,
        le=1e6,
    )


class Crew(_Section):
    """How fast the work goes; sets days of closures and the schedule."""

    shift: Time = _set(
        f"{SHIFT_H} h", "working hours of a day, which a pull must fit", COMMON, gt=0, le=DAY
    )
    dig_per_day: VolumePerDay = _set("60 m^3/day", "excavation and support", INVENTED, ge=SLOWEST)
    pit_days: float = _set(
        2.0, "days to set up a pit and to clear it away, together", INVENTED, ge=0, le=60
    )
    least_pull_days: float = _set(
        0.5, "least a pull takes, with setting up and clearing away", COMMON, ge=0, le=60
    )
    tie_in_days: float = _set(1.5, "days to tie the carrier in at a pit", INVENTED, ge=0, le=60)
    restore_per_day: AreaPerDay = _set("50 m^2/day", "surface made good", INVENTED, ge=SLOWEST)
    joints_per_day: float = _set(8.0, "joints a fusing crew makes in a day", INVENTED, gt=0, le=200)
    test_days: float = _set(2.0, "days to fill, test and disinfect a run", INVENTED, ge=0, le=60)
    open_cut_rate: LengthPerDay = _set(
        "15 m/day", "open cut: length of trench opened and closed", INVENTED, ge=SLOWEST
    )
    digs_per_day: float = _set(2.0, "connections dug up and remade in a day", INVENTED, gt=0, le=50)
    temporary_per_day: float = _set(
        6.0,
        "services given a temporary supply and taken off it again in a day",
        INVENTED,
        gt=0,
        le=200,
    )
    cleaning_per_day: LengthPerDay = _set(
        "200 m/day", "host cleaned and looked over before a pull", INVENTED, ge=SLOWEST
    )
    grout_per_day: VolumePerDay = _set(
        "40 m^3/day", "grout placed in the annulus", INVENTED, ge=SLOWEST
    )
    grout_lifts_per_day: float = _set(
        1.0, "lifts of grout placed in a day, each on one that has set", INVENTED, gt=0, le=10
    )


class Pulls(_Section):
    """What a pull may be."""

    max_length: Length = _set(
        "550 m",
        "longest single pull",
        "pulls of 900 to 1,800 ft are normal on straight streets: " + COMMON,
        gt=1,
    )
    min_length: Length = _set("15 m", "shortest pull worth a set-up", COMMON, ge=0.1)
    host: Literal["dry", "wet", "lubricated", "tuberculated"] = _set(
        defaults.HOST, "state of the host, which sets the band of friction", COMMON
    )
    friction: float | None = _set(
        None, "friction planned with", "middle of the band of pulls.host, from memory", ge=0, le=1.5
    )
    valves: Literal["dig", "pit"] = _set(
        "dig", "valves in the main are cut out in digs of their own, or must lie in pits", COMMON
    )
    grouted: bool = _set(False, "the annulus is grouted, and priced", COMMON)
    grout_cure: Time = _set(
        defaults.CURE,
        "time the grout presses on the carrier before it holds itself",
        COMMON,
        **_range(bounds.LOAD_H, HOUR),
    )
    grout_density: Density = _set(
        defaults.GROUT_DENSITY, "density of the fresh grout", COMMON, **_range(bounds.GROUT_DENSITY)
    )
    grout_pressure: Pressure = _set(
        defaults.GROUT_PRESSURE,
        "highest pressure at a grout port, whatever the carrier stands",
        "common in specifications, from memory",
        gt=bounds.GROUT_PRESSURE_PA[0],
        le=bounds.GROUT_PRESSURE_PA[1],
    )
    flooded: bool = _set(False, "water stands in the host while pulling", COMMON)
    filled: bool = _set(False, "the carrier is filled with water while pulling", COMMON)
    roller_friction: float = _set(
        defaults.ROLLER_FRICTION,
        "friction of the string on its rollers before it goes in",
        "from memory",
        ge=0,
        le=1,
    )
    force_share: float = _set(
        defaults.FORCE_SHARE,
        "share of the pipe's allowable tension a plan may use",
        COMMON,
        gt=0,
        le=1,
    )
    duration: Time = _set(
        defaults.DURATION,
        "time under tension, for the allowable stress of PE, its stretch and, up to 12 h, its "
        "stiffness in bends",
        "ASTM F1804 (from memory)",
        gt=0,
        le=DAY,
    )
    machine_capacity: Force = _set("700 kN", "rated pull of the machine", COMMON, gt=0, le=1e8)
    machine_share: float = _set(
        defaults.MACHINE_SHARE, "share of the machine's rating a plan may use", COMMON, gt=0, le=1
    )
    rate: SpeedAtWork = _set(
        defaults.PULL_RATE, "speed of pulling", "10 to 15 ft/min: " + COMMON, ge=SLOWEST
    )
    string_joint_hours: Time = _set(
        defaults.STRING_JOINT,
        "standstill for each string joined on during the pull",
        COMMON,
        ge=0,
    )
    ground_temperature: Temperature = _set(
        "12 degC",
        "temperature the pulled carrier settles to",
        COMMON,
        **_range(bounds.TEMPERATURE_C),
    )
    piece_length: Length = _set(
        "12.192 m", "length of a pipe before fusing", "40 ft: " + COMMON, ge=1, le=100
    )
    least_piece: Length = _set(
        "1 m",
        "shortest piece to be fused, for the clamps to hold; at most half a pipe: a shorter rest "
        "shares with the piece before it",
        COMMON,
        ge=0,
        le=50,
    )

    @pydantic.model_validator(mode="after")
    def in_order(self) -> Pulls:
        """Refuse lengths between which there is no pull."""
        if self.max_length < self.min_length:
            raise ValueError("max_length must not be below min_length")
        return self


class Rates(_Section):
    """Unit rates, in one currency."""

    currency: str = _set("units", "name of the currency", INVENTED)
    receiving_pit: PerItem = _set(9000, "setting up a receiving pit", INVENTED, ge=0, le=MOST)
    insertion_pit: PerItem = _set(
        14000, "setting up an insertion pit, one way", INVENTED, ge=0, le=MOST
    )
    two_way_pit: PerItem = _set(
        18000, "setting up an insertion pit, both ways", INVENTED, ge=0, le=MOST
    )
    intersection_factor: float = _set(
        3.0,
        "factor on the site cost of a pit in an intersection, without its lanes, its pipe, and "
        "what is remade or fed meanwhile",
        INVENTED,
        ge=1,
        le=DEAREST,
    )
    soft_place_factor: float = _set(
        2.0,
        "factor on the site cost of a pit in a soft place that gives none, without its lanes, its "
        "pipe, and what is remade or fed meanwhile; of several the largest counts",
        INVENTED,
        ge=1,
        le=DEAREST,
    )
    excavation: PerVolume = _set("120 / m^3", "dig and refill", INVENTED, ge=0, le=MOST)
    support: PerArea = _set(
        "40 / m^2",
        "shoring of a pit, by its face: round the pit, as deep",
        INVENTED,
        ge=0,
        le=MOST,
    )
    restoration: PerArea = _set("150 / m^2", "making the surface good", INVENTED, ge=0, le=MOST)
    open_laying: PerLength = _set(
        "250 / m",
        "laying and bedding the carrier in the open pit, its pipe apart",
        INVENTED,
        ge=0,
        le=MOST,
    )
    tie_in: PerItem = _set(
        0,
        "tying in or joining the carrier in one pit; 0: told without a price. No factor of the "
        "place counts on it. What of it open cut takes too belongs into open_cut_other",
        USERS,
        ge=0,
        le=MOST,
    )
    pull_setup: PerItem = _set(12000, "setting up one pull", INVENTED, ge=0, le=MOST)
    pe_pipe: PerMass = _set("3.2 / kg", "polyethylene pipe, delivered", INVENTED, ge=0, le=MOST)
    pvc_pipe: PerMass = _set("2.4 / kg", "PVC pipe, delivered", INVENTED, ge=0, le=MOST)
    cleaning: PerLength = _set(
        "15 / m", "cleaning and looking over the host before a pull", INVENTED, ge=0, le=MOST
    )
    testing: PerLength = _set(
        "0 / m",
        "filling, testing and disinfecting a run, by its length; 0: told without a price. That of "
        "open cut belongs into open_cut_other",
        USERS,
        ge=0,
        le=MOST,
    )
    joint: PerItem = _set(
        450, "one fused joint; those of tails are not counted", INVENTED, ge=0, le=MOST
    )
    pulling_hour: PerHour = _set(
        "900 / hour", "crew and machine while pulling", INVENTED, ge=0, le=MOST
    )
    lane_day: list[ClassRate] = _set(
        [
            "arterial = 1500",
            "motorway = 1500",
            "trunk = 1500",
            "primary = 1500",
            "collector = 700",
            "local = 150",
        ],
        "'class = cost' of one lane closed for one day by a pit or a string; digs between pits "
        "close none: connection and valve are to hold it while they are worked at",
        INVENTED,
    )
    lane_day_other: PerItem = _set(
        400, "the same on a street of any other class", INVENTED, ge=0, le=MOST
    )
    full_closure_factor: float = _set(2.0, "factor where no lane is left", INVENTED, ge=1, le=20)
    off_street: PerArea = _set(
        "90 / m^2", "ground taken outside carriageway and verge", INVENTED, ge=0, le=MOST
    )
    string_joint: PerItem = _set(600, "joining a string during the pull", INVENTED, ge=0, le=MOST)
    valve: PerItem = _set(
        8000,
        "cutting out and replacing a line valve, however deep it lies; where the dig is in the "
        "carriageway, with the lane it takes while it is worked at, as connection",
        INVENTED,
        ge=0,
        le=MOST,
    )
    grout: PerVolume = _set("220 / m^3", "grout in the annulus", INVENTED, ge=0, le=MOST)
    connection: PerItem = _set(
        6500,
        "digging up and reconnecting a tee, service or hydrant, however deep it lies; where the "
        "dig is in the carriageway, with the lane it takes for the half day or so that it is "
        "worked at, opened and remade: between, by the programme, it is backfilled or plated over",
        INVENTED,
        ge=0,
        le=MOST,
    )
    end_connection: PerItem = _set(
        0,
        "reconnecting a main that a run is tied in to at an end: each place within 1 m of the end "
        "where others meet it; 0: in no item. That of open cut belongs into open_cut_other",
        USERS,
        ge=0,
        le=MOST,
    )
    in_pit_share: float = _set(
        0.5,
        "share of the price of digging up and reconnecting, or of a line valve, that is left where "
        "a pit lies open over it; of the time as well",
        INVENTED,
        ge=0,
        le=1,
    )
    temporary_service: PerItem = _set(
        600, "temporary supply of one service while its run is out", INVENTED, ge=0, le=MOST
    )
    open_cut_pipe: PerArea = _set(
        "600 / m^2",
        "open cut: new pipe laid, per length and diameter of the old main",
        INVENTED,
        ge=0,
        le=MOST,
    )
    open_cut_connection: PerItem = _set(
        2500,
        "open cut: reconnecting a tee, service or valve in the open trench",
        INVENTED,
        ge=0,
        le=MOST,
    )
    open_cut_other: PerLength = _set(
        "100 / m", "open cut: support, other services, dewatering", INVENTED, ge=0, le=MOST
    )

    @pydantic.field_validator("lane_day")
    @classmethod
    def one_cost_a_class(cls, value: list[ClassRate]) -> list[ClassRate]:
        """Refuse a class of street with two costs, however it is spelled."""
        names = [folded(rate.street) for rate in value]
        costs: dict[str, float] = {}
        wrong = [
            f"{str(rate)!r}, but class {rate.street!r} costs {costs[name]:.10g} already"
            for name, rate in zip(names, value, strict=True)
            if costs.setdefault(name, rate.cost) != rate.cost
        ]
        if wrong:
            raise ValueError("; ".join(wrong))
        return value


class Screening(_Section):
    """How a screening ranks: weights, thresholds, and how far its costs can be trusted.

    Each criterion of `geotools.criteria` has a weight. A criterion of need has no mark up to
    ``_from`` and the full one at ``_limit``; one of suitability the full one up to ``_good``.
    """

    need_weight: float = _set(1.0, "weight of need in the priority", INVENTED, ge=0, le=100)
    suitability_weight: float = _set(
        1.0, "weight of suitability in the priority", INVENTED, ge=0, le=100
    )
    age_weight: float = _set(2.0, "weight of age", INVENTED, ge=0, le=100)
    age_from: float = _set(30.0, "years; no need up to this age", INVENTED, ge=0, le=500)
    age_limit: float = _set(90.0, "years; full need from this age", INVENTED, gt=0, le=500)
    breaks_weight: float = _set(3.0, "weight of breaks", INVENTED, ge=0, le=100)
    breaks_from: PerLength = _set(
        "0.5 / km", "no need up to so many over the whole period on record", INVENTED, ge=0
    )
    breaks_limit: PerLength = _set(
        "4 / km", "full need from so many over the whole period on record", INVENTED, gt=0
    )
    break_reach: Length = _set(
        "10 m",
        "a break of the layer breaks that names no main counts for the nearest no farther away "
        "than this",
        COMMON,
        gt=0,
        le=500,
    )
    breaks_since: int | None = Field(
        default=None,
        ge=1800,
        le=2200,
        description="first year of the breaks on record; by default that of the first with a year",
        json_schema_extra={"source": "the layer breaks", "written": "none"},
    )
    breaks_until: int | None = Field(
        default=None,
        ge=1800,
        le=2200,
        description="last year of the breaks on record; by default that of the last with a year",
        json_schema_extra={"source": "the layer breaks", "written": "none"},
    )
    leakage_weight: float = _set(2.0, "weight of leakage", INVENTED, ge=0, le=100)
    leakage_from: FlowPerLength = _set("0.05 L/s/km", "no need up to this", INVENTED, ge=0)
    leakage_limit: FlowPerLength = _set("0.5 L/s/km", "full need from this", INVENTED, gt=0)
    criticality_weight: float = _set(2.0, "weight of criticality", INVENTED, ge=0, le=100)
    criticality_scale: float = _set(
        5.0,
        "top of the scale on which the mains have it, from 1 on; values are brought to 1 to 5",
        COMMON,
        gt=1,
        le=1e6,
    )
    criticality_from: float = _set(1.0, "no need up to this, of 5", INVENTED, ge=0, le=5)
    criticality_limit: float = _set(5.0, "full need from this, of 5", INVENTED, gt=0, le=5)
    critical_services_weight: float = _set(
        1.0, "weight of services that may not lose water", INVENTED, ge=0, le=100
    )
    critical_services_from: float = _set(0.0, "no need up to so many", INVENTED, ge=0)
    critical_services_limit: float = _set(3.0, "full need from so many", INVENTED, gt=0)
    fit_weight: float = _set(2.0, "weight of fit", INVENTED, ge=0, le=100)
    pressure_weight: float = _set(2.0, "weight of pressure", INVENTED, ge=0, le=100)
    collapse_weight: float = _set(1.0, "weight of groundwater", INVENTED, ge=0, le=100)
    hydraulics_weight: float = _set(3.0, "weight of the flow", INVENTED, ge=0, le=100)
    hydraulics_good: float = _set(
        1.05, "flow carried over flow wanted: full mark from this", INVENTED, ge=1, le=10
    )
    run_length_weight: float = _set(1.0, "weight of the run's length", INVENTED, ge=0, le=100)
    run_length_good: Length = _set("150 m", "full mark from this length", INVENTED, gt=0)
    bends_weight: float = _set(3.0, "weight of bends not passed", INVENTED, ge=0, le=100)
    bends_good: PerLength = _set("4 / km", "full mark up to so many", INVENTED, ge=0)
    bends_limit: PerLength = _set("15 / km", "not suitable beyond", INVENTED, gt=0)
    connections_weight: float = _set(3.0, "weight of connections", INVENTED, ge=0, le=100)
    connections_good: PerLength = _set("20 / km", "full mark up to so many", INVENTED, ge=0)
    connections_limit: PerLength = _set("80 / km", "not suitable beyond", INVENTED, gt=0)
    depth_weight: float = _set(1.0, "weight of depth", INVENTED, ge=0, le=100)
    depth_good: Length = _set("2.5 m", "full mark up to this mean depth", INVENTED, gt=0)
    steepness_weight: float = _set(1.0, "weight of steep ground", INVENTED, ge=0, le=100)
    steepness_good: float = _set(0.06, "full mark up to this rise over run", INVENTED, gt=0, le=1)
    laydown_weight: float = _set(2.0, "weight of room for strings", INVENTED, ge=0, le=100)
    laydown_good: Length = _set("150 m", "full mark from this room", INVENTED, gt=0)
    pits_weight: float = _set(3.0, "weight of pits", INVENTED, ge=0, le=100)
    pits_good: PerLength = _set(
        "8 / km", "full mark up to so many, the two at the ends not counted", INVENTED, ge=0
    )
    pits_limit: PerLength = _set(
        "20 / km", "not suitable beyond, the two at the ends not counted", INVENTED, gt=0
    )
    least_known: float = _set(
        0.5,
        "share of a run's length that must be on record for a value; also the share of the weight "
        "of suitability that must have a value, on record or assumed, for more than a doubtful "
        "verdict, and the share of need, and of suitability, on record below which a run says so "
        "among its reasons",
        INVENTED,
        gt=0,
        le=1,
    )
    unknown_need: float = _set(
        0.0,
        "mark of a criterion of need that is not on record; at 0 what is not known speaks for no "
        "run, and a record of need that is lost never raises one",
        INVENTED,
        ge=0,
        le=1,
    )
    weight_move: float = _set(
        0.2,
        "share by which each weight is moved, up and down, to see if ranks hold",
        COMMON,
        gt=0,
        lt=1,
    )
    budget: float | None = _set(
        None,
        "what the runs on top may cost together, by the quick estimate, in the money of the rates; "
        "one that does not fit into what is left is passed over for a later one that does",
        "the user",
        gt=0,
        le=1e15,
    )
    band_low: float = _set(
        0.75,
        "low end of a cost over the quick estimate",
        "AACE 18R-97 class 4 (from memory)",
        gt=0,
        le=1,
    )
    band_high: float = _set(
        1.4,
        "high end of a cost over the quick estimate",
        "AACE 18R-97 class 4 (from memory)",
        ge=1,
        le=5,
    )

    @pydantic.model_validator(mode="after")
    def in_order(self) -> Screening:
        """Refuse thresholds that contradict each other."""
        pairs = [
            *((f"{n}_from", f"{n}_limit") for n in _NEED_NAMES),
            *((f"{n}_good", f"{n}_limit") for n in ("bends", "connections", "pits")),
        ]
        wrong = [(a, b) for a, b in pairs if getattr(self, a) >= getattr(self, b)]
        if wrong:
            raise ValueError("; ".join(f"{a} must be below {b}" for a, b in wrong))
        since, until = self.breaks_since, self.breaks_until
        if since is not None and until is not None and since > until:
            raise ValueError("breaks_since must not be after breaks_until")
        return self

    @pydantic.model_validator(mode="after")
    def some_weight(self) -> Screening:
        """Refuse weights by which nothing is ranked."""
        if self.need_weight == self.suitability_weight == 0:
            raise ValueError(
                "need_weight and suitability_weight are both 0, which ranks nothing; one must be "
                "above 0"
            )
        return self


class Sheets(_Section):
    """What the title block of drawn sheets says, and a note of your own."""

    title: str = _set("", "title of the set", USERS, max_length=120)
    project: str = _set("", "name of the project", USERS, max_length=120)
    client: str = _set("", "for whom it is drawn", USERS, max_length=120)
    drawing_number: str = _set("", "number of the drawing", USERS, max_length=40)
    revision: str = _set("", "its revision", USERS, max_length=20)
    date: str = _set("", "its date, as it is to be read", USERS, max_length=40)
    drawn_by: str = _set("", "who drew it", USERS, max_length=60)
    checked_by: str = _set("", "who checked it", USERS, max_length=60)
    approved_by: str = _set("", "who approved it", USERS, max_length=60)
    note: str = _set("", "a note on every sheet", USERS, max_length=600)


class Output(_Section):
    """How results are written."""

    units: Literal["si", "us"] = _set("si", "units of the columns", USERS)
    stations: bool = _set(True, "write the stations layer", USERS)
    context: Length = _set(
        "100 m",
        "source features within this of a run are written to the context layer; 0 m: none",
        "planning value: half the width of a plan sheet",
        ge=0,
    )
    styles: bool = _set(True, "write styles for a GIS beside the GeoPackage", USERS)


class Brief(_Section):
    """All settings of a run; a section that is not given takes its defaults."""

    inputs: dict[str, InputSource] = Field(default_factory=dict)
    network: Network = Field(default_factory=Network)
    ground: Ground = Field(default_factory=Ground)
    bends: Bends = Field(default_factory=Bends)
    service: Service = Field(default_factory=Service)
    street: Street = Field(default_factory=Street)
    crew: Crew = Field(default_factory=Crew)
    objective: Objective = Field(default_factory=Objective)
    carrier: CarrierChoice = Field(default_factory=CarrierChoice)
    pits: Pits = Field(default_factory=Pits)
    pulls: Pulls = Field(default_factory=Pulls)
    rates: Rates = Field(default_factory=Rates)
    screening: Screening = Field(default_factory=Screening)
    sheets: Sheets = Field(default_factory=Sheets)
    output: Output = Field(default_factory=Output)
    origins: dict[str, str] = Field(default_factory=dict, exclude=True, repr=False)


@dataclass(frozen=True)
class Setting:
    """One setting as declared and as used; ``value`` is in SI."""

    key: str
    value: Any
    kind: str | None
    written: str
    origin: str
    source: str
    text: str
    type: str = "text"  # text, flag, integer, number or list; text where a quantity is due
    choices: tuple[str, ...] = ()
    bounds: tuple[tuple[str, float], ...] = ()  # "at least" and so on: in SI
    per: Per | None = None  # what it is stated by, of what could be by the shift or by 24 hours

    def limits(self) -> tuple[str, ...]:
        """Return its bounds in words, in the unit of its default."""
        if self.kind in (None, "per_item"):
            letters = " characters" if self.type == "text" and self.kind is None else ""
            return tuple(f"{words} {limit:,.10g}{letters}" for words, limit in self.bounds)
        unit = usual_unit(self.kind) if self.written == "none" else unit_of(self.written, self.kind)
        return tuple(
            f"{words} {limit_text(limit, unit, self.kind, upper=words in _MOST)}"
            for words, limit in self.bounds
        )


_RESERVED = ("inputs", "origins")


def settings(brief: Brief | None = None) -> Iterator[Setting]:
    """Yield every setting of a brief (by default, the defaults) in the order of declaration."""
    used = brief if brief is not None else Brief()
    for section_name in Brief.model_fields:
        if section_name in _RESERVED:
            continue
        section = getattr(used, section_name)
        for name, info in type(section).model_fields.items():
            key = f"{section_name}.{name}"
            extra = info.json_schema_extra
            notes: Mapping[str, Any] = extra if isinstance(extra, dict) else {}
            yield Setting(
                key=key,
                value=getattr(section, name),
                kind=None if (mark := _mark(info)) is None else mark.name,
                per=None if mark is None else mark.per,
                written=str(notes.get("written", "")),
                origin=used.origins.get(key, "default"),
                source=str(notes.get("source", "")),
                text=info.description or "",
                type=_type(info),
                choices=_choices(info.annotation),
                bounds=_bounds(info),
            )


@cache
def declared() -> Mapping[str, Setting]:
    """Return every setting with its default, by key."""
    return MappingProxyType({setting.key: setting for setting in settings()})


_TYPES: tuple[tuple[type, str], ...] = (
    (bool, "flag"),  # a bool is an int too
    (int, "integer"),
    (float, "number"),
    (list, "list"),
)


def _mark(info: FieldInfo) -> Kind | None:
    """Return what a setting measures, also where it may be left open; None for a plain value."""
    marks = (*info.metadata, *(m for part in get_args(info.annotation) for m in get_args(part)))
    return next((mark for mark in marks if isinstance(mark, Kind)), None)


def _type(info: FieldInfo) -> str:
    """Return how a setting is written: from its declaration, for None says nothing of it."""
    if _mark(info) is not None:
        return "text"
    parts = {get_origin(part) or part for part in (info.annotation, *get_args(info.annotation))}
    return next((name for kind, name in _TYPES if kind in parts), "text")


def _choices(annotation: Any) -> tuple[str, ...]:
    """Return the words a setting may be, if its type lists them (also beside None)."""
    if get_origin(annotation) is Literal:
        return tuple(str(word) for word in get_args(annotation))
    return tuple(word for part in get_args(annotation) for word in _choices(part))


_LIMITS = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below", "max_length": "at most"}


_MOST = (_LIMITS["le"], _LIMITS["lt"])


def _bounds(info: FieldInfo) -> tuple[tuple[str, float], ...]:
    """Return the bounds of a number, in SI, or of the length of a text, by what they say."""
    return tuple(
        (words, float(getattr(mark, name)))
        for mark in info.metadata
        for name, words in _LIMITS.items()
        if hasattr(mark, name)
    )


def load_brief(
    path: str | Path | None = None,
    *,
    inputs: Mapping[str, str | list[str]] | None = None,
    overrides: Mapping[str, object] | None = None,
) -> Brief:
    """Read a brief and lay the command line over it.

    Its layers stay the same files when the program goes to another folder.

    Parameters
    ----------
    path : path, optional
        TOML file; paths in it are relative to its folder.
    inputs : mapping, optional
        Layer name to source, from the command line; relative to the current folder.
    overrides : mapping, optional
        Dotted key to value, such as ``{"pulls.max_length": "400 m"}``.

    Raises
    ------
    BriefError
        With every fault found: unknown keys (and the nearest valid one), missing units,
        wrong dimensions, values out of range.
    """
    brief = read_brief(path, inputs=inputs, overrides=overrides)
    fixed = {layer: anywhere(entry) for layer, entry in brief.inputs.items()}
    return brief.model_copy(update={"inputs": fixed})


def anywhere(entry: InputSource) -> InputSource:
    """Return a source that means in any folder, and any process, what it means in this one."""
    from geotools.intake.place import absolute

    given = entry.source
    source = absolute(given) if isinstance(given, str) else [absolute(item) for item in given]
    return entry.model_copy(update={"source": source})


def read_brief(
    path: str | Path | None = None,
    *,
    inputs: Mapping[str, str | list[str]] | None = None,
    overrides: Mapping[str, object] | None = None,
) -> Brief:
    """Read a brief for what is done at once: as `load_brief`, its paths told as they were given."""
    data = _read(Path(path)) if path is not None else {}
    faults: list[str] = []
    if data.pop("origins", None) is not None:  # kept by the program, not written by hand
        faults.append("origins: no such setting")
    origins = dict.fromkeys(_dotted(data), "brief")
    return _laid_over(data, origins, inputs or {}, overrides or {}, faults)


def lay_over(
    brief: Brief,
    *,
    inputs: Mapping[str, str | list[str]] | None = None,
    overrides: Mapping[str, object] | None = None,
) -> Brief:
    """Lay layers and settings over a brief that is loaded already; arguments as `load_brief`.

    Raises
    ------
    BriefError
        As `load_brief`; settings that must agree are held against those of the brief.
    """
    data: dict[str, Any] = {
        "inputs": {layer: source.model_dump() for layer, source in brief.inputs.items()}
    }
    for setting in settings(brief):
        section, _, name = setting.key.partition(".")
        quantity = setting.kind is not None and setting.value is not None
        value = _InSi(setting.value) if quantity else setting.value
        data.setdefault(section, {})[name] = value
    return _laid_over(data, dict(brief.origins), inputs or {}, overrides or {}, [])


def _laid_over(
    data: dict[str, Any],
    origins: dict[str, str],
    inputs: Mapping[str, str | list[str]],
    overrides: Mapping[str, object],
    faults: list[str],
) -> Brief:
    """Return the brief of what was read, with layers and settings of the command line over it."""
    for key, value in overrides.items():
        _lay_over(data, key, value, faults)
        origins[key] = "command line"
    for layer, source in inputs.items():
        table = data.setdefault("inputs", {})
        if isinstance(table, dict):  # otherwise it is a fault, told below
            old = table.get(layer)
            kept = old if isinstance(old, dict) else {}
            table[layer] = {**kept, "source": source}
    faults += _check_inputs(data)
    data["origins"] = origins
    try:
        brief = Brief.model_validate(data)
    except pydantic.ValidationError as error:
        raise BriefError([*faults, *_faults(error, data)]) from error
    if faults:
        raise BriefError(faults)
    return brief


MOST_BYTES = 20_000_000  # of a brief; a long one has some ten thousand


def sources_of(brief: Brief) -> list[str]:
    """Return every source a brief reads: paths and patterns, as they are given."""
    sources = [entry.source for entry in brief.inputs.values()]
    return [s for given in sources for s in ([given] if isinstance(given, str) else given)]


def _read(path: Path) -> dict[str, Any]:
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise BriefError(
                [
                    f"brief {path}: is {size / 1e6:,.0f} MB, more than the {MOST_BYTES / 1e6:.0f} "
                    "that are read; a brief is a short text, and layers are given by options such "
                    "as --mains"
                ]
            )
        text = path.read_text(encoding="utf-8-sig")  # editors of some systems begin with a mark
    except OSError as error:
        raise BriefError(
            [f"brief {path}: cannot be read ({error.strerror}); check the path"]
        ) from error
    except UnicodeDecodeError as error:
        raise BriefError(
            [
                f"brief {path}: is not UTF-8 text (byte {error.start}); a brief is a TOML file, "
                "and layers are given by options such as --mains"
            ]
        ) from error
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise BriefError([f"brief {path}: is nested too deeply"]) from error
    except ValueError as error:  # also a number of thousands of digits, which is no TOMLDecodeError
        raise BriefError([f"brief {path}: {toml_fault(text, str(error))}"]) from error
    inputs = data.get("inputs")
    if isinstance(inputs, dict):
        for name, value in inputs.items():
            table = value if isinstance(value, dict) else {"source": value}
            inputs[name] = {**table, "source": _beside(path.parent, table.get("source"))}
    return data


def _beside(folder: Path, source: Any) -> Any:
    """Make a source of the brief relative to the brief's folder; leave other types be."""
    if isinstance(source, list):
        return [_beside(folder, item) for item in source]
    if not isinstance(source, str) or source.startswith("/vsi") or "://" in source:
        return source
    from geotools.intake.place import file_in, joined

    if escapes_in(source) and not file_in(source, folder):
        return source  # told with what else is wrong, as it was written
    return joined(folder, source)


def _dotted(data: Mapping[str, Any]) -> Iterator[str]:
    for section, table in data.items():
        if isinstance(table, dict):
            yield from (f"{section}.{name}" for name in table)


def _lay_over(data: dict[str, Any], key: str, value: object, faults: list[str]) -> None:
    section, _, name = key.partition(".")
    default = declared().get(key)
    if isinstance(value, Mapping) and value:
        faults += _one_by_one(key, value)
        return
    if default is None:
        faults.append(f"{key}: no such setting{_nearest(key, set(declared()))}")
        return
    table = data.setdefault(section, {})
    if not isinstance(table, dict):  # a fault, told with the others
        return
    try:
        table[name] = _from_text(value, default)
    except ValueError as error:
        faults.append(f"{key}: {error}")


def _one_by_one(section: str, settings: Mapping[Any, object]) -> list[str]:
    """Return the faults of a whole section given where each setting is due by its key."""
    keys = [f"{section}.{name}" for name in settings]
    known = set(declared())
    wrong = [f"{key}: no such setting{_nearest(key, known)}" for key in keys if key not in known]
    if wrong:
        return wrong
    return [f"{section}: give each setting by its whole key: {', '.join(map(repr, keys))}"]


def _from_text(value: object, default: Setting) -> object:
    """Command-line text to what TOML would have given for this setting."""
    if default.written == "none" and value == "none":
        return None
    if not isinstance(value, str) or default.kind not in (None, "per_item"):
        return value
    return list_from_text(value) if isinstance(default.value, list) else value


def _check_inputs(data: Mapping[str, Any]) -> list[str]:
    """Return the faults of the inputs table that pydantic cannot know: names of layers, fields."""
    faults = []
    table = data.get("inputs", {})
    for layer, entry in table.items() if isinstance(table, dict) else ():
        if layer != "dem" and layer not in INPUTS:
            faults.append(f"inputs.{layer}: no such layer{_nearest(layer, {*INPUTS, 'dem'})}")
            continue
        fields = entry.get("fields", {}) if isinstance(entry, dict) else {}
        if isinstance(entry, dict):
            faults += _escaped(f"inputs.{layer}.source", entry.get("source"))
        if layer == "dem":
            faults += _two_units(entry, data.get("ground"))
        if not isinstance(fields, dict):
            continue
        if layer == "dem":
            faults += ["inputs.dem.fields: a raster has no fields; take this out"] if fields else []
            if isinstance(entry, dict) and entry.get("encoding") is not None:
                faults.append("inputs.dem.encoding: a raster has no text; take this out")
            continue
        known = {name for field in INPUTS[layer].fields for name in field.spellings()}
        faults += [
            f"inputs.{layer}.fields.{name}: no such field{_nearest(name, known)}"
            for name in fields
            if name not in known
        ]
    return faults


def _escaped(key: str, source: Any) -> list[str]:
    """Return the faults of sources with a line break or the like that a ``\\`` in quotes became."""
    from geotools.intake.place import file_in

    given = source if isinstance(source, list) else [source]
    return [
        f"{key}: has {' and '.join(escapes)} in it: in double quotes \\ begins a sign that is no "
        f"letter; {path_hint(text)}"
        for text in given
        if isinstance(text, str) and (escapes := escapes_in(text)) and not file_in(text)
    ]


def _two_units(dem: object, ground: object) -> list[str]:
    """Return the fault of a brief that says two units of the levels of the DEM."""
    one, other = (
        section.get("vertical_unit") if isinstance(section, dict) else None
        for section in (dem, ground)
    )
    if one is None or other is None or one == other:
        return []
    return [
        f"inputs.dem.vertical_unit: is {one}, but ground.vertical_unit is {other}; both are the "
        "unit of the levels of the DEM: leave only the right one"
    ]


def _nearest(name: str, known: set[str]) -> str:
    tail = name.rpartition(".")[2]
    same = sorted(key for key in known if key.rpartition(".")[2] == tail)
    if same:  # a right name in the wrong section: a name much like it may be quite another setting
        close = difflib.get_close_matches(name, same, n=1, cutoff=0.0)
    else:
        close = difflib.get_close_matches(name, sorted(known), n=1, cutoff=0.5)
    return f"; did you mean {close[0]}?" if close else f"; known: {', '.join(sorted(known))}"


def _faults(error: pydantic.ValidationError, data: Mapping[str, Any]) -> list[str]:
    """Turn pydantic's errors into one line each, naming the key and the nearest valid one."""
    keys = set(declared()) | {n for n in Brief.model_fields if n != "origins"}
    units = _written_at(data, ("output", "units"))
    system = str(units) if units in ("si", "us") else None
    lines = []
    for item in error.errors():
        parts = [str(part) for part in item["loc"]]
        if parts[0] == "inputs" and parts[2:3] == ["source"]:
            parts = parts[:3]  # pydantic goes on with the types it tried
        key = ".".join(parts)
        if item["type"] != "extra_forbidden":
            written = _written_at(data, item["loc"])
            lines.append(f"{key}: {_message(item, parts, written, system)}")
        elif parts[0] == "inputs":
            known = {f"{'.'.join(parts[:-1])}.{name}" for name in InputSource.model_fields}
            lines.append(f"{key}: no such key{_nearest(key, known)}")
        else:
            lines.append(f"{key}: no such setting{_nearest(key, keys)}")
    return list(dict.fromkeys(lines))


def _written_at(data: Any, where: tuple[int | str, ...]) -> object:
    """Return what stands at a place of the brief; None where nothing does."""
    for part in where:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def _message(item: Any, parts: list[str], written: object, system: str | None) -> str:
    """Say what is wrong with one value, as the person who wrote it would understand it.

    ``system`` is the brief's, ``si`` or ``us``; None where it says neither.
    """
    given, kind = _shown(item["input"]), item["type"]
    text = str(item["msg"]).removeprefix("Value error, ")
    if parts[0] == "inputs" and parts[2:] == ["source"]:
        return "must be given" if given == "None" else f"{given} is neither a path nor a list"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"{given} is not a table of settings"
    if kind in _BOUNDS:
        measure = _measure(parts)
        if measure and isinstance(written, str):
            words, limit = _BOUNDS[kind], next(iter(item["ctx"].values()))
            unit = unit_of(written, measure)
            told = limit_text(limit, unit, measure, upper=kind.startswith("less"))
            return f"{written} is out of range: {words} {told}"
        si = " (in SI units)" if measure not in (None, "per_item") else ""
        return f"{given} is out of range: {text[0].lower()}{text[1:]}{si}"
    if kind == "list_type" and isinstance(item["input"], str):
        return f"{given} is not a list; write {_as_list(item['input'])}"
    if kind == "literal_error":
        return f"{given} is none of {item['ctx']['expected']}"
    share = _PER_CENT.fullmatch(item["input"]) if kind == "float_parsing" else None
    if share is not None and _is_share(parts):
        number = float(share["number"].replace(",", ".")) / 100
        return f"{given} is given as a number without a unit; write {number:.10g}"
    if text.startswith("Input"):
        return f"{given}: {text[0].lower()}{text[1:]}"
    return _with_own_example(parts, text, system)


def _as_list(text: str) -> str:
    """Return a text as the list a brief would have, parted as ``--set`` parts it."""
    try:
        return list_text(list_from_text(text))
    except ValueError:  # brackets or quotes that belong to no list
        return list_text([text])


def _with_own_example(parts: list[str], text: str, system: str | None) -> str:
    """Have the example of a message in the units of the brief, and one that its setting takes."""
    info, kind = _field(parts), _measure(parts)
    if info is None or kind is None:
        return text
    extra = info.json_schema_extra
    default = str(extra.get("written", "none")) if isinstance(extra, dict) else "none"
    like = None
    if default != "none":
        usual = unit_of(default, kind) == usual_unit(kind)
        like = None if usual and _takes_examples(parts, kind) else default
    return text.replace(example(kind), example(kind, system, like=like))


def _takes_examples(parts: list[str], kind: str) -> bool:
    """Say whether a setting takes the usual examples of its kind, all others at their defaults."""
    section: Any = Brief.model_fields[parts[0]].annotation
    try:
        for text in examples(kind) if len(parts) == 2 else ():
            section.model_validate({parts[1]: text})
    except pydantic.ValidationError:
        return False
    return True


def _is_share(parts: list[str]) -> bool:
    """Say whether a plain number is of a whole: by its bounds, or it is said to be over something.

    Days, counts and weights are none: there a percentage is a slip, whatever was meant.
    """
    setting = declared().get(".".join(parts))
    if setting is None:
        return False
    least = [limit for words, limit in setting.bounds if words not in _MOST]
    most = [limit for words, limit in setting.bounds if words in _MOST]
    bounded = bool(most) and max(most) < 2  # friction, up to 1.5, too
    return max(least, default=0) <= 1 and (bounded or _OF_A_WHOLE.search(setting.text) is not None)


_OF_A_WHOLE = re.compile(r"\bshare\b|\w over \w")
_PER_CENT = re.compile(r"\s*(?P<number>[+-]?\d{1,9}(?:[.,]\d{1,9})?)\s*(?:%|percent|per cent)\s*")
_BOUNDS = {
    "greater_than": "must be above",
    "greater_than_equal": "must be at least",
    "less_than": "must be below",
    "less_than_equal": "must be at most",
}


def _measure(parts: list[str]) -> str | None:
    """Return what a key of the brief measures, also one of a pipe of the user's own."""
    info = _field(parts)
    mark = None if info is None else _mark(info)
    return None if mark is None else mark.name


def _field(parts: list[str]) -> FieldInfo | None:
    """Return the declaration of a key of the brief, also of one of a pipe of the user's own."""
    model: Any = Brief
    info: FieldInfo | None = None
    for part in parts:
        if part.isdigit():
            continue
        info = model.model_fields.get(part)
        if info is None:
            return None
        inner = next(iter(get_args(info.annotation)), info.annotation)
        model = inner if hasattr(inner, "model_fields") else model
    return info


def _shown(value: object) -> str:
    if isinstance(value, int) and value.bit_length() > 64:  # Python refuses to write very long ones
        return "a number of more than 64 bits"
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."
