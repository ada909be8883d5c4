"""Sites in the street: what a site engineer expects at corners, dead ends, rivers and arterials.

The scenes are invented and small; the expected behaviour is common practice, no source.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.tool import Outcome

CRS = 32633
X, Y = 500_000.0, 4_800_000.0
SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"
PIPE = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}


LONG = [(-200.0, 0.0), (700.0, 0.0)]


def frame(lines: list[list[tuple[float, float]]], **columns: Any) -> gpd.GeoDataFrame:
    """Return lines near the origin of the scene as a layer."""
    shapes = [shapely.LineString([(x + X, y + Y) for x, y in line]) for line in lines]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def main_of(*lines: list[tuple[float, float]]) -> gpd.GeoDataFrame:
    """Return mains of 450 mm, 1.5 m deep."""
    ids = [f"M{k}" for k in range(len(lines))]
    return frame(list(lines), main_id=ids, diameter_mm=450.0, bore_mm=450.0, cover_m=1.5)


def street(*lines: list[tuple[float, float]], **columns: Any) -> gpd.GeoDataFrame:
    """Return local streets of two lanes, 7 m wide, unless said otherwise."""
    said = {"class": "local", "lanes": 2, "width_m": 7.0, "speed_kmh": 50.0, **columns}
    said.setdefault("name", [f"Street {k}" for k in range(len(lines))])
    return frame(list(lines), **said)


def planned(settings: dict[str, Any] | None = None, **layers: Any) -> dict[str, Any]:
    """Plan a scene and return its layers, lengths in m."""
    return geotools.plan(settings={**PIPE, **(settings or {})}, **layers).layers


APART = 4_000.0  # m, of scenes planned in one go, none of which sees another


def moved(line: list[tuple[float, float]], scene: int) -> list[tuple[float, float]]:
    """Return a line of a scene of several, so many places to the east."""
    return [(x + APART * scene, y) for x, y in line]


def in_scene(layer: Any, scene: int) -> Any:
    """Return the rows that lie in a scene of several."""
    west = X + APART * (scene - 0.5)
    return layer.cx[west : west + APART, :]


def at(layer: Any, chainage: float) -> Any:
    """Return the row of a layer nearest to a chainage."""
    return layer.iloc[(layer["chainage"] - chainage).abs().argmin()]


def corner(angle: float, leg: float = 300.0) -> list[tuple[float, float]]:
    turn = np.radians(angle)
    return [(-leg, 0.0), (0.0, 0.0), (leg * np.cos(turn), leg * np.sin(turn))]


@pytest.mark.parametrize("angle", [45.0, 90.0])
def test_at_a_corner_in_the_street_the_pit_receives_from_both_legs(angle: float) -> None:
    line = corner(angle)
    layers = planned(mains=main_of(line), streets=street(line))
    bend = layers["bends"].iloc[0]
    assert not bend["passes"]
    pit = at(layers["pits"], 300.0)
    assert pit["before"] >= 0.45 and pit["after"] >= 0.45
    place = at(layers["candidates"], 300.0)
    if angle > 45:  # straight on from either leg there is no street to lay a string in
        assert place["roles"] == "receiving"
        assert "no room to lay out a string" in place["reasons"]
        assert pit["role"] == "receiving"


INSERTING = ("insertion_ahead", "insertion_behind", "insertion_both")
WISHED = list(itertools.product([45.0, 90.0], INSERTING))


@pytest.fixture(scope="module")
def wished() -> dict[str, Any]:
    """Mains with a corner and a pit fixed at it, all planned in one go."""
    places = [shapely.Point(X + APART * scene, Y) for scene in range(len(WISHED))]
    roles = [role for _, role in WISHED]
    wishes = gpd.GeoDataFrame({"action": "fix", "role": roles}, geometry=places, crs=CRS)
    mains = [moved(corner(angle), scene) for scene, (angle, _) in enumerate(WISHED)]
    return planned(mains=main_of(*mains), pit_edits=wishes)


@pytest.mark.parametrize("scene", range(len(WISHED)), ids=[f"{a}-{role}" for a, role in WISHED])
def test_off_the_streets_the_ramp_at_a_corner_goes_straight_on_from_the_leg_pulled(
    scene: int, wished: dict[str, Any]
) -> None:
    (angle, role), layers = WISHED[scene], wished
    pit = at(in_scene(layers["pits"], scene), 300.0)
    assert pit["role"] == role
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit["pit_id"]]
    ahead = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    middle, reach = np.array([X + APART * scene, Y]), 0.9 * pit["length"]
    back_of_ahead = shapely.Point(middle - ahead * (reach - pit["after"]))
    back_of_behind = shapely.Point(middle + np.array([1.0, 0.0]) * (reach - pit["before"]))
    assert (ground.distance(back_of_ahead) < 0.01) == (role != "insertion_behind")
    assert (ground.distance(back_of_behind) < 0.01) == (role != "insertion_ahead")


def test_in_a_dead_end_no_string_is_laid_towards_the_end() -> None:
    line = [(0.0, 2.0), (600.0, 2.0)]
    layers = planned(mains=main_of(line), streets=street([(0.0, 0.0), (620.0, 0.0)]))
    near_end = at(layers["candidates"], 590.0)
    # A pull behind is laid ahead of the pit, where 30 m of street are left, less the ramp.
    assert "insertion_behind" not in near_end["roles"]
    assert "no room to lay out a string of 30.0 m" in near_end["reasons"]
    assert near_end["string_room_behind"] < 30
    assert near_end["string_room_ahead"] > 500


def test_strings_stop_at_streets_that_may_not_be_blocked() -> None:
    main = main_of([(0.0, 2.0), (400.0, 2.0)])
    streets = street(
        [(-300.0, 0.0), (700.0, 0.0)],
        [(-100.0, -200.0), (-100.0, 0.0)],
        **{"class": ["local", "arterial"]},
    )
    places = planned(mains=main, streets=streets)["candidates"]
    free = planned({"street.no_block": []}, mains=main, streets=streets)["candidates"]
    here, there = at(places, 200.0), at(free, 200.0)
    # From the pit back to 10 m short of the crossing at -100 m, less half of the shared hole.
    assert here["string_room_ahead"] == pytest.approx(290.0, abs=12.0)
    assert there["string_room_ahead"] == pytest.approx(here["string_room_ahead"] + 210.0, abs=1e-6)


def test_a_string_never_lies_across_a_river() -> None:
    river = gpd.GeoDataFrame(
        {"reason": ["river"], "hard": [True]},
        geometry=[shapely.box(X - 120, Y - 200, X - 100, Y + 200)],
        crs=CRS,
    )
    layers = planned(
        mains=main_of([(0.0, 2.0), (500.0, 2.0)]),
        streets=street([(-400.0, 0.0), (900.0, 0.0)]),
        avoid=river,
    )
    assert at(layers["candidates"], 100.0)["string_room_ahead"] == pytest.approx(200.0, abs=12.0)
    assert not layers["strings"].intersects(river.geometry.iloc[0]).any()
    assert not layers["pit_footprints"].intersects(river.geometry.iloc[0]).any()


def test_a_main_that_leaves_the_street_has_its_strings_straight_back_over_open_ground() -> None:
    house = gpd.GeoDataFrame(
        {"reason": ["house"], "hard": [True]},
        geometry=[shapely.box(X + 200, Y + 140, X + 206, Y + 146)],
        crs=CRS,
    )
    layers = planned(
        mains=main_of([(0.0, 2.0), (200.0, 2.0), (200.0, 500.0)]),
        streets=street([(-200.0, 0.0), (300.0, 0.0)]),
        avoid=house,
    )
    off = at(layers["candidates"], 200.0 + 300.0)
    on = at(layers["candidates"], 100.0)
    assert (off["street_name"], on["street_name"]) == ("", "Street 0")
    assert off["lanes_taken"] == 0
    # Behind the pit at y = 302 the house at y = 146 is in the way of a string.
    assert off["string_room_ahead"] == pytest.approx(302 - 146, abs=16.0)
    assert at(layers["candidates"], 200.0 + 100.0)["street_name"] == ""


def test_on_a_dual_carriageway_the_pit_takes_a_lane_of_its_own_side_only() -> None:
    streets = street(
        [(-300.0, 0.0), (700.0, 0.0)],
        [(700.0, 14.0), (-300.0, 14.0)],
        name=["South side", "North side"],
        **{"class": "collector"},
    )
    layers = planned(mains=main_of([(0.0, 12.0), (400.0, 12.0)]), streets=streets)
    assert set(layers["candidates"]["street_name"]) == {"North side"}
    closures = layers["closures"]
    assert len(closures) and set(closures["street"]) == {"North side"}
    south = shapely.box(X - 300, Y - 3.5, X + 700, Y + 3.5)
    assert closures.geometry.intersection(south).area.max() < 1e-6


def test_no_pit_closes_every_lane_of_an_arterial() -> None:
    line, middle = [(0.0, 0.0), (400.0, 0.0)], [(-300.0, 0.0), (700.0, 0.0)]
    arterial = planned(
        mains=main_of(line), streets=street(middle, width_m=6.0, **{"class": "arterial"})
    )
    places = arterial["candidates"]
    assert not places["usable"].any()
    assert places["reasons"].str.contains("every lane of a street of class arterial").all()
    assert arterial["runs"]["status"].tolist() == ["no_plan"]
    local = planned(mains=main_of(line), streets=street(middle, width_m=6.0))
    assert local["runs"]["status"].tolist() == ["planned"]
    assert (local["closures"]["lanes_left"] == 0).any()


def test_a_pit_beside_the_carriageway_closes_nothing() -> None:
    layers = planned(
        mains=main_of([(0.0, 6.0), (400.0, 6.0)]), streets=street([(-300.0, 0.0), (700.0, 0.0)])
    )
    assert (layers["pits"]["lanes_taken"] == 0).all()
    assert len(layers["closures"]) == 0


def test_a_soft_place_costs_its_weight_and_a_hard_one_is_refused() -> None:
    main, near = main_of([(0.0, 0.0), (300.0, 0.0)]), shapely.box(X + 90, Y - 20, X + 110, Y + 20)

    def place(hard: bool, settings: dict[str, Any] | None = None) -> Any:
        area = gpd.GeoDataFrame(
            {"reason": ["park"], "hard": [hard], "weight": [3.0]}, geometry=[near], crs=CRS
        )
        return at(planned(settings, mains=main, avoid=area)["candidates"], 100.0)

    no_pipe = {"rates.pe_pipe": "0 / kg"}
    free, bare = (at(planned(s, mains=main)["candidates"], 100.0) for s in (None, no_pipe))
    pipe = free["cost_receiving"] - bare["cost_receiving"]
    assert place(False, no_pipe)["cost_receiving"] == pytest.approx(3 * bare["cost_receiving"])
    # What is laid there is no dearer for its place.
    assert pipe > 0
    assert place(False)["cost_receiving"] == pytest.approx(3 * bare["cost_receiving"] + pipe)
    assert "at a price: in a place better left free" in place(False)["reasons"]
    assert "at a price" not in free["reasons"]
    assert not place(True)["usable"]
    assert "in a place to avoid (park)" in place(True)["reasons"]


def test_a_pit_in_a_soft_place_is_told_with_the_place_and_what_it_makes_dearer() -> None:
    main, whole = main_of([(0.0, 0.0), (300.0, 0.0)]), shapely.box(X - 50, Y - 50, X + 150, Y + 50)
    area = gpd.GeoDataFrame(
        {"reason": ["park"], "hard": [False], "weight": [3.0]}, geometry=[whole], crs=CRS
    )
    layers = planned(mains=main, avoid=area)
    told = layers["findings"].query("rule == 'pit-in-soft-place'")
    inside = layers["pits"].loc[layers["pits"].geometry.within(whole), "pit_id"]
    assert told["feature"].tolist() == inside.tolist()
    assert 0 < len(told) < len(layers["pits"])
    assert (
        "better left free (park), which makes its site cost 3 times as much" in told["text"].iloc[0]
    )


@pytest.fixture(scope="module")
def sample(sample_done: Outcome) -> dict[str, Any]:
    return dict(sample_done.layers)


def test_no_string_of_the_sample_lies_in_a_hard_place_or_outside_its_street(
    sample: dict[str, Any],
) -> None:
    folder = SAMPLE.parent / "district.gpkg"
    avoid = gpd.read_file(folder, layer="avoid")
    avoid = avoid[avoid["hard"].astype(bool) & ~avoid["reason"].str.contains("building|house")]
    kept = shapely.buffer(avoid.geometry.to_numpy(), np.nan_to_num(avoid["buffer_m"]))
    strings = sample["strings"]
    pairs = shapely.STRtree(kept).query(strings.geometry.to_numpy(), predicate="intersects")
    assert pairs.shape[1] == 0
    streets = gpd.read_file(folder, layer="streets")
    corridor = shapely.union_all(streets.buffer(streets["width_m"].fillna(7.0) / 2 + 4.6))
    outside = strings.geometry.difference(corridor).area / strings.area
    assert outside[strings["street"] != ""].max() < 0.02


def test_closures_of_the_sample_lie_on_streets_at_their_pit(sample: dict[str, Any]) -> None:
    streets = gpd.read_file(SAMPLE.parent / "district.gpkg", layer="streets")
    ground = shapely.union_all(streets.buffer(streets["width_m"].fillna(7.0) / 2 + 0.1))
    closures = sample["closures"]
    assert len(closures)
    # A taper may run on into a narrower street that continues this one.
    off = closures.geometry.difference(ground).area / closures.geometry.area
    assert off.max() < 0.2
    pits = sample["pits"].set_index("pit_id")
    closures = closures[closures["pull_id"] == ""]
    at_pit = pits.loc[closures["pit_id"]]
    assert (closures["street"].to_numpy() == at_pit["street_name"].to_numpy()).all()
    gap = shapely.distance(closures.geometry.to_numpy(), at_pit.geometry.to_numpy())
    assert gap.max() < 2.0


def test_strings_are_staged_and_joined_as_the_pull_goes_on(sample: dict[str, Any]) -> None:
    """Strings between intersections are joined during the pull: common practice, no source."""
    pulls, strings = sample["pulls"], sample["strings"]
    assert (strings.groupby("pull_id").size() == pulls.set_index("pull_id")["strings"]).all()
    total = strings.groupby("pull_id")["length"].sum()
    np.testing.assert_allclose(total[pulls["pull_id"]], pulls["length"], rtol=1e-9)
    inside = strings.groupby("pull_id")["joints"].sum()[pulls["pull_id"]].to_numpy()
    assert (inside + pulls["strings"] - 1 == pulls["joints"]).all()
    assert (pulls["strings"] > 1).any()
    assert (pulls["hours"] <= 10.0 + 1e-9).all()


def test_the_pits_of_a_plan_given_back_give_that_plan() -> None:
    none = gpd.GeoDataFrame({"role": []}, geometry=gpd.GeoSeries([], crs=CRS), crs=CRS)
    plain = geotools.plan(SAMPLE, pit_edits=none).layers
    pits = plain["pits"][["pit_id", "run_id", "role", "geometry"]]
    again = geotools.plan(SAMPLE, pit_edits=pits).layers
    assert again["runs"]["cost"].sum() == pytest.approx(plain["runs"]["cost"].sum(), rel=1e-9)
    assert again["pits"].geometry.geom_equals_exact(plain["pits"].geometry, 1e-3).all()
    rules = again["findings"]["rule"]
    assert (rules == "edit-honoured").sum() == len(pits)
    assert not (rules == "edit-refused").any()


def test_a_role_nobody_knows_is_a_finding() -> None:
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["sideways"]}, geometry=[shapely.Point(X + 50, Y)], crs=CRS
    )
    layers = planned(mains=main_of([(0.0, 0.0), (300.0, 0.0)]), pit_edits=wish)
    found = layers["findings"].set_index("rule").loc["edit-refused"]
    assert "'sideways'" in found["text"] and "insertion_both" in found["text"]


@pytest.mark.parametrize(
    ("x", "named", "told"),
    [
        (100.0, "", "R0002 is about as near: say in run_id which is meant"),
        (100.0, "R0001", ""),
        (60.0, "", ""),  # 40 m from the other
        (100.0, "r0001", ""),  # whatever its case
        (60.0, "R0009", "run R0009, which it names, is not near it"),
    ],
)
def test_an_edit_that_may_be_meant_for_another_run_says_which(
    x: float, named: str, told: str
) -> None:
    """Two mains cross, not joined, 100 m along the first."""
    mains = main_of([(0.0, 0.0), (400.0, 0.0)], [(100.0, -150.0), (100.0, 250.0)])
    wish = gpd.GeoDataFrame(
        {"action": ["forbid"], "role": ["insertion_both"], "run_id": [named]},
        geometry=[shapely.Point(X + x, Y)],
        crs=CRS,
    )
    found = planned(mains=mains, pit_edits=wish)["findings"].query("layer == 'pit_edits'")
    (text,) = found["text"]
    assert "of run R0001: honoured; a pit in another role may stand there" in text
    assert (told in text) if told else ("near" not in text)
    assert (found["severity"] == "warning").all() == (named == "R0009")


def test_an_edit_on_a_main_that_is_no_run_says_which_main_and_why_it_is_none() -> None:
    """Four mains 50 m apart, the first lined, and an edit on each; the last is beside all."""
    lines = [[(0.0, 50.0 * k), (300.0, 50.0 * k)] for k in range(4)]
    mains = main_of(*lines).assign(
        diameter_mm=[450.0, 150.0, 450.0, 450.0],
        status=["", "", "abandoned", ""],
        owner=["", "", "", "the mill"],
    )
    wishes = gpd.GeoDataFrame(
        {"action": ["forbid"] * 5},
        geometry=[shapely.Point(X + 150.0, Y + y) for y in (0.0, 51.0, 101.0, 151.0, 225.0)],
        crs=CRS,
    )
    owner = {"network.excluded_owners": ["the mill"]}
    found = planned(owner, mains=mains, pit_edits=wishes)["findings"]
    honoured = found.query("rule == 'edit-honoured'")
    refused = found.query("rule == 'edit-refused'")["text"].tolist()
    assert len(honoured) == 1
    assert refused == [
        f"the edit lies on no run: the main by it, {name}, is in none, for {why}; move it onto a "
        "main that is to be lined"
        for name, why in (
            ("M1", "it is smaller than 300 mm (network.min_diameter)"),
            ("M2", "its status is abandoned (network.excluded_statuses)"),
            ("M3", "it is of owner the mill (network.excluded_owners)"),
        )
    ] + ["the edit lies on no run (pits.edit_reach); move it onto the main"]


def test_a_price_on_pits_or_on_lane_days_buys_fewer_of_them(sample: dict[str, Any]) -> None:
    plain = sample["pits"]
    few = geotools.plan(SAMPLE, settings={"objective.per_pit": 1e6}).layers["pits"]
    calm = geotools.plan(SAMPLE, settings={"objective.per_lane_day": 1e6}).layers["pits"]

    def lane_days(pits: Any) -> float:
        return float((pits["lanes_taken"] * pits["days"]).sum())

    assert len(few) <= len(plain)
    assert lane_days(calm) < lane_days(plain)


def test_a_line_valve_is_cut_out_in_a_dig_or_in_a_pit_as_the_brief_says() -> None:
    valve = gpd.GeoDataFrame(
        {"kind": ["gate"], "open": [True]}, geometry=[shapely.Point(X + 133.0, Y)], crs=CRS
    )
    layers = {"mains": main_of([(0.0, 0.0), (400.0, 0.0)]), "valves": valve}
    dig = planned(**layers)
    assert dig["local_digs"].query("kind == 'valve'")["spared"].tolist() == [False]
    pit = planned({"pulls.valves": "pit"}, **layers)
    assert pit["local_digs"].query("kind == 'valve'")["spared"].tolist() == [True]
    held = pit["pits"].query("chainage - before <= 133 and chainage + after >= 133")
    assert len(held) == 1


def test_in_a_curve_of_the_street_the_closure_holds_the_ramp_that_goes_straight_on() -> None:
    """The main turns 40 deg with the street; the ramp behind the bend leaves its lane."""
    turn = np.radians(40.0)
    line = [(-300.0, 2.0), (0.0, 2.0), (300 * np.cos(turn), 300 * np.sin(turn) + 2.0)]
    middle = [(-500.0, 0.0), (0.0, 0.0), (500 * np.cos(turn), 500 * np.sin(turn))]
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_ahead"]},
        geometry=[shapely.Point(X, Y + 2.0)],
        crs=CRS,
    )
    layers = planned(mains=main_of(line), streets=street(middle), pit_edits=wish)
    pit = at(layers["pits"], 300.0)
    assert pit["role"] == "insertion_ahead"
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit["pit_id"]]
    way = street(middle).geometry.iloc[0].buffer(3.5, cap_style="flat", join_style="mitre")
    closures = layers["closures"].query("pit_id == @pit.pit_id")
    on_street = ground.intersection(way)
    assert on_street.area > 5.0
    # Along a curve the work space is measured on the centreline: a corner may stick out.
    held = shapely.union_all(closures.geometry.to_numpy())
    assert on_street.difference(held).area < 0.02 * on_street.area
    assert closures["lanes_closed"].sum() == pit["lanes_taken"] == 2


def test_in_the_sample_every_pit_on_a_carriageway_lies_in_its_closure(
    sample: dict[str, Any],
) -> None:
    streets = gpd.read_file(SAMPLE.parent / "district.gpkg", layer="streets")
    half = streets["width_m"].fillna(7.0) / 2
    ways = streets.assign(geometry=streets.buffer(half, cap_style="flat")).dissolve("name").geometry
    held = sample["closures"].query("pull_id == ''").dissolve("pit_id").geometry
    pits = sample["pits"].set_index("pit_id")
    ground = sample["pit_footprints"].set_index("pit_id").geometry
    for name, pit in pits.iterrows():
        if not pit["lanes_taken"]:
            assert name not in held.index
            continue
        on_street = ground[name].intersection(ways[pit["street_name"]])
        assert on_street.difference(held[name]).area < 0.02 * on_street.area


def test_a_taper_and_a_buffer_of_the_brief_win_over_the_tables() -> None:
    """Other countries have other rules: the brief sets the lengths."""
    layers = planned(
        {"street.taper": "15 m", "street.buffer": "7.5 m"},
        mains=main_of([(0.0, 2.0), (400.0, 2.0)]),
        streets=street([(-300.0, 0.0), (700.0, 0.0)]),
    )
    closures = layers["closures"]
    assert len(closures)
    assert (closures["taper"] == 15.0).all() and (closures["buffer"] == 7.5).all()


def test_strings_begin_at_the_ramp_and_lie_behind_the_pit_away_from_the_pull() -> None:
    layers = planned(
        {"pulls.max_length": "200 m"},
        mains=main_of([(0.0, 2.0), (700.0, 2.0)]),
        streets=street([(-400.0, 0.0), (1100.0, 0.0)]),
    )
    pits = layers["pits"].set_index("pit_id")
    ground = layers["pit_footprints"].set_index("pit_id").geometry
    pulls = layers["pulls"].set_index("pull_id")
    assert set(pulls["direction"]) == {"ahead", "behind"}
    for string in layers["strings"].itertuples():
        pull = pulls.loc[string.pull_id]
        west, _, east, _ = string.geometry.bounds
        assert east - west == pytest.approx(string.length)
        pit = pits.loc[pull["insertion_pit"]]
        box = ground[pull["insertion_pit"]].bounds
        if pull["direction"] == "ahead":
            assert east == pytest.approx(box[0])
            assert east < X + pull["start"]
        else:
            assert west == pytest.approx(box[2])
            assert west > X + pull["end"]
        assert abs(string.geometry.centroid.y - Y) <= 7.5
        assert pit["street_name"] == string.street


def test_a_string_over_services_dug_up_for_another_pull_is_told() -> None:
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_both"]},
        geometry=[shapely.Point(X + 150, Y + 2)],
        crs=CRS,
    )
    services = [shapely.Point(X + at, Y + 2) for at in np.arange(20.0, 340.0, 10.0)]
    layers = planned(
        mains=main_of([(0.0, 2.0), (350.0, 2.0)]),
        streets=street([(-400.0, 0.0), (1000.0, 0.0)]),
        laterals=gpd.GeoDataFrame({"customers": [1] * len(services)}, geometry=services, crs=CRS),
        pit_edits=wish,
    )
    tasks = layers["schedule"].assign(end=lambda rows: rows["start_day"] + rows["days"])
    opened, pulled = (
        tasks[tasks["task"] == task].set_index("ref")[column]
        for task, column in (("open the connections", "start_day"), ("pull the carrier in", "end"))
    )
    digs = layers["local_digs"][~layers["local_digs"]["spared"].astype(bool)]
    over: dict[str, int] = {}
    for string in layers["strings"].itertuples():
        for dig in digs.itertuples():
            near = dig.geometry.distance(string.geometry) <= 0.5  # half a hole of a metre
            other = dig.pull_id != string.pull_id
            if near and other and opened[dig.pull_id] < pulled[string.pull_id]:
                over[string.string_id] = over.get(string.string_id, 0) + 1
    told = layers["findings"].query("rule == 'string-over-dig'")
    counts = told["text"].str.extract(r"lies over (\d+) of")[0].astype(int)
    assert over
    assert dict(zip(told["feature"], counts, strict=True)) == over
    done = tasks[tasks["task"] == "remake the connections"].set_index("ref")["end"]
    for text in told["text"]:
        pull = text.split("for pull ")[1].split(",")[0]
        days = f"opened from day {opened[pull]:.1f} and remade by day {done[pull]:.1f}"
        assert f"{days}, backfilled or plated over between" in text


def test_a_string_that_leaves_the_street_of_its_pit_is_told_and_lies_in_none() -> None:
    """The main turns out of the street by 60 deg; a pit there inserts along the second leg."""
    turn = np.radians(60.0)
    out = (300.0 + 250.0 * np.cos(turn), 5.0 + 250.0 * np.sin(turn))
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_ahead"]},
        geometry=[shapely.Point(X + 300, Y + 5)],
        crs=CRS,
    )
    layers = planned(
        mains=main_of([(0.0, 5.0), (300.0, 5.0), out]),
        streets=street([(-200.0, 0.0), (700.0, 0.0)]),
        pit_edits=wish,
    )
    strings = layers["strings"].merge(layers["pulls"][["pull_id", "insertion_pit"]])
    carriageway = layers["context"].query("layer == 'streets'").union_all().buffer(3.5 + 4.0)
    away = strings[strings.geometry.difference(carriageway).area > 1.0]
    assert len(away) and (away["street"] == "").all()
    assert (strings.drop(away.index)["street"] != "").all()
    told = layers["findings"].query("rule == 'string-off-street'")
    assert set(told["feature"]) == set(away["pull_id"])
    metres = told["text"].str.extract(r"up to (\d+) m")[0].astype(float)
    aside = (away.get_coordinates()["y"] - Y).abs().max()  # the street lies at Y
    assert metres.max() == pytest.approx(aside, abs=0.6)


def test_a_string_from_a_pit_in_no_street_is_told_where_streets_are_given() -> None:
    """The street ends 300 m before the main does: the pit at that end stands in a field."""
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_behind"]},
        geometry=[shapely.Point(X + 500, Y)],
        crs=CRS,
    )
    given = {"mains": main_of([(0.0, 0.0), (500.0, 0.0)]), "pit_edits": wish}
    layers = planned(streets=street([(-200.0, 3.0), (200.0, 3.0)]), **given)
    strings = layers["strings"].merge(layers["pulls"][["pull_id", "insertion_pit"]])
    place = layers["pits"].set_index("pit_id")
    away = strings[(place.loc[strings["insertion_pit"], "street_class"] == "").to_numpy()]
    assert len(away) and (away["street"] == "").all()
    told = layers["findings"].query("rule == 'string-off-street'").set_index("feature")
    assert set(told.index) == set(away["pull_id"]) and (told["layer"] == "strings").all()
    for name, rows in away.groupby("pull_id"):
        pit = place.geometry[rows["insertion_pit"].iloc[0]]
        most = float(told.at[name, "text"].split(" up to ")[1].split(" m ")[0].replace(",", ""))
        assert most == pytest.approx(rows.hausdorff_distance(pit).max(), abs=0.6)
        assert "stands in no street" in told.at[name, "text"]
    findings = planned(**given)["findings"]  # where no streets are given it goes without saying
    assert not (findings["rule"] == "string-off-street").any()


def test_a_string_over_another_pit_is_told() -> None:
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_both"]},
        geometry=[shapely.Point(X + 100, Y + 2)],
        crs=CRS,
    )
    layers = planned(
        mains=main_of([(0.0, 2.0), (350.0, 2.0)]),
        streets=street([(-400.0, 0.0), (1000.0, 0.0)]),
        pit_edits=wish,
    )
    strings = layers["strings"].set_index("string_id")
    ground = layers["pit_footprints"].set_index("pit_id").geometry
    own = layers["pulls"].set_index("pull_id")["insertion_pit"]
    over = {
        (name, pit)
        for name, string in strings.iterrows()
        for pit, area in ground.items()
        if pit != own[string["pull_id"]] and area.intersection(string.geometry).area > 0.01
    }
    told = layers["findings"].query("rule == 'string-over-pit'")
    assert len(over) == len(told) > 0
    for name, pit in over:
        assert told["text"].str.startswith(f"string {name} lies over pit {pit}:").sum() == 1


def test_no_string_meets_a_building_beside_the_street_unless_it_is_told() -> None:
    """A house on the verge where the main lies, and a wall of houses over all but the middle."""
    main = main_of([(0.0, 6.0), (400.0, 6.0)])
    streets = street([(-400.0, 0.0), (800.0, 0.0)])

    def meets(*boxes: tuple[float, float, float, float]) -> tuple[int, int]:
        moved = [shapely.box(X + w, Y + s, X + e, Y + n) for w, s, e, n in boxes]
        house = gpd.GeoDataFrame(
            {"reason": "house", "hard": True}, geometry=moved, crs=CRS, index=range(len(moved))
        )
        layers = planned({"pulls.max_length": "150 m"}, mains=main, streets=streets, avoid=house)
        assert layers["runs"]["status"].tolist() == ["planned"]
        hit = sum(layers["strings"].intersects(one).sum() for one in house.geometry)
        return int(hit), int((layers["findings"]["rule"] == "string-in-the-way").sum())

    beside = [(x, 5.0, x + 10, 9.0) for x in (-60.0, 95.0, 250.0, 330.0, 460.0)]
    assert meets(*beside) == (0, 0)
    both = [(x, s, x + 4, s + 7.4) for x in (-20.0, 60.0, 200.0, 330.0, 430.0) for s in (0.1, -7.5)]
    hit, told = meets(*both)
    assert hit > 0
    assert told > 0


def test_a_closure_that_reaches_over_a_railway_is_told() -> None:
    rail = gpd.GeoDataFrame(
        {"reason": ["railway"], "hard": [True]},
        geometry=[shapely.box(X - 60, Y - 200, X - 50, Y + 200)],
        crs=CRS,
    )
    layers = planned(
        mains=main_of([(0.0, -2.0), (300.0, -2.0)]),
        streets=street([(-400.0, 0.0), (700.0, 0.0)]),
        avoid=rail,
    )
    closures = layers["closures"]
    over = closures[closures.intersects(rail.geometry.iloc[0])]["closure_id"]
    told = layers["findings"].query("rule == 'closure-over-place'")
    assert set(told["feature"]) == set(over) and len(over)
    assert told["text"].str.contains("(railway)", regex=False).all()


def crowded(settings: dict[str, Any] | None = None, offset: float = 2.0, **streets: Any) -> Any:
    """Plan a main between crossings that may not be blocked: several strings to a pull."""
    crossings = [-70.0, 45.0, 160.0, 275.0, 390.0, 505.0, 620.0]
    said = {"class": ["collector", *["arterial"] * len(crossings)], **streets}
    return planned(
        settings,
        mains=main_of([(0.0, offset), (550.0, offset)]),
        streets=street(
            [(-70.0, 0.0), (620.0, 0.0)],
            *([(x, -200.0), (x, 200.0)] for x in crossings),
            **said,
        ),
    )


# Few pits, so long pulls of many strings, and little room across the street.
MANY = {
    "objective.per_pit": 1e6,
    "street.verge": "0 m",
    "street.string_gap": "1 m",
}


def test_strings_on_the_carriageway_close_their_lane_and_are_priced() -> None:
    """The lane is taken from the first joint fused until the string is in, as closures tell.

    Fusing and pulling are priced; of strings that wait more than a day between a finding tells.
    """
    layers = crowded()
    pulls, closures, waits = layers["pulls"], layers["closures"], []
    assert (pulls["lanes_taken"] == 1).all()
    items = layers["quantities"].query("scope == 'pull' and item == 'lane closed for a day'")
    for pull, item in zip(pulls.itertuples(), items.itertuples(), strict=True):
        days = pull.joints / 8.0 + max(pull.hours / 10.0, 0.5)  # crew.joints_per_day, crew.shift
        assert pull.string_days == pytest.approx(days)
        assert item.ref == pull.pull_id
        assert (item.quantity, item.rate) == pytest.approx((days, 700.0))  # a collector's lane
        (row,) = closures.query("pull_id == @pull.pull_id").itertuples()
        assert (row.lanes_closed, row.lanes_left, row.side) == (1, 0, "against")
        assert row.pit_id == pull.insertion_pit
        tasks = layers["schedule"].query("ref == @pull.pull_id").set_index("task")
        pulled = tasks.loc["pull the carrier in"]
        assert row.first_day == tasks.loc["fuse the strings"]["start_day"]
        assert row.last_day == pytest.approx(pulled["start_day"] + pulled["days"])
        assert row.days == pytest.approx(row.last_day - row.first_day)
        waits.append(row.days - days)
        laid = shapely.union_all(
            layers["strings"].query("pull_id == @pull.pull_id").geometry.to_numpy()
        )
        way = shapely.box(X - 70, Y - 3.5, X + 620, Y + 3.5)
        assert laid.intersection(way).difference(row.geometry).area < 1e-6
        assert row.geometry.bounds[1] >= Y - 1e-6  # the other half of the street stays open
    assert min(waits) > -1e-9  # a string waits where the crew has others to fuse before its pull
    beyond = sum(wait for wait in waits if wait > 1.0)
    (told,) = layers["findings"].query("rule == 'strings-wait'").to_dict("records")
    assert (told["feature"], told["severity"]) == ("R0001", "warning")
    assert f"strings of {sum(wait > 1.0 for wait in waits)} pull" in told["text"]
    assert f"{beyond:.1f} lane-days more than are priced" in told["text"]
    free = crowded({"rates.lane_day": ["collector = 0"], "rates.lane_day_other": 0})
    assert layers["runs"]["cost"].sum() > free["runs"]["cost"].sum() + items["cost"].sum() - 1e-6


def test_strings_in_the_verge_close_nothing() -> None:
    layers = crowded({"pulls.max_length": "150 m"}, offset=6.0)
    assert (layers["pulls"]["lanes_taken"] == 0).all()
    assert len(layers["closures"]) == 0


def test_strings_may_be_kept_from_the_other_side_of_the_street() -> None:
    """So many strings that they need more than their half: taken and priced, or refused."""
    taken = crowded(MANY)
    kept = crowded({**MANY, "street.strings_over_middle": False})
    beyond = taken["pulls"].query("lanes_taken == 2")
    assert len(beyond)
    told = taken["findings"].query("rule == 'strings-beyond-middle'")["feature"]
    assert set(told) <= set(beyond["pull_id"])
    closed = taken["closures"].groupby("pull_id")["side"].agg(lambda sides: " ".join(sorted(sides)))
    assert (closed[beyond["pull_id"]] == "against along").all()
    assert kept["runs"]["status"].tolist() == ["planned"]
    assert (kept["pulls"]["lanes_taken"] == 1).all()
    south = shapely.box(X - 70, Y - 20, X + 620, Y - 1e-6)
    assert not kept["strings"].intersects(south).any()
    assert len(kept["pits"]) > len(taken["pits"])


def test_strings_never_close_every_lane_of_an_arterial() -> None:
    assert (crowded(MANY)["pulls"]["lanes_taken"] == 2).any()
    layers = crowded(MANY, **{"class": "arterial"})
    assert layers["runs"]["status"].tolist() == ["planned"]
    assert (layers["pulls"]["lanes_taken"] == 1).all()


@pytest.mark.parametrize("names", [("Street 0", "Street 1"), ("", "")])
@pytest.mark.parametrize(("aside", "lanes"), [(2.0, 1), (7.0, 0)])
def test_a_pit_in_an_intersection_is_told_to_stand_on_the_other_street_too(
    aside: float, lanes: int, names: tuple[str, str], tmp_path: Path
) -> None:
    """The main ends in the crossing street, where it is tied in; the other end is clear of it.

    Streets without a name are two streets, as those of two names are.
    """
    out = tmp_path / "plan.gpkg"
    layers = geotools.plan(
        settings=PIPE,
        mains=main_of([(0.0, aside), (400.0, aside)]),
        streets=street([(-200.0, 0.0), (700.0, 0.0)], [(0.0, -200.0), (0.0, 200.0)], name=names),
        output=out,
    ).layers
    assert not geotools.verify(out).failed
    told = layers["findings"].query("rule == 'pit-on-crossing-street'")
    pit = layers["pits"].iloc[0]
    assert told["feature"].tolist() == [pit["pit_id"]]
    assert pit["lanes_taken"] == lanes
    closed = layers["closures"].query(f"pit_id == '{pit['pit_id']}' and pull_id == ''")
    assert (len(closed) > 0) == (lanes > 0)
    (text,) = told["text"]
    other, own = names[1] or "a street without a name", names[0] or "the street it is in"
    assert f"stands on {other} too, no lane of which is closed or priced, " in text
    assert (f"1 of {own} is;" if lanes else f"nor any of {own};") in text
    assert told["severity"].tolist() == ["warning"]
    assert "pit-outside-closures" not in set(layers["findings"]["rule"])


def test_what_streets_do_not_say_is_told_with_what_is_taken_instead() -> None:
    roads = street([(-200.0, 0.0), (700.0, 0.0)], [(-200.0, 90.0), (700.0, 90.0)])
    roads = roads.assign(
        **{"class": ["local", None]}, lanes=[0, 2], width_m=[np.nan, 7.0], speed_kmh=[np.nan] * 2
    )
    told = planned(mains=main_of([(0.0, 2.0), (400.0, 2.0)]), streets=roads)["findings"]
    gaps = told.query("rule == 'street-not-on-record'").set_index("feature")["text"]
    assert sorted(gaps.index) == ["class", "lanes", "speed", "width"]
    assert "1 of 2 streets; taken as 2 (street.default_lanes)" in gaps["lanes"]
    assert "taken as 3.3 m for each lane (street.lane_width)" in gaps["width"]
    assert "2 of 2 streets; taken as 50 km/h (street.default_speed)" in gaps["speed"]
    assert "lane-width-doubtful" not in set(told["rule"])


@pytest.mark.parametrize(("lanes", "width"), [(4, 7.0), (2, 2.0), (2, 30.0)])
def test_lanes_that_no_street_has_are_told_and_used(lanes: int, width: float) -> None:
    roads = street([(-200.0, 0.0), (700.0, 0.0)], lanes=lanes, width_m=width)
    told = planned(mains=main_of([(0.0, 0.5), (400.0, 0.5)]), streets=roads)["findings"]
    (text,) = told.query("rule == 'lane-width-doubtful'")["text"]
    assert f"{lanes} lanes in {width:.1f} m of carriageway are {width / lanes:.1f} m each" in text


def _lanes_under(ground: Any, width: float, lanes: int, gap: float = 0.6) -> int:
    """Return the lanes that traffic loses to ground in a street along the axis of x, at Y.

    Of either half what is left beside the ground and the room to it, towards the middle or the
    kerb, holds lanes of 85 % of their width.
    """
    _, south, _, north = ground.bounds
    low, high = south - Y - gap, north - Y + gap
    lane, taken = width / lanes, 0
    for inner, outer in ((low, high), (-high, -low)):
        if outer > 0.05 and inner < width / 2 - 0.05:
            free = max(inner, 0.0), max(width / 2 - outer, 0.0)
            taken += lanes // 2 - max(int(room / (0.85 * lane)) for room in free)
    return taken


MET = list(itertools.product([35.0, 60.0, 90.0], [(7.0, 2), (15.0, 4), (30.0, 4)], [1, -1]))


@pytest.fixture(scope="module")
def met() -> dict[str, Any]:
    """Mains that end in a street they meet at an angle, all planned in one go."""
    mains = []
    for scene, (angle, _, drawn) in enumerate(MET):
        way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        mains.append(moved([tuple(-2.0 * way), tuple(300.0 * way)][::drawn], scene))
    roads = [moved([(-300.0, 0.0), (600.0, 0.0)], scene) for scene in range(len(MET))]
    wide, lanes = zip(*(size for _, size, _ in MET), strict=True)
    return planned(mains=main_of(*mains), streets=street(*roads, width_m=wide, lanes=lanes))


@pytest.mark.parametrize("scene", range(len(MET)), ids=[f"{a}-{s}-{d}" for a, s, d in MET])
def test_a_pit_takes_the_lanes_its_ground_lies_on_whatever_the_angle_of_its_main(
    scene: int, met: dict[str, Any]
) -> None:
    """A main that ends in a street it meets at an angle; the rest lies off all streets."""
    _, (width, lanes), _ = MET[scene]
    layers = met
    ground = in_scene(layers["pit_footprints"], scene).set_index("pit_id").geometry
    west = X + APART * scene - 300
    carriageway = shapely.box(west, Y - width / 2, west + 900, Y + width / 2)
    pits = in_scene(layers["pits"], scene).set_index("pit_id")
    assert len(pits) == len(ground) >= 2
    on = ground.intersects(carriageway.buffer(-0.05))
    assert on.sum() == 1
    for name, pit in pits.iterrows():
        due = _lanes_under(ground[name], width, lanes)
        assert pit["lanes_taken"] == due
        assert (pit["street_name"] == f"Street {scene}") == on[name]
        closed = layers["closures"].query(f"pit_id == '{name}' and pull_id == ''")
        assert closed["lanes_closed"].sum() == due
        held = shapely.union_all(closed.geometry.to_numpy())
        part = ground[name].intersection(carriageway)
        # lanes beside it are narrowed by 15 % at most
        assert due == 0 or held.buffer(0.15 * width / 2).covers(part)
    told = layers["findings"].query("rule == 'pit-aslant-in-street'")["feature"]
    assert told[told.isin(pits.index)].tolist() == pits.index[pits["lanes_taken"] > 0].tolist()
    assert "pit-on-crossing-street" not in set(layers["findings"]["rule"])


@pytest.mark.parametrize("angle", [-60.0, -45.0, 0.0, 45.0, 135.0])
def test_a_street_is_found_under_a_main_across_it_wherever_it_runs(angle: float) -> None:
    """A main of 128 m over the middle of a street 42 m wide, at right angles but for rounding.

    Whole metres: a street to the south-east goes as far south as east, to the last digit.
    """
    way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    ends = np.round(256 * way)
    aside = np.array([-way[1], way[0]])
    layers = planned(
        {"ground.step": "4 m"},
        mains=main_of([tuple(-64.0 * aside), tuple(64.0 * aside)]),
        streets=street([tuple(-ends), tuple(ends)], width_m=42.0, lanes=6),
    )
    places = layers["candidates"]
    in_it = (places["chainage"] - 64.0).abs() < 20.0
    assert in_it.sum() >= 8
    assert (places.loc[in_it, "street_name"] == "Street 0").all()
    assert (places.loc[in_it, "lanes_taken"] > 0).all()


@pytest.mark.parametrize("turned", [1, -1])
def test_a_pit_on_the_slant_of_a_main_across_its_street_closes_its_lanes(
    turned: int, tmp_path: Path
) -> None:
    """Two stretches in line with the street, and 40 degrees across it between them."""
    main = [(0.0, -10.0), (188.0, -10.0), (212.0, 10.0), (400.0, 10.0)]
    road = street(LONG, width_m=30.0, lanes=4)
    out = tmp_path / "plan.gpkg"
    result = geotools.plan(settings=PIPE, mains=main_of(main[::turned]), streets=road, output=out)
    layers = result.layers
    told = layers["findings"].query("rule == 'pit-aslant-in-street'")
    assert told["feature"].tolist() == ["R0001-P2", "R0001-P3"]  # where it leaves, and is back
    assert told["text"].str.contains("1 of its lanes is closed and priced").all()
    assert "pit-on-crossing-street" not in set(layers["findings"]["rule"])
    assert layers["pits"]["lanes_taken"].tolist() == [1, 1, 1, 1]
    assert not geotools.verify(out).failed


@pytest.mark.parametrize("angle", [36.0, 60.0])
def test_where_a_main_leaves_its_street_no_direction_decides_what_its_pits_take(
    angle: float,
) -> None:
    """Runs are led by the compass: turned, the same main is led from its other end."""
    aside = 10.0 / np.tan(np.radians(angle))
    main = [(0.0, -10.0), (200.0 - aside, -10.0), (200.0 + aside, 10.0), (400.0, 10.0)]
    found = []
    for turn in (0.0, 0.7, 2.9, 4.0):
        way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        lines = [list(map(tuple, line @ way)) for line in (np.array(main), np.array(LONG))]
        layers = planned(mains=main_of(lines[0]), streets=street(lines[1], width_m=30.0, lanes=4))
        found.append([layers["runs"]["cost"].sum(), *sorted(layers["closures"]["work_length"])])
    np.testing.assert_allclose(found, np.broadcast_to(found[0], np.shape(found)), rtol=1e-6)


@pytest.mark.parametrize("ends", [True, False])
def test_a_busy_street_that_a_main_ends_in_across_it_is_closed_for_that_alone(ends: bool) -> None:
    """35 degrees across an arterial of 7 m: a pit to receive takes both its lanes."""
    way = np.array([np.cos(np.radians(35.0)), np.sin(np.radians(35.0))])
    line = [tuple(-3.0 * way), tuple(300.0 * way)]
    road = street([(-300.0, 0.0), (300.0, 0.0)], **{"class": "arterial"})
    layers = planned({"pits.receive_in_intersection": ends}, mains=main_of(line), streets=road)
    assert layers["runs"]["status"].tolist() == ["planned" if ends else "no_plan"]
    if ends:
        assert layers["pits"].iloc[0][["role", "lanes_taken"]].tolist() == ["receiving", 2]
    else:
        assert "would close every lane of a street" in layers["runs"]["reason"].iloc[0]


@pytest.mark.parametrize(
    ("word", "drawn", "side"),
    [("along", 1, "along"), ("-1", 1, "against"), ("FT", -1, "along"), ("reverse", -1, "against")],
)
def test_tapers_of_a_one_way_carriageway_lie_where_its_traffic_comes_from(
    word: str, drawn: int, side: str
) -> None:
    """The way of the traffic is told by the line as drawn, whichever way its chain goes."""
    line = [(-300.0, 0.0), (700.0, 0.0)][::drawn]
    layers = planned(mains=main_of([(0.0, 2.0), (300.0, 2.0)]), streets=street(line, oneway=[word]))
    eastbound = (side == "along") == (drawn == 1)
    at_pit = layers["pits"].set_index("pit_id").geometry.x
    rows = layers["closures"].query("pull_id == ''")
    assert len(rows) and (rows["lanes_left"] == 1).all() and set(rows["side"]) == {side}
    for row in rows.itertuples():
        west, _, east, _ = row.geometry.bounds
        x = at_pit[row.pit_id]
        assert (x - west > east - x) == eastbound


@pytest.mark.parametrize(("off", "lanes", "taken"), [(0.0, 3, 2), (0.0, 2, 2), (2.6, 3, 1)])
def test_a_one_way_street_is_one_carriageway(off: float, lanes: int, taken: int) -> None:
    """Lanes of 3.3 m. A pit of 1.65 m in the middle one of three leaves one, that of a side.

    With the room of 0.6 m on either hand it takes 2.85 m: of 9.9 m stay 3.525 m to each side.
    """
    road = street([(-300.0, 0.0), (700.0, 0.0)], lanes=lanes, width_m=3.3 * lanes, oneway="yes")
    layers = planned(mains=main_of([(0.0, off), (300.0, off)]), streets=road)
    pits = layers["pits"].query("role == 'receiving'")
    rows = layers["closures"].query("pull_id == '' and pit_id in @pits.pit_id")
    assert len(rows) == len(pits) and (rows["lanes_closed"] == taken).all()
    assert (rows["lanes_left"] == lanes - taken).all() and (pits["lanes_taken"] == taken).all()
    deep = (rows.bounds["maxy"] - rows.bounds["miny"]).to_numpy()
    # the lanes closed, and what those left give up: at most 15 % each
    assert (deep >= 3.3 * taken - 1e-6).all()
    assert (deep <= 3.3 * (taken + 0.15 * (lanes - taken)) + 1e-6).all()
    mph = 50 / 1.609344  # L = W S^2 / 60, W the width closed: MUTCD table 6B-4
    tapers = deep * mph**2 / 60 if taken < lanes else np.zeros(len(rows))  # shut, it has none
    assert rows["taper"].to_numpy() == pytest.approx(tapers)
    items = layers["quantities"].query("item == 'lane closed for a day' and ref in @pits.pit_id")
    due = taken * pits["days"].to_numpy()
    assert items["quantity"].to_numpy() == pytest.approx(due)
    factor = 1.0 if taken < lanes else 2.0  # rates.full_closure_factor
    assert items["rate"].to_numpy() == pytest.approx(150.0 * factor)


def test_a_word_on_one_way_traffic_nobody_knows_is_a_finding() -> None:
    layers = planned(
        mains=main_of([(0.0, 2.0), (300.0, 2.0)]),
        streets=street([(-300.0, 0.0), (700.0, 0.0)], oneway=["sometimes"]),
    )
    told = layers["findings"].query("rule == 'oneway-not-read'")
    assert len(told) == 1 and "'sometimes'" in told["text"].iloc[0]
    assert (layers["closures"]["lanes_left"] == 0).all()


def test_a_string_that_goes_on_into_a_narrow_street_closes_and_pays_for_it() -> None:
    """A wide street of four lanes that goes on as a narrow one; the main under the middle."""
    streets = street([(-505.0, 0.0), (30.0, 0.0)], [(30.0, 0.0), (1200.0, 0.0)])
    streets = streets.assign(
        **{"class": ["collector", "local"], "lanes": [4, 2], "width_m": [14.1, 6.1]}
    )
    settings = {"pulls.max_length": "600 m"}
    layers = planned(settings, mains=main_of([(-500.0, 0.1), (0.0, 0.1)]), streets=streets)
    (pull,) = layers["pulls"].itertuples()
    closed = layers["closures"].query("pull_id == @pull.pull_id")
    narrow = shapely.box(X + 30, Y - 3.05, X + 1200, Y + 3.05)
    on_road = shapely.union_all(layers["strings"].geometry).intersection(narrow)
    assert on_road.area > 20.0  # the pipe lies along the narrow street
    assert on_road.difference(shapely.union_all(closed.geometry)).area < 1e-3
    assert closed["class"].tolist() == ["local", "local"]
    assert closed["lanes_left"].tolist() == [0, 0]
    assert pull.lanes_taken == 2
    row = layers["quantities"].query("ref == @pull.pull_id and item == 'lane closed for a day'")
    assert row["cost"].iloc[0] > 0


def test_a_string_stops_before_a_busy_street_it_would_close_as_if_it_lay_there_alone() -> None:
    two = [(-505.0, 0.0), (30.0, 0.0)], [(30.0, 0.0), (1200.0, 0.0)]
    streets = street(*two).assign(
        **{"class": ["collector", "primary"], "lanes": [4, 2], "width_m": [14.1, 6.1]}
    )
    settings = {"pulls.max_length": "600 m"}
    layers = planned(settings, mains=main_of([(-500.0, 0.1), (0.0, 0.1)]), streets=streets)
    busy = shapely.box(X + 30, Y - 3.05, X + 1200, Y + 3.05)
    assert not layers["strings"].intersects(busy).any()


def test_the_closure_of_a_pit_whose_sides_lean_is_as_long_as_its_hole() -> None:
    main = main_of([(-400.0, 2.0), (0.0, 2.0)])
    streets = street([(-405.0, 0.0), (900.0, 0.0)])
    settings = {"pits.support": "sloped", "pits.soil": "C"}
    layers = planned(settings, mains=main, streets=streets)
    ground = layers["pit_footprints"].set_index("pit_id").geometry.bounds
    closed = layers["closures"].query("pull_id == ''")
    assert len(closed)
    for row in closed.itertuples():
        hole = ground.loc[row.pit_id]  # the street runs east
        assert row.work_length == pytest.approx(hole["maxx"] - hole["minx"], abs=1e-6)


BENDS = [((-1.0, 2.0), 90.0), ((0.5, -1.0), 60.0), ((-2.0, -1.5), 45.0)]
CORNERS = [(*bend, turned) for bend in BENDS for turned in (1, -1)]


def _round_corner(bend: tuple[float, float], angle: float) -> tuple[Any, Any]:
    """Return a main that crosses from side to side in the corner of its road, and the road."""
    way = np.array([np.cos(np.radians(angle)), -np.sin(np.radians(angle))])
    aside = np.array([way[1], -way[0]])
    off = float(aside @ np.array(bend))
    main = [(-250.0, bend[1]), bend, tuple(250.0 * way + off * aside)]
    return main, [(-300.0, 0.0), (0.0, 0.0), tuple(300.0 * way)]


@pytest.fixture(scope="module")
def cornered(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """All corners planned in one go, a plan that keeps every rule."""
    drawn = [_round_corner(bend, angle) for bend, angle, _ in CORNERS]
    out = tmp_path_factory.mktemp("corners") / "plan.gpkg"
    result = geotools.plan(
        settings={**PIPE, "street.no_block": []},
        mains=main_of(*(moved(main[:: CORNERS[k][2]], k) for k, (main, _) in enumerate(drawn))),
        streets=street(*(moved(road, k) for k, (_, road) in enumerate(drawn))),
        output=out,
    )
    assert not geotools.verify(out).failed
    return dict(result.layers)


@pytest.mark.parametrize("scene", range(len(CORNERS)), ids=[str(corner) for corner in CORNERS])
def test_a_pit_by_a_corner_of_its_street_lies_in_its_closures(
    scene: int, cornered: dict[str, Any]
) -> None:
    """The carriageway is drawn by shapely."""
    bend, angle, _ = CORNERS[scene]
    road = moved(_round_corner(bend, angle)[1], scene)
    layers = cornered
    ground = layers["pit_footprints"].set_index("pit_id").geometry
    (near,) = np.flatnonzero(ground.distance(shapely.Point(X + APART * scene, Y)) < 5)
    pit = ground.index[near]
    line = shapely.LineString([(x + X, y + Y) for x, y in road])
    carriageway = line.buffer(3.5, cap_style="flat", join_style="mitre")
    closed = layers["closures"].query(f"pit_id == '{pit}' and pull_id == ''")
    held = shapely.union_all(closed.geometry.to_numpy()).buffer(0.05)
    assert ground[pit].intersection(carriageway).difference(held).area < 0.01
    assert closed["lanes_closed"].sum() == layers["pits"].set_index("pit_id").lanes_taken[pit] > 0
    assert "pit-outside-closures" not in set(layers["findings"]["rule"])


def test_a_main_askew_in_its_street_takes_the_lanes_its_pit_lies_on() -> None:
    """10 degrees from the one half to the other: a pit 6 m long receives on the middle line."""
    way = np.array([np.cos(np.radians(10.0)), np.sin(np.radians(10.0))])
    line = [tuple(np.array([0.0, -1.6])), tuple(200.0 * way + [0.0, -1.6])]
    layers = planned({"street.lateral_gap": "0 m"}, mains=main_of(line), streets=street(LONG))
    pits = layers["pits"].set_index("pit_id")
    ground = layers["pit_footprints"].set_index("pit_id").geometry
    near = pits.index[pits["chainage"] == 0.0][0]
    assert pits.lanes_taken[near] == _lanes_under(ground[near], 7.0, 2, gap=0.0)


@pytest.mark.parametrize("turned", [1.0, -1.0])
def test_a_pit_beside_a_vertex_of_its_street_takes_the_same_lanes_wherever_north_is(
    turned: float,
) -> None:
    """The street turns away from its main there, across the end of it, by more than is along it.

    Which edge of the street a vertex goes with hangs on which way its chain runs: by the edge
    along the main alone the pit would lie clear of the street.
    """
    line = np.array([(-240.0, 6.5), (16.0, 6.5)]) * turned
    road = np.array([(-300.0, 0.0), (0.0, 0.0), (14.1, 9.8)]) * turned
    layers = planned(mains=main_of(line.tolist()), streets=street(road.tolist(), oneway=["along"]))
    place = layers["candidates"]
    end = shapely.Point(line[1] + [X, Y])
    here = place[place.geometry.distance(end) < 0.1].iloc[0]
    assert here["lanes_taken"] == 1


def test_a_pit_that_goes_on_to_where_its_street_is_wider_is_told(tmp_path: Path) -> None:
    """On the verge by its place, 2.5 m on the carriageway 7 m wider from there on."""
    main = [(-200.0, -4.5), (200.0, -4.5)]
    ends = [(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (300.0, 0.0)]
    road = street(*ends, name=["High Street"] * 2, width_m=[7.0, 14.0], lanes=[2, 4])
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["receiving"]},
        geometry=[shapely.Point(X - 0.5, Y - 4.5)],
        crs=CRS,
    )
    out = tmp_path / "plan.gpkg"
    geotools.plan(settings=PIPE, mains=main_of(main), streets=road, pit_edits=wish, output=out)
    layers = {
        name: gpd.read_file(out, layer=name)
        for name in ("pits", "pit_footprints", "closures", "findings")
    }
    pit = at(layers["pits"].rename(columns={"chainage_m": "chainage"}), 199.5)["pit_id"]
    assert not (layers["closures"]["pit_id"] == pit).any()
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit]
    assert ground.intersection(shapely.box(X, Y - 6.95, X + 300, Y)).area == pytest.approx(
        2.5 * 1.35, rel=0.05
    )
    told = layers["findings"].query("rule == 'pit-outside-closures'")
    assert told["feature"].tolist() == [pit]
    assert "3.4 m\u00b2 more than its closures take" in told["text"].iloc[0]
    assert not geotools.verify(out).failed


def test_a_pit_on_the_outer_corner_of_streets_without_a_name_is_told(tmp_path: Path) -> None:
    """Both legs end in the node: off the ends of their centrelines, on the carriageway's mitre."""
    legs = [(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (0.0, -300.0)]
    main = main_of([(-250.0, 2.9), (2.9, 2.9), (2.9, -250.0)])
    out = tmp_path / "plan.gpkg"
    roads = street(*legs, [(0.0, 0.0), (200.0, 200.0)], name=[""] * 3)
    layers = geotools.plan(
        settings={**PIPE, "street.max_turn": "30 deg"}, mains=main, streets=roads, output=out
    ).layers
    ground = layers["pit_footprints"].set_index("pit_id").geometry
    pit = next(name for name in ground.index if ground[name].distance(shapely.Point(X, Y)) < 6)
    told = layers["findings"].query(f"feature == '{pit}'")["rule"]
    assert {"pit-outside-closures", "pit-on-crossing-street"} & set(told)
    assert not geotools.verify(out).failed


@pytest.mark.parametrize("turned", [1, -1])
def test_a_pit_on_the_outer_corner_of_its_street_at_a_node_is_told(
    turned: int, tmp_path: Path
) -> None:
    """Another street goes straight through the corner: closures along either leg go on in it.

    The carriageway is drawn by shapely; what of the pit no closure takes is the finding's area.
    """
    road = [(-300.0, 0.0), (0.0, 0.0), (0.0, -300.0)]
    main = [(-250.0, 2.0), (2.0, 2.0), (2.0, -250.0)]
    streets = street(
        road[::turned],
        [(-200.0, -200.0), (0.0, 0.0), (200.0, 200.0)],
        name=["High Street", "Cross Street"],
    )
    out = tmp_path / "plan.gpkg"
    settings = {**PIPE, "street.lateral_gap": "0.6 m"}
    layers = geotools.plan(
        settings=settings, mains=main_of(main), streets=streets, output=out
    ).layers
    ground = layers["pit_footprints"].set_index("pit_id").geometry
    pit = next(name for name in ground.index if ground[name].distance(shapely.Point(X, Y)) < 5)
    assert layers["pits"].set_index("pit_id").street_name[pit] == "High Street"
    carriageway = streets.geometry.iloc[0].buffer(3.5, cap_style="flat", join_style="mitre")
    closed = layers["closures"].query(f"pit_id == '{pit}' and pull_id == ''")
    bare = ground[pit].intersection(carriageway)
    bare = bare.difference(shapely.union_all(closed.geometry.to_numpy()).buffer(0.05)).area
    assert bare > 0.2
    told = layers["findings"].query("rule == 'pit-outside-closures'")
    assert told["feature"].tolist() == [pit]
    said = float(told["text"].iloc[0].split(" with ")[1].split()[0])
    assert said == pytest.approx(bare, abs=0.1)
    assert not geotools.verify(out).failed


@pytest.mark.parametrize("turned", [1, -1])
def test_a_pit_past_the_end_of_its_street_on_another_of_its_name_is_told_of_both_it_stands_on(
    turned: int, tmp_path: Path
) -> None:
    """Broad Street goes on as High Street, which the pit's own street, of that name, meets.

    Nearest to the pit is Broad Street; what of it lies on High Street is drawn by shapely.
    """
    on = [(0.0, 0.0), (500.0, -182.0)]
    streets = street(
        [(-500.0, 162.0), (0.0, 0.0)], on[::turned], [(0.0, 0.0), (0.0, 300.0)],
        width_m=[13.0, 6.7, 4.0], lanes=[4, 2, 1], name=["Broad Street", *["High Street"] * 2],
        **{"class": ["collector", "local", "local"]},
    )  # fmt: skip
    out = tmp_path / "plan.gpkg"
    place = [shapely.Point(X - 1.0, Y)]
    wish = gpd.GeoDataFrame({"action": ["fix"], "role": ["receiving"]}, geometry=place, crs=CRS)
    layers = geotools.plan(
        settings=PIPE,
        mains=main_of([(-1.0, 250.0), (-1.0, 0.0)]),
        streets=streets,
        pit_edits=wish,
        output=out,
    ).layers
    (pit,) = layers["pits"][layers["pits"].distance(place[0]) < 1.0].to_dict("records")
    assert (pit["role"], pit["street_name"]) == ("receiving", "High Street")
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit["pit_id"]]
    broad, high, _ = streets.geometry
    assert ground.distance(broad) < ground.distance(high)
    assert ground.intersection(high.buffer(3.35, cap_style="flat")).area > 0.1
    told = layers["findings"].query(f"feature == '{pit['pit_id']}'")["rule"].tolist()
    assert {"pit-outside-closures", "pit-on-crossing-street"} <= set(told)
    assert not geotools.verify(out).failed


