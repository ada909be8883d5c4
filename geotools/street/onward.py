"""Where the traffic of a closed lane comes from and goes to: along its street, and on from there.

Upstream a closure follows a carriageway that flows towards the lane, downstream one that flows
away from it. Where its own street flows the other way, or ends, it goes on in the straightest that
does not; of those as straight in the one on the side of the lane, so that it does not matter how
streets are drawn, nor where north is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from geotools.network.pieces import SAME_WAY
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.arms import NODE, Nodes, flow_changes, flows, nodes_of, turns_between
from geotools.street.net import StreetNet
from geotools.street.precedence import precedence

__all__ = ["Approaching", "Leg", "Onward", "Walk"]

AS_STRAIGHT = np.radians(1.0)  # streets whose turns differ by no more go on as straight
SHORT = 1e-6  # m
FARTHEST = 64  # stretches a closure is led along at most


@dataclass(frozen=True)
class Leg:
    """A stretch of a chain from one chainage to another, m, as it is walked.

    ``line`` is the street where it is entered, a row of the table of streets, and ``flow`` 1 where
    all its traffic goes along the chain, -1 against it, 0 both ways. ``narrowed`` says that less
    is closed on it than beside the work, on its own street.
    """

    chain: int
    begin: float
    end: float
    line: int
    flow: float
    narrowed: bool = False

    @property
    def length(self) -> float:
        """Return its length, m."""
        return abs(self.end - self.begin)


@dataclass(frozen=True)
class Approaching:
    """A street besides that traffic comes along into the lane: its row, and where it joins.

    ``far`` is how far before the work that is, m.
    """

    line: int
    x: float
    y: float
    far: float


@dataclass(frozen=True)
class Walk:
    """Stretches walked from the work on, and the streets besides that traffic comes along."""

    legs: list[Leg] = field(default_factory=list)
    others: list[Approaching] = field(default_factory=list)

    @property
    def length(self) -> float:
        """Return how far was walked, m."""
        return float(sum(leg.length for leg in self.legs))


@dataclass(frozen=True)
class Onward:
    """The streets, and the largest turn, rad, at which one goes straight on into another."""

    net: StreetNet
    max_turn: float

    @cached_property
    def nodes(self) -> Nodes:
        """Return the intersections."""
        return nodes_of(self.net)

    @cached_property
    def changes(self) -> Places:
        """Return where along chains the way of the traffic changes."""
        return flow_changes(self.net)

    @cached_property
    def flows(self) -> FloatArray:
        """Return which way the traffic of every piece of the chains flows."""
        return flows(self.net)

    @cached_property
    def _in_doubt(self) -> Places:
        """Return the intersections where another street goes straight on."""
        rows = self.nodes.straight_on(self.max_turn)
        at, chain = self.nodes.visits.at[rows], self.nodes.chain[rows]
        return Places.of(chain, at, len(self.net.chains))

    def in_doubt(self, chain: IntArray, low: FloatArray, high: FloatArray) -> BoolArray:
        """Return for which stretches of chains traffic may come from elsewhere, or flow elsewhere.

        That is where the way of the traffic changes, or another street goes straight on.
        """
        out = np.zeros(len(chain), dtype=bool)
        for places in (self.changes, self._in_doubt):
            first = places.search(chain, low - NODE, "left")
            out |= places.search(chain, high + NODE, "right") > first
        return out

    def both_ways(
        self,
        work: Leg,
        far: tuple[float, float],
        rooms: tuple[float, float],
        *,
        way: int,
        high: bool,
    ) -> tuple[Walk, Walk]:
        """Walk from the work on upstream and downstream, so ``far``, m; the others as of `walk`.

        ``rooms`` are those of its own street either way; ``way`` is 1 where the traffic goes along
        the chain, -1 where against it. Where the way of the traffic changes in the work, and all
        flows the other way at an end of it, there is nowhere to go from there.
        """
        back = replace(self._of_end(work, work.begin, way), begin=work.end, end=work.begin)
        work = self._of_end(work, work.end, -way)
        ring = np.isfinite(self.net.lap[work.chain])
        up, down = (float(room) if ring else np.inf for room in rooms)
        return (
            self.walk(
                back, far[0] * (back.flow * way >= 0), room=up, way=-way, sense=-1, high=high
            ),
            self.walk(
                work, far[1] * (work.flow * way >= 0), room=down, way=way, sense=1, high=high
            ),
        )

    def _of_end(self, work: Leg, at: float, step: int) -> Leg:
        """Return the work as of the street at an end of it, if its traffic flows otherwise there.

        ``step`` is the way along the chain from that end into the work.
        """
        chain, ends = np.array([work.chain]), np.sort([work.begin, work.end])
        low, high = ends[:1] + NODE, ends[1:] - NODE
        inside = self.changes.search(chain, high, "left") > self.changes.search(chain, low, "right")
        if not inside.any():
            return work
        (piece,) = self.net.piece_of(chain, np.array([at + step * NODE / 2]))
        line = self.net.chains.pieces["line"].to_numpy(dtype=np.int64)[piece]
        return replace(work, line=int(line), flow=float(self.flows[piece]))

    def walk(
        self, leg: Leg, length: float, *, room: float, way: int, sense: int, high: bool
    ) -> Walk:
        """Walk from the end of a leg on, as far as the lane closed is to be followed.

        Parameters
        ----------
        leg : Leg
            The work, as it is walked.
        length : float
            How far to go, m.
        room : float
            How far its own chain may be followed, m: a ring as far as its own other end.
        way : int
            1 to walk along the chain, -1 against it.
        sense : int
            -1 where traffic is walked against, upstream; 1 with it, downstream.
        high : bool
            Whether the lane closed lies on the left of the traffic.
        """
        walk = Walk()
        step = float(way)
        here, left, entered = (leg.chain, leg.end, leg.line, leg.flow), length, True
        rooms = {leg.chain: room}
        while left > SHORT and len(walk.legs) < FARTHEST:
            chain, at, line, flow = here
            may = min(left, rooms.setdefault(chain, float(self.net.lap[chain])))
            stop, visit = self._next(chain, at, step, first=entered)
            gone = min(may, max((stop - at) * step, 0.0))
            if gone > SHORT:
                walk.legs.append(Leg(chain, at, at + step * gone, line, flow))
            left, rooms[chain] = left - gone, rooms[chain] - gone
            if left <= SHORT or gone >= may - SHORT:
                break
            found = self._chosen(chain, stop, step, visit, sense, high)
            if found is None:
                break
            chain, at, step, line, flow, others = found
            walk.others.extend(Approaching(*other, length - left) for other in others)
            here, entered = (chain, at, line, flow), False
        return walk

    def _next(self, chain: int, at: float, step: float, *, first: bool) -> tuple[float, int]:
        """Return the next place on a chain to look at, and the visit it is, -1 of none.

        An intersection, a change of the way of traffic, or the end of the chain. What is where one
        begins is looked at only ``first``.
        """
        slack = -SHORT if first else NODE
        end = float(self.net.lengths[chain]) if step > 0 else 0.0
        stop, visit = end, -1
        one, places = np.array([chain]), self.nodes.visits
        row = self._beyond(places, one, at, step, slack)
        if row >= 0 and (places.at[row] - end) * step <= NODE:
            stop, visit = float(places.at[row]), row
        row = self._beyond(self.changes, one, at, step, slack)
        if row >= 0 and (self.changes.at[row] - stop) * step < -NODE:
            stop, visit = float(self.changes.at[row]), -1
        return stop, visit

    @staticmethod
    def _beyond(places: Places, chain: IntArray, at: float, step: float, slack: float) -> int:
        """Return the first row of places on a chain past one, -1 if there is none."""
        low, high = places.offsets[chain[0]], places.offsets[chain[0] + 1]
        if step > 0:
            row = int(places.search(chain, np.array([at + slack]), "left")[0])
        else:
            row = int(places.search(chain, np.array([at - slack]), "right")[0]) - 1
        return row if low <= row < high else -1

    def _chosen(
        self, chain: int, at: float, step: float, visit: int, sense: int, high: bool
    ) -> tuple[int, float, float, int, float, list[tuple[int, float, float]]] | None:
        """Return where to go on from a place, and the streets besides; None where to nowhere."""
        if visit < 0:
            return self._straight_on(chain, at, step, sense)
        nodes, arms = self.nodes, self.nodes.arms
        there = np.arange(*np.searchsorted(arms.node, nodes.node[visit] + np.arange(2)))
        mine = nodes.own(np.full(len(there), visit), there)
        back = mine & (arms.step[there] == -step)
        if not back.any():
            return None
        coming = arms.heading[there[back][:1]]
        arm, mine = there[~back], mine[~back]
        turn = turns_between(np.repeat(coming, len(arm), axis=0), arms.heading[arm])
        may = (arms.flow[arm] * sense >= 0) & (mine | (np.abs(turn) <= self.max_turn + SAME_WAY))
        if not may.any():
            return None
        arm, mine, turn = arm[may], mine[may], turn[may]
        order = self._ranked(arm, mine, turn, sense, high)
        best = int(arm[order[0]])
        xy = self.net.chains.xy[self.net.places.nearest(arms.chain[arm], arms.at[arm])[0][0]]
        others = [(int(arms.line[k]), float(xy[0]), float(xy[1])) for k in arm[order[1:]]]
        flow = float(arms.flow[best] * arms.step[best])
        to = (int(arms.chain[best]), float(arms.at[best]), float(arms.step[best]))
        if mine[order[0]]:
            to = (chain, at, step)
        return (*to, int(arms.line[best]), flow, others)

    def _straight_on(
        self, chain: int, at: float, step: float, sense: int
    ) -> tuple[int, float, float, int, float, list[tuple[int, float, float]]] | None:
        """Go on along a chain where the way of its traffic changes, unless to flow against it."""
        end = float(self.net.lengths[chain]) if step > 0 else 0.0
        if abs(at - end) <= SHORT:
            return None
        piece = self.net.pieces_at_node(np.array([chain]), np.array([at]), np.array([step > 0]))
        flow = float(self.flows[piece[0]])
        line = int(self.net.chains.pieces["line"].to_numpy(dtype=np.int64)[piece[0]])
        return None if flow * step * sense < 0 else (chain, at, step, line, flow, [])

    def _ranked(
        self, arm: IntArray, mine: BoolArray, turn: FloatArray, sense: int, high: bool
    ) -> IntArray:
        """Return the order in which arms are taken: the straightest that is, first.

        Of those as straight the one on the side of the lane closed, then as streets come first
        (`precedence`).
        """
        straight = np.abs(turn) <= np.abs(turn).min() + AS_STRAIGHT
        aside = (turn * sense < 0) == high
        keys = precedence(self.net.column, self.nodes.arms.line[arm])
        aside = aside & straight
        late = np.where(straight, 0.0, np.abs(turn))
        return np.lexsort([~mine, *keys[::-1], aside, late])
