"""A batch of layers in memory: the plans that the same layers give from files."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

import geotools

CRS = "EPSG:32633"
X0, Y0 = 500_000.0, 5_200_000.0
NOT_ALIKE = {"source", "sublayer", "sha256"}  # of the inputs: what a file is called


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(X0 + x, Y0 + y) for x, y in points])


def box(*sides: float) -> shapely.Polygon:
    return shapely.box(X0 + sides[0], Y0 + sides[1], X0 + sides[2], Y0 + sides[3])


def frame(shapes: list[Any], **columns: list[Any]) -> gpd.GeoDataFrame:
    """Return a layer whose labels are the numbers its features bear in a GeoPackage."""
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS, index=range(1, len(shapes) + 1))


def points(*places: tuple[float, float]) -> list[shapely.Point]:
    return [shapely.Point(X0 + x, Y0 + y) for x, y in places]


def make_layers() -> dict[str, gpd.GeoDataFrame]:
    """Return two districts out of each other's sight, a run over the border, and what else.

    Two mains bear one identifier, hydrants lie in the east alone, there is no lateral at all.
    """
    mains = [
        line((0, 0), (350, 10)), line((350, 10), (640, 10)), line((50, 200), (400, 260)),
        line((3700, 300), (4100, 300), (4300, 420)), line((4100, 300), (4100, 40)),
    ]  # fmt: skip
    return {
        "mains": frame(
            mains, main_id=["W1", "A", "W3", "A", "E2"], diameter_mm=[400.0] * 5,
            material=["cast iron"] * 5, cover_m=[1.4] * 5,
        ),
        "districts": frame(
            [box(-50, -50, 500, 900), box(500, -50, 4500, 900)], name=["Westfold", "Eastfold"]
        ),
        "valves": frame(points((40, 1), (600, 10), (4090, 300))),
        "hydrants": frame(points((4300, 420))),
        "laterals": frame([]),
        "streets": frame([line((0, 5), (640, 5)), line((3700, 305), (4100, 305))]),
        "pit_edits": frame(points((200, 6), (4100, 150)), action=["fix", "fix"]),
    }  # fmt: skip


@pytest.fixture(scope="module")
def layers() -> dict[str, gpd.GeoDataFrame]:
    return make_layers()


@pytest.fixture(scope="module")
def from_files(
    layers: dict[str, gpd.GeoDataFrame], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    folder = tmp_path_factory.mktemp("files")
    for name, layer in layers.items():
        layer.to_file(folder / "net.gpkg", layer=name)
    paths = {name: f"{folder / 'net.gpkg'}:{name}" for name in layers}
    geotools.batch(**paths, output=folder / "out")
    return folder / "out"


def rows(file: Path) -> dict[str, pd.DataFrame]:
    """Return every layer and table of a GeoPackage, geometries as bytes."""
    with closing(sqlite3.connect(file)) as content, content:
        return {
            str(name): pd.read_sql(f'SELECT * FROM "{name}"', content).drop(  # noqa: S608
                columns=NOT_ALIKE if name == "inputs" else []
            )
            for name, _ in pyogrio.list_layers(file)
        }


def assert_same(one: Path, other: Path) -> None:
    for file in ("westfold.gpkg", "eastfold.gpkg", "summary.gpkg"):
        wanted, found = rows(one / file), rows(other / file)
        assert wanted.keys() == found.keys()
        for name in wanted:
            pd.testing.assert_frame_equal(wanted[name], found[name], obj=f"{file}:{name}")


def test_layers_in_memory_give_the_plans_of_the_files_they_were_written_to(
    layers: dict[str, gpd.GeoDataFrame], from_files: Path, tmp_path: Path
) -> None:
    done = geotools.batch(**layers, output=tmp_path)
    assert_same(from_files, tmp_path)
    runs = rows(tmp_path / "westfold.gpkg")["runs"]
    assert len(runs) == 2
    assert isinstance(done.layers["district_runs"], gpd.GeoDataFrame)
    inputs = rows(tmp_path / "eastfold.gpkg")["inputs"].set_index("layer")
    assert inputs.loc["hydrants", "features_read"] == 1


def test_workers_are_handed_layers_in_memory_too(
    layers: dict[str, gpd.GeoDataFrame], from_files: Path, tmp_path: Path
) -> None:
    geotools.batch(**layers, output=tmp_path, workers=1)
    assert_same(from_files, tmp_path)


def test_a_batch_goes_on_by_what_layers_hold_wherever_they_are(
    layers: dict[str, gpd.GeoDataFrame], from_files: Path, tmp_path: Path
) -> None:
    geotools.batch(**layers, output=tmp_path)
    again = geotools.batch(**make_layers(), output=tmp_path, resume=True)
    assert again.summary["kept"] == ["Eastfold", "Westfold"]
    net = f"{from_files.parent / 'net.gpkg'}"
    paths = {name: f"{net}:{name}" for name in layers}
    filed = geotools.batch(**paths, output=tmp_path, resume=True)
    assert filed.summary["kept"] == ["Eastfold", "Westfold"]
    told = pyogrio.read_dataframe(tmp_path / "westfold.gpkg", layer="inputs")
    assert set(told["sha256"]) == {hashlib.sha256(Path(net).read_bytes()).hexdigest()}
    deeper = layers["mains"].assign(cover_m=[1.4, 1.4, 1.4, 1.4, 1.9])
    redone = geotools.batch(**{**layers, "mains": deeper}, output=tmp_path, resume=True)
    assert redone.summary["kept"] == ["Westfold"]
    assert redone.summary["planned"] == {"Eastfold": {"why": "changed", "changed": ["mains"]}}


def test_features_whose_labels_are_alike_are_told_apart_in_the_whole_and_in_every_district(
    layers: dict[str, gpd.GeoDataFrame], from_files: Path, tmp_path: Path
) -> None:
    alike = {name: layer.set_axis([0] * len(layer)) for name, layer in layers.items()}
    geotools.batch(**alike, output=tmp_path)
    for file in ("westfold.gpkg", "eastfold.gpkg"):
        wanted, found = (rows(folder / file) for folder in (from_files, tmp_path))
        for name in ("runs", "stations", "pits", "pulls"):
            pd.testing.assert_frame_equal(wanted[name], found[name])


def test_a_layer_in_memory_is_read_by_the_words_of_the_brief_for_it(
    layers: dict[str, gpd.GeoDataFrame], from_files: Path, tmp_path: Path
) -> None:
    """Columns and CRS that the brief states hold for the layer put in the place of its source."""
    bare = layers["mains"].rename(columns={"diameter_mm": "dn"}).set_crs(None, allow_override=True)
    brief = tmp_path / "brief.toml"
    brief.write_text(
        f'[inputs.mains]\nsource = "gone.gpkg"\ncrs = "{CRS}"\nfields = {{diameter_mm = "dn"}}\n',
        encoding="utf-8",
    )
    geotools.batch(brief, **{**layers, "mains": bare}, output=tmp_path / "out")
    for name in ("runs", "pits", "pulls"):
        for file in ("westfold.gpkg", "eastfold.gpkg"):
            one, other = (rows(folder / file)[name] for folder in (from_files, tmp_path / "out"))
            pd.testing.assert_frame_equal(one, other)
    districts = json.loads((tmp_path / "out" / "manifest.json").read_text())["districts"]
    assert {entry["status"] for entry in districts.values()} == {"done"}
