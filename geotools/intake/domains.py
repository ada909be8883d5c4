"""Domains of coded values: what the codes in a column stand for, where GDAL leaves the codes.

GDAL gives words for whole numbers of 32 bits alone. For text and longer whole numbers it names
the domain, and the file itself says what its codes mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree

import pyarrow as pa
import pyarrow.compute as pc
import pyogrio.errors
import pyogrio.raw

__all__ = ["domain_of", "read_words", "worded"]

# What asking a file for its tables raises, from pyogrio (RuntimeError), Arrow and the system.
_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pa.ArrowException,
    OSError,
    RuntimeError,
    UnicodeDecodeError,
    KeyError,
)
_CODED = "GPCodedValueDomain"  # begins the name of the element that holds a domain


def domain_of(field: pa.Field) -> str:
    """Return the name of the domain of a column as GDAL gives it, "" without one."""
    name = (field.metadata or {}).get(b"GDAL:OGR:domain_name", b"")
    return str(name.decode("utf-8", "replace"))


def read_words(target: str, driver: str, domain: str) -> dict[str, str] | None:
    """Return the words of a domain by their codes, from the tables of the file.

    Parameters
    ----------
    target : str
        What GDAL opens.
    driver : str
        Name of GDAL's driver.
    domain : str
        Its name.

    Returns
    -------
    dict of str to str, or None
        Empty for a domain that has no codes, such as a range; None where it cannot be looked up.
    """
    try:
        if driver == "GPKG":
            return _of_geopackage(target, domain)
        if driver == "OpenFileGDB":
            return _of_geodatabase(target, domain)
    except _ERRORS:
        return None
    return None


def _of_geopackage(target: str, domain: str) -> dict[str, str]:
    """Read a domain as OGC 12-128r19, requirement class "schema", stores it."""
    name = domain.replace("'", "''")
    table = _rows(
        target,
        "SELECT value AS code, description AS word FROM gpkg_data_column_constraints "  # noqa: S608
        f"WHERE constraint_type = 'enum' AND constraint_name = '{name}'",  # quoted above
    )
    codes, words = (table.column(name).to_pylist() for name in ("code", "word"))
    return {str(code): str(word) for code, word in zip(codes, words, strict=True) if word}


def _of_geodatabase(target: str, domain: str) -> dict[str, str] | None:
    """Read a domain from its XML in the table of items of a file geodatabase (version 10 on)."""
    table = _rows(target, "SELECT Definition AS xml FROM GDB_Items")
    for text in table.column("xml").to_pylist():
        if not text or "Domain" not in text[:500] or "<!" in text:  # no entities of its own
            continue
        try:
            # without declarations (`<!`) a text has no entities to attack the parser with
            root = ElementTree.fromstring(text.strip())  # noqa: S314  # nosec B314
        except ElementTree.ParseError:
            continue
        if (root.findtext("DomainName") or "") != domain:
            continue
        if _CODED not in root.tag:
            return {}
        pairs = [(v.findtext("Code"), v.findtext("Name")) for v in root.iter("CodedValue")]
        return {code: word for code, word in pairs if code is not None and word}
    return None


def _rows(target: str, sql: str) -> pa.Table:
    return pyogrio.raw.read_arrow(target, sql=sql, read_geometry=False)[1]


def worded(column: pa.ChunkedArray, words: Mapping[str, str]) -> tuple[pa.ChunkedArray, list[str]]:
    """Return codes as their words, and the values that are neither a code nor one of the words.

    Those stay as they are.
    """
    text = column.cast(pa.string())
    codes = pa.array(list(words), pa.string())
    said = pa.array(list(words.values()), pa.string())
    place = pc.index_in(text, codes)
    known = pc.or_(pc.is_valid(place), pc.is_in(text, said))
    alone = pc.unique(text.filter(pc.and_(pc.invert(known), pc.is_valid(text))))
    strange = sorted(str(value) for value in alone.to_pylist() if value.strip())
    return pc.coalesce(said.take(place.combine_chunks()), text.combine_chunks()), strange
