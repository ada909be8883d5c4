"""Paths of the DEM: that they exist, are local and are rasters; levels are read elsewhere."""

from __future__ import annotations

import glob
import html
import re
from dataclasses import dataclass
from pathlib import Path

from geotools.errors import LayerError
from geotools.intake.crs import crs_name
from geotools.intake.faults import nearest
from geotools.intake.place import refuse_remote, remote_name

__all__ = ["Raster", "find_rasters"]

LABEL = "dem"
HEAD = 65536
VRT_MARK = b"<VRTDataset"
VRT_SOURCE = re.compile(r"<Source(?:Filename|Dataset)[^>]*>(.*?)</Source", re.DOTALL)
XML_NOISE = re.compile(r"<!--.*?-->|<!\[CDATA\[|\]\]>", re.DOTALL)
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
    """One file of the DEM: what GDAL opens, its name and CRS."""

    path: str
    name: str
    crs: str


def find_rasters(source: str | list[str], *, allow_remote: bool) -> list[Raster]:
    """Return the rasters a source names: a path, a pattern with ``*``, or a list of these.

    They keep the order of the list, by which `sample_ground` chooses where they overlap; files of
    one pattern are in the order of their names.

    Raises
    ------
    LayerError
        With every path that is missing, remote or no raster.
    """
    sources = [source] if isinstance(source, str) else list(source)
    rasters: list[Raster] = []
    faults: list[str] = []
    for item in sources:
        try:
            rasters += [_raster(path, allow_remote) for path in _paths(item, allow_remote)]
        except LayerError as error:
            faults += error.faults
    if faults:
        raise LayerError(LABEL, faults)
    return list({raster.path: raster for raster in rasters}.values())


def _paths(item: str, allow_remote: bool) -> list[str]:
    if Path(item).exists():
        return [item]
    remote = remote_name(item)
    if remote is not None:
        if not allow_remote:
            raise refuse_remote(LABEL, remote)
        return [remote]
    if item.startswith("/vsi"):
        return [item]
    found = _matching(Path(item)) if glob.has_magic(item) else []
    if not found:
        raise LayerError(LABEL, _no_file(item))
    return found


def _matching(pattern: Path) -> list[str]:
    """Return the files a pattern names, wherever in it the wildcards are."""
    fixed = [part for part in pattern.parts if not glob.has_magic(part)]
    fixed = fixed[: next(i for i, part in enumerate(pattern.parts) if glob.has_magic(part))]
    root = Path(*fixed)
    found = root.glob(str(Path(*pattern.parts[len(fixed) :])))
    return sorted(str(path) for path in found if path.is_file())


def _no_file(item: str) -> str:
    path = Path(item)
    if glob.has_magic(item):
        return f"no file matches {path.name!r}; check the pattern"
    there = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
    close = nearest(path.name, there)
    hint = f"did you mean {close!r}?" if close else "check the path"
    return f"no such file {path.name!r}; {hint}"


def _raster(path: str, allow_remote: bool) -> Raster:
    """Open a raster to see that it is one."""
    import rasterio
    import rasterio.errors

    local = Path(path)
    name = local.name
    if not allow_remote and local.is_file():
        _refuse_far(local, set())
    try:
        with rasterio.open(path) as data:
            crs = crs_name_or_text(data.crs)
    except rasterio.errors.RasterioIOError as error:
        raise LayerError(
            LABEL,
            f"{name!r} cannot be opened as a raster ({' '.join(str(error).split())}); "
            "copy or export it again",
        ) from error
    return Raster(path, name, crs)


def crs_name_or_text(crs: object) -> str:
    """Return the short name of a raster's CRS, "" if it has none."""
    import pyproj

    if crs is None:
        return ""
    try:
        return crs_name(pyproj.CRS.from_user_input(crs))
    except pyproj.exceptions.CRSError:
        return str(crs)


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
