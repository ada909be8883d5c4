"""Ramps as long as their ground asks for: where there is one."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.pits import ramp_drop_m
from geotools.siting.settle import Climb, Settled, settle

RADIUS = 137.2


def on_even_ground(drop: FloatArray, host: float, rest: float) -> Settled:
    def climb_of(line: IntArray, length: FloatArray) -> Climb:
        full = np.full(len(line), 1.0)
        return Climb(drop[line] + rest * length, host * full, rest * full)

    return settle(climb_of, np.full(len(drop), RADIUS), "level")


@pytest.mark.parametrize(("host", "rest"), [(0.2126, 0.0), (0.25, 0.1), (0.1, -0.1)])
def test_a_host_that_falls_away_has_a_ramp_where_the_arc_into_the_street_stays_below_it(
    host: float, rest: float
) -> None:
    """On even ground, by hand: drop at the foot + rest * L >= R (cos b - cos a), L of that arc."""
    a, b = np.arctan(host), np.arctan(rest)
    bound = RADIUS * (np.cos(b) - np.cos(a)) - rest * RADIUS * (np.sin(a) - np.sin(b))
    assert bound > 0.5
    drop = bound + np.array([-0.5, -0.01, 0.01, 0.5, 2.0])
    settled = on_even_ground(drop, host, rest)
    there = np.isfinite(settled.length)
    assert there.tolist() == (~settled.falls).tolist() == [False, False, True, True, True]
    length = settled.length[there]
    made = ramp_drop_m(length, RADIUS, host_slope=host, rest_slope=rest)
    assert made == pytest.approx(drop[there] + rest * length, abs=2e-5)
