from __future__ import annotations

import re
import struct
import subprocess
import sys
import tempfile
import threading
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.control import GroundControlPoint
from rasterio.enums import ColorInterp

from geotools.brief import Brief
from geotools.errors import LayerError
from geotools.ground import cells, raster
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.ground.vertical import _SPELLINGS
from geotools.intake.findings import Findings

UTM33 = pyproj.CRS(32633)
WEST, NORTH = 500_000.0, 5_000_000.0
RAMP = np.add.outer(np.arange(6) * 1.0, np.arange(8) * 2.0).astype("float64") + 100


def sample(paths, xy, *, crs=UTM33, vertical_unit=None, stated_crs=None):
    findings = Findings()
    paths = [paths] if isinstance(paths, str) else paths
    got = sample_ground(
        Mosaic(paths, stated_crs=stated_crs),
        np.asarray(xy),
        crs=crs,
        vertical_unit=vertical_unit,
        findings=findings,
    )
    return got, findings.table()


def placed(transform, column, row):
    """Return x and y of columns and rows counted from the outer corner of the first cell."""
    a, b, c, d, e, f = tuple(transform)[:6]
    return a * column + b * row + c, d * column + e * row + f


def write_vrt(folder, source, transform, *, nodata=-9999):
    """Write a virtual raster of bytes over an 8 x 6 raster and return its path."""
    path = folder / "virtual.vrt"
    path.write_text(
        '<VRTDataset rasterXSize="8" rasterYSize="6"><SRS>EPSG:32633</SRS>'
        f"<GeoTransform>{transform}</GeoTransform>"
        f'<VRTRasterBand dataType="Byte" band="1"><NoDataValue>{nodata}</NoDataValue>'
        f"<UnitType>m</UnitType><SimpleSource><SourceFilename>{source}</SourceFilename>"
        "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    return str(path)


# Interpolation ---------------------------------------------------------------------------


def test_cell_centres_give_the_stored_values(write_dem, at):
    got, findings = sample(write_dem(RAMP), at((0, 0), (2, 3), (5, 7)))
    np.testing.assert_array_equal(got.z, [100, 108, 119])
    assert got.covered == 3
    assert got.source == ("dem.tif",)
    assert findings.empty


def test_between_centres_the_four_cells_are_weighted_by_nearness(write_dem, at):
    values = np.array([[0.0, 10.0], [20.0, 70.0]])
    got, _ = sample(write_dem(values), at((0.25, 0.5), (0.5, 0.5)))
    np.testing.assert_allclose(got.z, [0.75 * 5 + 0.25 * 45, 25.0], rtol=1e-12)


def test_in_the_outer_half_cell_the_edge_goes_on(write_dem, at):
    xy = at((-0.5, -0.5), (-0.3, 2), (5.5, 7.5), (3, 7.4))
    got, _ = sample(write_dem(RAMP), xy)
    np.testing.assert_allclose(got.z, [100, 104, 119, 117], rtol=1e-12)


def test_off_the_raster_there_is_no_level(write_dem, at):
    got, _ = sample(write_dem(RAMP), at((2, 2), (-0.6, 2), (2, 7.6), (500, 2)))
    assert got.z[0] == 106
    assert np.isnan(got.z[1:]).all()
    assert got.covered == 1


def test_a_raster_of_one_row_or_one_cell_is_read(write_dem, at):
    row, _ = sample(write_dem(np.array([[1.0, 3.0]])), at((0, 0.5), (0.4, 1)))
    np.testing.assert_allclose(row.z, [2, 3])
    cell, _ = sample(write_dem(np.array([[7.0]]), name="cell.tif"), at((0.3, -0.3)))
    np.testing.assert_allclose(cell.z, [7])


@settings(max_examples=40, deadline=None)
@given(
    slope=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
    turn=st.floats(0, 360),
    flip=st.sampled_from([1, -1]),
    cell=st.floats(0.3, 40),
    seed=st.integers(0, 2**32 - 1),
    tiled=st.booleans(),
)
def test_a_plane_is_met_exactly_however_the_raster_is_turned(slope, turn, flip, cell, seed, tiled):
    shape = (40, 35)
    c, s = cell * np.cos(np.radians(turn)), cell * np.sin(np.radians(turn))
    place = Affine(c, s * flip, WEST, s, -c * flip, NORTH)
    rows, columns = np.indices(shape) + 0.5
    x, y = placed(place, columns, rows)
    plane = 2000 + slope[0] * (x - WEST) + slope[1] * (y - NORTH)
    random = np.random.default_rng(seed)
    points = placed(place, random.uniform(0.5, 34.5, 200), random.uniform(0.5, 39.5, 200))
    xy = np.column_stack(points)
    blocks = {"tiled": True, "blockxsize": 16, "blockysize": 16} if tiled else {}
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "plane.tif")
        profile = {"count": 1, "dtype": "float64", "crs": "EPSG:32633", "nodata": -9999}
        with rasterio.open(
            path, "w", "GTiff", 35, 40, transform=place, **profile, **blocks
        ) as dataset:
            dataset.write(plane, 1)
            dataset.units = ("m",)
        got, _ = sample(path, xy)
    expected = 2000 + slope[0] * (xy[:, 0] - WEST) + slope[1] * (xy[:, 1] - NORTH)
    np.testing.assert_allclose(got.z, expected, atol=1e-6)


# No data ---------------------------------------------------------------------------------


def holed(value):
    values = RAMP.copy()
    values[2, 3] = value
    return values


@pytest.mark.parametrize("nodata", [-9999.0, 0.0, np.nan])
def test_a_point_that_needs_a_cell_without_data_has_no_level(write_dem, at, nodata):
    path = write_dem(holed(nodata), nodata=nodata)
    got, _ = sample(path, at((2, 3), (1.9, 3), (2.5, 3.5), (2, 2.01)))
    assert np.isnan(got.z).all()


