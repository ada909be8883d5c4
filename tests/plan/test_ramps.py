"""Ramps on ground that bends: what the plan read of it, and what `verify` makes of that."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

import geotools
from geotools.deliver.verify.plan import load_plan
from geotools.deliver.verify.ramps import ramps
from geotools.pipe.excavation import ENGINEER_DEPTH_M
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


def hillside(tmp_path: Path, rises: float, cover: float, **settings: object) -> dict[str, Any]:
    """Plan a main in level ground that rises west of its start; a pull ahead is wanted there."""
    at = np.arange(X - 80, X + 400)  # middles of cells: one lies over the start
    dem = tmp_path / "dem.tif"
    with rasterio.open(
        dem, "w", driver="GTiff", width=len(at), height=40, count=1, dtype="float32",
        crs="EPSG:32633", transform=Affine(1.0, 0.0, X - 80.5, 0.0, -1.0, Y + 20), nodata=-9999.0,
    ) as file:  # fmt: skip
        level = 100 + rises * np.maximum(X - at, 0.0)
        file.write(np.tile(level, (40, 1)).astype(np.float32), 1)
    mains = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [cover]},
        geometry=[shapely.LineString([(X, Y), (X + 300, Y)])],
        crs=32633,
    )
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_ahead"]}, geometry=[shapely.Point(X, Y)], crs=32633
    )
    target = tmp_path / "plan.gpkg"
    given = {**SETTINGS, "pits.max_depth": "9 m", **settings}
    layers = geotools.plan(
        mains=mains, pit_edits=wish, dem=dem, settings=given, output=target
    ).layers
    assert not geotools.verify(target).failed
    return layers


def test_a_ramp_beyond_the_end_of_its_run_counts_for_the_deepest_place(tmp_path: Path) -> None:
    """Ground of slope g over an arc of R: deepest ``R (sqrt(1 + g^2) - 1)`` below its foot.

    The arc is level at the foot, at the station; the slope of the arc is that of the ground after
    ``g R / sqrt(1 + g^2)``, 3.6 m on, beyond the half of a receiving pit. Dug there is what lies
    over the host's axis, and below it half of the carrier and the bedding.
    """
    radius, rises = 27 * 0.355, 0.4
    layers = hillside(tmp_path, rises, 5.2)
    pit = layers["pits"].iloc[0]
    assert pit["role"] == "insertion_ahead" and pit["dig_depth"] < ENGINEER_DEPTH_M
    gain = radius * (np.hypot(1.0, rises) - 1)
    due = 5.2 + 0.225 + 0.355 / 2 + 0.15 + gain
    assert due > ENGINEER_DEPTH_M
    assert pit["deepest"] == pytest.approx(due, abs=0.03)
    told = layers["findings"].query("rule == 'engineered-excavation'")["feature"]
    assert pit["pit_id"] in set(told)


def test_a_ramp_beyond_the_end_of_its_run_is_refused_where_it_would_be_too_deep(
    tmp_path: Path,
) -> None:
    """On level ground the pit is 1.95 m deep; the ramp's underside lies 2.64 m deep."""
    (tmp_path / "a").mkdir()
    level = hillside(tmp_path / "a", 0.0, 1.5, **{"pits.max_depth": "2.4 m"})
    assert level["pits"]["role"].iloc[0] == "insertion_ahead"
    (tmp_path / "b").mkdir()
    risen = hillside(tmp_path / "b", 0.4, 1.5, **{"pits.max_depth": "2.4 m"})
    assert "insertion_ahead" not in set(risen["pits"].query("chainage == 0")["role"])
    assert "deeper than 2.4 m" in risen["findings"].query("layer == 'pit_edits'")["text"].iloc[0]


def test_where_the_host_falls_away_too_steeply_for_the_pipe_no_ramp_is_given(
    tmp_path: Path,
) -> None:
    """Level ground, from X on 24 % down: an arc of 250 OD of PVC from there to level rises 3 m.

    Of 20 in DIPS (21.6 in) the radius is 137 m; the drop is no more than 2.3 m. A ramp told all
    the same, as long as its drop asks for, is found wrong.
    """
    at = np.arange(X - 200, X + 400)
    dem = tmp_path / "dem.tif"
    with rasterio.open(
        dem, "w", driver="GTiff", width=len(at), height=40, count=1, dtype="float32",
        crs="EPSG:32633", transform=Affine(1.0, 0.0, X - 200.5, 0.0, -1.0, Y + 20), nodata=-9999.0,
    ) as file:  # fmt: skip
        level = 100 - 0.24 * np.clip(at - X, 0.0, 100.0)
        file.write(np.tile(level, (40, 1)).astype(np.float32), 1)
    mains = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [600.0], "bore_mm": [620.0], "cover_m": [1.2]},
        geometry=[shapely.LineString([(X - 150, Y), (X + 250, Y)])],
        crs=32633,
    )
    wish = gpd.GeoDataFrame(
        {"action": ["fix"], "role": ["insertion_ahead"]},
        geometry=[shapely.Point(X - 3, Y)], crs=32633,
    )  # fmt: skip
    given = {
        "carrier.material": "PVC",
        "carrier.nominal": "20 in",
        "carrier.dr": 25,
        "service.least_capacity": 0.1,
    }
    target = tmp_path / "plan.gpkg"
    layers = geotools.plan(
        mains=mains, pit_edits=wish, dem=dem, settings=given, output=target
    ).layers
    assert not geotools.verify(target).failed
    assert "insertion_ahead" not in set(layers["pits"].query("chainage > 100")["role"])
    told = layers["findings"].query("layer == 'pit_edits'")["text"].iloc[0]
    assert "the host falls away too steeply for the ramp" in told
    plan = load_plan(target, TOOL.outputs)
    pit = plan.tables["pits"].index[0]
    plan.tables["pits"].loc[pit, ["ramp", "drop", "host_slope"]] = 23.0295, 1.889117, 0.2126
    plan.kept.clear()
    least = 250 * 21.6 * 0.0254 * np.sin(np.arctan(0.2126))
    assert any(f"it takes {least:.4f}" in fault.text for fault in ramps(plan).faults)
