"""All rules of a plan, and how they are run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from geotools.deliver.verify import (
    across,
    bends,
    beside,
    carried,
    coverage,
    crossed,
    depths,
    digs,
    drawn,
    due,
    facing,
    force,
    groundwater,
    grouting,
    keeping,
    money,
    moving,
    opened,
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

__all__ = ["RULES", "Verdict", "check", "together"]

RULES: tuple[Rule, ...] = (
    *references.RULES,
    *coverage.RULES,
    *force.RULES,
    *suited.RULES,
    *carried.RULES,
    *bends.RULES,
    *recorded.RULES,
    *sites.RULES,
    *opened.RULES,
    *depths.RULES,
    *digs.RULES,
    *groundwater.RULES,
    *ramps.RULES,
    *surroundings.RULES,
    *drawn.RULES,
    *standing.RULES,
    *facing.RULES,
    *keeping.RULES,
    *across.RULES,
    *crossed.RULES,
    *beside.RULES,
    *strings.RULES,
    *grouting.RULES,
    *schedule.RULES,
    *moving.RULES,
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


def together(parts: Mapping[str, Sequence[Verdict]]) -> list[Verdict]:
    """Return the verdicts of several plans as of one; by the file's name, the same rules of each.

    A fault names the file before its layer; what could not be checked is told once, with the
    number of plans where not of all.
    """
    return [_one_of(list(parts), same) for same in zip(*parts.values(), strict=True)]


def _one_of(files: Sequence[str], verdicts: Sequence[Verdict]) -> Verdict:
    faults = [
        replace(fault, layer=f"{file} {fault.layer}".rstrip())
        for file, verdict in zip(files, verdicts, strict=True)
        for fault in verdict.faults
    ]
    told = Counter(text for verdict in verdicts for text in dict.fromkeys(verdict.skipped))
    skipped = [
        text if count == len(verdicts) else f"{text} (in {count} of {len(verdicts)} plans)"
        for text, count in told.items()
    ]
    checked = sum(verdict.checked for verdict in verdicts)
    return Verdict(verdicts[0].rule, checked, tuple(faults), tuple(skipped))
