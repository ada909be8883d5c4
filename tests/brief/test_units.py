"""Quantities as text: what is read, what is refused, and that nothing can hang the reader."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from functools import cache

import pint
import pytest

from geotools.schema import DIMENSIONS
from geotools.unit_words import _MEANT
from geotools.units import (
    _USUAL,
    PINT_UNITS,
    _by_pint,
    in_unit,
    limit_text,
    parse_quantity,
    percent_text,
    told_apart,
    unit_of,
    usual_unit,
)

FOOT = 0.3048  # exact, international foot
POUND = 0.45359237  # exact
GRAVITY = 9.80665  # exact, standard gravity


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.5, "50%"), (0.625, "62.5%"), (0.29, "29%"), (0.025, "2.5%"), (0.0, "0%"), (1.25, "125%")],
)
def test_a_share_that_was_set_is_told_as_the_number_it_is(share: float, words: str) -> None:
    assert percent_text(share) == words


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((0.43, 0.5), ["43%", "50%"]),
        ((0.4992, 0.5), ["49.9%", "50.0%"]),
        ((0.49996, 0.5, 0.7), ["49.996%", "50.000%", "70.000%"]),
        ((0.5, 0.5), ["50%", "50%"]),  # nothing tells these apart
        ((0.3, 0.7, 0.7), ["30%", "70%", "70%"]),
    ],
)
def test_a_value_beside_its_limits_has_the_digits_that_tell_it_from_them(
    values: tuple[float, ...], words: list[str]
) -> None:
    assert told_apart(values, 0, lambda value, digits: f"{value:.{digits}%}") == words


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("24 in", "length", 24 * FOOT / 12),
        ("550m", "length", 550.0),
        ("1.5e3 mm", "length", 1.5),
        (".5 ft", "length", FOOT / 2),
        ("-3 ft", "length", -3 * FOOT),
        ("235 psi", "pressure", 235 * POUND * GRAVITY / (FOOT / 12) ** 2),
        ("12 ft/min", "speed", 12 * FOOT / 60),
        ("80 tonf_us", "force", 80 * 2000 * POUND * GRAVITY),
        ("80 ton_force_metric", "force", 80_000 * GRAVITY),
        ("5 kip", "force", 5000 * POUND * GRAVITY),
        ("100 deg", "angle", math.radians(100)),
        ("100°", "angle", math.radians(100)),
        ("2 h", "time", 7200.0),
        ("73.4 degF", "temperature", 23.0),
        ("23 °C", "temperature", 23.0),
        ("120 / m^3", "per_volume", 120.0),
        ("120/m**3", "per_volume", 120.0),
        ("150 / m²", "per_area", 150.0),
        ("10 / ft^2", "per_area", 10 / FOOT**2),
        ("900 / hour", "per_time", 0.25),
        ("3.2 / lb", "per_mass", 3.2 / POUND),
        ("250 gpm", "flow", 250 * 231 * (FOOT / 12) ** 3 / 60),  # US gallon: 231 cubic inches
        ("30 L/s", "flow", 0.03),
        ("9000", "per_item", 9000.0),
        (9000, "per_item", 9000.0),
    ],
)
def test_quantity_comes_back_in_si(text: object, kind: str, expected: float) -> None:
    assert parse_quantity(text, kind) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "kind", "said"),
    [
        ("12", "length", "has no unit; write for example '12 m' or '40 ft'"),
        (12, "length", "has no unit"),
        (12.5, "pressure", "has no unit; write for example '700 kPa' or '100 psi'"),
        ("12 kg", "length", "is not a length"),
        ("12 ton", "force", "is not a force"),  # a mass
        ("12 ft^2", "length", "is not a length"),
        ("2 m m", "length", "is not a length"),  # square metres, not millimetres
        ("3 k m", "length", "no such unit|is not a length"),
        ("5 m in", "time", "is not a time"),
        ("7 k Pa", "pressure", "no such unit|is not a pressure"),
        ("5 percent", "angle", "is not an angle"),
        ("1 m/inch", "angle", "is not an angle"),
        ("3 deg", "per_item", "has a unit where none is due"),
        ("12 furlongz", "length", "no such unit"),
        ("12 KN", "force", "no such unit"),
        ("300 mm OCT", "length", "no such unit"),
        ("10 dB/m", "length", "is not a length"),
        ("1,800 ft", "length", "is not a quantity"),
        ("12 ft 6 in", "length", "is not a quantity"),
        ("about 12 m", "length", "is not a quantity"),
        ("2'-13\"", "length", "is not a quantity"),  # feet have 12 inches
        ("2.5'-6\"", "length", "is not a quantity"),
        ("5'6", "length", "is not a quantity"),
        ("2'-", "length", "is not a quantity"),
        ("12'", "pressure", "is not a quantity"),
        ("m", "length", "is not a quantity"),
        ("", "length", "is not a quantity"),
        ("nan m", "length", "is not a quantity"),
        ("inf m", "length", "is not a quantity"),
        ("1e999 m", "length", "is not a finite number"),
        ("1e308 km", "length", "is not a finite number"),
        (math.nan, "per_item", "is not a finite number"),
        (True, "per_item", "is not a quantity"),
        (None, "length", "is not a quantity"),
        (["12 m"], "length", "is not a quantity"),
    ],
)
def test_quantity_that_cannot_be_meant_is_refused_in_words(
    value: object, kind: str, said: str
) -> None:
    with pytest.raises(ValueError, match=said.replace("(", r"\(")):
        parse_quantity(value, kind)


@cache
def pints() -> pint.UnitRegistry:
    """Return pint's own table of units, and the four that are no units of it."""
    registry: pint.UnitRegistry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("gpm = gallon / minute")
    registry.define("lps = liter / second")
    registry.define("tonf_us = 2000 * force_pound")
    registry.define("ton_force_metric = 1000 * kilogram * standard_gravity")
    return registry


