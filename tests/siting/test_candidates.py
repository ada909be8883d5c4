"""Candidates through whole plans: why a role is refused, how deep, how steep, how much is dug."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from scipy.integrate import quad
from shapely.ops import substring

import geotools

X, Y, CRS = 500_000.0, 4_800_000.0, 32633
PIPE = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}
ROLES = ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")


def main_of(line: list[tuple[float, float]], **columns: Any) -> gpd.GeoDataFrame:
    said = {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], **columns}
    return gpd.GeoDataFrame(
        said, geometry=[shapely.LineString([(x + X, y + Y) for x, y in line])], crs=CRS
    )


def ground_of(path: Path, height: Any) -> str:
    """Write a terrain of 5 m cells whose height is a function of x and y from the origin."""
    across = -100 + 5 * (np.arange(140) + 0.5)
    down = 100 - 5 * (np.arange(40) + 0.5)
    values = height(*np.meshgrid(across, down)).astype("float64")
    with rasterio.open(
        path, "w", driver="GTiff", width=140, height=40, count=1, dtype="float64", crs=CRS,
        transform=Affine(5, 0, X - 100, 0, -5, Y + 100), nodata=-9999,
    ) as raster:  # fmt: skip
        raster.write(values, 1)
        raster.set_band_unit(1, "metre")
    return str(path)


def planned(settings: dict[str, Any] | None = None, **layers: Any) -> dict[str, Any]:
    return dict(geotools.plan(settings={**PIPE, **(settings or {})}, **layers).layers)


def refused(reasons: str, text: str) -> set[str]:
    """Return the roles a text of the reasons speaks against."""
    roles: set[str] = set()
    for part in reasons.split("; "):
        if text in part and part.startswith("against"):
            said = part.partition(":")[0].removeprefix("against").removeprefix(" as ")
            roles |= set(said.split(", ")) if said else set(ROLES)
    return roles


def test_no_pit_is_dug_where_the_ground_along_it_is_steeper_than_allowed(tmp_path: Path) -> None:
    """Between 200 and 300 m the ground climbs 20 %, elsewhere 4 %; 12 % are allowed."""

    def height(x: Any, y: Any) -> Any:
        return 100 + 0.04 * x + 0.16 * np.clip(x - 200, 0, 100)

    dem = ground_of(tmp_path / "dem.tif", height)
    layers = planned(mains=main_of([(0, 0), (500, 0)], cover_m=[1.5]), dem=dem)
    places = layers["candidates"]
    steep = places["reasons"].map(lambda r: refused(r, "ground steeper than 12%") == set(ROLES))
    inside = places["chainage"].between(220, 280)
    outside = (places["chainage"] < 170) | (places["chainage"] > 330)
    assert inside.sum() >= 5 and outside.sum() >= 20
    assert steep[inside].all() and not steep[outside].any()
    for pit in layers["pits"].itertuples():
        climb = height(pit.chainage + pit.after, 0) - height(pit.chainage - pit.before, 0)
        assert abs(climb) <= 0.121 * (pit.before + pit.after)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_pit_on_a_crest_or_in_a_trough_is_as_steep_as_either_side(
    sign: float, tmp_path: Path
) -> None:
    """The street climbs 20 % up to 250 m and falls as much beyond; 12 % are allowed."""
    dem = ground_of(tmp_path / "dem.tif", lambda x, y: 100 - sign * 0.2 * np.abs(x - 252.5))
    layers = planned(mains=main_of([(0, 0), (500, 0)], cover_m=[1.5]), dem=dem)
    places = layers["candidates"]
    top = places[(places["chainage"] - 252.5).abs() < 20]
    assert len(top) >= 2
    assert (top["reasons"].map(lambda r: refused(r, "ground steeper than 12%")) == set(ROLES)).all()


def test_a_host_deeper_than_allowed_or_than_the_ramp_can_reach_is_refused() -> None:
    deep = planned({"pits.max_depth": "3 m"}, mains=main_of([(0, 0), (300, 0)], cover_m=[2.8]))
    places = deep["candidates"]
    assert not places["usable"].any()
    assert (places["reasons"].map(lambda r: refused(r, "deeper than 3.0 m")) == set(ROLES)).all()
    assert deep["runs"]["status"].tolist() == ["no_plan"]
    # The invert at cover 2.5 m is 2.95 m down.
    fits = planned({"pits.max_depth": "3 m"}, mains=main_of([(0, 0), (300, 0)], cover_m=[2.5]))
    assert fits["runs"]["status"].tolist() == ["planned"]


def test_without_a_ground_level_and_a_cover_the_cover_assumed_is_said() -> None:
    layers = planned(mains=main_of([(0, 0), (300, 0)]))
    assert (layers["stations"]["depth_source"] == "assumed").all()
    assert "assumed-cover" in set(layers["findings"]["rule"])


def test_a_pit_beside_a_bend_holds_all_of_it_or_nothing() -> None:
    """At 90 deg the bend, with a diameter each side, has to lie in one pit."""
    near = gpd.GeoDataFrame(
        {"kind": ["tee"] * 27}, geometry=shapely.points(X + 173.0 + np.arange(27), Y), crs=CRS
    )
    mains = main_of([(0, 0), (200, 0), (200, 200)], cover_m=[1.5])
    layers = planned(mains=mains, fittings=near)
    assert not layers["bends"]["passes"].any()
    places, held = layers["candidates"], mains["diameter_mm"].iloc[0] / 1000
    cut = places["reasons"].map(lambda text: refused(text, "would cut a bend"))
    for role in ROLES:
        usable = places["chainage"].lt(200.0) & np.array([role not in roles for roles in cut])
        end = (places["chainage"] + places[f"after_{role}"])[usable].dropna().to_numpy(dtype=float)
        assert ((end <= 200.0 - held + 1e-6) | (end >= 200.0 + held - 1e-6)).all()
        assert (end >= 200.0).any() and (end < 200.0).any()
    assert set().union(*cut) == {"insertion_both"}  # both its ramps hang on both edges


def test_a_valve_in_a_pit_is_held_by_pits_beside_it_too() -> None:
    """With valves in pits a straight main has no bend to speak of."""
    valve = gpd.GeoDataFrame(
        {"kind": ["gate"], "open": [True]}, geometry=[shapely.Point(X + 203.0, Y)], crs=CRS
    )
    mains = main_of([(0, 0), (400, 0)], cover_m=[1.5])
    layers = planned({"pulls.valves": "pit"}, mains=mains, valves=valve)
    beside = layers["candidates"][(layers["candidates"]["chainage"] - 203).abs().between(0.5, 8.0)]
    assert len(beside)
    cut = beside["reasons"].map(lambda text: refused(text, "would cut a valve"))
    assert set().union(*cut) == {"insertion_both"}
    ends = beside["chainage"] + beside["after_insertion_behind"]
    assert ((ends - 203).abs() >= mains["diameter_mm"].iloc[0] / 1000 - 1e-6).all()


@pytest.mark.parametrize(("kind", "digs"), [("air valve", ["branch_valve"]), ("check valve", [])])
def test_a_valve_on_a_branch_is_tapped_again_and_no_place_for_a_pit(
    kind: str, digs: list[str]
) -> None:
    valve = gpd.GeoDataFrame({"kind": [kind]}, geometry=[shapely.Point(X + 203.0, Y)], crs=CRS)
    mains = main_of([(0, 0), (400, 0)], cover_m=[1.5])
    layers = planned({"pulls.valves": "pit"}, mains=mains, valves=valve)
    cut = layers["candidates"]["reasons"].str.contains("would cut a valve")
    assert cut.any() == (digs == [])  # what water goes through is part of the main
    dug = layers["local_digs"]
    assert dug.loc[~dug["spared"].astype(bool), "kind"].tolist() == digs


def test_a_host_whose_crown_is_above_the_ground_is_above_it_and_not_too_deep(
    tmp_path: Path,
) -> None:
    """Ground at 100 m, a host of 0.45 m whose invert rises from 97 m to 100.5 m in 500 m.

    Its crown comes out of the ground where the invert is at 99.55 m.
    """
    dem = ground_of(tmp_path / "dem.tif", lambda x, y: 100.0 + 0 * x)
    inverts = {"invert_start_m": [97.0], "invert_end_m": [100.5]}
    places = planned(mains=main_of([(0, 0), (500, 0)], **inverts), dem=dem)["candidates"]
    out = (99.55 - 97.0) / 3.5 * 500
    above = places["reasons"].map(lambda r: refused(r, "host above the ground") == set(ROLES))
    assert above.tolist() == (places["chainage"] > out).tolist()
    assert above.any() and not above.all()
    assert not any(refused(text, "too deep") for text in places["reasons"][above])


RADIUS, OUTSIDE, BEDDING = 27 * 0.355, 0.355, 0.15  # PE, SDR 17: 27 OD (PPI Handbook ch. 7)
RESTING = 0.5 + OUTSIDE / 2  # axis of the string above the ground at the ramp's top


@dataclass(frozen=True)
class Ramp:
    """Two opposed arcs between a host and a street ``apart`` from it, both sloping alike.

    The ramp between two levels turned by the slope, drawn as circles (geometry). ``rise`` is the
    slope back along the ramp.
    """

    apart: float
    rise: float = 0.0

    @property
    def length(self) -> float:
        turn, across = math.atan(self.rise), self.apart / math.hypot(1.0, self.rise)
        along = math.sqrt(across * (4 * RADIUS - across))
        return along * math.cos(turn) - across * math.sin(turn)

    @property
    def drop(self) -> float:
        return self.apart + self.rise * self.length

    def above_foot(self, way: float) -> float:
        """Return how far the carrier has climbed."""
        turn = math.atan(self.rise)
        x, z = RADIUS * math.sin(turn), RADIUS * math.cos(turn)
        if way <= self.length / 2:
            return z - math.sqrt(RADIUS**2 - (way + x) ** 2)
        return self.drop - z + math.sqrt(RADIUS**2 - (self.length - way + x) ** 2)

    def dug(self, over: float, begin: float, width: float, lean: float = 0.0) -> float:
        """Integrate its cross-sections under ground that lies so far over the host, m3."""

        def section(way: float) -> float:
            bottom = self.above_foot(way) - OUTSIDE / 2 - BEDDING
            deep = max(over + self.rise * way - bottom, 0.0)
            return deep * (width + lean * deep)

        return float(quad(section, begin, self.length, limit=500, epsabs=1e-9)[0])


def insertion_at(
    place: tuple[float, float],
    line: list[tuple[float, float]],
    settings: dict[str, Any] | None = None,
    role: str = "insertion_ahead",
    **layers: Any,
) -> tuple[Any, Any]:
    """Plan a main with one insertion pit wished for; return that pit and its ground.

    The pit is given with its shored ``face``, m2.
    """
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": [role]},
        geometry=[shapely.Point(X + place[0], Y + place[1])],
        crs=CRS,
    )
    plan = planned(settings, mains=main_of(line, cover_m=[1.5]), pit_edits=wish, **layers)
    assert "edit-honoured" in set(plan["findings"]["rule"])
    pits = plan["pits"]
    gap = np.hypot(pits.geometry.x - X - place[0], pits.geometry.y - Y - place[1])
    pit = pits.iloc[int(np.argmin(gap))]
    assert pit["role"] == role
    footprints = plan["pit_footprints"].set_index("pit_id").geometry
    assert pit["area"] == pytest.approx(footprints[pit["pit_id"]].area)
    parts = plan["quantities"].query("item == 'shored face' and scope == 'pit'").set_index("ref")
    face = parts.loc[pit["pit_id"], "quantity"]
    return pd.concat([pit, pd.Series({"face": face})]), footprints[pit["pit_id"]]


def test_sides_lean_from_the_bottom_of_the_dig_to_the_ground_it_takes() -> None:
    """A receiving pit in soil C, 1 1/2 to 1 (29 CFR 1926 Subpart P, Table B-1), by hand."""
    sloped = {"pits.support": "sloped", "pits.soil": "C"}
    pit, ground = insertion_at((200.0, 0.0), [(0, 0), (400, 0)], sloped, "receiving")
    deep, wide, long = 1.5 + 0.45 + 0.15, 0.45 + 2 * 0.45, 6.0  # cover, host, bedding; side room
    assert pit["side_slope"] == 1.5
    due = (wide + 3 * deep) * (long + 3 * deep)
    assert pit["area"] == pytest.approx(due, rel=1e-6)
    assert ground.area == pytest.approx(due, rel=1e-6)
    low, left, high, right = ground.bounds
    assert sorted((high - low, right - left)) == pytest.approx(
        [wide + 3 * deep, long + 3 * deep], abs=2e-3
    )
    tops = 0.5 * deep, deep  # of the prismoid: half way up, and at the ground
    half, whole = ((wide + 3 * t) * (long + 3 * t) for t in tops)
    assert pit["volume"] == pytest.approx(deep / 6 * (wide * long + 4 * half + whole), rel=1e-6)


def test_a_ramp_that_leaves_the_main_is_dug_as_deep_as_the_carrier_comes_down() -> None:
    """A pit for the pull ahead at a right angle on level ground.

    The main is opened at full depth over the bend and the working room; the ramp beyond is dug
    to the bedding under the carrier, which comes down on two arcs.
    """
    line = [(0.0, 0.0), (200.0, 0.0), (200.0, 200.0)]
    pit, ground = insertion_at((200.0, 0.0), line)
    half = pit["width"] / 2
    run = shapely.LineString([(x + X, y + Y) for x, y in line])
    opened = substring(run, 200 - pit["before"], 200 + pit["after"])
    trench = opened.buffer(half, cap_style="flat", join_style="mitre")
    ramp = shapely.box(
        X + 200 - half, Y + pit["after"] - pit["length"], X + 200 + half, Y + pit["after"]
    )
    assert ground.symmetric_difference(trench | ramp).area < 1e-6
    drop = pit["depth"] - 0.225 + RESTING
    assert pit["drop"] == pytest.approx(drop)
    # The box leaves the run where its side does; its foot is at the working room's end.
    dug = pit["width"] * (pit["before"] + pit["after"]) * (pit["depth"] + BEDDING)
    foot = pit["after"] + Ramp(drop).length - pit["length"]
    dug += Ramp(drop).dug(pit["depth"] - 0.225, half - foot, pit["width"])
    assert pit["volume"] == pytest.approx(dug, rel=1e-4)
    ends = 2 * (pit["depth"] + BEDDING)
    assert pit["face"] == pytest.approx(2 * dug / pit["width"] + ends * pit["width"], rel=1e-4)


@pytest.mark.parametrize(
    ("climb", "role", "support"),
    [
        (0.0, "insertion_ahead", "shored"),
        (0.08, "insertion_ahead", "sloped"),
        (-0.08, "insertion_behind", "shored"),
        (0.08, "insertion_behind", "sloped"),
    ],
)
def test_beyond_the_end_of_the_run_only_the_ramp_is_dug(
    tmp_path: Path, climb: float, role: str, support: str
) -> None:
    """Ground that rises or falls evenly along the main and beyond it: length, ground, volume.

    The string lies on the ground behind the ramp's top, which slopes as the host does: volume by
    integrating the arcs.
    """
    ahead = role == "insertion_ahead"
    place, out = (0.0, -1.0) if ahead else (400.0, 1.0)  # the ramp goes on beyond the end
    dem = ground_of(tmp_path / "dem.tif", lambda x, y: 100 + climb * x)
    pit, ground = insertion_at(
        (place, 0.0), [(0, 0), (400, 0)], {"pits.support": support}, role, dem=dem
    )
    invert = 1.5 + 0.45
    over = invert - 0.225
    ramp = Ramp(over + RESTING, climb * out)
    length = ramp.length
    assert pit["ramp"] == pytest.approx(length, abs=1e-3)
    assert pit["drop"] == pytest.approx(ramp.drop, abs=1e-3)
    assert pit[["host_slope", "rest_slope"]].tolist() == pytest.approx([climb * out] * 2)
    assert pit["length"] == pytest.approx(length + 2.0, abs=1e-3)
    width, lean = 2 * (0.225 + 0.45), 1.5 if support == "sloped" else 0.0
    assert pit["side_slope"] == lean
    deep = invert + BEDDING  # 2 m to the face, and half a receiving pit on the other side
    dug = 5.0 * width * deep + 5.0 * lean * deep**2
    dug += lean * width * deep**2 / 2 + 2 / 3 * lean**2 * deep**3  # the end at the face
    dug += ramp.dug(over, 3.0, width, lean)
    assert pit["volume"] == pytest.approx(dug, rel=5e-4)
    low, _, high, _ = ground.bounds
    ends = sorted((place - out * (2.0 + lean * deep), place + out * length))
    assert (low - X, high - X) == pytest.approx(ends, abs=2e-3)
    # Both sides follow the ramp up to the ground; of its ends only that at the face is upright.
    face = 2 * dug / width + width * deep if support == "shored" else 0.0
    assert pit["face"] == pytest.approx(face, rel=5e-4)
    if support == "shored":
        assert pit["area"] == pytest.approx(width * pit["length"], rel=1e-9)


def test_where_the_ground_beyond_the_run_is_not_known_that_at_the_rasters_edge_stands_in(
    tmp_path: Path,
) -> None:
    """The raster ends less than 4 m beyond the run, on ground that falls by 0.08 that way."""
    for known in (True, False):

        def height(x: Any, y: Any, known: bool = known) -> Any:
            return np.where((x > -4) | known, 100 + 0.08 * x, -9999)

        pit, _ = insertion_at(
            (0.0, 0.0), [(0, 0), (400, 0)], dem=ground_of(tmp_path / f"{known}.tif", height)
        )
        level = 1.5 + 0.225 + RESTING
        if known:
            assert pit["drop"] == pytest.approx(level - 0.08 * pit["ramp"], abs=1e-3)
        else:
            assert level - 0.08 * 4 < pit["drop"] < level - 0.08
        slopes = [-0.08, -0.08 if known else 0.0]
        assert pit[["host_slope", "rest_slope"]].tolist() == pytest.approx(slopes)


@pytest.mark.parametrize("climb", [0.07, -0.07])
def test_on_a_slope_a_ramp_over_the_main_is_as_long_as_its_top_asks_for(
    tmp_path: Path, climb: float
) -> None:
    """In the middle of a straight main: one way, and both ways in one hole."""
    dem = ground_of(tmp_path / "dem.tif", lambda x, y: 100 + climb * x)
    apart = 1.5 + 0.225 + RESTING
    for role in ("insertion_ahead", "insertion_behind", "insertion_both"):
        pit, _ = insertion_at((200.0, 0.0), [(0, 0), (400, 0)], role=role, dem=dem)
        back = {"insertion_ahead": (-1.0,), "insertion_behind": (1.0,)}.get(role, (-1.0, 1.0))
        length = max(Ramp(apart, climb * way).length for way in back)
        assert pit["ramp"] == pytest.approx(length, abs=1e-3)
        assert pit["length"] == pytest.approx(length + 2.0 * len(back), abs=1e-3)
        for name, way in (("ahead", -1.0), ("behind", 1.0)):
            told = pit[[f"{field}_{name}" for field in ("ramp", "drop")]].tolist()
            slopes = pit[[f"{field}_slope_{name}" for field in ("host", "rest")]].tolist()
            due = [length, apart + climb * way * length] if way in back else [np.nan] * 2
            assert told == pytest.approx(due, abs=1e-3, nan_ok=True)
            due = [climb * way if way in back else np.nan] * 2
            assert slopes == pytest.approx(due, abs=1e-9, nan_ok=True)


def test_where_a_two_way_pit_stands_at_a_bend_each_ramp_is_as_long_as_its_own_ground_asks_for(
    tmp_path: Path,
) -> None:
    """The ground rises to the east and is level to the north; a bend of 90 degrees between."""
    dem = ground_of(tmp_path / "dem.tif", lambda x, y: 100 + 0.07 * x)
    corner = [(0, 0), (200, 0), (200, 80)]
    pit, _ = insertion_at((200.0, 0.0), corner, role="insertion_both", dem=dem)
    one_way, _ = insertion_at((200.0, 0.0), corner, role="insertion_ahead", dem=dem)
    other, _ = insertion_at((200.0, 0.0), corner, role="insertion_behind", dem=dem)
    for field in ("ramp", "drop", "host_slope", "rest_slope"):
        assert pit[f"{field}_ahead"] == one_way[field] == one_way[f"{field}_ahead"]
        assert pit[f"{field}_behind"] == other[field] == other[f"{field}_behind"]
    longer = "ahead" if pit["ramp_ahead"] > pit["ramp_behind"] else "behind"
    assert abs(pit["ramp_ahead"] - pit["ramp_behind"]) > 0.1
    assert pit["ramp"] == pit[f"ramp_{longer}"] and pit["drop"] == pit[f"drop_{longer}"]


@pytest.mark.parametrize(
    ("fall", "invert", "dn", "dr"),
    [
        (0.04, 96.2, 355, 17),
        # Deep for its radius, on a street that falls away: longer than a quarter turn each way.
        (-0.1, 95.72, 90, 13.6),
    ],
)
def test_the_arcs_of_a_ramp_between_a_level_host_and_a_street_that_slopes_meet_where_they_must(
    tmp_path: Path, fall: float, invert: float, dn: float, dr: float
) -> None:
    """Drawn as circles, the upper one tangent to the street: their radius is the least.

    PE: 27 OD of SDR 17, 25 OD of SDR 13.6 (PPI Handbook ch. 7).
    """
    dem = ground_of(tmp_path / "dem.tif", lambda x, y: 100 - fall * x)
    main = main_of([(0, 0), (60, 0)], invert_start_m=[invert], invert_end_m=[invert])
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_ahead"]}, geometry=[shapely.Point(X, Y)], crs=CRS
    )
    settings = {"carrier.nominal": f"{dn} mm", "carrier.dr": dr, "pits.max_depth": "12 m"}
    pit = planned(settings, mains=main, dem=dem, pit_edits=wish)["pits"].iloc[0]
    assert pit["role"] == "insertion_ahead"
    assert pit[["host_slope", "rest_slope"]].tolist() == pytest.approx([0.0, fall], abs=1e-9)
    top = 100 - (invert + 0.225) + 0.5 + dn / 2000 + fall * pit["ramp"]
    assert pit["drop"] == pytest.approx(top, abs=1e-3)
    radius, turn = {17: 27, 13.6: 25}[dr] * dn / 1000, math.atan(fall)
    lower = np.array([0.0, radius])
    upper = np.array([pit["ramp"] + radius * math.sin(turn), top - radius * math.cos(turn)])
    assert np.hypot(*(upper - lower)) == pytest.approx(2 * radius, abs=1e-3)


def test_the_length_of_an_insertion_pit_is_the_ramp_and_the_room_at_the_face() -> None:
    """L = sqrt(H (4R - H)): two opposed arcs, the pipe level at both ends (geometry)."""
    layers = planned(
        {"street.least_string": "30 m"}, mains=main_of([(0, 0), (900, 0)], cover_m=[1.5])
    )
    one_way = layers["pits"].query("role in ['insertion_ahead', 'insertion_behind']")
    both = layers["pits"].query("role == 'insertion_both'")
    assert len(one_way) + len(both)
    radius = 27 * 0.355  # PE, SDR 17: 27 OD (PPI Handbook ch. 7, from memory)
    drop = 1.5 + 0.45 - 0.225 + 0.5 + 0.355 / 2
    ramp = np.sqrt(drop * (4 * radius - drop))
    np.testing.assert_allclose(one_way["length"], ramp + 2.0, rtol=1e-6)
    np.testing.assert_allclose(both["length"], ramp + 4.0, rtol=1e-6)


def test_a_dead_end_with_no_room_for_strings_refuses_every_insertion_with_the_reason() -> None:
    """A cul-de-sac of 25 m off a street that may not be blocked: less than one string."""
    main = main_of([(0.0, 2.0), (25.0, 2.0)], cover_m=[1.5])
    streets = gpd.GeoDataFrame(
        {"class": ["local", "arterial"], "width_m": [7.0, 12.0], "lanes": [2, 4]},
        geometry=[
            shapely.LineString([(X - 12, Y), (X + 25, Y)]),
            shapely.LineString([(X - 12, Y - 200), (X - 12, Y + 200)]),
        ],
        crs=CRS,
    )
    layers = planned(mains=main, streets=streets)
    places = layers["candidates"]
    assert not places["roles"].str.contains("insertion").any()
    for reasons in places["reasons"]:
        assert refused(reasons, "no room to lay out a string") == set(ROLES[1:])
    assert refused(places["reasons"].iloc[0], "no room to lay out a string of 30.0 m")
    # towards the closed end the ramp itself goes past it
    assert refused(places["reasons"].iloc[-1], "no street goes on behind the ramp")
    assert layers["pulls"].empty


def test_of_a_string_all_that_denies_it_room_is_told_and_nothing_farther_off() -> None:
    """The street ends 25 m behind the narrow part, in which the string would lie on no verge."""
    narrow, wide = [(-40.0, 0.0), (-15.0, 0.0)], [(-15.0, 0.0), (600.0, 0.0)]
    streets = gpd.GeoDataFrame(
        {"class": ["local"] * 2, "width_m": [1.0, 7.0], "lanes": [1, 2]},
        geometry=[shapely.LineString([(x + X, y + Y) for x, y in part]) for part in (narrow, wide)],
        crs=CRS,
    )
    main = main_of([(0.0, 2.0), (400.0, 2.0)], cover_m=[1.5])
    limits = {"street.verge": "1 m", "street.least_string": "40 m"}
    places = planned(limits, mains=main, streets=streets)["candidates"]
    # lengths the ramp leaves before the narrow part and before the end of the street
    ramp_top = places["chainage"] - places["before_insertion_ahead"]
    to_narrow, to_end = ramp_top + 15.0, ramp_top + 40.0
    for place, near, end in zip(places.itertuples(), to_narrow, to_end, strict=True):
        if near > 0:
            verge = "insertion_ahead" in refused(place.reasons, "past the verge of 1.0 m")
            short = "insertion_ahead" in refused(place.reasons, "a string of 40.0 m")
            assert (verge, short) == (near < 40.0, end < 40.0)
    assert ((to_narrow > 0) & (to_end < 40.0)).any()


def test_a_great_price_on_pits_buys_the_fewest_there_can_be() -> None:
    """A straight main of 1000 m, pulls of at most 300 m; one both ways and one end spare a pit.

    Fewest by trial: k pits make k - 1 pulls, and all but the pits themselves has to be pulled.
    """
    main = main_of([(0, 0), (1000, 0)], cover_m=[1.5])
    settings = {"pulls.max_length": "300 m", "objective.per_pit": 1e7}
    pits = planned(settings, mains=main)["pits"]
    plain = planned({"pulls.max_length": "300 m"}, mains=main)["pits"]
    widest = max((table["before"] + table["after"]).max() for table in (pits, plain))
    least = next(k for k in range(1, 99) if (k - 1) * 300 + k * widest >= 1000)
    assert len(pits) == least <= len(plain)
