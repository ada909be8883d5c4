"""Inks: one for each kind of thing, the same on the drawing and in the legend."""

from __future__ import annotations

from geotools.deliver.sheets.pen import Ink

__all__ = [
    "AVOID",
    "AVOID_BUFFER",
    "BEND",
    "CLOSURE",
    "CONTEXT_LINE",
    "DIG",
    "EDGE",
    "FRAME",
    "GRID",
    "GROUND",
    "HOST",
    "HOST_WALL",
    "MATCH",
    "MUTED",
    "OTHER_MAIN",
    "OTHER_WORKS",
    "PIT",
    "PULL",
    "RAMP",
    "SHUT",
    "STREET",
    "STREET_AXIS",
    "STRING",
    "SYMBOL",
    "THIN",
]

FRAME = Ink("#000000", 0.5)
EDGE = Ink("#000000", 0.25)
THIN = Ink("#000000", 0.13)
GRID = Ink("#d5d5d5", 0.1)
MUTED = "#555555"  # words of the surroundings
SHUT = Ink("#005a9c", 0.4)
STREET = Ink("#b5b5b5", 0.15, fill="#f1f1f1")
STREET_AXIS = Ink("#a8a8a8", 0.13, (4.0, 1.2, 0.6, 1.2))
OTHER_MAIN = Ink("#8a8a8a", 0.25, (2.5, 1.0))
OTHER_WORKS = Ink("#6d6d6d", 0.18, (1.0, 0.6))
CONTEXT_LINE = Ink("#6b6b6b", 0.18)
AVOID = Ink("#8a4b00", 0.2, (1.5, 0.8))
AVOID_BUFFER = Ink("#8a4b00", 0.13, (0.6, 0.8))
CLOSURE = Ink("#d08700", 0.2, (2.0, 1.0), fill="#fdf1d3")
STRING = Ink("#1b8a5a", 0.25, fill="#c9ecd9")
HOST = Ink("#000000", 0.35)
HOST_WALL = Ink("#000000", 0.25)
PULL = Ink("#0b3d91", 0.7)
RAMP = Ink("#00695c", 0.35, (1.4, 0.7))
PIT = Ink("#c1121f", 0.35, fill="#fbd5d8")
BEND = Ink("#6a1b9a", 0.25, fill="#ffffff")
DIG = Ink("#c1121f", 0.25)
SYMBOL = Ink("#000000", 0.2, fill="#ffffff")
GROUND = Ink("#7a5c2e", 0.35)
MATCH = Ink("#000000", 0.35, (6.0, 1.5, 1.5, 1.5))
