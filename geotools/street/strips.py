"""Strips along streets: from chainage and distance off the centreline to the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.places import on_measures
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, row_of
from geotools.network.stretches import EDGE
from geotools.network.vectors import cross, unit_vectors
from geotools.street.net import StreetNet
from geotools.street.swings import SHARPEST

__all__ = ["POLYGON", "on_street", "strips"]

POLYGON = 3  # shapely's number for it
MOST_MITRE = 2.0  # a mitre is no longer than this many times the distance off the centreline
REACH = 0.5  # m a street's heading is taken over, on either side
FOLDS = 4  # as often points that an outline runs back between are drawn in one
STRAIGHT = 0.02  # rad; lines that turn less meet nowhere in particular


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


def strips(
    net: StreetNet, chain: IntArray, corners: FloatArray, *, unfolded: bool = False
) -> npt.NDArray[np.object_]:
    """Return areas whose edges follow their streets, of several parts where an edge folds over.

    Parameters
    ----------
    net : StreetNet
    chain : ndarray of int64, shape (n,)
    corners : ndarray, shape (n, k, 2)
        Chainage and distance off the centreline of each corner in turn, m; between two corners
        the distance goes evenly from the one to the other along the street.
    unfolded : bool, optional
        Whether vertices nearer to each other than the edge inside of them has room for are drawn
        in one place (`_unfolded`).
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
    off = one[side, 1] + share * span[:, 1]
    xy, ring = on_street(net, street[side], at, off), row_of(stops[::sides])
    xy = _beside_straights(net, street[side], at, off, xy)
    if unfolded:
        xy = _unfolded(xy, on_street(net, street[side], at, np.zeros(len(at))), ring)
    reach = corners[:, :, 0].min(axis=1)[ring], corners[:, :, 0].max(axis=1)[ring]
    room = np.minimum(at - reach[0], reach[1] - at)
    sharp = _sharp(net, street[side], np.where(place == 0, -1, vertex), off)
    if len(sharp.row):
        xy, ring = sharp.drawn(xy, ring, forward, room)
    shapes = shapely.polygons(shapely.linearrings(xy, indices=ring))
    wrong = ~shapely.is_valid(shapes)
    shapes[wrong] = shapely.make_valid(shapes[wrong])
    mixed = shapely.get_type_id(shapes) == shapely.GeometryType.GEOMETRYCOLLECTION
    shapes[mixed] = _areas(shapes[mixed])
    return np.asarray(shapes, dtype=object)


def _beside_straights(
    net: StreetNet, chain: IntArray, at: FloatArray, off: FloatArray, xy: FloatArray
) -> FloatArray:
    """Return points ``off`` chains, those at a vertex where a straight meets a curve beside it.

    The mitre of a heading over `REACH`, which goes some way round the curve, would draw what lies
    beside the whole of the straight nearer to it, or farther off, from there on.
    """
    bounds, places = net.chains.offsets, net.chains.xy
    vertex, gap = net.places.nearest(chain, at)
    inner = (vertex > bounds[chain]) & (vertex < bounds[chain + 1] - 1) & (gap <= EDGE)
    rows = np.flatnonzero(inner)
    edges = np.diff(places[vertex[rows] + np.array([[-1], [0], [1]])], axis=0)
    sizes = np.hypot(edges[..., 0], edges[..., 1])
    long = sizes >= REACH
    one = np.flatnonzero(long[0] != long[1])
    rows, after = rows[one], long[1][one].astype(np.int64)
    way = edges[after, one] / sizes[after, one][:, None]
    left = np.stack([-way[:, 1], way[:, 0]], axis=1)
    aside = ((xy[rows] - places[vertex[rows]]) * left).sum(axis=1)
    out = xy.copy()
    out[rows] += (off[rows] - aside)[:, None] * left
    return out


def _unfolded(xy: FloatArray, street: FloatArray, ring: IntArray) -> FloatArray:
    """Return the points of outlines, those it runs back between drawn in one place.

    ``street`` are the places on the centreline they lie beside, ``ring`` their outlines. All
    points of a stretch that runs back become one, so that it is the same from either end: the
    corner where the outline before it meets the outline behind it.
    """
    on = np.diff(street, axis=0)
    same = ring[1:] == ring[:-1]
    goes = on.any(axis=1) & same
    for _ in range(FOLDS):
        step = np.diff(xy, axis=0)
        back = ((step * on).sum(axis=1) < 0) & same
        if not back.any():
            break
        one = back | (~step.any(axis=1) & same)
        group = np.append(0, np.cumsum(~one))
        xy = _met(xy, group, goes)[group]
    return xy


def _met(xy: FloatArray, group: IntArray, goes: BoolArray) -> FloatArray:
    """Return the place of each group of points of outlines in a row.

    It is where the lines to its first point and from its last one meet, else on the one of them
    that goes along the street (``goes``, of every step), as near as may be to the middle of the
    points, else that middle.
    """
    count = np.bincount(group)
    places = np.stack([np.bincount(group, column) / count for column in xy.T], axis=1)
    several = np.flatnonzero(count > 1)
    last = (np.cumsum(count) - 1)[several]
    first = last - count[several] + 1
    begin, end, middle = xy[first], xy[last], places[several]
    before, behind = np.maximum(first - 1, 0), np.minimum(last + 1, len(xy) - 1)
    # Whether the step to the first point goes along the street, and the one from the last.
    leads = goes[first - 1] & (first > 0)
    leaves = goes[np.minimum(last, len(goes) - 1)] & (behind > last)
    way_in, way_out = unit_vectors(begin - xy[before]), unit_vectors(xy[behind] - end)
    meet, sine = _meeting(begin, way_in, end, way_out)
    wide = np.hypot(*(begin - middle).T) + np.hypot(*(end - middle).T)
    near = np.hypot(*(meet - middle).T) <= MOST_MITRE * wide
    choices = [
        (leads & leaves & (np.abs(sine) > STRAIGHT) & near, meet),
        (leads & ~leaves, _nearest_on(begin, way_in, middle)),
        (leaves & ~leads, _nearest_on(end, way_out, middle)),
    ]
    for holds, place in choices:  # one of them at most
        places[several] = np.where(holds[:, None], place, places[several])
    return places


