"""Gaps: dangling ends joined, within the snap tolerance, to what they just miss.

A dangling end is joined to the dangling ends it faces, if no main passes between; else to the
nearest line, which may be its own: at that line's end where this is within the tolerance too, else
at the nearest point, where it is split. An end is never joined to a place it already leads to
within twice the tolerance: short pieces do not fold up, and what of a line lies so near by way of
lines is not looked at. Nor is it joined to a main it runs alongside, if there is room for two (twin
mains stay two). A twin keeps its distance; what comes nearer towards its end is a branch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from geotools.links import components, spanning
from geotools.network.measured import AT_ONCE
from geotools.network.near import lines_near, near_places
from geotools.network.pieces import TOUCH, end_points, from_ends
from geotools.network.places import Places, on_measures
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    in_blocks,
    lengths_along,
    linestrings_at,
    number_within,
    offsets_of,
    spread_out,
    take,
)
from geotools.network.trimmed import trimmed_lines

__all__ = [
    "DETOUR",
    "HAND",
    "ONE",
    "ROUNDING",
    "Joins",
    "facing_ends",
    "join_gaps",
    "looked_back",
]

DETOUR = 2.0  # times the tolerance; nearer than this by way of lines counts as joined already
BEHIND = 3.0  # times the tolerance; what runs alongside a line does so from as far behind its end
# m behind an end; there and at the end, whatever the tolerance, a line must be as far off to run
# alongside, so that a larger tolerance only ever joins more. Judgement, no source.
LOOK = 1.5
# m by which twins drawn by hand may come nearer over that way: what a hand is off. It is an angle
# of 3.8 degrees; branches leave mains by fittings, of which none is nearly as flat. Judgement.
HAND = 0.1
ONE = 0.3  # m; large mains cannot lie nearer side by side: drawn so, they are one main
ROUNDING = 1e-6  # m; mains just so far apart as two may lie are two


@dataclass(frozen=True)
class Joins:
    """What dangling ends are joined to.

    Attributes
    ----------
    links : ndarray of int64, shape (k, 2)
        Line ends that become one node (``2 * line`` the first, ``2 * line + 1`` the last).
    cuts : ndarray, shape (c, 2)
        Line that is split and the distance along it, m.
    ends : ndarray of int64, shape (c,)
        Line end that lands on each cut.
    gaps : ndarray, shape (g, 5)
        x, y of the dangling end, width of the gap, its line, and the line that is split; -1 where
        none is.
    """

    links: IntArray
    cuts: FloatArray
    ends: IntArray
    gaps: FloatArray


@dataclass(frozen=True)
class _Net:
    """Lines as the search needs them; ``points`` and ``node`` per line end."""

    xy: FloatArray
    offsets: IntArray
    points: FloatArray
    places: Places
    lengths: FloatArray
    node: IntArray

    @classmethod
    def of(cls, xy: FloatArray, offsets: IntArray, along: FloatArray, node: IntArray) -> _Net:
        places, lengths = Places.of_offsets(offsets, along), lengths_along(along, offsets)
        return cls(xy, offsets, end_points(xy, offsets), places, lengths, node)

    def at(self, line: IntArray, along: FloatArray) -> FloatArray:
        return on_measures(self.xy, self.places, line, along)

    def lines(self, rows: IntArray) -> npt.NDArray[np.object_]:
        return linestrings_at(self.xy, self.offsets, rows)

    def away(
        self, paths: _Paths, end: IntArray, line: IntArray, limit: FloatArray | float
    ) -> tuple[FloatArray, FloatArray]:
        """Return the stretches of lines to which ends lead in no less than a limit, m.

        From where to where, m along each line; nothing is left where the first is not below the
        second.
        """
        low = limit - paths.to(end, self.node[2 * line])
        high = self.lengths[line] - limit + paths.to(end, self.node[2 * line + 1])
        return np.maximum(low, 0.0), np.minimum(high, self.lengths[line])


def join_gaps(
    xy: FloatArray, offsets: IntArray, along: FloatArray, node: IntArray, *, tolerance: float
) -> Joins:
    """Join dangling ends to ends and lines within a tolerance, m.

    Parameters
    ----------
    xy : ndarray, shape (v, 2)
        Vertices, m, of lines that touch others at their ends only.
    offsets : ndarray of int64, shape (n + 1,)
    along : ndarray, shape (v,)
        Their `measures`.
    node : ndarray of int64, shape (2 n,)
        Node of every line end.
    tolerance : float
    """
    loose = np.flatnonzero(np.bincount(node)[node] == 1)
    if not len(loose) or tolerance <= TOUCH:
        none = np.zeros((0, 2), dtype=np.int64)
        return Joins(none, np.zeros((0, 2)), none[:, 0], np.zeros((0, 5)))
    net = _Net.of(xy, offsets, along, node)
    facing = _facing(net, loose, tolerance)
    linked = replace(net, node=components(node[facing], int(node.max()) + 1)[node])
    return _landed(linked, np.setdiff1d(loose, facing), facing, tolerance)


def facing_ends(
    xy: FloatArray, offsets: IntArray, along: FloatArray, node: IntArray, *, tolerance: float
) -> IntArray:
    """Return pairs of dangling ends that face each other, as `join_gaps` joins them, (k, 2).

    No more than hold each cluster of them together; parameters as there.
    """
    net, loose = _Net.of(xy, offsets, along, node), np.flatnonzero(np.bincount(node)[node] == 1)
    near = np.unique(near_places(net.points[loose], tolerance)[1])
    return _facing(net, loose[near], tolerance)


def _facing(net: _Net, loose: IntArray, tolerance: float) -> IntArray:
    """Return pairs of dangling ends to be joined, no more than hold each cluster together."""
    pairs = loose[near_places(net.points[loose], tolerance)[1]]
    paths = _Paths.from_ends(net, loose, DETOUR * tolerance)
    pairs = pairs[~np.isfinite(paths.to(pairs[:, 0], net.node[pairs[:, 1]]))]
    held = _near_already(net, loose, paths)
    return _spanning(net, _faced(net, pairs, held, loose, tolerance), held)


def _faced(
    net: _Net, pairs: IntArray, held: IntArray, loose: IntArray, tolerance: float
) -> IntArray:
    """Return the pairs of ends that face each other, but for those that narrower ones join anyway.

    So where many ends mean one place few of their pairs are looked at: the narrowest first, as many
    of each cluster as it has ends, then twice as many each time, of those not joined by then.
    """
    near, turn = _Near.of(net, pairs[:, 0], tolerance), _turns(net, pairs, held)
    faced = np.zeros(len(pairs), dtype=bool)
    for now in range(int(turn.max(initial=-1)) + 1):
        joined = components(np.concatenate([pairs[faced], held]), len(net.points))
        one, other = joined[pairs.T]
        rows = np.flatnonzero((turn == now) & (one != other))
        rows = rows[~_beside_each_other(net, pairs[rows], tolerance)]
        faced[rows] = ~_parted(net, pairs[rows], near, loose, tolerance)
    return pairs[faced]


def _turns(net: _Net, pairs: IntArray, held: IntArray) -> IntArray:
    """Return when pairs have their turn: 0 first; wider ones of a cluster no sooner."""
    label = components(np.concatenate([pairs, held]), len(net.points))
    ends, cluster = np.bincount(label[np.unique(pairs)]), label[pairs[:, 0]]
    order = np.lexsort([*pairs.T[::-1], _width(net, pairs), cluster])
    place = np.empty(len(pairs), dtype=np.int64)
    place[order] = number_within(cluster[order])
    return np.ceil(np.log2((place + 1) / ends[cluster])).clip(min=0).astype(np.int64)


def _width(net: _Net, pairs: IntArray) -> FloatArray:
    return np.asarray(np.hypot(*(net.points[pairs[:, 0]] - net.points[pairs[:, 1]]).T))


def _beside_each_other(net: _Net, pairs: IntArray, tolerance: float) -> BoolArray:
    """Return of which pairs of ends one has run alongside the line of the other."""
    a, b = pairs.T
    one, other = net.lines(a >> 1), net.lines(b >> 1)
    return _alongside(net, a, other, tolerance) | _alongside(net, b, one, tolerance)


def _near_already(net: _Net, loose: IntArray, paths: _Paths) -> IntArray:
    """Return pairs of dangling ends that short pieces hold together."""
    order = loose[np.argsort(net.node[loose])]
    found = np.searchsorted(net.node[order], paths.node).clip(max=len(order) - 1)
    other = order[found]
    held = (net.node[other] == paths.node) & (paths.end < other)
    return np.stack([paths.end[held], other[held]], axis=1)


def _spanning(net: _Net, pairs: IntArray, held: IntArray) -> IntArray:
    """Return the narrowest pairs that join what all pairs join; what is held needs none."""
    lightest = np.full(len(held), TOUCH / 2)  # less than any gap
    weight = np.concatenate([_width(net, pairs), lightest])
    kept = spanning(np.concatenate([pairs, held]), weight, len(net.points))
    return pairs[kept[kept < len(pairs)]]


@dataclass(frozen=True)
class _Near:
    """Ends, sorted, and the lines near each, one end after the other; ``offsets`` per end."""

    end: IntArray
    offsets: IntArray
    line: IntArray

    @classmethod
    def of(cls, net: _Net, ends: IntArray, tolerance: float) -> _Near:
        """Look around these ends, each once."""
        end = np.unique(ends)
        found, line = lines_near(net.points[end], net.xy, net.offsets, reach=tolerance + TOUCH).T
        return cls(end, offsets_of(np.bincount(found, minlength=len(end))), line)

    def around(self, ends: IntArray) -> Iterator[tuple[IntArray, IntArray]]:
        """Yield rows of ends and the lines near them, some at once."""
        place = np.searchsorted(self.end, ends)
        count = np.diff(self.offsets)[place]
        for rows in in_blocks(count, AT_ONCE):
            yield np.repeat(rows, count[rows]), self.line[take(self.offsets, place[rows])]


def _parted(
    net: _Net, pairs: IntArray, near: _Near, loose: IntArray, tolerance: float
) -> BoolArray:
    """Return which pairs of ends, no farther apart than the tolerance, have a line between them.

    A line that dangles within the tolerance of both is no such: they all mean one place.
    """
    parted = np.zeros(len(pairs), dtype=bool)
    for pair, line in near.around(pairs[:, 0]):
        third = (line[:, None] != pairs[pair] >> 1).all(axis=1)
        third &= ~_dangles_there(net, pairs[pair], line, loose, tolerance)
        between, other = pair[third], line[third]
        steps = shapely.linestrings(net.points[pairs[between]])
        parted[between[shapely.dwithin(steps, net.lines(other), TOUCH)]] = True
    return parted


def _dangles_there(
    net: _Net, pairs: IntArray, line: IntArray, loose: IntArray, tolerance: float
) -> BoolArray:
    """Return which lines have a dangling end within the tolerance of both ends of a pair."""
    dangling = np.zeros(len(net.points), dtype=bool)
    dangling[loose] = True
    ends = np.stack([2 * line, 2 * line + 1], axis=1)
    far = net.points[ends][:, :, None] - net.points[pairs][:, None]  # line, its end, of the pair
    near = (np.hypot(far[..., 0], far[..., 1]) <= tolerance).all(axis=2)
    return np.asarray((near & dangling[ends]).any(axis=1))


def looked_back(tolerance: float) -> float:
    """Return how far behind an end a line must have run alongside another, m."""
    return max(LOOK, BEHIND * tolerance)


def _alongside(
    net: _Net, ends: IntArray, lines: npt.NDArray[np.object_], tolerance: float
) -> BoolArray:
    """Return which ends have run beside a line for some way, with room for both.

    They are no nearer to it at the end than behind, but for what a hand is off: a branch, however
    it slants, comes nearer. Nor do they cross it on that way.
    """
    own, far = ends >> 1, looked_back(tolerance)
    apart = shapely.distance(shapely.points(net.points[ends]), lines)
    beside = net.lengths[own] >= far
    for back in {LOOK, far}:
        behind = shapely.distance(
            shapely.points(net.at(own, from_ends(net.lengths, ends, back))), lines
        )
        beside &= (behind > ONE - ROUNDING) & (behind - apart <= HAND * back / LOOK)
    left = np.flatnonzero(beside)
    low = np.where(ends & 1, from_ends(net.lengths, ends, far), 0.0)[left]
    ways = trimmed_lines(net.xy, net.places, own[left], low, low + far)
    beside[left] = ~shapely.intersects(ways, lines[left])
    return np.asarray(beside, dtype=np.bool_)


def _landed(net: _Net, alone: IntArray, facing: IntArray, tolerance: float) -> Joins:
    """Join every end left to the nearest line."""
    found, line = lines_near(net.points[alone], net.xy, net.offsets, reach=tolerance).T
    end = alone[found]
    near = shapely.dwithin(shapely.points(net.points[end]), net.lines(line), tolerance)
    paths = _Paths.from_ends(net, alone, DETOUR * tolerance)
    end, line, along = _landings(net, paths, end[near], line[near], tolerance)
    landing = net.at(line, along)
    gap = np.round(np.hypot(*(landing - net.points[end]).T), 9)
    order = np.lexsort([*np.round(landing.T[::-1], 3), gap, end])
    row = order[firsts(end[order])]
    return _joins(net, paths, facing, end[row], line[row], along[row], tolerance)


def _landings(
    net: _Net, paths: _Paths, end: IntArray, line: IntArray, tolerance: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return ends, lines and places along them, m, that the ends may be joined to."""
    low, high = net.away(paths, end, line, DETOUR * tolerance)
    kept = (low < high) & ~_beside(net, paths, end, line, tolerance)
    end, line, low, high = end[kept], line[kept], low[kept], high[kept]
    parts, at = trimmed_lines(net.xy, net.places, line, low, high), shapely.points(net.points[end])
    near = shapely.dwithin(at, parts, tolerance)
    end, line, along = end[near], line[near], (low + shapely.line_locate_point(parts, at))[near]
    way = np.minimum(
        paths.to(end, net.node[2 * line]) + along,
        paths.to(end, net.node[2 * line + 1]) + net.lengths[line] - along,
    )
    far = way > DETOUR * tolerance + TOUCH  # not where a line was trimmed: the end comes from there
    return end[far], line[far], along[far]


