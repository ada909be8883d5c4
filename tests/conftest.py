"""Settings of all tests: generated examples are the same on every machine and at every run."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

from geotools.tool import Outcome

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis" / "brief.toml"

settings.register_profile("gate", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("gate")


@pytest.fixture(scope="session")
def sample_done() -> Outcome:
    """The sample planned as it is; it takes seconds, and no test changes it."""
    import geotools

    return geotools.plan(SAMPLE)
