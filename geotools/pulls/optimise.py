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
import numpy.typing as npt

from geotools.accel import read_only, run_kernel
from geotools.network.ragged import FloatArray, IntArray, row_of
from geotools.pipe.fusion import PIECE_SLACK, piece_count

__all__ = [
    "AHEAD",
    "BEHIND",
    "BOTH",
    "LEAST_PULL_DAYS",
    "RECEIVING",
    "Choice",
    "PullCosts",
    "Sites",
    "StringDays",
    "choose_pits",
    "day_of_strings",
    "pull_cost",
    "string_count",
]

RECEIVING, AHEAD, BEHIND, BOTH = range(4)
EDGE = 1e-6  # m; edges this close meet
LEAST_PULL_DAYS = 0.5  # a pull takes half a day with setting up and clearing away; no source
TIE = 1e-9  # share of a cost by which plans must differ for one to be the cheaper


@dataclass(frozen=True)
class StringDays:
    """How long the strings of a pull lie in the street, days: while they are fused and pulled.

    ``joint`` is a joint fused, ``length`` a metre pulled in, ``standstill`` a string joined on;
    pulling takes at least ``least``.
    """

    joint: float = 0.0
    length: float = 0.0
    standstill: float = 0.0
    least: float = 0.0

    def of(self, length: FloatArray, strings: FloatArray, joints: FloatArray) -> FloatArray:
        """Return the days of pulls of these lengths, m."""
        pulling = self.length * length + self.standstill * (strings - 1.0)
        return np.asarray(self.joint * joints + np.maximum(pulling, self.least))


@dataclass(frozen=True)
class PullCosts:
    """What a pull costs, apart from its pits; lengths m.

    ``per_length``, shape (runs,), is per metre and differs with the carrier of the run;
    ``string_joint`` is a joint made while the pull stands still, ``days`` how long strings take
    lanes of the street.
    """

    setup: float
    per_length: FloatArray
    joint: float
    piece_length: float
    connection: float
    least_length: float
    string_joint: float = 0.0
    days: StringDays = StringDays()


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
    string_day_ahead, string_day_behind : ndarray, shape (n, k), optional
        What the lanes cost a day that one string takes for a pull ahead, and behind, from the
        place, that two take, and so on; infinite where so many find no room. Nothing if left out.
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
    string_day_ahead: FloatArray | None = None
    string_day_behind: FloatArray | None = None

    def string_days(self) -> tuple[FloatArray, FloatArray]:
        """Return what strings cost a day, for pulls ahead and behind, shape (n, k)."""
        free = np.zeros((len(self.cost), 1))
        return (
            free if self.string_day_ahead is None else self.string_day_ahead,
            free if self.string_day_behind is None else self.string_day_behind,
        )

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
    day: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Return the cost of pulls of these lengths, m, past so many connections, in these runs.

    ``day`` is what the lanes their strings take cost a day.
    """
    joints = np.maximum(piece_count(length, costs.piece_length) - 1.0, 0.0)
    return (
        costs.setup
        + costs.per_length[run] * length
        + costs.joint * joints
        + costs.string_joint * (strings - 1.0)
        + costs.connection * connections
        + np.asarray(day) * costs.days.of(length, strings, joints)
    )


def day_of_strings(day: FloatArray, strings: FloatArray) -> FloatArray:
    """Return the entry for so many strings of rows for one string, for two, and so on."""
    place = np.clip(strings, 1.0, day.shape[1]).astype(np.int64) - 1
    return np.asarray(np.take_along_axis(day, place[:, None], axis=1)[:, 0], dtype=np.float64)


def string_count(pieces: FloatArray, room: FloatArray) -> FloatArray:
    """Return the strings of pulls of so many pieces where a string may have ``room`` of them."""
    return np.where(room < pieces, np.ceil(pieces / room), 1.0)


def choose_pits(sites: Sites, costs: PullCosts) -> Choice:
    """Find the cheapest plan of every run.

    Parameters
    ----------
    sites : Sites
    costs : PullCosts
        None of them below nothing.
    """
    value, even, back = _first_pits(sites)
    if len(value):
        prices = (
            costs.setup,
            costs.joint,
            costs.string_joint,
            costs.piece_length,
            costs.connection,
            costs.least_length,
            costs.days.joint,
            costs.days.length,
            costs.days.standstill,
            costs.days.least,
        )
        runs = read_only(sites.offsets), read_only(costs.per_length)
        run_kernel(
            _choose,
            _steps(sites),
            runs,
            _pits(sites),
            (_farthest(sites), *_bounds(sites, costs)),
            _strings(sites),
            prices,
            (value, even, back),
            (np.full(len(value), np.inf), np.zeros_like(back), np.zeros_like(value)),
        )
    last, covered = _ends(sites, value, even)
    total = np.where(last >= 0, np.append(value, np.inf)[last], np.inf)
    return _traced(back, last, total, covered)


def _first_pits(sites: Sites) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return value, evenness and state before of every state with no pull before it yet.

    A plan may begin with a pit at the start of the run that inserts no pull behind.
    """
    first = np.isfinite(sites.cost) & (sites.start <= EDGE)
    first[:, [BEHIND, BOTH]] = False
    value = np.where(first, sites.cost, np.inf).ravel()
    return (
        value,
        np.where(first, 0.0, np.inf).ravel(),
        np.where(first, -1, -2).astype(np.int64).ravel(),
    )


