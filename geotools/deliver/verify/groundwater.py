"""What is dug below the groundwater, and that findings say so."""

from __future__ import annotations

import math
import re

from geotools.deliver.verify.coverage import between
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.tally import CLOSE, Rule, Tally

__all__ = ["RULES"]

RULE, SETTING = "dug-below-groundwater", "service.water_table"
LEAST = 0.005  # m of water over a bottom that are not told as none
ROUNDED = 0.01  # of a length as it is told
DIGS = re.compile(r"(\d+) digs? between the pits go(?:es)? below it, by up to ([\d.,]+) ")


def below(plan: Plan) -> Tally:
    """Check that pits and digs below the groundwater are told by run, and by how much.

    A warning where the depth of the groundwater was set, an info where it was not.
    """
    tally = Tally("findings")
    told = {row.feature: row for row in plan.rows("findings") if row.rule == RULE}
    origin = {row.name: row.origin for row in plan.rows("settings")}
    severity = "info" if origin.get(SETTING) == "default" else "warning"
    for run in plan.planned:
        said = told.get(run.run_id)
        text = "" if said is None else said.text
        _pits(plan, tally, run.run_id, text)
        _digs(plan, tally, run.run_id, text)
        if said is not None:
            grave = said.severity == severity
            tally.holds(grave, run.run_id, f"{RULE} is {severity}, told as {said.severity}")
    return tally


def _pits(plan: Plan, tally: Tally, run_id: str, text: str) -> None:
    """Check the pits of a run that go below the groundwater against what is told of it.

    A plan of an earlier version tells how deep a pit is to the invert alone.
    """
    known = plan.holds("pits", "deepest")
    for pit in plan.by("pits", "run_id").get(run_id, []):
        head = (pit.deepest if known else pit.depth) - plan.setting(SETTING)
        if not head > LEAST + CLOSE:
            continue
        found = re.search(rf"{re.escape(pit.pit_id)} ([\d.,]+) ", text)
        missing = f"goes {head:.3f} m below the groundwater, and no finding says so"
        if tally.holds(found, pit.pit_id, missing) and known:
            _near(plan, tally, pit.pit_id, found, 1, head)


def _digs(plan: Plan, tally: Tally, run_id: str, text: str) -> None:
    """Check how many digs of a run go below the groundwater, and how far, against what is told."""
    own = [dig for dig in plan.by("local_digs", "run_id").get(run_id, []) if not dig.spared]
    if not own:
        return
    if plan.holds("local_digs", "dig_depth"):
        heads = [dig.dig_depth - plan.setting(SETTING) for dig in own]
    else:
        stations = plan.by("stations", "run_id", "chainage")[run_id]
        least = plan.setting(SETTING) - plan.setting("pits.bedding")
        heads = [max(between(stations, dig.chainage, "depth"), 0.0) - least for dig in own]
    surely, perhaps = (sum(h > LEAST + edge for h in heads) for edge in (CLOSE, -CLOSE))
    found = DIGS.search(text)
    count = 0 if found is None else int(found[1])
    good = surely <= count <= perhaps
    tally.holds(good, run_id, f"{surely} digs go below the groundwater, told are {count}")
    if found is not None:
        most = max((head for head in heads if not math.isnan(head)), default=math.nan)
        _near(plan, tally, run_id, found, 2, most)


def _near(
    plan: Plan, tally: Tally, name: str, found: re.Match[str] | None, group: int, due: float
) -> None:
    """Hold a length as it is told in a text against the one due, m."""
    _, size = plan.unit("length")
    told = math.nan if found is None else float(found[group].replace(",", "")) * size
    good = abs(told - due) <= ROUNDED / 2 * size + CLOSE
    tally.holds(good, name, f"goes {due:.3f} m below the groundwater, told are {told:.3f} m")


RULES = (Rule("groundwater", "what is dug below the groundwater is a finding", below),)
