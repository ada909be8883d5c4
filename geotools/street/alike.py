"""Stretches of a chain of streets along which lanes, width, class, speed and way are one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, firsts, spread_out

if TYPE_CHECKING:
    from geotools.street.net import StreetNet

__all__ = ["SLACK", "Alike", "Stretches", "alike_stretches"]

SLACK = 1e-6  # m; a stretch entered by no more is not entered


@dataclass(frozen=True)
class Stretches:
    """Stretches in the order of chains and chainages.

    Attributes
    ----------
    places : Places
        Where they begin.
    end : ndarray, shape (k,)
        Where they end, m along the chain.
    piece : ndarray of int64, shape (k,)
        The first piece of each among those of the chains.
    """

    places: Places
    end: FloatArray
    piece: IntArray


@dataclass(frozen=True)
class Alike(Stretches):
    """Stretches with the streets they are of.

    Streets keep their stretches, and not these: what holds itself is let go late.

    Attributes
    ----------
    net : StreetNet
    """

    net: StreetNet

    def begun(self, chain: IntArray, at: FloatArray, forward: npt.NDArray[np.bool_]) -> IntArray:
        """Return the stretch that a line from a place on lies in first; where two meet its own."""
        return self.places.begun(chain, at, forward, slack=SLACK)

    def near_edge(self, row: IntArray, forward: npt.NDArray[np.bool_]) -> FloatArray:
        """Return the chainage at which stretches are entered, along the chain or against it, m."""
        return np.where(forward, self.places.at[row], self.end[row])

    def number(self, name: str, row: IntArray) -> FloatArray:
        """Return ``lanes``, ``width`` (m), ``speed`` (m/s) or ``oneway`` (along the chain: 1)."""
        values = self.net.column(name)[self._line(row)].astype(np.float64)
        if name == "oneway":
            turned = self.net.chains.pieces["reversed"].to_numpy(dtype=bool)
            values = np.where(turned[self.piece[row]], -values, values)
        return np.asarray(values, dtype=np.float64)

    def text(self, name: str, row: IntArray) -> npt.NDArray[np.object_]:
        """Return ``class`` or ``name``; of names that of the first centreline."""
        return np.asarray(self.net.column(name)[self._line(row)], dtype=object)

    def within(self, chain: IntArray, low: FloatArray, high: FloatArray) -> tuple[IntArray, ...]:
        """Return the stretches that parts of chains lie in: row of the part, and stretch."""
        first = self.places.holding(chain, low, slack=SLACK)
        last = np.maximum(self.places.holding(chain, high, slack=-SLACK), first)
        row, place = spread_out(last - first + 1)
        return row, first[row] + place

    def _line(self, row: IntArray) -> IntArray:
        lines = self.net.chains.pieces["line"].to_numpy(dtype=np.int64)
        return np.asarray(lines[self.piece[row]], dtype=np.int64)


def alike_stretches(net: StreetNet) -> Stretches:
    """Find the stretches of all chains; centrelines that go on alike are one, whatever their name.

    Parameters
    ----------
    net : StreetNet
    """
    pieces = net.chains.pieces
    run = pieces["run"].to_numpy(dtype=np.int64)
    start = pieces["start"].to_numpy(dtype=float)
    line = pieces["line"].to_numpy(dtype=np.int64)
    turned = pieces["reversed"].to_numpy(dtype=bool)
    says = {name: net.column(name)[line] for name in ("width", "lanes", "speed", "oneway")}
    says["oneway"] = np.where(turned, -says["oneway"], says["oneway"])
    kinds = pd.factorize(net.column("class")[line])[0]
    rows = np.flatnonzero(firsts(run, kinds, *says.values())) if len(run) else run
    places = Places.of(run[rows], start[rows], len(net.chains))
    last = np.append(run[rows][1:] != run[rows][:-1], True) if len(rows) else rows.astype(bool)
    end = np.where(last, net.lengths[run[rows]], np.append(start[rows][1:], 0.0))
    return Stretches(places, np.asarray(end, dtype=np.float64), rows.astype(np.int64))
