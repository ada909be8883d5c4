"""Bends: what radius passes, what the carrier needs, and which must lie in a pit."""

from __future__ import annotations

import math
from typing import Any

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.coverage import opened
from geotools.deliver.verify.formulas import least_radius, passing_radius
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES", "held_stretches"]

ROUNDED = 1e-6  # rad; turns that differ by less are alike to the plan


def bends_as_found(plan: Plan) -> Tally:
    """Check that bends lie in their run, turn enough to be one, and have a station."""
    tally = Tally("bends")
    runs = plan.one("runs", "run_id")
    least = plan.setting("bends.least_angle")
    mitre = plan.setting("bends.fitting_radius")
    for bend in plan.rows("bends"):
        run = runs.get(bend.run_id)
        if run is None:
            continue
        first, last = bend.start, bend.start + bend.span
        tally.holds(
            -CLOSE <= first <= bend.chainage + CLOSE <= last + 2 * CLOSE <= run.length + 3 * CLOSE,
            bend.bend_id,
            f"turns from {first:.3f} to {last:.3f} m about {bend.chainage:.3f} m",
        )
        tally.holds(
            bend.deflection >= least - ROUNDED,
            bend.bend_id,
            f"turns {math.degrees(bend.deflection):.3f} deg, less than a bend does",
        )
        if bend.kind == "fitting":
            tally.near(bend.axis_radius, mitre * run.host_diameter, bend.bend_id, "axis_radius")
        else:
            tally.holds(bend.axis_radius > 0, bend.bend_id, "is a curve without a radius")
            tally.holds(bend.span > 0, bend.bend_id, "is a curve without a length")
    if "stations" not in plan.tables:
        tally.skip("stations at bends: the plan was written without stations")
        return tally
    for run_id, stations in plan.by("stations", "run_id").items():
        bends = [bend.chainage for bend in plan.by("bends", "run_id").get(run_id, [])]
        for one in stations:
            if one.kind == "bend":
                gap = min((abs(one.chainage - at) for at in bends), default=math.inf)
                where = f"{run_id} at {one.chainage:.3f} m"
                tally.holds(gap <= CLOSE, where, "a station at a bend, and no bend there")
    return tally


def bends_judged(plan: Plan) -> Tally:
    """Check what radius passes every bend, alone and with its neighbours, and the verdict."""
    tally = Tally("bends")
    bead, warm = plan.setting("carrier.bead_height"), plan.setting("carrier.temperature")
    for run in plan.rows("runs"):
        pipe = pipe_of(plan, run)
        bends = plan.by("bends", "run_id", "chainage").get(run.run_id, [])
        if pipe is None:
            for bend in bends:
                tally.near(bend.needed_radius, math.nan, bend.bend_id, "needed_radius")
            continue
        gap, needed = run.host_bore - pipe.outside - 2 * bead, least_radius(pipe, warm=warm)
        due = _passing(bends, gap, needed)
        for bend, radius in zip(bends, due, strict=True):
            tally.near(bend.needed_radius, needed, bend.bend_id, "needed_radius", share=1e-6)
            tally.near(bend.passing_radius, radius, bend.bend_id, "passing_radius", share=1e-6)
            close = abs(radius - needed) <= 1e-6 * needed
            tally.holds(
                close or bool(bend.passes) == (radius >= needed),
                bend.bend_id,
                f"passes is {bool(bend.passes)}: {radius:.3f} m of the {needed:.3f} m needed",
            )
    return tally


def _passing(bends: list[Any], gap: float, needed: float) -> list[float]:
    """Return the radius that passes each bend of a run.

    Fittings that each pass, and whose tangents ``R tan(t/2)`` at the least radius overlap, are
    one bend of the sum of their angles to the carrier.
    """
    alone = [passing_radius(min(bend.deflection, math.pi), gap, bend.axis_radius) for bend in bends]
    groups: list[list[int]] = []
    for k, bend in enumerate(bends):
        joins = False
        if groups and groups[-1][-1] == k - 1 >= 0:
            one = bends[k - 1]
            if all(
                b.kind == "fitting" and b.deflection < math.pi and alone[j] >= needed
                for j, b in ((k - 1, one), (k, bend))
            ):
                reach = sum(needed * math.tan(b.deflection / 2) for b in (one, bend))
                joins = bend.start - (one.start + one.span) < reach
        if joins:
            groups[-1].append(k)
        else:
            groups.append([k])
    out = list(alone)
    for group in groups:
        if len(group) > 1:
            together = min(sum(bends[k].deflection for k in group), math.pi)
            for k in group:
                out[k] = min(alone[k], passing_radius(together, gap, 0.0))
    return out


def held_stretches(plan: Plan, run: Any) -> list[tuple[float, float, str]]:
    """Return the stretches of a run that must lie in a pit, and what lies in each.

    A bend that cannot be passed, with one diameter of the host before and after it; a line valve
    where the settings want it in a pit.
    """
    out = []
    for bend in plan.by("bends", "run_id").get(run.run_id, []):
        if not bend.passes:
            room = run.host_diameter
            low = max(bend.start - room, 0.0)
            high = min(bend.start + bend.span + room, run.length)
            out.append((low, high, bend.bend_id))
    if plan.setting("pulls.valves") == "pit":
        for dig in plan.by("local_digs", "run_id").get(run.run_id, []):
            if dig.kind == "valve":
                room = run.host_diameter
                low, high = max(dig.chainage - room, 0.0), dig.chainage + room
                out.append((low, min(high, run.length), dig.dig_id))
    return out


def held_in_pits(plan: Plan) -> Tally:
    """Check that what cannot be pulled through lies inside a pit, whole."""
    tally = Tally("bends")
    for run in plan.planned:
        pits = [opened(pit) for pit in plan.by("pits", "run_id").get(run.run_id, [])]
        for low, high, name in held_stretches(plan, run):
            inside = any(a <= low + CLOSE and b >= high - CLOSE for a, b in pits)
            tally.holds(inside, name, f"no pit holds {low:.3f} to {high:.3f} m of {run.run_id}")
    return tally


RULES = (
    Rule("bends", "bends lie in their run, turn enough, and have their station", bends_as_found),
    Rule("bends-judged", "what passes a bend, and whether the carrier does", bends_judged),
    Rule("held-in-pits", "bends that cannot be passed lie in a pit", held_in_pits),
)
