"""Quantities: every pit and pull is there, and their costs are the cost of the plan."""

from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import Brief, settings
from geotools.deliver.items import kinds_together
from geotools.estimate.quantities import Prices, pull_quantities, shared_quantities
from geotools.layout.sites import shared_pits
from geotools.schema import OUTPUTS

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"
UNITS = {"m": 0.3048, "m2": 0.3048**2, "m3": 0.764554857984}  # ft, ft2, yd3
OF_RUNS = ("whole pipes to order", "cut off whole pipes", "filled, tested")
GROUT = {"pulls.grouted": True}


@pytest.fixture(scope="module")
def plan() -> dict[str, Any]:
    return dict(geotools.plan(SAMPLE, settings=GROUT).layers)


def kind_of(items: pd.DataFrame) -> pd.Series:
    """Return what items are, without what is told behind it."""
    kinds: pd.Series = items["item"].str.partition(",")[0]
    return kinds


def scope(layers: dict[str, Any], name: str) -> pd.DataFrame:
    table = layers["quantities"]
    rows: pd.DataFrame = table[table["scope"] == name]
    return rows


@pytest.mark.parametrize(
    ("name", "layer", "key"), [("pit", "pits", "pit_id"), ("pull", "pulls", "pull_id")]
)
def test_the_items_of_every_pit_and_pull_add_up_to_its_cost(
    plan: dict[str, Any], name: str, layer: str, key: str
) -> None:
    items = scope(plan, name)
    assert set(items["ref"]) == set(plan[layer][key])
    assert not items.duplicated(["ref", "item"]).any()
    cost = items.groupby("ref")["cost"].sum()
    told = plan[layer].set_index(key)["cost"]
    np.testing.assert_allclose(cost[told.index], told, rtol=0, atol=1e-6)


def test_the_items_of_every_run_add_up_to_its_cost(plan: dict[str, Any]) -> None:
    runs = plan["runs"].set_index("run_id")["cost"].dropna()
    items = scope(plan, "run")
    cost = items.groupby("ref")["cost"].sum()
    assert set(cost.index) == set(runs.index)
    np.testing.assert_allclose(cost[runs.index], runs, rtol=0, atol=1e-6)
    parts = plan["quantities"][plan["quantities"]["scope"].isin(["pit", "pull"])]
    whole = parts.groupby(["run_id", "item"])["quantity"].sum().sort_index()
    told = items.set_index(["run_id", "item"])["quantity"].sort_index()
    told = told.drop([key for key in told.index if key[1].startswith(OF_RUNS)])
    np.testing.assert_allclose(told, whole, rtol=1e-12)


def test_cost_is_quantity_times_rate_and_what_has_no_rate_has_no_cost(
    plan: dict[str, Any],
) -> None:
    table = plan["quantities"]
    priced = table["rate"].notna()
    np.testing.assert_allclose(
        table["cost"][priced], (table["quantity"] * table["rate"])[priced], rtol=1e-9, atol=1e-9
    )
    names = set(table["item"][~priced & (table["quantity"] > 0)])
    assert {name.partition(",")[0] for name in names} == {
        *("carrier in tails", "carrier tied in or joined", "whole pipes to order"),
        *("cut off whole pipes", "filled"),
    }
    assert all(name.endswith(("not priced", "priced by length")) for name in names)
    assert table["cost"][~priced & (table["quantity"] > 0)].isna().all()


