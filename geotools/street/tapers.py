"""Lengths of lane closures: tapers, buffer, downstream taper.

Manual on Uniform Traffic Control Devices, 11th edition, Part 6, tables 6B-2 to 6B-4. Planning
values: the traffic control plan of a licensed practice and the local code decide.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.intake.limits import limit
from geotools.pipe.factors import FOOT, MPH
from geotools.pipe.ranges import FloatArray, check_range

__all__ = [
    "DOWNSTREAM_TAPER_M",
    "buffer_length_m",
    "merging_taper_m",
    "sight_distance_ft",
]

DOWNSTREAM_TAPER_M = 50 * FOOT  # 50 to 100 ft a lane: the least
# What the reader takes for a street is good for the formulas: m/s and m.
_FASTEST, _WIDEST = limit("speed").high, limit("width").high
# Stopping sight distance by speed: table 6B-2, mph and ft.
_MPH = np.array([20.0, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75])
_SIGHT_FT = np.array([115.0, 155, 200, 250, 305, 360, 425, 495, 570, 645, 730, 820])


def merging_taper_m(width_m: npt.ArrayLike, speed_m_per_s: npt.ArrayLike) -> FloatArray:
    """Length of a merging taper, m.

    Parameters
    ----------
    width_m : array_like
        Width of the offset, usually the lanes closed, m; 0 to 200, as wide as streets are read.
    speed_m_per_s : array_like
        Speed limit, or the off-peak 85th percentile speed, m/s; 0 to 40. All broadcast.

    Returns
    -------
    ndarray of float

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    L = W S^2 / 60 up to 40 mph, L = W S from 45 mph (ft, mph): MUTCD 11th ed. table 6B-4. The
    table leaves 41 to 44 mph open: the speed is rounded up to 45.
    """
    width = check_range("width_m", width_m, 0.0, _WIDEST, "m") / FOOT
    speed = check_range("speed_m_per_s", speed_m_per_s, 0.0, _FASTEST, "m/s") / MPH
    fast = speed > 40.0 + 1e-9
    length = np.where(fast, width * np.maximum(speed, 45.0), width * speed**2 / 60.0)
    return np.asarray(length * FOOT, dtype=np.float64)


def buffer_length_m(speed_m_per_s: npt.ArrayLike) -> FloatArray:
    """Length of the longitudinal buffer: the stopping sight distance, m.

    Parameters
    ----------
    speed_m_per_s : array_like
        m/s, 0 to 40. Speeds between two rows of the table take the higher row, slower ones the
        first; faster ones go on in rows of 5 mph by the formula.

    Returns
    -------
    ndarray of float

    Raises
    ------
    RangeError
        If a speed lies outside its range.

    Notes
    -----
    MUTCD 11th ed. table 6B-2, 20 to 75 mph. Beyond it the stopping sight distance the table is
    made by, 1.47 V t + 1.075 V^2 / a rounded up to 5 ft (V in mph, reaction t 2.5 s,
    deceleration a 11.2 ft/s^2; as printed in a state manual), which gives all twelve rows.
    """
    speed = check_range("speed_m_per_s", speed_m_per_s, 0.0, _FASTEST, "m/s") / MPH
    row = np.minimum(np.searchsorted(_MPH, speed - 1e-9), len(_MPH) - 1)
    faster = sight_distance_ft(np.ceil(speed / 5 - 1e-9) * 5)
    sight = np.where(speed > _MPH[-1] + 1e-9, faster, _SIGHT_FT[row])
    return np.asarray(sight * FOOT, dtype=np.float64)


def sight_distance_ft(speed_mph: FloatArray) -> FloatArray:
    """Return the stopping sight distance, ft, rounded up to 5 ft; see `buffer_length_m`."""
    distance = 1.47 * speed_mph * 2.5 + 1.075 * speed_mph**2 / 11.2
    return np.asarray(np.ceil(distance / 5 - 1e-9) * 5, dtype=np.float64)
