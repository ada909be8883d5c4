"""Strings and closures as drawn: as long as told, and where the pit is that they are for.

Both are strips along a street: `laid` has the strings, `edges` the long edges of closures.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.corners import (
    REACH,
    ROOM,
    SHARPEST,
    FloatArray,
    corners_of,
    in_frame,
)
from geotools.deliver.verify.edges import BESIDE, Edge, edge_of, lacking, lanes_shut
from geotools.deliver.verify.formulas import ONE_LANE_TAPER, merging_taper
from geotools.deliver.verify.laid import Laid, laid_of, strings_drawn
from geotools.deliver.verify.lanes import (
    LITTLE,
    Lanes,
    lanes_of,
    streets_held,
    streets_near,
    streets_of,
)
from geotools.deliver.verify.plan import CONTEXT, Plan, of_context
from geotools.deliver.verify.sites import (
    DRAWN_AREA,
    candidate_of,
    closures_of,
    closures_together,
    straight_over,
)
from geotools.deliver.verify.tally import CLOSE, DRAWN, Rule, Tally

__all__ = ["RULES"]


def closures_drawn(plan: Plan) -> Tally:
    """Check the ground of closures: about their pit or strings, as long, wide and deep as told."""
    tally = Tally("closures")
    for pit in plan.rows("pits"):
        for row in closures_of(plan, pit.pit_id):
            ways = _pit_in_work(plan, row, pit)
            if ways is None:
                tally.holds(False, row.closure_id, "its pit stands at no candidate")
                continue
            headings = _headings(plan, pit)
            span = _aslant_in_work(plan, row, pit, headings)
            if _lines_by(plan, row, pit):
                _work_length(plan, tally, row, pit, span, headings)
            else:
                tally.skip("work of closures folded over, in streets that are not in the plan")
            ways += [] if span is None else [(-span[0], -span[0]), (span[1], span[1])]
            _closure(plan, tally, row, pit.geometry, ways, headings)
    strings = plan.by("strings", "pull_id", "number")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
        laid = strings.get(pull.pull_id, [])
        drawn = [laid_of(s.geometry, pipe.outside) for s in laid if pipe]
        first = next((one for one in drawn if one is not None), None)
        rows = closures_of(plan, pull.pull_id)
        several = len(closures_together(plan, rows)) > 1
        for row in rows:
            work = row.work_length
            if several or _farther_on(plan, row, laid):
                # The strings go on into another street, and its closure begins where it does.
                strips = [one for one in drawn if one is not None]
                _as_long_as_told(plan, tally, row, strips)
                _between_streets(plan, tally, row, strips)
            elif first is not None:
                # The work space begins, or ends, where the strings do.
                start, heading = shapely.Point(first.line[0]), first.heading(0)
                ways = [(0.0, 0.0), (work, work)]
                _closure(plan, tally, row, start, ways, [heading])
    return tally


def _as_long_as_told(plan: Plan, tally: Tally, row: Any, drawn: list[Laid]) -> None:
    """Check the street and length of a closure beyond others, shorter where its street may end."""
    edge = edge_of(plan, row)
    if edge is None:
        tally.skip("closures whose outline a bend of the street folds over")
        return
    # It bears the name of its street where the strings begin, beyond that in its middle.
    middle = shapely.line_interpolate_point(edge.line, row.downstream_taper + row.work_length / 2)
    begins = [shapely.Point(one.line[0]) for one in drawn[:1]]
    far = plan.setting("street.reach") + 2 * edge.half
    _in_its_street(plan, tally, row, [*begins, middle], far)
    whole = _as_long_as_due(plan, tally, row, edge)
    _lacks(plan, tally, row, edge)
    _deep(plan, tally, row, edge, whole=whole and not lacking(row))


def _in_its_street(plan: Plan, tally: Tally, row: Any, places: list[Any], far: float) -> None:
    """Check that a street of the name and class told lies so near, m, to one of some places."""
    near = any(streets_near(plan, row.street, row.class_, place, far) for place in places)
    if not near and not all(streets_held(plan, far, place) for place in places):
        tally.skip("streets of closures where the plan holds no streets")
        return
    told = f"is in no {row.class_} street named {row.street or 'nothing'}"
    tally.holds(near, row.closure_id, told)


def _as_long_as_due(plan: Plan, tally: Tally, row: Any, edge: Edge) -> bool:
    """Say whether a closure is as long as told; check that a shorter one ends with its street."""
    length = edge.line.length
    due = row.taper + row.buffer - lacking(row) + row.work_length + row.downstream_taper
    slack = edge.corner(0.0, length) + sum(_aslant(plan, edge, end) for end in (0, -1)) + DRAWN
    whole = bool(abs(length - due) <= slack)
    tally.holds(
        whole or (length < due and any(_ended(plan, tally, edge, end) for end in (0, -1))),
        row.closure_id,
        f"is drawn {length:.2f} m long, due are {due:.2f} m",
    )
    return whole


def _lacks(plan: Plan, tally: Tally, row: Any, edge: Edge) -> None:
    """Check that taper and buffer are told to find no room only where the street may end.

    Or where the closure has come round a ring to its own other end.
    """
    if lacking(row) > DRAWN:
        near = shapely.distance(*(shapely.get_point(edge.line, end) for end in (0, -1)))
        tally.holds(
            near <= DRAWN or _ended(plan, tally, edge, -1),
            row.closure_id,
            f"is told to lack {lacking(row):.2f} m of taper and buffer where its street goes on",
        )


def _between_streets(plan: Plan, tally: Tally, row: Any, drawn: list[Laid]) -> None:
    """Check where a closure of strings in several streets begins and ends its work space.

    That is where the strings do, or where one street that the plan holds goes over into the next.
    """
    edge = edge_of(plan, row)
    if edge is None:
        return  # told above
    length = edge.line.length
    if length < row.taper + row.buffer + row.work_length + row.downstream_taper - DRAWN:
        tally.skip("closures of strings in several streets that a street's end cuts short")
        return
    ends = [shapely.Point(xy) for one in drawn for xy in (one.line[0], one.line[-1])]
    far = plan.setting("street.reach") + 2 * edge.half
    met = [place for place in ends if shapely.distance(edge.line, place) <= far]
    met += [c.place for c in corners_of(plan).near(edge.line, 2 * edge.half) if c.last]
    at = [float(shapely.line_locate_point(edge.line, place)) for place in met]
    before = row.taper + row.buffer
    for name, due, beyond, end in (
        ("ends", row.downstream_taper, row.downstream_taper, 0),
        ("begins", length - before, before, -1),
    ):
        at_edge = shapely.line_interpolate_point(edge.line, due)
        if not streets_held(plan, 2 * edge.half, at_edge):
            tally.skip("where closures begin and end, where the plan holds no streets")
            continue
        slack = edge.corner(0.0, length) + edge.about(due, far) + corners_of(plan).snap + DRAWN
        slack += _aslant(plan, edge, end) if beyond <= 0 else 0.0  # the end of the edge itself
        gap = min((abs(one - due) for one in at), default=math.inf)
        tally.holds(
            gap <= slack,
            row.closure_id,
            f"its work {name} {gap:.2f} m from where strings and streets begin and end",
        )


def _farther_on(plan: Plan, row: Any, laid: list[Any]) -> bool:
    """Say whether a closure is of another street than its strings begin in, or shorter than they.

    Then they lie before it as well. On the inside of its curves a string is shorter than its
    street by no more than they take.
    """
    if any((one.street or "") != (row.street or "") for one in laid):
        return True
    edge, bent, end = edge_of(plan, row), 0.0, row.downstream_taper + row.work_length
    if edge is not None:
        bent = 2 * edge.corner(0.0, end + edge.corner(0.0, end))
    return bool(row.work_length < max((s.length for s in laid), default=0.0) - bent - DRAWN)


def _pit_in_work(plan: Plan, row: Any, pit: Any) -> list[tuple[float, float]] | None:
    """Return how far from an end of its work space a pit stands at least and at most, m.

    Both ways along the street; of a pit that inserts both ways only the room of both ramps
    together is told.
    """
    place = candidate_of(plan, pit)
    if place is None:
        return None
    before = getattr(place, f"before_{pit.role}", math.nan)
    after = getattr(place, f"after_{pit.role}", math.nan)
    low, high = before, row.work_length - after
    # Sides that lean take more at an end that no ramp leaves by, and so do corners of the street.
    more = max(row.work_length - pit.length, 0.0)
    if pit.role == "insertion_ahead":
        low = high - more
    elif pit.role != "insertion_both":
        high = low + more
    return [(low, high), (row.work_length - high, row.work_length - low)]


def _aslant_in_work(
    plan: Plan, row: Any, pit: Any, headings: list[FloatArray]
) -> tuple[float, float] | None:
    """Return from where to where the ground of a pit lies along a street its main crosses, m.

    Told from the pit. None where the main goes along the street before the pit and behind it:
    the work is as long as the pit then.
    """
    return None if _goes_along(plan, row, pit, headings) else _span(plan, row, pit)


def _span(plan: Plan, row: Any, pit: Any) -> tuple[float, float] | None:
    """Return from where to where the ground of a pit lies along its street, m from the pit.

    Along the leg of it, or between both, that comes nearest to what is told.
    """
    ground = plan.one("pit_footprints", "pit_id").get(pit.pit_id)
    if ground is None:
        return None
    steps = [step for line in _lines_by(plan, row, pit) for step in _steps_at(line, pit.geometry)]
    from_pit = shapely.get_coordinates(ground.geometry) - [pit.geometry.x, pit.geometry.y]
    spans = []
    for step in steps:
        along = from_pit @ step
        spans.append((float(along.min()), float(along.max())))
    return min(spans, key=lambda span: abs(span[1] - span[0] - row.work_length), default=None)


def _lines_by(plan: Plan, row: Any, pit: Any) -> list[Any]:
    """Return the lines that tell how the street of a closure runs by its pit: its long edge.

    Of an outline folded over, the streets of its name that the plan holds there.
    """
    edge = edge_of(plan, row)
    if edge is not None:
        return [edge.line]
    far = plan.setting("street.reach")
    near = streets_near(plan, row.street, row.class_, pit.geometry, far)
    return [line for street in near for line in shapely.get_parts(street.geometry)]


def _steps_at(line: Any, place: Any) -> list[FloatArray]:
    """Return the unit vectors along which a line runs by a place, the first from end to end."""
    xy = shapely.get_coordinates(line)
    at = float(shapely.line_locate_point(line, place))
    low, high = np.clip([at - BESIDE, at + BESIDE], 0.0, line.length)
    inner = np.cumsum(np.hypot(*np.diff(xy, axis=0).T))[:-1]
    met = [low, *inner[(inner > low) & (inner < high)], high]
    places = shapely.get_coordinates(shapely.line_interpolate_point(line, met))
    return [step / np.hypot(*step) for step in (places[-1] - places[0], *np.diff(places, axis=0))]


def _goes_along(plan: Plan, row: Any, pit: Any, headings: list[FloatArray]) -> bool:
    """Say whether a main goes along the street of a closure before its pit and behind it."""
    edge, parallel = edge_of(plan, row), plan.setting("street.parallel")
    if edge is not None:
        return all(edge.beside(pit.geometry, way, parallel) is not None for way in headings)
    steps = [step for line in _lines_by(plan, row, pit) for step in _steps_at(line, pit.geometry)]
    return all(_along(steps, way, parallel) for way in headings)


def _along(steps: list[FloatArray], way: FloatArray, parallel: float) -> bool:
    """Say whether one of some steps goes a way, or back, within an angle, rad."""
    frames = (in_frame(step, way) for step in steps)
    return any(math.atan2(abs(aside), abs(along)) <= parallel for along, aside in frames)


def _work_length(
    plan: Plan,
    tally: Tally,
    row: Any,
    pit: Any,
    span: tuple[float, float] | None,
    headings: list[FloatArray],
) -> None:
    """Check that the work space is as long as the pit, or as its ground along the street.

    Two ramps may take more. Where sides lean, it goes each way from the pit as far as what is dug
    does along the main, or as the ground does along the street, whichever is farther. By a corner
    of the street, what lies inside of it takes more of it.
    """
    ground, straight = (
        plan.one("pit_footprints", "pit_id").get(pit.pit_id),
        straight_over(plan, pit),
    )
    # Round a bend of the main one leg lies along the street, and the other with its width.
    least = pit.length if straight else _from_end_to_end(pit, ground)
    most = pit.length if straight else pit.length + pit.width
    edge = edge_of(plan, row)
    corners = _round_corners(row, pit, ground, edge)
    if edge is not None and edge.line.length < row.work_length:
        # Cut short in it, the closure does not show how its street turns beyond.
        span = _span(plan, row, pit)
    if pit.side_slope > 0 and ground is not None:
        ends = {"receiving": 2, "insertion_both": 0}.get(pit.role, 1)
        # Round a bend of the main the ground is shorter than its legs added; outside a corner of
        # the street it is longer than what it takes of that.
        ends *= straight and not corners
        least += (
            ends * pit.side_slope * max(pit.depth, 0.0) * math.cos(plan.setting("street.parallel"))
        )
        due = _leaning_work(plan, row, pit, ground.geometry, headings)
        least = max(least, due[0] - DRAWN - corners)
        most = max(most, due[1] + DRAWN)
    most += corners
    shorter = row.work_length < least - DRAWN
    longer = pit.role != "insertion_both" and row.work_length > most + DRAWN
    slack = DRAWN + _by_mitres(row, edge, ground)
    aslant = span is not None and abs(row.work_length - (span[1] - span[0])) <= slack
    tally.holds(
        aslant or not (shorter or longer),
        row.closure_id,
        f"work of {row.work_length:.3f} m about a pit of {pit.length:.3f} m",
    )


def _by_mitres(row: Any, edge: Edge | None, ground: Any) -> float:
    """Return what corners of a street may add to the ground of a pit on their mitres, m.

    Inside of one it reaches farther along either leg; that it lies in its closures as far as it
    lies on the street is another rule.
    """
    if edge is None or ground is None:
        return 0.0
    xy, met = shapely.get_coordinates(edge.line), 0.0
    for bent, one, corner, two in zip(edge.bent, xy[:-2], xy[1:-1], xy[2:], strict=True):
        along = np.sum([way / np.hypot(*way) for way in (corner - one, two - corner)], axis=0)
        across = np.array([-along[1], along[0]]) * 2 * edge.half
        mitre = shapely.intersection(
            shapely.LineString([corner - across, corner + across]), row.geometry
        )
        met += edge.half * bent if shapely.intersects(mitre, ground.geometry) else 0.0
    return met


def _from_end_to_end(pit: Any, ground: Any) -> float:
    """Return how long the ground of a pit round a bend is at least, m: its legs are longer."""
    if ground is None or shapely.is_missing(ground.geometry) or ground.geometry.is_empty:
        return float(pit.length)
    corners = shapely.get_coordinates(shapely.oriented_envelope(ground.geometry))
    longest = float(np.hypot(*np.diff(corners, axis=0).T).max())
    return min(float(pit.length), longest - DRAWN)


def _leaning_work(
    plan: Plan, row: Any, pit: Any, ground: Any, headings: list[FloatArray]
) -> tuple[float, float]:
    """Return the least and the most length of work about a pit whose sides lean, m.

    They are one where the street is straight there. Of a pit that inserts both ways its ground
    tells the least. What corners of the street add is not in them.
    """
    place = candidate_of(plan, pit)
    before, after = 0.0, 0.0
    if pit.role == "insertion_ahead":
        after = getattr(place, f"after_{pit.role}", math.nan)
        before = pit.length - after
    elif pit.role != "insertion_both":
        before = getattr(place, f"before_{pit.role}", math.nan)
        after = pit.length - before
    from_pit = shapely.get_coordinates(ground) - [pit.geometry.x, pit.geometry.y]
    edge = edge_of(plan, row)
    if edge is None:
        return pit.length, math.inf
    run = np.sum(headings, axis=0)
    works = []
    for street in edge.headings(pit.geometry, headings, plan.setting("street.parallel")):
        along = from_pit @ (street if street @ run >= 0 else -street)
        works.append(max(before, -float(along.min())) + max(after, float(along.max())))
    return min(works), max(works)


def _round_corners(row: Any, pit: Any, ground: Any, edge: Edge | None) -> float:
    """Return how much more of a street a pit may take by corners of it than it is long, m.

    Inside a corner of ``t`` what lies ``off`` beside the street is ``2 off tan(t/2)`` shorter than
    it; and a pit along the one side of it lies with its width along the other.
    """
    if edge is None or ground is None:
        return math.inf
    far = 2 * float(shapely.minimum_bounding_radius(ground.geometry))
    at = float(shapely.line_locate_point(edge.line, pit.geometry))
    span = row.work_length + far + edge.half
    bent = edge.corner(at - span, at + span) / edge.half
    return (edge.half + far) * bent + (pit.width if bent else 0.0)


def _headings(plan: Plan, pit: Any) -> list[FloatArray]:
    """Return the unit vectors along its run before and after a pit; one at a run's end."""
    line = shapely.force_2d(plan.one("runs", "run_id")[pit.run_id].geometry)
    ways = np.clip(pit.chainage + np.array([-REACH, 0.0, REACH]), 0.0, shapely.length(line))
    steps = np.diff(shapely.get_coordinates(shapely.line_interpolate_point(line, ways)), axis=0)
    sizes = np.hypot(*steps.T)
    return [step / size for step, size in zip(steps, sizes, strict=True) if size > DRAWN]


