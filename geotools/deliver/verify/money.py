"""Quantities, rates and cost: from the layers and the settings, and added up."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from itertools import accumulate
from typing import Any

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.coverage import opened
from geotools.deliver.verify.formulas import pieces
from geotools.deliver.verify.grouting import PORTS, UNGROUTED, ports_of
from geotools.deliver.verify.lanes import lanes_of, streets_of
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.records import honoured_edits
from geotools.deliver.verify.sites import (
    closures_of,
    closures_together,
    led_strings,
    most_closed,
    shored,
)
from geotools.deliver.verify.tally import CLOSE, EXACT, Rule, Tally, Unreadable
from geotools.pipe.factors import HOUR
from geotools.pipe.names import folded
from geotools.schema import DIMENSIONS

__all__ = ["CENT", "RULES", "SETUP", "TESTED", "by_item", "dig_cost", "pipe_price", "testing_cost"]

SETUP = {
    "receiving": "rates.receiving_pit",
    "insertion_ahead": "rates.insertion_pit",
    "insertion_behind": "rates.insertion_pit",
    "insertion_both": "rates.two_way_pit",
}
# Outcomes of carriers in the order they are told in, and those of carriers with a plan.
RANKS = {
    name: rank
    for rank, name in enumerate(
        (
            *("chosen", "without_edits", "outweighed", "dearer", "refuses_edits"),
            *("no_plan", "not_tried", "refused"),
        )
    )
}
PLANNED = ("chosen", "without_edits", "outweighed", "dearer", "refuses_edits")
TIE_IN = 1.0  # m from an end of a run: a main met there is what the run is tied in to
TESTED = "filled, tested and disinfected"  # by the run, and in no pit or pull of it
CENT = 1e-6  # of the currency; sums of costs differ by rounding only
# An item of a pit or pull: quantity and rate in SI, and its dimension or the word it counts in.
Item = tuple[float, float, str]


def pipe_price(plan: Plan, run: Any) -> float:
    """Return the price of a run's carrier per metre."""
    pipe = pipe_of(plan, run)
    if pipe is None:
        raise Unreadable(f"run {run.run_id} has no carrier")
    return float(pipe.mass * plan.setting("rates.pe_pipe" if pipe.plastic else "rates.pvc_pipe"))


def dig_cost(plan: Plan, kind: str) -> float:
    """Return the rate of a dig of a kind."""
    return float(plan.setting("rates.valve" if kind == "valve" else "rates.connection"))


def testing_cost(plan: Plan, run: Any) -> float:
    """Return what filling, testing and disinfecting a run costs, whatever its plan."""
    return float(run.length * plan.setting("rates.testing"))


def _ties_in(plan: Plan, dig: Any) -> bool:
    """Say whether a dig is at a main that its run is tied in to at an end."""
    length = plan.one("runs", "run_id")[dig.run_id].length
    return bool(
        dig.kind == "connection" and min(dig.chainage, length - dig.chainage) <= TIE_IN + CLOSE
    )


def cost_in_pit(plan: Plan, dig: Any) -> float:
    """Return what is left to pay of a dig where a pit lies open over it."""
    if _ties_in(plan, dig):
        return float(plan.setting("rates.end_connection"))
    return float(plan.setting("rates.in_pit_share")) * dig_cost(plan, dig.kind)


def _held(plan: Plan, pit: Any) -> dict[str, Item]:
    """Return what lies in a pit and is remade or fed there, by item."""
    low, high = opened(pit)
    digs = plan.by("local_digs", "run_id").get(pit.run_id, [])
    share = plan.setting("rates.in_pit_share")
    # A place at a run's end, or a pit's edge, is told to the rounding of both.
    own = [d for d in digs if low - CLOSE <= d.chainage <= high + CLOSE]
    tied, valves = sum(_ties_in(plan, d) for d in own), sum(d.kind == "valve" for d in own)
    return {
        "service fed meanwhile": (
            sum(d.kind == "lateral" for d in own),
            plan.setting("rates.temporary_service"),
            "each",
        ),
        "connection remade in the pit": (
            len(own) - valves - tied,
            share * plan.setting("rates.connection"),
            "each",
        ),
        "line valve cut out and replaced in the pit": (
            valves,
            share * plan.setting("rates.valve"),
            "each",
        ),
        **_at_the_end(plan, tied),
    }


