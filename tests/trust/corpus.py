"""Corpus of bad input, built by code: every driver, every layer, every fault, and what is due.

``python tests/trust/corpus.py`` runs the whole of it and prints what came of it, and every case
that came out otherwise than stated. A case is one layer of three features, written by one driver
with one fault, read by `read_layers` beside sound mains. Whatever is due, three things hold of
every case: no error but those of `errors.py`, no more than `LIMIT` seconds, and no feature lost in
silence: those read and not used are told one by one among the findings.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import signal
import sqlite3
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import geopandas as gpd
import numpy as np
import pyogrio.errors
import shapely

from geotools.brief import Brief
from geotools.errors import LayerError
from geotools.intake.read import read_layers
from geotools.schema import AREA, INPUTS, LINE, POINT

UTM = "EPSG:32633"
EAST, NORTH = 500_000.0, 4_800_000.0
LIMIT = 120  # s of one case, on a machine that is busy with other things
DRIVERS = {
    "gpkg": "GPKG", "shp": "ESRI Shapefile", "geojson": "GeoJSON", "fgb": "FlatGeobuf",
    "parquet": "", "gdb": "OpenFileGDB",
}  # fmt: skip
# The number that is spoiled in each layer, by its column; layers not named have none.
NUMBER = {
    "mains": "cover_m", "fittings": "angle_deg", "laterals": "customers", "streets": "width_m",
    "avoid": "weight",
}  # fmt: skip


# --- what is due ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Due:
    """What must come of a case.

    Attributes
    ----------
    outcome : "accepted", "finding", "refused" or "unwritable"
        Accepted: read, every feature used. Finding: read, and the rules stand among the findings
        of the layer. Refused: a `LayerError` that holds the words. Unwritable: the format has no
        way to hold the fault, and its writer says so.
    words : tuple of str
        Any one of them is enough for a finding; an error must hold them all.
    """

    outcome: str
    words: tuple[str, ...] = ()


ACCEPTED, UNWRITABLE = Due("accepted"), Due("unwritable")


def finding(*rules: str) -> Due:
    return Due("finding", rules)


def refused(*words: str) -> Due:
    return Due("refused", words)


# --- sound layers -----------------------------------------------------------------------------


def kinds_of(layer: str) -> set[str]:
    """Return point, line and area, as far as the layer may hold them."""
    held = set(INPUTS[layer].geometry)
    sets = {"point": POINT, "line": LINE, "area": AREA}
    return {name for name, kinds in sets.items() if held & set(kinds)}


def kind_of(layer: str) -> str:
    """Return the kind a sound layer is made of."""
    return next(k for k in ("area", "line", "point") if k in kinds_of(layer))


def shape(kind: str, k: int) -> Any:
    """Return the k-th sound geometry of a kind."""
    x, y = EAST + 200 * k, NORTH
    if kind == "point":
        return shapely.Point(x, y)
    if kind == "line":
        return shapely.LineString([(x, y), (x + 100, y + 0.5), (x + 200, y)])
    return shapely.box(x, y + 50, x + 40, y + 80)


def columns_of(layer: str) -> dict[str, Any]:
    """Return columns of a sound layer, whose names every format can hold."""
    return {
        "mains": {"main_id": ["M1", "M2", "M3"], "dia": [300.0] * 3, "cover_m": [1.2] * 3,
                  "status": ["active"] * 3},
        "fittings": {"kind": ["bend"] * 3, "angle_deg": [45.0] * 3},
        "valves": {"kind": ["gate"] * 3, "open": [1] * 3},
        "laterals": {"customers": [2.0] * 3, "label": ["x", "y", "z"]},
        "breaks": {"main_id": ["M1", "M2", "M3"], "year": [1990] * 3},
        "streets": {"class": ["local"] * 3, "width_m": [7.0] * 3, "name": ["A", "B", "C"]},
        "avoid": {"reason": ["tree"] * 3, "hard": [1] * 3, "weight": [2.0] * 3},
        "districts": {"name": ["a", "b", "c"]},
        "pit_edits": {"action": ["fix"] * 3},
    }.get(layer, {"label": ["x", "y", "z"]})  # fmt: skip


def sound(layer: str) -> gpd.GeoDataFrame:
    """Return three features without a fault."""
    shapes = [shape(kind_of(layer), k) for k in range(3)]
    return gpd.GeoDataFrame(columns_of(layer), geometry=shapes, crs=UTM)


def mapping(layer: str) -> dict[str, str]:
    return {"diameter_mm": "dia"} if layer == "mains" else {}


# --- faults -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """One fault: how a sound layer or its file is spoiled, and what is due.

    ``due`` is asked for (layer, driver) and may return None where the fault makes no sense.
    """

    name: str
    due: Callable[[str, str], Due | None]
    frame: Callable[[gpd.GeoDataFrame, str], gpd.GeoDataFrame] = lambda frame, layer: frame
    file: Callable[[Path], None] = lambda path: None
    fields: dict[str, str] = field(default_factory=dict)
    mapped: bool = True
    layer_name: str | None = None
    file_name: str = "data"


def with_shapes(frame: gpd.GeoDataFrame, change: Callable[[Any], Any], *rows: int) -> Any:
    """Return the frame with some geometries changed; all if no rows are named."""
    shapes = frame.geometry.to_numpy().copy()
    with np.errstate(invalid="ignore"):
        for k in rows or range(len(shapes)):
            shapes[k] = change(shapes[k])
    return gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=shapes, crs=frame.crs)


def one(change: Callable[[Any], Any]) -> Callable[[gpd.GeoDataFrame, str], gpd.GeoDataFrame]:
    return lambda frame, layer: with_shapes(frame, change, 1)


def every(change: Callable[[Any], Any]) -> Callable[[gpd.GeoDataFrame, str], gpd.GeoDataFrame]:
    return lambda frame, layer: with_shapes(frame, change)


def last_vertex(x: float, y: float) -> Callable[[Any], Any]:
    """Return a change that puts one vertex elsewhere (of an area, one in the middle)."""

    def change(geometry: Any) -> Any:
        xy = shapely.get_coordinates(geometry)
        xy[2 if geometry.geom_type == "Polygon" else -1] = x, y
        return shapely.set_coordinates(geometry, xy)

    return change


def empty(geometry: Any) -> Any:
    return type(geometry)()


def nested(geometry: Any) -> Any:
    """Wrap a geometry in a collection in a collection, beside a point and an area."""
    inner = shapely.GeometryCollection([geometry, shapely.Point(EAST, NORTH)])
    area = shapely.box(EAST, NORTH, EAST + 1, NORTH + 1)
    return shapely.GeometryCollection([inner, area])


def other_kind(layer: str) -> Any:
    """Return a geometry of a kind the layer may not hold; None if it may hold all."""
    wrong = [k for k in ("area", "point", "line") if k not in kinds_of(layer)]
    return shape(wrong[0], 1) if wrong else None


def with_m(geometry: Any) -> Any:
    xyz = shapely.get_coordinates(shapely.force_3d(geometry, 5.0), include_z=True)
    text = ", ".join(f"{x} {y} {z} 7" for x, y, z in xyz)
    name = geometry.geom_type.upper()
    return shapely.from_wkt(f"{name} ZM ({f'({text})' if name == 'POLYGON' else text})")


def collapsed(geometry: Any) -> Any:
    xy = shapely.get_coordinates(geometry)
    return shapely.set_coordinates(geometry, np.tile(xy[0], (len(xy), 1)))


def many_vertices(geometry: Any) -> Any:
    if geometry.geom_type == "Point":
        return geometry
    return shapely.segmentize(geometry, geometry.length / 10_000)


def in_crs(crs: str) -> Callable[[gpd.GeoDataFrame, str], gpd.GeoDataFrame]:
    return lambda frame, layer: frame.to_crs(crs)


def called(crs: str | None) -> Callable[[gpd.GeoDataFrame, str], gpd.GeoDataFrame]:
    return lambda frame, layer: frame.set_crs(crs, allow_override=True)


def swapped(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
    """Latitude first, as a table of coordinates is often taken for."""
    degrees = frame.to_crs("EPSG:4326")
    return with_shapes(degrees, lambda g: shapely.transform(g, lambda xy: xy[:, ::-1]))


def across_the_date_line(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
    """The same layer at 180 degrees, drawn with longitudes from -180 to 180."""
    zone = frame.set_crs("EPSG:32660", allow_override=True)
    shift = np.array([243_000.0, 2e5 - NORTH])
    moved = with_shapes(zone, lambda g: shapely.transform(g, lambda xy: xy + shift))
    return moved.to_crs("EPSG:4326")


def spoil_number(value: Any) -> Callable[[gpd.GeoDataFrame, str], gpd.GeoDataFrame]:
    def change(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
        name = NUMBER[layer]
        values = [value if k == 1 else frame[name].iloc[k] for k in range(len(frame))]
        frame[name] = [str(v) for v in values] if isinstance(value, str) else values
        return frame

    return change


def sql_in_text(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
    """Put a piece of SQL into the first text a layer has, unless it takes certain words only."""
    names = [name for name in TEXTS if name in frame and name != "action"]
    texts = [f"x{k}'; DROP TABLE mains; --" for k in range(len(frame))]
    return frame.assign(**dict.fromkeys(names[:1], texts))


def set_column(name: str, values: list[Any]) -> Callable[[gpd.GeoDataFrame, str], Any]:
    return lambda frame, layer: frame.assign(**{name: values})


def cut(share: float) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        for part in main_files(path):
            whole = part.read_bytes()
            part.write_bytes(whole[: int(len(whole) * share)])

    return change


def main_files(path: Path) -> list[Path]:
    """Return the file that holds the features; of a folder all of them."""
    return sorted(path.glob("*.gdbtable")) if path.is_dir() else [path]


def overwrite(data: bytes) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        for part in main_files(path):
            part.write_bytes(data)

    return change


def without(suffix: str) -> Callable[[Path], None]:
    return lambda path: path.with_suffix(suffix).unlink()


def text_in_another_encoding(path: Path) -> None:
    """Put letters of Latin-1 where the file says UTF-8."""
    if path.suffix == ".gpkg":
        with closing(sqlite3.connect(path)) as file:
            (name,) = file.execute("SELECT table_name FROM gpkg_contents").fetchone()
            columns = [c[1] for c in file.execute(f'PRAGMA table_info("{name}")')]
            text = next(c for c in TEXTS if c in columns)
            file.executescript("".join(  # the triggers call functions that only GDAL has
                f'DROP TRIGGER "{t}";'
                for (t,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            ))  # fmt: skip
            file.execute(f"""UPDATE "{name}" SET "{text}" = CAST(X'44fc6cfe' AS TEXT)""")  # noqa: S608
            file.commit()
        return
    dbf = path.with_suffix(".dbf")
    data = bytearray(dbf.read_bytes())
    start = int.from_bytes(data[8:10], "little") + 1
    for k, byte in enumerate(data[start:], start):
        if chr(byte).isalpha():
            data[k] = 0xFE
            break
    dbf.write_bytes(bytes(data))
    path.with_suffix(".cpg").write_text("UTF-8")


TEXTS = ("main_id", "kind", "class", "reason", "name", "action", "label")
HOSTILE = 'a"; DROP TABLE "b"; --'
RESERVED = ("select", "order", "group")


def at_mains(mains: Due, others: Due) -> Callable[[str, str], Due]:
    return lambda layer, driver: mains if layer == "mains" else others


def always(due: Due) -> Callable[[str, str], Due]:
    return lambda layer, driver: due


def only(drivers: str, due: Due) -> Callable[[str, str], Due | None]:
    return lambda layer, driver: due if driver in drivers.split() else None


def numbers_only(due: Due) -> Callable[[str, str], Due | None]:
    return lambda layer, driver: due if layer in NUMBER else None


def shapefile_without_table(layer: str, driver: str) -> Due | None:
    """Geometries are all there, columns none: not enough for layers that need one."""
    needed = any(f.required for f in INPUTS[layer].fields)
    if driver != "shp":
        return None
    return refused("columns there: none") if needed else ACCEPTED


FAULTS: tuple[Fault, ...] = (
    Fault("none", always(ACCEPTED)),
    Fault("no geometry", always(finding("no-geometry")), frame=one(lambda g: None)),
    Fault("empty geometry", always(finding("empty-geometry", "no-geometry")), frame=one(empty)),
    Fault(
        "NaN coordinate",
        always(finding("bad-coordinates", "empty-geometry", "no-geometry", "broken-geometry")),
        frame=one(last_vertex(np.nan, np.nan)),
    ),
    Fault(
        "infinite coordinate",
        always(finding("bad-coordinates", "no-geometry")),
        frame=one(last_vertex(np.inf, NORTH)),
    ),
    Fault(
        "huge coordinate", always(finding("bad-coordinates")), frame=one(last_vertex(1e300, 1e300))
    ),
    Fault("nested collections", always(finding("mixed-collection")), frame=one(nested)),
    Fault(
        "heights",
        at_mains(finding("z-ignored"), ACCEPTED),
        frame=every(lambda g: shapely.force_3d(g, 3.0)),
    ),
    Fault("heights and measures", at_mains(finding("z-ignored"), ACCEPTED), frame=every(with_m)),
    Fault("10,000 vertices", always(ACCEPTED), frame=every(many_vertices)),
    Fault(
        "one of another kind",
        always(finding("wrong-geometry")),
        frame=lambda frame, layer: with_shapes(frame, lambda g: other_kind(layer), 1),
    ),
    Fault(
        "all of another kind",
        always(refused("convert the geometries")),
        frame=lambda frame, layer: with_shapes(frame, lambda g: other_kind(layer)),
    ),
    Fault("collapsed to a point", always(finding("zero-length", "no-area")), frame=one(collapsed)),
    Fault(
        "drawn twice",
        lambda layer, driver: {
            "mains": finding("duplicate-main"),
            "streets": finding("duplicate-street"),
        }.get(layer, ACCEPTED),
        frame=lambda frame, layer: with_shapes(frame, lambda g: frame.geometry.iloc[0], 1),
    ),
    Fault("no CRS", always(refused("no CRS", "EPSG:")), frame=called(None)),
    Fault("degrees", at_mains(finding("working-crs"), ACCEPTED), frame=in_crs("EPSG:4326")),
    Fault(
        "degrees with heights (3-D CRS)",
        at_mains(finding("working-crs"), ACCEPTED),
        frame=lambda frame, layer: with_shapes(
            frame.to_crs("EPSG:4326"), lambda g: shapely.force_3d(g, 9.0)
        ).set_crs("EPSG:4979", allow_override=True),
    ),
    Fault("compound CRS", always(ACCEPTED), frame=called("EPSG:32633+5773")),
    Fault("Web Mercator", at_mains(finding("working-crs"), ACCEPTED), frame=in_crs("EPSG:3857")),
    Fault(
        "CRS in feet",
        at_mains(finding("working-crs"), ACCEPTED),
        frame=in_crs("+proj=utm +zone=33 +datum=WGS84 +units=us-ft +type=crs"),
    ),
    Fault("latitude first", at_mains(finding("working-crs"), finding("no-overlap")), frame=swapped),
    Fault(
        "degrees called metres",
        at_mains(refused("look like degrees"), finding("no-overlap", "bad-coordinates")),
        frame=lambda frame, layer: frame.to_crs("EPSG:4326").set_crs(UTM, allow_override=True),
    ),
    Fault(
        "metres called degrees",
        at_mains(refused("coordinates"), finding("bad-coordinates")),
        frame=called("EPSG:4326"),
    ),
    Fault(
        "across the date line",
        lambda layer, driver: finding("working-crs") if layer == "mains" else None,
        frame=across_the_date_line,
    ),
    Fault(
        "text in a number", numbers_only(finding("unreadable-value")), frame=spoil_number("twelve")
    ),
    Fault("NaN in a number", numbers_only(ACCEPTED), frame=spoil_number(np.nan)),
    Fault(
        "infinite number", numbers_only(finding("value-out-of-range")), frame=spoil_number(np.inf)
    ),
    Fault("huge number", numbers_only(finding("value-out-of-range")), frame=spoil_number(1e300)),
    Fault("negative number", numbers_only(finding("value-out-of-range")), frame=spoil_number(-5.0)),
    Fault(
        "text in every diameter",
        at_mains(refused("dia"), None),
        frame=set_column("dia", ["a", "b", "c"]),
    ),
    Fault(
        "no diameter",
        at_mains(refused("'dia'", "not there"), None),
        frame=lambda f, layer: f.drop(columns="dia"),
    ),
    Fault(
        "diameter in two units",
        at_mains(refused("diameter"), None),
        mapped=False,
        frame=lambda f, layer: f.drop(columns="dia").assign(
            diameter_cm=[30.0] * 3, diameter_in=[12.0] * 3
        ),
    ),
    Fault(
        "identifiers twice",
        at_mains(finding("duplicate-id"), None),
        frame=set_column("main_id", ["M1"] * 3),
    ),
    Fault(
        "no identifiers",
        at_mains(finding("missing-id"), None),
        frame=set_column("main_id", [None, "", " "]),
    ),
    Fault(
        "no features",
        at_mains(refused("no features"), finding("empty-layer")),
        frame=lambda f, layer: f.iloc[:0],
    ),
    Fault(
        "reserved words as columns",
        always(ACCEPTED),
        frame=lambda f, layer: f.assign(**dict.fromkeys(RESERVED, 1.0)),
    ),
    Fault(
        "reserved word as the identifier",
        at_mains(ACCEPTED, None),
        fields={"main_id": "select"},
        frame=lambda f, layer: f.rename(columns={"main_id": "select"}),
    ),
    Fault(
        "SQL and quotes in a column name",
        always(ACCEPTED),
        frame=lambda f, layer: f.assign(**{"a'\"b;--": 1.0}),
    ),
    Fault("SQL in text", always(ACCEPTED), frame=sql_in_text),
    Fault(
        "SQL and quotes in the layer name",
        lambda layer, driver: ACCEPTED if driver in ("gpkg", "gdb") else None,
        layer_name=HOSTILE,
    ),
    Fault(
        "reserved word as the layer name",
        lambda layer, driver: ACCEPTED if driver in ("gpkg", "gdb") else None,
        layer_name="select",
    ),
    Fault("letters of all scripts in the file name", always(ACCEPTED), file_name="Dätä 水道 ' %41"),
    Fault(
        "a semicolon in the file name",
        lambda layer, driver: ACCEPTED if driver == "parquet" else refused("rename"),
        file_name="da;ta",
    ),
    Fault(
        "text in another encoding",
        only("gpkg shp", finding("reader-message")),
        file=text_in_another_encoding,
    ),
    Fault("no .prj", only("shp", refused("no CRS")), file=without(".prj")),
    Fault("no .shx", only("shp", refused("shx")), file=without(".shx")),
    Fault("no .dbf", shapefile_without_table, file=without(".dbf")),
    Fault("nothing in the file", always(refused("damaged, cut short")), file=overwrite(b"")),
    Fault(
        "other things in the file",
        always(refused("damaged, cut short")),
        file=overwrite(b"\x00\xffnothing" * 500),
    ),
    Fault("cut at a tenth", always(refused("damaged")), file=cut(0.1)),
    Fault("cut at a half", always(refused("damaged")), file=cut(0.5)),
    Fault("cut at nine tenths", always(refused("damaged")), file=cut(0.9)),
)


# What a format or a layer makes of a fault, where that is another thing: kinds of layers, what is
# due. A sound layer of points collapsed to a point is sound; laterals drawn as lines are taken by
# their end; a Shapefile of lines turns an area into its outline when it is written; GeoJSON
# without a CRS is in degrees (RFC 7946).
EXCEPTIONS: dict[tuple[str, str], tuple[str, Due | None]] = {
    ("NaN coordinate", "shp"): ("line area", UNWRITABLE),
    ("NaN coordinate", "gdb"): ("line area", UNWRITABLE),
    ("infinite coordinate", "shp"): ("point line area", UNWRITABLE),
    ("infinite coordinate", "gdb"): ("point line area", UNWRITABLE),
    ("huge coordinate", "gdb"): ("point line area", UNWRITABLE),
    ("nested collections", "shp"): ("point line area", UNWRITABLE),
    ("nested collections", "gdb"): ("point line area", UNWRITABLE),
    ("one of another kind", "shp"): ("line", ACCEPTED),
    ("one of another kind", "gdb"): ("point line area", UNWRITABLE),
    ("heights and measures", "gpkg"): ("point line area", UNWRITABLE),
    ("heights and measures", "shp"): ("point line area", UNWRITABLE),
    ("heights and measures", "geojson"): ("point line area", UNWRITABLE),
    ("heights and measures", "fgb"): ("point line area", UNWRITABLE),
    ("heights and measures", "gdb"): ("point line area", UNWRITABLE),
}
OF_LAYERS: dict[tuple[str, str], Due | None] = {
    ("nested collections", "avoid"): ACCEPTED,  # holds every kind
    ("text in another encoding", "hydrants"): ACCEPTED,  # no column of theirs is read
    ("text in another encoding", "sources"): ACCEPTED,
    ("text in another encoding", "laterals"): ACCEPTED,
    ("text in another encoding", "pit_edits"): refused("which is none of fix, forbid"),
    ("one of another kind", "avoid"): None,
    ("all of another kind", "avoid"): None,
    ("collapsed to a point", "avoid"): finding("invalid-polygon"),
    ("collapsed to a point", "laterals"): ACCEPTED,
}


# --- cases ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """One fault in one layer of one format."""

    driver: str
    layer: str
    fault: Fault
    due: Due

    @property
    def name(self) -> str:
        return f"{self.driver}, {self.layer}, {self.fault.name}"


@dataclass(frozen=True)
class Came:
    """What came of a case: an outcome as in `Due`, the rules or the error, what broke."""

    outcome: str
    rules: tuple[str, ...] = ()
    text: str = ""
    broken: str = ""

    def keeps(self, due: Due) -> bool:
        """Tell whether that is what was due."""
        if self.broken or self.outcome != due.outcome:
            return False
        if due.outcome == "finding":
            return bool(set(due.words) & set(self.rules))
        return all(word in self.text for word in due.words)


def cases() -> list[Case]:
    """Return every case of the corpus."""
    return [
        Case(driver, layer, fault, due)
        for fault in FAULTS
        for layer in INPUTS
        for driver in DRIVERS
        if (due := due_for(fault, layer, driver)) is not None
    ]


def share(count: int, seed: int) -> list[Case]:
    """Return so many cases, drawn evenly over the faults."""
    chance = random.Random(seed)  # noqa: S311 - a choice, no secret
    drawn = cases()
    chance.shuffle(drawn)
    seen: Counter[str] = Counter()
    rank = {}
    for case in drawn:
        rank[case.name] = seen[case.fault.name]
        seen[case.fault.name] += 1
    return sorted(drawn, key=lambda case: rank[case.name])[:count]


def due_for(fault: Fault, layer: str, driver: str) -> Due | None:
    """Return what is due of a case, None if there is no such case."""
    due = fault.due(layer, driver)
    if due is None or OF_LAYERS.get((fault.name, layer), due) is None:
        return None
    if fault.name == "collapsed to a point" and kind_of(layer) == "point":
        return None
    if fault.name == "one of another kind" and driver == "shp" and kind_of(layer) != "line":
        return UNWRITABLE
    if fault.name == "infinite number" and driver == "geojson":
        return ACCEPTED  # JSON has no infinity, and its writer leaves the value out
    needed = any(f.required for f in INPUTS[layer].fields)
    if fault.name == "no features" and driver == "geojson" and needed:
        return refused("columns there: none")  # its columns are those of its features
    if fault.name == "reserved word as the identifier" and driver == "gdb":
        return refused("did you mean 'select_'")  # its writer renames the column
    if fault.name in ("no CRS", "CRS in feet") and driver == "geojson":  # it has no code to name
        return refused("coordinates") if layer == "mains" else finding("bad-coordinates")
    kinds, other = EXCEPTIONS.get((fault.name, driver), ("", None))
    if kind_of(layer) in kinds.split():
        return other
    return OF_LAYERS.get((fault.name, layer), due)


def write(frame: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    """Write a layer by the driver of the path's suffix."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what a writer warns of is asked of the reader
        if path.suffix == ".parquet":
            frame.to_parquet(path)
            return
        options: dict[str, Any] = {}
        if not len(frame):
            options["geometry_type"] = INPUTS[layer].geometry[-1]
        if path.suffix == ".fgb":  # with its index the format holds no missing geometry
            options["SPATIAL_INDEX"] = "NO"
        name = (
            {"layer": frame.attrs.get("layer", layer)} if path.suffix in (".gpkg", ".gdb") else {}
        )
        frame.to_file(path, driver=DRIVERS[path.suffix[1:]], engine="pyogrio", **name, **options)


