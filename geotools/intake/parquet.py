"""GeoParquet files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geotools.errors import LayerError
from geotools.intake.digest import state_of
from geotools.intake.letters import is_foreign, text_of, value_text
from geotools.intake.sources import Bounds, Content, Source, damaged, meets

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

__all__ = ["is_parquet", "open_parquet"]

# Sides of a box as they are called here and in GeoParquet.
_SIDES = {"minx": "xmin", "miny": "ymin", "maxx": "xmax", "maxy": "ymax"}


def is_parquet(path: Path) -> bool:
    """Tell whether a path is read as GeoParquet: by its suffix."""
    return path.suffix.lower() in (".parquet", ".geoparquet")


def open_parquet(layer: str, path: Path, *, encoding: str = "") -> Source:
    """Look into a GeoParquet file; ``encoding`` is that of its text where it is not UTF-8.

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
        if geo and (fault := _fault(geo["columns"])):
            raise LayerError(label, fault)
        crs = geo["columns"][primary].get("crs", "OGC:CRS84") if geo else None
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        raise damaged(label, path, error) from error
    if primary is None:
        raise LayerError(
            label, "is a Parquet file without geometry metadata; write it as GeoParquet"
        )
    columns = tuple(n for n in schema.names if n not in geo["columns"])

    file = _File(layer, label, path, primary, encoding)
    cover = _cover(geo["columns"][primary], schema)

    def read(wanted: Sequence[str], bounds: Bounds | None) -> Content:
        return _read(file, wanted, bounds, cover)

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
        partial(_column, file),
        extent=extent,
        target=str(path),
    )


@dataclass(frozen=True)
class _File:
    """A file that was looked into; ``encoding`` is the brief's, "" if it says none."""

    layer: str
    label: str
    path: Path
    primary: str
    encoding: str

    def foreign(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return which of the columns hold text that is not UTF-8."""
        with _as_damaged(self.label, self.path):
            return _foreign(self.path, state_of(self.path), tuple(names))

    def text(self, name: str) -> tuple[pd.Series[Any], bool]:
        """Return such a column as text, and whether letters of it could not be read."""
        with _as_damaged(self.label, self.path):
            return text_of(_stored(self.path, name), self.encoding or "utf-8")


@lru_cache(maxsize=64)  # windows of a batch have the same files
def _foreign(path: Path, state: object, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return which columns hold text that is not UTF-8; looked up once for a state of the file.

    pandas fails at it, or has it untouched, by its version.
    """
    import pyarrow as pa
    import pyarrow.dataset

    kinds = (pa.types.is_string, pa.types.is_large_string, pa.types.is_dictionary)
    schema = pyarrow.dataset.dataset(path, format="parquet").schema
    text = {field.name for field in schema if any(is_kind(field.type) for is_kind in kinds)}
    return tuple(name for name in names if name in text and is_foreign(_stored(path, name)))


def _stored(path: Path, name: str) -> pa.ChunkedArray:
    """Return a column as it is stored, its words in full."""
    import pyarrow as pa
    import pyarrow.parquet

    column = pyarrow.parquet.read_table(path, columns=[name]).column(0)
    if not pa.types.is_dictionary(column.type):
        return column
    chunks = [chunk.dictionary.take(chunk.indices) for chunk in column.chunks]
    return pa.chunked_array(chunks, column.type.value_type)


def _column(file: _File, name: str) -> pd.Series[Any]:
    import pandas as pd

    if file.foreign([name]):
        return file.text(name)[0]
    with _as_damaged(file.label, file.path):
        return pd.read_parquet(file.path, engine="pyarrow", columns=[name])[name]


def _fault(columns: Any) -> str:
    """Return what the metadata of columns say that GeoParquet has not, and what to do; or ""."""
    if not isinstance(columns, dict):
        return "has GeoParquet metadata of which those of its columns are no object; write it again"
    for name, said in columns.items():
        if not isinstance(said, dict):
            where = f"column {name!r}"
        elif not isinstance(covering := said.get("covering", {}), dict):
            where = f"the covering of column {name!r}"
        elif not isinstance(covering.get("bbox", {}), dict):
            where = f"the boxes in the covering of column {name!r}"
        else:
            continue
        return f"has GeoParquet metadata of which those of {where} are no object; write it again"
    return ""


def _cover(said: dict[str, Any], schema: pa.Schema) -> str:
    """Return the column of the features' boxes; "" if there is none, or not as geopandas has it."""
    import pyarrow as pa

    cover, sides = said.get("covering", {}).get("bbox", {}), list(_SIDES.values())
    for field in schema:
        if [cover.get(side) for side in sides] == [[field.name, side] for side in sides]:
            held = [part.name for part in field.type] if pa.types.is_struct(field.type) else []
            return field.name if set(sides) <= set(held) else ""
    return ""


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


def _read(file: _File, wanted: Sequence[str], bounds: Bounds | None, cover: str) -> Content:
    """Read features, within bounds if any; where the file keeps their boxes, those features alone.

    A feature is named by its row in the whole file, whichever part is read.
    """
    import geopandas

    by_box = bounds if cover else None
    foreign = file.foreign(wanted)
    plain = [name for name in wanted if name not in foreign]
    with _as_damaged(file.label, file.path):
        frame = geopandas.read_parquet(file.path, columns=[*plain, file.primary], bbox=by_box)
        rows = np.arange(len(frame)) if by_box is None else _boxed(file.path, cover, by_box)
    if bounds is not None and by_box is None:
        inside = meets(frame.geometry.bounds, bounds)
        frame, rows = frame[inside], rows[inside]
    table = frame[plain].reset_index(drop=True)
    messages = []
    for name in foreign:
        text, lost = file.text(name)
        table[name] = text.to_numpy()[rows]
        messages += [value_text(file.layer, name, file.encoding)] if lost else []
    fids = rows.astype(str).astype(object)
    by_brief = bool(foreign and file.encoding)
    geometry = np.asarray(frame.geometry.array, dtype=object)
    return Content(table[list(wanted)], geometry, fids, tuple(messages), by_brief=by_brief)


def _boxed(path: Path, cover: str, bounds: Bounds) -> npt.NDArray[np.int64]:
    """Return the rows of a file whose boxes, in the column ``cover``, meet the bounds."""
    import pandas as pd
    import pyarrow.compute as pc
    import pyarrow.parquet

    column = pyarrow.parquet.read_table(path, columns=[cover]).column(cover)
    boxes = {name: pc.struct_field(column, side).to_numpy() for name, side in _SIDES.items()}
    return np.flatnonzero(meets(pd.DataFrame(boxes), bounds))
