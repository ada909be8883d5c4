"""Alignment: whether streets lie where the mains do, or all beside them by one and the same way.

Mains of towns lie in streets. Streets in an old datum, or in a CRS that is nearly right, lie a
hundred metres off: near enough to overlap, and of no use. Few streets near the mains prove
nothing: a network in the country has few. What is asked about is only a layer that would lie on
the mains if it were moved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.intake.ragged import line_of_vertex

__all__ = ["ask_of_shift"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
CELL = 10.0  # m
# m; a street takes in its own cells and those around: one to two cells from its middle line, about
# half the space between the houses
NEAR = 1.5 * CELL
STEP = 25.0  # m, of mains that one point stands for
MOST_POINTS = 20_000  # points of mains looked at, those in the middle of the network
MOST_MOVED = 2_000  # of these, points that are moved about
FARTHEST = 300.0  # m; changes of datum move less but for a few, as do false zones more by far
LEAST_LENGTH = 1000.0  # m of mains near streets, below which nothing is said
# Shares of that length. Most mains of a town lie in streets; if fewer do, a layer is moved about,
# and asked about where it then fits as those of towns do, and much better. Judgement, no source.
SOUND, FITTING, GAIN = 0.6, 0.7, 0.3
# Least share of the lesser direction: lines all of one direction fit onto a parallel street, a
# pipeline beside a road for one.
LEAST_ACROSS = 0.1
SPAN = 1 << 26  # cells from one row of the grid to the next


@dataclass(frozen=True)
class _Points:
    """Points along lines: places, shape (n, 2), and the stretches they stand for, (n, 2), m."""

    xy: FloatArray
    along: FloatArray

    @classmethod
    def of(cls, lines: Lines) -> _Points:
        """Take the middle of every segment."""
        owner = line_of_vertex(lines.offsets)
        inside = np.flatnonzero(owner[1:] == owner[:-1])
        start, end = lines.xy[inside], lines.xy[inside + 1]
        return cls((start + end) / 2, end - start)

    def cut(self, step: float) -> _Points:
        """Cut the stretches into equal pieces none of which is longer than a step, m."""
        count = np.maximum(np.ceil(self.length / step), 1.0).astype(np.int64)
        row = np.repeat(np.arange(len(count)), count)
        number = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
        off = (number + 0.5) / count[row] - 0.5
        along = self.along[row]
        return _Points(self.xy[row] + off[:, None] * along, along / count[row, None])

    def meeting(self, low: FloatArray, high: FloatArray) -> _Points:
        """Return those whose stretches may meet a box."""
        reach = np.abs(self.along) / 2
        return self[np.all((self.xy + reach >= low) & (self.xy - reach <= high), axis=1)]

    def __getitem__(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> _Points:
        return _Points(self.xy[rows], self.along[rows])

    @property
    def length(self) -> FloatArray:
        length: FloatArray = np.hypot(*self.along.T)
        return length

    def middle(self, most: int) -> _Points:
        """Return no more than so many, those nearest to the middle of all."""
        if len(self.xy) <= most:
            return self
        away = np.abs(self.xy - np.median(self.xy, axis=0)).max(axis=1)
        return self[np.argpartition(away, most)[:most]]


def ask_of_shift(streets: Lines, mains: Lines, findings: Findings) -> None:
    """Ask about streets that do not lie on the mains, but would if they were moved."""
    # Cut up only where it is looked: the pieces of a whole city's lines fill the memory.
    looked = _Points.of(mains).middle(MOST_POINTS).cut(STEP).middle(MOST_POINTS)
    low, high = looked.xy.min(axis=0) - FARTHEST, looked.xy.max(axis=0) + FARTHEST
    spots = _Points.of(streets).meeting(low, high).cut(CELL).xy
    spots = spots[((spots >= low) & (spots <= high)).all(axis=1)]
    looked = looked[_beside(looked.xy, _cells(spots, FARTHEST), FARTHEST)]
    if looked.length.sum() < LEAST_LENGTH or _across(looked) < LEAST_ACROSS:
        return
    taken = _cells(spots, CELL)
    share = _share(looked, taken)
    if share >= SOUND:
        return
    best = _best_moved(looked.middle(MOST_MOVED), taken)
    if best < max(FITTING, share + GAIN):
        return
    findings.add(
        "warning",
        "streets-beside-mains",
        f"lie within about {findings.length(NEAR, 0)} of only {share:.0%} of the length of the "
        f"mains looked at; moved all one way, by no more than {findings.length(FARTHEST, 0)}, they "
        f"would for {best:.0%}. Are their datum and CRS right? Check them against the mains on a "
        "map; if they are wrong, lanes and traffic are taken from the wrong places",
        layer="streets",
    )


def _cells(spots: FloatArray, size: float) -> IntArray:
    """Return the numbers of the cells that hold spots, and of those around them, in order."""
    own = np.unique(_numbers(spots, size))
    around = np.array([i * SPAN + j for i in (-1, 0, 1) for j in (-1, 0, 1)])
    return np.unique(own[:, None] + around)


def _numbers(xy: FloatArray, size: float) -> IntArray:
    column, row = np.floor(xy / size).astype(np.int64).T
    number: IntArray = column * SPAN + row
    return number


def _beside(xy: FloatArray, cells: IntArray, size: float) -> npt.NDArray[np.bool_]:
    """Return which places lie in cells, given in order."""
    if not len(cells):
        return np.zeros(len(xy), dtype=bool)
    number = _numbers(xy, size)
    found: npt.NDArray[np.bool_] = (
        cells[np.searchsorted(cells, number).clip(max=len(cells) - 1)] == number
    )
    return found


def _across(points: _Points) -> float:
    """Return the share of the lesser of two directions square to each other; 0.5 at most."""
    length = np.maximum(points.length, 1e-9)
    tensor = (points.along / length[:, None]).T @ points.along
    return float(np.linalg.eigvalsh(tensor)[0] / max(np.trace(tensor), 1e-9))


def _share(points: _Points, taken: IntArray) -> float:
    """Return the share of the length of mains that lies in cells of streets."""
    length = points.length
    return float(length[_beside(points.xy, taken, CELL)].sum() / length.sum())


def _best_moved(points: _Points, taken: IntArray) -> float:
    """Return the best share that streets have which are moved all one way."""
    ways = np.arange(-FARTHEST, FARTHEST + CELL, 2 * CELL)
    moves = [(x, y) for x in ways for y in ways if math.hypot(x, y) <= FARTHEST]
    return max(_share(_Points(points.xy - move, points.along), taken) for move in moves)
