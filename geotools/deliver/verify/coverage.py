"""Runs covered by pits and pulls; lengths; places on the axis; levels."""

from __future__ import annotations

import bisect
import itertools
import math
import operator
import statistics
from typing import Any

import numpy as np
import pyproj
import shapely

from geotools.deliver.verify.plan import GEOMETRY, LEVEL_UNIT, Named, Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.intake.crs import horizontal, project, set_out_in

__all__ = ["CHAINAGE", "RULES", "along", "between", "grounded", "opened"]

DRAWN = 1e-3  # m; what is drawn may lie off by the rounding of its coordinates
DRAWN_SHARE = 1e-6
ONWARD_DEG = 0.3  # a tenth is told, a fifth is what a sphere tells otherwise
CHAINAGE = operator.attrgetter("chainage")
WAYS = {
    "receiving": set(),
    "insertion_ahead": {"ahead"},
    "insertion_behind": {"behind"},
    "insertion_both": {"ahead", "behind"},
}


def opened(pit: Any) -> tuple[float, float]:
    """Return the stretch of run a pit opens, m."""
    return pit.chainage - pit.before, pit.chainage + pit.after


def covered_once(plan: Plan) -> Tally:
    """Walk along every planned run: pit, pull, pit, without gap or overlap, to its end."""
    tally = Tally("runs")
    for run in plan.planned:
        parts = [
            (*opened(pit), pit.pit_id) for pit in plan.by("pits", "run_id").get(run.run_id, [])
        ]
        pits = {part[2] for part in parts}
        pulls = plan.by("pulls", "run_id").get(run.run_id, [])
        parts += [(pull.start, pull.end, pull.pull_id) for pull in pulls]
        at, last = 0.0, ""
        for start, end, name in sorted(parts):
            tally.holds(
                end > start, name, f"ends at {end:.3f} m, before it starts at {start:.3f} m"
            )
            what = "a gap" if start > at else "an overlap"
            tally.holds(
                abs(start - at) <= CLOSE,
                run.run_id,
                f"{what} of {abs(start - at):.6f} m before {name}, at {at:.3f} m",
            )
            turn = not last or (last in pits) != (name in pits)
            tally.holds(turn, run.run_id, f"{name} follows {last}: no pull between two pits")
            at, last = end, name
        tally.near(at, run.length, run.run_id, "end of the last pit")
    return tally


def lengths(plan: Plan) -> Tally:
    """Check lengths told against chainages and against what is drawn."""
    tally = Tally("pulls")
    for pull in plan.rows("pulls"):
        tally.near(pull.length, pull.end - pull.start, pull.pull_id, "length")
        drawn = float(shapely.length(shapely.force_2d(pull.geometry)))
        tally.near(drawn, pull.end - pull.start, pull.pull_id, "length drawn",
                   share=DRAWN_SHARE, least=DRAWN)  # fmt: skip
    for run in plan.rows("runs"):
        drawn = float(shapely.length(run.geometry))
        tally.near(run.length, drawn, run.run_id, "length", share=DRAWN_SHARE, least=DRAWN,
                   layer="runs")  # fmt: skip
    for section in plan.rows("sections"):
        pull = plan.one("pulls", "pull_id").get(section.pull_id)
        due = math.nan if pull is None else pull.length
        tally.near(section.length, due, section.pull_id, "length", layer="sections")
    return tally


def _axes(plan: Plan) -> dict[str, Any]:
    """Return the axis of every run as one line."""

    def joined(shape: Any) -> Any:
        parts = shapely.get_parts(shape)
        return parts[0] if len(parts) == 1 else shapely.line_merge(shape)

    return plan.once(
        "axes", lambda: {run.run_id: joined(run.geometry) for run in plan.rows("runs")}
    )


