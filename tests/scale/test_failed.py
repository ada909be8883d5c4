"""Runs of districts that failed are told: each by itself, and in every sum."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from geotools.brief import load_brief
from geotools.intake.findings import Findings
from geotools.network.runs import Chains
from geotools.scale.failed import report_failed
from geotools.scale.manifest import Entry
from geotools.scale.resume import Fate
from geotools.scale.share import OUTSIDE, Share
from geotools.scale.summary import Back, _district_layer, _run_layer, outcome_of, told_of
from geotools.schema import OUTPUTS

WHY = "dem (a.tif): is another file\nstreets (b.gpkg): is another file"
ENTRIES = {
    "East": Entry("failed", error=WHY),
    "Far": Entry("empty"),
    "North": Entry("set_aside", error="its worker died, every time"),
    "West": Entry(
        "done",
        file="west.gpkg",
        summary={"runs": {"planned": 1}, "findings": {"info": 7, "warning": 5, "error": 1}},
    ),
}


@pytest.fixture
def share() -> Share:
    """Five runs: two of the east, one of the north, one of the west, one of no district."""
    lengths = [100.0, 250.0, 40.0, 70.0, 900.0]
    xy = np.array([p for k, far in enumerate(lengths) for p in ((0.0, k), (far, k))])
    runs = pd.DataFrame(
        {
            "run_id": [f"R{k}" for k in range(5)],
            "main_ids": [f"M{k}" for k in range(5)],
            "diameter": 0.4,
            "material": "cast iron",
            "length": lengths,
        }
    )
    chains = Chains(xy, np.arange(0, 11, 2), pd.DataFrame(), pd.DataFrame())
    shapes = np.array([shapely.box(k, 0, k + 1, 1) for k in range(4)], dtype=object)
    of = np.array([0, 0, 2, 3, OUTSIDE])
    metric = pyproj.CRS(32633)
    layers = cast(
        "Any", SimpleNamespace(findings=Findings(), working_crs=metric, output_crs=metric)
    )
    areas = pd.DataFrame({"name": [*ENTRIES], "geometry": shapes})
    built = cast("Any", SimpleNamespace(table=runs, chains=chains))
    return Share(layers, built, areas, of, of, None, np.zeros(0, dtype=np.int64))


def planned(share: Share) -> dict[str, Back]:
    """The plan of the west, as it is read back."""
    row = {f.name: "" if f.dtype == "text" else 1 for f in OUTPUTS["runs"].fields}
    row |= {"run_id": "R3", "status": "planned", "length": 70.0, "cost": 7000.0, "district": "West"}
    return {"West": Back(pd.DataFrame([row]), share.layers.findings.table())}


def test_a_district_that_failed_says_how_many_runs_and_meters_it_was_to_plan(share: Share) -> None:
    fates = dict.fromkeys(ENTRIES, Fate(""))
    rows = _district_layer(share, ENTRIES, fates, "si").set_index("district")
    assert rows["runs_failed"].to_dict() == {"East": 2, "Far": 0, "North": 1, "West": 0}
    assert rows["length_failed"].to_dict() == {"East": 350, "Far": 0, "North": 40, "West": 0}
    assert rows.loc["West", ["plan_errors", "plan_warnings"]].tolist() == [1, 5]
    assert rows["runs_planned"].sum() + rows["runs_failed"].sum() == 4  # the fifth is outside


@pytest.mark.parametrize("some", [True, False])
def test_runs_of_districts_that_failed_are_rows_with_a_status_and_a_place(
    share: Share, some: bool
) -> None:
    runs = _run_layer(share, planned(share) if some else {}, ENTRIES).set_index("run_id")
    assert list(runs.index) == [*(["R3"] if some else []), "R0", "R1", "R2"]
    lost = runs.loc[["R0", "R1", "R2"]]
    assert set(lost["status"]) == {"failed"}
    assert lost["district"].tolist() == ["East", "East", "North"]
    assert lost["main_ids"].tolist() == ["M0", "M1", "M2"]
    assert lost["length"].tolist() == shapely.length(lost["geometry"].to_numpy()).tolist()
    assert lost["reason"]["R0"].startswith("district East failed: dem (a.tif): is another file (")
    assert lost["reason"]["R2"] == "district North was set aside: its worker died, every time"
    assert lost[["rank", "cost", "unit_cost", "longest_pull"]].isna().all(axis=None)


def test_a_district_that_failed_is_an_error_that_names_its_runs_and_what_failed(
    share: Share,
) -> None:
    report_failed(share, ENTRIES)
    told = share.layers.findings.table()
    assert set(told["severity"]) == {"error"}
    assert told["feature"].tolist() == ["East", "North"]
    assert shapely.length(told["geometry"].to_numpy()).tolist() == [350, 40]
    assert told["text"][0] == (
        "district East failed: dem (a.tif): is another file (and 1 more: error in "
        "district_results). It was to plan 2 runs, 350 m: none of them is planned. Mend what "
        "failed and run the same again with --resume"
    )
    assert "b.gpkg" not in told["text"][0]


def test_runs_of_districts_that_failed_are_summed_apart_from_those_done(share: Share) -> None:
    report_failed(share, ENTRIES)
    back = planned(share)
    said = told_of(share, back, ENTRIES, [], "si") | {
        "spared": [], "kept": [], "renewed": [], "planned": {}, "edited": {}, "manifest_kept": "",
        "summary_kept": "",
    }  # fmt: skip
    assert (said["runs_failed"], said["length_failed_m"]) == (3, 390)
    assert (said["runs_outside_districts"], said["length_outside_districts_m"]) == (1, 900)
    assert said["findings_of_summary"]["error"] == 2
    assert said["findings"]["error"] == 3
    tables = {
        "district_results": _district_layer(share, ENTRIES, dict.fromkeys(ENTRIES, Fate("")), "si"),
        "district_runs": _run_layer(share, back, ENTRIES),
    }
    done = outcome_of(tables, load_brief(), cast("Any", SimpleNamespace(folder="out")), said)
    assert done.summary["runs"] == 1
    assert done.failed
    for line in (
        "missing    3 runs, 390 m, of districts that failed are not planned",
        "failed     East (2 runs, 350 m): dem (a.tif)",
        "failed     North (1 runs, 40 m): its worker died",
    ):
        assert line in done.text


def test_findings_of_the_same_words_at_other_places_are_not_one(share: Share) -> None:
    own = share.layers.findings
    for where in (shapely.Point(1, 2), shapely.Point(1, 3), None):
        own.add("warning", "main-not-fed", "40 m of mains here", layer="mains", geometry=where)
    again = own.table()  # each told in the plan of a district too, and one there alone
    own.add("warning", "other", "of a feature", layer="mains", feature="M1")
    more = Findings()
    more.add("warning", "main-not-fed", "40 m of mains here", layer="mains",
             geometry=shapely.Point(9, 9))  # fmt: skip
    back = planned(share)["West"].runs
    plans = {"West": Back(back, again), "East": Back(back, more.table())}
    said = told_of(share, plans, ENTRIES, [], "si")
    assert said["findings_distinct"] == {"error": 0, "warning": 5, "info": 0}
