"""Lanes left open beside pits: how wide each is, and how far the pit lies in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.lanes import Approach, Carriageway, Passage, approaches

__all__ = ["LaneBeside", "lanes_beside"]

LEAST = 5e-3  # m by which a lane is narrower than drawn: less is rounding where it is told
DUG = 1e-3  # m of open lanes that a pit may lie in by rounding


@dataclass(frozen=True)
class LaneBeside:
    """The lanes of one direction that stay open beside each pit, arrays of shape (k,).

    ``left`` and ``closed`` are lanes, ``drawn`` and ``wide`` the width of one left as it is drawn
    and as it is beside the pit, and ``dug`` how far across them the pit lies, m: what lanes give up
    beside those closed is closed with them.
    """

    left: IntArray
    closed: IntArray
    drawn: FloatArray
    wide: FloatArray
    dug: FloatArray

    @property
    def narrowed(self) -> BoolArray:
        """Return by which pits lanes are narrower than drawn."""
        return np.asarray((self.left > 0) & (self.drawn - self.wide > LEAST), dtype=np.bool_)

    @property
    def dug_into(self) -> BoolArray:
        """Return which pits lie in lanes that stay open."""
        return np.asarray((self.left > 0) & (self.dug > DUG), dtype=np.bool_)


def lanes_beside(
    low: FloatArray, high: FloatArray, way: Carriageway, passage: Passage
) -> tuple[LaneBeside, LaneBeside]:
    """Return what pits leave of the lanes on the right, and of those on the left.

    Parameters
    ----------
    low, high, way, passage
        As for `approaches`.
    """
    right, left = approaches(low, high, way, passage)
    return (
        _beside(right, right.middle - high, right.middle - low),
        _beside(left, low - left.middle, high - left.middle),
    )


def _beside(one: Approach, near: FloatArray, far: FloatArray) -> LaneBeside:
    """Return what is left of one direction by pits so far from its middle, m.

    The lanes left share the room beside the pit evenly. Where none is closed nothing is, and they
    lie from the middle on to the kerb.
    """
    half = one.left * one.lane
    dug = np.maximum(np.minimum(far, half) - np.maximum(near, 0.0), 0.0)
    return LaneBeside(
        left=one.left,
        closed=one.closed,
        drawn=one.lane,
        wide=np.minimum(one.room / np.maximum(one.left, 1), one.lane),
        dug=np.where(one.closed == 0, dug, 0.0),
    )
