"""How much shorter a line beside a street is: what its turns take off, vertex by vertex."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import FloatArray, IntArray

__all__ = ["SHARPEST", "swings", "turns"]

GRAIN = 2.0**-30  # m for each metre beside the line; sums of whole ones are exact
SHARPEST = np.radians(120.0)  # of a sharper turn the mitre says nothing


def swings(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return by how much a line 1 m to the left is shorter, at every vertex summed from the first.

    The sum runs over all lines; only differences within one mean something.
    """
    out = 2 * np.tan(np.clip(turns(xy, offsets), -SHARPEST, SHARPEST) / 2)
    # In whole grains, so that the difference of two sums hangs on nothing but what is between.
    return np.asarray(np.cumsum(np.rint(out / GRAIN) * GRAIN), dtype=np.float64)


def turns(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return how far lines turn at each vertex, rad, to the left above 0; 0 at their ends."""
    step = np.diff(xy, axis=0)
    before, after = step[:-1], step[1:]
    out = np.zeros(len(xy))
    out[1:-1] = np.arctan2(
        before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)
    )
    out[offsets[:-1]] = out[offsets[1:] - 1] = 0.0
    return out
