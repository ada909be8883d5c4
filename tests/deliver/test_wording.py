"""Words of a plan: decimals from one table, limits never above what they are."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from geotools.brief import Brief
from geotools.deliver.report.columns import packed_table
from geotools.deliver.wording import (
    decimals,
    depth_words,
    dig_words,
    figure,
    measured,
    round_limit,
    working_days,
)
from geotools.layout.rules import refusal_limits
from geotools.pipe.factors import LBF, PSI
from geotools.schema import DIMENSIONS, angle_text, quantity_text, unit_sign


@pytest.mark.parametrize(
    ("value", "layer", "name", "units", "text"),
    [
        (19_760.0, "pulls", "allowable", "si", "19.7 kN"),
        (19_760.0, "pulls", "head_force", "si", "19.8 kN"),
        (1234.9 * LBF, "pulls", "allowable", "us", "1,234 lbf"),
        (97.5 * PSI, "sections", "test_pressure", "us", "97.5 psi"),
        (29.4 * 0.0254, "runs", "host_bore", "us", "29.4 in"),
        (1.35, "pits", "width", "si", "1.35 m"),
        (1.85, "pits", "depth", "si", "1.85 m"),
        (math.nan, "pits", "depth", "si", "not known"),
    ],
)
def test_a_value_has_the_decimals_of_its_field(
    value: float, layer: str, name: str, units: str, text: str
) -> None:
    assert measured(value, layer, name, units) == text


@pytest.mark.parametrize(
    ("depth", "deepest", "units", "text"),
    [
        (2.15, 2.15, "si", "2.15 m"),
        (2.15, 2.1501, "si", "2.15 m"),
        (2.15, 2.60, "si", "2.15 to 2.60 m"),
        (8.16 * 0.3048, 8.84 * 0.3048, "us", "8.16 to 8.84 ft"),
        (2.15, math.nan, "si", "2.15 m"),
        (math.nan, 2.6, "si", ""),
    ],
)
def test_a_pit_that_is_dug_deeper_than_at_its_station_says_so_wherever_its_depth_stands(
    depth: float, deepest: float, units: str, text: str
) -> None:
    assert dig_words(depth, deepest, units) == text


def test_a_limit_that_is_whole_stays_as_it_is() -> None:
    for number in (0.1, 0.3, 19.7, 20.0, 1e6):
        assert f"{round_limit(number * LBF / LBF, 1):.1f}" == f"{number:.1f}"
        assert round_limit(number - 1e-4, 1) < number


def test_a_field_without_a_unit_is_no_measure() -> None:
    with pytest.raises(ValueError, match="no dimension"):
        figure(1.0, "pulls", "utilisation", "si")


def test_the_report_shows_the_digits_of_sheets_and_drawing() -> None:
    pits = packed_table("pits", pd.DataFrame({"width_m": [1.35, 12.35], "depth_m": [1.852, 2.0]}))
    shown = {c["key"]: (c["digits"], c["values"]) for c in pits["columns"]}
    assert shown == {"width": (2, [1.35, 12.35]), "depth": (2, [1.85, 2.0])}
    pulls = packed_table("pulls", pd.DataFrame({"allowable_kn": [19.76, 1000.0]}))
    assert pulls["columns"][0]["values"] == [19.7, 1000.0]
    assert decimals("pits", "volume", "m3") is None


def test_an_assumed_depth_says_so() -> None:
    assert depth_words(1.85, "assumed", "si") == "invert 1.85 m deep, assumed"
    assert depth_words(1.85, "cover", "si") == "invert 1.85 m deep"


@pytest.mark.parametrize(("deg", "text"), [(22.5, "22.5"), (11.25, "11.25"), (45.0, "45")])
def test_a_bend_is_named_by_its_angle(deg: float, text: str) -> None:
    for noise in (-1e-9, 0.0, 1e-9):
        assert angle_text(math.radians(deg) + noise) == text


def test_a_unit_is_written_alike_in_findings_and_in_tables() -> None:
    for name, dimension in DIMENSIONS.items():
        for system in ("si", "us"):
            _, _, sign = quantity_text(1.0, name, system).partition(" ")
            assert sign == unit_sign(dimension.suffix(system)), name
    assert quantity_text(2.0, "velocity", "si") == "2.0 m/s"


def test_thresholds_of_many_units_are_shown_each_to_three_figures() -> None:
    ends = [100.0, 0.5, 2.5, 1.05, 12.7519, float("nan")]
    made = packed_table("criteria", pd.DataFrame({"full_at": ends, "none_at": [0.05, *ends[1:]]}))
    full, none = made["columns"]
    assert full["mixed"] and full["digits"] == 2
    assert full["values"] == [100.0, 0.5, 2.5, 1.05, 12.75, None]
    assert none["values"][:4] == [0.05, 0.5, 2.5, 1.05]


def test_no_limit_that_is_not_nothing_is_told_as_nothing() -> None:
    limits = refusal_limits(Brief.model_validate({"pits": {"max_slope": 0.001}}))
    assert limits["max_slope"] == "0.1%"


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (4.2, "4.2 days within working day 1.4 to 19.9, plated between"),
        (18.5, "working day 1.4 to 19.9"),
        (math.nan, "working day 1.4 to 19.9"),
    ],
)
def test_a_closure_that_stands_on_some_of_its_days_alone_says_how_many(
    days: float, words: str
) -> None:
    assert working_days(1.4, 19.9, days) == words
    assert working_days(math.nan, 19.9, days) == ""
