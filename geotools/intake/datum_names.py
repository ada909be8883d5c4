"""Names of vertical datums: which of them mean one datum, by the registry of CRSs or as written."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import pyproj
from pyproj.database import query_crs_info
from pyproj.enums import PJType

__all__ = ["ELLIPSOID", "DatumNames"]

ELLIPSOID = "ellipsoid"
UNSAID = {"", "unknown", "unnamed", "undefined", "not specified"}
# What ends the name of a CRS without being part of its datum: "(ftUS)", "height". A depth counts
# the other way and is left.
_UNIT = re.compile(
    r"[\s_]*[(\[](ft|ft ?us|us[- ]?ft|m|cm|mm|met(re|er)s?|feet|foot|us survey f(oo|ee)t)[)\]]\s*$",
    re.IGNORECASE,
)
_HEIGHT = re.compile(r"[\s_]+(heights?|elevations?)\s*$", re.IGNORECASE)
_WORD = re.compile(r"[^\W\d_]+|\d+")
_CENTURY = re.compile(r"(?<!\d)19(?=\d\d(?!\d))")  # NAVD_1988, NAVD88
_FILLING = {"of", "the"}  # North American Vertical Datum of 1988
LEAST = 3  # characters; a shorter name is part of too many others
# Letters as they are written where their marks are not to be had: Haupthoehennetz, Haupthöhennetz.
_PAIRS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe", "æ": "ae"})


@dataclass(frozen=True)
class DatumNames:
    """What the name of a vertical CRS and that of its datum may stand for.

    Attributes
    ----------
    keys : frozenset of str
        The names in plain words, with those the registry has for the same datum.
    known : bool
        Whether a registered CRS or datum has the name of the CRS. That of its datum does not
        count: readers fill it in with one of a like name where a file leaves it out.
    """

    keys: frozenset[str]
    known: bool

    @classmethod
    def of(cls, crs: str, datum: str) -> DatumNames | None:
        """Return what the names of a CRS and its datum stand for; None if they say nothing."""
        name = _plain(crs)
        said = frozenset({name, _plain(datum)}) - UNSAID
        table = _registered()
        keys = said.union(*(table[key] for key in said if key in table))
        return cls(keys, known=name in table) if said else None

    def same(self, other: DatumNames) -> bool:
        """Tell whether two may be one datum: by a name of both, or one that holds the other's.

        What a name holds counts for little where both are registered: these are told apart.
        """
        if self.keys & other.keys:
            return True
        if self.known and other.known:
            return False
        return any(_holds(a, b) or _holds(b, a) for a in self.keys for b in other.keys)


def _holds(name: str, part: str) -> bool:
    """Tell whether the words of one name stand in a row in another."""
    return len(part) >= LEAST and f" {part} " in f" {name} "


def _plain(name: str) -> str:
    """Return words and numbers of a name, small, without accents, unit, "height", century."""
    bare = _HEIGHT.sub("", _UNIT.sub("", name)).casefold().translate(_PAIRS)
    letters = unicodedata.normalize("NFD", _CENTURY.sub("", bare))
    words = _WORD.findall("".join(c for c in letters if not unicodedata.combining(c)))
    return " ".join(word for word in words if word not in _FILLING)


@cache
def _registered() -> dict[str, frozenset[str]]:
    """Return, of every name of a registered vertical CRS or datum, all names it goes with.

    From the database of PROJ: short forms are the names of CRSs, long ones those of their datums.
    """
    table: dict[str, set[str]] = defaultdict(set)
    for info in query_crs_info(pj_types=PJType.VERTICAL_CRS, allow_deprecated=True):
        crs = pyproj.CRS.from_authority(info.auth_name, info.code)
        said = {_plain(crs.name), "" if crs.datum is None else _plain(crs.datum.name)} - UNSAID
        for key in said:
            table[key] |= said
    return {ELLIPSOID: frozenset({ELLIPSOID}), **{k: frozenset(v) for k, v in table.items()}}
