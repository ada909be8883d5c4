"""Sampling of a real elevation model against two independent libraries.

Elevation model: the sample file ``jacksboro_fault_dem.npz`` that matplotlib ships, 344 x 403 levels
in whole metres at 3 seconds of arc. The file does not name its origin; that it is public-domain
data of a United States agency is from memory. Interpolation is compared with
``scipy.ndimage.map_coordinates`` (order 1) and, at cell centres, with rasterio's own ``sample``.
Allowed gap: 1e-6 m, the rounding of coordinates in degrees; 1e-4 m where the points come by way of
another CRS, since a transformation there and back is good to about 1e-9 degrees.
"""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from matplotlib.cbook import get_sample_data
from scipy.ndimage import map_coordinates

from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings

WGS84 = pyproj.CRS(4326)


@pytest.fixture(scope="module")
def jacksboro(tmp_path_factory):
    with get_sample_data("jacksboro_fault_dem.npz") as dem:
        levels = dem["elevation"]
        west, east = float(dem["xmin"]), float(dem["xmax"])
        south, north = sorted((float(dem["ymin"]), float(dem["ymax"])))  # the file swaps them
    rows, columns = levels.shape
    # The file gives a corner and a cell size; how it is placed does not matter for the check.
    transform = Affine((east - west) / columns, 0, west, 0, (south - north) / rows, north)
    path = str(tmp_path_factory.mktemp("dem") / "jacksboro.tif")
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=rows,
        width=columns,
        count=1,
        dtype=levels.dtype,
        crs=WGS84,
        transform=transform,
        tiled=True,
        blockxsize=64,
        blockysize=64,
        nodata=-32768,
    ) as dataset:
        dataset.write(levels, 1)
        dataset.units = ("m",)
    return path, levels, transform


def centres(transform, column, row):
    """Return points from columns and rows counted from cell centres, on an unrotated grid."""
    x = transform.c + transform.a * (np.asarray(column) + 0.5)
    y = transform.f + transform.e * (np.asarray(row) + 0.5)
    return np.column_stack([x, y])


def levels_at(path, xy, crs=WGS84):
    return sample_ground(Mosaic([path]), xy, crs=crs, vertical_unit=None, findings=Findings()).z


def test_levels_agree_with_linear_interpolation_of_scipy(jacksboro):
    path, levels, transform = jacksboro
    random = np.random.default_rng(11)
    row = random.uniform(0, levels.shape[0] - 1, 20_000)
    column = random.uniform(0, levels.shape[1] - 1, 20_000)
    xy = centres(transform, column, row)
    expected = map_coordinates(levels.astype(float), [row, column], order=1)
    assert np.ptp(expected) > 400  # the check would be empty on flat ground
    np.testing.assert_allclose(levels_at(path, xy), expected, atol=1e-6)


def test_levels_at_cell_centres_agree_with_rasterio(jacksboro):
    path, levels, transform = jacksboro
    random = np.random.default_rng(12)
    row = random.integers(0, levels.shape[0], 2000)
    column = random.integers(0, levels.shape[1], 2000)
    xy = centres(transform, column, row)
    with rasterio.open(path) as dataset:
        expected = np.array([v[0] for v in dataset.sample(xy)], dtype=float)
    np.testing.assert_allclose(levels_at(path, xy), expected, atol=1e-6)


def test_levels_agree_when_points_come_in_another_crs(jacksboro):
    path, levels, transform = jacksboro
    random = np.random.default_rng(13)
    row = random.uniform(0, levels.shape[0] - 1, 2000)
    column = random.uniform(0, levels.shape[1] - 1, 2000)
    utm = pyproj.CRS(32616)
    move = pyproj.Transformer.from_crs(WGS84, utm, always_xy=True)
    xy = np.column_stack(move.transform(*centres(transform, column, row).T))
    expected = map_coordinates(levels.astype(float), [row, column], order=1)
    np.testing.assert_allclose(levels_at(path, xy, utm), expected, atol=1e-4)