def test_a_pit_that_stands_on_the_other_carriageway_of_its_street_too_is_told_so(
    tmp_path: Path,
) -> None:
    """Where a street becomes two of its name, half a pit's width lies by that of the other."""
    streets = street(
        [(-300.0, 0.0), (0.0, 0.0)], [(300.0, 6.0), (0.0, 0.0)], [(0.0, 0.0), (300.0, -6.0)],
        name=["High Street"] * 3, width_m=[10.0, 5.8, 5.8], lanes=[2, 1, 1],
        oneway=["no", "yes", "yes"],
    )  # fmt: skip
    main, wish = [(-100.0, 0.2), (250.0, 0.2)], [shapely.Point(X + 150.0, Y + 0.2)]
    edits = gpd.GeoDataFrame({"action": ["fix"], "role": ["receiving"]}, geometry=wish, crs=CRS)
    layers = geotools.plan(
        settings=PIPE, mains=main_of(main), streets=streets, pit_edits=edits
    ).layers
    (pit,) = layers["pits"][layers["pits"].distance(wish[0]) < 1.0].pit_id
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit]
    on_other = ground.intersection(streets.geometry.iloc[2].buffer(2.9)).area
    assert on_other > 0.5
    told = layers["findings"].query(f"rule == 'pit-outside-closures' and feature == '{pit}'")
    (text,) = told["text"]
    assert "all of it on another carriageway of that name, whose traffic may come" in text
    # 5 cm at either edge of the lanes count for nothing
    assert float(text.split(" with ")[1].split()[0]) == pytest.approx(on_other, abs=0.3)


