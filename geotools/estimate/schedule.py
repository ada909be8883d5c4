"""The schedule of every run: who does what when, in working days from its start.

A crew does one thing at a time, in order along the run, each as soon as may be; but strings lie in
the street from their first joint on, where nothing drives over them, and are fused as late as may
be without anything else being later for it. Fusing goes on beside the digging and is off the
critical path unless it is the longer. Critical is what makes the run longer by as much as it takes
longer though all is begun as soon as may be: what is merely fused late could be fused sooner.
Services are fed before they are cut off, and the host is cleaned before a pull. While a carrier
moves nobody else is in its two pits: it waits for the next pull to be cleaned from one of them,
unless it is over by then or the run ends no later if that waits for it. A pull of several strings
takes the fusing crew too, for those joined at standstill; the next strings are fused before it if
that is done by then or the run ends sooner for it, else after it. Where strings lie over a pit or
over connections of another pull, these are dug once they are gone, or the strings laid once the
connections are opened and plated over, unless the run takes over a day longer for all of that. The
carriers are joined in the pits between the ends, the run is tested whole, then grouted where that
is asked for, and only then tied in to the mains in service at its ends. Where a run has a shutdown
its valves are closed, as late as may be, before the first connection is opened or the host is cut,
and opened once all is tied in and remade. What lies in a pit needs no hole of its own: it is remade
when the connections are, in a share of the time of one dug up, and the pit stays open until then.
Planning values.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Crew
from geotools.network.ragged import FloatArray
from geotools.pipe.factors import DAY, HOUR

__all__ = [
    "FUSING",
    "LATER_DAYS",
    "OPENING",
    "PULLING",
    "PULL_COLUMNS",
    "REMAKING",
    "SAME",
    "days_out",
    "days_waiting",
    "schedule_runs",
]

FUSING, PULLING = "fuse the strings", "pull the carrier in"  # while strings lie in the street
OPENING = "open the connections"  # from then on services and tees of a pull are dug up
COLUMNS = ["run_id", "task", "ref", "crew", "start_day", "days", "critical"]
PIT_COLUMNS = ("pit_id", "volume", "area", "services", "digs")
PULL_COLUMNS = (
    "pull_id",
    "insertion_pit",
    "receiving_pit",
    "strings",
    "joints",
    "digs",
    "hours",
    "wait_hours",
    "services",
    "cleaned",
    "grout",
    "lifts",
    "stages",
)
NETWORK = "network"  # the crew that closes and opens valves
DIGGING = "dig and support the pit"
LATER_DAYS = 1.0  # a run may end later for strings to be out of the way; common practice, no source
_TRIED = 4_000  # tasks placed anew to keep strings and digs apart: seconds, of the longest runs
SHUTTING, RELEASING = "close valves, prove the main dead", "flush, open valves, release"
SHUT_DAYS, RELEASE_DAYS = 0.5, 0.5  # what these two take; common practice, no source
FUSERS, AND = "fusing", " and "  # the crew that a pull of several strings takes besides its own
CLEANING, TESTING = "clean and inspect the host", "fill, test and disinfect"
GROUTING, IN_STAGES = "grout the annulus", " in stages"
TYING, REMAKING = "tie in at the pit", "remake the connections"  # puts the run back in service
SAME = 1e-9  # days; times that differ by rounding only
_Row = dict[str, Any]  # the columns of one pit or pull


@dataclass
class _Task:
    """One task; ``after`` are the tasks that must be done before it."""

    task: str
    ref: str
    crew: str
    days: float
    after: list[_Task] = field(default_factory=list)
    alone: tuple[str, ...] = ()  # what it has to itself meanwhile besides its crew: pits, fusers
    start: float = 0.0
    critical: bool = False

    @property
    def end(self) -> float:
        return self.start + self.days

    @property
    def crews(self) -> str:
        """Its crew, and the fusing crew where it takes that too."""
        both = self.crew != FUSERS and FUSERS in self.alone
        return self.crew + AND + FUSERS if both else self.crew


def schedule_runs(
    runs: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    crew: Crew,
    over: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Schedule every planned run.

    Parameters
    ----------
    runs : DataFrame
        ``run_id``, ``status``, ``shut`` (whether there is a shutdown).
    pits : DataFrame
        ``run_id``, ``pit_id``, ``volume`` (m3), ``area`` (m2), ``services`` (number fed),
        ``digs`` (what is remade in it, in digs that take as long), in order along the runs.
    pulls : DataFrame
        ``run_id``, ``pull_id``, ``insertion_pit``, ``receiving_pit``, ``strings`` (number),
        ``joints``, ``digs``, ``hours``, ``wait_hours``, ``services`` (number fed), ``cleaned`` (m,
        0 where the host is not), ``grout`` (m3, 0 where it is not grouted), ``lifts`` (of all
        stages), ``stages`` (of grouting, each from a port of its own).
    crew : Crew
    over : DataFrame, optional
        ``run_id``, ``pull_id``, ``at``: the pit of the run, or the other pull of it, over which, or
        over whose connections, strings of a pull lie.
    """
    rows: list[tuple[object, ...]] = []  # in the order of COLUMNS
    pits_of, pulls_of = _by_run(pits, PIT_COLUMNS), _by_run(pulls, PULL_COLUMNS)
    over_of = {} if over is None else _by_run(over, ("pull_id", "at"))
    planned = runs[runs["status"] == "planned"]
    for run_id, shut in zip(planned["run_id"], planned["shut"], strict=True):
        tasks = _tasks(
            str(run_id), pits_of[run_id], pulls_of.get(run_id, []), crew, shut=bool(shut)
        )
        _in_turn(tasks)
        _keep_apart(tasks, over_of.get(run_id, []))
        _judge(tasks)
        rows += [
            (run_id, t.task, t.ref, t.crews, t.start, t.days, t.critical)
            for t in sorted(tasks, key=lambda t: (round(t.start, 6), t.crew, t.ref))
        ]
    return pd.DataFrame(rows, columns=COLUMNS)


