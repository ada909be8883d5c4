"""Bends that follow each other closely: the largest radius that passes two of them.

Between two bends the carrier has to come back to where the next one is best entered: to the same
wall after a turn of the same sense, across the main to the other one after a turn the other way.
Where the straight between them is too short for that, it must be bent tighter than for either.

Derived from the geometry, for angles at which a chord is as long as its arc; no source. In the
straight before an elbow an arc of radius R turns, from the outer wall to the inner corner, by
``a = arccos(1 - c/R)``, so an elbow alone passes if it turns no more than twice that. Of what two
elbows turn, each at its inner corner, the stretch d between them takes

- of the same sense: ``d/(2R)`` each at the most; or, as one arc round both, what it does about
  the middle of all that is turned; or half of both, where it holds their tangents;
- of opposite sense: as much as the path between them, bent as far as it may be one way and then
  the other, drifts by no more than c.

What an elbow turns besides has to be turned on its other side: ``a`` at the most, half of it where
its other neighbour is as near.

Round a curve of radius Rh an arc of radius R, y off the outer wall in the straights, takes
``R - Rh - c/2 + y`` times ``tan(t/2)`` of each of them, and ``(1 - cos(t/2))/cos(t/2)`` times as
much for its width. Two curves are passed where what their arcs take leaves, between them, the
``2 sqrt(x R)`` in which two arcs change from y to y: x is nothing for curves of one sense, ``c``
less both y else. Two of one sense may also be passed as one, as tight as the tighter of them.

Every such path is one that exists, so that the radius told is never more than the true one, which
a search of all paths by linear programming confirms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.pipe.bending import HALF_TURN, passing_radius_m
from geotools.pipe.ranges import FloatArray

__all__ = ["Couples", "couple_radius_m", "like_mitre_rad", "past_curve_m"]

BoolArray = NDArray[np.bool_]

STEPS = 60  # halvings of a radius, which bring a factor of a thousand down to the last digit
TIGHTEST = 1e-3  # of the radius that passes each alone; what asks for less passes nothing
EVEN = 1e-12  # share by which rounding may turn what just passes into what does not
CROSSING = 1.0 + np.sqrt(2.0)  # arcs of a change from wall to wall and of the elbow behind it


@dataclass(frozen=True)
class Couples:
    """Two bends each that follow each other in a host; arrays of shape (n,), lengths m.

    Attributes
    ----------
    clearance : ndarray
        Host bore less the carrier's outside diameter at its joints.
    turn, other : ndarray
        Angle of the elbow, and of the bend beside it, rad, above 0; of an elbow with a radius
        that of the mitre which passes as much (`like_mitre_rad`), but between elbows to opposite
        sides.
    apart : ndarray
        Straight between them.
    between, tangents : ndarray
        Length between the corners of two elbows, and the tangent lengths of arcs round both by
        the arcs' radius.
    opposite : ndarray of bool
        They turn to opposite sides.
    axis_radius, span : ndarray
        Of the other bend where it is a curve: radius and length of the host's axis; 0 of an elbow.
    own_axis_radius : ndarray
        Radius of the host's axis in the first bend where both are curves; else 0.
    beyond, other_beyond : ndarray
        Straight to the next bend on the other side of the first and of the second one, to a curve
        less what an arc round that takes of it (`past_curve_m`); infinite where there is none.
    beyond_opposite, other_beyond_opposite : ndarray of bool
        That bend is an elbow to the opposite side.
    beyond_curve, other_beyond_curve : ndarray of bool
        That bend is a curve, to whichever side.
    """

    clearance: FloatArray
    turn: FloatArray
    other: FloatArray
    apart: FloatArray
    between: FloatArray
    tangents: FloatArray
    opposite: BoolArray
    axis_radius: FloatArray
    span: FloatArray
    own_axis_radius: FloatArray
    beyond: FloatArray
    other_beyond: FloatArray
    beyond_opposite: BoolArray
    other_beyond_opposite: BoolArray
    beyond_curve: BoolArray
    other_beyond_curve: BoolArray


def couple_radius_m(couples: Couples, alone: FloatArray) -> FloatArray:
    """Return the largest radius that passes both bends, m; infinite where they do not meet.

    Parameters
    ----------
    couples : Couples
    alone : ndarray, shape (n,)
        What passes each of the two, were the other not there: the less, m, above 0.

    Notes
    -----
    For turns of up to some 25 degrees each, as held against the widest path; of more it is not
    confirmed. Nothing is raised: `siting.passing` makes no couple of what is out of range.
    """
    low, high = TIGHTEST * alone, alone.copy()
    free = _passed(couples, high * (1 - EVEN))
    for _ in range(STEPS):
        middle = np.sqrt(low * high)
        good = _passed(couples, middle)
        low, high = np.where(good, middle, low), np.where(good, high, middle)
    return np.where(free, np.inf, low)


def like_mitre_rad(clearance: FloatArray, alone: FloatArray) -> FloatArray:
    """Return the angle of the mitre that passes a carrier of such a radius and no greater, rad."""
    return 2.0 * _side(clearance, alone)


def _meeting(
    clearance: FloatArray, radius: FloatArray, apart: FloatArray, opposite: BoolArray
) -> BoolArray:
    """Return whether two elbows so far apart, m, keep each other from turning all they could."""
    return _between(clearance, radius, apart, opposite) < _side(clearance, radius)


def _passed(couples: Couples, radius: FloatArray) -> BoolArray:
    """Return which couples a carrier bent to these radii passes."""
    curves, by_curve = couples.own_axis_radius > 0, couples.axis_radius > 0
    return np.select(
        [curves, by_curve],
        [_two_curves(couples, radius), _by_curve(couples, radius)],
        _two_elbows(couples, radius),
    )


def _side(clearance: FloatArray, radius: FloatArray) -> FloatArray:
    """Return what an arc turns between a straight's outer wall and an elbow's inner corner, rad."""
    return np.asarray(np.arccos(np.clip(1.0 - clearance / radius, -1.0, 1.0)))


def _between(
    clearance: FloatArray, radius: FloatArray, apart: FloatArray, opposite: BoolArray
) -> FloatArray:
    """Return what either of two elbows may turn in the straight between them, rad, as much each."""
    apart = np.maximum(apart, EVEN)
    crossing = clearance / apart + apart / (4.0 * radius)
    return np.where(opposite, crossing, apart / (2.0 * radius))


def _two_elbows(couples: Couples, radius: FloatArray) -> BoolArray:
    """Return which couples of elbows are passed."""
    c, d = couples.clearance, couples.apart / radius
    side = _side(c, radius)
    met = _meeting(c, radius, couples.beyond, couples.beyond_opposite)
    other_met = _meeting(c, radius, couples.other_beyond, couples.other_beyond_opposite)
    one = np.where(met, couples.turn / 2, couples.turn - side)
    two = np.where(other_met, couples.other / 2, couples.other - side)
    whole = np.maximum(couples.turn + couples.other, EVEN)
    least = np.minimum(couples.turn, couples.other)
    arc = ~met & ~other_met & (whole / 2 - d * least / whole <= side)
    crossed = met & (couples.beyond_opposite | couples.beyond_curve)
    crossed |= other_met & (couples.other_beyond_opposite | couples.other_beyond_curve)
    held = couples.tangents * radius <= couples.between
    same = (np.maximum(one, two) <= d / 2) | arc | (~crossed & held)
    return np.where(couples.opposite, _crossed(couples, radius, one, two), same)


def _crossed(couples: Couples, radius: FloatArray, one: FloatArray, two: FloatArray) -> BoolArray:
    """Return where the path between opposite elbows drifts by no more than the clearance.

    ``one`` and ``two`` are what each turns between them at the least, rad. Where they differ by
    more than the stretch lets the path turn, the lesser one turns more, first the wrong way.
    """
    d = couples.apart / radius
    one, two = np.maximum(one, 0.0), np.maximum(two, 0.0)
    first, second = np.maximum(one, two - d), np.maximum(two, one - d)
    wrong = np.maximum(first - couples.turn, 0.0) + np.maximum(second - couples.other, 0.0)
    least = (first + second - d) / 2
    drift = (first**2 + second**2 - 2 * least**2 + wrong**2) * radius / 2
    return np.asarray(drift <= couples.clearance)


def _by_curve(couples: Couples, radius: FloatArray) -> BoolArray:
    """Return which elbows beside a curve are passed.

    By one to the curve's side the carrier comes to the inner wall. If it cannot go along the
    curve from there it has to be back at the outer one before its arc round the curve begins, or
    both are passed as one mitre.
    """
    c, past = couples.clearance, _past(couples, radius)
    side = _side(c, radius)
    met = _meeting(c, radius, couples.beyond, couples.beyond_opposite)
    beyond = np.where(met, couples.turn / 2, side)
    along = np.where(couples.opposite, _out_of_curve(couples, radius), _in_curve(couples, radius))
    back = couples.turn <= 2 * np.maximum(couples.apart - past, 0.0) / radius
    whole = np.minimum(couples.turn + couples.other, np.pi)
    back |= ~met & (radius <= passing_radius_m(whole, c))
    free = couples.opposite | (radius <= couples.axis_radius) | _out_in_time(couples, radius)
    return np.asarray((couples.turn <= beyond + np.minimum(along, side)) & (free | back))


def _out_in_time(couples: Couples, radius: FloatArray) -> BoolArray:
    """Return where an arc round the curve ends before one to the elbow begins."""
    reach = np.sqrt(2.0 * couples.clearance * radius) + _past(couples, radius)
    return np.asarray(couples.apart >= reach)


def _two_curves(couples: Couples, radius: FloatArray) -> BoolArray:
    """Return which couples of curves are passed, by the outer walls or by each other's."""
    axis = np.stack([couples.own_axis_radius, couples.axis_radius])
    c, cosine = couples.clearance, np.cos(_both_turns(couples) / 2)
    more = radius - axis - c / 2  # than the outer wall turns
    room = np.clip(c * cosine - more * (1 - cosine), 0.0, c)  # the most an arc may be off
    both = room.sum(axis=0)
    room *= np.divide(c, both, out=np.ones_like(both), where=both > c)
    as_one = ~couples.opposite & _round_both(couples, radius)
    passed = _reached(couples, radius, np.zeros_like(room)) | _reached(couples, radius, room)
    return np.asarray(passed | as_one, dtype=np.bool_)


