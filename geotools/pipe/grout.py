"""Grout of the annulus in lifts and stages: what floats the carrier, and what crushes it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe import bounds
from geotools.pipe.catalogue import CarrierLike
from geotools.pipe.defaults import GROUT_DENSITY_KG_PER_M3, GROUT_PRESSURE_PA
from geotools.pipe.external import grout_uplift_n_per_m
from geotools.pipe.factors import GRAVITY, WATER_DENSITY
from geotools.pipe.pulling import CONDITIONS, weight_n_per_m
from geotools.pipe.ranges import FloatArray, check_choice, check_range

__all__ = ["grout_lift_count", "grout_stage_count", "held_share"]

_HIGHEST_M = 1e4
_SAME = 1e-9  # share by which a lift may displace more than the carrier weighs, by rounding
_TOP = 1e-6  # radii; what is left below the highest crown by rounding is no lift of its own
_HALVINGS = 60  # of the height of a lift


def held_share(
    carrier: CarrierLike,
    *,
    grout_density: ArrayLike = GROUT_DENSITY_KG_PER_M3,
    condition: str = "filled",
) -> FloatArray:
    """Weight of the carrier over that of the fresh grout it displaces when drowned whole.

    Below 1 it floats, and is held down by no more than this share of what drowns it.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    grout_density : array_like, optional
        kg/m3; 300 to 2300.
    condition : {"empty", "filled"}, optional
        Air or water inside.

    Returns
    -------
    ndarray of float

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    check_choice("condition", condition, CONDITIONS)
    own = weight_n_per_m(carrier, condition=condition)
    up = grout_uplift_n_per_m(carrier, grout_density=grout_density, condition=condition)
    return np.asarray(own / (up + own), dtype=np.float64)


def grout_lift_count(
    carrier: CarrierLike,
    *,
    rise_m: ArrayLike = 0.0,
    grout_density: ArrayLike = GROUT_DENSITY_KG_PER_M3,
    condition: str = "filled",
) -> NDArray[np.int64]:
    """Level lifts in which the annulus may be grouted without floating the carrier.

    Parameters
    ----------
    carrier : Carrier or CarrierColumns
        The pipe or pipes.
    rise_m : array_like, optional
        From the lowest to the highest place of the carrier, m; 0 to 10,000.
    grout_density : array_like, optional
        kg/m3; 300 to 2300.
    condition : {"empty", "filled"}, optional
        Air or water inside.

    Returns
    -------
    ndarray of int
        The fewest lifts; at least 1.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    Fresh grout lies level, each lift on those below, which have set and no longer press up; what
    of the carrier lies between its floor and its top displaces no more than the carrier weighs
    there (Archimedes, round pipe). On a level pull these are the displaced weight over the pipe's
    own, rounded up. On one that rises every height between its ends is passed, so that a lift is
    no higher than the strip across the middle of the pipe that displaces its weight: of a pipe
    that weighs half of what it displaces 0.404 of its diameter, and where that rises by a
    diameter two lifts become five.
    """
    share = held_share(carrier, grout_density=grout_density, condition=condition)
    rise = check_range("rise_m", rise_m, 0.0, _HIGHEST_M, "m")
    radius = np.asarray(carrier.outside_m, dtype=np.float64) / 2
    rises, shares = np.broadcast_arrays(rise / radius, share * (1 + _SAME))
    count = _level_lifts(rises.ravel(), shares.ravel()).reshape(rises.shape)
    level = np.maximum(np.ceil(1 / share - _SAME), 1.0)
    return np.asarray(np.where(rise > 0, np.maximum(count, level), level), dtype=np.int64)


