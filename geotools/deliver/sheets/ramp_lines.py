"""Lines of ramps in a profile: from the host's axis at the foot to where the string rests."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["WAYS", "foot_of", "ramp_lines"]

FloatArray = npt.NDArray[np.float64]
_PLACES = 33  # along a ramp
_EDGE = 1e-3  # m; told in feet and hundredths of a millimetre, edges that are one differ by less
# In which chainage goes from the foot of a ramp to its top, by the way its pull goes.
WAYS = {"ahead": -1.0, "behind": 1.0}


def ramp_lines(
    pits: Any, chainage: FloatArray, axis: FloatArray, length: float
) -> Iterator[FloatArray]:
    """Yield the ramps that lie over the run, or go on beyond its end, shape (k, 2).

    Chainages, below 0 or past the end where a ramp lies there, and levels of the carrier's axis,
    m. Between foot and top, whose levels and slopes the plan tells, it is drawn as the cubic that
    has both. A ramp that leaves the run at a bend is in no profile along it.

    Parameters
    ----------
    pits : DataFrame
        Of one run.
    chainage, axis : ndarray, shape (n,)
        Its stations in order and the levels of the host's axis, m; not-a-number where not known.
    length : float
        Of the run, m.
    """
    for pit in pits.to_dict("records"):
        for name, way in WAYS.items():
            ramp = float(pit[f"ramp_{name}"])
            foot = foot_of(pit, way, ramp, length) if ramp > 0 else np.nan
            level = np.interp(foot, chainage, axis) if len(chainage) else np.nan
            if not np.isfinite(foot + level + pit[f"drop_{name}"]):
                continue
            share = np.linspace(0.0, 1.0, _PLACES)
            slopes = (ramp * float(pit[f"{end}_slope_{name}"]) for end in ("host", "rest"))
            rise = _cubic(share, float(pit[f"drop_{name}"]), *slopes)
            yield np.column_stack([foot + way * ramp * share, level + rise])


def foot_of(pit: Mapping[str, Any], way: float, ramp: float, length: float) -> float:
    """Return the chainage of the foot of a ramp along the run; not-a-number where it leaves it.

    It is at the station, and of two ramps in one hole half of their length on from it.
    """
    at, before, after = (float(pit[name]) for name in ("chainage", "before", "after"))
    opened, to_end = (before, at) if way < 0 else (after, length - at)
    if opened >= min(ramp, to_end) - _EDGE:
        return at
    both = pit["role"] == "insertion_both" and abs(before - after) <= _EDGE
    if both and abs(before + after - pit["length"]) <= _EDGE:
        return at - way * ramp / 2
    return float("nan")


def _cubic(share: FloatArray, drop: float, first: float, last: float) -> FloatArray:
    """Return the cubic from 0 to a drop with slopes at both ends, over a length of 1."""
    t = share
    return np.asarray(
        (3 * t**2 - 2 * t**3) * drop + (t**3 - 2 * t**2 + t) * first + (t**3 - t**2) * last,
        dtype=np.float64,
    )
