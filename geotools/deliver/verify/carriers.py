"""The carrier of every run, from its name, and what follows from it."""

from __future__ import annotations

import re
from typing import Any

from geotools.deliver.verify.formulas import Pipe, metric_wall
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import Tally
from geotools.pipe.names import MATERIALS
from geotools.units import parse_quantity

__all__ = ["carriers", "pipe_of"]

_METRIC = re.compile(r"(\d+(?:\.\d+)? mm) SDR (\d+(?:\.\d+)?) ([\w-]+)\Z")
_INCH = re.compile(r"(\d+(?:\.\d+)? in) \w+ DR (\d+(?:\.\d+)?) (\w+)\Z")


def _own(plan: Plan, name: str) -> Pipe | None:
    """Return a pipe of the user's own: name; material; outside; wall."""
    for text in plan.setting("carrier.own"):
        parts = [part.strip() for part in text.split(";")]
        if len(parts) == 4 and parts[0] == name:
            outside, wall = (parse_quantity(part, "length") for part in parts[2:])
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
    metric, inch = _METRIC.match(run.carrier), _INCH.match(run.carrier)
    found, told = metric or inch, _told(plan, run)
    if found is None or told is None or found[3] not in MATERIALS:
        return None
    outside, ratio = float(told.outside), float(found[2])
    if not outside > 0:
        return None
    try:
        wall = metric_wall(outside, ratio) if metric else outside / ratio
    except KeyError:
        return None
    return Pipe(run.carrier, found[3], ratio, outside, wall)


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
