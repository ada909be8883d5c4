"""What is dug for a pit: its length, its volume, the depth of its ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.accel import in_parts
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.siting.axis import Axis
from geotools.siting.depths import Depths
from geotools.siting.extents import Extents
from geotools.siting.overlap import shared_volumes
from geotools.siting.ramps import Ramps, ramp_depths, ramp_volumes

__all__ = ["Hole", "dig_pits", "ramps_deepest"]

PLACES = 65  # along a ramp where it is looked how deep it is dug
ROWS = 2_000  # ramps at a time


@dataclass(frozen=True)
class Hole:
    """Pits as they are dug, shape (n, 4): length (m), volume (m3), depth of the ends summed (m)."""

    length: FloatArray
    volume: FloatArray
    ends: FloatArray


def dig_pits(
    axis: Axis,
    run: IntArray,
    extents: Extents,
    ramps: Ramps,
    half_width: FloatArray,
    slope: FloatArray,
    depths: Depths,
    *,
    wanted: BoolArray,
) -> Hole:
    """Work out what is dug for every pit.

    Parameters
    ----------
    axis, run, extents
        As for `pit_extents`.
    ramps : Ramps
    half_width, slope : ndarray, shape (n,)
        Half the width at the bottom, m, and lean of the sides.
    depths : Depths
        Of what is dug to the host.
    wanted : ndarray of bool, shape (n, 4)
        Roles whose volume is wanted to the last at bends, which takes longest.

    Notes
    -----
    The carrier in a pit is laid in the open at the host's level: what is opened of the run, and
    the room at the station, is dug to the bedding along its whole length. What of a ramp lies
    beside the run or beyond its end is dug as deep as the carrier comes down and no deeper. Sides
    leaning m:1 add to a pit b wide and h deep, h1 and h2 at its ends: m h^2 for each metre along
    it, m b (h1^2 + h2^2)/2 at its ends and (2/3) m^2 (h1^3 + h2^3) in its corners, for one depth H
    and l long the prismoidal m H^2 (b + l) + (4/3) m^2 H^3; an end where the ramp goes straight on
    has no face and no slope of its own. At a bend the ramp counts from its foot, and what it
    shares with the stretch, taken to be as deep as that is in the mean, is taken off.
    """
    whole = extents.end - extents.start
    length = np.maximum(np.maximum(extents.box_ahead, extents.box_behind), whole)
    stretch, ends = _stretch(extents, depths, 2 * half_width[:, None], slope[:, None])
    begins = _begins(extents, ramps)
    # At a bend; beyond the run's end the ramp goes straight on from where the stretch ends.
    meets = (np.isfinite(begins[0]) | np.isfinite(begins[1])) & wanted
    meets &= (extents.start == extents.deep_start) & (extents.end == extents.deep_end)
    begins = tuple(np.where(meets, np.minimum(begin, 0.0), begin) for begin in begins)
    dug = _ramps_dug(ramps, begins, half_width, slope)
    mean = depths.area / np.maximum(extents.deep_end - extents.deep_start, EDGE)
    shared = shared_volumes(axis, run, extents, begins, mean, half_width, slope, ramps, meets)
    return Hole(length, stretch + np.maximum(dug - shared, 0.0), ends)


def _stretch(
    extents: Extents, depths: Depths, width: FloatArray, lean: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the volume of what is dug to the host, m3, and the depth of its ends summed, m."""
    sides = lean * depths.squares
    ends = np.zeros(sides.shape)
    for depth, edge, deep in (
        (depths.first, extents.start, extents.deep_start),
        (depths.last, extents.end, extents.deep_end),
    ):
        closed = edge == deep
        leans = lean * closed
        ends = ends + depth * closed
        sides = sides + leans * width * depth**2 / 2 + 2 / 3 * leans**2 * depth**3
    return width * depths.area + sides, ends


def _begins(extents: Extents, ramps: Ramps) -> tuple[FloatArray, ...]:
    """Return where ramps ahead and behind leave the run, m from their foot; NaN where none does."""
    out = []
    for way, box in enumerate((extents.box_ahead, extents.box_behind)):
        # The ramp of a two-way pit at a bend leaves the run where that of a one-way pit does.
        one_way = way + 1
        begins = extents.on_run[:, one_way] - (box[:, one_way] - ramps.length[:, way])
        out.append(np.where(extents.leaves(way), begins[:, None], np.nan))
    return tuple(out)


def ramps_deepest(extents: Extents, ramps: Ramps, greatest: FloatArray) -> FloatArray:
    """Return the most pits are dug where a ramp leaves their run, m, shape (n, 4); 0 where none.

    Parameters
    ----------
    extents, ramps
        As for `dig_pits`.
    greatest : ndarray, shape (n, 4)
        The most they are dug to the host, m: ramps that are nowhere as deep are not gone into,
        but where the host falls away under them.
    """
    out = np.zeros(greatest.shape)
    rules, high = ramps.rules, ramps.ground.rise.max(axis=1)[ramps.ground.row]
    most = ramps.level_drop[:, None] - rules.resting_height + high - ramps.foot + rules.bedding
    falls = ramps.climb.host_slope < 0
    for way, begin in enumerate(_begins(extents, ramps)):
        deeper = (most[:, way, None] > greatest + EDGE) | falls[:, way, None]
        row, role = np.nonzero(np.isfinite(begin) & deeper)
        if len(row):

            def deepest(row: IntArray, begin: FloatArray, way: int = way) -> FloatArray:
                last = np.maximum(ramps.length[row, way], begin)
                share = np.linspace(0.0, 1.0, PLACES)
                place = begin[:, None] + (last - begin)[:, None] * share
                found: FloatArray = ramp_depths(ramps, row, way, place).max(axis=1)
                return found

            found = in_parts(deepest, ROWS, row, np.maximum(begin[row, role], 0.0))
            out[row, role] = np.maximum(out[row, role], found)
    return out


def _ramps_dug(
    ramps: Ramps, begins: tuple[FloatArray, ...], half_width: FloatArray, slope: FloatArray
) -> FloatArray:
    """Return the volume of what of the ramps is not over the run, m3, shape (n, 4)."""
    out = np.zeros(begins[0].shape)
    for way, begin in enumerate(begins):
        row, role = np.nonzero(np.isfinite(begin))
        out[row, role] += ramp_volumes(
            ramps, row, way, begin[row, role], 2 * half_width[row], slope[row]
        )
    return out
