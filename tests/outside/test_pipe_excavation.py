"""Pit slopes and volumes against 29 CFR 1926 Subpart P and worked values."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.pipe.excavation import (
    egress_count,
    needs_engineer,
    needs_protection,
    pit_volume_m3,
    slope_ratio,
    top_size_m,
)

FOOT = 0.3048
YARD3 = (3 * FOOT) ** 3


@pytest.mark.parametrize(
    ("soil", "ratio", "degrees"),
    [("rock", 0, 90), ("A", 0.75, 53), ("B", 1, 45), ("C", 1.5, 34), ("A_short_term", 0.5, 63)],
)
def test_table_b1_slopes(soil: str, ratio: float, degrees: float) -> None:
    ours = float(slope_ratio(soil, 3.0))
    assert ours == pytest.approx(ratio)
    # the angles are printed to the whole degree
    assert 90 - np.rad2deg(np.arctan(ours)) == pytest.approx(degrees, abs=0.5)


@pytest.mark.parametrize(
    ("slope", "worked", "top"),
    [
        (0, 112.5, (1.5, 25)),
        (0.75, 311.6, (6, 29.5)),
        (1, 387.0, (7.5, 31)),
        (1.5, 551.25, (10.5, 34)),
    ],
)
def test_volume_of_a_metric_pit(slope: float, worked: float, top: tuple[float, float]) -> None:
    # 1.5 x 25 x 3 m, prismoidal, derived; 311.6 is 311.625
    ours = float(pit_volume_m3(1.5, 25, 3, 3, slope=slope))
    assert ours == pytest.approx(worked, abs=0.05)
    assert top_size_m([1.5, 25], 3, slope) == pytest.approx(top)


@pytest.mark.parametrize(("soil", "yards"), [("B", 545.7), ("C", 766.7)])
def test_volume_of_a_pit_in_feet(soil: str, yards: float) -> None:
    # 6 x 80 x 10 ft; B 14,733 ft3
    slope = float(slope_ratio(soil, 10 * FOOT))
    ours = float(pit_volume_m3(6 * FOOT, 80 * FOOT, 10 * FOOT, 10 * FOOT, slope=slope))
    assert ours / YARD3 == pytest.approx(yards, abs=0.05)


def test_safety_depths() -> None:
    """651(c)(2) egress from 4 ft; 652(a)(1) protection from 5 ft; engineer below 20 ft."""
    depths = np.array([3.9, 4.0, 4.9, 5.0, 20.0, 20.1]) * FOOT
    assert egress_count(60 * FOOT, depths).tolist() == [0, 2, 2, 2, 2, 2]
    assert needs_protection(depths).tolist() == [False, False, False, True, True, True]
    assert needs_engineer(depths).tolist() == [False] * 5 + [True]
