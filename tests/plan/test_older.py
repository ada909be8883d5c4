"""Plans of an earlier version: columns added since are empty and told of, the others are due."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

import geotools
from geotools.errors import LayerError, OlderPlanWarning
from geotools.schema import OUTPUTS


def without(path: Path, wanted: Callable[[Any], bool]) -> dict[str, list[str]]:
    """Take columns out of every layer of a file; return which, by layer."""
    gone: dict[str, list[str]] = {}
    with closing(sqlite3.connect(path)) as base, base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            base.execute(f'DROP TRIGGER "{name}"')
        for layer in OUTPUTS.values():
            has = {row[1] for row in base.execute(f'PRAGMA table_info("{layer.name}")')}
            for field in layer.fields:
                for column in has & set(field.spellings()) if wanted(field) else ():
                    base.execute(f'ALTER TABLE "{layer.name}" DROP COLUMN "{column}"')
                    words = (layer.name, column)
                    base.execute(
                        "DELETE FROM gpkg_data_columns WHERE table_name = ? AND column_name = ?",
                        words,
                    )
                    gone.setdefault(layer.name, []).append(field.name)
    return gone


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, list[str]]]:
    """Return a plan, the same without all columns that came later, and these."""
    folder = tmp_path_factory.mktemp("older")
    mains = gpd.GeoDataFrame(
        {"main_id": ["A"], "diameter_mm": 500.0, "cover_m": 1.5},
        geometry=[shapely.LineString([(5e5, 5e6), (5e5 + 400, 5e6)])], crs="EPSG:32633",
    )  # fmt: skip
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=120, height=40, count=1, dtype="float64",
        crs="EPSG:32633", transform=rasterio.Affine(5, 0, 5e5 - 100, 0, -5, 5e6 + 100),
    ) as raster:  # fmt: skip
        raster.write(np.full((40, 120), 100.0), 1)
        raster.units = ("m",)
    given = {
        "mains": mains,
        "dem": folder / "dem.tif",
        "settings": {"carrier.material": "PE4710", "carrier.tries": 1},
    }
    geotools.plan(**given, output=folder / "plan.gpkg")
    shutil.copy(folder / "plan.gpkg", folder / "older.gpkg")
    return (
        folder / "plan.gpkg",
        folder / "older.gpkg",
        without(folder / "older.gpkg", lambda field: field.later),
    )


def used(tool: str, plan: Path, other: Path, folder: Path) -> Any:
    """Call a tool on a plan."""
    calls: dict[str, Callable[[], Any]] = {
        "verify": lambda: geotools.verify(plan),
        "report": lambda: geotools.report(plan, output=folder / "a.html"),
        "sheets": lambda: geotools.sheets(plan, output=folder / "a.pdf"),
        "drawing": lambda: geotools.drawing(plan, output=folder / "a.dxf"),
        "compare": lambda: geotools.compare([plan, other]),
        "joints": lambda: geotools.joints_schedule(plan),
    }
    return calls[tool]()


@pytest.mark.parametrize("tool", ["verify", "report", "sheets", "drawing", "compare", "joints"])
@pytest.mark.filterwarnings("always::geotools.errors.OlderPlanWarning")
def test_every_tool_takes_a_plan_without_the_columns_that_came_later(
    tool: str,
    pair: tuple[Path, Path, dict[str, list[str]]],
    tmp_path: Path,
    recwarn: pytest.WarningsRecorder,
) -> None:
    plan, older, gone = pair
    assert {"sections", "shutdowns", "pulls", "pits"} <= set(gone)
    done = used(tool, older, plan, tmp_path)
    told = [str(each.message) for each in recwarn if each.category is OlderPlanWarning]
    assert done.failed is False
    assert len(told) == len({text.split("layer ")[1].split()[0] for text in told})  # once a layer
    if tool in ("verify", "sheets", "report"):
        (pulls,) = [text for text in told if "layer pulls " in text]
        assert all(name in pulls for name in gone["pulls"])


@pytest.mark.parametrize("tool", ["sheets", "drawing", "compare", "joints", "verify"])
def test_a_column_that_is_needed_is_missed(
    tool: str, pair: tuple[Path, Path, dict[str, list[str]]], tmp_path: Path
) -> None:
    plan, _, _ = pair
    broken = tmp_path / "broken.gpkg"
    shutil.copy(plan, broken)
    with closing(sqlite3.connect(broken)) as base, base:
        if tool == "verify":  # it goes on, and fails
            base.execute("ALTER TABLE runs DROP COLUMN cost")
        else:
            for table in ("pulls", "runs"):
                base.execute(f"ALTER TABLE {table} DROP COLUMN length_m")
    if tool == "verify":
        assert "there is no field cost" in geotools.verify(broken).text
        return
    with pytest.raises(LayerError, match="has no field length_m; write it again"):
        used(tool, broken, plan, tmp_path)


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE settings SET value = '0.0.9 (ab)' WHERE name = 'program'", "(0.0.9 (ab); this is"),
        ("DELETE FROM settings WHERE name = 'program'", "(too old to say which; this is"),
    ],
)
def test_faults_of_a_plan_of_another_program_are_told_to_come_from_that_perhaps(
    pair: tuple[Path, Path, dict[str, list[str]]], tmp_path: Path, sql: str, told: str
) -> None:
    plan = tmp_path / "plan.gpkg"
    shutil.copy(pair[0], plan)
    with closing(sqlite3.connect(plan)) as base, base:
        base.execute(sql)
    sound = geotools.verify(plan, rules="settings")
    assert (sound.failed, sound.summary["other_program"]) == (False, ["plan.gpkg"])
    assert "another version" not in sound.text
    own = tmp_path / "own.gpkg"  # by this program: its faults are faults
    shutil.copy(pair[0], own)
    for file, other in ((plan, True), (own, False)):
        with closing(sqlite3.connect(file)) as base, base:
            base.execute("UPDATE settings SET text = 'else' WHERE name = 'pulls.max_length'")
        failed = geotools.verify(file, rules="settings")
        first = failed.text.splitlines()[0]
        assert failed.failed
        assert first.startswith(f"{file.name}: made by another version") == other
        assert (told in first) == other


@pytest.mark.filterwarnings("always::geotools.errors.OlderPlanWarning")
def test_a_ranking_of_an_earlier_version_is_reported(sample: Path, tmp_path: Path) -> None:
    target = tmp_path / "screen.gpkg"
    geotools.screen(sample / "brief.toml", output=target)
    gone = without(target, lambda field: field.later)
    assert {"ranking": "rank_if_needed", "marks": "known"}.items() <= {
        name: next(f for f in fields if f in ("rank_if_needed", "known"))
        for name, fields in gone.items()
        if name in ("ranking", "marks")
    }.items()
    done = geotools.report(target, output=tmp_path / "a.html")
    assert "runs ranked" in done.text
