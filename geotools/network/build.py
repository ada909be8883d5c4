"""Mains to runs, whole: noding, what may be lined, chaining, bends, names."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.accel import give_back
from geotools.brief import Bends, Network
from geotools.intake.columns import Layers, Lines, Points
from geotools.intake.findings import Findings
from geotools.network.along import locate_on_runs, runs_within
from geotools.network.bends import BendRules, find_bends, gainsaid_fittings
from geotools.network.crowded import report_crowded
from geotools.network.cutting import cut_chains, reorder
from geotools.network.disagreed import (
    ANGLE_DOUBT,
    report_angles,
    report_cut,
    report_gainsaid,
    too_sharp,
)
from geotools.network.doubles import report_twice, without_doubles
from geotools.network.fittings import Fitted, fit_onto, report_fittings
from geotools.network.grades import (
    Levels,
    grade_breaks,
    ground_breaks,
    joints_of,
    report_joints,
)
from geotools.network.left_out import report_dry, report_left_out
from geotools.network.mains import carries_water, may_be_lined, rank_of
from geotools.network.measured import Polylines
from geotools.network.misses import report_misses
from geotools.network.noding import TOUCH, Graph, node_lines, unnoded_crossings
from geotools.network.onto import OnEdges
from geotools.network.overlaps import find_overlaps, overlap_reach
from geotools.network.pieces import SAME_WAY, end_points
from geotools.network.places import Places, points_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray, line_lengths, measures
from geotools.network.redrawn import FINER
from geotools.network.runs import Chains, build_chains
from geotools.network.services import find_hydrants, find_services, services_on_runs
from geotools.network.shared import share_nodes
from geotools.network.thinned import Thinned, thin
from geotools.network.valves import valves_on_runs

__all__ = ["RunSet", "build_runs", "node_mains"]

WIDE = 2.0  # times the tolerance; no end of a node made of few ends lies so far from its middle
AT_END = 1.0  # m; so near to the end of a run something is at its end
OF_RECORD = (  # columns of bends, told and let go
    *("record", "angle", "covered", "raised", "held", "records"),
    *("rest", "rest_grade", "rise", "doubled"),
)


@dataclass(frozen=True)
class RunSet:
    """All runs of a network.

    Attributes
    ----------
    table : DataFrame
        One row a run: ``run_id``, ``main_ids``, ``diameter`` (m, the least met),
        ``material``, ``length`` (m).
    chains : Chains
    thinned : Thinned
    bends : DataFrame
        As `find_bends` gives them, without what it says of fittings on record.
    graph : Graph
        The noded mains, all of them; ``edge`` of the pieces of the chains is its row.
    services, hydrant_taps : OnEdges
        Where laterals and hydrants meet the mains, all of them; see `find_services`.
    fittings, valves, laterals, hydrants, edits : DataFrame
        Points on the runs: ``point`` (row of the layer), ``run``, ``chainage``, ``offset``;
        of valves also ``tapped``, see `valves_on_runs`.
    """

    table: pd.DataFrame
    chains: Chains
    thinned: Thinned
    bends: pd.DataFrame
    fittings: pd.DataFrame
    valves: pd.DataFrame
    laterals: pd.DataFrame
    hydrants: pd.DataFrame
    edits: pd.DataFrame
    graph: Graph
    services: OnEdges
    hydrant_taps: OnEdges


def build_runs(
    layers: Layers,
    network: Network,
    bends: Bends,
    *,
    accuracy: float,
    edit_reach: float,
    levels: Levels | None = None,
) -> RunSet:
    """Turn mains into runs.

    Parameters
    ----------
    layers : Layers
        Layers as read; findings are added to theirs.
    network, bends : sections of the brief
    accuracy : float
        Survey accuracy of the drawing, m.
    edit_reach : float
        An edit farther than this from a run is not on it, m.
    levels : callable, optional
        Gives the ground at places, m; NaN where it is not known. It tells what turns in the
        vertical where a main with inverts joins one without; without it nothing is said of that.
    """
    rank, reach = rank_of(layers.mains), (bends.fitting_reach, network.snap_tolerance)
    graph = node_mains(layers, network, rank)
    give_back()
    _report_joins(graph, layers.mains, network.snap_tolerance, layers.findings)
    report_misses(
        graph,
        layers.mains,
        lined=may_be_lined(layers.mains, network)[graph.line],
        carrying=carries_water(layers.mains, network)[graph.line],
        tolerance=network.snap_tolerance,
        findings=layers.findings,
    )
    chains = _chained(graph, layers.mains, network, rank)
    report_dry(graph, layers.mains, network, layers.findings)
    lined = may_be_lined(layers.mains, network)[graph.line]
    others = Polylines(*graph.drawn(np.flatnonzero(~lined)))
    rules = BendRules(
        accuracy=accuracy,
        gather=bends.gather,
        least_angle=bends.least_angle,
        curve_angle=bends.curve_angle,
        fitting_radius=bends.fitting_radius,
    )
    give_back()
    chains, denied = _cut(chains, others, layers, rules, network, reach)
    chains = reorder(chains, _order(chains, rank))
    taps = _taps(graph, layers, network, rank)
    return _finished(
        graph, chains, others, taps, denied, layers, rules, network, reach, edit_reach, levels
    )


def node_mains(layers: Layers, network: Network, rank: IntArray) -> Graph:
    """Node the mains; what is drawn twice is taken once."""
    mains, lined = layers.mains, may_be_lined(layers.mains, network)
    graph = node_lines(mains.xy, mains.offsets, tolerance=network.snap_tolerance)
    report_left_out(mains, network, layers.findings)
    reach = overlap_reach(network.snap_tolerance)
    overlaps = find_overlaps(
        mains.xy,
        mains.offsets,
        chosen=lined,
        diameter=mains.table["diameter"].to_numpy(dtype=float),
        diameter_tolerance=network.diameter_tolerance,
        reach=reach,
    )
    once = without_doubles(
        share_nodes(graph, mains.xy, mains.offsets, overlaps, reach=reach),
        mains,
        lined=lined,
        rank=rank,
        tolerance=network.snap_tolerance,
        findings=layers.findings,
    )
    report_twice(once, mains, overlaps, layers.findings)
    report_crowded(mains, lined=lined, reach=reach, findings=layers.findings)
    return once


def _chained(graph: Graph, mains: Lines, network: Network, rank: IntArray) -> Chains:
    """Chain the mains that may be lined."""
    return build_chains(
        graph,
        eligible=may_be_lined(mains, network)[graph.line],
        diameter=mains.table["diameter"].to_numpy(dtype=float)[graph.line],
        rank=rank[graph.line],
        diameter_tolerance=network.diameter_tolerance,
        max_turn=network.max_turn,
        carrying=carries_water(mains, network)[graph.line],
    )


def _taps(graph: Graph, layers: Layers, network: Network, rank: IntArray) -> list[OnEdges]:
    """Find where services and hydrants meet the mains."""
    return [
        find(
            points,
            graph,
            carrying=carries_water(layers.mains, network)[graph.line],
            lined=may_be_lined(layers.mains, network)[graph.line],
            rank=rank[graph.line],
            reach=network.service_reach,
            findings=layers.findings,
        )
        for find, points in (
            (find_services, layers.laterals),
            (find_hydrants, layers.hydrants),
        )
    ]


def _finished(
    graph: Graph,
    chains: Chains,
    others: Polylines,
    taps: list[OnEdges],
    denied: IntArray,
    layers: Layers,
    rules: BendRules,
    network: Network,
    reach: tuple[float, float],
    edit_reach: float,
    levels: Levels | None,
) -> RunSet:
    """Name the runs and bring what lies on them to its chainage.

    ``taps`` are those of services and of hydrants, ``denied`` fittings whose angle is not used.
    """
    services, hydrants = taps
    table = _table(chains, layers.mains)
    axes = Polylines(chains.xy, chains.offsets)
    fitted = _fitted(layers, chains, axes, others, network, reach)
    report_fittings(layers.fittings, fitted, others, reach[0], layers.findings)
    thinned = _thinned(chains, rules.accuracy)
    records = _angles(fitted, table["length"].to_numpy(dtype=float))
    records = records[~records["point"].isin(denied)]
    found = find_bends(
        thinned,
        table["diameter"].to_numpy(dtype=float),
        records,
        _all_breaks(chains, layers, levels, rules.least_angle),
        rules,
        fine=_thinned(chains, rules.accuracy / FINER),
    )
    report_angles(found, records, chains, table, layers, rules.least_angle)
    return RunSet(
        table=table,
        chains=chains,
        thinned=thinned,
        bends=found.drop(columns=[*OF_RECORD]),
        fittings=fitted.on,
        valves=valves_on_runs(layers.valves, _located(layers.valves, axes, others, reach)),
        laterals=services_on_runs(services, graph, chains),
        hydrants=services_on_runs(hydrants, graph, chains),
        edits=runs_within(_places(layers.pit_edits), axes, reach=edit_reach),
        graph=graph,
        services=services,
        hydrant_taps=hydrants,
    )


def _all_breaks(
    chains: Chains, layers: Layers, levels: Levels | None, least_angle: float
) -> pd.DataFrame:
    """Return the turns in the vertical by inverts, and those by the ground, which are told."""
    breaks = grade_breaks(chains, layers.mains)
    if levels is None:
        return breaks
    joints = joints_of(chains, layers.mains, levels)
    report_joints(joints, chains, layers.mains, least_angle, layers.findings)
    both = pd.concat([breaks, ground_breaks(joints, least_angle)], ignore_index=True)
    return both.sort_values(["run", "chainage"], kind="stable", ignore_index=True)


def _report_joins(graph: Graph, mains: Lines, tolerance: float, findings: Findings) -> None:
    names = mains.table["feature"].to_numpy(dtype=object)
    gaps = graph.joined_gaps
    findings.add_points(
        "info",
        "gap-joined",
        [
            f"the end of main {names[int(row)]} lies {findings.length(width, 2)} from "
            f"{_landed_on(row, split)}; joined there, within the snap tolerance of "
            f"{findings.length(tolerance, 2)}. Check that they do connect."
            for _, _, width, row, split in gaps
        ],
        layer="mains",
        features=names[gaps[:, 3].astype(np.int64)],
        xy=gaps[:, :2],
    )
    _report_wide(graph, names, tolerance, findings)
    over = graph.overshoots
    findings.add_points(
        "info",
        "overshoot-taken-back",
        [
            f"the end of main {names[int(row)]} runs {findings.length(far, 2)} past what it meets; "
            "taken as ending there, within the snap tolerance of "
            f"{findings.length(tolerance, 2)}. Check that they do connect."
            for _, _, far, row in over
        ],
        layer="mains",
        features=names[over[:, 3].astype(np.int64)],
        xy=over[:, :2],
    )
    pairs, place = unnoded_crossings(graph, tolerance=tolerance)
    both = np.sort(names[graph.line[pairs]].astype(str), axis=1)
    findings.add_points(
        "warning",
        "crossing-without-node",
        [
            f"mains {a} and {b} cross with no node: taken as not connected. Split both there if "
            "they do connect."
            for a, b in both
        ],
        layer="mains",
        features=both[:, 0],
        xy=place,
    )


def _landed_on(line: float, split: float) -> str:
    """Return what the end of a line just missed, given the line that was split, or -1."""
    if split < 0:
        return "another end"
    return "its own inside" if line == split else "the inside of another main"


def _report_wide(
    graph: Graph, names: npt.NDArray[np.object_], tolerance: float, findings: Findings
) -> None:
    """Report nodes of ends joined one to the next, farther apart than any two that are joined."""
    if tolerance <= TOUCH:
        return
    node, points = graph.ends.ravel(), end_points(graph.xy, graph.offsets)
    away = np.hypot(*(points - graph.node_xy[node]).T)
    far = np.flatnonzero(away > WIDE * tolerance)
    far = far[np.lexsort([-away[far], node[far]])]
    far = far[np.append(True, np.diff(node[far]) > 0)] if len(far) else far
    count = np.bincount(node)[node[far]]
    findings.add_points(
        "warning",
        "wide-node",
        [
            f"{n} ends, each within the snap tolerance of {findings.length(tolerance, 2)} of "
            f"another, are joined to one node, though they lie up to {findings.length(gap)} from "
            "its middle. Check that they do connect, or lower network.snap_tolerance."
            for n, gap in zip(count.tolist(), away[far].tolist(), strict=True)
        ],
        layer="mains",
        features=names[graph.line[far >> 1]],
        xy=graph.node_xy[node[far]],
    )


def _located(
    points: Points | None, runs: Polylines, others: Polylines, reach: tuple[float, float]
) -> pd.DataFrame:
    return locate_on_runs(_places(points), runs, others, reach=reach[0], slack=reach[1])


def _places(points: Points | None) -> FloatArray:
    return points.xy if points is not None else np.zeros((0, 2))


def _fitted(
    layers: Layers,
    chains: Chains,
    runs: Polylines,
    others: Polylines,
    network: Network,
    reach: tuple[float, float],
) -> Fitted:
    on = _located(layers.fittings, runs, others, reach)
    tolerance = network.diameter_tolerance
    return fit_onto(layers.fittings, on, chains, layers.mains, tolerance=tolerance)


def _angles(fitted: Fitted, lengths: FloatArray) -> pd.DataFrame:
    """Return the fittings that make a bend; at its ends a run turns nothing."""
    at, run = (fitted.on[name].to_numpy() for name in ("chainage", "run"))
    chosen = fitted.bend & _within(at, lengths[run.astype(np.int64)])
    rows: pd.DataFrame = fitted.on.loc[chosen, ["point", "run", "chainage"]]
    return rows.assign(angle=fitted.angle[chosen])


def _within(at: FloatArray, lengths: FloatArray) -> BoolArray:
    """Return which places are not at the ends of their runs."""
    inside: BoolArray = (at > AT_END) & (at < lengths - AT_END)
    return inside


def _thinned(chains: Chains, accuracy: float) -> Thinned:
    """Thin the runs; a vertex where a straight main was split does not count as one."""
    pieces = chains.pieces
    places = Places.of_offsets(chains.offsets, measures(chains.xy, chains.offsets))
    run = pieces["run"].to_numpy(dtype=np.int64)
    vertex, gap = places.nearest(run, pieces["start"].to_numpy(dtype=float))
    inner = (vertex > chains.offsets[run]) & (vertex < chains.offsets[run + 1] - 1)
    joints = np.unique(vertex[inner & (gap <= TOUCH)])
    return thin(chains.xy, chains.offsets, accuracy=accuracy, joints=joints)


def _cut(
    chains: Chains,
    others: Polylines,
    layers: Layers,
    rules: BendRules,
    network: Network,
    reach: tuple[float, float],
) -> tuple[Chains, IntArray]:
    """Cut runs at caps and at turns above the limit, each a finding.

    And return the fittings whose angle is not used, since the drawing shows a bend there.
    """
    mains, axes = layers.mains, Polylines(chains.xy, chains.offsets)
    fitted = _fitted(layers, chains, axes, others, network, reach)
    thinned = _thinned(chains, rules.accuracy)
    diameter = _least_diameter(chains, mains)
    lengths = line_lengths(chains.xy, chains.offsets)
    records = _angles(fitted, lengths)
    fine = _thinned(chains, rules.accuracy / FINER)
    breaks = grade_breaks(chains, mains)
    denied = gainsaid_fittings(
        thinned, diameter, records, breaks, rules, fine=fine, doubt=ANGLE_DOUBT
    )
    report_gainsaid(denied, chains, layers)
    records = records[~records["point"].isin(denied["point"])]
    found = find_bends(thinned, diameter, records, breaks, rules, fine=fine)
    # A long curve may turn through any angle; only a turn at one place ends a run.
    sharp = found[
        (found["deflection"] > network.max_turn + SAME_WAY) & (found["kind"] == "fitting")
    ]
    caps = fitted.on[fitted.cap]
    cuts = pd.concat([sharp[["run", "chainage"]], caps[["run", "chainage"]]], ignore_index=True)
    report_cut(sharp, records, chains, layers)
    words = [too_sharp(bend) for bend in sharp.to_dict("records")]
    words += ["has a cap on record"] * len(caps)
    at = cuts["chainage"].to_numpy(dtype=float)
    inner = _within(at, lengths[cuts["run"].to_numpy(dtype=np.int64)])
    cuts, words = cuts[inner], [w for w, keep in zip(words, inner, strict=True) if keep]
    run = cuts["run"].to_numpy(dtype=np.int64)
    xy = points_along(chains.xy, chains.offsets, run, cuts["chainage"].to_numpy(dtype=float))
    layers.findings.add_points(
        "info",
        "run-cut",
        [f"the main {w}: a run ends here." for w in words],
        layer="mains",
        features=[""] * len(cuts),
        xy=xy,
    )
    return cut_chains(chains, cuts), denied["point"].to_numpy(dtype=np.int64)


def _least_diameter(chains: Chains, mains: Lines) -> FloatArray:
    out = np.full(len(chains), np.inf)
    line = chains.pieces["line"].to_numpy(dtype=np.int64)
    diameter = mains.table["diameter"].to_numpy(dtype=float)[line]
    np.minimum.at(out, chains.pieces["run"].to_numpy(dtype=np.int64), diameter)
    return out


def _order(chains: Chains, rank: IntArray) -> IntArray:
    """Order runs by their first main's identifier, then by where they start."""
    lowest = np.full(len(chains), np.iinfo(np.int64).max)
    run = chains.pieces["run"].to_numpy(dtype=np.int64)
    np.minimum.at(lowest, run, rank[chains.pieces["line"].to_numpy(dtype=np.int64)])
    start = np.round(chains.xy[chains.offsets[:-1]], 3)
    second = np.round(chains.xy[chains.offsets[:-1] + 1], 3)
    order = np.lexsort([second[:, 1], second[:, 0], start[:, 1], start[:, 0], lowest])
    return order.astype(np.int64)


