"""Words for units as bills and drawings have them, and readings of them that nobody means.

A library of all units and all prefixes reads ``rm`` (a running metre) as a quintillionth of a
billionth of a metre, ``Mt`` as a million tonnes, and ``ton`` as that of one country.
"""

from __future__ import annotations

import re

__all__ = ["as_meant", "counted", "is_sized", "is_ton", "is_unmeant", "tons_of"]

# What short forms stand for, in small letters without blanks and points. One word may be under
# several units: what a quantity measures tells which. Common practice, no source.
_MEANT: dict[str, str] = {
    "m": "rm rmt rmtr mrun runm runningm lm linm linealm linearm lfm ml mtr mtrs mt mts",
    "ft": "lf lft lfft linft linealft linearft rf rft runft runningft",
    "m^2": "sm sqm sqmt sqmtr smt qm",
    "ft^2": "sf sft sqft",
    "yd^2": "sy syd sqy sqyd",
    "m^3": "cm cum cumt cumtr cbm",
    "ft^3": "cf cft cuft",
    "yd^3": "cy cyd cuy cuyd bcy",
    "kg": "kgs kilo kilos",
    "t": "mt mton mtons te to",
    "kN": "kn",
    "kPa": "kpa",
    "MPa": "mpa",
    "week": "wk wks",
    "month": "mo mth mths",
}
_COUNTED: dict[str, str] = {
    "a number of things": "no nos nr nrs ea each item items pc pcs piece pieces unit units",
    "a lump sum": "ls lumpsum lsum sum lot",
}
_OF_WORD = {
    word: tuple(unit for unit, forms in _MEANT.items() if word in forms.split())
    for word in " ".join(_MEANT.values()).split()
}
_COUNT_OF_WORD = {word: what for what, words in _COUNTED.items() for word in words.split()}

_PART = re.compile(r"(?P<base>[A-Za-zµ°][A-Za-zµ°._\s]*?)\s?(?:\^\s?)?(?P<power>[23²³])?\Z")
_POWERS = {"²": "2", "³": "3"}

# Prefixes that are written before units of a brief; before some units, whatever they are, others.
_PREFIXES = {"", "kilo", "hecto", "deci", "centi", "milli", "micro", "mega", "giga"}
_WHOLE = (
    *("inch", "foot", "survey_foot", "yard", "mile", "survey_mile", "pound"),
    *("minute", "hour", "day", "week", "fortnight", "month", "year"),
    *("ton", "metric_ton", "long_ton", "US_ton", "UK_ton"),
)
_PREFIXES_OF: dict[str, set[str]] = {
    **{name: {""} for name in _WHOLE},
    "gallon": {"", "kilo", "mega"},  # kgal and Mgal of waterworks
    "newton": {*_PREFIXES, "deca"},
}
# What one of a unit may be, in SI; wide, to hold what is written anywhere.
_SIZES: dict[str, tuple[float, float]] = {
    "m": (5e-7, 2e4),
    "m**2": (5e-7, 5e6),
    "m**3": (5e-10, 5e9),
    "kg": (5e-7, 5e3),
    "s": (5e-4, 5e9),
    "Pa": (0.5, 5e9),
    "N": (0.05, 5e6),
    "m/s": (1e-12, 1e4),
    "m**2/s": (1e-13, 1e4),
    "m**3/s": (1e-10, 1e5),
    "kg/m**3": (1e-4, 1e7),
    "N/m": (1e-4, 1e7),
}


def as_meant(word: str) -> tuple[str, ...]:
    """Return what a word for a unit, with its power, may stand for, spelled as units are.

    Parameters
    ----------
    word : str
        Such as ``cu. yd``, ``LF``, ``m3``.
    """
    found = _PART.fullmatch(word)
    if found is None:
        return ()
    base, power = found["base"], found["power"]
    if power:
        power = f"^{_POWERS.get(power, power)}"
    meant = () if power else _OF_WORD.get(_key(base), ())
    spelled = (f"{text}{power or ''}" for text in (base, base.casefold()))
    return tuple(text for text in dict.fromkeys((*meant, *spelled)) if text != word)


def counted(word: str) -> str:
    """Return what a word stands for that is no unit, such as ``nos`` or ``LS``; else nothing."""
    return _COUNT_OF_WORD.get(_key(word), "")


def _key(word: str) -> str:
    return re.sub(r"[\s._]", "", word).casefold()


def is_ton(word: str) -> bool:
    """Say whether a word is a ton, which is of another size from country to country."""
    return _key(word) in ("ton", "tons")


def tons_of(unit: str) -> str:
    """Return what to write for a ton where a unit of SI is due; nothing where no ton can be."""
    if unit.endswith("kg"):
        return "write t or metric_ton (1000 kg), short_ton (2000 lb) or long_ton (2240 lb)"
    return "write ton_force_metric (1000 kg) or tonf_us (2000 lb)" if unit == "N" else ""


def is_unmeant(prefix: str, name: str) -> bool:
    """Say whether nobody writes a unit, by its whole name, with this prefix."""
    return prefix not in _PREFIXES_OF.get(name, _PREFIXES)


def is_sized(one: float, unit: str) -> bool:
    """Say whether one of a unit is of a size that is written anywhere.

    Parameters
    ----------
    one : float
        In SI.
    unit : str
        Of SI, a value of `geotools.units.PINT_UNITS`.
    """
    low, high = _SIZES.get(unit.removeprefix("1/"), (-float("inf"), float("inf")))
    return low <= (1 / one if unit.startswith("1/") else one) <= high
