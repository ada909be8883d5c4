"""Lanes that strings take along their streets, which may grow narrower or busier farther on.

A string takes lanes of every street it lies in. What it takes is told up to a length, and from
there on up to another: lanes the most of any of the streets, at the price of the dearest of them.
Its room ends where the next street is so narrow that it would lie past its verge, and where it
would close every lane of a busy one. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray, rows_of
from geotools.siting.refusals import PAST_VERGE, SHUTS
from geotools.siting.works import SiteRates, lane_day, of_classes
from geotools.street.abreast import string_lanes, string_places
from geotools.street.alike import Alike
from geotools.street.lanes import Carriageway, Passage
from geotools.street.offsets import offset_length

__all__ = ["Across", "Along", "StringSpots", "lanes_along"]


@dataclass(frozen=True)
class StringSpots:
    """Where strings begin: arrays of shape (n,).

    Attributes
    ----------
    chain, at, forward
        Chain, chainage (m) and whether they lie along the chain, or against it.
    own, outside
        How far left of the centreline the first one lies, and the diameter of the pipe, m.
    """

    chain: IntArray
    at: FloatArray
    forward: BoolArray
    own: FloatArray
    outside: FloatArray

    def of(self, rows: IntArray) -> StringSpots:
        """Return some of them."""
        return rows_of(self, rows)


@dataclass(frozen=True)
class Across:
    """How strings may lie across a street: m, as `string_places` and `Passage` take them."""

    verge: float
    string_gap: float
    lateral_gap: float
    lane_share: float
    over_middle: bool
    busy: frozenset[str]
    most: int


@dataclass(frozen=True)
class Along:
    """What strings take, by how long they are.

    Attributes
    ----------
    room : ndarray, shape (n,)
        Length free for a string, m.
    denied : ndarray of int64, shape (n,)
        What streets nearer than the shortest string deny it, as bits of `refusals`: all of them,
        for each would keep it out where the others did not.
    begins : ndarray, shape (n, levels)
        Length of a string above which each level counts, m, rising from 0.
    taken, day : ndarray, shape (n, levels * k)
        Lanes that one string takes, that two take, and so on, and their cost a day, level by
        level; infinite where so many find no room.
    """

    room: FloatArray
    denied: IntArray
    begins: FloatArray
    taken: FloatArray
    day: FloatArray


@dataclass
class _State:
    """What is known of every row so far; of strings side by side shape (n, k)."""

    half: FloatArray
    taken: IntArray
    rate: FloatArray
    fits: BoolArray

    def told(self) -> tuple[FloatArray, FloatArray]:
        """Return lanes and their cost a day."""
        taken = self.taken.astype(float)
        day = self.rate * taken
        return np.where(self.fits, taken, np.inf), np.where(self.fits, day, np.inf)


def lanes_along(
    spots: StringSpots,
    room: FloatArray,
    alike: Alike,
    across: Across,
    rates: SiteRates,
    *,
    least: float,
    longest: float,
) -> Along:
    """Return the lanes strings take, street by street as far as any string may lie.

    Parameters
    ----------
    spots : StringSpots
    room : ndarray, shape (n,)
        Length free for all else, m.
    alike : Alike
    across : Across
    rates : SiteRates
    least, longest : float
        No string is shorter, and none is longer, m.
    """
    count = len(spots.chain)
    walk = _Walk(spots, alike, across, rates)
    state = _State(
        np.full(count, np.inf),
        np.zeros((count, across.most), dtype=np.int64),
        np.zeros((count, across.most)),
        np.ones((count, across.most), dtype=bool),
    )
    rows, step = np.arange(count), 0
    walk.take(state, rows, step)
    room, open_ = room.copy(), state.fits[:, 0].copy()
    denied = np.where(open_, 0, SHUTS)
    levels = [(np.zeros(count), *state.told())]
    while len(rows):
        step += 1
        rows = rows[walk.there(rows, step)]
        entered = walk.entered(rows, step)
        # beyond its room a string is followed as far as the shortest, for what else denies it
        goes_on = open_[rows] & (entered < np.minimum(room[rows], longest))
        kept = goes_on | (entered < least)
        rows, entered, goes_on = rows[kept], entered[kept], goes_on[kept]
        before = levels[-1]
        walk.take(state, rows, step)
        limits = walk.limits(state, rows)
        denied[rows] |= np.where(entered < least, limits, 0)
        out = goes_on & (limits > 0)
        room[rows[out]], open_[rows[out]] = entered[out], False
        inside = goes_on & ~out
        levels += _next_level(before, state, rows[inside], entered[inside])
    begins, taken, day = (np.concatenate(parts, axis=-1) for parts in _columns(levels))
    return Along(room, denied, begins, taken, day)


def _columns(
    levels: list[tuple[FloatArray, FloatArray, FloatArray]],
) -> tuple[list[FloatArray], list[FloatArray], list[FloatArray]]:
    begins, taken, day = zip(*levels, strict=True)
    return [begin[:, None] for begin in begins], list(taken), list(day)


def _next_level(
    before: tuple[FloatArray, FloatArray, FloatArray],
    state: _State,
    rows: IntArray,
    entered: FloatArray,
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Return the level that begins where streets are entered; none where they change nothing."""
    taken, day = (values.copy() for values in before[1:])
    told = state.told()
    new = ((told[0][rows] != taken[rows]) | (told[1][rows] != day[rows])).any(axis=1)
    rows = rows[new]
    if not len(rows):
        return []
    taken[rows], day[rows] = told[0][rows], told[1][rows]
    begin = before[0].copy()
    begin[rows] = entered[new]
    return [(begin, taken, day)]


