"""Lengths beside the centreline: on the inside of a curve a string has less room than the street.

A line `off` to the left of a street is shorter than it by ``2 off tan(t / 2)`` at every turn `t`
to the left, and longer by as much at a turn to the right: its corners lie on the mitres. Over
many small turns that is ``off t``, the difference of two arcs about one centre. Plane geometry.
"""

from __future__ import annotations

import numpy as np

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, measures
from geotools.street.centreline import swings
from geotools.street.net import StreetNet

__all__ = ["offset_end", "offset_length"]


def offset_length(
    net: StreetNet, chain: IntArray, start: FloatArray, end: FloatArray, off: FloatArray
) -> FloatArray:
    """Return the lengths of lines beside chains, m, never less than 0.

    Parameters
    ----------
    net : StreetNet
    chain : ndarray of int64, shape (n,)
    start, end : ndarray, shape (n,)
        Chainages, in either order, m.
    off : ndarray, shape (n,)
        Distance left of the centreline, m.
    """
    low, high = np.minimum(start, end), np.maximum(start, end)
    places = Places.of_offsets(net.chains.offsets, measures(net.chains.xy, net.chains.offsets))
    total = np.append(0.0, swings(net.chains.xy, net.chains.offsets))
    # turns at the very ends of the stretch are outside it
    turned = total[places.search(chain, high, "left")] - total[places.search(chain, low, "right")]
    inner = np.where(high > low, turned, 0.0)
    return np.maximum(high - low - off * inner, 0.0)


def offset_end(
    net: StreetNet, chain: int, start: float, off: float, length: float, *, forward: bool
) -> float:
    """Return the chainage at which a string beside a chain ends; lengths m.

    Beyond the chain's ends the street is taken to go straight on.
    """
    line = net.centreline(chain)
    along, swing = line.along, line.swing
    # The offset line's own chainage before and after every vertex; it never runs backwards.
    own = np.stack([along - off * np.append(0.0, swing[:-1]), along - off * swing], axis=1).ravel()
    own = np.maximum.accumulate(own)
    at = np.repeat(along, 2)
    here = np.interp(start, at, own) + min(start, 0.0) + max(start - along[-1], 0.0)
    there = here + length if forward else here - length
    beyond = min(there - own[0], 0.0) + max(there - own[-1], 0.0)
    return float(np.interp(there, own, at) + beyond)
