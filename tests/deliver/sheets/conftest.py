"""A plan of one run with a bend, and one that has no plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
import shapely.ops

import geotools
from geotools.brief import load_brief
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.tables import settings_table
from geotools.schema import OUTPUTS

CRS = pyproj.CRS(26917)
BORN = np.array([500_000.0, 4_000_000.0])
# 700 m to the north, with a bend of 30 degrees to the east half way.
TURN = np.radians(30)
_LEG = 350.0
LINE = BORN + np.array([(0, 0), (0, _LEG), (_LEG * np.sin(TURN), _LEG * (1 + np.cos(TURN)))])
_BLANK: dict[str, Any] = {"text": "", "integer": 0, "real": np.nan, "flag": False}
Rows = list[Mapping[str, Any]]


def frame(name: str, rows: Rows) -> Any:
    layer = OUTPUTS[name]
    blank = {f.name: _BLANK[f.dtype] for f in layer.fields}
    out = pd.DataFrame([{**blank, **row} for row in rows])
    return gpd.GeoDataFrame(out, geometry="geometry", crs=CRS) if layer.geometry else out


def at(chainage: float) -> Any:
    return shapely.line_interpolate_point(shapely.LineString(LINE), chainage)


def place(east: float, north: float) -> Any:
    return shapely.Point(BORN + np.array([east, north]))


def stretch(start: float, end: float) -> Any:
    return shapely.ops.substring(shapely.LineString(LINE), start, end)


RAMP = {"ramp": 6.25, "drop": 2.5, "host_slope": 0.01, "rest_slope": -0.005}
RAMPS = {f"{name}_ahead": value for name, value in RAMP.items()} | {
    "ramp_behind": 6.25, "drop_behind": 1.5, "host_slope_behind": -0.01,
    "rest_slope_behind": 0.005,
}  # fmt: skip


def pit(name: str, chainage: float, role: str, before: float, after: float) -> dict[str, Any]:
    return {
        "pit_id": f"R1-{name}", "run_id": "R1", "chainage": chainage, "role": role,
        "before": before, "after": after, "depth": 2.25, "depth_source": "invert",
        "dig_depth": 2.4, "length": 8.0, "width": 1.35, **RAMP,
        **(RAMPS if role == "insertion_both" else {}), "lanes_taken": 1,
        "ground_z": 100 + 0.01 * chainage, "axis_z": 98 + 0.01 * chainage,
        "bottom_z": 97.6 + 0.01 * chainage, "behind_grid_deg": 15.0, "ahead_grid_deg": 15.0,
        "street_name": "Tarnhollow Way", "geometry": at(chainage),
    }  # fmt: skip


def pull(name: str, start: float, end: float, direction: str) -> dict[str, Any]:
    ahead = direction == "ahead"
    ends = ("R1-P1", "R1-P2") if start < 100 else ("R1-P2", "R1-P3")
    return {
        "pull_id": f"R1-{name}", "run_id": "R1", "start": start, "end": end,
        "length": end - start, "direction": direction, "insertion_pit": ends[not ahead],
        "receiving_pit": ends[ahead], "head_force": 50e3, "head_force_low": 30e3,
        "head_force_high": 70e3, "allowable": 100e3, "utilisation": 0.5, "governed_by": "pipe",
        "joints": 28, "strings": 1, "hours": 2.0,
        "geometry": shapely.force_3d(stretch(start, end), 97.0),
    }  # fmt: skip


def tables() -> dict[str, Any]:
    along = np.arange(0.0, 701.0, 10.0)
    ground = 100 + 0.01 * along
    stations: Rows = [
        {"run_id": "R1", "chainage": c, "kind": "step", "ground_z": g, "axis_z": g - 2.0,
         "cover": 1.75, "depth": 2.25, "depth_source": "invert",
         "grade": 0.01, "geometry": at(c)}
        for c, g in zip(along, ground, strict=True)
    ]  # fmt: skip
    run = {"run_id": "R1", "main_ids": "M1,M2", "length": 700.0, "status": "planned",
           "carrier": "450 mm SDR 17 PE100", "host_diameter": 0.6, "host_bore": 0.5,
           "host_material": "cast iron", "pit_count": 3, "pull_count": 2,
           "geometry": shapely.MultiLineString([LINE])}  # fmt: skip
    other = {"run_id": "R2", "length": 100.0, "status": "no_plan",
             "reason": "the pit at 40 m lies in a river", "geometry": shapely.MultiLineString(
                 [[BORN + np.array([400, 0]), BORN + np.array([500, 0])]])}  # fmt: skip
    pits = [
        pit("P1", 0.0, "receiving", 0.0, 3.0),
        pit("P2", 350.0, "insertion_both", 5.0, 5.0),
        pit("P3", 700.0, "receiving", 3.0, 0.0),
    ]
    section = {"pull_id": "R1-L1", "run_id": "R1", "length": 342.0, "test_pressure": 1.2e6,
               "test_pressure_high": 1.1e6, "test_rule": "PE", "water_volume": 30.0}  # fmt: skip
    return {
        "runs": frame("runs", [run, other]),
        "stations": frame("stations", stations),
        "bends": frame("bends", [{
            "bend_id": "R1-B1", "run_id": "R1", "chainage": 350.0, "deflection": TURN,
            "kind": "fitting", "geometry": at(350)}]),
        "pits": frame("pits", pits),  # type: ignore[arg-type]
        "pit_footprints": frame("pit_footprints", [
            {"pit_id": p["pit_id"], "run_id": "R1", "role": p["role"], "area": 12.0,
             "geometry": p["geometry"].buffer(2.0, cap_style="square")} for p in pits]),
        "pulls": frame("pulls", [
            pull("L1", 3.0, 345.0, "behind"), pull("L2", 355.0, 697.0, "ahead")]),
        "forces": frame("forces", [
            {"pull_id": "R1-L1", "run_id": "R1", "chainage": c, "pulled": 345.0 - c,
             "head_force_low": f * 0.6, "head_force": f, "head_force_high": f * 1.4}
            for c, f in ((345.0, 10e3), (200.0, 25e3), (120.0, 40e3), (3.0, 50e3))]),
        "sections": frame("sections", [section]),
        "local_digs": frame("local_digs", [{
            "dig_id": "R1-D1", "run_id": "R1", "pull_id": "R1-L1", "chainage": 120.0,
            "kind": "lateral", "geometry": at(120)}]),
        "quantities": frame("quantities", [
            {"scope": "run", "ref": "R1", "run_id": "R1", "item": "carrier pulled",
             "quantity": 684.0, "unit": "m", "cost": 68_400.0}]),
        "findings": frame("findings", [
            {"severity": "warning", "rule": "axis-step", "layer": "mains", "feature": "M2",
             "text": "the axis <b>steps</b> here", "geometry": at(10)}]),
        "context": context(),
    }  # fmt: skip


def context() -> Any:
    """Return what the source holds near the run."""
    rows = [
        ("streets", "S1", "local", "Tarnhollow Way", 8.0, [place(0, -100), place(0, 450)]),
        ("valves", "V1", "gate", "", np.nan, at(60)),
        ("fittings", "F1", "tee", "", np.nan, at(200)),
        ("laterals", "L1", "", "", np.nan, [at(120), place(20, 120)]),
        ("mains", "M9", "", "", np.nan, [at(200), place(90, 200)]),
        ("avoid", "A1", "pond", "", np.nan, place(45, 70).buffer(15)),
    ]
    names = ("layer", "feature", "kind", "name", "width", "geometry")
    return frame("context", [
        {**dict(zip(names, row, strict=True)), "geometry": shapely.LineString(row[-1])
         if isinstance(row[-1], list) else row[-1]}
        for row in rows
    ])  # fmt: skip


@pytest.fixture(scope="session")
def write_sheet_plan(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    def write(
        *,
        units: Any = "si",
        crs: pyproj.CRS = CRS,
        settings: Mapping[str, object] | None = None,
        without: tuple[str, ...] = (),
        edit: Callable[[dict[str, Any]], None] = lambda _: None,
    ) -> Path:
        brief = load_brief(overrides={"output.units": units, **(settings or {})})
        chosen = {n: t for n, t in tables().items() if n not in without}
        edit(chosen)
        chosen["settings"] = settings_table(brief, units)
        path = tmp_path_factory.mktemp("plan") / "plan.gpkg"
        write_geopackage(path, chosen, crs=crs, units=units, overwrite=True)
        return path

    return write


@pytest.fixture(scope="session")
def plain_plan(write_sheet_plan: Callable[..., Path]) -> Path:
    return write_sheet_plan()


@pytest.fixture(scope="session")
def plain(plain_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the sheets of the plan as it is, with nothing said about them."""
    target = tmp_path_factory.mktemp("plain") / "sheets.pdf"
    geotools.sheets(plain_plan, output=target)
    return target


@pytest.fixture(scope="session")
def draw(plain_plan: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Draw sheets of a plan, by default the plain one."""

    def drawing(plan: Path = plain_plan, **options: Any) -> Path:
        target = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
        geotools.sheets(plan, output=target, **options)
        return target

    return drawing
