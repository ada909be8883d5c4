"""Runs: at every node the two like mains that turn least continue each other.

The continuity-stroke idea of the street-network literature (Thomson and Richardson 1999;
Thomson 2006), with the pipe trade's conditions: like diameter, a status that may be lined, a
turn within the limit. Chains are ordered by pointer doubling over columns of edge ends, so that
a city costs a few passes over arrays.

An edge end ``h`` is ``2 * edge`` (first vertex) or ``2 * edge + 1`` (last vertex). The same
number names the edge as entered by that end; it is left by ``h ^ 1``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.links import components
from geotools.network.noding import Graph
from geotools.network.places import Places, on_measures
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    line_lengths,
    measures,
    offsets_of,
    pairs_within,
    row_of,
    take,
)

__all__ = ["Chains", "build_chains", "pair_ends"]

ODD = 0.1234  # rad; headings are counted from a direction streets seldom have
LOOK = 5.0  # m over which a line's direction at a node is taken, so that noise does not decide


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
        Nodes where other mains meet the run: ``run``, ``chainage``, ``node``, ``others``.
    """

    xy: FloatArray
    offsets: IntArray
    pieces: pd.DataFrame
    connections: pd.DataFrame

    def __len__(self) -> int:
        return len(self.offsets) - 1


def build_chains(
    graph: Graph,
    *,
    eligible: BoolArray,
    diameter: FloatArray,
    rank: IntArray,
    diameter_tolerance: float,
    max_turn: float,
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
    """
    partner = pair_ends(
        graph,
        eligible=eligible,
        diameter=diameter,
        rank=rank,
        diameter_tolerance=diameter_tolerance,
        max_turn=max_turn,
    )
    _open_loops(graph, partner, eligible)
    darts, run = _ordered(graph, partner, eligible)
    return _assemble(graph, darts, run)


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

    def alike(a: IntArray, b: IntArray) -> BoolArray:
        da, db = diameter[a >> 1], diameter[b >> 1]
        like: BoolArray = np.abs(da - db) <= diameter_tolerance * np.maximum(da, db) + 1e-9
        return like

    simple = pairs_within(node, alive & (here[node] == 2))
    simple = simple[alike(simple[:, 0], simple[:, 1])]
    _join(partner, simple)
    busy = pairs_within(node, alive & (here[node] > 2))
    busy = busy[alike(busy[:, 0], busy[:, 1]) & (busy[:, 0] >> 1 != busy[:, 1] >> 1)]
    if len(busy):
        ends, index = np.unique(busy, return_inverse=True)
        outward = _directions(graph, partner, ends)[index.reshape(busy.shape)]
        turn = _turn(-outward[:, 0], outward[:, 1])
        ties = np.concatenate(
            [_headings(outward), np.sort(rank[busy >> 1], axis=1)[:, ::-1]], axis=1
        )
        _join(partner, _least_turning(busy, turn, node, ties, max_turn))
    return partner


def _join(partner: IntArray, pairs: IntArray) -> None:
    partner[pairs[:, 0]] = pairs[:, 1]
    partner[pairs[:, 1]] = pairs[:, 0]


def _directions(graph: Graph, partner: IntArray, ends: IntArray) -> FloatArray:
    """Return unit vectors from these ends into their lines, `LOOK` metres on.

    Where the edge is shorter the look goes on into the edge that continues it, so that it does
    not matter where a main happens to be split.
    """
    places = Places.of_offsets(graph.offsets, measures(graph.xy, graph.offsets))
    lengths = line_lengths(graph.xy, graph.offsets)
    origin = _end_xy(graph, ends)
    target = np.zeros_like(origin)
    at, left = ends.copy(), np.full(len(ends), LOOK)
    todo = np.arange(len(ends))
    for _ in range(64):
        edge = at[todo] >> 1
        reach = np.minimum(left[todo], lengths[edge])
        distance = np.where(at[todo] & 1, lengths[edge] - reach, reach)
        target[todo] = on_measures(graph.xy, places, edge, distance)
        left[todo] -= lengths[edge]
        onward = partner[at[todo] ^ 1]
        more = (left[todo] > 0) & (onward >= 0)
        todo = todo[more]
        at[todo] = onward[more]
        if not len(todo):
            break
    step = target - origin
    size = np.hypot(*step.T)
    return np.asarray(step / np.where(size > 0, size, 1.0)[:, None], dtype=np.float64)


def _end_xy(graph: Graph, ends: IntArray) -> FloatArray:
    edge = ends >> 1
    vertex = np.where(ends & 1, graph.offsets[edge + 1] - 1, graph.offsets[edge])
    return np.asarray(graph.xy[vertex], dtype=np.float64)


def _turn(before: FloatArray, after: FloatArray) -> FloatArray:
    """Return the angle between directions, rad, 0 to pi (by atan2: exact near straight)."""
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(np.abs(np.arctan2(cross, (before * after).sum(axis=1))), dtype=np.float64)


def _headings(outward: FloatArray) -> FloatArray:
    """Return the headings of pairs of directions, shape (k, 2), the greater first; breaks ties."""
    angle = np.arctan2(outward[..., 1], outward[..., 0])
    return np.round(np.sort(np.mod(angle + ODD, 2 * np.pi), axis=1)[:, ::-1], 6)


def _least_turning(
    pairs: IntArray, turn: FloatArray, node: IntArray, ties: FloatArray, max_turn: float
) -> IntArray:
    """Take at every node the pair that turns least, then the next among the ends left.

    ``ties``, shape (k, t), decides between equal turns, the last column first.
    """
    fit = turn <= max_turn
    pairs, turn = pairs[fit], turn[fit]
    where = node[pairs[:, 0]]
    order = np.lexsort([*ties[fit].T, np.round(turn, 9), where])
    pairs, where = pairs[order], where[order]
    taken = np.zeros(len(node), dtype=bool)
    chosen = [np.zeros((0, 2), dtype=np.int64)]
    while len(pairs):
        first = np.ones(len(pairs), dtype=bool)
        first[1:] = where[1:] != where[:-1]
        chosen.append(pairs[first])
        taken[pairs[first].ravel()] = True
        free = ~taken[pairs].any(axis=1)
        pairs, where = pairs[free], where[free]
    return np.concatenate(chosen)


def _roots(partner: IntArray, darts: IntArray) -> tuple[IntArray, IntArray]:
    """Return for every dart the first dart of its chain and its place after it.

    Darts on a loop get a root that is no first dart.
    """
    size = len(partner)
    before = np.arange(size, dtype=np.int64)
    joined = partner >= 0
    before[joined] = partner[joined] ^ 1
    place = joined.astype(np.int64)
    rounds = int(np.ceil(np.log2(max(len(darts), 2)))) + 1
    for _ in range(rounds):
        if not joined[before[darts]].any():
            break
        place = place + place[before]
        before = before[before]
    return before, place


def _open_loops(graph: Graph, partner: IntArray, eligible: BoolArray) -> None:
    """Cut every closed chain: at a node where other mains meet it, else at its westernmost node."""
    darts = np.flatnonzero(np.repeat(eligible, 2))
    root, _ = _roots(partner, darts)
    looped = darts[partner[root[darts]] >= 0]
    if not len(looped):
        return
    edges = looped >> 1
    links = np.stack([looped, partner[looped]], axis=1) >> 1
    label = components(links, len(graph))
    node = graph.ends.ravel()[looped]
    xy = np.round(graph.node_xy[node], 3)
    second = np.round(_start_key(graph, looped)[:, 2:], 3)
    quiet = graph.degrees()[node] <= 2
    order = np.lexsort([looped, *second.T[::-1], *xy.T[::-1], quiet, label[edges]])
    first = np.ones(len(order), dtype=bool)
    first[1:] = label[edges][order][1:] != label[edges][order][:-1]
    cut = looped[order][first]
    partner[partner[cut]] = -1
    partner[cut] = -1


def _ordered(graph: Graph, partner: IntArray, eligible: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the darts of every run in order, each run from its western end, and their run."""
    darts = np.flatnonzero(np.repeat(eligible, 2))
    root, place = _roots(partner, darts)
    order = darts[np.lexsort([place[darts], root[darts]])]
    final = np.ones(len(order), dtype=bool)
    final[:-1] = root[order][1:] != root[order][:-1]
    first, other = root[order[final]], order[final] ^ 1  # a chain seen from its two ends
    here, there = _start_key(graph, first), _start_key(graph, other)
    diff = np.round(here - there, 3)
    decisive = np.argmax(diff != 0, axis=1)
    lead = np.take_along_axis(diff, decisive[:, None], axis=1)[:, 0]
    chosen = first[np.where(lead != 0, lead < 0, first < other)]
    kept = np.isin(root[order], chosen)
    order = order[kept]
    run = np.unique(root[order], return_inverse=True)[1]
    return order, run.astype(np.int64)


def _start_key(graph: Graph, darts: IntArray) -> FloatArray:
    """Return x, y of the first and x, y of the second vertex met by these darts."""
    first = _end_xy(graph, darts)
    edge = darts >> 1
    second = np.where(darts & 1, graph.offsets[edge + 1] - 2, graph.offsets[edge] + 1)
    return np.concatenate([first, graph.xy[second]], axis=1)


def _assemble(graph: Graph, darts: IntArray, run: IntArray) -> Chains:
    edge, backwards = darts >> 1, (darts & 1).astype(bool)
    counts = np.diff(graph.offsets)[edge]
    vertices = take(graph.offsets, edge, backwards)
    runs = int(run.max(initial=-1)) + 1
    xy = graph.xy[vertices]
    per_run = np.bincount(run, counts, minlength=runs).astype(np.int64)
    offsets = offsets_of(per_run)
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
    keep = np.ones(len(xy), dtype=bool)
    keep[1:] = (along[1:] != along[:-1]) | (row_of(offsets)[1:] != row_of(offsets)[:-1])
    kept = np.bincount(row_of(offsets)[keep], minlength=runs).astype(np.int64)
    return Chains(xy[keep], offsets_of(kept), pieces, _connections(graph, darts, run, start, end))


def _connections(
    graph: Graph, darts: IntArray, run: IntArray, start: FloatArray, end: FloatArray
) -> pd.DataFrame:
    """Find the nodes along each run where ends of other mains meet it, one row a visit."""
    node = graph.ends.ravel()
    opens = np.ones(len(run), dtype=bool)
    opens[1:] = run[1:] != run[:-1]
    closes = np.append(opens[1:], True)[: len(run)]
    entered = start.copy()
    entered[1:] = np.where(opens[1:], start[1:], (end[:-1] + start[1:]) / 2)
    visits = pd.DataFrame(
        {
            "run": np.concatenate([run, run[closes]]),
            "chainage": np.concatenate([entered, end[closes]]),
            "node": np.concatenate([node[darts], node[darts[closes] ^ 1]]),
        }
    )
    nodes = len(graph.node_xy)
    own, ends_here = np.unique(
        np.concatenate([run * nodes + node[darts], run * nodes + node[darts ^ 1]]),
        return_counts=True,
    )
    visited = visits["node"].to_numpy(dtype=np.int64)
    mine = ends_here[np.searchsorted(own, visits["run"].to_numpy(dtype=np.int64) * nodes + visited)]
    visits["others"] = graph.degrees()[visited] - mine
    visits = visits[visits["others"] > 0].sort_values(["run", "chainage"], kind="stable")
    return visits.reset_index(drop=True)
