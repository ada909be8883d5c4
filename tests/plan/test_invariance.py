"""How the mains were drawn is no matter: direction, splits, order, where north is.

The ground is a plane, in a raster that holds it exactly at any orientation, so that a turned
district has the same levels.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

import geotools

CRS = "EPSG:32633"
MIDDLE = np.array([512_345.678, 4_812_345.678])
CLEAR = 0.505  # m; a main is split no nearer to its ends than the snap tolerance of 0.5 m
SETTINGS = {
    "pulls.max_length": "420 m",
    "pulls.friction": 0.4,
    "carrier.system": "METRIC",
    "carrier.material": "PE100",
}
# Every example plans the district anew, 1 s or more: the gate takes a few, a campaign as many as
# wanted.
EXAMPLES = int(os.environ.get("SLIPMAIN_EXAMPLES", "3"))
few = settings(
    max_examples=EXAMPLES,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.explicit, Phase.generate],  # no shrinking, which takes minutes
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@dataclass(frozen=True)
class District:
    """Layers around the middle, and the plane of the ground: level there, slopes east, north."""

    mains: gpd.GeoDataFrame
    fittings: gpd.GeoDataFrame
    laterals: gpd.GeoDataFrame
    streets: gpd.GeoDataFrame
    avoid: gpd.GeoDataFrame
    slope: tuple[float, float] = (0.0121, -0.0173)
    origin: tuple[float, float] = (float(MIDDLE[0]), float(MIDDLE[1]))

    LAYERS = ("mains", "fittings", "laterals", "streets", "avoid")


def frame(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    table = gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS)
    table["geometry"] = shapely.transform(table.geometry.to_numpy(), lambda xy: xy + MIDDLE)
    return table


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString(points)


def arc(
    start: tuple[float, float], heading: float, radius: float, turn: float, steps: int
) -> list[tuple[float, float]]:
    """Return vertices of an arc that turns left by an angle in degrees.

    They are evenly spaced: two of them are equally far from a chord of the arc, and rounding
    may not decide which of them thinning keeps.
    """
    along = np.radians(np.linspace(0.0, turn, steps + 1))
    first = np.radians(heading)
    x = start[0] + radius * (np.sin(first + along) - np.sin(first))
    y = start[1] - radius * (np.cos(first + along) - np.cos(first))
    return list(zip(x.tolist(), y.tolist(), strict=True))


CURVE = arc((13.7, 4.1), 3.3, 260.0, 41.0, 14)
TAIL = (CURVE[-1][0] + 190.3, CURVE[-1][1] + 171.9)


def mains() -> gpd.GeoDataFrame:
    """Four runs: a trunk with bends and a curve, two branches, one with levels on record.

    Where the trunk bends at the southern branch its two mains lie at unlike depths.
    """

    def main(name: str, size: float, shape: Any, **rest: Any) -> dict[str, Any]:
        blank = {"cover_m": 1.37, "invert_start_m": np.nan, "invert_end_m": np.nan}
        return {"main_id": name, "diameter_mm": size, "material": "cast iron",
                "geometry": shape, **blank, **rest}  # fmt: skip

    trunk = [(-811.3, -127.9), (-402.2, -61.7), (-218.6, 21.3), CURVE[0]]
    south = [(-218.6, 21.3), (-187.1, -214.4), (-96.8, -402.7), (-88.3, -611.2)]
    north = [(-402.2, -61.7), (-455.7, 207.3), (-449.8, 431.6)]
    lone = [(307.1, -402.9), (522.3, -395.1), (688.8, -288.2), (691.7, -31.4)]
    return frame(
        [
            main("A1", 450, line(trunk[0], trunk[1], trunk[2])),
            main("A2", 450, line(trunk[2], trunk[3]), cover_m=1.93),
            main("A3", 450, line(*CURVE), cover_m=1.83),
            main("A4", 450, line(CURVE[-1], TAIL)),
            main("B1", 300, line(*south[:3])),
            main("B2", 300, line(*south[2:])),
            main("C1", 300, line(*north), cover_m=np.nan),
            main("D1", 400, line(*lone[:3]), invert_start_m=113.61, invert_end_m=116.14),
            main("D2", 400, line(*lone[2:]), invert_start_m=116.14, invert_end_m=111.87),
            main("E1", 150, line((-602.9, -94.03), (-588.1, -290.6))),
            main("E2", 150, line((-151.3, -289.1), (31.4, -297.7))),
            main("E3", 150, line((522.3, -395.1), (511.9, -611.0))),
        ]
    )


def district() -> District:
    """Layers about the mains.

    A local street turns into one of four lanes, as its main does; others have three lanes, or one.
    """
    crossing = [(-700.7, -430.3), (-667.9, 350.9)]
    streets = [
        [(-830.1, -135.2), (-683.4, -109.1), (-402.9, -55.2), (-217.1, 27.1), (14.9, 10.7)],
        [(-683.4, -109.1), crossing[0]],
        [(-683.4, -109.1), crossing[1]],
        [(-217.1, 27.1), (-181.0, -212.2), (-90.3, -401.1), (-80.2, -640.4)],
        [(-181.0, -212.2), (211.7, -230.9)],
        [(-402.9, -55.2), (-462.3, 209.8), (-455.1, 460.3)],
        [(300.3, -409.7), (523.9, -400.2), (692.7, -290.4)],
        [(692.7, -290.4), (695.3, -20.2)],
    ]
    lanes = {0: 3, 2: 1, 3: 3, 6: 3, 7: 4}
    avoid = [
        (shapely.box(-577.3, -102.9, -548.8, -71.2), True, 4.3),
        (shapely.box(-205.3, -160.1, -171.2, -111.7), False, 0.0),
        (shapely.box(601.2, -352.3, 633.9, -309.1), True, 0.0),
    ]
    places = [(-741.2, -114.3), (-333.1, -27.7), (-99.4, 15.2), (-92.7, -505.1), (431.2, -397.3)]
    return District(
        mains=mains(),
        fittings=frame(
            [
                {"kind": "bend", "angle_deg": 22.5, "geometry": shapely.Point(-96.8, -402.7)},
                {"kind": "bend", "angle_deg": 11.25, "geometry": shapely.Point(601.4, -344.3)},
            ]
        ),
        laterals=frame([{"customers": 3, "geometry": shapely.Point(*p)} for p in places]),
        streets=frame(
            [
                {
                    "class": "arterial" if lanes.get(row) == 4 else "local",
                    "lanes": lanes.get(row, np.nan),
                    "geometry": line(*points),
                }
                for row, points in enumerate(streets)
            ]
        ),
        avoid=frame(
            [
                {"reason": "x", "hard": hard, "buffer_m": keep, "weight": 2.6, "geometry": shape}
                for shape, hard, keep in avoid
            ]
        ),
    )


@dataclass(frozen=True)
class Result:
    """What must not change."""

    cost: float
    even: float
    pits: np.ndarray
    planned: int
    length: float


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Callable[[District], Result]:
    folder = tmp_path_factory.mktemp("ground")

    def plan(place: District) -> Result:
        dem = folder / "plane.tif"
        write_plane(dem, place)
        layers = {name: getattr(place, name) for name in District.LAYERS}
        done = geotools.plan(**layers, dem=dem, settings=SETTINGS)
        runs, pits, pulls = (done.layers[name] for name in ("runs", "pits", "pulls"))
        return Result(
            cost=float(runs["cost"].sum()),
            even=float((pulls["length"] ** 2).sum()),
            pits=shapely.get_coordinates(pits.geometry.to_numpy()),
            planned=int((runs["status"] == "planned").sum()),
            length=float(runs["length"].sum()),
        )

    return plan


@pytest.fixture(scope="module")
def base(planned: Callable[[District], Result]) -> Result:
    return planned(district())


def write_plane(path: Path, place: District) -> None:
    """Write a raster with the plane's level at the middle of every cell, in double precision."""
    cell, count = 25.0, 96
    west, north = place.origin[0] - cell * count / 2, place.origin[1] + cell * count / 2
    east = (np.arange(count) + 0.5) * cell - cell * count / 2
    level = 104.7 + place.slope[0] * east[None, :] - place.slope[1] * east[:, None]
    with rasterio.open(
        path, "w", driver="GTiff", width=count, height=count, count=1, dtype="float64", crs=CRS,
        transform=rasterio.Affine(cell, 0.0, west, 0.0, -cell, north),
    ) as raster:  # fmt: skip
        raster.write(level, 1)
        raster.units = ("m",)


