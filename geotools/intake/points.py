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

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
POINT, MULTIPOINT, COLLECTION = 0, 4, 7
# Of services drawn as lines, m, common practice, no source. Lines of one feature no farther apart
# are one; lines that both begin so near a main are not, if they do not meet; and lines farther
# from every main are none beside others of their feature that are not.
GAP, AT_MAIN, NEAR = 1.0, 0.5, 3.0


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

    Lines of one feature that meet, or nearly, are one service, drawn in pieces; those that do not
    are services of their own, as points of one feature are, if they come near a main or none of
    the feature does. The features split, and those with gaps, are noted.

    Parameters
    ----------
    parts : Parts
        The lines, ordered by row, working CRS.
    mains_xy, mains_offsets : ndarray
        The mains in the same CRS.
    """
    if not len(parts):
        return Spots(np.zeros((0, 2)), np.zeros(0, dtype=np.int64), np.zeros(0)), []
    tree = shapely.STRtree(shapely.linestrings(mains_xy, indices=line_of_vertex(mains_offsets)))
    service, meets, pieces = _services(parts, tree)
    parts, service = keep_parts(parts, np.flatnonzero(meets)), service[meets]
    ends = np.concatenate([parts.xy[parts.offsets[:-1]], parts.xy[parts.offsets[1:] - 1]])
    service = np.tile(service, 2)
    away = _off(tree, shapely.points(ends))
    order = np.lexsort([ends[:, 1], ends[:, 0], away, service])
    first = order[np.unique(service[order], return_index=True)[1]]
    row = np.tile(parts.row, 2)[first]
    count = np.bincount(row, minlength=len(pieces))
    return Spots(ends[first], row, 1.0 / count[row]), [*_split(count), *_gaps(pieces, count)]


def _off(tree: shapely.STRtree, shapes: npt.NDArray[Any]) -> FloatArray:
    """Return how far shapes are from the nearest main, m."""
    index, distance = tree.query_nearest(shapes, return_distance=True, all_matches=False)
    away = np.full(len(shapes), np.inf)
    away[index[0]] = distance
    return away


def _services(parts: Parts, mains: shapely.STRtree) -> tuple[IntArray, BoolArray, IntArray]:
    """Return the service each line is of, whether it may be what meets the main, and the pieces.

    Of lines of one feature those that meet are a piece. Pieces with a gap between them, as at a
    meter, are one service; where several of these begin at a main, as services side by side do,
    each of them is one. What is far from every main is none beside others of its feature. The
    pieces are counted by row.
    """
    several = np.flatnonzero(np.bincount(parts.row)[parts.row] > 1)
    taken = keep_parts(parts, several)
    lines = shapely.linestrings(taken.xy, indices=line_of_vertex(taken.offsets))
    pairs = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=GAP)
    pairs = pairs[:, (pairs[0] < pairs[1]) & (taken.row[pairs[0]] == taken.row[pairs[1]])]
    meet = shapely.dwithin(*lines[pairs], TOLERANCE)
    piece = _first(components(several[pairs.T[meet]], len(parts)))
    group = _first(components(several[pairs.T], len(parts)))
    off = np.zeros(len(parts))
    off[several] = _off(mains, lines)
    begins = _least(off, piece) <= AT_MAIN
    crowd = np.bincount(group, begins & (piece == np.arange(len(piece))))[group] > 1
    near = np.where(crowd, begins, _least(off, group) <= NEAR)
    some = np.bincount(parts.row, near)[parts.row] > 0
    return np.where(crowd, piece, group), near | ~some, np.bincount(parts.row[np.unique(piece)])


def _first(label: IntArray) -> IntArray:
    """Return the first line with the label of each."""
    return np.unique(label, return_index=True)[1][label]


def _least(values: FloatArray, group: IntArray) -> FloatArray:
    """Return, for each value, the least of its group."""
    least = np.full(len(values), np.inf)
    np.minimum.at(least, group, values)
    return np.asarray(least[group])


def _split(count: IntArray) -> list[Note]:
    """Note features, rows of the layer, that are several services each."""
    several = np.flatnonzero(count > 1)
    texts = [
        f"is {count[r]} services in one feature, lines that do not meet; each became a feature of "
        "its own, with an equal share of the customers on record, or one customer each where none "
        "are; join lines that are one service"
        for r in several
    ]
    return note("warning", "multi-part-split", several, texts)


def _gaps(pieces: IntArray, count: IntArray) -> list[Note]:
    """Note features that are fewer services than pieces that do not meet."""
    fewer = np.flatnonzero(pieces > count)
    texts = [
        f"is drawn in {pieces[r]} pieces that do not meet, and was taken as {_counted(count[r])}: "
        "pieces with a small gap between them are one, and what is far from every main is part of "
        "what begins at one; close the gaps, or make features of what are services of their own"
        for r in fewer
    ]
    return note("info", "service-in-pieces", fewer, texts)


def _counted(services: int) -> str:
    return f"{services} services" if services > 1 else "one service"
