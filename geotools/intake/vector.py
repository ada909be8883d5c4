"""Vector files of every kind GDAL reads: whole columns at once, by Arrow."""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import pyogrio.errors
import pyogrio.raw
import shapely

from geotools.errors import LayerError
from geotools.intake.arcs import finely, holding_arcs
from geotools.intake.code_page import lossy_text, stated_encoding, to_decode
from geotools.intake.cut import Cut, apart, own_name, utf8_names
from geotools.intake.digest import state_of
from geotools.intake.domains import domain_of, read_words, worded
from geotools.intake.entries import passed_over
from geotools.intake.environment import fiona_environment, open_options, vector_environment
from geotools.intake.faults import nearest
from geotools.intake.kinds import is_raster
from geotools.intake.letters import (
    BYTES,
    as_bytes,
    column_of,
    is_foreign,
    is_utf8,
    likely_encoding,
    name_fault,
    text_of,
    value_text,
)
from geotools.intake.listing import layers_of
from geotools.intake.packed import both_ends
from geotools.intake.place import Place, odd_letters
from geotools.intake.prj import around_prj, prj_beside
from geotools.intake.quoted import unread_rows
from geotools.intake.sources import (
    NO_GEOMETRY,
    Bounds,
    Content,
    Source,
    damaged,
    is_utf16,
    plain_reason,
)
from geotools.intake.spelled import LOOKED_AT, is_own_way, likely_names, numbered_crs, parsed
from geotools.lists import as_compared, listed

__all__ = ["open_vector"]

_Call = TypeVar("_Call", bound=Callable[..., Any])
_FIDS = "ids of the features"  # where a field has the name they come by
_NAMED = 20  # layers named in a text
_CRS_NO_UTF8 = (
    "names its CRS in letters that are not UTF-8; export it again with a CRS that has an EPSG "
    "code, or, if it is packed, as a zip or unpacked"
)
UTF8, SHAPEFILE = "UTF-8", "ESRI Shapefile"
# What reading a damaged file raises, from pyogrio (RuntimeError), Arrow and the system.
READ_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pa.ArrowException,
    OSError,
    UnicodeDecodeError,
)
# Warnings that are about a program, this one or one that uses it.
NOT_OF_THE_FILE = (DeprecationWarning, PendingDeprecationWarning, ResourceWarning)
# Formats that are in degrees of WGS 84 by their standard, unless a member says otherwise.
DEGREES_BY_DEFAULT = ("GeoJSON", "GeoJSONSeq", "TopoJSON")
CRS_MEMBER = re.compile(rb'"crs"\s*:\s*\{')
POINTING_DRIVERS = ("OGR_VRT", "WFS", "GDALG", "OAPIF", "OGCAPI", "HTTP", "ADBC")
# Whole numbers with gaps stay whole: an identifier must not lose digits to a float.
WHOLE_TYPES = {
    pa.int8(): pd.Int64Dtype(),
    pa.int16(): pd.Int64Dtype(),
    pa.int32(): pd.Int64Dtype(),
    pa.int64(): pd.Int64Dtype(),
    pa.uint32(): pd.Int64Dtype(),
    pa.uint64(): pd.UInt64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
}


def open_vector(
    layer: str,
    place: Place,
    *,
    allow_remote: bool,
    encoding: str = "",
    mapped: Collection[str] = (),
) -> Source:
    """Look into a vector file; ``encoding`` is that of its text where it is not UTF-8.

    ``mapped`` are the columns that the brief names, which may tell the encoding where it does not.

    Raises
    ------
    LayerError
        If it cannot be opened, has no such layer, or several and none is named.
    """
    within = partial(vector_environment, allow_remote=allow_remote)
    with within():
        source = _looked_into(layer, place, allow_remote, encoding, mapped)
    return replace(
        source,
        read=_under(within, source.read),
        column=_under(within, source.column),
        extent=None if source.extent is None else _under(within, source.extent),
    )


