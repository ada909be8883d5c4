"""The vertical unit of an elevation raster: what the file says, what the brief says."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import get_args

import pyproj

from geotools.errors import LayerError
from geotools.pipe.factors import FOOT
from geotools.units import LevelUnit

__all__ = [
    *("UNIT_KEY", "VerticalUnit"),
    *("file_units", "known_unit", "resolve_unit", "stated_unit", "unread_unit"),
]

UNITS: tuple[str, ...] = get_args(LevelUnit)
# How texts tell to set the unit; the command line takes it with --set.
UNIT_KEY = (
    f"ground.vertical_unit in the brief ({', '.join(UNITS[:-1])} or {UNITS[-1]}; --set "
    "ground.vertical_unit=ft)"
)
US_SURVEY_FOOT = 1200 / 3937  # exact by definition (US Metric Law of 1866)
# International and US survey feet differ by 2 parts in a million (2 mm in a kilometre), and files
# mix the two names up freely: units closer than this are taken as the same.
SAME = 1e-5


@dataclass(frozen=True)
class VerticalUnit:
    """A unit of level: its name, its length in metres and who says so."""

    name: str
    metres: float
    said_by: str

    def agrees(self, other: VerticalUnit) -> bool:
        """Tell whether two statements mean the same unit for all practical purposes."""
        return abs(self.metres - other.metres) <= SAME * self.metres


# The metre as European languages have it, in the cases units stand in, without accents.
_METRE = (
    *("metre", "metres", "meter", "meters", "metern", "metro", "metros", "metri", "metru"),
    *("metr", "metry", "metra", "metrow", "metrov", "metar", "metara", "metria", "metrai"),
    *("metras", "metrs", "meeter", "meetrit", "метр", "метры", "метров", "μετρο", "μετρα"),
)
_SPELLINGS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("m", "м", *_METRE), ("m", 1.0)),
    **dict.fromkeys(
        ("dm", "дм", *(p + word for p in ("deci", "dezi", "decy", "деци") for word in _METRE)),
        ("dm", 0.1),
    ),
    **dict.fromkeys(
        ("cm", "см", *(p + word for p in ("centi", "zenti", "centy", "санти") for word in _METRE)),
        ("cm", 0.01),
    ),
    **dict.fromkeys(
        ("mm", "мм", *(p + word for p in ("milli", "mili", "милли") for word in _METRE)),
        ("mm", 1e-3),
    ),
    **dict.fromkeys(
        (
            *("ft", "foot", "feet", "pied", "pieds", "pie", "pies"),
            *("internationalfoot", "internationalfeet", "footinternational"),
        ),
        ("ft", FOOT),
    ),
    **dict.fromkeys(
        ("usft", "ftus", "ussurveyfoot", "ussurveyfeet", "footus", "footussurvey", "surveyfoot"),
        ("us-ft", US_SURVEY_FOOT),
    ),
}


# What follows a unit that is no length but a speed, a slope or an area (m/s, m s-1, m2, m per km),
# or is one with a factor: m x 0.01, m*100, m (1/100).
_NO_LENGTH = re.compile(
    r"\s*([/^*²³·%×\d]|x(?![^\W\d_])|[(\[]\s*([/*·×x]\s*)?[.,]?\d|per\b|s\s*($|\^)|.*[-−][12]\b)",
    re.IGNORECASE,
)
# What stands before a unit, or within it, that makes it another: 0.1 m, 100*m, m/m.
_OTHER = re.compile(r"[\d½¼¾/^*²³·×%]")
# Words, without accents, that tell of levels that grow downwards.
_DOWN = {
    *("below", "beneath", "under", "down", "downward", "downwards", "depth", "depths"),
    *("bgl", "bsl", "bmsl", "unter", "unterhalb", "tiefe", "sous", "profondeur", "bajo"),
    *("profundidad", "sotto", "profondita", "abaixo", "profundidade", "pod", "ponizej", "onder"),
    *("beneden", "diepte", "sub", "dybde", "djup", "ниже", "глубина"),
}


_MARKS = re.compile(r"""[\s_.,;:/\\()\[\]<>{}'"?*-]+""")
# What stands in place of a unit, without capitals and marks, where none is said.
_UNSAID = {
    *("", "unknown", "unspecified", "notspecified", "undefined", "notdefined", "unnamed", "unset"),
    *("none", "null", "na", "nan", "notavailable", "notapplicable", "nounit", "nounits"),
    *("unitless", "unbekannt", "inconnu", "inconnue", "desconocido", "sconosciuto"),
}


def known_unit(text: str) -> tuple[str, float] | None:
    """Return name and metres of the unit a text is or begins with; None if that is not known.

    What stands behind a unit of length tells what levels count from: "m NHN", "m ü. NN". A unit
    with a factor ("0.1 m", "m x 0.01") or one that counts downwards ("m below datum") is not
    known: what levels in it are in metres is nothing to be guessed.
    """
    words = list(re.finditer(r"[^\W\d_]+", text))
    plain = [_plain(word.group()) for word in words]
    if _DOWN.intersection(plain):
        return None
    for count in range(len(words), 0, -1):
        end = words[count - 1].end()
        known = _SPELLINGS.get("".join(plain[:count]))
        if known and not _OTHER.search(text[:end]):
            return None if _NO_LENGTH.match(text[end:]) else known
    return None


def _plain(word: str) -> str:
    """Return a word without accents and capitals."""
    letters = unicodedata.normalize("NFD", word)
    return "".join(c for c in letters if not unicodedata.combining(c)).casefold()


def file_units(band_unit: str, crs: pyproj.CRS, source: str) -> list[VerticalUnit]:
    """Return what a file says of its vertical unit: by the band, by the CRS's vertical part.

    A band whose unit is not known says nothing here; `unread_unit` tells of it.

    Parameters
    ----------
    band_unit : str
        Unit text of the band; empty if there is none.
    crs : pyproj.CRS
        CRS of the raster, with its vertical part if it has one.
    source : str
        Name of the file, for messages.

    Raises
    ------
    LayerError
        If the CRS counts downwards.
    """
    said = []
    if known := known_unit(band_unit):
        said.append(VerticalUnit(*known, said_by=f"its band unit {band_unit!r}"))
    for axis in crs.axis_info:
        if axis.direction == "down":
            raise LayerError(
                source, "its CRS counts depths downwards; levels that grow upwards are needed"
            )
        if axis.direction == "up":
            factor = float(axis.unit_conversion_factor)
            said.append(
                VerticalUnit(axis.unit_name, factor, said_by="the vertical part of its CRS")
            )
    return said


def unread_unit(band_unit: str) -> str:
    """Return the unit of a band that is not known; "" where it is, or where none is said."""
    text = band_unit.strip()
    unsaid = _MARKS.sub("", text).casefold() in _UNSAID
    return "" if unsaid or known_unit(text) else text


def stated_unit(brief_unit: str) -> VerticalUnit:
    """Return the unit a brief gives."""
    return VerticalUnit(*_SPELLINGS["".join(c for c in brief_unit if c.isalpha())], "the brief")


def resolve_unit(
    said: Sequence[VerticalUnit],
    brief_unit: str | None,
    source: str,
    *,
    unread: str = "",
    for_others: bool = False,
) -> VerticalUnit | None:
    """Return the unit of a raster's levels, or None if nobody says.

    Parameters
    ----------
    said : sequence of VerticalUnit
        What the file says, by `file_units`.
    brief_unit : str, optional
        What the brief says, a `LevelUnit`.
    source : str
        Name of the file, for messages.
    unread : str
        Unit of the band by `unread_unit`; the brief's stands in for it.
    for_others : bool
        Whether there are other files that say none, for which the brief's may be meant: then it
        is no contradiction to what this one says.

    Raises
    ------
    LayerError
        If file and brief, or two places of the file, contradict each other, or nobody says what
        a unit means that is not known.
    """
    if unread and brief_unit is None:
        raise LayerError(
            source,
            f"band 1 has the unit {unread!r}, which is no unit of levels known here "
            f"({', '.join(UNITS)}, with no factor and counted upwards); if levels are in one of "
            f"these, say which with {UNIT_KEY}; otherwise give the elevation raster in one of them",
        )
    at_odds = len(said) > 1 and not said[0].agrees(said[1])
    if brief_unit is not None:
        told = stated_unit(brief_unit)
        agreeing = [unit for unit in said if unit.agrees(told)]
        if said and not agreeing and for_others and not at_odds:
            return said[0]
        if said and not agreeing:
            raise LayerError(
                source,
                f"levels are in {said[0].name} by {said[0].said_by}, but in {told.name} by the "
                "brief; take vertical_unit out of the brief if the file is right, or correct the "
                "unit in the file",
            )
        return (*agreeing, told)[0]
    if at_odds:
        raise LayerError(
            source,
            f"levels are in {said[0].name} by {said[0].said_by}, but in {said[1].name} by "
            f"{said[1].said_by}; say which is right with ground.vertical_unit in the brief",
        )
    return said[0] if said else None
