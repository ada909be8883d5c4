"""The schedule: what every task takes, what it waits for, who does it, and what is critical."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES"]

DIG, FUSE, OPEN = "dig and support the pit", "fuse the strings", "open the connections"
PULL, REST = "pull the carrier in", "let the carrier rest"
JOIN, TEST = "join the carriers in the pit", "fill, test and disinfect"
TIE, REMAKE, REFILL = "tie in at the pit", "remake the connections", "refill and make good"
CREWS = {
    DIG: "digging", FUSE: "fusing", OPEN: "connections", PULL: "pulling", REST: "none",
    JOIN: "tie-in", TEST: "testing", TIE: "tie-in", REMAKE: "connections", REFILL: "digging",
}  # fmt: skip


def schedule(plan: Plan) -> Tally:
    """Check days, crews, order and start of tasks, and which of them are critical."""
    tally = Tally("schedule")
    by_run = plan.by("schedule", "run_id")
    for run in plan.planned:
        tasks = by_run.get(run.run_id, [])
        if not tally.holds(tasks, run.run_id, "has no tasks"):
            continue
        _durations(plan, tally, run, tasks)
        _placed(tally, run, tasks, _Waits(plan, run, tasks))
    return tally


def _durations(plan: Plan, tally: Tally, run: Any, tasks: list[Any]) -> None:
    """Check how long every pull of a run takes to fuse, to pull and to rest, and its tests."""
    pulls = {pull.pull_id: pull for pull in plan.by("pulls", "run_id").get(run.run_id, [])}
    waits = {
        row.pull_id: row.wait_hours for row in plan.by("sections", "run_id").get(run.run_id, [])
    }
    shift = plan.setting("crew.shift") / 3600
    due = {
        FUSE: lambda p: p.joints / plan.setting("crew.joints_per_day"),
        OPEN: lambda p: p.digs / plan.setting("crew.digs_per_day") / 2,
        REMAKE: lambda p: p.digs / plan.setting("crew.digs_per_day") / 2,
        PULL: lambda p: max(p.hours / shift, 0.5),
        REST: lambda p: waits.get(p.pull_id, math.nan) / 24,
    }
    for task in tasks:
        if task.task in due and task.ref in pulls:
            tally.near(task.days, due[task.task](pulls[task.ref]), task.ref, task.task)
        elif task.task == TEST:
            tally.near(task.days, plan.setting("crew.test_days"), task.ref, task.task)
        elif task.task in (JOIN, TIE):
            tally.near(task.days, plan.setting("crew.tie_in_days"), task.ref, task.task)
    for name in due:
        for pull_id in pulls:
            found = [t for t in tasks if t.task == name and t.ref == pull_id]
            tally.holds(len(found) == 1, pull_id, f"{len(found)} tasks: {name}")
    digging = [t for t in tasks if t.task in (DIG, REFILL)]
    half = plan.setting("crew.pit_days")
    for pit in plan.by("pits", "run_id").get(run.run_id, []):
        spent = sum(t.days for t in digging if t.ref == pit.pit_id)
        tied = plan.setting("crew.tie_in_days")
        tally.near(spent + tied, pit.days, pit.pit_id, f"days of digging, and {half:g} to set up")


class _Waits:
    """The tasks of a run, and what each of them waits for."""

    def __init__(self, plan: Plan, run: Any, tasks: list[Any]) -> None:
        self.of = {(task.task, task.ref): task for task in tasks}
        self.run_id = run.run_id
        self.pulls = plan.by("pulls", "run_id").get(run.run_id, [])
        pits = plan.by("pits", "run_id", "chainage").get(run.run_id, [])
        self.pits = [pit.pit_id for pit in pits]

    def due(self) -> Iterator[tuple[str, str]]:
        """Yield the tasks a run has, by what is done and where."""
        for pull in self.pulls:
            yield from ((what, pull.pull_id) for what in (FUSE, OPEN, PULL, REST, REMAKE))
        for pit in self.pits:
            yield from ((what, pit) for what in (DIG, REFILL))
        yield from ((JOIN, pit) for pit in self.pits[1:-1])
        yield from ((TIE, pit) for pit in {*self.pits[:1], *self.pits[-1:]})
        yield TEST, self.run_id

    def before(self, task: Any) -> list[tuple[str, str]]:
        """Return what a task waits for."""
        rests = [(REST, pull.pull_id) for pull in self.pulls]
        if task.task == JOIN:
            met = [p for p in self.pulls if task.ref in (p.insertion_pit, p.receiving_pit)]
            return [(DIG, task.ref), *((REST, pull.pull_id) for pull in met)]
        if task.task == TEST:
            joins = [(JOIN, pit) for pit in self.pits[1:-1]]
            return [*rests, *joins] or [(DIG, pit) for pit in self.pits]
        if task.task == REFILL:
            tied = (TIE, task.ref)
            return [tied] if tied in self.of else [(TEST, self.run_id)]
        if task.task == PULL:
            pull = next(p for p in self.pulls if p.pull_id == task.ref)
            digs = [(DIG, pit) for pit in (pull.insertion_pit, pull.receiving_pit)]
            return [*digs, (FUSE, task.ref), (OPEN, task.ref)]
        after_one = {REST: (PULL, task.ref), TIE: (TEST, self.run_id), REMAKE: (TEST, self.run_id)}
        return [after_one[task.task]] if task.task in after_one else []


def _placed(tally: Tally, run: Any, tasks: list[Any], waits: _Waits) -> None:
    """Check that each task is there, done by its crew, as soon as that and the others allow."""
    due = set(waits.due())
    for what, ref in sorted(due - set(waits.of)):
        tally.holds(False, ref, f"no task: {what}")
    strange = set(waits.of) - due
    for what, ref in sorted(strange):
        tally.holds(False, ref, f"no such task is due: {what}")
    tally.holds(len(waits.of) == len(tasks), run.run_id, "has a task twice")
    if strange or len(waits.of) != len(due):
        return
    last: dict[str, Any] = {}
    after: dict[int, list[Any]] = {id(task): [] for task in tasks}
    tasks = sorted(tasks, key=lambda t: (t.start_day, t.start_day + t.days))
    for task in tasks:
        tally.holds(task.crew == CREWS[task.task], task.ref, f"{task.task}: crew {task.crew}")
        before = [waits.of[key] for key in waits.before(task) if key in waits.of]
        if task.crew != "none":
            before += [last[task.crew]] if task.crew in last else []
            last[task.crew] = task
        begins = max((one.start_day + one.days for one in before), default=0.0)
        tally.near(task.start_day, begins, task.ref, f"start of: {task.task}")
        for one in before:
            after[id(one)].append(task)
    _critical(tally, tasks, after)


def _critical(tally: Tally, tasks: list[Any], after: dict[int, list[Any]]) -> None:
    """Check which tasks, in order, are critical: the last, and what one of those begins after."""
    finish = max(task.start_day + task.days for task in tasks)
    critical: set[int] = set()
    for task in reversed(tasks):
        end = task.start_day + task.days
        next_ones = [one for one in after[id(task)] if abs(one.start_day - end) <= CLOSE]
        due = end >= finish - CLOSE or any(id(one) in critical for one in next_ones)
        if due:
            critical.add(id(task))
        word = "is" if due else "is not"
        tally.holds(bool(task.critical) == due, task.ref, f"{task.task}: it {word} critical")


RULES = (
    Rule(
        "schedule", "tasks: their days, crews and order, as soon as may be; the critical", schedule
    ),
)