def turned(place: District, angle: float, east: float, north: float) -> District:
    """Turn a district about its middle, in degrees, and move it."""
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    turn = np.array([[c, s], [-s, c]])  # for row vectors

    def move(xy: np.ndarray) -> np.ndarray:
        return (xy - MIDDLE) @ turn + MIDDLE + [east, north]

    frames = {}
    for name in District.LAYERS:
        table = getattr(place, name).copy()
        table["geometry"] = shapely.transform(table.geometry.to_numpy(), move)
        frames[name] = table
    slope = np.array(place.slope) @ turn
    return replace(
        place,
        **frames,
        slope=(float(slope[0]), float(slope[1])),
        origin=(place.origin[0] + east, place.origin[1] + north),
    )


def reversed_mains(place: District, which: frozenset[int]) -> District:
    """Draw some mains the other way; their inverts change ends."""
    table = place.mains.copy()
    rows = table.index[sorted(which)]
    shapes = table.geometry.to_numpy().copy()
    shapes[rows] = shapely.reverse(shapes[rows])
    ends = table.loc[rows, ["invert_start_m", "invert_end_m"]].to_numpy()
    table.loc[rows, ["invert_start_m", "invert_end_m"]] = ends[:, ::-1]
    return replace(place, mains=table.set_geometry(shapes, crs=CRS))


