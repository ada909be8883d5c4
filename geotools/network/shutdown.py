"""Shutdowns: what it takes to bring each run out of service, and who loses water meanwhile.

A run is dry when every segment it passes through, its ends too, is shut in by closing the valves
around them. A valve on the run itself is not relied on: the pits open the main from its very ends,
and every valve between is cut out.
A valve that is normally closed separates already; one that is stuck open separates nothing, and is
told where it widens a shutdown: on the run itself it is cut out like the others.
Segments that are fed only through those shut in are cut off though nobody shuts them in.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Bends, Network
from geotools.intake.columns import Layers, Lines, Points
from geotools.intake.findings import Findings
from geotools.network.ahead import Leaving, without_valve
from geotools.network.build import RunSet
from geotools.network.mains import carries_water, rank_of, statuses_of
from geotools.network.noding import TOUCH
from geotools.network.ragged import BoolArray, IntArray, line_lengths, members_of, offsets_of
from geotools.network.remarks import Circumstances, names_by_run, order_of_names, write_remarks
from geotools.network.runs import Chains, on_edges
from geotools.network.segments import cut_off, joined_segments
from geotools.network.services import services_on_runs
from geotools.network.supply import Supply, build_supply, customers_of
from geotools.network.visits import Visits, visit
from geotools.schema import OUTPUTS

__all__ = ["CUT_BY_OTHERS", "LOST", "VALVE_REACH", "isolate", "plan_shutdowns"]

LOST = ("sources_shut", "lost", "lost_length", "lost_customers")
CUT_BY_OTHERS = "cut_by_others"
VALVE_REACH = 10.0  # m; a valve this near a junction stands at it (common practice, no source)


def plan_shutdowns(layers: Layers, runs: RunSet, network: Network, bends: Bends) -> pd.DataFrame:
    """Work out the shutdown of every run; no rows where the valves are not known.

    Parameters
    ----------
    layers : Layers
        Findings are added to theirs.
    runs : RunSet
    network, bends : sections of the brief

    Returns
    -------
    DataFrame
        As `isolate`.
    """
    if layers.valves is None:
        names = [
            "run",
            *(field.name for field in OUTPUTS["shutdowns"].fields),
            "geometry",
            *LOST,
            CUT_BY_OTHERS,
        ]
        return pd.DataFrame({name: np.zeros(0, dtype=object) for name in names})
    carrying = _carrying(layers.mains, network, layers.findings)
    return isolate(
        layers, layers.valves, runs, carrying=carrying, snap=bends.fitting_reach, reach=VALVE_REACH
    )


def isolate(
    layers: Layers,
    valves: Points,
    runs: RunSet,
    *,
    carrying: BoolArray,
    snap: float,
    reach: float,
) -> pd.DataFrame:
    """Find for every run the valves to close, what goes dry and what is cut off.

    Parameters
    ----------
    layers : Layers
        Findings are added to theirs.
    valves : Points
        Their layer of valves.
    runs : RunSet
        The valves on the runs are those the work cuts out.
    carrying : ndarray of bool, shape (mains,)
        Mains that carry water.
    snap : float
        See `build_supply`, m.
    reach : float
        A valve this near a junction stands at it, m.

    Returns
    -------
    DataFrame
        One row a run: ``run``, the bare fields of the layer ``shutdowns`` in SI units, and
        ``geometry``, the valves to close. ``sources_shut`` says whether a source is shut in,
        ``lost`` whether every source is of a part of the network that is joined by open valves;
        ``lost_length`` (m) and ``lost_customers`` are of these parts. ``cut_by_others`` are the
        valves to close that the work on another run cuts out: pairs of its ``run_id`` and a name.
    """
    graph, chains = runs.graph, runs.chains
    supply = build_supply(
        layers,
        graph,
        carrying=carrying[graph.line],
        rank=rank_of(layers.mains)[graph.line],
        services=runs.services,
        hydrants=runs.hydrant_taps,
        snap=snap,
    )
    run_ids = runs.table["run_id"].to_numpy(dtype=object)
    table = pd.DataFrame({"run": np.arange(len(chains)), "run_id": run_ids})
    visits = visit(supply, chains, cut_out=runs.valves)
    table = table.join(_shutdowns(supply, chains, visits, valves, reach, layers.findings))
    named = [[(run_ids[run], name) for run, name in cut] for cut in table[CUT_BY_OTHERS]]
    table[CUT_BY_OTHERS] = pd.Series(named, dtype=object)
    taps = services_on_runs(runs.services, graph, chains)
    return table.assign(**_tapped(table, taps, layers.laterals))


def _tapped(table: pd.DataFrame, taps: pd.DataFrame, laterals: Points | None) -> dict[str, Any]:
    """Return how many services each run itself has, and its customers that are not on them.

    Where it is not known what is cut off, nor is it whether all of these are told.
    """
    runs, run = len(table), taps["run"].to_numpy(dtype=np.int64)
    own = np.zeros(len(taps))
    if laterals is not None and len(taps):
        own = customers_of(laterals)[taps["point"].to_numpy(dtype=np.int64)]
    beyond = (table["customers"] - np.bincount(run, own, runs)).round(6)
    return {
        "customers_beyond": beyond.where(table["cut_off_length"].notna()),
        "temporary_services": np.bincount(run, minlength=runs).astype(np.int64),
    }


def _shutdowns(
    supply: Supply,
    chains: Chains,
    visits: Visits,
    valves: Points,
    reach: float,
    findings: Findings,
) -> pd.DataFrame:
    """Return what `isolate` tells of each run, in their order."""
    shut = _shut_in(supply, visits)
    bounds = _bounds(supply, shut)
    table = _to_close(supply, bounds, valves, len(chains)).join(_dry(supply, shut, len(chains)))
    table = table.join(_sources_lost(supply, shut, len(chains)))
    source = table["sources_shut"].to_numpy(dtype=bool)
    told = _circumstances(supply, chains, visits, shut, bounds, _names(valves), reach, source)
    return table.assign(
        temporary_supply=line_lengths(chains.xy, chains.offsets),
        remarks=write_remarks(told, findings.length),
        **{CUT_BY_OTHERS: _cut_by_others(supply, visits, bounds, _names(valves), len(chains))},
    )


def _carrying(mains: Lines, network: Network, findings: Findings) -> BoolArray:
    """Return which mains carry water, by status."""
    status = statuses_of(mains)
    carrying = carries_water(mains, network)
    for name in sorted(set(status[~carrying])):
        findings.add(
            "info",
            "main-without-water",
            f"{int((status == name).sum())} mains of status {name!r} "
            "(network.excluded_statuses) are taken to carry no water in shutdowns",
            layer="mains",
        )
    return carrying


def _names(points: Points) -> npt.NDArray[np.object_]:
    """Return the names of the features of a layer."""
    return points.table["feature"].to_numpy(dtype=object)


def _shut_in(supply: Supply, visits: Visits) -> pd.DataFrame:
    """Return ``run`` and ``segment``, each pair once, sorted."""
    links, nodes, valves = visits.links, visits.nodes, visits.valves
    segments = supply.segments
    sides = segments.sides[valves["valve"]]
    parts = [
        (links["run"], segments.link[links["link"]]),
        (nodes["run"], segments.node[nodes["node"]]),
        (valves["run"], sides[:, 0]),
        (valves["run"], sides[:, 1]),
    ]
    run, segment = (np.concatenate(c).astype(np.int64) for c in zip(*parts, strict=True))
    key = np.unique(run * segments.count + segment)
    return pd.DataFrame({"run": key // segments.count, "segment": key % segments.count})


def _bounds(supply: Supply, shut: pd.DataFrame) -> pd.DataFrame:
    """Return ``run`` and ``valve``: the valves between what is shut in and what is not."""
    sides, count = supply.segments.sides, supply.segments.count
    valve = np.tile(np.flatnonzero(sides[:, 0] != sides[:, 1]), 2)
    half = len(valve) // 2
    inside = np.concatenate([sides[valve[:half], 0], sides[valve[half:], 1]])
    outside = np.concatenate([sides[valve[:half], 1], sides[valve[half:], 0]])
    row, hit = members_of(shut["segment"].to_numpy(dtype=np.int64), inside, count)
    run = shut["run"].to_numpy(dtype=np.int64)
    both = np.isin(run[row] * count + outside[hit], run * count + shut["segment"].to_numpy())
    return pd.DataFrame({"run": run[row][~both], "valve": valve[hit][~both]}).drop_duplicates()


def _to_close(supply: Supply, bounds: pd.DataFrame, valves: Points, runs: int) -> pd.DataFrame:
    """Return names, number and places of the valves to close, places in the order of the names."""
    open_now = bounds[~supply.valves.closed[bounds["valve"]]]
    run = open_now["run"].to_numpy(dtype=np.int64)
    row = supply.valves.row[open_now["valve"]]
    geometry = np.full(runs, shapely.MultiPoint(), dtype=object)
    names = np.full(runs, "", dtype=object)
    alike = np.zeros(len(row), dtype=bool)
    if len(row):
        named = _names(valves)[row]
        names = names_by_run(run, named, runs, most=None)
        alike = _alike(run, named)
        order = order_of_names(run, named)
        some = np.unique(run)
        geometry[some] = shapely.multipoints(
            shapely.points(valves.xy[row[order]]), indices=np.searchsorted(some, run[order])
        )
    count = np.bincount(run, minlength=runs)
    sure = np.bincount(run, alike, runs) == 0
    return pd.DataFrame(
        {"valves": names, "valve_count": count, "valves_in_order": sure, "geometry": geometry}
    )


def _cut_by_others(
    supply: Supply,
    visits: Visits,
    bounds: pd.DataFrame,
    names: npt.NDArray[np.object_],
    runs: int,
) -> pd.Series:
    """Return of every run the valves to close that other runs' work cuts out: run and name."""
    to_close = bounds[~supply.valves.closed[bounds["valve"]]]
    pairs = to_close.merge(visits.valves.rename(columns={"run": "other"}), on="valve")
    out: list[list[tuple[int, str]]] = [[] for _ in range(runs)]
    for run, other, valve in zip(*(pairs[c] for c in ("run", "other", "valve")), strict=True):
        if run != other:
            out[run].append((int(other), str(names[supply.valves.row[valve]])))
    return pd.Series([sorted(of_run) for of_run in out], dtype=object)


