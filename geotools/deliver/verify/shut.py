"""Streets that are shut to all traffic: no lane is left of them, by hand."""

from __future__ import annotations

from typing import Any

import shapely

from geotools.deliver.verify.lanes import lanes_of, streets_near
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE

__all__ = ["no_lane_left"]

ABREAST = 0.01  # m; halves of a street that are closed meet at its middle


def no_lane_left(plan: Plan, row: Any, rows: list[Any]) -> bool | None:
    """Say whether the street of a closure is shut to all traffic; None where it is not known.

    Both halves are closed whole, or all of a street that goes one way, or has one lane. ``rows``
    are the closures of the same pit or strings.
    """
    if row.lanes_left > 0:
        return False
    others = [
        one
        for one in rows
        if (one.street, one.class_) == (row.street, row.class_)
        and one.side != row.side
        and abs(one.work_length - row.work_length) <= CLOSE
        and shapely.dwithin(one.geometry, row.geometry, ABREAST)
    ]
    if others:
        return any(one.lanes_left == 0 for one in others)
    reach = plan.setting("street.reach") + CLOSE
    near = streets_near(plan, row.street, row.class_, row.geometry, reach)
    all_closed = {
        lanes.count <= row.lanes_closed and (lanes.oneway or lanes.count == 1)
        for lanes in (lanes_of(plan, street) for street in near)
    }
    return all_closed.pop() if len(all_closed) == 1 else None