def days_out(schedule: pd.DataFrame) -> pd.Series:
    """Return by run the working days it is out of service, as `schedule_runs` plans them.

    From when its valves are closed until they are open again. Where no shutdown is known: from when
    its first connection is opened or its host cleaned or pulled into, or a run laid in the open is
    tested, until the ends are tied in and the connections remade.
    """
    without = [OPENING, CLEANING, PULLING, TESTING, TYING, REMAKING, SHUTTING, RELEASING]
    out = schedule[schedule["task"].isin(without) & (schedule["days"] > 0)]
    ends = out["start_day"] + out["days"]
    run = out["run_id"].astype(str)
    return ends.groupby(run).max() - out["start_day"].groupby(run).min()


def days_waiting(schedule: pd.DataFrame, pulls: pd.Series) -> FloatArray:
    """Return the days the strings of each pull, by name, lie fused before they are pulled in."""
    tasks = schedule.astype({"task": object, "ref": object}).set_index("ref")
    fused = tasks.loc[tasks["task"] == FUSING, ["start_day", "days"]].sum(axis=1)
    begun = tasks.loc[tasks["task"] == PULLING, "start_day"]
    wait = begun.reindex(pulls).to_numpy(dtype=float) - fused.reindex(pulls).to_numpy(dtype=float)
    return np.asarray(np.where(wait > SAME, wait, 0.0), dtype=np.float64)


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


def _tasks(
    run_id: str, pits: list[_Row], pulls: list[_Row], crew: Crew, *, shut: bool
) -> list[_Task]:
    """List the tasks of a run in an order in which each follows what it waits for."""
    digging = {
        pit["pit_id"]: _Task(
            DIGGING,
            pit["pit_id"],
            "digging",
            crew.pit_days / 2 + pit["volume"] / (crew.dig_per_day * DAY),
        )
        for pit in pits
    }
    supply = _supply("lay the temporary supply", run_id, pits, pulls, crew)
    shutting = [_Task(SHUTTING, run_id, NETWORK, SHUT_DAYS, [*supply])] if shut else []
    before = _before_rest(digging, pulls, supply, shutting, crew)
    joining = _joining(digging, pulls, before["resting"], crew)
    ready = [*before["resting"], *joining] or [*supply, *shutting, *digging.values()]
    test = _Task(TESTING, run_id, "testing", crew.test_days, ready)
    after = _after_test(pits, pulls, test, before["opening"], crew)
    clearing = _supply("clear the temporary supply", run_id, pits, pulls, crew)
    back = [*after["tying"], *after["remaking"]]
    releasing = [_Task(RELEASING, run_id, NETWORK, RELEASE_DAYS, back)] if shut else []
    for task in clearing:
        task.after = [*(releasing or back)]
    each = zip(before["fusing"], before["pulling"], before["resting"], strict=True)
    early = [*before["opening"], *before["cleaning"], *(task for tasks in each for task in tasks)]
    late = [task for tasks in after.values() for task in tasks]
    both = [*digging.values(), *supply, *shutting, *early, *joining, test, *late]
    return [*both, *releasing, *clearing]


