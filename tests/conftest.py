"""Settings of all tests: generated examples are the same on every machine and at every run."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("gate", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("gate")
