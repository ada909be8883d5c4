"""Values in the words of a text: a number and its unit, a chainage."""

from __future__ import annotations

import math

from geotools.schema import DIMENSIONS, OUTPUTS, unit_sign
from geotools.units import INCHES

__all__ = [
    "ASSUMED",
    "ASSUMED_MARK",
    "LIMITS",
    "chainage_text",
    "decimals",
    "depth_words",
    "dig_words",
    "figure",
    "in_system",
    "in_words",
    "measured",
    "no_reading",
    "over_limit",
    "print_scale",
    "round_limit",
    "scale_text",
    "shown",
    "unit_of",
    "working_days",
]

ASSUMED = "assumed"  # the source of a depth that is on no record
ASSUMED_MARK = "*"  # after a number that rests on an assumption, where there is no room for words
# Decimals shown, by unit suffix, wherever a plan is put into words.
_DECIMALS = {"m": 1, "ft": 1, "mm": 0, "in": 1, "kn": 1, "lbf": 0, "kpa": 0, "psi": 1, "deg": 2}
# What is dug or cut to measure is shown to the centimetre, or the hundredth of a foot.
_FINE = {
    "pits": (
        *("depth", "dig_depth", "deepest", "length", "width", "before", "after", "ramp", "drop"),
        *("ramp_ahead", "drop_ahead", "ramp_behind", "drop_behind"),
        *("ground_z", "axis_z", "bottom_z"),
    ),
    "local_digs": ("depth", "dig_depth"),
    "sections": ("leave", "leave_head"),
    "stations": ("ground_z", "axis_z", "cover", "depth"),
}
_FINE_DECIMALS = 2
_PLATED = 0.05  # days; a closure that stands for so much less than from first to last is lifted
LIMITS = ("allowable", "pipe_strength", "bend_limit", "governing_limit", "grout_limit")
"""Fields that may not be passed: cut off, never rounded up."""


def in_words(value: object) -> str:
    """Return a word of the contract as text: ``branch valve`` of ``branch_valve``."""
    return str(value).replace("_", " ")


def unit_of(dimension: str, units: str) -> str:
    """Return the unit a kind of quantity is shown in."""
    return unit_sign(DIMENSIONS[dimension].suffix(units))


def in_system(value: float, dimension: str, units: str) -> float:
    """Return a value in SI as a number in the units of a system."""
    kind = DIMENSIONS[dimension]
    suffix = kind.suffix(units)
    return (value - kind.zero.get(suffix, 0.0)) / kind.units[suffix]


def shown(value: float, dimension: str, units: str) -> str:
    """Return a value with its unit, for a text; of what is large no digit before the point is lost.

    A field that has decimals of its own is told with `measured`.
    """
    number = in_system(value, dimension, units)
    text = f"{number:,.0f}" if abs(number) >= 9999.5 else f"{number:.4g}"
    return f"{text} {unit_of(dimension, units)}"


def decimals(layer: str, name: str, suffix: str) -> int | None:
    """Return how many decimals a field is shown with; None where nothing is settled."""
    if name in _FINE.get(layer, ()):
        return _FINE_DECIMALS
    return _DECIMALS.get(suffix)


def round_limit(value: float, digits: int) -> float:
    """Cut a limit off at its last digit shown, past what the floating point may have lost."""
    step = 10.0**-digits
    return round(math.floor(value / step * (1 + 1e-12) + 1e-9) * step, digits)


def figure(value: float, layer: str, name: str, units: str) -> str:
    """Return a value in SI of a field as a number in a system; a dash where it is not known."""
    dimension = OUTPUTS[layer].field(name).dimension
    if dimension is None:
        raise ValueError(f"{layer}.{name} has no dimension")
    if value is None or not math.isfinite(value):
        return "-"
    digits = decimals(layer, name, DIMENSIONS[dimension].suffix(units))
    digits = 1 if digits is None else digits
    number = in_system(float(value), dimension, units)
    return f"{round_limit(number, digits) if name in LIMITS else number:,.{digits}f}"


