"""Turned: which way runs go, and the roles of edits given when their run went the other way.

Where a run begins hangs on its ends: a survey, or another CRS, may have it begin at the other one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyproj

from geotools.network.build import RunSet
from geotools.network.places import points_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.schema import AHEAD, BEHIND, ROLES

__all__ = ["azimuths", "bearings", "roles_turned"]

EACH_WAY = 5.0  # m to either side of a place over which it is told which way the run goes
DIGITS = 1  # of azimuths, degrees; what is less hangs on how the main is drawn
_OTHER = {ROLES[AHEAD]: ROLES[BEHIND], ROLES[BEHIND]: ROLES[AHEAD]}


def azimuths(runs: RunSet, run: IntArray, at: FloatArray, crs: pyproj.CRS) -> FloatArray:
    """Return the azimuth in which chainage grows at places on runs, degrees from true north.

    Clockwise, 0 to below 360, over `EACH_WAY` to both sides as far as the run goes.

    Parameters
    ----------
    runs : RunSet
    run : ndarray of int64, shape (n,)
    at : ndarray, shape (n,)
        Chainage, m.
    crs : pyproj.CRS
        Of the runs.
    """
    geographic = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
    ends = [geographic.transform(*xy.T) for xy in _around(runs, run, at)]
    azimuth, _, _ = pyproj.Geod(ellps="WGS84").inv(*ends[0], *ends[1])
    return np.asarray(np.mod(np.round(azimuth, DIGITS), 360.0), dtype=np.float64)


def bearings(runs: RunSet, run: IntArray, at: FloatArray) -> FloatArray:
    """Return the same from grid north of the CRS of the runs; parameters as of `azimuths`."""
    back, on = _around(runs, run, at)
    bearing = np.degrees(np.arctan2(*(on - back).T))
    return np.asarray(np.mod(np.round(bearing, DIGITS), 360.0), dtype=np.float64)


def _around(runs: RunSet, run: IntArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the places on runs `EACH_WAY` before and after others, shape (n, 2)."""
    chains, length = runs.chains, runs.table["length"].to_numpy(dtype=float)[run]
    before, after = (
        points_along(chains.xy, chains.offsets, run, chainage)
        for chainage in (np.maximum(at - EACH_WAY, 0.0), np.minimum(at + EACH_WAY, length))
    )
    return before, after


def roles_turned(
    role: npt.NDArray[np.object_], then: FloatArray, now: FloatArray
) -> tuple[npt.NDArray[np.object_], BoolArray]:
    """Return roles as they are now that runs go the other way, and which of them have changed.

    Parameters
    ----------
    role : ndarray of str, shape (n,)
        One of the roles, or "".
    then, now : ndarray, shape (n,)
        Azimuths of the run ahead when the role was given, not-a-number where not known, and now,
        degrees.
    """
    with np.errstate(invalid="ignore"):
        turned = np.cos(np.radians(now - then)) < 0.0
    other = np.array([_OTHER.get(name, name) for name in role], dtype=object)
    changed = np.asarray(turned & (other != role), dtype=np.bool_)
    return np.where(changed, other, role).astype(object), changed
