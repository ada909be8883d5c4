"""Invented cities of any size: mains, fittings, valves, streets, districts and a DEM from a seed.

A shaken grid of streets with a main in each. Every sixth line of the grid is a trunk main of 300
to 700 mm whose diameter changes here and there, so about a fifth of the mains may be lined; the
others are 100 to 200 mm. Some mains are missing, so that there are dead ends, and from the middle
of others short mains branch off: T-junctions on the inside of a main.

    python -m tests.bench.city FOLDER --mains 10000 --districts 8 --seed 1
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import rasterio
import shapely
from rasterio import Affine

__all__ = ["make_city", "make_trunk"]

CRS = "EPSG:32633"
X0, Y0 = 400_000.0, 5_200_000.0
ORIGIN = np.array([X0, Y0])
BLOCK = 100.0  # m between streets
SHAKE = 6.0  # m a crossing may lie off the grid, along each axis
TRUNK_EVERY = 6
BRANCHES = 0.15  # share of the mains that branch off in the middle of a block
MISSING = 0.07  # share of the grid without a main
CELL = 10.0  # m, of the DEM
LAYERS = ("mains", "fittings", "valves", "laterals", "sources", "streets", "districts")

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Grid:
    """Crossings of the grid and the blocks between them; ``line`` numbers the street."""

    nodes: Floats  # (m, 2)
    ends: Ints  # (n, 2)
    line: Ints
    place: Ints  # how many blocks from the start of the street
    trunk: npt.NDArray[np.bool_]
    side: int


def make_city(folder: Path, *, mains: int, districts: int = 1, seed: int = 1) -> Path:
    """Write a city of about so many mains and a brief for it; return the brief."""
    rng = np.random.default_rng(seed)
    grid = _grid(rng, mains)
    there = rng.random(len(grid.ends)) >= MISSING
    there |= grid.trunk
    pipes = _mains(rng, grid, np.flatnonzero(there))
    side = (grid.side - 1) * BLOCK
    layers = {
        "mains": pipes,
        "fittings": _fittings(rng, grid),
        "valves": _valves(rng, pipes),
        "laterals": _laterals(rng, pipes),
        "sources": _points(grid.nodes[[0, -1]]),
        "streets": _streets(grid),
        "districts": _districts(districts, side),
    }
    return _write(folder, layers, np.array([side, side]), rng)


def make_trunk(folder: Path, *, length: float, seed: int = 1) -> Path:
    """Write one winding trunk main of some length, m, with its street, and a brief for it."""
    rng = np.random.default_rng(seed)
    count = round(length / BLOCK)
    heading = np.cumsum(rng.uniform(-0.06, 0.06, count))
    steps = np.column_stack([np.cos(heading), np.sin(heading)]) * BLOCK
    nodes = np.concatenate([[[0.0, 0.0]], np.cumsum(steps, axis=0)])
    nodes -= nodes.min(axis=0)
    ends = np.column_stack([np.arange(count), np.arange(1, count + 1)])
    zero = np.zeros(count, dtype=np.int64)
    grid = Grid(nodes, ends, zero, np.arange(count), np.ones(count, dtype=bool), 0)
    pipes = _mains(rng, grid, np.arange(count)).iloc[:count]
    pipes = pipes.assign(diameter_mm=500.0, status="active")  # one run, whatever chance says
    layers = {
        "mains": pipes,
        "streets": _streets(grid),
        "laterals": _laterals(rng, pipes),
    }
    return _write(folder, layers, nodes.max(axis=0), rng)


def _grid(rng: np.random.Generator, mains: int) -> Grid:
    share = 2 * (1 - MISSING * (1 - 1 / TRUNK_EVERY)) / (1 - BRANCHES)
    side = max(3, round(np.sqrt(mains / share)) + 1)
    row, column = (a.ravel() for a in np.divmod(np.arange(side * side), side))
    nodes = np.column_stack([column, row]) * BLOCK + rng.uniform(-SHAKE, SHAKE, (side * side, 2))
    here = np.arange(side * side)
    across, up = here[column < side - 1], here[row < side - 1]
    ends = np.concatenate([np.stack([across, across + 1], 1), np.stack([up, up + side], 1)])
    line = np.concatenate([row[across], side + column[up]])
    place = np.concatenate([column[across], row[up]])
    trunk = np.concatenate([row[across], column[up]]) % TRUNK_EVERY == TRUNK_EVERY // 2
    return Grid(nodes, ends.astype(np.int64), line, place, trunk, side)


def _mains(rng: np.random.Generator, grid: Grid, rows: Ints) -> gpd.GeoDataFrame:
    """Return the mains of these blocks and the branches off them."""
    lines = _drawn(rng, grid.nodes[grid.ends[rows]], vertices=4)
    branches = round(len(rows) * BRANCHES / (1 - BRANCHES))
    host = rng.choice(len(rows), size=min(branches, len(rows)), replace=False)
    geometry = np.concatenate([_shapes(lines), _shapes(_branches(rng, lines[host]))])
    count, own = len(geometry), len(rows)
    trunk = np.zeros(count, dtype=bool)
    trunk[:own] = grid.trunk[rows]
    small = rng.choice([100.0, 150.0, 200.0], count)
    large = _trunk_sizes(rng, grid)[rows]
    material = rng.choice(["cast iron", "ductile iron", "asbestos cement", "PVC"], count)
    diameter = np.where(trunk, np.append(large, np.zeros(count - own)), small)
    return gpd.GeoDataFrame(
        {
            "main_id": [f"M{k:07d}" for k in range(count)],
            "diameter_mm": diameter,
            "material": np.where(trunk, "cast iron", material),
            "installed": rng.integers(1900, 1990, count),
            "cover_m": np.round(rng.uniform(1.0, 1.8, count), 2),
            "status": np.where(rng.random(count) < 0.02, "abandoned", "active"),
        },
        geometry=geometry,
        crs=CRS,
    )


def _trunk_sizes(rng: np.random.Generator, grid: Grid) -> Floats:
    """Return a diameter for every block, mm: it changes every 10 to 40 blocks of a street."""
    stretch = 10 + (grid.line * 7) % 31
    sizes = np.array([300.0, 400.0, 500.0, 600.0, 700.0])
    step = int(rng.integers(0, 5))
    return sizes[(grid.line + grid.place // stretch + step) % 5]


def _drawn(rng: np.random.Generator, ends: Floats, *, vertices: int) -> Floats:
    """Return lines with so many vertices between two ends, off the straight by survey noise."""
    share = np.linspace(0, 1, vertices)[None, :, None]
    lines = ends[:, :1] * (1 - share) + ends[:, 1:] * share
    lines[:, 1:-1] += rng.normal(0, 0.08, lines[:, 1:-1].shape)
    return np.asarray(lines)


def _branches(rng: np.random.Generator, hosts: Floats) -> Floats:
    """Return short mains that begin on the inside of others, at right angles."""
    one, two = hosts[:, 1], hosts[:, 2]
    share = rng.uniform(0.2, 0.8, (len(hosts), 1))
    foot = one * (1 - share) + two * share
    along = (two - one) / np.linalg.norm(two - one, axis=1, keepdims=True)
    length = rng.uniform(25, 45, (len(hosts), 1)) * rng.choice([-1, 1], (len(hosts), 1))
    tip = foot + np.column_stack([-along[:, 1], along[:, 0]]) * length
    return np.stack([foot, tip], axis=1)


def _shapes(lines: Floats) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.linestrings(lines + ORIGIN), dtype=object)


def _points(xy: Floats, columns: dict[str, Any] | None = None) -> gpd.GeoDataFrame:
    frame = pd.DataFrame(columns or {}, index=range(len(xy)))
    return gpd.GeoDataFrame(frame, geometry=shapely.points(xy + ORIGIN), crs=CRS)


def _fittings(rng: np.random.Generator, grid: Grid) -> gpd.GeoDataFrame:
    """Return a tee at every crossing of a trunk, and at some a bend with its angle."""
    blocks = np.flatnonzero(grid.trunk)
    node = np.unique(grid.ends[blocks])
    bend = rng.random(len(node)) < 0.15
    angle = np.where(bend, rng.choice([11.25, 22.5], len(node)), np.nan)
    kind = np.where(bend, "bend", "tee")
    return _points(grid.nodes[node], {"kind": kind, "angle_deg": angle})


def _valves(rng: np.random.Generator, pipes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return a valve 2 m from the start of most mains; with few of them all is one segment."""
    lines = pipes.geometry.to_numpy()[rng.random(len(pipes)) < 0.85]
    places = shapely.get_coordinates(shapely.line_interpolate_point(lines, 2.0)) - ORIGIN
    return _points(places, {"kind": ["gate"] * len(places), "open": [True] * len(places)})