def test_quantities_are_those_of_the_layers(plan: dict[str, Any]) -> None:
    table, pits, pulls = plan["quantities"], plan["pits"], plan["pulls"]
    parts = table[table["scope"] != "run"]

    def of(item: str, refs: pd.Series) -> np.ndarray:
        own = parts[kind_of(parts) == item].set_index("ref")["quantity"]
        return np.asarray(own[refs.to_numpy()], dtype=float)

    pit, pull = pits["pit_id"], pulls["pull_id"]
    np.testing.assert_allclose(of("excavation", pit), pits["volume"], rtol=1e-9)
    np.testing.assert_allclose(of("surface made good", pit), plan["pit_footprints"].area, rtol=1e-9)
    for item in ("laying and bedding in the open", "carrier in the open"):
        np.testing.assert_allclose(of(item, pit), pits["before"] + pits["after"], atol=1e-9)
    np.testing.assert_allclose(
        of("lane closed for a day", pit), pits["lanes_taken"] * pits["days"], rtol=1e-9
    )
    np.testing.assert_allclose(of("carrier pulled", pull), pulls["length"], rtol=1e-9)
    np.testing.assert_allclose(of("fused joint", pull), pulls["joints"])
    np.testing.assert_allclose(of("host cleaned", pull), pulls["length"], rtol=1e-9)
    joined = of("string joined on", pull)
    np.testing.assert_allclose(joined, pulls["strings"] - 1)
    assert (of("grout", pull) > 0).all()
    # The carrier laid is the run: pulled, or in the open in a pit.
    laid = parts[kind_of(parts).isin(["carrier pulled", "carrier in the open"])]
    length = laid.groupby("run_id")["quantity"].sum()
    runs = plan["runs"].set_index("run_id")["length"]
    np.testing.assert_allclose(length, runs[length.index], rtol=1e-9)
    # Its pipe costs the same wherever it lies, and by its mass.
    assert (laid.groupby("run_id")["rate"].agg(np.ptp) < 1e-9).all()
    assert laid.groupby("run_id")["rate"].first().nunique() > 1
    # Every line of pipe says which.
    carrier = laid["run_id"].map(plan["runs"].set_index("run_id")["carrier"])
    assert (laid["item"].str.partition(", ")[2] == carrier).all()
    surcharge = of("surcharge of the place", pit)
    cost = parts[parts["item"] == "surcharge of the place"].set_index("ref")["cost"][pit]
    assert (surcharge == (cost > 0)).all() and 0 < surcharge.sum() < len(pits)


def test_whole_pipes_are_ordered_for_every_pull_with_its_tails_and_every_pit(
    plan: dict[str, Any],
) -> None:
    piece, items = 12.0, scope(plan, "run")  # m, as the brief of the sample says
    leave = plan["sections"].set_index("pull_id")["leave"]
    for run in plan["runs"].itertuples():
        rows = items[items["run_id"] == run.run_id].set_index("item")
        pits, pulls = (plan[n][plan[n]["run_id"] == run.run_id] for n in ("pits", "pulls"))
        needed = [*(pits["before"] + pits["after"])]
        needed += [row.length + leave[row.pull_id] for row in pulls.itertuples()]
        pipes = sum(math.ceil(length / piece - 1e-6) for length in needed)
        order = rows.loc[f"whole pipes to order, {run.carrier}, priced by length"]
        rest = rows.loc[f"cut off whole pipes, {run.carrier}, not priced"]
        assert order["quantity"] == pipes and (order["unit"], rest["unit"]) == ("each", "m")
        assert rest["quantity"] == pytest.approx(pipes * piece - sum(needed), abs=1e-3)
        tested = rows.loc["filled, tested and disinfected, not priced", "quantity"]
        assert tested == pytest.approx(run.length)


def test_items_of_all_runs_stand_by_their_kind_whatever_pipe_they_name() -> None:
    items = pd.DataFrame({"item": ["dug", "laid, A", "tested", "laid, B"], "cost": [1, 2, 3, 4]})
    assert kinds_together(items)["cost"].tolist() == [1, 2, 4, 3]
    assert kinds_together(items.iloc[:0]).empty


def test_every_service_of_a_planned_run_is_fed_once_on_a_pull_or_in_a_pit(
    plan: dict[str, Any],
) -> None:
    fed = scope(plan, "run").query("item == 'service fed meanwhile'").set_index("ref")["quantity"]
    digs = plan["local_digs"]
    count = digs[digs["kind"] == "lateral"].groupby("run_id").size()
    assert count.sum() > 0
    np.testing.assert_allclose(fed, count.reindex(fed.index).fillna(0.0))


