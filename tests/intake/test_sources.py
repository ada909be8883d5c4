"""Sources: formats, choice of the layer, what is refused and how damage is told."""

from __future__ import annotations

import contextlib
import ctypes
import gzip
import hashlib
import json
import os
import socket
import sqlite3
import struct
import sys
import unicodedata
import warnings
import zipfile
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyogrio._io
import pytest
import rasterio
import shapely

from geotools.brief import load_brief
from geotools.deliver.read_plan import read_plan
from geotools.errors import LayerError
from geotools.gdal_options import gdal_options
from geotools.intake.dem import find_rasters
from geotools.intake.domains import read_words
from geotools.intake.faults import LOCKED
from geotools.intake.read import read_layers
from geotools.intake.vector import _heard

FORMATS = {
    "net.gpkg": "GPKG",
    "net.shp": "ESRI Shapefile",
    "net.geojson": "GeoJSON",
    "net.fgb": "FlatGeobuf",
    "net.parquet": "",
}


def write(frame: geopandas.GeoDataFrame, path: Path, **options: object) -> Path:
    if path.suffix == ".parquet":
        frame.to_parquet(path)
    else:
        frame.to_file(path, driver=FORMATS.get(path.name, "GPKG"), **options)
    return path


@pytest.fixture
def many(network, line):
    """Enough mains that cutting a file short cuts features."""
    shapes = [line((10 * i, 0), (10 * i + 5, 40), (10 * i, 90)) for i in range(3000)]
    return network(shapes, main_id=[f"Ä{i}" for i in range(3000)], diameter_in=12, diameter_mm=None)


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_gives_the_same_mains(name, tmp_path, network, line, read_file):
    shapes = [line((0, 0), (100, 0)), line((0, 50), (100, 50), (100, 90))]
    frame = network(shapes, main_id=["ä 1", "B,2"], dia=[12.0, None], diameter_mm=None)
    path = write(frame, tmp_path / name)
    layers = read_file(path, fields={"diameter_in": "dia"})
    table = layers.mains.table.sort_values("main_id", ascending=False)
    assert table["main_id"].tolist() == ["ä 1", "B,2"]
    assert table["diameter"].iloc[0] == pytest.approx(0.3048)
    assert np.isnan(table["diameter"].iloc[1])
    lengths = [np.ptp(layers.mains.xy[a:b, 0]) for a, b in zip(
        layers.mains.offsets, layers.mains.offsets[1:], strict=False)]  # fmt: skip
    assert sorted(lengths) == pytest.approx([100.0, 100.0])
    assert sorted(np.diff(layers.mains.offsets)) == [2, 3]
    assert layers.output_crs.to_epsg() == 32633
    assert layers.inputs["source"].tolist() == [name]


def test_whole_numbers_with_gaps_stay_exact_identifiers(tmp_path, network, read_file):
    frame = network(main_id=[9007199254740993, 5])
    frame["main_id"] = frame["main_id"].astype("Int64")
    frame.loc[1, "main_id"] = None
    layers = read_file(write(frame, tmp_path / "net.gpkg"))
    assert layers.mains.table["main_id"].tolist() == ["9007199254740993", "fid-2"]


def test_the_fid_column_may_be_the_identifier(tmp_path, network, read_file):
    path = write(network(main_id=None), tmp_path / "net.gpkg")
    layers = read_file(path, fields={"main_id": "fid"})
    assert layers.mains.table["main_id"].tolist() == ["1", "2"]


def test_the_layer_of_the_contracts_name_is_taken(tmp_path, network, read_file):
    path = tmp_path / "net.gpkg"
    write(network(), path, layer="mains")
    write(network(main_id=["x", "y"]), path, layer="old")
    assert read_file(path).mains.table["main_id"].tolist() == ["A", "B"]
    assert read_file(f"{path}:OLD").mains.table["main_id"].tolist() == ["x", "y"]


def test_several_layers_and_none_named_is_an_error_that_lists_them(
    tmp_path, network, read_file, fault
):
    path = tmp_path / "net.gpkg"
    write(network(), path, layer="pipes")
    write(network(), path, layer="old")
    text = fault(read_file, path)
    assert all(word in text for word in ("net.gpkg", "pipes, old", "path:layer", "'mains'"))


def test_a_layer_that_is_not_there_names_the_nearest(tmp_path, network, read_file, fault):
    path = write(network(), tmp_path / "net.gpkg", layer="pipes")
    text = fault(read_file, f"{path}:pipe")
    assert "has no layer 'pipe'; did you mean 'pipes'?" in text


