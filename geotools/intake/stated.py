"""Stated units: what the name of a column that was not read says of the unit of its values."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.errors import LayerError
from geotools.intake.measured import UNITS
from geotools.schema import Field, unit_sign

__all__ = ["Values", "mapping_line"]

# Pressures on record as the height of a column of water, which the contract has no unit for: in
# several languages, beside lengths alone. Common practice, no source.
_HEADS = frozenset(
    (
        *("head", "mhead", "mofhead", "fthead", "ftofhead", "fth2o", "mh2o"),
        *("mwc", "mwg", "mws", "mca", "mce", "mvp", "mvk"),
    )
)
# Sizes of mains on record are in inches between these, in metres below, in millimetres above.
LEAST_INCHES, MOST_INCHES = 2.0, {"si": 50.0, "us": 150.0}
Values = Callable[[str], Any]
_BRACKET = re.compile(r"[(\[]([^()\[\]]+)[)\]]\s*\Z")
_PART = re.compile(r"[A-Z]?[a-z]+|[A-Z]+")  # of PressPsi


def mapping_line(
    field: Field, column: str, system: str = "si", values: Values | None = None
) -> tuple[str, str]:
    """Return a line of a brief that maps a column, in the unit its name states, and a remark.

    Parameters
    ----------
    field : Field
        What the column may hold.
    column : str
        Name of the column.
    system : str
        ``si`` or ``us``, the units of the brief.
    values : callable, optional
        Gives the values of the column.

    Returns
    -------
    line, remark : str
        Without a unit in the name the line has the one that values of diameters look like, or else
        that of the brief, and the remark asks for the one of the values; of a unit the contract has
        none for, it says what to do. The remark is empty where the line holds as it is.
    """
    spelling, other = _stated(field, column)
    asked = values if field.dimension == "bore" and not spelling else None
    seen = _numbers(asked, column)
    usual = f"{field.name}_{_looks_like(seen, system)}" if len(seen) else field.column(system)
    line = f"{spelling or usual} = {json.dumps(column, ensure_ascii=False)}"
    if other:
        units = " or ".join(unit_sign(name[len(field.name) + 1 :]) for name in field.spellings())
        return line, f"(its name states {other!r}: bring the values to {units} first)"
    if spelling or not field.dimension:
        return line, ""
    range_ = f", {min(seen):g} to {max(seen):g}" if len(seen) else ""
    return line, f"(with the unit of the values{range_})"


def _numbers(values: Values | None, column: str) -> npt.NDArray[np.float64]:
    """Return the numbers above 0 in a column, none where it cannot be read."""
    try:
        found = pd.Series(dtype=float) if values is None else pd.Series(values(column))
    except LayerError:  # why is told by whoever reads the layer
        found = pd.Series(dtype=float)
    numbers: npt.NDArray[np.float64] = pd.to_numeric(found, errors="coerce").to_numpy(
        dtype=float, na_value=np.nan
    )
    return numbers[np.isfinite(numbers) & (numbers > 0)]


def _looks_like(sizes: npt.NDArray[np.float64], system: str) -> str:
    """Return the unit that sizes of mains are likely in, by the middle one of them."""
    middle = float(np.median(sizes))
    if middle < LEAST_INCHES:
        return "m"
    return "in" if middle < MOST_INCHES[system] else "mm"


def _stated(field: Field, column: str) -> tuple[str, str]:
    """Return the spelling of the field in the unit a name states, or else that unit as written."""
    if field.dimension is None:
        return "", ""
    known = {name[len(field.name) + 1 :]: name for name in field.spellings()}
    words = UNITS.get(field.dimension, {})
    lengths = UNITS["length"] if field.dimension == "pressure" else {}
    for written, sure in _endings(column):
        word = re.sub(r"[\s_^]", "", written.casefold()).replace("³", "3").removesuffix(".")
        of_factor = [n for n, f in field.spellings().items() if math.isclose(f, words.get(word, 0))]
        if not sure and word == ("m" if field.dimension == "bore" else "in"):
            continue  # DiaM may be anything, and INV_IN is the level at the inlet
        if word in known or of_factor:
            return known.get(word) or of_factor[0], ""
        if word in words or word in lengths or (lengths and word in _HEADS):
            return "", written
    return "", ""


def _endings(column: str) -> Iterator[tuple[str, bool]]:
    """Give what may be a unit at the end of a name, the longest first, and whether it is for sure.

    In brackets it is.
    """
    bracket = _BRACKET.search(column)
    if bracket:
        yield bracket[1].strip(), True
    words = re.split(r"[\s_\-]+", column.strip())
    if len(words) > 2:
        yield "/".join(words[-2:]), False  # Flow_l_s
        yield " ".join(words[-2:]), False  # Press m head
    if len(words) > 1:
        yield words[-1], False
    parts = _PART.findall(column)
    if len(parts) > 1:
        yield parts[-1], False
