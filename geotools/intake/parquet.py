"""GeoParquet files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geotools.errors import LayerError
from geotools.intake.sources import Bounds, Content, Source, damaged, meets

if TYPE_CHECKING:
    import pandas as pd

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
        data = pyarrow.dataset.dataset(path, format="parquet")
        schema, count = data.schema, data.count_rows()
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

    cover = geo["columns"][primary].get("covering", {}).get("bbox")

    def read(wanted: Sequence[str], bounds: Bounds | None) -> Content:
        return _read(label, path, primary, wanted, bounds, cover)

    stated = "crs" in geo["columns"][primary]
    extent = None if stated else _extent(label, path, primary)
    return Source(
        layer,
        label,
        path.name,
        "",
        columns,
        crs,
        None,
        path,
        read,
        count,
        partial(_column, label, path),
        extent=extent,
        target=str(path),
    )


def _column(label: str, path: Path, name: str) -> pd.Series[Any]:
    import pandas as pd

    with _as_damaged(label, path):
        return pd.read_parquet(path, engine="pyarrow", columns=[name])[name]


def _extent(label: str, path: Path, primary: str) -> Callable[[], Bounds | None]:
    """Return what works out the bounds of a file; its metadata need not have them."""

    def look() -> Bounds | None:
        import geopandas

        with _as_damaged(label, path):
            frame = geopandas.read_parquet(path, columns=[primary])
        low_x, low_y, high_x, high_y = frame.total_bounds.tolist()
        return low_x, low_y, high_x, high_y

    return look


@contextmanager
def _as_damaged(label: str, path: Path) -> Iterator[None]:
    """Turn what reading a damaged file raises into an error of the layer."""
    import pyarrow as pa
    import shapely

    try:
        yield
    except (pa.ArrowException, OSError, ValueError, shapely.errors.ShapelyError) as error:
        raise damaged(label, path, error) from error


def _read(
    label: str,
    path: Path,
    primary: str,
    wanted: Sequence[str],
    bounds: Bounds | None,
    cover: dict[str, list[str]] | None,
) -> Content:
    """Read features, within bounds if any; where the file keeps their boxes, those features alone.

    A feature is named by its row in the whole file, whichever part is read.
    """
    import geopandas

    by_box = None if cover is None else bounds
    with _as_damaged(label, path):
        frame = geopandas.read_parquet(path, columns=[*wanted, primary], bbox=by_box)
        rows = np.arange(len(frame)) if by_box is None else _boxed(path, cover or {}, by_box)
    if bounds is not None and by_box is None:
        inside = meets(frame.geometry.bounds, bounds)
        frame, rows = frame[inside], rows[inside]
    table = frame[list(wanted)].reset_index(drop=True)
    fids = rows.astype(str).astype(object)
    return Content(table, np.asarray(frame.geometry.array, dtype=object), fids)


def _boxed(path: Path, cover: dict[str, list[str]], bounds: Bounds) -> npt.NDArray[np.int64]:
    """Return the rows of a file whose boxes meet the bounds."""
    import pandas as pd
    import pyarrow.compute as pc
    import pyarrow.parquet

    table: Any = pyarrow.parquet.read_table(path, columns=sorted({c[0] for c in cover.values()}))
    sides = {"minx": "xmin", "miny": "ymin", "maxx": "xmax", "maxy": "ymax"}
    boxes = {
        name: pc.struct_field(table.column(cover[side][0]), cover[side][1:]).to_numpy()
        for name, side in sides.items()
    }
    return np.flatnonzero(meets(pd.DataFrame(boxes), bounds))
