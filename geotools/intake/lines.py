"""Lines: geometries to single-part lines in ragged arrays, repaired, every repair noted."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.intake.notes import Note, note
from geotools.intake.ragged import (
    drop_close_vertices,
    line_lengths,
    line_of_vertex,
    take_lines,
)

__all__ = ["TOLERANCE", "Parts", "clean_lines", "keep_parts", "line_parts", "self_crossings"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
TOLERANCE = 1e-3  # m; vertices nearer than this are one
SAME = 1e-12  # share of a turn; longitudes nearer to the date line lie on it
LINE, RING, MULTI, COLLECTION = 1, 2, 5, 7
OWN = "each became a line of its own (a main with /1, /2, ... behind its identifier)"
PARTED = f"that do not meet; {OWN}; close the gaps if it is one"
BRANCHED = (
    f"that meet, but branch or run into each other, so that they are no one line; {OWN}, joined "
    "where they meet; draw every branch as a main"
)


@dataclass(frozen=True)
class Parts:
    """Single-part lines.

    Attributes
    ----------
    xy, offsets : ndarray
        Vertices, shape (v, 2), and offsets, shape (p + 1,).
    row : ndarray of int64, shape (p,)
        Row of the layer each line comes from.
    part : ndarray of int64, shape (p,)
        1, 2, ... where a feature was split; 0 where it is one line.
    directed : ndarray of bool, shape (p,)
        First and last vertex are those of the feature as drawn.
    """

    xy: FloatArray
    offsets: IntArray
    row: IntArray
    part: IntArray
    directed: BoolArray

    def __len__(self) -> int:
        return len(self.row)


def line_parts(
    geometry: npt.NDArray[Any], rows: IntArray, *, turn: float = math.inf
) -> tuple[Parts, list[Note]]:
    """Take geometries (lines, multi-part lines, collections) apart into single lines.

    Parameters
    ----------
    geometry : ndarray of shapely geometries
        The whole layer.
    rows : ndarray of int64
        Rows that hold lines.
    turn : float
        A full turn in their longitudes, as `full_turn` gives it: lines cut at the date line, as
        GeoJSON asks for, meet there.
    """
    simple = shapely.get_type_id(geometry[rows]) == LINE
    plain = _parts(geometry[rows[simple]], rows[simple])
    rows = rows[~simple]
    if not len(rows):
        return plain, []
    pieces, row = shapely.get_parts(geometry[rows], return_index=True)
    row = rows[row]
    while np.isin(shapely.get_type_id(pieces), (MULTI, COLLECTION)).any():
        pieces, inner = shapely.get_parts(pieces, return_index=True)
        row = row[inner]
    is_line = np.isin(shapely.get_type_id(pieces), (LINE, RING)) & ~shapely.is_empty(pieces)
    foreign = np.unique(row[~is_line & ~shapely.is_empty(pieces)])
    notes = note(
        "warning",
        "mixed-collection",
        foreign,
        "is a collection that holds more than lines; only its lines were read",
    )
    pieces, row = pieces[is_line], row[is_line]
    count = np.bincount(row, minlength=len(geometry))
    several = count[row] > 1
    lone = _parts(pieces[~several], row[~several])
    closed, parted = _over_date_line(pieces[several], row[several], turn)
    joined, more = _join(closed, row[several])
    if parted:
        west = joined.xy[:, 0] > turn / 2
        joined.xy[west, 0] -= turn
    return _merged(plain, _merged(lone, joined)), notes + more


def _over_date_line(
    pieces: npt.NDArray[Any], row: IntArray, turn: float
) -> tuple[npt.NDArray[Any], bool]:
    """Let the pieces of lines cut at the date line meet there; tell whether there are any.

    West of it their longitudes go on beyond half a turn.
    """
    if not math.isfinite(turn) or not len(pieces):
        return pieces, False
    west, _, east, _ = shapely.bounds(pieces).T
    near = turn / 2 * (1 - SAME)
    parted = np.isin(row, np.intersect1d(row[east >= near], row[west <= -near]))
    if not parted.any():
        return pieces, False
    xy, of = shapely.get_coordinates(pieces[parted], return_index=True)
    x = np.where(xy[:, 0] < 0, xy[:, 0] + turn, xy[:, 0])
    xy[:, 0] = np.where(np.abs(x - turn / 2) <= SAME * turn, turn / 2, x)
    out = pieces.copy()
    out[parted] = shapely.linestrings(xy, indices=of)
    return out, True


def _parts(
    lines: npt.NDArray[Any],
    row: IntArray,
    part: IntArray | None = None,
    directed: BoolArray | None = None,
) -> Parts:
    xy = shapely.get_coordinates(lines)
    offsets = np.zeros(len(lines) + 1, dtype=np.int64)
    np.cumsum(shapely.get_num_coordinates(lines), out=offsets[1:])
    return Parts(
        xy,
        offsets,
        row.astype(np.int64),
        np.zeros(len(lines), dtype=np.int64) if part is None else part,
        np.ones(len(lines), dtype=bool) if directed is None else directed,
    )


def _merged(a: Parts, b: Parts) -> Parts:
    """Return two sets of parts as one, in the order of rows and parts."""
    xy = np.concatenate([a.xy, b.xy])
    offsets = np.concatenate([a.offsets, b.offsets[1:] + a.offsets[-1]])
    row, part = np.concatenate([a.row, b.row]), np.concatenate([a.part, b.part])
    directed = np.concatenate([a.directed, b.directed])
    both = Parts(xy, offsets, row, part, directed)
    return keep_parts(both, np.lexsort([part, row])) if len(a) and len(b) else both


def keep_parts(parts: Parts, index: IntArray) -> Parts:
    """Return the given parts, in that order."""
    xy, offsets = take_lines(parts.xy, parts.offsets, index)
    return Parts(xy, offsets, parts.row[index], parts.part[index], parts.directed[index])


def _join(pieces: npt.NDArray[Any], row: IntArray) -> tuple[Parts, list[Note]]:
    """Join the pieces of multi-part features where they meet; split those that do not."""
    rows, start = np.unique(row, return_index=True)
    if not len(rows):
        return _parts(pieces, row), []
    index = np.repeat(np.arange(len(rows)), np.diff([*start, len(row)]))
    merged = shapely.line_merge(shapely.multilinestrings(pieces, indices=index))
    whole = shapely.get_num_geometries(merged) == 1
    first, last = pieces[start], pieces[[*(start[1:] - 1), len(row) - 1]]
    one, directed = _as_drawn(merged[whole], first[whole], last[whole])
    split, inner = _apart(pieces, index, merged, whole)
    number = np.arange(len(split)) - np.searchsorted(inner, inner) + 1
    notes = note(
        "info",
        "multi-part-joined",
        rows[whole],
        "is drawn in several parts that meet; they were joined to one line",
    )
    notes += note(
        "warning",
        "multi-part-split",
        rows[~whole],
        [
            f"is drawn in {n} parts {BRANCHED if meet else PARTED}"
            for n, meet in zip(
                shapely.get_num_geometries(merged[~whole]), _ends_meet(merged[~whole]), strict=True
            )
        ],
    )
    joined = _parts(shapely.get_parts(one), rows[whole], directed=directed)
    apart = _parts(split, rows[~whole][inner], number, np.zeros(len(split), dtype=bool))
    return _merged(joined, apart), notes


def _ends_meet(merged: npt.NDArray[Any]) -> BoolArray:
    """Tell of which features ends of two parts meet, though more than two do or they close."""
    parts, feature = shapely.get_parts(merged, return_index=True)
    ends = np.concatenate([shapely.get_point(parts, 0), shapely.get_point(parts, -1)])
    spots = np.column_stack([np.tile(feature, 2), shapely.get_coordinates(ends)])
    number = np.tile(np.arange(len(parts)), 2)
    once = np.unique(np.column_stack([spots, number]), axis=0)[:, :3]
    _, first, count = np.unique(once, axis=0, return_index=True, return_counts=True)
    out = np.zeros(len(merged), dtype=np.bool_)
    out[once[first[count > 1], 0].astype(np.int64)] = True
    return out


def _apart(
    pieces: npt.NDArray[Any], index: IntArray, merged: npt.NDArray[Any], whole: BoolArray
) -> tuple[npt.NDArray[Any], IntArray]:
    """Return the parts of split features, as drawn where none of them meet, and their place."""
    drawn = np.bincount(index, minlength=len(merged))
    untouched = shapely.get_num_geometries(merged) == drawn
    apart = merged.copy()
    same = untouched[index]
    if untouched.any():
        _, number = np.unique(index[same], return_inverse=True)
        apart[untouched] = shapely.multilinestrings(pieces[same], indices=number)
    split, inner = shapely.get_parts(apart[~whole], return_index=True)
    return split, inner


def _as_drawn(
    merged: npt.NDArray[Any], first: npt.NDArray[Any], last: npt.NDArray[Any]
) -> tuple[npt.NDArray[Any], BoolArray]:
    """Turn joined lines so that they start where their first part does; tell where they do."""
    lines = shapely.get_parts(merged)  # line_merge may leave a multi-part of one
    begin, end = shapely.get_point(first, 0), shapely.get_point(last, -1)
    back = shapely.equals(shapely.get_point(lines, 0), end) & shapely.equals(
        shapely.get_point(lines, -1), begin
    )
    lines = np.where(back, shapely.reverse(lines), lines)
    kept = shapely.equals(shapely.get_point(lines, 0), begin) & shapely.equals(
        shapely.get_point(lines, -1), end
    )
    return lines, kept


def clean_lines(parts: Parts) -> tuple[Parts, list[Note]]:
    """Drop doubled vertices (1 mm) and lines of no length. Coordinates are finite, in m."""
    xy, offsets = drop_close_vertices(parts.xy, parts.offsets, distance=TOLERANCE)
    parts = replace(parts, xy=xy, offsets=offsets)
    length = line_lengths(xy, offsets)
    none = length <= TOLERANCE
    notes = note(
        "warning",
        "zero-length",
        parts.row[none],
        "has no length and was set aside; delete it or draw it",
        every=True,
    )
    return (keep_parts(parts, np.flatnonzero(~none)) if none.any() else parts), notes


def self_crossings(parts: Parts) -> list[Note]:
    """Note lines that cross or touch themselves; they are kept."""
    doubtful = np.flatnonzero(_may_cross(parts))
    if not len(doubtful):
        return []
    xy, offsets = take_lines(parts.xy, parts.offsets, doubtful)
    lines = shapely.linestrings(xy, indices=line_of_vertex(offsets))
    crossing = doubtful[~shapely.is_simple(lines)]
    return note(
        "warning",
        "self-crossing",
        np.unique(parts.row[crossing]),
        "crosses or touches itself; kept as drawn; check the drawing there",
    )


def _may_cross(parts: Parts) -> BoolArray:
    """Tell which lines could cross themselves: those that ever go back along their chord."""
    count = len(parts)
    line = line_of_vertex(parts.offsets)
    chord = parts.xy[parts.offsets[1:] - 1] - parts.xy[parts.offsets[:-1]]
    if len(parts.xy) < 2:
        return np.zeros(count, dtype=bool)
    forward = np.einsum("ij,ij->i", np.diff(parts.xy, axis=0), chord[line[1:]])
    back = (forward <= 0) & (line[1:] == line[:-1])
    return np.bincount(line[1:][back], minlength=count)[:count] > 0
