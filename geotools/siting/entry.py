"""How far strings can lie along a street they have to turn into from their ramp.

A ramp is straight: from its top on the string turns by an arc of the carrier's least radius until
it goes the way of the street, and so swings out to the far side. Plane geometry: an arc of radius
R that turns by a from a corner x ahead of the top ends ``R (1 - cos a) - x sin a`` outside the
line it comes to, nothing from ``x = R tan(a/2)`` on, the tangent of a bend.
"""

from __future__ import annotations

import numpy as np

from geotools.network.pieces import SAME_WAY
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, spread_out
from geotools.network.vectors import cross
from geotools.street.context import Spots

__all__ = ["turned_into"]

TINY = 1e-6  # m


def turned_into(
    lies: Spots,
    top: FloatArray,
    heading: FloatArray,
    room: FloatArray,
    radius: FloatArray,
    *,
    verge: float,
    max_turn: float,
) -> FloatArray:
    """Return how far along their streets strings get that turn into them, m, at most the room.

    As at a bend of the street they swing out over its half at most, carriageway and verge.

    Parameters
    ----------
    lies : Spots
        Streets of the tops of ramps, all in one; ``same`` where the string lies along the chain.
    top, heading : ndarray, shape (n, 2)
        Tops of ramps, and the directions straight back.
    room : ndarray, shape (n,)
        Length free along the street, m.
    radius : ndarray, shape (n,)
        Least radius of each carrier, m; infinite where it is not known.
    verge : float
        Width beside the carriageway a string may use, m.
    max_turn : float
        No street turns more from a ramp, rad.
    """
    out = room.copy()
    half = lies.net.least_width(lies.chain, lies.at) / 2 + verge
    stiff = np.isfinite(radius) & (radius * (1 - np.cos(max_turn)) > half)
    rows = np.flatnonzero(stiff & (room > 0.0))
    if not len(rows):
        return out
    far = np.minimum(room[rows], radius[rows] * np.tan(max_turn / 2))
    of, start, unit, begin = _segments_ahead(lies.of(rows), far)
    row = rows[of]
    sign = np.where(lies.same[row], 1.0, -1.0)
    left = lies.offset[row] * sign
    origin = begin + left[:, None] * _left(unit)
    turn = np.arctan2(cross(heading[row], unit), (heading[row] * unit).sum(axis=1))
    swung = _swing(top[row] - origin, heading[row], unit, turn, radius[row])
    outer = half[row] - np.maximum(-np.sign(turn) * left, 0.0)
    wide = (swung > outer + TINY) & (np.abs(turn) <= max_turn + SAME_WAY)
    np.minimum.at(out, row[wide], np.maximum(start[wide], 0.0))
    return out


def _segments_ahead(
    lies: Spots, far: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Return the segments of thinned streets so far ahead: place, where, direction, begin.

    Row of the place, m from there to the begin of the segment, unit vector the way the string
    goes, and the point it begins at.
    """
    thin = lies.net.thinned
    places = Places.of_offsets(thin.offsets, thin.chainage)
    on = np.where(lies.same, far, -far)
    low, high = np.minimum(lies.at, lies.at + on), np.maximum(lies.at, lies.at + on)
    bounds = thin.offsets[lies.chain], thin.offsets[lies.chain + 1] - 2
    first = np.clip(places.search(lies.chain, low, "right") - 1, *bounds)
    last = np.clip(places.search(lies.chain, high, "left") - 1, *bounds)
    of, place = spread_out(np.maximum(last - first, 0) + 1)
    vertex, along = first[of] + place, lies.same[of]
    ends = thin.xy[vertex], thin.xy[vertex + 1]
    step = ends[1] - ends[0]
    unit = step / np.maximum(np.hypot(*step.T), 1e-12)[:, None]
    unit = np.where(along[:, None], unit, -unit)
    begin = np.where(along[:, None], *ends)
    chainage = thin.chainage[np.where(along, vertex, vertex + 1)]
    return of, np.abs(chainage - lies.at[of]) * _ahead(lies, of, chainage), unit, begin


def _ahead(lies: Spots, of: IntArray, chainage: FloatArray) -> BoolArray:
    """Return which chainages lie ahead of the places, the way their strings go."""
    return np.asarray((chainage > lies.at[of]) == lies.same[of], dtype=np.bool_)


def _swing(
    off: FloatArray, heading: FloatArray, unit: FloatArray, turn: FloatArray, radius: FloatArray
) -> FloatArray:
    """Return how far outside a line arcs end that turn its way, m; ``off`` from it to the top."""
    ahead = (radius * np.sin(np.abs(turn)))[:, None] * heading
    aside = (radius * (1 - np.cos(turn)) * np.sign(turn))[:, None] * _left(heading)
    return np.asarray(-np.sign(turn) * cross(unit, off + ahead + aside), dtype=np.float64)


def _left(unit: FloatArray) -> FloatArray:
    return np.stack([-unit[:, 1], unit[:, 0]], axis=1)
