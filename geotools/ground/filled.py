"""Values along lines filled in where none is known, from those known on the same line."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["filled_along", "known_beside"]


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
    before, after = known_beside(line, known)
    low, high = np.where(before >= 0, before, after), np.where(after >= 0, after, before)
    span = at[high] - at[low]
    share = np.where(span > 0, (at - at[low]) / np.where(span > 0, span, 1.0), 0.0)
    straight = values[low] + share * (values[high] - values[low])
    return np.where(known, values, np.where(low >= 0, straight, np.nan))


def known_beside(line: IntArray, known: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the last place known before each, and the first after it, itself if it is known.

    Rows of places on the same line, shape (n,); -1 where there is none.
    """
    place = np.arange(len(line))
    before = np.maximum.accumulate(np.where(known, place, -1))
    after = np.minimum.accumulate(np.where(known, place, len(line))[::-1])[::-1]
    has_before = (before >= 0) & (line[before] == line)
    has_after = (after < len(line)) & (line[np.minimum(after, len(line) - 1)] == line)
    return np.where(has_before, before, -1), np.where(has_after, after, -1)
