"""Room for the strings of every candidate, ahead and behind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray
from geotools.siting.axis import Axis
from geotools.siting.extents import AHEAD, BEHIND, Extents
from geotools.street.context import street_context
from geotools.street.laydown import longest_pull, pieces_per_string
from geotools.street.scene import StreetScene

__all__ = ["Laydown", "LaydownRules", "RampTops", "find_laydown", "ramp_ends", "ramp_tops"]


@dataclass(frozen=True)
class LaydownRules:
    """Limits on strings: pipe length and shortest string (m), speed (m/s), times (s)."""

    piece: float
    least: float
    rate: float
    shift: float
    joint_time: float
    max_pull: float


@dataclass(frozen=True)
class Laydown:
    """Room for strings at every candidate, shape (n,); infinite where it is not known.

    ``*_ahead`` is for a pull ahead: its strings lie behind the pit. ``tops``, shape (n, 2), is
    how far left of the candidate's street the ramp ends for a pull ahead and one behind, m;
    not-a-number where it ends in another street or none.
    """

    room_ahead: FloatArray
    room_behind: FloatArray
    pieces_ahead: FloatArray
    pieces_behind: FloatArray
    longest_ahead: FloatArray
    longest_behind: FloatArray
    tops: FloatArray


def find_laydown(
    street: IntArray,
    scene: StreetScene | None,
    axis: Axis,
    run: IntArray,
    extents: Extents,
    radius: FloatArray,
    half_width: FloatArray,
    rules: LaydownRules,
) -> Laydown:
    """Find how long strings may be at every candidate.

    Parameters
    ----------
    street : ndarray of int64, shape (n,)
        Chain of streets each candidate lies in; -1 off the streets.
    scene : StreetScene, optional
        None where no streets were given: strings then lie where they can.
    axis : Axis
    run : ndarray, shape (n,)
    extents : Extents
    radius, half_width : ndarray, shape (n,)
        Least radius of the carrier and half the width a string needs, m.
    rules : LaydownRules
    """
    count = len(run)
    if scene is None:
        behind = ahead = np.full(count, np.inf)
        tops = np.full((count, 2), np.nan)
    else:
        room = partial(_room, street, scene, axis, run, extents, radius, half_width, rules)
        (behind, top_ahead), (ahead, top_behind) = room(pull_ahead=True), room(pull_ahead=False)
        tops = np.stack([top_ahead, top_behind], axis=1)
    pieces = [
        np.where(room >= rules.least, pieces_per_string(room, rules.piece), 0.0)
        for room in (behind, ahead)
    ]
    longest = [
        longest_pull(
            p, piece=rules.piece, rate=rules.rate, shift=rules.shift, joint_time=rules.joint_time
        )
        for p in pieces
    ]
    return Laydown(behind, ahead, pieces[0], pieces[1], longest[0], longest[1], tops)


@dataclass(frozen=True)
class RampTops:
    """Tops of ramps, where strings begin.

    Attributes
    ----------
    street : DataFrame
        The street a string can lie along from there, as `street_context` gives it: the nearest
        whose carriageway or verge it is in and that goes on roughly the way the ramp does; the
        chain is -1 where there is none, ``street_near`` the chain whether it is in it or not.
    top, heading : ndarray, shape (n, 2)
        The point, and the direction straight back from the pit.
    """

    street: pd.DataFrame
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
    street = street_context(scene.net, top, heading, reach=rules.reach, parallel=rules.max_turn)
    half = street["street_width"].to_numpy(dtype=float) / 2 + rules.verge
    beside = ~(np.abs(street["street_offset"].to_numpy(dtype=float)) <= half)
    chain = street["street_chain"]
    street = street.assign(street_near=chain, street_chain=chain.mask(beside, -1))
    return RampTops(street, top, heading)


def _room(
    street: IntArray,
    scene: StreetScene,
    axis: Axis,
    run: IntArray,
    extents: Extents,
    radius: FloatArray,
    half_width: FloatArray,
    rules: LaydownRules,
    *,
    pull_ahead: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return the room for the strings of a pull ahead (behind the pit) or behind (before it).

    The strings of a pit in a street lie in a street; those of a pit off the streets straight
    back. Second is how far left of the pit's street the ramp ends, m.
    """
    role = AHEAD if pull_ahead else BEHIND
    face = extents.end[:, role] if pull_ahead else extents.start[:, role]
    box = (extents.box_ahead if pull_ahead else extents.box_behind)[:, role]
    ramp = ramp_tops(axis, scene, run, face, box, np.full(len(run), pull_ahead))
    chain = ramp.street["street_chain"].to_numpy(dtype=np.int64)
    at = ramp.street["street_at"].to_numpy(dtype=float)
    forward = ramp.street["street_same"].to_numpy(dtype=bool)
    room = np.zeros(len(run))
    rows = np.flatnonzero(chain >= 0)
    off = ramp.street["street_offset"].to_numpy(dtype=float)
    room[rows] = scene.corridors.available(
        chain[rows], at[rows], forward[rows], radius[rows], off[rows]
    )
    rows = np.flatnonzero((chain < 0) & (street < 0))
    room[rows] = scene.corridors.straight_back(
        ramp.top[rows], ramp.heading[rows], most=rules.max_pull, half_width=half_width[rows]
    )
    same = ramp.street["street_near"].to_numpy(dtype=np.int64) == np.where(street < 0, -2, street)
    return room, np.where(same, off, np.nan)
