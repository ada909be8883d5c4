"""Strings and closures as drawn: as long as told, and where the pit is that they are for.

Both are strips along a street. The outline of a string goes there on one side and back on the
other, vertex by vertex of the street. That of a closure begins upstream on its long edge, at the
kerb or at the middle, and comes back along it; on the other side lie taper, buffer and work space.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.formulas import (
    ONE_LANE_TAPER,
    merging_taper,
)
from geotools.deliver.verify.lanes import (
    Lanes,
    lanes_of,
    streets_held,
    streets_known,
    streets_of,
)
from geotools.deliver.verify.plan import CONTEXT, Plan
from geotools.deliver.verify.sites import (
    DRAWN,
    DRAWN_AREA,
    candidate_of,
    closures_of,
    closures_together,
    straight_over,
)
from geotools.deliver.verify.surroundings import of_context
from geotools.deliver.verify.tally import CLOSE, NotChecked, Rule, Tally

__all__ = ["RULES", "Edge", "edge_of"]

FloatArray = npt.NDArray[np.float64]
SHARPEST = math.radians(120.0)  # of a sharper turn the plan takes this
BESIDE = 1.0  # m along a street before and behind a place that tell how it runs there
REACH = 0.5  # m; so near to a corner of its street the end of a strip lies aslant
STRAIGHT = 20.0  # m; beside a curve two vertices of its street nearer than `REACH` lie less apart
BETWEEN = (0.25, 0.5, 0.75)  # of the way from one heading of a street to the next
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
            turns = [self.on, *(min(abs(turn), SHARPEST) for turn in _turns(xy)), self.on]
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
        """Return the corners within a distance of a place, m."""
        found = self.tree.query(place, predicate="dwithin", distance=reach)
        return [self.all[k] for k in sorted(found.tolist())]

    def about(self, line: Any, reach: float) -> list[Corner]:
        """Return the corners within a distance of a line, m."""
        found = self.tree.query(line, predicate="dwithin", distance=reach)
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
        along, aside = _in_frame(np.diff(shapely.get_coordinates(stretch), axis=0)[0], heading)
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


def _corners(plan: Plan) -> Corners:
    return plan.once("corners of streets", lambda: Corners(plan))


def _turns(xy: FloatArray) -> list[float]:
    """Return the turns of a line at its inner vertices, to the left, rad."""
    headings = [math.atan2(y, x) for x, y in np.diff(xy, axis=0).tolist()]
    return [math.remainder(two - one, math.tau) for one, two in itertools.pairwise(headings)]


@dataclass(frozen=True)
class Laid:
    """A string as drawn: its middle line, and its width along the cut at each of its vertices."""

    line: FloatArray
    cuts: FloatArray

    def heading(self, end: int) -> FloatArray:
        """Return the unit vector it starts along (0), or ends (-1)."""
        step = self.line[1] - self.line[0] if end == 0 else self.line[-1] - self.line[-2]
        return np.asarray(step / np.hypot(*step), dtype=np.float64)

    def corners(self) -> Iterator[tuple[FloatArray, float]]:
        """Yield where it turns, and how far, rad; what it turns within a metre is one corner."""
        turns = np.array(_turns(self.line))
        sizes = np.hypot(*np.diff(self.line, axis=0).T)[1:-1]
        group = np.cumsum(np.append(0, sizes > 2 * REACH))
        for k in range(int(group[-1]) + 1 if len(turns) else 0):
            of = np.flatnonzero(group == k)
            yield self.line[1 + of].mean(axis=0), float(turns[of].sum())

    def wider(self) -> float:
        """Return how much longer its area may make it than it is, by corners near each other, m.

        A corner nearer to another than a heading is taken over has its mitre of what both turn,
        and beside it the strip is narrower again; along a straight it has its width throughout.
        """
        sizes = np.hypot(*np.diff(self.line, axis=0).T)
        turns = np.minimum(np.abs(_turns(self.line)), SHARPEST)
        more = np.zeros(len(sizes) + 1)
        for k in np.flatnonzero(sizes[1:-1] <= 2 * REACH) + 1:
            both = min(float(turns[k - 1] + turns[k]), SHARPEST)
            more[k : k + 2] = np.maximum(more[k : k + 2], 1 / math.cos(both / 2) - 1)
        beside = np.minimum(sizes, 2 * REACH)
        return float(((more[:-1] + more[1:]) / 2 * beside).sum())

    def straights(self) -> Iterator[tuple[float, float]]:
        """Yield how wide it is at both ends of each straight, so long that no curve is one, m."""
        for k in np.flatnonzero(np.hypot(*np.diff(self.line, axis=0).T) >= STRAIGHT):
            way = self.line[k + 1] - self.line[k]
            way = way / np.hypot(*way)
            one, two = (abs(_in_frame(cut, way)[1]) for cut in self.cuts[k : k + 2])
            yield one, two


def _laid(shape: Any, outside: float) -> Laid | None:
    """Return a string drawn as a strip of its width; None where it is drawn in another way."""
    xy = shapely.get_coordinates(shape)[:-1]
    if len(xy) < 4 or len(xy) % 2 or len(shapely.get_parts(shape)) > 1:
        return None
    one, two = xy[: len(xy) // 2], xy[: len(xy) // 2 - 1 : -1]
    across = one - two
    wide = np.hypot(*across.T)
    # At a corner the cut is a mitre, of twice the width at the most.
    if wide.min() < outside - DRAWN or wide.max() > 2 * outside + DRAWN:
        return None
    line = (one + two) / 2
    # Corners too near to each other for its inside are drawn in one place.
    apart = np.append(True, np.hypot(*np.diff(line, axis=0).T) > CLOSE)
    return Laid(line[apart], across[apart])


def strings_drawn(plan: Plan) -> Tally:
    """Check the ground of strings: as long and wide as told, side by side, at the ramp's top."""
    tally = Tally("strings")
    strings = plan.by("strings", "pull_id", "number")
    runs = plan.one("runs", "run_id")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, runs[pull.run_id])
        if pipe is None:
            continue
        laid = []
        for row in strings.get(pull.pull_id, []):
            drawn = _laid(row.geometry, pipe.outside)
            if drawn is not None:
                _as_wide(tally, row, drawn, pipe.outside)
                _as_long(plan, tally, row, drawn, pipe.outside)
                laid.append((row, drawn))
            # Where a strip would lie over itself, in a sharp bend, its hull is drawn.
            elif tally.holds(
                shapely.get_num_coordinates(row.geometry) > 5
                and shapely.area(shapely.convex_hull(row.geometry))
                <= shapely.area(row.geometry) * (1 + DRAWN_AREA),
                row.string_id,
                f"is not drawn {pipe.outside:.3f} m wide",
            ):
                tally.skip("strings drawn as a hull, in bends they would lie over themselves in")
        _side_by_side(plan, tally, laid, pipe.outside)
        _at_ramp(plan, tally, pull, laid, pipe)
    return tally


