"""Areas of polygons up to lines square to a heading: of many lines at once, nothing is cut."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.ragged import FloatArray, IntArray

__all__ = ["areas_up_to"]

Polygons = npt.NDArray[np.object_]


def areas_up_to(
    shapes: Polygons, origin: FloatArray, heading: FloatArray, reach: FloatArray
) -> FloatArray:
    """Return the area of each shape that lies no farther along a heading than so far, m2.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (k,)
        Of what is no polygon there is no area.
    origin, heading : ndarray, shape (k, 2)
        Where ways along the heading, a unit vector, are told from.
    reach : ndarray, shape (k, m)
        Ways along the heading, m.

    Returns
    -------
    ndarray of float, shape (k, m)

    Notes
    -----
    By Green's theorem the area left of x = r is the integral of min(x, r) dy around the shape.
    Over an edge from x = a up to b it is dy times min(r, a) + d - d^2 / (2 (b - a)), with d the
    part of b - a before r.
    """
    start, end, of, sign = _edges(shapes)
    x, y = zip(*(_in_frame(xy, origin[of], heading[of]) for xy in (start, end)), strict=True)
    low, span = np.minimum(*x)[:, None], np.abs(x[1] - x[0])[:, None]
    up_to = reach[of]
    before = np.clip(up_to - low, 0.0, span)
    mean = np.minimum(up_to, low) + before - before**2 / np.where(span > 0, 2 * span, 1.0)
    out = np.zeros(reach.shape)
    np.add.at(out, of, mean * (sign * (y[1] - y[0]))[:, None])
    return out


def _in_frame(
    xy: FloatArray, origin: FloatArray, heading: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far along a heading places lie, and how far left of it."""
    rel = xy - origin
    along = (rel * heading).sum(axis=1)
    return along, heading[:, 0] * rel[:, 1] - heading[:, 1] * rel[:, 0]


def _edges(shapes: Polygons) -> tuple[FloatArray, FloatArray, IntArray, FloatArray]:
    """Return starts and ends of the edges around shapes, the shape of each, and its sign.

    With its sign a ring goes round what is inside to the left, round a hole to the right.
    """
    parts, of_part = shapely.get_parts(shapes, return_index=True)
    rings, of_ring = shapely.get_rings(parts, return_index=True)
    hole = np.concatenate([[False], of_ring[1:] == of_ring[:-1]])[: len(rings)]
    sign = np.where(shapely.is_ccw(rings) == hole, -1.0, 1.0)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero(ring[1:] == ring[:-1])
    of = of_part[of_ring[ring[edge]]]
    return xy[edge], xy[edge + 1], np.asarray(of, dtype=np.int64), sign[ring[edge]]