def _at_the_end(plan: Plan, tied: int) -> dict[str, Item]:
    """Return what a run is tied in to in a pit at its end; no item where that has no rate."""
    rate = float(plan.setting("rates.end_connection"))
    return {"main at the end reconnected": (tied, rate, "each")} if rate > 0 else {}


def _pit_items(plan: Plan, pit: Any, run: Any, area: float) -> dict[str, Item]:
    """Return what a pit is made of, by item; a surcharge has no quantity of its own."""
    along = pit.before + pit.after
    return {
        "pit set up": (1.0, plan.setting(SETUP[pit.role]), "each"),
        "excavation": (pit.volume, plan.setting("rates.excavation"), "volume"),
        "shored face": (shored(plan, pit), plan.setting("rates.support"), "area"),
        "surface made good": (area, plan.setting("rates.restoration"), "area"),
        "laying and bedding in the open": (along, plan.setting("rates.open_laying"), "length"),
        f"carrier in the open, {run.carrier}": (along, pipe_price(plan, run), "length"),
        "ground off the street": (pit.off_street, plan.setting("rates.off_street"), "area"),
        **_at_rate(plan, "carrier tied in or joined", 1.0, "each", "rates.tie_in"),
        **_held(plan, pit),
    }


def _at_rate(plan: Plan, item: str, quantity: float, dimension: str, rate: str) -> dict[str, Item]:
    """Return what is told without a price where its rate is nothing, by the name it then has."""
    each = float(plan.setting(rate))
    if each == 0:
        return {f"{item}, not priced": (quantity, math.nan, dimension)}
    return {item: (quantity, each, dimension)}


def _pull_items(plan: Plan, pull: Any, run: Any) -> dict[str, Item]:
    """Return what a pull is made of, by item."""
    digs = [d for d in plan.by("local_digs", "pull_id").get(pull.pull_id, []) if not d.spared]
    valves = sum(dig.kind == "valve" for dig in digs)
    services = sum(dig.kind == "lateral" for dig in digs)
    cleaned = pull.length if plan.setting("service.host_cleaned") else 0.0
    standstill = plan.setting("pulls.string_joint_hours")
    hour = plan.setting("rates.pulling_hour") * HOUR
    between = pull.strings - 1
    section = plan.one("sections", "pull_id").get(pull.pull_id)
    return {
        "pull set up": (1.0, plan.setting("rates.pull_setup"), "each"),
        f"carrier pulled, {run.carrier}": (pull.length, pipe_price(plan, run), "length"),
        f"carrier in tails, {run.carrier}, not priced": (
            math.nan if section is None else section.leave,
            math.nan,
            "length",
        ),
        "fused joint": (pull.joints, plan.setting("rates.joint"), "each"),
        "string joined on, with standstill": (
            between,
            plan.setting("rates.string_joint") + standstill / HOUR * hour,
            "each",
        ),
        "pulling": (pull.hours - between * standstill / HOUR, hour, "hours"),
        "connection dug up": (len(digs) - valves, plan.setting("rates.connection"), "each"),
        "line valve cut out and replaced": (valves, plan.setting("rates.valve"), "each"),
        "service fed meanwhile": (services, plan.setting("rates.temporary_service"), "each"),
        "host cleaned": (cleaned, plan.setting("rates.cleaning"), "length"),
    }


def _items(tally: Tally, plan: Plan, rows: dict[str, Any], due: dict[str, Item], ref: str) -> None:
    """Hold the rows of one pit or pull against what they should be."""
    for item, (quantity, rate, dimension) in due.items():
        row = rows.get(item)
        if not tally.holds(row is not None, ref, f"there is no item {item}") or row is None:
            continue
        unit, size = plan.unit(dimension) if dimension in DIMENSIONS else (dimension, 1.0)
        tally.holds(row.unit == unit, ref, f"{item} is in {row.unit}, due is {unit}")
        tally.near(row.quantity, quantity / size, ref, f"{item}: quantity")
        tally.near(row.rate, rate * size, ref, f"{item}: rate")


def by_item(plan: Plan, scope: str) -> dict[str, dict[str, Any]]:
    """Return the rows of a scope by what they refer to and their item."""

    def make() -> dict[str, dict[str, Any]]:
        out: dict[str, dict[str, Any]] = {}
        for row in plan.rows("quantities"):
            if row.scope == scope:
                out.setdefault(row.ref, {})[row.item] = row
        return out

    return plan.once(f"items {scope}", make)


