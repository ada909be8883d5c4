"""A few districts drawn by a seed, planned and verified; `networks.py` runs as many as wanted."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from networks import planned_and_verified


@pytest.mark.parametrize(
    "seed",
    [
        14,  # no streets: strings over a place to avoid went untold
        17,  # all layers, lifted strings, a price on lane-days
        9103,  # a pit round a bend of its main takes more of its street than it is long
    ],
)
def test_a_district_nobody_drew_is_planned_and_every_rule_holds(seed: int, tmp_path: Path) -> None:
    outcome, failed = planned_and_verified(seed, tmp_path)
    assert outcome == "planned"
    assert failed == []


def test_a_district_with_records_of_its_mains_is_planned_and_every_rule_holds(
    tmp_path: Path,
) -> None:
    outcome, failed = planned_and_verified(17, tmp_path, records=True)
    assert outcome == "planned"
    assert failed == []