def test_a_cell_without_data_and_without_weight_does_not_matter(write_dem, at):
    got, _ = sample(write_dem(holed(-9999.0)), at((2, 2), (1, 3), (3, 3), (2, 4)))
    np.testing.assert_allclose(got.z, [106, 107, 109, 110])


def test_nan_is_no_data_whatever_the_nodata_tag_says(write_dem, at):
    got, _ = sample(write_dem(holed(np.nan), nodata=-9999), at((2, 3)))
    assert np.isnan(got.z).all()


def test_a_mask_band_is_obeyed(write_dem, at):
    mask = np.full(RAMP.shape, 255, dtype="uint8")
    mask[2, 3] = 0
    got, findings = sample(write_dem(RAMP, nodata=None, mask=mask), at((2, 3), (2, 2)))
    assert np.isnan(got.z[0])
    assert got.z[1] == 106
    assert "dem-no-nodata" not in set(findings["rule"])


MASKED_VRT = """<VRTDataset rasterXSize="8" rasterYSize="6"><SRS>EPSG:32633</SRS>
<GeoTransform>500000,10,0,5000000,0,-10</GeoTransform><VRTRasterBand dataType="Float64" band="1">
<UnitType>m</UnitType><SimpleSource><SourceFilename relativeToVRT="1">dem.tif</SourceFilename>
<SourceBand>1</SourceBand></SimpleSource><MaskBand><VRTRasterBand dataType="Byte"><SimpleSource>
<SourceFilename relativeToVRT="1">mask.tif</SourceFilename><SourceBand>1</SourceBand>
</SimpleSource></VRTRasterBand></MaskBand></VRTRasterBand></VRTDataset>"""


@pytest.mark.parametrize("kind", ["vrt", "msk"])
def test_a_mask_of_the_band_alone_is_obeyed(write_dem, at, tmp_path, kind):
    """The masks of the GDAL data model: one of the band has no flags."""
    mask = np.full((6, 8), 255, dtype="uint8")
    mask[2, 3] = 0
    path = write_dem(RAMP, nodata=None)
    name = {"vrt": "mask.tif", "msk": "dem.tif.msk"}[kind]
    written = write_dem(mask, name="made.tif", nodata=None, unit=None)
    with rasterio.open(written, "r+") as made:
        made.update_tags(INTERNAL_MASK_FLAGS_1="0")
    Path(written).rename(tmp_path / name)
    if kind == "vrt":
        path = str(tmp_path / "masked.vrt")
        Path(path).write_text(MASKED_VRT, encoding="utf-8")
    with rasterio.open(path) as dataset:
        assert dataset.mask_flag_enums == ([],)
    got, findings = sample(path, at((2, 3), (2.5, 3.5), (1, 1), (3, 3)))
    np.testing.assert_array_equal(got.z, [np.nan, np.nan, 103, 109])
    assert findings.empty


@pytest.mark.parametrize("dtype", ["uint16", "float32"])
def test_a_gap_in_the_alpha_band_is_no_level(write_dem, at, dtype):
    # as gdalwarp -dstalpha leaves it; of real numbers GDAL makes no mask
    alpha = np.full(RAMP.shape, 255)
    alpha[2, 3] = 0
    bands = np.stack([np.where(alpha > 0, RAMP, 0), alpha]).astype(dtype)
    path = write_dem(bands, nodata=None, photometric="MINISBLACK", alpha="YES")
    with rasterio.open(path) as dataset:
        assert dataset.colorinterp[1] == ColorInterp.alpha
    got, findings = sample(path, at((2, 3), (2, 2)))
    assert np.isnan(got.z[0])
    assert got.z[1] == 106
    assert "dem-no-nodata" not in set(findings["rule"])


def test_a_raster_that_does_not_say_its_nodata_is_reported(write_dem, at):
    got, findings = sample(write_dem(RAMP, nodata=None), at((2, 2), (3, 3)))
    assert got.covered == 2
    row = findings.set_index("rule").loc["dem-no-nodata"]
    assert row["severity"] == "warning"
    assert row["feature"] == "dem.tif"
    assert row["geometry"].covers(row["geometry"].centroid)


@pytest.mark.parametrize("value", [-9999.0, -32768.0, 3.4e38, -np.inf])
def test_levels_no_ground_can_have_are_no_levels_and_are_reported(write_dem, at, value):
    got, findings = sample(write_dem(holed(value), nodata=None), at((2, 3), (2, 2)))
    assert np.isnan(got.z[0])
    assert got.z[1] == 106
    if np.isfinite(value):
        (told,) = findings.itertuples()
        assert told.rule == "dem-untold-nodata"
        assert f"{value:g}:" in told.text


def test_a_file_of_which_nothing_is_a_level_is_told_as_one(write_dem, at):
    """Levels of 120 to 133 m in whole cm are 12,000 and more: no ground lies at that in metres."""
    cm = np.round((RAMP + 20) * 100).astype("int32")
    got, findings = sample(write_dem(cm, nodata=None), at((2, 2), (2, 3)))
    assert got.covered == 0
    (told,) = findings.itertuples()
    assert (told.severity, told.rule) == ("warning", "dem-no-levels")
    assert "12600 to 12800 as stored" in told.text
    assert "such as cm" in told.text
    assert "set its nodata" not in told.text
    got, findings = sample(write_dem(cm, nodata=None, scale=0.01), at((2, 2), (2, 3)))
    np.testing.assert_allclose(got.z, [126, 128])
    assert list(findings["rule"]) == ["dem-no-nodata"]


@pytest.mark.parametrize("value", [-9999.0, 3.4e38])
def test_of_a_file_that_says_its_nodata_value_other_levels_no_ground_has_are_told(
    write_dem, at, value
):
    got, findings = sample(write_dem(holed(value), nodata=-1.0), at((2, 3), (2, 2)))
    assert np.isnan(got.z).tolist() == [True, False]
    (told,) = findings.itertuples()
    assert told.rule == "dem-strange-level"
    assert f"({value:g}, as stored)" in told.text


