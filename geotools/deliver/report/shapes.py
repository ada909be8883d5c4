"""Geometry for the report: simplified to what a plot can show, in whole numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

__all__ = ["QUANTUM", "Floats", "Shapes", "bounds_of", "encode_lines", "encode_shapes", "thinned"]

# Size of one step of the coordinates in the page, m; a pit is drawn true to it.
QUANTUM = 0.1
# Stretches a chart before it is simplified, so that distance is measured upright only.
_STRETCH = 1e7
# By the number of the geometry type; what is not listed (missing, collections) is nothing.
_KINDS = {"POINT": 0, "MULTIPOINT": 0, "LINESTRING": 1, "LINEARRING": 1, "MULTILINESTRING": 1}
_KINDS |= {"POLYGON": 2, "MULTIPOLYGON": 2}
_AREA = _KINDS["POLYGON"]
Shapes = npt.NDArray[np.object_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def encode_shapes(
    shapes: Shapes, origin: Floats, *, tolerance: float
) -> dict[str, list[int] | list[list[list[int]]]]:
    """Return geometries as kinds and parts.

    Parameters
    ----------
    shapes : ndarray of geometries
        In metres, without Z; missing ones allowed.
    origin : ndarray, shape (2,)
        What the coordinates count from, m.
    tolerance : float
        How far a simplified line may lie from the true one, m.

    Returns
    -------
    dict
        ``kinds``: 0 points, 1 lines, 2 areas, -1 nothing, of each shape. ``parts``: of each
        shape its points, lines or rings, each as x, y of the first point and then steps, in
        units of `QUANTUM`.
    """
    kinds = _kinds(shapes)
    # a collection is shown by its area, or the line around it
    mixed = (kinds < 0) & ~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)
    if mixed.any():
        shapes = shapes.copy()
        shapes[mixed] = shapely.convex_hull(shapes[mixed])
        kinds = _kinds(shapes)
    pieces, owner = _pieces(shapely.simplify(shapes, tolerance), kinds)
    parts: list[list[list[int]]] = [[] for _ in shapes]
    for row, steps in zip(owner.tolist(), _steps(pieces, origin), strict=True):
        if steps:
            parts[row].append(steps)
    return {"kinds": kinds.tolist(), "parts": parts}


def _kinds(shapes: Shapes) -> Ints:
    """Return 0 for points, 1 for lines, 2 for areas, -1 for anything else."""
    # one place more than there are types: a missing geometry is of type -1
    table = np.full(len(shapely.GeometryType), -1, dtype=np.int64)
    for name, kind in _KINDS.items():
        table[shapely.GeometryType[name]] = kind
    found: Ints = table[shapely.get_type_id(shapes)]
    return found


def _pieces(shapes: Shapes, kinds: Ints) -> tuple[Shapes, Ints]:
    """Return points, lines and rings of all shapes, in their order, and whose they are."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    rings, ring_owner = shapely.get_rings(parts, return_index=True)
    area = kinds[owner] == _AREA
    pieces = np.concatenate([parts[~area], rings])
    owners = np.concatenate([owner[~area], owner[ring_owner]])
    order = np.argsort(owners, kind="stable")
    return pieces[order], owners[order]


def _steps(pieces: Shapes, origin: Floats) -> list[list[int]]:
    """Return each piece as whole numbers: its first point, then the steps from point to point."""
    xy, index = shapely.get_coordinates(pieces, return_index=True)
    counts = np.bincount(index, minlength=len(pieces))
    return _deltas((xy - origin) / QUANTUM, counts)


def _deltas(values: Floats, counts: Ints) -> list[list[int]]:
    """Return rows of pairs as steps; pairs that fall on the one before them are left out."""
    whole = np.rint(values).astype(np.int64)
    ends = np.cumsum(counts)
    first = np.zeros(len(whole), dtype=bool)
    first[(ends - counts)[counts > 0]] = True
    steps = np.diff(whole, axis=0, prepend=0)
    steps[first] = whole[first]
    keep = first | (steps != 0).any(axis=1)
    kept = np.concatenate([[0], np.cumsum(keep)])
    flat = steps[keep].ravel().tolist()
    return [flat[2 * a : 2 * b] for a, b in zip(kept[ends - counts], kept[ends], strict=True)]


def thinned(
    x: Floats, y: Floats, group: Ints, *, tolerance: Floats
) -> tuple[Floats, Floats, Ints, Ints]:
    """Return the points of charts that are needed to draw them.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points in order, group by group; where y is not a number the line is interrupted.
    group : ndarray of int, shape (n,)
        Which chart each belongs to, ascending.
    tolerance : ndarray, shape (n,)
        How far up or down the line may move, in the unit of y; the same within a group.

    Returns
    -------
    x, y, group, line : ndarray
        Points kept; ``line`` numbers the stretches between interruptions.
    """
    known = np.isfinite(y)
    if not known.any():
        empty = np.empty(0)
        return empty, empty, np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    fresh = np.diff(group, prepend=-1) != 0
    line = np.cumsum(fresh | ~known)[known]
    _, line, counts = np.unique(line, return_inverse=True, return_counts=True)
    enough = counts[line] > 1
    _, line = np.unique(line[enough], return_inverse=True)
    x, y, group = x[known][enough], y[known][enough], group[known][enough]
    scale = tolerance[known][enough]
    if not len(x):
        return x, y, group, line
    wide = shapely.linestrings(np.column_stack([x * _STRETCH, y / scale]), indices=line)
    xy, kept = shapely.get_coordinates(
        shapely.simplify(wide, 1.0, preserve_topology=False), return_index=True
    )
    starts = np.flatnonzero(np.diff(line, prepend=-1))
    return xy[:, 0] / _STRETCH, xy[:, 1] * scale[starts][kept], group[starts][kept], kept


def encode_lines(
    x: Floats, y: Floats, group: Ints, *, tolerance: Floats, steps: tuple[float, float]
) -> dict[int, list[list[int]]]:
    """Return chart lines by group, thinned, in whole steps of x and y as in `encode_shapes`."""
    x, y, group, line = thinned(x, y, group, tolerance=tolerance)
    out: dict[int, list[list[int]]] = {}
    if not len(x):
        return out
    counts = np.bincount(line)
    owners = group[np.cumsum(counts) - counts]
    coded = _deltas(np.column_stack([x / steps[0], y / steps[1]]), counts)
    for owner, points in zip(owners.tolist(), coded, strict=True):
        out.setdefault(owner, []).append(points)
    return out


def bounds_of(shapes: list[Shapes]) -> Any:
    """Return the box around all shapes; zeros where there are none."""
    boxes = np.concatenate([shapely.bounds(s) for s in shapes]) if shapes else np.empty((0, 4))
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return np.zeros(4)
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])
