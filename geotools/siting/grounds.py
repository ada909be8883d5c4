"""The ground pits take: straight pits as boxes, the others as polygons.

Most pits lie on a straight main. Their ground is a box, known by four numbers, and what it meets
is worked out from these. Of the others a box that holds them is known; a polygon is drawn of the
few for which that does not tell enough. Sides that lean take the more ground the deeper the pit
is there: on a straight main from station to station, at a bend as at the deepest place all round.
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
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, spread_out
from geotools.network.stretches import EDGE
from geotools.siting.axis import Axis, mitres
from geotools.siting.depths import Depths, Stretch, stations_inside
from geotools.siting.extents import Extents
from geotools.street.beside import Outlines

__all__ = ["MITRE", "Grounds", "Sides", "boxes", "lay_grounds", "opened_ground"]

Polygons = npt.NDArray[np.object_]
Widths = Callable[[IntArray, FloatArray, int], FloatArray]
STEPS_A_BOX = 15  # of the search for points near it
MITRE = 5.0  # times the width, how far a corner goes out at most
BOX_PLACES = 17  # along a box, where its sides lean


@dataclass(frozen=True)
class Sides:
    """Sides that lean, and how far they reach out.

    Attributes
    ----------
    lean : ndarray, shape (n,)
        Out for each metre up.
    depths : Depths
    dug : Stretch
        What is dug to the host.
    bedding : float
        Dug below the host, m.
    widths : callable
        Half the width at the ground along boxes, m: of candidates, at distances back from the
        top of the ramp, shape (k, m), for the pull ahead (0) or behind (1).
    """

    lean: FloatArray
    depths: Depths
    dug: Stretch
    bedding: float
    widths: Widths

    @property
    def spread(self) -> FloatArray:
        """How far they reach out where a pit is deepest, m, shape (n, 4)."""
        return np.asarray(self.lean[:, None] * np.nan_to_num(self.depths.greatest))

    def ends(self, row: IntArray, role: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return how far they reach out at the edges of pits in a role each, m, shape (k,)."""
        first, last = (
            np.nan_to_num(self.lean[row] * deep[row, role])
            for deep in (self.depths.first, self.depths.last)
        )
        return first, last

    def inside(self, row: IntArray, role: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
        """Return pit, distance from its start and reach of the sides for all stations in pits, m.

        Of pits in a role each, rising by both.
        """
        dug, profile = self.dug, self.dug.profile
        edges = (edge[row, role][:, None] for edge in (dug.start, dug.end))
        some = Stretch(profile, dug.run[row], *edges)
        pit, station = stations_inside(some)
        deep = np.maximum(np.nan_to_num(profile.column("depth")[station]), 0.0) + self.bedding
        return pit, profile.chainage[station] - some.start[pit, 0], self.lean[row[pit]] * deep


@dataclass(frozen=True)
class Grounds:
    """The ground of every candidate in every role.

    Attributes
    ----------
    foot, heading : ndarray, shape (n, 4, 2)
        Middle of one end of a box, and the direction to the other end.
    length, half_width : ndarray, shape (n, 4)
        Of the box, m.
    size : ndarray, shape (n, 4)
        Area of the ground, m2; not-a-number where it takes a drawing to tell.
    bent : ndarray of bool, shape (n, 4)
        Where the ground is not the box itself: it lies inside, around the box's middle.
    draw : callable
        Draws grounds that are bent, of candidates in a role each.
    """

    foot: FloatArray
    heading: FloatArray
    length: FloatArray
    half_width: FloatArray
    size: FloatArray
    bent: BoolArray
    draw: Callable[[IntArray, IntArray], Polygons]

    def area(self, wanted: BoolArray) -> FloatArray:
        """Return the areas, m2, shape (n, 4); 0 where none is wanted and it takes a drawing."""
        whole, unknown = np.nan_to_num(self.size), np.isnan(self.size)
        drawn = np.nonzero(unknown & wanted)
        whole[drawn] = np.nan_to_num(shapely.area(self.draw(*drawn)))
        return np.asarray(whole, dtype=np.float64)

    def polygons(self, row: IntArray, role: IntArray) -> Polygons:
        """Return the grounds of candidates in a role each, shape (k,)."""
        shapes: Polygons = np.empty(len(row), dtype=object)
        bent = self.bent[row, role]
        shapes[bent] = self.draw(row[bent], role[bent])
        of = row[~bent], role[~bent]
        along = np.stack([np.zeros(len(of[0])), self.length[of]], axis=1)
        wide = np.repeat(self.half_width[of][:, None], 2, axis=1)
        shapes[~bent] = boxes(self.foot[of], self.heading[of], along, wide)
        return shapes

    def farthest(self, xy: FloatArray, row: IntArray) -> FloatArray:
        """Return how far from a place of each candidate its grounds reach at most, m, (k, 4)."""
        half = self.length[row] / 2
        middle = self.foot[row] + self.heading[row] * half[..., None]
        away = np.hypot(*np.moveaxis(middle - xy[:, None], -1, 0))
        return np.asarray(away + np.hypot(half, self.half_width[row]), dtype=np.float64)

    def outlines(self, row: IntArray, role: IntArray) -> Outlines:
        """Return the corners of the grounds of candidates in a role each."""
        bent = self.bent[row, role]
        drawn, box = np.flatnonzero(bent), np.flatnonzero(~bent)
        own = Outlines.of(self.draw(row[drawn], role[drawn]))
        of = row[box], role[box]
        corners = _corners(self.foot[of], self.heading[of], self.length[of], self.half_width[of])
        shape = np.concatenate([np.repeat(box, corners.shape[1]), drawn[own.shape]])
        order = np.argsort(shape, kind="stable")
        ring = np.concatenate([np.repeat(np.arange(len(box)), 5), len(box) + own.ring])
        xy = np.concatenate([corners.reshape(-1, 2), own.xy])
        return Outlines(xy[order], shape[order], ring[order])

    def near_points(self, points: Points, distance: float) -> BoolArray:
        """Return which grounds come within a distance, m, of points; shape (n, 4)."""
        middle, known = self._middles()
        near = np.zeros(self.bent.shape, dtype=bool)
        sides = self.heading[known], self.length[known], self.half_width[known]
        near[known] = _near_boxes(points, distance, self.foot[known], *sides)
        doubtful = near & self.bent
        # Most grounds by an intersection have their middle by it, and need not be drawn.
        spots = _squares(middle[doubtful], np.zeros(int(doubtful.sum())))
        near[doubtful] = _near_boxes(points, distance, *spots)
        row, role = np.nonzero(doubtful & ~near)
        if len(row):
            hit, _ = points.tree.query(self.draw(row, role), "dwithin", distance=distance)
            near[row[hit], role[hit]] = True
        return near

    def near_places(
        self, tree: shapely.STRtree, distance: float
    ) -> tuple[IntArray, IntArray, IntArray]:
        """Return candidate, role and place of a tree wherever a ground comes within so many m."""
        wanted = np.zeros(self.bent.shape, dtype=bool)
        wanted[self._around(tree, distance)] = True
        row, role = np.nonzero(wanted)
        hit, place = tree.query(self.polygons(row, role), predicate="dwithin", distance=distance)
        return row[hit], role[hit], place

    def _middles(self) -> tuple[FloatArray, BoolArray]:
        """Return the middles of the boxes, shape (n, 4, 2), and which of them are known."""
        middle = self.foot + self.heading * self.length[..., None] / 2
        return middle, np.asarray(np.isfinite(middle).all(axis=-1), dtype=np.bool_)

    def _around(self, tree: shapely.STRtree, distance: float) -> IntArray:
        """Return the candidates whose boxes a place of the tree may come near to, and perhaps more.

        Asked with one circle a candidate, that holds the boxes of all its roles.
        """
        middle, known = self._middles()
        count = np.maximum(known.sum(axis=1), 1)
        centre = np.where(known[..., None], middle, 0.0).sum(axis=1) / count[:, None]
        away = np.hypot(*np.moveaxis(middle - centre[:, None], -1, 0))
        reach = away + np.hypot(self.length / 2, self.half_width)
        some = np.flatnonzero(known.any(axis=1))
        row, _ = tree.query(
            shapely.points(centre[some]),
            predicate="dwithin",
            distance=np.where(known, reach, 0.0).max(axis=1)[some] * (1 + 1e-9) + distance,
        )
        return np.asarray(some[row], dtype=np.int64)


def _near_boxes(
    points: Points,
    distance: float,
    foot: FloatArray,
    heading: FloatArray,
    length: FloatArray,
    half_width: FloatArray,
) -> BoolArray:
    """Return which boxes come within a distance, m, of points."""
    cells = points.cells
    found = np.zeros(len(foot), dtype=np.int64)
    run_kernel(
        _near,
        STEPS_A_BOX * len(foot),
        tuple(map(read_only, points.xy.T)),
        tuple(map(read_only, (cells.key, cells.offsets, cells.member))),
        (cells.west, cells.south, cells.size),
        tuple(map(read_only, [*foot.T, *heading.T, length, half_width])),
        distance,
        found,
    )
    return np.asarray(found > 0, dtype=np.bool_)


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
    sides: Sides | None = None,
) -> Grounds:
    """Return the ground each pit takes.

    Parameters
    ----------
    axis, run, extents
        As for `pit_extents`.
    half_width : ndarray, shape (n,)
        Half the width at the bottom, m.
    sides : Sides, optional
        Those that lean.
    """
    runs = np.repeat(run, 4)
    start, end = extents.deep_start.ravel(), extents.deep_end.ravel()
    first, last = axis.position(runs, start), axis.position(runs, end)
    length = np.hypot(*(last - first).T)
    heading = (last - first) / np.where(length > 0, length, 1.0)[:, None]
    table = extents.start.shape
    spread = np.zeros(table) if sides is None else sides.spread
    out, half = spread.ravel(), np.repeat(half_width, 4)
    bent = axis.segment(runs, start) < axis.segment(runs, end, before=True)
    bent |= (extents.leaves(0) | extents.leaves(1)).ravel() | (length <= 0)
    tapered = np.zeros(len(bent), dtype=bool)
    if sides is not None:
        tapered = (spread > 0).ravel() & sides.depths.uneven.ravel() & ~bent
    size = np.where(bent, np.nan, 2 * (half + out) * (length + 2 * out))
    sketch = _Sketch(axis, run, extents, half_width, spread, sides)
    size[tapered] = sketch.tapered_areas(*np.divmod(np.flatnonzero(tapered), 4), length[tapered])
    foot, length, wide = first - heading * out[:, None], length + 2 * out, half + out
    row, role = np.divmod(np.flatnonzero(bent), 4)
    foot[bent], heading[bent], length[bent], wide[bent] = _squares(*sketch.around(row, role))
    return Grounds(
        foot=foot.reshape(*table, 2),
        heading=heading.reshape(*table, 2),
        length=length.reshape(table),
        half_width=wide.reshape(table),
        size=size.reshape(table),
        bent=(bent | tapered).reshape(table),
        draw=sketch.draw,
    )


