"""Marks: arrows, valves, fittings, north arrow, scale bar."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from geotools.deliver.sheets import inks
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import Ink, Pen
from geotools.deliver.wording import in_system, unit_of
from geotools.schema import DIMENSIONS

__all__ = [
    "arrow_head",
    "bend",
    "cross",
    "fitting",
    "keep_off",
    "north_arrow",
    "of_source",
    "round_step",
    "sample_line",
    "scale_bar",
    "valve",
]

FloatArray = npt.NDArray[np.float64]
_STEPS = (1, 2, 2.5, 5)
_ALMOST = 1 - 1e-9


def _placed(shape: list[tuple[float, float]], x: float, y: float, angle: float) -> FloatArray:
    """Turn a shape about its origin by an angle (radians) and move it to a point."""
    cos, sin = math.cos(angle), math.sin(angle)
    return np.array([(x + cos * u - sin * v, y + sin * u + cos * v) for u, v in shape])


def arrow_head(pen: Pen, x: float, y: float, angle: float, size: float, colour: str) -> None:
    """Draw a filled head that points along an angle (radians), its middle at (x, y)."""
    shape = [(0.6 * size, 0.0), (-0.5 * size, 0.38 * size), (-0.5 * size, -0.38 * size)]
    pen.rings([_placed(shape, x, y, angle)], Ink(None, fill=colour))


def valve(pen: Pen, x: float, y: float, angle: float, size: float) -> None:
    """Draw a valve: two triangles tip to tip along the main."""
    h, v = 0.5 * size, 0.32 * size
    for side in (-1, 1):
        shape = [(0.0, 0.0), (side * h, v), (side * h, -v)]
        pen.rings([_placed(shape, x, y, angle)], inks.SYMBOL)


def shut(pen: Pen, x: float, y: float, size: float) -> None:
    """Draw a valve to close: a ring around it, struck through."""
    r = 0.6 * size
    pen.circle(x, y, r, inks.SHUT)
    pen.line([(x - r, y - r), (x + r, y + r)], inks.SHUT)


def fitting(pen: Pen, x: float, y: float, angle: float, size: float) -> None:
    """Draw a fitting: a small square."""
    h = 0.3 * size
    pen.rings([_placed([(-h, -h), (h, -h), (h, h), (-h, h)], x, y, angle)], inks.SYMBOL)


def keep_off(pen: Pen, x: float, y: float, size: float) -> None:
    """Draw a point to avoid: a cross in a diamond."""
    h, solid = 0.5 * size, Ink(inks.AVOID.line, inks.AVOID.width, fill="#ffffff")
    pen.rings([_placed([(-h, 0.0), (0.0, -h), (h, 0.0), (0.0, h)], x, y, 0.0)], solid)
    k = 0.5 * h
    pen.lines([[(x - k, y - k), (x + k, y + k)], [(x - k, y + k), (x + k, y - k)]], solid)


def of_source(pen: Pen, layer: str, x: float, y: float, angle: float, size: float) -> None:
    """Draw a point of a layer of the source, on a main that runs at an angle (radians)."""
    if layer == "valves":
        valve(pen, x, y, angle, size)
    elif layer == "fittings":
        fitting(pen, x, y, angle, size)
    elif layer == "avoid":
        keep_off(pen, x, y, size)
    else:
        fill = "#ffffff" if layer == "laterals" else "#000000"
        pen.circle(x, y, 0.25 * size, Ink("#000000", 0.15, fill=fill))


def bend(pen: Pen, x: float, y: float, size: float) -> None:
    """Draw a bend: a small triangle."""
    h = 0.45 * size
    shape = [(0.0, h), (-0.87 * h, -0.5 * h), (0.87 * h, -0.5 * h)]
    pen.rings([_placed(shape, x, y, 0.0)], inks.BEND)


def cross(pen: Pen, x: float, y: float, size: float) -> None:
    """Draw a place to dig: a cross in a circle."""
    h = 0.28 * size
    pen.circle(x, y, 0.42 * size, Ink(inks.DIG.line, inks.DIG.width, fill="#ffffff"))
    pen.lines([[(x - h, y - h), (x + h, y + h)], [(x - h, y + h), (x + h, y - h)]], inks.DIG)


def north_arrow(pen: Pen, box: Box, angle: float, size: float) -> None:
    """Draw an arrow to grid north on a sheet turned by ``-angle`` (radians)."""
    x, y = box.middle
    reach = 0.5 * min(box.w, box.h) - 2.0 * size
    up = math.pi / 2 - angle
    half = [(reach, 0.0), (-0.7 * reach, 0.42 * reach), (-0.35 * reach, 0.0)]
    other = [(u, -v) for u, v in half]
    pen.rings([_placed(half, x, y, up)], Ink("#000000", 0.2, fill="#000000"))
    pen.rings([_placed(other, x, y, up)], Ink("#000000", 0.2, fill="#ffffff"))
    tip = _placed([(reach + 0.9 * size, 0.0)], x, y, up)[0]
    pen.text(tip[0], tip[1], "N", size=1.2 * size, align="middle", bold=True)


def round_step(least: float) -> float:
    """Return the least round number (1, 2, 2.5, 5 times a power of ten) not below another."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(
        (step * power for step in _STEPS if step * power >= least * _ALMOST), 10 * power
    )  # fmt: skip


def scale_bar(pen: Pen, box: Box, scale: float, units: str, size: float) -> None:
    """Draw a bar of round lengths in four fields, as long as the box allows."""
    factor = DIMENSIONS["length"].units[unit_of("length", units)]
    longest = in_system(box.w * scale / 1000, "length", units) / 4
    field = _round_down(longest)
    width = field * factor * 1000 / scale
    x0, y = box.x + (box.w - 4 * width) / 2, box.y + 0.35 * box.h
    for k in range(4):
        part = Box(x0 + k * width, y, width, 0.5 * size)
        pen.box(part, Ink("#000000", 0.18, fill="#000000" if k % 2 == 0 else "#ffffff"))
    for k in (0, 1, 2, 4):
        unit = f" {unit_of('length', units)}" if k == 4 else ""
        pen.text(x0 + k * width, y + 1.25 * size, f"{k * field:g}{unit}", size=size, align="middle")


def _round_down(most: float) -> float:
    """Return the greatest round number not above another."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in _STEPS if step * power <= most)


def sample_line(pen: Pen, x: float, y: float, width: float, ink: Ink) -> None:
    """Draw what a key shows of an ink: a line, or a box where it fills."""
    if ink.fill is not None:
        pen.box(Box(x, y - 0.18 * width, width, 0.36 * width), ink)
    else:
        pen.line([(x, y), (x + width, y)], ink)
