"""Files changed at random are read or refused: a few examples, and those that once broke."""

from __future__ import annotations

import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from corpus import sound, with_shapes, write
from fuzz import DAMAGE, TARGETS, TOOLS, check_tools, cli, drop_triggers, edited, edits, small_plan

from geotools.brief import Brief, load_brief
from geotools.deliver.joints.records import read_toml
from geotools.deliver.read_plan import read_raw
from geotools.errors import BriefError, LayerError
from geotools.intake.read import read_layers


def spoiled(folder: Path, statement: str) -> Path:
    """Return the small plan with a statement of SQL run on it."""
    path = folder / "plan.gpkg"
    path.write_bytes(small_plan().read_bytes())
    with closing(sqlite3.connect(path)) as file:
        drop_triggers(file)
        file.execute(statement)
        file.commit()
    return path


EXAMPLES = {"brief": 30, "records": 10, "layers": 8, "plan": 3}


@pytest.mark.parametrize("name", TARGETS)
def test_a_changed_file_is_read_or_refused(name: str) -> None:
    target = TARGETS[name]
    whole = target.sound()
    target.check(whole)

    @settings(max_examples=EXAMPLES[name], suppress_health_check=list(HealthCheck))
    @given(edits())
    def change(changes: Any) -> None:
        target.check(edited(whole, changes, same_length=target.binary))

    change()
    assert target.outcomes["read"] > 0


@settings(max_examples=6, suppress_health_check=list(HealthCheck))
@given(st.lists(DAMAGE, min_size=1, max_size=2), st.sampled_from(["verify", "report", "joints"]))
def test_tools_say_what_is_wrong_with_a_spoiled_plan(damages: Any, tool: str) -> None:
    check_tools(damages, [tool])


@pytest.mark.parametrize("tool", TOOLS)
def test_a_run_without_a_geometry_is_told_by_every_tool(tool: str) -> None:
    (came,) = check_tools([("geometry", "runs", 0, 0, None)], [tool])
    assert came == f"{tool} 2"


# the header of a GeoPackage's geometry, then a collection of none, and points
_HEAD = "47500001797f0000"
_NONE = "47500011797f0000" + "010700000000000000"
_NAN = _HEAD + "0101000000" + "000000000000f87f" * 2
_FAR = _HEAD + "0101000000" + "9c7500883ce4377e" * 2  # 1e300


def test_what_lies_nowhere_is_refused_in_every_layer(tmp_path: Path) -> None:
    """Nothing, an empty shape and a point of no number are no place; 1e300 is not on earth."""
    path = spoiled(tmp_path, "PRAGMA synchronous = OFF")
    with closing(sqlite3.connect(path)) as file:
        drop_triggers(file)
        layers = [r[0] for r in file.execute("SELECT table_name FROM gpkg_geometry_columns")]
        for layer in sorted(set(layers) - {"findings", "context", "shutdowns"}):
            at = f'"{layer}" SET geom = ? WHERE rowid = (SELECT min(rowid) FROM "{layer}")'  # noqa: S608
            kept = file.execute(f'SELECT geom FROM "{layer}" ORDER BY rowid').fetchone()  # noqa: S608
            if kept is None:
                continue
            for shape in (None, _NONE, _NAN, _FAR):
                file.execute(f"UPDATE {at}", (shape and bytes.fromhex(shape),))
                file.commit()
                with pytest.raises(LayerError, match=f"layer {layer}: feature 1 "):
                    read_raw(path, layer, geometry=True)
            file.execute(f"UPDATE {at}", kept)
            file.commit()
            read_raw(path, layer, geometry=True)


@pytest.mark.parametrize("tool", TOOLS)
def test_an_infinite_length_is_refused_by_every_tool(tool: str, tmp_path: Path) -> None:
    path = spoiled(tmp_path, "UPDATE pulls SET length_m = 9e999 WHERE rowid = 1")
    code, said = cli(*(w.format(plan=path, out=tmp_path / "out") for w in TOOLS[tool]))
    assert code == 2
    assert "layer pulls, field length_m: feature 1 is infinite" in said


