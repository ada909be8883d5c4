"""Among: which texts of a column are words of a list of the brief, as statuses and owners are."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.names import folded

__all__ = ["among", "as_told"]


def among(texts: Iterable[object], words: Iterable[str]) -> npt.NDArray[np.bool_]:
    """Return which texts are one of the words, both as words are compared (`folded`).

    Parameters
    ----------
    texts : iterable of str, shape (n,)
        Missing ones are like "".
    words : iterable of str
    """
    told, known = pd.Series(texts, dtype=object), [folded(word) for word in words]
    if not known:
        return np.zeros(len(told), dtype=np.bool_)
    told = told.fillna("").astype(str)
    return told.map(folded).isin(known).to_numpy(dtype=np.bool_)


def as_told(text: str) -> str:
    """Return a word of records as findings name it: in lower case, its letters with their marks."""
    return unicodedata.normalize("NFC", text).strip().lower()
