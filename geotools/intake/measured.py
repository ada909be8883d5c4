"""Values that bring their own unit, such as 12 in, 300mm or 30 mph, whatever the column's is.

The units are a closed list: of a library that knows all, records would be read as what nobody
meant, ``12 in B`` (a class of pipe) as bytes and ``110 PP`` (a material) as some unit's multiple.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.signs import PLAIN, Sense, Signs, may_be_twofold, parted
from geotools.intake.values import DECIMAL_COMMA
from geotools.pipe.factors import DAY, FOOT, GALLON, HOUR, INCH, MPH, PSI
from geotools.units import INCHES, by_signs

__all__ = ["UNITS", "Measured", "in_own_unit", "signs_in"]

# Words for inches in other languages: common practice, no source.
_INCHES = (
    "zoll", "pouce", "pouces", "pulgada", "pulgadas", "pulg", "pollice", "pollici", "polegada",
    "polegadas", "duim", "cal", "cale", "cali", "palec", "palce", "palců", "tum", "tomme",
    "tommer",
)  # fmt: skip
_LENGTHS = {
    **dict.fromkeys(("mm", "millimeter", "millimeters", "millimetre", "millimetres"), 1e-3),
    **dict.fromkeys(("cm", "centimeter", "centimeters", "centimetre", "centimetres"), 1e-2),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), 1.0),
    **dict.fromkeys(("in", "ins", "inch", "inches", '"', "''", "″", "”"), INCH),
    **dict.fromkeys(_INCHES, INCH),
    **dict.fromkeys(("ft", "foot", "feet", "'", "′", "’"), FOOT),
}
_TIMES = {"s": 1.0, "min": 60.0, "h": HOUR, "hr": HOUR, "d": DAY, "day": DAY}
# What one of each is in SI, by dimension of the contract, in small letters: records write MM and
# PSI. So ml and mpa are mega: nobody keeps a network in millilitres or millipascals.
UNITS: dict[str, dict[str, float]] = {
    "bore": _LENGTHS,
    "length": _LENGTHS,
    "pressure": {
        "pa": 1.0,
        "kpa": 1e3,
        "mpa": 1e6,
        "bar": 1e5,
        "mbar": 1e2,
        "psi": PSI,
        "psig": PSI,
        "barg": 1e5,
    },
    "flow": {
        **{f"l/{name}": 1e-3 / time for name, time in _TIMES.items()},
        **{f"m3/{name}": 1.0 / time for name, time in _TIMES.items()},
        **{f"ft3/{name}": FOOT**3 / time for name, time in _TIMES.items()},
        "cfs": FOOT**3,
        **dict.fromkeys(("ml/d", "ml/day", "mld"), 1000.0 / DAY),
        "lps": 1e-3,
        "gpm": GALLON / 60,
        "gal/min": GALLON / 60,
        "mgd": 1e6 * GALLON / DAY,
    },
    "speed": {
        **dict.fromkeys(("km/h", "km/hr", "kmh", "kph", "kmph"), 1e3 / HOUR),
        "mph": MPH,
        "mi/h": MPH,
        "m/s": 1.0,
    },
    "angle": {**dict.fromkeys(("°", "deg", "degree", "degrees"), math.pi / 180), "rad": 1.0},
}
_QUANTITY = re.compile(r"([+-]?[0-9.,]+(?:[\s'\u2019][0-9]{3})*[0-9.,]*)\s*([^0-9.,\s].*)")
_PLAIN = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
# A nominal size is no measure, but is read as one everywhere: DN of ISO 6708, and NW (Nennweite)
# before it, is in millimetres, NPS of ASME B36.10M in inches.
_NOMINAL = (
    (re.compile(r"(?:dn|nw)\s*([0-9.]+)(?:\s*mm)?|([0-9.]+)\s*dn"), 1e-3),
    (re.compile(r"nps\s*([0-9.]+)"), INCH),
)
# What says that a number is a diameter, and not in which unit: that is the column's.
_DIAMETER = re.compile(r"(?:[øφ⌀∅]|nd)\s*([0-9].*)")
_BARE = re.compile(r"[0-9.,]+")
_FRACTION = re.compile(r"([0-9]{0,4})\s?([¼½¾⅛⅜⅝⅞])\s?([^0-9\s].*)")


@dataclass(frozen=True)
class Measured:
    """What texts hold that are a number and its unit, shape (n,); NaN of all others.

    Attributes
    ----------
    values : ndarray
        In SI.
    bare : ndarray
        The numbers as written, without their units.
    how : ndarray of int8
        What point or comma was read as, of `signs`.
    own : ndarray of bool
        Read in a unit of its own, and not, as ``Ø 300``, in the column's.
    """

    values: npt.NDArray[np.float64]
    bare: npt.NDArray[np.float64]
    how: npt.NDArray[np.int8]
    own: npt.NDArray[np.bool_]


def in_own_unit(
    texts: npt.NDArray[Any], dimension: str | None, signs: Signs | None = None
) -> Measured:
    """Return what texts hold that are a number and a unit of their kind.

    Parameters
    ----------
    texts : ndarray of str objects, shape (n,)
        Such as ``12 in``, ``300mm``, ``DN 300``, ``Ø 300``, ``30 mph``.
    dimension : str, optional
        Key of ``schema.DIMENSIONS`` that they measure; of what has no unit here, none is read.
    signs : Signs, optional
        What point and comma do in their column.
    """
    if dimension not in UNITS or not len(texts):
        none = np.full(len(texts), np.nan)
        how = np.full(len(texts), PLAIN, dtype=np.int8)
        return Measured(none, none.copy(), how, np.zeros(len(texts), dtype=np.bool_))
    place, words = pd.factorize(texts)
    signs = signs or Signs()
    bare, factors, known = _apart(words, dimension)
    own = ~np.isinf(factors)
    factors = np.where(own, factors, signs.sense.factor)
    twice, how = signs.read(bare, factors)
    read = np.where(how == PLAIN, [_number(text) for text in bare], twice)
    read = np.where(np.isnan(known), read, known)
    return Measured((read * factors)[place], read[place], how[place], own[place])


def signs_in(texts: npt.NDArray[Any], dimension: str | None, sense: Sense) -> Signs:
    """Return what point and comma do in a column of text, as all its values tell.

    Parameters
    ----------
    texts : ndarray of str objects
        Of the whole column; each value once is enough.
    dimension : str, optional
        As of `in_own_unit`.
    sense : Sense
        What its numbers can be.
    """
    words = pd.unique(texts)
    if not may_be_twofold(words):
        return Signs(sense)
    bare, factors = words, np.full(len(words), sense.factor)
    if dimension in UNITS:
        own, units, _ = _apart(words, dimension)
        alone = ~np.isfinite(units)
        words = np.where(np.isinf(units), own, words)
        bare, factors = np.where(alone, words, own), np.where(alone, sense.factor, units)
    return Signs.of(bare.astype(object), factors, sense)


def _apart(
    words: npt.NDArray[Any], dimension: str
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the number in each text, what one of its unit is in SI, and numbers of one reading.

    "" and NaN where there is none; infinite is the factor of what is in the column's unit. What
    feet and inches make, or a fraction, has one reading, whatever point and comma do in its column,
    and tells nothing of them: it stands among the numbers, its text is "".
    """
    parts = [_split(str(word), dimension) for word in words]
    bare = np.array([number for number, _, _ in parts], dtype=object)
    factors = np.array([factor for _, factor, _ in parts], dtype=np.float64)
    return bare, factors, np.array([known for _, _, known in parts], dtype=np.float64)


