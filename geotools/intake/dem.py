"""Paths of the DEM: that they exist, are local and are rasters; levels are read elsewhere."""

from __future__ import annotations

import glob
import html
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyproj

from geotools.errors import LayerError
from geotools.intake.crs import crs_name, georeferenced, horizontal
from geotools.intake.environment import raster_environment
from geotools.intake.faults import LOCKED, link_fault, locked, nearest
from geotools.intake.heights import VerticalDatum, vertical_datum
from geotools.intake.kinds import is_vector
from geotools.intake.members import foreign_text, silent_of_tiles
from geotools.intake.place import (
    PACKED,
    in_geopackage,
    named_folder,
    no_file_fault,
    refuse_remote,
    remote_name,
)
from geotools.intake.sources import parse_crs
from geotools.quiet import without

__all__ = ["Raster", "find_rasters", "matching", "stated_raster_crs"]

LABEL = "dem"
HEAD = 65536
VRT_MARK = b"<VRTDataset"
VRT_SOURCE = re.compile(r"<Source(?:Filename|Dataset)[^>]*>(.*?)</Source", re.DOTALL)
XML_NOISE = re.compile(r"<!--.*?-->|<!\[CDATA\[|\]\]>", re.DOTALL)
# Files that lie beside a raster and that a pattern is not meant to name: world files, statistics,
# pyramids, masks, CRS, colours, sums.
BESIDE = re.compile(
    r"\.((tf|tif|jg|jpg|pg|png|bp|gf|j2|bl)w|wld|xml|ovr|rrd|aux|msk|prj|qpj|qml|sld|clr|stx|lock"
    r"|db|html|md5|sha256)$",
    re.IGNORECASE,
)
# Files that only describe a service or another source, by what they contain.
SERVICE_MARKS = (
    b"<GDAL_WMS",
    b"<GDAL_WMTS",
    b"<WCS_GDAL",
    b"<WMS_",
    b"<WMT_MS",
    b"<Capabilities",
    b"gdal_streamed_alg",
    b"stac_version",
)


@dataclass(frozen=True)
class Raster:
    """One file of the DEM: what GDAL opens, its name and CRS.

    ``differs`` tells that the file has another than the brief says. ``datum`` is what its levels
    count from, if it or the brief says so.
    """

    path: str
    name: str
    crs: str
    differs: bool = False
    datum: VerticalDatum | None = None


def stated_raster_crs(text: str | None) -> pyproj.CRS | None:
    """Return the CRS the brief gives to rasters that have none.

    Raises
    ------
    LayerError
        If it is no CRS.
    """
    crs = parse_crs(LABEL, text)
    return crs if georeferenced(crs) else None


def find_rasters(
    source: str | list[str], *, allow_remote: bool, stated_crs: str | None = None
) -> list[Raster]:
    """Return the rasters a source names: a path, a pattern with ``*``, or a list of these.

    They keep the order of the list, by which `sample_ground` chooses where they overlap; files of
    one pattern are in the order of their names. ``stated_crs`` is that of files that do not say.

    Raises
    ------
    LayerError
        With every path that is missing, remote or no raster, or if what is stated is no CRS.
    """
    stated = stated_raster_crs(stated_crs)
    sources = [source] if isinstance(source, str) else list(source)
    rasters: list[Raster] = []
    faults: list[str] = []
    for item in sources:
        try:
            rasters += [_raster(path, allow_remote, stated) for path in _paths(item, allow_remote)]
        except LayerError as error:
            faults += error.faults
    if faults:
        raise LayerError(LABEL, faults)
    return list({raster.path: raster for raster in rasters}.values())


def _paths(item: str, allow_remote: bool) -> list[str]:
    if Path(item).exists():
        if why := no_file_fault(Path(item)):
            raise LayerError(LABEL, f"{item!r} {why}")
        return [item]
    if inside := in_geopackage(item):
        return [inside]
    remote = remote_name(item)
    if remote is not None:
        if not allow_remote:
            raise refuse_remote(LABEL, remote)
        return [remote]
    if item.startswith("/vsi"):
        return [item]
    found = matching(item)
    if not found:
        raise LayerError(LABEL, _no_file(item))
    return [path for path in found if not _beside(Path(path).name)] or found


def _beside(name: str) -> bool:
    """Tell whether a file is one that only lies beside a raster, by its name."""
    return name.startswith(".") or BESIDE.search(name) is not None


def matching(item: str) -> list[str]:
    """Return the files a pattern names, wherever in it the wildcards are; none if it is none."""
    root, pattern = _split(item)
    found = root.glob(pattern) if glob.has_magic(pattern) else ()
    return sorted(str(path) for path in found if path.is_file())


def _split(item: str) -> tuple[Path, str]:
    """Return the folder a pattern begins in and the rest of it.

    A folder that exists is no wildcard, whatever brackets and stars its name has.
    """
    path = Path(item)
    root = next((folder for folder in path.parents if folder.is_dir()), Path())
    return root, str(path.relative_to(root))