def test_of_gaps_a_file_does_not_tell_there_is_one_finding_a_file(write_dem, at):
    """That every cell was taken as ground, and that some were not, would contradict each other."""
    west = write_dem(np.where(np.arange(8) == 3, -9999.0, RAMP), nodata=None, name="a.tif")
    low = write_dem(np.where(np.arange(8) == 3, -32768.0, RAMP), nodata=None, name="b.tif")
    whole = write_dem(RAMP, nodata=None, name="c.tif")
    _, findings = sample([west, low, whole], at((2, 3), (2, 2)))
    told = findings.set_index("rule")["feature"]
    assert told["dem-untold-nodata"] == "a.tif, b.tif"
    assert told["dem-no-nodata"] == "c.tif"
    assert "-32768 to -9999" in findings.set_index("rule")["text"]["dem-untold-nodata"]


@pytest.mark.parametrize("dtype", ["int16", "int32", "uint16", "uint32"])
@pytest.mark.parametrize("nodata", [None, 7])
def test_the_extreme_of_whole_numbers_is_no_level_where_no_nodata_value_is_set(
    write_dem, at, dtype, nodata
):
    """Scaled it looks like a level: -32768 x 0.01 - 20 m = -347.68 m, within what ground has."""
    limits = np.iinfo(dtype)
    extreme = limits.min if limits.min < 0 else limits.max
    scale = 327.68 / abs(extreme)
    cells = np.rint(RAMP / scale).astype(dtype)
    cells[2, 3] = extreme
    path = write_dem(cells, nodata=nodata, scale=scale, offset=-20.0)
    got, findings = sample(path, at((2, 3), (2, 2)))
    told = "dem-untold-nodata" in set(findings["rule"])
    assert got.z[1] == pytest.approx(106.0 - 20.0, abs=scale)
    assert told == np.isnan(got.z[0]) == (nodata is None)
    if nodata is not None:
        assert got.z[0] == pytest.approx(np.copysign(327.68, extreme) - 20.0, abs=1e-6)


def test_a_level_of_eight_bits_is_one_at_either_end(write_dem, at):
    cells = np.full((6, 6), 255, dtype=np.uint8)
    cells[2, 3] = 0
    got, _ = sample(write_dem(cells, nodata=None), at((2, 3), (4, 1)))
    assert got.z.tolist() == [0.0, 255.0]


def test_a_nodata_value_the_type_cannot_hold_is_no_fault(write_dem, at, tmp_path):
    path = write_dem(RAMP.astype("uint8"), nodata=0)
    path = write_vrt(tmp_path, path, f"{WEST}, 10, 0, {NORTH}, 0, -10", nodata=-9999)
    got, _ = sample(path, at((2, 3)))
    assert got.z[0] == 108


# Scale, offset, bands, units -------------------------------------------------------------


def test_stored_integers_are_scaled_and_shifted(write_dem, at):
    stored = np.array([[0, 100], [-32768, 200]], dtype="int16")
    path = write_dem(stored, nodata=-32768, scale=0.1, offset=50.0)
    got, _ = sample(path, at((0, 0), (0, 0.5), (1, 1), (1, 0)))
    np.testing.assert_allclose(got.z[:3], [50, 55, 70])
    assert np.isnan(got.z[3])


def test_band_one_is_used_and_more_bands_are_reported(write_dem, at):
    got, findings = sample(write_dem(np.stack([RAMP, RAMP * 0])), at((0, 0)))
    assert got.z[0] == 100
    assert list(findings["rule"]) == ["dem-bands"]


@pytest.mark.parametrize(
    ("unit", "metres"),
    [("m", 1.0), ("metre", 1.0), ("ft", 0.3048), ("US survey foot", 1200 / 3937), ("cm", 0.01)],
)
def test_the_band_unit_is_converted_to_metres(write_dem, at, unit, metres):
    got, findings = sample(write_dem(RAMP, unit=unit), at((0, 0)))
    np.testing.assert_allclose(got.z, [100 * metres], rtol=1e-12)
    assert findings.empty


METRES = {"m": 1.0, "dm": 0.1, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "us-ft": 1200 / 3937}


@pytest.mark.parametrize(("unit", "metres"), METRES.items())
def test_the_brief_gives_the_unit_a_file_does_not_say(write_dem, at, unit, metres):
    got, findings = sample(write_dem(RAMP, unit=None), at((0, 0)), vertical_unit=unit)
    np.testing.assert_allclose(got.z, [100 * metres], rtol=1e-12)
    assert findings.empty


def test_the_brief_takes_every_unit_that_a_band_may_have():
    """A text grid cannot carry its unit."""
    assert dict(_SPELLINGS.values()) == METRES
    for unit in METRES:
        dem = {"source": "grid.asc", "vertical_unit": unit}
        brief = {"ground": {"vertical_unit": unit}, "inputs": {"dem": dem}}
        taken = Brief.model_validate(brief)
        assert taken.ground.vertical_unit == taken.inputs["dem"].vertical_unit == unit


def test_the_vertical_part_of_the_crs_gives_the_unit(write_dem, at):
    # UTM 17N with NAVD88 height in US survey feet
    path = write_dem(RAMP, unit=None, crs="EPSG:26917+6360")
    got, findings = sample(path, at((0, 0)), crs=pyproj.CRS(26917))
    np.testing.assert_allclose(got.z, [100 * 1200 / 3937], rtol=1e-9)
    assert findings.empty


def test_without_a_unit_metres_are_assumed_and_reported(write_dem, at):
    got, findings = sample(write_dem(RAMP, unit=None), at((0, 0), (3, 3)))
    assert got.z[0] == 100
    assert list(findings["rule"]) == ["dem-unit-assumed"]
    assert findings["severity"][0] == "warning"
    assert "taken as metres" in findings["text"][0]
    assert "ground.vertical_unit in the brief" in findings["text"][0]
    assert "coordinates" not in findings["text"][0]


