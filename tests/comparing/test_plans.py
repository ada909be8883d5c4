"""Plans side by side: small plans written for the test, compared by the command."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

import geotools
from geotools.brief import load_brief
from geotools.cli import main
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.sld import style_folder
from geotools.deliver.tables import settings_table
from geotools.errors import LayerError, OutputError
from geotools.schema import OUTPUTS
from geotools.tool import ToolError

CRS = pyproj.CRS(26917)
BLANK: dict[str, Any] = {"text": "", "integer": 0, "real": np.nan, "flag": False}
SCHEDULE = ({"task": "dig", "start_day": 0.0, "days": 4.0}, {"start_day": 3.0, "days": 2.5})


def rows_of(name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    blank = {field.name: BLANK[field.dtype] for field in OUTPUTS[name].fields}
    frame = pd.DataFrame([{**blank, **row} for row in rows], columns=list(blank))
    if not OUTPUTS[name].geometry:
        return frame
    shapes = gpd.GeoSeries([row["geometry"] for row in rows], crs=CRS)
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)


def run(name: str, y: float, **values: Any) -> dict[str, Any]:
    """Return a run of 400 m along x at a height of y, with costs and pits as given."""
    line = shapely.LineString([(500_000, 4_000_000 + y), (500_400, 4_000_000 + y)])
    usual = {
        "main_ids": f"M{y:g}",
        "host_diameter": 0.3,
        "length": 400.0,
        "status": "planned",
        "cost": 1000.0,
        "pit_count": 3,
        "pull_count": 2,
        "longest_pull": 200.0,
        "capacity_ratio": 0.8,
        "lanes": 1,
    }
    return {"run_id": name, "geometry": line, **usual, **values}


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def write(
        name: str,
        *runs: dict[str, Any],
        units: Literal["si", "us"] = "si",
        settings: Mapping[str, object] | None = None,
        sha: str = "aa",
        crs: int = 26917,
        pulls: Sequence[dict[str, Any]] = (),
        named: Sequence[dict[str, Any]] = (),
        read: Mapping[str, str] | None = None,
    ) -> Path:
        brief = load_brief(overrides={"output.units": units, **(settings or {})})
        ids = [r["run_id"] for r in runs]
        place = shapely.Point(500_000, 4_000_000)
        tables = {
            "runs": rows_of("runs", list(runs)),
            "pits": rows_of(
                "pits",
                [{"run_id": r["run_id"], "lanes_taken": r["lanes"], "days": days, "geometry": place}
                 for r in runs for days in (2.0, 3.5)] + list(named),
            ),
            "pulls": rows_of("pulls", list(pulls)),
            "schedule": rows_of("schedule", [{"run_id": n, **t} for n in ids for t in SCHEDULE]),
            "inputs": rows_of(
                "inputs",
                [{"layer": layer, "sha256": of}
                 for layer, of in {"mains": sha, **(read or {})}.items()],
            ),
            "settings": settings_table(brief, units),
        }  # fmt: skip
        out = pyproj.CRS(crs)
        for layer in ("runs", "pits", *(["pulls"] if pulls else [])):
            tables[layer] = tables[layer].to_crs(out)
        if not pulls:
            tables["pulls"] = tables["pulls"].set_crs(out, allow_override=True)
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        write_geopackage(path, tables, crs=out, units=units, overwrite=True)
        return path

    return write


def compared(*plans: Path, **options: Any) -> dict[str, Any]:
    layers: dict[str, Any] = geotools.compare(plans, **options).layers
    return layers


def rules(layers: Mapping[str, Any]) -> set[str]:
    return set(layers["findings"]["rule"])


def test_each_run_says_what_beats_it_and_what_it_is_best_in(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0), run("R2", 50, cost=900.0))
    b = write("b.gpkg", run("R1", 0, cost=1100.0), run("R2", 50, pit_count=2, lanes=2))
    table = compared(a, b)["comparison"]
    assert table["plan"].tolist() == ["a", "b", "a", "b"]
    assert table["dominated_by"].tolist() == ["", "a", "", ""]
    assert table["efficient"].tolist() == [True, False, True, True]
    assert table["best_in"].tolist() == ["cost", "", "cost,lane_days", "pit_count"]
    assert table["cheapest"].tolist() == [True, False, True, False]
    assert table["lane_days"].tolist() == [5.5, 5.5, 5.5, 11.0]  # (2 + 3.5) days by lanes
    assert table["days"].tolist() == [5.5] * 4  # the last task ends on 3 + 2.5
    assert set(table["not_counted"]) == {"head_after"}


@pytest.mark.parametrize(
    ("figure", "alike", "better"),
    [
        ("longest_pull", 199.8, 198.0),
        ("capacity_ratio", 0.804, 0.82),
        ("pit_count", 3, 2),
    ],
)
def test_what_no_survey_tells_apart_makes_no_plan_the_better(
    write: Callable[..., Path], figure: str, alike: float, better: float
) -> None:
    cheap = write("cheap.gpkg", run("R1", 0))
    dear = write("dear.gpkg", run("R1", 0, cost=28_000.0, **{figure: alike}))
    assert compared(cheap, dear)["comparison"]["dominated_by"].tolist() == ["", "cheap"]
    other = write("other.gpkg", run("R1", 0, cost=28_000.0, **{figure: better}))
    layers = compared(cheap, other)
    assert layers["comparison"]["dominated_by"].tolist() == ["", ""]
    assert figure in layers["comparison_totals"]["best_in"].tolist()[1]


def test_only_the_criteria_asked_for_count(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0, cost=900.0))
    b = write("b.gpkg", run("R1", 0, pit_count=2))
    assert compared(a, b)["comparison"]["dominated_by"].tolist() == ["", ""]
    by_cost = compared(a, b, criteria=["cost"])["comparison"]
    assert by_cost["dominated_by"].tolist() == ["", "a"]
    assert by_cost["best_in"].tolist() == ["cost", ""]


def test_a_run_without_a_plan_is_beaten_by_any_plan_of_it(write: Callable[..., Path]) -> None:
    none = {"status": "no_plan", "cost": np.nan, "longest_pull": np.nan, "capacity_ratio": np.nan}
    a = write("a.gpkg", run("R1", 0, **none), run("R2", 50))
    b = write("b.gpkg", run("R1", 0, cost=5e6), run("R2", 50))
    layers = compared(a, b)
    assert layers["comparison"]["dominated_by"].tolist() == ["b", "", "", ""]
    assert layers["comparison"]["efficient"].tolist() == [False, True, True, True]
    totals = layers["comparison_totals"]
    assert totals["common_runs"].tolist() == [1, 1]
    assert totals["common_cost"].tolist() == [1000.0, 1000.0]
    assert totals["cost"].tolist() == [1000.0, 5e6 + 1000]


def test_runs_of_which_nothing_is_planned_are_not_told_to_be_alike(
    write: Callable[..., Path],
) -> None:
    none = {"status": "no_plan", "cost": np.nan, "longest_pull": np.nan, "capacity_ratio": np.nan}
    out = {**none, "status": "not_suitable"}
    runs = [run("R1", 0), run("R2", 50, **none), run("R3", 100, **out)]
    text = geotools.compare([write("a.gpkg", *runs), write("b.gpkg", *runs)]).text
    assert "In 1 runs no plan is better than another in what counts." in text
    assert "For 2 runs there is nothing planned in any of them." in text


def test_totals_add_up_the_runs_planned_in_all_and_those_of_each(
    write: Callable[..., Path],
) -> None:
    a = write("a.gpkg", run("R1", 0, head_after=2.0), run("R2", 50), run("R3", 90, cost=7.0))
    b = write(
        "b.gpkg",
        run("R1", 50, cost=800.0, longest_pull=300.0),
        run("R2", 0, head_after=1.5, capacity_ratio=0.7),
    )
    layers = compared(a, b)
    totals = layers["comparison_totals"].set_index("plan")
    assert totals["common_cost"].to_dict() == {"a": 2000.0, "b": 1800.0}
    assert totals["common_head_after"].to_dict() == {"a": 2.0, "b": 1.5}
    assert totals["common_capacity_ratio"].to_dict() == {"a": 0.8, "b": 0.7}
    assert totals["common_longest_pull"].to_dict() == {"a": 200.0, "b": 300.0}
    assert totals["common_lane_days"].tolist() == [11.0, 11.0]
    assert totals["common_cheapest"].to_dict() == {"a": 1, "b": 2}
    assert totals["cost"].to_dict() == {"a": 2007.0, "b": 1800.0}
    assert totals["runs"].to_dict() == {"a": 3, "b": 2}
    assert totals["best_in"].to_dict() == {
        "a": "longest_pull,capacity_ratio",
        "b": "cost,head_after",
    }
    # numbered otherwise by the second brief, matched all the same; the third has its own row
    table = layers["comparison"]
    assert table["run_id"].tolist() == ["R1", "R2", "R2", "R1", "R3"]
    assert table["plans"].tolist() == [2, 2, 2, 2, 1]
    missing = layers["findings"].set_index("rule").loc["run-not-in-all"]
    assert missing["feature"] == "R3"
    assert missing["geometry"].equals(table.geometry.iloc[-1])


def test_settings_that_differ_have_the_value_of_each_plan(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0))
    b = write("b.gpkg", run("R1", 0), settings={"objective.per_pit": 20000, "rates.joint": 460})
    layers = compared(a, b)
    differ = layers["settings_differ"]
    assert differ["name"].tolist() == ["objective.per_pit"] * 2 + ["rates.joint"] * 2
    assert differ["value"].tolist() == ["0", "20000", "450", "460"]
    assert "rates-differ" in rules(layers)
    shared = set(layers["settings"]["name"])
    assert {"pulls.max_length", "caution.planning"} <= shared
    assert "objective.per_pit" not in shared


def test_plans_in_other_units_are_the_same_plan(write: Callable[..., Path]) -> None:
    a, b = write("a.gpkg", run("R1", 0)), write("b.gpkg", run("R1", 0), units="us")
    layers = compared(a, b)
    assert layers["settings_differ"]["name"].unique().tolist() == ["output.units"]
    assert layers["comparison"]["number"].tolist() == [1, 1]
    assert layers["comparison"]["best_in"].tolist() == ["", ""]


def test_a_plan_in_another_crs_is_matched_and_told(write: Callable[..., Path]) -> None:
    a, b = write("a.gpkg", run("R1", 0)), write("b.gpkg", run("R1", 0), crs=4326)
    layers = compared(b, a)
    assert layers["comparison"]["number"].tolist() == [1, 1]
    assert "other-mains" in rules(layers)
    assert layers["comparison"].crs == pyproj.CRS(4326)
    first, second = layers["comparison"].geometry
    assert first.hausdorff_distance(second) < 1e-8


def test_other_mains_are_refused_unless_runs_of_them_are_the_same(
    write: Callable[..., Path],
) -> None:
    a = write("a.gpkg", run("R1", 0), run("R2", 50))
    edited = write("b.gpkg", run("R1", 0), run("R2", 70), sha="bb")
    layers = compared(a, edited)
    assert {"other-mains", "run-not-in-all"} <= rules(layers)
    other = write("c.gpkg", run("R1", 5000), sha="cc")
    with pytest.raises(LayerError, match=r"c\.gpkg: its mains were read .* no run of it"):
        compared(a, other)


def test_a_plan_of_a_batch_is_of_the_same_files_as_one_of_the_whole(
    write: Callable[..., Path],
) -> None:
    """The plan of a district tells of no districts; that says nothing of what it was made from."""
    whole = write("a.gpkg", run("R1", 0), read={"streets": "ss", "districts": "dd"})
    part = write("b.gpkg", run("R1", 0), read={"streets": "ss"})
    assert "other-inputs" not in rules(compared(whole, part))
    other = write("c.gpkg", run("R1", 0), read={"streets": "tt"})
    findings = compared(whole, other)["findings"].set_index("rule")
    assert findings.loc["other-inputs", "text"].startswith("c: streets were not read from")


def pull(name: str, start: float, end: float, direction: str = "ahead") -> dict[str, Any]:
    ends = [(500_000 + x, 4_000_000, 90.0) for x in (start, end)]
    return {
        "pull_id": name, "run_id": "R1", "start": start, "end": end, "length": end - start,
        "direction": direction, "geometry": shapely.LineString(ends), "lanes_taken": 0,
        "string_days": 0.0,
    }  # fmt: skip


def pit(name: str, at: float, role: str = "receiving") -> dict[str, Any]:
    place = shapely.Point(500_000 + at, 4_000_000)
    return {
        "pit_id": name, "run_id": "R1", "chainage": at, "role": role, "geometry": place,
        "lanes_taken": 0, "days": 0.0,
    }  # fmt: skip


@pytest.mark.parametrize("crs", [26917, 4326])
def test_a_name_that_means_another_pull_or_pit_in_another_plan_is_told(
    write: Callable[..., Path], crs: int
) -> None:
    """A pit put in at 100 m makes of the second pull and pit the third, and turns the fourth."""
    old = [pull("L1", 3, 200), pull("L2", 205, 300), pull("L3", 305, 390)]
    new = [pull("L1", 3, 98), pull("L2", 103, 200), pull("L3", 305, 390, "behind")]
    pits = [pit("P1", 0), pit("P2", 200), pit("P3", 300)]
    moved = [pit("P1", 0), pit("P2", 100), pit("P3", 300, "insertion_ahead")]
    a = write("a.gpkg", run("R1", 0), pulls=[*old, pull("L4", 395, 399)], named=pits)
    b = write("b.gpkg", run("R1", 0), pulls=[*new, pull("L4", 395, 399.05)], named=moved, crs=crs)
    found = compared(a, b)["findings"]
    told = found[found["rule"] == "same-name"].set_index("layer")
    assert set(told["severity"]) == {"warning"}
    assert told["text"]["pulls"].startswith(
        "3 of 4 pulls that bear one name in both are other pulls in b, such as: L1 is 3.0 m to "
        "200.0 m, pulled ahead in a, 3.0 m to 98.0 m, pulled ahead in b; records"
    )
    assert told["text"]["pits"].startswith("2 of 3 pits")
    each = found[found["rule"] == "same-name-elsewhere"]
    assert each["feature"].tolist() == ["L1", "L2", "L3", "P2", "P3"]
    assert each["text"].iloc[4] == (
        "P3 is receiving at 300.0 m in a, insertion ahead at 300.0 m in b"
    )
    assert each.geometry.iloc[3].equals(shapely.Point(500_200, 4_000_000))
    same = write("c.gpkg", run("R1", 0), pulls=old, named=pits, crs=crs)
    assert not {"same-name", "same-name-elsewhere"} & rules(compared(a, same))


def test_a_pull_is_the_same_whichever_way_its_run_is_drawn(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0), pulls=[pull("L1", 3, 200)])
    line = pull("L1", 3, 200)["geometry"].reverse()
    turned = pull("L1", 200, 397, "behind") | {"geometry": line}
    b = write("b.gpkg", run("R1", 0), pulls=[turned])
    assert "same-name" not in rules(compared(a, b))


def test_currencies_are_not_mixed(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0))
    b = write("b.gpkg", run("R1", 0), settings={"rates.currency": "crowns"})
    with pytest.raises(LayerError, match=r"'crowns'.*'units'"):
        compared(a, b)


def test_one_plan_or_one_given_twice_is_no_comparison(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0))
    with pytest.raises(ToolError, match="two or more"):
        compared(a)
    with pytest.raises(ToolError, match="given twice"):
        compared(a, a)


def test_plans_of_one_name_are_told_apart_by_their_folder(write: Callable[..., Path]) -> None:
    a, b = write("x/plan.gpkg", run("R1", 0)), write("y/plan.gpkg", run("R1", 0, cost=1.0))
    assert compared(a, b)["comparison"]["dominated_by"].tolist() == ["y/plan", ""]


def test_the_command_writes_what_the_contract_says_and_keeps_what_exists(
    write: Callable[..., Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a, b = write("a.gpkg", run("R1", 0)), write("=b.gpkg", run("R1", 0, cost=900.0))
    target, rows = tmp_path / "compared.gpkg", tmp_path / "compared.csv"
    words = ["compare", a, b, "-o", target, "--csv", rows, "--units", "us"]
    with pytest.raises(SystemExit) as left:
        main([*map(str, words), "--json"])
    assert left.value.code == 0
    summary = json.loads(capsys.readouterr().out)
    assert [plan["common_cost"] for plan in summary["plans"]] == [1000.0, 900.0]
    assert {str(name) for name, _ in pyogrio.list_layers(target)} == {
        *("comparison", "comparison_totals", "settings_differ"),
        *("findings", "settings", "inputs"),
    }
    written = gpd.read_file(target, layer="comparison")
    assert written["length_ft"].tolist() == pytest.approx([400 / 0.3048] * 2)
    assert (tmp_path / "compared_styles" / "comparison.sld").exists()
    with rows.open(encoding="utf-8", newline="") as stream:
        assert [row["plan"] for row in csv.DictReader(stream)] == ["a", "'=b"]
    with pytest.raises(OutputError, match="exists already"):
        compared(a, b, output=target)
    geotools.report(target, output=tmp_path / "report.html")
    assert "comparison_totals" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_styles_are_written_where_the_first_plan_has_them(
    write: Callable[..., Path], tmp_path: Path
) -> None:
    bare = write("bare.gpkg", run("R1", 0), settings={"output.styles": False})
    styled = write("styled.gpkg", run("R1", 0, cost=900.0))
    for first, other in ((bare, styled), (styled, bare)):
        target = tmp_path / f"{first.stem}_first.gpkg"
        compared(first, other, output=target)
        assert style_folder(target).exists() == (first == styled)
    target = tmp_path / "again.gpkg"
    style_folder(target).write_text("a file", encoding="utf-8")
    compared(bare, styled, output=target)  # a file in the way of nothing
    with pytest.raises(OutputError, match="move it, or choose another name"):
        compared(styled, bare, output=target, overwrite=True)


def test_plans_of_two_programs_or_of_unknown_ones_are_told(write: Callable[..., Path]) -> None:
    a, b = write("a.gpkg", run("R1", 0)), write("b.gpkg", run("R1", 0))
    assert "other-program" not in rules(compared(a, b))
    for path, severity in ((b, "warning"), (a, "info")):
        with closing(sqlite3.connect(path)) as base, base:
            base.execute("DELETE FROM settings WHERE name = 'program'")
        layers = compared(a, b)
        findings = layers["findings"].set_index("rule")
        assert findings.at["other-program", "severity"] == severity
        assert "program" not in set(layers["settings_differ"]["name"])
        assert "program" not in set(layers["settings"]["name"])
    assert "too old to say which" not in findings.at["other-program", "text"]


def test_plans_measured_in_two_crs_say_so_and_not_where_one_does_not_tell(
    write: Callable[..., Path],
) -> None:
    a, b = write("a.gpkg", run("R1", 0)), write("b.gpkg", run("R1", 0))
    for path, crs in ((a, "EPSG:32632"), (b, "EPSG:32633")):
        layers = compared(a, b)
        assert "settings-alike" in rules(layers)
        assert "working_crs" not in set(layers["settings"]["name"])
        with closing(sqlite3.connect(path)) as base, base:
            base.execute("INSERT INTO settings (name, value) VALUES ('working_crs', ?)", [crs])
    layers = compared(a, b)
    differ = layers["settings_differ"]
    assert differ["name"].tolist() == ["working_crs"] * 2
    assert differ["value"].tolist() == ["EPSG:32632", "EPSG:32633"]
    assert "working_crs" not in set(layers["settings"]["name"])


def test_inputs_without_a_hash_are_not_told_as_the_same(write: Callable[..., Path]) -> None:
    a = write("a.gpkg", run("R1", 0), sha="", read={"streets": "cc", "dem": ""})
    b = write("b.gpkg", run("R1", 0), sha="", read={"streets": "cc", "dem": ""})
    findings = compared(a, b)["findings"].set_index("rule")
    assert "whether dem, mains were the same" in findings.at["inputs-not-known", "text"]
    c = write("c.gpkg", run("R1", 0), sha="bb", read={"streets": "ee", "dem": "dd"})
    findings = compared(a, c)["findings"].set_index("rule")  # one of them tells a hash
    assert "whether dem, mains were the same" in findings.at["inputs-not-known", "text"]
    assert "other-mains" not in findings.index
    assert ": streets were not read from the same" in findings.at["other-inputs", "text"]


def test_another_material_of_the_host_or_the_carrier_is_told_as_why_runs_differ(
    write: Callable[..., Path],
) -> None:
    lined = {"carrier": "250 mm SDR 21 PE100", "host_material": "cast iron, steel"}
    a = write("a.gpkg", run("R1", 0, **lined), run("R2", 50, **lined))
    turned = lined | {"host_material": "Steel, CI", "carrier": "250 mm SDR 26 PE100"}
    other = {"carrier": "Own A", "host_material": "ductile iron"}
    own = {"carrier.own": ["Own A; PVC; 250 mm; 10 mm"]}
    b = write("b.gpkg", run("R1", 0, **turned), run("R2", 50, **other), settings=own)
    findings = compared(a, b, a_copy(a))["findings"].set_index("rule")
    host = findings.loc[["host-material-differs"]]
    assert host["feature"].tolist() == ["R2"]  # the other is the same in other words
    assert set(host["severity"]) == {"warning"}
    told = "run R2: its host is of cast iron, steel in a and c, ductile iron in b; bore, capacity"
    assert host["text"].iloc[0].startswith(told)
    carrier = findings.loc[["carrier-material-differs"]]
    assert carrier["feature"].tolist() == ["R2"]
    told = "run R2: its carrier is of PE100 in a and c, PVC in b; radius"
    assert carrier["text"].iloc[0].startswith(told)


def a_copy(plan: Path) -> Path:
    return Path(shutil.copy(plan, plan.with_name("c.gpkg")))


def test_a_material_not_on_record_is_told_and_runs_without_a_plan_have_no_carrier(
    write: Callable[..., Path],
) -> None:
    a = write("a.gpkg", run("R1", 0, host_material="steel", carrier="20 in DIPS DR 25 PVC"))
    b = write("b.gpkg", run("R1", 0, status="no_plan", carrier="20 in DIPS DR 17 PE4710"))
    findings = compared(a, b)["findings"].set_index("rule")
    assert "steel in a, unknown in b" in findings.at["host-material-differs", "text"]
    assert "carrier-material-differs" not in findings.index


def test_runs_renamed_in_the_zone_beside_are_compared_and_other_hosts_are_the_reason(
    write: Callable[..., Path],
) -> None:
    a = write("a.gpkg", run("R1", 0), run("R2", 50))
    renamed = [run(n, at, main_ids=f"X{at}") for n, at in (("R7", 0), ("R8", 50))]
    b = write("b.gpkg", *renamed, sha="bb", crs=26918)
    table = compared(a, b)["comparison"]
    assert table["run_id"].tolist() == ["R1", "R7", "R2", "R8"]
    assert set(table["plans"]) == {2}
    c = write("c.gpkg", run("R7", 0, main_ids="X", host_diameter=0.5), run("R8", 50), sha="cc")
    findings = compared(a, c)["findings"]
    (text, _) = findings.loc[findings["rule"] == "run-not-in-all", "text"]
    assert "where it lies c has R7, of a host of 500 mm, and not" in text
    d = write("d.gpkg", run("R7", 0, main_ids="X", host_diameter=0.5), sha="dd")
    with pytest.raises(LayerError, match="one by its mains \\(where it lies a has R1, of a host"):
        compared(a, d)


def shifted(thing: dict[str, Any], x: float) -> dict[str, Any]:
    return thing | {
        "geometry": shapely.transform(thing["geometry"], lambda xy: xy + np.array([x, 0.0]))
    }


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"main_ids": "X,Y,Z,Q"}, "P1 is receiving at 0.0 m on mains M0 in a, receiving at 0.0 m "
         "on mains X, Y, Z and 1 more in b"),
        ({"geometry": shapely.LineString([(500_400, 4_000_000), (500_000, 4_000_000)])},
         "P1 is receiving at 0.0 m in a, receiving at 0.0 m on a run that begins at the other end, "
         "400.0 m away in b"),
        ({}, "P1 is receiving at 0.0 m in a, receiving at 0.0 m, 400.0 m away in b"),
    ],
)  # fmt: skip
def test_what_is_told_in_the_same_words_is_told_apart(
    write: Callable[..., Path], changes: dict[str, Any], told: str
) -> None:
    a = write("a.gpkg", run("R1", 0), named=[pit("P1", 0)])
    b = write("b.gpkg", run("R1", 0, **changes), named=[shifted(pit("P1", 0), 400)])
    findings = compared(a, b)["findings"].set_index("rule")
    assert findings.at["same-name-elsewhere", "text"] == told
