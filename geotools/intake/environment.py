"""The environment GDAL reads in: nothing from the network, and nothing written beside an input.

pyogrio, fiona and rasterio each bring a GDAL of their own, which knows nothing of the others'.
"""

from __future__ import annotations

import codecs
import re
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from geotools.gdal_options import gdal_options, options_held
from geotools.intake.place import Place

__all__ = ["fiona_environment", "open_options", "raster_environment", "vector_environment"]

CACHE_BYTES = 16_000_000
# Local files may point at remote ones: by a path of GDAL's file system for these, of which no
# name ends in such a way, or by the schema they name, which is asked of the service they are from.
_NO_NETWORK = {"CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}"}
_NO_SCHEMA = {"GML_DOWNLOAD_SCHEMA": "NO"}
_OLD_NO_SCHEMA = {"GML_DOWNLOAD_WFS_SCHEMA": "NO"}  # as it was called; later ones warn of it
_RENAMED = (3, 10)  # version of GDAL that warns of the old name
_HEAD = 65_536  # bytes
_GML = (b"opengis.net/gml", b"<csw:GetRecordsResponse")
_NO_GML = (b"kml", b"rss", b"feed")  # root elements of what may hold geometries as GML has them
_COMMENT = re.compile(rb"<!--.*?-->", re.DOTALL)
_ROOT = re.compile(rb"<(?:[\w.-]+:)?([\w.-]+)")  # the first name, without its prefix


def raster_environment(*, allow_remote: bool = False) -> Any:
    """Return the GDAL settings under which rasters are read: small cache, no network.

    GDAL's block cache is capped because it would otherwise grow to a share of the machine's
    memory, whatever the windows read. rasterio hands the number to GDAL in bytes.
    """
    import rasterio

    return rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES, **({} if allow_remote else _NO_NETWORK))


def vector_environment(*, allow_remote: bool = False) -> AbstractContextManager[None]:
    """Return the GDAL settings under which layers are read: no network.

    They are the whole process's: what one thread may not fetch another may not meanwhile.
    """
    if allow_remote:
        return gdal_options({})
    import pyogrio

    old = {} if pyogrio.__gdal_version__ >= _RENAMED else _OLD_NO_SCHEMA
    return gdal_options({**_NO_NETWORK, **_NO_SCHEMA, **old})


def fiona_environment() -> Any:
    """Return the settings that are in force for layers now, for fiona's own GDAL.

    It says nothing of names that are out of date.
    """
    import fiona

    held = options_held()
    return fiona.Env(**{**(_OLD_NO_SCHEMA if held.keys() >= _NO_SCHEMA.keys() else {}), **held})


def open_options(place: Place) -> dict[str, str]:
    """Return how a source is to be opened so that nothing is written beside it.

    GDAL would write down what it found in a GML into a file ``.gfs`` of the same name. Other
    formats do not know the option.
    """
    if place.path is None or not place.path.is_file() or Path(place.target) != place.path:
        return {}
    with place.path.open("rb") as stream:
        head = stream.read(_HEAD).removeprefix(codecs.BOM_UTF8).lstrip()
    if not head.startswith(b"<"):
        return {}
    root = _ROOT.search(_COMMENT.sub(b"", head))
    gml = any(mark in head for mark in _GML) and root is not None and root[1] not in _NO_GML
    return {"WRITE_GFS": "NO"} if gml else {}
