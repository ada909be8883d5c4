"""Digs between the pits: depth, places to avoid they reach into, carriageways they lie in."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.coverage import between
from geotools.deliver.verify.depths import source_told
from geotools.deliver.verify.lanes import lanes_of
from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.schedule import OPEN, REMAKE
from geotools.deliver.verify.surroundings import with_buffer
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.excavation import ENGINEER_DEPTH_M, slope_ratio

__all__ = ["RULES"]

ROUNDED = 1e-3  # m; a place so near the edge of a hole may be met or not
TENTH = 0.1  # what days are told to
COUNTED = re.compile(r": (\d+) of its .* ([\d.]+) dig-days")
AMONG = re.compile(
    r": (\d+) digs? between the pits, (?:from|at) ([\d.,]+) \S+(?: to ([\d.,]+) \S+)? along it"
)
IN_HARD, IN_SOFT = ("dig-in-hard-place", "warning"), ("dig-in-soft-place", "info")


def _dug(plan: Plan) -> list[Any]:
    """Return the digs that no pit spares."""
    return [row for row in plan.rows("local_digs") if not row.spared]


def _told(plan: Plan, rule: str) -> dict[str, list[Any]]:
    """Return the findings of a rule on digs by the run they are of."""
    told: dict[str, list[Any]] = {}
    for row in plan.rows("findings"):
        if row.rule == rule and row.layer == "runs":
            told.setdefault(row.feature, []).append(row)
    return told


def _tells(plan: Plan, text: str, surely: list[Any], perhaps: list[Any]) -> bool:
    """Say whether a text tells how many digs it is of, in order, and from where to where."""
    found = AMONG.search(text)
    if found is None or not len(surely) <= int(found[1]) <= len(perhaps):
        return False
    if len(surely) < len(perhaps):
        return True
    size = plan.unit("length")[1]
    ends = [float(at.replace(",", "")) * size for at in (found[2], found[3] or found[2])]
    due = surely[0].chainage, surely[-1].chainage
    rounded = TENTH / 2 * size + CLOSE
    return all(abs(said - at) <= rounded for said, at in zip(ends, due, strict=True))


def depths(plan: Plan) -> Tally:
    """Check how deep every dig is, and that one deeper than a pit may be is told.

    A plan of an earlier version does not say how deep; what is due is told by the stations.
    """
    tally = Tally("local_digs")
    most, bedding = plan.setting("pits.max_depth"), plan.setting("pits.bedding")
    stations = plan.by("stations", "run_id", "chainage")
    due: dict[str, float] = {}
    for dig in plan.rows("local_digs"):
        of_run = stations.get(dig.run_id, [])
        if not tally.holds(of_run, dig.dig_id, "its run has no stations"):
            continue
        due[dig.dig_id] = depth = between(of_run, dig.chainage, "depth")
        if plan.holds("local_digs", "depth"):
            tally.near(dig.depth, depth, dig.dig_id, "depth")
        if plan.holds("local_digs", "dig_depth"):
            tally.near(dig.dig_depth, max(depth, 0.0) + bedding, dig.dig_id, "dig_depth")
        if plan.holds("local_digs", "depth_source"):
            source_told(tally, of_run, dig, dig.dig_id)
    for rule, least in (("deep-dig", most), ("engineered-excavation", ENGINEER_DEPTH_M - bedding)):
        told = _told(plan, rule)
        for run_id, own in _runs_of(_dug(plan)).items():
            surely, perhaps = (
                [dig for dig in own if due.get(dig.dig_id, math.nan) > least + edge]
                for edge in (CLOSE, -CLOSE)
            )
            texts = [row.text for row in told.get(run_id, [])]
            good = any(_tells(plan, text, surely, perhaps) for text in texts)
            text = f"{len(surely)} of its digs are so deep, and no finding {rule} says so"
            tally.holds(good or not (surely or texts), run_id, text)
    return tally


def _runs_of(digs: list[Any]) -> dict[str, list[Any]]:
    """Return digs by their run, in order along it."""
    runs: dict[str, list[Any]] = {}
    for dig in sorted(digs, key=lambda row: row.chainage):
        runs.setdefault(dig.run_id, []).append(dig)
    return runs


def in_places(plan: Plan) -> Tally:
    """Check that digs whose hole reaches into places to avoid are told by run and place."""
    tally = Tally("local_digs")
    told = {rule: _told(plan, rule) for rule, _ in (IN_HARD, IN_SOFT)}
    tally.checked += len(_dug(plan))
    due: dict[tuple[str, str], int] = {}  # places by rule and run
    for place, run_id, surely, perhaps in _met(plan):
        rule, severity = IN_HARD if math.isnan(place.hard) or place.hard else IN_SOFT
        due[rule, run_id] = due.get((rule, run_id), 0) + 1
        rows = [r for r in told[rule].get(run_id, []) if f": {place.feature} (" in r.text]
        there = any(_tells(plan, row.text, surely, perhaps) for row in rows)
        text = f"{len(surely)} of its digs reach into {place.feature} ({place.kind})"
        good = there or not (surely or rows)
        tally.holds(good, run_id, f"{text}, and no finding {rule} says so")
        if rows:
            grave = any(row.severity == severity for row in rows)
            tally.holds(grave, run_id, f"{text}: {severity}, told as {rows[0].severity}")
    for rule, runs in told.items():
        for run_id, rows in runs.items():
            many = due.get((rule, run_id), 0)
            text = f"{len(rows)} places that digs reach into are told by {rule}, due {many}"
            tally.holds(len(rows) <= many, run_id, text)
    return tally


def _met(plan: Plan) -> Iterator[tuple[Any, str, list[Any], list[Any]]]:
    """Give every place with a run, the digs of it that surely reach into it, and that may.

    A hole is as wide at its bottom as the pits of its run, and its sides lean as theirs.
    """
    dug = _dug(plan)
    spots = np.array([row.geometry for row in dug], dtype=object)
    half = np.array([_half_wide(plan, row) for row in dug])
    tree, widest = shapely.STRtree(spots), half.max(initial=0.0) + ROUNDED
    for place in of_context(plan, "avoid"):
        shape = with_buffer(place)
        near = tree.query(shape, predicate="dwithin", distance=widest)
        beyond = shapely.distance(spots[near], shape) - half[near]
        sure = {dug[k].dig_id for k in near[beyond <= -ROUNDED].tolist()}
        met = _runs_of([dug[k] for k in near[beyond <= ROUNDED].tolist()])
        for run_id, perhaps in met.items():
            yield place, run_id, [dig for dig in perhaps if dig.dig_id in sure], perhaps


def _half_wide(plan: Plan, dig: Any) -> float:
    """Return how far the hole of a dig reaches from its middle at the ground, m.

    How deep it is dug the stations say, for a plan of an earlier version does not.
    """
    half = float(plan.by("pits", "run_id")[dig.run_id][0].width) / 2
    of_run = plan.by("stations", "run_id", "chainage").get(dig.run_id, [])
    depth = between(of_run, dig.chainage, "depth") if of_run else math.nan
    if plan.setting("pits.support") != "sloped" or not depth > 0:
        return half
    lean = float(slope_ratio(plan.setting("pits.soil"), min(depth, ENGINEER_DEPTH_M)))
    return half + lean * float(depth + plan.setting("pits.bedding"))


def in_carriageways(plan: Plan) -> Tally:
    """Check that digs in carriageways are told by run, and how long they lie opened.

    Where a dig lies nearer to a kerb than streets are snapped it may count or not.
    """
    tally = Tally("findings")
    told = {r.feature: r.text for r in plan.rows("findings") if r.rule == "digs-in-carriageway"}
    days, sides = _days_between(plan), _beside_kerbs(plan)
    snap = plan.setting("network.snap_tolerance") + ROUNDED
    for run in plan.planned:
        own = [r for r in plan.by("local_digs", "run_id").get(run.run_id, []) if not r.spared]
        own = [dig for dig in own if days.get(dig.pull_id, 0.0) > CLOSE]
        surely, perhaps = (
            [days[dig.pull_id] for dig in own if sides[dig.dig_id][k] < edge]
            for k, edge in enumerate((-snap, snap))
        )
        found = COUNTED.search(told.get(run.run_id, ""))
        there = found is not None or not surely
        text = f"{len(surely)} of its digs lie in carriageways, and no finding says so"
        if tally.holds(there, run.run_id, text) and found is not None:
            count, total = int(found[1]), float(found[2])
            text = f"told are {count} digs in carriageways, due {len(surely)} to {len(perhaps)}"
            tally.holds(len(surely) <= count <= len(perhaps), run.run_id, text)
            low, high = math.fsum(surely), math.fsum(perhaps)
            text = f"told are {total} dig-days, due {low:.2f} to {high:.2f}"
            good = low - TENTH / 2 - CLOSE <= total <= high + TENTH / 2 + CLOSE
            tally.holds(good, run.run_id, text)
    return tally


def _days_between(plan: Plan) -> dict[str, float]:
    """Return by pull the days from when a dig of it is opened to when it is begun to be remade."""
    tasks = plan.rows("schedule")
    opened = {row.ref: row for row in tasks if row.task == OPEN}
    count: dict[str, int] = {}
    for dig in _dug(plan):
        count[dig.pull_id] = count.get(dig.pull_id, 0) + 1
    return {
        row.ref: row.start_day - opened[row.ref].start_day - opened[row.ref].days / count[row.ref]
        for row in tasks
        if row.task == REMAKE and row.ref in opened and row.ref in count
    }


def _beside_kerbs(plan: Plan) -> dict[str, tuple[float, float]]:
    """Return by dig how far outside of kerbs it lies, m; less than 0 on a carriageway.

    Of the streets whose centrelines are nearest, and of any. Past the end of a street it goes on as
    the next one, which may be narrower.
    """
    streets, dug = of_context(plan, "streets"), _dug(plan)
    tree = shapely.STRtree([row.geometry for row in streets])
    half = np.array([lanes_of(plan, row).kerb for row in streets])
    spots = np.array([row.geometry for row in dug], dtype=object)
    snap = plan.setting("network.snap_tolerance") + CLOSE
    reach = half.max(initial=0.0) + snap + ROUNDED
    dig, street = tree.query(spots, predicate="dwithin", distance=reach)
    gap = shapely.distance(spots[dig], tree.geometries[street])
    least, any_, nearest = np.full((3, len(dug)), math.inf)
    np.minimum.at(least, dig, gap)
    np.minimum.at(any_, dig, gap - half[street])
    near = gap <= least[dig] + snap
    nearest[dig] = -math.inf
    np.maximum.at(nearest, dig[near], (gap - half[street])[near])
    return {
        row.dig_id: (float(own), float(far))
        for row, own, far in zip(dug, nearest, any_, strict=True)
    }


RULES = (
    Rule("dig-depths", "digs are as deep as told, and deep ones are findings", depths),
    Rule("digs-in-carriageways", "digs in carriageways are told, and how long", in_carriageways),
    Rule("digs-in-places", "digs in places to avoid are findings", in_places),
)
