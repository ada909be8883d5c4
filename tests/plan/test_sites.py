"""Findings on sites: pits of two runs that share ground."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.tools._sites import report_shared, shared_pits
from geotools.tools._works import _prices


def shared(*rows: tuple[int, str, float, Any], system: str = "si") -> pd.DataFrame:
    pits = pd.DataFrame(
        {
            "pit_id": [f"P{k}" for k in range(len(rows))],
            "run": [row[0] for row in rows],
            "run_id": [f"R{row[0]}" for row in rows],
            "role": [row[1] for row in rows],
            "depth": [row[2] for row in rows],
            "ground": [row[3] for row in rows],
        }
    )
    findings = Findings(system)
    report_shared(shared_pits(pits, _prices(Brief())), "crowns", findings)
    return findings.table()


def test_pits_of_two_runs_on_one_ground_are_told_with_overlap_and_saving() -> None:
    first = (0, "receiving", 3.0, shapely.box(0, 0, 6, 2))
    second = (1, "insertion_both", 2.0, shapely.box(4, 0, 20, 2))
    (row,) = shared(first, second).to_dict("records")
    assert row["rule"] == "pits-shared" and row["feature"] == "P0"
    assert "P0 and P1" in row["text"] and "4.0 m2" in row["text"]
    # One receiving set-up, 4 m2 made good, and 4 m2 x 2 m dug.
    rates = Brief().rates
    saved = rates.receiving_pit + 4 * rates.restoration + 8 * rates.excavation
    assert f"{saved:,.0f} crowns" in row["text"]
    assert row["geometry"].area == pytest.approx(4.0)
    assert "43.1 ft2" in shared(first, second, system="us")["text"][0]


def test_pits_of_one_run_and_pits_that_only_touch_are_not() -> None:
    one = (0, "receiving", 3.0, shapely.box(0, 0, 6, 2))
    assert shared(one, (0, "receiving", 3.0, shapely.box(4, 0, 9, 2))).empty
    assert shared(one, (1, "receiving", 3.0, shapely.box(6, 0, 9, 2))).empty
    assert shared(one, (1, "receiving", np.nan, shapely.box(4, 0, 9, 2)))["text"].size == 1