def _closure(
    plan: Plan,
    tally: Tally,
    row: Any,
    place: Any,
    ways: list[tuple[float, float]],
    headings: list[FloatArray],
) -> None:
    """Check one closure about a place that stands so far into its work space, one way or other.

    ``headings`` are those of the main, or the strings, at the place, by which it has its street.
    """
    edge = edge_of(plan, row)
    if edge is None:
        tally.skip("closures whose outline a bend of the street folds over")
        return
    _lacks(plan, tally, row, edge)
    at = float(shapely.line_locate_point(edge.line, place))
    aside = float(shapely.distance(edge.line, place))
    # A place is no farther from its street than this, and from the kerb beyond it.
    far = plan.setting("street.reach") + 2 * edge.half
    tally.holds(aside <= far, row.closure_id, f"lies {aside:.2f} m off what it is for")
    _in_its_street(plan, tally, row, [place], far)
    reached = 0
    spots = [edge.beside(place, heading, plan.setting("street.parallel")) for heading in headings]
    for spot in [(at, aside), *spots]:
        if not reached and spot is not None:
            reached = max(_ends_due(plan, tally, row, edge, spot, way) for way in ways)
    tally.holds(
        reached,
        row.closure_id,
        "does not reach as far as told on either side of what it is for",
    )
    # Corners by the place leave in doubt how far it reaches, and so whether it is cut short.
    whole = reached == 2 and _as_long_as_due(plan, tally, row, edge)
    _deep(plan, tally, row, edge, whole=whole)
    _at_kerb(plan, tally, row, edge, at)


