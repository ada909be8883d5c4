"""How deep the host's invert lies at places along the runs, and what that rests on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.ground.profile import SOURCES
from geotools.network.places import Between, Places
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["depth_sources", "inverts_at", "levels_at"]

AT_STATION = 1e-9  # share of the way to the next station; nearer is at the station


def inverts_at(
    stations: pd.DataFrame, run: IntArray, at: FloatArray, runs: int
) -> tuple[FloatArray, npt.NDArray[np.object_]]:
    """Return from the ground to the invert at places of so many runs, m, and the source of that.

    Straight between stations: ``run``, ``chainage``, ``depth`` (m), ``depth_source``.
    """
    spot = _between(stations, run, at, runs)
    return spot.of(stations["depth"].to_numpy(dtype=float)), _sources(stations, spot)


def depth_sources(
    stations: pd.DataFrame, run: IntArray, at: FloatArray, runs: int
) -> npt.NDArray[np.object_]:
    """Return what the depth at places rests on: between two stations the weaker of the two."""
    return _sources(stations, _between(stations, run, at, runs))


def levels_at(
    stations: pd.DataFrame, run: IntArray, at: FloatArray, runs: int
) -> dict[str, FloatArray]:
    """Return the levels of ground and host axis at places, m: straight between stations."""
    spot = _between(stations, run, at, runs)
    return {name: spot.of(stations[name].to_numpy(dtype=float)) for name in ("ground_z", "axis_z")}


def _between(stations: pd.DataFrame, run: IntArray, at: FloatArray, runs: int) -> Between:
    rows = stations["run"].to_numpy(dtype=np.int64)
    return Places.of(rows, stations["chainage"].to_numpy(dtype=float), runs).between(run, at)


def _sources(stations: pd.DataFrame, spot: Between) -> npt.NDArray[np.object_]:
    rank = {name: k for k, name in enumerate(SOURCES)}
    source = stations["depth_source"].map(rank).to_numpy(dtype=np.int64)
    first = np.where(spot.share < 1 - AT_STATION, source[spot.first], 0)
    second = np.where(spot.share > AT_STATION, source[spot.second], 0)
    words: npt.NDArray[np.object_] = np.array(SOURCES, dtype=object)
    return words[np.maximum(first, second)]
