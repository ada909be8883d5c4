"""Quantities: every pit and pull is there, and their costs are the cost of the plan."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import Brief, settings
from geotools.estimate.quantities import Prices, pull_quantities, shared_quantities
from geotools.layout.sites import shared_pits
from geotools.schema import OUTPUTS

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"
UNITS = {"m": 0.3048, "m2": 0.3048**2, "m3": 0.764554857984}  # ft, ft2, yd3
GROUT = {"pulls.grouted": True}


@pytest.fixture(scope="module")
def plan() -> dict[str, Any]:
    return dict(geotools.plan(SAMPLE, settings=GROUT).layers)


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
    np.testing.assert_allclose(told, whole, rtol=1e-12)


def test_cost_is_quantity_times_rate_and_what_has_no_rate_has_no_cost(
    plan: dict[str, Any],
) -> None:
    table = plan["quantities"]
    priced = table["rate"].notna()
    np.testing.assert_allclose(
        table["cost"][priced], (table["quantity"] * table["rate"])[priced], rtol=1e-9, atol=1e-9
    )
    assert set(table["item"][~priced & (table["quantity"] > 0)]) == {
        "carrier in tails, not priced",
        "carrier tied in or joined, not priced",
    }
    assert table["cost"][~priced & (table["quantity"] > 0)].isna().all()


def test_quantities_are_those_of_the_layers(plan: dict[str, Any]) -> None:
    table, pits, pulls = plan["quantities"], plan["pits"], plan["pulls"]
    parts = table[table["scope"] != "run"]

    def of(item: str, refs: pd.Series) -> np.ndarray:
        own = parts[parts["item"] == item].set_index("ref")["quantity"]
        return np.asarray(own[refs.to_numpy()], dtype=float)

    pit, pull = pits["pit_id"], pulls["pull_id"]
    np.testing.assert_allclose(of("excavation", pit), pits["volume"], rtol=1e-9)
    np.testing.assert_allclose(of("surface made good", pit), plan["pit_footprints"].area, rtol=1e-9)
    np.testing.assert_allclose(
        of("carrier laid in the open", pit), pits["before"] + pits["after"], atol=1e-9
    )
    np.testing.assert_allclose(
        of("lane closed for a day", pit), pits["lanes_taken"] * pits["days"], rtol=1e-9
    )
    np.testing.assert_allclose(of("carrier pulled", pull), pulls["length"], rtol=1e-9)
    np.testing.assert_allclose(of("fused joint", pull), pulls["joints"])
    np.testing.assert_allclose(of("host cleaned", pull), pulls["length"], rtol=1e-9)
    joined = of("string joined on, with standstill", pull)
    np.testing.assert_allclose(joined, pulls["strings"] - 1)
    assert (of("grout", pull) > 0).all()
    # The carrier laid is the run: pulled, or in the open in a pit.
    laid = parts[parts["item"].isin(["carrier pulled", "carrier laid in the open"])]
    length = laid.groupby("run_id")["quantity"].sum()
    runs = plan["runs"].set_index("run_id")["length"]
    np.testing.assert_allclose(length, runs[length.index], rtol=1e-9)


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


def test_digs_between_pits_close_no_lane_and_their_rates_are_told_to_hold_it() -> None:
    counted = ("connections", "valves", "services", "joints", "cleaned", "grout", "tails")
    pull = {
        "pull_id": "L1", "run_id": "R1", "length": 100.0, "strings": 1.0, "hours": 1.0,
        "pipe_price": 1.0, "joint_hours": 0.0, "lanes_taken": 1.0, "string_days": 2.0,
        "traffic_cost": 300.0,
    }  # fmt: skip
    bare = pd.DataFrame([pull | dict.fromkeys(counted, 0.0)])
    prices = Prices(**{f.name: 1.0 for f in fields(Prices)} | {"setup": {}})
    of_item = "item == 'lane closed for a day'"
    for pulls in (bare, bare.assign(connections=9.0, valves=2.0)):
        (lanes,) = pull_quantities(pulls, prices, "si").query(of_item)["quantity"]
        assert lanes == 2.0
    told = {setting.key: setting.text for setting in settings(Brief())}
    for name in ("connection", "valve"):
        assert "with the lane it takes" in told[f"rates.{name}"]
    assert "digs between pits close none" in told["rates.lane_day"]
    assert "not by local digs" in OUTPUTS["comparison"].field("lane_days").meaning
