"""Strings against the lanes of all streets they lie along, as drawn: none lies in an open lane."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.lanes import lanes_of
from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.sites import closures_of
from geotools.deliver.verify.tally import NotChecked, Rule, Tally

__all__ = ["RULES", "lanes_met"]

SAME_WAY = 2e-4  # rad, 0.01 degree; rounding of coordinates is to decide nothing
STEP = 5.0  # m between places of a string that are looked at
TOUCH = 0.05  # m of carriageway that may be overlapped without taking anything
CORNER = 15.0  # m of a string at a corner or end of its street, where streets are told otherwise


def lanes_met(
    off: float, reach: float, width: float, lanes: int, share: float, *, oneway: bool = False
) -> int:
    """Return the lanes that what reaches so far about a place off the centreline takes.

    By hand: on either side of the line between the directions as many lanes stay as find room,
    on the one side of it or the other, each narrowed at most to that
    ``share`` of its width. Of an odd number the
    lane over the centreline is that of the direction with which more are taken. All lanes of a
    one-way street lie on one side of its kerb.
    """
    if oneway:
        return _lanes_met(off - width / 2, reach, width / lanes, (lanes, 0), share)
    lane, few, more = width / lanes, lanes // 2, lanes // 2 + lanes % 2
    aside = lane / 2 * (lanes % 2)
    return max(
        _lanes_met(off - middle, reach, lane, halves, share)
        for middle, halves in ((aside, (more, few)), (-aside, (few, more)))
    )


def _lanes_met(off: float, reach: float, lane: float, halves: tuple[int, int], share: float) -> int:
    """Return the lanes taken, of so many right and left of the line ``off`` is measured from."""
    taken = 0
    for side, here in zip((-1.0, 1.0), halves, strict=True):
        low, high = sorted(side * (off + way * reach) for way in (-1, 1))
        if here and high > TOUCH and low < here * lane - TOUCH:
            rest = max(low, here * lane - high, 0.0)
            taken += here - min(math.floor(rest / (share * lane) + 1e-9), here)
    return taken


def strings_closed_for(plan: Plan) -> Tally:
    """Check that strings lie in closures wherever they take a lane of a street they lie along."""
    tally = Tally("strings")
    try:
        streets = [row for row in of_context(plan, "streets") if shapely.length(row.geometry) > 0]
    except NotChecked as reason:
        tally.skip(f"lanes strings lie in: {reason}")
        return tally
    tree = shapely.STRtree([row.geometry for row in streets])
    gap = plan.setting("street.lateral_gap")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
        if pipe is None:
            continue
        held = shapely.union_all([row.geometry for row in closures_of(plan, pull.pull_id)])
        for row in plan.by("strings", "pull_id", "number").get(pull.pull_id, []):
            open_ = [
                place
                for place, heading in _places(row.geometry)
                if not shapely.dwithin(held, place, pipe.outside + gap + TOUCH)
                and _takes(plan, place, heading, (tree, streets), gap)
            ]
            tally.holds(
                len(open_) * STEP <= CORNER,
                row.string_id,
                f"lies in lanes that nothing closes over {len(open_) * STEP:.0f} m",
            )
    return tally


def _places(shape: Any) -> list[tuple[Any, Any]]:
    """Return places along the side of a string as drawn, and its heading there."""
    xy = shapely.get_coordinates(shape)[:-1]
    line = shapely.LineString(xy[: len(xy) // 2])
    ways = np.arange(STEP, shapely.length(line) - STEP, STEP)
    here, on = (
        shapely.get_coordinates(shapely.line_interpolate_point(line, ways + more))
        for more in (0.0, STEP / 10)
    )
    return [(shapely.Point(a), b - a) for a, b in zip(here, on, strict=True)]


def _takes(plan: Plan, place: Any, heading: Any, known: tuple[Any, list[Any]], reach: float) -> int:
    """Return the lanes taken at a place of the nearest street that goes on as the string does."""
    tree, streets = known
    found = []
    own, kerbs = plan.setting("street.reach"), _kerbs(plan, streets)
    far = max(own, kerbs.max(initial=0.0))
    for k in tree.query(place, predicate="dwithin", distance=far).tolist():
        line = shapely.force_2d(streets[k].geometry)
        if shapely.distance(line, place) > max(own, kerbs[k]):
            continue
        at = shapely.line_locate_point(line, place)
        if not 0 < at < shapely.length(line):
            continue
        ends = shapely.line_interpolate_point(line, [max(at - 0.5, 0.0), at + 0.5])
        (x, y), (dx, dy) = np.diff(shapely.get_coordinates(ends), axis=0)[0], heading
        across, along = x * dy - y * dx, x * dx + y * dy
        if math.atan2(abs(across), abs(along)) <= plan.setting("street.max_turn") + SAME_WAY:
            found.append((shapely.distance(line, place), k))
    if not found:
        return 0
    met = {k: _lanes_of(plan, streets[k], float(off), reach) for off, k in found}
    k = min(found)[1]
    if any(
        not met[j] and _in_mouth(plan, place, streets[k], (streets[j], float(aside)))
        for aside, j in found
    ):
        return 0
    return met[k]


def _kerbs(plan: Plan, streets: list[Any]) -> Any:
    """Return half the carriageway of streets, m: on it a string lies in a street, however wide."""
    return plan.once(
        "kerbs of streets", lambda: np.array([lanes_of(plan, street).kerb for street in streets])
    )


def _lanes_of(plan: Plan, street: Any, off: float, reach: float) -> int:
    """Return the lanes of a street that are taken so far off its centreline."""
    lanes = lanes_of(plan, street)
    share = plan.setting("street.least_lane_share")
    width = lanes.wide * lanes.count
    return lanes_met(off, reach, width, lanes.count, share, oneway=lanes.oneway)


def _in_mouth(plan: Plan, place: Any, street: Any, own: tuple[Any, float]) -> bool:
    """Say whether a place ``off`` beside its own street lies in the mouth of another that meets it.

    Where they meet at an angle of ``t``, what lies there is in the carriageway of the other, of
    ``half`` to each side, up to ``(off + half) / sin(t)`` from where they meet. There is the
    intersection, which strings may cross.
    """
    line, other = (shapely.force_2d(row.geometry) for row in (street, own[0]))
    wide = own[1] + lanes_of(plan, street).kerb
    snap = plan.setting("network.snap_tolerance")
    for end in (0, -1):
        node = shapely.get_point(line, end)
        if not shapely.dwithin(node, other, snap):
            continue
        (x, y), (dx, dy) = (
            shapely.get_coordinates(shapely.shortest_line(one, place))[0]
            - shapely.get_coordinates(node)[0]
            for one in (line, other)
        )
        sine = abs(x * dy - y * dx) / (math.hypot(x, y) * math.hypot(dx, dy) or 1.0)
        if shapely.distance(node, place) * sine <= wide:
            return True
    return False


RULES = (Rule("strings-closed-for", "strings lie in no lane that is open", strings_closed_for),)
