"""Strips along streets: from chainage and distance off the centreline to the map."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.ragged import FloatArray
from geotools.street.net import StreetNet

__all__ = ["on_street", "strip"]

MOST_MITRE = 2.0  # a mitre is no longer than this many times the distance off the centreline


def _stops(along: FloatArray, low: float, high: float) -> FloatArray:
    """Return chainages of the vertices between two places, and the places themselves."""
    first = np.searchsorted(along, low + 1e-6, side="right")
    last = np.searchsorted(along, high - 1e-6, side="left")
    return np.concatenate([[low], along[first:last], [high]])


def on_street(net: StreetNet, chain: int, at: FloatArray, off: FloatArray) -> FloatArray:
    """Return points at chainages and distances off a chain (left positive), shape (k, 2).

    Beyond the chain's ends the street is taken to go straight on.
    """
    x, y, along, _ = net.centreline(chain)

    def point(where: FloatArray) -> FloatArray:
        return np.stack([np.interp(where, along, x), np.interp(where, along, y)], axis=1)

    length = float(along[-1])
    inside = np.clip(at, 0.0, length)
    reach = min(0.5, length / 4)
    low, high = np.maximum(inside - reach, 0.0), np.minimum(inside + reach, length)
    step = point(high) - point(low)
    chord = np.maximum(np.hypot(*step.T), 1e-12)
    heading = step / chord[:, None]
    # At a vertex the edges of the street meet farther out, on the mitre.
    off = off * np.minimum((high - low) / chord, MOST_MITRE)
    middle = point(inside) + heading * (at - inside)[:, None]
    left = np.stack([-heading[:, 1], heading[:, 0]], axis=1)
    return np.asarray(middle + left * off[:, None], dtype=np.float64)


def strip(
    net: StreetNet,
    chain: int,
    corners: npt.NDArray[np.float64],
) -> shapely.Polygon:
    """Return a polygon whose edges follow the street.

    Parameters
    ----------
    net : StreetNet
    chain : int
    corners : ndarray, shape (k, 2)
        Chainage and distance off the centreline of each corner in turn; between two corners the
        distance goes evenly from the one to the other along the street.
    """
    along = net.centreline(chain).along
    at, off = [], []
    for (a, off_a), (b, off_b) in pairwise([*corners.tolist(), corners[0].tolist()]):
        stops = _stops(along, min(a, b), max(a, b))
        stops = stops if a <= b else stops[::-1]
        share = (stops - a) / (b - a) if b != a else np.linspace(0.0, 1.0, len(stops))
        at.append(stops[:-1])
        off.append((off_a + share * (off_b - off_a))[:-1])
    polygon = shapely.Polygon(on_street(net, chain, np.concatenate(at), np.concatenate(off)))
    return polygon if polygon.is_valid else shapely.make_valid(polygon)
