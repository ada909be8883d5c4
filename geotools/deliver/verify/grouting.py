"""Grouting: the lifts and stages of every pull, and what findings and programme say of them."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from typing import Any

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.formulas import Pipe, weight
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.ratings import stands_fresh_grout
from geotools.deliver.verify.tally import CLOSE, EXACT, Rule, Tally
from geotools.pipe.factors import GRAVITY, WATER_DENSITY

__all__ = [
    "PORTS",
    "RARE",
    "RULES",
    "UNGROUTED",
    "never_grouted",
    "ports_of",
    "stages_of",
    "times_grouted",
]

PORTS = "port midway for a stage of grout, not priced"
UNGROUTED = "grouting, not in the programme"
ROUNDED = 1e-6  # share; levels of a file hold the pressure of a rise no closer
MOST_STAGES = 10_000
STAGED = re.compile(r"The programme holds ([\d,]+) such stages")
RARE = (PORTS, UNGROUTED)  # items that are told of no pull that has none of them


def times_grouted(section: Any) -> float:
    """Return how often grout is placed in a pull; once a stage where it has no lifts."""
    lifts, stages = (1.0 if math.isnan(n) else n for n in (section.grout_lifts, stages_of(section)))
    return float(lifts * stages)


def stages_of(section: Any) -> float:
    """Return the stages a pull is grouted in; not a number where no level is known."""
    return float(section.grout_stages)


def ports_of(plan: Plan, section: Any) -> float:
    """Return the ports midway of a pull; in an earlier plan one a stage, but for the last."""
    if plan.holds("sections", "grout_ports"):
        return float(section.grout_ports)
    return max(stages_of(section) - 1, 0.0)


def never_grouted(plan: Plan) -> set[str]:
    """Return the pulls that may be grouted in no stages, and are in no programme."""
    return {row.pull_id for row in plan.rows("sections") if stages_of(row) == 0}


def grouting(plan: Plan) -> Tally:
    """Check lifts against levels and weight, stages against the limit, and findings on both."""
    tally = Tally("sections")
    told = {
        (row.rule, name): row.text
        for row in plan.rows("findings")
        if row.rule.startswith("grout-")
        for name in row.feature.split(",")
    }
    runs, pulls = plan.one("runs", "run_id"), plan.one("pulls", "pull_id")
    for section in plan.rows("sections"):
        pull = pulls.get(section.pull_id)
        pipe = None if pull is None else pipe_of(plan, runs[pull.run_id])
        if pull is None or pipe is None or math.isnan(section.low_z):
            continue
        if not _measurable(tally, section, pull):
            continue
        bore = math.sqrt(4 / math.pi * section.annulus_volume / pull.length + pipe.outside**2)
        _lifts(plan, tally, section, pipe, bore)
        if math.isnan(stages_of(section)):
            tally.skip("stages of grout: the plan is older, and does not tell them")
            continue
        _stages(plan, tally, section, pipe, bore)
        if plan.setting("pulls.grouted"):
            _told(tally, section, told)
        _ports(plan, tally, section, pull, bore)
    return tally


def _measurable(tally: Tally, section: Any, pull: Any) -> bool:
    """Return whether length, volume and lifts are such as can be; what is not is a fault."""
    wrong = (
        (not pull.length > 0, f"its pull is {pull.length:g} m long"),
        (not section.annulus_volume >= 0, f"its annulus holds {section.annulus_volume:g} m3"),
        (section.grout_lifts < 1, f"is grouted in {section.grout_lifts:g} lifts"),
        (section.grout_stages < 0, f"is grouted in {section.grout_stages:g} stages"),
    )
    faults = [text for is_wrong, text in wrong if is_wrong]
    for text in faults:
        tally.holds(False, section.pull_id, text)
    return not faults


def _lifts(plan: Plan, tally: Tally, section: Any, pipe: Pipe, bore: float) -> None:
    """Level lifts of a level pull displace its weight each; a steep one is held by none."""
    displaced = plan.setting("pulls.grout_density") * GRAVITY * math.pi / 4 * pipe.outside**2
    level = math.ceil(displaced / weight(pipe, filled=True, flooded=False) - EXACT)
    rise, lifts, name = section.high_z - section.low_z, section.grout_lifts, section.pull_id
    if level > 1 and rise > bore + CLOSE:
        tally.holds(math.isnan(lifts), name, "lifts do not hold its carrier down, and are told")
    elif level <= 1 or rise < bore - CLOSE:
        right = lifts >= level and (rise > CLOSE or lifts == level)
        tally.holds(right, name, f"is grouted in {lifts:g} lifts, and floats: due are {level}")


def _stages(plan: Plan, tally: Tally, section: Any, pipe: Pipe, bore: float) -> None:
    """Check limit and stages: the fewest at whose foot grout and its lift leave the pipe round.

    Grout presses net = g (rho - rho w) z more than the water inside, and a port gets one in at
    what a lift weighs: n = net/(P stands - P lift), rounded up.
    """
    heavy, cap = (plan.setting(f"pulls.grout_{name}") for name in ("density", "pressure"))
    lifts = 1.0 if math.isnan(section.grout_lifts) else section.grout_lifts
    due, stands = heavy * GRAVITY * bore / lifts, stands_fresh_grout(plan, pipe)
    net = max((heavy - WATER_DENSITY) * GRAVITY * (section.high_z - section.low_z), 0.0)
    limit, name = max(min(stands - net, cap), 0.0), section.pull_id
    tally.near(section.grout_limit, limit, name, "grout_limit", share=ROUNDED)
    if math.isnan(net) or abs(cap - due) < CLOSE:
        return
    left = (stands - due + CLOSE, stands - due - CLOSE) if due < cap else (-1.0, -1.0)
    counts = [_least(net * (1 - ROUNDED), left[0]), _least(net * (1 + ROUNDED), left[1])]
    tally.holds(
        stages_of(section) in counts,
        name,
        f"is grouted in {stages_of(section):g} stages, due are {counts[0]:g}",
    )


def _least(net: float, left: float) -> float:
    """Return the fewest stages that press no more than is left, Pa; 0 where none do."""
    if left < 0:
        return 0.0
    if net <= 0:
        return 1.0
    return float(math.ceil(net / left)) if left > CLOSE else 0.0


def _ports(plan: Plan, tally: Tally, section: Any, pull: Any, bore: float) -> None:
    """Check the ports midway of a pull: of the stretches its stages part it into, one by one."""
    stages, known = stages_of(section), plan.holds("sections", "grout_ports")
    if not known or "stations" not in plan.tables:
        why = "the plan was written without stations" if known else "the plan is older"
        tally.skip(f"ports of grout midway: {why}")
        return
    due = {0.0}
    if 1 < stages <= MOST_STAGES:
        levels = _levels_of(plan, pull)
        shares = (1 - ROUNDED, 1 + ROUNDED)
        due = {_tops_midway(_turning(levels, bore * share), int(stages)) for share in shares}
    text = f"has {section.grout_ports:g} ports of grout midway, due are {min(due):g}"
    tally.holds(section.grout_ports in due, section.pull_id, text)


def _levels_of(plan: Plan, pull: Any) -> list[float]:
    """Return the levels of a pull's axis where they are known, its ends straight between them."""
    rows = plan.by("stations", "run_id", "chainage").get(pull.run_id, [])
    known = [(row.chainage, row.axis_z) for row in rows if math.isfinite(row.axis_z)]
    inside = [z for at, z in known if pull.start < at < pull.end]
    first, last = (_straight(known, at) for at in (pull.start, pull.end))
    return [first, *inside, last]


