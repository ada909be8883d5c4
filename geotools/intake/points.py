"""Points: multi-points taken apart; services drawn as lines, stood for by their end at a main."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.intake.lines import TOLERANCE, Parts, keep_parts
from geotools.intake.notes import Note, note
from geotools.intake.ragged import line_of_vertex
from geotools.links import components

__all__ = ["Spots", "ends_at_main", "holds_point", "point_parts"]

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


def ends_at_main(
    parts: Parts, mains_xy: FloatArray, mains_offsets: IntArray
) -> tuple[Spots, list[Note]]:
    """Return, for each service drawn as a line, the end nearest to any main.

    Lines of one feature that meet are one service, drawn in pieces; those that do not are services
    of their own, as points of one feature are. The features split are noted.

    Parameters
    ----------
    parts : Parts
        The lines, ordered by row, working CRS.
    mains_xy, mains_offsets : ndarray
        The mains in the same CRS.
    """
    if not len(parts):
        return Spots(np.zeros((0, 2)), np.zeros(0, dtype=np.int64), np.zeros(0)), []
    mains = shapely.linestrings(mains_xy, indices=line_of_vertex(mains_offsets))
    ends = np.concatenate([parts.xy[parts.offsets[:-1]], parts.xy[parts.offsets[1:] - 1]])
    service = np.tile(_services(parts), 2)
    tree = shapely.STRtree(mains)
    index, distance = tree.query_nearest(
        shapely.points(ends), return_distance=True, all_matches=False
    )
    away = np.full(len(ends), np.inf)
    away[index[0]] = distance
    order = np.lexsort([ends[:, 1], ends[:, 0], away, service])
    first = order[np.unique(service[order], return_index=True)[1]]
    row = np.tile(parts.row, 2)[first]
    count = np.bincount(row)
    return Spots(ends[first], row, 1.0 / count[row]), _split(count)


def _services(parts: Parts) -> IntArray:
    """Return the service each line is of: of lines of one feature, those that meet are one."""
    several = np.flatnonzero(np.bincount(parts.row)[parts.row] > 1)
    some = keep_parts(parts, several)
    lines = shapely.linestrings(some.xy, indices=line_of_vertex(some.offsets))
    pairs = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=TOLERANCE)
    one, other = several[pairs]
    meet = (one < other) & (parts.row[one] == parts.row[other])
    return components(np.column_stack([one, other])[meet], len(parts))


def _split(count: IntArray) -> list[Note]:
    """Note features, rows of the layer, that are several services each."""
    several = np.flatnonzero(count > 1)
    texts = [
        f"is {count[r]} services in one feature, lines that do not meet; each became a feature of "
        "its own, with an equal share of the customers on record; join lines that are one service"
        for r in several
    ]
    return note("warning", "multi-part-split", several, texts)
