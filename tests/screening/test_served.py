"""Customers and district of every run of a ranking."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely

import geotools

CRS = "EPSG:32633"
EAST, NORTH = 5e5, 5e6


def three() -> gpd.GeoDataFrame:
    """Return three runs of 1 km, 200 m apart."""
    lines = [
        shapely.LineString([(EAST, NORTH + 200 * k), (EAST + 1000, NORTH + 200 * k)])
        for k in range(3)
    ]
    return gpd.GeoDataFrame(
        {"main_id": list("ABC"), "diameter_mm": [400.0] * 3}, geometry=lines, crs=CRS
    )


def services() -> gpd.GeoDataFrame:
    """Return four services of A, one of which of two points, and one of B without a number."""
    spots = [(100, 5), (300, 5), (500, 5), (400, 205)]
    shapes = [shapely.Point(EAST + x, NORTH + y) for x, y in spots]
    shapes[2] = shapely.MultiPoint([shapes[2], shapely.Point(EAST + 600, NORTH + 5)])
    return gpd.GeoDataFrame({"customers": [4.0, 10.0, 3.0, None]}, geometry=shapes, crs=CRS)


def areas(*boxes: tuple[str, float, float]) -> gpd.GeoDataFrame:
    """Return districts that reach over all runs, from and to so far east."""
    shapes = [shapely.box(EAST + a, NORTH - 50, EAST + b, NORTH + 250) for _, a, b in boxes]
    return gpd.GeoDataFrame({"name": [name for name, *_ in boxes]}, geometry=shapes, crs=CRS)


def test_the_customers_of_the_services_along_a_run_stand_on_its_row() -> None:
    ranking = geotools.screen(mains=three(), laterals=services()).layers["ranking"]
    customers = ranking.set_index("main_ids")["customers"]
    assert customers.to_dict() == {"A": 17.0, "B": 1.0, "C": 0.0}
    assert geotools.screen(mains=three()).layers["ranking"]["customers"].isna().all()


def test_the_district_on_the_row_of_a_run_is_the_one_most_of_it_lies_in() -> None:
    """A and B lie in both, most of them in the east; C lies in none."""
    districts = areas(("West", -10, 400), ("East", 400, 1010))
    screened = geotools.screen(mains=three(), districts=districts).layers
    told = screened["ranking"].set_index("main_ids")["district"]
    assert told.to_dict() == {"A": "East", "B": "East", "C": ""}


@pytest.mark.parametrize("given", [{}, {"districts": areas(("West", -10, 400))}])
def test_districts_change_nothing_else_of_a_ranking_and_none_is_told_as_missing(
    given: dict[str, gpd.GeoDataFrame],
) -> None:
    plain = geotools.screen(mains=three()).layers
    layers = geotools.screen(mains=three(), **given).layers
    rest = [c for c in plain["ranking"] if c != "district"]
    assert layers["ranking"][rest].equals(plain["ranking"][rest])
    assert (
        layers["findings"]
        .drop(columns="geometry")
        .equals(plain["findings"].drop(columns="geometry"))
    )
    assert "districts" not in layers["findings"]["layer"].tolist()


def test_a_network_with_nothing_to_rank_has_no_district_either() -> None:
    small = three().assign(diameter_mm=100.0)
    ranking = geotools.screen(mains=small, districts=areas(("West", -10, 400))).layers["ranking"]
    assert not len(ranking) and "district" in ranking
