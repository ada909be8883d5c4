"""Misses: ends of streets that stop short of another street, told and not joined.

An end within the snap tolerance is joined. One farther off that points at another street, and lies
no farther from its centreline than about its kerb, may be a street drawn up to the kerb or a slip
of the drawing, and the streets meet; or it is the end of a cul-de-sac, which no geometry tells
apart. So it is with two ends that point at each other: a street in pieces, or two culs-de-sac.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.lists import listed
from geotools.network.near import near_places, segments_near
from geotools.network.pieces import TOUCH
from geotools.network.places import points_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, row_of
from geotools.network.vectors import unit_vectors
from geotools.street.net import StreetNet

__all__ = ["Misses", "report_misses", "street_misses"]

# How near, and at what angle, an end is a miss; common practice, no source.
BEYOND_KERB = 1.0  # m; past the kerb of the other street an end may stop at its footway
END_TO_END = 5.0  # m between two ends that point at each other
SIDEWAYS = np.radians(60.0)  # an end that passes a street by more does not point at it
ASKEW = np.radians(30.0)  # between the ways of an end and on to the end opposite
BACK = 5.0  # m before its end by which a street is told to point somewhere
ROUND = 3.0  # times that reach along its own line, after which it may stop short of itself
SLIPS = 4.0  # times the tolerance; of a wider gap it is no use to raise it
MOST = 10  # gaps told one by one; of more all are told in one finding
NAMED = 5  # of them, named there


@dataclass(frozen=True)
class Misses:
    """Ends and what they stop short of: rows of the two streets, place, and gap, m; shape (k,).

    ``to_end`` tells whether it is an end of the other street that they stop short of.
    """

    line: IntArray
    other: IntArray
    xy: FloatArray
    gap: FloatArray
    to_end: BoolArray


@dataclass(frozen=True)
class _Ends:
    """Dead ends: chain, chainage, place, unit vector on from there, and row of the street."""

    chain: IntArray
    at: FloatArray
    xy: FloatArray
    way: FloatArray
    line: IntArray


def street_misses(net: StreetNet, *, tolerance: float) -> Misses:
    """Find the dead ends of streets that stop short of another street, or of each other.

    Parameters
    ----------
    net : StreetNet
    tolerance : float
        Within which ends were joined, m.
    """
    ends = _dead_ends(net)
    sideways, opposite = _beside(net, ends), _opposite(ends)
    end, gap, other, facing = (
        np.concatenate(pair) for pair in zip(sideways, opposite, strict=True)
    )
    kept = gap > max(tolerance, TOUCH)
    end, gap, other, facing = (column[kept] for column in (end, gap, other, facing))
    order = np.lexsort([other, facing < 0, gap.round(3), end])
    order = order[firsts(end[order])] if len(order) else order
    end, gap, other, facing = (column[order] for column in (end, gap, other, facing))
    low = np.where(facing >= 0, np.minimum(end, facing), end)
    high = np.where(facing >= 0, np.maximum(end, facing), -1 - end)  # of those with no other end
    once = np.unique(np.stack([low, high]), axis=1, return_index=True)[1] if len(end) else end
    once = np.sort(once)
    row = end[once]
    return Misses(ends.line[row], other[once], ends.xy[row], gap[once], facing[once] >= 0)


def _dead_ends(net: StreetNet) -> _Ends:
    """Return the ends of chains at which they meet nothing."""
    met = net.connections
    run, at = met["run"].to_numpy(dtype=np.int64), met["chainage"].to_numpy(dtype=float)
    dead = np.repeat(np.isinf(net.lap)[:, None], 2, axis=1)
    dead[run[at <= TOUCH], 0] = False
    dead[run[at >= net.lengths[run] - TOUCH], 1] = False
    chain, side = np.nonzero(dead & (net.lengths > TOUCH)[:, None])
    length, bounds = net.lengths[chain], net.chains.offsets
    back = np.minimum(BACK, length)
    at = np.where(side == 1, length, 0.0)
    xy = net.chains.xy[np.where(side == 1, bounds[chain + 1] - 1, bounds[chain])]
    behind = points_along(net.chains.xy, bounds, chain, np.where(side == 1, length - back, back))
    return _Ends(chain, at, xy, unit_vectors(xy - behind), net.line_at(chain, at))


def _beside(net: StreetNet, ends: _Ends) -> tuple[IntArray, FloatArray, IntArray, IntArray]:
    """Return ends that point at a street no farther off than its kerb: `_opposite` says what."""
    xy, bounds = net.chains.xy, net.chains.offsets
    half = net.column("width") / 2
    most = float(half.max(initial=0.0)) + BEYOND_KERB
    end, vertex = segments_near(ends.xy, xy, bounds, reach=most).T
    chain = row_of(bounds)[vertex]
    step = xy[vertex + 1] - xy[vertex]
    size = np.maximum(np.hypot(*step.T), 1e-12)
    unit = step / size[:, None]
    along = np.clip(((ends.xy[end] - xy[vertex]) * unit).sum(axis=1), 0.0, size)
    place = xy[vertex] + along[:, None] * unit
    to = place - ends.xy[end]
    gap, at = np.hypot(*to.T), net.places.at[vertex] + along
    line = net.line_at(chain, net.places.at[vertex] + size / 2)
    reach = half[line] + BEYOND_KERB
    apart = (chain != ends.chain[end]) | (np.abs(at - ends.at[end]) > ROUND * reach)
    ahead = (unit_vectors(to) * ends.way[end]).sum(axis=1) >= np.cos(SIDEWAYS)
    row = np.flatnonzero(apart & ahead & (gap <= reach))
    facing = _end_at(ends, chain[row], at[row])
    return end[row], gap[row], line[row], facing


def _end_at(ends: _Ends, chain: IntArray, at: FloatArray) -> IntArray:
    """Return the dead ends that places along chains are, -1 where they are none."""
    known = {
        (c, place > 0): k
        for k, (c, place) in enumerate(zip(ends.chain.tolist(), ends.at.tolist(), strict=True))
    }
    found = [known.get((c, place > TOUCH), -1) for c, place in zip(chain, at, strict=True)]
    row = np.array(found, dtype=np.int64)
    there = (row >= 0) & (np.abs(ends.at[row] - at) <= TOUCH) if len(row) else row >= 0
    return np.where(there, row, -1)


def _opposite(ends: _Ends) -> tuple[IntArray, FloatArray, IntArray, IntArray]:
    """Return ends that point at each other: the end, the gap, m, and the other's street and end."""
    same, pairs = near_places(ends.xy, END_TO_END)
    del same  # at one place they would have been joined
    one, two = pairs.T
    to = ends.xy[two] - ends.xy[one]
    ahead = [
        (unit_vectors(to * sign + BACK * ends.way[of]) * ends.way[of]).sum(axis=1) >= np.cos(ASKEW)
        for of, sign in ((one, 1.0), (two, -1.0))
    ]
    row = np.flatnonzero(ahead[0] & ahead[1])
    return one[row], np.hypot(*to[row].T), ends.line[two[row]], two[row]


