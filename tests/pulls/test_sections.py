"""The worked example carried through a whole plan, and every section against the formulas.

The worked example is the project's own: a 24 in pit-cast host of class B, bore 24.02 in, 1000 ft
straight and level, drop 10 ft, C 70; 20 in DIPS pipe, PE4710 DR 17 or PVC DR 25. Its numbers were
worked out apart from the program; they are held to the digits they are given in.
"""

from __future__ import annotations

import functools
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
from geotools.brief import load_brief
from geotools.intake.findings import Findings
from geotools.pipe.catalogue import as_columns, carrier
from geotools.pipe.pulling import apparent_modulus_pa
from geotools.pipe.testing import hydrotest_limit_pa
from geotools.pulls.grouting import (
    grout_columns,
    grout_ports,
    lift_pressure_pa,
    report_floating,
    report_grout,
)
from geotools.pulls.sections import section_table
from geotools.pulls.tested import report_tests

INCH, FOOT, PSI, LBF, GALLON = 0.0254, 0.3048, 6894.757, 4.448222, 0.003785412
YARD3 = (3 * FOOT) ** 3
WATER = 1000 * 9.80665
PE, PVC = "20 in DIPS DR 17 PE4710", "20 in DIPS DR 25 PVC"
# insertion pit 2 m of working room, receiving pit 3 m: what is left is 1000 ft
LENGTH = 1000 * FOOT + 5.0
HALF_OD = 21.6 * INCH / 2
# drop: cover, half the nominal host, the resting height of 0.5 m and half the carrier
COVER = 10 * FOOT - 0.3048 - 0.5 - HALF_OD


def _slope(path: Path, *, rise: float) -> Path:
    """Ground that rises evenly by so much over the length of the main, from west to east."""
    cell, west = 10.0, 499_900.0
    east = west + cell * (np.arange(60) + 0.5)
    level = 100.0 + rise * (east - 500_000) / LENGTH
    shape = {"width": 60, "height": 20, "count": 1, "dtype": "float64"}
    place = rasterio.Affine(cell, 0, west, 0, -cell, 4_000_100.0)
    with rasterio.open(path, "w", driver="GTiff", crs=26917, transform=place, **shape) as raster:
        raster.write(np.tile(level, (20, 1)), 1)
        raster.units = ("m",)
    return path


@functools.cache
def _plan(name: str, ramp: str = "level") -> dict[str, Any]:
    return _planned(name, ramp)


def _planned(
    name: str, ramp: str, dem: Path | None = None, more: dict[str, object] | None = None
) -> dict[str, Any]:
    mains = gpd.GeoDataFrame(
        {
            "main_id": ["M1"],
            "diameter_in": 24.0,
            "material": "pit cast iron",
            "installed": 1915,
            "bore_in": 24.02,
            "c_factor": 70.0,
            "pressure_psi": 100.0,
            "flow_lps": 185.4,
            "cover_m": COVER,
        },
        geometry=[shapely.LineString([(500_000, 4_000_000), (500_000 + LENGTH, 4_000_000)])],
        crs=26917,
    )
    done = geotools.plan(
        mains=mains,
        dem=dem,
        settings={
            "carrier.fixed": f"M1 = {name}",
            "pits.ramp": ramp,
            "pulls.friction": 0.5,
            "pulls.force_share": 1.0,
            "pulls.machine_capacity": "5000 kN",
            "pulls.piece_length": "40 ft",
            **(more or {}),
        },
    )
    return dict(done.layers)


def _first(name: str, layer: str) -> pd.Series:
    return _plan(name)[layer].iloc[0]


# The worked example ----------------------------------------------------------------------


@pytest.mark.parametrize("name", [PE, PVC])
def test_the_example_is_one_pull_of_1000_ft_without_a_warning_of_its_carrier(name: str) -> None:
    plan = _plan(name)
    assert plan["runs"]["status"].tolist() == ["planned"]
    assert plan["runs"]["carrier"].tolist() == [name]
    assert plan["pulls"]["length"].to_numpy() == pytest.approx([1000 * FOOT], abs=1e-6)
    assert "fixed-carrier" not in set(plan["findings"]["rule"])


@pytest.mark.parametrize(
    ("name", "weight", "allowable", "low", "drag", "share"),
    [(PE, 35.54, 107_927, 10_661, 17_769, 0.165), (PVC, 35.13, 157_597, 10_538, 17_563, 0.111)],
)
def test_weight_drag_allowable_and_utilisation(
    name: str, weight: float, allowable: float, low: float, drag: float, share: float
) -> None:
    pull = _first(name, "pulls")
    assert pull["head_force"] / (0.5 * pull["length"]) == pytest.approx(
        weight * LBF / FOOT, rel=1e-3
    )
    assert pull["allowable"] == pytest.approx(allowable * LBF, rel=1e-4)
    # the example takes water at 0.4333 psi/ft, the program at 1000 kg/m3: 0.05 % apart
    assert pull["head_force_low"] == pytest.approx(low * LBF, rel=1e-3)
    assert pull["head_force"] == pytest.approx(drag * LBF, rel=1e-3)
    assert pull["utilisation"] == pytest.approx(share, abs=6e-4)
    assert pull["governed_by"] == "pipe"


@pytest.mark.parametrize(
    ("name", "ramp", "pit_ft"),
    [(PE, "lifted", 29.5), (PE, "level", 42.9), (PVC, "lifted", 94.3), (PVC, "level", 133.8)],
)
def test_pits(name: str, ramp: str, pit_ft: float) -> None:
    pits = _plan(name, ramp)["pits"].set_index("role")
    insertion = pits.loc["insertion_ahead" if "insertion_ahead" in pits.index else
                         "insertion_behind"]  # fmt: skip
    assert insertion["drop"] == pytest.approx(10 * FOOT)
    assert insertion["length"] == pytest.approx(pit_ft * FOOT + 2.0, abs=0.05 * FOOT)


