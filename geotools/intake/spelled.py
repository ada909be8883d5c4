"""Spelled: geometries as text in a column of a table: WKT, EWKT, or WKB in hexadecimal.

Tables of databases and of data frames have them so; the last two may say the CRS by its number.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from geotools.errors import LayerError
from geotools.lists import listed

__all__ = ["LOOKED_AT", "is_own_way", "likely_names", "numbered_crs", "parsed", "unread_text"]

# Names of columns in which tables hold geometries, the likeliest first; common practice.
NAMES = (
    "wkt", "ewkt", "geometry", "geom", "the_geom", "wkt_geom", "geom_wkt", "geometry_wkt",
    "wkt_geometry", "wkb_geometry", "wkb", "ewkb", "shape", "shape_wkt",
)  # fmt: skip
LOOKED_AT = 100  # rows by which it is told whether a column holds geometries
_SRID = re.compile(r"SRID\s*=\s*(\d+)\s*;\s*", re.IGNORECASE)
_HEX = re.compile(r"(?:0x|\\x)?(0[01](?:[0-9a-f]{2}){4,})", re.IGNORECASE)
_SHOWN = 30  # letters of a value in a text


def likely_names(columns: Iterable[str]) -> list[str]:
    """Return the columns that by their names hold geometries, the likeliest first."""
    known = {name: place for place, name in enumerate(NAMES)}
    found = [name for name in columns if name.strip().casefold() in known]
    return sorted(found, key=lambda name: known[name.strip().casefold()])


def is_own_way(texts: Sequence[str | None]) -> bool:
    """Tell whether any text is EWKT with a number or WKB, which are not read as WKT."""
    bare = (text.strip() for text in texts if text)
    return any(_SRID.match(text) or _HEX.fullmatch(text) for text in bare)


def parsed(texts: Sequence[str | None]) -> tuple[npt.NDArray[Any], dict[int, str], set[int]]:
    """Return geometries, by row why one could not be read, and the numbers of CRS they say.

    What is empty is no geometry.
    """
    bare = [(text or "").strip() for text in texts]
    said = [_SRID.match(text) for text in bare]
    bare = [text[found.end() :] if found else text for text, found in zip(bare, said, strict=True)]
    geometry = np.full(len(bare), None, dtype=object)
    packed = [_HEX.fullmatch(text) for text in bare]
    as_hex = np.array([found is not None for found in packed], dtype=bool)
    hexes = [found[1] for found in packed if found is not None]
    there = np.array([text != "" for text in bare], dtype=bool) & ~as_hex
    geometry[as_hex] = _each(shapely.from_wkb, hexes)
    geometry[there] = _each(shapely.from_wkt, np.array(bare, dtype=object)[there].tolist())
    lost = np.flatnonzero((there | as_hex) & shapely.is_missing(geometry))
    broken = {
        int(row): f"{_short(bare[row])} is neither WKT nor WKB of straight lines" for row in lost
    }
    numbers = {int(found[1]) for found in said if found} | set(shapely.get_srid(geometry).tolist())
    return shapely.set_srid(geometry, 0), broken, {number for number in numbers if number > 0}


def _each(read: Callable[..., Any], texts: list[str]) -> npt.NDArray[Any]:
    """Return a geometry for each text, none where it cannot be read; curves cannot."""
    try:
        with np.errstate(over="ignore"):  # a number too large is infinite, and told as that
            found = read(np.array(texts, dtype=object), on_invalid="ignore")
        return np.asarray(found, dtype=object)
    except NotImplementedError:
        one = [_each(read, [text]) if len(texts) > 1 else [None] for text in texts]
        return np.array([found[0] for found in one], dtype=object)


def numbered_crs(label: str, numbers: set[int]) -> str | None:
    """Return the CRS that geometries say by its number; None if they say none that is known.

    Raises
    ------
    LayerError
        If they say several: coordinates of one would be taken for those of another.
    """
    if len(numbers) > 1:
        shown = listed(list(map(str, sorted(numbers))), most=5)
        raise LayerError(
            label, f"its geometries are of several SRIDs ({shown}); give them in one CRS"
        )
    for number in numbers:
        try:
            return str(pyproj.CRS.from_epsg(number).to_string())
        except pyproj.exceptions.CRSError:
            pass
    return None


def unread_text(name: str, values: pd.Series[Any]) -> str:
    """Say of a column that by its name holds geometries that they cannot be read from it."""
    texts = [str(value) for value in values[~pd.isna(values)] if str(value).strip()]
    shown = f"such as {_short(texts[0])}" if texts else "but is empty"
    return (
        f"its column {name!r} holds no WKT, EWKT or WKB in hexadecimal that can be read, {shown}: "
        "write the geometries there as WKT, as LINESTRING (0 0, 50 0)"
    )


def _short(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else f"{text[:_SHOWN]}...")
