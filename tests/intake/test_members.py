"""The hash of an input changes with every file it is made of."""

from __future__ import annotations

import hashlib
import os
import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from geotools.brief import Brief
from geotools.intake.digest import sha256, state_of
from geotools.intake.members import raster_members
from geotools.intake.read import read_layers

CRS = "EPSG:32633"
PLACE = Affine(10, 0, 5e5, 0, -10, 5.2e6)
VRT = (
    '<VRTDataset rasterXSize="4" rasterYSize="4"><SRS>EPSG:32633</SRS>'
    "<GeoTransform>5e5, 10, 0, 5.2e6, 0, -10</GeoTransform>"
    '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
    '<SourceFilename relativeToVRT="1">{}</SourceFilename><SourceBand>1</SourceBand>'
    "</SimpleSource></VRTRasterBand></VRTDataset>"
)
SCALED = "<PAMDataset><PAMRasterBand band='1'><Scale>{}</Scale></PAMRasterBand></PAMDataset>"


def tile(path: Path, level: float, driver: str = "GTiff") -> Path:
    path.parent.mkdir(exist_ok=True)
    profile = {"driver": driver, "width": 4, "height": 4, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", crs=CRS, transform=PLACE, **profile) as target:
        target.write(np.full((1, 4, 4), level, dtype="float32"))
    return path


def archive(path: Path, level: float) -> None:
    inner = tile(path.parent / "dem.tif", level)
    # ZipInfo has a date of its own: the file's would make two archives of one tile differ.
    with zipfile.ZipFile(path, "w") as target:
        target.writestr(zipfile.ZipInfo("dem.tif"), inner.read_bytes())
    inner.unlink()


def write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def hash_of(brief: dict[str, str], layer: str, mains: gpd.GeoDataFrame | None) -> str:
    made = Brief.model_validate({"inputs": {name: {"source": s} for name, s in brief.items()}})
    read = read_layers(made, frames={} if mains is None else {"mains": mains})
    return str(read.inputs.set_index("layer").loc[layer, "sha256"])


def case(name: str, folder: Path, turn: int) -> str:
    """Write a raster, or the part of it that a case is about anew, and return its source."""
    single = folder / "dem.tif"
    first = turn == 0
    if name == "tile behind two virtual rasters":
        write_text(folder / "inner.vrt", VRT.format("tiles/t.tif"))
        write_text(folder / "dem.vrt", VRT.format("inner.vrt"))
        tile(folder / "tiles" / "t.tif", turn)
        return str(folder / "dem.vrt")
    if name == "scale of a tile behind a virtual raster":
        write_text(folder / "dem.vrt", VRT.format("tiles/t.tif"))
        if first:
            tile(folder / "tiles" / "t.tif", 1)
        write_text(folder / "tiles" / "t.tif.aux.xml", SCALED.format(turn + 1))
        return str(folder / "dem.vrt")
    if name == "archive":
        archive(folder / "dem.zip", turn)
        return f"/vsizip/{folder}/dem.zip/dem.tif"
    if name == "header":
        tile(folder / "dem.flt", 1, "EHdr") if first else None
        header = (folder / "dem.hdr").read_text(encoding="utf-8")
        write_text(folder / "dem.hdr", header + ("" if first else "NODATA 1\n"))
        return str(folder / "dem.flt")
    if first:
        tile(single, 1)
    if name == "scale":
        write_text(folder / "dem.tif.aux.xml", SCALED.format(turn + 1))
    elif name == "mask" and not first:
        with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=False), rasterio.open(single, "r+") as data:
            data.write_mask(np.eye(4, dtype=bool))
    elif name == "world file":
        with rasterio.open(
            single, "w", driver="GTiff", width=4, height=4, count=1, dtype="float32", crs=CRS
        ) as data:
            data.write(np.ones((1, 4, 4), dtype="float32"))
        os.utime(single, ns=(0, 0))
        write_text(folder / "dem.tfw", f"10\n0\n0\n-10\n{500_005 + turn}\n5199995\n")
    return str(single)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize(
    "name",
    ["tile behind two virtual rasters", "scale of a tile behind a virtual raster", "archive",
     "header", "scale", "mask", "world file"],
)  # fmt: skip
def test_the_hash_of_a_raster_changes_with_each_of_its_files(
    tmp_path: Path, network, name: str
) -> None:
    before = hash_of({"dem": case(name, tmp_path, 0)}, "dem", network())
    assert len(before) == 64
    assert hash_of({"dem": case(name, tmp_path, 0)}, "dem", network()) == before
    assert hash_of({"dem": case(name, tmp_path, 1)}, "dem", network()) != before


