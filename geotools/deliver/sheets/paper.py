"""Paper: sizes, frames, panels and standard scales. Everything in millimetres of paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geotools.units import INCHES

__all__ = ["PAPERS", "Box", "Layout", "Paper", "layout_of", "standard_scales"]

# Scales in use for street works (common practice, no source): the number under the 1.
_SI_SCALES = (200, 250, 500, 1000, 1250, 2000, 2500, 5000)
_FEET_TO_THE_INCH = (20, 30, 40, 50, 60, 100, 200, 400)
_FEET = INCHES  # the scale of one foot to the inch


@dataclass(frozen=True)
class Box:
    """An upright rectangle: lower left corner, width, height."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.w

    @property
    def top(self) -> float:
        """Upper edge."""
        return self.y + self.h

    @property
    def middle(self) -> tuple[float, float]:
        """Centre."""
        return self.x + self.w / 2, self.y + self.h / 2

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top."""
        return self.x, self.y, self.right, self.top

    def inset(self, by: float) -> Box:
        """Return the rectangle made smaller on all sides."""
        return Box(self.x + by, self.y + by, self.w - 2 * by, self.h - 2 * by)

    def rows(self, shares: Sequence[float]) -> list[Box]:
        """Cut it into rows from the top, by shares of the height."""
        out, top = [], self.top
        for share in shares:
            height = self.h * share / sum(shares)
            top -= height
            out.append(Box(self.x, top, self.w, height))
        return out


@dataclass(frozen=True)
class Paper:
    """A size of paper, landscape.

    Attributes
    ----------
    name : str
    width, height : float
    text : float
        Height of the type body of plain text; larger on large paper, which is often read
        at half its size.
    scale : int
        Scale in metric units that is tried first.
    feet : int
        The same in US customary units, in feet to the inch.
    """

    name: str
    width: float
    height: float
    text: float
    scale: int
    feet: int


# ISO 216 and ASME Y14.1 sizes.
PAPERS: dict[str, Paper] = {
    "a3": Paper("A3", 420.0, 297.0, 2.4, 1000, 60),
    "a1": Paper("A1", 841.0, 594.0, 3.8, 500, 40),
    "ansi-b": Paper("ANSI B", 431.8, 279.4, 2.3, 1000, 60),
    "ansi-d": Paper("ANSI D", 863.6, 558.8, 3.7, 500, 40),
}
_BINDING, _MARGIN = 20.0, 10.0  # ISO 5457: the left margin is for filing


@dataclass(frozen=True)
class Layout:
    """The panels of a sheet: the drawing to the left, the column of boxes to the right."""

    frame: Box
    plan: Box
    profile: Box
    main: Box
    north: Box
    key: Box
    pulls: Box
    legend: Box
    notes: Box
    title: Box


def layout_of(paper: Paper) -> Layout:
    """Return the panels of a sheet of paper."""
    frame = Box(
        _BINDING, _MARGIN, paper.width - _BINDING - _MARGIN, paper.height - 2 * _MARGIN
    )  # fmt: skip
    side = 33.0 * paper.text
    main = Box(frame.x, frame.y, frame.w - side, frame.h)
    plan, profile = main.rows((0.47, 0.53))
    column = Box(main.right, frame.y, side, frame.h)
    north, key, pulls, legend, notes, title = column.rows((20, 40, 44, 44, 78, 56))
    return Layout(frame, plan, profile, main, north, key, pulls, legend, notes, title)


def standard_scales(paper: Paper, units: str) -> tuple[int, ...]:
    """Return the scales to try, the usual one of the paper first, then ever smaller."""
    if units == "us":
        known, first = tuple(_FEET * feet for feet in _FEET_TO_THE_INCH), _FEET * paper.feet
    else:
        known, first = _SI_SCALES, paper.scale
    return tuple(scale for scale in known if scale >= first)