def _both_turns(couples: Couples) -> FloatArray:
    return np.minimum(np.stack([couples.turn, couples.other]), HALF_TURN)


def _round_both(couples: Couples, radius: FloatArray) -> BoolArray:
    """Return which couples of curves of one sense are passed as one curve, the tighter one's."""
    c, axis = couples.clearance, np.minimum(couples.own_axis_radius, couples.axis_radius)
    whole = couples.turn + couples.other
    alone = passing_radius_m(np.minimum(whole, np.pi), c, axis_radius_m=axis)
    past = past_curve_m(radius, c, axis, whole)
    clear = past <= np.minimum(couples.beyond, couples.other_beyond)
    return np.asarray((radius <= alone) & clear)


def _reached(couples: Couples, radius: FloatArray, off: FloatArray) -> BoolArray:
    """Return where arcs round two curves, so far off the outer walls, leave room between them."""
    axis = np.stack([couples.own_axis_radius, couples.axis_radius])
    past = past_curve_m(radius, couples.clearance, axis, _both_turns(couples), off=off).sum(axis=0)
    across = np.where(couples.opposite, couples.clearance - off.sum(axis=0), 0.0)
    across = np.where(across > EVEN * couples.clearance, across, 0.0)  # its root tells rounding
    return np.asarray(past + 2 * np.sqrt(across * radius) <= couples.apart)


