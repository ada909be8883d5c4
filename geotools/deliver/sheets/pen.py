"""The pen: lines, shapes and words in millimetres on pages of PDF."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from geotools.deliver.sheets.lettering import clean, pieces_of, text_width
from geotools.deliver.sheets.paper import Box, Paper

__all__ = ["CAP", "LEADING", "Ink", "Pen", "cut", "wrap"]

FloatArray = npt.NDArray[np.float64]
# Of the type body: height of a capital, and from one line to the next.
CAP, LEADING = 0.73, 1.22


@dataclass(frozen=True)
class Ink:
    """How a line or shape is drawn; widths and dashes in mm, colours as ``#rrggbb``."""

    line: str | None = "#000000"
    width: float = 0.18
    dash: tuple[float, ...] = ()
    fill: str | None = None


def cut(text: str, width: float, size: float, bold: bool = False) -> str:
    """Return a text short enough for a width, with dots where something is missing."""
    whole = clean(text)
    if _fitting(whole, width, size, bold) == len(whole):
        return whole
    keep = _fitting(whole, width, size, bold, end="...")
    return f"{whole[:keep].rstrip()}..." if keep else ""


def wrap(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than a width; words that are wider are broken too."""
    lines: list[str] = []
    line = ""
    for word in clean(text).split():
        for piece in _pieces(word, width, size, bold):
            longer = f"{line} {piece}" if line else piece
            if line and text_width(longer, size, bold) > width:
                lines.append(line)
                longer = piece
            line = longer
    return [*lines, line] if line else lines


def _pieces(word: str, width: float, size: float, bold: bool) -> Iterator[str]:
    """Yield a word, or the pieces of it that fit; after commas where it has some."""
    while (keep := max(_fitting(word, width, size, bold), 1)) < len(word):
        comma = word.rfind(",", 0, keep) + 1
        keep = comma or keep
        yield word[:keep]
        word = word[keep:]
    if word:
        yield word


def _fitting(text: str, width: float, size: float, bold: bool, *, end: str = "") -> int:
    """Return how many of the first letters of a text, with an end to them, fit a width.

    Sought from the front: of a text of any length no more is measured than some lines.
    """

    def too_wide(count: int) -> bool:
        some = f"{text[:count].rstrip()}{end}" if end else text[:count]
        return text_width(some, size, bold) > width

    most = 1
    while most < len(text) and not too_wide(most):
        most *= 2
    counts = range(min(most, len(text)) + 1)
    return bisect_left(counts, True, lo=min(most // 2 + 1, len(counts)), key=too_wide) - 1


class Pen:
    """Draws on one page after the other; its state is the file and the page."""

    def __init__(self, path: Path, paper: Paper, *, title: str, subject: str) -> None:
        size = (paper.width * mm, paper.height * mm)
        # without a date, the same plan gives the same file
        self._canvas: Any = Canvas(str(path), pagesize=size, invariant=1, pageCompression=1)
        self._canvas.setTitle(clean(title))
        self._canvas.setSubject(clean(subject))
        self._canvas.setCreator("slipmain")
        self._canvas.setAuthor("slipmain sheets")
        self._canvas.setLineJoin(1)
        self._forms: dict[Hashable, str] = {}

    def bookmark(self, key: str, title: str, level: int) -> None:
        """Name the page and list it in the outline."""
        self._canvas.bookmarkPage(key)
        self._canvas.addOutlineEntry(clean(title), key, level, closed=False)

    def link(self, key: str, box: Box) -> None:
        """Make a rectangle lead to a page."""
        rect = (box.x * mm, box.y * mm, box.right * mm, box.top * mm)
        self._canvas.linkRect("", key, rect, relative=0, Border="[0 0 0]")

    def next_page(self) -> None:
        """Finish a page and begin the next."""
        self._canvas.showPage()
        self._canvas.setLineJoin(1)

    def save(self) -> None:
        """Write the file."""
        self._canvas.showOutline()
        self._canvas.save()

    def form(self, key: Hashable, draw: Callable[[], None]) -> None:
        """Draw what is the same on many pages: it stands in the file once, under its key."""
        if key not in self._forms:
            name = self._forms[key] = f"form{len(self._forms) + 1}"
            self._canvas.beginForm(name)
            self._canvas.setLineJoin(1)
            draw()
            self._canvas.endForm()
        self._canvas.doForm(self._forms[key])

    @contextmanager
    def within(self, box: Box) -> Iterator[None]:
        """Draw only inside a rectangle."""
        self._canvas.saveState()
        path = self._canvas.beginPath()
        path.rect(box.x * mm, box.y * mm, box.w * mm, box.h * mm)
        self._canvas.clipPath(path, stroke=0, fill=0)
        yield
        self._canvas.restoreState()

    def line(self, points: FloatArray | Sequence[tuple[float, float]], ink: Ink) -> None:
        """Draw a line through points."""
        self._paths([(points, False)], replace(ink, fill=None))

    def lines(self, many: Sequence[Any], ink: Ink) -> None:
        """Draw several lines as one path."""
        if len(many):
            self._paths([(points, False) for points in many], replace(ink, fill=None))

    def rings(self, rings: Sequence[Any], ink: Ink) -> None:
        """Draw a closed shape, holes included."""
        if len(rings):
            self._paths([(points, True) for points in rings], ink)

    def shape(self, geometry: Any, ink: Ink) -> None:
        """Draw a geometry given in mm of paper: areas filled, lines drawn; points are left out."""
        for part in shapely.get_parts(geometry):
            if part.is_empty or part.geom_type == "Point":
                continue
            if part.geom_type == "Polygon":
                rings = [part.exterior, *part.interiors]
                self.rings([shapely.get_coordinates(ring) for ring in rings], ink)
            elif part.geom_type in ("LineString", "LinearRing"):
                self.line(shapely.get_coordinates(part), ink)
            else:
                self.shape(part, ink)

    def box(self, box: Box, ink: Ink) -> None:
        """Draw a rectangle."""
        x0, y0, x1, y1 = box.bounds
        self.rings([[(x0, y0), (x1, y0), (x1, y1), (x0, y1)]], ink)

    def circle(self, x: float, y: float, radius: float, ink: Ink) -> None:
        """Draw a circle."""
        self._take(ink)
        stroke, fill = int(ink.line is not None), int(ink.fill is not None)
        self._canvas.circle(x * mm, y * mm, radius * mm, stroke=stroke, fill=fill)

    def text(
        self,
        x: float,
        y: float,
        text: object,
        *,
        size: float,
        align: str = "left",
        angle: float = 0.0,
        bold: bool = False,
        colour: str = "#000000",
    ) -> None:
        """Write one line; ``y`` is the middle of its capitals, ``angle`` is in degrees."""
        words = clean(text)
        if not words:
            return
        shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[align] * text_width(words, size, bold)
        canvas = self._canvas
        canvas.saveState()
        canvas.translate(x * mm, y * mm)
        canvas.rotate(angle)
        (font, part), *others = pieces_of(words, bold)
        canvas.setFont(font, size * mm)
        canvas.setFillColor(_colour(colour))
        canvas.drawString(-shift * mm, -CAP / 2 * size * mm, part)
        at = -shift * mm
        for following, letters in others:
            at += canvas.stringWidth(part, font, size * mm)
            font, part = following, letters
            canvas.setFont(font, size * mm)
            canvas.drawString(at, -CAP / 2 * size * mm, part)
        canvas.restoreState()

    def _paths(self, parts: Sequence[tuple[Any, bool]], ink: Ink) -> None:
        self._take(ink)
        path = self._canvas.beginPath()
        for points, closed in parts:
            (x, y), *rest = [(float(px) * mm, float(py) * mm) for px, py in points]
            path.moveTo(x, y)
            for px, py in rest:
                path.lineTo(px, py)
            if closed:
                path.close()
        stroke, fill = int(ink.line is not None), int(ink.fill is not None)
        self._canvas.drawPath(path, stroke=stroke, fill=fill, fillMode=0)

    def _take(self, ink: Ink) -> None:
        if ink.line is not None:
            self._canvas.setStrokeColor(_colour(ink.line))
            self._canvas.setLineWidth(ink.width * mm)
            self._canvas.setDash([d * mm for d in ink.dash])
        if ink.fill is not None:
            self._canvas.setFillColor(_colour(ink.fill))


@cache
def _colour(text: str) -> Color:
    return HexColor(text)