def _meeting(
    one: FloatArray, way_one: FloatArray, two: FloatArray, way_two: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return where lines through points, of unit ways, meet, and the sine of their angle.

    Where that is 0 the place means nothing.
    """
    sine = cross(way_one, way_two)
    along = cross(two - one, way_two) / np.where(sine != 0, sine, 1.0)
    return one + along[:, None] * way_one, sine


def _nearest_on(point: FloatArray, way: FloatArray, to: FloatArray) -> FloatArray:
    """Return the places of lines through points, of unit ways, nearest to others."""
    along = ((to - point) * way).sum(axis=1)
    return np.asarray(point + along[:, None] * way, dtype=np.float64)


def _areas(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return the areas of collections; what of an outline runs back on itself has none."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    # Beside lines, several areas are one part of a collection.
    parts, of = shapely.get_parts(parts, return_index=True)
    area = shapely.get_type_id(parts) == POLYGON
    out = np.full(len(shapes), shapely.MultiPolygon(), dtype=object)
    return np.asarray(shapely.multipolygons(parts[area], indices=owner[of[area]], out=out))


@dataclass(frozen=True)
class _Sharp:
    """Corners of streets sharper than `SHARPEST` that outlines of strips go round.

    Attributes
    ----------
    row : ndarray of int64, shape (k,)
        Point of the outlines.
    corner, before, after : ndarray, shape (k, 2)
        The corner, and it moved square off the edge before it and off the edge after it.
    shorter : ndarray, shape (k,)
        Length of the shorter of both edges, m.
    half : ndarray, shape (k,)
        Half the turn, rad.
    inside : ndarray of bool, shape (k,)
        Whether the outline lies on the inside.
    """

    row: IntArray
    corner: FloatArray
    before: FloatArray
    after: FloatArray
    shorter: FloatArray
    half: FloatArray
    inside: BoolArray

    def drawn(
        self, xy: FloatArray, ring: IntArray, forward: BoolArray, room: FloatArray
    ) -> tuple[FloatArray, IntArray]:
        """Return the points of outlines, and their rings, with these corners.

        A single point of no more than `MOST_MITRE` would lie nearer to the street than the
        outline, and draw all of it nearer up to the next vertex. On the outside two cut the corner
        off between the ends of both edges. On the inside one lies where the outline meets itself,
        no farther back than the edges and the strip reach (``room``, m, of every point).
        """
        inner, outer = np.flatnonzero(self.inside), np.flatnonzero(~self.inside)
        xy[self.row[inner]] = self._mitred(inner, room[self.row[inner]])
        row = self.row[outer]
        on = forward[row][:, None]
        first, second = self.before[outer], self.after[outer]
        xy[row] = np.where(on, first, second)
        second = np.where(on, second, first)
        return np.insert(xy, row + 1, second, axis=0), np.insert(ring, row + 1, ring[row])

    def _mitred(self, of: IntArray, room: FloatArray) -> FloatArray:
        """Return where outlines on the inside turn, so far from their corners at most, m."""
        half = self.half[of]
        middle = (self.before[of] + self.after[of]) / 2 - self.corner[of]
        mitre = middle / np.cos(half)[:, None] ** 2
        along = np.hypot(*mitre.T) * np.sin(half)
        share = np.minimum(self.shorter[of], room) / np.maximum(along, EDGE)
        share = np.clip(share, MOST_MITRE * np.cos(half), 1.0)
        return np.asarray(self.corner[of] + share[:, None] * mitre, dtype=np.float64)


def _sharp(net: StreetNet, chain: IntArray, vertex: IntArray, off: FloatArray) -> _Sharp:
    """Find the sharp corners among points of outlines: their vertices, -1 of none, and sides."""
    bounds, xy = net.chains.offsets, net.chains.xy
    row = np.flatnonzero((vertex > bounds[chain]) & (vertex < bounds[chain + 1] - 1))
    at = vertex[row]
    one, two = xy[at] - xy[at - 1], xy[at + 1] - xy[at]
    turn = np.arctan2(cross(one, two), (one * two).sum(axis=1))
    sharp = (np.abs(turn) > SHARPEST) & (np.abs(off[row]) > EDGE)
    row, at, one, two, turn = row[sharp], at[sharp], one[sharp], two[sharp], turn[sharp]
    sizes, aside = [np.hypot(*edge.T) for edge in (one, two)], off[row][:, None]
    before, after = (
        xy[at] + aside * np.stack([-edge[:, 1], edge[:, 0]], axis=1) / size[:, None]
        for edge, size in zip((one, two), sizes, strict=True)
    )
    return _Sharp(
        row=row,
        corner=xy[at],
        before=before,
        after=after,
        shorter=np.minimum(*sizes),
        half=np.abs(turn) / 2,
        inside=off[row] * turn > 0,
    )
