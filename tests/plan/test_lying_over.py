"""Strings over pits and over each other, told with the days of the plan."""

from __future__ import annotations

import pandas as pd
import pytest
import shapely

from geotools.intake.findings import Findings
from geotools.layout.lying_over import (
    report_over_digs,
    report_over_pits,
    report_over_strings,
    strings_over,
)


def _strings(*lies: tuple[str, float, float, float]) -> pd.DataFrame:
    """Return strings of runs 3 m wide: their run, where they begin, and their days."""
    rows = pd.DataFrame(lies, columns=["run_id", "x", "first_day", "last_day"])
    ids = [f"{run}-L{k}" for k, run in enumerate(rows["run_id"])]
    shapes = shapely.box(rows["x"], 0.0, rows["x"] + 100.0, 3.0)
    return rows.assign(pull_id=ids, string_id=[f"{one}-S1" for one in ids], geometry=shapes)


def test_strings_of_a_run_on_one_another_are_told_where_the_plan_has_both_on_one_day() -> None:
    findings = Findings()
    lies = [("R1", 0.0, 0.8, 4.8), ("R1", 90.0, 3.9, 5.4), ("R1", 80.0, 5.4, 9.0)]
    report_over_strings(_strings(*lies), findings)
    told = findings.table()
    assert told["rule"].tolist() == ["string-over-string"]
    assert told["severity"].tolist() == ["warning"] and told["feature"].tolist() == ["R1-L0-S1"]
    (text,) = told["text"]
    assert "strings R1-L0-S1 and R1-L1-S1 lie on one another with 30.0 m²" in text
    assert "both from day 3.9 to day 4.8 of the run" in text
    assert shapely.area(told["geometry"].iloc[0]) == pytest.approx(30.0)


def test_strings_of_two_runs_on_one_another_are_told_without_days() -> None:
    findings = Findings()
    report_over_strings(_strings(("R1", 0.0, 0.8, 4.8), ("R2", 0.0, 6.0, 9.0)), findings)
    told = findings.table()
    assert told["severity"].tolist() == ["info"]
    assert "their runs have days of their own" in told["text"].iloc[0]
    report_over_strings(_strings(("R1", 0.0, 0.8, 4.8), ("R2", 100.0, 0.8, 4.8)), findings)
    assert len(findings.table()) == 1


@pytest.mark.parametrize(
    ("run", "days", "said"),
    [
        ("R1", (2.8, 20.0), "the plan has both from day 2.8 to day 4.8 of the run: plate"),
        ("R1", (6.0, 20.0), "gone by day 4.8 of the run, and the pit is dug from day 6.0, after"),
        ("R1", (0.0, 0.5), "made good by day 0.5 of the run, and the string is fused from day 0.8"),
        ("R2", (2.8, 20.0), "dig that pit after the pull, or plate it"),
    ],
)
def test_of_a_string_over_a_pit_it_is_told_what_the_schedule_has(
    run: str, days: tuple[float, float], said: str
) -> None:
    findings = Findings()
    pits = pd.DataFrame({"pit_id": ["P0", "P1"], "run_id": run, "x": 50.0, "y": 1.0})
    pits = pits.assign(ground=shapely.box(48, 0, 52, 2), first_day=days[0], last_day=days[1])
    pulls = pd.DataFrame({"pull_id": ["R1-L0"], "insertion_pit": ["P0"]})
    report_over_pits(_strings(("R1", 0.0, 0.8, 4.8)), pits, pulls, findings)
    (text,), (severity,) = (findings.table()[name] for name in ("text", "severity"))
    assert text.startswith("string R1-L0-S1 lies over pit P1: ") and said in text
    assert severity == ("warning" if "has both" in said else "info")  # sheets list warnings


def _digs(run: str) -> pd.DataFrame:
    """Return digs for two pulls of a run under the string of L0, one beside it, one spared."""
    digs = pd.DataFrame({"pull_id": [f"{run}-L1", f"{run}-L1", f"{run}-L1", ""], "run_id": run})
    return digs.assign(x=[10.0, 20.0, 30.0, 40.0], y=[1.0, 3.4, 9.0, 1.0])


@pytest.mark.parametrize(
    ("run", "opened", "severity", "said"),
    [
        ("R1", 1.3, "warning", "to day 4.8 of the run, and until day 2.3 they are being dug up:"),
        ("R1", 4.0, "warning", "opened from day 4.0 and remade by day 11.0, backfilled or plated"),
        ("R1", -0.5, "warning", "until day 0.5 they are being dug up"),
        ("R1", -0.8, "info", "from day 0.2 to day 4.8 of the run: plate them so that they bear it"),
        ("R1", 4.8, "", ""),
        ("R2", 1.3, "", ""),
    ],
)
def test_of_a_string_over_digs_it_is_a_warning_that_it_is_there_while_they_are_dug(
    run: str, opened: float, severity: str, said: str
) -> None:
    tasks = [("open the connections", opened, 1.0), ("remake the connections", 10.0, 1.0)]
    rows = pd.DataFrame(tasks, columns=["task", "start_day", "days"]).assign(ref=f"{run}-L1")
    findings = Findings()
    report_over_digs(_strings(("R1", 0.0, 0.2, 4.8)), _digs(run), rows, findings)
    told = findings.table()
    assert told["severity"].tolist() == ([severity] if severity else [])
    for text in told["text"]:
        assert text.startswith("string R1-L0-S1 lies over 2 of the places dug up for pull R1-L1, ")
        assert said in text


def test_what_strings_lie_over_is_told_of_their_own_run_by_pull() -> None:
    pits = pd.DataFrame({"pit_id": ["P0", "P1", "Q1", "P2"], "run_id": ["R1", "R1", "R2", "R1"]})
    pits = pits.assign(ground=shapely.box([0, 48, 48, 300], 0, [2, 52, 52, 304], 2))
    pulls = pd.DataFrame({"pull_id": ["R1-L0"], "insertion_pit": ["P0"]})
    strings = pd.concat([_strings(("R1", 0.0, 0.8, 4.8))] * 2, ignore_index=True)
    digs = pd.concat([_digs("R1"), _digs("R2"), _digs("R1").assign(pull_id="R1-L0")])
    over = strings_over(strings, pits, pulls, digs.reset_index(drop=True))
    assert over.to_numpy().tolist() == [["R1", "R1-L0", "P1"], ["R1", "R1-L0", "R1-L1"]]
