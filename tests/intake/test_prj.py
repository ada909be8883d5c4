"""A .prj that GDAL does not read is read here, or named; it never spoils the Shapefile."""

from __future__ import annotations

import tarfile
import zipfile
from pathlib import Path

import pytest

# A grid that no register has, so that its name is read.
PRJ = (
    'PROJCS["Königsfeld",GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,'
    '298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],'
    'PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",500001.0],'
    'PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",15.0],'
    'PARAMETER["Scale_Factor",0.9996],PARAMETER["Latitude_Of_Origin",0.0],UNIT["Meter",1.0]]'
)
FIELDS = {"diameter_mm": "dia"}


@pytest.fixture
def mains(tmp_path, network):
    """Write mains with the bytes of a .prj, return their path."""

    def write(prj: bytes, folder: str = "net") -> Path:
        path = tmp_path / folder / "m.shp"
        path.parent.mkdir()
        network(diameter_mm=None, dia=[300.0, 300.0]).to_file(path)
        path.with_suffix(".prj").write_bytes(prj)
        return path

    return write


@pytest.mark.parametrize("source", ["./net/m.shp", "net/m.shp", "net", "./net/:m"])
def test_a_prj_that_is_not_utf8_is_read_and_told(
    source, mains, read_file, found, tmp_path, monkeypatch
):
    mains(PRJ.encode("cp1252"))
    monkeypatch.chdir(tmp_path)
    layers = read_file(source, fields=FIELDS)
    assert layers.output_crs.name == "Königsfeld"
    assert layers.mains.xy[0].tolist() == pytest.approx([500_000, 5_200_000])
    told = found(layers, "reader-message")["text"].tolist()
    assert told == ["'m.prj' is not UTF-8 text; it was read as Windows-1252"]


def test_a_prj_that_is_not_utf8_gives_way_to_no_brief(mains, read_file, found):
    layers = read_file(mains(PRJ.encode("cp1252")), fields=FIELDS, crs="EPSG:32633")
    assert "the brief says EPSG:32633, the file " in found(layers, "crs-differs")["text"][0]


def zipped(path: Path, folder: str = "") -> Path:
    """Pack a Shapefile, and beside it another of a longer name."""
    archive = path.parents[1] / "m.zip"
    with zipfile.ZipFile(archive, "w") as target:
        for file in path.parent.iterdir():
            target.write(file, f"{folder}{file.name}")
            target.write(file, f"{folder}m_old{file.suffix}")
    return archive


@pytest.mark.parametrize(
    ("source", "folder"),
    [
        ("{zip}:m", ""),
        ("{zip}:m", "nets/"),
        ("/vsizip/{zip}/nets/m.shp", "nets/"),
        ("/vsizip/{{{zip}}}/m.shp", ""),
    ],
)
def test_a_prj_in_a_zip_that_is_not_utf8_is_read_as_the_unpacked_one(
    source, folder, mains, read_file, found
):
    path = mains(PRJ.encode("cp1252"))
    layers = read_file(source.format(zip=zipped(path, folder)), fields=FIELDS)
    assert layers.output_crs.name == "Königsfeld"
    assert layers.mains.xy[0].tolist() == pytest.approx([500_000, 5_200_000])
    told = found(layers, "reader-message")["text"].tolist()
    assert told == ["'m.prj' is not UTF-8 text; it was read as Windows-1252"]


def test_a_prj_in_a_zip_that_cannot_be_read_is_named_and_the_brief_stands_in(
    mains, read_file, fault, found
):
    archive = zipped(mains(PRJ[:-20].encode("cp1252")))
    text = fault(read_file, f"{archive}:m", fields=FIELDS)
    assert "its CRS in 'm.prj' cannot be read (missing" in text
    layers = read_file(f"{archive}:m", fields=FIELDS, crs="EPSG:32633")
    assert "EPSG:32633, which the brief says, was used" in found(layers, "crs-unread")["text"][0]


def test_a_prj_in_another_archive_that_is_not_utf8_is_told(tmp_path, mains, read_file, fault):
    path = mains(PRJ.encode("cp1252"))
    with tarfile.open(tmp_path / "m.tar", "w") as archive:
        for file in path.parent.iterdir():
            archive.add(file, file.name)
    text = fault(read_file, f"/vsitar/{tmp_path / 'm.tar'}/m.shp", fields=FIELDS)
    assert "names its CRS in letters that are not UTF-8" in text
    assert "as a zip or unpacked" in text


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_a_prj_that_cannot_be_parsed_is_named_and_the_brief_stands_in(
    encoding, mains, read_file, fault, found
):
    path = mains(PRJ[:-20].encode(encoding))
    text = fault(read_file, path, fields=FIELDS)
    assert "mains (m.shp): its CRS in 'm.prj' cannot be read (missing" in text
    assert 'crs = "EPSG:code"' in text
    assert "damaged" not in text
    layers = read_file(path, fields=FIELDS, crs="EPSG:32633")
    assert layers.output_crs.to_epsg() == 32633
    told = found(layers, "crs-unread")
    assert told["severity"].tolist() == ["warning"]
    assert "'m.prj' cannot be read (missing" in told["text"][0]
    assert told["text"][0].endswith("EPSG:32633, which the brief says, was used")


def test_what_is_wrong_beside_a_bad_prj_is_told_as_without(mains, read_file, fault):
    path = mains(PRJ[:-20].encode())
    path.with_suffix(".dbf").write_bytes(path.with_suffix(".dbf").read_bytes()[:40])
    without = mains(b"", "without")
    without.with_suffix(".prj").unlink()
    without.with_suffix(".dbf").write_bytes(path.with_suffix(".dbf").read_bytes())
    wrong = [fault(read_file, p, fields=FIELDS, crs="EPSG:32633") for p in (path, without)]
    assert wrong[0] == wrong[1]


@pytest.mark.parametrize("packed", [False, True])
def test_nothing_is_left_of_a_prj_written_anew(packed, mains, read_file, tmp_path, monkeypatch):
    spare = tmp_path / "spare"
    spare.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(spare))
    path = mains(PRJ.encode("cp1252"))
    read_file(f"{zipped(path)}:m" if packed else path, fields=FIELDS)
    assert not list(spare.iterdir())


@pytest.mark.parametrize("prj", [b"nonsense[", PRJ.encode("utf-16")])
def test_a_prj_that_gdal_gives_up_without_a_word_is_named(prj, mains, read_file, fault, found):
    path = mains(prj)
    text = fault(read_file, path, fields=FIELDS)
    assert "its CRS in 'm.prj' cannot be read" in text
    layers = read_file(path, fields=FIELDS, crs="EPSG:32633")
    assert layers.working_crs.to_epsg() == 32633
    assert len(found(layers, "crs-unread")) == 1
