"""The strings of every pull, laid out along the street behind its insertion pit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    number_within,
    spread_out,
)
from geotools.network.stretches import EDGE
from geotools.street.abreast import string_places
from geotools.street.lanes import Carriageway, Passage, lanes_between
from geotools.street.net import StreetNet
from geotools.street.offsets import offset_ends
from geotools.street.strips import POLYGON, strips

__all__ = ["lay_strings", "string_pieces"]

Polygons = npt.NDArray[np.object_]
NONE: Polygons = np.zeros(0, dtype=object)
ALL = Passage(gap=0.0, share=1.0)  # traffic keeps its lanes as they are drawn
COLUMNS = [
    "string_id",
    "pull_id",
    "run_id",
    "number",
    "length",
    "street",
    "joints",
    "beyond",
    "off",
    "end_at",
    "led",
    "geometry",
]


def string_pieces(pieces: IntArray, strings: IntArray) -> tuple[IntArray, IntArray]:
    """Share the pipes of every pull out evenly over its strings: pull and pipes of each string."""
    pull, number = spread_out(strings)
    base, rest = np.divmod(pieces, strings)
    return pull, base[pull] + (number < rest[pull])


def _lengths(
    pull: IntArray, shares: IntArray, length: FloatArray, piece: float, least: float
) -> FloatArray:
    """Return string lengths, m: whole pipes, the last cut to the length of the pull.

    A last string of one pipe cut shorter than can be fused shares with the pipe before it.
    """
    whole = shares * piece
    last = np.flatnonzero(np.append(pull[1:] != pull[:-1], True)) if len(pull) else pull
    before = np.bincount(pull, whole)[pull[last]] - whole[last]
    whole[last] = length[pull[last]] - before
    alone = last[(shares[last] == 1) & (last > 0) & (whole[last] < min(least, piece / 2))]
    alone = alone[pull[alone] == pull[alone - 1]]
    more = (piece - whole[alone]) / 2
    whole[alone] += more
    whole[alone - 1] -= more
    return np.asarray(whole, dtype=np.float64)


def lay_strings(
    pulls: pd.DataFrame,
    net: StreetNet | None,
    obstacles: Polygons,
    soft: Polygons = NONE,
    *,
    gap: float,
    piece: float,
    least: float = 0.0,
    over_middle: bool = True,
    passage: Passage = ALL,
) -> pd.DataFrame:
    """Lay out the strings of all pulls.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``run_id``, ``length`` (m), ``joints``, ``strings``, ``outside`` (m), and of
        the insertion pit: ``street_chain``, ``street_offset``, ``street_name``, ``lay_at`` (m
        along the chain, top of the ramp), ``lay_forward``, ``lay_width`` (m, half the width of
        carriageway and verge), ``top_x``, ``top_y``, ``lay_dx``, ``lay_dy``; and ``street_width``
        (m), ``street_lanes`` and ``street_oneway``, without which no lane is spared.
    net : StreetNet, optional
    obstacles : ndarray of polygons
        Hard places to avoid: a string is led past them where the street is wide enough.
    soft : ndarray of polygons, optional
        Places better left free: a string is led past them too, if that meets no hard place and
        takes no lane that is not taken anyway.
    gap : float
        Room between strings laid side by side, m.
    piece : float
        Length of a pipe before fusing, m.
    least : float, optional
        Shortest piece that is fused, m; half of `piece` is enough at most.
    over_middle : bool
        Whether strings may lie over the middle of the street and beyond.
    passage : Passage, optional

    Returns
    -------
    DataFrame
        Contract columns of ``strings`` and ``geometry``; ``beyond``, where the string lies that
        has no room on its side: ``""``, ``middle`` or ``verge``; ``off``, how far left of the
        centreline it lies, and ``end_at``, where it ends along the chain, m; ``led``, whether it
        lies where it is not due, past a place to avoid.
    """
    pull, number, shares = _shared(pulls)
    length = _lengths(pull, shares, pulls["length"].to_numpy(dtype=float), piece, least)
    trees = shapely.STRtree(obstacles), shapely.STRtree(soft)
    places = _places(pulls, gap, over_middle=over_middle)
    spared = _takes_more(pulls, places, passage)
    off, led, shapes = _side_by_side(pulls, net, (pull, number, length), places, spared, trees)
    own = pulls.iloc[pull].reset_index(drop=True)
    return _told(own, number, length, off).assign(
        joints=shares - 1,
        end_at=_ends(own, net, length, off),
        led=led,
        geometry=shapely.multipolygons(shapes, indices=np.arange(len(shapes))),
    )[COLUMNS]


def _shared(pulls: pd.DataFrame) -> tuple[IntArray, IntArray, IntArray]:
    """Return pull, number from 0 within it, and pipes of each string of all pulls."""
    count = pulls["strings"].to_numpy(dtype=np.int64)
    pull, shares = string_pieces(pulls["joints"].to_numpy(dtype=np.int64) + 1, count)
    return pull, number_within(pull), shares


def _told(own: pd.DataFrame, number: IntArray, length: FloatArray, off: FloatArray) -> pd.DataFrame:
    """Return names, lengths and sides of strings, from 0 in their pull, beside the pull of each."""
    return own.assign(
        string_id=[f"{p}-S{k + 1}" for p, k in zip(own["pull_id"], number, strict=True)],
        number=number + 1,
        length=length,
        # Beside its nearest street a string that goes straight back lies in none.
        street=own["street_name"].where(own["street_chain"] >= 0, ""),
        beyond=_beyond(own, off),
        off=off,
    )


def _side_by_side(
    pulls: pd.DataFrame,
    net: StreetNet | None,
    strings: tuple[IntArray, IntArray, FloatArray],
    places: FloatArray,
    spared: BoolArray,
    trees: tuple[shapely.STRtree, shapely.STRtree],
) -> tuple[FloatArray, BoolArray, Polygons]:
    """Lay the first string of every pull, then the second, each in a place not yet taken.

    ``strings`` are the pull, the number from 0 and the length, m, of every string. Returns how
    far left of the centreline each lies, m, whether that is no place due, and its ground.
    """
    pull, number, length = strings
    places, count = places.copy(), pulls["strings"].to_numpy(dtype=np.int64)
    off, led = np.zeros(len(pull)), np.zeros(len(pull), dtype=bool)
    shapes = np.empty(len(pull), dtype=object)
    for turn in range(int(number.max(initial=-1)) + 1):
        rows = np.flatnonzero(number == turn)
        own = pulls.iloc[pull[rows]]
        free = places[pull[rows]], spared[pull[rows]]
        taken, shapes[rows] = _clear(own, net, length[rows], free, trees)
        off[rows], led[rows] = places[pull[rows], taken], taken >= count[pull[rows]]
        places[pull[rows], taken] = np.nan
    return off, led, shapes


def _takes_more(pulls: pd.DataFrame, places: FloatArray, passage: Passage) -> BoolArray:
    """Return in which places a string takes a lane of its street that those due leave, (n, k)."""
    if not {"street_width", "street_lanes", "street_oneway"} <= set(pulls):
        return np.zeros(places.shape, dtype=bool)
    width, outside = _columns(pulls, "street_width", "outside")
    count = pulls["strings"].to_numpy()
    on = (pulls["street_chain"].to_numpy() >= 0) & np.isfinite(width)
    way = Carriageway.of(pulls)
    way = Carriageway(np.where(on, way.width, 0.0), np.where(on, way.lanes, 0), way.oneway)[:, None]
    reach = outside[:, None] / 2
    due = np.where(np.arange(places.shape[1]) < count[:, None], places, np.nan)
    low = np.fmin.reduce(due, axis=1, keepdims=True, initial=np.inf)
    high = np.fmax.reduce(due, axis=1, keepdims=True, initial=-np.inf)
    low, high = (np.where(np.isfinite(edge), edge, 0.0) for edge in (low, high))
    with_it = np.fmin(low, places) - reach, np.fmax(high, places) + reach
    own = lanes_between(low - reach, high + reach, way, passage)
    return np.asarray(lanes_between(*with_it, way, passage) > own)


def _clear(
    pulls: pd.DataFrame,
    net: StreetNet | None,
    length: FloatArray,
    free: tuple[FloatArray, BoolArray],
    trees: tuple[shapely.STRtree, shapely.STRtree],
) -> tuple[IntArray, Polygons]:
    """Return the first place where a string meets nothing, else no hard place, else the first.

    One string of each pull; ``free`` are the places, shape (n, k), not-a-number where taken, and
    which of them take a lane that is to be spared: for a soft place none is taken, for a hard one
    it is.
    """
    places, spared = free
    rank = np.full(len(pulls), 5)  # of the place found: 0 clear to 4 any, see `found`
    taken = np.zeros(len(pulls), dtype=np.int64)
    shapes = np.empty(len(pulls), dtype=object)
    for place in range(places.shape[1]):
        rows = np.flatnonzero((rank > 0) & np.isfinite(places[:, place]))
        if not len(rows):
            continue
        lanes = _lanes(pulls.iloc[rows], net, length[rows], places[rows, place])
        hard, led = (_met(tree, lanes) for tree in trees)
        found = np.where(hard, 4, 2 * spared[rows, place] + led)
        better = found < rank[rows]
        rank[rows[better]], taken[rows[better]] = found[better], place
        shapes[rows[better]] = lanes[better]
    return taken, shapes


def _met(tree: shapely.STRtree, shapes: Polygons) -> BoolArray:
    """Return which shapes meet something of a tree."""
    met = np.zeros(len(shapes), dtype=bool)
    met[tree.query(shapes, predicate="intersects")[0]] = True
    return met


def _beyond(pulls: pd.DataFrame, off: FloatArray) -> npt.NDArray[np.object_]:
    """Say where strings lie beyond the verge, or over the middle away from their pit's side."""
    half, own, outside = _columns(pulls, "lay_width", "street_offset", "outside")
    known = (pulls["street_chain"].to_numpy() >= 0) & np.isfinite(half)
    edge = outside / 2
    verge = known & (np.abs(off) + edge > half + EDGE) & (np.abs(off) > np.abs(own))
    middle = known & (np.where(own < 0, -1.0, 1.0) * off + edge < 0)
    return np.where(verge, "verge", np.where(middle, "middle", "")).astype(object)


