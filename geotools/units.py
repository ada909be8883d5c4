"""Quantities written as text, such as "24 in" or "235 psi", to and from SI numbers."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Literal

from geotools.pipe.factors import DAY, FOOT, HOUR, INCH, PSI, YEAR_H
from geotools.unit_words import as_meant, counted, is_sized, is_ton, is_unmeant, tons_of

__all__ = [
    "INCHES",
    "PINT_UNITS",
    "US_UNITS",
    "LevelUnit",
    "by_signs",
    "example",
    "examples",
    "in_unit",
    "limit_text",
    "parse_quantity",
    "percent_text",
    "time_words",
    "told_apart",
    "unit_of",
    "usual_unit",
]

# Units that levels of a DEM may be in, by the file or by the brief.
LevelUnit = Literal["m", "dm", "cm", "mm", "ft", "us-ft"]
# What each kind of quantity is measured in inside the program, as pint spells it.
PINT_UNITS: dict[str, str] = {
    "length": "m",
    "diameter": "m",
    "mass": "kg",
    "pressure": "Pa",
    "force": "N",
    "speed": "m/s",
    "flow": "m**3/s",
    "volume_rate": "m**3/s",
    "area_rate": "m**2/s",
    "area": "m**2",
    "volume": "m**3",
    "density": "kg/m**3",
    "line_load": "N/m",
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
# How a quantity of each kind may be written, for messages; where it is another, also in US units.
_EXAMPLES: dict[str, tuple[str, ...]] = {
    "length": ("12 m", "40 ft"),
    "diameter": ("300 mm", "12 in"),
    "mass": ("12 kg", "25 lb"),
    "pressure": ("700 kPa", "100 psi"),
    "force": ("90 kN", "20000 lbf"),
    "speed": ("3 m/min", "10 ft/min"),
    "flow": ("30 L/s", "500 gpm"),
    "volume_rate": ("60 m^3/day", "80 yd^3/day"),
    "area_rate": ("50 m^2/day", "500 ft^2/day"),
    "area": ("12 m^2", "130 ft^2"),
    "volume": ("12 m^3", "16 yd^3"),
    "density": ("1200 kg/m^3", "75 lb/ft^3"),
    "line_load": ("500 N/m", "35 lbf/ft"),
    "angle": ("45 deg",),
    "time": ("12 h",),
    "temperature": ("20 degC", "70 degF"),
    "per_item": ("1200",),
    "per_length": ("250 / m", "75 / ft"),
    "per_area": ("150 / m^2", "15 / ft^2"),
    "per_volume": ("120 / m^3", "90 / yd^3"),
    "per_mass": ("3 / kg", "1.5 / lb"),
    "per_time": ("900 / hour",),
}
# The US unit in place of one of the brief's defaults; others are shown as they are.
US_UNITS = {
    "m": "ft",
    "mm": "in",
    "kN": "lbf",
    "degC": "degF",
    "bar": "psi",
    "m/s": "ft/s",
    "km/hour": "mph",
    "m^2/day": "ft^2/day",
    "m^3/day": "yd^3/day",
    "m/min": "ft/min",
    "m/day": "ft/day",
    "/ m": "/ ft",
    "/ km": "/ mile",
    "L/s/km": "gpm/mile",
    "/ m^2": "/ ft^2",
    "/ m^3": "/ yd^3",
    "/ kg": "/ lb",
    "kg/m^3": "lb/ft^3",
}

INCHES = 12  # to a foot
_LENGTHS = {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "ft": FOOT, "in": INCH}
# What one of the units written most often is in SI. pint takes a good part of a second to load,
# as long as a small district takes to plan: with these alone it stays away. A test holds every
# row against pint.
_USUAL: dict[str, dict[str, float]] = {
    "length": _LENGTHS,
    "diameter": _LENGTHS,
    "pressure": {"Pa": 1.0, "kPa": 1e3, "bar": 1e5, "psi": PSI},
    "force": {"N": 1.0, "kN": 1e3},
    "speed": {
        "m/s": 1.0,
        "m/min": 1 / 60,
        "m/day": 1 / DAY,
        "km/hour": 1 / 3.6,
        "ft/s": FOOT,
        "ft/min": FOOT / 60,
    },
    "flow": {"m^3/s": 1.0, "L/s": 1e-3},
    "volume_rate": {"m^3/day": 1 / DAY},
    "area_rate": {"m^2/day": 1 / DAY, "L/s/km": 1e-6},
    "density": {"kg/m^3": 1.0},
    "angle": {"rad": 1.0, "deg": math.pi / 180},
    "time": {
        "s": 1.0,
        "min": 60.0,
        "h": HOUR,
        "hour": HOUR,
        "day": DAY,
        "year": YEAR_H * HOUR,
    },
    "temperature": {"degC": 1.0},
    "per_length": {"1/m": 1.0, "1/km": 1e-3, "1/ft": 1 / FOOT},
    "per_area": {"1/m^2": 1.0},
    "per_volume": {"1/m^3": 1.0},
    "per_mass": {"1/kg": 1.0},
    "per_time": {"1/hour": 1 / HOUR},
}

# A number, then a product or quotient of named units: nothing else reaches pint, which would
# work out arithmetic such as "9**9**9 m" on the way.
_NUMBER = r"[+-]?(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:[eE][+-]?\d{1,3})?"
_WORD = r"[A-Za-zµΩ°]{1,40}(?:_[A-Za-z]{1,40}){0,3}"
_UNIT = rf"{_WORD}(?:\s?(?:\^|\*\*)\s?-?[1-9]|[²³])?"
_QUANTITY = re.compile(
    rf"(?P<number>{_NUMBER})\s{{0,3}}(?P<unit>/?\s?{_UNIT}(?:\s?[*/ ·]\s?{_UNIT}){{0,5}})?\Z"
)
_LONGEST = 120
# Feet and inches by their signs, as drawings have them: 18', 24", 2'-6".
_INCHES = r"(?P<inches>\d{1,9}(?:\.\d{0,9})?)\s?(?:\"|''|″|”)"
_FEET = r"(?P<feet>\d{1,9}(?:\.\d{0,9})?)\s?['′’](?!')"
_SIGNED = re.compile(rf"(?:{_FEET}(?:\s?-?\s?(?=\d))?)?(?:{_INCHES})?\Z")


@cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    # Pipe trade talks of tons of force; a bare "ton" is refused.
    registry.define("tonf_us = 2000 * force_pound")
    registry.define("ton_force_metric = 1000 * kilogram * standard_gravity")
    registry.define("gpm = gallon / minute")
    registry.define("lps = liter / second")
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
        If the text cannot be read, has no unit, or measures something else, with what to write.
    """
    try:
        return _finite(_parse(value, kind), value)
    except _Unread as error:
        raise ValueError(f"{error}; {_advice(value, kind)}") from error


