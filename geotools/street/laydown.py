"""Where fused strings can lie: along the street behind the pit, as far as nothing stops them.

A string is stopped by the end of the street, an intersection of a class that may not be blocked,
a bend tighter than the carrier's least radius within one half of the street, a long curve
tighter than that on its inner side, and a place to avoid across the street (a river, a railway).
Round a ring it goes half way, where it would come to what lies round the other way of the same pit.
Off the streets it lies straight back from the pit, as far as no such place is in the way.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import ready_tree
from geotools.network.bends import BendRules, find_bends
from geotools.network.pieces import SAME_WAY
from geotools.network.ragged import FloatArray, IntArray, offsets_of, to_linestrings
from geotools.network.stretches import Stretches, disjoint
from geotools.pipe.bending import passing_radius_m
from geotools.pipe.names import folded
from geotools.street.net import BETWEEN_CLASSES, StreetNet
from geotools.street.offsets import offset_length
from geotools.street.rings import on_laps

__all__ = ["Corridors", "build_corridors", "longest_pull", "most_strings", "pieces_per_string"]

# How the turns of a street are read for what a string can follow; common practice, no source.
STREET_BEND_GATHER = 10.0  # m; turns of a street closer than this are one
STREET_LEAST_TURN = np.radians(2.0)  # what turns less is straight
STREET_CURVE_TURN = np.radians(20.0)  # a vertex that turns less may be one of a drawn arc
MOST_STRINGS = 100  # no pull is made of more: a bound for the search, far above what is ever laid


@dataclass(frozen=True)
class Corridors:
    """What stops a string along the streets.

    Attributes
    ----------
    net : StreetNet
    stops : tuple of arrays
        Chain, low and high of stretches no string may enter, whatever the carrier.
    bends : DataFrame
        Turns of the chains: ``run`` (chain), ``first`` and ``last`` (where turning begins and
        ends), ``passing_radius`` (m).
    obstacles : ndarray of polygons
        Hard places to avoid.
    known : dict
        By radius, what `blocked` was asked before: every lot of runs asks for the same few.
    """

    net: StreetNet
    stops: tuple[IntArray, FloatArray, FloatArray]
    bends: pd.DataFrame
    obstacles: npt.NDArray[np.object_]
    known: dict[float, Stretches] = field(default_factory=dict)

    def blocked(self, radius: float) -> Stretches:
        """Return the stretches no string of a carrier of this least radius may enter."""
        if radius not in self.known:
            self.known[radius] = self._blocked(radius)
        return self.known[radius]

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return ready_tree(self.obstacles)

    def _blocked(self, radius: float) -> Stretches:
        tight = self.bends[self.bends["passing_radius"].to_numpy(dtype=float) < radius]
        chain = tight["run"].to_numpy(dtype=np.int64)
        return disjoint(
            np.concatenate([self.stops[0], chain]),
            np.concatenate([self.stops[1], tight["first"].to_numpy(dtype=float)]),
            np.concatenate([self.stops[2], tight["last"].to_numpy(dtype=float)]),
            len(self.net.chains),
        )

    def available(
        self,
        chain: IntArray,
        at: FloatArray,
        forward: npt.NDArray[np.bool_],
        radius: FloatArray,
        off: npt.ArrayLike = 0.0,
    ) -> FloatArray:
        """Return the length free along chains from places on, m, as a string there measures it.

        Parameters
        ----------
        chain, at : ndarray, shape (n,)
            Chain and chainage of the top of each ramp.
        forward : ndarray of bool
            The string lies along the chain (True) or against it.
        radius : ndarray
            Least radius of each carrier, m.
        off : array_like, optional
            How far left of the centreline each string lies, m.
        """
        stop = np.array(at, dtype=float)
        for value in np.unique(radius[np.isfinite(radius)]):
            rows = np.flatnonzero(radius == value)
            stop[rows] = self._stop(chain[rows], at[rows], forward[rows], self.blocked(value))
        aside = np.broadcast_to(np.asarray(off, dtype=float), stop.shape)
        return offset_length(self.net, chain, at, stop, aside)

    def _stop(
        self, chain: IntArray, at: FloatArray, forward: npt.NDArray[np.bool_], blocked: Stretches
    ) -> FloatArray:
        """Return the chainage up to which chains are free; the place itself where none is."""
        length = self.net.lengths[chain]
        inside = (blocked.holding(chain, at) >= 0) | (at < 0) | (at > length)
        half = self.net.lap[chain] / 2
        first, last = np.maximum(at - half, 0.0), np.minimum(at + half, length)
        on = np.maximum(np.minimum(blocked.after(chain, at), last), at)
        back = np.minimum(np.maximum(blocked.before(chain, at), first), at)
        return np.where(inside, at, np.where(forward, on, back))

    def straight_back(
        self, top: FloatArray, heading: FloatArray, *, most: float, half_width: FloatArray
    ) -> FloatArray:
        """Return the length free straight on from points, m, up to a most.

        Parameters
        ----------
        top, heading : ndarray, shape (n, 2)
            Top of each ramp and the direction away from the pit.
        most : float
            Length looked along, m.
        half_width : ndarray, shape (n,)
            Half the width the string needs, m.
        """
        free = np.full(len(top), most)
        if not len(top) or not len(self.obstacles):
            return free
        rays = shapely.linestrings(np.stack([top, top + heading * most], axis=1))
        lanes = shapely.buffer(rays, half_width, cap_style="flat")
        ray, place = self._tree.query(lanes, predicate="intersects")
        met = shapely.intersection(lanes[ray], self.obstacles[place])
        np.minimum.at(free, ray, shapely.distance(met, shapely.points(top[ray])))
        return free


def build_corridors(
    net: StreetNet,
    obstacles: npt.NDArray[np.object_],
    *,
    no_block: list[str],
    clear: float,
    verge: float,
    accuracy: float,
    max_turn: float,
) -> Corridors:
    """Find what stops strings along the streets.

    Parameters
    ----------
    net : StreetNet
    obstacles : ndarray of geometries
        Hard places to avoid, buffered.
    no_block : list of str
        Classes whose intersections may not be blocked.
    clear : float
        A string keeps this far from the middle of such an intersection, m.
    verge : float
        Width beside the carriageway a string may use, m.
    accuracy : float
        Survey accuracy of the centrelines, m.
    max_turn : float
        A string goes round no sharper turn of the street, rad.
    """
    crossed = net.connections
    banned = set(map(folded, no_block))
    words, of = np.unique(crossed["crossing_class"].to_numpy(dtype=str), return_inverse=True)
    hits = np.array(
        [bool(banned & set(map(folded, word.split(BETWEEN_CLASSES)))) for word in words], dtype=bool
    )[of]
    at = crossed["chainage"].to_numpy(dtype=float)[hits]
    chain = crossed["run"].to_numpy(dtype=np.int64)[hits]
    across = _across(net, obstacles)
    stops = (
        np.concatenate([chain, across[0]]),
        np.concatenate([at - clear, across[1]]),
        np.concatenate([at + clear, across[2]]),
    )
    return Corridors(net, stops, _street_bends(net, verge, accuracy, max_turn), obstacles)


def _across(
    net: StreetNet, obstacles: npt.NDArray[np.object_]
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the stretches of streets that lie in places to avoid."""
    bounds = offsets_of(net.once.astype(np.int64))[net.chains.offsets]
    lines = to_linestrings(net.chains.xy[net.once], bounds)
    if not len(lines) or not len(obstacles):
        return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)
    place, line = shapely.STRtree(lines).query(obstacles, predicate="intersects")
    parts, index = shapely.get_parts(
        shapely.intersection(lines[line], obstacles[place]), return_index=True
    )
    chain = line[index].astype(np.int64)
    # By its middle: of a ring the one end lies where the other does.
    middle = shapely.line_locate_point(lines[chain], _middles(parts))
    half = shapely.length(parts) / 2
    chain, middle, half = on_laps(net.lap, chain, middle, half)
    return chain, middle - half, middle + half