def pit_items(plan: Plan) -> Tally:
    """Check every item of every pit against the layers and the rates of the settings."""
    tally = Tally("quantities")
    areas = {row.pit_id: row.area for row in plan.rows("pit_footprints")}
    for pit in plan.rows("pits"):
        if not tally.holds(pit.role in SETUP, pit.pit_id, f"role {pit.role!r} has no rate"):
            continue
        run = plan.one("runs", "run_id").get(pit.run_id)
        if run is None:
            continue
        rows = by_item(plan, "pit").get(pit.pit_id, {})
        due = _pit_items(plan, pit, run, areas.get(pit.pit_id, math.nan))
        _items(tally, plan, rows, due, pit.pit_id)
        _traffic(plan, tally, pit.pit_id, pit, pit.days, rows.get("lane closed for a day"))
        surcharge = rows.get("surcharge of the place")
        tally.holds(
            surcharge is not None and surcharge.cost >= -CENT,
            pit.pit_id,
            "has no surcharge, or one below nothing",
        )
    return tally


def _traffic(plan: Plan, tally: Tally, ref: str, part: Any, days: float, row: Any) -> None:
    """Check lanes times days of a pit or of strings, and their rate by the class of the street."""
    if not tally.holds(row is not None, ref, "has no lane-days"):
        return
    tally.near(row.quantity, part.lanes_taken * days, ref, "lane-days")
    closed = closures_of(plan, ref)
    due = _dearest([_lane_day(plan, one) for one in closures_together(plan, closed)])
    told = ref in led_strings(plan)
    if part.lanes_taken == 0 and not told:
        due = [0.0]
    right = any(abs(row.rate - one) <= EXACT * max(one, 1.0) for one in due)
    if told:
        other = most_closed(plan, closed) != part.lanes_taken or not right or len(due) > 1
        tally.holds(other, ref, "a finding says that other lanes are closed, and these are priced")
        tally.skip("price of lanes that other lanes are closed for, which a finding tells of")
        return
    if not due:
        return  # no lane is closed: a fault of another rule
    tally.holds(right, ref, f"a lane-day costs {row.rate:.2f}, due is {due[0]:.2f}")


def _dearest(prices: list[list[float]]) -> list[float]:
    """Return what the dearest of several streets may cost, of the prices each may have."""
    least = max((min(one) for one in prices), default=0.0)
    return sorted({price for one in prices for price in one if price >= least})


def _lane_day(plan: Plan, halves: list[Any]) -> list[float]:
    """Return what a lane of one street costs a day; both prices where its lanes are not known.

    A half that is closed whole is all of a street that goes one way, or has one lane.
    """
    rates = {}
    for text in plan.setting("rates.lane_day"):
        name, _, cost = text.rpartition("=")
        rates[folded(name)] = float(cost)
    first = halves[0]
    rate = rates.get(folded(first.class_), plan.setting("rates.lane_day_other"))
    whole = rate * plan.setting("rates.full_closure_factor")
    if any(half.lanes_left for half in halves):
        return [rate]
    if len(halves) > 1:
        return [whole]
    streets = [lanes_of(plan, one) for one in streets_of(plan, first.street, first.class_)]
    shut = {
        lanes.count <= first.lanes_closed and (lanes.oneway or lanes.count == 1)
        for lanes in streets
    }
    return [rate, whole] if len(shut) != 1 else [whole] if True in shut else [rate]


def pull_items(plan: Plan) -> Tally:
    """Check every item of every pull against the layers and the rates of the settings."""
    tally = Tally("quantities")
    if plan.setting("pulls.grouted"):
        tally.skip("volume of annuli: the plan does not hold the middle estimate of hosts' bores")
    size = plan.unit("volume")[1]
    for pull in plan.rows("pulls"):
        run = plan.one("runs", "run_id").get(pull.run_id)
        if run is None:
            continue
        rows = by_item(plan, "pull").get(pull.pull_id, {})
        _items(tally, plan, rows, _pull_items(plan, pull, run), pull.pull_id)
        _traffic(
            plan, tally, pull.pull_id, pull, pull.string_days, rows.get("lane closed for a day")
        )
        grout = rows.get("grout")
        if tally.holds(grout is not None, pull.pull_id, "there is no item grout") and grout:
            tally.near(grout.rate, plan.setting("rates.grout") * size, pull.pull_id, "grout: rate")
            section = plan.one("sections", "pull_id").get(pull.pull_id)
            annulus = math.nan if section is None else section.annulus_volume / size
            due = annulus if plan.setting("pulls.grouted") else 0.0
            tally.near(grout.quantity, due, pull.pull_id, "grout: quantity")
        _staged(plan, tally, pull, rows)
    return tally


