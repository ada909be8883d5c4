"""Pits on carriageway that no closure of theirs takes, or of a street not theirs: findings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, partial
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.layout.narrowed import report_narrowed
from geotools.layout.shared import Shared
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    offsets_of,
    spread_out,
    to_linestrings,
)
from geotools.network.stretches import EDGE
from geotools.schema import quantity_text
from geotools.street.beside import Outlines, spans_beside, turned_between
from geotools.street.lanes import TOUCH, Carriageway, Passage, lanes_between
from geotools.street.net import StreetNet
from geotools.street.others import Others

__all__ = ["report_crossing", "report_outside", "report_renamed"]

Polygons = npt.NDArray[np.object_]
Words = npt.NDArray[np.object_]
LEAST_M2 = 0.01  # of carriageway that count as stood on
MITRE = 2.0  # times its half, how far a carriageway goes out at a corner, as closures do
DRAWN = 1e-3  # m
FOLDED = 2.0  # ``2 tan(t/2)`` of a right angle: closures round more of a turn may fold over
AT_ONCE = 5_000  # closures looked at at once: on the way each is held three times
_drawn = partial(shapely.buffer, cap_style="flat", join_style="mitre", mitre_limit=MITRE)


def report_crossing(pits: pd.DataFrame, near: Others, ground: Shared) -> None:
    """Report pits that stand on the carriageway of a street that is not theirs.

    A run's end is tied in where it is, in the middle of an intersection if need be: there the pit
    takes room of the crossing street too, whose lanes are neither closed nor priced; nor need any
    of its own be, where the main ends beside the carriageway.
    """
    if ground.scene is None or not len(pits):
        return
    net = ground.scene.net
    by = _Near.of(pits, near, net)
    told = {"pit": by.pit[by.crossing], "name": by.name[by.crossing]}
    rows = pd.DataFrame(told).drop_duplicates()
    names = pits["pit_id"].to_numpy(dtype=object)[rows["pit"]]
    ground.layers.findings.add_points(
        "warning",
        "pit-on-crossing-street",
        [
            f"pit {pit_id} stands on {street or 'a street without a name'} too, no lane of which "
            f"is closed or priced, {mine}; plan the traffic of all streets it stands on, {do}."
            for pit_id, street, mine, do in zip(
                names,
                rows["name"],
                _own_lanes(pits.iloc[rows["pit"]]),
                _remedies(pits.iloc[rows["pit"]]),
                strict=True,
            )
        ],
        layer="pits",
        features=names,
        xy=pits[["x", "y"]].to_numpy(dtype=float)[rows["pit"]],
    )


def _remedies(pits: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Say what to do of each pit on a street that is not its own."""
    moved, tied = "or move the pit", "or tie in outside the intersection"
    return np.where(pits["street_chain"].to_numpy() < 0, moved, tied).astype(object)


def _own_lanes(pits: pd.DataFrame) -> list[str]:
    """Say of the lanes of each pit's own street what is closed and priced."""
    own = pits["street_name"].astype(object)  # it may be held as numbers of words
    own = own.where(own != "", "the street it is in")
    own = own.where(pits["street_chain"] >= 0, "any other street")
    return [
        f"{count} of {name} {'is' if count == 1 else 'are'}" if count else f"nor any of {name}"
        for name, count in zip(own, pits["lanes_taken"].astype(int), strict=True)
    ]


def report_outside(
    pits: pd.DataFrame, closures: pd.DataFrame, near: Others, ground: Shared
) -> None:
    """Report pits that stand on their street, or one of its name, outside their closures.

    And those that narrow the lanes beside them, or reach into lanes left open (`report_narrowed`).

    A street is closed along one chain of centrelines, with the lanes it has by the pit's place:
    the pit may go on round a corner, where another chain of that name begins, or to where the
    street is wider.
    """
    on_street = np.flatnonzero(pits["street_chain"].to_numpy() >= 0)
    if ground.scene is None or not len(on_street):
        return
    net, passage = ground.scene.net, Passage.of(ground.brief.street)
    others = _Near.of(pits, near, net)
    pits = pits.iloc[on_street]
    shapes: Polygons = pits["ground"].to_numpy(dtype=object)
    names = pits["pit_id"].to_numpy(dtype=object)
    own = closures[closures["pull_id"] == ""].groupby("pit_id")["geometry"].agg(list).to_dict()
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    own_name = pits["street_name"].to_numpy(dtype=object)
    area, beside = np.zeros((2, len(pits)))
    along, across = _spans(pits, net)
    dug = report_narrowed(pits, along, across, ground)
    doubt, goes_on = _doubtful(pits, net, along, across, passage), others.goes_on_as(on_street)
    over = np.flatnonzero(np.isin(names, _folded(closures)))
    doubtful = np.concatenate([doubt, over, goes_on[0]])
    beyond = np.concatenate([chain[doubt], chain[over], goes_on[1]])
    lines = cache(partial(_Lines.of, net, passage))  # many pits stand by one chain
    for pit in np.unique(doubtful).tolist():
        closed = shapely.union_all(own.get(names[pit], []))
        chains = np.unique(np.append(beyond[doubtful == pit], chain[pit])).tolist()
        by = {other: list(lines(other).by(shapes[pit])) for other in chains}
        mine = by.pop(chain[pit])
        others_of_name = [one for of in by.values() for one in of if one.name == own_name[pit]]
        open_ = [
            shapely.difference(
                shapely.intersection(shapes[pit], road),
                shapely.buffer(closed, narrowed, join_style="mitre"),
            )
            for road, narrowed in _carriageways([*mine, *others_of_name], told=bool(dug[pit]))
        ]
        bare = shapely.union_all(open_)
        area[pit] = float(shapely.area(bare))
        beside[pit] = _beside_own(bare, mine, others_of_name)
    _tell(pits, area, beside, ground)


