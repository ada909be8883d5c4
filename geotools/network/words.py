"""Texts of many rows and few words: held as numbers of words, a text is a byte or two."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import IntArray

__all__ = ["in_words", "joined", "rows_in_order", "rows_joined", "worded"]

Column = npt.NDArray[Any] | pd.api.extensions.ExtensionArray


def in_words(table: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return a table with the texts of these columns, of those it has, as numbers of words."""
    texts = {name: table[name].astype(object) for name in names if name in table}
    return table.assign(**{name: pd.Categorical(column) for name, column in texts.items()})


def worded(words: npt.NDArray[np.object_], number: IntArray) -> pd.Categorical:
    """Return texts as numbers of words; none where it is -1."""
    code, own = pd.factorize(words)
    return pd.Categorical.from_codes(np.append(code, -1)[number], pd.Index(own, dtype=object))


def joined(columns: Sequence[pd.Series]) -> Column:
    """Return columns one after the other; those held as numbers of words stay so."""
    kinds = [column.dtype for column in columns]
    if isinstance(kinds[0], np.dtype) and all(kind == kinds[0] for kind in kinds):
        return np.concatenate([column.to_numpy() for column in columns])
    if not all(isinstance(kind, pd.CategoricalDtype) for kind in kinds):
        return pd.concat(columns, ignore_index=True).array
    own = [column.cat.categories.to_numpy(dtype=object) for column in columns]
    number, words = pd.factorize(np.concatenate(own))
    first = np.cumsum([0, *map(len, own)])
    numbers = [
        np.append(number[low:high], -1)[column.cat.codes.to_numpy()]
        for column, low, high in zip(columns, first[:-1], first[1:], strict=True)
    ]
    return worded(words, np.concatenate(numbers))


def rows_joined(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return tables of the same columns one after the other, as `joined` does."""
    columns = {name: joined([part[name] for part in parts]) for name in map(str, parts[0])}
    return pd.DataFrame(columns, copy=False)


def rows_in_order(parts: Sequence[pd.DataFrame], order: IntArray) -> pd.DataFrame:
    """Return the rows of tables of the same columns, one after the other, in an order.

    Column by column; what is left of the tables may go meanwhile, if nobody else holds it.
    """
    held = [dict(part.items()) for part in parts]
    columns = {name: joined([own.pop(name) for own in held])[order] for name in list(held[0])}
    return pd.DataFrame(columns, copy=False)
