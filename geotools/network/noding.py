"""Noding: lines that meet become edges between nodes.

Nothing is moved. Ends that coincide are one node. An end left dangling is joined, within the snap
tolerance, to another dangling end, else to the nearest end in use, else to the nearest line,
which it splits there: the gap stays in the geometry and a run bridges it with a straight step.
Ends in use join another line only where they touch it. So where a main happens to be split
changes nothing, unless a dangling end is within the tolerance of the split.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    line_lengths,
    measures,
    to_linestrings,
)

__all__ = ["TOUCH", "Graph", "Pieces", "cut_lines", "node_lines", "unnoded_crossings"]

TOUCH = 0.001  # m; closer than this is the same point, whatever the tolerance


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
        Gaps closed: x, y of the dangling end, width of the gap, row of the line, 1 where
        another line was split.
    """

    node_xy: FloatArray
    ends: IntArray
    line: IntArray
    start: FloatArray
    end: FloatArray
    xy: FloatArray
    offsets: IntArray
    joined_gaps: FloatArray

    def __len__(self) -> int:
        return len(self.line)

    def degrees(self) -> IntArray:
        """Return the number of edge ends at every node."""
        return np.bincount(self.ends.ravel(), minlength=len(self.node_xy)).astype(np.int64)


def node_lines(xy: FloatArray, offsets: IntArray, *, tolerance: float) -> Graph:
    """Node lines at their ends and where ends land on other lines.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
        Vertices, m, of lines of two or more distinct points.
    offsets : ndarray of int64, shape (n + 1,)
    tolerance : float
        Snap tolerance for dangling ends, m.
    """
    if len(offsets) < 2:
        return _empty()
    joins = _join_ends(xy, offsets, tolerance)
    landings = _landings(xy, offsets, joins, tolerance)
    pieces = cut_lines(xy, offsets, landings.cuts)
    points = _end_points(pieces.xy, pieces.offsets)
    touching = cKDTree(points).query_pairs(TOUCH, output_type="ndarray").reshape(-1, 2)
    links = np.concatenate(
        [
            touching,
            _on_pieces(joins.links, pieces),
            np.stack([_on_pieces(landings.ends, pieces), _cut_ends(pieces, landings.cuts)], axis=1),
        ]
    )
    node = _components(links[(links >= 0).all(axis=1)], len(points))
    counts = np.bincount(node)
    node_xy = np.stack([np.bincount(node, points[:, k]) / counts for k in (0, 1)], axis=1)
    return Graph(
        node_xy=node_xy,
        ends=node.reshape(-1, 2),
        line=pieces.line,
        start=pieces.start,
        end=pieces.end,
        xy=pieces.xy,
        offsets=pieces.offsets,
        joined_gaps=np.concatenate([joins.gaps, landings.gaps]),
    )


def unnoded_crossings(graph: Graph, *, tolerance: float) -> tuple[IntArray, FloatArray]:
    """Return pairs of edges that cross with no node, (k, 2), and where, (k, 2).

    They do not connect; the caller reports them.
    """
    if len(graph) == 0:
        return np.zeros((0, 2), dtype=np.int64), np.zeros((0, 2))
    lines = to_linestrings(graph.xy, graph.offsets)
    pairs = shapely.STRtree(lines).query(lines, predicate="crosses").T
    pairs = pairs[pairs[:, 0] < pairs[:, 1]].astype(np.int64)
    place = shapely.get_coordinates(
        shapely.point_on_surface(shapely.intersection(lines[pairs[:, 0]], lines[pairs[:, 1]]))
    )
    a, b = graph.ends[pairs[:, 0]], graph.ends[pairs[:, 1]]
    near = np.zeros(len(pairs), dtype=bool)
    for i in (0, 1):
        for j in (0, 1):
            shared = a[:, i] == b[:, j]
            gap = np.hypot(*(graph.node_xy[a[:, i]] - place).T)
            near |= shared & (gap <= 2 * tolerance)
    return pairs[~near], place[~near]


@dataclass(frozen=True)
class Pieces:
    """Lines cut into pieces: the row each is of, and where it starts and ends along it, m."""

    xy: FloatArray
    offsets: IntArray
    line: IntArray
    start: FloatArray
    end: FloatArray


def _empty() -> Graph:
    nothing = np.zeros(0)
    none = np.zeros(0, dtype=np.int64)
    return Graph(
        np.zeros((0, 2)),
        none.reshape(0, 2),
        none,
        nothing,
        nothing,
        np.zeros((0, 2)),
        np.zeros(1, dtype=np.int64),
        np.zeros((0, 5)),
    )


