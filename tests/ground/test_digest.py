"""What is hashed of the ground: what levels in a window hang on, and nothing else."""

from __future__ import annotations

import hashlib

import numpy as np
import pyproj
import pytest
from affine import Affine

from geotools.ground import digest
from geotools.ground.digest import ground_bytes
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings
from geotools.intake.window import Window

UTM33 = pyproj.CRS(32633)
WEST, NORTH = 500_000.0, 5_000_000.0
SHAPE = 80, 120  # rows and columns of 10 m
WINDOW = Window((WEST + 300, NORTH - 500, WEST + 600, NORTH - 200), UTM33)  # rows 20 on, columns 30


def ground():
    return np.add.outer(np.arange(SHAPE[0]) * 1.0, np.arange(SHAPE[1]) * 2.0).astype("float32")


def seen(*paths, window=WINDOW, unit=None):
    total = hashlib.sha256()
    for piece in ground_bytes(paths, window, vertical_unit=unit):
        total.update(piece)
    return total.hexdigest()


def levels(path, xy):
    found = sample_ground(Mosaic([path]), xy, crs=UTM33, vertical_unit=None, findings=Findings())
    return found.z


def test_a_cell_counts_wherever_a_level_in_the_window_hangs_on_it(write_dem):
    """Every level of a grid of points in the window, its corners among them, is asked."""
    west, south, east, north = WINDOW.bounds
    x, y = np.meshgrid(np.linspace(west, east, 40), np.linspace(south, north, 40))
    points = np.column_stack([x.ravel(), y.ravel()])
    path = write_dem(ground())
    before, z = seen(path), levels(path, points)
    moved = 0
    for row, column in [(r, c) for r in range(15, 56) for c in (25, 29, 45, 60, 64)]:
        changed = ground()
        changed[row, column] += 7.0
        write_dem(changed)
        if not np.array_equal(levels(path, points), z):
            moved += 1
            assert seen(path) != before, (row, column)
    assert moved > 60


@pytest.mark.parametrize("place", [(0, 0), (10, 45), (79, 119), (35, 100)])
def test_a_cell_far_from_the_window_counts_for_nothing(write_dem, place):
    before = seen(write_dem(ground()))
    changed = ground()
    changed[place] = -9999.0
    assert seen(write_dem(changed)) == before


def test_it_does_not_matter_how_a_file_is_laid_out_nor_read(write_dem, monkeypatch):
    before = seen(write_dem(ground()))
    tiled = {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "deflate"}
    assert seen(write_dem(ground(), **tiled)) == before
    assert seen(write_dem(ground()), write_dem(ground(), name="far.tif", transform=far())) == before


def far():
    return Affine(10.0, 0, WEST + 5000, 0, -10.0, NORTH)


@pytest.mark.parametrize(
    "told",
    [
        {"unit": "ft"},
        {"unit": None},
        {"scale": 2.0},
        {"offset": 1.0},
        {"nodata": 100.0},
        {"nodata": None},
        {"name": "other.tif"},
        {"transform": Affine(10.0, 0, WEST + 1, 0, -10.0, NORTH)},
        {"crs": "EPSG:25833"},
        {"dtype": "float64"},
        {"mask": np.zeros(SHAPE, dtype="uint8"), "nodata": None},
    ],
    ids=repr,
)
def test_what_a_file_says_of_its_cells_counts(write_dem, told):
    before = seen(write_dem(ground()))
    dtype = told.pop("dtype", "float32")
    assert seen(write_dem(ground().astype(dtype), **told)) != before


def test_a_mask_and_the_unit_of_the_brief_and_the_order_of_files_count(write_dem):
    mask = np.full(SHAPE, 255, dtype="uint8")
    path = write_dem(ground(), mask=mask, nodata=None)
    before = seen(path)
    assert seen(path, unit="ft") != before
    mask[35, 45] = 0
    assert seen(write_dem(ground(), mask=mask, nodata=None)) != before
    two = write_dem(ground() + 1, name="two.tif")
    assert seen(path, two) != seen(two, path)


def test_where_the_brief_gives_a_unit_it_counts_whether_some_file_says_none(write_dem):
    """Then the brief does not contradict the others: far off it decides of an error here."""
    path = write_dem(ground())
    both = [path, write_dem(ground(), name="far.tif", transform=far())]
    told, plain = seen(*both, unit="ft"), seen(*both)
    write_dem(ground(), name="far.tif", transform=far(), unit=None)
    assert seen(*both, unit="ft") != told
    assert seen(*both) == plain


def test_a_window_wider_than_what_is_read_at_once_is_read_in_strips(write_dem, monkeypatch):
    tiled = {"tiled": True, "blockxsize": 16, "blockysize": 16}
    path = write_dem(ground(), **tiled)
    wide = Window((WEST - 50, NORTH - 900, WEST + 1500, NORTH + 50), UTM33)
    parts = list(ground_bytes([path], wide, vertical_unit=None))
    monkeypatch.setattr(digest, "WINDOW_CELLS", 16 * 120)
    strips = list(ground_bytes([path], wide, vertical_unit=None))
    assert len(strips) == len(parts) + 4  # 80 rows, 16 at a time
    assert b"".join(strips) == b"".join(parts)
    assert b"".join(parts).endswith(ground().tobytes())


def test_a_window_in_another_crs_is_seen_whole(write_dem):
    corners = pyproj.Transformer.from_crs(32633, 4326, always_xy=True).transform_bounds(
        *WINDOW.bounds
    )
    window = Window(corners, pyproj.CRS(4326))
    before = seen(write_dem(ground()), window=window)
    for place in ((20, 30), (49, 59)):
        changed = ground()
        changed[place] += 1.0
        assert seen(write_dem(changed), window=window) != before


def test_a_file_that_cannot_be_read_counts_by_why(write_dem, tmp_path):
    path = write_dem(ground())
    before = seen(path)
    (tmp_path / "dem.tif").write_bytes((tmp_path / "dem.tif").read_bytes()[:20_000])
    assert seen(path) != before
    (tmp_path / "dem.tif").unlink()
    assert seen(path) not in (before, seen())
