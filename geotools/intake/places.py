"""Where rows of a layer lie on the map, for findings; built only for rows that are asked for."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.intake.lines import Parts
from geotools.intake.points import Spots
from geotools.intake.ragged import line_of_vertex, take_lines

__all__ = ["COORDINATE_LIMIT", "area_places", "line_places", "sane", "sane_lines", "spot_places"]

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
COORDINATE_LIMIT = 1e8  # m; more than twice round the earth


def sane(xy: npt.NDArray[np.float64]) -> BoolArray:
    """Tell which coordinates (n, 2) are finite and on the earth, in m."""
    with np.errstate(invalid="ignore"):
        found: BoolArray = np.all(np.abs(xy) <= COORDINATE_LIMIT, axis=1)
    return found


LONGEST_LINE = 200_000.0  # m; a main or street drawn longer has a slip in a coordinate


def sane_lines(parts: Parts) -> BoolArray:
    """Tell which lines have only such coordinates and a length a line on the map can have."""
    rows = line_of_vertex(parts.offsets)
    out = np.ones(len(parts), dtype=bool)
    out[rows[~sane(parts.xy)]] = False
    step = np.hypot(*np.diff(np.nan_to_num(parts.xy), axis=0).T)
    length = np.bincount(rows[1:], step * (rows[1:] == rows[:-1]), minlength=len(parts))
    return out & (length[: len(parts)] <= LONGEST_LINE)


def line_places(parts: Parts, rows: IntArray) -> npt.NDArray[Any]:
    """Return a geometry for each row: its lines, a point where that is all there is, or None.

    ``parts`` are ordered by row and in the working CRS; coordinates that make no sense are
    left out.
    """
    wanted = np.unique(rows)
    index = np.flatnonzero(np.isin(parts.row, wanted))
    xy, offsets = take_lines(parts.xy, parts.offsets, index)
    line = line_of_vertex(offsets)
    good = sane(xy)
    xy, line = xy[good], line[good]
    count = np.bincount(line, minlength=len(index))[: len(index)]
    row = parts.row[index]
    found = np.full(len(wanted), None, dtype=object)
    _, first = np.unique(line, return_index=True)
    dots = np.searchsorted(wanted, row[line[first]])
    found[dots[::-1]] = shapely.points(xy[first])[::-1]
    whole = count[line] > 1
    if whole.any():
        _, number = np.unique(line[whole], return_inverse=True)
        lines = shapely.linestrings(xy[whole], indices=number)
        owner = np.searchsorted(wanted, row[np.flatnonzero(count > 1)])
        found[owner] = lines
        owners, times = np.unique(owner, return_counts=True)
        several = np.isin(owner, owners[times > 1])
        if several.any():
            some, group = np.unique(owner[several], return_inverse=True)
            found[some] = shapely.multilinestrings(lines[several], indices=group)
    out: npt.NDArray[Any] = found[np.searchsorted(wanted, rows)]
    return out


def spot_places(spots: Spots, rows: IntArray) -> npt.NDArray[Any]:
    """Return the first point of each row, None where there is none."""
    good = sane(spots.xy)
    wanted, first = np.unique(spots.row[good], return_index=True)
    return _by_row(wanted, shapely.points(spots.xy[good][first]), rows)


def area_places(geometry: npt.NDArray[Any], own: IntArray, rows: IntArray) -> npt.NDArray[Any]:
    """Return the geometry of each row, None where there is none; ``own`` are its rows, sorted."""
    return _by_row(own, geometry, rows)


def _by_row(known: IntArray, values: npt.NDArray[Any], rows: IntArray) -> npt.NDArray[Any]:
    out = np.full(len(rows), None, dtype=object)
    if not len(known):
        return out
    at = np.minimum(np.searchsorted(known, rows), len(known) - 1)
    hit = known[at] == rows
    out[hit] = values[at[hit]]
    return out
