"""Likely columns: which column that was not read may hold a field that is not there.

Nothing is read by what is found here; it goes into texts, for the user to say yes or no.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache

from geotools.intake.faults import nearest
from geotools.schema import Field, Layer

__all__ = ["likely_columns", "rate_columns"]

# Words of column names in which records of utilities and streets keep a field, beside its own
# name. Common practice, no source.
WORDS: dict[str, tuple[str, ...]] = {
    "diameter": ("dia", "diam", "dn", "size"),
    "material": ("mat", "matl", "mtrl"),
    "main_id": ("mainid", "pipe", "asset", "facility"),
    "year": ("date", "reported", "repaired", "yr"),
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
# Fields that are counts: a number of so many a length or a year, mapped as one, would be divided by
# the length of each main once more. Parts of names that say so by themselves; units that say so
# behind "per", and of lengths where they end the name. A year alone is a date, or a period. Common
# practice, no source.
COUNTS = ("breaks",)
RATES, PER = ("rate", "freq", "frequency", "annual"), "per"
LENGTHS, YEARS = ("km", "mi", "mile", "miles", "kft"), ("yr", "year", "a")
WHOLE = 4  # a shorter word must be a part of the name by itself, a longer one may begin or end it
KEPT = 100_000  # names of columns whose parts are remembered
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
    counts = [field for field in layer.fields if field.name in COUNTS]
    others = {name for name in left if any(_rate_of(f, name) or _date_of(f, name) for f in counts)}
    free = [name for name in left if name.casefold() not in own and name not in others]
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
    words, long = _words(field.name)
    return any(
        part in words or part.startswith(long) or part.endswith(long) for part in _parts(column)
    )


@cache
def _words(name: str) -> tuple[frozenset[str], tuple[str, ...]]:
    """Return the words a field is usually called by, and the long ones of them."""
    words = (name, *WORDS.get(name, ()))
    return frozenset(words), tuple(word for word in words if len(word) >= WHOLE)


@lru_cache(maxsize=KEPT)
def _parts(column: str) -> tuple[str, ...]:
    """Return the parts of a column's name; every field asks for those of every column."""
    return tuple(part.casefold() for part in PART.findall(column))


def _rate_of(field: Field, column: str) -> bool:
    """Tell whether a column's name says it is a rate of what the field counts."""
    if field.name not in COUNTS or not _alike(field, column):
        return False
    parts = _parts(column)
    if any(part in RATES or _ends_as_rate(field, part) for part in parts):
        return True
    units = (*LENGTHS, *YEARS)
    if any(one == PER and two in units for one, two in itertools.pairwise(parts)):
        return True
    behind = list(itertools.takewhile(units.__contains__, reversed(parts)))
    return any(part in LENGTHS for part in behind)


def _date_of(field: Field, column: str) -> bool:
    """Tell whether a column's name may say the year of what the field counts."""
    parts = _parts(column)
    period = any(sign.isdigit() for sign in column)
    return not period and bool(parts) and parts[-1] in YEARS and _alike(field, column)


def _ends_as_rate(field: Field, part: str) -> bool:
    """Tell whether a part is a word for the field and the word rate in one."""
    return part.endswith(RATES[0]) and _alike(field, part.removesuffix(RATES[0]))
