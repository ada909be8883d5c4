"""Exact factors from the units of tables, records and rules of the trade to SI."""

from __future__ import annotations

__all__ = [
    "ATMOSPHERE",
    "DAY",
    "FAHRENHEIT_STEP",
    "FOOT",
    "GALLON",
    "GRAVITY",
    "HOUR",
    "INCH",
    "KGF",
    "LBF",
    "MILE",
    "MINUTE",
    "MPH",
    "PSI",
    "WATER_DENSITY",
    "YEAR_H",
    "to_si",
]

MINUTE = 60.0  # s
HOUR = 3600.0  # s
DAY = 24.0 * HOUR
INCH = 0.0254
FOOT = 0.3048
MILE = 5280.0 * FOOT
MPH = MILE / HOUR
GALLON = 231.0 * INCH**3
LBF = 0.45359237 * 9.80665
PSI = LBF / INCH**2
FAHRENHEIT_STEP = 5.0 / 9.0
GRAVITY = 9.80665
KGF = GRAVITY  # N, the weight of a kilogram
ATMOSPHERE = 101_325.0  # Pa, standard
YEAR_H = 8766.0  # hours in a mean year
WATER_DENSITY = 1000.0  # kg/m3, used for weight, buoyancy and surge

_FACTORS = {
    "-": 1.0,
    "mm": 1e-3,
    "in": INCH,
    "ft": FOOT,
    "MPa": 1e6,
    "psi": PSI,
    "kg/m3": 1.0,
    "1/K": 1.0,
}


def to_si(value: float, unit: str) -> float:
    """Turn a table's value into SI; a temperature is not meant for this.

    Parameters
    ----------
    value : float
        As printed.
    unit : str
        One of the units used in the tables of this package.

    Returns
    -------
    float
        Value in SI.

    Raises
    ------
    ValueError
        If the unit is unknown: the table is at fault.
    """
    if unit not in _FACTORS:
        raise ValueError(f"unit {unit!r} of a data table is unknown; known: {sorted(_FACTORS)}")
    return value * _FACTORS[unit]
