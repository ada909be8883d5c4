"""Runs: at every node the two like mains that turn least continue each other.

The continuity-stroke idea of the street-network literature (Thomson and Richardson 1999;
Thomson 2006), with the pipe trade's conditions: like diameter, a status that may be lined, a
turn within the limit. Chains are ordered by pointer doubling over columns of edge ends, so that
a city costs a few passes over arrays.

An edge end ``h`` is ``2 * edge`` (first vertex) or ``2 * edge + 1`` (last vertex). The same
number names the edge as entered by that end; it is left by ``h ^ 1``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from geotools.accel import columns_of, read_only, run_kernel
from geotools.links import components
from geotools.network.noding import Graph
from geotools.network.pieces import SAME_WAY, TOUCH
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    measures,
    offsets_of,
    pairs_within,
    spread_out,
    take,
)

__all__ = ["Chains", "alike", "build_chains", "on_edges", "pair_ends"]

ODD = 0.1234  # rad; headings are counted from a direction streets seldom have
LOOK = 5.0  # m over which a line's direction at a node is taken, so that noise does not decide
STITCH = 2 * TOUCH  # m; a piece no longer, from a node to the same one, is no loop
FARTHEST = 64  # edges looked into for it
SURE = 1e-9  # by cosines a turn that is larger by so much is too large for certain


@dataclass(frozen=True)
class Chains:
    """Runs as drawn, before they get names.

    Attributes
    ----------
    xy, offsets : ndarray
        Axis of every run; gaps between mains are bridged by straight steps.
    pieces : DataFrame
        Stretches of mains in order along each run: ``run``, ``edge``, ``line``, ``reversed``,
        ``start`` and ``end`` (chainage, m), ``line_start`` and ``line_end`` (distance along
        the main as drawn, m, at those chainages).
    connections : DataFrame
        Visits of the run to nodes where other mains in service meet it, or it meets itself
        again: ``run``, ``chainage``, ``node``, ``others`` (ends there that are not of the visit).
    closed : ndarray of bool
        Runs that close on themselves and were cut open, as `build_chains` tells them; else empty.
    """

    xy: FloatArray
    offsets: IntArray
    pieces: pd.DataFrame
    connections: pd.DataFrame
    closed: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def __len__(self) -> int:
        return len(self.offsets) - 1


def alike(one: Any, other: Any, tolerance: float) -> Any:
    """Return whether diameters, m, differ by no more than a share of the larger.

    For arrays, and for single ones in a kernel.
    """
    gap = abs(one - other)
    return gap <= tolerance * (one + other + gap) / 2.0 + 1e-9  # the larger is half of the three


def on_edges(graph: Graph, pieces: pd.DataFrame) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the edge of every piece and where on it the piece starts and ends, m."""
    edge = pieces["edge"].to_numpy(dtype=np.int64)
    both = pieces[["line_start", "line_end"]].to_numpy(dtype=float)
    both = np.sort(both - graph.start[edge][:, None], axis=1)
    return edge, both[:, 0], both[:, 1]


def build_chains(
    graph: Graph,
    *,
    eligible: BoolArray,
    diameter: FloatArray,
    rank: IntArray,
    diameter_tolerance: float,
    max_turn: float,
    carrying: BoolArray | None = None,
) -> Chains:
    """Chain the eligible edges of a network into runs.

    Parameters
    ----------
    graph : Graph
        The noded mains; all of them, since the others are what runs connect to.
    eligible : ndarray of bool, shape (n,)
        Edges that may be lined.
    diameter : ndarray, shape (n,)
        Nominal diameter of every edge, m.
    rank : ndarray of int64, shape (n,)
        Order of the edges' mains by identifier; settles ties whatever the feature order.
    diameter_tolerance : float
        Share by which diameters of one run may differ.
    max_turn : float
        Largest deflection, rad, at which one main of several continues another.
    carrying : ndarray of bool, shape (n,), optional
        Edges that connect to the runs they meet, the eligible ones among them; all if left out.
    """
    meeting = _ends_at(graph, carrying)
    partner = pair_ends(
        graph,
        eligible=eligible,
        diameter=diameter,
        rank=rank,
        diameter_tolerance=diameter_tolerance,
        max_turn=max_turn,
    )
    darts, run = _ordered(graph, partner, eligible)
    looped = np.zeros(0, dtype=np.int64)
    if len(darts) < eligible.sum():
        looped = np.setdiff1d(np.flatnonzero(eligible), darts >> 1)
        _open_loops(graph, partner, looped, meeting)
        darts, run = _ordered(graph, partner, eligible)
    closed = np.bincount(run, np.isin(darts >> 1, looped)) > 0
    return _assemble(graph, darts, run, meeting, closed)


