"""Closures across their streets, place by place along them: how deep, and on which carriageway.

A closure is as deep as the lanes it closes beside the work, less in tapers and where it is led
into streets that have fewer; nowhere more.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.corners import SHARPEST, FloatArray, in_frame, turns_of
from geotools.deliver.verify.edges import Edge, edge_of, lacking, lanes_shut
from geotools.deliver.verify.facing import BESIDE, abreast, drawn, heading, middle
from geotools.deliver.verify.formulas import merging_taper
from geotools.deliver.verify.keeping import WRONG, streets_by_place, verdicts_at
from geotools.deliver.verify.lanes import LITTLE, UNKNOWN, Lanes, lanes_of, streets_near
from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.tally import DRAWN, Rule, Tally
from geotools.pipe.names import folded

__all__ = ["RULES"]

STEP = 4.0  # m between places looked at
BENT = math.radians(5.0)  # of its edge; by such a corner a section lies aslant
LEAST = 1.0  # m of an edge between two vertices; less is a step aside
INSIDE = 3.0  # m from an end of the work on, in which its street is the one beside it
EVEN = 0.01  # share by which a section beside a curve may be longer than it is deep
SAME_WAY = math.radians(1.0)  # between a side of a closure and the street it goes along
THICK = 0.7  # of its depth; what is less lies by the one kerb of its lanes, in a taper
FEW = 2  # places in a row that are too deep; one may lie by a place drawn aslant


@dataclass(frozen=True)
class Section:
    """What a closure takes across its street at a place of its edge.

    ``at`` is how far along the edge that is, from its downstream end, ``wide`` how far it
    reaches, and ``off`` by how much that may be more or less, m.
    """

    at: float
    wide: float
    off: float


def closures_across(plan: Plan) -> Tally:
    """Check how deep closures are all along: by the lanes of the street beside their work.

    Notes
    -----
    Beside the work a closure is as deep as the lanes that it is told to close, and what those left
    give up; before it and behind it no deeper, and in a taper by its share of that. Along strings
    the street is the widest of those their work lies in, which are alike but for that. By corners,
    where a section lies aslant, nothing is looked at. What is told holds to a hundredth and the
    tolerances of survey and drawing.
    """
    tally = Tally("closures")
    of_context(plan, "streets")
    for row in plan.rows("closures"):
        edge = edge_of(plan, row)
        beside = [] if edge is None else _lanes_beside(plan, row, edge)
        due = _due(plan, row, beside or _lanes_near(plan, row))
        if due is None:
            tally.skip("depth of closures beside whose work the plan holds no street of theirs")
            continue
        _nowhere_deeper(plan, tally, row, due[1])
        if edge is None or not beside:
            tally.skip("depth of closures whose outline a bend of the street folds over, in tapers")
        else:
            _as_deep(plan, tally, row, edge, due)
    return tally


def _nowhere_deeper(plan: Plan, tally: Tally, row: Any, most: float) -> None:
    """Check that a closure is nowhere wider along a street than what is due beside its work, m."""
    limit = most * (1 + EVEN) + _slack(plan)
    wide = _by_streets(plan, row, most, limit)
    text = f"lies {max(wide, default=0.0):.2f} m wide along a street, due are {most:.2f} m"
    tally.holds(len(wide) < FEW, row.closure_id, text)


def _slack(plan: Plan) -> float:
    """Return by how much streets joined within the snap tolerance may lie aside, m."""
    return float(plan.setting("network.snap_tolerance")) / 2 + DRAWN


def _as_deep(plan: Plan, tally: Tally, row: Any, edge: Edge, due: tuple[float, float]) -> None:
    """Check the sections of a closure, from its edge, against what is due beside its work, m."""
    least, most = due
    work, slack = _work(row, edge), _slack(plan)
    length, deep, short = float(edge.line.length), list[tuple[float, float]](), 0
    bent = edge.corner(0.0, length)
    for one in sections(row, edge):
        there = most * _share(row, length, bent, one.at)
        upper = there * (1 + EVEN) + one.off + slack
        deep += [(one.wide, there)] if one.wide > upper else []
        inside = work[0] + INSIDE <= one.at <= work[1] - INSIDE
        short += inside and one.wide < least * (1 - EVEN) - one.off - slack
    wide, there = deep[-1] if deep else (0.0, 0.0)
    text = f"reaches {wide:.2f} m across its street, due there are {there:.2f} m"
    tally.holds(len(deep) < FEW, row.closure_id, text)
    text = f"does not reach {least:.2f} m across its street all along its work"
    tally.holds(short < FEW, row.closure_id, text)


def _work(row: Any, edge: Edge) -> tuple[float, float]:
    """Return where along its edge the work of a closure surely lies, m; turned round if nowhere."""
    low, high = middle(row, edge)
    return high - row.work_length / 2, low + row.work_length / 2


def _share(row: Any, length: float, bent: float, at: float) -> float:
    """Return what share of its depth a closure has at a place along its edge at the most.

    The edge has a ``length`` and its corners add or take what is ``bent``, m.
    """
    out = 1.0
    if row.taper > 0:
        before = length - at + lacking(row) + bent
        out = min(out, before / row.taper)
    whole = row.taper + row.buffer - lacking(row) + row.work_length + row.downstream_taper
    if row.downstream_taper > 0 and length >= whole - bent - DRAWN:  # not cut short behind
        out = min(out, (at + bent) / row.downstream_taper)
    return max(out, 0.0)


def sections(row: Any, edge: Edge) -> Iterator[Section]:
    """Yield what a closure takes across its street, place by place along its edge."""
    xy = shapely.get_coordinates(edge.line)
    ends = [0.0, *edge.at, edge.line.length]
    far = edge.deep * 3 + 1.0
    turns = np.abs(np.array(edge.turns))
    # to its other side a sharp corner lies farther along than the closure is deep
    aslant = edge.deep * np.maximum(np.tan(np.minimum(turns, SHARPEST) / 2), 1.0) + LEAST
    for k, (low, high) in enumerate(itertools.pairwise(ends)):
        if high - low < LEAST:
            continue
        way = (xy[k + 1] - xy[k]) / (high - low)
        count = max(1, math.ceil((high - low) / STEP))
        at = low + (high - low) * (np.arange(count) + 0.5) / count
        gaps = np.abs(at[:, None] - np.array(edge.at)) <= aslant
        at, gaps = (of[~gaps[:, turns > BENT].any(axis=1)] for of in (at, gaps))
        origin, across = xy[k] + (at - low)[:, None] * way, np.array([-way[1], way[0]]) * far
        lines = shapely.linestrings(np.stack([origin - across, origin + across], axis=1))
        parts, of = shapely.get_parts(shapely.intersection(lines, row.geometry), return_index=True)
        met = shapely.dwithin(parts, shapely.points(origin)[of], DRAWN)
        wide = np.zeros(len(at))
        np.maximum.at(wide, of[met], shapely.length(parts[met]))
        turned = np.minimum((gaps * turns).sum(axis=1), 1.0)
        off = edge.deep * (1 / np.cos(turned) - 1)
        yield from map(Section, at.tolist(), wide.tolist(), off.tolist())


def _by_streets(plan: Plan, row: Any, most: float, limit: float) -> list[float]:
    """Return how wide a closure lies along streets that a side of it goes along, past a limit, m.

    Whatever its outline begins with, or has on the way.
    """
    tree, rows = streets_by_place(plan)
    xy = np.concatenate([_segments(part) for part in shapely.get_parts(row.geometry)])
    sides = shapely.linestrings(xy)
    sizes = shapely.length(sides)
    ways = np.diff(xy, axis=1)[:, 0] / np.maximum(sizes, DRAWN)[:, None]
    near = tree.query(row.geometry, predicate="dwithin", distance=_widest(plan))
    out = []
    for k in near.tolist():
        reach = lanes_of(plan, rows[k]).kerb + 2 * most
        for lines, way in _squares(tree.geometries[k], _ends_turn(plan, k), row.geometry, reach):
            parts = shapely.get_parts(shapely.intersection(lines, row.geometry))
            for part in parts[shapely.length(parts) > limit]:
                ends = shapely.points(shapely.get_coordinates(part)[[0, -1]])
                met = [int(shapely.distance(sides, end).argmin()) for end in ends]
                # what is no longer than a closure is deep is its end, across its own street
                along = (np.abs(ways[met] @ way) >= math.cos(SAME_WAY)) & (sizes[met] > limit)
                if along.any():
                    out.append(float(shapely.length(part)))
    return out


def _segments(part: Any) -> FloatArray:
    """Return the segments of an outline, shape (n, 2, 2)."""
    xy = shapely.get_coordinates(shapely.get_exterior_ring(part))
    return np.stack([xy[:-1], xy[1:]], axis=1)


def _widest(plan: Plan) -> float:
    """Return half the carriageway of the widest street, m."""
    _, rows = streets_by_place(plan)

    def made() -> float:
        return max((lanes_of(plan, row).kerb for row in rows), default=0.0)

    return plan.once("widest street", made)


def _ends_turn(plan: Plan, k: int) -> tuple[float, float]:
    """Return by how much what lies along a street may turn where it begins and ends, rad."""
    return plan.once(f"turns at ends of street {k}", lambda: _end_turns(plan, k))


def _end_turns(plan: Plan, k: int) -> tuple[float, float]:
    """Work them out.

    It may go on into a street within ``street.max_turn``, or whatever it is into the only one.
    """
    tree, _ = streets_by_place(plan)
    snap, on = (float(plan.setting(n)) for n in ("network.snap_tolerance", "street.max_turn"))
    xy = shapely.get_coordinates(tree.geometries[k])
    out = []
    for place, inward in ((xy[0], xy[1] - xy[0]), (xy[-1], xy[-2] - xy[-1])):
        turns = []
        for j in tree.query(shapely.Point(place), predicate="dwithin", distance=snap).tolist():
            other = shapely.get_coordinates(tree.geometries[j])
            for line in (other, other[::-1]):
                if j != k and math.dist(line[0], place) <= snap:
                    along, aside = in_frame(line[1] - line[0], -inward)
                    turns.append(abs(math.atan2(aside, along)))
        may = [turn for turn in turns if turn <= on + BENT] if len(turns) > 1 else turns
        out.append(max(may, default=0.0))
    return out[0], out[1]


def _squares(
    street: Any, ends: tuple[float, float], ground: Any, reach: float
) -> Iterator[tuple[Any, Any]]:
    """Yield lines square across the straights of a street near a ground, and their ways.

    None by its corners, nor by its ends by what they turn.
    """
    xy = shapely.get_coordinates(street)
    steps = np.diff(xy, axis=0)
    sizes = np.hypot(*steps.T)
    turns = np.array([ends[0], *np.abs(turns_of(xy)), ends[1]])
    spare = reach * np.tan(np.minimum(turns, SHARPEST) / 2) * (turns > BENT) + LEAST
    box = shapely.get_coordinates(shapely.envelope(ground))
    for k in np.flatnonzero(sizes > 0.0).tolist():
        way = steps[k] / max(sizes[k], DRAWN)
        beside = (box - xy[k]) @ way
        low = max(spare[k], beside.min() - reach)
        high = min(sizes[k] - spare[k + 1], beside.max() + reach)
        if high < low:
            continue
        at = np.linspace(low, high, 1 + math.ceil((high - low) / STEP))
        origin = xy[k] + at[:, None] * way
        origin = origin[shapely.dwithin(shapely.points(origin), ground, reach)]
        across = reach * np.array([-way[1], way[0]])
        if len(origin):
            yield shapely.linestrings(np.stack([origin - across, origin + across], axis=1)), way


def _due(plan: Plan, row: Any, lanes: list[Lanes]) -> tuple[float, float] | None:
    """Return how deep a closure is beside its work at least and at most, m; None if not known."""
    if not lanes:
        return None
    given = (1.0 - plan.setting("street.least_lane_share")) * row.lanes_left
    shut, wide = lanes_shut(row), [one.wide for one in lanes]
    return shut * min(wide), (shut + given) * max(wide)


def _lanes_near(plan: Plan, row: Any) -> list[Lanes]:
    """Return the lanes of the streets of the name and class of a closure that it lies by.

    Of several those that its taper is for, if it is one for lanes that merge.
    """
    reach = float(plan.setting("street.reach"))
    near = streets_near(plan, row.street, row.class_, row.geometry, reach)
    found = [lanes_of(plan, street) for street in near]
    fits = []
    for lanes in found:
        least, most = _due(plan, row, [lanes]) or (0.0, 0.0)
        low, high = (merging_taper(wide, row.speed) for wide in (least - DRAWN, most + DRAWN))
        fits += [lanes] if low <= row.taper <= high else []
    return fits or found


def _lanes_beside(plan: Plan, row: Any, edge: Edge) -> list[Lanes]:
    """Return the lanes of the streets that the work of a closure lies in.

    Those its ends reach into are of them along strings, if they differ but a little. Where its
    street cuts it short behind, its work may lie farther on.
    """
    low, high = _work(row, edge)
    if high - low < 2 * INSIDE:
        at, to = middle(row, edge)
        return _lanes_between(plan, row, edge, (at - row.work_length / 2, to + row.work_length / 2))
    found = _lanes_between(plan, row, edge, (low + INSIDE, high - INSIDE))
    if row.pull_id:
        at, to = middle(row, edge)
        ends = at - row.work_length / 2 - INSIDE, to + row.work_length / 2 + INSIDE
        found += [
            other
            for other in _lanes_between(plan, row, edge, ends)
            if any(_alike(one, other) for one in found)
        ]
    return found


def _alike(one: Lanes, other: Lanes) -> bool:
    """Say whether streets differ in nothing but a little of their width."""
    same = (one.count, one.oneway) == (other.count, other.oneway)
    return same and 2 * abs(one.kerb - other.kerb) <= LITTLE + DRAWN


def _lanes_between(plan: Plan, row: Any, edge: Edge, ends: tuple[float, float]) -> list[Lanes]:
    """Return the lanes of the streets of its class along a stretch of the edge of a closure, m.

    Of a pit those of its name.
    """
    if not np.isfinite(ends).all():
        return []  # a length is missing, which another rule tells
    low, high = np.clip(ends, 0.0, edge.line.length)
    at = np.linspace(low, high, 1 + math.ceil((high - low) / STEP))
    places, ways = shapely.line_interpolate_point(edge.line, at), heading(edge.line, at)
    tree, rows = streets_by_place(plan)
    of, k = tree.query(places, predicate="dwithin", distance=2 * edge.half + 1)
    own = {n: _may_be_of(row, rows[n]) for n in np.unique(k).tolist()}
    mine = np.array([own[n] for n in k.tolist()], dtype=bool)
    of, k = of[mine], k[mine]
    lines, places, ways = tree.geometries[k], places[of], ways[of]
    along = np.abs((drawn(lines, places) * ways).sum(axis=1)) > BESIDE
    found = dict.fromkeys(k[along & abreast(lines, places, ways)].tolist())
    return [lanes_of(plan, rows[n]) for n in found]


def _may_be_of(row: Any, street: Any) -> bool:
    """Say whether a closure may be told to lie on a street by its class, and of a pit its name."""
    alike = (folded(street.kind) or UNKNOWN) == folded(row.class_)
    return bool(alike and (row.pull_id or (street.name or "") == (row.street or "")))


def closures_follow(plan: Plan) -> Tally:
    """Check that tapers and buffers lie where traffic goes towards the work, and on from it.

    On carriageways that go one way it is theirs; of streets of both ways they lie on the hand
    that traffic keeps to. A place is told wrong where it is by every street there. Whether it is
    the straightest of several ways is not looked at.
    """
    tally = Tally("closures")
    of_context(plan, "streets")
    tally.skip("which of several streets that flow towards the work bears a taper, and its end")
    for row in plan.rows("closures"):
        edge = edge_of(plan, row)
        if edge is None:
            tally.skip("carriageways of closures whose outline a bend of the street folds over")
            continue
        low, high = _work(row, edge)
        beyond = [
            one.at
            for one in sections(row, edge)
            if not low <= one.at <= high and one.wide >= max(THICK * edge.deep, LEAST)
        ]
        wrong = most = 0
        for found in verdicts_at(plan, row, edge, np.array(beyond)):
            wrong = wrong + 1 if found == {WRONG} else 0
            most = max(most, wrong)
        text = f"lies over {most * STEP:.0f} m on a carriageway that its traffic does not go by"
        tally.holds(most < FEW, row.closure_id, text)
    return tally


RULES = (
    Rule(
        "closures-across",
        "closures are as deep as the lanes they close, all along",
        closures_across,
    ),
    Rule("closures-follow", "tapers and buffers lie where their traffic goes", closures_follow),
)
