"""Geometries as text in a column of a table."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely
import shapely.affinity

from geotools.brief import Brief
from geotools.intake.read import read_layers
from geotools.intake.window import Window

LINE = shapely.LineString([(500000, 5200000), (500100, 5200000)])
FAR = shapely.LineString([(500000, 5209000), (500100, 5209000)])
UTM = shapely.set_srid(LINE, 32633)


def table(path: Path, column: str, *texts: str, encoding: str = "utf-8") -> Path:
    with path.open("w", newline="", encoding=encoding) as stream:
        rows = [["main_id", "diameter_mm", "material", column]]
        rows += [[f"Ş{k}", "300", "DI", text] for k, text in enumerate(texts)]
        csv.writer(stream).writerows(rows)
    return path


@pytest.mark.parametrize("column", ["geometry", "The_Geom", "geom", "wkt_geom", "WKT"])
@pytest.mark.parametrize(
    "text",
    [
        LINE.wkt,
        f" srid=32633; {LINE.wkt}",
        LINE.wkb_hex,
        shapely.to_wkb(UTM, hex=True, include_srid=True),
        "\\x" + shapely.to_wkb(UTM, hex=True, include_srid=True).lower(),
    ],
)
@pytest.mark.parametrize("encoding", ["", "cp1254"])
def test_geometries_are_read_from_text_in_a_column(
    column: str, text: str, encoding: str, tmp_path: Path, read_file: Any
) -> None:
    path = table(tmp_path / "net.csv", column, text, "", encoding=encoding or "utf-8")
    entry = {"encoding": encoding} if encoding else {}
    layers = read_file(path, crs="EPSG:32633", **entry)
    assert layers.mains.xy.tolist() == [list(xy) for xy in LINE.coords]
    assert layers.mains.table["feature"].tolist() == ["Ş0"]
    assert layers.mains.table["material"].tolist() == ["DI"]
    rules = layers.findings.table()["rule"].tolist()
    assert ("geometry-as-text" in rules) == (column != "WKT" or text != LINE.wkt)
    assert "no-geometry" in rules and "reader-message" not in rules


@pytest.mark.parametrize(
    "text", [f"SRID=32633;{LINE.wkt}", shapely.to_wkb(UTM, hex=True, include_srid=True)]
)
def test_the_number_of_a_crs_beside_geometries_is_that_of_the_layer(
    text: str, tmp_path: Path, read_file: Any, fault: Any, found: Any
) -> None:
    path = table(tmp_path / "net.csv", "geom", text)
    layers = read_file(path)
    assert layers.working_crs.to_epsg() == 32633
    assert found(read_file(path, crs="EPSG:32632"), "crs-differs")["text"].size == 1
    path = table(tmp_path / "other.csv", "geom", f"SRID=999999;{LINE.wkt}")
    assert "has no CRS" in fault(read_file, path)
    path = table(tmp_path / "two.csv", "geom", text, f"SRID=32632;{LINE.wkt}")
    assert "of several SRIDs (32632, 32633); give them in one CRS" in fault(read_file, path)


def test_of_geometries_as_text_each_that_cannot_be_read_is_told(
    tmp_path: Path, read_file: Any, found: Any
) -> None:
    texts = ("LINESTRING (1 2", "CIRCULARSTRING (0 0, 5 5, 10 0)")
    path = table(tmp_path / "net.csv", "geom", texts[0], LINE.wkt, texts[1], FAR.wkt)
    layers = read_file(path, crs="EPSG:32633")
    told = found(layers, "broken-geometry")
    assert len(told) == 2
    assert "'LINESTRING (1 2' is neither WKT nor WKB of straight lines" in told["text"][0]
    assert len(layers.mains) == 2


def test_of_geometries_as_text_a_window_takes_those_that_meet_it(tmp_path: Path) -> None:
    path = table(tmp_path / "net.csv", "geometry", FAR.wkt, LINE.wkt, "LINESTRING (1 2", "")
    entry = {"source": str(path), "crs": "EPSG:32633"}
    brief = Brief.model_validate({"inputs": {"mains": entry}})
    window = Window((499990.0, 5199990.0, 500110.0, 5200010.0), pyproj.CRS(32633))
    layers = read_layers(brief, window=window)
    assert np.unique(layers.mains.xy[:, 1]).tolist() == [5200000.0]


@pytest.mark.parametrize("column", ["geom", "WKT"])
@pytest.mark.parametrize("first", [[""] * 110, [LINE.wkt, "n/a"]])
def test_what_comes_first_in_a_column_of_geometries_hides_none_of_the_others(
    first: list[str], column: str, tmp_path: Path, read_file: Any
) -> None:
    two, three = (shapely.affinity.translate(LINE, yoff=off) for off in (40.0, 80.0))
    path = table(tmp_path / "net.csv", column, *first, two.wkb_hex, f"SRID=32633;{three.wkt}")
    layers = read_file(path, crs="EPSG:32633")
    assert len(layers.mains.table) == 2 + first.count(LINE.wkt)


def test_a_column_of_notes_named_as_geometries_hides_no_other(
    tmp_path: Path, read_file: Any
) -> None:
    rows = [["main_id", "diameter_mm", "WKT", "geom"], ["A", "300", "see sheet 4", LINE.wkt]]
    with (tmp_path / "net.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    layers = read_file(tmp_path / "net.csv", crs="EPSG:32633")
    assert layers.mains.xy.tolist() == [list(xy) for xy in LINE.coords]


def test_the_number_of_a_crs_counts_in_whatever_row_it_comes_first(
    tmp_path: Path, read_file: Any
) -> None:
    plain = [shapely.affinity.translate(LINE, yoff=40.0 * k).wkt for k in range(1, 111)]
    path = table(tmp_path / "net.csv", "geom", *plain, f"SRID=32633;{LINE.wkt}")
    assert read_file(path).mains.table["diameter"].size == 111
    said = read_file(path, crs="EPSG:32632")
    assert "crs-differs" in said.findings.table()["rule"].tolist()


def test_a_table_of_no_rows_is_a_layer_without_features(tmp_path: Path) -> None:
    path = table(tmp_path / "net.csv", "geometry", LINE.wkt)
    (tmp_path / "none.csv").write_text("valve_id,geometry\n")
    entries = {"mains": path, "valves": tmp_path / "none.csv"}
    inputs = {name: {"source": str(p), "crs": "EPSG:32633"} for name, p in entries.items()}
    layers = read_layers(Brief.model_validate({"inputs": inputs}))
    assert len(layers.mains) == 1 and not len(layers.valves)


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("geom", "{}", "column 'geom' holds no WKT, EWKT or WKB in hexadecimal that can be read"),
        ("geometry", "", "read, but is empty: write the geometries there as WKT"),
        ("place", LINE.wkt, "has no geometry; give a layer with geometries"),
    ],
)
def test_a_table_without_geometries_is_told_what_to_write_where(
    column: str, value: str, said: str, tmp_path: Path, read_file: Any, fault: Any
) -> None:
    path = table(tmp_path / "net.csv", column, value)
    assert said in fault(read_file, path, crs="EPSG:32633")


def test_a_number_too_large_in_a_geometry_as_text_is_told_as_a_coordinate_off_the_map(
    tmp_path: Path, read_file: Any, found: Any
) -> None:
    path = table(tmp_path / "net.csv", "geom", LINE.wkt, "LINESTRING (0 0, 1e400 0)")
    layers = read_file(path, crs="EPSG:32633")  # and no warning, which would be an error here
    assert len(layers.mains) == 1
    assert "set aside" in found(layers, "bad-coordinates")["text"][0]


def test_of_a_table_refused_for_the_name_of_a_column_its_separators_are_not_told(
    tmp_path: Path, fault: Any, read_file: Any
) -> None:
    path = tmp_path / "net.csv"
    path.write_bytes("main_id;größe,x;geom\nA;1;POINT (0 0)\n".encode("cp1252"))
    assert "a column whose name is not UTF-8" in fault(read_file, path)
