"""Visits: the links and nodes each run passes through, less the stubs at its ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.noding import TOUCH
from geotools.network.ragged import FloatArray, line_lengths, take
from geotools.network.runs import Chains, on_edges
from geotools.network.supply import Supply

__all__ = ["Visits", "visit"]

STUB = 1 / 3  # largest share of a run that may stay in service at either end


@dataclass(frozen=True)
class Visits:
    """What must be dry while a run is worked on.

    Attributes
    ----------
    links : DataFrame
        ``run`` and ``link``.
    nodes : DataFrame
        ``run`` and ``node``: those it passes, and those at its ends with no valve near.
    first, last : ndarray, shape (runs,)
        Chainage of the valves near the ends between which each run must be dry, m; infinite,
        minus for the first, where there is no valve near.
    """

    links: pd.DataFrame
    nodes: pd.DataFrame
    first: FloatArray
    last: FloatArray


def visit(supply: Supply, chains: Chains, *, reach: float) -> Visits:
    """Follow the runs through the links.

    Parameters
    ----------
    supply : Supply
    chains : Chains
        Runs over the edges of the supply's graph.
    reach : float
        The stub from a run's end to the first valve stays in service if it is no longer, m, and
        no more than a third of the run.
    """
    lengths = line_lengths(chains.xy, chains.offsets)
    stretches = _stretches(supply, chains.pieces)
    nodes = _nodes(supply, chains.pieces)
    shut = pd.concat([_valves_passed(stretches), _valves_on_ends(supply, nodes)])
    first, last = _nearest_ends(shut, lengths, np.minimum(reach, STUB * lengths))
    run = stretches["run"].to_numpy(dtype=np.int64)
    begin, finish = stretches["start"].to_numpy(), stretches["end"].to_numpy()
    kept = (finish > first[run] + TOUCH) & (begin < last[run] - TOUCH)
    run, at = nodes["run"].to_numpy(dtype=np.int64), nodes["chainage"].to_numpy(dtype=float)
    between = (at > first[run] + TOUCH) & (at < last[run] - TOUCH)
    return Visits(
        links=stretches.loc[kept, ["run", "link"]].drop_duplicates(),
        nodes=nodes.loc[between, ["run", "node"]].drop_duplicates(),
        first=first,
        last=last,
    )


def _nearest_ends(
    valves: pd.DataFrame, lengths: FloatArray, room: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the chainage of the valve nearest to each end, if it is near enough."""
    run, at = valves["run"].to_numpy(dtype=np.int64), valves["chainage"].to_numpy(dtype=float)
    first, last = np.full(len(lengths), np.inf), np.full(len(lengths), -np.inf)
    np.minimum.at(first, run, at)
    np.maximum.at(last, run, at)
    return (
        np.where(first <= room, first, -np.inf),
        np.where(last >= lengths - room, last, np.inf),
    )


def _valves_passed(stretches: pd.DataFrame) -> pd.DataFrame:
    """Return ``run`` and ``chainage`` of the valves at the ends of stretches."""
    before = stretches[stretches["valve_before"]].rename(columns={"start": "chainage"})
    after = stretches[stretches["valve_after"]].rename(columns={"end": "chainage"})
    return pd.concat([before[["run", "chainage"]], after[["run", "chainage"]]])


def _valves_on_ends(supply: Supply, nodes: pd.DataFrame) -> pd.DataFrame:
    """Return the places of valves drawn where just two mains join, whichever they were put on."""
    ends = supply.graph.ends
    live = np.flatnonzero(np.repeat(supply.carrying, 2))
    node = ends.ravel()[live]
    valved = np.bincount(
        node, supply.nearest_valves()[live] <= TOUCH, minlength=len(supply.graph.node_xy)
    )
    joint = np.bincount(node, minlength=len(valved)) == 2
    here = nodes["node"].to_numpy(dtype=np.int64)
    found: pd.DataFrame = nodes.loc[joint[here] & (valved[here] > 0), ["run", "chainage"]]
    return found


def _stretches(supply: Supply, pieces: pd.DataFrame) -> pd.DataFrame:
    """Return the stretches of links along runs, and whether a valve stands at their ends."""
    links = supply.links
    shuts = np.zeros(len(links) + 1, dtype=bool)  # a valve at the lower end of the link
    shuts[links.before[supply.valves.separates] + 1] = True
    edge, low, high = on_edges(supply.graph, pieces)
    row = np.repeat(np.arange(len(pieces)), np.diff(links.offsets)[edge])
    link = take(links.offsets, edge)
    begin, finish = np.maximum(links.low[link], low[row]), np.minimum(links.high[link], high[row])
    valve_low = shuts[link] & (links.low[link] >= low[row] - TOUCH)
    valve_high = shuts[link + 1] & (links.high[link] <= high[row] + TOUCH)
    back = pieces["reversed"].to_numpy(dtype=bool)[row]
    start = np.where(back, high[row] - finish, begin - low[row])
    start = start + pieces["start"].to_numpy(dtype=float)[row]
    table = pd.DataFrame(
        {
            "run": pieces["run"].to_numpy(dtype=np.int64)[row],
            "link": link,
            "start": start,
            "end": start + finish - begin,
            "valve_before": np.where(back, valve_high, valve_low),
            "valve_after": np.where(back, valve_low, valve_high),
        }
    )
    return table[finish - begin > TOUCH]


def _nodes(supply: Supply, pieces: pd.DataFrame) -> pd.DataFrame:
    """Return the nodes at the ends of pieces, with their run and chainage."""
    edge, low, high = on_edges(supply.graph, pieces)
    size = supply.graph.end[edge] - supply.graph.start[edge]
    ends = supply.graph.ends[edge]
    node_low = np.where(low <= TOUCH, ends[:, 0], -1)
    node_high = np.where(high >= size - TOUCH, ends[:, 1], -1)
    back = pieces["reversed"].to_numpy(dtype=bool)
    table = pd.DataFrame(
        {
            "run": np.tile(pieces["run"].to_numpy(dtype=np.int64), 2),
            "node": np.concatenate(
                [np.where(back, node_high, node_low), np.where(back, node_low, node_high)]
            ),
            "chainage": np.concatenate([pieces["start"], pieces["end"]]).astype(float),
        }
    )
    return table[table["node"] >= 0]
