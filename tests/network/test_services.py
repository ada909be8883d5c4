"""Services: of which main each is, for digs and shutdowns alike, and where it is tapped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Bends, Network
from geotools.intake.columns import Layers, Points
from geotools.network.build import RunSet
from geotools.network.shutdown import plan_shutdowns

AWAY = [0.0, 2.0, 3.5, 8.0, 19.9, 20.1, 300.0]
LARGE, SMALL = 0.6, 0.15  # m, lined and not


def points(xy: Sequence[Sequence[float]], **columns: Sequence[Any]) -> Points:
    table = pd.DataFrame(columns, index=range(len(xy)))
    return Points(table.assign(feature=[f"p{k}" for k in table.index]), np.array(xy, dtype=float))


def services(*xy: Sequence[float]) -> Points:
    return points(xy, customers=[1.0] * len(xy), critical=[0.0] * len(xy))


@pytest.fixture
def laid(
    run_set: Callable[..., RunSet], layers_of: Callable[..., Layers]
) -> Callable[..., tuple[RunSet, pd.DataFrame, pd.DataFrame]]:
    """Runs, their shutdowns and the findings of lines with services; a valve at the origin."""

    def lay(
        lines: Sequence[Any], laterals: Points, *, reach: float = 20.0, **columns: Any
    ) -> tuple[RunSet, pd.DataFrame, pd.DataFrame]:
        network, bends = Network(service_reach=f"{reach} m"), Bends()
        valves = points([(0, 0)], kind=["gate"], open=[1.0])
        layers = replace(layers_of(lines, **columns), laterals=laterals, valves=valves)
        runs = run_set(layers, network=network)
        return runs, plan_shutdowns(layers, runs, network, bends), layers.findings.table()

    return lay


def off(findings: pd.DataFrame) -> list[str]:
    return findings.loc[findings["rule"] == "lateral-off-main", "feature"].tolist()


@pytest.mark.parametrize("reach", [5.0, 20.0])
def test_a_service_within_reach_has_a_dig_and_a_customer_others_have_a_finding(
    laid: Callable[..., Any], reach: float
) -> None:
    runs, shutdowns, findings = laid(
        [[(0, 0), (600, 0)]],
        services(*((50 + 50 * k, away) for k, away in enumerate(AWAY))),
        reach=reach,
    )
    near = [k for k, away in enumerate(AWAY) if away <= reach]
    assert runs.laterals["point"].tolist() == near
    assert runs.laterals["chainage"].tolist() == pytest.approx([50 + 50 * k for k in near])
    assert runs.laterals["offset"].tolist() == pytest.approx([AWAY[k] for k in near])
    assert shutdowns["customers"].tolist() == [len(near)]
    assert shutdowns["temporary_services"].tolist() == [len(near)]
    assert off(findings) == [f"p{k}" for k in range(len(AWAY)) if k not in near]
    told = findings.loc[findings["rule"] == "lateral-off-main", "text"].iloc[0]
    assert f"more than {reach:.1f} m from every main in service" in told


def test_a_service_is_of_the_nearest_main_even_of_one_that_is_not_lined(
    laid: Callable[..., Any],
) -> None:
    lines = [[(0, 0), (600, 0)], [(0, 0), (0, 10), (600, 10)]]
    runs, shutdowns, findings = laid(
        lines, services((100, 4), (200, 6)), diameter=[LARGE, SMALL], status=["", ""]
    )
    assert runs.laterals["point"].tolist() == [0]
    assert shutdowns["temporary_services"].tolist() == [1]
    assert off(findings) == []


def test_a_main_out_of_service_serves_nobody(laid: Callable[..., Any]) -> None:
    lines = [[(0, 0), (600, 0)], [(0, 10), (600, 10)]]
    runs, shutdowns, _ = laid(lines, services((200, 9)), status=["", "abandoned"])
    assert runs.laterals["point"].tolist() == [0]
    assert shutdowns["customers"].tolist() == [1]


def test_of_mains_as_near_a_service_is_of_the_one_that_may_be_lined(
    laid: Callable[..., Any],
) -> None:
    lines = [[(0, 0), (0, -100)], [(0, 0), (300, 0)]]
    runs, _, _ = laid(lines, services((0, 0)), diameter=[SMALL, LARGE])
    assert runs.laterals[["run", "chainage"]].to_numpy().tolist() == [[0, 0.0]]


@pytest.mark.parametrize("back", [False, True])
def test_a_service_where_a_run_is_cut_has_one_dig_however_the_main_is_drawn(
    run_set: Callable[..., RunSet], layers_of: Callable[..., Layers], back: bool
) -> None:
    line = [(0, 0), (300, 0), (600, 0)]
    made = layers_of([line[::-1] if back else line], fittings=[(300, 0, "cap", 0.0)])
    runs = run_set(replace(made, laterals=services((300, 5), (400, 5), (100, 5))))
    assert len(runs.table) == 2
    starts = runs.chains.xy[runs.chains.offsets[:-1]]
    ends = runs.chains.xy[runs.chains.offsets[1:] - 1]
    found = runs.laterals.set_index("point").sort_index()
    run, at = found["run"].to_numpy(), found["chainage"].to_numpy()
    share = at / 300
    places = starts[run] * (1 - share)[:, None] + ends[run] * share[:, None]
    assert places[:, 0].tolist() == pytest.approx([300, 400, 100])
    assert run[0] == run[2] != run[1]


def test_the_reach_of_fittings_is_not_that_of_services(
    run_set: Callable[..., RunSet], layers_of: Callable[..., Layers]
) -> None:
    made = replace(layers_of([[(0, 0), (600, 0)]]), laterals=services((100, 8), (200, 1)))
    for reach in ("0.5 m", "3 m", "30 m"):
        assert len(run_set(made, bends=Bends(fitting_reach=reach)).laterals) == 2


def test_services_drawn_as_lines_go_by_the_end_at_their_main() -> None:
    import geopandas
    import shapely

    import geotools

    main = geopandas.GeoDataFrame(
        {"main_id": ["A"], "diameter_mm": [500.0], "cover_m": [1.2]},
        geometry=[shapely.LineString([(500000, 5600000), (500600, 5600000)])],
        crs=25832,
    )
    lines = [
        shapely.LineString([(500050 + 50 * k, 5600000 + away), (500050 + 50 * k, 5600040 + away)])
        for k, away in enumerate(AWAY)
    ]
    laterals = geopandas.GeoDataFrame({"customers": [1] * len(AWAY)}, geometry=lines, crs=25832)
    layers = geotools.plan(mains=main, laterals=laterals).layers
    digs = layers["local_digs"]
    assert (digs["kind"] == "lateral").sum() == 5
    findings = layers["findings"]
    assert (findings["rule"] == "lateral-off-main").sum() == 2
