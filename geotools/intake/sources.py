"""Sources of layers: what a file or a GeoDataFrame holds, and its columns and geometries."""

from __future__ import annotations

import codecs
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj

from geotools.errors import LayerError
from geotools.intake.cut import Cut
from geotools.intake.faults import LOCKED, locked
from geotools.intake.frame_digest import frame_digest
from geotools.intake.place import PACKED, VECTOR_SUFFIXES, Place
from geotools.intake.signs import Signs
from geotools.lists import listed

if TYPE_CHECKING:
    import geopandas

__all__ = [
    "NO_GEOMETRY",
    "Bounds",
    "Content",
    "Frame",
    "FramePart",
    "Source",
    "damaged",
    "frame_source",
    "is_utf16",
    "meets",
    "open_source",
    "parse_crs",
    "plain_reason",
]

_FOLDERS = (".gdb",)  # that are one source by themselves
NO_GEOMETRY = "has no geometry; give a layer with geometries"
# Least x, least y, greatest x, greatest y, in the CRS of the source.
Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Content:
    """What was read of a layer, untouched.

    Attributes
    ----------
    table : DataFrame
        The columns asked for, as in the file.
    geometry : ndarray of shapely geometries or None, shape (n,)
    fids : ndarray of object, shape (n,)
        Number or label of each feature in its source, as text.
    messages : tuple of str
        What the reader warned of.
    broken : dict
        Row to reason, for features whose geometry could not be read.
    arcs : int
        Features with true arcs, of which ``geometry`` has the chords.
    by_brief : bool
        Text was read in the encoding the brief says.
    """

    table: pd.DataFrame
    geometry: npt.NDArray[Any]
    fids: npt.NDArray[Any]
    messages: tuple[str, ...] = ()
    broken: dict[int, str] = field(default_factory=dict)
    arcs: int = 0
    by_brief: bool = False


@dataclass(frozen=True)
class Source:
    """A layer that can be read: its columns are known, its features not read yet.

    ``label`` names it in errors, ``name`` in results; ``cut`` tells how the format cuts names of
    columns, if it does; ``path`` is the local file, if it is one. ``read`` takes the
    columns wanted and the bounds the features must meet, or none for all features. ``features``
    is how many there are, -1 where that is not known without reading. ``column`` gives the values
    of a column of all features, each at least once, without their geometries. A layer that is not
    ``spatial`` is a table alone. ``extent`` is given where the CRS is not stated but the default of
    the format, and returns the bounds of the features, or none if that is not known. ``signs`` are
    as of `FramePart`, where this is a part. ``target`` is what is opened, which may be one of
    several files in ``path``. ``encoding`` is that of text that is not UTF-8, as the brief says.
    ``digest`` hashes a layer in memory, also of a part the whole one.
    ``spelled`` is the column that holds geometries as text, where the format has no place for them.
    ``crs_unread`` is why a CRS that the file has could not be read. ``passed_over`` are the numbers
    of entries that the reader takes for no features.
    """

    layer: str
    label: str
    name: str
    sublayer: str
    columns: tuple[str, ...]
    crs: Any
    cut: Cut | None
    path: Path | None
    read: Callable[[Sequence[str], Bounds | None], Content]
    features: int
    column: Callable[[str], pd.Series[Any]]
    spatial: bool = True
    extent: Callable[[], Bounds | None] | None = None
    signs: Mapping[str, Signs] = field(default_factory=dict)
    target: str = ""
    encoding: str = ""
    spelled: str = ""
    crs_unread: str = ""
    passed_over: tuple[int, ...] = ()
    digest: Callable[[], str] | None = None


@dataclass(frozen=True)
class FramePart:
    """A part of a GeoDataFrame, how many features the whole has, and how the whole writes numbers.

    ``signs`` are, by field, what all values of its column tell of point and comma, where some of
    them can be read as two numbers. ``digest`` is the hash of the whole.
    """

    frame: geopandas.GeoDataFrame
    features: int
    signs: Mapping[str, Signs] = field(default_factory=dict)
    digest: str = ""


Frame: TypeAlias = "geopandas.GeoDataFrame | FramePart"


def frame_source(layer: str, given: Frame) -> Source:
    """Take a GeoDataFrame, or a part of one, as a source.

    Raises
    ------
    LayerError
        If it is no GeoDataFrame or has no geometry column.
    """
    import geopandas

    frame = given.frame if isinstance(given, FramePart) else given
    label = f"{layer} (GeoDataFrame)"
    if not isinstance(frame, geopandas.GeoDataFrame):
        raise LayerError(label, f"is a {type(frame).__name__}; give a GeoDataFrame")
    if frame._geometry_column_name not in frame.columns:
        raise LayerError(label, "has no geometry column; set one with set_geometry")
    active = frame.geometry.name
    columns = tuple(str(c) for c in frame.columns if c != active)
    twice = sorted({c for c in columns if columns.count(c) > 1})
    if twice:
        raise LayerError(label, f"has more than one column {twice[0]!r}; rename all but one")

    read, crs = partial(_frame_content, frame), frame.crs
    features, signs, digest = len(frame), {}, partial(frame_digest, frame)
    if isinstance(given, FramePart):
        features, signs = given.features, dict(given.signs)
        digest = partial(str, given.digest)
    names = {str(c): c for c in frame.columns}
    return Source(
        layer,
        label,
        "GeoDataFrame",
        "",
        columns,
        crs,
        None,
        None,
        read,
        features,
        lambda name: frame[names[name]],
        signs=signs,
        digest=digest,
    )


