"""Traffic that comes into a work space from an end where its street flows another way."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.places import on_measures
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.arms import NODE
from geotools.street.lanes import Carriageway, Passage, approaches
from geotools.street.onward import Onward

__all__ = ["OPPOSED", "opposed"]

OPPOSED = ["pit", "line", "x", "y"]


def opposed(
    pits: pd.DataFrame,
    onward: Onward,
    faced: tuple[BoolArray, BoolArray],
    passage: Passage,
    *,
    keep_right: bool,
) -> pd.DataFrame:
    """Return from which ends traffic comes into work spaces that nothing is closed to it before.

    Lanes are closed as the street is in the middle of the work. Where it flows otherwise at an
    end of it, traffic may come from there as well, into lanes that the work takes.

    Parameters
    ----------
    pits : DataFrame
        As for `close_lanes`.
    onward : Onward
    faced : tuple of ndarray of bool
        Whether closures face the traffic that comes along the chain, and that against it.
    passage : Passage
    keep_right : bool

    Returns
    -------
    DataFrame
        ``pit`` (row), ``line`` (row of the street it comes along), ``x``, ``y`` (end of the work).
    """
    net = onward.net
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    ends = [
        np.clip(pits[name].to_numpy(dtype=float), 0.0, net.lengths[chain])
        for name in ("work_low", "work_high")
    ]
    first = onward.changes.search(chain, ends[0] + NODE, "right")
    row = np.flatnonzero(onward.changes.search(chain, ends[1] - NODE, "left") > first)
    found = []
    for end, inward, closed in zip(ends, (1.0, -1.0), faced, strict=True):
        own = row[~closed[row]]
        piece = net.piece_of(chain[own], end[own] + inward * NODE / 2)
        line = net.chains.pieces["line"].to_numpy(dtype=np.int64)[piece]
        flow = onward.flows[piece]
        way = Carriageway(
            net.column("width")[line], net.column("lanes")[line].astype(np.int64), flow
        )
        lost = _lost(pits.iloc[own], way, passage, left=(inward < 0) == keep_right)
        comes = (flow * inward >= 0) & (lost > 0)
        own, line = own[comes], line[comes]
        xy = on_measures(net.chains.xy, net.places, chain[own], end[own])
        found += list(zip(own.tolist(), line.tolist(), *xy.T.tolist(), strict=True))
    return pd.DataFrame(found, columns=OPPOSED).sort_values("pit", kind="stable", ignore_index=True)


def _lost(pits: pd.DataFrame, way: Carriageway, passage: Passage, *, left: bool) -> IntArray:
    """Return how many lanes pits take of the right or left half of streets, one-way of all."""
    edges: tuple[FloatArray, FloatArray] = (
        pits["edge_low"].to_numpy(dtype=float),
        pits["edge_high"].to_numpy(dtype=float),
    )
    halves = approaches(*edges, way, passage)
    return np.where(way.oneway != 0, halves[0].closed, halves[int(left)].closed).astype(np.int64)
