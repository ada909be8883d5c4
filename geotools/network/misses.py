"""Misses: dead ends that stop just beyond the snap tolerance of another main, told and not joined.

An end within the tolerance is joined (`gaps`); one a little farther off may be a real end, a slip
of the drawing, or the sign of a tolerance that is too small: the plan takes it as an end, and asks.
So it does of an end within the tolerance that runs alongside, but comes nearer from farther behind.
"""

from __future__ import annotations

import numpy as np
import shapely

from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.network.gaps import HAND, looked_back
from geotools.network.near import lines_near
from geotools.network.noding import TOUCH, Graph
from geotools.network.places import points_along
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    line_lengths,
    to_linestrings,
)

__all__ = ["report_misses"]

BEYOND = 4.0  # times the tolerance; farther off is no slip of the hand. Judgement, no source.
# times that reach; a shorter piece is a stub off the very main it lies near, and where an end's
# line so far behind is still as near, it runs alongside.
BEHIND = 3.0


def report_misses(
    graph: Graph,
    mains: Lines,
    *,
    lined: BoolArray,
    carrying: BoolArray,
    tolerance: float,
    findings: Findings,
) -> None:
    """Warn of dead ends of mains to be lined that lie near another main.

    Parameters
    ----------
    graph : Graph
    mains : Lines
    lined, carrying : ndarray of bool
        By edge: may be lined; carries water.
    tolerance : float
        Within which ends were joined, m.
    findings : Findings
    """
    reach = BEYOND * tolerance
    if tolerance <= TOUCH:
        return
    lengths = line_lengths(graph.xy, graph.offsets)
    degree = np.bincount(graph.ends[carrying].ravel(), minlength=len(graph.node_xy))
    dead = (degree[graph.ends] == 1) & (lined & (lengths >= looked_back(tolerance)))[:, None]
    edge, side = np.nonzero(dead)
    if not len(edge):
        return
    point, other = _near(graph, graph.node_xy[graph.ends[edge, side]], carrying, reach)
    apart = ~(graph.ends[edge[point]][:, :, None] == graph.ends[other][:, None, :]).any(axis=(1, 2))
    point, other = point[apart], other[apart]
    edge, side = edge[point], side[point]
    way = np.minimum(BEHIND * reach, lengths[edge])
    back = np.where(side == 1, lengths[edge] - way, way)
    behind = points_along(graph.xy, graph.offsets, edge, back)
    node = graph.ends[edge, side]
    at = graph.node_xy[node]
    width, alongside = _missed(graph, edge, other, at, behind, reach)
    beyond = (width > tolerance) & (width <= reach) & ~alongside
    beyond &= lengths[edge] >= BEHIND * reach
    within = (width <= tolerance) & (graph.degrees()[node] == 1)
    within[within] = _comes_nearer(graph, edge[within], behind[within], width[within])
    row = np.flatnonzero(beyond | within)
    row = row[np.lexsort([other[row], width[row], edge[row] * 2 + side[row]])]
    row = row[firsts(edge[row] * 2 + side[row])] if len(row) else row
    _report(graph, mains, edge[row], other[row], at[row], width[row], tolerance, findings)


def _near(
    graph: Graph, points: FloatArray, carrying: BoolArray, reach: float
) -> tuple[IntArray, IntArray]:
    """Return rows of points, and the edges with water that may lie within reach of them."""
    point, edge = lines_near(points, graph.xy, graph.offsets, reach=reach).T
    kept = carrying[edge]
    return point[kept], edge[kept]


def _missed(
    graph: Graph,
    edge: IntArray,
    other: IntArray,
    at: FloatArray,
    behind: FloatArray,
    reach: float,
) -> tuple[FloatArray, BoolArray]:
    """Return how far ends lie from other edges, m, infinite where they cross; and from how near.

    That is whether what lies behind them is within reach as well.
    """
    rows, index = np.unique(np.concatenate([edge, other]), return_inverse=True)
    lines = to_linestrings(*graph.drawn(rows))
    own, near = lines[index[: len(edge)]], lines[index[len(edge) :]]
    width: FloatArray = shapely.distance(shapely.points(at), near)
    alongside = shapely.distance(shapely.points(behind), near) <= reach
    return np.where(shapely.intersects(own, near), np.inf, width), alongside


def _comes_nearer(graph: Graph, edge: IntArray, behind: FloatArray, width: FloatArray) -> BoolArray:
    """Return which edges are farther from all others behind than at their ends, by `HAND`.

    ``behind`` are places on them, ``width`` is how far the ends lie from what they miss, m. Of
    all others, since it may be split on the way.
    """
    reach = HAND + float(width.max(initial=0.0))
    point, other = lines_near(behind, graph.xy, graph.offsets, reach=reach, ends=True).T
    foreign = other != edge[point]
    point, other = point[foreign], other[foreign]
    lines = to_linestrings(*graph.drawn(other))
    apart = shapely.distance(shapely.points(behind[point]), lines)
    nearer = np.ones(len(edge), dtype=bool)
    nearer[point[apart <= width[point] + HAND]] = False
    return nearer


def _report(
    graph: Graph,
    mains: Lines,
    edge: IntArray,
    other: IntArray,
    at: FloatArray,
    width: FloatArray,
    tolerance: float,
    findings: Findings,
) -> None:
    """Warn once of each pair; of two ends that face each other, the first by name is told."""
    names = mains.table["feature"].to_numpy(dtype=object).astype(str)
    one, two = names[graph.line[edge]], names[graph.line[other]]
    pair = np.sort(np.stack([edge, other], axis=1), axis=1)
    order = np.lexsort([one, np.round(width, 3), pair[:, 1], pair[:, 0]])
    key = pair[order, 0] * (len(graph) + 1) + pair[order, 1]
    row = order[firsts(key)] if len(order) else order
    findings.add_points(
        "warning",
        "end-not-joined",
        [
            f"the end of main {one[k]} lies {findings.length(width[k], 2)} from main {two[k]}, "
            + _why(width[k] <= tolerance, findings.length(tolerance, 2))
            for k in row
        ],
        layer="mains",
        features=one[row],
        xy=at[row],
    )


def _why(within: bool, tolerance: str) -> str:
    if within:
        return (
            f"within the snap tolerance of {tolerance}, but runs alongside it there: not joined, "
            "and taken as a dead end. Join them in the drawing if they do connect."
        )
    return (
        f"beyond the snap tolerance of {tolerance}: not joined, and taken as a dead end. Join them "
        "in the drawing, or raise network.snap_tolerance, if they do connect."
    )
