"""Tables on paper: columns as wide as their words, flowing from column to column of a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from geotools.deliver.sheets import inks
from geotools.deliver.sheets.lettering import text_width
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import LEADING, Ink, Pen, cut, wrap

__all__ = ["Piece", "Table", "draw_piece", "draw_table", "flow"]

_PAD = 0.5  # of the type body, beside the words of a cell
_ROW = 1.55  # height of a row of one line
_HEADING = 2.6
_GAP = 1.4  # below a table


@dataclass(frozen=True)
class Table:
    """A heading, names of columns, rows of text.

    The last column takes the width that is left over, and is broken into lines. Columns in
    ``right`` are numbers, set flush right. Rows that lead to a page have its key in ``keys``.
    """

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()
    keys: tuple[str, ...] = ()


@dataclass(frozen=True)
class Piece:
    """Rows of a table that stand together in one place."""

    table: Table
    box: Box
    widths: tuple[float, ...]
    size: float


def _widths(table: Table, width: float, size: float) -> tuple[float, ...]:
    """Return widths of columns that make up the width; words give way, numbers do not."""
    cells = [table.columns, *table.rows]
    want = [
        max(text_width(row[k], size, bold=n == 0) for n, row in enumerate(cells)) + 2 * _PAD * size
        for k in range(len(table.columns))
    ]
    spare = width - sum(want)
    if spare >= 0:
        if len(want) - 1 in table.right:
            return tuple(w + spare / len(want) for w in want)
        return (*want[:-1], want[-1] + spare)
    least = [_least(table, k, size) for k in range(len(want))]
    loose = [max(w - low, 0.0) for w, low in zip(want, least, strict=True)]
    share = min(1.0, -spare / sum(loose)) if any(loose) else 0.0
    given = [w - share * free for w, free in zip(want, loose, strict=True)]
    shrink = min(1.0, width / sum(given))
    return tuple(w * shrink for w in given)


def _least(table: Table, k: int, size: float) -> float:
    """Return the width a column needs: the longest word of its name, every number whole."""
    name = max(text_width(word, size, bold=True) for word in table.columns[k].split() or [""])
    cells = [text_width(row[k], size) for row in table.rows]
    longest = max(cells, default=0.0)
    return max(name, longest if k in table.right else min(longest, 14 * size)) + 2 * _PAD * size


def _cells(
    row: Sequence[str], widths: Sequence[float], size: float, *, bold: bool = False
) -> list[list[str]]:
    """Return the lines of every cell of a row."""
    # a hair more room than the words measured, lest rounding break them
    return [
        wrap(word, wide - 2 * _PAD * size + 1e-6, size, bold) or [""]
        for word, wide in zip(row, widths, strict=True)
    ]


def _row_height(
    row: Sequence[str], widths: Sequence[float], size: float, *, bold: bool = False
) -> float:
    lines = max(len(cell) for cell in _cells(row, widths, size, bold=bold))
    return (_ROW + (lines - 1) * LEADING) * size


def flow(
    tables: Sequence[Table], columns: Sequence[Box], size: float, *, first: Sequence[Box] = ()
) -> list[list[Piece]]:
    """Lay tables out one under the other, from column to column and page to page.

    Parameters
    ----------
    tables : sequence of Table
    columns : sequence of Box
        Of every page.
    size : float
        Height of the type body, mm.
    first : sequence of Box, optional
        Columns of the first page, where they are others.

    Returns
    -------
    list of list of Piece
        Pieces of each page. A row is never cut in two.
    """
    pages: list[list[Piece]] = [[]]
    free = list(first or columns)
    box = free.pop(0)
    top = box.top
    for table in tables:
        left, keys, part = list(table.rows), list(table.keys), 0
        while left or not part:
            widths = _widths(table, box.w, size)
            head = _HEADING * size + _row_height(table.columns, widths, size, bold=True)
            taken, height = 0, head
            while taken < len(left):
                row = _row_height(left[taken], widths, size)
                if top - height - row < box.y:
                    break
                height += row
                taken += 1
            # a heading with one row of many under it is better off at the next top
            lonely = taken < min(2, len(left)) and top < box.top
            if not lonely and (taken or not left):
                heading = table.heading + (" (continued)" if part else "")
                rows = replace(table, heading=heading, rows=tuple(left[:taken]),
                               keys=tuple(keys[:taken]))  # fmt: skip
                pages[-1].append(Piece(rows, Box(box.x, top - height, box.w, height), widths, size))
                left, keys, part = left[taken:], keys[taken:], part + 1
                top -= height + _GAP * size
            elif top >= box.top:  # higher than any column: cut its words
                left[0] = tuple(
                    cut(w, wide * 3, size) for w, wide in zip(left[0], widths, strict=True)
                )
            if left:
                if not free:
                    pages.append([])
                    free = list(columns)
                box = free.pop(0)
                top = box.top
    return pages


def draw_piece(pen: Pen, piece: Piece) -> None:
    """Draw rows of a table under their heading."""
    box, size, table = piece.box, piece.size, piece.table
    y = box.top - _HEADING / 2 * size
    pen.text(box.x, y, cut(table.heading, box.w, 1.15 * size, True), size=1.15 * size, bold=True)
    top = box.top - _HEADING * size
    tall = _row_height(table.columns, piece.widths, size, bold=True)
    head = Box(box.x, top - tall, sum(piece.widths), tall)
    pen.box(head, Ink(None, fill="#e4e8ee"))
    pen.line([(head.x, head.top), (head.right, head.top)], inks.EDGE)
    top = _draw_row(pen, piece, table.columns, top, bold=True)
    for place, row in enumerate(table.rows):
        low = _draw_row(pen, piece, row, top)
        if table.keys:
            pen.link(table.keys[place], Box(box.x, low, box.w, top - low))
        top = low
    pen.line([(head.x, top), (head.right, top)], inks.EDGE)


def _draw_row(
    pen: Pen, piece: Piece, row: Sequence[str], top: float, *, bold: bool = False
) -> float:
    """Draw a row and the line under it; return its lower edge."""
    size, x = piece.size, piece.box.x
    cells = _cells(row, piece.widths, size, bold=bold)
    height = (_ROW + (max(len(c) for c in cells) - 1) * LEADING) * size
    for k, (lines, wide) in enumerate(zip(cells, piece.widths, strict=True)):
        right = k in piece.table.right
        at = x + wide - _PAD * size if right else x + _PAD * size
        for n, line in enumerate(lines):
            y = top - (_ROW / 2 + n * LEADING) * size
            pen.text(at, y, line, size=size, align="right" if right else "left", bold=bold)
        x += wide
    pen.line([(piece.box.x, top - height), (x, top - height)], inks.GRID)
    return top - height


def draw_table(pen: Pen, table: Table, box: Box, size: float) -> None:
    """Draw a table in a box, as far as it goes; tell how many rows it lacks."""
    first, *others = flow([table], [box], size)
    for piece in first:
        draw_piece(pen, piece)
    missing = sum(len(piece.table.rows) for page in others for piece in page)
    if missing:
        words = f"and {missing} more, see the schedules"
        pen.text(box.x, box.y + 0.2 * size, words, size=0.9 * size, colour=inks.MUTED)
