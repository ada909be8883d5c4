"""Times on record: as instants, and as the clock on site showed them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import BoolArray

__all__ = ["EARLIEST", "Moments"]

# Common practice, no source: clocks that lost their time begin anew at 1970, 1980 or 2000, and
# what is held against a plan of this program was made after it.
EARLIEST = np.datetime64("2001-01-01", "s")
_SECOND = "datetime64[s]"


@dataclass(frozen=True)
class Moments:
    """Times on record, not-a-time where there is none.

    Two times are compared as instants. A date alone says nothing of its zone: it is a day of
    whoever wrote it, and is compared with the clock the other record was written by.

    Attributes
    ----------
    at : ndarray of datetime64, shape (n,)
        The instant, in UTC where a zone is written; the clock itself otherwise.
    ahead : ndarray of timedelta64, shape (n,)
        How far the clock was ahead of UTC; 0 without a zone.
    day : ndarray of bool, shape (n,)
        Whether only the date is written: `at` is then its first or last second.
    text : ndarray of str, shape (n,)
        As written.
    """

    at: npt.NDArray[np.datetime64]
    ahead: npt.NDArray[np.timedelta64]
    day: BoolArray
    text: npt.NDArray[np.object_]

    @classmethod
    def of(cls, table: pd.DataFrame, name: str, *, latest: bool = False) -> Moments:
        """Return a time of `joints.records`: the earliest it may be, or the latest."""
        early, late = (table[f"{name}_{n}"].to_numpy().astype(_SECOND) for n in ("from", "to"))
        ahead = table[f"{name}_ahead"].to_numpy().astype("timedelta64[s]")
        text = table[name].to_numpy(dtype=object)
        return cls(late if latest else early, ahead, early < late, text)

    @property
    def clock(self) -> npt.NDArray[np.datetime64]:
        """What the clock on site showed."""
        return self.at + self.ahead

    @property
    def known(self) -> BoolArray:
        """Where there is a time."""
        return ~np.isnat(self.at)

    @property
    def too_early(self) -> BoolArray:
        """Where there is a time that no work of this kind can bear."""
        return self.at < EARLIEST

    def said(self, row: int) -> str:
        """Return a time as written, for a text: ``at 2026-03-05 14:30``, ``on 2026-03-05``."""
        return f"{'on' if self.day[row] else 'at'} {self.text[row]}"

    def take(self, rows: npt.NDArray[np.int64]) -> Moments:
        """Return these rows; nothing where a row is below 0."""
        return Moments(
            _picked(self.at, rows, np.datetime64("NaT", "s")),
            _picked(self.ahead, rows, np.timedelta64(0, "s")),
            _picked(self.day, rows, False),
            _picked(self.text, rows, ""),
        )

    def after(self, seconds: npt.NDArray[np.float64]) -> Moments:
        """Return what is so much later; a date alone stays, for its time of day is not known."""
        more = np.where(self.day, 0.0, seconds).astype("timedelta64[s]")
        return Moments(self.at + more, self.ahead, self.day, self.text)

    def before(self, other: Moments) -> BoolArray:
        """Tell which times are before the other; none where one is not known."""
        by_clock = self.day | other.day
        return np.asarray(
            np.where(by_clock, self.clock, self.at) < np.where(by_clock, other.clock, other.at)
        )

    def or_else(self, own: BoolArray, other: Moments) -> Moments:
        """Return these times where ``own``, and the others elsewhere."""
        return Moments(
            np.where(own, self.at, other.at),
            np.where(own, self.ahead, other.ahead),
            np.where(own, self.day, other.day),
            np.where(own, self.text, other.text),
        )

    def one_each(
        self, keys: npt.NDArray[np.object_], wanted: npt.NDArray[np.object_], *, latest: bool
    ) -> Moments:
        """Return the first or the last time under every key wanted; nothing where there is none."""
        rows = np.flatnonzero(self.known)
        rows = rows[np.argsort(self.at[rows], kind="stable")]
        keep = ~pd.Series(keys[rows]).duplicated(keep="last" if latest else "first").to_numpy()
        rows = rows[keep]
        place = pd.Index(keys[rows]).get_indexer(pd.Index(wanted))
        return self.take(_picked(rows, place, -1))


def _picked(values: npt.NDArray[Any], rows: npt.NDArray[np.int64], none: Any) -> npt.NDArray[Any]:
    """Return values by row, and what stands for nothing where a row is below 0."""
    out = np.full(len(rows), none, dtype=values.dtype)
    own = rows >= 0
    out[own] = values[rows[own]]
    return out
