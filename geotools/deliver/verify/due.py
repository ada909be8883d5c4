"""Findings that are due by the plan's own rows: strings, closures, water, capacity, pulls."""

from __future__ import annotations

import bisect
import math
import re
from collections.abc import Callable
from typing import Any

import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.force import frictions, path_of, pulled_of
from geotools.deliver.verify.formulas import tension
from geotools.deliver.verify.lanes import lanes_of, streets_held
from geotools.deliver.verify.money import TESTED
from geotools.deliver.verify.over import HOLE
from geotools.deliver.verify.plan import CONTEXT, Plan
from geotools.deliver.verify.schedule import FUSE, OPEN, PULL, RELEASE, SHUT
from geotools.deliver.verify.shut import no_lane_left
from geotools.deliver.verify.sites import closures_of, days_closed, warned
from geotools.deliver.verify.suited import SAYS
from geotools.deliver.verify.tally import CLOSE, EXACT, Rule, Tally
from geotools.deliver.verify.telling import texts_naming
from geotools.pipe.factors import HOUR

__all__ = ["RULES"]

SOURCE = "a source is shut in"  # among the remarks on a shutdown
HAZARD = "asbestos"  # in the words for a host's materials
# Counts of a shutdown, and what tells of them.
WITHOUT_WATER = {
    "customers_beyond": "customers-beyond",
    "critical": "critical-without-water",
    "hydrants": "hydrants-without-water",
}
SAME_VALVE = 1e-3  # m from a dig, on the main, to the valve it is for
SHORT = 1.0  # m of taper and buffer that are not worth a word
LONGEST = 24.0  # h; a pull that takes longer is judged as one of so long
AHEAD = 1.0  # m of a pull; less that is steep is the roughness of levels
WAIT = 1.0  # days that strings lie longer than priced, not worth a word
ROUNDED = 1e-3  # m; a place so near the edge of a string's ground may lie on it or not
NAME = re.compile(r"[^\s,()]+")
WAITS = re.compile(r"for up to ([\d,.]+) days .*: ([\d,.]+) lane-days")
OPEN_FOR = re.compile(r"last day, ([\d,.]+) lane-days; .* work, ([\d,.]+) lane-days")
OUT = re.compile(r"by the schedule (?:for )?([\d,.]+) working days")
COUNTED = re.compile(r"([\d,]+) of its [\d,]+ .* is counted with")
COST = re.compile(r"of its ([\d,]+) ")
NAMED = re.compile(r"rates\.[a-z_]+")
PUSHED = re.compile(r"pushes ahead with up to ([\d,.]+) ")
NOTHING = 50.0  # N; that pushes ahead or a hold-back takes, and is told as none
TENTH = 0.1  # what days are told to
# Items priced with one rate alone, whatever pit, pipe or street they are of.
RATED = {
    "excavation": "rates.excavation",
    "shored face": "rates.support",
    "surface made good": "rates.restoration",
    "laying and bedding in the open": "rates.open_laying",
    "ground off the street": "rates.off_street",
    "carrier tied in or joined": "rates.tie_in",
    "service fed meanwhile": "rates.temporary_service",
    "pull set up": "rates.pull_setup",
    "fused joint": "rates.joint",
    "pulling": "rates.pulling_hour",
    "main at the end reconnected": "rates.end_connection",
    "connection dug up": "rates.connection",
    "line valve cut out and replaced": "rates.valve",
    "host cleaned": "rates.cleaning",
    TESTED: "rates.testing",
    "grout": "rates.grout",
}

Told = dict[tuple[str, str], list[str]]


def told_of(plan: Plan) -> Tally:
    """Check that what the rows themselves show to be worth a warning is a finding."""
    tally = Tally("findings")
    told: Told = {}
    for row in plan.rows("findings"):
        told.setdefault((row.rule, row.feature), []).append(row.text)
    for check in CHECKS:
        check(plan, tally, told)
    return tally


