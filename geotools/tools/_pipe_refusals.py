"""What a formula of ``pipe ...`` refuses, in the words and units of the user."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from geotools.pipe.factors import FOOT
from geotools.pipe.names import MATERIALS
from geotools.tool import Parameter
from geotools.tools._pipe_options import CARRIER, HOST, Sheet

if TYPE_CHECKING:
    from geotools.pipe.ranges import Limits, RangeError

__all__ = ["refusal"]

# Names by which formulas refuse what the carrier and the host are made of.
_KNOWN_AS = {
    "outside_m": "outside",
    "wall_min_m": "wall",
    "host_bore_m": "bore",
    "measured_m": "bore",
    "nominal_m": "host_diameter",
    "system and material": "material",
}
# What is worked out on the way and found wrong: the parameter to mend, and why.
_WORKED_OUT = {
    "depth_m": (
        "drop",
        "the pit would be too deep for sides by the table, which ends at {:g} ft for this soil",
    ),
    "outside_m / host_bore_m": ("bore", "the carrier does not enter the host"),
}


def refusal(error: RangeError, sheet: Sheet, written: Mapping[str, str]) -> str:
    """Say in the words and units of the user what cannot be used and what could."""
    name, _, whose = error.name.partition(" (")[0].partition(" of ")
    if name in _WORKED_OUT:
        parameter_name, words = _WORKED_OUT[name]
        if error.limits is not None:
            words = words.format(error.limits.high / FOOT)
        return f"{parameter_name}: {written.get(parameter_name, 'as given')}: {words}"
    found = {p.name: (p, 1.0) for p in (*CARRIER, *HOST)}
    found |= {alias: found[target] for alias, target in _KNOWN_AS.items()}
    if not sheet.bore:  # there is no host: the nominal size is that of the carrier
        found["nominal_m"] = found["outside"]
    found |= {
        alias: (option.parameter, option.unit)
        for option in sheet.options
        for alias in (option.argument, *option.refusals)
    }
    if name not in found:
        return str(error)
    parameter, unit = found[name]
    if error.limits is None:
        return f"{parameter.name}: {error.value} cannot be used; valid: {error.valid}"
    for_it = f" for {whose}" if whose in MATERIALS else ""
    return f"{parameter.name}: {_range(error.limits, parameter, unit, written)}{for_it}"


def _range(limits: Limits, parameter: Parameter, unit: float, written: Mapping[str, str]) -> str:
    """Say which value lies outside which range, in the unit the value was written in."""
    from geotools.units import in_unit, unit_of, usual_unit

    shown = ""
    if parameter.measure:
        text = written.get(parameter.name, "")
        shown = unit_of(text, parameter.measure) if text else usual_unit(parameter.measure)

    def said(number: float) -> str:
        if not parameter.measure:
            return f"{number:.6g}"
        value, told = in_unit(number * unit, shown, parameter.measure), shown
        if 0.0 < abs(value) < 1e-3:  # a hundredth of an hour is no number of years to read
            told = usual_unit(parameter.measure)
            value = in_unit(number * unit, told, parameter.measure)
        return f"{value:.6g} {told}" if abs(value) < 1e6 else f"{value:,.0f} {told}"

    opening = "above" if limits.above_low else "from"
    if math.isinf(limits.high):
        valid = f"{'above' if limits.above_low else 'at least'} {said(limits.low)}"
    else:
        valid = f"{opening} {said(limits.low)} to {said(limits.high)}"
    return f"{said(limits.value)} is out of range; valid {valid}"