def split_main(place: District, row: int, at: float) -> District:
    """Split a main at a distance from its start."""
    table = place.mains
    shape = table.geometry.iloc[row]
    share = at / shape.length
    first, second = table.iloc[[row]].copy(), table.iloc[[row]].copy()
    levels = table[["invert_start_m", "invert_end_m"]].iloc[row].to_numpy(dtype=float)
    level = levels[0] * (1 - share) + levels[1] * share
    first["invert_end_m"], second["invert_start_m"] = level, level
    second["main_id"] += "-b"
    one, other = cut(shape, at)
    first, second = first.set_geometry([one], crs=CRS), second.set_geometry([other], crs=CRS)
    rest = table.drop(index=table.index[row])
    return replace(place, mains=pd.concat([rest, first, second], ignore_index=True))


def cut(shape: Any, at: float) -> tuple[Any, Any]:
    """Cut a line in two at a distance from its start; every vertex of it is kept."""
    xy = shapely.get_coordinates(shape)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    place = shapely.get_coordinates(shapely.line_interpolate_point(shape, at))
    before, after = xy[along < at], xy[along > at]
    return (
        shapely.LineString(np.concatenate([before, place])),
        shapely.LineString(np.concatenate([place, after])),
    )


def shuffled(place: District, seed: int) -> District:
    dice = np.random.default_rng(seed)
    return replace(
        place,
        **{
            name: getattr(place, name).iloc[dice.permutation(len(getattr(place, name)))]
            for name in District.LAYERS
        },
    )


def assert_same(result: Result, base: Result, moved: Callable[[Any], Any] = lambda xy: xy) -> None:
    """The cost is the same, and so is the place of every pit, unless two plans are one as good."""
    assert (result.planned, result.pits.shape) == (base.planned, base.pits.shape)
    assert result.length == pytest.approx(base.length, rel=1e-9)
    assert result.cost == pytest.approx(base.cost, rel=1e-9)
    expected = moved(base.pits)
    gap = max(
        cKDTree(expected).query(result.pits)[0].max(), cKDTree(result.pits).query(expected)[0].max()
    )
    assert gap <= 1e-3 or result.even == pytest.approx(base.even, rel=1e-9)


def test_the_district_asks_for_more_than_one_thing(base: Result) -> None:
    assert base.planned == 4
    assert len(base.pits) >= 12


@few
@given(which=st.frozensets(st.integers(0, 11), min_size=1))
def test_direction_of_digitising_changes_nothing(
    which: frozenset[int], planned: Callable[[District], Result], base: Result
) -> None:
    assert_same(planned(reversed_mains(district(), which)), base)


@few
@given(row=st.integers(0, 11), share=st.floats(0.0, 1.0))
@example(row=2, share=0.6232701429728414)  # on the flat middle of an even arc
def test_splitting_a_main_changes_nothing(
    row: int, share: float, planned: Callable[[District], Result], base: Result
) -> None:
    place = district()
    length = place.mains.geometry.iloc[row].length
    at = CLEAR + share * (length - 2 * CLEAR)
    assert_same(planned(split_main(place, row, at)), base)


@few
@given(angle=st.floats(-180.0, 180.0), east=st.floats(-3e4, 3e4), north=st.floats(-3e4, 3e4))
@example(angle=180.0, east=0.0, north=0.0)  # every run and chain the other way
@example(angle=90.0, east=0.0, north=0.0)
def test_turning_and_moving_the_district_changes_nothing(
    angle: float, east: float, north: float, planned: Callable[[District], Result], base: Result
) -> None:
    result = planned(turned(district(), angle, east, north))
    points = gpd.GeoDataFrame(geometry=shapely.points(base.pits), crs=CRS)
    moved = turned(replace(district(), laterals=points), angle, east, north).laterals
    assert_same(result, base, lambda xy: shapely.get_coordinates(moved.geometry.to_numpy()))


