"""Noding: lines that meet become edges between nodes.

Ends that run a little past what they meet are taken back to it (see `overshoots`); nothing else is
moved. Ends that coincide are one node, and an end that touches the inside of a line
splits it there, at every pass of a line that crosses itself there. Where a line is drawn to and fro
upon itself it is taken as two (see `folds`). An end left dangling is joined to what it misses by
less than the snap tolerance (see `gaps`): the gap stays in the geometry and a run bridges it with a
straight step. So where a main happens to be split changes nothing, unless a dangling end is within
the tolerance of the split. Lines that cross with no node do not connect.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from geotools.network.crossing import crossing_places
from geotools.network.folds import fold_cuts
from geotools.network.gaps import DETOUR, join_gaps
from geotools.network.near import clusters, near_places, segments_near
from geotools.network.overshoots import without_overshoots
from geotools.network.pieces import TOUCH, Pieces, cut_lines, end_points, ends_of_pieces
from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    lengths_along,
    linestrings_at,
    measures,
    offsets_of,
    row_of,
    take,
)
from geotools.network.trimmed import trimmed_lines

__all__ = [
    "TOUCH",
    "Graph",
    "Pieces",
    "cut_lines",
    "node_lines",
    "unnoded_crossings",
]


FEWEST = 3  # vertices; a line of no more does not cross itself


@dataclass(frozen=True)
class Graph:
    """Edges between nodes.

    Attributes
    ----------
    node_xy : ndarray, shape (m, 2)
    ends : ndarray of int64, shape (n, 2)
        Node at the first and at the last vertex of each edge.
    line : ndarray of int64, shape (n,)
        Row of the line the edge is a piece of.
    start, end : ndarray, shape (n,)
        Distance of its ends along that line, m.
    xy, offsets : ndarray
        Vertices of the edges.
    joined_gaps : ndarray, shape (g, 5)
        Gaps closed: x, y of the dangling end, width of the gap, row of the line, and row of the
        line that was split there, maybe the same; -1 where none was.
    overshoots : ndarray, shape (o, 4)
        Ends taken back: x, y as drawn, by how much, m, and the row of the line.
    """

    node_xy: FloatArray
    ends: IntArray
    line: IntArray
    start: FloatArray
    end: FloatArray
    xy: FloatArray
    offsets: IntArray
    joined_gaps: FloatArray
    overshoots: FloatArray

    def __len__(self) -> int:
        return len(self.line)

    def degrees(self) -> IntArray:
        """Return the number of edge ends at every node."""
        return np.bincount(self.ends.ravel(), minlength=len(self.node_xy)).astype(np.int64)

    def drawn(self, rows: IntArray) -> tuple[FloatArray, IntArray]:
        """Return the vertices and offsets of some edges."""
        return self.xy[take(self.offsets, rows)], offsets_of(np.diff(self.offsets)[rows])

    def without(self, rows: IntArray) -> Graph:
        """Return the graph without some edges; its nodes stay."""
        kept = np.setdiff1d(np.arange(len(self)), rows)
        xy, offsets = self.drawn(kept)
        columns = {name: getattr(self, name)[kept] for name in ("ends", "line", "start", "end")}
        return replace(self, xy=xy, offsets=offsets, **columns)

    @classmethod
    def nothing(cls) -> Graph:
        """Return a graph with no edges."""
        nothing = np.zeros(0)
        none = np.zeros(0, dtype=np.int64)
        return cls(
            np.zeros((0, 2)),
            none.reshape(0, 2),
            none,
            nothing,
            nothing,
            np.zeros((0, 2)),
            np.zeros(1, dtype=np.int64),
            np.zeros((0, 5)),
            np.zeros((0, 4)),
        )


def node_lines(xy: FloatArray, offsets: IntArray, *, tolerance: float) -> Graph:
    """Node lines at their ends and where ends land on lines.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
        Vertices, m, of lines of two or more distinct points.
    offsets : ndarray of int64, shape (n + 1,)
    tolerance : float
        Snap tolerance for dangling ends, m.
    """
    if len(offsets) < 2:
        return Graph.nothing()
    of: list[Pieces] = []
    cuts = fold_cuts(xy, offsets)
    if len(cuts):
        of.append(cut_lines(xy, offsets, cuts))
        xy, offsets = of[-1].xy, of[-1].offsets
    told, one = [], [np.zeros((0, 2), dtype=np.int64)]
    same, near = near_places(end_points(xy, offsets), max(tolerance, TOUCH))
    for left in without_overshoots(xy, offsets, near, tolerance=tolerance):
        told.append(_told_of(left.told, of))
        one.append(left.one)
        of.append(left.pieces)
        xy, offsets = left.pieces.xy, left.pieces.offsets
        same, _ = near_places(end_points(xy, offsets), TOUCH)
    graph = _noded(xy, offsets, same, tolerance, np.concatenate(one))
    for pieces in reversed(of):
        graph = _of_lines(graph, pieces)
    return replace(graph, overshoots=np.concatenate([graph.overshoots, *told]))


def _told_of(taken: FloatArray, of: list[Pieces]) -> FloatArray:
    """Return what was taken back, with the rows of the lines all these pieces are of."""
    taken = taken.copy()
    for pieces in reversed(of):
        taken[:, 3] = pieces.line[taken[:, 3].astype(np.int64)]
    return taken


def _of_lines(graph: Graph, pieces: Pieces) -> Graph:
    """Return the graph of pieces of lines as that of the lines."""
    gaps = graph.joined_gaps.copy()
    for column in (3, 4):
        piece = gaps[:, column].astype(np.int64)
        gaps[:, column] = np.where(piece >= 0, pieces.line[piece], -1)
    return replace(
        graph,
        line=pieces.line[graph.line],
        start=pieces.start[graph.line] + graph.start,
        end=pieces.start[graph.line] + graph.end,
        joined_gaps=gaps,
    )


def _noded(
    xy: FloatArray, offsets: IntArray, same: IntArray, tolerance: float, one: IntArray
) -> Graph:
    """Node lines without folds; ``one``, (k, 2), are line ends that become one node.

    ``same`` is the first line end at the place of each.
    """
    along = measures(xy, offsets)
    ends, touches = _touches(xy, offsets, along, same)
    touched = cut_lines(xy, offsets, touches, along)
    held = np.stack([ends_of_pieces(ends, touched), touched.cut], axis=1)
    held = np.concatenate([held, ends_of_pieces(one, touched)])
    node = clusters(end_points(touched.xy, touched.offsets), TOUCH, held)
    lines = touched.xy, touched.offsets
    along = measures(*lines)
    joins = join_gaps(*lines, along, node, tolerance=tolerance)
    pieces = cut_lines(*lines, joins.cuts, along)
    landed = np.stack([ends_of_pieces(joins.ends, pieces), pieces.cut], axis=1)
    links = [*(ends_of_pieces(pair, pieces) for pair in (held, joins.links)), landed]
    points = end_points(pieces.xy, pieces.offsets)
    node = clusters(points, TOUCH, np.concatenate(links))
    counts = np.bincount(node)
    node_xy = np.stack([np.bincount(node, points[:, k]) / counts for k in (0, 1)], axis=1)
    graph = Graph(
        node_xy=node_xy,
        ends=node.reshape(-1, 2),
        line=pieces.line,
        start=pieces.start,
        end=pieces.end,
        xy=pieces.xy,
        offsets=pieces.offsets,
        joined_gaps=joins.gaps[joins.gaps[:, 2] > TOUCH],
        overshoots=np.zeros((0, 4)),
    )
    return _of_lines(graph, touched)


def unnoded_crossings(graph: Graph, *, tolerance: float) -> tuple[IntArray, FloatArray]:
    """Return pairs of edges that cross with no node, (k, 2), and where, (k, 2); each crossing once.

    They do not connect; the caller reports them. A node of both within twice the tolerance is
    taken to be at the crossing.
    """
    pairs, place = crossing_places(graph.xy, graph.offsets)
    ends = graph.ends[pairs]  # crossing, edge, end
    gap = np.hypot(*(graph.node_xy[ends[:, 0]] - place[:, None]).transpose(2, 0, 1))
    shared = (ends[:, 0, :, None] == ends[:, 1, None, :]).any(axis=2)
    lone = ~(shared & (gap <= 2 * max(tolerance, TOUCH))).any(axis=1)
    return pairs[lone], place[lone]


def _touches(
    xy: FloatArray, offsets: IntArray, along: FloatArray, same: IntArray
) -> tuple[IntArray, FloatArray]:
    """Return which line ends touch the inside of lines: line and distance along it, (k, 2).

    ``along`` are the `measures` of the vertices, ``same`` the first line end at the place of each.
    """
    points = end_points(xy, offsets)
    places = np.flatnonzero(same == np.arange(len(points)))  # ends mostly lie on each other
    spot, vertex = segments_near(points[places], xy, offsets, reach=TOUCH).T
    end, line = places[spot], row_of(offsets)[vertex]
    own = (same[2 * line] == end) | (same[2 * line + 1] == end)
    other, at, several = _nearest(xy, along, points[end[~own]], end[~own], line[~own], vertex[~own])
    other = np.flatnonzero(~own)[other]
    again, further = _passes_again(
        xy, offsets, points[end[other[several]]], line[other[several]], at[several]
    )
    own = np.flatnonzero(own)
    own = own[firsts(end[own], line[own])]
    knot, around = _self_touches(xy, offsets, points[end[own]], line[own])
    row = np.concatenate([other, other[several][again], own[knot]])
    at = np.concatenate([at, further, around])
    return end[row], np.stack([line[row].astype(float), at], axis=1)


def _nearest(
    xy: FloatArray,
    along: FloatArray,
    points: FloatArray,
    end: IntArray,
    line: IntArray,
    vertex: IntArray,
) -> tuple[IntArray, FloatArray, BoolArray]:
    """Return where ends touch lines, of segments that may be touched.

    Parameters
    ----------
    xy, along : ndarray
        Vertices of the lines, and their `measures`, m.
    points : ndarray, shape (k, 2)
        Where the end is that may touch each segment.
    end, line : ndarray of int64, shape (k,)
        The pairs they are of, those of one in a row.
    vertex : ndarray of int64, shape (k,)
        What the segments start at.

    Returns
    -------
    row : ndarray of int64, shape (t,)
        Of each pair that touches, the nearest segment.
    at : ndarray, shape (t,)
        How far along the line, m.
    several : ndarray of bool, shape (t,)
        Whether more segments of the line are touched.
    """
    step, off = xy[vertex + 1] - xy[vertex], points - xy[vertex]
    share = (off * step).sum(axis=1) / np.maximum((step * step).sum(axis=1), np.finfo(float).tiny)
    share = share.clip(0.0, 1.0)
    gap = np.hypot(*(off - share[:, None] * step).T)
    touch = np.flatnonzero(gap <= TOUCH)
    pair = np.cumsum(firsts(end[touch], line[touch]))
    order = touch[np.lexsort([vertex[touch], gap[touch], pair])]
    first = firsts(pair)
    row = order[first]
    at = along[vertex] + share * (along[vertex + 1] - along[vertex])
    return row, at[row], np.diff(np.flatnonzero(np.append(first, True))) > 1


def _passes_again(
    xy: FloatArray, offsets: IntArray, ends: FloatArray, line: IntArray, along: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return where lines touched by ends come by there again: row of those given, m along it.

    A line that crosses itself at the place does; all its passes meet there, as those of two lines.

    Parameters
    ----------
    xy, offsets : ndarray
        Vertices of the lines, m.
    ends : ndarray, shape (k, 2)
    line : ndarray of int64, shape (k,)
    along : ndarray, shape (k,)
        Where on its line each end was found, m.
    """
    some = np.flatnonzero(np.diff(offsets)[line] > FEWEST)
    some = some[~shapely.is_simple(linestrings_at(xy, offsets, line[some]))]
    rows, of = np.unique(line[some], return_inverse=True)
    own_xy, own = xy[take(offsets, rows)], offsets_of(np.diff(offsets)[rows])
    places = Places.of_offsets(own, measures(own_xy, own))
    way = DETOUR * TOUCH
    row, low, high = np.arange(len(some)), np.zeros(len(some)), lengths_along(places.at, own)[of]
    at, found = along[some], [(np.zeros(0, dtype=np.int64), np.zeros(0))]
    while len(row):
        row = np.tile(row, 2)
        low, high = np.concatenate([low, at + way]), np.concatenate([at - way, high])
        left = low < high
        row, low, high = row[left], low[left], high[left]
        parts = trimmed_lines(own_xy, places, of[row], low, high)
        spots = shapely.points(ends[some[row]])
        at = low + shapely.line_locate_point(parts, spots)
        touch = shapely.dwithin(spots, parts, TOUCH) & (at > low + TOUCH / 2)
        touch &= at < high - TOUCH / 2
        row, low, high, at = row[touch], low[touch], high[touch], at[touch]
        found.append((some[row], at))
    again, further = (np.concatenate(column) for column in zip(*found, strict=True))
    return again, further