def _beside(net: _Net, paths: _Paths, end: IntArray, line: IntArray, tolerance: float) -> BoolArray:
    """Return which ends have run alongside lines; of their own, what is well behind counts."""
    limit = np.where(end >> 1 == line, looked_back(tolerance) + DETOUR * tolerance, -np.inf)
    low, high = net.away(paths, end, line, limit)
    left = np.flatnonzero(low < high)
    lines = trimmed_lines(net.xy, net.places, line[left], low[left], high[left])
    beside = np.zeros(len(end), dtype=bool)
    beside[left] = _alongside(net, end[left], lines, tolerance)
    return beside


def _joins(
    net: _Net,
    paths: _Paths,
    facing: IntArray,
    end: IntArray,
    line: IntArray,
    along: FloatArray,
    tolerance: float,
) -> Joins:
    """Put together what ends are joined to: other ends, and lines at a distance along them."""
    targets = np.stack([2 * line, 2 * line + 1], axis=1)
    widths = np.hypot(*(net.points[targets] - net.points[end][:, None]).transpose(2, 0, 1))
    for k in (0, 1):
        widths[np.isfinite(paths.to(end, net.node[targets[:, k]])), k] = np.inf
    nearer = np.argmin(widths, axis=1) if len(end) else np.zeros(0, dtype=np.int64)
    at_end = widths.min(axis=1, initial=np.inf) <= tolerance
    joined = np.stack([end, np.take_along_axis(targets, nearer[:, None], axis=1)[:, 0]], axis=1)
    links = np.concatenate([facing, joined[at_end]])
    split, cuts = end[~at_end], np.stack([line, along], axis=1)[~at_end]
    landing = net.at(line[~at_end], along[~at_end])
    where = np.concatenate([net.points[links[:, 0]], net.points[split]])
    there = np.concatenate([net.points[links[:, 1]], landing])
    owner = np.concatenate([links[:, 0], split]) >> 1
    cut = np.concatenate([np.full(len(links), -1), line[~at_end]])
    gaps = np.stack([*where.T, np.hypot(*(there - where).T), owner, cut], axis=1)
    return Joins(links, cuts, split, gaps)


