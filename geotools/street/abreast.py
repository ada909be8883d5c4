"""Strings side by side: where across the street they lie, and the lanes they take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.lanes import Carriageway, Passage, lanes_between

__all__ = ["StringLanes", "string_lanes", "string_places"]

SLACK = 1e-9


@dataclass(frozen=True)
class StringLanes:
    """Lanes taken and left by one string, by two, and so on, shape (n, k).

    ``fits`` tells whether so many find room across the street at all.
    """

    taken: IntArray
    left: IntArray
    fits: BoolArray


def string_places(
    own: npt.ArrayLike,
    half: npt.ArrayLike,
    outside: npt.ArrayLike,
    *,
    gap: float,
    count: int,
    over_middle: bool,
) -> FloatArray:
    """Return how far left of the centreline strings lie, the first to the last, m, (n, count).

    Parameters
    ----------
    own : array_like, shape (n,)
        How far left of the centreline the ramp ends, m: there the first one lies.
    half : array_like, shape (n,)
        Half the width of carriageway and verge, m; infinite where it is not known.
    outside : array_like, shape (n,)
        Outside diameter of the pipe, m.
    gap : float
        Room between two strings, m.
    count : int
    over_middle : bool
        Whether strings may lie over the middle of the street and beyond it.

    Notes
    -----
    The others lie beside the first, towards the verge while there is room, then towards the
    middle and over to the other side; not-a-number where there is no more room. Common practice,
    no source.
    """
    own, half, outside = (np.asarray(v, dtype=float)[:, None] for v in (own, half, outside))
    step, side, aside = outside + gap, np.where(own < 0, -1.0, 1.0), np.abs(own)
    edge = half - outside / 2
    inner = -edge if over_middle else outside / 2
    out = np.floor(np.maximum(edge - aside, 0.0) / step + SLACK)
    back = np.floor(np.maximum(aside - inner, 0.0) / step + SLACK)
    number = np.arange(count, dtype=float)
    # written so that no infinite number of places meets another
    inwards = number - np.minimum(out, count)
    off = np.where(number <= out, aside + step * number, aside - step * inwards)
    return np.asarray(np.where(inwards <= back, side * off, np.nan), dtype=np.float64)


def string_lanes(
    places: FloatArray,
    outside: FloatArray,
    way: Carriageway,
    passage: Passage,
) -> StringLanes:
    """Return the lanes taken by one string, by two, and so on.

    Parameters
    ----------
    places : ndarray, shape (n, k)
        As `string_places` gives them.
    outside : ndarray, shape (n,)
        Outside diameter of the pipe, m.
    way : Carriageway
        Shape (n,); of no lanes off the streets, where none is taken.
    passage : Passage
    """
    half = outside[:, None] / 2
    low = np.minimum.accumulate(places, axis=1) - half
    high = np.maximum.accumulate(places, axis=1) + half
    fits = np.isfinite(low) & np.isfinite(high)
    low, high = np.where(fits, low, 0.0), np.where(fits, high, 0.0)
    whole = np.broadcast_to(way.lanes[:, None], low.shape)
    taken = np.where(fits, lanes_between(low, high, way[:, None], passage), 0)
    return StringLanes(taken, whole - taken, fits)
