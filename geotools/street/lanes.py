"""Lanes a pit takes from the traffic, direction by direction."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Street
from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["TOUCH", "Approach", "Carriageway", "Passage", "approaches", "lanes_between"]

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
class Passage:
    """What traffic keeps past a pit: the room to it, ``gap``, m, and ``share`` of a lane's width.

    A lane that would keep less is closed.
    """

    gap: float
    share: float

    @classmethod
    def of(cls, rules: Street) -> Passage:
        """Return what the brief says of it."""
        return cls(rules.lateral_gap, rules.least_lane_share)


@dataclass(frozen=True)
class Approach:
    """The lanes of one direction past each pit, of the shape of its edges.

    ``closed`` and ``left`` are lanes; ``from_middle`` tells that the lanes by the middle are
    closed and those by the kerb stay open; ``room`` is what those left have of the carriageway
    beside the pit, all together, ``lane`` the width of one as it is drawn, and ``middle`` the line
    between the directions, left of the centreline, m.
    """

    closed: IntArray
    left: IntArray
    from_middle: BoolArray
    room: FloatArray
    lane: FloatArray
    middle: FloatArray


def approaches(
    low: FloatArray, high: FloatArray, way: Carriageway, passage: Passage
) -> tuple[Approach, Approach]:
    """Return what a pit leaves of the lanes on the right, and of those on the left.

    Parameters
    ----------
    low, high : ndarray
        Right and left edge of the pit, m left of the centreline.
    way : Carriageway
        All broadcast.
    passage : Passage

    Notes
    -----
    Lanes share the width evenly and keep their lines: of an odd number one lies over the
    centreline, and none is moved past the line between the directions. No record tells which
    direction has the lane over the centreline: it is taken to be the one with which the pit takes
    more lanes, else that on whose half the pit lies. Common practice, no source.

    All lanes of a one-way street are one approach, told as those on the right of its left kerb:
    traffic passes a pit on one side, so what is closed reaches a kerb, and none is on the left.
    """
    low, high, share = low - passage.gap, high + passage.gap, passage.share
    right, left = _halves(low, high, way, share, more_left=False)
    if (way.lanes % 2).any():
        others = _halves(low, high, way, share, more_left=True)
        more = others[0].closed + others[1].closed - right.closed - left.closed
        other = (way.lanes % 2 > 0) & ((more > 0) | ((more == 0) & (low + high > BESIDE)))
        right, left = _picked(other, others[0], right), _picked(other, others[1], left)
    single = np.broadcast_to(way.oneway != 0, right.closed.shape)
    if not single.any():
        return right, left
    none = _approach(low, high, way, share, 0 * way.lanes, way.width / 2, left=True)
    return _picked(single, _whole(low, high, way, share), right), _picked(single, none, left)


def _picked(chosen: BoolArray, one: Approach, other: Approach) -> Approach:
    """Return the one where it is chosen, else the other."""
    names = [field.name for field in fields(Approach)]
    return Approach(*(np.where(chosen, getattr(one, n), getattr(other, n)) for n in names))


def _halves(
    low: FloatArray, high: FloatArray, way: Carriageway, share: float, *, more_left: bool
) -> tuple[Approach, Approach]:
    """Return both halves, the lane over the centreline on the left or on the right."""
    lanes = way.lanes
    aside = way.width / np.maximum(lanes, 1) / 2
    middle = np.where(lanes % 2, aside, 0.0) * (-1 if more_left else 1)
    few, many = lanes // 2, lanes // 2 + lanes % 2
    right, left = (few, many) if more_left else (many, few)
    return (
        _approach(low, high, way, share, right, middle, left=False),
        _approach(low, high, way, share, left, middle, left=True),
    )


def _whole(low: FloatArray, high: FloatArray, way: Carriageway, share: float) -> Approach:
    """Return all lanes as those of one direction, on the right of the left kerb.

    Open stay the lanes on the side of the pit where more of them find room. Where as many do on
    either side, those by the kerb it lies nearer to are closed; half way, those on the right hand
    of the traffic, so that it does not matter how the street is drawn.
    """
    whole = _approach(low, high, way, share, way.lanes, way.width / 2, left=False)
    mirrored = _approach(-high, -low, way, share, way.lanes, way.width / 2, left=False)
    even = whole.from_middle == mirrored.from_middle
    off = low + high
    by_left = np.where(np.abs(off) > BESIDE, off > 0, way.oneway < 0)
    other = even & by_left
    return replace(
        whole,
        from_middle=whole.from_middle | other,
        room=np.where(other, mirrored.room, whole.room),
    )


def _approach(
    low: FloatArray,
    high: FloatArray,
    way: Carriageway,
    share: float,
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
    least = np.maximum(share * lane, 1e-9)
    inside, outside = (np.clip(room, 0.0, np.maximum(half, 0.0)) for room in (inner, half - outer))
    from_middle = np.floor(outside / least + 1e-9) > np.floor(inside / least + 1e-9)
    # Not met, the lanes lie beside the pit, on whichever side of it they are.
    room = np.where(np.where(met, from_middle, outside > inside), outside, inside)
    kept = np.minimum(np.floor(room / least + 1e-9), here)
    left_open = np.where(met, kept, here).astype(np.int64)
    shape = left_open.shape
    return Approach(
        here - left_open,
        left_open,
        np.broadcast_to(from_middle, shape),
        np.broadcast_to(room, shape),
        np.broadcast_to(lane, shape),
        np.broadcast_to(middle, shape),
    )


def lanes_between(
    low: FloatArray, high: FloatArray, way: Carriageway, passage: Passage
) -> IntArray:
    """Return the lanes of all directions taken between two edges, as told to `approaches`."""
    right, left = approaches(low, high, way, passage)
    taken = np.where(way.lanes > 0, np.minimum(right.closed + left.closed, way.lanes), 0)
    return np.asarray(taken, dtype=np.int64)