def _under(within: Callable[[], AbstractContextManager[None]], call: _Call) -> _Call:
    """Return a call that is made in an environment of its own."""

    def made(*given: Any) -> Any:
        with within():
            return call(*given)

    return cast("_Call", made)


def _looked_into(
    layer: str, place: Place, allow_remote: bool, encoding: str, mapped: Collection[str]
) -> Source:
    """Return what `open_vector` does, to be read in the same environment."""
    label, sublayer, messages = _chosen(layer, place)
    target = place.target
    with _told(layer, label, place, sublayer, encoding, mapped), _heard(messages):
        look, place = _look_around(label, place, sublayer, encoding, messages)
    info, columns = look.info, list(look.columns)
    if info["driver"] in POINTING_DRIVERS and not allow_remote:
        raise LayerError(label, "points at other data (virtual layer); give the data itself")
    if info["driver"] == "CSV":
        _refuse_lost_rows(label, place, sublayer)
    messages += filter(None, [lossy_text(info["driver"], place.path)])
    own = dict(zip(columns, map(str, info["fields"]), strict=True))
    fid = info.get("fid_column", "")
    if fid and fid not in columns:
        columns.append(fid)

    count = int(info["features"])
    said = (encoding, look.page, look.asked, look.by_brief)
    found = _File(layer, label, place, sublayer, info["driver"], columns, count, *said, own)
    spelled, crs = _spelled(found, info)
    found = replace(found, spelled=spelled)

    def read(wanted: Sequence[str], bounds: Bounds | None) -> Content:
        return _read(found, wanted, bounds, messages)

    return Source(
        layer,
        label,
        place.shown,
        sublayer,
        tuple(c for c in columns if c != spelled and not _is_geometry(c, info)),
        info["crs"] or crs,
        cut=look.cut(own) if info["driver"] == SHAPEFILE else None,
        path=place.path,
        read=read,
        features=found.expected,
        column=partial(_column, found),
        spatial=info["geometry_type"] is not None or spelled != "",
        extent=_extent(place, sublayer, look.asked) if _crs_by_default(info, place) else None,
        target=target,
        spelled=spelled,
        crs_unread=look.crs_unread,
        passed_over=passed_over(info["driver"], place, count),
    )


def _chosen(layer: str, place: Place) -> tuple[str, str, list[str]]:
    """Return how a source is called, which of its layers is read, and what the reader warned of."""
    label = f"{layer} ({place.shown})"
    _refuse_odd_name(label, place.path)
    _refuse_short_shapefile(label, place.path)
    known, messages = _known_layers(label, place)
    sublayer = _choose(layer, label, place.sublayer, known)
    if len(known) > 1 or place.sublayer:
        label = f"{layer} ({place.shown}:{sublayer})"
    return label, sublayer, messages


def _refuse_lost_rows(label: str, place: Place, sublayer: str) -> None:
    if is_utf16(place.path):
        raise damaged(label, place.path, "")
    if why := unread_rows(place, sublayer, _state_of(place.path)):
        raise LayerError(label, why)


@contextmanager
def _told(
    layer: str, label: str, place: Place, sublayer: str, encoding: str, mapped: Collection[str]
) -> Iterator[None]:
    """Say of a layer that cannot be looked into what is wrong with it."""
    try:
        yield
    except UnicodeDecodeError as error:
        if is_utf16(place.path):
            raise damaged(label, place.path, error) from error
        likely = likely_encoding(_stored_names(place, sublayer), mapped)
        raise LayerError(label, name_fault(layer, error.object, encoding, likely)) from error
    except READ_ERRORS as error:
        raise damaged(label, place.path, error, target=place.target) from error


