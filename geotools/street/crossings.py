"""Streets that cross with no node: found, and made nodes where they count as intersections."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from geotools.links import components
from geotools.network.crossing import crossing_places
from geotools.network.near import holding_links
from geotools.network.noding import TOUCH, Graph
from geotools.network.pieces import cut_lines
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    measures,
    to_linestrings,
)

__all__ = ["Crossings", "node_crossings", "split"]

REACH = 2.0  # times the tolerance; a node of a street so near to a crossing is the crossing


@dataclass(frozen=True)
class Crossings:
    """Crossings with no common node: rows of the two streets, (k, 2), and where, (k, 2)."""

    lines: IntArray
    xy: FloatArray


@dataclass(frozen=True)
class _Met:
    """Edges that cross: pairs (k, 2), where (k, 2), and the node of each that is there, or -1."""

    pairs: IntArray
    xy: FloatArray
    node: IntArray

    def chosen(self, rows: BoolArray) -> _Met:
        return _Met(self.pairs[rows], self.xy[rows], self.node[rows])


def node_crossings(graph: Graph, *, tolerance: float, meet: bool) -> tuple[Graph, Crossings]:
    """Make nodes where streets cross, one itself too, and return the crossings that had none.

    Parameters
    ----------
    graph : Graph
        The noded streets.
    tolerance : float
        Snap tolerance, m. Where both streets have a node this near to the crossing (twice the
        tolerance, for an end may overshoot at an angle) the nodes are taken as one, and nothing
        is reported.
    meet : bool
        Crossings with no node are intersections; otherwise one street passes over the other.
    """
    graph = _unlooped(graph)
    met = _crossing(graph, REACH * max(tolerance, TOUCH))
    known = np.asarray((met.node >= 0).all(axis=1), dtype=bool)
    lone = met.chosen(~known)
    found = Crossings(np.sort(graph.line[lone.pairs], axis=1), lone.xy)
    return _joined(graph, met.chosen(known | meet), max(tolerance, TOUCH)), found


def _unlooped(graph: Graph) -> Graph:
    """Cut every edge that meets itself half way round its loop: its pieces then cross each other.

    The node made there joins the two pieces alone, and a street goes straight on through it.
    """
    lines = to_linestrings(graph.xy, graph.offsets)
    cuts = [
        [float(row), at]
        for row in np.flatnonzero(~shapely.is_simple(lines)).tolist()
        for at in _half_round(graph.xy[graph.offsets[row] : graph.offsets[row + 1]])
    ]
    if not cuts:
        return graph
    table = np.array(cuts)
    edge = table[:, 0].astype(np.int64)
    xy = shapely.get_coordinates(shapely.line_interpolate_point(lines[edge], table[:, 1]))
    node = len(graph.node_xy) + np.arange(len(table))
    return split(graph, table, node, np.concatenate([graph.node_xy, xy]))


def _half_round(xy: FloatArray) -> FloatArray:
    """Return the middles of the loops of a line that meets itself, m along it, rising."""
    along = measures(xy, np.array([0, len(xy)], dtype=np.int64))
    legs = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    first, second = shapely.STRtree(legs).query(legs, predicate="intersects")
    apart = second - first > 1
    first, second = first[apart], second[apart]
    place = shapely.point_on_surface(shapely.intersection(legs[first], legs[second]))
    passes = [along[leg] + shapely.line_locate_point(legs[leg], place) for leg in (first, second)]
    middle = np.sort((passes[0] + passes[1]) / 2)
    middle = middle[(middle > 2 * TOUCH) & (middle < along[-1] - 2 * TOUCH)]
    return np.asarray(middle[np.diff(middle, prepend=-np.inf) > 2 * TOUCH], dtype=np.float64)


def _crossing(graph: Graph, reach: float) -> _Met:
    """Find where edges cross; a node of theirs within reach, m, is at the crossing."""
    pairs, xy = crossing_places(graph.xy, graph.offsets)
    ends = graph.ends[pairs]  # crossing, street, end
    gap = np.hypot(*np.moveaxis(graph.node_xy[ends] - xy[:, None, None], 3, 0))
    nearest = np.take_along_axis(ends, gap.argmin(axis=2)[..., None], axis=2)[..., 0]
    return _Met(pairs, xy, np.where(gap.min(axis=2, initial=np.inf) <= reach, nearest, -1))


def _joined(graph: Graph, met: _Met, tolerance: float) -> Graph:
    """Cut the edges at crossings and make one node of what meets there."""
    count = len(graph.node_xy)
    crossing, side = np.nonzero(met.node >= 0)
    there = np.stack([count + crossing, met.node[crossing, side]], axis=1)
    links = np.concatenate([there, count + holding_links(met.xy, 2 * tolerance)])
    node = components(links, count + len(met.xy))
    crossing, side = np.nonzero(met.node < 0)
    cuts, at = _cuts(graph, met, crossing, met.pairs[crossing, side], node[count + crossing])
    moved = replace(graph, ends=node[graph.ends])
    return split(moved, cuts, at, _places(graph.node_xy, met.xy, node))


def split(graph: Graph, cuts: FloatArray, at: IntArray, node_xy: FloatArray) -> Graph:
    """Cut edges at cuts (edge and distance along it, sorted), each at its node of the new ones."""
    pieces = cut_lines(graph.xy, graph.offsets, cuts)
    later = np.append(False, pieces.line[1:] == pieces.line[:-1])[: len(pieces.line)]
    ends = graph.ends[pieces.line]
    ends[later, 0] = at
    ends[np.append(later[1:], False)[: len(later)], 1] = at
    own = graph.start[pieces.line]
    return replace(
        graph,
        node_xy=node_xy,
        ends=ends,
        line=graph.line[pieces.line],
        start=own + pieces.start,
        end=own + pieces.end,
        xy=pieces.xy,
        offsets=pieces.offsets,
    )


def _cuts(
    graph: Graph, met: _Met, crossing: IntArray, edge: IntArray, node: IntArray
) -> tuple[FloatArray, IntArray]:
    """Return where edges are cut (edge and distance along it), and the node of each cut.

    Where several streets cross an edge at one node it is cut once.
    """
    lines = to_linestrings(graph.xy, graph.offsets)[edge]
    along = shapely.line_locate_point(lines, shapely.points(met.xy[crossing]))
    order = np.lexsort([along, edge])
    edge, along, node = edge[order], along[order], node[order]
    fresh = firsts(edge, node)
    return np.stack([edge, along], axis=1)[fresh], node[fresh]


def _places(old: FloatArray, new: FloatArray, node: IntArray) -> FloatArray:
    """Return the place of each node: the middle of the old ones in it, else of the crossings."""
    size = int(node.max(initial=-1)) + 1
    parts = (node[: len(old)], old), (node[len(old) :], new)
    counts = [np.bincount(rows, minlength=size) for rows, _ in parts]
    middles = [
        np.stack([np.bincount(rows, xy[:, k], minlength=size) for k in (0, 1)], axis=1)
        / np.maximum(many, 1)[:, None]
        for (rows, xy), many in zip(parts, counts, strict=True)
    ]
    return np.where((counts[0] > 0)[:, None], middles[0], middles[1])