def _ends_due(
    plan: Plan,
    tally: Tally,
    row: Any,
    edge: Edge,
    spot: tuple[float, float],
    way: tuple[float, float],
) -> int:
    """Return 2 if a closure reaches as far as told both ways, 1 if a street ends before, else 0.

    ``spot`` is how far along its edge, and off it, the place lies that it is for.
    """
    (at, aside), (low, high) = spot, way
    length = edge.line.length
    down = at - row.downstream_taper
    up = length - at - (row.taper + row.buffer - lacking(row))
    whole = 1 if lacking(row) > 0 else 2
    for found, least, most, span, end in (
        (down, low, high, (0.0, at), 0),
        (up, row.work_length - high, row.work_length - low, (at, length), -1),
    ):
        slack = edge.corner(*span) + edge.about(at, aside) + _aslant(plan, edge, end) + DRAWN
        if least - slack <= found <= most + slack:
            continue
        if found > most or not _ended(plan, tally, edge, end):
            return 0
        whole = 1
    return whole


def _aslant(plan: Plan, edge: Edge, end: int) -> float:
    """Return how far off the end of an edge may lie at a corner of the street, m.

    There it lies on the mitre of the corner, farther off it than the half of the street.
    """
    place = shapely.get_point(edge.line, end)
    turns = [
        corner.turn
        for corner in corners_of(plan).near(place, 2 * edge.half + REACH)
        if shapely.distance(corner.place, place)
        <= edge.half / math.cos(min(abs(corner.turn), SHARPEST) / 2) + REACH
    ]
    return 2 * edge.half * math.tan(max(turns, default=0.0) / 2)


