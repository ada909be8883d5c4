"""Values that bring their own unit, such as 12 in, 300mm or 30 mph, whatever the column's is."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from geotools.units import parse_quantity

__all__ = ["in_own_unit"]

# Dimensions of the contract by the kind of quantity they are.
KINDS = {
    "bore": "diameter",
    "length": "length",
    "pressure": "pressure",
    "flow": "flow",
    "speed": "speed",
    "angle": "angle",
}
# How records write units that are else no names of units; a sign stands behind its number.
SIGNS = (
    (re.compile(r"\s*(?:''|[\"″”])$"), " in"),
    (re.compile(r"\s*['′’]$"), " ft"),
    (re.compile(r"(?<=[a-z])3(?=/|$)"), "^3"),
    (re.compile(r"(?<=[a-z])\.$"), ""),
    (re.compile(r"(?<![a-z])([km])pa$"), lambda found: f"{found[1].replace('m', 'M')}Pa"),
)
# A nominal size is no measure, but is read as one everywhere: DN of ISO 6708 is in millimetres,
# NPS of ASME B36.10M in inches.
NOMINAL = ((re.compile(r"^dn\s*(?=\d)"), " mm"), (re.compile(r"^nps\s*(?=\d)"), " in"))


def in_own_unit(texts: npt.NDArray[np.object_], dimension: str | None) -> npt.NDArray[np.float64]:
    """Return the values of texts that hold a number and its unit, SI; NaN of all others.

    Parameters
    ----------
    texts : ndarray of str objects, shape (n,)
        Such as ``12 in``, ``300mm``, ``DN 300``, ``30 mph``.
    dimension : str, optional
        Key of ``schema.DIMENSIONS`` that they measure; of what has none, none is read.
    """
    kind = KINDS.get(dimension or "")
    if kind is None or not len(texts):
        return np.full(len(texts), np.nan)
    words, place = np.unique(texts.astype(np.str_), return_inverse=True)
    read = np.array([_value(word, kind) for word in words.tolist()])
    return np.asarray(read[place], dtype=np.float64)


def _value(text: str, kind: str) -> float:
    for spelled in (text, text.lower()):  # MM and PSI are written, and are no units as they stand
        try:
            return parse_quantity(_spelled(spelled, kind), kind)
        except ValueError:
            continue
    return np.nan


def _spelled(text: str, kind: str) -> str:
    """Return a text as quantities are written in a brief."""
    for sign, unit in SIGNS:
        text = sign.sub(unit, text)
    for sign, unit in NOMINAL if kind == "diameter" else ():
        text, found = sign.subn("", text)
        text += unit * found
    return text
