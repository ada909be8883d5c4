"""Turned: which way runs go, and the roles of edits given when their run went the other way.

Where a run begins hangs on its ends: a survey, or another CRS, may have it begin at the other one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyproj

from geotools.intake.crs import horizontal, project, set_out_in
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


def bearings(
    runs: RunSet,
    run: IntArray,
    start: FloatArray,
    end: FloatArray,
    crs: pyproj.CRS,
    written: pyproj.CRS,
) -> dict[str, FloatArray]:
    """Return the bearings in which chainage grows behind and ahead of pits, from grid north.

    Clockwise, 0 to below 360 degrees, over `EACH_WAY` of the run before the pit and past it, as
    its strings go in; where the run is no longer, over the last of it. The grid is that of the
    CRS written if things can be set out in it, else that of the runs.

    Parameters
    ----------
    runs : RunSet
    run : ndarray of int64, shape (n,)
    start, end : ndarray, shape (n,)
        Chainages between which the pits lie, m.
    crs, written : pyproj.CRS
        Of the runs, and of what is handed over.
    """
    length = runs.table["length"].to_numpy(dtype=float)[run]
    behind, beyond = np.maximum(start - EACH_WAY, 0.0), np.minimum(end + EACH_WAY, length)
    legs = {
        "behind_grid_deg": (behind, np.minimum(behind + EACH_WAY, length)),
        "ahead_grid_deg": (np.maximum(beyond - EACH_WAY, 0.0), beyond),
    }
    grid = _grid(runs, crs, written)
    return {
        name: _bearing(*(project(_on_runs(runs, run, at), crs, grid) for at in ends))
        for name, ends in legs.items()
    }


def _grid(runs: RunSet, crs: pyproj.CRS, written: pyproj.CRS) -> pyproj.CRS:
    """Return the CRS pits are set out in."""
    own = horizontal(written)
    xy = runs.chains.xy
    return own if len(xy) and own.is_projected and set_out_in(own, project(xy, crs, own)) else crs


def _bearing(back: FloatArray, on: FloatArray) -> FloatArray:
    """Return the bearing from one place to another, degrees from grid north."""
    bearing = np.degrees(np.arctan2(*(on - back).T))
    return np.asarray(np.mod(np.round(bearing, DIGITS), 360.0), dtype=np.float64)


def _around(runs: RunSet, run: IntArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the places on runs `EACH_WAY` before and after others, shape (n, 2)."""
    length = runs.table["length"].to_numpy(dtype=float)[run]
    before, after = np.maximum(at - EACH_WAY, 0.0), np.minimum(at + EACH_WAY, length)
    return _on_runs(runs, run, before), _on_runs(runs, run, after)


def _on_runs(runs: RunSet, run: IntArray, at: FloatArray) -> FloatArray:
    return points_along(runs.chains.xy, runs.chains.offsets, run, at)


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
