"""How much of the run a pit opens in each role, and the ground it takes.

A pit lies straight behind the face on the axis of the leg that is pulled. On a straight main the
ramp lies over the main and opens all of it; at a bend the ramp leaves the main, straight on from
the leg, and only the bend and the working room are opened.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of
from geotools.siting.axis import Axis, straight_reach
from geotools.siting.must import Stretches

__all__ = ["Extents", "PitSizes", "footprints", "pit_extents"]

RECEIVING, AHEAD, BEHIND, BOTH = range(4)


@dataclass(frozen=True)
class PitSizes:
    """Sizes of the pits at each candidate, shape (n,), m; ``ramp`` NaN where none is possible."""

    ramp: FloatArray
    half_width: FloatArray
    working: float
    receiving: float


@dataclass(frozen=True)
class Extents:
    """Pits at every candidate in every role, shape (n, 4).

    Attributes
    ----------
    start, end : ndarray
        Edges of the pit along the run, m; may lie beyond the run's ends.
    box_ahead, box_behind : ndarray
        Length of the straight box back from the face for the pull ahead, and forward from the
        face for the pull behind, m; 0 where the role has none.
    on_run : ndarray
        Length of those boxes that lies over the run, m.
    """

    start: FloatArray
    end: FloatArray
    box_ahead: FloatArray
    box_behind: FloatArray
    on_run: FloatArray


def pit_extents(
    axis: Axis, run: IntArray, at: FloatArray, sizes: PitSizes, must: Stretches
) -> Extents:
    """Lay out the pits of all candidates in all four roles.

    Parameters
    ----------
    axis : Axis
    run, at : ndarray, shape (n,)
        Run and chainage of the candidates.
    sizes : PitSizes
    must : Stretches
        A candidate inside one gets a pit that holds all of it.
    """
    row = must.holding(run, at)
    held = row >= 0
    low = np.where(held, must.low[row] if len(must.low) else at, at)
    high = np.where(held, must.high[row] if len(must.high) else at, at)
    half = sizes.receiving / 2
    near_before, near_after = np.maximum(half, at - low), np.maximum(half, high - at)
    face_before = np.maximum(sizes.working, at - low)
    face_after = np.maximum(sizes.working, high - at)
    ramp = np.where(np.isfinite(sizes.ramp), sizes.ramp, 0.0)

    back, length_ahead = _box(axis, run, at + face_after, ramp + face_after, sizes, ahead=False)
    front, length_behind = _box(axis, run, at - face_before, ramp + face_before, sizes, ahead=True)
    before_ahead = np.maximum(near_before, back - face_after)
    after_behind = np.maximum(near_after, front - face_before)
    straight, shared = _shared_hole(axis, run, at, ramp, sizes, held)

    before = np.stack(
        [near_before, before_ahead, face_before, np.where(straight, shared, before_ahead)], axis=1
    )
    after = np.stack(
        [near_after, face_after, after_behind, np.where(straight, shared, after_behind)], axis=1
    )
    none = np.zeros(len(at))
    # In a two-way pit at a bend each box starts at the outer edge, farther from its ramp's top.
    both_ahead = np.where(straight, 2 * shared, ramp + after_behind)
    both_behind = np.where(straight, 2 * shared, ramp + before_ahead)
    on_both = np.where(straight, 4 * shared, before_ahead + after_behind)
    return Extents(
        start=at[:, None] - before,
        end=at[:, None] + after,
        box_ahead=np.stack([none, length_ahead, none, both_ahead], axis=1),
        box_behind=np.stack([none, none, length_behind, both_behind], axis=1),
        on_run=np.stack(
            [none, np.minimum(back, length_ahead), np.minimum(front, length_behind), on_both],
            axis=1,
        ),
    )


def _box(
    axis: Axis, run: IntArray, face: FloatArray, length: FloatArray, sizes: PitSizes, *, ahead: bool
) -> tuple[FloatArray, FloatArray]:
    """Return how far the run follows the box from a face, and the box's length."""
    heading = axis.heading(run, face, before=ahead)
    reach = straight_reach(
        axis,
        run,
        face,
        heading if ahead else -heading,
        length=length,
        half_width=sizes.half_width,
        ahead=ahead,
    )
    return reach, length


def _shared_hole(
    axis: Axis, run: IntArray, at: FloatArray, ramp: FloatArray, sizes: PitSizes, held: BoolArray
) -> tuple[BoolArray, FloatArray]:
    """Return where a two-way pit on a straight main can share one hole, and half its length."""
    half = ramp / 2 + sizes.working
    reach = np.minimum(
        *(
            _box(axis, run, at - half if ahead else at + half, 2 * half, sizes, ahead=ahead)[0]
            for ahead in (False, True)
        )
    )
    straight: BoolArray = (reach >= 2 * half - 1e-6) & ~held
    return straight, half


def footprints(
    axis: Axis, run: IntArray, extents: Extents, half_width: FloatArray
) -> npt.NDArray[np.object_]:
    """Return the ground each pit takes, shape (n, 4), as polygons."""
    count = len(run)
    runs, widths = np.repeat(run, 4), np.repeat(half_width, 4)
    start, end = extents.start.ravel(), extents.end.ravel()
    opened = shapely.buffer(
        _sections(axis, runs, start, end), widths, cap_style="flat", join_style="mitre"
    )
    ahead, behind = extents.box_ahead.ravel(), extents.box_behind.ravel()
    for face, length, sign, before in ((end, ahead, -1.0, False), (start, behind, 1.0, True)):
        # A box that the opened stretch already covers adds nothing.
        wanted = np.flatnonzero((length > 0) & (end - start < length - 1e-6))
        if not len(wanted):
            continue
        heading = sign * axis.heading(runs[wanted], face[wanted], before=before)
        boxes = _boxes(
            axis.position(runs[wanted], face[wanted]), heading, length[wanted], widths[wanted]
        )
        opened[wanted] = shapely.union(opened[wanted], boxes)
    ground: npt.NDArray[np.object_] = opened.reshape(count, 4)
    return ground


def _boxes(
    face: FloatArray, heading: FloatArray, length: FloatArray, half_width: FloatArray
) -> npt.NDArray[np.object_]:
    across = np.stack([-heading[:, 1], heading[:, 0]], axis=1) * half_width[:, None]
    far = face + heading * length[:, None]
    corners = np.stack([face + across, face - across, far - across, far + across], axis=1)
    boxes: npt.NDArray[np.object_] = shapely.polygons(corners)
    return boxes


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