def test_an_existing_file_with_a_colon_in_its_name_wins(tmp_path, network, read_file):
    write(network(), tmp_path / "net.gpkg", layer="a")
    odd = tmp_path / "net.gpkg:a"
    write(network(main_id=["x", "y"]), tmp_path / "other.gpkg").rename(odd)
    assert read_file(odd).mains.table["main_id"].tolist() == ["x", "y"]
    odd.unlink()
    assert read_file(odd).mains.table["main_id"].tolist() == ["A", "B"]


def test_a_missing_file_names_the_nearest_in_its_folder(tmp_path, network, read_file, fault):
    write(network(), tmp_path / "network.gpkg")
    text = fault(read_file, tmp_path / "netwrok.gpkg")
    assert "mains" in text
    assert "netwrok.gpkg" in text
    assert "no such file; did you mean 'network.gpkg'?" in text
    assert "no folder" in fault(read_file, tmp_path / "nowhere" / "network.gpkg")
    drive = fault(read_file, r"C:\data\net.gpkg:mains")
    assert "no such file" in drive


@pytest.mark.parametrize(
    "source",
    [
        "https://example.invalid/net.gpkg",
        "http://example.invalid:8080/net.gpkg:mains",
        "/vsicurl/https://example.invalid/net.gpkg",
        "/vsizip//vsicurl/https://example.invalid/net.zip/net.shp",
        "/vsis3/bucket/net.gpkg",
        "PG:host=example.invalid user=secret",
        "folder/PG:host=example.invalid user=secret",
        "WFS:https://example.invalid",
        "MYSQL:net,user=secret",
        "s3://bucket/net.parquet",
    ],
)
def test_remote_sources_are_refused_and_told_apart_from_missing_files(source, read_file, fault):
    text = fault(read_file, source)
    assert "only local files are read" in text
    assert "--allow-remote" in text
    assert "secret" not in text


def test_a_file_that_only_points_at_other_data_is_refused(tmp_path, network, read_file, fault):
    write(network(), tmp_path / "net.gpkg", layer="mains")
    pointer = tmp_path / "net.vrt"
    pointer.write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="mains"><SrcDataSource relativeToVRT="1">net.gpkg'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    text = fault(read_file, pointer)
    assert "net.vrt" in text
    assert "--allow-remote" in text
    assert len(read_file(pointer, allow_remote=True).mains) == 2


def test_a_layer_inside_a_local_archive_is_read(tmp_path, network, read_file):
    write(network(), tmp_path / "net.fgb")
    archive = tmp_path / "net.zip"
    with zipfile.ZipFile(archive, "w") as target:
        target.write(tmp_path / "net.fgb", "net.fgb")
    assert len(read_file(f"/vsizip/{archive}/net.fgb").mains) == 2
    assert len(read_file(archive).mains) == 2


COLON = pytest.mark.skipif(sys.platform == "win32", reason="no name of a file there")


@pytest.mark.parametrize("name", ["net.gpkg.gz", pytest.param("a:b.gpkg.gz", marks=COLON)])
def test_a_packed_file_is_read_by_its_place_and_told_as_packed_without(
    tmp_path, network, read_file, fault, monkeypatch, name
):
    monkeypatch.setenv("CPL_VSIL_GZIP_WRITE_PROPERTIES", "NO")
    network().to_file(tmp_path / "net.gpkg", layer="mains")
    packed = gzip.compress((tmp_path / "net.gpkg").read_bytes())
    (tmp_path / name).write_bytes(packed)
    for source in (f"/vsigzip/{tmp_path}/{name}:mains", f"/vsigzip/{tmp_path}/{name}"):
        read = read_file(source)
        assert list(read.mains.table["main_id"]) == ["A", "B"]
        assert tuple(read.inputs[["source", "sublayer"]].iloc[0]) == (name, "mains")
        assert read.inputs["sha256"][0] == hashlib.sha256(packed).hexdigest()
    said = f"mains ({name}): is packed; unpack it and give the file in it"
    assert fault(read_file, tmp_path / name) == said
    gone = fault(read_file, f"/vsigzip/{tmp_path}/gone.gz:mains")
    assert gone.endswith("no such archive; check the path")
    (tmp_path / name).write_bytes(packed[:-200])
    assert "is packed" not in fault(read_file, f"/vsigzip/{tmp_path}/{name}:mains")