def test_a_raster_in_feet_that_does_not_say_its_vertical_unit_gets_a_word_more(write_dem, at):
    path = write_dem(RAMP, unit=None, crs="EPSG:2263")
    got, findings = sample(path, at((0, 0)), crs=pyproj.CRS(2263))
    assert got.z[0] == 100  # nothing is guessed
    (text,) = findings["text"]
    assert "the coordinates of dem.tif are in US survey foot, so its levels may be too" in text


def test_file_and_brief_that_disagree_on_the_unit_are_an_error_naming_both(write_dem, at):
    with pytest.raises(LayerError, match=r"in ft by its band unit 'ft', but in m by the brief"):
        sample(write_dem(RAMP, unit="ft"), at((0, 0)), vertical_unit="m")


def test_the_briefs_unit_is_for_files_that_say_none_and_others_keep_theirs(write_dem, at):
    east = Affine(10, 0, WEST + 80, 0, -10, NORTH)
    west = write_dem(np.full((6, 8), 30.48), name="west.tif")
    plain = write_dem(np.full((6, 8), 100.0), name="plain.tif", unit=None, transform=east)
    places = at((2, 3), (2, 7.2), (2, 7.8), (2, 12))  # two of them in the seam
    for paths in ([west, plain], [plain, west]):
        got, findings = sample(paths, places, vertical_unit="ft")
        np.testing.assert_allclose(got.z, 30.48, rtol=1e-12)
        (told,) = findings.itertuples()
        assert (told.severity, told.rule, told.feature) == ("warning", "dem-unit-kept", "west.tif")
        assert "in m by its band unit 'm' in west.tif, but in ft by the brief" in told.text


def test_a_brief_that_contradicts_a_file_is_an_error_where_no_file_says_nothing(write_dem, at):
    east = Affine(10, 0, WEST + 80, 0, -10, NORTH)
    feet = write_dem(RAMP, name="ft.tif", unit="ft", transform=east)
    files = [write_dem(RAMP, name="m.tif"), feet]
    with pytest.raises(LayerError, match=r"m\.tif.*in m by its band unit 'm', but in ft by"):
        sample(files, at((2, 3), (2, 12)), vertical_unit="ft")


def test_a_file_that_contradicts_itself_and_the_brief_is_an_error_whatever_others_say(
    write_dem, at
):
    both = write_dem(RAMP, name="both.tif", unit="m", crs="EPSG:32633+8228")  # NAVD88 (ft)
    plain = write_dem(RAMP, name="plain.tif", unit=None)
    with pytest.raises(LayerError, match=r"both\.tif.*but in cm by the brief"):
        sample([both, plain], at((2, 3)), vertical_unit="cm")


def test_international_and_survey_feet_do_not_quarrel(write_dem, at):
    got, _ = sample(write_dem(RAMP, unit="ft"), at((0, 0)), vertical_unit="us-ft")
    np.testing.assert_allclose(got.z, [30.48], rtol=1e-12)


@pytest.mark.parametrize(
    "unit", ["degrees", "m/s", "m s-1", "m2", "m²", "m per km", "mm/a", "m/m", "1/s m"]
)
def test_a_unit_that_is_no_length_is_an_error(unit, write_dem, at):
    with pytest.raises(LayerError, match=re.escape(f"unit {unit!r}")):
        sample(write_dem(RAMP, unit=unit), at((0, 0)))


@pytest.mark.parametrize(
    "unit",
    [
        *("m x 0.01", "0.1 m", "10 cm", "100*m", "ft x 10", "m (1/100)", "m x100", "m × 10"),
        *("m * 0.1", "1/10 m", "½ m", "m [x 0.1]", "m (0.01)", "m (× 10)", "US 2 ft"),
        *("m below sea level", "mm below datum", "m depth", "m unter NHN", "m sous NGF"),
        *("metros bajo el nivel del mar", "m pod morzem", "m onder NAP", "Metres, Below LAT"),
    ],
)
def test_a_unit_with_a_factor_or_counted_downwards_is_not_taken_for_the_plain_one(
    unit, write_dem, at
):
    path = write_dem(RAMP, unit=unit)
    with pytest.raises(LayerError, match=re.escape(f"unit {unit!r}")):
        sample(path, at((0, 0)))
    got, findings = sample(path, at((0, 0)), vertical_unit="ft")
    np.testing.assert_allclose(got.z, [100 * 0.3048], rtol=1e-12)
    assert list(findings["rule"]) == ["dem-unit-unread"]


@pytest.mark.parametrize(
    ("unit", "metres"),
    [
        *((text, 1.0) for text in ("m NHN", "m ü. NN", "m NAP", "m a.s.l.", "m s.l.m.", "[m]")),
        *((text, 1.0) for text in ("m (NHN)", "m (DHHN2016)", "m NHN 2016", "m (EPSG:5703)")),
        *((text, 1.0) for text in ("mètre", "metry", "metrów", "Meter über NHN", "метры")),
        *((text, 0.01) for text in ("cm NHN", "Zentimeter", "centimètres")),
        *((text, 0.3048) for text in ("ft NAVD88", "feet above sea level", "pieds")),
        ("US survey feet (NGVD29)", 1200 / 3937),
    ],
)
def test_a_unit_is_known_in_other_languages_and_with_its_zero_behind_it(
    unit, metres, write_dem, at
):
    got, findings = sample(write_dem(RAMP, unit=unit), at((0, 0)))
    np.testing.assert_allclose(got.z, [100 * metres], rtol=1e-12)
    assert findings.empty


def test_the_briefs_unit_stands_in_for_one_that_is_not_known_and_that_is_told(write_dem, at):
    path = write_dem(RAMP, unit="Höhe")
    with pytest.raises(LayerError, match=r"'Höhe', which is no unit .* ground.vertical_unit"):
        sample(path, at((0, 0)))
    got, findings = sample(path, at((0, 0)), vertical_unit="ft")
    np.testing.assert_allclose(got.z, [100 * 0.3048], rtol=1e-12)
    assert list(findings["rule"]) == ["dem-unit-unread"]
    assert "'Höhe'" in findings["text"][0]


