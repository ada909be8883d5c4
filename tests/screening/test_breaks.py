"""Breaks as points: each record counts for its main, or is told; `screen` and `intake` alike."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.errors import BriefError, LayerError
from geotools.tool import builtin

CRS = "EPSG:32633"
EAST, NORTH = 5e5, 5e6
YEAR = {"service.year": 2024}


def mains(**columns: Any) -> gpd.GeoDataFrame:
    """Return A, 1 km, and B behind it, 500 m, a run; C, 600 m, 100 m north; S, small, 8 m north."""
    lines = [
        [(0, 0), (1000, 0)],
        [(1000, 0), (1500, 0)],
        [(0, 100), (600, 100)],
        [(0, 8), (400, 8)],
    ]
    given = {
        "main_id": ["A", "B", "C", "S"],
        "diameter_mm": [400.0, 400.0, 500.0, 100.0],
        "installed": [1950, 2001, 1950, 1950],
        **columns,
    }
    shapes = [shapely.LineString([(EAST + x, NORTH + y) for x, y in line]) for line in lines]
    return gpd.GeoDataFrame(given, geometry=shapes, crs=CRS)


def breaks(*records: tuple[float | None, float, str, float | None]) -> gpd.GeoDataFrame:
    """Return records: x, y (no place if x is None), main and year."""
    shapes = [None if x is None else shapely.Point(EAST + x, NORTH + y) for x, y, *_ in records]
    table = {"main_id": [r[2] for r in records], "year": [r[3] for r in records]}
    return gpd.GeoDataFrame(table, geometry=shapes, crs=CRS)


def screened(records: gpd.GeoDataFrame | None, drawn: Any = None, **settings: Any) -> Any:
    given = {} if records is None else {"breaks": records}
    return geotools.screen(
        mains=mains() if drawn is None else drawn, settings=YEAR | settings, **given
    ).layers


def told(layers: Any, rule: str) -> pd.DataFrame:
    return layers["findings"].query("rule == @rule")


def counts(layers: Any) -> dict[str, float]:
    table = layers["ranking_mains"].set_index("main_id")["break_count"].dropna()
    return {name: round(count, 6) for name, count in table.items()}


def test_a_record_counts_for_the_main_it_names_else_for_the_nearest_within_reach() -> None:
    layers = screened(
        breaks(
            (500, 3, "", 2000),  # near A
            (1200, 4, "", 2010),  # near B
            (300, 60, "C", 1990),  # names C, 40 m from it
            (100, 3, "C", 1990),  # beside A, and names C
            (800, 40, "", 2000),  # far from all
        )
    )
    assert counts(layers) == {"A": 1, "B": 1, "C": 2}
    ranking = layers["ranking"].set_index("main_ids")
    assert ranking["break_count"].to_dict() == {"A,B": 2, "C": 2}
    assert ranking["breaks"].to_dict() == pytest.approx({"A,B": 2 / 1500, "C": 2 / 600})
    (far,) = told(layers, "break-off-main").itertuples()
    assert far.feature == "fid 4" and far.severity == "warning"
    assert "is 40.0 m from the nearest main, farther than 10.0 m" in far.text
    assert sorted(told(layers, "break-away")["feature"]) == ["fid 2", "fid 3"]
    wider = screened(breaks((800, 40, "", 2000)), **{"screening.break_reach": "45 m"})
    assert counts(wider) == {"A": 1, "B": 0, "C": 0}


def test_a_break_nearest_to_a_main_that_is_not_considered_is_none_of_the_large_one_beside_it() -> (
    None
):
    """8 m apart: at 2 m from the large main it is of that, at 6 m of the small one."""
    layers = screened(breaks((200, 2, "", 2000), (200, 6, "", 2000), (900, 0, "S", 2000)))
    assert counts(layers) == {"A": 1, "B": 0, "C": 0}
    (text,) = told(layers, "break-not-considered")["text"]
    assert text.startswith("2 of 3 records are on mains that are not considered")
    assert "it is smaller than 300 mm (network.min_diameter) (2)" in text


def test_of_mains_as_near_within_the_accuracy_one_that_may_be_lined_has_it_and_it_is_told() -> None:
    between = breaks((200, 4.2, "", 2000), (200, 4.4, "", 2000))  # 0.4 m and 0.8 m nearer to S
    layers = screened(between, mains(main_id=["A", "B", "C", "0"]))  # which is before A by name
    assert counts(layers) == {"A": 1, "B": 0, "C": 0}
    (one,) = told(layers, "break-doubtful").itertuples()
    assert one.feature == "fid 0"
    assert "as near to main 0 as to A, within the accuracy of the drawing" in one.text
    assert counts(screened(breaks((1000, 1, "", 2010)))) == {"A": 1, "B": 0, "C": 0}  # by name


def test_records_without_a_place_or_a_year_or_of_no_main_are_told_each_kind_with_its_count() -> (
    None
):
    layers = screened(
        breaks(
            (None, 0, "A", None),
            (None, 0, "", 2000),
            (None, 0, "X", 2000),
            (1200, 1, "X", None),
        )
    )
    assert counts(layers) == {"A": 1, "B": 1, "C": 0}
    assert told(layers, "no-geometry")["feature"].tolist() == ["fid 0", "fid 1", "fid 2"]
    assert "set aside" not in told(layers, "no-geometry")["text"].str.cat()
    (text,) = told(layers, "break-no-place")["text"]
    assert text.startswith("2 of 4 records have no place and name no main that is here")
    (text,) = told(layers, "break-no-year")["text"]
    assert text.startswith("2 of 4 records have no year")
    (text,) = told(layers, "break-main-unknown")["text"]
    assert text.startswith("2 of 4 records name a main that is not here: 'X' (2)")
    inputs = layers["inputs"].set_index("layer").loc["breaks"]
    assert (inputs["features_read"], inputs["features_used"]) == (4, 4)


def test_breaks_a_year_are_reckoned_over_the_years_on_record_in_which_the_main_lay() -> None:
    """1991 to 2010, 20 years of A (1 km) and C; of B (500 m), laid in 2001, ten."""
    records = breaks(
        *((x, 0, "", year) for x, year in ((100, 1991), (300, 2000), (700, None), (1200, 2010)))
    )
    layers = screened(records)
    ranking = layers["ranking"].set_index("main_ids")
    assert ranking["break_count"].to_dict() == {"A,B": 4, "C": 0}
    assert ranking.loc["A,B", "breaks_yearly"] == pytest.approx(3 / (1000 * 20 + 500 * 10))
    assert ranking.loc["C", "breaks_yearly"] == 0
    (text,) = told(layers, "breaks-period")["text"]
    assert text.startswith("breaks a year are reckoned over 1991 to 2010")
    stated = {"screening.breaks_since": 1995, "screening.breaks_until": 2024}
    layers = screened(records, **stated)
    ranking = layers["ranking"].set_index("main_ids")
    assert ranking.loc["A,B", "break_count"] == 4
    assert ranking.loc["A,B", "breaks_yearly"] == pytest.approx(2 / (1000 * 30 + 500 * 24))
    assert "1 records are of other years" in told(layers, "breaks-period")["text"].iloc[0]
    with pytest.raises(BriefError, match="breaks_since must not be after breaks_until"):
        screened(records, **{"screening.breaks_since": 2024, "screening.breaks_until": 1995})


def test_a_break_from_before_its_main_was_laid_is_not_of_it_and_told() -> None:
    layers = screened(breaks((1200, 0, "", 1990), (None, 0, "B", 1999), (1200, 0, "", 2001)))
    assert counts(layers) == {"A": 0, "B": 1, "C": 0}
    early = told(layers, "break-before-main")
    assert early["feature"].tolist() == ["fid 0", "fid 1"]
    assert "is of 1990, before its main was laid (2001)" in early["text"].iloc[0]


def test_the_layer_is_taken_before_the_field_and_the_field_where_the_layer_says_nothing() -> None:
    both = mains(breaks=[4.0, 0.0, 1.0, 9.0])
    layers = screened(breaks((500, 0, "", 2000)), both)
    assert counts(layers) == {"A": 1, "B": 0, "C": 0}
    assert "which 4 mains have, is not used" in told(layers, "breaks-of-layer")["text"].iloc[0]
    for nothing in (breaks((500, 50, "", 2000)), breaks((500, 0, "", 2000))[:0]):
        layers = screened(nothing, both)
        assert counts(layers) == {"A": 4, "B": 0, "C": 1}
        assert layers["ranking"]["breaks_yearly"].isna().all()
        (text,) = told(layers, "breaks-not-used")["text"]
        assert "the field breaks of 4 mains is taken instead" in text
    silent = screened(breaks((500, 50, "", 2000)))
    assert silent["ranking"]["breaks_verdict"].eq("not known").all()
    assert silent["ranking"]["break_count"].isna().all()


def test_points_rank_as_the_same_breaks_counted_on_the_mains_do() -> None:
    by_field = screened(None, mains(breaks=[3.0, 0.0, 1.0, 0.0]))["ranking"]
    records = [(x, 1, "", None) for x in (100, 400, 900)] + [(None, 0, "C", None)]
    by_layer = screened(breaks(*records))["ranking"]
    same = [c for c in by_field if c.startswith(("breaks", "need", "rank", "priority"))]
    pd.testing.assert_frame_equal(by_field[same], by_layer[same])
    assert by_field["break_count"].tolist() == by_layer["break_count"].tolist()


def test_a_break_of_a_main_of_two_runs_counts_for_the_run_it_lies_on() -> None:
    """A main past a tee whose branch it turns into: a record lies on one of its runs."""
    lines = [[(0, 0), (500, 0), (500, 400)], [(500, 0), (900, 0)]]
    shapes = [shapely.LineString([(EAST + x, NORTH + y) for x, y in line]) for line in lines]
    drawn = gpd.GeoDataFrame(
        {"main_id": ["A", "B"], "diameter_mm": [400.0] * 2}, geometry=shapes, crs=CRS
    )
    records = breaks((100, 1, "A", None), (501, 300, "A", None), (501, 350, "", None))
    ranking = screened(records, drawn)["ranking"].set_index("main_ids")
    assert ranking["break_count"].to_dict() == {"A,B": 1, "A": 2}
    assert screened(records, drawn)["ranking_mains"]["break_count"].tolist() == [3, 0]


def test_a_record_that_names_several_mains_of_one_name_is_of_the_nearest_of_them() -> None:
    twins = mains(main_id=["A", "B", "A", "S"])
    layers = screened(breaks((300, 90, "A", None), (300, 12, "A", None)), twins)
    ranking = layers["ranking"].set_index("main_ids")["break_count"]
    assert sorted(ranking) == [1, 1]


def test_breaks_keep_to_their_mains_whatever_the_order_of_the_records() -> None:
    records = breaks(
        (500, 3, "", 2000), (1000, 0, "", 2010), (200, 4, "", 1990), (None, 0, "C", 1990)
    )
    one, other = screened(records), screened(records.iloc[::-1])
    for name in ("ranking", "ranking_mains", "marks"):
        pd.testing.assert_frame_equal(one[name], other[name])


@pytest.mark.parametrize("column", [["1998-06-15", "05/31/2003"], [19980615, 20030531]])
def test_a_date_is_read_as_its_year_from_the_column_the_brief_names(
    tmp_path: Path, column: list[Any]
) -> None:
    mains().to_file(tmp_path / "net.gpkg", layer="mains")
    records = breaks((100, 1, "", None), (200, 1, "", None)).drop(columns=["main_id", "year"])
    records.to_crs(4326).assign(REPAIRED=column).to_file(tmp_path / "breaks.gpkg", layer="leaks")
    (tmp_path / "brief.toml").write_text(
        '[inputs]\nmains = "net.gpkg:mains"\n[inputs.breaks]\nsource = "breaks.gpkg:leaks"\n'
        '[inputs.breaks.fields]\nyear = "REPAIRED"\n'
    )
    brief = tmp_path / "brief.toml"
    layers = geotools.screen(brief).layers
    assert counts(layers) == {"A": 2, "B": 0, "C": 0}
    assert "1998 to 2003" in told(layers, "breaks-period")["text"].iloc[0]


def test_intake_tells_of_the_records_what_a_screening_does() -> None:
    records = breaks(
        (500, 3, "", 2000), (800, 40, "", None), (200, 6, "", 2000), (1200, 0, "X", 1990)
    )
    given = {"mains": mains(breaks=[1.0] * 4), "breaks": records, "settings": YEAR}
    rules = []
    for tool in (geotools.check_inputs, geotools.screen):
        findings = tool(**given).layers["findings"]
        about = findings["rule"].str.startswith("break")
        rules.append(findings[about][["severity", "rule", "feature", "text"]])
    pd.testing.assert_frame_equal(*(r.reset_index(drop=True) for r in rules))
    assert len(rules[0]) == 7


def test_no_plan_and_no_district_reads_the_breaks(tmp_path: Path) -> None:
    """They touch no plan: a layer that is not even there is no fault, and changes nothing."""
    box = shapely.box(EAST, NORTH - 9, EAST + 2000, NORTH + 200)
    mains().to_file(tmp_path / "net.gpkg", layer="mains")
    gpd.GeoDataFrame({"name": ["all"]}, geometry=[box], crs=CRS).to_file(
        tmp_path / "net.gpkg", layer="districts"
    )
    (tmp_path / "brief.toml").write_text(
        '[inputs]\nmains = "net.gpkg:mains"\ndistricts = "net.gpkg:districts"\n'
        'breaks = "nowhere.gpkg:breaks"\n'
    )
    done = geotools.batch(tmp_path / "brief.toml", output=tmp_path / "plans")
    assert done.summary["districts"]["done"] == 1
    told_of = gpd.read_file(tmp_path / "plans" / "summary.gpkg", layer="inputs")["layer"]
    assert sorted(told_of) == ["districts", "mains"]
    assert "breaks" not in builtin()["plan"].inputs
    with pytest.raises(LayerError, match="nowhere"):
        geotools.screen(tmp_path / "brief.toml")


def test_a_run_screened_alone_has_the_breaks_it_has_among_all() -> None:
    records = breaks((500, 3, "", 2000), (1500, 50, "", 2000), (300, 95, "", 1990))
    whole = screened(records)["ranking"].set_index("main_ids")
    alone = screened(records, **{"network.only": ["C"]})["ranking"].set_index("main_ids")
    same = ["break_count", "breaks", "breaks_yearly", "need"]
    assert alone.loc["C", same].tolist() == whole.loc["C", same].tolist()
    assert alone.loc["C", "break_count"] == 1


def test_a_record_of_a_main_drawn_on_another_counts_for_that_by_its_place() -> None:
    """E lies on A, and is taken once: a record that names E is where it lies, or nowhere."""
    on_a = mains()[:1].assign(main_id="E", geometry=[
        shapely.LineString([(EAST + 200, NORTH), (EAST + 600, NORTH)])
    ])  # fmt: skip
    drawn = pd.concat([mains(), on_a], ignore_index=True)
    layers = screened(breaks((300, 1, "E", 2000), (None, 0, "E", 2000)), drawn)
    assert counts(layers)["A"] == 1
    assert told(layers, "break-no-place")["text"].iloc[0].startswith("1 of 2 records")


def test_a_record_of_several_points_is_one_break_that_they_share() -> None:
    points = shapely.MultiPoint([(EAST + 100, NORTH + 1), (EAST + 1200, NORTH + 1)])
    records = gpd.GeoDataFrame({"main_id": [""]}, geometry=[points], crs=CRS)
    assert counts(screened(records)) == {"A": 0.5, "B": 0.5, "C": 0}


def test_records_of_one_place_main_and_year_count_each_and_are_told() -> None:
    layers = screened(breaks(*[(500, 1, "A", 2000)] * 3, (500, 1, "A", 2001)))
    assert counts(layers)["A"] == 4
    (text,) = told(layers, "break-twice")["text"]
    assert text.startswith("2 of 4 records are of one place, main and year")


def test_a_year_that_counts_for_none_does_not_lengthen_the_period() -> None:
    """A was laid in 1950: of 1900 none is its, and 1991 to 2000 are ten years."""
    dated = (500, 1, "A", 1991), (600, 1, "A", 2000)
    layers = screened(breaks((100, 1, "A", 1900), *dated))
    yearly = layers["ranking"].set_index("main_ids").loc["A,B", "breaks_yearly"]
    assert yearly == pytest.approx(2 / (1000 * 10))  # B was laid in 2001
    assert told(layers, "breaks-period")["severity"].tolist() == ["info"]


def test_a_first_year_far_from_the_next_is_warned_of() -> None:
    drawn = mains(installed=[None] * 4)
    layers = screened(breaks((500, 1, "A", 1900), (600, 1, "A", 1991), (700, 1, "A", 2000)), drawn)
    (one,) = told(layers, "breaks-period").itertuples()
    assert one.severity == "warning"
    assert "1900 is 91 years from the next" in one.text
    assert "screening.breaks_since" in one.text and "2000 is" not in one.text


@pytest.mark.parametrize("setting", [("breaks_since", 2010), ("breaks_until", 1990)])
def test_a_period_beside_all_records_is_told_and_turned_round_by_none(
    setting: tuple[str, int],
) -> None:
    key, year = setting
    layers = screened(breaks((500, 1, "A", 2000)), **{f"screening.{key}": year})
    (one,) = told(layers, "breaks-period").itertuples()
    assert one.severity == "warning" and one.text.startswith("no record is of a year from")
    assert layers["ranking"]["breaks_yearly"].isna().all()
    assert counts(layers)["A"] == 1


def test_identifiers_written_otherwise_than_those_of_the_mains_are_named() -> None:
    drawn = mains(main_id=["007", "8", "Nine", "S"])
    layers = screened(breaks(*((500, 1, name, 2000) for name in ("7", "8.0", "nine"))), drawn)
    (text,) = told(layers, "break-main-unknown")["text"]
    assert "'7' may be '007', '8.0' may be '8', 'nine' may be 'Nine'" in text


def test_a_table_of_breaks_without_geometry_says_how_it_is_read(tmp_path: Path) -> None:
    mains().to_file(tmp_path / "net.gpkg", layer="mains")
    brief = tmp_path / "brief.toml"
    brief.write_text(
        '[inputs]\nmains = "net.gpkg:mains"\n'
        f'[inputs.breaks]\nsource = "breaks.csv"\ncrs = "{CRS}"\n'
    )
    (tmp_path / "breaks.csv").write_text("main_id,year\nA,2000\nA,2001\n")
    with pytest.raises(LayerError, match="CSV with an empty column WKT"):
        geotools.screen(brief)
    (tmp_path / "breaks.csv").write_text("main_id,year,WKT\nA,2000,\nA,2001,\n")
    layers = geotools.screen(brief).layers
    assert counts(layers)["A"] == 2
    assert told(layers, "no-geometry")["severity"].unique().tolist() == ["info"]


def test_breaks_nowhere_near_the_mains_are_told_and_count_for_none() -> None:
    layers = screened(breaks((1e5, 1e5, "", 2000), (np.nan, 0, "", 2000)))
    assert layers["ranking"]["breaks"].isna().all()
    assert len(told(layers, "no-overlap")) == len(told(layers, "breaks-not-used")) == 1
