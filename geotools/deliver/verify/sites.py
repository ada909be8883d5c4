"""Pits: where they stand, what they open and take, what they keep clear of."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.coverage import along
from geotools.deliver.verify.edges import edge_of
from geotools.deliver.verify.formulas import (
    DOWNSTREAM_TAPER,
    ONE_LANE_TAPER,
    buffer,
    merging_taper,
)
from geotools.deliver.verify.lanes import lanes_of, streets_held, streets_near, streets_of
from geotools.deliver.verify.over import TOUCH
from geotools.deliver.verify.plan import GEOMETRY, Plan
from geotools.deliver.verify.shut import no_lane_left
from geotools.deliver.verify.tally import CLOSE, DRAWN, Rule, Tally
from geotools.deliver.verify.telling import Texts, texts_naming
from geotools.pipe.excavation import ENGINEER_DEPTH_M, slope_ratio
from geotools.pipe.factors import DAY, HOUR

__all__ = [
    "DRAWN",
    "DRAWN_AREA",
    "RULES",
    "bow",
    "candidate_of",
    "closures_of",
    "closures_together",
    "days_closed",
    "dug_along",
    "dug_stretch",
    "led_strings",
    "measured",
    "most_closed",
    "one_hole",
    "shored",
    "straight_over",
    "thinned",
    "unavoidable",
    "warned",
    "whole_pit",
]

FloatArray = npt.NDArray[np.float64]
LOOKED_AT = 48  # places along a stretch of a run
BESIDE = 0.5  # m; a heading of the run so near to the edge of a pit may be that of its ramp
DRAWN_AREA = 1e-4  # share
_LYING = ("fuse the strings", "pull the carrier in")  # tasks while strings lie in the street
_BOTH = "the plan has both from day"  # of a string and a pit that are there together


def candidate_of(plan: Plan, pit: Any) -> Any:
    """Return the candidate a pit stands at, or None."""
    rows = plan.by("candidates", "run_id").get(pit.run_id, [])
    near = [row for row in rows if abs(row.chainage - pit.chainage) <= CLOSE]
    return min(near, key=lambda row: abs(row.chainage - pit.chainage), default=None)


def whole_pit(plan: Plan, pit: Any) -> tuple[float, float]:
    """Return what a pit digs before and after its place, also beyond the run's ends, m."""
    place = candidate_of(plan, pit)
    if place is None:
        return math.nan, math.nan
    role = pit.role
    return getattr(place, f"before_{role}", math.nan), getattr(place, f"after_{role}", math.nan)


def at_candidates(plan: Plan) -> Tally:
    """Check every pit against the candidate it stands at: usable, in its role, at its price."""
    tally = Tally("pits")
    runs = plan.one("runs", "run_id")
    for pit in plan.rows("pits"):
        place, run = candidate_of(plan, pit), runs.get(pit.run_id)
        if place is None or run is None:
            tally.holds(False, pit.pit_id, "stands at no candidate")
            continue
        tally.holds(place.usable, pit.pit_id, f"the place is refused: {place.reasons}")
        tally.holds(
            pit.role in place.roles.split(", "),
            pit.pit_id,
            f"may not be {pit.role} here, only {place.roles or 'nothing'}",
        )
        before, after = whole_pit(plan, pit)
        tally.near(pit.before, min(before, pit.chainage), pit.pit_id, "before")
        tally.near(pit.after, min(after, run.length - pit.chainage), pit.pit_id, "after")
        cost = getattr(place, f"cost_{pit.role}", math.nan)
        tally.holds(math.isfinite(cost), pit.pit_id, f"its candidate has no price as {pit.role}")
        tally.near(pit.cost, cost, pit.pit_id, "cost")
        tally.near(pit.depth, place.depth, pit.pit_id, "depth")
        for name in ("street_name", "street_class"):
            same = getattr(pit, name) == getattr(place, name)
            tally.holds(same, pit.pit_id, f"{name} is not that of the candidate")
    return tally


def candidates_told(plan: Plan) -> Tally:
    """Check that every candidate's roles are those with a price, and refusals have reasons."""
    tally = Tally("candidates")
    names = ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")
    for place in plan.rows("candidates"):
        priced = [n for n in names if math.isfinite(getattr(place, f"cost_{n}"))]
        tally.holds(
            priced == [n for n in place.roles.split(", ") if n],
            place.candidate_id,
            f"roles are {place.roles or 'none'}, priced are {', '.join(priced) or 'none'}",
        )
        tally.holds(bool(place.usable) == bool(priced), place.candidate_id, "usable or not?")
        if len(priced) < len(names):
            tally.holds("against" in place.reasons, place.candidate_id, "refused without a reason")
    return tally