def _straight(known: list[tuple[float, float]], at: float) -> float:
    """Return the level at a place, straight between those known beside it, or the nearest."""
    before = [pair for pair in known if pair[0] <= at][-1:]
    after = [pair for pair in known if pair[0] > at][:1]
    if not before or not after:
        return (before + after)[0][1] if before or after else math.nan
    (low, from_), (high, to) = before[0], after[0]
    return from_ + (to - from_) * (at - low) / (high - low)


def _turning(levels: list[float], least: float) -> list[float]:
    """Return the levels a way turns at by more than so much, those of its ends among them."""
    turns: list[float] = []
    for k, new in enumerate(levels):
        if not turns:
            low, high = min(levels[: k + 1]), max(levels[: k + 1])
            if new - low > least:
                turns = [low, new]
            elif high - new > least:
                turns = [high, new]
        elif (new - turns[-1]) * (turns[-1] - turns[-2]) >= 0:
            turns[-1] = new
        elif abs(new - turns[-1]) > least:
            turns.append(new)
    return turns or [min(levels), max(levels)]


def _tops_midway(turns: list[float], stages: int) -> int:
    """Return how many stretches of one stage have their top between the ends of a way."""
    low, size = min(turns), (max(turns) - min(turns)) / stages
    met: list[tuple[int, list[float]]] = []  # stretches on the way: stage, and levels turned at
    for one, other in pairwise(turns):
        first, last = (min(one, other) - low) / size, (max(one, other) - low) / size
        passed = range(math.floor(first + ROUNDED), math.ceil(last - ROUNDED))
        for stage in passed if one < other else reversed(passed):
            if not met or met[-1][0] != stage:
                met.append((stage, []))
            met[-1][1].extend(min(max((z - low) / size, stage), stage + 1) for z in (one, other))
    ends = {0: 0, len(met) - 1: -1}
    return sum(
        any(near[0] > stage for near in met[max(k - 1, 0) : k + 2])
        or k not in ends
        or levels[ends[k]] < max(levels) - ROUNDED
        for k, (stage, levels) in enumerate(met)
    )


def _told(tally: Tally, section: Any, told: dict[tuple[str, str], str]) -> None:
    """Check that what may not be grouted at once, or floats, is a finding, and nothing else."""
    stages, name = stages_of(section), section.pull_id
    for rule, due, text in (
        ("grout-beyond-limit", stages != 1, "may be grouted at once"),
        ("grout-floats-carrier", math.isnan(section.grout_lifts), "is held down by lifts"),
    ):
        there = (rule, name) in told
        word = f"and a finding ({rule})" if there else f"does not hold, and no finding ({rule})"
        tally.holds(there == due, name, f"{text}: {word} says otherwise")
    number = STAGED.search(told.get(("grout-beyond-limit", name), ""))
    if stages > 1 and number:
        same = float(number[1].replace(",", "")) == stages
        tally.holds(same, name, f"{stages:g} stages: a finding says {number[1]}")


RULES = (Rule("grouting", "lifts and stages of the grout, and what is told of them", grouting),)
