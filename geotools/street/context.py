"""The street of a place: the nearest centreline that runs roughly along the main."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.pieces import SAME_WAY
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.street.nearest import nearest_segments
from geotools.street.net import NUMBERS, TEXTS, StreetNet
from geotools.street.precedence import precedence

__all__ = ["OF_PLACES", "STREET_COLUMNS", "TIE", "Spots", "context_of", "find_streets"]

STREET_COLUMNS: dict[str, type] = {
    "street_chain": int,
    "street_at": float,
    "street_offset": float,
    "street_same": bool,
    "street_class": str,
    "street_name": str,
    "street_lanes": float,
    "street_width": float,
    "street_speed": float,
    "street_oneway": float,
}
OF_PLACES = ("chain", "at", "offset", "same", "ends")  # what `find_streets` tells of each
TIE = 1e-6  # m; streets whose distances differ by no more are equally near


@dataclass(frozen=True)
class Spots:
    """Places with their street: arrays of shape (n,).

    Attributes
    ----------
    net : StreetNet
    chain : ndarray of int64
        Chain of streets; -1 where there is no street.
    at : ndarray
        Chainage along it, m; 0 where there is none.
    offset : ndarray
        How far left of the chain the place lies, m; NaN where there is none.
    same : ndarray of bool
        The chain runs the way the main does; True where there is none.
    begins : bool
        Places are where lines begin that go the way the main does: where two streets meet it is
        the one such a line lies in, not the one that comes first.
    ends : ndarray of bool, optional
        Whether places at a vertex lie by the street before it, not by the one behind: where two
        meet of which neither comes first it is that one.
    """

    net: StreetNet
    chain: IntArray
    at: FloatArray
    offset: FloatArray
    same: BoolArray
    begins: bool = False
    ends: BoolArray | None = None

    @property
    def known(self) -> BoolArray:
        """Return which places have a street."""
        return np.asarray(self.chain >= 0, dtype=np.bool_)

    def of(self, wanted: BoolArray | IntArray) -> Spots:
        """Return some of the places."""
        columns = {n: getattr(self, n)[wanted] for n in ("chain", "at", "offset", "same")}
        ends = None if self.ends is None else self.ends[wanted]
        return Spots(self.net, **columns, begins=self.begins, ends=ends)

    def number(self, name: str) -> FloatArray:
        """Return ``lanes``, ``width`` (m), ``speed`` (m/s) or ``oneway`` of the streets, or NaN.

        ``oneway`` is told by the chain, which may go against the line as drawn.
        """
        if not len(self.net.chains):
            return np.full(len(self.chain), np.nan)
        values = self.net.column(name)[self.line].astype(np.float64)
        if name == "oneway":
            turned = self.net.chains.pieces["reversed"].to_numpy(dtype=bool)[self._piece]
            values = np.where(turned, -values, values)
        return np.where(self.known, values, np.nan)

    def text(self, name: str) -> npt.NDArray[np.object_]:
        """Return ``class`` or ``name`` of the streets; empty where there is none."""
        out: npt.NDArray[np.object_] = np.full(len(self.chain), "", dtype=object)
        if len(self.net.chains):
            out[self.known] = self.net.column(name)[self.line[self.known]]
        return out

    def lies(self, xy: FloatArray, heading: FloatArray) -> FloatArray:
        """Return the cosines between ways and streets, and how far off their lines places lie, m.

        Shape (2, n). Streets are told by their stretches there, which go straight on.
        """
        chain = np.maximum(self.chain, 0)
        ends = False if self.ends is None else self.ends
        edge = self.net.places.between(chain, self.at + np.where(ends, -TIE, TIE))
        start = self.net.chains.xy[edge.first]
        step = self.net.chains.xy[edge.second] - start
        unit = step / np.maximum(np.hypot(*step.T), 1e-12)[:, None]
        rel = xy - start
        aside = unit[:, 0] * rel[:, 1] - unit[:, 1] * rel[:, 0]
        return np.asarray(np.abs([(heading * unit).sum(axis=1), aside]), dtype=np.float64)

    @property
    def line(self) -> IntArray:
        """Return the centrelines as rows of the table, any where there is no street."""
        lines = self.net.chains.pieces["line"].to_numpy(dtype=np.int64)
        return np.asarray(lines[self._piece], dtype=np.int64)

    @cached_property
    def _piece(self) -> IntArray:
        chain = np.maximum(self.chain, 0)
        if self.begins:
            return self.net.piece_begun(chain, self.at, self.same)
        return self.net.piece_of(chain, self.at, self.ends)


def find_streets(
    net: StreetNet, xy: FloatArray, heading: FloatArray, *, reach: float, parallel: float
) -> Spots:
    """Find the street of every place.

    Parameters
    ----------
    net : StreetNet
    xy, heading : ndarray, shape (n, 2)
        Places on mains and unit vectors along the main there.
    reach : float
        A centreline farther away is not its street, m, but where the place lies on its carriageway.
    parallel : float
        A centreline at a wider angle to the main crosses it and is not its street, rad.
    """
    segments = net.segments
    place, segment = _found(net, xy, heading, reach, parallel + SAME_WAY)
    start, end = segments.start[segment], segments.end[segment]
    along = end - start
    size = np.maximum(np.hypot(*along.T), 1e-12)
    unit = along / size[:, None]
    rel = xy[place] - start
    position = np.clip((rel * unit).sum(axis=1), 0.0, size)
    gap = np.hypot(*(rel - unit * position[:, None]).T)
    side = unit[:, 0] * rel[:, 1] - unit[:, 1] * rel[:, 0]
    rows = Spots(
        net,
        chain=segments.chain[segment],
        at=_chainage(net, segments.first[segment], position, size),
        offset=np.where(_to_the_left(side, unit), gap, -gap),
        same=(heading[place] * unit).sum(axis=1) >= 0,
        ends=position > size / 2,
    )
    along = np.abs((heading[place] * unit).sum(axis=1))
    kept = _first_of(place, rows, (along, np.abs(side)), (start + end) / 2)
    count, place = len(xy), place[kept]
    spots = Spots(
        net,
        chain=np.full(count, -1, dtype=np.int64),
        at=np.zeros(count),
        offset=np.full(count, np.nan),
        same=np.ones(count, dtype=bool),
        ends=np.zeros(count, dtype=bool),
    )
    for name in OF_PLACES:
        getattr(spots, name)[place] = getattr(rows, name)[kept]
    return spots


def _found(
    net: StreetNet, xy: FloatArray, heading: FloatArray, reach: float, parallel: float
) -> tuple[IntArray, IntArray]:
    """Return places with the segments nearest to them; as `nearest_segments`.

    A place that no centreline is within reach of may lie on the carriageway of a wide street.
    """
    segments = net.segments
    place, segment = nearest_segments(
        segments, xy, heading, reach=reach, parallel=parallel, tie=TIE
    )
    wide, half, row = net.wide_segments(reach)
    if not len(row):
        return place, segment
    alone = np.setdiff1d(np.arange(len(xy)), place)
    other, more = nearest_segments(
        wide, xy[alone], heading[alone], reach=half, parallel=parallel, tie=TIE
    )
    place, segment = np.append(place, alone[other]), np.append(segment, row[more])
    order = np.argsort(place, kind="stable")
    return place[order], segment[order]


def context_of(spots: Spots) -> pd.DataFrame:
    """Say of every place what its street is.

    Returns
    -------
    DataFrame
        Columns of `STREET_COLUMNS`: those of `Spots`, and what the centreline says.
    """
    context = {
        "chain": spots.chain,
        "at": spots.at,
        "offset": spots.offset,
        "same": spots.same,
        **{name: spots.text(name) for name in TEXTS},
        **{name: spots.number(name) for name in NUMBERS},
    }
    return pd.DataFrame(context).add_prefix("street_")[list(STREET_COLUMNS)]


def _chainage(
    net: StreetNet, first: IntArray, position: FloatArray, size: FloatArray
) -> FloatArray:
    """Return chainages, m, of positions on the segments after vertices, so long each.

    At a vertex it is that of the vertex, whichever of its segments the position is on: a hair
    before it a string would have the turn there before it, or the end of the street behind it.
    """
    along = net.places.at
    return np.where(position < size, along[first] + position, along[first + 1])


def _to_the_left(side: FloatArray, unit: FloatArray) -> BoolArray:
    """Return whether places lie left of their segments, by how far left of their lines they are.

    A place on the line itself lies beyond the street's end, or it would have no distance at all:
    it counts as on one side, the same one whichever way the segment is drawn.
    """
    fixed = (unit[:, 0] > 0) | ((unit[:, 0] == 0) & (unit[:, 1] > 0))
    return np.where(side == 0, fixed, side > 0)


def _first_of(
    place: IntArray, rows: Spots, lies: tuple[FloatArray, FloatArray], middle: FloatArray
) -> IntArray:
    """Return one row of each place, by what does not hang on how the streets are listed or drawn.

    Of streets equally near that counts which comes first by `precedence`, of those alike the one
    the main runs along more nearly, then the one on whose side of the mitre the place lies where
    both end: farther off its line. At last it is the segment whose middle lies farther west, then
    south. ``lies`` are the cosines between main and segments, and how far off their lines places
    are, m.
    """
    again = place[1:] == place[:-1]
    tied = np.flatnonzero(np.append(again, False) | np.insert(again, 0, False))
    few = rows.of(tied)
    west, south = middle[tied].round(3).T
    keys = [place[tied], *(precedence(rows.net.column, few.line) if len(tied) else ())]
    keys += [-of[tied].round(6) for of in lies]
    order = np.lexsort([*keys, west, south, few.chain, few.at][::-1])
    first = tied[order[np.unique(place[tied[order]], return_index=True)[1]]]
    kept = np.ones(len(place), dtype=bool)
    kept[tied] = False
    kept[first] = True
    return np.flatnonzero(kept)
