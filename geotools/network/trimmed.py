"""Trimmed lines: what is left of lines between two distances along them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.network.places import Places, on_measures
from geotools.network.ragged import (
    FloatArray,
    IntArray,
    lengths_along,
    linestrings_at,
    offsets_of,
    take,
    to_linestrings,
)

__all__ = ["trimmed_lines"]


def trimmed_lines(
    xy: FloatArray, places: Places, line: IntArray, low: FloatArray, high: FloatArray
) -> npt.NDArray[np.object_]:
    """Return the shapely lines of these rows from one distance along them to another.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
    places : Places
        Where the vertices lie along their lines (`ragged.measures`).
    line : ndarray of int64, shape (k,)
    low, high : ndarray, shape (k,)
        m; ``low`` below ``high``, both on the line. Most are whole lines.
    """
    offsets = places.offsets
    out = linestrings_at(xy, offsets, line)
    short = np.flatnonzero((low > 0.0) | (high < lengths_along(places.at, offsets)[line]))
    if not len(short):
        return out
    row, low, high = line[short], low[short], high[short]
    vertex = take(offsets, row)
    of = np.repeat(np.arange(len(row)), np.diff(offsets)[row])
    along = places.at[vertex]
    inner = (along > low[of]) & (along < high[of])
    bounds = offsets_of(np.bincount(of[inner], minlength=len(row)) + 2)
    kept = np.ones(bounds[-1], dtype=bool)
    kept[bounds[:-1]] = kept[bounds[1:] - 1] = False
    parts = np.empty((bounds[-1], 2))
    parts[kept] = xy[vertex[inner]]
    parts[bounds[:-1]] = on_measures(xy, places, row, low)
    parts[bounds[1:] - 1] = on_measures(xy, places, row, high)
    out[short] = to_linestrings(parts, bounds)
    return out