def grout_stage_count(
    rise_m: ArrayLike,
    *,
    stands_pa: ArrayLike,
    lift_pa: ArrayLike,
    cap_pa: ArrayLike = GROUT_PRESSURE_PA,
    grout_density: ArrayLike = GROUT_DENSITY_KG_PER_M3,
) -> NDArray[np.int64]:
    """Stages, each on one that has set, in which grout does not crush a carrier full of water.

    Parameters
    ----------
    rise_m : array_like
        From the lowest to the highest place of the carrier, m; 0 to 10,000. All arguments
        broadcast.
    stands_pa : array_like
        Pressure from outside, over that inside, the carrier stands until the grout sets, Pa.
    lift_pa : array_like
        What the port must be given to get the grout in, Pa.
    cap_pa : array_like, optional
        The most a port may be given, Pa; 0 to 10 MPa.
    grout_density : array_like, optional
        kg/m3; 300 to 2300.

    Returns
    -------
    ndarray of int
        Stages from ports at the top of each; 1 is at once from the high point, 0 none that do.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    n = g (rho - rho w) z / (Pa - P lift), rounded up, hydrostatics: at the foot of a stage as high
    as the others grout presses so much more than the water inside. 33 m of 1,200 kg/m3 press
    64.7 kPa more: where 26.4 kPa are stood and 7.1 kPa lift it in, 4 stages.
    """
    rise = check_range("rise_m", rise_m, 0.0, _HIGHEST_M, "m")
    cap = check_range("cap_pa", cap_pa, *bounds.GROUT_PRESSURE_PA, "Pa")
    heavy = check_range("grout_density", grout_density, *bounds.GROUT_DENSITY, "kg/m3")
    lift = np.asarray(lift_pa, dtype=np.float64)
    left = np.asarray(stands_pa, dtype=np.float64) - lift
    net = np.maximum((heavy - WATER_DENSITY) * GRAVITY * rise, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        count = np.where(net > 0, np.ceil(net / left - _SAME), 1.0)
    possible = (lift <= cap) & (left >= 0) & np.isfinite(count)
    return np.asarray(np.where(possible, np.maximum(count, 1.0), 0.0), dtype=np.int64)


def _below(height: FloatArray) -> FloatArray:
    """Return the share of a circle that lies below a height over its middle, in radii."""
    y = np.clip(height, -1.0, 1.0)
    return np.asarray(0.5 + (np.arcsin(y) + y * np.sqrt(1 - y * y)) / np.pi, dtype=np.float64)


def _most(floor: FloatArray, high: FloatArray, rise: FloatArray) -> FloatArray:
    """Return the most of any circle between floor and top of a lift, in radii, as a share.

    Middles lie at every height from 0 to ``rise``: that nearest to the middle of the lift.
    """
    middle = np.clip(floor + high / 2, 0.0, rise)
    return _below(floor + high - middle) - _below(floor - middle)


def _highest(floor: FloatArray, rise: FloatArray, share: FloatArray) -> FloatArray:
    """Return how high a lift on this floor may be, radii, by halving."""
    low, top = np.zeros(len(floor)), rise + 1.0 - floor
    high = np.array(top)
    for _ in range(_HALVINGS):
        half = (low + high) / 2
        holds = _most(floor, half, rise) <= share
        low, high = np.where(holds, half, low), np.where(holds, high, half)
    return np.where(_most(floor, top, rise) <= share, top, low)


def _strip(share: FloatArray) -> FloatArray:
    """Return how high a strip across the middle of a circle is that holds a share of it, radii."""
    low, high = np.zeros(len(share)), np.full(len(share), 2.0)
    for _ in range(_HALVINGS):
        half = (low + high) / 2
        holds = 2 * _below(half / 2) - 1 <= share
        low, high = np.where(holds, half, low), np.where(holds, high, half)
    return low


def _level_lifts(rise: FloatArray, share: FloatArray) -> FloatArray:
    """Return the fewest level lifts that leave carriers down that rise by so many radii.

    From the lowest up each as high as may be; those that meet pipe on both sides of their middle
    are all as high as the strip, and counted at once.
    """
    strip = _strip(share)
    floor, count = np.full(len(rise), -1.0), np.ones(len(rise))
    left = np.flatnonzero(share < 1)
    count[left] = 0
    while len(left):
        at, up, high = floor[left], rise[left], strip[left]
        alike = (at + high / 2 >= 0) & (at + high / 2 <= up)
        many = np.where(alike, np.floor((up - at) / high - 0.5) + 1, 1.0)
        each = np.where(alike, high, _highest(at, up, share[left]))
        floor[left] = at + many * each
        count[left] += many
        left = left[rise[left] + 1.0 - floor[left] > _TOP]
    return count