@pytest.mark.parametrize(("name", "ratio"), [(PE, 1.142), (PVC, 1.293)])
def test_flow(name: str, ratio: float) -> None:
    run = _first(name, "runs")
    assert run["capacity_ratio"] == pytest.approx(ratio, abs=5e-4)
    # 185.4 L/s run down 0.002 in the host
    assert run["head_before"] == pytest.approx(0.002 * LENGTH, rel=2e-3)
    assert run["head_after"] == pytest.approx(run["head_before"] / ratio**1.852, rel=3e-3)


@pytest.mark.parametrize(("name", "gallons"), [(PE, 14_584), (PVC, 16_028)])
def test_water_annulus_joints(name: str, gallons: float) -> None:
    section = _first(name, "sections")
    assert section["water_volume"] == pytest.approx(gallons * GALLON, rel=2e-4)
    assert section["annulus_volume"] == pytest.approx(22.3 * YARD3, rel=3e-3)
    assert _first(name, "pulls")["joints"] == 24


def test_hydrostatic_tests() -> None:
    pvc, pe = _first(PVC, "sections"), _first(PE, "sections")
    for section in (pvc, pe):
        assert section["test_pressure"] == pytest.approx(150 * PSI, rel=1e-6)
    assert (pvc["test_rule"], pe["test_rule"]) == ("PVC", "PE")
    # 1.655 gal/h for 2 h
    assert pvc["make_up"] == pytest.approx(2 * 1.655 * GALLON, rel=5e-4)
    # 20 in, 3 h: 8.0 gal per 100 ft of the older table
    assert pe["make_up"] == pytest.approx(80 * GALLON, rel=1e-6)


def test_the_thrust_on_a_cap_is_that_of_the_test_at_the_low_point() -> None:
    section = _first(PE, "sections")
    due = section["test_pressure"] * math.pi / 4 * (21.6 * INCH) ** 2
    assert section["end_thrust"] == pytest.approx(due)


def test_heat_stretch_and_rest() -> None:
    # from 23 to 12 C: 11 K x 1.44e-4 (PE) and 5.4e-5 (PVC)
    pe, pvc = _first(PE, "sections"), _first(PVC, "sections")
    assert pe["thermal_change"] == pytest.approx(-11 * 1.44e-4 * 304.8)
    assert pvc["thermal_change"] == pytest.approx(-11 * 5.4e-5 * 304.8)
    pull = _first(PE, "pulls")
    area = math.pi * (21.6 - 21.6 / 17) * 21.6 / 17 * INCH**2
    modulus = float(apparent_modulus_pa("PE4710", 12.0))  # pulls.duration, as the tension allowed
    assert pull["hours"] < 12.0
    assert modulus == pytest.approx(63_000 * PSI, rel=0.01)  # of twelve hours, from memory
    assert pull["mean_force"] == pytest.approx(pull["head_force"] / 2)  # level and straight
    assert pe["stretch"] == pytest.approx(pull["mean_force"] / (area * modulus) * 304.8)
    for section in (pe, pvc):
        taken_back = section["stretch"] - section["thermal_change"]
        assert section["leave"] == pytest.approx(taken_back + 2.0)
        head = section["stretch"] - section["thermal_change"] / 2 + 1.0
        assert section["leave_head"] == pytest.approx(head)
        assert section["wait_hours"] == 24.0


def test_grout_of_the_example(tmp_path: Path) -> None:
    level = _slope(tmp_path / "level.tif", rise=0.0)
    pe = _planned(PE, "level", dem=level)["sections"].iloc[0]
    # DR 17 stands 14.7 psi for 12 h, more than the 5 psi of the specifications
    assert pe["grout_limit"] == pytest.approx(5 * PSI, rel=1e-6)
    # 283.7 kg/m of grout displaced against 52.9 + 181.1 kg/m: two lifts
    assert pe["grout_lifts"] == 2


# Levels ----------------------------------------------------------------------------------


def test_a_section_on_a_slope_is_tested_lower_at_its_high_point(tmp_path: Path) -> None:
    plan = _planned(PE, "level", dem=_slope(tmp_path / "slope.tif", rise=6.0))
    section = plan["sections"].iloc[0]
    drop = section["high_z"] - section["low_z"]
    assert drop == pytest.approx(6.0 * 1000 * FOOT / LENGTH, rel=1e-3)
    due = section["test_pressure"] - WATER * drop
    assert section["test_pressure_high"] == pytest.approx(due, rel=1e-4)
    # what grout presses more than water, 200 kg/m3 over 6 m, is taken off 14.7 psi
    stands = 14.7 * PSI
    limit = min(stands - 200 * 9.80665 * drop, 5 * PSI)
    assert section["grout_limit"] == pytest.approx(max(limit, 0.0), rel=2e-2, abs=200.0)


THIN = "20 in DIPS DR 32.5 PE4710"


def _grouted(tmp_path: Path, rise: float, grouted: bool = True) -> dict[str, Any]:
    dem = _slope(tmp_path / f"slope{rise:g}.tif", rise=rise)
    return _planned(THIN, "level", dem, {"pulls.grouted": grouted})