def sizes(plan: Plan) -> Tally:
    """Check width, length and reach of every pit against the carrier and the settings."""
    tally = Tally("pits")
    side = plan.setting("pits.side_room")
    for pit in plan.rows("pits"):
        run = plan.one("runs", "run_id").get(pit.run_id)
        pipe = None if run is None else pipe_of(plan, run)
        before, after = whole_pit(plan, pit)
        if run is None or pipe is None or math.isnan(before + after):
            tally.holds(False, pit.pit_id, "its carrier or its candidate is not known")
            continue
        width = max(run.host_diameter, pipe.outside) + 2 * side
        tally.near(pit.width, width, pit.pit_id, "width")
        for have, need, where in zip(
            (before, after), _least(plan, pit.role), ("before", "after"), strict=True
        ):
            tally.holds(
                have >= need - CLOSE, pit.pit_id, f"opens {have:.3f} m {where}, needs {need:.3f} m"
            )
        low, high = _lengths(plan, pit, before, after)
        tally.holds(
            low - CLOSE <= pit.length <= high + CLOSE,
            pit.pit_id,
            f"length is {pit.length:.4f} m, due is {low:.4f} to {high:.4f} m",
        )
    return tally


def _least(plan: Plan, role: str) -> tuple[float, float]:
    """Return what a pit of a role opens at least before and after its place, m."""
    working, half = plan.setting("pits.working_length"), plan.setting("pits.receiving_length") / 2
    least = {
        "insertion_ahead": (half, working),
        "insertion_behind": (working, half),
        "insertion_both": (working, working),
    }
    return least.get(role, (half, half))


def one_hole(plan: Plan, pit: Any, before: float, after: float) -> bool:
    """Say whether a pit that inserts both ways shares one hole, as long to either side."""
    shared = pit.ramp / 2 + plan.setting("pits.working_length")
    even = max(abs(before - shared), abs(after - shared)) <= CLOSE
    return bool(pit.role == "insertion_both" and even)


def _lengths(plan: Plan, pit: Any, before: float, after: float) -> tuple[float, float]:
    """Return the least and greatest length of the excavation: the run opened, or a ramp, m.

    An earlier plan tells only the longer one of the two ramps of a two-way pit at a bend.
    """
    opened = before + after
    if pit.role == "receiving" or one_hole(plan, pit, before, after):
        return opened, opened
    if pit.role == "insertion_both" and plan.holds("pits", "ramp_ahead"):
        due = max(opened, pit.ramp_ahead + after, pit.ramp_behind + before)
        return due, due
    faces = {"insertion_ahead": (after,), "insertion_behind": (before,)}
    ends = [max(opened, pit.ramp + face) for face in faces.get(pit.role, (before, after))]
    return min(ends), max(ends)


def footprints(plan: Plan) -> Tally:
    """Check that a footprint is a sound area of the size told, and holds what its pit opens."""
    tally = Tally("pit_footprints")
    accuracy = plan.setting("ground.survey_accuracy")
    pits = plan.one("pits", "pit_id")
    pulls = plan.by("pulls", "run_id")
    for shape in plan.rows("pit_footprints"):
        pit, ground = pits.get(shape.pit_id), shape.geometry
        if pit is None:
            continue
        tally.holds(shapely.is_valid(ground), shape.pit_id, "its outline crosses itself")
        tally.near(shape.area, float(shapely.area(ground)), shape.pit_id, "area",
                   share=DRAWN_AREA)  # fmt: skip
        off = float(shapely.distance(ground, pit.geometry))
        tally.holds(off <= DRAWN, shape.pit_id, f"lies {off:.3f} m off its pit")
        least = _opened_ground(plan, pit, accuracy)
        tally.holds(
            shape.area >= least * (1 - DRAWN_AREA),
            shape.pit_id,
            f"{shape.area:.2f} m2 do not hold the {least:.2f} m2 opened",
        )
        for pull in pulls.get(pit.run_id, []):
            ends = shapely.get_point(shapely.force_2d(pull.geometry), [0, -1])
            for pit_id, place in zip(_sides(pull), ends, strict=True):
                if pit_id == pit.pit_id:
                    gap = float(shapely.distance(ground, place))
                    tally.holds(
                        gap <= accuracy + DRAWN,
                        shape.pit_id,
                        f"{pull.pull_id} ends {gap:.3f} m off it",
                    )
    return tally


