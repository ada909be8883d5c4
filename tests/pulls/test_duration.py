"""Pulls under tension longer than the time planned for: ASTM F1804's factors, from memory."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from geotools.brief import load_brief
from geotools.intake.findings import Findings
from geotools.pipe.catalogue import as_columns, carrier, custom_carrier
from geotools.pulls.duration import report_longer_pulls, report_short_joints

PIPES = as_columns(
    [
        carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17),
        carrier(system="DIPS", nominal="20 in", material="PVC", dr=25),
    ]
)
LIMIT = 80e3  # N, planned with


def _told(duration: str, hours: list[float], pipe: int = 0) -> pd.DataFrame:
    """Return what is told of pulls that take so many hours, all at 38 kN."""
    count = len(hours)
    pulls = pd.DataFrame(
        {
            "pull_id": [f"L{k}" for k in range(count)],
            "run": 0,
            "insertion_pit": "P1",
            "hours": hours,
            "head_force": 38e3,
        }
    )
    pits = pd.DataFrame({"pit_id": ["P0", "P1"], "x": [0.0, 5.0], "y": [0.0, 7.0]})
    runs = pd.DataFrame({"pipe": [pipe], "pipe_limit": [LIMIT]})
    findings = Findings()
    brief = load_brief(overrides={"pulls.duration": duration})
    report_longer_pulls(pulls, pits, runs, PIPES, brief, findings)
    return findings.table()


@pytest.mark.parametrize(
    ("duration", "hours", "factors"),
    [
        ("1 h", 8.25, (1.00, 0.95)),
        ("1 h", 16.5, (1.00, 0.91)),
        ("12 h", 16.5, (0.95, 0.91)),
    ],
)
def test_a_pull_longer_than_planned_for_is_warned_of_with_what_is_left(
    duration: str, hours: float, factors: tuple[float, float]
) -> None:
    (row,) = _told(duration, [hours]).itertuples()
    assert (row.severity, row.rule, row.feature) == (
        "warning",
        "pull-longer-than-duration",
        "L0",
    )
    left = factors[1] / factors[0]
    assert f"the pipe may have {left:.1%} of the tension" in row.text
    assert f"38.0 kN at its head are {38 / (80 * left):.0%} of" in row.text
    assert f"set pulls.duration to {math.ceil(hours)} h" in row.text
    assert (row.geometry.x, row.geometry.y) == (5.0, 7.0)


def test_a_pull_in_the_same_step_of_the_table_or_shorter_is_not() -> None:
    assert len(_told("2 h", [11.9, 12.0, 0.5])) == 0
    assert _told("2 h", [11.9, 12.1, 0.5])["feature"].tolist() == ["L1"]
    assert len(_told("24 h", [24.0])) == 0


def test_pvc_does_not_lose_strength_by_the_hour() -> None:
    assert len(_told("1 h", [16.5], pipe=1)) == 0


def test_no_pulls_are_no_finding() -> None:
    assert len(_told("1 h", [])) == 0


JOINED = as_columns(
    [
        carrier(system="DIPS", nominal="36 in", material="PE4710", dr=11),
        carrier(system="DIPS", nominal="36 in", material="PE4710", dr=17),
        carrier(system="DIPS", nominal="16 in", material="PE4710", dr=11),
        custom_carrier("thick", material="PE100", outside_m=1.6, wall_min_m=0.3),
    ]
)


def _joints_told(allowed: str, strings: list[int], pipe: int = 0) -> pd.DataFrame:
    """Return what is told of one run in such a pipe, whose pulls have so many strings."""
    pulls = pd.DataFrame({"run": 0, "insertion_pit": "P1", "strings": np.array(strings, float)})
    pits = pd.DataFrame({"pit_id": ["P0", "P1"], "x": [0.0, 5.0], "y": [0.0, 7.0]})
    runs = pd.DataFrame({"run_id": ["R1"], "carrier": ["the pipe"], "pipe": [pipe]})
    findings = Findings()
    brief = load_brief(overrides={"pulls.string_joint_hours": allowed})
    report_short_joints(pulls, pits, runs, JOINED, brief, findings)
    return findings.table()


def test_joints_on_the_way_given_less_than_fusing_takes_are_warned_of() -> None:
    # 38.30 in / 11 = 3.48 in of wall: 15.5 min an inch are 54; ASTM F2620's heating and cooling
    # by the inch, from memory; and 15 min of handling with 1.5 for each of 20.3 in over 18
    (row,) = _joints_told("1 h", [1, 3, 2]).itertuples()
    assert (row.severity, row.rule, row.feature) == ("warning", "joint-time-short", "R1")
    assert "run R1: 3 joints are made" in row.text
    assert "gives 60 min to each" in row.text
    assert "with 45 min of handling takes 99 min at least" in row.text
    assert (row.geometry.x, row.geometry.y) == (5.0, 7.0)


def test_an_hour_a_joint_is_short_in_large_pipe_and_not_in_small() -> None:
    # 36 in DIPS DR 17: 2.25 in of wall are 35 min, and practice is 75 to 120 a joint
    (row,) = _joints_told("1 h", [2], pipe=1).itertuples()
    assert "with 45 min of handling takes 80 min at least" in row.text
    assert not len(_joints_told("1 h", [2], pipe=2))
    (row,) = _joints_told("30 min", [2], pipe=2).itertuples()
    assert "with 15 min of handling takes 40 min at least" in row.text


def test_a_wall_thicker_than_times_are_known_of_is_told_as_the_thickest() -> None:
    assert len(_joints_told("4 h", [2], pipe=3)) == 0
    assert len(_joints_told("3 h", [2], pipe=3)) == 1


@pytest.mark.parametrize(("allowed", "strings"), [("100 min", [3]), ("1 h", [1, 1]), ("1 h", [])])
def test_joints_given_their_time_or_none_on_the_way_go_without_a_word(
    allowed: str, strings: list[int]
) -> None:
    assert not len(_joints_told(allowed, strings))
