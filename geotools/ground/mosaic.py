"""The elevation rasters of a plan: what each says of itself, and a few kept open for more."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from geotools.accel import processors
from geotools.ground.neighbours import Grids, Neighbour
from geotools.ground.raster import Raster, checked_raster, opened
from geotools.ground.vertical import VerticalUnit, resolve_unit
from geotools.intake.dem import stated_raster_crs
from geotools.intake.environment import raster_environment

__all__ = ["Mosaic"]

# Files kept open by all threads together: far from what systems allow a process. What lies
# together is planned together, so the next question is mostly of the same tiles; opened anew each
# time, a city of 400 tiles took six times as long as of one file.
KEPT_OPEN = 128


class Mosaic:
    """Elevation rasters, opened once for what they say and again only where cells are read.

    A dataset belongs to the thread that opened it; each thread keeps its last few open.

    Parameters
    ----------
    paths : sequence of str
        Rasters, any CRS, rotation or type, the best first.
    allow_remote : bool
        Whether they may lie elsewhere than on this machine.
    stated_crs : str, optional
        CRS by the brief of the files that do not say.
    """

    def __init__(
        self, paths: Sequence[str], *, allow_remote: bool = False, stated_crs: str | None = None
    ) -> None:
        self.paths = tuple(dict.fromkeys(paths))
        self._allow_remote = allow_remote
        self._stated = stated_raster_crs(stated_crs)
        self._known: dict[str, Raster] = {}
        self._grids: Grids | None = None
        self._beside: dict[str, tuple[Neighbour, ...]] = {}
        self._kinds: dict[str, int] = {}
        self._silent: bool | None = None
        self._kept = threading.local()

    def environment(self) -> Any:
        """Return the GDAL settings under which the rasters are read."""
        return raster_environment(allow_remote=self._allow_remote)

    def known(self, path: str) -> Raster:
        """Return what a raster says of itself; no cells are read of it.

        Raises
        ------
        LayerError
            If it cannot be used, as of `checked_raster`.
        """
        if path not in self._known:
            self.open(path)
        return self._known[path]

    def unit(self, raster: Raster, brief_unit: str | None) -> VerticalUnit | None:
        """Return the unit of a raster's levels, the brief's where it says none; None if none does.

        Raises
        ------
        LayerError
            As of `resolve_unit`, or if one of all cannot be used, as of `checked_raster`.
        """
        return resolve_unit(
            raster.units,
            brief_unit,
            raster.name,
            unread=raster.unread,
            for_others=brief_unit is not None and self._some_say_none(),
        )

    def _some_say_none(self) -> bool:
        """Tell whether a raster does not say the unit of its levels, or none that is known."""
        if self._silent is None:
            self._silent = not all(self.known(path).units for path in self.paths)
        return self._silent

    def beside(self, path: str) -> tuple[Neighbour, ...]:
        """Return which rasters of its grid touch or overlap one, as they stand in the list.

        Raises
        ------
        LayerError
            If one of all cannot be used, as of `checked_raster`.
        """
        if path not in self._beside:
            self._beside[path] = self._all_grids().beside(self.paths.index(path))
        return self._beside[path]

    def kind(self, path: str) -> int:
        """Return a number that rasters with cells of one size and direction in one CRS share.

        Raises
        ------
        LayerError
            If one of all cannot be used, as of `checked_raster`.
        """
        if not self._kinds:
            self._kinds = dict(zip(self.paths, self._all_grids().kinds().tolist(), strict=True))
        return self._kinds[path]

    def _all_grids(self) -> Grids:
        if self._grids is None:
            self._grids = Grids([self.known(one) for one in self.paths])
        return self._grids

    def open(self, path: str) -> Raster:
        """Return a raster open for reading in this thread, until it has opened many others.

        Raises
        ------
        LayerError
            If it cannot be used, as of `checked_raster`.
        """
        kept: OrderedDict[str, Raster] = self._kept.__dict__.setdefault("open", OrderedDict())
        if path not in kept:
            kept[path] = self._opened(path)
            if len(kept) > max(KEPT_OPEN // processors(), 1):
                _, oldest = kept.popitem(last=False)
                oldest.dataset.close()
        kept.move_to_end(path)
        return kept[path]

    def _opened(self, path: str) -> Raster:
        dataset = opened(path, allow_remote=self._allow_remote)
        if path not in self._known:
            known = checked_raster(dataset, path, self._stated)
            self._known[path] = replace(known, dataset=None)  # or it would stay open here
        return replace(self._known[path], dataset=dataset)
