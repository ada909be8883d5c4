"""Every pull as a section to be rested, grouted, filled and tested."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.ground.filled import filled_along
from geotools.network.ragged import FloatArray, IntArray, rows_of
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.factors import HOUR
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.pulling import (
    recovery_wait_hours,
    stretch_m,
    tails_to_leave,
    thermal_length_change_m,
)
from geotools.pipe.testing import (
    end_thrust_n,
    filling_hours,
    pe_make_up_m3,
    pvc_allowance_m3_per_s,
    tabled_size_m,
    water_volume_m3,
)
from geotools.pulls.grouting import grout_columns, grout_ports
from geotools.pulls.tested import (
    less_head,
    levels_along,
    levels_in_order,
    some_pressure,
    tested_at,
    working_columns,
)
from geotools.units import parse_quantity

__all__ = ["section_table"]

LEAST_HOURS = 0.5  # under tension: of a shorter pull the stiffness is that of so long a one


def section_table(
    pulls: pd.DataFrame,
    runs: pd.DataFrame,
    stations: pd.DataFrame,
    bores: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
) -> pd.DataFrame:
    """Return what has to be done with each pull once the carrier is in.

    Parameters
    ----------
    pulls : DataFrame
        With ``run``, ``length``, ``mean_force``, ``hours``, ``start``, ``end``, ``annulus``.
    runs : DataFrame
        With ``pipe``, ``working``.
    stations : DataFrame
        In order, with ``run``, ``chainage``, ``axis_z``. Where that is not known the axis is
        taken to go straight between the levels known on the run, as it is for the forces.
    bores : DataFrame
        The pieces of main: ``run``, ``start``, ``end`` (m), ``pressure`` (Pa, on record), sorted
        by run and start.
    pipes : CarrierColumns
    brief : Brief
    """
    of, at, z = (stations[name].to_numpy() for name in ("run", "chainage", "axis_z"))
    stations = stations.assign(axis_z=filled_along(of, at, z.astype(float)))
    run = pulls["run"].to_numpy(dtype=np.int64)
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run])
    low, low_at, high, high_at = levels_along(pulls, stations)
    test = tested_at(runs["working"].to_numpy(dtype=float)[run], pipe, brief)
    test = less_head(test, _above_lowest(low, run, stations))
    length = pulls["length"].to_numpy(dtype=float)
    grout = grout_columns(pulls, pipe, high - low, brief)
    levels = levels_in_order(pulls, stations)
    return pd.DataFrame(
        {
            "pull_id": pulls["pull_id"],
            "run_id": pulls["run_id"],
            "length": length,
            **_recovery(pulls, pipe, brief),
            "water_volume": water_volume_m3(pipe.bore_m, length),
            "fill_hours": filling_hours(length),
            "low_z": low,
            "low_chainage": low_at,
            "high_z": high,
            "high_chainage": high_at,
            **_test(pipe, length, test, high - low, brief),
            **working_columns(pulls, runs, stations, bores, test, low),
            "annulus_volume": pulls["annulus"].to_numpy(dtype=float),
            **grout,
            "grout_ports": grout_ports(pulls, pipe, *levels, grout["grout_stages"]),
        }
    )


def _recovery(pulls: pd.DataFrame, pipe: CarrierColumns, brief: Brief) -> dict[str, FloatArray]:
    """Return what the pipe stretches and shrinks, m, what to leave of it and how long to wait."""
    length, force, hours = (
        pulls[name].to_numpy(dtype=float) for name in ("length", "mean_force", "hours")
    )
    cooling = brief.pulls.ground_temperature - brief.carrier.temperature
    # As long as tension is allowed for, so that both go by one stiffness.
    planned = max(brief.pulls.duration / HOUR, LEAST_HOURS)
    stretched = stretch_m(pipe, length, force, hours=np.maximum(hours, planned))
    shrinks = thermal_length_change_m(pipe.material, length, cooling)
    left = tails_to_leave(stretched, shrinks)
    return {
        "stretch": stretched,
        "thermal_change": shrinks,
        "leave": left.head_m + left.tail_m,
        "leave_head": left.head_m,
        "wait_hours": recovery_wait_hours(hours),
    }


def _test(
    pipe: CarrierColumns, length: FloatArray, test: FloatArray, rise: FloatArray, brief: Brief
) -> dict[str, Any]:
    """Return the hydrostatic test: ``test`` is its pressure, Pa, at each pull's low point.

    Nought or less is none: the water of the run does not stand so high.
    """
    plastic = is_polyethylene(pipe.material)
    high = less_head(test, rise)
    pvc_hours = brief.service.pvc_test_duration / HOUR
    added = _make_up(pipe, length, _mean_pressure(test, high), brief)
    thrust = end_thrust_n(np.maximum(test, 0.0), pipe.outside_m)
    return {
        "test_pressure": some_pressure(test),
        "test_pressure_high": some_pressure(high),
        "end_thrust": np.where(test > 0, thrust, np.nan),
        "test_rule": np.where(plastic, "PE", "PVC").astype(object),
        "test_hours": np.where(plastic, brief.service.pe_test_hours, pvc_hours),
        "make_up": np.where(test > 0, added, np.nan),
    }


def _above_lowest(low: FloatArray, run: IntArray, stations: pd.DataFrame) -> FloatArray:
    """Return how far the low point of each pull lies above that of its run, m; 0 if unknown.

    The carriers are joined in the pits and tested as one, so that the test pressure holds at the
    lowest point of the run, be it in a pit.
    """
    of, z = stations["run"].to_numpy(dtype=np.int64), stations["axis_z"].to_numpy(dtype=float)
    lowest = np.full(1 + max(int(run.max(initial=0)), int(of.max(initial=0))), np.nan)
    np.fmin.at(lowest, np.concatenate([of, run]), np.concatenate([z, low]))
    return np.asarray(np.nan_to_num(low - lowest[run]), dtype=np.float64)


def _mean_pressure(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the average pressure, Pa, of pulls tested with these at their low and high points.

    Where no level is known that of the low point.
    """
    low = np.maximum(low, 0.0)
    return np.where(np.isfinite(high), (low + np.maximum(high, 0.0)) / 2, low)


def _make_up(
    pipe: CarrierColumns, length: FloatArray, test: FloatArray, brief: Brief
) -> FloatArray:
    """Return the water that may be added in the test, m3: PVC by the second, PE by table.

    ``test`` is the average test pressure, Pa, which the allowance of PVC asks for.
    """
    nominal = _nominal(pipe)
    allowance = pvc_allowance_m3_per_s(length, nominal, test) * brief.service.pvc_test_duration
    return np.where(
        is_polyethylene(pipe.material),
        pe_make_up_m3(tabled_size_m(nominal), length, brief.service.pe_test_hours),
        allowance,
    )


def _nominal(pipe: CarrierColumns) -> FloatArray:
    """Return the nominal sizes, m; of a pipe of the user's own its outside diameter."""
    words, place = np.unique(pipe.nominal, return_inverse=True)
    return np.array([parse_quantity(str(word), "length") for word in words], dtype=float)[place]
