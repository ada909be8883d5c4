"""Values in the words of a text: a number and its unit, a chainage, a time."""

from __future__ import annotations

import math

import numpy as np

from geotools.schema import DIMENSIONS

__all__ = ["UNIT_SIGNS", "chainage_text", "in_system", "moment", "shown", "unit_of", "unit_sign"]

# How a unit suffix is written for a reader, where that differs.
UNIT_SIGNS = {
    "kpa": "kPa",
    "mpa": "MPa",
    "kn": "kN",
    "c": "°C",
    "f": "°F",
    "deg": "°",
    "m2": "m²",
    "ft2": "ft²",
    "in2": "in²",
    "cm2": "cm²",
    "mm2": "mm²",
    "m3": "m³",
    "yd3": "yd³",
    "m3h": "m³/h",
    "lps": "L/s",
    "kmh": "km/h",
    "ms": "m/s",
    "fts": "ft/s",
}


def unit_sign(suffix: str) -> str:
    """Return a unit suffix as it is written for a reader: ``lps_per_km`` is L/s per km."""
    return " ".join(UNIT_SIGNS.get(word, word) for word in suffix.split("_"))


def unit_of(dimension: str, units: str) -> str:
    """Return the unit a kind of quantity is shown in."""
    return unit_sign(DIMENSIONS[dimension].suffix(units))


def in_system(value: float, dimension: str, units: str) -> float:
    """Return a value in SI as a number in the units of a system."""
    kind = DIMENSIONS[dimension]
    suffix = kind.suffix(units)
    return (value - kind.zero.get(suffix, 0.0)) / kind.units[suffix]


def shown(value: float, dimension: str, units: str) -> str:
    """Return a value with its unit, for a text."""
    return f"{in_system(value, dimension, units):.4g} {unit_of(dimension, units)}"


def chainage_text(chainage: float, units: str) -> str:
    """Return a chainage (m) as kilometres + metres, or as stations of 100 ft + feet.

    Both are common practice, no source: ``0+428.2``, ``14+05.0``.
    """
    number = in_system(chainage, "length", units)
    whole, digits = (100, 2) if units == "us" else (1000, 3)
    tenths = math.floor(abs(number) * 10 + 0.5)
    station, rest = divmod(tenths, whole * 10)
    sign = "-" if number < 0 and tenths else ""
    return f"{sign}{station}+{rest / 10:0{digits + 2}.1f}"


def moment(time: np.datetime64) -> str:
    """Return a time to the minute, for a text."""
    return str(time.astype("datetime64[m]")).replace("T", " ")
