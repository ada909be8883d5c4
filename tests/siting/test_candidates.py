"""Candidates through whole plans: why a role is refused, how deep, how steep, how much is dug."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from shapely.ops import substring

import geotools

X, Y, CRS = 500_000.0, 4_800_000.0, 32633
PIPE = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}
ROLES = ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")


def main_of(line: list[tuple[float, float]], **columns: Any) -> gpd.GeoDataFrame:
    said = {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], **columns}
    return gpd.GeoDataFrame(
        said, geometry=[shapely.LineString([(x + X, y + Y) for x, y in line])], crs=CRS
    )


def ground_of(path: Path, height: Any) -> str:
    """Write a terrain of 5 m cells whose height is a function of x and y from the origin."""
    across = -100 + 5 * (np.arange(140) + 0.5)
    down = 100 - 5 * (np.arange(40) + 0.5)
    values = height(*np.meshgrid(across, down)).astype("float64")
    with rasterio.open(
        path, "w", driver="GTiff", width=140, height=40, count=1, dtype="float64", crs=CRS,
        transform=Affine(5, 0, X - 100, 0, -5, Y + 100), nodata=-9999,
    ) as raster:  # fmt: skip
        raster.write(values, 1)
        raster.set_band_unit(1, "metre")
    return str(path)


def planned(settings: dict[str, Any] | None = None, **layers: Any) -> dict[str, Any]:
    return dict(geotools.plan(settings={**PIPE, **(settings or {})}, **layers).layers)


def refused(reasons: str, text: str) -> set[str]:
    """Return the roles a text of the reasons speaks against."""
    for part in reasons.split("; "):
        if text in part and part.startswith("against"):
            said = part.partition(":")[0].removeprefix("against").removeprefix(" as ")
            return set(said.split(", ")) if said else set(ROLES)
    return set()


def test_no_pit_is_dug_where_the_ground_along_it_is_steeper_than_allowed(tmp_path: Path) -> None:
    """Between 200 and 300 m the ground climbs 20 %, elsewhere 4 %; 12 % are allowed."""

    def height(x: Any, y: Any) -> Any:
        return 100 + 0.04 * x + 0.16 * np.clip(x - 200, 0, 100)

    dem = ground_of(tmp_path / "dem.tif", height)
    layers = planned(mains=main_of([(0, 0), (500, 0)], cover_m=[1.5]), dem=dem)
    places = layers["candidates"]
    steep = places["reasons"].map(lambda r: refused(r, "ground steeper than 12%") == set(ROLES))
    inside = places["chainage"].between(220, 280)
    outside = (places["chainage"] < 170) | (places["chainage"] > 330)
    assert inside.sum() >= 5 and outside.sum() >= 20
    assert steep[inside].all() and not steep[outside].any()
    for pit in layers["pits"].itertuples():
        climb = height(pit.chainage + pit.after, 0) - height(pit.chainage - pit.before, 0)
        assert abs(climb) <= 0.121 * (pit.before + pit.after)


def test_a_host_deeper_than_allowed_or_than_the_ramp_can_reach_is_refused() -> None:
    deep = planned({"pits.max_depth": "3 m"}, mains=main_of([(0, 0), (300, 0)], cover_m=[2.8]))
    places = deep["candidates"]
    assert not places["usable"].any()
    assert (places["reasons"].map(lambda r: refused(r, "deeper than 3.0 m")) == set(ROLES)).all()
    assert deep["runs"]["status"].tolist() == ["no_plan"]
    # The invert at cover 2.5 m is 2.95 m down.
    fits = planned({"pits.max_depth": "3 m"}, mains=main_of([(0, 0), (300, 0)], cover_m=[2.5]))
    assert fits["runs"]["status"].tolist() == ["planned"]


def test_without_a_ground_level_and_a_cover_the_cover_assumed_is_said() -> None:
    layers = planned(mains=main_of([(0, 0), (300, 0)]))
    assert (layers["stations"]["depth_source"] == "assumed").all()
    assert "assumed-cover" in set(layers["findings"]["rule"])


def test_a_pit_whose_edge_would_cut_a_bend_is_refused_beside_it() -> None:
    """At 90 deg the bend has to lie in one pit; one that ends in the middle of it is none."""
    layers = planned(mains=main_of([(0, 0), (200, 0), (200, 200)], cover_m=[1.5]))
    assert not layers["bends"]["passes"].any()
    places = layers["candidates"]
    cut = places["reasons"].map(lambda r: refused(r, "would cut a bend"))
    near = cut[(places["chainage"] - 200).abs().between(0.5, 8.0)]
    assert cut[(places["chainage"] - 200).abs() > 30].map(len).sum() == 0
    assert cut[(places["chainage"] - 200).abs() < 0.01].map(len).sum() == 0
    assert all(len(roles) for roles in near)


def test_the_ramp_that_leaves_the_main_is_dug_from_the_top_to_the_bottom() -> None:
    """A pit for the pull ahead at a right angle on level ground.

    The main is opened at full depth over the bend and the working room; the ramp beyond is as
    deep at its foot as the carrier has to come down, and nothing at its top: half on average.
    """
    line = [(0.0, 0.0), (200.0, 0.0), (200.0, 200.0)]
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_ahead"]},
        geometry=[shapely.Point(X + 200, Y)],
        crs=CRS,
    )
    layers = planned(mains=main_of(line, cover_m=[1.5]), pit_edits=wish)
    pit = layers["pits"].set_index(layers["pits"]["chainage"].round(3)).loc[200.0]
    assert pit["role"] == "insertion_ahead"
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit["pit_id"]]
    half = pit["width"] / 2
    run = shapely.LineString([(x + X, y + Y) for x, y in line])
    opened = substring(run, 200 - pit["before"], 200 + pit["after"])
    trench = opened.buffer(half, cap_style="flat", join_style="mitre")
    ramp = shapely.box(
        X + 200 - half, Y + pit["after"] - pit["length"], X + 200 + half, Y + pit["after"]
    )
    assert ground.symmetric_difference(trench | ramp).area < 1e-6
    assert pit["area"] == pytest.approx(ground.area)
    # Length of the ramp off the run: what is left of the box behind the host's crossing edge.
    off_run = pit["length"] - pit["after"] - half
    drop = pit["depth"] - 0.225 + 0.5 + 0.355 / 2
    assert pit["drop"] == pytest.approx(drop)
    dug = pit["width"] * (
        (pit["before"] + pit["after"]) * (pit["depth"] + 0.15) + off_run * drop / 2
    )
    assert pit["volume"] == pytest.approx(dug, rel=1e-6)


def test_the_length_of_an_insertion_pit_is_the_ramp_and_the_room_at_the_face() -> None:
    """L = sqrt(H (4R - H)): two opposed arcs, the pipe level at both ends (geometry)."""
    layers = planned(
        {"street.least_string": "30 m"}, mains=main_of([(0, 0), (900, 0)], cover_m=[1.5])
    )
    one_way = layers["pits"].query("role in ['insertion_ahead', 'insertion_behind']")
    both = layers["pits"].query("role == 'insertion_both'")
    assert len(one_way) + len(both)
    radius = 27 * 0.355  # PE, SDR 17: 27 OD (PPI Handbook ch. 7, from memory)
    drop = 1.5 + 0.45 - 0.225 + 0.5 + 0.355 / 2
    ramp = np.sqrt(drop * (4 * radius - drop))
    np.testing.assert_allclose(one_way["length"], ramp + 2.0, rtol=1e-6)
    np.testing.assert_allclose(both["length"], ramp + 4.0, rtol=1e-6)


def test_a_dead_end_with_no_room_for_strings_refuses_every_insertion_with_the_reason() -> None:
    """A cul-de-sac of 25 m off a street that may not be blocked: less than one string."""
    main = main_of([(0.0, 2.0), (25.0, 2.0)], cover_m=[1.5])
    streets = gpd.GeoDataFrame(
        {"class": ["local", "arterial"], "width_m": [7.0, 12.0], "lanes": [2, 4]},
        geometry=[
            shapely.LineString([(X - 12, Y), (X + 25, Y)]),
            shapely.LineString([(X - 12, Y - 200), (X - 12, Y + 200)]),
        ],
        crs=CRS,
    )
    layers = planned(mains=main, streets=streets)
    places = layers["candidates"]
    assert not places["roles"].str.contains("insertion").any()
    for reasons in places["reasons"]:
        assert refused(reasons, "no room to lay out a string of 30.0 m") == set(ROLES[1:])
    assert layers["pulls"].empty


def test_a_great_price_on_pits_buys_the_fewest_there_can_be() -> None:
    """A straight main of 1000 m, pulls of at most 300 m; one both ways and one end spare a pit.

    Fewest by trial: k pits make k - 1 pulls, and all but the pits themselves has to be pulled.
    """
    main = main_of([(0, 0), (1000, 0)], cover_m=[1.5])
    settings = {"pulls.max_length": "300 m", "objective.per_pit": 1e7}
    pits = planned(settings, mains=main)["pits"]
    plain = planned({"pulls.max_length": "300 m"}, mains=main)["pits"]
    widest = max((table["before"] + table["after"]).max() for table in (pits, plain))
    least = next(k for k in range(1, 99) if (k - 1) * 300 + k * widest >= 1000)
    assert len(pits) == least <= len(plain)
