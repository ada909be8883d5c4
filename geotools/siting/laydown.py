"""Room for the strings of every candidate, ahead and behind."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.ragged import FloatArray, IntArray
from geotools.schema import AHEAD, BEHIND
from geotools.siting.along import Across, Along, StringSpots, lanes_along
from geotools.siting.axis import Axis
from geotools.siting.entry import turned_into
from geotools.siting.extents import Extents
from geotools.siting.refusals import NO_ROOM, OFF_STREET, PAST_VERGE, STIFF
from geotools.siting.works import SiteRates
from geotools.street.context import TIE, Spots, find_streets
from geotools.street.laydown import longest_pull, most_strings, pieces_per_string
from geotools.street.scene import StreetScene

__all__ = [
    "Laydown",
    "LaydownRules",
    "RampTops",
    "StringsAsked",
    "find_laydown",
    "ramp_ends",
    "ramp_tops",
]


@dataclass(frozen=True)
class LaydownRules:
    """Limits on strings: pipe length and shortest string (m), speed (m/s), times (s).

    ``busy`` are the classes of street that may not lose all their lanes.
    """

    piece: float
    least: float
    rate: float
    shift: float
    joint_time: float
    max_pull: float
    busy: frozenset[str] = frozenset()

    @property
    def shortest(self) -> float:
        """Length of the shortest string there can be, m: the least asked for, but a whole pipe."""
        return max(self.least, self.piece)

    def most(self) -> int:
        """Return the strings no pull can be made of more than."""
        return most_strings(
            piece=self.piece,
            least=self.least,
            longest=self.max_pull,
            shift=self.shift,
            joint_time=self.joint_time,
        )


@dataclass(frozen=True)
class Laydown:
    """Room for strings at every candidate, shape (n,); infinite where it is not known.

    ``*_ahead`` is for a pull ahead: its strings lie behind the pit. ``tops``, shape (n, 2), is
    how far left of the candidate's street the ramp ends for a pull ahead and one behind, m;
    not-a-number where it ends in another street or none.

    ``lack_*`` says by the bits of `refusals.NO_STRING` why no string finds room, all that denies it
    within the length of the shortest; 0 where one does.

    ``lanes_*`` and ``day_*``, shape (n, levels * k), are the lanes that one string takes, that two
    take side by side, and so on, and what those cost a day; infinite where so many find no room.
    They are told level by level: ``begins_*``, shape (n, levels), is the length of a string above
    which each counts, m, for a long one comes to other streets than a short one.
    """

    room_ahead: FloatArray
    room_behind: FloatArray
    pieces_ahead: FloatArray
    pieces_behind: FloatArray
    longest_ahead: FloatArray
    longest_behind: FloatArray
    lack_ahead: IntArray
    lack_behind: IntArray
    tops: FloatArray
    lanes_ahead: FloatArray
    lanes_behind: FloatArray
    day_ahead: FloatArray
    day_behind: FloatArray
    begins_ahead: FloatArray
    begins_behind: FloatArray


@dataclass(frozen=True)
class StringsAsked:
    """Candidates that strings are to begin at: arrays of shape (n,).

    Attributes
    ----------
    street : ndarray of int64
        Chain of streets each lies in; -1 off the streets.
    run : ndarray of int64
    extents : Extents
    radius, half_width : ndarray
        Least radius of the carrier and half the width a string needs, m.
    """

    street: IntArray
    run: IntArray
    extents: Extents
    radius: FloatArray
    half_width: FloatArray


@dataclass(frozen=True)
class _Side:
    """Room, what denies it, top of the ramp, lanes and their cost a day on one side."""

    room: FloatArray
    lack: IntArray
    top: FloatArray
    lanes: FloatArray
    day: FloatArray
    begins: FloatArray


def find_laydown(
    asked: StringsAsked,
    axis: Axis,
    scene: StreetScene | None,
    rules: LaydownRules,
    rates: SiteRates,
) -> Laydown:
    """Find how long strings may be at every candidate.

    ``scene`` is None where no streets were given: strings then lie where they can.
    """
    count, most = len(asked.run), rules.most()
    if scene is None:
        free, none = np.full(count, np.inf), np.zeros((count, most))
        nothing = np.zeros(count, dtype=np.int64)
        begins = np.zeros((count, 1))
        ahead = behind = _Side(free, nothing, np.full(count, np.nan), none, none, begins)
    else:
        side = partial(_side, asked, axis, scene, rules, rates)
        ahead, behind = side(pull_ahead=True), side(pull_ahead=False)
    levels = max(ahead.begins.shape[1], behind.begins.shape[1])
    ahead, behind = _padded(ahead, levels), _padded(behind, levels)
    (pieces_ahead, longest_ahead), (pieces_behind, longest_behind) = (
        _pieces(one, rules) for one in (ahead, behind)
    )
    return Laydown(
        room_ahead=ahead.room,
        room_behind=behind.room,
        pieces_ahead=pieces_ahead,
        pieces_behind=pieces_behind,
        longest_ahead=longest_ahead,
        longest_behind=longest_behind,
        lack_ahead=np.where(pieces_ahead < 1, ahead.lack, 0),
        lack_behind=np.where(pieces_behind < 1, behind.lack, 0),
        tops=np.stack([ahead.top, behind.top], axis=1),
        lanes_ahead=ahead.lanes,
        lanes_behind=behind.lanes,
        day_ahead=ahead.day,
        day_behind=behind.day,
        begins_ahead=ahead.begins,
        begins_behind=behind.begins,
    )


def _padded(side: _Side, levels: int) -> _Side:
    """Return a side with so many levels: its last one again."""
    own = side.begins.shape[1]
    width, more = side.day.shape[1] // own, levels - own
    return replace(
        side,
        begins=np.concatenate([side.begins, *[side.begins[:, -1:]] * more], axis=1),
        lanes=np.concatenate([side.lanes, *[side.lanes[:, -width:]] * more], axis=1),
        day=np.concatenate([side.day, *[side.day[:, -width:]] * more], axis=1),
    )


def _pieces(side: _Side, rules: LaydownRules) -> tuple[FloatArray, FloatArray]:
    """Return the pipes a string may consist of, and the longest pull, m."""
    width = side.lanes.shape[1] // side.begins.shape[1]
    abreast = np.isfinite(side.lanes[:, :width]).sum(axis=1)
    enough = (side.room >= rules.least) & (abreast > 0)
    pieces = np.where(enough, pieces_per_string(side.room, rules.piece), 0.0)
    longest = longest_pull(
        pieces,
        piece=rules.piece,
        rate=rules.rate,
        shift=rules.shift,
        joint_time=rules.joint_time,
        most=abreast,
    )
    return pieces, longest


@dataclass(frozen=True)
class RampTops:
    """Tops of ramps, where strings begin.

    Attributes
    ----------
    street : Spots
        The nearest street that goes on roughly the way the ramp does.
    chain : ndarray of int64, shape (n,)
        The chain of that street where the top is in its carriageway or verge, so that a string
        can lie along it; else -1.
    top, heading : ndarray, shape (n, 2)
        The point, and the direction straight back from the pit.
    """

    street: Spots
    chain: IntArray
    top: FloatArray
    heading: FloatArray


def ramp_ends(
    axis: Axis,
    run: IntArray,
    face: FloatArray,
    box: FloatArray,
    pull_ahead: npt.NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray]:
    """Return the tops of ramps and the directions straight back; parameters as `ramp_tops`."""
    along = np.where(
        pull_ahead[:, None], axis.heading(run, face), axis.heading(run, face, before=True)
    )
    heading = np.where(pull_ahead, -1.0, 1.0)[:, None] * along
    return axis.position(run, face) + heading * box[:, None], heading


def ramp_tops(
    axis: Axis,
    scene: StreetScene,
    run: IntArray,
    face: FloatArray,
    box: FloatArray,
    pull_ahead: npt.NDArray[np.bool_],
) -> RampTops:
    """Return where the strings of pulls begin.

    Parameters
    ----------
    axis : Axis
    scene : StreetScene
    run : ndarray, shape (n,)
    face, box : ndarray, shape (n,)
        Chainage of the face the carrier enters by, and length of the box back from it, m.
    pull_ahead : ndarray of bool, shape (n,)
        Strings of a pull ahead lie behind the pit.
    """
    top, heading = ramp_ends(axis, run, face, box, pull_ahead)
    rules = scene.rules
    street = find_streets(scene.net, top, heading, reach=rules.reach, parallel=rules.max_turn)
    street = _abreast(street, top)
    inside = np.abs(street.offset) <= street.number("width") / 2 + rules.verge
    return RampTops(street, np.where(inside, street.chain, -1), top, heading)


def _abreast(street: Spots, top: FloatArray) -> Spots:
    """Return the streets of the tops of ramps, none where it turns too far from the ramp there.

    A stretch farther on may go the way the ramp does: its end is no place a string can begin at
    where the top lies abreast of the stretch before.
    """
    net, chain, offset = street.net, street.chain.copy(), street.offset.copy()
    on = np.flatnonzero(chain >= 0)
    vertex = net.places.search(chain[on], street.at[on])
    vertex = np.minimum(vertex, net.chains.offsets[chain[on] + 1] - 1)
    at_one = net.places.at[vertex] == street.at[on]
    on, vertex = on[at_one], vertex[at_one]
    bounds, xy = net.chains.offsets, net.chains.xy
    for step in (-1, 1):
        other = np.clip(vertex + step, bounds[chain[on]], bounds[chain[on] + 1] - 1)
        lines = shapely.linestrings(np.stack([xy[vertex], xy[other]], axis=1))
        near = shapely.distance(lines, shapely.points(top[on]))
        astray = on[near < np.abs(street.offset[on]) - TIE]
        chain[astray], offset[astray] = -1, np.nan
        kept = chain[on] >= 0
        on, vertex = on[kept], vertex[kept]
    return replace(street, chain=chain, offset=offset)


def _side(
    asked: StringsAsked,
    axis: Axis,
    scene: StreetScene,
    rules: LaydownRules,
    rates: SiteRates,
    *,
    pull_ahead: bool,
) -> _Side:
    """Return the room for the strings of a pull ahead (behind the pit) or behind (before it).

    The strings of a pit in a street lie in a street; those of a pit off the streets straight
    back.
    """
    run, street, radius, extents = asked.run, asked.street, asked.radius, asked.extents
    role = AHEAD if pull_ahead else BEHIND
    face = extents.end[:, role] if pull_ahead else extents.start[:, role]
    box = (extents.box_ahead if pull_ahead else extents.box_behind)[:, role]
    ramp = ramp_tops(axis, scene, run, face, box, np.full(len(run), pull_ahead))
    chain, lies = ramp.chain, ramp.street
    room = np.zeros(len(run))
    rows = np.flatnonzero(chain >= 0)
    room[rows] = scene.corridors.available(
        chain[rows], lies.at[rows], lies.same[rows], radius[rows], lies.offset[rows]
    )
    straight = room.copy()
    room[rows] = turned_into(
        lies.of(rows),
        ramp.top[rows],
        ramp.heading[rows],
        room[rows],
        radius[rows],
        verge=scene.rules.verge,
        max_turn=scene.rules.max_turn,
    )
    stiff = (room < rules.shortest) & (straight >= rules.shortest)
    rows = np.flatnonzero((chain < 0) & (street < 0))
    room[rows] = scene.corridors.straight_back(
        ramp.top[rows], ramp.heading[rows], most=rules.max_pull, half_width=asked.half_width[rows]
    )
    same = lies.chain == np.where(street < 0, -2, street)
    along = _along_streets(ramp, scene, room, 2 * asked.half_width, rules, rates)
    lack = _lack(ramp, street >= 0, room < rules.shortest, stiff, along)
    top = np.where(same, lies.offset, np.nan)
    return _Side(along.room, lack, top, along.taken, along.day, along.begins)


def _lack(
    ramp: RampTops,
    in_street: npt.NDArray[np.bool_],
    short: npt.NDArray[np.bool_],
    stiff: npt.NDArray[np.bool_],
    along: Along,
) -> IntArray:
    """Return as bits what denies a string its room: all that is nearer than the shortest.

    ``stiff`` are those that are short because they cannot turn into the street.
    """
    lost = in_street & (ramp.chain < 0)
    beside = lost & _along(ramp.street)
    bits: IntArray = np.where(~lost & short & ~stiff, NO_ROOM, 0) | along.denied
    bits |= np.where(stiff, STIFF, 0)
    bits |= np.where(beside, PAST_VERGE, 0)
    bits |= np.where(lost & ~beside, OFF_STREET, 0)
    return bits


def _along(street: Spots) -> npt.NDArray[np.bool_]:
    """Return which places lie beside their street, and not past its end."""
    length = street.net.lengths[np.maximum(street.chain, 0)] if len(street.net.chains) else 0.0
    return np.asarray((street.chain >= 0) & (street.at > 0.0) & (street.at < length))


def _along_streets(
    ramp: RampTops,
    scene: StreetScene,
    room: FloatArray,
    outside: FloatArray,
    rules: LaydownRules,
    rates: SiteRates,
) -> Along:
    """Return what strings take of the streets they lie in; nothing where they lie in none."""
    count, most, street = len(room), rules.most(), scene.rules
    on = np.flatnonzero(ramp.chain >= 0)
    lies = ramp.street
    spots = StringSpots(ramp.chain, lies.at, lies.same, lies.offset, outside).of(on)
    across = Across(
        verge=street.verge,
        string_gap=street.string_gap,
        lateral_gap=street.lateral_gap,
        lane_share=street.least_lane_share,
        over_middle=street.strings_over_middle,
        busy=rules.busy,
        most=most,
    )
    along = lanes_along(
        spots,
        room[on],
        scene.net.alike,
        across,
        rates,
        least=rules.shortest,
        longest=rules.max_pull,
    )
    levels = along.begins.shape[1]
    whole = Along(
        room.copy(),
        np.zeros(count, dtype=np.int64),
        np.zeros((count, levels)),
        np.zeros((count, levels * most)),
        np.zeros((count, levels * most)),
    )
    for name in ("room", "denied", "begins", "taken", "day"):
        getattr(whole, name)[on] = getattr(along, name)
    return whole
