"""Intersections of streets: nodes where three or more street ends meet."""

from __future__ import annotations

import numpy as np

from geotools.intake.columns import Lines
from geotools.network.noding import node_lines
from geotools.network.ragged import FloatArray

__all__ = ["find_intersections"]


def find_intersections(streets: Lines, *, tolerance: float) -> FloatArray:
    """Return the middles of intersections, shape (k, 2), m.

    Parameters
    ----------
    streets : Lines
        Street centrelines.
    tolerance : float
        Snap tolerance for ends that just miss another street, m.

    Notes
    -----
    Streets that cross with no node (a bridge) make no intersection.
    """
    graph = node_lines(streets.xy, streets.offsets, tolerance=tolerance)
    return np.asarray(graph.node_xy[graph.degrees() >= 3], dtype=np.float64)
