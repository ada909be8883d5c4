"""Districts nobody drew: drawn by a seed, planned under random settings, verified from the file.

``python tests/trust/networks.py --times 200 --seed 1`` plans so many and prints what came of them.
A plan that fails a rule of `verify`, or an error that is none of `errors.py`, is printed with its
seed: ``--times 1 --seed N`` draws it again.

Streets are the near neighbours among random places, so they meet at any angle; trunk mains follow
the ways through them, beside the centreline and now and then across it; small mains, valves,
laterals, fittings and places to avoid lie where chance puts them. Any layer but the mains may be
missing. Units, CRS and settings are drawn too. ``--records`` gives the mains inverts, bores,
pressures, flows and C besides, some missing and now and then one far off.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import geopandas as gpd
import networkx as nx
import numpy as np
import rasterio
import shapely

import geotools

SYSTEMS = {"EPSG:32633": (420_000, 5_300_000), "EPSG:2263": (990_000, 200_000),
           "EPSG:27700": (430_000, 433_000), "EPSG:2154": (650_000, 6_860_000)}  # fmt: skip
FEET = {"EPSG:2263"}  # US survey feet
CHOICES: dict[str, tuple[Any, ...]] = {
    "pits.support": ("shored", "sloped"),
    "pits.soil": ("B", "C"),
    "pits.ramp": ("level", "lifted"),
    "pits.max_depth": ("3 m", "5 m", "8 m"),
    "pits.max_slope": (0.12, 0.3),
    "pits.clear_of_intersection": ("0 m", "10 m", "25 m"),
    "pits.receive_in_intersection": (True, False),
    "pulls.max_length": ("120 m", "300 m", "550 m", "900 m"),
    "pulls.valves": ("dig", "pit"),
    "pulls.host": ("dry", "wet", "lubricated"),
    "pulls.flooded": (False, True),
    "pulls.grouted": (False, True),
    "pulls.machine_capacity": ("100 kN", "700 kN"),
    "carrier.system": (None, "METRIC", "DIPS", "IPS"),
    "carrier.material": (None, "PE100", "PVC", "PVC-U", "PE4710"),
    "carrier.tries": (1, 4),
    "carrier.larger_for": (0.0, 0.1),
    "street.strings_over_middle": (True, False),
    "street.least_lane_share": (0.5, 0.85, 1.0),
    "street.keep_right": (True, False),
    "street.least_string": ("13 m", "60 m"),
    "street.crossing_without_node": ("intersection", "bridge"),
    "objective.per_pit": (0.0, 20000.0),
    "objective.per_lane_day": (0.0, 2000.0),
    "service.working_pressure": ("4 bar", "10 bar"),
    "service.least_capacity": (0.0, 0.2),
    "ground.step": ("5 m", "10 m", "25 m"),
    "bends.fitting_radius": (0.0, 1.5),
    "output.units": ("si", "us"),
}


def draw(seed: int) -> tuple[dict[str, gpd.GeoDataFrame], dict[str, Any], np.ndarray, float]:
    """Return layers, settings, corner of the ground (CRS units) and metres in one of its units."""
    rng = np.random.default_rng(seed)
    crs = str(rng.choice(list(SYSTEMS)))
    unit = 1200 / 3937 if crs in FEET else 1.0
    corner = np.array(SYSTEMS[crs], dtype=float) + rng.integers(0, 999, 2)
    web = _web(rng)
    layers = {"mains": _mains(rng, web), "streets": _streets(rng, web)}
    layers |= _along(rng, layers["mains"])
    layers["avoid"] = _avoid(rng, web)
    kept = {"mains"} | {name for name in layers if rng.random() < 0.8}
    placed = {
        name: layers[name].set_geometry(
            shapely.transform(layers[name].geometry.to_numpy(), lambda xy: xy / unit + corner),
            crs=crs,
        )
        for name in layers
        if name in kept and len(layers[name])
    }
    some = [name for name in CHOICES if rng.random() < 0.35]
    picked = {name: CHOICES[name][int(rng.integers(len(CHOICES[name])))] for name in some}
    return placed, {k: v for k, v in picked.items() if v is not None}, corner, unit


def _web(rng: np.random.Generator) -> nx.Graph:
    """Return a web of streets: places joined where no third lies in the circle between them."""
    places = rng.uniform(0, 1, (int(rng.integers(8, 22)), 2)) * rng.uniform(900, 2500, 2)
    web = nx.Graph()
    gap = np.linalg.norm(places[:, None] - places[None], axis=2)
    for i, j in zip(*np.triu_indices(len(places), 1), strict=True):
        others = np.delete(np.arange(len(places)), [i, j])
        if np.all(gap[i, others] ** 2 + gap[j, others] ** 2 > gap[i, j] ** 2):
            web.add_edge(int(i), int(j), length=float(gap[i, j]))
    nx.set_node_attributes(web, dict(enumerate(places.tolist())), "xy")
    return web


def _line(web: nx.Graph, way: list[int]) -> shapely.LineString:
    return shapely.LineString([web.nodes[n]["xy"] for n in way])


def _streets(rng: np.random.Generator, web: nx.Graph) -> gpd.GeoDataFrame:
    lanes = rng.choice([1, 2, 2, 2, 3, 4], web.number_of_edges())
    kinds = ["local"] * 4 + ["collector"] * 3 + ["arterial", "primary"]
    return gpd.GeoDataFrame(
        {
            "class": rng.choice(kinds, len(lanes)),
            "lanes": lanes,
            "width_m": np.round(lanes * rng.uniform(2.8, 4.0, len(lanes)), 1),
            "speed_kmh": rng.choice([30, 50, 70], len(lanes)),
            "name": [f"Way {k}" for k in range(len(lanes))],
        },
        geometry=[_line(web, list(edge)) for edge in web.edges],
    )


def _mains(rng: np.random.Generator, web: nx.Graph) -> gpd.GeoDataFrame:
    """Return trunk mains along some ways through the web, cut into pieces, and small ones."""
    rows: list[dict[str, Any]] = []
    ends = list(web.nodes)
    for _ in range(int(rng.integers(1, 4))):
        one, two = rng.choice(ends, 2, replace=False)
        if not nx.has_path(web, one, two):
            continue
        way = nx.shortest_path(web, one, two, weight="length")
        line = shapely.offset_curve(_line(web, way), float(rng.uniform(-5, 5)), join_style="mitre")
        line = shapely.segmentize(line, float(rng.uniform(40, 300)))
        size, cover = float(rng.choice([300, 400, 500, 600, 900])), rng.uniform(0.9, 3.5)
        rows += [
            {"diameter_mm": size, "cover_m": cover + rng.uniform(-0.2, 0.2), "geometry": part}
            for part in _pieces(line)
        ]
    rows += [
        {"diameter_mm": 150.0, "cover_m": 1.2, "geometry": _line(web, list(edge))}
        for edge in web.edges
        if rng.random() < 0.4
    ]
    table = gpd.GeoDataFrame(rows, geometry="geometry")
    return table.assign(
        main_id=[f"M{k}" for k in range(len(rows))],
        material=rng.choice(["cast iron", "ductile iron", "steel", "asbestos cement"], len(rows)),
        installed=rng.integers(1900, 1990, len(rows)),
    )


def _pieces(line: Any) -> list[shapely.LineString]:
    """Return the segments of a line, two and two together."""
    parts = [np.asarray(part.coords) for part in getattr(line, "geoms", [line])]
    return [shapely.LineString(xy[k : k + 3]) for xy in parts for k in range(0, len(xy) - 1, 2)]


def _along(rng: np.random.Generator, mains: gpd.GeoDataFrame) -> dict[str, gpd.GeoDataFrame]:
    """Return what stands along the mains: valves, laterals, fittings where they meet."""
    lines = mains.geometry.to_numpy()

    def places(some: float) -> Any:
        chosen = lines[rng.random(len(lines)) < some]
        return shapely.line_interpolate_point(
            chosen, rng.uniform(0, 1, len(chosen)), normalized=True
        )

    valves, laterals = places(0.4), places(0.5)
    ends = shapely.get_point(lines[rng.random(len(lines)) < 0.3], 0)
    return {
        "valves": gpd.GeoDataFrame({"kind": "gate"}, index=range(len(valves)), geometry=valves),
        "laterals": gpd.GeoDataFrame(
            {"customers": rng.integers(1, 60, len(laterals))}, geometry=laterals
        ),
        "fittings": gpd.GeoDataFrame(
            {"kind": "bend", "angle_deg": rng.choice([11.25, 22.5, 45.0], len(ends))},
            geometry=ends,
        ),
    }


def _avoid(rng: np.random.Generator, web: nx.Graph) -> gpd.GeoDataFrame:
    xy = np.array([web.nodes[n]["xy"] for n in web.nodes])
    middle = rng.uniform(xy.min(axis=0), xy.max(axis=0), (int(rng.integers(1, 8)), 2))
    half = rng.uniform(3, 60, (len(middle), 2))
    return gpd.GeoDataFrame(
        {"reason": [f"ground {k}" for k in range(len(middle))],
         "hard": rng.integers(0, 2, len(middle)), "weight": 3.0},
        geometry=shapely.box(*(middle - half).T, *(middle + half).T),
    )  # fmt: skip


def with_records(
    mains: gpd.GeoDataFrame, seed: int, corner: np.ndarray, unit: float
) -> gpd.GeoDataFrame:
    """Return mains with records, each there or not, some missing, one in fifty far off."""
    rng = np.random.default_rng(seed + 3)
    size, count = mains["diameter_mm"].to_numpy(dtype=float), len(mains)
    area = np.pi / 4 * (size / 1000) ** 2
    lines = mains.geometry.to_numpy()
    first, last = (
        levels(seed, *((shapely.get_coordinates(shapely.get_point(lines, k)) - corner) * unit).T)
        for k in (0, -1)
    )
    drawn = {
        "bore_mm": (size * rng.uniform(0.8, 1.05, count), (50, 4000)),
        "pressure_kpa": (rng.uniform(100, 1200, count), (0, 10_000)),
        "flow_lps": (1000 * area * rng.uniform(0, 2, count), (0, 50_000)),
        "c_factor": (rng.uniform(30, 150, count), (20, 165)),
        "invert_start_m": (first - rng.uniform(1.5, 4, count), (-500, 9000)),
        "invert_end_m": (last - rng.uniform(1.5, 4, count), (-500, 9000)),
    }
    told = {}
    for name, (usual, far) in drawn.items():
        values = np.where(rng.random(count) < 0.02, rng.uniform(*far, count), usual)
        values = np.where(rng.random(count) < 0.2, np.nan, values)
        if rng.random() < 0.6:
            told[name] = values
    return mains.assign(**told)


def levels(seed: int, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Return rolling ground with steep places, m, at places in metres from the corner."""
    rng = np.random.default_rng(seed + 1)
    wave, high = rng.uniform(300, 1500, 2), rng.uniform(0.5, 12)
    x, y = east + 300.0, 3000.0 - north
    return 80 + high * np.sin(x / wave[0] * 6) * np.cos(y / wave[1] * 6)


