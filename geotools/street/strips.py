"""Strips along streets: from chainage and distance off the centreline to the map."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.ragged import FloatArray, measures
from geotools.street.net import StreetNet

__all__ = ["on_street", "strip"]

MOST_MITRE = 2.0  # a mitre is no longer than this many times the distance off the centreline


def _own(net: StreetNet, chain: int) -> tuple[FloatArray, FloatArray]:
    """Return the vertices of one chain and their chainage."""
    rows = slice(int(net.chains.offsets[chain]), int(net.chains.offsets[chain + 1]))
    xy = net.chains.xy[rows]
    return xy, measures(xy, np.array([0, len(xy)], dtype=np.int64))


def _stops(net: StreetNet, chain: int, low: float, high: float) -> FloatArray:
    """Return chainages of the vertices between two places, and the places themselves."""
    _, along = _own(net, chain)
    inner = along[(along > low + 1e-6) & (along < high - 1e-6)]
    return np.concatenate([[low], inner, [high]])


def on_street(net: StreetNet, chain: int, at: FloatArray, off: FloatArray) -> FloatArray:
    """Return points at chainages and distances off a chain (left positive), shape (k, 2).

    Beyond the chain's ends the street is taken to go straight on.
    """
    xy, along = _own(net, chain)

    def point(where: FloatArray) -> FloatArray:
        return np.stack([np.interp(where, along, xy[:, k]) for k in (0, 1)], axis=1)

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
    parts = []
    for (a, off_a), (b, off_b) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        low, high = min(a, b), max(a, b)
        stops = _stops(net, chain, low, high)
        stops = stops if a <= b else stops[::-1]
        share = (stops - a) / (b - a) if b != a else np.linspace(0.0, 1.0, len(stops))
        parts.append(on_street(net, chain, stops, off_a + share * (off_b - off_a))[:-1])
    polygon = shapely.Polygon(np.concatenate(parts))
    return polygon if polygon.is_valid else shapely.make_valid(polygon)
