"""The exact optimiser: which pits, in which role, so that the whole run is lined at least cost.

Dynamic programming over states (candidate, role) along each run. A pull runs from the edge of
one pit to the edge of the next; it is pulled ahead if the pit before inserts ahead and the pit
after receives, behind if the other way round. Costs are sums over pits and pulls; among plans of
one cost the one with the more even pulls (least sum of squared lengths) is kept, which does not
depend on the direction of the run.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.accel import run_kernel
from geotools.network.ragged import FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.pipe.fusion import PIECE_SLACK, joint_count
from geotools.schema import AHEAD, BEHIND, BOTH, RECEIVING

__all__ = [
    "TIE",
    "ChosenPits",
    "PullCosts",
    "Sites",
    "StringDays",
    "choose_pits",
    "costs_up_to",
    "day_of_strings",
    "longest_string",
    "pull_cost",
    "string_count",
]

PER_RUN = ("offsets", "lengths")  # what `Sites` tells of runs, and not of candidates
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
        ``PullCosts.connection`` pays for: numbers, or money where that is 1, and then of all else
        that costs by place, such as grout.
    pieces_ahead, pieces_behind : ndarray, shape (n, 4), optional
        Pipes a string may consist of for a pull ahead, and behind, from the pit; without limit
        if left out.
    string_day_ahead, string_day_behind : ndarray, shape (n, levels * k), optional
        What the lanes cost a day that one string takes for a pull ahead, and behind, from the
        place, that two take, and so on; infinite where so many find no room. Nothing if left out.
    string_begins_ahead, string_begins_behind : ndarray, shape (n, levels), optional
        How long a string is above which each level of these counts, m, rising; one if left out.
    forced : ndarray of bool, shape (n, 4), optional
        Force alone ends a pull from the pit, one way or the other. Not asked for to choose pits.
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
    string_begins_ahead: FloatArray | None = None
    string_begins_behind: FloatArray | None = None
    forced: npt.NDArray[np.bool_] | None = None

    def at(self, rows: IntArray, **per_run: Any) -> Sites:
        """Leave these candidates, in this order, with what belongs to the runs as given."""
        names = [f.name for f in dataclasses.fields(self) if f.name not in PER_RUN]
        columns = {name: getattr(self, name) for name in names}
        kept: dict[str, Any] = {n: None if c is None else c[rows] for n, c in columns.items()}
        return dataclasses.replace(self, **kept, **per_run)

    def string_days(self) -> tuple[FloatArray, FloatArray]:
        """Return what strings cost a day, for pulls ahead and behind, shape (n, k)."""
        ahead, behind = self.string_day_ahead, self.string_day_behind
        if ahead is None:
            ahead = np.zeros((len(self.cost), 1)) if behind is None else np.zeros_like(behind)
        return ahead, np.zeros_like(ahead) if behind is None else behind

    def string_begins(self) -> tuple[FloatArray, FloatArray]:
        """Return above which length of a string each level counts, ahead and behind, m."""
        ahead, behind = self.string_begins_ahead, self.string_begins_behind
        one = np.zeros((len(self.cost), 1))
        return one if ahead is None else ahead, one if behind is None else behind

    def string_pieces(self) -> tuple[FloatArray, FloatArray]:
        """Return pipes a string may consist of, ahead and behind, infinite where not limited."""
        ahead, behind = self.pieces_ahead, self.pieces_behind
        return (
            np.full(self.cost.shape, np.inf) if ahead is None else ahead,
            np.full(self.cost.shape, np.inf) if behind is None else behind,
        )


@dataclass(frozen=True)
class ChosenPits:
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
    joints = joint_count(length, costs.piece_length)
    return (
        costs.setup
        + costs.per_length[run] * length
        + costs.joint * joints
        + costs.string_joint * (strings - 1.0)
        + costs.connection * connections
        + np.asarray(day) * costs.days.of(length, strings, joints)
    )


def day_of_strings(
    day: FloatArray, begins: FloatArray, strings: FloatArray, longest: FloatArray
) -> FloatArray:
    """Return the entry for so many strings, the longest so long, of rows as `Sites` has them."""
    width = day.shape[1] // begins.shape[1]
    level = np.maximum((begins < longest[:, None] - EDGE).sum(axis=1) - 1, 0)
    place = level * width + np.clip(strings, 1.0, width).astype(np.int64) - 1
    return np.asarray(np.take_along_axis(day, place[:, None], axis=1)[:, 0], dtype=np.float64)


def string_count(pieces: FloatArray, room: FloatArray) -> FloatArray:
    """Return the strings of pulls of so many pieces where a string may have ``room`` of them."""
    return np.where(room < pieces, np.ceil(pieces / room), 1.0)


def longest_string(
    length: FloatArray, pieces: FloatArray, strings: FloatArray, piece: float
) -> FloatArray:
    """Return how long the longest string of pulls is, m: of several the first, of whole pipes."""
    return np.where(strings > 1, np.ceil(pieces / strings) * piece, length)


def choose_pits(sites: Sites, costs: PullCosts) -> ChosenPits:
    """Find the cheapest plan of every run.

    Parameters
    ----------
    sites : Sites
    costs : PullCosts
        None of them below nothing.
    """
    return _filled(sites, costs)[0]


def costs_up_to(sites: Sites, costs: PullCosts) -> FloatArray:
    """Return what the cheapest pits and pulls from the start of its run to each state cost.

    With the state's own, shape (n, 4); infinite where none lead there. Parameters as for
    `choose_pits`.
    """
    return _filled(sites, costs)[1].reshape(-1, 4)


def _filled(sites: Sites, costs: PullCosts) -> tuple[ChosenPits, FloatArray]:
    """Return the plan of every run, and the value of every state."""
    passed = sites.passed_start, sites.passed_end
    pits = sites.start, sites.end, sites.cost, *_bounds(sites), *passed
    days, begins = sites.string_days(), sites.string_begins()
    widths = days[0].shape[1], begins[0].shape[1]
    strings = zip(sites.string_pieces(), days, begins, strict=True)
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
    places, runs = len(sites.cost), len(sites.lengths)
    chosen, offsets = np.empty(places, dtype=np.int64), np.empty(runs + 1, dtype=np.int64)
    figures, states = np.empty((2, runs)), np.empty((7, 4 * places + 1))
    run_kernel(
        _choose,
        partial(_steps, sites),
        _flat(sites.offsets, sites.lengths, costs.per_length),
        _flat(*pits),
        tuple([(*_flat(*way), *widths) for way in strings]),
        prices,
        (*states, np.empty(4 * places, dtype=np.int64)),
        (chosen, offsets, figures),
    )
    plan = ChosenPits(chosen[: offsets[-1]], offsets, figures[0], figures[1])
    return plan, states[0, :-1]


def _bounds(sites: Sites) -> tuple[FloatArray, FloatArray]:
    """Return where a pull that ends at a state may start, and one that starts there may end, m.

    The floor and the roof, and how far what the state itself inserts comes.
    """
    lowest, highest = sites.floor.copy(), sites.roof.copy()
    for role in (BEHIND, BOTH):
        lowest[:, role] = np.maximum(lowest[:, role], sites.reach_behind[:, role])
    for role in (AHEAD, BOTH):
        highest[:, role] = np.minimum(highest[:, role], sites.reach_ahead[:, role])
    return lowest, highest


def _flat(*tables: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], ...]:
    """Return tables, row after row, as columns that a kernel may read but not write."""
    columns = tuple([table.ravel() for table in tables])
    for column in columns:
        column.flags.writeable = False
    return columns


def _steps(sites: Sites) -> float:
    """Estimate the inner steps: pairs of a pit and a candidate its pull may come from."""
    span = np.clip(sites.start - sites.floor, 0.0, None)
    usable = np.isfinite(sites.cost)
    counts = np.diff(sites.offsets)
    density = np.repeat(counts / np.maximum(sites.lengths, 1.0), counts)
    return float((span * usable * density[:, None]).sum())


def _choose(runs: Any, pits: Any, strings: Any, prices: Any, states: Any, plans: Any) -> None:
    """Fill the plan of every run; see `choose_pits`."""
    offsets, lengths, per_length = runs
    chosen, ends, figures = plans
    value, even, _, _, _, _, _, back = states
    cost, covered = figures[0], figures[1]
    ends[0] = 0
    for run in range(len(lengths)):
        low, high = offsets[run], offsets[run + 1]
        _begin(low, high, per_length[run], pits, strings, prices, states)
        _reach(low, high, per_length[run], pits, strings, prices, states)
        last, covered[run] = _last(low, high, lengths[run], pits[1], value, even)
        cost[run] = value[last] if last >= 0 else math.inf
        ends[run + 1] = _trace(last, back, chosen, ends[run])


def _begin(
    low: int, high: int, price: float, pits: Any, strings: Any, prices: Any, states: Any
) -> None:
    """Fill what is known of every state of a run before any pull is looked at.

    A plan may begin with a pit at the start of the run that inserts no pull behind. The plan
    through one state to another costs at least the value of the first, with its ``level``, with
    its ``slope`` times the ``factor`` of the other, and ``into`` the other: all that grows with
    length and with digs, and lanes for the least time at the least they cost a day, but no
    strings. Level and slope are kept by the way a pull goes on, the later places first.
    """
    start, end, cost, _, _, passed_start, passed_end = pits
    (_, days_ahead, _, width, _), (_, days_behind, _, _, _) = strings
    setup, joint, _, piece, connection, _, fuse_days, _, _, least_days = prices
    value, even, into, factor, level, slope, farthest, back = states
    rate, fuse_rate = price + joint / piece, fuse_days / piece
    lead = setup - joint * (1.0 + PIECE_SLACK)
    day_lead = least_days - fuse_days * (1.0 + PIECE_SLACK)
    half, far = len(cost) // 2, -math.inf
    for place in range(low, high):
        day_ahead = _least(days_ahead, place * width, width)
        day_behind = _least(days_behind, place * width, width)
        for k in range(4 * place, 4 * place + 4):
            here = _slot(k, half)
            value[k] = even[k] = into[k] = level[here] = math.inf
            slope[here], back[k] = 0.0, -2
            if cost[k] == math.inf:
                continue
            far = max(far, end[k])
            brought = cost[k] + lead + rate * start[k] + connection * passed_start[k]
            if k % 4 == RECEIVING or k % 4 == AHEAD:
                into[k], factor[k] = brought, start[k]
                if start[k] <= EDGE:
                    value[k], even[k], back[k] = cost[k], 0.0, -1
            elif day_behind < math.inf:
                into[k] = brought + day_behind * (day_lead + fuse_rate * start[k])
                factor[k] = day_behind * fuse_rate
            left = rate * end[k] + connection * passed_end[k]
            if k % 4 == RECEIVING or k % 4 == BEHIND:
                level[here], slope[here] = -left, -end[k]
            elif day_ahead < math.inf:
                level[here] = day_ahead * (day_lead - fuse_rate * end[k]) - left
                slope[here] = day_ahead * fuse_rate
        farthest[place] = far


def _slot(k: int, half: int) -> int:
    """Return where the level and slope of a state stand, a kernel; `_before` is its inverse.

    First all that insert no pull ahead, then all that do (AHEAD and BOTH, which are odd); in
    each half the last place first, and of a place the earlier role first.
    """
    return (k % 2 + 1) * half - 2 * (k // 4) - 1 + k % 4 // 2


def _least(values: Any, first: int, count: int) -> float:
    """Return the least of so many values in a row; a kernel."""
    least = math.inf
    for at in range(first, first + count):
        if values[at] < least:
            least = values[at]
    return least


def _reach(
    low: int, high: int, price: float, pits: Any, strings: Any, prices: Any, states: Any
) -> None:
    """Fill value, evenness and state before of every state of a run, place by place.

    The states a pull may come from are gone through from near to far. That there is a bar from
    the start, the state that the one of like way before came from is tried first.
    """
    start, end, cost, floor, roof, passed_start, passed_end = pits
    value, even, into, factor, level, slope, farthest, back = states
    near, half, least = low, len(back) // 2, prices[5] - EDGE
    tried = [-1, -1]
    for k in range(4 * low, 4 * high):
        if into[k] == math.inf:
            continue
        # what the pull that ends here brought: its head, or its tail if pulled behind
        place, heads = k // 4, int(k % 4 == RECEIVING or k % 4 == AHEAD)
        laid = strings[0] if heads else strings[1]
        edge, lowest = start[k], floor[k] - EDGE
        near = _near(farthest, low, place, near, lowest)
        here = (heads + 1) * half - 2 * place
        stop, tie = here + 1 + 2 * (place - near), TIE * (8 * (place - near) + 8)
        at, m, best = here, tried[heads], value[k]
        while at < stop:
            length = edge - end[m]
            if m >= 4 * near and end[m] >= lowest and length >= least and edge <= roof[m] + EDGE:
                inserts, digs = m if heads else k, passed_start[k] - passed_end[m]
                total = _with_pull(value[m] + cost[k], length, inserts, laid, digs, price, prices)
                best = min(best, total)
                evenness = even[m] + length * length
                if at > here and _beats(total, evenness, value[k], even[k]):
                    value[k], even[k], back[k] = total, evenness, m
            bar = best + tie * (1.0 + abs(best)) - into[k]
            at = _next(at, stop, level, slope, factor[k], bar)
            m = _before(place, at - here, heads)
        tried[heads] = back[k]
        level[_slot(k, half)] += value[k]


def _next(at: int, stop: int, level: Any, slope: Any, grows: float, bar: float) -> int:
    """Return the next state that can be among the cheapest by its bound (see `_begin`), a kernel.

    What is passed over is dearer by more than all ties in a row could add up to, so it changes
    neither the choice nor how a tie ends.
    """
    at += 1
    while at < stop and level[at] + slope[at] * grows >= bar:
        at += 1
    return at


def _before(place: int, at: int, heads: int) -> int:
    """Return the state that is so many before a place among those a pull may come from, a kernel.

    Those that insert ahead are odd, AHEAD and BOTH; of a place, the earlier comes first.
    """
    return 4 * (place - 1 - (at - 1) // 2) + (at - 1) % 2 * 2 + heads


def _beats(total: float, evenness: float, value: float, even: float) -> Any:
    """Return whether a plan is cheaper than another, or as cheap and more even; a kernel."""
    close = TIE * (total if total > 1.0 else 1.0)
    if total == math.inf or total > value + close:
        return False
    return total < value - close or evenness < even * (1.0 - TIE)


def _with_pull(
    cost: float,
    length: float,
    inserts: int,
    laid: Any,
    digs: float,
    price: float,
    prices: Any,
) -> Any:
    """Return a cost with that of a pull added: the sums of `pull_cost`, one pull at a time.

    ``laid`` are the pieces a string may have at most and the days in lanes by the number of
    strings, level by level, of the pit that inserts; infinite where so many strings cannot lie.
    """
    setup, joint, string_joint, piece, connection, _ = prices[:6]
    fuse_days, length_days, stop_days, least_days = prices[6:]
    rooms, days, begins, width, levels = laid
    pieces, room = math.ceil(length / piece - PIECE_SLACK), rooms[inserts]
    strings = math.ceil(pieces / room) if room < pieces else 1
    place, wide, level = inserts // 4, width // levels, levels - 1
    if level > 0:
        longest = (math.ceil(pieces / strings) * piece if strings > 1 else length) - EDGE
        while level > 0 and begins[place * levels + level] >= longest:
            level -= 1
    day = days[place * width + level * wide + (strings if strings < wide else wide) - 1]
    if day == math.inf:
        return math.inf
    joints = pieces - 1.0 if pieces > 1 else 0.0
    stops = strings - 1.0
    pulling = length_days * length + stop_days * stops
    lying = fuse_days * joints + (pulling if pulling > least_days else least_days)
    total = cost + setup + price * length + joint * joints
    total = total + string_joint * stops + connection * digs
    return total + day * lying


def _near(farthest: Any, low: int, place: int, near: int, lowest: float) -> int:
    """Return the first place before one that a pull may come from, sought from ``near`` on.

    ``farthest`` is how far the pits up to each place go, ``lowest`` where a pull may start, m.
    """
    while near > low and farthest[near - 1] >= lowest:
        near -= 1
    while near < place and farthest[near] < lowest:
        near += 1
    return near


def _last(low: int, high: int, length: float, end: Any, value: Any, even: Any) -> tuple[int, float]:
    """Return the state a run's plan ends with, -1 where none, and how far any plan covers."""
    covered, least, evenest = 0.0, math.inf, math.inf
    for k in range(4 * low, 4 * high):
        if value[k] < math.inf:
            covered = max(covered, min(end[k], length))
            if k % 2 == 0 and end[k] >= length - EDGE:  # it inserts no pull ahead
                least = min(least, value[k])
    bar = least + TIE * max(1.0, least)
    for k in range(4 * low, 4 * high, 2):
        if value[k] <= bar and end[k] >= length - EDGE:
            evenest = min(evenest, even[k])
    for k in range(4 * low, 4 * high, 2):
        if value[k] <= bar and end[k] >= length - EDGE and even[k] <= evenest + TIE * evenest:
            return k if value[k] < math.inf else -1, covered
    return -1, covered


def _trace(last: int, back: Any, chosen: Any, begin: int) -> int:
    """Fill in the states that lead to the last one, from a place on; return where they end."""
    stop, at = begin, last
    while at >= 0:
        stop += 1
        at = back[at]
    at = last
    for place in range(stop - 1, begin - 1, -1):
        chosen[place] = at
        at = back[at]
    return stop
