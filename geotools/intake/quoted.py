"""Quotes and zero bytes of a CSV by which GDAL would lose rows, or parts of them, without a word.

A quote that begins a cell and is not closed takes in the rows behind it, up to the next quote; a
zero byte ends its row. Both are found in the bytes of the file. A quote within a cell that begins
with none, such as the sign of inches, is a letter like others, but not for older versions of GDAL.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
import pyogrio

from geotools.intake.packed import UNREADABLE, Stream, unpacked
from geotools.intake.place import Place

__all__ = ["unread_rows"]

_CHUNK = 2**20  # bytes looked through at a time
_LONGEST = 10**7  # bytes of a cell in quotes: no row that GDAL reads is longer
_ENDS = b"\r\n"
_LETTER = (3, 10)  # version of GDAL from which a quote within a cell takes no rows in
_LINE = re.compile(rb"\r\n|\r|\n")


@lru_cache(maxsize=16)  # windows of a batch have the same file
def unread_rows(place: Place, sublayer: str, state: object) -> str:
    """Say where rows of a CSV would be lost, why, and what to do; "" if none would.

    Nothing is looked for in an archive that cannot be looked into here, nor in an archive within
    another. ``state`` is that of the file.
    """
    try:
        with unpacked(place, sublayer, suffixes=(".csv", ".tsv", ".psv", ".txt")) as stream:
            return "" if stream is None else _looked_through(stream)
    except UNREADABLE:
        return ""


def _looked_through(stream: Stream) -> str:
    kept, line, cells = b"", 1, None
    for part, last in _parts(stream):
        cells = cells or _cells(part)
        if b"\0" in part:
            at = line + _lines(kept) + _lines(part[: part.index(b"\0")])
            return (
                f"line {at} holds a zero byte, behind which the rest of its row would be lost; "
                "take it out, or export the table again"
            )
        text = kept + part
        wrong, open_from = _open_cells(text, cells)
        if wrong is None and open_from is not None and (last or len(text) - open_from > _LONGEST):
            wrong = open_from
        if wrong is not None:
            return (
                f"line {line + _lines(text[:wrong])}: a quote there is not closed where its cell "
                "ends, so that rows behind it would be lost; close it, put the cell in quotes, and "
                "write those within it twice"
            )
        done = len(text) if open_from is None else open_from
        line, kept = line + _lines(text[:done]), text[done:]
    return ""


def _parts(stream: Stream) -> Iterator[tuple[bytes, bool]]:
    """Give the bytes in parts that end with a line, and tell which is the last."""
    kept, chunk = b"", stream.read(_CHUNK).removeprefix(codecs.BOM_UTF8)
    while chunk:
        kept += chunk
        cut = max(kept.rfind(b"\n"), -1) + 1 or kept.rfind(b"\r") + 1
        chunk = stream.read(_CHUNK)
        if chunk and cut:
            yield kept[:cut], False
            kept = kept[cut:]
    yield kept, True


def _lines(text: bytes) -> int:
    """Return how many lines end in a text."""
    return text.count(b"\n") or text.count(b"\r")


def _cells(head: bytes) -> tuple[bytes, re.Pattern[bytes]]:
    """Return what parts cells, and what finds those in quotes: the sign most of in the first line.

    As GDAL chooses it: of several alike the comma, and spaces only where there is none of them.
    """
    first = re.sub(rb'"[^"]*"', b"", _LINE.split(head, maxsplit=1)[0])
    counts = [first.count(sign) for sign in (b",", b";", b"\t", b"|")]
    alike = counts.count(max(counts)) > 1
    sign = b"," if alike else (b",", b";", b"\t", b"|")[counts.index(max(counts))]
    if not any(counts) and b" " in first:
        sign = b" "
    # A doubled quote stays in the cell. No closing one is found of a cell that is not closed.
    begin = b"" if _anywhere() else rb"(?:^|[\r\n" + re.escape(sign) + rb"])"
    pattern = begin + rb'("[^"]*(?:""[^"]*)*)("?)'
    return sign, re.compile(pattern)


def _anywhere() -> bool:
    """Tell whether GDAL takes rows for one from any quote on, also from one within a cell."""
    return bool(pyogrio.__gdal_version__ < _LETTER)


def _open_cells(
    text: bytes, cells: tuple[bytes, re.Pattern[bytes]]
) -> tuple[int | None, int | None]:
    """Return where a cell begins that is closed lines behind its end, and where one is not closed.

    None where there is none. ``text`` begins with a cell and ends with a line.
    """
    sign, in_quotes = cells
    around = _ENDS + sign + b'"'
    if _plain(text, sign):
        return None, None
    for found in in_quotes.finditer(text):
        start, end = found.start(1), found.end()
        begins = text[max(start - 1, 0) : max(start, 1)] in around
        if not found[2] and (begins or not _LINE.search(found[1])):
            return None, start
        ends = text[end : end + 1] in around  # also at the end of the text
        if not (begins and ends) and _LINE.search(found[1]):
            return start, None
    return None, None


def _plain(text: bytes, sign: bytes) -> bool:
    """Tell whether quotes stand in pairs alone, at both ends of cells or one behind the other."""
    codes = np.frombuffer(text, dtype=np.uint8)
    quotes = np.flatnonzero(codes == ord('"'))
    if len(quotes) % 2:
        return False
    around = np.zeros(256, dtype=bool)
    around[[*_ENDS, *sign, ord('"')]] = True
    before = codes[np.maximum(quotes[::2] - 1, 0)]
    behind = codes[np.minimum(quotes[1::2] + 1, len(codes) - 1)]
    return bool(around[before].all() and around[behind].all())
