"""Services and hydrants: which main each belongs to, and where along its run it is tapped.

Digs, stations, shutdowns and the screening go by the same answer: a service is of the nearest main
that carries water, whether it may be lined or not, and of none beyond a reach. A hydrant likewise:
one with its lead among the mains is of the lead.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.intake.columns import Points
from geotools.intake.findings import Findings
from geotools.network.noding import TOUCH, Graph
from geotools.network.onto import Edges, OnEdges, bring_onto_edges
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.runs import Chains, on_edges

__all__ = ["find_hydrants", "find_services", "points_on_pieces", "services_on_runs"]

SURE = 3.0  # m; a service this near its main is of no other (common practice, no source)


def find_services(
    laterals: Points | None,
    graph: Graph,
    *,
    carrying: BoolArray,
    lined: BoolArray,
    rank: IntArray,
    reach: float,
    findings: Findings,
) -> OnEdges:
    """Find the main of every service; those too far from all are findings.

    Parameters
    ----------
    laterals : Points or None
        Layer of the contract.
    graph : Graph
    carrying, lined : ndarray of bool, shape (n,)
        Edges that carry water, and those that may be lined.
    rank : ndarray of int64, shape (n,)
        Order of the edges' mains by identifier. Of mains as near, a service is of one that may
        be lined, of these the first.
    reach : float
        A service farther from every main is of none, m.
    findings : Findings
    """
    on = _on_mains(laterals, graph, carrying=carrying, lined=lined, rank=rank, reach=reach)
    _report_far(
        laterals,
        on,
        findings,
        rule="lateral-off-main",
        layer="laterals",
        text=f"the service connection is more than {findings.length(reach)} from every main in "
        "service: no dig is planned for it and its customers are not counted; move it onto its "
        "main, or raise network.service_reach",
    )
    return on


def find_hydrants(
    hydrants: Points | None,
    graph: Graph,
    *,
    carrying: BoolArray,
    lined: BoolArray,
    rank: IntArray,
    reach: float,
    findings: Findings,
) -> OnEdges:
    """Find the main of every hydrant, all as in `find_services`."""
    on = _on_mains(hydrants, graph, carrying=carrying, lined=lined, rank=rank, reach=reach)
    _report_far(
        hydrants,
        on,
        findings,
        rule="hydrant-off-main",
        layer="hydrants",
        text=f"the hydrant is more than {findings.length(reach)} from every main in service: no "
        "dig is planned for it and no shutdown counts it; move it onto its main, or raise "
        "network.service_reach",
    )
    return on


def _on_mains(
    points: Points | None,
    graph: Graph,
    *,
    carrying: BoolArray,
    lined: BoolArray,
    rank: IntArray,
    reach: float,
) -> OnEdges:
    """Bring what is tapped off a main onto the nearest that carries water."""
    if points is None or not len(points):
        return OnEdges.nowhere(0)
    order = np.where(lined, rank, rank + rank.max(initial=0) + 1)
    edges = Edges.of(graph, carrying=carrying, rank=order)
    return bring_onto_edges(points.xy, edges, sure=SURE, reach=reach)


def _report_far(
    points: Points | None, on: OnEdges, findings: Findings, *, rule: str, layer: str, text: str
) -> None:
    """Report what is too far from every main."""
    if points is None or not len(points):
        return
    far = on.edge < 0
    names = points.table["feature"].to_numpy(dtype=object)
    findings.add_points("warning", rule, text, layer=layer, features=names[far], xy=points.xy[far])


def services_on_runs(on: OnEdges, graph: Graph, chains: Chains) -> pd.DataFrame:
    """Return the services of runs: ``point`` (row), ``run``, ``chainage`` (m), ``offset`` (m).

    One tapped where a run is cut is of its western side, however the main is drawn.
    """
    point, piece, at, size = points_on_pieces(on, graph, chains)
    pieces = chains.pieces.iloc[piece]
    along = np.clip(np.where(pieces["reversed"], size - at, at), 0.0, size)
    table = pd.DataFrame(
        {
            "point": point,
            "run": pieces["run"].to_numpy(dtype=np.int64),
            "chainage": pieces["start"].to_numpy(dtype=float) + along,
            "offset": on.offset[point],
        }
    )
    found = table.sort_values(["run", "chainage", "point"], kind="stable")
    return found.reset_index(drop=True)


def points_on_pieces(
    on: OnEdges, graph: Graph, chains: Chains
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return the points that lie on pieces of runs: which, on which piece, how far along it, m.

    And the length of the piece, m. One where a run is cut is of its western side.
    """
    edge, low, high = on_edges(graph, chains.pieces)
    order = np.lexsort([low, edge])
    places = Places.of(edge[order], low[order], len(graph))
    point = np.flatnonzero(on.edge >= 0)
    point = point[np.diff(places.offsets)[on.edge[point]] > 0]
    place = places.holding(on.edge[point], on.at[point], slack=TOUCH)
    cut = on.at[point] <= places.at[place] + TOUCH if len(point) else np.zeros(0, dtype=bool)
    back = cut & on.forward[point] & (place > places.offsets[on.edge[point]])
    piece = order[place - back]
    at = on.at[point] - low[piece]
    size = (high - low)[piece]
    inside = (at >= -TOUCH) & (at <= size + TOUCH)
    return point[inside], piece[inside], at[inside], size[inside]
