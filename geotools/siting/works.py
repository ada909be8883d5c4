"""What a pit takes: excavation, days, lanes, and what all of it costs."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.stretches import EDGE
from geotools.network.words import Texts, by_word
from geotools.pipe.excavation import ENGINEER_DEPTH_M, slope_ratio
from geotools.pipe.names import folded
from geotools.siting.extents import Extents
from geotools.street.lanes import Carriageway, Passage, lanes_between

__all__ = [
    "Lanes",
    "SiteRates",
    "WorkRates",
    "lane_day",
    "lanes_a_day",
    "lanes_of_edges",
    "lanes_taken",
    "lean_of_sides",
    "number_in",
    "of_classes",
    "opened_length",
    "pit_days",
    "site_cost",
    "supported_face",
    "traffic_cost",
]


@dataclass(frozen=True)
class SiteRates:
    """Rates of a site, per role and per unit, in the brief's currency."""

    setup: tuple[float, float, float, float]
    intersection_factor: float
    excavation: float
    restoration: float
    open_laying: float
    off_street: float
    support: float
    tie_in: float
    temporary_service: float
    connection_in_pit: float
    valve_in_pit: float
    at_end: float
    lane_day: dict[str, float]
    lane_day_other: float
    full_closure_factor: float


@dataclass(frozen=True)
class WorkRates:
    """How fast a pit goes: days, and volume (m3) and area (m2) per day."""

    pit_days: float
    tie_in_days: float
    dig_per_day: float
    restore_per_day: float


@dataclass(frozen=True)
class Lanes:
    """Lanes taken by pits and left beside them, and the edges of the pits across the street.

    Attributes
    ----------
    taken, left : ndarray of int64, shape (n, 4)
    low, high : ndarray, shape (n, 4)
        Right and left edge of all ground a pit takes, its ramps included, m left of the
        centreline.
    begin, end : ndarray, shape (n, 4)
        Where along the street that ground lies, m, of a pit aslant in it (`aslant`);
        not-a-number of the others, which lie along it as they do along their main.
    """

    taken: IntArray
    left: IntArray
    low: FloatArray
    high: FloatArray
    begin: FloatArray
    end: FloatArray


def lanes_taken(
    table: pd.DataFrame, half_width: FloatArray, tops: FloatArray, passage: Passage
) -> Lanes:
    """Return the lanes every pit takes; one beside the carriageway takes none.

    Parameters
    ----------
    table : DataFrame
        Candidates with their street: ``street_offset``, ``street_width`` (m),
        ``street_lanes``, ``street_oneway``; not-a-number where there is no street.
    half_width : ndarray, shape (n,) or (n, 4)
        Half the width of the pit at the ground, m.
    tops : ndarray, shape (n, 2)
        Top of the ramp for the pull ahead and for the pull behind, m left of the centreline: in
        a curve of the street the ramp goes straight on across it. Not-a-number where unknown.
    passage : Passage
    """
    offset = table["street_offset"].fillna(0.0).to_numpy(dtype=float)
    ahead, behind = np.where(np.isnan(tops), offset[:, None], tops).T
    middles = np.stack([offset, ahead, behind, offset], axis=1)
    low, high = np.minimum(middles, offset[:, None]), np.maximum(middles, offset[:, None])
    low[:, 3], high[:, 3] = low.min(axis=1), high.max(axis=1)
    wide = half_width if half_width.ndim > 1 else half_width[:, None]
    return lanes_of_edges(low - wide, high + wide, Carriageway.of(table), passage)


def lanes_of_edges(low: FloatArray, high: FloatArray, way: Carriageway, passage: Passage) -> Lanes:
    """Return the lanes taken by pits with these edges, m left of the centreline, shape (n, 4).

    ``way`` is of shape (n,). Where the edges are not-a-number none is taken.
    """
    way = way[:, None]
    taken = lanes_between(low, high, way, passage)
    nowhere = np.full(low.shape, np.nan)
    return Lanes(taken, way.lanes - taken, low, high, begin=nowhere, end=nowhere.copy())


