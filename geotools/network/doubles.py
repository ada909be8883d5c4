"""Doubles: pieces of mains that lie on others between the same nodes, and are taken once.

Mains that lie on each other over part of their length have been given the same nodes before (see
`overlaps` and `shared`), so that their pieces there are doubles too.
"""

from __future__ import annotations

import numpy as np
import shapely

from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.network.gaps import ROUNDING
from geotools.network.measured import AT_ONCE, Polylines
from geotools.network.noding import TOUCH, Graph
from geotools.network.overlaps import LEAST, Overlaps
from geotools.network.places import points_along
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    in_blocks,
    line_lengths,
    linestrings_at,
    offsets_of,
    pairs_within,
    take,
)
from geotools.network.shared import kept_within

__all__ = ["report_twice", "without_doubles"]

LEAST_TOLD = 0.01  # m; a shorter length would be rounded to nothing
SHORT_OF = 0.5  # share of the shorter main under which two mains share an end only. Judgement.


def without_doubles(
    graph: Graph,
    mains: Lines,
    *,
    lined: BoolArray,
    rank: IntArray,
    tolerance: float,
    findings: Findings,
) -> Graph:
    """Set aside pieces that lie on another piece between the same nodes, each a finding.

    Kept is a piece that may be lined, of these the one of the largest main, of mains as large that
    of the first by identifier. What lies on none that is kept is kept.

    Parameters
    ----------
    graph : Graph
    mains : Lines
    lined : ndarray of bool, shape (mains,)
        Mains that may be lined.
    rank : ndarray of int64, shape (mains,)
        Order of the mains by identifier.
    tolerance : float
        Pieces no farther apart than this throughout lie on each other, m.
    findings : Findings
    """
    pairs = _drawn_twice(graph, max(tolerance, TOUCH))
    if not len(pairs):
        return graph
    place = np.empty(len(graph), dtype=np.int64)
    size = np.nan_to_num(mains.table["diameter"].to_numpy(dtype=float))[graph.line]
    order = np.lexsort([_from_west(graph, mains), rank[graph.line], -size, ~lined[graph.line]])
    place[order] = np.arange(len(graph))
    ahead = place[pairs[:, 0]] < place[pairs[:, 1]]
    double, twin = _set_aside(np.where(ahead[:, None], pairs, pairs[:, ::-1]), place)
    _report(graph, mains, double, twin, findings)
    return graph.without(double)


def _drawn_twice(graph: Graph, near: float) -> IntArray:
    """Return pairs of edges between the same nodes that lie within a distance, m, throughout."""
    low, high = np.sort(graph.ends, axis=1).T
    pairs = pairs_within(low * len(graph.node_xy) + high, np.ones(len(graph), dtype=bool))
    rows, index = np.unique(pairs, return_inverse=True)
    lines = Polylines(*graph.drawn(rows))
    same = _on_each_other(lines, index.reshape(pairs.shape), near)
    return np.asarray(pairs[same], dtype=np.int64)


def _on_each_other(lines: Polylines, pairs: IntArray, near: float) -> BoolArray:
    """Return of which pairs of lines no vertex is farther than so much, m, from the other.

    Shapely's ``hausdorff_distance``, which measures every vertex to every segment, is asked only
    where rounding may decide.
    """
    ways, farthest = (pairs, pairs[:, ::-1]), np.zeros(len(pairs))
    for line, to in (way.T for way in ways):  # most that are farther are so half way
        middle = (lines.offsets[line] + lines.offsets[line + 1]) // 2
        farthest = np.maximum(farthest, lines.distance(lines.xy, middle, to))
    left = np.flatnonzero(farthest <= near + ROUNDING)
    for part in in_blocks(np.diff(lines.offsets)[pairs[left]].sum(axis=1), AT_ONCE):
        rows = left[part]
        farthest[rows] = np.maximum(*(_farthest(lines, *way[rows].T) for way in ways))
    doubtful = np.flatnonzero(np.abs(farthest - near) <= ROUNDING)
    one, other = (linestrings_at(lines.xy, lines.offsets, rows) for rows in pairs[doubtful].T)
    farthest[doubtful] = shapely.hausdorff_distance(one, other)
    return np.asarray(farthest <= near, dtype=np.bool_)


def _farthest(lines: Polylines, line: IntArray, to: IntArray) -> FloatArray:
    """Return how far vertices of lines lie from other lines at most, m."""
    count = np.diff(lines.offsets)[line]
    gap = lines.distance(lines.xy, take(lines.offsets, line), np.repeat(to, count))
    return np.asarray(np.maximum.reduceat(gap, offsets_of(count)[:-1]), dtype=np.float64)


