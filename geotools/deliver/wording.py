"""Values in the words of a text: a number and its unit, a time."""

from __future__ import annotations

import numpy as np

from geotools.schema import DIMENSIONS

__all__ = ["moment", "shown"]

_UNITS = {"kpa": "kPa", "c": "°C", "f": "°F", "kn": "kN", "in2": "in²", "cm2": "cm²"}


def shown(value: float, dimension: str, units: str) -> str:
    """Return a value with its unit, for a text."""
    kind = DIMENSIONS[dimension]
    suffix = kind.suffix(units)
    number = (value - kind.zero.get(suffix, 0.0)) / kind.units[suffix]
    return f"{number:.4g} {_UNITS.get(suffix, suffix)}"


def moment(time: np.datetime64) -> str:
    """Return a time to the minute, for a text."""
    return str(time.astype("datetime64[m]")).replace("T", " ")
