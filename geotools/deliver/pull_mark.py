"""Marks of pulls: a few letters that say which layout of a pull a schedule is of."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.ragged import FloatArray, IntArray

__all__ = ["pull_marks"]

# No vowels and no digits: neither a word, nor a number or date to a spreadsheet, nor O for 0.
_LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
_LENGTH = 5
# Steps of coordinates in a step of the CRS: some 0.1 m, for the axis may be drawn anew from the
# same mains with other vertices.
_PROJECTED, _GEOGRAPHIC = 10.0, 1e6
# Where steps begin: lengths planned are round in mm or in feet, and on no machine near this.
_ODD = 0.3179


def pull_marks(
    pulls: Any, carrier: npt.NDArray[np.object_], pieces: pd.DataFrame
) -> npt.NDArray[np.object_]:
    """Return the mark of every pull, shape (pulls,).

    It is the same for the same pull whenever, wherever and in whatever units it is planned, and
    another where the run, the ends of the pull (to the mm along the run), its direction, its
    carrier or its pieces (to the mm) are others. Two layouts bear one mark by chance once in
    3.2 million.

    Parameters
    ----------
    pulls : GeoDataFrame
        Layer ``pulls``.
    carrier : ndarray of str, shape (pulls,)
        Pipe of each.
    pieces : DataFrame
        ``row`` of the pull, ascending, ``length``, m, and ``last`` of its string, from the head.
    """
    along = _steps(pulls[["start", "end"]].to_numpy(dtype=float), 1e3)
    place = _steps(_ends(pulls), _GEOGRAPHIC if pulls.crs.is_geographic else _PROJECTED)
    length = _steps(pieces["length"].to_numpy(dtype=float), 1e3).astype(str)
    texts = np.where(pieces["last"].to_numpy(dtype=bool), np.char.add(length, "/"), length)
    first = np.searchsorted(pieces["row"].to_numpy(), np.arange(len(pulls) + 1))
    names = pulls[["run_id", "direction"]].to_numpy(dtype=object)
    return np.array(
        [
            _mark([*names[k], carrier[k], *along[k], *place[k], *texts[first[k] : first[k + 1]]])
            for k in range(len(pulls))
        ],
        dtype=object,
    )


def _ends(pulls: Any) -> FloatArray:
    """Return x and y of the first and the last vertex of every pull, shape (pulls, 4)."""
    lines = shapely.force_2d(pulls.geometry.to_numpy())
    ends = [shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1)]
    return np.column_stack(ends)


def _steps(values: FloatArray, steps: float) -> IntArray:
    """Return values as whole steps."""
    return np.floor(values * steps + _ODD).astype(np.int64)


def _mark(parts: list[Any]) -> str:
    digest = hashlib.sha256("|".join(map(str, parts)).encode()).digest()
    number, letters = int.from_bytes(digest[:8], "big"), []
    for _ in range(_LENGTH):
        number, k = divmod(number, len(_LETTERS))
        letters.append(_LETTERS[k])
    return "".join(letters)