def _table(chains: Chains, mains: Lines) -> pd.DataFrame:
    """Describe every run: its mains in order, diameter, materials, length."""
    pieces = chains.pieces
    line = pieces["line"].to_numpy(dtype=np.int64)
    names = mains.table["main_id"].to_numpy(dtype=object)[line]
    materials = mains.table["material"].fillna("").to_numpy(dtype=object)[line]
    later_runs = np.searchsorted(pieces["run"], np.arange(1, len(chains)))  # sorted by run
    digits = max(4, len(str(len(chains))))
    return pd.DataFrame(
        {
            "run_id": [f"R{i + 1:0{digits}d}" for i in range(len(chains))],
            "main_ids": [
                ",".join(dict.fromkeys(map(str, own))) for own in np.split(names, later_runs)
            ][: len(chains)],
            "diameter": _least_diameter(chains, mains),
            "material": [_words(own) for own in np.split(materials, later_runs)][: len(chains)],
            "length": line_lengths(chains.xy, chains.offsets),
        }
    )


def _words(materials: Iterable[str]) -> str:
    """Join the materials met along a run, each as it is first spelled: CI and ci are one."""
    spelled: dict[str, str] = {}
    for word in materials:
        spelled.setdefault(str(word).casefold(), str(word))
    return ", ".join(filter(None, spelled.values())) or "unknown"
