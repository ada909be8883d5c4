"""The tool ``intake``: what was read and found, on the sample district."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import rasterio
import shapely

import geotools
from geotools.errors import LayerError, OutputError
from geotools.intake.columns import Layers, Lines
from geotools.intake.findings import Findings
from geotools.schema import OUTPUTS
from geotools.tools.intake import TOOL

SAMPLE = Path(geotools.__file__).parents[1] / "sample_gis"


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Any:
    written = tmp_path_factory.mktemp("intake") / "findings.gpkg"
    return geotools.check_inputs(SAMPLE / "brief.toml", output=written)


def test_every_layer_of_the_brief_is_counted(outcome: Any) -> None:
    counts = {row["layer"]: row for row in outcome.summary["layers"]}
    mains = gpd.read_file(SAMPLE / "district.gpkg", layer="mains")
    assert counts["mains"]["features_read"] == len(mains)
    assert 0 < counts["mains"]["features_used"] <= len(mains)
    assert {"streets", "avoid", "dem"} <= set(counts)


def test_summary_text_and_table_tell_the_same(outcome: Any) -> None:
    findings = outcome.layers["findings"]
    for severity, count in outcome.summary["findings"].items():
        assert count == (findings["severity"] == severity).sum()
    assert sum(rule["count"] for rule in outcome.summary["rules"]) == len(findings)
    for rule in outcome.summary["rules"]:
        assert f"{rule['severity']}: {rule['rule']}" in outcome.text
    assert outcome.failed == (outcome.summary["findings"]["error"] > 0)


def test_findings_are_written_in_the_crs_of_the_mains(outcome: Any) -> None:
    written = gpd.read_file(outcome.summary["output"], layer="findings")
    mains = gpd.read_file(SAMPLE / "district.gpkg", layer="mains", rows=1)
    assert written.crs == mains.crs
    assert len(written) == len(outcome.layers["findings"]) > 0
    home = Path(outcome.summary["output"]).parent
    assert [path.name for path in home.iterdir()] == ["findings.gpkg"]  # nothing left beside it


def test_existing_file_is_kept_unless_told_otherwise(tmp_path: Path) -> None:
    target = tmp_path / "findings.gpkg"
    target.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"exists already; .* give --overwrite"):
        geotools.check_inputs(SAMPLE / "brief.toml", output=target)
    assert target.read_text(encoding="utf-8") == "mine"


def test_folder_that_is_not_there_is_an_error_of_the_output(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="there is no folder"):
        geotools.check_inputs(SAMPLE / "brief.toml", output=tmp_path / "no" / "f.gpkg")


def test_brief_without_mains_is_an_error() -> None:
    with pytest.raises(LayerError, match="mains"):
        geotools.check_inputs()


def made_up(findings: Findings) -> Layers:
    crs = pyproj.CRS("EPSG:32633")
    lines = Lines(pd.DataFrame(), np.empty((0, 2)), np.zeros(1, dtype=np.int64))
    empty = [
        pd.DataFrame(columns=[field.name for field in OUTPUTS[name].fields])
        for name in ("inputs", "columns")
    ]
    return Layers(crs, crs, lines, inputs=empty[0], columns=empty[1], findings=findings)


def test_error_among_the_findings_fails_the_check(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    findings = Findings()
    findings.add("warning", "odd", "is odd", layer="mains", feature="a")
    findings.add("error", "bad", "is bad", layer="mains", feature="b", geometry=shapely.Point(1, 2))
    monkeypatch.setattr("geotools.intake.read.read_layers", lambda *_, **__: made_up(findings))
    outcome = geotools.check_inputs(output=tmp_path / "f.gpkg")
    assert outcome.failed
    assert "findings: 1 error, 1 warning, 0 infos" in outcome.text
    assert outcome.text.index("error: bad") < outcome.text.index("warning: odd")
    written = gpd.read_file(tmp_path / "f.gpkg", layer="findings")
    assert written["rule"].tolist() == ["bad", "odd"]
    assert written.geometry.isna().tolist() == [False, True]


def test_nothing_found_is_no_failure(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("geotools.intake.read.read_layers", lambda *_, **__: made_up(Findings()))
    outcome = geotools.check_inputs(output=tmp_path / "f.gpkg")
    assert not outcome.failed
    assert "findings: 0 errors" in outcome.text
    assert (tmp_path / "f.gpkg").is_file()


@pytest.fixture
def half_covered(tmp_path: Path) -> dict[str, Any]:
    """Mains along x from 0 to 200 m; cells of 10 m with levels from x = 0 to 100 m alone."""
    lines = [
        [(5, 45), (80, 45)],
        [(5, 55), (150, 55)],
        [(150, 65), (195, 65)],
        [(5, 75), (195, 75)],
    ]
    mains = gpd.GeoDataFrame(
        {"main_id": ["in", "half", "out", "small"], "diameter_mm": [600, 600, 600, 100]},
        geometry=[shapely.LineString(np.add(line, (5e5, 5e6))) for line in lines],
        crs="EPSG:32633",
    )
    mains.to_file(tmp_path / "net.gpkg", layer="mains")
    levels = np.full((10, 20), 30.0, dtype="float32")
    levels[:, 10:] = -9999
    with rasterio.open(
        tmp_path / "dem.tif", "w", driver="GTiff", width=20, height=10, count=1, dtype="float32",
        nodata=-9999, crs="EPSG:32633", transform=rasterio.Affine(10, 0, 5e5, 0, -10, 5e6 + 100),
    ) as raster:  # fmt: skip
        raster.write(levels, 1)
        raster.units = ("metre",)
    return {"mains": f"{tmp_path / 'net.gpkg'}:mains", "dem": str(tmp_path / "dem.tif")}


def test_mains_that_may_be_lined_are_told_where_they_have_no_ground(
    half_covered: dict[str, Any],
) -> None:
    outcome = geotools.check_inputs(**half_covered)
    found = outcome.layers["findings"]
    lost = found[found["rule"] == "no-ground"].set_index("feature")
    # every 10 m: from the centre of the last cell with a level on, 95 m, there is none
    assert lost["text"].str.extract(r"at (\d+ of \d+) places")[0].to_dict() == {
        "half": "6 of 16",
        "out": "6 of 6",
    }
    first = lost.geometry["half"]
    assert first.x - 5e5 == pytest.approx(5 + 145 / 15 * 10)
    assert not outcome.failed


def test_a_dem_that_cannot_be_used_is_an_error_among_the_findings(
    half_covered: dict[str, Any], tmp_path: Path
) -> None:
    away = gpd.read_file(tmp_path / "net.gpkg", layer="mains")
    away.geometry = away.translate(5000)
    away.to_file(tmp_path / "net.gpkg", layer="mains")
    outcome = geotools.check_inputs(**half_covered)
    found = outcome.layers["findings"].set_index("rule")
    assert found.loc["dem-not-usable", "severity"] == "error"
    assert "no raster overlaps" in found.loc["dem-not-usable", "text"]
    assert outcome.failed


def test_mains_out_of_use_need_no_ground(half_covered: dict[str, Any], tmp_path: Path) -> None:
    mains = gpd.read_file(tmp_path / "net.gpkg", layer="mains")
    mains.assign(status=["live", "live", "Abandoned", "live"]).to_file(
        tmp_path / "net.gpkg", layer="mains"
    )
    found = geotools.check_inputs(**half_covered).layers["findings"]
    assert found.loc[found["rule"] == "no-ground", "feature"].tolist() == ["half"]


def test_intake_and_plan_agree_on_where_the_ground_is_missing(half_covered: dict[str, Any]) -> None:
    planned = geotools.plan(**half_covered).layers["findings"]
    stretches = planned[planned["rule"] == "no-ground"].geometry
    told = geotools.check_inputs(**half_covered).layers["findings"]
    places = told[told["rule"] == "no-ground"].to_crs(planned.crs).geometry
    assert len(stretches) == len(places) == 2
    assert all(stretches.distance(place).min() < 10.0 for place in places)


def test_columns_read_absent_and_left_over_are_told_in_text_summary_and_file(
    tmp_path: Path,
) -> None:
    mains = gpd.read_file(SAMPLE / "district.gpkg", layer="mains")
    mains.rename(columns={"status": "LIFECYCLE"}).to_file(tmp_path / "net.gpkg", layer="mains")
    outcome = geotools.check_inputs(
        mains=f"{tmp_path / 'net.gpkg'}:mains", output=tmp_path / "told.gpkg"
    )
    (row,) = (row for row in outcome.summary["layers"] if row["layer"] == "mains")
    assert row["columns_left_over"] == ["LIFECYCLE"]
    assert row["fields_read"]["diameter_mm"] == "diameter_mm"
    assert {"status", "owner"} <= set(row["fields_not_there"])
    assert "left over: LIFECYCLE" in outcome.text
    written = gpd.read_file(tmp_path / "told.gpkg", layer="columns")
    assert written.loc[written["column"] == "LIFECYCLE", "state"].tolist() == ["left over"]
    assert outcome.summary["findings"]["warning"] > 0
    assert {"no-status", "columns-left-over"} <= {rule["rule"] for rule in outcome.summary["rules"]}


def test_the_sample_is_read_whole(outcome: Any) -> None:
    told = outcome.layers["columns"]
    assert not (told["state"] == "left over").any()
    assert {"no-status", "no-field-read", "columns-left-over", "unit-doubtful"}.isdisjoint(
        outcome.layers["findings"]["rule"]
    )


@pytest.fixture
def faulty() -> gpd.GeoDataFrame:
    """Sixty mains: all without a cover and breaks that make sense, one without such a pressure."""
    count = 60
    starts = [5e5 + 500 * k for k in range(count)]
    ways = [shapely.LineString([(x, 57e5), (x + 300, 57e5)]) for x in starts]
    columns = {"cover_m": -9999.0, "breaks": -9999.0, "pressure_kpa": [500.0] * 59 + [-9999.0]}
    names = [f"M{k}" for k in range(count)]
    return gpd.GeoDataFrame(
        {"main_id": names, "diameter_mm": 300.0, **columns}, geometry=ways, crs=25833
    )


def test_words_that_are_not_read_are_all_told_with_their_count_in_text_and_summary(
    faulty: Any,
) -> None:
    faulty["pressure_kpa"] = ["500"] * 20 + ["high"] * 10 + ["low"] * 30
    outcome = geotools.check_inputs(mains=faulty)
    (rule,) = (r for r in outcome.summary["rules"] if r["rule"] == "unreadable-value")
    assert (rule["count"], rule["words"]) == (40, {"low": 30, "high": 10})
    assert "the words: 'low' (30), 'high' (10)" in " ".join(outcome.text.split())
    others = [r["words"] for r in outcome.summary["rules"] if r is not rule]
    assert others == [{}] * len(others)


def test_faulty_values_are_counted_by_field_and_not_by_findings(faulty: Any) -> None:
    outcome = geotools.check_inputs(mains=faulty)
    rules = {
        rule["field"]: rule["count"]
        for rule in outcome.summary["rules"]
        if rule["rule"] == "value-out-of-range"
    }
    assert rules == {"cover": 60, "breaks": 60, "pressure": 1}
    assert outcome.text.count("value-out-of-range, 60 times") == 2


def test_all_layers_of_the_declaration_are_written(faulty: Any, tmp_path: Path) -> None:
    target = tmp_path / "findings.gpkg"
    geotools.check_inputs(mains=faulty, output=target)
    assert {str(name) for name, _ in pyogrio.list_layers(target)} == set(TOOL.outputs)
    inputs = pyogrio.read_dataframe(target, layer="inputs").set_index("layer")
    assert inputs.loc["mains", "features_read"] == 60


def test_a_disk_that_fills_up_is_told_with_advice_and_leaves_the_old_file(
    faulty: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "findings.gpkg"
    target.write_bytes(b"mine")

    def full(*_: Any, **__: Any) -> None:
        raise pyogrio.errors.FeatureError("Failed to write record: database or disk is full")

    for writer in ("write_arrow", "write_dataframe"):
        monkeypatch.setattr(pyogrio, writer, full)
    with pytest.raises(OutputError, match=r"disk is full.*check the free space"):
        geotools.check_inputs(mains=faulty, output=target, overwrite=True)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {target.name: b"mine"}


def test_the_file_is_the_same_every_time_and_describes_its_fields(
    faulty: Any, tmp_path: Path
) -> None:
    files = [tmp_path / name for name in ("one.gpkg", "two.gpkg")]
    for file in files:
        geotools.check_inputs(mains=faulty, output=file)
        with closing(sqlite3.connect(file)) as content:
            dates = content.execute("SELECT DISTINCT last_change FROM gpkg_contents").fetchall()
            texts = dict(content.execute("SELECT identifier, description FROM gpkg_contents"))
        assert dates == [("2000-01-01T00:00:00.000Z",)]
        assert texts == {name: OUTPUTS[name].text for name in TOOL.outputs}
    assert files[0].read_bytes() == files[1].read_bytes()