class _Unread(ValueError):
    """Says why a value is no quantity of its kind, and not yet what to write."""


def _parse(value: object, kind: str) -> float:
    unit = PINT_UNITS[kind]
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise _Unread(f"{value!r} is not a quantity")
    if not isinstance(value, str):
        if unit:
            raise _Unread(f"{value!r} has no unit")
        return float(value)
    return _parse_text(value, kind, unit)


def _parse_text(value: str, kind: str, unit: str) -> float:
    number, written = _split(value, kind)
    if not written:
        if unit:
            raise _Unread(f"{value!r} has no unit")
        return number
    if not unit:
        raise ValueError(f"{value!r} has a unit where none is due; write the number alone")
    # A blank between two units multiplies them: only those around a sign say nothing.
    factor = _USUAL.get(kind, {}).get(re.sub(r"\s*([/*^])\s*", r"\1", written))
    return _by_pint(value, kind, unit, number, written) if factor is None else number * factor


def _by_pint(value: str, kind: str, unit: str, number: float, written: str) -> float:
    """Return a number of any unit pint knows in SI."""
    import pint

    registry = _registry()
    try:
        given = registry.parse_units(written)
    except (pint.errors.PintError, AttributeError, ValueError, TypeError, AssertionError) as error:
        raise _Unread(f"{value!r}: no such unit") from error
    # pint takes an angle for a plain number, and the other way round
    if kind == "angle" and registry.get_base_units(given)[1] != registry.radian:
        raise _Unread(f"{value!r} is not an angle")
    try:
        number = float(registry.Quantity(number, given).to(unit).magnitude)
    except (pint.DimensionalityError, AssertionError) as error:  # of decibels pint asserts
        measure = f"{'an' if kind[0] in 'aeiou' else 'a'} {kind.replace('_', ' ')}"
        raise _Unread(f"{value!r} is not {measure}") from error
    except OverflowError as error:
        raise ValueError(f"{value!r} is not a finite number") from error
    _refuse_unmeant(value, written, given, unit)
    return number


