"""The hash of a layer in memory: of its columns, values, geometries, labels and CRS."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

if TYPE_CHECKING:
    import geopandas

__all__ = ["frame_digest"]

AT_ONCE = 50_000  # geometries made into bytes at once
_PLAIN = str | int | float | bytes | None
_ADDRESS = re.compile(r" at 0x[0-9a-f]+")


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
    if column.dtype == object:
        column = column.map(lambda value: value if isinstance(value, _PLAIN) else _told(value))
    try:
        hashes = pd.util.hash_pandas_object(column, index=False)
    except (TypeError, ValueError, NotImplementedError):  # lists, sets, odd kinds of numbers
        hashes = pd.util.hash_pandas_object(column.map(_told), index=False)
    yield hashes.to_numpy(np.uint64).astype("<u8").tobytes()


def _told(value: Any) -> str:
    """Return a value as text, the same in every process: sets in order, objects without address."""
    if isinstance(value, set | frozenset):
        return f"set of {sorted(map(_told, value))}"
    text = repr(value)
    return type(value).__name__ if _ADDRESS.search(text) else text


def _shapes(column: Any) -> Iterator[bytes]:
    yield b"" if column.crs is None else column.crs.to_wkt().encode()
    shapes = column.to_numpy(dtype=object)
    for start in range(0, len(shapes), AT_ONCE):
        wkb = shapely.to_wkb(shapes[start : start + AT_ONCE], byte_order=1)
        parts = [b"" if one is None else one for one in wkb]
        yield np.array([len(one) for one in parts], dtype="<i8").tobytes()
        yield b"".join(parts)