def test_a_pit_by_a_corner_is_told_of_where_its_closure_folds_over_farther_on(
    tmp_path: Path,
) -> None:
    """The street doubles back 14 m beyond the corner; shapely tells what of the pit is bare."""
    road = [
        (170.0, -57.0),
        (5.97, 5.15),
        (-0.6, -7.84),
        (0.56, -2.75),
        (-6.7, 3.75),
        (-150.0, 130.0),
    ]
    main = [(0.75, 0.57), (4.7, 8.4), (200.0, -65.1)]
    streets = street(road, width_m=6.7, name=["High Street"])
    out = tmp_path / "plan.gpkg"
    layers = geotools.plan(settings=PIPE, mains=main_of(main), streets=streets, output=out).layers
    (pit,) = layers["pits"][layers["pits"].distance(shapely.Point(X + 4.7, Y + 8.4)) < 1.0].pit_id
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit]
    closed = layers["closures"].query(f"pit_id == '{pit}' and pull_id == ''").geometry
    carriageway = streets.geometry.iloc[0].buffer(3.0, cap_style="flat")
    bare = ground.intersection(carriageway).difference(closed.union_all().buffer(0.3)).area
    assert bare > 0.1
    assert pit in layers["findings"].query("rule == 'pit-outside-closures'")["feature"].tolist()
    assert not geotools.verify(out).failed


