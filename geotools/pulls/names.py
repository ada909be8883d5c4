"""Names of what stands in a row along a run: the run's, a letter and a number from 1."""

from __future__ import annotations

from typing import Any

import numpy.typing as npt

from geotools.network.ragged import IntArray, number_within

__all__ = ["numbered"]


def numbered(letter: str, run_ids: npt.NDArray[Any], run: IntArray) -> list[str]:
    """Return ``R7-P1``, ``R7-P2`` and so on for rows sorted by run, in their order."""
    numbers = number_within(run) + 1
    return [f"{name}-{letter}{number}" for name, number in zip(run_ids[run], numbers, strict=True)]
