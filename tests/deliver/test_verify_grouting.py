"""The rule of `verify` on grout, on one steep valley grouted in many stages, planned once."""

from __future__ import annotations

import dataclasses
import re
from itertools import pairwise
from typing import Any

import geopandas as gpd
import pytest
import shapely

import geotools
from geotools.deliver.verify.plan import Plan, load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.tools.plan import TOOL

X, Y, HALF, DEEP = 500_000.0, 4_000_000.0, 225.0, 18.0
SETTINGS = {
    "pulls.grouted": True,
    "pulls.grout_density": "1800 kg/m^3",
    "pulls.max_length": "600 m",
    "carrier.fixed": "M1 = 560 mm SDR 26 PE100",
}
(RULE,) = (rule for rule in RULES if rule.name == "grouting")


@pytest.fixture(scope="module")
def valley(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Return the plan of a main that falls 18 m and rises as much again."""
    ends = [shapely.Point(X + k * HALF, Y) for k in range(3)]
    levels = [100.0 + DEEP, 100.0, 100.0 + DEEP]
    mains = gpd.GeoDataFrame(
        {
            "main_id": ["M1", "M2"],
            "diameter_mm": 660.0,
            "bore_mm": 660.0,
            "material": "cast iron",
            "installed": 1930,
            "invert_start_m": levels[:-1],
            "invert_end_m": levels[1:],
        },
        geometry=[shapely.LineString(pair) for pair in pairwise(ends)],
        crs=25832,
    )
    path = tmp_path_factory.mktemp("valley") / "plan.gpkg"
    geotools.plan(mains=mains, settings=SETTINGS, output=path)
    return load_plan(path, TOOL.outputs)


def _faults(plan: Plan, layer: str, **values: Any) -> list[str]:
    """Return what the rule finds where columns of a layer hold other values."""
    tables = plan.tables | {layer: plan.tables[layer].assign(**values)}
    spoiled = dataclasses.replace(plan, tables=tables, kept={})
    return [fault.text for fault in check(spoiled, RULE).faults]


def test_the_valley_as_planned_keeps_the_rule(valley: Plan) -> None:
    assert (valley.tables["sections"]["grout_stages"] > 2).all()
    assert check(valley, RULE).faults == ()


@pytest.mark.parametrize("more", [-1, 1])
def test_a_pull_is_grouted_in_the_fewest_stages_it_stands(more: int, valley: Plan) -> None:
    stages = valley.tables["sections"]["grout_stages"]
    (due,) = {f"{count:g}" for count in stages}
    faults = _faults(valley, "sections", grout_stages=stages + more)
    assert any(text.endswith(f"stages, due are {due}") for text in faults)


def test_a_finding_tells_of_as_many_stages_as_its_pull_has(valley: Plan) -> None:
    more = valley.tables["findings"]["text"].str.replace(
        r"holds (\d+) such", lambda found: f"holds {int(found[1]) + 1} such", regex=True
    )
    (fault,) = _faults(valley, "findings", text=more)
    assert re.fullmatch(r"\d+ stages: a finding says \d+", fault)


def test_both_limbs_of_a_valley_have_a_port_for_every_stage_above_the_first(valley: Plan) -> None:
    """Of n stages 2 n - 1 stretches, the two highest of which end in the pits."""
    (section,) = valley.rows("sections")
    assert section.grout_ports == 2 * section.grout_stages - 3
    quantities = valley.tables["quantities"].query("scope == 'pull'").set_index("item")
    told = quantities["quantity"]["port midway for a stage of grout, not priced"]
    assert told == section.grout_ports
    (fault,) = _faults(valley, "sections", grout_ports=section.grout_stages - 1)
    assert fault.endswith(f"ports of grout midway, due are {section.grout_ports:g}")


def test_a_pull_that_floats_may_be_told_of_with_others_of_its_run(valley: Plan) -> None:
    findings = valley.tables["findings"]
    floats = findings["rule"] == "grout-floats-carrier"
    (name,) = findings["feature"][floats]
    for others, count in ((f"{name}0,{name}", 0), (f"{name}0", 1)):
        told = findings["feature"].where(~floats, others)
        assert len(_faults(valley, "findings", feature=told)) == count
