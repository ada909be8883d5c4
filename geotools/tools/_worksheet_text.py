"""Worksheets printed: in the units of the reader, with as many digits as they deserve."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from geotools.pipe.factors import HOUR, YEAR_H
from geotools.units import in_unit

if TYPE_CHECKING:
    from geotools.pipe.worksheets import Entry, Step, Worksheet

__all__ = ["sheet_summary", "sheet_text"]

DIGITS, SHARE_DIGITS = 4, 3

# Quantity of a worksheet: what it is a kind of, its unit for si and for us.
_UNITS: dict[str, tuple[str, str, str]] = {
    "length": ("length", "m", "ft"),
    "size": ("length", "mm", "in"),
    "pressure": ("pressure", "kPa", "psi"),
    "stress": ("pressure", "MPa", "psi"),
    "force": ("force", "kN", "lbf"),
    "line_load": ("line_load", "N/m", "lbf/ft"),
    "angle": ("angle", "deg", "deg"),
    "volume": ("volume", "m^3", "yd^3"),
    "liquid": ("volume", "m^3", "gal"),
    "area": ("area", "mm^2", "in^2"),
    "flow": ("flow", "L/s", "gpm"),
    "velocity": ("speed", "m/s", "ft/s"),
    "head": ("length", "m", "ft"),
    "density": ("density", "kg/m^3", "lb/ft^3"),
    "hours": ("time", "h", "h"),
    "temperature": ("temperature", "degC", "degF"),
}
_CUBIC_METRE = 1.0  # less water than this is shown in litres


def _shown(item: Entry | Step, units: str) -> tuple[float | str, str]:
    """Return the value of an item and its unit, as the reader wants them."""
    if isinstance(item.value, str):
        return item.value, ""
    if item.quantity == "share":
        return 100.0 * item.value, "%"
    if item.quantity not in _UNITS or not math.isfinite(item.value):
        return item.value, ""
    kind, si, us = _UNITS[item.quantity]
    unit = us if units == "us" else si
    if item.quantity == "liquid" and unit == si and item.value < _CUBIC_METRE:
        unit = "L"
    if item.quantity == "hours":
        unit = "year" if item.value >= YEAR_H else "h" if item.value >= 1.0 else "min"
    # a worksheet counts hours, everything else is in SI
    value = item.value * (HOUR if item.quantity == "hours" else 1.0)
    return in_unit(value, unit, kind), unit.replace("^", "")


def _number(value: float, digits: int) -> str:
    """Write a number with the digits a planning value deserves, never in powers of ten."""
    if not math.isfinite(value):
        return "without limit"
    if value == 0.0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):,.{min(max(places, 0), 8)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _written(item: Entry | Step, units: str) -> str:
    value, unit = _shown(item, units)
    if isinstance(value, str):
        return value.replace("_", " ")
    digits = SHARE_DIGITS if item.quantity == "share" else DIGITS
    return f"{_number(value, digits)} {unit}".strip()


def _formula(step: Step, units: str) -> str:
    return step.formula_us if units == "us" and step.formula_us else step.formula


def sheet_text(sheet: Worksheet, units: str) -> str:
    """Return a worksheet as text, for a reader with a calculator.

    Parameters
    ----------
    sheet : Worksheet
    units : str
        ``si`` or ``us``.
    """
    results = [entry for entry in sheet.results if entry.name != "verdict"]
    lines = [sheet.title, "=" * len(sheet.title), "", "Given", *_entries(sheet.inputs, units)]
    lines += ["", "Worked out", *_steps(sheet.steps, units)]
    lines += ["", "Result", *_entries(results, units)]
    verdict = next((entry for entry in sheet.results if entry.name == "verdict"), None)
    if verdict is not None:
        lines += ["", f"{str(verdict.value).upper()}: {verdict.text}."]
    return "\n".join([*lines, "", *sheet.cautions])


def _entries(entries: tuple[Entry, ...] | list[Entry], units: str) -> list[str]:
    names = max(len(entry.name) for entry in entries)
    values = [_written(entry, units) for entry in entries]
    wide = min(max(len(value) for value in values), 26)
    return [
        f"  {entry.name:<{names}}  {value:<{wide}}  {entry.text}".rstrip()
        for entry, value in zip(entries, values, strict=True)
    ]


def _steps(steps: tuple[Step, ...], units: str) -> list[str]:
    names = max(len(step.symbol) for step in steps)
    values = [_written(step, units) for step in steps]
    wide = max(len(value) for value in values)
    lines = []
    for step, value in zip(steps, values, strict=True):
        lines.append(f"  {step.symbol:<{names}} = {_formula(step, units)}")
        lines.append(f"  {'':<{names}} = {value:<{wide}}   ({step.source})")
    return lines


def sheet_summary(sheet: Worksheet, units: str) -> dict[str, Any]:
    """Return a worksheet as plain values: as shown, unrounded, and in SI."""
    return {
        "title": sheet.title,
        "units": units,
        "inputs": [_entry(entry, units) for entry in sheet.inputs],
        "steps": [
            {
                "symbol": step.symbol,
                "formula": _formula(step, units),
                "source": step.source,
                **_values(step, units),
            }
            for step in sheet.steps
        ],
        "results": [_entry(entry, units) for entry in sheet.results],
        "passes": sheet.passes,
        "cautions": list(sheet.cautions),
    }


def _entry(entry: Entry, units: str) -> dict[str, Any]:
    return {"name": entry.name, "text": entry.text, **_values(entry, units)}


def _values(item: Entry | Step, units: str) -> dict[str, Any]:
    value, unit = _shown(item, units)
    return {"value": value, "unit": unit, "si_value": item.value, "si_unit": item.unit}
