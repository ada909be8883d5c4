"""Holes and edges of the elevation raster: nothing gets cheaper or safer for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

import geotools

WEST, NORTH, CELL = 499_000.0, 4_800_200.0, 5.0
LENGTH = 400.0


def _plan(tmp_path: Path, ground: Any, **fields: Any) -> dict[str, Any]:
    """Plan a straight main to the east over ground by m from its start; NaN where not known."""
    line = shapely.LineString([(500_000, 4_800_000), (500_000 + LENGTH, 4_800_000)])
    of_all = {"main_id": ["M"], "diameter_mm": 500.0, "material": "cast iron", **fields}
    mains = gpd.GeoDataFrame(of_all, geometry=[line], crs=26917)
    x = WEST + CELL * (np.arange(480) + 0.5) - 500_000
    z = np.tile([ground(at) for at in x], (80, 1))
    with rasterio.open(
        tmp_path / "dem.tif", "w", driver="GTiff", width=480, height=80, count=1, dtype="float64",
        nodata=-9999, crs=26917, transform=rasterio.Affine(CELL, 0, WEST, 0, -CELL, NORTH),
    ) as raster:  # fmt: skip
        raster.write(np.where(np.isnan(z), -9999, z), 1)
        raster.units = ("m",)
    given = {"mains": mains, "dem": tmp_path / "dem.tif"}
    target = tmp_path / "plan.gpkg"
    settings = {"carrier.material": "PE4710", "pulls.max_length": "250 m"}
    plan = geotools.plan(**given, settings=settings, output=target, overwrite=True).layers
    verdict = geotools.verify(target)
    assert verdict.summary["failed"] == 0, verdict.text
    return dict(plan)


def _hill(at: float) -> float:
    """Return the ground over inverts at 57 m: 3 m at the ends, 6.5 m in the middle."""
    return float(60 + 3.5 * np.exp(-(((at - LENGTH / 2) / 80) ** 2)))


@pytest.mark.parametrize("wide", [10.0, 60.0])
def test_a_hole_over_a_deep_main_does_not_draw_a_pit(wide: float, tmp_path: Path) -> None:
    levels = {"invert_start_m": 57.0, "invert_end_m": 57.0}

    def pierced(at: float) -> float:
        return np.nan if abs(at - LENGTH / 2) < wide / 2 + CELL else _hill(at)

    whole, holed = (_plan(tmp_path, ground, **levels) for ground in (_hill, pierced))
    assert holed["stations"]["ground_z"].isna().any()
    assert holed["pits"]["chainage"].tolist() == whole["pits"]["chainage"].tolist()
    assert holed["pits"]["depth"].tolist() == pytest.approx(whole["pits"]["depth"].tolist())
    truth = [_hill(at) - 57.0 for at in holed["stations"]["chainage"]]
    lost = holed["stations"]["depth_source"] == "assumed"
    off = (holed["stations"]["depth"] - truth)[lost].abs()
    assert lost.any() and off.max() < 0.8  # a chord over 80 m of the hill is 0.77 m below it


def test_pits_and_ramps_where_the_ground_is_not_known_say_so(tmp_path: Path) -> None:
    """The raster ends 30 m before the run does, and its ground rises by 4 %."""

    def cut(at: float) -> float:
        return 100 + 0.04 * at if at < LENGTH - 30 else np.nan

    plan = _plan(tmp_path, cut, cover_m=1.5)
    findings, pits = plan["findings"], plan["pits"]
    bare = findings[findings["rule"] == "pit-ground-unknown"]
    last = pits.sort_values("chainage").iloc[-1]
    assert bare["feature"].tolist() == [last["pit_id"]]
    assert findings["rule"].eq("no-ground").any()
    from_last = plan["pulls"].query("insertion_pit == @last.pit_id")["pull_id"].tolist()
    assert findings.query("rule == 'ramp-ground-unknown'")["feature"].tolist() == from_last


def test_strings_off_the_raster_are_told_and_half_on_it_are_judged(tmp_path: Path) -> None:
    """It ends 100 m before the run's start, over which a string goes back, on 8 % of slope."""

    def cut(begins: float) -> Any:
        return lambda at: 100 + 0.08 * at if at > begins else np.nan

    half, none = (_plan(tmp_path, cut(begins), cover_m=1.5) for begins in (-100.0, 20.0))
    back = half["pulls"].query("direction == 'ahead' and start < 20")["pull_id"].tolist()
    assert len(back) == 1
    told = half["findings"].query("rule == 'string-on-slope'")
    first = told[told["feature"].str.startswith(back[0])]
    assert first["text"].str.contains("falls 8% from its pit").all() and len(first)
    lost = none["findings"].query("rule == 'string-ground-unknown'")
    assert set(none["pulls"].query("direction == 'ahead' and start < 20")["pull_id"]) == set(
        lost["feature"]
    )