@pytest.mark.parametrize("rubbish", [[], ["__MACOSX/._net", ".DS_Store"]])
@pytest.mark.parametrize("inside", ["", "Leitungen S\u00fcd/", "a/b c/"])
@pytest.mark.parametrize("suffix", ["shp", "gpkg", "geojson"])
def test_an_archive_is_read_whatever_folder_its_files_lie_in(
    suffix, inside, rubbish, tmp_path, network, read_file
):
    frame = network().rename(columns={"diameter_mm": "dia"})
    write(frame, tmp_path / f"net.{suffix}")
    archive = tmp_path / "net.zip"
    with zipfile.ZipFile(archive, "w") as target:
        for path in tmp_path.glob("net.[!z]*"):
            target.write(path, f"{inside}{path.name}")
        for name in rubbish:
            target.writestr(name, "no data")
    assert len(read_file(archive, fields={"diameter_mm": "dia"}).mains) == 2


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.97])
@pytest.mark.parametrize("name", FORMATS)
def test_a_truncated_file_is_an_error_never_fewer_mains(
    name, share, tmp_path, many, read_file, fault
):
    frame = many.rename(columns={"diameter_in": "dia"})
    path = write(frame, tmp_path / name)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    text = fault(read_file, path, fields={"diameter_in": "dia"})
    assert text.startswith(f"mains ({name}")
    assert "export" in text or "give a file" in text
    assert "copy" in text or "give a file" in text


