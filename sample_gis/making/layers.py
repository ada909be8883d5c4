"""The layers as tables, and the files they are written to."""

from __future__ import annotations

import csv
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from .flaws import HOLE_M, Planted, hole
from .ground import CELL_M, NODATA, NORTH, WEST, Ground
from .mains import Main
from .points import HOSPITAL_ON, Points
from .town import RIVER_WIDTH_M, Street, Town
from .trunks import alignments

CRS = "EPSG:32633"
EASTING, NORTHING = 466_000.0, 4_804_000.0  # of the local origin; open sea, so no town is meant
WRITTEN = "2024-01-01T00:00:00.000Z"  # one date in the file, so that its bytes do not change
_ODD_REASON = '=SUM(1;1) "Obelisk" <b>Üfer</b>'
_ODD_DISTRICT = 'Üfer/"Old" Vale'
_ODD_STREET = 'Züffel\'s "Old" <b>Row</b>'
_INTEGERS = ("installed", "breaks", "customers", "lanes")

Table: TypeAlias = gpd.GeoDataFrame


def _placed(geometry: BaseGeometry | None) -> BaseGeometry | None:
    """Move a geometry from local metres to the map, to the millimetre."""
    if geometry is None:
        return None
    corner = np.array([EASTING, NORTHING])
    moved: BaseGeometry = shapely.transform(geometry, lambda xy: np.round(xy + corner, 3))
    return moved


def _table(rows: list[dict[str, Any]]) -> Table:
    frame = pd.DataFrame(rows)
    for name in _INTEGERS:
        if name in frame:
            frame[name] = frame[name].astype("Int32")
    for name in frame.columns:
        if name.endswith(("_mm", "_m", "_kpa", "_lps", "_deg", "_kmh")) or name in (
            "c_factor",
            "weight",
        ):
            frame[name] = frame[name].astype(float)
    shapes = [_placed(g) for g in frame.pop("geometry")]
    table: Table = gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)
    return table


def _mains(mains: list[Main]) -> Table:
    hidden = ("trunk", "street", "flaws")
    rows = [{k: v for k, v in vars(m).items() if k not in hidden} for m in mains]
    return _table(rows)


def _street_row(street: Street, odd: str) -> dict[str, Any]:
    road = street.road
    kind = "local" if road.kind == "cul-de-sac" else road.kind
    name = _ODD_STREET if road.name == odd else road.name
    row = {"class": kind, "lanes": road.lanes, "width_m": road.width_m}
    return {**row, "speed_kmh": road.speed_kmh, "name": name, "geometry": street.line}


def _streets(town: Town) -> Table:
    odd = sorted({s.road.name for s in town.streets if s.road.name.endswith(" Row")})[0]
    return _table([_street_row(s, odd) for s in town.streets])


# -- what pits must avoid -----------------------------------------------------------------------


def hospital() -> tuple[Polygon, Polygon]:
    """The hospital's building and its forecourt, beside its trunk main."""
    key, at = HOSPITAL_ON
    line = alignments()[key].line
    a, b = line.interpolate(at - 10.0), line.interpolate(at + 10.0)
    angle = np.degrees(np.arctan2(b.y - a.y, b.x - a.x))
    middle = line.interpolate(at)

    def beside(near: float, far: float, half: float) -> Polygon:
        shape = box(middle.x - half, middle.y + near, middle.x + half, middle.y + far)
        return affinity.rotate(shape, angle, origin=(middle.x, middle.y))

    return beside(34.0, 70.0, 34.0), beside(9.0, 32.0, 34.0)


def _avoid_row(
    reason: str, shape: BaseGeometry, *, hard: bool, buffer: float, weight: float | None = None
) -> dict[str, Any]:
    row = {"reason": reason, "hard": hard, "weight": weight, "buffer_m": buffer}
    return {**row, "geometry": shape}


def _avoid(town: Town) -> Table:
    window = box(-150.0, -150.0, 4500.0, 3150.0)
    water = town.river.buffer(RIVER_WIDTH_M / 2.0)
    building, forecourt = hospital()
    line = alignments()["T1"].line
    cable = shapely.offset_curve(substring(line, 500.0, 1000.0), 6.5)
    obelisk = alignments()["T4"].line.interpolate(430.0)
    governor = alignments()["T6"].line.interpolate(480.0)
    rows = [
        _avoid_row("river", water.intersection(window), hard=True, buffer=6.0),
        _avoid_row("railway", town.railway.intersection(window), hard=True, buffer=15.0),
        _avoid_row("park", town.park, hard=False, buffer=0.0, weight=3.0),
        _avoid_row("hospital", building, hard=True, buffer=5.0),
        _avoid_row("ambulance forecourt", forecourt, hard=False, buffer=0.0, weight=4.0),
        _avoid_row("power cable", cable, hard=False, buffer=1.0, weight=1.5),
        _avoid_row(_ODD_REASON, Point(obelisk.x + 9.0, obelisk.y), hard=True, buffer=8.0),
        _avoid_row("gas governor", Point(governor.x + 8.0, governor.y), hard=True, buffer=6.0),
    ]
    clear = shapely.union_all([building, forecourt]).buffer(6.0)
    blocks = [b for b in town.blocks if not b.intersects(clear)]
    rows += [_avoid_row("building", b, hard=True, buffer=1.0) for b in blocks]
    return _table(rows)