def _spelled(file: _File, info: dict[str, Any]) -> tuple[str, str | None]:
    """Return the column that holds geometries as text GDAL does not read, and the CRS these say.

    "" if there is none. Geometries of a CSV as plain WKT GDAL reads itself.
    """
    own = [name for name in file.columns if _is_geometry(name, info)]
    if info["geometry_type"] is not None and not own:
        return "", None
    for name in dict.fromkeys([*own, *likely_names(file.columns)]):
        with _heard([]):  # it is heard when all is read
            texts = _spelled_texts(file, [name], max_features=LOOKED_AT)[1]
        if not any(text and text.strip() for text in texts):
            texts = _spelled_texts(file, [name])[1]
        geometry, _, numbers = parsed(texts)
        if texts and shapely.is_missing(geometry).all():
            continue  # notes under such a name; another column may hold them
        if name in own and not is_own_way(texts):
            return "", None
        with _heard([]):  # a number may come first in any row, and says where all lie
            numbers = numbers or parsed(_spelled_texts(file, [name])[1])[2]
        return name, numbered_crs(file.label, numbers)
    return "", None


def _known_layers(label: str, place: Place) -> tuple[npt.NDArray[Any], list[str]]:
    """Return the layers of a source, and what the reader warned of."""
    try:
        known, heard = _layers_in(place, _state_of(place.path))
    except READ_ERRORS as error:
        if place.path is not None and is_raster(place.path):
            raise LayerError(label, "is a raster; give a vector layer") from error
        raise damaged(label, place.path, error, target=place.target) from error
    return known, list(heard)


@dataclass(frozen=True)
class _Look:
    """What a layer states, the names of its columns, and in which encoding to ask for its text.

    ``asked`` is None where it is its own. ``encoding`` is that of names and ``by_brief`` tells
    that the brief says it. ``page`` is what the file says, if that must not be left to GDAL.
    ``crs_unread`` is why its CRS could not be read, "" if it could.
    """

    info: dict[str, Any]
    columns: Sequence[str]
    asked: str | None = None
    encoding: str = UTF8
    by_brief: bool = False
    page: str = ""
    crs_unread: str = ""

    def cut(self, own: Mapping[str, str]) -> Cut:
        """Return how names were cut, by the names that columns have where they are asked for."""
        if self.asked != BYTES:
            return Cut(self.encoding)
        stored = {name.encode(BYTES): column for column, name in own.items()}
        return Cut(self.encoding, stored)


def _look_around(
    label: str, place: Place, sublayer: str, encoding: str, messages: list[str]
) -> tuple[_Look, Place]:
    """Look into a layer, past a .prj that GDAL does not read; return where it is read as well."""
    try:
        return _prj_told(_looked_at(label, place, sublayer, encoding), place, sublayer), place
    except (*READ_ERRORS, UnboundLocalError) as error:
        past = _past_prj(label, place, sublayer, encoding, messages, plain_reason(error, None))
        if past is not None:
            return past
        if isinstance(error, UnboundLocalError):  # as which pyogrio ends at such a CRS
            raise LayerError(label, _CRS_NO_UTF8) from error
        raise


def _prj_told(look: _Look, place: Place, sublayer: str) -> _Look:
    """Tell of a Shapefile without a CRS that GDAL made nothing of its .prj, if it has one."""
    if look.info["driver"] != SHAPEFILE or look.info["crs"]:
        return look
    prj = prj_beside(place, sublayer)
    if prj is None or not prj.stored.strip():
        return look
    return replace(look, crs_unread=f"its CRS in {prj.name!r} cannot be read")


def _past_prj(
    label: str, place: Place, sublayer: str, encoding: str, messages: list[str], why: str
) -> tuple[_Look, Place] | None:
    """Look into a Shapefile as `around_prj` gives it; None if it has no .prj.

    ``why`` is why it was not read. What is wrong without its .prj is raised.
    """
    for other, said, left_out in around_prj(place, sublayer, encoding):
        try:
            look = _looked_at(label, other, sublayer, encoding)
        except (*READ_ERRORS, UnboundLocalError) as error:
            if left_out:
                raise
            why = plain_reason(error, None)
            continue
        messages += [said] if said else []
        unread = f"its CRS in {left_out!r} cannot be read ({why})" if left_out else ""
        return replace(look, crs_unread=unread), other
    return None