def _opened_ground(plan: Plan, pit: Any, accuracy: float) -> float:
    """Return the least ground a pit takes, m2: what it opens, and sides that lean all round.

    They reach out as far as the pit is deep there, from station to station, from the bedding up;
    where the run bends in the pit, what they take is not worked out here. Footprints follow the
    axis thinned within the accuracy of its survey, which is shorter wherever it bends.
    """
    low, high = pit.chainage - pit.before, pit.chainage + pit.after
    spare = accuracy + _cut_short(plan, pit.run_id, low, high)
    opened = pit.width * (high - low - spare)
    if pit.side_slope == 0 or math.isnan(sum(whole_pit(plan, pit))) or not straight_over(plan, pit):
        return float(opened)
    _, _, *own = dug_stretch(plan, pit)
    dug = dug_along(plan, pit)
    reach = [pit.width + 2 * pit.side_slope * depth for _, depth in dug]
    area = -spare * max(reach)
    for ((one, _), (two, _)), (wide, far) in zip(
        itertools.pairwise(dug), itertools.pairwise(reach), strict=True
    ):
        area += (two - one) * (wide + far) / 2
    for (_, depth), wide, closed in zip((dug[0], dug[-1]), (reach[0], reach[-1]), own, strict=True):
        area += wide * pit.side_slope * depth if closed else 0.0
    return float(max(opened, area))


def _cut_short(plan: Plan, run_id: str, low: float, high: float) -> float:
    """Return how much shorter a stretch is on the axis thinned within the accuracy, m."""
    run = plan.one("runs", "run_id").get(run_id)
    if run is None or run.geometry is None or shapely.is_empty(run.geometry):
        return 0.0
    at, kept = thinned(plan, run)
    start, end = np.interp([low, high], at, measured(kept))
    return float(np.clip(high, 0.0, at[-1]) - np.clip(low, 0.0, at[-1]) - (end - start))


def thinned(plan: Plan, run: Any, *, back: bool = False) -> tuple[FloatArray, FloatArray]:
    """Return chainages, m, and places of the axis of a run thinned within its accuracy.

    Begun from its end (``back``), another of vertices as far off may be kept.
    """

    def made() -> tuple[FloatArray, FloatArray]:
        line = shapely.force_2d(run.geometry)
        drawn = shapely.get_coordinates(line)
        accuracy = float(plan.setting("ground.survey_accuracy"))
        axis = shapely.reverse(line) if back else line
        kept = shapely.get_coordinates(shapely.simplify(axis, accuracy, preserve_topology=False))
        kept = kept[::-1] if back else kept
        rows, row = [], 0
        for place in kept:
            row += int(np.argmax((drawn[row:] == place).all(axis=1)))  # kept in their order
            rows.append(row)
        return measured(drawn)[rows], kept

    return plan.once(f"thinned axis of {run.run_id} {back}", made)


