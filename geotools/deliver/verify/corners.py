"""Corners of streets, as the plan holds them: where what lies along a street turns with it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.plan import Plan, of_context
from geotools.deliver.verify.tally import CLOSE, NotChecked

__all__ = [
    "REACH",
    "ROOM",
    "SHARPEST",
    "Corners",
    "FloatArray",
    "corners_of",
    "in_frame",
    "turns_of",
]

FloatArray = npt.NDArray[np.float64]
SHARPEST = math.radians(120.0)  # of a sharper turn the plan takes this
REACH = 0.5  # m; so near to a corner of its street the end of a strip lies aslant
ROOM = 100.0  # m; farther from its street nothing lies


@dataclass(frozen=True)
class Corner:
    """A vertex of a street: where, how far it turns there, and the line it is of."""

    place: Any
    turn: float
    line: int
    last: bool


class Corners:
    """Vertices of the streets that the plan holds, and the stretches between them, by place."""

    def __init__(self, plan: Plan) -> None:
        self.snap = max(float(plan.setting("network.snap_tolerance")), CLOSE)
        self.on = float(plan.setting("street.max_turn"))
        self.all: list[Corner] = []
        self.stretches: list[Any] = []
        self.closed: set[int] = set()  # lines that end where they begin
        try:
            rows = of_context(plan, "streets")
        except NotChecked:
            rows = []
        for line, shape in enumerate(part for row in rows for part in _parts(row)):
            xy = shapely.get_coordinates(shape)
            # Where a line ends another goes on with it, straight on or nearly so.
            turns = [self.on, *(min(abs(turn), SHARPEST) for turn in turns_of(xy)), self.on]
            last = [True, *[False] * (len(xy) - 2), True]
            places = shapely.points(xy)
            if math.dist(xy[0], xy[-1]) <= self.snap:
                self.closed.add(line)
            of_line = [Corner(p, t, line, e) for p, t, e in zip(places, turns, last, strict=True)]
            self.all += of_line
            self.stretches += [
                shapely.shortest_line(one, two) for one, two in itertools.pairwise(places)
            ]
        self.tree = shapely.STRtree([corner.place for corner in self.all])
        self.by_stretch = shapely.STRtree(self.stretches)

    def near(self, place: Any, reach: float) -> list[Corner]:
        """Return the corners within a distance of a place or a line, m."""
        found = self.tree.query(place, predicate="dwithin", distance=reach)
        return [self.all[k] for k in sorted(found.tolist())]

    def taken(self, xy: FloatArray, heading: FloatArray) -> float:
        """Return how much longer or shorter than told a string may be that ends here, m.

        At a corner of ``t`` a line ``off`` beside the street is ``2 off tan(t/2)`` longer or
        shorter than it, and one that begins or ends there has all of it, a part or nothing.
        """
        place = shapely.Point(xy)
        found = self.by_stretch.query(place, predicate="dwithin", distance=ROOM)
        least = math.inf
        for k in found.tolist():
            off = float(shapely.distance(place, self.stretches[k]))
            if off < least and self._goes_with(self.stretches[k], heading):
                least = off
        if math.isinf(least):
            return 0.0
        off = least + self.snap
        met = [c for c in self.near(place, 3 * off + REACH) if self._meets(c, place, off)]
        return 2 * off * math.fsum(math.tan(corner.turn / 2) for corner in met)

    def drawn_together(self, xy: FloatArray, turn: float) -> float:
        """Return how much shorter than told a string may be that turns there in one place, m.

        Told is the sum over the corners of its street, each of which takes ``2 off tan(t/2)``.
        Where they are nearer to each other than it has room inside of them, it turns by all of
        them together where its straights meet, which takes more; one alone takes what is told.
        """
        place = shapely.Point(xy)
        found = self.by_stretch.query(place, predicate="dwithin", distance=ROOM)
        off = min((float(shapely.distance(place, self.stretches[k])) for k in found), default=0.0)
        turn = min(abs(turn), SHARPEST)
        met = self.near(place, off / math.cos(turn / 2) + REACH)
        one = max((abs(c.turn) for c in met if not c.last and abs(c.turn) <= turn), default=turn)
        return off * (2 * math.tan(turn / 2) - 2 * math.tan(one / 2) - (turn - one))

    @staticmethod
    def _meets(corner: Corner, place: Any, off: float) -> bool:
        """Say whether a line so far beside a street has a corner of it at a place."""
        reach = math.hypot(off, 2 * off * math.tan(corner.turn / 2)) + REACH
        return bool(shapely.distance(corner.place, place) <= reach)

    def _goes_with(self, stretch: Any, heading: FloatArray) -> bool:
        """Say whether a stretch goes on the way a string lies, or back, within a turn."""
        along, aside = in_frame(np.diff(shapely.get_coordinates(stretch), axis=0)[0], heading)
        return math.atan2(abs(aside), abs(along)) <= self.on

    def ends(self, place: Any, reach: float) -> bool:
        """Say whether a street may end within a distance of a place, m.

        That is where a line ends, or turns off where it meets another. A closed line that meets
        none where it ends goes on there.
        """
        return any(
            (corner.last and not self._goes_round(corner))
            or any(other.line != corner.line for other in self.near(corner.place, self.snap))
            for corner in self.near(place, reach)
        )

    def _goes_round(self, corner: Corner) -> bool:
        """Say whether at an end of a closed line no more than its first and last stretch meet."""
        met = self.by_stretch.query(corner.place, predicate="dwithin", distance=self.snap)
        return corner.line in self.closed and len(met) <= 2


def _parts(row: Any) -> list[Any]:
    """Return the lines of a feature that are longer than a point."""
    return [part for part in shapely.get_parts(row.geometry) if shapely.length(part) > 0]


def corners_of(plan: Plan) -> Corners:
    """Return the corners of the streets a plan holds."""
    return plan.once("corners of streets", lambda: Corners(plan))


def turns_of(xy: FloatArray) -> list[float]:
    """Return the turns of a line at its inner vertices, to the left, rad."""
    headings = [math.atan2(y, x) for x, y in np.diff(xy, axis=0).tolist()]
    return [math.remainder(two - one, math.tau) for one, two in itertools.pairwise(headings)]


def in_frame(step: FloatArray, heading: FloatArray) -> tuple[float, float]:
    """Return how far along a heading a step goes, and how far to its left."""
    (x, y), (east, north) = step.tolist(), heading.tolist()
    return x * east + y * north, y * east - x * north
