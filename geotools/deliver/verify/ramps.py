"""Ramps: as long as the carrier takes to come down from the street, bent to its least radius."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.coverage import between, grounded
from geotools.deliver.verify.formulas import (
    Slopes,
    least_radius,
    ramp_drop,
    ramp_ground,
    ramp_least,
)
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.sites import bow, one_hole, whole_pit
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.pits import (
    GROUND_PLACES,
    LEAST_SLOPE_OVER_M,
    SLOPE_OVER_M,
    STEEPEST_SLOPE,
)

__all__ = ["RULES"]

DRAWN = 1e-3  # m
ASIDE = 0.02  # m; a run that leaves the line of its ramp by less lies under it
AROUND = 30.0  # m; the plan follows the thinned axis, which may turn where the drawn one does not


def ramps(plan: Plan) -> Tally:
    """Check drop, length and slopes of every ramp against each other, the ground and the host."""
    tally = Tally("pits")
    form, warm = plan.setting("pits.ramp"), plan.setting("carrier.temperature")
    for pit in plan.rows("pits"):
        run = plan.one("runs", "run_id").get(pit.run_id)
        pipe = None if run is None else pipe_of(plan, run)
        if run is None or pipe is None or math.isnan(sum(whole_pit(plan, pit))):
            continue  # told by the sizes of pits
        height = plan.setting("pits.resting_height") + pipe.outside / 2
        level = pit.depth - run.host_diameter / 2 + height
        if pit.role == "receiving":
            tally.near(pit.drop, level, pit.pit_id, "drop")
            continue
        radius = least_radius(pipe, warm=warm)
        slopes = Slopes(pit.host_slope, pit.rest_slope)
        made = ramp_drop(pit.ramp, radius, slopes, form)
        tally.near(pit.drop, made, pit.pit_id, "drop")
        least = ramp_least(radius, slopes, form)
        text = f"ramp is {pit.ramp:.9g}, to turn out of the host's slope it takes {least:.9g}"
        tally.holds(not pit.ramp < least - CLOSE, pit.pit_id, text)
        if plan.holds("pits", "ramp_ahead"):
            _each_ramp(plan, tally, pit, radius)
        _on_the_ground(plan, tally, pit, level, radius)
    return tally


def _each_ramp(plan: Plan, tally: Tally, pit: Any, radius: float) -> None:
    """Check what is told of the ramp of each pull: one of them is that told of the pit.

    Of two in one hole both are as long as that ramp, and the one that needs less is bent less.
    """
    form, told = plan.setting("pits.ramp"), []
    shared = one_hole(plan, pit, *whole_pit(plan, pit))
    for name in ("ahead", "behind"):
        length, drop, slopes = _told(pit, name)
        if pit.role not in (f"insertion_{name}", "insertion_both"):
            none = all(math.isnan(value) for value in (length, drop, slopes.host, slopes.rest))
            tally.holds(none, pit.pit_id, f"has no ramp for a pull {name}, and one is told")
            continue
        told.append((length, drop, slopes))
        made = ramp_drop(length, radius, slopes, form)
        fits = drop <= made + CLOSE if shared else abs(drop - made) <= CLOSE
        text = f"drop_{name} is {drop:.9g}, a ramp of {length:.9g} makes {made:.9g}"
        tally.holds(fits, pit.pit_id, text)
        least = ramp_least(radius, slopes, form)
        text = f"ramp_{name} is {length:.9g}, to turn out of the host's slope it takes {least:.9g}"
        tally.holds(length >= least - CLOSE, pit.pit_id, text)
        if shared:
            tally.near(length, pit.ramp, pit.pit_id, f"ramp_{name}")
    due = (pit.ramp, pit.drop, Slopes(pit.host_slope, pit.rest_slope))
    tally.holds(any(_alike(one, due) for one in told), pit.pit_id, "no pull has the ramp told")
    tally.near(pit.ramp, max(length for length, _, _ in told), pit.pit_id, "ramp")


def _told(pit: Any, name: str) -> tuple[float, float, Slopes]:
    """Return length and drop of the ramp of the pull of a name, m, and its slopes."""
    of = {field: float(getattr(pit, f"{field}_{name}"))
          for field in ("ramp", "drop", "host_slope", "rest_slope")}  # fmt: skip
    return of["ramp"], of["drop"], Slopes(of["host_slope"], of["rest_slope"])


def _alike(one: tuple[float, float, Slopes], two: tuple[float, float, Slopes]) -> bool:
    """Say whether two ramps are told alike."""
    figures = [(length, drop, slopes.host, slopes.rest) for length, drop, slopes in (one, two)]
    return all(abs(a - b) <= CLOSE for a, b in zip(*figures, strict=True))


def _on_the_ground(plan: Plan, tally: Tally, pit: Any, level: float, radius: float) -> None:
    """Hold the ramps of a pit against the ground they climb to, where the stations tell it.

    ``level`` is the drop were the ground level, m. Where a ramp leaves the run its ground is not
    in the plan. Of two ramps in one hole, one makes it so long and the other needs no more.
    """
    form = plan.setting("pits.ramp")
    ways = {"insertion_ahead": (-1,), "insertion_behind": (1,)}.get(pit.role, (-1, 1))
    lines = [_line(plan, pit, way, level, radius) for way in ways]
    if not all(_follows(plan, pit, way, line) for way, line in zip(ways, lines, strict=True)):
        tally.skip("drop of ramps beside the run: the ground there is not in the plan")
        return
    short, slack, seen = [], CLOSE, []
    for line in lines:
        climbed = _climbed(plan, pit, line)
        if climbed is None:
            tally.skip("drop of ramps where the ground is known in part")
            return
        drop, slopes = level + climbed[0], climbed[1]
        off, steep = line.off
        flatter, steeper = (
            ramp_drop(pit.ramp, radius, Slopes(slopes.host, slopes.rest + sign * steep), form)
            for sign in (-1, 1)
        )
        slack = max(slack, off + abs(steeper - flatter))
        if plan.holds("pits", "ramp_ahead"):
            _climbs_so(tally, pit, line, (drop, slopes), off + abs(steeper - flatter))
        short.append(drop - ramp_drop(pit.ramp, radius, slopes, form))
        seen.append((slopes, steep))
    tally.near(max(short), 0.0, pit.pit_id, "what the ramp lacks of its drop", least=slack)
    # Of two ramps the longer is told; where both are as long as their drops ask for, either.
    longer = [one for one, lack in zip(seen, short, strict=True) if lack >= -slack] or seen
    slopes, steep = min(longer, key=lambda one: abs(pit.host_slope - one[0].host))
    tally.near(pit.host_slope, slopes.host, pit.pit_id, "host_slope")
    tally.near(pit.rest_slope, slopes.rest, pit.pit_id, "rest_slope", least=CLOSE + steep)


def _climbs_so(
    tally: Tally, pit: Any, line: _Line, due: tuple[float, Slopes], slack: float
) -> None:
    """Hold what is told of the ramp of a pull against what it climbs there, m."""
    name = "ahead" if line.way < 0 else "behind"
    (_, drop, told), (climbed, slopes) = _told(pit, name), due
    tally.near(drop, climbed, pit.pit_id, f"drop_{name}", least=max(slack, CLOSE))
    tally.near(told.host, slopes.host, pit.pit_id, f"host_slope_{name}")
    tally.near(told.rest, slopes.rest, pit.pit_id, f"rest_slope_{name}",
               least=CLOSE + line.off[1])  # fmt: skip


@dataclass(frozen=True)
class _Line:
    """A ramp's places along the run, m: face, foot and top; ``way`` is that from foot to top.

    ``off`` is how far level and slope of the ground at the top may be off, m and m/m, since the
    plan looks the ground up at places and takes it for straight between them.
    """

    way: int
    face: float
    foot: float
    top: float
    off: tuple[float, float]

    @property
    def behind(self) -> float:
        """The end of the ground whose slope is taken, m."""
        return self.top + self.way * SLOPE_OVER_M


def _line(plan: Plan, pit: Any, way: int, level: float, radius: float) -> _Line:
    before, after = whole_pit(plan, pit)
    shared = one_hole(plan, pit, before, after)
    working = plan.setting("pits.working_length")
    room = after if way < 0 else before
    face = pit.chainage - way * room
    foot = face + way * (working if shared else room)
    top = foot + way * pit.ramp
    form = plan.setting("pits.ramp")
    back = ramp_ground(level, pit.ramp, radius, form=form, working=working)
    apart = ((working if shared else room) + back) / (GROUND_PLACES - 1)
    stations = grounded(plan).get(pit.run_id, [])
    offs = [_read_off(stations, at, apart) for at in (top, top + way * SLOPE_OVER_M)]
    return _Line(way, face, foot, top, (offs[0], sum(offs) / SLOPE_OVER_M))


def _follows(plan: Plan, pit: Any, way: int, line: _Line) -> bool:
    """Say whether a ramp, and the ground behind it, lie over the run, straight."""
    before, after = whole_pit(plan, pit)
    run = plan.one("runs", "run_id")[pit.run_id]
    opened = abs((before if way < 0 else after) - pit.ramp) <= CLOSE
    one_way = pit.role != "insertion_both"  # of two ramps apart only the longer one is told
    if not ((opened and one_way) or one_hole(plan, pit, before, after)):
        return False
    if math.isnan(line.top) or not 0.0 <= min(line.top, line.behind) <= run.length:
        return False
    if max(line.top, line.behind) > run.length:
        return False
    low, high = sorted((line.face, line.behind))
    around = max(low - AROUND, 0.0), min(high + AROUND, run.length)
    return bow(plan, pit.run_id, *around) <= ASIDE


def _climbed(plan: Plan, pit: Any, line: _Line) -> tuple[float, Slopes] | None:
    """Return what a ramp climbs beyond the drop on level ground, m, and the slopes at its ends.

    Ground or host that is not known anywhere is level; None where some of it is known.
    """
    stations = grounded(plan).get(pit.run_id, [])
    length = plan.one("runs", "run_id")[pit.run_id].length
    if not stations:
        return None

    def rises(name: str, *places: float) -> list[float]:
        here = between(stations, pit.chainage, name)
        return [between(stations, at, name) - here for at in places]

    beyond = min(max(line.face - line.way * SLOPE_OVER_M, 0.0), length)
    over = abs(beyond - line.face)
    levels = [*rises("ground_z", line.top, line.behind), *rises("axis_z", line.face, beyond)]
    for pair in (levels[:2], levels[2:]):
        if math.isnan(sum(pair)) and not all(map(math.isnan, pair)):
            return None
    top, behind, face, ahead = (0.0 if math.isnan(z) else z for z in levels)
    host = (face - ahead) / over if over >= LEAST_SLOPE_OVER_M else 0.0
    rest = (behind - top) / SLOPE_OVER_M
    slopes = Slopes(*(min(max(slope, -STEEPEST_SLOPE), STEEPEST_SLOPE) for slope in (host, rest)))
    foot = face + slopes.host * abs(line.foot - line.face)
    return top - foot, slopes


def _read_off(stations: list[Any], top: float, apart: float) -> float:
    """Return how far the ground at a place, read between two others, may lie off, m.

    Between two places a bend of the ground by ``k`` is cut by up to a quarter of their distance
    times ``k``. The ground bends at stations, and the place lies between two of those looked up.
    """
    steps = [(a, b) for a, b in itertools.pairwise(stations) if b.chainage - a.chainage > DRAWN]
    bends = [
        abs(_rise(*after) - _rise(*before))
        for before, after in itertools.pairwise(steps)
        if before[1].chainage >= top - apart and after[0].chainage <= top + apart
    ]
    return math.fsum(k for k in bends if math.isfinite(k)) * apart / 4 + DRAWN


def _rise(one: Any, two: Any) -> float:
    """Return the slope of the ground from one station to the next."""
    return float((two.ground_z - one.ground_z) / (two.chainage - one.chainage))


RULES = (Rule("ramps", "ramps end on the ground, bent no tighter than the carrier may be", ramps),)
