"""Valves go by the identifier on record where it names one valve, else by their number."""

from __future__ import annotations

import geopandas
import pytest

from geotools.brief import Brief
from geotools.intake.read import read_layers


@pytest.fixture
def valves(spot):
    """Make a layer of valves in a row, with the columns given."""

    def make(**columns):
        count = len(next(iter(columns.values())))
        places = [spot(10.0 * k, 0) for k in range(count)]
        return geopandas.GeoDataFrame(columns, geometry=places, crs=32633)

    return make


def names(layers):
    return layers.valves.table["feature"].tolist()


def test_a_column_of_identifiers_names_the_valves_and_is_read_by_itself(
    network, read, valves, found
):
    ids = ["SV-7", " 12 ", "A\u0308 1"]
    layers = read(mains=network(), valves=valves(Valve_ID=ids))
    assert names(layers) == ["SV-7", "12", "A\u0308 1"]  # sign by sign, as tables are joined by it
    assert found(layers, "valve-by-number").empty
    numbers = read(mains=network(), valves=valves(valve_id=[7.0, 12.0]))
    assert names(numbers) == ["7", "12"]


def test_a_brief_may_map_the_identifier_of_valves(network, read, valves, tmp_path):
    valves(VALVENO=["V1", "V2"]).to_file(tmp_path / "v.gpkg", layer="v")
    entry = {"source": f"{tmp_path / 'v.gpkg'}:v", "fields": {"valve_id": "VALVENO"}}
    brief = {"inputs": {"valves": entry}}
    assert names(read_layers(Brief.model_validate(brief), frames={"mains": network()})) == [
        "V1",
        "V2",
    ]
    del entry["fields"]
    unread = read_layers(Brief.model_validate(brief), frames={"mains": network()})
    assert names(unread) == ["fid 1", "fid 2"]
    told = unread.findings.table()
    text = told.loc[told["layer"] == "valves", "text"].str.cat()
    assert "'VALVENO' may be valve_id" in text


def test_valves_that_no_identifier_names_alone_go_by_number_and_one_finding_counts_them(
    network, read, valves, found
):
    ids = ["V1", None, "V2", "V2", "V,3", "fid 0", "n/a"]
    layers = read(mains=network(), valves=valves(valve_id=ids))
    assert names(layers) == ["V1", *(f"fid {k}" for k in range(1, 7))]
    told = found(layers, "valve-by-number")
    assert told[["severity", "layer"]].to_numpy().tolist() == [["warning", "valves"]]
    text = told["text"][0]
    assert text.startswith("6 of 7 valves are named by the number of their feature")
    assert "2 without a valve_id, 2 with one that other valves bear too, 2 with one that" in text
    assert "(fid 1, fid 2, fid 3, fid 4, fid 5 and 1 more)" in text


def test_valves_of_a_layer_without_the_column_go_by_number_and_one_finding_counts_them(
    network, read, valves, found
):
    layers = read(mains=network(), valves=valves(kind=["gate"] * 2))
    assert names(layers) == ["fid 0", "fid 1"]
    told = found(layers, "valve-by-number")
    assert told[["severity", "layer"]].to_numpy().tolist() == [["info", "valves"]]
    text = told["text"][0]
    assert text.startswith("2 of 2 valves are named by the number of their feature")
    assert "2 without a valve_id (fid 0, fid 1); give each a valve_id of its own" in text


def test_findings_of_the_reader_name_valves_by_their_identifier(network, read, valves, found):
    layers = read(mains=network(), valves=valves(valve_id=["V1", "V2"], open=["yes", "perhaps"]))
    assert found(layers, "unreadable-value")["feature"].tolist() == ["V2"]
