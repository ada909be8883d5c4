"""Lanes that a closure leaves its traffic in every street it lies along: as many as by the work."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.lanes import TOUCH
from geotools.street.net import StreetNet

__all__ = ["Half", "Kept", "narrow"]

LEAST = 1e-9  # m that a lane is wide at least; and by which one more may find room


@dataclass(frozen=True)
class Half:
    """What traffic of one direction has of streets, arrays: ``low`` to ``high``, m left of them.

    As it goes along them. ``own`` lanes are its own, ``other`` those of the other direction; of an
    odd number of lanes for both ways the one over the centreline counts with its own.
    """

    low: FloatArray
    high: FloatArray
    own: IntArray
    other: IntArray

    @classmethod
    def of(cls, net: StreetNet, line: IntArray, oneway: BoolArray, *, keep_right: bool) -> Half:
        """Return that of rows of the table of streets."""
        width, count = net.column("width")[line], net.column("lanes")[line].astype(np.int64)
        middle = np.where(oneway, width / 2, np.where(count % 2, width / 2 / count, 0.0))
        low, high = (-width / 2, middle) if keep_right else (-middle, width / 2)
        own = np.where(oneway, count, (count + 1) // 2)
        return cls(low, high, own, np.where(oneway, 0, count // 2))

    @property
    def lane(self) -> FloatArray:
        """Return how wide a lane is, m."""
        return np.asarray((self.high - self.low) / np.maximum(self.own, 1), dtype=np.float64)


@dataclass(frozen=True)
class Kept:
    """What closures leave beside the work: arrays that broadcast with the streets asked for.

    ``left`` lanes stay open to their traffic; where none does it is led over to ``spare`` lanes of
    the other direction, and where there is none of these either the street is shut. A lane keeps
    at least a ``share`` of its width.
    """

    left: IntArray
    spare: IntArray
    share: float

    def __getitem__(self, rows: IntArray) -> Kept:
        """Return some of them."""
        return Kept(self.left[rows], self.spare[rows], self.share)

    def due(self, half: Half) -> IntArray:
        """Return how many lanes its traffic is to keep on streets.

        Where it is led over to the other direction, one of its own if that has none, or has but
        one where beside the work each direction has its own.
        """
        over = (self.spare == 0) | (half.other >= np.minimum(self.spare, 2))
        return np.asarray(np.where(self.left > 0, self.left, np.where(over, 0, 1)), dtype=np.int64)

    def enough(self, low: FloatArray, high: FloatArray, half: Half) -> BoolArray:
        """Return whether lanes closed from ``low`` to ``high`` leave that many.

        Past the kerb of a street that has no more there is none to close either.
        """
        wide = np.maximum(half.high - half.low, 0.0)
        room = np.maximum(np.clip(low - half.low, 0.0, wide), np.clip(half.high - high, 0.0, wide))
        least = np.maximum(self.share * half.lane, LEAST)
        met = (high > half.low + TOUCH) & (low < half.high - TOUCH)
        due, kept = self.due(half), np.floor(room / least + LEAST)
        return np.asarray(np.where(met, kept >= due, half.own > due), dtype=np.bool_)

    def widest(self, half: Half) -> FloatArray:
        """Return how wide may be closed so that they keep all their width, m; 0 of none."""
        lanes = np.maximum(half.own - self.due(half), 0)
        return np.asarray(lanes * half.lane, dtype=np.float64)


def narrow(
    net: StreetNet,
    flows: FloatArray,
    stretches: tuple[IntArray, FloatArray, FloatArray],
    lanes: tuple[FloatArray, FloatArray],
    kept: Kept,
    *,
    keep_right: bool,
) -> BoolArray:
    """Return along which stretches of chains, from and to, lanes closed may leave too little.

    ``flows`` are those of the pieces of the chains; ``lanes`` are where the lanes lie, m left as
    traffic goes, from its right to its left.
    """
    row, piece = net.pieces_along(*stretches)
    line = net.chains.pieces["line"].to_numpy(dtype=np.int64)[piece]
    half = Half.of(net, line, flows[piece] != 0, keep_right=keep_right)
    low, high = lanes
    out = np.zeros(len(low), dtype=bool)
    out[row[~kept[row].enough(low[row], high[row], half)]] = True
    return out
