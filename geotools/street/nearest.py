"""The segments of streets nearest to places, of those that run roughly along the main there."""

from __future__ import annotations

import math

import numpy as np

from geotools.accel import COMPILE_ABOVE, read_only, run_kernel
from geotools.network.cells import Cells, cells_near_segments
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["StreetSegments", "nearest_segments"]

EXPECTED = 3  # segments equally near to a place; more take a second look
MANY = 50_000  # segments; an interpreter would make lists of them, of 15 MB and more, at each call


class StreetSegments:
    """Straight segments, looked up by place.

    Attributes
    ----------
    first, chain : ndarray of int64, shape (k,)
        First vertex of each segment among those of all chains, and its chain.
    start, end : ndarray, shape (k, 2)
    """

    def __init__(self, first: IntArray, chain: IntArray, xy: FloatArray) -> None:
        self.first, self.chain = first, chain
        self.start, self.end = xy[first], xy[first + 1]
        self._cells: dict[float, Cells] = {}

    def cells(self, reach: float) -> Cells:
        """Return the cells by which segments within reach, m, are found."""
        if reach not in self._cells:
            self._cells[reach] = cells_near_segments(self.start, self.end, reach=reach)
        return self._cells[reach]


def nearest_segments(
    segments: StreetSegments,
    xy: FloatArray,
    heading: FloatArray,
    *,
    reach: float | FloatArray,
    parallel: float,
    tie: float,
) -> tuple[IntArray, IntArray]:
    """Return every place with each of the segments nearest to it.

    Parameters
    ----------
    segments : StreetSegments
    xy, heading : ndarray, shape (n, 2)
        Places and unit vectors along the main there.
    reach : float or ndarray, shape (k,)
        Segments farther away do not count, m; for all of them, or for each.
    parallel : float
        Nor do those at a wider angle to the main, rad.
    tie : float
        Segments are equally near whose distances differ by no more, m.

    Returns
    -------
    place, segment : ndarray of int64, shape (k,)
        Rising by place; a place with no segment is left out.
    """
    far = np.broadcast_to(np.asarray(reach, dtype=np.float64), len(segments.first)).copy()
    farthest = float(far.max(initial=0.0))
    cells = segments.cells(farthest)
    first, count = cells.entries(xy)
    lines = [*segments.start.T, *(segments.end - segments.start).T, far]
    places = [*xy.T, *heading.T, first, count]
    inputs = tuple(map(read_only, lines)), tuple(map(read_only, places)), read_only(cells.member)
    limits = (farthest, float(np.cos(parallel)), tie)
    steps = 2.0 * count.sum() + (COMPILE_ABOVE if len(segments.first) > MANY else 0)
    number, width = np.zeros(len(xy), dtype=np.int64), EXPECTED
    gaps = np.zeros(int(count.max(initial=0)))
    while True:
        found = np.zeros(len(xy) * width, dtype=np.int64)
        run_kernel(_near, steps, *inputs, limits, width, gaps, number, found)
        if number.max(initial=0) <= width:
            break
        width = int(number.max())
    taken = np.arange(width) < number[:, None]
    return np.nonzero(taken)[0].astype(np.int64), found.reshape(-1, width)[taken]


def _near(lines, places, member, limits, width, gaps, number, found):  # type: ignore[no-untyped-def]  # a kernel
    """Write how many segments are nearest to each place, and the first ``width`` of them."""
    start_x, start_y, step_x, step_y, far = lines
    x, y, along_x, along_y, first, count = places
    reach, least_cosine, tie = limits
    for k in range(len(x)):
        least = reach
        number[k] = 0
        for entry in range(count[k]):
            s = member[first[k] + entry]
            size = (step_x[s] * step_x[s] + step_y[s] * step_y[s]) ** 0.5
            if size < 1e-12:
                size = 1e-12
            unit_x = step_x[s] / size
            unit_y = step_y[s] / size
            gaps[entry] = math.nan  # near to nothing
            if abs(along_x[k] * unit_x + along_y[k] * unit_y) < least_cosine:
                continue  # it crosses the main
            rel_x = x[k] - start_x[s]
            rel_y = y[k] - start_y[s]
            at = rel_x * unit_x + rel_y * unit_y
            if at < 0.0:
                at = 0.0
            elif at > size:
                at = size
            off_x = rel_x - unit_x * at
            off_y = rel_y - unit_y * at
            gap = (off_x * off_x + off_y * off_y) ** 0.5
            if gap <= far[s]:
                gaps[entry] = gap
                least = min(least, gap)
        for entry in range(count[k]):
            if gaps[entry] <= least + tie and gaps[entry] <= reach:
                if number[k] < width:
                    found[k * width + number[k]] = member[first[k] + entry]
                number[k] += 1
