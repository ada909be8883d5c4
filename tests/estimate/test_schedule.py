"""The schedule: one thing at a time for a crew, nothing before what it waits for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import geotools
from geotools.brief import Brief, Crew
from geotools.estimate import schedule
from geotools.estimate.schedule import days_out, days_waiting, schedule_runs
from geotools.tool import Outcome

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"


@pytest.fixture(scope="module")
def sample(sample_done: Outcome) -> dict[str, Any]:
    return dict(sample_done.layers)


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
    runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"], "shut": False})
    pits = pd.DataFrame(
        {
            "run_id": "R",
            "pit_id": ["P1", "P2", "P3"],
            "volume": [60.0, 30.0, 90.0],
            "area": 20.0,
            "services": [0, 1, 0],
            "digs": [0.0, 0.5, 1.0],
        }
    )
    pulls = pd.DataFrame(
        {
            "run_id": "R",
            "pull_id": ["L1", "L2"],
            "insertion_pit": ["P2", "P2"],
            "receiving_pit": ["P1", "P3"],
            "strings": 1,
            "joints": [40, 8],
            "digs": [2, 9],
            "hours": [3.0, 1.0],
            "wait_hours": 24.0,
            "services": [2, 3],
            "cleaned": [150.0, 90.0],
            "grout": [30.0, 60.0],
            "lifts": [1, 2],
            "stages": [1, 1],
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
    for row, pull in enumerate(pulls["pull_id"]):
        one = np.arange(2) == row
        dirtier = pulls.assign(
            cleaned=pulls["cleaned"] + 0.01 * crew.cleaning_per_day * 86400 * one
        )
        later = finish(dirtier, pits)[0] > end + 1e-9
        assert later == critical[("clean and inspect the host", pull)]
        slower = pulls.assign(lifts=pulls["lifts"] + 0.01 * one)
        assert finish(slower, pits)[0] > end + 1e-9 or not critical[("grout the annulus", pull)]
    assert critical[[("grout the annulus", pull) for pull in pulls["pull_id"]]].any()


def test_fusing_is_off_the_critical_path_where_digging_is_the_longer() -> None:
    runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"], "shut": False})
    pits = pd.DataFrame(
        {
            "run_id": "R",
            "pit_id": ["P1", "P2"],
            "volume": [600.0, 600.0],
            "area": 20.0,
            "services": 0,
            "digs": 0.0,
        }
    )
    pulls = pd.DataFrame(
        {
            "run_id": ["R"],
            "pull_id": ["L1"],
            "insertion_pit": ["P2"],
            "receiving_pit": ["P1"],
            "strings": 1,
            "joints": [8],
            "digs": [0],
            "hours": [3.0],
            "wait_hours": [24.0],
            "services": [0],
            "cleaned": [0.0],
            "grout": [0.0],
            "lifts": [1],
            "stages": 1,
        }
    )
    tasks = schedule_runs(runs, pits, pulls, Brief().crew).set_index(["task", "ref"])
    assert not tasks.loc[("fuse the strings", "L1")]["critical"]
    assert tasks.loc[("dig and support the pit", "P2")]["critical"]
    assert tasks.loc[("pull the carrier in", "L1")]["start_day"] == pytest.approx(22.0)


def _two_pulls() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, Crew]:
    """Return runs, pits, pulls and crews of a run of two pulls, 300 and 100 m of it cleaned."""
    runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"], "shut": False})
    pits = pd.DataFrame(
        {
            "run_id": "R",
            "pit_id": ["P1", "P2", "P3"],
            "volume": [60.0, 60.0, 60.0],
            "area": [50.0, 50.0, 50.0],
            "services": [1, 0, 0],
            "digs": 0.0,
        }
    )
    pulls = pd.DataFrame(
        {
            "run_id": "R",
            "pull_id": ["L1", "L2"],
            "insertion_pit": "P2",
            "receiving_pit": ["P1", "P3"],
            "strings": 1,
            "joints": 8,
            "digs": [2, 0],
            "hours": 5.0,
            "wait_hours": 24.0,
            "services": [2, 0],
            "cleaned": [300.0, 100.0],
            "grout": [60.0, 20.0],
            "lifts": [3, 1],
            "stages": 1,
        }
    )
    crew = Brief().crew.model_copy(
        update={
            "temporary_per_day": 0.25,
            "cleaning_per_day": 200 / 86400,
            "grout_per_day": 40 / 86400,
            "grout_lifts_per_day": 1.0,
        }
    )
    return runs, pits, pulls, crew


def test_what_is_priced_has_its_days_and_its_place_in_the_order() -> None:
    """Two pulls by hand: 300 and 100 m cleaned, 3 services, 60 and 20 m3 of grout in 3 lifts, 1."""
    runs, pits, pulls, crew = _two_pulls()
    tasks = schedule_runs(runs, pits, pulls, crew)
    got = {(t.task, t.ref): (t.start_day, t.start_day + t.days) for t in tasks.itertuples()}
    # 3 services at 0.25 a day, half of it before: until then nothing is cut off or opened
    assert got["lay the temporary supply", "R"] == pytest.approx((0.0, 6.0))
    assert got["open the connections", "L1"] == pytest.approx((6.0, 6.5))
    # pits are dug by days 2, 4 and 6; 300 m at 200 m a day, then 100 m by the same crew
    assert got["clean and inspect the host", "L1"] == pytest.approx((6.0, 7.5))
    # L2 is cleaned from P2, where nobody is while L1 moves; that the pull goes first costs no time
    assert got["pull the carrier in", "L1"] == pytest.approx((7.5, 8.0))
    assert got["clean and inspect the host", "L2"] == pytest.approx((8.0, 8.5))
    assert got["pull the carrier in", "L2"] == pytest.approx((8.5, 9.0))
    # rested by 10, joined in P2 by 11.5, tested by 13.5
    assert got["fill, test and disinfect", "R"] == pytest.approx((11.5, 13.5))
    # three lifts take longer than 60 m3 at 40 a day; one lift longer than 20 m3
    assert got["grout the annulus", "L1"] == pytest.approx((13.5, 16.5))
    assert got["grout the annulus", "L2"] == pytest.approx((16.5, 17.5))
    assert got["tie in at the pit", "P1"] == pytest.approx((16.5, 18.0))
    assert got["tie in at the pit", "P3"] == pytest.approx((18.0, 19.5))
    assert got["remake the connections", "L1"] == pytest.approx((16.5, 17.0))
    assert got["refill and make good", "P2"] == pytest.approx((17.5, 19.5))
    assert got["clear the temporary supply", "R"] == pytest.approx((19.5, 25.5))
    assert days_out(tasks)["R"] == pytest.approx(19.5 - 6.0)


def test_a_run_is_shut_before_it_is_opened_or_cut_and_back_once_all_is_tied_in() -> None:
    """By hand: services are fed by day 6, and L1 is opened then; or nobody is, and pits by day 4.

    L1 is cleaned from day 4 on, from P1 and P2, and nothing is opened before it.
    """
    runs, pits, pulls, crew = _two_pulls()
    bare = pulls.assign(services=0, digs=0), pits.assign(services=0)
    for shut_from, own, holes in ((6.0, pulls, pits), (3.5, *bare)):
        tasks = ends(schedule_runs(runs.assign(shut=True), holes, own, crew))
        rows = tasks.set_index("task")
        closed, open_again = (
            rows.loc[name]
            for name in ("close valves, prove the main dead", "flush, open valves, release")
        )
        assert (closed["start_day"], closed["days"], closed["crew"]) == (shut_from, 0.5, "network")
        assert (closed["ref"], open_again["ref"], open_again["crew"]) == ("R", "R", "network")
        again = tasks["task"].isin(["tie in at the pit", "remake the connections"])
        assert open_again["start_day"] == tasks.loc[again, "end"].max()
        cut = tasks["task"].isin(["open the connections", "clean and inspect the host"])
        assert tasks.loc[cut & (tasks["days"] > 0), "start_day"].min() == closed["end"]
        assert days_out(tasks)["R"] == open_again["end"] - closed["start_day"]
        cleared = tasks.loc[tasks["task"] == "clear the temporary supply", "start_day"]
        assert (cleared >= open_again["end"]).all()


@pytest.mark.parametrize(
    ("joints", "volume", "pulled", "cleaned"),
    [
        ([64, 8], 60.0, (9.0, 9.5), (7.5, 9.0)),  # fused by day 8; or L2 were pulled from 10 on
        ([8, 16], 300.0, (7.5, 8.0), (10.0, 11.5)),  # P3 is dug by day 10: over by then
        ([8, 96], 60.0, (7.5, 8.0), (8.0, 9.5)),  # L2 is fused by day 13: no time is lost
    ],
)
def test_a_pull_waits_for_the_cleaning_of_the_next_from_its_pit_where_that_is_the_sooner(
    joints: list[int], volume: float, pulled: tuple[float, float], cleaned: tuple[float, float]
) -> None:
    """By hand: L1 is clean on day 7.5, and L2 takes a day and a half to be cleaned from P2."""
    runs, pits, pulls, crew = _two_pulls()
    deep = pits.assign(volume=[60.0, 60.0, volume])
    long = pulls.assign(cleaned=300.0, joints=joints)
    tasks = ends(schedule_runs(runs, deep, long, crew)).set_index(["task", "ref"])
    got = tasks.loc[("pull the carrier in", "L1"), ["start_day", "end"]]
    assert tuple(got) == pytest.approx(pulled)
    got = tasks.loc[("clean and inspect the host", "L2"), ["start_day", "end"]]
    assert tuple(got) == pytest.approx(cleaned)


def test_nobody_is_in_the_pits_of_a_pull_while_it_moves() -> None:
    """Runs at random: no cleaning, digging or joining meets a pull at a pit, not by a moment."""
    rng = np.random.default_rng(5)
    pairs = 0
    for _ in range(40):
        pits, pulls = drawn(rng)
        tasks = ends(schedule_runs(RUN, pits, pulls, Brief().crew))
        of = {name: {name} for name in pits["pit_id"]}
        for pull in pulls.itertuples():
            of[pull.pull_id] = {pull.insertion_pit, pull.receiving_pit}
        outside = ["fuse the strings", "let the carrier rest", "open the connections"]
        there = tasks[tasks["ref"].isin(list(of)) & ~tasks["task"].isin(outside)]
        places = [of[ref] for ref in there["ref"]]
        for pull in there[there["task"] == "pull the carrier in"].itertuples():
            met = np.array([bool(own & of[pull.ref]) for own in places])
            others = there[met & (there.index != pull.Index)]
            end = np.minimum(others["end"], pull.end)
            assert (end - np.maximum(others["start_day"], pull.start_day) < 1e-9).all()
            pairs += len(others)
    assert pairs > 500


def test_without_cleaning_services_are_cut_off_before_the_host_is_pulled_into() -> None:
    runs, pits, pulls, crew = _two_pulls()
    bare = schedule_runs(runs, pits, pulls.assign(cleaned=0.0), crew)
    first = bare.loc[bare["task"] == "open the connections", "start_day"].min()
    assert first < bare.loc[bare["task"] == "pull the carrier in", "start_day"].min()
    last = bare[bare["task"].isin(["tie in at the pit", "remake the connections"])]
    back = (last["start_day"] + last["days"]).max()
    assert days_out(bare)["R"] == pytest.approx(back - first)
    plain = pulls.assign(cleaned=0.0, grout=0.0, services=0)
    left = schedule_runs(runs, pits.assign(services=0), plain, crew)
    assert not left.query("task == 'remake the connections'")["ref"].str.startswith("P").any()
    words = ("temporary supply", "clean", "grout")
    assert not left["task"].str.contains("|".join(words)).any()


def test_what_lies_in_a_pit_is_remade_after_the_test_and_before_the_pit_is_refilled() -> None:
    """Two digs' worth in the pit at an end, four in the one between, three on the second pull."""
    runs = pd.DataFrame({"run_id": ["R"], "status": ["planned"], "shut": False})
    pits = pd.DataFrame(
        {
            "run_id": "R",
            "pit_id": ["P1", "P2", "P3"],
            "volume": 60.0,
            "area": 50.0,
            "services": 0,
            "digs": [2.0, 4.0, 0.0],
        }
    )
    pulls = pd.DataFrame(
        {
            "run_id": "R",
            "pull_id": ["L1", "L2"],
            "insertion_pit": "P2",
            "receiving_pit": ["P1", "P3"],
            "strings": 1,
            "joints": 8,
            "digs": [0, 3],
            "hours": 5.0,
            "wait_hours": 24.0,
            "services": 0,
            "cleaned": 0.0,
            "grout": 0.0,
            "lifts": 1,
            "stages": 1,
        }
    )
    crew = Brief().crew.model_copy(update={"digs_per_day": 1.0, "tie_in_days": 0.5})
    tasks = ends(schedule_runs(runs, pits, pulls, crew))
    own = tasks.set_index(["task", "ref"])
    tested = own.loc[("fill, test and disinfect", "R"), "end"]
    again = tasks[tasks["task"] == "remake the connections"].set_index("ref")
    spans = (again.loc[["P1", "P2", "L2"], ["start_day", "end"]] - tested).to_numpy().tolist()
    assert spans == pytest.approx(np.array([[0.0, 2.0], [2.0, 6.0], [6.0, 7.5]]))
    for pit in ("P1", "P2"):
        refilled = own.loc[("refill and make good", pit), "start_day"]
        assert refilled >= again.loc[pit, "end"] - 1e-9
    assert own.loc[("refill and make good", "P2"), "start_day"] == pytest.approx(tested + 6.0)
    assert days_out(tasks)["R"] == pytest.approx(
        tested + 7.5 - tasks.query("task == 'open the connections'")["start_day"].min()
    )