@dataclass(frozen=True)
class _Paths:
    """Nodes within reach of ends by way of lines: end, node, and how far, m; sorted by key."""

    end: IntArray
    node: IntArray
    far: FloatArray
    nodes: int

    @classmethod
    def from_ends(cls, net: _Net, ends: IntArray, limit: float) -> _Paths:
        """Walk the lines from these ends as far as the limit, m."""
        size = int(net.node.max()) + 1
        # No way within the limit goes over a line longer than it.
        short = np.flatnonzero(np.repeat(net.lengths <= limit, 2))
        order = short[np.argsort(net.node[short], kind="stable")]
        bounds = np.searchsorted(net.node[order], np.arange(size + 1))
        key, far = ends * size + net.node[ends], np.zeros(len(ends))
        known = (np.zeros(0, dtype=np.int64), np.zeros(0))
        while len(key):
            known, (key, far) = _improved(known, key, far)
            end, at = np.divmod(key, size)
            row, local = spread_out(bounds[at + 1] - bounds[at])
            out = order[bounds[at][row] + local]
            further = far[row] + net.lengths[out >> 1]
            within = further <= limit
            key = end[row][within] * size + net.node[out[within] ^ 1]
            far = further[within]
        end, at = np.divmod(known[0], size)
        return cls(end, at, known[1], size)

    def to(self, end: IntArray, node: IntArray) -> FloatArray:
        """Return how far it is from ends to nodes, infinite beyond the limit."""
        key, wanted = self.end * self.nodes + self.node, end * self.nodes + node
        if not len(key):
            return np.full(len(end), np.inf)
        row = np.searchsorted(key, wanted).clip(max=len(key) - 1)
        return np.where(key[row] == wanted, self.far[row], np.inf)


def _improved(
    known: tuple[IntArray, FloatArray], key: IntArray, far: FloatArray
) -> tuple[tuple[IntArray, FloatArray], tuple[IntArray, FloatArray]]:
    """Add keys to those known, the nearest of each; return all, and what is new or nearer."""
    keys, fars = np.concatenate([known[0], key]), np.concatenate([known[1], far])
    fresh = np.arange(len(keys)) >= len(known[0])
    order = np.lexsort([fresh, fars, keys])
    row = order[firsts(keys[order])]
    new = row[fresh[row]]
    return (keys[row], fars[row]), (keys[new], fars[new])
