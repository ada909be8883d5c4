"""Streets that strings and closures lie on besides their own, held against what findings tell."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.corners import FloatArray
from geotools.deliver.verify.edges import Edge, edge_of, lacking
from geotools.deliver.verify.facing import drawn, heading
from geotools.deliver.verify.keeping import streets_by_place
from geotools.deliver.verify.laid import laid_of
from geotools.deliver.verify.lanes import lanes_of
from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.names import folded

__all__ = ["RULES"]

TOUCH = 0.1  # m of carriageway at either kerb that count as none, with what rounding leaves
LEAST = 0.5  # m2 of carriageway that are surely lain on
AWAY = math.radians(5.0)  # past ``street.max_turn``; no street goes on so into another
ARMS = 3  # stretches of street that make an intersection
NAMED = 6  # streets told of one string
APART = 5.0  # m before and behind an intersection that tell how a closure lies there
SURE = 2.0  # m from an end of a part of a closure from which on it is surely that part
NAMELESS = "a street without a name"


def strings_told(plan: Plan) -> Tally:
    """Check that strings across the carriageway of other streets are findings that name these.

    Of streets that they surely are not laid along: that bear another name, and run crosswise
    wherever the string is on them.
    """
    tally = Tally("strings")
    of_context(plan, "streets")
    tally.skip("streets of their own name, or nearly parallel, that strings lie on besides")
    told: dict[str, str] = {}
    for row in plan.rows("findings"):
        if row.rule == "string-on-other-street":
            told[row.feature] = row.text
    tree, rows = streets_by_place(plan)
    runs = plan.one("runs", "run_id")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, runs[pull.run_id])
        for string in plan.by("strings", "pull_id", "number").get(pull.pull_id, []):
            laid = None if pipe is None else laid_of(string.geometry, pipe.outside)
            if laid is None:
                tally.skip("strings drawn as a hull, in bends they would lie over themselves in")
                continue
            names = {
                rows[k].name or NAMELESS
                for k in tree.query(string.geometry, predicate="dwithin", distance=_widest(plan))
                if (rows[k].name or NAMELESS) != (string.street or NAMELESS)
                and _lain_on(plan, string.geometry, rows[k], tree.geometries[k])
                and _crosswise(plan, laid.line, tree.geometries[k], _reach(plan, rows[k], pipe))
                and not _goes_on(plan, k)
            }
            text = told.get(string.string_id, "")
            missed = sorted(name for name in names if name not in text)
            good = not missed or (text and len(names) > NAMED)
            words = f"lies on {', '.join(missed)}, and no finding says so"
            tally.holds(good, string.string_id, words)
    return tally


def _widest(plan: Plan) -> float:
    """Return half the carriageway of the widest street, m."""
    _, rows = streets_by_place(plan)
    kerbs = (lanes_of(plan, row).kerb for row in rows)
    return plan.once("half of the widest street", lambda: max(kerbs, default=0.0))


def _reach(plan: Plan, street: Any, pipe: Any) -> float:
    """Return how far from a street the middle of what lies on its carriageway may be, m."""
    return float(lanes_of(plan, street).kerb + pipe.outside)


def _lain_on(plan: Plan, ground: Any, street: Any, line: Any) -> bool:
    """Say whether a ground surely takes some of the carriageway of a street."""
    half = lanes_of(plan, street).kerb - TOUCH
    road = shapely.buffer(line, max(half, 0.0), cap_style="flat", join_style="mitre")
    return bool(shapely.area(shapely.intersection(ground, road)) > LEAST)


def _crosswise(plan: Plan, line: FloatArray, street: Any, reach: float) -> bool:
    """Say whether a line runs across a street wherever it comes so near to it, m."""
    most = math.cos(float(plan.setting("street.max_turn")) + AWAY)
    for one, two in itertools.pairwise(line):
        piece = shapely.LineString([one, two])
        near = shapely.intersection(piece, shapely.buffer(street, reach))
        if shapely.length(near) > CLOSE:
            way = (two - one) / math.dist(one, two)
            places = shapely.points(shapely.get_coordinates(near))
            if max(abs(float(drawn(street, place) @ way)) for place in places) > most:
                return False
    return True


def _goes_on(plan: Plan, k: int) -> bool:
    """Say whether at an end of a street just one other goes on: both are one street."""
    tree, _ = streets_by_place(plan)

    def made() -> bool:
        ends = shapely.get_point(tree.geometries[k], [0, -1])
        return any(_arms(plan, end) < ARMS and _arms(plan, end) > 1 for end in ends)

    return plan.once(f"whether street {k} goes on", made)


def _arms(plan: Plan, place: Any) -> int:
    """Return how many stretches of street leave a place."""
    tree, _ = streets_by_place(plan)
    snap = max(float(plan.setting("network.snap_tolerance")), CLOSE)
    arms = 0
    for k in tree.query(place, predicate="dwithin", distance=snap).tolist():
        line = tree.geometries[k]
        ends = shapely.distance(shapely.get_point(line, [0, -1]), place) <= snap
        if not (ends.all() and shapely.length(line) <= 2 * snap):
            arms += int(ends.sum()) or 2
    return arms


def closures_told(plan: Plan) -> Tally:
    """Check that closures at intersections are findings that name the streets there.

    Of streets that surely meet theirs there: of another name, crosswise, where three arms meet,
    abreast of work space or taper; and of any part where ``street.no_block`` has their class.
    """
    tally = Tally("closures")
    of_context(plan, "streets")
    tally.skip("intersections at the ends of a part of a closure, or with a street of its own name")
    texts: dict[str, list[str]] = {}
    for row in plan.rows("findings"):
        if row.rule == "closure-at-intersection":
            for name in row.text.partition(" at intersections")[0].split():
                texts.setdefault(name, []).append(row.text)
    for row in plan.rows("closures"):
        edge = edge_of(plan, row)
        if edge is None:
            tally.skip("intersections at closures whose outline a bend of the street folds over")
            continue
        names = _met(plan, row, edge)
        text = " ".join(texts.get(row.closure_id, []))
        missed = sorted(name for name in names if name not in text)
        words = f"lies at an intersection with {', '.join(missed)}, and no finding says so"
        tally.holds(not missed, row.closure_id, words)
    return tally


def _met(plan: Plan, row: Any, edge: Edge) -> set[str]:
    """Return the names of the streets that a closure surely lies at intersections with."""
    tree, rows = streets_by_place(plan)
    banned = {folded(kind) for kind in plan.setting("street.no_block")}
    found = set()
    for k in tree.query(edge.line, predicate="dwithin", distance=edge.half + SURE).tolist():
        street, name = rows[k], rows[k].name or NAMELESS
        if name == (row.street or NAMELESS):
            continue
        for end in shapely.get_point(tree.geometries[k], [0, -1]):
            at = float(shapely.line_locate_point(edge.line, end))
            near = shapely.distance(edge.line, end) <= edge.half
            if near and _in_part(row, edge, at, anywhere=folded(street.kind) in banned):
                far = [max(at - APART, 0.0), min(at + APART, edge.line.length)]
                ways = [heading(edge.line, place) for place in (*far, at)]
                if _arms(plan, end) >= ARMS and _across(plan, tree.geometries[k], end, ways):
                    found.add(name)
    return found


def _in_part(row: Any, edge: Edge, at: float, *, anywhere: bool) -> bool:
    """Say whether a place along the edge of a closure surely is in its work space or its taper.

    Or ``anywhere`` in it.
    """
    length = edge.line.length
    slack = SURE + edge.corner(0.0, length)
    if anywhere:
        return bool(slack <= at <= length - slack)
    taper, buffer = row.taper - lacking(row), row.buffer
    work = length - max(row.taper + buffer - lacking(row), 0.0)
    return bool(slack <= at <= work - slack or length - taper + slack <= at <= length - slack)


def _across(plan: Plan, street: Any, place: Any, ways: list[FloatArray]) -> bool:
    """Say whether a street leaves a place crosswise to all of these ways."""
    most = math.cos(float(plan.setting("street.max_turn")) + AWAY)
    reach = min(APART, shapely.length(street) / 2)
    at = float(shapely.line_locate_point(street, place))
    other = shapely.line_interpolate_point(street, at + reach if at < reach else at - reach)
    step = shapely.get_coordinates(other)[0] - shapely.get_coordinates(place)[0]
    size = float(np.hypot(*step))
    return size > CLOSE and all(abs(float(step @ way)) / size < most for way in ways)


RULES = (
    Rule("strings-crossing", "strings across other streets are findings", strings_told),
    Rule("closures-crossing", "closures at intersections are findings", closures_told),
)
