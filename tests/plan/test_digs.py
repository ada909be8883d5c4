"""Digs between the pits: where they lie, how deep they are, how long they stay; and groundwater."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import load_brief
from geotools.deliver.verify.digs import RULES
from geotools.deliver.verify.plan import Plan, load_plan
from geotools.intake.findings import Findings
from geotools.layout.digs import report_digs_in_places
from geotools.layout.groundwater import report_groundwater
from geotools.siting.ground_checks import Avoid
from geotools.tools.plan import TOOL

X, Y, CRS = 500_000.0, 4_800_000.0, 32633
AT = {"end": 1.0, "soft": 60.0, "hard": 120.0, "deep": 200.0, "near": 330.0, "by": 340.0}
FAR = 380.0  # a service past the end of the street
HOLE = 0.65  # m, half of the host and the room beside it
BEDDING = 0.15


def frame(shapes: list[Any], **columns: Any) -> Any:
    return gpd.GeoDataFrame(columns, index=range(len(shapes)), geometry=shapes, crs=CRS)


def box(low: float, high: float) -> Any:
    return shapely.box(X + low, Y - 5, X + high, Y + 5)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plan a main that passes under a bank in the middle, past places to avoid.

    A soft place lies on a pit and on a service, a hard one on a service; two that are points with
    a buffer of 1 m come 0.6 and 0.7 m near to services, half a hole being 0.65 m.
    """
    path = tmp_path_factory.mktemp("digs") / "plan.gpkg"
    ends = [(0.0, 150.0), (150.0, 250.0), (250.0, 400.0)]
    mains = frame(
        [shapely.LineString([(X + a, Y), (X + b, Y)]) for a, b in ends],
        main_id=["A", "B", "C"], diameter_mm=400.0, bore_mm=400.0, cover_m=[1.4, 7.0, 1.4],
    )  # fmt: skip
    beside = [shapely.Point(X + AT["near"], Y + 1.6), shapely.Point(X + AT["by"], Y + 1.7)]
    geotools.plan(
        mains=mains,
        laterals=frame([shapely.Point(X + at, Y) for at in (*AT.values(), FAR)], customers=1),
        streets=frame(
            [shapely.LineString([(X - 300, Y + 2), (X + 350, Y + 2)])],
            **{"class": ["local"], "lanes": [2], "width_m": [8.0], "name": ["Bank St"]},
        ),
        avoid=frame(
            [box(-10, 70), box(115, 125), *beside],
            reason=["park", "tank farm", "cable", "tree"],
            hard=[False, True, True, True],
            buffer_m=[0.0, 2.0, 1.0, 1.0],
        ),
        settings={"service.least_capacity": 0},
        output=path,
    )
    return path


@pytest.fixture(scope="module")
def plan(path: Path) -> Plan:
    return load_plan(path, TOOL.outputs)


def dig_at(plan: Plan, at: float) -> Any:
    return next(dig for dig in plan.rows("local_digs") if dig.chainage == pytest.approx(at))


def told(plan: Plan, rule: str) -> dict[str, Any]:
    rows = [row for row in plan.rows("findings") if row.rule == rule]
    assert len({row.feature for row in rows}) == len(rows)
    return {row.feature: row for row in rows}


def test_a_dig_whose_hole_reaches_into_a_hard_place_is_a_warning_and_in_a_soft_one_an_info(
    plan: Plan,
) -> None:
    """A pit over the service at the end has rules of its own. A hole is as wide as a pit."""
    assert [pit.width for pit in plan.rows("pits")] == pytest.approx([2 * HOLE] * 2)
    hard, soft = told(plan, "dig-in-hard-place"), told(plan, "dig-in-soft-place")
    names = {name: dig_at(plan, at).dig_id for name, at in AT.items()}
    assert set(hard) == {names["hard"], names["near"]}
    assert set(soft) == {names["soft"]}
    assert {row.severity for row in hard.values()} == {"warning"}
    assert {row.severity for row in soft.values()} == {"info"}
    for name, place in (("hard", "tank farm"), ("near", "cable")):
        text, dig = hard[names[name]].text, dig_at(plan, AT[name])
        assert place in text and dig.dig_id in text and dig.pull_id in text
    assert "park" in soft[names["soft"]].text
    assert dig_at(plan, AT["end"]).spared
    where = hard[names["hard"]].geometry
    assert where.x == pytest.approx(X + AT["hard"]) and where.y == pytest.approx(Y)