@pytest.mark.parametrize(("rise", "stands"), [(3.0, True), (12.0, False)])
def test_a_pull_grout_would_crush_is_warned_of_as_the_worksheet_fails(
    tmp_path: Path, rise: float, stands: bool
) -> None:
    """DR 32.5 stands 14.7 psi (16/31.5)^3 = 13.3 kPa: what 6.8 m of grout press more than water."""
    plan = _grouted(tmp_path, rise)
    section = plan["sections"].iloc[0]
    drop = f"{float(section['high_z'] - section['low_z'])!r} m"
    sheet = geotools.pipe_grout(
        carrier=THIN, bore="24.02 in", length="1000 ft", port=drop, inside_head=drop
    )
    (limit,) = [row["si_value"] for row in sheet.summary["results"] if row["name"] == "P port"]
    assert section["grout_limit"] == pytest.approx(limit, rel=1e-9, abs=1e-9)
    told = plan["findings"].query("rule == 'grout-beyond-limit'")
    assert bool(len(told)) == sheet.failed == (not stands)
    for text in told["text"]:
        assert told["feature"].tolist() == plan["pulls"]["pull_id"].tolist()
        for advice in ("split the pull", "ports midway", "lighter grout", "stiffer pipe",
                       "pressure in the carrier"):  # fmt: skip
            assert advice in text


def test_warm_water_leaves_less_pressure_for_the_grout(tmp_path: Path) -> None:
    """13.3 kPa at 23 C; at 37.7 C, 99.9 F, 0.731 of it (PPI Handbook ch. 3, Table B.1.2)."""
    dem = _slope(tmp_path / "warm.tif", rise=3.0)
    warm = {"pulls.grouted": True, "service.water_temperature": "37.7 degC"}
    section = _planned(THIN, "level", dem, warm)["sections"].iloc[0]
    grout = 200 * 9.80665 * (section["high_z"] - section["low_z"])
    stands = 0.731 * 14.7 * PSI * (16 / 31.5) ** 3
    assert section["grout_limit"] == pytest.approx(stands - grout, abs=60.0)


def test_grouting_is_warned_of_only_where_it_is_planned(tmp_path: Path) -> None:
    plan = _grouted(tmp_path, 12.0, grouted=False)
    assert plan["sections"]["grout_limit"].tolist() == [0.0]
    assert "grout-beyond-limit" not in set(plan["findings"]["rule"])


def test_pulls_grouted_where_no_level_is_known_are_warned_of_and_have_no_limit() -> None:
    plan = _planned(THIN, "level", None, {"pulls.grouted": True})
    assert plan["sections"]["grout_limit"].isna().all()
    told = plan["findings"].query("rule == 'grout-limit-unknown'")
    assert told["severity"].tolist() == ["warning"]
    assert told["feature"].tolist() == [",".join(plan["pulls"]["pull_id"])]


def _ports_told(rise: float, *, sags: bool = False, **pulls: str) -> list[str]:
    """Return what is told of a pull of 24.02 in DIPS 20 in DR 17 that falls so far, m.

    One that ``sags`` falls so far to its middle, and rises as far again.
    """
    pipe = as_columns([_pipe("20 in PE4710")])
    held = math.pi / 4 * ((24.02 * INCH) ** 2 - pipe.outside_m**2) * 300.0
    row = pd.DataFrame(
        {"pull_id": ["L"], "run": [0], "insertion_pit": ["P"], "length": 300.0, "annulus": held}
    )
    pits = pd.DataFrame({"pit_id": ["P"], "x": [0.0], "y": [0.0]})
    runs = pd.DataFrame({"pipe": [0]})
    own = {f"pulls.{name}": value for name, value in pulls.items()}
    brief = load_brief(overrides={"pulls.grouted": True, **own})
    findings = Findings()
    columns = grout_columns(row, pipe, np.array([rise]), brief)
    level = np.array([rise, 0.0, rise] if sags else [rise, 0.0])
    ports = grout_ports(row, pipe, level, np.array([0, len(level)]), columns["grout_stages"])
    sections = pd.DataFrame({"low_z": [0.0], "high_z": [rise], **columns, "grout_ports": ports})
    report_grout(row, sections, pits, runs, pipe, brief, findings)
    return list(findings.table()["text"])


def test_a_port_that_is_allowed_less_than_filling_the_bore_presses_is_warned_of() -> None:
    """Hydrostatics: 24.02 in filled with 1,200 kg/m3 press 7.18 kPa, in two lifts 3.59 each.

    14.7 psi less 7.18 kPa, over 200 kg/m3: 48.0 m on a slope, on which lifts fill the bore.
    """
    lift = 1200 * 9.80665 * 24.02 * INCH
    bore = np.array([24.02 * INCH] * 2)
    assert lift_pressure_pa(bore, np.array([2.0, np.nan]), 1200.0) == pytest.approx(
        [lift / 2, lift]
    )
    assert _ports_told(47.8) == []
    (text,) = _ports_told(48.5)
    assert "is less than the 7.2 kPa grout that fills the bore presses by itself" in text
    assert "rise no more than 48." in text


def test_a_port_whose_specification_lets_no_lift_in_is_told_so_and_not_a_weak_pipe() -> None:
    """3.59 kPa a lift on the level against 3.4; on a slope the pipe may leave 3.0 kPa of 7.18."""
    (text,) = _ports_told(0.0, grout_pressure="3.4 kPa")
    assert "may be given 3.4 kPa at most (pulls.grout_pressure), less than the 3.6 kPa" in text
    assert "one of 2 lifts" in text and "stands" not in text
    assert "use lighter grout (pulls.grout_density) or place it in more lifts, or set" in text
    (text,) = _ports_told(50.3, grout_pressure="3.4 kPa")
    assert "is less than the 7.2 kPa grout that fills the bore" in text
    assert "; and a port may be given 3.4 kPa" in text
    assert "more lifts" not in text  # none hold it down
    assert "grout_lifts is empty); use lighter grout (pulls.grout_density), or set" in text
    (text,) = _ports_told(0.0, grout_pressure="3.4 kPa", grout_density="600 kg/m^3")
    assert "less than the 3.6 kPa the one lift presses by itself" in text


