"""Bends: what radius passes, what the carrier needs, and which must lie in a pit."""

from __future__ import annotations

import math
from typing import Any

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.coverage import opened
from geotools.deliver.verify.formulas import least_radius, passing_radius
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.successive import HALF_TURN, SENSES, Turn, closest, past_curve
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES", "held_stretches"]

ROUNDED = 1e-6  # rad; turns that differ by less are alike to the plan
ALIKE = 1e-9  # share by which radii differ that are alike to the plan


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
    one bend of the sum of their angles to the carrier; so are curves of one sense, as tight as
    the tightest of them, where arcs round each overlap. What passes so is held to what passes it
    with the bends before and after it, where they are closer than they bear.
    """
    out = [passing_radius(min(bend.deflection, math.pi), gap, bend.axis_radius) for bend in bends]
    groups: list[list[int]] = []
    for k in range(len(bends)):
        if groups and _joins(bends, out, k, gap, needed):
            groups[-1].append(k)
        else:
            groups.append([k])
    left: list[tuple[Turn, list[int]]] = []
    for group in groups:
        first, last = bends[group[0]], bends[group[-1]]
        together = min(sum(bends[k].deflection for k in group), math.pi)
        curve, axis = first.kind == "curve", min(bends[k].axis_radius for k in group)
        alone = out[group[0]]
        if len(group) > 1:
            joint = passing_radius(together, gap, axis if curve else 0.0)
            alone = min(alone, joint)
            out = [min(one, joint) if k in group else one for k, one in enumerate(out)]
        if alone >= needed * (1 - ALIKE):
            senses = {bends[k].sense or "" for k in group}
            sense = senses.pop() if len(senses) == 1 else ""
            begin, end = first.start, max(last.start + last.span, first.start + first.span)
            left.append((Turn(begin, end, together, sense, alone, axis, curve=curve), group))
    for (_, group), radius in zip(left, closest([turn for turn, _ in left], gap), strict=True):
        for k in group:
            out[k] = min(out[k], radius)
    return out


def _joins(bends: list[Any], alone: list[float], k: int, gap: float, needed: float) -> bool:
    """Say whether a bend is one with the bend before it."""
    pair, curves = (bends[k - 1], bends[k]), [bends[j].kind == "curve" for j in (k - 1, k)]
    if min(alone[k - 1 : k + 1]) < needed * (1 - ALIKE) or curves[0] != curves[1]:
        return False
    if curves[0]:
        if pair[0].sense != pair[1].sense or pair[0].sense not in SENSES:
            return False
        reach = [past_curve(bend.axis_radius, bend.deflection, gap, needed) for bend in pair]
        if min(reach) <= 0:
            return False
    else:
        reach = [needed * math.tan(min(bend.deflection, HALF_TURN) / 2) for bend in pair]
    return bool(max(pair[1].start - pair[0].start - pair[0].span, 0.0) < sum(reach))


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
