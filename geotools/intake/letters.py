"""Letters: text of files that is not UTF-8, read in the encoding the brief states.

A column that is UTF-8 is read as such whatever the brief says: text of any other encoding is hardly
ever UTF-8 by chance, and many formats state the encoding of theirs, or have but that one.
"""

from __future__ import annotations

import codecs
from collections.abc import Sequence
from typing import Any

import numpy.typing as npt
import pandas as pd
import pyarrow as pa

__all__ = [
    *("BYTES", "as_bytes", "column_of", "is_foreign", "is_utf8", "name_fault", "own_names"),
    *("text_of", "value_text"),
]

BYTES = "ISO-8859-1"  # has a letter for every byte: text asked for in it can be had as it is stored
_LIKELY = "Windows-1252"  # as desktop programs of Western Europe and America save text


def own_names(names: Sequence[str], encoding: str) -> list[str]:
    """Return the names of columns that were read in `BYTES`.

    Raises
    ------
    UnicodeDecodeError
        If one is not in that encoding.
    """
    return [name.encode(BYTES).decode(encoding) for name in names]


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
    said = {b: b.decode(encoding, "replace") for b in stored.unique().to_pylist() if b is not None}
    lost = any("\N{REPLACEMENT CHARACTER}" in text for text in said.values())
    return pd.Series([said.get(b) for b in stored.to_pylist()], dtype=object), lost


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


def name_fault(layer: str, stored: bytes, encoding: str) -> str:
    """Say of the name of a column that it cannot be read, and what to do."""
    guess = f"({stored.decode(_LIKELY, 'replace')!r}, if it is {_LIKELY})"
    if encoding:
        return f"has a column whose name is not {encoding}, as the brief says {guess}; {_RIGHT}"
    return f"has a column whose name is not UTF-8 text {guess}; {_state(layer)}"


def value_text(layer: str, name: str, encoding: str) -> str:
    """Say of a column that letters of it could not be read, and what to do."""
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


def _state(layer: str) -> str:
    return (
        f"say in the brief, under [inputs.{layer}], how its letters are written: "
        f'encoding = "{_LIKELY}", or whatever it is; or export the file again as UTF-8'
    )