@pytest.mark.parametrize(
    "unit", ["unknown", "Unspecified", "none", "N/A", "not specified", "-", "?", "(none)", "<NULL>"]
)
def test_a_text_that_says_no_unit_is_none(write_dem, at, unit):
    got, findings = sample(write_dem(RAMP, unit=unit), at((2, 3)))
    assert got.z.tolist() == [108.0]
    assert list(findings["rule"]) == ["dem-unit-assumed"]
    got, findings = sample(write_dem(RAMP, unit=unit), at((2, 3)), vertical_unit="ft")
    np.testing.assert_allclose(got.z, 108 * 0.3048)
    assert findings.empty


@pytest.mark.parametrize("kind", ["palette", "colours"])
def test_a_picture_is_no_ground(kind, tmp_path, at):
    count = 1 if kind == "palette" else 3
    path = tmp_path / "map.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=6, count=count, dtype="uint8",
        crs="EPSG:32633", transform=Affine(10, 0, WEST, 0, -10, NORTH),
        photometric="palette" if kind == "palette" else "RGB",
    ) as target:  # fmt: skip
        target.write(np.full((count, 6, 8), 120, dtype="uint8"))
        if kind == "palette":
            target.write_colormap(1, {k: (k, 255 - k, 0, 255) for k in range(256)})
    with pytest.raises(LayerError, match=r"is a picture .* no levels"):
        sample(str(path), at((0, 0)), vertical_unit="m")


def test_levels_in_whole_metres_up_to_255_are_no_picture(tmp_path, at):
    path = tmp_path / "low.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=6, count=1, dtype="uint8",
        crs="EPSG:32633", transform=Affine(10, 0, WEST, 0, -10, NORTH),
    ) as target:  # fmt: skip
        target.write(np.full((1, 6, 8), 120, dtype="uint8"))
    got, _ = sample(str(path), at((0, 0)), vertical_unit="m")
    assert got.z.tolist() == [120.0]


@pytest.mark.parametrize(
    ("told", "rules"),
    [
        ({}, {"dem-bytes"}),
        ({"dtype": "int8"}, {"dem-bytes"}),
        ({"dtype": "int16"}, set()),
        ({"unit": "m"}, set()),
        ({"scale": 0.5}, set()),
        ({"offset": 300.0}, set()),
        ({"crs": "EPSG:32633+5773"}, set()),
    ],
    ids=repr,
)
def test_bytes_that_nothing_calls_levels_are_told(write_dem, at, told, rules):
    """A hillshade, 255 times the cosine between sun and ground (half of that here), is such."""
    rows, columns = np.indices((6, 8))
    light = np.cos(np.radians(45 + 3.0 * rows + columns))
    shade = np.round(127 * light).astype(told.pop("dtype", "uint8"))
    path = write_dem(shade, **{"unit": None, "nodata": 0, **told})
    got, findings = sample(path, at((2, 3)), vertical_unit="m")
    assert got.covered == 1
    assert set(findings["rule"]) == rules
    assert all("hillshade" in text for text in findings["text"])