@pytest.mark.parametrize(("aside", "told"), [(4.3, True), (3.9, False)])
def test_a_pit_on_its_street_only_where_that_has_another_name_is_told(
    aside: float, told: bool, tmp_path: Path
) -> None:
    """High Street turns north as Low Street; the main ends on that, in the verge of High Street.

    So near to High Street that its ground lies over that kerb, too, the pit is in it.
    """
    streets = street(
        [(-300.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (0.0, 300.0)], name=["High Street", "Low Street"]
    )
    main = main_of([(-250.0, aside), (-1.0, aside)])
    out = tmp_path / "plan.gpkg"
    layers = geotools.plan(settings=PIPE, mains=main, streets=streets, output=out).layers
    pit = at(layers["pits"], 249.0)
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit["pit_id"]]
    high, low = (line.distance(ground) for line in streets.geometry)
    assert pit["street_name"] == "High Street"
    assert low < 3.4 and (high > 3.5) == told
    found = layers["findings"].query("rule == 'pit-on-crossing-street'")
    assert found["feature"].tolist() == [pit["pit_id"]] * told
    assert found["text"].str.contains("stands on Low Street, which goes on as High Street").all()
    assert not geotools.verify(out).failed


@pytest.mark.parametrize("turned", [1, -1])
def test_strings_of_a_two_way_pit_in_a_bend_begin_where_its_own_ramp_ends(
    turned: int, tmp_path: Path
) -> None:
    """The run turns again 2.5 m on, in the pit: the ramp goes straight back from its edge there."""
    legs = np.radians([0.0, 45.0, 55.0])
    unit = np.stack([np.cos(legs), np.sin(legs)], axis=1)
    inner = 2.5 * unit[1]
    line = [tuple(-300.0 * unit[0]), (0.0, 0.0), tuple(inner), tuple(inner + 300.0 * unit[2])]
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_both"]}, geometry=[shapely.Point(X, Y)], crs=CRS
    )
    out = tmp_path / "plan.gpkg"
    result = geotools.plan(
        settings={**PIPE, "ground.survey_accuracy": "0.01 m"},
        mains=main_of(line[::turned]),
        pit_edits=wish,
        output=out,
    )
    layers = result.layers
    pit = layers["pits"].query("role == 'insertion_both'").iloc[0]
    axis = layers["runs"].geometry.iloc[0]
    edges = pit["chainage"] - pit["before"], pit["chainage"] + pit["after"]
    for pull in layers["pulls"].query(f"insertion_pit == '{pit['pit_id']}'").itertuples():
        ahead = pull.direction == "ahead"
        face, back = (edges[1], -1.0) if ahead else (edges[0], 1.0)
        near, far = (np.array(axis.interpolate(at).coords[0]) for at in (face, face - back * 5.0))
        straight = (near - far) / np.hypot(*(near - far))
        # level ground: both ramps are as long
        top = near + (pit["ramp"] + pit["after" if ahead else "before"]) * straight
        strings = layers["strings"].query(f"pull_id == '{pull.pull_id}' and number == 1")
        xy = shapely.get_coordinates(strings.geometry.iloc[0])
        start = (xy[0] + xy[-2]) / 2
        assert start == pytest.approx(top, abs=0.02)
    assert not geotools.verify(out).failed


