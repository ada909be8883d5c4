"""Streets that are in their layer twice: one is kept, whatever the order and the direction."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely


def _streets(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=32633)


@pytest.mark.parametrize("back", [False, True])
def test_a_street_that_is_there_twice_is_kept_once_and_told(back, network, read, found, line):
    road, other = line((0, 5), (60, 15), (100, 5)), line((100, 5), (180, 5))
    again = shapely.reverse(road) if back else road
    layers = read(mains=network(), streets=_streets([road, other, again], name=["A", "B", "A"]))
    assert sorted(layers.streets.table["name"]) == ["A", "B"]
    assert found(layers, "duplicate-street")["feature"].tolist() == ["fid 2"]
    assert "same vertices as fid 0, which was kept" in found(layers, "duplicate-street")["text"][0]


def test_of_streets_with_the_same_vertices_one_stays_whatever_their_order(
    network, read, found, line
):
    """The most lanes, then the widest, the fastest, the fullest record, the first by its texts."""
    road = line((0, 5), (100, 5))
    rows = [
        (2, 7.0, 50.0, "x", "Main"),
        (4, None, None, None, "Main"),
        (4, 12.0, 30.0, None, "Main"),
        (4, 12.0, 50.0, None, None),
        (4, 12.0, 50.0, "b", "Main"),
        (4, 12.0, 50.0, "a", "Main"),
    ]
    for order in list(permutations(range(6)))[::37]:
        lanes, width, speed, kind, name = zip(*(rows[k] for k in order), strict=True)
        shapes = [shapely.reverse(road) if k % 2 else road for k in order]
        columns = {"class": kind, "lanes": lanes, "width_m": width, "speed_kmh": speed}
        layers = read(mains=network(), streets=_streets(shapes, name=name, **columns))
        (kept,) = layers.streets.table[["class", "lanes", "width", "name"]].to_numpy().tolist()
        assert kept == ["a", 4, 12.0, "Main"]
        assert len(found(layers, "duplicate-street")) == 5


def test_streets_that_share_ends_but_not_all_vertices_are_two(network, read, found, line):
    shapes = [line((0, 5), (100, 5)), line((0, 5), (50, 30), (100, 5)), line((0, 6), (100, 6))]
    layers = read(mains=network(), streets=_streets(shapes, name=["A", "B", "C"]))
    assert len(layers.streets) == 3
    assert found(layers, "duplicate-street").empty


def _links(shapes, ways, **more):
    columns = {"lanes": [2, 1], "width_m": [7.5, 3.5], "class": "local", "name": "A"} | more
    return _streets(shapes, oneway=ways, **columns)


@pytest.mark.parametrize(
    ("back", "ways"), [(True, ["yes", "yes"]), (False, ["FT", "TF"]), (True, ["-1", "against"])]
)
@pytest.mark.parametrize("order", [[0, 1], [1, 0]])
def test_streets_of_one_way_each_on_the_same_vertices_are_one_of_both_ways(
    back, ways, order, network, read, found, line
):
    road = line((0, 5), (60, 15), (100, 5))
    streets = _links([road, shapely.reverse(road) if back else road], ways, name=["A", "B"])
    layers = read(mains=network(), streets=streets.iloc[order])
    (kept,) = layers.streets.table.itertuples()
    assert (kept.lanes, kept.width, kept.oneway, kept.name) == (3, 11.0, "both", "A")
    told = found(layers, "opposite-ways-joined")
    assert (
        told["severity"].tolist() == ["info"]
        and "joined two by two to 1 of" in told["text"].iloc[0]
    )
    (unlike,) = found(layers, "opposite-ways-differ").itertuples()
    assert (unlike.severity, unlike.feature) == ("info", "fid 1")
    assert "runs against fid 0" in unlike.text and "records differ in name:" in unlike.text
    assert found(layers, "duplicate-street").empty
    assert layers.inputs.set_index("layer")["features_used"]["streets"] == 2


@pytest.mark.parametrize(
    ("differing", "severity"),
    [
        ({"name": ["I N", "I S"]}, ["info"]),
        ({"speed_kmh": [50, 60]}, ["info"]),
        ({"class": ["local", "arterial"], "speed_kmh": [50, 60]}, ["warning"]),
        ({}, []),
    ],
)
def test_names_and_speeds_of_opposite_ways_may_differ_but_not_their_classes(
    differing, severity, network, read, found, line
):
    road = line((0, 5), (100, 5))
    layers = read(
        mains=network(),
        streets=_links([road, shapely.reverse(road)], ["yes"] * 2, **differing),
    )
    told = found(layers, "opposite-ways-differ")
    assert told["severity"].tolist() == severity
    assert ["correct" in text for text in told["text"]] == [s == "warning" for s in severity]


@pytest.mark.parametrize("order", [[0, 1], [1, 0]])
@pytest.mark.parametrize(
    ("columns", "lanes", "width", "told"),
    [
        ({"lanes": [3, None], "width_m": [11, None]}, 3, 11, {"lanes": "info", "width": "info"}),
        ({"lanes": [3, None]}, 3, 11, {"lanes": "info"}),
        ({"lanes": [1, None]}, None, 11, {"lanes": "info"}),
        ({"width_m": [None, 7.5]}, 3, None, {"width": "info"}),
        ({"lanes": None, "width_m": [11, None]}, None, 11, {"width": "info"}),
        ({"lanes": None, "width_m": [3.5, None]}, None, None, {"width": "info"}),
        ({"lanes": [20, 11]}, None, 11, {"lanes": "warning"}),
        ({"lanes": None, "width_m": None}, None, None, {}),
        ({}, 3, 11, {}),
    ],
)
def test_lanes_and_widths_known_one_way_alone_are_the_least_of_both_and_told(
    order, columns, lanes, width, told, network, read, found, line
):
    road = line((0, 5), (100, 5))
    streets = _links([road, shapely.reverse(road)], ["yes"] * 2, **columns)
    layers = read(mains=network(), streets=streets.iloc[order])
    (kept,) = layers.streets.table.itertuples()
    expected = [np.nan if value is None else value for value in (lanes, width)]
    np.testing.assert_array_equal([kept.lanes, kept.width], expected)
    notes = found(layers, "opposite-ways-partly")
    texts = {text.split("; ")[1].split(":")[0]: text for text in notes["text"]}
    assert dict(zip(texts, notes["severity"], strict=True)) == told
    assert set(notes["feature"]) <= {kept.feature}
    for name, text in texts.items():
        assert np.isnan(getattr(kept, name)) == ("read as not known" in text)
    assert found(layers, "opposite-ways-differ").empty


def test_streets_of_one_way_drawn_against_each_other_may_be_one_that_is_there_twice(
    network, read, found, line
):
    road = line((0, 5), (100, 5))
    shapes = [road, shapely.reverse(road)]
    layers = read(mains=network(), streets=_links(shapes, ["yes", "TF"], lanes=2, width_m=7.0))
    assert layers.streets.table["lanes"].tolist() == [2]
    (told,) = found(layers, "duplicate-street").itertuples()
    assert "differ" not in told.text
    assert found(layers, "opposite-ways-joined").empty


@pytest.mark.parametrize("order", list(permutations(range(4)))[::5])
def test_doubles_of_links_are_set_aside_before_the_two_ways_are_joined(
    order, network, read, found, line
):
    road = line((0, 5), (100, 5))
    shapes = [road, shapely.reverse(road), road, line((100, 5), (180, 5))]
    streets = _streets(shapes, oneway=["FT", "FT", "F", "B"], lanes=[1, 1, 1, 2])
    layers = read(mains=network(), streets=streets.iloc[list(order)])
    table = layers.streets.table.sort_values("oneway")
    assert table[["oneway", "lanes"]].to_numpy().tolist() == [["B", 2], ["both", 2]]
    assert len(found(layers, "duplicate-street")) == 1


def test_a_street_of_both_ways_goes_before_links_of_either_way(network, read, found, line):
    road = line((0, 5), (100, 5))
    streets = _streets([road] * 3, oneway=["FT", "B", "TF"], lanes=[3, 2, 1])
    layers = read(mains=network(), streets=streets)
    assert layers.streets.table[["oneway", "lanes"]].to_numpy().tolist() == [["B", 2]]
    assert found(layers, "duplicate-street")["feature"].tolist() == ["fid 0", "fid 2"]
