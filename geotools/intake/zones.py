"""Zones of time: at which hours, told in UTC, a day may begin at a place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from geotools.intake.crs import WGS84, project

__all__ = ["is_midnight_ahead", "longitudes"]

FloatArray = npt.NDArray[np.float64]
HOUR = 15.0  # degrees the earth turns in one, exact
# h, by which clocks are at most behind and ahead of the sun on the first of January: in the east of
# Siberia and in the west of China. Held to the time zone database by the tests.
BEHIND, AHEAD = 1.25, 3.0
MOST_AHEAD = 14.0  # h before Greenwich, when the first day begins anywhere
# Degrees; islands west of it (Tonga, Samoa) keep the date of the far side. The last day of December
# begins on the few that do not (American Samoa) when the first of January begins on those, and is
# taken for it: of two days laid that is the likelier, which records write for a year alone.
DATE_LINE = -168.0


def is_midnight_ahead(hours: FloatArray, longitude: FloatArray) -> npt.NDArray[np.bool_]:
    """Return at which times of day, in UTC, the next day of UTC may begin at a place.

    Parameters
    ----------
    hours : ndarray, shape (n,)
        Since midnight of UTC.
    longitude : ndarray, shape (n,)
        Degrees east of Greenwich; where not finite, no day begins.
    """
    sun = np.where(longitude < DATE_LINE, longitude + 360.0, longitude) / HOUR
    before = 24.0 - hours
    with np.errstate(invalid="ignore"):
        told: npt.NDArray[np.bool_] = (before >= sun - BEHIND) & (before <= sun + AHEAD)
    return told & (before > 0.0) & (before <= MOST_AHEAD)


def longitudes(
    geometry: npt.NDArray[np.object_], crs: pyproj.CRS, rows: npt.NDArray[np.int64]
) -> FloatArray:
    """Return the longitude of the middle of some geometries, degrees of -180 to 180; NaN if none.

    That of a main is the same whichever way it is drawn.
    """
    west, south, east, north = shapely.bounds(geometry[rows]).T
    middle = np.column_stack([(west + east) / 2, (south + north) / 2])
    found: FloatArray = (project(middle, crs, WGS84)[:, 0] + 180.0) % 360.0 - 180.0
    return found