def measured(xy: FloatArray) -> FloatArray:
    """Return how far along a line its vertices lie, m."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def _sides(pull: Any) -> tuple[str, str]:
    """Return the pits before and after a pull."""
    ends = (pull.insertion_pit, pull.receiving_pit)
    return ends if pull.direction == "ahead" else (ends[1], ends[0])


def excavations(plan: Plan) -> Tally:
    """Check side slope, volume and days of every pit.

    The run opened is dug to the bedding below the host, station by station, and so is half a
    receiving pit beyond the run's end; what else of a ramp lies beside the run adds less than the
    drop all along. Sides that lean m:1 add along, at the ends and in the corners.
    """
    tally = Tally("pits")
    sloped, soil = plan.setting("pits.support") == "sloped", plan.setting("pits.soil")
    areas = {row.pit_id: row.area for row in plan.rows("pit_footprints")}
    for pit in plan.rows("pits"):
        if not plan.by("stations", "run_id").get(pit.run_id) or math.isnan(
            sum(whole_pit(plan, pit))
        ):
            tally.holds(False, pit.pit_id, "its stations or its candidate are not known")
            continue
        lean = float(slope_ratio(soil, min(pit.depth, ENGINEER_DEPTH_M))) if sloped else 0.0
        tally.near(pit.side_slope, lean, pit.pit_id, "side_slope")
        low, high = _volumes(plan, pit, lean)
        tally.holds(
            low * (1 - 1e-6) - CLOSE <= pit.volume <= high * (1 + 1e-6) + CLOSE,
            pit.pit_id,
            f"volume is {pit.volume:.4f} m3, due is {low:.4f} to {high:.4f} m3",
        )
        _days(plan, tally, pit, areas.get(pit.pit_id, math.nan))
    return tally


def dug_stretch(plan: Plan, pit: Any) -> tuple[float, float, bool, bool]:
    """Return the stretch dug to the host, m, and whether its ends are those of the pit."""
    before, after = whole_pit(plan, pit)
    start, end = pit.chainage - before, pit.chainage + after
    half = plan.setting("pits.receiving_length") / 2
    length = plan.one("runs", "run_id")[pit.run_id].length
    low, high = start, end
    if pit.role == "insertion_ahead":
        low = max(start, min(pit.chainage - half, 0.0))
    if pit.role == "insertion_behind":
        high = min(end, max(pit.chainage + half, length))
    # Told to the rounding of lengths in feet, edges that are one differ by it.
    return low, high, low - start <= CLOSE, end - high <= CLOSE


def dug_along(plan: Plan, pit: Any) -> list[tuple[float, float]]:
    """Return chainages and how deep a pit is dug there: at both its ends and all stations, m."""
    stations = plan.by("stations", "run_id", "chainage")[pit.run_id]
    bedding = plan.setting("pits.bedding")
    low, high, *_ = dug_stretch(plan, pit)
    return [(at, max(d, 0.0) + bedding) for at, d in along(stations, low, high, "depth")]


def _volumes(plan: Plan, pit: Any, lean: float) -> tuple[float, float]:
    """Return the least and greatest volume of a pit, m3."""
    low, high, *own = dug_stretch(plan, pit)
    holes = dug_along(plan, pit)
    dug = 0.0
    for (at, one), (to, two) in itertools.pairwise(holes):
        dug += (to - at) * (pit.width * (one + two) / 2 + lean * (one**2 + one * two + two**2) / 3)
    for (_, depth), ends in zip((holes[0], holes[-1]), own, strict=True):
        if ends:
            dug += lean * pit.width * depth**2 / 2 + 2 / 3 * lean**2 * depth**3
    over = pit.length <= high - low + CLOSE and straight_over(plan, pit)
    if pit.role == "receiving" or over:
        return dug, dug
    most = max(pit.drop, *(depth for _, depth in holes)) + plan.setting("pits.bedding")
    count = 2 if pit.role == "insertion_both" else 1
    return dug, dug + count * pit.length * (pit.width + lean * most) * most


def straight_over(plan: Plan, pit: Any) -> bool:
    """Say whether the run is straight over a pit, so that no ramp along it leaves it.

    A ramp starts at an edge of the pit and heads as the run does there: a bend just inside turns
    it away from a run that is straight from edge to edge.
    """
    ends = pit.chainage - pit.before, pit.chainage + pit.after
    most = pit.width / 4
    off = [bow(plan, pit.run_id, *ends)]
    off += [_swing(plan, pit.run_id, *pair) for pair in (ends, ends[::-1])]
    return all(one <= most for one in off)


def bow(plan: Plan, run_id: str, low: float, high: float) -> float:
    """Return how far a run leaves the line between two chainages, m; not a number if not known."""
    axis = plan.one("runs", "run_id")[run_id].geometry
    if axis is None or shapely.is_empty(axis) or not math.isfinite(low + high):
        return math.nan
    ways = np.linspace(low, high, LOOKED_AT)
    places = shapely.line_interpolate_point(shapely.force_2d(axis), ways)
    chord = shapely.LineString(shapely.get_coordinates(places[[0, -1]]))
    return float(shapely.distance(chord, places).max())


def _swing(plan: Plan, run_id: str, start: float, end: float) -> float:
    """Return how far a run leaves the lines along which it starts at a chainage, m.

    Of all its headings near there, and of those of the axis thinned within the accuracy of its
    survey, by which the plan goes: it turns less often, and more at a time.
    """
    run = plan.one("runs", "run_id")[run_id]
    if run.geometry is None or shapely.is_empty(run.geometry) or not math.isfinite(start + end):
        return math.nan
    line = shapely.force_2d(run.geometry)
    origin, *places = shapely.get_coordinates(
        shapely.line_interpolate_point(line, np.linspace(start, end, LOOKED_AT))
    )
    about = start + np.linspace(-BESIDE, BESIDE, LOOKED_AT)
    about = about[(about >= 0.0) & (about <= shapely.length(line))]
    steps = np.diff(shapely.get_coordinates(shapely.line_interpolate_point(line, about)), axis=0)
    at, kept = thinned(plan, run)
    near = (at[1:] >= start - BESIDE) & (at[:-1] <= start + BESIDE)
    steps = np.concatenate([steps, np.diff(kept, axis=0)[near]])
    size = np.hypot(*steps.T)
    units = steps[size > 0] / size[size > 0, None]
    away = np.array(places) - origin
    return float(
        np.abs(np.outer(away[:, 0], units[:, 1]) - np.outer(away[:, 1], units[:, 0])).max(
            initial=0.0
        )
    )


def shored(plan: Plan, pit: Any) -> float:
    """Return the shored face of a pit, m2: both sides as its volume has them, and its ends.

    An end from which a ramp goes on has no face. Not a number where a table lacks what it takes.
    """
    stations = plan.by("stations", "run_id", "chainage").get(pit.run_id, [])
    known = stations and plan.one("runs", "run_id").get(pit.run_id) is not None
    if pit.side_slope != 0:
        return 0.0
    if not known or math.isnan(sum(whole_pit(plan, pit))):
        return math.nan
    _, _, *own = dug_stretch(plan, pit)
    holes = dug_along(plan, pit)
    ends = sum(d for (_, d), closed in zip((holes[0], holes[-1]), own, strict=True) if closed)
    return float(2 * pit.volume / pit.width + pit.width * ends) if pit.width > 0 else math.nan


def _days(plan: Plan, tally: Tally, pit: Any, area: float) -> None:
    """Check the days a pit is open: set up, tied in, dug and made good."""
    due = (
        plan.setting("crew.pit_days")
        + plan.setting("crew.tie_in_days")
        + pit.volume / (plan.setting("crew.dig_per_day") * DAY)
        + area / (plan.setting("crew.restore_per_day") * DAY)
    )
    tally.near(pit.days, due, pit.pit_id, "days")


def clear_of_intersections(plan: Plan) -> Tally:
    """Check that pits keep clear of intersections; a receiving pit may not where it has a choice.

    By the distance told of the place, and, where the plan holds the streets, by the footprint.
    """
    tally = Tally("pits")
    clear = plan.setting("pits.clear_of_intersection") + plan.setting("pits.spoil_setback")
    spared = plan.setting("pits.receive_in_intersection")
    for pit in plan.rows("pits"):
        place = candidate_of(plan, pit)
        if place is None or math.isnan(place.intersection_distance):
            tally.skip("pits without a street near them")
            continue
        held = spared and pit.role == "receiving" and unavoidable(plan, pit)
        tally.holds(
            held or place.intersection_distance >= clear - CLOSE or clear <= 0,
            pit.pit_id,
            f"stands {place.intersection_distance:.2f} m from an intersection, not {clear:.2f} m",
        )
    return tally


def unavoidable(plan: Plan, pit: Any) -> bool:
    """Say whether a pit opens what is opened in any case: a run's end, or a bend not passed."""
    run = plan.one("runs", "run_id")[pit.run_id]
    start, end = pit.chainage - pit.before, pit.chainage + pit.after
    if start <= DRAWN or end >= run.length - DRAWN:
        return True
    bends = plan.by("bends", "run_id").get(pit.run_id, [])
    return any(not b.passes and start - DRAWN <= b.chainage <= end + DRAWN for b in bends)


