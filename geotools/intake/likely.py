"""Likely columns: which column that was not read may hold a field that is not there.

Nothing is read by what is found here; it goes into texts, for the user to say yes or no.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from geotools.intake.faults import nearest
from geotools.schema import Field, Layer

__all__ = ["likely_columns", "rate_columns"]

# Words of column names in which records of utilities and streets keep a field, beside its own
# name. Common practice, no source.
WORDS: dict[str, tuple[str, ...]] = {
    "diameter": ("dia", "diam", "dn", "size"),
    "material": ("mat", "matl", "mtrl"),
    "installed": ("inst", "install", "year", "yr", "laid", "built", "construction"),
    "bore": ("inside", "inner", "internal"),
    "cover": ("depth", "burial"),
    "invert_start": ("invert", "inv"),
    "invert_end": ("invert", "inv"),
    "pressure": ("press",),
    "c_factor": ("hazen", "roughness", "chw"),
    "flow": ("q", "demand"),
    "breaks": ("break", "brk", "brks", "burst"),
    "leakage": ("leak",),
    "criticality": ("crit", "critical", "consequence", "cof"),
    "status": ("stat", "state", "lifecycle", "active", "abandoned", "operational"),
    "owner": ("own",),
    "kind": ("type", "subtype"),
    "angle": ("deflection",),
    "open": ("position",),
    "valve_id": ("valveno", "vlvno", "asset", "facility", "number"),
    "customers": ("cust", "customer", "meters", "properties", "households"),
    "critical": ("crit", "priority", "hospital"),
    "class": ("type", "highway", "hierarchy"),
    "lanes": ("lane",),
    "width": ("w",),
    "speed": ("maxspeed",),
    "oneway": ("direction",),
    "reason": ("type", "kind", "description"),
    "hard": ("forbidden",),
    "weight": ("factor",),
    "buffer": ("distance", "clearance"),
    "action": ("wish",),
}
# Parts of names that say a number is so many a length or a year, where the field is a count: mapped
# as such it would be divided by the length of each main once more. A year with digits beside it is
# a period. Common practice, no source.
RATES: dict[str, tuple[str, ...]] = {
    "breaks": ("rate", "freq", "frequency", "per", "km", "mi", "mile", "annual", "yr", "year"),
}
RATE = "rate"  # ends a name that is one word
YEARS = ("yr", "year")
WHOLE = 4  # a shorter word must be a part of the name by itself, a longer one may begin or end it
TYPING = 0.8  # likeness from which a name is the field's own, mistyped
PART = re.compile(r"[A-Z]?[a-z]+|[A-Z]+|[^\W\d_]+")


def likely_columns(
    layer: Layer, missing: Sequence[Field], left: Sequence[str]
) -> Mapping[str, str]:
    """Return, by bare name of a missing field, a column left over that may hold it.

    Parameters
    ----------
    layer : Layer
        Layer of the contract.
    missing : sequence of Field
        Fields no column was read as.
    left : sequence of str
        Columns no field was read from; none is named twice.
    """
    # A field's own name without its unit is told of by itself (`match_columns`).
    own = {name for field in layer.fields for name in (field.name, *field.spellings())}
    rates = {name for name in left if any(_rate_of(field, name) for field in layer.fields)}
    free = [name for name in left if name.casefold() not in own and name not in rates]
    found: dict[str, str] = {}
    for field in missing:
        like = [name for name in free if _alike(field, name)]
        close = like[0] if like else nearest(field.name, free, cutoff=TYPING)
        if close is not None:
            found[field.name] = close
            free.remove(close)
    return found


def rate_columns(missing: Sequence[Field], left: Sequence[str]) -> Mapping[str, str]:
    """Return, by bare name of a missing field that counts, a column left over that is its rate."""
    found: dict[str, str] = {}
    for field in missing:
        for name in left:
            if _rate_of(field, name):
                found.setdefault(field.name, name)
    return found


def _alike(field: Field, column: str) -> bool:
    """Tell whether a part of a column's name is a word the field is usually called by."""
    parts = [part.casefold() for part in PART.findall(column)]
    words = (field.name, *WORDS.get(field.name, ()))
    return any(
        part == word or (len(word) >= WHOLE and (part.startswith(word) or part.endswith(word)))
        for part in parts
        for word in words
    )


def _rate_of(field: Field, column: str) -> bool:
    """Tell whether a column's name says it is a rate of what the field counts."""
    words = RATES.get(field.name, ())
    if not words or not _alike(field, column):
        return False
    if any(sign.isdigit() for sign in column):
        words = tuple(word for word in words if word not in YEARS)
    parts = [part.casefold() for part in PART.findall(column)]
    return any(part in words or part.endswith(RATE) for part in parts)
