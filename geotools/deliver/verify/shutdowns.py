"""Shutdowns: one a run where valves were read, its valves counted, named and where they stand."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.deliver.verify.plan import CONTEXT, Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES"]

AT = 0.01  # m; a valve to close stands this near to the one it is
STEP = 0.01  # m; what moving a line to another CRS and back may do to its length
SHARE = 1e-5  # the same of long ones
SHARED = ("duplicate-id", "multi-point-split")  # findings on valves that have one name
COUNTS = ("valve_count", "segments", "critical", "services", "hydrants", "temporary_services")


def shutdowns(plan: Plan) -> Tally:
    """Check that runs have one shutdown each, and that its numbers agree with each other."""
    tally = Tally("shutdowns")
    rows = plan.by("shutdowns", "run_id")
    used = sum(row.features_used for row in plan.rows("inputs") if row.layer == "valves")
    if rows or used > 0:
        for run in plan.rows("runs"):
            count = len(rows.get(run.run_id, []))
            tally.holds(count == 1, run.run_id, f"has {count} shutdowns")
    if rows:
        tally.skip("what goes dry and is cut off: it takes the whole network")
    runs = plan.one("runs", "run_id")
    alike = _names_alike(plan)
    for row in plan.rows("shutdowns"):
        _valves(tally, row, alike=alike)
        _numbers(tally, row)
        run = runs.get(row.run_id)
        if run is not None and run.geometry is not None:
            along = float(shapely.length(run.geometry))
            told = row.temporary_supply
            tally.near(told, along, row.run_id, "temporary supply", share=SHARE, least=STEP)
            if run.status == "planned":
                _served(plan, tally, row)
    return tally


def _names_alike(plan: Plan) -> bool:
    """Say whether names of valves may stand for several, or hold commas themselves."""
    context = plan.rows(CONTEXT) if CONTEXT in plan.tables else []
    return any(row.layer == "valves" and "," in row.feature for row in context) or any(
        row.layer == "valves" and row.rule in SHARED for row in plan.rows("findings")
    )


def _valves(tally: Tally, row: Any, *, alike: bool) -> None:
    """Check the valves of a shutdown, and their names and places, against their number."""
    names = row.valves.split(",") if row.valves else []
    points = [] if row.geometry is None else shapely.get_parts(row.geometry)
    text = f"closes {row.valve_count:g} valves, names {len(names)} and places {len(points)}"
    tally.holds(len(points) == row.valve_count, row.run_id, text)
    if _in_order(row):
        tally.holds(len(names) == len(points), row.run_id, f"{text}, in one order")
    if alike:
        tally.skip("names of valves to close: several valves have one, or they hold commas")
        return
    tally.holds(len(names) == row.valve_count, row.run_id, text)
    twice = sorted(name for name, count in Counter(names).items() if count > 1)
    tally.holds(not twice, row.run_id, f"closes {', '.join(twice)} twice")


def _numbers(tally: Tally, row: Any) -> None:
    """Check that the numbers of a shutdown make sense, and none is more than all of its kind."""
    for name in COUNTS:
        value = getattr(row, name)
        whole = np.isnan(value) or (value >= 0 and value % 1 == 0)
        tally.holds(whole, row.run_id, f"{name} is {value:g}, no number of things")
    for less, more in (("customers_beyond", "customers"), ("temporary_services", "services")):
        few, many = getattr(row, less), getattr(row, more)
        good = np.isnan(few) or np.isnan(many) or -CLOSE <= few <= many + CLOSE
        tally.holds(good, row.run_id, f"{less} are {few:g}, and {more} {many:g}")
    known = np.isnan(row.customers_beyond) or not np.isnan(row.cut_off_length)
    text = f"customers_beyond are {row.customers_beyond:g}, and what is cut off is not known"
    tally.holds(known, row.run_id, text)


def _served(plan: Plan, tally: Tally, row: Any) -> None:
    """Check that as many services are fed meanwhile as are dug up, or spared, along the run.

    Of a run that one pit opens from end to end the digs are not told.
    """
    if row.run_id not in plan.by("pulls", "run_id"):
        return
    digs = plan.by("local_digs", "run_id").get(row.run_id, [])
    due = sum(dig.kind == "lateral" for dig in digs)
    tally.near(row.temporary_services, due, row.run_id, "services fed temporarily")


def valves_to_close(plan: Plan) -> Tally:
    """Check that the valves of shutdowns stand where a valve of their name does.

    Valves farther from all runs than the plan holds features are not known, but one it holds by
    the name of the place stands where it does.
    """
    tally = Tally("shutdowns")
    known = [row for row in plan.rows(CONTEXT) if row.layer == "valves"]
    reach = plan.setting("output.context") - AT
    runs = plan.once("lines of runs", lambda: shapely.STRtree(plan.table("runs")["geometry"]))
    tree, held_by = shapely.STRtree([row.geometry for row in known]), {k.feature for k in known}
    for row in plan.rows("shutdowns"):
        parts = [] if row.geometry is None else shapely.get_parts(row.geometry)
        ordered = _in_order(row)
        for point, names in zip(parts, _names_at(row, len(parts)), strict=True):
            near = tree.query(point, predicate="dwithin", distance=AT).tolist()
            held = reach > 0 and len(runs.query(point, predicate="dwithin", distance=reach))
            if not near and not held and not (ordered and names in held_by):
                tally.skip("valves to close farther from the runs than the plan holds valves")
                continue
            named = any(f",{known[k].feature}," in f",{names}," for k in near)
            where = f"{point.x:.1f}, {point.y:.1f}"
            tally.holds(named, row.run_id, f"no valve of those it closes stands at {where}")
    return tally


def _names_at(row: Any, places: int) -> list[str]:
    """Return the name of the valve at each place of a shutdown; all where no order is stated."""
    names = row.valves.split(",")
    return names if _in_order(row) and len(names) == places else [row.valves] * places


def _in_order(row: Any) -> bool:
    """Say whether the plan says that places stand in the order of the names."""
    return not pd.isna(row.valves_in_order) and bool(row.valves_in_order)


RULES = (
    Rule("shutdowns", "each run has its shutdown, with numbers that agree", shutdowns),
    Rule("valves-to-close", "valves to close stand where they are said to", valves_to_close),
)