def _cut_short(plan: Plan, tally: Tally, told: Told) -> None:
    """Closures whose taper and buffer find no room."""
    for row in plan.rows("closures"):
        if row.lacking > SHORT + CLOSE:
            there = ("closure-cut-short", row.closure_id) in told
            tally.holds(there, row.closure_id, "is cut short, and no finding says so")


def _shut(plan: Plan, tally: Tally, told: Told) -> None:
    """Closures that leave no lane of their street."""
    texts = texts_naming(plan, "street-shut")
    for row in plan.rows("closures"):
        rows = closures_of(plan, row.pull_id or row.pit_id)
        if no_lane_left(plan, row, rows):
            there = row.closure_id in texts
            tally.holds(there, row.closure_id, "shuts its street, and no finding says so")


def _beyond(plan: Plan, tally: Tally, told: Told) -> None:
    """Planned runs whose work takes water from others, from critical customers or hydrants."""
    planned = {run.run_id for run in plan.planned}
    for row in plan.rows("shutdowns"):
        for name, rule in WITHOUT_WATER.items():
            if getattr(row, name) > 0 and row.run_id in planned:
                fault = f"leaves others without water ({name}), and no finding says so"
                tally.holds((rule, row.run_id) in told, row.run_id, fault)


def _hazardous(plan: Plan, tally: Tally, told: Told) -> None:
    """Planned runs whose host is of asbestos cement."""
    for run in plan.planned:
        if HAZARD in run.host_material:
            there = ("host-hazardous", run.run_id) in told
            tally.holds(there, run.run_id, "its host harms who cuts it, and no finding says so")


def _sources(plan: Plan, tally: Tally, told: Told) -> None:
    """Planned runs whose shutdown takes a source with it, as its remarks say."""
    planned = {run.run_id for run in plan.planned}
    for row in plan.rows("shutdowns"):
        if SOURCE in row.remarks.split("; ") and row.run_id in planned:
            there = ("source-shut-in", row.run_id) in told
            tally.holds(there, row.run_id, "takes a source with it, and no finding says so")


def _cut_by_others(plan: Plan, tally: Tally, told: Told) -> None:
    """Planned runs shut in by valves that are dug up for other planned runs.

    Valves in pits have no row of their own.
    """
    planned = {run.run_id for run in plan.planned}
    digs = [dig for dig in plan.rows("local_digs") if dig.kind == "valve" and dig.run_id in planned]
    found = (row for row in plan.rows("findings") if row.rule == "valve-cut-out-elsewhere")
    others = {row.feature: set(NAME.findall(row.text.partition(":")[2])) for row in found}
    tree = shapely.STRtree([dig.geometry for dig in digs])
    for row in plan.rows("shutdowns"):
        if row.run_id not in planned:
            continue
        near = tree.query(row.geometry, predicate="dwithin", distance=SAME_VALVE)
        for dig in (digs[k] for k in sorted(near.tolist())):
            if dig.run_id != row.run_id:
                there = dig.run_id in others.get(row.run_id, ())
                fault = f"relies on a valve dug up for {dig.run_id}, and no finding says so"
                tally.holds(there, row.run_id, fault)


def _little(plan: Plan, tally: Tally, told: Told) -> None:
    """Planned runs that keep little of the host's capacity: with their flow, or fixed without."""
    least = plan.setting("service.least_capacity")
    for run in plan.planned:
        if run.capacity_ratio < least - CLOSE:
            fixed = told.get(("fixed-carrier", run.run_id), [])
            short = any(words in text for text in fixed for words in SAYS["flow"])
            carries = ("little-capacity", run.run_id) in told
            there, both = carries or short, carries and short
            tally.holds(there, run.run_id, "keeps little capacity, and no finding says so")
            tally.holds(not both, run.run_id, "is said to carry the design flow, and not to")


