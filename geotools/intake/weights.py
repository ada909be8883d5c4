"""Weights of places to avoid that are likely no weights."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.intake.limits import nines
from geotools.intake.notes import Note, note

__all__ = ["doubtful_weights"]

FloatArray = npt.NDArray[np.float64]
UNSAID = (
    "a soft place without a weight: the site of a pit there costs rates.soft_place_factor times as "
    "much; give its weight if another is meant"
)
LEAST = 1.0  # no place is dearer to avoid by a factor below


def doubtful_weights(weight: FloatArray, hard: FloatArray, column: str) -> list[Note]:
    """Return notes on weights of soft places that are missing, look like a code, or do nothing.

    A weight of 999 may be meant for "hardly ever", so that it is used as written; those below 0
    are out of the limits, and missing.

    Parameters
    ----------
    weight : ndarray, shape (n,)
        Factor on the site cost of a pit, NaN where missing.
    hard : ndarray, shape (n,)
        0 where the place is soft; elsewhere the weight has no say.
    column : str
        Where it is from.
    """
    soft = hard == 0
    code = np.flatnonzero(soft & nines(weight))
    with np.errstate(invalid="ignore"):
        small = np.flatnonzero(soft & (weight < LEAST))
    return [
        *note("info", "no-weight", np.flatnonzero(soft & np.isnan(weight)), UNSAID),
        *note(
            "warning",
            "weight-doubtful",
            code,
            [
                f"weight is {w:g} (column {column!r}), which looks like a code for not known; used "
                f"as written, so that the site of a pit there costs {w:,.0f} times as much; leave "
                "it empty where it is not known; if no pit may lie there, make it hard"
                for w in weight[code]
            ],
        ),
        *note(
            "warning",
            "weight-doubtful",
            small,
            [
                f"weight is {w:g} (column {column!r}), which would make a place to avoid the "
                "cheaper one; counts as 1, as if the place were not there; leave it empty where it "
                "is not known"
                for w in weight[small]
            ],
        ),
    ]
