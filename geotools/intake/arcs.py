"""Arcs: which geometries hold true ones, and how finely they are drawn as chords."""

from __future__ import annotations

from contextlib import AbstractContextManager

import pyarrow as pa
import pyarrow.compute as pc

from geotools.gdal_options import gdal_options
from geotools.schema import DIMENSIONS

__all__ = ["arcs_text", "finely", "holding_arcs"]

# Degrees of each chord; GDAL's own are 4, which leaves the arc by 0.6 m at a radius of 1 km and
# looks like a row of mitres.
STEP = 0.5
# Kinds of geometry in well-known binary.
POINT, LINE, POLYGON, ARC = 1, 2, 3, 8
CURVED = range(8, 15)
HEIGHT, MEASURE = 0x80000000, 0x40000000  # flags of a dialect; the standard adds 1000 and 2000


def finely() -> AbstractContextManager[None]:
    """Have GDAL draw arcs by chords of `STEP`, also those it draws while it opens a file."""
    return gdal_options({"OGR_ARC_STEPSIZE": str(STEP)})


def holding_arcs(column: pa.ChunkedArray) -> tuple[int, bool]:
    """Return how many geometries hold a true arc, and whether any is of a kind that may.

    ``column`` is of well-known binary.
    """
    heads = pc.binary_slice(column, 0, 5)
    kinds = [h for h in heads.unique().to_pylist() if h and len(h) == 5 and _kind(h) in CURVED]
    if not kinds:
        return 0, False
    some = column.filter(pc.is_in(heads, value_set=pa.array(kinds, type=heads.type)))
    return sum(_holds_arc(wkb) for wkb in some.to_pylist()), True


def arcs_text(count: int, features: int, system: str) -> str:
    """Say that arcs were read as chords, and how near these are."""
    sign = DIMENSIONS["length"].suffix(system)
    return (
        f"{count} of {features} features hold true arcs; they were read as chords of "
        f"{STEP:g} degrees, which lie within a hundred-thousandth of the radius, "
        f"0.01 {sign} of 1,000 {sign}"
    )


def _whole(part: bytes, first: bytes) -> int:
    """Return a whole number; ``first``, the first byte of the geometry, tells the order of all."""
    return int.from_bytes(part, "little" if first == b"\x01" else "big")


def _kind(head: bytes) -> int:
    return (_whole(head[1:5], head[:1]) & ~(HEIGHT | MEASURE)) % 1000


def _ordinates(head: bytes) -> int:
    """Return how many numbers a vertex has."""
    number = _whole(head[1:5], head[:1])
    more = (0, 1, 1, 2)[(number & ~(HEIGHT | MEASURE)) // 1000 % 4]
    return 2 + more + bool(number & HEIGHT) + bool(number & MEASURE)


def _holds_arc(wkb: bytes) -> bool:
    """Go from part to part, each before its own parts, to an arc or to the end."""
    at, left = 0, 1
    while left and len(head := wkb[at : at + 5]) == 5:
        kind, vertex = _kind(head), 8 * _ordinates(head)
        if kind == ARC:
            return True
        at, left = at + 5, left - 1
        if kind == POINT:
            at += vertex
            continue
        count, at = _whole(wkb[at : at + 4], head[:1]), at + 4
        if kind == LINE:
            at += vertex * count
        elif kind == POLYGON:
            for _ in range(min(count, len(wkb))):
                at += 4 + vertex * _whole(wkb[at : at + 4], head[:1])
        else:
            left += count
    return False
