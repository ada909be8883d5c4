"""Among: which texts of a column are words of a list of the brief: statuses, owners, classes."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.names import folded

__all__ = ["among", "as_told", "in_small", "one_spelling"]


def among(texts: Iterable[object], words: Iterable[str]) -> npt.NDArray[np.bool_]:
    """Return which texts are one of the words, both as words are compared (`folded`).

    Parameters
    ----------
    texts : iterable of str, shape (n,)
        Missing ones are like "".
    words : iterable of str
    """
    number, met = _met(texts)
    known = {folded(word) for word in words}
    return np.array([folded(word) in known for word in met], dtype=np.bool_)[number]


def _met(texts: Iterable[object]) -> tuple[npt.NDArray[np.intp], list[str]]:
    """Return texts as numbers of the different ones met, and these; missing ones are ""."""
    told = texts if isinstance(texts, pd.Series) else pd.Series(texts, dtype=object)
    if told.dtype == object:  # may hold what is no text
        told = told.fillna("").astype(str)
    number, met = pd.factorize(told)
    return number, [*map(str, met), ""]


def one_spelling(texts: Iterable[object]) -> pd.Series[Any]:
    """Return texts with one spelling of each word, whatever its case and the marks on its letters.

    It is the one met most, `in_small`: what is compared (`folded`) is no word to be shown.
    """
    told = pd.Series(texts, dtype=object).fillna("").astype(str).str.strip()
    counts = told.map(in_small).value_counts()
    met = sorted(counts.items(), key=lambda one: (one[1], str(one[0])))
    best = {folded(str(word)): str(word) for word, _ in met}
    return told.map(lambda word: word and best[folded(word)])


def in_small(word: str) -> str:
    """Return a word of plain letters in small ones, any other as it is.

    Small letters of others hang on the language: of I in Turkish, of a last sigma in Greek.
    """
    return word.lower() if word.isascii() else word


def as_told(text: str) -> str:
    """Return a word of records as findings name it: in lower case, its letters with their marks."""
    return unicodedata.normalize("NFC", text).strip().lower()
