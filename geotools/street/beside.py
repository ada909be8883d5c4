"""Grounds beside streets: how far along its street and how far off it each lies, round corners.

Where a street turns, a place goes with the edge on its side of the mitre, and lies as far off the
street as off the line of that edge: so do the strips drawn along streets. A ground is farthest
off, or nearest, at one of its own corners, or where its outline meets a mitre. Plane geometry.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from geotools.accel import read_only, run_kernel, worth_compiling
from geotools.network.ragged import FloatArray, IntArray, offsets_of, spread_out
from geotools.street.net import StreetNet

__all__ = ["Outlines", "spans_beside", "turned_between"]

Polygons = npt.NDArray[np.object_]
PAIRS = 1_000_000  # places on outlines with edges of streets at a time: a dozen columns of them
NUMPY_AHEAD = 5  # pairs gone through by NumPy in the time of one interpreted
TIE = 1e-9  # m; edges whose distances differ by no more meet at a corner the place lies outside of


@dataclass(frozen=True)
class Outlines:
    """Corners of grounds in turn, rising by ground: of which ground and which ring each is."""

    xy: FloatArray
    shape: IntArray
    ring: IntArray

    @classmethod
    def of(cls, shapes: Polygons) -> Outlines:
        """Take those of areas, of one part or several."""
        parts, shape = shapely.get_parts(shapes, return_index=True)
        rings, part = shapely.get_rings(parts, return_index=True)
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        return cls(xy, shape[part[ring]], ring)

    def between(self, low: int, high: int) -> Outlines:
        """Return the corners of the grounds from one on to another, counted from there."""
        first, last = np.searchsorted(self.shape, [low, high])
        part = slice(first, last)
        return Outlines(self.xy[part], self.shape[part] - low, self.ring[part])


@dataclass(frozen=True)
class _Edges:
    """The edges of streets by each ground: their first vertices, and how many; shape (k,)."""

    first: IntArray
    count: IntArray

    def between(self, low: int, high: int) -> _Edges:
        """Return those by the grounds from one on to another."""
        return _Edges(self.first[low:high], self.count[low:high])

    def of(self, shape: IntArray, *, less: int = 0) -> tuple[IntArray, IntArray, IntArray]:
        """Return rows of ``shape`` again and again, the first vertex of an edge, and offsets."""
        counts = self.count[shape] - less
        row, local = spread_out(counts)
        return row, self.first[shape[row]] + local, offsets_of(counts)


def turned_between(
    net: StreetNet, chain: IntArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Return how much chains turn between two chainages, either way, summed: ``2 tan(t/2)``."""
    first, last = (net.places.search(chain, edge, "left") for edge in (low, high))
    return np.asarray(net.bent[last] - net.bent[first], dtype=np.float64)


def spans_beside(
    net: StreetNet, chain: IntArray, at: FloatArray, far: FloatArray, grounds: Outlines
) -> tuple[FloatArray, FloatArray]:
    """Return from where to where grounds lie along their streets, and left of them, m, (k, 2).

    Beyond a chain's ends the street is taken to go straight on.

    Parameters
    ----------
    net : StreetNet
    chain, at, far : ndarray, shape (k,)
        The street of each, a chainage by it, and how far from there it is looked along, m.
    grounds : Outlines
        Of so many grounds.
    """
    edges = _edges(net, chain, at, far)
    pairs = np.bincount(grounds.shape, minlength=len(chain)) * edges.count
    parts = [
        _spans(net, edges.between(low, high), grounds.between(low, high))
        for low, high in _batches(pairs)
    ]
    along, across = (np.concatenate(part) for part in zip(*parts, strict=True))
    return along, across


