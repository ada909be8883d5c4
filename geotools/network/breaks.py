"""Breaks of a point layer: which main each record counts for, and where along it.

A record counts for the main its identifier names, wherever it lies, else for the nearest main
within a reach. Every main takes part in that, also one that may not be lined: its breaks are none
of the large main beside it. Of mains as near as the drawing is accurate a break is of one that may
be lined, of these of the first by identifier, and it is told. A break from before its main was laid
is of the main that was there then, and counts for none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Network
from geotools.intake.columns import Layers, Points
from geotools.intake.findings import Findings, counted
from geotools.intake.notes import Note, emit, note
from geotools.lists import listed
from geotools.network.left_out import why_left_out
from geotools.network.mains import may_be_lined, rank_of
from geotools.network.noding import TOUCH, Graph
from geotools.network.onto import Edges, OnEdges, bring_onto_edges
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    offsets_of,
    spread_out,
)
from geotools.pipe.names import folded

__all__ = ["PlacedBreaks", "place_breaks"]

LAYER = "breaks"


@dataclass(frozen=True)
class PlacedBreaks:
    """Where the records of breaks count, shape (p,); a row a record.

    Attributes
    ----------
    on : OnEdges
        Their places on the edges of the graph; of those that count for no main that may be lined,
        or have no place, none.
    whole : ndarray of int64
        Source main of one that has no place but names it: it counts for all of it; -1 of others.
    source : ndarray of int64, shape (mains,)
        Source main of every main.
    year : ndarray
        NaN where not known, and of one from before its main was laid, which counts for none.
    weight : ndarray
        What each counts: 1, or its share of a record of several points.
    known : bool
        Whether the main of any of them is known, lined or not: else the layer says nothing.
    """

    on: OnEdges
    whole: IntArray
    source: IntArray
    year: FloatArray
    weight: FloatArray
    known: bool


def place_breaks(
    breaks: Points,
    layers: Layers,
    graph: Graph,
    network: Network,
    *,
    reach: float,
    accuracy: float,
) -> PlacedBreaks:
    """Find the main of every record of the layer breaks; each that counts for none is told.

    Parameters
    ----------
    breaks : Points
        The layer.
    layers : Layers
        With the mains; findings are added to theirs.
    graph : Graph
        The noded mains.
    network : section of the brief
    reach : float
        A record that names no main and is farther from every one is of none, m.
    accuracy : float
        Mains are as near as each other within this, m.
    """
    job = _Job.of(layers, breaks, graph, network, reach)
    named, strange = _named(breaks, job.names)
    placed = np.isfinite(breaks.xy).all(axis=1)
    own = _on_own(job, np.flatnonzero((named >= 0) & placed), named)
    near, ties = _on_nearest(job, np.flatnonzero((own.edge < 0) & placed), accuracy)
    on = _joined(own, near)
    drawn = np.isin(named, job.source[graph.line])  # one drawn on another is not
    whole = np.where(drawn & ~placed, named, -1)
    _report_unnamed(job, strange)
    _report_far(job, placed & (on.edge < 0))
    _report_ties(job, on, ties)
    _report_away(job, own)
    lost = ~placed & (whole < 0)
    _tell_count(job, lost, "break-no-place", "warning", NO_PLACE)
    _tell_count(job, np.isnan(job.year), "break-no-year", "info", NO_YEAR)
    _report_alike(job, named)
    known = bool((on.edge >= 0).any() or (whole >= 0).any())
    early = _earlier(job, on, whole)
    out = early | _not_lined(job, on, whole)
    return PlacedBreaks(
        on=replace(on, edge=np.where(out, -1, on.edge)),
        whole=np.where(out, -1, whole),
        source=job.source,
        year=np.where(early, np.nan, job.year),
        weight=breaks.table["share"].to_numpy(dtype=np.float64),
        known=known,
    )


NO_PLACE = (
    "{count} of {of} records have no place and name no main that is here, or one drawn on another: "
    "they count for none; draw them, or give the main_id"
)
NO_YEAR = (
    "{count} of {of} records have no year: they count among the breaks, but not in the rate a year"
)


ALIKE = (
    "{count} of {of} records are of one place, main and year with one before them: each counts; "
    "delete those that were written down twice"
)


@dataclass(frozen=True)
class _Job:
    """What it takes to place breaks: ``names`` are source mains by identifier."""

    breaks: Points
    graph: Graph
    edges: Edges
    lined: BoolArray
    mains: pd.DataFrame
    source: IntArray
    names: dict[str, int]
    why: npt.NDArray[np.object_]
    year: FloatArray
    reach: float
    findings: Findings

    @classmethod
    def of(
        cls, layers: Layers, breaks: Points, graph: Graph, network: Network, reach: float
    ) -> _Job:
        """Take edges and identifiers of all mains."""
        mains, every = layers.mains, np.ones(len(graph), dtype=bool)
        lined, rank = may_be_lined(mains, network), rank_of(mains)
        order = np.where(lined, rank, rank + rank.max(initial=0) + 1)[graph.line]
        source, ids = pd.factorize(_plain_ids(layers))
        return cls(
            breaks=breaks,
            graph=graph,
            edges=Edges.of(graph, carrying=every, rank=order),
            lined=lined,
            mains=mains.table,
            source=source.astype(np.int64),
            names={str(name): k for k, name in enumerate(ids)},
            why=why_left_out(mains, network, layers.findings.system),
            year=breaks.table["year"].to_numpy(dtype=np.float64),
            reach=reach,
            findings=layers.findings,
        )

    @property
    def features(self) -> npt.NDArray[np.object_]:
        """Return the names of the records."""
        return self.breaks.table["feature"].to_numpy(dtype=object)

    def tell(self, notes: list[Note]) -> None:
        """Add notes on records to the findings, each with its place."""
        emit(self.findings, LAYER, notes, names=self.features, places=self._places)

    def _places(self, rows: IntArray) -> npt.NDArray[np.object_]:
        out = np.full(len(rows), None, dtype=object)
        there = np.isfinite(self.breaks.xy[rows]).all(axis=1)
        out[there] = shapely.points(self.breaks.xy[rows[there]])
        return out


def _plain_ids(layers: Layers) -> npt.NDArray[np.object_]:
    """Return the identifiers mains have in their source: those of several of one name are one."""
    told_apart = {
        name: name.rpartition("#")[0] for name in layers.renamed.get("mains", {}).values()
    }
    ids = layers.mains.table["source_id"].astype(str)
    return np.array([told_apart.get(name) or name for name in ids], dtype=object)


def _named(breaks: Points, names: dict[str, int]) -> tuple[IntArray, BoolArray]:
    """Return the source main each record names, -1 where none, and which name one not here."""
    said = breaks.table["main_id"].fillna("").astype(str)
    named = np.array([names.get(name, -1) for name in said], dtype=np.int64)
    return named, (said != "").to_numpy() & (named < 0)


def _on_own(job: _Job, rows: IntArray, named: IntArray) -> OnEdges:
    """Bring records onto the main they name, however far; onto none where that is drawn nowhere."""
    owner = job.source[job.graph.line]
    order = np.argsort(owner, kind="stable")
    offsets = offsets_of(np.bincount(owner, minlength=len(job.names)).astype(np.int64))
    row, number = spread_out(np.diff(offsets)[named[rows]])
    edge = order[offsets[named[rows[row]]] + number]
    return _first_of(job, rows[row], edge, rank=np.zeros(len(edge), dtype=np.int64))


def _on_nearest(job: _Job, rows: IntArray, accuracy: float) -> tuple[OnEdges, IntArray]:
    """Bring records onto the nearest main within reach.

    Returns
    -------
    OnEdges, ndarray of int64, shape (k, 2)
        And records with a main that is as near as another: the record and an edge of that.
    """
    xy = job.breaks.xy[rows]
    found = job.edges.lines.within(xy, job.reach + accuracy)
    least = found.least(len(rows))[found.point]
    close = (least <= job.reach) & (found.gap <= least + accuracy)
    point, edge = rows[found.point[close]], found.line[close]
    on = _first_of(job, point, edge, rank=job.edges.rank[edge])
    other = job.source[job.graph.line[edge]] != job.source[job.graph.line[on.edge[point]]]
    return on, np.stack([point[other], edge[other]], axis=1)


def _first_of(job: _Job, point: IntArray, edge: IntArray, *, rank: IntArray) -> OnEdges:
    """Bring records onto one of the edges that come in question: the first by rank, the nearest."""
    on = OnEdges.nowhere(len(job.breaks))
    lines = job.edges.lines
    gap = lines.distance(job.breaks.xy, point, edge)
    x, y = job.edges.middle[edge].T
    order = np.lexsort([y, x, np.round(gap / TOUCH), rank, point])
    best = order[firsts(point[order])] if len(order) else order
    row, taken = point[best], edge[best]
    on.edge[row], on.offset[row] = taken, gap[best]
    on.at[row] = lines.locate(job.breaks.xy, row, taken)
    on.forward[row] = job.edges.forward[taken]
    return on


def _joined(one: OnEdges, other: OnEdges) -> OnEdges:
    """Return where records are that are on an edge in one or the other."""
    first = one.edge >= 0
    return replace(
        one,
        edge=np.where(first, one.edge, other.edge),
        at=np.where(first, one.at, other.at),
        offset=np.where(first, one.offset, other.offset),
        forward=np.where(first, one.forward, other.forward),
    )


def _main_names(job: _Job, edge: IntArray) -> npt.NDArray[np.object_]:
    return job.mains["main_id"].to_numpy(dtype=object)[job.graph.line[edge]]


def _report_unnamed(job: _Job, strange: BoolArray) -> None:
    """Tell the identifiers that are no main's."""
    rows = np.flatnonzero(strange)
    if not len(rows):
        return
    said = job.breaks.table["main_id"].iloc[rows]
    job.findings.add(
        "warning",
        "break-main-unknown",
        f"{len(rows):,} of {len(strange):,} records name a main that is not here: "
        f"{counted(said)}; each counts for the nearest within "
        f"{job.findings.length(job.reach)} (screening.break_reach), if there is one"
        f"{_written_otherwise(job, said)}",
        layer=LAYER,
        field="main_id",
        stands_for=len(rows),
    )