def _ended(plan: Plan, tally: Tally, edge: Edge, end: int) -> bool:
    """Say whether the street of a closure may end where its long edge does."""
    corners = corners_of(plan)
    place = shapely.get_point(edge.line, end)
    if not streets_held(plan, 2 * edge.half, place):
        tally.skip("closures cut short where the plan holds no streets")
        return True
    return corners.ends(place, 2 * edge.half + corners.snap)


def _deep(plan: Plan, tally: Tally, row: Any, edge: Edge, *, whole: bool) -> None:
    """Check how far a closure reaches across the street, and its area where it is drawn whole."""
    fixed = plan.setting("street.taper") is not None or row.taper == 0  # none: the street is shut
    if not fixed and abs(row.taper - ONE_LANE_TAPER) > CLOSE:
        least, most = edge.widths
        low, high = (merging_taper(max(d, 0.0), row.speed)
                     for d in (least - DRAWN, most + DRAWN))  # fmt: skip
        tally.holds(
            low <= row.taper <= high,
            row.closure_id,
            f"is {edge.deep:.2f} m deep, its taper of {row.taper:.2f} m for another width",
        )
    if not whole:
        return
    due = row.buffer + row.work_length + (row.taper + row.downstream_taper) / 2
    least, deep = edge.widths
    bent = edge.corner(0.0, edge.line.length) + due * max(deep / least - 1, 0.0)
    bent += sum(_aslant(plan, edge, end) for end in (0, -1))
    slack = (bent + DRAWN_AREA * due) * deep
    # Led on into a street where its lane is narrower, it takes less from there on.
    area = float(shapely.area(row.geometry))
    tally.holds(
        -slack - edge.kinks * due <= area - due * deep <= slack,
        row.closure_id,
        f"takes {area:.2f} m2, due are {due * deep:.2f} m2",
    )


