"""Paths of the DEM: local rasters that are there; their levels are read elsewhere."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine

from geotools.brief import Brief
from geotools.ground.mosaic import Mosaic
from geotools.ground.sample import sample_ground
from geotools.intake.dem import find_rasters
from geotools.intake.findings import Findings
from geotools.intake.heights import vertical_datum
from geotools.intake.members import raster_members
from geotools.intake.named import named_files
from geotools.intake.read import read_layers


@pytest.fixture
def tiles(tmp_path):
    profile = {
        "driver": "GTiff", "width": 4, "height": 4, "count": 1, "dtype": "float32",
        "crs": "EPSG:32633", "transform": Affine(10, 0, 5e5, 0, -10, 5.2e6),
    }  # fmt: skip
    paths = [tmp_path / "tiles" / f"t{i}.tif" for i in (1, 2)]
    paths[0].parent.mkdir()
    for path in paths:
        with rasterio.open(path, "w", **profile) as target:
            target.write(np.ones((1, 4, 4), dtype="float32"))
    return paths


def test_a_path_a_list_and_a_pattern_name_the_same_rasters(tiles):
    by_list = find_rasters([str(p) for p in tiles], allow_remote=False)
    backwards = find_rasters([str(p) for p in reversed(tiles)], allow_remote=False)
    assert backwards == by_list[::-1]
    by_pattern = find_rasters(str(tiles[0].parent / "*.tif"), allow_remote=False)
    by_folders = find_rasters(str(tiles[0].parents[1] / "*" / "t?.tif"), allow_remote=False)
    assert by_list == by_pattern == by_folders
    assert [r.name for r in by_list] == ["t1.tif", "t2.tif"]
    assert by_list[0].crs == "EPSG:32633"
    assert len(find_rasters(str(tiles[0]), allow_remote=False)) == 1


ASKS = """
import sys
from geotools.errors import LayerError
from geotools.intake.dem import find_rasters
try:
    find_rasters(sys.argv[1], allow_remote=False, stated_crs=sys.argv[2] or None)
except LayerError as error:
    print(error)