def _columns(pulls: pd.DataFrame, *names: str) -> list[FloatArray]:
    return [pulls[name].to_numpy(dtype=float) for name in names]


def _places(pulls: pd.DataFrame, gap: float, *, over_middle: bool) -> FloatArray:
    """Return how far off the centreline strings may lie, the best first, shape (n, k).

    A plan has no more strings than there are places (`string_places`); more would lie on beyond.
    """
    half, own, outside = _columns(pulls, "lay_width", "street_offset", "outside")
    on, count = pulls["street_chain"].to_numpy() >= 0, pulls["strings"].to_numpy()
    known, step = on & np.isfinite(half), outside + gap
    own = np.where(on, own, 0.0)
    room = np.where(known, half, np.inf)
    most = int(np.maximum(np.where(known, 2 * half / step + 2, 0.0), count).max(initial=0))
    places = string_places(own, room, outside, gap=gap, count=most, over_middle=over_middle)
    order = np.arange(most)
    places[~known[:, None] & (order >= count[:, None])] = np.nan
    there = np.isfinite(places)
    side, found = np.where(own < 0, -1.0, 1.0), there.sum(axis=1)
    last = np.where(there, side[:, None] * places, np.abs(own)[:, None]).min(axis=1, initial=np.inf)
    more = last[:, None] - step[:, None] * (1 + order - found[:, None])
    return np.where(
        (order >= found[:, None]) & (order < count[:, None]), side[:, None] * more, places
    )