def places(plan: Plan) -> Tally:
    """Check that everything with a chainage lies there on the axis of its run."""
    tally = Tally()
    axes = _axes(plan)
    named = {"pits": "pit_id", "bends": "bend_id", "candidates": "candidate_id",
             "local_digs": "dig_id", "stations": "run_id"}  # fmt: skip
    for name, key in named.items():
        if name not in plan.tables:
            tally.skip(f"there is no layer {name}")
            continue
        table = plan.tables[name]
        known = table["run_id"].isin(list(axes)).to_numpy()
        table = table[known]
        lines = np.array([axes[r] for r in table["run_id"]], dtype=object)
        at = table["chainage"].to_numpy(dtype=float)
        due = shapely.line_interpolate_point(lines, at)
        off = shapely.distance(due, table[GEOMETRY].to_numpy(dtype=object))
        length = shapely.length(lines)
        within = (at >= -CLOSE) & (at <= length + DRAWN)
        for good, feature, gap, place in zip(
            (off <= DRAWN) & within, table[key], off, at, strict=True
        ):
            tally.holds(
                good, feature, f"lies {gap:.4g} m off its place at {place:.3f} m", layer=name
            )
    for pull in plan.rows("pulls"):
        _ends_on_axis(tally, pull, axes.get(pull.run_id))
    return tally


def onward(plan: Plan) -> Tally:
    """Check the azimuths in which chainage grows at a pit, over 5 m to both sides.

    And the bearings over 5 m before and past the pit, from the north of the grid it is set out in.
    """
    tally = Tally("pits")
    if not plan.holds("pits", "ahead_deg"):
        tally.skip("there is no column ahead_deg")
        return tally
    axes = _axes(plan)
    drawn = {run_id for run_id, line in axes.items() if line is not None and not line.is_empty}
    pits = [pit for pit in plan.rows("pits") if pit.run_id in drawn]
    if not pits or plan.crs is None:
        return tally
    lines = np.array([axes[pit.run_id] for pit in pits], dtype=object)
    at, length = np.array([pit.chainage for pit in pits]), shapely.length(lines)
    to_degrees = pyproj.Transformer.from_crs(plan.crs, 4326, always_xy=True)
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(lines, way))
        for way in (np.maximum(at - 5.0, 0.0), np.minimum(at + 5.0, length))
    ]
    back, on = (to_degrees.transform(*xy.T) for xy in ends)
    # On a sphere: over 10 m it is less than 0.2 degrees off the ellipsoid.
    east = np.radians(on[0] - back[0]) * np.cos(np.radians(back[1]))
    due = np.degrees(np.arctan2(east, np.radians(on[1] - back[1])))
    told = {"ahead_deg": due}
    if plan.holds("pits", "behind_grid_deg"):
        told |= _legs(plan, plan.crs, pits, lines, length)
    for name, angles in told.items():
        for pit, angle in zip(pits, angles.tolist(), strict=True):
            off = abs(math.remainder(getattr(pit, name) - angle, 360.0))
            text = f"{name} is {off:.2f} off the direction of its run"
            tally.holds(off <= ONWARD_DEG, pit.pit_id, text)
    return tally


def _legs(plan: Plan, crs: pyproj.CRS, pits: list[Any], lines: Any, length: Any) -> dict[str, Any]:
    """Return the bearings of 5 m of the run on either side of pits, or of its last 5 m, degrees."""
    start = np.array([pit.chainage - pit.before for pit in pits])
    end = np.array([pit.chainage + pit.after for pit in pits])
    known = np.isfinite(start) & np.isfinite(end)
    first = np.maximum(np.where(known, start, 0.0) - 5.0, 0.0)
    last = np.minimum(np.where(known, end, 0.0) + 5.0, length)
    legs = {"behind": (first, first + 5.0), "ahead": (np.maximum(last - 5.0, 0.0), last)}
    grid = plan.once("grid set out in", lambda: _grid(plan, crs))
    told = {}
    for side, places in legs.items():
        spots = (shapely.line_interpolate_point(lines, at) for at in places)
        back, on = (project(shapely.get_coordinates(xy), crs, grid) for xy in spots)
        bearing = np.degrees(np.arctan2(*(on - back).T))
        told[f"{side}_grid_deg"] = np.where(known, bearing, np.nan)
    return told


def _grid(plan: Plan, crs: pyproj.CRS) -> pyproj.CRS:
    """Return the CRS of the file if things can be set out in it, else the one measured in."""
    xy = shapely.get_coordinates(plan.tables["runs"][GEOMETRY].to_numpy(dtype=object))
    own = horizontal(plan.written or crs)
    fits = own.is_projected and set_out_in(own, project(xy, crs, own))
    return own if fits else crs


