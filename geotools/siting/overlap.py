"""Ground that a ramp and the stretch opened beside it share at a bend: dug once, counted once.

The run opened and the ramps of a pit are dug each with its own sides; at a bend these meet. What
they share is the areas of the parts less that of their union, level by level from the bottom of
the pit to the ground, added up by Simpson's rule. The ground counts as level there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt
import shapely

from geotools.accel import in_parts, in_threads
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.siting.areas import areas_up_to
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents
from geotools.siting.grounds import boxes, opened_ground
from geotools.siting.ramps import Ramps, ramp_depths

__all__ = ["shared_volumes"]

Polygons = npt.NDArray[np.object_]
LEVELS = 33  # odd, for Simpson's rule; between upright sides what is shared has kinks
LEANING = 9  # of sides that lean
CUTS = 65  # places along a ramp where its bottom is looked for at a level
PLACES = 17  # places along the outline of a ramp whose sides lean
TOGETHER = 5_000  # shapes worked out at once
ROUNDING = 1e-9  # m, m2


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

    def volumes(levels: int, row: IntArray, role: IntArray) -> FloatArray:
        pits = _Pits(axis, run, extents, begins, depth, half_width, slope, ramps, row, role)
        roots, weights = _simpson(levels)
        # A ramp is level at its foot: what is dug at a level grows as the root of the height.
        level = pits.foot[:, None] + pits.height[:, None] * roots**2
        areas = _leaning(pits, level) if levels == LEANING else _upright(pits, level)
        total = (areas * (weights * 2 * roots)).sum(axis=1) / (3 * (levels - 1))
        return np.asarray(np.maximum(total * pits.height, 0.0), dtype=np.float64)

    for levels, of in ((LEVELS, slope == 0), (LEANING, slope != 0)):
        row, role = np.nonzero(wanted & of[:, None])
        if len(row):
            together = TOGETHER if levels == LEVELS else max(TOGETHER // levels, 1)
            out[row, role] = in_parts(partial(volumes, levels), together, row, role)
    return out


def _simpson(count: int) -> tuple[FloatArray, FloatArray]:
    """Return so many places from 0 to 1, and their weights by Simpson's rule."""
    weights = np.where(np.arange(count) % 2, 4.0, 2.0)
    weights[[0, -1]] = 1.0
    return np.linspace(0.0, 1.0, count), weights


@dataclass(frozen=True)
class _Pits:
    """Pits whose ramps meet what is opened: the parameters of `shared_volumes`, row and role."""

    axis: Axis
    run: IntArray
    extents: Extents
    begins: tuple[FloatArray, ...]
    depths: FloatArray
    half_widths: FloatArray
    slopes: FloatArray
    ramps: Ramps
    row: IntArray
    role: IntArray

    @property
    def depth(self) -> FloatArray:
        return self.depths[self.row, self.role]

    @property
    def half_width(self) -> FloatArray:
        return self.half_widths[self.row]

    @property
    def slope(self) -> FloatArray:
        return self.slopes[self.row]

    @property
    def height(self) -> FloatArray:
        """How high the ground lies above the lower ramp's foot, m."""
        return self.depth - self.foot

    @cached_property
    def opened(self) -> Polygons:
        """The stretch opened, at its bottom."""
        start, end = (
            edge[self.row, self.role] for edge in (self.extents.deep_start, self.extents.deep_end)
        )
        return opened_ground(self.axis, self.run[self.row], start, end, self.half_width)

    @cached_property
    def foot(self) -> FloatArray:
        """How far the lower ramp's foot lies above the bottom of its pit, m."""
        feet = []
        for way, begins in enumerate(self.begins):
            begin = begins[self.row, self.role]
            foot = np.full(len(self.row), np.inf)
            found = np.flatnonzero(np.isfinite(begin))
            dug = ramp_depths(self.ramps, self.row[found], way, begin[found, None])[:, 0]
            foot[found] = self.depth[found] - dug
            feet.append(foot)
        return np.asarray(np.clip(np.minimum(*feet), 0.0, self.depth), dtype=np.float64)

    def ramp(self, way: int) -> _Ramp:
        """Return the ramps ahead (0) or behind (1) of the pits that have one."""
        begin, last = self.begins[way][self.row, self.role], self.ramps.length[self.row, way]
        found = np.flatnonzero(np.isfinite(begin) & (begin < last))
        row, role = self.row[found], self.role[found]
        face = (self.extents.start if way else self.extents.end)[row, role]
        box = (self.extents.box_behind if way else self.extents.box_ahead)[row, role]
        sign = 1.0 if way else -1.0
        return _Ramp(
            found=found,
            face=self.axis.position(self.run[row], face),
            heading=sign * self.axis.heading(self.run[row], face, before=way == 1),
            room=box - self.ramps.length[row, way],
            begin=begin[found],
            last=last[found],
            half_width=self.half_width[found],
            height=lambda place: self.depth[found, None] - ramp_depths(self.ramps, row, way, place),
        )