def measured(value: float, layer: str, name: str, units: str) -> str:
    """Return a value in SI of a field with its unit."""
    text = figure(value, layer, name, units)
    dimension = OUTPUTS[layer].field(name).dimension or ""
    return "not known" if text == "-" else f"{text} {unit_of(dimension, units)}"


def no_reading(words: str, told: str) -> str:
    """Say of what is always above 0 that the record says otherwise; loggers leave 0 for nothing."""
    return (
        f"{words}: {told} is no reading, which is always above 0; give what was measured, or "
        "leave the cell empty"
    )


def over_limit(value: float, limit: float, layer: str, names: tuple[str, str], units: str) -> str:
    """Say a value that is more than its limit: ``force 12,563 lbf, allowed 12,562 lbf``.

    The value is rounded up where the two would read alike. ``names`` are the fields of both.
    """
    dimension = OUTPUTS[layer].field(names[0]).dimension or ""
    texts = [measured(v, layer, n, units) for v, n in zip((value, limit), names, strict=True)]
    if texts[0] == texts[1]:
        digits = decimals(layer, names[0], DIMENSIONS[dimension].suffix(units)) or 0
        step = 10.0**-digits
        up = math.ceil(in_system(value, dimension, units) / step - 1e-9) * step
        texts[0] = f"{up:,.{digits}f} {unit_of(dimension, units)}"
    return ", allowed ".join(texts)


def depth_words(depth: float, source: str, units: str) -> str:
    """Say how deep the invert lies at a pit, and that it is assumed where it is on no record."""
    text = f"invert {measured(depth, 'pits', 'depth', units)} deep"
    return f"{text}, {ASSUMED}" if source == ASSUMED else text


def dig_words(depth: float, deepest: float, units: str) -> str:
    """Say how deep a pit is dug at its station, and elsewhere if deeper; empty if it is not known.

    ``2.15 m``, or ``2.15 to 2.60 m``: at the deepest, sides are supported and lean.
    """
    at, most = (
        figure(value, "pits", name, units)
        for value, name in ((depth, "dig_depth"), (deepest, "deepest"))
    )
    if at == "-":
        return ""
    span = f"{at} to {most}" if most not in ("-", at) and deepest > depth else at
    return f"{span} {unit_of('length', units)}"


def working_days(first: float, last: float, days: float = math.nan) -> str:
    """Return from which working day of the run to which; empty where the plan does not tell.

    Of a closure that stands on some of them alone, ``days``, that too: between, its pit is plated.
    """
    if not (math.isfinite(first) and math.isfinite(last)):
        return ""
    span = f"working day {first:.1f} to {last:.1f}"
    if not days < last - first - _PLATED:
        return span
    return f"{days:.1f} days within {span}, plated between"


def scale_text(scale: float, units: str) -> str:
    """Return a scale as a drafter writes it: ``1:500``, or ``1 in = 40 ft``."""
    return f"1 in = {scale / INCHES:g} ft" if units == "us" else f"1:{scale:g}"


def print_scale(scale: float, units: str) -> str:
    """Return any scale of a print: in feet to the inch only where these are whole."""
    return scale_text(scale, units if scale % INCHES == 0 else "si")


def chainage_text(chainage: float, units: str) -> str:
    """Return a chainage (m) as kilometres + metres, or as stations of 100 ft + feet.

    Both are common practice, no source: ``0+428.2``, ``14+05.0``. A dash where it is not known.
    """
    if not math.isfinite(chainage):
        return "-"
    number = in_system(chainage, "length", units)
    whole, digits = (100, 2) if units == "us" else (1000, 3)
    tenths = math.floor(abs(number) * 10 + 0.5)
    station, rest = divmod(tenths, whole * 10)
    sign = "-" if number < 0 and tenths else ""
    return f"{sign}{station}+{rest / 10:0{digits + 2}.1f}"
