"""Columns of a written layer as the report shows them: label, unit, digits, packed values."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.wording import LIMITS, decimals, round_limit
from geotools.schema import DIMENSIONS, OUTPUTS, Field, unit_sign

__all__ = ["SHOWN", "field_of", "pack", "packed_table"]

# Fields shown at first; a reader may switch to all of them. A layer not listed shows the first.
SHOWN: dict[str, tuple[str, ...]] = {
    "runs": (
        *("run_id", "status", "host_diameter", "host_material", "length", "carrier"),
        *("pit_count", "pull_count", "longest_pull", "capacity_ratio", "cost", "reason"),
    ),
    "pits": (
        *("pit_id", "role", "chainage", "depth", "depth_source", "dig_depth", "deepest"),
        *("length", "width", "volume", "street_name", "lanes_taken", "days", "cost"),
    ),
    "pulls": (
        *("pull_id", "insertion_pit", "receiving_pit", "length", "head_force", "allowable"),
        *("utilisation", "governed_by", "joints", "strings", "hours", "cost"),
    ),
    "alternatives": (
        *("run_id", "carrier", "outcome", "reason", "capacity_ratio", "pit_count", "pull_count"),
        *("longest_pull", "cost"),
    ),
    "ranking": (
        *("rank", "run_id", "verdict", "priority", "need", "suitability", "length"),
        *("host_diameter", "carrier", "lining_cost", "cost_ratio", "cost_verdict"),
        *("reason_need", "reason_1"),
    ),
    "ranking_mains": (
        *("main_id", "run_ids", "length", "rank", "verdict", "need", "main_need"),
        *("reason_need", "reason"),
    ),
    "district_results": (
        *("district", "status", "resumed", "error", "runs_planned", "runs_without_plan"),
        *("runs_not_suitable", "runs_failed", "length", "length_failed", "pits", "pulls", "cost"),
        *("plan_errors", "plan_warnings", "file"),
    ),
    "district_runs": (
        *("rank", "run_id", "district", "status", "host_diameter", "length", "carrier"),
        *("pit_count", "longest_pull", "cost", "unit_cost", "reason"),
    ),
    "comparison": (
        *("number", "run_id", "plan", "status", "carrier", "cost", "pit_count", "longest_pull"),
        *("lane_days", "head_after", "capacity_ratio", "cheapest", "best_in", "dominated_by"),
    ),
    "comparison_totals": (
        *("plan", "common_runs", "common_cost", "common_pit_count", "common_longest_pull"),
        *("common_lane_days", "common_head_after", "common_capacity_ratio", "best_in"),
        *("dominated_by", "runs_planned", "cost"),
    ),
    "bends": ("bend_id", "chainage", "deflection", "kind", "passes"),
    "closures": (
        *("closure_id", "pit_id", "street", "class", "lanes_closed", "lanes_left", "days"),
        *("first_day", "last_day", "taper", "buffer"),
    ),
    "local_digs": (
        *("dig_id", "run_id", "pull_id", "chainage", "kind", "depth", "depth_source"),
        *("dig_depth", "spared", "cost"),
    ),
    "schedule": ("task", "ref", "crew", "start_day", "days", "critical"),
    "shutdowns": (
        *("run_id", "valve_count", "customers", "critical", "main_length", "cut_off_length"),
        *("temporary_services", "remarks"),
    ),
    "sections": (
        *("pull_id", "length", "leave", "leave_head", "wait_hours", "water_volume"),
        *("test_pressure", "annulus_volume", "grout_limit"),
    ),
    "findings": ("severity", "rule", "layer", "feature", "text"),
    "settings": ("name", "value", "origin", "source", "text"),
    "inputs": ("layer", "source", "sublayer", "crs", "features_read", "features_used"),
}
_FIRST = 9
_FEWEST = 5
_MOST_DIGITS = 6
_FIXED_DIGITS = {"utilisation": 2, "cost": 0, "common_cost": 0, "rate": 2, "days": 1, "hours": 1}
_FIXED_DIGITS |= {"first_day": 1, "last_day": 1, "start_day": 1, "quantity": 1}
_MIXED = {"quantity"}  # of many units: what is counted is shown whole, hours to the tenth
_THRESHOLDS = {"full_at", "none_at"}  # of many units, too: each to as many figures as this
_FIGURES = 3
# Suffixes that are words or parts of names too: trusted where the contract knows the field.
_AMBIGUOUS = {"min", "s", "h", "c", "f", "in"}
_SUFFIXES = {suffix for d in DIMENSIONS.values() for suffix in d.units} - _AMBIGUOUS


def field_of(layer: str, column: str) -> tuple[Field | None, str]:
    """Return the contract's field of a column in a file, if it has one, and the unit suffix."""
    for field in OUTPUTS[layer].fields if layer in OUTPUTS else ():
        if column in field.spellings():
            return field, column.removeprefix(field.name).removeprefix("_")
    name, _, suffix = column.rpartition("_")
    return None, suffix if name and suffix in _SUFFIXES else ""


