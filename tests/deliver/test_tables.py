from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from geotools.brief import load_brief, settings
from geotools.cautions import CAUTIONS
from geotools.deliver.tables import content_hash, settings_table
from geotools.deliver.working_crs import WORKING_CRS, working_crs_text
from geotools.program import PROGRAM, program
from geotools.schema import OUTPUTS
from geotools.units import parse_quantity


@pytest.mark.parametrize("units", ["si", "us"])
def test_every_setting_is_listed_with_a_value_that_reads_back(units):
    brief = load_brief(
        overrides={
            "pulls.max_length": "417.3 m",
            "carrier.temperature": "31 degC",
            "street.taper": "33 m",
        }
    )
    table = settings_table(brief, units).set_index("name")
    listed = list(settings(brief))
    assert list(table.index) == [s.key for s in listed] + [*CAUTIONS, PROGRAM]
    for setting in listed:
        if setting.kind is None or setting.kind == "per_item":
            continue
        if setting.value is None:
            assert table.loc[setting.key, "value"] == "none"
            continue
        shown = table.loc[setting.key, "value"]
        assert parse_quantity(shown, setting.kind) == pytest.approx(setting.value, rel=1e-9)
        assert shown.endswith(table.loc[setting.key, "unit"])


def test_us_settings_bear_no_metric_unit():
    units = set(settings_table(load_brief(), "us")["unit"])
    metric = re.compile(r"\b(m|mm|km|kN|kPa|MPa|bar|kg|degC)\b")
    assert not [unit for unit in units if metric.search(unit)]


def test_known_values_are_shown_in_both_systems():
    brief = load_brief(
        overrides={
            "pulls.max_length": "1000 ft",
            "network.min_diameter": "24 in",
            "pulls.machine_capacity": "100 kN",
            "rates.excavation": "100 / yd^3",
            "carrier.temperature": "23 degC",
        }
    )
    si = settings_table(brief, "si").set_index("name")["value"]
    us = settings_table(brief, "us").set_index("name")["value"]
    expected = {
        "pulls.max_length": ("304.8 m", "1000 ft"),
        "network.min_diameter": ("609.6 mm", "24 in"),
        "pulls.machine_capacity": ("100 kN", "22480.8943"),
        "rates.excavation": ("130.7950619 / m^3", "100 / yd^3"),
        "carrier.temperature": ("23 degC", "73.4 degF"),
        "pulls.duration": ("12 h", "12 h"),
        "rates.joint": ("450", "450"),
        "network.working_crs": ("none", "none"),
        "output.stations": ("true", "true"),
    }
    for key, (metric, customary) in expected.items():
        assert si[key] == metric
        assert us[key].startswith(customary)


def test_the_origin_of_each_setting_is_told():
    table = settings_table(load_brief(overrides={"ground.step": "5 m"}), "si").set_index("name")
    assert table.loc["ground.step", "origin"] == "command line"
    assert table.loc["ground.assumed_cover", "origin"] == "default"


def test_the_cautions_cover_every_work_that_can_hurt():
    text = " ".join(CAUTIONS.values()).lower()
    for word in (
        "planning values only",
        "competent person",
        "local code",
        "licensed practice",
        "excavation",
        "traffic control",
        "lifting",
        "tension",
        "pressure testing",
    ):
        assert word in text
    table = settings_table(load_brief(), "si")
    assert set(CAUTIONS) <= set(table["name"])
    assert list(table.columns) == [f.name for f in OUTPUTS["settings"].fields]


def test_what_made_a_result_is_told_and_is_no_part_of_its_hash(tables):
    table = settings_table(load_brief(), "si")
    assert table.set_index("name").at[PROGRAM, "value"] == program()
    other = table.replace(program(), "0.0.1 (ab)")
    assert content_hash({"settings": other}) == content_hash({"settings": table})
    own = table["name"] == "pulls.max_length"
    changed = table.assign(value=table["value"].where(~own, "99 m"))
    assert content_hash({"settings": changed}) != content_hash({"settings": table})


@pytest.mark.parametrize("code", [32632, 2056])
def test_the_crs_lengths_were_taken_in_is_told_by_its_code(code):
    table = settings_table(load_brief(), "si", working_crs=pyproj.CRS(code))
    row = table.set_index("name").loc[WORKING_CRS]
    assert (row["value"], row["origin"]) == (f"EPSG:{code}", "always")
    assert WORKING_CRS not in set(settings_table(load_brief(), "si")["name"])


@pytest.mark.parametrize(
    "datum", ["+ellps=GRS80", "+ellps=bessel +towgs84=598,74,418,0,0,-2.5,6.7"]
)
def test_a_crs_without_a_code_is_told_in_full_and_alike_once_read_back(datum):
    crs = pyproj.CRS(f"+proj=tmerc +lon_0=11.3 +x_0=500000 +units=m {datum}")
    text = working_crs_text(crs)
    assert pyproj.CRS(text).equals(crs)
    assert working_crs_text(pyproj.CRS(crs.to_wkt())) == text == working_crs_text(pyproj.CRS(text))


# Content hash ----------------------------------------------------------------------------


def test_the_hash_does_not_depend_on_order_of_tables_and_columns_or_types_of_columns(tables):
    turned = {
        name: frame[list(frame.columns[::-1])].assign(extra=1)
        for name, frame in reversed(tables.items())
    }
    turned["runs"] = turned["runs"].astype({"pit_count": float, "status": "category"})
    turned["bends"] = turned["bends"].astype({"passes": object})
    assert content_hash(turned) == content_hash(tables)


@pytest.mark.parametrize(
    ("layer", "column", "value"),
    [
        ("runs", "length", 304.8000001),
        ("runs", "length", np.nan),
        ("runs", "pit_count", 3),
        ("runs", "carrier", " "),
        ("runs", "carrier", None),
        ("bends", "passes", False),
        ("pits", "geometry", shapely.Point(0, 0)),
        ("pits", "geometry", None),
    ],
)
def test_the_hash_changes_with_any_value(tables, layer, column, value):
    before = content_hash(tables)
    changed = tables[layer].copy()
    changed[column] = changed[column].astype(object) if column != "geometry" else changed[column]
    changed.loc[0, column] = value
    assert content_hash({**tables, layer: changed}) != before


def test_the_hash_changes_with_the_order_of_rows_and_the_cut_between_texts(tables):
    runs = tables["runs"]
    before = content_hash(tables)
    assert content_hash({**tables, "runs": runs.iloc[::-1]}) != before
    one = runs.assign(run_id=["ab", "c"])
    other = runs.assign(run_id=["a", "bc"])
    assert content_hash({"runs": one}) != content_hash({"runs": other})


def test_zero_has_no_sign_and_missing_is_not_zero(tables):
    def hashed(value):
        return content_hash({"runs": tables["runs"].assign(cost=value)})

    assert hashed(0.0) == hashed(-0.0)
    assert hashed(0.0) != hashed(np.nan)


def test_what_is_no_text_is_put_into_words(tables):
    def hashed(*values):
        names = pd.Series(values, dtype=object)
        return content_hash({"runs": tables["runs"].assign(carrier=names)})

    assert hashed("12", 7) == hashed("12", "7") != hashed("12", None)
    assert hashed("12", None) == hashed("12", np.nan) == hashed("12", pd.NA)


def test_a_table_and_an_empty_one_differ(tables):
    empty = {"settings": tables["settings"].iloc[:0]}
    assert content_hash({}) != content_hash(empty)
    assert content_hash(empty) != content_hash({"settings": tables["settings"]})
    assert isinstance(tables["settings"], pd.DataFrame)