_MEANS = {
    False: "no intersection is kept clear there, and strings may lie across it whatever its class",
    True: "strings, tapers and buffers end there",
}
_UNLESS = {False: "it is the end of a cul-de-sac", True: "both are culs-de-sac"}
_MANY = (
    "Strings, tapers and buffers end at such a place, and where one street leaves another no "
    "intersection is kept clear, and strings may lie across it whatever its class"
)


def report_misses(net: StreetNet, streets: Lines, *, tolerance: float, findings: Findings) -> None:
    """Warn of streets that stop short of each other; parameters as of `street_misses`.

    Many gaps have one cause, and are told in one finding.
    """
    misses = street_misses(net, tolerance=tolerance)
    names = streets.table["feature"].astype(str).to_numpy(dtype=object)
    short = f"beyond the snap tolerance of {findings.length(tolerance, 2)}"
    told = [
        _gap_text(names[one], names[two], findings.length(gap, 2), to_end=to_end)
        for one, two, gap, to_end in zip(
            misses.line, misses.other, misses.gap, misses.to_end, strict=True
        )
    ]
    raised = [
        f"join them in the drawing{', or raise network.snap_tolerance' if slip else ''}"
        for slip in (misses.gap <= SLIPS * tolerance).tolist()
    ]
    rule, layer = "street-not-joined", "streets"
    if len(told) <= MOST:
        findings.add_points(
            "warning",
            rule,
            [
                f"{gap}, {short}: {_MEANS[to_end]}; unless {_UNLESS[to_end]}, {do}."
                for gap, to_end, do in zip(told, misses.to_end.tolist(), raised, strict=True)
            ],
            layer=layer,
            features=names[misses.line],
            xy=misses.xy,
        )
        return
    slips = (misses.gap <= SLIPS * tolerance).all()
    findings.add(
        "warning",
        rule,
        f"streets stop short of others in {len(told):,} places, {short}: {listed(told, most=NAMED)}"
        f". {_MANY}; where they do meet, join them in the drawing"
        f"{', or raise network.snap_tolerance' if slips else ''}; some may be culs-de-sac.",
        layer=layer,
        feature=names[misses.line[0]],
        geometry=shapely.multipoints(misses.xy),
    )


def _gap_text(one: str, two: str, gap: str, *, to_end: bool) -> str:
    """Say of two streets how far they stop short of each other."""
    if to_end:
        return f"the ends of streets {one} and {two} lie {gap} apart"
    return f"the end of street {one} stops {gap} short of street {two}"
