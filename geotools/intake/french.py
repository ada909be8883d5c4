"""French: what FD and FG are in a column of materials, as all of it tells.

Ductile and grey cast iron of French records (fonte ductile, fonte grise), where both or other
French words are there, and of Spanish ones (fundición dúctil, fundición gris), where other Spanish
words are; elsewhere they may be anything, and are told as words nobody knows.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.words import code_of, is_of

__all__ = ["FIELD", "code_remarks", "has_codes", "language_of", "with_words"]

FIELD = "material"  # the field such codes are read in
CODES = {  # common practice, no source
    "French": {"fd": "fonte ductile", "fg": "fonte grise"},
    "Spanish": {"fd": "fundición dúctil", "fg": "fundición gris"},
}
BOTH = frozenset({"fd", "fg"})


def has_codes(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column holds FD or FG."""
    return not BOTH.isdisjoint(_codes(texts))


def language_of(texts: npt.NDArray[np.object_]) -> str:
    """Return of which records a column is, by all its values, each once is enough; "" of others.

    FD beside FG is French where no word of either language is there.
    """
    words = [str(text) for text in pd.unique(texts)]
    spoken = (language for language in CODES if any(is_of(language, word) for word in words))
    return next(spoken, "French" if _codes(texts) >= BOTH else "")


def with_words(texts: npt.NDArray[np.object_], language: str) -> npt.NDArray[np.object_]:
    """Return texts with the words that FD and FG stand for before them, in a language of `CODES`.

    As they are if the language is none.
    """
    if not language:
        return texts
    place, words = pd.factorize(texts)
    said = [CODES[language].get(code_of(str(word)), "") for word in words]
    told = [f"{long} ({word})" if long else word for word, long in zip(words, said, strict=True)]
    return np.array(told, dtype=object)[place]


def code_remarks(
    name: str, texts: npt.NDArray[np.object_], language: str
) -> list[tuple[str, str, str]]:
    """Return what is to be said of FD and FG in a column; nothing if the language is none."""
    if not language:
        return []
    place, words = pd.factorize(texts)
    count = int(np.array([code_of(str(word)) in BOTH for word in words], dtype=bool)[place].sum())
    text = (
        f"material is FD or FG on {count:,} features (column {name!r}), read as ductile and as "
        f"grey cast iron ({', '.join(CODES[language].values())}), since the column holds both or "
        f"other {language} words; if they mean something else, write the material in words"
    )
    return [("info", "material-codes", text)]


def _codes(texts: npt.NDArray[np.object_]) -> set[str]:
    return {code_of(str(text)) for text in pd.unique(texts)}
