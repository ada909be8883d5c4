"""One layer loaded: fields of the contract in SI units, geometries as drawn, its CRS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj

from geotools.brief import InputSource
from geotools.errors import LayerError
from geotools.intake.arcs import arcs_text
from geotools.intake.crs import UNNAMED, crs_name, georeferenced, unplaced, unusable
from geotools.intake.entries import passed_over_text
from geotools.intake.fields import convert_fields
from geotools.intake.judged import judge_of
from geotools.intake.kinds import is_of_use_unplaced, usable_rows
from geotools.intake.letters import control_text, other_encoding
from geotools.intake.match import Match, match_columns
from geotools.intake.nameless import may_be
from geotools.intake.notes import Note
from geotools.intake.readings import column_remarks
from geotools.intake.sources import (
    NO_GEOMETRY,
    Bounds,
    Content,
    Source,
    parse_crs,
    plain_reason,
)
from geotools.intake.spelled import likely_names, unread_text
from geotools.intake.window import Window
from geotools.intake.zones import longitudes
from geotools.schema import Layer

__all__ = ["NUMBERED", "Loaded", "crs_of", "differs_text", "load_layer"]

NUMBERED = "fid "  # before the number that names a feature without an identifier
# Pairs of columns in which tables hold coordinates.
COORDINATES = (
    ("x", "y"), ("lon", "lat"), ("longitude", "latitude"), ("lng", "lat"), ("long", "lat"),
    ("easting", "northing"), ("east", "north"), ("rechtswert", "hochwert"), ("x_coord", "y_coord"),
    ("point_x", "point_y"),
)  # fmt: skip
MEASURED = "Measured (M) geometry types"  # so pyogrio begins to say that it leaves out measures
MOST_LONGITUDE, MOST_LATITUDE = 360.0, 90.0  # degrees; longitudes may be counted from 0 to 360


@dataclass(frozen=True)
class Loaded:
    """A layer as read, before its geometries are moved and repaired.

    Attributes
    ----------
    table : DataFrame
        Fields of the contract, SI base units, one row per feature of the source.
    geometry : ndarray of shapely geometries, shape (n,)
        In ``crs``.
    rows : ndarray of int64
        Rows with a geometry of the right kind.
    fids : ndarray of str objects, shape (n,)
    notes : list of Note
        By row.
    remarks : list of (severity, rule, text)
        About the layer as a whole.
    empty : bool
        The source holds no features at all; a window of it may.
    whole : bool
        All of the source was read, not a window of it.
    assumed : bool
        The CRS is the default of the format: neither file nor brief says which it is.
    match : Match
        Which column is read as which field.
    left_out : int
        Features with a geometry that are none of the layer's, by what they say.
    """

    layer: Layer
    source: Source
    crs: pyproj.CRS
    table: pd.DataFrame
    geometry: npt.NDArray[Any]
    rows: npt.NDArray[np.int64]
    fids: npt.NDArray[Any]
    notes: list[Note]
    remarks: list[tuple[str, str, str]]
    empty: bool
    whole: bool
    assumed: bool
    match: Match
    left_out: int = 0

    def built(self) -> Loaded:
        """Return the layer without its geometries: of one that is built, nobody asks for them."""
        return replace(self, geometry=self.geometry[:0].copy())

    @property
    def names(self) -> npt.NDArray[Any]:
        """Names of features: of a valve its identifier, if it has one, else as ``fid 12``."""
        numbered = _numbered(self.fids)
        if "valve_id" not in self.table:
            return numbered
        own = self.table["valve_id"].to_numpy(dtype=object)
        return np.where(own == "", numbered, own)


def load_layer(
    layer: Layer,
    source: Source,
    entry: InputSource | None,
    system: str,
    window: Window | None = None,
) -> Loaded:
    """Read the columns the contract knows, convert them, and look at the geometries.

    ``system``, ``si`` or ``us``, is what notes tell lengths in. With a window only features that
    meet it are read; those without a place are not.

    Raises
    ------
    LayerError
        With every fault: missing fields, no CRS, wrong geometry, values that cannot be used.
    """
    mapping: Mapping[str, str] = entry.fields if entry is not None else {}
    match = match_columns(
        layer,
        source.columns,
        mapping,
        cut=source.cut,
        system=system,
        values=source.column,
    )
    crs, remarks = _crs_or_faults(layer, source, entry, match, mapping)
    remarks += [("info", rule, text) for rule, text in match.hints]
    remarks += column_remarks(layer, match, system)
    bounds = None if window is None else window.bounds_in(crs)
    content = source.read(match.names(), bounds)
    remarks += _content_remarks(source, content, system, whole=window is None)
    names = _numbered(content.fids)
    longitude = partial(longitudes, content.geometry, crs)
    judge = judge_of(source, content, bounds)
    converted = convert_fields(
        layer, content.table, match, names, system, longitude=longitude, judge=judge
    )
    remarks += converted.remarks
    rows, notes = usable_rows(layer, source.label, content.geometry, content.broken)
    if converted.faults:
        raise LayerError(source.label, converted.faults)
    return Loaded(
        layer,
        source,
        crs,
        converted.table,
        content.geometry,
        rows,
        content.fids,
        [*notes, *converted.notes],
        remarks,
        empty=not len(converted.table) and (window is None or source.features == 0),
        whole=window is None or len(converted.table) == source.features,
        assumed=source.extent is not None and (entry is None or not entry.crs),
        match=match,
    )


def _crs_or_faults(
    layer: Layer,
    source: Source,
    entry: InputSource | None,
    match: Match,
    mapping: Mapping[str, str],
) -> tuple[pyproj.CRS, list[tuple[str, str, str]]]:
    """Return the CRS of a layer and what is told of it.

    Raises
    ------
    LayerError
        With every fault that shows before the features are read.
    """
    faults = list(match.faults)
    crs, remarks = crs_of(source, entry, faults)
    faults += [] if source.spatial else [_no_geometry(source)]
    if not source.spatial and is_of_use_unplaced(layer):
        faults.append(NAMED_ALONE)
    faults += [why] if crs is not None and (why := unusable(crs)) else []
    if match.faults and (text := other_encoding(source.columns, source.encoding, mapping.values())):
        faults.append(text)
    if faults or crs is None:
        raise LayerError(source.label, faults)
    return crs, remarks


def _content_remarks(
    source: Source, content: Content, system: str, *, whole: bool
) -> list[tuple[str, str, str]]:
    """Return what is told of how the features were read."""
    remarks = _reader_remarks(content.messages, source.path)
    remarks += _encoding_remarks(source, content, whole=whole)
    if source.spelled:
        text = f"the geometries were read from the text in column {source.spelled!r}"
        remarks.append(("info", "geometry-as-text", text))
    if source.passed_over:
        text = passed_over_text(source.passed_over, source.features)
        remarks.append(("warning", "entries-passed-over", text))
    if content.arcs:
        text = arcs_text(content.arcs, len(content.table), system)
        remarks.append(("info", "arcs-as-chords", text))
    return remarks


def _reader_remarks(messages: Sequence[str], path: Path | None) -> list[tuple[str, str, str]]:
    """Return what the reader warned of; that it leaves out measures is told in our own words."""
    told = [text for text in messages if not text.startswith(MEASURED)]
    remarks = [("warning", "reader-message", plain_reason(text, path)) for text in told]
    if len(told) < len(messages):
        text = (
            "the vertices carry measures (M), which were not used: chainage is counted along the "
            "drawing"
        )
        remarks.append(("info", "m-ignored", text))
    return remarks


def _encoding_remarks(
    source: Source, content: Content, *, whole: bool
) -> list[tuple[str, str, str]]:
    """Return what was done with the encoding of the brief; of a part it may need none."""
    if content.by_brief:
        text = f"text was read as {source.encoding}, as the brief says"
        doubt = control_text(content.table, source.encoding)
        told = [("warning", "encoding-doubtful", doubt)] if doubt else []
        return [("info", "encoding-of-brief", text), *told]
    if not source.encoding or not whole:
        return []
    text = (
        f"the brief says {source.encoding}, in which nothing was read: text and names of columns "
        "are UTF-8, or the file states how they are written; take it out of the brief"
    )
    return [("info", "encoding-not-used", text)]


def _numbered(fids: npt.NDArray[Any]) -> npt.NDArray[Any]:
    return np.array([f"{NUMBERED}{fid}" for fid in fids], dtype=object)


NAMED_ALONE = (
    "records that only name what they belong to are read from a CSV with an empty column WKT; "
    'say beside its source the CRS of the mains, crs = "EPSG:code"'
)


def _no_geometry(source: Source) -> str:
    """Say that a table has no geometry, and how to give it one if it has coordinates."""
    known = {name.strip().casefold(): name for name in source.columns}
    for x, y in COORDINATES:
        if x in known and y in known:
            return (
                f"{NO_GEOMETRY}; its columns {known[x]!r} and {known[y]!r} look like coordinates: "
                "make points of them first, in a GIS or with ogr2ogr points.gpkg FILE.csv -oo "
                f"X_POSSIBLE_NAMES={known[x]} -oo Y_POSSIBLE_NAMES={known[y]} -a_srs EPSG:CODE"
            )
    for name in likely_names(source.columns):
        return f"{NO_GEOMETRY}; {unread_text(name, source.column(name))}"
    return NO_GEOMETRY


def differs_text(brief: str, own: str) -> str:
    """Say that brief and file name two CRS, and which was used."""
    return (
        f"the brief says {brief}, the file {own}; the file's was used; mend the file if it is wrong"
    )


def crs_of(
    source: Source, entry: InputSource | None, faults: list[str]
) -> tuple[pyproj.CRS | None, list[tuple[str, str, str]]]:
    """Return the CRS of the file, or of the brief where the file does not say, and remarks.

    A format's default says less than the brief, and so does a CRS without a name that is, or may
    be, the brief's.

    Why there is none is added to the faults.
    """
    stated = entry.crs if entry is not None else None
    try:
        own = parse_crs(source.label, source.crs)
        brief = parse_crs(source.label, stated)
    except LayerError as error:
        faults += error.faults
        return None, []
    if own is not None and georeferenced(own):
        if brief is None or brief == own:
            return brief if brief is not None and own.name in UNNAMED else own, []
        if source.extent is not None and georeferenced(brief):
            return _by_default(own, brief, source.extent())
        if georeferenced(brief) and may_be(own, brief):
            return brief, [("info", "crs-unnamed", _unnamed(crs_name(brief)))]
        text = differs_text(crs_name(brief), crs_name(own))
        return own, [("warning", "crs-differs", text)]
    if brief is not None and georeferenced(brief):
        return brief, _unread(source, crs_name(brief))
    faults.append(
        f"{source.crs_unread or unplaced(own)}; set it in the file, or in the brief under "
        f'[inputs.{source.layer}] with crs = "EPSG:code"'
    )
    return None, []


def _unread(source: Source, brief: str) -> list[tuple[str, str, str]]:
    if not source.crs_unread:
        return []
    text = f"{source.crs_unread}; {brief}, which the brief says, was used"
    return [("warning", "crs-unread", text)]


def _unnamed(brief: str) -> str:
    return (
        f"the file's CRS has no name and no code, and projection and ellipsoid of {brief}, which "
        f"the brief says; {brief} was used, with its datum"
    )


def _by_default(
    default: pyproj.CRS, brief: pyproj.CRS, extent: Bounds | None
) -> tuple[pyproj.CRS, list[tuple[str, str, str]]]:
    """Return the CRS of a file that states none: the brief's, but for degrees in a projected one.

    ``default`` is that of the format, in degrees.
    """
    if brief.is_geographic or extent is None or not _may_be_degrees(extent):
        return brief, []
    text = (
        f"the brief says {crs_name(brief)}; the file states no CRS and its coordinates are "
        f"degrees; {crs_name(default)}, the default of its format, was used; mend the brief, or "
        "state the CRS in the file"
    )
    return default, [("warning", "crs-differs", text)]


def _may_be_degrees(extent: Bounds) -> bool:
    """Tell whether coordinates of these bounds can be degrees; those of none, NaN, cannot."""
    low_x, low_y, high_x, high_y = extent
    inside_x = low_x >= -MOST_LONGITUDE and high_x <= MOST_LONGITUDE
    return inside_x and low_y >= -MOST_LATITUDE and high_y <= MOST_LATITUDE
