"""Fittings and valves on record that lie on planned runs: each has its bend, each its dig.

Only points of which nothing is in doubt are held against the plan: drawn on the line of a planned
run, away from its ends and from every other main.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.plan import CONTEXT, GEOMETRY, Plan, of_context
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.valves import valve_kind

__all__ = ["RULES"]

ON_LINE = 0.05  # m; a point drawn this near to a line is drawn on it
ALONE = 0.5  # m; with another main this near, the point may be that one's
BESIDE = 1.0  # m; what is tapped off the main this near to each other is dug up as one
FROM_END = 1.0  # m; nearer to the end of a run a point may be that of what goes on there
# A line turns at a point for sure if the ways so many times the survey accuracy before and behind
# it differ by more than that accuracy makes (23 deg), and some bends too slight to be one.
STEADY, WIGGLE, SLIGHT_ONES = 10.0, math.radians(25.0), 5
BEND = re.compile(r"bend|elbow")  # of these kinds nothing is in doubt; common practice, no source


def bends_on_record(plan: Plan) -> Tally:
    """Check that a fitting with an angle, on a planned run, has a bend of that run near.

    A bend gathers what turns within ``bends.gather`` host diameters of each other, and a fitting
    stands for a vertex within that and twice the survey accuracy. One with less on record than a
    bend turns, or nothing, has a bend if the line of the run turns there.
    """
    tally = Tally("bends")
    least, gather = plan.setting("bends.least_angle"), plan.setting("bends.gather")
    slack = 2 * plan.setting("ground.survey_accuracy") + ON_LINE
    other_size = {
        row.feature for row in plan.rows("findings") if row.rule == "fitting-of-other-size"
    }
    rows = [
        row
        for row in of_context(plan, "fittings")
        if BEND.search(row.kind.casefold()) and row.feature not in other_size
    ]
    tally.skip(
        "bends that only the drawing shows, away from fittings: the file does not tell how it was "
        "thinned"
    )
    for row, run, at in _on_runs(plan, rows):
        near = 2 * (gather * run.host_diameter + slack)
        way = max(near, STEADY * plan.setting("ground.survey_accuracy"))
        if not row.angle >= least + CLOSE:
            turn = _turn(shapely.line_merge(shapely.force_2d(run.geometry)), at, way)
            if turn <= WIGGLE + SLIGHT_ONES * least:
                continue
            near = way
        bends = plan.by("bends", "run_id").get(run.run_id, [])
        tally.holds(
            any(bend.start - near <= at <= bend.start + bend.span + near for bend in bends),
            run.run_id,
            f"fitting {row.feature} is on record with {math.degrees(row.angle):.2f} deg at "
            f"{at:.2f} m, and no bend lies within {near:.2f} m",
        )
    return tally


def valves_dug(plan: Plan) -> Tally:
    """Check that a valve on a planned run is told as dug: cut out, or spared by a pit there.

    One that is tapped off the main may share the dig of another branch beside it.
    """
    tally = Tally("local_digs")
    for name in ("laterals", "hydrants"):
        if any(row.layer == name for row in plan.rows("inputs")):
            tally.skip(f"digs at {name}: the plan does not tell which main each is tapped off")
    rows = [row for row in of_context(plan, "valves") if valve_kind(row.kind)]
    digs = plan.by("local_digs", "run_id")
    for row, run, at in _on_runs(plan, rows):
        tapped = valve_kind(row.kind) == "tapped"
        near = ON_LINE + (BESIDE if tapped else 0.0)
        tally.holds(
            any(
                (dig.kind == "valve") != tapped and abs(dig.chainage - at) <= near
                for dig in digs.get(run.run_id, [])
            ),
            run.run_id,
            f"valve {row.feature} lies on the run at {at:.2f} m, and no dig is told there",
        )
    return tally


def _on_runs(plan: Plan, rows: list[Any]) -> list[tuple[Any, Any, float]]:
    """Return the points that are surely on one planned run: row, run, chainage (m)."""
    runs = plan.rows("runs")
    rows = [row for row in rows if _is_point(row.geometry)]
    if not rows or not runs:
        return []
    lines = [shapely.line_merge(shapely.force_2d(run.geometry)) for run in runs]
    points = np.array([row.geometry for row in rows], dtype=object)
    point, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=ALONE)
    counts = np.bincount(point, minlength=len(rows))
    foreign = _beside_other_mains(plan, points)
    out = []
    for k, of in zip(point.tolist(), line.tolist(), strict=True):
        run, axis = runs[of], lines[of]
        if counts[k] > 1 or foreign[k] or run.status != "planned" or not axis.is_simple:
            continue
        at = float(shapely.line_locate_point(axis, points[k]))
        inside = FROM_END < at < float(axis.length) - FROM_END
        if axis.geom_type == "LineString" and inside and axis.distance(points[k]) <= ON_LINE:
            out.append((rows[k], run, at))
    return out


def _turn(axis: Any, at: float, way: float) -> float:
    """Return how far a line turns at a place, rad, by the ways to it and on from it, 0 at ends."""
    if not way <= at <= float(axis.length) - way:
        return 0.0
    points = shapely.line_interpolate_point(axis, [at - way, at, at + way])
    (ax, ay), (bx, by) = np.diff(shapely.get_coordinates(points), axis=0)
    return float(abs(math.atan2(ax * by - ay * bx, ax * bx + ay * by)))


def _is_point(shape: Any) -> bool:
    return shape is not None and shape.geom_type == "Point" and not shape.is_empty


def _beside_other_mains(plan: Plan, points: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Return which points have a main near that belongs to no run."""
    ours = {name for run in plan.rows("runs") for name in run.main_ids.split(",")}
    table = plan.table(CONTEXT)
    other = (table["layer"] == "mains") & ~table["feature"].isin(list(ours))
    shapes = table.loc[other, GEOMETRY].to_numpy(dtype=object)
    near = shapely.STRtree(shapes).query(points, predicate="dwithin", distance=ALONE)[0]
    found = np.zeros(len(points), dtype=bool)
    found[near] = True
    return found


RULES = (
    Rule("bends-recorded", "fittings with an angle on a run have a bend there", bends_on_record),
    Rule("valves-dug", "line valves on a run have a dig, or lie in a pit", valves_dug),
)
