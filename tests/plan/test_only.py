"""Plans of chosen runs: every feature of theirs is that of the plan of all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

import geotools
from geotools.errors import BriefError

SMALL = {"network.min_diameter": "150 mm"}
# Numbered in the order of the plan, or told of what runs have in common.
APART = ("context", "findings", "settings", "inputs")


def layers_of(path: Path) -> dict[str, pd.DataFrame]:
    return {
        str(name): pyogrio.read_dataframe(path, layer=name, read_geometry=bool(kind))
        for name, kind in pyogrio.list_layers(path)
    }


def own_rows(table: pd.DataFrame, runs: set[str]) -> pd.DataFrame:
    """Return the rows of these runs, in an order of their own."""
    rows = table[table["run_id"].isin(runs)]
    if "geometry" in rows:
        rows = pd.DataFrame(rows).assign(geometry=shapely.to_wkb(rows["geometry"].to_numpy()))
    return rows.reset_index(drop=True)


@pytest.fixture(scope="module")
def whole(sample: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    target = tmp_path_factory.mktemp("whole") / "plan.gpkg"
    geotools.plan(sample / "brief.toml", output=target, settings=SMALL)
    return layers_of(target)


@pytest.fixture(scope="module")
def some(
    sample: Path, whole: dict[str, pd.DataFrame], tmp_path_factory: pytest.TempPathFactory,
    command: Callable[..., int],
) -> tuple[Path, set[str]]:  # fmt: skip
    """Return the plan of a run by its name, one by a main in it, and one in the middle."""
    runs = whole["runs"]
    planned = runs[runs["status"] == "planned"]
    names = planned["run_id"].tolist()
    main = planned["main_ids"].iloc[4].split(",")[-1]
    target = tmp_path_factory.mktemp("some") / "plan.gpkg"
    code = command(
        "plan", sample / "brief.toml", "-o", target, "--quiet", "--only", f"{names[1]}, {main}",
        "--only", names[-1], "--set", "network.min_diameter=150 mm",
    )  # fmt: skip
    assert code == 0
    return target, {names[1], names[4], names[-1]}


def test_chosen_runs_are_planned_as_in_the_plan_of_all_feature_by_feature(
    whole: dict[str, pd.DataFrame], some: tuple[Path, set[str]]
) -> None:
    path, chosen = some
    found = layers_of(path)
    assert set(found["runs"]["run_id"]) == chosen
    compared = 0
    for name, table in whole.items():
        if name in APART or "run_id" not in table:
            continue
        due = own_rows(table[table["scope"] != "shared"] if "scope" in table else table, chosen)
        told = found[name]
        told = own_rows(told[told["scope"] != "shared"] if "scope" in told else told, chosen)
        pd.testing.assert_frame_equal(told, due, check_exact=True, obj=name)
        compared += len(due) > 0
    assert compared > 12


def test_a_plan_of_chosen_runs_keeps_the_rules_and_says_what_is_left_out(
    whole: dict[str, pd.DataFrame], some: tuple[Path, set[str]]
) -> None:
    path, chosen = some
    assert not geotools.verify(plan=path).failed
    findings = layers_of(path)["findings"]
    (text,) = findings.loc[findings["rule"] == "runs-not-chosen", "text"]
    every = len(whole["runs"])
    assert text.startswith(f"{every - len(chosen)} of {every} runs are not among those chosen")
    setting = layers_of(path)["settings"].set_index("name").loc["network.only"]
    assert setting["origin"] == "command line"


def test_chosen_runs_come_from_brief_settings_and_argument_alike(
    sample: Path, some: tuple[Path, set[str]], tmp_path: Path
) -> None:
    _, chosen = some
    name = sorted(chosen)[0]
    brief = tmp_path / "brief.toml"
    text = (
        (sample / "brief.toml")
        .read_text()
        .replace("district.gpkg", f"{sample.as_posix()}/district.gpkg")
    )
    text = text.replace('"dem.tif"', f'"{sample.as_posix()}/dem.tif"')
    text = text.replace("[network]", f'[network]\nonly = ["{name}"]')
    brief.write_text(text)
    costs = [
        geotools.plan(given, settings=more, **only).layers["runs"]["cost"].tolist()
        for given, more, only in (
            (brief, SMALL, {}),
            (sample / "brief.toml", {**SMALL, "network.only": name}, {}),
            (sample / "brief.toml", SMALL, {"only": [name]}),
        )
    ]
    assert costs[0] == costs[1] == costs[2]
    assert len(costs[0]) == 1


CRS = "EPSG:32633"


def mains(count: int = 3) -> gpd.GeoDataFrame:
    lines = [
        shapely.LineString([(5e5, 5e6 + 300 * k), (5e5 + 400, 5e6 + 300 * k)]) for k in range(count)
    ]
    table = {"main_id": [f"W{k}" for k in range(count)], "diameter_mm": [400.0] * count}
    return gpd.GeoDataFrame(table | {"cover_m": 1.5}, geometry=lines, crs=CRS)


def test_a_name_that_stands_for_no_run_is_refused_with_the_nearest() -> None:
    given = mains()
    given.loc[2, "diameter_mm"] = 100.0
    with pytest.raises(BriefError) as told:
        geotools.plan(mains=given, only=["W0", "W01", "R0009", "W2"])
    first, second, third = told.value.faults
    assert first.startswith("network.only: 'W01' is neither a run nor a main of one; did you mean")
    assert "'W0'" in first
    assert second.startswith("network.only: 'R0009' is neither a run")
    assert third.startswith("network.only: main 'W2' is in no run")


def test_a_carrier_fixed_for_a_run_that_is_not_chosen_stands_in_nobodys_way() -> None:
    pipe = "12 in DIPS DR 11 PE4710"
    fixed = {"carrier.fixed": [f"W0 = {pipe}", f"W1 = {pipe}"]}
    runs = geotools.plan(mains=mains(), only="W1", settings=fixed).layers["runs"]
    assert runs["main_ids"].tolist() == ["W1"]
    assert runs["carrier"].tolist() == [pipe]
    with pytest.raises(BriefError, match="'W9' is neither a run nor a lined main"):
        geotools.plan(mains=mains(), only="W1", settings={"carrier.fixed": [f"W9 = {pipe}"]})


def bearing_names_of_runs() -> tuple[gpd.GeoDataFrame, dict[str, str]]:
    """Return mains one of which bears the name of another's run, and the mains of all runs."""
    given = mains()
    given["main_id"] = ["W0", "W1", "R0001"]
    runs = geotools.plan(mains=given).layers["runs"]
    of_run = dict(zip(runs["run_id"], runs["main_ids"], strict=True))
    if of_run["R0001"] == "R0001":  # then that of the next
        given["main_id"] = ["W0", "W1", "R0002"]
        runs = geotools.plan(mains=given).layers["runs"]
        of_run = dict(zip(runs["run_id"], runs["main_ids"], strict=True))
    return given, of_run


