"""The hash of a layer in memory: of its columns, values, geometries, labels and CRS."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    import geopandas

__all__ = ["frame_digest"]

AT_ONCE = 50_000  # geometries made into bytes at once


def frame_digest(frame: geopandas.GeoDataFrame) -> str:
    """Return the SHA-256 of what a GeoDataFrame holds, as hexadecimal text.

    Rows count in their order, with their labels; the order of columns does not.
    """
    total = hashlib.sha256()
    active = frame.geometry.name
    names = sorted(range(len(frame.columns)), key=lambda k: str(frame.columns[k]))
    for piece in (str(len(frame)).encode(), str(active).encode(), *_values(_labels(frame))):
        _add(total, piece)
    for k in names:
        _add(total, str(frame.columns[k]).encode("utf-8", "surrogatepass"))
        column = frame.iloc[:, k]
        for piece in _shapes(column) if column.dtype == "geometry" else _values(column):
            _add(total, piece)
    return total.hexdigest()


def _add(total: Any, piece: bytes) -> None:
    total.update(f"{len(piece)} ".encode())
    total.update(piece)


def _labels(frame: geopandas.GeoDataFrame) -> pd.Series[Any]:
    return pd.Series(np.array([str(label) for label in frame.index], dtype=object))


def _values(column: pd.Series[Any]) -> Iterator[bytes]:
    """Yield bytes that tell the values of a column; such as no hash can be made of as text."""
    yield column.isna().to_numpy(bool).tobytes()
    try:
        hashes = pd.util.hash_pandas_object(column, index=False)
    except TypeError:  # lists and the like
        hashes = pd.util.hash_pandas_object(column.map(repr), index=False)
    yield hashes.to_numpy(np.uint64).astype("<u8").tobytes()


def _shapes(column: Any) -> Iterator[bytes]:
    yield b"" if column.crs is None else column.crs.to_wkt().encode()
    shapes = column.to_numpy(dtype=object)
    for start in range(0, len(shapes), AT_ONCE):
        wkb = shapely.to_wkb(shapes[start : start + AT_ONCE], byte_order=1)
        parts = [b"" if one is None else one for one in wkb]
        yield np.array([len(one) for one in parts], dtype="<i8").tobytes()
        yield b"".join(parts)
