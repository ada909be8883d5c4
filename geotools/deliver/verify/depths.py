"""How deep pits are dug, and how steep the ground along them is, from edge to edge."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from typing import Any

from geotools.deliver.verify.coverage import CHAINAGE, along, between, grounded, opened
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.sites import dug_stretch, straight_over, whole_pit
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.ground.profile import SOURCES
from geotools.pipe.excavation import ENGINEER_DEPTH_M
from geotools.pipe.pits import STEEP_OVER_M

__all__ = ["RULES", "source_told"]


def depths(plan: Plan) -> Tally:
    """Check how deep every pit is against what it tells, and against the deepest allowed.

    At its place, at both edges and at all stations between; so is whether the host stands out of
    the ground anywhere, and what the depth at the place rests on.
    """
    tally = Tally("pits")
    most, bedding = plan.setting("pits.max_depth"), plan.setting("pits.bedding")
    stations = plan.by("stations", "run_id", "chainage")
    deep = {row.feature for row in plan.rows("findings") if row.rule == "engineered-excavation"}
    for pit in plan.rows("pits"):
        of_run = stations.get(pit.run_id, [])
        if not tally.holds(of_run, pit.pit_id, "its run has no stations"):
            continue
        tally.near(pit.depth, between(of_run, pit.chainage, "depth"), pit.pit_id, "depth")
        if plan.holds("pits", "dig_depth"):
            tally.near(pit.dig_depth, max(pit.depth, 0.0) + bedding, pit.pit_id, "dig_depth")
        if plan.holds("pits", "bottom_z"):
            _levels(plan, tally, pit)
        if plan.holds("pits", "depth_source"):
            source_told(tally, of_run, pit, pit.pit_id)
        low, high = _dug(plan, pit)
        places = along(of_run, low, high, "depth")
        least = min(
            (c for _, c in along(of_run, low, high, "cover") if not math.isnan(c)), default=0.0
        )
        tally.holds(
            least >= -CLOSE, pit.pit_id, f"the host's crown is {-least:.3f} m above the ground"
        )
        for at, depth in places:
            tally.holds(
                math.isnan(depth) or depth <= most + CLOSE,
                pit.pit_id,
                f"is {depth:.3f} m deep at {at:.3f} m, {most:.3f} m are allowed",
            )
        deepest = max(max(depth, 0.0) for _, depth in places) + bedding
        if plan.holds("pits", "deepest"):
            deepest = _deepest(plan, tally, pit, deepest)
        told = pit.pit_id in deep
        due = deepest > ENGINEER_DEPTH_M + CLOSE
        tally.holds(told or not due, pit.pit_id, "so deep, and no finding calls for an engineer")
    return tally


def _levels(plan: Plan, tally: Tally, pit: Any) -> None:
    """Check the levels told of a pit against the stations; none is told where they have none."""
    stations = plan.by("stations", "run_id", "chainage")[pit.run_id]
    run = plan.one("runs", "run_id").get(pit.run_id)
    due = {name: between(stations, pit.chainage, name) for name in ("ground_z", "axis_z")}
    below = math.nan if run is None else run.host_diameter / 2 + plan.setting("pits.bedding")
    due["bottom_z"] = due["axis_z"] - below
    for name, level in due.items():
        told = float(getattr(pit, name))
        same = abs(told - level) <= CLOSE or (math.isnan(told) and math.isnan(level))
        tally.holds(same, pit.pit_id, f"{name} is {told:.9g}, due is {level:.9g}")


def _deepest(plan: Plan, tally: Tally, pit: Any, stretch: float) -> float:
    """Check how deep a pit is dug at the most, m, and return it, ``stretch`` of it to the host.

    A ramp beside the run or beyond its end may be deeper, where the ground rises along it; it is
    no deeper than is allowed.
    """
    low, high = _dug(plan, pit)
    over = pit.length <= high - low + CLOSE and straight_over(plan, pit)
    if pit.role == "receiving" or over or pit.deepest < stretch:
        tally.near(pit.deepest, stretch, pit.pit_id, "deepest")
        return stretch
    most = plan.setting("pits.max_depth") + plan.setting("pits.bedding")
    tally.holds(
        pit.deepest <= max(most, stretch) + CLOSE,
        pit.pit_id,
        f"is dug {pit.deepest:.3f} m at the most, {most:.3f} m are allowed",
    )
    return float(pit.deepest)


def _dug(plan: Plan, pit: Any) -> tuple[float, float]:
    """Return the stretch a pit digs to the host, m; what it opens where its candidate is lost."""
    if math.isnan(sum(whole_pit(plan, pit))):
        return opened(pit)
    return dug_stretch(plan, pit)[:2]


def source_told(tally: Tally, stations: list[Any], told: Any, name: str) -> None:
    """Check that a depth is told to rest on the weakest source of the stations it is from.

    ``told`` has a place on the run of these stations, which are in order along it, a depth and
    its source.
    """
    low, before, after, high = (
        find(stations, told.chainage + off, key=CHAINAGE)
        for find, off in (
            *((bisect_left, -CLOSE), (bisect_left, 0.0)),
            *((bisect_right, 0.0), (bisect_right, CLOSE)),
        )
    )
    at = stations[low:high]
    beside = [*stations[max(before - 1, 0) : before], *stations[after : after + 1]]
    from_ = {row.depth_source for row in (at or beside)}
    if len(at) > 1:  # two stations of one place: the depth says which of them it is from
        from_ = {row.depth_source for row in at if abs(row.depth - told.depth) <= CLOSE} or from_
        tally.holds(told.depth_source in from_, name, "depth_source is none of its station")
        return
    due = next((s for s in reversed(SOURCES) if s in from_), "")
    said = told.depth_source
    tally.holds(said == due, name, f"depth rests on {due}, told is {said or 'nothing'}")


def slopes(plan: Plan) -> Tally:
    """Check the slope of the ground of every pit: edge to edge, from its place to both, between."""
    tally = Tally("pits")
    most = plan.setting("pits.max_slope")
    stations = grounded(plan)
    for pit in plan.rows("pits"):
        of_run = stations.get(pit.run_id, [])
        before, after = whole_pit(plan, pit)
        if not of_run or math.isnan(before + after):
            continue
        for one, two in ((-before, after), (-before, 0.0), (0.0, after)):
            ends = [between(of_run, pit.chainage + step, "ground_z") for step in (one, two)]
            _is_flat(tally, pit, abs(ends[1] - ends[0]) / max(two - one, CLOSE), most)
        _is_flat(tally, pit, _steepest(of_run, *_dug(plan, pit)), most)
    return tally


def _is_flat(tally: Tally, pit: Any, slope: float, most: float) -> None:
    """Hold a slope of the ground along a pit against the steepest allowed."""
    tally.holds(
        math.isnan(slope) or slope <= most + CLOSE,
        pit.pit_id,
        f"the ground rises {slope:.3f} along it, {most:.3f} are allowed",
    )


def _steepest(stations: list[Any], low: float, high: float) -> float:
    """Return the steepest slope of the ground over any `STEEP_OVER_M` of a stretch of its run.

    Over all of it where it is shorter. So long a piece, moved along, has its greatest rise with
    an end at a station or at an end of the stretch.
    """
    low, high = max(low, stations[0].chainage), min(high, stations[-1].chainage)
    over = min(STEEP_OVER_M, high - low)
    if over <= CLOSE:
        return 0.0
    met = [at for at, _ in along(stations, low, high, "ground_z")]
    starts = [at for place in met for at in (place, place - over) if low <= at <= high - over]
    rises = (
        between(stations, at + over, "ground_z") - between(stations, at, "ground_z")
        for at in (*starts, high - over)
    )
    return max((abs(rise) for rise in rises if not math.isnan(rise)), default=0.0) / over


RULES = (
    Rule("depths", "pits are as deep as told, and no deeper than allowed, all along", depths),
    Rule("slopes", "the ground along a pit is no steeper than allowed", slopes),
)
