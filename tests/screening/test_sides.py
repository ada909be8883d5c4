"""Likelihood and consequence: the need told apart, by the weights it is made of."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.brief import Brief
from geotools.criteria import CONSEQUENCE, CRITERIA, NEED, SIDES

CRS = "EPSG:32633"


def three() -> gpd.GeoDataFrame:
    """Return three runs of 1 km: old and of little matter, young and critical, not known."""
    lines = [
        shapely.LineString([(5e5, 5e6 + 200 * k), (5e5 + 1000, 5e6 + 200 * k)]) for k in range(3)
    ]
    table = {
        "main_id": list("ABC"),
        "diameter_mm": [400.0] * 3,
        "installed": [1934, 1994, None],
        "breaks": [4.0, 0.0, None],
        "criticality": [2.0, 5.0, None],
    }
    return gpd.GeoDataFrame(table, geometry=lines, crs=CRS)


def test_every_criterion_of_need_is_of_one_side_and_none_of_suitability() -> None:
    for criterion in CRITERIA:
        assert (criterion.side in SIDES) == (criterion.group == NEED)


def test_likelihood_and_consequence_are_marked_by_the_weights_of_need() -> None:
    """Age 2, breaks 3, leakage 2; criticality 2, services 1: leakage and services not known."""
    done = geotools.screen(mains=three(), settings={"service.year": 2024})
    ranking = done.layers["ranking"].set_index("main_ids")
    # A: 90 years and 4 a km have the full mark, 5 of 7; criticality 2 a quarter of it, 2 of 3
    assert ranking.loc["A", "likelihood"] == pytest.approx(5 / 7)
    assert ranking.loc["A", "consequence"] == pytest.approx(0.25 * 2 / 3)
    assert ranking.loc["B", "likelihood"] == pytest.approx(0.0)
    assert ranking.loc["B", "consequence"] == pytest.approx(2 / 3)
    assert ranking.loc["A", "likelihood_known"] == pytest.approx(5 / 7)
    assert ranking.loc["A", "consequence_known"] == pytest.approx(2 / 3)
    assert ranking.loc["C", [*SIDES, *(f"{s}_known" for s in SIDES)]].tolist() == [0.0] * 4
    criteria = done.layers["criteria"].set_index("criterion")["side"]
    assert criteria[criteria == CONSEQUENCE].index.tolist() == ["criticality", "critical_services"]


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"screening.unknown_need": 0.5},
        {"screening.age_weight": 0, "screening.criticality_weight": 7},
    ],
)
def test_need_is_the_mean_of_the_two_by_the_sums_of_their_weights(settings: dict) -> None:
    given = {"service.year": 2024, **settings}
    ranking = geotools.screen(mains=three(), settings=given).layers["ranking"]
    screening = Brief().screening.model_copy(
        update={name.rpartition(".")[2]: value for name, value in settings.items()}
    )
    weight = {
        side: sum(getattr(screening, f"{c.name}_weight") for c in CRITERIA if c.side == side)
        for side in SIDES
    }
    for end in ("", "_known"):
        both = sum(ranking[f"{side}{end}"] * weight[side] for side in SIDES)
        np.testing.assert_allclose(ranking[f"need{end}"], both / sum(weight.values()))


def test_a_side_without_weight_has_no_score() -> None:
    none = {f"screening.{c.name}_weight": 0 for c in CRITERIA if c.side == CONSEQUENCE}
    ranking = geotools.screen(mains=three(), settings=none).layers["ranking"]
    assert ranking["consequence"].isna().all()
    assert ranking["likelihood"].tolist() == ranking["need"].tolist()
