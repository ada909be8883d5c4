"""Vectors in the plane, row by row."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import FloatArray

__all__ = ["cross", "unit_vectors"]


def cross(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the cross products of rows of vectors, shape (n, 2): above 0 where one turns left."""
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0], dtype=np.float64)


def unit_vectors(way: FloatArray) -> FloatArray:
    """Return rows of vectors, shape (n, 2), as long as 1; those without length stay so."""
    return np.asarray(way / np.maximum(np.hypot(*way.T), 1e-12)[:, None], dtype=np.float64)