def _staged(plan: Plan, tally: Tally, pull: Any, rows: dict[str, Any]) -> None:
    """Check what is told of grout that may not be placed at once: its ports, or that it is not."""
    section = plan.one("sections", "pull_id").get(pull.pull_id)
    grouted = plan.setting("pulls.grouted")
    stages = 1.0 if section is None or not grouted else float(section.grout_stages)
    ports = 0.0 if section is None or not grouted else ports_of(plan, section)
    for item, due in ((PORTS, ports), (UNGROUTED, float(stages == 0))):
        found = rows[item].quantity if item in rows else 0.0
        tally.near(found, 0.0 if math.isnan(due) else due, pull.pull_id, item)


def priced(plan: Plan) -> Tally:
    """Check that every cost is quantity times rate; what has no rate has no cost."""
    tally = Tally("quantities")
    for row in plan.rows("quantities"):
        if row.scope == "run" and math.isnan(row.rate) and row.quantity == 0:
            # Nothing of it, or of no price: which of the two, its parts tell (`sums`).
            nothing = math.isnan(row.cost) or row.cost == 0
            tally.holds(nothing, row.ref, f"{row.item}: {row.cost:.2f} for none of it")
            continue
        tally.near(row.cost, row.quantity * row.rate, row.ref, f"{row.item}: cost", least=CENT)
    return tally


def sums(plan: Plan) -> Tally:
    """Check that items add up to pits and pulls, these to runs, and items to those of runs.

    Testing is of a run alone.
    """
    tally = Tally("quantities")
    for scope, layer, key in (("pit", "pits", "pit_id"), ("pull", "pulls", "pull_id")):
        for row in plan.rows(layer):
            ref = getattr(row, key)
            items = [one.cost for one in by_item(plan, scope).get(ref, {}).values()]
            total = math.fsum(cost for cost in items if not math.isnan(cost))
            tally.near(row.cost, total, ref, "cost", least=CENT, layer=layer)
    for run in plan.planned:
        rows = [*plan.by("pits", "run_id").get(run.run_id, []),
                *plan.by("pulls", "run_id").get(run.run_id, [])]  # fmt: skip
        total = math.fsum([*(row.cost for row in rows), testing_cost(plan, run)])
        tally.near(run.cost, total, run.run_id, "cost", least=CENT, layer="runs")
    _items_of_runs(plan, tally)
    return tally


def _items_of_runs(plan: Plan, tally: Tally) -> None:
    """Check the items of every run against those of its pits and pulls."""
    parts: dict[tuple[str, str], list[Any]] = {}
    for row in plan.rows("quantities"):
        if row.scope in ("pit", "pull"):
            parts.setdefault((row.run_id, row.item), []).append(row)
    told = {(r.run_id, r.item): r for r in plan.rows("quantities") if r.scope == "run"}
    for (run_id, item), rows in parts.items():
        row = told.get((run_id, item))
        if not tally.holds(row is not None, run_id, f"no sum of {item}") or row is None:
            continue
        tally.near(row.quantity, math.fsum(r.quantity for r in rows), run_id, f"{item}: sum")
        costs = [r.cost for r in rows if not math.isnan(r.cost)]
        due = math.fsum(costs) if costs else math.nan
        tally.near(row.cost, due, run_id, f"{item}: cost", least=CENT)
        tally.holds(row.unit == rows[0].unit, run_id, f"{item} is summed in {row.unit}")
    ordered = {(r.run_id, item) for r in plan.planned for item in _ordered(plan, r)}
    for run_id, item in set(told) - set(parts) - ordered:
        tally.holds(False, run_id, f"a sum of {item}, and no such item")


def _ordered(plan: Plan, run: Any) -> dict[str, Item]:
    """Return what is told of a run beside the sums of its pits and pulls, by item."""
    piece = plan.setting("pulls.piece_length")
    pits = plan.by("pits", "run_id").get(run.run_id, [])
    tails = {row.pull_id: row.leave for row in plan.by("sections", "run_id").get(run.run_id, [])}
    pulls = plan.by("pulls", "run_id").get(run.run_id, [])
    needed = [pit.before + pit.after for pit in pits]
    needed += [pull.length + tails.get(pull.pull_id, math.nan) for pull in pulls]
    if any(math.isnan(length) for length in needed):
        raise Unreadable(f"lengths of pits, pulls and tails of {run.run_id} are not all told")
    pipes, cut_off = 0, 0.0
    for length in needed:
        count = pieces(length, piece)
        pipes, cut_off = pipes + count, cut_off + max(count * piece - length, 0.0)
    return {
        f"whole pipes to order, {run.carrier}, priced by length": (pipes, math.nan, "each"),
        f"cut off whole pipes, {run.carrier}, not priced": (cut_off, math.nan, "length"),
        **_at_rate(plan, TESTED, run.length, "length", "rates.testing"),
    }


