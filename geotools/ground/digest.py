"""What a window of the elevation rasters holds, as bytes: for a hash that tells if it changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import pyproj
import rasterio.windows

from geotools.errors import LayerError
from geotools.ground.raster import (
    WINDOW_CELLS,
    Raster,
    open_raster,
    read_mask,
    read_window,
)
from geotools.intake.dem import stated_raster_crs
from geotools.intake.environment import raster_environment
from geotools.intake.window import Window

__all__ = ["ground_bytes"]

BESIDE = 2  # cells read beyond a window: a level there takes the four cells around a point


def ground_bytes(
    paths: Sequence[str],
    window: Window,
    *,
    vertical_unit: str | None,
    allow_remote: bool = False,
    stated_crs: str | None = None,
) -> Iterator[bytes]:
    """Yield all that `sample_ground` gives points in a window, and what it tells of them.

    Of every raster with cells there: its name, place, unit and marks of no data, and the cells as
    stored, all of them, also where no level is asked for. What cannot be read counts by why it
    cannot; whoever samples the levels is told it. Where the brief gives a unit it counts, too,
    whether any raster, wherever it lies, says none: then it is no contradiction to others.

    Parameters
    ----------
    paths, vertical_unit, allow_remote, stated_crs
        As of `sample_ground`.
    window : Window
    """
    yield repr(vertical_unit).encode()
    stated = stated_raster_crs(stated_crs)
    silent = False
    with raster_environment(allow_remote=allow_remote):
        for path in dict.fromkeys(paths):
            try:
                with open_raster(path, allow_remote=allow_remote, stated_crs=stated) as raster:
                    silent |= not raster.units
                    yield from _seen(raster, window)
            except LayerError as error:
                yield str(error).encode()
    if vertical_unit is not None:
        yield repr(silent).encode()


def _seen(raster: Raster, window: Window) -> Iterator[bytes]:
    """Yield what a raster says of itself and its cells in a window; nothing if it has none."""
    part = _part(raster, window)
    if part is None:
        return
    yield repr(_about(raster)).encode()
    yield repr(part).encode()
    for strip in _strips(raster, part):
        try:
            yield np.ascontiguousarray(read_window(raster, strip)).tobytes()
            if raster.masked:
                yield np.ascontiguousarray(read_mask(raster, strip)).tobytes()
        except LayerError as error:
            yield str(error).encode()


def _about(raster: Raster) -> tuple[object, ...]:
    """Return all but the cells that a level or a finding about it hangs on."""
    return (
        raster.name,
        raster.wkt,
        raster.inverse,
        raster.next_cell,
        raster.units,
        raster.dtype.name,
        raster.bands,
        repr(raster.nodata),
        raster.masked,
        raster.scale,
        raster.offset,
    )


def _part(raster: Raster, window: Window) -> rasterio.windows.Window | None:
    """Return the cells in a window, all where it cannot be told which; None if there are none."""
    rows, columns = raster.shape
    try:
        bounds = window.bounds_in(raster.crs)
    except pyproj.exceptions.ProjError:
        bounds = None
    if bounds is None:
        return rasterio.windows.Window(0, 0, columns, rows)
    low_x, low_y, high_x, high_y = bounds
    corners = np.array([(x, y) for x in (low_x, high_x) for y in (low_y, high_y)])
    (left, right), (top, bottom) = (
        np.clip([at.min() - BESIDE, at.max() + BESIDE], 0, count).round().astype(int)
        for at, count in zip(raster.cells(corners), (columns, rows), strict=True)
    )
    if left >= right or top >= bottom:
        return None
    return rasterio.windows.Window(left, top, right - left, bottom - top)


def _strips(raster: Raster, part: rasterio.windows.Window) -> Iterator[rasterio.windows.Window]:
    """Yield a window in strips of whole rows of blocks, each small enough to be held."""
    high, _ = raster.block
    step = max(high, WINDOW_CELLS // part.width // high * high)
    top, end = part.row_off, part.row_off + part.height
    cuts = [top, *range((top // step + 1) * step, end, step), end]
    for first, last in pairwise(cuts):
        yield rasterio.windows.Window(part.col_off, first, part.width, last - first)
