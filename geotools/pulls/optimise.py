"""The exact optimiser: which pits, in which role, so that the whole run is lined at least cost.

Dynamic programming over states (candidate, role) along each run. A pull runs from the edge of
one pit to the edge of the next; it is pulled ahead if the pit before inserts ahead and the pit
after receives, behind if the other way round. Costs are sums over pits and pulls; among plans of
one cost the one with the more even pulls (least sum of squared lengths) is kept, which does not
depend on the direction of the run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geotools.accel import read_only, run_kernel
from geotools.network.ragged import FloatArray, IntArray

__all__ = [
    "AHEAD",
    "BEHIND",
    "BOTH",
    "RECEIVING",
    "Choice",
    "PullCosts",
    "Sites",
    "choose_pits",
    "pull_cost",
]

RECEIVING, AHEAD, BEHIND, BOTH = range(4)
EDGE = 1e-6  # m; edges this close meet


@dataclass(frozen=True)
class PullCosts:
    """What a pull costs, apart from its pits; lengths m.

    ``per_length``, shape (runs,), is per metre and differs with the carrier of the run;
    ``string_joint`` is a joint made while the pull stands still.
    """

    setup: float
    per_length: FloatArray
    joint: float
    piece_length: float
    connection: float
    least_length: float
    string_joint: float = 0.0


@dataclass(frozen=True)
class Sites:
    """Candidates of all runs, sorted by run and chainage; per role arrays have shape (n, 4).

    Attributes
    ----------
    offsets : ndarray of int64, shape (runs + 1,)
    lengths : ndarray, shape (runs,)
        Length of each run, m.
    start, end : ndarray, shape (n, 4)
        Chainage of the pit's two edges, m.
    cost : ndarray, shape (n, 4)
        Site cost; infinite where the role is refused.
    reach_ahead : ndarray, shape (n, 4)
        Farthest chainage a pull ahead from the pit's edge may end at, m.
    reach_behind : ndarray, shape (n, 4)
        Lowest chainage a pull behind from the pit's edge may end at, m.
    floor : ndarray, shape (n, 4)
        Lowest chainage any pull that ends at the pit may start at, m.
    roof : ndarray, shape (n, 4)
        Highest chainage any pull that starts at the pit may end at, m.
    passed_start, passed_end : ndarray, shape (n, 4)
        Digs before the pit's first edge, and up to its second, in what one of
        ``PullCosts.connection`` pays for: numbers, or money where that is 1.
    pieces_ahead, pieces_behind : ndarray, shape (n, 4), optional
        Pipes a string may consist of for a pull ahead, and behind, from the pit; without limit
        if left out.
    """

    offsets: IntArray
    lengths: FloatArray
    start: FloatArray
    end: FloatArray
    cost: FloatArray
    reach_ahead: FloatArray
    reach_behind: FloatArray
    floor: FloatArray
    roof: FloatArray
    passed_start: FloatArray
    passed_end: FloatArray
    pieces_ahead: FloatArray | None = None
    pieces_behind: FloatArray | None = None

    def string_pieces(self) -> tuple[FloatArray, FloatArray]:
        """Return pipes a string may consist of, ahead and behind, infinite where not limited."""
        free = np.full(self.cost.shape, np.inf)
        return (
            free if self.pieces_ahead is None else self.pieces_ahead,
            free if self.pieces_behind is None else self.pieces_behind,
        )


@dataclass(frozen=True)
class Choice:
    """The plan of every run.

    Attributes
    ----------
    states : ndarray of int64
        Chosen states (4 * candidate + role), run by run, in order along the run.
    offsets : ndarray of int64, shape (runs + 1,)
    cost : ndarray, shape (runs,)
        Cost of pits and pulls; infinite where there is no plan.
    covered : ndarray, shape (runs,)
        Farthest chainage that pits and pulls from the start can cover, m.
    """

    states: IntArray
    offsets: IntArray
    cost: FloatArray
    covered: FloatArray


def pull_cost(
    length: FloatArray,
    connections: FloatArray,
    strings: FloatArray,
    costs: PullCosts,
    run: IntArray,
) -> FloatArray:
    """Return the cost of pulls of these lengths, m, past so many connections, in these runs."""
    joints = np.maximum(np.ceil(length / costs.piece_length - 1e-9) - 1.0, 0.0)
    return (
        costs.setup
        + costs.per_length[run] * length
        + costs.joint * joints
        + costs.string_joint * (strings - 1.0)
        + costs.connection * connections
    )


def choose_pits(sites: Sites, costs: PullCosts) -> Choice:
    """Find the cheapest plan of every run.

    Parameters
    ----------
    sites : Sites
    costs : PullCosts
    """
    runs = len(sites.lengths)
    count = len(sites.cost)
    value, even = np.full(4 * count, np.inf), np.full(4 * count, np.inf)
    back = np.full(4 * count, -2, dtype=np.int64)
    last = np.full(runs, -1, dtype=np.int64)
    covered = np.zeros(runs)
    if count:
        steps = _steps(sites)
        inputs = [sites.offsets, sites.lengths]
        inputs += [
            np.ascontiguousarray(a, dtype=float).ravel()
            for a in (
                sites.start,
                sites.end,
                sites.cost,
                sites.reach_ahead,
                sites.reach_behind,
                sites.floor,
                sites.roof,
                sites.passed_start,
                sites.passed_end,
            )
        ]
        strings = [np.ascontiguousarray(a, dtype=float).ravel() for a in sites.string_pieces()]
        inputs += [_highest_end(sites), *strings, costs.per_length]
        run_kernel(
            _choose,
            steps,
            *map(read_only, inputs),
            costs.setup,
            costs.joint,
            costs.string_joint,
            costs.piece_length,
            costs.connection,
            costs.least_length,
            value,
            even,
            back,
            last,
            covered,
        )
    total = np.where(last >= 0, value[np.maximum(last, 0)] if count else np.inf, np.inf)
    return _traced(back, last, total, covered)


def _highest_end(sites: Sites) -> FloatArray:
    """Return the farthest edge of any usable pit among the candidates up to each, m."""
    open_end = np.where(np.isfinite(sites.cost), sites.end, -np.inf).max(axis=1)
    out = np.empty_like(open_end)
    for low, high in zip(sites.offsets[:-1], sites.offsets[1:], strict=True):
        out[low:high] = np.maximum.accumulate(open_end[low:high])
    return np.asarray(out, dtype=np.float64)


def _steps(sites: Sites) -> float:
    """Estimate the inner steps: pairs of candidates a pull may lie between, times 16."""
    span = np.clip(sites.start - sites.floor, 0.0, None)
    usable = np.isfinite(sites.cost)
    counts = np.diff(sites.offsets)
    density = np.repeat(counts / np.maximum(sites.lengths, 1.0), counts)
    return float((span * usable * density[:, None]).sum() * 4)


def _choose(  # type: ignore[no-untyped-def]  # a kernel: lists or arrays
    offsets,
    lengths,
    start,
    end,
    cost,
    reach_ahead,
    reach_behind,
    floor,
    roof,
    passed_start,
    passed_end,
    highest,
    pieces_ahead,
    pieces_behind,
    per_length,
    setup,
    joint,
    string_joint,
    piece,
    connection,
    least,
    value,
    even,
    back,
    last,
    covered,
):
    """Fill the value of every state, run by run; see `choose_pits`."""
    infinite = math.inf
    for run in range(len(lengths)):
        low = offsets[run]
        high = offsets[run + 1]
        best = infinite
        best_even = infinite
        for j in range(low, high):
            for role in range(4):
                k = 4 * j + role
                if cost[k] == infinite:
                    continue
                edge = start[k]
                if role < 2 and edge <= EDGE:
                    value[k] = cost[k]
                    even[k] = 0.0
                    back[k] = -1
                i = j - 1
                while i >= low and highest[i] >= floor[k] - EDGE:
                    for other in range(4):
                        m = 4 * i + other
                        if value[m] == infinite:
                            continue
                        tail = end[m]
                        length = edge - tail
                        if length < least - EDGE:
                            continue
                        if tail < floor[k] - EDGE or edge > roof[m] + EDGE:
                            continue
                        if role < 2:
                            if (other != 1 and other != 3) or edge > reach_ahead[m] + EDGE:
                                continue
                        elif (other != 0 and other != 2) or tail < reach_behind[k] - EDGE:
                            continue
                        pieces = math.ceil(length / piece - 1e-9)
                        room = pieces_ahead[m] if role < 2 else pieces_behind[k]
                        strings = math.ceil(pieces / room) if room < pieces else 1.0
                        joints = max(pieces - 1.0, 0.0)
                        total = (
                            value[m]
                            + cost[k]
                            + setup
                            + per_length[run] * length
                            + joint * joints
                            + string_joint * (strings - 1.0)
                            + connection * (passed_start[k] - passed_end[m])
                        )
                        evenness = even[m] + length * length
                        near = 1e-9 * max(1.0, total)
                        if total < value[k] - near or (
                            total <= value[k] + near and evenness < even[k] * (1.0 - 1e-9)
                        ):
                            value[k] = total
                            even[k] = evenness
                            back[k] = m
                    i -= 1
                if value[k] == infinite:
                    continue
                if end[k] > covered[run]:
                    covered[run] = min(end[k], lengths[run])
                if end[k] >= lengths[run] - EDGE and (role == 0 or role == 2):
                    near = 1e-9 * max(1.0, value[k])
                    if value[k] < best - near or (
                        value[k] <= best + near and even[k] < best_even * (1.0 - 1e-9)
                    ):
                        best = value[k]
                        best_even = even[k]
                        last[run] = k


def _traced(back: IntArray, last: IntArray, cost: FloatArray, covered: FloatArray) -> Choice:
    """Follow the states back from the last one of every run, all runs at once."""
    trail: list[IntArray] = []
    at = last.copy()
    while (at >= 0).any():
        trail.append(at)
        at = np.where(at >= 0, back[np.maximum(at, 0)], -1)
    if not trail:
        return Choice(
            np.zeros(0, dtype=np.int64), np.zeros(len(last) + 1, dtype=np.int64), cost, covered
        )
    table = np.stack(trail[::-1], axis=1)
    chosen = table >= 0
    offsets = np.concatenate([[0], np.cumsum(chosen.sum(axis=1))]).astype(np.int64)
    return Choice(table[chosen], offsets, cost, covered)
