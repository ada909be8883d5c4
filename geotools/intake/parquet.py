"""GeoParquet files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from geotools.errors import LayerError
from geotools.intake.sources import Content, Source, damaged

__all__ = ["is_parquet", "open_parquet"]


def is_parquet(path: Path) -> bool:
    """Tell whether a path is read as GeoParquet: by its suffix."""
    return path.suffix.lower() in (".parquet", ".geoparquet")


def open_parquet(layer: str, path: Path) -> Source:
    """Look into a GeoParquet file.

    Raises
    ------
    LayerError
        If it is damaged or has no geometry.
    """
    import json

    import pyarrow as pa
    import pyarrow.dataset

    label = f"{layer} ({path.name})"
    try:
        schema = pyarrow.dataset.dataset(path, format="parquet").schema
        geo = json.loads((schema.metadata or {}).get(b"geo", b"null"))
        primary = geo["primary_column"] if geo else None
        crs = geo["columns"][primary].get("crs", "OGC:CRS84") if geo else None
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        raise damaged(label, path, error) from error
    if primary is None:
        raise LayerError(
            label, "is a Parquet file without geometry metadata; write it as GeoParquet"
        )
    columns = tuple(n for n in schema.names if n not in geo["columns"])

    def read(wanted: Sequence[str]) -> Content:
        return _read(label, path, primary, wanted)

    return Source(layer, label, path.name, "", columns, crs, False, path, read)


def _read(label: str, path: Path, primary: str, wanted: Sequence[str]) -> Content:
    import geopandas
    import pyarrow as pa
    import shapely

    try:
        frame = geopandas.read_parquet(path, columns=[*wanted, primary])
    except (pa.ArrowException, OSError, ValueError, shapely.errors.ShapelyError) as error:
        raise damaged(label, path, error) from error
    table = frame[list(wanted)].reset_index(drop=True)
    fids = np.arange(len(frame)).astype(str).astype(object)
    return Content(table, np.asarray(frame.geometry.array, dtype=object), fids)
