"""Names of what stands in a row along a run: the run's, a letter and a number from 1."""

from __future__ import annotations

from typing import Any

import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from geotools.network.ragged import IntArray, number_within

__all__ = ["numbered"]


def numbered(
    letter: str, run_ids: npt.NDArray[Any], run: IntArray
) -> pd.api.extensions.ExtensionArray:
    """Return ``R7-P1``, ``R7-P2`` and so on for rows sorted by run, in their order."""
    names = pa.array(run_ids, pa.string()).take(pa.array(run))
    numbers = pa.array(number_within(run) + 1).cast(pa.string())
    joined: pd.Series[str] = pc.binary_join_element_wise(names, numbers, f"-{letter}").to_pandas()
    return joined.array