def test_a_dig_is_as_deep_as_a_pit_there_and_a_deep_one_is_told_at_the_price_of_any(
    plan: Plan,
) -> None:
    for at in (*AT.values(), FAR):
        dig = dig_at(plan, at)
        depth = 7.4 if at == AT["deep"] else 1.8  # cover and the diameter
        assert dig.depth == pytest.approx(depth) and dig.depth_source == "cover"
        assert dig.dig_depth == pytest.approx(depth + BEDDING)
    deep = dig_at(plan, AT["deep"])
    assert set(told(plan, "deep-dig")) == {deep.dig_id}
    assert set(told(plan, "engineered-excavation")) == {deep.dig_id}
    text = told(plan, "deep-dig")[deep.dig_id].text
    assert "7.40 m" in text and "pits.max_depth" in text
    assert deep.cost == dig_at(plan, AT["soft"]).cost


def beside(at: list[float], aside: list[float], **settings: object) -> pd.DataFrame:
    """Tell of a hard place 3.4 m from the axis, of digs 2 m deep and of pits 2 m wide."""
    places = shapely.points([[X, Y + 3.4]])
    findings = Findings()
    avoid = Avoid(
        shapely.STRtree(places), np.array([0]), np.array([True]), np.array([np.nan]),
        np.array(["gas governor"], dtype=object),
    )  # fmt: skip
    areas = SimpleNamespace(table=pd.DataFrame({"feature": ["7"]}))
    ground = SimpleNamespace(
        avoid=avoid,
        brief=load_brief(overrides=settings),
        layers=SimpleNamespace(avoid=areas, findings=findings),
    )
    digs = pd.DataFrame(
        {"dig_id": [f"A-D{k + 1}" for k in range(len(at))], "run_id": "A", "run": 0,
         "pull_id": "A-L1", "chainage": at, "kind": "lateral", "spared": False, "depth": 2.0,
         "dig_depth": 2.0 + BEDDING, "x": X, "y": np.add(Y, aside)}
    )  # fmt: skip
    report_digs_in_places(digs, pd.DataFrame({"run": [0], "width": [2.0]}), cast(Any, ground))
    return findings.table()


@pytest.mark.parametrize(
    ("support", "soil", "told"),
    [("shored", "B", False), ("sloped", "B", False), ("sloped", "C", True)],
)
def test_a_hole_whose_sides_lean_reaches_into_places_as_far_as_it_is_wide_at_the_ground(
    support: str, soil: str, told: bool, plan: Plan
) -> None:
    """1 m and 2.15 m down leaning 1 or 1.5 to 1: 3.15 m or 4.225 m, and 3.4 m to the place."""
    sides = {"pits.support": support, "pits.soil": soil}
    found = beside([50.0], [0.0], **sides)
    assert bool(len(found)) is told
    assert not told or "gas governor" in found["text"].iloc[0]
    # The tree by the main, 0.05 m beyond the upright hole, is not told in this plan.
    written = plan.tables["settings"]
    value = written["value"].where(~written["name"].isin(sides), written["name"].map(sides))
    tables = {**plan.tables, "settings": written.assign(value=value)}
    (check,) = (rule.check for rule in RULES if rule.name == "digs-in-places")
    faults = check(Plan(**{**vars(plan), "tables": tables, "kept": {}})).faults
    assert any("(tree)" in fault.text for fault in faults) is (support == "sloped")


