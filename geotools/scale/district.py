"""One district of a batch: its part of the layers read, its own runs planned, its plan written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Brief, FixedPipe
from geotools.deliver.geopackage import renew_tables
from geotools.deliver.tables import settings_table
from geotools.errors import SlipmainError
from geotools.intake.columns import Layers, Points
from geotools.intake.digest import sha256
from geotools.intake.read import read_layers
from geotools.intake.sources import FramePart
from geotools.intake.window import Window
from geotools.layout.tables import plan_tables, summarise, write_plan
from geotools.layout.whole import lay_out_plan
from geotools.network.build import RunSet
from geotools.scale.districts import same_runs, span_of
from geotools.scale.key import district_key
from geotools.scale.manifest import Entry
from geotools.tool import silent

__all__ = ["Job", "plan_district"]


@dataclass(frozen=True)
class Job:
    """What a worker needs to plan one district.

    Attributes
    ----------
    name : str
    brief : Brief
    window : Window
        Where to read the layers.
    frames : mapping
        Layers in memory: what of them lies there.
    runs : DataFrame
        Runs to plan: ``run_id``, ``main_ids``.
    span : ndarray, shape (k, 5)
        Their ends and lengths, as `span_of`.
    renamed : mapping
        Mains and valves whose identifier others bear in the whole, as of `Layers`.
    shutdowns : DataFrame or None
        Of these runs, worked out from the whole network; None where no valves are known.
    left_out : list of str
        Mains of the district's runs that are not chosen.
    fixed : list of FixedPipe
        What of ``carrier.fixed`` is meant for these runs.
    edits : Points or None
        The designer's edits on these runs; None where no edits are given.
    edits_input : DataFrame
        What is to be told of them among the inputs.
    inputs : DataFrame
        The files of all layers as the process of the batch sees them.
    target : Path
    before : Entry or None
        What the manifest says of the file at the target, if that is whole.
    allow_remote : bool
    """

    name: str
    brief: Brief
    window: Window
    frames: Mapping[str, FramePart]
    runs: pd.DataFrame
    span: np.ndarray[Any, np.dtype[np.float64]]
    renamed: Mapping[str, Mapping[str, str]]
    shutdowns: pd.DataFrame | None
    left_out: list[str]
    fixed: list[FixedPipe]
    edits: Points | None
    edits_input: pd.DataFrame
    inputs: pd.DataFrame
    target: Path
    before: Entry | None
    allow_remote: bool


def plan_district(job: Job) -> Entry:
    """Plan the runs of one district and write its plan, or keep the one that is there."""
    layers = _read(job)
    _check_inputs(layers.inputs, job)
    key = district_key(job, layers)
    if job.before is not None and job.before.key == key:
        return _renewed(job.before, job, layers)
    layout = lay_out_plan(
        layers,
        job.brief,
        silent,
        allow_remote=job.allow_remote,
        named=lambda runs: _named(runs, job),
        shutdowns=job.shutdowns,
        fixed=job.fixed,
    )
    drawn = plan_tables(layout, job.brief)
    wkb = drawn.encoded()
    write_plan(job.target, drawn, job.brief, wkb, overwrite=True)
    summary = dict(summarise(drawn, job.brief, None, wkb).summary)
    del summary["content_hash"]  # not known of a plan that is kept and renewed
    return Entry("done", key, job.target.name, sha256(job.target), summary=summary)


def _renewed(before: Entry, job: Job, layers: Layers) -> Entry:
    """Keep a plan, and have it tell of inputs and settings as a plan made now would.

    What it was made of is in the files as they are now, whatever else changed in them, and
    settings that changed are none it hangs on. The other layers stay as they are.
    """
    units = job.brief.output.units
    table = settings_table(job.brief, units, working_crs=layers.working_crs)
    told = {"settings": table, "inputs": layers.inputs}
    renew_tables(job.target, told, units=units)
    # Asked of the file in any case: a worker may have died between writing and telling.
    return replace(before, sha256=sha256(job.target))


def _read(job: Job) -> Layers:
    """Read the layers around the district; what the batch read for it is put beside them."""
    layers = read_layers(
        job.brief,
        frames=job.frames,
        allow_remote=job.allow_remote,
        window=job.window,
        elsewhere=("districts", *(() if job.edits is None else ("pit_edits",))),  # by the batch
        renamed=job.renamed,
    )
    if job.edits is None:
        return layers
    return replace(
        layers,
        pit_edits=job.edits,
        inputs=pd.concat([layers.inputs, job.edits_input], ignore_index=True),
    )


def _check_inputs(seen: pd.DataFrame, job: Job) -> None:
    """Check that the files read here are those from which the runs were made.

    Raises
    ------
    SlipmainError
        With every file that is another one.
    """
    told = ["layer", "source", "sha256"]
    same = {*job.inputs[told].itertuples(index=False, name=None)}
    files = seen.loc[seen["sha256"].astype(bool), told]  # what is read from afar has none
    others = [row for row in files.itertuples(index=False, name=None) if row not in same]
    if others:
        raise SlipmainError(
            "\n".join(
                f"{layer} ({file}): is another file for the worker of this district than for the "
                "process that began the batch, or has changed since; let all workers see the same "
                "files, and leave them be while a batch runs"
                for layer, file, _ in others
            )
        )


def _named(runs: RunSet, job: Job) -> pd.DataFrame:
    """Return the table of runs with the names they bear in the whole; "" for those of others.

    Raises
    ------
    SlipmainError
        If a run of the district is not among them.
    """
    row = same_runs(job.span, span_of(runs.chains))
    lost = job.runs["run_id"].to_numpy(dtype=object)[row < 0]
    if len(lost):
        raise SlipmainError(
            f"district {job.name}: run {', '.join(lost)} comes out otherwise from the district's "
            "part of the layers than from the whole; plan this district with `slipmain plan`"
        )
    known = job.runs.set_index(row)[["run_id", "main_ids"]].reindex(runs.table.index)
    return runs.table.assign(
        run_id=known["run_id"].fillna(""), main_ids=known["main_ids"].fillna("")
    )
