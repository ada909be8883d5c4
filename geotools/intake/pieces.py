"""Large shapes cut into small ones that cover the same ground, for what is asked at many places."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

__all__ = ["Pieces", "cut_up"]

# Vertices of a shape that is left whole. Each question goes through all vertices of a shape it
# comes near to: of a flood zone with a million, tens of thousands of pits took hours.
MOST = 256


@dataclass(frozen=True)
class Pieces:
    """Pieces of shapes, those of each together, and the row of the shape each belongs to."""

    shapes: npt.NDArray[np.object_]
    of: npt.NDArray[np.int64]

    @classmethod
    def none(cls) -> Pieces:
        """Return no pieces."""
        return cls(np.zeros(0, dtype=object), np.zeros(0, dtype=np.int64))

    def only(self, wanted: npt.NDArray[np.bool_]) -> Pieces:
        """Return the pieces of the shapes wanted; their rows stay."""
        kept = wanted[self.of]
        return Pieces(self.shapes[kept], self.of[kept])


def cut_up(shapes: npt.NDArray[np.object_]) -> Pieces:
    """Cut shapes of many vertices into pieces of few; the others stay as they are.

    Together the pieces of a shape are that shape, to rounding; they touch along the cuts, so that
    what lies across one meets both.

    Parameters
    ----------
    shapes : ndarray of valid shapely geometries, shape (n,)

    Returns
    -------
    Pieces
    """
    large = shapely.get_num_coordinates(shapes) > MOST
    parts: list[npt.NDArray[np.object_]] = [shapes[~large]]
    of = [np.flatnonzero(~large)]
    for row in np.flatnonzero(large).tolist():
        pieces = _pieces(shapes[row])
        parts.append(pieces)
        of.append(np.full(len(pieces), row))
    rows = np.concatenate(of)
    order = np.argsort(rows, kind="stable")
    return Pieces(np.concatenate(parts)[order], rows[order].astype(np.int64))


def _pieces(shape: Any) -> npt.NDArray[np.object_]:
    """Halve a shape across its longer side, and its halves, until none has many vertices."""
    done: list[Any] = []
    open_ = [shape]
    while open_:
        part = open_.pop()
        if shapely.get_num_coordinates(part) <= MOST:
            done.append(part)
        elif shapely.get_num_geometries(part) > 1:
            open_ += list(shapely.get_parts(part))
        else:
            open_ += _halves(part)
    out = np.empty(len(done), dtype=object)
    out[:] = done
    return out


def _halves(part: Any) -> list[Any]:
    """Return a part on both sides of a cut through the middle of its longer side."""
    west, south, east, north = part.bounds
    if east - west >= north - south:
        middle = (west + east) / 2
        boxes = (west, south, middle, north), (middle, south, east, north)
    else:
        middle = (south + north) / 2
        boxes = (west, south, east, middle), (west, middle, east, north)
    halves = [_within(part, box) for box in boxes]
    dimension = shapely.get_dimensions(part)
    # where it only touches the cut, there is a line or a point of it that the other half has
    return [h for h in halves if shapely.get_dimensions(h) == dimension and not h.is_empty]


def _within(part: Any, box: tuple[float, float, float, float]) -> Any:
    """Return a part within a box: quickly, or where that gives no valid shape, thoroughly."""
    quick = shapely.clip_by_rect(part, *box)
    return quick if quick.is_valid else shapely.intersection(part, shapely.box(*box))
