"""Arms of intersections: the stretches of street that leave a node, and which way traffic flows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geotools.network.pieces import SAME_WAY, TOUCH
from geotools.network.places import Places, on_measures
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    members_of,
    rows_of,
    spread_out,
)
from geotools.street.net import StreetNet

__all__ = ["NODE", "Arms", "Nodes", "flow_changes", "flows", "nodes_of", "turns_between"]

LOOK = 5.0  # m over which a street's direction at a node is taken, as where streets are chained
NODE = 1.0  # m; visits of a chain to a node that lie no farther apart are one


@dataclass(frozen=True)
class Arms:
    """Stretches of street that leave nodes; arrays of shape (k,), sorted by node.

    Attributes
    ----------
    node, chain : ndarray of int64
    at : ndarray
        Chainage of the node, m; of rings that of the middle lap.
    step : ndarray
        1 where the arm goes on along its chain, -1 where back along it.
    line : ndarray of int64
        Row of the table of streets.
    flow : ndarray
        1 where all traffic goes away from the node, -1 where towards it, 0 both ways.
    heading : ndarray, shape (k, 2)
        Unit vector away from the node.
    """

    node: IntArray
    chain: IntArray
    at: FloatArray
    step: FloatArray
    line: IntArray
    flow: FloatArray
    heading: FloatArray

    def rows(self, rows: IntArray | BoolArray) -> Arms:
        """Return some of them."""
        return rows_of(self, rows)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Nodes:
    """The intersections of streets: arms by node, and visits of chains to them.

    Attributes
    ----------
    net : StreetNet
    arms : Arms
    visits : Places
        Chainages of the visits, sorted by chain.
    node : ndarray of int64
        Node of every visit.
    """

    net: StreetNet
    arms: Arms
    visits: Places
    node: IntArray

    @cached_property
    def chain(self) -> IntArray:
        """Return the chain of every visit."""
        counts = np.diff(self.visits.offsets)
        return np.repeat(np.arange(len(counts)), counts)

    def between(self, chain: IntArray, low: FloatArray, high: FloatArray) -> tuple[IntArray, ...]:
        """Return the visits within stretches of chains, ends included: row of each, and visit."""
        first = self.visits.search(chain, low - TOUCH, "left")
        last = self.visits.search(chain, high + TOUCH, "right")
        row, place = spread_out(np.maximum(last - first, 0))
        return row, first[row] + place

    def others(self, visit: IntArray) -> tuple[IntArray, IntArray]:
        """Return the arms at visits that are none of their own: row of the visit, and arm."""
        row, arm = members_of(self.node[visit], self.arms.node, self._count)
        other = ~self.own(visit[row], arm)
        return row[other], arm[other]

    def own(self, visit: IntArray, arm: IntArray) -> BoolArray:
        """Return whether arms are of the chains of visits, at the place of the visit."""
        chain, at = self.chain[visit], self.visits.at[visit]
        lap = self.net.lap[chain]
        gap = np.abs(at - self.arms.at[arm])
        turn = np.where(np.isfinite(lap), lap, 1.0)
        gap = np.where(np.isfinite(lap), np.abs(gap - np.round(gap / turn) * turn), gap)
        return np.asarray((self.arms.chain[arm] == chain) & (gap <= NODE), dtype=np.bool_)

    def straight_on(self, max_turn: float) -> BoolArray:
        """Return the visits at which another street goes on straight from the chain, or into it."""
        visit = np.arange(len(self.node))
        row, arm = members_of(self.node, self.arms.node, self._count)
        mine = self.own(visit[row], arm)
        at, first, second = _pairs(row[mine], arm[mine], row[~mine], arm[~mine])
        turn = turns_between(self.arms.heading[first], self.arms.heading[second])
        out = np.zeros(len(visit), dtype=bool)
        out[at[np.abs(turn) <= max_turn + SAME_WAY]] = True
        return out

    @cached_property
    def _count(self) -> int:
        return int(max(self.arms.node.max(initial=-1), self.node.max(initial=-1))) + 1


def _pairs(row: IntArray, one: IntArray, of: IntArray, other: IntArray) -> tuple[IntArray, ...]:
    """Return all pairs of ones and others of one row: row, one, other; ``of`` is sorted."""
    low, high = np.searchsorted(of, row, "left"), np.searchsorted(of, row, "right")
    pair, place = spread_out((high - low).astype(np.int64))
    return row[pair], one[pair], other[low[pair] + place]


def turns_between(coming: FloatArray, going: FloatArray) -> FloatArray:
    """Return by how much a way turns at a node, to the left, rad.

    From an arm, whose heading is away from the node, into another.
    """
    cross = -coming[:, 0] * going[:, 1] + coming[:, 1] * going[:, 0]
    along = -(coming * going).sum(axis=1)
    return np.asarray(np.arctan2(cross, along), dtype=np.float64)


def nodes_of(net: StreetNet) -> Nodes:
    """Return the intersections of streets with their arms."""
    table = net.connections
    chain = table["run"].to_numpy(dtype=np.int64)
    at = table["chainage"].to_numpy(dtype=float)
    node = table["node"].to_numpy(dtype=np.int64)
    order = np.lexsort([at, chain])
    chain, at, node = chain[order], at[order], node[order]
    arms = _arms(net, chain, at, node)
    return Nodes(net, arms, Places.of(chain, at, len(net.chains)), node)


def _arms(net: StreetNet, chain: IntArray, at: FloatArray, node: IntArray) -> Arms:
    """Return the arms at the visits of chains to nodes, each once, of rings on the middle lap."""
    lap = np.where(np.isfinite(net.lap[chain]), net.lap[chain], 0.0)
    low, high = lap, np.where(lap > 0, 2 * lap, net.lengths[chain])
    back = (at > low + TOUCH) & (at <= high + TOUCH)
    on = (at >= low - TOUCH) & (at < high - TOUCH)
    visit = np.concatenate([np.flatnonzero(back), np.flatnonzero(on)])
    step = np.concatenate([np.full(int(back.sum()), -1.0), np.ones(int(on.sum()))])
    order = np.lexsort([step, at[visit], chain[visit], node[visit]])
    visit, step = visit[order], step[order]
    once = firsts(node[visit], chain[visit], np.round(at[visit], 3), step)
    visit, step = visit[once], step[once]
    chain, at, node = chain[visit], at[visit], node[visit]
    piece = net.pieces_at_node(chain, at, step > 0)
    here, there = (
        on_measures(net.chains.xy, net.places, chain, np.clip(to, 0.0, net.lengths[chain]))
        for to in (at, at + step * LOOK)
    )
    way = there - here
    heading = way / np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    line = net.chains.pieces["line"].to_numpy(dtype=np.int64)[piece]
    return Arms(node, chain, at, step, line, flows(net)[piece] * step, heading)


def flows(net: StreetNet) -> FloatArray:
    """Return for every piece 1 where all traffic goes along its chain, -1 against it, else 0."""
    line = net.chains.pieces["line"].to_numpy(dtype=np.int64)
    turned = net.chains.pieces["reversed"].to_numpy(dtype=bool)
    way = net.column("oneway")[line]
    return np.asarray(np.where(turned, -way, way) + 0.0, dtype=np.float64)


def flow_changes(net: StreetNet) -> Places:
    """Return where along chains the way traffic flows changes."""
    pieces = net.chains.pieces
    run = pieces["run"].to_numpy(dtype=np.int64)
    flow = flows(net)
    changed = np.flatnonzero((run[1:] == run[:-1]) & (flow[1:] != flow[:-1])) + 1
    at = pieces["start"].to_numpy(dtype=float)[changed]
    return Places.of(run[changed], at, len(net.chains))
