"""Checks that an argument lies where a formula holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ChoiceError",
    "FloatArray",
    "Limits",
    "RangeError",
    "check_choice",
    "check_range",
    "within",
]

# An end of a range written in another unit may come back from SI a hair beyond it (100 F is
# 37.77777777777783 C): shares of the end, and of 1 where the end is 0, that still count as met.
_HAIR, _HAIR_AT_ZERO = 1e-9, 1e-12

FloatArray: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True)
class Limits:
    """A number that was refused and the range it left, all in one unit.

    Attributes
    ----------
    value, low, high : float
        Number and range; the range has no end where one is infinite.
    above_low : bool
        `low` itself is refused as well.
    """

    value: float
    low: float
    high: float
    above_low: bool


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
    limits : Limits or None
        The same as numbers; None where words were due.
    """

    def __init__(
        self, name: str, value: object, valid: str, note: str = "", limits: Limits | None = None
    ) -> None:
        self.name = name
        self.value = value
        self.valid = valid
        self.limits = limits
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
        The valid range, both ends included; a value a hair beyond one is taken as that end.
    unit : str
        Unit of value, low and high, for the message.
    above_low : bool, optional
        Refuse `low` itself as well.

    Returns
    -------
    ndarray of float
        `value`, any shape, within the range.

    Raises
    ------
    RangeError
        If any value lies outside; the first one and how many are named.
    """
    array = np.asarray(value, dtype=np.float64)
    bad = ~((array > low if above_low else array >= low) & (array <= high))
    if not bad.any():
        return array
    # low itself is refused where the range lies above it, so nothing below it can be its end
    least = low if above_low else low - _hair(low)
    bad &= ~((array > least) & (array <= high + _hair(high)))
    if not bad.any():
        return np.asarray(np.clip(array, low, high), dtype=np.float64)
    opening = "above" if above_low else "from"
    valid = f"{opening} {low:g} to {high:g} {unit}"
    where = np.flatnonzero(bad)
    first = float(array.flat[where[0]])
    note = f" ({where.size} of {array.size} values, the first at index {where[0]})"
    raise RangeError(
        name,
        f"{first:g} {unit}",
        valid,
        note if array.ndim else "",
        Limits(first, low, high, above_low),
    )


def _hair(end: float) -> float:
    return max(abs(end) * _HAIR, _HAIR_AT_ZERO) if np.isfinite(end) else 0.0


def within(value: ArrayLike, limit: ArrayLike) -> NDArray[np.bool_]:
    """Tell whether a value keeps a limit: every verdict of a formula is held by this.

    Parameters
    ----------
    value, limit : array_like
        In one unit; they broadcast. For a lower limit, give it as `value`.

    Returns
    -------
    ndarray of bool
        True up to the limit and 1e-9 of it beyond: what a textbook case meets to the last digit
        of its print misses by the rounding of sums otherwise. False for not-a-number.
    """
    most = np.asarray(limit, dtype=np.float64)
    slack = np.where(np.isfinite(most), np.abs(most) * _HAIR, 0.0)
    return np.asarray(np.asarray(value, dtype=np.float64) <= most + slack, dtype=np.bool_)


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
