"""Runs planned in lots, and side by side: the plan is the same whatever the lots."""

from __future__ import annotations

from pathlib import Path

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
