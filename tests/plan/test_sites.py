"""Findings on sites: pits that share ground."""

from __future__ import annotations

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
from geotools.tools._sites import report_shared, shared_pits
from geotools.tools._works import _prices


def shared(*rows: tuple[int, str, float, Any], system: str = "si") -> pd.DataFrame:
    pits = pd.DataFrame(
        {
            "pit_id": [f"P{k}" for k in range(len(rows))],
            "run": [row[0] for row in rows],
            "run_id": [f"R{row[0]}" for row in rows],
            "role": [row[1] for row in rows],
            "depth": [row[2] for row in rows],
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
