"""The schedule of every run: who does what when, in working days from its start.

Fusing goes on beside the digging and is off the critical path unless it is the longer. A crew
does one thing at a time, in order along the run. The carriers are joined in the pits between the
ends, the run is tested whole, and only then tied in to the mains in service at its ends.
Planning values.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Crew
from geotools.pulls.optimise import LEAST_PULL_DAYS

__all__ = ["FUSING", "PULLING", "days_out", "schedule_runs"]

FUSING, PULLING = "fuse the strings", "pull the carrier in"  # while strings lie in the street
COLUMNS = ["run_id", "task", "ref", "crew", "start_day", "days", "critical"]
PIT_COLUMNS = ("pit_id", "volume", "area")
PULL_COLUMNS = (
    "pull_id",
    "insertion_pit",
    "receiving_pit",
    "joints",
    "digs",
    "hours",
    "wait_hours",
)
TESTING = "fill, test and disinfect"
TYING, REMAKING = "tie in at the pit", "remake the connections"  # puts the run back in service
DAY_S = 86400.0
_Row = dict[str, Any]  # the columns of one pit or pull


@dataclass
class _Task:
    """One task; ``after`` are the tasks that must be done before it."""

    task: str
    ref: str
    crew: str
    days: float
    after: list[_Task] = field(default_factory=list)
    start: float = 0.0
    latest: float = np.inf

    @property
    def end(self) -> float:
        return self.start + self.days


def schedule_runs(
    runs: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame, crew: Crew
) -> pd.DataFrame:
    """Schedule every planned run.

    Parameters
    ----------
    runs : DataFrame
        ``run_id``, ``status``.
    pits : DataFrame
        ``run_id``, ``pit_id``, ``volume`` (m3), ``area`` (m2), in order along the runs.
    pulls : DataFrame
        ``run_id``, ``pull_id``, ``insertion_pit``, ``receiving_pit``, ``joints``, ``digs``,
        ``hours``, ``wait_hours``.
    crew : Crew
    """
    rows: list[dict[str, object]] = []
    pits_of, pulls_of = _by_run(pits, PIT_COLUMNS), _by_run(pulls, PULL_COLUMNS)
    for run_id in runs.loc[runs["status"] == "planned", "run_id"]:
        tasks = _tasks(str(run_id), pits_of[run_id], pulls_of.get(run_id, []), crew)
        _place(tasks)
        rows += [
            {
                "run_id": run_id,
                "task": t.task,
                "ref": t.ref,
                "crew": t.crew,
                "start_day": t.start,
                "days": t.days,
                "critical": bool(t.latest - t.start < 1e-9),
            }
            for t in sorted(tasks, key=lambda t: (round(t.start, 6), t.crew, t.ref))
        ]
    return pd.DataFrame(rows, columns=COLUMNS)


def days_out(schedule: pd.DataFrame) -> pd.Series:
    """Return by run the working days it is out of service, as `schedule_runs` plans them.

    From the first pull, or the test of a run laid in the open, until the ends are tied in and the
    connections remade.
    """
    out = schedule[schedule["task"].isin([PULLING, TESTING, TYING, REMAKING])]
    ends = out["start_day"] + out["days"]
    run = out["run_id"].astype(str)
    return ends.groupby(run).max() - out["start_day"].groupby(run).min()


def _by_run(table: pd.DataFrame, columns: tuple[str, ...]) -> dict[str, list[_Row]]:
    """Return the rows of every run, in their order, with these columns."""
    if table.empty:
        return {}
    names = table["run_id"].tolist()
    found: dict[str, list[_Row]] = {name: [] for name in names}
    values = zip(*(table[column].tolist() for column in columns), strict=True)
    for name, row in zip(names, values, strict=True):
        found[name].append(dict(zip(columns, row, strict=True)))
    return found


def _tasks(run_id: str, pits: list[_Row], pulls: list[_Row], crew: Crew) -> list[_Task]:
    """List the tasks of a run in an order in which each follows what it waits for."""
    digging: dict[str, _Task] = {}
    for pit in pits:
        days = crew.pit_days / 2 + pit["volume"] / (crew.dig_per_day * DAY_S)
        digging[pit["pit_id"]] = _Task("dig and support the pit", pit["pit_id"], "digging", days)
    fusing, connecting, pulling, resting = [], [], [], []
    for pull in pulls:
        name = pull["pull_id"]
        strings = _Task(FUSING, name, "fusing", pull["joints"] / crew.joints_per_day)
        digs = _Task(
            "open the connections", name, "connections", pull["digs"] / crew.digs_per_day / 2
        )
        ends = [digging[pull["insertion_pit"]], digging[pull["receiving_pit"]]]
        shift = pull["hours"] / (crew.shift / 3600)
        pulled = _Task(
            PULLING,
            name,
            "pulling",
            max(shift, LEAST_PULL_DAYS),
            [strings, digs, *ends],
        )
        rest = _Task("let the carrier rest", name, "none", pull["wait_hours"] / 24, [pulled])
        fusing.append(strings)
        connecting.append(digs)
        pulling.append(pulled)
        resting.append(rest)
    names = list(digging)
    met: dict[str, list[_Task]] = {name: [] for name in names}
    for rest, pull in zip(resting, pulls, strict=True):
        for name in dict.fromkeys([pull["insertion_pit"], pull["receiving_pit"]]):
            met[name].append(rest)
    joining = []
    for name in names[1:-1]:
        done = [digging[name], *met[name]]
        joining.append(
            _Task("join the carriers in the pit", name, "tie-in", crew.tie_in_days, done)
        )
    ready = [*resting, *joining] or list(digging.values())
    test = _Task(TESTING, run_id, "testing", crew.test_days, ready)
    return [
        *digging.values(),
        *fusing,
        *connecting,
        *pulling,
        *resting,
        *joining,
        test,
        *_after_test(pits, test, connecting, crew),
    ]


def _after_test(pits: list[_Row], test: _Task, connecting: list[_Task], crew: Crew) -> list[_Task]:
    """List what follows the test: ends tied in, connections remade, pits refilled.

    The pits between the ends are refilled while those at the ends are tied in.
    """
    outer = dict.fromkeys([pits[0]["pit_id"], pits[-1]["pit_id"]])
    tying = {n: _Task(TYING, n, "tie-in", crew.tie_in_days, [test]) for n in outer}
    again = [_Task(REMAKING, t.ref, "connections", t.days, [test]) for t in connecting]
    closing = [
        _Task(
            "refill and make good",
            pit["pit_id"],
            "digging",
            crew.pit_days / 2 + pit["area"] / (crew.restore_per_day * DAY_S),
            [tying.get(pit["pit_id"], test)],
        )
        for pit in sorted(pits, key=lambda pit: pit["pit_id"] in tying)
    ]
    return [*tying.values(), *again, *closing]


def _place(tasks: list[_Task]) -> None:
    """Start each task as soon as its crew and what it waits for allow; find what is critical."""
    last: dict[str, _Task] = {}
    for task in tasks:
        if task.crew != "none" and task.crew in last:
            task.after.append(last[task.crew])
        task.start = max((before.end for before in task.after), default=0.0)
        last[task.crew] = task
    finish = max((task.end for task in tasks), default=0.0)
    for task in tasks:
        task.latest = finish - task.days
    for task in reversed(tasks):
        for before in task.after:
            before.latest = min(before.latest, task.latest - before.days)
