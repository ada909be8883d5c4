"""Noding: lines that meet become edges between nodes.

Nothing is moved. Ends that coincide are one node. An end left dangling is joined to a dangling
end within the snap tolerance, or else to the nearest line within it, which it splits there: the
gap stays in the geometry and a run bridges it with a straight step. Ends in use join another
line only where they touch it. So where a main happens to be split changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geotools.network.ragged import (
    FloatArray,
    IntArray,
    line_lengths,
    measures,
    offsets_of,
    row_of,
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
    cuts, cut_ends, gaps_split = _landings(xy, offsets, tolerance)
    pieces = cut_lines(xy, offsets, cuts)
    ends_xy = np.stack([pieces.xy[pieces.offsets[:-1]], pieces.xy[pieces.offsets[1:] - 1]], axis=1)
    points = ends_xy.reshape(-1, 2)
    tree = cKDTree(points)
    links = [tree.query_pairs(TOUCH, output_type="ndarray").reshape(-1, 2)]
    gap_links, gaps_end = _dangling_pairs(points, pieces.line, links[0], tolerance)
    links.append(gap_links)
    links.append(_cut_links(tree, points, pieces, xy, offsets, cuts, cut_ends))
    node = _components(np.concatenate(links), len(points))
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
        joined_gaps=np.concatenate([gaps_end, gaps_split]),
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
        np.zeros((0, 2)), none.reshape(0, 2), none, nothing, nothing,
        np.zeros((0, 2)), np.zeros(1, dtype=np.int64), np.zeros((0, 5)),
    )


def _components(links: IntArray, count: int) -> IntArray:
    ones = np.ones(len(links), dtype=np.int8)
    graph = coo_array((ones, (links[:, 0], links[:, 1])), shape=(count, count))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _dangling(points: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which ends touch no other end."""
    tree = cKDTree(points)
    pairs = tree.query_pairs(TOUCH, output_type="ndarray").reshape(-1, 2)
    used = np.zeros(len(points), dtype=bool)
    used[pairs.ravel()] = True
    return ~used


def _landings(
    xy: FloatArray, offsets: IntArray, tolerance: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Find ends that land on the inside of another line.

    Returns cuts (line row, distance along it), the end point that made each, and the gap rows.
    """
    points = xy[np.stack([offsets[:-1], offsets[1:] - 1], axis=1).ravel()]
    owner = np.repeat(np.arange(len(offsets) - 1), 2)
    dangling = _dangling(points)
    dangling[_facing_pairs(points, owner, dangling, tolerance).ravel()] = False
    lines = to_linestrings(xy, offsets)
    reach = np.where(dangling, max(tolerance, TOUCH), TOUCH)
    at = shapely.points(points)
    end, line = shapely.STRtree(lines).query(at, predicate="dwithin", distance=reach)
    keep = owner[end] != line
    end, line = end[keep], line[keep]
    along = shapely.line_locate_point(lines[line], at[end])
    landing = shapely.get_coordinates(shapely.line_interpolate_point(lines[line], along))
    gap = np.hypot(*(landing - points[end]).T)
    keep = _nearest_only(end, line, gap, dangling)
    end, line, along, gap = end[keep], line[keep], along[keep], gap[keep]
    inside = (along > TOUCH) & (along < shapely.length(lines[line]) - TOUCH)
    cuts = np.stack([line, along], axis=1).astype(float)
    gaps = np.stack([*points[end].T, gap, owner[end], inside], axis=1)
    return cuts, points[end], gaps[gap > TOUCH]


def _nearest_only(
    end: IntArray, line: IntArray, gap: FloatArray, dangling: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> IntArray:
    """Keep every touch, and of a dangling end's near lines only the nearest."""
    order = np.lexsort([line, np.round(gap, 9), end])
    first = np.ones(len(order), dtype=bool)
    first[1:] = end[order][1:] != end[order][:-1]
    return order[first | (gap[order] <= TOUCH)] if len(order) else order


def _facing_pairs(
    points: FloatArray, owner: IntArray, dangling: np.ndarray[tuple[int], np.dtype[np.bool_]],
    tolerance: float,
) -> IntArray:
    """Return pairs of dangling ends of different lines within the tolerance."""
    loose = np.flatnonzero(dangling)
    if len(loose) < 2 or tolerance <= 0:
        return np.zeros((0, 2), dtype=np.int64)
    pairs = cKDTree(points[loose]).query_pairs(tolerance, output_type="ndarray").reshape(-1, 2)
    pairs = loose[pairs]
    return pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]


def _dangling_pairs(
    points: FloatArray, line: IntArray, touching: IntArray, tolerance: float
) -> tuple[IntArray, FloatArray]:
    """Link dangling ends that face each other; return the links and the gap rows."""
    used = np.zeros(len(points), dtype=bool)
    used[touching.ravel()] = True
    pairs = _facing_pairs(points, np.repeat(line, 2), ~used, tolerance)
    width = np.hypot(*(points[pairs[:, 0]] - points[pairs[:, 1]]).T)
    rows = np.repeat(line, 2)[pairs[:, 0]]
    gaps = np.stack([*points[pairs[:, 0]].T, width, rows, np.zeros(len(pairs))], axis=1)
    return pairs, gaps


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
    rows = row_of(offsets)
    stretch = float(along.max(initial=0.0)) + 1.0
    before = np.searchsorted(along + rows * stretch, at + line * stretch, side="right")
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


def _cut_links(
    tree: cKDTree,
    points: FloatArray,
    pieces: Pieces,
    xy: FloatArray,
    offsets: IntArray,
    cuts: FloatArray,
    cut_ends: FloatArray,
) -> IntArray:
    """Link the end that made a cut to the pieces' ends at that cut."""
    if len(cuts) == 0:
        return np.zeros((0, 2), dtype=np.int64)
    line, at = cuts[:, 0].astype(np.int64), cuts[:, 1]
    stretch = float(pieces.end.max()) + 1.0
    key = pieces.start + pieces.line * stretch
    piece = np.searchsorted(key, at + line * stretch + TOUCH, side="right") - 1
    at_start = np.abs(pieces.start[piece] - at) <= 2 * TOUCH
    at_end = np.abs(pieces.end[piece] - at) <= 2 * TOUCH
    target = np.where(at_start, 2 * piece, np.where(at_end, 2 * piece + 1, -1))
    _, source = tree.query(cut_ends)
    known = target >= 0
    return np.stack([source[known], target[known]], axis=1).astype(np.int64)