def test_heavy_grout_is_told_of_by_its_density_and_light_grout_crushes_nothing() -> None:
    """1,600 kg/m3: 24.02 in press 9.57 kPa; 600 x 9.80665 x 40 m are 235.4 kPa."""
    (text,) = _ports_told(40.0, grout_density="1600 kg/m^3")
    assert "presses 235.4 kPa more than the water in it: no pressure is left" in text
    # 101.64 kPa less 9.57, over 600 kg/m3
    assert "rise no more than 15.6 m" in text
    assert _ports_told(40.0, grout_density="600 kg/m^3") == []


def test_what_may_not_be_grouted_at_once_is_told_with_what_programme_and_price_hold() -> None:
    """40 m in stages of 15.6 m are three; by a port that is allowed too little there are none."""
    (text,) = _ports_told(40.0, grout_density="1600 kg/m^3")
    assert text.endswith(". The programme holds 3 such stages; the 2 ports midway are not priced.")
    (text,) = _ports_told(40.0, sags=True, grout_density="1600 kg/m^3")
    assert text.endswith(
        ". The programme holds 3 such stages, some of stretches apart, between which it sags or "
        "crests; the 3 ports midway are not priced."
    )
    (text,) = _ports_told(48.5)
    assert text.endswith(". The programme holds 2 such stages; the port midway is not priced.")
    (text,) = _ports_told(0.0, grout_pressure="3.4 kPa")
    assert text.endswith(
        ". The programme holds no grouting of it; its grout is priced all the same."
    )


@pytest.mark.parametrize(("fall", "lifts"), [(0.0, 2), (0.5, 3), (5.0, None)])
def test_a_pull_that_falls_more_than_its_bore_is_held_down_by_no_lifts(
    fall: float, lifts: int | None
) -> None:
    """20 in DIPS DR 17 weighs 0.825 of what it displaces, and lies in a bore of 0.66 m.

    Level in two lifts; falling 0.5 m of its 0.549 in three, where the strip across its middle that
    holds so much is 0.71 of that; 5 m in none, and spacers bear 2782 - 2295 N/m.
    """
    table = _sections([_pipe("20 in PE4710")], [5e5], [100.0 + fall, 100.0, 100.0 + fall / 9])
    assert table["grout_lifts"].isna().tolist() == [lifts is None]
    assert lifts is None or table["grout_lifts"].tolist() == [lifts]
    stations = pd.DataFrame({"chainage": [0.0, 100.0, 200.0], "x": [0.0, 100.0, 200.0], "y": 0.0})
    findings, brief = Findings(), load_brief(overrides={"pulls.grouted": True})
    report_floating(
        table.assign(run=0), table, stations, np.array([0, 3]), pd.DataFrame({"pipe": [0]}),
        as_columns([_pipe("20 in PE4710")]), brief, findings,
    )  # fmt: skip
    told = findings.table()
    assert len(told) == (lifts is None)
    for row in told.to_dict("records"):
        assert (row["rule"], row["feature"]) == ("grout-floats-carrier", "L0")
        assert row["geometry"].x == 100.0
        assert "falls 5.0 m, more than its bore" in row["text"]
        assert "487 N per m more than it weighs" in row["text"].replace(".0 N", " N")
        assert "no heavier than 0.98 times water" in row["text"]


def test_pulls_that_float_are_told_of_in_one_finding_a_run_where_one_falls_most() -> None:
    pulls = pd.DataFrame({"pull_id": ["A1", "A2", "A3", "B1"], "run": [0, 0, 0, 1]})
    sections = pd.DataFrame(
        {
            "low_z": 0.0, "high_z": [5.0, 7.0, 0.2, 4.0], "low_chainage": [0.0, 100.0, 0.0, 100.0],
            "grout_lifts": [math.nan, math.nan, 3.0, math.nan],
        }
    )  # fmt: skip
    stations = pd.DataFrame(
        {"chainage": [0.0, 100.0] * 2, "x": [0.0, 1.0, 2.0, 3.0], "y": [0.0] * 4}
    )
    findings, brief = Findings(), load_brief(overrides={"pulls.grouted": True})
    report_floating(
        pulls, sections, stations, np.array([0, 2, 4]), pd.DataFrame({"pipe": [0, 0]}),
        as_columns([_pipe("20 in PE4710")]), brief, findings,
    )  # fmt: skip
    several, one = findings.table().to_dict("records")
    assert (several["feature"], several["geometry"].x) == ("A1,A2", 1.0)
    assert several["text"].startswith("2 pulls fall more than their bore (A1, A2), A2 most, 7.0 m")
    assert "in A2 the first of them at its low point, 100.0 m along its run" in several["text"]
    assert (one["feature"], one["geometry"].x) == ("B1", 3.0)
    assert one["text"].startswith("falls 4.0 m, more than its bore")


