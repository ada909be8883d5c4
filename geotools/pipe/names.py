"""Names of materials and of systems of outside diameters; plain words, quick to load.

Words are compared here as everywhere: `folded`.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Literal, get_args

__all__ = ["MATERIALS", "PIT_CAST_CLASSES", "SYSTEMS", "Material", "System", "folded", "spaced"]

# PVC is rated by its hydrostatic design basis (AWWA C900), PVC-U by its minimum required strength
# (ISO 1452-2): like resins under unlike rules, so each has a word of its own.
Material = Literal["PE4710", "PE3608", "PE100", "PVC", "PVC-U"]
System = Literal["DIPS", "IPS", "METRIC"]
MATERIALS: tuple[str, ...] = get_args(Material)
SYSTEMS: tuple[str, ...] = get_args(System)
PIT_CAST_CLASSES = ("A", "B", "C", "D")  # of the standard of 1908, by the head of water

_NO_LETTERS = re.compile(r"[\W_]+")
_TWO_WORDS = re.compile(r"(?<=[a-z])(?=[A-Z])")  # AirRelease
# The marks of Latin, Greek and Cyrillic letters; those of other scripts are vowels, and stay.
_MARKS = dict.fromkeys(range(0x0300, 0x0370))
# letters that are another with a stroke, which Unicode does not take apart
_STROKES = str.maketrans({"ł": "l", "ø": "o", "đ": "d", "ı": "i", "æ": "ae", "œ": "oe"})


@lru_cache(maxsize=65536)
def folded(text: str) -> str:
    """Return a text as words are compared: without case, marks on letters, and outer blanks.

    Letters that look alike are alike, whether a mark is a sign of its own or not.
    """
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFC", text).casefold())
    return unicodedata.normalize("NFC", plain.translate(_MARKS)).translate(_STROKES).strip()


@lru_cache(maxsize=65536)
def spaced(text: str) -> str:
    """Return a text `folded`, one blank between its words, whatever stands between them there.

    ``END_CAP``, ``end-cap`` and ``EndCap`` are alike.
    """
    return _NO_LETTERS.sub(" ", folded(_TWO_WORDS.sub(" ", text))).strip()