@cache
def kind_of(unit: str) -> str:
    """Return a kind of quantity that a unit measures."""
    due = pints().Quantity(1.0, unit).dimensionality
    return next(k for k, si in PINT_UNITS.items() if pints().parse_units(si).dimensionality == due)


@pytest.mark.parametrize(
    ("word", "unit"), [(word, unit) for unit, words in _MEANT.items() for word in words.split()]
)
def test_a_short_form_of_bills_is_refused_and_the_unit_it_stands_for_is_named(
    word: str, unit: str
) -> None:
    kind = kind_of(unit)
    for written in (word, word.upper()):
        with pytest.raises(ValueError, match=rf"^'7 {written}'") as caught:
            parse_quantity(f"7 {written}", kind)
        assert str(caught.value).endswith(f"; write '7 {unit}', if that is meant")


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("250 / rm", "per_length", "'250 / rm': 'rm' is read as rontometer, which nobody means; "
         "write '250 / m', if that is meant"),
        ("3200/Mt", "per_mass", "'3200/Mt': 'Mt' is read as megametric_ton, which nobody means; "
         "write '3200 / t', if that is meant"),
        ("250 / mt", "per_length", "'250 / mt' is not a per length; write '250 / m', if that is "
         "meant"),
        ("75 / LF", "per_length", "'75 / LF': no such unit; write '75 / ft', if that is meant"),
        ("75 / lin. ft", "per_length", "'75 / lin. ft' is not a quantity; write '75 / ft', if "
         "that is meant"),
        ("90 / cu yd", "per_volume", "'90 / cu yd' is not a per volume; write '90 / yd^3', if "
         "that is meant"),
        ("120 / m3", "per_volume", "'120 / m3' is not a quantity; write '120 / m^3', if that is "
         "meant"),
        ("15 / FT^2", "per_area", "'15 / FT^2': no such unit; write '15 / ft^2', if that is "
         "meant"),
        ("60 CUM/day", "volume_rate", "'60 CUM/day': no such unit; write '60 m^3/day', if that "
         "is meant"),
        ("300 Mm", "diameter", "'300 Mm': its unit is read as megameter, which nobody means; write "
         "'300 mm', if that is meant"),
        ("6 mPa", "pressure", "'6 mPa': its unit is read as millipascal, which nobody means; write "
         "'6 MPa', if that is meant"),
        ("700 KN", "force", "'700 KN': no such unit; write '700 kN', if that is meant"),
        ("250 / nos", "per_length", "'250 / nos': no such unit; 'nos' is a number of things, and "
         "no unit; write for example '250 / m' or '75 / ft'"),
        ("250 / pcs", "per_length", "'250 / pcs': its unit is read as 1 / parsec, which nobody "
         "means; 'pcs' is a number of things, and no unit; write for example '250 / m' or "
         "'75 / ft'"),
        ("5000 lump sum", "per_area", "'5000 lump sum': no such unit; 'lump sum' is a lump sum, "
         "and no unit; write for example '150 / m^2' or '15 / ft^2'"),
        ("450 each", "per_item", "'450 each' has a unit where none is due; write the number "
         "alone"),
    ],
)  # fmt: skip
def test_a_unit_that_nobody_means_is_refused_with_what_was_read_and_what_to_write(
    text: str, kind: str, said: str
) -> None:
    with pytest.raises(ValueError, match="write") as caught:
        parse_quantity(text, kind)
    assert str(caught.value) == said


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        *((f"5 {word}", "length") for word in ("nm", "pm", "Tm", "dam", "Gm", "parsec")),
        *((f"5 {word}", "length") for word in ("kft", "kin", "kyd", "kmi", "light_year")),
        *((f"5 {word}", "time") for word in ("kyr", "mh", "kd", "mweek", "ns", "mmonth")),
        *((f"5 / {word}", "per_mass") for word in ("klb", "kton", "ng", "electron_mass")),
        *((f"5 / {word}", "per_volume") for word in ("mgal", "Tl", "ft^3*m/nm")),
        ("5 daPa", "pressure"), ("5 mN", "force"), ("5 speed_of_light", "speed"),
    ],
)  # fmt: skip
def test_prefixes_and_sizes_that_nobody_writes_are_refused(text: str, kind: str) -> None:
    with pytest.raises(ValueError, match="which nobody means"):
        parse_quantity(text, kind)


