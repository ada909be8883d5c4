"""Points brought onto the edges of the network: which edge, where along it, how far off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from geotools.network.measured import Polylines, Within
from geotools.network.noding import TOUCH, Graph
from geotools.network.places import points_along
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    line_lengths,
    offsets_of,
    take,
)

__all__ = ["ALMOST", "Edges", "OnEdges", "bring_onto_edges"]

ALMOST = 1.25  # times the offset; another main within that is almost as near
WIDER = 3.0  # times, the distance looked in where nothing was found
FAR = 250.0  # m; what is farther from every main is rare, and looked up in a tree of all


@dataclass(frozen=True)
class OnEdges:
    """Where points lie on the edges of a graph, one row a point.

    Attributes
    ----------
    edge : ndarray of int64, shape (p,)
        The nearest edge; -1 where there is none.
    at : ndarray, shape (p,)
        Distance along the edge from its first vertex, m.
    offset : ndarray, shape (p,)
        Distance from the edge, m; infinite where there is none.
    forward : ndarray of bool, shape (p,)
        Whether the edge is drawn from west to east: what ties along it are settled by, so that
        the direction of the drawing does not matter.
    rivals : ndarray of int64, shape (k, 2)
        Point and another edge almost as near, of points far from their own.
    rival_at : ndarray, shape (k,)
        Distance along the other edge, m.
    """

    edge: IntArray
    at: FloatArray
    offset: FloatArray
    forward: BoolArray
    rivals: IntArray
    rival_at: FloatArray

    def __len__(self) -> int:
        return len(self.edge)

    @classmethod
    def nowhere(cls, points: int) -> OnEdges:
        """Return so many points on no edge."""
        return cls(
            edge=np.full(points, -1, dtype=np.int64),
            at=np.zeros(points),
            offset=np.full(points, np.inf),
            forward=np.ones(points, dtype=bool),
            rivals=np.zeros((0, 2), dtype=np.int64),
            rival_at=np.zeros(0),
        )


@dataclass(frozen=True)
class Edges:
    """The edges of a graph that count.

    Attributes
    ----------
    row : ndarray of int64, shape (m,)
        Their rows in the graph.
    rank : ndarray of int64, shape (m,)
        Order of their mains by identifier; settles ties whatever the feature order.
    lines : Polylines
    middle : ndarray of int64, shape (m, 2)
        Their middles in whole millimetres; settles ties of one main.
    forward : ndarray of bool, shape (m,)
        Whether they are drawn from west to east.
    """

    row: IntArray
    rank: IntArray
    lines: Polylines
    middle: IntArray
    forward: BoolArray

    @classmethod
    def of(cls, graph: Graph, *, carrying: BoolArray, rank: IntArray) -> Edges:
        """Take the edges ``carrying``, shape (n,); ``rank``, shape (n,), is of all edges."""
        row = np.flatnonzero(carrying)
        xy, offsets = graph.xy, graph.offsets
        if len(row) < len(graph):
            xy, offsets = xy[take(offsets, row)], offsets_of(np.diff(offsets)[row])
        return cls(row, rank[row], Polylines(xy, offsets), *_drawn(xy, offsets))


def bring_onto_edges(
    points: FloatArray, edges: Edges, *, sure: float, reach: float = np.inf
) -> OnEdges:
    """Find the nearest edge of every point.

    Parameters
    ----------
    points : ndarray, shape (p, 2)
    edges : Edges
    sure : float
        A point within this of its edge is taken to belong to it, m; others may have rivals.
    reach : float
        A point farther from every edge than this is on none, m.
    """
    out = OnEdges.nowhere(len(points))
    if not len(edges.row) or not len(points):
        return out
    pairs = _near(edges.lines, points, sure, reach)
    own = _first_choice(pairs, edges, len(points))
    row, edge, offset = pairs.point[own], pairs.line[own], out.offset
    offset[row] = pairs.gap[own]
    nearest = np.full(len(points), -1, dtype=np.int64)
    nearest[row] = edge
    rival = (pairs.line != nearest[pairs.point]) & (offset[pairs.point] > sure)
    point, other = pairs.point[rival], pairs.line[rival]
    out.edge[row] = edges.row[edge]
    out.at[row] = edges.lines.locate(points, row, edge)
    out.forward[row] = edges.forward[edge]
    return replace(
        out,
        rivals=np.stack([point, edges.row[other]], axis=1),
        rival_at=edges.lines.locate(points, point, other),
    )


def _near(lines: Polylines, points: FloatArray, sure: float, limit: float) -> Within:
    """Find, for every point, its nearest line and all that are as near or almost so.

    All within ``sure``, m, are; of points farther than the limit, m, from every line none. Sorted
    by point.
    """
    reach, enough = sure + TOUCH, ALMOST * limit + 2 * TOUCH
    found = [lines.within(points, reach)]
    left = np.setdiff1d(np.arange(len(points)), found[0].point)
    while len(left) and reach < min(FAR, enough):
        reach *= WIDER
        near = lines.within(points[left], reach)
        around = ALMOST * near.least(len(left)) + TOUCH
        kept = (near.gap <= around[near.point]) & (around[near.point] <= reach)
        found.append(Within(left[near.point[kept]], near.line[kept], near.gap[kept]))
        left = left[around > reach]
    if len(left) and reach < enough:
        found.append(_far(lines, points, left))
    point, line, gap = (
        np.concatenate([getattr(part, name) for part in found]) for name in ("point", "line", "gap")
    )
    order = np.lexsort([line, point])
    pairs = Within(point[order], line[order], gap[order])
    on = pairs.least(len(points))[pairs.point] <= limit
    return Within(pairs.point[on], pairs.line[on], pairs.gap[on])


def _far(lines: Polylines, points: FloatArray, rows: IntArray) -> Within:
    """Find the same for points far from every line."""
    spots = shapely.points(points[rows])
    _, nearest = lines.tree.query_nearest(spots, return_distance=True, all_matches=False)
    around = ALMOST * nearest + TOUCH
    row, line = lines.around(points[rows], around)
    return Within(rows[row], line, lines.distance(points[rows], row, line))


def _drawn(xy: FloatArray, offsets: IntArray) -> tuple[IntArray, BoolArray]:
    """Return the middles of lines, mm, and whether they are drawn from west to east."""
    if len(offsets) < 2:
        return np.zeros((0, 2), dtype=np.int64), np.zeros(0, dtype=bool)
    rows = np.arange(len(offsets) - 1)
    middle = points_along(xy, offsets, rows, line_lengths(xy, offsets) / 2)
    first, last = offsets[:-1], offsets[1:] - 1
    ahead = np.concatenate([xy[first], xy[first + 1]], axis=1)
    back = np.concatenate([xy[last], xy[last - 1]], axis=1)
    diff = np.round(ahead - back, 3)
    lead = np.take_along_axis(diff, np.argmax(diff != 0, axis=1)[:, None], axis=1)[:, 0]
    return np.round(middle * 1000).astype(np.int64), lead <= 0


def _first_choice(pairs: Within, edges: Edges, points: int) -> IntArray:
    """Return each point's pair: of the lines as near as the nearest, the first by identifier."""
    least = pairs.least(points)
    tied = np.flatnonzero(pairs.gap <= least[pairs.point] + TOUCH)
    line = pairs.line[tied]
    x, y = edges.middle[line].T
    order = tied[np.lexsort([y, x, edges.rank[line], pairs.point[tied]])]
    return order[firsts(pairs.point[order])]