def orders(plan: Plan) -> Tally:
    """Check the pipes every run is ordered of, what is cut off them, and the length to test."""
    tally = Tally("quantities")
    for run in plan.planned:
        rows = by_item(plan, "run").get(run.run_id, {})
        _items(tally, plan, rows, _ordered(plan, run), run.run_id)
    return tally


def digs_priced(plan: Plan) -> Tally:
    """Check the cost of every dig: the rate of its kind, a share of it where a pit spares it."""
    tally = Tally("local_digs")
    for dig in plan.rows("local_digs"):
        due = cost_in_pit(plan, dig) if dig.spared else dig_cost(plan, dig.kind)
        tally.near(dig.cost, due, dig.dig_id, "cost")
    return tally


class _Remade:
    """What is remade along a run, and what it costs in a pit."""

    def __init__(self, plan: Plan, digs: list[Any]) -> None:
        order = sorted(digs, key=lambda dig: dig.chainage)
        self.at = [dig.chainage for dig in order]
        self.total = [0.0, *accumulate(cost_in_pit(plan, dig) for dig in order)]

    def between(self, low: float, high: float) -> float:
        """Return the cost of what lies from one chainage to another, m."""
        first, last = bisect_left(self.at, low), bisect_right(self.at, high)
        return self.total[max(first, last)] - self.total[first]


def candidates_priced(plan: Plan) -> Tally:
    """Check the price of every candidate, also of those where no pit is: no less than it must be.

    That is setting the pit up, the carrier laid in the host it opens, its pipe, tying it in or
    joining it, and remaking what lies there; a soft place only makes it dearer.
    """
    tally = Tally("candidates")
    laying, runs = plan.setting("rates.open_laying"), plan.one("runs", "run_id")
    joined = plan.setting("rates.tie_in")
    set_up = {role: plan.setting(rate) + joined for role, rate in SETUP.items()}
    remade = {name: _Remade(plan, digs) for name, digs in plan.by("local_digs", "run_id").items()}
    for place in plan.rows("candidates"):
        run = runs.get(place.run_id)
        if run is None:
            continue
        known = pipe_of(plan, run) is not None
        per_metre = laying + (pipe_price(plan, run) if known else 0.0)
        for role, least in set_up.items():
            cost = getattr(place, f"cost_{role}")
            if math.isnan(cost):
                continue
            before, after = (getattr(place, f"{side}_{role}") for side in ("before", "after"))
            opens = min(before, place.chainage) + min(after, run.length - place.chainage)
            least += per_metre * opens
            if place.run_id in remade:
                low, high = place.chainage - before, place.chainage + after
                least += remade[place.run_id].between(low + CLOSE, high - CLOSE)
            tally.holds(
                opens > 0 and cost >= least - CLOSE,
                place.candidate_id,
                f"as {role} opens {opens:.3f} m for {cost:.2f}",
            )
    return tally


def alternatives(plan: Plan) -> Tally:
    """Check that the carrier chosen is the plan's, and none tried is better than it may be.

    One that refuses an edit may be: then the carrier chosen honours one.
    """
    tally = Tally("alternatives")
    edited = {edit[0] for edit in honoured_edits(plan)}
    weighed = plan.setting("objective.per_lane_day")
    if weighed:
        tally.skip("whether a better carrier was left out: the plan does not hold their lane-days")
    for run in plan.planned:
        rows = plan.by("alternatives", "run_id").get(run.run_id, [])
        if not weighed:
            _beaten(plan, tally, run, rows)
        for row in rows:
            if row.outcome == "chosen":
                tally.holds(row.carrier == run.carrier, run.run_id, "another carrier is chosen")
                for name in ("cost", "pit_count", "pull_count", "longest_pull", "capacity_ratio"):
                    tally.near(getattr(row, name), getattr(run, name), run.run_id, name)
            if row.outcome in ("outweighed", "dearer"):
                cheaper = row.cost < run.cost * (1 - EXACT)
                dearer = row.cost > run.cost * (1 + EXACT)
                wrong = cheaper if row.outcome == "dearer" else dearer
                tally.holds(not wrong, run.run_id, f"{row.carrier} is {row.outcome}, and is not")
            if row.outcome == "refuses_edits":
                lost = f"{row.carrier} lost for the edits, and the plan honours none"
                tally.holds(run.run_id in edited, run.run_id, lost)
            if row.outcome == "refused":
                tally.holds(row.refused_by, run.run_id, f"{row.carrier} is refused by no rule")
    for row in plan.rows("alternatives"):
        _figures(tally, row)
    _ranked(plan, tally)
    return tally


