"""Plans that are right and keep every rule of `verify`, in scenes that were once found fault with.

The scenes are invented and small. What must hold of each is worked out here by plane geometry.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity

import geotools
from geotools.deliver.verify.edges import edge_of
from geotools.deliver.verify.plan import Plan, load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.tools.plan import TOOL

CRS = 32633
X, Y = 500_000.0, 4_800_000.0
PIPE = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}
Line = list[tuple[float, float]]


def lines(*shapes: Line) -> list[shapely.LineString]:
    return [shapely.LineString([(x + X, y + Y) for x, y in line]) for line in shapes]


def main_of(*shapes: Line) -> gpd.GeoDataFrame:
    ids = [f"M{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame(
        {"main_id": ids, "diameter_mm": 450.0, "bore_mm": 450.0, "cover_m": 1.5},
        geometry=lines(*shapes),
        crs=CRS,
    )


def street(*shapes: Line, **columns: Any) -> gpd.GeoDataFrame:
    said = {"class": "local", "lanes": 2, "width_m": 7.0, "speed_kmh": 50.0, **columns}
    said.setdefault("name", [""] * len(shapes))
    return gpd.GeoDataFrame(said, geometry=lines(*shapes), crs=CRS)


def wish(at: tuple[float, float], role: str) -> gpd.GeoDataFrame:
    place = [shapely.Point(at[0] + X, at[1] + Y)]
    return gpd.GeoDataFrame({"action": ["fix"], "role": [role]}, geometry=place, crs=CRS)


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., Plan]:
    """Plan a scene, hold it to every rule, and return it as `verify` reads it."""

    def plan(settings: dict[str, Any] | None = None, **layers: Any) -> Plan:
        path = tmp_path / "plan.gpkg"
        both = {**PIPE, **(settings or {})}
        geotools.plan(settings=both, output=path, overwrite=True, **layers)
        read = load_plan(path, TOOL.outputs)
        faults = {rule.name: check(read, rule).faults[:3] for rule in RULES}
        assert {name: found for name, found in faults.items() if found} == {}
        return read

    return plan


APART = 4_000.0  # m, of scenes planned in one go, none of which sees another


def moved(line: Line, scene: int) -> Line:
    """Return a line of a scene of several, so many places to the east."""
    return [(x + APART * scene, y) for x, y in line]


def in_scene(plan: Plan, name: str, scene: int) -> pd.DataFrame:
    """Return the rows of a layer that lie in a scene of several."""
    table = plan.table(name)
    middle = shapely.get_x(shapely.centroid(table["geometry"].to_numpy(dtype=object)))
    return table[np.round((middle - X) / APART) == scene]


def faults(plan: Plan, name: str) -> int:
    """Return how many faults a rule finds in a plan whose tables were changed."""
    plan.kept.clear()
    return sum(len(check(plan, rule).faults) for rule in RULES if rule.name == name)


def bent(turn: float, leg: float, *, before: float) -> Line:
    """Return a line that turns to the left by an angle, degrees."""
    way = np.radians(turn)
    return [(-before, 0.0), (0.0, 0.0), (leg * np.cos(way), leg * np.sin(way))]


def beside(line: Line, off: float) -> Line:
    """Return the line so far to the left of another, m."""
    shape = shapely.offset_curve(shapely.LineString(line), off, join_style="mitre")
    return [(float(x), float(y)) for x, y in shapely.get_coordinates(shape)]


@pytest.mark.parametrize("turn", [-60.0, 40.0])
def test_the_kerb_of_three_lanes_lies_half_the_street_off_the_centreline_round_a_bend(
    turn: float, written: Callable[..., Plan]
) -> None:
    line = bent(turn, 400.0, before=500.0)
    plan = written(mains=main_of([(-400.0, 3.6), (-40.0, 3.6)]), streets=street(line, lanes=3,
                   width_m=10.8))  # fmt: skip
    closures = plan.table("closures")
    round_it = shapely.dwithin(closures["geometry"].to_numpy(), shapely.Point(X, Y), 6.0)
    assert round_it.any()
    # Along the kerb such a closure is longer or shorter than told by 2 * 5.4 m * tan(turn / 2).
    row = closures[round_it].iloc[0]
    step = 2 * 5.4 * math.tan(math.radians(abs(turn)) / 2) + 2.0
    closures.at[row.name, "geometry"] = shapely.affinity.translate(row.geometry, step, 0.0)
    assert faults(plan, "closures-drawn")


@pytest.mark.parametrize(("lanes", "width"), [(4, 7.0), (4, 32.0)])
def test_tapers_are_for_the_lanes_of_the_street_however_narrow_or_wide_they_are(
    lanes: int, width: float, written: Callable[..., Plan]
) -> None:
    line = [(-100.0, 0.0), (500.0, 0.0)]
    off = width / 2 - 1.5
    plan = written(
        mains=main_of([(0.0, off), (400.0, off)]),
        streets=street(line, lanes=lanes, width_m=width),
        settings={"street.lateral_gap": "0.3 m"},
    )
    closures = plan.table("closures")
    merging = closures[(closures["taper"] - 30.48).abs() > 1e-6]
    assert len(merging)
    # MUTCD section 6B.08 at 50 km/h (31 mph): L = W S^2 / 60, S in mph, W in ft: the lanes closed
    # and what those left give up, as it is drawn along a street that runs east.
    bounds = shapely.bounds(merging["geometry"].to_numpy(dtype=object))
    wide = bounds[:, 3] - bounds[:, 1]
    closed, left = (merging[name] * width / lanes for name in ("lanes_closed", "lanes_left"))
    assert (wide >= closed - 0.01).all() and (wide <= closed + 0.15 * left + 0.01).all()
    due = wide * (50 / 1.609344) ** 2 / 60
    assert merging["taper"].to_numpy() == pytest.approx(due, rel=0.01)
    row = merging.index[0]
    plan.table("closures").loc[row, "taper"] *= 1.02
    assert faults(plan, "closures-drawn")


def test_a_ramp_that_a_bend_just_inside_the_edge_turns_off_the_main_is_dug_beside_it(
    written: Callable[..., Plan],
) -> None:
    one, two = np.radians((25.0, 20.0))
    line = [(-10 - 300 * np.cos(one), 300 * np.sin(one)), (-10.0, 0.0), (10.0, 0.0)]
    line.append((10 + 300 * np.cos(two), 300 * np.sin(two)))
    plan = written(mains=main_of(line), pit_edits=wish((0.0, 0.0), "insertion_both"))
    pits = plan.table("pits")
    pit = pits[pits["role"] == "insertion_both"].iloc[0]
    assert (pit["before"], pit["after"]) == pytest.approx((10.45, 10.45), abs=0.01)
    # The ramps head 25 and 20 degrees away from the hole along the main, and take more than it.
    hole = pit["width"] * pit["dig_depth"] * (pit["before"] + pit["after"])
    assert pit["volume"] > 1.2 * hole
    pits.loc[pits["role"] == "insertion_both", "volume"] *= 0.5
    assert faults(plan, "excavations")


def test_a_ramp_beyond_the_runs_end_and_a_bend_has_the_face_of_the_whole_pit_in_feet_too(
    written: Callable[..., Plan],
) -> None:
    way = np.radians(31.9)
    line = [(0.0, 0.0), (1.6, 0.0), (1.6 + 300 * np.cos(way), 300 * np.sin(way))]
    plan = written(
        mains=main_of(line),
        pit_edits=wish((0.0, 0.0), "insertion_ahead"),
        settings={
            "output.units": "us",
        },
    )
    pit = plan.table("pits").iloc[0]
    # Beyond the end lies half a receiving pit, closed by a face; the ramp is dug beside it.
    items = plan.table("quantities")
    row = items[(items["item"] == "shored face") & (items["ref"] == pit["pit_id"])].iloc[0]
    deep = pit["depth"] + plan.setting("pits.bedding")
    due = 2 * pit["volume"] / pit["width"] + 2 * pit["width"] * deep
    assert row["quantity"] * 0.3048**2 == pytest.approx(due, rel=1e-6)


def test_a_closure_keeps_the_lanes_of_the_street_at_its_pit_where_a_wider_one_goes_on(
    written: Callable[..., Plan],
) -> None:
    narrow, wide = [(-400.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (400.0, 0.0)]
    streets = pd.concat(
        [
            street(narrow, width_m=7.9),
            street(wide, width_m=18.3, lanes=4, **{"class": "arterial"}),
        ]
    )
    plan = written(mains=main_of([(-300.0, 3.0), (-8.0, 3.0)]), streets=streets)
    assert set(plan.table("closures")["class"]) == {"local"}


def test_a_main_inside_a_bend_has_its_place_at_the_corner_of_the_stretch_it_goes_along(
    written: Callable[..., Plan],
) -> None:
    line = bent(34.0, 400.0, before=400.0)
    plan = written(
        mains=main_of(beside(line, 3.2)),
        streets=street(line, lanes=2, width_m=7.3),
    )
    assert len(plan.table("closures"))


@pytest.mark.parametrize("turn", [38.0, -25.0])
def test_work_about_leaning_sides_goes_each_way_as_far_as_the_pit_or_as_its_ground_in_the_street(
    turn: float, written: Callable[..., Plan]
) -> None:
    """The street goes straight on where the main, and with it the pit, turns in it."""
    way = np.radians(turn)
    main = [(-300.0, 0.0), (0.0, 0.0), (9.0 * np.cos(way), 9.0 * np.sin(way))]
    main.append((300.0, main[-1][1]))
    role = "insertion_behind"
    plan = written(
        mains=main_of(main),
        streets=street([(-400.0, 1.0), (400.0, 1.0)], lanes=4, width_m=26.0),
        pit_edits=wish((0.0, 0.0), role),
        settings={"pits.support": "sloped", "pits.soil": "B"},
    )
    pits = plan.table("pits")
    grounds = plan.table("pit_footprints").set_index("pit_id")["geometry"]
    closures = plan.table("closures")
    bend = pits[(pits["chainage"] - 300.0).abs() < 1.0].iloc[0]
    assert bend["role"] == role
    west, _, east, _ = grounds[bend["pit_id"]].bounds
    # Along the main the pit goes 2 m back from the bend, and its ramp on from there.
    at = bend["geometry"].x
    back = bend["before"]
    due = max(back, at - west) + max(bend["length"] - back, east - at)
    row = closures.index[closures["pit_id"] == bend["pit_id"]][0]
    assert closures.at[row, "work_length"] == pytest.approx(due, abs=1e-6)
    for pit_id in closures.loc[closures["pull_id"] == "", "pit_id"]:
        row = closures.index[closures["pit_id"] == pit_id][0]
        told = closures.at[row, "work_length"]
        for step in (0.1, -0.1):
            closures.at[row, "work_length"] = told + step
            assert faults(plan, "closures-drawn"), pit_id
        closures.at[row, "work_length"] = told
    assert not faults(plan, "closures-drawn")


def test_a_run_of_mains_nearly_alike_is_held_to_the_diameter_of_each(
    written: Callable[..., Plan],
) -> None:
    """457.2 mm (18 in) and 450 mm continue each other: the one is 1.6 % larger."""
    mains = main_of([(0.0, 0.0), (150.0, 0.0)], [(150.0, 0.0), (330.0, 0.0)])
    mains["diameter_mm"] = [457.2, 450.0]
    plan = written(mains=mains)
    (run,) = plan.table("runs")["host_diameter"]
    assert run == pytest.approx(0.45)
    stations = plan.table("stations")
    sizes = (stations["depth"] - stations["cover"]).groupby(stations["main_id"]).median()
    assert sizes.to_dict() == pytest.approx({"M0": 0.4572, "M1": 0.45})
    cover, of_first = stations["cover"].copy(), stations["main_id"] == "M0"
    # 1 cm at one place, a pipe 3 % larger, and one smaller than the least are none of these.
    for row in (0, len(stations) - 1):
        stations["cover"] = cover.where(stations.index != row, cover + 0.01)
        assert faults(plan, "profile")
    stations["cover"] = cover.where(~of_first, cover - 0.0063)
    assert faults(plan, "profile")
    stations["cover"] = cover.where(of_first, cover + 0.0072)
    assert faults(plan, "profile")
    stations["cover"] = cover
    assert not faults(plan, "profile")


@pytest.mark.parametrize("cross", [False, True])
def test_a_street_split_by_a_piece_shorter_than_the_snap_tolerance_is_no_intersection(
    cross: bool, written: Callable[..., Plan]
) -> None:
    """Ends within 0.5 m are one node: the piece of 0.3 m is none of its arms, a side street is."""
    long = [[(-200.0, 3.0), (200.0, 3.0)], [(200.0, 3.0), (200.3, 3.0)], [(200.3, 3.0), (700.0, 3)]]
    side = [[(200.3, 3.0), (200.3, 90.0)]] if cross else []
    names = ["Long St"] * 3 + ["Side St"] * cross
    plan = written(
        mains=main_of([(0.0, 0.0), (500.0, 0.0)]),
        streets=street(*long, *side, name=names),
        pit_edits=None if cross else wish((200.0, 0.0), "receiving"),
    )
    pits, grounds = plan.table("pits"), plan.table("pit_footprints")
    near = shapely.distance(grounds["geometry"].to_numpy(), shapely.Point(X + 200.0, Y + 3.0))
    assert (near.min() > 5.0) == cross
    # A pit moved into the middle of the crossing is found only where one is.
    row = grounds.index[grounds["pit_id"] == pits["pit_id"].iloc[0]][0]
    grounds.at[row, "geometry"] = shapely.affinity.translate(grounds.at[row, "geometry"], 200.0, 3)
    assert bool(faults(plan, "footprints-clear")) == cross


@pytest.mark.parametrize("turned", [1, -1])
@pytest.mark.parametrize("past", [3.4, 1.5])
def test_a_pit_past_the_end_of_its_street_takes_as_much_of_it_as_its_ground_is_long(
    past: float, turned: int, written: Callable[..., Plan]
) -> None:
    """It is taken to stand at the end, its ground as well: not its length there, its ground off."""
    plan = written(
        mains=main_of([(0.0, 0.0), (250.0, 0.0)][::turned]),
        streets=street([(past, 2.4), (400.0, 2.4)]),
        settings={"pits.support": "sloped", "pits.soil": "B"},
    )
    pits, closures = plan.table("pits"), plan.table("closures")
    first = pits.loc[(shapely.get_x(pits["geometry"].to_numpy()) - X).argmin(), "pit_id"]
    grounds = plan.table("pit_footprints").set_index("pit_id")["geometry"]
    west, _, east, _ = grounds[first].bounds  # the street runs east
    assert west < X < X + past
    mine = (closures["pit_id"] == first) & (closures["pull_id"] == "")
    row = closures.index[mine][0]
    told = closures.at[row, "work_length"]
    assert told == pytest.approx(east - west, abs=1e-5)
    for step in (0.5, -0.5):
        closures.at[row, "work_length"] = told + step
        assert faults(plan, "closures-drawn")


def test_lanes_at_leaning_sides_are_closed_all_the_while_and_what_is_not_priced_is_told(
    written: Callable[..., Plan],
) -> None:
    plan = written(
        mains=main_of([(0.0, 0.0), (250.0, 0.0)]),
        streets=street([(-50.0, 2.4), (400.0, 2.4)]),
        settings={"pits.support": "sloped", "pits.soil": "B"},
    )
    closures = plan.table("closures")
    own = closures[closures["pull_id"] == ""]
    assert len(own) and (own["days"] == own["last_day"] - own["first_day"]).all()
    assert not faults(plan, "closures") and not faults(plan, "findings-told")
    closures.at[own.index[0], "days"] -= 1.0
    assert faults(plan, "closures")
    findings = plan.table("findings")
    row = findings.index[findings["rule"] == "pits-not-plated"][0]
    text = findings.at[row, "text"]
    findings.at[row, "text"] = text.replace(" lane-days; priced", "9 lane-days; priced")
    assert faults(plan, "findings-told")


@pytest.mark.parametrize("turn", [37.0, -37.0])
def test_work_about_leaning_sides_by_a_corner_is_what_their_ground_takes_of_both_legs(
    turn: float, written: Callable[..., Plan]
) -> None:
    """A pit left of a corner: what is past the mitre lies as far on as it does along the leg there.

    On the inside that is more of the street than the ground is long, on the outside less.
    """
    plan = written(
        mains=main_of([(-1.0, 2.4), (-250.0, 2.4)]),
        streets=street(bent(turn, 300.0, before=300.0)),
        pit_edits=wish((-1.0, 2.4), "receiving"),
        settings={"pits.support": "sloped", "pits.soil": "B"},
    )
    pits, closures = plan.table("pits").set_index("pit_id"), plan.table("closures")
    one = pits.index[shapely.get_x(pits["geometry"].to_numpy()).argmax()]
    ground = plan.table("pit_footprints").set_index("pit_id").loc[one, "geometry"]
    xy = shapely.get_coordinates(ground) - [X, Y]
    way, half = np.radians(turn), np.radians(turn) / 2
    past = xy @ [np.cos(half), np.sin(half)] > 0
    assert past.any()
    east = max(float((xy[past] @ [np.cos(way), np.sin(way)]).max()), 0.0)
    west, length = float(xy[:, 0].min()), pits.at[one, "length"]
    due = max(east, -1.0 + length / 2) - min(west, -1.0 - length / 2)
    assert math.copysign(1.0, turn) * (due - np.ptp(xy[:, 0])) > 0.3
    row = closures.index[(closures["pit_id"] == one) & (closures["pull_id"] == "")][0]
    assert closures.at[row, "work_length"] == pytest.approx(due, abs=1e-5)
    closures.at[row, "work_length"] = length - 0.5
    assert faults(plan, "closures-drawn")


def test_a_closure_by_two_corners_near_each_other_reaches_as_far_as_told(
    written: Callable[..., Plan],
) -> None:
    """168 mm apart they share a mitre: the kerb lies farther off there than half the street."""
    road = [(-48.402617, 4.786583), (3.03236, 2.4), (3.2, 2.4), (25.502206, 7.505398)]
    road.append((320.0, 74.92))
    plan = written(
        mains=main_of([(0.0, 0.0), (292.46, 66.95)]),
        streets=street(road, width_m=6.5),
        pit_edits=wish((0.0, 0.0), "insertion_ahead"),
    )
    closures = plan.table("closures")
    row = closures.index[shapely.dwithin(closures["geometry"].to_numpy(), shapely.Point(X, Y), 9)][
        0
    ]
    shape = closures.at[row, "geometry"]
    closures.at[row, "geometry"] = shapely.affinity.translate(shape, 2.5, 0.0)
    assert faults(plan, "closures-drawn")


def test_a_string_over_two_corners_near_each_other_is_as_long_as_its_middle_line(
    written: Callable[..., Plan],
) -> None:
    """A third of a metre between them is drawn a little wider, and so is what lies before it."""
    way = np.radians(13.0)
    road = [(-300.0, 0.0), (0.0, 0.0), (0.29, -0.003)]
    road.append((0.29 + 300.0 * math.cos(way), 300.0 * math.sin(way)))
    plan = written(mains=main_of(beside(road, 2.5)), streets=street(road))
    strings = plan.table("strings")
    for row, shape in strings["geometry"].items():
        if shapely.dwithin(shape, shapely.Point(X, Y), 5.0):
            told = strings.at[row, "length"]
            for step in (0.1, -0.1):
                strings.at[row, "length"] = told + step
                assert faults(plan, "strings-drawn")
            strings.at[row, "length"] = told
            break
    else:
        raise AssertionError("no string lies round the corners")


@pytest.mark.parametrize("lanes", [1, 2])
def test_strings_in_two_streets_cost_the_dearest_lane_of_either_single_or_not(
    lanes: int, written: Callable[..., Plan]
) -> None:
    """Both halves of a local street, and of a collector its only lane, or one of its two.

    A lane-day costs 700 in a collector and 150 in a local street, twice that where none is left:
    1,400 of a single lane, 700 of one of two, which is more than the 300 of the local street.
    """
    east = street([(-60.0, 0.0), (600.0, 0.0)], width_m=6.0, name=["East St"])
    width = {1: 4.0, 2: 9.0}[lanes]  # so wide that the other lane stays open
    west = street(
        [(-500.0, 0.0), (-60.0, 0.0)],
        **{"lanes": lanes, "width_m": width, "class": "collector", "name": ["West St"]},
    )
    plan = written(
        mains=main_of([(0.0, 0.25), (300.0, 0.25)]),
        streets=pd.concat([east, west]),
        pit_edits=wish((0.0, 0.25), "insertion_ahead"),
    )
    closures, items = plan.table("closures"), plan.table("quantities")
    mine = closures[(closures["pull_id"] != "") & (closures["street"] == "West St")]
    assert mine["lanes_closed"].sum() == 1 and (mine["lanes_left"] == 0).all()
    assert len(mine) == (2 if lanes == 1 else 1)  # one lane of both ways is shut to either
    row = items.index[(items["item"] == "lane closed for a day") & (items["scope"] == "pull")][0]
    due, other = (1400.0, 700.0) if lanes == 1 else (700.0, 1400.0)
    assert items.at[row, "rate"] == pytest.approx(due)
    for wrong in (other, 300.0):
        items.at[row, "rate"] = wrong
        assert faults(plan, "pull-items"), wrong


def test_strings_that_begin_in_a_dearer_street_than_they_are_priced_in_are_told_with_its_name(
    written: Callable[..., Plan],
) -> None:
    """Both ramps of a pit share 13.3 m, which end before the corner one ramp alone goes past.

    There the strings lie 2.354 m in the primary street (1,500 a lane-day) before they come to the
    local one (150), of which they are priced.
    """
    plan = written(
        mains=main_of([(-300.0, 2.0), (300.0, 2.0)]),
        streets=street(
            [(-500.0, 0.0), (0.0, 0.0)],
            [(0.0, 0.0), (500.0, 0.0)],
            **{"class": ["primary", "local"], "name": ["Broad St", "Mill Lane"]},
        ),
        pit_edits=wish((-9.0, 2.0), "insertion_both"),
    )
    (pit,) = plan.table("pits").query("role == 'insertion_both'").to_dict("records")
    short = 9.0 - pit["after"]
    assert 2.0 < short < 3.0
    closures = plan.table("closures").query("pull_id == 'R0001-L1'")
    assert list(closures["street"]) == ["Broad St", "Mill Lane"]
    assert list(closures["class"]) == ["primary", "local"]
    assert closures["work_length"].iloc[0] == pytest.approx(short)
    assert plan.table("strings").set_index("pull_id")["street"]["R0001-L1"] == "Broad St"
    (told,) = plan.table("findings").query("rule == 'strings-other-lanes'").to_dict("records")
    assert told["feature"] == "R0001-L1"
    assert "1 lane for 1,500 units a day; priced are 1 lane for 150:" in told["text"]
    items = plan.table("quantities")
    row = items.index[(items["ref"] == "R0001-L1") & (items["item"] == "lane closed for a day")][0]
    assert items.at[row, "rate"] == pytest.approx(150.0)
    # Priced as they lie, the finding would be wrong; without it, the price.
    items.at[row, "rate"] = 1500.0
    assert faults(plan, "pull-items")
    items.at[row, "rate"] = 150.0
    plan.tables["findings"] = plan.table("findings").query("rule != 'strings-other-lanes'")
    assert faults(plan, "pull-items")


def test_work_of_a_pit_across_its_street_just_before_a_corner_is_what_its_ground_takes_there(
    written: Callable[..., Plan],
) -> None:
    """The main turns off at a right angle 3.28 m before the corner: of its second leg the width.

    The kerb inside the corner turns 6.4 m * tan(20 deg) before it, less than 1 m from the pit.
    """
    plan = written(
        mains=main_of([(-250.0, -5.3), (-3.28, -5.3), (-3.28, -125.3)]),
        streets=street(bent(-40.0, 300.0, before=400.0), lanes=4, width_m=12.8),
    )
    pit = plan.table("pits").query("245 < chainage < 248").iloc[0]
    closures = plan.table("closures")
    (row,) = closures.index[(closures["pit_id"] == pit["pit_id"]) & (closures["pull_id"] == "")]
    due = 3.0 + pit["width"] / 2
    assert closures.at[row, "work_length"] == pytest.approx(due)
    for wrong in (due - 0.3, due + 0.3):
        closures.at[row, "work_length"] = wrong
        assert faults(plan, "closures-drawn")


@pytest.mark.parametrize("degrees", [15.0, 25.0, 60.0])
@pytest.mark.parametrize(("near", "far"), [(1.6, 4.8), (3.2, 6.4), (9.6, 12.8)])
def test_a_lane_that_ends_just_before_a_corner_is_as_deep_as_it_is_wide(
    degrees: float, near: float, far: float
) -> None:
    """The street runs east and turns right at the origin; the lane lies right of it, inside.

    It ends 10 cm before the corner, past the mitre, where it is near * (1 - cos t) farther from
    the kerb of the other leg than it is wide, or as far as the corner of the kerb is away.
    """
    turn = math.radians(degrees)
    on, right = np.array([math.cos(turn), -math.sin(turn)]), [-math.sin(turn), -math.cos(turn)]
    mitre = np.array([-math.tan(turn / 2), -1.0])
    down = 15.24 * on
    ring = [(-150.0, -far), (-100.0, -near), (-0.1, -near), near * mitre]
    ring += [down + far * np.array(right), far * mitre]
    row = SimpleNamespace(
        geometry=shapely.Polygon(ring), lanes_closed=1, lanes_left=1, street="", class_=""
    )
    edge = edge_of(cast(Plan, SimpleNamespace(tables={}, once=lambda _, made: made())), row)
    assert edge is not None
    assert edge.deep > far - near + 0.02
    assert edge.plain == pytest.approx(far - near)


@pytest.mark.parametrize(
    ("cover", "leg", "end"), [(4.0, 17.0, (6.55, -5.4)), (2.5, 12.0, (5.0, -4.0))]
)
def test_a_closure_that_ends_with_its_street_just_past_a_corner_is_as_long_as_is_left_of_it(
    cover: float, leg: float, end: tuple[float, float], written: Callable[..., Plan]
) -> None:
    """The street turns right by 61.3 degrees and ends, so many metres on: there the lanes end.

    The pit stands outside the corner, and along either leg the closures might be whole from it.
    """
    mains = main_of([(-300.0, 0.44), (-46.7, 0.44), end])
    mains["cover_m"] = cover
    line = bent(-61.3, leg, before=500.0)
    plan = written(
        {"pits.support": "sloped", "pits.soil": "C"},
        mains=mains,
        streets=street(line, width_m=6.4),
    )
    pits, closures = plan.table("pits"), plan.table("closures")
    receiving = pits.loc[pits["role"] == "receiving", "pit_id"]
    closures = closures[closures["pit_id"].isin(receiving) & (closures["pull_id"] == "")]
    assert len(closures)
    (x, y), way = line[-1], np.array(line[-1]) / leg
    for shape in closures["geometry"]:
        past = shapely.get_coordinates(shape) - [x + X, y + Y]
        assert (past @ way).max() == pytest.approx(0.0, abs=1e-6)
    # Of a street that goes on they would lack what the leg is too short for.
    context = plan.table("context")
    (row,) = context.index[context["layer"] == "streets"]
    context.at[row, "geometry"] = lines(bent(-61.3, 100.0, before=500.0))[0]
    assert faults(plan, "closures-drawn")


@pytest.mark.parametrize("degrees", [130.0, 150.0])
def test_the_long_edge_of_a_closure_whose_work_ends_where_its_street_doubles_back_is_its_kerb(
    degrees: float,
) -> None:
    """The street runs east and doubles back to the left at the origin; the lane is the right one.

    Round so sharp a corner the kerb is drawn square off either leg, the corner between cut off.
    The lane ends at the corner, and the taper comes to the kerb 15.24 m past it.
    """
    turn = math.radians(degrees)
    on, right = np.array([math.cos(turn), math.sin(turn)]), [math.sin(turn), -math.cos(turn)]
    far = 15.24 * on + 3.25 * np.array(right)
    kerb = [far, 3.25 * np.array(right), np.array([0.0, -3.25]), np.array([-90.0, -3.25])]
    inner = [(-60.0, 0.0), (0.0, 0.0)]
    ring = [*kerb[-1:], *inner, *kerb[:-1]]
    row = SimpleNamespace(
        geometry=shapely.Polygon(ring), lanes_closed=1, lanes_left=0, street="", class_=""
    )
    edge = edge_of(cast(Plan, SimpleNamespace(tables={}, once=lambda _, made: made())), row)
    assert edge is not None
    assert shapely.get_coordinates(edge.line) == pytest.approx(np.array(kerb))
    assert edge.deep == pytest.approx(3.25)


def test_the_long_edge_of_a_closure_whose_lane_begins_and_ends_at_corners_is_its_kerb() -> None:
    """Of three legs of the street, 45 degrees to the left each, the middle one is closed, 50 m.

    Both corners of the lane are where it begins and ends; the kerb, right of it, has its own two.
    """
    half = math.radians(45.0)
    legs = [(math.cos(k * half), math.sin(k * half)) for k in (-1, 0, 1)]
    inner = [(0.0, 0.0), (50.0, 0.0)]
    mitre = 3.25 * math.tan(half / 2)
    near, far = (
        np.array(place) + sign * along * np.array(leg) + 3.25 * np.array([leg[1], -leg[0]])
        for place, sign, along, leg in zip(inner, (-1, 1), (30.48, 15.24), legs[::2], strict=True)
    )
    kerb = [far, (50.0 + mitre, -3.25), (-mitre, -3.25), near]
    row = SimpleNamespace(
        geometry=shapely.Polygon([near, *inner, *kerb[:-1]]),
        lanes_closed=1, lanes_left=0, street="", class_="",
    )  # fmt: skip
    edge = edge_of(cast(Plan, SimpleNamespace(tables={}, once=lambda _, made: made())), row)
    assert edge is not None
    assert shapely.get_coordinates(edge.line) == pytest.approx(np.array(kerb))


def test_a_pit_in_lanes_left_open_is_told_with_how_wide_they_are_left(
    written: Callable[..., Plan],
) -> None:
    """Four lanes of 3 m, the main 0.5 m left of the middle, pits 1.35 m wide and 0.6 m of room.

    They reach 0.175 m over the middle, where two lanes stay in 5.225 m, 2.6125 m each: 87 %.
    """
    scene = {
        "mains": main_of([(0.0, 0.5), (300.0, 0.5)]),
        "streets": street([(-500.0, 0.0), (600.0, 0.0)], width_m=12.0, lanes=4),
    }
    plan = written(**scene)
    findings = plan.table("findings")
    narrow, dug = (
        findings[findings["rule"] == rule] for rule in ("lanes-narrowed", "pit-in-open-lane")
    )
    pits = set(plan.table("pits")["pit_id"])
    assert set(narrow["feature"]) == set(dug["feature"]) == pits
    told = "leaves 2 lanes for traffic along the street as drawn 2.61 m wide, not 3.00 m"
    assert narrow["text"].str.contains(told).all()
    assert dug["text"].str.contains("0.1[78] m into 2 lanes .* none of which is closed").all()
    plan.tables["findings"] = findings.drop(dug.index)
    assert faults(plan, "pits-in-closures") == len(pits)
    again = written({"street.least_lane_share": 0.88}, **scene)
    assert "pit-in-open-lane" not in set(again.table("findings")["rule"])
    assert (again.table("pits")["lanes_taken"] == 2).all()


def test_a_closure_reaches_over_what_the_lanes_beside_it_give_up(
    written: Callable[..., Plan],
) -> None:
    """Lanes of 3.3 m, three each way; the pits and the room of 0.6 m begin 5.725 m off the middle.

    There two lanes stay, narrowed, and from there to the kerb, 4.175 m, the street is closed.
    """
    plan = written(
        mains=main_of([(0.0, 7.0), (300.0, 7.0)]),
        streets=street([(-500.0, 0.0), (600.0, 0.0)], width_m=19.8, lanes=6),
    )
    closures = plan.table("closures")
    rows = closures[closures["pull_id"] == ""]
    assert len(rows) and (rows["lanes_closed"] == 1).all() and (rows["lanes_left"] == 2).all()
    across = shapely.bounds(rows["geometry"].to_numpy(dtype=object))[:, [1, 3]] - Y
    np.testing.assert_allclose(across, np.tile([5.725, 9.9], (len(rows), 1)), atol=1e-6)
    findings = plan.table("findings")
    assert "pit-in-open-lane" not in set(findings["rule"])
    told = findings.loc[findings["rule"] == "lanes-narrowed", "text"]
    assert told.str.contains("leaves 2 lanes .* 2.86 m wide, not 3.30 m").all() and len(told)


@pytest.mark.parametrize("off", [0.0, 2.0])
def test_both_lanes_of_a_one_way_street_cost_twice_one_of_them(
    off: float, written: Callable[..., Plan]
) -> None:
    """Its lanes are closed as one: none is left where the work lies in the middle."""
    plan = written(
        mains=main_of([(0.0, off), (300.0, off)]),
        streets=street([(-500.0, 0.0), (600.0, 0.0)], width_m=6.0, oneway="yes"),
        pit_edits=wish((0.0, off), "insertion_ahead"),
    )
    assert set(plan.table("closures")["side"]) == {"along"}
    closures = plan.table("closures")
    assert closures.groupby(["pit_id", "pull_id"]).size().max() == 1
    items = plan.table("quantities")
    rows = items.index[(items["item"] == "lane closed for a day") & (items["scope"] != "run")]
    due = 150.0 if off else 300.0
    assert items.loc[rows, "rate"].to_numpy() == pytest.approx(due)
    items.loc[rows, "rate"] = 450.0 - due
    assert faults(plan, "pit-items") and faults(plan, "pull-items")


def test_a_pit_past_the_end_of_a_wide_street_that_goes_on_narrow_is_on_neither(
    written: Callable[..., Plan],
) -> None:
    """The wide one begins at the corner, 4.55 m either side of it; the pit lies west of that.

    West of the corner the street goes on 3 m wide, and the one to the north is 6.3 m wide: the pit,
    3.35 m beside the one and more beside the other, stands on no carriageway. On the wide one it
    would, were it as far off it abreast.
    """
    way = np.radians(210.0)
    west = (250.0 * math.cos(way), 250.0 * math.sin(way))
    plan = written(
        mains=main_of([(-4.05, 250.0), (-4.05, 2.3), (west[0] - 4.05, west[1] + 2.3)]),
        streets=street(
            [(0.0, 0.0), (400.0, -28.0)],
            [(0.0, 0.0), west],
            [(0.0, 0.0), (0.0, 300.0)],
            lanes=[3, 1, 2],
            width_m=[9.1, 3.0, 6.3],
            name=["Broad St", "Narrow St", "North St"],
        ),
    )
    pits, grounds = plan.table("pits"), plan.table("pit_footprints")
    near = shapely.distance(pits["geometry"].to_numpy(), shapely.Point(X, Y)) < 8.0
    (pit,) = pits[near].to_dict("records")
    (row,) = grounds.index[grounds["pit_id"] == pit["pit_id"]]
    ground = grounds.at[row, "geometry"]
    assert shapely.distance(ground, shapely.Point(X, Y)) < 4.5
    assert pit["lanes_taken"] == 0
    assert not (plan.table("findings")["rule"] == "pit-on-crossing-street").any()
    grounds.at[row, "geometry"] = shapely.affinity.translate(ground, 20.0, 0.0)
    assert faults(plan, "pits-in-streets")
    # A tip that reaches 5 cm past the line across its end, and 8 cm from its kerb, is nothing.
    on = np.array([400.0, -28.0]) / math.hypot(400.0, 28.0)
    off = np.array([on[1], -on[0]])
    corners = np.array([[0.0, 0.0], [-2.8, -1.6], [-1.0, -3.0]]) + 0.05 * on + 4.42 * off
    small = shapely.affinity.translate(shapely.Polygon(corners), X, Y)
    for step, wrong in ((0.0 * on, False), (1.0 * on - 0.5 * off, True)):
        grounds.at[row, "geometry"] = shapely.affinity.translate(small, *step)
        assert bool(faults(plan, "pits-in-streets")) == wrong


def arc(*turns: float, radius: float = 250.0) -> Line:
    """Return a line about the origin, given directions from it in degrees."""
    way = np.radians(turns)
    return [(float(radius * np.cos(a)), float(radius * np.sin(a))) for a in way]


def test_a_closure_goes_on_where_the_drawing_of_a_ring_begins(
    written: Callable[..., Plan],
) -> None:
    """Taper and buffer, 107 m long, reach over 90 degrees, 44 m from the pit at 100 degrees.

    Rings that begin at three places, drawn either way.
    """
    scenes = list(itertools.product([0.0, 90.0, 270.0], [1, -1]))
    rings = [arc(*(np.arange(0.0, 361.0, 2.0) + seam) % 360.0)[::way] for seam, way in scenes]
    curve = arc(*np.arange(-5.0, 100.5), radius=252.0)
    plan = written(
        mains=main_of(*(moved(curve, k) for k in range(len(scenes)))),
        streets=street(*map(moved, rings, range(len(scenes))), name=["Crescent"] * len(scenes)),
    )
    closures = plan.table("closures")
    assert not (plan.table("findings")["rule"] == "closure-cut-short").any()
    assert closures["lacking"].to_numpy() == pytest.approx(0.0)
    shapes = closures["geometry"][closures["pull_id"] == ""].to_numpy()
    for k, scene in enumerate(scenes):
        either = [shapely.Point(X + x, Y + y) for x, y in moved(arc(85.0, 95.0), k)]
        over = np.all([shapely.dwithin(shapes, place, 3.6) for place in either], axis=0)
        assert over.sum() == 1, scene


def test_nothing_is_lacking_before_the_work_where_a_street_goes_round(
    written: Callable[..., Plan],
) -> None:
    """A street ends at 90 degrees, 8.7 m from where it began, and closures have to end with it.

    Were the street closed there, they could go on.
    """
    turns = np.arange(90.0, 450.0, 2.0)
    plan = written(
        mains=main_of(arc(*np.arange(-5.0, 100.5), radius=252.0)),
        streets=street(arc(*turns), name=["Crescent"]),
    )
    lacking = int((plan.table("closures")["lacking"] > 1.0).sum())
    assert lacking
    context = plan.table("context")
    (row,) = context.index[context["layer"] == "streets"]
    (whole,) = lines([*arc(*turns), arc(90.0)[0]])
    context.at[row, "geometry"] = whole
    assert faults(plan, "closures-drawn") == lacking


def rounded(turn: float, leg: float, radius: float) -> Line:
    """Return a line with a corner rounded by an arc of a vertex every 4 degrees or so."""
    way = np.radians(np.linspace(0.0, abs(turn), max(int(abs(turn) / 4), 2) + 1))
    side, tangent = math.copysign(1.0, turn), radius * math.tan(math.radians(abs(turn)) / 2)
    on_arc = [(radius * math.sin(a) - tangent, side * radius * (1 - math.cos(a))) for a in way]
    (start, _, far) = bent(turn, leg, before=leg)
    return [start, *on_arc, far]


def fanned(shape: Any, place: Any, reach: float, by: float) -> Any:
    """Return a strip, each half of what of its outline lies near a place moved apart, m."""
    middle = np.array(shapely.get_coordinates(place)[0])

    def apart(xy: Any) -> Any:
        off = xy - middle
        size = np.hypot(*off.T)
        near = shapely.dwithin(shapely.points(xy), place, reach)
        far = size > size[near].mean() if near.any() else near
        step = np.where(near, np.where(far, by, 0.0), 0.0) / np.maximum(size, 1e-9)
        return xy + off * step[:, None]

    return shapely.transform(shape, apart)


ROUNDED = [(2.0, 2.4), (2.0, -2.4), (3.0, 5.5), (4.5, 2.0)]  # m, radius and how far beside


def test_plans_beside_streets_with_tightly_rounded_corners_are_right(
    written: Callable[..., Plan],
) -> None:
    """Along the straights strings have their width and closures their depth, inside and outside.

    A string 6 mm wider at the corner is found, and a taper for a lane of 7 % more,
    which is more than lanes left may give up here: 3.5 m are closed, up to 3.72 m of ground.
    """
    scenes = [(turn, *one) for turn in (23.0, 44.0) for one in ROUNDED]
    mains, streets = [], []
    for k, (turn, radius, off) in enumerate(scenes):
        mains.append(moved(beside(bent(turn, 250.0, before=250.0), off), k))
        streets.append(moved(rounded(turn, 300.0, radius), k))
    plan = written(
        {"pulls.max_length": "260 m"},
        mains=main_of(*mains), streets=street(*streets, lanes=4, width_m=14.0),
    )  # fmt: skip
    for k, (_, _, off) in enumerate(scenes):
        _finds_what_is_too_wide(plan, shapely.Point(X + APART * k, Y), 2 * abs(off) + 3.0)


def _finds_what_is_too_wide(plan: Plan, corner: shapely.Point, reach: float) -> None:
    strings, closures = plan.table("strings"), plan.table("closures")
    near = shapely.dwithin(strings["geometry"].to_numpy(), corner, reach)
    for row in strings.index[near]:
        shape = strings.at[row, "geometry"]
        strings.at[row, "geometry"] = fanned(shape, corner, reach, 0.006)
        assert faults(plan, "strings-drawn")
        strings.at[row, "geometry"] = shape
    near = shapely.dwithin(closures["geometry"].to_numpy(), corner, 8.0)
    merging = (closures["taper"] - 30.48).abs() > 1e-6  # that is one lane for both ways
    # one that folds over inside the arc is not held against its depth
    told = np.array([edge_of(plan, row) is not None for row in plan.rows("closures")])
    assert (near & merging & told).any()
    for row in closures.index[near & merging & told]:
        taper = closures.at[row, "taper"]
        closures.at[row, "taper"] = 1.07 * taper
        assert faults(plan, "closures-drawn")
        closures.at[row, "taper"] = taper


@pytest.mark.parametrize("turn", [-41.4, 35.0])
def test_strings_along_the_leg_a_run_turns_into_begin_where_the_ramp_ends_beside_it(
    turn: float, written: Callable[..., Plan]
) -> None:
    """The ramp goes straight on at the bend, the string from its top as the run does by then.

    Both bends lie in one pit, open on the leg between them past the top: along that leg by its
    length, less ``ramp cos(turn)``, and not by what the one is longer than the other.
    """
    one, two = math.radians(turn), math.radians(turn + math.copysign(24.0, turn))
    leg = 12.0
    mid = (leg * math.cos(one), leg * math.sin(one))
    line = [(-250.0, 0.0), (0.0, 0.0), mid]
    line.append((mid[0] + 250.0 * math.cos(two), mid[1] + 250.0 * math.sin(two)))
    plan = written(
        mains=main_of(line),
        streets=street(beside(line, math.copysign(3.0, -turn))),
        pit_edits=wish((0.0, 0.0), "insertion_behind"),
    )
    pit = plan.table("pits").iloc[1]
    assert (pit.role, pit.chainage) == ("insertion_behind", pytest.approx(250.0))
    (pull,) = plan.table("pulls").query("insertion_pit == @pit.pit_id")["pull_id"]
    strings = plan.table("strings")
    row = strings.index[strings["pull_id"] == pull][0]
    shape = strings.at[row, "geometry"]
    # The end of what is opened is square to the last leg, 0.7 m or less from the bend.
    footprints = plan.table("pit_footprints").set_index("pit_id")
    xy = shapely.get_coordinates(footprints.at[pit.pit_id, "geometry"]) - [X, Y]
    way = np.array([math.cos(one), math.sin(one)])
    past = float((xy @ way).max()) - pit.ramp * math.cos(one)
    assert past == pytest.approx(leg - pit.ramp * math.cos(one), abs=0.7)
    assert past > pit.after - pit.ramp + 1.0
    strings.at[row, "geometry"] = shapely.affinity.translate(shape, *(-2.0 * way))
    assert faults(plan, "strings-drawn")


@pytest.mark.parametrize("back", [False, True])
def test_strings_that_begin_on_the_outside_of_a_corner_bear_the_name_of_the_street_they_lie_in(
    back: bool, written: Callable[..., Plan]
) -> None:
    """The ramp ends in the wedge outside the corner, nearest to the node both streets share.

    The wider street counts there for a place; a string that goes on lies in the other alone.
    """
    way = math.radians(40.0)
    wide, narrow = (
        [(-500.0, 0.0), (0.0, 0.0)],
        [(0.0, 0.0), (500 * math.cos(way), 500 * math.sin(way))],
    )
    plan = written(
        mains=main_of([(-300.0, -2.9), (-8.0, -2.9)]),
        streets=street(
            *([narrow[::-1], wide[::-1]] if back else [wide, narrow]),
            width_m=[6.8, 14.0] if back else [14.0, 6.8],
            lanes=[2, 4] if back else [4, 2],
            name=["Mill Lane", "Broad St"] if back else ["Broad St", "Mill Lane"],
            **{"class": ["local", "collector"] if back else ["collector", "local"]},
        ),
    )
    pit = plan.table("pits").iloc[-1]
    assert pit.role == "insertion_behind"
    top = np.array([-8.0 + pit.ramp, -2.9])
    assert top[0] > 0 > top @ [math.cos(way), math.sin(way)]  # past one street, before the other
    assert list(plan.table("strings")["street"]) == ["Mill Lane"]
    closures = plan.table("closures")
    (row,) = closures.query("pull_id != ''").to_dict("records")
    assert (row["street"], row["class"]) == ("Mill Lane", "local")


def test_a_closure_of_the_wide_street_strings_go_on_into_begins_where_that_does(
    written: Callable[..., Plan],
) -> None:
    """On the verge of the narrow street, 11.7 m of it, strings take no lane; of the other they do.

    Round the corner its taper lies in, the kerb is 25.6 m longer or shorter than the street: more
    than those 11.7 m, by which the closure is shorter than its strings.
    """
    plan = written(
        mains=main_of([(-300.0, 3.9), (-21.0, 3.9)]),
        streets=street(
            [(-500.0, 0.0), (0.0, 0.0)],
            [(0.0, 0.0), (330.0, 0.0), (330.0, -400.0)],
            width_m=[6.0, 12.8],
            lanes=[4, 4],
            name=["Mill Lane", "Broad St"],
        ),
    )
    pit = plan.table("pits").iloc[-1]
    assert pit.role == "insertion_behind"
    (string,) = plan.table("strings").to_dict("records")
    assert string["street"] == "Mill Lane"
    closures = plan.table("closures")
    (row,) = closures.query("pull_id != ''").to_dict("records")
    assert (row["street"], row["lanes_closed"]) == ("Broad St", 1)
    assert row["work_length"] == pytest.approx(string["length"] - (21.0 - pit.ramp))
    # Its work ends at a vertex of the street, which is a corner of its outline and not another one:
    # 0.6 m beside the pipe of 355 mm, where the room that traffic keeps ends.
    xy = shapely.get_coordinates(row["geometry"])[:-1] - [X, Y]
    assert len(xy) % 2
    assert np.hypot(*(xy - [0.0, 3.9 - 0.355 / 2 - 0.6]).T).min() < 1e-6
    at = closures.index[closures["pull_id"] != ""][0]
    closures.at[at, "geometry"] = shapely.affinity.translate(row["geometry"], 60.0, 0.0)
    assert faults(plan, "closures-drawn")


@pytest.mark.parametrize("past", [-8.0, 10.0])
def test_a_ramp_goes_on_as_the_axis_thinned_within_its_accuracy_does(
    past: float, written: Callable[..., Plan]
) -> None:
    """An arc of 1,145 m, a vertex every 12 m: thinned within 0.5 m it turns by 3.0 deg every 60 m.

    As drawn it leaves its own headings by 0.3 m over the pit; of its axis a box 0.65 m to each
    side has left it after 12.4 m, and there a ramp is dug beside the run.
    """
    radius, step = 1145.0, 12.0
    turns = np.arange(41) * step / radius
    line = [(radius * math.sin(a), radius * (1 - math.cos(a))) for a in turns]
    drawn = shapely.LineString(line)
    kept = shapely.get_coordinates(shapely.simplify(drawn, 0.5, preserve_topology=False))
    assert math.dist(kept[4], line[20]) < 1e-9  # a vertex of the axis, 240 m on
    at = float(shapely.line_locate_point(drawn, shapely.Point(kept[4]))) + past
    spot, *ends = (shapely.line_interpolate_point(drawn, at + way) for way in (0.0, 9.4, -8.6))
    places = [shapely.Point(X + end.x, Y + end.y) for end in ends]
    fittings = gpd.GeoDataFrame({"kind": "bend", "angle_deg": [45.0] * 2}, geometry=places, crs=CRS)
    plan = written(
        mains=main_of(line).assign(cover_m=0.9),
        fittings=fittings,
        pit_edits=wish((spot.x, spot.y), "insertion_both"),
    )
    pit = plan.table("pits").iloc[1]
    assert pit.role == "insertion_both"
    areas = plan.table("pit_footprints").set_index("pit_id")["geometry"]
    assert shapely.area(areas[pit.pit_id]) > pit.width * pit.length + 0.5
    plan.tables["pits"].loc[1, "volume"] = 0.9 * pit.volume
    assert faults(plan, "excavations")


def test_strings_across_the_mouth_of_a_street_that_meets_theirs_at_a_sharp_angle_lie_in_no_lane(
    written: Callable[..., Plan],
) -> None:
    """On the verge, 4.6 m beside a lane of 3.2 m; at 25 deg a street of 14.8 m comes to it.

    Its carriageway is met up to (4.6 + 7.4) / sin(25 deg) = 28.4 m from where they meet.
    """
    way = math.radians(25.0)
    plan = written(
        {"street.verge": "5 m"},
        mains=main_of([(61.0, 4.6), (300.0, 4.6)]),
        streets=street(
            [(0.0, 0.0), (500.0, 0.0)],
            [(0.0, 0.0), (-500.0, 0.0)],
            [(0.0, 0.0), (500 * math.cos(way), 500 * math.sin(way))],
            width_m=[3.2, 6.5, 14.8],
            lanes=[1, 2, 4],
            name=["Lane", "Mill Road", "Broad St"],
        ),
    )
    strings = plan.table("strings")
    (shape,) = strings["geometry"]
    carriageway = lines([(0.0, 0.0), (500 * math.cos(way), 500 * math.sin(way))])[0].buffer(7.4)
    assert shapely.area(shape & carriageway) > 15.0 * 0.355
    assert not len(plan.table("closures"))
    # Farther on along that street it lies as far in its carriageway, and in no mouth.
    far = shapely.affinity.translate(shape, 300 * math.cos(way), 300 * math.sin(way))
    assert shapely.area(far & carriageway) > 15.0 * 0.355
    strings["geometry"] = [far]
    assert faults(plan, "strings-closed-for")


def test_no_string_begins_where_its_street_turns_too_far_from_the_ramp(
    written: Callable[..., Plan],
) -> None:
    """The ramp ends at (-9.3, 0), 6 m beside a stretch of 13 m that runs at 49 deg to it.

    That is more than street.max_turn. The street curves on by 4.5 deg every 13 m: the next stretch
    would do, but begins 5 m farther on than the ramp ends. At the other end strings lie as ever.
    """
    turns = np.radians(131.0 + 4.5 * np.arange(-9, 12))  # to the east; the ramp goes west
    steps = 13.0 * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    curve = np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)])
    along, right = steps[9] / 13.0, np.array([steps[9][1], -steps[9][0]]) / 13.0
    curve += np.array([-9.292, 0.0]) - 6.0 * right - 8.0 * along - curve[9]
    plan = written(
        mains=main_of([(0.0, 0.0), (200.0, 0.0)]),
        streets=street([(600.0, -3.0), (4.0, -3.0)], [(x, y) for x, y in curve], width_m=10.0),
        pit_edits=wish((0.0, 0.0), "insertion_ahead"),
    )
    (pull,) = plan.table("pulls").to_dict("records")
    assert pull["direction"] == "behind"
    first = plan.table("candidates").sort_values("chainage").iloc[0]
    assert "no street goes on behind the ramp" in first["reasons"]


def test_strings_in_a_far_street_an_older_plan_does_not_hold_are_not_held_to_another_of_its_name(
    written: Callable[..., Plan],
) -> None:
    """Broad St begins 171 m from the run, and streets within 60 m were written; so was a lane of
    its name, 3.5 m each where that has 3.2 m.
    """
    plan = written(
        {"output.context": "60 m"},
        mains=main_of([(-300.0, 3.0), (-21.0, 3.0)]),
        streets=street(
            [(-500.0, 0.0), (150.0, 0.0)],
            [(150.0, 0.0), (600.0, 0.0)],
            [(-300.0, 50.0), (-100.0, 50.0)],
            width_m=[7.0, 12.8, 7.0],
            lanes=[2, 4, 2],
            name=["Mill Lane", "Broad St", "Broad St"],
        ),
    )
    closures = plan.table("closures").query("pull_id != ''")
    assert list(closures["street"]) == ["Mill Lane", "Broad St"]
    held = plan.table("context").query("layer == 'streets'")
    assert sorted(held["name"]) == ["Broad St", "Broad St", "Mill Lane"]
    plan.tables["context"] = plan.table("context").drop(index=held.index[held["lanes"] == 4])
    for name in ("string-closures", "closures-drawn", "strings-drawn", "strings-closed-for"):
        assert not faults(plan, name)
    plan.table("closures").at[closures.index[0], "taper"] = 77.7
    assert faults(plan, "string-closures")


ROUND: Line = [(0, 0), (200, 0), (400, 0), (400, 200), (200, 200), (200, 0)]


def test_a_run_that_comes_back_onto_itself_is_dug_up_and_connected_there(
    written: Callable[..., Plan],
) -> None:
    """Drawn in one, in two and in three: it ends 1,000 m on, on its own inside at 200 m.

    The string past the tee is cut and joined to the end there: one dig, at the rate of one.
    """
    scenes = list(itertools.product([[], [3], [1, 2]], [1, -1]))
    mains: list[Line] = []
    for k, (cuts, way) in enumerate(scenes):
        bounds = [0, *cuts, len(ROUND) - 1]
        parts = [ROUND[i : j + 1][::way] for i, j in itertools.pairwise(bounds)]
        mains += [moved(part, k) for part in parts[::way]]
    plan = written(mains=main_of(*mains))
    for k, scene in enumerate(scenes):
        (run,) = in_scene(plan, "runs", k).itertuples()
        digs = in_scene(plan, "local_digs", k)
        assert digs["kind"].tolist() == ["connection"] * 2, scene
        assert digs["chainage"].tolist() == pytest.approx([200.0, 1000.0]), scene
        assert digs["spared"].tolist() == [False, True], scene
        assert digs["cost"].tolist() == [plan.setting("rates.connection"), 0.0], scene
        assert run.connection_count == 2, scene


def test_a_branch_that_slants_is_connected_whether_drawn_onto_the_main_or_a_little_short(
    written: Callable[..., Plan],
) -> None:
    on = 150.0 * np.exp(1j * np.radians(15.0))
    scenes = list(itertools.product([0.0, 0.01, 0.05, 0.3], [0.0, 33.3]))
    mains: list[Line] = []
    for k, (off, turn) in enumerate(scenes):
        branch = [(200.0, off), (200.0 + on.real, off + on.imag)]
        for line in ([(0.0, 0.0), (400.0, 0.0)], branch):
            turned = shapely.affinity.rotate(shapely.LineString(line), turn, origin=(0, 0))
            mains.append(moved(list(turned.coords), k))
    plan = written(mains=main_of(*mains))
    for k, scene in enumerate(scenes):
        digs = in_scene(plan, "local_digs", k)
        assert digs["kind"].tolist() == ["connection"] * 2, scene
        assert sorted(digs["chainage"]) == pytest.approx([0.0, 200.0], abs=0.5), scene
        assert in_scene(plan, "runs", k)["connection_count"].tolist() == [1, 1], scene
        told = in_scene(plan, "findings", k)["rule"].tolist()
        assert told.count("gap-joined") == (scene[0] > 0.0), scene


def test_work_about_a_pit_round_elbows_is_as_long_as_its_ground_and_not_as_its_legs(
    written: Callable[..., Plan],
) -> None:
    """The main goes 4 m aside and back, at 30 degrees each: 8 m legs are 6.9 m of street."""
    leg = 4.0 / math.tan(math.radians(30))
    main = [
        (-400.0, 0.0),
        (0.0, 0.0),
        (leg, 4.0),
        (leg + 20, 4.0),
        (2 * leg + 20, 0.0),
        (400.0, 0.0),
    ]
    plan = written(
        mains=main_of(main),
        streets=street([(-600.0, -21.0), (600.0, 21.0)], width_m=14.0),
        pit_edits=wish((2 * leg + 20, 0.0), "insertion_ahead"),
    )
    pits, closures = plan.table("pits"), plan.table("closures")
    (pit,) = pits[pits["chainage"].between(435, 437)].itertuples()
    own = closures.index[(closures["pit_id"] == pit.pit_id) & (closures["pull_id"] == "")]
    # legs of 8 m lie along 6.93 m of street each, and two of them are in the pit
    assert closures.loc[own, "work_length"].to_numpy() == pytest.approx(
        38.45 - 2 * (8.0 - 6.93), abs=0.05
    )
    assert pit.length == pytest.approx(38.45)
    closures.loc[own, "work_length"] -= 1.0
    assert faults(plan, "closures-drawn")


def test_where_a_higher_main_works_at_less_the_worst_of_a_test_is_where_that_ends(
    written: Callable[..., Plan],
) -> None:
    """The main at the top has 3 bar on record, the other none; water weighs 9.80665 kPa a metre."""
    levels = {"invert_start_m": [110.0, 108.0], "invert_end_m": [108.0, 102.0]}
    mains = main_of([(0.0, 0.0), (60.0, 0.0)], [(60.0, 0.0), (240.0, 0.0)])
    plan = written(mains=mains.assign(pressure_kpa=[300.0, np.nan], **levels))
    (row,) = plan.rows("sections")
    assert row.working_source == "assumed"
    assert row.working_pressure == plan.setting("service.working_pressure")
    above = 110.0 + (108.0 - 110.0) * row.high_chainage / 60 - 108.0
    assert 1.5 < above < 2.0
    assert row.working_test - row.test_pressure_high == pytest.approx(9806.65 * above, rel=1e-9)


@pytest.mark.parametrize("twice", [False, True])
@pytest.mark.parametrize("shift", [0.0, -1.75])
def test_the_long_edge_of_a_closure_that_narrows_is_its_kerb_whatever_vertex_stands_twice(
    shift: float, twice: bool
) -> None:
    """Its lanes are 7 m wide at the work, and 5.25 m from 35 m before it on.

    Either the kerb goes on straight, or the other side. Older plans have that vertex twice.
    """
    beside, kerb = [(-35.0, 5.25 - shift), (-35.0, 7.0)], [(-35.0, 0.0), (-35.0, -shift)]
    beside, kerb = (kinks[: 1 + (twice or kinks[0] != kinks[1])] for kinks in (beside, kerb))
    inner = [(-70.0, 5.25 - shift), *beside, (10.0, 7.0)]
    kerb = [(25.24, 0.0), *kerb, (-100.0, -shift)]
    row = SimpleNamespace(
        geometry=shapely.Polygon([kerb[-1], *inner, *kerb[:-1]]),
        lanes_closed=2, lanes_left=1, street="", class_="",
    )  # fmt: skip
    edge = edge_of(cast(Plan, SimpleNamespace(tables={}, once=lambda _, made: made())), row)
    assert edge is not None
    assert shapely.get_coordinates(edge.line) == pytest.approx(np.array(list(dict.fromkeys(kerb))))
    assert edge.deep == pytest.approx(7.0)


@pytest.mark.parametrize(("lanes", "width_m"), [(4, 10.5), (4, 7.0)])
def test_a_closure_led_on_where_its_lanes_are_narrower_takes_less_ground_from_there(
    lanes: int, width_m: float, written: Callable[..., Plan]
) -> None:
    """Two of three lanes of one way are closed, and before them one of the two of the half."""
    plan = written(
        mains=main_of([(40.0, -1.75), (160.0, -1.75)]),
        streets=street(
            [(-500.0, 0.0), (0.0, 0.0)],
            [(0.0, 0.0), (600.0, 0.0)],
            width_m=[width_m, 10.5],
            lanes=[lanes, 3],
            oneway=["", "along"],
        ),
    )
    closures = plan.table("closures")
    edges = [edge_of(plan, row) for row in plan.rows("closures")]
    stepped = pd.Series([edge is not None and edge.kinks > 0 for edge in edges], closures.index)
    led = closures.index[stepped & (closures["lanes_closed"] == 2) & (closures["pull_id"] == "")]
    assert len(led)
    for across in (0.5, 2.0):
        own = closures["geometry"].copy()
        for at in led:
            closures.at[at, "geometry"] = shapely.affinity.scale(own[at], 1.0, across)
        assert faults(plan, "closures-drawn") >= len(led)
        closures["geometry"] = own


@pytest.mark.parametrize("back", [False, True])
def test_a_closure_of_a_shut_street_may_face_either_way_at_a_corner_of_it(
    back: bool, written: Callable[..., Plan]
) -> None:
    """The pit stands on the corner, and beyond its work nothing is closed: no downstream taper.

    Away from the corner the side of a closure of a shut street is held to.
    """
    col, row = [(-3.7, 124.8), (0.0, 0.0)], [(133.2, -2.7), (0.0, 0.0)]
    plan = written(
        mains=main_of([(-3.7, 124.8), (-5.4, 116.7), (-2.2, 7.9), (0.0, 0.0)]),
        streets=street(
            col[::-1] if back else col, row, width_m=[7.5, 4.0], lanes=[2, 1], name=["Col", "Row"]
        ),
    )
    closures = plan.table("closures")
    shut = (closures["downstream_taper"] == 0) & (closures["pull_id"] == "")
    assert shut.any()
    closures["side"] = closures["side"].map({"along": "against", "against": "along"})
    assert faults(plan, "closures-face")


def test_strings_keep_one_closure_along_streets_of_a_little_other_widths(
    written: Callable[..., Plan],
) -> None:
    """Its lane is as wide as the wider street of them; the pit is 120 m before that.

    A little aside it may be of either direction, aside by half a lane it may not.
    """
    plan = written(
        mains=main_of([(-300.0, 0.3), (-115.0, 0.3)]),
        streets=street(
            [(-800.0, 0.0), (-420.0, 0.0)],
            [(-420.0, 0.0), (300.0, 0.0)],
            width_m=[4.8, 4.2],
            lanes=[1, 1],
        ),
    )
    closures = plan.table("closures")
    at = closures.index[(closures["pull_id"] != "") & (closures["lanes_closed"] == 1)]
    (own,) = closures.loc[at, "geometry"]
    assert own.bounds[3] - own.bounds[1] == pytest.approx(4.8)
    found = []
    for aside in (-2.0, -0.35, 0.35, 2.0):
        closures.loc[at, "geometry"] = shapely.affinity.translate(own, 0.0, aside)
        found.append(faults(plan, "closures-hand"))
    assert found in ([1, 0, 0, 0], [0, 0, 0, 1])
    closures.loc[at, "geometry"] = shapely.affinity.scale(own, 1.0, 1.3)
    assert faults(plan, "closures-drawn")


def test_one_lane_of_both_ways_is_shut_to_the_traffic_of_either(
    written: Callable[..., Plan],
) -> None:
    plan = written(
        mains=main_of([(-150.0, 0.3), (0.0, 0.3)]),
        streets=street([(-400.0, 0.0), (400.0, 0.0)], width_m=4.2, lanes=1),
    )
    closures = plan.table("closures")
    assert closures.groupby(["pit_id", "pull_id"])["side"].nunique().eq(2).all()
    assert not faults(plan, "closures") and not faults(plan, "string-closures")
    for rule, own in (("closures", ""), ("string-closures", closures["pull_id"].max())):
        back = (closures["pull_id"] == own) & (closures["lanes_closed"] == 0)
        assert back.any()
        plan.tables["closures"] = closures[~back]
        assert faults(plan, rule) == back.sum()


def test_a_closure_that_ends_across_a_street_is_not_as_wide_as_it_is_long(
    written: Callable[..., Plan],
) -> None:
    """Its street ends at a junction: the end of the closure lies along the street across there."""
    scene = {
        "mains": main_of([(-3, -3), (-3, 500)]),
        "streets": street(
            [(0, 0), (0, 700)], [(-300, 0), (0, 0)], [(0, 0), (300, 0)],
            lanes=[4, 2, 2], width_m=[14.0, 8.0, 8.0], name=["Long", "Across", "Across"],
        ),
    }  # fmt: skip
    plan = written({"pulls.max_length": "260 m"}, **scene)
    closures = plan.table("closures")
    (row,) = closures.index[closures["pit_id"] == "R0001-P1"]
    shape = closures.at[row, "geometry"]
    low = shapely.get_coordinates(shape)[:, 1].min()
    assert low == pytest.approx(Y, abs=0.1)
    closures.at[row, "geometry"] = shapely.affinity.scale(shape, xfact=2.0, origin=(X, Y))
    assert faults(plan, "closures-across")
