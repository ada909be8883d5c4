"""Dates in text: the year of each, and which are the day from which tables count days."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

__all__ = ["DAY_ZERO", "are_day_zero", "with_years"]

_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{0,6}\.?"
_DECEMBER = r"dec[a-z]{0,6}\.?"
# 19580615: of all numbers of eight digits, those that are a day
_DAY_IN_ONE = r"(?:18|19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])\Z"
_FIRST_FOUR = re.compile(r"\d{4}")
# the day from which days are counted in Access, Excel and OLE; a Shapefile is given it for no date
DAY_ZERO = 18991230


def _spellings(year: str, month: str, name: str, day: str) -> str:
    """Return a pattern of what writes a day, from those of its parts; ``name`` is of its month.

    Of two digits nobody can tell the century: the year is the first four digits in a row.
    """
    ordinal = rf"{day}(?:st|nd|rd|th)?"
    forms = (
        rf"{year}[-/]{month}[-/]{day}(?:\D.*)?",
        rf"(?:{day}[-/.]{month}|{month}[-/.]{day})[-/.]{year}(?:\s.*)?",
        rf"(?={_DAY_IN_ONE}){year}{month}{day}",
        rf"(?:{ordinal}[-/ ]?{name}|{name}[-/ ]?{ordinal})[-/, ]{{1,2}}{year}(?:\s.*)?",
    )
    return "|".join(forms)


_DATE = re.compile(
    "|".join(
        (
            _spellings(r"\d{4}", r"\d{1,2}", _MONTH, r"\d{1,2}"),
            # the day may be left out; "1950-60" is no month and says two years
            r"\d{4}[-/](?:0?[1-9]|1[0-2])(?:\D.*)?",
            r"\d{1,2}[-/.]\d{4}(?:\s.*)?",
            rf"{_MONTH}[-/, ]{{1,2}}\d{{4}}(?:\s.*)?",
        )
    ),
    re.IGNORECASE,
)
_DAY_ZERO = re.compile(_spellings("1899", "12", _DECEMBER, "30"), re.IGNORECASE)


def with_years(texts: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return texts, of each that writes a date its year alone."""
    years = [_FIRST_FOUR.findall(text)[0] if _DATE.fullmatch(text) else text for text in texts]
    return np.array(years, dtype=object)


def are_day_zero(texts: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Return which texts write 30 December 1899, in any spelling that `with_years` reads."""
    return np.array([_DAY_ZERO.fullmatch(text) is not None for text in texts], dtype=bool)
