"""Levels of lines where none is known: filled from those known on the same line."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.ground.filled import filled_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["KNOWN_FROM", "filled_levels", "known_from", "with_known_levels"]

# What the levels of a line rest on; the schema says what each means.
KNOWN_FROM = ("known", "filled", "none")
NO_LEVEL = 0.0  # not a number would take x and y with it when the line is moved to another CRS


def filled_levels(line: IntArray, at: FloatArray, z: FloatArray) -> FloatArray:
    """Return levels of vertices, each of them a number.

    Parameters
    ----------
    line : ndarray of int64, shape (n,)
        The line of each vertex, in order.
    at : ndarray, shape (n,)
        How far along the line it lies, in any unit.
    z : ndarray, shape (n,)
        Its level; not-a-number where that is not known.

    Returns
    -------
    ndarray, shape (n,)
        Levels known as they are; between two of a line straight, beyond its last the same.
        `NO_LEVEL` all along a line that has none.
    """
    filled = filled_along(line, at, z)
    return np.where(np.isnan(filled), NO_LEVEL, filled)


def known_from(line: IntArray, z: FloatArray, lines: int) -> npt.NDArray[np.object_]:
    """Return of each of so many lines which of `KNOWN_FROM` its levels will be, once filled."""
    known = np.isfinite(z)
    some, gaps = (np.bincount(line[rows], minlength=lines) > 0 for rows in (known, ~known))
    code = np.where(~gaps, 0, np.where(some, 1, 2))
    return np.array(KNOWN_FROM, dtype=object)[code]


def with_known_levels(lines: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return lines with a number for the level of every vertex; none may be missing in part."""
    xyz, index = shapely.get_coordinates(lines, include_z=True, return_index=True)
    lost: BoolArray = ~np.isfinite(xyz[:, 2])
    if not lost.any():
        return lines
    rows = np.unique(index[lost])
    held = np.isin(index, rows)
    xyz, of = xyz[held], np.searchsorted(rows, index[held]).astype(np.int64)
    steps = np.hypot(*np.diff(xyz[:, :2], axis=0, prepend=xyz[:1, :2]).T)
    xyz[:, 2] = filled_levels(of, np.cumsum(steps), xyz[:, 2])
    out = lines.copy()
    out[rows] = shapely.linestrings(xyz, indices=of)
    return out