def _as_wide(tally: Tally, row: Any, drawn: Laid, outside: float) -> None:
    """Check that a string keeps its width along straights."""
    for one, two in drawn.straights():
        tally.holds(
            max(abs(one - outside), abs(two - outside)) <= DRAWN,
            row.string_id,
            f"is {one:.4f} to {two:.4f} m wide along a straight, not {outside:.4f} m",
        )


def _as_long(plan: Plan, tally: Tally, row: Any, drawn: Laid, outside: float) -> None:
    """Check the length drawn: the area by the width, and the middle line.

    Corners of the street may add to its ends. Where they are so near to each other that they
    share a mitre the strip is wider; where it has no room inside of them it cuts them short.
    """
    if not streets_known(plan):
        tally.skip("length of strings as drawn: the streets are not in the plan")
        return
    corners = _corners(plan)
    first, last = (corners.taken(drawn.line[k], drawn.heading(k)) for k in (0, -1))
    slack = first + last + math.fsum(corners.drawn_together(*one) for one in drawn.corners())
    for length, room in (
        (float(shapely.area(row.geometry)) / outside, slack + drawn.wider()),
        (float(shapely.length(shapely.LineString(drawn.line))), slack),
    ):
        tally.holds(
            abs(length - row.length) <= room + DRAWN_AREA * row.length,
            row.string_id,
            f"is drawn {length:.3f} m long, told are {row.length:.3f} m",
        )


