"""Lanes a pit takes from the traffic, direction by direction."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["LEAST_LANE_SHARE", "TOUCH", "Approach", "Carriageway", "approaches", "lanes_between"]

LEAST_LANE_SHARE = 0.85  # a lane may be narrowed to this share of its width past a pit
TOUCH = 0.05  # m of carriageway a pit may overlap without taking anything
BESIDE = 1e-6  # m; a pit whose middle is no farther off the centreline lies on neither half


@dataclass(frozen=True)
class Carriageway:
    """The streets that pits lie in: arrays that broadcast with the edges of the pits.

    Attributes
    ----------
    width : ndarray
        Width of the carriageway, m.
    lanes : ndarray of int64
        Lanes of all directions together; a single one is that of both.
    oneway : ndarray
        1 where all traffic goes along the chain, -1 against it, 0 both ways.
    """

    width: FloatArray
    lanes: IntArray
    oneway: FloatArray

    @classmethod
    def of(cls, table: pd.DataFrame) -> Carriageway:
        """Return the streets a table tells of: nothing where it tells of none."""
        width, lanes, oneway = (
            np.nan_to_num(table[f"street_{name}"].to_numpy(dtype=float))
            for name in ("width", "lanes", "oneway")
        )
        return cls(width, lanes.astype(np.int64), oneway)

    def __getitem__(self, rows: Any) -> Carriageway:
        """Return some of them, or all with more axes."""
        return Carriageway(self.width[rows], self.lanes[rows], self.oneway[rows])


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


def approaches(low: FloatArray, high: FloatArray, way: Carriageway) -> tuple[Approach, Approach]:
    """Return what a pit leaves of the lanes on the right, and of those on the left.

    Parameters
    ----------
    low, high : ndarray
        Right and left edge of the pit with the room to traffic, m left of the centreline.
    way : Carriageway
        All broadcast.

    Notes
    -----
    Lanes share the width evenly and keep their lines: of an odd number one lies over the
    centreline, and none is moved past the line between the directions. No record tells which
    direction has the lane over the centreline: it is taken to be the one with which the pit takes
    more lanes, else that on whose half the pit lies. Common practice, no source.

    All lanes of a one-way street are one approach, told as those on the right of its left kerb:
    traffic passes a pit on one side, so what is closed reaches a kerb, and none is on the left.
    """
    right, left = _halves(low, high, way, more_left=False)
    if (way.lanes % 2).any():
        others = _halves(low, high, way, more_left=True)
        more = others[0].closed + others[1].closed - right.closed - left.closed
        other = (way.lanes % 2 > 0) & ((more > 0) | ((more == 0) & (low + high > BESIDE)))
        right, left = _picked(other, others[0], right), _picked(other, others[1], left)
    single = np.broadcast_to(way.oneway != 0, right.closed.shape)
    if not single.any():
        return right, left
    none = _approach(low, high, way, 0 * way.lanes, way.width / 2, left=True)
    return _picked(single, _whole(low, high, way), right), _picked(single, none, left)


def _picked(chosen: BoolArray, one: Approach, other: Approach) -> Approach:
    """Return the one where it is chosen, else the other."""
    names = [field.name for field in fields(Approach)]
    return Approach(*(np.where(chosen, getattr(one, n), getattr(other, n)) for n in names))


def _halves(
    low: FloatArray, high: FloatArray, way: Carriageway, *, more_left: bool
) -> tuple[Approach, Approach]:
    """Return both halves, the lane over the centreline on the left or on the right."""
    lanes = way.lanes
    aside = way.width / np.maximum(lanes, 1) / 2
    middle = np.where(lanes % 2, aside, 0.0) * (-1 if more_left else 1)
    few, many = lanes // 2, lanes // 2 + lanes % 2
    right, left = (few, many) if more_left else (many, few)
    return (
        _approach(low, high, way, right, middle, left=False),
        _approach(low, high, way, left, middle, left=True),
    )


def _whole(low: FloatArray, high: FloatArray, way: Carriageway) -> Approach:
    """Return all lanes as those of one direction, on the right of the left kerb.

    Open stay the lanes on the side of the pit where more of them find room. Where as many do on
    either side, those by the kerb it lies nearer to are closed; half way, those on the right hand
    of the traffic, so that it does not matter how the street is drawn.
    """
    whole = _approach(low, high, way, way.lanes, way.width / 2, left=False)
    mirrored = _approach(-high, -low, way, way.lanes, way.width / 2, left=False)
    even = whole.from_middle == mirrored.from_middle
    off = low + high
    by_left = np.where(np.abs(off) > BESIDE, off > 0, way.oneway < 0)
    return replace(whole, from_middle=np.where(even, by_left, whole.from_middle))


def _approach(
    low: FloatArray,
    high: FloatArray,
    way: Carriageway,
    here: IntArray,
    middle: FloatArray,
    *,
    left: bool,
) -> Approach:
    """Return what a pit leaves of so many lanes ``here``, left or right of the ``middle``."""
    lane = way.width / np.maximum(way.lanes, 1)
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
        np.broadcast_to(outside > inside, shape),
        np.broadcast_to(lane, shape),
        np.broadcast_to(middle, shape),
    )


def lanes_between(low: FloatArray, high: FloatArray, way: Carriageway) -> IntArray:
    """Return the lanes of all directions taken between two edges, as told to `approaches`."""
    right, left = approaches(low, high, way)
    taken = np.where(way.lanes > 0, np.minimum(right.closed + left.closed, way.lanes), 0)
    return np.asarray(taken, dtype=np.int64)
