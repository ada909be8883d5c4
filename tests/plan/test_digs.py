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
from geotools.layout.digs import report_deep_digs, report_digs_in_places
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
    rows = [row for row in plan.rows("findings") if row.rule.startswith("dig-in-")]
    places = {"hard": "tank farm", "near": "cable", "soft": "park"}
    assert len(rows) == len(places)
    for name, place in places.items():
        (row,) = (row for row in rows if f"({place})" in row.text)
        soft, dig = name == "soft", dig_at(plan, AT[name])
        assert row.rule == f"dig-in-{'soft' if soft else 'hard'}-place"
        assert row.severity == ("info" if soft else "warning")
        assert (row.layer, row.feature) == ("runs", dig.run_id)
        assert f"1 dig between the pits, at {AT[name]:.1f} m along it, {dig.dig_id} (" in row.text
        assert dig.pull_id in row.text
        assert row.geometry.x == pytest.approx(X + AT[name])
        assert row.geometry.y == pytest.approx(Y)
    assert dig_at(plan, AT["end"]).spared


def test_a_dig_is_as_deep_as_a_pit_there_and_a_deep_one_is_told_at_the_price_of_any(
    plan: Plan,
) -> None:
    for at in (*AT.values(), FAR):
        dig = dig_at(plan, at)
        depth = 7.4 if at == AT["deep"] else 1.8  # cover and the diameter
        assert dig.depth == pytest.approx(depth) and dig.depth_source == "cover"
        assert dig.dig_depth == pytest.approx(depth + BEDDING)
    deep = dig_at(plan, AT["deep"])
    (row,), (other,) = (told(plan, r).values() for r in ("deep-dig", "engineered-excavation"))
    who = f"1 dig between the pits, at 200.0 m along it, {deep.dig_id} ("
    assert row.feature == other.feature == deep.run_id
    assert who in row.text and who in other.text
    assert "7.40 m" in row.text and "pits.max_depth" in row.text
    assert deep.cost == dig_at(plan, AT["soft"]).cost


def digs_of(run: str, number: int, at: list[float], depth: float) -> pd.DataFrame:
    return pd.DataFrame(
        {"dig_id": [f"{run}-D{k + 1}" for k in range(len(at))], "run_id": run, "run": number,
         "pull_id": f"{run}-L1", "chainage": at, "kind": "lateral", "spared": False,
         "depth": depth, "dig_depth": depth + BEDDING, "x": np.add(X, at), "y": Y}
    )  # fmt: skip


def in_places(digs: pd.DataFrame, **settings: object) -> pd.DataFrame:
    """Tell of digs by two mains, of pits 2 m wide: a hard strip 3.4 m from them, a soft one on."""
    places = np.array([shapely.box(X, Y + 3.4, X + 200, Y + 4), shapely.box(X, Y, X + 200, Y + 1)])
    findings = Findings()
    avoid = Avoid(
        shapely.STRtree(places), np.arange(2), np.array([True, False]), np.full(2, np.nan),
        np.array(["gas main", "lawn"], dtype=object),
    )  # fmt: skip
    areas = SimpleNamespace(table=pd.DataFrame({"feature": ["7", "8"]}))
    layers = SimpleNamespace(avoid=areas, findings=findings)
    ground = SimpleNamespace(avoid=avoid, brief=load_brief(overrides=settings), layers=layers)
    report_digs_in_places(digs, pd.DataFrame({"run": [0, 1], "width": 2.0}), cast(Any, ground))
    return findings.table()


def test_digs_of_a_run_are_one_finding_a_place_with_how_many_from_where_to_where() -> None:
    digs = pd.concat(
        [digs_of("A", 0, [5.0, 20.0, 60.0, 90.0, 120.0], 2.0), digs_of("B", 1, [7.0], 2.0)]
    )
    found = in_places(digs, **{"pits.support": "sloped", "pits.soil": "C"})
    assert found["rule"].tolist() == ["dig-in-hard-place"] * 2 + ["dig-in-soft-place"] * 2
    assert found["severity"].tolist() == ["warning"] * 2 + ["info"] * 2
    assert found["feature"].tolist() == ["A", "B"] * 2
    for text, place in zip(found["text"], ("gas main", "gas main", "lawn", "lawn"), strict=True):
        assert f" ({place})" in text
    assert [len(shape.geoms) for shape in found["geometry"]] == [5, 1, 5, 1]
    first, second = found["text"][:2]
    assert "run A: 5 digs between the pits, from 5.0 m to 120.0 m along it, A-D1 (" in first
    assert "A-D3 (lateral, pull A-L1) and 2 more, " in first and "A-D4" not in first
    assert "run B: 1 dig between the pits, at 7.0 m along it, B-D1 (" in second


def test_deep_digs_are_one_finding_a_run_with_how_deep_at_the_most() -> None:
    digs = pd.concat([digs_of("A", 0, [5.0, 20.0], 7.0), digs_of("A", 0, [60.0, 70.0], 8.0)])
    findings = Findings()
    report_deep_digs(digs, load_brief(), findings)
    found = findings.table()
    assert found["rule"].tolist() == ["deep-dig", "engineered-excavation"]
    assert found["feature"].tolist() == ["A", "A"]
    for text in found["text"]:
        assert "run A: 4 digs between the pits, from 5.0 m to 70.0 m along it, A-D1 (" in text
    assert "lies up to 8.00 m deep there" in found["text"].iloc[0]


@pytest.mark.parametrize(
    ("support", "soil", "told"),
    [("shored", "B", False), ("sloped", "B", False), ("sloped", "C", True)],
)
def test_a_hole_whose_sides_lean_reaches_into_places_as_far_as_it_is_wide_at_the_ground(
    support: str, soil: str, told: bool, plan: Plan
) -> None:
    """1 m and 2.15 m down leaning 1 or 1.5 to 1: 3.15 m or 4.225 m, and 3.4 m to the main."""
    sides = {"pits.support": support, "pits.soil": soil}
    found = in_places(digs_of("A", 0, [50.0], 2.0), **sides)["text"].str.contains("gas main")
    assert found.any() == told
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
            more = findings["text"].str.replace("1 dig between", "2 digs between")
            other = findings["text"].str.replace("m along it", "9 m along it")
            for texts in (more, other):
                table = findings.assign(text=texts)
                wrong = Plan(
                    **{**vars(plan), "tables": {**plan.tables, "findings": table}, "kept": {}}
                )
                assert len(check(wrong).faults) == 3
