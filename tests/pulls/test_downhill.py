"""Pulls that run ahead by themselves in the host are told, with where and what to do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geotools.intake.findings import Findings
from geotools.pulls.downhill import report_running_ahead

FRICTION = 0.3


def _told(
    grades: list[float],
    way: str = "ahead",
    weight: float = 200.0,
    system: str = "si",
    start: float = 10.0,
) -> pd.DataFrame:
    """One run with a station every 50 m, from each of which the grade is given; a pull on it."""
    count = len(grades) + 1
    at = 50.0 * np.arange(count)
    stations = pd.DataFrame(
        {"run": 0, "chainage": at, "grade": [*grades, grades[-1]], "x": at, "y": 0.0}
    )
    pulls = pd.DataFrame(
        {"pull_id": ["L1"], "run_id": ["R1"], "run": [0], "start": [start], "end": [at[-1] - 10.0],
         "direction": [way], "insertion_pit": ["P1"]}
    )  # fmt: skip
    findings = Findings(system)
    offsets = np.array([0, count])
    report_running_ahead(pulls, stations, offsets, np.array([weight]), FRICTION, findings)
    return findings.table()


def test_a_pull_that_runs_ahead_is_told_where_and_to_be_held_back() -> None:
    row = _told([-0.1, -0.35, -0.4, 0.0], start=49.0).iloc[0]
    assert (row["severity"], row["rule"], row["feature"]) == ("warning", "string-runs-ahead", "L1")
    assert "from 50.0 m to 150.0 m along its run it goes down by up to 40%" in row["text"]
    assert "(30%)" in row["text"] and "hold it back from insertion pit P1" in row["text"]
    assert row["geometry"].x == 50.0


@pytest.mark.parametrize(
    ("grades", "way", "weight", "system", "told"),
    [
        ([-0.35, -0.4, 0.0], "ahead", 200.0, "si", "up to 1.4 kN, when its head is at 100.0 m"),
        ([-0.35, -0.4, 0.0], "ahead", 200.0, "us", "up to 314.7 lbf, when its head is at 328.1 ft"),
        ([0.0, 0.4, 0.35], "behind", 200.0, "si", "up to 1.4 kN, when its head is at 50.0 m"),
        ([0.35, 0.4, 0.0], "ahead", -200.0, "si", "up to 1.4 kN, when its head is at 100.0 m"),
        ([-0.4, 0.0, -0.5], "ahead", 200.0, "si", "up to 0.8 kN, when its head is at 50.0 m"),
    ],
)
def test_what_a_hold_back_must_take_is_told_with_where_the_head_is(
    grades: list[float], way: str, weight: float, system: str, told: str
) -> None:
    """By hand: 40 m at 0.05 and 50 m at 0.1 more than friction holds, of 200 N/m: 400 + 1,000 N.

    On the flat friction takes 3,000 N of it again; a steep 40 m behind that pushes with 1,600 N.
    """
    (text,) = _told(grades, way, weight, system)["text"]
    assert told in text and "hold it back from insertion pit P1" in text


@pytest.mark.parametrize(
    ("grades", "words"),
    [
        ([-0.4, 0.0], "the force told there adds to it"),
        ([0.0, -0.4, 0.0], "all that the string still on its rollers pushes with"),
    ],
)
def test_a_hold_back_is_told_to_take_what_lies_on_the_rollers_as_well(
    grades: list[float], words: str
) -> None:
    (text,) = _told(grades)["text"]
    assert "string-on-slope" in text and words in text


def test_a_string_that_what_lies_behind_it_holds_leaves_a_hold_back_nothing_to_take() -> None:
    """40 m on the flat hold 2,400 N, and 1,500 N push."""
    (text,) = _told([0.0, -0.35, -0.4, 0.0])["text"]
    assert "a hold-back at insertion pit P1 is left nothing to take" in text
    assert "kN" not in text


@pytest.mark.parametrize(
    ("grade", "way", "weight", "told"),
    [
        (-0.31, "ahead", 200.0, True),
        (-0.29, "ahead", 200.0, False),
        (0.31, "ahead", 200.0, False),
        (0.31, "behind", 200.0, True),
        (-0.31, "behind", 200.0, False),
        (0.31, "ahead", -150.0, True),  # it floats
        (-0.31, "ahead", -150.0, False),
        (0.31, "ahead", -50.0, False),  # it pushes with 25 N, which is told as none
        (-FRICTION * (1 + 1e-12), "ahead", 1e6, False),  # rounding
        (-0.31, "ahead", 0.0, False),
    ],
)
def test_a_string_runs_ahead_where_friction_does_not_hold_its_weight(
    grade: float, way: str, weight: float, told: bool
) -> None:
    table = _told([0.0, grade, 0.0], way, weight)
    assert bool(len(table)) is told
    assert not told or ("floats" in table["text"].iloc[0]) is (weight < 0)


@pytest.mark.parametrize(("grade", "told"), [(-0.4, "40%"), (-0.304, "30.4%"), (-0.3003, "30.03%")])
def test_how_steep_it_is_and_what_friction_holds_are_never_told_as_the_same(
    grade: float, told: str
) -> None:
    (text,) = _told([0.0, grade, 0.0], weight=9_000.0)["text"]
    assert f"by up to {told}, more than friction holds at the low end of its band (30%)" in text


def test_places_apart_are_told_in_one_finding_with_how_long_they_are_in_all() -> None:
    (text,) = _told([-0.5, 0.0, -0.4])["text"]  # of 10 m to 140 m
    assert "from 10.0 m to 140.0 m along its run, over 80.0 m of that, it goes down" in text


def test_what_lies_in_the_pits_is_no_matter() -> None:
    assert not len(_told([0.0, 0.0, 0.0]))
    stations = pd.DataFrame(
        {"run": 0, "chainage": [0.0, 10.0, 90.0, 100.0], "grade": [-0.5, 0.0, -0.5, -0.5],
         "x": 0.0, "y": 0.0}
    )  # fmt: skip
    pulls = pd.DataFrame(
        {"pull_id": ["L1"], "run_id": ["R1"], "run": [0], "start": [10.0], "end": [90.0],
         "direction": ["ahead"], "insertion_pit": ["P1"]}
    )  # fmt: skip
    findings = Findings()
    report_running_ahead(pulls, stations, np.array([0, 4]), np.array([200.0]), FRICTION, findings)
    assert not len(findings.table())
    none = pulls.iloc[:0]
    report_running_ahead(none, stations, np.array([0, 4]), np.array([200.0]), FRICTION, findings)
    assert not len(findings.table())