def _long(plan: Plan, tally: Tally, told: Told) -> None:
    """Pulls for whose hours the pipe may have less tension than for those planned with."""
    planned, warm = plan.setting("pulls.duration") / HOUR, plan.setting("carrier.temperature")
    runs = plan.one("runs", "run_id")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, runs[pull.run_id])
        if pipe is None or not pull.hours > planned + CLOSE:
            continue
        taken = min(pull.hours - CLOSE, max(planned, LONGEST))
        less, more = (tension(pipe, hours=hours, warm=warm) for hours in (taken, planned))
        if less < more * (1 - CLOSE):
            there = ("pull-longer-than-duration", pull.pull_id) in told
            text = f"takes {pull.hours:.1f} h, more than planned with, and no finding says so"
            tally.holds(there, pull.pull_id, text)


def _ahead(plan: Plan, tally: Tally, told: Told) -> None:
    """Pulls that run ahead by themselves: down the host, or up it if they float."""
    least = frictions(plan)["low"]
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
        if pipe is None:
            continue
        path, weight = path_of(plan, pull.run_id, pipe), pulled_of(plan, pipe).weight
        way = math.copysign(1.0, weight) * (1 if pull.direction == "ahead" else -1)
        steep, pushed = 0.0, 0.0
        first = max(bisect.bisect_right(path.at, pull.start) - 1, 0)
        for k in range(first, min(bisect.bisect_left(path.at, pull.end), len(path.at) - 1)):
            if way * path.grade[k] < -least - CLOSE:
                length = min(path.at[k + 1], pull.end) - max(path.at[k], pull.start)
                steep += length
                pushed += length * abs(weight) * (abs(path.grade[k]) - least)
        texts = told.get(("string-runs-ahead", pull.pull_id), [])
        if steep > AHEAD + CLOSE and pushed > NOTHING + CLOSE:
            tally.holds(texts, pull.pull_id, "runs ahead by itself, and no finding says so")
        elif texts:
            may = steep > AHEAD - CLOSE and pushed > NOTHING - CLOSE
            tally.holds(may, pull.pull_id, "is told to run ahead by itself, and does not")
        for text in texts:
            _held_back(plan, tally, pull, text)


def _held_back(plan: Plan, tally: Tally, pull: Any, text: str) -> None:
    """Hold the force a finding tells against that of the string in the host, held by no bends."""
    pipe = pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
    if pipe is None:
        return
    path, load = path_of(plan, pull.run_id, pipe), pulled_of(plan, pipe).weight
    way, least = 1 if pull.direction == "ahead" else -1, frictions(plan)["low"]
    pushed, most = 0.0, 0.0
    inside = range(len(path.at) - 1)
    for k in inside if way > 0 else reversed(inside):
        length = min(path.at[k + 1], pull.end) - max(path.at[k], pull.start)
        pushed -= max(length, 0.0) * (way * load * path.grade[k] + least * abs(load))
        most = max(most, pushed)
    size = plan.unit("force")[1]
    found = PUSHED.search(text)
    said = float(found[1].replace(",", "")) * size if found else 0.0
    near = abs(said - most) <= max(size * TENTH / 2 + CLOSE, 0.0 if found else NOTHING)
    tally.holds(near, pull.pull_id, f"{said:.0f} N are told to hold back, due are {most:.0f}")


