"""What a pit takes: lanes, days, money, earth; and what its ground meets."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine

import geotools
from geotools.brief import Brief
from geotools.intake.columns import Areas
from geotools.layout.rules import pit_rules, site_rates
from geotools.network.cells import Points
from geotools.siting.ground_checks import (
    Avoid,
    avoid_tree,
    avoided,
    hard_places,
    near_crossings,
    nearest_gap,
    off_street_area,
)
from geotools.siting.grounds import Grounds
from geotools.siting.refusals import AVOID, DEEP, RAMP, reason_texts, refusal_words, role_names
from geotools.siting.works import (
    SiteRates,
    WorkRates,
    lane_day,
    lanes_taken,
    of_classes,
    pit_days,
    site_cost,
    supported_face,
    traffic_cost,
)
from geotools.street.lanes import Passage
from geotools.street.scene import StreetGround
from tests.siting.drawn import grounds_of

X, Y, CRS = 500_000.0, 4_800_000.0, 32633
RATES = SiteRates(
    setup=(9.0, 14.0, 14.0, 18.0),
    intersection_factor=3.0,
    excavation=2.0,
    restoration=5.0,
    open_laying=7.0,
    off_street=11.0,
    support=13.0,
    tie_in=15.0,
    temporary_service=17.0,
    connection_in_pit=19.0,
    valve_in_pit=23.0,
    at_end=29.0,
    lane_day={"arterial": 100.0},
    lane_day_other=10.0,
    full_closure_factor=2.0,
)

PASSAGE = Passage(gap=0.6, share=0.85)
UNKNOWN = np.full((1, 2), np.nan)


def street(
    offset: float, width: float, lanes: float, kind: str = "local", oneway: float = 0.0
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "street_offset": [offset],
            "street_width": [width],
            "street_lanes": [lanes],
            "street_oneway": [oneway],
            "street_class": [kind],
        }
    )


@pytest.mark.parametrize(
    ("offset", "width", "lanes", "taken", "left"),
    [
        (6.0, 7.0, 2, 0, 2),  # on the verge
        (3.0, 7.0, 2, 1, 1),  # at the kerb: the other lane stays
        (0.0, 7.0, 2, 2, 0),  # in the middle of two lanes
        (0.0, 14.0, 4, 2, 2),  # in the middle of four: the outer lanes stay
        (-6.0, 14.0, 4, 1, 3),
        (3.5, 14.0, 4, 2, 2),  # astride the line of two lanes: both
        (0.0, 17.5, 5, 1, 4),  # over the middle one of five
        (0.0, 10.5, 3, 1, 2),
        (-1.2, 4.0, 1, 1, 0),  # one lane for all
        (np.nan, np.nan, np.nan, 0, 0),  # no street at all
    ],
)
def test_lanes_taken_are_those_there_is_no_room_for_beside_the_pit(
    offset: float, width: float, lanes: float, taken: int, left: int
) -> None:
    got = lanes_taken(street(offset, width, lanes), np.array([0.75]), UNKNOWN, PASSAGE)
    assert got.taken[0].tolist() == [taken] * 4
    assert got.left[0].tolist() == [left] * 4


@pytest.mark.parametrize(("lanes", "taken"), [(2, 2), (3, 2), (5, 3)])
def test_of_a_one_way_street_the_lanes_to_one_side_of_the_pit_stay(lanes: int, taken: int) -> None:
    """Half way across lanes of 3.3 m, 2.7 m with the room: to each side stay 1.95, 3.6, 6.9 m."""
    table = street(0.0, 3.3 * lanes, lanes, oneway=-1.0)
    got = lanes_taken(table, np.array([0.75]), UNKNOWN, PASSAGE)
    assert got.taken[0].tolist() == [taken] * 4
    assert got.left[0].tolist() == [lanes - taken] * 4


def test_a_ramp_that_goes_straight_on_across_a_curved_street_takes_the_lanes_it_crosses() -> None:
    tops = np.array([[-2.0, 2.5]])
    got = lanes_taken(street(2.0, 7.0, 2), np.array([0.75]), tops, PASSAGE)
    assert got.taken[0].tolist() == [1, 2, 1, 2]
    assert got.low[0].tolist() == pytest.approx([1.25, -2.75, 1.25, -2.75])
    assert got.high[0].tolist() == pytest.approx([2.75, 2.75, 3.25, 3.25])


def test_days_and_costs_are_the_sums_of_their_parts() -> None:
    one = np.array([[1.0, 2.0, 3.0, 4.0]])
    work = WorkRates(pit_days=2.0, tie_in_days=1.5, dig_per_day=10.0, restore_per_day=4.0)
    assert pit_days(10 * one, 4 * one, work)[0] == pytest.approx(3.5 + 2 * one[0])
    got = site_cost(one, 10 * one, 4 * one, 0.5 * one, 3 * one, RATES)[0]
    assert got == pytest.approx(np.array(RATES.setup) + one[0] * (7 + 20 + 20 + 5.5 + 39))


def test_the_face_of_a_box_goes_round_it_as_deep_as_it_is_dug() -> None:
    deep = np.array([2.0, 4.0])
    got = supported_face(10.0 * 1.5 * deep, np.full(2, 1.5), 2 * deep)
    assert got.tolist() == [46.0, 92.0]


def test_a_street_left_without_a_lane_costs_its_factor() -> None:
    days = np.full((1, 4), 3.0)
    half = lanes_taken(street(3.0, 7.0, 2), np.array([0.75]), UNKNOWN, PASSAGE)
    whole = lanes_taken(street(0.0, 7.0, 2), np.array([0.75]), UNKNOWN, PASSAGE)
    kind = np.array(["arterial"], dtype=object)
    assert traffic_cost(kind, half, days, RATES)[0, 0] == pytest.approx(100 * 1 * 3)
    assert traffic_cost(kind, whole, days, RATES)[0, 0] == pytest.approx(100 * 2 * 3 * 2)
    other = np.array(["lane"], dtype=object)
    assert traffic_cost(other, half, days, RATES)[0, 0] == pytest.approx(10 * 1 * 3)


@pytest.mark.parametrize(
    ("layer", "brief"), [("ANAYOL İÇİ", "Anayol İçi"), ("ΛΕΩΦΟΡΟΣ", "Λεωφόρος")]
)
def test_a_class_in_capitals_of_any_language_is_busy_and_costs_what_the_brief_says(
    layer: str, brief: str
) -> None:
    settings = Brief.model_validate(
        {"street": {"no_block": [brief]}, "rates": {"lane_day": [f"{brief} = 5000"]}}
    )
    classes = np.array([layer, brief, "other", None], dtype=object)
    none, one = np.zeros((4, 1), dtype=np.int64), np.ones((4, 1), dtype=np.int64)
    rate = lane_day(classes, none, one, site_rates(settings))[:, 0]
    assert rate.tolist() == [5000.0, 5000.0, *[settings.rates.lane_day_other] * 2]
    busy = of_classes(classes, pit_rules(settings).busy)
    assert busy.tolist() == [True, True, False, False]


def boxes(*corners: tuple[float, float, float, float]) -> Grounds:
    """Return one pit a candidate, the same in every role."""
    return grounds_of(np.repeat(shapely.box(*np.array(corners).T)[:, None], 4, axis=1))


def test_a_pit_near_the_middle_of_an_intersection_is_seen() -> None:
    ground = boxes((0, 0, 4, 2), (20, 0, 24, 2))
    crossing = np.array([[10.0, 1.0]])
    points = Points(crossing)
    assert near_crossings(ground, points, 6.5)[:, 0].tolist() == [True, False]
    assert near_crossings(ground, None, 6.5).any() == near_crossings(ground, points, 0.0).any()
    assert nearest_gap(np.array([[7.0, 5.0]]), points)[0] == pytest.approx(5.0)


def areas(**columns: Any) -> Areas:
    said = {"hard": 1.0, "weight": np.nan, "buffer": np.nan, "reason": "", **columns}
    return Areas(pd.DataFrame(said), np.array([shapely.box(10, 0, 20, 10)], dtype=object))


def avoids(**columns: Any) -> Avoid | None:
    return avoid_tree(areas(**columns), unsaid=2.0)


@pytest.mark.parametrize("hard", [1.0, np.nan])
def test_a_hard_place_refuses_and_what_is_not_said_is_hard(hard: float) -> None:
    ground = boxes((0, 0, 9, 2), (12, 0, 14, 2))
    hit, factor, named = avoided(ground, avoids(hard=[hard], reason=["river"]))
    assert hit[:, 0].tolist() == [False, True]
    assert named[:, 0].tolist() == ["", "river"]
    assert (factor == 1).all()
    assert len(hard_places(areas(hard=[hard])).shapes) == 1


@pytest.mark.parametrize(
    ("reasons", "told"),
    [
        (["river", "bank"], "bank\nriver"),
        (["bank", "river"], "bank\nriver"),
        (["bank", "bank"], "bank"),
        (["", "bank"], "bank\nunnamed"),
        (["bank", ""], "bank\nunnamed"),
        (["bank", None], "bank\nunnamed"),
        (["", None], ""),
    ],
)
def test_of_several_hard_places_all_are_told_in_an_order_that_is_not_that_of_the_layer(
    reasons: list[str | None], told: str
) -> None:
    both = np.array([shapely.box(10, 0, 20, 10), shapely.box(11, 0, 21, 10)], dtype=object)
    said = {"hard": 1.0, "weight": np.nan, "buffer": np.nan, "reason": reasons}
    tree = avoid_tree(Areas(pd.DataFrame(said), both), unsaid=2.0)
    named = avoided(boxes((12, 0, 14, 2)), tree)[2]
    assert named[0].tolist() == [told] * 4
    words = refusal_words(AVOID, {}, street="", places=list(named[0]))
    shown = ", ".join(filter(None, told.split("\n")))
    assert words == f"in a place to avoid{shown and f' ({shown})'} [layer avoid]"


def test_a_soft_place_costs_its_weight_and_a_buffer_widens_it() -> None:
    ground = boxes((0, 0, 9, 2), (12, 0, 14, 2))
    hit, factor, _ = avoided(ground, avoids(hard=[0.0], weight=[3.0], buffer=[2.0]))
    assert not hit.any()
    assert factor[:, 0].tolist() == [3.0, 3.0]
    assert avoided(ground, avoids(hard=[0.0]))[1][:, 0].tolist() == [1.0, 2.0]
    unsaid = avoid_tree(areas(hard=[0.0]), unsaid=1.5)
    assert avoided(ground, unsaid)[1][:, 0].tolist() == [1.0, 1.5]


def test_ground_off_the_street_is_what_lies_outside_carriageway_and_verge() -> None:
    ground = boxes((0, 0, 10, 2), (0, 4, 10, 6), (0, 0, 10, 2))
    lines = shapely.linestrings([[(-5.0, 0.0), (2.0, 0.0)], [(1.0, 1.0), (4.0, 1.0)]])
    half = np.array([3.0, 1.0])
    streets = StreetGround(shapely.get_coordinates(lines), np.array([0, 2, 4]), half)
    area = ground.area(np.ones((3, 4), dtype=bool))
    leaves = np.array([[True] * 4, [True] * 4, [False] * 4])
    got = off_street_area(ground, streets, area, leaves, np.array([True, True, True]))[:, 0]
    whole = shapely.union_all(shapely.buffer(lines, half))
    wanted = [g.difference(whole).area for g in ground.draw(np.arange(2), np.zeros(2, int))]
    assert 0 < wanted[0] < 20.0 == wanted[1]
    assert got == pytest.approx([*wanted, 0.0])
    off = off_street_area(ground, streets, area, leaves, np.zeros(3, bool))[:, 0]
    assert off == pytest.approx(20.0)


def test_streets_are_found_wherever_they_are_asked_for() -> None:
    rng = np.random.default_rng(3)
    start = rng.uniform(0, 4_000, (400, 2))
    xy = np.stack([start, start + rng.uniform(-300, 300, (400, 2))], axis=1)
    lines, half = shapely.linestrings(xy), rng.uniform(2, 9, 400)
    streets = StreetGround(xy.reshape(-1, 2), 2 * np.arange(401), half)
    for middle in ((600, 600), (3_400, 800), (620, 620), (2_000, 2_000)):
        places = rng.uniform(-400, 400, (60, 2)) + middle
        shapes = shapely.buffer(shapely.points(places), 20)
        pit, street = streets.near(shapes)
        near = shapely.dwithin(shapes[:, None], lines[None, :], half.max())
        assert len(pit) and (np.stack([pit, street]) == np.stack(np.nonzero(near))).all()
        due = shapely.buffer(lines[street], half[street])
        assert shapely.equals_identical(streets.polygons(street), due).all()
        again = streets.afresh().near(shapes)
        assert (again[0] == pit).all() and (again[1] == street).all()
    none = StreetGround(np.zeros((0, 2)), np.zeros(1, dtype=np.int64), np.zeros(0))
    assert not len(none.near(shapes)[0])


def test_reasons_name_the_roles_the_limits_and_the_place() -> None:
    code = np.array([[0, DEEP | RAMP, DEEP, DEEP], [AVOID] * 4])
    places = np.array([[""] * 4, ["river\nunnamed"] * 4], dtype=object)  # the first is enough
    limits = {"max_depth": "5.0 m", "clear": "", "max_slope": "", "least_string": ""}
    why, streets = np.array(["fitting", ""], object), np.array(["", ""], object)
    soft = np.array([[True, False, False, False], [False] * 4])
    texts = reason_texts(why, code, places, streets, np.zeros((2, 4), bool), soft, limits)
    assert texts[0] == (
        "for: fitting; against as insertion_ahead, insertion_behind, insertion_both: deeper than "
        "5.0 m; against as insertion_ahead: too deep for the ramp at the carrier's bending radius; "
        "at a price: in a place better left free as receiving"
    )
    assert texts[1] == "against: in a place to avoid (river)"
    assert role_names(code).tolist() == ["receiving", ""]


def test_the_excavation_of_a_pit_is_the_integral_of_its_depth_over_the_terrain(
    tmp_path: Path,
) -> None:
    """Ground falls 4 % along a level main; the pit is dug to the bedding below the host."""
    x = X - 50 + 5 * (np.arange(80) + 0.5)
    ground = np.repeat((98.0 - 0.04 * (x - X))[None, :], 20, axis=0).astype("float64")
    dem = tmp_path / "dem.tif"
    with rasterio.open(
        dem, "w", driver="GTiff", width=80, height=20, count=1, dtype="float64", crs=CRS,
        transform=Affine(5, 0, X - 50, 0, -5, Y + 50), nodata=-9999,
    ) as raster:  # fmt: skip
        raster.write(ground, 1)
        raster.set_band_unit(1, "metre")
    main = gpd.GeoDataFrame(
        {
            "main_id": ["M"],
            "diameter_mm": [450.0],
            "bore_mm": [450.0],
            "invert_start_m": [95.0],
            "invert_end_m": [95.0],
        },
        geometry=[shapely.LineString([(X, Y), (X + 60, Y)])],
        crs=CRS,
    )
    layers = geotools.plan(
        mains=main,
        dem=str(dem),
        settings={"pulls.max_length": "40 m", "service.least_capacity": 0},
    ).layers
    inner = layers["pits"].iloc[1:-1]
    assert len(inner)
    for pit in inner.itertuples():
        along = np.linspace(pit.chainage - pit.before, pit.chainage + pit.after, 2001)
        depth = (98.0 - 0.04 * along) - 95.0 + 0.15
        assert pit.volume == pytest.approx(pit.width * np.trapezoid(depth, along), rel=1e-6)


def _straight(**settings: Any) -> dict[str, Any]:
    main = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [2.0]},
        geometry=[shapely.LineString([(X, Y), (X + 300, Y)])],
        crs=CRS,
    )
    said = {key.replace("__", "."): value for key, value in settings.items()}
    return dict(geotools.plan(mains=main, settings={"service.least_capacity": 0, **said}).layers)


@pytest.mark.parametrize(("soil", "slope"), [("B", 1.0), ("C", 1.5)])
def test_sloped_sides_lean_as_table_b1_says_and_take_the_prismoidal_volume(
    soil: str, slope: float
) -> None:
    """29 CFR 1926 Subpart P, table B-1: B 1:1, C 1.5:1; V by the prismoidal formula."""
    shored = _straight()
    sloped = _straight(pits__support="sloped", pits__soil=soil)
    upright, leaning = shored["candidates"], sloped["candidates"]
    assert len(upright) == len(leaning)
    pit = sloped["pits"].iloc[1]
    assert pit["side_slope"] == slope
    deep, width = 2.45 + 0.15, pit["width"]
    assert pit["role"] == "receiving"
    long = pit["length"]
    at_top = (width + 2 * slope * deep) * (long + 2 * slope * deep)
    assert pit["area"] == pytest.approx(at_top, rel=1e-6)
    half = (width + slope * deep) * (long + slope * deep)
    assert pit["volume"] == pytest.approx(deep / 6 * (width * long + 4 * half + at_top))
    faces = sloped["quantities"].query("item == 'shored face' and scope == 'pit'")["quantity"]
    assert (faces == 0).all()


def test_a_pit_deeper_than_twenty_feet_is_an_engineers() -> None:
    deep = _straight(pits__max_depth="12 m", ground__assumed_cover="2 m")
    assert not (deep["findings"]["rule"] == "engineered-excavation").any()
    main = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [6.0]},
        geometry=[shapely.LineString([(X, Y), (X + 300, Y)])],
        crs=CRS,
    )
    layers = geotools.plan(
        mains=main, settings={"pits.max_depth": "12 m", "service.least_capacity": 0}
    ).layers
    rules = layers["findings"]["rule"]
    assert (rules == "engineered-excavation").sum() == len(layers["pits"]) > 0


def test_a_pit_keeps_its_set_back_from_a_hard_place() -> None:
    ground = boxes((0, 0, 9.5, 2))
    assert not avoided(ground, avoids(hard=[1.0]))[0].any()
    assert avoided(ground, avoids(hard=[1.0]), setback=0.6)[0].all()
