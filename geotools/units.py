"""Quantities written as text, such as "24 in" or "235 psi", to and from SI numbers."""

from __future__ import annotations

from functools import cache
from typing import Any

__all__ = ["PINT_UNITS", "parse_quantity"]

# What each kind of quantity is measured in inside the program, as pint spells it.
PINT_UNITS: dict[str, str] = {
    "length": "m",
    "mass": "kg",
    "pressure": "Pa",
    "force": "N",
    "speed": "m/s",
    "flow": "m**3/s",
    "angle": "rad",
    "time": "s",
    "temperature": "degC",
    "per_item": "",
    "per_length": "1/m",
    "per_area": "1/m**2",
    "per_volume": "1/m**3",
    "per_mass": "1/kg",
    "per_time": "1/s",
}


@cache
def _registry() -> Any:
    import pint

    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    # Pipe trade talks of tons of force; a bare "ton" (mass) is refused where force is due.
    registry.define("tonf_us = 2000 * force_pound")
    registry.define("ton_force_metric = 1000 * kilogram * standard_gravity")
    return registry


def parse_quantity(value: object, kind: str) -> float:
    """Return a quantity given as text (number and unit) in SI units of its kind.

    Parameters
    ----------
    value : str, int or float
        Text such as ``"550 m"``. A bare number is accepted only where no unit is due
        (``per_item``): elsewhere nobody could tell metres from feet.
    kind : str
        A key of ``PINT_UNITS``.

    Raises
    ------
    ValueError
        If the text cannot be read, has no unit, or measures something else.
    """
    unit = PINT_UNITS[kind]
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"expected text such as '12 {unit}', not {value!r}")
    if not isinstance(value, str):
        if unit:
            raise ValueError(f"{value!r} has no unit; write for example '{value} {unit}'")
        return _finite(float(value), value)
    return _finite(_parse_text(value, kind, unit), value)


def _parse_text(value: str, kind: str, unit: str) -> float:
    import tokenize

    import pint

    registry = _registry()
    try:
        quantity = registry.Quantity(value.replace("°", "deg"))
    except (
        pint.errors.PintError,
        tokenize.TokenError,
        AttributeError,
        TypeError,
        ValueError,
        ArithmeticError,
        AssertionError,
    ) as error:
        raise ValueError(f"{value!r} is not a quantity; write for example '12 {unit}'") from error
    if unit and quantity.unitless:
        raise ValueError(f"{value!r} has no unit; write for example '{value} {unit}'")
    try:
        return float(quantity.to(unit or "dimensionless").magnitude)
    except pint.DimensionalityError as error:
        raise ValueError(
            f"{value!r} is not a {kind.replace('_', ' ')}; write for example '12 {unit}'"
        ) from error


def _finite(number: float, shown: object) -> float:
    if number != number or number in (float("inf"), float("-inf")):
        raise ValueError(f"{shown!r} is not a finite number")
    return number
