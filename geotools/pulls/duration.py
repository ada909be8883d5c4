"""Times of pulls: longer than their tension was taken for, joints shorter than fusing takes."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.network.ragged import FloatArray, rows_of
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.factors import HOUR, MINUTE
from geotools.pipe.fusion import THICKEST_M, joint_hours, least_handling_s
from geotools.pipe.pulling import LONGEST_LOAD_H, allowable_stress_pa
from geotools.schema import quantity_text

__all__ = ["longer_share", "report_longer_pulls", "report_short_joints"]


def longer_share(hours: FloatArray, pipes: CarrierColumns, brief: Brief) -> FloatArray:
    """Return the share left of the tension planned with, for pulls that take so many hours.

    Tension is planned for ``pulls.duration``: how long a pull takes hangs on its length and its
    strings, which are not known before it is laid out. PE may have less the longer it is pulled.

    Parameters
    ----------
    hours : ndarray
        Of each pull, h; beyond 24 h, where the table ends, counted as 24.
    pipes : CarrierColumns
        The pipe of each.
    brief : Brief
    """
    planned = brief.pulls.duration / HOUR
    taken = np.clip(hours, planned, max(planned, LONGEST_LOAD_H))
    stress = [
        allowable_stress_pa(pipes.material, hours=time, temperature_c=brief.carrier.temperature)
        for time in (taken, planned)
    ]
    return np.asarray(stress[0] / stress[1], dtype=np.float64)


def report_longer_pulls(
    pulls: pd.DataFrame,
    pits: pd.DataFrame,
    runs: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
    findings: Findings,
) -> None:
    """Warn of every pull that takes so long that its pipe may have less than planned with.

    Parameters
    ----------
    pulls : DataFrame
        With ``pull_id``, ``run``, ``insertion_pit``, ``hours`` and ``head_force`` (N).
    pits : DataFrame
        With ``pit_id``, ``x`` and ``y``.
    runs : DataFrame
        With ``pipe`` and ``pipe_limit`` (N).
    pipes : CarrierColumns
    brief : Brief
    findings : Findings
    """
    if not len(pulls):
        return
    run = pulls["run"].to_numpy(dtype=np.int64)
    hours = pulls["hours"].to_numpy(dtype=float)
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run])
    share = longer_share(hours, pipe, brief)
    limit = share * runs["pipe_limit"].to_numpy(dtype=float)[run]
    force = pulls["head_force"].to_numpy(dtype=float)
    rows = np.flatnonzero(share < 1 - 1e-9)
    places = pits.set_index("pit_id")[["x", "y"]]
    findings.add_points(
        "warning",
        "pull-longer-than-duration",
        [
            f"takes {hours[k]:.1f} h, longer than the {brief.pulls.duration / HOUR:g} h of "
            f"pulls.duration: for that long the pipe may have {share[k]:.1%} of the tension "
            f"planned with, and {quantity_text(force[k], 'force', findings.system)} at its head "
            f"are {force[k] / limit[k]:.0%} of what it may then have where it is straight; set "
            f"pulls.duration to {math.ceil(hours[k])} h and plan again"
            for k in rows
        ],
        layer="pulls",
        features=pulls["pull_id"].to_numpy(dtype=object)[rows],
        xy=places.loc[pulls["insertion_pit"].iloc[rows]].to_numpy(dtype=float),
    )


def report_short_joints(
    pulls: pd.DataFrame,
    pits: pd.DataFrame,
    runs: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
    findings: Findings,
) -> None:
    """Warn of every run whose joints on the way are given less time than fusing them takes.

    Parameters
    ----------
    pulls : DataFrame
        With ``run``, ``insertion_pit`` and ``strings``.
    pits : DataFrame
        With ``pit_id``, ``x`` and ``y``.
    runs : DataFrame
        With ``run_id``, ``carrier`` and ``pipe``.
    pipes : CarrierColumns
    brief : Brief
    findings : Findings
    """
    joined = pulls[pulls["strings"] > 1]
    count = joined["strings"].sub(1).groupby(joined["run"]).sum().astype(int)
    run = count.index.to_numpy(dtype=np.int64)
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run])
    handling = least_handling_s(pipe.outside_m)
    wall = np.minimum(pipe.wall_min_m, THICKEST_M)  # what is told is "at least"
    least = joint_hours(wall, handling_s=handling) * HOUR
    given = brief.pulls.string_joint_hours
    rows = np.flatnonzero(least > given)
    names, carriers = (runs[name].to_numpy(dtype=object)[run] for name in ("run_id", "carrier"))
    told = [f"{n} joint is" if n == 1 else f"{n} joints are" for n in count]
    pit = joined.drop_duplicates("run").set_index("run")["insertion_pit"].reindex(run[rows])
    findings.add_points(
        "warning",
        "joint-time-short",
        [
            f"run {names[k]}: {told[k]} made while a pull stands still, and "
            f"pulls.string_joint_hours gives {given / MINUTE:.0f} min to each; heating and cooling "
            f"{carriers[k]} with {handling[k] / MINUTE:.0f} min of handling takes "
            f"{least[k] / MINUTE:.0f} min at least: pulls take longer, and cost more, than "
            "planned; set it to what your fusing crew needs and plan again"
            for k in rows.tolist()
        ],
        layer="runs",
        features=names[rows],
        xy=pits.set_index("pit_id").loc[pit, ["x", "y"]].to_numpy(dtype=float),
    )