def _over_digs(plan: Plan, tally: Tally, told: Told) -> None:
    """Strings over services and tees that are dug up for other pulls before the string is gone.

    A warning while these are dug up, else not.
    """
    opened = {row.ref: row.start_day for row in plan.rows("schedule") if row.task == OPEN}
    until = {r.ref: r.start_day + r.days for r in plan.rows("schedule") if r.task == OPEN}
    fused = {row.ref: row.start_day for row in plan.rows("schedule") if row.task == FUSE}
    gone = {row.ref: row.start_day + row.days for row in plan.rows("schedule") if row.task == PULL}
    dug = [row for row in plan.rows("local_digs") if row.pull_id in opened]
    tree = shapely.STRtree([row.geometry for row in dug])
    for row in plan.rows("strings"):
        if row.pull_id not in gone:
            continue
        met = tree.query(row.geometry, predicate="dwithin", distance=HOLE - ROUNDED)
        others = {dug[k].pull_id for k in met.tolist() if dug[k].run_id == row.run_id}
        texts = told.get(("string-over-dig", row.string_id), [])
        for pull in sorted(others - {row.pull_id}):
            if opened[pull] < gone[row.pull_id] - CLOSE:
                found = [text for text in texts if f"for pull {pull}," in text]
                text = f"lies over what is dug up for pull {pull}, and no finding says so"
                tally.holds(found, row.string_id, text)
                days = until[pull] - fused.get(row.pull_id, math.inf)
                if found and abs(days) > CLOSE:
                    text = f"lies there {max(days, 0.0):.2f} days till {pull} is dug, not as told"
                    tally.holds((found[0] in warned(plan)) == (days > 0), row.string_id, text)


def _waiting(plan: Plan, tally: Tally, told: Told) -> None:
    """Runs with strings in a lane, fused more than a day before they are pulled in.

    With how many pulls these are of, the longest wait, days, and its lane-days in all.
    """
    begun = {row.ref: row.start_day for row in plan.rows("schedule") if row.task == PULL}
    lanes = {pull.pull_id: pull.lanes_taken for pull in plan.rows("pulls")}
    waits: dict[str, list[tuple[float, float]]] = {}
    for row in plan.rows("schedule"):
        if row.task == FUSE and lanes.get(row.ref, 0) > 0 and row.ref in begun:
            wait = begun[row.ref] - (row.start_day + row.days)
            own = waits.setdefault(row.run_id, [])
            own += [(wait, wait * lanes[row.ref])] if wait > WAIT + CLOSE else []
    for run, own in waits.items():
        texts = told.get(("strings-wait", run), [])
        there = any(f"strings of {len(own)} pull" in text for text in texts) or not own
        text = f"strings of {len(own)} lie longer than priced, and no finding says so"
        if tally.holds(there, run, text) and own:
            due = max(wait for wait, _ in own), math.fsum(taken for _, taken in own)
            good = any(_told_near(WAITS.search(text), due, TENTH) for text in texts)
            text = f"strings wait up to {due[0]:.2f} days, {due[1]:.2f} lane-days; told is other"
            tally.holds(good, run, text)


def _out_of_service(plan: Plan, tally: Tally, told: Told) -> None:
    """Runs told to take water from others: for as long as their valves are closed."""
    shut = {row.ref: row.start_day for row in plan.rows("schedule") if row.task == SHUT}
    for row in plan.rows("schedule"):
        if row.task == RELEASE and row.ref in shut:
            days = row.start_day + row.days - shut[row.ref]
            for rule in (*WITHOUT_WATER.values(), "source-shut-in"):
                for text in told.get((rule, row.ref), []):
                    good = _told_near(OUT.search(text), (days,), TENTH)
                    tally.holds(good, row.ref, f"is out of service {days:.2f} days, not as told")


def _told_near(found: re.Match[str] | None, due: tuple[float, ...], rounded: float) -> bool:
    """Say whether the numbers found in a text are those due, but for what they are rounded by."""
    if found is None:
        return False
    told = (float(number.replace(",", "")) for number in found.groups())
    return all(
        abs(one - other) <= rounded / 2 + CLOSE + abs(other) * EXACT
        for one, other in zip(told, due, strict=True)
    )