def _alike(run: IntArray, names: npt.NDArray[np.object_]) -> BoolArray:
    """Say which names are no name of one valve among those of its run: others have it, or commas.

    Names are joined by commas.
    """
    twice = pd.DataFrame({"run": run, "name": names}).duplicated(keep=False).to_numpy()
    return np.asarray(twice | ["," in str(name) for name in names], dtype=bool)


def _dry(supply: Supply, shut: pd.DataFrame, runs: int) -> pd.DataFrame:
    """Return what goes dry and what is cut off beyond it.

    Without a source it is not known what is cut off: customers, services and hydrants are those
    that go dry, the least there are.
    """
    run, segment = (shut[c].to_numpy(dtype=np.int64) for c in ("run", "segment"))
    columns = supply.weights[segment].T
    _, length, *served = (np.bincount(run, c, runs) for c in columns)
    count = np.bincount(run, minlength=runs).astype(np.int64)
    table = pd.DataFrame({"segments": count, "main_length": length.round(6)})
    beyond = cut_off(
        supply.ways,
        supply.sources,
        shut=segment,
        offsets=offsets_of(count),
        weights=supply.weights,
    ).round(6)
    if not len(supply.sources):
        beyond[:, :2] = np.nan
    customers, *counted = (here + beyond[:, 2 + k] for k, here in enumerate(served))
    critical, services, hydrants = (number.astype(np.int64) for number in counted)
    return table.assign(
        customers=customers,
        critical=critical,
        services=services,
        hydrants=hydrants,
        cut_off_nodes=pd.Series(beyond[:, 0]).astype("Int64"),
        cut_off_length=beyond[:, 1],
    )


