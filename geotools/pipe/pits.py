"""Length, width and ramp of the pits a carrier goes in and comes out by.

A ramp is told from its foot, where the carrier lies on the host's axis, back and up to its top,
where the string rests on the ground. Slopes are rises back along the ramp, m/m: of the host at
the foot, ``host_slope``, and of the resting string at the top, ``rest_slope``. A street that falls
towards the pit, which is to pull downhill, has slopes above 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe.factors import INCH
from geotools.pipe.ranges import FloatArray, RangeError, check_choice, check_range, within

__all__ = [
    "FORMS",
    "GROUND_PLACES",
    "LEAST_SLOPE_OVER_M",
    "LONGEST_RAMP",
    "SLOPE_OVER_M",
    "STEEPEST_SLOPE",
    "STEEP_OVER_M",
    "bottom_width_m",
    "deepest_drop_m",
    "farthest_reach_m",
    "ground_reach_m",
    "insertion_length_m",
    "pit_width_m",
    "ramp_depth_m",
    "ramp_drop_m",
    "ramp_least_m",
    "ramp_rise_m",
    "steepest_angle_rad",
    "straight_approach_m",
]

FORMS = ("level", "lifted")
GROUND_PLACES = 17  # where the ground is looked up along the line of a ramp, evenly spaced
# Of the host ahead of the face, and of the ground behind the top, over which their slopes are
# taken: about the length of a pipe, so that noise of the levels does not decide. Common practice,
# no source.
SLOPE_OVER_M = 10.0
LEAST_SLOPE_OVER_M = 1.0  # of a host that goes on no farther no slope is taken
# Of the ground along a pit: over so much of it, or all of a shorter one, is told how steep it is;
# levels nearer to each other are noise. Common practice, no source.
STEEP_OVER_M = 3.0
STEEPEST_SLOPE = 1.0  # of streets and hosts, m/m; what is steeper is a fault of the levels
LONGEST_RAMP = 4.0  # of the radius: two quarter turns on from slopes of 45 degrees the other way
GROUND_SPARE_M = 10.0  # of ground looked up beyond twice the ramp that level ground would need
_HANDBOOK_ROOM = ((18.0, 12.0), (48.0, 18.0), (np.inf, 24.0))  # outside up to, room; inches


def _drop_and_radius(
    drop_m: ArrayLike, radius_m: ArrayLike, form: str
) -> tuple[FloatArray, FloatArray]:
    check_choice("form", form, FORMS)
    radius = check_range("radius_m", radius_m, 0.0, np.inf, "m", above_low=True)
    drop = check_range("drop_m", drop_m, 0.0, np.inf, "m")
    share = drop / deepest_drop_m(radius, form=form)
    check_range(f"drop_m / deepest drop ({form})", share, 0.0, 1.0, "")
    return drop, radius


def deepest_drop_m(radius_m: ArrayLike, *, form: str = "level") -> FloatArray:
    """Greatest drop the arcs of a ramp can make.

    Parameters
    ----------
    radius_m : array_like
        Bending radius, m; above 0.
    form : {"level", "lifted"}, optional
        Two arcs or one.

    Returns
    -------
    ndarray of float
        Drop, m: twice the radius with two arcs, once with one.

    Raises
    ------
    RangeError
        If the radius is not above zero.
    ChoiceError
        If the form is unknown.
    """
    check_choice("form", form, FORMS)
    radius = check_range("radius_m", radius_m, 0.0, np.inf, "m", above_low=True)
    return np.asarray(radius * (2.0 if form == "level" else 1.0), dtype=np.float64)


def insertion_length_m(
    drop_m: ArrayLike, radius_m: ArrayLike, *, form: str = "level"
) -> FloatArray:
    """Horizontal length of the ramp from the resting pipe down to the host's face.

    Parameters
    ----------
    drop_m : array_like
        Height from the axis of the resting pipe down to the axis of the host, H, m (ground to
        host axis, plus half the outside diameter, plus the height of the rollers).
    radius_m : array_like
        Bending radius of the carrier's axis, R, m. Broadcasts with `drop_m`.
    form : {"level", "lifted"}, optional
        level: the pipe rests level behind the pit, two opposed arcs, valid for H <= 2 R.
        lifted: the tail is lifted to the slope of one arc, valid for H <= R.

    Returns
    -------
    ndarray of float
        Length, m, without the working room at the face.

    Raises
    ------
    RangeError
        If H is below zero or too great for the radius, or the form is unknown.

    Notes
    -----
    level: L = sqrt(H (4 R - H)). lifted: L = sqrt(H (2 R - H)). Derived; the form is attributed
    to the PPI Handbook and ASTM F585, from memory.
    """
    drop, radius = _drop_and_radius(drop_m, radius_m, form)
    reach = 4.0 if form == "level" else 2.0
    return np.asarray(np.sqrt(drop * (reach * radius - drop)), dtype=np.float64)


def ground_reach_m(
    drop_m: ArrayLike, radius_m: ArrayLike, *, working_m: float, form: str = "level"
) -> FloatArray:
    """How far back from the room at a face the ground of a ramp is looked up.

    Parameters
    ----------
    drop_m : array_like
        Drop were the ground level all around, m; not-a-number, and one no ramp can make, count
        as none.
    radius_m : array_like
        Bending radius of the carrier's axis, m; above 0. Of the shape of `drop_m`.
    working_m : float
        Room at the face of an insertion, m.
    form : {"level", "lifted"}, optional
        As for `insertion_length_m`.

    Returns
    -------
    ndarray of float
        Length, m, with the ground behind the top whose slope is taken. At `GROUND_PLACES` places
        along it, and along the room before it, the ground is looked up, and is straight from one
        to the next. For a ramp that ends beyond, on a street that falls away, it is looked up
        twice as far, and so on up to `farthest_reach_m`.

    Raises
    ------
    RangeError
        If the radius is not above zero.
    ChoiceError
        If the form is unknown.
    """
    longest = deepest_drop_m(radius_m, form=form)  # a quarter turn is as long as it is deep
    drop = np.asarray(drop_m, dtype=np.float64)
    fits = np.where((drop > 0.0) & (drop <= longest), drop, 0.0)
    plain = insertion_length_m(fits, radius_m, form=form)
    farthest = np.minimum(longest, 2 * plain + GROUND_SPARE_M) + SLOPE_OVER_M
    # Half a hole for two short ramps may be longer than a ramp, for the room at its face.
    return np.asarray(np.maximum(farthest, farthest / 2 + working_m), dtype=np.float64)


def farthest_reach_m(radius_m: ArrayLike) -> FloatArray:
    """How far back the ground of the longest ramp there can be is looked up.

    Parameters
    ----------
    radius_m : array_like
        Bending radius of the carrier's axis, R, m; above 0.

    Returns
    -------
    ndarray of float
        Length, m: of a ramp of `LONGEST_RAMP` radii, and of the ground behind it.

    Raises
    ------
    RangeError
        If the radius is not above zero.

    Notes
    -----
    A ramp is R (2 sin c - sin a - sin b) long (`ramp_drop_m`): at most 2 + sqrt(2) radii, with a
    quarter turn between slopes of `STEEPEST_SLOPE` the other way. Derived.
    """
    radius = check_range("radius_m", radius_m, 0.0, np.inf, "m", above_low=True)
    return np.asarray(LONGEST_RAMP * radius + SLOPE_OVER_M, dtype=np.float64)


def steepest_angle_rad(
    drop_m: ArrayLike, radius_m: ArrayLike, *, form: str = "level"
) -> FloatArray:
    """Steepest slope of the pipe on the ramp.

    Parameters
    ----------
    drop_m, radius_m, form
        As for `insertion_length_m`.

    Returns
    -------
    ndarray of float
        Angle to the host's axis, rad: half way up for level, at the top for lifted.

    Raises
    ------
    RangeError
        As for `insertion_length_m`.

    Notes
    -----
    acos(1 - H/(2 R)) and acos(1 - H/R), written through the sine of the half angle.
    """
    drop, radius = _drop_and_radius(drop_m, radius_m, form)
    share = drop / radius / (2.0 if form == "level" else 1.0)
    return np.asarray(2.0 * np.arcsin(np.sqrt(share / 2.0)), dtype=np.float64)


def ramp_depth_m(
    distance_from_face_m: ArrayLike,
    drop_m: ArrayLike,
    radius_m: ArrayLike,
    *,
    form: str = "level",
) -> FloatArray:
    """Depth of the carrier's axis below its resting level along the ramp.

    Parameters
    ----------
    distance_from_face_m : array_like
        Horizontal distance from the host's face back along the ramp, m; at least 0.
    drop_m, radius_m, form
        As for `insertion_length_m`; all broadcast.

    Returns
    -------
    ndarray of float
        Depth, m: `drop_m` at the face, 0 at the top of the ramp and beyond.

    Raises
    ------
    RangeError
        As for `insertion_length_m`, or if a distance is below zero.

    Notes
    -----
    `ramp_rise_m` on level ground, down from the top.
    """
    drop, radius = _drop_and_radius(drop_m, radius_m, form)
    length = insertion_length_m(drop, radius, form=form)
    along = check_range("distance_from_face_m", distance_from_face_m, 0.0, np.inf, "m")
    rise = ramp_rise_m(along, length, radius, form=form)
    return np.asarray(np.maximum(drop - rise, 0.0), dtype=np.float64)


def ramp_least_m(
    radius_m: ArrayLike,
    *,
    host_slope: ArrayLike = 0.0,
    rest_slope: ArrayLike = 0.0,
    form: str = "level",
) -> FloatArray:
    """Least length in which a ramp turns from the host's slope into that of the resting string.

    Parameters
    ----------
    radius_m, host_slope, rest_slope, form
        As for `ramp_drop_m`; all broadcast.

    Returns
    -------
    ndarray of float
        Length, m: 0 where the host is no steeper than the string rests, and of a lifted tail.

    Raises
    ------
    RangeError
        As for `ramp_drop_m`.

    Notes
    -----
    R (sin a - sin b), with the angles of `ramp_drop_m`: over x the sine of a pipe's angle changes
    by no more than x/R. A ramp of this length is one arc, and rises R (cos b - cos a).
    """
    arcs = _arcs(0.0, radius_m, host_slope, rest_slope, form)
    return np.asarray(arcs.least, dtype=np.float64)


def ramp_drop_m(
    length_m: ArrayLike,
    radius_m: ArrayLike,
    *,
    host_slope: ArrayLike = 0.0,
    rest_slope: ArrayLike = 0.0,
    form: str = "level",
    drawn_on: bool = False,
) -> FloatArray:
    """Height a ramp of a length makes from the host's axis at its foot up to the string at its top.

    Parameters
    ----------
    length_m : array_like
        Horizontal length of the ramp, L, m; at least `ramp_least_m`.
    radius_m : array_like
        Bending radius of the carrier's axis, R, m; above 0.
    host_slope, rest_slope : array_like, optional
        Slopes of the host at the foot and of the resting string at the top; -1 to 1.
    form : {"level", "lifted"}, optional
        level: two opposed arcs, the upper one down to the slope of the resting string. lifted:
        one arc, the tail is lifted to its slope; ``rest_slope`` counts for nothing.
    drawn_on : bool, optional
        Take lengths from 0, for the search of one: below the least the lower arc is drawn
        backwards, so that the drop, which is no ramp's, is steady and grows with the length.

    Returns
    -------
    ndarray of float
        Drop, H, m, the greatest that length allows; all arguments broadcast. Beyond a quarter turn
        it grows no more.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the form is unknown.

    Notes
    -----
    With the angles a of the host, b of the resting string and c of the steepest place between,
    level: L = R (2 sin c - sin a - sin b), H = R (cos a + cos b - 2 cos c); lifted, and where the
    ground behind the top is steeper than one arc becomes: L = R (sin c - sin a), H = R (cos a -
    cos c). Derived; with a = b = 0 the lengths of `insertion_length_m`, with a = b those of that
    formula between two parallels, turned by a.

    With u the sine of the pipe's angle, du/dx is its curvature, at most 1/R, and H the sum of
    u/sqrt(1 - u^2) over x. So u climbs from sin a as fast as it may and comes down to sin b as
    fast: H is greatest, and a drop is reached by the shortest ramp. c is no less than a and b, or
    an arc would have a length below 0: L >= R |sin a - sin b|. Of a host steeper than the string
    rests, a > b, that is the range: the shortest ramp is one arc and rises R (cos b - cos a). Over
    its length no pipe lies lower, so where the line of the resting string does, the pipe would
    first rise over that line; a longer ramp, or a straight piece at the host's slope, rises more.
    A lesser drop has no ramp. Of a string steeper, one arc takes the place of two.
    """
    arcs_of = _arcs if drawn_on else _true_arcs
    arcs = arcs_of(length_m, radius_m, host_slope, rest_slope, form)
    return np.asarray(arcs.drop(), dtype=np.float64)


def ramp_rise_m(
    distance_m: ArrayLike,
    length_m: ArrayLike,
    radius_m: ArrayLike,
    *,
    host_slope: ArrayLike = 0.0,
    rest_slope: ArrayLike = 0.0,
    form: str = "level",
) -> FloatArray:
    """Height of the carrier's axis along a ramp, above that of the host at its foot.

    Parameters
    ----------
    distance_m : array_like
        Horizontal distance from the foot back along the ramp, m; below 0 towards the face.
    length_m, radius_m, host_slope, rest_slope, form
        As for `ramp_drop_m`; all broadcast.

    Returns
    -------
    ndarray of float
        Height, m: 0 at the foot, `ramp_drop_m` at the top, without a kink between; the host's line
        before the foot, the resting string's behind the top.

    Raises
    ------
    RangeError
        As for `ramp_drop_m`.

    Notes
    -----
    Of an arc that begins at an angle a, over x: R (cos a - cos t) with sin t = sin a + x/R.
    """
    distance = check_range("distance_m", distance_m, -np.inf, np.inf, "m")
    arcs = _true_arcs(length_m, radius_m, host_slope, rest_slope, form)
    x = np.clip(distance, 0.0, arcs.length)
    foot = np.clip(arcs.radius * (arcs.steepest - arcs.host), 0.0, arcs.length)
    up = _arc_rise(arcs.host, arcs.host + np.minimum(x, foot) / arcs.radius, arcs.radius)
    down = _arc_rise(arcs.rest, arcs.rest + (arcs.length - x) / arcs.radius, arcs.radius)
    rise = np.where(x <= foot, up, arcs.drop() - down)
    before = np.minimum(distance, 0.0) * _slope_of(arcs.host)
    behind = np.maximum(distance - arcs.length, 0.0) * _slope_of(arcs.rest)
    return np.asarray(rise + before + behind, dtype=np.float64)


@dataclass(frozen=True)
class _Arcs:
    """A ramp's arcs: length and radius, m; sines of the angles at foot, top and steepest place."""

    length: FloatArray
    radius: FloatArray
    host: FloatArray
    rest: FloatArray
    steepest: FloatArray

    @property
    def least(self) -> FloatArray:
        """Length without which the arcs do not come down from the host's slope, m."""
        return self.radius * np.maximum(self.host - self.rest, 0.0)

    def drop(self) -> FloatArray:
        return _arc_rise(self.host, self.steepest, self.radius) + _arc_rise(
            self.rest, self.steepest, self.radius
        )


