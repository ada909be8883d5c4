"""Levels where tiles meet: the same as of one raster of all of them, by scipy and by GDAL."""

from __future__ import annotations

import itertools

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from geotools.ground import cells, seams
from geotools.ground.digest import ground_bytes
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings
from geotools.intake.window import Window

UTM33 = pyproj.CRS(32633)
WEST, NORTH, CELL = 500_000.0, 5_000_000.0, 30.0
HIGH, WIDE = 24, 30  # cells of the whole ground


def ground(seed=0):
    return np.random.default_rng(seed).uniform(100.0, 140.0, (HIGH, WIDE))


def placed(row, column, cell=CELL):
    return Affine(cell, 0, WEST + column * cell, 0, -cell, NORTH - row * cell)


def write(path, values, transform, *, crs="EPSG:32633", nodata=-9999.0, unit="m"):
    rows, columns = values.shape
    with rasterio.open(
        path, "w", "GTiff", columns, rows, 1, crs, transform, values.dtype, nodata=nodata
    ) as file:
        file.write(values, 1)
        file.units = (unit,)
    return str(path)


def tiles(folder, values, rows, columns, *, shared=0, turn=0.0):
    """Write a ground cut at these rows and columns; each tile has ``shared`` cells of the next."""
    paths = []
    for (top, low), (left, right) in itertools.product(
        itertools.pairwise((0, *rows, HIGH)), itertools.pairwise((0, *columns, WIDE))
    ):
        part = values[top : low + shared, left : right + shared]
        place = Affine.rotation(turn, (WEST, NORTH)) @ placed(top, left)
        paths.append(write(folder / f"t{top}_{left}.tif", part, place))
    return paths


def levels(paths, xy, *, crs=UTM33, findings=None):
    told = Findings() if findings is None else findings
    read = Mosaic(list(paths))
    return sample_ground(read, np.asarray(xy), crs=crs, vertical_unit=None, findings=told).z


def exact(values, column, row):
    """Return levels at columns and rows counted from cell centres, by scipy; the edge goes on."""
    read = RegularGridInterpolator((np.arange(HIGH), np.arange(WIDE)), values)
    return read(np.column_stack([np.clip(row, 0, HIGH - 1), np.clip(column, 0, WIDE - 1)]))


def spots(seed, count=3000):
    """Return columns and rows from cell centres, anywhere on the ground, some on its corners."""
    random = np.random.default_rng(seed)
    at = random.uniform([-0.5, -0.5], [WIDE - 0.5, HIGH - 0.5], (count, 2))
    at[::5] = np.round(at[::5] * 2) / 2
    return at[:, 0].clip(-0.5, WIDE - 0.5), at[:, 1].clip(-0.5, HIGH - 0.5)


def points(column, row, turn=0.0):
    x, y = WEST + (column + 0.5) * CELL, NORTH - (row + 0.5) * CELL
    return np.column_stack(Affine.rotation(turn, (WEST, NORTH)) @ (x, y))


@pytest.mark.parametrize("shared", [0, 1, 3])
@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_tiles_give_the_levels_of_their_cells_as_one_raster_in_any_order(tmp_path, shared, turn):
    values = ground()
    paths = tiles(tmp_path, values, (7, 15), (9, 10, 22), shared=shared, turn=turn)
    column, row = spots(1)
    for order in (paths, paths[::-1], paths[5:] + paths[:5]):
        findings = Findings()
        z = levels(order, points(column, row, turn), findings=findings)
        np.testing.assert_allclose(z, exact(values, column, row), rtol=0, atol=1e-6)
        rules = set(findings.table()["rule"])
        assert rules == ({"dem-overlap"} if shared > 1 else set())


ETRS33 = pyproj.CRS(25833)
SPELT = [
    ETRS33.to_wkt("WKT1_ESRI"),
    "EPSG:5556",  # with heights
    "EPSG:3045",  # north before east
    "+proj=utm +zone=33 +ellps=GRS80 +units=m +no_defs",
    "+proj=utm +zone=33 +ellps=GRS80 +towgs84=0,0,0,0,0,0,0 +units=m +no_defs",
]


@pytest.mark.parametrize("spelt", SPELT)
def test_tiles_of_one_grid_are_read_as_one_raster_however_their_crs_is_spelt(tmp_path, spelt):
    values = ground()
    one = write(tmp_path / "west.tif", values[:, :14], placed(0, 0), crs="EPSG:25833")
    two = write(tmp_path / "east.tif", values[:, 14:], placed(0, 14), crs=pyproj.CRS(spelt))
    column, row = spots(1)
    for order in ([one, two], [two, one]):
        z = levels(order, points(column, row), crs=ETRS33)
        np.testing.assert_allclose(z, exact(values, column, row), rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    "other", ["EPSG:32633", "EPSG:25832", "+proj=utm +zone=33 +ellps=GRS80 +towgs84=9,0,0"]
)
def test_tiles_in_other_crs_are_not_of_one_grid_though_their_numbers_are(tmp_path, other):
    values = ground()
    one = write(tmp_path / "west.tif", values[:, :14], placed(0, 0), crs="EPSG:25833")
    two = write(tmp_path / "east.tif", values[:, 14:], placed(0, 14), crs=pyproj.CRS(other))
    assert Mosaic([one, two]).beside(one) == ()