@pytest.mark.parametrize(
    ("density", "lifts", "limit"),
    # 20 in DIPS DR 17 full of water weighs 234 kg/m and takes the place of 0.2364 m3/m; it stands
    # 101.64 kPa, of which grout 20 m high takes what it presses more than water
    [("1600 kg/m^3", None, 0.0), ("1200 kg/m^3", None, 62.41e3), ("600 kg/m^3", 1, 101.64e3)],
)
def test_limit_and_lifts_of_the_grout_go_by_the_density_and_the_pressure_that_are_set(
    density: str, lifts: int | None, limit: float
) -> None:
    own = {"pulls.grout_density": density, "pulls.grout_pressure": "2 bar"}
    table = _sections([_pipe("20 in PE4710")], [5e5], [100.0, 110.0, 120.0], **own)
    assert table["grout_lifts"].astype("Int64").tolist() == [pd.NA if lifts is None else lifts]
    assert table["grout_limit"][0] == pytest.approx(limit, abs=60.0)
    usual = _sections([_pipe("20 in PE4710")], [5e5], [100.0, 110.0, 120.0])
    assert usual["grout_limit"][0] == pytest.approx(5 * PSI, rel=1e-6)


def test_grout_is_that_of_the_mains_a_pull_passes() -> None:
    """By hand: pi/4 (bore^2 - 0.5^2) a metre; mains of 590 and 650 mm bore, 300 m of each.

    Pulls from 2 to 297 m and from 303 to 598 m, a pit between them; 295 m each.
    """
    east = 500_000.0
    lines = [
        shapely.LineString([(east + low, 4_000_000), (east + low + 300, 4_000_000)])
        for low in (0, 300)
    ]
    mains = gpd.GeoDataFrame(
        {"main_id": ["A", "B"], "diameter_mm": 600.0, "bore_mm": [590.0, 650.0], "cover_m": 1.5},
        geometry=lines, crs=26917,
    )  # fmt: skip
    fixed = gpd.GeoDataFrame(
        {"action": ["fix"]}, geometry=[shapely.Point(east + 300, 4_000_000)], crs=26917
    )
    settings = {
        "carrier.fixed": "A = 500 mm SDR 17 PE100", "service.least_capacity": 0,
        "pulls.grouted": True, "rates.grout": "220 / m^3",
    }  # fmt: skip
    for drawn in (mains, mains.set_geometry(shapely.reverse(mains.geometry.to_numpy())).iloc[::-1]):
        plan = geotools.plan(mains=drawn, pit_edits=fixed, settings=settings).layers
        pulls = plan["pulls"].set_index("pull_id")
        volume = plan["sections"].set_index("pull_id")["annulus_volume"]
        due = sorted(math.pi / 4 * (bore**2 - 0.25) * 295 for bore in (0.59, 0.65))
        assert pulls["length"].to_numpy() == pytest.approx([295, 295], abs=1e-6)
        assert sorted(volume) == pytest.approx(due, rel=1e-9)
        items = plan["quantities"][plan["quantities"]["item"] == "grout"]
        of_pulls = items[items["scope"] == "pull"].set_index("ref")
        assert of_pulls["quantity"].to_dict() == pytest.approx(volume.to_dict())
        assert of_pulls["cost"].to_dict() == pytest.approx((220 * volume).to_dict())
        (of_run,) = items[items["scope"] == "run"]["quantity"]
        assert of_run == pytest.approx(sum(due), rel=1e-9)
        rest = (
            plan["quantities"][plan["quantities"]["scope"] == "pull"].groupby("ref")["cost"].sum()
        )
        assert pulls["cost"].to_dict() == pytest.approx(rest.to_dict(), rel=1e-9)


def test_pits_open_the_wide_main_where_its_grout_is_dearer_than_what_a_pull_saves() -> None:
    """Grout at 4,000 a m3: the choice goes by where the annulus is wide, 1,400 a metre dearer.

    A bore of 900 mm for 40 m in the middle of 600 mm; the pit between two pulls takes in as much
    of the wide part as any pit of its kind can, though the pulls would be more even elsewhere.
    """
    east = 500_000.0
    parts = [(0.0, 180.0, 600.0), (180.0, 220.0, 900.0), (220.0, 500.0, 600.0)]
    mains = gpd.GeoDataFrame(
        {"main_id": ["A", "B", "C"], "diameter_mm": [bore for _, _, bore in parts], "cover_m": 1.5,
         "bore_mm": [bore for _, _, bore in parts]},
        geometry=[
            shapely.LineString([(east + a, 4_000_000), (east + b, 4_000_000)]) for a, b, _ in parts
        ],
        crs=26917,
    )  # fmt: skip
    settings = {
        "network.diameter_tolerance": 0.4,
        "carrier.fixed": "A = 500 mm SDR 17 PE100", "service.least_capacity": 0,
        "pulls.max_length": "330 m", "pulls.grouted": True, "rates.grout": "4000 / m^3",
    }  # fmt: skip
    plan = geotools.plan(mains=mains, settings=settings).layers
    pits, room = plan["pits"], plan["candidates"]

    def opened(start: pd.Series, end: pd.Series) -> pd.Series:
        return (np.minimum(end, 220.0) - np.maximum(start, 180.0)).clip(lower=0.0)

    found = opened(pits["chainage"] - pits["before"], pits["chainage"] + pits["after"]).sum()
    most = max(
        opened(
            room["chainage"] - room[f"before_{role}"], room["chainage"] + room[f"after_{role}"]
        ).max()
        for role in ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")
    )
    assert found == pytest.approx(most, abs=1e-6)
    assert most > 3.0


# By the formulas, whatever the pipe ------------------------------------------------------


