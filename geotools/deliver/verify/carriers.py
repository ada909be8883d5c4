"""The carrier of every run, from its name, and what follows from it."""

from __future__ import annotations

import re
from typing import Any

from geotools.deliver.verify.formulas import Pipe, metric_wall
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import Tally
from geotools.pipe.names import MATERIALS
from geotools.units import parse_quantity

__all__ = ["carriers", "nominal_of", "pipe_named", "pipe_of"]

_METRIC = re.compile(r"(\d+(?:\.\d+)? mm) SDR (\d+(?:\.\d+)?) ([\w-]+)\Z")
_INCH = re.compile(r"(\d+(?:\.\d+)? in) \w+ DR (\d+(?:\.\d+)?) (\w+)\Z")


def _own(plan: Plan, name: str) -> Pipe | None:
    """Return a pipe of the user's own: name; material; outside; wall."""
    for text in plan.setting("carrier.own"):
        parts = [part.strip() for part in text.split(";")]
        if len(parts) == 4 and parts[0] == name:
            outside, wall = (parse_quantity(part, "length") for part in parts[2:])
            if parts[1] not in MATERIALS or not 0 < 2 * wall < outside:
                return None
            return Pipe(name, parts[1], round(outside / wall, 6), outside, wall)
    return None


def _told(plan: Plan, run: Any) -> Any:
    """Return the row of the alternatives that tells of the run's carrier."""
    rows = plan.by("alternatives", "run_id").get(run.run_id, [])
    return next((row for row in rows if row.carrier == run.carrier), None)


def pipe_of(plan: Plan, run: Any) -> Pipe | None:
    """Return the carrier of a run; None where its name says nothing."""
    return plan.once(f"pipe {run.run_id}", lambda: _pipe(plan, run))


def _pipe(plan: Plan, run: Any) -> Pipe | None:
    own = _own(plan, run.carrier)
    if own is not None:
        return own
    told = _told(plan, run)
    return None if told is None else pipe_named(plan, run.carrier, float(told.outside))


def pipe_named(plan: Plan, name: str, outside: float) -> Pipe | None:
    """Return the pipe of a name and outside diameter, m; None where its name says nothing."""
    known: dict[tuple[str, float], Pipe | None] = plan.once("pipes named", dict)
    if (name, outside) not in known:
        known[name, outside] = _own(plan, name) or _in_name(name, outside)
    return known[name, outside]


def _in_name(name: str, outside: float) -> Pipe | None:
    """Return the pipe a name of the catalogue tells of."""
    metric, inch = _METRIC.match(name), _INCH.match(name)
    found = metric or inch
    if found is None or found[3] not in MATERIALS or not outside > 0:
        return None
    ratio = float(found[2])
    if not ratio > 2:  # all wall
        return None
    try:
        wall = metric_wall(outside, ratio) if metric else outside / ratio
    except KeyError:
        return None
    return Pipe(name, found[3], ratio, outside, wall)


def nominal_of(plan: Plan, run: Any) -> float | None:
    """Return the nominal size of a run's carrier, m: of the user's own its outside diameter."""
    own = _own(plan, run.carrier)
    found = _METRIC.match(run.carrier) or _INCH.match(run.carrier)
    if own is not None:
        return own.outside
    return parse_quantity(found[1], "length") if found else None


def carriers(plan: Plan) -> Tally:
    """Check that a carrier is told of, has the bore its wall leaves, and enters the host."""
    tally = Tally("runs")
    bead = plan.setting("carrier.bead_height")
    for run in plan.planned:
        pipe, told = pipe_of(plan, run), _told(plan, run)
        if pipe is None or told is None:
            text = f"carrier {run.carrier!r} is no pipe the alternatives tell of"
            tally.holds(False, run.run_id, text)
            continue
        tally.holds(
            told.outcome == "chosen",
            run.run_id,
            f"carrier {run.carrier} is {told.outcome or 'nothing'} among the alternatives",
        )
        tally.near(told.carrier_bore, pipe.bore, run.run_id, "bore of the carrier")
        tally.holds(
            pipe.outside + 2 * bead < run.host_bore,
            run.run_id,
            f"a carrier of {pipe.outside:.4g} m does not enter a bore of {run.host_bore:.4g} m",
        )
        metric = _METRIC.match(run.carrier)
        if metric is not None:  # a metric pipe is named by its outside diameter
            size = parse_quantity(metric[1], "length")
            tally.near(told.outside, size, run.run_id, "outside diameter of the carrier")
    return tally
