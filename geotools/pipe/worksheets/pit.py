"""The insertion pit: length, width, steepest slope and excavation.

As `plan` does: the carrier is laid in the open where the host is opened, so that is dug down to the
host; what of the ramp lies beyond is dug as deep as the carrier comes down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe import bending, excavation, pits
from geotools.pipe.catalogue import Carrier
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.ranges import FloatArray, check_range
from geotools.pipe.worksheets._parts import (
    PLANNING,
    Entry,
    Step,
    Worksheet,
    entry,
    pipe_entries,
    step,
)
from geotools.pipe.worksheets.clearance import least_radius_step

__all__ = ["pit_sheet"]

_PIT = "Shore or slope the pit and inspect it daily; a main lies in disturbed ground."
_EVEN = (
    "Ground and host are taken to be level and the main straight; a plan follows both, and shores "
    "or slopes as pits.support says."
)
LONGEST_M = 1000.0  # of host opened: more is a slip of a unit
_SLOPES = "29 CFR 1926 Subpart P, Table B-1"


@dataclass(frozen=True)
class _Ramp:
    """A ramp to a drop at a bending radius, m, with the host opened behind its face.

    The sole is ``below`` the carrier's axis along the ramp, and ``at_face`` below the host's where
    that is opened: from the face on, ``working`` of which is room before the ramp. ``opened`` is
    how much of it is, None for all along the ramp.
    """

    drop: float
    radius: ArrayLike
    form: str
    width: float
    below: float
    at_face: float
    soil: str
    working: float
    given: float | None

    @property
    def whole(self) -> float:
        """Return the length of ramp and room, m."""
        return self.length + self.working

    @property
    def opened(self) -> float:
        """Return how much of the host is opened and dug down to it, m."""
        return self.whole if self.given is None else self.given

    @property
    def slope(self) -> float:
        return float(excavation.slope_ratio(self.soil, self.depth))

    @property
    def length(self) -> float:
        return float(pits.insertion_length_m(self.drop, self.radius, form=self.form))

    @property
    def depth(self) -> float:
        return self.drop + self.at_face

    @property
    def top_width(self) -> float:
        return float(excavation.top_size_m(self.width, self.depth, self.slope))

    @property
    def volume(self) -> float:
        """Return what is dug, m3: to the host as far as that is opened, then along the ramp.

        The ends lean as the sides do, but where the ramp goes straight on.
        """
        begin = self.length + self.opened - self.whole
        along = np.linspace(min(begin, self.length), self.length, 201)
        axis = pits.ramp_depth_m(along, self.drop, self.radius, form=self.form)
        below = np.maximum(axis + self.below, 0.0)
        ramp = excavation.ramp_volume_m3(along, below, self.width, slope=self.slope)
        deep = excavation.pit_volume_m3(
            self.width,
            self.opened,
            self.depth,
            self.depth,
            slope=self.slope,
            last_leans=begin >= self.length,
        )
        return float(ramp + deep)


def pit_sheet(
    *,
    pipe: Carrier,
    drop_m: float,
    rest_m: float,
    form: str,
    working_m: float,
    fitting_in_bend: bool,
    temperature_c: float,
    soil: str,
    bedding_m: float,
    host_m: float,
    side_room_m: float,
    opened_m: float | None = None,
) -> Worksheet:
    """Work out the insertion pit: length, width, steepest slope and excavated volume.

    Parameters
    ----------
    pipe : Carrier
    drop_m, rest_m : float
        From the axis of the resting pipe down to the host's, and up from the ground to it, m.
    form : {"level", "lifted"}
        How the pipe lies behind the pit.
    working_m, bedding_m : float
        Room at the host's face, and depth dug below the pipe, m.
    fitting_in_bend, temperature_c
        As for `bending.least_radius_m`.
    host_m, side_room_m : float
        Diameter of the host, 0 where it is not known, and room on each side, m.
    soil : str
        Soil class for the slope, one of `excavation.SOILS`.
    opened_m : float, optional
        Length of the host opened, m, the room at its face with it; all along the ramp if left out.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    _check_rooms(drop_m, rest_m, working_m, bedding_m)
    radius = _radius(pipe, fitting_in_bend, temperature_c, drop_m, form)
    below = pipe.outside_m / 2.0 + bedding_m - rest_m
    at_face = max(pipe.outside_m, host_m) / 2.0 + bedding_m - rest_m
    width = float(pits.bottom_width_m(pipe.outside_m, host_m=host_m, side_room_m=side_room_m))
    ramp = _Ramp(drop_m, radius, form, width, below, at_face, soil, working_m, opened_m)
    check_range("opened_m", ramp.opened, working_m, LONGEST_M, "m")
    return Worksheet(
        title="Insertion pit",
        inputs=(
            *pipe_entries(pipe),
            *_lie_entries(drop_m, rest_m, form),
            *_dig_entries(working_m, soil, bedding_m, host_m, side_room_m, ramp.opened),
            *_bent_entries(fitting_in_bend, temperature_c),
        ),
        steps=_steps(pipe, ramp),
        results=_results(ramp),
        passes=None,
        cautions=(_PIT, _EVEN, PLANNING),
    )


