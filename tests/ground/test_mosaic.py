"""Elevation rasters of many tiles: opened when asked for, few at a time, the same in any thread."""

import weakref
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from rasterio.transform import Affine

from geotools.errors import LayerError
from geotools.ground import mosaic as mosaic_module
from geotools.ground import raster
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings

UTM33 = pyproj.CRS(32633)
WEST, NORTH, CELL, CELLS = 500_000.0, 5_000_000.0, 10.0, 8


def tiles(folder, across):
    """Write across x across tiles of the plane z = 100 + x / 10 + y / 20, x and y from a corner."""
    paths = []
    for column in range(across):
        for row in range(across):
            x = (column * CELLS + np.arange(CELLS) + 0.5) * CELL
            y = -(row * CELLS + np.arange(CELLS) + 0.5) * CELL
            place = Affine(
                CELL, 0, WEST + column * CELLS * CELL, 0, -CELL, NORTH - row * CELLS * CELL
            )
            path = folder / f"t{column}_{row}.tif"
            with rasterio.open(
                path, "w", "GTiff", CELLS, CELLS, 1, "EPSG:32633", place, "float64", nodata=-9999
            ) as file:
                file.write(100 + x / 10 + y[:, None] / 20, 1)
                file.set_band_unit(1, "m")
            paths.append(str(path))
    return paths


def places(across, count, seed):
    """Return places on the tiles, in half a cell from no seam, and their levels on the plane."""
    rng = np.random.default_rng(seed)
    tile = rng.integers(0, across, (count, 2)) * CELLS * CELL
    xy = tile + rng.uniform(CELL / 2, (CELLS - 0.5) * CELL, (count, 2))
    level = 100 + xy[:, 0] / 10 - xy[:, 1] / 20
    return xy * [1, -1] + [WEST, NORTH], level


def levels(read, xy, **more):
    return sample_ground(read, xy, crs=UTM33, vertical_unit=None, findings=Findings(), **more).z


def counted(monkeypatch):
    """Count the files that are opened from now on."""
    count = {"opened": 0}
    plain = rasterio.open

    def counting(*args, **kwargs):
        count["opened"] += 1
        return plain(*args, **kwargs)

    monkeypatch.setattr(raster.rasterio, "open", counting)
    return count


def test_a_tile_is_opened_once_however_often_it_is_asked(tmp_path, monkeypatch):
    read = Mosaic(tiles(tmp_path, 3))
    count = counted(monkeypatch)
    for seed in range(5):
        xy, level = places(3, 200, seed)
        np.testing.assert_allclose(levels(read, xy), level, rtol=0, atol=1e-9)
    assert count["opened"] == 9


def test_tiles_beside_the_places_are_not_opened_again(tmp_path, monkeypatch):
    read = Mosaic(tiles(tmp_path, 3))
    xy, level = places(3, 200, 0)
    levels(read, xy)
    monkeypatch.setattr(mosaic_module, "KEPT_OPEN", 1)
    first = (xy[:, 0] < WEST + CELLS * CELL) & (xy[:, 1] > NORTH - CELLS * CELL)
    with ThreadPoolExecutor(1) as pool:  # a thread that has none open
        count = counted(monkeypatch)
        z = pool.submit(levels, read, xy[first]).result()
    np.testing.assert_allclose(z, level[first], rtol=0, atol=1e-9)
    assert count["opened"] == 1


def test_more_tiles_than_may_be_open_are_read_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(mosaic_module, "KEPT_OPEN", 2)
    monkeypatch.setattr(mosaic_module, "processors", lambda: 1)
    read = Mosaic(tiles(tmp_path, 4))
    for seed in range(2):
        xy, level = places(4, 500, seed)
        np.testing.assert_allclose(levels(read, xy), level, rtol=0, atol=1e-9)
    still = [tile for tile in read._kept.open.values() if not tile.dataset.closed]
    assert len(still) == len(read._kept.open) == 2


def test_threads_read_the_same_levels(tmp_path):
    read = Mosaic(tiles(tmp_path, 4))
    asked = [places(4, 2_000, seed) for seed in range(16)]
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda one: levels(read, one[0]), asked))
    for z, (_, level) in zip(found, asked, strict=True):
        np.testing.assert_allclose(z, level, rtol=0, atol=1e-9)


def test_places_off_all_tiles_are_an_error_only_where_they_must_be_on_one(tmp_path):
    read = Mosaic(tiles(tmp_path, 2))
    away = np.array([[WEST - 1e4, NORTH]])
    with pytest.raises(LayerError, match=r"no raster overlaps the mains.* \(and 3 more files\)"):
        levels(read, away)
    assert np.isnan(levels(read, away, must_overlap=False)).all()


def test_a_damaged_tile_is_an_error_also_beside_the_runs(tmp_path):
    """Places beside the runs may lie off all tiles; a tile that cannot be read is told."""
    path = tiles(tmp_path, 1)[0]
    with Path(path).open("r+b") as file:
        file.truncate(300)
    xy, _ = places(1, 10, 0)
    with pytest.raises(LayerError, match=r"t0_0\.tif"):
        levels(Mosaic([path]), xy, must_overlap=False)


def test_files_are_closed_with_the_thread_that_opened_them(tmp_path):
    read = Mosaic(tiles(tmp_path, 3))
    xy, _ = places(3, 200, 0)
    opened = []
    with ThreadPoolExecutor(1) as pool:
        pool.submit(levels, read, xy).result()
        opened += pool.submit(lambda: [one.dataset for one in read._kept.open.values()]).result()
    assert len(opened) == 9
    refs = [weakref.ref(dataset) for dataset in opened]
    opened.clear()
    assert not [ref for ref in refs if ref() is not None]
