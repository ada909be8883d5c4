"""One district of a batch: its part of the layers read, its own runs planned, its plan written."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.brief import Brief, FixedPipe, settings
from geotools.call import silent
from geotools.errors import SlipmainError
from geotools.intake.columns import Areas, Layers, Lines, Points
from geotools.intake.digest import sha256
from geotools.intake.read import read_layers
from geotools.intake.window import Window
from geotools.network.build import RunSet
from geotools.scale.districts import same_runs, span_of
from geotools.scale.manifest import Entry
from geotools.tools._layout import lay_out_plan
from geotools.tools._tables import plan_tables, summarise, write_plan

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
    runs : DataFrame
        Runs to plan: ``run_id``, ``main_ids``.
    span : ndarray, shape (k, 5)
        Their ends and lengths, as `span_of`.
    renamed : mapping
        Mains that bear another identifier in the whole, as of `Layers`.
    shutdowns : DataFrame or None
        Of these runs, worked out from the whole network; None where no valves are known.
    fixed : list of FixedPipe
        What of ``carrier.fixed`` is meant for these runs.
    edits : Points or None
        The designer's edits on these runs; None where no edits are given.
    edits_input : DataFrame
        What is to be told of them among the inputs.
    target : Path
    before : str
        Key under which the file at the target was made and is whole; "" where there is none.
    allow_remote : bool
    """

    name: str
    brief: Brief
    window: Window
    runs: pd.DataFrame
    span: np.ndarray[Any, np.dtype[np.float64]]
    renamed: Mapping[str, str]
    shutdowns: pd.DataFrame | None
    fixed: list[FixedPipe]
    edits: Points | None
    edits_input: pd.DataFrame
    target: Path
    before: str
    allow_remote: bool


def plan_district(job: Job) -> Entry | None:
    """Plan the runs of one district and write its plan; None if it is the same as before."""
    layers = _read(job)
    key = _key(job, layers)
    if key == job.before:
        return None
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
    summary = summarise(drawn, job.brief, None, wkb).summary
    return Entry("done", key, job.target.name, sha256(job.target), summary=dict(summary))


def _read(job: Job) -> Layers:
    """Read the layers around the district; what the batch read for it is put beside them."""
    layers = read_layers(
        job.brief,
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


def _key(job: Job, layers: Layers) -> str:
    """Return the hash of all that the plan of a district depends on."""
    digest = hashlib.sha256()
    for part in _facts(job, layers):
        digest.update(part)
    return digest.hexdigest()


def _facts(job: Job, layers: Layers) -> Iterator[bytes]:
    yield f"{version('slipmain')} {layers.working_crs.to_wkt()}".encode()
    yield repr([(s.key, s.value) for s in settings(job.brief)]).encode()
    yield layers.output_crs.to_wkt().encode()
    yield from _table_bytes(layers.inputs[layers.inputs["layer"] == "dem"])
    yield from _table_bytes(job.runs)
    yield np.ascontiguousarray(job.span).tobytes()
    if job.shutdowns is not None:
        yield from _table_bytes(job.shutdowns)
    yield from _table_bytes(layers.findings.table())  # a change may show there alone
    for item in fields(layers):
        part = getattr(layers, item.name)
        if isinstance(part, Lines | Points | Areas):
            yield item.name.encode()
            yield from _layer_bytes(part)


def _layer_bytes(part: Lines | Points | Areas) -> Iterator[bytes]:
    yield from _table_bytes(part.table)
    if isinstance(part, Areas):
        yield from shapely.to_wkb(part.geometry)
        return
    yield np.ascontiguousarray(part.xy).tobytes()
    if isinstance(part, Lines):
        yield part.offsets.tobytes()


def _table_bytes(table: pd.DataFrame) -> Iterator[bytes]:
    """Yield a table's columns; a geometry as WKB."""
    for name in table.columns:
        yield str(name).encode()
        if name == "geometry":
            yield from (b"" if wkb is None else wkb for wkb in shapely.to_wkb(table[name]))
        else:
            yield table[name].astype(str).str.cat(sep="\0").encode()
