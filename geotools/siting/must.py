"""Stretches of a run that must lie inside a pit, and what they mean for pit edges and pulls."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from geotools.network.ragged import FloatArray
from geotools.network.stretches import Stretches, disjoint

__all__ = ["BEND", "VALVE", "Stretches", "must_stretches"]

BEND, VALVE = 1, 2
"""What a stretch holds, as bits of its kind."""


def must_stretches(
    bends: pd.DataFrame, diameter: FloatArray, lengths: FloatArray, *, apart: float = 0.0
) -> Stretches:
    """Gather the bends that cannot be passed, with one host diameter before and after.

    Stretches so near to each other, or to an end of the run, that no pull fits between their
    pits are one stretch: one longer pit is dug there.

    Parameters
    ----------
    bends : DataFrame
        Judged bends: ``run``, ``first``, ``last`` (m), ``passes``, ``deflection`` (rad; of a valve
        it is not a number).
    diameter, lengths : ndarray, shape (runs,)
        Host diameter and length of the runs, m.
    apart : float
        Room that two pits and the shortest pull between them take, m.
    """
    blocked = bends[~bends["passes"].to_numpy(dtype=bool)]
    run = blocked["run"].to_numpy(dtype=np.int64)
    room = diameter[run]
    low = np.maximum(blocked["first"].to_numpy(dtype=float) - room, 0.0)
    high = np.minimum(blocked["last"].to_numpy(dtype=float) + room, lengths[run])
    low = np.where(low < apart, 0.0, low)
    high = np.where(high > lengths[run] - apart, lengths[run], high)
    wide = disjoint(run, low - apart / 2, high + apart / 2, len(lengths))
    kind = np.zeros(len(wide.low), dtype=np.int64)
    bend = np.isfinite(blocked["deflection"].to_numpy(dtype=float))
    np.bitwise_or.at(kind, wide.holding(run, low - apart / 2), np.where(bend, BEND, VALVE))
    return replace(wide, low=wide.low + apart / 2, high=wide.high - apart / 2, kind=kind)
