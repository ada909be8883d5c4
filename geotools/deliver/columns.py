"""Output tables as the contract wants them: its fields, in its order, units and types."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from geotools.accel import give_back
from geotools.deliver.levels import with_known_levels
from geotools.program import PROGRAM
from geotools.schema import DIMENSIONS, OUTPUTS, Field

__all__ = [
    *("GEOMETRY", "content_hash", "contract_batches", "contract_table"),
    *("encoded", "wkb_of"),
]

GEOMETRY = "geometry"
AT_ONCE = 200_000  # rows hashed at once
# Arrow metadata by which GDAL learns the description of a field.
COMMENT = "GDAL:OGR:comment"
_ARROW = {"text": pa.string(), "integer": pa.int64(), "real": pa.float64(), "flag": pa.bool_()}
_PARTS = {"MultiPoint": "Point", "MultiLineString": "LineString", "MultiPolygon": "Polygon"}
_COLLECT = {
    "MultiPoint": shapely.multipoints,
    "MultiLineString": shapely.multilinestrings,
    "MultiPolygon": shapely.multipolygons,
}


def contract_table(
    name: str, frame: pd.DataFrame, *, units: str, wkb: pa.Array | None = None
) -> pa.Table:
    """Return a layer as an Arrow table with the contract's fields and nothing else.

    Parameters
    ----------
    name : str
        Key of ``schema.OUTPUTS``.
    frame : DataFrame or GeoDataFrame
        Columns under their bare names in SI base units, and ``geometry`` if the layer has one.
    units : str
        ``si`` or ``us``: the system of the columns.
    wkb : Array, optional
        Its geometries as `encoded` has them, where they were encoded before.

    Raises
    ------
    KeyError
        If the layer is not in the contract or the frame lacks one of its fields.
    ValueError
        If a value does not fit the type of its field, or a geometry that of the layer.
    """
    fields, arrays = zip(*_columns(name, frame, units, wkb), strict=True)
    whole = [a.dictionary_decode() if pa.types.is_dictionary(a.type) else a for a in arrays]
    return pa.table(whole, schema=pa.schema(fields))


def contract_batches(
    name: str, frame: pd.DataFrame, *, units: str, wkb: pa.Array | None, rows: int
) -> pa.RecordBatchReader:
    """Return a layer as `contract_table` does, made so many rows at a time as it is read.

    What does not fit the contract is told when its rows are read.
    """

    def part(first: int, last: int) -> pa.Table:
        shapes = None if wkb is None else wkb[first:last]
        return contract_table(name, frame.iloc[first:last], units=units, wkb=shapes)

    firsts = range(0, len(frame), rows)
    batches = (batch for k in firsts for batch in part(k, k + rows).to_batches())
    return pa.RecordBatchReader.from_batches(part(0, 0).schema, batches)


def _columns(
    name: str, frame: pd.DataFrame, units: str, wkb: pa.Array | None
) -> Iterator[tuple[pa.Field, pa.Array]]:
    """Yield the fields of a layer and their values one by one, as of `contract_table`.

    Texts held as numbers of words are yielded so.
    """
    layer = OUTPUTS[name]
    missing = [f.name for f in layer.fields if f.name not in frame.columns]
    if missing:
        raise KeyError(f"layer {name}: no column {', '.join(missing)}")
    for field in layer.fields:
        meta = {COMMENT: field.text}
        told = pa.field(field.column(units), _ARROW[field.dtype], metadata=meta)
        yield told, _values(frame[field.name], field, name, units)
    if layer.geometry:
        yield pa.field(GEOMETRY, pa.binary()), _wkb(name, frame) if wkb is None else wkb


def encoded(
    tables: Mapping[str, pd.DataFrame],
    places: Mapping[str, npt.NDArray[np.float64]] | None = None,
    wkb: Mapping[str, pa.Array] | None = None,
) -> dict[str, pa.Array]:
    """Return the geometries of the layers that have any as WKB: for the file and for its hash.

    ``places`` are x and y, shape (n, 2), of layers of points whose tables have no geometry;
    ``wkb`` are those that were encoded before.
    """
    places, made = places or {}, dict(wkb or {})
    for name, frame in tables.items():
        if OUTPUTS[name].geometry and name not in made:
            made[name] = _point_wkb(places[name]) if name in places else _wkb(name, frame)
    return made


# A point as WKB: the order of bytes (1 is little-endian), the kind of geometry, x and y.
_POINT = np.dtype([("order", "u1"), ("kind", "<u4"), ("xy", "<f8", 2)])


def _point_wkb(xy: npt.NDArray[np.float64]) -> pa.Array:
    """Return points as WKB, byte for byte what shapely makes of them."""
    records = np.empty(len(xy), dtype=_POINT)
    records["order"], records["kind"], records["xy"] = 1, 1, xy
    offsets = np.arange(len(xy) + 1, dtype=np.int32) * np.int32(_POINT.itemsize)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(records)]
    return pa.Array.from_buffers(pa.binary(), len(xy), buffers)


def content_hash(
    tables: Mapping[str, pd.DataFrame], wkb: Mapping[str, pa.Array] | None = None
) -> str:
    """Return a SHA-256 over layers, fields, values and geometries, whatever file holds them.

    Rows count in their order; the order of tables and of columns does not, nor do columns that
    are not in the contract. Values are hashed in SI, so the unit system of a file is no matter.
    Nor is the program that made them: another that comes to the same makes the same result.
    ``wkb`` is what `encoded` made of the same tables, if it is at hand.
    """
    known = wkb or {}
    digest = hashlib.sha256()
    for name in sorted(tables):
        table = _hashed(name, tables[name])
        digest.update(f"layer {name} {len(table)}\n".encode())
        for field, values in _columns(name, table, "si", known.get(name)):
            digest.update(f"field {field.name} {field.type}\n".encode())
            if pa.types.is_dictionary(values.type):
                _hash_words(digest, values)
            else:
                _hash_column(digest, values)
            del values
        give_back()
    return digest.hexdigest()


def _hashed(name: str, table: pd.DataFrame) -> pd.DataFrame:
    return table[table["name"] != PROGRAM] if name == "settings" else table


def _hash_words(digest: Any, column: pa.DictionaryArray) -> None:
    """Hash texts held as numbers of words as the texts themselves would be."""
    words = column.dictionary
    lengths = pc.binary_length(words)
    digest.update(column.is_valid().to_numpy(zero_copy_only=False))
    parts = [column.indices.slice(k, AT_ONCE) for k in range(0, len(column), AT_ONCE)]
    for part in parts:
        digest.update(pc.fill_null(lengths.take(part), 0).to_numpy().astype("<i8"))
    for part in parts:
        digest.update(_joined(words.take(part.drop_null())))


def _hash_column(digest: Any, values: pa.Array | pa.ChunkedArray) -> None:
    column = values if isinstance(values, pa.ChunkedArray) else pa.chunked_array([values])
    for part in _slices(column):
        digest.update(part.is_valid().to_numpy())
    if not (pa.types.is_string(column.type) or pa.types.is_binary(column.type)):
        zero = pa.scalar(0).cast(column.type)
        for part in _slices(column):
            numbers = part.fill_null(zero).to_numpy()
            digest.update(numbers + 0.0 if numbers.dtype.kind == "f" else numbers)  # no -0.0
        return
    for part in _slices(column):
        digest.update(pc.fill_null(pc.binary_length(part), 0).to_numpy().astype("<i8"))
    for part in _slices(column):
        for chunk in part.drop_null().chunks:
            digest.update(_joined(chunk))


def _slices(column: pa.ChunkedArray) -> Iterator[pa.ChunkedArray]:
    """Yield the rows of a column, so many at a time."""
    return (column.slice(first, AT_ONCE) for first in range(0, len(column), AT_ONCE))


def _joined(texts: pa.Array) -> memoryview:
    """Return the bytes of texts, none of them missing, one after the other."""
    _, bounds, data = texts.buffers()
    if data is None:
        return memoryview(b"")
    low, high = np.frombuffer(bounds, dtype=np.int32)[[texts.offset, texts.offset + len(texts)]]
    return memoryview(data)[low:high]


def _values(series: pd.Series[Any], field: Field, layer: str, units: str) -> pa.Array:
    """Return a column in the type and unit of its field, missing values as null."""
    try:
        if field.dtype == "real":
            values = series.to_numpy(dtype=np.float64, na_value=np.nan)
            zero = field.zero(field.column(units))
            return pa.array((values - zero) / _factor(field, units), from_pandas=True)
        if field.dtype == "integer":
            return pa.array(series.astype("Int64"), pa.int64(), from_pandas=True)
        if field.dtype == "flag":
            return pa.array(series.astype("boolean"), pa.bool_(), from_pandas=True)
        return _texts(series)
    except (TypeError, ValueError, pa.ArrowException) as error:
        raise ValueError(f"layer {layer}, field {field.name} ({field.dtype}): {error}") from error


def _texts(series: pd.Series[Any]) -> pa.Array:
    """Return a column as texts, what is none put into words; numbers of words stay so."""
    if isinstance(series.dtype, pd.CategoricalDtype):
        words, number = series.cat.categories, series.cat.codes.to_numpy()
        told = _texts(pd.Series(words))
        told = told.combine_chunks() if isinstance(told, pa.ChunkedArray) else told
        return pa.DictionaryArray.from_arrays(pa.array(number, mask=number < 0), told)
    if series.dtype == object:
        try:
            return pa.array(series.to_numpy(), pa.string(), from_pandas=True)
        except pa.ArrowTypeError:  # not texts alone
            pass
    if not isinstance(series.dtype, pd.StringDtype):
        series = series.astype("string")
    return pa.array(series.array, pa.string())


def _factor(field: Field, units: str) -> float:
    if field.dimension is None:
        return 1.0
    return DIMENSIONS[field.dimension].shown_in(units)[1]


def _wkb(layer: str, frame: pd.DataFrame) -> pa.Array:
    return wkb_of(layer, frame[GEOMETRY].to_numpy(dtype=object))


def wkb_of(layer: str, geometry: npt.NDArray[np.object_]) -> pa.Array:
    """Return geometries as WKB of the declared kind: single parts gathered, Z added or dropped.

    Levels not known are filled as `with_known_levels` does.

    Raises
    ------
    ValueError
        If a geometry is of another kind than the layer.
    """
    name, _, z = OUTPUTS[layer].geometry[0].partition(" ")
    if name == "Unknown":
        return _encoded(geometry, 2)
    wanted = shapely.GeometryType[name.upper()]
    types = shapely.get_type_id(geometry)
    if name in _PARTS:
        single = types == shapely.GeometryType[_PARTS[name].upper()]
        geometry = geometry.copy()
        geometry[single] = _COLLECT[name](geometry[single], indices=np.arange(single.sum()))
        types = np.where(single, wanted, types)
    wrong = np.flatnonzero((types != wanted) & (types != -1))
    if len(wrong):
        found = shapely.GeometryType(int(types[wrong[0]])).name
        raise ValueError(f"layer {layer}: geometry {wrong[0]} is a {found}, not a {name}")
    return _encoded(with_known_levels(geometry), 3) if z else _encoded(geometry, 2)


def _encoded(geometry: npt.NDArray[Any], dimension: int) -> pa.Array:
    wkb = shapely.to_wkb(geometry, output_dimension=dimension, flavor="iso")
    return pa.array(wkb, pa.binary())
