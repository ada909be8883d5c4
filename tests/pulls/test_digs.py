"""Local digs: what lies on a pull costs, what lies in a pit costs less, for its dig is spared."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import Brief
from geotools.pulls.digs import dig_list, local_digs
from geotools.tool import Outcome

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"
X, Y, CRS = 500_000.0, 4_800_000.0, 32633


def test_the_digs_of_a_run_come_in_order_each_with_its_price() -> None:
    runs: Any = SimpleNamespace(
        chains=SimpleNamespace(
            connections=pd.DataFrame({"run": [1, 0], "chainage": [5.0, 80.0], "other": [1, 2]})
        ),
        laterals=pd.DataFrame({"run": [0, 0], "chainage": [90.0, 10.0]}),
        hydrants=pd.DataFrame({"run": [1], "chainage": [3.0]}),
        valves=pd.DataFrame(
            {
                "run": [0, 0, 1, 1, 1],
                "chainage": [80.0, 40.0, 4.5, 60.5, 60.0],
                "tapped": [False, True, True, True, True],
            }
        ),
        table=pd.DataFrame({"length": [80.5, 70.0]}),
    )
    rates = {"connection": 700.0, "valve": 900.0, "in_pit_share": 0.5, "temporary": 50.0}
    digs = dig_list(runs, **rates, at_end=0.0)
    tied = dig_list(runs, **rates, at_end=300.0)
    pd.testing.assert_frame_equal(tied, digs.assign(in_pit=digs["in_pit"] + 300.0 * digs["tie_in"]))
    names = ["run", "chainage", "kind", "cost", "tie_in", "in_pit", "temporary"]
    assert digs.columns.tolist() == names
    assert digs.index.tolist() == [*range(8)]
    # services and hydrants are dug up as connections are; services alone are fed meanwhile;
    # a valve on a branch is dug up with what is tapped off beside it; in a pit half is left of
    # each price, and nothing of a main's at the end of the run
    assert digs.to_numpy().tolist() == [
        [0, 10.0, "lateral", 700.0, False, 350.0, 50.0],
        [0, 40.0, "branch_valve", 700.0, False, 350.0, 0.0],
        [0, 80.0, "connection", 700.0, True, 0.0, 0.0],
        [0, 80.0, "valve", 900.0, False, 450.0, 0.0],
        [0, 90.0, "lateral", 700.0, False, 350.0, 50.0],
        [1, 3.0, "hydrant", 700.0, False, 350.0, 0.0],
        [1, 5.0, "connection", 700.0, False, 350.0, 0.0],
        [1, 60.0, "branch_valve", 700.0, False, 350.0, 0.0],
    ]


@pytest.mark.parametrize("off", [0.0, 6e-12])
def test_a_dig_between_the_edges_of_a_pull_costs_and_any_other_is_spared_and_costs_less(
    off: float,
) -> None:
    """On the edge of a pit is in it, by however little chainages are rounded."""
    digs = pd.DataFrame(
        {
            "run": [0, 0, 0, 0, 0, 2],
            "chainage": [1.0, 10.0 + off, 50.0, 90.0, 95.0 - off, 30.0],
            "kind": ["lateral", "lateral", "connection", "valve", "lateral", "lateral"],
            "cost": [5.0, 5.0, 5.0, 9.0, 5.0, 5.0],
            "in_pit": [2.0, 3.0, 2.0, 4.0, 1.0, 2.0],
        }
    )
    pulls = pd.DataFrame({"run": [0], "pull_id": ["A-L1"], "start": [10.0], "end": [95.0]})
    got = local_digs(digs, pulls, np.unique(pulls["run"]), np.array(["A", "B", "C"], dtype=object))
    # The run without a plan has no digs; what lies on the very edge is dug with the pit.
    assert got["run_id"].tolist() == ["A"] * 5
    assert got["dig_id"].tolist() == [f"A-D{k}" for k in range(1, 6)]
    assert got["pull_id"].tolist() == ["", "", "A-L1", "A-L1", ""]
    assert got["spared"].tolist() == [True, True, False, False, True]
    assert got["cost"].tolist() == [2.0, 3.0, 5.0, 9.0, 1.0]


def test_like_runs_with_valves_on_the_edges_of_their_pits_cost_alike_and_pass_verify(
    tmp_path: Path,
) -> None:
    """Receiving pits reach 3 m into a main at its ends; turned, the valves lie 1e-11 m off that."""
    ways = [
        shapely.LineString([(X, Y + 900 * k), (X + 300 * np.cos(a), Y + 900 * k + 300 * np.sin(a))])
        for k, a in enumerate((0.1, 0.7, 1.3))
    ]
    columns = {"diameter_mm": 400.0, "bore_mm": 400.0, "cover_m": 1.5}
    mains = gpd.GeoDataFrame({"main_id": ["A", "B", "C"], **columns}, geometry=ways, crs=CRS)
    places = [way.interpolate(at) for way in ways for at in (3.0, 297.0)]
    valves = gpd.GeoDataFrame({"kind": "gate"}, geometry=places, crs=CRS, index=range(6))
    path = tmp_path / "plan.gpkg"
    said = geotools.plan(
        mains=mains, valves=valves, settings={"service.least_capacity": 0}, output=path
    )
    cost = said.layers["runs"]["cost"].to_numpy()
    assert np.ptp(cost) < 0.01
    spared = said.layers["local_digs"].query("kind == 'valve'").groupby("run_id")["spared"].sum()
    assert spared.tolist() == [1, 1, 1]  # by the receiving pit; the other's ramp lies outside
    assert not geotools.verify(path).failed


def test_of_a_run_laid_in_a_single_pit_all_is_spared_and_costs_what_is_left_in_a_pit() -> None:
    digs = pd.DataFrame(
        {"run": [0, 1], "chainage": [1.0, 50.0], "kind": ["lateral", "valve"], "cost": [5.0, 9.0]}
    ).assign(in_pit=[2.0, 4.0])
    pulls = pd.DataFrame({"run": [1], "pull_id": ["B-L1"], "start": [10.0], "end": [95.0]})
    got = local_digs(digs, pulls, np.array([0, 1]), np.array(["A", "B"], dtype=object))
    assert got["run_id"].tolist() == ["A", "B"]
    assert got["pull_id"].tolist() == ["", "B-L1"]
    assert got["spared"].tolist() == [True, False]
    assert got["cost"].tolist() == [2.0, 9.0]


def test_no_pulls_and_no_digs_give_an_empty_table() -> None:
    digs = pd.DataFrame({"run": [0], "chainage": [1.0], "kind": ["lateral"], "cost": [5.0]})
    digs["in_pit"] = 2.0
    none = pd.DataFrame({"run": [], "pull_id": [], "start": [], "end": []})
    names = np.array(["A"], dtype=object)
    assert local_digs(digs, none, np.zeros(0, dtype=np.int64), names).empty
    assert local_digs(digs.iloc[:0], none, np.zeros(0, dtype=np.int64), names).empty


@pytest.fixture(scope="module")
def plan(sample_done: Outcome) -> dict[str, Any]:
    return dict(sample_done.layers)


def test_the_digs_of_the_sample_are_those_counted_and_paid_on_their_pulls(
    plan: dict[str, Any],
) -> None:
    digs, pulls = plan["local_digs"], plan["pulls"].set_index("pull_id")
    on = digs[~digs["spared"].astype(bool)]
    count = on.groupby("pull_id").size().reindex(pulls.index, fill_value=0)
    assert (count == pulls["digs"]).all()
    for dig in on.itertuples():
        pull = pulls.loc[dig.pull_id]
        assert pull["run_id"] == dig.run_id
        assert pull["start"] < dig.chainage < pull["end"]
    items = plan["quantities"].query(
        "item in ['connection dug up', 'line valve cut out and replaced']"
    )
    paid = items[items["scope"] == "pull"].groupby("ref")["cost"].sum()
    cost = on.groupby("pull_id")["cost"].sum().reindex(paid.index, fill_value=0.0)
    np.testing.assert_allclose(paid, cost, rtol=1e-12)
    assert (on["cost"] > 0).all()


def test_the_spared_digs_of_the_sample_lie_in_a_pit(plan: dict[str, Any]) -> None:
    digs, pits = plan["local_digs"], plan["pits"]
    spared = digs[digs["spared"].astype(bool)]
    assert len(spared)
    last = spared["run_id"].map(plan["runs"].set_index("run_id")["length"])
    ends = (spared["chainage"] < 1.0) | (spared["chainage"] > last - 1.0)
    tied = ends & (spared["kind"] == "connection")
    assert (spared["cost"][tied] == 0).all() and tied.any()
    assert (spared["cost"][~tied] > 0).all() and not tied.all()
    for dig in spared.itertuples():
        own = pits[pits["run_id"] == dig.run_id]
        low, high = own["chainage"] - own["before"], own["chainage"] + own["after"]
        assert ((low - 1e-6 <= dig.chainage) & (dig.chainage <= high + 1e-6)).any()


@pytest.mark.parametrize("kind", ["lateral", "hydrant"])
@pytest.mark.parametrize(("at", "spared"), [(150.0, False), (1.0, True)])
@pytest.mark.parametrize("share", [0.0, 0.4])
def test_a_service_or_hydrant_costs_a_connection_on_a_pull_a_share_in_a_pit_a_service_is_fed(
    at: float, spared: bool, kind: str, share: float
) -> None:
    main = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [1.5]},
        geometry=[shapely.LineString([(X, Y), (X + 300, Y)])],
        crs=CRS,
    )
    point = gpd.GeoDataFrame({"customers": [1]}, geometry=[shapely.Point(X + at, Y)], crs=CRS)
    settings = {
        "service.least_capacity": 0,
        "rates.connection": 777.0,
        "rates.temporary_service": 55.0,
        "rates.in_pit_share": share,
    }
    plain = geotools.plan(mains=main, settings=settings).layers
    layers = geotools.plan(mains=main, settings=settings, **{f"{kind}s": point}).layers
    dig = layers["local_digs"].iloc[0]
    assert (dig["kind"], bool(dig["spared"])) == (kind, spared)
    more = layers["runs"]["cost"].sum() - plain["runs"]["cost"].sum()
    assert more == pytest.approx(
        (55.0 if kind == "lateral" else 0.0) + (share if spared else 1.0) * 777.0, abs=1e-6
    )
    assert dig["cost"] == pytest.approx((share if spared else 1.0) * 777.0)


@pytest.mark.parametrize(("share", "spared"), [(0.0, True), (1.0, False)])
def test_no_trench_is_dug_to_reach_what_costs_as_much_in_a_pit(share: float, spared: bool) -> None:
    """A hydrant in the middle of a run, dearer to dig up than a pit and two pulls for one."""
    main = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [1.5]},
        geometry=[shapely.LineString([(X, Y), (X + 300, Y)])],
        crs=CRS,
    )
    hydrant = gpd.GeoDataFrame({"hydrant_id": ["H"]}, geometry=[shapely.Point(X + 150, Y)], crs=CRS)
    settings = {
        "service.least_capacity": 0,
        "rates.connection": 90_000.0,
        "rates.in_pit_share": share,
    }
    dig = geotools.plan(mains=main, hydrants=hydrant, settings=settings).layers["local_digs"]
    assert dig["spared"].tolist() == [spared]


def test_a_line_valve_and_what_is_tapped_off_in_a_pit_are_told_priced_and_scheduled_there() -> None:
    """Pits hold the valve in the middle and the service beside it; the tees at the ends do not."""
    ways = [[(0.0, 0.0), (300.0, 0.0)], [(0.0, 0.0), (0.0, 50.0)], [(0.0, 0.0), (0.0, -50.0)]]
    mains = gpd.GeoDataFrame(
        {
            "main_id": ["M", "A", "B"],
            "diameter_mm": [450.0, 200.0, 200.0],
            "bore_mm": [450.0, 200.0, 200.0],
            "cover_m": 1.5,
        },
        geometry=[shapely.LineString([(X + x, Y + y) for x, y in way]) for way in ways],
        crs=CRS,
    )
    valves = gpd.GeoDataFrame({"kind": ["gate"]}, geometry=[shapely.Point(X + 150, Y)], crs=CRS)
    services = gpd.GeoDataFrame({"customers": [1]}, geometry=[shapely.Point(X + 151, Y)], crs=CRS)
    settings = {
        "service.least_capacity": 0,
        "pulls.valves": "pit",
        "rates.connection": 700.0,
        "rates.valve": 900.0,
        "rates.in_pit_share": 0.25,
    }
    plan = geotools.plan(mains=mains, valves=valves, laterals=services, settings=settings).layers
    items = plan["quantities"].query("scope == 'run'").set_index("item")
    told = ["connection remade in the pit", "line valve cut out and replaced in the pit"]
    assert items.loc[told, "quantity"].tolist() == [1.0, 1.0]
    assert items.loc[told, "cost"].tolist() == pytest.approx([175.0, 225.0])
    digs = plan["local_digs"].set_index("kind")
    assert digs["spared"].all() and digs.loc["valve", "cost"] == pytest.approx(225.0)
    assert (digs.loc[["connection"], "cost"] == 0.0).all()
    tasks = plan["schedule"].query("task == 'remake the connections' and days > 0")
    middle = plan["pits"].sort_values("chainage")["pit_id"].iloc[1]
    assert tasks["ref"].tolist() == [middle]
    assert tasks["days"].tolist() == pytest.approx([2 * 0.25 / Brief().crew.digs_per_day])


@pytest.mark.parametrize(("status", "digs"), [("proposed", 0), ("abandoned", 0), ("active", 1)])
def test_a_main_without_water_at_a_tee_is_paid_for_no_more_than_if_it_were_not_there(
    status: str, digs: int
) -> None:
    def plan_of(ways: list[list[tuple[float, float]]]) -> dict[str, Any]:
        mains = gpd.GeoDataFrame(
            {
                "main_id": [f"M{k}" for k in range(len(ways))],
                "diameter_mm": 450.0,
                "bore_mm": 450.0,
                "cover_m": 1.5,
                "status": ["active", "active", status][: len(ways)],
            },
            geometry=[shapely.LineString([(X + x, Y + y) for x, y in way]) for way in ways],
            crs=CRS,
        )
        settings = {"service.least_capacity": 0, "rates.connection": 777.0}
        return dict(geotools.plan(mains=mains, settings=settings).layers)

    ways = [[(0.0, 0.0), (150.0, 0.0)], [(150.0, 0.0), (300.0, 0.0)], [(150.0, 0.0), (150.0, 80.0)]]
    alone, met = plan_of(ways[:2]), plan_of(ways)
    dug = met["local_digs"]
    assert met["runs"]["main_ids"].str.contains("M0,M1").sum() == 1
    assert dug["run_id"].isin(met["runs"].query("main_ids == 'M0,M1'")["run_id"]).sum() == digs
    own, before = (t["runs"].query("main_ids == 'M0,M1'")["cost"].sum() for t in (met, alone))
    assert own - before == pytest.approx(777.0 * digs, abs=1e-6)
