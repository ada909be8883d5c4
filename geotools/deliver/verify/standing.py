"""Pits on the carriageway of their street: inside their closures, or a finding says they are not.

A lane that stays open past a pit may be narrowed, so that what is closed of the street begins so
much farther from its kerb or middle than the lines of its lanes: a finding of its own tells where a
pit lies in such a lane.
"""

from __future__ import annotations

from typing import Any

import shapely

from geotools.deliver.verify.lanes import lanes_of, streets_of
from geotools.deliver.verify.over import TOUCH
from geotools.deliver.verify.plan import CONTEXT, Plan
from geotools.deliver.verify.sites import closures_of
from geotools.deliver.verify.tally import DRAWN, NotChecked, Rule, Tally

__all__ = ["RULES"]

ON_LANE = 0.05  # m of carriageway a pit may lie over without taking a lane
MITRE = 2.0  # times its half, how far a carriageway goes out at a corner, as closures do


def in_closures(plan: Plan) -> Tally:
    """Check that every pit lies inside its closures as far as it lies on its street.

    Of streets without a name the plan does not say which is the pit's: it may stand on another.
    """
    if CONTEXT not in plan.tables:
        raise NotChecked("the plan holds no layer context")
    tally = Tally("pits")
    prints = plan.one("pit_footprints", "pit_id")
    told = {rule: _told(plan, rule) for rule in ("outside-closures", "on-crossing-street")}
    shifted = _told(plan, "in-open-lane")
    for pit in plan.rows("pits"):
        row = prints.get(pit.pit_id)
        streets = streets_of(plan, pit.street_name, pit.street_class)
        if row is None or row.geometry is None or not streets:
            tally.skip("pits whose street is not in the plan: whether they lie in their closures")
            continue
        known = told["outside-closures"]
        known = known if pit.street_name else known | told["on-crossing-street"]
        bare = _bare(plan, pit, row.geometry, streets)
        tally.holds(
            bare <= TOUCH or pit.pit_id in known | shifted,
            pit.pit_id,
            f"stands in open lanes of its street with {bare:.2f} m2, and no finding says so",
        )
    return tally


def _told(plan: Plan, rule: str) -> set[str]:
    """Return the pits that a finding of a rule tells of."""
    return {row.feature for row in plan.rows("findings") if row.rule == f"pit-{rule}"}


def _bare(plan: Plan, pit: Any, ground: Any, streets: list[Any]) -> float:
    """Return the most of a pit that lies on a street of its name outside its closures, m2."""
    closed = shapely.union_all([row.geometry for row in closures_of(plan, pit.pit_id)])
    most = 0.0
    for street in streets:
        lanes = lanes_of(plan, street)
        if not shapely.dwithin(street.geometry, ground, lanes.kerb):
            continue
        slack = ON_LANE
        slack += plan.setting("network.snap_tolerance") if _at_end(street, ground, lanes) else 0.0
        road = shapely.buffer(
            street.geometry,
            max(lanes.kerb - slack, DRAWN),
            cap_style="flat",
            join_style="mitre",
            mitre_limit=MITRE,
        )
        over = shapely.buffer(closed, slack + DRAWN, join_style="mitre", mitre_limit=MITRE)
        bare = shapely.difference(shapely.intersection(ground, road), over)
        most = max(most, float(shapely.area(bare)))
    return most


def _at_end(street: Any, ground: Any, lanes: Any) -> bool:
    """Say whether a street may end by a pit: there it is joined to others, a snap away."""
    ends = shapely.boundary(shapely.force_2d(street.geometry))
    return bool(shapely.dwithin(ends, ground, 2 * lanes.kerb))


RULES = (Rule("pits-in-closures", "pits on their street lie in their closures", in_closures),)
