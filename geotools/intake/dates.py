"""Dates in text: the year of each, and which are the day from which tables count days."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

__all__ = ["DAY_ZERO", "are_day_zero", "with_years"]

# Names of months, January first; others are words that begin so, as Mary and Marble do.
_MONTHS = (
    ("jan", "january", "januar", "januari", "janv", "janvier", "janeiro"),
    ("feb", "february", "febr", "februar", "februari", "février", "fevrier", "febrero",
     "febbraio", "fevereiro"),
    ("mar", "march", "märz", "maerz", "mrz", "maart", "mrt", "mars", "marts", "marzo", "março"),
    ("apr", "april", "avril", "abril", "aprile"),
    ("may", "mai", "mei", "mayo", "maggio", "maio"),
    ("jun", "june", "juni", "juin", "junio", "giugno", "junho"),
    ("jul", "july", "juli", "juillet", "julio", "luglio", "julho"),
    ("aug", "august", "augustus", "augusti", "août", "aout", "agosto"),
    ("sep", "sept", "september", "septembre", "septiembre", "settembre", "setembro"),
    ("oct", "october", "okt", "oktober", "octobre", "octubre", "ottobre", "outubro"),
    ("nov", "november", "novembre", "noviembre", "novembro"),
    ("dec", "december", "dez", "dezember", "décembre", "decembre", "diciembre", "dicembre",
     "dezembro"),
)  # fmt: skip
_MONTH = rf"(?:{'|'.join(name for names in _MONTHS for name in names)})\.?"
_DECEMBER = rf"(?:{'|'.join(_MONTHS[-1])})\.?"
_OF_MONTH = r"(?=(?:[0-2]?\d|3[01])(?!\d))"  # a day; 60 is a year, as in 1958-Mar-60
_GAP = r"[-/. ]{0,2}"  # around the name of a month; databases write days 1 to 9 behind two blanks
_CLOCK = r"(?:\d{1,2}(?::[0-5]\d){1,2}|\d{1,2}(?:\.[0-5]\d){2}|\d{1,2}(?=\s?[ap]m))"
_ZONE = r"(?:\s?(?:z|utc|gmt))?(?:\s?[-+]\d\d(?::?\d\d)?)?"
# behind the name of a month and the year there is a time of day, or else a second date perhaps
_TIME = rf"(?:[\s,:T]\s?{_CLOCK}(?:[.,:]\d{{1,9}})?(?:\s?[ap]\.?m\.?)?{_ZONE})?"
# behind numbers there may be a remark, but no second year
_REMARK = r"(?!.*(?<!\d)(?:1[89]|20)\d\d(?!\d)).*"
# 19580615: of all numbers of eight digits, those that are a day
_DAY_IN_ONE = r"(?:18|19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])\Z"
_FIRST_FOUR = re.compile(r"\d{4}")
# the day from which days are counted in Access, Excel and OLE; a Shapefile is given it for no date
DAY_ZERO = 18991230


def _spellings(year: str, month: str, name: str, day: str) -> str:
    """Return a pattern of what writes a day, from those of its parts; ``name`` is of its month.

    Of two digits nobody can tell the century: the year is the first four digits in a row.
    """
    nth = rf"{_OF_MONTH}{day}(?:st|nd|rd|th)?"
    forms = (
        rf"{year}[-/.]{month}[-/.]{day}(?:\D{_REMARK})?",
        rf"(?:{day}[-/.]{month}|{month}[-/.]{day})[-/.]{year}(?:(?:\s|T(?=\d)){_REMARK})?",
        rf"(?={_DAY_IN_ONE}){year}{month}{day}",
        rf"(?:{nth}{_GAP}{name}[-/,. ]{{0,2}}|{name}{_GAP}{nth}[-/,. ]{{1,2}}){year}{_TIME}",
        rf"{year}{_GAP}{name}{_GAP}{nth}{_TIME}",
    )
    return "|".join(forms)


_DATE = re.compile(
    "|".join(
        (
            _spellings(r"\d{4}", r"\d{1,2}", _MONTH, r"\d{1,2}"),
            # the day may be left out; "1950-60" is no month and says two years
            rf"\d{{4}}[-/](?:0?[1-9]|1[0-2])(?:\D{_REMARK})?",
            rf"\d{{1,2}}[-/.]\d{{4}}(?:(?:\s|T(?=\d)){_REMARK})?",
            rf"{_MONTH}[-/,. ]{{0,2}}\d{{4}}{_TIME}",
            rf"\d{{4}}{_GAP}{_MONTH}",
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