@few
@given(seed=st.integers(0, 10**6))
def test_order_of_features_changes_nothing(
    seed: int, planned: Callable[[District], Result], base: Result
) -> None:
    assert_same(planned(shuffled(district(), seed)), base)


@few
@given(
    angle=st.floats(-180.0, 180.0),
    which=st.frozensets(st.integers(0, 12)),
    row=st.integers(0, 11),
    share=st.floats(0.0, 1.0),
    seed=st.integers(0, 10**6),
)
def test_all_of_it_at_once_changes_nothing(
    angle: float, which: frozenset[int], row: int, share: float, seed: int,
    planned: Callable[[District], Result], base: Result,
) -> None:  # fmt: skip
    place = district()
    length = place.mains.geometry.iloc[row].length
    place = split_main(place, row, CLEAR + share * (length - 2 * CLEAR))
    result = planned(turned(shuffled(reversed_mains(place, which), seed), angle, 0.0, 0.0))
    assert result.cost == pytest.approx(base.cost, rel=1e-9)
    assert result.even == pytest.approx(base.even, rel=1e-9)


def joined_records(seen: Callable[[np.ndarray], np.ndarray]) -> dict[str, gpd.GeoDataFrame]:
    """Return mains by a joint of records alike but for one-way traffic, and where a street parts.

    The first lies outside of a corner of its street, which from there on is of one way; the second
    runs midway between two carriageways from a little left of the crossing where they part.
    """

    def drawn(*points: tuple[float, float]) -> Any:
        return shapely.LineString(seen(np.array(points)))

    legs = [(35.4, 169.0), (31.2, 107.3), (0.0, 0.0)], [(0.0, 0.0), (17.5, -32.2), (104.2, -233.7)]
    parting = [[(600.0, 0.0), (630.0, s * 7.0), (850.0, s * 7.0)] for s in (1.0, -1.0)]
    beside = [(x - 4.6, y - 1.1) for x, y in (*legs[0], *legs[1][1:])]
    across = [(600.0, -150.0), (600.0, 0.0), (600.0, 150.0)]
    ways = ["both", "against", "against", "along", "both"]
    said = {"class": "local", "lanes": 2, "width_m": 7.0, "speed_kmh": 50.0, "name": "Row"}
    lines = [*legs, *parting, across]
    return {
        "mains": frame(
            [
                {"main_id": name, "diameter_mm": 300, "cover_m": 1.4, "geometry": drawn(*points)}
                for name, points in (("A", beside), ("B", [(598.0, 3.0), (850.0, 3.0)]))
            ]
        ),
        "streets": frame(
            [
                {**said, "oneway": way, "geometry": drawn(*points)}
                for way, points in zip(ways, lines, strict=True)
            ]
        ),
    }


VIEWS: dict[str, tuple[Callable[[np.ndarray], np.ndarray], bool]] = {
    "turned about": (lambda xy: -xy, True),
    "turned by 90 degrees": (lambda xy: xy[:, ::-1] * [-1.0, 1.0], True),
    "mirrored": (lambda xy: xy * [-1.0, 1.0], False),
    "mirrored upside down": (lambda xy: xy * [1.0, -1.0], False),
}


@pytest.fixture(scope="module")
def at_joints() -> Callable[..., list[tuple[float, ...]]]:
    def plan(seen: Callable[[np.ndarray], np.ndarray], keep_right: bool) -> list[tuple[float, ...]]:
        settings = {**SETTINGS, "street.keep_right": keep_right}
        layers = geotools.plan(**joined_records(seen), settings=settings).layers
        pits, closures = layers["pits"], layers["closures"]
        told = [
            table[columns].to_numpy(dtype=float)
            for table, columns in (
                (pits, ["lanes_taken", "cost", "depth"]),
                (closures, ["lanes_closed", "lacking", "taper"]),
            )
        ]
        return sorted(tuple(row) for row in np.round(np.concatenate(told), 4))

    return plan


@pytest.fixture(scope="module")
def as_drawn(at_joints: Callable[..., list[tuple[float, ...]]]) -> list[tuple[float, ...]]:
    return at_joints(lambda xy: xy, True)


@pytest.mark.parametrize("view", VIEWS)
def test_turning_and_mirroring_change_nothing_where_records_of_streets_meet(
    view: str,
    at_joints: Callable[..., list[tuple[float, ...]]],
    as_drawn: list[tuple[float, ...]],
) -> None:
    """Mirrored, traffic keeps to the other side."""
    assert {lanes for lanes, *_ in as_drawn} == {0.0, 1.0}
    np.testing.assert_allclose(at_joints(*VIEWS[view]), as_drawn, atol=1e-3)