def _looked_at(label: str, place: Place, sublayer: str, encoding: str) -> _Look:
    """Look into a layer whose names are UTF-8, or else are in the encoding of the brief.

    Text is asked for as it is stored where the brief says how, and of a Shapefile that does not or
    says what must not be left to GDAL.
    """
    asked, page = UTF8 if encoding else None, ""
    options = open_options(place)
    try:
        info = pyogrio.read_info(place.target, layer=sublayer, encoding=asked, **options)
        if asked is None and info["driver"] == SHAPEFILE:
            page = to_decode(label, place.target, sublayer)
            if page or info["encoding"] != UTF8:
                asked = UTF8
                info = pyogrio.read_info(place.target, layer=sublayer, encoding=asked, **options)
        return _Look(info, [str(name) for name in info["fields"]], asked, page=page)
    except UnicodeDecodeError:
        if is_utf16(place.path):
            raise
        info = pyogrio.read_info(place.target, layer=sublayer, encoding=BYTES, **options)
        stored = [str(name).encode(BYTES) for name in info["fields"]]
        if info["driver"] == SHAPEFILE and (names := _cut_names(place, sublayer, stored, encoding)):
            return _Look(info, names, BYTES)
        if not (encoding or page):
            raise
    columns = apart([own_name(name, encoding or page) for name in stored])
    return _Look(info, columns, BYTES, encoding or page, by_brief=not page, page=page)


def _cut_names(place: Place, sublayer: str, stored: Sequence[bytes], encoding: str) -> list[str]:
    """Return names of a Shapefile in UTF-8 that were cut within a letter; none if they are not."""
    said = [encoding, stated_encoding(place.target, sublayer)]
    return utf8_names(stored, said=any(is_utf8(name) for name in said if name))


def _stored_names(place: Place, sublayer: str) -> list[bytes]:
    """Return the names of the columns as they are stored, none if they cannot be had."""
    try:
        with _heard([]):  # it is refused, and why is said
            info = pyogrio.read_info(
                place.target, layer=sublayer, encoding=BYTES, **open_options(place)
            )
    except READ_ERRORS:
        return []
    return [str(name).encode(BYTES) for name in info["fields"]]


def _is_geometry(name: str, info: dict[str, Any]) -> bool:
    """Tell whether a column is what gives the geometries: of a CSV one of the name WKT."""
    plain = name.casefold()
    return (
        info["driver"] == "CSV"
        and info["geometry_type"] is not None
        and (plain == "wkt" or plain.startswith("_wkt"))
    )


def _crs_by_default(info: dict[str, Any], place: Place) -> bool:
    """Tell whether the CRS of a layer is that of its format, and not stated in the file.

    Of an archive that cannot be looked into here it is taken as not stated.
    """
    if info["driver"] not in DEGREES_BY_DEFAULT or info["crs"] != "EPSG:4326":
        return False
    if place.path is None or not place.path.is_file():
        return False
    return not any(CRS_MEMBER.search(part) for part in both_ends(place) or ())


def _extent(place: Place, sublayer: str, asked: str | None) -> Callable[[], Bounds | None]:
    """Return what looks up the bounds of a layer."""

    def look() -> Bounds | None:
        found = pyogrio.read_info(
            place.target,
            layer=sublayer,
            encoding=asked,
            force_total_bounds=True,
            **open_options(place),
        )
        bounds: Bounds | None = found["total_bounds"]
        return bounds

    return look


@lru_cache(maxsize=4)
def _layers_in(place: Place, state: object) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    """Return the layers of a source and what the reader warned of; looked up once for a state."""
    messages: list[str] = []
    with _heard(messages):
        return layers_of(place), tuple(messages)


def _state_of(path: Path | None) -> object:
    """Return the state of a local file; for anything else what no other call returns."""
    return state_of(path) if path is not None and path.is_file() else object()


def _refuse_odd_name(label: str, path: Path | None) -> None:
    odd = odd_letters(path) if path is not None else ""
    if odd:
        raise LayerError(label, f"has {odd} in its path, which cannot be opened; rename it")


