"""Line valves: which valves on record can shut a main, and where on it they stand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.columns import Points
from geotools.intake.findings import Findings
from geotools.network.noding import Graph
from geotools.network.onto import Edges, OnEdges, bring_onto_edges
from geotools.network.ragged import BoolArray, FloatArray, IntArray, line_lengths
from geotools.pipe.valves import is_stuck, valve_kind

__all__ = ["LineValves", "line_valves", "valves_on_runs"]

# Kinds that shut no main, and what becomes of them where a carrier is pulled in.
SHUT_NOTHING = {
    "tapped": "dug up and tapped again, as services are",
    "inline": "cut out, as line valves are",
}

ON_NODE = 0.05  # m; a valve this near to the end of a main is drawn on the end


@dataclass(frozen=True)
class LineValves:
    """Valves that stand on mains, one row each.

    Attributes
    ----------
    row : ndarray of int64, shape (v,)
        Row of the valve's layer.
    edge : ndarray of int64, shape (v,)
    at : ndarray, shape (v,)
        Distance along the edge, m.
    closed : ndarray of bool, shape (v,)
        Normally closed.
    stuck : ndarray of bool, shape (v,)
        Cannot be moved: as it is, closed or open.
    """

    row: IntArray
    edge: IntArray
    at: FloatArray
    closed: BoolArray
    stuck: BoolArray

    @property
    def separates(self) -> BoolArray:
        """Valves that are closed or can be closed."""
        return self.closed | ~self.stuck


def line_valves(
    points: Points | None,
    graph: Graph,
    edges: Edges,
    dry: Edges,
    *,
    carrying: BoolArray,
    snap: float,
    findings: Findings,
) -> LineValves:
    """Find the valves that can shut a main, and where they stand.

    A valve drawn on a node of two mains stands between them. On a node of three or more it
    cannot be told which it shuts, and it is not counted on: the shutdown gets wider, not leaky.
    Nor is one that is nearer to a main without water than to any with, as the old one beside it.

    Parameters
    ----------
    points : Points or None
        The valves' layer: ``kind``, ``open`` (1, 0; taken as open where missing).
    graph : Graph
    edges : Edges
        Those of the graph that carry water, indexed.
    dry : Edges
        The others.
    carrying : ndarray of bool, shape (n,)
        Which edges those are.
    snap : float
        A valve farther from every main than this is not counted on, m.
    findings : Findings
    """
    if points is None or not len(points):
        none = np.zeros(0, dtype=np.int64)
        no = np.zeros(0, dtype=bool)
        return LineValves(none, none, np.zeros(0), no, no)
    kind = points.table["kind"].fillna("").astype(str)
    known, stuck = kind.map(valve_kind), kind.map(is_stuck).to_numpy(dtype=bool)
    other = known.isin(SHUT_NOTHING).to_numpy(dtype=bool)
    state = points.table["open"].to_numpy(dtype=float)
    on = bring_onto_edges(points.xy, edges, sure=snap)
    junction, at = _at_nodes(on, graph, carrying)
    beside = bring_onto_edges(points.xy, dry, sure=snap, reach=snap).offset
    far = ~other & (on.offset > snap) & (beside > snap)
    idle = ~other & (beside <= snap) & (beside < on.offset - ON_NODE)
    unclear = ~other & ~far & ~idle & junction
    _report(points, findings, far=far, idle=idle, unclear=unclear, snap=snap)
    strange = (known == "").to_numpy(dtype=bool) & (kind.str.strip() != "").to_numpy(dtype=bool)
    words = kind.str.casefold().to_numpy(dtype=object)
    for group, fate in SHUT_NOTHING.items():
        _report_others(words[(known == group).to_numpy(dtype=bool)], fate, findings)
    _report_strange(words[strange & ~stuck], findings)
    _report_states(int((np.isnan(state) & ~other).sum()), findings)
    row = np.flatnonzero(~other & ~far & ~idle & ~unclear)
    return LineValves(row, on.edge[row], at[row], state[row] == 0, stuck[row])


def _at_nodes(on: OnEdges, graph: Graph, carrying: BoolArray) -> tuple[BoolArray, FloatArray]:
    """Return which points lie on nodes of three or more mains, and places moved to the ends."""
    if not len(graph):
        return np.zeros(len(on), dtype=bool), on.at
    lengths = line_lengths(graph.xy, graph.offsets)
    found = on.edge >= 0
    edge = np.where(found, on.edge, 0)
    left = lengths[edge] - on.at
    crowd = _to_crowded(graph, lengths, carrying)[graph.ends[edge]]
    at_start, at_end = on.at <= ON_NODE, left <= ON_NODE
    both = at_start & at_end  # of a piece shorter than both together: the nearer end
    at_start &= ~both | (on.at < left) | ((on.at == left) & on.forward)
    at = np.where(at_start, 0.0, np.where(at_end, lengths[edge], on.at))
    crowded = np.minimum(on.at + crowd[:, 0], left + crowd[:, 1]) <= ON_NODE
    return found & crowded, at


def _to_crowded(graph: Graph, lengths: FloatArray, carrying: BoolArray) -> FloatArray:
    """Return how far from each node one of three or more mains is, m, infinite beyond `ON_NODE`.

    By way of mains: what is drawn at the end of one so short is drawn on both its ends, whichever
    of the mains there comes first.
    """
    degree = np.bincount(graph.ends[carrying].ravel(), minlength=len(graph.node_xy))
    away = np.where(degree > 2, 0.0, np.inf)
    short = np.flatnonzero(carrying & (lengths <= ON_NODE))
    ends = np.concatenate([graph.ends[short], graph.ends[short, ::-1]])
    size = np.tile(lengths[short], 2)
    while True:
        by_way = away[ends[:, 0]] + size
        nearer = (by_way < away[ends[:, 1]]) & (by_way <= ON_NODE)
        if not nearer.any():
            return away
        np.minimum.at(away, ends[nearer, 1], by_way[nearer])


def _report(
    points: Points,
    findings: Findings,
    *,
    far: BoolArray,
    idle: BoolArray,
    unclear: BoolArray,
    snap: float,
) -> None:
    """Report valves that are not counted on."""
    cases = [
        (
            far,
            "valve-off-main",
            f"the valve is more than {findings.length(snap)} from every main in service and is "
            "not counted on; move it onto its main",
        ),
        (
            idle,
            "valve-on-dry-main",
            "the valve stands on a main that carries no water, and on no other; it is not counted "
            "on. Move it onto the main it shuts, or set the main's status right.",
        ),
        (
            unclear,
            "valve-on-junction",
            "the valve is drawn on a junction, so it cannot be told which main it shuts; it is "
            "not counted on. Move it onto its main.",
        ),
    ]
    names = points.table["feature"].to_numpy(dtype=object)
    for rows, rule, text in cases:
        findings.add_points(
            "warning", rule, text, layer="valves", features=names[rows], xy=points.xy[rows]
        )


def _report_others(others: npt.NDArray[np.object_], fate: str, findings: Findings) -> None:
    """Report, by kind, the valves that shut no main, and what becomes of them on a run."""
    for name, count in zip(*np.unique(others.astype(str), return_counts=True), strict=True):
        findings.add(
            "info",
            "no-line-valve",
            f"{count} of kind {str(name)!r} shut no main and are not counted on for shutdowns; "
            f"between the pits of a run they are {fate}",
            layer="valves",
        )


def _report_strange(strange: npt.NDArray[np.object_], findings: Findings) -> None:
    """Report, by kind, the valves of kinds nobody knows."""
    for name, count in zip(*np.unique(strange.astype(str), return_counts=True), strict=True):
        findings.add(
            "warning",
            "valve-kind-unknown",
            f"{count} valves are of a kind that is not known, {str(name)!r}, and are taken as line "
            "valves, on which shutdowns rely. Write a usual word (gate, butterfly), or what they "
            "are if they shut no main (air valve, washout, hydrant valve).",
            layer="valves",
            field="kind",
        )


def _report_states(unknown: int, findings: Findings) -> None:
    """Report how many valves have no state on record."""
    if unknown:
        findings.add(
            "info",
            "valve-state-unknown",
            f"{unknown} valves are not on record as open or closed; they are taken as open",
            layer="valves",
        )


def valves_on_runs(points: Points | None, on: pd.DataFrame) -> pd.DataFrame:
    """Add to the valves on runs, as `locate_on_runs` gives them, which are ``tapped`` off it.

    Those stand on a branch: they are no part of the main, which goes on below them.
    """
    if points is None:
        return on.assign(tapped=np.zeros(len(on), dtype=bool))
    kind = points.table["kind"].fillna("").astype(str).map(valve_kind)
    tapped = (kind == "tapped").to_numpy(dtype=bool)
    return on.assign(tapped=tapped[on["point"].to_numpy(dtype=np.int64)])
