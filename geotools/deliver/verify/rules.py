"""All rules of a plan, and how they are run."""

from __future__ import annotations

from dataclasses import dataclass

from geotools.deliver.verify import (
    bends,
    beside,
    carried,
    coverage,
    depths,
    drawn,
    due,
    facing,
    force,
    keeping,
    money,
    ramps,
    recorded,
    records,
    references,
    schedule,
    shutdowns,
    sites,
    standing,
    strings,
    suited,
    surcharge,
    surroundings,
)
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import Fault, NotChecked, Rule, Tally, Unreadable

__all__ = ["RULES", "Verdict", "check"]

RULES: tuple[Rule, ...] = (
    *references.RULES,
    *coverage.RULES,
    *force.RULES,
    *suited.RULES,
    *carried.RULES,
    *bends.RULES,
    *recorded.RULES,
    *sites.RULES,
    *depths.RULES,
    *ramps.RULES,
    *surroundings.RULES,
    *drawn.RULES,
    *standing.RULES,
    *facing.RULES,
    *keeping.RULES,
    *beside.RULES,
    *strings.RULES,
    *schedule.RULES,
    *shutdowns.RULES,
    *money.RULES,
    *surcharge.RULES,
    *records.RULES,
    *due.RULES,
)


@dataclass(frozen=True)
class Verdict:
    """What one rule came to; ``skipped`` says what it could not check, and why."""

    rule: Rule
    checked: int
    faults: tuple[Fault, ...]
    skipped: tuple[str, ...]


def check(plan: Plan, rule: Rule) -> Verdict:
    """Check one rule; what it needs and cannot read is a fault."""
    try:
        tally = rule.check(plan)
    except NotChecked as reason:
        return Verdict(rule, 0, (), (str(reason),))
    except Unreadable as reason:
        tally = Tally()
        tally.holds(False, "", str(reason))
    return Verdict(rule, tally.checked, tuple(tally.faults), tuple(tally.skipped))