def test_the_shored_face_goes_round_what_is_dug_and_less_along_a_ramp_beside_the_run(
    plan: dict[str, Any],
) -> None:
    pits = plan["pits"].set_index("pit_id")
    face = scope(plan, "pit").query("item == 'shored face'").set_index("ref")
    box = 2 * (pits["length"] + pits["width"]) * (pits["depth"] + Brief().pits.bedding)
    share = face["quantity"] / box[face.index]
    receiving = pits["role"] == "receiving"
    assert share[receiving].between(0.95, 1.05).all()  # the ground is not quite level
    beside = ~receiving & (pits["before"] + pits["after"] < pits["length"] - 1.0)
    assert (share[beside] < 0.95).all() and beside.any()
    assert set(face["rate"].round(6)) == {Brief().rates.support}


def test_an_uncleaned_host_costs_no_cleaning() -> None:
    settings = {**GROUT, "service.host_cleaned": False}
    table = geotools.plan(SAMPLE, settings=settings).layers["quantities"]
    assert table.loc[table["item"] == "host cleaned", "cost"].sum() == 0.0


def test_pipe_costs_its_mass_in_pits_as_on_pulls_in_plan_alternatives_and_screening() -> None:
    mains = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [1.5]},
        geometry=[shapely.LineString([(5e5, 48e5), (5e5 + 200, 48e5)])],
        crs=32633,
    )
    given = {"service.least_capacity": 0, "carrier.system": "METRIC", "carrier.nominal": "355 mm",
             "carrier.material": "PE100", "carrier.dr": 17}  # fmt: skip
    plans, quick = [], []
    for price in ("3 / kg", "5 / kg"):
        settings = {**given, "rates.pe_pipe": price}
        plans.append(geotools.plan(mains=mains, settings=settings).layers)
        ranked = geotools.screen(mains=mains, settings=settings).layers["ranking"]
        quick.append(ranked["lining_cost"].iloc[0])
    items = plans[0]["quantities"].query("scope == 'run'")
    items = items.set_index(kind_of(items))
    mass = items.loc["carrier pulled", "rate"] / 3.0
    assert mass == pytest.approx(21.9, abs=0.5)  # PE100, wall 21.1 mm of 355 mm, 0.96 t/m3
    assert items.loc["carrier in the open", "quantity"] == pytest.approx(5.0)
    more = pytest.approx(2.0 * mass * 200.0, rel=1e-6)
    runs, told = (
        [plan[name]["cost"].iloc[0] for plan in plans] for name in ("runs", "alternatives")
    )
    assert runs[1] - runs[0] == more
    assert told[1] - told[0] == more
    assert quick[1] - quick[0] == more


def test_us_units_change_quantity_unit_and_rate_and_no_cost(plan: dict[str, Any]) -> None:
    other = geotools.plan(SAMPLE, settings={**GROUT, "output.units": "us"}).layers["quantities"]
    table = plan["quantities"]
    assert (other["ref"].to_numpy() == table["ref"].to_numpy()).all()
    assert (other["item"].to_numpy() == table["item"].to_numpy()).all()
    size = table["unit"].map(UNITS).fillna(1.0).to_numpy()
    np.testing.assert_allclose(other["quantity"] * size, table["quantity"], rtol=1e-9)
    np.testing.assert_allclose(other["rate"] / size, table["rate"], rtol=1e-9)
    np.testing.assert_allclose(other["cost"], table["cost"], rtol=1e-9, atol=1e-6)
    changed = size != 1.0
    assert (other["unit"][changed] != table["unit"][changed]).all()
    assert (other["unit"][~changed] == table["unit"][~changed]).all()


