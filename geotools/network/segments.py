"""Segments: the parts of a network that valves shut in together, and what is cut off beyond them.

A segment is the set of mains and nodes that lose water together when the valves around them are
closed; a valve stands on a main and protects one side of it from the other (Walski 1993,
Reliability Engineering and System Safety 42, from memory; Jun 2005). Here every edge is cut at its
valves into *links*; a link hangs on the node at its end of the edge, a valve stands between two
links, and segments are the connected components. A segment shut in can cut off others that are
not shut in themselves, where every way from a source leads through it.

The graph's vertices are the nodes, ``0 .. m - 1``, and after them the links.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.accel import read_only, run_kernel
from geotools.links import components
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, row_of

__all__ = [
    "Links",
    "Segments",
    "build_segments",
    "cut_off",
    "fed_segments",
    "joined_segments",
    "split_edges",
]


@dataclass(frozen=True)
class Links:
    """Edges cut at their valves.

    Attributes
    ----------
    offsets : ndarray of int64, shape (n + 1,)
        Links of each edge, in order along it.
    edge : ndarray of int64, shape (l,)
    low, high : ndarray, shape (l,)
        Where each link starts and ends along its edge, m.
    before : ndarray of int64, shape (v,)
        For each valve the link before it; the one after it is ``before + 1``.
    """

    offsets: IntArray
    edge: IntArray
    low: FloatArray
    high: FloatArray
    before: IntArray

    def __len__(self) -> int:
        return len(self.edge)


def split_edges(lengths: FloatArray, *, valve_edge: IntArray, valve_at: FloatArray) -> Links:
    """Cut edges at valves.

    Parameters
    ----------
    lengths : ndarray, shape (n,)
        Length of every edge, m.
    valve_edge : ndarray of int64, shape (v,)
    valve_at : ndarray, shape (v,)
        Place of each valve along its edge, m. A valve at 0 or at the length protects the node
        there; the link between them has no length.
    """
    edges = len(lengths)
    offsets = offsets_of(_counts(valve_edge, edges) + 1)
    order = np.lexsort([valve_at, valve_edge])
    before = np.empty(len(order), dtype=np.int64)
    before[order] = np.arange(len(order)) + valve_edge[order]
    edge = row_of(offsets)
    low, high = np.zeros(len(edge)), lengths[edge].astype(float)
    low[before + 1] = high[before] = valve_at
    return Links(offsets, edge, low, high, before)


@dataclass(frozen=True)
class Segments:
    """Which segment every node and link is in.

    Attributes
    ----------
    count : int
    node : ndarray of int64, shape (m,)
    link : ndarray of int64, shape (l,)
    sides : ndarray of int64, shape (v, 2)
        Segments before and after each valve; equal where it separates nothing.
    """

    count: int
    node: IntArray
    link: IntArray
    sides: IntArray


def build_segments(
    ends: IntArray, links: Links, *, nodes: int, carrying: BoolArray, separates: BoolArray
) -> Segments:
    """Gather nodes and links into segments.

    Parameters
    ----------
    ends : ndarray of int64, shape (n, 2)
        Nodes at the ends of every edge.
    links : Links
    nodes : int
    carrying : ndarray of bool, shape (n,)
        Edges that carry water; the others join nothing.
    separates : ndarray of bool, shape (v,)
        Valves that are or can be closed; the others are as good as not there.
    """
    first, last = nodes + links.offsets[:-1], nodes + links.offsets[1:] - 1
    through = nodes + links.before[~separates]
    contacts = np.concatenate(
        [
            np.stack([ends[carrying, 0], first[carrying]], axis=1),
            np.stack([ends[carrying, 1], last[carrying]], axis=1),
            np.stack([through, through + 1], axis=1),
        ]
    )
    label = components(contacts, nodes + len(links))
    link = label[nodes:]
    sides = np.stack([link[links.before], link[links.before + 1]], axis=1)
    return Segments(int(label.max(initial=-1)) + 1, label[:nodes], link, sides)


def joined_segments(count: int, ways: IntArray) -> IntArray:
    """Return the part of the network each segment is in; ``ways`` as in `fed_segments`."""
    return components(ways, count)


def fed_segments(count: int, ways: IntArray, sources: IntArray) -> BoolArray:
    """Return which segments a source reaches.

    Parameters
    ----------
    count : int
        Number of segments.
    ways : ndarray of int64, shape (w, 2)
        Segments joined by open valves.
    sources : ndarray of int64
        Segments that hold a source.
    """
    from_root = np.stack([np.full(len(sources), count), sources], axis=1)
    label = components(np.concatenate([ways, from_root]), count + 1)
    return np.asarray(label[:count] == label[count], dtype=bool)


def cut_off(
    ways: IntArray,
    sources: IntArray,
    *,
    shut: IntArray,
    offsets: IntArray,
    weights: FloatArray,
) -> FloatArray:
    """Return what each shutdown cuts off from every source though it is not shut in.

    Every shutdown is taken by itself. What has no way to a source before it does not count.
    From all neighbours of what is shut in, the search goes on in step, one segment each in
    turn, until all but one part are walked to their end: the effort is that of the smaller
    parts, not of the network.

    Parameters
    ----------
    ways : ndarray of int64, shape (w, 2)
        Segments joined by open valves.
    sources : ndarray of int64
        Segments that hold a source.
    shut, offsets : ndarray of int64, shapes (k,) and (r + 1,)
        Segments shut in by each of r shutdowns.
    weights : ndarray, shape (count, c)
        Quantities of every segment, such as its length.

    Returns
    -------
    ndarray, shape (r, c)
        The quantities summed over the segments cut off.
    """
    count, columns = weights.shape
    runs = len(offsets) - 1
    fed = fed_segments(count, ways, sources)
    inside = fed[shut]
    run, shut = row_of(offsets)[inside], shut[inside]
    to_root = np.stack([np.full(len(sources), count), sources], axis=1)
    joined = ways[fed[ways].all(axis=1) & (ways[:, 0] != ways[:, 1])]
    near_offsets, near = _neighbours(np.concatenate([joined, to_root]), count + 1)
    weight = np.zeros((count + 1, columns + 1))
    weight[:count, :columns] = weights
    weight[count, columns] = 1.0  # the root, which stands for all sources
    walked = np.zeros((runs, columns + 1))
    inputs = (near_offsets, near, offsets_of(_counts(run, runs)), shut, weight.ravel())
    states = [np.full(count + 1, -1, dtype=np.int64) for _ in range(6)]
    sums, out = np.zeros(weight.size), walked.ravel()
    steps = float(len(near) + 100 * len(shut))
    run_kernel(_walk, steps, *map(read_only, inputs), columns + 1, *states, sums, out)
    dry = np.stack([np.bincount(run, weights[shut, c], runs) for c in range(columns)], axis=1)
    beyond = weights[fed].sum(axis=0) - dry - walked[:, :columns]
    return np.where(walked[:, columns:] > 0, beyond, walked[:, :columns])


def _counts(row: IntArray, rows: int) -> IntArray:
    return np.bincount(row, minlength=rows).astype(np.int64)


def _neighbours(ways: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Return offsets and neighbours of every vertex, each neighbour once."""
    a, b = np.concatenate([ways, ways[:, ::-1]]).T
    vertex, near = np.divmod(np.unique(a * count + b), count)
    return offsets_of(_counts(vertex, count)), near


