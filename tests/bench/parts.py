"""Parts of the work against the libraries that do the like: chaining, optimum, ground levels."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import momepy
import numpy as np
import pyogrio
import pyproj
import rasterio
import shapely
from rasterio.windows import Window

from geotools import accel
from geotools.brief import load_brief
from geotools.call import silent
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings
from geotools.intake.read import read_layers
from geotools.layout.attempt import equip, try_carriers
from geotools.layout.lots import LOT
from geotools.layout.prepare import prepare
from geotools.layout.shared import on_streets
from geotools.network.noding import Graph, node_lines
from geotools.network.ragged import to_linestrings
from geotools.network.runs import build_chains
from geotools.pulls.optimise import PullCosts, Sites, choose_pits
from tests.bench.city import CRS, make_city, make_trunk
from tests.bench.measure import call, in_turn
from tests.bench.results import Section
from tests.bench.state_graph import by_dijkstra, by_highs, graph_of, one_run

__all__ = ["measure_chaining", "measure_elevation", "measure_optimiser"]

TURN = 45.0  # degrees
REPEATS = 50  # calls of Dijkstra in a row: one alone would find nothing in the processor's cache


def measure_chaining(work: Path, sizes: list[int]) -> Section:
    """Measure the chaining of noded mains against momepy's strokes of the same pieces."""
    rows = []
    for size in sizes:
        brief = make_city(work / f"city{size}", mains=size)
        lines = pyogrio.read_dataframe(brief.parent / "city.gpkg", layer="mains", columns=[])
        xy, row = shapely.get_coordinates(lines.geometry.to_numpy(), return_index=True)
        offsets = np.searchsorted(row, np.arange(len(lines) + 1)).astype(np.int64)
        graph = node_lines(xy, offsets, tolerance=0.3)
        pieces = gpd.GeoDataFrame(geometry=to_linestrings(graph.xy, graph.offsets), crs=CRS)
        tasks = {
            "node": partial(call, partial(node_lines, xy, offsets, tolerance=0.3)),
            "ours": partial(call, partial(_chains, graph)),
            "momepy": partial(call, partial(_strokes, pieces)),
        }
        found, rounds = in_turn(tasks)
        both = found["node"].cpu + found["ours"].cpu
        rows.append(
            [f"{len(graph):,}", str(rounds)]
            + [f"{found[k].cpu:.3f}" for k in ("node", "ours", "momepy")]
            + [f"{found['momepy'].cpu / found['ours'].cpu:.1f}"]
            + [f"{found['momepy'].cpu / both:.1f}"]
        )
        print(rows[-1], flush=True)
    return Section(
        "Chaining against momepy's continuity strokes (COINS)",
        f"python -m tests.bench chaining --sizes {' '.join(map(str, sizes))}",
        ["pieces", "rounds", "noding CPU s", "chaining CPU s", "COINS CPU s", "COINS / chaining",
         "COINS / noding and chaining"],
        rows,
        [f"the same pieces, a turn of {TURN:g} degrees at most; COINS is given them noded"],
    )  # fmt: skip


def _chains(graph: Graph) -> Any:
    count = len(graph)
    return build_chains(
        graph,
        eligible=np.ones(count, dtype=bool),
        diameter=np.full(count, 0.6),
        rank=np.arange(count),
        diameter_tolerance=0.02,
        max_turn=np.radians(TURN),
    )


def _strokes(pieces: gpd.GeoDataFrame) -> Any:
    return momepy.COINS(pieces, angle_threshold=180.0 - TURN).stroke_attribute()


def _instances(brief_file: Path) -> tuple[Sites, PullCosts]:
    """Return what the optimiser is given for the first carrier of every run."""
    brief = load_brief(brief_file)
    ground = on_streets(prepare(read_layers(brief), brief, silent, allow_remote=False))
    attempt = try_carriers(ground, equip(ground, ground.contest.tries[:, 0]))
    return attempt.sites, attempt.costs


