"""What a plan is made from is let go as soon as nobody asks for it: nothing holds itself."""

from __future__ import annotations

import gc
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def left_over() -> Callable[[], list[object]]:
    """Tell what held itself since, and so waited for the collector."""
    gc.collect()
    gc.disable()

    def found() -> list[object]:
        gc.set_debug(gc.DEBUG_SAVEALL)
        try:
            gc.collect()
            return [one for one in gc.garbage if type(one).__module__.startswith("geotools.")]
        finally:
            gc.set_debug(0)
            gc.garbage.clear()
            gc.enable()

    return found


def test_nothing_of_a_plan_waits_for_the_collector(
    left_over: Callable[[], list[object]],
    command: Callable[..., int],
    sample: Path,
    tmp_path: Path,
) -> None:
    assert command("plan", sample / "brief.toml", "-o", tmp_path / "plan.gpkg") == 0
    assert left_over() == []
