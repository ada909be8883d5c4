"""Grouting of pulls: in what lifts and stages, and where grout would crush or float the carrier."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.lists import listed
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, rows_of
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.external import (
    collapse_pressure_pa,
    grout_injection_limit_pa,
    grout_uplift_n_per_m,
)
from geotools.pipe.factors import FOOT, GRAVITY, HOUR, WATER_DENSITY
from geotools.pipe.grout import grout_lift_count, grout_stage_count, held_share
from geotools.pulls.ports import ports_midway
from geotools.schema import quantity_text

__all__ = [
    "grout_columns",
    "grout_ports",
    "grouting_temperature_c",
    "lift_pressure_pa",
    "lifts_planned",
    "report_floating",
    "report_grout",
]

NAMED = 5  # pulls a finding names in its text
ADVICE = (
    "use lighter grout (pulls.grout_density) or a stiffer pipe (a lower DR), or keep pressure in "
    "the carrier until the grout has set"
)


def grouting_temperature_c(brief: Brief) -> float:
    """Return how warm a carrier is while it is grouted, C: as the ground, or the water in it."""
    return max(brief.pulls.ground_temperature, brief.service.water_temperature)


def lift_pressure_pa(bore_m: FloatArray, lifts: FloatArray, density: float) -> FloatArray:
    """Return what one lift of grout, kg/m3, presses on the port by itself, Pa; hydrostatics.

    The bore is filled in so many lifts, taken as equally high, or at once where there are none. A
    port that is allowed less could not get one in, whatever the flow along the annulus takes
    besides.
    """
    return np.asarray(density * GRAVITY * bore_m / np.nan_to_num(lifts, nan=1.0), dtype=np.float64)


def grout_columns(
    pulls: pd.DataFrame, pipe: CarrierColumns, rise: FloatArray, brief: Brief
) -> dict[str, FloatArray]:
    """Return limit, lifts and stages of the grout of every pull.

    Carrier and port stand full up to the high point. Where ``rise``, m, from the low to the high
    point is not known there is neither limit nor stages, and lifts are those of a level pull. None
    hold a carrier that floats down where it rises by more than the bore: fresh grout lies level,
    and drowns some of it whole but for lifts no higher than a strip of the pipe.

    Parameters
    ----------
    pulls : DataFrame
        With ``length`` (m), ``annulus`` (m3).
    pipe : CarrierColumns
        The carrier of each pull.
    rise : ndarray
    brief : Brief
    """
    known, asked = np.isfinite(rise), brief.pulls
    up = np.where(known, rise, 0.0)
    limit = grout_injection_limit_pa(
        pipe.material,
        pipe.dr,
        cure_hours=asked.grout_cure / HOUR,
        port_above_low_point_m=up,
        inside_head_m=up,
        grout_density=asked.grout_density,
        cap_pa=asked.grout_pressure,
        ovality=brief.service.ovality,
        safety=brief.service.collapse_safety,
        temperature_c=grouting_temperature_c(brief),
    )
    bore = _filled_bore(pulls, pipe.outside_m)
    lifts = grout_lift_count(pipe, rise_m=up, grout_density=asked.grout_density).astype(float)
    lifts[(up > bore) & (lifts > 1)] = np.nan
    stages = grout_stage_count(
        up,
        stands_pa=_stands(pipe, brief),
        lift_pa=lift_pressure_pa(bore, lifts, asked.grout_density),
        cap_pa=asked.grout_pressure,
        grout_density=asked.grout_density,
    )
    return {
        "grout_limit": np.where(known, limit, np.nan),
        "grout_lifts": lifts,
        "grout_stages": np.where(known, stages, np.nan),
    }


def grout_ports(
    pulls: pd.DataFrame,
    pipe: CarrierColumns,
    level: FloatArray,
    offsets: IntArray,
    stages: FloatArray,
) -> FloatArray:
    """Return the ports between its pits that each pull needs to be grouted in its stages.

    Parameters
    ----------
    pulls : DataFrame
        With ``length`` (m), ``annulus`` (m3).
    pipe : CarrierColumns
        The carrier of each pull.
    level, offsets : ndarray
        Levels from end to end of each pull, m, and their offsets.
    stages : ndarray
    """
    return ports_midway(level, offsets, stages, _filled_bore(pulls, pipe.outside_m))


def lifts_planned(sections: pd.DataFrame) -> FloatArray:
    """Return how often grout is placed in each pull, each time on what has set; 0 for never.

    Its lifts in every stage, or one where lifts do not hold the carrier down and it is blocked.
    """
    lifts, stages = (sections[name].fillna(1.0) for name in ("grout_lifts", "grout_stages"))
    return np.asarray(lifts * stages, dtype=np.float64)


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
        A row a pull: ``low_z``, ``high_z`` (m), ``grout_limit`` (Pa), ``grout_lifts``,
        ``grout_stages``, ``grout_ports``.
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
    of_run = runs["pipe"].to_numpy(dtype=np.int64)
    bore = _filled_bore(pulls, rows_of(pipes, of_run[run]).outside_m)
    due = lift_pressure_pa(bore, lifts, brief.pulls.grout_density)
    stages = sections["grout_stages"].to_numpy(dtype=float)
    rows = np.flatnonzero(np.isfinite(stages) & (stages != 1))
    stands = _stands(rows_of(pipes, of_run[run[rows]]), brief)
    rise = np.nan_to_num((sections["high_z"] - sections["low_z"]).to_numpy(dtype=float))
    places = pits.set_index("pit_id")[["x", "y"]]
    findings.add_points(
        "warning",
        "grout-beyond-limit",
        [
            _words(_Case(*values), brief=brief, system=findings.system)
            for values in zip(
                *(rise[rows], stands, limit[rows], due[rows], lifts[rows]),
                stages[rows].astype(int),
                sections["grout_ports"].to_numpy(dtype=float)[rows].astype(int),
                strict=True,
            )
        ],
        layer="pulls",
        features=names[rows],
        xy=places.loc[pulls["insertion_pit"].iloc[rows]].to_numpy(dtype=float),
    )


def report_floating(
    pulls: pd.DataFrame,
    sections: pd.DataFrame,
    stations: pd.DataFrame,
    offsets: IntArray,
    runs: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
    findings: Findings,
) -> None:
    """Warn of pulls to be grouted whose carrier lifts do not hold down, of each run in one.

    It lies at the low point of that which falls most; all of a run are pressed up alike.

    Parameters
    ----------
    pulls : DataFrame
        With ``pull_id``, ``run``; sorted by run.
    sections : DataFrame
        A row a pull: ``low_z``, ``high_z``, ``low_chainage`` (m), ``grout_lifts``.
    stations : DataFrame
        Sorted: ``chainage`` (m), ``x``, ``y``.
    offsets : ndarray of int64, shape (runs + 1,)
        Offsets of the runs in `stations`.
    runs : DataFrame
        With ``pipe``.
    pipes : CarrierColumns
    brief : Brief
    findings : Findings
    """
    rows = np.flatnonzero(np.isnan(sections["grout_lifts"].to_numpy(dtype=float)))
    if not brief.pulls.grouted or not len(rows):
        return
    density, run = brief.pulls.grout_density, pulls["run"].to_numpy(dtype=np.int64)
    rises = (sections["high_z"] - sections["low_z"]).to_numpy(dtype=float)
    of_run = np.split(rows, np.flatnonzero(np.diff(run[rows])) + 1)
    worst = np.array([own[np.argmax(rises[own])] for own in of_run])
    pipe, rise = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run[worst]]), rises[worst]
    low = sections["low_chainage"].to_numpy(dtype=float)[worst]
    values = (
        *(rise, low, grout_lift_count(pipe, rise_m=rise, grout_density=density)),
        held_share(pipe, grout_density=density),
        grout_uplift_n_per_m(pipe, grout_density=density, condition="filled"),
    )
    names = pulls["pull_id"].to_numpy(dtype=object)
    named = [names[own].tolist() for own in of_run]
    floating = map(_Floating, named, names[worst], *values)
    places = Places.of_offsets(offsets, stations["chainage"].to_numpy(dtype=float))
    at, _ = places.nearest(run[worst], low)
    findings.add_points(
        "warning",
        "grout-floats-carrier",
        [_floats(one, density=density, findings=findings) for one in floating],
        layer="pulls",
        features=[",".join(own) for own in named],
        xy=stations[["x", "y"]].to_numpy(dtype=float)[at],
    )


@dataclass(frozen=True)
class _Floating:
    """The pulls of a run that lifts do not hold down, and that which falls most; m, N/m."""

    names: list[str]
    worst: str
    rise: float
    low: float
    lifts: int
    share: float
    net: float


def _floats(pulls: _Floating, *, density: float, findings: Findings) -> str:
    """Say of which pulls of a run lifts do not hold the carrier down, and what does."""
    light = np.floor(density * pulls.share / WATER_DENSITY * 100) / 100
    falls, worst = findings.length(pulls.rise), pulls.worst
    who, inside, most = f"falls {falls}, more than its bore", "", ""
    if len(pulls.names) > 1:
        own = listed(pulls.names, most=NAMED)
        who = f"{len(pulls.names):,} pulls fall more than their bore ({own}), {worst} most, {falls}"
        inside, most = f"in {worst} ", "up to "
    up = quantity_text(pulls.net, "line_load", findings.system)
    return (
        f"{who}: fresh grout lies level, so that any lift drowns the carrier whole where it lies "
        f"lower, {inside}the first of them at its low point, {findings.length(pulls.low)} along "
        f"its run, and presses it up by {up} more than it weighs full of water. It would take "
        f"{most}{pulls.lifts:,} lifts to leave it down, and none are planned (grout_lifts is "
        "empty): have it blocked down by spacers that bear as much, as the programme takes it to "
        f"be, and which are not priced, or use grout no heavier than {light:.2f} times water "
        "(pulls.grout_density)."
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


@dataclass(frozen=True)
class _Case:
    """A pull that may not be grouted from its high point at once; in m and Pa."""

    rise: float
    stands: float
    limit: float
    due: float
    lifts: float
    stages: int
    ports: int


def _words(pull: _Case, *, brief: Brief, system: str) -> str:
    """Say why a pull may not be grouted at once, what to do, and what is planned."""
    cap, parts = brief.pulls.grout_pressure, []
    if pull.limit < cap:
        parts.append(_crushed(pull, brief=brief, system=system))
    if cap < pull.due:
        lighter = "use lighter grout (pulls.grout_density)"
        advice = (
            "lifts are no help, for on such a fall none hold the carrier down (grout_lifts is "
            f"empty); {lighter},"
            if np.isnan(pull.lifts)
            else f"{lighter} or place it in more lifts,"
        )
        parts.append(
            f"a port may be given {quantity_text(cap, 'pressure', system)} at most "
            f"(pulls.grout_pressure), less than the {quantity_text(pull.due, 'pressure', system)} "
            f"{_one_of(pull.lifts)} presses by itself, and none gets in; {advice} or set "
            "pulls.grout_pressure to what your specification allows"
        )
    return f"must not be grouted from its high point at once: {'; and '.join(parts)}. {_plan(pull)}"


def _plan(pull: _Case) -> str:
    """Say what programme and price hold of a pull that may not be grouted at once."""
    if not pull.stages:
        return "The programme holds no grouting of it; its grout is priced all the same."
    apart = pull.ports > pull.stages - 1
    where = ", some of stretches apart, between which it sags or crests" if apart else ""
    ports = f"{pull.ports:,} ports midway are" if pull.ports > 1 else "port midway is"
    return f"The programme holds {pull.stages:,} such stages{where}; the {ports} not priced."


def _crushed(pull: _Case, *, brief: Brief, system: str) -> str:
    """Say that what a pipe stands leaves its port no pressure, or less than a lift's."""

    def pressure(value: float) -> str:
        return quantity_text(value, "pressure", system)

    net = (brief.pulls.grout_density - WATER_DENSITY) * GRAVITY
    why = (
        f"until the grout sets (pulls.grout_cure, {brief.pulls.grout_cure / HOUR:g} h) the carrier "
        f"stands {pressure(pull.stands)}"
    )
    if net > 0:
        why += (
            f", and at its low point, {quantity_text(pull.rise, 'length', system)} down, the grout "
            f"presses {pressure(net * pull.rise)} more than the water in it"
        )
    why += (
        ": no pressure is left for the port (grout_limit 0), the carrier may be crushed; "
        if pull.limit <= 0
        else f": what is left for the port (grout_limit) is less than the {pressure(pull.due)} "
        f"{_one_of(pull.lifts)} presses by itself, and none gets in; "
    )
    if net <= 0 or pull.stands <= pull.due:
        return why + ADVICE
    stage = quantity_text(_down((pull.stands - pull.due) / net, system), "length", system)
    return (
        f"{why}split the pull, or grout it from ports midway in stages that rise no more than "
        f"{stage}, each on one that has set; or {ADVICE}"
    )


def _one_of(lifts: float) -> str:
    """Say one of so many lifts; of none, grout that fills the bore."""
    if np.isnan(lifts):
        return "grout that fills the bore"
    return f"one of {lifts:.0f} lifts" if lifts > 1 else "the one lift"


def _down(length: float, system: str) -> float:
    """Return a length, m, no more than it, that is shown without being rounded up."""
    unit = FOOT if system == "us" else 1.0
    return float(np.floor(length / unit * 10) / 10 * unit)
