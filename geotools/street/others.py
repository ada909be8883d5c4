"""Streets by grounds that are not their own: which others lie near, and where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.measured import Stretches, stretches
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    offsets_of,
    spread_out,
    to_linestrings,
)
from geotools.street.net import StreetNet

__all__ = ["Others", "Own", "Roads", "others_near", "roads_near"]

TIE = 1e-6  # m; lines are as near whose distances differ by no more
AT_ONCE = 5_000  # grounds looked around at once: each meets dozens of segments
LONG_AT_ONCE = 500  # long ones, which meet hundreds
BEYOND = 30.0  # m; what lies along a street is longer or shorter than it, in curves, by no more


@dataclass(frozen=True)
class Own:
    """The stretches of street that grounds belong to, which are none of the others; shape (n,).

    Attributes
    ----------
    chain : ndarray of int64
        Of each ground; -1 for none.
    low, high : ndarray
        From where to where along it the ground lies, m. The chain may come back to it: where a
        street goes round and ends in itself that part is another one.
    """

    chain: IntArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def none(cls, count: int) -> Own:
        """Return none for so many grounds."""
        return cls(np.full(count, -1, dtype=np.int64), np.zeros(count), np.zeros(count))

    def at(self, net: StreetNet, ground: IntArray, chain: IntArray, vertex: IntArray) -> BoolArray:
        """Return which segments, by chain and first vertex, are of the stretches of grounds.

        A ring is taken whole.
        """
        own = self.chain[ground] == chain
        begin, end = net.places.at[vertex], net.places.at[vertex + 1]
        by = (end >= self.low[ground] - BEYOND) & (begin <= self.high[ground] + BEYOND)
        return np.asarray(own & (by | np.isfinite(net.lap[chain])), dtype=np.bool_)


@dataclass(frozen=True)
class Others:
    """Chains near grounds, each with its line that is nearest, in the order of grounds.

    Where several of its lines are as near, as where the ground lies across their joint, each is
    there. Arrays are of shape (k,).

    Attributes
    ----------
    ground, chain, line : ndarray of int64
        Rows of the grounds, of the chains and of the table of streets.
    gap : ndarray
        From centreline to ground, m.
    """

    ground: IntArray
    chain: IntArray
    line: IntArray
    gap: FloatArray

    @classmethod
    def none(cls) -> Others:
        """Return no lines: where there are no streets."""
        none = np.zeros(0, dtype=np.int64)
        return cls(none, none, none, np.zeros(0))


@dataclass(frozen=True)
class Roads:
    """Carriageways of other chains by grounds, as far along as they may reach to them; shape (k,).

    Attributes
    ----------
    ground, chain, line : ndarray of int64
        Rows of the grounds, of the chains and of the table of streets.
    shape : ndarray of Polygon
        The carriageway, of one line from end to end: none lies behind the end of a street.
    """

    ground: IntArray
    chain: IntArray
    line: IntArray
    shape: npt.NDArray[np.object_]


def others_near(
    net: StreetNet, shapes: npt.NDArray[np.object_], own: Own, *, reach: float
) -> Others:
    """Find the other streets that lie within reach of grounds, and their nearest lines.

    Parameters
    ----------
    net : StreetNet
    shapes : ndarray of Polygon or MultiPolygon, shape (n,)
        Grounds.
    own : Own
        Stretches each belongs to, which are left out.
    reach : float
        m, from centrelines.
    """
    parts = stretches(net.chains.offsets)
    tree = shapely.STRtree(parts.lines(net.chains.xy))
    found = [
        _near(net, parts, tree, np.arange(low, min(low + AT_ONCE, len(shapes))), shapes, own, reach)
        for low in range(0, max(len(shapes), 1), AT_ONCE)
    ]
    ground, piece, gap = (np.concatenate(column) for column in zip(*found, strict=True))
    chain, line = (
        net.chains.pieces[name].to_numpy(dtype=np.int64)[piece] for name in ("run", "line")
    )
    return Others(ground, chain, line, gap)


def roads_near(net: StreetNet, shapes: npt.NDArray[np.object_], own: Own, *, touch: float) -> Roads:
    """Return the carriageways of other chains by grounds, drawn in by a touch, m, on either side.

    Other parameters as of `others_near`.
    """
    parts = stretches(net.chains.offsets)
    tree = shapely.STRtree(parts.lines(net.chains.xy))
    half = np.maximum(net.column("width") / 2 - touch, 0.0)
    reach = float(half.max(initial=0.0))
    found = [
        _roads(net, _segments(net, parts, tree, rows, shapes, own, reach), half)
        for rows in np.array_split(np.arange(len(shapes)), max(len(shapes) // LONG_AT_ONCE, 1))
    ]
    return Roads(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _roads(
    net: StreetNet, near: tuple[IntArray, IntArray, IntArray, FloatArray], half: FloatArray
) -> tuple[IntArray, IntArray, IntArray, npt.NDArray[np.object_]]:
    """Return ground, chain, line and carriageway of segments near grounds, joined as they go on."""
    ground, chain, vertex, _ = near
    order = np.lexsort([vertex, chain, ground])
    ground, chain, vertex = (column[order] for column in (ground, chain, vertex))
    line = net.line_at(chain, _ends(net.places.at, vertex).mean(axis=1))
    new = firsts(ground, chain, line, vertex - np.arange(len(vertex)))
    first = np.flatnonzero(new)
    count = np.diff(first, append=len(vertex)) + 1
    row, step = spread_out(count)
    lines = to_linestrings(net.chains.xy[vertex[first[row]] + step], offsets_of(count))
    shape = shapely.buffer(lines, half[line[first]], cap_style="flat", join_style="mitre")
    return ground[first], chain[first], line[first], shape


def _near(
    net: StreetNet,
    parts: Stretches,
    tree: shapely.STRtree,
    rows: IntArray,
    shapes: npt.NDArray[np.object_],
    own: Own,
    reach: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return some grounds, pieces of other chains nearest to them, and how far from them, m."""
    ground, chain, vertex, gap = _segments(net, parts, tree, rows, shapes, own, reach)
    piece = net.piece_of(chain, _ends(net.places.at, vertex).mean(axis=1))
    order = np.lexsort([gap, piece, chain, ground])
    order = order[firsts(ground[order], piece[order])]
    ground, chain, piece = (column[order] for column in (ground, chain, piece))
    gap = gap[order]
    pair = np.cumsum(firsts(ground, chain)) - 1
    least = np.full(int(pair.max(initial=-1)) + 1, np.inf)
    np.minimum.at(least, pair, gap)
    nearest = gap <= least[pair] + TIE
    return ground[nearest], piece[nearest], gap[nearest]


def _segments(
    net: StreetNet,
    parts: Stretches,
    tree: shapely.STRtree,
    rows: IntArray,
    shapes: npt.NDArray[np.object_],
    own: Own,
    reach: float,
) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    """Return some grounds, other chains, first vertices of their segments in reach, and gaps, m."""
    ground, part = tree.query(shapes[rows], predicate="dwithin", distance=reach + TIE)
    ground = rows[ground]
    pair, step = spread_out(parts.count[part])
    ground, chain, vertex = ground[pair], parts.line[part][pair], parts.first[part][pair] + step
    kept = net.once[vertex] & net.once[vertex + 1] & ~own.at(net, ground, chain, vertex)
    ground, chain, vertex = (column[kept] for column in (ground, chain, vertex))
    gap = shapely.distance(shapely.linestrings(_ends(net.chains.xy, vertex)), shapes[ground])
    near = gap <= reach
    return ground[near], chain[near], vertex[near], gap[near]


def _ends(of_vertices: FloatArray, first: IntArray) -> FloatArray:
    """Return what is known of the two vertices of segments."""
    return np.stack([of_vertices[first], of_vertices[first + 1]], axis=1)
