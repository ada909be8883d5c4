"""Why a run has no plan: how far pits and pulls get, from either end, and what stops them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import BoolArray
from geotools.network.stretches import EDGE
from geotools.pulls.lifted import BENDS, PLACES, Lift
from geotools.pulls.optimise import PullCosts, Sites, choose_pits
from geotools.schema import AHEAD, BEHIND, BOTH, RECEIVING, angle_text, length_text
from geotools.siting.candidates import Judged
from geotools.siting.must import Stretches
from geotools.siting.refusals import (
    AVOID,
    BITS,
    NO_ROOM,
    NO_STRING,
    refusal_words,
    told_code,
)

__all__ = [
    "NEAR",
    "SWAPPED",
    "Blocked",
    "Limits",
    "explain_run",
    "held_words",
    "mirrored",
    "reached",
]


@dataclasses.dataclass(frozen=True)
class Blocked:
    """Where a run is blocked: covered from its start to ``low``, from its end back to ``high``."""

    low: float
    high: float
    text: str


Say = Callable[[float], str]
NEAR = 50.0  # m; a bend this near the stretch left is told with it
_METRES = partial(length_text, system="si")


SWAPPED = [RECEIVING, BEHIND, AHEAD, BOTH]  # roles seen from the other end of the run


def mirrored(sites: Sites, run: int) -> Sites:
    """Return one run's sites as seen from its other end."""
    rows = slice(sites.offsets[run], sites.offsets[run + 1])
    length = float(sites.lengths[run])

    def turned(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return values[rows][::-1][:, SWAPPED]

    pieces_ahead, pieces_behind = sites.string_pieces()
    day_ahead, day_behind = sites.string_days()
    begins_ahead, begins_behind = sites.string_begins()
    return Sites(
        offsets=np.array([0, rows.stop - rows.start], dtype=np.int64),
        lengths=np.array([length]),
        start=length - turned(sites.end),
        end=length - turned(sites.start),
        cost=turned(sites.cost),
        reach_ahead=length - turned(sites.reach_behind),
        reach_behind=length - turned(sites.reach_ahead),
        floor=length - turned(sites.roof),
        roof=length - turned(sites.floor),
        passed_start=-turned(sites.passed_end),
        passed_end=-turned(sites.passed_start),
        pieces_ahead=turned(pieces_behind),
        pieces_behind=turned(pieces_ahead),
        string_day_ahead=day_behind[rows][::-1],
        string_day_behind=day_ahead[rows][::-1],
        string_begins_ahead=begins_behind[rows][::-1],
        string_begins_behind=begins_ahead[rows][::-1],
        forced=None if sites.forced is None else turned(sites.forced),
    )


def reached(sites: Sites, costs: PullCosts, *, run: int, covered: float) -> tuple[float, float]:
    """Return how far pits and pulls of a run get from its start, and back from its end, m.

    Parameters as of `explain_run`.
    """
    one = dataclasses.replace(costs, per_length=costs.per_length[run : run + 1])
    length = float(sites.lengths[run])
    back = length - float(choose_pits(mirrored(sites, run), one).covered[0])
    return min(covered, length), max(back, 0.0)


@dataclasses.dataclass(frozen=True)
class Limits:
    """The limits in words, each with the setting that moves it.

    Attributes
    ----------
    pulls : dict
        Limits on pulls, by their names in `lifted`.
    pits : dict
        Limits on pits, as the refusals take them.
    max_length : float
        Longest pull, m.
    say : callable
        Puts a length, m, into words.
    """

    pulls: dict[str, str]
    pits: dict[str, str]
    max_length: float
    say: Callable[[float], str] = _METRES


def explain_run(
    sites: Sites,
    candidates: Judged,
    must: Stretches,
    costs: PullCosts,
    *,
    run: int,
    covered: float,
    held: pd.DataFrame,
    lifted: dict[str | int, Lift],
    limits: Limits,
) -> Blocked:
    """Say what blocks a run that has no plan.

    Parameters
    ----------
    sites, candidates, must, costs
        As given to the optimiser.
    run : int
    covered : float
        Farthest chainage covered from the start, m.
    held : DataFrame
        What must lie in a pit: ``run``, ``chainage`` (m), ``deflection`` (rad; not a number for
        what is no bend).
    lifted : dict
        By limit, what becomes of the run without it.
    limits : Limits
    """
    length = float(sites.lengths[run])
    low, high = reached(sites, costs, run=run, covered=covered)
    rows, places = (
        slice(int(of.offsets[run]), int(of.offsets[run + 1])) for of in (sites, candidates)
    )
    scene = _Scene(candidates, places, limits)
    parts = [_reached(scene, low, high, length)]
    parts += _farthest(sites, rows, low, limits.say)
    mine = held[held["run"] == run]
    parts += _uncontained(scene, must, run, mine, (length, costs.least_length))
    parts += _between(must, run, mine, (low, high), costs.least_length, limits.say)
    beyond = scene.beyond(low)
    parts.append(_blocking(scene, lifted, (low, high), beyond, mine))
    refused = beyond & ~scene.usable
    told = any(isinstance(limit, int) and np.isinf(lift.reach) for limit, lift in lifted.items())
    if refused.any() and not told:
        parts.append(
            f"of {_places(int(beyond.sum()))} within a pull beyond {refused.sum()} are refused "
            f"({scene.counted(refused)})"
        )
    return Blocked(low, high, "; ".join(parts) + ".")


class _Scene:
    """The places of one run, and the words for what speaks against them."""

    def __init__(self, candidates: Judged, rows: slice, limits: Limits) -> None:
        table = candidates.table.iloc[rows]
        self.limits = limits
        self.at = table["chainage"].to_numpy(dtype=float)
        self.start, self.end = candidates.extents.start[rows], candidates.extents.end[rows]
        self.code, self.places = told_code(candidates.code[rows]), candidates.places[rows]
        self.street = table["street_class"].to_numpy(dtype=object)
        self.usable = (self.code == 0).any(axis=1)

    def beyond(self, low: float) -> BoolArray:
        """Return the places within a pull beyond a chainage; at the start also those there."""
        after: BoolArray = (self.at > low) | (low <= 0)
        return after & (self.at <= low + self.limits.max_length)

    def counts(self, chosen: BoolArray, roles: tuple[int, ...] = (0, 1, 2, 3)) -> dict[int, int]:
        """Count the places by what speaks against them, most first."""
        code = self.code[chosen][:, list(roles)]
        found = {bit: int(((code & bit) > 0).any(axis=1).sum()) for bit in BITS}
        return {bit: n for bit, n in sorted(found.items(), key=lambda row: -row[1]) if n}

    def hit(self, bit: int, chosen: BoolArray) -> BoolArray:
        """Return those of some places that have a refusal."""
        return np.asarray(chosen & ((self.code & bit) > 0).any(axis=1))

    def span(self, chosen: BoolArray) -> str:
        """Say from where to where some places lie."""
        at, say = self.at[chosen], self.limits.say
        return f"{say(at.min())} to {say(at.max())}"

    def spots(self, chosen: BoolArray) -> str:
        """Say where some places lie, each for itself where they are few."""
        at, say = self.at[chosen], self.limits.say
        return f"at {' and '.join(map(say, at))}" if len(at) < 3 else self.span(chosen)

    def words(self, bit: int, chosen: BoolArray) -> str:
        """Say one refusal as it holds at some places."""
        hit = self.hit(bit, chosen)
        streets = sorted({str(name) for name in self.street[hit]})
        places = [str(name) for name in self.places[hit].ravel()]
        return refusal_words(bit, self.limits.pits, street=" or ".join(streets), places=places)

    def counted(self, chosen: BoolArray, roles: tuple[int, ...] = (0, 1, 2, 3)) -> str:
        """Say what speaks against some places, and at how many."""
        counts = self.counts(chosen, roles).items()
        return ", ".join(f"{count} x {self.words(bit, chosen)}" for bit, count in counts)


def _reached(scene: _Scene, low: float, high: float, length: float) -> str:
    say = scene.limits.say
    start = f"from the start pits and pulls reach chainage {say(low)}"
    if low <= 0:
        there = np.asarray((scene.start[:, :2] <= EDGE).any(axis=1))
        why = scene.counted(there, (0, 1))
        start = "no pit can stand at the start" + (f" ({why})" if why else "")
    end = f"from the end they come back to {say(high)}"
    if high >= length:
        there = np.asarray((scene.end[:, ::2] >= length - EDGE).any(axis=1))
        why = scene.counted(there, (0, 2))
        end = "no pit can stand at the end" + (f" ({why})" if why else "")
    return f"{start}, {end} of {say(length)}"


def _farthest(sites: Sites, rows: slice, low: float, say: Say) -> list[str]:
    """Say how far a pull may go from any pit up to the last place reached."""
    there = np.isfinite(sites.cost[rows]) & (sites.end[rows] <= low + EDGE)
    reach = float(np.where(there, sites.reach_ahead[rows], -np.inf).max(initial=-np.inf))
    if not np.isfinite(reach) or reach <= low:
        return []
    return [f"no pull ahead from there or before may end past {say(reach)}"]


def _blocking(
    scene: _Scene,
    lifted: dict[str | int, Lift],
    gap: tuple[float, float],
    beyond: BoolArray,
    held: pd.DataFrame,
) -> str:
    """Name the limits without any one of which there is a plan, or else those that hold it up."""
    low, high = gap
    where = beyond & (scene.at <= high)

    def words(limit: str | int) -> str:
        if not isinstance(limit, str):
            bits = (AVOID, NO_ROOM) if limit == PLACES else (limit,)
            told = [_refused_words(scene, bit, where, lifted[limit]) for bit in bits]
            return ", together with ".join(told)
        bends = _bends_words(held, gap, scene.limits.say) if limit == BENDS else ""
        return scene.limits.pulls[limit] + (f": {bends}" if bends else "")

    lifted = _worth_telling(lifted)
    free = [limit for limit, lift in lifted.items() if np.isinf(lift.reach)]
    if free:
        each = "any one of these" if len(free) > 1 else "both" if free == [PLACES] else "it"
        # What denies a string its room is told as far as the shortest, and places to avoid and
        # crossings are one limit: another may lie behind.
        room = ", where the strings then find room" if {*NO_STRING, PLACES} & {*free} else ""
        blocks = " / ".join(map(words, free))
        return f"what blocks it: {blocks}; with {each} lifted there is a plan{room}"
    farther = [
        f"without the limit '{words(limit)}' it reaches {scene.limits.say(lift.reach)}"
        for limit, lift in lifted.items()
        if lift.reach > low + 1.0
    ]
    if farther:
        return f"more than one limit blocks it: {' / '.join(farther)}"
    return "several limits hold at this place at once: no single one lifted would help"


def _worth_telling(lifted: dict[str | int, Lift]) -> dict[str | int, Lift]:
    """Leave out what pits and strings are denied by one place where lifting either does as much."""
    alone = max((lifted[bit].reach for bit in (AVOID, NO_ROOM) if bit in lifted), default=0.0)
    return {
        limit: lift for limit, lift in lifted.items() if limit != PLACES or lift.reach > alone + 1.0
    }


def _refused_words(scene: _Scene, bit: int, where: BoolArray, lift: Lift) -> str:
    """Say a refusal as it holds at some places, and elsewhere where that must be lifted too.

    Elsewhere is where the plan without it has pits it refuses; short of a plan, up to where pits
    and pulls then get, if it has other names there.
    """
    where = where if bit in scene.counts(where) else np.ones(len(scene.at), dtype=bool)
    hit = scene.hit(bit, where)
    first, farther = scene.words(bit, where), np.zeros(len(scene.at), dtype=bool)
    farther[lift.places] = True
    if np.isfinite(lift.reach):
        farther = (scene.at > scene.at[hit].max()) & (scene.at <= lift.reach)
    farther &= scene.hit(bit, ~where)
    other = scene.words(bit, farther) if farther.any() else first
    told = f"{first} at {int(hit.sum())} of {_places(int(where.sum()))}, {scene.span(hit)}"
    if not farther.any() or (other == first and np.isfinite(lift.reach)):
        return told
    return f"{told}, and elsewhere{'' if other == first else f' {other}'}, {scene.spots(farther)}"


def _bends_words(held: pd.DataFrame, gap: tuple[float, float], say: Say) -> str:
    """Name the bends and valves of a run where it is blocked, and count the others lifted too."""
    low, high = gap[0] - NEAR, gap[1] + NEAR
    named, at = held_words(held, low, high, say), held["chainage"].to_numpy(dtype=float)
    others = int(((at < low - EDGE) | (at > high + EDGE)).sum())
    more = f"{others} {'other' if others == 1 else 'others'} of the run" if others else ""
    return ", and ".join(filter(None, (named, more)))


def _places(count: int) -> str:
    return f"{count} place" if count == 1 else f"{count} places"


def held_words(held: pd.DataFrame, low: float, high: float, say: Say) -> str:
    """Name what must lie in a pit between two chainages, m: bends with their angle, valves."""
    at = held["chainage"].to_numpy(dtype=float)
    turn = held["deflection"].to_numpy(dtype=float)
    return " and ".join(
        (f"the bend of {angle_text(t)} deg" if np.isfinite(t) else "the valve") + f" at {say(c)}"
        for c, t in zip(at, turn, strict=True)
        if low - EDGE <= c <= high + EDGE
    )


def _between(
    must: Stretches,
    run: int,
    held: pd.DataFrame,
    gap: tuple[float, float],
    least_length: float,
    say: Say,
) -> list[str]:
    """Say what keeps the two ends apart where both get to the same place, or nearly.

    ``held`` is what of the run must lie in a pit.
    """
    low, high = gap
    if low >= high:
        return [
            "both directions get past this place, but no pit joins the two: the pulls they need "
            "would be shorter than the least or both be inserted, or received, on one side"
        ]
    if high - low >= least_length or low <= 0:
        return []
    middle = (must.low + must.high) / 2
    mine = np.flatnonzero(must.run == run)
    beside = [*mine[middle[mine] <= low][-1:], *mine[middle[mine] >= high][:1]]
    words = [held_words(held, must.low[k], must.high[k], say) for k in beside]
    nearest = f"; {' and '.join(words)} must lie in a pit" if words else ""
    return [
        f"the {say(high - low)} left between are shorter than the shortest pull of "
        f"{say(least_length)} (pulls.min_length){nearest}"
    ]


def _uncontained(
    scene: _Scene, must: Stretches, run: int, held: pd.DataFrame, sizes: tuple[float, float]
) -> list[str]:
    """Name the stretches that must lie in a pit and that no permitted pit holds, and why none.

    ``sizes`` are the length of the run and the shortest pull, m.
    """
    out = []
    for k in np.flatnonzero(must.run == run):
        low, high = float(must.low[k]), float(must.high[k])
        holds = (scene.start <= low + EDGE) & (scene.end >= high - EDGE)
        if (holds & (scene.code == 0)).any():
            continue
        near = np.asarray(holds.any(axis=1))
        why = scene.counted(near)
        at = held["chainage"].to_numpy(dtype=float)
        count = int(((at >= low - EDGE) & (at <= high + EDGE)).sum())
        out.append(
            f"{held_words(held, low, high, scene.limits.say)} cannot be passed and no permitted "
            f"pit holds {'it' if count < 2 else 'all of it'}: "
            f"{_places(int(near.sum()))} looked at" + (f" ({why})" if why else "")
        )
        ends = (low <= 0.0, high >= sizes[0])
        out += _sharing(count, ends, sizes[1], scene.limits.say)
    return out


def _sharing(count: int, ends: tuple[bool, bool], least_length: float, say: Say) -> list[str]:
    """Say why so many bends or valves share a pit, with each other or with an end of the run."""
    others = [
        f"the {end} of the run" for end, near in zip(("start", "end"), ends, strict=True) if near
    ]
    if count > 1:
        others.insert(0, "each other")
    if not others:
        return []
    subject = "they are" if count > 1 else "it is"
    return [
        f"{subject} so near to {' and '.join(others)} that the shortest pull of "
        f"{say(least_length)} [pulls.min_length] has no room between two pits: one must hold all"
    ]
