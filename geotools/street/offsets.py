"""Lengths beside the centreline: on the inside of a curve a string has less room than the street.

A line `off` to the left of a street is shorter than it by ``2 off tan(t / 2)`` at every turn `t`
to the left, and longer by as much at a turn to the right: its corners lie on the mitres. Over
many small turns that is ``off t``, the difference of two arcs about one centre. Plane geometry.
"""

from __future__ import annotations

import numpy as np

from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    greatest_so_far,
    offsets_of,
    row_of,
    take,
)
from geotools.street.net import StreetNet

__all__ = ["offset_ends", "offset_length"]


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
    places, total = net.places, np.append(0.0, net.swing)
    # turns at the very ends of the stretch are outside it
    turned = total[places.search(chain, high, "left")] - total[places.search(chain, low, "right")]
    inner = np.where(high > low, turned, 0.0)
    return np.maximum(high - low - off * inner, 0.0)


def offset_ends(
    net: StreetNet,
    chain: IntArray,
    start: FloatArray,
    off: FloatArray,
    length: FloatArray,
    forward: BoolArray,
) -> FloatArray:
    """Return the chainages at which strings beside chains end, m.

    Beyond a chain's ends the street is taken to go straight on.

    Parameters
    ----------
    net : StreetNet
    chain : ndarray of int64, shape (n,)
    start : ndarray, shape (n,)
        Chainage each string begins at, m.
    off : ndarray, shape (n,)
        Distance left of the centreline, m.
    length : ndarray, shape (n,)
        m.
    forward : ndarray of bool, shape (n,)
        Whether it goes on along the chain, or back.
    """
    vertex = take(net.chains.offsets, chain)
    bounds = offsets_of(2 * np.diff(net.chains.offsets)[chain])
    row = row_of(bounds)
    along = np.repeat(net.places.at[vertex], 2)
    # A string's own chainage before and after every vertex; it never runs backwards.
    swing = np.stack([net.swing[vertex - 1], net.swing[vertex]], axis=1).ravel()
    first = bounds[:-1]
    swing[first] = swing[first + 1] = net.swing[net.chains.offsets[chain]]
    own = greatest_so_far(along - off[row] * (swing - swing[first][row]), row)
    last = bounds[1:] - 1
    rows = np.arange(len(chain))
    here = Places.of_offsets(bounds, along).interpolate(rows, start, own)
    here += np.minimum(start, 0.0) + np.maximum(start - along[last], 0.0)
    there = np.where(forward, here + length, here - length)
    beyond = np.minimum(there - own[first], 0.0) + np.maximum(there - own[last], 0.0)
    at = Places.of_offsets(bounds, own).interpolate(rows, there, along)
    return np.asarray(at + beyond, dtype=np.float64)
