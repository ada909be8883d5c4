"""Which of many elevation rasters lie beside or over each other in one grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyproj

from geotools.ground.raster import Raster
from geotools.intake.nameless import coincide
from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["Grids", "Neighbour"]

# Share by which cells may differ in size or direction and count as the same: over a tile of 10,000
# cells a hundredth of a cell. Files round the size they state.
ALIKE = 1e-6
# Cells that two grids may be shifted by and count as one; levels are then off by what the ground
# rises over that. Tiles whose corners are stated in few digits are shifted by less. Judgement.
SHIFTED = 0.05
TOUCHING = 0.5  # cells; tiles farther from each other share no point between their cells


@dataclass(frozen=True)
class Neighbour:
    """A raster with cells of the size and direction of another's, beside or over it.

    Attributes
    ----------
    place : int
        Its place in the list of rasters.
    later : bool
        Whether it stands behind the other there.
    first : tuple of int, optional
        Row and column of its first cell in the grid of the other; None where the cells of the two
        do not line up.
    """

    place: int
    later: bool
    first: tuple[int, int] | None


class Grids:
    """The grids of many rasters, to find those beside one.

    Parameters
    ----------
    rasters : sequence of Raster
    """

    def __init__(self, rasters: Sequence[Raster]) -> None:
        self._crs = _by_crs(rasters)
        self._inverse = np.array([raster.inverse for raster in rasters]).reshape(-1, 2, 3)
        self._size = np.array([raster.shape[::-1] for raster in rasters])  # columns, rows
        corner = np.linalg.solve(self._inverse[:, :, :2], -self._inverse[:, :, 2:])
        self._corner = corner[:, :, 0]  # x, y of the outer corner of the first cell

    def beside(self, place: int) -> tuple[Neighbour, ...]:
        """Return the neighbours of a raster, as they stand in the list."""
        turn, start = self._inverse[place, :, :2], self._inverse[place, :, 2]
        corner = self._corner @ turn.T + start  # column, row
        near = self._alike(place, turn)
        near &= np.all(corner < self._size[place] + TOUCHING, axis=1)
        near &= np.all(corner + self._size > -TOUCHING, axis=1)
        near[place] = False
        return tuple(
            Neighbour(at, at > place, _first(corner[at])) for at in np.flatnonzero(near).tolist()
        )

    def kinds(self) -> IntArray:
        """Return a number for each raster, one for those with the CRS and cells of each other."""
        kinds = np.full(len(self._inverse), -1)
        for place in range(len(kinds)):
            if kinds[place] < 0:
                alike = self._alike(place, self._inverse[place, :, :2])
                kinds[alike & (kinds < 0)] = place
        return kinds

    def _alike(self, place: int, turn: FloatArray) -> BoolArray:
        """Tell which rasters have the CRS of one and cells as it has."""
        gap = np.abs(self._inverse[:, :, :2] - turn).max(axis=(1, 2))
        alike: BoolArray = (gap <= ALIKE * np.abs(turn).max()) & (self._crs == self._crs[place])
        return alike


def _by_crs(rasters: Sequence[Raster]) -> IntArray:
    """Return a number for each raster, one for those in CRSs that mean the same."""
    met: list[tuple[pyproj.CRS, int]] = []  # of each spelling
    numbers: dict[str, int] = {}
    for raster in rasters:
        if raster.wkt not in numbers:
            same = (number for crs, number in met if coincide(crs, raster.crs))
            numbers[raster.wkt] = next(same, len(met))
            met.append((raster.crs, numbers[raster.wkt]))
    return np.array([numbers[raster.wkt] for raster in rasters], dtype=np.int64)


def _first(corner: FloatArray) -> tuple[int, int] | None:
    """Return row and column of a cell whose outer corner is at a column and a row, if they are."""
    column, row = np.round(corner).astype(int).tolist()
    lined_up = np.all(np.abs(corner - [column, row]) <= SHIFTED)
    return (row, column) if lined_up else None