def _ends_on_axis(tally: Tally, pull: Any, axis: Any) -> None:
    """Check both ends of a pull's line, and that it keeps to the axis between them."""
    if axis is None:
        return
    line = shapely.force_2d(pull.geometry)
    ends = shapely.get_point(line, [0, -1])
    due = shapely.line_interpolate_point(axis, [pull.start, pull.end])
    off = float(shapely.distance(ends, due).max())
    tally.holds(off <= DRAWN, pull.pull_id, f"an end lies {off:.4g} m off", layer="pulls")
    vertices = shapely.points(shapely.get_coordinates(line))
    aside = float(shapely.distance(vertices, axis).max())
    tally.holds(
        aside <= DRAWN, pull.pull_id, f"its line lies {aside:.4g} m off the axis", layer="pulls"
    )


def between(stations: list[Any], at: float, name: str) -> float:
    """Return a column of a run's stations at a chainage, straight between two of them."""
    k = bisect.bisect_right(stations, at, key=CHAINAGE)
    if k in (0, len(stations)):
        return float(getattr(stations[min(k, len(stations) - 1)], name))
    one, two = stations[k - 1], stations[k]
    low, high = float(getattr(one, name)), float(getattr(two, name))
    if at == one.chainage:
        return low  # and so if the next level is not known
    share = float(at - one.chainage) / float(two.chainage - one.chainage)
    return low + share * (high - low)


def grounded(plan: Plan) -> Named[list[Any]]:
    """Return the stations of every run with the ground filled in where it is not known.

    Straight between levels known on the run, beyond the last of them level.
    """

    def make() -> Named[list[Any]]:
        runs = plan.by("stations", "run_id", "chainage")
        return Named(
            {run: _with_ground(rows) for run, rows in runs.items()}, "run_id of layer stations"
        )

    return plan.once("grounded", make)


def _with_ground(stations: list[Any]) -> list[Any]:
    known = [one for one in stations if math.isfinite(one.ground_z)]
    if not known or len(known) == len(stations):
        return stations
    return [
        one._replace(ground_z=between(known, one.chainage, "ground_z"))
        if math.isnan(one.ground_z)
        else one
        for one in stations
    ]


def along(stations: list[Any], low: float, high: float, name: str) -> list[tuple[float, float]]:
    """Return chainages and a column of a run's stations at both ends of a stretch and between."""
    first = bisect.bisect_right(stations, low, key=CHAINAGE)
    last = bisect.bisect_left(stations, high, key=CHAINAGE)
    inside = [(float(one.chainage), float(getattr(one, name))) for one in stations[first:last]]
    ends = [(at, between(stations, at, name)) for at in (low, high)]
    return [ends[0], *inside, ends[1]]


def levels(plan: Plan) -> Tally:
    """Check the levels of the pulls' lines against those of the stations, and what is filled in."""
    tally = Tally("pulls")
    stations = plan.by("stations", "run_id", "chainage")
    for pull in plan.rows("pulls"):
        xyz = shapely.get_coordinates(pull.geometry, include_z=True)
        steps = np.hypot(*np.diff(xyz[:, :2], axis=0).T)
        along = pull.start + np.concatenate([[0.0], np.cumsum(steps)])
        of_run = stations.get(pull.run_id, [])
        if not tally.holds(of_run, pull.pull_id, "its run has no stations"):
            continue
        # An end of the line may lie a rounding past a station: as far as a steep axis rises there
        rise = max((abs(s.grade) for s in of_run), default=0.0) * 0.01 + DRAWN
        known, lost = [], []
        for k, (at, z) in enumerate(zip(along, xyz[:, 2], strict=True)):
            due = between(of_run, float(at), "axis_z")
            near = [between(of_run, float(at) + d, "axis_z") for d in (-DRAWN, DRAWN)]
            gaps = [math.isnan(level) for level in (due, *near)]
            if not any(gaps):
                known.append(k)
                tally.near(z, due, pull.pull_id, f"level at {at:.3f} m", least=rise)
            elif all(gaps):
                lost.append(k)
        _filled(tally, pull, along, xyz[:, 2], known, lost)
        if plan.holds("pulls", "z_unit"):
            said, due = pull.z_unit, plan.kept.get(LEVEL_UNIT, "")
            tally.holds(said == due, pull.pull_id, f"its levels are in {due}, not in {said}")
    return tally


