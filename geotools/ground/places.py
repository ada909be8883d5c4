"""Points in the CRS of every raster met, found quickly by tile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj

from geotools.errors import LayerError
from geotools.ground.raster import Raster
from geotools.intake.crs import horizontal
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["CELL_ROUNDING", "SEAM", "Places", "aside"]

# Cells by which the transformation of points may be off; so far outside, they are on the edge.
CELL_ROUNDING = 1e-6
# Cells; tiles laid edge to edge, or with a row of cells in common, share points no farther inside.
SEAM = 0.5


def aside(raster: Raster, xy: FloatArray) -> FloatArray:
    """Return how far inside the edge of a raster points in its CRS lie, in cells."""
    column, row = raster.cells(xy)
    rows, columns = raster.shape
    inside: FloatArray = np.minimum(
        np.minimum(column, columns - column), np.minimum(row, rows - row)
    )
    return inside


@dataclass(frozen=True)
class _Moved:
    """The points in one CRS, in order of x."""

    xy: FloatArray
    order: IntArray
    sorted_x: FloatArray


class Places:
    """The points in every CRS met, sorted by x so that a tile finds its points quickly.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
    crs : pyproj.CRS
        Their CRS; a vertical part is ignored.
    """

    def __init__(self, xy: FloatArray, crs: pyproj.CRS) -> None:
        self.xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        self.crs = horizontal(crs)
        self._by_crs: dict[str, _Moved] = {}

    def _in_crs_of(self, raster: Raster) -> _Moved:
        if raster.wkt not in self._by_crs:
            xy = self._move(raster)
            order = np.argsort(xy[:, 0], kind="stable")
            self._by_crs[raster.wkt] = _Moved(xy, order, xy[order, 0])
        return self._by_crs[raster.wkt]

    def _move(self, raster: Raster) -> FloatArray:
        if len(self.xy) == 0 or self.crs.equals(raster.crs, ignore_axis_order=True):
            return self.xy
        try:
            transformer = pyproj.Transformer.from_crs(self.crs, raster.crs, always_xy=True)
            x, y = transformer.transform(self.xy[:, 0], self.xy[:, 1])
        except pyproj.exceptions.ProjError as error:
            raise LayerError(
                raster.name,
                f"its CRS {raster.crs.name!r} cannot be reached from {self.crs.name!r} ({error}); "
                "warp the raster to the CRS of the mains",
            ) from error
        return np.column_stack([x, y])

    def at(self, raster: Raster, index: IntArray) -> FloatArray:
        """Return points in the CRS of a raster."""
        return self._in_crs_of(raster).xy[index]

    def extent(self, raster: Raster) -> FloatArray:
        """Return west, south, east, north of all points in the CRS of a raster."""
        xy = self._in_crs_of(raster).xy
        xy = xy[np.isfinite(xy).all(axis=1)]
        return np.concatenate([xy.min(axis=0), xy.max(axis=0)]) if len(xy) else np.full(4, np.nan)

    def well_inside(self, raster: Raster, index: IntArray) -> IntArray:
        """Return those of the points on a raster that are not in its outer half cells."""
        return index[aside(raster, self.at(raster, index)) > SEAM + CELL_ROUNDING]

    def inside(self, raster: Raster) -> IntArray:
        """Return the points that lie on a raster, in their own order."""
        moved = self._in_crs_of(raster)
        west, _, east, _ = raster.bounds
        slack = (east - west) * CELL_ROUNDING
        first, last = np.searchsorted(moved.sorted_x, [west - slack, east + slack])
        if first == last:
            return np.zeros(0, dtype=np.int64)
        near = moved.order[first:last]
        column, row = raster.cells(moved.xy[near])
        rows, columns = raster.shape
        on = (column >= -CELL_ROUNDING) & (column <= columns + CELL_ROUNDING)
        on &= (row >= -CELL_ROUNDING) & (row <= rows + CELL_ROUNDING)
        return np.sort(near[on])