def _side_by_side(plan: Plan, tally: Tally, laid: list[tuple[Any, Laid]], outside: float) -> None:
    """Check that the strings of a pull start on one line, whole places apart."""
    step = outside + plan.setting("street.string_gap")
    taken = []
    for row, drawn in laid:
        cut, origin = laid[0][1].cuts[0], laid[0][1].line[0]
        wide = float(np.hypot(*cut))
        along, across = _in_frame(drawn.line[0] - origin, cut / wide)
        place = along / (step * wide / outside)
        tally.holds(
            abs(across) <= DRAWN and abs(place - round(place)) * step <= DRAWN,
            row.string_id,
            f"starts {across:.3f} m off the line the first one starts on, {place:.3f} places on",
        )
        tally.holds(round(place) not in taken, row.string_id, "lies on another of its pull")
        taken.append(round(place))


def _in_frame(step: FloatArray, heading: FloatArray) -> tuple[float, float]:
    """Return how far along a heading a step goes, and how far to its left."""
    (x, y), (east, north) = step.tolist(), heading.tolist()
    return x * east + y * north, y * east - x * north


def _at_ramp(plan: Plan, tally: Tally, pull: Any, laid: list[tuple[Any, Laid]], pipe: Any) -> None:
    """Check that strings start where the ramp of their pit ends."""
    pit = plan.one("pits", "pit_id").get(pull.insertion_pit)
    ground = plan.one("pit_footprints", "pit_id").get(pull.insertion_pit)
    if pit is None or ground is None or ground.geometry is None or not laid:
        return  # told by the rules of pits
    if not streets_known(plan):
        tally.skip("start of strings: the streets are not in the plan")
        return
    low, high = _ramp_slack(plan, pull, pit)
    corner = _corners(plan).taken(laid[0][1].line[0], laid[0][1].heading(0))
    step = pipe.outside + plan.setting("street.string_gap")
    for row, drawn in laid:
        start, heading = drawn.line[0], drawn.heading(0)
        over = max(
            _in_frame(xy - start, heading)[0] for xy in shapely.get_coordinates(ground.geometry)
        )
        cut = drawn.cuts[0]
        edge = shapely.LineString([start - cut / 2, start + cut / 2])
        off = float(shapely.distance(edge, ground.geometry))
        room = (len(laid) - 1) * step * float(np.hypot(*cut)) / pipe.outside + low + corner
        tally.holds(
            -low - corner <= over <= high + corner,
            row.string_id,
            f"its pit ends {over:.3f} m past its start, due is {-low:.3f} to {high:.3f} m",
        )
        tally.holds(
            off <= room or _led_round(plan, tally, row, cut / np.hypot(*cut) * off),
            row.string_id,
            f"starts {off:.3f} m off its pit, {len(laid)} side by side take {room:.3f} m",
        )


def _ramp_slack(plan: Plan, pull: Any, pit: Any) -> tuple[float, float]:
    """Return how far before and past the start of a string its pit may end, along the string, m.

    A ramp ends with its full width, at an angle to the street of ``street.max_turn`` at most, and
    its axis is thinned within the accuracy of its survey. Sides that lean reach as far out as the
    pit is deep. The run may be opened beyond the ramp; of a pit that inserts both ways, whose
    shorter ramp is not told, by what it holds there, or half a receiving pit.
    """
    place = candidate_of(plan, pit)
    ahead = pull.direction == "ahead"
    side = f"{'before' if ahead else 'after'}_{pit.role}"
    opened = getattr(place, side, math.nan) if place is not None else math.nan
    # Round a bend the run may go on as the string does, and the ramp at an angle to both.
    turned = 0.0 if straight_over(plan, pit) else plan.setting("street.max_turn")
    beyond = opened - pit.ramp * math.cos(turned)
    if pit.role == "insertion_both" and place is not None:
        # Of the shorter ramp is known that no pit opens more than it and what it holds there.
        near = getattr(place, f"{'before' if ahead else 'after'}_receiving")
        beyond = max(beyond, 0.0 if opened > near + CLOSE else opened)
    aslant = pit.width / 2 * math.sin(plan.setting("street.max_turn"))
    low = aslant + plan.setting("ground.survey_accuracy")
    # a plan of before `deepest` was told does not say how far its sides reach
    lean = 0.0
    if pit.side_slope > 0:
        deepest = math.inf if math.isnan(pit.deepest) else pit.deepest
        lean = pit.side_slope * deepest * (1 + math.sin(plan.setting("street.max_turn")))
    return low, low + lean + (max(beyond, 0.0) if math.isfinite(beyond) else math.inf)


