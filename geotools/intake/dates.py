"""Dates in text: the year of each, and which are the day from which tables count days."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from geotools.pipe.names import folded

__all__ = ["DAY_ZERO", "are_day_zero", "with_years"]

# Names of months, January first; others are words that begin so, as Mary and Marble do. Polish and
# Czech ones are in the nominative and the genitive, as in dates. Not there are short ones that are
# words of records, as Portuguese "out" and "set".
_MONTHS = (
    ("jan", "january", "januar", "januari", "janv", "janvier", "janeiro", "ene", "enero", "gen",
     "genn", "gennaio", "styczeń", "stycznia", "sty", "leden", "ledna"),
    ("feb", "february", "febr", "februar", "februari", "février", "fevrier", "fév", "févr",
     "febrero", "febbraio", "fevereiro", "fev", "luty", "lutego", "lut", "únor", "února", "úno"),
    ("mar", "march", "märz", "maerz", "mrz", "maart", "mrt", "mars", "marts", "marzo", "março",
     "marec", "marzec", "marca", "březen", "března", "bře"),
    ("apr", "april", "avril", "avr", "abril", "abr", "aprile", "kwiecień", "kwietnia", "kwi",
     "duben", "dubna", "dub"),
    ("may", "mai", "mei", "mayo", "maggio", "mag", "magg", "maio", "maj", "maja", "květen",
     "května", "kvě"),
    ("jun", "june", "juni", "juin", "junio", "giugno", "giu", "junho", "czerwiec", "czerwca",
     "cze", "červen", "června", "čvn"),
    ("jul", "july", "juli", "juillet", "juil", "julio", "luglio", "lug", "julho", "lipiec",
     "lipca", "lip", "červenec", "července", "čvc"),
    ("aug", "august", "augustus", "augusti", "août", "aout", "agosto", "ago", "sierpień",
     "sierpnia", "sie", "srpen", "srpna", "srp"),
    ("sep", "sept", "september", "septembre", "septiembre", "setiembre", "settembre", "sett",
     "setembro", "wrzesień", "września", "wrz", "září", "zář"),
    ("oct", "october", "okt", "oktober", "octobre", "octubre", "ottobre", "ott", "outubro",
     "październik", "października", "paź", "říjen", "října", "říj"),
    ("nov", "november", "novembre", "noviembre", "novembro", "listopad", "listopada", "lis",
     "listopadu"),
    ("dec", "december", "dez", "dezember", "décembre", "decembre", "déc", "diciembre", "dic",
     "dicembre", "dezembro", "grudzień", "grudnia", "gru", "prosinec", "prosince"),
)  # fmt: skip


def _named(names: Iterable[str]) -> str:
    """Return a pattern of names, with and without the marks on their letters."""
    return rf"(?:{'|'.join(dict.fromkeys(form for n in names for form in (n, folded(n))))})\.?"


_MONTH = _named(name for names in _MONTHS for name in names)
_DECEMBER = _named(_MONTHS[-1])
_SIGN = r"(?:[-/]|\. ?)"  # between numbers
_OF = r"(?: (?:del?|di) )"
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
        rf"{year}{_SIGN}{month}{_SIGN}{day}(?:\D{_REMARK})?",
        rf"(?:{day}{_SIGN}{month}|{month}{_SIGN}{day}){_SIGN}{year}(?:(?:\s|T(?=\d)){_REMARK})?",
        rf"(?={_DAY_IN_ONE}){year}{month}{day}",
        rf"(?:{nth}{_GAP}{name}[-/,. ]{{0,2}}|{name}{_GAP}{nth}[-/,. ]{{1,2}}){year}{_TIME}",
        rf"{nth}(?:{_OF}|{_GAP}){name}(?:{_OF}| ){year}(?: ?r\.?)?",
        rf"{year}{_GAP}{name}{_GAP}{nth}{_TIME}",
    )
    return "|".join(forms)


_DATE = re.compile(
    "|".join(
        (
            _spellings(r"\d{4}", r"\d{1,2}", _MONTH, r"\d{1,2}"),
            # the day may be left out; "1950-60" is no month and says two years
            rf"\d{{4}}[-/](?:0?[1-9]|1[0-2])(?:\D{_REMARK})?",
            rf"\d{{1,2}}{_SIGN}\d{{4}}(?:(?:\s|T(?=\d)){_REMARK})?",
            rf"{_MONTH}[-/,. ]{{0,2}}\d{{4}}{_TIME}",
            rf"{_MONTH}(?:{_OF}| )\d{{4}}(?: ?r\.?)?",
            rf"\d{{4}}{_GAP}{_MONTH}",
        )
    ),
    re.IGNORECASE,
)
_DAY_ZERO = re.compile(_spellings("1899", "12", _DECEMBER, "30"), re.IGNORECASE)


def with_years(texts: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return texts, of each that writes a date its year alone."""
    years = [
        _FIRST_FOUR.findall(text)[0] if _DATE.fullmatch(_composed(text)) else text for text in texts
    ]
    return np.array(years, dtype=object)


def are_day_zero(texts: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Return which texts write 30 December 1899, in any spelling that `with_years` reads."""
    return np.array([_DAY_ZERO.fullmatch(_composed(t)) is not None for t in texts], dtype=bool)


def _composed(text: str) -> str:
    """Return a text in which a letter and its mark are one sign."""
    return text if text.isascii() else unicodedata.normalize("NFC", text)
