"""Where the quick estimate can have no insertion pit, and where a receiving pit is dear.

A run ends, and a bend that is not passed is dug out, where it is: in an intersection if need be.
There the plan allows a receiving pit at a surcharge, and no other. Nor is there an insertion pit
at an end behind which no string can be laid out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.layout.shared import Shared
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.stretches import Stretches
from geotools.siting.axis import Axis

__all__ = ["Closed", "close_pits", "free_room"]

LOOKED_AT = 5  # places along a pit from which the next intersection is sought


@dataclass(frozen=True)
class Closed:
    """What is closed to insertion pits, and where receiving pits cost the more.

    Of the two ends of every run, shape (n, 2), and of what must lie in a pit, shape (m,).
    """

    ends: BoolArray
    must: BoolArray
    dear_ends: BoolArray
    dear_must: BoolArray


def close_pits(ground: Shared, table: pd.DataFrame, must: Stretches, ramp: FloatArray) -> Closed:
    """Look for intersections and room at the ends of every run, and at what must lie in a pit.

    Parameters
    ----------
    ground : Shared
    table : DataFrame
        Runs with their carrier.
    must : Stretches
    ramp : ndarray
        Length of a ramp on each run, m; NaN where there is none.
    """
    count, pits = len(table), ground.brief.pits
    if ground.scene is None:
        none = np.zeros((count, 2), dtype=bool), np.zeros(len(must.run), dtype=bool)
        return Closed(*none, *none)
    length = table["length"].to_numpy(dtype=float)
    run, zero = np.arange(count), np.zeros(count)
    half, out = pits.receiving_length / 2, np.nan_to_num(ramp)
    received = [
        _in_crossing(ground, table, run, low, high)
        for low, high in ((zero - half, zero + half), (length - half, length + half))
    ]
    inserted = [
        _in_crossing(ground, table, run, low, high)
        for low, high in (
            (-out, zero + pits.working_length),
            (length - pits.working_length, length + out),
        )
    ]
    dear = np.stack(received, axis=1)
    held = _in_crossing(ground, table, must.run, must.low, must.high)
    return Closed(
        ends=dear | np.stack(inserted, axis=1) | ~_string_fits(ground, table),
        must=held,
        dear_ends=dear & pits.receive_in_intersection,
        dear_must=held & pits.receive_in_intersection,
    )


def _in_crossing(
    ground: Shared, table: pd.DataFrame, run: IntArray, low: FloatArray, high: FloatArray
) -> BoolArray:
    """Return which stretches of runs come as near to an intersection as no pit may."""
    pits = ground.brief.pits
    if ground.scene is None or pits.clear_of_intersection <= 0 or not len(run):
        return np.zeros(len(run), dtype=bool)
    crossings = ground.scene.net.crossing_points
    if not len(crossings.xy):
        return np.zeros(len(run), dtype=bool)
    pipe = np.fmax(*(table[c].to_numpy(dtype=float) for c in ("diameter", "outside")))[run]
    clear = pits.clear_of_intersection + pits.spoil_setback + pipe / 2 + pits.side_room
    axis = Axis(ground.runs.thinned)
    gaps = [
        crossings.gap(axis.position(run, low + share * (high - low)))
        for share in np.linspace(0, 1, LOOKED_AT)
    ]
    near: BoolArray = np.min(gaps, axis=0) <= clear
    return near


def _string_fits(ground: Shared, table: pd.DataFrame) -> BoolArray:
    """Return at which ends of every run a string can be laid out beyond it, shape (n, 2)."""
    full = np.diff(ground.offsets) > 0
    fits = np.zeros((len(table), 2), dtype=bool)
    last = ground.offsets[1:] - 1
    for end, (rows, ahead) in enumerate(((ground.offsets[:-1], False), (last, True))):
        room = free_room(ground, table, rows[full], np.full(int(full.sum()), ahead))
        fits[full, end] = room >= ground.brief.street.least_string
    return fits


def free_room(ground: Shared, table: pd.DataFrame, rows: IntArray, ahead: BoolArray) -> FloatArray:
    """Return the room for a string from stations on, along their run or back, m.

    Parameters
    ----------
    ground : Shared
        With streets.
    table : DataFrame
        Runs with their carrier.
    rows : ndarray
        Rows of the stations.
    ahead : ndarray of bool
        The string lies towards the end of the run.
    """
    free = np.zeros(len(rows))
    if ground.scene is None:
        return free + np.inf
    stations = ground.stations.iloc[rows]
    run = stations["run"].to_numpy(dtype=np.int64)
    chain = stations["street_chain"].to_numpy(dtype=np.int64)
    at, same = (stations[c].to_numpy() for c in ("street_at", "street_same"))
    radius = table["radius"].to_numpy(dtype=float)[run]
    lined = np.isfinite(radius)
    on, off = np.flatnonzero((chain >= 0) & lined), np.flatnonzero((chain < 0) & lined)
    corridors = ground.scene.corridors
    way = same[on].astype(bool) == ahead[on]
    free[on] = corridors.available(chain[on], at[on].astype(float), way, radius[on])
    heading = Axis(ground.runs.thinned).heading(run, stations["chainage"].to_numpy(dtype=float))
    free[off] = corridors.straight_back(
        stations[["x", "y"]].to_numpy(dtype=float)[off],
        heading[off] * np.where(ahead[off], 1.0, -1.0)[:, None],
        most=ground.brief.pulls.max_length,
        half_width=table["outside"].to_numpy(dtype=float)[run][off] / 2,
    )
    return free
