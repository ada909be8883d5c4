"""The ramps of insertion pits: how long each is for the ground it climbs to, and how deep.

The string rests on rollers on the ground at the ramp's top and lies as the ground behind it
slopes; from there it comes down to the host's axis, and turns into the host as that slopes. The
drop of a ramp so depends on where its top lies, which depends on the drop: the two are made to
agree. Over the run the ground is that of the stations, elsewhere it is looked up in the elevation
raster; where no level is known the ground at the station stands in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import pandas as pd

from geotools.accel import in_parts
from geotools.ground.filled import filled_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.pipe.excavation import ramp_volume_m3
from geotools.pipe.pits import (
    GROUND_PLACES,
    LEAST_SLOPE_OVER_M,
    SLOPE_OVER_M,
    STEEPEST_SLOPE,
    farthest_reach_m,
    ground_reach_m,
    ramp_rise_m,
)
from geotools.siting.axis import Axis, straight_reach
from geotools.siting.profile import Profile
from geotools.siting.settle import Climb, Settled, settle

__all__ = [
    "GroundLine",
    "Levels",
    "RampRules",
    "Ramps",
    "drop_to_host",
    "fit_ramps",
    "ramp_depths",
    "ramp_volumes",
]

CUTS = 65  # cross-sections a ramp's volume is added up from
CUT = 100_000  # cross-sections at a time: a dozen columns of them are made on the way
Levels = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class RampRules:
    """Form of the ramp, and room at the face, rollers and bedding, m."""

    form: str
    working: float
    resting_height: float
    bedding: float


@dataclass(frozen=True)
class GroundLine:
    """Ground along straight lines back from faces, above that at the stations, m.

    Attributes
    ----------
    reach : ndarray
        Length of each line, m.
    row : ndarray of int64
        Row of each line in `rise`.
    rise : ndarray, shape (k, `GROUND_PLACES`)
        At places evenly spaced along the lines.
    turn, turn_rise : ndarray
        Where the run leaves the line, or ends, m, and the ground there: before it the ground is
        that of the run, and what lies beside the run does not count for it.
    """

    reach: FloatArray
    row: IntArray
    rise: FloatArray
    turn: FloatArray
    turn_rise: FloatArray

    def of(self, row: IntArray, way: int) -> GroundLine:
        """Return the lines of candidates, ahead (0) or behind (1), shape (k, 1)."""
        return self.some(row[:, None] * self.reach.shape[1] + way)

    def some(self, line: IntArray) -> GroundLine:
        """Return some of the lines, counted candidate by candidate, ahead before behind."""
        return GroundLine(
            reach=self.reach.ravel()[line],
            row=self.row.ravel()[line],
            rise=self.rise,
            turn=self.turn.ravel()[line],
            turn_rise=self.turn_rise.ravel()[line],
        )

    def at(self, way: FloatArray) -> FloatArray:
        """Return the ground at ways along the lines, linear between, the last place's beyond."""
        step = np.clip(way / self.reach, 0.0, 1.0) * (GROUND_PLACES - 1)
        first = np.minimum(step.astype(np.int64), GROUND_PLACES - 2)
        place = self.row * GROUND_PLACES + first
        low, high = (self.rise.ravel()[place + k] for k in (0, 1))
        turn = self.turn / self.reach * (GROUND_PLACES - 1) - first  # 0 to 1 in its interval
        share = step - first
        rise = low + share * (high - low)
        inside = (turn > 0) & (turn < 1)
        if inside.any():  # few are: there the ground is linear up to the turn, and from it on
            share, turn, low, high = share[inside], turn[inside], low[inside], high[inside]
            level = np.broadcast_to(self.turn_rise, inside.shape)[inside]
            after = share > turn
            one, two = np.where(after, level, low), np.where(after, high, level)
            begin, end = np.where(after, turn, 0.0), np.where(after, 1.0, turn)
            rise[inside] = one + (share - begin) / (end - begin) * (two - one)
        return np.asarray(rise, dtype=np.float64)


