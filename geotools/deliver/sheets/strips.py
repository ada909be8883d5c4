"""Strips: a run cut into lengths that fit a sheet, each turned to lie from left to right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Axis", "Strip", "View", "cut_run", "fit_scale", "view_of"]

FloatArray = npt.NDArray[np.float64]
_SHORTEST = 5.0  # m; no strip is made shorter, however the run is folded
_SHRINK = 0.9
_FILLED = 0.5  # share of the usual strip below which a smaller scale is tried


@dataclass(frozen=True)
class Axis:
    """The axis of a run in metres: vertices and the chainage of each."""

    xy: FloatArray
    chainage: FloatArray

    @property
    def length(self) -> float:
        """Chainage of its end."""
        return float(self.chainage[-1])

    def at(self, chainage: npt.ArrayLike) -> FloatArray:
        """Return the places of chainages, shape (n, 2)."""
        where = np.atleast_1d(np.asarray(chainage, dtype=np.float64))
        x, y = (np.interp(where, self.chainage, self.xy[:, k]) for k in (0, 1))
        return np.column_stack([x, y])

    def between(self, start: float, end: float) -> FloatArray:
        """Return the vertices of a stretch, its ends included."""
        inside = (self.chainage > start) & (self.chainage < end)
        return np.vstack([self.at(start), self.xy[inside], self.at(end)])

    def heading(self, chainage: float) -> float:
        """Return the direction of the axis at a chainage, radians from east."""
        reach = min(0.5, self.length / 4)
        low, high = max(chainage - reach, 0.0), min(chainage + reach, self.length)
        (dx, dy) = (self.at(high) - self.at(low))[0]
        return math.atan2(dy, dx)


@dataclass(frozen=True)
class Strip:
    """The stretch of a run that one sheet shows, from match line to match line."""

    start: float
    end: float


@dataclass(frozen=True)
class View:
    """How a strip lies on paper: turned by ``-angle`` about ``centre`` (m), then scaled.

    ``place`` is where the centre comes to lie, in mm; ``per_m`` is mm of paper a metre.
    """

    centre: tuple[float, float]
    angle: float
    place: tuple[float, float]
    per_m: float

    def paper(self, xy: FloatArray) -> FloatArray:
        """Return points (n, 2) of the ground as points of the paper, mm."""
        turned = _turned(np.asarray(xy, dtype=np.float64) - self.centre, self.angle)
        return np.asarray(turned * self.per_m + np.asarray(self.place))

    def ground(self, points: FloatArray) -> FloatArray:
        """Return points (n, 2) of the paper as points of the ground, m."""
        away = (np.asarray(points, dtype=np.float64) - np.asarray(self.place)) / self.per_m
        return np.asarray(_turned(away, -self.angle) + np.asarray(self.centre))


def _turned(xy: FloatArray, angle: float) -> FloatArray:
    """Turn points clockwise by an angle."""
    cos, sin = math.cos(angle), math.sin(angle)
    return np.column_stack([cos * xy[:, 0] + sin * xy[:, 1], cos * xy[:, 1] - sin * xy[:, 0]])


def _chord(axis: Axis, strip: Strip) -> float:
    """Return the direction from start to end; of a stretch that closes on itself, at its start."""
    first, last = axis.at([strip.start, strip.end])
    dx, dy = last - first
    if math.hypot(dx, dy) < 0.05 * (strip.end - strip.start):
        return axis.heading(strip.start)
    return math.atan2(dy, dx)


def _extent(axis: Axis, strip: Strip) -> tuple[FloatArray, FloatArray]:
    """Return the corners of the turned strip, about its start."""
    points = axis.between(strip.start, strip.end)
    turned = _turned(points - points[0], _chord(axis, strip))
    return turned.min(axis=0), turned.max(axis=0)


def _fits(axis: Axis, strip: Strip, width: float, height: float) -> bool:
    low, high = _extent(axis, strip)
    wide, tall = high - low
    return bool(wide <= width and tall <= height)


def cut_run(axis: Axis, *, width: float, height: float) -> list[Strip]:
    """Cut a run into strips of about the same length that fit a panel.

    Parameters
    ----------
    axis : Axis
    width : float
        m of ground along the panel; also the longest chainage a profile may show.
    height : float
        m of ground across it that the axis may take.

    Returns
    -------
    list of Strip
        From start to end, each beginning where the one before it ends.
    """
    strips, start = [], 0.0
    while axis.length - start > 1e-6:
        left = axis.length - start
        reach = left / math.ceil(left / width - 1e-9)
        while not _fits(axis, Strip(start, start + reach), width, height) and reach > _SHORTEST:
            reach = max(reach * _SHRINK, min(_SHORTEST, left))
        end = axis.length if left - reach < 1e-6 else start + reach
        strips.append(Strip(start, end))
        start = end
    return strips


def fit_scale(
    axis: Axis, *, scales: Sequence[int], width: float, height: float
) -> tuple[int, list[Strip]]:
    """Choose the first scale at which the bends of a run do not cut its strips too short.

    Parameters
    ----------
    axis : Axis
    scales : sequence of int
        Those to try, the one wanted first.
    width, height : float
        mm of paper the axis may take.

    Returns
    -------
    scale : int
        The first of the scales if none does better.
    strips : list of Strip
    """
    for scale in scales:
        ground = scale / 1000
        strips = cut_run(axis, width=width * ground, height=height * ground)
        usual = min(width * ground, axis.length)
        if len(strips) == 1 or axis.length / len(strips) >= _FILLED * usual:
            return scale, strips
    ground = scales[0] / 1000
    return scales[0], cut_run(axis, width=width * ground, height=height * ground)


def view_of(axis: Axis, strip: Strip, *, scale: float, middle: tuple[float, float]) -> View:
    """Return how a strip lies on paper, turned to its chord, its middle at a place in mm."""
    low, high = _extent(axis, strip)
    angle = _chord(axis, strip)
    halfway = _turned(((low + high) / 2)[None, :], -angle)[0] + axis.at(strip.start)[0]
    return View((float(halfway[0]), float(halfway[1])), angle, middle, 1000 / scale)