def lean_of_sides(depth: FloatArray, *, support: str, soil: str) -> FloatArray:
    """Return how far the sides of each pit lean out for each metre up; 0 where it is shored.

    Parameters
    ----------
    depth : ndarray, shape (n,)
        Ground to invert, m; where it is not known the sides count as upright.
    support, soil : str
        The settings of the brief's ``pits``.
    """
    slope = np.zeros(len(depth))
    if support == "shored":
        return slope
    known = depth > 0
    # Beyond, the table ends and an engineer designs the sides: a finding says so.
    slope[known] = slope_ratio(soil, np.minimum(depth[known], ENGINEER_DEPTH_M))
    return slope


def pit_days(volume: FloatArray, area: FloatArray, rates: WorkRates) -> FloatArray:
    """Return the days of work at each pit: set up, dug, tied in and made good."""
    return np.asarray(
        rates.pit_days
        + rates.tie_in_days
        + volume / rates.dig_per_day
        + area / rates.restore_per_day,
        dtype=np.float64,
    )


def site_cost(
    opened: FloatArray,
    volume: FloatArray,
    area: FloatArray,
    off_street: FloatArray,
    supported: FloatArray,
    rates: SiteRates,
) -> FloatArray:
    """Return the cost of each site without traffic and customers, shape (n, 4)."""
    return np.asarray(
        np.array(rates.setup)
        + rates.excavation * volume
        + rates.restoration * area
        + rates.open_laying * opened
        + rates.off_street * off_street
        + rates.support * supported,
        dtype=np.float64,
    )


def supported_face(volume: FloatArray, width: FloatArray, ends: FloatArray) -> FloatArray:
    """Return the face of upright pits that is shored, m2: round the pit, as deep as it is dug.

    Parameters
    ----------
    volume : ndarray
        Dug, m3; over the width it is the face of one side, also along a ramp that tapers.
    width : ndarray
        Width of the pit, m. All broadcast.
    ends : ndarray
        Depths of the faces across the pit, summed, m.
    """
    return np.asarray(2 * volume / width + width * ends, dtype=np.float64)


def number_in(digs: pd.DataFrame, run: IntArray, extents: Extents, runs: int) -> FloatArray:
    """Return how many of these lie on the stretch of main each pit opens, its edges included.

    Parameters
    ----------
    digs : DataFrame
        ``run`` and ``chainage`` (m), sorted by both.
    run : ndarray, shape (n,)
    extents : Extents
    runs : int
        Number of runs.

    Returns
    -------
    ndarray, shape (n, 4)
    """
    at = digs["chainage"].to_numpy(dtype=float)
    places = Places.of(digs["run"].to_numpy(dtype=np.int64), at, runs)
    rows = np.repeat(run, 4)
    first = places.search(rows, extents.start.ravel() - EDGE, "left")
    last = places.search(rows, extents.end.ravel() + EDGE, "right")
    return np.asarray((last - first).reshape(extents.start.shape), dtype=np.float64)


def traffic_cost(classes: Texts, lanes: Lanes, days: FloatArray, rates: SiteRates) -> FloatArray:
    """Return the cost of the lanes closed, shape (n, 4)."""
    return np.asarray(lanes_a_day(classes, lanes.taken, lanes.left, rates) * days)


def lanes_a_day(classes: Texts, taken: IntArray, left: IntArray, rates: SiteRates) -> FloatArray:
    """Return the cost of lanes taken for a day, shape (n, k)."""
    return np.asarray(lane_day(classes, taken, left, rates) * taken, dtype=np.float64)


def of_classes(classes: Texts, names: Container[str]) -> BoolArray:
    """Return which classes of street are among names, which are `folded`."""
    return by_word(classes, lambda name: folded(name or "") in names).astype(np.bool_)


def lane_day(classes: Texts, taken: IntArray, left: IntArray, rates: SiteRates) -> FloatArray:
    """Return the cost of a lane taken for a day, shape (n, k); dearer where none is left."""
    rate = by_word(
        classes, lambda name: rates.lane_day.get(folded(name or ""), rates.lane_day_other)
    )
    shut = (left == 0) & (taken > 0)
    factor = np.where(shut, rates.full_closure_factor, 1.0)
    return np.asarray(rate[:, None] * factor, dtype=np.float64)


def opened_length(run: IntArray, extents: Extents, lengths: FloatArray) -> FloatArray:
    """Return the length of run each pit opens, m, within the run."""
    last = lengths[run][:, None]
    return np.clip(extents.end, 0.0, last) - np.clip(extents.start, 0.0, last)
