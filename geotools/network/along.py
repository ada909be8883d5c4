"""Points brought onto runs: which run, at what chainage, how far off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.ragged import FloatArray, IntArray, offsets_of, to_linestrings

__all__ = ["Axes", "locate_on_runs", "runs_within"]

STEPS = 8  # steps of an axis indexed as one; a box around a whole run would be near everything


@dataclass(frozen=True)
class Axes:
    """Polylines indexed stretch by stretch.

    Attributes
    ----------
    lines : ndarray of LineString, shape (n,)
        The polylines, whole.
    stretches : ndarray of LineString, shape (s,)
        Their stretches, in order.
    line : ndarray of int64, shape (s,)
        Row of the line each stretch is of.
    tree : STRtree
        Of the stretches.
    """

    lines: npt.NDArray[np.object_]
    stretches: npt.NDArray[np.object_]
    line: IntArray
    tree: shapely.STRtree

    @classmethod
    def of(cls, xy: FloatArray, offsets: IntArray) -> Axes:
        """Index lines of two or more vertices."""
        parts = np.ceil((np.diff(offsets) - 1) / STEPS).astype(np.int64)
        line = np.repeat(np.arange(len(parts)), parts)
        first = offsets[line] + STEPS * (np.arange(len(line)) - offsets_of(parts)[line])
        bounds = offsets_of(np.minimum(offsets[line + 1] - first, STEPS + 1))
        vertex = np.repeat(first - bounds[:-1], np.diff(bounds)) + np.arange(bounds[-1])
        stretches = to_linestrings(xy[vertex], bounds)
        return cls(to_linestrings(xy, offsets), stretches, line, shapely.STRtree(stretches))

    def __len__(self) -> int:
        return len(self.lines)

    def nearest(
        self, at: npt.NDArray[np.object_], reach: float
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Return the nearest lines of points within reach, m: point, line, distance (m).

        Lines equally near have a row each.
        """
        (point, stretch), offset = self.tree.query_nearest(
            at, max_distance=reach, return_distance=True, all_matches=True
        )
        return self._once(point, stretch, offset)

    def within(
        self, at: npt.NDArray[np.object_], reach: float
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Return all lines within reach of points, m, as `nearest` does."""
        point, stretch = self.tree.query(at, predicate="dwithin", distance=reach)
        point, line, _ = self._once(point, stretch, np.zeros(len(point)))
        return point, line, shapely.distance(self.lines[line], at[point])

    def _once(
        self, point: IntArray, stretch: IntArray, offset: FloatArray
    ) -> tuple[IntArray, IntArray, FloatArray]:
        """Put lines for their stretches, each once for every point."""
        key = point * len(self.lines) + self.line[stretch]
        _, row = np.unique(key, return_index=True)
        return point[row], self.line[stretch[row]], offset[row]


def locate_on_runs(
    points: FloatArray, runs: Axes, others: Axes, *, reach: float, slack: float
) -> pd.DataFrame:
    """Find the run each point lies on, if any.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    runs, others : Axes
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
    at = shapely.points(points)
    point, run, offset = runs.nearest(at, reach)
    near = np.unique(point)  # only of these does it matter what else is near
    found, _, gap = others.nearest(at[near], reach)
    other = np.full(len(points), np.inf)
    other[near[found]] = gap
    keep = offset <= other[point] + slack
    table = _table(runs, at, point[keep], run[keep], offset[keep])
    return table.sort_values(["run", "chainage", "point"], kind="stable").reset_index(drop=True)


def runs_within(points: FloatArray, runs: Axes, *, reach: float) -> pd.DataFrame:
    """Find every run within reach of each point; columns as `locate_on_runs`, nearest first."""
    at = shapely.points(points)
    table = _table(runs, at, *runs.within(at, reach))
    return table.sort_values(["point", "offset", "run"], kind="stable").reset_index(drop=True)


def _table(
    runs: Axes, at: npt.NDArray[np.object_], point: IntArray, run: IntArray, offset: FloatArray
) -> pd.DataFrame:
    along = shapely.line_locate_point(runs.lines[run], at[point])
    return pd.DataFrame({"point": point, "run": run, "chainage": along, "offset": offset})
