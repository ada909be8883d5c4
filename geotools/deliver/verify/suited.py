"""Whether the carriers of every run suit it: clearance, pressure, groundwater, flow and wishes.

What a plan does not tell is taken from what follows from it: the working pressure from the test
pressure, the groundwater from the deepest station, the flow from the velocity. Where that leaves a
range, only what breaks a rule, or keeps it, all over the range is held against what is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from geotools.deliver.verify.carriers import pipe_named, pipe_of
from geotools.deliver.verify.formulas import Pipe
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.ratings import (
    allowed_outside,
    groundwater,
    head_loss,
    pressure_share,
    rated_in,
    test_limit,
    velocity,
)
from geotools.deliver.verify.tally import Rule, Tally
from geotools.lists import as_spelled
from geotools.pipe.catalogue import Carrier, contenders
from geotools.pipe.pressure import highest_temperature_c
from geotools.schema import NAMESAKE
from geotools.units import parse_quantity

__all__ = ["HAIR", "RULES", "SAYS", "tested", "told_of"]

SPELLED = 1e-5  # share; sizes that differ by no more are one size in several units
HAIR = 1e-6  # share by which a limit is passed or kept without doubt
# The rules in the order they are asked, and what a finding on a fixed carrier says of each.
SAYS = {
    "fit": ("does not clear the bore",),
    "pressure": ("does not hold working pressure",),
    "collapse": ("does not stand the groundwater",),
    "flow": ("does not carry the design flow", "keeps too little of the host's capacity"),
}
BY_NAME_ONLY = "PVC-U"  # seldom made for fusing: chosen where it is asked for
Shares = dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Asked:
    """What a run asks of a carrier, as far as the plan tells.

    Attributes
    ----------
    bore : float
        Low bore of the host, m.
    working : (float, float)
        Least and greatest working pressure, Pa.
    water : (float, float)
        Least and greatest pressure of groundwater, Pa.
    flowing : bool
        A design flow is on record.
    flow : float
        The design flow, m3/s; NaN where it is not on record, or not told.
    """

    bore: float
    working: tuple[float, float]
    water: tuple[float, float]
    flowing: bool
    flow: float


def told_of(plan: Plan, rule: str) -> set[str]:
    """Return the runs a finding names, of those that name several at once."""

    def make() -> set[str]:
        rows = [row for row in plan.rows("findings") if row.rule == rule]
        return {name for row in rows for name in row.feature.split(",")}

    return plan.once(f"told of {rule}", make)


def _asked(plan: Plan, run: Any) -> Asked:
    flowing = run.run_id not in told_of(plan, "no-design-flow")
    pipe, flow = pipe_of(plan, run), math.nan
    if flowing and pipe is not None:
        flow = max(run.velocity, 0.0) * math.pi / 4.0 * pipe.bore**2
    return Asked(run.host_bore, _working(plan, run), _water(plan, run), flowing, flow)


def _working(plan: Plan, run: Any) -> tuple[float, float]:
    """Return the least and greatest working pressure of a run, Pa.

    That assumed where none is on record; else the test pressure at the run's lowest point over
    its factor, which is the least where the pipe's own limit governs the test.
    """
    if run.run_id in told_of(plan, "assumed-pressure"):
        return (plan.setting("service.working_pressure"),) * 2
    pipe = pipe_of(plan, run) if run.status == "planned" else None
    low, high = tested(plan, run)
    if pipe is None or not low > 0:
        return 0.0, math.inf
    factor = plan.setting("service.test_factor")
    governed = high >= test_limit(plan, pipe) * (1 - HAIR)
    return _over(low, factor), math.inf if governed else _over(high, factor)


def tested(plan: Plan, run: Any) -> tuple[float, float]:
    """Return the least and greatest test pressure at the lowest point of a run, Pa.

    Its sections stand under one water, as another rule checks. Without stations the lowest point
    is not known, only that it is no higher than that of any section.
    """
    rows = plan.by("sections", "run_id").get(run.run_id, [])
    rows = [row for row in rows if row.test_pressure > 0]
    stations = _stations(plan, run)
    levels = [s.axis_z for s in stations] + [row.low_z for row in rows]
    lowest = min((z for z in levels if not math.isnan(z)), default=math.nan)
    there = [
        row.test_pressure + (0.0 if math.isnan(row.low_z) else groundwater(row.low_z - lowest))
        for row in rows
    ]
    known = bool(stations) or math.isnan(lowest)
    return min(there, default=0.0), max(there) if there and known else math.inf


def _stations(plan: Plan, run: Any) -> list[Any]:
    if "stations" not in plan.tables:
        return []
    return plan.by("stations", "run_id", "chainage").get(run.run_id, [])


def _water(plan: Plan, run: Any) -> tuple[float, float]:
    """Return the least and greatest pressure of groundwater on the deepest invert, Pa."""
    stations = _stations(plan, run)
    if not stations:
        return 0.0, math.inf
    deepest = max((s.depth for s in stations if not math.isnan(s.depth)), default=0.0)
    water = groundwater(max(deepest - plan.setting("service.water_table"), 0.0))
    return water, water


def _over(value: float, limit: float) -> float:
    """Return a share of a limit; a limit of nothing is passed by anything."""
    return value / limit if limit > 0 else math.inf


def _shares(plan: Plan, asked: Asked, pipe: Pipe, ratio: float) -> Shares:
    """Return for each rule how much of its limit a pipe takes, at least and at most."""
    room, rated = allowed_outside(plan, asked.bore), rated_in(plan, pipe)
    wide = pipe.outside + 2.0 * plan.setting("carrier.bead_height")
    fits = _over(wide, room)
    low, high = map(pressure_share, (rated, rated), asked.working, _stopped(asked, pipe))
    least, most = (_over(water, rated.stands) for water in asked.water)
    return {
        "fit": (fits, fits),
        "flow": _flow(plan, asked, pipe, ratio),
        "pressure": (low, high),
        "collapse": (least, most),
    }


def _stopped(asked: Asked, pipe: Pipe) -> tuple[float, float]:
    """Return the least and greatest velocity at the design flow, m/s, which may stop at once."""
    if not asked.flowing:
        return 0.0, 0.0
    if math.isnan(asked.flow):
        return 0.0, math.inf
    return (velocity(asked.flow, pipe.bore),) * 2


def _flow(plan: Plan, asked: Asked, pipe: Pipe, ratio: float) -> tuple[float, float]:
    """Return the share of velocity and gradient at the design flow, or of the capacity to keep."""
    if not asked.flowing:
        share = _over(plan.setting("service.least_capacity"), ratio)
        return share, share
    if math.isnan(asked.flow):
        return 0.0, math.inf
    share = max(
        _over(velocity(asked.flow, pipe.bore), plan.setting("service.max_velocity")),
        _over(head_loss(asked.flow, pipe.bore, 1.0), plan.setting("service.max_gradient")),
    )
    return share, share


def _broken(shares: Shares) -> list[str]:
    """Return the rules broken without doubt."""
    return [rule for rule, (least, _) in shares.items() if least > 1 + HAIR]


def _kept(shares: Shares) -> list[str]:
    """Return the rules kept without doubt."""
    return [rule for rule, (_, most) in shares.items() if most < 1 - HAIR]


def suited(plan: Plan) -> Tally:
    """Check that carriers chosen and tried keep every rule, and those refused break theirs."""
    tally = Tally("alternatives")
    if "stations" not in plan.tables:
        tally.skip("groundwater on the carriers: the plan was written without stations")
    fixed = _fixed(plan)
    for run in plan.rows("runs"):
        rows = plan.by("alternatives", "run_id").get(run.run_id, [])
        asked = _asked(plan, run)
        _left_open(plan, tally, run, asked)
        for row in rows:
            pipe = pipe_named(plan, row.carrier, row.outside)
            if not tally.holds(pipe is not None, run.run_id, f"{row.carrier!r} is no pipe"):
                continue
            shares = _shares(plan, asked, pipe, row.capacity_ratio)  # type: ignore[arg-type]
            _judged(tally, row, shares, fixed.get(run.run_id) == row.carrier)
            if row.outcome == "chosen" and fixed.get(run.run_id) == row.carrier:
                _fixed_told(plan, tally, run, shares)
    return tally


def _left_open(plan: Plan, tally: Tally, run: Any, asked: Asked) -> None:
    """Say what of a run the plan does not tell."""
    if run.status != "planned":
        tally.skip("pressures of runs without a plan, and flows of those without a carrier")
    elif asked.working[1] == math.inf:
        tally.skip(
            "highest working pressure of runs tested at the limit of their pipe: the plan does "
            "not hold it"
        )


def _judged(tally: Tally, row: Any, shares: Shares, fixed: bool) -> None:
    """Hold what is told of one carrier against the rules it breaks and keeps."""
    broken, kept = _broken(shares), _kept(shares)
    if row.outcome == "refused":
        asked = list(shares)
        good = row.refused_by in asked and row.refused_by not in kept
        tally.holds(good, row.run_id, f"{row.carrier} is refused by {row.refused_by}, and keeps it")
        if good:
            before = [r for r in broken if asked.index(r) < asked.index(row.refused_by)]
            tally.holds(
                not before,
                row.run_id,
                f"{row.carrier} is refused by {row.refused_by}, and breaks {', '.join(before)}",
            )
    elif not fixed or row.outcome == "not_tried":
        text = f"{row.carrier} is {row.outcome}, and breaks the rule: {', '.join(broken)}"
        tally.holds(not broken, row.run_id, text)


def _fixed_told(plan: Plan, tally: Tally, run: Any, shares: Shares) -> None:
    """Check that a finding says which rules a fixed carrier breaks, and no others."""
    texts = plan.once("fixed carriers told", lambda: _texts(plan, "fixed-carrier"))
    text = texts.get(run.run_id, "")
    broken, kept = _broken(shares), _kept(shares)
    for rule, words in SAYS.items():
        said = any(word in text for word in words)
        if rule in broken:
            tally.holds(
                said, run.run_id, f"its fixed carrier breaks {rule}, and no finding says so"
            )
        if rule in kept:
            tally.holds(not said, run.run_id, f"its fixed carrier is said to break {rule}")


def _texts(plan: Plan, rule: str) -> dict[str, str]:
    return {row.feature: row.text for row in plan.rows("findings") if row.rule == rule}


def _names(run: Any) -> Iterator[str]:
    """Yield the mains of a run, and the wholes of those cut into parts."""
    for main in run.main_ids.split(","):
        yield main
        whole, _, part = main.rpartition("/")
        if whole and part.isdigit():
            yield whole


def _fixed(plan: Plan) -> dict[str, str]:
    """Return the pipe fixed for each run: by its name or a main's, or the only one wished for."""
    runs = plan.rows("runs")
    wanted = _wanted(plan)
    out = {run.run_id: next(iter(wanted)) for run in runs} if len(wanted) == 1 else {}
    owners: dict[str, dict[str, None]] = {}
    wishes = [text.rpartition("=") for text in plan.setting("carrier.fixed")]
    if wishes:
        for run in runs:
            for name in (run.run_id, *_names(run)):
                owners.setdefault(name, {})[run.run_id] = None
    ids = {run.run_id for run in runs}
    mains = {main for run in runs for main in run.main_ids.split(",")} if wishes else set()
    others = {n for n, text in _texts(plan, NAMESAKE).items() if text.startswith("carrier.fixed")}
    for owner, _, pipe in wishes:
        name = as_spelled(owner.strip(), owners)
        if name in others and name not in ids:
            continue  # a run elsewhere is meant
        for run_id in [name] if name in ids else owners.get(name, {}):
            run = plan.one("runs", "run_id")[run_id]
            # Of a main and of one cut into parts under one name the main is meant.
            if name in ids or name not in mains or name in run.main_ids.split(","):
                out[run_id] = pipe.strip()
    return out


