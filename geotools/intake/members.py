"""The files a raster is made of: the tiles behind a virtual one, what lies beside, the archive."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from geotools.errors import LayerError
from geotools.intake.digest import journals
from geotools.intake.environment import raster_environment
from geotools.intake.place import archive_of, geopackage_of, remote_name
from geotools.intake.stamp import Stamp, stamp
from geotools.quiet import without

__all__ = ["foreign_text", "raster_members", "silent_of_tiles"]

_TILE_INDEX = "GTI"  # GDAL's driver


def foreign_text(raster: str) -> str:
    """Say of a raster whose text rasterio cannot read, for it is not UTF-8, what to do about it."""
    prj = Path(raster).with_suffix(".prj")
    try:
        if prj.is_file():
            prj.read_bytes().decode("utf-8")
    except UnicodeDecodeError:
        return f"{prj.name!r}, which has its CRS, is not UTF-8 text; save it as UTF-8"
    return (
        "names its CRS, or a file it is made of, in letters that are not UTF-8; give a copy with a "
        "CRS by its code (gdal_translate -a_srs EPSG:code), or save a virtual raster as UTF-8"
    )


def silent_of_tiles(driver: str) -> str:
    """Say of a raster whose tiles GDAL leaves out without an error if it cannot read them; or "".

    Where such a tile lies there is then no data, or ground at level 0.
    """
    if driver != _TILE_INDEX:
        return ""
    return (
        "is an index of tiles, whose missing or damaged tiles would go unnoticed; give the tiles "
        "themselves, by a pattern such as folder/*.tif or as a list, or a virtual raster (VRT) of "
        "them"
    )


def raster_members(raster: str) -> list[Path]:
    """Return the local files whose content a raster's values and place hang on, sorted.

    GDAL names of each file those beside it (``.aux.xml``, ``.msk``, world files, headers) and of
    a virtual raster its sources; each of these is asked in turn, for it may be virtual itself.
    Of what lies in an archive, the archive; of a GeoPackage, its journals too. What is not local
    has no part in it.

    Raises
    ------
    LayerError
        If one names its own in letters that are not UTF-8, or is an index of tiles.
    """
    seen: set[str] = set()
    members: set[Path] = set()
    waiting = [raster]
    while waiting:
        item = waiting.pop()
        local = None if item in seen else _local(item)
        seen.add(item)
        if local is not None:
            members.update((local, *journals(local)))
            waiting += _listed(item, (stamp(local), stamp(local.parent)))
    return sorted(members)


def _local(item: str) -> Path | None:
    """Return the file that holds what GDAL opens under a name; None if none here does."""
    if Path(item).is_file():
        return Path(item)
    return None if remote_name(item) is not None else geopackage_of(item) or archive_of(item)


@lru_cache(maxsize=65536)  # districts of a batch have the same rasters
def _listed(item: str, stamps: tuple[Stamp, Stamp]) -> tuple[str, ...]:
    """Return the files GDAL says a raster consists of; none for what is no raster by itself.

    Asked once for the stamps of the file and its folder, where another may appear beside it.
    """
    import rasterio
    import rasterio.errors

    try:
        with (
            raster_environment(),
            without(rasterio.errors.NotGeoreferencedWarning),
            rasterio.open(item) as data,
        ):
            driver, files = data.driver, tuple(data.files)
    except rasterio.errors.RasterioIOError:
        return ()
    except UnicodeDecodeError as error:
        raise LayerError(Path(item).name, foreign_text(item)) from error
    if why := silent_of_tiles(driver):
        raise LayerError(Path(item).name, why)
    return files
