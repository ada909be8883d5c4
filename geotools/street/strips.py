"""Strips along streets: from chainage and distance off the centreline to the map."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.places import points_along
from geotools.network.ragged import FloatArray, measures
from geotools.street.net import StreetNet

__all__ = ["on_street", "strip"]


def _stops(net: StreetNet, chain: int, low: float, high: float) -> FloatArray:
    """Return chainages of the vertices between two places, and the places themselves."""
    rows = slice(int(net.chains.offsets[chain]), int(net.chains.offsets[chain + 1]))
    offsets = np.array([0, rows.stop - rows.start], dtype=np.int64)
    along = measures(net.chains.xy[rows], offsets)
    inner = along[(along > low + 1e-6) & (along < high - 1e-6)]
    return np.concatenate([[low], inner, [high]])


def on_street(net: StreetNet, chain: int, at: FloatArray, off: FloatArray) -> FloatArray:
    """Return points at chainages and distances off a chain (left positive), shape (k, 2).

    Beyond the chain's ends the street is taken to go straight on.
    """
    rows = np.full(len(at), chain, dtype=np.int64)
    length = net.lengths[chain]
    inside = np.clip(at, 0.0, length)
    middle = points_along(net.chains.xy, net.chains.offsets, rows, inside)
    reach = min(0.5, length / 4)
    back = points_along(net.chains.xy, net.chains.offsets, rows, np.maximum(inside - reach, 0.0))
    on = points_along(net.chains.xy, net.chains.offsets, rows, np.minimum(inside + reach, length))
    heading = (on - back) / np.maximum(np.hypot(*(on - back).T), 1e-12)[:, None]
    middle = middle + heading * (at - inside)[:, None]
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
    parts = []
    for (a, off_a), (b, off_b) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        low, high = min(a, b), max(a, b)
        stops = _stops(net, chain, low, high)
        stops = stops if a <= b else stops[::-1]
        share = (stops - a) / (b - a) if b != a else np.linspace(0.0, 1.0, len(stops))
        parts.append(on_street(net, chain, stops, off_a + share * (off_b - off_a))[:-1])
    polygon = shapely.Polygon(np.concatenate(parts))
    return polygon if polygon.is_valid else shapely.make_valid(polygon)