def _led_round(plan: Plan, tally: Tally, row: Any, aside: FloatArray) -> bool:
    """Say whether a string lies where it does because of a place to avoid beside it."""
    try:
        places = of_context(plan, "avoid")
    except NotChecked as reason:
        tally.skip(f"strings led round places to avoid: {reason}")
        return any(other.layer == "avoid" for other in plan.rows("inputs"))
    both = [shapely.transform(row.geometry, lambda xy, k=k: xy + k * aside) for k in (-1, 0, 1)]
    swept = shapely.convex_hull(shapely.union_all(both))
    return any(
        shapely.dwithin(swept, place.geometry, (place.buffer if place.buffer > 0 else 0.0) + CLOSE)
        for place in places
    )


@dataclass(frozen=True)
class Edge:
    """The long edge of a closure, from its downstream end to its upstream one.

    ``deep`` is how far the closure reaches from it, ``half`` the half of the street, m. Lanes that
    end a little before a corner reach past its mitre, inside of it, and so farther than they are
    wide; ``plain`` is how far all reach where that and mitres are left out. ``level`` is how far
    they reach where both sides are straight, not-a-number where they are nowhere.
    """

    line: Any
    turns: list[float]
    at: list[float]
    deep: float
    half: float
    plain: float
    level: float

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
            along, across = _in_frame(two - one, heading)
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


def edge_of(plan: Plan, row: Any) -> Edge | None:
    """Return the long edge of a closure; None where its outline is no strip as it is drawn."""
    xy = shapely.get_coordinates(row.geometry)[:-1]
    if len(xy) < 4 or len(shapely.get_parts(row.geometry)) > 1:
        return None
    edge = np.vstack([xy[_downstream_end(xy) :], xy[:1]])
    turns = _turns(edge)
    if max(map(abs, turns), default=0.0) > SHARPEST:  # no street's edge, but an outline folded over
        return None
    line = shapely.LineString(edge)
    deep = float(shapely.distance(shapely.points(xy), line).max())
    at = np.cumsum(np.hypot(*np.diff(edge, axis=0).T))[:-1].tolist()
    half = _half(plan, row, deep)
    plain = max(_off_edges(place, edge, turns, at, half) for place in xy)
    return Edge(line, turns, at, deep, half, plain, _level(xy, edge))


def _downstream_end(xy: FloatArray) -> int:
    """Return which vertex of the outline of a closure is the downstream end of its long edge.

    As many vertices of the street lie on that edge as on the other three together, and one more
    for each end of buffer and work that is one itself, or is cut off on it, in two points. There
    the outline comes along the taper and turns back before.
    """
    end = (len(xy) + 2) // 2
    around = np.array(_turns(np.vstack([xy[-1:], xy, xy[:1]])))
    back = around * math.copysign(1.0, around[0]) > SHARPEST
    for other in (end - 1, end + 1)[: 1 + len(xy) % 2]:
        if 3 <= other < len(xy) and back[other] and not back[end]:
            return other
    return end


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
            off += [abs(_in_frame(place - one, (two - one) / math.dist(one, two))[1])
                    for one, two in pairs]  # fmt: skip
    return min(off)


def _level(outline: FloatArray, edge: FloatArray) -> float:
    """Return how far off a line an outline goes along it, both straight there; NaN if nowhere."""
    far = []
    for one, two in itertools.pairwise([*outline, outline[0]]):
        if math.dist(one, two) < BESIDE:
            continue
        beside = [_beside(one, two, first, last) for first, last in itertools.pairwise(edge)]
        found = [off for off in beside if off > DRAWN]
        far += [min(found)] if found else []
    return max(far, default=math.nan)


def _beside(one: FloatArray, two: FloatArray, first: FloatArray, last: FloatArray) -> float:
    """Return how far off a straight another lies that goes along it; -1 where it does not."""
    size = math.dist(first, last)
    if size < BESIDE:
        return -1.0
    way = (last - first) / size
    (at, off), (to, gap) = (_in_frame(place - first, way) for place in (one, two))
    if abs(off - gap) > DRAWN or max(at, to) <= 0.0 or min(at, to) >= size:
        return -1.0
    return abs(off + gap) / 2