def _closed_wide(plan: Plan, row: Any, edge: Edge) -> tuple[float, float]:
    """Return between which widths the lanes are that a closure is told to close, m.

    Where the lanes left are narrowed, what they give up is closed besides.
    """
    least, most = edge.widths
    given = (1.0 - plan.setting("street.least_lane_share")) * row.lanes_left
    closed = lanes_shut(row)
    return least * closed / (closed + given), most


def _at_kerb(plan: Plan, tally: Tally, row: Any, edge: Edge, at: float) -> None:
    """Check that the long edge of a closure is the kerb, or the middle of its street."""
    place = shapely.line_interpolate_point(edge.line, at)
    corners = corners_of(plan)
    if CONTEXT not in plan.tables:
        tally.skip("kerbs of closures: the plan holds no layer context")
        return
    near = [
        other
        for other in plan.by(CONTEXT, "name").get(row.street, [])
        if other.layer == "streets" and shapely.dwithin(other.geometry, place, ROOM)
    ]
    if not near or corners.near(place, 2 * edge.half):
        tally.skip("closures at corners of their street, or of a street not in the plan: the kerb")
        return
    slack = corners.snap + DRAWN
    off = _nearest(place, near)
    gaps = [
        *_lane_lines(plan, row, place, near),
        *_lines_round_corner(plan, edge, place, near),
    ]
    tally.holds(
        any(min(abs(gap - lanes.kerb), abs(gap - lanes.middle)) <= slack for gap, lanes in gaps),
        row.closure_id,
        f"lies {off:.2f} m off the centreline of its street, not at kerb or middle",
    )
    least, most = _closed_wide(plan, row, edge)
    # Strings have lanes of the widest of a few streets that differ but a little.
    joined = LITTLE if row.pull_id else 0.0
    tally.holds(
        any(
            least - slack <= lanes_shut(row) * (lanes.wide + joined / lanes.count)
            and lanes_shut(row) * lanes.wide <= most + slack
            for lanes in (lanes_of(plan, street) for street in near)
        ),
        row.closure_id,
        f"is {edge.deep:.2f} m deep: no {lanes_shut(row):.0f} lanes of its street",
    )


