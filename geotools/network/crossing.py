"""Which lines cross, and where: those that surely do not are told by their coordinates alone."""

from __future__ import annotations

import numpy as np
import shapely

from geotools.accel import in_threads, read_only, run_kernel
from geotools.network.ragged import FloatArray, IntArray, linestrings_at, to_linestrings

__all__ = ["crossing_pairs", "crossing_places"]

AT_ONCE = 100_000  # lines asked at once which others they may cross
STEPS_A_PAIR = 6  # segments of one line held against segments of the other, mostly
SURE = 1e-9  # of the product of lengths: far above what rounding does to it


def crossing_places(xy: FloatArray, offsets: IntArray) -> tuple[IntArray, FloatArray]:
    """Return every place where two lines cross: the pair of lines, (k, 2), and where, (k, 2).

    A pair that crosses several times is there as often; sorted by pair. Lines that meet at an end
    of both meet there too: the caller knows its nodes.
    """
    pairs = crossing_pairs(xy, offsets)
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    one, other = (linestrings_at(xy, offsets, side) for side in pairs.T)
    parts, row = shapely.get_parts(shapely.intersection(one, other), return_index=True)
    point = shapely.get_type_id(parts) == shapely.GeometryType.POINT
    return pairs[row[point]], shapely.get_coordinates(parts[point])


def crossing_pairs(xy: FloatArray, offsets: IntArray) -> IntArray:
    """Return the pairs of lines that cross, each once, the lower row first, shape (k, 2).

    Crossing as of OGC Simple Feature Access: inside to inside, in points.
    """
    lines = to_linestrings(xy, offsets)
    tree, found = shapely.STRtree(lines), [np.zeros((0, 2), dtype=np.int64)]
    for first in range(0, len(lines), AT_ONCE):  # all that touch are several times the lines
        one, other = tree.query(lines[first : first + AT_ONCE]).astype(np.int64)
        one += first
        # The tree could test them itself, but would test every pair twice.
        pairs = np.stack([one, other], axis=1)[one < other]
        found.append(pairs[_may_cross(xy, offsets, pairs)])
    doubtful = np.concatenate(found)
    sides = (linestrings_at(xy, offsets, side) for side in doubtful.T)
    return np.asarray(doubtful[in_threads(shapely.crosses, *sides)], dtype=np.int64)


def _may_cross(xy: FloatArray, offsets: IntArray, pairs: IntArray) -> IntArray:
    """Return the rows of the pairs of lines that may cross; few of them do not."""
    doubtful = np.zeros(len(pairs), dtype=np.int64)
    columns = [np.ascontiguousarray(column) for column in (*xy.T, *pairs.T)]
    run_kernel(
        _look,
        STEPS_A_PAIR * len(pairs),
        tuple(map(read_only, columns[:2])),
        read_only(offsets),
        tuple(map(read_only, columns[2:])),
        SURE,
        doubtful,
    )
    return np.flatnonzero(doubtful)


def _look(xy, offsets, pairs, sure, doubtful):  # type: ignore[no-untyped-def]  # a kernel
    """Write 1 for each pair of lines of which some segments neither keep apart nor meet at an end.

    An end of both lines is the bound of one at least unless both are closed: there they touch.
    """
    x, y = xy
    one, other = pairs
    for k in range(len(one)):
        a, a_last = offsets[one[k]], offsets[one[k] + 1] - 1
        b, b_last = offsets[other[k]], offsets[other[k] + 1] - 1
        closed = x[a] == x[a_last] and y[a] == y[a_last]
        if closed and x[b] == x[b_last] and y[b] == y[b_last]:
            doubtful[k] = 1
            continue
        for i in range(a, a_last):
            west, east = min(x[i], x[i + 1]), max(x[i], x[i + 1])
            south, north = min(y[i], y[i + 1]), max(y[i], y[i + 1])
            px, py = x[i + 1] - x[i], y[i + 1] - y[i]
            for j in range(b, b_last):
                if max(x[j], x[j + 1]) < west or min(x[j], x[j + 1]) > east:
                    continue
                if max(y[j], y[j + 1]) < south or min(y[j], y[j + 1]) > north:
                    continue
                qx, qy = x[j + 1] - x[j], y[j + 1] - y[j]
                rx, ry = x[j] - x[i], y[j] - y[i]
                # Which side of each segment the ends of the other lie on, and by how much.
                span = abs(px) + abs(py) + abs(qx) + abs(qy) + abs(rx) + abs(ry)
                margin = sure * span * span
                first = px * ry - py * rx
                second = first + px * qy - py * qx
                if min(first, second) > margin or max(first, second) < -margin:
                    continue
                third = qy * rx - qx * ry
                fourth = third + qx * py - qy * px
                if min(third, fourth) > margin or max(third, fourth) < -margin:
                    continue
                # They share an end of both lines, and nothing more as they do not lie in line.
                shared = False
                if i == a:
                    shared = (j == b and rx == 0.0 and ry == 0.0) or (
                        j + 1 == b_last and x[i] == x[j + 1] and y[i] == y[j + 1]
                    )
                if i + 1 == a_last and not shared:
                    shared = (j == b and x[i + 1] == x[j] and y[i + 1] == y[j]) or (
                        j + 1 == b_last and x[i + 1] == x[j + 1] and y[i + 1] == y[j + 1]
                    )
                if shared and abs(px * qy - py * qx) > margin:
                    continue
                doubtful[k] = 1
