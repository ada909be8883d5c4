"""The hash of a layer in memory: the same for the same content, another for any other."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely

from geotools.brief import load_brief
from geotools.intake.frame_digest import frame_digest
from geotools.intake.memory import part_of, shelved
from geotools.intake.read import read_layers
from geotools.intake.sources import frame_source
from geotools.intake.window import Window


def made() -> gpd.GeoDataFrame:
    lines = [shapely.LineString([(0, 0), (100, 0)]), None, shapely.LineString([(0, 9), (50, 9)])]
    columns = {"main_id": ["A", None, "C"], "diameter_mm": [400, 300, 500], "notes": [["x"], 1, {}]}
    return gpd.GeoDataFrame(columns, geometry=lines, crs=25832)


def test_the_hash_of_a_frame_is_the_same_in_every_process_and_for_any_order_of_columns() -> None:
    code = (
        "import geopandas as gpd, shapely\nfrom geotools.intake.frame_digest import frame_digest\n"
        f"{inspect.getsource(made).replace('-> gpd.GeoDataFrame', '')}\nprint(frame_digest(made()))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == frame_digest(made())
    assert len(frame_digest(made())) == 64
    turned = made()[["geometry", "notes", "diameter_mm", "main_id"]]
    assert frame_digest(turned) == frame_digest(made())


@pytest.mark.parametrize(
    "change",
    [
        lambda f: f.assign(main_id=["A", "", "C"]),
        lambda f: f.assign(diameter_mm=[400, 300, 501]),
        lambda f: f.assign(notes=[["y"], 1, {}]),
        lambda f: f.rename(columns={"main_id": "id"}),
        lambda f: f.assign(more=1),
        lambda f: f.to_crs(25833),
        lambda f: f.set_crs(25833, allow_override=True),
        lambda f: f.set_geometry(shapely.force_3d(f.geometry.values, 7.0)),
        lambda f: f.set_geometry(shapely.reverse(f.geometry.values)),
        lambda f: f.iloc[::-1],
        lambda f: f.iloc[:2],
        lambda f: f.set_index(np.array(["a", "b", "c"])),
        lambda f: f.assign(geometry=f.geometry.shift(1)),
    ],
)
def test_any_other_content_of_a_frame_has_another_hash(
    change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame],
) -> None:
    assert frame_digest(change(made())) != frame_digest(made())


def test_what_is_read_from_memory_is_told_with_its_hash_by_whole_and_by_part() -> None:
    frame = made().drop(columns="notes").iloc[[0, 2]]
    brief = load_brief()
    table = read_layers(brief, frames={"mains": frame}).inputs
    (whole,) = table.loc[table["layer"] == "mains", "sha256"]
    assert whole == frame_digest(frame)
    (shelf,) = shelved({"mains": frame}, brief)
    digest = frame_source(
        "mains", part_of(shelf, Window((0.0, -1.0, 100.0, 1.0), pyproj.CRS(25832)))
    ).digest
    assert digest is not None
    assert digest() == whole


def test_odd_columns_stop_no_hash_and_give_the_same_in_every_process() -> None:
    frame = made().assign(
        long=np.array([1, 2, 3], dtype=np.longdouble),
        tags=[{"a", "b", "c"}, frozenset({"x"}), None],
        thing=[object(), object(), object()],
    )
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import numpy as np;"
        "from test_frame_digest import made; from geotools.intake.frame_digest import frame_digest;"
        "print(frame_digest(made().assign(long=np.array([1, 2, 3], dtype=np.longdouble),"
        "tags=[{'c', 'b', 'a'}, frozenset({'x'}), None], thing=[object()] * 3)))"
    )
    other = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent)],
        capture_output=True, text=True, check=True, env=os.environ | {"PYTHONHASHSEED": "7"},
    )  # fmt: skip
    assert other.stdout.strip() == frame_digest(frame)