def _beside_own(bare: Any, mine: list[_Stretch], others: list[_Stretch]) -> float:
    """Return how much of a ground lies on other carriageways of the name and not on its own, m2."""
    own, other = (
        shapely.union_all([_drawn(one.line, one.kerb) for one in some]) for some in (mine, others)
    )
    return float(shapely.area(shapely.difference(shapely.intersection(bare, other), own)))


def _ring_counts(shapes: Polygons) -> IntArray:
    """Return how many rings each polygon has, its outer ones and holes together."""
    parts, of = shapely.get_parts(shapes, return_index=True)
    _, part = shapely.get_rings(parts, return_index=True)
    return np.bincount(of[part], minlength=len(shapes)).astype(np.int64)


def _folded(closures: pd.DataFrame) -> Words:
    """Return the pits whose closures, anywhere along them, fold over: there they are no area."""
    shapes: Polygons = closures["geometry"].to_numpy(dtype=object)
    several = [
        _ring_counts(shapes[first : first + AT_ONCE]) > 1
        for first in range(0, max(len(shapes), 1), AT_ONCE)
    ]
    return closures["pit_id"].to_numpy(dtype=object)[np.concatenate(several)]


def _tell(pits: pd.DataFrame, area: FloatArray, beside: FloatArray, ground: Shared) -> None:
    """Add the findings on pits that so much of stands in open lanes, m2, and beside its own."""
    findings, told = ground.layers.findings, np.flatnonzero(area > LEAST_M2)
    rows = pits.iloc[told]
    names = rows["pit_id"].to_numpy(dtype=object)
    findings.add_points(
        "warning",
        "pit-outside-closures",
        [
            f"pit {name} stands on {street or 'a street without a name'} with "
            f"{quantity_text(max(one, 0.1), 'area', findings.system)} more than its closures take, "
            f"{_where(one, aside, findings.system)}: no lane is closed or priced for that; "
            "plan the traffic there by hand, or move the pit."
            for name, street, one, aside in zip(
                names, rows["street_name"].astype(object), area[told], beside[told], strict=True
            )
        ],
        layer="pits",
        features=names,
        xy=rows[["x", "y"]].to_numpy(dtype=float),
    )


def _where(area: float, beside: float, system: str) -> str:
    """Say where what stands in open lanes does: so many m2, and of them beside its own lanes."""
    if beside < LEAST_M2:
        return "round a corner or where the street is wider"
    if beside > area - LEAST_M2:
        part = "all of it"
    else:
        part = f"{quantity_text(max(beside, 0.1), 'area', system)} of it"
    return (
        f"{part} on another carriageway of that name, whose traffic may come the other way, or "
        "where that goes on"
    )


