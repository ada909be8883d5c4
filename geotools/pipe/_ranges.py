"""Checks that an argument lies where a formula holds."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ChoiceError", "FloatArray", "RangeError", "check_choice", "check_range"]

FloatArray: TypeAlias = NDArray[np.float64]


class RangeError(ValueError):
    """A value outside the range a formula or a table is valid for.

    Attributes
    ----------
    name : str
        The argument.
    value : object
        The first value refused.
    valid : str
        What would have been accepted, with its unit.
    """

    def __init__(self, name: str, value: object, valid: str, note: str = "") -> None:
        self.name = name
        self.value = value
        self.valid = valid
        super().__init__(f"{name} = {value} is outside its valid range: {valid}{note}")


class ChoiceError(RangeError):
    """A word that is not one of the accepted ones."""


def check_range(
    name: str,
    value: ArrayLike,
    low: float,
    high: float,
    unit: str,
    *,
    above_low: bool = False,
) -> FloatArray:
    """Give the value back as a float array, or say why it cannot be used.

    Parameters
    ----------
    name : str
        The argument, as the caller knows it.
    value : array_like
        Any shape. Not-a-number is always refused.
    low, high : float
        The valid range, both ends included.
    unit : str
        Unit of value, low and high, for the message.
    above_low : bool, optional
        Refuse `low` itself as well.

    Returns
    -------
    ndarray of float
        `value`, any shape.

    Raises
    ------
    RangeError
        If any value lies outside; the first one and how many are named.
    """
    array = np.asarray(value, dtype=np.float64)
    reaches_low = array > low if above_low else array >= low
    bad = ~(reaches_low & (array <= high))
    if not bad.any():
        return array
    opening = "above" if above_low else "from"
    valid = f"{opening} {low:g} to {high:g} {unit}"
    if array.ndim == 0:
        raise RangeError(name, f"{array[()]:g} {unit}", valid)
    where = np.flatnonzero(bad)
    note = f" ({where.size} of {array.size} values, the first at index {where[0]})"
    raise RangeError(name, f"{array.flat[where[0]]:g} {unit}", valid, note)


def check_choice(name: str, value: str, allowed: Iterable[str]) -> str:
    """Give the word back if it is one of those allowed.

    Parameters
    ----------
    name : str
        The argument, as the caller knows it.
    value : str
        The word given.
    allowed : iterable of str
        The words accepted.

    Returns
    -------
    str
        `value`.

    Raises
    ------
    ChoiceError
        If it is none of them.
    """
    words = list(allowed)
    if value not in words:
        raise ChoiceError(name, repr(value), "one of " + ", ".join(words))
    return value
