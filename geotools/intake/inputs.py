"""The table of inputs: which files were read, their hashes, and how much of them was used."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pyproj

from geotools.intake.crs import crs_name
from geotools.intake.dem import Raster
from geotools.intake.digest import sha256, sha256_of
from geotools.intake.load import Loaded
from geotools.intake.members import raster_members
from geotools.intake.sources import Source
from geotools.schema import OUTPUTS

__all__ = ["inputs_table", "inputs_unread"]


def inputs_table(
    loaded: Mapping[str, Loaded], rasters: Sequence[Raster], used: Mapping[str, int]
) -> pd.DataFrame:
    """Return one row per source, in the columns of the contract.

    Parameters
    ----------
    loaded : mapping
        Layers read, by name.
    rasters : sequence of Raster
        Files of the DEM; they have no features, so their counts are 0.
    used : mapping
        Features used of each layer.
    """
    digest = cache(sha256)  # several layers may lie in one file
    rows = [
        (
            name,
            layer.source.name,
            layer.source.sublayer,
            _hash(layer.source, digest),
            crs_name(layer.crs),
            len(layer.table) + (len(layer.source.passed_over) if layer.whole else 0),
            used[name],
        )
        for name, layer in loaded.items()
    ]
    return _table(rows + _raster_rows(rasters))


def inputs_unread(
    sources: Sequence[tuple[Source, pyproj.CRS]], rasters: Sequence[Raster]
) -> pd.DataFrame:
    """Return the rows of sources that are read elsewhere, a part here and a part there.

    What is used of them is not known: not-a-number.
    """
    rows = [
        (
            source.layer,
            source.name,
            source.sublayer,
            _hash(source, sha256),
            crs_name(crs),
            source.features + len(source.passed_over) if source.features >= 0 else math.nan,
            math.nan,
        )
        for source, crs in sources
    ]
    return _table(rows + _raster_rows(rasters))


def _table(rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=[field.name for field in OUTPUTS["inputs"].fields])


def _raster_rows(rasters: Sequence[Raster]) -> list[tuple[Any, ...]]:
    return [("dem", r.name, "", _raster_hash(r.path), r.crs, 0, 0) for r in rasters]


def _hash(source: Source, digest: Callable[[Path], str]) -> str:
    """Return the hash of a local file, or of a layer in memory; "" where it is neither."""
    path = source.path
    if source.digest is not None:
        return source.digest()
    return digest(path) if path is not None and path.exists() else ""


def _raster_hash(raster: str) -> str:
    """Return the hash of all local files a raster is made of; "" where there is none."""
    path = Path(raster)
    if path.is_dir():
        return sha256(path)
    members = raster_members(raster)
    return sha256_of(path, members) if members else ""