@dataclass(frozen=True)
class Ramps:
    """Ramps at every candidate, shape (n, 2): for the pull ahead, and for the pull behind.

    Attributes
    ----------
    length : ndarray, shape (n, 2)
        Length of the ramp, m; NaN where none is possible.
    climb : Climb
        Its drop, m, and its slopes, shape (n, 2): axis of the resting string at the ramp's top
        down to the host's axis at its foot; slopes as of `pipe.pits`.
    shared : ndarray, shape (n,)
        Length where one hole serves pulls both ways: the longer of the two, m.
    shared_climbs : Climb
        Of both in that hole, shape (n, 2): each is as long as the hole leaves room for, the one
        that needs less bent less.
    governs : ndarray of int64, shape (n,)
        Which of the two makes the hole so long.
    falls : ndarray of bool, shape (n, 3)
        There is none for the host falls away too steeply: one way each, and both in one hole.
    room : ndarray, shape (n, 2)
        Length between the face and the ramp's foot, m.
    level_drop : ndarray, shape (n,)
        Drop to the host at the station, were its ground level all around, m.
    ground : GroundLine
        Ground back from the face.
    foot : ndarray, shape (n, 2)
        Host's axis at the ramp's foot, drawn on from the face, above that at the station, m.
    radius, outside : ndarray, shape (n,)
        Least radius and outside diameter of the carrier, m.
    rules : RampRules
    """

    length: FloatArray
    climb: Climb
    shared: FloatArray
    shared_climbs: Climb
    governs: IntArray
    falls: BoolArray
    room: FloatArray
    level_drop: FloatArray
    ground: GroundLine
    foot: FloatArray
    radius: FloatArray
    outside: FloatArray
    rules: RampRules

    @property
    def shared_climb(self) -> Climb:
        """What the ramp climbs that makes the hole for both as long as it is, shape (n,)."""
        every = np.arange(len(self.governs))
        return _taken(self.shared_climbs, every * 2 + self.governs, self.governs.shape)

    def past_ground(self) -> BoolArray:
        """Say where a ramp, or the ground behind it, ends beyond the ground looked up, (n,)."""
        longest = np.fmax(np.fmax(*self.length.T), self.shared / 2)  # none where NaN
        return np.asarray(longest + SLOPE_OVER_M > (self.ground.reach - self.room).min(axis=1))

    def put(self, row: IntArray, part: Ramps) -> None:
        """Take the ramps of some candidates in the place of those they have."""
        for name in ("length", "shared", "governs", "falls", "foot"):
            getattr(self, name)[row] = getattr(part, name)
        for name in ("climb", "shared_climbs"):
            for column in fields(Climb):
                getattr(getattr(self, name), column.name)[row] = getattr(
                    getattr(part, name), column.name
                )
        for name in ("reach", "turn", "turn_rise"):
            getattr(self.ground, name)[row] = getattr(part.ground, name)
        self.ground.rise[self.ground.row[row]] = part.ground.rise[part.ground.row]

    def top_rise(self) -> FloatArray:
        """Return how far the ground at the tops lies above that at the station, m, (n, 2)."""
        return self.ground.at(self.room + np.nan_to_num(self.length))


