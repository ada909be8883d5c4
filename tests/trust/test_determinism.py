"""The same input gives the same layers: threads, locales, time zones and hash seeds change nothing.

Each plan is made by a process of its own, told apart by its surroundings alone. Threads are given
work from the second feature on, where the program waits for thousands.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

ROOT = Path(__file__).resolve().parents[2]
PLAN = """
import sys
from geotools import accel
accel.ROWS_A_THREAD = 1
from geotools.cli import main
main(sys.argv[1:])
"""
HOME = {"TZ": "UTC", "LC_ALL": "C.UTF-8", "OMP_NUM_THREADS": "1", "PYTHONHASHSEED": "1"}
ASCII = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}  # text is ASCII by default


@pytest.fixture(scope="module")
def district(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two mains that bend, streets along and across them, and trees; names in UTF-8."""
    path = tmp_path_factory.mktemp("data") / "net.gpkg"
    x, y = 500_000.0, 4_800_000.0
    ways = [[(0, 0), (240, 0), (520, 31)], [(0, 300), (200, 300), (450, 270), (700, 270)]]
    mains = [shapely.LineString([(x + a, y + b) for a, b in way]) for way in ways]
    across = shapely.LineString([(x + 330, y - 60), (x + 330, y + 380)])
    streets = [shapely.offset_curve(main, 4.0) for main in mains]
    layers = {
        "mains": ({"main_id": ["Österweg 1", "Čapek 2"], "diameter_mm": 610.0}, mains),
        "streets": ({"name": ["Längs", "Ørsted", "Quer"], "width_m": 12.5}, [*streets, across]),
        "avoid": ({"reason": ["Bäume"]}, [shapely.box(x + 100, y - 20, x + 130, y + 5)]),
    }
    for name, (table, shapes) in layers.items():
        frame = gpd.GeoDataFrame(table, geometry=shapes, crs="EPSG:32633")
        frame.to_file(path, layer=name, driver="GPKG")
    return path


def planned(district: Path, target: Path, surroundings: dict[str, str]) -> dict[str, Any]:
    layers = [w for n in ("mains", "streets", "avoid") for w in (f"--{n}", f"{district}:{n}")]
    done = subprocess.run(
        [sys.executable, "-P", "-c", PLAN, "plan", *layers, "-o", str(target), "--json"],
        capture_output=True, text=True, encoding="utf-8", check=False, timeout=300,
        env={**os.environ, "PYTHONPATH": str(ROOT), **HOME, **surroundings},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    return told


@pytest.fixture(scope="module")
def at_home(district: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return planned(district, tmp_path_factory.mktemp("home") / "plan.gpkg", {})


@pytest.fixture
def german(tmp_path: Path) -> dict[str, str]:
    """A locale that writes 3,5 and sorts ä beside a, made for this test."""
    compiler = shutil.which("localedef")
    target = tmp_path / "locales" / "de_DE.UTF-8"
    target.parent.mkdir()
    if not compiler or subprocess.run(
        [compiler, "-i", "de_DE", "-f", "UTF-8", str(target)], check=False, capture_output=True
    ).returncode > 1:  # fmt: skip
        pytest.skip("the locale de_DE.UTF-8 cannot be made here: no localedef or no sources of it")
    return {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8", "LOCPATH": str(target.parent)}


def test_the_district_gives_work_to_every_room(at_home: dict[str, Any]) -> None:
    assert at_home["runs"]["planned"] == 2
    assert at_home["pits"] >= 4
    assert len(at_home["content_hash"]) >= 32


def test_two_threads_and_another_hash_seed_change_nothing(
    district: Path, at_home: dict[str, Any], tmp_path: Path
) -> None:
    around = {"OMP_NUM_THREADS": "2", "PYTHONHASHSEED": "2"}
    told = planned(district, tmp_path / "plan.gpkg", around)
    assert told["content_hash"] == at_home["content_hash"]


def test_a_locale_with_commas_and_a_time_zone_ahead_change_nothing(
    district: Path, at_home: dict[str, Any], german: dict[str, str], tmp_path: Path
) -> None:
    told = planned(district, tmp_path / "plan.gpkg", {**german, "TZ": "Pacific/Auckland"})
    assert told["content_hash"] == at_home["content_hash"]


def test_a_locale_of_ascii_and_a_time_zone_behind_change_nothing(
    district: Path, at_home: dict[str, Any], tmp_path: Path
) -> None:
    told = planned(district, tmp_path / "plan.gpkg", {**ASCII, "TZ": "America/St_Johns"})
    assert told["content_hash"] == at_home["content_hash"]
