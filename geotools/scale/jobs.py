"""What each district of a batch is to plan, and which need no planning."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from geotools.brief import Brief, anywhere
from geotools.intake.columns import Points
from geotools.intake.memory import part_of, shelved
from geotools.intake.window import Window
from geotools.layout.prepare import fixed_for
from geotools.network.ragged import IntArray
from geotools.scale.district import Job
from geotools.scale.districts import span_of
from geotools.scale.manifest import Entry, still_good
from geotools.scale.resume import FAILED
from geotools.scale.share import NOT_CHOSEN, Call, Share

__all__ = ["district_jobs", "districts_spared", "edits_of", "with_runs"]

_BY_BATCH = ("districts", "pit_edits")  # of these districts read nothing themselves
# A pull's strings may lie this much farther along the street than the longest pull, m.
_MARGIN = 500.0


def district_jobs(
    share: Share, brief: Brief, call: Call, before: dict[str, Entry], names: dict[str, str]
) -> tuple[dict[str, Job], dict[str, Entry]]:
    """Return the districts to plan, the largest first, and the entries known so far.

    These are the ones with no run, those whose plan is whole and those that failed: should the
    batch end before it comes to look at them again, it is still known. ``names`` are
    those of the files of the districts `with_runs`.
    """
    # a worker has another folder to work in
    inputs = {n: anywhere(entry) for n, entry in brief.inputs.items() if n not in _BY_BATCH}
    own = brief.model_copy(update={"inputs": inputs})
    frames = {name: frame for name, frame in call.frames.items() if name not in _BY_BATCH}
    shelf = shelved(frames, brief)
    span = span_of(share.runs.chains)
    entries, jobs, size = {}, {}, {}
    for k, name in enumerate(share.districts["name"]):
        rows = np.flatnonzero(share.district == k)
        if not len(rows):
            entries[name] = Entry("empty")
            continue
        target = call.folder / names[name]
        edits, told = edits_of(share, k)
        last = before.get(name)
        window = _window(share, rows, brief)
        good = last is not None and last.file == target.name and still_good(call.folder, last)
        if last is not None and (good or last.status in FAILED):
            entries[name] = last
        jobs[name] = Job(
            name=name,
            brief=own,
            window=window,
            frames={layer.layer: part_of(layer, window) for layer in shelf},
            runs=share.runs.table[["run_id", "main_ids"]].iloc[rows].reset_index(drop=True),
            span=span[rows],
            renamed=share.layers.renamed,
            shutdowns=_of_runs(share.shutdowns, rows),
            left_out=_left_out(share, k),
            fixed=fixed_for(share.runs.table, share.district == k, brief.carrier.fixed),
            edits=edits,
            edits_input=told,
            inputs=share.layers.inputs,
            target=target,
            before=last if good else None,
            allow_remote=call.allow_remote,
        )
        size[name] = float(span[rows, 4].sum())
    return {name: jobs[name] for name in sorted(jobs, key=lambda n: (-size[n], n))}, entries


def with_runs(share: Share) -> list[str]:
    """Return the names of the districts that have a run to plan, in their order."""
    rows = np.unique(share.district[share.district >= 0])
    return list(share.districts["name"].to_numpy(dtype=object)[rows])


def edits_of(share: Share, k: int) -> tuple[Points | None, pd.DataFrame]:
    """Return the edits of a district and what its plan tells of them among its inputs."""
    told = share.layers.inputs[share.layers.inputs["layer"] == "pit_edits"]
    given = share.layers.pit_edits
    if given is None:
        return None, told
    rows = np.flatnonzero(share.edit_district == k)
    own = Points(given.table.iloc[rows].reset_index(drop=True), given.xy[rows])
    count = own.table["feature"].nunique()
    return own, told.assign(features_read=count, features_used=count)


def _left_out(share: Share, k: int) -> list[str]:
    """Return the mains of the runs of a district that are not chosen."""
    rows = (share.lies_in == k) & (share.district == NOT_CHOSEN)
    return sorted(share.runs.table["main_ids"].to_numpy(dtype=object)[rows])


def districts_spared(share: Share, folder: Path, before: dict[str, Entry]) -> dict[str, Entry]:
    """Return what is known of districts none of whose runs is chosen: it stays known."""
    chosen = np.unique(share.district)
    named = share.districts["name"].to_numpy(dtype=object)
    bare = named[np.setdiff1d(share.lies_in[share.district == NOT_CHOSEN], chosen)]
    known = {name: before[name] for name in bare if name in before}
    return {n: e for n, e in known.items() if e.status in FAILED or still_good(folder, e)}


def _window(share: Share, rows: IntArray, brief: Brief) -> Window:
    """Return where the layers of a district are read: as far as a string or a drawing reaches."""
    chains = share.runs.chains
    parts = [chains.xy[chains.offsets[r] : chains.offsets[r + 1]] for r in rows]
    xy = np.concatenate(parts)
    reach = max(brief.pulls.max_length + _MARGIN, brief.output.context)
    low, high = xy.min(axis=0) - reach, xy.max(axis=0) + reach
    return Window((low[0], low[1], high[0], high[1]), share.layers.working_crs)


def _of_runs(shutdowns: pd.DataFrame | None, rows: IntArray) -> pd.DataFrame | None:
    if shutdowns is None:
        return None
    part = shutdowns[shutdowns["run"].isin(rows)]
    return part.assign(run=np.searchsorted(rows, part["run"])).reset_index(drop=True)