def overlaps(plan: Plan) -> Tally:
    """Check that pits that share ground, and strings over other pits, are told of."""
    tally = Tally("findings")
    told = texts_naming(plan, "pits-shared")
    prints = plan.rows("pit_footprints")
    ground = plan.table("pit_footprints")[GEOMETRY].to_numpy(dtype=object)
    tree = shapely.STRtree(ground)
    for a, b in sorted(map(tuple, tree.query(ground, predicate="intersects").T.tolist())):
        shared = float(shapely.area(shapely.intersection(ground[a], ground[b])))
        if a < b and shared > TOUCH:
            pair = (prints[a].pit_id, prints[b].pit_id)
            found = _naming(told, *pair)
            tally.holds(found, pair[0], f"shares ground with {pair[1]}, and no finding says so")
    _over_pits(plan, tally, tree)
    _over_strings(plan, tally)
    return tally


def _naming(texts: Texts, one: str, other: str) -> list[str]:
    """Return the texts that name two things."""
    others = texts.get(other, {})
    return [text for text in texts.get(one, {}) if text in others]


def _over_pits(plan: Plan, tally: Tally, grounds: shapely.STRtree) -> None:
    """Check that strings over other pits are told of, and as the schedule has the two."""
    own = {pull.pull_id: pull.insertion_pit for pull in plan.rows("pulls")}
    texts = texts_naming(plan, "string-over-pit")
    strings, prints = plan.rows("strings"), plan.rows("pit_footprints")
    lines, ground = plan.table("strings")[GEOMETRY].to_numpy(dtype=object), grounds.geometries
    for a, b in sorted(map(tuple, grounds.query(lines, predicate="intersects").T.tolist())):
        string, pit = strings[a], prints[b]
        shared = float(shapely.area(shapely.intersection(lines[a], ground[b])))
        if shared <= TOUCH or own.get(string.pull_id) == pit.pit_id:
            continue
        found = _naming(texts, string.string_id, pit.pit_id)
        tally.holds(found, string.string_id, f"lies over pit {pit.pit_id}, and no finding says so")
        if string.run_id == pit.run_id and found:
            dug = _from_to(plan.by("schedule", "ref").get(pit.pit_id, []))
            days = _common(_lying(plan, string), dug)
            said = any(_BOTH in text for text in found)
            grave = any(text in warned(plan) for text in found)
            if abs(days) > CLOSE:  # days by a hair may be none
                text = f"lies over pit {pit.pit_id} for {max(days, 0.0):.2f} days, not as told"
                tally.holds(said == grave == (days > 0), string.string_id, text)


