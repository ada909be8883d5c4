"""Charts of the report as data: profiles of the runs, forces of the pulls."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.read_plan import PlanFile
from geotools.deliver.report.shapes import Floats, encode_lines
from geotools.deliver.wording import ASSUMED
from geotools.schema import DIMENSIONS

__all__ = ["CHAINAGE_STEP", "LEVEL_STEP", "force_charts", "profile_charts"]

# Steps of the numbers in the page, in the unit of the file (m or ft; kN or lbf).
CHAINAGE_STEP, LEVEL_STEP = 0.1, 0.01
# A line may move this far up or down, m, or by this share of the largest force.
_LEVEL = 0.03
_SHARE = 1 / 300
_FORCE_STEPS = {"si": 0.01, "us": 1.0}


def profile_charts(file: PlanFile) -> dict[str, Any]:
    """Return ground and axis along every run, by run identifier.

    Returns
    -------
    dict
        Of each run: ``ground`` and ``axis``, lists of lines (see `encode_lines`), ``radius``,
        half the bore of the host, ``sunk``, true where neither a ground level nor one of the host
        is known and levels count from the ground, and ``assumed``, true where the depth rests on
        an assumed cover somewhere. Empty if the plan holds no stations.
    """
    if "stations" not in file.layers:
        return {}
    fields = ("run_id", "chainage", "ground_z", "axis_z", "depth")
    stations = file.table("stations", (*fields, "depth_source"))
    codes, names = pd.factorize(stations["run_id"])
    order = np.argsort(codes, kind="stable")
    group = codes[order].astype(np.int64)
    scale = DIMENSIONS["length"].units[DIMENSIONS["length"].suffix(file.units)]
    at, ground, axis, depth = (stations[f].to_numpy(dtype=float)[order] / scale for f in fields[1:])
    radius = _radius(file, names, scale)
    bare = ~_known(ground, group, len(names)) & ~_known(axis, group, len(names))
    assumed = stations["depth_source"].to_numpy(dtype=object)[order] == ASSUMED
    guessed = np.bincount(group, weights=assumed, minlength=len(names)) > 0
    ground = np.where(bare[group], 0.0, ground)
    axis = np.where(bare[group], radius[group] - depth, axis)
    tolerance = np.full(len(at), _LEVEL / scale)
    steps = (CHAINAGE_STEP, LEVEL_STEP)
    lines = {
        name: encode_lines(at, values, group, tolerance=tolerance, steps=steps)
        for name, values in (("ground", ground), ("axis", axis))
    }
    return {
        str(name): {
            **{line: coded.get(k, []) for line, coded in lines.items()},
            "radius": round(float(radius[k]), 3),
            "sunk": bool(bare[k]),
            "assumed": bool(guessed[k]),
        }
        for k, name in enumerate(names)
    }


def _radius(file: PlanFile, names: Any, scale: float) -> Floats:
    """Return half the bore of each run's host, in the file's unit of length; 0 where unknown."""
    if "runs" not in file.layers:
        return np.zeros(len(names))
    runs = file.table("runs", ("run_id", "host_bore")).drop_duplicates("run_id")
    bore = runs.set_index("run_id")["host_bore"].reindex(list(names)).to_numpy(dtype=float)
    radius: Floats = np.nan_to_num(bore) / 2 / scale
    return radius


def _known(values: Floats, group: Any, count: int) -> Any:
    """Tell of which groups any value is known."""
    return np.bincount(group, weights=np.isfinite(values), minlength=count) > 0


def force_charts(file: PlanFile) -> dict[str, Any]:
    """Return the force at the head of every pull as it goes, by pull identifier.

    Returns
    -------
    dict
        Of each pull: ``low``, ``force`` and ``high``, lists of lines, and ``bends``, pairs of
        length pulled and force allowed there. Empty if the plan holds no forces.
    """
    if "forces" not in file.layers:
        return {}
    names = {"low": "head_force_low", "force": "head_force", "high": "head_force_high"}
    forces = file.table("forces", ("pull_id", "pulled", *names.values(), "bend_limit"))
    codes, pulls = pd.factorize(forces["pull_id"])
    forces = forces.iloc[np.lexsort((forces["pulled"].to_numpy(), codes))]
    group = np.sort(codes).astype(np.int64)
    length, force = (
        DIMENSIONS[kind].units[DIMENSIONS[kind].suffix(file.units)] for kind in ("length", "force")
    )
    at = forces["pulled"].to_numpy(dtype=float) / length
    values = {n: forces[f].to_numpy(dtype=float) / force for n, f in names.items()}
    limits = forces["bend_limit"].to_numpy(dtype=float) / force
    step = _FORCE_STEPS[file.units]
    largest = np.zeros(len(pulls))
    np.fmax.at(largest, group, values["high"])
    tolerance = np.maximum(largest[group] * _SHARE, step)
    lines = {
        n: encode_lines(at, v, group, tolerance=tolerance, steps=(CHAINAGE_STEP, step))
        for n, v in values.items()
    }
    charts: dict[str, dict[str, list[Any]]] = {
        str(pull): {name: coded.get(k, []) for name, coded in lines.items()} | {"bends": []}
        for k, pull in enumerate(pulls)
    }
    for row in np.flatnonzero(np.isfinite(limits)).tolist():
        pair = [round(float(at[row]), 1), round(float(limits[row]), 2)]
        charts[str(pulls[group[row]])]["bends"].append(pair)
    return {"step": step, "pulls": charts}