def test_stiff_strings_begin_no_nearer_to_a_corner_than_they_can_turn() -> None:
    """The street turns by 40 deg behind the pits: PVC of R 94.5 m swings out by R (1 - cos a).

    That is 22.1 m at once and 7.5 m, half of carriageway and verge, from 22.7 m on.
    """
    turn, radius, half = np.radians(40.0), 300 * 0.315, 3.5 + 4.0
    least = (radius * (1 - np.cos(turn)) - half) / np.sin(turn)
    legs = [(d * np.cos(turn), d * np.sin(turn)) for d in (25.0, 300.0, 450.0)]
    scene = {
        "mains": main_of(legs[:2]),
        "streets": street([(-250.0, 0.0), (0.0, 0.0), legs[2]]),
    }
    soft, stiff = (
        planned(pipe, **scene)["candidates"]
        for pipe in (
            {},
            {"carrier.nominal": "315 mm", "carrier.material": "PVC-U", "carrier.dr": 26},
        )
    )
    for places, nearest in ((soft, 0.0), (stiff, least)):
        top = 25.0 + places["chainage"] - places["before_insertion_ahead"]  # past the corner
        room = places["string_room_ahead"]
        near = (top > 0.0) & (top < nearest - 0.5)
        assert (room[near] <= top[near] + 0.5).all()
        assert (room[top > nearest + 0.5] > top[top > nearest + 0.5] + 200.0).all()
        assert near.any() == (nearest > 0.0)
    refused = stiff["reasons"].str.contains("cannot turn from the ramp into the street")
    assert refused.any()
    assert not soft["reasons"].str.contains("cannot turn from the ramp").any()


