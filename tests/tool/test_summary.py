"""What a tool's summary holds is what its declaration says, of the kind it says."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

import geotools
from geotools.process import describe_process
from geotools.tool import builtin

SAMPLE = Path(geotools.__file__).parents[1] / "sample_gis"
KINDS: dict[str, tuple[type, ...]] = {
    "text": (str,), "flag": (bool,), "integer": (int,), "number": (int, float),
    "list": (list, tuple), "table": (dict,),
}  # fmt: skip
PIPE: dict[str, Any] = {"carrier": "20 in DIPS DR 17 PE4710"}


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plan") / "plan.gpkg"
    geotools.plan(
        SAMPLE / "brief.toml", only=["R0003"], output=path, settings={"output.units": "us"}
    )
    return path


def batch(folder: Path, _: Path) -> Any:
    line = shapely.LineString([(5e5, 5e6), (5e5 + 200, 5e6)])
    given = {"main_id": ["A"], "diameter_mm": [400.0], "cover_m": [1.4]}
    crs = "EPSG:32633"
    return geotools.batch(
        mains=gpd.GeoDataFrame(given, geometry=[line], crs=crs),
        districts=gpd.GeoDataFrame({"name": ["a"]}, geometry=[line.buffer(50)], crs=crs),
        output=folder / "batch",
    )


def compare(folder: Path, plan: Path) -> Any:
    shutil.copy(plan, folder / "other.gpkg")
    return geotools.compare([plan, folder / "other.gpkg"])


CALLS: dict[str, Callable[[Path, Path], Any]] = {
    "sample": lambda folder, _: geotools.sample(folder / "sample"),
    "intake": lambda _, __: geotools.check_inputs(SAMPLE / "brief.toml"),
    "screen": lambda _, __: geotools.screen(SAMPLE / "brief.toml"),
    "plan": lambda _, __: geotools.plan(SAMPLE / "brief.toml", only=["R0003"]),
    "compare": compare,
    "verify": lambda _, plan: geotools.verify(plan, rules=["layers"]),
    "batch": batch,
    "report": lambda folder, plan: geotools.report(plan, output=folder / "report.html"),
    "sheets": lambda folder, plan: geotools.sheets(plan, output=folder / "sheets.pdf"),
    "drawing": lambda folder, plan: geotools.drawing(plan, output=folder / "plan.dxf"),
    "joints.schedule": lambda _, plan: geotools.joints_schedule(plan),
    "pipe.fit": lambda _, __: geotools.pipe_fit(bore="24.02 in", **PIPE),
    "settings": lambda _, __: geotools.list_settings(),
    "tools": lambda _, __: geotools.processes(),
}


@pytest.mark.parametrize("name", CALLS)
def test_a_summary_holds_the_keys_that_are_declared_each_of_its_kind(
    name: str, plan: Path, tmp_path: Path
) -> None:
    summary = json.loads(json.dumps(dict(CALLS[name](tmp_path, plan).summary)))
    keys = {spelled: key for key in builtin()[name].says for spelled in key.spellings()}
    assert set(summary) <= set(keys)
    for key in builtin()[name].says:
        met = [summary[n] for n in key.spellings() if n in summary]
        assert len(met) == 1 or (key.open and not met), key.name
        for value in met:
            if key.open and value is None:
                continue
            assert isinstance(value, KINDS[key.kind]), key.name
            assert isinstance(value, bool) == (key.kind == "flag"), key.name


@pytest.mark.parametrize("tool", builtin().values(), ids=builtin())
def test_process_descriptions_name_every_key_of_the_summary(tool: Any) -> None:
    told = describe_process(tool)["outputs"]["summary"]["schema"]["properties"]
    assert set(told) == {name for key in tool.says for name in key.spellings()}
    assert all(told[name]["description"] for name in told)


def test_a_length_is_declared_with_both_units_and_one_that_may_be_left_open_as_nullable() -> None:
    told = describe_process(builtin()["plan"])["outputs"]["summary"]["schema"]["properties"]
    assert {"planned_length_m", "planned_length_ft"} <= set(told)
    assert told["output"]["nullable"] is True
    assert "nullable" not in told["pits"]


def test_two_plans_at_least_are_asked_for_where_plans_are_compared() -> None:
    described = describe_process(builtin()["compare"])["inputs"]["plans"]
    assert (described["minOccurs"], described["maxOccurs"]) == (2, "unbounded")
    assert describe_process(builtin()["verify"])["inputs"]["plan"]["minOccurs"] == 1