@pytest.mark.parametrize("kind", ["uint16", "int16", "float32"])
def test_levels_of_more_than_8_bits_with_a_colour_table_are_no_picture(kind, tmp_path, at):
    path = tmp_path / "coloured.tif"
    bands = np.full((1, 6, 8), 312, dtype=kind)
    bands[:, :, 4:] = 313
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=6, count=1, dtype=kind,
        crs="EPSG:32633", transform=Affine(10, 0, WEST, 0, -10, NORTH),
        **({"photometric": "palette"} if kind == "uint16" else {}),
    ) as target:  # fmt: skip
        target.write(bands)
        if kind == "uint16":
            target.write_colormap(1, {k: (k % 256, k // 256, 0, 255) for k in range(65536)})
        else:
            target.colorinterp = [ColorInterp.palette]
    with rasterio.open(path) as dataset:
        assert dataset.colorinterp[0] == ColorInterp.palette
    got, _ = sample(str(path), at((1, 1), (1, 6)), vertical_unit="m")
    assert got.z.tolist() == [312.0, 313.0]


# CRS -------------------------------------------------------------------------------------


def test_points_are_moved_to_the_crs_of_the_raster(write_dem):
    transform = Affine(0.001, 0, 15.0, 0, -0.001, 45.2)
    rows, columns = np.indices((200, 300)) + 0.5
    lon, lat = placed(transform, columns, rows)
    path = write_dem(1000 * (lon - 15) + 500 * (lat - 45), crs="EPSG:4326", transform=transform)
    random = np.random.default_rng(7)
    lon, lat = random.uniform(15.01, 15.29, 50), random.uniform(45.01, 45.19, 50)
    move = pyproj.Transformer.from_crs(4326, 32633, always_xy=True)
    got, _ = sample(path, np.column_stack(move.transform(lon, lat)))
    np.testing.assert_allclose(got.z, 1000 * (lon - 15) + 500 * (lat - 45), atol=1e-6)


def test_a_compound_working_crs_is_taken_by_its_horizontal_part(write_dem, at):
    got, _ = sample(write_dem(RAMP), at((2, 3)), crs=pyproj.CRS("EPSG:32633+5773"))
    assert got.z[0] == 108


def test_a_datum_shift_that_is_not_known_is_reported(write_dem, at):
    # From a CRS with a datum of its own nobody knows the shift.
    local = pyproj.CRS(
        "+proj=tmerc +lon_0=15 +k=0.9996 +x_0=500000 +a=6378000 +rf=298 +units=m +type=crs"
    )
    got, findings = sample(write_dem(np.zeros((60, 60))), at((30, 30)), crs=local)
    assert got.covered == 1
    (told,) = findings.itertuples()
    assert (told.severity, told.rule) == ("warning", "datum-accuracy")
    assert (told.layer, told.feature) == ("dem", "dem.tif")
    assert "nobody knows how" in told.text


@pytest.mark.parametrize(
    ("dem", "severity", "words"),
    [
        (26717, "warning", "conus.tif"),  # NAD27: the shift is in a grid that is not installed
        (26917, "", ""),
        (32617, "info", "NAD83 to WGS 84"),  # EPSG dataset: operation 1188, accuracy 4 m
    ],
)
def test_levels_looked_up_by_a_poor_way_to_another_datum_are_told(write_dem, dem, severity, words):
    """As of the other layers: tests/intake/test_crs.py."""
    files = [
        write_dem(
            np.zeros((60, 60)), name=name, crs=dem, transform=Affine(10, 0, west, 0, -10, 4830300)
        )
        for name, west in (("a.tif", 629_700), ("b.tif", 630_300))
    ]
    xy = [(630000, 4830000), (630600, 4830000)]
    _, findings = sample(files, xy, crs=pyproj.CRS(26917))
    told = findings[findings["rule"] == "datum-accuracy"]
    assert told["severity"].tolist() == [severity] * bool(severity)
    assert told["feature"].tolist() == ["a.tif, b.tif"] * bool(severity)
    assert all(words in text for text in told["text"])
    assert all("give the layer in the datum of the mains" in text for text in told["text"])


@pytest.mark.parametrize(("shift", "told"), [("0,0,0,0,0,0,0", 0), ("100,20,30,0,0,0,0", 1)])
def test_a_null_shift_of_the_same_datum_as_old_files_state_it_is_none(
    write_dem, at, tmp_path, shift, told
):
    """As of the other layers: tests/intake/test_crs.py."""
    wkt = pyproj.CRS(25833).to_wkt("WKT1_GDAL")
    wkt = wkt.replace('"7019"]]', f'"7019"]],TOWGS84[{shift}]').replace('"', "&quot;")
    whole = write_dem(RAMP.astype("uint8"), nodata=None)
    path = Path(write_vrt(tmp_path, whole, "500000,10,0,5000000,0,-10"))
    path.write_text(path.read_text(encoding="utf-8").replace("EPSG:32633", wkt), encoding="utf-8")
    got, findings = sample(str(path), at((2, 3)), crs=pyproj.CRS(25833))
    assert got.z[0] == 108
    assert findings["rule"].tolist().count("datum-accuracy") == told


def test_no_overlap_is_an_error_with_both_extents(write_dem, at):
    far = at((2, 3)) + np.array([0, 50_000])
    with pytest.raises(LayerError) as caught:
        sample(write_dem(RAMP), far)
    text = str(caught.value)
    assert "dem.tif covers x 500000 to 500080" in text
    assert "the mains x 500035 to 500035, y 5049975 to 5049975" in text
    assert "WGS 84 / UTM zone 33N" in text
    assert "check" in text


# Many files ------------------------------------------------------------------------------


@pytest.mark.parametrize("names", [("a.tif", "b.tif"), ("b.tif", "a.tif")])
def test_the_first_file_given_wins_and_later_ones_fill_its_gaps(write_dem, at, names):
    holes = write_dem(holed(-9999.0), name=names[0])
    whole = write_dem(RAMP + 1000, name=names[1])
    got, findings = sample([holes, whole, holes], at((1, 1), (2, 3)))
    np.testing.assert_allclose(got.z, [103, 1108])
    assert got.source == names
    told = findings.set_index("rule").loc["dem-overlap"]
    assert told["severity"] == "info"
    assert told["feature"] == names[1]
    assert "the first in the order given that has a level" in told["text"]
    assert "(1 stations concerned)" in told["text"]
    got, findings = sample([whole, holes], at((1, 1), (2, 3)))
    np.testing.assert_allclose(got.z, [1103, 1108])
    assert (findings["rule"] == "dem-overlap").sum() == 1


def test_the_first_file_given_wins_whatever_its_resolution(write_dem, at):
    fine = write_dem(
        np.full((60, 80), 7.0), name="z.tif", transform=Affine(1, 0, WEST, 0, -1, NORTH)
    )
    coarse = write_dem(RAMP, name="a.tif")
    for paths, level in (([fine, coarse], 7.0), ([coarse, fine], 108.0)):
        assert sample(paths, at((2, 3)))[0].z.tolist() == [level]


@pytest.mark.parametrize(("change", "told"), [(1 / 0.3048, True), (1.0, False)])
def test_files_that_differ_in_level_where_they_overlap_are_told(write_dem, at, change, told):
    one = RAMP - RAMP.min() + 30.0
    names = [write_dem(one, name="a.tif"), write_dem(one * change, name="b.tif")]
    places = at((1, 1), (2, 3), (3, 3))
    _, findings = sample(names, places)
    texts = findings.loc[findings["rule"] == "dem-levels-differ", "text"].tolist()
    level = [one[row, column] for row, column in ((1, 1), (2, 3), (3, 3))]
    assert len(texts) == told
    assert all(f"differ by {np.median(level) * (change - 1):.1f} m" in text for text in texts)


def test_tiles_laid_edge_to_edge_do_not_overlap(write_dem, at):
    west = write_dem(RAMP, name="west.tif")
    east = write_dem(RAMP, name="east.tif", transform=Affine(10, 0, WEST + 80, 0, -10, NORTH))
    places = [(WEST + x, NORTH - 30.0) for x in (75.0, 80.0, 80.0000001, 84.0, 90.0)]
    got, findings = sample([west, east], places)
    assert got.source == ("west.tif", "east.tif")
    assert findings.empty


def test_tiles_without_points_are_neither_read_nor_named(write_dem, at, monkeypatch):
    far = write_dem(
        RAMP, name="a_far.tif", unit=None, transform=Affine(10, 0, WEST + 1e4, 0, -10, NORTH)
    )
    near = write_dem(RAMP, name="b_near.tif")
    read = []
    original = cells.read_window
    monkeypatch.setattr(
        cells,
        "read_window",
        lambda raster, window: read.append(raster.name) or original(raster, window),
    )
    got, findings = sample([far, near], at((2, 3)))
    assert got.z[0] == 108
    assert read == ["b_near.tif"]
    assert findings.empty


def test_tiles_in_feet_and_metres_mix(write_dem, at):
    a = write_dem(RAMP / 0.3048, name="a.tif", unit="ft")
    b = write_dem(RAMP, name="b.tif", transform=Affine(10, 0, WEST + 80, 0, -10, NORTH))
    got, _ = sample([a, b], at((1, 1), (1, 9)))
    np.testing.assert_allclose(got.z, [103, 103], rtol=1e-12)


# What is read ----------------------------------------------------------------------------


@pytest.fixture
def windows(monkeypatch):
    seen = []
    original = cells.read_window

    def reading(raster, window):
        seen.append(window)
        return original(raster, window)

    monkeypatch.setattr(cells, "read_window", reading)
    return seen


def touched(seen, block):
    """Return the blocks that the windows read touch, and how often."""
    cells = [
        (r, c)
        for w in seen
        for r in range(w.row_off // block, (w.row_off + w.height - 1) // block + 1)
        for c in range(w.col_off // block, (w.col_off + w.width - 1) // block + 1)
    ]
    return sorted(cells)


TILED = {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "deflate"}


def test_only_blocks_that_hold_points_are_read(write_dem, at, windows):
    path = write_dem(np.zeros((160, 160)), nodata=-9999, **TILED)
    sample(path, at((20, 20), (24, 25), (20, 130), (150, 150)))
    assert touched(windows, 16) == [(1, 1), (1, 8), (9, 9)]


def test_points_beside_a_block_edge_read_the_neighbour_too(write_dem, at, windows):
    path = write_dem(np.zeros((160, 160)), nodata=-9999, **TILED)
    sample(path, at((15.5, 20)))
    assert touched(windows, 16) == [(0, 1), (1, 1)]


def test_a_row_of_touching_blocks_is_read_at_once(write_dem, at, windows):
    path = write_dem(np.zeros((160, 160)), nodata=-9999, **TILED)
    sample(path, at(*[(40, c) for c in range(2, 158, 3)]))
    assert len(windows) == 1
    assert windows[0].height <= 16


def test_windows_stay_within_their_limit(write_dem, at, windows, monkeypatch):
    monkeypatch.setattr(cells, "WINDOW_CELLS", 1024)
    monkeypatch.setattr(raster, "WINDOW_CELLS", 1024)
    values = np.add.outer(np.arange(160) * 0.5, np.arange(160) * 0.25)
    xy = at(*np.random.default_rng(3).uniform(0, 159, (3000, 2)))
    for blocks in (TILED, {"blockysize": 160}, {}):
        windows.clear()
        got, _ = sample(write_dem(values, **blocks), xy)
        column, row = (xy[:, 0] - WEST) / 10 - 0.5, (NORTH - xy[:, 1]) / 10 - 0.5
        np.testing.assert_allclose(got.z, row * 0.5 + column * 0.25, atol=1e-9)
        # one row and one column beyond the blocks themselves
        assert max(w.width * w.height for w in windows) <= 1024 + 16 * 5 + 160
        assert len(windows) >= 160 * 160 // 1024


def test_order_of_points_and_chunks_does_not_matter(write_dem, at, monkeypatch):
    random = np.random.default_rng(5)
    path = write_dem(random.uniform(0, 50, (100, 90)), **TILED)
    xy = at(*random.uniform(-0.5, 89, (500, 2)))
    whole, _ = sample(path, xy)
    monkeypatch.setattr(cells, "CHUNK", 7)
    order = random.permutation(500)
    shuffled, _ = sample(path, xy[order])
    np.testing.assert_array_equal(shuffled.z, whole.z[order])
    assert whole.covered > 450


def test_no_points_and_no_rasters_are_no_fault(write_dem, at):
    got, _ = sample(write_dem(RAMP), np.empty((0, 2)))
    assert len(got.z) == got.covered == 0
    got, _ = sample([], at((0, 0)))
    assert np.isnan(got.z).all()
    assert got.source == ()


# Files that cannot be used ---------------------------------------------------------------


def test_a_raster_without_crs_is_an_error(write_dem, at):
    with pytest.raises(LayerError, match=r"dem\.tif: has no CRS; set it in the brief under"):
        sample(write_dem(RAMP, crs=None), at((0, 0)))


LOCAL = 'LOCAL_CS["Site",UNIT["metre",1]]'


@pytest.mark.parametrize("own", [None, LOCAL])
def test_a_raster_without_crs_takes_the_one_of_the_brief(write_dem, at, own):
    path, places = write_dem(RAMP, crs=own), at((2, 3), (4, 5))
    got, _ = sample(path, places, stated_crs="EPSG:32633")
    np.testing.assert_allclose(got.z, [108, 114])
    away = pyproj.Transformer.from_crs(32633, 32634, always_xy=True)
    moved = np.column_stack(away.transform(*places.T))
    got, _ = sample(path, moved, crs=pyproj.CRS(32634), stated_crs="EPSG:32633")
    np.testing.assert_allclose(got.z, [108, 114], atol=1e-6)


def test_the_crs_of_a_file_goes_before_that_of_the_brief(write_dem, at):
    got, _ = sample(write_dem(RAMP), at((2, 3)), stated_crs="EPSG:27700")
    assert got.z.tolist() == [108]


def test_a_raster_without_georeference_is_an_error(write_dem, at):
    with pytest.warns(rasterio.errors.NotGeoreferencedWarning):
        path = write_dem(RAMP, transform=Affine.identity())
    with pytest.raises(LayerError, match="has no georeference"):
        sample(path, at((0, 0)))


def test_cells_of_no_width_are_an_error(write_dem, at, tmp_path):
    path = write_vrt(tmp_path, write_dem(RAMP), f"{WEST}, 0, 0, {NORTH}, 0, -10")
    with pytest.raises(LayerError, match="cells of no size"):
        sample(path, at((0, 0)))


def test_a_raster_placed_by_control_points_is_an_error(write_dem, at):
    corners = [(0, 0), (0, 8), (6, 0), (6, 8)]
    points = [GroundControlPoint(r, c, WEST + 10 * c, NORTH - 10 * r) for r, c in corners]
    path = write_dem(RAMP, transform=None, gcps=points)
    with pytest.raises(LayerError, match="control points only"):
        sample(path, at((0, 0)))


@pytest.mark.parametrize("dtype", ["complex64", "complex_int16"])  # numpy has but the first
def test_complex_values_are_an_error(dtype, write_dem, at):
    path = write_dem(RAMP.astype("complex64"), nodata=None, dtype=dtype)
    with pytest.raises(LayerError, match=f"holds {dtype} values; real numbers are needed"):
        sample(path, at((0, 0)))


def test_a_damaged_tag_is_an_error_that_names_the_file(write_dem, at):
    path = Path(write_dem(RAMP))
    stored = path.read_bytes()
    compression = struct.pack("<HHI", 259, 3, 1)
    assert compression in stored
    path.write_bytes(stored.replace(compression, struct.pack("<HHI", 127, 0xF800, 127)))
    with pytest.raises(LayerError, match=r"dem\.tif: cannot be read where it says what it holds"):
        sample(str(path), at((0, 0)))


def test_a_file_that_is_no_raster_is_an_error(tmp_path, at):
    path = tmp_path / "dem.tif"
    path.write_text("levels to follow")
    with pytest.raises(LayerError, match="no raster"):
        sample(str(path), at((0, 0)))


@pytest.mark.parametrize("compress", ["none", "deflate"])
def test_a_raster_cut_short_is_an_error(write_dem, at, compress):
    values = np.random.default_rng(2).uniform(0, 100, (300, 300))
    path = Path(write_dem(values, compress=compress))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(LayerError, match="cut short"):
        sample(str(path), at((10, 10), (290, 290)))


def test_rasters_opened_side_by_side_leave_the_warnings_of_the_process_as_they_were(
    write_dem, monkeypatch
):
    path, before = str(write_dem(RAMP)), list(warnings.filters)
    opening, other, opened = threading.Event(), threading.Event(), rasterio.open

    def slow(*given, **how):
        if opening.is_set():  # the second one comes in while the first is still at it
            other.set()
        opening.set()
        other.wait(0.3)
        return opened(*given, **how)

    def read():
        with raster.open_raster(path):
            pass

    monkeypatch.setattr(rasterio, "open", slow)
    threads = [threading.Thread(target=read) for _ in range(2)]
    for thread in threads:
        thread.start()
        opening.wait()
    for thread in threads:
        thread.join()
    assert warnings.filters == before


@pytest.mark.parametrize(
    "path",
    [
        "missing.tif",
        "http://localhost/a.tif",
        "/vsicurl/http://localhost/a.tif",
        "/vsizip//vsicurl/http://localhost/a.zip/a.tif",
    ],
)
def test_only_local_files_that_exist_are_read(at, path):
    with pytest.raises(LayerError, match="no such local file"):
        sample(path, at((0, 0)))


def test_a_raster_in_a_local_archive_is_read(write_dem, at, tmp_path):
    with zipfile.ZipFile(tmp_path / "dem.zip", "w") as archive:
        archive.write(write_dem(RAMP), "dem.tif")
    got, _ = sample(f"/vsizip/{tmp_path}/dem.zip/dem.tif", at((2, 3)))
    assert got.z[0] == 108


def test_a_tile_that_is_gone_is_named(at, tmp_path):
    path = write_vrt(tmp_path, str(tmp_path / "tile7.tif"), f"{WEST}, 10, 0, {NORTH}, 0, -10")
    with pytest.raises(LayerError, match=r"tile7\.tif.*is missing, damaged"):
        sample(path, at((2, 3)))


def test_a_local_file_that_points_at_a_remote_one_is_not_followed(at, tmp_path):
    path = write_vrt(
        tmp_path, "/vsicurl/http://localhost:9/a.tif", f"{WEST}, 10, 0, {NORTH}, 0, -10"
    )
    with pytest.raises(LayerError, match="cut short"):
        sample(path, at((2, 3)))


PEAK = """
import resource, sys
import numpy as np, pyproj
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.findings import Findings
side = float(sys.argv[2])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
xy = np.random.default_rng(1).uniform(0.0, side, (20_000, 2)) * [1, -1] + [500_000, 5_000_000]
crs = pyproj.CRS(32633)
got = sample_ground(Mosaic([sys.argv[1]]), xy, crs=crs, vertical_unit="m", findings=Findings())
assert got.covered == 20_000
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read in Linux units (kB)")
def test_memory_does_not_grow_with_the_raster(tmp_path):
    grown = {}
    for size in (1024, 16384):  # 4 MB and 1 GB of cells
        path = str(tmp_path / f"{size}.tif")
        place = Affine(10, 0, WEST, 0, -10, NORTH)
        profile = {"count": 1, "dtype": "float32", "crs": "EPSG:32633", "tiled": True}
        with rasterio.open(
            path, "w", "GTiff", size, size, transform=place, sparse_ok=True, **profile
        ):
            pass  # blocks never written read as zeros
        command = [sys.executable, "-c", PEAK, path, str(10 * size)]
        run = subprocess.run(command, capture_output=True, text=True, check=True)
        grown[size] = int(run.stdout) / 1000
    assert grown[16384] - grown[1024] < 250  # MB; 64 of block cache, the rest windows


def test_a_dem_in_a_crs_no_way_leads_out_of_is_bad_input(write_dem, at):
    with pytest.raises(LayerError, match=r"cannot be worked out .* give it in another CRS"):
        sample(write_dem(RAMP, crs="EPSG:3144"), at((0, 0)))