def _middles(parts: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return the middles of lines, and points as they are."""
    point = shapely.get_type_id(parts) == shapely.GeometryType.POINT
    middles = parts.copy()
    middles[~point] = shapely.line_interpolate_point(parts[~point], 0.5, normalized=True)
    return middles


def _street_bends(net: StreetNet, verge: float, accuracy: float, max_turn: float) -> pd.DataFrame:
    """Find the turns of the chains and the radius a string can take within its half of the street.

    A turn up to ``max_turn`` a string cuts across between the middle of the street and the edge
    of its verge: over the middle it would lie in lanes nobody closed. Round a sharper corner none
    is laid, however soft the pipe; a curve that turns as far it follows, on its inner
    side at the tightest.
    """
    rules = BendRules(
        accuracy=accuracy,
        gather=1.0,  # times the distance given below
        least_angle=STREET_LEAST_TURN,
        curve_angle=STREET_CURVE_TURN,
        fitting_radius=0.0,
    )
    none = pd.DataFrame({"run": np.zeros(0, dtype=np.int64), "chainage": [], "angle": []})
    rises = pd.DataFrame({"run": np.zeros(0, dtype=np.int64), "chainage": [], "rise": []})
    gather = np.full(len(net.chains), STREET_BEND_GATHER)
    bends = find_bends(net.thinned, gather, none, rises, rules)
    chain, at = bends["run"].to_numpy(dtype=np.int64), bends["chainage"].to_numpy(dtype=float)
    half = net.least_width(chain, at) / 2 + verge
    turned = bends["deflection"].to_numpy(dtype=float)
    axis = bends["axis_radius"].to_numpy(dtype=float)
    across = passing_radius_m(np.clip(turned, 0, np.pi), half, axis_radius_m=axis)
    inner = np.maximum(axis - half, 0.0)  # of a corner the axis radius is 0
    passing = np.where(turned > max_turn + SAME_WAY, inner, across)
    return bends[["run", "first", "last"]].assign(passing_radius=passing)


def pieces_per_string(available: FloatArray, piece: float) -> FloatArray:
    """Return how many pipes a string may consist of in the length available."""
    return np.floor(np.asarray(available) / piece + 1e-9)


def longest_pull(
    pieces: FloatArray,
    *,
    piece: float,
    rate: float,
    shift: float,
    joint_time: float,
    most: npt.ArrayLike = np.inf,
) -> FloatArray:
    """Return the longest pull whose strings are joined and pulled within a shift, m.

    Parameters
    ----------
    pieces : ndarray
        Pipes a string may consist of; infinite where nothing limits it, 0 where none can lie.
    piece : float
        Length of a pipe, m.
    rate : float
        Speed of pulling, m/s.
    shift, joint_time : float
        Hours of a shift and standstill for each string joined on, s.
    most : array_like, optional
        Strings that find room side by side.
    """
    best = np.zeros(np.shape(pieces))
    strings = 1
    while shift - (strings - 1) * joint_time > 0 and strings <= MOST_STRINGS:
        fits = (pieces > 0) & (strings <= np.asarray(most))
        pulled = rate * (shift - (strings - 1) * joint_time)
        with np.errstate(invalid="ignore"):
            laid = np.where(fits, strings * pieces * piece, 0.0)
        best = np.maximum(best, np.minimum(laid, pulled))
        strings += 1
    return best


def most_strings(
    *, piece: float, least: float, longest: float, shift: float, joint_time: float
) -> int:
    """Return the strings no pull can be made of more than.

    Parameters
    ----------
    piece, least, longest : float
        Length of a pipe, of the shortest string and of the longest pull, m.
    shift, joint_time : float
        Hours of a shift and standstill for each string joined on, s.
    """
    whole = max(np.floor(least / piece + 1e-9), 1.0)
    by_length = np.ceil(np.ceil(longest / piece) / whole)
    by_shift = np.ceil(shift / joint_time) if joint_time > 0 else np.inf
    return int(min(by_length, by_shift, MOST_STRINGS))
