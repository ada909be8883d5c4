"""The ground over what a pit digs to the host, from edge to edge.

A pit may open more than 50 m of the main, and what counts for it, its greatest depth, its volume
and how steep the ground is, may lie anywhere in between: all of it is told by the stations inside
the pit and by its two edges, the ground being straight from one of them to the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geotools.accel import in_parts
from geotools.intake.ragged import TICK
from geotools.network.places import Between
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, spread_out
from geotools.pipe.pits import STEEP_OVER_M
from geotools.siting.profile import STEP, Profile

__all__ = [
    "Depths",
    "Stretch",
    "dug_depths",
    "greatest_within",
    "stations_inside",
    "too_steep",
]

EVEN = 1e-6  # m2 by which a pit as deep all along may differ from one, for rounding
DEEPEST = 1e3  # m; deeper is a fault of the levels, refused in any case
ROWS = 5_000  # pits at a time whose stations are gathered


@dataclass(frozen=True)
class Stretch:
    """Stretches of runs and the stations they lie between.

    Attributes
    ----------
    profile : Profile
    run : ndarray of int64, shape (n,)
    start, end : ndarray, shape (n, k)
        m; may lie beyond the run's ends, where the profile stays as it is at the end.
    """

    profile: Profile
    run: IntArray
    start: FloatArray
    end: FloatArray

    @cached_property
    def edges(self) -> tuple[Between, Between]:
        """Stations both edges lie between, shape (n, k)."""
        return self._between(self.start), self._between(self.end)

    def _between(self, edge: FloatArray) -> Between:
        spot = self.profile.between(np.repeat(self.run, edge.shape[1]), edge.ravel())
        shape = edge.shape
        return Between(
            spot.first.reshape(shape), spot.second.reshape(shape), spot.share.reshape(shape)
        )

    @property
    def first(self) -> IntArray:
        """The first station inside, where there is one, shape (n, k)."""
        first = self.edges[0].first
        before = self.start < self.profile.chainage[first]  # the run begins inside
        return np.asarray(np.where(before, first, first + 1), dtype=np.int64)

    @property
    def count(self) -> IntArray:
        """How many stations lie inside, shape (n, k)."""
        high = self.edges[1]
        beyond = self.end > self.profile.chainage[high.second]  # the run ends inside
        last = np.where(beyond, high.second, high.first)
        return np.asarray(np.maximum(last - self.first + 1, 0), dtype=np.int64)

    def at_edges(self, column: str) -> tuple[FloatArray, FloatArray]:
        """Return a column of the profile at both edges, shape (n, k)."""
        first, last = (self.profile.of(column, edge) for edge in self.edges)
        return first, last

    def greatest(self, column: str, *, sign: float = 1.0) -> FloatArray:
        """Return the greatest value of a column from edge to edge; the least with a sign of -1.

        Of levels that are known; not-a-number where none is.
        """
        inside = greatest_within(sign * self.profile.column(column), self.first, self.count)
        first, last = (sign * value for value in self.at_edges(column))
        most = np.fmax(inside, np.fmax(first, last))
        return np.asarray(sign * np.where(np.isneginf(most), np.nan, most), dtype=np.float64)

    def outside(self) -> tuple[FloatArray, FloatArray]:
        """Return what of the stretches lies before their runs, and beyond them, m."""
        offsets, at = self.profile.offsets, self.profile.chainage
        first, last = at[offsets[self.run]][:, None], at[offsets[self.run + 1] - 1][:, None]
        before = np.minimum(self.end, first) - self.start
        return np.maximum(before, 0.0), np.maximum(self.end - np.maximum(self.start, last), 0.0)


def greatest_within(values: FloatArray, first: IntArray, count: IntArray) -> FloatArray:
    """Return the greatest of so many values from a first one on; of none, minus infinity.

    What is not a number does not count. Any stretch is two of a power of two values, which may
    share some: the greatest of every such stretch is made once, from those half as long.
    """
    out = np.full(first.shape, -np.inf)
    level = np.frexp(count.astype(np.float64))[1] - 1  # -1 of none
    table, width = np.where(np.isnan(values), -np.inf, values), 1
    for step in range(int(level.max(initial=-1)) + 1):
        if step:
            table = np.maximum(table[:-width], table[width:])
            width *= 2
        where = np.nonzero(level == step)
        low = first[where]
        out[where] = np.maximum(table[low], table[low + count[where] - width])
    return out


@dataclass(frozen=True)
class Depths:
    """How deep pits are dug to the host, shape (n, 4).

    Attributes
    ----------
    invert : ndarray
        Greatest depth of the host's invert, m.
    cover : ndarray
        Least cover of the host's crown, m; below 0 where it stands out of the ground.
    first, last, greatest : ndarray
        Dug at the edges, and the most from one to the other, bedding included, m.
    area, squares : ndarray
        What is dug, and its square, added up from edge to edge, m2 and m3.
    uneven : ndarray of bool
        Whether a pit is not as deep all along.
    """

    invert: FloatArray
    cover: FloatArray
    first: FloatArray
    last: FloatArray
    greatest: FloatArray
    area: FloatArray
    squares: FloatArray
    uneven: BoolArray


def dug_depths(stretch: Stretch, *, bedding: float) -> Depths:
    """Return how deep pits are dug to the host over their stretches, so far below it, m."""
    first, last = (np.maximum(depth, 0.0) + bedding for depth in stretch.at_edges("depth"))
    invert = stretch.greatest("depth")
    greatest = np.maximum(invert, 0.0) + bedding
    area, squares = _added_up(stretch)
    length = stretch.end - stretch.start
    squares = squares + (2 * area + bedding * length) * bedding
    area = area + bedding * length
    return Depths(
        invert=invert,
        cover=stretch.greatest("cover", sign=-1.0),
        first=first,
        last=last,
        greatest=greatest,
        area=area,
        squares=squares,
        uneven=greatest * length - area > EVEN,
    )


def _added_up(stretch: Stretch) -> tuple[FloatArray, FloatArray]:
    """Return the depth of the host's invert, and its square, added up along stretches, m2 and m3.

    Sums along all stations, taken one from another, are whole `TICK`s, so that nothing hangs on
    what other runs they go over; and they are of what is deeper than the least depth of the run,
    so that where a main lies as deep everywhere there is nothing to round. Where its invert stands
    out of the ground nothing is dug: a level far off there changes nothing elsewhere on the run.
    """
    profile = stretch.profile
    at, depth = profile.chainage, np.maximum(profile.column("depth"), 0.0)
    least = _least(depth, profile.offsets)
    over = np.clip(depth - np.repeat(least, np.diff(profile.offsets)), 0.0, DEEPEST)
    over = np.nan_to_num(over)
    span = np.diff(at, append=at[-1:])
    span[profile.offsets[1:][np.diff(profile.offsets) > 0] - 1] = 0.0  # to another run
    after = np.roll(over, -1)
    whole = span * (over + after) / 2, span * (over * over + over * after + after * after) / 3
    sums = [offsets_of(np.rint(part / TICK).astype(np.int64)) for part in whole]
    low, high = (_part(at, over, edge) for edge in stretch.edges)
    before, beyond = stretch.outside()
    base, length = least[stretch.run][:, None], stretch.end - stretch.start
    found = []
    for k, total in enumerate(sums):
        between = (total[stretch.edges[1].first] - total[stretch.edges[0].first]) * TICK
        ends = before * low[2] ** (k + 1) + beyond * high[2] ** (k + 1)
        found.append(between + high[k] - low[k] + ends)
    area, squares = found
    return area + base * length, squares + (2 * area + base * length) * base


def _least(depth: FloatArray, offsets: IntArray) -> FloatArray:
    """Return the least depth of each run, m; 0 where none is known."""
    least, filled = np.zeros(len(offsets) - 1), np.diff(offsets) > 0
    least[filled] = np.fmin.reduceat(depth, offsets[:-1][filled]) if filled.any() else 0.0
    return np.nan_to_num(least)


def _part(at: FloatArray, over: FloatArray, edge: Between) -> tuple[FloatArray, ...]:
    """Return depth and square added up from the station before edges to these, and the depth."""
    span, one = at[edge.second] - at[edge.first], over[edge.first]
    rise, way = (over[edge.second] - one) * edge.share, span * edge.share
    return way * (one + rise / 2), way * (one * one + one * rise + rise * rise / 3), one + rise


def too_steep(stretch: Stretch, most: float) -> BoolArray:
    """Return where the ground is steeper than that over any `STEEP_OVER_M` of the stretch.

    Over all of it where it is shorter. Most stretches are known not to be, for no two stations
    about them are.
    """
    low, high = (edge.first for edge in stretch.edges)
    doubtful = greatest_within(stretch.profile.steps, low, high - low + 1) > most
    row, side = np.nonzero(doubtful)
    steep = np.zeros(doubtful.shape, dtype=bool)
    if len(row):

        def steepest(row: IntArray, side: IntArray) -> FloatArray:
            edges = (edge[row, side][:, None] for edge in (stretch.start, stretch.end))
            return _steepest(Stretch(stretch.profile, stretch.run[row], *edges))

        steep[row, side] = in_parts(steepest, ROWS, row, side) > most
    return steep


def _steepest(stretch: Stretch) -> FloatArray:
    """Return the steepest slope of the ground over any `STEEP_OVER_M`, of stretches (n, 1).

    The rise over so long a piece, moved along, bends only where one of its ends meets a station:
    so it is greatest at such a place or at an end of the stretch.
    """
    profile, run = stretch.profile, stretch.run
    at, offsets = profile.chainage, profile.offsets
    start = np.maximum(stretch.start[:, 0], at[offsets[run]])
    end = np.minimum(stretch.end[:, 0], at[offsets[run + 1] - 1])
    over = np.minimum(STEEP_OVER_M, end - start)
    pit, station = stations_inside(stretch)
    met = np.concatenate([at[station], at[station] - over[pit]])
    of = np.concatenate([np.arange(len(run)), np.arange(len(run)), pit, pit])
    place = np.concatenate([start, end - over, np.clip(met, start[of[2 * len(run) :]], None)])
    place = np.minimum(place, (end - over)[of])
    low, high = (
        profile.of("ground_z", profile.between(run[of], spot)) for spot in (place, place + over[of])
    )
    slope = np.zeros(len(run))
    np.maximum.at(slope, of, np.nan_to_num(np.abs(high - low)) / np.maximum(over, STEP)[of])
    return slope


def stations_inside(stretch: Stretch) -> tuple[IntArray, IntArray]:
    """Return pit and station for all stations inside stretches (n, 1), rising by both."""
    pit, local = spread_out(stretch.count[:, 0])
    return pit, stretch.first[pit, 0] + local
