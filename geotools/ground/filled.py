"""Values along lines filled in where none is known, from those known on the same line."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import FloatArray, IntArray

__all__ = ["filled_along"]


def filled_along(line: IntArray, at: FloatArray, values: FloatArray) -> FloatArray:
    """Return values with the gaps of each line filled in.

    Parameters
    ----------
    line : ndarray of int64, shape (n,)
        The line of each place, in order.
    at : ndarray, shape (n,)
        How far along the line it lies, in any unit.
    values : ndarray, shape (n,)
        Not-a-number where not known.

    Returns
    -------
    ndarray, shape (n,)
        Values known as they are; between two of a line straight, beyond its last the same; all
        along a line that has none, not-a-number.
    """
    known = np.isfinite(values)
    if known.all():
        return values
    place = np.arange(len(values))
    before = np.maximum.accumulate(np.where(known, place, -1))
    after = np.minimum.accumulate(np.where(known, place, len(values))[::-1])[::-1]
    has_before = (before >= 0) & (line[before] == line)
    has_after = (after < len(values)) & (line[np.minimum(after, len(values) - 1)] == line)
    low = np.where(has_before, before, np.where(has_after, after, 0))
    high = np.where(has_after, after, low)
    span = at[high] - at[low]
    share = np.where(span > 0, (at - at[low]) / np.where(span > 0, span, 1.0), 0.0)
    straight = values[low] + share * (values[high] - values[low])
    return np.where(known, values, np.where(has_before | has_after, straight, np.nan))
