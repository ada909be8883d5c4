"""Strings and pits of one district on the pits of another."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from geotools.intake.crs import choose_working_crs
from geotools.intake.findings import Findings
from geotools.scale.across import report_across
from geotools.scale.manifest import Entry


def _district(path: Path, crs: str, scale: float, **layers: Any) -> None:
    """Write pits and strings, given as boxes in m."""
    for layer, (name, boxes) in layers.items():
        shapes = [shapely.box(*(side / scale for side in sides)) for sides in boxes.values()]
        table = gpd.GeoDataFrame({name: list(boxes)}, geometry=shapes, crs=crs)
        table.to_file(path, layer=layer, driver="GPKG")


@pytest.mark.parametrize(("crs", "scale"), [("EPSG:32633", 1.0), ("EPSG:2263", 1200 / 3937)])
def test_what_lies_on_a_pit_of_another_district_is_told_and_what_is_its_own_is_not(
    crs: str, scale: float, tmp_path: Path
) -> None:
    x, y = 300_000.0, 60_000.0
    pits = {"A1": (x, y, x + 6, y + 2), "A2": (x + 50, y, x + 56, y + 2)}
    over_own = {"A-S1": (x + 50, y, x + 90, y + 1), "A-S2": (x - 9, y + 30, x + 9, y + 31)}
    west = {"pit_footprints": ("pit_id", pits), "strings": ("string_id", over_own)}
    far = {"B1": (x + 4, y, x + 9, y + 2), "B2": (x + 56, y, x + 60, y + 2)}
    over = {"B-S1": (x + 2, y + 1, x + 3, y + 40), "B-S2": (x + 6, y + 3, x + 9, y + 40)}
    east = {"pit_footprints": ("pit_id", far), "strings": ("string_id", over)}
    _district(tmp_path / "west.gpkg", crs, scale, **west)
    _district(tmp_path / "east.gpkg", crs, scale, **east)
    place = np.array([[x / scale, y / scale]])
    working = choose_working_crs("mains", pyproj.CRS(crs), place, None).crs
    layers: Any = SimpleNamespace(
        output_crs=pyproj.CRS(crs), working_crs=working, findings=Findings()
    )
    entries = {name: Entry("done", file=f"{name.lower()}.gpkg") for name in ("West", "East")}
    report_across(layers, tmp_path, {**entries, "None": Entry("empty")})
    told = pd.DataFrame(layers.findings.table()).set_index("rule")
    assert sorted(told.index) == [
        "pits-shared",
        *2 * ["string-over-pit"],
        *2 * ["string-over-string"],
    ]
    shared = told.loc["pits-shared"]
    assert "pits A1 (district West) and B1 (district East) share 4.0 m² of" in shared["text"]
    assert sorted(told.loc["string-over-pit", "feature"]) == ["A-S1", "B-S1"]
    text = told.loc["string-over-pit"].set_index("feature")["text"]["B-S1"]
    assert "B-S1 (district East) lies over pit A1 (district West): dig that pit after" in text
    over_each = told.loc["string-over-string", "text"].tolist()
    assert "strings A-S2 (district West) and B-S1 (district East) lie on one" in over_each[0]
    assert "with 1.0 m²: their runs have days of their own" in over_each[0]


def test_one_district_alone_has_no_border(tmp_path: Path) -> None:
    layers: Any = SimpleNamespace(findings=Findings())
    report_across(layers, tmp_path, {"West": Entry("done", file="west.gpkg")})
    assert layers.findings.table().empty
