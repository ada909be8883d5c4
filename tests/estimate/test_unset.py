"""Rates nobody set: every item has its rates, and what is counted with them is told."""

from __future__ import annotations

import sys
from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Brief, load_brief
from geotools.estimate.quantities import (
    Prices,
    order_quantities,
    pit_quantities,
    pull_quantities,
    run_quantities,
)
from geotools.intake.findings import Findings
from geotools.layout.unset import BY_ITEM, SPLIT, bare, report_unset
from geotools.scale.key import _settings_bytes
from geotools.schema import ROLES

# Of each the price is 1, the quantity a power of ten: a sum of costs tells what is in it.
PITS = pd.DataFrame(
    {
        "pit_id": ["P1", "P2"], "run_id": "R1", "role": ["receiving", "insertion_both"],
        "volume": 10.0, "area": 0.0, "off_street": 0.0, "supported": 0.0, "services": 0.0,
        "opened": 0.0, "remade": 0.0, "valves": 0.0, "tied": 0.0, "pipe_price": 7.0, "days": 2.0,
        "carrier": "180 mm SDR 17", "lanes_taken": 1, "factor": [1.0, 3.0],
        "traffic_cost": [300.0, 1600.0], "street_class": ["local", "lane"],
    }
)  # fmt: skip
PULLS = pd.DataFrame(
    {
        "pull_id": ["L1"], "run_id": "R1", "insertion_pit": "P2", "length": 100.0, "joints": 0.0,
        "strings": 1.0, "connections": 0.0, "valves": 0.0, "services": 0.0, "cleaned": 0.0,
        "hours": 0.0, "carrier": "180 mm SDR 17", "pipe_price": 7.0, "grout": 0.0, "tails": 0.0,
        "joint_hours": 0.0, "lanes_taken": 1.0, "string_days": 1.0, "traffic_cost": 400.0,
        "stages": 1.0, "ports": 0.0,
    }
)  # fmt: skip


def prices(brief: Brief) -> Prices:
    rates = brief.rates
    roles = (rates.receiving_pit, rates.insertion_pit, rates.insertion_pit, rates.two_way_pit)
    own = {f.name: getattr(rates, f.name) for f in fields(Prices) if f.name != "setup"}
    return Prices(setup=dict(zip(ROLES, roles, strict=True)), **own)


def rows_of(brief: Brief) -> pd.DataFrame:
    priced = prices(brief)
    pits, pulls = pit_quantities(PITS, priced, "si"), pull_quantities(PULLS, priced, "si")
    ordered = order_quantities(PITS, PULLS, priced, piece=12.0, units="si")
    return pd.concat([pits, pulls, run_quantities(pits, pulls), ordered], ignore_index=True)


def told(**rates: Any) -> list[str]:
    """Return what the findings of the two pits and their pull say, at these rates."""
    brief = load_brief(overrides={f"rates.{name}": value for name, value in rates.items()})
    findings, plastic = Findings(), pd.Series([True], ["R1"])
    report_unset(rows_of(brief), PITS, PULLS, plastic, brief, findings)
    table = findings.table()
    assert set(table["rule"]) <= {"rates-invented"}
    return table["text"].tolist()


def test_every_item_that_is_priced_has_its_rates() -> None:
    # nothing until they are set
    of_users = {"rates.tie_in": 1, "rates.end_connection": 1, "rates.testing": "1 / m"}
    rows = rows_of(load_brief(overrides=of_users))
    assert set(rows.loc[rows["rate"].notna(), "item"].map(bare)) == {*BY_ITEM, *SPLIT}
    named = {name for names in BY_ITEM.values() for name in names}
    assert named <= set(type(Brief().rates).model_fields)


def test_what_is_counted_with_rates_that_nobody_set_is_told_in_one_finding() -> None:
    """By hand: set up 9,000 and 18,000, dug 20 m3 at 120, surcharge 2 x (18,000 + 1,200).

    Pull 12,000 and pipe 700; lanes 2 days at 150 local, 2 and 1 at 400 of another class, at twice
    that where none is left.
    """
    (text,) = told()  # a surcharge is a share of what the site costs, so of those rates too
    total = 9000 + 18000 + 2400 + 2 * 19200 + 12000 + 700 + 300 + 1600 + 400
    assert text.startswith(
        "9 of the 9 rates that price this plan were set by nobody, and what stands in is "
        "invented: rates.two_way_pit, rates.excavation, rates.intersection_factor, "
        "rates.pull_setup, rates.receiving_pit, rates.lane_day_other and 3 more. "
        f"{total:,.0f} of its {total:,.0f} units (100%) is counted with them"
    )


def test_a_rate_that_was_set_counts_as_such_also_where_it_is_the_default() -> None:
    rest = {
        "intersection_factor": 3,
        "two_way_pit": 18000,
        "pull_setup": 12000,
        "pe_pipe": "3 / kg",
    }
    (text,) = told(**rest, receiving_pit=9000, lane_day=["local = 150"], lane_day_other=400)
    assert text.startswith(
        "2 of the 9 rates that price this plan were set by nobody, and what stands in is invented: "
        "rates.excavation, rates.full_closure_factor. 42,400 of its 82,800 units (51%)"
    )


def test_what_is_of_a_run_alone_and_has_a_price_is_in_the_cost_told_and_was_set() -> None:
    """Two pits tied in at 4,000 each, 100 m tested at 30, beside the 82,800 of the others."""
    (text,) = told(tie_in=4000, testing="30 / m")
    assert text.startswith("9 of the 11 rates that price this plan were set by nobody")
    assert "82,800 of its 93,800 units (88%) is counted with them" in text


def test_classes_are_met_whatever_their_case_and_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The lanes of all, 2 days and 1 a string's, at the rate of the class: none is shut whole."""
    streets = PITS.assign(street_class="Art\u00e8re", traffic_cost=300.0)
    monkeypatch.setattr(sys.modules[__name__], "PITS", streets)
    monkeypatch.setattr(sys.modules[__name__], "PULLS", PULLS.assign(traffic_cost=150.0))
    (text,) = told(lane_day=["ART\u00c8RE = 150"])
    assert "lane_day" not in text and "full_closure_factor" not in text


def test_no_finding_where_all_that_prices_the_plan_is_set() -> None:
    every = {"intersection_factor": 3, "full_closure_factor": 2, "excavation": "1 / m^3"}
    every |= dict.fromkeys(("two_way_pit", "receiving_pit", "pull_setup", "lane_day_other"), 9)
    assert told(**every, pe_pipe="3 / kg", lane_day=["local = 150"], currency="KRM") == []


def test_a_batch_plans_a_district_anew_where_a_rate_is_set_to_what_stood_in_for_it() -> None:
    given = load_brief(overrides={"rates.grout": f"{Brief().rates.grout} / m^3"})
    assert np.isclose(given.rates.grout, Brief().rates.grout)
    assert list(_settings_bytes(given)) != list(_settings_bytes(Brief()))