def _refuse_short_shapefile(label: str, path: Path | None) -> None:
    """Refuse a Shapefile shorter than its header says: GDAL reads it with geometries missing."""
    if path is None or path.suffix.lower() != ".shp" or not path.is_file():
        return
    with path.open("rb") as stream:
        head = stream.read(28)
    stated = 2 * int.from_bytes(head[24:28], "big")
    size = path.stat().st_size
    if len(head) < 28 or size < stated:
        raise damaged(label, path, f"{size} bytes where its header says {stated}")


@contextmanager
def _heard(messages: list[str]) -> Iterator[None]:
    """Keep the reader's warnings as messages; they become findings."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    for item in caught:
        if issubclass(item.category, NOT_OF_THE_FILE):
            warnings.warn_explicit(item.message, item.category, item.filename, item.lineno)
        elif str(item.message) not in messages:
            messages.append(str(item.message))


def _choose(layer: str, label: str, named: str | None, known: npt.NDArray[Any]) -> str:
    """Return the layer meant: the one named, else of the contract's name, else the only one."""
    names = [str(row[0]) for row in known]
    wanted = layer if named is None else named
    alike = [n for n in names if n == wanted] or [
        n for n in names if as_compared([n]) == as_compared([wanted])
    ]
    if alike:
        return alike[0]
    if named is not None:
        close = nearest(named, names)
        hint = f"; did you mean {close!r}?" if close else ""
        raise LayerError(
            label, f"has no layer {named!r}{hint} (layers there: {listed(names, most=_NAMED)})"
        )
    spatial = [str(row[0]) for row in known if row[1] is not None]
    for options in (names, spatial):
        if len(options) == 1:
            return options[0]
    if not names:
        raise LayerError(
            label, "has no layers: it is damaged, cut short or another file; give one that has it"
        )
    raise LayerError(
        label,
        f"has {len(names)} layers and none is called {layer!r}; name one as path:layer "
        f"(layers there: {listed(names, most=_NAMED)})",
    )


@dataclass(frozen=True)
class _File:
    """A layer that was looked into: where it is, its columns, and how many features it states.

    ``encoding`` is the brief's, "" if it says none, and ``page`` then that of `_Look`. Text is
    asked for in ``asked``, where columns have the names they ``own``; ``named`` tells that they
    were read as the brief says. ``spelled`` is the column that holds geometries as text, if one
    does.
    """

    layer: str
    label: str
    place: Place
    sublayer: str
    driver: str
    columns: Sequence[str]
    expected: int
    encoding: str
    page: str
    asked: str | None
    named: bool
    own: Mapping[str, str]
    spelled: str = ""


def _read(
    file: _File, wanted: Sequence[str], bounds: Bounds | None, messages: list[str]
) -> Content:
    """Read columns and geometries; say which feature is broken if the whole cannot be read."""
    if file.spelled:
        return _read_spelled(file, wanted, bounds, messages)
    label, place, sublayer, expected = file.label, file.place, file.sublayer, file.expected
    try:
        with _heard(messages), finely():
            meta, table = _fetched(file, wanted, bbox=bounds)
            name = meta["geometry_name"] or "wkb_geometry"
            there = name in table.column_names
            arcs, wkb = _read_apart(file, table.column(name), bounds) if there else (0, None)
    except (*READ_ERRORS, RuntimeError) as error:
        raise _broken(label, place, sublayer, expected, error) from error
    whole = bounds is None
    if whole:
        _refuse_short(file, len(table))
    if name not in table.column_names:
        raise LayerError(label, NO_GEOMETRY)
    table, fid = _fids_apart(table, meta)
    if not whole:
        table = table.sort_by(fid)  # a spatial index gives features in its own order
    geometry, broken = _geometries(table.column(name).to_numpy() if wkb is None else wkb)
    fids = table.column(fid).to_numpy().astype(str).astype(object)
    table = table.select(list(wanted))
    frame = _frame(file, table, messages)
    by_brief = _by_brief(file, table)
    return Content(frame, geometry, fids, tuple(messages), broken, arcs, by_brief)