def _lane_lines(plan: Plan, row: Any, place: Any, near: list[Any]) -> Iterator[tuple[float, Lanes]]:
    """Yield how far off a street a place on the edge of its closure lies, m, with its lanes.

    The lanes are those of the street at the pit, also where the strings lie farther on and the
    street is wider there: off the nearest centreline by the half of another one of its class.
    """
    off = _nearest(place, near)
    own = streets_of(plan, row.street, row.class_)
    for street in near:
        lanes = lanes_of(plan, street)
        yield float(shapely.distance(street.geometry, place)), lanes
        if any(street is other for other in own):
            yield off, lanes


def _lines_round_corner(
    plan: Plan, edge: Edge, place: Any, near: list[Any]
) -> Iterator[tuple[float, Lanes]]:
    """Yield how far off another street a place on the edge of a closure lies, m, with its lanes.

    And with those of its own, ``near``, that it keeps where it is led on into the other: it lies
    at the kerb, or the middle, of its own before the corner, goes along the other at the place,
    and both streets meet.
    """
    corners, parallel = corners_of(plan), plan.setting("street.parallel")
    slack = corners.snap + DRAWN
    if _nearest(place, near) <= edge.half + slack:
        return
    own = [street for street in near if _at_lanes(plan, edge, street, place, slack)]
    way = _steps_at(edge.line, place)[0]
    for street in of_context(plan, "streets") if own else []:
        gap = float(shapely.distance(street.geometry, place))
        if gap > edge.half + slack or _nearest(street.geometry, own) > corners.snap:
            continue
        lines = shapely.get_parts(street.geometry)
        if any(_along([_steps_at(line, place)[0]], way, parallel) for line in lines):
            yield from ((gap, lanes_of(plan, one)) for one in (street, *own))


def _at_lanes(plan: Plan, edge: Edge, street: Any, place: Any, slack: float) -> bool:
    """Say whether an edge lies at the kerb or the middle of a street that ends before a place.

    It is held against the street as far before that end as a corner there takes.
    """
    line = min(shapely.get_parts(street.geometry), key=lambda part: shapely.distance(part, place))
    end = shapely.line_locate_point(line, place)
    back = math.copysign(2 * edge.half, shapely.length(line) / 2 - end)
    gap = shapely.distance(edge.line, shapely.line_interpolate_point(line, max(end + back, 0.0)))
    lanes = lanes_of(plan, street)
    return bool(min(abs(gap - lanes.kerb), abs(gap - lanes.middle)) <= slack)


def _nearest(place: Any, streets: list[Any]) -> float:
    return min(float(shapely.distance(street.geometry, place)) for street in streets)


RULES = (
    Rule("strings-drawn", "strings are as long as told, and start at the ramp", strings_drawn),
    Rule("closures-drawn", "closures reach as far from their pit as told", closures_drawn),
)
