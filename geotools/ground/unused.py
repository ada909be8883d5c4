"""Elevation rasters that give no level at all, told where that is not to be expected."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geotools.ground.cells import Levels
from geotools.ground.mosaic import Mosaic
from geotools.ground.notes import NAMED, box_around
from geotools.ground.places import Places
from geotools.ground.raster import Raster
from geotools.intake.findings import Findings
from geotools.lists import listed
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["Unused", "extents"]

# Share of all places. A file asked at as many that gives none is no tile with a gap at its rim.
MANY = 0.5


class Unused:
    """Which rasters give levels, which are asked in vain, and which lie off all places.

    Of tiles of one kind, with cells of one size in one CRS, some do: others lie elsewhere, or are
    met at a rim without data. They are told where none of their kind gives a level, or where one is
    missing in the end.
    """

    def __init__(self, mosaic: Mosaic, places: Places) -> None:
        self._mosaic = mosaic
        self._places = places
        self._on = np.zeros(len(places.xy), dtype=bool)  # whether a place lies on any file
        self._gave: list[str] = []
        self._off: list[str] = []
        self._vain: dict[str, IntArray] = {}  # with the places they were asked for

    @property
    def all_off(self) -> bool:
        """Whether there are places, and rasters, and none of either meet."""
        return len(self._on) > 0 and len(self._off) == len(self._mosaic.paths) > 0

    def seen(self, path: str, inside: IntArray) -> None:
        """Note the places that lie on a raster."""
        self._on[inside] = True
        if len(inside) == 0:
            self._off.append(path)

    def asked(self, path: str, index: IntArray, levels: Levels) -> None:
        """Note what a raster gives of places on it that had no level.

        One that holds what no ground has is told of as such.
        """
        if np.isfinite(levels.z).any():
            self._gave.append(path)
        elif len(index) and not levels.strange.any():
            self._vain[path] = index

    def hand_over(self, z: FloatArray, findings: Findings, *, part: bool) -> None:
        """Add the findings.

        Parameters
        ----------
        z : ndarray, shape (n,)
            The levels of all places in the end; NaN where there is none.
        findings : Findings
        part : bool
            Whether these are some of all places; of rasters off them nothing is told then.
        """
        if not (self._off or self._vain) or len(z) == 0:
            return
        lost = np.isnan(z)
        told = {
            path: index
            for path, index in self._vain.items()
            if self._of_no_use(path) or len(index) >= MANY * len(z) or lost[index].any()
        }
        if told:
            self._tell_vain(told, findings)
        bare = bool((lost & ~self._on).any())
        off = [path for path in self._off if bare or self._of_no_use(path)]
        if off and not part:
            self._tell_off(off, findings, severe=bare or off[0] == self._mosaic.paths[0])

    def _of_no_use(self, path: str) -> bool:
        """Tell whether no raster of the kind of one gives a level."""
        kind = self._mosaic.kind(path)
        return all(self._mosaic.kind(other) != kind for other in self._gave)

    def _tell_vain(self, told: dict[str, IntArray], findings: Findings) -> None:
        index = np.unique(np.concatenate(list(told.values())))
        findings.add(
            "warning",
            "dem-empty",
            f"{_subject(len(told))} no level: {_they(len(told), 'holds', 'hold')} no data wherever "
            "levels were looked up in it; look whether it is the DEM of this place and its nodata "
            f"value is right, otherwise leave it out ({len(index)} stations concerned)",
            layer="dem",
            feature=self._names(list(told)),
            geometry=box_around(self._places.xy[index]),
        )

    def _tell_off(self, paths: Sequence[str], findings: Findings, *, severe: bool) -> None:
        where = extents(self._mosaic.known(paths[0]), self._places)
        findings.add(
            "warning" if severe else "info",
            "dem-off-mains",
            f"{_subject(len(paths))} no level: {_they(len(paths), 'does', 'do')} not overlap the "
            f"mains ({where}); check that coordinates and CRS are right, or leave it out",
            layer="dem",
            feature=self._names(paths),
        )

    def _names(self, paths: Sequence[str]) -> str:
        return listed([self._mosaic.known(path).name for path in paths], most=NAMED)


def _subject(count: int) -> str:
    return "the file gives" if count == 1 else f"these {count} files give"


def _they(count: int, one: str, many: str) -> str:
    return f"it {one}" if count == 1 else f"they {many}"


def extents(raster: Raster, places: Places) -> str:
    """Return in words where a raster lies and where the places."""
    west, south, east, north = places.extent(raster)
    left, bottom, right, top = raster.bounds
    return (
        f"in {raster.crs.name!r} {raster.name} covers x {left:.8g} to {right:.8g}, "
        f"y {bottom:.8g} to {top:.8g}, the mains x {west:.8g} to {east:.8g}, "
        f"y {south:.8g} to {north:.8g}"
    )