def test_a_truncated_attribute_table_names_the_feature(tmp_path, many, read_file, fault):
    path = write(many.rename(columns={"diameter_in": "dia"}), tmp_path / "net.shp")
    table = path.with_suffix(".dbf")
    table.write_bytes(table.read_bytes()[: table.stat().st_size // 2])
    text = fault(read_file, path, fields={"diameter_in": "dia"})
    assert "net.shp" in text
    assert "the feature after fid 1498 cannot be read" in text
    assert "export the file again" in text


def test_damage_in_the_middle_names_the_feature(tmp_path, many, read_file, fault):
    path = write(many, tmp_path / "net.fgb")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 80] = b"\xff" * 80
    path.write_bytes(data)
    text = fault(read_file, path)
    assert "mains (net.fgb): the feature after fid" in text
    assert "repair or delete that feature" in text


def alter_geometry(path: Path, fid: int, wkb: bytes) -> None:
    """Put other WKB behind the header of one geometry of a GeoPackage."""
    database = sqlite3.connect(path)
    old = database.execute("SELECT geom FROM mains WHERE fid = ?", (fid,)).fetchone()[0]
    database.execute("UPDATE mains SET geom = ? WHERE fid = ?", (old[:40] + wkb, fid))
    database.commit()
    database.close()


def test_one_broken_geometry_is_set_aside_by_name(tmp_path, network, read_file, found):
    path = write(network(), tmp_path / "net.gpkg", layer="mains", SPATIAL_INDEX="NO")
    alter_geometry(path, 2, struct.pack("<BIIdd", 1, 2, 1, 5e5, 5e6))  # a line of one vertex
    layers = read_file(path)
    row = found(layers, "broken-geometry").iloc[0]
    assert row["feature"] == "B"
    assert "point array" in row["text"]
    assert "draw it again" in row["text"]
    assert layers.mains.table["main_id"].tolist() == ["A"]


def test_not_a_number_in_a_file_is_set_aside_by_name(tmp_path, network, read_file, found):
    path = write(network(), tmp_path / "net.gpkg", layer="mains", SPATIAL_INDEX="NO")
    alter_geometry(path, 2, struct.pack("<BIIdddd", 1, 2, 2, 5e5, 5.2e6, np.nan, 5.2e6))
    layers = read_file(path)
    row = found(layers, "bad-coordinates").iloc[0]
    assert row["feature"] == "B"
    assert shapely.equals(row["geometry"], shapely.Point(5e5, 5.2e6))
    assert layers.mains.table["main_id"].tolist() == ["A"]


def test_a_file_left_open_elsewhere_is_no_word_of_the_reader() -> None:
    messages: list[str] = []
    with pytest.warns(ResourceWarning, match="unclosed"), _heard(messages):
        warnings.warn("unclosed file", ResourceWarning, stacklevel=1)
    assert messages == []


def test_what_the_reader_warns_of_is_a_finding(tmp_path, read_file, found):
    path = tmp_path / "net.geojson"
    shapes = {"A": [[15.0, 47.0], [15.001, 47.0]], "B": [[1]]}
    features = [
        {
            "type": "Feature",
            "properties": {"main_id": name, "diameter_mm": 300},
            "geometry": {"type": "LineString", "coordinates": vertices},
        }
        for name, vertices in shapes.items()
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    layers = read_file(path)
    assert "Invalid coord dimension" in found(layers, "reader-message")["text"][0]
    assert found(layers, "no-geometry")["feature"].tolist() == ["B"]


def test_arcs_are_drawn_as_chords(tmp_path, read_file):
    path = tmp_path / "net.csv"
    path.write_text(
        "WKT,main_id,diameter_mm\n"
        '"CIRCULARSTRING (500000 5200000, 500050 5200050, 500100 5200000)",A,300\n'
        '"COMPOUNDCURVE ((500000 5200000, 500000 5200100), CIRCULARSTRING '
        '(500000 5200100, 500050 5200150, 500100 5200100))",B,300\n'
        '"LINESTRING M (500000 5200000 7, 500100 5200000 8)",C,300\n'
    )
    mains = read_file(path, crs="EPSG:32633").mains
    half_circle = mains.xy[: mains.offsets[1]]
    assert len(half_circle) > 20
    assert np.hypot(*(half_circle - (500050, 5200000)).T) == pytest.approx(50, abs=1e-6)
    assert np.diff(mains.offsets)[2] == 2


def _arc(radius: float, *, turn: float = 1.2) -> str:
    """Return an arc about a point, from due east of it, as text."""
    angles = np.array([0.0, turn / 2, turn])
    xy = np.stack([500000 + radius * np.cos(angles), 5200000 + radius * np.sin(angles)], axis=1)
    return "CIRCULARSTRING (" + ", ".join(f"{x:.9f} {y:.9f}" for x, y in xy) + ")"


def test_chords_of_arcs_stay_within_a_hundred_thousandth_of_the_radius(tmp_path, read_file):
    radii = np.array([0.3, 3, 30, 300, 3000, 10_000])
    path = tmp_path / "net.csv"
    rows = [f'"{_arc(radius)}",R{k},300\n' for k, radius in enumerate(radii)]
    path.write_text("".join(["WKT,main_id,diameter_mm\n", *rows]))
    mains = read_file(path, crs="EPSG:32633").mains
    assert len(mains) == len(radii)
    for k, radius in enumerate(radii):
        line = mains.xy[slice(*mains.offsets[k : k + 2])] - (500000, 5200000)
        middles = np.hypot(*((line[1:] + line[:-1]) / 2).T)
        assert np.abs(middles - radius).max() < max(1e-5 * radius, 1e-6)


def test_arcs_are_told_once_with_their_count(tmp_path, read_file, found):
    path = tmp_path / "net.csv"
    line = "(500000 5200000, 500100 5200000)"
    shapes = [_arc(50), f"MULTICURVE ({line}, {_arc(90)})", f"MULTICURVE ({line})"]
    shapes += [f"COMPOUNDCURVE ({line})", f"LINESTRING {line}", "MULTICURVE Z ((0 0 1, 9 9 1))"]
    rows = [f'"{shape}",M{k},300\n' for k, shape in enumerate(shapes)]
    path.write_text("".join(["WKT,main_id,diameter_mm\n", *rows]))
    told = found(read_file(path, crs="EPSG:32633"), "arcs-as-chords")
    assert told["severity"].tolist() == ["info"]
    assert told["text"][0].startswith("2 of 6 features hold true arcs")


def test_measures_in_vertices_are_told_once_in_our_words(tmp_path, network, read_file, found):
    path = write(network(), tmp_path / "net.gpkg")
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE gpkg_geometry_columns SET z = 1, m = 1")
    layers = read_file(path)
    told = found(layers, "m-ignored")
    assert told["severity"].tolist() == ["info"]
    assert "chainage is counted along the drawing" in told["text"][0]
    assert found(layers, "reader-message").empty


def test_a_table_without_geometry_is_an_error(tmp_path, read_file, fault):
    path = tmp_path / "net.csv"
    path.write_text("main_id,diameter_mm\nA,300\n")
    text = fault(read_file, path, crs="EPSG:32633")
    assert "net.csv" in text
    assert "geometr" in text


def test_parquet_without_geometry_metadata_is_an_error(tmp_path, network, read_file, fault):
    path = tmp_path / "net.parquet"
    network().drop(columns="geometry").to_parquet(path)
    text = fault(read_file, path)
    assert "net.parquet" in text
    assert "write it as GeoParquet" in text


def test_a_folder_of_shapefiles_is_a_source(tmp_path, network, read_file):
    frame = network(diameter_mm=None, dia=[12, 12])
    write(frame, tmp_path / "net.shp")
    frame.to_file(tmp_path / "other.shp")
    layers = read_file(f"{tmp_path}:other", fields={"diameter_in": "dia"})
    assert len(layers.mains) == 2
    assert len(layers.inputs["sha256"][0]) == 64


def test_text_in_an_old_encoding_keeps_its_letters(tmp_path, network, read_file):
    frame = network(main_id=["Süd", "Öst"], diameter_mm=None, dia=[12, 12])
    path = write(frame, tmp_path / "net.shp", encoding="ISO-8859-1")
    layers = read_file(path, fields={"diameter_in": "dia"})
    assert layers.mains.table["main_id"].tolist() == ["Süd", "Öst"]


def test_text_that_breaks_its_stated_encoding_is_read_and_told(tmp_path, network, read_file, found):
    frame = network(main_id=["Sued", "Ost"], diameter_mm=None, dia=[12, 12])
    path = write(frame, tmp_path / "net.shp", encoding="UTF-8")
    table = path.with_suffix(".dbf")
    table.write_bytes(table.read_bytes().replace(b"Sued", b"S\xfc d"))
    layers = read_file(path, fields={"diameter_in": "dia"})
    assert layers.mains.table["main_id"][1] == "Ost"
    assert layers.mains.table["main_id"][0].startswith("S")
    assert len(found(layers, "reader-message")) >= 1


def with_domain(path: Path, column: str, words: dict[int | str, str | None]) -> None:
    """Give a column of the layer ``mains`` of a GeoPackage a domain of coded values."""
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute(
            "CREATE TABLE gpkg_data_columns (table_name TEXT, column_name TEXT, name TEXT, "
            "title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT)"
        )
        db.execute(
            "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT, "
            "constraint_type TEXT, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, "
            "max NUMERIC, max_is_inclusive BOOLEAN, description TEXT)"
        )
        db.execute(
            "INSERT INTO gpkg_data_columns (table_name, column_name, constraint_name) "
            "VALUES ('mains', ?, 'words')",
            (column,),
        )
        db.executemany(
            "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, value, "
            "description) VALUES ('words', 'enum', ?, ?)",
            [(str(code), word) for code, word in words.items()],
        )
        db.executemany(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
            [(table, "-") for table in ("gpkg_data_columns", "gpkg_data_column_constraints")],
        )


# Codes with gaps, without a word, below and beyond those the domain knows, and none at all.
CODES = pd.array([1, 5, 3, 2, -1, 1_000_000, None, 0], dtype="Int32")
WORDS = {1: "Cast iron", 5: "Steel", 2: None, 6: "Steel"}


def test_coded_values_are_read_as_their_domain_says_and_unknown_codes_are_told(
    tmp_path, network, line, read_file, found
):
    shapes = [line((0, 9 * k), (100, 9 * k)) for k in range(len(CODES))]
    frame = network(shapes, material=CODES)
    path = write(frame, tmp_path / "net.gpkg", layer="mains")
    with_domain(path, "material", WORDS)
    layers = read_file(path)
    read = layers.mains.table.sort_values("main_id")["material"].tolist()
    assert read == ["Cast iron", "Steel", "3", "2", "-1", "1000000", "", "0"]
    told = found(layers, "reader-message")["text"].tolist()
    assert len(told) == 1
    assert "'material' holds codes that its domain does not describe: -1, 0, 2, 3, 10" in told[0]


def test_a_domain_that_knows_every_code_is_no_word_of_the_reader(
    tmp_path, network, read_file, found
):
    frame = network(material=pd.array([1, None], dtype="Int32"))
    path = write(frame, tmp_path / "net.gpkg", layer="mains")
    with_domain(path, "material", WORDS)
    layers = read_file(path)
    assert layers.mains.table["material"].tolist() == ["Cast iron", ""]
    assert found(layers, "reader-message").empty


LETTERS = {"A": "In service", "R": "Removed", "S": ""}


def as_geodatabase(source: Path, target: Path) -> Path:
    """Copy a GeoPackage with its domains by GDAL's own translation, which no package wraps."""
    gdal, handle = ctypes.CDLL(pyogrio._io.__file__), ctypes.c_void_p
    for name in ("GDALOpenEx", "GDALVectorTranslateOptionsNew", "GDALVectorTranslate"):
        getattr(gdal, name).restype = handle
    opened = handle(gdal.GDALOpenEx(str(source).encode(), 4, None, None, None))
    words = (ctypes.c_char_p * 3)(b"-f", b"OpenFileGDB", None)
    options = handle(gdal.GDALVectorTranslateOptionsNew(words, None))
    made = gdal.GDALVectorTranslate(
        str(target).encode(), None, 1, (handle * 1)(opened), options, None
    )
    assert made
    gdal.GDALClose(handle(made))
    gdal.GDALClose(opened)
    return target


@pytest.mark.parametrize("dress", ["gpkg", "zip", "gdb"])
def test_codes_of_text_are_read_as_their_domain_says(
    tmp_path, network, line, read_file, found, dress
):
    shapes = [line((0, 9 * k), (100, 9 * k)) for k in range(6)]
    frame = network(shapes, status=["A", "R", "X", None, "S", "In service"])
    path = write(frame, tmp_path / "net.gpkg", layer="mains")
    with_domain(path, "status", LETTERS)
    if dress == "gdb":
        path = as_geodatabase(path, tmp_path / "net.gdb")
    elif dress == "zip":
        with zipfile.ZipFile(tmp_path / "net.zip", "w") as archive:
            archive.write(path, path.name)
        path = tmp_path / "net.zip"
    layers = read_file(path)
    mains = layers.mains.table.sort_values("main_id")
    # B is out of the ground: it is among those set aside by its status
    assert mains["status"].tolist() == ["In service", "Removed", "X", "", "S", "In service"]
    told = found(layers, "reader-message")["text"].tolist()
    assert len(told) == 1
    assert "'status' holds codes that its domain does not describe: S, X;" in told[0]


def test_codes_longer_than_32_bits_are_read_as_their_domain_says(
    tmp_path, network, read_file, found
):
    frame = network(material=[5_000_000_001, 5_000_000_002])
    path = write(frame, tmp_path / "net.gpkg", layer="mains")
    with_domain(path, "material", {5_000_000_001: "Cast iron", 5_000_000_002: "PVC"})
    layers = read_file(path)
    assert sorted(layers.mains.table["material"]) == ["Cast iron", "PVC"]
    assert found(layers, "reader-message").empty


def test_a_range_is_no_domain_of_codes(tmp_path, network, read_file, found):
    path = write(network(material=["7", "8"]), tmp_path / "net.gpkg", layer="mains")
    with_domain(path, "material", {"7": "Cast iron"})
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute(
            "UPDATE gpkg_data_column_constraints SET constraint_type = 'range', value = NULL, "
            "min = 0, max = 9"
        )
    layers = read_file(path)
    assert sorted(layers.mains.table["material"]) == ["7", "8"]
    assert found(layers, "reader-message").empty


def test_a_domain_that_cannot_be_looked_up_is_told(
    monkeypatch, tmp_path, network, read_file, found
):
    path = write(network(material=["7", "8"]), tmp_path / "net.gpkg", layer="mains")
    with_domain(path, "material", {"7": "Cast iron"})
    monkeypatch.setattr("geotools.intake.vector.read_words", lambda *_: None)
    layers = read_file(path)
    assert sorted(layers.mains.table["material"]) == ["7", "8"]
    (text,) = found(layers, "reader-message")["text"]
    assert "'material' has the domain 'words', whose words could not be looked up" in text


def test_domains_of_a_damaged_or_strange_file_are_not_known(tmp_path, network):
    path = write(network(), tmp_path / "net.gpkg", layer="mains")  # it has no such table
    assert read_words(str(path), "GPKG", "it's") is None
    assert read_words(str(path), "OpenFileGDB", "words") is None
    assert read_words(str(path), "FlatGeobuf", "words") is None


def test_a_table_in_utf_16_is_to_be_saved_as_utf_8(tmp_path, read_file, fault):
    path = tmp_path / "net.csv"
    path.write_text('main_id,diameter_mm,WKT\nA,300,"LINESTRING(0 0,9 9)"\n', "utf-16")
    for entry in ({}, {"encoding": "latin1"}):
        text = fault(read_file, path, crs="EPSG:32633", **entry)
        assert "is UTF-16 text" in text
        assert "save the file as UTF-8" in text
        assert "damaged" not in text


TWINS = ["net.geojson", "net.fgb", "net.csv", "net.parquet"]


@pytest.mark.parametrize("name", TWINS)
def test_columns_alike_but_for_case_are_refused_by_name_and_read_as_mapped(
    tmp_path, network, read_file, fault, name
):
    frame = network(diameter_mm=[400.0, 400.0], Diameter_MM=[800.0, 800.0])
    path = tmp_path / name
    if name == "net.csv":
        table = frame.drop(columns="geometry").assign(WKT=frame.to_wkt()["geometry"])
        table.to_csv(path, index=False)
    elif name == "net.geojson":  # GDAL writes no twins there
        path.write_text(frame.to_crs(4326).to_json())
    else:
        write(frame, path)
    text = fault(read_file, path, crs=None if name != "net.csv" else "EPSG:32633")
    assert "'diameter_mm', 'Diameter_MM'; say which under [inputs.mains.fields]" in text
    for column, metres in (("diameter_mm", 0.4), ("Diameter_MM", 0.8)):
        crs = {"crs": "EPSG:32633"} if name == "net.csv" else {}
        layers = read_file(path, fields={"diameter_mm": column}, **crs)
        assert layers.mains.table["diameter"].to_numpy() == pytest.approx([metres] * 2)
    assert "more than once" in fault(read_file, path, fields={"diameter_mm": "DIAMETER_mm"})


@pytest.mark.parametrize("name", ["net.geojson", "net.geojsonl"])
def test_a_property_of_the_name_of_the_feature_ids_is_read(tmp_path, network, read_file, name):
    frame = network(main_id=None, id=[70, 71]).to_crs(4326)
    path = tmp_path / name
    if name == "net.geojson":
        path.write_text(frame.to_json())
    else:
        frame.to_file(path, driver="GeoJSONSeq")
    layers = read_file(path, fields={"main_id": "id"})
    assert layers.mains.table["main_id"].tolist() == ["70", "71"]


def test_the_hash_is_that_of_the_file_and_changes_with_a_companion(tmp_path, network, read_file):
    path = write(network(), tmp_path / "net.gpkg", layer="mains")
    layers = read_file(path)
    row = layers.inputs.iloc[0]
    assert row["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (row["source"], row["sublayer"], row["crs"]) == ("net.gpkg", "mains", "EPSG:32633")
    assert (row["features_read"], row["features_used"]) == (2, 2)
    shape = write(network(diameter_mm=None, dia=[12, 12]), tmp_path / "net.shp")
    before = read_file(shape, fields={"diameter_in": "dia"}).inputs["sha256"][0]
    table = shape.with_suffix(".dbf")
    table.write_bytes(table.read_bytes().replace(b"A ", b"Z "))
    assert read_file(shape, fields={"diameter_in": "dia"}).inputs["sha256"][0] != before


def test_faults_of_several_layers_are_told_at_once(tmp_path, network, fault):
    path = write(network(main_id=None), tmp_path / "net.gpkg", layer="mains")
    brief = load_brief(
        inputs={"mains": str(path), "valves": str(tmp_path / "no.gpkg"), "dem": str(path) + "x"}
    )
    lines = fault(read_layers, brief).splitlines()
    assert [line.partition(" ")[0].rstrip(":") for line in lines] == ["mains", "valves", "dem"]


def test_frames_take_the_place_of_the_briefs_sources(tmp_path, network, read, fault):
    brief = {"inputs": {"mains": {"source": "nowhere.gpkg", "fields": {"main_id": "name"}}}}
    layers = read(brief, mains=network(main_id=None, name=["p", "q"]))
    assert layers.mains.table["main_id"].tolist() == ["p", "q"]
    assert "no such layer; the nearest is 'mains'" in fault(read, mains=network(), maains=network())
    assert "no source given" in fault(read)


def test_progress_is_told(network):
    told: list[str] = []
    read_layers(load_brief(), frames={"mains": network()}, progress=told.append)
    assert told[0] == "reading mains"


def test_a_shapefile_without_its_index_is_an_error(tmp_path, network, read_file, fault):
    path = write(network(diameter_mm=None, dia=[12, 12]), tmp_path / "net.shp")
    path.with_suffix(".shx").unlink()
    text = fault(read_file, path, fields={"diameter_in": "dia"})
    assert "net.shp" in text
    assert "export it again" in text


def test_a_folder_given_as_a_dot_is_told_by_its_name(
    tmp_path, network, read_file, fault, monkeypatch
):
    folder = tmp_path / "survey"
    folder.mkdir()
    for name in ("pipes", "old"):
        frame = network(diameter_mm=None, diameter_i=[12, 12])
        frame.to_file(folder / f"{name}.shp", driver="ESRI Shapefile")
    monkeypatch.chdir(folder)
    assert fault(read_file, ".").startswith("mains (survey): ")
    monkeypatch.chdir(tmp_path)
    assert fault(read_file, "survey/../survey").startswith("mains (survey): ")
    assert fault(read_file, "/").startswith("mains (/): ")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name on this system")
@pytest.mark.parametrize("kind", ["pipe", "socket", "device"])
@pytest.mark.parametrize("ending", ["net.gpkg", "net.zip", "net.tif"])
def test_what_is_no_file_is_refused_and_not_waited_for(
    kind, ending, tmp_path, read_file, fault, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    path = Path(ending)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "socket":
        with contextlib.closing(socket.socket(socket.AF_UNIX)) as bound:
            bound.bind(str(path))
    else:
        path.symlink_to("/dev/zero")
    told = "is a pipe, a socket or a device and no file; save what it gives as a file"
    assert fault(read_file, path) == f"mains ({path}): {told}"
    assert fault(read_file, f"{path}:mains") == f"mains ({path}:mains): {told}"
    assert fault(find_rasters, str(path), allow_remote=False) == f"dem: {str(path)!r} {told}"


@pytest.mark.parametrize(("east", "north"), [("x", "y"), ("Lon", "LAT"), ("easting", "northing")])
def test_a_table_with_columns_of_coordinates_is_told_how_to_make_points(
    east, north, tmp_path, read_file, fault
):
    path = tmp_path / "mains.csv"
    path.write_text(f"main_id,{east},{north},diameter_mm\nA,500000,5200000,300\n")
    text = fault(read_file, path)
    assert f"its columns {east!r} and {north!r} look like coordinates" in text
    assert f"-oo X_POSSIBLE_NAMES={east} -oo Y_POSSIBLE_NAMES={north}" in text


def test_identifiers_whose_letters_are_lost_are_told_with_the_cause(
    tmp_path, network, read_file, found
):
    path = tmp_path / "mains.shp"
    frame = network(main_id=["Ä1", "Ö1"], diameter_mm=None, diameter_i=[12.0, 12.0])
    frame.to_file(path, encoding="cp1252")
    path.with_suffix(".cpg").unlink()
    told = found(read_file(path), "duplicate-id")
    assert len(told) == 1
    assert "the file is in another encoding than it says" in told["text"][0]
    plain = network(main_id=["A1", "A1"])
    plain.to_file(tmp_path / "plain.gpkg")
    text = found(read_file(tmp_path / "plain.gpkg"), "duplicate-id")["text"][0]
    assert "encoding" not in text


@pytest.mark.parametrize(("form", "written"), [("NFC", "NFD"), ("NFD", "NFC")])
def test_a_layer_whose_name_looks_like_that_of_the_brief_is_read(
    form, written, network, read_file, tmp_path
):
    """A letter and its mark may be one sign or two (Unicode, annex 15)."""
    path = tmp_path / "net.gpkg"
    network().to_file(path, layer="other")
    network().to_file(path, layer=unicodedata.normalize(form, "Süd"))
    layers = read_file(f"{path}:{unicodedata.normalize(written, 'Süd')}")
    assert layers.mains.table["main_id"].tolist() == ["A", "B"]


def test_a_file_another_program_has_locked_is_told_so_and_not_as_damaged(
    tmp_path, network, read_file, fault, held_open
):
    path, at_once = tmp_path / "net.gpkg", {"SQLITE_BUSY_TIMEOUT": "0"}
    network().to_file(path, layer="mains")
    # vectors and rasters are read by a GDAL of their own each, and each would wait
    with held_open(path) as do, gdal_options(at_once), rasterio.Env(**at_once):
        do("BEGIN EXCLUSIVE")
        said = fault(read_file, path)
        with pytest.raises(LayerError) as caught:
            find_rasters(f"{path}:ground", allow_remote=False)
        with pytest.raises(LayerError) as plan:
            read_plan(path)
        do("ROLLBACK")
    assert said == f"mains (net.gpkg): {LOCKED}"
    assert str(caught.value) == f"dem: 'net.gpkg:ground' {LOCKED}"
    assert str(plan.value) == f"{path}: {LOCKED}"
    assert len(read_file(path).mains) == 2


def test_a_folder_without_layers_is_no_damaged_file(tmp_path, network, read_file, fault):
    assert fault(read_file, tmp_path).endswith(
        "is a folder that no layers can be read from; give a file in it"
    )
    network().to_file(tmp_path / "net.gpkg", layer="mains")
    assert fault(read_file, tmp_path).endswith("give a file in it, such as net.gpkg")


@pytest.mark.parametrize("target", ["net.gpkg", "gone.gpkg"])
def test_a_link_that_leads_to_no_file_is_told_with_where_it_leads(
    tmp_path, read_file, fault, link, target
):
    link(tmp_path / "net.gpkg", target)
    for said in (
        fault(read_file, tmp_path / "net.gpkg"),
        fault(read_file, f"{tmp_path}/net.gpkg:mains"),
        fault(find_rasters, f"{tmp_path}/net.gpkg", allow_remote=False),
    ):
        assert f"is a link to {target!r}, which leads to no file; mend it" in said


def test_the_column_that_gives_the_geometry_of_a_csv_is_not_told_as_left_over(tmp_path, read_file):
    path = tmp_path / "m.csv"
    path.write_text(
        'wkt,main_id,diameter_mm,maker\n"LINESTRING (500000 5200000, 500100 5200000)",A,300,X\n'
    )
    told = read_file(path, crs="EPSG:32633").columns
    assert told.loc[told["state"] == "left over", "column"].tolist() == ["maker"]