def write_ground(path: Path, seed: int, crs: str, corner: np.ndarray, unit: float) -> None:
    """Write the ground, levels in metres."""
    cell, rows = 10.0 / unit, 330
    east, south = np.meshgrid(np.arange(rows) * 10.0, np.arange(rows) * 10.0)
    profile = {"driver": "GTiff", "width": rows, "height": rows, "count": 1, "dtype": "float32",
               "crs": crs, "nodata": -9999.0}  # fmt: skip
    west, north = corner[0] - 30 * cell, corner[1] + (rows - 30) * cell
    place = rasterio.Affine(cell, 0.0, west, 0.0, -cell, north)
    with rasterio.open(path, "w", transform=place, **profile) as file:
        file.units = ("m",)
        file.write(levels(seed, east - 300.0, 3000.0 - south).astype("float32"), 1)


def planned_and_verified(
    seed: int, folder: Path, *, records: bool = False
) -> tuple[str, list[str]]:
    """Plan the district of a seed and verify it: what came of it, and the rules that failed."""
    layers, settings, corner, unit = draw(seed)
    if records:
        layers["mains"] = with_records(layers["mains"], seed, corner, unit)
    if np.random.default_rng(seed + 2).random() < 0.85:
        write_ground(folder / "dem.tif", seed, str(layers["mains"].crs), corner, unit)
        layers["dem"] = folder / "dem.tif"  # type: ignore[assignment]
    target = folder / "plan.gpkg"
    try:
        done = geotools.plan(**layers, settings=settings, output=target)
    except geotools.SlipmainError as error:
        return "refused: " + str(error).splitlines()[0].partition(":")[2][:60], []
    found = geotools.verify(target)
    count = done.summary["runs"]
    failed = [line for line in found.text.splitlines() if line.startswith("FAILED")]
    assert bool(failed) == found.failed
    return f"{'planned' if count['planned'] else 'nothing planned'}", failed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--records", action="store_true", help="give the mains records besides")
    given = parser.parse_args()
    came: Counter[str] = Counter()
    for seed in range(given.seed, given.seed + given.times):
        with tempfile.TemporaryDirectory() as folder:
            outcome, failed = planned_and_verified(seed, Path(folder), records=given.records)
        came[outcome] += 1
        if failed:
            came["failed"] += 1
            print(f"seed {seed}: {failed}", flush=True)
    print(json.dumps({"times": given.times, **came}))
    return 1 if came["failed"] else 0


if __name__ == "__main__":
    sys.exit(main())
