"""The network of a batch read whole, its runs and edits shared out to the districts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.deliver.layers import run_lines
from geotools.errors import LayerError
from geotools.intake.columns import Layers
from geotools.intake.read import look_at, read_layers
from geotools.layout.prepare import (
    choose_runs,
    edits_on_runs,
    report_not_chosen,
    report_off_runs,
)
from geotools.layout.shared import runs_of
from geotools.network.build import RunSet
from geotools.network.districts import assign_runs, by_name
from geotools.network.ragged import IntArray
from geotools.network.shutdown import plan_shutdowns
from geotools.scale.districts import report_districts
from geotools.schema import OUTSIDE_RULE, SCREENED
from geotools.tool import Progress

if TYPE_CHECKING:
    import geopandas

__all__ = ["NOT_CHOSEN", "OUTSIDE", "Call", "Share", "read_network", "share_out"]

# What runs, their assignment, their shutdowns and the edits on them are made from.
_NETWORK = (
    "mains",
    "fittings",
    "valves",
    "laterals",
    "hydrants",
    "sources",
    "districts",
    "pit_edits",
)
OUTSIDE, NOT_CHOSEN = -1, -2  # of a run that no district plans


@dataclass(frozen=True)
class Call:
    """How a batch was called; ``frames`` are layers in memory."""

    folder: Path
    workers: int | None
    scheduler: str | None
    memory: str
    retries: int
    resume: bool
    overwrite: bool
    allow_remote: bool
    frames: Mapping[str, geopandas.GeoDataFrame] = field(default_factory=dict)


@dataclass(frozen=True)
class Share:
    """The network, whole, and which district plans which run and has which edit.

    A run has `NOT_CHOSEN` if the brief chooses others, `OUTSIDE` if it touches none; ``lies_in``
    is its district whichever are chosen. An edit on no run, or on one no district plans, has -1.
    """

    layers: Layers
    runs: RunSet
    districts: pd.DataFrame
    district: IntArray
    lies_in: IntArray
    shutdowns: pd.DataFrame | None
    edit_district: IntArray


def read_network(brief: Brief, call: Call, progress: Progress) -> tuple[Layers, pd.DataFrame]:
    """Read what runs, their assignment and their shutdowns are made from, and the districts.

    Raises
    ------
    LayerError
        If there are no districts.
    """
    inputs = {name: entry for name, entry in brief.inputs.items() if name in _NETWORK}
    given, remote = {*brief.inputs, *call.frames}, call.allow_remote
    layers = read_layers(
        brief.model_copy(update={"inputs": inputs}),
        frames={name: frame for name, frame in call.frames.items() if name in _NETWORK},
        allow_remote=remote,
        progress=progress,
        elsewhere=given,  # the rest is read by the districts
    )
    rest = given - {*_NETWORK, *SCREENED}
    told = [layers.inputs, look_at(brief, rest, frames=call.frames, allow_remote=remote)]
    layers = replace(layers, inputs=pd.concat([t for t in told if len(t)], ignore_index=True))
    if layers.districts is None or not len(layers.districts):
        raise LayerError("districts", "none given; name them: --districts file.gpkg:districts")
    districts = by_name(layers.districts)
    report_districts(layers.districts, districts, layers.findings)
    return layers, districts


def share_out(layers: Layers, districts: pd.DataFrame, brief: Brief, progress: Progress) -> Share:
    """Build the runs of the whole network and say which district plans each."""
    progress("chaining mains")
    runs = runs_of(layers, brief)
    lies_in = assign_runs(runs.chains, districts["geometry"].to_numpy(dtype=object))
    shutdowns = None
    if layers.valves is not None:
        progress("working out shutdowns")
        shutdowns = plan_shutdowns(layers, runs, brief.network, brief.bends)
    district = _only_chosen(layers, runs, districts, lies_in, brief)
    _report_outside(layers, runs, np.flatnonzero(district == OUTSIDE))
    edits = _share_edits(layers, runs, district, brief)
    return Share(layers, runs, districts, district, lies_in, shutdowns, edits)


def _only_chosen(
    layers: Layers, runs: RunSet, districts: pd.DataFrame, district: IntArray, brief: Brief
) -> IntArray:
    """Take from the districts the runs that are not chosen, and say which are left with none."""
    chosen = choose_runs(runs, layers, brief.network.only)
    if chosen.all():
        return district
    out = np.where(chosen, district, NOT_CHOSEN)
    report_not_chosen(~chosen, layers.findings)
    bare = np.setdiff1d(np.unique(district[district >= 0]), out)
    layers.findings.add_many(
        "info",
        "district-not-chosen",
        "none of its runs is among those chosen (network.only): nothing is planned here",
        layer="districts",
        features=districts["name"].to_numpy(dtype=object)[bare],
        geometry=districts["geometry"].to_numpy(dtype=object)[bare],
    )
    return out


def _share_edits(layers: Layers, runs: RunSet, district: IntArray, brief: Brief) -> IntArray:
    """Return the district of every edit; those of none are findings of the summary."""
    given = layers.pit_edits
    if given is None:
        return np.zeros(0, dtype=np.int64)
    nearest = edits_on_runs(runs, given)
    report_off_runs(layers, nearest, brief)
    point, run = (nearest[name].to_numpy(dtype=np.int64) for name in ("point", "run"))
    for where, severity, why in (
        (OUTSIDE, "warning", "touches no district: it is not planned. Draw a district around it."),
        (NOT_CHOSEN, "info", "is not chosen (network.only)"),
    ):
        outside = district[run] == where
        lost = point[outside]
        names = runs.table["run_id"].to_numpy(dtype=object)[run[outside]]
        layers.findings.add_points(
            severity,
            "edit-refused",
            [f"the edit lies on run {name}, which {why}" for name in names],
            layer="pit_edits",
            features=given.table["feature"].to_numpy(dtype=object)[lost],
            xy=given.xy[lost],
        )
    out = np.full(len(given), -1, dtype=np.int64)
    out[point] = np.maximum(district[run], -1)
    return out


def _report_outside(layers: Layers, runs: RunSet, rows: IntArray) -> None:
    lines = run_lines(runs.chains)
    names = runs.table["run_id"].to_numpy(dtype=object)[rows]
    layers.findings.add_many(
        "warning",
        OUTSIDE_RULE,
        [
            f"run {name} touches no district: it is not planned. Draw a district around it."
            for name in names
        ],
        layer="runs",
        features=names,
        geometry=lines[rows],
    )