WRITE_ERRORS = (
    pyogrio.errors.DataSourceError, pyogrio.errors.FeatureError, pyogrio.errors.GeometryError,
    pyogrio.errors.DataLayerError, pyogrio.errors.FieldError, ValueError, OSError,
)  # fmt: skip


def run(case: Case, folder: Path) -> Came:
    """Make a case in an empty folder, read it and say what came of it."""
    path = folder / f"data.{case.driver}"
    frame = case.fault.frame(sound(case.layer), case.layer)
    if case.fault.layer_name:
        frame.attrs["layer"] = case.fault.layer_name
    try:
        write(frame, path, case.layer)
    except WRITE_ERRORS as error:
        return Came("unwritable", text=str(error))
    case.fault.file(path)
    for part in folder.iterdir():  # writers have their own trouble with such names
        part.rename(folder / part.name.replace("data", case.fault.file_name, 1))
    path = folder / f"{case.fault.file_name}.{case.driver}"
    entry = {"source": str(path), "fields": case.fault.fields}
    if case.fault.mapped:
        entry["fields"] = mapping(case.layer) | case.fault.fields
    brief = Brief.model_validate({"inputs": {case.layer: entry}})
    frames = {} if case.layer == "mains" else {"mains": sound("mains").rename(columns=MAINS)}
    try:
        with limited(), warnings.catch_warnings():
            warnings.simplefilter("error")
            layers = read_layers(brief, frames=frames, screened=True)
    except LayerError as error:
        return Came("refused", text=str(error))
    except Exception as error:  # noqa: BLE001 - what this corpus looks for
        return Came("error", broken=f"{type(error).__name__}: {error}")
    return look(case, layers, len(frame))


