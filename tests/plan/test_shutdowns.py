"""Shutdowns of whole plans: what the work opens is dry, and who loses water is told."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pandas as pd
import pdfplumber
import pytest
import shapely

import geotools

X, Y, CRS = 500_000.0, 4_800_000.0, 32633


def _points(*xy: tuple[float, float], **columns: Sequence[Any]) -> gpd.GeoDataFrame:
    places = [shapely.Point(X + x, Y + y) for x, y in xy]
    return gpd.GeoDataFrame(dict(columns), geometry=places, crs=CRS)


def _plan(near: float, **given: Any) -> dict[str, pd.DataFrame]:
    """Plan a host between two mains in service, with valves on it so near to its ends.

    Layers given replace those here, or leave them out.
    """
    ways = [((0, 0), (300, 0)), *(((x, 0), (x, y)) for x in (0, 300) for y in (200, -200))]
    mains = gpd.GeoDataFrame(
        {
            "main_id": [f"M{k}" for k in range(5)],
            "diameter_mm": [450.0, *[150.0] * 4],
            "bore_mm": [450.0, *[150.0] * 4],
            "cover_m": 1.5,
        },
        geometry=[shapely.LineString([(X + x, Y + y) for x, y in way]) for way in ways],
        crs=CRS,
    )
    beside = [(4.0, 100.0), (4.0, -100.0), (304.0, 100.0), (304.0, -100.0)]
    layers = {
        "mains": mains,
        "valves": _points((near, 0.0), (300 - near, 0.0), kind=["gate"] * 2, open=[1, 1]),
        "laterals": _points((60.0, 3.0), *beside, customers=[3.0, *[50.0] * 4]),
        "hydrants": _points((4.0, 150.0)),
        "sources": _points((0.0, 200.0), (300.0, -200.0)),
        "settings": {"service.least_capacity": 0},
    }
    return dict(
        geotools.plan(**{n: v for n, v in {**layers, **given}.items() if v is not None}).layers
    )


@pytest.mark.parametrize("near", [1.0, 4.0, 9.0])
def test_no_valve_that_is_dug_out_is_closed_and_all_who_lose_water_are_told(near: float) -> None:
    plan = _plan(near)
    shut = plan["shutdowns"].iloc[0]
    digs = plan["local_digs"].query("kind == 'valve'")
    assert len(digs) == 2
    assert shut["valve_count"] == 0
    assert (shut["customers"], shut["customers_beyond"]) == (203.0, 200.0)
    assert (shut["services"], shut["temporary_services"], shut["hydrants"]) == (5, 1, 1)
    found = plan["findings"].query("rule == 'customers-beyond'").iloc[0]
    tasks = plan["schedule"].assign(end=lambda t: t["start_day"] + t["days"]).set_index("task")
    shut, again = "close valves, prove the main dead", "flush, open valves, release"
    days = tasks.loc[again, "end"] - tasks.loc[shut, "start_day"]
    last = tasks.loc[["tie in at the pit", "remake the connections"], "end"].max()
    first = tasks.loc[["open the connections", "clean and inspect the host"], "start_day"].min()
    assert tasks.loc[again, "start_day"] == last
    assert tasks.loc[shut, "end"] == pytest.approx(first)
    assert found["severity"] == "warning"
    assert "200 customers not served off it, at 4 service connections" in found["text"]
    assert f"{days:.1f} working days" in found["text"]
    dry = plan["findings"].query("rule == 'hydrants-without-water'").iloc[0]
    assert dry["severity"] == "warning" and f"{days:.1f} working days" in dry["text"]
    assert dry["text"].startswith("run R0001: 1 hydrant(s) without water")
    assert "critical-without-water" not in set(plan["findings"]["rule"])


@pytest.mark.parametrize(
    ("sources", "said"),
    [
        (
            [(0.0, 0.0)],
            "This part of the network has no other: all of it loses water, 1,100 m of mains with "
            "203 customers on record. Feed it from elsewhere, or",
        ),
        ([(0.0, 0.0), (0.0, 200.0)], "Other sources of this part of the network stay"),
        ([(0.0, 200.0)], None),
    ],
    ids=["the only one", "one of two", "none"],
)
def test_a_shutdown_that_takes_a_source_with_it_is_a_warning_on_its_run(
    sources: list[tuple[float, float]], said: str | None, tmp_path: Path
) -> None:
    file = tmp_path / "plan.gpkg"
    valves = _points((0.0, 6.0), (0.0, -6.0), (300.0, 6.0), valve_id=["A", "B", "C"])
    plan = _plan(4.0, valves=valves, sources=_points(*sources), output=file)
    told = plan["findings"].query("rule == 'source-shut-in'")
    assert len(told) == (said is not None)
    assert geotools.verify(file).summary["failed"] == 0
    if said is None:
        return
    row = told.iloc[0]
    assert (row["severity"], row["layer"], row["feature"]) == ("warning", "shutdowns", "R0001")
    assert row["text"].startswith("run R0001: its shutdown (closing A, B, C) takes a source with")
    assert said in row["text"]
    assert shapely.distance(row["geometry"], plan["runs"].geometry.iloc[0]) < 0.01


@pytest.mark.parametrize("sources", [None, _points((0.0, 9000.0))], ids=["none", "off"])
def test_who_is_cut_off_without_a_source_is_not_told_as_a_fact(
    sources: gpd.GeoDataFrame | None, tmp_path: Path
) -> None:
    file, other = tmp_path / "plan.gpkg", tmp_path / "fed.gpkg"
    valves = _points((0.0, 6.0), (0.0, -6.0), (300.0, 6.0), (300.0, -6.0))
    plan = _plan(4.0, valves=valves, sources=sources, output=file)
    shut = plan["shutdowns"].iloc[0]
    assert shut["customers"] == 3.0  # of its own segments
    assert shut[["customers_beyond", "cut_off_nodes", "cut_off_length"]].isna().all()
    told = plan["findings"].query("layer == 'sources'").set_index("rule")["text"]
    assert "segments they shut in is not known" in told["source-unknown"]
    assert "cannot be told" not in told.str.cat()
    if sources is None:
        assert "beyond the segments it shuts in is not known" in told["layer-not-given"]
    assert not (plan["findings"]["rule"] == "customers-beyond").any()
    assert geotools.verify(file).summary["failed"] == 0
    geotools.report(file, output=tmp_path / "plan.html")
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert "customers or more without water" in page
    assert "customers without water at most" not in page
    geotools.sheets(file, output=tmp_path / "plan.pdf")
    with pdfplumber.open(tmp_path / "plan.pdf") as book:
        assert "at least 3" in " ".join(page.extract_text() for page in book.pages)
    _plan(4.0, valves=valves, output=other)
    rows = geotools.compare([file, other]).layers["comparison"].set_index("plan")
    assert np.isnan(rows.loc["plan", "customers"])
    assert rows.loc["fed", "customers"] == 103.0  # two of the four mains hang on the run


def test_whatever_is_told_of_a_valve_names_it_by_its_identifier(tmp_path: Path) -> None:
    ids = ["SV-1", "SV-2", "SV-3", "SV-4", "SV-5"]
    places = [(4.0, 0.0), (0.0, 150.0), (0.0, -150.0), (300.0, 150.0), (60.0, 90.0)]
    around = _points(*places, valve_id=ids, kind=["gate"] * 3 + ["gate, seized", "gate"])
    file = tmp_path / "plan.gpkg"
    wide = {"service.least_capacity": 0, "output.context": "200 m"}
    plan = _plan(4.0, valves=around, settings=wide, output=file)
    shut = plan["shutdowns"].iloc[0]
    assert shut["valves"] == "SV-2,SV-3"
    assert "cannot be closed: SV-4" in shut["remarks"]
    assert "cut out by the work, so not relied on: SV-1" in shut["remarks"]
    off = plan["findings"].query("rule == 'valve-off-main'")
    assert off["feature"].tolist() == ["SV-5"]
    assert set(plan["context"].query("layer == 'valves'")["feature"]) == set(ids)
    assert geotools.verify(file).summary["failed"] == 0
    geotools.drawing(file, output=tmp_path / "plan.dxf")
    drawn = ezdxf.readfile(tmp_path / "plan.dxf").modelspace()
    blocks = {b.dxf.name: [] for b in drawn.query("INSERT")}
    for block in drawn.query("INSERT"):
        blocks[block.dxf.name] += [a.dxf.text for a in block.attribs]
    assert {"SV-2", "SV-3"} <= set(blocks["LIN_SHUT"])
    assert set(ids) <= set(blocks["LIN_VALVE"])
    geotools.sheets(file, output=tmp_path / "plan.pdf")
    with pdfplumber.open(tmp_path / "plan.pdf") as book:
        text = " ".join(page.extract_text() for page in book.pages)
    assert "close SV-2" in text
    assert "SV-2, SV-3" in text
    geotools.report(file, output=tmp_path / "plan.html")
    assert "SV-2,SV-3" in (tmp_path / "plan.html").read_text(encoding="utf-8")


def test_valves_drawn_as_one_feature_have_one_name_and_verify_bears_it(tmp_path: Path) -> None:
    both = _points((0.0, 6.0), (0.0, -6.0)).union_all()
    valves = gpd.GeoDataFrame({"valve_id": ["A"]}, geometry=[both], crs=CRS)
    shut = _plan(4.0, valves=valves, output=tmp_path / "plan.gpkg")["shutdowns"].iloc[0]
    assert (shut["valves"], shut["valve_count"]) == ("A", 2)
    assert geotools.verify(tmp_path / "plan.gpkg").summary["failed"] == 0


def test_nobody_beyond_is_told_of_where_valves_shut_the_run_in_alone() -> None:
    lone = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [1.5]},
        geometry=[shapely.LineString([(X, Y), (X + 300, Y)])],
        crs=CRS,
    )
    plan = geotools.plan(
        mains=lone,
        valves=_points((100.0, 0.0), kind=["gate"], open=[1]),
        laterals=_points((60.0, 3.0), customers=[3.0], critical=[1]),
        sources=_points((0.0, 0.0)),
        settings={"service.least_capacity": 0},
    ).layers
    assert plan["shutdowns"].iloc[0]["customers"] == 3.0
    told = plan["findings"].query("rule == 'critical-without-water'").iloc[0]
    assert told["text"].startswith("run R0001: 1 critical customer(s) without water")
    assert "hydrants-without-water" not in set(plan["findings"]["rule"])
    assert not (plan["findings"]["rule"] == "customers-beyond").any()


def test_two_runs_that_need_each_others_valves_are_told_and_one_not_planned_is_not() -> None:
    def told(**settings: Any) -> list[str]:
        ways = [((0, 0), (300, 0)), ((300, 0), (600, 0)), ((300, 0), (300, -250))]
        mains = gpd.GeoDataFrame(
            {"main_id": ["A", "B", "C"], "diameter_mm": 450.0, "bore_mm": 450.0, "cover_m": 1.5},
            geometry=[shapely.LineString([(X + x, Y + y) for x, y in way]) for way in ways],
            crs=CRS,
        )
        around = [(290.0, 0.0), (310.0, 0.0), (300.0, -10.0)]
        valves = (
            None
            if settings.pop("none", False)
            else _points(*around, kind=["gate"] * 3, open=[1] * 3)
        )
        given = {"service.least_capacity": 0, **settings}
        layers = {"mains": mains} if valves is None else {"mains": mains, "valves": valves}
        plan = geotools.plan(**layers, settings=given).layers
        found = plan["findings"].query("rule == 'valve-cut-out-elsewhere'")
        assert (found["severity"] == "warning").all()
        return sorted(found["text"])

    one, two = told()
    assert one.startswith(
        "run R0001 is shut in by valves that the work on others cuts out: R0002 ("
    )
    assert two.startswith(
        "run R0002 is shut in by valves that the work on others cuts out: R0001 ("
    )
    assert "(fid 0, fid 1)" in one + two
    assert told(**{"network.only": ["R0001"]}) == []
    assert told(none=True) == []  # no shutdown at all