def _sources_lost(supply: Supply, shut: pd.DataFrame, runs: int) -> pd.DataFrame:
    """Return by run whether sources are shut in, and what of the network has no other."""
    part = joined_segments(supply.segments.count, supply.ways)
    parts = int(part.max(initial=-1)) + 1
    held = shut[shut["segment"].isin(supply.sources)]
    run, of = held["run"].to_numpy(dtype=np.int64), part[held["segment"].to_numpy(dtype=np.int64)]
    pair, taken = np.unique(run * parts + of, return_counts=True)
    every = np.bincount(part[supply.sources], minlength=parts)
    pair = pair[taken == every[pair % parts]] if parts else pair
    lone, bare = np.divmod(pair, max(parts, 1))
    size = [np.bincount(part, supply.weights[:, k], parts)[bare] for k in (1, 2)]
    length, customers = (np.bincount(lone, each, runs).round(6) for each in size)
    columns = (np.bincount(run, minlength=runs) > 0, np.bincount(lone, minlength=runs) > 0)
    return pd.DataFrame(dict(zip(LOST, (*columns, length, customers), strict=True)))


def _circumstances(
    supply: Supply,
    chains: Chains,
    visits: Visits,
    shut: pd.DataFrame,
    bounds: pd.DataFrame,
    names: npt.NDArray[np.object_],
    reach: float,
    source: BoolArray,
) -> Circumstances:
    """Gather what the remarks are about."""
    runs, valves = len(chains), supply.valves
    run, segment = (shut[c].to_numpy(dtype=np.int64) for c in ("run", "segment"))
    kept = bounds[valves.closed[bounds["valve"]]]
    hampered, jammed = _stuck(supply, visits, shut)
    branches, bare = _branches(supply, chains, visits, reach)
    lost = visits.valves[valves.separates[visits.valves["valve"]]]
    return Circumstances(
        reach=reach,
        branches=branches,
        bare=bare,
        stuck=names_by_run(hampered, names[valves.row[jammed]], runs),
        closed=names_by_run(
            kept["run"].to_numpy(dtype=np.int64), names[valves.row[kept["valve"]]], runs
        ),
        cut_out=names_by_run(
            lost["run"].to_numpy(dtype=np.int64), names[valves.row[lost["valve"]]], runs
        ),
        valves=np.bincount(bounds["run"], minlength=runs),
        fed=np.bincount(run, supply.fed[segment], runs) > 0,
        source=source,
        reckoned=len(supply.sources) > 0,
    )


