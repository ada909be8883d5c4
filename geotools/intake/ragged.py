"""Ragged arrays of vertices: many lines in one coordinate array with offsets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "TICK",
    "drop_close_vertices",
    "lengths_along",
    "line_lengths",
    "line_of_vertex",
    "measures",
    "offsets_of",
    "take",
    "take_lines",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
TICK = 2.0**-34  # m, 0.06 nm: lengths are added up in whole ones
MOST_TICKS = 2.0**62


def line_of_vertex(offsets: IntArray) -> IntArray:
    """Return the number of the line each vertex belongs to, shape (v,)."""
    return np.repeat(np.arange(len(offsets) - 1, dtype=np.int64), np.diff(offsets))


def offsets_of(counts: IntArray) -> IntArray:
    """Return offsets, shape (n + 1,), of rows with these counts."""
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def take(offsets: IntArray, rows: IntArray, reverse: BoolArray | None = None) -> IntArray:
    """Return the element indices of these rows one after the other, some rows backwards."""
    counts = np.diff(offsets)[rows]
    starts = offsets_of(counts)
    local = np.arange(starts[-1], dtype=np.int64) - np.repeat(starts[:-1], counts)
    if reverse is not None:
        backwards = np.repeat(reverse, counts)
        local = np.where(backwards, np.repeat(counts, counts) - 1 - local, local)
    return np.asarray(np.repeat(offsets[:-1][rows], counts) + local, dtype=np.int64)


def take_lines(xy: FloatArray, offsets: IntArray, lines: IntArray) -> tuple[FloatArray, IntArray]:
    """Return vertices and offsets of the given lines, in that order.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
    offsets : ndarray of int64, shape (n + 1,)
    lines : ndarray of int64, shape (k,)
    """
    return xy[take(offsets, lines)], offsets_of(np.diff(offsets)[lines])


def measures(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return the distance of every vertex from the start of its line, m.

    Steps are added up as whole `TICK`s, so that a line is measured the same to the last digit
    whatever other lines are measured with it, in a district or in the whole city.
    """
    step = np.hypot(*(np.diff(column, prepend=column[:1]) for column in xy.T))
    step[offsets[:-1][np.diff(offsets) > 0]] = 0.0
    # Beyond 268,000 km in all, or with coordinates that are no numbers, as the floats have it.
    exact = bool(step.sum() < MOST_TICKS * TICK)
    total = np.cumsum(np.rint(step / TICK).astype(np.int64) if exact else step)
    first = np.minimum(offsets[:-1], max(len(total) - 1, 0))
    base = np.repeat(total[first] if len(total) else total, np.diff(offsets))
    return np.asarray((total - base) * (TICK if exact else 1.0), dtype=np.float64)


def line_lengths(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return the length of every line, m."""
    return lengths_along(measures(xy, offsets), offsets) if len(offsets) > 1 else np.zeros(0)


def lengths_along(along: FloatArray, offsets: IntArray) -> FloatArray:
    """Return the length of every line, m, given the `measures` of its vertices."""
    lengths = np.zeros(len(offsets) - 1)
    filled = np.diff(offsets) > 0
    lengths[filled] = along[offsets[1:][filled] - 1]
    return lengths


def drop_close_vertices(
    xy: FloatArray, offsets: IntArray, *, distance: float
) -> tuple[FloatArray, IntArray]:
    """Drop vertices nearer than ``distance`` (m) to the one before; ends of lines stay.

    Of a row of close vertices every second one goes, again and again until none is close,
    so a line digitised in tiny steps keeps its shape.
    """
    while True:
        drop = _close_vertices(xy, offsets, distance)
        if not drop.any():
            return xy, offsets
        removed = np.zeros(len(xy) + 1, dtype=np.int64)
        np.cumsum(drop, out=removed[1:])
        xy, offsets = xy[~drop], offsets - removed[offsets]


def _close_vertices(xy: FloatArray, offsets: IntArray, distance: float) -> BoolArray:
    drop = np.zeros(len(xy), dtype=bool)
    if len(xy) < 3:
        return drop
    line = line_of_vertex(offsets)
    close = np.zeros(len(xy), dtype=bool)
    close[1:] = (np.hypot(*np.diff(xy, axis=0).T) <= distance) & (line[1:] == line[:-1])
    index = np.arange(len(xy))
    before = np.maximum.accumulate(np.where(close, 0, index))  # last vertex that is not close
    drop = close & ((index - before) % 2 == 1)
    last, first = np.zeros(len(xy), dtype=np.bool_), np.zeros(len(xy), dtype=np.bool_)
    last[offsets[1:][np.diff(offsets) > 0] - 1] = True
    first[offsets[:-1][np.diff(offsets) > 0]] = True
    shifted = np.flatnonzero(drop & last)
    drop[shifted] = False
    drop[shifted - 1] = True
    kept: BoolArray = drop & ~first
    return kept