def _supply(task: str, run_id: str, pits: list[_Row], pulls: list[_Row], crew: Crew) -> list[_Task]:
    """Return the task of laying the temporary supply of a run, or of clearing it; none for nobody.

    Laying takes half of the time for both.
    """
    services = sum(row["services"] for row in (*pits, *pulls))
    days = services / crew.temporary_per_day / 2
    return [_Task(task, run_id, "supply", days)] if services else []


def _before_rest(
    digging: dict[str, _Task],
    pulls: list[_Row],
    supply: list[_Task],
    shutting: list[_Task],
    crew: Crew,
) -> dict[str, list[_Task]]:
    """List what is done of every pull until its carrier has rested.

    Services are cut off and the host is opened once the temporary supply is laid and, where there
    is anything to open, the valves are closed, if there is a shutdown; the host is
    cleaned from the pits, and nobody is in them while the carrier moves.
    """
    out: dict[str, list[_Task]] = {
        name: [] for name in ("fusing", "opening", "cleaning", "pulling", "resting")
    }
    for pull in pulls:
        name = pull["pull_id"]
        spent = pull["joints"] / crew.joints_per_day
        strings = _Task(FUSING, name, FUSERS, spent, alone=(FUSERS,))
        spent = pull["digs"] / crew.digs_per_day / 2
        dead = shutting if spent > 0 else []
        digs = _Task(OPENING, name, "connections", spent, [*supply, *dead])
        own = (pull["insertion_pit"], pull["receiving_pit"])
        waits = [*(digging[pit] for pit in own), *supply, *shutting]
        if pull["cleaned"] > 0:
            spent = pull["cleaned"] / (crew.cleaning_per_day * DAY)
            waits = [_Task(CLEANING, name, "cleaning", spent, waits, own)]
            out["cleaning"] += waits
        spent = max(pull["hours"] / (crew.shift / HOUR), crew.least_pull_days)
        alone = (*own, FUSERS) if pull["strings"] > 1 else own
        pulled = _Task(PULLING, name, "pulling", spent, [strings, digs, *waits], alone)
        rest = _Task("let the carrier rest", name, "none", pull["wait_hours"] / 24, [pulled])
        out["fusing"].append(strings)
        out["opening"].append(digs)
        out["pulling"].append(pulled)
        out["resting"].append(rest)
    return out


def _meeting(pulls: list[_Row], tasks: list[_Task]) -> dict[str, list[_Task]]:
    """Return by pit the tasks of the pulls that meet there, one task a pull in their order."""
    met: dict[str, list[_Task]] = {}
    for task, pull in zip(tasks, pulls, strict=True):
        for name in dict.fromkeys([pull["insertion_pit"], pull["receiving_pit"]]):
            met.setdefault(name, []).append(task)
    return met


def _joining(
    digging: dict[str, _Task], pulls: list[_Row], resting: list[_Task], crew: Crew
) -> list[_Task]:
    """List the joining of the carriers in the pits between the ends."""
    met = _meeting(pulls, resting)
    return [
        _Task(
            "join the carriers in the pit",
            name,
            "tie-in",
            crew.tie_in_days,
            [digging[name], *met.get(name, [])],
        )
        for name in list(digging)[1:-1]
    ]


def _after_test(
    pits: list[_Row], pulls: list[_Row], test: _Task, opened: list[_Task], crew: Crew
) -> dict[str, list[_Task]]:
    """List what follows the test: grouting, ends tied in, connections remade, pits refilled.

    The annulus is grouted while the carrier is full of water from the test, its ends are still open
    and the connections not remade yet. The pits between the ends are refilled while those at the
    ends are tied in, each once what lies in it is remade.
    """
    sealed = [_grouting(pull, test, crew) if pull["grout"] > 0 else test for pull in pulls]
    met = _meeting(pulls, sealed)
    outer = dict.fromkeys([pits[0]["pit_id"], pits[-1]["pit_id"]])
    tying = {n: _Task(TYING, n, "tie-in", crew.tie_in_days, [test, *met.get(n, [])]) for n in outer}
    again = _remaking(pits, opened, sealed, test, met, crew)
    remade = {task.ref: task for task in again}
    closing = [
        _Task(
            "refill and make good",
            name := pit["pit_id"],
            "digging",
            crew.pit_days / 2 + pit["area"] / (crew.restore_per_day * DAY),
            [
                *([tying[name]] if name in tying else [test, *met.get(name, [])]),
                *([remade[name]] if name in remade else []),
            ],
        )
        for pit in sorted(pits, key=lambda pit: pit["pit_id"] in tying)
    ]
    return {
        "grouting": [task for task in sealed if task is not test],
        "tying": [*tying.values()],
        "remaking": again,
        "closing": closing,
    }


