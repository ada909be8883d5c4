"""Values of criteria in words, and why a run is in need."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geotools.criteria import CRITERIA, NEED, Criterion
from geotools.schema import DIMENSIONS, NEEDS, unit_sign
from geotools.screening.assess import Screened, of_kind, weights_of
from geotools.units import told_apart

__all__ = ["needs_told", "shown", "unit_of"]

MOST = 3  # criteria that are named of a need; of those that are high every one
# How much more a stretch is in need than its run to be told, and of how much of the run: judgement.
FAR, PART = 0.2, 0.5
NAMED = 5  # mains of it that are named


def unit_of(criterion: Criterion, units: str) -> tuple[str, float]:
    """Return the unit a criterion is told in, in words, and its size in SI."""
    if criterion.dimension is None:
        return ("%", 0.01) if criterion.share else ("", 1.0)
    suffix, size = DIMENSIONS[criterion.dimension].shown_in(units)
    return unit_sign(suffix), size


def shown(criterion: Criterion, values: Sequence[float], units: str) -> list[str]:
    """Return values in words, with as many digits as it takes to tell the first from the rest."""
    unit, size = unit_of(criterion, units)
    return told_apart(
        values, criterion.digits, lambda value, d: f"{value / size:,.{d}f} {unit}".rstrip()
    )


def needs_told(screened: Screened, units: str) -> list[str]:
    """Say why each run is in need: what adds most to it, and a stretch in far more; "" of none."""
    ranked = screened.ranked
    told = []
    for run, score in enumerate(ranked.need.score.tolist()):
        parts = [*_needs_of(screened, run, units)]
        if score > 0 and not parts:
            parts = ["what is not on record (screening.unknown_need)"]
        drowned = _drowned(screened, run)
        text = f"need {score:.2f}" + (f": {', '.join(parts)}" if parts else "")
        told.append("; ".join([text, *drowned]) if parts or drowned else "")
    return told


def _needs_of(screened: Screened, run: int, units: str) -> list[str]:
    """Say the values that add most to the need of a run, the one that adds most first."""
    ranked = screened.ranked
    part = np.nan_to_num(ranked.mark[run]) * weights_of(screened.ground.brief) * of_kind(NEED)
    order = sorted(np.flatnonzero(part > 0).tolist(), key=lambda k: (-part[k], k))
    high, words = NEEDS[0], ranked.words[run]
    return [
        _need_text(screened, run, k, units)
        for place, k in enumerate(order)
        if place < MOST or words[k] == high
    ]


def _need_text(screened: Screened, run: int, k: int, units: str) -> str:
    """Say a value of need, whether it is high, and on how much of the run it is on record."""
    measured, word = screened.measured, screened.ranked.words[run, k]
    pair = (measured.value[run, k], measured.full_at[run, k])
    value, limit = shown(CRITERIA[k], pair, units)
    told = f"high from {limit}" if word == NEEDS[0] else f"{word}, high from {limit}"
    known = float(measured.known[run, k])
    if known < 1 - 1e-9:
        told += f"; {told_apart((known, 1.0), 0, lambda v, d: f'{v:.{d}%}')[0]} on record"
    return f"{CRITERIA[k].says} {value} ({told})"


def _drowned(screened: Screened, run: int) -> list[str]:
    """Say of a run whose need is far below that of its worst stretch where that lies."""
    worst, length = screened.worst, screened.ground.runs.table["length"].iloc[run]
    need = screened.ranked.need.score[run]
    if not (worst.need[run] >= need + FAR and worst.length[run] <= length * PART):
        return []
    mains = worst.mains[run].split(",")
    more = f" and {len(mains) - NAMED} more" if len(mains) > NAMED else ""
    long = screened.ground.layers.findings.length(float(worst.length[run]), 0)
    return [f"{worst.need[run]:.2f} on {long} of it ({', '.join(mains[:NAMED])}{more})"]