def test_the_hash_of_a_vector_in_an_archive_is_that_of_the_archive(tmp_path: Path) -> None:
    found = []
    for diameter in (400.0, 500.0):
        frame = gpd.GeoDataFrame(
            {"main_id": ["A"], "diameter_mm": [diameter]},
            geometry=[shapely.LineString([(5e5, 5.2e6), (5e5 + 300, 5.2e6)])],
            crs=CRS,
        )
        frame.to_file(tmp_path / "net.geojson")
        with zipfile.ZipFile(tmp_path / "net.zip", "w") as target:
            target.write(tmp_path / "net.geojson", "net.geojson")
        found.append(hash_of({"mains": f"/vsizip/{tmp_path}/net.zip/net.geojson"}, "mains", None))
    assert len(found[0]) == 64
    assert found[0] != found[1]


def test_a_file_written_anew_in_the_same_size_and_dated_back_is_hashed_anew(tmp_path: Path) -> None:
    file = tmp_path / "mains.geojson"
    file.write_bytes(b"first")
    before = file.stat()
    hashes = [sha256(file)]
    while file.stat().st_ctime_ns == before.st_ctime_ns:  # clocks of file systems tick in steps
        file.write_bytes(b"other")
        os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert file.stat().st_mtime_ns == before.st_mtime_ns
    hashes.append(sha256(file))
    assert hashes == [hashlib.sha256(content).hexdigest() for content in (b"first", b"other")]


def test_changes_another_program_has_not_put_into_a_geopackage_yet_are_in_its_hash(
    tmp_path: Path, held_open: Any, link: Any
) -> None:
    path = tmp_path / "net.gpkg"
    mains = gpd.GeoDataFrame(
        {"main_id": ["A"], "diameter_mm": [400.0]},
        geometry=[shapely.LineString([(5e5, 5.2e6), (5e5 + 300, 5.2e6)])],
        crs=CRS,
    )
    mains.to_file(path, layer="mains")
    linked = tmp_path / "link.gpkg"
    link(linked, path)
    with held_open(path) as do:
        do("PRAGMA journal_mode=wal")
        do("PRAGMA wal_checkpoint(truncate)")
        stored = path.read_bytes()
        told = [(sha256(path), state_of(path))]
        assert told[0][0] == hashlib.sha256(stored).hexdigest()  # a journal that holds nothing
        for change in ("CREATE TABLE more (n)", "INSERT INTO more VALUES (1)"):
            do(change)
            told.append((hash_of({"mains": str(path)}, "mains", None), state_of(path)))
            assert state_of(linked) == told[-1][1]
        assert path.read_bytes() == stored
        assert len(set(told)) == len({hashed for hashed, _ in told}) == len(told)
        members = {path.name, f"{path.name}-wal"}
        assert {member.name for member in raster_members(str(path))} == members
    assert sha256(path) == hashlib.sha256(path.read_bytes()).hexdigest()  # closed: all is in it


def test_what_lies_beside_a_file_that_is_no_database_is_not_in_its_hash(tmp_path: Path) -> None:
    file = tmp_path / "net.geojson"
    file.write_bytes(b"{}")
    file.with_name("net.geojson-wal").write_bytes(b"x")
    assert sha256(file) == hashlib.sha256(b"{}").hexdigest()
