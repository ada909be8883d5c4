"""Levels of lines where none is known: filled from those known on the same line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.ground.filled import filled_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = [
    "KNOWN_FROM",
    "Profile",
    "filled_levels",
    "known_from",
    "levels_of_pulls",
    "scaled_levels",
    "with_known_levels",
]

# What the levels of a line rest on; the schema says what each means.
KNOWN_FROM = ("known", "filled", "none")
NO_LEVEL = 0.0  # not a number would take x and y with it when the line is moved to another CRS


@dataclass(frozen=True)
class Profile:
    """Levels along a pull as its line has them: chainages of the run, rising; no level if bare."""

    at: FloatArray
    z: FloatArray

    def holds(self, at: FloatArray) -> BoolArray:
        """Return which chainages of its run lie on it."""
        found: BoolArray = (at >= self.at[0]) & (at <= self.at[-1])
        return found


def levels_of_pulls(
    at: FloatArray, z: FloatArray, pulls: Sequence[Profile]
) -> tuple[FloatArray, FloatArray]:
    """Return levels of a run where its stations have none as its pulls have them, in order.

    Between pulls, in pits, they go straight from one to the next; where a pull is bare, so is
    the run.

    Parameters
    ----------
    at, z : ndarray, shape (n,)
        Chainage of the stations in order, and their levels; not-a-number where not known.
    pulls : sequence of Profile

    Returns
    -------
    at, z : ndarray
        The ends of the pulls among them, where pit and pull meet.
    """
    ends = np.concatenate([[], *(pull.at[[0, -1]] for pull in pulls)])
    every = np.unique(np.concatenate([at, ends[~np.isin(ends, at)]]))
    levels = np.full(len(every), np.nan)
    levels[np.searchsorted(every, at)] = z
    bare = np.zeros(len(every), dtype=bool)
    for pull in pulls:
        lost = pull.holds(every) & np.isnan(levels)
        levels[lost] = np.interp(every[lost], pull.at, pull.z)
        bare |= pull.holds(every) & np.isnan(levels)
    filled = filled_along(np.zeros(len(every), dtype=np.int64), every, levels)
    return every, np.where(bare, np.nan, filled)


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


def scaled_levels(lines: npt.NDArray[Any], factor: float) -> npt.NDArray[Any]:
    """Return lines with their levels in another unit; x and y stay."""
    if factor == 1.0:
        return lines
    scaled: npt.NDArray[Any] = shapely.transform(
        lines, lambda xyz: xyz * (1.0, 1.0, factor), include_z=True
    )
    return scaled


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
