"""Lanes of pits whose street turns where they are, or that lie at an angle to it.

A pit lies along its street nearly always, and reaches as far across it as it is wide. By a corner
of the street, or where the main goes from one side of it to the other, one end of the pit may lie
over other lanes than its place does. Where that could close other lanes, what the pit takes is
told by its ground, edge of the street by edge.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from geotools.accel import in_parts
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents
from geotools.siting.grounds import Grounds
from geotools.siting.works import Lanes
from geotools.street.beside import spans_beside, turned_between
from geotools.street.context import TIE
from geotools.street.lanes import TOUCH, Carriageway, Passage, lanes_between
from geotools.street.net import StreetNet
from geotools.street.scene import StreetScene

__all__ = ["lanes_askew"]

ROWS = 5_000  # grounds at a time that are held against their streets


def lanes_askew(
    table: pd.DataFrame,
    axis: Axis,
    extents: Extents,
    ground: Grounds,
    lanes: Lanes,
    scene: StreetScene | None,
    *,
    wanted: BoolArray,
    passage: Passage,
) -> tuple[Lanes, BoolArray]:
    """Return the lanes of candidates, told by their ground where it could make a difference.

    And which roles are told so, shape (n, 4).

    Parameters
    ----------
    table : DataFrame
        Candidates with their street: ``run``, ``chainage``, ``x``, ``y``, ``street_chain``,
        ``street_at``, ``street_offset``, ``street_width`` (m), ``street_lanes``,
        ``street_oneway``.
    axis : Axis
    extents : Extents
    ground : Grounds
        Of all candidates in every role.
    lanes : Lanes
        As `lanes_taken` gives them.
    scene : StreetScene, optional
    wanted : ndarray of bool, shape (n, 4)
        Roles that are not refused; of the others nobody asks.
    passage : Passage
    """
    told = np.zeros(wanted.shape, dtype=bool)
    if scene is None or not len(scene.net.chains):
        return lanes, told
    known = np.flatnonzero((table["street_chain"].to_numpy() >= 0) & wanted.any(axis=1))
    part = table.iloc[known]
    far = ground.farthest(part[["x", "y"]].to_numpy(dtype=float), known)
    off = np.abs(part["street_offset"].to_numpy(dtype=float))[:, None]
    slack = (far + off) * _askew(part, axis, extents, ground, scene.net, known, far + off)
    row, role = _doubtful(part, lanes, known, np.where(wanted[known], slack, 0.0), passage)
    if not len(row):
        return lanes, told
    at = part["street_at"].to_numpy(dtype=float)[row]
    chain = part["street_chain"].to_numpy(dtype=np.int64)[row]
    across = partial(_across, scene.net, ground)
    reach = 2 * (far + off)[row, role]
    edges = in_parts(across, ROWS, chain, at, reach, known[row], role).T
    told[known[row], role] = True
    return _with_edges(table, lanes, known[row], role, (edges[0], edges[1]), passage), told


def _across(
    net: StreetNet,
    ground: Grounds,
    chain: IntArray,
    at: FloatArray,
    far: FloatArray,
    row: IntArray,
    role: IntArray,
) -> FloatArray:
    """Return from where to where grounds lie across their streets, m left of them, shape (k, 2)."""
    return spans_beside(net, chain, at, far, ground.outlines(row, role))[1]


def _askew(
    table: pd.DataFrame,
    axis: Axis,
    extents: Extents,
    ground: Grounds,
    net: StreetNet,
    row: IntArray,
    far: FloatArray,
) -> FloatArray:
    """Return how far streets turn by pits and away from them, rad or a little more, (k, 4).

    Of candidates ``row``. A pit in a bend of its main goes on as that does at either edge, too.
    """
    run, at = table["run"].to_numpy(dtype=np.int64), table["chainage"].to_numpy(dtype=float)
    chain = table["street_chain"].to_numpy(dtype=np.int64)
    place = table["street_at"].to_numpy(dtype=float)
    streets = _beside(net, chain, place)
    away = np.zeros(far.shape)
    for before in (False, True):
        main = _widest(axis.heading(run, at, before=before), streets)
        away = np.maximum(away, main[:, None])
    of, role = np.nonzero(ground.bent[row])
    for before, face in ((False, extents.start), (True, extents.end)):
        there = axis.heading(run[of], face[row[of], role], before=before)
        away[of, role] = np.maximum(away[of, role], _widest(there, streets[:, of]))
    widest = far.max(axis=1, where=np.isfinite(far), initial=0.0)
    turned = turned_between(net, chain, place - 2 * widest, place + 2 * widest)
    return away + turned[:, None]


def _beside(net: StreetNet, chain: IntArray, place: FloatArray) -> FloatArray:
    """Return the edges of streets just before places and just after them, (2, n, 2).

    At a vertex these are two: which of them the place is on hangs on which way the chain goes.
    """
    edges = [net.places.between(chain, place + step) for step in (-TIE, TIE)]
    xy = net.chains.xy
    return np.stack([xy[edge.second] - xy[edge.first] for edge in edges])


def _widest(one: FloatArray, two: FloatArray) -> FloatArray:
    """Return the wider angles of lines to two others (2, n, 2), whichever way drawn, rad."""
    aside = one[:, 0] * two[..., 1] - one[:, 1] * two[..., 0]
    angle = np.arctan2(np.abs(aside), np.abs((one * two).sum(axis=-1)))
    return np.asarray(angle.max(axis=0), dtype=np.float64)


def _doubtful(
    table: pd.DataFrame, lanes: Lanes, row: IntArray, slack: FloatArray, passage: Passage
) -> tuple[IntArray, IntArray]:
    """Return which pits would take other lanes if they reached so much farther, or less far, m.

    Places in the table and roles; less than may lie over a lane without taking it is nothing.
    """
    place, role = np.nonzero(slack > TOUCH)
    low, high = lanes.low[row[place], role], lanes.high[row[place], role]
    out = slack[place, role]
    less = np.minimum(out, (high - low) / 2)
    way = Carriageway.of(table)[place]
    most, least = (lanes_between(low - far, high + far, way, passage) for far in (out, -less))
    return place[most != least], role[most != least]


def _with_edges(
    table: pd.DataFrame,
    lanes: Lanes,
    row: IntArray,
    role: IntArray,
    edges: tuple[FloatArray, FloatArray],
    passage: Passage,
) -> Lanes:
    """Return lanes with some roles of candidates given other edges."""
    way = Carriageway.of(table)[row]
    taken = lanes_between(*edges, way, passage)
    new = {"taken": taken, "left": way.lanes - taken, "low": edges[0], "high": edges[1]}
    columns = {name: getattr(lanes, name).copy() for name in new}
    for name, values in new.items():
        columns[name][row, role] = values
    return replace(lanes, **columns)
