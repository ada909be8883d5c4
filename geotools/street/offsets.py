"""Lengths beside the centreline: on the inside of a curve a string has less room than the street.

A line `off` to the left of a street is shorter than it by ``2 off tan(t / 2)`` at every turn `t`
to the left, and longer by as much at a turn to the right: its corners lie on the mitres. Over
many small turns that is ``off t``, the difference of two arcs about one centre. Plane geometry.
"""

from __future__ import annotations

import numpy as np

from geotools.network.places import Places, Side
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    greatest_so_far,
    offsets_of,
    take,
)
from geotools.network.stretches import EDGE
from geotools.street.net import StreetNet

__all__ = ["offset_ends", "offset_length"]

HAIRS: tuple[tuple[float, Side], ...] = ((-EDGE, "left"), (EDGE, "right"))
LOOKED_ALONG = 20_000  # vertices of streets at once: some dozens of columns are made of them


def offset_length(
    net: StreetNet, chain: IntArray, start: FloatArray, end: FloatArray, off: FloatArray
) -> FloatArray:
    """Return the lengths of lines beside chains, m, never less than 0.

    Parameters
    ----------
    net : StreetNet
    chain : ndarray of int64, shape (n,)
    start, end : ndarray, shape (n,)
        Chainages, in either order, m. Of a turn at the start the half is inside, for a string that
        begins at a corner begins on its mitre; of one at the end it is where the line turns to its
        own side, and so before the corner. Else a turn at the end is outside.
    off : ndarray, shape (n,)
        Distance left of the centreline, m.
    """
    places, total = net.places, np.append(0.0, net.swing)
    (before, past), first = (
        [total[places.search(chain, at + hair, side)] for hair, side in HAIRS]
        for at in (end, start)
    )
    begun = (first[0] + first[1]) / 2
    turned = np.where(end > start, before - begun, np.where(end < start, begun - past, 0.0))
    short = np.where(end == start, 0.0, np.maximum(off * (past - before), 0.0) / 2)
    return np.maximum(np.abs(end - start) - off * turned - short, 0.0)


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
    vertices = np.cumsum(np.diff(net.chains.offsets)[chain])
    parts = np.split(np.arange(len(chain)), np.flatnonzero(np.diff(vertices // LOOKED_ALONG)) + 1)

    def ends(of: IntArray) -> FloatArray:
        begin, far = start[of], length[of]
        along, own, bounds = _beside(net, chain[of], off[of])
        first, last = bounds[:-1], bounds[1:] - 1
        rows = np.arange(len(of))
        here = _begun(Places.of_offsets(bounds, along), own, begin)
        here += np.minimum(begin, 0.0) + np.maximum(begin - along[last], 0.0)
        there = np.where(forward[of], here + far, here - far)
        beyond = np.minimum(there - own[first], 0.0) + np.maximum(there - own[last], 0.0)
        at = Places.of_offsets(bounds, own).interpolate(rows, there, along)
        return np.asarray(at + beyond, dtype=np.float64)

    return np.concatenate([ends(part) for part in parts])


def _begun(line: Places, own: FloatArray, begin: FloatArray) -> FloatArray:
    """Return how far along the line beside its street each string begins, m.

    ``line`` are the chainages of the rows of each such line, ``own`` how long it is there. A
    string that begins at a corner away from it begins where it is drawn from, on the mitre: half
    of the way round lies on either side of that, whichever way it goes.
    """
    rows = np.arange(len(begin))
    before, last = line.beside(rows, begin, touch=EDGE)
    first = np.minimum(before + 1, last)
    rounds = own[last] - own[first] > line.at[last] - line.at[first]
    here = line.interpolate(rows, begin, own)
    return np.where(rounds, (own[first] + own[last]) / 2, here)


def _beside(
    net: StreetNet, chain: IntArray, off: FloatArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return chainages, those of a line so far beside the street, and the offsets of their rows.

    There are two to a vertex. At a corner away from the line it goes on from the one edge's end
    round to the next edge's start. At a corner towards it, it turns as far before the corner as it
    goes on after it: there it stands still. It never runs backwards (`_onwards`).
    """
    vertex = take(net.chains.offsets, chain)
    counts = np.diff(net.chains.offsets)[chain]
    bounds, row = offsets_of(2 * counts), np.repeat(np.arange(len(chain)), 2 * counts)
    before, after = net.swing[vertex - 1], net.swing[vertex]
    ends = offsets_of(counts)
    before[ends[:-1]] = after[ends[:-1]]
    at, of_vertex = net.places.at[vertex], row[::2]
    half = np.maximum(off[of_vertex] * (after - before), 0.0) / 2
    # Corners that are too near to each other share the edge between them.
    edge = np.diff(at, append=0.0)
    edge[ends[1:] - 1] = 0.0
    both = half + np.append(half[1:], 0.0)
    share = np.minimum(np.divide(edge, both, out=np.ones_like(both), where=both > 0), 1.0)
    turns, goes_on = at - half * np.append(1.0, share[:-1]), at + half * share
    along = np.stack([turns, goes_on], axis=1).ravel()
    swing = np.stack([before, after], axis=1).ravel()
    own = along - off[row] * (swing - swing[bounds[:-1]][row])
    return _onwards(along, own, row, bounds)


def _onwards(
    along: FloatArray, own: FloatArray, row: IntArray, bounds: IntArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Keep lines from running backwards; return them as `_beside` does.

    Where corners eat more than the edges between them hold, a line has been at some places
    before: it is taken half by the greatest it has come to, half by the least it comes to yet,
    so that it is the same drawn the other way. It has vertices of its own where it leaves what it
    comes to again, and where it is back at what it had come to: past these it is as long as it is.
    """
    most, least = _both_ways(own, row)
    if not (least < most).any():
        return along, own, bounds
    after = np.flatnonzero(row[1:] == row[:-1]) + 1
    levels = np.concatenate([most[after - 1], least[after]])
    after = np.tile(after, 2)
    met = (own[after - 1] < levels) & (levels < own[after])
    after, levels = after[met], levels[met]
    order = np.lexsort([levels, after])
    after, levels = after[order], levels[order]
    share = (levels - own[after - 1]) / (own[after] - own[after - 1])
    met_at = along[after - 1] + share * (along[after] - along[after - 1])
    more = np.bincount(row[after], minlength=len(bounds) - 1)
    along, own = np.insert(along, after, met_at), np.insert(own, after, levels)
    most, least = _both_ways(own, np.insert(row, after, row[after]))
    return along, (most + least) / 2, offsets_of(np.diff(bounds) + more)


def _both_ways(own: FloatArray, row: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return the greatest a line has come to at each vertex, and the least it comes to yet.

    Both are where it is, but for the few lines that run backwards anywhere.
    """
    most, least = own.copy(), own.copy()
    backwards = (own[1:] < own[:-1]) & (row[1:] == row[:-1])
    turns_back = np.zeros(int(row.max(initial=-1)) + 1, dtype=bool)
    turns_back[row[1:][backwards]] = True
    some = turns_back[row]
    most[some] = greatest_so_far(own[some], row[some])
    least[some] = -greatest_so_far(-own[some][::-1], -row[some][::-1])[::-1]
    return most, least
