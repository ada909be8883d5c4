"""Streets that are in their layer twice: one is kept, whatever the order and the direction."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import geopandas as gpd
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