def _laterals(rng: np.random.Generator, pipes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return a connection beside every other main."""
    lines = pipes.geometry.to_numpy()[rng.random(len(pipes)) < 0.5]
    places = shapely.get_coordinates(
        shapely.line_interpolate_point(lines, rng.uniform(0.1, 0.9, len(lines)), normalized=True)
    )
    places += rng.uniform(-2, 2, places.shape) - ORIGIN
    return _points(places, {"customers": rng.integers(1, 9, len(places))})


def _streets(grid: Grid) -> gpd.GeoDataFrame:
    """Return a street along every block, its axis 3 m off the main."""
    first = grid.line if grid.side == 0 else grid.line % grid.side
    kind = np.where(grid.trunk, "arterial", np.where(first % 3 == 1, "collector", "local"))
    of = {
        "arterial": (4, 14.0, 60),
        "collector": (2, 10.0, 50),
        "local": (2, 8.0, 30),
    }
    lanes, width, speed = (np.array([of[k][part] for k in kind.tolist()]) for part in range(3))
    return gpd.GeoDataFrame(
        {
            "class": kind,
            "lanes": lanes.astype(int),
            "width_m": width,
            "speed_kmh": speed,
            "name": [f"Street {k}" for k in grid.line],
        },
        geometry=_shapes(grid.nodes[grid.ends] + 3.0),
        crs=CRS,
    )


def _districts(count: int, side: float) -> gpd.GeoDataFrame:
    """Return so many rectangles that share the city out."""
    rows = max(r for r in range(1, int(np.sqrt(count)) + 1) if count % r == 0)
    columns = count // rows
    x, y = np.linspace(0, side, columns + 1) + X0, np.linspace(0, side, rows + 1) + Y0
    x[[0, -1]] += [-1000, 1000]
    y[[0, -1]] += [-1000, 1000]
    cells = [(i, j) for j in range(rows) for i in range(columns)]
    shapes = [shapely.box(x[i], y[j], x[i + 1], y[j + 1]) for i, j in cells]
    names = [f"District {k + 1}" for k in range(count)]
    return gpd.GeoDataFrame({"name": names}, geometry=shapes, crs=CRS)


def _write(
    folder: Path, layers: dict[str, gpd.GeoDataFrame], extent: Floats, rng: np.random.Generator
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "city.gpkg"
    file.unlink(missing_ok=True)
    for name, frame in layers.items():
        frame.to_file(file, layer=name, engine="pyogrio", use_arrow=True)
    _write_dem(folder / "dem.tif", extent, rng)
    brief = folder / "brief.toml"
    sources = [f'{name} = "city.gpkg:{name}"' for name in layers]
    text = "\n".join(["[inputs]", *sources, 'dem = "dem.tif"', ""])
    brief.write_text(text, encoding="utf-8")
    return brief


def _write_dem(path: Path, extent: Floats, rng: np.random.Generator) -> None:
    """Write rolling ground, a strip of blocks at a time."""
    margin, block = 200.0, 256
    columns, rows = (int(np.ceil(v / CELL)) for v in extent + 2 * margin)
    top = Y0 + extent[1] + margin
    phase = rng.uniform(0, 2 * np.pi, 4)
    x = (np.arange(columns) + 0.5) * CELL
    profile = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": 1,
        "dtype": "float32",
        "crs": CRS,
        "transform": Affine(CELL, 0, X0 - margin, 0, -CELL, top),
        "tiled": True,
        "blockxsize": block,
        "blockysize": block,
        "compress": "deflate",
        "predictor": 3,
        "nodata": -9999.0,
    }
    with rasterio.open(path, "w", **profile) as dataset:
        dataset.units = ("m",)
        for row in range(0, rows, block):
            y = (np.arange(row, min(row + block, rows)) + 0.5) * CELL
            level = (
                120
                + 12 * np.sin(x[None] / 2300 + phase[0]) * np.cos(y[:, None] / 1900 + phase[1])
                + 2 * np.sin(x[None] / 310 + phase[2]) * np.cos(y[:, None] / 270 + phase[3])
            )
            window = rasterio.windows.Window(0, row, columns, len(y))
            dataset.write(level.astype("float32"), 1, window=window)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--mains", type=int, default=1000)
    parser.add_argument("--districts", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    print(make_city(given.folder, mains=given.mains, districts=given.districts, seed=given.seed))


if __name__ == "__main__":
    main()