def test_strings_that_cannot_turn_from_their_ramp_as_it_is_dug_are_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:

    scene = {"mains": main_of([(0.0, 2.0), (350.0, 2.0)]), "streets": street(LONG)}
    rule = "rule == 'string-too-stiff'"
    assert planned(**scene)["findings"].query(rule).empty
    monkeypatch.setattr(
        "geotools.layout.works.turned_into", lambda lies, *_, **__: np.zeros(len(lies.chain))
    )
    layers = planned(**scene)
    assert set(layers["findings"].query(rule)["feature"]) == set(layers["pulls"]["pull_id"])


@pytest.mark.parametrize(("code", "east", "north"), [(5513, 0, 700_000), (2052, 6_500_000, -77)])
def test_a_plan_is_the_same_in_a_crs_with_axes_south_and_west(
    code: int, east: float, north: float
) -> None:
    """Closures lie on the half of the street they take, whatever way the CRS counts.

    The scene is set down where the CRS is made for, in the UTM zone of the place and in the CRS.
    """
    zone = 32633 if code == 5513 else 32735
    away = (east, north) if code == 5513 else (0.0, 2_300_000.0)
    line = [(0.0, 2.0), (400.0, 2.0)]

    def moved(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return layer.set_geometry(layer.translate(*away)).set_crs(zone, allow_override=True)

    given = {"mains": moved(main_of(line)), "streets": moved(street(LONG))}
    true = planned(**given)
    other = planned(**{name: layer.to_crs(code) for name, layer in given.items()})
    for name in ("closures", "pit_footprints", "strings"):
        one, two = true[name].geometry, other[name].set_crs(code).to_crs(zone).geometry
        assert len(one) == len(two) > 0
        assert all(one.distance(place).min() < 0.5 for place in two.centroid)
        assert two.area.to_numpy() == pytest.approx(one.area.to_numpy(), rel=5e-3)


@pytest.mark.parametrize(
    ("crs", "x", "y", "settings", "told"),
    [
        (27700, 430_000, 280_000, {}, True),  # Coventry
        (27700, 430_000, 280_000, {"street.keep_right": False}, False),
        (27700, 430_000, 280_000, {"street.keep_right": True}, False),
        (25833, 390_000, 5_820_000, {}, False),  # Berlin
    ],
)
def test_that_traffic_was_taken_to_keep_to_the_right_is_told_where_it_does_not(
    crs: int, x: float, y: float, settings: dict[str, Any], told: bool
) -> None:
    def moved(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return layer.set_geometry(layer.translate(x - X, y - Y)).set_crs(crs, allow_override=True)

    line = [(0.0, 2.0), (400.0, 2.0)]
    findings = planned(settings, mains=moved(main_of(line)), streets=moved(street(LONG)))[
        "findings"
    ]
    rows = findings[findings["rule"] == "traffic-side-assumed"]
    assert len(rows) == int(told)
    assert rows["text"].str.contains("street.keep_right = false").all()


def test_traffic_on_no_streets_is_no_matter() -> None:
    main = main_of([(0.0, 2.0), (400.0, 2.0)])
    main = main.set_geometry(main.translate(430_000 - X, 280_000 - Y))
    findings = planned(mains=main.set_crs(27700, allow_override=True))["findings"]
    assert (findings["rule"] != "traffic-side-assumed").all()


@pytest.mark.parametrize(
    ("off", "streets", "place"),
    [
        (0.0, [((-400.0, 800.0), 21.0, 6)], "in-open-lane"),  # all lanes past it stay, narrowed
        (6.6, [((-400.0, 1.0), 7.0, 2), ((1.0, 800.0), 15.0, 4)], "outside-closures"),
        (8.2, [((-400.0, 1.0), 10.0, 3), ((1.0, 800.0), 17.5, 5)], "outside-closures"),
    ],
)
def test_a_pit_in_lanes_that_nothing_closes_is_told_wherever_it_lies_in_them(
    tmp_path: Path, off: float, streets: list[tuple[tuple[float, float], float, int]], place: str
) -> None:
    """By hand: the ground less the closures, on carriageway less 5 cm, is told of or is nothing."""
    lines = [[(low, 0.0), (high, 0.0)] for (low, high), _, _ in streets]
    wide, lanes = [width for _, width, _ in streets], [count for _, _, count in streets]
    out = tmp_path / "plan.gpkg"
    oneway = "yes" if len(streets) > 1 else ""
    layers = geotools.plan(
        mains=main_of([(0.0, off), (300.0, off)]),
        streets=street(*lines, width_m=wide, lanes=lanes, name="B", oneway=oneway),
        settings=PIPE,
        output=out,
    ).layers
    road = shapely.union_all(
        [
            shapely.LineString([(x + X, y + Y) for x, y in line]).buffer(
                width / 2 - 0.05, cap_style="flat"
            )
            for line, width in zip(lines, wide, strict=True)
        ]
    )
    closed = layers["closures"].groupby("pit_id")["geometry"].agg(shapely.union_all)
    told = layers["findings"].query("layer == 'pits' and severity == 'warning'")
    bare = {
        pit: shapely.area(
            shapely.difference(ground.intersection(road), closed.get(pit, shapely.Point()))
        )
        for pit, ground in layers["pit_footprints"].set_index("pit_id")["geometry"].items()
    }
    open_ = {pit for pit, area in bare.items() if area > 0.1}
    assert open_
    assert open_ <= set(told["feature"])
    assert (told["rule"] == f"pit-{place}").any()
    assert not geotools.verify(out).failed


def test_streets_that_are_there_twice_make_no_intersections_of_their_joints() -> None:
    mains = main_of([(0.0, 2.0), (600.0, 2.0)])
    joints = range(-200, 800, 100)
    lines = [[(x, 0.0), (x + 100.0, 0.0)] for x in joints]
    once = street(*lines, name=["Main"] * len(lines))
    twice = gpd.GeoDataFrame(pd.concat([once, once.iloc[::-1]], ignore_index=True), crs=CRS)
    plans = [planned(mains=mains, streets=streets) for streets in (once, twice)]
    for name in ("pits", "pulls"):
        one, other = (plan[name] for plan in plans)
        assert one.shape == other.shape
        assert one["cost"].tolist() == pytest.approx(other["cost"].tolist())
        assert shapely.equals_exact(one.geometry, other.geometry, 1e-6).all()
    rules = plans[1]["findings"]["rule"]
    assert (rules == "duplicate-street").sum() == len(once)


@pytest.mark.parametrize("back", [False, True])
def test_an_elbow_at_the_end_of_a_curve_is_held_against_the_pipe(back: bool) -> None:
    """Turns of 6 deg every 15 m and one of 11.4 deg: the last three legs turn 23.4 deg and more.

    Of an arc of 143 m, 15 m / 6 deg, no drawing to 0.1 m has an end that turns so much.
    """
    way = np.radians(np.cumsum([0.0] + [6.0] * 6 + [11.4]))
    legs = np.array([150.0] + [15.0] * 6 + [150.0])
    steps = legs[:, None] * np.stack([np.cos(way), np.sin(way)], axis=1)
    line = [(0.0, 0.0), *map(tuple, np.cumsum(steps, axis=0))]
    mains = main_of(line[::-1] if back else line)
    bends = planned(mains=mains)["bends"]
    (curve,) = bends[bends["kind"] == "curve"]["axis_radius"]
    whole = (6 * 15.0 + 7.5) / np.radians(5 * 6.0 + 11.4)
    assert curve < min(whole, 0.97 * 15.0 / np.radians(6.0))