@pytest.mark.parametrize("word", ["ton", "tons", "TON", "Tons"])
def test_a_ton_is_refused_for_it_goes_by_the_country(word: str) -> None:
    told = r"; write t or metric_ton \(1000 kg\), short_ton \(2000 lb\) or long_ton \(2240 lb\)$"
    for text, kind in ((f"3 {word}", "mass"), (f"3200 / {word}", "per_mass")):
        with pytest.raises(ValueError, match=told):
            parse_quantity(text, kind)
    with pytest.raises(ValueError, match=r"; write ton_force_metric \(1000 kg\) or tonf_us"):
        parse_quantity(f"80 {word}", "force")


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("m metre meters km hm dm cm mm µm um micrometer in inch inches ft foot feet yd yards mi "
         "mile nautical_mile fathom rod chain survey_foot thou", "length"),
        ("kg g mg gram lb lbs pound oz t tonne tonnes metric_ton short_ton long_ton US_ton "
         "UK_ton slug stone", "mass"),
        ("Pa hPa kPa MPa GPa bar mbar psi kpsi ksi atm mmHg inHg N/mm^2", "pressure"),
        ("N kN MN daN dekanewton kgf tf lbf kip klbf tonf_us ton_force_metric", "force"),
        ("m/s m/h mm/year in/day ft/min mph kph knot km/hour", "speed"),
        ("L/s l/min ml/min m^3/h m^3/day gpm lps gal/day Mgal/day kgal/hour ML/day",
         "flow"),
        ("m^2 sq m sq ft ft^2 ha hectare acre km^2 mm^2", "area"),
        ("m^3 L l ml hl gal gallon kgal Mgal imperial_gallon yd^3 acre_foot ft^3", "volume"),
        ("s sec ms min h hr hrs hour d day week fortnight month year yr a century", "time"),
        ("L/s/km gpm/mile L/day/km m^2/day", "area_rate"),
        ("degC degF K celsius", "temperature"),
        ("deg rad mrad arcmin turn", "angle"),
    ],
)  # fmt: skip
def test_units_that_are_written_are_read(words: str, kind: str) -> None:
    registry = pints()
    for word in words.replace("sq ", "sq_").split():
        unit = word.replace("_", " ") if word.startswith("sq_") else word
        expected = registry.Quantity(3.0, registry.parse_units(unit)).to(PINT_UNITS[kind])
        assert parse_quantity(f"3 {unit}", kind) == pytest.approx(expected.magnitude, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "9**9**9 m",
        "9**9**9**9",
        "1 m**999999999",
        "1 m^-9^9^9",
        "__import__('os').system('true') m",
        "(1 + 1) m",
        "1 m; 2 m",
        "1 m\n2 m",
        "1" * 1_000_000,
        "1 " + "m*" * 100_000 + "m",
        "1 " + "a" * 1_000_000,
        "1" + " " * 1_000_000 + "m",
        "1e999999999 m",
        "\x00 m",
        "1 m # no more",
        "१२ मी",
    ],
)
def test_hostile_text_is_refused_before_anything_is_worked_out(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geotools.units._by_pint", lambda *_: pytest.fail("reached pint"))
    with pytest.raises(ValueError, match=r"is not a quantity|is not a finite number"):
        parse_quantity(text, "length")


def test_a_long_text_is_not_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geotools.units._QUANTITY", None)  # nothing to match it with
    with pytest.raises(ValueError, match="is not a quantity"):
        parse_quantity("1 " + "m*" * 60 + "m", "length")


@pytest.mark.parametrize(
    ("kind", "unit"), [(kind, unit) for kind, units in _USUAL.items() for unit in units]
)
def test_usual_units_are_what_pint_makes_of_them(kind: str, unit: str) -> None:
    for number in (0.0, 1.0, 7.3, -24.0, 1e6):
        ours = parse_quantity(f"{number!r} {unit.removeprefix('1')}", kind)
        assert ours == pytest.approx(
            _by_pint("", kind, PINT_UNITS[kind], number, unit), rel=1e-14, abs=0.0
        )


def test_the_defaults_of_the_brief_need_no_pint() -> None:
    code = "import sys, geotools.brief as b; b.Brief(inputs={}); print('pint' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_refusal_of_a_long_text_does_not_repeat_it_whole() -> None:
    with pytest.raises(ValueError, match="is not a quantity") as caught:
        parse_quantity("x" * 10_000, "length")
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("kind", list(PINT_UNITS))
def test_example_in_each_message_is_itself_read(kind: str) -> None:
    with pytest.raises(ValueError, match="write for example") as caught:
        parse_quantity("?", kind)
    examples = re.findall("'([^']*)'", str(caught.value).partition("write for example")[2])
    si, us = (parse_quantity(text, kind) for text in (examples[0], examples[-1]))
    assert us == pytest.approx(si, rel=0.12)  # both are round numbers


# What the suffixes of the data contract are called by pint, an independent table of units.
SUFFIXES = {
    "m": "meter", "ft": "foot", "mm": "millimeter", "in": "inch", "cm": "centimeter",
    "kpa": "kilopascal", "psi": "psi", "bar": "bar", "mpa": "megapascal",
    "kn": "kilonewton", "lbf": "force_pound", "t": "force_metric_ton", "kgf": "force_kilogram",
    "dan": "decanewton", "n": "newton", "kip": "kip",
    "lps": "liter/second", "gpm": "gallon/minute", "m3h": "meter**3/hour",
    "kmh": "kilometer/hour", "mph": "mile/hour", "ms": "meter/second", "fts": "foot/second",
    "deg": "degree", "m2": "meter**2", "ft2": "foot**2", "m3": "meter**3", "yd3": "yard**3",
    "gal": "gallon", "cm2": "centimeter**2", "mm2": "millimeter**2", "in2": "inch**2",
    "min": "minute", "s": "second", "h": "hour", "c": "degC", "f": "degF",
    "per_m": "1/meter", "per_ft": "1/foot",
    "n_per_m": "newton/meter", "lbf_per_ft": "force_pound/foot",
    "per_km": "1/kilometer", "per_mile": "1/mile",
    "lps_per_km": "liter/second/kilometer", "gpm_per_mile": "gallon/minute/mile",
}  # fmt: skip
BASES = {
    "length": "m", "bore": "m", "pressure": "Pa", "force": "N", "flow": "m**3/s",
    "speed": "m/s", "velocity": "m/s", "angle": "rad", "area": "m**2", "volume": "m**3",
    "liquid": "m**3", "piston": "m**2", "minutes": "s", "seconds": "s", "temperature": "degC",
    "per_length": "1/m", "by_length": "1/m", "leakage": "m**2/s",
    "line_load": "N/m",
}  # fmt: skip


@pytest.mark.parametrize(
    ("dimension", "suffix"), [(name, s) for name, d in DIMENSIONS.items() for s in d.units]
)
def test_factor_of_the_contract_agrees_with_pint(dimension: str, suffix: str) -> None:
    registry = pints()
    expected = registry.Quantity(1.0, SUFFIXES[suffix]).to(BASES[dimension]).magnitude
    ours = DIMENSIONS[dimension].units[suffix] + DIMENSIONS[dimension].zero.get(suffix, 0.0)
    assert ours == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "unit"),
    [
        ("24 in", "length", "in"),
        ("-3ft", "length", "ft"),
        ("73.4 degF", "temperature", "degF"),
        ("120 / m^3", "per_volume", "/ m^3"),
        ("1200", "per_item", ""),
    ],
)
def test_the_unit_a_quantity_was_written_in_leads_back_to_its_number(
    text: str, kind: str, unit: str
) -> None:
    assert unit_of(text, kind) == unit
    number = float(re.match(r"[-.\d]+", text).group())  # type: ignore[union-attr]
    assert in_unit(parse_quantity(text, kind), unit, kind) == pytest.approx(number, rel=1e-12)


