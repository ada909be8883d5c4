"""Which of two streets counts where a place may have either, told by what they are.

It may not hang on how streets are listed or drawn, nor on where north is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.network.ragged import FloatArray, IntArray

__all__ = ["first_of_two", "precedence"]

Column = Callable[[str], npt.NDArray[Any]]


def precedence(column: Column, line: IntArray) -> list[FloatArray]:
    """Return the keys by which streets come first, the weightiest key first.

    The wider one does, then the one of more lanes, the faster one, the first by class and by name,
    at last the one of both ways: its lanes keep to their half, so that a pit beside the kerb takes
    as many of them as of a one-way street, or more.

    Parameters
    ----------
    column : callable
        The columns of the streets by name, as of `StreetNet.column`.
    line : ndarray of int64
        Rows of the streets.
    """
    numbers = [-column(name)[line].astype(np.float64) for name in ("width", "lanes", "speed")]
    texts = [np.unique(column(name)[line], return_inverse=True)[1] for name in ("class", "name")]
    one_way = column("oneway")[line] != 0
    return [*numbers, *(key.astype(np.float64) for key in (*texts, one_way))]


def first_of_two(column: Column, one: IntArray, other: IntArray) -> FloatArray:
    """Return whether the first of pairs of streets comes first (1), the second (-1) or neither (0).

    Parameters as of `precedence`.
    """
    sign = np.zeros(len(one))
    for key in precedence(column, np.concatenate([one, other])):
        sign = np.where(sign == 0, np.sign(key[len(one) :] - key[: len(one)]), sign)
    return sign