def _not_plated(plan: Plan, tally: Tally, told: Told) -> None:
    """Runs with lanes at pits whose sides lean: told with the lane-days closed, and priced."""
    runs: dict[str, list[tuple[float, float]]] = {}
    tasks = plan.by("schedule", "ref")
    for pit in plan.rows("pits"):
        if pit.side_slope > 0 and pit.lanes_taken > 0:
            closed, lanes = days_closed(pit, tasks.get(pit.pit_id, [])), pit.lanes_taken
            runs.setdefault(pit.run_id, []).append((closed * lanes, pit.days * lanes))
    for run, own in runs.items():
        due = tuple(math.fsum(part) for part in zip(*own, strict=True))
        texts = told.get(("pits-not-plated", run), [])
        good = any(_told_near(OPEN_FOR.search(text), due, TENTH) for text in texts)
        text = f"lanes are closed for {due[0]:.1f} lane-days and priced for {due[1]:.1f}, not told"
        tally.holds(good, run, text)


def _invented(plan: Plan, tally: Tally, told: Told) -> None:
    """Plans priced with rates that nobody set: that they are, and of what cost in all.

    Of items of several rates, or of those of a street, what is counted with which is not worked
    out again: what is told is no less than what the others come to, and no more than all.
    """
    origin = {row.name: row.origin for row in plan.rows("settings")}
    costs = [
        (RATED.get(row.item, ""), row.cost)
        for row in plan.rows("quantities")
        if (row.scope in ("pit", "pull") or _of_run(row)) and math.isfinite(row.cost)
    ]
    whole = math.fsum(cost for _, cost in costs)
    least = math.fsum(cost for rate, cost in costs if origin.get(rate) == "default")
    texts = [text for (rule, _), own in told.items() if rule == "rates-invented" for text in own]
    if least > 0:
        text = f"{least:,.0f} are counted with rates that nobody set, and no finding says so"
        tally.holds(texts, "rates", text, layer="quantities")
    for text in texts:
        names = {name for name in NAMED.findall(text) if origin.get(name) != "default"}
        tally.holds(not names, "rates", f"{', '.join(sorted(names))} is set, and told as not")
        found = COUNTED.search(text)
        good = _told_near(found and COST.search(text), (whole,), 1.0)
        tally.holds(good, "rates", f"the plan costs {whole:,.0f}; what is counted is told of other")
        part = float(found[1].replace(",", "")) if found else math.nan
        good = least - 1.0 <= part <= whole + 1.0
        tally.holds(good, "rates", f"told are {part:,.0f}, due at least {least:,.0f}")


def _of_run(row: Any) -> bool:
    """Say whether a row of the bill is of its run alone, and in no pit or pull of it."""
    return bool(row.scope == "run" and row.item == TESTED)


def _in_no_street(plan: Plan, tally: Tally, told: Told) -> None:
    """Strings from a pit in no street that lie in none, where the plan holds the streets."""
    if all(row.layer != "streets" for row in plan.rows("inputs")):
        return
    pits, pulls = plan.one("pits", "pit_id"), plan.one("pulls", "pull_id")
    streets = [row for row in plan.rows(CONTEXT) if row.layer == "streets"]
    tree = shapely.STRtree([row.geometry for row in streets])
    verge = plan.setting("street.verge")
    widest = verge + max((lanes_of(plan, row).kerb for row in streets), default=0.0)
    for row in plan.rows("strings"):
        pull = pulls.get(row.pull_id)
        pit = None if pull is None else pits.get(pull.insertion_pit)
        if pit is None or row.street or pit.street_name or pit.street_class:
            continue
        # A street may have no name: that they lie in none is sure where none is near.
        if not streets_held(plan, widest, row.geometry):
            continue
        if not len(tree.query(row.geometry, predicate="dwithin", distance=widest + CLOSE)):
            there = ("string-off-street", row.pull_id) in told
            tally.holds(there, row.string_id, "lies in no street, and no finding says so")


CHECKS: tuple[Callable[[Plan, Tally, Told], None], ...] = (
    _cut_short,
    _shut,
    _beyond,
    _hazardous,
    _sources,
    _cut_by_others,
    _little,
    _long,
    _ahead,
    _over_digs,
    _waiting,
    _out_of_service,
    _not_plated,
    _invented,
    _in_no_street,
)
RULES = (Rule("findings-told", "what the rows show to be worth a warning is a finding", told_of),)
