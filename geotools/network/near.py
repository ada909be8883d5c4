"""Near places: points that lie within a distance of each other."""

from __future__ import annotations

import numpy as np

from geotools.network.cells import spread_out
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["near_pairs"]

CELLS = 2.0**30  # along the longer side at most: numbers of cells stay exact


def near_pairs(points: FloatArray, distance: float) -> IntArray:
    """Return the pairs of points no farther apart than a distance above 0, the lower row first.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    distance : float

    Returns
    -------
    ndarray of int64, shape (k, 2)
        Sorted; each pair once. Points are looked for in square cells as wide as the distance,
        in their own cell and the four of eight around it that come after it.
    """
    if len(points) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    from_corner = points - points.min(axis=0)
    side = max(1.001 * distance, float(from_corner.max()) / CELLS)
    column, row = np.floor(from_corner / side).astype(np.int64).T
    rows = int(row.max()) + 3  # a free row between columns: no cell is beside one of the next
    cell = column * rows + row
    order = np.argsort(cell, kind="stable")
    cell, at = cell[order], points[order]
    found = []
    for step in (0, 1, rows - 1, rows, rows + 1):
        low = np.arange(1, len(cell) + 1) if step == 0 else np.searchsorted(cell, cell + step)
        counts = np.maximum(np.searchsorted(cell, cell + step, side="right") - low, 0)
        one, place = spread_out(counts)
        other = low[one] + place
        gap = at[one] - at[other]
        near = gap[:, 0] ** 2 + gap[:, 1] ** 2 <= distance * distance
        found.append(np.stack([one[near], other[near]], axis=1))
    pairs = np.sort(order[np.concatenate(found)], axis=1)
    return pairs[np.lexsort(pairs.T[::-1])].astype(np.int64)
