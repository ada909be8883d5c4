"""What costs nothing until its rate is set: tying in, mains at the ends, and testing a run."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import load_brief
from geotools.deliver.read_plan import read_plan
from geotools.deliver.report.content import gather
from geotools.deliver.verify.optimum import solve_run
from geotools.deliver.verify.plan import Plan, load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.screening.tables import _own_rates
from geotools.tools.plan import TOOL

X, Y, CRS = 500_000.0, 4_800_000.0, 32633
TIE_IN, AT_END, TESTING = 5_000.0, 7_000.0, 800.0  # each; a metre
RATES = {
    "rates.tie_in": TIE_IN, "rates.end_connection": AT_END, "rates.testing": f"{TESTING} / m",
}  # fmt: skip
ONCE = AT_END + 300.0 * TESTING  # of the scene, whatever its pits
JOINED, TESTED = "carrier tied in or joined", "filled, tested and disinfected"
MET = "main at the end reconnected"
PIPE = {
    "carrier.system": "METRIC", "carrier.material": "PE100", "service.least_capacity": 0,
    "carrier.larger_for": 0.05, "pulls.max_length": "130 m",
}  # fmt: skip


def lines(*shapes: list[tuple[float, float]]) -> list[shapely.LineString]:
    return [shapely.LineString([(X + x, Y + y) for x, y in line]) for line in shapes]


def scene() -> dict[str, gpd.GeoDataFrame]:
    """Return a main of 300 m that begins in an intersection, at a tee."""
    mains = {"main_id": ["M", "T"], "diameter_mm": [450.0, 200.0], "bore_mm": [450.0, 200.0]}
    ways = lines([(0.0, 0.0), (300.0, 0.0)], [(0.0, 0.0), (0.0, 40.0)])
    streets = {"class": "local", "lanes": 2, "width_m": 7.0, "name": ["East St", "North St"]}
    along = lines([(-100.0, 1.0), (400.0, 1.0)], [(0.0, -100.0), (0.0, 100.0)])
    return {
        "mains": gpd.GeoDataFrame(mains | {"cover_m": 1.5}, geometry=ways, crs=CRS),
        "streets": gpd.GeoDataFrame(streets, geometry=along, crs=CRS),
    }


@pytest.fixture(scope="module")
def plain() -> dict[str, Any]:
    return dict(geotools.plan(**scene(), settings=PIPE).layers)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("priced") / "plan.gpkg"
    geotools.plan(**scene(), settings=PIPE | RATES, output=path)
    return path


@pytest.fixture(scope="module")
def written(file: Path) -> Plan:
    return load_plan(file, TOOL.outputs)


def items(table: pd.DataFrame, scope: str, item: str) -> pd.DataFrame:
    rows: pd.DataFrame = table[(table["scope"] == scope) & table["item"].str.startswith(item)]
    return rows


def test_what_has_no_rate_is_called_not_priced_and_with_one_it_is_priced_and_not_so_called(
    plain: dict[str, Any], written: Plan
) -> None:
    for item, scopes in ((JOINED, ("pit", "run")), (TESTED, ("run",))):
        for scope in scopes:
            rows = items(plain["quantities"], scope, item)
            assert set(rows["item"]) == {f"{item}, not priced"}
            assert rows[["rate", "cost"]].isna().all(axis=None)
            assert set(items(written.table("quantities"), scope, item)["item"]) == {item}
    (tested,) = items(written.table("quantities"), "run", TESTED)["cost"]
    assert tested == pytest.approx(300.0 * TESTING)
    joined = items(written.table("quantities"), "pit", JOINED)
    assert set(joined["ref"]) == set(written.table("pits")["pit_id"])
    assert (joined["cost"] == TIE_IN).all()


def test_what_a_run_is_tied_in_to_at_an_end_is_an_item_where_it_has_a_rate(
    plain: dict[str, Any], written: Plan
) -> None:
    """The tee at the start; nothing meets the run at its other end."""
    assert not plain["quantities"]["item"].str.startswith(MET).any()
    rows = items(written.table("quantities"), "pit", MET)
    assert rows["quantity"].tolist() == [1.0, *[0.0] * (len(rows) - 1)]
    assert rows["cost"].sum() == AT_END
    digs = [table[["kind", "spared", "cost"]].to_numpy().tolist()
            for table in (plain["local_digs"], written.table("local_digs"))]  # fmt: skip
    assert digs == [[["connection", True, 0.0]], [["connection", True, AT_END]]]


def test_the_bill_of_a_run_with_every_rate_set_adds_up_to_its_cost(written: Plan) -> None:
    bill, run = written.table("quantities"), written.table("runs").iloc[0]
    assert bill.loc[bill["scope"] == "run", "cost"].sum() == pytest.approx(run["cost"])
    parts = bill.loc[bill["scope"].isin(["pit", "pull"]), "cost"].sum()
    assert parts == pytest.approx(run["cost"] - 300.0 * TESTING)
    for name in ("pit", "pull"):
        own = bill[bill["scope"] == name].groupby("ref")["cost"].sum()
        rows = written.table(f"{name}s").set_index(f"{name}_id")["cost"]
        np.testing.assert_allclose(own[rows.index], rows)


def test_no_factor_of_its_place_makes_tying_in_at_a_pit_dearer(
    plain: dict[str, Any], written: Plan
) -> None:
    before, after = (
        items(table, "pit", "surcharge").set_index("ref")["cost"]
        for table in (plain["quantities"], written.table("quantities"))
    )
    assert before.max() > 0  # in the intersection
    assert after.iloc[0] == pytest.approx(before.iloc[0], rel=0.05)  # of another carrier


def test_report_and_summary_tell_the_cost_with_all_that_has_a_rate(
    file: Path, written: Plan
) -> None:
    bill = gather(read_plan(file, needs=()))["tables"]["quantities"]
    assert bill["whole"] == pytest.approx(written.table("runs")["cost"].sum())


def test_every_rule_of_verify_and_the_optimum_hold_with_every_rate_set(written: Plan) -> None:
    assert [fault for rule in RULES for fault in check(written, rule).faults] == []
    solved = solve_run(written, "R0001")
    assert solved.holds and not solved.reason
    assert solved.best == pytest.approx(written.table("runs")["cost"].iloc[0])


def test_every_carrier_tried_costs_its_pits_and_the_testing_more_and_is_weighed_by_that(
    plain: dict[str, Any], written: Plan
) -> None:
    """Paid for a larger bore is a share of a cost that holds them, so here it buys a larger one."""
    before, after = (
        table[table["cost"].notna()].set_index("carrier")
        for table in (plain["alternatives"], written.table("alternatives"))
    )
    both = before.index.intersection(after.index)
    more = (after["cost"] - before["cost"])[both]
    due = after["pit_count"][both] * TIE_IN + ONCE
    np.testing.assert_allclose(more, due)
    near = after[after["cost"] <= 1.05 * after["cost"].min()]
    assert near["carrier_bore"].idxmax() == written.table("runs")["carrier"].iloc[0]
    assert near["carrier_bore"].max() > before.loc[plain["runs"]["carrier"], "carrier_bore"].max()


@pytest.mark.parametrize(
    ("table", "column", "which", "less", "rule"),
    [
        ("runs", "cost", "cost", 300.0 * TESTING, "sums"),
        ("quantities", "rate", TESTED, 1.0, "orders"),
        ("quantities", "rate", JOINED, 1.0, "pit-items"),
        ("quantities", "quantity", MET, 1.0, "pit-items"),
        ("local_digs", "cost", "cost", AT_END, "dig-costs"),
    ],
)
def test_verify_finds_what_is_told_at_another_rate(
    written: Plan, table: str, column: str, which: str, less: float, rule: str
) -> None:
    plan = copy.copy(written)
    rows = written.table(table)
    some = rows["item"] == which if table == "quantities" else rows[column].notna()
    changed = rows.assign(**{column: rows[column] - less * some})
    plan = Plan(**{**vars(written), "tables": {**written.tables, table: changed}, "kept": {}})
    (own,) = (one for one in RULES if one.name == rule)
    assert check(plan, own).faults


def test_verify_finds_a_pit_too_cheap_to_hold_tying_in(written: Plan) -> None:
    """Set up, laid, piped, the tee, half of tying in; nothing dug, made good or closed for it."""
    bill, places = written.table("quantities"), written.table("candidates")
    (pipe,) = items(bill, "run", "carrier in the open")["rate"]
    opens = np.minimum(places["before_receiving"], places["chainage"])
    opens += np.minimum(places["after_receiving"], 300.0 - places["chainage"])
    least = 9_000.0 + (250.0 + pipe) * opens
    least += AT_END * (places["chainage"] < places["before_receiving"])
    for more, faults in ((0.5, places["cost_receiving"].notna().sum()), (1.0, 0)):
        cost = (least + more * TIE_IN).where(places["cost_receiving"].notna())
        tables = {**written.tables, "candidates": places.assign(cost_receiving=cost)}
        plan = Plan(**{**vars(written), "tables": tables, "kept": {}})
        (own,) = (one for one in RULES if one.name == "candidates-priced")
        assert len(check(plan, own).faults) == faults


def test_what_edits_cost_is_told_beside_the_carrier_that_wins_without_them(
    written: Plan,
) -> None:
    wish = {"action": ["fix"], "role": ["insertion_both"]}
    edits = gpd.GeoDataFrame(wish, geometry=[shapely.Point(X + 60, Y)], crs=CRS)
    plan = geotools.plan(**scene(), pit_edits=edits, settings=PIPE | RATES).layers
    (without,) = plan["alternatives"].query("outcome == 'without_edits'").itertuples()
    run = written.table("runs").iloc[0]
    assert without.carrier == run["carrier"]
    assert without.cost == pytest.approx(run["cost"])


def test_a_quick_estimate_costs_its_pits_and_the_testing_more() -> None:
    settings = PIPE | {"carrier.nominal": "355 mm", "carrier.dr": 17}
    told = [geotools.screen(**scene(), settings=settings | more).layers["ranking"].iloc[0]
            for more in ({}, RATES)]  # fmt: skip
    pits = told[0]["pit_count"]
    assert pits == told[1]["pit_count"] == 4
    more = told[1]["lining_cost"] - told[0]["lining_cost"]
    assert more == pytest.approx(pits * TIE_IN + ONCE)
    assert told[1]["open_cut_cost"] == told[0]["open_cut_cost"]


def test_a_screening_counts_a_rate_that_is_nothing_until_it_is_set_only_then() -> None:
    """Of 74 rates and weights another value stands in for what nobody set."""
    for more, count in (({}, "1 of 74"), (RATES, "4 of 77")):
        given = load_brief(overrides={"rates.excavation": "99 / m^3"} | more)
        assert _own_rates(given) == count


def test_a_pit_that_pays_without_a_price_for_tying_in_is_none_where_that_is_dearer() -> None:
    """A hydrant in the middle, dearer to dig up than a pit and two pulls for one."""
    main = scene()["mains"].iloc[:1]
    hydrant = gpd.GeoDataFrame({"hydrant_id": ["H"]}, geometry=[shapely.Point(X + 150, Y)], crs=CRS)
    settings: dict[str, Any] = {
        "carrier.nominal": "355 mm", "carrier.system": "METRIC", "service.least_capacity": 0,
        "rates.connection": 90_000.0, "rates.in_pit_share": 0.0,
    }  # fmt: skip
    pits = [
        geotools.plan(mains=main, hydrants=hydrant, settings=settings | {"rates.tie_in": rate})
        .layers["runs"]["pit_count"]
        .iloc[0]
        for rate in (0, 100_000)
    ]
    assert pits == [3, 2]