MAINS = {"dia": "diameter_mm"}


def look(case: Case, layers: Any, written: int) -> Came:
    """Return what was read: accepted or with findings, and what was lost in silence."""
    found = layers.findings.table()
    found = found[found["layer"] == case.layer]
    rules = tuple(sorted(set(found["rule"])))
    (row,) = layers.inputs[layers.inputs["layer"] == case.layer].itertuples()
    told = found[found["text"].str.contains("set aside")]["feature"].nunique()
    lost = row.features_read - row.features_used - told
    broken = ""
    if row.features_read != written:
        broken = f"{written} features written, {row.features_read} read"
    elif lost > 0:
        broken = f"{lost} features read, not used and not told of"
    whole = case.due.outcome == "accepted" and row.features_used == written
    graver = rules if not whole else tuple(
        sorted(set(found[found["severity"] != "info"]["rule"]) - {"no-overlap"})
    )  # fmt: skip
    return Came("finding" if graver else "accepted", rules, "; ".join(found["text"]), broken)


@contextmanager
def limited() -> Iterator[None]:
    """Raise a TimeoutError in what takes too long."""

    def late(number: int, frame: object) -> None:
        raise TimeoutError(f"took more than {LIMIT} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(LIMIT)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="pattern of the names of cases")
    parser.add_argument("--share", type=int, default=0, help="so many cases only, drawn by a seed")
    given = parser.parse_args()
    counts: Counter[str] = Counter()
    wrong = []
    for case in share(given.share, 1) if given.share else cases():
        if not re.search(given.only, case.name):
            continue
        with tempfile.TemporaryDirectory() as folder:
            came = run(case, Path(folder))
        counts[case.due.outcome] += 1
        if not came.keeps(case.due):
            wrong.append(case.name)
            print(f"{case.name}\n  due: {case.due}\n  came: {came}", flush=True)
    print(json.dumps({"cases": sum(counts.values()), **counts, "otherwise": len(wrong)}))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
