"""Shared nodes: mains that lie on each other get the same nodes, so that their pieces are doubles.

A node on one of two such mains is one of the other too: its node close by, or a new one, where it
is split. Then every piece of one between two nodes has its double on the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from geotools.links import components
from geotools.network.noding import Graph
from geotools.network.overlaps import Overlaps
from geotools.network.pieces import TOUCH, Pieces, cut_lines, end_points
from geotools.network.places import Places, points_along
from geotools.network.ragged import FloatArray, IntArray, firsts, measures, spread_out
from geotools.network.trimmed import trimmed_lines

__all__ = ["kept_within", "share_nodes"]


@dataclass(frozen=True)
class _Spots:
    """Places on lines: row of the line, and m along it."""

    line: IntArray
    at: FloatArray

    def and_(self, *others: _Spots) -> _Spots:
        """Return these places and others after them."""
        both = (self, *others)
        return _Spots(*(np.concatenate([getattr(s, n) for s in both]) for n in ("line", "at")))


def share_nodes(
    graph: Graph, xy: FloatArray, offsets: IntArray, overlaps: Overlaps, *, reach: float
) -> Graph:
    """Give both lines of every overlap the nodes of either, and nodes where it begins and ends.

    Parameters
    ----------
    graph : Graph
    xy, offsets : ndarray
        Vertices of its lines, m.
    overlaps : Overlaps
    reach : float
        Overlapping lines are nearer than this, m; what is as near along a line as half of it is
        one place.
    """
    if not len(overlaps):
        return graph
    slack = max(reach / 2, 2 * TOUCH)
    here, there = _facing(graph, xy, offsets, overlaps)
    spots = here.and_(there)
    node, fresh = _nodes_at(graph, spots, slack)
    pieces = _split(graph, fresh)
    count = len(graph.node_xy)
    label = components(node.reshape(2, -1).T, count + len(fresh.line))
    return _of_pieces(graph, pieces, label, slack)


def _ends(graph: Graph, lines: int) -> Places:
    """Return where the ends of edges lie along their lines, in order; two rows an edge."""
    at = np.stack([graph.start, graph.end], axis=1).ravel()
    return Places.of(np.repeat(graph.line, 2), at, lines)


def _facing(
    graph: Graph, xy: FloatArray, offsets: IntArray, overlaps: Overlaps
) -> tuple[_Spots, _Spots]:
    """Return places that are to be one: ends of overlaps, nodes within, and what they lie on."""
    (one, two), (low, high) = overlaps.line.T, (overlaps.low.T, overlaps.high.T)
    first, last = (
        np.where(overlaps.same, *ends) for ends in ((low[1], high[1]), (high[1], low[1]))
    )
    here = [_Spots(one, low[0]), _Spots(one, high[0])]
    there = [_Spots(two, first), _Spots(two, last)]
    ends, along = _ends(graph, len(offsets) - 1), Places.of_offsets(offsets, measures(xy, offsets))
    for side in (0, 1):
        row, end = _within(ends, overlaps.line[:, side], low[side], high[side])
        spots = _Spots(overlaps.line[row, side], ends.at[end])
        other, begin = overlaps.line[row, 1 - side], low[1 - side][row]
        lines = trimmed_lines(xy, along, other, begin, high[1 - side][row])
        at = shapely.points(points_along(xy, offsets, spots.line, spots.at))
        here.append(spots)
        there.append(_Spots(other, begin + shapely.line_locate_point(lines, at)))
    return here[0].and_(*here[1:]), there[0].and_(*there[1:])


def _within(
    places: Places, line: IntArray, low: FloatArray, high: FloatArray
) -> tuple[IntArray, IntArray]:
    """Return the stretches of lines and the places in each, row by row."""
    first = places.search(line, low - TOUCH)
    count = places.search(line, high + TOUCH, "right") - first
    row, place = spread_out(count)
    return row, first[row] + place


def _nodes_at(graph: Graph, spots: _Spots, slack: float) -> tuple[IntArray, _Spots]:
    """Return the node of every place, and the places of new ones, numbered after those there are.

    Places of new nodes are those wanted, or their mean where several lie as near as ``slack``, m.
    """
    ends = _ends(graph, int(max(graph.line.max(), spots.line.max())) + 1)
    row, gap = ends.nearest(spots.line, spots.at)
    node = graph.ends.ravel()[row]
    new = np.flatnonzero(gap > slack)
    new = new[np.lexsort([spots.at[new], spots.line[new]])]
    line, at = spots.line[new], spots.at[new]
    apart = firsts(line)
    apart[1:] |= np.diff(at) > slack
    group = np.cumsum(apart) - 1
    node[new] = len(graph.node_xy) + group
    mean = np.bincount(group, at) / np.maximum(np.bincount(group), 1)
    return node, _Spots(line[apart], mean)


def _split(graph: Graph, fresh: _Spots) -> Pieces:
    """Cut edges where they get new nodes."""
    lines = int(max(graph.line.max(), fresh.line.max(initial=0))) + 1
    edge = Places.of(graph.line, graph.start, lines).holding(fresh.line, fresh.at)
    cuts = np.stack([edge.astype(float), fresh.at - graph.start[edge]], axis=1)
    return cut_lines(graph.xy, graph.offsets, cuts)


def _of_pieces(graph: Graph, pieces: Pieces, label: IntArray, slack: float) -> Graph:
    """Return the graph of pieces of edges; ``label`` says which of old and new nodes are one.

    A piece between two places that have become one is nothing, if it is no longer than two of
    ``slack``, m.
    """
    edge = pieces.line
    opens, closes = firsts(edge), np.append(firsts(edge)[1:], True)
    ends = np.stack([graph.ends[edge, 0], graph.ends[edge, 1]], axis=1)
    made = pieces.cut // 2  # the piece that begins at each cut
    ends[made, 0] = ends[made - 1, 1] = len(graph.node_xy) + np.arange(len(made))
    ends = label[ends]
    points = end_points(pieces.xy, pieces.offsets)
    counts = np.bincount(ends.ravel(), minlength=int(label.max()) + 1)
    sums = [np.bincount(ends.ravel(), points[:, k], len(counts)) for k in (0, 1)]
    whole = replace(
        graph,
        node_xy=np.stack(sums, axis=1) / np.maximum(counts, 1)[:, None],
        ends=ends,
        line=graph.line[edge],
        start=np.where(opens, graph.start[edge], graph.start[edge] + pieces.start),
        end=np.where(closes, graph.end[edge], graph.start[edge] + pieces.end),
        xy=pieces.xy,
        offsets=pieces.offsets,
    )
    loops = (graph.ends[edge, 0] != graph.ends[edge, 1]) | ~opens | ~closes
    loops &= (ends[:, 0] == ends[:, 1]) & (whole.end - whole.start <= 2 * slack)
    return whole.without(np.flatnonzero(loops)) if loops.any() else whole


def kept_within(graph: Graph, overlaps: Overlaps) -> FloatArray:
    """Return how much of the two lines of each overlap is left in a graph, m, along both."""
    lines = int(max(graph.line.max(initial=0), overlaps.line.max(initial=0))) + 1
    starts = Places.of(graph.line, graph.start, lines)
    left = np.zeros(len(overlaps))
    for line, low, high in zip(overlaps.line.T, overlaps.low.T, overlaps.high.T, strict=True):
        first = starts.holding(line, low)
        count = np.maximum(starts.search(line, high) - first, 0)
        row, place = spread_out(count)
        edge = first[row] + place
        part = np.minimum(graph.end[edge], high[row]) - np.maximum(graph.start[edge], low[row])
        left += np.bincount(row, np.maximum(part, 0.0), len(line))
    return left
