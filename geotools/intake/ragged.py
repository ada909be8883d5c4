"""Ragged arrays of vertices: many lines in one coordinate array with offsets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["drop_close_vertices", "line_lengths", "line_of_vertex", "take_lines"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def line_of_vertex(offsets: IntArray) -> IntArray:
    """Return the number of the line each vertex belongs to, shape (v,)."""
    return np.repeat(np.arange(len(offsets) - 1, dtype=np.int64), np.diff(offsets))


def take_lines(xy: FloatArray, offsets: IntArray, lines: IntArray) -> tuple[FloatArray, IntArray]:
    """Return vertices and offsets of the given lines, in that order.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
    offsets : ndarray of int64, shape (n + 1,)
    lines : ndarray of int64, shape (k,)
    """
    counts = np.diff(offsets)[lines]
    new = np.zeros(len(lines) + 1, dtype=np.int64)
    np.cumsum(counts, out=new[1:])
    index = np.arange(new[-1]) + np.repeat(offsets[:-1][lines] - new[:-1], counts)
    return xy[index], new


def line_lengths(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return the length of each line, in the unit of ``xy``, shape (n,)."""
    count = len(offsets) - 1
    line = line_of_vertex(offsets)
    step = np.hypot(*np.diff(xy, axis=0).T) if len(xy) > 1 else np.zeros(0)
    inside = line[1:] == line[:-1]
    out = np.zeros(count)
    np.add.at(out, line[1:][inside], step[inside])
    return out


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