def past_curve_m(
    radius: FloatArray,
    clearance: FloatArray,
    axis_radius: FloatArray,
    angle: FloatArray,
    *,
    off: FloatArray | float = 0.0,
) -> FloatArray:
    """Return how far past the ends of a curve an arc round it goes on, m; 0 if it goes along.

    Lengths m, angle rad; ``off`` is how far off the outer wall the arc begins.
    """
    more = np.maximum(radius - axis_radius - clearance / 2 + off, 0.0)
    return np.asarray(more * np.tan(np.minimum(angle, HALF_TURN) / 2), dtype=np.float64)


def _past(couples: Couples, radius: FloatArray) -> FloatArray:
    return past_curve_m(radius, couples.clearance, couples.axis_radius, couples.other)


def _out_of_curve(couples: Couples, radius: FloatArray) -> FloatArray:
    """Return what may be turned between a curve and an elbow of the opposite sense, rad.

    A carrier that can go along the curve's inner wall comes out of it at the elbow's outer wall;
    one that cannot comes out by the other one, and has to cross.
    """
    along = radius <= couples.axis_radius - couples.clearance / 2
    left = np.maximum(couples.apart - _past(couples, radius), 0.0) / radius
    return np.where(along, np.inf, left / CROSSING)


def _in_curve(couples: Couples, radius: FloatArray) -> FloatArray:
    """Return what may be turned for an elbow in a curve of its sense and the straight to it, rad.

    Bent to a radius less than the curve's, the carrier leaves its outer wall in the curve, or in
    the straight before it, and comes to the elbow's inner corner; half of the curve, and nothing
    before it, is for this elbow where the next one is near as well. Bent to a greater one it does
    so only if it is out of the curve in time.
    """
    bent, c, g = 1.0 / radius, couples.clearance, couples.apart
    shared = couples.other_beyond < np.sqrt(2.0 * c * radius) + _past(couples, radius)
    span = np.where(shared, couples.span / 2, couples.span)
    spare = np.maximum(c - bent * g**2 / 2, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        curved = np.maximum(bent - 1.0 / couples.axis_radius, 0.0)  # beyond what the curve turns
        begun = np.where(curved > 0, np.sqrt(g**2 + 2 * spare / curved) - g, np.inf)
    whole = span + g
    left = spare - curved * span * (span / 2 + g)
    before = bent * (np.sqrt(whole**2 + 2 * np.maximum(left, 0.0) * radius) - whole)
    before = np.where(shared, 0.0, before)
    inside = begun <= span
    begun = np.where(inside, begun, span)
    turned = curved * begun + bent * g + np.where(inside, 0.0, before)
    out = _out_in_time(couples, radius)
    return np.where(out, _side(c, radius), np.where(curved > 0, turned, 0.0))
