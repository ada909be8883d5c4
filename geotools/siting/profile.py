"""Depth, cover, ground and pipe levels along the runs, looked up at any chainage."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import pandas as pd

from geotools.ground.filled import filled_along
from geotools.network.places import Between, Places
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["STEP", "Profile", "steepest"]

LOOKED_UP = 50_000  # places at a time: a dozen columns of them are made on the way
COLUMNS = ("depth", "cover", "ground_z", "axis_z")
STEP = 1e-6  # m; stations nearer to each other are at one place: no slope can be taken there


class Profile:
    """Columns of the stations, linear between them, beyond the ends of a run the end's.

    Ground not known at a station is filled in from what is known along its run: what lies in a hole
    of the elevation raster is as steep as its rims say, and not level.
    """

    def __init__(self, stations: pd.DataFrame, runs: int) -> None:
        rows = stations["run"].to_numpy(dtype=np.int64)
        self._places = Places.of(rows, stations["chainage"].to_numpy(dtype=float), runs)
        self._columns = {name: stations[name].to_numpy(dtype=float) for name in COLUMNS}
        ground = self._columns["ground_z"]
        self._columns["ground_z"] = filled_along(rows, self._places.at, ground)

    def column(self, name: str) -> FloatArray:
        """Return a column of the stations, m, in the order of their runs and chainages."""
        return self._columns[name]

    @property
    def chainage(self) -> FloatArray:
        """The chainage of every station, m."""
        return self._places.at

    @property
    def offsets(self) -> IntArray:
        """The stations of each run, shape (runs + 1,)."""
        return self._places.offsets

    @cached_property
    def steps(self) -> FloatArray:
        """Slope of the ground from every station to the next, rise or fall over run.

        None where they are at one place, on runs without a level known, and to another run.
        """
        span = np.diff(self.chainage, append=np.inf)
        rise = np.abs(np.diff(self._columns["ground_z"], append=np.nan))
        return np.nan_to_num(np.where(span > STEP, rise / np.maximum(span, STEP), 0.0))

    def between(self, run: IntArray, at: FloatArray) -> Between:
        """Return the stations each chainage (m) lies between, shape as that of ``run``."""
        return self._places.between(run, at)

    def of(self, column: str, between: Between) -> FloatArray:
        """Return one of `COLUMNS`, m; NaN where a station has none."""
        return between.of(self._columns[column])

    def table(self, columns: Sequence[str], run: IntArray, at: FloatArray) -> list[FloatArray]:
        """Return columns at chainages of shape (n, k), each row on a run, shape (n,)."""
        found = [np.empty(at.shape) for _ in columns]
        rows = max(LOOKED_UP // max(at.shape[1], 1), 1)
        for first in range(0, len(at), rows):
            part = slice(first, first + rows)
            places = at[part]
            between = self.between(np.repeat(run[part], at.shape[1]), places.ravel())
            for column, out in zip(columns, found, strict=True):
                out[part] = self.of(column, between).reshape(places.shape)
        return found


def steepest(*parts: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return the steepest of several stretches of the ground of a pit, rise over run.

    From edge to edge, and from the station to either edge: on a crest or in a trough the edges
    are level with each other.

    Parameters
    ----------
    parts : pair of ndarray
        Rise and length of a stretch, m; a rise that is not known counts as none.
    """
    slopes = [np.abs(np.nan_to_num(rise)) / np.maximum(run, STEP) for rise, run in parts]
    return np.asarray(np.max(slopes, axis=0), dtype=np.float64)
