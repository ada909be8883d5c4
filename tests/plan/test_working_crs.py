"""What a plan was measured in is told in its file: the runs are not all mains it is chosen by."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.deliver.drawing import read_drawn
from geotools.deliver.read_plan import read_plan
from geotools.deliver.sheets.model import load_plan as load_sheets
from geotools.deliver.verify.plan import load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.deliver.working_crs import WORKING_CRS
from geotools.errors import LayerError
from geotools.tools.plan import TOOL

LATITUDE = 48.0


@pytest.fixture(scope="module")
def by_the_edge(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plan one run east of 12 degrees, where zone 33 begins; most mains are in the west, unused."""
    west = shapely.LineString([(lon, LATITUDE) for lon in np.linspace(11.9, 11.908, 21)])
    east = shapely.LineString([(12.02, LATITUDE), (12.024, LATITUDE)])
    mains = gpd.GeoDataFrame(
        {"main_id": ["W", "E"], "diameter_mm": 600.0, "bore_mm": 600.0, "cover_m": 2.0,
         "status": ["abandoned", "active"]},
        geometry=[west, east], crs=4326,
    )  # fmt: skip
    path = tmp_path_factory.mktemp("edge") / "plan.gpkg"
    settings = {"pulls.max_length": "400 m", "carrier.tries": 1}
    geotools.plan(mains=mains, settings=settings, output=path)
    return path


def _edited(source: Path, folder: Path, told: str) -> Path:
    """Return a plan that tells another CRS, or none."""
    path = Path(shutil.copy(source, folder / "edited.gpkg"))
    with closing(sqlite3.connect(path)) as base, base:
        query = "UPDATE settings SET value = ? WHERE name = ?"
        assert base.execute(query, [told, WORKING_CRS]).rowcount == 1
    return path


def _used_by_readers(path: Path) -> list[str]:
    """Return what drawing, sheets and `verify` take a plan to be measured in."""
    file = read_plan(path)
    checked = load_plan(path, TOOL.outputs).crs
    assert checked is not None
    return [read_drawn(file)[1].name, load_sheets(file).grid, ":".join(checked.to_authority())]


def test_a_plan_by_the_edge_of_a_zone_is_read_in_the_crs_it_was_measured_in(
    by_the_edge: Path,
) -> None:
    assert read_plan(by_the_edge).settings[WORKING_CRS] == "EPSG:32632"
    assert _used_by_readers(by_the_edge) == ["EPSG:32632"] * 3
    plan = load_plan(by_the_edge, TOOL.outputs)
    assert [fault for rule in RULES for fault in check(plan, rule).faults] == []


def test_of_a_plan_of_an_earlier_version_it_is_chosen_by_the_runs(
    by_the_edge: Path, tmp_path: Path
) -> None:
    path = _edited(by_the_edge, tmp_path, "")
    assert _used_by_readers(path) == ["EPSG:32633"] * 3


@pytest.mark.parametrize("text", ["zone 32", "EPSG:4326", "EPSG:2263"])
def test_what_no_runs_there_can_have_been_measured_in_is_refused(
    text: str, by_the_edge: Path, tmp_path: Path
) -> None:
    path = _edited(by_the_edge, tmp_path, text)
    with pytest.raises(LayerError, match=f"settings: working_crs is '{text}', in which its runs"):
        read_drawn(read_plan(path))
