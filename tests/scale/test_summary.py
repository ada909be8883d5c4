"""What a batch says when it is done."""

from __future__ import annotations

from typing import Any

import pandas as pd

from geotools.scale import summary

NAME = "north\nerror: none\u2028 of\r\tit"
SHOWN = "north error: none of it"


def test_a_name_of_several_lines_is_said_in_one() -> None:
    counts = {"error": 1, "warning": 0, "info": 0}
    told: dict[str, Any] = {
        "runs_failed": 0,
        "runs_outside_districts": 0,
        "runs_not_chosen": 0,
        "manifest_kept": "",
        "summary_kept": "",
        "stale_plans": [],
        **dict.fromkeys(("findings", "findings_distinct", "findings_of_summary"), counts),
        "findings_by_district": {NAME: counts},
        "edited": {NAME: "kept.gpkg"},
        "spared": [NAME],
        "kept": [NAME],
        "renewed": [],
        "planned": {NAME: {"why": "changed", "changed": ["mains"]}},
    }
    bad = pd.DataFrame(
        {"district": [NAME], "runs_failed": [2], "length_failed": [10.0], "error": ["too long"]}
    )
    lines = [
        *summary._told_lines(told, "m"),
        *summary._fate_lines(told),
        *summary._failed_lines(bad, "m"),
    ]
    assert all(line.splitlines() == [line] for line in lines)
    assert sum(SHOWN in line for line in lines) == 6
