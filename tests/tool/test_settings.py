"""The tool settings: every setting of the brief in words, as a brief would have it."""

from __future__ import annotations

import re
import tomllib

import pytest

import geotools
from geotools.brief import declared, load_brief
from geotools.tool import ToolError


def test_every_setting_is_listed_with_its_default_meaning_and_source() -> None:
    listed = geotools.list_settings()
    assert [entry["name"] for entry in listed.summary["settings"]] == list(declared())
    for entry in listed.summary["settings"]:
        assert entry["text"] == declared()[entry["name"]].text
        assert entry["source"] == declared()[entry["name"]].source
        assert entry["may_be"]


def test_defaults_are_listed_as_a_brief_takes_them() -> None:
    """All lines without a comment are a brief of the defaults, section by section."""
    lines = geotools.list_settings().text.splitlines()
    text = "\n".join(line for line in lines if not line.startswith("    ") and "(none)" not in line)
    given = {
        f"{section}.{name}": value
        for section, table in tomllib.loads(text).items()
        for name, value in table.items()
    }
    assert load_brief(overrides=given).model_dump() == load_brief().model_dump()
    assert len(given) > 150


def test_bounds_are_told_in_the_unit_of_the_default_and_words_as_a_list() -> None:
    told = {
        entry["name"]: entry["may_be"] for entry in geotools.list_settings().summary["settings"]
    }
    assert told["network.min_diameter"] == "Diameter, with its unit, at least 50 mm"
    assert told["network.diameter_tolerance"] == "Number without a unit, at least 0, below 0.5"
    assert told["objective.per_lane_day"] == "Cost, a number, at least 0, at most 1,000,000"
    day = "Volume by time, with its unit, by the day of work, at least 0.01 m^3/day"
    assert told["crew.dig_per_day"] == day
    assert told["rates.pulling_hour"].startswith(
        "Cost by time, with its unit, by the hour or less, not by days, at least 0"
    )
    assert told["output.units"] == "One of si, us"
    assert told["sheets.revision"] == "Text, at most 20 characters"


def test_words_choose_settings_that_have_all_of_them_in_name_or_meaning() -> None:
    found = [s["name"] for s in geotools.list_settings(words=["Lane", "DAY"]).summary["settings"]]
    assert "objective.per_lane_day" in found
    assert "rates.lane_day" in found
    texts = [f"{name} {declared()[name].text}".casefold() for name in found]
    assert all(re.search("lane", text) and re.search("day", text) for text in texts)
    with pytest.raises(ToolError, match="no setting has xyzzy in its name or meaning"):
        geotools.list_settings(words=["xyzzy"])


@pytest.mark.parametrize("words", [["max length"], ["max", "length"], [" Max  LENGTH "]])
def test_words_may_come_in_one_text_with_blanks_between_them(words: list[str]) -> None:
    found = [s["name"] for s in geotools.list_settings(words=words).summary["settings"]]
    assert "pulls.max_length" in found
    with pytest.raises(ToolError, match="no setting has xyzzy and length in its name or meaning"):
        geotools.list_settings(words=["xyzzy length"])


def test_a_low_line_and_a_blank_are_the_same_in_names_and_meanings() -> None:
    found = [s["name"] for s in geotools.list_settings(words=["smaller_turns"]).summary["settings"]]
    assert "bends.least_angle" in found
    assert "pulls.max_length" not in found
    exact = [s["name"] for s in geotools.list_settings(words=["max_length"]).summary["settings"]]
    assert exact == ["pulls.max_length"]