def test_tiles_give_the_levels_of_a_virtual_raster_of_them(tmp_path):
    paths = tiles(tmp_path, ground(), (8,), (11, 20))
    whole = str(tmp_path / "whole.vrt")
    rasters = [rasterio.open(path) for path in paths]
    west, top = WEST, NORTH
    sources = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{path.split("/")[-1]}</SourceFilename>'
        f'<SourceBand>1</SourceBand><SrcRect xOff="0" yOff="0" xSize="{one.width}" '
        f'ySize="{one.height}"/>'
        f'<DstRect xOff="{(one.transform.c - west) / CELL}" yOff="{(top - one.transform.f) / CELL}"'
        f' xSize="{one.width}" ySize="{one.height}"/></SimpleSource>'
        for path, one in zip(paths, rasters, strict=True)
    )
    (tmp_path / "whole.vrt").write_text(
        f'<VRTDataset rasterXSize="{WIDE}" rasterYSize="{HIGH}"><SRS>EPSG:32633</SRS>'
        f"<GeoTransform>{WEST},{CELL},0,{NORTH},0,{-CELL}</GeoTransform>"
        '<VRTRasterBand dataType="Float64" band="1"><NoDataValue>-9999</NoDataValue>'
        f"<UnitType>m</UnitType>{sources}</VRTRasterBand></VRTDataset>"
    )
    for one in rasters:
        one.close()
    xy = points(*spots(2))
    np.testing.assert_allclose(levels(paths, xy), levels([whole], xy), rtol=0, atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    rows=st.sets(st.integers(1, HIGH - 2), max_size=4),
    columns=st.sets(st.integers(1, WIDE - 2), max_size=4),
    shared=st.integers(0, 2),
    seed=st.integers(0, 1000),
)
def test_however_a_ground_is_cut_the_levels_are_the_same(
    rows, columns, shared, seed, tmp_path_factory
):
    """Also into tiles of one row or one column of cells."""
    values = ground(seed)
    folder = tmp_path_factory.mktemp("tiles")
    paths = tiles(folder, values, sorted(rows), sorted(columns), shared=shared)
    np.random.default_rng(seed).shuffle(paths)
    column, row = spots(seed, 400)
    z = levels(paths, points(column, row))
    np.testing.assert_allclose(z, exact(values, column, row), rtol=0, atol=1e-7)


def test_a_street_over_a_seam_rises_as_the_plane_it_lies_on(tmp_path):
    """6 % over tiles of 30 m: one cell's rise at the seam would be a step of 1.8 m."""
    column = np.arange(WIDE)
    values = np.tile(100 + 0.06 * CELL * column, (HIGH, 1))
    paths = tiles(tmp_path, values, (), (13,))
    x = np.arange(CELL, (WIDE - 1) * CELL, 2.0)
    xy = np.column_stack([WEST + x, np.full(len(x), NORTH - 200.0)])
    np.testing.assert_allclose(np.diff(levels(paths, xy)), 0.06 * 2, rtol=0, atol=1e-9)


@pytest.mark.parametrize("missing", range(4))
def test_where_one_of_four_tiles_is_not_given_the_others_are_blended(tmp_path, missing):
    """By hand: the levels are means by weight of the cells there are; beyond them is none."""
    values = ground(4)
    paths = tiles(tmp_path, values, (12,), (15,))
    del paths[missing]
    corner = points(np.array([14.4, 14.6, 14.4, 14.6]), np.array([11.4, 11.4, 11.6, 11.6]))
    cell = np.array([values[11, 14], values[11, 15], values[12, 14], values[12, 15]])
    near, far = 0.6, 0.4
    shares = np.array(
        [
            [near * near, far * near, near * far, far * far],
            [far * near, near * near, far * far, near * far],
            [near * far, far * far, near * near, far * near],
            [far * far, near * far, far * near, near * near],
        ]
    )
    shares[:, missing] = 0
    wanted = shares @ cell / shares.sum(axis=1)
    wanted[missing] = np.nan
    np.testing.assert_allclose(levels(paths, corner), wanted, rtol=0, atol=1e-9)


def test_beside_a_gap_of_the_next_tile_the_edge_goes_on_flat_and_into_no_gap(tmp_path):
    values = ground(5)
    values[10, 15] = -9999.0
    paths = tiles(tmp_path, values, (), (15,))
    xy = points(np.array([14.3, 14.6, 14.3]), np.array([10.0, 10.0, 12.0]))
    wanted = [values[10, 14], np.nan, 0.7 * values[12, 14] + 0.3 * values[12, 15]]
    for order in (paths, paths[::-1]):
        np.testing.assert_allclose(levels(order, xy), wanted, rtol=1e-12)