def _sections(
    pipes: list[Any], working: list[float], z: list[float], **settings: object
) -> pd.DataFrame:
    """One run of 200 m a pipe, one pull over its whole length, levels every 100 m."""
    count = len(pipes)
    pulls = pd.DataFrame(
        {
            "run": range(count),
            "pull_id": [f"L{k}" for k in range(count)],
            "run_id": [f"R{k}" for k in range(count)],
            "start": 0.0,
            "end": 200.0,
            "length": 200.0,
            "mean_force": 25e3,
            "hours": 30.0,
            "annulus": 20.0,
        }
    )
    runs = pd.DataFrame({"pipe": range(count), "working": working})
    stations = pd.DataFrame(
        {
            "run": np.repeat(np.arange(count), 3),
            "chainage": np.tile([0.0, 100.0, 200.0], count),
            "axis_z": np.resize(z, 3 * count),
        }
    )
    brief = load_brief(overrides=settings)
    bores = _mains(list(range(count)), [math.nan] * count, ends=[200.0] * count)
    return section_table(pulls, runs, stations, bores, as_columns(pipes), brief)


def _mains(run: list[int], pressure: list[float], ends: list[float]) -> pd.DataFrame:
    """Mains one after another along their runs, each up to its end, with a pressure or none."""
    table = pd.DataFrame({"run": run, "end": ends, "pressure": pressure})
    start = table.groupby("run")["end"].shift(fill_value=0.0)
    return table.assign(start=start)


def _pipe(name: str) -> Any:
    system, dr = ("METRIC", 17) if "mm" in name else ("DIPS", 17 if "PE" in name else 25)
    size, unit, material = name.split()
    return carrier(system=system, nominal=f"{size} {unit}", material=material, dr=dr)


def test_test_pressure_is_not_above_what_the_pipe_may_be_tested_to() -> None:
    pipes = [_pipe("20 in PE4710"), _pipe("20 in PVC")]
    table = _sections(pipes, [130 * PSI, 200 * PSI], [100.0] * 3)
    # 1.5 x 125 and 1.6 x 165 psi instead of 195 and 300
    assert (table["test_pressure"] / PSI).tolist() == pytest.approx([187.5, 264.0], rel=1e-6)


def test_highest_and_lowest_level_are_those_on_the_way() -> None:
    table = _sections([_pipe("20 in PVC")], [7e5], [100.0, 130.0, 110.0])
    assert table[["low_z", "high_z"]].to_numpy().tolist() == [[100.0, 130.0]]
    due = table["test_pressure"] - WATER * 30
    assert table["test_pressure_high"].to_numpy() == pytest.approx(due.to_numpy(), rel=1e-6)


def test_the_places_of_the_extreme_levels_are_told_an_end_before_a_place_on_the_way() -> None:
    pipes = [_pipe("20 in PVC")]
    hill = _sections(pipes, [7e5], [100.0, 130.0, 110.0])
    assert hill[["low_chainage", "high_chainage"]].to_numpy().tolist() == [[0.0, 100.0]]
    level = _sections(pipes, [7e5], [110.0, 100.0, 100.0])
    assert level[["low_chainage", "high_chainage"]].to_numpy().tolist() == [[200.0, 0.0]]
    unknown = _sections(pipes, [7e5], [math.nan] * 3)
    assert unknown[["low_chainage", "high_chainage"]].isna().all(axis=None)


def test_the_carriers_of_a_run_are_tested_as_one_its_lowest_place_a_pit_included() -> None:
    """Joined and filled, all pulls of a run stand under one water: p + rho g z is the same."""
    pulls = pd.DataFrame(
        {
            "pull_id": ["L1", "L2"],
            "run_id": "R1",
            "run": 0,
            "length": 90.0,
            "mean_force": 5e3,
            "hours": 30.0,
            "start": [0.0, 110.0],
            "end": [90.0, 200.0],
            "annulus": 1.0,
        }
    )
    runs = pd.DataFrame({"pipe": [0], "working": [6e5]})
    stations = pd.DataFrame(
        {"run": 0, "chainage": [0.0, 100.0, 200.0], "axis_z": [130.0, 100.0, 150.0]}
    )
    pipes = as_columns([_pipe("20 in PVC")])
    bores = _mains([0], [math.nan], ends=[200.0])
    table = section_table(pulls, runs, stations, bores, pipes, load_brief())
    # 1.5 x 600 kPa in the pit at 100 m; the ends of the pulls lie 3 m and 5 m above it
    due = [9e5 - WATER * 3, 9e5 - WATER * 5]
    assert table["test_pressure"].to_numpy() == pytest.approx(due, rel=1e-9)
    due = [9e5 - WATER * 30, 9e5 - WATER * 50]
    assert table["test_pressure_high"].to_numpy() == pytest.approx(due, rel=1e-9)
    stations = stations.assign(axis_z=math.nan)
    unknown = section_table(pulls, runs, stations, bores, pipes, load_brief())
    assert unknown["test_pressure"].tolist() == [9e5, 9e5]


def _slope_of_three(recorded: list[float]) -> tuple[pd.DataFrame, Findings]:
    """A run of 300 m that rises evenly by 60 m, a pull and a main each 100 m; its sections."""
    start = np.array([0.0, 100.0, 200.0])
    names = [f"L{k}" for k in range(3)]
    pulls = pd.DataFrame(
        {"pull_id": names, "run_id": "R1", "run": 0, "length": 100.0, "mean_force": 5e3,
         "hours": 30.0, "start": start, "end": start + 100.0, "annulus": 1.0,
         "insertion_pit": "P1"}
    )  # fmt: skip
    known = [value for value in recorded if math.isfinite(value)]
    brief = load_brief()
    working = max(known, default=brief.service.working_pressure)
    runs = pd.DataFrame({"pipe": [0], "working": [working]})
    stations = pd.DataFrame({"run": 0, "chainage": [0.0, 300.0], "axis_z": [100.0, 160.0]})
    bores, pipes = (
        _mains([0, 0, 0], recorded, [100.0, 200.0, 300.0]),
        as_columns([_pipe("20 in PVC")]),
    )
    table = section_table(pulls, runs, stations, bores, pipes, brief)
    pits = pd.DataFrame({"pit_id": ["P1"], "x": [0.0], "y": [0.0]})
    findings = Findings()
    report_tests(pulls, table, pits, runs, pipes, brief, findings)
    return table, findings


