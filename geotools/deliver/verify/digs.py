"""Digs between the pits: how deep they are, and the places to avoid they reach into."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.coverage import between
from geotools.deliver.verify.depths import source_told
from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.surroundings import with_buffer
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.excavation import ENGINEER_DEPTH_M

__all__ = ["RULES"]

ROUNDED = 1e-3  # m; a place so near the edge of a hole may be met or not
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

    A hole is as wide as the pits of its run.
    """
    tally = Tally("local_digs")
    dug = _dug(plan)
    spots = np.array([row.geometry for row in dug], dtype=object)
    pits = plan.by("pits", "run_id")
    half = np.array([pits[row.run_id][0].width / 2 - ROUNDED for row in dug])
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


RULES = (
    Rule("dig-depths", "digs are as deep as told, and deep ones are findings", depths),
    Rule("digs-in-places", "digs in places to avoid are findings", in_places),
)
