"""Lengths beside the centreline: on the inside of a curve a string has less room than the street.

A line `off` to the left of a street is shorter than it by ``2 off tan(t / 2)`` at every turn `t`
to the left, and longer by as much at a turn to the right: its corners lie on the mitres. Over
many small turns that is ``off t``, the difference of two arcs about one centre. Plane geometry.
"""

from __future__ import annotations

import numpy as np

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, measures
from geotools.street.net import StreetNet

__all__ = ["offset_end", "offset_length", "swings"]

SHARPEST = np.radians(120.0)  # of a sharper turn the mitre says nothing


def swings(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return by how much a line 1 m to the left is shorter, at every vertex summed from the first.

    The sum runs over all lines; only differences within one mean something.
    """
    step = np.diff(xy, axis=0)
    before, after = step[:-1], step[1:]
    turn = np.arctan2(
        before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)
    )
    out = np.zeros(len(xy))
    out[1:-1] = 2 * np.tan(np.clip(turn, -SHARPEST, SHARPEST) / 2)
    out[offsets[:-1]] = out[offsets[1:] - 1] = 0.0
    return np.asarray(np.cumsum(out), dtype=np.float64)


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
    rows = slice(int(net.chains.offsets[chain]), int(net.chains.offsets[chain + 1]))
    xy = net.chains.xy[rows]
    whole = np.array([0, len(xy)], dtype=np.int64)
    along, swing = measures(xy, whole), swings(xy, whole)
    # The offset line's own chainage before and after every vertex; it never runs backwards.
    own = np.stack([along - off * np.append(0.0, swing[:-1]), along - off * swing], axis=1).ravel()
    own = np.maximum.accumulate(own)
    at = np.repeat(along, 2)
    here = np.interp(start, at, own) + min(start, 0.0) + max(start - along[-1], 0.0)
    there = here + length if forward else here - length
    beyond = min(there - own[0], 0.0) + max(there - own[-1], 0.0)
    return float(np.interp(there, own, at) + beyond)
