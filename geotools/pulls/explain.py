"""Why a run has no plan: how far pits and pulls get, from either end, and what stops them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from geotools.network.ragged import FloatArray
from geotools.pulls.optimise import PullCosts, Sites, choose_pits
from geotools.siting.candidates import Candidates
from geotools.siting.must import Stretches

__all__ = ["Blocked", "explain_run", "mirrored", "reached"]


@dataclasses.dataclass(frozen=True)
class Blocked:
    """Where a run is blocked: covered from its start to ``low``, from its end back to ``high``."""

    low: float
    high: float
    text: str


Say = Callable[[float], str]


def _metres(length: float) -> str:
    return f"{length:,.1f} m"


_SWAPPED = [0, 2, 1, 3]  # roles seen from the other end of the run


def mirrored(sites: Sites, run: int) -> Sites:
    """Return one run's sites as seen from its other end."""
    rows = slice(sites.offsets[run], sites.offsets[run + 1])
    length = float(sites.lengths[run])

    def turned(values: FloatArray) -> FloatArray:
        return values[rows][::-1][:, _SWAPPED]

    pieces_ahead, pieces_behind = sites.string_pieces()
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
    )


def reached(sites: Sites, costs: PullCosts, *, run: int, covered: float) -> tuple[float, float]:
    """Return how far pits and pulls of a run get from its start, and back from its end, m.

    Parameters as of `explain_run`.
    """
    one = dataclasses.replace(costs, per_length=costs.per_length[run : run + 1])
    length = float(sites.lengths[run])
    back = length - float(choose_pits(mirrored(sites, run), one).covered[0])
    return min(covered, length), max(back, 0.0)


def explain_run(
    sites: Sites,
    candidates: Candidates,
    must: Stretches,
    costs: PullCosts,
    *,
    run: int,
    covered: float,
    max_length: float,
    say: Say = _metres,
) -> Blocked:
    """Say what blocks a run that has no plan.

    Parameters
    ----------
    sites, candidates, must, costs
        As given to the optimiser.
    run : int
    covered : float
        Farthest chainage covered from the start, m.
    max_length : float
        Longest pull, m.
    say : callable, optional
        Puts a length, m, into words.
    """
    length = float(sites.lengths[run])
    low, high = reached(sites, costs, run=run, covered=covered)
    parts = [_reached(low, high, length, say)]
    rows = slice(sites.offsets[run], sites.offsets[run + 1])
    parts += _uncontained(candidates, must, run, rows, say)
    parts += _between(must, run, (low, high), costs.least_length, say)
    parts += _refused_beyond(candidates, rows, low, max_length)
    if len(parts) == 1:
        parts.append(
            "no pull from there is allowed by its force, the shift it must fit, the room for its "
            "strings and its length together (pulls, crew.shift)"
        )
    return Blocked(low, high, "; ".join(parts) + ".")


def _reached(low: float, high: float, length: float, say: Say) -> str:
    start = (
        f"from the start pits and pulls reach chainage {say(low)}"
        if low > 0
        else ("no pit can stand at the start")
    )
    end = (
        f"from the end they come back to {say(high)}"
        if high < length
        else ("no pit can stand at the end")
    )
    return f"{start}, {end} of {say(length)}"


def _between(
    must: Stretches, run: int, gap: tuple[float, float], least_length: float, say: Say
) -> list[str]:
    """Say what keeps the two ends apart where both get to the same place, or nearly."""
    low, high = gap
    if low >= high:
        return [
            "both directions get past this place, but no pit joins the two: the pulls they need "
            "would be shorter than the least or both be inserted, or received, on one side"
        ]
    if high - low >= least_length or low <= 0:
        return []
    middle = ((must.low + must.high) / 2)[must.run == run]
    beside = [*middle[middle <= low][-1:], *middle[middle >= high][:1]]
    bends = " and ".join(map(say, beside))
    nearest = f"; bends that cannot be passed lie at {bends}" if bends else ""
    return [
        f"the {say(high - low)} left between are shorter than the shortest pull of "
        f"{say(least_length)} (pulls.min_length){nearest}"
    ]


def _uncontained(
    candidates: Candidates, must: Stretches, run: int, rows: slice, say: Say
) -> list[str]:
    """Name the stretches that must lie in a pit and that no usable pit holds."""
    usable = np.isfinite(candidates.cost[rows])
    start, end = candidates.extents.start[rows], candidates.extents.end[rows]
    out = []
    for k in np.flatnonzero(must.run == run):
        holds = usable & (start <= must.low[k] + 1e-6) & (end >= must.high[k] - 1e-6)
        if not holds.any():
            out.append(
                f"the bend at {say((must.low[k] + must.high[k]) / 2)} cannot be passed and no "
                "permitted pit holds it"
            )
    return out


def _refused_beyond(
    candidates: Candidates, rows: slice, low: float, max_length: float
) -> list[str]:
    """Count why places within a pull beyond the stretch covered are refused."""
    table = candidates.table.iloc[rows]
    at = table["chainage"].to_numpy(dtype=float)
    near = table[(at > low) & (at <= low + max_length)]
    refused = near[~near["usable"].to_numpy(dtype=bool)]
    if refused.empty:
        return []
    counts = refused["reasons"].str.replace(r"^for: [^;]*; ", "", regex=True).value_counts()
    told = ", ".join(f"{count} x {reason}" for reason, count in counts.head(3).items())
    return [f"of {len(near)} places within a pull beyond it {len(refused)} are refused ({told})"]