def _frame_content(
    frame: geopandas.GeoDataFrame, wanted: Sequence[str], bounds: Bounds | None
) -> Content:
    part = frame if bounds is None else frame[meets(frame.geometry.bounds, bounds)]
    by_name = {str(c): c for c in part.columns}
    table = pd.DataFrame({name: part[by_name[name]].array for name in wanted})
    table = table.reindex(range(len(part))) if not len(table.columns) else table
    fids = np.array([str(label) for label in part.index], dtype=object)
    return Content(table, np.asarray(part.geometry.array, dtype=object), fids)


def open_source(
    layer: str,
    place: Place,
    *,
    allow_remote: bool,
    encoding: str = "",
    mapped: Collection[str] = (),
) -> Source:
    """Look into a file: which layer is meant, which columns it has, in which CRS.

    ``encoding`` is that of text that is not UTF-8; ``mapped`` are the columns the brief names.

    Raises
    ------
    LayerError
        If the file cannot be opened, has no such layer, or several and none is named.
    """
    from geotools.intake import parquet, vector

    if place.path is not None and parquet.is_parquet(place.path):
        if place.sublayer:
            raise LayerError(
                f"{layer} ({place.shown}:{place.sublayer})",
                "a GeoParquet file holds one layer; give the path alone",
            )
        source = parquet.open_parquet(layer, place.path, encoding=encoding)
    else:
        source = vector.open_vector(
            layer, place, allow_remote=allow_remote, encoding=encoding, mapped=mapped
        )
    return replace(source, encoding=encoding)


def meets(boxes: pd.DataFrame, bounds: Bounds) -> npt.NDArray[np.bool_]:
    """Return which boxes (columns minx, miny, maxx, maxy) meet the bounds; missing ones do not."""
    low_x, low_y, high_x, high_y = bounds
    inside = (boxes["minx"] <= high_x) & (boxes["maxx"] >= low_x)
    inside &= (boxes["miny"] <= high_y) & (boxes["maxy"] >= low_y)
    return inside.to_numpy(dtype=bool)


def parse_crs(label: str, text: Any) -> pyproj.CRS | None:
    """Return a CRS from what a file or brief says, None if it says nothing.

    Raises
    ------
    LayerError
        If it says something that is no CRS.
    """
    if text is None or text == "":
        return None
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        raise LayerError(
            label, f"{str(text)[:60]!r} is no CRS; give it as 'EPSG:code' or as WKT"
        ) from error


def damaged(label: str, path: Path | None, reason: object, *, target: str = "") -> LayerError:
    """Return the error for a file that cannot be read to its end; ``target`` is what was opened."""
    if is_utf16(path):
        return LayerError(
            label, "is UTF-16 text, which cannot be read as a layer; save the file as UTF-8"
        )
    if locked(reason):
        return LayerError(label, LOCKED)
    if path is not None and path.is_dir() and path.suffix.lower() not in _FOLDERS:
        return LayerError(label, _folder_without_layers(path))
    suffix = "" if path is None else path.suffix.lower()
    if suffix in PACKED and suffix != ".zip" and not target.startswith("/vsi"):
        return LayerError(label, "is packed; unpack it and give the file in it")
    name = f"the file {path.name!r}" if path is not None else "the source"
    return LayerError(
        label,
        f"cannot be read: {plain_reason(reason, path)}; {name} is damaged, cut short or of a kind "
        "that is not read: copy or export it again",
    )


def _folder_without_layers(path: Path) -> str:
    there = sorted(p.name for p in path.iterdir() if p.suffix.lower() in VECTOR_SUFFIXES)
    such = f", such as {listed(there, most=5)}" if there else ""
    return f"is a folder that no layers can be read from; give a file in it{such}"


def is_utf16(path: Path | None) -> bool:
    """Tell whether a local file says by its first bytes that it is UTF-16."""
    if path is None or not path.is_file():
        return False
    with path.open("rb") as stream:
        return stream.read(2) in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def plain_reason(reason: object, path: Path | None) -> str:
    """Return a reader's message on one line, without repetition, folders and its advice."""
    text = " ".join(str(reason).split())
    if path is not None:
        text = text.replace(f"{path.parent}{os.sep}", "")
    parts = dict.fromkeys(part.strip().rstrip(".") for part in text.split("; "))
    return "; ".join(p for p in parts if not p.startswith("It might help"))[:300]