def _pits(sites: Sites) -> tuple[FloatArray, ...]:
    """Return the columns of the states for the kernel."""
    floor, roof = _limits(sites)
    columns = (
        sites.start,
        sites.end,
        sites.cost,
        floor,
        roof,
        sites.passed_start,
        sites.passed_end,
    )
    return tuple(map(_flat, columns))


def _limits(sites: Sites) -> tuple[FloatArray, FloatArray]:
    """Return floor and roof of every state, with how far its pulls reach, m.

    A pull is pulled ahead if it starts at a pit that inserts ahead, and behind if it ends at one
    that inserts behind: its reach goes with the roof of the one, with the floor of the other.
    """
    floor, roof = np.array(sites.floor, dtype=float), np.array(sites.roof, dtype=float)
    for role in (BEHIND, BOTH):
        floor[:, role] = np.maximum(floor[:, role], sites.reach_behind[:, role])
    for role in (AHEAD, BOTH):
        roof[:, role] = np.minimum(roof[:, role], sites.reach_ahead[:, role])
    return floor, roof


def _flat(values: FloatArray) -> FloatArray:
    """Return a column that a kernel may read, of a table with a column for each role."""
    return read_only(np.asarray(values, dtype=float).ravel())


def _strings(sites: Sites) -> tuple[tuple[FloatArray, FloatArray, int], ...]:
    """Return for pulls ahead and behind the pipes of a string, and the table of days, its width."""
    return tuple(
        (_flat(pieces), _flat(day), day.shape[1])
        for pieces, day in zip(sites.string_pieces(), sites.string_days(), strict=True)
    )


def _bounds(sites: Sites, costs: PullCosts) -> tuple[FloatArray, FloatArray]:
    """Return of every state what goes into the least a plan through it can cost.

    The first, less the second of the state before it and with the value of that, is no more than
    the value: it has all that grows with length and with digs, but no strings and no lanes.
    """
    rate = (costs.per_length + costs.joint / costs.piece_length)[row_of(sites.offsets)][:, None]
    lead = costs.setup - costs.joint * (1.0 + PIECE_SLACK)
    into = sites.cost + lead + rate * sites.start + costs.connection * sites.passed_start
    out = rate * sites.end + costs.connection * sites.passed_end
    return _flat(into), _flat(out)