def warned(plan: Plan) -> set[str]:
    """Return the texts of all warnings."""
    rows = plan.rows("findings")
    return plan.once("warned", lambda: {row.text for row in rows if row.severity == "warning"})


def _over_strings(plan: Plan, tally: Tally) -> None:
    """Check that strings on one another are told of, but for those of one run at other times."""
    strings, texts = plan.rows("strings"), texts_naming(plan, "string-over-string")
    lines = plan.table("strings")[GEOMETRY].to_numpy(dtype=object)
    pairs = shapely.STRtree(lines).query(lines, predicate="intersects").T.tolist()
    for a, b in sorted(tuple(pair) for pair in pairs if pair[0] < pair[1]):
        one, two = strings[a], strings[b]
        shared = float(shapely.area(shapely.intersection(lines[a], lines[b])))
        days = _common(_lying(plan, one), _lying(plan, two))
        if shared > TOUCH and (one.run_id != two.run_id or days > CLOSE):
            there = _naming(texts, one.string_id, two.string_id)
            text = f"lies on string {two.string_id}, and no finding says so"
            tally.holds(there, one.string_id, text, layer="strings")


def _lying(plan: Plan, string: Any) -> tuple[float, float]:
    """Return from when to when a string lies in the street, days of its run."""
    tasks = plan.by("schedule", "ref").get(string.pull_id, [])
    return _from_to([task for task in tasks if task.task in _LYING])


def _common(one: tuple[float, float], two: tuple[float, float]) -> float:
    """Return for how many days two things are there together; less than 0 for days between."""
    return min(one[1], two[1]) - max(one[0], two[0])


def closures(plan: Plan) -> Tally:
    """Check closures against the lanes their pits take, the tables of lengths, and the days."""
    tally = Tally("closures")
    for pit in plan.rows("pits"):
        rows = closures_of(plan, pit.pit_id)
        closed = sum(row.lanes_closed for row in rows)
        tally.holds(
            closed == pit.lanes_taken,
            pit.pit_id,
            f"takes {pit.lanes_taken:.0f} lanes, closed are {closed:.0f}",
        )
        tasks = plan.by("schedule", "ref").get(pit.pit_id, [])
        _closed_days(tally, rows, tasks, days_closed(pit, tasks))
        for row in rows:
            tally.holds(row.class_ == pit.street_class, row.closure_id, "class of another street")
            _closure_lengths(plan, tally, row, rows)
        _sides_closed(plan, tally, rows)
    return tally


