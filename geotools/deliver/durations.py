"""Durations written as on a clock, such as 6:30 for six minutes and a half."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.factors import HOUR, MINUTE

__all__ = ["Durations", "durations"]

# Hours, where they are written, minutes and seconds.
_CLOCK = r"^(?:([0-9]{1,2}):)?([0-9]{1,3}):([0-5][0-9](?:[.,][0-9]+)?)$"
# s; what no step of a joint takes that is told in minutes, or in seconds. Judgement.
_MOST = {"minutes": 4 * HOUR, "seconds": 3 * MINUTE}


@dataclass(frozen=True)
class Durations:
    """Cells written as on a clock, shape (n,): which they are, and s, NaN where it is in doubt."""

    clock: npt.NDArray[np.bool_]
    seconds: npt.NDArray[np.float64]


def durations(cells: npt.NDArray[np.object_], dimension: str | None, unit: str) -> Durations:
    """Return the durations of a column that are written as on a clock.

    ``6:30`` may be minutes and seconds or hours and minutes. All of a column are alike: they are
    minutes and seconds where the longest of them, read as hours and minutes, is longer than any
    step of a joint, and read as minutes and seconds is not.

    Parameters
    ----------
    cells : ndarray of str, shape (n,)
        Of one column.
    dimension : str or None
        What they measure; of others than minutes and seconds none is read.
    unit : str
        Suffix of the column; of hours none is read.
    """
    none = np.full(len(cells), np.nan)
    if dimension not in _MOST:
        return Durations(np.zeros(len(cells), dtype=bool), none)
    parts = pd.Series(cells, dtype="string[python]").str.extract(_CLOCK)
    parts[2] = parts[2].str.replace(",", ".")
    hours, minutes, rest = (
        pd.to_numeric(parts[k]).to_numpy(dtype=np.float64, na_value=np.nan) for k in range(3)
    )
    clock, full = ~np.isnan(rest), ~np.isnan(hours)
    seconds = np.nan_to_num(hours) * HOUR + minutes * MINUTE + rest
    if unit == "h":
        return Durations(clock, none)
    most = _MOST[dimension]
    sound = np.zeros(len(cells), dtype=bool)
    for rows, least in ((clock & full, 0.0), (clock & ~full, most / 60)):
        longest = float(np.max(seconds[rows], initial=-1.0))
        sound[rows] = least < longest <= most
    return Durations(clock, np.where(sound, seconds, np.nan))