def _arcs(
    length_m: ArrayLike, radius_m: ArrayLike, host: ArrayLike, rest: ArrayLike, form: str
) -> _Arcs:
    check_choice("form", form, FORMS)
    length = check_range("length_m", length_m, 0.0, np.inf, "m")
    radius = check_range("radius_m", radius_m, 0.0, np.inf, "m", above_low=True)
    host_sine = _sine_of(check_range("host_slope", host, -STEEPEST_SLOPE, STEEPEST_SLOPE, "m/m"))
    rest_sine = _sine_of(check_range("rest_slope", rest, -STEEPEST_SLOPE, STEEPEST_SLOPE, "m/m"))
    turned = length / radius
    one_arc = host_sine + turned
    single = rest_sine >= one_arc if form == "level" else np.ones(np.shape(one_arc), dtype=bool)
    steepest = np.where(single, one_arc, (host_sine + rest_sine + turned) / 2.0)
    top = np.where(single, one_arc, rest_sine)
    return _Arcs(length, radius, host_sine, np.minimum(top, 1.0), np.minimum(steepest, 1.0))


def _true_arcs(
    length_m: ArrayLike, radius_m: ArrayLike, host: ArrayLike, rest: ArrayLike, form: str
) -> _Arcs:
    """Return the arcs of ramps that are as long as they must be, or say which is not."""
    arcs = _arcs(length_m, radius_m, host, rest, form)
    length, least = np.broadcast_arrays(arcs.length, arcs.least)
    short = ~within(least, length)
    if short.any():
        row = np.flatnonzero(short)[0]
        valid = f"from {least.flat[row]:g} m, to turn out of a host so steep"
        raise RangeError("length_m", f"{length.flat[row]:g} m", valid)
    return arcs


