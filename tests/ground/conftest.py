"""Small rasters made on the spot."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import rasterio
from affine import Affine

WEST, NORTH = 500_000.0, 5_000_000.0


@pytest.fixture
def write_dem(tmp_path: Path) -> Callable[..., str]:
    """Write an array as a GeoTIFF and return its path; metres and nodata -9999 unless told."""

    def write(
        values: npt.NDArray[Any],
        *,
        name: str = "dem.tif",
        unit: str | None = "m",
        scale: float | None = None,
        offset: float | None = None,
        mask: npt.NDArray[Any] | None = None,
        **profile: Any,
    ) -> str:
        bands = values if values.ndim == 3 else values[None]
        settings = {
            "driver": "GTiff",
            "count": len(bands),
            "height": bands.shape[1],
            "width": bands.shape[2],
            "dtype": bands.dtype,
            "crs": "EPSG:32633",
            "transform": Affine(10.0, 0, WEST, 0, -10.0, NORTH),
            "nodata": -9999,
            **profile,
        }
        path = str(tmp_path / name)
        with (
            rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
            rasterio.open(path, "w", **settings) as dataset,
        ):
            dataset.write(bands)
            if unit is not None:
                dataset.units = (unit,) * len(bands)
            if scale is not None:
                dataset.scales = (scale,) * len(bands)
            if offset is not None:
                dataset.offsets = (offset,) * len(bands)
            if mask is not None:
                dataset.write_mask(mask)
        return path

    return write


def centre(row: float, column: float) -> tuple[float, float]:
    """Return x, y of a cell centre of the unrotated 10 m grid."""
    return WEST + 10 * (column + 0.5), NORTH - 10 * (row + 0.5)


@pytest.fixture
def at() -> Callable[..., npt.NDArray[np.float64]]:
    """Turn (row, column) pairs, counted from cell centres, into points."""
    return lambda *cells: np.array([centre(*cell) for cell in cells])
