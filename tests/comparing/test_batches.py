"""Folders of batches, read as one plan each."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

from geotools import batch, compare, plan
from geotools.comparing.batches import read_batch
from geotools.errors import LayerError, OutputError

CRS = "EPSG:25832"
WEST, EAST = shapely.box(-50, -50, 400, 50), shapely.box(400, -50, 1000, 50)


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the mains, their plan, and a batch of them in two districts."""
    folder = tmp_path_factory.mktemp("batches")
    lines = [shapely.LineString([(x, 0), (x + 300, 0)]) for x in (0, 500)]
    mains = gpd.GeoDataFrame(
        {"main_id": ["W", "E"], "diameter_mm": 610, "material": "cast iron", "cover_m": 1.5},
        geometry=lines,
        crs=CRS,
    )
    mains.to_file(folder / "net.gpkg", layer="mains")
    names = gpd.GeoDataFrame({"name": ["Westfold", "Eastfold"]}, geometry=[WEST, EAST], crs=CRS)
    names.to_file(folder / "net.gpkg", layer="districts")
    given = {"mains": f"{folder}/net.gpkg:mains", "settings": {"carrier.tries": 1}}
    plan(**given, output=folder / "whole.gpkg")
    batch(**given, districts=f"{folder}/net.gpkg:districts", output=folder / "night")
    return folder


def test_a_batch_stands_beside_the_plan_of_the_whole_as_one_plan(done: Path) -> None:
    told = compare([done / "whole.gpkg", done / "night"])
    assert set(told.layers["findings"]["rule"]) == {"settings-alike", "criterion-not-known"}
    whole, night = (rows for _, rows in told.layers["comparison"].groupby("plan", sort=False))
    assert night["plan"].unique().tolist() == ["night"]
    for name in ("run_id", "main_ids", "cost", "pit_count", "lane_days", "days", "longest_pull"):
        assert night[name].tolist() == whole[name].tolist()
    read = told.layers["inputs"].set_index("source")
    assert read.loc["night", "features_read"] == 2
    assert len(read.loc["night", "sha256"]) == 64


def test_of_a_district_that_failed_it_is_told_that_its_runs_take_no_part(
    done: Path, tmp_path: Path
) -> None:
    for file in (done / "night").glob("*.gpkg"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    results = pyogrio.read_dataframe(tmp_path / "summary.gpkg", layer="district_results")
    west = results["district"] == "Westfold"
    results.loc[west, ["status", "error", "file"]] = ["failed", "its worker died", ""]
    results.loc[west, "runs_failed"] = 1
    pyogrio.write_dataframe(results, tmp_path / "summary.gpkg", layer="district_results")
    told = compare([done / "night", tmp_path]).layers["findings"].set_index("rule")
    lost = told.loc["district-not-compared"]
    assert (lost["severity"], lost["feature"]) == ("warning", "Westfold")
    assert (
        "Westfold has no plan (its worker died): runs it was to plan: 1, not planned"
        in lost["text"]
    )
    assert told.loc["run-not-in-all", "text"].startswith("run R0002 (300 m) is only in night;")


@pytest.mark.parametrize("name", ["summary.gpkg", "eastfold.gpkg"])
def test_a_comparison_is_never_written_over_a_file_of_a_batch_it_reads(
    done: Path, name: str
) -> None:
    target = done / "night" / name
    before = target.read_bytes()
    with pytest.raises(OutputError, match="is read by this call"):
        compare([done / "whole.gpkg", done / "night"], output=target, overwrite=True)
    assert target.read_bytes() == before


@pytest.mark.parametrize("lost", ["eastfold.gpkg", "summary.gpkg"])
def test_a_folder_that_lacks_a_file_of_the_batch_is_refused_in_words(
    done: Path, tmp_path: Path, lost: str
) -> None:
    for file in (done / "night").glob("*.gpkg"):
        if file.name != lost:
            (tmp_path / file.name).write_bytes(file.read_bytes())
    with pytest.raises(LayerError, match=lost):
        read_batch(tmp_path)


def test_a_batch_without_a_plan_is_refused_in_words(done: Path, tmp_path: Path) -> None:
    summary = tmp_path / "summary.gpkg"
    summary.write_bytes((done / "night" / "summary.gpkg").read_bytes())
    results = pyogrio.read_dataframe(summary, layer="district_results")
    pyogrio.write_dataframe(results.assign(status="failed"), summary, layer="district_results")
    with pytest.raises(LayerError, match="no district of this batch has a plan; go on with it"):
        read_batch(tmp_path)


def test_rows_of_all_districts_are_read_one_after_the_other(done: Path) -> None:
    batch = read_batch(done / "night")
    assert sorted(batch.table("runs", ("main_ids",))["main_ids"]) == ["E", "W"]
    pits = batch.table("pits")
    assert pits.crs.equals(batch.crs)
    assert pits.index.is_unique
    assert isinstance(batch.table("quantities"), pd.DataFrame)