def _ends(sites: Sites, value: FloatArray, even: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return the state each run's plan ends with, -1 where none, and how far any plan covers."""
    count = len(sites.lengths)
    run = np.repeat(row_of(sites.offsets), 4)
    end, role = sites.end.ravel(), np.arange(len(value)) % 4
    planned = np.isfinite(value)
    covered = np.zeros(count)
    np.maximum.at(covered, run[planned], np.minimum(end, sites.lengths[run])[planned])
    whole = planned & (end >= sites.lengths[run] - EDGE) & ((role == RECEIVING) | (role == BEHIND))
    states = np.flatnonzero(whole)
    for measure, scale in ((value, 1.0), (even, 0.0)):
        least = np.full(count, np.inf)
        np.minimum.at(least, run[states], measure[states])
        at = least[run[states]]
        states = states[measure[states] <= at + TIE * np.maximum(scale, at)]
    last = np.full(count, -1, dtype=np.int64)
    ending, first = np.unique(run[states], return_index=True)
    last[ending] = states[first]
    return last, covered


def _farthest(sites: Sites) -> IntArray:
    """Return of every state the first candidate of its run that a pull may come from."""
    lowest = _limits(sites)[0] - EDGE
    open_end = np.where(np.isfinite(sites.cost), sites.end, -np.inf).max(axis=1)
    out = np.empty(lowest.shape, dtype=np.int64)
    for low, high in zip(sites.offsets[:-1].tolist(), sites.offsets[1:].tolist(), strict=True):
        highest = np.maximum.accumulate(open_end[low:high])
        out[low:high] = low + np.searchsorted(highest, lowest[low:high])
    return read_only(out.ravel())


def _steps(sites: Sites) -> float:
    """Estimate the inner steps: pairs of a pit and a candidate its pull may come from."""
    span = np.clip(sites.start - sites.floor, 0.0, None)
    usable = np.isfinite(sites.cost)
    counts = np.diff(sites.offsets)
    density = np.repeat(counts / np.maximum(sites.lengths, 1.0), counts)
    return float((span * usable * density[:, None]).sum())


def _choose(runs, pits, bounds, strings_of, prices, states, lists):  # type: ignore[no-untyped-def]  # a kernel
    """Fill the value of every state, run by run; see `choose_pits`.

    The states a pull may come from are gone through twice. First from afar, and what cannot be
    among the cheapest by its bound is passed over: then those worked out, from near, each against
    the best before. What was passed over is dearer by more than all ties in a row could add up
    to, so it changes neither the choice nor how a tie ends.
    """
    offsets, per_length = runs
    start, end, cost, floor, roof, passed_start, passed_end = pits
    ahead, behind = strings_of
    farthest, into, out = bounds
    setup, joint, string_joint, piece, connection, least = prices[:6]
    fuse_days, length_days, stop_days, least_days = prices[6:]
    value, even, back = states
    bound, found, totals = lists  # kept under the number of the other state of like way
    for run in range(len(per_length)):
        price = per_length[run]
        for k in range(4 * offsets[run], 4 * offsets[run + 1]):
            if cost[k] == math.inf:
                continue
            # what the pull that ends here brought: its head, or its tail if pulled behind
            heads = k % 4 == RECEIVING or k % 4 == AHEAD
            rooms, table, width = ahead if heads else behind
            edge = start[k]
            best = value[k]
            slack = TIE * (8 * (k // 4 - farthest[k]) + 8)
            bar = best + slack * (1.0 + best) - into[k]
            count = 0
            # those that insert ahead are odd: AHEAD and BOTH; of a candidate, the later first
            for other in range(4 * farthest[k] + heads, k - k % 4, 2):
                if bound[other] >= bar:
                    continue
                m = other ^ 2
                length = edge - end[m]
                if length < least - EDGE:
                    continue
                if end[m] < floor[k] - EDGE or edge > roof[m] + EDGE:
                    continue
                # the sums of `pull_cost`, one pull at a time
                pieces = math.ceil(length / piece - PIECE_SLACK)
                inserts = m if heads else k
                room = rooms[inserts]
                strings = math.ceil(pieces / room) if room < pieces else 1
                day = table[inserts // 4 * width + (strings if strings < width else width) - 1]
                if day == math.inf:
                    continue
                joints = pieces - 1.0 if pieces > 1 else 0.0
                stops = strings - 1.0
                pulling = length_days * length + stop_days * stops
                lying = fuse_days * joints + (pulling if pulling > least_days else least_days)
                total = (
                    value[m]
                    + cost[k]
                    + setup
                    + price * length
                    + joint * joints
                    + string_joint * stops
                    + connection * (passed_start[k] - passed_end[m])
                    + day * lying
                )
                found[count] = m
                totals[count] = total
                count += 1
                if total < best:
                    best = total
                    bar = best + slack * (1.0 + best) - into[k]
            for at in range(count - 1, -1, -1):
                m = found[at]
                total = totals[at]
                evenness = even[m] + (edge - end[m]) * (edge - end[m])
                near = TIE * (total if total > 1.0 else 1.0)
                if total < value[k] - near or (
                    total <= value[k] + near and evenness < even[k] * (1.0 - TIE)
                ):
                    value[k] = total
                    even[k] = evenness
                    back[k] = m
            bound[k ^ 2] = value[k] - out[k]


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
