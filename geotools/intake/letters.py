"""Letters: text of files that is not UTF-8, read in the encoding the brief states.

A column that is UTF-8 is read as such whatever the brief says: text of any other encoding is hardly
ever UTF-8 by chance, and many formats state the encoding of theirs, or have but that one.
"""

from __future__ import annotations

import codecs
import re
import unicodedata
from collections.abc import Collection, Sequence
from typing import Any

import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from geotools.lists import as_compared

__all__ = [
    *("BYTES", "as_bytes", "column_of", "control_text", "encoding_name", "is_foreign", "is_utf8"),
    *("likely_encoding", "name_fault", "other_encoding", "text_of", "value_text"),
]

BYTES = "ISO-8859-1"  # has a letter for every byte: text asked for in it can be had as it is stored
_LIKELY = "Windows-1252"  # as desktop programs of Western Europe and America save text
# As they do elsewhere, tried in this order.
_TRIED = (
    *(_LIKELY, "Windows-1250", "Windows-1251", "Windows-1253", "Windows-1254", "Windows-1257"),
)
# What is letters in these and signs that stand for none in ISO 8859, by the parts of that.
_IN_PLACE_OF = {
    "iso8859-1": _LIKELY,
    "iso8859-2": "Windows-1250",
    "iso8859-4": "Windows-1257",
    "iso8859-5": "Windows-1251",
    "iso8859-6": "Windows-1256",
    "iso8859-7": "Windows-1253",
    "iso8859-8": "Windows-1255",
    "iso8859-9": "Windows-1254",
    "iso8859-13": "Windows-1257",
    "iso8859-15": _LIKELY,
    "iso8859-16": "Windows-1250",
}
_CONTROL = re.compile("[\x80-\x9f]")


def is_utf8(encoding: str) -> bool:
    """Tell whether an encoding is UTF-8, by whatever name."""
    return codecs.lookup(encoding).name in ("utf-8", "utf-8-sig")


def is_foreign(column: pa.ChunkedArray) -> bool:
    """Tell whether a column is text that is not UTF-8."""
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return False
    try:
        column.validate(full=True)
    except (pa.ArrowInvalid, UnicodeDecodeError):
        return True
    return False


def text_of(column: pa.ChunkedArray, encoding: str) -> tuple[pd.Series[Any], bool]:
    """Return a column that is not UTF-8 as text, and whether letters of it could not be read."""
    stored = column.cast(pa.binary())
    said = {b: _decoded(b, encoding) for b in stored.unique().to_pylist() if b is not None}
    lost = any("\N{REPLACEMENT CHARACTER}" in text for text in said.values())
    return pd.Series([said.get(b) for b in stored.to_pylist()], dtype=object), lost


def _decoded(stored: bytes, encoding: str) -> str:
    text = stored.decode(encoding, "replace")
    # the one encoding in which an accent follows its letter
    return unicodedata.normalize("NFC", text) if encoding_name(encoding) == "cp1258" else text


def encoding_name(encoding: str) -> str:
    """Return the name of an encoding in Python, "" if it knows none."""
    try:
        return codecs.lookup(encoding).name
    except LookupError:
        return ""


def likely_encoding(stored: Sequence[bytes], mapped: Collection[str]) -> str:
    """Return in which encoding most names that the brief maps are found; "" if in none.

    Parameters
    ----------
    stored : sequence of bytes
        Names of columns.
    mapped : collection of str
        Those without letters beyond ASCII tell nothing.
    """
    wanted = set(as_compared(name for name in mapped if not name.isascii()))
    met = {
        encoding: len(
            wanted.intersection(as_compared(b.decode(encoding, "replace") for b in stored))
        )
        for encoding in _TRIED
    }
    best = max(met, key=lambda encoding: met[encoding])
    return best if met[best] else ""


def other_encoding(names: Sequence[str], encoding: str, mapped: Collection[str]) -> str:
    """Say that names read in one encoding are those mapped in another; "" if they are not."""
    if not encoding or is_utf8(encoding):
        return ""
    stored, wanted = [n.encode(encoding, "replace") for n in names], set(as_compared(mapped))
    likely = likely_encoding(stored, mapped)
    if not likely:
        return ""
    found = wanted.intersection(as_compared(b.decode(likely, "replace") for b in stored))
    if len(found) <= len(wanted.intersection(as_compared(names))):
        return ""
    return (
        f"names of columns are not those mapped when read as {encoding}, as the brief says, and "
        f"they are when read as {likely}: state that there"
    )


def control_text(table: pd.DataFrame, encoding: str) -> str:
    """Say of text that was read in an encoding of the brief that it is in another; "" if not.

    Signs of U+0080 to U+009F stand for no letter, and no map holds them: they are the letters of
    a Windows encoding, read in the part of ISO 8859 for the same languages.
    """
    likely = _IN_PLACE_OF.get(codecs.lookup(encoding).name, "")
    if not likely:
        return ""
    for name, values in table.items():
        for value in pd.unique(values) if values.dtype == object else ():
            if isinstance(value, str) and _CONTROL.search(value):
                meant = value.encode(encoding, "replace").decode(likely, "replace")
                return (
                    f"column {name!r} holds signs that stand for no letter when read as "
                    f"{encoding}, as the brief says: {value!r}; the file is likely {likely}, in "
                    f"which that is {meant!r}; {_RIGHT}"
                )
    return ""


def column_of(values: npt.NDArray[Any]) -> pa.ChunkedArray:
    """Return a column from an array; what is missing there is here."""
    return pa.chunked_array([pa.array(values, from_pandas=True)])


def as_bytes(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return text that was read in `BYTES` as it is stored, taken for UTF-8 unseen.

    What is no text stays as it is.
    """
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return column
    stored = [None if text is None else text.encode(BYTES) for text in column.to_pylist()]
    return pa.chunked_array([pa.array(stored, pa.binary()).view(pa.string())])


def name_fault(layer: str, stored: bytes, encoding: str, likely: str = "") -> str:
    """Say of the name of a column that it cannot be read, and what to do.

    ``likely`` is that of `likely_encoding`.
    """
    shown = likely or _LIKELY
    guess = f"({stored.decode(shown, 'replace')!r}, if it is {shown})"
    if encoding:
        said = f"has a column whose name is not {encoding}, as the brief says {guess}"
        return f"{said}; {_right(likely)}"
    return f"has a column whose name is not UTF-8 text {guess}; {_state(layer, likely)}"


def value_text(layer: str, name: str, encoding: str, page: str = "") -> str:
    """Say of a column that letters of it could not be read, and what to do.

    ``encoding`` is that of the brief, ``page`` that of the file if the brief says none.
    """
    if page and not encoding:
        return (
            f"column {name!r} holds letters that are not {page}, as the file says; they were "
            f"replaced; {_state(layer)}"
        )
    if encoding:
        return (
            f"column {name!r} holds letters that are not {encoding}, as the brief says; they were "
            f"replaced; {_RIGHT}"
        )
    return (
        f"column {name!r} holds text that is neither UTF-8 nor in an encoding the file states; "
        f"unreadable letters were replaced; {_state(layer)}"
    )


_RIGHT = "state the right encoding there, or export the file again as UTF-8"


def _right(likely: str) -> str:
    if not likely:
        return _RIGHT
    return f"state {likely} there, in which names mapped are found"


def _state(layer: str, likely: str = "") -> str:
    stated = (
        f': encoding = "{likely}", in which names mapped there are found'
        if likely
        else f', such as encoding = "{_LIKELY}"'
    )
    return (
        f"say in the brief, under [inputs.{layer}], how its letters are written{stated}; or export "
        "the file again as UTF-8"
    )
