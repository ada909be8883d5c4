"""French: what FD and FG are in a column of materials, as all of it tells.

Ductile and grey cast iron (fonte ductile, fonte grise) of French records, where both or other
French words are there; elsewhere they may be anything, and are told as words nobody knows.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.words import code_of, is_french

__all__ = ["FIELD", "code_remarks", "has_codes", "says_french", "with_words"]

FIELD = "material"  # the field such codes are read in
CODES = {"fd": "fonte ductile", "fg": "fonte grise"}  # common practice, no source


def has_codes(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column holds FD or FG."""
    return not CODES.keys().isdisjoint(_codes(texts))


def says_french(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column is of French records, by all its values; each once is enough."""
    return CODES.keys() <= _codes(texts) or any(is_french(str(text)) for text in pd.unique(texts))


def with_words(texts: npt.NDArray[np.object_], french: bool) -> npt.NDArray[np.object_]:
    """Return texts with the words that FD and FG stand for before them, if they are French."""
    if not french:
        return texts
    place, words = pd.factorize(texts)
    said = [CODES.get(code_of(str(word)), "") for word in words]
    told = [f"{long} ({word})" if long else word for word, long in zip(words, said, strict=True)]
    return np.array(told, dtype=object)[place]


def code_remarks(
    name: str, texts: npt.NDArray[np.object_], french: bool
) -> list[tuple[str, str, str]]:
    """Return what is to be said of FD and FG in a column of this name; nothing if not French."""
    if not french:
        return []
    place, words = pd.factorize(texts)
    count = int(np.array([code_of(str(word)) in CODES for word in words], dtype=bool)[place].sum())
    text = (
        f"material is FD or FG on {count:,} features (column {name!r}), read as ductile and as "
        "grey cast iron (fonte ductile, fonte grise), since the column holds both or other French "
        "words; if they mean something else, write the material in words"
    )
    return [("info", "material-codes", text)]


def _codes(texts: npt.NDArray[np.object_]) -> set[str]:
    return {code_of(str(text)) for text in pd.unique(texts)}
