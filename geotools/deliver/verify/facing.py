"""Closures and the traffic that comes to them: which way it goes along the street as drawn."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.drawn import Edge, edge_of
from geotools.deliver.verify.lanes import streets_of
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.surroundings import of_context
from geotools.deliver.verify.tally import Rule, Tally

__all__ = ["RULES"]

SIDES = ("along", "against")
REACH = 0.5  # m before and behind a place that tell how a street, or an edge, runs there
BESIDE = math.cos(math.radians(45.0))  # cosine between an edge and the street it is the edge of
CORNER = 5.0  # m; so near to where two streets meet either may be the one


def sides(plan: Plan) -> Tally:
    """Check the side of every closure: traffic comes to its taper first, and goes on past its pit.

    The street as drawn is looked at beside the middle of the work.
    """
    tally = Tally("closures")
    of_context(plan, "streets")
    for row in plan.rows("closures"):
        if not tally.holds(row.side in SIDES, row.closure_id, f"side is {row.side or 'not told'}"):
            continue
        edge = edge_of(plan, row)
        ways = set() if edge is None else _ways(plan, row, edge)
        if not ways:
            tally.skip("sides of closures in streets that are not in the plan, or folded over")
            continue
        tally.holds(
            row.side in ways,
            row.closure_id,
            f"is said to face the traffic {row.side} its street, and is drawn for the other",
        )
    return tally


def _ways(plan: Plan, row: Any, edge: Edge) -> set[str]:
    """Return which way traffic goes by a closure, along its street as drawn or against it.

    Both where streets drawn in two directions meet there.
    """
    if math.isnan(row.downstream_taper + row.work_length):
        return set()
    length = edge.line.length
    at = min(row.downstream_taper + row.work_length / 2, max(length - REACH, length / 2))
    place = shapely.line_interpolate_point(edge.line, at)
    streets = [s for s in streets_of(plan, row.street, row.class_) if shapely.length(s.geometry)]
    if not streets:
        return set()
    gaps = np.array([shapely.distance(street.geometry, place) for street in streets])
    if gaps.min() > 2 * edge.half:
        return set()
    traffic = -_heading(edge.line, at)
    near = (streets[k] for k in np.flatnonzero(gaps <= gaps.min() + CORNER))
    turns = [float(_drawn(street.geometry, place) @ traffic) for street in near]
    return {SIDES[int(turn < 0)] for turn in turns if abs(turn) > BESIDE}


def _drawn(shape: Any, place: Any) -> npt.NDArray[np.float64]:
    """Return the unit vector along the part of a street that is nearest to a place, as drawn."""
    parts = shapely.get_parts(shapely.force_2d(shape))
    line = parts[np.argmin(shapely.distance(parts, place))]
    return _heading(line, float(shapely.line_locate_point(line, place)))


def _heading(line: Any, at: float) -> npt.NDArray[np.float64]:
    ways = np.clip([at - REACH, at + REACH], 0.0, shapely.length(line))
    one, two = shapely.get_coordinates(shapely.line_interpolate_point(line, ways))
    return np.asarray((two - one) / np.hypot(*(two - one)), dtype=np.float64)


RULES = (Rule("closures-face", "closures face the traffic they are said to face", sides),)
