"""Tables for a reader: columns of text, as wide as they need to be."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["table"]


def table(head: Sequence[str], rows: Sequence[Sequence[object]], *, widest: int = 100) -> str:
    """Return rows under a head, numbers to the right, the last column as long as it is.

    Parameters
    ----------
    head : sequence of str
    rows : sequence of sequences
        One value a column.
    widest : int, keyword-only
        Longer text, but in the last column, is cut.
    """
    texts = [[_cell(value, widest) for value in row] for row in rows]
    widths = [max(len(row[i]) for row in [list(head), *texts]) for i in range(len(head))]
    right = [
        bool(rows) and all(isinstance(row[i], int | float) for row in rows)
        for i in range(len(head))
    ]
    lines = [list(head), ["-" * width for width in widths], *texts]
    return "\n".join(_line(line, widths, right) for line in lines)


def _cell(value: object, widest: int) -> str:
    text = " ".join(str(value).split())
    return text if len(text) <= widest else text[: widest - 3] + "..."


def _line(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    padded = [
        cell.rjust(width) if to_right else cell.ljust(width)
        for cell, width, to_right in zip(cells, widths, right, strict=True)
    ]
    return "  ".join(padded).rstrip()
