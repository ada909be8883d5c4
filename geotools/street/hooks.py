"""Hooks of some decimetres in centrelines: slips of drawing that no street has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geotools.network.noding import Graph
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, offsets_of, row_of
from geotools.street.swings import turns

__all__ = ["without_hooks"]

# A street goes round no turn this sharp within this length. Common practice, no source.
HOOK = 0.5  # m
SHARP = np.radians(20.0)


def without_hooks(graph: Graph) -> Graph:
    """Draw vertices no farther apart than a hook together, where the line turns sharply.

    A string beside the street would be led round such a turn, and a closure fold over itself, by
    as much as they lie off the centreline. The vertices become their middle, or the end of the
    edge if it is one of them; an edge that is no longer than a hook stays as it is.
    """
    if not len(graph):
        return graph
    edge = row_of(graph.offsets)
    leg = np.append(np.hypot(*np.diff(graph.xy, axis=0).T), np.inf)  # from each vertex on
    leg[graph.offsets[1:] - 1] = np.inf
    group = np.cumsum(np.append(True, leg[:-1] >= HOOK)) - 1
    low, high = _bounds(graph.xy, group)
    sharp = np.bincount(group, np.abs(turns(graph.xy, graph.offsets)) > SHARP) > 0
    hooked = (np.bincount(group) > 1) & (np.hypot(*(high - low).T) <= HOOK) & sharp
    first = np.isin(np.arange(len(edge)), graph.offsets[:-1])
    last = np.isin(np.arange(len(edge)), graph.offsets[1:] - 1)
    hooked &= ~((np.bincount(group, first) > 0) & (np.bincount(group, last) > 0))
    kept = ~hooked[group] | firsts(group)
    xy = np.where(hooked[group, None], _middles(graph.xy, group, first | last), graph.xy)
    counts = np.bincount(edge, kept, minlength=len(graph)).astype(np.int64)
    return replace(graph, xy=xy[kept], offsets=offsets_of(counts))


def _middles(xy: FloatArray, group: IntArray, fixed: BoolArray) -> FloatArray:
    """Return for each vertex the middle of its group, or the one of it that is fixed.

    Half way between the outermost, so that it is the same whichever way the line is drawn.
    """
    out = (np.bincount(group, fixed)[group] > 0) & ~fixed
    low, high = _bounds(xy, group, ~out)
    return np.asarray(((low + high) / 2)[group], dtype=np.float64)


def _bounds(
    xy: FloatArray, group: IntArray, counted: BoolArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the least and the greatest coordinates of the vertices of each group."""
    starts = np.flatnonzero(firsts(group))
    left_out = np.zeros(len(xy), dtype=bool) if counted is None else ~counted
    low = np.minimum.reduceat(np.where(left_out[:, None], np.inf, xy), starts)
    return low, np.maximum.reduceat(np.where(left_out[:, None], -np.inf, xy), starts)