def _batches(pairs: IntArray) -> Iterator[tuple[int, int]]:
    """Yield from which row on to which it takes some `PAIRS` pairs at a time."""
    cuts = np.flatnonzero(np.diff((np.cumsum(pairs) - pairs) // PAIRS)) + 1
    return pairwise([0, *cuts.tolist(), len(pairs)])


def _spans(net: StreetNet, edges: _Edges, grounds: Outlines) -> tuple[FloatArray, FloatArray]:
    """Return what `spans_beside` does, of grounds with the edges of the streets by each."""
    met, of, corner = _on_mitres(net, edges, grounds)
    shape = np.concatenate([grounds.shape, of])
    order = np.argsort(shape, kind="stable")
    xy, shape = np.concatenate([grounds.xy, met])[order], shape[order]
    parts = [
        _placed(net, edges, xy[low:high], shape[low:high])
        for low, high in _batches(edges.count[shape])
    ]
    vertex, along, across = (np.concatenate(part) for part in zip(*parts, strict=True))
    first = np.searchsorted(shape, np.arange(len(edges.first)))
    spans = [
        np.stack([least.reduceat(values, first) for least in (np.minimum, np.maximum)], axis=1)
        for values in (along, across)
    ]
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    mitred = _Mitred(met, of, corner, vertex[place[len(grounds.shape) :]])
    of, more = mitred.by_the_other(net, edges)
    np.minimum.at(spans[0][:, 0], of, more)
    np.maximum.at(spans[0][:, 1], of, more)
    return spans[0], spans[1]


@dataclass(frozen=True)
class _Mitred:
    """Places where outlines meet mitres: ground, vertex before the corner, that of their edge."""

    xy: FloatArray
    shape: IntArray
    before: IntArray
    vertex: IntArray

    def by_the_other(self, net: StreetNet, edges: _Edges) -> tuple[IntArray, FloatArray]:
        """Return grounds, and how far along their streets such places lie by the other edge, m.

        They are on both: inside a corner one lies as far before it as it does behind it.
        """
        other = 2 * self.before + 1 - self.vertex
        both = np.flatnonzero(np.abs(other - self.vertex) == 1)
        other, shape = other[both], self.shape[both]
        way, _, size = _beside(net, other, self.xy[both])
        return shape, net.places.at[other] + _kept(edges, other, way, size, shape)


def _edges(net: StreetNet, chain: IntArray, at: FloatArray, far: FloatArray) -> _Edges:
    """Return the edges of chains so near to places along them."""
    begin, last = net.chains.offsets[chain], net.chains.offsets[chain + 1] - 1
    far = np.minimum(far, net.lap[chain] / 2)  # farther round a ring the same edges come again
    low = net.places.search(chain, at - far, "right") - 1
    high = net.places.search(chain, at + far, "left")
    low = np.clip(low, begin, last - 1)
    return _Edges(low, np.maximum(np.minimum(high, last) - low, 1))


def _units(net: StreetNet, vertex: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return unit vectors along edges from their first vertices, and their lengths, m."""
    step = net.chains.xy[vertex + 1] - net.chains.xy[vertex]
    size = np.hypot(*step.T)
    return step / np.maximum(size, 1e-12)[:, None], size


def _on_mitres(
    net: StreetNet, edges: _Edges, grounds: Outlines
) -> tuple[FloatArray, IntArray, IntArray]:
    """Return where outlines meet the mitres of corners of their streets.

    And the ground of each, and the vertex before the corner.
    """
    xy, shape, ring = grounds.xy, grounds.shape, grounds.ring
    side = np.flatnonzero(ring[1:] == ring[:-1])
    row, before, _ = edges.of(shape[side], less=1)
    one, two = xy[side[row]], xy[side[row] + 1]
    corner = net.chains.xy[before + 1]
    tangent = _units(net, before)[0] + _units(net, before + 1)[0]
    here, there = (((end - corner) * tangent).sum(axis=1) for end in (one, two))
    met = here * there < 0
    share = here[met] / (here[met] - there[met])
    xy = one[met] + share[:, None] * (two - one)[met]
    return xy, shape[side[row[met]]], before[met]


def _placed(
    net: StreetNet, edges: _Edges, xy: FloatArray, shape: IntArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the edge of each place, how far along its street it lies, and how far left, m."""
    vertex = _nearest(net, edges, xy, shape)
    way, aside, size = _beside(net, vertex, xy)
    return vertex, net.places.at[vertex] + _kept(edges, vertex, way, size, shape), aside


def _beside(
    net: StreetNet, vertex: IntArray, xy: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how far along the lines of edges places lie, how far left, and their lengths, m."""
    unit, size = _units(net, vertex)
    rel = xy - net.chains.xy[vertex]
    return (rel * unit).sum(axis=1), unit[:, 0] * rel[:, 1] - unit[:, 1] * rel[:, 0], size


def _nearest(net: StreetNet, edges: _Edges, xy: FloatArray, shape: IntArray) -> IntArray:
    """Return the first vertex of the edge that each place, rising by ground, goes with.

    Outside a corner both its edges are as near: there the mitre is by the one farther off. Few
    pairs are gone through by NumPy, all at once; many by a kernel.
    """
    if worth_compiling(_nearest_in_turn, edges.count[shape].sum() / NUMPY_AHEAD):
        found = np.zeros(len(xy), dtype=np.int64)
        rows = tuple(map(read_only, (shape, edges.first, edges.count)))
        scratch = np.zeros((int(edges.count.max(initial=0)), 3))
        tables = read_only(xy), read_only(net.chains.xy)
        run_kernel(_nearest_in_turn, 0, *tables, rows, scratch, found)
        return found
    row, vertex, bounds = edges.of(shape)
    way, aside, size = _beside(net, vertex, xy[row])
    gap = np.hypot(aside, way - np.clip(way, 0.0, size))
    nearest = gap <= np.minimum.reduceat(gap, bounds[:-1])[row] + TIE
    off = np.where(nearest, np.abs(aside), -1.0)
    best = np.flatnonzero(off == np.maximum.reduceat(off, bounds[:-1])[row])
    return np.asarray(vertex[best[np.unique(row[best], return_index=True)[1]]], dtype=np.int64)


def _nearest_in_turn(places, street, rows, edge, found):  # type: ignore[no-untyped-def]  # a kernel
    """Write the vertex for each place; see `_nearest`. ``edge`` takes those by the ground at hand.

    Of each edge: its unit vector and length, worked out once for all places of the ground.
    """
    shape, first, count = rows
    for k in range(len(places)):
        start, edges = first[shape[k]], count[shape[k]]
        if k == 0 or shape[k] != shape[k - 1]:
            for e in range(edges):
                dx = street[start + e + 1, 0] - street[start + e, 0]
                dy = street[start + e + 1, 1] - street[start + e, 1]
                size = math.hypot(dx, dy)
                edge[e, 0], edge[e, 1] = dx / max(size, 1e-12), dy / max(size, 1e-12)
                edge[e, 2] = size
        least = math.inf
        for e in range(edges):
            square, _ = _apart(places[k], street[start + e], edge[e])
            least = min(least, square)
        near, off = (math.sqrt(least) + TIE) ** 2, -1.0
        for e in range(edges):
            square, aside = _apart(places[k], street[start + e], edge[e])
            if square <= near and aside > off:
                off = aside
                found[k] = start + e


def _apart(place: FloatArray, origin: FloatArray, edge: FloatArray) -> tuple[float, float]:
    """Return how far a place is from an edge, squared, m2, and how far off its line, m."""
    rel_x, rel_y = place[0] - origin[0], place[1] - origin[1]
    way = rel_x * edge[0] + rel_y * edge[1]
    aside = edge[0] * rel_y - edge[1] * rel_x
    over = way - min(max(way, 0.0), edge[2])
    return aside * aside + over * over, abs(aside)


def _kept(
    edges: _Edges, vertex: IntArray, way: FloatArray, size: FloatArray, shape: IntArray
) -> FloatArray:
    """Return ways along edges kept within them, but beyond the ends of what is looked along."""
    low = np.where(vertex == edges.first[shape], -np.inf, 0.0)
    high = np.where(vertex == (edges.first + edges.count - 1)[shape], np.inf, size)
    return np.clip(way, low, high)