def _figures(tally: Tally, row: Any) -> None:
    """Check what is told of one alternative: figures of a plan where it has one, and no others."""
    named = f"{row.carrier or 'a carrier without a name'} ({row.outcome})"
    planned = row.outcome in PLANNED
    figures = {name: getattr(row, name) for name in ("cost", "pit_count", "pull_count")}
    for name, value in figures.items():
        if planned:
            good = math.isfinite(value) and value >= 0
            tally.holds(good, row.run_id, f"{named} has a plan, and its {name} is {value:g}")
    if not planned:
        tally.holds(math.isnan(row.cost), row.run_id, f"{named} has no plan, and yet a cost")
    elif row.pull_count >= 0:
        tally.near(row.pit_count, row.pull_count + 1, row.run_id, f"pits of {named}")
    tally.holds(row.reason, row.run_id, f"{named} does not say why")
    tally.holds(
        bool(row.refused_by) == (row.outcome == "refused"),
        row.run_id,
        f"{named} is refused by {row.refused_by or 'no rule'}",
    )
    tally.holds(
        0 < row.carrier_bore < row.outside,
        row.run_id,
        f"{named}: a bore of {row.carrier_bore:g} m in {row.outside:g} m outside",
    )


def _ranked(plan: Plan, tally: Tally) -> None:
    """Check that the alternatives of a run stand in the order of their outcomes, then by cost."""
    for run_id, rows in plan.by("alternatives", "run_id").items():
        told = [
            (RANKS.get(row.outcome, len(RANKS)), math.inf if math.isnan(row.cost) else row.cost)
            for row in rows
        ]
        tally.holds(told == sorted(told), run_id, "its alternatives are not in their order")


def _beaten(plan: Plan, tally: Tally, run: Any, rows: list[Any]) -> None:
    """Check that no carrier tried beats the chosen one by more than a larger bore is worth.

    The best costs least, pits at what the objective adds for each. Of those that cost little more
    the chosen one has the largest bore.
    """
    most = 1 + plan.setting("carrier.larger_for")
    each = plan.setting("objective.per_pit")

    def worth(row: Any) -> float:
        return float(row.cost + each * row.pit_count)

    rivals = [row for row in rows if row.outcome in ("outweighed", "dearer")]
    best = min([run, *rivals], key=worth)
    tally.holds(
        run.cost <= most * best.cost * (1 + EXACT)
        and worth(run) <= most * worth(best) * (1 + EXACT),
        run.run_id,
        f"costs {run.cost:.2f} with {run.pit_count:g} pits, and {best.carrier} {best.cost:.2f} "
        f"with {best.pit_count:g}",
    )
    chosen = next((row for row in rows if row.outcome == "chosen"), None)
    if chosen is None or most <= 1:
        return
    near = [row for row in rivals if row.cost <= most * best.cost * (1 - EXACT)]
    for row in (row for row in near if worth(row) <= most * worth(best) * (1 - EXACT)):
        tally.holds(
            row.carrier_bore <= chosen.carrier_bore * (1 + EXACT),
            run.run_id,
            f"{row.carrier} has the larger bore and costs {row.cost:.2f}, little above the best",
        )


RULES = (
    Rule("pit-items", "quantities and rates of the pits", pit_items),
    Rule("pull-items", "quantities and rates of the pulls", pull_items),
    Rule("costs", "a cost is quantity times rate", priced),
    Rule("sums", "items add up to pits and pulls, these, with testing, to runs", sums),
    Rule("orders", "pipes ordered are whole, and make up pits, pulls and tails", orders),
    Rule("candidates-priced", "candidates cost what they must at least", candidates_priced),
    Rule("dig-costs", "digs cost the rate of their kind, a share of it in a pit", digs_priced),
    Rule(
        "alternatives", "the carrier chosen is the plan's, and the cheapest allowed", alternatives
    ),
)
