"""Values in the words of a text: a number and its unit, a time."""

from __future__ import annotations

import numpy as np

from geotools.schema import DIMENSIONS

__all__ = ["UNIT_SIGNS", "moment", "shown"]

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


def shown(value: float, dimension: str, units: str) -> str:
    """Return a value with its unit, for a text."""
    kind = DIMENSIONS[dimension]
    suffix = kind.suffix(units)
    number = (value - kind.zero.get(suffix, 0.0)) / kind.units[suffix]
    return f"{number:.4g} {UNIT_SIGNS.get(suffix, suffix)}"


def moment(time: np.datetime64) -> str:
    """Return a time to the minute, for a text."""
    return str(time.astype("datetime64[m]")).replace("T", " ")