def _refuse_unmeant(value: str, written: str, given: Any, unit: str) -> None:
    """Refuse a unit that pint reads, and nobody means, or means another by."""
    registry = _registry()
    for word in re.findall(_WORD, written):
        if is_ton(word):
            raise _Unread(f"{value!r}: a ton is not the same in every country")
        names = registry.parse_unit_name(word)  # none of "sq" in "sq ft"
        if names and is_unmeant(*names[0][:2]):
            prefix, name = names[0][:2]
            raise _Unread(f"{value!r}: {word!r} is read as {prefix}{name}, which nobody means")
    if not is_sized(float(registry.Quantity(1.0, given).to(unit).magnitude), unit):
        raise _Unread(f"{value!r}: its unit is read as {given}, which nobody means")


def _advice(value: object, kind: str) -> str:
    """Return what to write in place of what is no quantity of its kind."""
    text = value.strip() if isinstance(value, str) and len(value) <= _LONGEST else ""
    found = re.match(_NUMBER, text)
    if found is None:
        return example(kind)
    # words at the even places, signs between them
    parts = re.split(r"\s*([/*·])\s*", text[found.end() :].strip().replace("**", "^"))
    for word in parts[::2]:
        if what := counted(word):
            return f"{word!r} is {what}, and no unit; {example(kind)}"
        if is_ton(word) and (told := tons_of(PINT_UNITS[kind])):
            return told
    meant = _as_meant(found[0], parts, kind) if len(parts) <= 7 else None
    return example(kind) if meant is None else f"write {meant!r}, if that is meant"


def _as_meant(number: str, parts: list[str], kind: str) -> str | None:
    """Return a quantity of usual short forms in units, the first that is of its kind; or None."""
    choices = [(part, *as_meant(part)) if k % 2 == 0 else (part,) for k, part in enumerate(parts)]
    for chosen in itertools.islice(itertools.product(*choices), 1, 100):
        text = f"{number} {''.join(chosen)}"
        if not parts[0]:  # of "250 / m" the sign stands apart
            text = f"{number} {chosen[1]} {''.join(chosen[2:])}"
        try:
            _finite(_parse(text, kind), text)
        except ValueError:
            continue
        return text
    return None


def _split(value: str, kind: str) -> tuple[float, str]:
    """Return the number and the unit, spelled for pint, of a text."""
    if PINT_UNITS[kind] == "m" and len(value) <= _LONGEST and (signed := by_signs(value)):
        return signed
    found = _QUANTITY.match(value.strip()) if len(value) <= _LONGEST else None
    if found is None:
        shown = value if len(value) <= _LONGEST else value[:_LONGEST] + "..."
        raise _Unread(f"{shown!r} is not a quantity")
    written = (found["unit"] or "").strip()
    if written.startswith("/"):
        written = "1" + written
    for sign, spelling in (("°C", "degC"), ("°F", "degF"), ("°", "deg"), ("·", "*")):
        written = written.replace(sign, spelling)
    return float(found["number"]), written


def by_signs(text: str) -> tuple[float, str] | None:
    """Return a length written with the signs of feet and inches, and ``ft`` or ``in``; else None.

    Of feet and inches the latter are fewer than a foot has.
    """
    found = _SIGNED.match(text.strip())
    if found is None or not text.strip():
        return None
    feet, inches = found["feet"], found["inches"]
    if feet is None:
        return float(inches), "in"
    if inches is None:
        return float(feet), "ft"
    whole = float(feet).is_integer() and float(inches) < INCHES
    return (float(feet) + float(inches) / INCHES, "ft") if whole else None


