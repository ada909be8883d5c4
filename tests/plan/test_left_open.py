"""Pits with leaning sides are not plated: their lanes count, and are told, for as long as open."""

from __future__ import annotations

import pandas as pd
import pytest

from geotools.intake.findings import Findings
from geotools.layout.left_open import report_left_open, with_days_open


def _pits(**columns: object) -> pd.DataFrame:
    """Three pits of one run, worked at for 5, 8 and 6 days of those they stand."""
    table = pd.DataFrame(
        {"run_id": "R1", "pit_id": ["P1", "P2", "P3"], "x": [1.0, 2.0, 3.0], "y": 0.0,
         "side_slope": [1.0, 1.0, 0.0], "lanes_taken": [2, 1, 2], "days": [5.0, 8.0, 6.0],
         "traffic_cost": [4000.0, 800.0, 1200.0], "first_day": [0.0, 3.0, 4.0],
         "last_day": [25.0, 23.0, 30.0]}
    )  # fmt: skip
    return table.assign(**columns)


def test_lanes_at_a_pit_with_leaning_sides_are_closed_from_its_first_day_to_its_last() -> None:
    assert with_days_open(_pits())["days"].tolist() == [25.0, 20.0, 6.0]
    assert with_days_open(_pits(side_slope=0.0))["days"].tolist() == [5.0, 8.0, 6.0]


def test_lane_days_closed_and_not_priced_are_told_once_a_run_with_what_they_cost() -> None:
    """By hand: 2 x 25 + 20 lane-days, priced 2 x 5 + 8; 400 a lane-day of 40 more, 100 of 12."""
    findings = Findings()
    report_left_open(_pits(), "units", findings)
    (row,) = findings.table().to_dict("records")
    assert (row["severity"], row["rule"], row["feature"]) == ("warning", "pits-not-plated", "R1")
    assert "pits P1, P2 are too wide" in row["text"]
    assert "last day, 70.0 lane-days; priced are the days of work, 18.0 lane-days" in row["text"]
    assert "cost 17,200 units" in row["text"]
    assert row["geometry"].x == 1.0


@pytest.mark.parametrize("columns", [{"side_slope": 0.0}, {"lanes_taken": 0}])
def test_nothing_is_told_of_shored_pits_and_of_those_that_take_no_lane(
    columns: dict[str, float],
) -> None:
    findings = Findings()
    report_left_open(_pits(**columns), "units", findings)
    none = _pits().iloc[:0].astype("str")  # as a table that never had a pit
    report_left_open(none, "units", findings)
    assert not len(with_days_open(none))
    assert not len(findings.table())
