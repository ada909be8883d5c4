"""Lanes of the streets that the plan holds: how wide, and where their middle and kerb lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotools.deliver.verify.plan import CONTEXT, GEOMETRY, Plan
from geotools.pipe.names import folded

__all__ = [
    "LITTLE",
    "UNKNOWN",
    "Lanes",
    "lanes_of",
    "streets_held",
    "streets_known",
    "streets_near",
    "streets_of",
]

LITTLE = 1.0  # m; strings keep one closure along streets whose widths differ by no more
UNKNOWN = "unclassified"  # what a street without a class is taken as


@dataclass(frozen=True)
class Lanes:
    """How many, width of one, and how far off the centreline the middle and the kerb lie, m.

    ``oneway`` tells whether all go one way.
    """

    count: int
    wide: float
    middle: float
    kerb: float
    oneway: bool


def lanes_of(plan: Plan, street: Any) -> Lanes:
    """Return the lanes of a street as the plan takes them.

    Of an odd number of lanes the one over the centreline is that of either direction.
    """
    lanes = round(street.lanes) if street.lanes >= 1 else plan.setting("street.default_lanes")
    width = street.width if street.width > 0 else lanes * plan.setting("street.lane_width")
    middle = width / lanes / 2 if lanes % 2 else 0.0
    return Lanes(int(lanes), width / lanes, middle, width / 2, bool(street.oneway))


def streets_of(plan: Plan, name: str, class_: str) -> list[Any]:
    """Return the streets of a name and class that the plan holds; none where it holds no streets.

    The layer context has classes as they were read, closures one spelling of each.
    """
    if CONTEXT not in plan.tables:
        return []

    def make() -> list[Any]:
        plain = folded(class_)
        return [
            row
            for row in plan.by(CONTEXT, "name").get(name, [])
            if row.layer == "streets" and (folded(row.kind) or UNKNOWN) == plain
        ]

    return plan.once(f"streets {name!r} {class_!r}", make)


def streets_near(plan: Plan, name: str, class_: str, place: Any, far: float) -> list[Any]:
    """Return those of `streets_of` no farther than so far, m, from a place or line.

    And those on whose carriageway it lies. Of a city many a street has no name.
    """
    streets = streets_of(plan, name, class_)

    def make() -> tuple[shapely.STRtree, float]:
        widest = max((lanes_of(plan, street).kerb for street in streets), default=0.0)
        return shapely.STRtree([street.geometry for street in streets]), widest

    tree, widest = plan.once(f"tree of streets {name!r} {class_!r}", make)
    near = np.sort(tree.query(place, predicate="dwithin", distance=max(far, widest)))
    return [
        streets[k]
        for k in near
        if widest <= far
        or shapely.distance(streets[k].geometry, place) <= max(far, lanes_of(plan, streets[k]).kerb)
    ]


def streets_known(plan: Plan) -> bool:
    """Say whether the plan holds the streets it was made with, if there were any."""
    given = any(row.layer == "streets" for row in plan.rows("inputs"))
    return not given or (CONTEXT in plan.tables and plan.setting("output.context") > 0)


def streets_held(plan: Plan, far: float, place: Any) -> bool:
    """Say whether the plan holds the streets no farther than so far, m, from a place.

    Streets are written that come so near to a run.
    """
    runs = plan.once("lines of runs", lambda: shapely.STRtree(plan.table("runs")[GEOMETRY]))
    held = plan.setting("output.context") - far if streets_known(plan) else -1.0
    return held >= 0 and len(runs.query(place, predicate="dwithin", distance=held)) > 0