def _read_spelled(
    file: _File, wanted: Sequence[str], bounds: Bounds | None, messages: list[str]
) -> Content:
    """Read columns, and geometries from the one that holds them as text."""
    with _heard(messages):
        (table, fid), texts = _spelled_texts(file, [*wanted, file.spelled])
    _refuse_short(file, len(table))
    geometry, broken, numbers = parsed(texts)
    numbered_crs(file.label, numbers)
    if bounds is not None:
        met = shapely.intersects(geometry, shapely.box(*bounds))
        table, geometry, broken = table.filter(pa.array(met)), geometry[met], {}
    fids = table.column(fid).to_numpy().astype(str).astype(object)
    table = table.select(list(wanted))
    by_brief = _by_brief(file, table)
    frame = _frame(file, table, messages)
    return Content(frame, geometry, fids, tuple(messages), broken, 0, by_brief)


def _spelled_texts(
    file: _File, names: Sequence[str], **options: Any
) -> tuple[tuple[pa.Table, str], list[str | None]]:
    """Return a table and the name of its ids as `_fids_apart` does, and the last column's text."""
    try:
        meta, table = _fetched(file, names, read_geometry=False, **options)
    except (*READ_ERRORS, RuntimeError) as error:
        raise _broken(file.label, file.place, file.sublayer, file.expected, error) from error
    table, fid = _fids_apart(table, meta)
    column = table.column(names[-1])
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return (table, fid), [None] * len(table)
    stored = column.cast(pa.binary()).to_pylist()
    return (table, fid), [None if b is None else b.decode(UTF8, "replace") for b in stored]


def _by_brief(file: _File, table: pa.Table) -> bool:
    """Tell whether text was read in the encoding of the brief."""
    if not file.encoding:
        return False
    sure = file.named or is_utf8(file.encoding)
    return sure or any(map(is_foreign, table.columns))


def _fetched(file: _File, wanted: Sequence[str], **options: Any) -> tuple[dict[str, Any], pa.Table]:
    """Return columns and features' ids, and geometries if the options do not say otherwise."""
    names = [file.own.get(name, name) for name in _with_twins(wanted, file.columns)]
    how = {"layer": file.sublayer, "columns": names, "return_fids": True, **options}
    how |= open_options(file.place)
    if file.asked != BYTES:
        meta, table = pyogrio.raw.read_arrow(file.place.target, encoding=file.asked, **how)
        return meta, table
    if file.driver == SHAPEFILE:  # GDAL itself turns its text into UTF-8, as Arrow has it
        meta, table = pyogrio.raw.read_arrow(file.place.target, encoding=BYTES, **how)
        names, columns = table.column_names, table.columns
    else:
        meta, fids, wkb, values = pyogrio.raw.read(file.place.target, encoding=BYTES, **how)
        meta |= {"fid_column": _FIDS, "geometry_name": ""}
        names = [_FIDS, *meta["fields"], *([] if wkb is None else ["wkb_geometry"])]
        columns = [column_of(c) for c in (fids, *values, *([] if wkb is None else [wkb]))]
    shown = {own: name for name, own in file.own.items()}
    return meta, pa.table([as_bytes(c) for c in columns], names=[shown.get(n, n) for n in names])


def _column(file: _File, name: str) -> pd.Series[Any]:
    """Return the values of a column, text each once; geometries are not read."""
    messages: list[str] = []  # of what a window shows: heard when that was read
    try:
        with _heard(messages):
            meta, table = _fetched(file, [name], read_geometry=False)
    except (*READ_ERRORS, RuntimeError) as error:
        raise _broken(file.label, file.place, file.sublayer, file.expected, error) from error
    _refuse_short(file, len(table))
    table = _fids_apart(table, meta)[0].select([name])
    if pa.types.is_string(table.schema[0].type) or pa.types.is_large_string(table.schema[0].type):
        table = pa.table([table.column(0).unique()], schema=table.schema)
    return _frame(file, table, messages)[name]