def _catalogue(plan: Plan) -> dict[str, Carrier]:
    return plan.once("catalogue", lambda: {pipe.name: pipe for pipe in contenders()})


def _own_names(plan: Plan) -> list[str]:
    return [text.partition(";")[0].strip() for text in plan.setting("carrier.own")]


def _wanted(plan: Plan) -> set[str]:
    """Return the names of the pipes the wishes leave: the user's own are always wanted."""
    system, material, ratio, nominal = (
        plan.setting(f"carrier.{name}") for name in ("system", "material", "dr", "nominal")
    )
    size = None if nominal is None else parse_quantity(nominal, "length")
    out = set(_own_names(plan))
    for pipe in _catalogue(plan).values():
        if material is None and pipe.material == BY_NAME_ONLY:
            continue
        meets = system in (None, pipe.system) and material in (None, pipe.material)
        meets &= ratio is None or math.isclose(pipe.dr, ratio, rel_tol=SPELLED)
        if meets and size is not None:
            here = parse_quantity(pipe.nominal, "length")
            meets = math.isclose(here, size, rel_tol=SPELLED)
        if meets:
            out.add(pipe.name)
    return out


def wished(plan: Plan) -> Tally:
    """Check that carriers are those the settings leave, or the one fixed; of what they are made."""
    tally = Tally("alternatives")
    fixed, wanted = _fixed(plan), _wanted(plan)
    water = plan.setting("service.water_temperature")
    for run in plan.rows("runs"):
        only = fixed.get(run.run_id)
        if only is not None and run.status == "planned":
            due = f"its carrier is {run.carrier}, fixed is {only}"
            tally.holds(run.carrier == only, run.run_id, due, layer="runs")
        for row in plan.by("alternatives", "run_id").get(run.run_id, []):
            pipe = pipe_named(plan, row.carrier, row.outside)
            if pipe is None:
                continue  # a fault of another rule
            good = row.carrier in wanted or row.carrier == only
            tally.holds(good, run.run_id, f"{row.carrier} is none the settings leave")
            warm = water <= highest_temperature_c(pipe.material) * (1 + HAIR)
            text = f"{row.carrier}: its class is not known for water so warm"
            tally.holds(warm, run.run_id, text)
            _as_made(plan, tally, row, pipe)
    return tally


def _as_made(plan: Plan, tally: Tally, row: Any, pipe: Pipe) -> None:
    """Check the diameters told of a pipe against the table of its system, and its wall."""
    made = _catalogue(plan).get(row.carrier)
    outside = pipe.outside if made is None else made.outside_m
    tally.near(row.outside, outside, row.run_id, f"outside diameter of {row.carrier}")
    tally.near(row.carrier_bore, pipe.bore, row.run_id, f"bore of {row.carrier}")


def wide_enough(plan: Plan) -> Tally:
    """Check that no run is of a host smaller than those considered."""
    tally = Tally("runs")
    least = plan.setting("network.min_diameter")
    for run in plan.rows("runs"):
        text = f"a host of {run.host_diameter:.4g} m, and the least considered is {least:.4g} m"
        tally.holds(run.host_diameter >= least * (1 - HAIR), run.run_id, text)
    return tally


RULES = (
    Rule("hosts", "hosts are of the least diameter considered or more", wide_enough),
    Rule("wishes", "carriers are those wished for or fixed, as they are made", wished),
    Rule("suited", "carriers keep fit, pressure, groundwater and flow; those refused do not",
         suited),
)  # fmt: skip
