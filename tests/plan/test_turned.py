"""Edits kept over the years: pits stay on their main and are pulled into the same way."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely

import geotools

X, Y, CRS = 500_000.0, 4_800_000.0, 32633  # on the central meridian: grid north is true north
SETTINGS = {"pulls.max_length": "400 m", "service.least_capacity": 0}


def _mains(*lines: list[tuple[float, float]], **columns: Any) -> gpd.GeoDataFrame:
    given = {"main_id": [f"M{k}" for k in range(len(lines))], "diameter_mm": 400.0, "cover_m": 1.5}
    shapes = [shapely.LineString([(X + x, Y + y) for x, y in line]) for line in lines]
    return gpd.GeoDataFrame(given | {"bore_mm": 400.0} | columns, geometry=shapes, crs=CRS)


def _planned(mains: gpd.GeoDataFrame, edits: gpd.GeoDataFrame | None = None) -> dict[str, Any]:
    given = {} if edits is None else {"pit_edits": edits}
    return dict(geotools.plan(mains=mains, settings=SETTINGS, **given).layers)


def _to_the_north(plan: dict[str, Any]) -> list[bool]:
    """Tell of the pit at 700 m north whether its string goes in towards the north."""
    pits = plan["pits"]
    (pit,) = pits[(pits.geometry.y - Y - 700.0).abs() < 0.01]["pit_id"]
    pulls = plan["pulls"][plan["pulls"]["insertion_pit"] == pit]
    return [bool(line.centroid.y > Y + 700.0) for line in pulls.geometry]


def test_a_pit_tells_in_which_direction_its_run_goes_on() -> None:
    plan = _planned(_mains([(0, 0), (300, 0)], [(0, 500), (0, 900)], [(0, 2000), (300, 1700)]))
    ways = plan["pits"].groupby("run_id")["ahead_deg"].unique()
    assert sorted(round(float(way[0])) for way in ways) == [0, 90, 135]
    assert all(len(way) == 1 for way in ways)


def test_where_grid_north_is_not_true_north_a_pit_tells_the_bearing_from_either() -> None:
    """Of a straight run grid east, 2 degrees of longitude off the meridian of its zone."""
    east = pyproj.Transformer.from_crs(4326, CRS, always_xy=True).transform(17.0, 43.35)
    line = shapely.LineString([east, (east[0] + 300.0, east[1])])
    mains = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [400.0], "bore_mm": [400.0], "cover_m": [1.5]},
        geometry=[line], crs=CRS,
    )  # fmt: skip
    pits = _planned(mains)["pits"]
    converged = 2.0 * np.sin(np.radians(43.35))  # degrees
    assert pits["ahead_grid_deg"].tolist() == [90.0] * len(pits)
    assert pits["ahead_deg"].tolist() == pytest.approx([90.0 + converged] * len(pits), abs=0.1)
    # without a raster or inverts no level is known
    assert pits[["ground_z", "axis_z", "bottom_z"]].isna().all(axis=None)


def test_a_pit_at_a_bend_tells_the_bearings_of_both_legs() -> None:
    """Elbows of 90 degrees lie in pits: the run comes east, and goes on north."""
    pits = _planned(_mains([(0, 0), (200, 0), (200, 200)]))["pits"].set_index("chainage")
    assert pits.loc[[0.0, 200.0, 400.0], "behind_grid_deg"].tolist() == [90.0, 90.0, 0.0]
    assert pits.loc[[0.0, 200.0, 400.0], "ahead_grid_deg"].tolist() == [90.0, 0.0, 0.0]
    assert pits.loc[200.0, "ahead_deg"] == 45.0  # across it, by which edits are turned


@pytest.mark.parametrize(
    ("written", "due"),
    [(32633, 90.0), (32634, 90.0 + 6.0 * np.sin(np.radians(43.35))), (4326, 90.0), (3857, 90.0)],
)
def test_bearings_are_of_the_grid_of_the_file_where_that_shows_true_lengths(
    written: int, due: float
) -> None:
    """Measured in zone 33, due east on its meridian, 6 degrees west of that of zone 34."""
    mains = _mains([(0, 0), (300, 0)]).to_crs(written)
    settings = {**SETTINGS, "network.working_crs": f"EPSG:{CRS}"}
    plan = geotools.plan(mains=mains, settings=settings).layers
    ahead = plan["pits"]["ahead_grid_deg"]
    assert ahead.tolist() == pytest.approx([due] * len(ahead), abs=0.2)


@pytest.mark.parametrize("told", [True, False])
def test_a_kept_pit_is_pulled_into_the_same_way_where_the_run_begins_at_its_other_end(
    told: bool,
) -> None:
    """A run begins at the end farther west: 9 cm of a new survey turn one from south to north."""
    first = _planned(_mains([(0.04, 0), (0, 700), (0.02, 1400)]))
    (run,) = first["runs"].geometry
    role = "insertion_behind" if shapely.get_coordinates(run)[0, 1] > Y + 700 else "insertion_ahead"
    edit = gpd.GeoDataFrame(
        {"role": [role], "ahead_deg": [180.0 if role == "insertion_behind" else 0.0]},
        geometry=[shapely.Point(X, Y + 700)],
        crs=CRS,
    )
    if not told:
        edit = edit.drop(columns="ahead_deg")
    assert _to_the_north(_planned(_mains([(0.04, 0), (0, 700), (0.02, 1400)]), edit)) == [True]
    plan = _planned(_mains([(-0.05, 0), (0, 700), (0.02, 1400)]), edit)
    assert _to_the_north(plan) == [told]
    (text,) = plan["findings"].query("layer == 'pit_edits'")["text"]
    assert (f"went the other way when it was drawn (ahead_deg): then {role}" in text) == told


def test_a_kept_pit_that_names_the_farther_of_two_runs_is_warned_of() -> None:
    mains = _mains([(0, 0), (400, 0)], [(0, 4), (400, 4)], diameter_mm=[400.0, 500.0])
    names = _planned(mains)["runs"].set_index("main_ids")["run_id"]
    place = shapely.Point(X + 200, Y)
    for main, severity in (("M0", "info"), ("M1", "warning")):
        edit = gpd.GeoDataFrame({"run_id": [names[main]]}, geometry=[place], crs=CRS)
        told = _planned(mains, edit)["findings"].query("rule == 'edit-honoured'")
        assert told["severity"].tolist() == [severity]
        nearer = f"4.0 m beside run {names['M1']}, which it names, and 0.0 m beside run"
        assert told["text"].str.contains(nearer).tolist() == [severity == "warning"]
