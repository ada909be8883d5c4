"""Quotes, long lines and zero bytes by which GDAL would lose rows of a CSV without a word.

A quote that begins a cell and is not closed takes in the rows behind it, up to the next quote; a
zero byte ends its row, a line too long the table. All are found in the bytes of the file. A quote
within a cell that begins with none, such as the sign of inches, is a letter like others, but not
for older versions of GDAL.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from contextlib import ExitStack
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pyogrio

from geotools.intake.packed import UNREADABLE, Stream, unpacked
from geotools.intake.place import Place

__all__ = ["unread_rows"]

_CHUNK = 2**20  # bytes looked through at a time
_LONGEST = 10**7  # bytes of a line, with one for its end: GDAL 3.12 reads none longer
_ENOUGH = 2**17  # bytes of a cell not closed yet, if they hold rows alone: it is not waited for
_ENDS = b"\r\n"
_LETTER = (3, 10)  # version of GDAL from which a quote within a cell takes no rows in
_LINE = re.compile(rb"\r\n|\r|\n")


class _Cells(NamedTuple):
    """How the cells of a table are told apart."""

    sign: bytes  # what parts them
    in_quotes: re.Pattern[bytes]  # finds those GDAL takes to be in quotes, closed or not
    begun_by: re.Pattern[bytes]  # the same, of those alone that a quote begins
    parted: int  # signs of the header


@lru_cache(maxsize=16)  # windows of a batch have the same file
def unread_rows(place: Place, sublayer: str, state: object) -> str:
    """Say where rows of a CSV would be lost, why, and what to do; "" if none would.

    Nothing is looked for in an archive that cannot be looked into here, nor in an archive within
    another. ``state`` is that of the file.
    """
    suffixes = (".csv", ".tsv", ".psv", ".txt")
    with ExitStack() as opened:
        try:
            stream = opened.enter_context(unpacked(place, sublayer, suffixes=suffixes))
        except UNREADABLE:
            return ""
        return "" if stream is None else _looked_through(stream)


def _looked_through(stream: Stream) -> str:
    held: list[bytes] = []  # from the beginning of a row on
    line, behind, again, cells = 1, 1, 0, None
    parts = _parts(stream)
    for part, last in parts:
        cells = cells or _cells(part)
        at, behind = behind, behind + _lines(part)
        if why := _lost_line(part, at):
            return why
        zero = part.find(b"\0")
        if zero >= 0:
            if not (_is_padding(part[zero:]) and all(_is_padding(more) for more, _ in parts)):
                return (
                    f"line {at + _lines(part[:zero])} holds a zero byte, behind which the rest of "
                    "its row would be lost; take it out, or export the table again"
                )
            part, last = part[:zero], True
        held.append(part)
        # Of a cell over many parts not every part is cause to look at all of it anew.
        if not last and sum(map(len, held)) < again:
            continue
        text = b"".join(held)
        wrong, done = _open_cells(text, cells, last=last)
        if wrong is not None:
            return (
                f"line {line + _lines(text[:wrong])}: a quote there is not closed where its cell "
                "ends, so that rows behind it would be lost; close it, or put the cell in quotes "
                "and write those within it twice; if all is as it is meant, export the table to a "
                "GeoPackage"
            )
        line, held, again = line + _lines(text[:done]), [text[done:]], 2 * len(text[done:])
    return ""


def _parts(stream: Stream) -> Iterator[tuple[bytes, bool]]:
    """Give the bytes in parts that end with a line, and tell which is the last.

    A line too long is a part before it ends. None is the last of what cannot be read to its end.
    """
    kept, chunk = b"", _read(stream)
    chunk = chunk and chunk.removeprefix(codecs.BOM_UTF8)
    while chunk:
        kept += chunk
        cut = kept.rfind(b"\n") + 1 or kept.rfind(b"\r", 0, -1) + 1  # the last may be half an end
        chunk = _read(stream)
        if chunk and (cut or len(kept) > _LONGEST):
            cut = cut or len(kept)
            yield kept[:cut], False
            kept = kept[cut:]
    if chunk is not None:
        yield kept, True


def _read(stream: Stream) -> bytes | None:
    """Return the next bytes, none at the end, None if they cannot be read."""
    try:
        return stream.read(_CHUNK)
    except UNREADABLE:
        return None


def _lines(text: bytes) -> int:
    """Return how many lines end in a text."""
    return text.count(b"\n") or text.count(b"\r")


def _lost_line(part: bytes, at: int) -> str:
    """Say which line is too long, "" if none is; the first is line ``at``. Padding is none."""
    if len(part) <= _LONGEST:
        return ""
    begin = 0
    for end in _LINE.finditer(part):
        if end.start() - begin >= _LONGEST:
            break
        begin = end.end()
    if len(part) - begin <= _LONGEST or part[begin] == 0:
        return ""
    return (
        f"line {at + _lines(part[:begin])} has more than {_LONGEST:,} bytes, so that it and all "
        "rows behind it would be lost; shorten it, or export the table to a GeoPackage"
    )


def _is_padding(text: bytes) -> bool:
    """Tell whether there is nothing but zero bytes and ends of lines, which lose no row."""
    return not text.strip(b"\0" + _ENDS)


def _cells(head: bytes) -> _Cells:
    """Return how cells are told apart: by the sign most of in the first line.

    As GDAL chooses it: of several alike the comma, and spaces only where there is none of them.
    """
    first = re.sub(rb'"[^"]*"', b"", _LINE.split(head, maxsplit=1)[0])
    counts = [first.count(sign) for sign in (b",", b";", b"\t", b"|")]
    alike = counts.count(max(counts)) > 1
    sign = b"," if alike else (b",", b";", b"\t", b"|")[counts.index(max(counts))]
    if not any(counts) and b" " in first:
        sign = b" "
    # A doubled quote stays in the cell. No closing one is found of a cell that is not closed.
    cell = rb'("[^"]*(?:""[^"]*)*)("?)'
    begun_by = re.compile(rb"(?:^|[\r\n" + re.escape(sign) + rb"])" + cell)
    in_quotes = re.compile(cell) if _anywhere() else begun_by
    header = _LINE.split(_bare(head, begun_by), maxsplit=1)[0]
    return _Cells(sign, in_quotes, begun_by, _signs(header, sign))


def _anywhere() -> bool:
    """Tell whether GDAL takes rows for one from any quote on, also from one within a cell."""
    return bool(pyogrio.__gdal_version__ < _LETTER)


def _open_cells(text: bytes, cells: _Cells, *, last: bool) -> tuple[int | None, int]:
    """Return where a cell begins that is not closed at its end, and up to where rows are whole.

    None where there is none. ``text`` begins with a row and ends with a line.
    """
    around = _ENDS + cells.sign + b'"'
    if _plain(text, cells):
        return None, len(text)
    before, behind, row = 0, 0, 0  # ends of the last cell over lines, where the row begins
    for found in cells.in_quotes.finditer(text):
        start, end = found.start(1), found.end()
        over_lines = _LINE.search(found[1])
        if found[2] and not over_lines:
            continue
        begins = text[max(start - 1, 0) : max(start, 1)] in around
        begin = _line_begin(text, before, start)
        row = begin if begin > behind else row  # else the last cell over lines is of the same row
        if not found[2] and (begins or not over_lines):
            enough = end - start > _ENOUGH and _holds_rows(text[begin:end], cells)
            return (start, row) if last or enough else (None, row)
        ends = text[end : end + 1] in around  # also at the end of the text
        if not (begins and ends) or _took_rows(text, begin, found.span(1), cells):
            return start, row
        before, behind = start, end
    return None, len(text)


def _line_begin(text: bytes, least: int, at: int) -> int:
    """Return where the line begins that holds a byte, ``least`` if that is before it."""
    begin = max(text.rfind(b"\n", least, at) + 1, least)
    return max(text.rfind(b"\r", begin, at) + 1, begin)


def _line_end(text: bytes, at: int) -> int:
    end = _LINE.search(text, at)
    return end.start() if end else len(text)


def _took_rows(text: bytes, begin: int, cell: tuple[int, int], cells: _Cells) -> bool:
    """Tell whether a cell over lines, which began at a byte, holds rows alone."""
    until = _line_end(text, cell[1])
    signs = text.count(cells.sign, _line_begin(text, *cell), until)  # of most notes too few
    return signs >= cells.parted and _holds_rows(text[begin:until], cells)


def _holds_rows(lines: bytes, cells: _Cells) -> bool:
    """Tell whether each line that a cell goes over would be a row, were its quotes letters.

    Such a cell begins with a sign of inches and ends with one of a later row. A note has lines of
    more signs than the header, or of fewer.
    """
    return cells.parted > 0 and all(
        _signs(_bare(line, cells.begun_by), cells.sign) == cells.parted
        for line in _each(lines)
        if line
    )


def _each(lines: bytes) -> Iterator[bytes]:
    """Give one line after the other, for often the first ones tell."""
    begin = 0
    for end in _LINE.finditer(lines):
        yield lines[begin : end.start()]
        begin = end.end()
    yield lines[begin:]


def _bare(text: bytes, begun_by: re.Pattern[bytes]) -> bytes:
    """Return a text without its cells in quotes, but for those that are not closed."""
    return begun_by.sub(
        lambda cell: cell[0][: cell.start(1) - cell.start() if cell[2] else None], text
    )


def _signs(line: bytes, sign: bytes) -> int:
    """Return how many signs part cells; those before a blank are of sentences."""
    return line.count(sign) - line.count(sign + b" ")


def _plain(text: bytes, cells: _Cells) -> bool:
    """Tell whether quotes stand in pairs alone, at both ends of cells or side by side.

    And whether no cell may have taken rows in, by the signs in the line it ends in.
    """
    codes = np.frombuffer(text, dtype=np.uint8)
    quotes = np.flatnonzero(codes == ord('"'))
    if len(quotes) % 2:
        return False
    around = np.zeros(256, dtype=bool)
    around[[*_ENDS, *cells.sign, ord('"')]] = True
    before = codes[np.maximum(quotes[::2] - 1, 0)]
    behind = codes[np.minimum(quotes[1::2] + 1, len(codes) - 1)]
    if not (around[before].all() and around[behind].all()):
        return False
    ends = np.flatnonzero((codes == ord("\n")) | (codes == ord("\r")))
    first, beyond = np.searchsorted(ends, quotes).reshape(-1, 2).T
    beyond = beyond[beyond > first]
    signs = np.flatnonzero(codes == cells.sign[0])
    until = np.searchsorted(signs, np.append(ends, len(codes))[beyond])
    return bool((until - np.searchsorted(signs, ends[beyond - 1]) < cells.parted).all())
