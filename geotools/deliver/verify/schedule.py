"""The schedule: what every task takes, what it waits for, who does it, and what is critical."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

from geotools.deliver.verify.grouting import never_grouted, stages_of, times_grouted
from geotools.deliver.verify.money import by_item
from geotools.deliver.verify.over import over_digs, over_pits
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.factors import DAY, HOUR

__all__ = ["AND", "FUSE", "OPEN", "PULL", "RELEASE", "REMAKE", "REST", "RULES", "SHUT"]

DIG, FUSE, OPEN = "dig and support the pit", "fuse the strings", "open the connections"
PULL, REST = "pull the carrier in", "let the carrier rest"
JOIN, TEST = "join the carriers in the pit", "fill, test and disinfect"
TIE, REMAKE, REFILL = "tie in at the pit", "remake the connections", "refill and make good"
LAY, CLEAR = "lay the temporary supply", "clear the temporary supply"
CLEAN, GROUT, IN_STAGES = "clean and inspect the host", "grout the annulus", " in stages"
SHUT, RELEASE = "close valves, prove the main dead", "flush, open valves, release"
SHUT_DAYS = {SHUT: 0.5, RELEASE: 0.5}  # planning values; common practice, no source
LATE = (FUSE, SHUT)  # done as late as may be
IN_PIT = ("connection remade in the pit", "line valve cut out and replaced in the pit")
CREWS = {
    DIG: "digging", FUSE: "fusing", OPEN: "connections", PULL: "pulling", REST: "none",
    JOIN: "tie-in", TEST: "testing", TIE: "tie-in", REMAKE: "connections", REFILL: "digging",
    LAY: "supply", CLEAR: "supply", CLEAN: "cleaning", GROUT: "grouting",
    SHUT: "network", RELEASE: "network",
}  # fmt: skip
AND = " and "  # between two crews of one task


def schedule(plan: Plan) -> Tally:
    """Check days, crews, order and start of tasks, and which of them are critical."""
    tally = Tally("schedule")
    by_run = plan.by("schedule", "run_id")
    for run in plan.planned:
        tasks = [_plain(plan, tally, task) for task in by_run.get(run.run_id, [])]
        if not tally.holds(tasks, run.run_id, "has no tasks"):
            continue
        _durations(plan, tally, run, tasks)
        _placed(tally, run, tasks, _Waits(plan, run, tasks))
    return tally


def _plain(plan: Plan, tally: Tally, task: Any) -> Any:
    """Return a task by the name it has in every run: of grouting it says where it is in stages."""
    if not task.task.startswith(GROUT):
        return task
    section = plan.one("sections", "pull_id").get(task.ref)
    staged = section is not None and stages_of(section) > 1
    tally.holds(task.task == GROUT + IN_STAGES * staged, task.ref, f"its task is {task.task}")
    return task._replace(task=GROUT)


def _durations(plan: Plan, tally: Tally, run: Any, tasks: list[Any]) -> None:
    """Check how long the tasks of a run take."""
    pulls = {pull.pull_id: pull for pull in plan.by("pulls", "run_id").get(run.run_id, [])}
    due, remade = _pull_days(plan, run), _remade(plan, run)
    for task in tasks:
        if task.task == REMAKE and task.ref in remade:
            tally.near(task.days, remade[task.ref], task.ref, task.task)
        elif task.task in due and task.ref in pulls:
            tally.near(task.days, due[task.task](pulls[task.ref]), task.ref, task.task)
        elif task.task in SHUT_DAYS:
            tally.near(task.days, SHUT_DAYS[task.task], task.ref, task.task)
        elif task.task == TEST:
            tally.near(task.days, plan.setting("crew.test_days"), task.ref, task.task)
        elif task.task in (JOIN, TIE):
            tally.near(task.days, plan.setting("crew.tie_in_days"), task.ref, task.task)
        elif task.task in (LAY, CLEAR):
            half = _fed(plan, run) / plan.setting("crew.temporary_per_day") / 2
            tally.near(task.days, half, task.ref, task.task)
    never = never_grouted(plan)
    for name in due:
        for pull_id in pulls:
            found = [t for t in tasks if t.task == name and t.ref == pull_id]
            count = 0 if name == GROUT and pull_id in never else 1
            tally.holds(len(found) == count, pull_id, f"{len(found)} tasks: {name}")
    digging = [t for t in tasks if t.task in (DIG, REFILL)]
    half = plan.setting("crew.pit_days")
    for pit in plan.by("pits", "run_id").get(run.run_id, []):
        spent = sum(t.days for t in digging if t.ref == pit.pit_id)
        tied = plan.setting("crew.tie_in_days")
        tally.near(spent + tied, pit.days, pit.pit_id, f"days of digging, and {half:g} to set up")


def _pull_days(plan: Plan, run: Any) -> dict[str, Callable[[Any], float]]:
    """Return what takes so many days of every pull of a run."""
    sections = {row.pull_id: row for row in plan.by("sections", "run_id").get(run.run_id, [])}

    def told(pull: Any, name: str) -> float:
        return float(getattr(sections.get(pull.pull_id), name, math.nan))

    def connecting(pull: Any) -> float:
        return float(pull.digs / plan.setting("crew.digs_per_day") / 2)

    due: dict[str, Callable[[Any], float]] = {
        FUSE: lambda p: p.joints / plan.setting("crew.joints_per_day"),
        OPEN: connecting,
        REMAKE: connecting,
        PULL: lambda p: max(
            p.hours * HOUR / plan.setting("crew.shift"), plan.setting("crew.least_pull_days")
        ),
        REST: lambda p: told(p, "wait_hours") / 24,
    }
    if plan.setting("service.host_cleaned"):
        due[CLEAN] = lambda p: p.length / plan.setting("crew.cleaning_per_day") / DAY
    if plan.setting("pulls.grouted"):
        due[GROUT] = lambda p: max(
            told(p, "annulus_volume") / plan.setting("crew.grout_per_day") / DAY,
            times_grouted(sections[p.pull_id]) / plan.setting("crew.grout_lifts_per_day")
            if p.pull_id in sections
            else math.nan,
        )
    return due


def _fed(plan: Plan, run: Any) -> float:
    """Return the services of a run that are fed meanwhile, as they are priced."""
    rows = plan.by("quantities", "run_id").get(run.run_id, [])
    return float(
        sum(r.quantity for r in rows if r.scope == "run" and r.item == "service fed meanwhile")
    )


def _remade(plan: Plan, run: Any) -> dict[str, float]:
    """Return how many days it takes to remake what lies in the pits of a run; none where none is.

    As many as are priced, each in a share of the time of a dig.
    """
    share = plan.setting("rates.in_pit_share") / plan.setting("crew.digs_per_day")
    out: dict[str, float] = {}
    for pit in plan.by("pits", "run_id").get(run.run_id, []):
        rows = by_item(plan, "pit").get(pit.pit_id, {})
        number = sum(rows[item].quantity for item in IN_PIT if item in rows)
        if number * share > 0:
            out[pit.pit_id] = number * share
    return out


class _Waits:
    """The tasks of a run, and what each of them waits for."""

    def __init__(self, plan: Plan, run: Any, tasks: list[Any]) -> None:
        self.of = {(task.task, task.ref): task for task in tasks}
        self.run_id = run.run_id
        self.pulls = plan.by("pulls", "run_id").get(run.run_id, [])
        pits = plan.by("pits", "run_id", "chainage").get(run.run_id, [])
        self.pits = [pit.pit_id for pit in pits]
        self.of_pulls = tuple(_pull_days(plan, run))
        self.never = never_grouted(plan)
        self.fed = _fed(plan, run) > 0
        self.shut = run.run_id in plan.one("shutdowns", "run_id")
        self.remade = list(_remade(plan, run))
        self.over_pits, self.over_digs = over_pits(plan), over_digs(plan)

    def due(self) -> Iterator[tuple[str, str]]:
        """Yield the tasks a run has, by what is done and where."""
        for pull in self.pulls:
            never = GROUT if pull.pull_id in self.never else ""
            yield from ((what, pull.pull_id) for what in self.of_pulls if what != never)
        for pit in self.pits:
            yield from ((what, pit) for what in (DIG, REFILL))
        yield from ((JOIN, pit) for pit in self.pits[1:-1])
        yield from ((TIE, pit) for pit in {*self.pits[:1], *self.pits[-1:]})
        yield from ((REMAKE, pit) for pit in self.remade)
        yield TEST, self.run_id
        yield from ((what, self.run_id) for what in (LAY, CLEAR) if self.fed)
        yield from ((what, self.run_id) for what in SHUT_DAYS if self.shut)

    def before(self, task: Any) -> list[tuple[str, str]]:
        """Return what a task waits for; of these a run may lack some."""
        tested = (TEST, self.run_id)
        if task.task in (JOIN, TIE, REFILL) or (task.task == REMAKE and task.ref in self.remade):
            return self._at_pit(task)
        if task.task == TEST:
            joins = [(JOIN, pit) for pit in self.pits[1:-1]]
            rests = [(REST, pull.pull_id) for pull in self.pulls]
            return [*rests, *joins] or [*self._dead(), *((DIG, pit) for pit in self.pits)]
        if task.task in (PULL, CLEAN):
            pull = next(p for p in self.pulls if p.pull_id == task.ref)
            digs = [(DIG, pit) for pit in (pull.insertion_pit, pull.receiving_pit)]
            own = [(what, task.ref) for what in (FUSE, OPEN, CLEAN)] if task.task == PULL else []
            return [*self._dead(), *digs, *own]
        if task.task in (RELEASE, CLEAR):
            ties = [(TIE, pit) for pit in self.pits]
            holes = [*(pull.pull_id for pull in self.pulls), *self.remade]
            last = [(RELEASE, self.run_id)] if task.task == CLEAR else []
            return [*ties, *((REMAKE, hole) for hole in holes), *last]
        return {
            SHUT: [(LAY, self.run_id)],
            OPEN: self._dead()[: 2 if task.days > 0 else 1],
            REST: [(PULL, task.ref)],
            GROUT: [tested],
            REMAKE: [tested, (GROUT, task.ref)],
        }.get(task.task, [])

    def _dead(self) -> list[tuple[str, str]]:
        """Return what is done before the main is cut: services fed, then valves closed."""
        return [(LAY, self.run_id), (SHUT, self.run_id)]

    def crew(self, task: Any) -> str:
        """Return who does a task; strings joined while a carrier is pulled in need who fuses."""
        several = any(p.pull_id == task.ref and p.strings > 1 for p in self.pulls)
        return CREWS[task.task] + (AND + CREWS[FUSE]) * (several and task.task == PULL)

    def gone(self, task: Any) -> list[Any]:
        """Return what is over before a task, and for which it may be put off.

        Strings that lie over a pit or digs that are dug then, and digs that strings are laid over.
        """
        named = {
            DIG: [(PULL, pull) for pull in self.pulls_over(self.over_pits, task.ref)],
            OPEN: [(PULL, pull) for pull in self.pulls_over(self.over_digs, task.ref)],
            FUSE: [(OPEN, pull) for pull in sorted(self.over_digs.get(task.ref, ()))],
        }.get(task.task, [])
        found = [self.of[key] for key in named if key in self.of]
        return [one for one in found if one.start_day + one.days <= task.start_day + CLOSE]

    def pulls_over(self, over: dict[str, set[str]], ref: str) -> list[str]:
        """Return the pulls of the run whose strings lie over a pit, or the digs of a pull."""
        return [pull.pull_id for pull in self.pulls if ref in over.get(pull.pull_id, ())]

    def held(self, task: Any) -> list[str]:
        """Return the pits a task has to itself: those a pull is cleaned from and goes through."""
        if task.task not in (PULL, CLEAN):
            return []
        pull = next(p for p in self.pulls if p.pull_id == task.ref)
        return [pull.insertion_pit, pull.receiving_pit]

    def _at_pit(self, task: Any) -> list[tuple[str, str]]:
        """Return what is waited for by joining, tying in, remaking and refilling at a pit."""
        met = [p.pull_id for p in self.pulls if task.ref in (p.insertion_pit, p.receiving_pit)]
        if task.task == JOIN:
            return [(DIG, task.ref), *((REST, name) for name in met)]
        again = [(REMAKE, task.ref)] if task.task == REFILL else []
        if task.task == REFILL and (TIE, task.ref) in self.of:
            return [(TIE, task.ref), *again]
        return [(TEST, self.run_id), *((GROUT, name) for name in met), *again]


def _placed(tally: Tally, run: Any, tasks: list[Any], waits: _Waits) -> None:
    """Check that each task is there, done by its crew, as soon as that and the others allow.

    Of fusing and of closing valves it is checked that they are done as late as may be: no other
    task begins later for them.
    """
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
    soonest: dict[int, float] = {}  # when each may begin, by its id
    tasks = sorted(tasks, key=lambda t: (t.start_day, t.start_day + t.days))
    for task in tasks:
        tally.holds(task.crew == waits.crew(task), task.ref, f"{task.task}: crew {task.crew}")
        before = [waits.of[key] for key in waits.before(task) if key in waits.of]
        before += waits.gone(task)
        taken = [*waits.held(task), *(crew for crew in task.crew.split(AND) if crew != "none")]
        before += [last[name] for name in taken if name in last]
        last |= dict.fromkeys(taken, task)
        ends = (soonest.get(id(one), one.start_day) + one.days for one in before)
        soonest[id(task)] = max(ends, default=0.0)
        if task.task not in LATE:
            tally.near(task.start_day, soonest[id(task)], task.ref, f"start of: {task.task}")
        for one in before:
            after[id(one)].append(task)
    _fused_late(tally, tasks, after, soonest)
    _critical(tally, tasks, after, soonest)


def _fused_late(
    tally: Tally, tasks: list[Any], after: dict[int, list[Any]], soonest: dict[int, float]
) -> None:
    """Check that strings are fused until their pull, or the crew's next task, begins.

    And that valves are closed just before the first task that waits for it.
    """
    for task in tasks:
        if task.task in LATE and after[id(task)]:
            until = min(one.start_day for one in after[id(task)])
            begins = max(soonest[id(task)], until - task.days)
            tally.near(task.start_day, begins, task.ref, f"start of: {task.task}")


def _critical(
    tally: Tally, tasks: list[Any], after: dict[int, list[Any]], soonest: dict[int, float]
) -> None:
    """Check which tasks, in order, are critical: the last, and what one of those begins after.

    All as soon as may be: what is fused late has the time it was moved by.
    """
    finish = max(soonest[id(task)] + task.days for task in tasks)
    critical: set[int] = set()
    for task in reversed(tasks):
        end = soonest[id(task)] + task.days
        next_ones = [one for one in after[id(task)] if abs(soonest[id(one)] - end) <= CLOSE]
        due = end >= finish - CLOSE or any(id(one) in critical for one in next_ones)
        if due:
            critical.add(id(task))
        word = "is" if due else "is not"
        tally.holds(bool(task.critical) == due, task.ref, f"{task.task}: it {word} critical")


RULES = (
    Rule(
        "schedule",
        "tasks: their days, crews and order, as soon as may be, fusing as late; the critical",
        schedule,
    ),
)