def _split(text: str, dimension: str) -> tuple[str, float, float]:
    text = text.strip().casefold()
    if dimension == "bore":
        for size, factor in ((pattern.fullmatch(text), factor) for pattern, factor in _NOMINAL):
            if size:
                return size[size.lastindex or 1], factor, math.nan
        if said := _DIAMETER.fullmatch(text):
            text = said[1]
            if _BARE.fullmatch(text):
                return text, math.inf, math.nan
    if UNITS[dimension] is _LENGTHS and (parts := _FRACTION.fullmatch(text)):
        number = int(parts[1] or 0) + unicodedata.numeric(parts[2])
        factor = _LENGTHS.get(parts[3].removesuffix("."), math.nan)
        return "", factor, number if math.isfinite(factor) else math.nan
    found = _QUANTITY.fullmatch(text)
    if found is None:
        return "", math.nan, math.nan
    unit = re.sub(r"\s|\^", "", found[2]).removesuffix(".").replace("³", "3")
    factor = UNITS[dimension].get(unit.removeprefix("-"), math.nan)  # 24-inch
    if math.isfinite(factor):
        return found[1], factor, math.nan
    signed = by_signs(text) if UNITS[dimension] is _LENGTHS else None
    return ("", INCH, _in_inches(*signed)) if signed else ("", math.nan, math.nan)


def _in_inches(number: float, unit: str) -> float:
    """Return feet or inches, as `by_signs` gives them, in inches as they were written."""
    return round(number * INCHES if unit == "ft" else number, 6)


def _number(text: str) -> float:
    if DECIMAL_COMMA.fullmatch(text):
        text = text.replace(",", ".")
    return float(text) if _PLAIN.fullmatch(text) else parted(text)[0]