def _written_otherwise(job: _Job, said: pd.Series) -> str:
    """Say which identifiers of mains differ from those of records in their writing alone."""
    mains = {_bare(name): name for name in job.names}
    met = {name: mains[_bare(name)] for name in sorted({*map(str, said)}) if _bare(name) in mains}
    if not met:
        return ""
    pairs = [f"{name!r} may be {main!r}" for name, main in met.items()]
    return f"; {listed(pairs, most=5)}: write them as the mains do, in a column of text"


def _bare(name: str) -> str:
    """Return an identifier without what spreadsheets take from it or add to it."""
    return folded(name).removesuffix(".0").lstrip("0")


def _report_alike(job: _Job, named: IntArray) -> None:
    """Tell records of one main, place and year: they may be one that was written down twice."""
    told = pd.DataFrame({"x": job.breaks.xy[:, 0], "y": job.breaks.xy[:, 1], "named": named})
    twice = told.assign(year=job.year)[told["x"].notna()].duplicated()
    _tell_count(job, twice.to_numpy(dtype=bool), "break-twice", "info", ALIKE)


def _report_far(job: _Job, far: BoolArray) -> None:
    """Tell the records too far from every main, and how far."""
    rows = np.flatnonzero(far)
    away = bring_onto_edges(job.breaks.xy[rows], job.edges, sure=0.0).offset
    texts = [
        f"is {job.findings.length(gap)} from the nearest main, farther than "
        f"{job.findings.length(job.reach)} (screening.break_reach), and names none that is here: "
        "it counts for none; move it onto its main, or give the main_id"
        for gap in away
    ]
    job.tell(note("warning", "break-off-main", rows, texts, every=True))


