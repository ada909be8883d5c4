"""Words of the brief's lists that nothing bears are told: a misspelt one does nothing."""

from __future__ import annotations

import tracemalloc
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pyproj
import pytest

from geotools.brief import Brief
from geotools.intake import unmet
from geotools.intake.findings import Findings
from geotools.intake.read import read_layers
from geotools.intake.window import Window

OWNERS = ["Wexlow", "Mill Creek Canal Co"]
RULE = "word-not-met"


def test_an_excluded_owner_that_no_main_bears_is_told_with_the_nearest(
    network: Any, read: Any, found: Any
) -> None:
    brief = {"network": {"excluded_owners": ["Mill Creek Canal Co.", "wexlow"]}}
    told = found(read(brief, mains=network(owner=OWNERS)), RULE)
    assert told[["severity", "layer"]].to_numpy().tolist() == [["warning", "mains"]]
    assert "'Mill Creek Canal Co.' (did you mean 'Mill Creek Canal Co'?)" in told["text"][0]
    assert "of owner 'wexlow'" not in told["text"][0]


def test_a_word_whose_letters_could_not_be_read_is_not_to_be_written_as_it_is(
    network: Any, read: Any, found: Any
) -> None:
    brief = {"network": {"excluded_owners": ["Zweckverband Öd"]}}
    told = found(read(brief, mains=network(owner=["Zweckverband \ufffdd", "Wexlow"])), RULE)
    assert "perhaps 'Zweckverband \ufffdd', letters of which could not be read" in told["text"][0]
    assert "encoding under [inputs.mains]" in told["text"][0]
    assert "write it as it is there" not in told["text"][0]


@pytest.mark.parametrize("owner", [None, ["", ""]])
def test_an_excluded_owner_is_told_where_no_main_has_one(
    network: Any, read: Any, found: Any, owner: Any
) -> None:
    brief = {"network": {"excluded_owners": ["County"]}}
    told = found(read(brief, mains=network(owner=owner)), RULE)
    assert told["severity"].tolist() == ["warning"]
    assert "there is no owner at all" in told["text"][0]


def test_an_owner_spelled_otherwise_is_met(network: Any, read: Any, found: Any) -> None:
    brief = {"network": {"excluded_owners": [" MILL creek canal co"]}}
    assert found(read(brief, mains=network(owner=OWNERS)), RULE).empty


@pytest.mark.parametrize(
    ("word", "severity"),
    [
        *(("Abandond", "warning"), ("sold", "info"), ("abandoned", None)),
        *(("inactive", "info"), ("Not active", "info"), ("non-active", "info")),  # no misspelling
    ],
)
def test_an_excluded_status_of_the_user_that_nothing_bears_is_told(
    network: Any, read: Any, found: Any, word: str, severity: str | None
) -> None:
    """One that looks like a status there is likely that; the usual words need not be there."""
    brief = {"network": {"excluded_statuses": [word, "removed"]}}
    told = found(read(brief, mains=network(status=["active", "abandoned"])), RULE)
    assert told["severity"].tolist() == ([] if severity is None else [severity])
    assert ("did you mean 'abandoned'" in "".join(told["text"])) == (severity == "warning")


@pytest.mark.parametrize(
    ("section", "setting", "value"),
    [
        ("street", "no_block", ["Arterail"]),
        ("street", "excluded_classes", ["Arterail"]),
        ("rates", "lane_day", ["Arterail = 2000"]),
    ],
)
def test_a_class_of_streets_that_no_street_is_of_is_told(
    network: Any, line: Any, read: Any, found: Any, section: str, setting: str, value: list[str]
) -> None:
    streets = network([line((0, 9), (90, 9))], main_id=None, diameter_mm=None)
    streets = streets.assign(**{"class": ["Arterial"]})
    told = found(read({section: {setting: value}}, mains=network(), streets=streets), RULE)
    assert told["severity"].tolist() == ["warning"]
    start = f"{section}.{setting}: nothing in streets is of class 'Arterail' (did you mean"
    assert told["text"][0].startswith(start)


def test_words_are_not_missed_in_a_window_of_the_layers(network: Any, found: Any) -> None:
    """They may well be borne elsewhere; who reads everything tells those that are not."""
    brief = Brief.model_validate({"network": {"excluded_owners": ["County"]}})
    window = Window((499_000.0, 5_199_000.0, 501_000.0, 5_201_000.0), pyproj.CRS("EPSG:32633"))
    mains = network(owner=["City", "City"])
    assert found(read_layers(brief, frames={"mains": mains}, window=window), RULE).empty
    assert len(found(read_layers(brief, frames={"mains": mains}), RULE)) == 1


def test_words_of_the_defaults_are_not_looked_for(
    network: Any, line: Any, read: Any, monkeypatch: Any
) -> None:
    """They are not told, and the columns of a large network take their time."""
    monkeypatch.setattr(unmet, "_met", lambda *args: pytest.fail("words were gathered"))
    streets = network([line((0, 9), (90, 9))], main_id=None, diameter_mm=None)
    read(mains=network(status=["active", "abandoned"]), streets=streets)


def test_one_long_word_takes_no_room_beside_every_other() -> None:
    owners = ["City", "Canal Co"] * 2_000 + ["x" * 2_000]
    mains: Any = SimpleNamespace(table=pd.DataFrame({"owner": owners, "status": "active"}))
    brief = Brief.model_validate({"network": {"excluded_owners": ["Canal C"]}})
    findings = Findings()
    tracemalloc.start()
    unmet.tell_unmet({"mains": mains}, brief, findings)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "(did you mean 'Canal Co'?)" in findings.table()["text"][0]
    assert peak < 4e6
