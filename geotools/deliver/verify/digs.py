"""Digs between the pits: depth, places to avoid they reach into, carriageways they lie in."""

from __future__ import annotations

import math
import re
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
IN_HARD, IN_SOFT = ("dig-in-hard-place", "warning"), ("dig-in-soft-place", "info")


def _dug(plan: Plan) -> list[Any]:
    """Return the digs that no pit spares."""
    return [row for row in plan.rows("local_digs") if not row.spared]


def _told(plan: Plan, rule: str) -> dict[str, Any]:
    """Return the findings of a rule by the dig they are of."""
    rows = plan.rows("findings")
    return {r.feature: r for r in rows if r.rule == rule and r.layer == "local_digs"}


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
        for dig in _dug(plan):
            deep = due.get(dig.dig_id, math.nan) > least + CLOSE
            tally.holds(
                dig.dig_id in told or not deep, dig.dig_id, f"so deep, and no finding {rule}"
            )
    return tally


def in_places(plan: Plan) -> Tally:
    """Check that digs whose hole reaches into places to avoid are findings that name these.

    A hole is as wide at its bottom as the pits of its run, and its sides lean as theirs.
    """
    tally = Tally("local_digs")
    dug = _dug(plan)
    spots = np.array([row.geometry for row in dug], dtype=object)
    half = np.array([_half_wide(plan, row) - ROUNDED for row in dug])
    tree, widest = shapely.STRtree(spots), half.max(initial=0.0)
    told = {rule: _told(plan, rule) for rule, _ in (IN_HARD, IN_SOFT)}
    tally.checked += len(dug)
    for place in of_context(plan, "avoid"):
        rule, severity = IN_HARD if math.isnan(place.hard) or place.hard else IN_SOFT
        shape = with_buffer(place)
        near = np.sort(tree.query(shape, predicate="dwithin", distance=widest))
        for k in near[shapely.dwithin(spots[near], shape, half[near])].tolist():
            said = told[rule].get(dug[k].dig_id)
            there = said is not None and f"{place.feature} (" in said.text
            text = f"reaches into {place.feature} ({place.kind}), and no finding says so"
            tally.holds(there, dug[k].dig_id, text)
            if said is not None:
                grave = said.severity == severity
                text = f"reaches into {place.feature}: {severity}, told as {said.severity}"
                tally.holds(grave, dug[k].dig_id, text)
    return tally


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