def report_renamed(pits: pd.DataFrame, ground: Shared) -> None:
    """Report pits on the carriageway of their street only where it bears another name.

    A street goes on under another name, and lanes are closed and priced along both. A pit by the
    joint has the name by its place, though its ground may lie on the other part alone.
    """
    pits = pits[pits["street_chain"].to_numpy() >= 0]
    if ground.scene is None or not len(pits):
        return
    net, passage = ground.scene.net, Passage.of(ground.brief.street)
    chain, at = pits["street_chain"].to_numpy(dtype=np.int64), pits["street_at"].to_numpy(float)
    shapes: Polygons = pits["ground"].to_numpy(dtype=object)
    far = _reach(pits)
    low, high = np.maximum(at - far, 0.0), np.minimum(at + far, net.lengths[chain])
    own = pits["street_name"].to_numpy(dtype=object)
    told: list[tuple[int, str]] = []
    names = net.column("name")
    renamed = np.abs(net.piece_of(chain, high) - net.piece_of(chain, low)) > 1
    for edge in (low, high):
        renamed |= names[net.line_at(chain, edge)] != own
    lines = cache(partial(_Lines.of, net, passage))
    for k in np.flatnonzero(renamed).tolist():
        under = {
            one.name
            for one in lines(int(chain[k])).by(shapes[k])
            if shapely.distance(one.line, shapes[k]) < one.kerb - TOUCH
        }
        told += [(k, name) for name in sorted(under) if own[k] not in under]
    rows = pits.iloc[[k for k, _ in told]]
    ground.layers.findings.add_points(
        "warning",
        "pit-on-crossing-street",
        [
            f"pit {pits['pit_id'].iloc[k]} stands on {name or 'a street without a name'}, which "
            f"goes on as {own[k] or 'a street without a name'} by it: what is closed and priced "
            "of both is told of that; plan the traffic of both."
            for k, name in told
        ],
        layer="pits",
        features=rows["pit_id"].to_numpy(dtype=object),
        xy=rows[["x", "y"]].to_numpy(dtype=float),
    )


def _reach(pits: pd.DataFrame) -> FloatArray:
    """Return how far along its street from its place each pit may reach, m."""
    shapes: Polygons = pits["ground"].to_numpy(dtype=object)
    off = np.abs(pits["street_offset"].to_numpy(dtype=float))
    return np.asarray(shapely.minimum_bounding_radius(shapes) * 2 + off, dtype=np.float64)


def _spans(pits: pd.DataFrame, net: StreetNet) -> tuple[FloatArray, FloatArray]:
    """Return from where to where pits lie along their streets, and left of them, m, (k, 2)."""
    chain, at = pits["street_chain"].to_numpy(dtype=np.int64), pits["street_at"].to_numpy(float)
    shapes: Polygons = pits["ground"].to_numpy(dtype=object)
    return spans_beside(net, chain, at, 2 * _reach(pits), Outlines.of(shapes))


def _doubtful(
    pits: pd.DataFrame, net: StreetNet, along: FloatArray, across: FloatArray, passage: Passage
) -> IntArray:
    """Return pits that may stand on their own chain outside their closures."""
    chain, at = pits["street_chain"].to_numpy(dtype=np.int64), pits["street_at"].to_numpy(float)
    far = _reach(pits)
    way = Carriageway.of(pits)
    due = lanes_between(across[:, 0], across[:, 1], way, passage)
    other = [net.column("width")[net.line_at(chain, edge)] != way.width for edge in along.T]
    folded = turned_between(net, chain, at - far, at + far) > FOLDED
    doubt = (due > pits["lanes_taken"].to_numpy()) | other[0] | other[1] | folded
    return np.flatnonzero(doubt)


class _Near(NamedTuple):
    """Pits by streets that are not the ones they are in: arrays of shape (k,).

    Attributes
    ----------
    pit, chain : ndarray of int64
        Row of the pit, and the chain of streets.
    gap, kerb : ndarray
        Distance of the pit from the chain, and half the carriageway's width there, m.
    name, own : ndarray of str
        Of the chain by the pit, and of the street the pit is in.
    bears : ndarray of bool
        Whether the chain bears that name anywhere, where there is one.
    """

    pit: IntArray
    chain: IntArray
    gap: FloatArray
    kerb: FloatArray
    name: Words
    own: Words
    bears: BoolArray

    @classmethod
    def of(cls, pits: pd.DataFrame, near: Others, net: StreetNet) -> _Near:
        """Tell of the streets found near pits."""
        own = pits["street_name"].to_numpy(dtype=object)[near.ground]
        return cls(
            pit=near.ground,
            chain=near.chain,
            gap=near.gap,
            kerb=net.column("width")[near.line] / 2,
            name=net.column("name")[near.line],
            own=own,
            bears=_bears(net, near.chain, own),
        )

    @property
    def alike(self) -> BoolArray:
        """Whether it may be the pit's street that goes on, by its name."""
        return np.asarray(self.name == self.own, dtype=np.bool_)

    @property
    def crossing(self) -> BoolArray:
        """Whether the pit stands on it, as on another street: no name is no common one."""
        other = ~self.alike | (self.name == "")
        return np.asarray((self.gap < self.kerb - TOUCH) & other, dtype=np.bool_)

    def goes_on_as(self, on_street: IntArray) -> tuple[IntArray, IntArray]:
        """Return pits, as numbered among those in streets, and chains their street goes on as.

        Of one whose nearest line bears another name the next may bear the pit's.
        """
        on = (self.alike & ~self.crossing | self.bears) & np.isin(self.pit, on_street)
        return np.searchsorted(on_street, self.pit[on]), self.chain[on]


