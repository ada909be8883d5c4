"""Points brought onto runs: which run, at what chainage, how far off."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.ragged import FloatArray, IntArray, to_linestrings

__all__ = ["locate_on_runs", "runs_within"]


def locate_on_runs(
    points: FloatArray,
    runs: tuple[FloatArray, IntArray],
    others: tuple[FloatArray, IntArray],
    *,
    reach: float,
    slack: float,
) -> pd.DataFrame:
    """Find the run each point lies on, if any.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    runs, others : tuple of (vertices, offsets)
        Axes of the runs, and the mains that belong to none.
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
    columns = {"point": int, "run": int, "chainage": float, "offset": float}
    axes = to_linestrings(*runs)
    if not len(points) or not len(axes):
        return pd.DataFrame({name: np.zeros(0, dtype=kind) for name, kind in columns.items()})
    at = shapely.points(points)
    index, offset = _nearest(axes, at, reach)
    other = np.full(len(points), np.inf)
    other_index, other_offset = _nearest(to_linestrings(*others), at, reach)
    other[other_index[0]] = other_offset
    keep = offset <= other[index[0]] + slack
    point, run = index[0][keep], index[1][keep]
    table = pd.DataFrame(
        {
            "point": point,
            "run": run,
            "chainage": shapely.line_locate_point(axes[run], at[point]),
            "offset": offset[keep],
        }
    )
    return table.sort_values(["run", "chainage", "point"], kind="stable").reset_index(drop=True)


def runs_within(
    points: FloatArray, runs: tuple[FloatArray, IntArray], *, reach: float
) -> pd.DataFrame:
    """Find every run within reach of each point; columns as `locate_on_runs`, nearest first."""
    axes = to_linestrings(*runs)
    at = shapely.points(points) if len(points) else np.zeros(0, dtype=object)
    point, run = (
        shapely.STRtree(axes).query(at, predicate="dwithin", distance=reach)
        if len(axes) and len(at)
        else np.zeros((2, 0), dtype=np.int64)
    )
    table = pd.DataFrame(
        {
            "point": point,
            "run": run,
            "chainage": shapely.line_locate_point(axes[run], at[point]),
            "offset": shapely.distance(axes[run], at[point]),
        }
    )
    return table.sort_values(["point", "offset", "run"], kind="stable").reset_index(drop=True)


def _nearest(
    lines: npt.NDArray[np.object_], at: npt.NDArray[np.object_], reach: float
) -> tuple[IntArray, FloatArray]:
    if not len(lines):
        return np.zeros((2, 0), dtype=np.int64), np.zeros(0)
    index, offset = shapely.STRtree(lines).query_nearest(
        at, max_distance=reach, return_distance=True, all_matches=True
    )
    return index, offset