def _filled(
    tally: Tally, pull: Any, along: Any, level: Any, known: list[int], lost: list[int]
) -> None:
    """Check the levels of a line where the stations have none, and what is said of them."""
    if not pull.z_source:  # a plan of an older release: no level there is a number
        ends = [k for k in lost if math.isfinite(level[k])]
        tally.holds(not ends, pull.pull_id, "a level is made up: the stations have none")
        return
    said = {"known": not lost, "filled": len(known) < len(along), "none": not known}
    tally.holds(said.get(pull.z_source), pull.pull_id, f"its levels are not {pull.z_source}")
    rest = np.setdiff1d(np.arange(len(along)), lost)
    for k in lost:
        due = 0.0
        if pull.z_source == "filled" and len(rest):
            due = float(np.interp(along[k], along[rest], level[rest]))
        what = f"level filled in at {along[k]:.3f} m"
        tally.near(level[k], due, pull.pull_id, what, least=DRAWN)


def _gaps(tally: Tally, run_id: str, stations: list[Any]) -> None:
    """Check the grade across stations of no level: straight between those before and after."""
    known = [k for k, one in enumerate(stations) if math.isfinite(one.axis_z)]
    for low, high in itertools.pairwise(known):
        span = stations[high].chainage - stations[low].chainage
        for one, two in itertools.pairwise(stations[low : high + 1]):
            # Across a joint a short step is no grade.
            if high > low + 1 and two.chainage - one.chainage > 1.0:
                due = (stations[high].axis_z - stations[low].axis_z) / span
                where = f"{run_id} at {one.chainage:.3f} m"
                tally.near(one.grade, due, where, "grade across a gap", share=1e-6)
    rest = [] if not known else [*stations[: known[0]], *stations[known[-1] + 1 : -1]]
    for one, two in itertools.pairwise(rest):
        if two.chainage - one.chainage > 1.0:
            where = f"{run_id} at {one.chainage:.3f} m"
            tally.holds(abs(one.grade) <= CLOSE, where, "a grade, and no level is known beyond")


def _hosts(
    plan: Plan, tally: Tally, run_id: str, stations: list[Any], least: float
) -> dict[Any, float]:
    """Return the diameter of every main of a run, m: that of the run, where it is of one.

    Mains that continue each other may differ by `network.diameter_tolerance` of the larger at each
    joint, and a run is told with the least. What lies between cover and depth is one along a main.
    """
    among: dict[Any, list[float]] = {}
    for one in stations:
        among.setdefault(one.main_id, []).append(one.depth - one.cover)
    joints = len(among) - 1
    most = least / (1 - plan.setting("network.diameter_tolerance")) ** joints
    own = {}
    for main, sizes in among.items():
        known = [size for size in sizes if math.isfinite(size)]
        size = statistics.median(known) if known and joints else least
        own[main] = least if abs(size - least) <= CLOSE else size
        tally.holds(
            math.isnan(least) or least <= own[main] <= most + CLOSE,
            run_id,
            f"main {main} lies {size:.4f} m from crown to invert, the run's least is {least:.4f} m",
            layer="runs",
        )
    return own


def _bridged(tally: Tally, run_id: str, stations: list[Any], hosts: dict[str, float]) -> None:
    """Check that no invert lies less deep than below the ground filled in where none is known.

    Between two levels known straight; beyond the last the ground keeps its height above the invert.
    """
    known = [k for k, one in enumerate(stations) if math.isfinite(one.ground_z)]

    def invert(one: Any) -> float:
        return float(one.axis_z) - hosts[one.main_id] / 2

    for k, one in enumerate(stations):
        if math.isfinite(one.ground_z) or math.isnan(one.axis_z) or not known:
            continue
        place = bisect.bisect(known, k)
        if 0 < place < len(known):
            rims = [stations[known[place - 1]], stations[known[place]]]
            least = between(rims, one.chainage, "ground_z") - invert(one)
        else:
            rim = stations[known[min(place, len(known) - 1)]]
            least = rim.ground_z - invert(rim)
        where = f"{run_id} at {one.chainage:.3f} m"
        tally.holds(
            one.depth >= least - CLOSE, where, "is less deep than the ground beside it says"
        )