def _remaking(
    pits: list[_Row],
    opened: list[_Task],
    sealed: list[_Task],
    test: _Task,
    met: dict[str, list[_Task]],
    crew: Crew,
) -> list[_Task]:
    """List the remaking of connections along the run: in each pit, then on the pull after it.

    ``sealed`` is what the pulls wait for, in their order, ``met`` the same by pit.
    """
    again = []
    for pit, task, done in zip_longest(pits, opened, sealed):
        if pit["digs"] > 0:
            waits = [test, *met.get(pit["pit_id"], [])]
            days = pit["digs"] / crew.digs_per_day
            again.append(_Task(REMAKING, pit["pit_id"], "connections", days, waits))
        if task is not None:
            again.append(_Task(REMAKING, task.ref, "connections", task.days, [test, done]))
    return again


def _grouting(pull: _Row, test: _Task, crew: Crew) -> _Task:
    """Return the grouting of a pull: by its volume, and its lifts one after the other."""
    days = max(pull["grout"] / (crew.grout_per_day * DAY), pull["lifts"] / crew.grout_lifts_per_day)
    task = GROUTING + IN_STAGES if pull["stages"] > 1 else GROUTING
    return _Task(task, pull["pull_id"], "grouting", days, [test])


def _in_turn(tasks: list[_Task]) -> None:
    """Let each task wait for the one its crew does before it, in this order."""
    last: dict[str, _Task] = {}
    for task in tasks:
        if task.crew != "none":
            task.after += [last[task.crew]] if task.crew in last else []
            last[task.crew] = task


