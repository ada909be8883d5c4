"""The tools of the joints, on the plan of the sample district."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pypdf
import pytest
import shapely

import geotools
from geotools.cli import main
from geotools.errors import LayerError, OutputError
from geotools.pipe.fusion import gauge_pressure_pa, joint_count
from geotools.tool import ToolError

SAMPLE = Path(geotools.__file__).parents[1] / "sample_gis"
PISTON = 1.2e-3


@pytest.fixture(scope="module")
def plan(sample_file: Path) -> Path:
    return sample_file


@pytest.fixture(scope="module")
def joints(plan: Path) -> Any:
    return geotools.joints_schedule(plan).layers["joints"]


def command(*words: object) -> int:
    with pytest.raises(SystemExit) as left:
        main([str(word) for word in words])
    return int(left.value.code or 0)


def rows_in(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def records_of(joints: Any) -> pd.DataFrame:
    """Return records in which every joint keeps the middle of its window."""
    drag = 3e5
    gauge = gauge_pressure_pa(joints["outside"], joints["wall"], PISTON, drag_pa=drag)
    middle = (joints["heater_low"] + joints["heater_high"]) / 2
    return pd.DataFrame(
        {
            "joint_id": joints["joint_id"],
            "made": [
                str(np.datetime64("2024-03-02T08:00") + np.timedelta64(40 * k, "m"))
                for k in range(len(joints))  # one after the other, on one machine
            ],
            "operator": "A. Quill",
            "machine": "M-7",
            "piston_area_cm2": PISTON * 1e4,
            "outside_left_mm": joints["outside"] * 1e3,
            "material_left": joints["material"],
            "heater_1_c": middle,
            "heater_2_c": middle + 2,
            "drag_bar": drag / 1e5,
            "bead_mm": joints["bead"] * 1e3 + 1,
            "soak_min": joints["soak"] / 60 + 0.1,
            "removal_s": joints["removal"] - 1,
            "fusion_pressure_bar": gauge / 1e5,
            "cool_pressure_bar": gauge / 1e5,
            "cool_time_min": joints["cool"] / 60 + 0.5,
            "visual": "pass",
        }
    )


@pytest.fixture(scope="module")
def records(joints: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("records") / "records.csv"
    records_of(joints).to_csv(path, index=False)
    return path


def leave_of(plan: Path) -> Any:
    """Return what the plan leaves out of the host, m, by pull."""
    sections = pyogrio.read_dataframe(plan, layer="sections").set_index("pull_id")
    assert (sections["leave_m"] >= 2).all()
    return sections["leave_m"]


def test_schedule_has_the_joints_of_the_plan(plan: Path, joints: Any) -> None:
    pulls = gpd.read_file(plan, layer="pulls").set_index("pull_id")
    leave = leave_of(plan)
    counted = joints.groupby("pull_id").size().reindex(pulls.index, fill_value=0)
    with_tails = np.ceil((pulls["length_m"] + leave) / 12.0 - 1e-6) - 1
    assert counted.tolist() == with_tails.tolist()
    assert set(counted - pulls["joints"]) == {0, 1}
    bare = geotools.joints_schedule(plan, tail="0 m").layers["joints"]
    counted = bare.groupby("pull_id").size().reindex(pulls.index, fill_value=0)
    assert counted.tolist() == pulls["joints"].tolist()
    assert len(joints) > 500
    assert joints["joint_id"].is_unique
    between = joints.groupby("pull_id")["intermediate"].sum().reindex(pulls.index, fill_value=0)
    assert between.tolist() == (pulls["strings"] - 1).tolist()


def test_the_summary_counts_the_joints_of_tails_and_tells_their_length_with_its_unit(
    plan: Path,
) -> None:
    pulls = gpd.read_file(plan, layer="pulls")
    left = float(leave_of(plan).sum())
    metric, foot = (geotools.joints_schedule(plan, units=u).summary for u in (None, "us"))
    assert metric["joints_planned"] == int(pulls["joints"].sum())
    assert metric["tails"] == metric["joints"] - metric["joints_planned"] > 0
    assert metric["tail_length_m"] == pytest.approx(left, rel=1e-12)
    assert foot["tail_length_ft"] == pytest.approx(left / 0.3048, rel=1e-12)
    told = geotools.joints_schedule(plan, units="us").text.partition("tails")[2]
    assert re.match(r" +[0-9.]+ ft (to [0-9.]+ ft )?a pull", told)
    bare = geotools.joints_schedule(plan, tail="0 m").summary
    assert (bare["tails"], bare["tail_length_m"]) == (0, 0.0)


def test_schedule_lies_on_the_pulls_and_makes_up_their_length(plan: Path, joints: Any) -> None:
    pulls = gpd.read_file(plan, layer="pulls").set_index("pull_id")
    lines = shapely.force_2d(pulls.geometry.loc[joints["pull_id"]].to_numpy())
    leave = leave_of(plan)
    off = shapely.distance(joints.geometry.to_numpy(), lines)
    assert (off < leave.loc[joints["pull_id"]].to_numpy() / 2 + 1e-3).all()
    assert (off < 1e-3).mean() > 0.99
    behind = pulls.loc[joints["pull_id"], "direction"].to_numpy() == "behind"
    for pull_id, rows in joints.assign(behind=behind).groupby("pull_id"):
        front, rear = (
            ("piece_before", "piece_after")
            if rows["behind"].iloc[0]
            else ("piece_after", "piece_before")
        )
        total = rows[front].sum() + rows[rear].iloc[-1]
        assert total == pytest.approx(pulls.loc[pull_id, "length_m"] + leave[pull_id], abs=1e-6)


def test_schedule_without_strings_counts_one_string_a_pull(plan: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare.gpkg"
    for layer in ("runs", "pits", "pulls", "settings"):
        pyogrio.write_dataframe(gpd.read_file(plan, layer=layer), bare, layer=layer)
    joints = geotools.joints_schedule(bare).layers["joints"]
    pulls = gpd.read_file(plan, layer="pulls")
    assert len(joints) == int(joint_count(pulls["length_m"], 12.0).sum())
    assert not joints["intermediate"].any()


def test_schedule_is_written_as_csv_and_as_layer(
    plan: Path, joints: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, layer = tmp_path / "joints.csv", tmp_path / "joints.gpkg"
    assert command("joints", "schedule", plan, "-o", table) == 0
    assert f"{len(joints):,} in " in capsys.readouterr().out
    assert command("joints", "schedule", plan, "-o", layer, "--units", "us", "--json") == 0
    assert json.loads(capsys.readouterr().out)["joints"] == len(joints)
    rows = rows_in(table)
    assert [row["joint_id"] for row in rows] == joints["joint_id"].tolist()
    assert float(rows[0]["chainage_m"]) == pytest.approx(joints["chainage"].iloc[0], abs=1e-4)
    assert rows[0]["intermediate"] in ("yes", "no")
    drawn = gpd.read_file(layer, layer="joints")
    assert drawn.crs.to_epsg() == 32633
    assert drawn["heater_low_f"].iloc[0] == pytest.approx(400)
    assert drawn["interfacial_psi"].iloc[0] == pytest.approx(75)
    np.testing.assert_allclose(drawn["chainage_ft"] * 0.3048, joints["chainage"])


def test_schedule_of_pvc_fails_and_says_what_to_give(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "pvc.gpkg"
    chosen = {"carrier.system": "DIPS", "carrier.material": "PVC", "carrier.dr": 25}
    geotools.plan(SAMPLE / "brief.toml", output=path, settings=chosen)
    table = tmp_path / "joints.csv"
    assert command("joints", "schedule", path, "-o", table) == 1
    told = capsys.readouterr().out
    assert "--procedure-file" in told
    assert "DIPS DR 25 PVC" in told
    rows = rows_in(table)
    assert {row["material"] for row in rows} == {"PVC"}
    assert {row["cool_min"] for row in rows} == {row["heater_low_c"] for row in rows} == {""}


def test_check_of_clean_records_passes(
    plan: Path, joints: Any, records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = {name: tmp_path / f"out.{name}" for name in ("gpkg", "csv", "pdf")}
    code = command(
        "joints", "check", plan, records, "-o", out["gpkg"], "--csv", out["csv"],
        "--report", out["pdf"],
    )  # fmt: skip
    told = capsys.readouterr()
    assert (code, told.err) == (0, "")
    assert f"{len(joints):,} pass, 0 fail, 0 missing, 0 unknown, 0 cut out" in told.out
    assert "qualifications of operators and machines were not checked" in told.out
    assert (
        "the schedule counts for tails: 2.0 m to 4.1 m a pull, 1.0 m to 2.8 m of it at the head, "
        "as the plan orders" in told.out
    )
    drawn = gpd.read_file(out["gpkg"], layer="asbuilt_joints")
    assert set(drawn["verdict"]) == {"pass"}
    assert drawn["found_interfacial_kpa"].tolist() == pytest.approx(
        (joints["interfacial"] / 1e3).tolist()
    )
    pulls = gpd.read_file(out["gpkg"], layer="asbuilt_pulls")
    assert pulls["joints"].sum() == pulls["joints_passed"].sum() == len(joints)
    rows = rows_in(out["csv"])
    assert [row["joint_id"] for row in rows] == joints["joint_id"].tolist()
    assert out["pdf"].read_bytes().startswith(b"%PDF")
    home = sorted(path.name for path in tmp_path.iterdir())
    assert home == ["out.csv", "out.gpkg", "out.pdf", "out_styles"]  # nothing left beside them
    styles = sorted(p.name for p in (tmp_path / "out_styles").iterdir())
    assert styles == ["asbuilt_joints.sld", "asbuilt_pulls.sld"]


def test_check_of_faulty_records_fails_and_says_why(
    plan: Path, joints: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = records_of(joints)
    table.loc[3, "cool_time_min"] = 0.5
    table.loc[5, "operator"] = "B. Other"
    table = pd.concat([table.drop(index=7), table.iloc[[9]]])
    path, qualified = tmp_path / "r.csv", tmp_path / "q.csv"
    table.rename(columns={"drag_bar": "P0"}).to_csv(path, index=False, sep=";", decimal=",")
    qualified.write_text(
        "kind,name,valid_from,valid_until\noperator,A. Quill,2024-01-01,2024-12-31\n"
        "machine,M-7,2024-01-01,2024-12-31\n",
        encoding="utf-8",
    )
    words = ["joints", "check", plan, path, "-o", tmp_path / "a.gpkg"]
    assert command(*words) == 2
    assert "no column drag_kpa or drag_psi or drag_bar" in capsys.readouterr().err
    words += ["--map", "drag_bar=P0", "--qualifications", qualified, "--json"]
    assert command(*words) == 1
    summary = json.loads(capsys.readouterr().out)
    assert summary["joints"] == {
        "pass": len(joints) - 4,
        "fail": 3,
        "missing": 1,
        "unknown": 0,
        "cut out": 0,
    }
    rules = {"cool-time": 1, "qualification": 1, "missing": 1, "double": 1}
    assert rules.items() <= summary["rules"].items()
    drawn = gpd.read_file(tmp_path / "a.gpkg", layer="asbuilt_joints").set_index("joint_id")
    name = joints["joint_id"].iloc[3]
    assert re.search(r"cool time 0\.5 min, due at least", drawn.loc[name, "reasons"])


def test_check_tells_one_machine_at_all_joints_at_once_and_a_day_to_come(
    plan: Path, joints: Any, tmp_path: Path
) -> None:
    table = records_of(joints).assign(made="2024-03-02 07:00")
    table.loc[2, "made"] = "9062-03-02 07:00"
    table.to_csv(tmp_path / "r.csv", index=False)
    done = geotools.joints_check(plan, tmp_path / "r.csv")
    assert done.failed
    assert done.summary["rules"]["machine-busy"] == len(joints) - 2
    assert done.summary["rules"]["future"] == 1
    assert "after the day of this check" in done.layers["asbuilt_joints"]["reasons"].iloc[2]


def test_marks_are_the_same_however_the_mains_are_drawn(joints: Any, tmp_path: Path) -> None:
    """Every other main the other way, and all in another order: the same pulls, planned anew."""
    for name in ("brief.toml", "dem.tif", "district.gpkg"):
        shutil.copy(SAMPLE / name, tmp_path / name)
    mains = gpd.read_file(tmp_path / "district.gpkg", layer="mains")
    turned = (np.arange(len(mains)) % 2 == 1) & mains.geometry.notna().to_numpy()
    mains.loc[turned, "geometry"] = shapely.reverse(mains.geometry.to_numpy()[turned])
    ends = ["invert_start_m", "invert_end_m"]
    mains.loc[turned, ends] = mains.loc[turned, ends[::-1]].to_numpy()
    mains.sample(frac=1, random_state=3).to_file(tmp_path / "district.gpkg", layer="mains")
    plan = tmp_path / "plan.gpkg"
    geotools.plan(tmp_path / "brief.toml", output=plan)
    again = geotools.joints_schedule(plan).layers["joints"]
    fields = ["joint_id", "pull_mark"]
    assert again[fields].to_numpy().tolist() == joints[fields].to_numpy().tolist()


def test_records_filled_into_the_schedule_bear_its_marks_and_the_schedule_speaks_for_others(
    plan: Path, joints: Any, records: Path, tmp_path: Path
) -> None:
    """Of the pulls asked for, one lies elsewhere in a plan made since; here its mark is another."""
    issued = tmp_path / "issued.csv"
    assert command("joints", "schedule", plan, "-o", issued, "--units", "us") == 0
    rows = rows_in(issued)
    assert [row["pull_mark"] for row in rows] == joints["pull_mark"].tolist()
    assert len({row["pull_mark"] for row in rows}) == joints["pull_id"].nunique()
    named = geotools.joints_check(plan, records)
    assert sum("by name alone" in note for note in named.summary["notes"]) == 1
    told = geotools.joints_check(plan, records, schedule=issued)
    assert not told.failed
    assert not [note for note in told.summary["notes"] if "by name alone" in note]
    pull = rows[0]["pull_id"]
    own = [row for row in rows if row["pull_id"] == pull]
    table = pd.DataFrame(rows)
    table.loc[table["pull_id"] == pull, "pull_mark"] = "QQQQQ"
    table.to_csv(issued, index=False)
    changed = geotools.joints_check(plan, records, schedule=issued)
    assert changed.failed
    assert changed.summary["joints"]["missing"] == changed.summary["rules"]["layout"] == len(own)
    marked = records_of(joints).assign(pull_mark=joints["pull_mark"])
    marked.to_csv(tmp_path / "marked.csv", index=False)
    assert not geotools.joints_check(plan, tmp_path / "marked.csv", schedule=issued).failed


def test_the_paper_says_which_pulls_were_asked_for(
    plan: Path, joints: Any, records: Path, tmp_path: Path
) -> None:
    run = joints["run_id"].iloc[0]
    path = tmp_path / "check.pdf"
    geotools.joints_check(plan, records, report=path, only=(run,))
    text = " ".join(pypdf.PdfReader(path).pages[0].extract_text().split())
    pulls = joints.loc[joints["run_id"] == run, "pull_id"].nunique()
    assert f"judged by ASTM F2620; {pulls} pull(s), asked for as {run}" in text


def test_check_of_one_run_leaves_the_others_aside(plan: Path, joints: Any, records: Path) -> None:
    run = joints["run_id"].iloc[-1]
    done = geotools.joints_check(plan, records, only=[run])
    assert not done.failed
    assert set(done.layers["asbuilt_joints"]["run_id"]) == {run}
    assert set(done.layers["asbuilt_pulls"]["run_id"]) == {run}


def test_runs_and_pulls_are_given_with_commas_or_one_by_one(
    plan: Path, joints: Any, records: Path
) -> None:
    names = list(dict.fromkeys(joints["run_id"]))[:2]
    assert len(names) == 2
    for only in ([", ".join(names)], names):
        scheduled = geotools.joints_schedule(plan, only=only).layers["joints"]
        assert set(scheduled["run_id"]) == set(names)
        checked = geotools.joints_check(plan, records, only=only).layers["asbuilt_joints"]
        assert set(checked["run_id"]) == set(names)


def test_what_cannot_be_taken_is_told_under_the_name_of_the_command(
    plan: Path, records: Path
) -> None:
    with pytest.raises(ToolError, match=r"^joints schedule: tail: 200 m is out of range"):
        geotools.joints_schedule(plan, tail="200 m")
    with pytest.raises(ToolError, match=r"^joints check: tail: 200 m is out of range"):
        geotools.joints_check(plan, records, tail="200 m")
    with pytest.raises(ToolError, match=r"^joints schedule: drag: give the piston area"):
        geotools.joints_schedule(plan, drag="2 bar")


def test_check_knows_pulls_as_made(plan: Path, records: Path, tmp_path: Path) -> None:
    pulls = gpd.read_file(plan, layer="pulls")
    made = pd.DataFrame(
        {
            "pull_id": pulls["pull_id"],
            "started": "2024-03-01 08:00",  # the day before the joints
            "ended": "2024-03-01 16:00",
            "length_m": pulls["length_m"].round(1),
            "force_kn": pulls["head_force_kn"] * 0.95,
        }
    )
    path = tmp_path / "pulls.csv"
    made.to_csv(path, index=False)
    done = geotools.joints_check(plan, records, pulls=path)
    assert done.failed
    assert set(done.summary["rules"]) == {"after-pull", "joints-of-pull"}
    table = done.layers["asbuilt_pulls"]
    np.testing.assert_allclose(table["found_force"], table["head_force"] * 0.95, rtol=1e-9)


def test_check_tells_a_force_too_much_for_the_bend_that_governs(
    plan: Path, records: Path, tmp_path: Path
) -> None:
    pulls = pyogrio.read_dataframe(plan, layer="pulls")
    worst = pulls["pull_id"][pulls["utilisation"].idxmax()]
    made = pd.DataFrame(
        {
            "pull_id": pulls["pull_id"],
            "started": "2024-03-09 08:00",
            "ended": "2024-03-09 16:00",
            "force_kn": pulls["head_force_kn"].where(pulls["pull_id"] != worst, 75.0),
        }
    )
    made.to_csv(tmp_path / "pulls.csv", index=False)
    done = geotools.joints_check(plan, records, pulls=tmp_path / "pulls.csv")
    assert done.summary["rules"]["pull-force"] == 1
    table = done.layers["asbuilt_pulls"].set_index("pull_id")
    assert table.loc[worst, "allowable"] > 75e3
    planned = pulls.set_index("pull_id").loc[worst]
    assert (
        f"force 75.0 kN where {planned['head_force_kn']:.1f} kN was planned; as much more in the "
        f"bend at {planned['governing_chainage_m']:.1f} m makes " in table.loc[worst, "reasons"]
    )


def test_schedule_tells_what_to_set_on_the_gauge(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["joints", "schedule", plan, "-o", tmp_path / "j.csv", "--only", "R0003"]
    assert command(*words, "--piston-area", "12 cm^2", "--drag", "3 bar") == 0
    told = capsys.readouterr().out
    row = rows_in(tmp_path / "j.csv")[0]
    outside, wall = (float(row[f"{name}_mm"]) / 1e3 for name in ("outside", "wall"))
    gauge = 517.1e3 * np.pi * (outside - wall) * wall / 12e-4 + 3e5
    assert float(row["gauge_kpa"]) * 1e3 == pytest.approx(gauge, rel=1e-3)
    assert f"gauge     {row['carrier']}: " in told
    assert "with drag 300 kPa; measure the drag at every joint" in told
    assert command(*words, "--overwrite", "--drag", "3 bar") == 2
    assert "give the piston area" in capsys.readouterr().err


def test_bad_calls_are_refused_before_any_work(plan: Path, records: Path, tmp_path: Path) -> None:
    with pytest.raises(ToolError, match=r"ending in \.csv or \.gpkg"):
        geotools.joints_schedule(plan, output=tmp_path / "joints.xlsx")
    with pytest.raises(ToolError, match="tail: 1000 m is out of range"):
        geotools.joints_schedule(plan, tail="1 km")
    with pytest.raises(ToolError, match="20000 cm2 is out of range"):
        geotools.joints_schedule(plan, piston_area="2 m^2")
    with pytest.raises(LayerError, match="is not a plan"):
        geotools.joints_schedule(SAMPLE / "district.gpkg")
    with pytest.raises(OutputError, match="is read by this call"):
        geotools.joints_check(plan, records, output=plan)
    taken = tmp_path / "taken.gpkg"
    taken.write_bytes(b"kept")
    with pytest.raises(OutputError, match="exists already"):
        geotools.joints_check(plan, records, output=taken)
    assert taken.read_bytes() == b"kept"
    taken.unlink()
    with pytest.raises(OutputError, match=r"ending in \.pdf"):
        geotools.joints_check(plan, records, report=tmp_path / "check.html")
    assert list(tmp_path.iterdir()) == []


def test_records_of_several_files_are_checked_as_those_of_one_and_each_is_given_once(
    plan: Path, records: Path, tmp_path: Path
) -> None:
    header, *lines = records.read_text(encoding="utf-8").splitlines(keepends=True)
    weeks = [tmp_path / "week1.csv", tmp_path / "week2.csv"]
    for path, part in zip(weeks, (lines[:200], lines[200:]), strict=True):
        path.write_text(header + "".join(part), encoding="utf-8")
    whole, parted = (geotools.joints_check(plan, of) for of in (records, weeks))
    assert parted.summary["joints"] == whole.summary["joints"]
    assert parted.summary["procedures"] == ["ASTM F2620"]
    assert parted.layers["asbuilt_joints"]["lines"].iloc[200] == "2 of week2.csv"
    assert command("joints", "check", plan, *weeks, weeks[0], "-o", tmp_path / "a.gpkg") == 2
