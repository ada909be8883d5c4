"""Supply: the network as its valves divide it, whom each segment serves and what feeds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.columns import Layers, Points
from geotools.intake.findings import Findings
from geotools.network.noding import TOUCH, Graph
from geotools.network.onto import Edges, OnEdges, bring_onto_edges
from geotools.network.places import Places, points_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray, line_lengths
from geotools.network.remarks import names_by_run
from geotools.network.segments import (
    Links,
    Segments,
    build_segments,
    fed_segments,
    joined_segments,
    split_edges,
)
from geotools.network.valves import LineValves, line_valves

__all__ = ["Supply", "build_supply", "customers_of"]

SOURCE_REACH = 50.0  # m; a source farther from every main feeds none (common practice, no source)


@dataclass(frozen=True)
class Supply:
    """Segments of a network.

    Attributes
    ----------
    graph : Graph
    carrying : ndarray of bool, shape (n,)
        Edges that carry water.
    valves : LineValves
    links : Links
    segments : Segments
    weights : ndarray, shape (count, 6)
        Of every segment, in this order: nodes, length of mains (m), customers, critical
        customers, service connections, hydrants.
    sources : ndarray of int64
        Segments that hold a source.
    ways : ndarray of int64, shape (w, 2)
        Segments joined by valves that stand open.
    fed : ndarray of bool, shape (count,)
        Segments that get water in normal operation.
    """

    graph: Graph
    carrying: BoolArray
    valves: LineValves
    links: Links
    segments: Segments
    weights: FloatArray
    sources: IntArray
    ways: IntArray
    fed: BoolArray

    def valve_ahead(
        self, edge: IntArray, at: FloatArray, up: BoolArray, *, beyond: float = TOUCH
    ) -> FloatArray:
        """Return how far from places on edges, m along them, the first valve along the edge is.

        Towards the last vertex where ``up``, else towards the first; m, infinite where there is
        none. Of valves that are or can be closed, farther from the place than ``beyond``, m: one
        right at the place does not count, unless that is below 0.
        """
        separates = self.valves.separates
        of, stands = self.valves.edge[separates], self.valves.at[separates]
        order = np.lexsort([stands, of])
        places = Places.of(of[order], stands[order], len(self.graph))
        above = places.search(edge, at + beyond, "right")
        below = places.search(edge, at - beyond, "left") - 1
        low, high = places.offsets[edge], places.offsets[edge + 1]
        known = np.flatnonzero(np.where(up, above < high, below >= low))
        gap = np.full(len(edge), np.inf)
        gap[known] = np.abs(places.at[np.where(up, above, below)[known]] - at[known])
        return gap


def build_supply(
    layers: Layers,
    graph: Graph,
    *,
    carrying: BoolArray,
    rank: IntArray,
    services: OnEdges,
    hydrants: OnEdges,
    snap: float,
) -> Supply:
    """Divide a network at its valves.

    Parameters
    ----------
    layers : Layers
        Valves, laterals and sources, each None where not known; findings are added to theirs.
    graph : Graph
    carrying : ndarray of bool, shape (n,)
        Edges that carry water; the others join nothing and serve nobody.
    rank : ndarray of int64, shape (n,)
        Order of the edges' mains by identifier.
    services, hydrants : OnEdges
        Where laterals and hydrants meet the mains, as `find_services` gives it.
    snap : float
        A valve farther from every main is not counted on, m.
    """
    valves, findings = layers.valves, layers.findings
    edges = Edges.of(graph, carrying=carrying, rank=rank)
    dry = Edges.of(graph, carrying=~carrying, rank=rank)
    stand = line_valves(valves, graph, edges, dry, carrying=carrying, snap=snap, findings=findings)
    lengths = line_lengths(graph.xy, graph.offsets)
    links = split_edges(lengths, valve_edge=stand.edge, valve_at=stand.at)
    segments = build_segments(
        graph.ends,
        links,
        nodes=len(graph.node_xy),
        carrying=carrying,
        separates=stand.separates,
    )
    place = _Place(graph, carrying, edges, links, segments)
    served = _customers(place, layers.laterals, services, findings)
    source = _sources(place, layers.sources, findings)
    ways = segments.sides[~stand.closed]
    fed = fed_segments(segments.count, ways, source)
    if len(source):
        names = layers.mains.table["feature"].to_numpy(dtype=object)[graph.line]
        _report_unfed(place, ways, fed, names, findings)
    fire = np.bincount(_segments_of(place, hydrants), minlength=segments.count)
    weights = np.concatenate([_extent(place), served, fire[:, None]], axis=1)
    return Supply(graph, carrying, stand, links, segments, weights, source, ways, fed)


@dataclass(frozen=True)
class _Place:
    """What it takes to bring a point to its segment."""

    graph: Graph
    carrying: BoolArray
    edges: Edges
    links: Links
    segments: Segments

    def onto(self, points: Points | None, *, sure: float) -> OnEdges:
        """Bring points onto the edges that carry water."""
        xy = points.xy if points is not None else np.zeros((0, 2))
        return bring_onto_edges(xy, self.edges, sure=sure)

    def segment(self, edge: IntArray, at: FloatArray, forward: BoolArray) -> IntArray:
        """Return the segment of places on edges; at a valve, of its western side."""
        links, ends = self.links, self.graph.ends
        link = Places.of_offsets(links.offsets, links.low).holding(edge, at)
        tied = (at <= links.low[link]) & (link > links.offsets[edge])
        out = self.segments.link[np.where(tied & forward, link - 1, link)]
        length = links.high[links.offsets[edge + 1] - 1]
        out = np.where(at <= TOUCH, self.segments.node[ends[edge, 0]], out)
        return np.where(at >= length - TOUCH, self.segments.node[ends[edge, 1]], out)


def _extent(place: _Place) -> FloatArray:
    """Return the nodes and the length of mains, m, of every segment."""
    segments, links, count = place.segments, place.links, place.segments.count
    used = np.zeros(len(segments.node), dtype=bool)
    used[place.graph.ends[place.carrying].ravel()] = True
    nodes = np.bincount(segments.node[used], minlength=count)
    size = np.where(place.carrying[links.edge], links.high - links.low, 0.0)
    length = np.bincount(segments.link, size, count)
    return np.stack([nodes.astype(float), length], axis=1)


def _customers(
    place: _Place, laterals: Points | None, on: OnEdges, findings: Findings
) -> FloatArray:
    """Return the customers of every segment, the critical ones, and the services."""
    count = place.segments.count
    if laterals is None or not len(laterals):
        return np.zeros((count, 3))
    customers = customers_of(laterals)
    critical = (laterals.table["critical"].to_numpy(dtype=float) == 1).astype(float)
    missing = int(laterals.table["customers"].isna().sum())
    if missing:
        findings.add(
            "info",
            "customers-unknown",
            f"{missing} service connections have no number of customers; each counts as one",
            layer="laterals",
        )
    found = on.edge >= 0
    segment = _segments_of(place, on)
    _report_doubt(place, laterals, on, findings)
    values = [customers[found], critical[found], np.ones(len(segment))]
    return np.stack([np.bincount(segment, v, count) for v in values], axis=1)


def customers_of(laterals: Points) -> FloatArray:
    """Return the customers of every service; one where their number is not on record."""
    customers = laterals.table["customers"].to_numpy(dtype=float)
    return np.where(np.isnan(customers), 1.0, customers)


def _segments_of(place: _Place, on: OnEdges) -> IntArray:
    """Return the segments of points that have a main."""
    found = on.edge >= 0
    return place.segment(on.edge[found], on.at[found], on.forward[found])


def _report_doubt(place: _Place, laterals: Points, on: OnEdges, findings: Findings) -> None:
    """Report laterals that lie about as near to a main of another segment."""
    point, edge = on.rivals.T
    own = place.segment(on.edge[point], on.at[point], on.forward[point])
    other = place.segment(edge, on.rival_at, np.ones(len(edge), dtype=bool))
    point = np.unique(point[own != other])
    findings.add_points(
        "warning",
        "lateral-doubtful",
        [
            f"the service connection is {findings.length(gap)} from its nearest main and about "
            "as far from one that is shut in separately; counted on the nearest. Move it "
            "onto its main."
            for gap in on.offset[point]
        ],
        layer="laterals",
        features=laterals.table["feature"].to_numpy(dtype=object)[point],
        xy=laterals.xy[point],
    )


def _sources(place: _Place, sources: Points | None, findings: Findings) -> IntArray:
    """Return the segments that hold a source."""
    on = place.onto(sources, sure=SOURCE_REACH)
    near = on.offset <= SOURCE_REACH
    if sources is not None:
        findings.add_points(
            "warning",
            "source-off-main",
            f"the source is more than {findings.length(SOURCE_REACH)} from every main in service "
            "and feeds none; move it onto its main",
            layer="sources",
            features=sources.table["feature"].to_numpy(dtype=object)[~near],
            xy=sources.xy[~near],
        )
    if not near.any():
        findings.add(
            "warning",
            "source-unknown",
            "no source feeds a main: what shutdowns cut off beyond the segments they shut in is "
            "not known, and customers, services and hydrants without water are those in these "
            "segments, the least there are. Give the layer sources.",
            layer="sources",
        )
    return np.unique(place.segment(on.edge[near], on.at[near], on.forward[near]))


def _report_unfed(
    place: _Place,
    ways: IntArray,
    fed: BoolArray,
    names: npt.NDArray[np.object_],
    findings: Findings,
) -> None:
    """Report, part by part, mains that no source reaches through open valves.

    ``names`` are those of the edges' mains. The feature is the one of the longest stretch.
    """
    links, graph = place.links, place.graph
    part = joined_segments(place.segments.count, ways)
    size = links.high - links.low
    dry = place.carrying[links.edge] & ~fed[place.segments.link] & (size > TOUCH)
    rows = pd.DataFrame(
        {"part": part[place.segments.link[dry]], "link": np.flatnonzero(dry), "size": size[dry]}
    )
    rows = rows.sort_values(["part", "size"], kind="stable")
    lengths = rows.groupby("part")["size"].sum()
    link = rows.drop_duplicates("part", keep="last")["link"].to_numpy(dtype=np.int64)
    middle = (links.low[link] + links.high[link]) / 2
    number = np.searchsorted(lengths.index.to_numpy(), rows["part"].to_numpy())
    mains = names_by_run(number, names[links.edge[rows["link"]]], len(lengths))
    findings.add_points(
        "warning",
        "main-not-fed",
        [
            f"{findings.length(length, 0)} of mains here ({told.replace(',', ', ')}) get no water "
            "from any source through open valves. Check the valves, the joints of the drawing and "
            "the sources."
            for length, told in zip(lengths, mains, strict=True)
        ],
        layer="mains",
        features=names[links.edge[link]],
        xy=points_along(graph.xy, graph.offsets, links.edge[link], middle),
    )