def packed_table(layer: str, frame: pd.DataFrame, *, title: str = "") -> dict[str, Any]:
    """Return a layer as read from a file, column by column, for the page.

    Parameters
    ----------
    layer : str
        Name of the layer; its fields explain the columns if the contract has it.
    frame : DataFrame
        Columns as in the file, without geometry.
    title : str, optional
        Caption; what the contract says of the layer if left out.
    """
    known = [field_of(layer, str(column)) for column in frame.columns]
    names = [
        field.name if field else str(column).removesuffix(f"_{suffix}" if suffix else "")
        for column, (field, suffix) in zip(frame.columns, known, strict=True)
    ]
    shown = _shown(layer, names)
    columns = []
    for place, (column, bare) in enumerate(zip(frame.columns, names, strict=True)):
        field, suffix = known[place]
        columns.append(
            {
                "key": bare,
                "label": _label(bare),
                "unit": unit_sign(suffix),
                "text": field.text if field else "",
                "first": bare in shown if shown else place < _FIRST,
                "enum": bool(field and field.values),
                **pack(frame[column], field, suffix, layer),
            }
        )
    if shown:
        columns.sort(key=lambda c: shown.index(c["key"]) if c["key"] in shown else len(shown))
    text = title or (OUTPUTS[layer].text if layer in OUTPUTS else layer.replace("_", " "))
    return {"title": text, "rows": len(frame), "columns": columns}


def _label(name: str) -> str:
    """Return the name of a field as a heading: ``run_id`` is the run, ``main_ids`` the mains."""
    words = name.removesuffix("_id") if name.endswith("_id") else re.sub("_ids$", "s", name)
    return words.replace("_", " ")


def _shown(layer: str, names: list[str]) -> tuple[str, ...]:
    """Return the fields to show first; none if the layer has few of those wanted."""
    wanted = SHOWN.get(layer, ())
    return wanted if len(set(wanted) & set(names)) >= _FEWEST else ()


def pack(
    series: pd.Series[Any], field: Field | None, suffix: str, layer: str = ""
) -> dict[str, Any]:
    """Return the values of a column as JSON can hold them, in as few letters as they can be.

    Text that repeats is written once (``words``) and pointed at (``at``). Numbers are rounded to
    the digits shown, limits cut off there.
    """
    if (field is not None and field.dtype == "flag") or series.dtype.kind == "b":
        flags = series.astype(object)
        values = [None if pd.isna(v) else int(bool(v)) for v in flags]
        return {"kind": "flag", "digits": 0, "values": values}
    numeric = pd.api.types.is_numeric_dtype(series.dtype)
    if numeric and (field is None or field.dtype != "text"):
        return _numbers(series, field, suffix, layer)
    text = series.astype(object).where(series.notna(), "").map(str)
    codes, words = pd.factorize(text)
    if len(words) < 0.7 * len(text):
        return {"kind": "text", "words": [str(w) for w in words], "at": codes.tolist()}
    return {"kind": "text", "values": text.tolist()}


def _numbers(
    series: pd.Series[Any], field: Field | None, suffix: str, layer: str
) -> dict[str, Any]:
    numbers = series.to_numpy(dtype=float, na_value=np.nan)
    finite = np.isfinite(numbers)
    settled = decimals(layer, field.name, suffix) if field is not None else None
    digits = _digits(numbers[finite], field, suffix) if settled is None else settled
    rounded = np.round(numbers, digits)
    if field is not None and field.name in LIMITS:
        rounded[finite] = [round_limit(value, digits) for value in numbers[finite].tolist()]
    if digits and finite.any() and (rounded[finite] % 1 == 0).all():
        digits = 0
    values: list[float | int | None] = [
        None if not known else int(value) if digits == 0 else value + 0.0
        for value, known in zip(rounded.tolist(), finite.tolist(), strict=True)
    ]
    many = field is not None and field.name in _MIXED | _THRESHOLDS
    mixed = {"mixed": 1} if many and digits else {}
    return {"kind": "number", "digits": digits, "values": values, **mixed}


def _decimals(value: float) -> int:
    """Return the decimals of a value rounded to `_FIGURES` figures, none that are 0 at its end."""
    exponent = Decimal(f"{value:.{_FIGURES}g}").normalize().as_tuple().exponent
    return max(-int(exponent), 0)


def _digits(values: Any, field: Field | None, suffix: str) -> int:
    """Return decimals worth showing: about four figures of the largest value."""
    if field is not None and field.dtype == "integer":
        return 0
    if field is not None and field.name in _FIXED_DIGITS:
        return _FIXED_DIGITS[field.name]
    if field is not None and field.name in _THRESHOLDS:
        return max((_decimals(value) for value in values.tolist()), default=0)
    largest = float(np.abs(values).max()) if len(values) else 0.0
    if largest == 0.0:
        return 0
    digits = min(max(2 - math.floor(math.log10(largest)), 0), _MOST_DIGITS)
    # a place along a run is wanted to the decimetre, however long the run
    return min(max(digits, 1), 2) if suffix in ("m", "ft") else digits
