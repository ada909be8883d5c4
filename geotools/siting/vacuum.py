"""Carriers that a downsurge may suck flat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.network.ragged import FloatArray, IntArray, rows_of
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.choice import occasional_surge_pa
from geotools.pipe.external import SurgeVacuum, groundwater_pressure_pa, surge_vacuum
from geotools.pipe.materials import is_polyethylene
from geotools.schema import quantity_text

__all__ = ["report_vacuum"]


def report_vacuum(
    runs: pd.DataFrame,
    service: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
    findings: Findings,
    *,
    middle: FloatArray,
) -> None:
    """Warn of every planned run whose carrier does not stand vacuum and groundwater of a stop.

    It is no refusal: how far the pressure falls is an assumption until a surge analysis is made.

    Parameters
    ----------
    runs : DataFrame
        ``run_id``, ``status``, ``carrier`` and ``pipe`` (row of the catalogue).
    service : DataFrame
        As `service.service_columns` gives it.
    pipes : CarrierColumns
    brief : Brief
    findings : Findings
    middle : ndarray, shape (runs, 2)
        A place on each run.
    """
    rows = np.flatnonzero((runs["status"] == "planned").to_numpy(dtype=bool))
    if not len(rows):
        return
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[rows])
    found = _held(service.iloc[rows], pipe, brief)
    weak = np.flatnonzero(~found.holds)
    findings.add_points(
        "warning",
        "surge-vacuum",
        _texts(runs.iloc[rows], service.iloc[rows], found, weak, findings.system),
        layer="runs",
        features=runs["run_id"].to_numpy(dtype=object)[rows[weak]],
        xy=middle[rows[weak]],
    )


def _held(service: pd.DataFrame, pipe: CarrierColumns, brief: Brief) -> SurgeVacuum:
    """Hold the carrier of each run against vacuum and groundwater."""
    limits = brief.service
    grout = limits.grout_factor if brief.pulls.grouted else 1.0
    return surge_vacuum(
        pipe.material,
        pipe.dr,
        service["least_working"].to_numpy(dtype=float),
        occasional_surge_pa(
            pipe,
            service["flow"].to_numpy(dtype=float),
            least_m_per_s=limits.occasional_velocity,
        ),
        groundwater_head_m=service["head"].to_numpy(dtype=float),
        ovality=limits.ovality,
        safety=limits.collapse_safety,
        grout_factor=np.where(is_polyethylene(pipe.material), grout, 1.0),
        temperature_c=limits.water_temperature,
    )


def _texts(
    runs: pd.DataFrame, service: pd.DataFrame, found: SurgeVacuum, weak: IntArray, system: str
) -> list[str]:
    """Say how far the pressure falls in each of these runs, what the carrier stands, what to do."""

    def told(pressure: float) -> str:
        return quantity_text(pressure, "pressure", system, 1)

    water = groundwater_pressure_pa(service["head"].to_numpy(dtype=float))
    carrier = runs["carrier"].to_numpy(dtype=object)
    names = runs["run_id"].to_numpy(dtype=object)
    least = service["least_working"].to_numpy(dtype=float)
    return [
        f"run {names[k]}: where its flow stops at once (service.occasional_velocity, or the design "
        f"flow), the least working pressure of {told(least[k])} falls to "
        f"{_fallen(found.inside_pa[k], told)}; with {told(water[k])} of groundwater "
        f"that is {told(found.outside_pa[k])} from outside, and {carrier[k]} stands "
        f"{told(found.stands_pa[k])} for a short time (service.collapse_safety in it): have a "
        "surge analysis made, and provide air valves or surge control, or take a thicker wall "
        "(carrier.dr)"
        for k in weak.tolist()
    ]


def _fallen(inside: float, told: Callable[[float], str]) -> str:
    """Say how low a gauge pressure is, Pa."""
    return f"{told(-inside)} below the atmosphere's" if inside < 0 else told(inside)
