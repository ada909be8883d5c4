"""Idle: status of valves, hydrants and laterals."""

from __future__ import annotations

import geopandas
import pytest

from geotools.intake.idle import LAYERS


def _points(spot, status, **columns):
    shapes = [spot(10.0 * k, 0) for k in range(len(status))]
    return geopandas.GeoDataFrame({"status": status, **columns}, geometry=shapes, crs=32633)


@pytest.mark.parametrize("layer", LAYERS)
def test_what_is_out_of_service_is_left_out_with_the_words_of_mains_and_told(
    layer, network, read, spot, found
):
    words = [
        "Abandoned",
        "In Service",
        "",
        "OUT OF SERVICE",
        "Stillgelegt",
        "xyzzy one",
        "abandoned",
    ]
    layers = read(mains=network(), **{layer: _points(spot, words)})
    assert getattr(layers, layer).table["status"].tolist() == [
        "In Service", "", "Stillgelegt", "xyzzy one",
    ]  # fmt: skip
    left = found(layers, "status-excluded")
    assert left["text"].tolist() == [
        f"2 {layer} of status 'abandoned' are left out (network.excluded_statuses).",
        f"1 {layer} of status 'out of service' are left out (network.excluded_statuses).",
    ]
    assert set(left["layer"]) == {layer}
    assert (
        f"{layer} of status 'In Service' (1) are"
        in found(layers, "status-in-service")["text"].iloc[0]
    )
    assert "gelegt" not in found(layers, "status-in-service")["text"].iloc[0].casefold()
    assert "xyzzy" not in found(layers, "status-in-service")["text"].iloc[0]
    assert "'Stillgelegt' (1)" in found(layers, "status-doubtful")["text"].iloc[0]
    (unknown,) = (t for t in found(layers, "status-unknown")["text"] if layer in t)
    assert "'xyzzy one' (1)" in unknown
    used = layers.inputs.set_index("layer")["features_used"]
    assert used[layer] == 4


def test_statuses_out_of_service_are_those_of_the_brief(network, read, spot):
    brief = {"network": {"excluded_statuses": ["sold"]}}
    layers = read(brief, mains=network(), hydrants=_points(spot, ["sold", "abandoned"]))
    assert layers.hydrants.table["status"].tolist() == ["abandoned"]
    layers = read(
        {"network": {"excluded_statuses": []}},
        mains=network(),
        hydrants=_points(spot, ["abandoned"]),
    )
    assert len(layers.hydrants) == 1


def test_a_valve_out_of_service_leaves_its_identifier_to_the_one_in_its_place(network, read, spot):
    valves = _points(
        spot, ["removed", "active", "active", "active"], valve_id=["V1", "V1", "V2", "V2"]
    )
    names = read(mains=network(), valves=valves).valves.table["feature"].tolist()
    assert names == ["V1", "fid 2", "fid 3"]


@pytest.mark.parametrize("given", [False, True])
def test_a_status_of_valves_that_says_whether_they_are_open_is_told(
    given, network, read, spot, found
):
    states = {"open": ["yes", "no", "yes"]} if given else {}
    layers = read(mains=network(), valves=_points(spot, ["Open", "Closed", "Open"], **states))
    assert len(layers.valves) == 3
    told = found(layers, "status-is-state")
    assert len(told) == (0 if given else 1)
    if not given:
        assert 'open = "status"' in told["text"].iloc[0]
        assert "Closed" not in "".join(found(layers, "status-unknown")["text"])


def test_hydrants_of_other_columns_alone_are_no_other_layer(network, read, spot, found):
    hydrants = _points(spot, ["x"]).rename(columns={"status": "label"})
    layers = read(mains=network(), hydrants=hydrants)
    assert found(layers, "no-field-read").empty


def test_words_of_status_are_told_with_the_marks_on_their_letters(network, read, spot, found):
    brief = {"network": {"excluded_statuses": ["Sløjfet", "avstalld"]}}
    layers = read(brief, mains=network(), valves=_points(spot, ["Sløjfet", "Avställd"]))
    assert found(layers, "status-excluded")["text"].tolist() == [
        "1 valves of status 'avställd' are left out (network.excluded_statuses).",
        "1 valves of status 'sløjfet' are left out (network.excluded_statuses).",
    ]