def _keep_apart(tasks: list[_Task], over: list[_Row]) -> None:
    """Place all tasks, and where strings lie over what is dug keep the two apart, by turns.

    Dug once they are gone; else, if it is plated over afterwards, they are laid once it is dug.
    Each of that places all tasks anew: of very long runs only so many are tried.
    """
    most, left = _placed(tasks) + LATER_DAYS, max(_TRIED // len(tasks), 1)
    named = {(task.task, task.ref): task for task in tasks}
    found = [_over(named, row) for row in over]
    for strings, pulled, dug in found:
        if _apart(strings, pulled, dug) or not left:
            continue
        left -= 1
        orders = [(pulled, dug), *([(dug, strings)] if dug.task == OPENING else [])]
        for before, later in orders:
            if _waits_for(before, later):
                continue
            later.after.append(before)
            if _placed(tasks) <= most:
                break
            later.after.pop()
        else:
            _placed(tasks)
    for strings, pulled, dug in found:
        for before, later in _apart(strings, pulled, dug):
            later.after.append(before)


def _over(named: dict[tuple[str, str], _Task], row: _Row) -> tuple[_Task, _Task, _Task]:
    """Return the fusing and the pull of strings, and the digging of what they lie over."""
    dug = named.get((DIGGING, row["at"])) or named[OPENING, row["at"]]
    return named[FUSING, row["pull_id"]], named[PULLING, row["pull_id"]], dug


def _apart(strings: _Task, pulled: _Task, dug: _Task) -> list[tuple[_Task, _Task]]:
    """Return in which order strings lie over what is dug and are not there while it is, if any.

    A pit stays open until all is tested; what is dug for connections is plated over meanwhile.
    """
    if dug.start >= pulled.end - SAME:
        return [(pulled, dug)]
    return [(dug, strings)] if dug.task == OPENING and dug.end <= strings.start + SAME else []


def _waits_for(task: _Task, other: _Task) -> bool:
    """Say whether a task waits for another one, directly or by those that it waits for."""
    looked, left = {id(task)}, [task]
    while left:
        for one in left.pop().after:
            if one is other:
                return True
            if id(one) not in looked:
                looked.add(id(one))
                left.append(one)
    return False


def _placed(tasks: list[_Task]) -> float:
    """Place all tasks, strings fused and valves closed late; return when all is done."""
    finish = _settle(tasks)
    _fuse_late(tasks)
    for shutting in [task for task in tasks if task.task == SHUTTING]:
        until = min(task.start for task in tasks if any(one is shutting for one in task.after))
        shutting.start = max(shutting.start, until - shutting.days)
    return finish


def _settle(tasks: list[_Task]) -> float:
    """Place all tasks, and settle which goes first of those that have something to themselves.

    As they are listed, but one that waits for another longer than for what must be over before it
    goes first if the run ends sooner for it, a pull also if it ends no later: its strings lie in
    the street. Returns when all is done.
    """
    first: list[_Task] = []  # placed before what is listed before them
    finish = _place(tasks)
    for task in [task for task in tasks if task.alone]:
        if task.start <= max((before.end for before in task.after), default=0.0) + SAME:
            continue
        end = _place([*first, task, *tasks])
        if end < finish - SAME or (task.task == PULLING and end <= finish + SAME):
            first, finish = [*first, task], min(finish, end)
        else:
            _place([*first, *tasks])
    return finish


def _place(tasks: list[_Task]) -> float:
    """Place tasks in this order, but each after what it waits for; return when all is done."""
    placed: dict[int, _Task] = {}
    taken: dict[str, list[_Task]] = {}
    for task in tasks:
        waiting = [task]
        while waiting:
            missing = [one for one in waiting[-1].after if id(one) not in placed]
            if missing:
                waiting += reversed(missing)
                continue
            ready = waiting.pop()
            if id(ready) not in placed:
                placed[id(ready)] = ready
                _start(ready, taken)
    return max((task.end for task in tasks), default=0.0)


def _start(task: _Task, taken: dict[str, list[_Task]]) -> None:
    """Start a task as soon as what it waits for and has to itself allow.

    It goes between two that were placed, ``taken`` by what each has to itself, if it is over when
    the second of them begins.
    """
    task.start = max((before.end for before in task.after), default=0.0)
    others = {id(one): one for name in task.alone for one in taken.get(name, [])}
    for one in sorted(others.values(), key=lambda one: one.start):
        if one.start >= task.end - SAME:
            break
        task.start = max(task.start, one.end)
    for name in task.alone:
        taken.setdefault(name, []).append(task)


def _fuse_late(tasks: list[_Task]) -> None:
    """Move fusing to as late as what waits for it allows, the last first, and nothing else.

    That is the pull of its strings, the next fusing of the crew, moved itself, and the pulls that
    take the crew; one that begins as soon as it is done may have waited for it, and is not passed.
    """
    pulled = {task.ref: task for task in tasks if task.task == PULLING}
    shared = [task for task in pulled.values() if FUSERS in task.alone]
    until = np.inf
    for strings in reversed([task for task in tasks if task.task == FUSING]):
        next_ones = [pull.start for pull in shared if abs(pull.start - strings.end) < SAME]
        end = min(until, pulled[strings.ref].start, *next_ones)
        for pull in sorted(shared, key=lambda pull: -pull.start):
            if pull.start < end - SAME and pull.end > end - strings.days + SAME:
                end = pull.start
        if end - strings.days > strings.start + SAME:
            strings.start = end - strings.days
        until = strings.start


def _judge(tasks: list[_Task]) -> None:
    """Find what is critical, of tasks with their days: all done as soon as may be in that order."""
    place = {id(task): row for row, task in enumerate(tasks)}
    order = sorted(tasks, key=lambda task: (task.start, task.end, place[id(task)]))
    waits = _waiting(order)
    soonest: dict[int, float] = {}
    for task in order:
        ends = (soonest[id(one)] + one.days for one in waits[id(task)])
        soonest[id(task)] = max(ends, default=0.0)
    finish = max((soonest[id(task)] + task.days for task in tasks), default=0.0)
    latest = {id(task): finish - task.days for task in tasks}
    for task in reversed(order):
        for one in waits[id(task)]:
            latest[id(one)] = min(latest[id(one)], latest[id(task)] - one.days)
    for task in tasks:
        task.critical = bool(latest[id(task)] - soonest[id(task)] < SAME)


def _waiting(order: list[_Task]) -> dict[int, list[_Task]]:
    """Return by the id of a task, of all as they begin, what must be over before it.

    What it waits for, and the last before it that had what it has to itself.
    """
    last: dict[str, _Task] = {}
    waits: dict[int, list[_Task]] = {}
    for task in order:
        waits[id(task)] = [*task.after, *(last[name] for name in task.alone if name in last)]
        last |= dict.fromkeys(task.alone, task)
    return waits
