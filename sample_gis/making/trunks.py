"""Where the trunk mains lie, and the sizes and ages they have."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from .lines import Alignment, Bend, Curve, Line, Step, trace

CROSS = (1400.0, 1500.0)  # where the trunk mains of the west bank meet


@dataclass(frozen=True)
class Trunk:
    """One trunk main from junction to junction."""

    key: str
    diameter_mm: float
    material: str
    installed: int
    flow_lps: float
    pieces_m: float  # about how long its features are
    depth: str  # what the records hold: "invert", "cover" or "none"
    cover_m: float
    bore_mm: float | None = None
    c_factor: float | None = None


TRUNKS = (
    Trunk("T1", 600, "cast iron", 1934, 215.0, 190, "invert", 1.5, 588, 74),
    Trunk("T2", 500, "cast iron", 1938, 128.0, 110, "invert", 1.6, None, 82),
    Trunk("T3", 450, "cast iron", 1931, 84.0, 170, "cover", 1.4, 438, 68),
    Trunk("T4", 400, "ductile iron", 1971, 62.0, 95, "invert", 1.5, None, 104),
    Trunk("T5", 400, "ductile iron", 1971, 55.0, 210, "none", 1.4),
    Trunk("T6", 450, "steel", 1958, 96.0, 240, "cover", 1.9, 446, 96),
    Trunk("T6b", 300, "asbestos cement", 1964, 26.0, 150, "cover", 1.3),
    Trunk("T7", 300, "cast iron", 1947, 31.0, 120, "invert", 1.3),
    Trunk("T8", 300, "cast iron", 1929, 24.0, 130, "none", 1.2, 290, 61),
    Trunk("T9", 300, "asbestos cement", 1962, 38.0, 260, "cover", 1.2, None, 118),
)

_STEPS: dict[str, tuple[float, tuple[Step, ...]]] = {
    "T1": (
        172.0,
        (
            *(Line(235), Bend(11.25), Line(190), Curve(380, -33.75), Line(165), Bend(22.5)),
            *(Line(215), Bend(11.25), Line(190)),
        ),
    ),
    "T2": (
        -6.0,
        (Line(215), Bend(-11.25), Line(345), Bend(22.5), Line(420), Bend(-11.25), Line(360)),
    ),
    "T3": (
        88.0,
        (
            *(Line(265), Bend(-11.25), Line(245), Bend(22.5), Line(150), Curve(320, -14.0)),
            *(Line(210), Bend(-90), Line(380)),
        ),
    ),
    "T4": (
        78.0,
        (Line(190), Curve(420, 42.0), Line(160), Bend(-22.5), Line(250), Bend(-45), Line(190)),
    ),
    "T5": (
        -102.0,
        (Line(250), Bend(11.25), Line(205), Curve(280, 32.0), Line(215), Bend(-22.5), Line(150)),
    ),
    "T6": (-93.0, (Line(330), Bend(11.25), Line(280), Curve(520, -24.0), Line(190))),
    "T6b": (-105.75, (Line(150), Bend(45), Line(270))),
    "T7": (-6.0, (Line(215), Bend(-11.25), Line(300), Bend(22.5), Line(190))),
    "T8": (176.0, (Line(185), Bend(22.5), Line(215))),
    "T9": (-6.0, (Line(330), Bend(11.25), Line(420), Bend(-22.5), Line(1060))),
}
_T7_FROM, _T8_FROM = 590.0, 500.0  # chainage on T6 and on T3


@cache
def alignments() -> dict[str, Alignment]:
    """Trace every trunk main; keys as in `TRUNKS`."""
    made: dict[str, Alignment] = {}

    def follow(key: str, start: tuple[float, float]) -> None:
        made[key] = trace(start, *_STEPS[key])

    for key in ("T1", "T2", "T3", "T6"):
        follow(key, CROSS)
    for key in ("T4", "T5", "T9"):
        follow(key, _end(made["T2"]))
    follow("T6b", _end(made["T6"]))
    follow("T7", _on(made["T6"], _T7_FROM))
    follow("T8", _on(made["T3"], _T8_FROM))
    return made


def _end(alignment: Alignment) -> tuple[float, float]:
    return float(alignment.xy[-1, 0]), float(alignment.xy[-1, 1])


def _on(alignment: Alignment, chainage: float) -> tuple[float, float]:
    point = alignment.line.interpolate(chainage)
    return float(point.x), float(point.y)


def chained(*keys: str) -> np.ndarray:
    """Vertices of trunks one after the other; a leading ``-`` turns one round."""
    parts = []
    for key in keys:
        xy = alignments()[key.lstrip("-")].xy
        parts.append(xy[::-1] if key.startswith("-") else xy)
    joined = [parts[0], *(p[1:] for p in parts[1:])]
    return np.vstack(joined)
