"""While a carrier moves: nobody in its pits, nor where the main is opened; who joins strings."""

from __future__ import annotations

from typing import Any

from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.schedule import AND, FUSE, OPEN, PULL, REMAKE, REST
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES"]


def in_the_pits(plan: Plan) -> Tally:
    """Check that while a carrier moves nothing is done in its pits, nor at the digs along it.

    What is done at a pull is done in its pits, and so may people be; but strings are fused, and
    connections opened and remade, outside of them.
    """
    tally = Tally("schedule")
    tasks, own = plan.by("schedule", "run_id"), plan.by("pulls", "run_id")
    for run in plan.planned:
        pits = {p.pull_id: {p.insertion_pit, p.receiving_pit} for p in own.get(run.run_id, [])}
        for pull in tasks.get(run.run_id, []):
            if pull.task != PULL or pull.ref not in pits:
                continue
            held = {pull.ref, *pits[pull.ref]}
            for task in tasks[run.run_id]:
                if task is pull or not held & _places(task, pits):
                    continue
                both = _both(pull, task)
                text = f"while it is pulled in, {both:.2f} days of: {task.task} ({task.ref})"
                tally.holds(both <= CLOSE, pull.ref, text)
    return tally


def joined_meanwhile(plan: Plan) -> Tally:
    """Check that who fuses is at a pull of several strings while it moves, and nowhere else."""
    tally = Tally("schedule")
    tasks, strings = plan.by("schedule", "run_id"), plan.one("pulls", "pull_id")
    for run in plan.planned:
        own = tasks.get(run.run_id, [])
        fused = [task for task in own if task.task == FUSE]
        for pull in own:
            if pull.task != PULL or pull.ref not in strings or strings[pull.ref].strings < 2:
                continue
            there = any(one.crew in pull.crew.split(AND) for one in fused)
            tally.holds(there, pull.ref, "its strings are joined on by nobody that fuses")
            for task in fused:
                both = _both(pull, task)
                text = f"while its strings are joined, {both:.2f} days of: {FUSE} ({task.ref})"
                tally.holds(both <= CLOSE, pull.ref, text)
    return tally


def _places(task: Any, pits: dict[str, set[str]]) -> set[str]:
    """Return the pits a task is done in, and the pull whose digs it is done at."""
    if task.task in (FUSE, REST):
        return set()
    if task.task in (OPEN, REMAKE) and task.ref in pits:
        return {task.ref}
    return {task.ref, *pits.get(task.ref, ())}


def _both(one: Any, other: Any) -> float:
    """Return for how many days two tasks go on together; none or less if they do not."""
    end = min(one.start_day + one.days, other.start_day + other.days)
    return float(end - max(one.start_day, other.start_day))


RULES = (
    Rule("pits-under-pulls", "while a carrier moves nobody is in its pits or digs", in_the_pits),
    Rule(
        "fusing-at-pulls",
        "who fuses is at a pull of several strings, and at no other strings meanwhile",
        joined_meanwhile,
    ),
)
