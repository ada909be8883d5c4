"""Tables for a reader: columns of text, as wide as they need to be."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["table"]


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Return rows under a head; columns of numbers, with gaps as empty text, to the right."""
    texts = [[" ".join(str(value).split()) for value in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(head, *texts, strict=True)]
    columns = zip(*rows, strict=True) if rows else ([""] for _ in head)
    right = [all(isinstance(value, int | float) or value == "" for value in c) for c in columns]
    lines = [list(head), ["-" * width for width in widths], *texts]
    return "\n".join(_line(line, widths, right) for line in lines)


def _line(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    padded = [
        cell.rjust(width) if to_right else cell.ljust(width)
        for cell, width, to_right in zip(cells, widths, right, strict=True)
    ]
    return "  ".join(padded).rstrip()