"""


@pytest.mark.parametrize("stated", ["", "EPSG:25832"])
def test_a_crs_that_cannot_be_looked_up_is_not_told_as_none(tiles, tmp_path, stated):
    with rasterio.open(tiles[0], "r+") as target:
        target.crs = "EPSG:25832"  # GDAL itself knows the zones of WGS 84
    done = subprocess.run(
        [sys.executable, "-c", ASKS, str(tiles[0]), stated],
        env=os.environ | {"PROJ_DATA": str(tmp_path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert done.stdout.startswith("dem: 't1.tif': its CRS cannot be looked up, for PROJ cannot")
    assert f"PROJ_DATA is {str(tmp_path)!r}: unset it" in done.stdout


def test_brackets_of_a_folder_are_no_wildcard(tiles, tmp_path, fault):
    home = tmp_path / "Project [A] *"
    (home / "tiles").mkdir(parents=True)
    for path in tiles:
        (home / "tiles" / path.name).write_bytes(path.read_bytes())
    for pattern in ("tiles/*.tif", "*/t?.tif"):
        found = find_rasters(str(home / pattern), allow_remote=False)
        assert {Path(raster.path).parent for raster in found} == {home / "tiles"}
        assert [raster.name for raster in found] == sorted(path.name for path in tiles)
    text = fault(find_rasters, str(home / "tiles" / "t9.tif"), allow_remote=False)
    assert "no such file 't9.tif'" in text


def test_the_rasters_are_listed_among_the_inputs(tiles, network):
    brief = Brief.model_validate({"inputs": {"dem": {"source": [str(p) for p in tiles]}}})
    layers = read_layers(brief, frames={"mains": network()})
    assert layers.dem == tuple(str(p) for p in tiles)
    rows = layers.inputs[layers.inputs["layer"] == "dem"]
    assert rows["source"].tolist() == ["t1.tif", "t2.tif"]
    assert (rows["sha256"].str.len() == 64).all()


def of_brief(dem, network):
    brief = Brief.model_validate({"inputs": {"dem": dem}})
    return read_layers(brief, frames={"mains": network()})


@pytest.mark.parametrize("crs", ["EPSG:27700", "EPSG:32633", None])
def test_a_crs_of_the_brief_that_contradicts_the_files_is_told_once(tiles, network, found, crs):
    layers = of_brief({"source": [str(p) for p in tiles], "crs": crs}, network)
    told = found(layers, "crs-differs")
    if crs != "EPSG:27700":
        assert told.empty
        return
    assert told[["severity", "layer", "feature"]].to_numpy().tolist() == [
        ["warning", "dem", "t1.tif and 1 more"]
    ]
    assert told["text"][0].startswith("the brief says EPSG:27700, the file EPSG:32633; the file's")
    assert set(layers.inputs.loc[layers.inputs["layer"] == "dem", "crs"]) == {"EPSG:32633"}


def test_a_raster_without_crs_is_listed_with_that_of_the_brief(tmp_path, network, found):
    path = tmp_path / "grid.asc"
    rows = "\n".join(["7 7 7 7"] * 4)
    path.write_text(f"ncols 4\nnrows 4\nxllcorner 500000\nyllcorner 5199960\ncellsize 10\n{rows}\n")
    layers = of_brief({"source": str(path), "crs": "EPSG:32633"}, network)
    assert layers.inputs.loc[layers.inputs["layer"] == "dem", "crs"].tolist() == ["EPSG:32633"]
    assert found(layers, "crs-differs").empty


def test_a_crs_of_the_brief_that_is_none_is_an_error(tiles, network, fault):
    dem = {"source": str(tiles[0]), "crs": "EPSG:nonsense"}
    assert "dem: 'EPSG:nonsense' is no CRS" in fault(of_brief, dem, network)


def test_missing_rasters_are_all_told_with_the_nearest_name(tiles, fault):
    folder = tiles[0].parent
    text = fault(find_rasters, [str(folder / "t3.tif"), str(folder / "*.asc")], allow_remote=False)
    first, second = text.splitlines()
    assert first.startswith("dem: no such file 't3.tif'; did you mean 't")
    assert second == "dem: no file matches '*.asc'; check the pattern"


def test_what_is_no_raster_is_an_error(tmp_path, fault):
    path = tmp_path / "dem.tif"
    path.write_text("no raster")
    text = fault(find_rasters, str(path), allow_remote=False)
    assert "dem: 'dem.tif' cannot be opened as a raster" in text
    assert "export it again" in text


@pytest.mark.parametrize("ending", ["zip", "tif.gz", "tar"])
def test_a_packed_raster_is_told_to_be_unpacked(tmp_path, fault, ending):
    (tmp_path / f"dem.{ending}").write_bytes(b"PK")
    text = fault(find_rasters, str(tmp_path / f"dem.{ending}"), allow_remote=False)
    assert text == f"dem: 'dem.{ending}' is packed; unpack it and give the raster in it"


def test_a_pattern_names_no_files_that_only_lie_beside_rasters(tiles, fault):
    """As GDAL and others write them beside a raster: statistics, pyramids, world file, CRS."""
    folder = tiles[0].parent
    for ending in ("tif.aux.xml", "tif.ovr", "tfw", "TFW", "prj", "tif.msk", "qml"):
        (folder / f"t1.{ending}").write_text("beside")
    (folder / ".DS_Store").write_text("beside")
    found = find_rasters(str(folder / "*"), allow_remote=False)
    assert [raster.name for raster in found] == ["t1.tif", "t2.tif"]
    assert "'t1.tif.msk' cannot be opened" in fault(
        find_rasters, str(folder / "*.msk"), allow_remote=False
    )


@pytest.fixture
def tables(tmp_path):
    """A GeoPackage of two rasters: levels in metres, and others 10 higher."""
    path = tmp_path / "two.gpkg"
    for k, name in enumerate(("low", "high")):
        with rasterio.open(
            path, "w", driver="GPKG", width=4, height=4, count=1, dtype="int16", nodata=-32768,
            crs="EPSG:32633", transform=Affine(10, 0, 5e5, 0, -10, 5.2e6),
            RASTER_TABLE=name, APPEND_SUBDATASET="YES" if k else "NO",
        ) as target:  # fmt: skip
            target.write(np.full((1, 4, 4), 100 + 10 * k, dtype="int16"))
    return path


def test_a_table_of_a_geopackage_is_named_as_of_other_layers(tables, monkeypatch):
    monkeypatch.chdir(tables.parent)
    for name in ("two.gpkg:high", "GPKG:two.gpkg:high", f"/a/GPKG:{tables}:high", f"{tables}:high"):
        (raster,) = find_rasters(name, allow_remote=False)
        assert raster.name == "two.gpkg:high"
        assert raster_members(raster.path) == [Path(named_files([name])[0]).absolute()]
        got = sample_ground(
            Mosaic([raster.path]), np.array([[500_020.0, 5_199_980.0]]), crs=pyproj.CRS(32633),
            vertical_unit="m", findings=Findings(),
        )  # fmt: skip
        assert got.z.tolist() == [110.0]


def test_a_file_of_several_rasters_is_told_by_their_names_alone(tables, fault):
    def read():
        return Mosaic([str(tables)]).known(str(tables))

    assert fault(read) == (
        "two.gpkg: holds 2 rasters (low, high); name the one with the levels, such as two.gpkg:low"
    )


@pytest.mark.parametrize("path", [".", "tiles", "tiles/.", "tiles/..", "/"])
def test_a_folder_that_is_no_raster_is_told_by_its_name(tiles, fault, monkeypatch, path):
    folder = tiles[0].parents[1]
    monkeypatch.chdir(folder)
    named = (folder / path).resolve().name or "/"
    text = fault(find_rasters, path, allow_remote=False)
    assert f"dem: the folder {named!r} is no raster; name its files with a pattern" in text


def test_a_truncated_raster_header_is_an_error(tiles, fault):
    tiles[0].write_bytes(tiles[0].read_bytes()[:100])
    assert "t1.tif" in fault(find_rasters, str(tiles[0]), allow_remote=False)


@pytest.mark.parametrize(
    "source", ["https://example.invalid/dem.tif", "/vsis3/bucket/dem.tif", "WCS:http://x.invalid"]
)
def test_remote_rasters_are_refused(source, fault):
    assert "--allow-remote" in fault(find_rasters, source, allow_remote=False)


def mosaic(path, source, relative="1"):
    path.write_text(
        '<VRTDataset rasterXSize="4" rasterYSize="4"><SRS>EPSG:32633</SRS>'
        "<GeoTransform>500000, 10, 0, 5200000, 0, -10</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        f'<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename>'
        "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    return path


def test_a_mosaic_of_local_rasters_is_read(tiles):
    path = mosaic(tiles[0].parent / "all.vrt", "t1.tif")
    assert find_rasters(str(path), allow_remote=False)[0].name == "all.vrt"


FAR = "/vsicurl/https://example.invalid/t.tif"


@pytest.mark.parametrize(
    "source",
    [
        FAR,
        "https://example.invalid/t.tif",
        FAR.replace("/", "&#47;"),
        f"<![CDATA[{FAR}]]>",
        f"<!-- -->{FAR}",
        "WCS:example.invalid",
        f"&lt;VRTDataset&gt;&lt;SourceFilename&gt;{FAR}&lt;/SourceFilename&gt;",
    ],
)
def test_a_mosaic_that_leads_elsewhere_is_refused_however_deep(source, tiles, fault):
    folder = tiles[0].parent
    far = mosaic(folder / "far.vrt", source, relative="0")
    outer = mosaic(folder / "outer.vrt", "far.vrt")
    for path in (far, outer):
        text = fault(find_rasters, str(path), allow_remote=False)
        assert "far.vrt" in text
        assert "--allow-remote" in text


@pytest.mark.parametrize("mark", ["<GDAL_WMS>", "<WCS_GDAL>", '{"type": "gdal_streamed_alg"}'])
def test_a_description_of_a_service_is_refused(mark, tmp_path, fault):
    path = tmp_path / "service.xml"
    path.write_text(mark)
    assert "points at data that is not local" in fault(find_rasters, str(path), allow_remote=False)


UTM = pyproj.CRS(32633)
EGM96, EGM2008, NAVD88, NAVD88_FEET = 5773, 3855, 5703, 6360


def stating(vertical):
    """Return a CRS that states a vertical datum beside the zone, or the zone alone."""
    if vertical is None:
        return UTM
    if isinstance(vertical, tuple):
        name, datum = vertical
        vertical = f'VERT_CS["{name}",VERT_DATUM["{datum}",2005],UNIT["metre",1],AXIS["Up",UP]]'
    return pyproj.crs.CompoundCRS("both", [UTM, pyproj.CRS(vertical)])


def leveled(tmp_path, network, found, *, mains, dem, inverts=True):
    """Read mains and tiles that state vertical datums; return what is told of these."""
    profile = {"driver": "GTiff", "width": 4, "height": 4, "count": 1, "dtype": "float32"}
    paths = []
    for k, vertical in enumerate(dem):
        paths.append(tmp_path / f"t{k}.tif")
        place = Affine(10, 0, 5e5 + 40 * k, 0, -10, 5.2e6)
        crs = stating(vertical).to_wkt()
        with rasterio.open(paths[-1], "w", **profile, crs=crs, transform=place) as target:
            target.write(np.ones((1, 4, 4), dtype="float32"))
    columns = {"invert_start_m": [1.0, 2.0], "invert_end_m": [1.0, 2.0]} if inverts else {}
    brief = Brief.model_validate({"inputs": {"dem": {"source": [str(p) for p in paths]}}})
    frame = network(crs=stating(mains), **columns)
    return found(read_layers(brief, frames={"mains": frame}), "vertical-datum-differs")


def test_inverts_and_ground_of_two_vertical_datums_are_told(tmp_path, network, found):
    told = leveled(tmp_path, network, found, mains=EGM96, dem=[EGM2008])
    assert len(told) == 1
    assert (told["severity"][0], told["layer"][0], told["feature"][0]) == (
        "warning", "dem", "t0.tif",
    )  # fmt: skip
    text = told["text"][0]
    assert "EGM96 height" in text and "EGM2008 height" in text
    assert "give both in one datum" in text


def test_files_of_a_dem_in_two_vertical_datums_are_told(tmp_path, network, found):
    told = leveled(tmp_path, network, found, mains=None, dem=[EGM96, EGM2008, EGM96, None])
    assert len(told) == 1
    assert "EGM96 height: t0.tif, t2.tif; EGM2008 height: t1.tif" in told["text"][0]


@pytest.mark.parametrize(
    ("mains", "dem", "inverts"),
    [
        (EGM96, EGM96, True),
        (NAVD88, NAVD88_FEET, True),  # one datum, two units
        (NAVD88_FEET, NAVD88, True),
        (None, EGM96, True),
        (EGM96, None, True),
        (EGM96, EGM2008, False),  # no level of the mains is compared with the ground
    ],
)
def test_one_vertical_datum_or_none_stated_is_no_difference(
    mains, dem, inverts, tmp_path, network, found
):
    assert leveled(tmp_path, network, found, mains=mains, dem=[dem], inverts=inverts).empty


DHHN92, DHHN2016, NAP, ODN = 5783, 7837, 5709, 5701


@pytest.mark.parametrize(
    ("registered", "written"),
    [
        (NAVD88, ("NAVD88", "NAVD88")),
        (NAVD88, ("NAVD 88 (m)", "unknown")),
        (NAVD88_FEET, ("NAVD_1988", "North American Vertical Datum of 1988")),
        (NAVD88, ("NAVD88 - Geoid12B", "NAVD88 - Geoid12B")),
        (DHHN2016, ("DHHN2016", "DHHN2016")),
        (DHHN2016, ("DHHN", "unknown")),
        (NAP, ("NAP", "NAP")),
        (NAP, ("Normaal Amsterdams Peil heights", "unknown")),
        (ODN, ("ODN", "ODN")),
        (ODN, ("Newlyn", "Newlyn")),
    ],
)
def test_a_vertical_datum_is_the_same_by_its_short_and_its_long_name(
    registered, written, tmp_path, network, found
):
    assert leveled(tmp_path, network, found, mains=registered, dem=[written]).empty
    assert leveled(tmp_path, network, found, mains=written, dem=[registered]).empty
    assert vertical_datum(stating(written)).same(vertical_datum(stating(registered)))


def test_a_vertical_datum_is_the_same_with_accents_and_without():
    written = stating(("Höhe", "Deutsches Haupthöhennetz 2016"))
    assert vertical_datum(written).same(vertical_datum(pyproj.CRS(DHHN2016)))
    assert not vertical_datum(written).same(vertical_datum(pyproj.CRS(DHHN92)))


@pytest.mark.parametrize(
    ("mains", "dem"),
    [
        (DHHN2016, ("DHHN92", "DHHN92")),
        (NAVD88, ("NGVD29", "NGVD29")),
        (5941, 3900),  # Norway's NN2000 and Finland's N2000
        (ODN, 5740),  # Newlyn, and Newlyn for Orkney
    ],
)
def test_registered_vertical_datums_of_like_names_are_two(mains, dem, tmp_path, network, found):
    text = leveled(tmp_path, network, found, mains=mains, dem=[dem])["text"][0]
    assert ", another vertical datum: every depth is wrong" in text


def test_a_vertical_datum_of_no_registered_name_may_be_another(tmp_path, network, found):
    port = ("Port datum", "Port datum")
    text = leveled(tmp_path, network, found, mains=NAP, dem=[port])["text"][0]
    assert "may be another vertical datum" in text
    assert "is wrong" in text.partition(": then every depth ")[2]
    text = leveled(tmp_path, network, found, mains=None, dem=[port, NAP])["text"][0]
    assert "may be several" in text


OWN = pyproj.CRS.from_proj4("+proj=tmerc +lon_0=15.1 +x_0=500001 +ellps=GRS80").to_wkt("WKT1_GDAL")


def named_in_1252(path: Path) -> Path:
    """Name the CRS of a file in Windows-1252."""
    path.write_bytes(path.read_bytes().replace(b"Werknetz", "Wörknütz".encode("cp1252")))
    return path


def test_a_raster_whose_crs_is_not_named_in_utf8_is_told(tiles, fault):
    with rasterio.open(tiles[0], "r+") as data:
        data.crs = OWN.replace('"unknown"', '"Werknetz"')
    text = fault(find_rasters, str(named_in_1252(tiles[0])), allow_remote=False)
    assert "dem: 't1.tif': names its CRS" in text
    assert "not UTF-8" in text


def test_a_prj_of_a_raster_that_is_not_utf8_is_named(tmp_path, fault):
    path = tmp_path / "d.asc"
    path.write_text("ncols 2\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 10\n1 2\n3 4\n")
    path.with_suffix(".prj").write_text(OWN.replace('"unknown"', '"Werknetz"'))
    named_in_1252(path.with_suffix(".prj"))
    text = fault(find_rasters, str(path), allow_remote=False)
    assert "'d.asc': 'd.prj', which has its CRS, is not UTF-8 text; save it as UTF-8" in text


def test_a_mosaic_that_names_its_tiles_in_another_encoding_is_told(tiles, tmp_path, network, fault):
    path = mosaic(tmp_path / "d.vrt", "H\xf6hen.tif")
    path.write_bytes(path.read_text(encoding="utf-8").encode("cp1252"))
    brief = Brief.model_validate({"inputs": {"dem": {"source": str(path)}}})
    text = fault(read_layers, brief, frames={"mains": network()})
    assert "d.vrt: names its CRS, or a file it is made of, in letters that are not UTF-8" in text