def _arc_rise(start: FloatArray, end: FloatArray, radius: FloatArray) -> FloatArray:
    """Rise of an arc between two angles, given by their sines; exact where it is short."""
    last = np.clip(end, -1.0, 1.0)
    cosines = np.sqrt(1.0 - start**2) + np.sqrt(1.0 - last**2)
    rise = radius * (last - start) * (last + start)
    return np.asarray(rise / np.maximum(cosines, 1e-300), dtype=np.float64)  # 0 over 0 is 0


def _sine_of(slope: FloatArray) -> FloatArray:
    return np.asarray(slope / np.sqrt(1.0 + slope**2), dtype=np.float64)


def _slope_of(sine: FloatArray) -> FloatArray:
    return np.asarray(sine / np.sqrt(np.maximum(1.0 - sine**2, 1e-12)), dtype=np.float64)


def straight_approach_m(
    drop_m: ArrayLike, outside_m: ArrayLike, *, slope: ArrayLike = 2.5
) -> FloatArray:
    """Length of an insertion pit with a straight ramp and a level bench, by the handbook's rule.

    Parameters
    ----------
    drop_m : array_like
        As for `insertion_length_m`, H, m; at least 0.
    outside_m : array_like
        Outside diameter, m; above 0 to 3.
    slope : array_like, optional
        Horizontal to one vertical, m; 1.5 to 20.

    Returns
    -------
    ndarray of float
        Length, m: ramp and bench.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    L = m H + 12 OD; m 2.5, at least 1.5. PPI Handbook of PE Pipe ch. 11, from memory: a rule of
    thumb for polyethylene, to hold the arcs against; it asks for no bending radius.
    """
    drop = check_range("drop_m", drop_m, 0.0, np.inf, "m")
    outside = check_range("outside_m", outside_m, 0.0, 3.0, "m", above_low=True)
    ratio = check_range("slope", slope, 1.5, 20.0, "")
    return np.asarray(ratio * drop + 12.0 * outside, dtype=np.float64)