def test_the_unit_of_what_is_no_quantity_is_refused() -> None:
    with pytest.raises(ValueError, match="is not a quantity"):
        unit_of("12 ft 6 in", "length")


@pytest.mark.parametrize("kind", list(PINT_UNITS))
def test_the_usual_unit_of_a_kind_measures_it(kind: str) -> None:
    unit = usual_unit(kind)
    assert bool(unit) == bool(PINT_UNITS[kind])
    assert math.isfinite(parse_quantity(f"1 {unit}".strip(), kind))


@pytest.mark.parametrize(
    ("value", "unit", "kind", "upper", "told"),
    [
        (10.0, "m", "length", True, "10 m"),
        (10.0, "ft", "length", True, "32.8 ft"),
        (1.0, "ft", "length", False, "3.29 ft"),
        (0.5, "deg", "angle", True, "28.6 deg"),
        (1500.0, "ft", "length", True, "4920 ft"),
        (140 * 0.3048, "ft", "length", True, "140 ft"),
        (-20.0, "degF", "temperature", False, "-4 degF"),
        (-20.2, "degC", "temperature", False, "-20.2 degC"),
        (-1 / 3, "degC", "temperature", True, "-0.334 degC"),
        (0.0, "ft", "length", False, "0 ft"),
    ],
)
def test_a_limit_is_told_in_few_digits_and_never_beyond_itself(
    value: float, unit: str, kind: str, upper: bool, told: str
) -> None:
    assert limit_text(value, unit, kind, upper=upper) == told
