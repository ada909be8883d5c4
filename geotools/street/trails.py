"""Closures that are led from one street into another, or to where traffic flows otherwise.

Their streets are laid end to end as traffic comes along them, from the taper to the downstream
taper. Where one goes over into the next the lane closed stays by the kerb, or by the middle, that
it lies at: it is as wide there, and no wider than that traffic of that direction keeps as many
lanes as beside the work. Where it has no more than these there is none to close: it ends there.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely

from geotools.network.places import on_measures
from geotools.network.ragged import FloatArray, firsts, measures
from geotools.street.kept import Half, Kept
from geotools.street.lanes import TOUCH
from geotools.street.net import StreetNet
from geotools.street.onward import Approaching, Leg, Walk
from geotools.street.strips import strips

__all__ = ["Lane", "Trail"]

SHORT = 1e-5  # m
STRAIGHT = 1e-6  # rad


@dataclass(frozen=True)
class Lane:
    """The ground of lanes closed, across the street: m left of it as traffic goes.

    ``edge`` is the kerb or the middle it lies at, ``inner`` its other side.
    """

    edge: float
    inner: float

    @property
    def high(self) -> bool:
        """Say whether it lies at the left of its traffic."""
        return self.edge > self.inner

    def beside(self, low: float, high: float, *, most: float = np.inf) -> Lane:
        """Return it between the kerb and the middle, or the kerbs, of another street.

        It is no wider than ``most``, m.
        """
        wide = min(abs(self.edge - self.inner), high - low, most)
        return Lane(high, high - wide) if self.high else Lane(low, low + wide)


@dataclass(frozen=True)
class _Led:
    """Legs with the lane closed on each; and the street they end before, -1 of none."""

    laid: list[tuple[Leg, Lane]]
    stopped: int


@dataclass(frozen=True)
class Trail:
    """The streets a closure lies along, in the order its traffic comes along them.

    Attributes
    ----------
    net : StreetNet
    lane : Lane
        At the work.
    keep_right : bool
    upstream, downstream : Walk
        From the work on, each as it is walked.
    work : Leg
        As traffic comes along it.
    own : tuple of float
        How far it would go on its own street, upstream and downstream, m.
    kept : Kept
        What its traffic has beside the work.
    past : tuple of float
        How far the work reaches past the ends of its own street, upstream and downstream, m.
    """

    net: StreetNet
    lane: Lane
    keep_right: bool
    upstream: Walk
    downstream: Walk
    work: Leg
    own: tuple[float, float]
    kept: Kept
    past: tuple[float, float] = (0.0, 0.0)

    @property
    def legs(self) -> list[Leg]:
        """Return all stretches in the order of the traffic."""
        return [leg for leg, _ in self._laid]

    @property
    def lanes(self) -> list[Lane]:
        """Return the lane closed on every leg; as at the work while nothing changes from there."""
        return [lane for _, lane in self._laid]

    @property
    def others(self) -> list[Approaching]:
        """Return the streets besides that traffic comes along, no farther than it is led."""
        return [one for one in self.upstream.others if one.far <= self.before + SHORT]

    @property
    def before(self) -> float:
        """Return how far it is led upstream, m."""
        return float(sum(leg.length for leg, _ in self._before.laid))

    def lacking(self, due: float) -> float:
        """Return what of a length due before the work finds no room there, m."""
        short = due - max(self.before - self.past[0], 0.0)
        return short if short > SHORT else 0.0

    @property
    def not_led_into(self) -> int:
        """Return the street upstream that it ends before, as too few lanes would be left; or -1."""
        return self._before.stopped

    @cached_property
    def _before(self) -> _Led:
        return self._led(self.upstream, self.work.begin)

    @cached_property
    def _behind(self) -> _Led:
        return self._led(self.downstream, self.work.end)

    @property
    def _laid(self) -> list[tuple[Leg, Lane]]:
        before = [
            (replace(leg, begin=leg.end, end=leg.begin), lane)
            for leg, lane in self._before.laid[::-1]
        ]
        return [*before, (self.work, self.lane), *self._behind.laid]

    def places(self) -> list[tuple[int, float, float, float]]:
        """Return chain, begin and end of every stretch, m, and how far past the begin of the work.

        That is less than 0 before it.
        """
        out, at = [], min(self.past[0], self.before) - self.before
        for leg in self.legs:
            out.append((leg.chain, leg.begin, leg.end, at))
            at += leg.length
        return out

    def plain(self) -> bool:
        """Say whether it goes all along its own street, and its lane stays where it is."""
        far = (sum(leg.length for leg, _ in led.laid) for led in (self._before, self._behind))
        return (
            all(abs(length - own) <= SHORT for length, own in zip(far, self.own, strict=True))
            and all(
                leg.chain == self.work.chain
                and (leg.flow == 0) == (self.work.flow == 0)
                and not leg.narrowed
                for leg in self.legs
            )
            and all(abs(two.begin - one.end) <= SHORT for one, two in itertools.pairwise(self.legs))
        )  # a street that becomes two carriageways and one again meets itself

    def _led(self, walk: Walk, end: float) -> _Led:
        """Return the legs of a walk with the lane closed on each, as far as enough is left.

        A leg along which too little would be is led on in parts, a street each. The street that
        the work itself reaches into, at its ``end``, is no other one.
        """
        out: list[tuple[Leg, Lane]] = []
        own = self._reached(end)
        before, moved = self.work, False
        for leg in walk.legs:
            same = (leg.flow == 0) == (before.flow == 0)
            moved = moved or leg.chain != before.chain or not same
            lane = self.lane.beside(*self._span(leg)) if moved else self.lane
            before = leg
            parts = self._streets(leg)
            mine = int(leg is walk.legs[0] and parts[0].line == own)
            if all(self._enough(lane, part) for part in parts[mine:]):
                out.append((leg, lane))
                continue
            out += [(part, lane) for part in parts[:mine]]
            for part in parts[mine:]:
                if moved or not self._enough(lane, part):
                    moved = True
                    lane = self._across(part)
                if abs(lane.edge - lane.inner) <= TOUCH:
                    return _Led(out, part.line)
                out.append((replace(part, narrowed=moved), lane))
        return _Led(out, -1)

    def _reached(self, end: float) -> int:
        """Return the street in which the work ends."""
        middle = (self.work.begin + self.work.end) / 2
        step = np.clip(middle - end, -TOUCH, TOUCH)
        return int(self.net.line_at(np.array([self.work.chain]), np.array([end + step]))[0])

    def _streets(self, leg: Leg) -> list[Leg]:
        """Return the parts of a leg, a street each."""
        low, high = np.sort([leg.begin, leg.end])
        _, piece = self.net.pieces_along(np.array([leg.chain]), low[None], high[None])
        line = self.net.chains.pieces["line"].to_numpy(dtype=np.int64)[piece]
        start = self.net.chains.pieces["start"].to_numpy(dtype=float)[piece]
        other = firsts(line)
        ends = [float(low), *start[other][1:].tolist(), float(high)]
        parts = [
            replace(leg, begin=begin, end=end, line=of)
            for of, begin, end in zip(line[other].tolist(), ends[:-1], ends[1:], strict=True)
        ]
        if leg.end >= leg.begin:
            return parts
        return [replace(part, begin=part.end, end=part.begin) for part in parts[::-1]]

    def _half(self, leg: Leg) -> Half:
        """Return what its traffic has of the street of a leg."""
        line, oneway = np.array([leg.line]), np.array([leg.flow != 0])
        return Half.of(self.net, line, oneway, keep_right=self.keep_right)

    def _span(self, leg: Leg) -> tuple[float, float]:
        """Return between what that lies, m left of the street."""
        half = self._half(leg)
        return float(half.low.item()), float(half.high.item())

    def _enough(self, lane: Lane, leg: Leg) -> bool:
        """Say whether a lane closed leaves enough of the street of a leg."""
        if lane is self.lane and self._alike(leg):
            return True
        low, high = np.sort([lane.edge, lane.inner])
        return bool(self.kept.enough(low, high, self._half(leg)).all())

    def _alike(self, leg: Leg) -> bool:
        """Say whether the street of a leg is as wide as that of the work, and has as many lanes."""
        return (leg.flow == 0) == (self.work.flow == 0) and all(
            self.net.column(name)[leg.line] == self.net.column(name)[self.work.line]
            for name in ("width", "lanes")
        )

    def _across(self, leg: Leg) -> Lane:
        """Return the lane closed on another street: where its kerb, or its middle, is there.

        No wider than that enough is left.
        """
        lane = self.lane.beside(*self._span(leg))
        if self._enough(lane, leg):
            return lane
        most = float(self.kept.widest(self._half(leg)).item())
        return self.lane.beside(*self._span(leg), most=most)

    def drawn(self, taper: float, buffer: float, downstream: float) -> shapely.Geometry:
        """Return the ground of the closure; the lengths, m, are cut short where the streets end."""
        xy, joints, (begin, end) = self._laid_out()
        begin, end = begin - self.past[0], end + self.past[1]
        total = float(measures(xy, np.array([0, len(xy)]))[-1])
        stops = [begin - buffer - taper, begin - buffer, end, end + downstream]
        stops = np.clip(stops, 0.0, total).tolist()
        corners = _corners(stops, joints, self.lanes)
        one = replace(
            self.net,
            chains=replace(self.net.chains, xy=xy, offsets=np.array([0, len(xy)])),
            lengths=np.array([total]),
            lap=np.array([np.inf]),
        )
        (shape,) = strips(one, np.zeros(1, dtype=np.int64), corners[None])
        return shape

    def _laid_out(self) -> tuple[FloatArray, list[float], tuple[float, float]]:
        """Return the legs as one line, where each but the first begins on it, and the work, m."""
        parts = [_along(self.net, leg) for leg in self.legs]
        row = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        xy = np.concatenate(parts)
        at = measures(xy, np.array([0, len(xy)]))
        begins = [float(at[np.argmax(row == k)]) for k in range(len(parts))]
        own = len(self._before.laid)
        end = float(at[len(row) - 1 - np.argmax(row[::-1] == own)])
        kept = firsts(np.round(at, 6))
        xy, at = xy[kept], at[kept]
        # Where legs go straight on into each other there is no vertex: a kerb may not reach it.
        joint = np.abs(at[1:-1, None] - [begins[own], end]).min(axis=1) <= SHORT
        (ax, ay), (bx, by) = np.diff(xy[:-1], axis=0).T, np.diff(xy[1:], axis=0).T
        bent = np.abs(np.arctan2(ax * by - ay * bx, ax * bx + ay * by)) > STRAIGHT
        return xy[np.append(True, np.append(~joint | bent, True))], begins[1:], (begins[own], end)


def _along(net: StreetNet, leg: Leg) -> FloatArray:
    """Return the line of a stretch of a chain."""
    low, high = min(leg.begin, leg.end), max(leg.begin, leg.end)
    chain = np.array([leg.chain])
    first = int(net.places.search(chain, np.array([low]), "right")[0])
    last = int(net.places.search(chain, np.array([high]), "left")[0])
    ends = on_measures(net.chains.xy, net.places, np.repeat(chain, 2), np.array([low, high]))
    xy = np.concatenate([ends[:1], net.chains.xy[first : max(last, first)], ends[1:]])
    return xy if leg.end >= leg.begin else xy[::-1]


def _corners(stops: list[float], joints: list[float], lanes: list[Lane]) -> FloatArray:
    """Return the corners of a closure: chainage along its streets and off them, m.

    First along its inner side, then back along its edge; one more on either at every joint where
    it lies elsewhere behind it.
    """
    begin, *inside, last = stops
    turns = [
        (at, k + 1) for k, at in enumerate(joints) if begin < at < last and lanes[k] != lanes[k + 1]
    ]
    lane = lanes[int(np.searchsorted(joints, begin, "right"))]
    inner, outer = [(begin, lane.edge)], []
    # At one place the corner of the buffer or the work comes before the joint.
    for at, behind in sorted([(at, 0) for at in inside] + turns):
        share = float(np.interp(at, stops, [0.0, 1.0, 1.0, 0.0])) if behind else 1.0
        corner = (at, lane.edge + share * (lane.inner - lane.edge))
        inner += [corner] if corner != inner[-1] or not behind else []
        if behind:
            edges = [(at, lane.edge), (at, lanes[behind].edge)]
            lane = lanes[behind]
            corner = (at, lane.edge + share * (lane.inner - lane.edge))
            inner += [corner] if corner != inner[-1] else []
            outer += edges if edges[0] != edges[1] else []
    return np.array([*inner, (last, lane.edge), *outer[::-1]])