def test_a_run_without_a_plan_has_no_tasks() -> None:
    runs = pd.DataFrame({"run_id": ["R"], "status": ["no_plan"], "shut": True})
    nothing = pd.DataFrame({"run_id": []})
    assert schedule_runs(runs, nothing, nothing, Brief().crew).empty


DUG = ["dig and support the pit", "refill and make good", "open the connections"]
RUN = pd.DataFrame({"run_id": ["R"], "status": ["planned"], "shut": False})


def drawn(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return pits and pulls of a run drawn at random."""
    count = int(rng.integers(1, 6))
    pits = pd.DataFrame(
        {
            "run_id": "R",
            "pit_id": [f"P{k}" for k in range(count)],
            "volume": rng.uniform(5, 200, count),
            "area": rng.uniform(5, 60, count),
            "services": rng.integers(0, 2, count),
        }
    )
    pulls = pd.DataFrame(
        {
            "run_id": "R",
            "pull_id": [f"L{k}" for k in range(count - 1)],
            "insertion_pit": [f"P{k}" for k in range(count - 1)],
            "receiving_pit": [f"P{k + 1}" for k in range(count - 1)],
            "strings": rng.integers(1, 3, count - 1),
            "joints": rng.integers(0, 60, count - 1),
            "digs": rng.integers(0, 9, count - 1),
            "hours": rng.uniform(1, 9, count - 1),
            "wait_hours": rng.uniform(5, 60, count - 1),
            "services": rng.integers(0, 5, count - 1),
            "cleaned": rng.uniform(10, 500, count - 1),
            "grout": rng.uniform(10, 90, count - 1) * rng.integers(0, 2),
            "lifts": rng.integers(1, 4, count - 1),
            "stages": 1,
        }
    )
    return pits.assign(digs=rng.integers(0, 3, count) / 2), pulls


def three_pulls(
    joints: list[int],
    strings: list[int] | int = 1,
    digs: list[int] | int = 0,
    over: tuple[str, str] | None = None,
) -> pd.DataFrame:
    """Schedule a run of three pulls; each of its four pits is dug in two days, a pull in half."""
    pits = pd.DataFrame(
        {
            "run_id": "R",
            "pit_id": ["P1", "P2", "P3", "P4"],
            "volume": 60.0,
            "area": 50.0,
            "services": 0,
            "digs": 0.0,
        }
    )
    pulls = pd.DataFrame(
        {
            "run_id": "R",
            "pull_id": ["L1", "L2", "L3"],
            "insertion_pit": ["P2", "P2", "P4"],
            "receiving_pit": ["P1", "P3", "P3"],
            "strings": strings,
            "joints": joints,
            "digs": digs,
            "hours": 5.0,
            "wait_hours": 24.0,
            "services": 0,
            "cleaned": 0.0,
            "grout": 0.0,
            "lifts": 1,
            "stages": 1,
        }
    )
    lie = (
        None if over is None else pd.DataFrame([("R", *over)], columns=["run_id", "pull_id", "at"])
    )
    return schedule_runs(RUN, pits, pulls, Brief().crew, lie)


@pytest.mark.parametrize(
    ("joints", "over", "dug", "last"),
    [
        ([8, 12, 24], ("L1", "P4"), 6.0, 8.0),  # gone by day 4.5 anyway
        ([8, 12, 24], ("L1", "P3"), 4.5, 8.5),  # dug half a day later, once L1 is in
        ([8, 12, 24], ("L2", "P4"), 6.5, 8.5),
        ([40, 8, 8], ("L1", "P3"), 4.0, 8.0),  # L1 is in by day 5.5: a day and a half is too much
        ([8, 12, 24], ("L2", "P1"), 0.0, 8.0),  # L2 cannot go before L1, which goes to P1
    ],
)
def test_a_pit_under_strings_is_dug_once_they_are_gone_if_the_run_ends_little_later(
    joints: list[int], over: tuple[str, str], dug: float, last: float
) -> None:
    """By hand: pits are dug by days 2, 4, 6 and 8, so pulls begin on days 4, 6 and 8."""
    rows = three_pulls(joints, over=over).set_index(["task", "ref"])
    assert rows.loc[("dig and support the pit", over[1]), "start_day"] == dug
    assert rows.loc[("pull the carrier in", "L3"), "start_day"] == last


@pytest.mark.parametrize(
    ("joints", "digs", "over", "opened", "fused"),
    [
        ([8, 12, 24], [0, 0, 6], ("L1", "L3"), 0.0, 2.5),  # opened and plated over before
        ([24, 8, 8], [0, 0, 6], ("L1", "L3"), 4.5, 1.0),  # opened once L1 is in
        ([8, 1, 72], [6, 0, 0], ("L3", "L1"), 0.0, 1.5),  # cannot; laid once these are opened
        ([1, 1, 72], [6, 0, 0], ("L3", "L1"), 0.0, 0.25),  # the run would end 1.25 days later
    ],
)
def test_connections_under_strings_are_opened_once_they_are_gone_or_before_they_are_laid(
    joints: list[int], digs: list[int], over: tuple[str, str], opened: float, fused: float
) -> None:
    """By hand, as above: six digs are opened in a day and a half, and plated over after that."""
    rows = three_pulls(joints, digs=digs, over=over).set_index(["task", "ref"])
    assert rows.loc[("open the connections", over[1]), "start_day"] == opened
    assert rows.loc[("fuse the strings", over[0]), "start_day"] == fused


def test_strings_out_of_the_way_of_digging_make_no_run_more_than_a_day_longer() -> None:
    """Against the same runs of which no strings lie over anything."""
    rng = np.random.default_rng(8)
    apart = 0
    for _ in range(30):
        pits, pulls = drawn(rng)
        names = [*pits["pit_id"], *pulls.loc[pulls["digs"] > 0, "pull_id"]]
        over = pd.DataFrame(
            [("R", pull, at) for pull in pulls["pull_id"] for at in names if at != pull],
            columns=["run_id", "pull_id", "at"],
        )
        over = over[rng.random(len(over)) < 0.2]
        bare = ends(schedule_runs(RUN, pits, pulls, Brief().crew))
        kept = ends(schedule_runs(RUN, pits, pulls, Brief().crew, over))
        assert kept["end"].max() <= bare["end"].max() + 1.0 + 1e-9
        meets = [sum(_met(tasks, *pair) for pair in over[["pull_id", "at"]].to_numpy())
                 for tasks in (bare, kept)]  # fmt: skip
        assert meets[1] <= meets[0]
        apart += meets[0] - meets[1]
        again = schedule_runs(RUN, pits, pulls, Brief().crew, over.iloc[:0])
        pd.testing.assert_frame_equal(again, bare.drop(columns="end"))
    assert apart > 5


def _met(tasks: pd.DataFrame, pull: str, at: str) -> bool:
    """Say whether strings of a pull are there while a pit is open, or while digs are opened."""
    lie = tasks[tasks["task"].isin(["fuse the strings", "pull the carrier in"])]
    lie = lie[lie["ref"] == pull]
    dug = tasks[(tasks["ref"] == at) & tasks["task"].isin(DUG)]
    end = min(lie["end"].max(), dug["end"].max())
    return bool(end - max(lie["start_day"].min(), dug["start_day"].min()) > 1e-9)


def test_strings_are_fused_as_late_as_their_pulls_and_the_next_fusing_allow() -> None:
    """By hand: pits are dug by days 2, 4, 6 and 8, so pulls begin on days 4, 6 and 8.

    8, 12 and 24 joints take 1, 1.5 and 3 days: the last is fused from 5 to 8, so the second from
    3.5 to 5, a day before it is pulled, and the first from 2.5 to 3.5. Digging is critical.
    """
    tasks = three_pulls([8, 12, 24])
    rows = tasks.set_index(["task", "ref"])
    names = pd.Series(["L1", "L2", "L3"])
    assert rows.loc["fuse the strings"]["start_day"][names].tolist() == [2.5, 3.5, 5.0]
    assert rows.loc["pull the carrier in"]["start_day"][names].tolist() == [4.0, 6.0, 8.0]
    assert days_waiting(tasks, names).tolist() == [0.5, 1.0, 0.0]
    assert rows.loc[("pull the carrier in", "L3")]["critical"]
    assert not rows.loc["fuse the strings"]["critical"].any()


def test_strings_that_are_longest_to_fuse_are_fused_at_once_and_are_critical() -> None:
    """72 joints take 9 days, from 2.5 to 11.5: the pull waits for them, and so do the others."""
    tasks = three_pulls([8, 12, 72])
    rows = tasks.set_index(["task", "ref"])
    names = pd.Series(["L1", "L2", "L3"])
    assert rows.loc["fuse the strings"]["start_day"][names].tolist() == [0.0, 1.0, 2.5]
    assert rows.loc["pull the carrier in"]["start_day"][names].tolist() == [4.0, 6.0, 11.5]
    assert days_waiting(tasks, names).tolist() == [3.0, 3.5, 0.0]
    assert rows.loc["fuse the strings"]["critical"].all()


@pytest.mark.parametrize(
    ("joints", "strings", "fused", "pulled"),
    [
        # L1 takes the crew from 4 to 4.5, where L2 would be fused from 3.5 to 5
        ([8, 12, 24], [2, 1, 1], [1.5, 2.5, 5.0], [4.0, 6.0, 8.0]),
        # L2 takes it from 6 to 6.5, where L3 would be fused from 5 to 8
        ([8, 12, 24], [1, 2, 1], [0.5, 1.5, 3.0], [4.0, 6.0, 8.0]),
        # L3 takes five days: fused from 6.5, after L2, it were pulled on day 11.5, so L2 waits
        ([8, 12, 40], [1, 2, 1], [0.0, 1.0, 2.5], [4.0, 7.5, 8.0]),
        # L3 takes none: fused before L2 on day 6, or after it at no time
        ([8, 12, 0], [1, 2, 1], [3.0, 4.5, 8.0], [4.0, 6.0, 8.0]),
    ],
)
def test_a_pull_of_several_strings_takes_the_fusing_crew(
    joints: list[int], strings: list[int], fused: list[float], pulled: list[float]
) -> None:
    """By hand: pits are dug by days 2, 4, 6 and 8, so pulls begin on days 4, 6 and 8."""
    rows = three_pulls(joints, strings).set_index(["task", "ref"])
    names = ["L1", "L2", "L3"]
    assert rows.loc["fuse the strings"]["start_day"][names].tolist() == fused
    assert rows.loc["pull the carrier in"]["start_day"][names].tolist() == pulled
    crews = rows.loc["pull the carrier in"]["crew"][names].tolist()
    assert crews == ["pulling and fusing" if count > 1 else "pulling" for count in strings]


def test_no_strings_are_fused_while_those_of_a_pull_are_joined() -> None:
    rng = np.random.default_rng(6)
    count = 0
    for _ in range(40):
        tasks = ends(schedule_runs(RUN, *drawn(rng), Brief().crew))
        fused = tasks[tasks["task"] == "fuse the strings"]
        for pull in tasks[tasks["crew"] == "pulling and fusing"].itertuples():
            end = np.minimum(fused["end"], pull.end)
            assert (end - np.maximum(fused["start_day"], pull.start_day) < 1e-9).all()
            count += 1
    assert count > 30


def test_fusing_late_moves_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the same runs with fusing begun at once: the same end, days and critical tasks."""
    rng = np.random.default_rng(7)
    moved = 0
    for _ in range(40):
        pits, pulls = drawn(rng)
        with monkeypatch.context() as patch:
            patch.setattr(schedule, "_fuse_late", lambda tasks: None)
            soon = ends(schedule_runs(RUN, pits, pulls, Brief().crew))
        late = ends(schedule_runs(RUN, pits, pulls, Brief().crew))
        keys = ["task", "ref"]
        both = soon.merge(late, on=keys, suffixes=("", "_late"), validate="1:1")
        assert len(both) == len(soon) == len(late)
        assert (both["critical"] == both["critical_late"]).all()
        fused = both["task"] == "fuse the strings"
        assert (both["start_day"] == both["start_day_late"])[~fused | both["critical"]].all()
        assert (both["start_day_late"] >= both["start_day"]).all()
        moved += int((both["start_day_late"] > both["start_day"] + 1e-9).sum())
        assert late["end"].max() == pytest.approx(soon["end"].max())
        of = late[late["task"] == "fuse the strings"].set_index("ref").loc[pulls["pull_id"]]
        pulled = late[late["task"] == "pull the carrier in"].set_index("ref")["start_day"]
        until = pulled.loc[pulls["pull_id"]].to_numpy(copy=True)
        until[:-1] = np.minimum(until[:-1], of["start_day"].to_numpy()[1:])
        shared = late[late["crew"] == "pulling and fusing"]
        for strings, end in zip(of.itertuples(), until, strict=True):
            meets = [
                pull.start_day
                for pull in shared.itertuples()
                if pull.start_day < end - 1e-9 and pull.end > strings.start_day + 1e-9
            ]
            # as late as that, or as the pull before which it must be done, for the crew is there
            assert strings.end == pytest.approx(min([end, *meets]))
            assert not any(strings.end > day + 1e-9 for day in meets)
    assert moved > 20


def test_critical_tasks_follow_each_other_from_the_first_day_to_the_last() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        tasks = ends(schedule_runs(RUN, *drawn(rng), Brief().crew))
        finish = tasks["end"].max()
        critical = tasks[tasks["critical"] & (tasks["days"] > 0)]
        # Critical tasks fill the whole time without a gap, and the last of them ends it.
        spans = sorted(zip(critical["start_day"], critical["end"], strict=True))
        reached = 0.0
        for start, end in spans:
            assert start <= reached + 1e-9
            reached = max(reached, end)
        assert reached == pytest.approx(finish)
        # Every task starts at once, or when another one ends: none idles without a cause; but
        # strings are fused until another task begins.
        fused = tasks["task"] == "fuse the strings"
        for start in tasks.loc[(tasks["start_day"] > 0) & ~fused, "start_day"]:
            assert np.isclose(tasks["end"], start).any()
        for end in tasks.loc[fused, "end"]:
            assert np.isclose(tasks["start_day"], end).any()


@pytest.mark.parametrize("grouted", [True, False])
def test_the_schedule_of_a_grouted_plan_and_of_one_not_cleaned_holds(
    grouted: bool, tmp_path: Path
) -> None:
    main = gpd.GeoDataFrame(
        {"main_id": ["M"], "diameter_mm": [450.0], "bore_mm": [450.0], "cover_m": [1.5]},
        geometry=[shapely.LineString([(500_000, 4_800_000), (501_200, 4_800_000)])],
        crs=32633,
    )
    services = gpd.GeoDataFrame(
        {"customers": [1] * 3}, geometry=shapely.points([500_150, 500_500, 501_100], 4_800_002),
        crs=32633,
    )  # fmt: skip
    done = geotools.plan(
        mains=main,
        laterals=services,
        output=tmp_path / "plan.gpkg",
        settings={
            "service.least_capacity": 0,
            "pulls.grouted": grouted,
            "service.host_cleaned": grouted,
        },
    )
    tasks = done.layers["schedule"]["task"].astype(str).value_counts()
    pulls = len(done.layers["pulls"])
    assert pulls > 1
    for task in ("grout the annulus", "clean and inspect the host"):
        assert tasks.get(task, 0) == (pulls if grouted else 0)
    assert tasks["lay the temporary supply"] == tasks["clear the temporary supply"] == 1
    assert not geotools.verify(tmp_path / "plan.gpkg").failed


def _grouted(**grouting: float) -> pd.DataFrame:
    """Schedule one pull with a dig, grouted so."""
    pits = pd.DataFrame(
        {"run_id": "R", "pit_id": ["P1", "P2"], "volume": 60.0, "area": 50.0, "services": 0,
         "digs": 0.0}
    )  # fmt: skip
    pulls = pd.DataFrame(
        {"run_id": "R", "pull_id": ["L1"], "insertion_pit": "P1", "receiving_pit": "P2",
         "strings": 1, "joints": 2, "digs": 1, "hours": 5.0, "wait_hours": 24.0, "services": 0,
         "cleaned": 0.0}
    )  # fmt: skip
    return schedule_runs(RUN, pits, pulls.assign(**grouting), Brief().crew)


def test_grouting_is_told_to_be_in_stages_and_is_left_out_where_nothing_is_grouted() -> None:
    """Three stages a day each; what may not be grouted is tied in and remade after the test."""
    tasks = _grouted(lifts=3, stages=3, grout=20.0)
    (row,) = tasks[tasks["crew"] == "grouting"].to_dict("records")
    assert (row["task"], row["days"]) == ("grout the annulus in stages", 3.0)
    none = _grouted(lifts=0, stages=0, grout=0.0)
    assert not (none["crew"] == "grouting").any()
    tied = none.set_index("task")["start_day"]
    tested = none.assign(end=none["start_day"] + none["days"]).set_index("task")["end"]
    assert tied["remake the connections"] == tested["fill, test and disinfect"]
