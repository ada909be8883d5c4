"""Runs planned in lots, and side by side: the plan is the same whatever the lots."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geotools.tools import _lots, _works

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"


@pytest.mark.parametrize("size", [1, 300])
def test_the_plan_does_not_hang_on_the_size_of_the_lots(
    monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    import geotools

    made: list[int] = []
    whole = _lots._plan_lot

    def counted(*given: object) -> object:
        made.append(1)
        return whole(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(_lots, "LOT", size)
    monkeypatch.setattr(_works, "LAID", size)
    monkeypatch.setattr(_lots, "_plan_lot", counted)
    monkeypatch.setattr(_lots, "processors", lambda: 3)
    lots = geotools.plan(SAMPLE).summary["content_hash"]
    assert len(made) > 1
    monkeypatch.undo()
    assert geotools.plan(SAMPLE).summary["content_hash"] == lots


@pytest.mark.parametrize("larger_for", [0.0, 0.02])
def test_a_lot_keeps_of_each_carrier_only_the_places_it_may_be_shown_for(
    monkeypatch: pytest.MonkeyPatch, larger_for: float
) -> None:
    import geotools

    lots: list[Any] = []
    shown = _lots._shown

    def seen(ground: Any, attempts: Any, tried: Any, runs: Any) -> Any:
        rank = shown(ground, attempts, tried, runs)
        lots.append((attempts, runs, rank))
        return rank

    monkeypatch.setattr(_lots, "_shown", seen)
    wishes = {"carrier.larger_for": larger_for, "pits.max_depth": "2.4 m"}
    geotools.plan(SAMPLE, settings=wishes)
    beaten = lost = 0
    for attempts, runs, rank in lots:
        value = np.array([attempt.value[runs] for attempt in attempts])
        places, sites = (
            np.array([np.diff(of.offsets)[runs] for of in column])
            for column in ([a.candidates for a in attempts], [a.sites for a in attempts])
        )
        near = value <= value.min(axis=0) * (1 + larger_for)
        assert (places[~near] == 0).all()
        assert (places[rank, np.arange(len(runs))] == places.max(axis=0)).all()
        planned = np.isfinite(value).any(axis=0)
        assert (sites[:, planned] == 0).all()
        assert (sites[:, ~planned] == places[:, ~planned]).all()
        beaten += int((~near).sum())
        lost += int((sites > 0).sum())
    assert beaten and lost
