"""Streets by grounds that are not their own: which other chains lie near, and with which line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.along import Stretches, stretches
from geotools.network.ragged import FloatArray, IntArray, firsts, spread_out
from geotools.street.net import StreetNet

__all__ = ["Others", "others_near"]

TIE = 1e-6  # m; lines are as near whose distances differ by no more
AT_ONCE = 5_000  # grounds looked around at once: each meets dozens of segments


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


def others_near(
    net: StreetNet, shapes: npt.NDArray[np.object_], own: IntArray, *, reach: float
) -> Others:
    """Find the other chains that lie within reach of grounds, and their nearest lines.

    Parameters
    ----------
    net : StreetNet
    shapes : ndarray of Polygon or MultiPolygon, shape (n,)
        Grounds.
    own : ndarray of int64, shape (n,)
        Chain each belongs to, which is left out; -1 for none.
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


def _near(
    net: StreetNet,
    parts: Stretches,
    tree: shapely.STRtree,
    rows: IntArray,
    shapes: npt.NDArray[np.object_],
    own: IntArray,
    reach: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return some grounds, pieces of other chains nearest to them, and how far from them, m."""
    around = shapely.bounds(shapes[rows]) + reach * np.array([-1.0, -1.0, 1.0, 1.0])
    ground, part = tree.query(shapely.box(*around.T))
    ground = rows[ground]
    other = own[ground] != parts.line[part]
    pair, step = spread_out(parts.count[part[other]])
    ground, chain = ground[other][pair], parts.line[part[other]][pair]
    vertex = parts.first[part[other]][pair] + step
    once = net.once[vertex] & net.once[vertex + 1]
    ground, chain, vertex = (column[once] for column in (ground, chain, vertex))
    gap = shapely.distance(shapely.linestrings(_ends(net.chains.xy, vertex)), shapes[ground])
    near = gap <= reach
    ground, chain, vertex, gap = (column[near] for column in (ground, chain, vertex, gap))
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


def _ends(of_vertices: FloatArray, first: IntArray) -> FloatArray:
    """Return what is known of the two vertices of segments."""
    return np.stack([of_vertices[first], of_vertices[first + 1]], axis=1)
