"""Near places: points, and lines, that lie within a distance of points.

Points are entered by the square cell they lie in, in as many buckets as there are points or more;
what looks for them goes through the cells around it. Two cells may share a bucket: what is found
there is measured, so that nothing far counts, and told once.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from geotools.accel import columns_of, read_only, run_kernel, worth_compiling
from geotools.links import components
from geotools.network.ragged import FloatArray, IntArray, firsts, offsets_of, row_of, spread_out

__all__ = [
    "clusters",
    "holding_links",
    "lines_near",
    "near_places",
    "passing_pays",
    "segments_near",
]

CELLS = 2.0**30  # along the longer side at most: numbers of cells stay exact
WHOLE = 0.7  # of a distance: two points in a square cell of that side are no farther apart
LEAST_CELL = 1.0  # m; a cell mostly lies whole within one, then, and one bucket is looked into
LONGEST = 4.0  # cells; a longer segment is gone along part by part, not by the box around it
MARGIN = 1e-6  # m; more than rounding of coordinates, and what is so little too far is measured
ENOUGH = 1000  # segments that tell how long the shorter ones are
PARTS = (
    16.0  # cells along a segment of mean length at most, lest one to the null of the map is many
)
EAST, NORTH = 1_640_531_527, 2_971_215_073  # odd, so that neighbouring cells get other buckets
TREE_AHEAD = 20  # steps of going along lines, interpreted, in the time a tree is asked
EXPECTED = 1.5  # finds for each point; more take a second look


def clusters(points: FloatArray, distance: float, links: IntArray) -> IntArray:
    """Return the cluster of each point: held together by nearness, and by links.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    distance : float
        Points no farther apart are of one cluster, m.
    links : ndarray of int64, shape (k, 2)
        Rows of points that are of one cluster wherever they lie.

    Returns
    -------
    ndarray of int64, shape (n,)
        Numbered from 0, in the order of their first points.
    """
    same, pairs = near_places(points, distance)
    first = same == np.arange(len(points))
    place = (np.cumsum(first) - 1)[same]
    of_place = components(place[np.concatenate([pairs, links])], int(first.sum()))
    return np.asarray(of_place[place], dtype=np.int64)


def near_places(points: FloatArray, distance: float) -> tuple[IntArray, IntArray]:
    """Return which points lie at the very same place, and which places are near each other.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    distance : float
        Above 0, m.

    Returns
    -------
    same : ndarray of int64, shape (n,)
        The first point at the place of each.
    pairs : ndarray of int64, shape (k, 2)
        First points of places no farther apart than the distance, the lower row first; sorted.
    """
    count = len(points)
    same = np.zeros(count, dtype=np.int64)
    if not count:
        return same, np.zeros((0, 2), dtype=np.int64)
    columns = columns_of(points)
    grid = _grid([columns], max(LEAST_CELL, 2.0 * distance))
    return same, _found(_meet, 8 * count, columns, grid, distance, same)


def holding_links(points: FloatArray, distance: float) -> IntArray:
    """Return links that hold together all points that nearness does, and no others.

    Fewer than there are points, where `near_places` gives as many as their square if they lie in
    a heap.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    distance : float
        Above 0, m.

    Returns
    -------
    ndarray of int64, shape (k, 2)
        Rows of two points at one place, or no farther apart than the distance.
    """
    if not len(points):
        return np.zeros((0, 2), dtype=np.int64)
    order = np.lexsort(points.T)
    again = np.append(False, (points[order[1:]] == points[order[:-1]]).all(axis=1))
    twins = np.stack([order[:-1], order[1:]], axis=1)[again[1:]]
    rows = order[~again]
    columns = columns_of(points[rows])
    grid = _grid([columns], WHOLE * distance)
    count = len(rows)
    state = np.arange(count, dtype=np.int64), np.zeros(1 << count.bit_length(), dtype=np.int64)
    whole = int(grid[-1] <= WHOLE * distance)
    pairs = _found(_hold, 25 * count, columns, grid, distance, whole, state)
    return np.concatenate([twins, rows[pairs]])


def lines_near(
    points: FloatArray, xy: FloatArray, offsets: IntArray, *, reach: float, ends: bool = False
) -> IntArray:
    """Return which lines may lie within reach of which points.

    None that does is left out, but without ``ends`` one that ends at the very place of a point
    and is near it there alone; one a trifle farther than the reach may be among them.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
    xy : ndarray, shape (v, 2)
        Vertices of the lines.
    offsets : ndarray of int64, shape (m + 1,)
    reach : float
        m
    ends : bool
        Whether lines count that do no more than end at the point.

    Returns
    -------
    ndarray of int64, shape (k, 2)
        Rows of points and of lines, each pair once, sorted.
    """
    pairs = segments_near(points, xy, offsets, reach=reach, ends=ends)
    pairs[:, 1] = row_of(offsets)[pairs[:, 1]]
    return pairs[firsts(*pairs.T)]


def segments_near(
    points: FloatArray, xy: FloatArray, offsets: IntArray, *, reach: float, ends: bool = False
) -> IntArray:
    """Return which segments of lines may lie within reach of which points; as `lines_near`.

    Returns
    -------
    ndarray of int64, shape (k, 2)
        Rows of points and of the vertices that segments start at, each pair once, sorted.
    """
    if not len(points) or len(offsets) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    columns, lines = columns_of(points), columns_of(xy)
    steps = np.maximum(*(np.abs(np.diff(column)) for column in lines))
    steps[offsets[1:-1] - 1] = 0.0  # from one line to the next
    grid = _grid([columns, lines], max(LEAST_CELL, 2.0 * reach, _usual(steps)))
    within = reach + MARGIN, ends
    parts = np.ceil(steps / (LONGEST * grid[-1])).astype(np.int64)
    if parts.max(initial=1) <= 1:
        inputs = grid, within, (*lines, read_only(offsets))
        return _found(_pass, _steps(points, xy), columns, *inputs)
    fine, fine_offsets, vertex = _divided(xy, offsets, parts)
    inputs = grid, within, (*columns_of(fine), read_only(fine_offsets))
    pairs = _found(_pass, _steps(points, fine), columns, *inputs)
    pairs[:, 1] = vertex[pairs[:, 1]]
    return pairs[firsts(*pairs.T)]


def passing_pays(points: FloatArray, xy: FloatArray) -> bool:
    """Return whether to look with `lines_near`, for what a tree of lines could be asked as well.

    Of few lines a tree is quicker than a kernel that is interpreted.
    """
    return worth_compiling(_pass, _steps(points, xy) / TREE_AHEAD)


def _steps(points: FloatArray, xy: FloatArray) -> int:
    return 6 * len(points) + 12 * len(xy)


def _usual(steps: FloatArray) -> float:
    """Return about how long segments are, so that few cells are gone through and each holds few.

    As long as the shorter ones, unless many are longer by far, or a few by so much that they
    would be in very many parts.
    """
    long = steps[steps > 0.0]
    if not len(long):
        return 0.0
    short, usual = np.quantile(long[:: len(long) // ENOUGH + 1], (0.25, 0.75)).tolist()
    return float(max(short, usual / 4.0, long.mean() / PARTS))


def _divided(
    xy: FloatArray, offsets: IntArray, parts: IntArray
) -> tuple[FloatArray, IntArray, IntArray]:
    """Put vertices into the segments from vertex to vertex that are to be in several parts.

    Returns them, the offsets of the lines, and the old vertex at or before each.
    """
    counts = np.append(np.maximum(parts, 1), 1)
    row, place = spread_out(counts)
    steps = np.diff(xy, axis=0, append=xy[-1:])
    moved = xy[row] + (place / counts[row])[:, None] * steps[row]
    return moved, offsets_of(counts)[np.append(offsets[:-1], len(xy))], row


def _grid(parts: list[tuple[FloatArray, ...]], side: float) -> tuple[float, float, float]:
    """Return the corner cells are counted from, m, and their side, m: at least the one wanted."""
    west, south = (min(float(part[k].min()) for part in parts) for k in (0, 1))
    east, north = (max(float(part[k].max()) for part in parts) for k in (0, 1))
    return west, south, max(side, max(east - west, north - south) / CELLS)


def _found(
    kernel: Callable[..., None], steps: int, points: tuple[FloatArray, ...], *inputs: Any
) -> IntArray:
    """Return the pairs a kernel finds, each once, sorted, shape (k, 2)."""
    count = len(points[0])
    size = 1 << count.bit_length()
    room = int(EXPECTED * count) + 16
    while True:
        buckets = np.full(size, -1, dtype=np.int64), np.zeros(count, dtype=np.int64)
        pairs = np.zeros(room, dtype=np.int64), np.zeros(room, dtype=np.int64)
        number = np.zeros(1, dtype=np.int64)
        run_kernel(kernel, steps, points, *inputs, (*buckets, size - 1), (*pairs, number))
        if number[0] <= room:
            break
        room = int(number[0])
    one, other = (side[: number[0]] for side in pairs)
    order = np.lexsort([other, one])
    one, other = one[order], other[order]
    fresh = firsts(one, other)
    return np.stack([one[fresh], other[fresh]], axis=1)


def _meet(points, grid, distance, same, buckets, found):  # type: ignore[no-untyped-def]  # a kernel
    """Enter points one by one, and write which of those before them they meet."""
    x, y = points
    west, south, side = grid
    last, before, mask = buckets
    one, other, number = found
    for i in range(len(x)):
        east, north = x[i] - west, y[i] - south
        own = (math.floor(east / side) * EAST ^ math.floor(north / side) * NORTH) & mask
        j = last[own]
        while j >= 0 and (x[j] != x[i] or y[j] != y[i]):
            j = before[j]
        if j >= 0:
            same[i] = j
            continue
        same[i] = i
        for column in range(
            math.floor((east - distance) / side), math.floor((east + distance) / side) + 1
        ):
            for row in range(
                math.floor((north - distance) / side), math.floor((north + distance) / side) + 1
            ):
                j = last[(column * EAST ^ row * NORTH) & mask]
                while j >= 0:
                    off_x, off_y = x[i] - x[j], y[i] - y[j]
                    if off_x * off_x + off_y * off_y <= distance * distance:
                        if number[0] < len(one):
                            one[number[0]] = j
                            other[number[0]] = i
                        number[0] += 1
                    j = before[j]
        before[i] = last[own]
        last[own] = i


def _hold(points, grid, distance, whole, state, buckets, found):  # type: ignore[no-untyped-def]  # a kernel
    """Enter points one by one, and write which they meet that nothing holds them to already.

    If ``whole``, all points of a cell meet: what meets one of them is held to all.
    """
    x, y = points
    west, south, side = grid
    group, mixed = state
    last, before, mask = buckets
    one, other, number = found
    for i in range(len(x)):
        east, north = x[i] - west, y[i] - south
        for column in range(
            math.floor((east - distance) / side), math.floor((east + distance) / side) + 1
        ):
            for row in range(
                math.floor((north - distance) / side), math.floor((north + distance) / side) + 1
            ):
                bucket = (column * EAST ^ row * NORTH) & mask
                j = last[bucket]
                at_once = whole == 1 and mixed[bucket] == 0
                if j >= 0 and at_once and _lead(group, i) == _lead(group, j):
                    continue
                while j >= 0:
                    off_x, off_y = x[i] - x[j], y[i] - y[j]
                    if off_x * off_x + off_y * off_y <= distance * distance:
                        a, b = _lead(group, i), _lead(group, j)
                        if a != b:
                            group[max(a, b)] = min(a, b)
                            if number[0] < len(one):
                                one[number[0]] = j
                                other[number[0]] = i
                            number[0] += 1
                        if at_once:
                            break
                    j = before[j]
        column, row = math.floor(east / side), math.floor(north / side)
        own = (column * EAST ^ row * NORTH) & mask
        j = last[own]
        if j >= 0 and (
            math.floor((x[j] - west) / side) != column or math.floor((y[j] - south) / side) != row
        ):
            mixed[own] = 1
        before[i] = j
        last[own] = i


def _lead(group: Any, i: Any) -> Any:
    """Return the first of the points held together with one; the way there is cut; a kernel."""
    while group[i] != i:
        group[i] = group[group[i]]
        i = group[i]
    return i


def _pass(points, grid, within, lines, buckets, found):  # type: ignore[no-untyped-def]  # a kernel
    """Enter points; then go along the lines and write where they pass which; see `lines_near`."""
    x, y = points
    west, south, side = grid
    reach, ends = within
    line_x, line_y, offsets = lines
    last, before, mask = buckets
    one, other, number = found
    for i in range(len(x)):
        column, row = math.floor((x[i] - west) / side), math.floor((y[i] - south) / side)
        own = (column * EAST ^ row * NORTH) & mask
        before[i] = last[own]
        last[own] = i
    for line in range(len(offsets) - 1):
        first, end = offsets[line], offsets[line + 1] - 1
        for v in range(first, end):
            dx, dy = line_x[v + 1] - line_x[v], line_y[v + 1] - line_y[v]
            square = max(dx * dx + dy * dy, 1e-24)
            low_x, high_x = min(dx, 0.0) - reach, max(dx, 0.0) + reach
            low_y, high_y = min(dy, 0.0) - reach, max(dy, 0.0) + reach
            at_x, at_y = line_x[v] - west, line_y[v] - south
            for column in range(
                math.floor((at_x + low_x) / side), math.floor((at_x + high_x) / side) + 1
            ):
                for row in range(
                    math.floor((at_y + low_y) / side), math.floor((at_y + high_y) / side) + 1
                ):
                    j = last[(column * EAST ^ row * NORTH) & mask]
                    while j >= 0:
                        rel_x, rel_y = x[j] - line_x[v], y[j] - line_y[v]
                        share = min(max((rel_x * dx + rel_y * dy) / square, 0.0), 1.0)
                        off_x, off_y = rel_x - share * dx, rel_y - share * dy
                        ends_here = not ends and (
                            (v == first and rel_x == 0.0 and rel_y == 0.0)
                            or (v + 1 == end and x[j] == line_x[v + 1] and y[j] == line_y[v + 1])
                        )
                        if not ends_here and off_x * off_x + off_y * off_y <= reach * reach:
                            if number[0] < len(one):
                                one[number[0]] = j
                                other[number[0]] = v
                            number[0] += 1
                        j = before[j]