def _squares(
    middle: FloatArray, reach: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return foot, heading, length and half the width of boxes that reach so far all around."""
    east = np.zeros(middle.shape)
    east[..., 0] = 1.0
    return middle - east * reach[..., None], east, 2 * reach, reach


@dataclass(frozen=True)
class _Sketch:
    """What the ground of pits is drawn from; as the parameters of `lay_grounds`.

    ``spread``, shape (n, 4), is how far the sides reach out where a pit is deepest, m.
    """

    axis: Axis
    run: IntArray
    extents: Extents
    half_width: FloatArray
    spread: FloatArray
    sides: Sides | None

    def draw(self, row: IntArray, role: IntArray) -> Polygons:
        """Return the ground of candidates in a role each."""
        start, end = self.extents.deep_start[row, role], self.extents.deep_end[row, role]
        opened = self._opened(row, role, start, end)
        for way, face in enumerate((end, start)):
            wanted = np.flatnonzero(self.extents.leaves(way)[row, role])
            if not len(wanted):
                continue
            of, edge = row[wanted], face[wanted]
            heading = (1.0 if way else -1.0) * self.axis.heading(
                self.run[of], edge, before=way == 1
            )
            along, wide = self._ramp(of, role[wanted], way)
            ramp = boxes(self.axis.position(self.run[of], edge), heading, along, wide)
            opened[wanted] = in_threads(shapely.union, opened[wanted], ramp)
            # Both have corners at the face, a hair apart: so near, a rounding crosses the outline.
            opened[wanted] = shapely.remove_repeated_points(opened[wanted], EDGE)
        return opened

    def _opened(
        self, row: IntArray, role: IntArray, start: FloatArray, end: FloatArray
    ) -> Polygons:
        """Return the ground of what is dug to the host, of candidates in a role each."""
        run, half_width = self.run[row], self.half_width[row]
        if self.sides is None:
            return opened_ground(self.axis, run, start, end, half_width)
        straight = self.axis.segment(run, start) >= self.axis.segment(run, end, before=True)
        ground: Polygons = np.empty(len(row), dtype=object)
        ground[straight] = self._tapered(self.sides, row[straight], role[straight])
        some = np.flatnonzero(~straight)
        out = self.spread[row[some], role[some]]
        stretch = run[some], start[some], end[some]
        ground[some] = _mitred(self.axis, *stretch, half_width[some] + out, out)
        return ground

    def _tapered(self, sides: Sides, row: IntArray, role: IntArray) -> Polygons:
        """Return the ground of straight pits: as wide at stations and edges as they are deep there.

        Sides at the ends reach as far out as those beside them.
        """
        start, end = (edge[row, role] for edge in (sides.dug.start, sides.dug.end))
        face, to = (self.axis.position(self.run[row], edge) for edge in (start, end))
        length = np.hypot(*(to - face).T)
        first, last = sides.ends(row, role)
        pit, way, out = sides.inside(row, role)
        every = np.arange(len(row))
        way = way * (length / np.maximum(end - start, EDGE))[pit]
        pit = np.concatenate([every, every, pit, every, every])
        along = np.concatenate([-first, np.zeros(len(row)), way, length, length + last])
        half = self.half_width[row][pit] + np.concatenate([first, first, out, last, last])
        order = np.argsort(pit, kind="stable")
        heading = (to - face) / np.where(length > 0, length, 1.0)[:, None]
        return _outlines(face, heading, pit[order], along[order], half[order])

    def tapered_areas(self, row: IntArray, role: IntArray, length: FloatArray) -> FloatArray:
        """Return the areas of the ground of straight pits so long on the axis, m2, shape (k,)."""
        if self.sides is None or not len(row):
            return np.zeros(len(row))
        sides, half = self.sides, self.half_width[row]
        start, end = (edge[row, role] for edge in (sides.dug.start, sides.dug.end))
        share = length / np.maximum(end - start, EDGE)
        reached = sides.lean[row] * sides.depths.area[row, role] * share
        ends = sum(2 * out * (half + out) for out in sides.ends(row, role))
        return np.asarray(2 * half * length + 2 * reached + ends, dtype=np.float64)

    def around(self, row: IntArray, role: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return a place inside the ground of each, and how far, m, it reaches from there at most.

        No place of the run is farther from the middle of a stretch than half its length, and no
        corner of its sides farther from it than the limit of a mitre, where it is cut off square,
        at the bottom and once more where the sides lean. The middle lies in what is opened but
        where a run folds up in less than the width of the pit, and then beside it.
        """
        start, end = self.extents.deep_start[row, role], self.extents.deep_end[row, role]
        reach = np.zeros(len(row))
        for way in (0, 1):
            wanted = np.flatnonzero(self.extents.leaves(way)[row, role])
            along, wide = self._ramp(row[wanted], role[wanted], way)
            reach[wanted] = np.maximum(
                reach[wanted], np.hypot(along, wide).max(axis=1, initial=0.0)
            )
        corner = np.hypot(MITRE, 1.0) * (self.half_width[row] + self.spread[row, role])
        reach = np.maximum(reach, corner)
        middle = self.axis.position(self.run[row], (start + end) / 2)
        return middle, (end - start) / 2 + reach

    def _ramp(self, row: IntArray, role: IntArray, way: int) -> tuple[FloatArray, FloatArray]:
        """Return places along the box of each ramp, m back from its face, and half its width."""
        extents = self.extents
        size = (extents.box_behind if way else extents.box_ahead)[row, role]
        places = np.linspace(0.0, 1.0, 2 if self.sides is None else BOX_PLACES)
        along = size[:, None] * places
        if self.sides is None:
            return along, np.repeat(self.half_width[row, None], along.shape[1], axis=1)
        return along, self.sides.widths(row, size[:, None] - along, way)


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
    ground[row] = _mitred(axis, run[row], start[row], end[row], half_width[row])
    return ground


def _mitred(
    axis: Axis,
    run: IntArray,
    start: FloatArray,
    end: FloatArray,
    half_width: FloatArray,
    out: npt.ArrayLike = 0.0,
) -> Polygons:
    """Return stretches of runs with bends, so wide to each side and longer by ``out``, m, each end.

    Drawn corner by corner: shapely's buffer leaves out shallow corners, other ones as the outline
    begins elsewhere, so that it hangs on the way a run is drawn and on where north is. It draws
    those that are too sharp, or too near each other for the inside.
    """
    xy, bounds = _sections(axis, run, start, end, np.broadcast_to(out, run.shape))
    row = np.repeat(np.arange(len(run)), np.diff(bounds))
    aside = mitres(xy, bounds) * half_width[row, None]
    left, right = xy + aside, xy - aside
    owner = np.concatenate([row, row[::-1]])
    order = np.argsort(owner, kind="stable")
    rings = np.concatenate([left, right[::-1]])[order]
    drawn: Polygons = shapely.polygons(shapely.linearrings(rings, indices=owner[order]))
    wrong = np.hypot(*aside.T) > MITRE * half_width[row]
    on = np.diff(xy, axis=0)
    for side in (left, right):  # goes back where the inside has no room for an edge
        wrong[1:] |= ((np.diff(side, axis=0) * on).sum(axis=1) <= 0) & (row[1:] == row[:-1])
    other = np.flatnonzero((np.bincount(row, wrong, len(run)) > 0) | ~shapely.is_valid(drawn))
    if len(other):
        lines = shapely.linestrings(xy, indices=row)[other]
        flat = partial(shapely.buffer, join_style="mitre", cap_style="flat", mitre_limit=MITRE)
        drawn[other] = in_threads(flat, lines, half_width[other])
    return drawn


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


def _corners(
    foot: FloatArray, heading: FloatArray, length: FloatArray, half_width: FloatArray
) -> FloatArray:
    """Return the corners of boxes in turn, the first one again at last, shape (k, 5, 2)."""
    across = np.stack([-heading[:, 1], heading[:, 0]], axis=1) * half_width[:, None]
    end = foot + heading * length[:, None]
    turn = [foot + across, end + across, end - across, foot - across, foot + across]
    return np.stack(turn, axis=1)


def _outlines(
    face: FloatArray, heading: FloatArray, pit: IntArray, along: FloatArray, half: FloatArray
) -> Polygons:
    """Return grounds on straight lines from faces, so wide to each side at places along them.

    ``pit``, ``along`` and ``half``, m, are of the places, rising by pit and way along.
    """
    if not len(pit):
        return np.zeros(0, dtype=object)
    across = np.stack([-heading[:, 1], heading[:, 0]], axis=1)[pit]
    middle = face[pit] + heading[pit] * along[:, None]
    left, right = (middle + across * (sign * half)[:, None] for sign in (1.0, -1.0))
    owner = np.concatenate([pit, pit[::-1]])
    order = np.argsort(owner, kind="stable")
    rings = shapely.linearrings(np.concatenate([left, right[::-1]])[order], indices=owner[order])
    drawn: Polygons = shapely.polygons(rings)
    return drawn


def _sections(
    axis: Axis, run: IntArray, start: FloatArray, end: FloatArray, out: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Return vertices and offsets of the stretch of each run between two chainages.

    Longer by so much, m, at each end, straight on.
    """
    first = axis.segment(run, start)
    last = axis.segment(run, end, before=True)
    inner = np.maximum(last - first, 0)
    bounds = offsets_of(inner + 2)
    xy = np.empty((bounds[-1], 2))
    on = out[:, None]
    xy[bounds[:-1]] = axis.position(run, start) - on * axis.heading(run, start)
    xy[bounds[1:] - 1] = axis.position(run, end) + on * axis.heading(run, end, before=True)
    row, local = spread_out(inner)
    xy[bounds[row] + 1 + local] = axis.xy[first[row] + 1 + local]
    return xy, bounds
