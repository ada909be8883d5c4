"""Pieces: lines cut at places along them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.places import Places
from geotools.network.ragged import (
    FloatArray,
    IntArray,
    firsts,
    lengths_along,
    measures,
    offsets_of,
)

__all__ = ["SAME_WAY", "TOUCH", "Pieces", "cut_lines", "end_points", "ends_of_pieces", "from_ends"]

TOUCH = 0.001  # m; closer than this is the same point, whatever the tolerance
SAME_WAY = 2e-4  # rad, 0.01 degree; turns that differ by less are the same, however they are drawn
SAME = 1e-6  # m; a cut so near to a vertex is at the vertex


@dataclass(frozen=True)
class Pieces:
    """Lines cut into pieces.

    Attributes
    ----------
    xy, offsets : ndarray
        Vertices of the pieces.
    line : ndarray of int64, shape (p,)
        Row of the line each is of.
    start, end : ndarray, shape (p,)
        Where it starts and ends along that line, m.
    cut : ndarray of int64, shape (k,)
        The piece end every cut asked for is at: ``2 * piece`` where it starts a piece,
        ``2 * piece + 1`` where it fell to the last end of its line.
    """

    xy: FloatArray
    offsets: IntArray
    line: IntArray
    start: FloatArray
    end: FloatArray
    cut: IntArray


def end_points(xy: FloatArray, offsets: IntArray) -> FloatArray:
    """Return first and last points of lines in turn, shape (2 n, 2)."""
    rows = np.stack([offsets[:-1], offsets[1:] - 1], axis=1).ravel()
    return np.take(xy, rows, axis=0)


def from_ends(lengths: FloatArray, ends: IntArray, away: FloatArray | float) -> FloatArray:
    """Return what lies so far from ends, m along their lines; of such places, how far they lie.

    ``ends`` are ``2 * line`` the first, ``2 * line + 1`` the last; ``lengths`` those of all lines.
    """
    return np.where(ends & 1, lengths[ends >> 1] - away, away)


def cut_lines(
    xy: FloatArray, offsets: IntArray, cuts: FloatArray, along: FloatArray | None = None
) -> Pieces:
    """Cut lines into pieces; ``cuts``, shape (k, 2), holds line row and distance along it, m.

    A cut within `TOUCH` of an end of its line falls to that end. Cuts in a row, none farther than
    that from the next, are one, as points so near each other are one node (`near.clusters`).
    ``along`` are the `measures` of the vertices, where they are known.
    """
    along = measures(xy, offsets) if along is None else along
    lengths = lengths_along(along, offsets)
    line, at, cut = _made(lengths, cuts)
    count = len(offsets) - 1
    pieces = 1 + np.bincount(line, minlength=count)
    of_piece = np.repeat(np.arange(count, dtype=np.int64), pieces)
    later = line + np.arange(1, len(line) + 1)  # pieces that start at the cuts
    start, end = np.zeros(len(of_piece)), lengths[of_piece]
    start[later] = end[later - 1] = at
    if not len(line):
        return Pieces(xy, offsets, of_piece, start, end, cut)
    new_xy, new_offsets = _insert_cuts(xy, offsets, along, line, at)
    return Pieces(new_xy, new_offsets, of_piece, start, end, cut)


def _made(lengths: FloatArray, cuts: FloatArray) -> tuple[IntArray, FloatArray, IntArray]:
    """Return line and place, m, of the cuts that are made, and the piece end of every one."""
    of, where = cuts[:, 0].astype(np.int64), cuts[:, 1]
    room = lengths[of] - where
    inside = np.flatnonzero((where > TOUCH) & (room > TOUCH))
    order = inside[np.lexsort([where[inside], of[inside]])]
    line, at = of[order], where[order]
    fresh = firsts(line)
    fresh[1:] |= at[1:] - at[:-1] > TOUCH
    line, at = line[fresh], at[fresh]
    past = np.searchsorted(line, of, side="right")  # cuts made on this line and those before
    ends = np.where(where <= room, 2 * (of + np.searchsorted(line, of)), 2 * (of + past) + 1)
    ends[order] = 2 * (of[order] + np.cumsum(fresh))
    return line, at, ends


def _insert_cuts(
    xy: FloatArray, offsets: IntArray, along: FloatArray, line: IntArray, at: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Put two vertices at every cut, the end of one piece and the start of the next.

    A vertex that is there already takes the place of both.
    """
    after = Places.of_offsets(offsets, along).search(line, at, "right")
    before = after - 1
    share = (at - along[before]) / (along[after] - along[before])
    points = xy[before] + share[:, None] * (xy[after] - xy[before])
    replaced = np.zeros(len(xy), dtype=bool)
    for vertex in (before, after):
        here = np.abs(along[vertex] - at) < SAME
        points[here] = xy[vertex[here]]
        replaced[vertex[here]] = True
    gone = offsets_of(replaced.astype(np.int64))
    place = after - gone[after] + 2 * np.arange(len(after))  # of the first of the two
    old = np.ones(len(xy) - gone[-1] + 2 * len(after), dtype=bool)
    old[place] = old[place + 1] = False
    new_xy = np.empty((len(old), 2))
    new_xy[old] = xy[~replaced] if gone[-1] else xy
    new_xy[place] = new_xy[place + 1] = points
    whole = offsets - gone[offsets] + 2 * np.searchsorted(after, offsets, side="right")
    return new_xy, np.sort(np.concatenate([whole, place + 1]))


def ends_of_pieces(ends: IntArray, pieces: Pieces) -> IntArray:
    """Return the piece ends that line ends have become."""
    line = ends // 2
    first = offsets_of(np.bincount(pieces.line))
    return np.where(ends % 2 == 0, 2 * first[line], 2 * first[line + 1] - 1)