def told_of_names(layers: dict[str, Any]) -> list[str]:
    findings = layers["findings"]
    chosen = findings[findings["rule"] == "name-of-two"]
    assert chosen["severity"].eq("warning").all()
    return [str(text) for text in chosen["text"]]


def test_a_name_of_a_run_that_a_main_of_another_bears_too_is_told_with_both(tmp_path: Path) -> None:
    given, of_run = bearing_names_of_runs()
    (twin,) = {main for main in of_run.values() if main in of_run}
    (other,) = [run for run, main in of_run.items() if main == twin]
    done = geotools.plan(mains=given, only=twin).layers
    assert done["runs"]["run_id"].tolist() == [twin]
    (text,) = told_of_names(done)
    assert text.startswith(f"network.only: '{twin}' is the name of a run, which is meant by it,")
    assert f"of a main in run {other}, which is not; if the main is meant, write {other}" in text
    both = geotools.plan(mains=given, only=[twin, other]).layers
    assert sorted(both["runs"]["run_id"]) == sorted([twin, other])
    assert not told_of_names(both)
    assert not told_of_names(geotools.plan(mains=given).layers)
    pipe = "12 in DIPS DR 11 PE4710"
    fixed = {"carrier.fixed": [f"{twin} = {pipe}"]}
    done = geotools.plan(mains=given, settings=fixed).layers
    carriers = done["runs"].set_index("run_id")["carrier"]
    assert carriers[twin] == pipe
    assert carriers[other] != pipe
    (text,) = told_of_names(done)
    assert text.startswith(f"carrier.fixed: '{twin}' is the name of a run, which is meant by it,")
    # chosen alone, the run of the main is planned as in the plan of all
    path = tmp_path / "other.gpkg"
    done = geotools.plan(mains=given, only=other, settings=fixed, output=path).layers
    assert done["runs"]["carrier"].tolist() == [carriers[other]]
    assert len(told_of_names(done)) == 1
    assert not geotools.verify(plan=path).failed


