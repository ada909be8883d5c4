"""Texts of many rows and few words: held as numbers of words, a text is a byte or two."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import IntArray

__all__ = ["in_words", "joined", "rows_joined", "worded"]


def in_words(table: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return a table with the texts of these columns, of those it has, as numbers of words."""
    return table.assign(**{name: _counted(table[name]) for name in names if name in table})


def _counted(column: pd.Series) -> pd.Series | pd.Categorical:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column
    code, own = pd.factorize(column)
    return pd.Categorical.from_codes(code, pd.Index(np.asarray(own, dtype=object), dtype=object))


def worded(words: npt.NDArray[np.object_], number: IntArray) -> pd.Categorical:
    """Return texts as numbers of words; none where it is -1."""
    code, own = pd.factorize(words)
    return pd.Categorical.from_codes(np.append(code, -1)[number], pd.Index(own, dtype=object))


def joined(columns: Sequence[pd.Series]) -> pd.Series:
    """Return columns one after the other; those held as numbers of words stay so."""
    if not all(isinstance(column.dtype, pd.CategoricalDtype) for column in columns):
        return pd.concat(columns, ignore_index=True)
    own = [column.cat.categories.to_numpy(dtype=object) for column in columns]
    number, words = pd.factorize(np.concatenate(own))
    first = np.cumsum([0, *map(len, own)])
    numbers = [
        np.append(number[low:high], -1)[column.cat.codes.to_numpy()]
        for column, low, high in zip(columns, first[:-1], first[1:], strict=True)
    ]
    return pd.Series(worded(words, np.concatenate(numbers)))


def rows_joined(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return tables of the same columns one after the other, as `joined` does."""
    columns = {name: joined([part[name] for part in parts]) for name in map(str, parts[0])}
    return pd.DataFrame(columns, copy=False)
