"""The optimiser's question as a graph: states are nodes, pulls are edges, a plan is a path.

Built from the sites alone, apart from the program's own loop; so scipy's Dijkstra and HiGHS answer
the same question on the same instances.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra

from geotools.pulls.optimise import (
    AHEAD,
    BEHIND,
    BOTH,
    RECEIVING,
    PullCosts,
    Sites,
    day_of_strings,
    longest_string,
)

__all__ = ["StateGraph", "by_dijkstra", "by_highs", "graph_of", "one_run"]

EDGE = 1e-6  # m
# Roles that stand at the two ends of a pull ahead, and of a pull behind.
AHEAD_PAIRS = [(a, b) for a in (AHEAD, BOTH) for b in (RECEIVING, AHEAD)]
BEHIND_PAIRS = [(a, b) for a in (RECEIVING, BEHIND) for b in (BEHIND, BOTH)]


@dataclass(frozen=True)
class StateGraph:
    """Edges of the graph; node 0 is the start, the last node the end."""

    tail: npt.NDArray[np.int64]
    head: npt.NDArray[np.int64]
    cost: npt.NDArray[np.float64]
    nodes: int


def one_run(sites: Sites, costs: PullCosts, run: int) -> tuple[Sites, PullCosts]:
    """Return the sites and costs of one run alone."""
    low, high = sites.offsets[run : run + 2]
    parts = {}
    for item in fields(sites):
        value = getattr(sites, item.name)
        parts[item.name] = None if value is None else value[low:high]
    parts["offsets"] = np.array([0, high - low], dtype=np.int64)
    parts["lengths"] = sites.lengths[run : run + 1]
    return Sites(**parts), replace(costs, per_length=costs.per_length[run : run + 1])


def graph_of(sites: Sites, costs: PullCosts) -> StateGraph:
    """Return the graph of one run."""
    count = len(sites.cost)
    room_ahead, room_behind = sites.string_pieces()
    parts: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.float64]]] = []
    for lag in range(1, count):
        one, two = np.arange(count - lag), np.arange(lag, count)
        if not (sites.end[one].min(axis=1) < sites.roof[one].max(axis=1)).any():
            break
        for pairs, ahead in ((AHEAD_PAIRS, True), (BEHIND_PAIRS, False)):
            for a, b in pairs:
                edge, back = sites.start[two, b], sites.end[one, a]
                length = edge - back
                good = np.isfinite(sites.cost[one, a]) & np.isfinite(sites.cost[two, b])
                good &= length >= costs.least_length - EDGE
                good &= (back >= sites.floor[two, b] - EDGE) & (edge <= sites.roof[one, a] + EDGE)
                if ahead:
                    good &= edge <= sites.reach_ahead[one, a] + EDGE
                else:
                    good &= back >= sites.reach_behind[two, b] - EDGE
                room = room_ahead[one, a] if ahead else room_behind[two, b]
                pieces = np.ceil(length / costs.piece_length - 1e-6)
                strings = np.where(room < pieces, np.ceil(pieces / np.maximum(room, 1e-9)), 1.0)
                price = (
                    sites.cost[two, b]
                    + costs.setup
                    + costs.per_length[0] * length
                    + costs.joint * np.maximum(pieces - 1, 0)
                    + costs.string_joint * (strings - 1)
                    + costs.connection * (sites.passed_start[two, b] - sites.passed_end[one, a])
                    + _of_strings(sites, costs, one if ahead else two, length, strings, ahead)
                )
                good &= np.isfinite(price)
                rows = np.flatnonzero(good)
                parts.append((4 * one[rows] + a + 1, 4 * two[rows] + b + 1, price[rows]))
    parts += _ends(sites)
    tail, head, cost = (np.concatenate(column) for column in zip(*parts, strict=True))
    return StateGraph(tail, head, cost, 4 * count + 2)


def _of_strings(
    sites: Sites,
    costs: PullCosts,
    place: npt.NDArray[np.int64],
    length: npt.NDArray[np.float64],
    strings: npt.NDArray[np.float64],
    ahead: bool,
) -> npt.NDArray[np.float64]:
    """Return the cost of the lanes that strings take while they are fused and pulled in."""
    day = sites.string_days()[0 if ahead else 1][place]
    begins = sites.string_begins()[0 if ahead else 1][place]
    pipes = np.ceil(length / costs.piece_length - 1e-6)
    longest = longest_string(length, pipes, strings, costs.piece_length)
    per_day = day_of_strings(day, begins, strings, longest)
    joints = np.maximum(np.ceil(length / costs.piece_length - 1e-6) - 1, 0)
    days = costs.days
    pulling = np.maximum(days.length * length + days.standstill * (strings - 1), days.least)
    return np.asarray(per_day * (days.joint * joints + pulling), dtype=np.float64)


def _ends(sites: Sites) -> list[tuple[npt.NDArray[np.int64], ...]]:
    """Return the edges from the start to first pits, and from last pits to the end."""
    cost, role = sites.cost.ravel(), np.arange(sites.cost.size) % 4
    usable = np.isfinite(cost)
    first = usable & (sites.start.ravel() <= EDGE) & np.isin(role, (RECEIVING, AHEAD))
    last = usable & (sites.end.ravel() >= sites.lengths[0] - EDGE)
    last &= np.isin(role, (RECEIVING, BEHIND))
    begin, end = np.flatnonzero(first), np.flatnonzero(last)
    out = np.full(len(end), sites.cost.size + 1)
    # 1 more, since a sparse matrix holds no 0; taken off again from the result
    return [(np.zeros_like(begin), begin + 1, cost[begin]), (end + 1, out, np.ones(len(end)))]


def by_dijkstra(graph: StateGraph) -> float:
    """Return the least cost; infinite where there is no plan."""
    table = coo_array((graph.cost, (graph.tail, graph.head)), shape=(graph.nodes,) * 2)
    distance = dijkstra(csr_array(table), indices=0)
    return float(distance[-1]) - 1.0


def by_highs(graph: StateGraph, *, seconds: float) -> float:
    """Return the least cost by a mixed-integer model; not-a-number if time ran out."""
    edges = np.arange(len(graph.cost))
    data = np.concatenate([np.ones(len(edges)), -np.ones(len(edges))])
    node = np.concatenate([graph.tail, graph.head])
    flow = csr_array(coo_array((data, (node, np.tile(edges, 2))), shape=(graph.nodes, len(edges))))
    demand = np.zeros(graph.nodes)
    demand[[0, -1]] = 1.0, -1.0
    result = milp(
        graph.cost / 1e4,
        constraints=LinearConstraint(flow, demand, demand),
        integrality=np.ones(len(edges)),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "time_limit": seconds},
    )
    if result.status == 2:
        return float("inf")
    if not result.success:
        return float("nan")
    return float(graph.cost[np.round(result.x) == 1].sum()) - 1.0
