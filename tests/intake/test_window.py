"""Reading a part of the layers: the same features as in the whole, and no others."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pyproj
import pytest
import shapely

from geotools.brief import Brief
from geotools.errors import LayerError
from geotools.intake.columns import Layers
from geotools.intake.read import read_layers
from geotools.intake.window import MAINS_BEYOND, Window
from geotools.network.ragged import to_linestrings

UTM = pyproj.CRS("EPSG:32633")
X0, Y0 = 500_000.0, 5_200_000.0
WINDOW = Window((X0 + 300, Y0 + 200, X0 + 700, Y0 + 650), UTM)
WRITERS = {
    "net.gpkg": {"driver": "GPKG"},
    "net.shp": {"driver": "ESRI Shapefile"},
    "net.geojson": {"driver": "GeoJSON"},
    "net.fgb": {"driver": "FlatGeobuf"},
    "boxed.parquet": {"write_covering_bbox": True},
    "plain.parquet": {},
}


@pytest.fixture(scope="module")
def frame() -> geopandas.GeoDataFrame:
    rng = np.random.default_rng(7)
    start = rng.uniform((X0, Y0), (X0 + 1000, Y0 + 1000), (300, 2))
    end = start + rng.uniform(-60, 60, (300, 2))
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    ids = [f"M{i}" for i in range(300)]
    return geopandas.GeoDataFrame({"main_id": ids, "diameter_m": 0.3}, geometry=lines, crs=UTM)


def written(frame: geopandas.GeoDataFrame, path: Path) -> Path:
    options: dict[str, Any] = WRITERS[path.name]
    write = frame.to_parquet if path.suffix == ".parquet" else frame.to_file
    write(path, **options)
    return path


def read(source: Path | geopandas.GeoDataFrame, window: Window | None) -> Layers:
    """Read mains through a window; they are read farther than others by so much."""
    window = window and window.wider(-MAINS_BEYOND)
    if isinstance(source, geopandas.GeoDataFrame):
        brief = Brief.model_validate({"network": {"working_crs": "EPSG:32633"}})
        return read_layers(brief, frames={"mains": source}, window=window)
    settings = {
        "inputs": {"mains": {"source": str(source), "fields": {"diameter_m": "diameter_m"}}},
        "network": {"working_crs": "EPSG:32633"},
    }
    return read_layers(Brief.model_validate(settings), window=window)


def shapes(layers: Layers) -> Any:
    return to_linestrings(layers.mains.xy, layers.mains.offsets)


@pytest.mark.parametrize("name", [*WRITERS, "frame"])
def test_a_window_reads_what_meets_it_and_names_it_as_the_whole_does(
    frame: geopandas.GeoDataFrame, tmp_path: Path, name: str
) -> None:
    own = frame.to_crs(4326) if name == "net.geojson" else frame
    source = own if name == "frame" else written(own, tmp_path / name)
    whole, part = read(source, None), read(source, WINDOW)
    meets = shapely.intersects(shapes(whole), shapely.box(*WINDOW.bounds))
    near = shapely.intersects(shapely.envelope(shapes(whole)), shapely.box(*WINDOW.bounds))
    assert 20 < meets.sum() < near.sum() < 200  # a format may go by boxes or by lines
    names = whole.mains.table["main_id"]
    assert set(names[meets]) <= set(part.mains.table["main_id"]) <= set(names[near])
    same = whole.mains.table[names.isin(part.mains.table["main_id"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(part.mains.table, same)
    assert part.inputs["sha256"].tolist() == whole.inputs["sha256"].tolist()


def test_what_lies_at_the_edge_of_a_window_has_its_main_read_too(
    frame: geopandas.GeoDataFrame,
) -> None:
    low_x, low_y, *_ = WINDOW.bounds
    main = shapely.LineString([(low_x - 15, low_y - 90), (low_x - 15, low_y + 300)])
    mains = geopandas.GeoDataFrame({"main_id": ["A"], "diameter_m": 0.3}, geometry=[main], crs=UTM)
    spots = shapely.points([(low_x + 1, low_y + 50), (low_x - 1, low_y + 50)])
    laterals = geopandas.GeoDataFrame({"customers": [1, 2]}, geometry=spots, crs=UTM)
    layers = read_layers(Brief(), frames={"mains": mains, "laterals": laterals}, window=WINDOW)
    assert layers.mains.table["main_id"].tolist() == ["A"]
    assert layers.laterals is not None
    assert layers.laterals.table["customers"].tolist() == [1]


def test_a_window_in_another_crs_loses_nothing(
    frame: geopandas.GeoDataFrame, tmp_path: Path
) -> None:
    source = written(frame.to_crs(3035), tmp_path / "net.gpkg")
    whole, part = read(source, None), read(source, WINDOW)
    meets = shapely.intersects(shapes(whole), shapely.box(*WINDOW.bounds))
    assert set(whole.mains.table.loc[meets, "main_id"]) <= set(part.mains.table["main_id"])
    assert len(part.mains) < len(whole.mains) / 2


def test_where_the_window_has_no_rectangle_the_whole_layer_is_read() -> None:
    fiji = Window((1_900_000.0, 3_800_000.0, 2_200_000.0, 4_100_000.0), pyproj.CRS("EPSG:3460"))
    low_x, _, high_x, _ = pyproj.CRS("EPSG:3460").area_of_use.bounds
    assert low_x > high_x  # the area lies on both sides of 180 degrees
    assert fiji.bounds_in(pyproj.CRS("EPSG:4326")) is None


def arc(start: np.ndarray, end: np.ndarray) -> bytes:
    """Return an arc through two points as well-known binary."""
    middle = (start + end) / 2 + np.array([1.0, 1.0])
    return struct.pack("<BII6d", 1, 8, 3, *start, *middle, *end)


def test_arcs_keep_their_records_in_a_window(tmp_path: Path, frame: geopandas.GeoDataFrame) -> None:
    """A spatial index gives features in its own order."""
    ends = shapely.get_coordinates(frame.geometry).reshape(-1, 2, 2)
    path = tmp_path / "arcs.gpkg"
    pyogrio.raw.write(
        str(path),
        geometry=np.array([arc(*pair) for pair in ends], dtype=object),
        field_data=[frame["main_id"].to_numpy(dtype=object), frame["diameter_m"].to_numpy()],
        fields=["main_id", "diameter_m"],
        geometry_type="Unknown",
        crs="EPSG:32633",
    )
    mains = read(path, WINDOW).mains
    row = mains.table["main_id"].str[1:].astype(int).to_numpy()
    assert len(row) > 20
    np.testing.assert_allclose(mains.xy[mains.offsets[:-1]], ends[row, 0], atol=1e-3)


@pytest.mark.parametrize(("name", "driver"), [("net.gml", "GML"), ("net.mif", "MapInfo File")])
def test_a_window_without_features_is_no_layer_of_which_nothing_could_be_used(
    frame: geopandas.GeoDataFrame, tmp_path: Path, name: str, driver: str
) -> None:
    path = tmp_path / name
    frame[["geometry"]].assign(name="A").to_file(path, driver=driver)
    assert pyogrio.read_info(path)["features"] == -1  # how many there are is not known beforehand
    settings = {"inputs": {"streets": {"source": str(path)}}}
    brief = Brief.model_validate({**settings, "network": {"working_crs": "EPSG:32633"}})
    aside = Window((X0 + 5000, Y0, X0 + 6000, Y0 + 900), UTM)
    mains = frame[:1].set_geometry([shapely.LineString([(X0 + 5100, Y0), (X0 + 5300, Y0)])])
    for window, count in ((aside, 0), (None, 300)):
        layers = read_layers(brief, frames={"mains": mains.set_crs(UTM)}, window=window)
        assert layers.streets is not None
        assert len(layers.streets) == count
        assert "nothing-usable" not in set(layers.findings.table()["rule"])


@pytest.mark.parametrize(
    ("crs", "working", "reason"),
    [
        ("EPSG:32633", None, ""),  # lengths are taken in the mains' own, of which nothing is said
        ("EPSG:4326", None, "because those of all mains are"),
        ("EPSG:4326", "EPSG:32633", "because the brief says so"),
    ],
)
def test_the_brief_is_named_as_the_reason_of_a_crs_only_where_it_says_so(
    crs: str, working: str | None, reason: str, frame: geopandas.GeoDataFrame
) -> None:
    brief = Brief.model_validate({"network": {} if working is None else {"working_crs": working}})
    layers = read_layers(brief, frames={"mains": frame.to_crs(crs)}, window=WINDOW)
    told = layers.findings.table()
    texts = told.loc[told["rule"] == "working-crs", "text"].tolist()
    assert len(texts) == bool(reason)
    assert all(text.endswith(reason) for text in texts)


def restated(path: Path, **column: Any) -> Path:
    """Say otherwise of the geometries of a GeoParquet file."""
    table = pq.read_table(path)
    said = json.loads(table.schema.metadata[b"geo"])
    said["columns"]["geometry"] |= column
    metadata = {**table.schema.metadata, b"geo": json.dumps(said).encode()}
    pq.write_table(table.replace_schema_metadata(metadata), path)
    return path


SIDES = ("xmin", "ymin", "xmax", "ymax")


@pytest.mark.parametrize(
    "boxes",
    [
        {side: ["gone", side] for side in SIDES},
        {side: ["main_id", side] for side in SIDES},
        {side: ["bbox", "xmin"] for side in SIDES},
        dict.fromkeys(SIDES, "bbox"),
        dict.fromkeys(SIDES),
        {"xmin": [], "ymin": [["bbox"], 1], "xmax": ["bbox"], "ymax": {}},
    ],
)
def test_boxes_that_are_not_where_the_file_says_are_not_used(boxes, tmp_path, frame):
    path = restated(written(frame, tmp_path / "boxed.parquet"), covering={"bbox": boxes})
    assert read(path, WINDOW).mains.table["main_id"].tolist() == (
        read(frame, WINDOW).mains.table["main_id"].tolist()
    )


@pytest.mark.parametrize("covering", [None, [], "x", {"bbox": None}, {"bbox": [1]}])
def test_metadata_of_boxes_that_geoparquet_has_not_are_bad_input(covering, tmp_path, frame):
    path = restated(written(frame, tmp_path / "boxed.parquet"), covering=covering)
    with pytest.raises(LayerError, match=r"covering of column 'geometry' are no object"):
        read(path, None)


@pytest.mark.parametrize("columns", [None, [1], {"geometry": None}, {"geometry": "WKB"}])
def test_metadata_of_columns_that_geoparquet_has_not_are_bad_input(columns, tmp_path, frame):
    path = written(frame, tmp_path / "boxed.parquet")
    table = pq.read_table(path)
    said = json.loads(table.schema.metadata[b"geo"]) | {"columns": columns}
    metadata = {**table.schema.metadata, b"geo": json.dumps(said).encode()}
    pq.write_table(table.replace_schema_metadata(metadata), path)
    with pytest.raises(LayerError, match=r"of which those of .* are no object; write it again"):
        read(path, None)
