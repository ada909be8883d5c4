"""What a run carries before and after: capacity, head, velocity; and the pressure it is tested at.

By Hazen and Williams the flow at equal gradient goes with C d^2.63, the head lost at equal flow
with its power -1.852. The host's C and middle bore are not in a plan: the capacity of several
pipes in one host is held against each other.
"""

from __future__ import annotations

import math
from typing import Any

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.formulas import Pipe
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.ratings import (
    CARRIER_C,
    HEAD_POWER,
    capacity_share,
    head_loss,
    test_limit,
)
from geotools.deliver.verify.suited import HAIR, tested, told_of
from geotools.deliver.verify.tally import Rule, Tally

__all__ = ["RULES"]

LEAST_C = 20.0  # of any host; the formula is for no rougher ones


def hydraulics(plan: Plan) -> Tally:
    """Check capacity, head lost and velocity of every run against its bores and each other."""
    tally = Tally("runs")
    tally.skip("C and middle bore of the hosts: the plan does not hold them")
    for run in plan.rows("runs"):
        _capacities(plan, tally, run)
        pipe = pipe_of(plan, run)  # without a plan the carrier that came closest, or none
        figures = {name: getattr(run, name) for name in ("head_before", "head_after", "velocity")}
        flowing = pipe is not None and run.run_id not in told_of(plan, "no-design-flow")
        for name, value in figures.items():
            good = math.isfinite(value) if flowing else math.isnan(value)
            due = "is due" if flowing else "cannot be known"
            tally.holds(good, run.run_id, f"{name} is {value:g}, and one {due}")
        if pipe is not None and all(map(math.isfinite, figures.values())):
            _heads(tally, run, pipe)
    return tally


def _heads(tally: Tally, run: Any, pipe: Pipe) -> None:
    """Check the head lost by the flow the velocity tells of, and by the same in the old main."""
    flow = max(run.velocity, 0.0) * math.pi / 4.0 * pipe.bore**2
    after = head_loss(flow, pipe.bore, run.length)
    tally.near(run.head_after, after, run.run_id, "head_after", share=HAIR)
    # Head goes with the power 1.852 of the flow: what the old main carries less it loses more.
    before = run.head_after * math.pow(max(run.capacity_ratio, 0.0), HEAD_POWER)
    tally.near(run.head_before, before, run.run_id, "head_before", share=HAIR)


def _capacities(plan: Plan, tally: Tally, run: Any) -> None:
    """Check that pipes in one host carry by their bores, and no more than in the roughest."""
    rows = plan.by("alternatives", "run_id").get(run.run_id, [])
    rows = [row for row in rows if row.carrier_bore > 0]
    for row in rows:
        due = rows[0].capacity_ratio * capacity_share(row.carrier_bore, rows[0].carrier_bore)
        what = f"capacity_ratio of {row.carrier}"
        tally.near(row.capacity_ratio, due, run.run_id, what, share=HAIR, layer="alternatives")
    if not rows or not run.host_bore > 0:
        return
    most = CARRIER_C / LEAST_C * capacity_share(rows[0].carrier_bore, run.host_bore)
    tally.holds(
        0 < rows[0].capacity_ratio <= most * (1 + HAIR),
        run.run_id,
        f"capacity_ratio is {rows[0].capacity_ratio:g}, at most {most:g} in any host of that bore",
    )


def tests(plan: Plan) -> Tally:
    """Check that no carrier is tested above its limit; where the pressure is assumed, by that."""
    tally = Tally("sections")
    for run in plan.planned:
        pipe = pipe_of(plan, run)
        if not tally.holds(pipe is not None, run.run_id, "has no carrier") or pipe is None:
            continue
        limit = test_limit(plan, pipe)
        for row in plan.by("sections", "run_id").get(run.run_id, []):
            text = f"is tested at {row.test_pressure:.0f} Pa, its pipe may be at {limit:.0f} Pa"
            # Empty where the head of the water leaves none; whether it may be, `sections` asks.
            tally.holds(not row.test_pressure > limit * (1 + HAIR), row.pull_id, text)
        low, high = tested(plan, run)
        if run.run_id in told_of(plan, "assumed-pressure"):
            factor = plan.setting("service.test_factor")
            due = min(plan.setting("service.working_pressure") * factor, limit)
            good = low * (1 - HAIR) <= due <= high * (1 + HAIR)
            text = f"is tested at {low:.0f} Pa where it is lowest, due is {due:.0f} Pa"
            tally.holds(good, run.run_id, text)
    return tally


RULES = (
    Rule("hydraulics", "capacity, head and velocity follow from bores and flow", hydraulics),
    Rule("tests", "no carrier is tested above its limit, or at another pressure", tests),
)
