"""Labels: put where nothing lies yet, moved with a leader, or left out and counted.

A greedy rule: the labels that matter most come first, each takes the nearest free place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.sheets.lettering import text_width
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import LEADING, Ink, Pen

__all__ = ["Label", "Labels", "boxes_along"]

FloatArray = npt.NDArray[np.float64]
_PAD = 0.35  # of the type body, around the words
_AT_ANCHOR = 1.6  # mm
_CELL = 1.2  # mm; lines are kept clear of in cells of this size
_LEADER = Ink("#444444", 0.13)
_MASK = Ink(None, fill="#ffffff")


@dataclass(frozen=True)
class Label:
    """Words that belong to a point.

    ``above`` says on which side to look first, ``reach`` how far away it may lie (mm).
    """

    anchor: tuple[float, float]
    lines: tuple[str, ...]
    size: float
    colour: str = "#000000"
    bold: bool = False
    above: bool = True
    reach: float = 40.0
    frame: bool = False

    @property
    def extent(self) -> tuple[float, float]:
        """Width and height of the words with the room around them."""
        pad = 2 * _PAD * self.size
        width = max(text_width(t, self.size, self.bold) for t in self.lines)
        return width + pad, len(self.lines) * LEADING * self.size + pad


def boxes_along(points: FloatArray, half: float) -> FloatArray:
    """Return small rectangles that cover a line, ``half`` wide to each side."""
    out = []
    for (x0, y0), (x1, y1) in pairwise(points):
        n = max(1, math.ceil(math.hypot(x1 - x0, y1 - y0) / _CELL))
        t = np.linspace(0, 1, n + 1)
        x, y = x0 + t * (x1 - x0), y0 + t * (y1 - y0)
        low = np.column_stack([np.minimum(x[:-1], x[1:]), np.minimum(y[:-1], y[1:])]) - half
        high = np.column_stack([np.maximum(x[:-1], x[1:]), np.maximum(y[:-1], y[1:])]) + half
        out.append(np.hstack([low, high]))
    return np.vstack(out) if out else np.zeros((0, 4))


@dataclass
class Labels:
    """What lies where on a panel; the state grows with every label placed.

    ``words`` are rectangles that neither words nor leaders may touch, ``marks`` those that
    leaders may cross, ``lines`` geometries that words written along something keep off if they
    can.
    """

    panel: Box
    words: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    marks: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    lines: list[Any] = field(default_factory=list)
    placed: list[tuple[Label, Box]] = field(default_factory=list)
    left_out: int = 0

    def keep_clear(self, boxes: FloatArray | Iterable[Box], *, words: bool = False) -> None:
        """Let no label come to lie on these rectangles."""
        rows = boxes if isinstance(boxes, np.ndarray) else np.array([b.bounds for b in boxes])
        if not len(rows):
            return
        if words:
            self.words = np.vstack([self.words, rows])
        else:
            self.marks = np.vstack([self.marks, rows])

    def free(self, boxes: FloatArray, *, leader: bool = False) -> bool:
        """Say whether rectangles lie inside the panel and touch nothing."""
        x0, y0, x1, y1 = self.panel.bounds
        inside = (
            (boxes[:, 0] >= x0) & (boxes[:, 1] >= y0) & (boxes[:, 2] <= x1) & (boxes[:, 3] <= y1)
        )
        if not inside.all():
            return False
        return not (_touch(boxes, self.words) or (not leader and _touch(boxes, self.marks)))

    def off_lines(self, ends: FloatArray, half: float) -> bool:
        """Say whether words along a line from end to end, ``half`` high each way, meet no line."""
        if not self.lines:
            return True
        room = shapely.LineString(ends).buffer(half, cap_style="flat")
        return not bool(shapely.intersects(room, np.array(self.lines, dtype=object)).any())

    def add(self, label: Label) -> bool:
        """Find a place for a label; count it as left out if there is none."""
        width, height = label.extent
        for x, y in _spots(label, width, height):
            box = Box(x, y, width, height)
            if not self.free(np.array([box.bounds])):
                continue
            leader = boxes_along(_clear_of_anchor(_leader(label.anchor, box)), 0.1)
            if len(leader) and not self.free(leader, leader=True):
                continue
            self.words = np.vstack([self.words, [box.bounds], leader])
            self.placed.append((label, box))
            return True
        self.left_out += 1
        return False

    def put(self, label: Label) -> None:
        """Place a label that must be told: over lines and marks where there is no other room."""
        if self.add(label):
            return
        over = Labels(self.panel, words=self.words)
        self.left_out -= int(over.add(label))
        self.words = over.words
        self.placed += over.placed

    def draw(self, pen: Pen) -> None:
        """Draw leaders, then words on a white ground."""
        for label, box in self.placed:
            ends = _leader(label.anchor, box)
            if math.dist(*ends) > 0.6 * label.size:
                pen.line(ends, _LEADER)
        for label, box in self.placed:
            pen.box(box, Ink(label.colour, 0.13, fill="#ffffff") if label.frame else _MASK)
            step = LEADING * label.size
            top = box.top - _PAD * label.size - step / 2
            for place, line in enumerate(label.lines):
                pen.text(
                    box.x + _PAD * label.size,
                    top - place * step,
                    line,
                    size=label.size,
                    bold=label.bold and place == 0,
                    colour=label.colour,
                )


def _touch(some: FloatArray, others: FloatArray) -> bool:
    if not len(others):
        return False
    a, b = some[:, None, :], others[None, :, :]
    apart = (
        (a[..., 2] <= b[..., 0])
        | (b[..., 2] <= a[..., 0])
        | (a[..., 3] <= b[..., 1])
        | (b[..., 3] <= a[..., 1])
    )
    return not bool(apart.all())


def _leader(anchor: tuple[float, float], box: Box) -> FloatArray:
    """Return the line from a point to the nearest point of a rectangle."""
    x = min(max(anchor[0], box.x), box.right)
    y = min(max(anchor[1], box.y), box.top)
    return np.array([anchor, (x, y)])


def _clear_of_anchor(leader: FloatArray) -> FloatArray:
    """Return a leader without its first bit: two things at one point each have their own."""
    length = math.dist(*leader)
    if length <= _AT_ANCHOR:
        return leader[:0]
    return np.array([leader[0] + (leader[1] - leader[0]) * _AT_ANCHOR / length, leader[1]])


def _spots(label: Label, width: float, height: float) -> Iterator[tuple[float, float]]:
    """Yield lower left corners to try, nearest first, the side wanted before the other."""
    x, y = label.anchor
    step = 1.1 * label.size
    gaps = np.arange(0.6 * label.size, label.reach, step)
    shifts = np.array([0.0, 0.35, -0.35, 0.6, -0.6, 1.0, -1.0, 1.6, -1.6, 2.4, -2.4])
    tries = [
        (gap + 0.5 * abs(shift) * width + (0.0 if up == label.above else 3 * step), gap, shift, up)
        for gap in gaps
        for shift in shifts
        for up in (True, False)
    ]
    for _, gap, shift, up in sorted(tries, key=lambda t: t[0]):
        yield x + (shift - 0.5) * width, (y + gap if up else y - gap - height)
