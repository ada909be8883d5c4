"""Findings on sites: pits that share ground."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

import geotools
from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.layout import outside
from geotools.layout.sites import report_shared, shared_pits
from geotools.layout.works import _prices


def shared(*rows: tuple[int, str, float, Any], system: str = "si") -> pd.DataFrame:
    """Tell of pits of a run and a role, so deep in the mean (m), on a ground."""
    pits = pd.DataFrame(
        {
            "pit_id": [f"P{k}" for k in range(len(rows))],
            "run": [row[0] for row in rows],
            "run_id": [f"R{row[0]}" for row in rows],
            "role": [row[1] for row in rows],
            "volume": [row[2] * row[3].area for row in rows],
            "area": [row[3].area for row in rows],
            "ground": [row[3] for row in rows],
        }
    )
    findings = Findings(system)
    report_shared(shared_pits(pits, _prices(Brief())), "crowns", findings)
    return findings.table()


def test_pits_of_two_runs_on_one_ground_are_told_with_overlap_and_saving() -> None:
    first = (0, "receiving", 3.0, shapely.box(0, 0, 6, 2))
    second = (1, "insertion_both", 2.0, shapely.box(4, 0, 20, 2))
    (row,) = shared(first, second).to_dict("records")
    assert row["rule"] == "pits-shared" and row["feature"] == "P0"
    assert "P0 and P1" in row["text"] and "4.0 m²" in row["text"]
    # One receiving set-up, 4 m2 made good, and 4 m2 x 2 m dug.
    rates = Brief().rates
    saved = rates.receiving_pit + 4 * rates.restoration + 8 * rates.excavation
    assert f"{saved:,.0f} crowns" in row["text"]
    assert row["geometry"].area == pytest.approx(4.0)
    assert "43.1 ft²" in shared(first, second, system="us")["text"][0]


def test_one_hole_saves_what_is_dug_of_it_not_the_depth_where_a_pit_stands() -> None:
    """A ramp from 3 m to nothing, 10 m long and 2 m wide: 30 m3 over 20 m2, 1.5 m in the mean."""
    prices = _prices(Brief())
    pits = pd.DataFrame(
        {
            "pit_id": ["A", "B"], "run": [0, 1], "run_id": ["R0", "R1"], "role": "receiving",
            "depth": [3.0, 3.0], "deepest": [3.0, 3.0], "volume": [30.0, 24.0],
            "area": [20.0, 8.0], "ground": [shapely.box(0, 0, 10, 2), shapely.box(6, 0, 10, 2)],
        }
    )  # fmt: skip
    (pair,) = shared_pits(pits, prices).to_dict("records")
    rates = Brief().rates
    due = rates.receiving_pit + 8 * (rates.restoration + 1.5 * rates.excavation)
    assert pair["saving"] == pytest.approx(due)


def test_pits_of_a_run_that_comes_back_to_where_it_was_are_told_too() -> None:
    one, other = ((0, "receiving", 3.0, shapely.box(x, 0, x + 6, 2)) for x in (0, 4))
    (row,) = shared(one, other).to_dict("records")
    assert row["text"].startswith("pits P0 and P1 of one run share 4.0 m² of ground")


def test_the_two_ends_of_a_ring_are_one_hole_and_verify_asks_for_the_finding(
    tmp_path: Path,
) -> None:
    angles = np.linspace(0.0, 2 * np.pi, 49)
    ring = shapely.LineString(np.stack([90 * np.cos(angles), 90 * np.sin(angles)], axis=1) + 5e5)
    of_all = {"main_id": ["M"], "diameter_mm": 600.0, "material": "cast iron", "cover_m": 1.5}
    mains = gpd.GeoDataFrame(of_all, geometry=[ring], crs=26917)
    settings = {"carrier.material": "PE4710"}
    plan = geotools.plan(mains=mains, settings=settings, output=tmp_path / "ring.gpkg").layers
    assert len(plan["pits"]) >= 2
    (told,) = plan["findings"].query("rule == 'pits-shared'").to_dict("records")
    assert "of one run" in told["text"]
    verdict = geotools.verify(tmp_path / "ring.gpkg")
    assert verdict.summary["failed"] == 0


def test_pits_that_only_touch_are_not_told() -> None:
    one = (0, "receiving", 3.0, shapely.box(0, 0, 6, 2))
    assert shared(one, (1, "receiving", 3.0, shapely.box(6, 0, 9, 2))).empty
    assert shared(one, (1, "receiving", np.nan, shapely.box(4, 0, 9, 2)))["text"].size == 1


@pytest.mark.parametrize(
    ("slope", "rollers", "told"),
    [(0.1, 0.1, True), (0.02, 0.1, False), (0.02, 0.01, True), (0.1, 0.2, True)],
)
def test_strings_on_steep_ground_are_told_with_what_they_weigh_downhill(
    slope: float, rollers: float, told: bool, tmp_path: Path
) -> None:
    """Common practice, no source: free rollers hold 5 % and no more, those of the brief less."""
    line = shapely.LineString([(500_000, 4_800_000), (500_400, 4_800_000)])
    of_all = {"main_id": ["M"], "diameter_mm": 500.0, "material": "cast iron", "cover_m": 1.5}
    mains = gpd.GeoDataFrame(of_all, geometry=[line], crs=26917)
    cell, west, north = 10.0, 499_000.0, 4_800_200.0
    with rasterio.open(
        tmp_path / "dem.tif", "w", driver="GTiff", width=240, height=40, count=1, dtype="float64",
        crs=26917, transform=rasterio.Affine(cell, 0, west, 0, -cell, north),
    ) as raster:  # fmt: skip
        raster.write(np.tile(100 + slope * cell * np.arange(240), (40, 1)), 1)
        raster.units = ("m",)
    given = {"mains": mains, "dem": tmp_path / "dem.tif"}
    settings = {"carrier.material": "PE4710", "pulls.roller_friction": rollers}
    plan = geotools.plan(**given, settings=settings).layers
    found = plan["findings"].query("rule == 'string-on-slope'")
    assert bool(len(found)) == told
    if not told:
        return
    assert set(found["feature"]) == set(plan["strings"]["string_id"])
    texts = found.set_index("feature")["text"]
    for string in plan["strings"].to_dict("records"):
        pull = plan["pulls"].set_index("pull_id").loc[string["pull_id"]]
        # of the run's western end strings lie on to the west, downhill of their pit
        downhill = pull["direction"] == "ahead"
        text = texts[string["string_id"]]
        assert (f"falls {slope:.0%} from its pit" in text) == downhill
        assert f"rollers hold {min(rollers, 0.05):.0%} at the least" in text
        assert ("it may run to the pit by itself" in text) != downhill


def test_a_hair_of_ground_that_two_pits_share_is_not_told_as_none() -> None:
    findings = Findings()
    pair = {"pit_id": "A", "other": "B", "runs": 2, "overlap": 0.02, "saving": 5.0}
    table = pd.DataFrame([pair | {"geometry": shapely.Point(0, 0)}])
    report_shared(table, "crowns", findings)
    (text,) = findings.table()["text"]
    assert "share less than 0.1 m² of ground" in text


X, Y = 500_000.0, 4_800_000.0
PLAIN = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
}


def main_of(*places: tuple[float, float]) -> gpd.GeoDataFrame:
    """Return a main of 450 mm, 2.2 m of ground on it."""
    line = shapely.LineString([(X + x, Y + y) for x, y in places])
    of_all = {"main_id": ["M"], "diameter_mm": 450.0, "bore_mm": 450.0, "cover_m": 2.2}
    return gpd.GeoDataFrame(of_all, geometry=[line], crs=32633)


def streets_of(*lines: list[tuple[float, float]]) -> gpd.GeoDataFrame:
    """Return streets of two lanes, 7 m wide."""
    shapes = [shapely.LineString([(X + x, Y + y) for x, y in line]) for line in lines]
    table = {"class": "local", "lanes": 2, "width_m": 7.0, "name": list("AB")[: len(shapes)]}
    return gpd.GeoDataFrame(table, geometry=shapes, crs=32633)


def wished(*places: tuple[float, float, str]) -> gpd.GeoDataFrame:
    """Return pits fixed in a role."""
    points = [shapely.Point(X + x, Y + y) for x, y, _ in places]
    table = {"action": "fix", "role": [role for *_, role in places]}
    return gpd.GeoDataFrame(table, geometry=points, crs=32633)


@pytest.mark.parametrize("support", ["shored", "sloped"])
@pytest.mark.parametrize(("end", "verge"), [((500.0, 15.0), 4.0), ((500.0, 0.0), 1.0)])
def test_ground_off_the_street_is_what_shapely_leaves_of_a_pit(
    support: str, end: tuple[float, float], verge: float
) -> None:
    """A main that leaves its street at an angle of 1.7 degrees, and one beside a narrow verge."""
    streets = streets_of([(-300, -3), (800, -3)])
    layers = geotools.plan(
        mains=main_of((0, 0), end),
        streets=streets,
        settings={**PLAIN, "pits.support": support, "street.verge": f"{verge} m"},
    ).layers
    corridor = shapely.buffer(streets.geometry.iloc[0], 3.5 + verge)
    grounds = layers["pit_footprints"].set_index("pit_id").geometry
    pits = layers["pits"].set_index("pit_id")
    due = {name: shapely.difference(ground, corridor).area for name, ground in grounds.items()}
    assert pits["off_street"].to_dict() == pytest.approx(due, abs=1e-3)
    assert max(due.values()) > 8 or (support, verge) == ("shored", 1.0)
    items = layers["quantities"].query("item == 'ground off the street' and scope == 'pit'")
    assert items["quantity"].sum() == pytest.approx(sum(due.values()), abs=1e-3)


@pytest.mark.parametrize("turned", [1, -1])
def test_ground_off_the_street_counts_the_corner_of_a_pit_in_a_bend(turned: int) -> None:
    """Main and street turn by 100 degrees: its corner is 1/cos(50) as far out as its sides."""
    turn = math.radians(100.0)
    line = [(-300.0, 0.0), (0.0, 0.0), (300.0 * math.cos(turn), 300.0 * math.sin(turn))]
    streets = streets_of(line)
    layers = geotools.plan(
        mains=main_of(*line[::turned]).assign(cover_m=2.5),
        streets=streets,
        settings={**PLAIN, "pits.support": "sloped", "pits.soil": "C", "street.verge": "4 m"},
    ).layers
    corridor = shapely.buffer(streets.geometry.iloc[0], 3.5 + 4.0)
    grounds = layers["pit_footprints"].set_index("pit_id").geometry
    pits = layers["pits"].set_index("pit_id")
    due = {name: shapely.difference(ground, corridor).area for name, ground in grounds.items()}
    place = shapely.Point(X, Y)
    bend = next(name for name in pits.index if grounds[name].contains(place))
    assert due[bend] > 0.1
    assert pits["off_street"].to_dict() == pytest.approx(due, abs=1e-3)


CROSS = ([(-300, -2), (400, -2)], [(300, -200), (300, 400)])
STRAIGHT, BENT = [(0, 0), (300, 0)], [(0, 0), (300, 0), (300, 300)]


@pytest.mark.parametrize("main", [STRAIGHT, BENT])
@pytest.mark.parametrize("before", [0.0, 0.01, 0.5, 2.0, 2.5])
def test_a_receiving_pit_that_opens_an_end_or_a_bend_may_stand_in_an_intersection(
    main: list[tuple[float, float]], before: float
) -> None:
    """Receiving pits are 6 m long: they open what lies 3 m off, the end or the corner."""
    layers = geotools.plan(
        mains=main_of(*main),
        streets=streets_of(*CROSS),
        pit_edits=wished((300 - before, 0, "receiving")),
        settings={**PLAIN, "network.max_turn": "100 deg"},
    ).layers
    (text,) = layers["findings"].query("layer == 'pit_edits'")["text"]
    assert text.endswith(": honoured")
    pit = layers["pits"].query("role == 'receiving'").iloc[-1]
    assert pit["chainage"] == pytest.approx(300 - before, abs=0.011)
    assert pit["chainage"] + pit["after"] >= 300 - 1e-6


def test_a_receiving_pit_that_opens_neither_end_nor_bend_keeps_clear_of_intersections() -> None:
    layers = geotools.plan(
        mains=main_of((0, 0), (400, 0)),
        streets=streets_of(*CROSS),
        pit_edits=wished((300, 0, "receiving")),
        settings=PLAIN,
    ).layers
    (text,) = layers["findings"].query("layer == 'pit_edits'")["text"]
    assert "not honoured" in text and "intersection" in text


@pytest.mark.parametrize(("setback", "honoured"), [("0.6 m", False), ("0 m", True)])
def test_the_distance_from_an_intersection_is_told_with_the_room_along_the_edge(
    setback: str, honoured: bool
) -> None:
    """The pit's edge at 289.8 m lies 10.2 m along and 2 m off the middle: 10.29 m by its corner."""
    layers = geotools.plan(
        mains=main_of((0, 0), (400, 0)),
        streets=streets_of(*CROSS),
        pit_edits=wished((286.8, 0, "receiving")),
        settings={**PLAIN, "pits.spoil_setback": setback},
    ).layers
    (text,) = layers["findings"].query("layer == 'pit_edits'")["text"]
    assert text.endswith(": honoured") == honoured
    told = "within 10.6 m (10.0 m, and 0.6 m kept free along the edge) of the middle of an"
    assert (told in text) != honoured


