"""Depth, earth, slope and ground of pits by the ground over the whole of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine

import geotools
from geotools.pipe.excavation import ENGINEER_DEPTH_M
from geotools.pipe.pits import STEEP_OVER_M
from geotools.siting.depths import (
    Stretch,
    dug_depths,
    greatest_within,
    stations_inside,
    too_steep,
)
from geotools.siting.profile import Profile

X, Y, CRS, HOST = 500_000.0, 4_800_000.0, 32633, 0.45
Array = npt.NDArray[np.float64]
Height = Callable[[Any], Any]
# A pipe that hardly bends: its insertion pits open some 50 m of main.
STIFF = {
    "carrier.system": "DIPS",
    "carrier.nominal": "20 in",
    "carrier.material": "PVC",
    "carrier.dr": 25,
    "service.least_capacity": 0,
    "pulls.max_length": "300 m",
}


def runs_of(seed: int, count: int = 5) -> tuple[Profile, list[pd.DataFrame]]:
    """Return runs of stations at random places, some close together, under uneven ground."""
    rng = np.random.default_rng(seed)
    tables = []
    for run in range(count):
        at = np.cumsum(np.append(0.0, rng.choice([0.01, 0.4, 3.0, 9.0, 10.0], 40)))
        ground = 50 + np.cumsum(rng.normal(0, 0.08, len(at)) * np.sqrt(np.append(0, np.diff(at))))
        depth = rng.uniform(1.0, 6.0, len(at))
        axis = ground - depth + HOST / 2
        tables.append(
            pd.DataFrame(
                {
                    "run": run,
                    "chainage": at,
                    "depth": depth,
                    "cover": depth - HOST,
                    "ground_z": ground,
                    "axis_z": axis,
                }
            )
        )
    return Profile(pd.concat(tables, ignore_index=True), count), tables


def pits_on(profile: Profile, seed: int) -> Stretch:
    """Return pits of all lengths on all runs, some beyond the ends."""
    rng = np.random.default_rng(seed)
    run = np.sort(rng.integers(0, len(profile.offsets) - 1, 60))
    last = profile.chainage[profile.offsets[run + 1] - 1]
    start = rng.uniform(-4.0, last, (4, 60)).T
    return Stretch(profile, run, start, start + rng.uniform(0.5, 70.0, (60, 4)))


def corners(table: pd.DataFrame, column: str, start: float, end: float) -> tuple[Array, Array]:
    """Return where a column bends between two chainages, and its values there."""
    at, value = table["chainage"].to_numpy(), table[column].to_numpy()
    keep = (at > start) & (at < end)
    edge = [np.interp(spot, at, value) for spot in (start, end)]
    return np.r_[start, at[keep], end], np.r_[edge[0], value[keep], edge[1]]


@pytest.mark.parametrize("seed", range(3))
def test_the_greatest_of_any_stretch_of_values_is_found(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = np.where(rng.random(90) < 0.1, np.nan, rng.normal(size=90))
    first = rng.integers(0, 90, 500)
    count = rng.integers(0, 91 - first)
    found = greatest_within(values, first, count)
    due = [np.nanmax([-np.inf, *values[a : a + n]]) for a, n in zip(first, count, strict=True)]
    assert (found == due).all()


@pytest.mark.parametrize("seed", range(4))
def test_what_is_dug_is_the_polygon_between_ground_and_bedding_by_shapely(seed: int) -> None:
    profile, tables = runs_of(seed)
    pits, bedding = pits_on(profile, seed + 10), 0.15
    depths = dug_depths(pits, bedding=bedding)
    for row, role in np.ndindex(pits.start.shape):
        start, end = pits.start[row, role], pits.end[row, role]
        at, deep = corners(tables[pits.run[row]], "depth", start, end)
        deep = deep + bedding
        hole = shapely.Polygon([(at[0], 0), *zip(at, deep, strict=True), (at[-1], 0)])
        assert depths.area[row, role] == pytest.approx(hole.area, abs=1e-8)
        # Twice the moment of the hole about the ground: its area times twice its middle's depth.
        assert depths.squares[row, role] == pytest.approx(2 * hole.area * hole.centroid.y, abs=1e-6)
        assert depths.greatest[row, role] == pytest.approx(deep.max())
        assert depths.invert[row, role] == pytest.approx(deep.max() - bedding)
        assert depths.cover[row, role] == pytest.approx(deep.min() - bedding - HOST)


@pytest.mark.parametrize("far", [-3_000.0, -2.0, 5_000.0])
def test_a_level_far_off_changes_what_is_dug_nowhere_but_beside_it(far: float) -> None:
    """3 m deep, bedding 0.2 m: of a pit 10 m long 32 m2 are dug, whatever is on record 200 m on."""
    at = np.arange(0.0, 301.0, 10.0)
    depth = np.where(at == 250.0, far, 3.0)
    ground = np.zeros(len(at))
    table = pd.DataFrame(
        {
            "run": 0,
            "chainage": at,
            "depth": depth,
            "cover": depth - HOST,
            "ground_z": ground,
            "axis_z": ground - depth + HOST / 2,
        }
    )
    places = np.array([[0.0], [33.0], [295.0]])
    stretch = Stretch(Profile(table, 1), np.zeros(3, dtype=np.int64), places, places + 10.0)
    found = dug_depths(stretch, bedding=0.2)
    assert found.area[:, 0] == pytest.approx(10.0 * 3.2)
    assert found.squares[:, 0] == pytest.approx(10.0 * 3.2**2)


def test_what_is_dug_hangs_on_no_other_run() -> None:
    profile, tables = runs_of(1)
    pits = pits_on(profile, 2)
    whole = dug_depths(pits, bedding=0.1)
    for run, table in enumerate(tables):
        rows = np.flatnonzero(pits.run == run)
        alone = Stretch(Profile(table.assign(run=0), 1), 0 * rows, pits.start[rows], pits.end[rows])
        some = dug_depths(alone, bedding=0.1)
        for name in ("area", "squares", "greatest", "first", "last", "cover"):
            assert (getattr(some, name) == getattr(whole, name)[rows]).all(), name


@pytest.mark.parametrize("seed", range(3))
def test_the_ground_is_steep_where_any_three_metres_of_the_pit_are(seed: int) -> None:
    profile, tables = runs_of(seed)
    pits = pits_on(profile, seed + 20)
    most = 0.08
    found = too_steep(pits, most)
    doubtful = 0
    for row, role in np.ndindex(pits.start.shape):
        table = tables[pits.run[row]]
        at, level = (table[c].to_numpy() for c in ("chainage", "ground_z"))
        start, end = max(pits.start[row, role], 0.0), min(pits.end[row, role], at[-1])
        over = min(STEEP_OVER_M, end - start)
        places = np.linspace(start, end - over, 4000)
        rise = np.interp(places + over, at, level) - np.interp(places, at, level)
        due = float(np.abs(rise).max() / over)
        if abs(due - most) < 0.001:  # looked at 4000 places only
            doubtful += 1
            continue
        assert found[row, role] == (due > most)
    assert doubtful < 30 and 20 < found.sum() < found.size - 20


def dem_of(path: Path, height: Height) -> Path:
    at = X - 100 + np.arange(900) + 0.5
    with rasterio.open(
        path, "w", driver="GTiff", width=900, height=100, count=1, dtype="float64",
        crs=CRS, transform=Affine(1, 0, X - 100, 0, -1, Y + 50), nodata=-9999,
    ) as file:  # fmt: skip
        file.write(np.tile(height(at - X), (100, 1)), 1)
        file.set_band_unit(1, "metre")
    return path


def stiff_plan(folder: Path, height: Height, invert: float, role: str, **said: Any) -> Any:
    """Plan 500 m of level host with a pit wished for at 250 m; return layers and that pit."""
    mains = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": 600.0, "bore_mm": 610.0,
         "invert_start_m": invert, "invert_end_m": invert},
        geometry=[shapely.LineString([(X, Y), (X + 500, Y)])],
        crs=CRS,
    )  # fmt: skip
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": [role]}, geometry=[shapely.Point(X + 250, Y)], crs=CRS
    )
    given = {key.replace("__", "."): value for key, value in said.items()}
    target = folder / "plan.gpkg"
    layers = geotools.plan(
        mains=mains, dem=dem_of(folder / "dem.tif", height), pit_edits=wish,
        settings={**STIFF, **given}, output=target, overwrite=True,
    ).layers  # fmt: skip
    assert geotools.verify(target).summary["failed"] == 0
    pits = layers["pits"]
    return layers, pits[(pits["chainage"] - 250).abs() < 1]


def hump(height: float, middle: float, half: float) -> Height:
    return lambda x: 98.0 + height * np.clip(1 - np.abs(x - middle) / half, 0, None)


@pytest.mark.parametrize("height", [2.4, -1.5])
def test_a_pit_is_as_deep_and_as_large_as_the_ground_over_it(tmp_path: Path, height: float) -> None:
    """A hump or a hollow in mid-ramp, where neither the station nor an edge of the pit is."""
    top = hump(height, 228.0, 22.0)
    invert = 94.5
    loose = {"pits__max_depth": "8 m", "pits__max_slope": 0.5}
    _, pit = stiff_plan(tmp_path, top, invert, "insertion_ahead", **loose)
    pit = pit.iloc[0]
    start, end = pit["chainage"] - pit["before"], pit["chainage"] + pit["after"]
    assert start < 210 and end > 250
    places = np.linspace(start, end, 40_001)
    dug = top(places) - invert + 0.15
    # Stations 10 m apart cut the corners of the hump off: by less than a thirtieth here.
    assert pit["volume"] == pytest.approx(np.trapezoid(dug, places) * pit["width"], rel=0.03)
    assert pit["deepest"] == pytest.approx(dug.max(), abs=0.25)
    ends = 98.0 - invert + 0.15
    assert abs(pit["volume"] / (ends * (end - start) * pit["width"]) - 1) > 0.08


@pytest.mark.parametrize(
    ("height", "middle", "half", "said"),
    [
        (2.4, 228.0, 22.0, "deeper than 5.0 m"),
        (4.0, 228.0, 21.9, "ground steeper than 12%"),
        (-4.0, 230.0, 9.0, "host above the ground"),
    ],
)
def test_what_refuses_a_pit_may_lie_anywhere_in_it(
    tmp_path: Path, height: float, middle: float, half: float, said: str
) -> None:
    layers, pit = stiff_plan(tmp_path, hump(height, middle, half), 95.1, "insertion_ahead")
    (text,) = layers["findings"].query("layer == 'pit_edits'")["text"]
    assert pit.empty and said in text


def test_an_engineer_is_called_for_where_a_pit_is_deepest(tmp_path: Path) -> None:
    """The street rises 4 %: 5.66 m are dug at the station and 8.05 m at the far edge."""
    layers, pit = stiff_plan(
        tmp_path, lambda x: 98 + 0.04 * np.clip(250 - x, 0, 60), 92.5, "insertion_ahead",
        pits__max_depth="9 m",
    )  # fmt: skip
    pit = pit.iloc[0]
    assert pit["dig_depth"] < ENGINEER_DEPTH_M
    assert pit["deepest"] == pytest.approx(98 + 0.04 * 60 - 92.5 + 0.15, abs=0.05)
    told = layers["findings"].query("rule == 'engineered-excavation'")["feature"]
    assert pit["pit_id"] in set(told)


def test_sides_that_lean_reach_out_as_far_as_the_pit_is_deep_there(tmp_path: Path) -> None:
    """The street rises 4 % along the ramp: 4.0 m out at its foot and 6.8 m at its top."""
    invert = 95.5
    layers, pit = stiff_plan(
        tmp_path, lambda x: 98 + 0.04 * np.clip(250 - x, 0, 60), invert, "insertion_ahead",
        pits__max_depth="6 m", pits__support="sloped", pits__soil="C",
    )  # fmt: skip
    pit = pit.iloc[0]
    shapes = layers["pit_footprints"].set_index("pit_id")
    start, end = pit["chainage"] - pit["before"], pit["chainage"] + pit["after"]

    def reach(at: float) -> float:
        return 1.5 * (2.5 + 0.04 * min(max(250 - at, 0), 60) + 0.15)

    places = [start - reach(start), start, 250.0, end, end + reach(end)]
    half = [pit["width"] / 2 + reach(min(max(at, start), end)) for at in places]
    sides = [[(X + at, Y + k * h) for at, h in zip(places, half, strict=True)] for k in (1, -1)]
    due = shapely.Polygon([*sides[0], *sides[1][::-1]])
    ours = shapes.geometry[pit["pit_id"]]
    assert shapely.symmetric_difference(due, ours).area < 0.01 * due.area
    assert shapes["area"][pit["pit_id"]] == pytest.approx(ours.area, rel=1e-6)
    assert pit["days"] > 0 and half[1] - half[3] > 2.5


@pytest.mark.parametrize("role", range(4))
@pytest.mark.parametrize("seed", range(3))
def test_stations_inside_are_all_between_the_edges_those_at_the_ends_of_runs_too(
    seed: int, role: int
) -> None:
    profile, tables = runs_of(seed)
    pits = pits_on(profile, seed + 40)
    column = Stretch(profile, pits.run, pits.start[:, role, None], pits.end[:, role, None])
    pit, station = stations_inside(column)
    over = 0
    for row, run in enumerate(pits.run):
        at = tables[run]["chainage"].to_numpy()
        start, end = column.start[row, 0], column.end[row, 0]
        due = profile.offsets[run] + np.flatnonzero((at > start) & (at < end))
        assert station[pit == row].tolist() == due.tolist()
        over += start < at[0] or end > at[-1]
    assert over > 3


@pytest.mark.parametrize("end", [0, -1])
def test_the_ground_of_a_pit_at_a_runs_end_has_its_corner_where_the_run_ends(
    tmp_path: Path, end: int
) -> None:
    """Ground that falls or rises 6 % at the main's end; a pit beyond it is as deep as there.

    Sides of 1.5 to 1: the outline is straight from the edge to the main's end, and from there.
    """
    layers, _ = stiff_plan(
        tmp_path, lambda x: 98 + 0.06 * np.maximum(30 - np.minimum(x, 500 - x), 0), 95.5,
        "insertion_both", pits__max_depth="6 m", pits__support="sloped", pits__soil="C",
    )  # fmt: skip
    pit = layers["pits"].iloc[end]
    ground = layers["pit_footprints"].set_index("pit_id").geometry[pit["pit_id"]]
    half = pit["length"] / 2  # of a receiving pit lies either side of the main's end
    start, last = pit["chainage"] - half, pit["chainage"] + half
    assert pit["role"] == "receiving" and (start < -1.0 or last > 501.0)

    def reach(at: float) -> float:
        inside = min(max(at, 0.0), 500.0)
        return 1.5 * (2.5 + 0.06 * min(max(30 - min(inside, 500 - inside), 0), 30) + 0.15)

    places = [start - reach(start), start, 0.0 if end == 0 else 500.0, last, last + reach(last)]
    wide = [pit["width"] / 2 + reach(min(max(at, start), last)) for at in places]
    sides = [[(X + at, Y + k * w) for at, w in zip(places, wide, strict=True)] for k in (1, -1)]
    due = shapely.Polygon([*sides[0], *sides[1][::-1]])
    assert shapely.symmetric_difference(due, ground).area < 1e-6 * due.area


def test_of_no_pits_nothing_is_dug() -> None:
    none = np.zeros((0, 4))
    for profile in (runs_of(1)[0], Profile(runs_of(1)[1][0].iloc[:0], 0)):
        pits = Stretch(profile, np.zeros(0, dtype=np.int64), none, none)
        assert dug_depths(pits, bedding=0.1).area.shape == (0, 4)
        assert too_steep(pits, 0.1).shape == (0, 4)
