"""The downsurge against the carriers of runs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.brief import load_brief
from geotools.intake.findings import Findings
from geotools.pipe.catalogue import as_columns, carrier
from geotools.siting.vacuum import report_vacuum

PIPES = as_columns(
    [carrier(system="DIPS", nominal="20 in", material="PE4710", dr=dr) for dr in (26, 11)]
)


def test_a_carrier_that_a_surge_may_suck_flat_is_told_with_its_figures() -> None:
    """By hand: 150 kPa less 1.2 m/s x 202.9 m/s is -93.5 kPa; DR 26 stands 31.5 of the 103.3."""
    runs = pd.DataFrame(
        {
            "run_id": ["weak", "high", "stiff", "fast", "none"],
            "status": ["planned"] * 4 + ["no_plan"],
            "pipe": [0, 0, 1, 0, -1],
            "carrier": ["thin", "thin", "thick", "thin", ""],
        }
    )
    service = pd.DataFrame(
        {
            "least_working": [150e3, 400e3, 150e3, 400e3, 0.0],
            # of 0.506 m of bore: 2.5 m/s
            "flow": [np.nan, np.nan, np.nan, 2.5 * np.pi / 4 * 0.506**2, np.nan],
            "head": [1.0, 1.0, 1.0, 0.0, 5.0],
        }
    )
    findings = Findings()
    middle = np.column_stack([np.arange(5.0), np.zeros(5)])
    report_vacuum(runs, service, PIPES, load_brief(), findings, middle=middle)
    told = findings.table()
    assert told["rule"].unique().tolist() == ["surge-vacuum"]
    assert told["severity"].unique().tolist() == ["warning"]
    assert told["feature"].tolist() == ["weak", "fast"]
    for figure in ("150.0 kPa", "93.5 kPa", "9.8 kPa", "103.3 kPa", "31.5 kPa", "air valves"):
        assert figure in told["text"].iloc[0]


def test_groundwater_over_what_pressure_is_left_is_told_too() -> None:
    """By hand: 300 kPa less 243.5 is 56.5 inside; 30 m of water, 294.2 kPa, press 237.7 more."""
    runs = pd.DataFrame({"run_id": ["deep"], "status": "planned", "pipe": 0, "carrier": "thin"})
    service = pd.DataFrame({"least_working": [300e3], "flow": [np.nan], "head": [30.0]})
    findings = Findings()
    report_vacuum(runs, service, PIPES, load_brief(), findings, middle=np.zeros((1, 2)))
    (text,) = findings.table()["text"]
    assert "300.0 kPa falls to 56.5 kPa; with 294.2 kPa of groundwater that is 237.7 kPa" in text