def _report_ties(job: _Job, on: OnEdges, ties: IntArray) -> None:
    """Tell the records that may as well be of another main."""
    point, edge = ties.T
    rows = np.unique(point)
    others = pd.Series(_main_names(job, edge)).groupby(point).agg(lambda n: sorted({*map(str, n)}))
    texts = [
        f"is as near to main {' and '.join(others[row][:3])} as to {own}, within the accuracy of "
        "the drawing (ground.survey_accuracy): it counts for the latter, one that may be lined "
        "before one that may not, then by identifier; give the main_id"
        for row, own in zip(rows, _main_names(job, on.edge[rows]), strict=True)
    ]
    job.tell(note("warning", "break-doubtful", rows, texts))


def _report_away(job: _Job, own: OnEdges) -> None:
    """Tell the records that lie far from the main they name."""
    rows = np.flatnonzero((own.edge >= 0) & (own.offset > job.reach))
    texts = [
        f"is {job.findings.length(gap)} from main {name}, which it names: it counts there; correct "
        "its place or its main_id"
        for gap, name in zip(own.offset[rows], _main_names(job, own.edge[rows]), strict=True)
    ]
    job.tell(note("warning", "break-away", rows, texts))


def _tell_count(job: _Job, which: BoolArray, rule: str, severity: str, text: str) -> None:
    """Tell how many records there are of a kind."""
    count = int(which.sum())
    if count:
        said = text.format(count=f"{count:,}", of=f"{len(which):,}")
        job.findings.add(severity, rule, said, layer=LAYER, stands_for=count)


