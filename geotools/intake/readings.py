"""Readings: which column is read as which field, and what fields and columns are left."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.among import among, one_spelling
from geotools.intake.findings import counted
from geotools.intake.likely import likely_columns, rate_columns
from geotools.intake.limits import WHOLE_NUMBERS
from geotools.intake.match import Match, match_columns
from geotools.intake.stated import mapping_line
from geotools.lists import listed
from geotools.schema import INPUTS, OUTPUTS, Field, Layer

__all__ = ["class_remarks", "column_remarks", "columns_table", "status_remarks"]

Remarks = list[tuple[str, str, str]]  # severity, rule, text

# Columns in which a format or a database numbers and measures features by itself. The first two
# are what findings name features by.
NUMBERS = frozenset({"fid", "ogc_fid"})
OWN = NUMBERS | {"gid", "id", "objectid", "globalid", "shape_leng", "shape_length", "shape_area"}
SHOWN = 20  # columns named in a text
READ, ABSENT, LEFT = "read", "not there", "left over"


def columns_table(matches: Mapping[str, Match]) -> pd.DataFrame:
    """Return a row for each field of the layers given and for each column left over.

    Parameters
    ----------
    matches : mapping
        What was made of the columns, by layer.
    """
    rows = [row for name, match in matches.items() for row in _rows(INPUTS[name], match)]
    return pd.DataFrame(rows, columns=[field.name for field in OUTPUTS["columns"].fields])


def _rows(layer: Layer, match: Match) -> list[tuple[str, ...]]:
    """Return layer, field, column, spelling and state: read, not there, left over."""
    read = [
        (layer.name, name, column.name, column.spelling, READ)
        for name, column in match.columns.items()
    ]
    absent = [(layer.name, field.name, "", "", ABSENT) for field in _missing(layer, match)]
    left = [(layer.name, "", name, "", LEFT) for name in _left(match, NUMBERS)]
    return [*read, *absent, *left]


def _left(match: Match, numbering: Collection[str]) -> list[str]:
    return [name for name in match.left if name.casefold() not in numbering]


def _missing(layer: Layer, match: Match) -> list[Field]:
    return [field for field in layer.fields if field.name not in match.columns]


def column_remarks(layer: Layer, match: Match, system: str = "si") -> Remarks:
    """Return what is worth saying of columns that were not read; nothing of plain extra columns.

    A layer of which no field is read though it has columns is likely another layer, or one whose
    columns are called otherwise.
    """
    left = _left(match, OWN)
    likely = likely_columns(layer, _missing(layer, match), left)
    telling = [field for field in layer.fields if field.name != "status"]  # the others may lack
    if telling and left and not match.columns:
        return [("warning", "no-field-read", _none_read(layer, left, likely, system))]
    rates = rate_columns(_missing(layer, match), left)
    told = [("info", "count-or-rate", _rate_text(*each)) for each in rates.items()]
    if not likely:
        return told
    text = (
        f"columns not read: {_listed(left)}; {_likely_text(likely)}: if so, map it under "
        f"[inputs.{layer.name}.fields], for example: {_mapping(layer, likely, system)}"
    )
    return [("info", "columns-left-over", text), *told]


def _rate_text(field: str, column: str) -> str:
    """Say that a column is likely a rate of what a field counts."""
    return (
        f"column {column!r} looks like a rate and is not read: {WHOLE_NUMBERS[field]}; give the "
        "count, or multiply the rate by the length of its main and by the years on record"
    )


def _none_read(layer: Layer, left: Sequence[str], likely: Mapping[str, str], system: str) -> str:
    other = _layer_of(left, layer)
    if other:
        hint = f"they are columns of {other}: give the layer meant"
    else:
        may = f"{_likely_text(likely)}; " if likely else ""
        hint = f"{may}check that it is the layer meant"
    return (
        f"none of its columns is read as a field of {layer.name}: {_listed(left)}; {hint}, or map "
        f"them under [inputs.{layer.name}.fields], for example: {_mapping(layer, likely, system)}"
    )


def _layer_of(columns: Sequence[str], given: Layer) -> str:
    """Return the layer of the contract most of the columns are of, "" if of none."""
    read = {
        layer.name: len(match_columns(layer, columns, {}).columns)
        for layer in INPUTS.values()
        if layer is not given
    }
    best = max(read, key=lambda name: read[name])
    return best if read[best] * 2 > len(columns) else ""


def _likely_text(likely: Mapping[str, str]) -> str:
    told = [f"{column!r} may be {name}" for name, column in likely.items()]
    return ", ".join(told)


def _mapping(layer: Layer, likely: Mapping[str, str], system: str) -> str:
    """Return a line of a brief that maps a column, in the unit its name states if it does."""
    name = next(iter(likely), layer.fields[0].name)
    line, remark = mapping_line(layer.field(name), likely.get(name, "YOUR_COLUMN"), system)
    return f"{line} {remark}".rstrip()


def _listed(names: Sequence[str]) -> str:
    return listed(names, most=SHOWN)


def status_remarks(
    match: Match, status: npt.NDArray[np.object_], excluded: Sequence[str]
) -> Remarks:
    """Return a warning if no main has a status, so that abandoned ones cannot be told.

    Parameters
    ----------
    match : Match
        Of the mains.
    status : ndarray of str objects, shape (n,)
        As read.
    excluded : sequence of str
        Statuses that are not lined; if there are none, no status is needed.
    """
    if not excluded or not len(status) or (status != "").any():
        return []
    column = match.columns.get("status")
    found = (
        "no column is read as status"
        if column is None
        else f"column {column.name!r} is empty for all mains read"
    )
    likely = likely_columns(INPUTS["mains"], [INPUTS["mains"].field("status")], _left(match, OWN))
    text = (
        f"{found}: every main is taken as in service, also those that are abandoned or not built; "
        "name the column under [inputs.mains.fields], for example: "
        f'status = "{likely.get("status", "YOUR_COLUMN")}"'
    )
    return [("warning", "no-status", text)]


def class_remarks(
    classes: npt.NDArray[np.object_], rated: Sequence[str], busy: Sequence[str]
) -> Remarks:
    """Return which classes of streets have no rate of their own: lanes there may be priced wrongly.

    Parameters
    ----------
    classes : ndarray of str objects, shape (n,)
        As read; what is empty is told elsewhere.
    rated, busy : sequence of str
        Classes of ``rates.lane_day`` and of ``street.no_block``.
    """
    words = one_spelling(classes)
    bare = words[(words != "") & ~among(words, rated)]
    named = among(bare, busy)
    loud, quiet = bare[named], bare[~named]
    remarks = []
    for found, severity, where in (
        (loud, "warning", "of street.no_block, the busiest there are"),
        (quiet, "info", "in neither rates.lane_day nor street.no_block"),
    ):
        if len(found):
            text = (
                f"streets of class {counted(found, len(found))} are {where}, and have no rate in "
                "rates.lane_day: a lane closed there costs rates.lane_day_other; name what it costs"
                + ("" if found is loud else ", and in street.no_block the classes that are busy")
            )
            remarks.append((severity, "class-without-rate", text))
    return remarks
