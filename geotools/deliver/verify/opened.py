"""The ground a pit opens: its stretch of the axis, as wide as it is dug; its footprint holds it."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.sites import dug_along, dug_stretch, measured, thinned, whole_pit
from geotools.deliver.verify.tally import DRAWN, Rule, Tally

__all__ = ["RULES"]

FloatArray = npt.NDArray[np.float64]


def held(plan: Plan) -> Tally:
    """Check that a footprint lies where its pit opens the run, and holds all the width dug there.

    Footprints follow the axis thinned within the accuracy of its survey. What that leaves is sure
    where the run lies on it as drawn; elsewhere it may lie so far beside. By an end that lies
    nearer behind a corner than the pit is wide to either side their outline folds over.
    """
    tally = Tally("pit_footprints")
    accuracy = plan.setting("ground.survey_accuracy")
    pits, runs = plan.one("pits", "pit_id"), plan.one("runs", "run_id")
    for shape in plan.rows("pit_footprints"):
        pit = pits.get(shape.pit_id)
        run = None if pit is None else runs.get(pit.run_id)
        if run is None or not _known(pit, run):
            continue
        low, high, wide = _dug(plan, pit)
        far = max((_beside(part, shape.geometry) for part in _parts(plan, run, low, high, wide)),
                  default=0.0)  # fmt: skip
        sure = _as_drawn(plan, run, low, high) and not _folded(plan, run, low, high, wide)
        most = DRAWN + (DRAWN if sure else accuracy)  # as drawn it lies as near, by `_as_drawn`
        tally.holds(far <= most, shape.pit_id, f"leaves out {far:.3f} m of what its pit opens")
    return tally


def _known(pit: Any, run: Any) -> bool:
    """Say whether a pit has a size, and its run a line."""
    sized = math.isfinite(pit.chainage + pit.before + pit.after + pit.width)
    line = run.geometry
    return sized and not (shapely.is_missing(line) or shapely.is_empty(line)) and line.length > 0


def _dug(plan: Plan, pit: Any) -> tuple[float, float, list[tuple[float, float]]]:
    """Return the stretch a pit digs to the host, m, and half its width at places along it, m.

    Sides that lean reach out as far as the pit is deep, from station to station.
    """
    half = pit.width / 2
    if math.isnan(sum(whole_pit(plan, pit))):
        low, high = pit.chainage - pit.before, pit.chainage + pit.after
        return low, high, [(low, half), (high, half)]
    low, high, *_ = dug_stretch(plan, pit)
    if not pit.side_slope > 0:
        return low, high, [(low, half), (high, half)]
    deep = [(at, float(np.nan_to_num(depth))) for at, depth in dug_along(plan, pit)]
    return low, high, [(at, half + pit.side_slope * depth) for at, depth in deep]


def _parts(
    plan: Plan, run: Any, low: float, high: float, wide: list[tuple[float, float]]
) -> list[Any]:
    """Return the ground of a stretch of a run in straight parts, beyond its ends straight on."""
    at, xy = thinned(plan, run)
    stops = np.unique([*(place for place, _ in wide), *at[(at > low) & (at < high)]])
    half = np.interp(stops, *np.transpose(wide))
    first = np.clip(np.searchsorted(at, stops, side="right") - 1, 0, len(at) - 2)
    share = (stops - at[first]) / (at[first + 1] - at[first])
    places = xy[first] + share[:, None] * (xy[first + 1] - xy[first])
    parts = []
    for k, to in itertools.pairwise(range(len(stops))):
        east, north = places[to] - places[k]
        length = math.hypot(east, north)
        if length > 0:
            out = np.array([-north, east]) / length
            one, two = out * half[k], out * half[to]
            corners = places[k] + one, places[to] + two, places[to] - two, places[k] - one
            parts.append(shapely.Polygon(corners))
    return parts


def _folded(plan: Plan, run: Any, low: float, high: float, wide: list[tuple[float, float]]) -> bool:
    """Say whether a corner of a run lies nearer to an end of a stretch than that is wide, m."""
    at, _ = thinned(plan, run)
    inside = at[(at > low) & (at < high)]
    return bool((np.minimum(inside - low, high - inside) < max(half for _, half in wide)).any())


def _beside(part: Any, ground: Any) -> float:
    """Return how far what a ground leaves out of a part reaches off it, m."""
    left = shapely.get_coordinates(shapely.difference(part, ground))
    return float(np.max(shapely.distance(shapely.points(left), ground), initial=0.0))


def _as_drawn(plan: Plan, run: Any, low: float, high: float) -> bool:
    """Say whether a stretch of a run lies as drawn on its thinned axis, begun from either end."""
    drawn = shapely.get_coordinates(shapely.force_2d(run.geometry))
    way = measured(drawn)
    ends = np.clip([low, high], 0.0, way[-1])
    cut = np.column_stack([np.interp(ends, way, column) for column in drawn.T])
    places = shapely.points([*drawn[(way > low) & (way < high)], *cut])
    axes = [shapely.LineString(thinned(plan, run, back=back)[1]) for back in (False, True)]
    return bool(max(shapely.distance(axis, places).max() for axis in axes) <= DRAWN)


RULES = (Rule("footprints-hold", "footprints hold what their pits open, all its width", held),)