def _short(findings: Findings) -> list[str]:
    table = findings.table()
    assert set(table["rule"]) <= {"test-below-working"} and set(table["severity"]) <= {"warning"}
    return [str(name) for name in table["feature"]]


def test_a_section_the_head_of_its_run_leaves_below_its_working_pressure_is_warned_of() -> None:
    """Of 1.5 x 600 kPa, 20 m of water (196.133 kPa) a pull go: 900, 703.9, 507.7, 311.6 kPa."""
    table, findings = _slope_of_three([6e5] * 3)
    due = [9e5 - WATER * rise for rise in (20, 40, 60)]
    assert table["test_pressure_high"].to_numpy() == pytest.approx(due, rel=1e-9)
    assert table["working_test"].to_numpy() == pytest.approx(due, rel=1e-9)
    assert _short(findings) == ["L1", "L2"]  # 507.7 and 311.6; the first has 703.9
    text = findings.table()["text"].iloc[1]
    assert "311.6 kPa" in text and "600.0 kPa (on record of the main there)" in text


def test_a_section_is_judged_by_what_the_mains_in_it_work_at_and_whose_word_that_is() -> None:
    table, findings = _slope_of_three([6e5, 5e5, 3e5])  # 703.9, 507.7 and 311.6 kPa are enough
    assert not _short(findings)
    assert table["working_pressure"].tolist() == [6e5, 5e5, 3e5]
    table, findings = _slope_of_three([6e5, math.nan, 3e5])  # the second is planned for the run's
    assert table["working_source"].tolist() == ["recorded", "run", "recorded"]
    assert table["working_pressure"].tolist() == [6e5, 6e5, 3e5]
    assert _short(findings) == ["L1"]
    table, findings = _slope_of_three([math.nan] * 3)
    assert set(table["working_source"]) == {"assumed"}
    assert "assumed, service.working_pressure" in findings.table()["text"].iloc[0]


def test_a_test_pressure_the_water_does_not_reach_is_none_and_not_nought() -> None:
    """Of 1.5 x 200 kPa nothing is left 30.6 m up: within the second pull, below the third."""
    table, findings = _slope_of_three([2e5] * 3)
    assert table["test_pressure"].isna().tolist() == [False, False, True]
    assert table["test_pressure_high"].isna().tolist() == [False, True, True]
    assert table["make_up"].isna().tolist() == [False, False, True]
    assert _short(findings) == ["L0", "L1", "L2"]
    assert "leaves no pressure at all" in findings.table()["text"].iloc[2]


def test_a_test_the_pipe_does_not_hold_is_told_with_what_was_asked_and_what_it_is() -> None:
    """A pipe that holds so much at test and no more; 1.5 times the working pressure is asked."""
    pipe = _pipe("20 in PVC")
    most = float(hydrotest_limit_pa(pipe.material, pipe.dr, temperature_c=23.0))
    _, findings = _slope_of_three([most / 1.5 + 1e3] * 3)
    told = findings.table()
    told = told[told["rule"] == "test-reduced"]
    assert told["feature"].tolist() == ["L0", "L1", "L2"]
    assert f"may be tested at {most / 1e3:,.1f} kPa" in told["text"].iloc[0]
    assert f"{(most + 1.5e3) / 1e3:,.1f} kPa at its lowest point" in told["text"].iloc[0]
    _, findings = _slope_of_three([most / 1.5 - 1e3] * 3)
    assert "test-reduced" not in set(findings.table()["rule"])


def test_every_pull_has_the_levels_of_its_own_way() -> None:
    pipes = [_pipe("20 in PVC"), _pipe("20 in PVC")]
    table = _sections(pipes, [7e5, 7e5], [100.0, 130.0, 110.0, 200.0, 150.0, 180.0])
    assert table[["low_z", "high_z"]].to_numpy().tolist() == [[100.0, 130.0], [150.0, 200.0]]


def test_a_level_that_is_not_known_is_left_out_or_makes_the_high_pressure_unknown() -> None:
    partly = _sections([_pipe("20 in PVC")], [7e5], [100.0, math.nan, 110.0])
    assert partly[["low_z", "high_z"]].to_numpy().tolist() == [[100.0, 110.0]]
    unknown = _sections([_pipe("20 in PVC")], [7e5], [math.nan] * 3)
    told = ["low_z", "high_z", "test_pressure_high", "grout_limit"]
    assert unknown[told].isna().all(axis=None)
    assert unknown["test_pressure"].notna().all()


