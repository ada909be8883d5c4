"""Lanes a pit takes from the traffic, direction by direction."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

__all__ = ["LEAST_LANE_SHARE", "TOUCH", "Approach", "approaches", "lanes_between"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
LEAST_LANE_SHARE = 0.85  # a lane may be narrowed to this share of its width past a pit
TOUCH = 0.05  # m of carriageway a pit may overlap without taking anything
BESIDE = 1e-6  # m; a pit whose middle is no farther off the centreline lies on neither half


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


def approaches(
    low: FloatArray, high: FloatArray, width: FloatArray, lanes: IntArray
) -> tuple[Approach, Approach]:
    """Return what a pit leaves of the lanes on the right, and of those on the left.

    Parameters
    ----------
    low, high : ndarray
        Right and left edge of the pit with the room to traffic, m left of the centreline.
    width : ndarray
        Width of the carriageway, m.
    lanes : ndarray of int64
        Lanes of both directions; a single one is that of both. All broadcast.

    Notes
    -----
    Lanes share the width evenly and keep their lines: of an odd number one lies over the
    centreline, and none is moved past the line between the directions. No record tells which
    direction has the lane over the centreline: it is taken to be the one with which the pit takes
    more lanes, else that on whose half the pit lies. Common practice, no source.
    """
    right, left = _halves(low, high, width, lanes, more_left=False)
    if not (lanes % 2).any():
        return right, left
    others = _halves(low, high, width, lanes, more_left=True)
    more = others[0].closed + others[1].closed - right.closed - left.closed
    other = (lanes % 2 > 0) & ((more > 0) | ((more == 0) & (low + high > BESIDE)))
    return _picked(other, others[0], right), _picked(other, others[1], left)


def _picked(chosen: BoolArray, one: Approach, other: Approach) -> Approach:
    """Return the one where it is chosen, else the other."""
    names = [field.name for field in fields(Approach)]
    return Approach(*(np.where(chosen, getattr(one, n), getattr(other, n)) for n in names))


def _halves(
    low: FloatArray, high: FloatArray, width: FloatArray, lanes: IntArray, *, more_left: bool
) -> tuple[Approach, Approach]:
    """Return both halves, the lane over the centreline on the left or on the right."""
    lane = width / np.maximum(lanes, 1)
    middle = np.where(lanes % 2, lane / 2, 0.0) * (-1 if more_left else 1)
    few, many = lanes // 2, lanes // 2 + lanes % 2
    right, left = (few, many) if more_left else (many, few)
    return (
        _approach(low, high, lane, right, middle, left=False),
        _approach(low, high, lane, left, middle, left=True),
    )


def _approach(
    low: FloatArray,
    high: FloatArray,
    lane: FloatArray,
    here: IntArray,
    middle: FloatArray,
    *,
    left: bool,
) -> Approach:
    """Return what a pit leaves of so many lanes ``here``, left or right of the ``middle``."""
    half = here * lane
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
    """Return the lanes of both directions taken between two edges, as told to `approaches`."""
    right, left = approaches(low, high, width, lanes)
    taken = np.where(lanes > 0, np.minimum(right.closed + left.closed, lanes), 0)
    return np.asarray(taken, dtype=np.int64)
