"""Pits, strings and closures against the streets and the places to avoid that the plan holds."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.lanes import lanes_of
from geotools.deliver.verify.over import TOUCH
from geotools.deliver.verify.plan import GEOMETRY, Plan, of_context
from geotools.deliver.verify.sites import unavoidable
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.deliver.verify.telling import texts_naming

__all__ = ["RULES", "with_buffer"]

ON_ROAD = 0.05  # m of carriageway under a pit that count as none
AREA = 1e-4  # share, and m2 at least: what is drawn of a buffer's round ends
ARMS = 3  # stretches of street that make an intersection


def with_buffer(place: Any) -> Any:
    """Return a place to avoid with its buffer, whose round ends are drawn as the planner does."""
    return shapely.buffer(place.geometry, place.buffer) if place.buffer > 0 else place.geometry


def _hard(plan: Plan) -> list[tuple[Any, str]]:
    """Return the hard places with their buffers, and their names."""

    def make() -> list[tuple[Any, str]]:
        return [
            (with_buffer(row), f"{row.feature} ({row.kind or 'no reason told'})")
            for row in of_context(plan, "avoid")
            if math.isnan(row.hard) or row.hard
        ]

    return plan.once("hard places", make)


def keep_off(plan: Plan) -> Tally:
    """Check that no pit comes nearer to a place to avoid than its buffer and the set-back."""
    tally = Tally("pit_footprints")
    setback = plan.setting("pits.spoil_setback")
    hard = _hard(plan)
    tree = shapely.STRtree([shape for shape, _ in hard])
    for row in plan.rows("pit_footprints"):
        near = np.arange(len(hard))  # of a pit without ground none is known to be far
        if row.geometry is not None and not row.geometry.is_empty:
            near = np.sort(tree.query(row.geometry, predicate="dwithin", distance=setback))
        tally.checked += len(hard) - len(near)
        for k in near.tolist():
            shape, name = hard[k]
            gap = float(shapely.distance(shape, row.geometry))
            tally.holds(
                gap > setback - CLOSE,
                row.pit_id,
                f"is {gap:.2f} m from {name}, not {setback:.2f} m",
            )
    return tally


def _intersections(plan: Plan) -> list[Any]:
    """Return places where at least three stretches of street meet at an end of one of them.

    Ends within the snap tolerance are one node, and a stretch with both its ends at one is no arm.
    """
    lines = [p for row in of_context(plan, "streets") for p in shapely.get_parts(row.geometry)]
    near = max(float(plan.setting("network.snap_tolerance")), CLOSE)
    if not lines:
        return []
    tree = shapely.STRtree(lines)
    places = []
    for line in lines:
        for k in (0, -1):
            place = shapely.get_point(line, k)
            arms = 0
            for other in tree.query(place, predicate="dwithin", distance=near):
                ends = shapely.distance(shapely.get_point(lines[other], [0, -1]), place) <= near
                if ends.all() and shapely.length(lines[other]) <= 2 * near:
                    continue  # drawn within the node
                arms += int(ends.sum()) or 2  # a street that goes on through has two arms
            if arms >= ARMS:
                places.append(place)
    return places


def footprints_clear(plan: Plan) -> Tally:
    """Check that footprints keep clear of intersections, where they have a choice."""
    tally = Tally("pit_footprints")
    clear = plan.setting("pits.clear_of_intersection")
    if clear <= 0:
        return tally
    clear += plan.setting("pits.spoil_setback")
    # Ends within the snap tolerance are one intersection, whose middle may lie that far off.
    slack = plan.setting("network.snap_tolerance") + CLOSE
    places = np.array(_intersections(plan), dtype=object)
    tree = shapely.STRtree(places)
    pits = plan.one("pits", "pit_id")
    spared = plan.setting("pits.receive_in_intersection")
    for row in plan.rows("pit_footprints"):
        pit = pits.get(row.pit_id)
        if pit is None or not len(places) or row.geometry is None:
            continue
        held = spared and pit.role == "receiving" and unavoidable(plan, pit)
        gap = float(shapely.distance(row.geometry, places[tree.nearest(row.geometry)]))
        tally.holds(
            held or gap >= clear - slack,
            row.pit_id,
            f"comes within {gap:.2f} m of an intersection, not {clear:.2f} m",
        )
    return tally


def in_streets(plan: Plan) -> Tally:
    """Check that a pit on carriageways stands in the street of one, or that a finding tells of it.

    A street may change its name along the pit: it need not bear all the names there.
    """
    tally = Tally("pits")
    streets = of_context(plan, "streets")
    shapes = np.array([street.geometry for street in streets], dtype=object)
    halves = np.array([lanes_of(plan, street).kerb for street in streets]) - ON_ROAD - CLOSE
    tree, snap = shapely.STRtree(shapes), plan.setting("network.snap_tolerance")
    told = {row.feature for row in plan.rows("findings") if row.rule == "pit-on-crossing-street"}
    pits = plan.one("pits", "pit_id")
    for row in plan.rows("pit_footprints"):
        pit = pits.get(row.pit_id)
        if pit is None or row.geometry is None:
            continue
        under = {streets[k].name or "" for k in _under(row.geometry, tree, halves, snap)}
        own = pit.street_name or ""
        tally.holds(
            not under or own in under or row.pit_id in told,
            row.pit_id,
            f"stands on {', '.join(sorted(under))}, not on {own or 'any street'} as told, and no "
            "finding says so",
        )
    return tally


def _under(ground: Any, tree: shapely.STRtree, halves: Any, snap: float) -> list[int]:
    """Return the streets of a tree, of so many halves of carriageway, that a ground lies on.

    Past the end of a street, where it goes on as another, it is as wide as the narrower of both;
    so it is for what lies with no more than `TOUCH` abreast of the end of the wider one.
    """
    shapes, widest = tree.geometries, halves.max(initial=0.0)
    near = np.sort(tree.query(ground, predicate="dwithin", distance=widest))
    gaps = shapely.distance(shapes[near], ground)
    under = []
    for k, gap in zip(near[gaps < halves[near]], gaps[gaps < halves[near]], strict=True):
        along = shapely.buffer(shapes[k], halves[k], cap_style="flat")
        least, ends = halves[k], shapely.get_parts(shapely.boundary(shapes[k]))
        abreast = shapely.area(shapely.intersection(along, ground))
        if len(ends) and abreast <= TOUCH:  # a ring has no ends
            end = ends[shapely.distance(ends, ground).argmin()]
            by = tree.query(end, predicate="dwithin", distance=snap + CLOSE)
            met = shapely.dwithin(shapely.boundary(shapes[by]), end, snap + CLOSE)
            least = halves[by[met]].min(initial=least)
        if gap < least:
            under.append(int(k))
    return under


def off_street(plan: Plan) -> Tally:
    """Check the ground that pits take outside carriageway and verge, of one off all streets all.

    Of a pit so far from its run that a street by it may not have been written it is not known.
    """
    tally = Tally("pits")
    streets = of_context(plan, "streets")
    verge, held = plan.setting("street.verge"), plan.setting("output.context")
    halves = [lanes_of(plan, street).kerb + verge for street in streets]
    lines = np.array([street.geometry for street in streets], dtype=object)
    strips = shapely.buffer(lines, np.array(halves))
    tree = shapely.STRtree(strips)
    pits, runs = plan.one("pits", "pit_id"), plan.one("runs", "run_id")
    for row in plan.rows("pit_footprints"):
        pit, run = pits.get(row.pit_id), runs.get(row.run_id)
        if pit is None or run is None or row.geometry is None or run.geometry is None:
            continue
        corners = shapely.points(shapely.get_coordinates(row.geometry))
        if shapely.distance(corners, run.geometry).max() + max(halves, default=0.0) > held:
            tally.skip("ground off the street of pits that reach past what the plan holds of them")
            continue
        due = shapely.area(row.geometry)
        if pit.street_class:
            met = strips[tree.query(row.geometry, predicate="intersects")]
            due = shapely.area(shapely.difference(row.geometry, shapely.union_all(met)))
        tally.near(pit.off_street, float(due), pit.pit_id, "off_street", share=AREA, least=AREA)
    return tally


def told_of(plan: Plan) -> Tally:
    """Check that strings and closures that meet a place to avoid are findings."""
    tally = Tally("findings")
    hard = _hard(plan)
    for layer, key, rule in (
        ("strings", "string_id", "string-in-the-way"),
        ("closures", "closure_id", "closure-over-place"),
    ):
        told = texts_naming(plan, rule)
        shapes = plan.table(layer)[GEOMETRY].to_numpy(dtype=object)
        names = plan.table(layer)[key].tolist()
        tree = shapely.STRtree(shapes)
        for shape, place in hard:
            near = np.sort(tree.query(shape))
            met = shapely.area(shapely.intersection(shapes[near], shape)) > TOUCH
            for k in near[met]:
                text = f"reaches over {place}, and no finding says so"
                tally.holds(names[k] in told, names[k], text, layer=layer)
    return tally


RULES = (
    Rule("keep-off", "pits keep off places to avoid", keep_off),
    Rule("pits-in-streets", "pits on a carriageway are in its street, or told of", in_streets),
    Rule("off-street", "ground that pits take outside carriageway and verge", off_street),
    Rule("footprints-clear", "footprints keep clear of intersections", footprints_clear),
    Rule("reached-over", "strings and closures over places to avoid are findings", told_of),
)
