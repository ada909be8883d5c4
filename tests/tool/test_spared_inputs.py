"""No call writes over what it reads, and a network with nothing to line is a plan all the same."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import geotools
from geotools.errors import OutputError

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


def test_a_network_with_no_main_large_enough_is_told_and_written(folder: Path) -> None:
    layers = geotools.plan(
        folder / "brief.toml",
        output=folder / "none.gpkg",
        settings={"network.min_diameter": "2.5 m"},
    ).layers
    assert len(layers["runs"]) == len(layers["pits"]) == len(layers["alternatives"]) == 0
    assert (layers["findings"]["rule"] == "main-too-small").any()