def _ends_at(graph: Graph, carrying: BoolArray | None) -> IntArray:
    """Return how many ends of edges that connect there are at every node."""
    counted = ~_stitches(graph) if carrying is None else carrying & ~_stitches(graph)
    ends = graph.ends[counted].ravel()
    return np.bincount(ends, minlength=len(graph.node_xy)).astype(np.int64)


def _stitches(graph: Graph) -> BoolArray:
    """Return which edges lie within their one node: they lead nowhere."""
    return np.asarray(
        (graph.ends[:, 0] == graph.ends[:, 1]) & (graph.end - graph.start <= STITCH),
        dtype=np.bool_,
    )


def pair_ends(
    graph: Graph,
    *,
    eligible: BoolArray,
    diameter: FloatArray,
    rank: IntArray,
    diameter_tolerance: float,
    max_turn: float,
) -> IntArray:
    """Return for every edge end the end it continues into, or -1; parameters as `build_chains`."""
    node = graph.ends.ravel()
    alive = np.repeat(eligible, 2)
    here = np.bincount(node[alive], minlength=len(graph.node_xy))
    partner = np.full(len(node), -1, dtype=np.int64)

    simple = pairs_within(node, alive & (here[node] == 2))
    one, other = diameter[simple >> 1].T
    simple = simple[alike(one, other, diameter_tolerance)]
    _join(partner, simple)
    busy = np.flatnonzero(alive & (here[node] > 2))
    busy = busy[np.argsort(node[busy], kind="stable")]
    if len(busy):
        sizes = diameter[busy >> 1]  # beside each other, as a kernel reads them best
        like = (read_only(sizes), read_only(rank), diameter_tolerance, max_turn + SAME_WAY)
        groups = offsets_of(np.unique(node[busy], return_counts=True)[1])
        around = read_only(busy), read_only(groups)
        run_kernel(
            _join_least,
            float(np.square(np.diff(groups)).sum()),
            around,
            _outward(graph, partner, busy),
            like,
            np.full(len(busy), np.inf),
            np.full(len(busy), -1, dtype=np.int64),
            partner,
        )
    return partner


def _join(partner: IntArray, pairs: IntArray) -> None:
    partner[pairs[:, 0]] = pairs[:, 1]
    partner[pairs[:, 1]] = pairs[:, 0]


def _outward(graph: Graph, partner: IntArray, ends: IntArray) -> tuple[FloatArray, ...]:
    """Return unit vectors from these ends into their lines, `LOOK` metres on, and their headings.

    Where the edge is shorter the look goes on into the edge that continues it, so that it does
    not matter where a main happens to be split.
    """
    across, up = np.zeros(len(ends)), np.zeros(len(ends))
    lines = (*columns_of(graph.xy), read_only(graph.offsets))
    run_kernel(_look, 10 * len(ends), read_only(ends), read_only(partner), lines, across, up)
    heading = np.round(np.mod(np.arctan2(up, across) + ODD, 2 * np.pi), 6)
    return read_only(across), read_only(up), read_only(heading)


def _look(ends, partner, lines, across, up):  # type: ignore[no-untyped-def]  # a kernel
    """Write the direction of each end; see `_outward`."""
    x, y, offsets = lines
    for k in range(len(ends)):
        at = ends[k]
        v = offsets[at >> 1] if at % 2 == 0 else offsets[(at >> 1) + 1] - 1
        origin_x, origin_y = x[v], y[v]
        to_x, to_y = origin_x, origin_y
        left = LOOK
        for _ in range(FARTHEST):
            first, last = offsets[at >> 1], offsets[(at >> 1) + 1] - 1
            v, stop, step = (first, last, 1) if at % 2 == 0 else (last, first, -1)
            while v != stop and left > 0.0:
                dx, dy = x[v + step] - x[v], y[v + step] - y[v]
                size = math.hypot(dx, dy)
                share = left / size if size > left else 1.0
                to_x, to_y = x[v] + share * dx, y[v] + share * dy
                left -= size
                v += step
            if left <= 0.0 or partner[at ^ 1] < 0:
                break
            at = partner[at ^ 1]
        dx, dy = to_x - origin_x, to_y - origin_y
        size = math.hypot(dx, dy)
        if size > 0.0:
            across[k] = dx / size
            up[k] = dy / size


def _end_xy(graph: Graph, ends: IntArray) -> FloatArray:
    edge = ends >> 1
    vertex = np.where(ends & 1, graph.offsets[edge + 1] - 1, graph.offsets[edge])
    return np.asarray(graph.xy[vertex], dtype=np.float64)