def _bears(net: StreetNet, chain: IntArray, name: Words) -> BoolArray:
    """Return which chains bear a name each anywhere, where it is one."""
    pieces = net.chains.pieces
    run = pieces["run"].to_numpy(dtype=np.int64)
    some = np.isin(run, chain)
    borne = net.column("name")[pieces["line"].to_numpy(dtype=np.int64)[some]]
    code = pd.factorize(np.concatenate([name, borne]))[0]
    own, of = code[: len(name)], code[len(name) :]
    count = int(code.max(initial=0)) + 1
    known = np.isin(chain * count + own, run[some] * count + of)
    return np.asarray(known & (name != ""), dtype=np.bool_)


def _carriageways(stretches: list[_Stretch], *, told: bool) -> Iterator[tuple[Any, float]]:
    """Yield the carriageways along lines by a ground, and how far their lanes give way, m.

    Line by line, and round the corners where two lines of one name meet end to end: the outer
    part of a corner is along neither of them. Where it is told that the ground reaches into lanes
    kept open, they are narrowed from the kerb as well as from the ground.
    """
    stretches = stretches if told else [one._replace(narrowed=TOUCH) for one in stretches]
    for one in stretches:
        yield _drawn(one.line, one.half()), one.narrowed + DRAWN
    for one, two in combinations(stretches, 2):
        joined = _joined(one.line, two.line) if one.name == two.name else None
        if joined is not None:
            half, narrowed = min(one.half(), two.half()), max(one.narrowed, two.narrowed)
            yield _drawn(joined, half), narrowed + DRAWN


class _Stretch(NamedTuple):
    """A line of a chain, how far off it the kerb is, and how far lanes give way, m."""

    line: Any
    kerb: float
    narrowed: float
    name: str

    def half(self) -> float:
        """Return half of the carriageway less what lanes give way, m."""
        return float(max(self.kerb - self.narrowed, DRAWN))


@dataclass(frozen=True)
class _Lines:
    """The lines of a chain, with what `_Stretch` says of each; arrays of shape (k,)."""

    line: Polygons
    kerb: FloatArray
    narrowed: FloatArray
    name: Words

    @classmethod
    def of(cls, net: StreetNet, passage: Passage, chain: int) -> _Lines:
        """Take those of a chain."""
        run = net.chains.pieces["run"].to_numpy(dtype=np.int64)  # in order of the chains
        first, last = np.searchsorted(run, [chain, chain + 1])
        pieces = net.chains.pieces.iloc[first:last]
        row = pieces["line"].to_numpy(dtype=np.int64)
        width, lanes, oneway = (net.column(name)[row] for name in ("width", "lanes", "oneway"))
        each = (1 - passage.share) * width / np.maximum(lanes, 1.0)
        most = np.where(oneway != 0, lanes, np.ceil(lanes / 2))
        return cls(
            line=_cut(net, chain, pieces["start"].to_numpy(dtype=float)),
            kerb=width / 2,
            narrowed=np.maximum(most * each - passage.gap, 0.0) + TOUCH,
            name=net.column("name")[row],
        )

    def by(self, ground: Any) -> Iterator[_Stretch]:
        """Yield those whose carriageway a ground lies by."""
        # At a corner carriageway goes out so much farther than half of it.
        near = shapely.distance(self.line, ground) < MITRE * self.kerb
        for k in np.flatnonzero(near).tolist():
            yield _Stretch(
                self.line[k], float(self.kerb[k]), float(self.narrowed[k]), str(self.name[k])
            )


def _cut(net: StreetNet, chain: int, starts: FloatArray) -> Polygons:
    """Return a chain cut where its pieces start, m along it: at vertices, all of them."""
    first, last = net.chains.offsets[chain : chain + 2]
    cuts = np.searchsorted(net.places.at[first:last], starts - EDGE)
    ends = np.append(cuts[1:], last - first - 1)
    row, place = spread_out(ends - cuts + 1)
    return to_linestrings(net.chains.xy[first + cuts[row] + place], offsets_of(ends - cuts + 1))


def _joined(one: Any, two: Any) -> Any:
    """Return two lines as one where they meet end to end, else nothing."""
    for first in (one, shapely.reverse(one)):
        for then in (two, shapely.reverse(two)):
            if shapely.dwithin(shapely.get_point(first, -1), shapely.get_point(then, 0), DRAWN):
                return shapely.linestrings(
                    np.concatenate([shapely.get_coordinates(line) for line in (first, then)])
                )
    return None