def test_where_a_dem_has_a_hole_test_and_grout_go_by_the_main_straight_through_it() -> None:
    """A main up a plain slope: the levels between are those of the slope, known or not."""
    pipe, ends = _pipe("560 mm PE100"), {"pull_id": ["L1", "L2"], "run_id": "R1", "run": 0}
    pulls = pd.DataFrame(
        {**ends, "length": 95.0, "mean_force": 5e3, "hours": 5.0, "start": [0.0, 105.0],
         "end": [95.0, 200.0], "annulus": 1.0}
    )  # fmt: skip
    at = np.arange(0.0, 201.0, 10.0)
    slope = pd.DataFrame({"run": 0, "chainage": at, "axis_z": 100.0 + 0.04 * at})
    hole = slope.assign(axis_z=slope["axis_z"].where((at < 50) | (at > 195)))
    runs = pd.DataFrame({"pipe": [0], "working": [6e5]})
    whole, holed = (
        section_table(
            pulls,
            runs,
            stations,
            _mains([0], [math.nan], ends=[200.0]),
            as_columns([pipe]),
            load_brief(),
        )
        for stations in (slope, hole)
    )
    pd.testing.assert_frame_equal(holed, whole)
    assert whole["high_z"].tolist() == pytest.approx([103.8, 108.0])


def test_the_rest_lasts_as_long_as_the_pull_and_cold_pipe_is_not_pulled_back() -> None:
    table = _sections(
        [_pipe("560 mm PE100")],
        [7e5],
        [100.0] * 3,
        **{"carrier.temperature": "5 degC", "pulls.ground_temperature": "15 degC"},
    )
    assert table["wait_hours"].tolist() == [30.0]
    assert table["thermal_change"][0] == pytest.approx(10 * 1.44e-4 * 200)
    assert table["leave"][0] == pytest.approx(float(table["stretch"][0]) + 2.0)


def test_water_to_be_added_goes_by_the_nominal_size() -> None:
    table = _sections([_pipe("560 mm PE100"), _pipe("20 in PVC")], [7e5, 7e5], [100.0] * 3)
    # between 20 and 24 in: 8.0 and 13.3 gal per 100 ft
    share = (560 / 25.4 - 20) / 4
    gallons = (8.0 + share * 5.3) * 200 / (100 * FOOT)
    assert table["make_up"][0] == pytest.approx(gallons * GALLON, rel=1e-6)
    psi = table["test_pressure"][1] / PSI
    hour = (200 / FOOT) * 20 * math.sqrt(psi) / 148_000
    assert table["make_up"][1] == pytest.approx(2 * hour * GALLON, rel=1e-6)


def test_the_allowance_of_pvc_is_by_the_average_pressure_of_the_section() -> None:
    """AWWA C605 asks for the average; 20 m of water are 28.45 psi, so it is 14.22 psi less."""
    low, unknown = 0.9e6, [np.nan] * 3
    table = _sections([_pipe("20 in PVC")] * 2, [low / 1.5] * 2, [100.0, 110.0, 120.0, *unknown])
    assert table["test_pressure"].to_numpy() / PSI == pytest.approx([130.534] * 2, rel=1e-5)
    psi = [130.534 - 14.223, 130.534]
    gallons = [2 * (200 / FOOT) * 20 * math.sqrt(one) / 148_000 for one in psi]
    assert table["make_up"].to_numpy() / GALLON == pytest.approx(gallons, rel=1e-5)


@pytest.mark.parametrize(("pipe", "gallons"), [("90 mm PE100", 0.40), ("54 in PE4710", 43.0)])
def test_water_for_sizes_beyond_the_table_is_that_of_its_end(pipe: str, gallons: float) -> None:
    # rows of 4 and 48 in after 3 h, gal per 100 ft; source as in tests/outside/test_pipe_testing.py
    table = _sections([_pipe(pipe)], [5e5], [100.0] * 3)
    assert table["make_up"][0] == pytest.approx(gallons * 2 / FOOT * GALLON, rel=1e-6)


def test_durations_of_the_tests_are_the_briefs_and_are_told() -> None:
    pipes, level = [_pipe("20 in PE4710"), _pipe("20 in PVC")], [100.0] * 3
    usual = _sections(pipes, [5e5, 5e5], level)
    assert usual["test_hours"].tolist() == [3.0, 2.0]
    brief = {
        "service.pe_test_hours": 1,
        "service.pvc_test_duration": "4 h",
        "service.test_factor": 1.25,
    }
    changed = _sections(pipes, [5e5, 5e5], level, **brief)
    assert changed["test_hours"].tolist() == [1.0, 4.0]
    assert changed["test_pressure"].to_numpy() == pytest.approx([6.25e5] * 2)
    # 2.8 gal per 100 ft in 1 h for 20 in; C605 doubles with the hours, sqrt(1.25/1.5) by pressure
    assert changed["make_up"][0] == pytest.approx(2.8 * 2 / FOOT * GALLON, rel=1e-6)
    part = _sections(pipes, [5e5, 5e5], level, **{"service.pvc_test_duration": "150 min"})
    assert part["test_hours"].tolist() == [3.0, 2.5]
    share = changed["make_up"][1] / usual["make_up"][1]
    assert share == pytest.approx(2 * math.sqrt(1.25 / 1.5), rel=1e-9)


def test_grout_that_cures_longer_may_press_less() -> None:
    safe = {"service.collapse_safety": 10.0}  # so that the cap of 5 psi does not decide
    short, long = (
        _sections([_pipe("20 in PE4710")], [5e5], [100.0] * 3, **safe, **{"pulls.grout_cure": cure})
        for cure in ("12 h", "100 h")
    )
    # modulus of PE4710: 63,000 psi at 12 h, 55,000 at 100 h
    share = long["grout_limit"][0] / short["grout_limit"][0]
    assert share == pytest.approx(55 / 63, rel=1e-9)


def test_no_pulls_give_no_sections() -> None:
    assert len(_sections([], [], [100.0] * 3)) == 0