def _radius(
    pipe: Carrier, fitting: bool, temperature_c: float, drop: float, form: str
) -> FloatArray:
    """Return the least radius of the carrier, and refuse a drop too deep for it."""
    radius = bending.least_radius_m(
        pipe.material,
        pipe.dr,
        pipe.outside_m,
        fitting_in_bend=fitting,
        temperature_c=temperature_c,
    )
    check_range("drop_m", drop, 0.0, float(pits.deepest_drop_m(radius, form=form)), "m")
    return radius


def _check_rooms(drop: float, rest: float, working: float, bedding: float) -> None:
    """Refuse what is no pit; the deepest drop depends on the radius and is checked with it."""
    check_range("rest_m", rest, 0.0, max(drop, 0.0), "m")
    check_range("working_m", working, 0.0, 30.0, "m")
    check_range("bedding_m", bedding, 0.0, 2.0, "m")


def _lie_entries(drop: float, rest: float, form: str) -> tuple[Entry, ...]:
    return (
        entry("H", drop, "length", "axis of the resting pipe to axis of the host"),
        entry("e", rest, "length", "axis of the resting pipe above the ground"),
        entry("form", form, "word", "level: two arcs; lifted: one arc"),
    )


def _dig_entries(
    working: float, soil: str, bedding: float, host: float, side_room: float, opened: float
) -> tuple[Entry, ...]:
    known = (entry("D", host, "length", "diameter of the host"),) if host > 0 else ()
    return (
        *known,
        entry("room", side_room, "length", "working room on each side"),
        entry("w", working, "length", "room at the face of the host"),
        entry("soil", soil, "word", "soil class; over an old main B or C, never A"),
        entry("bedding", bedding, "length", "depth dug below carrier and host"),
        entry("o", opened, "length", "of the host opened, dug down to it"),
    )


def _bent_entries(fitting: bool, temperature_c: float) -> tuple[Entry, ...]:
    return (
        entry(
            "fitting", "yes" if fitting else "no", "word", "a flange or fitting goes round the bend"
        ),
        entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
    )


def _steps(pipe: Carrier, ramp: _Ramp) -> tuple[Step, ...]:
    level = ramp.form == "level"
    formula = "sqrt(H (4 R - H))" if level else "sqrt(H (2 R - H))"
    steepest = "acos(1 - H/(2 R)), half way down" if level else "acos(1 - H/R), at the rim"
    angle = pits.steepest_angle_rad(ramp.drop, ramp.radius, form=ramp.form)
    return (
        least_radius_step(pipe, ramp.radius),
        step("L", formula, ramp.length, "length", "geometry of the arcs, R = R least"),
        step("angle", steepest, angle, "angle", "geometry of the arcs"),
        *_handbook(pipe, ramp.drop),
        step("m", f"horizontal to 1 vertical, soil {ramp.soil}", ramp.slope, "number", _SLOPES),
        step("b", "max(D, OD) + 2 room", ramp.width, "length", "room all round the host"),
        step(
            "b trench",
            "OD + 12, 18 or 24 in",
            float(pits.pit_width_m(pipe.outside_m)),
            "length",
            "of a trench for the carrier, to compare; handbook rooms, from memory",
        ),
        step(
            "depth", "H - e + max(D, OD)/2 + bedding", ramp.depth, "length", "geometry, at the face"
        ),
        step("b top", "b + 2 m depth", ramp.top_width, "length", "geometry, at the face"),
    )


def _handbook(pipe: Carrier, drop: float) -> tuple[Step, ...]:
    """Return the rule of thumb for polyethylene, to hold the arcs against."""
    if not is_polyethylene(pipe.material):
        return ()
    length = pits.straight_approach_m(drop, pipe.outside_m)
    source = "straight ramp and bench, to compare; PPI Handbook ch. 11, from memory"
    return (step("L straight", "2.5 H + 12 OD", length, "length", source),)


def _results(ramp: _Ramp) -> tuple[Entry, ...]:
    length = max(ramp.whole, ramp.opened)
    beyond = "" if ramp.opened >= ramp.whole else "; beyond o along the ramp alone"
    return (
        entry("length", length, "length", "L + w, ramp and room at the face, at least o"),
        entry("width", ramp.width, "length", "bottom width"),
        entry("top width", ramp.top_width, "length", "at the ground; hold it against the street's"),
        entry("depth", ramp.depth, "length", "below the ground, at the face of the host"),
        entry("volume", ramp.volume, "volume", f"in place, sides and ends sloped{beyond}"),
        *_safety(ramp, length),
    )


def _safety(ramp: _Ramp, length: float) -> tuple[Entry, ...]:
    """Return what the depth of the pit asks for by the rules of the trade."""
    ladders = excavation.egress_count(length, max(ramp.depth, 0.0))
    must = bool(excavation.needs_protection(max(ramp.depth, 0.0)))
    protection = "required" if must else "by inspection"
    return (
        entry("ladders", ladders, "number", "or ramps out, from 4 ft deep: 29 CFR 1926.651(c)(2)"),
        entry(
            "protection",
            protection,
            "word",
            "slope, shore or shield, always from 5 ft deep: 29 CFR 1926.652(a)(1)",
        ),
    )
