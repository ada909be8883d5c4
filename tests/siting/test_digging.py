"""The volume of a pit as it is dug, against solids cut into thin slices."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from geotools.siting.digging import _stretch

LENGTH, WIDTH, LEAN, FIRST, LAST = 12.0, 1.6, 0.75, 2.0, 3.5


def _sliced(first_leans: bool, last_leans: bool) -> float:
    """Add up slices across a pit: an end that leans goes on until the ground, its depth falling."""
    reach = LEAN * FIRST * first_leans, LEAN * LAST * last_leans
    along = np.linspace(-reach[0], LENGTH + reach[1], 200_001)
    floor = np.interp(along, [0.0, LENGTH], [FIRST, LAST])
    beside = np.maximum(np.maximum(-along, along - LENGTH), 0.0)
    depth = np.maximum(floor - beside / LEAN, 0.0)
    # beside the pit's length its corners lean in two ways at once: each is a quarter of a pyramid
    section = depth * (WIDTH + 2 * LEAN * (floor - depth)) + LEAN * depth**2
    return float(np.trapezoid(section, along))


@pytest.mark.parametrize("faces", [(True, True), (True, False), (False, False)])
def test_a_pit_holds_what_its_slices_hold(faces: tuple[bool, bool]) -> None:
    one = np.zeros((1, 1))
    extents = SimpleNamespace(
        start=one - (not faces[0]), deep_start=one, end=one + LENGTH + (not faces[1]),
        deep_end=one + LENGTH,
    )  # fmt: skip
    depths = SimpleNamespace(
        first=one + FIRST,
        last=one + LAST,
        area=one + LENGTH * (FIRST + LAST) / 2,
        squares=one + LENGTH * (FIRST**2 + FIRST * LAST + LAST**2) / 3,
    )
    volume, ends = _stretch(cast(Any, extents), cast(Any, depths), one + WIDTH, one + LEAN)
    assert float(volume[0, 0]) == pytest.approx(_sliced(*faces), rel=1e-6)
    assert float(ends[0, 0]) == FIRST * faces[0] + LAST * faces[1]
