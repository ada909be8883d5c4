"""Plans where ground and levels are not known in places: every layer can be moved and drawn."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from geotools.deliver.verify.plan import load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.errors import OlderPlanWarning
from geotools.tools.plan import TOOL


@pytest.fixture(scope="module")
def in_degrees(
    sample: Path, tmp_path_factory: pytest.TempPathFactory, command: Callable[..., int]
) -> Path:
    """The sample, whose DEM has a gap, planned from mains in degrees."""
    folder = tmp_path_factory.mktemp("degrees")
    mains = gpd.read_file(sample / "district.gpkg", layer="mains").to_crs("EPSG:4326")
    mains.to_file(folder / "mains.gpkg", layer="mains")
    source = f"{folder / 'mains.gpkg'}:mains"
    target = folder / "plan.gpkg"
    assert command("plan", sample / "brief.toml", "--mains", source, "-o", target, "--quiet") == 0
    return target


def older(plan: Path, folder: Path) -> Path:
    """Return the plan as older releases wrote it: no number where a level is not known."""
    target = folder / "older.gpkg"
    shutil.copy(plan, target)
    pulls = gpd.read_file(plan, layer="pulls")
    rows = [
        (shapely.to_wkb(shapely.transform(line, _without, include_z=True), flavor="iso"), name)
        for line, name in zip(pulls.geometry, pulls["pull_id"], strict=True)
        if pulls.set_index("pull_id").at[name, "z_source"] == "none"
    ]
    assert rows
    with closing(sqlite3.connect(target)) as base, base:
        for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{row[0]}"')
        for wkb, name in rows:
            (old,) = base.execute("SELECT geom FROM pulls WHERE pull_id = ?", (name,)).fetchone()
            head = old[: 8 + {0: 0, 1: 32, 2: 48}[old[3] >> 1 & 7]]
            base.execute("UPDATE pulls SET geom = ? WHERE pull_id = ?", (head + wkb, name))
        base.execute("UPDATE pulls SET z_source = NULL")
        base.execute("ALTER TABLE pulls DROP COLUMN z_source")
        base.execute("DELETE FROM gpkg_data_columns WHERE column_name = 'z_source'")
    return target


def _without(xyz: np.ndarray) -> np.ndarray:
    return np.column_stack([xyz[:, :2], np.full(len(xyz), np.nan)])


def test_every_layer_keeps_its_places_when_it_is_moved(in_degrees: Path) -> None:
    sources = set(gpd.read_file(in_degrees, layer="pulls")["z_source"])
    assert sources == {"known", "filled", "none"}
    for name, kind in pyogrio.list_layers(in_degrees):
        if kind:
            layer = gpd.read_file(in_degrees, layer=name)
            for crs in ("EPSG:3857", "EPSG:32633"):
                moved = shapely.get_coordinates(layer.to_crs(crs).geometry.to_numpy())
                assert np.isfinite(moved).all(), (name, crs)


def test_levels_filled_in_are_told_with_their_pull(sample_plan: Any) -> None:
    pulls, findings = sample_plan.pulls, sample_plan.findings
    for source, rule in (("filled", "levels-filled"), ("none", "levels-unknown")):
        rows = findings[findings["rule"] == rule]
        named = ",".join(rows["feature"]).split(",")
        assert sorted(named) == sorted(pulls.loc[pulls["z_source"] == source, "pull_id"])
        assert set(rows["severity"]) == {"info"}


def test_a_plan_in_degrees_keeps_every_rule(in_degrees: Path) -> None:
    plan = load_plan(in_degrees, TOOL.outputs)
    assert {rule.name: check(plan, rule).faults[:5] for rule in RULES} == dict.fromkeys(
        (rule.name for rule in RULES), ()
    )


def test_a_pull_without_levels_is_drawn_flat_in_its_place(
    in_degrees: Path, tmp_path: Path, slipmain: Callable[..., Any]
) -> None:
    for plan in (in_degrees, older(in_degrees, tmp_path)):
        target = tmp_path / f"{plan.stem}.dxf"
        done = slipmain("drawing", plan, "-o", target)
        assert done.code == 0
        told = "older.gpkg: layer pulls was written by an earlier version and has no z_source"
        assert (told in done.err) == (plan != in_degrees)
        assert len(done.err.splitlines()) == (plan != in_degrees)
        pulls = gpd.read_file(in_degrees, layer="pulls")
        lines = pulls[pulls["z_source"] == "none"].to_crs("EPSG:32633").geometry
        space = ezdxf.readfile(target).modelspace()
        flat = [
            shapely.LineString(line.get_points("xy"))
            for line in space.query("LWPOLYLINE[layer=='LIN-PULL']")
        ]
        assert all(
            min(shapely.hausdorff_distance(line, other) for other in flat) < 1e-3 for line in lines
        )


def test_a_plan_of_an_older_release_is_still_of_use(
    in_degrees: Path, tmp_path: Path, slipmain: Callable[..., Any]
) -> None:
    plan = older(in_degrees, tmp_path)
    with pytest.warns(OlderPlanWarning, match="layer pulls .* no z_source"):
        whole = load_plan(plan, TOOL.outputs)
    pulls = gpd.read_file(in_degrees, layer="pulls")
    bare = set(pulls.loc[pulls["z_source"] == "none", "pull_id"])
    for one in RULES:
        if one.name in ("layers", "words", "places", "lengths"):
            assert check(whole, one).faults == ()
        if one.name == "levels":
            assert not bare & {fault.feature for fault in check(whole, one).faults}
    assert slipmain("report", plan, "-o", tmp_path / "r.html").code == 0
    assert slipmain("sheets", plan, "-o", tmp_path / "r.pdf", "--runs", "R0001").code == 0