def _join_least(around, outward, like, turns, near, partner):  # type: ignore[no-untyped-def]  # a kernel
    """Join at every node the two ends that turn least, then the next among the ends left.

    Equal turns are decided by the identifiers of the mains, then by their headings, then by the
    order of the ends. ``near`` takes the end before each that it had best be joined to, and
    ``turns`` how much it turns: where thousands meet, few of them lose it to another.
    """
    ends, groups = around
    for group in range(len(groups) - 1):
        low, high = groups[group], groups[group + 1]
        for b in range(low + 1, high):
            near[b], turns[b] = _best_before(low, b, ends, outward, like, partner)
        for _ in range((high - low) // 2):
            best, least = -1, math.inf
            for b in range(low + 1, high):
                if near[b] < 0 or partner[ends[b]] >= 0:
                    continue
                if partner[ends[near[b]]] >= 0:
                    near[b], turns[b] = _best_before(low, b, ends, outward, like, partner)
                    if near[b] < 0:
                        continue
                if turns[b] < least or (
                    turns[b] == least
                    and _tie_key(near[b], b, ends, outward, like)
                    < _tie_key(near[best], best, ends, outward, like)
                ):
                    best, least = b, turns[b]
            if best < 0:
                break
            one, other = ends[near[best]], ends[best]
            partner[one], partner[other] = other, one


def _best_before(
    low: int, b: int, ends: Any, outward: Any, like: Any, partner: Any
) -> tuple[int, float]:
    """Return the free end, from ``low`` on, that an end after it is best joined to, or -1.

    And how much it turns there; see `_turn`.
    """
    best, least = -1, math.inf
    for back in range(1, b - low + 1):
        if partner[ends[b - back]] < 0:
            turn = _turn(b - back, b, ends, outward, like)
            if turn < least or (
                turn == least
                and best >= 0
                and _tie_key(b - back, b, ends, outward, like)
                < _tie_key(best, b, ends, outward, like)
            ):
                best, least = b - back, turn
    return best, least


def _turn(a: int, b: int, ends: Any, outward: Any, like: Any) -> float:
    """Return by how much two ends turn, in 1e-9 rad, infinite where they may not be joined.

    The turn is taken by atan2, which is exact near straight.
    """
    across, up, _ = outward
    diameter, _, tolerance, max_turn = like
    # one by one, and in this order: otherwise the compiled kernel takes five times as long
    if not alike(diameter[a], diameter[b], tolerance):
        return math.inf
    if ends[a] >> 1 == ends[b] >> 1:
        return math.inf
    cross = up[a] * across[b] - across[a] * up[b]
    # from nought: a piece of no length has no direction, and turns nothing
    along = 0.0 - across[a] * across[b] - up[a] * up[b]
    if along < math.cos(min(max_turn, math.pi)) - SURE and cross != 0.0:
        return math.inf
    turn = abs(math.atan2(cross, along))
    return math.inf if turn > max_turn else float(round(turn * 1e9))


def _tie_key(
    a: int, b: int, ends: Any, outward: Any, like: Any
) -> tuple[float, float, float, float, float]:
    """Return what two ends are ranked by among those that turn the same."""
    _, _, heading = outward
    _, rank, _, _ = like
    p, q = rank[ends[a] >> 1], rank[ends[b] >> 1]
    return (
        float(min(p, q)),
        float(max(p, q)),
        min(heading[a], heading[b]),
        max(heading[a], heading[b]),
        float(b - a),
    )


def _open_loops(graph: Graph, partner: IntArray, edges: IntArray, meeting: IntArray) -> None:
    """Cut the closed chains of these edges: where other mains meet one, else at its western end.

    ``meeting`` as of `_ends_at`.
    """
    looped = np.stack([2 * edges, 2 * edges + 1], axis=1).ravel()
    links = np.stack([looped, partner[looped]], axis=1) >> 1
    label = components(links, len(graph))[looped >> 1]
    node = graph.ends.ravel()[looped]
    xy = np.round(graph.node_xy[node], 3)
    second = np.round(_start_key(graph, looped)[:, 2:], 3)
    quiet = meeting[node] <= 2
    order = np.lexsort([looped, *second.T[::-1], *xy.T[::-1], quiet, label])
    cut = looped[order][firsts(label[order])]
    partner[partner[cut]] = -1
    partner[cut] = -1


def _ordered(graph: Graph, partner: IntArray, eligible: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the darts of every run in order, each run from its western end, and their run.

    What closes on itself is left out.
    """
    starts = np.flatnonzero(np.repeat(eligible, 2) & (partner < 0))
    keys = columns_of(_start_key(graph, starts))
    place = np.zeros(len(partner), dtype=np.int64)
    place[starts] = np.arange(len(starts))
    darts, run = (np.zeros(int(eligible.sum()), dtype=np.int64) for _ in range(2))
    number = np.zeros(1, dtype=np.int64)
    inputs = (read_only(starts), read_only(place), read_only(partner))
    run_kernel(_walk, 4 * len(darts), inputs, keys, (darts, run, number))
    return darts[: number[0]], run[: number[0]]


def _walk(chains, keys, found):  # type: ignore[no-untyped-def]  # a kernel
    """Walk each chain from both its ends, and write it from the one that comes first."""
    starts, place, partner = chains
    darts, run, number = found
    runs = 0
    for k in range(len(starts)):
        dart = starts[k]
        while partner[dart ^ 1] >= 0:
            dart = partner[dart ^ 1]
        other = place[dart ^ 1]
        lead = 0
        for key in keys:
            if lead == 0:
                lead = round((key[k] - key[other]) * 1e3)
        if lead > 0 or (lead == 0 and k > other):
            continue
        dart = starts[k]
        while dart >= 0:
            darts[number[0]] = dart
            run[number[0]] = runs
            number[0] += 1
            dart = partner[dart ^ 1]
        runs += 1


def _start_key(graph: Graph, darts: IntArray) -> FloatArray:
    """Return x, y of the first and x, y of the second vertex met by these darts."""
    first = _end_xy(graph, darts)
    edge = darts >> 1
    second = np.where(darts & 1, graph.offsets[edge + 1] - 2, graph.offsets[edge] + 1)
    return np.concatenate([first, graph.xy[second]], axis=1)


def _assemble(
    graph: Graph, darts: IntArray, run: IntArray, meeting: IntArray, closed: BoolArray
) -> Chains:
    edge, backwards = darts >> 1, (darts & 1).astype(bool)
    counts = np.diff(graph.offsets)[edge]
    runs = int(run.max(initial=-1)) + 1
    xy = np.take(graph.xy, take(graph.offsets, edge, backwards), axis=0)
    offsets = offsets_of(np.bincount(run, counts, minlength=runs).astype(np.int64))
    along = measures(xy, offsets) if len(xy) else np.zeros(0)
    bounds = offsets_of(counts)
    start, end = along[bounds[:-1]], along[bounds[1:] - 1]
    first, last = graph.start[edge], graph.end[edge]
    pieces = pd.DataFrame(
        {
            "run": run,
            "edge": edge,
            "line": graph.line[edge],
            "reversed": backwards,
            "start": start,
            "end": end,
            "line_start": np.where(backwards, last, first),
            "line_end": np.where(backwards, first, last),
        }
    )
    keep = firsts(along)
    keep[offsets[:-1]] = True
    kept = offsets_of(keep.astype(np.int64))[offsets]
    leads = ~_stitches(graph)[edge]
    met = _connections(graph, darts[leads], run[leads], start[leads], end[leads], meeting, closed)
    return Chains(xy[keep], kept, pieces, met, closed)


def _connections(
    graph: Graph,
    darts: IntArray,
    run: IntArray,
    start: FloatArray,
    end: FloatArray,
    meeting: IntArray,
    closed: BoolArray,
) -> pd.DataFrame:
    """Find the nodes along each run where other ends of mains meet it, one row a visit.

    Others are all ends there but those the visit itself passes by: two, and one at an end of the
    run. So a run that comes back onto itself meets itself, as it would another. A run that is
    ``closed`` passes from its end on to its start. ``meeting`` as of `_ends_at`.
    """
    node = graph.ends.ravel()
    opens = firsts(run)
    closes = np.append(opens[1:], True)[: len(run)]
    entered = start.copy()
    entered[1:] = np.where(opens[1:], start[1:], (end[:-1] + start[1:]) / 2)
    # every piece is entered once; behind the last of a run comes the end of the run
    row, out = spread_out(1 + closes.astype(np.int64))
    left = out == 1
    visited = np.where(left, node[darts[row] ^ 1], node[darts[row]])
    own = np.where((left | opens[row]) & ~closed[run[row]], 1, 2)
    visits = pd.DataFrame(
        {
            "run": run[row],
            "chainage": np.where(left, end[row], entered[row]),
            "node": visited,
            "others": meeting[visited] - own,
        }
    )
    return visits[visits["others"].to_numpy() > 0].reset_index(drop=True)
