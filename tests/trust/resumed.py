"""Batches gone on with after one small change drawn by a seed: are they as those begun anew?

``python tests/trust/resumed.py --times 100 --seed 1`` draws a city in nine districts, plans it,
and changes one thing at a time: a feature moved, bent, left out, doubled or given the value of
another, a value moved to the next feature, a patch of the DEM, a setting. Each time the first
batch is gone on with and another begun anew; plans that differ in anything are printed with their
layers, and the exit code is 1. ``--first`` begins with a later change.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely

import geotools
from geotools.errors import SlipmainError
from tests.bench.city import make_city
from tests.plan.test_resume import differing, files_of

Frames = dict[str, gpd.GeoDataFrame]
# Pulls are short so that districts are out of one another's sight.
BRIEF = {"pulls.max_length": "60 m", "ground.step": "25 m", "carrier.tries": 1}
SETTINGS = (
    {"sheets.title": "North"},
    {"screening.age_weight": 5.0},
    {"output.styles": False},
    {"output.context": "30 m"},
    {"rates.joint": 451.0},
    {"pits.bedding": "0.2 m"},
)
# More often than not what runs, pits and shutdowns hang on.
KINDS = ("mains", "mains", "mains", "valves", "valves", "streets", "streets", "dem", "dem",
         "fittings", "laterals", "hydrants", "sources", "avoid", "pit_edits", "districts",
         "settings")  # fmt: skip
WAYS = ("move", "bend", "leave out", "double", "give another's value", "move a value")
# Columns of which a third of the values are missing.
GAPS = {
    "mains": ("material", "installed", "cover_m"),
    "streets": ("class", "lanes", "width_m"),
    "laterals": ("customers",),
}
LARGE = 300.0  # mm; mains of that diameter may be lined


def draw(folder: Path, rng: np.random.Generator, mains: int) -> Frames:
    """Return the layers of a city; its DEM lies in the folder."""
    seed = int(rng.integers(1, 1_000_000))
    make_city(folder, mains=mains, districts=9, seed=seed)
    file = folder / "city.gpkg"
    layers = {str(n): gpd.read_file(file, layer=n) for n, _ in pyogrio.list_layers(file)}
    lines, crs = layers["mains"].geometry.to_numpy(), layers["mains"].crs
    large = lines[layers["mains"]["diameter_mm"] >= LARGE]

    def beside(count: int, away: float) -> np.ndarray:
        rows = rng.choice(len(lines), count)
        on = shapely.line_interpolate_point(lines[rows], rng.random(count), normalized=True)
        return shapely.points(shapely.get_coordinates(on) + rng.uniform(-away, away, (count, 2)))

    trees = shapely.buffer(beside(mains // 10, 8.0), 2.0)
    layers["hydrants"] = gpd.GeoDataFrame(geometry=beside(mains // 15, 1.0), crs=crs)
    layers["avoid"] = gpd.GeoDataFrame(
        {"reason": "tree", "hard": rng.random(len(trees)) < 0.5}, geometry=trees, crs=crs
    )
    wished = shapely.line_interpolate_point(rng.choice(large, 12), 0.5, normalized=True)
    layers["pit_edits"] = gpd.GeoDataFrame(
        {"action": rng.choice(["fix", "forbid"], 12)}, geometry=wished, crs=crs
    )
    for kind, names in GAPS.items():
        for name in names:
            layers[kind][name] = layers[kind][name].mask(rng.random(len(layers[kind])) < 1 / 3)
    return layers


def change(
    layers: Frames, levels: np.ndarray, rng: np.random.Generator
) -> tuple[str, dict[str, object]]:
    """Change one thing in place; return in words what, and the settings that are others."""
    kind = str(rng.choice(KINDS))
    if kind == "settings":
        chosen = SETTINGS[int(rng.integers(len(SETTINGS)))]
        return f"settings {chosen}", dict(chosen)
    if kind == "dem":
        row, column = (int(rng.integers(size - 2)) for size in levels.shape)
        side = int(rng.integers(1, 30))
        patch = levels[row : row + side, column : column + side]
        patch[:] = -9999.0 if rng.random() < 0.3 else patch + rng.choice([0.01, 3.0, -30.0])
        return f"dem, {side} cells from row {row}, column {column}", {}
    way = str(rng.choice(WAYS))
    row = int(rng.integers(len(layers[kind])))
    if kind == "mains" and rng.random() < 0.6:
        row = int(rng.choice(np.flatnonzero(layers[kind]["diameter_mm"] >= LARGE)))
    layers[kind] = _with_change(kind, layers[kind], row, way, rng)
    return f"{kind}, row {row}: {way}", {}


def _with_change(
    kind: str, layer: gpd.GeoDataFrame, row: int, way: str, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    layer, shape = layer.copy(), layer.geometry.iloc[row]
    if way == "bend" and isinstance(shape, shapely.LineString):
        places = shapely.get_coordinates(shape)
        places[len(places) // 2] += rng.uniform(-3, 3, 2)
        layer.loc[row, "geometry"] = shapely.LineString(places)
    elif way in ("move", "bend"):
        step = rng.choice([0.3, 5.0, 60.0, -1.0])
        layer.loc[row, "geometry"] = shapely.transform(shape, lambda xy: xy + step)
    elif way == "double":
        more = layer.iloc[[row]].copy()
        step = rng.uniform(-30, 30, 2)
        more["geometry"] = [shapely.transform(shape, lambda xy: xy + step)]
        if "main_id" in more:
            more["main_id"] = rng.choice(["A0", "Z9"])  # before all others, or after
        layer = gpd.GeoDataFrame(pd.concat([layer, more], ignore_index=True), crs=layer.crs)
    elif way == "move a value" and kind in GAPS:
        layer = _with_value_moved(layer, GAPS[kind], row, rng)
    elif way == "leave out" or len(layer.columns) == 1:
        return layer.drop(index=row).reset_index(drop=True)
    else:
        name = str(rng.choice([c for c in layer if c not in ("geometry", "main_id")]))
        other = int(rng.integers(len(layer)))
        layer.loc[row, name] = layer.loc[other, name]
    return layer


def _with_value_moved(
    layer: gpd.GeoDataFrame, names: Sequence[str], row: int, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """Move a value near a row to the feature that comes next and has none."""
    name = str(rng.choice(names))
    known = layer[name].notna().to_numpy()
    last = np.flatnonzero(known[:-1] & ~known[1:])
    at = int(last[np.argmin(np.abs(last - row))])
    layer.loc[[at, at + 1], name] = layer.loc[[at + 1, at], name].to_numpy()
    return layer


def write(folder: Path, layers: Frames, levels: np.ndarray, profile: dict[str, object]) -> Path:
    """Write all layers and the brief anew."""
    file = folder / "city.gpkg"
    file.unlink(missing_ok=True)
    for name, layer in layers.items():
        layer.to_file(file, layer=name, engine="pyogrio")
    with rasterio.open(folder / "dem.tif", "w", **profile) as dataset:
        dataset.write(levels, 1)
        dataset.units = ("m",)
    brief = folder / "brief.toml"
    sources = [f'{name} = "city.gpkg:{name}"' for name in layers]
    brief.write_text("\n".join(["[inputs]", *sources, 'dem = "dem.tif"', ""]), encoding="utf-8")
    return brief


def run(folder: Path, *, seed: int, numbers: Sequence[int], mains: int) -> Counter[str]:
    """Make the changes of these numbers one at a time; return how many plans came out how."""
    layers = draw(folder, np.random.default_rng(seed), mains)
    with rasterio.open(folder / "dem.tif") as dataset:
        levels, profile = dataset.read(1), dict(dataset.profile)
    begun, gone_on, anew = (folder / name for name in ("begun", "gone_on", "anew"))
    geotools.batch(write(folder, layers, levels, profile), output=begun, settings=BRIEF)
    tally = Counter[str]()
    for number in numbers:
        rng = np.random.default_rng([seed, number])
        other, ground = {n: layer.copy() for n, layer in layers.items()}, levels.copy()
        what, settings = change(other, ground, rng)
        brief = write(folder, other, ground, profile)
        for old in (gone_on, anew):
            shutil.rmtree(old, ignore_errors=True)
        shutil.copytree(begun, gone_on)
        try:
            geotools.batch(brief, output=anew, settings=BRIEF | settings)
            said = geotools.batch(brief, output=gone_on, settings=BRIEF | settings, resume=True)
        except SlipmainError as error:
            print(f"{number}: {what}: refused: {error}", flush=True)
            tally["batches refused"] += 1
            continue
        tally += _compare(begun, gone_on, anew, set(said.summary["kept"]), f"{number}: {what}")
    return tally


def _compare(begun: Path, gone_on: Path, anew: Path, kept: set[str], what: str) -> Counter[str]:
    """Hold a batch gone on with to one begun anew; tell of every plan that differs."""
    tally = Counter[str]()
    old, mine, fresh = (files_of(folder) for folder in (begun, gone_on, anew))
    if mine.keys() != fresh.keys():
        print(f"{what}: planned are {sorted(mine)}, anew {sorted(fresh)}", flush=True)
        tally["wrong"] += 1
    for name in mine.keys() & fresh.keys():
        wrong = differing(mine[name], fresh[name])
        if wrong:
            print(f"{what}: {name} differs in {sorted(wrong)}, {name in kept=}", flush=True)
            tally["wrong"] += 1
        altered = name not in old or differing(old[name], fresh[name]) - {"inputs", "settings"}
        word = "kept" if name in kept else "redone and altered" if altered else "redone in vain"
        tally[word] += 1
    return tally


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--mains", type=int, default=1000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = run(
            Path(folder),
            seed=given.seed,
            numbers=range(given.first, given.first + given.times),
            mains=given.mains,
        )
    print(", ".join(f"{count} {word}" for word, count in sorted(tally.items())))
    return int(tally["wrong"] > 0)


if __name__ == "__main__":
    sys.exit(main())