def test_how_long_digs_in_a_carriageway_lie_between_opening_and_remaking_is_told_by_run(
    plan: Plan,
) -> None:
    """One after the other is opened, and remade in the same order; one is past the street."""
    digs = [dig for dig in plan.rows("local_digs") if not dig.spared]
    tasks = {row.task: row for row in plan.rows("schedule") if row.ref == digs[0].pull_id}
    opened, remade = tasks["open the connections"], tasks["remake the connections"]
    each = opened.days / len(digs)
    between = [
        (remade.start_day + k * each) - (opened.start_day + (k + 1) * each)
        for k, dig in enumerate(digs)
        if dig.chainage < 350
    ]
    assert len(between) == len(digs) - 1 and min(between) > 2
    (row,) = told(plan, "digs-in-carriageway").values()
    assert row.severity == "info"
    assert f"{len(between)} of its {len(digs)} digs" in row.text
    assert f"{sum(between):.1f} dig-days" in row.text
    days = opened.start_day, opened.start_day + opened.days
    assert f"opened from working day {days[0]:.1f} to {days[1]:.1f}" in row.text
    assert f"remade from day {remade.start_day:.1f} to {remade.start_day + remade.days:.1f}" in (
        row.text
    )
    assert "backfilled or plated over" in row.text


def test_what_is_dug_below_groundwater_nobody_set_is_an_info(plan: Plan) -> None:
    (row,) = told(plan, "dug-below-groundwater").values()
    assert row.severity == "info"
    for pit in plan.rows("pits"):
        assert f"{pit.pit_id} {pit.deepest - 1.0:.2f} m" in row.text
    most = dig_at(plan, AT["deep"]).dig_depth - 1.0
    assert f"6 digs between the pits go below it, by up to {most:.2f} m" in row.text


@pytest.mark.parametrize(
    ("depth", "severity", "pits"),
    [("2 m", "warning", ["A-P2"]), (None, "info", ["A-P1", "A-P2"]), ("4 m", "warning", [])],
)
def test_pits_below_the_groundwater_are_a_warning_where_the_brief_sets_it(
    depth: str | None, severity: str, pits: list[str]
) -> None:
    brief = load_brief(overrides={} if depth is None else {"service.water_table": depth})
    place = {"x": [0.0, 9.0], "y": [0.0, 0.0]}
    dug = pd.DataFrame({"run_id": "A", "pit_id": ["A-P1", "A-P2"], "deepest": [1.5, 3.25], **place})
    digs = pd.DataFrame(
        {"run_id": "A", "dig_id": ["A-D1", "A-D2"], "dig_depth": [2.5, 9.0],
         "spared": [False, True], **place}
    )  # fmt: skip
    findings = Findings()
    report_groundwater(dug, digs, brief, findings)
    table = findings.table()
    if depth == "4 m":
        assert table.empty
        return
    (row,) = table.to_dict("records")
    water = brief.service.water_table
    assert (row["severity"], row["feature"]) == (severity, "A")
    heads = dict(re.findall(r"(A-P\d) ([\d.]+) m", row["text"]))
    deepest = dug.set_index("pit_id")["deepest"]
    assert heads == {pit: f"{deepest[pit] - water:.2f}" for pit in pits}
    assert f"1 dig between the pits goes below it, by up to {2.5 - water:.2f} m" in row["text"]
    assert row["geometry"].geom_type == "MultiPoint" and len(row["geometry"].geoms) == len(pits) + 1


def test_verify_finds_digs_that_are_not_told_as_they_lie(plan: Plan) -> None:
    for rule in RULES:
        verdict = rule.check(plan)
        assert verdict.checked and not verdict.faults
    findings = plan.tables["findings"]
    for name, rules in (
        ("digs-in-places", ["dig-in-hard-place", "dig-in-soft-place"]),
        ("dig-depths", ["deep-dig", "engineered-excavation"]),
        ("digs-in-carriageways", ["digs-in-carriageway"]),
    ):
        (check,) = (rule.check for rule in RULES if rule.name == name)
        for untold in rules:
            rest = findings[findings["rule"] != untold].reset_index(drop=True)
            poorer = Plan(**{**vars(plan), "tables": {**plan.tables, "findings": rest}, "kept": {}})
            assert check(poorer).faults, untold
        mild = findings.assign(severity=np.where(findings["rule"].isin(rules), "error", "info"))
        if name == "digs-in-places":
            graver = Plan(**{**vars(plan), "tables": {**plan.tables, "findings": mild}, "kept": {}})
            assert len(check(graver).faults) == 3