def _earlier(job: _Job, on: OnEdges, whole: IntArray) -> BoolArray:
    """Return which records are of a year before their main was laid, and tell them."""
    laid = job.mains["installed"].to_numpy(dtype=np.float64)
    since = np.full(len(whole), np.nan)
    some = on.edge >= 0
    since[some] = laid[job.graph.line[on.edge[some]]]
    all_of = whole >= 0
    first = pd.Series(laid).groupby(job.source).min().to_numpy(dtype=np.float64)
    since[all_of] = first[whole[all_of]]
    with np.errstate(invalid="ignore"):
        early: BoolArray = job.year < since
    rows = np.flatnonzero(early)
    texts = [
        f"is of {year:.0f}, before its main was laid ({built:.0f}): it is taken to be of the main "
        "that was there then, and counts for none; correct the year of either if it is not"
        for year, built in zip(job.year[rows], since[rows], strict=True)
    ]
    job.tell(note("warning", "break-before-main", rows, texts))
    return early


def _not_lined(job: _Job, on: OnEdges, whole: IntArray) -> BoolArray:
    """Return which records are of mains that may not be lined, and tell how many, and why."""
    line = np.full(len(whole), -1, dtype=np.int64)
    some = on.edge >= 0
    line[some] = job.graph.line[on.edge[some]]
    best = np.lexsort([~job.lined, job.source])  # of several drawn under a name one that may be
    first = best[firsts(job.source[best])]
    line[whole >= 0] = first[whole[whole >= 0]]
    out: BoolArray = (line >= 0) & ~job.lined[np.maximum(line, 0)]
    if out.any():
        job.findings.add(
            "info",
            "break-not-considered",
            f"{out.sum():,} of {len(out):,} records are on mains that are not considered for "
            f"lining, and count for no run: {_reasons(job.why[line[out]])}",
            layer=LAYER,
            stands_for=int(out.sum()),
        )
    return out


def _reasons(why: npt.NDArray[np.object_]) -> str:
    counts = pd.Series(why).value_counts()
    named = sorted(counts.items(), key=lambda met: (-met[1], str(met[0])))
    return "; ".join(f"{text} ({count:,})" for text, count in named)
