"""Texts of a plan state lengths in the units of the output alone, and words as they are written."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

import geotools
from geotools.brief import Brief
from geotools.intake.limits import limit
from geotools.intake.read import read_layers
from geotools.layout.prepare import _read_wishes

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"
FOREIGN = {
    "us": re.compile(r"\d ?(?:mm|cm|m|km|m2|m3|m²|m³|kPa|bar|kN|km/h)\b"),
    "si": re.compile(r"\d ?(?:ft|psi|lbf|mph|ft2|yd3|ft²|yd³|gal|mi)\b|\d in\b(?! the)"),
}
# Names of pipes and numbers from the files of others stay as they were written.
SPARED = (
    "value-out-of-range", "no-carrier", "duplicate-id", "little-capacity", "surge-vacuum",
)  # fmt: skip


@pytest.fixture(scope="module")
def american() -> dict[str, Any]:
    settings = {"output.units": "us", "ground.assumed_cover": "1.35 m"}
    return dict(geotools.plan(SAMPLE, settings=settings).layers)


@pytest.fixture(params=["us", "si"])
def plan(request: pytest.FixtureRequest) -> tuple[str, dict[str, Any]]:
    units = request.param
    layers = request.getfixturevalue("american" if units == "us" else "sample_plan")
    return units, layers if units == "us" else layers.layers


def test_findings_state_lengths_in_the_units_of_the_output(
    plan: tuple[str, dict[str, Any]],
) -> None:
    units, layers = plan
    rows = layers["findings"]
    rows = rows[~rows["rule"].isin(SPARED)]
    wrong = [f"{r}: {t}" for r, t in zip(rows["rule"], rows["text"], strict=True)
             if FOREIGN[units].search(t)]  # fmt: skip
    assert not wrong
    own = FOREIGN["si" if units == "us" else "us"]
    stated = {r for r, t in zip(rows["rule"], rows["text"], strict=True) if own.search(t)}
    assert stated >= {
        "assumed-cover", "axis-step", "bend-angle-disagrees", "edit-honoured", "gap-joined",
        "main-not-fed", "main-too-small", "no-ground",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("layer", "column"),
    [("shutdowns", "remarks"), ("candidates", "reasons"), ("runs", "reason"), ("pits", "reasons")],
)
def test_other_texts_do_too(plan: tuple[str, dict[str, Any]], layer: str, column: str) -> None:
    units, layers = plan
    assert not [text for text in layers[layer][column].fillna("") if FOREIGN[units].search(text)]


def test_limits_of_sense_are_told_in_the_units_of_the_output() -> None:
    assert limit("cover").said("length", "us") == "0 ft to 164 ft"
    assert limit("cover").said("length", "si") == "0 m to 50 m"
    assert limit("lanes").said(None, "us") == "0 to 30"


def test_a_role_that_is_none_is_told_as_it_is_written() -> None:
    mains = gpd.GeoDataFrame(
        {"main_id": ["A"], "diameter_mm": [400]},
        geometry=[shapely.LineString([(5e5, 5.2e6), (5e5 + 100, 5.2e6)])],
        crs=32633,
    )
    at = [shapely.Point(5e5 + 10, 5.2e6), shapely.Point(5e5 + 20, 5.2e6)]
    edits = gpd.GeoDataFrame({"role": ["Entry Pit", "RECEIVING"]}, geometry=at, crs=32633)
    layers = read_layers(Brief(), frames={"mains": mains, "pit_edits": edits})
    assert _read_wishes(layers)["role"].tolist() == ["entry pit", "receiving"]
    told = layers.findings.table().query("rule == 'edit-refused'")["text"].tolist()
    assert [text.split(" is none of ")[0] for text in told] == ["role 'Entry Pit'"]
