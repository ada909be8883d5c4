"""A small plan with every layer of the contract."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from geotools.brief import load_brief
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.tables import settings_table
from geotools.schema import OUTPUTS, Layer

CRS = pyproj.CRS(26917)
_BLANK: dict[str, Any] = {"text": "", "integer": 0, "real": np.nan, "flag": False}
_SHAPES: dict[str, Any] = {
    "Point": shapely.Point(500_010, 4_000_020),
    "LineString": shapely.LineString([(500_000, 4_000_000), (500_100, 4_000_000)]),
    "LineString Z": shapely.LineString([(500_000, 4_000_000, 98.5), (500_100, 4_000_000, 99)]),
    "Polygon": shapely.box(500_000, 4_000_000, 500_006, 4_000_002),
    "Unknown": shapely.Point(500_010, 4_000_020),
}


def shape_of(layer: Layer) -> Any:
    """Return a geometry for a layer; a single part where it holds multi-part ones."""
    return _SHAPES[layer.geometry[0].removeprefix("Multi")]


def rows_of(layer: Layer, *rows: Mapping[str, Any]) -> pd.DataFrame:
    """Return a table of a layer with the given values, the rest blank, and shapes where due."""
    blank = {field.name: _BLANK[field.dtype] for field in layer.fields}
    frame = pd.DataFrame([{**blank, **row} for row in rows], columns=list(blank))
    if not layer.geometry:
        return frame
    shapes = [row.get("geometry", shape_of(layer)) for row in rows]
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)


@pytest.fixture
def tables() -> dict[str, pd.DataFrame]:
    """Every layer with one row and telling values in some."""
    out = {name: rows_of(layer, {}) for name, layer in OUTPUTS.items()}
    out["runs"] = rows_of(
        OUTPUTS["runs"],
        {"run_id": "R1", "host_diameter": 0.6096, "length": 304.8, "pit_count": 2, "cost": 1000.5},
        {"run_id": "R2", "host_diameter": 0.5, "length": 100.0, "status": "no_plan"},
    )
    out["pulls"] = rows_of(
        OUTPUTS["pulls"],
        {"pull_id": "P1", "head_force": 44_482.216152605, "deflection": np.pi / 8, "joints": 7},
    )
    out["bends"] = rows_of(OUTPUTS["bends"], {"bend_id": "B1", "passes": True})
    return out


@pytest.fixture
def crs() -> pyproj.CRS:
    """The output CRS of the plan."""
    return CRS


FOOT = 0.3048
_PULL = {
    "pull_id": "R1-L1",
    "run_id": "R1",
    "insertion_pit": "R1-P1",
    "receiving_pit": "R1-P2",
    "start": 10.0,
    "end": 10.0 + 1000 * FOOT,
    "length": 1000 * FOOT,
    "direction": "ahead",
    "head_force": 50e3,
    "allowable": 100e3,
}


@pytest.fixture(scope="session")
def write_plan(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Write a plan with one run along x and the pulls given; 1000 ft in one string if none."""

    def write(
        pulls: Sequence[Mapping[str, Any]] = ({},),
        *,
        name: str = "plan.gpkg",
        strings: Sequence[Mapping[str, Any]] | None = None,
        carrier: str = "20 in DIPS DR 17 PE4710",
        units: Literal["si", "us"] = "si",
        settings: Mapping[str, object] | None = None,
        run_length: float = 400.0,
        leave: Mapping[str, float] | None = None,
    ) -> Path:
        line = shapely.LineString([(500_000, 4_000_000), (500_000 + run_length, 4_000_000)])
        run = {"run_id": "R1", "carrier": carrier, "length": run_length, "geometry": line}
        brief = load_brief(
            overrides={"pulls.piece_length": "40 ft", "output.units": units, **(settings or {})}
        )
        rows = [{**_PULL, **pull} for pull in pulls]
        for row in rows:
            ends = [(500_000 + row[end], 4_000_000, 90.0) for end in ("start", "end")]
            row["geometry"] = shapely.LineString(ends)
        tables = {
            "runs": rows_of(OUTPUTS["runs"], run),
            "pits": rows_of(OUTPUTS["pits"], {"pit_id": "R1-P1", "run_id": "R1"}),
            "pulls": rows_of(OUTPUTS["pulls"], *rows),
            "settings": settings_table(brief, units),
        }
        if strings is not None:
            tables["strings"] = rows_of(OUTPUTS["strings"], *strings)
        if leave is not None:
            left = [{"pull_id": pull, "run_id": "R1", "leave": m} for pull, m in leave.items()]
            tables["sections"] = rows_of(OUTPUTS["sections"], *left)
        path = tmp_path_factory.mktemp("plan") / name
        write_geopackage(path, tables, crs=CRS, units=units, overwrite=True)
        return path

    return write
