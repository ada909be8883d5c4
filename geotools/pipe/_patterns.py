"""Patterns of the words of a table, by what kind they are words for."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache

from geotools.pipe._tables import rows

__all__ = ["found", "pattern"]

# What of a text a word may be: all of it but a size, a word of it, one that gives way to words of
# another language (who reads the table sees to that), the beginning or end of one, anything.
_PARTS = {
    "whole": r"^{}(?: (?:dn)?[0-9]*(?:mm|in)?)*$",
    "word": r"\b{}\b",
    "aside": r"\b{}\b",
    "start": r"\b{}",
    "end": r"{}\b",
    "within": r"{}",
}


@cache
def pattern(table: str, kind: str) -> re.Pattern[str]:
    """Return what finds the words for a kind in a text as `names.spaced` gives it.

    Parameters
    ----------
    table : str
        One with a ``word``, its ``kind`` and the ``part`` of a text it may be.
    kind : str
    """
    return re.compile("|".join(found(row) for row in rows(table) if row["kind"] == kind))


def found(row: Mapping[str, str]) -> str:
    """Return the pattern that finds the word of a row of a table."""
    return _PARTS[row["part"]].format(re.escape(row["word"]).replace(r"\ ", " ?"))
