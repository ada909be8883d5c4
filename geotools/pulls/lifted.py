"""What would be if one limit did not hold: the runs with no plan, planned again without it.

The limit that blocks a run is the one without which there is a plan, or without which pits and
pulls get farther. Each is lifted alone, wherever it holds, for all blocked runs at once; pits it
refused are then the last resort, so that the plan has no more of them than it needs.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray, offsets_of, rows_of, take
from geotools.pulls.force import ForceProfile
from geotools.pulls.optimise import ChosenPits, PullCosts, choose_pits
from geotools.pulls.sites import build_sites
from geotools.siting.candidates import Judged
from geotools.siting.must import Stretches
from geotools.siting.refusals import AVOID, BITS, NO_ROOM, NO_STRING

__all__ = [
    *("BENDS", "FORCE", "LENGTH", "PLACES", "SHIFT", "SHORT", "TENSION"),
    *("Lift", "lift_limits"),
]

# Limits on pulls; those on pits are the bits of `refusals`.
LENGTH, FORCE, TENSION, SHIFT, SHORT, BENDS = (
    "length", "force", "tension", "shift", "short", "bends",
)  # fmt: skip
PLACES = AVOID | NO_ROOM  # one place to avoid may be in the way of pits and of strings
LAST_RESORT = 1e9  # what a pit costs that is there only because a limit does not hold


@dataclasses.dataclass(frozen=True)
class Lift:
    """A run planned again without one limit.

    ``reach`` is how far pits and pulls then get from its start, m; infinite where there is a plan.
    ``places`` are those of the run, counted from its first, where that plan has a pit the limit
    refuses.
    """

    reach: float
    places: IntArray


def lift_limits(
    candidates: Judged,
    profile: ForceProfile,
    must: Stretches,
    costs: PullCosts,
    runs: IntArray,
    *,
    lengths: FloatArray,
    limit: FloatArray,
    max_length: float,
    digs: pd.DataFrame,
) -> dict[str | int, list[Lift]]:
    """Plan runs again with each limit lifted alone.

    Parameters
    ----------
    candidates, profile, must, lengths, limit, max_length, digs
        As for `build_sites`, for all runs.
    costs : PullCosts
    runs : ndarray of int64, shape (k,)
        Runs to plan again, rising.

    Returns
    -------
    dict
        By limit, what became of each of these runs without it. Refusals are lifted where a place
        has any.
    """
    plain = _Case(
        part=_part(candidates, runs),
        profile=profile,
        must=must,
        limit=limit,
        max_length=max_length,
        costs=dataclasses.replace(costs, per_length=costs.per_length[runs]),
    )
    out: dict[str | int, list[Lift]] = {}
    for name, case in _cases(plain, float(lengths.max(initial=0.0))).items():
        sites = build_sites(
            case.part,
            case.profile,
            case.must,
            lengths=lengths,
            limit=case.limit,
            max_length=case.max_length,
            digs=digs,
            objective=_objective(case.part, plain.part),
        )
        choice = choose_pits(dataclasses.replace(sites, lengths=lengths[runs]), case.costs)
        out[name] = [_lift(choice, plain.part, place) for place in range(len(runs))]
    return out


def _objective(lifted: Judged, plain: Judged) -> FloatArray:
    """Return what pits cost without a limit: all alike but for those it refuses."""
    allowed = np.where(plain.code == 0, 1.0, LAST_RESORT)
    return np.where(lifted.code == 0, allowed, np.inf)


def _lift(choice: ChosenPits, plain: Judged, run: int) -> Lift:
    """Return what became of a run."""
    states = choice.states[choice.offsets[run] : choice.offsets[run + 1]]
    place, role = states // 4, states % 4
    refused = place[plain.code[place, role] != 0]
    reach = np.inf if np.isfinite(choice.cost[run]) else float(choice.covered[run])
    return Lift(reach, refused - plain.offsets[run])


@dataclasses.dataclass(frozen=True)
class _Case:
    """What a plan is made from."""

    part: Judged
    profile: ForceProfile
    must: Stretches
    limit: FloatArray
    max_length: float
    costs: PullCosts


def _cases(plain: _Case, longest: float) -> dict[str | int, _Case]:
    """Return what a plan would be made from with each limit lifted."""
    must, part = plain.must, plain.part
    cases: dict[str | int, _Case] = {
        LENGTH: dataclasses.replace(plain, max_length=longest),
        FORCE: dataclasses.replace(plain, limit=np.full(len(plain.limit), np.inf)),
        TENSION: dataclasses.replace(plain, profile=plain.profile.unbent()),
        SHIFT: dataclasses.replace(plain, part=_unhurried(part)),
        SHORT: dataclasses.replace(plain, costs=dataclasses.replace(plain.costs, least_length=0.0)),
        BENDS: dataclasses.replace(
            plain, must=Stretches(must.run[:0], must.low[:0], must.high[:0], must.runs)
        ),
    }
    there = [bit for bit in BITS if (part.code & bit).any()]
    there += [PLACES] if {AVOID, NO_ROOM} <= {*there} else []
    for bits in there:
        allowed = dataclasses.replace(part, code=part.code & ~bits)
        room = [bit for bit in NO_STRING if bits & bit]
        allowed = _roomy(allowed, room[0]) if room else allowed
        cases[bits] = dataclasses.replace(plain, part=allowed)
    return cases


def _part(candidates: Judged, runs: IntArray) -> Judged:
    """Return the candidates of some runs; what the optimiser does not look at is left as it is."""
    rows = take(candidates.offsets, runs)
    return dataclasses.replace(
        candidates,
        table=candidates.table.iloc[rows].reset_index(drop=True),
        offsets=offsets_of(np.diff(candidates.offsets)[runs]),
        extents=rows_of(candidates.extents, rows),
        laydown=rows_of(candidates.laydown, rows),
        code=candidates.code[rows],
    )


def _unhurried(part: Judged) -> Judged:
    """Return the candidates with no shift that a pull must fit."""
    free = np.full(len(part.table), np.inf)
    laydown = dataclasses.replace(part.laydown, longest_ahead=free, longest_behind=free)
    return dataclasses.replace(part, laydown=laydown)


def _roomy(part: Judged, bit: int) -> Judged:
    """Return the candidates with room for strings wherever this alone denies it."""
    room = part.laydown
    none_ahead, none_behind = room.lack_ahead == bit, room.lack_behind == bit
    laydown = dataclasses.replace(
        room,
        day_ahead=np.where(none_ahead[:, None], 0.0, room.day_ahead),
        day_behind=np.where(none_behind[:, None], 0.0, room.day_behind),
        pieces_ahead=np.where(none_ahead, np.inf, room.pieces_ahead),
        pieces_behind=np.where(none_behind, np.inf, room.pieces_behind),
        longest_ahead=np.where(none_ahead, np.inf, room.longest_ahead),
        longest_behind=np.where(none_behind, np.inf, room.longest_behind),
    )
    return dataclasses.replace(part, laydown=laydown)
