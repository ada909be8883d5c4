"""The schedule: one thing at a time for a crew, nothing before what it waits for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import geotools
from geotools.brief import Brief
from geotools.estimate.schedule import schedule_runs

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"


@pytest.fixture(scope="module")
def sample() -> dict[str, Any]:
    return dict(geotools.plan(SAMPLE).layers)


def ends(tasks: pd.DataFrame) -> pd.DataFrame:
    return tasks.assign(end=tasks["start_day"] + tasks["days"])


def test_a_crew_does_one_thing_at_a_time(sample: dict[str, Any]) -> None:
    tasks = ends(sample["schedule"])
    busy = tasks[(tasks["crew"] != "none") & (tasks["days"] > 0)]
    for _, own in busy.groupby(["run_id", "crew"]):
        own = own.sort_values("start_day")
        assert (own["start_day"].to_numpy()[1:] >= own["end"].to_numpy()[:-1] - 1e-9).all()


def test_nothing_starts_before_what_it_waits_for(sample: dict[str, Any]) -> None:
    tasks = ends(sample["schedule"]).set_index(["task", "ref"])
    for pull in sample["pulls"].itertuples():
        pulled = tasks.loc[("pull the carrier in", pull.pull_id)]
        before = [
            ("fuse the strings", pull.pull_id),
            ("open the connections", pull.pull_id),
            ("dig and support the pit", pull.insertion_pit),
            ("dig and support the pit", pull.receiving_pit),
        ]
        assert all(tasks.loc[key]["end"] <= pulled["start_day"] + 1e-9 for key in before)
        rest = tasks.loc[("let the carrier rest", pull.pull_id)]
        assert rest["start_day"] >= pulled["end"] - 1e-9
        assert rest["days"] >= 1.0
        test = tasks.loc[("fill, test and disinfect", pull.run_id)]
        assert test["start_day"] >= rest["end"] - 1e-9
        for pit in (pull.insertion_pit, pull.receiving_pit):
            if ("tie in at the pit", pit) in tasks.index:
                tied = tasks.loc[("tie in at the pit", pit)]
                assert tied["start_day"] >= test["end"] - 1e-9
                again = tasks.loc[("refill and make good", pit)]
                assert again["start_day"] >= tied["end"] - 1e-9
            else:
                joined = tasks.loc[("join the carriers in the pit", pit)]
                assert joined["start_day"] >= rest["end"] - 1e-9
                assert test["start_day"] >= joined["end"] - 1e-9
            assert tasks.loc[("refill and make good", pit)]["start_day"] >= test["end"] - 1e-9


def test_every_pit_pull_and_run_has_its_tasks(sample: dict[str, Any]) -> None:
    tasks, pits, pulls = sample["schedule"], sample["pits"], sample["pulls"]
    count = tasks["task"].value_counts()
    for task in ("dig and support the pit", "refill and make good"):
        assert count[task] == len(pits)
    ends_of_runs = pits.groupby("run_id")["pit_id"].agg(["first", "last"])
    tied = tasks.loc[tasks["task"] == "tie in at the pit", "ref"]
    assert sorted(tied) == sorted(set(ends_of_runs.to_numpy().ravel()))
    assert count["tie in at the pit"] + count["join the carriers in the pit"] == len(pits)
    for task in ("fuse the strings", "pull the carrier in", "let the carrier rest"):
        assert count[task] == len(pulls)
    assert count["fill, test and disinfect"] == (sample["runs"]["status"] == "planned").sum()


def test_time_lost_on_a_critical_task_and_on_no_other_is_lost_on_the_run() -> None:
    """Each task in turn is made a hundredth of a day longer, and the run is scheduled anew."""
    runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"]})
    pits = pd.DataFrame(
        {"run_id": "R", "pit_id": ["P1", "P2", "P3"], "volume": [60.0, 30.0, 90.0], "area": 20.0}
    )
    pulls = pd.DataFrame(
        {
            "run_id": "R",
            "pull_id": ["L1", "L2"],
            "insertion_pit": ["P2", "P2"],
            "receiving_pit": ["P1", "P3"],
            "joints": [40, 8],
            "digs": [2, 9],
            "hours": [3.0, 1.0],
            "wait_hours": 24.0,
        }
    )
    crew = Brief().crew

    def finish(pulls: pd.DataFrame, pits: pd.DataFrame) -> tuple[float, pd.DataFrame]:
        tasks = schedule_runs(runs, pits, pulls, crew)
        return float((tasks["start_day"] + tasks["days"]).max()), tasks

    end, tasks = finish(pulls, pits)
    critical = tasks.set_index(["task", "ref"])["critical"]
    assert critical.any() and not critical.all()
    for row, pull in enumerate(pulls["pull_id"]):
        more = 0.01 * crew.joints_per_day * (np.arange(2) == row)
        longer = pulls.assign(joints=pulls["joints"] + more)
        later = finish(longer, pits)[0] > end + 1e-9
        assert later == critical[("fuse the strings", pull)]
    for row, pit in enumerate(pits["pit_id"]):
        more = 0.01 * crew.dig_per_day * 86400 * (np.arange(3) == row)
        bigger = pits.assign(volume=pits["volume"] + more)
        later = finish(pulls, bigger)[0] > end + 1e-9
        assert later == critical[("dig and support the pit", pit)]


def test_fusing_is_off_the_critical_path_where_digging_is_the_longer() -> None:
    runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"]})
    pits = pd.DataFrame(
        {"run_id": "R", "pit_id": ["P1", "P2"], "volume": [600.0, 600.0], "area": 20.0}
    )
    pulls = pd.DataFrame(
        {
            "run_id": ["R"],
            "pull_id": ["L1"],
            "insertion_pit": ["P2"],
            "receiving_pit": ["P1"],
            "joints": [8],
            "digs": [0],
            "hours": [3.0],
            "wait_hours": [24.0],
        }
    )
    tasks = schedule_runs(runs, pits, pulls, Brief().crew).set_index(["task", "ref"])
    assert not tasks.loc[("fuse the strings", "L1")]["critical"]
    assert tasks.loc[("dig and support the pit", "P2")]["critical"]
    assert tasks.loc[("pull the carrier in", "L1")]["start_day"] == pytest.approx(22.0)


def test_a_run_without_a_plan_has_no_tasks() -> None:
    runs = pd.DataFrame({"run_id": ["R"], "status": ["no_plan"]})
    nothing = pd.DataFrame({"run_id": []})
    assert schedule_runs(runs, nothing, nothing, Brief().crew).empty


def test_critical_tasks_follow_each_other_from_the_first_day_to_the_last() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        count = int(rng.integers(1, 6))
        pits = pd.DataFrame(
            {
                "run_id": "R",
                "pit_id": [f"P{k}" for k in range(count)],
                "volume": rng.uniform(5, 200, count),
                "area": rng.uniform(5, 60, count),
            }
        )
        pulls = pd.DataFrame(
            {
                "run_id": "R",
                "pull_id": [f"L{k}" for k in range(count - 1)],
                "insertion_pit": [f"P{k}" for k in range(count - 1)],
                "receiving_pit": [f"P{k + 1}" for k in range(count - 1)],
                "joints": rng.integers(0, 60, count - 1),
                "digs": rng.integers(0, 9, count - 1),
                "hours": rng.uniform(1, 9, count - 1),
                "wait_hours": rng.uniform(5, 60, count - 1),
            }
        )
        runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"]})
        tasks = ends(schedule_runs(runs, pits, pulls, Brief().crew))
        finish = tasks["end"].max()
        critical = tasks[tasks["critical"] & (tasks["days"] > 0)]
        # Critical tasks fill the whole time without a gap, and the last of them ends it.
        spans = sorted(zip(critical["start_day"], critical["end"], strict=True))
        reached = 0.0
        for start, end in spans:
            assert start <= reached + 1e-9
            reached = max(reached, end)
        assert reached == pytest.approx(finish)
        # Every task starts at once, or when another one ends: none idles without a cause.
        for start in tasks.loc[tasks["start_day"] > 0, "start_day"]:
            assert np.isclose(tasks["end"], start).any()
