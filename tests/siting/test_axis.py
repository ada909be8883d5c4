"""The axis of runs as pits meet it."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.network.thinned import Thinned
from geotools.siting.axis import Axis, mitres


def test_a_side_goes_out_at_a_corner_by_the_half_turn_and_at_an_end_not_at_all() -> None:
    """1 / cos(t/2), t 60 and 90 degrees; where another run begins is no corner."""
    turn = np.radians(60.0)
    out = [(0.0, 0.0), (10.0, 0.0), (10.0 + 5 * np.cos(turn), 5 * np.sin(turn))]
    xy = np.array([*out, (0.0, 50.0), (0.0, 40.0), (-8.0, 40.0)])
    offsets = np.array([0, 3, 6])
    axis = Axis(Thinned(xy, offsets, np.array([0.0, 10.0, 15.0, 0.0, 10.0, 18.0])))
    due = [1.0, 1 / np.cos(turn / 2), 1.0, 1.0, np.sqrt(2.0), 1.0]
    assert axis.mitres().tolist() == pytest.approx(due)
    assert np.hypot(*mitres(xy, offsets).T).tolist() == pytest.approx(due)
    assert mitres(xy, offsets)[[0, 3]].tolist() == [[0.0, 1.0], [1.0, 0.0]]  # to the left
