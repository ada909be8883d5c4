"""Rings: streets that close on themselves, held some laps long, so that they end nowhere.

A chain has two ends, and a ring has none: where it is cut open says nothing of the street. So it
is drawn round three times. Places are found on the middle lap; closures and strings from there go
on past the cut, and none goes farther than once round.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from geotools.links import components
from geotools.network.noding import TOUCH, Graph
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    lengths_along,
    measures,
    number_within,
    offsets_of,
    pairs_within,
    take,
)
from geotools.network.runs import Chains
from geotools.street.crossings import split

__all__ = ["LAPS", "on_laps", "unrolled", "with_western_nodes"]

LAPS = 3


def with_western_nodes(graph: Graph) -> Graph:
    """Cut rings at their westernmost vertices, so that where their drawing begins says nothing.

    Rings without intersections are opened there (`build_chains`). Of those with one the two ends
    could not be joined there, being of one edge, if their drawing begins at it.
    """
    label, ring, loop = _rings(graph)
    rows = np.flatnonzero(ring | loop)
    vertex, edge = take(graph.offsets, rows), np.repeat(rows, np.diff(graph.offsets)[rows])
    along = measures(graph.xy, graph.offsets)
    room = lengths_along(along, graph.offsets)[edge] - along[vertex]
    end = np.minimum(along[vertex], room) <= 2 * TOUCH
    some = np.flatnonzero(ring[edge] | ~end)
    x, y = np.round(graph.xy[vertex[some]], 3).T
    some = some[np.lexsort([~end[some], y, x, label[edge[some]]])]
    some = some[firsts(label[edge[some]])]
    some = np.sort(some[~end[some]])
    if not len(some):
        return graph
    node = len(graph.node_xy) + np.arange(len(some))
    node_xy = np.concatenate([graph.node_xy, graph.xy[vertex[some]]])
    return split(graph, np.stack([edge[some], along[vertex[some]]], axis=1), node, node_xy)


def _rings(graph: Graph) -> tuple[IntArray, BoolArray, BoolArray]:
    """Return a number for every edge, and which make up rings.

    Edges of one number go on into each other where no other meets them. Of a ring without
    intersections all do; one with an intersection may be a single edge from there to there.
    """
    simple = graph.degrees()[graph.ends] == 2
    label = components(pairs_within(graph.ends.ravel(), simple.ravel()) >> 1, len(graph))
    ring = (np.bincount(label, ~simple.all(axis=1)) == 0)[label]
    return label, ring, (graph.ends[:, 0] == graph.ends[:, 1]) & ~ring


def unrolled(chains: Chains, connections: pd.DataFrame) -> tuple[Chains, pd.DataFrame, FloatArray]:
    """Draw closed chains `LAPS` times round, with their pieces and connections.

    Returns
    -------
    chains : Chains
    connections : DataFrame
    lap : ndarray
        Once round each chain, m; infinite where it is not closed.
    """
    lap = np.full(len(chains), np.inf)
    if not chains.closed.any():
        return chains, connections, lap
    ring = np.flatnonzero(chains.closed)
    first, last = chains.offsets[ring], chains.offsets[ring + 1] - 1
    length = lengths_along(measures(chains.xy, chains.offsets), chains.offsets)[ring]
    lap[ring] = length + np.hypot(*(chains.xy[last] - chains.xy[first]).T)
    row = np.repeat(np.arange(len(chains)), np.where(chains.closed, LAPS, 1))
    vertex = take(chains.offsets, row)
    xy, offsets = chains.xy[vertex], offsets_of(np.bincount(row, np.diff(chains.offsets)[row]))
    kept = firsts(*xy.T)  # a lap begins where the one before ends
    kept[offsets[:-1]] = True
    drawn = replace(
        chains,
        xy=xy[kept],
        offsets=offsets_of(kept.astype(np.int64))[offsets],
        pieces=_repeated(chains.pieces, "start", row, lap),
    )
    return drawn, _repeated(connections, "chainage", row, lap), lap


def _repeated(table: pd.DataFrame, place: str, row: IntArray, lap: FloatArray) -> pd.DataFrame:
    """Return the rows of chains, sorted by them, once for each of their laps.

    ``row`` is the chain of each lap, ``lap`` how long it is, m.
    """
    run = table["run"].to_numpy(dtype=np.int64)
    counts = np.bincount(run, minlength=len(lap)).astype(np.int64)
    out = table.iloc[take(offsets_of(counts), row)].reset_index(drop=True)
    turn = np.repeat(number_within(row), counts[row])
    one = np.where(turn > 0, lap[out["run"].to_numpy(dtype=np.int64)], 0.0)
    return out.assign(**{place: out[place].to_numpy(dtype=float) + turn * one})


def on_laps(
    lap: FloatArray, chain: IntArray, at: FloatArray, half: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return stretches of chains on all laps, by their middles and half their lengths, m.

    Given are those of one lap, ``at`` counted from where it begins.
    """
    ring = np.flatnonzero(np.isfinite(lap[chain]))
    later = np.concatenate([ring] * (LAPS - 1))
    turn = np.repeat(np.arange(1, LAPS), len(ring))
    there = at[later] + turn * lap[chain[later]]
    return (
        np.concatenate([chain, chain[later]]),
        np.concatenate([at, there]),
        np.concatenate([half, half[later]]),
    )