# -- areas and edits ----------------------------------------------------------------------------


def _districts(town: Town) -> Table:
    whole = box(-150.0, -150.0, 4600.0, 3150.0)
    bank = Polygon([*town.river.coords, (9000, -450), (9000, 3450)])
    east, west = whole.intersection(bank), whole.difference(bank)
    north = west.intersection(box(-900, 1265.0, 9000, 9000))
    south = west.intersection(box(-900, -900, 9000, 1265.0))
    names = ("Wexlow Hill", _ODD_DISTRICT, "Eastfold")
    areas = (north, south, east)
    return _table([{"name": n, "geometry": a} for n, a in zip(names, areas, strict=True)])


def _pit_edits(town: Town) -> Table:
    rows = []
    for key, wanted, action, role in (
        ("T6", 245.0, "fix", "receiving"),
        ("T5", 330.0, "fix", "insertion_both"),
        ("T1", 395.0, "forbid", None),
    ):
        point = _clear_place(town, key, wanted)
        rows.append({"action": action, "role": role, "geometry": point})
    return _table(rows)


def _clear_place(town: Town, key: str, wanted: float) -> Point:
    """The place on a trunk main near a chainage that keeps 45 m from junctions and bends."""
    alignment = alignments()[key]
    away = shapely.MultiPoint(np.vstack([town.junctions, alignment.bends[:, :2]]))
    for step in np.arange(0.0, 150.0, 2.0):
        for c in (wanted + step, wanted - step):
            point = alignment.line.interpolate(c)
            if point.distance(away) >= 45.0:
                return point
    raise ValueError(f"no clear place near chainage {wanted} of {key}")


# -- files --------------------------------------------------------------------------------------


def layers(town: Town, mains: list[Main], points: Points) -> dict[str, Table]:
    """All vector layers, by name."""
    return {
        "mains": _mains(mains),
        "fittings": _table(
            [{k: v for k, v in asdict(f).items() if k != "planted"} for f in points.fittings]
        ),
        "valves": _table([vars(v) for v in points.valves]),
        "laterals": _table([vars(x) for x in points.laterals]),
        "hydrants": _table([{"geometry": p} for p in points.hydrants]),
        "sources": _table([{"geometry": p} for p in points.sources]),
        "streets": _streets(town),
        "avoid": _avoid(town),
        "districts": _districts(town),
        "pit_edits": _pit_edits(town),
    }


def write_layers(path: Path, tables: dict[str, Table]) -> None:
    """Write the layers to a new GeoPackage; the same layers give the same bytes."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN})
    try:
        for name, table in tables.items():
            kinds = sorted(set(table.geometry.dropna().geom_type))
            mixed = "MultiLineString" if name == "mains" else "Unknown"
            pyogrio.write_dataframe(
                table,
                path,
                layer=name,
                driver="GPKG",
                geometry_type=kinds[0] if len(kinds) == 1 else mixed,
                promote_to_multi=name == "mains",
                append=path.exists(),
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def write_ground(path: Path, ground: Ground) -> None:
    """Write the elevation model, with its hole, as a tiled and compressed GeoTIFF in metres."""
    z = ground.z.astype("float32")
    x, y = hole()
    row, col = (NORTH - y) / CELL_M, (x - WEST) / CELL_M
    half_w, half_h = HOLE_M[0] / CELL_M / 2.0, HOLE_M[1] / CELL_M / 2.0
    rows = slice(round(row - half_h), round(row + half_h))
    z[rows, round(col - half_w) : round(col + half_w)] = NODATA
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "nodata": NODATA, "crs": CRS,
        "height": z.shape[0], "width": z.shape[1], "tiled": True, "blockxsize": 256,
        "blockysize": 256, "compress": "deflate", "predictor": 3, "zlevel": 9,
        "transform": from_origin(WEST + EASTING, NORTH + NORTHING, CELL_M, CELL_M),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(z, 1)
        raster.units = ("metre",)
        raster.set_band_description(1, "ground level")


def write_planted(path: Path, planted: list[Planted]) -> None:
    """Write the list of planted flaws, in map coordinates."""
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["flaw", "layer", "feature", "x", "y", "text"])
        for p in planted:
            x, y = p.x + EASTING, p.y + NORTHING
            out.writerow([p.flaw, p.layer, p.feature, f"{x:.2f}", f"{y:.2f}", p.text])


__all__ = ["hospital", "layers", "write_ground", "write_layers", "write_planted"]
