"""The ground pits take: straight pits as boxes, the others as polygons.

Most pits lie on a straight main. Their ground is a box, known by four numbers, and what it meets
is worked out from these; a polygon is made of it only where one is asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

from geotools.accel import in_threads, read_only, run_kernel
from geotools.network.cells import STRIDE, Points
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents

__all__ = ["Grounds", "boxes", "lay_grounds", "opened_ground"]

Polygons = npt.NDArray[np.object_]
Pairs = tuple[IntArray, IntArray]
Widths = Callable[[IntArray, FloatArray, int], FloatArray]
STEPS_A_BOX = 15  # of the search for points near it
BOX_PLACES = 17  # along a box, where its sides lean


@dataclass(frozen=True)
class Grounds:
    """The ground of every candidate in every role.

    Attributes
    ----------
    foot, heading : ndarray, shape (n, 4, 2)
        Middle of one end of the box, and the direction to the other end.
    length, half_width : ndarray, shape (n, 4)
        Of the box, m.
    shape : ndarray of polygons, shape (n, 4)
        The ground where it is no box, else None.
    """

    foot: FloatArray
    heading: FloatArray
    length: FloatArray
    half_width: FloatArray
    shape: Polygons

    @classmethod
    def of_polygons(cls, shape: Polygons) -> Grounds:
        """Take polygons as they are, shape (n, 4)."""
        none, nowhere = np.zeros(shape.shape), np.zeros((*shape.shape, 2))
        return cls(nowhere, nowhere, none, none, shape)

    def boxed(self) -> BoolArray:
        """Return which grounds are boxes, shape (n, 4)."""
        return np.asarray(shapely.is_missing(self.shape), dtype=np.bool_)

    def area(self) -> FloatArray:
        """Return the areas, m2, shape (n, 4)."""
        whole, drawn = 2 * self.half_width * self.length, ~self.boxed()
        whole[drawn] = np.nan_to_num(shapely.area(self.shape[drawn]))
        return np.asarray(whole, dtype=np.float64)

    def polygons(self, row: IntArray, role: IntArray) -> Polygons:
        """Return the grounds of candidates in a role each, shape (k,)."""
        drawn: Polygons = self.shape[row, role]
        box = np.flatnonzero(shapely.is_missing(drawn))
        of = row[box], role[box]
        along = np.stack([np.zeros(len(box)), self.length[of]], axis=1)
        wide = np.repeat(self.half_width[of][:, None], 2, axis=1)
        drawn[box] = boxes(self.foot[of], self.heading[of], along, wide)
        return drawn

    def near_points(self, points: Points, distance: float) -> BoolArray:
        """Return which grounds come within a distance, m, of points; shape (n, 4)."""
        found = np.zeros(self.shape.size, dtype=bool)
        known = np.isfinite(self.foot + self.heading * self.length[..., None]).all(axis=-1)
        box = np.flatnonzero(self.boxed() & known)
        found[box] = self._boxes_near(box, points, distance)
        row, role = np.nonzero(~self.boxed())
        hit, _ = points.tree.query(self.shape[row, role], predicate="dwithin", distance=distance)
        near = found.reshape(self.shape.shape)
        near[row[hit], role[hit]] = True
        return near

    def _boxes_near(self, box: IntArray, points: Points, distance: float) -> BoolArray:
        """Return which of these grounds, all boxes, come within a distance, m, of points."""
        cells = points.cells
        found = np.zeros(len(box), dtype=np.int64)
        sides = self.length.ravel()[box], self.half_width.ravel()[box]
        boxes_ = [*self.foot.reshape(-1, 2)[box].T, *self.heading.reshape(-1, 2)[box].T, *sides]
        run_kernel(
            _near,
            STEPS_A_BOX * len(box),
            tuple(map(read_only, points.xy.T)),
            tuple(map(read_only, (cells.key, cells.offsets, cells.member))),
            (cells.west, cells.south, cells.size),
            tuple(map(read_only, boxes_)),
            distance,
            found,
        )
        return np.asarray(found > 0, dtype=np.bool_)

    def near_places(
        self, tree: shapely.STRtree, distance: float
    ) -> tuple[IntArray, IntArray, IntArray]:
        """Return candidate, role and place of a tree wherever a ground comes within so many m."""
        wanted = ~self.boxed()
        wanted[self._around(tree, distance)[0]] = True
        row, role = np.nonzero(wanted)
        hit, place = tree.query(self.polygons(row, role), predicate="dwithin", distance=distance)
        return row[hit], role[hit], place

    def _around(self, tree: shapely.STRtree, distance: float) -> Pairs:
        """Return pairs of candidates and places; none is missing that a box may come near to."""
        box = self.boxed()
        middle = self.foot + self.heading * self.length[..., None] / 2
        count = np.maximum(box.sum(axis=1), 1)
        centre = np.where(box[..., None], middle, 0.0).sum(axis=1) / count[:, None]
        away = np.hypot(*np.moveaxis(middle - centre[:, None], -1, 0))
        reach = np.where(box, away + np.hypot(self.length / 2, self.half_width), 0.0).max(axis=1)
        some = np.flatnonzero(box.any(axis=1))
        row, place = tree.query(
            shapely.points(centre[some]),
            predicate="dwithin",
            distance=reach[some] * (1 + 1e-9) + distance,
        )
        return some[row], place


def _near(points, cells, grid, boxes, distance, found):  # type: ignore[no-untyped-def]  # a kernel
    """Write 1 for each box that comes within a distance of a point, cell by cell around it."""
    px, py = points
    key, offsets, member = cells
    west, south, size = grid
    foot_x, foot_y, along_x, along_y, length, half_width = boxes
    for k in range(len(foot_x)):
        end_x = foot_x[k] + along_x[k] * length[k]
        end_y = foot_y[k] + along_y[k] * length[k]
        margin_x = half_width[k] * abs(along_y[k]) + distance * (1.0 + 1e-9)
        margin_y = half_width[k] * abs(along_x[k]) + distance * (1.0 + 1e-9)
        left = int((min(foot_x[k], end_x) - margin_x - west) // size)
        right = int((max(foot_x[k], end_x) + margin_x - west) // size)
        bottom = int((min(foot_y[k], end_y) - margin_y - south) // size)
        top = int((max(foot_y[k], end_y) + margin_y - south) // size)
        for line in range(bottom, top + 1):
            low = 0
            high = len(key)
            while low < high:  # the first cell of this line of them that holds a point
                middle = (low + high) // 2
                if key[middle] >= line * STRIDE + left:
                    high = middle
                else:
                    low = middle + 1
            while low < len(key) and key[low] <= line * STRIDE + right and found[k] == 0:
                for entry in range(offsets[low], offsets[low + 1]):
                    rel_x = px[member[entry]] - foot_x[k]
                    rel_y = py[member[entry]] - foot_y[k]
                    along = rel_x * along_x[k] + rel_y * along_y[k]
                    off = abs(rel_y * along_x[k] - rel_x * along_y[k])
                    short = max(-along, along - length[k], 0.0)
                    beside = max(off - half_width[k], 0.0)
                    if (short * short + beside * beside) ** 0.5 <= distance:
                        found[k] = 1
                low += 1


def lay_grounds(
    axis: Axis,
    run: IntArray,
    extents: Extents,
    half_width: FloatArray,
    *,
    spread: FloatArray | None = None,
    widths: Widths | None = None,
) -> Grounds:
    """Return the ground each pit takes.

    Parameters
    ----------
    axis, run, extents
        As for `pit_extents`.
    half_width : ndarray, shape (n,)
        Half the width at the bottom, m.
    spread : ndarray, shape (n,), optional
        How far the sides lean out where the pit is dug to the host, m.
    widths : callable, optional
        Half the width at the ground along boxes, m: of candidates, at distances back from the
        top of the ramp, shape (k, m), for the pull ahead (0) or behind (1).
    """
    runs = np.repeat(run, 4)
    start, end = extents.deep_start.ravel(), extents.deep_end.ravel()
    first, last = axis.position(runs, start), axis.position(runs, end)
    length = np.hypot(*(last - first).T)
    heading = (last - first) / np.where(length > 0, length, 1.0)[:, None]
    lean = np.zeros(len(run)) if spread is None else spread
    out = np.repeat(lean, 4)
    bent = axis.segment(runs, start) < axis.segment(runs, end, before=True)
    bent |= (_leaves(extents, 0) | _leaves(extents, 1)).ravel() | (length <= 0)
    shape = np.full(len(runs), None, dtype=object)
    row, role = np.divmod(np.flatnonzero(bent), 4)
    shape[bent] = _polygons(axis, run, extents, half_width, lean, widths, row, role)
    table = extents.start.shape
    return Grounds(
        foot=(first - heading * out[:, None]).reshape(*table, 2),
        heading=heading.reshape(*table, 2),
        length=(length + 2 * out).reshape(table),
        half_width=(np.repeat(half_width, 4) + out).reshape(table),
        shape=shape.reshape(table),
    )


def _leaves(extents: Extents, way: int) -> BoolArray:
    """Return where the box of a ramp, ahead (0) or behind (1), goes beyond what is opened."""
    length = extents.box_behind if way else extents.box_ahead
    opened = extents.deep_end - extents.deep_start
    return np.asarray((length > 0) & (opened < length - 1e-6))


def _polygons(
    axis: Axis,
    run: IntArray,
    extents: Extents,
    half_width: FloatArray,
    spread: FloatArray,
    widths: Widths | None,
    row: IntArray,
    role: IntArray,
) -> Polygons:
    """Return the ground of candidates in a role each; parameters as `lay_grounds`."""
    start, end = extents.deep_start[row, role], extents.deep_end[row, role]
    opened = opened_ground(axis, run[row], start, end, half_width[row])
    if spread.any():
        mitred = partial(shapely.buffer, join_style="mitre")
        opened = in_threads(mitred, opened, spread[row])
    for way, (face, length, sign) in enumerate(
        ((end, extents.box_ahead, -1.0), (start, extents.box_behind, 1.0))
    ):
        wanted = np.flatnonzero(_leaves(extents, way)[row, role])
        if not len(wanted):
            continue
        of, size, edge = row[wanted], length[row, role][wanted], face[wanted]
        heading = sign * axis.heading(run[of], edge, before=way == 1)
        along = size[:, None] * np.linspace(0.0, 1.0, 2 if widths is None else BOX_PLACES)
        wide = np.repeat(half_width[of, None], along.shape[1], axis=1)
        if widths is not None:
            wide = widths(of, size[:, None] - along, way)
        ramp = boxes(axis.position(run[of], edge), heading, along, wide)
        opened[wanted] = in_threads(shapely.union, opened[wanted], ramp)
    return opened


def opened_ground(
    axis: Axis, run: IntArray, start: FloatArray, end: FloatArray, half_width: FloatArray
) -> npt.NDArray[np.object_]:
    """Return the stretches of runs between two chainages, so wide to each side, as polygons."""
    straight = axis.segment(run, start) >= axis.segment(run, end, before=True)
    ground: npt.NDArray[np.object_] = np.empty(len(run), dtype=object)
    # Most stretches are straight: a box is made in a tenth of the time a buffer takes.
    row = np.flatnonzero(straight)
    face, to = axis.position(run[row], start[row]), axis.position(run[row], end[row])
    length = np.hypot(*(to - face).T)
    heading = (to - face) / np.where(length > 0, length, 1.0)[:, None]
    along = np.stack([np.zeros(len(row)), length], axis=1)
    ground[row] = boxes(face, heading, along, np.repeat(half_width[row, None], 2, axis=1))
    row = np.flatnonzero(~straight)
    flat = partial(shapely.buffer, join_style="mitre", cap_style="flat")
    ground[row] = in_threads(flat, _sections(axis, run[row], start[row], end[row]), half_width[row])
    return ground


def boxes(
    face: FloatArray, heading: FloatArray, along: FloatArray, half_width: FloatArray
) -> npt.NDArray[np.object_]:
    """Return straight boxes back from faces, as wide as said at distances from there."""
    across = np.stack([-heading[:, 1], heading[:, 0]], axis=1)[:, None]
    middle = face[:, None] + heading[:, None] * along[..., None]
    sides = [middle + across * (sign * half_width)[..., None] for sign in (1.0, -1.0)]
    drawn: npt.NDArray[np.object_] = shapely.polygons(
        np.concatenate([sides[0], sides[1][:, ::-1]], axis=1)
    )
    return drawn


def _sections(
    axis: Axis, run: IntArray, start: FloatArray, end: FloatArray
) -> npt.NDArray[np.object_]:
    """Return the stretch of each run between two chainages as lines."""
    first = axis.segment(run, start)
    last = axis.segment(run, end, before=True)
    inner = np.maximum(last - first, 0)
    bounds = offsets_of(inner + 2)
    xy = np.empty((bounds[-1], 2))
    xy[bounds[:-1]] = axis.position(run, start)
    xy[bounds[1:] - 1] = axis.position(run, end)
    local = np.arange(inner.sum()) - np.repeat(offsets_of(inner)[:-1], inner)
    xy[np.repeat(bounds[:-1] + 1, inner) + local] = axis.xy[np.repeat(first + 1, inner) + local]
    lines: npt.NDArray[np.object_] = shapely.linestrings(
        xy, indices=np.repeat(np.arange(len(run)), inner + 2)
    )
    return lines
