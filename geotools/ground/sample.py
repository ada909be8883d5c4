"""Ground levels at points, from one elevation raster or a mosaic of many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj

from geotools.errors import LayerError
from geotools.ground.cells import interpolate
from geotools.ground.mosaic import Mosaic
from geotools.ground.notes import Notes
from geotools.ground.places import CELL_ROUNDING, SEAM, Places, aside
from geotools.ground.raster import Raster
from geotools.ground.seams import at_seams
from geotools.ground.unused import Unused, extents
from geotools.intake.findings import Findings
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["GroundSample", "sample_ground"]

COMPARED = 500  # points at most that the levels of two files are compared at


@dataclass(frozen=True)
class GroundSample:
    """Ground levels at points.

    Attributes
    ----------
    z : ndarray, shape (n,)
        Ground level, m; NaN where no raster has a value.
    covered : int
        Points that have a level.
    source : tuple of str
        Names of the files that gave at least one level.
    """

    z: FloatArray
    covered: int
    source: tuple[str, ...]


def sample_ground(
    mosaic: Mosaic,
    xy: FloatArray,
    *,
    crs: pyproj.CRS,
    vertical_unit: str | None,
    findings: Findings,
    must_overlap: bool = True,
    part: bool = False,
) -> GroundSample:
    """Sample ground levels by bilinear interpolation between cell centres.

    Where files overlap, the first of the list with a level wins, whatever its resolution. A point
    that needs a cell without data has no level (NaN). In the outer half cell of a file the level
    is blended with the cells of the files beside it, if they are of one grid; otherwise the level
    of its edge goes on.

    Parameters
    ----------
    mosaic : Mosaic
        The rasters; none gives no level anywhere.
    xy : ndarray, shape (n, 2)
        Points in ``crs``.
    crs : pyproj.CRS
        CRS of the points.
    vertical_unit : str, optional
        Unit of the levels by the brief, a `LevelUnit`, where the file does not say.
    findings : Findings
        Receives what was assumed.
    must_overlap : bool
        Whether it is an error that no raster overlaps the points.
    part : bool
        Whether the points are some of more, for which rasters off them may be meant.

    Raises
    ------
    LayerError
        If a raster cannot be used, contradicts the brief, or none overlaps the points that must.
    """
    places = Places(xy, crs)
    notes = Notes(places.xy, places.crs)
    unused = Unused(mosaic, places)
    asked = _Asked(mosaic, places, vertical_unit, notes, unused)
    source = []
    with mosaic.environment():
        for path in mosaic.paths:
            raster = mosaic.known(path)
            inside = places.inside(raster)
            unused.seen(path, inside)
            if len(inside) and asked.fill(path, inside):
                source.append(raster.name)
    z = asked.z
    if unused.all_off and must_overlap:
        raise LayerError("dem", _no_overlap(mosaic, places))
    notes.hand_over(findings)
    unused.hand_over(z, findings, part=part)
    return GroundSample(z, int(np.count_nonzero(np.isfinite(z))), tuple(source))


class _Asked:
    """The levels of points, filled in file by file.

    ``z`` are the levels so far, m; ``_shared`` tells which of them several files may have
    given together: of these none overlaps the others.
    """

    def __init__(
        self,
        mosaic: Mosaic,
        places: Places,
        vertical_unit: str | None,
        notes: Notes,
        unused: Unused,
    ) -> None:
        self._mosaic = mosaic
        self._places = places
        self._unit = vertical_unit
        self._notes = notes
        self._unused = unused
        self.z = np.full(len(places.xy), np.nan)
        self._shared = np.zeros(len(places.xy), dtype=bool)

    def fill(self, path: str, inside: IntArray) -> bool:
        """Fill the missing levels of points on a raster; tell whether it had any."""
        raster = self._mosaic.open(path)
        unit = self._mosaic.unit(raster, self._unit)
        metres = 1.0 if unit is None else unit.metres
        missing = np.isnan(self.z[inside])
        wanted = inside[missing]
        self._compare(raster, inside[~missing], metres)
        levels = interpolate(raster, self._places.at(raster, wanted), metres=metres)
        self.z[wanted] = levels.z
        self._notes.file(raster, wanted, levels, unit=unit, brief_unit=self._unit)
        self._unused.asked(path, wanted, levels)
        if len(self._mosaic.paths) > 1:
            self._blend(path, raster, wanted)
        return bool(np.isfinite(levels.z).any())

    def _compare(self, raster: Raster, given: IntArray, metres: float) -> None:
        """Note where a raster has points whose level is given, and how far its own is from that."""
        twice = self._places.well_inside(raster, given[~self._shared[given]])
        self._notes.overlap(raster, twice)
        if len(twice):
            some = twice[:: len(twice) // COMPARED + 1]
            again = interpolate(raster, self._places.at(raster, some), metres=metres)
            self._notes.differ(raster, twice, again.z - self.z[some])

    def _blend(self, path: str, raster: Raster, index: IntArray) -> None:
        """Give points in the outer half cell of a raster what it and those beside it have."""
        xy = self._places.at(raster, index)
        outer = aside(raster, xy) < SEAM - CELL_ROUNDING
        if outer.any() and self._mosaic.beside(path):
            some = index[outer]
            self.z[some] = at_seams(self._mosaic, path, xy[outer], self.z[some], self._unit)
            self._shared[some] = np.isfinite(self.z[some])


def _no_overlap(mosaic: Mosaic, places: Places) -> str:
    count = len(mosaic.paths)
    more = f" (and {count - 1} more files)" if count > 1 else ""
    where = extents(mosaic.known(mosaic.paths[0]), places)
    return (
        f"no raster overlaps the mains: {where}{more}; check that it is the DEM of this place and "
        "that the CRS of both are right"
    )
