"""The budget along a ranking: what is spent down to each run, and what it holds."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

import geotools
from geotools.errors import BriefError
from geotools.screening.budget import budget_line

PLACE = np.array([2, 1, 3, 4, 5])
COST = np.array([60.0, 50.0, np.nan, 30.0, 20.0])
OUT = np.array([False, False, False, False, True])


def test_costs_add_up_in_the_order_of_the_ranking_over_what_may_be_lined() -> None:
    line = budget_line(PLACE, COST, OUT, None)
    np.testing.assert_equal(line.running, [110.0, 50.0, np.nan, 140.0, np.nan])
    assert np.isnan(line.within).all() and np.isnan(line.left).all()


@pytest.mark.parametrize(
    ("budget", "within", "left"),
    [
        (140.0, [1, 1, np.nan, 1, np.nan], [30, 90, np.nan, 0, np.nan]),
        (100.0, [0, 1, np.nan, 1, np.nan], [50, 50, np.nan, 20, np.nan]),
        (29.0, [0, 0, np.nan, 0, np.nan], [29, 29, np.nan, 29, np.nan]),
        (0.1 + 0.2, [0, 0, np.nan, 0, np.nan], [0.1 + 0.2] * 2 + [np.nan, 0.1 + 0.2, np.nan]),
    ],
)
def test_a_run_that_does_not_fit_is_passed_over_for_a_later_one_that_does(
    budget: float, within: list[float], left: list[float]
) -> None:
    line = budget_line(PLACE, COST, OUT, budget)
    np.testing.assert_equal(line.within, within)
    np.testing.assert_allclose(line.left, left)


@given(st.lists(st.floats(0.1, 1e6), min_size=1, max_size=12), st.floats(0.1, 1e7))
def test_no_budget_is_overspent_and_none_refuses_what_fits(
    costs: list[float], budget: float
) -> None:
    cost = np.array(costs)
    place = np.arange(1, len(cost) + 1)
    line = budget_line(place, cost, np.zeros(len(cost), dtype=bool), budget)
    taken = line.within == 1
    assert cost[taken].sum() <= budget * (1 + 1e-6)
    np.testing.assert_allclose(line.left[-1], budget - cost[taken].sum(), atol=1e-6 * budget)
    assert (cost[~taken] > line.left[~taken]).all()


@pytest.fixture
def network(tmp_path: Path) -> Path:
    """Three runs of 600, 400 and 200 m, the oldest first, and one too short to be lined."""
    lines = [
        shapely.LineString([(5e5, 5e6 + 200 * k), (5e5 + length, 5e6 + 200 * k)])
        for k, length in enumerate((600, 400, 200, 10))
    ]
    table = {
        "main_id": list("ABCD"),
        "diameter_mm": [400.0] * 4,
        "installed": [1900, 1950, 1980, 1900],
    }
    gpd.GeoDataFrame(table, geometry=lines, crs="EPSG:32633").to_file(
        tmp_path / "net.gpkg", layer="mains"
    )
    return tmp_path


def test_a_screening_tells_the_sum_down_to_each_run_and_what_the_budget_holds(
    network: Path,
) -> None:
    mains = gpd.read_file(network / "net.gpkg", layer="mains")
    plain = geotools.screen(mains=mains)
    ranking = plain.layers["ranking"].set_index("main_ids")
    cost = ranking["lining_cost"]
    assert ranking["rank"].to_dict() == {"A": 1, "B": 2, "C": 3, "D": 4}
    assert ranking["cost_running"].iloc[:3].tolist() == pytest.approx(cost.iloc[:3].cumsum())
    assert ranking.loc[["D"], "cost_running"].isna().all()
    assert ranking["in_budget"].isna().all() and plain.summary["budget"] is None
    assert "budget" not in plain.text
    money = {"screening.budget": float(cost["A"] + cost["C"] + 1)}
    done = geotools.screen(mains=mains, settings=money, output=network / "screen.gpkg")
    ranking = done.layers["ranking"].set_index("main_ids")
    assert ranking["in_budget"].iloc[:3].tolist() == [True, False, True]
    assert ranking["in_budget"].isna().tolist() == [False] * 3 + [True]
    told = done.summary["budget"]
    assert (told["runs"], told["passed_over"], told["length_m"]) == (2, 1, 800.0)
    assert told["left"] == pytest.approx(1.0)
    doubtful = ranking.loc[["A", "C"], "verdict"].eq("doubtful").sum()
    text = " ".join(done.text.split())
    assert f"holds 2 runs ({doubtful} of them doubtful) of 800 m at" in text
    assert "1 passed over, for they did not fit" in text
    small = geotools.screen(mains=mains, settings={"screening.budget": 1.0})
    assert (small.summary["budget"]["runs"], small.summary["budget"]["passed_over"]) == (0, 3)
    written = pyogrio.read_dataframe(network / "screen.gpkg", layer="ranking")
    assert written["in_budget"].tolist()[:3] == [True, False, True]
    same = [c for c in plain.layers["ranking"] if c not in ("in_budget", "budget_left")]
    assert plain.layers["ranking"][same].equals(done.layers["ranking"][same])


@pytest.mark.parametrize("budget", [0, -5, "lots"])
def test_a_budget_of_nothing_is_refused(network: Path, budget: object) -> None:
    mains = gpd.read_file(network / "net.gpkg", layer="mains")
    with pytest.raises(BriefError, match=r"screening\.budget"):
        geotools.screen(mains=mains, settings={"screening.budget": budget})
