"""Ahead: which mains that leave a run meet a valve near it on every way they lead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.noding import TOUCH
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, members_of
from geotools.network.supply import Supply

__all__ = ["Leaving", "without_valve"]


@dataclass(frozen=True)
class Leaving:
    """Mains that leave runs; arrays of shape (b,).

    Attributes
    ----------
    run, edge : ndarray of int64
    at : ndarray
        Where on the edge it leaves the run, m.
    up : ndarray of bool
        Whether it goes towards the last vertex of the edge.
    """

    run: IntArray
    edge: IntArray
    at: FloatArray
    up: BoolArray

    def __len__(self) -> int:
        return len(self.run)


@dataclass(frozen=True)
class _Reached:
    """Nodes that mains lead to without a valve: main, node, how far, m; sorted by ``key``."""

    main: IntArray
    node: IntArray
    far: FloatArray
    nodes: int

    @property
    def key(self) -> IntArray:
        return self.main * self.nodes + self.node

    def to(self, main: IntArray, node: IntArray) -> FloatArray:
        """Return how far from the run mains reach nodes, m, infinite where they do not."""
        if not len(self.main):
            return np.full(len(main), np.inf)
        wanted = main * self.nodes + node
        row = np.searchsorted(self.key, wanted).clip(max=len(self.main) - 1)
        return np.where(self.key[row] == wanted, self.far[row], np.inf)

    def nearest(self, main: IntArray, node: IntArray, far: FloatArray) -> _Reached:
        """Return these and others, the nearest of each."""
        main, node = np.concatenate([self.main, main]), np.concatenate([self.node, node])
        far = np.concatenate([self.far, far])
        order = np.lexsort([far, node, main])
        row = order[firsts(main[order], node[order])]
        return _Reached(main[row], node[row], far[row], self.nodes)


@dataclass(frozen=True)
class _Ways:
    """Ways on from nodes reached: whose they are, by which edge end, to where.

    ``far`` is how far from the run the way begins, ``valve`` its first valve, ``size`` how long
    the edge is, m.
    """

    main: IntArray
    node: IntArray
    far: FloatArray
    valve: FloatArray
    size: FloatArray


def without_valve(supply: Supply, leaving: Leaving, own: IntArray, *, reach: float) -> BoolArray:
    """Return which mains meet no valve within reach of the run on some way they lead.

    They are followed through the network: past the nodes they come to, along every main there. A
    way that ends, or comes back to the run, needs no valve if another way has one.

    Parameters
    ----------
    supply : Supply
    leaving : Leaving
    own : ndarray of int64
        Nodes of the runs: run times the number of nodes, plus node.
    reach : float
        m
    """
    size = supply.graph.end - supply.graph.start
    gap = supply.valve_ahead(leaving.edge, leaving.at, leaving.up)
    rest = np.where(leaving.up, size[leaving.edge] - leaving.at, leaving.at)
    valved = gap <= reach
    bare = ~valved & (rest > reach)
    on = np.flatnonzero(~valved & ~bare)
    node = supply.graph.ends[leaving.edge[on], leaving.up[on].astype(np.int64)]
    reached, ways = _followed(supply, leaving, own, (on, node, rest[on]), reach)
    near = ways.far + ways.valve <= reach
    valved[ways.main[near]] = True
    back = np.isin(leaving.run[ways.main] * len(supply.graph.node_xy) + ways.node, own)
    other = np.where(back, 0.0, reached.to(ways.main, ways.node))
    around = (ways.far + ways.size + other) / 2 <= reach  # no place of it is farther away
    ended = ways.far + ways.size <= reach
    bare[ways.main[~near & ~around & ~ended]] = True
    return np.asarray(bare | ~valved, dtype=np.bool_)


def _followed(
    supply: Supply,
    leaving: Leaving,
    own: IntArray,
    first: tuple[IntArray, IntArray, FloatArray],
    reach: float,
) -> tuple[_Reached, _Ways]:
    """Follow mains from the nodes they come to first; return all nodes, and the ways from them."""
    count = len(supply.graph.node_xy)
    none = np.zeros(0, dtype=np.int64)
    reached, further = _Reached(none, none, np.zeros(0), count), first
    while True:
        main, node, far = further
        off = ~np.isin(leaving.run[main] * count + node, own)
        before, reached = reached, reached.nearest(main[off], node[off], far[off])
        ways = _ways_on(supply, leaving, reached)
        if len(before.main) == len(reached.main) and (before.far == reached.far).all():
            return reached, ways
        through = np.isinf(ways.valve) & (ways.far + ways.size <= reach)
        further = ways.main[through], ways.node[through], (ways.far + ways.size)[through]


def _ways_on(supply: Supply, leaving: Leaving, reached: _Reached) -> _Ways:
    """Return the mains in service at nodes reached, but those by which the run was left."""
    graph, size = supply.graph, supply.graph.end - supply.graph.start
    wanted = np.zeros(len(graph.node_xy), dtype=bool)
    wanted[reached.node] = True
    ends = np.flatnonzero(wanted[graph.ends.ravel()] & np.repeat(supply.carrying, 2))
    row, hit = members_of(reached.node, graph.ends.ravel()[ends], len(graph.node_xy))
    end = ends[hit]
    other = end >> 1 != leaving.edge[reached.main[row]]
    row, end = row[other], end[other]
    edge, up = end >> 1, end & 1 == 0
    at = np.where(up, 0.0, size[edge])
    return _Ways(
        reached.main[row],
        graph.ends.ravel()[end ^ 1],
        reached.far[row],
        supply.valve_ahead(edge, at, up, beyond=-TOUCH),
        size[edge],
    )