def _stuck(supply: Supply, visits: Visits, shut: pd.DataFrame) -> tuple[IntArray, IntArray]:
    """Return runs and the valves stuck open in what is shut in, without those the work cuts out."""
    jammed = np.flatnonzero(~supply.valves.separates)
    run, segment = (shut[c].to_numpy(dtype=np.int64) for c in ("run", "segment"))
    row, hit = members_of(segment, supply.segments.sides[jammed, 0], supply.segments.count)
    run, valve, count = run[row], jammed[hit], len(supply.valves.row)
    out = visits.valves["run"].to_numpy(dtype=np.int64) * count + visits.valves["valve"].to_numpy()
    left = ~np.isin(run * count + valve, out)
    return run[left], valve[left]


def _branches(
    supply: Supply, chains: Chains, visits: Visits, reach: float
) -> tuple[IntArray, IntArray]:
    """Return for every run the mains that join it, and those of them with no valve near.

    A valve is looked for past the nodes of those mains too: where a main was split is no matter.
    Where a run ends on the inside of a main, at a sharp turn or a cap, the rest of the main joins
    it, as it would if it were drawn as another.
    """
    graph, edges = supply.graph, len(supply.graph)
    size = graph.end - graph.start
    of = chains.pieces["run"].to_numpy(dtype=np.int64)
    edge, low, high = on_edges(graph, chains.pieces)
    first, last = low <= TOUCH, high >= size[edge] - TOUCH
    own = np.concatenate([2 * (of * edges + edge)[first], 2 * (of * edges + edge)[last] + 1])
    run, end = np.divmod(np.setdiff1d(_ends_met(supply, visits), own), 2 * edges)
    run = np.concatenate([run, of[~first], of[~last]])
    joining = np.concatenate([end >> 1, edge[~first], edge[~last]])
    at = np.concatenate([np.where(end & 1, size[end >> 1], 0.0), low[~first], high[~last]])
    up = np.repeat([False, True], [(~first).sum(), (~last).sum()])
    leaving = Leaving(run, joining, at, np.concatenate([end & 1 == 0, up]))
    nodes = visits.nodes["run"] * len(graph.node_xy) + visits.nodes["node"]
    none = without_valve(supply, leaving, nodes.to_numpy(dtype=np.int64), reach=reach)
    joined = np.bincount(run, minlength=len(chains))
    bare = np.bincount(run[none], minlength=len(chains))
    return joined.astype(np.int64), bare.astype(np.int64)


def _ends_met(supply: Supply, visits: Visits) -> IntArray:
    """Return the edge ends that carry water at the nodes of each run: run times ends, plus end."""
    graph = supply.graph
    ends = np.flatnonzero(np.repeat(supply.carrying, 2))
    node, run = (visits.nodes[c].to_numpy(dtype=np.int64) for c in ("node", "run"))
    row, hit = members_of(node, graph.ends.ravel()[ends], len(graph.node_xy))
    return np.asarray(run[row] * 2 * len(graph) + ends[hit], dtype=np.int64)