def _fids_apart(table: pa.Table, meta: dict[str, Any]) -> tuple[pa.Table, str]:
    """Return a table in which no field has the name of the feature ids, and the name of these.

    GeoJSON calls them ``id``, and its features may have a property of that name besides.
    """
    fid = meta["fid_column"] or "OGC_FID"
    names = list(table.column_names)
    if names.count(fid) > 1:
        names[names.index(fid)] = fid = _FIDS  # they come before all fields
    return table.rename_columns(names), fid


def _refuse_short(file: _File, count: int) -> None:
    """Refuse a layer of which fewer features could be read than there are."""
    if count < file.expected and count != _counted(file.place, file.sublayer):
        reason = f"only {count} of {file.expected} features could be read"
        raise _broken(file.label, file.place, file.sublayer, file.expected, reason)


def _with_twins(wanted: Sequence[str], columns: Sequence[str]) -> list[str]:
    """Return the columns to ask for: with one, those that differ from it by case alone.

    GDAL is told what to leave out, and looks for that name in any case.
    """
    names = {name.casefold() for name in wanted}
    return [*wanted, *(c for c in columns if c.casefold() in names and c not in wanted)]


def _counted(place: Place, sublayer: str) -> int:
    """Return how many features there are by SQL: the number a file keeps may be out of date."""
    name = sublayer.replace('"', '""')
    sql = f'SELECT COUNT(*) AS n FROM "{name}"'  # noqa: S608 - a name read from the file, quoted
    try:
        how = {"sql": sql, "read_geometry": False, **open_options(place)}
        counts = pyogrio.raw.read_arrow(place.target, **how)[1].column("n")
    except (*READ_ERRORS, RuntimeError, KeyError):
        return -1
    return int(counts[0].as_py()) if len(counts) else -1


def _frame(file: _File, table: pa.Table, messages: list[str]) -> pd.DataFrame:
    """Return attributes as a DataFrame; text that is not UTF-8 is read as far as it goes."""
    columns = {}
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_dictionary(column.type):
            column = _described(name, column, messages)
        elif domain_of(table.schema.field(name)):
            column = _by_domain(file, table.schema.field(name), column, messages)
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            columns[name] = _text_column(file, name, column, messages)
        else:
            columns[name] = column.to_pandas(types_mapper=WHOLE_TYPES.get)
    return pd.DataFrame(columns, index=range(len(table)))


def _described(name: str, column: pa.ChunkedArray, messages: list[str]) -> pa.ChunkedArray:
    """Return coded values as what their domain says of them; a code it does not know stays a code.

    GDAL gives the codes as places in a list of words: with nothing at the gaps between codes, and
    none for codes beyond the last, which Arrow and pandas do not stand.
    """
    kept: set[str] = set()
    chunks = []
    for chunk in column.chunks:
        code, words = chunk.indices, chunk.dictionary
        listed = pc.and_(pc.greater_equal(code, 0), pc.less(code, len(words)))
        said = words.take(pc.if_else(listed, code, None))
        alone = code.filter(pc.and_(pc.is_valid(code), pc.is_null(said))).unique()
        kept.update(str(value) for value in alone.to_pylist())
        chunks.append(pc.coalesce(said, code.cast(words.type)))
    if kept:
        messages.append(_undescribed(name, sorted(kept, key=int)))
    return pa.chunked_array(chunks, column.type.value_type)


def _undescribed(name: str, codes: Sequence[str]) -> str:
    return (
        f"column {name!r} holds codes that its domain does not describe: {listed(codes, most=5)}; "
        "the codes themselves were read; correct them or add them to the domain"
    )


