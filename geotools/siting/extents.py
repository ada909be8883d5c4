"""How much of the run a pit opens in each role.

A pit lies straight behind the face on the axis of the leg that is pulled. On a straight main the
ramp lies over the main and opens all of it; at a bend the ramp leaves the main, straight on from
the leg, and only the bend and the working room are opened. What is opened of the run is dug to
the host, for the carrier is laid there in the open; so is the room at the station. The rest of a
ramp, beside the run or beyond its end, is dug no deeper than the carrier comes down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.schema import AHEAD, BEHIND, RECEIVING
from geotools.siting.axis import Axis, straight_reach
from geotools.siting.must import Stretches

__all__ = [
    "Extents",
    "PitSizes",
    "Rooms",
    "pit_extents",
    "pit_rooms",
]

ONE_WAY = [RECEIVING, AHEAD, BEHIND]
IN_ONE_WAY = np.array([True, True, True, False])  # of two ramps in one hole both lie over the run


@dataclass(frozen=True)
class PitSizes:
    """Sizes of the pits at each candidate, m.

    ``ramp``, shape (n, 2), is for the pull ahead and the pull behind, ``shared``, shape (n,), for
    one hole for both; NaN where none is possible.
    """

    ramp: FloatArray
    shared: FloatArray
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
        Length of those boxes that lies over the stretch dug to the host, m.
    deep_start, deep_end : ndarray
        Edges of the stretch dug to the host along the run, m: the pit but for what of its ramp
        goes on beyond the run's ends.
    shared : ndarray of bool, shape (n,)
        Whether the two ramps of a pit that inserts both ways lie in one hole.
    """

    start: FloatArray
    end: FloatArray
    box_ahead: FloatArray
    box_behind: FloatArray
    on_run: FloatArray
    deep_start: FloatArray
    deep_end: FloatArray
    shared: BoolArray

    def leaves(self, way: int) -> BoolArray:
        """Return where the box of a ramp, ahead (0) or behind (1), goes beyond what is opened.

        It does where it is longer, and where the run turns away from it: the run may be opened
        farther than the box is long, for what has to lie in the pit. In a two-way pit at a bend
        the ramp leaves the run where that of a one-way pit does.
        """
        box = self.box_behind if way else self.box_ahead
        turned = self.on_run[:, way + 1] < box[:, way + 1] - EDGE
        beside = turned[:, None] & np.where(self.shared[:, None], IN_ONE_WAY, True)
        return np.asarray((box > 0) & (beside | (self.deep_end - self.deep_start < box - EDGE)))


@dataclass(frozen=True)
class Rooms:
    """Room at each candidate apart from ramps, before and after its station, m, shape (n,).

    ``near_*`` is half a receiving pit, ``face_*`` the way to the face of an insertion; both take
    in what has to lie in the pit. ``held`` says where there is such a thing.
    """

    near_before: FloatArray
    near_after: FloatArray
    face_before: FloatArray
    face_after: FloatArray
    held: BoolArray


def pit_rooms(
    run: IntArray, at: FloatArray, must: Stretches, *, working: float, receiving: float
) -> Rooms:
    """Return the room every candidate takes; parameters as `pit_extents`, lengths m."""
    row = must.holding(run, at)
    held: BoolArray = row >= 0
    low = np.where(held, must.low[row] if len(must.low) else at, at)
    high = np.where(held, must.high[row] if len(must.high) else at, at)
    half = receiving / 2
    return Rooms(
        np.maximum(half, at - low),
        np.maximum(half, high - at),
        np.maximum(working, at - low),
        np.maximum(working, high - at),
        held,
    )


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
        A candidate inside one gets a pit that holds all of it; so do others whose pit would
        end in one, unless it inserts both ways.
    """
    rooms = pit_rooms(run, at, must, working=sizes.working, receiving=sizes.receiving)
    near_before, near_after = rooms.near_before, rooms.near_after
    face_before, face_after = rooms.face_before, rooms.face_after
    ramp_ahead, ramp_behind = np.nan_to_num(sizes.ramp).T

    back, length_ahead = _box(axis, run, at + face_after, ramp_ahead + face_after, sizes, False)
    front, length_behind = _box(axis, run, at - face_before, ramp_behind + face_before, sizes, True)
    before_ahead = np.maximum(near_before, back - face_after)
    after_behind = np.maximum(near_after, front - face_before)
    straight, shared = _shared_hole(axis, run, at, np.nan_to_num(sizes.shared), sizes, rooms.held)

    before = np.stack(
        [near_before, before_ahead, face_before, np.where(straight, shared, before_ahead)], axis=1
    )
    after = np.stack(
        [near_after, face_after, after_behind, np.where(straight, shared, after_behind)], axis=1
    )
    start, end = _round_held(run, at[:, None] - before, at[:, None] + after, must)
    last = axis.chainage[axis.offsets[run + 1] - 1]
    deep_start, deep_end = start.copy(), end.copy()
    # Beyond the run's end a ramp is a ramp: only the room at the station is dug to the host.
    deep_start[:, AHEAD] = np.maximum(start[:, AHEAD], np.minimum(at - near_before, 0.0))
    deep_end[:, BEHIND] = np.minimum(end[:, BEHIND], np.maximum(at + near_after, last))
    none = np.zeros(len(at))
    # In a two-way pit at a bend each box starts at the outer edge, farther from its ramp's top.
    both_ahead = np.where(straight, 2 * shared, ramp_ahead + after_behind)
    both_behind = np.where(straight, 2 * shared, ramp_behind + before_ahead)
    on_both = np.where(straight, 4 * shared, before_ahead + after_behind)
    deep = deep_end - deep_start
    on_ahead = np.minimum(np.minimum(back, length_ahead), deep[:, AHEAD])
    on_behind = np.minimum(np.minimum(front, length_behind), deep[:, BEHIND])
    return Extents(
        start=start,
        end=end,
        box_ahead=np.stack([none, length_ahead, none, both_ahead], axis=1),
        box_behind=np.stack([none, none, length_behind, both_behind], axis=1),
        on_run=np.stack([none, on_ahead, on_behind, on_both], axis=1),
        deep_start=deep_start,
        deep_end=deep_end,
        shared=straight,
    )


def _round_held(
    run: IntArray, start: FloatArray, end: FloatArray, must: Stretches
) -> tuple[FloatArray, FloatArray]:
    """Return edges of pits, shape (n, 4), moved outward where they cut what has to lie in a pit.

    Rather than to stop in the middle of it the pit is dug on to its far side. Not one that inserts
    both ways: each of its ramps starts from the other's edge.
    """
    if not len(must.low):
        return start, end
    of = np.repeat(run, len(ONE_WAY))
    for edge, far in ((start, must.low), (end, must.high)):
        row = must.holding(of, edge[:, ONE_WAY].ravel()).reshape(-1, len(ONE_WAY))
        edge[:, ONE_WAY] = np.where(row >= 0, far[row], edge[:, ONE_WAY])
    return start, end


def _box(
    axis: Axis, run: IntArray, face: FloatArray, length: FloatArray, sizes: PitSizes, ahead: bool
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
            _box(axis, run, at - half if ahead else at + half, 2 * half, sizes, ahead)[0]
            for ahead in (False, True)
        )
    )
    straight: BoolArray = (reach >= 2 * half - EDGE) & ~held
    return straight, half