def _ends(
    pulls: pd.DataFrame, net: StreetNet | None, length: FloatArray, off: FloatArray
) -> FloatArray:
    """Return the chainages along their streets strings end at, m; not-a-number off the streets."""
    chain = pulls["street_chain"].to_numpy(dtype=np.int64)
    ends = np.full(len(pulls), np.nan)
    on = np.flatnonzero((chain >= 0) & (net is not None))
    if net is not None and len(on):
        start, forward = pulls["lay_at"].to_numpy(dtype=float), pulls["lay_forward"].to_numpy()
        forward = forward.astype(bool)[on]
        ends[on] = offset_ends(net, chain[on], start[on], off[on], length[on], forward)
    return ends


def _lanes(
    pulls: pd.DataFrame, net: StreetNet | None, length: FloatArray, off: FloatArray
) -> Polygons:
    """Return the ground strings take so far off the centreline, or straight back from the ramp."""
    half = pulls["outside"].to_numpy(dtype=float) / 2
    ends = _ends(pulls, net, length, off)
    top_x, top_y, dx, dy = _columns(pulls, "top_x", "top_y", "lay_dx", "lay_dy")
    top, heading = np.stack([top_x, top_y], axis=1), np.stack([dx, dy], axis=1)
    across = np.stack([-dy, dx], axis=1)
    near = top + across * off[:, None]
    far, aside = near + heading * length[:, None], across * half[:, None]
    shapes: Polygons = shapely.polygons(
        np.stack([near - aside, far - aside, far + aside, near + aside], axis=1)
    )
    on = np.flatnonzero(np.isfinite(ends))
    if net is not None and len(on):
        start = pulls["lay_at"].to_numpy(dtype=float)[on]
        at = np.stack([start, ends[on], ends[on], start], axis=1)
        sides = off[on, None] + half[on, None] * np.array([-1.0, -1.0, 1.0, 1.0])
        chain = pulls["street_chain"].to_numpy(dtype=np.int64)[on]
        shapes[on] = _along_street(net, chain, np.stack([at, sides], axis=2))
    return shapes


def _along_street(net: StreetNet, chain: IntArray, corners: FloatArray) -> Polygons:
    """Return the ground of strings along streets, parameters as `strips`.

    Where vertices of a street are nearer to each other than a string inside of them has room for
    they are drawn in one place; where it would lie over itself even so, the hull of it all.
    """
    lanes = strips(net, chain, corners)
    loops = shapely.get_num_interior_rings(lanes) > 0
    folded = np.flatnonzero((shapely.get_type_id(lanes) != POLYGON) | loops)
    lanes[folded] = strips(net, chain[folded], corners[folded], unfolded=True)
    whole = shapely.get_type_id(lanes) == POLYGON
    return np.where(whole, lanes, shapely.convex_hull(lanes))
