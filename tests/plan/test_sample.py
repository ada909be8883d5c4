"""The sample district planned end to end: rules of the layout, units, ways to call, files."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.schema import DIMENSIONS, OUTPUTS
from geotools.tool import Outcome

Run = Callable[..., Any]
SLIPMAIN = [sys.executable, "-P", "-m", "geotools"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(geotools.__file__).parents[1])}
OLD = b"the plan of last week"


def command(*arguments: str | Path, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run a command in a process of its own."""
    return subprocess.run(
        [*SLIPMAIN, *map(str, arguments)],
        capture_output=True, text=True, check=False, timeout=120, env=ENVIRONMENT, **options,
    )  # fmt: skip


def layer(sample: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(sample / "district.gpkg", layer=name)


@pytest.fixture(scope="module")
def plain_plan(sample: Path, tmp_path_factory: pytest.TempPathFactory, read_plan: Run) -> Any:
    """The district planned from layers on the command line, with no brief."""
    target = tmp_path_factory.mktemp("plain") / "plan.gpkg"
    district = sample / "district.gpkg"
    done = command(
        "plan", "--mains", f"{district}:mains", "--streets", f"{district}:streets",
        "--dem", sample / "dem.tif", "-o", target, "--quiet",
    )  # fmt: skip
    assert done.returncode == 0
    return read_plan(target)


@pytest.fixture(scope="module")
def us_plan(
    sample: Path, tmp_path_factory: pytest.TempPathFactory, command: Run, read_plan: Run
) -> Any:
    """The sample district planned as its brief says, told in US units."""
    target = tmp_path_factory.mktemp("us") / "plan.gpkg"
    assert command("plan", sample / "brief.toml", "--units", "us", "-o", target) == 0
    return read_plan(target)


@pytest.fixture(scope="module")
def planned_again(
    sample: Path, tmp_path_factory: pytest.TempPathFactory, command: Run
) -> tuple[Any, Path]:
    """What the command says of the sample planned over an old file, and that file."""
    target = tmp_path_factory.mktemp("again") / "plan.gpkg"
    target.write_bytes(OLD)
    words = ["--overwrite", "--json", "--quiet"]
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert command("plan", sample / "brief.toml", "-o", target, *words) == 0
    return json.loads(out.getvalue()), target


@pytest.mark.parametrize("name", ["sample_plan", "plain_plan"])
def test_rule_of_the_layout(
    rule: Callable[[Any], None], name: str, request: pytest.FixtureRequest
) -> None:
    rule(request.getfixturevalue(name))


def test_every_run_of_the_sample_has_a_plan(sample_plan: Any) -> None:
    assert set(sample_plan.runs["status"]) == {"planned"}


def test_every_metre_of_large_main_in_service_is_in_one_run(sample_plan: Any, sample: Path) -> None:
    mains = layer(sample, "mains")
    large = mains[(mains["diameter_mm"] >= 300) & (mains["status"] != "abandoned")]
    large = large[large.geometry.notna() & (large.length > 0)]
    large = large[~large["main_id"].isin(["WM9001"])]  # the same main once more
    told = [name for ids in sample_plan.runs["main_ids"] for name in ids.split(",")]
    assert len(told) == len(set(told))
    assert set(told) == set(large["main_id"])
    # joints gape by up to 8 cm, seven of them, and are closed
    drawn = large.drop_duplicates("main_id").length.sum()
    assert sample_plan.runs["length_m"].sum() == pytest.approx(drawn, abs=0.6)


@pytest.mark.parametrize("name", ["fittings", "hydrants", "streets", "avoid"])
def test_the_context_is_what_lies_near_the_runs(sample_plan: Any, sample: Path, name: str) -> None:
    whole = layer(sample, name)
    near = whole.distance(sample_plan.runs.union_all()) <= sample_plan.setting("output.context")
    told = sample_plan.context[sample_plan.context["layer"] == name]
    assert 0 < len(told) < len(whole)
    assert len(told) == near.sum()
    gap = told.union_all().hausdorff_distance(whole[near].union_all())
    assert gap < 0.5  # heads of lines that nearly meet are snapped, no more


def test_no_context_is_written_where_none_is_asked_for(
    slipmain: Run, sample: Path, tmp_path: Path
) -> None:
    path = tmp_path / "plan.gpkg"
    words = ["--only", "R0003", "--set", "output.context=0 m"]
    done = slipmain("plan", sample / "brief.toml", "-o", path, *words)
    assert done.code == 0, done.err
    assert len(gpd.read_file(path, layer="context")) == 0


def test_no_pit_in_a_place_to_avoid(sample_plan: Any, sample: Path) -> None:
    avoid = layer(sample, "avoid")
    hard = avoid[avoid["hard"].astype(bool)]
    assert len(hard) > 100
    keep_off = hard.geometry.buffer(hard["buffer_m"].fillna(0.0))
    hits = shapely.STRtree(keep_off.to_numpy()).query(
        sample_plan.pit_footprints.geometry.to_numpy(), predicate="intersects"
    )
    touched = shapely.area(
        shapely.intersection(
            sample_plan.pit_footprints.geometry.to_numpy()[hits[0]], keep_off.to_numpy()[hits[1]]
        )
    )
    assert (touched < 1e-6).all()


def test_pits_keep_clear_of_intersections_unless_they_cannot(
    sample_plan: Any, sample: Path, intersections: Run
) -> None:
    clear = sample_plan.setting("pits.clear_of_intersection")
    tolerance = sample_plan.setting("network.snap_tolerance")
    middles = shapely.points(intersections(layer(sample, "streets"), tolerance=tolerance))
    assert len(middles) > 100
    ground = sample_plan.pit_footprints.geometry.to_numpy()
    gap = shapely.distance(ground[:, None], middles[None, :]).min(axis=1)
    near = sample_plan.opened[gap < clear - 1e-6]
    assert 0 < len(near) < len(ground) / 2
    assert set(near["role"]) == {"receiving"}
    lengths = near["run_id"].map(sample_plan.runs.set_index("run_id")["length_m"])
    at_end = (near["start"] < 1e-6) | (near["end"] > lengths - 1e-6)
    sharp = sample_plan.bends[~sample_plan.bends["passes"].astype(bool)]
    at_bend = [
        bool(((sharp["run_id"] == p.run_id) & (sharp["chainage_m"].between(p.start, p.end))).any())
        for p in near.itertuples()
    ]
    assert (at_end | np.array(at_bend)).all()


def test_without_leave_no_pit_lies_near_an_intersection(
    slipmain: Run, read_plan: Run, sample: Path, tmp_path: Path, intersections: Run
) -> None:
    target = tmp_path / "plan.gpkg"
    setting = "pits.receive_in_intersection=false"
    done = slipmain("plan", sample / "brief.toml", "--set", setting, "-o", target)
    assert done.code == 0
    plan = read_plan(target)
    middles = shapely.points(intersections(layer(sample, "streets"), tolerance=0.3))
    ground = plan.pit_footprints.geometry.to_numpy()
    gap = shapely.distance(ground[:, None], middles[None, :]).min(axis=1, initial=np.inf)
    assert (gap > 10.0 - 1e-6).all()
    # runs that end in an intersection have no plan then, and say so
    assert 0 < len(plan.planned) < len(plan.runs)
    blocked = plan.runs[plan.runs["status"] == "no_plan"]
    assert blocked["reason"].str.contains("intersection").all()


def test_the_designers_edits_are_kept(sample_plan: Any, sample: Path) -> None:
    edits = layer(sample, "pit_edits")
    assert set(edits["action"]) == {"fix", "forbid"}
    pits = sample_plan.pits.geometry
    reach = sample_plan.setting("pits.edit_reach")
    for edit in edits.itertuples():
        gap = pits.distance(edit.geometry)
        if edit.action == "forbid":
            # no pit is centred on the stretch; the main lies within the reach of its point
            assert (gap > sample_plan.setting("pits.forbid_reach") - reach).all()
            continue
        assert gap.min() < reach
        if isinstance(edit.role, str) and edit.role:
            assert sample_plan.pits["role"].iloc[int(gap.argmin())] == edit.role


def test_an_edit_that_cannot_be_kept_is_refused_with_its_place(
    slipmain: Run, read_plan: Run, sample_plan: Any, sample: Path, tmp_path: Path
) -> None:
    # a pit is forbidden at a bend that has to lie in one
    bend = sample_plan.bends[~sample_plan.bends["passes"].astype(bool)].iloc[0]
    edits = sample_plan.bends.loc[[bend.name], ["geometry"]].assign(action="forbid")
    edits.to_file(tmp_path / "edits.gpkg", layer="pit_edits", driver="GPKG")
    target = tmp_path / "plan.gpkg"
    source = f"{tmp_path}/edits.gpkg:pit_edits"
    words = ["--pit-edits", source, "--only", bend["run_id"]]
    done = slipmain("plan", sample / "brief.toml", *words, "-o", target)
    assert done.code == 0
    plan = read_plan(target)
    (told,) = plan.findings[plan.findings["layer"] == "pit_edits"].itertuples()
    assert (told.severity, told.rule) == ("warning", "edit-refused")
    assert bend["run_id"] in told.text
    assert f"{bend['chainage_m']:.1f} m" in told.text
    assert told.geometry.distance(bend.geometry) < 1e-3
    assert set(plan.runs["status"]) == {"planned"}


def without_lengths(text: Any) -> Any:
    """Return a text with every number that has a unit of length left out."""
    if not isinstance(text, str):
        return None
    return re.sub(r"[-+]?\d[\d,]*(\.\d+)? ?(mm|m²|m|ft²|ft|in|kPa|psi|L/s|gpm|kN|lbf)\b", "#", text)


def test_us_units_are_the_same_plan(us_plan: Any, sample_plan: Any) -> None:
    for name, declared in OUTPUTS.items():
        if name in ("settings", "inputs", "quantities") or name not in sample_plan.layers:
            continue
        us, si = us_plan.layers[name], sample_plan.layers[name]
        assert len(us) == len(si)
        for field in declared.fields:
            there, here = us[field.column("us")], si[field.column("si")]
            if field.dtype == "text":
                assert list(map(without_lengths, there)) == list(map(without_lengths, here))
                continue
            if field.dimension is None or field.dtype != "real":
                assert there.equals(here), f"{name}.{field.name}"
                continue
            units = DIMENSIONS[field.dimension].units
            factor = units[field.column("us").rpartition("_")[2]]
            factor /= units[field.column("si").rpartition("_")[2]]
            assert there.to_numpy(dtype=float) * factor == pytest.approx(
                here.to_numpy(dtype=float), rel=1e-12, abs=1e-12, nan_ok=True
            ), f"{name}.{field.name}"
        if not declared.geometry:
            continue
        drawn = us.geometry.notna().to_numpy()
        assert (drawn == si.geometry.notna().to_numpy()).all()
        flat, same = (shapely.force_2d(f.geometry.to_numpy()[drawn]) for f in (us, si))
        assert shapely.equals_exact(flat, same, 1e-9).all()
        if name == "pulls":
            ours, theirs = (
                shapely.get_coordinates(frame.geometry.to_numpy(), include_z=True)[:, 2]
                for frame in (us, si)
            )
            # Z goes by the CRS, which is in metres, and not by the units of the fields
            assert ours == pytest.approx(theirs, rel=1e-9, nan_ok=True)
            assert set(us["z_unit"]) == set(si["z_unit"]) == {"metre"}


def test_us_quantities_are_the_same_amounts(us_plan: Any, sample_plan: Any) -> None:
    us, si = us_plan.quantities, sample_plan.quantities
    factor = us["unit"].map({"ft": 0.3048, "ft2": 0.3048**2, "yd3": 0.9144**3}).fillna(1.0)
    assert set(us["unit"]) & {"ft", "ft2", "yd3"}
    assert not set(us["unit"]) & {"m", "m2", "m3"}
    assert (us["quantity"] * factor).to_numpy() == pytest.approx(si["quantity"].to_numpy())
    assert (us["rate"] / factor).to_numpy() == pytest.approx(si["rate"].to_numpy(), nan_ok=True)
    assert us["cost"].to_numpy() == pytest.approx(si["cost"].to_numpy(), nan_ok=True)


def test_without_a_brief_every_setting_is_the_default(plain_plan: Any) -> None:
    assert set(plain_plan.settings["origin"]) == {"default", "always"}
    assert plain_plan.setting("pulls.max_length") == 550.0
    assert len(plain_plan.planned) >= 6
    assert set(plain_plan.inputs["layer"]) == {"mains", "streets", "dem"}


def test_json_summary_tells_what_is_in_the_file(
    planned_again: tuple[Any, Path], sample_plan: Any
) -> None:
    told, target = planned_again
    assert told["pits"] == len(sample_plan.pits)
    assert told["pulls"] == len(sample_plan.pulls)
    assert told["runs"] == {"planned": 8, "no_plan": 0, "not_suitable": 0}
    assert told["planned_length_m"] == pytest.approx(sample_plan.planned["length_m"].sum())
    assert told["longest_pull_m"] == pytest.approx(sample_plan.pulls["length_m"].max())
    assert told["cost"] == pytest.approx(sample_plan.runs["cost"].sum())
    assert sum(told["findings"].values()) == len(sample_plan.findings)
    assert told["output"] == str(target)


def test_the_same_input_gives_the_same_plan(
    planned_again: tuple[Any, Path], sample_done: Outcome
) -> None:
    assert planned_again[0]["content_hash"] == sample_done.summary["content_hash"]


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["plan", "no_such.toml", "-o", "plan.gpkg"], "no_such.toml"),
        (["plan", "{brief}"], "--output"),
        (["plan", "{brief}", "-o", "plan.shp"], ".gpkg"),
        (["plan", "{brief}", "-o", "no_such_folder/plan.gpkg"], "no_such_folder"),
        (["plan", "{brief}", "-o", "plan.gpkg", "--set", "pulls.max_lenth=400 m"], "max_length"),
        (["plan", "{brief}", "-o", "plan.gpkg", "--set", "pulls.max_length=400"], "unit"),
        (["plan", "{brief}", "-o", "plan.gpkg", "--mians", "x"], "--mains"),
        (["plan", "-o", "plan.gpkg"], "mains"),
    ],
)
def test_a_call_that_cannot_be_is_refused_by_name(
    arguments: list[str], named: str, slipmain: Run, sample: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    done = slipmain(*(word.format(brief=sample / "brief.toml") for word in arguments))
    assert done.code == 2
    assert named in done.err
    assert "Traceback" not in done.err
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_kept_without_overwrite(
    slipmain: Run, sample: Path, tmp_path: Path
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_bytes(OLD)
    done = slipmain("plan", sample / "brief.toml", "-o", target)
    assert done.code == 2
    assert "--overwrite" in done.err
    assert target.read_bytes() == OLD
    assert list(tmp_path.iterdir()) == [target]


def test_overwrite_replaces_the_file_and_leaves_nothing_beside_it(
    planned_again: tuple[Any, Path], read_plan: Run
) -> None:
    _, target = planned_again
    assert len(read_plan(target).pits) > 0
    assert sorted(p.name for p in target.parent.iterdir()) == ["plan.gpkg", "plan_styles"]


# The writer stops after the first layer, or when all is written and nothing is moved.
HELD = """
import sys
from geotools.cli import main
from geotools.deliver import geopackage

name, *words = sys.argv[1:]
write = getattr(geopackage, name)

def held(*args, **options):
    write(*args, **options)
    print("held", flush=True)
    sys.stdin.read()

setattr(geopackage, name, held)
main(words)
"""


@pytest.mark.parametrize("step", ["_write_layer", "sync"])
def test_a_run_killed_while_writing_leaves_the_old_file(
    step: str, sample: Path, tmp_path: Path
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_bytes(OLD)
    words = ["plan", str(sample / "brief.toml"), "--only", "R0003", "-o", str(target)]
    words += ["--overwrite", "--quiet"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    command = [sys.executable, "-P", "-c", HELD, step, *words]
    with subprocess.Popen(command, env=ENVIRONMENT, **pipes) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        half = [file for file in tmp_path.iterdir() if file != target and file.stat().st_size]
        process.kill()
    assert process.returncode != 0
    assert half
    assert target.read_bytes() == OLD


def test_a_full_disk_leaves_the_old_file_and_says_so(sample: Path, tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    target = tmp_path / "plan.gpkg"
    target.write_bytes(OLD)

    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))

    words = ["--only", "R0003", "-o", target, "--overwrite"]
    done = command("plan", sample / "brief.toml", *words, preexec_fn=small_files)
    assert done.returncode == 2
    assert str(target) in done.stderr
    assert "Traceback" not in done.stderr
    assert target.read_bytes() == OLD
    assert list(tmp_path.iterdir()) == [target]
