"""Ramps on ground that bends: what the plan read of it, and what `verify` makes of that."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

import geotools
from geotools.deliver.verify.plan import load_plan
from geotools.deliver.verify.ramps import ramps
from geotools.tools.plan import TOOL

X, Y, LENGTH = 500_000.0, 4_800_000.0, 2_400.0
SETTINGS = {
    "carrier.system": "METRIC",
    "carrier.nominal": "355 mm",
    "carrier.material": "PE100",
    "carrier.dr": 17,
    "service.least_capacity": 0,
    "pits.max_slope": 0.5,
    "pulls.max_length": "150 m",
}


@pytest.fixture
def uneven(tmp_path: Path) -> Callable[[str], Path]:
    """Plan a straight main under ground that bends every 20 m, with a tee now and then."""
    rng = np.random.default_rng(3)
    tees = X + rng.uniform(0, LENGTH, 60)
    at = np.arange(-200.0, LENGTH + 201.0, 20.0)
    level = 100 + np.interp(np.arange(-199.5, LENGTH + 200), at, rng.uniform(-1.5, 1.5, len(at)))
    dem = tmp_path / "dem.tif"
    with rasterio.open(
        dem, "w", driver="GTiff", width=len(level), height=40, count=1, dtype="float32",
        crs="EPSG:32633", transform=Affine(1.0, 0.0, X - 200, 0.0, -1.0, Y + 20), nodata=-9999.0,
    ) as file:  # fmt: skip
        file.write(np.tile(level, (40, 1)).astype(np.float32), 1)
    mains = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [1.5]},
        geometry=[shapely.LineString([(X, Y), (X + LENGTH, Y)])],
        crs=32633,
    )
    laterals = gpd.GeoDataFrame(
        {"customers": np.ones(len(tees), dtype=int)},
        geometry=shapely.points(tees, np.full(len(tees), Y)),
        crs=32633,
    )

    def plan(step: str) -> Path:
        target = tmp_path / "plan.gpkg"
        geotools.plan(
            mains=mains,
            laterals=laterals,
            dem=dem,
            settings={**SETTINGS, "ground.step": step},
            output=target,
        )
        return target

    return plan


@pytest.mark.parametrize("step", ["10 m", "50 m"])
def test_a_ramp_is_judged_by_the_bends_of_the_ground_the_plan_looked_at(
    step: str, uneven: Callable[[str], Path]
) -> None:
    plan = load_plan(uneven(step), TOOL.outputs)
    tally = ramps(plan)
    assert tally.checked > 40
    assert not tally.faults
    pits = plan.tables["pits"]
    steep = pits["role"] == "insertion_ahead"
    pits.loc[steep, "drop"] += 0.2
    plan.kept.clear()
    assert {fault.feature for fault in ramps(plan).faults} >= set(pits["pit_id"][steep]) - {""}