def _walk(  # type: ignore[no-untyped-def]  # a kernel: lists or arrays
    near_offsets, near, shut_offsets, shut, weight, columns, mark, parent, after, head, tail, ring,
    sums, out,
):  # fmt: skip
    """Walk on in step from the neighbours of each shutdown; see `cut_off`.

    Parts of the walk have a queue each (``head``, ``tail``, ``after``), and where they meet one
    ``parent``. ``mark`` is twice the run where shut in, one more where walked.
    """
    for run in range(len(shut_offsets) - 1):
        dry = 2 * run
        for k in range(shut_offsets[run], shut_offsets[run + 1]):
            mark[shut[k]] = dry
        alive = turn = 0
        for k in range(shut_offsets[run], shut_offsets[run + 1]):
            for j in range(near_offsets[shut[k]], near_offsets[shut[k] + 1]):
                u = near[j]
                if mark[u] < dry:
                    mark[u], after[u] = dry + 1, -1
                    parent[u] = head[u] = tail[u] = ring[alive] = u
                    sums[u * columns : (u + 1) * columns] = weight[u * columns : (u + 1) * columns]
                    alive += 1
        waiting = alive
        while alive > 1:
            turn = turn % waiting
            g = ring[turn]
            if parent[g] != g or head[g] < 0:
                if parent[g] == g:  # walked to its end; of the root's part, only that is told
                    rooted = sums[g * columns + columns - 1] > 0
                    for c in range(columns):
                        before = 0.0 if rooted else out[run * columns + c]
                        out[run * columns + c] = before + sums[g * columns + c]
                    if rooted:
                        break
                    alive -= 1
                waiting -= 1
                ring[turn] = ring[waiting]
                continue
            v, head[g] = head[g], after[head[g]]
            for j in range(near_offsets[v], near_offsets[v + 1]):
                u = near[j]
                if mark[u] == dry:
                    continue
                if mark[u] < dry:
                    mark[u], after[u] = dry + 1, -1
                    parent[u] = head[u] = tail[u] = u
                    sums[u * columns : (u + 1) * columns] = weight[u * columns : (u + 1) * columns]
                    alive += 1
                while parent[u] != u:
                    parent[u] = parent[parent[u]]
                    u = parent[u]
                if u != g:
                    parent[u] = g
                    alive -= 1
                    for c in range(columns):
                        sums[g * columns + c] += sums[u * columns + c]
                    after[tail[g]] = head[u]
                    head[g] = head[u] if head[g] < 0 else head[g]
                    tail[g] = tail[u]
            turn += 1
