"""What a pit costs more for its place: near an intersection, or in a place better avoided."""

from __future__ import annotations

import math
from typing import Any

from geotools.deliver.verify.money import CENT, by_item
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.sites import candidate_of, unavoidable
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES"]

SITE = (
    *("pit set up", "excavation", "shored face", "surface made good"),
    *("laying and bedding in the open", "ground off the street"),
)


def surcharges(plan: Plan) -> Tally:
    """Check the surcharge of pits that stand in an intersection, and that others bear none.

    A soft place, whose weight is not in the plan, only makes a pit dearer.
    """
    tally = Tally("quantities")
    soft = any(row.layer == "avoid" for row in plan.rows("inputs"))
    if soft:
        tally.skip("surcharges of soft places: the plan does not hold their weights")
    more = plan.setting("rates.intersection_factor") - 1.0
    for pit in plan.rows("pits"):
        rows = by_item(plan, "pit").get(pit.pit_id, {})
        row = rows.get("surcharge of the place")
        if row is None:
            continue  # a fault of another rule
        tally.near(row.quantity, float(row.cost > 0), pit.pit_id, "pits that bear a surcharge")
        costs = [rows[item].cost for item in SITE if item in rows]
        due = more * math.fsum(cost for cost in costs if not math.isnan(cost))
        if _in_intersection(plan, pit):
            text = f"stands in an intersection for a surcharge of {row.cost:.2f}, due is {due:.2f}"
            tally.holds(row.cost >= due * (1 - 1e-6) - CENT, pit.pit_id, text)
        if not soft and abs(row.cost) > CENT:
            tally.near(row.cost, due, pit.pit_id, "surcharge", share=1e-6, least=CENT)
            may = pit.role == "receiving" and unavoidable(plan, pit)
            tally.holds(may, pit.pit_id, f"bears a surcharge of {row.cost:.2f} for nothing")
    return tally


def _in_intersection(plan: Plan, pit: Any) -> bool:
    """Say whether the place told of lies for certain nearer to one than pits keep clear of it."""
    clear = plan.setting("pits.clear_of_intersection")
    place = candidate_of(plan, pit)
    if clear <= 0 or place is None or math.isnan(place.intersection_distance):
        return False
    # The ground of the pit follows the axis within the accuracy of its survey.
    clear += plan.setting("pits.spoil_setback") - plan.setting("ground.survey_accuracy")
    return bool(place.intersection_distance < clear - CLOSE)


RULES = (Rule("surcharges", "pits in an intersection cost what that adds", surcharges),)