def fit_ramps(
    axis: Axis,
    table: pd.DataFrame,
    profile: Profile,
    faces: tuple[FloatArray, FloatArray],
    *,
    host: FloatArray,
    outside: FloatArray,
    radius: FloatArray,
    half_width: FloatArray,
    levels: Levels | None,
    rules: RampRules,
) -> Ramps:
    """Fit the ramps of all candidates to their ground.

    Parameters
    ----------
    axis : Axis
    table : DataFrame
        Candidates: ``run``, ``chainage``, ``depth``, ``ground_z``, ``axis_z`` (m).
    profile : Profile
        Of the runs.
    faces : tuple of ndarray, shape (n,)
        Distance from the station on to the face for the pull ahead, and back to the face for the
        pull behind, m.
    host, outside, radius, half_width : ndarray, shape (n,)
        Host's diameter, carrier's outside diameter and least radius, half the pit's width, m.
    levels : callable, optional
        Ground levels at points; NaN where there is none: there they are filled in.
    rules : RampRules
    """
    run = table["run"].to_numpy(dtype=np.int64)
    at = table["chainage"].to_numpy(dtype=float)
    room = np.stack(faces, axis=1)
    face = at[:, None] + room * np.array([1.0, -1.0])
    names = ("depth", "ground_z", "axis_z")
    depth, here, level = (table[name].to_numpy(dtype=float) for name in names)
    level_drop = drop_to_host(depth, host, outside, resting=rules.resting_height)
    last = axis.chainage[axis.offsets[run + 1] - 1]

    def fitted(row: IntArray, back: FloatArray) -> Ramps:
        reach = room[row] + back[:, None]
        ground = _ground(
            axis, run[row], face[row], reach, half_width[row], here[row], profile, levels
        )
        climbs = _Climbs(
            run[row], at[row], last[row], room[row], face[row], level_drop[row], level[row],
            ground, profile, rules.working,
        )  # fmt: skip
        return _settled(climbs, radius[row], outside[row], rules)

    back = ground_reach_m(level_drop, radius, working_m=rules.working, form=rules.form)
    ramps = fitted(np.arange(len(at)), back)
    far, farthest = np.flatnonzero(ramps.past_ground()), farthest_reach_m(radius)
    while len(far := far[back[far] < farthest[far]]):
        back[far] = np.minimum(2 * back[far], farthest[far])
        again = fitted(far, back[far])
        ramps.put(far, again)
        far = far[again.past_ground()]
    return ramps


def _settled(climbs: _Climbs, radius: FloatArray, outside: FloatArray, rules: RampRules) -> Ramps:
    """Return the ramps that are as long as what they climb asks for."""
    shape, at = climbs.face.shape, climbs.at
    wide = np.repeat(radius, 2)
    one_way, two_way = (
        settle(climb_of, wide, rules.form) for climb_of in (climbs.one_way, climbs.two_way)
    )
    shared = two_way.length.reshape(shape)
    falls, both = (each.falls.reshape(shape) for each in (one_way, two_way))
    falls = np.column_stack([falls, both.any(axis=1)])
    longest = shared.max(axis=1)
    return Ramps(
        one_way.length.reshape(shape), _taken(one_way.climb, np.arange(2 * len(at)), shape),
        longest, _in_one_hole(climbs, two_way, longest), np.argmax(np.nan_to_num(shared), axis=1),
        falls, climbs.room, climbs.level_drop, climbs.ground, climbs.foot.reshape(shape), radius,
        outside, rules,
    )  # fmt: skip


def _in_one_hole(climbs: _Climbs, own: Settled, longest: FloatArray) -> Climb:
    """Return what both ramps climb in a hole that is long enough for either, shape (n, 2).

    The one that could be shorter is drawn out to the hole's length, where it finds its own ground.
    """
    length = np.repeat(longest, 2)
    line = np.flatnonzero(own.length < length)
    climb = _taken(own.climb, np.arange(len(length)), length.shape)
    climb.put(line, climbs.two_way(line, length[line]), np.ones(len(line), dtype=bool))
    return _taken(climb, np.arange(len(length)), climbs.face.shape)


def _taken(climb: Climb, line: IntArray, shape: tuple[int, ...]) -> Climb:
    """Return what these lines climb, in an array of this shape."""
    columns = (getattr(climb, column.name).ravel() for column in fields(Climb))
    return Climb(*(column[line].reshape(shape) for column in columns))