def _from_west(graph: Graph, mains: Lines) -> FloatArray:
    """Return how far from the western end of its main each edge begins, m along it.

    Of two pieces of one main, the same one comes first whichever way the main is drawn.
    """
    first, last = mains.xy[mains.offsets[:-1]], mains.xy[mains.offsets[1:] - 1]
    (dx, dy), length = np.round(last - first, 3).T, line_lengths(mains.xy, mains.offsets)
    west = ((dx > 0) | ((dx == 0) & (dy >= 0)))[graph.line]
    return np.where(west, graph.start, length[graph.line] - graph.end)


def _set_aside(pairs: IntArray, place: IntArray) -> tuple[IntArray, IntArray]:
    """Return the edges set aside, and for each the kept one it lies on.

    Parameters
    ----------
    pairs : ndarray of int64, shape (k, 2)
        Edges that lie on each other, the one that comes first before the other.
    place : ndarray of int64, shape (n,)
        Their order.
    """
    found = [np.zeros((0, 2), dtype=np.int64)]
    gone = np.zeros(len(place), dtype=bool)
    while len(pairs):  # those that lie on none before them are kept, and what lies on them is not
        kept = ~np.isin(pairs[:, 0], pairs[:, 1])
        found.append(pairs[kept])
        gone[pairs[kept, 1]] = True
        pairs = pairs[~gone[pairs].any(axis=1)]
    aside = np.concatenate(found)
    aside = aside[np.lexsort([place[aside[:, 0]], aside[:, 1]])]
    aside = aside[firsts(aside[:, 1])]
    return aside[:, 1], aside[:, 0]


def _report(
    graph: Graph, mains: Lines, double: IntArray, twin: IntArray, findings: Findings
) -> None:
    lengths = line_lengths(graph.xy, graph.offsets)
    names = mains.table["feature"].to_numpy(dtype=object)
    findings.add_points(
        "warning",
        "overlapping-mains",
        [
            f"{_length_text(lengths[d], findings)} of main {names[graph.line[d]]} lie on "
            + (
                "the main itself, drawn to and fro; taken once. Delete one way."
                if graph.line[d] == graph.line[t]
                else f"main {names[graph.line[t]]}"
                + (
                    ": their ends overlap; taken once. Trim the overlap off one of the two."
                    if at_ends
                    else " between the same ends; taken once. Delete one of the two."
                )
            )
            for d, t, at_ends in zip(
                double, twin, _ends_overlap(graph, mains, double, twin), strict=True
            )
        ],
        layer="mains",
        features=names[graph.line[double]],
        xy=points_along(graph.xy, graph.offsets, double, lengths[double] / 2),
    )


def _length_text(length: float, findings: Findings) -> str:
    """Return the length of an overlap, m, in words, which is never none at all."""
    if length < LEAST_TOLD:
        return f"less than {findings.length(LEAST_TOLD, 2)}"
    return findings.length(length, 2 if length < 10 * LEAST_TOLD else 1)


def _ends_overlap(graph: Graph, mains: Lines, double: IntArray, twin: IntArray) -> BoolArray:
    """Tell which doubles are ends of two mains in a row, drawn a little past each other.

    They lie at an end of both mains, and all that the two share is short against either.
    """
    whole = line_lengths(mains.xy, mains.offsets)
    pair = np.sort(np.stack([graph.line[double], graph.line[twin]]), axis=0)
    _, of = np.unique(pair[0] * len(mains) + pair[1], return_inverse=True)
    own = (graph.end - graph.start)[double]
    out = np.bincount(of, weights=own)[of] < SHORT_OF * whole[pair].min(axis=0, initial=np.inf)
    for edge in (double, twin):
        line = graph.line[edge]
        out &= (graph.start[edge] <= TOUCH) | (graph.end[edge] >= whole[line] - TOUCH)
    return np.asarray(out, dtype=np.bool_)


def report_twice(graph: Graph, mains: Lines, overlaps: Overlaps, findings: Findings) -> None:
    """Report mains that lie on each other farther than is told, and are both taken."""
    size = (overlaps.high - overlaps.low).min(axis=1, initial=np.inf)
    rows = np.flatnonzero(kept_within(graph, overlaps) - size >= LEAST)
    names = mains.table["feature"].to_numpy(dtype=object)[overlaps.line[rows]]
    middle = (overlaps.low + overlaps.high)[rows, 0] / 2
    findings.add_points(
        "warning",
        "overlapping-mains",
        [
            f"{findings.length(length)} of main {one} lie on main {two}, with other nodes between; "
            "counted twice. Delete one of the two there."
            for (one, two), length in zip(
                np.sort(names.astype(str), axis=1), size[rows], strict=True
            )
        ],
        layer="mains",
        features=names[:, 0],
        xy=points_along(mains.xy, mains.offsets, overlaps.line[rows, 0], middle),
    )
