"""Lanes a pit takes from the traffic, direction by direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["LEAST_LANE_SHARE", "TOUCH", "Approach", "approach", "lanes_between"]

LEAST_LANE_SHARE = 0.85  # a lane may be narrowed to this share of its width past a pit
TOUCH = 0.05  # m of carriageway a pit may overlap without taking anything


@dataclass(frozen=True)
class Approach:
    """The lanes of one direction past each pit, of the shape of its edges.

    ``closed`` and ``left`` are lanes; ``from_middle`` tells that the lanes by the middle are
    closed and those by the kerb stay open; ``lane`` is the width of a lane, and ``middle`` the
    line between the directions, left of the centreline, m.
    """

    closed: IntArray
    left: IntArray
    from_middle: BoolArray
    lane: FloatArray
    middle: FloatArray


def approach(
    low: FloatArray, high: FloatArray, width: FloatArray, lanes: IntArray, *, left: bool
) -> Approach:
    """Return what a pit leaves of the lanes of one direction.

    Parameters
    ----------
    low, high : ndarray
        Right and left edge of the pit with the room to traffic, m left of the centreline.
    width : ndarray
        Width of the carriageway, m.
    lanes : ndarray of int64
        Lanes of both directions; of an odd number there is one more on the right, and a single
        one is that of both. All broadcast.
    left : bool
        The lanes on the left, or those on the right.

    Notes
    -----
    Lanes share the width evenly and keep their lines: of an odd number one lies over the
    centreline, and none is moved past the line between the directions. Common practice, no source.
    """
    here = lanes // 2 + (0 if left else lanes % 2)
    lane = width / np.maximum(lanes, 1)
    half = here * lane
    middle = np.where(lanes % 2, lane / 2, 0.0)
    low, high = low - middle, high - middle
    inner, outer = (low, high) if left else (-high, -low)
    met = (outer > TOUCH) & (inner < half - TOUCH) & (here > 0)
    least = np.maximum(LEAST_LANE_SHARE * lane, 1e-9)
    inside = np.floor(np.maximum(inner, 0.0) / least + 1e-9)
    outside = np.floor(np.maximum(half - outer, 0.0) / least + 1e-9)
    kept = np.minimum(np.maximum(inside, outside), here)
    left_open = np.where(met, kept, here).astype(np.int64)
    shape = left_open.shape
    return Approach(
        here - left_open,
        left_open,
        outside > inside,
        np.broadcast_to(lane, shape),
        np.broadcast_to(middle, shape),
    )


def lanes_between(
    low: FloatArray, high: FloatArray, width: FloatArray, lanes: IntArray
) -> IntArray:
    """Return the lanes of both directions taken between two edges; parameters as of `approach`."""
    halves = [approach(low, high, width, lanes, left=left) for left in (False, True)]
    taken = np.where(lanes > 0, np.minimum(halves[0].closed + halves[1].closed, lanes), 0)
    return np.asarray(taken, dtype=np.int64)
