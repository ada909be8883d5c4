"""The steepest ground a run cannot do without, against a search of all ways from pit to pit."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd

from geotools.network.stretches import Stretches
from geotools.screening.quick import Gaps
from geotools.screening.steep import PitGround, least_within, steepest_needed


def test_the_least_of_a_stretch_is_found_whatever_its_length() -> None:
    rng = np.random.default_rng(1)
    values = rng.random(200)
    low = rng.integers(0, 200, 500)
    high = np.minimum(low + rng.integers(0, 90, 500), 200)
    plain = [values[a:b].min() if b > a else 0.0 for a, b in zip(low, high, strict=True)]
    assert least_within(values, low, high).tolist() == plain


def test_the_steepest_pit_needed_is_that_of_the_best_way_along_the_run() -> None:
    """Of all ways with pits a reach apart at most, the one whose steepest pit is the least."""
    rng = np.random.default_rng(2)
    for _ in range(50):
        count, reach = int(rng.integers(5, 60)), float(rng.integers(15, 90))
        at = np.arange(count) * 10.0
        slope = rng.random(count).round(3)
        length = float(at[-1])
        best = np.full(count, np.inf)
        best[0] = 0.0  # the ends are told apart from what lies between
        for k in range(1, count):
            before = best[:k][at[k] - at[:k] <= reach + 1e-9]
            own = slope[k] if k < count - 1 else 0.0
            best[k] = max(before.min(initial=np.inf), own)
        ground = SimpleNamespace(
            offsets=np.array([0, count]), stations=pd.DataFrame({"run": 0, "chainage": at})
        )
        none = Stretches(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0), 1)
        pits = PitGround(slope, np.zeros(1), none)
        gaps = Gaps(np.array([0]), np.zeros(1), np.array([length]))
        ground.brief = SimpleNamespace(pits=SimpleNamespace(receiving_length=6.0))
        ground.runs = SimpleNamespace(table=pd.DataFrame({"length": [length]}))
        ground.profile = SimpleNamespace(
            table=lambda columns, run, places: [np.zeros(places.shape)]
        )
        ours = steepest_needed(cast(Any, ground), pits, none, gaps, np.array([reach]))
        assert ours[0] == best[-1]
