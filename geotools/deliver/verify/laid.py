"""Strings as drawn: as long and wide as told, side by side, from the top of their ramp on.

The outline of a string goes along its street on one side and back on the other, vertex by vertex
of the street.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.corners import (
    REACH,
    SHARPEST,
    FloatArray,
    corners_of,
    in_frame,
    turns_of,
)
from geotools.deliver.verify.lanes import lanes_of, streets_held, streets_known
from geotools.deliver.verify.plan import CONTEXT, Plan, of_context
from geotools.deliver.verify.sites import DRAWN_AREA, candidate_of, straight_over
from geotools.deliver.verify.tally import CLOSE, DRAWN, NotChecked, Tally

__all__ = ["Laid", "laid_of", "strings_drawn"]

STRAIGHT = 20.0  # m; beside a curve two vertices of its street nearer than `REACH` lie less apart


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
        turns = np.array(turns_of(self.line))
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
        turns = np.minimum(np.abs(turns_of(self.line)), SHARPEST)
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
            one, two = (abs(in_frame(cut, way)[1]) for cut in self.cuts[k : k + 2])
            yield one, two


def laid_of(shape: Any, outside: float) -> Laid | None:
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
            drawn = laid_of(row.geometry, pipe.outside)
            if drawn is not None:
                _as_wide(tally, row, drawn, pipe.outside)
                _as_long(plan, tally, row, drawn, pipe.outside)
                _in_its_street(plan, tally, row, drawn)
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


def _in_its_street(plan: Plan, tally: Tally, row: Any, drawn: Laid) -> None:
    """Check that a string begins by a street of the name told; it may go on into others."""
    if not row.street:
        return
    begins, far = shapely.Point(drawn.line[0]), plan.setting("street.reach")
    named = [] if CONTEXT not in plan.tables else plan.by(CONTEXT, "name").get(row.street, [])
    near = any(
        shapely.dwithin(street.geometry, begins, far + lanes_of(plan, street).kerb)
        for street in named
        if street.layer == "streets"
    )
    if not near and not streets_held(plan, far, begins):
        tally.skip("streets of strings where the plan holds no streets")
        return
    tally.holds(near, row.string_id, f"does not begin in a street named {row.street}")


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
    corners = corners_of(plan)
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
        along, across = in_frame(drawn.line[0] - origin, cut / wide)
        place = along / (step * wide / outside)
        tally.holds(
            abs(across) <= DRAWN and abs(place - round(place)) * step <= DRAWN,
            row.string_id,
            f"starts {across:.3f} m off the line the first one starts on, {place:.3f} places on",
        )
        tally.holds(round(place) not in taken, row.string_id, "lies on another of its pull")
        taken.append(round(place))


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
    corner = corners_of(plan).taken(laid[0][1].line[0], laid[0][1].heading(0))
    step = pipe.outside + plan.setting("street.string_gap")
    for row, drawn in laid:
        start, heading = drawn.line[0], drawn.heading(0)
        over = max(
            in_frame(xy - start, heading)[0] for xy in shapely.get_coordinates(ground.geometry)
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
