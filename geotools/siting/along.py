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
from geotools.network.words import by_word
from geotools.siting.refusals import PAST_VERGE, SHUTS
from geotools.siting.works import SiteRates, lane_day
from geotools.street.abreast import string_lanes, string_places
from geotools.street.alike import Alike
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
    """How strings may lie across a street: m, as `string_places` takes them."""

    verge: float
    string_gap: float
    lateral_gap: float
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
    ends : ndarray of int64, shape (n,)
        What ends it at another street, as a bit of `refusals`; 0 where none does.
    begins : ndarray, shape (n, levels)
        Length of a string above which each level counts, m, rising from 0.
    taken, day : ndarray, shape (n, levels * k)
        Lanes that one string takes, that two take, and so on, and their cost a day, level by
        level; infinite where so many find no room.
    """

    room: FloatArray
    ends: IntArray
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
    longest : float
        No string is longer, m.
    """
    count = len(spots.chain)
    walk = _Walk(spots, alike, across, rates)
    state = _State(
        np.full(count, np.inf),
        np.zeros((count, across.most), dtype=np.int64),
        np.zeros((count, across.most)),
        np.ones((count, across.most), dtype=bool),
    )
    walk.take(state, np.arange(count), 0)
    room, ends = room.copy(), np.zeros(count, dtype=np.int64)
    levels = [(np.zeros(count), *state.told())]
    rows, step = np.flatnonzero(state.fits[:, 0]), 1
    while len(rows):
        rows = rows[walk.there(rows, step)]
        entered = walk.entered(rows, step)
        on = entered < np.minimum(room[rows], longest)
        rows, entered = rows[on], entered[on]
        before = levels[-1]
        walk.take(state, rows, step)
        narrow = np.abs(spots.own[rows]) > state.half[rows]
        out = narrow | ~state.fits[rows, 0]
        room[rows[out]] = entered[out]
        ends[rows[out]] = np.where(narrow[out], PAST_VERGE, SHUTS)
        rows, entered, step = rows[~out], entered[~out], step + 1
        levels += _next_level(before, state, rows, entered)
    begins, taken, day = (np.concatenate(parts, axis=-1) for parts in _columns(levels))
    return Along(room, ends, begins, taken, day)


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
            self.alike.number("width", street),
            self.alike.number("lanes", street).astype(np.int64),
            gap=across.lateral_gap,
        )
        classes = self.alike.text("class", street)
        shut = (lanes.taken > 0) & (lanes.left == 0)
        busy = by_word(classes, across.busy.__contains__).astype(bool)
        rate = lane_day(classes, lanes.taken, lanes.left, self.rates)
        state.taken[rows] = np.maximum(state.taken[rows], lanes.taken)
        state.rate[rows] = np.maximum(state.rate[rows], np.where(lanes.taken > 0, rate, 0.0))
        state.fits[rows] &= lanes.fits & ~(shut & busy[:, None])