def _half(plan: Plan, row: Any, deep: float) -> float:
    """Return how far off the centreline the kerb of a closure lies at most, m.

    Of an odd number of lanes the middle lies half a lane off it. Where the street is not in the
    plan it is not known how many there are.
    """
    closed = max(row.lanes_closed, 1)
    lane = deep / closed
    kerbs = [
        lanes.kerb
        for street in streets_of(plan, row.street, row.class_)
        if shapely.dwithin(street.geometry, row.geometry, ROOM)
        and (lanes := lanes_of(plan, street)).wide <= lane + DRAWN
    ]
    return max(kerbs, default=(closed + row.lanes_left + 0.5) * lane)


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
            _work_length(plan, tally, row, pit, span, headings)
            ways += [] if span is None else [(-span[0], -span[0]), (span[1], span[1])]
            _closure(plan, tally, row, pit.geometry, ways, headings)
    strings = plan.by("strings", "pull_id", "number")
    for pull in plan.rows("pulls"):
        pipe = pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
        laid = strings.get(pull.pull_id, [])
        drawn = [_laid(s.geometry, pipe.outside) for s in laid if pipe]
        first = next((one for one in drawn if one is not None), None)
        rows = closures_of(plan, pull.pull_id)
        for row in rows:
            work = row.work_length
            if len(closures_together(rows)) > 1 or _farther_on(plan, row, laid):
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
    _deep(plan, tally, row, edge, whole=whole and not _lacking(row))


def _in_its_street(plan: Plan, tally: Tally, row: Any, places: list[Any], far: float) -> None:
    """Check that a street of the name and class told lies so near, m, to one of some places."""
    streets = [street.geometry for street in streets_of(plan, row.street, row.class_)]
    near = any(shapely.dwithin(street, place, far) for street in streets for place in places)
    if not near and not all(streets_held(plan, far, place) for place in places):
        tally.skip("streets of closures where the plan holds no streets")
        return
    told = f"is in no {row.class_} street named {row.street or 'nothing'}"
    tally.holds(near, row.closure_id, told)


def _as_long_as_due(plan: Plan, tally: Tally, row: Any, edge: Edge) -> bool:
    """Say whether a closure is as long as told; check that a shorter one ends with its street."""
    length = edge.line.length
    due = row.taper + row.buffer - _lacking(row) + row.work_length + row.downstream_taper
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
    if _lacking(row) > DRAWN:
        near = shapely.distance(*(shapely.get_point(edge.line, end) for end in (0, -1)))
        tally.holds(
            near <= DRAWN or _ended(plan, tally, edge, -1),
            row.closure_id,
            f"is told to lack {_lacking(row):.2f} m of taper and buffer where its street goes on",
        )


