"""Layers, identifiers and references between layers."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

from geotools.deliver.verify.grouting import RARE
from geotools.deliver.verify.plan import CONTEXT, Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.intake.crs import crs_name
from geotools.schema import OUTPUTS

__all__ = ["RULES"]

KEYS = {
    "runs": "run_id",
    "bends": "bend_id",
    "candidates": "candidate_id",
    "pits": "pit_id",
    "pit_footprints": "pit_id",
    "pulls": "pull_id",
    "sections": "pull_id",
    "strings": "string_id",
    "closures": "closure_id",
    "local_digs": "dig_id",
    "settings": "name",
}
# Layer, its column, the layer referred to, that layer's column, and whether it may be empty.
LEADS = (
    ("pulls", "insertion_pit", "pits", "pit_id", False),
    ("pulls", "receiving_pit", "pits", "pit_id", False),
    ("pit_footprints", "pit_id", "pits", "pit_id", False),
    ("closures", "pit_id", "pits", "pit_id", False),
    ("closures", "pull_id", "pulls", "pull_id", True),
    ("forces", "pull_id", "pulls", "pull_id", False),
    ("sections", "pull_id", "pulls", "pull_id", False),
    ("strings", "pull_id", "pulls", "pull_id", False),
    ("local_digs", "pull_id", "pulls", "pull_id", True),
)

# What rests on what the file does not hold.
UNTOLD = (
    "host_material of runs: the plan does not tell what its mains are of",
    "reason and longest_pull of carriers that were not chosen: the plan does not hold their pits",
    "working_pressure and working_test that rest on records: the plan holds no pressure of a main",
    "lacking of closures to the metre: where a lane ends at a corner of its street is not known",
    "reasons of pits and candidates: words for people; whether a pit may stand there is checked",
)


def layers_and_fields(plan: Plan) -> Tally:
    """Check that every layer a plan is due to hold is there with all its fields, in one CRS."""
    tally = Tally()
    spared = set() if plan.setting("output.stations") else {"stations"}
    for name in plan.layers:
        if name in spared and name not in plan.tables:
            continue
        if not tally.holds(name in plan.tables, "", "the layer is missing", layer=name):
            continue
        for wanted in OUTPUTS[name].fields:
            spelled = any(word in plan.columns[name] for word in wanted.spellings())
            tally.holds(spelled or wanted.later, "", f"there is no field {wanted.name}", layer=name)
        spoiled = ", ".join(plan.spoiled.get(name, []))
        tally.holds(not spoiled, "", f"{spoiled}: holds what is no number", layer=name)
    _in_one_crs(plan, tally)
    return tally


def _in_one_crs(plan: Plan, tally: Tally) -> None:
    """Check that all layers lie in the CRS of most of them, as they were written."""
    found = plan.found_in
    like = {
        name: [other for other in found if crs.equals(found[other], ignore_axis_order=True)]
        for name, crs in found.items()
    }
    most = max(like.values(), key=len, default=[])
    for name, crs in found.items():
        text = f"is in {crs_name(crs)}, and the plan in {crs_name(found[most[0]])}"
        tally.holds(name in most, "", text, layer=name)


def identifiers(plan: Plan) -> Tally:
    """Check that every identifier is given, once in its layer; bends are counted along a run."""
    tally = Tally()
    for name, key in KEYS.items():
        for value, count in Counter(plan.table(name)[key]).items():
            tally.holds(value and count == 1, value, f"{key} stands {count} times", layer=name)
    for run_id, bends in plan.by("bends", "run_id", "chainage").items():
        for number, bend in enumerate(bends, start=1):
            due = f"{run_id}-B{number}"
            text = f"is bend {number} of its run, {due}"
            tally.holds(bend.bend_id == due, bend.bend_id, text, layer="bends")
    return tally


def references(plan: Plan) -> Tally:
    """Check that what a row refers to exists, and belongs to the same run."""
    tally = Tally()
    runs = plan.one("runs", "run_id")
    for name in plan.layers:
        if name in plan.tables and name != "runs" and "run_id" in plan.tables[name]:
            for run_id, count in Counter(plan.tables[name]["run_id"]).items():
                tally.holds(run_id in runs, run_id, f"{count} rows of no run", layer=name)
    for name, column, other, key, optional in LEADS:
        known = plan.one(other, key)
        for row in plan.rows(name):
            value = getattr(row, column)
            if optional and not value:
                continue
            there = known.get(value)
            tally.holds(
                there is not None and there.run_id == row.run_id,
                value,
                f"{column}: no such row of {other} in run {row.run_id}",
                layer=name,
            )
    _scopes(plan, tally)
    return tally


def _scopes(plan: Plan, tally: Tally) -> None:
    """Check what quantities and schedule refer to."""
    known = {
        "pit": plan.one("pits", "pit_id"),
        "pull": plan.one("pulls", "pull_id"),
        "run": plan.one("runs", "run_id"),
        "shared": plan.one("pits", "pit_id"),
    }
    for row in plan.rows("quantities"):
        there = known.get(row.scope, {}).get(row.ref)
        tally.holds(
            there is not None and there.run_id == row.run_id,
            row.ref,
            f"{row.item}: no such {row.scope or 'scope'} in run {row.run_id}",
            layer="quantities",
        )
    for row in plan.rows("schedule"):
        there = next((rows[row.ref] for rows in known.values() if row.ref in rows), None)
        tally.holds(
            there is not None and there.run_id == row.run_id,
            row.ref,
            f"{row.task}: no such pit, pull or run in run {row.run_id}",
            layer="schedule",
        )


def rows_that_belong(plan: Plan) -> Tally:
    """Check that every pit and pull has all the rows it is due in the other layers."""
    tally = Tally()
    for pit in plan.rows("pits"):
        prints = plan.by("pit_footprints", "pit_id").get(pit.pit_id, [])
        tally.holds(len(prints) == 1, pit.pit_id, f"{len(prints)} footprints", layer="pits")
        for shape in prints:
            tally.holds(shape.role == pit.role, pit.pit_id, "footprint of another role")
    for pull in plan.rows("pulls"):
        for name in ("forces", "sections", "strings"):
            rows = plan.by(name, "pull_id").get(pull.pull_id, [])
            tally.holds(rows, pull.pull_id, f"no row of {name}", layer="pulls")
    for scope, name, key in (("pit", "pits", "pit_id"), ("pull", "pulls", "pull_id")):
        told = (row for row in plan.rows("quantities") if row.item not in RARE)
        items = Counter((row.scope, row.ref) for row in told)
        most = max((n for (of, _), n in items.items() if of == scope), default=0)
        for row in plan.rows(name):
            ref = getattr(row, key)
            tally.holds(items[scope, ref] == most, ref, "quantities are missing", layer=name)
    for run in plan.rows("runs"):
        chosen = [
            row
            for row in plan.by("alternatives", "run_id").get(run.run_id, [])
            if row.outcome == "chosen"
        ]
        due = int(run.status == "planned")
        tally.holds(
            len(chosen) == due, run.run_id, f"{len(chosen)} chosen alternatives", layer="runs"
        )
    return tally


def words(plan: Plan) -> Tally:
    """Check that fields which take one of a few words, or yes or no, hold one of them.

    A place of the context has a flag where its layer does.
    """
    tally = Tally()
    for name in plan.layers:
        if name not in plan.tables:
            continue
        for wanted in OUTPUTS[name].fields:
            flag = wanted.dtype == "flag" and name != CONTEXT
            if not (wanted.values or flag) or wanted.name not in plan.tables[name]:
                continue
            if wanted.later and wanted.name not in plan.columns[name]:
                continue
            few = (1.0, 0.0) if flag else wanted.values
            said = "yes (1), no (0)" if flag else ", ".join(wanted.values)
            column = plan.tables[name][wanted.name]
            for value, count in column.value_counts(dropna=False).items():
                shown = f"{value:g}" if flag else repr(value)
                text = f"{shown} ({count} rows) is none of {said}"
                tally.holds(value in few, wanted.name, text, layer=name)
    for untold in UNTOLD:
        tally.skip(untold)
    return tally


def counts(plan: Plan) -> Tally:
    """Check the counts of every run against its rows; a run without a plan has none."""
    tally = Tally("runs")
    for run in plan.rows("runs"):
        pits = plan.by("pits", "run_id").get(run.run_id, [])
        pulls = plan.by("pulls", "run_id").get(run.run_id, [])
        bends = plan.by("bends", "run_id").get(run.run_id, [])
        tally.near(run.pit_count, len(pits), run.run_id, "pit_count")
        tally.near(run.pull_count, len(pulls), run.run_id, "pull_count")
        tally.near(run.bend_count, len(bends), run.run_id, "bend_count")
        longest = max((pull.length for pull in pulls), default=math.nan)
        tally.near(run.longest_pull, longest, run.run_id, "longest_pull")
        if run.status == "planned":
            tally.holds(len(pits) == len(pulls) + 1, run.run_id, "not one pit more than pulls")
            tally.holds(not run.reason, run.run_id, f"planned, and yet: {run.reason}")
        else:
            tally.holds(not pits and not pulls, run.run_id, f"{run.status}, and yet has pits")
            tally.holds(run.reason, run.run_id, f"{run.status} without a reason")
            placed = run.status != "no_plan" or any(c.isdigit() for c in run.reason)
            tally.holds(placed, run.run_id, "its reason does not say where it is blocked")
            tally.holds(math.isnan(run.cost), run.run_id, f"{run.status}, and yet has a cost")
    return tally


def connections(plan: Plan) -> Tally:
    """Check the connections of planned runs, and every dig against the pull it lies on."""
    tally = Tally("local_digs")
    digs = plan.by("local_digs", "run_id")
    for run in plan.planned:
        found = [dig for dig in digs.get(run.run_id, []) if dig.kind == "connection"]
        if plan.by("pulls", "run_id").get(run.run_id):
            tally.near(run.connection_count, len(found), run.run_id, "connection_count")
    for pull in plan.rows("pulls"):
        inside = [dig for dig in digs.get(pull.run_id, []) if _lies_on(pull, dig)]
        tally.near(pull.digs, len(inside), pull.pull_id, "digs", layer="pulls")
        for dig in inside:
            tally.holds(
                dig.pull_id == pull.pull_id and not dig.spared,
                dig.dig_id,
                f"lies on pull {pull.pull_id}, and is told of {dig.pull_id or 'no pull'}",
            )
    for dig in plan.rows("local_digs"):
        there = bool(dig.pull_id)
        tally.holds(there != bool(dig.spared), dig.dig_id, "spared and on a pull, or neither")
        named = plan.one("pulls", "pull_id").get(dig.pull_id)
        inside_it = named is not None and _lies_on(named, dig)
        tally.holds(inside_it == there, dig.dig_id, "does not lie on the pull it names")
    return tally


def _lies_on(pull: Any, dig: Any) -> bool:
    """Tell whether a dig lies on a pull; on the edge of a pit it lies in the pit."""
    return bool(pull.start + CLOSE < dig.chainage < pull.end - CLOSE)


def mains(plan: Plan) -> Tally:
    """Check that a station lies on a main its run is made of."""
    tally = Tally("stations")
    made_of = {run.run_id: f",{run.main_ids}," for run in plan.rows("runs")}
    pairs = Counter((row.run_id, row.main_id) for row in plan.rows("stations"))
    for (run_id, main_id), count in pairs.items():
        tally.holds(
            f",{main_id}," in made_of.get(run_id, ""),
            run_id,
            f"{count} stations on {main_id or 'no main'}, which is none of the run's mains",
        )
    return tally


RULES = (
    Rule("layers", "every layer and field is there, all layers in one CRS", layers_and_fields),
    Rule("identifiers", "identifiers are given, and unique in their layer", identifiers),
    Rule("references", "what a row refers to exists, in the same run", references),
    Rule("mains", "stations lie on mains of their run", mains),
    Rule("rows", "pits, pulls and runs have all their rows in other layers", rows_that_belong),
    Rule("words", "fields of a few words, or yes and no, hold one of them", words),
    Rule("counts", "counts of a run agree with its rows", counts),
    Rule("digs", "digs lie on the pull they name, or are spared by a pit", connections),
)