def unit_of(text: str, kind: str) -> str:
    """Return the unit a quantity was written in.

    Raises
    ------
    ValueError
        If the text is no quantity.
    """
    if PINT_UNITS[kind] == "m" and (signed := by_signs(text)):
        return signed[1]
    found = _QUANTITY.match(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is not a quantity; {example(kind)}")
    return (found["unit"] or "").strip()


def time_words(text: str, kind: str) -> dict[str, float]:
    """Return the units of time, in seconds, in the unit of a quantity, by their words.

    NaN is one that holds a time beside something else, such as ``gpm``.

    Raises
    ------
    ValueError
        If the text is no quantity.
    """
    words = dict.fromkeys(re.findall(_WORD, unit_of(text, kind)))
    return {word: size for word in words if (size := _time_of(word)) is not None}


# Words that pint reads in a unit and that are none themselves.
_BETWEEN = ("per", "cubic", "square", "sq", "cubed", "squared")


@cache
def _time_of(word: str) -> float | None:
    """Return a unit of time in seconds; None of one without a time, NaN of one with others."""
    if word in _USUAL["time"] or word in _LENGTHS:
        return _USUAL["time"].get(word)
    if word in _BETWEEN:
        return None
    one = _registry().Quantity(1.0, _registry().parse_units(word))
    parts = dict(one.dimensionality)
    if "[time]" not in parts:
        return None
    return float(one.to("s").magnitude) if parts == {"[time]": 1} else math.nan


@cache
def _scale(unit: str, kind: str) -> tuple[float, float]:
    """Return what 0 and 1 of a unit are in SI; a temperature's 0 is not 0."""
    return parse_quantity(f"0 {unit}", kind), parse_quantity(f"1 {unit}", kind)


def in_unit(value: float, unit: str, kind: str) -> float:
    """Return an SI value in a unit of its kind.

    Parameters
    ----------
    value : float
        In SI units.
    unit : str
        As a quantity would be written, such as ``ft`` or ``/ m^3``.
    kind : str
        A key of ``PINT_UNITS``.

    Raises
    ------
    ValueError
        If the unit does not measure the kind.
    """
    zero, one = _scale(unit, kind)
    return (value - zero) / (one - zero)


def limit_text(value: float, unit: str, kind: str, *, upper: bool) -> str:
    """Return a limit in a unit of its kind in words, rounded so that what is told is allowed.

    Parameters
    ----------
    value : float
        In SI units.
    unit : str
        As of `in_unit`.
    kind : str
        A key of ``PINT_UNITS``.
    upper : bool
        Whether it is a highest value, which is rounded down; a lowest one is rounded up. A limit of
        six digits or fewer is told as it is.
    """
    limit = in_unit(value, unit, kind)
    if not math.isclose(float(f"{limit:.6g}"), limit, rel_tol=1e-9, abs_tol=1e-12):
        step = 10.0 ** (math.floor(math.log10(abs(limit))) - 2)
        limit = (math.floor if upper else math.ceil)(limit / step) * step
    return f"{limit:.6g} {unit}"


def usual_unit(kind: str) -> str:
    """Return the unit a quantity of this kind is usually written in; empty where none is due."""
    return _EXAMPLES[kind][0].lstrip(".0123456789").strip()


def examples(kind: str) -> tuple[str, ...]:
    """Return how a quantity of a kind is usually written; where it is another, in US units too."""
    return _EXAMPLES[kind]


def example(kind: str, system: str | None = None, *, like: str | None = None) -> str:
    """Return advice how to write a quantity of a kind.

    Parameters
    ----------
    kind : str
        A key of ``PINT_UNITS``.
    system : str, optional
        ``si`` or ``us``; both are shown where it is not known which is meant.
    like : str, optional
        A quantity of the kind, of which the units are taken, in place of the usual one.
    """
    shown = _EXAMPLES[kind] if like is None else (like, _in_us(like, kind))
    if system is not None:
        shown = (shown[-1] if system == "us" else shown[0],)
    return f"write for example {' or '.join(f'{text!r}' for text in dict.fromkeys(shown))}"


def _in_us(text: str, kind: str) -> str:
    """Return a quantity, roughly, in the US unit that stands for its own."""
    unit = unit_of(text, kind)
    if unit not in US_UNITS:
        return text
    value = in_unit(parse_quantity(text, kind), US_UNITS[unit], kind)
    return f"{float(f'{value:.2g}'):g} {US_UNITS[unit]}"


def percent_text(share: float) -> str:
    """Return a share that was set, a limit, in percent as the number it is: ``62.5%``."""
    return f"{100 * share:.6g}%"


def told_apart(
    values: Sequence[float], digits: int, write: Callable[[float, int], str]
) -> list[str]:
    """Return values in words, with as many digits as it takes to tell the first from the rest.

    Parameters
    ----------
    values : sequence of float
    digits : int
        The fewest after the decimal point; where five more do not tell them apart these are kept.
    write : callable
        Gives a value with so many digits in words.
    """
    told = [[write(value, d) for value in values] for d in range(digits, digits + 6)]
    return next((texts for texts in told if texts[0] not in texts[1:]), told[0])


def _finite(number: float, shown: object) -> float:
    if number != number or number in (float("inf"), float("-inf")):
        raise ValueError(f"{shown!r} is not a finite number")
    return number