def test_a_batch_fixes_the_carrier_of_the_run_meant_and_of_no_main_of_its_name(
    tmp_path: Path,
) -> None:
    given, of_run = bearing_names_of_runs()
    (twin,) = {main for main in of_run.values() if main in of_run}
    boxes = [shapely.box(5e5 - 50, 5e6 + 300 * k - 50, 5e5 + 450, 5e6 + 300 * k + 50)
             for k in range(3)]  # fmt: skip
    districts = gpd.GeoDataFrame({"name": ["a", "b", "c"]}, geometry=boxes, crs=CRS)
    pipe = "12 in DIPS DR 11 PE4710"
    fixed = {"carrier.fixed": [f"{twin} = {pipe}"]}
    done: Any = geotools.batch(
        mains=given, districts=districts, output=tmp_path / "plans", settings=fixed
    )
    runs = done.layers["district_runs"]
    assert (runs["carrier"] == pipe).tolist() == (runs["run_id"] == twin).tolist()
    told = []
    for name in done.layers["district_results"]["file"]:
        path = tmp_path / "plans" / name
        told += told_of_names(layers_of(path))
        assert not geotools.verify(plan=path).failed
    assert len(told) == 1


def test_an_edit_on_a_run_that_is_not_chosen_is_told() -> None:
    edits = gpd.GeoDataFrame(
        {"action": ["fix", "fix"], "geometry": [shapely.Point(5e5 + 200, 5e6 + 300 * k) for k in
                                                (0, 1)]}, crs=CRS,
    )  # fmt: skip
    done = geotools.plan(mains=mains(), pit_edits=edits, only="W1").layers
    told = done["findings"].query("rule in ['edit-refused', 'edit-honoured']")
    assert told["severity"].tolist() == ["info", "info"]
    (lost,) = told.loc[told["rule"] == "edit-refused", "text"]
    assert lost.endswith("which is not chosen (network.only)")


def test_where_runs_are_chosen_no_mains_are_counted_that_are_in_the_others() -> None:
    """One run of 20 is less than a tenth of the mains, and 19 more of them are in runs."""
    lines = [shapely.LineString([(5e5, 5e6 + 300 * k), (5e5 + 400, 5e6 + 300 * k)])
             for k in range(21)]  # fmt: skip
    many = gpd.GeoDataFrame(
        {"main_id": [f"W{k}" for k in range(21)], "diameter_mm": [400.0] * 20 + [100.0]},
        geometry=lines, crs=CRS,
    )  # fmt: skip
    told = geotools.plan(mains=many, only="W1").text.splitlines()
    assert [line for line in told if line.startswith("left out")] == [
        "left out  19 of 20 runs are not among those chosen (network.only) and are left out"
    ]