@dataclass(frozen=True)
class _Climbs:
    """What ramps climb from their face; a line is a candidate's ramp ahead or, odd, behind.

    Shapes (n,) for candidates, (n, 2) for ``room``, ``face`` and ``ground``; ``level`` is the
    host's axis at the station, ``last`` the end of its run, m.
    """

    run: IntArray
    at: FloatArray
    last: FloatArray
    room: FloatArray
    face: FloatArray
    level_drop: FloatArray
    level: FloatArray
    ground: GroundLine
    profile: Profile
    working: float

    @cached_property
    def host_slope(self) -> FloatArray:
        """Return the slope of the host at every face, back along the ramp, shape (2n,)."""
        return self._slope(np.arange(self.face.size), self.face.ravel(), self._pipe_at_faces)

    @cached_property
    def foot(self) -> FloatArray:
        """Return the host's axis at every foot above that at the station, m, shape (2n,)."""
        foot = self._pipe_at_faces + self.host_slope * self.room.ravel()
        return np.asarray(foot, dtype=np.float64)

    @cached_property
    def _pipe_at_faces(self) -> FloatArray:
        return self._pipe_above(np.arange(self.face.size), self.face.ravel())

    def one_way(self, line: IntArray, length: FloatArray) -> Climb:
        """Return what ramps of one-way pits of these lengths climb."""
        back = self.room.ravel()[line] + length
        return self._climb(line, back, self.foot[line], self.host_slope[line])

    def two_way(self, line: IntArray, length: FloatArray) -> Climb:
        """Return what ramps climb that share a hole with one of their length.

        Their middle lies at the station.
        """
        half = length / 2
        face = self.at[line // 2] + (half + self.working) * np.where(line % 2, -1.0, 1.0)
        pipe = self._pipe_above(line, face)
        host_slope = self._slope(line, face, pipe)
        foot = pipe + host_slope * self.working
        return self._climb(line, self.room.ravel()[line] + half, foot, host_slope)

    def _climb(
        self, line: IntArray, back: FloatArray, foot: FloatArray, host_slope: FloatArray
    ) -> Climb:
        """Return what ramps climb from their foot to a top so far back from the face, m."""
        ground = self.ground.some(line)
        top, behind = ground.at(back), ground.at(back + SLOPE_OVER_M)
        rest_slope = np.clip((behind - top) / SLOPE_OVER_M, -STEEPEST_SLOPE, STEEPEST_SLOPE)
        return Climb(self.level_drop[line // 2] + top - foot, host_slope, rest_slope)

    def _slope(self, line: IntArray, face: FloatArray, pipe: FloatArray) -> FloatArray:
        """Return the slope of the host ahead of faces, back along the ramps.

        ``pipe`` is the host's axis there, as of `_pipe_above`.
        """
        run, ahead = self.run[line // 2], np.where(line % 2, -1.0, 1.0)
        last = self.last[line // 2]
        beyond = np.clip(face + SLOPE_OVER_M * ahead, 0.0, last)
        over = ahead * (beyond - face)
        known = over >= LEAST_SLOPE_OVER_M
        rise = pipe[known] - self._pipe_above(line[known], beyond[known])
        slope = np.zeros(len(run))
        slope[known] = np.clip(rise / over[known], -STEEPEST_SLOPE, STEEPEST_SLOPE)
        return slope

    def _pipe_above(self, line: IntArray, place: FloatArray) -> FloatArray:
        """Return the host's axis at chainages above that at the station, 0 where unknown."""
        of = line // 2
        pipe = self.profile.of("axis_z", self.profile.between(self.run[of], place))
        return np.asarray(np.nan_to_num(pipe - self.level[of]), dtype=np.float64)


def _ground(
    axis: Axis,
    run: IntArray,
    face: FloatArray,
    reach: FloatArray,
    half_width: FloatArray,
    here: FloatArray,
    profile: Profile,
    levels: Levels | None,
) -> GroundLine:
    """Return the ground along the lines of the ramps above that at the stations, ``here``, m."""
    turns = np.zeros(face.shape)
    out = np.zeros((*face.shape, GROUND_PLACES))
    beside = np.zeros(out.shape, dtype=bool)
    start, heading = (np.zeros((*face.shape, 2)) for _ in range(2))
    share = np.linspace(0.0, 1.0, GROUND_PLACES)
    last = axis.chainage[axis.offsets[run + 1] - 1]
    for k, sign in enumerate((-1.0, 1.0)):
        before = sign > 0
        heading[:, k] = sign * axis.heading(run, face[:, k], before=before)
        start[:, k] = axis.position(run, face[:, k])
        over = straight_reach(
            axis, run, face[:, k], heading[:, k],
            length=reach[:, k], half_width=half_width, ahead=before,
        )  # fmt: skip
        to_end = last - face[:, k] if before else face[:, k]
        turns[:, k] = np.clip(np.minimum(over, to_end), 0.0, reach[:, k])
        way = reach[:, k, None] * share
        at = face[:, k, None] + sign * way
        on = (way <= over[:, None] + 1e-9) & (at >= -1e-9) & (at <= last[:, None] + 1e-9)
        (ground,) = profile.table(["ground_z"], run, at)
        out[:, k] = np.where(on, np.nan_to_num(ground - here[:, None]), 0.0)  # 0 on bare runs
        beside[:, k] = ~on
    if levels is not None and beside.any():
        row, side, step = np.nonzero(beside)
        away = reach[row, side] * share[step]
        z = levels(start[row, side] + heading[row, side] * away[:, None])
        out[row, side, step] = z - here[row]
        out = _filled(out)
    (level,) = profile.table(["ground_z"], run, face + turns * np.array([-1.0, 1.0]))
    turn_rise = np.where(turns > 0, np.nan_to_num(level - here[:, None]), out[..., 0])
    lines = np.arange(face.size).reshape(face.shape)
    return GroundLine(reach, lines, out.reshape(-1, GROUND_PLACES), turns, turn_rise)


def _filled(rise: FloatArray) -> FloatArray:
    """Fill in the ground along lines, shape (n, 2, k), where it is not known; level where none is.

    Beyond the edge of an elevation raster it stays as high as at the edge.
    """
    if np.isfinite(rise).all():
        return rise
    line = np.repeat(np.arange(rise[..., 0].size), GROUND_PLACES)
    step = np.tile(np.arange(GROUND_PLACES, dtype=float), rise[..., 0].size)
    return np.nan_to_num(filled_along(line, step, rise.ravel())).reshape(rise.shape)


def drop_to_host(
    depth: FloatArray, host: FloatArray, outside: FloatArray, *, resting: float
) -> FloatArray:
    """Return the height from the axis of the resting string to that of the host, m.

    Depth is that of the invert; the string rests with its underside ``resting`` above ground.
    """
    return np.asarray(depth - host / 2 + resting + outside / 2, dtype=np.float64)


def ramp_depths(ramps: Ramps, row: IntArray, way: int, place: FloatArray) -> FloatArray:
    """Return how deep a ramp is dug, m, shape (k, m).

    Parameters
    ----------
    ramps : Ramps
    row : ndarray of int64, shape (k,)
        Candidates.
    way : int
        0 for the pull ahead, 1 for the pull behind.
    place : ndarray, shape (k, m)
        Distance from the ramp's foot back to its top, m; below 0 towards the face.

    Notes
    -----
    Dug to the bedding below the carrier's underside, which follows the arcs; near the top it
    hangs above the ground, and nothing is dug.
    """
    rules, outside = ramps.rules, ramps.outside[row, None]
    ground = ramps.ground.of(row, way).at(ramps.room[row, way, None] + place)
    resting = rules.resting_height + outside / 2
    over_foot = ramps.level_drop[row, None] - resting + ground - ramps.foot[row, way, None]
    rise = ramp_rise_m(
        place,
        ramps.length[row, way, None],
        ramps.radius[row, None],
        host_slope=ramps.climb.host_slope[row, way, None],
        rest_slope=ramps.climb.rest_slope[row, way, None],
        form=rules.form,
    )
    deep = over_foot - rise + outside / 2 + rules.bedding
    return np.asarray(np.maximum(deep, 0.0), dtype=np.float64)


def ramp_volumes(
    ramps: Ramps, row: IntArray, way: int, begin: FloatArray, width: FloatArray, slope: FloatArray
) -> FloatArray:
    """Return the volume of ramps from a distance from their foot to their top, m3, shape (k,).

    Parameters
    ----------
    ramps, row, way
        As for `ramp_depths`.
    begin, width, slope : ndarray, shape (k,)
        Distance from the foot, m; width at the bottom, m; lean of the sides.
    """

    def volumes(
        row: IntArray, begin: FloatArray, width: FloatArray, slope: FloatArray
    ) -> FloatArray:
        end = np.maximum(ramps.length[row, way], begin)
        place = begin[:, None] + (end - begin)[:, None] * np.linspace(0.0, 1.0, CUTS)
        depth = np.minimum(ramp_depths(ramps, row, way, place), 50.0)
        return ramp_volume_m3(place, depth, width[:, None], slope=slope[:, None])

    return in_parts(volumes, CUT // CUTS, row, begin, width, slope)
