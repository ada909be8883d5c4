"""Points brought onto runs: which run, at what chainage, how far off."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.measured import Polylines, Within
from geotools.network.ragged import FloatArray

__all__ = ["locate_on_runs", "runs_within"]


def locate_on_runs(
    points: FloatArray, runs: Polylines, others: Polylines, *, reach: float, slack: float
) -> pd.DataFrame:
    """Find the run each point lies on, if any.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    runs, others : Polylines
        The runs, and the mains that belong to none.
    reach : float
        A point farther from a run than this is not on it, m.
    slack : float
        A point is on a run unless another main is nearer by more than this, m.

    Returns
    -------
    DataFrame
        ``point`` (row), ``run``, ``chainage`` (m), ``offset`` (m); a point where two runs meet
        has a row for each.
    """
    found = runs.within(points, reach)
    nearest = found.gap == found.least(len(points))[found.point]
    point, run, offset = found.point[nearest], found.line[nearest], found.gap[nearest]
    near = np.unique(point)  # only of these does it matter what else is near
    other = np.full(len(points), np.inf)
    other[near] = others.within(points[near], reach).least(len(near))
    keep = offset <= other[point] + slack
    table = _table(runs, points, Within(point[keep], run[keep], offset[keep]))
    return table.sort_values(["run", "chainage", "point"], kind="stable").reset_index(drop=True)


def runs_within(points: FloatArray, runs: Polylines, *, reach: float) -> pd.DataFrame:
    """Find every run within reach of each point; columns as `locate_on_runs`, nearest first."""
    table = _table(runs, points, runs.within(points, reach))
    return table.sort_values(["point", "offset", "run"], kind="stable").reset_index(drop=True)


def _table(runs: Polylines, points: FloatArray, found: Within) -> pd.DataFrame:
    along = runs.locate(points, found.point, found.line)
    return pd.DataFrame(
        {"point": found.point, "run": found.line, "chainage": along, "offset": found.gap}
    )