def _by_domain(
    file: _File, field: pa.Field, column: pa.ChunkedArray, messages: list[str]
) -> pa.ChunkedArray:
    """Return codes that GDAL left as the file's domain has them; say where they stay codes."""
    name, domain = field.name, domain_of(field)
    words = read_words(file.place.target, file.driver, domain)
    if words == {} or not (pa.types.is_string(column.type) or pa.types.is_integer(column.type)):
        return column  # a range; a number with decimals is a measure, whatever it is called
    if words is None:
        messages.append(
            f"column {name!r} has the domain {domain!r}, whose words could not be looked up; its "
            "values were read as they are; if they are codes, export the layer with the words "
            "of the domain"
        )
        return column
    said, strange = worded(column, words)
    if strange:
        messages.append(_undescribed(name, strange))
    return said


def _text_column(file: _File, name: str, column: pa.ChunkedArray, messages: list[str]) -> Any:
    if not is_foreign(column):
        return column.to_pandas()
    text, lost = text_of(column, file.encoding or file.page or UTF8)
    if lost:
        messages.append(value_text(file.layer, name, file.encoding, file.page))
    return text


def _read_apart(
    file: _File, column: pa.ChunkedArray, bounds: Bounds | None
) -> tuple[int, npt.NDArray[Any] | None]:
    """Return how many geometries hold arcs, and all of them read feature by feature, if need be.

    There is need of it for arcs, and for FlatGeobuf with features that have no geometry: GDAL gives
    those no place in the column, whose offsets then contradict each other.
    """
    try:
        column.validate(full=True)
    except pa.ArrowInvalid:
        return 0, _reread(file, bounds)
    arcs, needed = holding_arcs(column)
    if needed or pc.min(pc.binary_length(column)).as_py() == 0:
        return arcs, _reread(file, bounds)
    return 0, None


def _reread(file: _File, bounds: Bounds | None) -> npt.NDArray[Any]:
    """Return WKB, None where there is no geometry, arcs turned into short chords by GDAL."""
    _, fids, wkb, _ = pyogrio.raw.read(
        file.place.target,
        layer=file.sublayer,
        encoding=file.asked,
        columns=[],
        bbox=bounds,
        return_fids=True,
        **open_options(file.place),
    )
    found: npt.NDArray[Any] = wkb if bounds is None else wkb[np.argsort(fids, kind="stable")]
    return found


def _geometries(wkb: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], dict[int, str]]:
    """Return geometries and, by row, why one could not be read."""
    geometry = np.asarray(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object)
    lost = np.flatnonzero(shapely.is_missing(geometry) & ~pd.isna(wkb))
    return geometry, {int(row): _why(wkb[row]) for row in lost}


def _why(wkb: bytes) -> str:
    try:
        shapely.from_wkb(wkb)
    except shapely.errors.ShapelyError as error:
        return re.sub(r"\s+", " ", str(error)).rstrip(". ")
    return "unknown geometry"


def _broken(label: str, place: Place, sublayer: str, expected: int, reason: object) -> LayerError:
    """Return the error for a layer that cannot be read, naming the first broken feature."""
    feature = _first_broken(place, sublayer, expected)
    if feature is None:
        return damaged(label, place.path, reason, target=place.target)
    return LayerError(
        label,
        f"{feature} ({plain_reason(reason, place.path)}); the file is damaged there or cut short: "
        "repair or delete that feature, or copy or export the file again",
    )


def _first_broken(place: Place, sublayer: str, expected: int) -> str | None:
    """Go feature by feature to the first that cannot be read; None if the file itself is bad."""
    import fiona
    import fiona.errors

    count, last = 0, "the first feature"
    try:
        with (
            fiona_environment(),
            fiona.open(place.target, layer=sublayer, **open_options(place)) as features,
        ):
            for item in features:
                count, last = count + 1, f"the feature after fid {item.id}"
    except (fiona.errors.FionaError, fiona.errors.FionaValueError, UnicodeDecodeError) as error:
        return f"{last} cannot be read: {plain_reason(error, None)}" if count else None
    except OSError:
        return None
    if count >= expected:
        return None
    return f"{last} cannot be read"
