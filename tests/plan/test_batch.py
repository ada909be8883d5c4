"""District by district: the same plan as of the whole, whatever happens on the way."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pandas.api.types import is_numeric_dtype

import geotools
from geotools.deliver.read_plan import read_plan
from geotools.errors import LayerError
from geotools.layout.tables import write_plan
from geotools.scale import engine
from geotools.scale.district import plan_district
from geotools.scale.engine import SchedulerLost, run_all

CRS = "EPSG:32633"
X0, Y0 = 500_000.0, 5_200_000.0
Run = Callable[..., Any]


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(X0 + x, Y0 + y) for x, y in points])


def box(*sides: float) -> shapely.Polygon:
    return shapely.box(X0 + sides[0], Y0 + sides[1], X0 + sides[2], Y0 + sides[3])


MAINS = {
    "W1": line((0, 0), (350, 10)),  # W1-W2 crosses the border, most of it in the west
    "W2": line((350, 10), (640, 10)),
    "W3": line((50, 200), (400, 260)),
    "E1": line((3700, 300), (4100, 300), (4300, 420)),  # out of sight from the west
    "E2": line((4100, 300), (4100, 40)),  # a tee off E1
    "S1": line((4000, -900), (4300, -900)),  # in no district
}
DISTRICTS = {"Westfold": box(-50, -50, 500, 900), "Eastfold": box(500, -50, 4500, 900)}


def write_network(folder: Path, *, ids: list[str] | None = None, **cover: float) -> Path:
    """Write a small network of two districts; covers, m, may be given by main."""
    mains = gpd.GeoDataFrame(
        {
            "main_id": ids or list(MAINS),
            "diameter_mm": 400.0,
            "material": "cast iron",
            "cover_m": [cover.get(name, 1.4) for name in MAINS],
        },
        geometry=list(MAINS.values()),
        crs=CRS,
    )
    districts = gpd.GeoDataFrame(
        {"name": [*DISTRICTS, "Nobody"]},
        geometry=[*DISTRICTS.values(), box(8000, 0, 8100, 100)],
        crs=CRS,
    )
    valves = gpd.GeoDataFrame(
        geometry=[shapely.Point(X0 + x, Y0 + y) for x, y in ((40, 1), (600, 10), (4090, 300))],
        crs=CRS,
    )
    net = folder / "net.gpkg"
    for name, layer in (("mains", mains), ("districts", districts), ("valves", valves)):
        layer.to_file(net, layer=name)
    brief = folder / "brief.toml"
    sources = "\n".join(f'{n} = "net.gpkg:{n}"' for n in ("mains", "districts", "valves"))
    brief.write_text(f"[inputs]\n{sources}\n", encoding="utf-8")
    return brief


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_network(tmp_path_factory.mktemp("network"))


@pytest.fixture(scope="module")
def done(network: Path, tmp_path_factory: pytest.TempPathFactory, command: Run) -> Path:
    folder = tmp_path_factory.mktemp("batch") / "out"
    assert command("batch", network, "-o", folder, "--quiet") == 0
    return folder


def entries(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    return dict(content["districts"])


def hashes(folder: Path) -> dict[str, str]:
    return {name: entry["sha256"] for name, entry in entries(folder).items()}


def test_the_plans_of_the_districts_are_together_the_plan_of_the_whole(
    network: Path, done: Path, tmp_path: Path, command: Run
) -> None:
    assert command("plan", network, "-o", tmp_path / "plan.gpkg", "--quiet") == 0
    whole, parts = (
        read_plan(tmp_path / "plan.gpkg"),
        [read_plan(done / entry["file"]) for entry in entries(done).values() if entry["file"]],
    )
    assert len(parts) == 2
    told = (*parts, read_plan(done / "summary.gpkg", needs=()))
    assert {plan.settings["working_crs"] for plan in told} == {whole.settings["working_crs"]}
    planned = set(pd.concat([p.table("runs") for p in parts])["run_id"])
    assert len(whole.table("runs")) == len(planned) + 1  # the one in no district
    for name in ("runs", "stations", "bends", "candidates", "pits", "pulls", "forces", "sections",
                 "strings", "quantities", "schedule", "alternatives", "shutdowns"):  # fmt: skip
        own = pd.DataFrame(whole.table(name))
        if "run_id" in own:
            own = own[own["run_id"].isin(planned)]
        else:
            own = own[own["pull_id"].str.partition("-")[0].isin(planned)]
        them = pd.concat([pd.DataFrame(p.table(name)) for p in parts])
        key = [c for c in own if c != "geometry" and not is_numeric_dtype(own[c])]
        key += [c for c in ("chainage", "start_day") if c in own]
        same_rows(own.sort_values(key), them.sort_values(key))


def same_rows(one: pd.DataFrame, other: pd.DataFrame) -> None:
    assert len(one) == len(other) > 0
    shapes = "geometry" in one
    pd.testing.assert_frame_equal(
        one.drop(columns="geometry", errors="ignore").reset_index(drop=True),
        other.drop(columns="geometry", errors="ignore").reset_index(drop=True),
        check_dtype=False,
        rtol=1e-9,
        atol=1e-9,
    )
    if shapes:
        near = shapely.equals_exact(
            one["geometry"].to_numpy(dtype=object), other["geometry"].to_numpy(dtype=object), 1e-6
        )
        assert np.all(near)


def test_a_run_over_the_border_is_planned_once_and_its_district_stated(done: Path) -> None:
    runs = gpd.read_file(done / "summary.gpkg", layer="district_runs")
    assert runs["main_ids"].is_unique
    of = dict(zip(runs["main_ids"], runs["district"], strict=True))
    assert of["W1,W2"] == "Westfold"
    assert set(of.values()) == {"Westfold", "Eastfold"}
    assert len(gpd.read_file(done / "westfold.gpkg", layer="runs")) == 2


def test_the_summary_tells_of_every_district_and_adds_up(done: Path) -> None:
    districts = gpd.read_file(done / "summary.gpkg", layer="district_results").set_index("district")
    assert districts["status"].to_dict() == {
        "Westfold": "done", "Eastfold": "done", "Nobody": "empty",
    }  # fmt: skip
    runs = gpd.read_file(done / "summary.gpkg", layer="district_runs")
    for name in ("Westfold", "Eastfold"):
        plan = read_plan(done / districts.loc[name, "file"])
        assert districts.loc[name, "pits"] == len(plan.table("pits"))
        cost = runs.loc[runs["district"] == name, "cost"].sum()
        assert districts.loc[name, "cost"] == pytest.approx(cost)
        assert cost == pytest.approx(plan.table("quantities").query("scope == 'run'")["cost"].sum())
    by_length = runs["cost"] / runs["length_m"]
    assert runs["unit_cost_per_m"].to_numpy() == pytest.approx(by_length.to_numpy())
    assert runs.sort_values("unit_cost_per_m")["rank"].tolist() == list(range(1, len(runs) + 1))


def test_layers_are_told_missing_that_are_missing_and_no_others(
    network: Path, tmp_path: Path, command: Run
) -> None:
    streets = gpd.GeoDataFrame(geometry=[line((0, 5), (640, 5))], crs=CRS)
    streets.to_file(tmp_path / "streets.gpkg", layer="streets")
    out = tmp_path / "out"
    given = ("--streets", f"{tmp_path / 'streets.gpkg'}:streets")
    assert command("batch", network, *given, "-o", out, "--quiet") == 0
    for file in ("summary.gpkg", entries(out)["Westfold"]["file"]):
        findings = pyogrio.read_dataframe(out / file, layer="findings")
        missing = findings.loc[findings["rule"] == "layer-not-given", "layer"]
        due = {"fittings", "laterals", "hydrants", "sources", "avoid", "pit_edits", "dem"}
        assert set(missing) == due, file


def test_mains_of_one_identifier_are_called_in_a_district_what_they_are_in_the_whole(
    tmp_path: Path, command: Run
) -> None:
    brief = write_network(tmp_path, ids=["A", "A", "B", "A", "B", "A"])
    out, whole = tmp_path / "out", tmp_path / "whole.gpkg"
    assert command("batch", brief, "-o", out, "--quiet") == 0
    assert command("plan", brief, "-o", whole, "--quiet") == 0
    wanted = read_plan(whole).table("stations").groupby("run_id")["main_id"].unique()
    seen = 0
    for entry in filter(lambda e: e["file"], entries(out).values()):
        assert command("verify", out / entry["file"], "--quiet") == 0
        found = read_plan(out / entry["file"]).table("stations").groupby("run_id")["main_id"]
        for run_id, mains in found.unique().items():
            assert set(mains) == set(wanted[run_id])
            seen += 1
    assert seen == 4
    assert set(wanted["R0004"]) != {"A"}  # some are told apart by a number


EDITS = {  # action, role, where; the districts' own, then those of nobody
    "1": ("fix", "", (200, 6)),
    "2": ("fix", "", (4100, 150)),
    "3": ("fix", "king", (3900, 300)),
    "4": ("forbid", "", (4150, -900)),
    "5": ("fix", "", (200, 100)),
    "6": ("fix", "", (9000, 9000)),
    "7": ("fix", "", None),
}


def test_a_valve_has_one_name_in_the_whole_and_in_every_district(
    tmp_path: Path, command: Run
) -> None:
    brief = write_network(tmp_path)
    net = tmp_path / "net.gpkg"
    # One identifier is met in both districts: out of sight of each other, neither is a name.
    valves = gpd.read_file(net, layer="valves").assign(valve_id=["V1", "V2", "V1"])
    valves.to_file(net, layer="valves")
    whole, out = tmp_path / "whole.gpkg", tmp_path / "out"
    assert command("plan", brief, "-o", whole, "--quiet") == 0
    assert command("batch", brief, "-o", out, "--quiet") == 0

    def closed(plan: Path) -> dict[str, str]:
        rows = pyogrio.read_dataframe(plan, layer="shutdowns", read_geometry=False)
        return dict(zip(rows["run_id"], rows["valves"] + "; " + rows["remarks"], strict=True))

    wanted = closed(whole)
    assert "fid 3;" in " ".join(wanted.values())
    assert "V2, fid 1" in " ".join(wanted.values())
    for name in ("westfold", "eastfold"):
        plan = out / f"{name}.gpkg"
        assert closed(plan).items() <= wanted.items()
        near = pyogrio.read_dataframe(plan, layer="context").query("layer == 'valves'")
        assert set(near["feature"]) == ({"fid 1", "V2"} if name == "westfold" else {"fid 3"})
        rules = pyogrio.read_dataframe(plan, layer="findings")["rule"].tolist()
        assert rules.count("valve-by-number") == 1
        assert command("verify", plan, "--quiet") == 0
    again = entries(out)
    assert command("batch", brief, "-o", out, "--resume", "--quiet") == 0
    assert {name: entry["tries"] for name, entry in entries(out).items()} == {
        "Eastfold": 0, "Nobody": 0, "Westfold": 0,
    }  # fmt: skip
    valves.assign(valve_id=["V1", "V2", "V3"]).to_file(net, layer="valves")
    assert command("batch", brief, "-o", out, "--resume", "--quiet") == 0
    assert all(entries(out)[name]["key"] != again[name]["key"] for name in DISTRICTS)


def test_every_edit_is_answered_by_its_district_or_else_by_the_summary(
    network: Path, tmp_path: Path, command: Run
) -> None:
    gpd.GeoDataFrame(
        {"action": [a for a, _, _ in EDITS.values()], "role": [r for _, r, _ in EDITS.values()]},
        geometry=[p and shapely.Point(X0 + p[0], Y0 + p[1]) for _, _, p in EDITS.values()],
        crs=CRS,
    ).to_file(tmp_path / "edits.gpkg", layer="pit_edits")
    out = tmp_path / "out"
    given = ("--pit-edits", f"{tmp_path / 'edits.gpkg'}:pit_edits")
    assert command("batch", network, *given, "-o", out, "--quiet") == 0
    said = {}
    for file in ("summary", "westfold", "eastfold"):
        findings = pyogrio.read_dataframe(out / f"{file}.gpkg", layer="findings")
        told = findings[findings["layer"] == "pit_edits"]
        said[file] = sorted(
            zip(told["feature"].str.removeprefix("fid "), told["rule"], strict=True)
        )
    assert said["westfold"] == [("1", "edit-honoured")]
    assert said["eastfold"] == [("2", "edit-honoured"), ("3", "edit-refused")]
    assert said["summary"] == [
        *((n, "edit-refused") for n in "456"), ("7", "no-geometry"),
    ]  # fmt: skip
    for file, count in (("westfold", 1), ("eastfold", 2)):
        inputs = pyogrio.read_dataframe(out / f"{file}.gpkg", layer="inputs").set_index("layer")
        assert inputs.loc["pit_edits", "features_used"] == count
        assert command("verify", out / f"{file}.gpkg", "--quiet") == 0


def test_a_layer_is_told_empty_where_its_file_is_and_not_where_a_district_has_none_of_it(
    network: Path, tmp_path: Path, command: Run
) -> None:
    far = gpd.GeoDataFrame(geometry=[shapely.Point(X0 + 4300, Y0 + 420)], crs=CRS)
    far.to_file(tmp_path / "more.gpkg", layer="hydrants")
    far.iloc[:0].to_file(tmp_path / "more.gpkg", layer="laterals")
    given = [f"--{n}={tmp_path / 'more.gpkg'}:{n}" for n in ("hydrants", "laterals")]
    out = tmp_path / "out"
    assert command("batch", network, *given, "-o", out, "--quiet") == 0
    for file in ("westfold", "eastfold"):
        findings = pyogrio.read_dataframe(out / f"{file}.gpkg", layer="findings")
        told = findings.loc[findings["rule"] == "empty-layer", "layer"]
        assert told.tolist() == ["laterals"], file


def test_resume_redoes_what_changed_in_findings_alone(tmp_path: Path, command: Run) -> None:
    brief, out = write_network(tmp_path), tmp_path / "out"
    mains = gpd.read_file(tmp_path / "net.gpkg", layer="mains")
    for word, tries in (("wide", {"Westfold": 1, "Eastfold": 1, "Nobody": 0}),
                        ("wide", {"Westfold": 0, "Eastfold": 0, "Nobody": 0}),
                        ("twelve", {"Westfold": 0, "Eastfold": 1, "Nobody": 0})):  # fmt: skip
        mains["diameter_mm"] = [word if n == "E2" else "400" for n in mains["main_id"]]
        mains.to_file(tmp_path / "net.gpkg", layer="mains")
        assert command("batch", brief, "-o", out, "--resume", "--quiet") == 0
        assert {name: entry["tries"] for name, entry in entries(out).items()} == tries
        findings = pyogrio.read_dataframe(out / "eastfold.gpkg", layer="findings")
        assert findings["text"].str.contains(word).any()


def test_the_result_tells_of_findings_runs_outside_inputs_and_plans_of_another_batch(
    tmp_path: Path, slipmain: Run
) -> None:
    brief, out = write_network(tmp_path), tmp_path / "out"
    streets = gpd.GeoDataFrame(geometry=[line((0, 5), (640, 5))], crs=CRS)
    streets.to_file(tmp_path / "streets.gpkg", layer="streets")
    given = (brief, "--streets", f"{tmp_path / 'streets.gpkg'}:streets", "-o", out)
    assert slipmain("batch", *given).code == 0
    streets.to_file(out / "streets.gpkg", layer="streets")  # no plan, and none of the batch's
    districts = gpd.read_file(tmp_path / "net.gpkg", layer="districts")
    districts.replace({"Westfold": "Norfold"}).to_file(tmp_path / "net.gpkg", layer="districts")
    call = slipmain("batch", *given, "--resume", "--json")
    assert call.code == 0
    said = json.loads(call.out)
    assert said["stale_plans"] == ["westfold.gpkg"]
    assert (out / "westfold.gpkg").exists()
    assert said["runs_outside_districts"] == 1
    assert said["length_outside_districts_m"] == pytest.approx(300)
    assert sorted(said["findings_by_district"]) == ["Eastfold", "Norfold"]
    total = dict.fromkeys(said["findings"], 0)
    for file in ("summary", "eastfold", "norfold"):
        findings = pyogrio.read_dataframe(out / f"{file}.gpkg", layer="findings")
        for severity, count in findings["severity"].value_counts().items():
            total[severity] += count
        told = said["findings_by_district"].get(file.title(), said["findings_of_summary"])
        assert told["warning"] == (findings["severity"] == "warning").sum()
    assert said["findings"] == total
    every = pd.concat(
        pd.DataFrame(findings).assign(geometry=findings.geometry.to_wkt())
        for findings in (
            pyogrio.read_dataframe(out / f"{file}.gpkg", layer="findings")
            for file in ("summary", "eastfold", "norfold")
        )
    )
    named = ["rule", "layer", "feature", "text", "geometry"]
    once = (
        every.astype(object)
        .fillna("")
        .groupby("severity")[named]
        .apply(lambda rows: len(rows.drop_duplicates()))
    )
    assert said["findings_distinct"] == {**dict.fromkeys(total, 0), **once.to_dict()}
    assert said["findings_distinct"]["info"] < total["info"]  # what is so of all is told in each
    findings = pyogrio.read_dataframe(out / "summary.gpkg", layer="findings")
    assert findings.loc[findings["rule"] == "stale-plan", "feature"].tolist() == ["westfold.gpkg"]
    plans = [out / f"{name}.gpkg" for name in ("eastfold", "norfold")]
    amounts = pd.concat(pyogrio.read_dataframe(plan, layer="quantities") for plan in plans)
    saved = amounts.loc[amounts["scope"] == "shared", "cost"].sum()
    assert said["shared_saving_within_districts"] == pytest.approx(-saved)
    inputs = pyogrio.read_dataframe(out / "summary.gpkg", layer="inputs").set_index("layer")
    assert set(inputs.index) == {"mains", "valves", "districts", "streets"}
    assert inputs.loc["streets", "features_read"] == 1
    assert (inputs["sha256"].str.len() == 64).all()
    text = slipmain("batch", *given, "--resume").out
    for word in ("1 runs, 300 m, touch no district", "in district Norfold", "westfold.gpkg is no"):
        assert word in text


def test_a_script_without_a_main_guard_is_told_so_and_once(network: Path, tmp_path: Path) -> None:
    script, out = tmp_path / "mine.py", tmp_path / "out"
    script.write_text(
        f"import geotools\ngeotools.batch({str(network)!r}, output={str(out)!r}, workers=2)\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 1
    assert done.stderr.count("Traceback") == 1
    assert "geotools.errors.WorkersError: workers: their processes could not begin" in done.stderr
    assert 'if __name__ == "__main__":' in done.stderr


def test_a_run_in_no_district_is_a_finding(done: Path) -> None:
    findings = pyogrio.read_dataframe(done / "summary.gpkg", layer="findings")
    outside = findings[findings["rule"] == "outside-districts"]
    assert len(outside) == 1
    assert "touches no district: it is not planned" in outside["text"].iloc[0]


def test_a_batch_without_a_run_in_any_district_failed_and_says_so(
    network: Path, tmp_path: Path, slipmain: Run
) -> None:
    far = gpd.GeoDataFrame({"name": ["Nobody"]}, geometry=[box(8000, 0, 8100, 100)], crs=CRS)
    far.to_file(tmp_path / "far.gpkg", layer="districts")
    given = ("--districts", f"{tmp_path / 'far.gpkg'}:districts")
    call = slipmain("batch", network, *given, "-o", tmp_path / "out")
    assert call.code == 1
    assert "failed     no run lies in any district, so nothing is planned" in call.out


def test_the_summary_of_a_batch_given_as_a_plan_is_called_what_it_is(
    done: Path, tmp_path: Path, slipmain: Run
) -> None:
    plans = (done / "summary.gpkg", done / "westfold.gpkg")
    call = slipmain("compare", *plans, "-o", tmp_path / "compared.gpkg")
    assert call.code == 2
    assert "summary.gpkg: is the summary of a batch, not a plan; give the plans of its" in call.err


def test_all_plans_of_a_batch_are_verified_and_a_fault_names_its_file(
    done: Path, tmp_path: Path, slipmain: Run
) -> None:
    shutil.copytree(done, tmp_path / "plans")
    call = slipmain("verify", tmp_path / "plans", "--rules", "pit-items", "--json")
    whole = json.loads(call.out)
    alone = [
        json.loads(slipmain("verify", done / f"{name}.gpkg", "--rules", "pit-items", "--json").out)
        for name in ("westfold", "eastfold")
    ]
    assert (call.code, whole["failed"], whole["without_plan"]) == (0, 0, [])
    assert whole["checked"] == sum(one["checked"] for one in alone) > 0
    with contextlib.closing(sqlite3.connect(tmp_path / "plans" / "eastfold.gpkg")) as file, file:
        file.execute("UPDATE quantities SET quantity = quantity + 1 WHERE scope = 'pit'")
    with contextlib.closing(sqlite3.connect(tmp_path / "plans" / "summary.gpkg")) as file, file:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):  # its index asks
            file.create_function(name, 1, lambda _: 0)
        file.execute(
            "UPDATE district_results SET status = 'failed', error = 'its mains are gone', "
            "runs_failed = 2 WHERE district = 'Westfold'"
        )
    call = slipmain("verify", tmp_path / "plans", "--rules", "pit-items")
    assert call.code == 1
    assert "FAILED pit-items: eastfold.gpkg quantities R" in call.out
    assert (
        "FAILED district Westfold has no plan (its mains are gone): runs it was to plan: 2, not"
        in call.out
    )


def test_workers_write_the_same_files_as_one_process(
    network: Path, done: Path, tmp_path: Path, command: Run
) -> None:
    assert command("batch", network, "-o", tmp_path, "--workers", "2", "--quiet") == 0
    assert hashes(tmp_path) == hashes(done)


def test_a_folder_that_holds_a_batch_is_kept_unless_told_otherwise(
    network: Path, done: Path, slipmain: Run
) -> None:
    before = hashes(done)
    call = slipmain("batch", network, "-o", done)
    assert call.code == 2
    assert "holds an earlier batch; give --resume" in call.err
    assert hashes(done) == before


def rows_of(plan: Path, layer: str) -> list[tuple[Any, ...]]:
    with contextlib.closing(sqlite3.connect(plan)) as file, file:
        return file.execute(f"SELECT * FROM {layer}").fetchall()  # noqa: S608


def test_resume_redoes_what_changed_and_nothing_else(
    network: Path, tmp_path: Path, command: Run
) -> None:
    folder, out = tmp_path / "net", tmp_path / "out"
    folder.mkdir()
    assert command("batch", write_network(folder), "-o", out, "--quiet") == 0
    first = hashes(out)
    west = {name: rows_of(out / "westfold.gpkg", name) for name in ("runs", "pits", "settings")}
    (folder / "net.gpkg").unlink()
    brief = write_network(folder, E2=1.9)
    assert command("batch", brief, "-o", out, "--resume", "--quiet") == 0
    tries = {name: entry["tries"] for name, entry in entries(out).items()}
    assert tries == {"Westfold": 0, "Eastfold": 1, "Nobody": 0}
    second = hashes(out)
    for name, rows in west.items():
        assert rows_of(out / "westfold.gpkg", name) == rows
    told = pyogrio.read_dataframe(out / "westfold.gpkg", layer="inputs")["sha256"]
    assert set(told) == {hashlib.sha256((folder / "net.gpkg").read_bytes()).hexdigest()}
    assert second["Eastfold"] != first["Eastfold"]
    (out / "westfold.gpkg").write_bytes(b"damaged")
    assert command("batch", brief, "-o", out, "--resume", "--quiet") == 0
    tries = {name: entry["tries"] for name, entry in entries(out).items()}
    assert tries == {"Westfold": 1, "Eastfold": 0, "Nobody": 0}
    assert len(read_plan(out / "westfold.gpkg").table("runs")) == 2


def test_a_district_that_fails_is_a_row_and_the_others_are_done(
    network: Path, done: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse_west(target: Path, *args: Any, **kwargs: Any) -> dict[str, int]:
        (target.with_name("westfold.gpkg")).mkdir(exist_ok=True)  # comes while it is planned
        return write_plan(target, *args, **kwargs)

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr("geotools.scale.district.write_plan", refuse_west)
        call = slipmain("batch", network, "-o", tmp_path)
    assert call.code == 1
    assert "1 done, 1 empty, 1 failed" in call.out
    assert "Westfold" in call.out
    districts = gpd.read_file(tmp_path / "summary.gpkg", layer="district_results")
    failed = districts.set_index("district").loc["Westfold"]
    assert failed["status"] == "failed"
    assert "is a folder" in failed["error"]
    runs = gpd.read_file(tmp_path / "summary.gpkg", layer="district_runs").set_index("district")
    lost = runs.loc["Westfold"]
    assert lost["status"].tolist() == ["failed", "failed"]
    assert failed["length_failed_m"] == pytest.approx(lost.length.sum())
    findings = pyogrio.read_dataframe(tmp_path / "summary.gpkg", layer="findings")
    told = findings[findings["rule"] == "district-failed"]
    assert told[["severity", "feature"]].to_numpy().tolist() == [["error", "Westfold"]]
    (tmp_path / "westfold.gpkg").rmdir()
    call = slipmain("batch", network, "-o", tmp_path, "--resume")
    assert call.code == 0
    assert "kept       Eastfold" in call.out
    assert "redone     Westfold: failed before" in call.out
    assert hashes(tmp_path) == hashes(done)


@pytest.mark.parametrize(
    ("left", "said"),
    [(None, "was planned and is not here"), (b"of another", "is not the plan that was made of")],
)
def test_a_district_is_done_only_if_its_plan_is_here_as_its_worker_wrote_it(
    network: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch,
    left: bytes | None, said: str,
) -> None:  # fmt: skip
    def elsewhere(job: Any) -> Any:
        entry = plan_district(job)
        if job.name == "Westfold":
            job.target.unlink() if left is None else job.target.write_bytes(left)
        return entry

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr("geotools.scale.batch.plan_district", elsewhere)
        call = slipmain("batch", network, "-o", tmp_path, "--json")
    assert call.code == 1
    told = json.loads(call.out)
    assert list(told["failures"]) == ["Westfold"]
    assert said in told["failures"]["Westfold"]
    assert "must be one that all workers share" in told["failures"]["Westfold"]
    assert entries(tmp_path)["Westfold"]["status"] == "failed"
    assert slipmain("batch", network, "-o", tmp_path, "--resume", "--quiet").code == 0


def test_a_batch_killed_before_its_first_district_goes_on(
    network: Path, done: Path, tmp_path: Path, command: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    shutil.copytree(done, out)

    def lost(*_: Any, **__: Any) -> Any:
        raise SchedulerLost("gone")

    with monkeypatch.context() as early:
        early.setattr("geotools.scale.batch.run_all", lost)
        assert command("batch", network, "-o", out, "--overwrite", "--quiet") == 2
    assert not any(entry["file"] for entry in entries(out).values())
    assert command("batch", network, "-o", out, "--quiet") == 2  # somebody's batch is there
    assert command("batch", network, "-o", out, "--resume", "--quiet") == 0
    assert hashes(out) == hashes(done)


def test_a_worker_in_another_folder_reads_the_files_of_the_batch(
    done: Path, network: Path, tmp_path: Path, command: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        folder.mkdir()
        for name in ("net.gpkg", "brief.toml"):
            shutil.copy(network.parent / name, folder / name)
    mains = gpd.read_file(there / "net.gpkg", layer="mains")
    mains.assign(cover_m=2.1).to_file(there / "net.gpkg", layer="mains")  # an older copy

    def away(job: Any) -> Any:
        with contextlib.chdir(there):
            return plan_district(job)

    monkeypatch.chdir(here)
    monkeypatch.setattr("geotools.scale.batch.plan_district", away)
    assert command("batch", "brief.toml", "-o", "out", "--quiet") == 0
    assert hashes(here / "out") == hashes(done)


def test_a_worker_whose_file_is_another_fails_and_says_which(
    network: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = tmp_path / "brief.toml"
    for name in ("net.gpkg", "brief.toml"):
        shutil.copy(network.parent / name, tmp_path / name)

    def later(job: Any) -> Any:
        valves = gpd.read_file(tmp_path / "net.gpkg", layer="valves")
        valves.iloc[:1].to_file(tmp_path / "net.gpkg", layer="valves")
        return plan_district(job)

    monkeypatch.setattr("geotools.scale.batch.plan_district", later)
    call = slipmain("batch", brief, "-o", tmp_path / "out", "--json")
    assert call.code == 1
    failures = json.loads(call.out)["failures"]
    assert set(failures) == {"Westfold", "Eastfold"}
    assert "valves (net.gpkg): is another file" in failures["Westfold"]


def test_a_plan_that_is_gone_at_the_end_is_a_row_and_ends_no_batch(
    network: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def and_then_gone(*args: Any, **kwargs: Any) -> Any:
        yield from run_all(*args, **kwargs)
        (tmp_path / "westfold.gpkg").unlink()

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr("geotools.scale.batch.run_all", and_then_gone)
        call = slipmain("batch", network, "-o", tmp_path, "--json")
    assert call.code == 1
    told = json.loads(call.out)
    assert "there is no such file" in told["failures"]["Westfold"]
    rows = gpd.read_file(tmp_path / "summary.gpkg", layer="district_results")
    status = rows.set_index("district")["status"]
    assert status[["Westfold", "Eastfold"]].tolist() == ["failed", "done"]
    runs = gpd.read_file(tmp_path / "summary.gpkg", layer="district_runs")
    of = runs.groupby("district")["status"].unique().map(list).to_dict()
    assert of == {"Eastfold": ["planned"], "Westfold": ["failed"]}
    again = json.loads(slipmain("batch", network, "-o", tmp_path, "--resume", "--json").out)
    assert (list(again["planned"]), again["kept"]) == (["Westfold"], ["Eastfold"])


def test_a_district_planned_by_another_version_of_the_program_fails_and_says_so(
    network: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def older(job: Any) -> Any:
        entry = plan_district(job)
        return replace(entry, key={**entry.key, "version": "0.1 (ab)"})

    def lent(*args: Any, **kwargs: Any) -> Any:
        return (replace(r, worker="tcp://there:1") for r in run_all(*args, **kwargs))

    monkeypatch.setattr("geotools.scale.batch.plan_district", older)
    monkeypatch.setattr("geotools.scale.batch.run_all", lent)
    call = slipmain("batch", network, "-o", tmp_path, "--json")
    assert call.code == 1
    told = json.loads(call.out)["failures"]["Westfold"]
    assert told.startswith(
        "its worker tcp://there:1 plans with slipmain 0.1 (ab), and this process"
    )
    assert f"slipmain {geotools.__version__} (" in told


@pytest.mark.parametrize("share", [0.5])
def test_a_batch_that_was_killed_goes_on_to_the_same_result(
    network: Path, done: Path, tmp_path: Path, command: Run, share: float
) -> None:
    call = [sys.executable, "-c", "from geotools.cli import main; main()", "batch", str(network)]
    call += ["-o", str(tmp_path), "--quiet"]
    process = subprocess.Popen(call)
    wanted = round(share * 3)
    while process.poll() is None and len(list(tmp_path.glob("[a-z]*.gpkg"))) < wanted:
        time.sleep(0.02)
    process.kill()
    process.wait()
    assert command("batch", network, "-o", tmp_path, "--resume", "--quiet") == 0
    assert hashes(tmp_path) == hashes(done)
    left = sorted(p.name for p in tmp_path.iterdir())
    files = ["eastfold.gpkg", "manifest.json", "styles", "summary.gpkg", "westfold.gpkg"]
    assert left == [".lock", *files]


def test_a_file_no_batch_made_is_kept_unless_told_otherwise(
    network: Path, tmp_path: Path, slipmain: Run
) -> None:
    own = [tmp_path / name for name in ("eastfold.gpkg", "styles/pits.sld", "summary.gpkg")]
    (tmp_path / "styles").mkdir()
    for path in own:
        path.write_text("mine", encoding="utf-8")
    for option in ((), ("--resume",)):
        call = slipmain("batch", network, "-o", tmp_path, *option)
        assert call.code == 2
        for path in own:
            assert f"{path}: exists, and no batch in this folder made it" in call.err
            assert path.read_text(encoding="utf-8") == "mine"
        assert not (tmp_path / "westfold.gpkg").exists()
    assert slipmain("batch", network, "-o", tmp_path, "--overwrite").code == 0
    assert len(read_plan(own[0]).table("runs")) == 2
    assert slipmain("batch", network, "-o", tmp_path, "--resume").code == 0


def test_a_file_no_batch_made_is_told_before_the_network_is_chained(
    network: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def chained(*_: Any) -> Any:
        raise AssertionError("chained, and in vain")

    (tmp_path / "eastfold.gpkg").write_text("mine", encoding="utf-8")
    monkeypatch.setattr("geotools.scale.share.runs_of", chained)
    call = slipmain("batch", network, "-o", tmp_path)
    assert call.code == 2
    assert "eastfold.gpkg: exists, and no batch in this folder made it" in call.err


def test_the_result_names_districts_kept_and_redone_and_why(
    network: Path, done: Path, tmp_path: Path, slipmain: Run
) -> None:
    out = tmp_path / "out"
    first = json.loads(slipmain("batch", network, "-o", out, "--json").out)
    assert first["kept"] == []
    assert {n: f["why"] for n, f in first["planned"].items()} == {
        "Eastfold": "new", "Westfold": "new",
    }  # fmt: skip
    (out / "westfold.gpkg").unlink()
    again = json.loads(slipmain("batch", network, "-o", out, "--resume", "--json").out)
    assert again["kept"] == ["Eastfold"]
    assert again["renewed"] == []
    assert again["planned"] == {"Westfold": {"why": "file_lost", "changed": []}}
    text = slipmain("batch", network, "-o", out, "--resume", "--set", "rates.joint=451").out
    assert "kept       none" in text
    assert "redone     Eastfold, Westfold: changed (settings)" in text
    districts = gpd.read_file(out / "summary.gpkg", layer="district_results").set_index("district")
    assert districts["resumed"].fillna("").to_dict() == {
        "Eastfold": "changed", "Westfold": "changed", "Nobody": "",
    }  # fmt: skip
    assert districts["changed"].fillna("").to_dict() == {
        "Eastfold": "settings", "Westfold": "settings", "Nobody": "",
    }  # fmt: skip


def test_a_district_that_comes_takes_no_name_of_a_file_from_one_that_has_it(
    network: Path, done: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(*_: Any, **__: Any) -> Any:
        raise SchedulerLost("gone")

    for name in ("net.gpkg", "brief.toml"):
        shutil.copy(network.parent / name, tmp_path / name)
    districts = gpd.read_file(tmp_path / "net.gpkg", layer="districts")
    districts.replace({"Nobody": "WESTFOLD"}).to_file(tmp_path / "net.gpkg", layer="districts")
    brief, out, anew = tmp_path / "brief.toml", tmp_path / "out", tmp_path / "anew"
    shutil.copytree(done, out)
    told = json.loads(slipmain("batch", brief, "-o", out, "--resume", "--json").out)
    assert (told["kept"], told["stale_plans"]) == (["Eastfold", "Westfold"], [])
    monkeypatch.setattr("geotools.scale.batch.run_all", lost)
    assert slipmain("batch", brief, "-o", anew).code == 2
    files = json.loads((anew / "manifest.json").read_text(encoding="utf-8"))["files"]
    assert "westfold.gpkg" in files  # for the one that has runs
    assert "westfold-2.gpkg" not in files


def test_a_plan_somebody_edited_is_kept_beside_the_new_one_and_told(
    network: Path, done: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, mine = tmp_path / "out", tmp_path / "out" / "westfold.edited-1.gpkg"
    shutil.copytree(done, out)
    with contextlib.closing(sqlite3.connect(out / "westfold.gpkg")) as file, file:
        file.execute("CREATE TABLE my_notes (text)")
    with monkeypatch.context() as meanwhile:  # it is kept even where the new plan fails

        def fails(_: Any) -> Any:
            raise LayerError("mains", "no luck")

        meanwhile.setattr("geotools.scale.batch.plan_district", fails)
        assert slipmain("batch", network, "-o", out, "--resume", "--quiet").code == 1
    assert rows_of(mine, "my_notes") == []
    mine.rename(out / "westfold.gpkg")  # back, and edited: the failure did not forget the plan
    call = slipmain("batch", network, "-o", out, "--resume", "--json")
    assert call.code == 0
    told = json.loads(call.out)
    assert told["edited"] == {"Westfold": mine.name}
    assert told["stale_plans"] == []
    assert rows_of(mine, "my_notes") == []
    assert hashes(out) == hashes(done)
    findings = pyogrio.read_dataframe(out / "summary.gpkg", layer="findings").set_index("rule")
    assert findings.loc["edited-plan", "feature"] == mine.name
    shutil.copy(mine, out / "westfold.gpkg")
    with contextlib.closing(sqlite3.connect(out / "summary.gpkg")) as file, file:
        file.execute("CREATE TABLE my_notes (text)")
    text = slipmain("batch", network, "-o", out, "--resume").out
    assert "redone     Westfold: file changed" in text
    assert (
        "edited     Westfold: its plan was edited since, and is kept as westfold.edited-2" in text
    )
    assert rows_of(out / "summary.edited-1.gpkg", "my_notes") == []
    assert "edited     the summary held layers of others; it is kept as summary.edited-1" in text
    findings = pyogrio.read_dataframe(out / "summary.gpkg", layer="findings").set_index("rule")
    assert findings.loc["edited-summary", "feature"] == "summary.edited-1.gpkg"


def test_over_a_manifest_that_cannot_be_read_a_batch_is_begun_anew_and_nothing_is_deleted(
    network: Path, done: Path, tmp_path: Path, slipmain: Run
) -> None:
    out = tmp_path / "out"
    shutil.copytree(done, out)
    (out / "eastfold.gpkg").rename(out / "of-old.gpkg")
    torn = (out / "manifest.json").read_bytes()[:300]
    (out / "manifest.json").write_bytes(torn)
    for option in ((), ("--resume",)):
        call = slipmain("batch", network, "-o", out, *option)
        assert call.code == 2
        assert "manifest.json: cannot be read" in call.err
        assert "give --overwrite to begin anew" in call.err
    assert slipmain("batch", tmp_path / "none.toml", "-o", out, "--overwrite").code == 2
    assert (out / "manifest.json").read_bytes() == torn  # nothing is done, so it stays
    call = slipmain("batch", network, "-o", out, "--overwrite", "--json")
    assert call.code == 0
    told = json.loads(call.out)
    assert told["manifest_kept"] == "manifest.unread-1.json"
    assert (out / "manifest.unread-1.json").read_bytes() == torn
    assert told["stale_plans"] == ["of-old.gpkg"]
    assert hashes(out) == hashes(done)
    findings = pyogrio.read_dataframe(out / "summary.gpkg", layer="findings")
    assert "manifest-unread" in set(findings["rule"])


def test_a_batch_never_writes_over_what_it_reads(
    network: Path, tmp_path: Path, slipmain: Run
) -> None:
    for name in ("net.gpkg", "brief.toml"):
        shutil.copy(network.parent / name, tmp_path / name)
    districts = gpd.read_file(tmp_path / "net.gpkg", layer="districts")
    districts.replace({"Westfold": "Net"}).to_file(tmp_path / "net.gpkg", layer="districts")
    before = (tmp_path / "net.gpkg").read_bytes()
    for option in ((), ("--overwrite",), ("--resume", "--overwrite")):
        call = slipmain("batch", tmp_path / "brief.toml", "-o", tmp_path, *option)
        assert call.code == 2
        assert f"{tmp_path / 'net.gpkg'}: is read by this call" in call.err
        assert (tmp_path / "net.gpkg").read_bytes() == before
    assert not list(tmp_path.glob("eastfold*"))


def test_a_batch_that_ends_as_soon_as_it_goes_on_forgets_nothing(
    network: Path, done: Path, tmp_path: Path, command: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    shutil.copytree(done, out)
    before = entries(out)
    (out / "westfold.gpkg").write_bytes(b"damaged")

    def lost(*_: Any, **__: Any) -> Any:
        raise SchedulerLost("gone")

    with monkeypatch.context() as early:
        early.setattr("geotools.scale.batch.run_all", lost)
        assert command("batch", network, "-o", out, "--resume", "--quiet") == 2
    assert entries(out) == {name: e for name, e in before.items() if name != "Westfold"}
    assert command("batch", network, "-o", out, "--resume", "--quiet") == 0
    tries = {name: entry["tries"] for name, entry in entries(out).items()}
    assert tries == {"Westfold": 1, "Eastfold": 0, "Nobody": 0}
    assert hashes(out) == hashes(done)


def test_a_batch_whose_scheduler_cannot_be_reached_leaves_no_batch_behind(
    network: Path, tmp_path: Path, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "REACHED_WITHIN_S", 1.0)
    call = slipmain("batch", network, "-o", tmp_path, "--scheduler", "tcp://127.0.0.1:9")
    assert call.code == 2
    assert "cannot be reached" in call.err
    assert list(tmp_path.iterdir()) == []


def test_a_summary_that_cannot_be_written_is_told_before_any_district_is_planned(
    network: Path, tmp_path: Path, slipmain: Run
) -> None:
    (tmp_path / "summary.gpkg").mkdir()
    call = slipmain("batch", network, "-o", tmp_path)
    assert call.code == 2
    assert "summary.gpkg: is a folder" in call.err
    assert [path.name for path in tmp_path.iterdir()] == ["summary.gpkg"]


def test_the_styles_of_all_files_of_a_batch_lie_in_one_folder(done: Path) -> None:
    drawn = {
        name
        for file in done.glob("*.gpkg")
        for name, kind in pyogrio.list_layers(file)
        if kind is not None
    }
    assert {p.stem for p in (done / "styles").iterdir()} == drawn


def test_without_districts_or_with_senseless_workers_the_call_says_what_to_do(
    network: Path, tmp_path: Path, slipmain: Run
) -> None:
    mains = f"{network.parent / 'net.gpkg'}:mains"
    call = slipmain("batch", "--mains", mains, "-o", tmp_path / "a")
    assert call.code == 2
    assert "districts: none given" in call.err
    call = slipmain("batch", network, "-o", tmp_path / "b", "--workers", "0", "--scheduler", "x")
    assert call.code == 2
    assert "workers: 0 is less than 1" in call.err
    assert "workers or scheduler, not both" in call.err
