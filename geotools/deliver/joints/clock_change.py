"""Nights in which clocks may be changed, and times without a zone in them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.deliver.joints.records import Records
from geotools.network.ragged import BoolArray

__all__ = ["clock_notes", "in_night_of_change"]

# Sundays on which clocks are changed, by month: the last (-1), or the first, second. Rules in
# force in 2025, from memory: Europe; North America; Australia and New Zealand.
_SUNDAYS = {3: (2, -1), 10: (1, -1), 11: (1,), 4: (1,), 9: (-1,)}
# Clocks are changed between 0 and 4 o'clock wherever they are by these rules.
_UNTIL = 4
_SUNDAY = 6
_WEEK = 7
_FILES = {"joints": ("made",), "pulls": ("started", "ended")}


def in_night_of_change(times: npt.NDArray[np.datetime64]) -> BoolArray:
    """Tell which times of a clock on site lie in a night in which clocks may be changed.

    Parameters
    ----------
    times : ndarray of datetime64
        As the clock showed them; none where not-a-time.
    """
    when = pd.DatetimeIndex(times)
    nth = (when.day - 1) // _WEEK + 1
    last = when.day + _WEEK > when.days_in_month
    out = np.zeros(len(when), dtype=bool)
    for month, which in _SUNDAYS.items():
        meant = np.isin(nth, [n for n in which if n > 0]) | (last & (-1 in which))
        out |= np.asarray((when.month == month) & meant)
    return np.asarray(out & (when.day_of_week == _SUNDAY) & (when.hour < _UNTIL))


def clock_notes(records: Records, pulls: Records | None) -> tuple[str, ...]:
    """Say which times without a zone lie where an hour of the clock is there twice, or never.

    Nobody can tell then how much time was between two of them, nor which came first.
    """
    notes = []
    for (kind, names), file in zip(_FILES.items(), (records, pulls), strict=True):
        if file is None or file.zoned is not False:
            continue
        table = file.table
        for name in names:
            early, late = (table[f"{name}_{end}"].to_numpy() for end in ("from", "to"))
            rows = np.flatnonzero((early == late) & in_night_of_change(early))
            if len(rows):
                k = rows[0]
                notes.append(
                    f"{len(rows):,} time(s) of {kind} without a zone in a night when clocks may "
                    f"be changed, such as {table[name].iloc[k]} (line {file.lines[k]}): not "
                    "checked whether an hour lies between them that the clock does not show, or "
                    "shows twice; write such times with their zone, such as +02:00"
                )
    return tuple(notes)
