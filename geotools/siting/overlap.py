"""Ground that a ramp and the stretch opened beside it share at a bend: dug once, counted once.

The run opened and the ramps of a pit are dug each with its own sides; at a bend these meet. What
they share is the areas of the parts less that of their union, level by level from the bottom of
the pit to the ground, added up by Simpson's rule. The ground counts as level there.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

from geotools.accel import in_threads
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents
from geotools.siting.grounds import boxes, opened_ground
from geotools.siting.ramps import Ramps, ramp_depths

__all__ = ["shared_volumes"]

Polygons = npt.NDArray[np.object_]
LEVELS = 33  # odd, for Simpson's rule; between upright sides what is shared has kinks
LEANING = 9  # of sides that lean
CUTS = 65  # places along a ramp where its bottom is looked for at a level
PLACES = 17  # places along the ramp's outline
TOGETHER = 5_000  # parts of pits at a level worked out at once


def shared_volumes(
    axis: Axis,
    run: IntArray,
    extents: Extents,
    begins: tuple[FloatArray, ...],
    depth: FloatArray,
    half_width: FloatArray,
    slope: FloatArray,
    ramps: Ramps,
    wanted: BoolArray,
) -> FloatArray:
    """Return what the parts of pits share, m3, shape (n, 4); 0 where it is not wanted.

    Parameters
    ----------
    axis, run, extents
        As for `lay_grounds`.
    begins : tuple of ndarray, shape (n, 4)
        Where the ramp ahead, and the one behind, begins to count, m from its foot; not-a-number
        where a role has none.
    depth : ndarray, shape (n, 4)
        Mean depth of the stretch opened, m.
    half_width, slope : ndarray, shape (n,)
        Half the width at the bottom, m, and lean of the sides.
    ramps : Ramps
    wanted : ndarray of bool, shape (n, 4)
    """
    out = np.zeros(depth.shape)
    row, role = np.nonzero(wanted)
    if not len(row):
        return out
    start, end = extents.deep_start[row, role], extents.deep_end[row, role]
    opened = opened_ground(axis, run[row], start, end, half_width[row])
    deep, lean = depth[row, role], slope[row]
    foot = _foot(row, role, begins, deep, ramps)

    def shared(heights: FloatArray) -> FloatArray:
        count = len(heights)
        rows, roles = np.tile(row, count), np.tile(role, count)
        deeps, leans = np.tile(deep, count), np.tile(lean, count)
        level = (foot + (deep - foot) * heights[:, None]).ravel()
        at = [
            _ramp_at(
                axis, run, extents, rows, roles, way, begin, deeps, level, half_width, leans, ramps
            )
            for way, begin in enumerate(begins)
        ]
        return _shared_area(np.tile(opened, count), leans * level, at).reshape(count, -1)

    levels = LEANING if lean.any() else LEVELS
    roots, weights = _simpson(levels)
    total = np.zeros(len(row))
    # A ramp is level at its foot: what is dug at a level grows as the root of the height above.
    parts = min(levels, -(-levels * len(row) // TOGETHER))
    for some in np.array_split(np.arange(levels), parts):
        areas = shared(np.array([root**2 for root in roots[some]]))
        for root, weight, area in zip(roots[some], weights[some], areas, strict=True):
            total += weight * 2 * root * area
    out[row, role] = np.maximum(total * (deep - foot) / (3 * (levels - 1)), 0.0)
    return out


def _simpson(count: int) -> tuple[FloatArray, FloatArray]:
    """Return so many places from 0 to 1, and their weights by Simpson's rule."""
    weights = np.where(np.arange(count) % 2, 4.0, 2.0)
    weights[[0, -1]] = 1.0
    return np.linspace(0.0, 1.0, count), weights


def _shared_area(opened: Polygons, spread: FloatArray, ramps: list[Polygons]) -> FloatArray:
    """Return the areas of the stretches and their ramps less those of their unions, m2."""
    if spread.any():
        opened = in_threads(partial(shapely.buffer, join_style="mitre"), opened, spread)
    parts = np.stack([opened, *ramps], axis=1)
    each = np.nan_to_num(shapely.area(parts))  # of no ramp it is no number
    whole = in_threads(partial(shapely.union_all, axis=1), parts)
    return np.asarray(each.sum(axis=1) - shapely.area(whole), dtype=np.float64)


def _foot(
    row: IntArray, role: IntArray, begins: tuple[FloatArray, ...], deep: FloatArray, ramps: Ramps
) -> FloatArray:
    """Return how far the lower ramp's foot lies above the bottom of its pit, m."""
    feet = []
    for way, begins_way in enumerate(begins):
        begin = begins_way[row, role]
        foot = np.full(len(row), np.inf)
        found = np.flatnonzero(np.isfinite(begin))
        dug = ramp_depths(ramps, row[found], way, begin[found, None])[:, 0]
        foot[found] = deep[found] - dug
        feet.append(foot)
    return np.asarray(np.clip(np.minimum(*feet), 0.0, deep), dtype=np.float64)


def _ramp_at(
    axis: Axis,
    run: IntArray,
    extents: Extents,
    row: IntArray,
    role: IntArray,
    way: int,
    begins: FloatArray,
    deep: FloatArray,
    level: FloatArray,
    half_width: FloatArray,
    lean: FloatArray,
    ramps: Ramps,
) -> Polygons:
    """Return the outline of each ramp at a level above the bottom of its pit; None where none."""
    out = np.full(len(row), None, dtype=object)
    begin, last = begins[row, role], ramps.length[row, way]
    found = np.flatnonzero(np.isfinite(begin) & (begin < last))
    if not len(found):
        return out
    begin, last = begin[found, None], last[found, None]
    rows, deep, level, lean = row[found], deep[found, None], level[found, None], lean[found, None]
    place = begin + (last - begin) * np.linspace(0.0, 1.0, CUTS)
    bottom = deep - ramp_depths(ramps, rows, way, place)
    # the ramp rises: it is dug at this level as far as its bottom lies below
    count = np.logical_and.accumulate(bottom <= level + 1e-9, axis=1).sum(axis=1)
    most = begin + (last - begin) * (np.maximum(count - 1, 0)[:, None] / (CUTS - 1))
    places = PLACES if lean.any() else 2
    along = begin + (most - begin) * np.linspace(0.0, 1.0, places)
    below = level - (deep - ramp_depths(ramps, rows, way, along))
    wide = half_width[rows, None] + lean * np.maximum(below, 0.0)
    runs, roles = run[rows], role[found]
    face = (extents.end if way == 0 else extents.start)[rows, roles]
    box = (extents.box_ahead if way == 0 else extents.box_behind)[rows, roles]
    heading = (-1.0 if way == 0 else 1.0) * axis.heading(runs, face, before=way == 1)
    room = (box - ramps.length[rows, way])[:, None]
    some = np.flatnonzero(count > 1)
    out[found[some]] = boxes(
        axis.position(runs, face)[some], heading[some], (room + along)[some], wide[some]
    )
    return out
