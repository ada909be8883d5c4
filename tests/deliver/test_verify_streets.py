"""Sound plans in streets of every kind that `verify` passes, and spoilt ones that it does not."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.ops

import geotools
from geotools.deliver.verify.edges import edge_of
from geotools.deliver.verify.plan import Plan, load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.tools.plan import TOOL

CRS = 32633
ORIGIN = np.array([500_000.0, 4_800_000.0])
APART = 4_000.0  # m; no scene sees another
BY_NAME = {rule.name: rule for rule in RULES}
PIPE = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}
BEGINS = [(10.5, 1.7), (30.0, 3.0), (300.0, 3.0)]
HALF = np.radians(7.5)  # of the turn of a street
RADIUS = 30.0  # m, of the roundabout
SPLIT, RING, BEHIND, SHARP, FOLDED, CORNER, NARROW, BEGUN, BENT = range(9)  # scenes

Line = list[tuple[float, float]]


def arc(first: float, last: float, count: int) -> Line:
    """Return a part of the roundabout between two angles, deg."""
    turn = np.radians(np.linspace(first, last, count))
    return list(zip(RADIUS * np.cos(turn), RADIUS * np.sin(turn), strict=True))


def street(scene: int, line: Line, name: str, **said: Any) -> dict[str, Any]:
    """Return a local street of two lanes, 7 m wide, unless said otherwise."""
    known = {"class": "local", "lanes": 2, "width_m": 7.0, "speed_kmh": 50.0, "oneway": None}
    return known | said | {"name": name, "geometry": placed(scene, line)}


def placed(scene: int, line: Line) -> Any:
    return shapely.LineString(np.array(line) + ORIGIN + (APART * scene, 0.0))


def split_street() -> list[dict[str, Any]]:
    """Return a street in stretches of 15 m; the width of every other one is on record."""
    ends = np.arange(-60.0, 241.0, 15.0)
    return [
        street(SPLIT, [(a, 0.0), (b, 0.0)], "House Street", width_m=8.5 if k % 2 else np.nan)
        for k, (a, b) in enumerate(itertools.pairwise(ends))
    ]


def roundabout() -> list[dict[str, Any]]:
    """Return a ring of three lanes, one way, and its four legs."""
    said = {"lanes": 3, "width_m": 10.5, "speed_kmh": 40.0, "oneway": "along"}
    legs = [(1, 0), (0, 1), (-1, 0), (0, -1)]
    ends = [[(RADIUS * x, RADIUS * y), (160.0 * x, 160.0 * y)] for x, y in legs]
    return [
        street(RING, arc(0.0, 360.0, 61), "Circus", **said),
        *(street(RING, line, f"Leg {k}", width_m=8.0) for k, line in enumerate(ends)),
    ]


def behind() -> list[dict[str, Any]]:
    """Return a street whose lanes change 170 m behind its main, and one that nothing is by."""
    return [
        street(BEHIND, [(-500.0, 0.0), (-170.0, 0.0)], "Wide Street", width_m=10.0, lanes=4),
        street(BEHIND, [(-170.0, 0.0), (600.0, 0.0)], "Wide Street", width_m=10.0),
        street(BEHIND, [(-500.0, 60.0), (-200.0, 60.0)], "Wide Street", lanes=3),
    ]


def sharp() -> list[dict[str, Any]]:
    """Return a wide, quick street that turns by 118 degrees 70 m behind its main."""
    line = [(30.0, 188.0), (-70.0, 0.0), (600.0, 0.0)]
    return [street(SHARP, line, "Hairpin", width_m=14.0, speed_kmh=70.0)]


def folded() -> list[dict[str, Any]]:
    """Return a street that a main ends in, square to it, with a bend where a buffer there ends."""
    line = [(-530.0, 1.0), (-80.4, 1.0), (-76.4, 3.0), (520.0, 3.0)]
    return [street(FOLDED, line, "Bent Street", width_m=7.5)]


def corner() -> list[dict[str, Any]]:
    """Return a street that goes on round a corner, as one way, 6 m before the end of its main."""
    return [
        street(CORNER, [(-600.0, -10.0), (-6.0, -10.0)], "South Street", width_m=8.0),
        street(CORNER, [(-6.0, -10.0), (-6.0, 480.0)], "East Street", oneway="along"),
    ]


def narrow() -> list[dict[str, Any]]:
    """Return a street that goes on at a turn with one lane for both ways, behind its main."""
    return [
        street(NARROW, [(-60.0, 0.0), (600.0, 0.0)], "House Street"),
        street(NARROW, [(-500.0, 407.5), (-60.0, 0.0)], "Narrow Street", lanes=1, width_m=3.5),
    ]


def begun() -> list[dict[str, Any]]:
    """Return a street that begins in a curve, where its main does."""
    return [street(BEGUN, [(0.0, 0.0), (3.4, 0.65), *BEGINS], "New Street")]


def bent() -> list[dict[str, Any]]:
    """Return a street that turns by 15 degrees where a main begins and goes off square to it."""
    line = [(-300.0 * np.cos(HALF), -300.0 * np.sin(HALF)), (0.0, 0.0)]
    return [street(BENT, [*line, (-line[0][0], line[0][1])], "Bow Street")]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """The scenes planned in one go."""
    mains = [
        placed(SPLIT, [(0.0, -2.0), (150.0, -2.0)]),
        placed(RING, [(-140.0, -2.0), *arc(183.0, 357.0, 30), (140.0, -2.0)]),
        placed(BEHIND, [(0.0, -3.5), (300.0, -3.5)]),
        placed(SHARP, [(0.0, -3.5), (150.0, -3.5)]),
        placed(FOLDED, [(0.0, 0.0), (0.0, -150.0)]),
        placed(CORNER, [(0.0, 0.0), (-200.0, -3.5)]),
        placed(NARROW, [(0.0, -2.0), (150.0, -2.0)]),
        placed(BEGUN, [(0.0, 0.0), *BEGINS[:2], (160.0, 3.0)]),
        placed(BENT, [(0.0, 0.0), (0.0, 150.0)]),
    ]
    fixed = {BEHIND: "insertion_ahead", FOLDED: "receiving", CORNER: "receiving"}
    fixed |= dict.fromkeys((NARROW, BEGUN, BENT), "insertion_ahead")
    wishes = [
        {
            "action": "fix",
            "role": role,
            "geometry": shapely.Point(shapely.get_coordinates(mains[scene])[0]),
        }
        for scene, role in fixed.items()
    ]
    file = tmp_path_factory.mktemp("streets") / "plan.gpkg"
    geotools.plan(
        mains=gpd.GeoDataFrame(
            {
                "main_id": [f"M{k}" for k in range(len(mains))],
                "diameter_mm": 450.0,
                "bore_mm": 450.0,
                "cover_m": 1.5,
            },
            geometry=mains,
            crs=CRS,
        ),
        streets=gpd.GeoDataFrame(
            [
                *split_street(),
                *roundabout(),
                *behind(),
                *sharp(),
                *folded(),
                *corner(),
                *narrow(),
                *begun(),
                *bent(),
            ],
            crs=CRS,
        ),
        pit_edits=gpd.GeoDataFrame(wishes, crs=CRS),
        settings=PIPE,
        output=file,
    )
    return load_plan(file, TOOL.outputs)


def spoiled(plan: Plan, **tables: pd.DataFrame) -> Plan:
    return dataclasses.replace(plan, tables=plan.tables | tables, kept={})


def faults(plan: Plan, rule: str, scene: int) -> list[tuple[str, str]]:
    """Return feature and text of the faults of a rule in a scene, which has one run."""
    run = f"R{scene + 1:04d}-"
    found = check(plan, BY_NAME[rule]).faults
    return [(one.feature, one.text) for one in found if one.feature.startswith((run, "twin"))]


def test_a_sound_plan_in_streets_of_every_kind_keeps_every_rule(plan: Plan) -> None:
    assert [one for rule in RULES for one in check(plan, rule).faults] == []


def test_stretches_as_long_as_each_other_are_one_only_where_they_lie_abreast(plan: Plan) -> None:
    table = plan.tables["closures"]
    rows = table[(table["pull_id"] != "") & (table["street"] == "House Street")]
    alike = rows[np.isclose(rows["work_length"], 15.0)]
    assert len(alike) > 2 and (alike["pull_id"] == alike["pull_id"].iloc[0]).all()
    for rule in ("string-closures", "pull-items", "closures-drawn"):
        assert faults(plan, rule, SPLIT) == []

    pull = alike["pull_id"].iloc[0]
    twin = alike.iloc[[0]].assign(closure_id="twin")
    both = spoiled(plan, closures=pd.concat([table, twin], ignore_index=True))
    told = faults(both, "string-closures", SPLIT)
    assert (pull, "its strings take 1 lanes, closed are 2") in told
    assert any(name == pull for name, _ in faults(both, "pull-items", SPLIT))


def _circus(plan: Plan) -> pd.DataFrame:
    """Return the closures in the roundabout that go round more than half of it."""
    table = plan.tables["closures"]
    long = shapely.length(table["geometry"].to_numpy(dtype=object)) > 2 * np.pi * RADIUS
    return table[(table["street"] == "Circus") & (table["lanes_closed"] == 2) & long]


def test_a_closure_round_a_roundabout_is_as_wide_as_beside_its_edge_not_across_the_ring(
    plan: Plan,
) -> None:
    rows = _circus(plan)
    assert len(rows)
    assert faults(plan, "closures-drawn", RING) == []
    names = set(rows["closure_id"])
    for share in (0.97, 1.03):  # of the width that the taper is for, and of the area
        table = plan.tables["closures"].copy()
        own = table["closure_id"].isin(names)
        table.loc[own, "taper"] *= share
        told = faults(spoiled(plan, closures=table), "closures-drawn", RING)
        assert names == {name for name, text in told if "for another width" in text}
        table = plan.tables["closures"].copy()
        table.loc[own, "geometry"] = [_of_area(ground, share) for ground in rows["geometry"]]
        told = faults(spoiled(plan, closures=table), "closures-drawn", RING)
        assert names == {name for name, _ in told}


def _of_area(ground: Any, share: float) -> Any:
    """Return ground with a share of its area, taken or added all round."""
    far = (share - 1) * shapely.area(ground) / shapely.length(ground)
    return shapely.buffer(ground, far, join_style="mitre")


def test_the_plan_holds_the_streets_that_strings_and_closures_lie_in_however_far_behind(
    plan: Plan,
) -> None:
    context, table = plan.tables["context"], plan.tables["closures"]
    streets = context[(context["layer"] == "streets") & (context["name"] == "Wide Street")]
    assert sorted(streets["lanes"]) == [2, 4]  # one 60 m beside the strings is not held
    axis = plan.tables["runs"]["geometry"].iloc[BEHIND]
    far = shapely.distance(streets["geometry"].to_numpy(dtype=object), axis)
    assert max(far) > plan.setting("output.context")
    behind = table[(table["street"] == "Wide Street") & (table["pull_id"] != "")]
    names = behind.loc[shapely.distance(behind["geometry"].to_numpy(dtype=object), axis) > 100.0]
    assert len(names)
    for rule in ("string-closures", "closures-drawn"):
        assert faults(plan, rule, BEHIND) == []

    for name in names["closure_id"]:
        longer = table.assign(taper=table["taper"] * (1 + 0.5 * (table["closure_id"] == name)))
        told = faults(spoiled(plan, closures=longer), "string-closures", BEHIND)
        assert [n for n, text in told if text.startswith("taper of")] == [name]


def test_a_closure_round_a_sharp_corner_is_as_deep_as_its_lanes_not_as_the_corner(
    plan: Plan,
) -> None:
    own = [row for row in plan.rows("closures") if row.street == "Hairpin"]
    turns = [np.abs(edge.turns).max(initial=0.0) for row in own if (edge := edge_of(plan, row))]
    assert max(turns) > np.radians(110.0)
    assert faults(plan, "closures-across", SHARP) == []


@pytest.mark.parametrize("share", [(0.0, 1.0), (0.0, 0.4), (0.3, 0.6), (0.6, 1.0)])
def test_a_closure_twice_as_deep_fails_wherever_it_is_along_its_street(
    share: tuple[float, float], plan: Plan
) -> None:
    """Along its longest straight; of strings those along streets of several widths too.

    But for the hairpin's, whose corner leaves little of its straight to be looked at.
    """
    table, due = plan.tables["closures"], set()
    shapes = table["geometry"].copy()
    for key, row in zip(table.index, plan.rows("closures"), strict=True):
        edge = edge_of(plan, row)
        ends = [] if edge is None else [0.0, *edge.at, edge.line.length]
        low, high = max(itertools.pairwise(ends), key=lambda one: one[1] - one[0], default=(0, 0))
        if edge is None or (high - low) * (share[1] - share[0]) < 15.0 or row.street == "Hairpin":
            continue  # along a curve no straight is as long
        ends = [low + (high - low) * one for one in share]
        line = shapely.ops.substring(edge.line, *ends)
        sides = [shapely.buffer(line, far * 2 * edge.deep, single_sided=True) for far in (1, -1)]
        more = max(sides, key=lambda side: shapely.area(shapely.intersection(side, row.geometry)))
        shapes[key] = shapely.MultiPolygon([shapely.union_all([row.geometry, more])])
        due.add(row.closure_id)
    assert len(due) > 8
    told = check(spoiled(plan, closures=table.assign(geometry=shapes)), BY_NAME["closures-across"])
    assert {one.feature for one in told.faults} == due


def test_a_pit_across_a_street_is_measured_along_it_though_the_outline_there_folds_over(
    plan: Plan,
) -> None:
    (row,) = (r for r in plan.rows("closures") if r.street == "Bent Street" and r.side == "along")
    assert edge_of(plan, row) is None
    assert faults(plan, "closures-drawn", FOLDED) == []
    told = faults(_with_work(plan, row, 3.0), "closures-drawn", FOLDED)
    assert told == [(row.closure_id, "work of 3.000 m about a pit of 6.000 m")]

    context = plan.tables["context"]
    unknown = context[context["name"] != "Bent Street"]
    assert faults(spoiled(_with_work(plan, row, 3.0), context=unknown), "closures-drawn", FOLDED)


def _with_work(plan: Plan, row: Any, length: float) -> Plan:
    """Return a plan with a closure whose work space is told to be so long, m."""
    table = plan.tables["closures"].copy()
    table.loc[table["closure_id"] == row.closure_id, "work_length"] = length
    return spoiled(plan, closures=table)


def test_work_that_its_street_does_not_hold_is_as_long_as_the_ground_along_what_is_drawn(
    plan: Plan,
) -> None:
    rows = [r for r in plan.rows("closures") if r.pit_id == "R0008-P1"]
    (row,) = (r for r in rows if edge_of(plan, r).line.length < r.work_length)
    assert not edge_of(plan, row).at and row.work_length > 6.0 + 0.01
    assert faults(plan, "closures-drawn", BEGUN) == []
    for more in (-0.01, 0.01):
        told = faults(_with_work(plan, row, row.work_length + more), "closures-drawn", BEGUN)
        assert any(name == row.closure_id and text.startswith("work of") for name, text in told)


def test_work_across_a_street_by_a_corner_takes_what_the_pit_does_of_either_leg(
    plan: Plan,
) -> None:
    """Inside of it the pit, of width w, lies ``w / (2 cos t) + half tan t`` along each."""
    (pit,) = (p for p in plan.rows("pits") if p.pit_id == "R0009-P1")
    rows = [r for r in plan.rows("closures") if r.pit_id == pit.pit_id and not r.pull_id]
    due = pit.width / np.cos(HALF) + 2 * 3.5 * np.tan(HALF)
    assert [row.work_length for row in rows] == pytest.approx([due, due], abs=1e-3)
    for rule in ("pits-in-closures", "closures-drawn"):
        assert faults(plan, rule, BENT) == []
    told = faults(_with_work(plan, rows[0], due + 3.0), "closures-drawn", BENT)
    assert (
        rows[0].closure_id,
        f"work of {due + 3:.3f} m about a pit of {pit.length:.3f} m",
    ) in told


def test_a_closure_led_round_a_corner_lies_at_the_kerb_of_the_street_it_is_led_into(
    plan: Plan,
) -> None:
    (row,) = (r for r in plan.rows("closures") if r.street == "South Street")
    assert faults(plan, "closures-drawn", CORNER) == []
    told = faults(_moved(plan, row, -1.5, 0.0), "closures-drawn", CORNER)
    assert [name for name, text in told if "not at kerb or middle" in text] == [row.closure_id]
    # Farther from its own street it goes along none that it is told of.
    told = faults(_moved(plan, row, 0.0, -6.0), "closures-drawn", CORNER)
    assert [name for name, text in told if "not at kerb or middle" in text] == [row.closure_id]


def test_work_that_ends_with_its_street_at_a_turn_ends_on_the_mitre_there(plan: Plan) -> None:
    (row,) = (r for r in plan.rows("closures") if r.street == "Narrow Street" and r.lanes_closed)
    assert row.taper == row.downstream_taper == 0.0
    assert faults(plan, "closures-drawn", NARROW) == []
    way = np.array([-440.0, 407.5]) / np.hypot(440.0, 407.5)
    for far in (4.0, -4.0):
        told = faults(_moved(plan, row, *(way * far)), "closures-drawn", NARROW)
        assert any(name == row.closure_id and "its work ends" in text for name, text in told)


def _moved(plan: Plan, row: Any, east: float, north: float) -> Plan:
    """Return a plan with the ground of a closure so far from where it is, m."""
    table = plan.tables["closures"].copy()
    own = table["closure_id"] == row.closure_id
    table.loc[own, "geometry"] = [
        shapely.transform(ground, lambda xy: xy + np.array([east, north]))
        for ground in table.loc[own, "geometry"]
    ]
    return spoiled(plan, closures=table)
