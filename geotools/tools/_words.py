"""Texts of many rows and few words: held as numbers of words, a text is a byte or two."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import IntArray
from geotools.schema import OUTPUTS

__all__ = ["in_words", "joined", "worded"]


def in_words(table: pd.DataFrame, layer: str) -> pd.DataFrame:
    """Return a table with the texts that a layer of the contract has as numbers of words."""
    texts = [f.name for f in OUTPUTS[layer].fields if f.dtype == "text" and f.name in table]
    return table.assign(**{name: pd.Categorical(table[name]) for name in texts})


def worded(words: npt.NDArray[np.object_], number: IntArray) -> pd.Categorical:
    """Return texts as numbers of words; ``words`` differ from each other."""
    return pd.Categorical.from_codes(number, categories=pd.Index(words, dtype=object))


def joined(columns: list[pd.Series]) -> pd.Series:
    """Return columns one after the other; those held as numbers of words stay so."""
    if all(isinstance(column.dtype, pd.CategoricalDtype) for column in columns):
        return pd.Series(pd.api.types.union_categoricals(columns))
    return pd.concat(columns, ignore_index=True)
