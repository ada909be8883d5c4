"""Closures and the traffic that comes to them: which way it goes along the street as drawn."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.edges import Edge, edge_of
from geotools.deliver.verify.lanes import streets_of
from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["BESIDE", "RULES", "SIDES", "abreast", "drawn", "heading", "middle"]

SIDES = ("along", "against")
REACH = 0.5  # m before and behind a place that tell how a street, or an edge, runs there
ASIDE = math.radians(45.0)
BESIDE = math.cos(ASIDE)  # cosine between an edge and the street it is the edge of
CORNER = 5.0  # m; of two streets so much farther off than the nearer either may be the one
JOINT = 2.0  # m along a street; so near to where two features of it meet either may be the one
STEP = 2.0  # m between places looked at where the middle of the work may lie


def sides(plan: Plan) -> Tally:
    """Check the side of every closure: traffic comes to its taper first, and goes on past its pit.

    The street as drawn is looked at beside the middle of the work. Where features drawn in
    opposite directions meet there, whatever their names, it cannot be told which is the one.
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
        elif len(ways) > 1:
            tally.skip("sides of closures where streets drawn in opposite directions meet")
        else:
            tally.holds(
                row.side in ways,
                row.closure_id,
                f"is said to face the traffic {row.side} its street, and is drawn for the other",
            )
    return tally


def _ways(plan: Plan, row: Any, edge: Edge) -> set[str]:
    """Return which way traffic goes by a closure, along its street as drawn or against it.

    Both where streets drawn in two directions meet there; none where it cannot be told. Where a
    street is shut nothing is drawn past the work, and at a corner there the one street of it may
    have no more than the end of an edge: it may be either.
    """
    if math.isnan(row.downstream_taper + row.work_length):
        return set()
    low, high = middle(row, edge)
    if row.downstream_taper == 0 and _turns_aside(edge, low, high):
        return set(SIDES)
    count = 1 + math.ceil((high - low) / STEP - CLOSE)
    found = [_ways_at(plan, row, edge, at) for at in np.linspace(low, high, count).tolist()]
    return set().union(*found)


def _turns_aside(edge: Edge, low: float, high: float) -> bool:
    """Say whether an edge turns off at a corner between two places along it, m."""
    met = (abs(turn) for turn, at in zip(edge.turns, edge.at, strict=True) if low <= at <= high)
    return max(met, default=0.0) > ASIDE


def middle(row: Any, edge: Edge) -> tuple[float, float]:
    """Return between which places along its edge the middle of the work of a closure lies, m.

    One place where the street is straight. At corners the edge is longer or shorter than the
    street; and a closure that its street's end cuts short has less than its downstream taper.
    """
    length = edge.line.length
    high = row.downstream_taper + row.work_length / 2
    low = high
    wanted = row.taper + row.buffer
    if math.isfinite(wanted):  # older plans do not tell what of it is not drawn
        lacking = float(getattr(row, "lacking", 0.0))
        drawn = wanted - lacking if math.isfinite(lacking) else wanted
        low = min(high, length - drawn - row.work_length / 2 - edge.corner(0.0, length))
    slack = edge.corner(0.0, high) + edge.about(high, 0.0)
    last = max(length - REACH, length / 2)
    return float(np.clip(low - slack, 0.0, last)), float(np.clip(high + slack, 0.0, last))


def _ways_at(plan: Plan, row: Any, edge: Edge, at: float) -> set[str]:
    """Return which way traffic goes by a place along the edge of a closure, by all streets there.

    A chain of streets goes on under other names and classes. Where its own street turns a corner
    by the place, and passes it crosswise, it may be either.
    """
    own = [street.geometry for street in streets_of(plan, row.street, row.class_)]
    if not own:
        return set()
    place = shapely.line_interpolate_point(edge.line, at)
    gap = float(shapely.distance(own, place).min())
    reach = CORNER + (gap if gap <= 2 * edge.half else edge.half)
    tree = plan.once("lines of streets", lambda: shapely.STRtree(_streets(plan)))
    near = tree.geometries[tree.query(place, predicate="dwithin", distance=reach)]
    traffic = -heading(edge.line, at)
    met = [street for street in own if shapely.dwithin(street, place, reach)]
    crosswise = [
        abs(drawn(s, place) @ traffic) <= BESIDE for s in met if abreast(s, place, traffic)
    ]
    if crosswise and all(crosswise):
        return set(SIDES)
    turns = [float(drawn(s, place) @ traffic) for s in near if abreast(s, place, traffic)]
    return {SIDES[int(turn < 0)] for turn in turns if abs(turn) > BESIDE}


def abreast(line: Any, place: Any, way: npt.NDArray[np.float64]) -> Any:
    """Say whether a street passes a place, or ends but a little before it or behind.

    Or each of some: lines and places, shape (n,), and ways, shape (n, 2).
    """
    ends = shapely.get_coordinates(shapely.shortest_line(place, line)).reshape(-1, 2, 2)
    passes = np.abs(((ends[:, 1] - ends[:, 0]) * way).sum(axis=1)) <= JOINT
    return passes if np.ndim(line) else bool(passes[0])


def _streets(plan: Plan) -> list[Any]:
    """Return the parts of the streets that the plan holds that have a length."""
    shapes = [street.geometry for street in of_context(plan, "streets")]
    return [part for part in shapely.get_parts(shapes) if shapely.length(part) > 0]


def drawn(line: Any, place: Any) -> npt.NDArray[np.float64]:
    """Return the unit vector along a street where it is nearest to a place, as drawn.

    Or of several, shape (n, 2).
    """
    return heading(line, shapely.line_locate_point(line, place))


def heading(line: Any, at: Any) -> npt.NDArray[np.float64]:
    """Return the unit vector along a line so far along it, m; of several shape (n, 2)."""
    whole = shapely.length(line)
    before, after = np.maximum(at - REACH, 0.0), np.minimum(at + REACH, whole)
    ends = shapely.line_interpolate_point(line, np.array([before, after]))
    one, two = np.split(shapely.get_coordinates(ends), 2)
    way = (two - one) / np.hypot(*(two - one).T)[:, None]
    return np.asarray(way if np.ndim(at) else way[0], dtype=np.float64)


RULES = (Rule("closures-face", "closures face the traffic they are said to face", sides),)