def _components(links: IntArray, count: int) -> IntArray:
    ones = np.ones(len(links), dtype=np.int8)
    graph = coo_array((ones, (links[:, 0], links[:, 1])), shape=(count, count))
    return connected_components(graph, directed=False)[1].astype(np.int64)


@dataclass(frozen=True)
class _Joins:
    """Ends joined to ends: ``links`` (k, 2) of line ends, what is still ``loose``, gap rows."""

    links: IntArray
    loose: BoolArray
    gaps: FloatArray


@dataclass(frozen=True)
class _Landings:
    """Ends that land on another line: ``cuts`` (line, distance), the ``ends``, gap rows."""

    cuts: FloatArray
    ends: IntArray
    gaps: FloatArray


def _end_points(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return first and last points of lines in turn, shape (2 n, 2)."""
    return xy[np.stack([offsets[:-1], offsets[1:] - 1], axis=1).ravel()]


def _join_ends(xy: FloatArray, offsets: IntArray, tolerance: float) -> _Joins:
    """Join ends that touch, dangling ends that face each other, dangling ends to ends in use."""
    points = _end_points(xy, offsets)
    touching = cKDTree(points).query_pairs(TOUCH, output_type="ndarray").reshape(-1, 2)
    loose = np.ones(len(points), dtype=bool)
    loose[touching.ravel()] = False
    facing = _facing(points, loose, tolerance)
    alone = loose.copy()
    alone[facing.ravel()] = False
    to_used = _to_used(points, alone, ~loose, touching, tolerance)
    alone[to_used[:, 0]] = False
    gaps = np.concatenate([facing, to_used])
    width = np.hypot(*(points[gaps[:, 0]] - points[gaps[:, 1]]).T)
    rows = np.stack([*points[gaps[:, 0]].T, width, gaps[:, 0] // 2, np.zeros(len(gaps))], axis=1)
    return _Joins(np.concatenate([touching, gaps]), alone, rows)


def _facing(points: FloatArray, loose: BoolArray, tolerance: float) -> IntArray:
    """Return pairs of dangling ends of different lines within the tolerance."""
    ends = np.flatnonzero(loose)
    if len(ends) < 2 or tolerance <= 0:
        return np.zeros((0, 2), dtype=np.int64)
    pairs = ends[cKDTree(points[ends]).query_pairs(tolerance, output_type="ndarray").reshape(-1, 2)]
    return np.asarray(pairs[pairs[:, 0] // 2 != pairs[:, 1] // 2], dtype=np.int64)


def _to_used(
    points: FloatArray, alone: BoolArray, used: BoolArray, touching: IntArray, tolerance: float
) -> IntArray:
    """Return for dangling ends the nearest end in use within the tolerance, not of its own line."""
    ends, targets = np.flatnonzero(alone), np.flatnonzero(used)
    if not len(ends) or not len(targets) or tolerance <= 0:
        return np.zeros((0, 2), dtype=np.int64)
    near = cKDTree(points[ends]).sparse_distance_matrix(
        cKDTree(points[targets]), tolerance, output_type="ndarray"
    )
    end, target, gap = ends[near["i"]], targets[near["j"]], near["v"]
    lines = len(points) // 2
    cluster = _components(touching, len(points))
    own = np.isin(cluster[target] * lines + end // 2, cluster * lines + np.arange(len(points)) // 2)
    end, target, gap = end[~own], target[~own], gap[~own]
    order = np.lexsort([target, np.round(gap, 9), end])
    first = np.ones(len(order), dtype=bool)
    first[1:] = end[order][1:] != end[order][:-1]
    return np.stack([end[order][first], target[order][first]], axis=1)


def _landings(xy: FloatArray, offsets: IntArray, joins: _Joins, tolerance: float) -> _Landings:
    """Find ends that land on the inside of another line."""
    points = _end_points(xy, offsets)
    owner = np.arange(len(points)) // 2
    lines = to_linestrings(xy, offsets)
    reach = np.where(joins.loose, max(tolerance, TOUCH), TOUCH)
    at = shapely.points(points)
    end, line = shapely.STRtree(lines).query(at, predicate="dwithin", distance=reach)
    keep = owner[end] != line
    end, line = end[keep], line[keep]
    along = shapely.line_locate_point(lines[line], at[end])
    inside = (along > TOUCH) & (along < shapely.length(lines[line]) - TOUCH)
    end, line, along = end[inside], line[inside], along[inside]
    landing = shapely.get_coordinates(shapely.line_interpolate_point(lines[line], along))
    gap = np.hypot(*(landing - points[end]).T)
    keep = _nearest_only(end, line, gap)
    end, line, along, gap = end[keep], line[keep], along[keep], gap[keep]
    rows = np.stack([*points[end].T, gap, owner[end], np.ones(len(end))], axis=1)
    return _Landings(np.stack([line, along], axis=1).astype(float), end, rows[gap > TOUCH])


def _nearest_only(end: IntArray, line: IntArray, gap: FloatArray) -> IntArray:
    """Keep every touch, and of the other lines near an end only the nearest."""
    order = np.lexsort([line, np.round(gap, 9), end])
    first = np.ones(len(order), dtype=bool)
    first[1:] = end[order][1:] != end[order][:-1]
    return order[first | (gap[order] <= TOUCH)]


def cut_lines(xy: FloatArray, offsets: IntArray, cuts: FloatArray) -> Pieces:
    """Cut lines into pieces; ``cuts``, shape (k, 2), holds line row and distance along it, m."""
    along = measures(xy, offsets)
    lengths = line_lengths(xy, offsets)
    line, at = cuts[:, 0].astype(np.int64), cuts[:, 1]
    inside = (at > TOUCH) & (at < lengths[line] - TOUCH)
    order = np.lexsort([at[inside], line[inside]])
    line, at = line[inside][order], at[inside][order]
    fresh = np.ones(len(line), dtype=bool)
    fresh[1:] = (line[1:] != line[:-1]) | (at[1:] - at[:-1] > TOUCH)
    line, at = line[fresh], at[fresh]
    count = len(offsets) - 1
    of_piece = np.concatenate([np.arange(count), line])
    start = np.concatenate([np.zeros(count), at])
    order = np.lexsort([start, of_piece])
    of_piece, start = of_piece[order], start[order]
    end = np.append(start[1:], 0.0)
    last = np.append(of_piece[1:] != of_piece[:-1], True)
    end[last] = lengths[of_piece[last]]
    new_xy, new_offsets = _insert_cuts(xy, offsets, along, line, at)
    return Pieces(new_xy, new_offsets, of_piece, start, end)


def _insert_cuts(
    xy: FloatArray, offsets: IntArray, along: FloatArray, line: IntArray, at: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Put two vertices at every cut, the end of one piece and the start of the next."""
    before = Places.of_offsets(offsets, along).search(line, at, "right")
    first, second = xy[before - 1], xy[before]
    span = along[before] - along[before - 1]
    share = (at - along[before - 1]) / np.where(span > 0, span, 1.0)
    points = first + share[:, None] * (second - first)
    twice = np.repeat(before, 2)
    new_xy = np.insert(xy, twice, np.repeat(points, 2, axis=0), axis=0)
    starts = np.concatenate([offsets[:-1], before])
    shift = np.concatenate(
        [2 * np.searchsorted(before, offsets[:-1], side="right"), 2 * np.arange(len(before)) + 1]
    )
    bounds = np.sort(starts + shift)
    return new_xy, np.append(bounds, len(new_xy)).astype(np.int64)


def _on_pieces(ends: IntArray, pieces: Pieces) -> IntArray:
    """Return the piece ends that line ends have become."""
    line = ends // 2
    first = np.searchsorted(pieces.line, line, side="left")
    last = np.searchsorted(pieces.line, line, side="right") - 1
    return np.where(ends % 2 == 0, 2 * first, 2 * last + 1).astype(np.int64)


def _cut_ends(pieces: Pieces, cuts: FloatArray) -> IntArray:
    """Return a piece end at every cut, or -1 where the cut fell on the line's end."""
    line, at = cuts[:, 0].astype(np.int64), cuts[:, 1]
    lines = int(pieces.line[-1]) + 1
    piece = Places.of(pieces.line, pieces.start, lines).holding(line, at, slack=TOUCH)
    at_start = np.abs(pieces.start[piece] - at) <= 2 * TOUCH
    at_end = np.abs(pieces.end[piece] - at) <= 2 * TOUCH
    return np.where(at_start, 2 * piece, np.where(at_end, 2 * piece + 1, -1)).astype(np.int64)
