"""Runs planned in lots, and side by side: the plan is the same whatever the lots."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geotools.deliver import context
from geotools.pulls import forces
from geotools.schema import OUTPUTS
from geotools.siting import overlap, profile, ramps
from geotools.street import nearest, scene
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


def test_the_plan_does_not_hang_on_how_much_is_worked_out_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import geotools

    whole = geotools.plan(SAMPLE).summary["content_hash"]
    monkeypatch.setattr(context, "AT_ONCE", 7)
    monkeypatch.setattr(forces, "FOLLOWED", 3)
    monkeypatch.setattr(profile, "LOOKED_UP", 50)
    monkeypatch.setattr(overlap, "TOGETHER", 3)
    monkeypatch.setattr(ramps, "CUT", 3 * ramps.CUTS)
    monkeypatch.setattr(scene, "SPARE", 0.0)
    monkeypatch.setattr(nearest, "MANY", 0)
    assert geotools.plan(SAMPLE).summary["content_hash"] == whole


def test_layers_of_many_rows_are_held_as_numbers_and_handed_out_as_texts() -> None:
    import geotools

    layers = geotools.plan(SAMPLE).layers
    told = {
        "stations": ("run_id", "kind", "depth_source"),
        "candidates": ("run_id", "roles", "reasons", "street_class", "string_day_ahead"),
        "forces": ("run_id", "pull_id"),
        "quantities": ("scope", "run_id", "item", "unit"),
        "alternatives": ("run_id", "carrier", "outcome", "refused_by"),
        "context": ("layer", "kind"),
    }
    for name, texts in told.items():
        held, given = layers.tables[name], layers[name]
        assert "geometry" not in held
        for text in texts:
            words = held[text].cat.categories
            assert held[text].memory_usage(index=False, deep=True) < 2 * len(held) + 400 * len(
                words
            )
            assert given[text].dtype == "str"
            assert given[text].astype(object).equals(held[text].astype(object))
    for name in ("stations", "candidates"):
        fields = {field.name for field in OUTPUTS[name].fields}
        assert set(layers.tables[name]) == fields | {"x", "y"}


@pytest.mark.parametrize("larger_for", [0.0, 0.02])
def test_a_lot_keeps_of_each_carrier_only_the_places_it_may_be_shown_for(
    monkeypatch: pytest.MonkeyPatch, larger_for: float
) -> None:
    import geotools

    lots: list[Any] = []
    shown = _lots._shown

    def seen(ground: Any, attempts: Any, tried: Any) -> Any:
        rank = shown(ground, attempts, tried)
        lots.append((attempts, rank))
        return rank

    monkeypatch.setattr(_lots, "_shown", seen)
    wishes = {"carrier.larger_for": larger_for, "pits.max_depth": "2.4 m"}
    geotools.plan(SAMPLE, settings=wishes)
    beaten = lost = 0
    for attempts, rank in lots:
        value = np.array([attempt.value for attempt in attempts])
        places, sites = (
            np.array([np.diff(of.offsets) for of in column])
            for column in ([a.candidates for a in attempts], [a.sites for a in attempts])
        )
        near = value <= value.min(axis=0) * (1 + larger_for)
        assert (places[~near] == 0).all()
        assert (places[rank, np.arange(len(rank))] == places.max(axis=0)).all()
        planned = np.isfinite(value).any(axis=0)
        assert (sites[:, planned] == 0).all()
        assert (sites[:, ~planned] == places[:, ~planned]).all()
        beaten += int((~near).sum())
        lost += int((sites > 0).sum())
    assert beaten and lost