def bottom_width_m(
    outside_m: ArrayLike, *, host_m: ArrayLike, side_room_m: ArrayLike
) -> FloatArray:
    """Bottom width of a pit in which a host is cut and a carrier enters it.

    Parameters
    ----------
    outside_m : array_like
        Outside diameter of the carrier, m; above 0 to 3.
    host_m : array_like
        Diameter of the host, m; 0 to 5, 0 where it is not known.
    side_room_m : array_like
        Working room on each side, m; 0 to 5.

    Returns
    -------
    ndarray of float
        Width, m; all arguments broadcast.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    max(host, OD) + 2 room. Common practice, no source: the host is cut and worked on all round.
    """
    outside = check_range("outside_m", outside_m, 0.0, 3.0, "m", above_low=True)
    host = check_range("host_m", host_m, 0.0, 5.0, "m")
    room = check_range("side_room_m", side_room_m, 0.0, 5.0, "m")
    return np.asarray(np.maximum(host, outside) + 2.0 * room, dtype=np.float64)


def pit_width_m(outside_m: ArrayLike) -> FloatArray:
    """Bottom width of a pit.

    Parameters
    ----------
    outside_m : array_like
        Outside diameter of the pipe worked on, m; above 0 to 3.

    Returns
    -------
    ndarray of float
        Width, m.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    Outside diameter plus 12 in up to 18 in pipe, 18 in up to 48 in, 24 in above. Weak memory of
    handbook tables; confirm against the standard in force.
    """
    outside = check_range("outside_m", outside_m, 0.0, 3.0, "m", above_low=True)
    limits = np.array([limit * INCH for limit, _ in _HANDBOOK_ROOM])
    rooms = np.array([room * INCH for _, room in _HANDBOOK_ROOM])
    # a hair of slack, so that an 18 in pipe converted to metres stays an 18 in pipe
    row = np.searchsorted(limits, outside * (1.0 - 1e-12))
    return np.asarray(outside + rooms[row], dtype=np.float64)