@pytest.mark.parametrize("table", ["pulls", "pits", "sections", "stations", "strings", "forces"])
def test_rows_of_a_run_that_is_not_there_fail_verify(table: str, tmp_path: Path) -> None:
    path = spoiled(tmp_path, f"UPDATE {table} SET run_id = 'R9' WHERE rowid = 1")  # noqa: S608
    code, said = cli("verify", path)
    assert code == 1
    assert "R9" in said


@pytest.mark.parametrize("tool", TOOLS)
def test_a_damaged_geometry_is_told_by_every_tool(tool: str, tmp_path: Path) -> None:
    # the header of a GeoPackage's geometry, then a line of 1,000 points with none of them
    shape = "47500003797f0000" + "00" * 32 + "0102000000e8030000"
    path = spoiled(tmp_path, f"UPDATE runs SET geom = x'{shape}'")  # noqa: S608
    code, said = cli(*(w.format(plan=path, out=tmp_path / "out") for w in TOOLS[tool]))
    assert code == 2
    assert "plan.gpkg: layer runs" in said


def test_a_plan_without_its_working_crs_cannot_be_verified(tmp_path: Path) -> None:
    path = spoiled(tmp_path, "DELETE FROM settings WHERE name LIKE '%working_crs'")
    code, said = cli("verify", path)
    assert code == 2
    assert "no network.working_crs" in said


def test_an_optimum_that_lacks_its_setting_is_told_as_not_checked(tmp_path: Path) -> None:
    path = spoiled(tmp_path, "DELETE FROM settings WHERE name = 'objective.per_pit'")
    code, said = cli("verify", path, "--optimum", "R0001")
    assert code == 1
    assert "optimum of R0001: not checked: settings: no objective.per_pit" in said


@pytest.mark.parametrize("tool", TOOLS)
def test_text_of_another_encoding_is_refused_by_every_tool(tool: str, tmp_path: Path) -> None:
    # an A umlaut in Latin-1
    path = spoiled(tmp_path, "UPDATE runs SET run_id = CAST(x'c441' AS TEXT)")
    code, said = cli(*(w.format(plan=path, out=tmp_path / "out") for w in TOOLS[tool]))
    assert code == 2
    assert "layer runs, field run_id: holds text that is not UTF-8" in said


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("x = " + "9" * 5000, "is not valid TOML"),
        ("x = " + "[" * 3000, "nested too deeply"),
        ("[pulls]\nfriction = 0x" + "f" * 4000, "a number of more than 64 bits"),
    ],
    ids=["digits", "depth", "bits"],
)
def test_a_brief_beyond_what_can_be_parsed_is_refused(text: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "brief.toml"
    path.write_text(text)
    with pytest.raises(BriefError, match=told):
        load_brief(path)


@pytest.mark.parametrize(
    "text", ["x = " + "9" * 5000, "x = " + "[" * 3000], ids=["digits", "depth"]
)
def test_a_map_of_columns_beyond_what_can_be_parsed_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text(text)
    with pytest.raises(LayerError, match="is not valid TOML"):
        read_toml(path)


@pytest.mark.parametrize("rows", [(0,), (1,), (2,), (0, 1), (1, 2)])
def test_features_without_geometry_do_not_spoil_a_flatgeobuf(
    rows: tuple[int, ...], tmp_path: Path
) -> None:
    path = tmp_path / "net.fgb"
    whole: gpd.GeoDataFrame = sound("mains")
    write(with_shapes(whole, lambda shape: None, *rows), path, "mains")
    entry = {"source": str(path), "fields": {"diameter_mm": "dia"}}
    layers = read_layers(Brief.model_validate({"inputs": {"mains": entry}}))
    left = [k for k in range(3) if k not in rows]
    assert list(layers.mains.table["main_id"]) == [f"M{k + 1}" for k in left]
    starts = layers.mains.xy[layers.mains.offsets[:-1]]
    assert starts == pytest.approx(np.array([[500_000.0 + 200 * k, 4_800_000.0] for k in left]))
    found = layers.findings.table()
    assert sorted(found.loc[found["rule"] == "no-geometry", "feature"]) == [
        f"M{k + 1}" for k in sorted(rows)
    ]
