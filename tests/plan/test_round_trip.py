"""The designer's round trip as the README writes it: plan, move pits, plan again, hand over."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pypdf
import pytest

from geotools.schema import OUTPUTS
from geotools.units import parse_quantity

README = Path(__file__).resolve().parents[2] / "README.md"


def told() -> tuple[list[str], str]:
    """Return the commands of the section, and its piece of Python."""
    section = README.read_text().partition("\n## Moving pits")[2].partition("\n## ")[0]
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", section, re.DOTALL | re.MULTILINE)
    commands = [line for kind, text in fenced if not kind for line in text.splitlines()]
    (python,) = [text for kind, text in fenced if kind == "python"]
    return commands, python


@pytest.fixture(scope="module")
def folder(
    sample_plan: Any,
    sample: Path,
    command: Callable[..., int],
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    """A folder in which the section was followed; its first plan is the one of all tests."""
    folder = tmp_path_factory.mktemp("round_trip")
    shutil.copytree(sample, folder / "sample_gis")
    shutil.copy(sample_plan.path, folder / "plan.gpkg")
    commands, python = told()
    assert len(commands) == 4
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        exec(compile(python, "README.md", "exec"), {})  # noqa: S102 - the README's own words
        for line in commands:
            assert command(*shlex.split(line)[1:]) == 0, line
    return folder


def moved(folder: Path) -> pd.DataFrame:
    """Return the pits given back that lie elsewhere than planned."""
    before = gpd.read_file(folder / "plan.gpkg", layer="pits")
    after = gpd.read_file(folder / "moved.gpkg", layer="pits")
    return after[before.distance(after) > 1.0]


def test_two_pits_are_moved_and_the_plan_follows_or_says_why_not(folder: Path) -> None:
    edits = moved(folder)
    assert len(edits) == 2
    again = gpd.read_file(folder / "again.gpkg", layer="pits")
    findings = gpd.read_file(folder / "again.gpkg", layer="findings")
    verdicts = findings[findings["layer"] == "pit_edits"]
    honoured = 0
    for edit in edits.itertuples():
        (verdict,) = verdicts[verdicts.distance(edit.geometry) < 0.5]["text"]
        there = again.distance(edit.geometry).min() < 0.02
        assert there == verdict.endswith(": honoured")
        honoured += there
    assert honoured >= 1


def test_pits_that_were_not_moved_stay(folder: Path) -> None:
    after = gpd.read_file(folder / "moved.gpkg", layer="pits")
    again = gpd.read_file(folder / "again.gpkg", layer="pits")
    touched = set(moved(folder)["run_id"])
    assert touched
    rest = [frame[~frame["run_id"].isin(touched)] for frame in (after, again)]
    assert list(rest[0]["pit_id"]) == list(rest[1]["pit_id"])
    assert rest[0]["chainage_m"].to_numpy() == pytest.approx(rest[1]["chainage_m"].to_numpy())


def test_the_drawing_shows_the_pits_of_the_new_plan_in_their_places(folder: Path) -> None:
    doc = ezdxf.readfile(folder / "again.dxf")
    audit = doc.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    pits = gpd.read_file(folder / "again.gpkg", layer="pits").set_index("pit_id").geometry
    drawn = {
        block.get_attrib_text("PIT_ID"): tuple(block.dxf.insert)[:2]
        for block in doc.modelspace().query("INSERT[layer=='LIN-PIT']")
        if block.get_attrib_text("PIT_ID")
    }
    assert drawn == {name: (point.x, point.y) for name, point in pits.items()}
    pulls = gpd.read_file(folder / "again.gpkg", layer="pulls")
    lines = doc.modelspace().query("POLYLINE[layer=='LIN-PULL']")
    ends = {tuple(np.round(line.vertices[0].dxf.location, 6)) for line in lines}
    known = pulls[pulls["z_source"] != "none"]  # one without any level is drawn flat
    assert len(known)
    assert ends >= {tuple(np.round(line.coords[0], 6)) for line in known.geometry}


def test_the_joint_schedule_is_that_of_the_new_plan(folder: Path) -> None:
    """A joint between any two pieces of the pull and of the tails its section is to leave."""
    joints = pd.read_csv(folder / "again.csv").groupby("pull_id").size()
    pulls = gpd.read_file(folder / "again.gpkg", layer="pulls").set_index("pull_id")
    leave = gpd.read_file(folder / "again.gpkg", layer="sections").set_index("pull_id")["leave_m"]
    settings = gpd.read_file(folder / "again.gpkg", layer="settings").set_index("name")["value"]
    piece = parse_quantity(settings["pulls.piece_length"], "length")
    pieces = np.ceil((pulls["length_m"] + leave) / piece - 1e-9)
    assert joints.to_dict() == (pieces - 1).astype(int).to_dict()
    assert (joints - pulls["joints"]).between(0, 1).all()


def test_the_sheets_are_those_of_the_new_plan(folder: Path) -> None:
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(folder / "again.pdf").pages)
    runs = gpd.read_file(folder / "again.gpkg", layer="runs")["run_id"]
    assert all(f"Run {name}" in text for name in runs)


def test_styles_lie_beside_the_plan_and_speak_of_its_fields(folder: Path) -> None:
    present = {name for name, kind in pyogrio.list_layers(folder / "again.gpkg") if kind}
    styles = {path.stem: path for path in (folder / "again_styles").iterdir()}
    assert set(styles) == present & set(OUTPUTS)
    for name, path in styles.items():
        fields = set(pyogrio.read_info(folder / "again.gpkg", layer=name)["fields"])
        used = set(re.findall(r"<ogc:PropertyName>(.*?)<", path.read_text()))
        assert used <= fields, name
