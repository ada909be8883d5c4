"""Closures and the side of the road: they close lanes of the traffic they are drawn for.

Which way the traffic comes is read off the drawing, not off what the row says: its taper comes
first. Traffic keeps to the right or to the left of the line between the directions.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.edges import Edge, edge_of
from geotools.deliver.verify.facing import BESIDE, SIDES, abreast, drawn, heading, middle
from geotools.deliver.verify.lanes import LITTLE, lanes_of
from geotools.deliver.verify.plan import CONTEXT, Plan, of_context
from geotools.deliver.verify.tally import CLOSE, NotChecked, Rule, Tally

__all__ = ["RULES", "WRONG", "streets_by_place", "verdicts_at"]

STEP = 2.0  # m between places looked at where the middle of the work may lie
PAST = 0.3  # m past the line between the directions that tell nothing: corners, rounding
RIGHT, WRONG, OPEN = 1, -1, 0


def kept(plan: Plan) -> Tally:
    """Check that closures lie on the side of the street that the traffic they are for keeps to.

    Notes
    -----
    Of two ways, each has the lanes on its hand of the line between them: the centreline, or half
    a lane off it where their number is odd, for the lane over the centreline may be of either. A
    single lane is that of both, and tells nothing. Of a one-way street all lanes are of the one
    way it goes. It must be wrong by every street there, all about the middle of the work.
    """
    tally = Tally("closures")
    of_context(plan, "streets")
    if not plan.holds(CONTEXT, "oneway"):
        raise NotChecked("the plan does not tell which of the streets near it are one-way")
    hand = "right" if plan.setting("street.keep_right") else "left"
    for row in plan.rows("closures"):
        edge = edge_of(plan, row)
        found = set() if edge is None else _verdicts(plan, row, edge)
        if found in ({RIGHT}, {WRONG}):
            text = f"is for traffic that keeps {hand}, or goes one way, and lies against it"
            tally.holds(found == {RIGHT}, row.closure_id, text)
        elif not found:
            tally.skip("hands of closures in streets that are not in the plan, or folded over")
        else:
            tally.skip("hands of closures of lanes that either direction may have")
    return tally


def _verdicts(plan: Plan, row: Any, edge: Edge) -> set[int]:
    """Return what the streets say of a closure at the places where its middle may lie."""
    if not np.isfinite(row.downstream_taper + row.work_length):
        return set()
    low, high = middle(row, edge)
    count = 1 + int(np.ceil((high - low) / STEP - CLOSE))
    return set().union(*verdicts_at(plan, row, edge, np.linspace(low, high, count)))


def verdicts_at(plan: Plan, row: Any, edge: Edge, at: Any) -> list[set[int]]:
    """Return what the streets say whose carriageway a closure lies on, at places of its edge, m."""
    places, way = shapely.line_interpolate_point(edge.line, at), -heading(edge.line, at)
    across = np.column_stack([way[:, 1], -way[:, 0]])  # to its right
    reach = 2 * edge.half + 1
    strips = _strips(row.geometry, places, reach * across)
    found = [{OPEN} if strip is None else set() for strip in strips]
    tree, rows = streets_by_place(plan)
    some = np.flatnonzero(~shapely.is_missing(strips))
    of, k = tree.query(strips[some], predicate="dwithin", distance=reach)
    of, lines = some[of], tree.geometries[k]
    along = (drawn(lines, places[of]) * way[of]).sum(axis=1)
    by = (np.abs(along) > BESIDE) & abreast(lines, places[of], way[of])
    of, k, lines, along = of[by], k[by], lines[by], along[by]
    ends = shapely.points(shapely.get_coordinates(strips[of]).reshape(-1, 2, 2))
    nearest = shapely.get_coordinates(shapely.shortest_line(ends, lines[:, None]))
    nearest = nearest.reshape(-1, 2, 2, 2)
    offs = ((nearest[:, :, 0] - nearest[:, :, 1]) * across[of][:, None]).sum(axis=2)
    past = PAST + (LITTLE / 2 if row.pull_id else 0.0)
    for one, street, off, turn in zip(of, (rows[n] for n in k), offs, along, strict=True):
        if abs(off.mean()) <= lanes_of(plan, street).kerb:
            found[one].add(_verdict(plan, street, off, float(turn), past))
    return found


def _strips(ground: Any, places: Any, far: Any) -> Any:
    """Return what lines that go so far to both sides of places have in a ground, nearest to each.

    None where that is less than `PAST`.
    """
    xy = shapely.get_coordinates(places)
    lines = shapely.linestrings(np.stack([xy - far, xy + far], axis=1))
    parts, of = shapely.get_parts(shapely.intersection(lines, ground), return_index=True)
    parts, of = (column[shapely.length(parts) > PAST] for column in (parts, of))
    order = np.lexsort((shapely.distance(parts, places[of]), of))
    first = np.unique(of[order], return_index=True)[1]
    strips = np.full(len(places), None, dtype=object)
    strips[of[order][first]] = parts[order][first]
    return strips


def _verdict(plan: Plan, street: Any, offs: Any, along: float, past: float) -> int:
    """Return what one street says of lanes between two places, m to the right of its centreline.

    ``along`` is positive where the traffic goes as the street is drawn. Up to ``past``, m, over the
    line between the directions tells nothing: along strings lanes are as wide as those of the
    widest street of a few that differ but a little.
    """
    if street.oneway:
        if street.oneway not in SIDES:
            return OPEN
        return RIGHT if street.oneway == SIDES[int(along < 0)] else WRONG
    right = 1 if plan.setting("street.keep_right") else -1
    past += lanes_of(plan, street).middle
    own, other = (right * offs).max() > past, (-right * offs).max() > past
    return OPEN if own == other else RIGHT if own else WRONG


def streets_by_place(plan: Plan) -> tuple[Any, list[Any]]:
    """Return a tree of the parts of the streets that have a length, and the row of each."""
    return plan.once("streets by place", lambda: _streets(plan))


def _streets(plan: Plan) -> tuple[Any, list[Any]]:
    """Make them."""
    rows = of_context(plan, "streets")
    parts, owner = shapely.get_parts([row.geometry for row in rows], return_index=True)
    some = shapely.length(parts) > 0
    return shapely.STRtree(shapely.force_2d(parts[some])), [rows[k] for k in owner[some]]


RULES = (Rule("closures-hand", "closures lie on the hand their traffic keeps to", kept),)