def days_closed(pit: Any, tasks: list[Any]) -> float:
    """Return how long the lanes at a pit are closed, days: all the while where its sides lean."""
    first, last = _from_to(tasks)
    return float(last - first if pit.side_slope > 0 else pit.days)


def _sides_closed(plan: Plan, tally: Tally, rows: list[Any]) -> None:
    """Check that traffic of a one-way street is led by on one side of what it is closed for.

    And that a single lane of both ways is shut to either.
    """
    for first, *more in closures_together(plan, rows):
        streets = [lanes_of(plan, one) for one in streets_of(plan, first.street, first.class_)]
        if streets and all(lanes.oneway for lanes in streets):
            tally.holds(not more, first.closure_id, "one of several on a one-way street")
        elif streets and all(lanes.count == 1 and not lanes.oneway for lanes in streets):
            sides = sorted(one.side for one in (first, *more))
            text = "shuts the one lane of both ways, and not to the traffic of either"
            tally.holds(sides == ["against", "along"], first.closure_id, text)


def closures_of(plan: Plan, ref: str) -> list[Any]:
    """Return the closures of a pit, or of the strings of a pull."""
    rows = plan.by("closures", "pull_id").get(ref)
    if rows is None:
        rows = [row for row in plan.by("closures", "pit_id").get(ref, []) if not row.pull_id]
    return rows


def closures_together(plan: Plan, rows: list[Any]) -> list[list[Any]]:
    """Return closures by the stretch of street they close: halves of one have one work space.

    Stretches as long as each other may lie one behind the other: those of one lie abreast.
    """
    out: list[list[Any]] = []
    for row in rows:
        own = (one for one in out if _alike(one[0], row) and _abreast(plan, one[0], row))
        if (one := next(own, None)) is None:
            out.append([row])
        else:
            one.append(row)
    return out


def _alike(one: Any, two: Any) -> bool:
    """Say whether closures are told of streets of one name and class, and as long as each other."""
    told = ((row.street, row.class_, round(row.work_length, 6)) for row in (one, two))
    return next(told) == next(told)


def _abreast(plan: Plan, one: Any, two: Any) -> bool:
    """Say whether the work spaces of two closures that are as long lie abreast of each other.

    Those of a pit do. Where an outline is folded over it is not known where its work is, and they
    may.
    """
    if not one.pull_id and one.pit_id == two.pit_id:
        return True
    first, second = edge_of(plan, one), edge_of(plan, two)
    if first is None or second is None:
        return True
    (place, heading), (other, _) = first.work_middle(one), second.work_middle(two)
    return not abs(float((other - place) @ heading)) > one.work_length / 2


def most_closed(plan: Plan, rows: list[Any]) -> float:
    """Return the most lanes that closures take of one street."""
    each = [sum(row.lanes_closed for row in one) for one in closures_together(plan, rows)]
    return float(max(each, default=0))


def led_strings(plan: Plan) -> set[str]:
    """Return the pulls whose strings take lanes other, or dearer, than priced, as findings say."""
    rules = ("strings-led-round", "strings-other-lanes")
    return {row.feature for row in plan.rows("findings") if row.rule in rules}


def _from_to(tasks: list[Any]) -> tuple[float, float]:
    """Return when the first of these tasks begins, and when the last ends."""
    first = min((task.start_day for task in tasks), default=math.nan)
    last = max((task.start_day + task.days for task in tasks), default=math.nan)
    return first, last


def _closed_days(tally: Tally, rows: list[Any], tasks: list[Any], days: float) -> None:
    """Check days, first and last day of closures against the tasks they are for."""
    first, last = _from_to(tasks)
    for row in rows:
        tally.near(row.days, days, row.closure_id, "days")
        tally.near(row.first_day, first, row.closure_id, "first_day")
        tally.near(row.last_day, last, row.closure_id, "last_day")


