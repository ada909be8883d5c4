"""Grounds of pits that are polygons as they are given."""

from __future__ import annotations

import numpy as np
import shapely

from geotools.siting.grounds import Grounds, Polygons


def grounds_of(shape: Polygons) -> Grounds:
    """Return grounds of polygons, shape (n, 4), each inside a square around a place in it."""
    west, south, east, north = np.moveaxis(shapely.bounds(shape), -1, 0)
    inside = shapely.get_coordinates(shapely.point_on_surface(shape)).reshape(*shape.shape, 2)
    half = np.hypot(east - west, north - south)
    return Grounds(
        foot=inside - np.stack([half, np.zeros(half.shape)], axis=-1),
        heading=np.broadcast_to([1.0, 0.0], (*shape.shape, 2)),
        length=2 * half,
        half_width=half,
        size=np.full(shape.shape, np.nan),
        bent=np.ones(shape.shape, dtype=bool),
        draw=lambda row, role: shape[row, role],
    )
