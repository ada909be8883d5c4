"""No call writes over what it reads, and a network with nothing to line is a plan all the same."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pdfplumber
import pytest

import geotools
from geotools.errors import OutputError
from geotools.intake.named import named_files

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("brief.toml", "district.gpkg", "dem.tif"):
        shutil.copy(SAMPLE / name, tmp_path / name)
    return tmp_path


@pytest.mark.parametrize("name", ["district.gpkg", "dem.tif", "brief.toml"])
def test_an_input_is_never_written_over(folder: Path, name: str) -> None:
    target = folder / name
    before = target.read_bytes()
    for tool in (geotools.plan, geotools.check_inputs):
        with pytest.raises(OutputError, match="is read by this call"):
            tool(folder / "brief.toml", output=target, overwrite=True)
    assert target.read_bytes() == before


def test_a_plan_is_not_written_over_by_its_joints(folder: Path) -> None:
    plan = folder / "plan.gpkg"
    geotools.plan(folder / "brief.toml", output=plan)
    before = plan.read_bytes()
    with pytest.raises(OutputError, match="is read by this call"):
        geotools.joints_schedule(plan=plan, output=plan, overwrite=True)
    assert plan.read_bytes() == before


def test_of_several_plans_compared_none_is_written_over(folder: Path) -> None:
    plans = [folder / name for name in ("one.gpkg", "two.gpkg")]
    geotools.plan(folder / "brief.toml", output=plans[0])
    shutil.copy(*plans)
    before = plans[0].read_bytes()
    for target in plans:
        with pytest.raises(OutputError, match="is read by this call"):
            geotools.compare(plans, output=target, overwrite=True)
        assert target.read_bytes() == before


def test_a_layer_with_a_colon_in_its_name_does_not_hide_its_file(folder: Path) -> None:
    net = folder / "colon.gpkg"
    gpd.read_file(SAMPLE / "district.gpkg", layer="mains").to_file(net, layer="net:mains")
    before = net.read_bytes()
    for tool in (geotools.plan, geotools.screen, geotools.check_inputs):
        with pytest.raises(OutputError, match="is read by this call"):
            tool(mains=f"{net}:net:mains", output=net, overwrite=True)
    assert net.read_bytes() == before


def test_every_way_to_name_a_source_leads_to_its_files(tmp_path: Path) -> None:
    home = tmp_path / "a:b [c]"
    home.mkdir()
    for name in ("net.gpkg", "t1.tif", "t2.tif", "net.zip"):
        (home / name).write_text("data")
    found = {
        f"{home}/net.gpkg": ["net.gpkg"],
        f"{home}/net.gpkg:mains": ["net.gpkg"],
        f"{home}/net.gpkg:x:y:mains": ["net.gpkg"],
        f"{home}/t*.tif": ["t1.tif", "t2.tif"],
        f"/vsizip/{home}/net.zip/in/net.shp": ["net.zip"],
        f"{home}/none.gpkg:mains": [],
        "https://example.org/net.gpkg": [],
    }
    for source, names in found.items():
        assert named_files([source]) == [home / name for name in names], source


@pytest.mark.parametrize("letter", [";", "!"])
@pytest.mark.parametrize(
    "tool",
    [geotools.plan, geotools.screen, geotools.check_inputs, geotools.batch],
    ids=lambda tool: tool.__name__,
)
def test_a_geopackage_is_refused_a_name_it_cannot_have_before_anything_is_read(
    tmp_path: Path, letter: str, tool: Callable[..., object]
) -> None:
    target = tmp_path / f"o{letter}x.gpkg"
    with pytest.raises(OutputError, match=f"no GeoPackage can be .* with {letter} in it"):
        tool(mains=tmp_path / "none.gpkg", output=target)  # what is not there would be told too
    assert list(tmp_path.iterdir()) == []


def test_sheets_of_a_plan_without_runs_are_a_title_page_that_says_so(folder: Path) -> None:
    plan, pdf = folder / "none.gpkg", folder / "none.pdf"
    geotools.plan(folder / "brief.toml", output=plan, settings={"network.min_diameter": "2.5 m"})
    geotools.sheets(plan, output=pdf)
    with pdfplumber.open(pdf) as read:
        (page,) = read.pages
        assert "The plan has no runs" in page.extract_text()


def test_a_network_with_no_main_large_enough_is_told_and_written(folder: Path) -> None:
    layers = geotools.plan(
        folder / "brief.toml",
        output=folder / "none.gpkg",
        settings={"network.min_diameter": "2.5 m"},
    ).layers
    assert len(layers["runs"]) == len(layers["pits"]) == len(layers["alternatives"]) == 0
    assert (layers["findings"]["rule"] == "main-too-small").any()
