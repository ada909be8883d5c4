"""Stretches of a run that must lie inside a pit, and what they mean for pit edges and pulls."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.ragged import FloatArray
from geotools.network.stretches import Stretches, disjoint

__all__ = ["Stretches", "must_stretches"]


def must_stretches(bends: pd.DataFrame, diameter: FloatArray, lengths: FloatArray) -> Stretches:
    """Gather the bends that cannot be passed, with one host diameter before and after.

    Parameters
    ----------
    bends : DataFrame
        Judged bends: ``run``, ``first``, ``last`` (m), ``passes``.
    diameter, lengths : ndarray, shape (runs,)
        Host diameter and length of the runs, m.
    """
    blocked = bends[~bends["passes"].to_numpy(dtype=bool)]
    run = blocked["run"].to_numpy(dtype=np.int64)
    room = diameter[run]
    low = np.maximum(blocked["first"].to_numpy(dtype=float) - room, 0.0)
    high = np.minimum(blocked["last"].to_numpy(dtype=float) + room, lengths[run])
    return disjoint(run, low, high, len(lengths))