def test_a_screening_ranks_the_chosen_runs_alone_and_says_how_many_are_left_out() -> None:
    every = geotools.screen(mains=mains()).layers
    done = geotools.screen(mains=mains(), settings={"network.only": ["W1"]})
    names = every["ranking"].set_index("main_ids")["run_id"]
    assert done.layers["ranking"]["run_id"].tolist() == [names["W1"]]
    ranked = done.layers["ranking_mains"].set_index("main_id")
    assert ranked.loc["W1", "rank"] == 1
    others = ranked.drop(index="W1")
    assert set(others["verdict"]) == {"not considered"}
    assert set(others["reason"]) == {"in no run that is chosen (network.only)"}
    told = "left out  2 of 3 runs are not among those chosen (network.only) and are left out"
    assert told in done.text.splitlines()


def test_a_batch_plans_chosen_runs_as_a_plan_does_and_names_the_districts_left_bare(
    tmp_path: Path,
) -> None:
    given = mains()
    given.to_file(tmp_path / "in.gpkg", layer="mains")
    boxes = [shapely.box(5e5 - 50, 5e6 + 300 * k - 50, 5e5 + 450, 5e6 + 300 * k + 50)
             for k in range(3)]  # fmt: skip
    gpd.GeoDataFrame({"name": ["a", "b", "c"]}, geometry=boxes, crs=CRS).to_file(
        tmp_path / "in.gpkg", layer="districts"
    )
    pipe = "12 in DIPS DR 11 PE4710"
    done: Any = geotools.batch(
        mains=tmp_path / "in.gpkg:mains", districts=tmp_path / "in.gpkg:districts",
        output=tmp_path / "plans", only="W1", settings={"carrier.fixed": [f"W1 = {pipe}"]},
    )  # fmt: skip
    whole = geotools.plan(mains=given, settings={"carrier.fixed": [f"W1 = {pipe}"]}).layers["runs"]
    runs = done.layers["district_runs"]
    assert runs["main_ids"].tolist() == ["W1"]
    assert runs["run_id"].tolist() == whole.query("main_ids == 'W1'")["run_id"].tolist()
    assert runs["cost"].iloc[0] == whole.set_index("main_ids").loc["W1", "cost"]
    assert done.layers["district_results"]["status"].tolist() == ["empty", "done", "empty"]
    findings = done.layers["findings"]
    bare = findings[findings["rule"] == "district-not-chosen"]
    assert bare["feature"].tolist() == ["a", "c"]
    assert done.summary["runs_not_chosen"] == 2
    assert done.summary["runs_outside_districts"] == 0
    every: Any = geotools.batch(  # a carrier fixed in one district is no error in the others
        mains=tmp_path / "in.gpkg:mains", districts=tmp_path / "in.gpkg:districts",
        output=tmp_path / "every", settings={"carrier.fixed": [f"W1 = {pipe}"]},
    )  # fmt: skip
    assert every.layers["district_results"]["status"].tolist() == ["done"] * 3
    assert (every.layers["district_runs"].set_index("main_ids")["carrier"] == pipe)["W1"]


def test_a_batch_tells_of_no_run_outside_its_districts_that_is_not_chosen(tmp_path: Path) -> None:
    """The district holds W1 alone: the others touch none, and were not asked for."""
    box = shapely.box(5e5 - 50, 5e6 + 300 - 50, 5e5 + 450, 5e6 + 300 + 50)
    given = {
        "mains": mains(),
        "districts": gpd.GeoDataFrame({"name": ["b"]}, geometry=[box], crs=CRS),
    }
    chosen = geotools.batch(**given, output=tmp_path / "chosen", only="W1")
    assert "outside-districts" not in set(chosen.layers["findings"]["rule"])
    assert chosen.summary["runs_not_chosen"] == 2
    assert chosen.summary["runs_outside_districts"] == 0
    every = geotools.batch(**given, output=tmp_path / "every")
    assert (every.layers["findings"]["rule"] == "outside-districts").sum() == 2
    assert every.summary["runs_outside_districts"] == 2


def test_a_ranking_says_that_a_run_in_it_may_have_no_plan() -> None:
    assert "may come out with no plan" in geotools.screen(mains=mains()).text
    none = {"network.min_diameter": "2 m"}
    assert "may come out with no plan" not in geotools.screen(mains=mains(), settings=none).text
