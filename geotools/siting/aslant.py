"""Pits aslant: on a street that their main crosses at an angle, as where it changes sides.

The main has no street of its own there, along which a pit would lie. What a pit takes of the
street is told by its ground: how far it reaches across the centreline, and along it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.network.places import on_measures
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.words import in_words
from geotools.siting.grounds import Grounds
from geotools.siting.works import Lanes, lanes_of_edges
from geotools.street.context import Spots, find_streets
from geotools.street.lanes import TOUCH, Carriageway, Passage
from geotools.street.net import NUMBERS, TEXTS, StreetNet
from geotools.street.scene import StreetScene

__all__ = ["Aslant", "find_aslant"]

BESIDE = 1.0  # m along a street before and behind a place that tell how it runs there


@dataclass(frozen=True)
class Aslant:
    """Candidates that stand aslant in a street, with what they take of it.

    Attributes
    ----------
    row : ndarray of int64, shape (k,)
    spots : Spots
        The street, shape (k,).
    across, along : ndarray, shape (k, 4, 2)
        From where to where the ground of each role lies, m left of the centreline and m along the
        chain; not-a-number where it lies off carriageway and verge.
    """

    row: IntArray
    spots: Spots
    across: FloatArray
    along: FloatArray

    def streets(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return candidates with these given their street."""
        spots = self.spots
        found: dict[str, npt.NDArray[Any]] = {
            "chain": spots.chain,
            "at": spots.at,
            "offset": spots.offset,
            "same": spots.same,
            **{name: spots.number(name) for name in NUMBERS},
            **{name: spots.text(name) for name in TEXTS},
        }
        columns = {}
        for name, values in found.items():
            kind = object if name in TEXTS else None
            column = table[f"street_{name}"].to_numpy(dtype=kind, copy=True)
            column[self.row] = values
            columns[f"street_{name}"] = column
        return in_words(table.assign(**columns), [f"street_{name}" for name in TEXTS])

    def lanes(self, lanes: Lanes, passage: Passage) -> Lanes:
        """Return the lanes of candidates with those of these; as `lanes_taken`."""
        width, count, oneway = (self.spots.number(name) for name in ("width", "lanes", "oneway"))
        low, high = self.across[..., 0], self.across[..., 1]
        way = Carriageway(width, count.astype(np.int64), oneway)
        own = lanes_of_edges(low, high, way, passage)
        own = replace(own, begin=self.along[..., 0], end=self.along[..., 1])
        columns = {}
        for name, values in vars(lanes).items():
            columns[name] = values.copy()
            columns[name][self.row] = getattr(own, name)
        return Lanes(**columns)


def find_aslant(
    table: pd.DataFrame, ground: Grounds, scene: StreetScene | None, *, gap: float
) -> Aslant | None:
    """Find the candidates without a street along their main that stand on carriageway or verge.

    The street is the nearest within ``street.reach``, at whatever angle. It is taken to be
    straight where the pit is.

    Parameters
    ----------
    table : DataFrame
        Candidates: ``x``, ``y``, ``street_chain``.
    ground : Grounds
        Of every candidate in every role.
    scene : StreetScene, optional
    gap : float
        Room between pit and traffic, m: it is part of what a pit takes.
    """
    if scene is None or not len(scene.net.chains):
        return None
    row = np.flatnonzero(table["street_chain"].to_numpy() < 0)
    xy = table[["x", "y"]].to_numpy(dtype=float)[row]
    reach = scene.rules.reach
    any_way = np.tile([1.0, 0.0], (len(xy), 1))
    spots = find_streets(scene.net, xy, any_way, reach=reach, parallel=np.pi)
    row, spots = row[spots.known], spots.of(spots.known)
    along, across = _in_streets(ground, row, spots)
    half = spots.number("width")[:, None] / 2 - TOUCH + max(gap, scene.rules.verge)
    on = (across[..., 0] < half) & (across[..., 1] > -half)
    on &= (along[..., 1] > 0.0) & (along[..., 0] < scene.net.lengths[spots.chain][:, None])
    across[~on] = along[~on] = np.nan
    some = np.asarray(on.any(axis=1), dtype=np.bool_)
    if not some.any():
        return None
    return Aslant(row[some], spots.of(some), across[some], along[some])


def _in_streets(ground: Grounds, row: IntArray, spots: Spots) -> tuple[FloatArray, FloatArray]:
    """Return from where to where grounds lie along the street of each and across it, (k, 4, 2)."""
    origin, unit = _frames(spots.net, spots.chain, spots.at)
    known = np.isfinite(ground.foot[row]).all(axis=-1) & np.isfinite(ground.length[row])
    of, role = np.nonzero(known)
    xy, shape = shapely.get_coordinates(ground.polygons(row[of], role), return_index=True)
    rel, way = xy - origin[of[shape]], unit[of[shape]]
    along = spots.at[of[shape]] + (rel * way).sum(axis=1)
    across = way[:, 0] * rel[:, 1] - way[:, 1] * rel[:, 0]
    return _spans(along, shape, known, of, role), _spans(across, shape, known, of, role)


def _spans(
    values: FloatArray, shape: IntArray, known: BoolArray, of: IntArray, role: IntArray
) -> FloatArray:
    """Return the least and the greatest of the values of every shape; not-a-number without one."""
    low, high = np.full(len(of), np.inf), np.full(len(of), -np.inf)
    np.minimum.at(low, shape, values)
    np.maximum.at(high, shape, values)
    out = np.full((*known.shape, 2), np.nan)
    out[of, role] = np.where((low <= high)[:, None], np.stack([low, high], axis=1), np.nan)
    return out


def _frames(net: StreetNet, chain: IntArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return points on chains, and unit vectors along them there, the mean of both sides."""
    ends = np.clip(at, 0.0, net.lengths[chain])
    before, here, after = (
        on_measures(net.chains.xy, net.places, chain, np.clip(spot, 0.0, net.lengths[chain]))
        for spot in (ends - BESIDE, ends, ends + BESIDE)
    )
    step = after - before
    return here, step / np.maximum(np.hypot(*step.T), 1e-12)[:, None]