def _lacking(row: Any) -> float:
    """Return what of taper and buffer is told not to be drawn, m; older plans do not tell it."""
    lacking = float(getattr(row, "lacking", 0.0))
    return lacking if math.isfinite(lacking) else 0.0


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
    met += [c.place for c in _corners(plan).about(edge.line, 2 * edge.half) if c.last]
    at = [float(shapely.line_locate_point(edge.line, place)) for place in met]
    for name, due in (
        ("ends", row.downstream_taper),
        ("begins", length - row.taper - row.buffer),
    ):
        at_edge = shapely.line_interpolate_point(edge.line, due)
        if not streets_held(plan, 2 * edge.half, at_edge):
            tally.skip("where closures begin and end, where the plan holds no streets")
            continue
        slack = edge.corner(0.0, length) + edge.about(due, far) + _corners(plan).snap + DRAWN
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
    the work is as long as the pit then. By a corner of the street it is that along either leg of
    it, or between both, that comes nearest to what is told.
    """
    edge, ground = edge_of(plan, row), plan.one("pit_footprints", "pit_id").get(pit.pit_id)
    parallel = plan.setting("street.parallel")
    if edge is None or ground is None:
        return None
    if all(edge.beside(pit.geometry, heading, parallel) is not None for heading in headings):
        return None
    at = shapely.line_locate_point(edge.line, pit.geometry)
    ends = np.clip([at - BESIDE, at + BESIDE], 0.0, edge.line.length)
    met = [ends[0], *(place for place in edge.at if ends[0] < place < ends[1]), ends[1]]
    places = shapely.get_coordinates(shapely.line_interpolate_point(edge.line, met))
    from_pit = shapely.get_coordinates(ground.geometry) - [pit.geometry.x, pit.geometry.y]
    spans = []
    for step in (places[-1] - places[0], *np.diff(places, axis=0)):
        along = from_pit @ (step / np.hypot(*step))
        spans.append((float(along.min()), float(along.max())))
    return min(spans, key=lambda span: abs(span[1] - span[0] - row.work_length))


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
    least = most = pit.length
    ground = plan.one("pit_footprints", "pit_id").get(pit.pit_id)
    corners = _round_corners(row, pit, ground, edge_of(plan, row))
    if pit.side_slope > 0 and ground is not None:
        ends = {"receiving": 2, "insertion_both": 0}.get(pit.role, 1)
        # Round a bend of the main the ground is shorter than its legs added; outside a corner of
        # the street it is longer than what it takes of that.
        ends *= straight_over(plan, pit) and not corners
        least += (
            ends * pit.side_slope * max(pit.depth, 0.0) * math.cos(plan.setting("street.parallel"))
        )
        due = _leaning_work(plan, row, pit, ground.geometry, headings)
        least = max(least, due[0] - DRAWN - corners)
        most = max(most, due[1] + DRAWN)
    most += corners
    shorter = row.work_length < least - 1e-6
    longer = pit.role != "insertion_both" and row.work_length > most + 1e-6
    aslant = span is not None and abs(row.work_length - (span[1] - span[0])) <= DRAWN
    tally.holds(
        aslant or not (shorter or longer),
        row.closure_id,
        f"work of {row.work_length:.3f} m about a pit of {pit.length:.3f} m",
    )


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
    up = length - at - (row.taper + row.buffer - _lacking(row))
    whole = 1 if _lacking(row) > 0 else 2
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
        for corner in _corners(plan).near(place, 2 * edge.half + REACH)
        if shapely.distance(corner.place, place)
        <= edge.half / math.cos(min(abs(corner.turn), SHARPEST) / 2) + REACH
    ]
    return 2 * edge.half * math.tan(max(turns, default=0.0) / 2)


def _ended(plan: Plan, tally: Tally, edge: Edge, end: int) -> bool:
    """Say whether the street of a closure may end where its long edge does."""
    corners = _corners(plan)
    place = shapely.get_point(edge.line, end)
    if not streets_held(plan, 2 * edge.half, place):
        tally.skip("closures cut short where the plan holds no streets")
        return True
    return corners.ends(place, 2 * edge.half + corners.snap)


def _deep(plan: Plan, tally: Tally, row: Any, edge: Edge, *, whole: bool) -> None:
    """Check how far a closure reaches across the street, and its area where it is drawn whole."""
    if plan.setting("street.taper") is None and abs(row.taper - ONE_LANE_TAPER) > CLOSE:
        least, most = _closed_wide(plan, row, edge)
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
    area = float(shapely.area(row.geometry))
    tally.holds(
        abs(area - due * deep) <= (bent + DRAWN_AREA * due) * deep,
        row.closure_id,
        f"takes {area:.2f} m2, due are {due * deep:.2f} m2",
    )


def _closed_wide(plan: Plan, row: Any, edge: Edge) -> tuple[float, float]:
    """Return between which widths the lanes are that a closure is told to close, m.

    Where the lanes left are narrowed, what they give up is closed besides.
    """
    least, most = edge.widths
    given = (1.0 - plan.setting("street.least_lane_share")) * row.lanes_left
    return least * row.lanes_closed / (row.lanes_closed + given), most


def _at_kerb(plan: Plan, tally: Tally, row: Any, edge: Edge, at: float) -> None:
    """Check that the long edge of a closure is the kerb, or the middle of its street."""
    place = shapely.line_interpolate_point(edge.line, at)
    corners = _corners(plan)
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
    tally.holds(
        any(
            min(abs(gap - lanes.kerb), abs(gap - lanes.middle)) <= slack
            for gap, lanes in _lane_lines(plan, row, place, near)
        ),
        row.closure_id,
        f"lies {off:.2f} m off the centreline of its street, not at kerb or middle",
    )
    least, most = _closed_wide(plan, row, edge)
    tally.holds(
        any(
            least - slack <= row.lanes_closed * lanes_of(plan, street).wide <= most + slack
            for street in near
        ),
        row.closure_id,
        f"is {edge.deep:.2f} m deep: no {row.lanes_closed:.0f} lanes of its street",
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


def _nearest(place: Any, streets: list[Any]) -> float:
    return min(float(shapely.distance(street.geometry, place)) for street in streets)


RULES = (
    Rule("strings-drawn", "strings are as long as told, and start at the ramp", strings_drawn),
    Rule("closures-drawn", "closures reach as far from their pit as told", closures_drawn),
)
