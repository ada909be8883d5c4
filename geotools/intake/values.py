"""Values of one column: text to numbers, flags and clean text, whatever type the file had."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.dates import DAY_ZERO, are_day_zero, with_years
from geotools.intake.signs import COMMA, PLAIN, REFUSED, Signs, parted
from geotools.intake.zones import is_midnight_ahead
from geotools.pipe.names import folded
from geotools.schema import NO, YES

__all__ = [
    "DECIMAL_COMMA",
    "NOTHING",
    "Longitudes",
    "Numbers",
    "days_zero",
    "flags",
    "is_number_column",
    "numbers",
    "texts",
    "words",
    "years",
]

# What files write where they mean "nothing here".
NOTHING = ("", "nan", "null", "none", "<null>", "<na>", "na", "n/a", "-", "nat")
# "1,5" and "12,75" can only be decimals; "1,200" might be a thousand (`signs.py`).
DECIMAL_COMMA = re.compile(r"[+-]?(?:\d+,(?:\d{1,2}|\d{4,})|0,\d+|\d{4,},\d+)")
_FLAGS = {folded(word): value for value, words in ((1.0, YES), (0.0, NO)) for word in words}
UTC_NAMES = ("UTC", "UTC+00:00", "tzutc()")
Longitudes = Callable[[npt.NDArray[np.int64]], npt.NDArray[np.float64]]  # degrees, of rows


@dataclass(frozen=True)
class Numbers:
    """A column as numbers: NaN where missing or unreadable.

    Attributes
    ----------
    values : ndarray of float64, shape (n,)
    unread : ndarray of bool
        There is something, but it is no number.
    how : ndarray of int8
        What point or comma was read as, of `signs`.
    """

    values: npt.NDArray[np.float64]
    unread: npt.NDArray[np.bool_]
    how: npt.NDArray[np.int8]


def texts(column: pd.Series[Any]) -> npt.NDArray[Any]:
    """Return a column as stripped text, "" where missing; whole numbers without a fraction."""
    if pd.api.types.is_float_dtype(column.dtype):
        return _number_texts(column.to_numpy(dtype=np.float64, na_value=np.nan))
    out: npt.NDArray[Any] = (
        column.astype("string").fillna("").str.strip().to_numpy(dtype=object, na_value="")
    )
    return out


def words(column: pd.Series[Any], *, composed: bool = True) -> npt.NDArray[Any]:
    """Return a column as text; "" also where a word stands for nothing, as n/a does.

    ``composed``: a letter and its mark are one sign, as text of other files mostly has them.
    """
    text = texts(column)
    if composed and not all(map(str.isascii, text)):
        text = pd.Series(text, dtype=object).str.normalize("NFC").to_numpy(dtype=object, copy=True)
    text[np.isin(_folded(text), NOTHING)] = ""
    return text


def _number_texts(values: npt.NDArray[np.float64]) -> npt.NDArray[Any]:
    out = np.full(len(values), "", dtype=object)
    known = np.flatnonzero(np.isfinite(values))
    shown = values[known]
    whole = (shown == np.floor(shown)) & (np.abs(shown) < 2**53)
    out[known[whole]] = shown[whole].astype(np.int64).astype(str)
    out[known[~whole]] = [repr(float(v)) for v in shown[~whole]]
    return out


def numbers(column: pd.Series[Any], signs: Signs | None = None) -> Numbers:
    """Return a column as numbers; text that writes a number is read as one.

    ``signs`` tells what point and comma do in text; by itself no value says so.
    """
    none = np.zeros(len(column), dtype=bool)
    how = np.full(len(column), PLAIN, dtype=np.int8)
    if is_number_column(column):
        return Numbers(column.to_numpy(dtype=np.float64, na_value=np.nan), none, how)
    signs = signs or Signs()
    text = texts(column)
    values = _parsed(text)
    twice, how = signs.read(text, np.full(len(text), signs.sense.factor))
    values = np.where(how == PLAIN, values, twice)
    open_ = np.isnan(values) & (how != REFUSED) & ~np.isin(_folded(text), NOTHING)
    rows = np.flatnonzero(open_)
    is_comma = np.array([DECIMAL_COMMA.fullmatch(t) is not None for t in text[rows]], dtype=bool)
    comma = rows[is_comma]
    values[comma] = [float(t.replace(",", ".")) for t in text[comma]]
    how[comma] = COMMA
    rest = rows[~is_comma]
    for row in rest:
        values[row], how[row] = parted(text[row])
    unread = how == REFUSED
    unread[rest] = np.isnan(values[rest])
    return Numbers(values, unread, how)


def is_number_column(column: pd.Series[Any]) -> bool:
    """Tell whether a column holds numbers by its type, whatever they are called."""
    dtype = column.dtype
    is_number = pd.api.types.is_numeric_dtype(dtype)
    return bool(is_number and not pd.api.types.is_complex_dtype(dtype))


def _parsed(text: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    parsed = pd.to_numeric(pd.Series(text, dtype=object), errors="coerce")
    return np.array(parsed, dtype=np.float64)


def years(column: pd.Series[Any], longitude: Longitudes, signs: Signs | None = None) -> Numbers:
    """Return a column as years; a date stands for its year.

    ``longitude`` is asked for the rows whose year hangs on the place; ``signs`` as of `numbers`.
    """
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return numbers(_years_on_site(column, longitude), signs)
    if is_number_column(column):
        return numbers(_without_days(column), signs)
    place, distinct = pd.factorize(texts(column))
    read = numbers(pd.Series(with_years(distinct), dtype=object), signs)
    return Numbers(read.values[place], read.unread[place], read.how[place])


def _without_days(column: pd.Series[Any]) -> pd.Series[Any]:
    """Return a column of numbers in which 19580615, a day in one, is its year."""
    value = column.to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(invalid="ignore"):
        year, month, day = value // 10_000, value // 100 % 100, value % 100
        dated = (year >= 1800) & (year < 2100) & (value == np.floor(value))
        dated &= (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    return pd.Series(np.where(dated, year, value), index=column.index) if dated.any() else column


def _years_on_site(column: pd.Series[Any], longitude: Longitudes) -> pd.Series[Any]:
    """Return the years of dates; a day begun east of Greenwich and told in UTC is the day meant.

    Formats that keep no zone turn midnight of the first of January, as it is there, into the
    evening before. No main is laid to the minute, least of all then; any other time of that day is
    what it says. Each is judged alone, so that a part of the mains reads as the whole does.
    """
    local: pd.Series[Any] = column.dt.year
    if str(getattr(column.dt, "tz", None)) not in UTC_NAMES:
        return local
    eve = (column.dt.month == 12) & (column.dt.day == 31)
    eve &= (column.dt.minute % 15 == 0) & (column.dt.second == 0)
    rows = np.flatnonzero(eve.to_numpy(dtype=bool))
    if not len(rows):
        return local
    hours = (column.dt.hour + column.dt.minute / 60).to_numpy(dtype=np.float64)[rows]
    later = np.zeros(len(column))
    later[rows] = is_midnight_ahead(hours, longitude(rows))
    meant: pd.Series[Any] = local + later
    return meant


def days_zero(column: pd.Series[Any]) -> npt.NDArray[np.bool_]:
    """Return which dates are the day from which tables count days, 30 December 1899.

    It is what is left of a date that is none. Told in UTC it may begin the evening before.
    """
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        first = 30 if column.dt.tz is None else 29
        zero = (column.dt.year == 1899) & (column.dt.month == 12)
        told: npt.NDArray[np.bool_] = (zero & column.dt.day.isin(range(first, 31))).to_numpy(bool)
        return told
    if is_number_column(column):
        return np.asarray(column.to_numpy(dtype=np.float64, na_value=np.nan) == DAY_ZERO)
    place, distinct = pd.factorize(texts(column))
    return np.asarray(are_day_zero(distinct)[place], dtype=bool)


def flags(column: pd.Series[Any], *, said: npt.NDArray[np.float64] | None = None) -> Numbers:
    """Return a column as 1 (yes), 0 (no) and NaN (missing).

    ``said`` is what words of a column of text mean in it that stand for something else elsewhere,
    NaN for all others.
    """
    if pd.api.types.is_numeric_dtype(column.dtype):
        found = numbers(column)
        odd = ~np.isnan(found.values) & ~np.isin(found.values, (0.0, 1.0))
        return Numbers(np.where(odd, np.nan, found.values), odd, found.how)
    text = _folded(texts(column))
    place, distinct = pd.factorize(text)
    values = np.array([_FLAGS.get(folded(str(word)), np.nan) for word in distinct])[place]
    if said is not None:
        values = np.where(np.isnan(said), values, said)
    unread = np.isnan(values) & ~np.isin(text, NOTHING)
    return Numbers(values, unread, np.full(len(column), PLAIN, dtype=np.int8))


def _folded(text: npt.NDArray[Any]) -> npt.NDArray[np.str_]:
    return np.strings.lower(text.astype(np.str_))