@dataclass(frozen=True)
class _Walk:
    """Streets one after the other from where strings begin."""

    spots: StringSpots
    alike: Alike
    across: Across
    rates: SiteRates

    def _street(self, rows: IntArray, step: int) -> IntArray:
        of = self.spots.of(rows)
        first = self.alike.begun(of.chain, of.at, of.forward)
        return np.asarray(first + np.where(of.forward, step, -step), dtype=np.int64)

    def there(self, rows: IntArray, step: int) -> BoolArray:
        """Return where the chain goes on so many streets."""
        street, bounds = self._street(rows, step), self.alike.places.offsets
        chain = self.spots.chain[rows]
        return np.asarray((street >= bounds[chain]) & (street < bounds[chain + 1]))

    def entered(self, rows: IntArray, step: int) -> FloatArray:
        """Return how long the first string is where it comes to a street, m."""
        of = self.spots.of(rows)
        edge = self.alike.near_edge(self._street(rows, step), of.forward)
        return offset_length(self.alike.net, of.chain, of.at, edge, of.own)

    def limits(self, state: _State, rows: IntArray) -> IntArray:
        """Return what ends the room of a string in the streets taken so far, as bits."""
        narrow = np.abs(self.spots.own[rows]) > state.half[rows]
        shut = ~state.fits[rows, 0]
        return np.asarray(np.where(narrow, PAST_VERGE, 0) | np.where(shut, SHUTS, 0))

    def take(self, state: _State, rows: IntArray, step: int) -> None:
        """Add what is taken of the street after so many steps to the state of rows.

        Where it is narrower than those before, strings lie closer to its middle in all of them.
        """
        width = self.alike.number("width", self._street(rows, step))
        half = width / 2 + self.across.verge
        less = half < state.half[rows]
        state.half[rows[less]] = half[less]
        again = rows[less] if self.across.most > 1 else rows[:0]
        if step and len(again):
            state.taken[again], state.rate[again], state.fits[again] = 0, 0.0, True
            for back in range(step):
                self._add(state, again, back)
        self._add(state, rows, step)

    def _add(self, state: _State, rows: IntArray, step: int) -> None:
        street, of, across = self._street(rows, step), self.spots.of(rows), self.across
        places = string_places(
            of.own,
            state.half[rows],
            of.outside,
            gap=across.string_gap,
            count=across.most,
            over_middle=across.over_middle,
        )
        lanes = string_lanes(
            places,
            of.outside,
            Carriageway(
                self.alike.number("width", street),
                self.alike.number("lanes", street).astype(np.int64),
                self.alike.number("oneway", street),
            ),
            Passage(across.lateral_gap, across.lane_share),
        )
        classes = self.alike.text("class", street)
        shut = (lanes.taken > 0) & (lanes.left == 0)
        busy = of_classes(classes, across.busy)
        rate = lane_day(classes, lanes.taken, lanes.left, self.rates)
        state.taken[rows] = np.maximum(state.taken[rows], lanes.taken)
        state.rate[rows] = np.maximum(state.rate[rows], np.where(lanes.taken > 0, rate, 0.0))
        state.fits[rows] &= lanes.fits & ~(shut & busy[:, None])
