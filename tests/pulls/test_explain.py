"""Why a run has no plan: the limit that blocks is named, with its value, its place, its setting.

What is named as the one limit to lift is lifted, and the run planned again: there is a plan then.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import Brief
from geotools.layout.rules import refusal_limits
from geotools.pulls.explain import (
    Limits,
    _bends_words,
    _between,
    _refused_words,
    _Scene,
    _worth_telling,
)
from geotools.pulls.lifted import (
    BENDS,
    FORCE,
    LENGTH,
    PLACES,
    SHIFT,
    SHORT,
    TENSION,
    Lift,
    _Case,
    _cases,
)
from geotools.pulls.optimise import PullCosts
from geotools.siting.laydown import Laydown
from geotools.siting.must import Stretches
from geotools.siting.refusals import AVOID, CLOSES, CROSSING, NO_ROOM, STEEP, refusal_words

INF = np.inf
NAMES = ("max_depth", "clear", "max_slope", "least_string", "receive", "receive_across")

X, Y, CRS = 500_000.0, 4_800_000.0, 32633
PIPE = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}
STRAIGHT = [(0.0, 0.0), (700.0, 0.0)]
NAME = "355 mm SDR 17 PE100"


def _avoid(low: float, high: float, reason: str) -> gpd.GeoDataFrame:
    shape = shapely.box(X + low, Y - 9, X + high, Y + 9)
    return gpd.GeoDataFrame({"reason": [reason], "hard": [True]}, geometry=[shape], crs=CRS)


def _planned(
    line: list[tuple[float, float]], settings: dict[str, Any], cover: float = 1.5, **layers: Any
) -> dict[str, Any]:
    main = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [cover]},
        geometry=[shapely.LineString([(x + X, y + Y) for x, y in line])],
        crs=CRS,
    )
    return dict(geotools.plan(mains=main, settings={**PIPE, **settings}, **layers).layers)


def _blocked(
    line: list[tuple[float, float]],
    settings: dict[str, Any],
    remedy: dict[str, Any],
    cover: float = 1.5,
    **layers: Any,
) -> str:
    """Return why there is no plan, and see that the remedy gives one."""
    plan = _planned(line, settings, cover, **layers)
    run = plan["runs"].iloc[0]
    assert run["status"] == "no_plan"
    found = plan["findings"].query("rule == 'no-plan'")
    assert found["text"].tolist() == [f"run {run['run_id']}: {run['reason']}"]
    cured = _planned(line, {**settings, **remedy}, cover, **layers)
    assert cured["runs"]["status"].tolist() == ["planned"]
    return str(run["reason"])


CASES: dict[str, tuple[dict[str, Any], dict[str, Any], tuple[float, float], str]] = {
    "length": (
        {"pulls.max_length": "200 m"},
        {"pulls.max_length": "500 m"},
        (200, 450),
        "the longest pull of 200.0 m [pulls.max_length]",
    ),
    "force": (
        {"pulls.force_share": 0.02},
        {"pulls.force_share": 0.5},
        (200, 450),
        f"kN for {NAME} [pulls.force_share, pulls.friction]",
    ),
    "machine": (
        {"pulls.machine_capacity": "5 kN"},
        {"pulls.machine_capacity": "500 kN"},
        (200, 450),
        f"the pull force of at most 3.8 kN for {NAME} "
        "[pulls.machine_capacity, pulls.machine_share, pulls.friction]",
    ),
    "shift": (
        {"crew.shift": "0.5 h"},
        {"crew.shift": "8 h"},
        (200, 450),
        "the shift of 0.5 h a pull must fit, with the strings joined on [crew.shift, pulls.rate]",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_the_limit_on_pulls_that_blocks_is_named_with_value_place_and_setting(case: str) -> None:
    settings, remedy, (low, high), words = CASES[case]
    reason = _blocked(STRAIGHT, settings, remedy, avoid=_avoid(low, high, "railway"))
    assert f"reach chainage {low - 0.7:.1f} m" in reason  # the set-back is 0.6 m
    assert f"come back to {high + 0.7:.1f} m of 700.0 m" in reason
    blocking = reason.partition("what blocks it: ")[2]
    assert words in blocking
    every = re.search(
        r"in a place to avoid \(railway\) \[layer avoid\] at (\d+) of \1 places", blocking
    )
    assert every is not None
    assert "with any one of these lifted there is a plan" in blocking
    others = {other[3] for name, other in CASES.items() if name != case}
    assert not any(other in blocking for other in others)
    farthest = reason.partition("from there or before may end past ")[2].partition(" m")[0]
    assert low < float(farthest) < high


def test_a_bend_that_fits_no_pit_is_named_with_its_angle_its_place_and_what_keeps_the_pit_out() -> (
    None
):
    line = [(0.0, 0.0), (412.0, 0.0), (612.0, 200.0)]
    reason = _blocked(line, {}, {"carrier.nominal": "90 mm"}, avoid=_avoid(390, 425, "tram"))
    assert (
        "the bend of 45 deg at 412.0 m cannot be passed and no permitted pit holds it: "
        "1 place looked at (1 x in a place to avoid (tram) [layer avoid])" in reason
    )
    blocking = reason.partition("what blocks it: ")[2]
    assert f"bends that {NAME} does not pass" in blocking
    assert ": the bend of 45 deg at 412.0 m" in blocking


def test_bends_too_near_for_the_shortest_pull_between_are_told_with_its_setting() -> None:
    line = [(0.0, 0.0), (412.0, 0.0), (426.0, 14.0), (676.0, 14.0)]
    tram = _avoid(418, 419, "tram")
    reason = _blocked(line, {}, {"pulls.min_length": "1 m"}, avoid=tram)
    assert (
        "the bend of 45 deg at 412.0 m and the bend of 45 deg at 431.8 m cannot be passed and no "
        "permitted pit holds all of it: 3 places looked at (3 x in a place to avoid (tram) [layer "
        "avoid]); they are so near to each other that the shortest pull of 15.0 m "
        "[pulls.min_length] has no room between two pits: one must hold all;" in reason
    )


@pytest.mark.parametrize("end", ["start", "end"])
def test_a_bend_too_near_to_an_end_for_the_shortest_pull_is_told_with_its_setting(end: str) -> None:
    line = [(0.0, 0.0), (20.0, 0.0), (320.0, 300.0)]
    tram = _avoid(8, 9, "tram")
    if end == "end":
        line, tram = [(0.0, 300.0), (300.0, 0.0), (320.0, 0.0)], _avoid(311, 312, "tram")
    reason = _blocked(line, {}, {"pulls.min_length": "1 m"}, avoid=tram)
    assert (
        f"it is so near to the {end} of the run that the shortest pull of 15.0 m "
        "[pulls.min_length] has no room between two pits: one must hold all" in reason
    )


def test_an_end_where_no_pit_may_stand_is_told_with_the_reason() -> None:
    plan = _planned(STRAIGHT, {}, avoid=_avoid(-30, 20, "bridge"))
    reason = plan["runs"]["reason"].iloc[0]
    assert (
        "no pit can stand at the start (1 x in a place to avoid (bridge) [layer avoid])" in reason
    )
    assert "at 3 of 3 places, 0.0 m to 20.0 m; with it lifted there is a plan" in reason


def test_a_host_too_deep_for_pits_or_ramps_is_told_with_the_limit() -> None:
    deep = _blocked(STRAIGHT, {"pits.max_depth": "1.8 m"}, {"pits.max_depth": "3 m"})
    assert "what blocks it: deeper than 1.8 m [pits.max_depth] at" in deep
    ramp = {"pits.ramp": "lifted", "pits.max_depth": "20 m"}
    reason = _blocked(STRAIGHT, ramp, {"pits.ramp": "level"}, cover=12.0)
    assert (
        "what blocks it: too deep for the ramp at the carrier's bending radius "
        "[pits.ramp, pits.resting_height]" in reason
    )


def test_a_pull_that_may_be_neither_so_long_nor_so_short_is_told_with_both_limits() -> None:
    limits = {"pulls.max_length": "350 m", "pulls.min_length": "350 m"}
    reason = _blocked(STRAIGHT, limits, {"pulls.min_length": "10 m"})
    blocking = reason.partition("what blocks it: ")[2]
    assert "the longest pull of 350.0 m [pulls.max_length]" in blocking
    assert "the shortest pull of 350.0 m [pulls.min_length]" in blocking


def test_an_intersection_no_pit_may_receive_in_names_the_setting_where_it_is_so_set() -> None:
    def street(*line: tuple[float, float]) -> shapely.LineString:
        return shapely.LineString([(x + X, y + Y) for x, y in line])

    lines = [street((-300, 3), (0, 3)), street((0, 3), (1000, 3)), street((0, -200), (0, 200))]
    streets = gpd.GeoDataFrame({"class": ["local"] * 3}, geometry=lines, crs=CRS)
    setting = "pits.receive_in_intersection"
    reason = _blocked(STRAIGHT, {setting: False}, {setting: True}, streets=streets)
    blocking = reason.partition("what blocks it: ")[2]
    assert (
        "of the middle of an intersection [pits.clear_of_intersection, pits.spoil_setback, and at "
        f"an end of the run or a bend that cannot be passed {setting}] at" in blocking
    )


def test_a_setting_that_allows_receiving_in_an_intersection_is_not_named_where_it_is_on() -> None:
    told = {
        on: refusal_limits(Brief.model_validate({"pits": {"receive_in_intersection": on}}))
        for on in (True, False)
    }
    assert [told[True][name] for name in ("receive", "receive_across")] == ["", ""]
    for bit in (CROSSING, CLOSES):
        words = [refusal_words(bit, told[on], street="local", places=[]) for on in (True, False)]
        assert ["receive_in_intersection" in text for text in words] == [False, True]


def test_a_string_too_long_for_the_street_blocks_wherever_it_is_asked_for() -> None:
    axis = shapely.LineString([(X - 100, Y + 3), (X + 800, Y + 3)])
    street = gpd.GeoDataFrame({"class": ["local"]}, geometry=[axis], crs=CRS)
    asked, cured = ({"street.least_string": length} for length in ("950 m", "25 m"))
    reason = _blocked(STRAIGHT, asked, cured, streets=street)
    blocking = reason.partition("what blocks it: ")[2]
    assert "no room to lay out a string of 950.0 m [street.least_string" in blocking
    assert "with it lifted there is a plan, where the strings then find room" in blocking


@pytest.mark.parametrize("aside", [9.0, -9.0])
def test_a_main_beside_the_street_names_the_verge(aside: float) -> None:
    axis = shapely.LineString([(X - 300, Y + aside), (X + 1000, Y + aside)])
    street = gpd.GeoDataFrame({"class": ["local"]}, geometry=[axis], crs=CRS)
    reason = _blocked(STRAIGHT, {}, {"street.verge": "10 m"}, streets=street)
    blocking = reason.partition("what blocks it: ")[2]
    assert "past the verge of 4.0 m beside the carriageway [street.verge]" in blocking
    assert "least_string" not in reason
    assert "with it lifted there is a plan, where the strings then find room" in blocking


def test_a_string_that_would_shut_a_busy_street_names_its_class() -> None:
    axis = shapely.LineString([(X - 300, Y), (X + 1000, Y)])
    street = gpd.GeoDataFrame(
        {"class": ["arterial"], "lanes": [1], "width_m": [3.3]}, geometry=[axis], crs=CRS
    )
    reason = _blocked(STRAIGHT, {}, {"street.no_block": []}, streets=street)
    assert "it would close every lane of a busy street [street.no_block]" in reason
    assert "least_string" not in reason


def test_where_two_limits_block_each_is_told_with_how_far_it_lets_the_pulls() -> None:
    limits = {"pulls.max_length": "350 m", "pulls.min_length": "350 m"}
    bridge = _avoid(-30, 20, "bridge")
    reason = str(_planned(STRAIGHT, limits, avoid=bridge)["runs"]["reason"].iloc[0])
    assert "no pit can stand at the start" in reason
    assert "may end past" not in reason  # no pull begins anywhere
    blocking = reason.partition("more than one limit blocks it: ")[2]
    assert blocking.count("without the limit") == 1  # a longer or shorter pull would not help
    assert "in a place to avoid (bridge) [layer avoid]" in blocking
    farther = float(blocking.partition("it reaches ")[2].partition(" m")[0])
    open_ground = _planned(STRAIGHT, limits)["runs"]["reason"].iloc[0]
    assert f"pits and pulls reach chainage {farther:.1f} m" in open_ground


def test_where_two_limits_each_refuse_every_pit_none_lifted_alone_would_help() -> None:
    shallow, park = {"pits.max_depth": "1.8 m"}, _avoid(-50, 750, "park")
    reason = _planned(STRAIGHT, shallow, avoid=park)["runs"]["reason"].iloc[0]
    assert "several limits hold at this place at once" in reason
    for settings, layers in ((shallow, {}), ({}, {"avoid": park})):
        assert (
            "what blocks it: " in _planned(STRAIGHT, settings, **layers)["runs"]["reason"].iloc[0]
        )


def test_every_place_that_must_be_lifted_for_a_plan_is_named_and_no_other() -> None:
    def avoid(*names: str) -> gpd.GeoDataFrame:
        spans = {"culvert": (200, 260), "tram": (400, 460), "yard": (600, 604)}
        return pd.concat([_avoid(*spans[name], name) for name in names], ignore_index=True)

    short = {"pulls.max_length": "50 m"}
    plan = _planned(STRAIGHT, short, avoid=avoid("culvert", "tram", "yard"))
    blocking = plan["runs"]["reason"].iloc[0].partition("what blocks it: ")[2]
    assert "in a place to avoid (culvert) [layer avoid] at" in blocking
    assert ", and elsewhere in a place to avoid (tram) [layer avoid], at 4" in blocking
    assert "yard" not in blocking
    for left, status in ((("tram", "yard"), "no_plan"), (("yard",), "planned")):
        rest = _planned(STRAIGHT, short, avoid=avoid(*left))
        assert rest["runs"]["status"].tolist() == [status]


def _scene(code: list[int], streets: list[str] | None = None) -> _Scene:
    """Places 10 m apart, each refused alike in all roles."""
    count = len(code)
    table = pd.DataFrame(
        {"chainage": 10.0 * np.arange(count), "street_class": streets or [""] * count}
    )
    candidates: Any = SimpleNamespace(
        table=table,
        extents=SimpleNamespace(start=np.zeros((count, 4)), end=np.ones((count, 4))),
        code=np.repeat(np.array(code)[:, None], 4, axis=1),
        places=np.full((count, 4), "", dtype=object),
    )
    return _Scene(
        candidates,
        slice(0, count),
        Limits({}, {**dict.fromkeys(NAMES, ""), "max_slope": "5"}, 100.0),
    )


def test_a_place_that_denies_pits_and_strings_their_room_blocks_as_one() -> None:
    axis = shapely.LineString([(X - 300, Y + 3), (X + 1000, Y + 3)])
    street = gpd.GeoDataFrame({"class": ["local"]}, geometry=[axis], crs=CRS)
    short, wall = {"pulls.max_length": "60 m"}, _avoid(200, 450, "flood wall")
    reason = str(_planned(STRAIGHT, short, avoid=wall, streets=street)["runs"]["reason"].iloc[0])
    blocking = reason.partition("what blocks it: ")[2]
    assert "in a place to avoid (flood wall) [layer avoid] at" in blocking
    assert ", together with no room to lay out a string of 30.0 m [" in blocking
    assert "lifted there is a plan, where the strings then find room" in blocking
    free = _planned(STRAIGHT, short, streets=street)
    assert free["runs"]["status"].tolist() == ["planned"]


def test_pits_and_strings_are_told_as_one_only_where_neither_does_as_much_alone() -> None:
    none = np.zeros(0, dtype=np.int64)

    def told(avoid: float, room: float, both: float) -> bool:
        reaches = {AVOID: avoid, NO_ROOM: room, PLACES: both}
        return PLACES in _worth_telling({bit: Lift(far, none) for bit, far in reaches.items()})

    assert told(100.0, 200.0, INF)
    assert told(100.0, 200.0, 300.0)
    assert not told(100.0, INF, INF)
    assert not told(INF, 100.0, INF)
    assert not told(100.0, 300.0, 300.0)


def test_a_limit_that_must_be_lifted_elsewhere_too_is_told_with_where() -> None:
    scene = _scene([STEEP, STEEP, 0, STEEP, STEEP, STEEP])
    here = np.arange(6) < 2
    words = "ground steeper than 5 [pits.max_slope] at 2 of 2 places, 0.0 m to 10.0 m"

    def told(places: list[int], reach: float = INF) -> str:
        return _refused_words(scene, STEEP, here, Lift(reach, np.array(places, dtype=np.int64)))

    assert told([0]) == words
    assert told([0, 4]) == f"{words}, and elsewhere, at 40.0 m"
    assert told([0, 3, 5]) == f"{words}, and elsewhere, at 30.0 m and 50.0 m"
    assert told([3, 4, 5]) == f"{words}, and elsewhere, 30.0 m to 50.0 m"
    assert told([], reach=45.0) == words  # no plan either way: the same limit goes without saying


def test_without_a_plan_other_names_up_to_where_the_pulls_then_get_are_told() -> None:
    scene = _scene([CLOSES, 0, CLOSES, CLOSES], ["local", "local", "primary", "arterial"])
    told = _refused_words(scene, CLOSES, np.arange(4) < 1, Lift(25.0, np.zeros(0, dtype=np.int64)))
    assert "class local [street.no_block] at 1 of 1 place, 0.0 m to 0.0 m" in told
    assert told.endswith(", and elsewhere would close every lane of a street of class primary "
                         "[street.no_block], at 20.0 m")  # fmt: skip


def test_of_bends_lifted_together_those_elsewhere_are_counted() -> None:
    held = pd.DataFrame({"chainage": [100.0, 400.0, 700.0], "deflection": np.radians([45.0] * 3)})

    def told(rows: int) -> str:
        return _bends_words(held.iloc[:rows], (90.0, 110.0), lambda length: f"{length:g} m")

    assert told(1) == "the bend of 45 deg at 100 m"
    assert told(2) == "the bend of 45 deg at 100 m, and 1 other of the run"
    assert told(3) == "the bend of 45 deg at 100 m, and 2 others of the run"


def test_two_pits_nearer_than_the_shortest_pull_are_told_with_the_bends_beside() -> None:
    bends = np.array([90.0, 300.0, 360.0, 500.0])
    must = Stretches(np.zeros(4, dtype=np.int64), bends - 1.0, bends + 1.0, 1)
    turns = np.radians([45.0, 45.0, np.nan, 45.0])  # the third is a valve
    held = pd.DataFrame({"chainage": bends, "deflection": turns})

    def told(low: float, high: float) -> list[str]:
        return _between(must, 0, held, (low, high), 80.0, lambda length: f"{length:g} m")

    assert told(303.0, 357.0) == [
        "the 54 m left between are shorter than the shortest pull of 80 m (pulls.min_length); "
        "the bend of 45 deg at 300 m and the valve at 360 m must lie in a pit"
    ]
    assert told(303.0, 383.0) == []
    assert "no pit joins the two" in told(310.0, 310.0)[0]
    assert told(0.0, 50.0) == []  # no pit at the start: that is told already


def test_a_street_that_would_be_closed_is_named_and_no_other() -> None:
    table = pd.DataFrame({"chainage": [0.0, 10.0], "street_class": ["local", "primary"]})
    candidates: Any = SimpleNamespace(
        table=table,
        extents=SimpleNamespace(start=np.zeros((2, 4)), end=np.ones((2, 4))),
        code=np.array([[0, AVOID, 0, 0], [0, 0, 0, CLOSES]]),
        places=np.array([["", "tram", "", ""], [""] * 4], dtype=object),
    )
    scene = _Scene(candidates, slice(0, 2), Limits({}, dict.fromkeys(NAMES, ""), 100.0))
    words = scene.counted(np.ones(2, dtype=bool))
    assert "1 x in a place to avoid (tram) [layer avoid]" in words
    assert "1 x would close every lane of a street of class primary [street.no_block]" in words


@dataclass(frozen=True)
class _Part:
    """As much of the candidates as is looked at to lift limits."""

    table: pd.DataFrame
    code: np.ndarray[Any, Any]
    laydown: Laydown


@dataclass(frozen=True)
class _Bent:
    """As much of the profile."""

    free: bool = False

    def unbent(self) -> _Bent:
        """As of the profile."""
        return _Bent(free=True)


def test_of_the_limits_each_is_lifted_alone_and_altogether() -> None:
    three, table = np.array([0.0, 1.0, 4.0]), np.full((3, 1), 70.0)
    laydown = Laydown(
        room_ahead=three, room_behind=three, pieces_ahead=three, pieces_behind=three[::-1],
        longest_ahead=three, longest_behind=three, tops=np.zeros((3, 2)),
        lack_ahead=np.array([NO_ROOM, 0, 0]), lack_behind=np.array([0, 0, NO_ROOM]),
        lanes_ahead=table, lanes_behind=table, day_ahead=table, day_behind=table,
        begins_ahead=np.zeros((3, 1)), begins_behind=np.zeros((3, 1)),
    )  # fmt: skip
    part: Any = _Part(pd.DataFrame(index=range(3)), np.full((3, 4), NO_ROOM | AVOID), laydown)
    profile: Any = _Bent()
    must = Stretches(np.array([0, 0]), np.array([1.0, 5.0]), np.array([2.0, 6.0]), 1)
    costs = PullCosts(1.0, np.ones(1), 0.0, 12.0, 0.0, least_length=15.0)
    plain = _Case(part, profile, must, np.array([5e4]), 200.0, costs)
    cases = _cases(plain, 700.0)
    assert set(cases) == {LENGTH, FORCE, TENSION, SHIFT, SHORT, BENDS, NO_ROOM, AVOID, PLACES}
    assert cases[LENGTH] == replace(plain, max_length=700.0)
    assert np.isinf(cases[FORCE].limit).all()
    assert cases[TENSION] == replace(plain, profile=_Bent(free=True))
    # a pull may be of any length, but pits that overlap are none the better for it
    assert cases[SHORT] == replace(plain, costs=replace(costs, least_length=0.0))
    assert [len(part) for part in (cases[BENDS].must.run, cases[BENDS].must.low)] == [0, 0]
    assert len(cases[BENDS].must.high) == 0
    assert (cases[AVOID].part.code == NO_ROOM).all()
    assert cases[AVOID].part.laydown is laydown
    assert (cases[NO_ROOM].part.code == AVOID).all()
    # room where a string found none, free; elsewhere as it was
    roomy = cases[NO_ROOM].part.laydown
    assert roomy.pieces_ahead.tolist() == [INF, 1.0, 4.0]
    assert roomy.pieces_behind.tolist() == [4.0, 1.0, INF]
    assert roomy.longest_ahead.tolist() == [INF, 1.0, 4.0]
    assert roomy.longest_behind.tolist() == [0.0, 1.0, INF]
    assert roomy.day_ahead.ravel().tolist() == [0.0, 70.0, 70.0]
    assert roomy.day_behind.ravel().tolist() == [70.0, 70.0, 0.0]
    assert (cases[PLACES].part.code == 0).all()
    assert cases[PLACES].part.laydown.pieces_ahead.tolist() == [INF, 1.0, 4.0]
    assert np.isinf(cases[SHIFT].part.laydown.longest_ahead).all()
    assert np.isinf(cases[SHIFT].part.laydown.longest_behind).all()