def _self_touches(
    xy: FloatArray, offsets: IntArray, ends: FloatArray, line: IntArray
) -> tuple[IntArray, FloatArray]:
    """Return which of these lines their own ends touch on the inside, and how far along, m.

    The ends lie at ``ends``, shape (k, 2); what of a line leads to an end there does not count.
    """
    rows, of = np.unique(line, return_inverse=True)
    own_xy, own = xy[take(offsets, rows)], offsets_of(np.diff(offsets)[rows])
    places = Places.of_offsets(own, measures(own_xy, own))
    leads = np.hypot(*(end_points(own_xy, own).reshape(-1, 2, 2)[of] - ends[:, None]).T) <= TOUCH
    length = lengths_along(places.at, own)[of]
    low = np.where(leads[0], DETOUR * TOUCH, 0.0)
    high = np.where(leads[1], length - DETOUR * TOUCH, length)
    left = np.flatnonzero(low < high)
    parts = trimmed_lines(own_xy, places, of[left], low[left], high[left])
    at = shapely.points(ends[left])
    along = low[left] + shapely.line_locate_point(parts, at)
    touch = shapely.dwithin(at, parts, TOUCH)
    touch &= (along > low[left] + TOUCH / 2) & (along < high[left] - TOUCH / 2)
    once, at = left[touch], np.asarray(along[touch], dtype=np.float64)
    again, further = _passes_again(own_xy, own, ends[once], of[once], at)
    inner = (further > low[once[again]]) & (further < high[once[again]])
    rows = np.concatenate([once, once[again[inner]]])
    return rows, np.concatenate([at, further[inner]])