def test_pits_of_two_runs_on_one_ground_are_told_with_what_one_would_save(
    plan: dict[str, Any],
) -> None:
    rows, pits = scope(plan, "shared"), plan["pits"].set_index("pit_id")
    ground = plan["pit_footprints"].set_index("pit_id").geometry
    told = plan["findings"].query("rule == 'pits-shared'")
    assert 0 < len(rows) <= len(told)
    rates = plan["settings"].set_index("name")["value"].astype(str)
    dig, made_good = (float(rates[f"rates.{n}"].split()[0]) for n in ("excavation", "restoration"))
    for row in rows.itertuples():
        other = row.item.split(" with ")[1].split(",")[0]
        one, two = pits.loc[row.ref], pits.loc[other]
        assert one["run_id"] != two["run_id"] and row.run_id == one["run_id"]
        both = ground[row.ref].intersection(ground[other]).area
        setup = float(rates["rates.receiving_pit"])  # the cheaper set-up is spared
        # as deep as it is dug in the mean: what is dug, over the ground it takes
        deep = min(pits.loc[n, "volume"] / ground[n].area for n in (row.ref, other))
        due = setup + both * (made_good + dig * deep)
        assert -row.cost == pytest.approx(due, rel=1e-6)
    # It is in no run's cost: runs are planned each for itself.
    runs = scope(plan, "run")["cost"].sum()
    assert runs == pytest.approx(plan["runs"]["cost"].sum())


def test_three_pits_on_one_ground_save_two_set_ups_and_no_third() -> None:
    box = [shapely.box(0, 0, 6, 1.5), shapely.box(1, -2, 2.5, 4), shapely.box(2, 0, 8, 1.5)]
    pits = pd.DataFrame(
        {
            "pit_id": ["A", "B", "C"],
            "run_id": ["R1", "R2", "R3"],
            "run": [0, 1, 2],
            "role": "receiving",
            "volume": [2.0 * ground.area for ground in box],
            "area": [ground.area for ground in box],
            "ground": box,
        }
    )
    prices = Prices(**{f.name: 0.0 for f in fields(Prices)} | {"setup": {"receiving": 9000.0}})
    shared = shared_pits(pits, prices)
    assert len(shared) == 3
    rows = shared_quantities(shared)
    assert rows["cost"].sum() == pytest.approx(-18_000.0)


COUNTED = ("connections", "valves", "services", "joints", "cleaned", "grout", "tails")
PULL = {
    "pull_id": "L1", "run_id": "R1", "length": 100.0, "strings": 1.0, "hours": 1.0,
    "carrier": "180 mm SDR 17", "pipe_price": 1.0, "joint_hours": 0.0, "lanes_taken": 1.0,
    "string_days": 2.0, "traffic_cost": 300.0, "stages": 1.0, "ports": 0.0,
} | dict.fromkeys(COUNTED, 0.0)  # fmt: skip
ONES = Prices(**{f.name: 1.0 for f in fields(Prices)} | {"setup": {}})


def test_digs_between_pits_close_no_lane_and_their_rates_are_told_to_hold_it() -> None:
    bare, prices = pd.DataFrame([PULL]), ONES
    of_item = "item == 'lane closed for a day'"
    for pulls in (bare, bare.assign(connections=9.0, valves=2.0)):
        (lanes,) = pull_quantities(pulls, prices, "si").query(of_item)["quantity"]
        assert lanes == 2.0
    told = {setting.key: setting.text for setting in settings(Brief())}
    for name in ("connection", "valve"):
        assert "with the lane it takes" in told[f"rates.{name}"]
    assert "digs between pits close none" in told["rates.lane_day"]
    assert "not by local digs" in OUTPUTS["comparison"].field("lane_days").meaning


@pytest.mark.parametrize(
    ("stages", "ports", "told"),
    [
        (1.0, 0.0, {}),
        (3.0, 4.0, {"port midway for a stage of grout, not priced": 4.0}),
        (0.0, 0.0, {"grouting, not in the programme": 1.0}),
    ],
)
def test_grout_that_may_not_be_placed_at_once_is_told_without_a_price(
    stages: float, ports: float, told: dict[str, float]
) -> None:
    pull = PULL | {"grout": 20.0, "stages": stages, "ports": ports}
    rows = pull_quantities(pd.DataFrame([pull]), ONES, "si").set_index("item")
    own = rows[rows.index.str.contains("port midway|not in the programme")]
    assert own["quantity"].to_dict() == told
    assert own["rate"].isna().all() and own["cost"].isna().all()
    assert rows.loc["grout", "cost"] == 20.0