def profile(plan: Plan) -> Tally:
    """Check every station: in order, cover and depth agree, and so do levels and grade."""
    tally = Tally("stations")
    hosts = {run.run_id: run.host_diameter for run in plan.rows("runs")}
    for run_id, stations in plan.by("stations", "run_id").items():
        of_main = _hosts(plan, tally, run_id, stations, hosts.get(run_id, math.nan))
        for one in stations:
            host = of_main[one.main_id]
            tally.near(one.depth, one.cover + host, f"{run_id} at {one.chainage:.3f} m", "depth")
            if math.isfinite(one.ground_z) and math.isfinite(one.axis_z):
                due = one.ground_z - one.axis_z + host / 2
                tally.near(one.depth, due, f"{run_id} at {one.chainage:.3f} m", "depth")
        for one, two in itertools.pairwise(stations):
            step, where = two.chainage - one.chainage, f"{run_id} at {one.chainage:.3f} m"
            tally.holds(step >= 0.0, where, "stations are not in order")
            same = one.main_id == two.main_id
            # Across a joint the step of two mains' records is no grade.
            if step > (1e-3 if same else 1.0) and math.isfinite(two.axis_z - one.axis_z):
                tally.near(one.grade, (two.axis_z - one.axis_z) / step, where, "grade")
        _gaps(tally, run_id, stations)
        _bridged(tally, run_id, stations, of_main)
    for run in plan.rows("runs"):
        stations = plan.by("stations", "run_id").get(run.run_id, [])
        if tally.holds(len(stations) > 1, run.run_id, "has no stations"):
            tally.near(stations[0].chainage, 0.0, run.run_id, "first station")
            tally.near(stations[-1].chainage, run.length, run.run_id, "last station")
            step = max(b.chainage - a.chainage for a, b in itertools.pairwise(stations))
            most = plan.setting("ground.step")
            tally.holds(step <= most + CLOSE, run.run_id, f"stations are {step:.3f} m apart")
    return tally


def roles(plan: Plan) -> Tally:
    """Check that a pull goes from an insertion pit of its way to the pit at its other end."""
    tally = Tally("pulls")
    used: dict[str, set[str]] = {}
    for run in plan.planned:
        pits = sorted(plan.by("pits", "run_id").get(run.run_id, []), key=lambda p: p.chainage)
        pulls = sorted(plan.by("pulls", "run_id").get(run.run_id, []), key=lambda p: p.start)
        for before, after, pull in zip(pits, pits[1:], pulls, strict=False):
            tail, head = (before, after) if pull.direction == "ahead" else (after, before)
            tally.holds(
                (pull.insertion_pit, pull.receiving_pit) == (tail.pit_id, head.pit_id),
                pull.pull_id,
                f"pulled {pull.direction} between {before.pit_id} and {after.pit_id}, and told "
                f"from {pull.insertion_pit} to {pull.receiving_pit}",
            )
            used.setdefault(tail.pit_id, set()).add(pull.direction)
            heads = {"receiving", f"insertion_{pull.direction}"}
            tally.holds(head.role in heads, pull.pull_id, f"no machine in {head.pit_id}")
    for pit in plan.rows("pits"):
        due = WAYS.get(pit.role)
        tally.holds(
            used.get(pit.pit_id, set()) == due,
            pit.pit_id,
            f"is {pit.role}, and used for {', '.join(sorted(used.get(pit.pit_id, ()))) or 'none'}",
            layer="pits",
        )
    return tally


RULES = (
    Rule("covered-once", "every metre of a run lies in one pit or pull", covered_once),
    Rule("lengths", "lengths agree with chainages and with what is drawn", lengths),
    Rule("places", "pits, pulls, bends, stations lie at their chainage", places),
    Rule("onward", "pits tell in which direction their run goes on", onward),
    Rule("levels", "levels of the pulls are those of the stations", levels),
    Rule("profile", "stations: order, cover, depth, grade agree", profile),
    Rule("roles", "a pull goes from a pit that inserts its way to one that receives", roles),
)
