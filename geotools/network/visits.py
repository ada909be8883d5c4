"""Visits: the links and nodes each run passes through, and the valves that its work cuts out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.noding import TOUCH
from geotools.network.ragged import take
from geotools.network.runs import Chains, on_edges
from geotools.network.supply import Supply

__all__ = ["Visits", "visit"]


@dataclass(frozen=True)
class Visits:
    """What must be dry while a run is worked on.

    Attributes
    ----------
    links : DataFrame
        ``run`` and ``link``.
    nodes : DataFrame
        ``run`` and ``node``: those it passes, and those at its ends.
    valves : DataFrame
        ``run`` and ``valve``, row of the valves of the supply: those that hold no water back, as
        the work cuts them out or opens the main right at them. Both their sides must be dry.
    """

    links: pd.DataFrame
    nodes: pd.DataFrame
    valves: pd.DataFrame


def visit(supply: Supply, chains: Chains, *, cut_out: pd.DataFrame) -> Visits:
    """Follow the runs through the links.

    Parameters
    ----------
    supply : Supply
    chains : Chains
        Runs over the edges of the supply's graph.
    cut_out : DataFrame
        ``run`` and ``point``, row of the layer of valves: the valves on the runs.
    """
    stretches = _stretches(supply, chains.pieces)
    nodes = _nodes(supply, chains.pieces)
    row = supply.valves.row
    of_layer = pd.DataFrame({"point": row, "valve": np.arange(len(row))})
    on_runs = cut_out[["run", "point"]].astype(np.int64).merge(of_layer, on="point")
    valves = pd.concat([on_runs[["run", "valve"]], _valves_on_nodes(supply, nodes)])
    return Visits(
        links=stretches[["run", "link"]].drop_duplicates(),
        nodes=nodes.drop_duplicates(),
        valves=valves.drop_duplicates().sort_values(["run", "valve"], ignore_index=True),
    )


def _valves_on_nodes(supply: Supply, nodes: pd.DataFrame) -> pd.DataFrame:
    """Return ``run`` and ``valve`` of valves drawn where just two mains join, whichever has them.

    On a node of more mains no valve is counted on (`line_valves`).
    """
    graph, valves = supply.graph, supply.valves
    size = (graph.end - graph.start)[valves.edge]
    low, high = valves.at <= TOUCH, valves.at >= size - TOUCH
    here = np.flatnonzero(low | high)
    node = graph.ends[valves.edge[here], np.where(low[here], 0, 1)]
    return nodes.merge(pd.DataFrame({"node": node, "valve": here}), on="node")[["run", "valve"]]


def _stretches(supply: Supply, pieces: pd.DataFrame) -> pd.DataFrame:
    """Return ``run`` and ``link`` of the stretches of links along runs."""
    links = supply.links
    edge, low, high = on_edges(supply.graph, pieces)
    row = np.repeat(np.arange(len(pieces)), np.diff(links.offsets)[edge])
    link = take(links.offsets, edge)
    begin, finish = np.maximum(links.low[link], low[row]), np.minimum(links.high[link], high[row])
    run = pieces["run"].to_numpy(dtype=np.int64)[row]
    return pd.DataFrame({"run": run, "link": link})[finish - begin > TOUCH]


def _nodes(supply: Supply, pieces: pd.DataFrame) -> pd.DataFrame:
    """Return ``run`` and ``node`` of the nodes at the ends of pieces."""
    edge, low, high = on_edges(supply.graph, pieces)
    size = supply.graph.end[edge] - supply.graph.start[edge]
    ends = supply.graph.ends[edge]
    node_low = np.where(low <= TOUCH, ends[:, 0], -1)
    node_high = np.where(high >= size - TOUCH, ends[:, 1], -1)
    table = pd.DataFrame(
        {
            "run": np.tile(pieces["run"].to_numpy(dtype=np.int64), 2),
            "node": np.concatenate([node_low, node_high]),
        }
    )
    return table[table["node"] >= 0]
