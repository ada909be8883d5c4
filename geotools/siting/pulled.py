"""What a pull needs of its carrier: size, weight, strength, least radius; and the flow after."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.brief import Brief, CarrierChoice, Pulls
from geotools.network.ragged import FloatArray, IntArray, rows_of
from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.factors import HOUR
from geotools.pipe.hydraulics import CARRIER_C, before_and_after
from geotools.pipe.pulling import (
    allowable_tension_n,
    machine_capacity_n,
    tension_with_bending_n,
    wall_area_m2,
    weight_n_per_m,
)
from geotools.siting.carrier import Contest

__all__ = ["bend_limits", "carrier_columns", "hydraulic_columns", "pulled_pipes"]


def carrier_columns(
    contest: Contest, pipe: IntArray, service: pd.DataFrame, choice: CarrierChoice, pulls: Pulls
) -> pd.DataFrame:
    """Return what the plan needs to know of each run's carrier; NaN where it has none (-1).

    Columns: ``pipe`` (row of the catalogue), ``carrier``, ``outside``, ``carrier_bore``,
    ``clearance``, ``radius`` (m), ``weight`` on the host and ``dry_weight`` (N/m), ``mass``
    (kg/m), ``pipe_limit`` and ``allowable`` (N), ``governed_by``.
    """
    every = pulled_pipes(contest.pipes, choice, pulls)
    known, safe = pipe >= 0, np.maximum(pipe, 0)
    numbers = every.drop(columns="least_area").iloc[safe].reset_index(drop=True)
    numbers.loc[~known] = np.nan
    clearance = service["bore_low"].to_numpy(dtype=float) - numbers["outside"]
    machine = float(machine_capacity_n(pulls.machine_capacity, usable=pulls.machine_share))
    of_pipe = every["pipe_limit"].to_numpy()[safe] <= machine
    return numbers.assign(
        clearance=clearance - 2 * choice.bead_height,
        pipe=pipe,
        carrier=np.where(known, contest.pipes.name[safe].astype(object), ""),
        governed_by=np.where(of_pipe, "pipe", "machine").astype(object),
    )


def pulled_pipes(pipes: CarrierColumns, choice: CarrierChoice, pulls: Pulls) -> pd.DataFrame:
    """Return what a pull needs to know of each pipe.

    Columns: ``outside``, ``carrier_bore``, ``radius`` (m), ``weight`` on the host and
    ``dry_weight`` (N/m), ``mass`` (kg/m), ``least_area`` of the wall (m2), ``pipe_limit`` and
    ``allowable`` (N).
    """
    tension = pulls.force_share * allowable_tension_n(
        pipes, hours=pulls.duration / HOUR, temperature_c=choice.temperature
    )
    weight = weight_n_per_m(
        pipes,
        condition="filled" if pulls.filled else "empty",
        host="flooded" if pulls.flooded else "dry",
    )
    machine = float(machine_capacity_n(pulls.machine_capacity, usable=pulls.machine_share))
    return pd.DataFrame(
        {
            "outside": np.asarray(pipes.outside_m),
            "carrier_bore": np.asarray(pipes.bore_m),
            "radius": least_radius_m(
                pipes.material, pipes.dr, pipes.outside_m, temperature_c=choice.temperature
            ),
            "weight": weight,
            "dry_weight": weight_n_per_m(pipes),
            "mass": pipes.density * wall_area_m2(pipes.outside_m, pipes.wall_average_m),
            "least_area": wall_area_m2(pipes.outside_m, pipes.wall_min_m),
            "pipe_limit": tension,
            "allowable": np.minimum(tension, machine),
        }
    )


def bend_limits(
    bends: pd.DataFrame, table: pd.DataFrame, pipes: CarrierColumns, brief: Brief
) -> FloatArray:
    """Return the tension each run's carrier may have where it is bent, N.

    The carrier takes the largest radius that passes; infinite where a bend lies in a pit. Ramps
    of pits set no such limit: see `pipe.pulling.tension_with_bending_n`.
    """
    run = bends["run"].to_numpy(dtype=np.int64)
    pipe = table["pipe"].to_numpy(dtype=np.int64)[run]
    radius = bends["passing_radius"].to_numpy(dtype=float)
    pulled = bends["passes"].to_numpy(dtype=bool) & (pipe >= 0) & np.isfinite(radius)
    limit = np.full(len(bends), np.inf)
    if pulled.any():
        limit[pulled] = brief.pulls.force_share * tension_with_bending_n(
            rows_of(pipes, pipe[pulled]),
            radius[pulled],
            hours=brief.pulls.duration / HOUR,
            temperature_c=brief.carrier.temperature,
        )
    return limit


def hydraulic_columns(table: pd.DataFrame) -> pd.DataFrame:
    """Return what the smaller bore does to each run at its design flow.

    Columns: ``capacity_ratio``, ``head_before``, ``head_after`` (m over the run), ``velocity``
    (m/s); NaN where the carrier or the flow is not known.
    """
    bore = table["carrier_bore"].to_numpy(dtype=float)
    known = np.isfinite(bore)
    flow = table["flow"].to_numpy(dtype=float)
    result = before_and_after(
        np.where(np.isfinite(flow), flow, 0.0),
        table["length"].to_numpy(dtype=float),
        host_bore_m=table["bore"].to_numpy(dtype=float),
        host_c=table["host_c"].to_numpy(dtype=float),
        carrier_bore_m=np.where(known, bore, 0.1),
        carrier_c=CARRIER_C,
    )
    flowing = known & np.isfinite(flow)
    return pd.DataFrame(
        {
            "capacity_ratio": np.where(known, result.capacity_ratio, np.nan),
            "head_before": np.where(flowing, result.head_before_m, np.nan),
            "head_after": np.where(flowing, result.head_after_m, np.nan),
            "velocity": np.where(flowing, result.velocity_after, np.nan),
        }
    )
