"""Ground levels as the brief has them read."""

from __future__ import annotations

from collections.abc import Iterator

import pyproj

from geotools.brief import Brief
from geotools.ground.digest import ground_bytes
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings
from geotools.intake.window import Window
from geotools.network.ragged import FloatArray

__all__ = ["ground_levels", "ground_seen", "mosaic_of"]


def mosaic_of(dem: tuple[str, ...], brief: Brief, *, allow_remote: bool) -> Mosaic:
    """Return the elevation rasters of the layers as the brief has them read."""
    return Mosaic(dem, allow_remote=allow_remote, stated_crs=_of_dem(brief)[1])


def ground_levels(
    mosaic: Mosaic,
    crs: pyproj.CRS,
    brief: Brief,
    places: FloatArray,
    findings: Findings,
    *,
    must_overlap: bool = True,
    part: bool = False,
) -> FloatArray:
    """Return the ground levels at places, m, as the brief has them read; NaN where none is.

    ``must_overlap`` and ``part`` are as of `sample_ground`.
    """
    return sample_ground(
        mosaic,
        places,
        crs=crs,
        vertical_unit=_of_dem(brief)[0],
        findings=findings,
        must_overlap=must_overlap,
        part=part,
    ).z


def ground_seen(
    dem: tuple[str, ...], window: Window, brief: Brief, allow_remote: bool
) -> Iterator[bytes]:
    """Yield all that `ground_levels` reads at places in a window, as bytes."""
    unit, stated = _of_dem(brief)
    return ground_bytes(
        dem, window, vertical_unit=unit, allow_remote=allow_remote, stated_crs=stated
    )


def _of_dem(brief: Brief) -> tuple[str | None, str | None]:
    """Return vertical unit and CRS of elevation rasters that do not say, as the brief has them."""
    source = brief.inputs.get("dem")
    unit = brief.ground.vertical_unit or (source.vertical_unit if source else None)
    return unit, source.crs if source else None
