"""Strips along streets: from chainage and distance off the centreline to the map."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.places import on_measures
from geotools.network.ragged import FloatArray, IntArray, offsets_of, row_of
from geotools.street.net import StreetNet

__all__ = ["POLYGON", "on_street", "strips"]

POLYGON = 3  # shapely's number for it
MOST_MITRE = 2.0  # a mitre is no longer than this many times the distance off the centreline
REACH = 0.5  # m a street's heading is taken over, on either side
EDGE = 1e-6  # m; a vertex so near to a corner is at it


def on_street(net: StreetNet, chain: IntArray, at: FloatArray, off: FloatArray) -> FloatArray:
    """Return points at chainages and distances off chains (left positive), shape (k, 2).

    Beyond a chain's ends the street is taken to go straight on.
    """

    def point(where: FloatArray) -> FloatArray:
        return on_measures(net.chains.xy, net.places, chain, where)

    length = net.lengths[chain]
    inside = np.clip(at, 0.0, length)
    reach = np.minimum(REACH, length / 4)
    low, high = np.maximum(inside - reach, 0.0), np.minimum(inside + reach, length)
    # A place before a corner, or past it, goes with its own edge; one at a vertex with both.
    edge = net.places.between(chain, inside)
    first, second = net.places.at[edge.first], net.places.at[edge.second]
    on_edge = (inside > first + EDGE) & (inside < second - EDGE)
    low = np.where(on_edge, np.maximum(low, first), low)
    high = np.where(on_edge, np.minimum(high, second), high)
    step = point(high) - point(low)
    chord = np.maximum(np.hypot(*step.T), 1e-12)
    heading = step / chord[:, None]
    # At a vertex the edges of the street meet farther out, on the mitre.
    off = off * np.minimum((high - low) / chord, MOST_MITRE)
    middle = point(inside) + heading * (at - inside)[:, None]
    left = np.stack([-heading[:, 1], heading[:, 0]], axis=1)
    return np.asarray(middle + left * off[:, None], dtype=np.float64)


def strips(net: StreetNet, chain: IntArray, corners: FloatArray) -> npt.NDArray[np.object_]:
    """Return polygons whose edges follow their streets.

    Parameters
    ----------
    net : StreetNet
    chain : ndarray of int64, shape (n,)
    corners : ndarray, shape (n, k, 2)
        Chainage and distance off the centreline of each corner in turn, m; between two corners
        the distance goes evenly from the one to the other along the street.
    """
    count, sides = corners.shape[:2]
    if not count:
        return np.zeros(0, dtype=object)
    one, two = (c.reshape(-1, 2) for c in (corners, np.roll(corners, -1, axis=1)))
    street = np.repeat(chain, sides)
    low, high = np.minimum(one[:, 0], two[:, 0]), np.maximum(one[:, 0], two[:, 0])
    first = net.places.search(street, low + EDGE, "right")
    last = net.places.search(street, high - EDGE, "left")
    # Every side is its corner and the street's vertices up to the next one.
    stops = offsets_of(1 + np.maximum(last - first, 0))
    side = row_of(stops)
    place = np.arange(stops[-1]) - stops[side]
    forward = (one[:, 0] <= two[:, 0])[side]
    vertex = np.where(forward, first[side] + place - 1, last[side] - place)
    vertex = np.where(place == 0, 0, vertex)  # a corner, which is on none
    at = np.where(place == 0, one[side, 0], net.places.at[vertex])
    span = (two - one)[side]
    share = (at - one[side, 0]) / np.where(span[:, 0] != 0, span[:, 0], 1.0)
    xy = on_street(net, street[side], at, one[side, 1] + share * span[:, 1])
    shapes = shapely.polygons(shapely.linearrings(xy, indices=row_of(stops[::sides])))
    wrong = ~shapely.is_valid(shapes)
    shapes[wrong] = shapely.make_valid(shapes[wrong])
    return np.asarray(shapes, dtype=object)
