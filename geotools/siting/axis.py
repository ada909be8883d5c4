"""The axis of a run as a pit meets it: where it is, where it heads, how long it stays straight."""

from __future__ import annotations

from typing import Literal

import numpy as np

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.network.thinned import Thinned

__all__ = ["Axis", "mitres", "straight_reach"]


class Axis:
    """Thinned axes looked up by run and chainage; chainage is that of the full drawing."""

    def __init__(self, thinned: Thinned) -> None:
        self.xy = thinned.xy
        self.offsets = thinned.offsets
        self.chainage = thinned.chainage
        self._places = Places.of_offsets(thinned.offsets, thinned.chainage)
        # From each vertex to the next; that from one run to another is asked of nobody.
        self._step = np.diff(self.xy, axis=0, append=self.xy[-1:])
        span = np.diff(self.chainage, append=self.chainage[-1:])
        self._span = np.where(span > 0, span, 1.0)
        size = np.hypot(*self._step.T)
        self._unit = self._step / np.where(size > 0, size, 1.0)[:, None]

    def mitres(self) -> FloatArray:
        """Return how many times its width a side goes out at each vertex; infinite at a hairpin."""
        size = np.hypot(*mitres(self.xy, self.offsets).T)
        return np.asarray(np.where(size > 0.0, size, np.inf), dtype=np.float64)

    def segment(self, run: IntArray, at: FloatArray, *, before: bool = False) -> IntArray:
        """Return the first vertex of the segment at a chainage (of two, the one after)."""
        side: Literal["left", "right"] = "left" if before else "right"
        found = self._places.search(run, np.maximum(at, 0.0), side) - 1
        last = self.offsets[run + 1] - 2
        return np.asarray(np.clip(found, self.offsets[run], last), dtype=np.int64)

    def heading(self, run: IntArray, at: FloatArray, *, before: bool = False) -> FloatArray:
        """Return unit vectors along the run at a chainage, shape (k, 2)."""
        return np.take(self._unit, self.segment(run, at, before=before), axis=0)

    def position(self, run: IntArray, at: FloatArray) -> FloatArray:
        """Return points at a chainage, beyond the run's ends straight on, shape (k, 2)."""
        first = self.segment(run, at)
        share = (at - np.take(self.chainage, first)) / np.take(self._span, first)
        points = np.take(self._step, first, axis=0)
        points *= share[:, None]
        points += np.take(self.xy, first, axis=0)
        return points


def mitres(xy: FloatArray, bounds: IntArray) -> FloatArray:
    """Return where a line 1 m to the left of each has its corners, from the vertices, m.

    Square to it at its ends; at a corner of ``t`` ``1 / cos(t/2)`` away on the bisector.
    """
    step = np.diff(xy, axis=0)
    unit = step / np.maximum(np.hypot(*step.T), 1e-12)[:, None]
    first, last = bounds[:-1], bounds[1:] - 1
    before, after = np.zeros(xy.shape), np.zeros(xy.shape)
    before[1:], after[:-1] = unit, unit
    before[first], after[last] = after[first], before[last]
    both = before + after
    size = np.maximum((both**2).sum(axis=1), EDGE)  # 0 where it turns back: too sharp for a corner
    return np.asarray(np.stack([-both[:, 1], both[:, 0]], axis=1) * 2 / size[:, None])


def straight_reach(
    axis: Axis,
    run: IntArray,
    face: FloatArray,
    heading: FloatArray,
    *,
    length: FloatArray,
    half_width: FloatArray,
    ahead: bool,
) -> FloatArray:
    """Return how far the run stays inside a straight box that starts at a face, m of chainage.

    Parameters
    ----------
    axis : Axis
    run : ndarray of int64, shape (k,)
    face : ndarray, shape (k,)
        Chainage of the face, m.
    heading : ndarray, shape (k, 2)
        Direction of the box from the face.
    length, half_width : ndarray, shape (k,)
        Size of the box, m.
    ahead : bool
        The box goes with the run (True) or back against it.
    """
    origin = axis.position(run, face)
    first, last = axis.offsets[run], axis.offsets[run + 1] - 2
    segment = axis.segment(run, face, before=not ahead)
    at = face.astype(float).copy()
    inside = np.zeros((len(run), 2))  # distance along the box and off its line, at `at`
    todo = np.arange(len(run))
    while len(todo):
        vertex = segment[todo] + (1 if ahead else 0)
        where = _in_box(np.take(axis.xy, vertex, axis=0) - origin[todo], heading[todo])
        share = _leaves(inside[todo], where, length[todo], half_width[todo])
        at[todo] += share * (axis.chainage[vertex] - at[todo])
        inside[todo] = where
        segment[todo] += 1 if ahead else -1
        through, on = share >= 1.0, segment[todo]
        within = (on >= first[todo]) & (on <= last[todo])
        ended = todo[through & ~within]  # the run ends inside the box: it is open to the box's end
        at[ended] = face[ended] + length[ended] * (1 if ahead else -1)
        todo = todo[through & within]
    return np.minimum(np.abs(at - face), length)


def _in_box(step: FloatArray, heading: FloatArray) -> FloatArray:
    """Return how far along the box and off its line points lie, shape (k, 2)."""
    (east, north), (across, up) = step.T, heading.T
    return np.stack([east * across + north * up, north * across - east * up], axis=1)


def _leaves(
    start: FloatArray, end: FloatArray, length: FloatArray, half_width: FloatArray
) -> FloatArray:
    """Return the share of a segment that lies in the box, 1 where all of it does."""
    with np.errstate(divide="ignore", invalid="ignore"):
        past_end = (length - start[:, 0]) / (end[:, 0] - start[:, 0])
        side = np.copysign(half_width, end[:, 1])
        past_side = (side - start[:, 1]) / (end[:, 1] - start[:, 1])
        back = start[:, 0] / (start[:, 0] - end[:, 0])
    share = np.ones(len(start))
    share = np.where(end[:, 0] > length, np.minimum(share, past_end), share)
    share = np.where(np.abs(end[:, 1]) > half_width, np.minimum(share, past_side), share)
    share = np.where(end[:, 0] < 0, np.minimum(share, back), share)
    return np.clip(share, 0.0, 1.0)
