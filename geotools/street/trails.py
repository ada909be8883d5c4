"""Closures that are led from one street into another, or to where traffic flows otherwise.

Their streets are laid end to end as traffic comes along them, from the taper to the downstream
taper. Where one goes over into the next the lane closed stays by the kerb, or by the middle, that
it lies at: it is as wide there, and no wider than what traffic of that direction has.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from geotools.network.places import on_measures
from geotools.network.ragged import FloatArray, firsts, measures
from geotools.street.net import StreetNet
from geotools.street.onward import Leg, Walk
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

    def beside(self, low: float, high: float) -> Lane:
        """Return it between the kerb and the middle, or the kerbs, of another street."""
        wide = min(abs(self.edge - self.inner), high - low)
        return Lane(high, high - wide) if self.high else Lane(low, low + wide)


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
    """

    net: StreetNet
    lane: Lane
    keep_right: bool
    upstream: Walk
    downstream: Walk
    work: Leg
    own: tuple[float, float]

    @property
    def legs(self) -> list[Leg]:
        """Return all stretches in the order of the traffic."""
        before = [replace(leg, begin=leg.end, end=leg.begin) for leg in self.upstream.legs[::-1]]
        return [*before, self.work, *self.downstream.legs]

    def places(self) -> list[tuple[int, float, float, float]]:
        """Return chain, begin and end of every stretch, m, and how far past the begin of the work.

        That is less than 0 before it.
        """
        out, at = [], -self.upstream.length
        for leg in self.legs:
            out.append((leg.chain, leg.begin, leg.end, at))
            at += leg.length
        return out

    def plain(self) -> bool:
        """Say whether it goes all along its own street, and its lane stays where it is."""
        walks = (self.upstream, self.downstream)
        return all(
            abs(walk.length - far) <= SHORT for walk, far in zip(walks, self.own, strict=True)
        ) and all(
            leg.chain == self.work.chain and (leg.flow == 0) == (self.work.flow == 0)
            for leg in self.legs
        )

    def lanes(self) -> list[Lane]:
        """Return the lane closed on every leg; as at the work while nothing changes from there."""
        legs, own = self.legs, len(self.upstream.legs)
        out = [self.lane] * len(legs)
        for way in (range(own - 1, -1, -1), range(own + 1, len(legs))):
            before = self.work
            moved = False
            for k in way:
                same = (legs[k].flow == 0) == (before.flow == 0)
                moved = moved or legs[k].chain != before.chain or not same
                out[k] = self._across(legs[k]) if moved else self.lane
                before = legs[k]
        return out

    def _across(self, leg: Leg) -> Lane:
        """Return the lane closed on another street: where its kerb, or its middle, is there.

        Of an odd number of lanes for both ways the one over the centreline counts with those of
        the traffic.
        """
        width, count = (float(self.net.column(name)[leg.line]) for name in ("width", "lanes"))
        half, middle = width / 2, width / 2
        if leg.flow == 0:
            middle = width / 2 / count if count % 2 else 0.0
        return self.lane.beside(*((-half, middle) if self.keep_right else (-middle, half)))

    def drawn(self, taper: float, buffer: float, downstream: float) -> shapely.Geometry:
        """Return the ground of the closure; the lengths, m, are cut short where the streets end."""
        xy, joints, work = self._laid_out()
        total = float(measures(xy, np.array([0, len(xy)]))[-1])
        stops = [work[0] - buffer - taper, work[0] - buffer, work[1], work[1] + downstream]
        stops = np.clip(stops, 0.0, total).tolist()
        corners = _corners(stops, joints, self.lanes())
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
        own = len(self.upstream.legs)
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
