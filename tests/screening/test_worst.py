"""The worst stretch of a run against a look at all stretches of its mains."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools

CRS = "EPSG:32633"


def one_run(*mains: tuple[float, int, float]) -> gpd.GeoDataFrame:
    """Return mains one behind the other on one axis: length, year laid and breaks of each."""
    ends = np.cumsum([0.0, *(length for length, _, _ in mains)]) + 5e5
    lines = [shapely.LineString([(a, 5e6), (b, 5e6)]) for a, b in itertools.pairwise(ends)]
    table = {
        "main_id": [f"A{k}" for k in range(len(mains))],
        "diameter_mm": 400.0,
        "installed": [float(year) for _, year, _ in mains],
        "breaks": [breaks for _, _, breaks in mains],
    }
    return gpd.GeoDataFrame(table, geometry=lines, crs=CRS)


def by_hand(mains: tuple[tuple[float, int, float], ...]) -> float:
    """Return the need of mains joined: age of weight 2, breaks of weight 3, of 10; year 2024."""
    length = sum(each[0] for each in mains)
    age = sum(each[0] * (2024 - each[1]) for each in mains) / length
    breaks = sum(each[2] for each in mains) / length * 1000
    part = np.clip([(age - 30) / 60, (breaks - 0.5) / 3.5], 0, 1)
    return float(2 * part[0] + 3 * part[1]) / 10


def screened(mains: gpd.GeoDataFrame) -> tuple[pd.Series, pd.DataFrame]:
    layers = geotools.screen(mains=mains, settings={"service.year": 2024}).layers
    return layers["ranking"].iloc[0], layers["ranking_mains"].set_index("main_id")


@pytest.mark.parametrize("place", [0, 4, 9])
def test_a_bursting_stretch_is_told_beside_the_need_of_its_long_run(place: int) -> None:
    """300 m of 1925 with nine breaks among 2,700 m of 2012 with none."""
    rows = [(270.0, 2012, 0.0)] * 10
    rows[place:place] = [(100.0, 1925, 3.0)] * 3
    run, mains = screened(one_run(*rows))
    assert run["need"] == pytest.approx(by_hand(tuple(rows)))
    assert run["worst_need"] == pytest.approx(0.5)
    assert run["worst_length"] == pytest.approx(300.0)
    names = [f"A{k}" for k in range(place, place + 3)]
    assert set(run["worst_main_ids"].split(",")) == set(names)
    assert "; 0.50 on 300 m of it (A" in run["reason_need"]
    assert mains.loc[names, "main_need"].tolist() == pytest.approx([0.5] * 3)
    assert mains["main_need"].drop(names).max() == 0
    assert mains["need"].tolist() == pytest.approx([run["need"]] * 13)


def test_the_worst_stretch_is_as_long_as_a_run_should_be_and_of_all_such_the_one_in_most_need() -> (
    None
):
    """Mains of 20 to 120 m: a short one with a break does not count by itself."""
    rng = np.random.default_rng(4)
    rows = [
        (float(rng.integers(20, 120)), int(rng.integers(1920, 2010)), float(rng.integers(0, 2)))
        for _ in range(14)
    ]
    run, _ = screened(one_run(*rows))
    lengths = [each[0] for each in rows]
    tried = [
        by_hand(tuple(rows[a:b]))
        for a, b in itertools.combinations(range(len(rows) + 1), 2)
        if sum(lengths[a:b]) >= 150 > min(sum(lengths[a + 1 : b]), sum(lengths[a : b - 1]))
    ]
    assert run["worst_need"] >= max(tried) - 1e-9
    assert run["worst_length"] >= 150
    own = sorted(int(name[1:]) for name in run["worst_main_ids"].split(","))
    assert own == list(range(own[0], own[-1] + 1))
    assert run["worst_need"] == pytest.approx(by_hand(tuple(rows[own[0] : own[-1] + 1])))


def test_the_worst_of_a_run_that_is_short_or_of_one_main_is_the_run() -> None:
    run, mains = screened(one_run((60.0, 1930, 1.0), (40.0, 2010, 0.0)))
    assert run["worst_need"] == pytest.approx(run["need"])
    assert (run["worst_length"], run["worst_main_ids"]) == (pytest.approx(100.0), run["main_ids"])
    assert mains["main_need"].tolist() == pytest.approx([(2 + 3) / 10, 0.0])
