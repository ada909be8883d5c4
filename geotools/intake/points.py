"""Points: multi-points taken apart, and lines stood for by their end at a main."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.intake.lines import Parts
from geotools.intake.notes import Note, note
from geotools.intake.ragged import line_of_vertex

__all__ = ["Spots", "end_at_main", "holds_point", "point_parts"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
POINT, MULTIPOINT, COLLECTION = 0, 4, 7


@dataclass(frozen=True)
class Spots:
    """Points and the row of the layer each comes from: ``xy`` (p, 2), ``row`` (p,).

    ``share`` is one over the number of points of the feature, shape (p,).
    """

    xy: FloatArray
    row: IntArray
    share: FloatArray

    def __len__(self) -> int:
        return len(self.row)


def point_parts(geometry: npt.NDArray[Any], rows: IntArray) -> tuple[Spots, list[Note]]:
    """Take points and multi-points apart; members of collections that are no points are noted."""
    pieces, row = _members(geometry[rows])
    row = rows[row]
    is_point = (shapely.get_type_id(pieces) == POINT) & ~shapely.is_empty(pieces)
    foreign = np.unique(row[~is_point & ~shapely.is_empty(pieces)])
    text = "is a collection that holds more than points; only its points were read"
    notes = note("warning", "mixed-collection", foreign, text)
    pieces, row = pieces[is_point], row[is_point]
    count = np.bincount(row, minlength=len(geometry))
    several = np.flatnonzero(count > 1)
    notes += note(
        "info",
        "multi-point-split",
        several,
        [f"is {count[r]} points in one feature; each became a feature of its own" for r in several],
    )
    xy = np.column_stack([shapely.get_x(pieces), shapely.get_y(pieces)])
    return Spots(xy, row.astype(np.int64), 1.0 / count[row]), notes


def holds_point(geometry: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Tell which geometries are points or collections that hold one."""
    held = np.isin(shapely.get_type_id(geometry), (POINT, MULTIPOINT))
    mixed = np.flatnonzero(shapely.get_type_id(geometry) == COLLECTION)
    pieces, row = _members(geometry[mixed])
    is_point = (shapely.get_type_id(pieces) == POINT) & ~shapely.is_empty(pieces)
    held[mixed[row[is_point]]] = True
    return held


def _members(geometry: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], IntArray]:
    """Return what multi-points and collections are made of, however nested, and of which."""
    pieces, row = shapely.get_parts(geometry, return_index=True)
    while np.isin(shapely.get_type_id(pieces), (MULTIPOINT, COLLECTION)).any():
        pieces, inner = shapely.get_parts(pieces, return_index=True)
        row = row[inner]
    return pieces, row


def end_at_main(parts: Parts, mains_xy: FloatArray, mains_offsets: IntArray) -> Spots:
    """Return, for each feature drawn as a line, the end nearest to any main.

    Parameters
    ----------
    parts : Parts
        The lines, working CRS; all parts of a feature count as one.
    mains_xy, mains_offsets : ndarray
        The mains in the same CRS.
    """
    if not len(parts):
        return Spots(np.zeros((0, 2)), np.zeros(0, dtype=np.int64), np.zeros(0))
    mains = shapely.linestrings(mains_xy, indices=line_of_vertex(mains_offsets))
    ends = np.concatenate([parts.xy[parts.offsets[:-1]], parts.xy[parts.offsets[1:] - 1]])
    row = np.concatenate([parts.row, parts.row])
    tree = shapely.STRtree(mains)
    index, distance = tree.query_nearest(
        shapely.points(ends), return_distance=True, all_matches=False
    )
    away = np.full(len(ends), np.inf)
    away[index[0]] = distance
    order = np.lexsort([ends[:, 1], ends[:, 0], away, row])
    first = order[np.unique(row[order], return_index=True)[1]]
    return Spots(ends[first], row[first], np.ones(len(first)))
