"""The long edge of a closure as drawn, at the kerb or at the middle of its street.

Its outline begins upstream on that edge and comes back along it; on the other side lie taper,
buffer and work space.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.corners import REACH, ROOM, SHARPEST, FloatArray, in_frame, turns_of
from geotools.deliver.verify.lanes import lanes_of, streets_near
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import DRAWN

__all__ = ["BESIDE", "Edge", "edge_of", "lacking", "lanes_shut"]

BESIDE = 1.0  # m along a street before and behind a place that tell how it runs there
SQUARE = math.radians(45.0)  # least turn into a step of a side, and out of it
BETWEEN = (0.25, 0.5, 0.75)  # of the way from one heading of a street to the next


@dataclass(frozen=True)
class Edge:
    """The long edge of a closure, from its downstream end to its upstream one.

    ``deep`` is how far the closure reaches from it, ``half`` the half of the street, m. Lanes that
    end a little before a corner reach past its mitre, inside of it, and so farther than they are
    wide; ``plain`` is how far all reach where that and mitres are left out. ``level`` is how far
    they reach where both sides are straight, not-a-number where they are nowhere. ``kinks`` is how
    far both sides step aside, m, where lanes are narrower or wider from one street on.
    """

    line: Any
    turns: list[float]
    at: list[float]
    deep: float
    half: float
    plain: float
    level: float
    kinks: float

    @property
    def widths(self) -> tuple[float, float]:
        """Return between which widths the lanes closed are, m.

        Where none can be, as along straights they lie nearer than anywhere else by more than
        mitres make, the least is more than the most.
        """
        least = self.plain / self.mitre
        if math.isnan(self.level):
            return least, self.deep
        return max(least, self.level), self.level

    def corner(self, low: float, high: float) -> float:
        """Return what corners between two places along it may add or take, m.

        The edge lies no farther off the centreline than the half of the street is wide.
        """
        met = [b for b, at in zip(self.bent, self.at, strict=True) if low <= at <= high]
        return self.half * math.fsum(met)

    def about(self, at: float, aside: float) -> float:
        """Return how far along another place ``aside`` of one on it may lie, at corners by it, m.

        It is told by the stretch of the street that its main goes along, not by the nearest.
        """
        far = self.half + aside
        met = [b for b, c in zip(self.bent, self.at, strict=True) if abs(c - at) <= far * b + REACH]
        return far * math.fsum(met)

    def beside(
        self, place: Any, heading: FloatArray, parallel: float
    ) -> tuple[float, float] | None:
        """Return how far along, and off it, a place lies by the stretch its main goes along, m.

        That may be another than the nearest; then the place is told by the end of it, the corner,
        however far before the corner it lies. None where the main goes along no stretch.
        """
        ends = [0.0, *self.at]
        found = []
        for low, (one, two) in zip(
            ends, itertools.pairwise(shapely.get_coordinates(self.line)), strict=True
        ):
            along, across = in_frame(two - one, heading)
            if math.atan2(abs(across), abs(along)) <= parallel:
                stretch = shapely.LineString([one, two])
                at = low + float(shapely.line_locate_point(stretch, place))
                found.append((float(shapely.distance(stretch, place)), at))
        aside, at = min(found, default=(math.nan, math.nan))
        return None if math.isnan(at) else (at, aside)

    def headings(self, place: Any, ways: list[FloatArray], parallel: float) -> list[FloatArray]:
        """Return the unit vectors along which the street may be said to run at a place.

        One where it is straight there; by a corner, where it runs on either side and in between.
        ``ways`` are those of the main at the place.
        """
        nearest = (
            float(shapely.line_locate_point(self.line, place)),
            float(shapely.distance(self.line, place)),
        )
        spots = [spot for way in ways if (spot := self.beside(place, way, parallel)) is not None]
        xy = shapely.get_coordinates(self.line)
        ends = np.array([0.0, *self.at, self.line.length])
        steps = np.diff(xy, axis=0) / np.diff(ends)[:, None]
        found: list[FloatArray] = []
        for at, aside in spots or [nearest]:
            room = BESIDE + self.about(at, aside)
            met = np.flatnonzero((ends[1:] > at - room) & (ends[:-1] < at + room))
            found += [steps[k] for k in met]
            for one, two in itertools.pairwise(met):
                mixed = [steps[one] * (1 - share) + steps[two] * share for share in BETWEEN]
                found += [np.asarray(step / np.hypot(*step)) for step in mixed]
        return found

    def work_middle(self, row: Any) -> tuple[FloatArray, FloatArray]:
        """Return the place in the middle of the work of its closure, and the way it goes there.

        Where the street ends before the downstream taper does, less of that is drawn.
        """
        length = float(self.line.length)
        due = row.taper + row.buffer - lacking(row) + row.work_length + row.downstream_taper
        cut = max(due - length - self.corner(0.0, length), 0.0)
        at = max(row.downstream_taper - cut, 0.0) + row.work_length / 2
        spots = np.clip([at, at - BESIDE, at + BESIDE], 0.0, length)
        place, one, two = shapely.get_coordinates(
            shapely.line_interpolate_point(self.line, np.nan_to_num(spots))
        )
        return place, (two - one) / max(math.dist(one, two), DRAWN)

    @property
    def mitre(self) -> float:
        """Return how many times as deep as its lanes a closure is at its sharpest corner."""
        return 1 / math.cos(max(self.near, default=0.0) / 2)

    @property
    def near(self) -> list[float]:
        """Return what is turned about each of its corners over the way a heading is taken, rad.

        The plan draws corners nearer to each other than that on mitres of that heading. Between
        two the edge is longer than the street by what it lies off it, outside of them.
        """
        sizes = np.array([min(abs(turn), SHARPEST) for turn in self.turns])
        takes, at = 2 * np.tan(sizes / 2), np.array(self.at)
        longer = self.half * (np.cumsum(takes) - takes / 2)
        gaps, more = (np.abs(one[:, None] - one) for one in (at, longer))
        return [min(float(sizes[met].sum()), SHARPEST) for met in gaps - more <= REACH]

    @property
    def bent(self) -> list[float]:
        """Return what each of its corners takes of a line 1 m beside it, m.

        By others near it the edge lies farther off there, by what all of them turn.
        """
        sizes = (min(abs(turn), SHARPEST) for turn in self.turns)
        return [
            2 * math.tan(size / 2) / math.cos(near / 2)
            for size, near in zip(sizes, self.near, strict=True)
        ]


def lacking(row: Any) -> float:
    """Return what of taper and buffer is told not to be drawn, m; older plans do not tell it."""
    told = float(getattr(row, "lacking", 0.0))
    return told if math.isfinite(told) else 0.0


def lanes_shut(row: Any) -> float:
    """Return how many lanes the ground of a closure takes.

    A single lane of both ways is shut to either, and counts with one of them.
    """
    return float(max(row.lanes_closed, 1))


def edge_of(plan: Plan, row: Any) -> Edge | None:
    """Return the long edge of a closure; None where its outline is no strip as it is drawn."""
    # with the row, which so lives on: no other can be taken for it
    kept = plan.once(f"edge of closure {id(row)}", lambda: (row, _edge_of(plan, row)))
    return kept[1]


def _edge_of(plan: Plan, row: Any) -> Edge | None:
    xy = _without_repeats(shapely.get_coordinates(row.geometry))[:-1]
    if len(xy) < 4 or len(shapely.get_parts(row.geometry)) > 1:
        return None
    end = _downstream_end(xy)
    edge = np.vstack([xy[end:], xy[:1]])
    turns = turns_of(edge)
    if max(map(abs, turns), default=0.0) > SHARPEST:  # no street's edge, but an outline folded over
        return None
    line = shapely.LineString(edge)
    deep = float(shapely.distance(shapely.points(xy), line).max())
    at = np.cumsum(np.hypot(*np.diff(edge, axis=0).T))[:-1].tolist()
    half = _half(plan, row, deep)
    plain = max(_off_edges(place, edge, turns, at, half) for place in xy)
    kinks = _kinks(xy[: end + 1], deep) + _kinks(edge, deep)
    return Edge(line, turns, at, deep, half, plain, _level(xy, edge, deep), kinks)


def _without_repeats(xy: FloatArray) -> FloatArray:
    """Return a line without the vertices that are the one before once more."""
    return xy[np.append(np.hypot(*np.diff(xy, axis=0).T) > 0.0, True)] if len(xy) else xy


def _downstream_end(xy: FloatArray) -> int:
    """Return which vertex of the outline of a closure is the downstream end of its long edge.

    As many vertices of the street lie on that edge as on the other three together, and one more
    for each end of buffer and work that is one itself, or is cut off on it, in two points. There
    the outline comes along the taper and turns back before. Where the lane closed is narrower or
    wider from one street on, the one side has a vertex more, and it turns back by there.
    """
    end = (len(xy) + 2) // 2
    around = np.array(turns_of(np.vstack([xy[-1:], xy, xy[:1]])))
    back = around * math.copysign(1.0, around[0]) > SHARPEST
    for other in (end - 1, end + 1)[: 1 + len(xy) % 2]:
        if 3 <= other < len(xy) and back[other] and not back[end]:
            return other
    found = [] if back[end] else [k for k in np.flatnonzero(back).tolist() if k >= 3]
    return min(found, key=lambda k: abs(k - end), default=end)


def _off_edges(
    place: FloatArray, edge: FloatArray, turns: list[float], at: list[float], half: float
) -> float:
    """Return how far a place lies off a line, m; by a corner, off either edge drawn through it.

    A place past the mitre of a corner is nearest to the corner, or to as much of the edge there
    as what lies ``half``, m, off the street and square off the one edge goes along the other.
    """
    line, point = shapely.LineString(edge), shapely.Point(place)
    along = float(shapely.line_locate_point(line, point))
    off = [float(shapely.distance(line, point))]
    for k, (turn, corner) in enumerate(zip(turns, at, strict=True)):
        if abs(along - corner) <= half * abs(math.sin(turn)) + DRAWN:
            pairs = itertools.pairwise(edge[k : k + 3])
            off += [abs(in_frame(place - one, (two - one) / math.dist(one, two))[1])
                    for one, two in pairs]  # fmt: skip
    return min(off)


def _level(outline: FloatArray, edge: FloatArray, deep: float) -> float:
    """Return how far off a line an outline goes along it, both straight there; NaN if nowhere.

    What lies farther off than ``deep``, m, goes along another part of the line, as across a ring.
    """
    far = []
    for one, two in itertools.pairwise([*outline, outline[0]]):
        if math.dist(one, two) < BESIDE:
            continue
        beside = [_beside(one, two, first, last) for first, last in itertools.pairwise(edge)]
        found = [off for off in beside if DRAWN < off <= deep + DRAWN]
        far += [min(found)] if found else []
    return max(far, default=math.nan)


def _kinks(side: FloatArray, deep: float) -> float:
    """Return how far one side of a closure steps towards the other, or away from it, m.

    It does where the lane closed is narrower or wider from one street on, by less than ``deep``.
    """
    steps = np.hypot(*np.diff(side, axis=0).T)[1:-1].tolist()
    found = zip(itertools.pairwise(turns_of(side)), steps, strict=True)
    return math.fsum(
        step
        for (one, two), step in found
        if one * two < 0 and min(abs(one), abs(two)) > SQUARE and step < deep
    )


def _beside(one: FloatArray, two: FloatArray, first: FloatArray, last: FloatArray) -> float:
    """Return how far off a straight another lies that goes along it; -1 where it does not."""
    size = math.dist(first, last)
    if size < BESIDE:
        return -1.0
    way = (last - first) / size
    (at, off), (to, gap) = (in_frame(place - first, way) for place in (one, two))
    if abs(off - gap) > DRAWN or max(at, to) <= 0.0 or min(at, to) >= size:
        return -1.0
    return abs(off + gap) / 2


def _half(plan: Plan, row: Any, deep: float) -> float:
    """Return how far off the centreline the kerb of a closure lies at most, m.

    Of an odd number of lanes the middle lies half a lane off it. Where the street is not in the
    plan it is not known how many there are.
    """
    closed = lanes_shut(row)
    lane = deep / closed
    kerbs = [
        lanes.kerb
        for street in streets_near(plan, row.street, row.class_, row.geometry, ROOM)
        if (lanes := lanes_of(plan, street)).wide <= lane + DRAWN
    ]
    return max(kerbs, default=(closed + row.lanes_left + 0.5) * lane)