def test_a_fixed_pit_that_another_rules_out_is_told_so_by_its_place() -> None:
    """Two pits of 6 m 2 m apart: each lies over the middle of the other."""
    layers = geotools.plan(
        mains=main_of((0, 0), (300, 0)),
        pit_edits=wished((150, 0, ""), (152, 0, ""), (170, 0, "")),
        settings=PLAIN,
    ).layers
    texts = layers["findings"].query("layer == 'pit_edits'")["text"].tolist()
    (refused,) = [text for text in texts if "not honoured" in text]
    assert "152.0 m of run" in refused
    assert "the pit fixed at 150.0 m as well: one of the two pits would cover" in refused


def test_a_street_is_cut_into_the_lines_it_is_drawn_of_once_for_all_pits_by_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Twelve lines end to end, every second one drawn back and 2 m wider; pits by the joints."""
    ends = [(X + 50.0 * k, Y) for k in range(13)]
    lines = [
        shapely.LineString([ends[k + k % 2], (X + 50.0 * k + 20.0, Y + 0.3), ends[k + 1 - k % 2]])
        for k in range(12)
    ]
    roads = gpd.GeoDataFrame(
        {"class": "local", "lanes": 2, "width_m": [7.0, 9.0] * 6, "name": "Long Road"},
        geometry=lines,
        crs=32633,
    )
    made: list[Any] = []
    take = outside._Lines.of.__func__  # type: ignore[attr-defined]  # of a class

    def counted(cls: Any, *about: Any) -> Any:
        made.append(take(cls, *about))
        return made[-1]

    monkeypatch.setattr(outside._Lines, "of", classmethod(counted))
    wishes = wished(*((50.0 * k, 2.0, "receiving") for k in (3, 6, 9)))
    geotools.plan(mains=main_of((0.0, 2.0), (600.0, 2.0)), streets=roads, pit_edits=wishes)
    (cut,) = made
    assert all(one.equals(two) for one, two in zip(cut.line, sorted(lines, key=_west), strict=True))


def _west(line: Any) -> float:
    return float(line.bounds[0])


def test_a_pit_dug_where_mains_lie_that_do_not_join_its_run_there_is_told() -> None:
    """At 0 m small mains are tied in by a node in the pit; one from 250 m passes that at 400 m."""
    lines = {
        "run": [(0, 0), (400, 0)],
        "twin": [(400, 1.0), (0, 1.0)],
        "across": [(1.5, -80), (1.5, 80)],
        "dead": [(1.0, -80), (1.0, 80)],
        "tee": [(0, 0), (0, -0.4)],
        "after the tee": [(0, -0.4), (-40, -0.4)],
        "joined elsewhere": [(250, 0), (250, -0.6), (450, -0.6)],
        "beside": [(0, -6), (400, -6)],
    }
    large = [name in ("run", "twin") for name in lines]
    mains = gpd.GeoDataFrame(
        {
            "main_id": list(lines),
            "diameter_mm": np.where(large, 600.0, 150.0),
            "cover_m": 1.5,
            "status": ["abandoned" if name == "dead" else "" for name in lines],
        },
        geometry=[shapely.LineString(np.add(line, 5e5)) for line in lines.values()],
        crs=32633,
    )
    layers = geotools.plan(mains=mains, settings={"carrier.material": "PE100"}).layers
    pipes = mains.set_index("main_id").geometry.buffer(mains["diameter_mm"].to_numpy() / 2000)
    due = {}
    for pit in layers["pit_footprints"].merge(layers["runs"][["run_id", "main_ids"]]).itertuples():
        own = set(pit.main_ids.split(","))
        met = {name for name, pipe in pipes.items() if pit.geometry.intersection(pipe).area > 0.02}
        tied = {"tee", "after the tee"} if "run" in own else set()
        due[pit.pit_id] = sorted(met - own - tied - {"dead"})
    told = layers["findings"].query("rule == 'pit-over-main'").set_index("feature")["text"]
    assert set(told.index) == {name for name, mains in due.items() if mains}
    for name, text in told.items():
        lie = "lies" if len(due[name]) == 1 else "lie"
        assert f" {', '.join(due[name])} {lie}, not joined to its run in the pit" in text
    found = {name for several in due.values() for name in several}
    assert found == {"run", "twin", "across", "joined elsewhere"}