def measure_optimiser(work: Path, lengths: list[int], seconds: float) -> Section:
    """Measure the optimiser against Dijkstra and HiGHS: runs of a city, and long ones."""
    accel.COMPILE_ABOVE = 0  # compiled from the first step, as a large plan has it
    rows = []
    sites, costs = _instances(make_city(work / "city1000", mains=1000))
    runs = np.argsort(sites.lengths)[:: max(1, len(sites.lengths) // 4)]
    cases = [one_run(sites, costs, int(run)) for run in runs if np.isfinite(_best(sites, run))]
    cases += [_instances(make_trunk(work / f"trunk{km}", length=km * 1000)) for km in lengths]
    for own, price in cases:
        rows.append(_compared(own, price, seconds))
        print(rows[-1], flush=True)
    return Section(
        "The optimiser against scipy's Dijkstra and HiGHS",
        f"python -m tests.bench optimiser --lengths {' '.join(map(str, lengths))}",
        ["run m", "places", "pulls looked at", "cost", "rounds", "ours of a lot, CPU ms",
         "ours alone, CPU ms", "graph CPU ms", "Dijkstra CPU ms", "HiGHS CPU ms",
         "Dijkstra / ours of a lot", "graph and Dijkstra / ours alone", "HiGHS / ours of a lot",
         "HiGHS / ours alone"],
        rows,
        [
            "instances: the sites of the plan itself, first carrier tried; kernels compiled, as in "
            "a large plan; the costs of all three agree to 1e-9 (the run fails otherwise)",
            f"of a lot: as a plan does it, the run so often in one call that it has {LOT:,} places "
            "or so, each; alone: a call for the one run; Dijkstra: one of "
            f"{REPEATS} calls in a row",
            "graph: building the pulls as edges, in NumPy, for Dijkstra and HiGHS; HiGHS gets "
            f"the flow model of the same graph and at most {seconds:g} s, once where over a minute",
        ],
    )  # fmt: skip


def _best(sites: Sites, run: int) -> float:
    return float(sites.cost[sites.offsets[run] : sites.offsets[run + 1]].min(initial=np.inf))


def _compared(sites: Sites, costs: PullCosts, seconds: float) -> list[str]:
    graph = graph_of(sites, costs)
    truth = float(choose_pits(sites, costs).cost[0])
    copies = max(1, LOT // len(sites.cost))
    lot = _copied(sites, costs, copies)
    costs_of = {"Dijkstra": by_dijkstra(graph), "lot": float(choose_pits(*lot).cost[-1])}
    tasks = {
        "lot": partial(call, lambda: choose_pits(*lot)),
        "alone": partial(call, lambda: choose_pits(sites, costs)),
        "graph": partial(call, lambda: graph_of(sites, costs)),
        "Dijkstra": partial(call, lambda: [by_dijkstra(graph) for _ in range(REPEATS)]),
    }
    once = call(lambda: costs_of.update(HiGHS=by_highs(graph, seconds=seconds)))
    if once.wall < 60:
        tasks["HiGHS"] = partial(call, lambda: by_highs(graph, seconds=seconds))
    for name, cost in costs_of.items():
        if not (np.isnan(cost) or np.isclose(cost, truth, rtol=1e-9, atol=0)):
            raise RuntimeError(f"{name} finds {cost!r}, the optimiser {truth!r}")
    found, rounds = in_turn(tasks)
    took = {name: 1e3 * figure.cpu for name, figure in found.items()}
    ours, alone = took["lot"] / copies, took["alone"]
    dijkstra, highs = took["Dijkstra"] / REPEATS, took.get("HiGHS", 1e3 * once.cpu)
    over = "over " if np.isnan(costs_of["HiGHS"]) else ""
    return [
        f"{sites.lengths[0]:,.0f}",
        f"{len(sites.cost):,}",
        f"{len(graph.cost):,}",
        f"{truth:,.0f}",
        str(rounds),
        f"{ours:.3f}",
        f"{alone:.3f}",
        f"{took['graph']:.1f}",
        f"{dijkstra:.3f}",
        f"{over}{highs:,.0f}",
        f"{dijkstra / ours:.1f}",
        f"{(took['graph'] + dijkstra) / alone:.1f}",
        f"{over}{highs / ours:,.0f}",
        f"{over}{highs / alone:,.0f}",
    ]


def _copied(sites: Sites, costs: PullCosts, copies: int) -> tuple[Sites, PullCosts]:
    """Return a run so many times over."""
    columns = {field.name: getattr(sites, field.name) for field in fields(Sites)}
    many = {n: None if c is None else np.concatenate([c] * copies) for n, c in columns.items()}
    many["offsets"] = len(sites.cost) * np.arange(copies + 1)
    return Sites(**many), replace(costs, per_length=np.repeat(costs.per_length, copies))


def measure_elevation(work: Path, sizes: list[int]) -> Section:
    """Measure ground levels at places along the mains against rasterio alone."""
    rows = []
    for size in sizes:
        brief = make_city(work / f"city{size}", mains=size)
        lines = pyogrio.read_dataframe(brief.parent / "city.gpkg", layer="mains", columns=[])
        spots = shapely.line_interpolate_point(
            np.repeat(lines.geometry.to_numpy(), 10), np.tile(np.arange(10) / 10, len(lines)), True
        )
        xy = shapely.get_coordinates(spots)
        dem = brief.parent / "dem.tif"
        tasks = {
            "ours": partial(call, partial(_levels, dem, xy)),
            "sample": partial(call, partial(_sampled, dem, xy)),
            "blocks": partial(call, partial(_blocks, dem, xy)),
        }
        found, rounds = in_turn(tasks)
        rows.append(
            [f"{len(xy):,}", str(rounds)]
            + [f"{f.cpu:.3f}" for f in found.values()]
            + [f"{found['sample'].cpu / found['ours'].cpu:.1f}"]
            + [f"{found['ours'].cpu / found['blocks'].cpu:.1f}"]
        )
        print(rows[-1], flush=True)
    return Section(
        "Ground levels against rasterio",
        f"python -m tests.bench elevation --sizes {' '.join(map(str, sizes))}",
        ["places", "rounds", "ours CPU s", "rasterio.sample CPU s",
         "touched blocks read alone CPU s", "rasterio.sample / ours", "ours / blocks alone"],
        rows,
        ["ours interpolates between cell centres, rasterio.sample takes the nearest cell"],
    )  # fmt: skip


def _levels(dem: Path, xy: np.ndarray) -> Any:
    crs = pyproj.CRS(CRS)
    return sample_ground(Mosaic([str(dem)]), xy, crs=crs, vertical_unit=None, findings=Findings())


def _sampled(dem: Path, xy: np.ndarray) -> Any:
    with rasterio.open(dem) as dataset:
        return list(dataset.sample(xy))


def _blocks(dem: Path, xy: np.ndarray) -> None:
    """Read every block that holds a place, once."""
    with rasterio.open(dem) as dataset:
        column, row = ~dataset.transform * xy.T
        high, wide = dataset.block_shapes[0]
        blocks = np.unique(np.stack([row // high, column // wide], axis=1).astype(int), axis=0)
        for i, j in blocks.tolist():
            window = Window(j * wide, i * high, wide, high)
            dataset.read(1, window=window.intersection(Window(0, 0, dataset.width, dataset.height)))
