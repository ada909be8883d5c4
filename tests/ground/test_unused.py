"""Files of a DEM that give no level at all: which are told, and how gravely."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from affine import Affine

from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings

WEST, NORTH = 500_000.0, 5_000_000.0
LEVELS = np.full((6, 8), 100.0)
GAP = np.full((6, 8), -9999.0)
FINE = Affine(5, 0, WEST, 0, -5, NORTH)
FAR = Affine(10, 0, WEST + 1e4, 0, -10, NORTH)
FAR_FINE = Affine(5, 0, WEST + 1e4, 0, -5, NORTH)


def told(paths, xy, *, part=False):
    """Return rule, severity and files of what is told of files without levels."""
    findings = Findings()
    crs = pyproj.CRS(32633)
    sample_ground(Mosaic(paths), xy, crs=crs, vertical_unit=None, findings=findings, part=part)
    table = findings.table()
    table = table[table["rule"].isin(["dem-off-mains", "dem-empty"])]
    return list(table[["rule", "severity", "feature"]].itertuples(index=False, name=None))


def test_the_first_file_is_told_if_it_overlaps_no_main_and_no_file_of_its_kind_does(write_dem, at):
    near = write_dem(LEVELS, name="near.tif")
    far = write_dem(LEVELS, name="far.tif", transform=FAR_FINE)
    assert told([far, near], at((2, 3))) == [("dem-off-mains", "warning", "far.tif")]
    # named behind one that covers every place, it may be meant for others
    assert told([near, far], at((2, 3))) == [("dem-off-mains", "info", "far.tif")]
    assert told([far, near], at((2, 3)), part=True) == []


def test_tiles_that_lie_elsewhere_are_told_only_where_a_place_is_on_none(write_dem, at):
    near = write_dem(LEVELS, name="near.tif")
    far = [
        write_dem(LEVELS, name=f"far{k}.tif", transform=FAR @ Affine.translation(0, 9 * k))
        for k in range(7)
    ]
    assert told([*far, near], at((2, 3))) == []
    named = ", ".join(f"far{k}.tif" for k in range(5)) + " and 2 more"
    assert told([near, *far], at((2, 3), (2, 30))) == [("dem-off-mains", "warning", named)]
    assert told([near, *far], at((2, 3), (2, 30)), part=True) == []


@pytest.mark.parametrize("cells", [None, FINE])
@pytest.mark.parametrize("part", [False, True])
def test_a_file_without_data_wherever_mains_are_is_told(write_dem, at, cells, part):
    near = write_dem(LEVELS, name="near.tif")
    place = {} if cells is None else {"transform": cells}
    empty = write_dem(GAP, name="empty.tif", **place)
    places = at((1, 1), (2, 2), (4, 5))
    assert told([empty, near], places, part=part) == [("dem-empty", "warning", "empty.tif")]
    assert told([empty], places, part=part) == [("dem-empty", "warning", "empty.tif")]
    assert told([near, empty], places, part=part) == []  # not asked for any level


def test_a_tile_met_at_its_rim_without_data_is_told_only_where_a_level_is_lacking(write_dem, at):
    half = LEVELS.copy()
    half[:, :4] = -9999.0
    rim = write_dem(half, name="rim.tif", transform=Affine(10, 0, WEST + 60, 0, -10, NORTH))
    near = write_dem(LEVELS, name="near.tif")
    covered = at((1, 1), (2, 2), (4, 5), (2, 7))
    assert told([rim, near], covered) == []
    assert told([rim, near], at((1, 1), (2, 2), (4, 5), (2, 8.0))) == [
        ("dem-empty", "warning", "rim.tif")
    ]


def test_what_is_told_of_a_file_says_where_it_lies_and_where_the_mains(write_dem, at):
    findings = Findings()
    files = [
        write_dem(LEVELS, name="far.tif", transform=FAR_FINE),
        write_dem(LEVELS, name="near.tif"),
    ]
    crs = pyproj.CRS(32633)
    sample_ground(Mosaic(files), at((2, 3)), crs=crs, vertical_unit=None, findings=findings)
    (text,) = findings.table()["text"]
    assert text.startswith("the file gives no level: it does not overlap the mains")
    assert "far.tif covers x 510000 to 510040" in text
    assert "the mains x 500035 to 500035" in text
