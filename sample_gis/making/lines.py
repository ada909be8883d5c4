"""Plane lines: trace an alignment, round its corners, shift it, join it to another."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point
from shapely.ops import substring

Coords = NDArray[np.float64]

CURVE_STEP_M = 4.0  # a long curve is digitised this densely
SHARPEST_UNROUNDED_DEG = 2.0  # corners below this stay corners


@dataclass(frozen=True)
class Line:
    """Go straight on for ``length`` metres."""

    length: float


@dataclass(frozen=True)
class Bend:
    """Turn by ``angle`` degrees at a point, left positive: a fitting."""

    angle: float


@dataclass(frozen=True)
class Curve:
    """Turn by ``angle`` degrees along an arc of ``radius`` metres, left positive."""

    radius: float
    angle: float


Step = Line | Bend | Curve


@dataclass(frozen=True)
class Alignment:
    """A traced line and the fittings on it (x, y, angle in degrees)."""

    xy: Coords
    bends: Coords

    @property
    def line(self) -> LineString:
        """The alignment as a line."""
        return LineString(self.xy)


def _unit(heading_deg: float) -> Coords:
    angle = np.radians(heading_deg)
    return np.array([np.cos(angle), np.sin(angle)])


def _arc(start: Coords, heading_deg: float, curve: Curve) -> Coords:
    """Points of an arc after its start, the end included."""
    sign = np.sign(curve.angle)
    count = max(2, int(np.ceil(np.radians(abs(curve.angle)) * curve.radius / CURVE_STEP_M)))
    turned = np.linspace(0.0, curve.angle, count + 1)[1:]
    centre = start + sign * curve.radius * _unit(heading_deg + 90.0)
    angles = np.radians(heading_deg - sign * 90.0 + turned)
    return np.asarray(centre + curve.radius * np.column_stack([np.cos(angles), np.sin(angles)]))


def trace(start: tuple[float, float], heading_deg: float, steps: tuple[Step, ...]) -> Alignment:
    """Trace an alignment from a start, a heading (degrees from east) and steps."""
    points = [np.array(start, dtype=float)]
    bends: list[tuple[float, float, float]] = []
    for step in steps:
        here = points[-1]
        if isinstance(step, Line):
            points.append(here + step.length * _unit(heading_deg))
        elif isinstance(step, Curve):
            points.extend(_arc(here, heading_deg, step))
            heading_deg += step.angle
        else:
            bends.append((float(here[0]), float(here[1]), abs(step.angle)))
            heading_deg += step.angle
    return Alignment(np.array(points), np.array(bends, dtype=float).reshape(-1, 3))


def rounded(xy: Coords, radius: float) -> Coords:
    """Replace each corner by an arc of ``radius``, or of what the legs leave room for."""
    legs = np.diff(xy, axis=0)
    lengths = np.hypot(legs[:, 0], legs[:, 1])
    headings = np.degrees(np.arctan2(legs[:, 1], legs[:, 0]))
    out = [xy[0]]
    for i in range(1, len(xy) - 1):
        turn = (headings[i] - headings[i - 1] + 180.0) % 360.0 - 180.0
        if abs(turn) < SHARPEST_UNROUNDED_DEG:
            out.append(xy[i])
            continue
        half = np.tan(np.radians(abs(turn)) / 2.0)
        tangent = min(radius * half, 0.45 * min(lengths[i - 1], lengths[i]))
        start = xy[i] - tangent * legs[i - 1] / lengths[i - 1]
        out.append(start)
        out.extend(_arc(start, float(headings[i - 1]), Curve(tangent / half, float(turn))))
    out.append(xy[-1])
    return np.array(out)


def shifted(line: LineString, offset: float) -> LineString:
    """Shift a line sideways by ``offset`` metres, left positive, corners kept sharp."""
    moved = shapely.offset_curve(line, offset, join_style="mitre", mitre_limit=5.0)
    if not isinstance(moved, LineString):
        raise TypeError("the shifted line fell apart")
    if Point(moved.coords[0]).distance(Point(line.coords[0])) > 2.0 * abs(offset) + 1.0:
        return LineString(list(moved.coords)[::-1])
    return moved


def prolonged(line: LineString, *, start: float = 0.0, end: float = 0.0) -> LineString:
    """Prolong a line straight on beyond its start and its end."""
    xy = np.asarray(line.coords)
    first = xy[0] - start * _towards(xy[0], xy[1])
    last = xy[-1] + end * _towards(xy[-2], xy[-1])
    return LineString(np.vstack([first, xy[1:-1], last]))


def _towards(a: Coords, b: Coords) -> Coords:
    return np.asarray((b - a) / np.hypot(*(b - a)))


def joined_to(
    line: LineString, target: LineString, *, at_start: bool, reach: float = 40.0
) -> LineString:
    """Cut or prolong one end of a line so that it ends on ``target``.

    A line that misses the target within ``reach`` comes back as it was.
    """
    work = line if not at_start else LineString(list(line.coords)[::-1])
    longer = prolonged(work, end=reach)
    crossing = longer.intersection(target)
    points = [Point(p) for g in getattr(crossing, "geoms", [crossing]) for p in g.coords]
    ends = [longer.project(p) for p in points if longer.project(p) > work.length - reach]
    if ends:
        hit = longer.interpolate(min(ends))
        cut = substring(longer, 0.0, longer.project(hit))
        work = LineString([*list(cut.coords)[:-1], (hit.x, hit.y)])
    return work if not at_start else LineString(list(work.coords)[::-1])


def cut_at(line: LineString, chainages: list[float], *, shortest: float = 0.05) -> list[LineString]:
    """Cut a line at chainages; cuts closer than ``shortest`` to each other or an end are one."""
    cuts = [0.0]
    for c in sorted(chainages):
        if c - cuts[-1] > shortest and line.length - c > shortest:
            cuts.append(c)
    cuts.append(line.length)
    return [substring(line, a, b) for a, b in pairwise(cuts)]


def heading_at(line: LineString, chainage: float) -> float:
    """Heading of a line at a chainage, in radians from east."""
    a = line.interpolate(max(chainage - 0.5, 0.0))
    b = line.interpolate(min(chainage + 0.5, line.length))
    return float(np.arctan2(b.y - a.y, b.x - a.x))