def test_tiles_in_feet_and_in_metres_are_blended_in_metres(tmp_path):
    west = write(tmp_path / "w.tif", np.full((4, 4), 100 / 0.3048), placed(0, 0), unit="ft")
    east = write(tmp_path / "e.tif", np.full((4, 4), 101.0), placed(0, 4))
    z = levels([west, east], points(np.array([3.0, 3.25, 3.75, 4.0]), np.full(4, 1.5)))
    np.testing.assert_allclose(z, [100, 100.25, 100.75, 101], rtol=1e-12)


@pytest.mark.parametrize("other", ["crs", "cell", "turned"])
def test_rasters_of_other_grids_are_read_each_for_itself(tmp_path, other):
    """The first given goes on flat to its edge, as before."""
    first = write(tmp_path / "a.tif", np.tile([100.0, 110.0], (6, 3)), placed(0, 0))
    place = placed(0, 5.5)
    change = {
        "crs": (place, "EPSG:25833"),
        "cell": (placed(0, 5.5 * 1.01, CELL / 1.01), "EPSG:32633"),
        "turned": (place @ Affine.rotation(1.0), "EPSG:32633"),
    }
    transform, crs = change[other]
    second = write(tmp_path / "b.tif", np.full((6, 6), 200.0), transform, crs=crs)
    xy = points(np.array([5.2, 5.45, 7.0]), np.array([2.0, 2.0, 2.0]))
    np.testing.assert_allclose(levels([first, second], xy), [110, 110, 200])


def test_a_tile_that_has_a_point_between_its_cells_goes_before_an_edge_that_goes_on(tmp_path):
    """Grids shifted by 0.3 cells against each other, of the plane z = x / 10: no blend of both."""

    def plane(first):
        return np.tile((first + 0.5 + np.arange(8)) * CELL / 10, (6, 1))

    a = write(tmp_path / "a.tif", plane(0), placed(0, 0))
    b = write(tmp_path / "b.tif", plane(6.7), placed(0, 6.7))
    column = np.array([7.25, 7.3, 7.45, 8.0])  # between centres of b, beyond the last of a at 7
    for order in ([a, b], [b, a]):
        z = levels(order, points(column, np.full(4, 2.0)))
        np.testing.assert_allclose(z, (column + 0.5) * CELL / 10, rtol=1e-12)


def test_arc_seconds_that_share_a_row_of_posts_meet_the_plane(tmp_path):
    """Two tiles with their posts on one meridian, as those of whole degrees have them."""
    step = 1 / 3600

    def tile(name, west):
        place = Affine(step, 0, west - step / 2, 0, -step, 46.5 + step / 2)
        lon = west + step * np.arange(61)
        return write(
            tmp_path / name, np.tile(100 + 3600 * (lon - 14), (61, 1)), place, crs="EPSG:4326"
        )

    west, east = tile("w.tif", 14 - 60 * step), tile("e.tif", 14.0)
    lon = 14 + np.linspace(-3, 3, 241) * step
    xy = np.column_stack([lon, np.full(241, 46.495)])
    for order in ([west, east], [east, west]):
        findings = Findings()
        z = levels(order, xy, crs=pyproj.CRS(4326), findings=findings)
        np.testing.assert_allclose(z, 100 + 3600 * (lon - 14), rtol=0, atol=1e-6)
        assert findings.table().empty


def test_one_file_and_points_off_the_seams_read_no_other_tile(tmp_path, monkeypatch):
    paths = tiles(tmp_path, ground(), (12,), (15,))
    read = []
    plain = cells.read_window
    monkeypatch.setattr(
        cells, "read_window", lambda one, at: read.append(one.name) or plain(one, at)
    )
    levels(paths, points(np.array([3.0, 14.0]), np.array([4.0, 11.0])))
    assert read == ["t0_0.tif"]
    read.clear()
    monkeypatch.setattr(seams, "at_seams", None)  # would fail
    levels(paths[:1], points(np.array([14.4]), np.array([11.4])))
    assert read == ["t0_0.tif"]


def test_what_is_read_of_a_neighbour_counts_in_the_hash(tmp_path):
    """A window that ends within the edge cells of one tile hangs on the first cells of the next."""
    values = ground(6)
    window = Window((*points(10.0, 13.0)[0], *points(14.45, 9.0)[0]), UTM33)
    xy = points(np.array([14.45, 14.2]), np.array([9.0, 12.2]))

    def seen(one):
        paths = tiles(tmp_path, one, (), (15,))
        return b"".join(ground_bytes(paths, window, vertical_unit=None)), levels(paths, xy)

    before, z = seen(values)
    changed = values.copy()
    changed[9, 15] += 1.0
    after, moved = seen(changed)
    assert moved[0] == pytest.approx(z[0] + 0.45, abs=1e-9)
    assert after != before
    changed = values.copy()
    changed[9, 20] += 1.0
    assert seen(changed)[0] == before
