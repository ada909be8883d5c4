"""Texts of many rows and few words, and numbers of few values: held as numbers of these.

A text, or a number, then takes a byte or two.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.accel import give_back
from geotools.network.ragged import IntArray

__all__ = [
    "Texts",
    "by_word",
    "in_words",
    "joined",
    "numbered",
    "plain",
    "rows_in_order",
    "rows_joined",
    "worded",
]

T = TypeVar("T")
Texts = pd.Series | npt.NDArray[np.object_]
Column = npt.NDArray[Any] | pd.api.extensions.ExtensionArray

# As pandas holds texts. Before its third version these are objects: as "str" it would make a text,
# nan, of what is none.
_TEXT = pd.Series([""]).dtype
FEW = 0.1  # of the rows: numbers of more values take less as they are
WORTH_WHILE = 60_000_000  # bytes; fewer are not given back by themselves


def in_words(table: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return a table with these columns, of those it has, as numbers of words.

    Columns of numbers stay as they are where they have too many values.
    """
    return table.assign(**{name: _counted(table[name]) for name in names if name in table})


def _counted(column: pd.Series) -> pd.Series | pd.Categorical:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column
    code, own = pd.factorize(column)
    if not pd.api.types.is_numeric_dtype(column.dtype):
        return _coded(code, np.asarray(own, dtype=object))
    return column if len(own) > FEW * len(column) else _coded(code, np.asarray(own))


def _coded(code: IntArray, own: npt.NDArray[Any]) -> pd.Categorical:
    return pd.Categorical.from_codes(code, pd.Index(own, dtype=own.dtype))


def by_word(texts: Texts, of: Callable[[Any], T]) -> npt.NDArray[Any]:
    """Return what a function makes of texts; it is asked once for each word, None where none is."""
    number, words = numbered(texts)
    return np.array([*map(of, words), of(None)])[number]


def numbered(texts: Texts) -> tuple[IntArray, list[Any]]:
    """Return texts as numbers of words, and the words; -1 where there is none."""
    if isinstance(texts, pd.Series) and isinstance(texts.dtype, pd.CategoricalDtype):
        return texts.cat.codes.to_numpy().astype(np.int64), texts.cat.categories.tolist()
    number, words = pd.factorize(np.asarray(texts, dtype=object))
    return number.astype(np.int64), words.tolist()


def worded(words: npt.NDArray[Any], number: IntArray) -> pd.Categorical:
    """Return texts as numbers of words; none where it is -1."""
    code, own = pd.factorize(words)
    return _coded(np.append(code, -1)[number], own)


def plain(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with texts and numbers themselves where it holds numbers of words."""
    kinds = {}
    for name, column in table.select_dtypes("category").items():
        kind = column.cat.categories.dtype
        kinds[name] = _TEXT if kind == np.dtype(object) else kind
    return table.astype(kinds)


def joined(columns: Sequence[pd.Series]) -> Column:
    """Return columns one after the other; those held as numbers of words stay so."""
    kinds = [column.dtype for column in columns]
    if isinstance(kinds[0], np.dtype) and all(kind == kinds[0] for kind in kinds):
        return np.asarray(np.concatenate([column.to_numpy() for column in columns]))
    if not all(isinstance(kind, pd.CategoricalDtype) for kind in kinds):
        other: Column = pd.concat(columns, ignore_index=True).array
        return other
    own = [column.cat.categories.to_numpy() for column in columns]
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


def rows_in_order(parts: list[pd.DataFrame], order: IntArray | None) -> pd.DataFrame:
    """Return the rows of tables of the same columns, one after the other, or in another order.

    Column by column: the list is emptied, so that a column goes as soon as it is joined where
    nobody else holds the tables.
    """
    held = [{str(name): column for name, column in part.items()} for part in parts]
    parts.clear()
    columns: dict[str, Column] = {}
    freed = 0
    for name in list(held[0]):
        column = joined([own.pop(name) for own in held])
        columns[name] = column if order is None else column[order]
        freed += columns[name].nbytes
        if freed > WORTH_WHILE:  # what the tables held of a column is many small pieces
            give_back()
            freed = 0
    return pd.DataFrame(columns, copy=False)