def _no_file(item: str) -> str:
    path = Path(item)
    if glob.has_magic(_split(item)[1]):
        return f"no file matches {path.name!r}; check the pattern"
    if broken := link_fault(path):
        return f"{path.name!r} {broken}"
    there = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
    close = nearest(path.name, there)
    hint = f"did you mean {close!r}?" if close else "check the path"
    return f"no such file {path.name!r}; {hint}"


def _raster(path: str, allow_remote: bool, stated: pyproj.CRS | None) -> Raster:
    """Open a raster to see that it is one."""
    import rasterio
    import rasterio.errors

    local = Path(path)
    # a folder may be a raster, but these are no names to tell it by
    name = named_folder(local) if local.name in ("", "..") else local.name
    if not allow_remote and local.is_file():
        _refuse_far(local, set())
    try:
        with (
            raster_environment(allow_remote=allow_remote),
            without(rasterio.errors.NotGeoreferencedWarning),
            rasterio.open(path) as data,
        ):
            own, driver = data.crs, data.driver
    except rasterio.errors.RasterioIOError as error:
        raise LayerError(LABEL, _unopened(local, name, error)) from error
    except UnicodeDecodeError as error:
        raise LayerError(LABEL, f"{name!r}: {foreign_text(path)}") from error
    if why := silent_of_tiles(driver):
        raise LayerError(LABEL, f"{name!r} {why}")
    told = _crs(own, stated)
    if _unknown(own) and (why := _no_database()):
        raise LayerError(LABEL, f"{name!r}: {why}")
    return Raster(path, name, *told)


def _unknown(own: Any) -> bool:
    """Tell whether the CRS of a raster, as read, is of no use, which may be for want of PROJ's."""
    return own is None or not (own.is_geographic or own.is_projected)


def _no_database() -> str:
    """Say that PROJ, which looks up what a CRS is, cannot use its database; "" where it can."""
    import rasterio.crs
    import rasterio.errors

    try:
        with rasterio.Env():  # keeps GDAL from printing it, too
            rasterio.crs.CRS.from_epsg(4326)
    except rasterio.errors.CRSError as error:
        names = [name for name in ("PROJ_DATA", "PROJ_LIB") if name in os.environ]
        told = ", ".join(f"{name} is {os.environ[name]!r}" for name in names)
        return (
            "its CRS cannot be looked up, for PROJ cannot use its database "
            f"({' '.join(str(error).split())}); "
            + (f"{told}: unset it" if told else "install the package rasterio again")
        )
    return ""


def _unopened(path: Path, name: str, error: Exception) -> str:
    """Return why a file or folder is no raster and what to do."""
    if path.is_dir():
        return (
            f"the folder {name!r} is no raster; name its files with a pattern, such as folder/*.tif"
        )
    if locked(error):
        return f"{name!r} {LOCKED}"
    if path.suffix.lower() in PACKED:
        return f"{name!r} is packed; unpack it and give the raster in it"
    if is_vector(path):
        return (
            f"{name!r} holds vector layers and no raster; give a raster of ground levels, such as "
            "a GeoTIFF"
        )
    return (
        f"{name!r} cannot be opened as a raster ({' '.join(str(error).split())}); copy or export "
        "it again"
    )


def _crs(own: object, stated: pyproj.CRS | None) -> tuple[str, bool, VerticalDatum | None]:
    """Return the short name of a raster's CRS, if the brief says another, and what levels are in.

    The name is "" if it has none.
    """
    try:
        crs = None if own is None else pyproj.CRS.from_user_input(own)
    except pyproj.exceptions.CRSError:
        return str(own), False, None
    if stated is None:
        return ("" if crs is None else crs_name(crs)), False, vertical_datum(crs)
    if crs is None or not georeferenced(crs):
        return crs_name(stated), False, vertical_datum(stated)
    same = horizontal(crs).equals(horizontal(stated), ignore_axis_order=True)
    return crs_name(crs), not same, vertical_datum(crs)


def _refuse_far(path: Path, seen: set[Path]) -> None:
    """Refuse a file that points, itself or through a virtual raster, at remote data."""
    if path.resolve() in seen:
        return
    seen.add(path.resolve())
    with path.open("rb") as stream:
        head = stream.read(HEAD)
    if any(mark in head for mark in SERVICE_MARKS):
        raise _points_away(path)
    for inner in _vrt_sources(path) if VRT_MARK in head else ():
        if remote_name(inner) is not None:
            raise _points_away(path)
        for candidate in (path.parent / inner, Path(inner)):
            if candidate.is_file():
                _refuse_far(candidate, seen)


def _vrt_sources(path: Path) -> list[str]:
    """Return what a virtual raster names as its sources, however it is written."""
    text = XML_NOISE.sub("", path.read_text(encoding="utf-8", errors="replace"))
    return [html.unescape(name).strip() for name in VRT_SOURCE.findall(text)]


def _points_away(path: Path) -> LayerError:
    return LayerError(
        LABEL,
        f"{path.name!r} points at data that is not local; give local files, or allow remote "
        "sources with --allow-remote",
    )
