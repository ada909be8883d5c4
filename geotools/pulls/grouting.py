"""Pulls that may not be grouted as planned: the grout would crush the carrier, or none gets in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.network.ragged import FloatArray, rows_of
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.external import collapse_pressure_pa
from geotools.pipe.factors import FOOT, GRAVITY, HOUR, WATER_DENSITY
from geotools.schema import quantity_text

__all__ = ["grouting_temperature_c", "lift_pressure_pa", "report_grout"]

ADVICE = (
    "use lighter grout (pulls.grout_density) or a stiffer pipe (a lower DR), or keep pressure in "
    "the carrier until the grout has set"
)


def grouting_temperature_c(brief: Brief) -> float:
    """Return how warm a carrier is while it is grouted, C: as the ground, or the water in it."""
    return max(brief.pulls.ground_temperature, brief.service.water_temperature)


def lift_pressure_pa(bore_m: FloatArray, lifts: FloatArray, density: float) -> FloatArray:
    """Return what one lift of grout, kg/m3, presses on the port by itself, Pa; hydrostatics.

    The bore is filled in so many lifts, taken as equally high. A port that is allowed less could
    not get one in, whatever the flow along the annulus takes besides.
    """
    return np.asarray(density * GRAVITY * bore_m / lifts, dtype=np.float64)


def report_grout(
    pulls: pd.DataFrame,
    sections: pd.DataFrame,
    pits: pd.DataFrame,
    runs: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
    findings: Findings,
) -> None:
    """Warn of every pull to be grouted whose port is allowed no pressure, or less than a lift's.

    And of those of which that is not known, all in one.

    Parameters
    ----------
    pulls : DataFrame
        With ``pull_id``, ``run``, ``insertion_pit``, ``length`` (m), ``annulus`` (m3).
    sections : DataFrame
        A row a pull: ``low_z``, ``high_z`` (m), ``grout_limit`` (Pa), ``grout_lifts``.
    pits : DataFrame
        With ``pit_id``, ``x`` and ``y``.
    runs : DataFrame
        With ``pipe``.
    pipes : CarrierColumns
    brief : Brief
    findings : Findings
    """
    if not brief.pulls.grouted or not len(pulls):
        return
    run = pulls["run"].to_numpy(dtype=np.int64)
    limit = sections["grout_limit"].to_numpy(dtype=float)
    names = pulls["pull_id"].to_numpy(dtype=object)
    _report_unknown(names[np.isnan(limit)], findings)
    lifts = sections["grout_lifts"].to_numpy(dtype=float)
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run])
    bore = _filled_bore(pulls, pipe.outside_m)
    due = lift_pressure_pa(bore, lifts, brief.pulls.grout_density)
    rows = np.flatnonzero(limit < due)
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run[rows]])
    rise = np.nan_to_num((sections["high_z"] - sections["low_z"]).to_numpy(dtype=float))
    places = pits.set_index("pit_id")[["x", "y"]]
    findings.add_points(
        "warning",
        "grout-beyond-limit",
        [
            _words(*values, brief=brief, system=findings.system)
            for values in zip(
                rise[rows], _stands(pipe, brief), limit[rows], due[rows], lifts[rows], strict=True
            )
        ],
        layer="pulls",
        features=names[rows],
        xy=places.loc[pulls["insertion_pit"].iloc[rows]].to_numpy(dtype=float),
    )


def _report_unknown(names: npt.NDArray[np.object_], findings: Findings) -> None:
    """Warn of the pulls to be grouted on whose run no level is known."""
    findings.add_many(
        "warning",
        "grout-limit-unknown",
        "to be grouted where no level of the run is known: the head of the grout over the low "
        "point may crush the carrier, and what pressure it leaves for the port (grout_limit) "
        "cannot be said; give a DEM or inverts",
        layer="pulls",
        features=[",".join(map(str, names))] if len(names) else [],
    )


def _filled_bore(pulls: pd.DataFrame, outside_m: FloatArray) -> FloatArray:
    """Return the bore of host that holds what each pull's annulus and carrier take, m."""
    area = pulls["annulus"].to_numpy(dtype=float) / pulls["length"].to_numpy(dtype=float)
    return np.asarray(np.sqrt(4 / np.pi * area + outside_m**2), dtype=np.float64)


def _stands(pipe: CarrierColumns, brief: Brief) -> FloatArray:
    """Return the pressure from outside, over that inside, each pipe stands until grout sets, Pa."""
    return collapse_pressure_pa(
        pipe.material,
        pipe.dr,
        hours=brief.pulls.grout_cure / HOUR,
        ovality=brief.service.ovality,
        safety=brief.service.collapse_safety,
        temperature_c=grouting_temperature_c(brief),
    )


def _words(
    rise: float,
    stands: float,
    limit: float,
    due: float,
    lifts: float,
    *,
    brief: Brief,
    system: str,
) -> str:
    """Say why a pull may not be grouted as planned, and what to do."""
    cap, parts = brief.pulls.grout_pressure, []
    if limit < cap:
        parts.append(_crushed(rise, stands, limit, due, lifts, brief=brief, system=system))
    if cap < due:
        parts.append(
            f"a port may be given {quantity_text(cap, 'pressure', system)} at most "
            f"(pulls.grout_pressure), less than the {quantity_text(due, 'pressure', system)} "
            f"{_one_of(lifts)} presses by itself, and none gets in; use lighter grout "
            "(pulls.grout_density) or place it in more lifts, or set pulls.grout_pressure to what "
            "your specification allows"
        )
    return "must not be grouted from its high point as planned: " + "; and ".join(parts)


def _crushed(
    rise: float,
    stands: float,
    limit: float,
    due: float,
    lifts: float,
    *,
    brief: Brief,
    system: str,
) -> str:
    """Say that what a pipe stands leaves its port no pressure, or less than a lift's."""

    def pressure(value: float) -> str:
        return quantity_text(value, "pressure", system)

    net = (brief.pulls.grout_density - WATER_DENSITY) * GRAVITY
    why = (
        f"until the grout sets (pulls.grout_cure, {brief.pulls.grout_cure / HOUR:g} h) the carrier "
        f"stands {pressure(stands)}"
    )
    if net > 0:
        why += (
            f", and at its low point, {quantity_text(rise, 'length', system)} down, the grout "
            f"presses {pressure(net * rise)} more than the water in it"
        )
    why += (
        ": no pressure is left for the port (grout_limit 0), the carrier may be crushed; "
        if limit <= 0
        else f": what is left for the port (grout_limit) is less than the {pressure(due)} "
        f"{_one_of(lifts)} presses by itself, and none gets in; "
    )
    if net <= 0 or stands <= due:
        return why + ADVICE
    stage = quantity_text(_down((stands - due) / net, system), "length", system)
    return (
        f"{why}split the pull, or grout it from ports midway in stages that rise no more than "
        f"{stage}, each on one that has set; or {ADVICE}"
    )


def _one_of(lifts: float) -> str:
    """Say one of so many lifts."""
    return f"one of {lifts:.0f} lifts" if lifts > 1 else "the one lift"


def _down(length: float, system: str) -> float:
    """Return a length, m, no more than it, that is shown without being rounded up."""
    unit = FOOT if system == "us" else 1.0
    return float(np.floor(length / unit * 10) / 10 * unit)