def string_closures(plan: Plan) -> Tally:
    """Check the closures of strings: lanes, days, lengths, and that the strings lie in them."""
    tally = Tally("closures")
    moved = led_strings(plan)
    strings = plan.by("strings", "pull_id", "number")
    per_day, shift = plan.setting("crew.joints_per_day"), plan.setting("crew.shift") / HOUR
    least = plan.setting("crew.least_pull_days")
    gap = plan.setting("street.lateral_gap")  # on the verge a string may need room on the lane
    for pull in plan.rows("pulls"):
        days = pull.joints / per_day + max(pull.hours / shift, least)
        tally.near(pull.string_days, days, pull.pull_id, "string_days", layer="pulls")
        rows = closures_of(plan, pull.pull_id)
        closed = most_closed(plan, rows)
        tally.holds(
            closed == pull.lanes_taken or pull.pull_id in moved,
            pull.pull_id,
            f"its strings take {pull.lanes_taken:.0f} lanes, closed are {closed:.0f}",
        )
        tasks = [
            task for task in plan.by("schedule", "ref").get(pull.pull_id, []) if task.task in _LYING
        ]
        first, last = _from_to(tasks)
        _closed_days(tally, rows, tasks, last - first)
        for row in rows:
            _closure_lengths(plan, tally, row, rows)
            laid = strings.get(pull.pull_id, [])
            far = plan.setting("street.reach") + CLOSE
            own = any(s.street == row.street for s in laid) or any(
                streets_near(plan, row.street, row.class_, s.geometry, far) for s in laid
            )
            if own or _held_along(plan, row):
                tally.holds(own, row.closure_id, "is in another street")
            else:
                tally.skip("closures in streets that are not in the plan")
            near = any(shapely.dwithin(row.geometry, s.geometry, gap + CLOSE) for s in laid)
            tally.holds(near, row.closure_id, "lies at none of the strings it is for")
        _sides_closed(plan, tally, rows)
    return tally


def _closure_lengths(plan: Plan, tally: Tally, row: Any, rows: list[Any]) -> None:
    """Check taper and buffers against the tables, or the lengths of the brief.

    Where no lane is left of the street, it is shut by a barrier at each end: it has no tapers.
    """
    taper, length = plan.setting("street.taper"), plan.setting("street.buffer")
    tally.near(
        row.buffer, buffer(row.speed) if length is None else length, row.closure_id, "buffer"
    )
    shut = no_lane_left(plan, row, rows)
    if shut or (shut is None and row.taper == row.downstream_taper == 0):
        none = row.taper == row.downstream_taper == 0
        tally.holds(none, row.closure_id, "has tapers where no lane is left")
        return
    tally.near(row.downstream_taper, DOWNSTREAM_TAPER, row.closure_id, "downstream_taper")
    told = f"taper of {row.taper:.2f} m for {row.lanes_closed:.0f} lanes"
    if taper is not None:
        tally.holds(abs(row.taper - taper) <= CLOSE, row.closure_id, told)
        return
    one_way = row.lanes_left == 0 and abs(row.taper - ONE_LANE_TAPER) <= CLOSE
    reach = plan.setting("street.reach") + CLOSE  # one of its name elsewhere is another street
    lanes = {
        lanes_of(plan, street).wide
        for street in streets_near(plan, row.street, row.class_, row.geometry, reach)
    }
    if not one_way and not lanes:  # the closure as drawn is held against its taper in any case
        tally.skip("tapers of closures in streets that are not in the plan")
        return
    # where the lanes left are narrowed, what they give up is closed besides; as drawn it is held
    # against the taper
    most = row.lanes_closed + (1 - plan.setting("street.least_lane_share")) * row.lanes_left
    due = [
        tuple(merging_taper(count * lane, row.speed) for count in (row.lanes_closed, most))
        for lane in lanes
    ]
    tally.holds(
        one_way or any(low - CLOSE <= row.taper <= high + CLOSE for low, high in due),
        row.closure_id,
        told,
    )


def _held_along(plan: Plan, row: Any) -> bool:
    """Say whether the plan holds the streets all along a closure."""
    reach = plan.setting("street.reach")
    corners = shapely.points(shapely.get_coordinates(row.geometry))
    return all(streets_held(plan, reach, place) for place in corners)


RULES = (
    Rule("candidates", "candidates: roles, prices and reasons agree", candidates_told),
    Rule("pits-at-candidates", "pits stand at usable candidates, as these say", at_candidates),
    Rule("pit-sizes", "width, length and working room of the pits", sizes),
    Rule("footprints", "footprints are sound, of their area, and hold the pit", footprints),
    Rule("excavations", "side slope, volume and days of the pits", excavations),
    Rule("intersections", "pits keep clear of intersections", clear_of_intersections),
    Rule("overlaps", "pits and strings on each other's ground are findings", overlaps),
    Rule("closures", "closures fit the lanes taken, the tables and the schedule", closures),
    Rule("string-closures", "lanes, days and closures of the strings", string_closures),
)