@dataclass(frozen=True)
class _Ramp:
    """Ramps of some pits, ``found``; places are told from the foot, which lies ``room`` off."""

    found: IntArray
    face: FloatArray
    heading: FloatArray
    room: FloatArray
    begin: FloatArray
    last: FloatArray
    half_width: FloatArray
    height: Callable[[FloatArray], FloatArray]  # of the bottom at places, above that of the pit

    def dug(self, level: FloatArray) -> FloatArray:
        """Return how far from the foot each is dug at levels, shape (k, levels); rising ramps."""
        share = np.linspace(0.0, 1.0, CUTS)
        begin, span = self.begin[:, None], (self.last - self.begin)[:, None]
        bottom = np.maximum.accumulate(self.height(begin + span * share), axis=1)
        count = [(bottom <= one[:, None] + ROUNDING).sum(axis=1) for one in level.T]
        dug = np.maximum(np.stack(count, axis=1) - 1, 0) / (CUTS - 1)
        return np.asarray(begin + span * dug, dtype=np.float64)

    def drawn(self, along: FloatArray, half_width: FloatArray) -> Polygons:
        """Return their outlines, so wide at places."""
        return boxes(self.face, self.heading, self.room[:, None] + along, half_width)


def _upright(pits: _Pits, level: FloatArray) -> FloatArray:
    """Return what parts with upright sides share at levels, m2, shape (k, levels).

    A ramp at a level is the whole one up to where it is dug: what of it is shared is cut out once.
    """
    out = np.zeros(level.shape)
    whole: list[Polygons] = []
    for ramp in map(pits.ramp, (0, 1)):
        ends = np.stack([ramp.begin, ramp.last], axis=1)
        drawn = ramp.drawn(ends, np.repeat(ramp.half_width[:, None], 2, axis=1))
        met = in_threads(shapely.intersection, pits.opened[ramp.found], drawn)
        dug = ramp.room[:, None] + ramp.dug(level[ramp.found])
        out[ramp.found] += areas_up_to(met, ramp.face, ramp.heading, dug)
        whole.append(np.full(len(level), None, dtype=object))
        whole[-1][ramp.found] = drawn
    # Two ramps that meet where nothing else is opened share that as well: cut level by level.
    both = np.flatnonzero(~(shapely.is_missing(whole[0]) | shapely.is_missing(whole[1])))
    crossed = shapely.intersection(whole[0][both], whole[1][both])
    beside = shapely.area(shapely.difference(crossed, pits.opened[both])) > ROUNDING
    if beside.any():
        some = both[beside]
        out[some] = _leaning(replace(pits, row=pits.row[some], role=pits.role[some]), level[some])
    return out


def _leaning(pits: _Pits, level: FloatArray) -> FloatArray:
    """Return what parts share at levels, m2, shape (k, levels): drawn and cut at every level."""
    opened, spread = np.repeat(pits.opened, level.shape[1]), (pits.slope[:, None] * level).ravel()
    if spread.any():
        opened = in_threads(partial(shapely.buffer, join_style="mitre"), opened, spread)
    parts = np.stack([opened, *(_at_levels(pits, way, level) for way in (0, 1))], axis=1)
    each = np.nan_to_num(shapely.area(parts))  # of no ramp it is no number
    whole = in_threads(partial(shapely.union_all, axis=1), parts)
    return np.asarray((each.sum(axis=1) - shapely.area(whole)).reshape(level.shape))


def _at_levels(pits: _Pits, way: int, level: FloatArray) -> Polygons:
    """Return the outline of each ramp at levels, shape (k x levels,); None where there is none."""
    ramp = pits.ramp(way)
    dug, places = ramp.dug(level[ramp.found]), PLACES if pits.slope.any() else 2
    out = np.full(level.shape, None, dtype=object)
    for number in range(level.shape[1]):
        most, at = dug[:, number, None], level[ramp.found, number, None]
        along = ramp.begin[:, None] + (most - ramp.begin[:, None]) * np.linspace(0.0, 1.0, places)
        below = np.maximum(at - ramp.height(along), 0.0)
        wide = ramp.half_width[:, None] + pits.slope[ramp.found, None] * below
        some = dug[:, number] > ramp.begin
        out[ramp.found[some], number] = ramp.drawn(along, wide)[some]
    return out.ravel()
