"""A batch from end to end: runs shared out to districts, planned by workers, put together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geotools.brief import Brief, InputSource
from geotools.call import sources_of
from geotools.deliver.files import spare
from geotools.deliver.geopackage import check_target, write_geopackage
from geotools.deliver.layers import placed, run_lines
from geotools.deliver.read_plan import read_plan, read_raw
from geotools.deliver.sld import check_styles, style_names, write_styles
from geotools.deliver.tables import settings_table
from geotools.errors import LayerError, OutputError
from geotools.intake.columns import Layers, Points
from geotools.intake.findings import SEVERITIES
from geotools.intake.memory import part_of, shelved, told_apart
from geotools.intake.named import named_files
from geotools.intake.place import absolute, odd_letters
from geotools.intake.read import look_at, read_layers
from geotools.intake.window import Window
from geotools.network.build import RunSet
from geotools.network.ragged import IntArray
from geotools.network.shutdown import plan_shutdowns
from geotools.scale.districts import assign_runs, by_name, report_districts, span_of
from geotools.scale.engine import Result, run_all, workers_begun
from geotools.scale.manifest import (
    NAME,
    Entry,
    file_name,
    files_made,
    other_plans,
    read_manifest,
    still_good,
    write_manifest,
)
from geotools.scale.resume import FAILED, Fate, fate_of
from geotools.schema import DIMENSIONS, DISTRICT_STATUSES, OUTPUTS
from geotools.tool import Outcome, Progress
from geotools.tools._district import Job, plan_district
from geotools.tools._district_key import program
from geotools.tools._prepare import (
    choose_runs,
    edits_on_runs,
    fixed_for,
    report_not_chosen,
    report_off_runs,
)
from geotools.tools._shared import runs_of
from geotools.tools.plan import TOOL as PLAN

if TYPE_CHECKING:
    import geopandas

__all__ = ["Call", "open_folder", "plan_districts"]

SUMMARY = "summary.gpkg"
STYLES = "styles"  # folder of the styles of all GeoPackages of a batch
# The plans of all districts have the same layers: one folder does for them and the summary.
_LAYERS = (*PLAN.outputs, "district_results", "district_runs")
_STYLE_FILES = tuple(f"{STYLES}/{name}.sld" for name in style_names(_LAYERS))
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
_BY_BATCH = ("districts", "pit_edits")  # of these districts read nothing themselves
# A pull's strings may lie this much farther along the street than the longest pull, m.
_MARGIN = 500.0
_SAME = ["severity", "rule", "layer", "feature", "text"]  # what makes two findings one


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


@dataclass(frozen=True)
class Back:
    """What the summary takes from the plan of a district."""

    runs: pd.DataFrame
    findings: pd.DataFrame


def open_folder(path: Path) -> Path:
    """Return the folder of a batch, made if need be.

    Raises
    ------
    OutputError
        If it is no folder, cannot be made, or no GeoPackage can be written in it.
    """
    folder = path.resolve()
    odd = odd_letters(folder)
    if odd:
        raise OutputError(f"{path}: no GeoPackage can be written to a path with {odd} in it")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / ".lock").touch()
    except OSError as error:
        raise OutputError(
            f"{path}: no folder can be used there ({error.strerror}); choose another or change "
            "its permissions"
        ) from error
    return folder


def plan_districts(brief: Brief, call: Call, progress: Progress) -> Outcome:
    """Plan every district, keep the manifest, write the summary."""
    call = replace(call, frames=told_apart(call.frames))
    before = _earlier(call)
    made = _made(call.folder)
    summary, styles = call.folder / SUMMARY, call.folder / STYLES
    check_target(summary, overwrite=True)
    if brief.output.styles:
        check_styles(summary, _LAYERS, overwrite=True, folder=styles)
    layers, districts = _network(brief, call, progress)
    names = _file_names(districts)
    _check_files(brief, call, {*_own_files(brief), *names.values()}, made)
    begun = workers_begun(workers=call.workers, scheduler=call.scheduler, memory=call.memory)
    with begun as workers:
        share = _share_out(layers, districts, brief, progress)
        jobs, entries = _jobs(share, brief, call, before, names)
        workers()  # nothing is written for workers that cannot be reached
        files = {*_own_files(brief), *(job.target.name for job in jobs.values())}
        files |= {name for name in made if (call.folder / name).exists()}
        spared = _spared(share, call.folder, before)
        write_manifest(call.folder, entries | spared, files)
        progress("planning districts", 0, len(jobs))
        results = run_all(jobs, plan_district, workers=workers, retries=call.retries)
        for done, result in enumerate(results, start=1):
            entries[result.name] = _entry(result, jobs[result.name])
            write_manifest(call.folder, entries | spared, files)
            progress("planning districts", done, len(jobs))
    progress("writing the summary")
    back = _read_back(call.folder, entries)
    write_manifest(call.folder, entries | spared, files)
    stale = _report_stale(share.layers, call.folder, entries | spared)
    _report_borders(share.layers, entries)
    whole = {name for name, job in jobs.items() if job.before is not None}
    fates = {n: fate_of(e, before.get(n), whole=n in whole) for n, e in entries.items()}
    tables = _summary(share, brief, back, entries, fates)
    units = brief.output.units
    write_geopackage(summary, tables, crs=share.layers.output_crs, units=units, overwrite=True)
    if brief.output.styles:
        write_styles(summary, _LAYERS, units=units, folder=styles)
    told = _told(share, back, entries, stale, units) | _told_fates(fates)
    told["spared"] = sorted(name for name, entry in spared.items() if entry.file)
    return _outcome(tables, brief, call, told)


def _file_names(districts: pd.DataFrame) -> dict[str, str]:
    """Return the name of each district's file, whether or not it has a run to plan."""
    taken, names = {SUMMARY}, {}
    for name in districts["name"]:
        names[name] = file_name(name, taken)
        taken.add(names[name])
    return names


def _own_files(brief: Brief) -> set[str]:
    """Return the files of a batch that are no district's, by their paths from its folder."""
    return {SUMMARY, *(_STYLE_FILES if brief.output.styles else ())}


def _made(folder: Path) -> set[str]:
    """Return the files in a folder that an earlier batch made, by their paths from there."""
    if not (folder / NAME).exists():  # one killed early has a manifest of files and no district
        return set()
    return {*files_made(folder), SUMMARY, *_STYLE_FILES}


def _check_files(brief: Brief, call: Call, files: set[str], made: set[str]) -> None:
    """Check that what a batch may write is nobody else's; call it before any long work.

    Raises
    ------
    OutputError
        With every file that is read by the batch, cannot be replaced, or is there and was not
        made by a batch; nothing was touched.
    """
    faults = []
    try:
        targets = [call.folder / name for name in sorted({*files, NAME})]
        spare(targets, named_files(sources_of(brief.inputs)))
    except OutputError as error:
        faults.append(str(error))
    for path in (call.folder / name for name in sorted(files)):
        if not path.exists():
            continue
        try:
            if path.suffix == ".gpkg":
                check_target(path, overwrite=True)
        except OutputError as error:
            faults.append(str(error))
            continue
        if not call.overwrite and path.relative_to(call.folder).as_posix() not in made:
            faults.append(
                f"{path}: exists, and no batch in this folder made it; move it, use another "
                "folder, or give --overwrite to replace it"
            )
    if faults:
        raise OutputError("\n".join(faults))


def _report_stale(layers: Layers, folder: Path, entries: dict[str, Entry]) -> list[str]:
    """Return the plans in the folder that this batch did not make or keep; each is a finding."""
    stale = other_plans(folder, {SUMMARY, *(entry.file for entry in entries.values())})
    layers.findings.add_many(
        "warning",
        "stale-plan",
        "lies in the folder and is no plan of this batch: what it says may be out of date; move "
        "or delete it",
        features=stale,
    )
    return stale


def _report_borders(layers: Layers, entries: dict[str, Entry]) -> None:
    """Say that pits of two districts were not compared: each plan knows its own pits alone."""
    if sum(bool(entry.file) for entry in entries.values()) > 1:
        layers.findings.add(
            "info",
            "pits-shared-unchecked",
            "whether pits of different districts share ground was not looked at: what one pit for "
            "both would save is told within each district alone; plan neighbours together with "
            "`slipmain plan` to see it across their border",
            layer="districts",
        )


def _earlier(call: Call) -> dict[str, Entry]:
    """Return what an earlier batch left in the folder.

    Raises
    ------
    OutputError
        If there is one and the caller said neither to go on with it nor to replace it.
    """
    before = read_manifest(call.folder)
    if (call.folder / NAME).exists() and not (call.resume or call.overwrite):
        raise OutputError(
            f"{call.folder}: holds an earlier batch; give --resume to go on with it, --overwrite "
            "to begin anew, or another folder"
        )
    return before if call.resume else {}


def _network(brief: Brief, call: Call, progress: Progress) -> tuple[Layers, pd.DataFrame]:
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
    rest = given - {*_NETWORK}
    told = [layers.inputs, look_at(brief, rest, frames=call.frames, allow_remote=remote)]
    layers = replace(layers, inputs=pd.concat([t for t in told if len(t)], ignore_index=True))
    if layers.districts is None or not len(layers.districts):
        raise LayerError("districts", "none given; name them: --districts file.gpkg:districts")
    districts = by_name(layers.districts)
    report_districts(layers.districts, districts, layers.findings)
    return layers, districts


def _share_out(layers: Layers, districts: pd.DataFrame, brief: Brief, progress: Progress) -> Share:
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
    edits = _share_edits(layers, runs, district)
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


def _share_edits(layers: Layers, runs: RunSet, district: IntArray) -> IntArray:
    """Return the district of every edit; those of none are findings of the summary."""
    given = layers.pit_edits
    if given is None:
        return np.zeros(0, dtype=np.int64)
    nearest = edits_on_runs(runs, given)
    report_off_runs(given, nearest, layers.findings)
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


def _edits_of(share: Share, k: int) -> tuple[Points | None, pd.DataFrame]:
    """Return the edits of a district and what its plan tells of them among its inputs."""
    told = share.layers.inputs[share.layers.inputs["layer"] == "pit_edits"]
    given = share.layers.pit_edits
    if given is None:
        return None, told
    rows = np.flatnonzero(share.edit_district == k)
    own = Points(given.table.iloc[rows].reset_index(drop=True), given.xy[rows])
    count = own.table["feature"].nunique()
    return own, told.assign(features_read=count, features_used=count)


def _report_outside(layers: Layers, runs: RunSet, rows: IntArray) -> None:
    lines = run_lines(runs.chains)
    names = runs.table["run_id"].to_numpy(dtype=object)[rows]
    layers.findings.add_many(
        "warning",
        "outside-districts",
        [
            f"run {name} touches no district: it is not planned. Draw a district around it."
            for name in names
        ],
        layer="runs",
        features=names,
        geometry=lines[rows],
    )


def _jobs(
    share: Share, brief: Brief, call: Call, before: dict[str, Entry], names: dict[str, str]
) -> tuple[dict[str, Job], dict[str, Entry]]:
    """Return the districts to plan, the largest first, and the entries known so far.

    These are the ones with no run, those whose plan is whole and those that failed: should the
    batch end before it comes to look at them again, it is still known. ``names`` as of
    `_file_names`.
    """
    inputs = {n: _anywhere(entry) for n, entry in brief.inputs.items() if n not in _BY_BATCH}
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
        edits, told = _edits_of(share, k)
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


def _left_out(share: Share, k: int) -> list[str]:
    """Return the mains of the runs of a district that are not chosen."""
    rows = (share.lies_in == k) & (share.district == NOT_CHOSEN)
    return sorted(share.runs.table["main_ids"].to_numpy(dtype=object)[rows])


def _spared(share: Share, folder: Path, before: dict[str, Entry]) -> dict[str, Entry]:
    """Return what is known of districts none of whose runs is chosen: it stays known."""
    chosen = np.unique(share.district)
    named = share.districts["name"].to_numpy(dtype=object)
    bare = named[np.setdiff1d(share.lies_in[share.district == NOT_CHOSEN], chosen)]
    known = {name: before[name] for name in bare if name in before}
    return {n: e for n, e in known.items() if e.status in FAILED or still_good(folder, e)}


def _anywhere(entry: InputSource) -> InputSource:
    """Return a source that means the same to a worker, which has another folder to work in."""
    given = entry.source
    source = absolute(given) if isinstance(given, str) else [absolute(item) for item in given]
    return entry.model_copy(update={"source": source})


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


def _entry(result: Result, job: Job) -> Entry:
    """Return what the manifest says of a district from the result of its task."""
    if result.error:
        status = "set_aside" if result.died else "failed"
        return Entry(status, error=result.error, tries=result.tries)
    entry: Entry = result.value
    if (made := entry.key.get("version")) != program():
        worker = f"its worker {result.worker}".rstrip()
        text = (
            f"{worker} plans with slipmain {made}, and this "
            f"process is slipmain {program()}: install the same on all workers, and begin them anew"
        )
        return Entry("failed", error=text, tries=result.tries)
    if fault := _not_there(job.target, entry):
        return Entry("failed", error=fault, tries=result.tries)
    kept = job.before is not None and job.before.key == entry.key
    return replace(entry, tries=0 if kept else result.tries)


def _not_there(target: Path, entry: Entry) -> str:
    """Say why a district told as done is not; "" if its plan is here, as its worker wrote it."""
    if entry.file == target.name:
        any(target.parent.iterdir())  # has a network's file system look for what came meanwhile
        if still_good(target.parent, entry):
            return ""
    if target.is_file():
        return (
            f"{target}: is not the plan that was made of this district; either something else "
            "writes there, or its worker sees another folder of this name: the output folder must "
            "be one that all workers share"
        )
    return (
        f"{target}: was planned and is not here; either it was removed, or its worker wrote it "
        "where this process does not see it: the output folder must be one that all workers share"
    )


def _summary(
    share: Share,
    brief: Brief,
    back: dict[str, Back],
    entries: dict[str, Entry],
    fates: dict[str, Fate],
) -> dict[str, Any]:
    """Return the layers of the summary: every district, every run planned, ranked by unit cost."""
    layers = share.layers
    own = {
        "district_results": _district_layer(share, entries, fates, brief.output.units),
        "district_runs": _run_layer(share, back),
        "findings": layers.findings.table(),
    }
    tables = placed(own, layers.working_crs, layers.output_crs)
    return tables | {"settings": settings_table(brief, brief.output.units), "inputs": layers.inputs}


def _district_layer(
    share: Share, entries: dict[str, Entry], fates: dict[str, Fate], system: str
) -> pd.DataFrame:
    length = DIMENSIONS["length"]
    unit = length.suffix(system)
    rows = []
    for name in share.districts["name"]:
        entry = entries[name]
        said, runs = entry.summary, entry.summary.get("runs", {})
        rows.append(
            {
                "district": name,
                "status": entry.status,
                "error": entry.error,
                "file": entry.file,
                "resumed": fates[name].why,
                "changed": ",".join(fates[name].changed),
                "tries": entry.tries,
                "runs_planned": runs.get("planned", 0),
                "runs_without_plan": runs.get("no_plan", 0),
                "runs_not_suitable": runs.get("not_suitable", 0),
                "pits": said.get("pits", 0),
                "pulls": said.get("pulls", 0),
                "length": said.get(f"planned_length_{unit}", 0.0) * length.units[unit],
                "cost": said.get("cost", 0.0),
            }
        )
    return pd.DataFrame(rows).assign(geometry=share.districts["geometry"].to_numpy(dtype=object))


def _read_back(folder: Path, entries: dict[str, Entry]) -> dict[str, Back]:
    """Return what the summary takes from the plans; a district whose plan is gone failed."""
    back = {}
    for name, entry in list(entries.items()):
        if not entry.file:
            continue
        path = folder / entry.file
        try:
            runs = read_plan(path).table("runs")[[f.name for f in OUTPUTS["runs"].fields]]
            findings = read_raw(path, "findings", geometry=False)[_SAME]
        except LayerError as error:
            text = f"its plan was done, and is no more: {error}"
            entries[name] = Entry("failed", error=text, tries=entry.tries)
        else:
            back[name] = Back(pd.DataFrame(runs).assign(district=name), pd.DataFrame(findings))
    return back


def _run_layer(share: Share, back: dict[str, Back]) -> pd.DataFrame:
    """Return every run of the districts done, the cheapest by length first."""
    fields = [f.name for f in OUTPUTS["runs"].fields]
    parts = [plan.runs for plan in back.values()]
    empty = pd.DataFrame({name: [] for name in [*fields, "district"]})
    runs = pd.concat(parts, ignore_index=True) if parts else empty
    place = {name: row for row, name in enumerate(share.runs.table["run_id"])}
    row = runs["run_id"].map(place).to_numpy(dtype=np.int64)
    runs = runs.assign(
        geometry=run_lines(share.runs.chains)[row], unit_cost=runs["cost"] / runs["length"]
    )
    runs = runs.sort_values(["unit_cost", "run_id"], kind="stable").reset_index(drop=True)
    planned = runs["unit_cost"].notna().to_numpy()
    return runs.assign(rank=np.where(planned, np.arange(1, len(runs) + 1), np.nan))


def _told(
    share: Share, back: dict[str, Back], entries: dict[str, Entry], stale: list[str], system: str
) -> dict[str, Any]:
    """Return what the summary says of runs outside, findings and stale plans.

    Findings are counted in the plans of the districts, in the summary, and in all of these; and
    once each, for what is so of the whole is told in every district.
    """
    length = DIMENSIONS["length"]
    unit = length.suffix(system)
    outside = share.district == OUTSIDE
    meters = float(share.runs.table["length"].to_numpy(dtype=float)[outside].sum())
    severities = SEVERITIES[::-1]
    own = {s: share.layers.findings.count(s) for s in severities}
    by_district = {
        name: {s: entry.summary.get("findings", {}).get(s, 0) for s in severities}
        for name, entry in entries.items()
        if entry.file
    }
    counts = (own, *by_district.values())
    return {
        "runs_outside_districts": int(outside.sum()),
        "runs_not_chosen": int((share.district == NOT_CHOSEN).sum()),
        f"length_outside_districts_{unit}": meters / length.units[unit],
        "findings": {s: sum(count[s] for count in counts) for s in severities},
        "findings_distinct": _distinct(share, back),
        "findings_of_summary": own,
        "findings_by_district": {name: by_district[name] for name in sorted(by_district)},
        "shared_saving_within_districts": sum(
            entry.summary.get("shared_saving", 0.0) for entry in entries.values()
        ),
        "stale_plans": stale,
    }


def _distinct(share: Share, back: dict[str, Back]) -> dict[str, int]:
    """Count the findings of the summary and of all districts, each once however often it is told.

    Those are one that say the same of the same feature.
    """
    tables = [pd.DataFrame(share.layers.findings.table())[_SAME]]
    tables += [plan.findings for plan in back.values()]
    told = pd.concat([t.astype(object).fillna("") for t in tables]).drop_duplicates()
    return {s: int((told["severity"] == s).sum()) for s in SEVERITIES[::-1]}


def _told_fates(fates: dict[str, Fate]) -> dict[str, Any]:
    """Return which plans of an earlier batch were kept, and which districts were planned and why.

    ``renewed`` are plans kept whose inputs and settings are told anew.
    """
    known = [(name, fates[name]) for name in sorted(fates) if fates[name].why]
    return {
        "kept": [name for name, fate in known if fate.why == "kept"],
        "renewed": [name for name, fate in known if fate.renewed],
        "planned": {
            name: {"why": fate.why, "changed": list(fate.changed)}
            for name, fate in known
            if fate.why != "kept"
        },
    }


def _fate_lines(told: dict[str, Any]) -> list[str]:
    """Return in words what `_told_fates` tells; nothing where there was no earlier batch."""
    reasons: dict[str, list[str]] = {}
    for name, fate in told["planned"].items():
        changed = f" ({', '.join(fate['changed'])})" if fate["changed"] else ""
        reasons.setdefault(fate["why"] + changed, []).append(name)
    if not told["kept"] and reasons.keys() <= {"new"}:
        return []
    lines = [f"kept       {', '.join(told['kept']) or 'none'}"]
    if count := len(told["renewed"]):
        lines += [f"           {count} of them now tell of inputs and settings as they are"]
    return lines + [
        f"{'new' if why == 'new' else 'redone':<11}{', '.join(names)}"
        + ("" if why == "new" else f": {why.replace('_', ' ')}")
        for why, names in reasons.items()
    ]


def _told_lines(told: dict[str, Any], unit: str) -> list[str]:
    lines = []
    if count := told["runs_outside_districts"]:
        far = told[f"length_outside_districts_{unit}"]
        lines += [
            f"outside    {count} runs, {far:,.0f} {unit}, touch no district and are not planned "
            f"(findings of {SUMMARY})"
        ]
    if count := told["runs_not_chosen"]:
        lines += [f"left out   {count} runs are not among those chosen (network.only)"]
    if names := told["spared"]:
        lines += [
            f"spared     {', '.join(names)}: none of their runs is among those chosen; their plans "
            "stay as they are"
        ]
    counts = {
        "in all": told["findings"],
        "each told once": told["findings_distinct"],
        f"in {SUMMARY}": told["findings_of_summary"],
    }
    lines += [
        "findings   "
        + "; ".join(
            ", ".join(f"{n} {s}" for s, n in count.items()) + f" {where}"
            for where, count in counts.items()
        )
    ]
    lines += [
        f"           {', '.join(f'{n} {s}' for s, n in count.items())} in district {name}"
        for name, count in told["findings_by_district"].items()
        if count["error"] or count["warning"]
    ]
    return [*lines, *(f"stale      {n} is no plan of this batch" for n in told["stale_plans"])]


def _outcome(tables: dict[str, Any], brief: Brief, call: Call, told: dict[str, Any]) -> Outcome:
    """Put the result of a batch into a summary and a few lines of text; ``told`` as of `_told`."""
    districts, runs = tables["district_results"], tables["district_runs"]
    length = DIMENSIONS["length"]
    unit = length.suffix(brief.output.units)
    planned = float(districts["length"].sum()) / length.units[unit]
    count = {s: int((districts["status"] == s).sum()) for s in DISTRICT_STATUSES}
    bad = districts[districts["status"].isin(["failed", "set_aside"])]
    summary = {
        "districts": count,
        "runs": len(runs),
        f"planned_length_{unit}": planned,
        "cost": float(districts["cost"].sum()),
        "failures": dict(zip(bad["district"], bad["error"], strict=True)),
        **told,
        "output": str(call.folder),
    }
    lines = [
        "districts  " + ", ".join(f"{n} {s.replace('_', ' ')}" for s, n in count.items()),
        f"planned    {planned:,.0f} {unit} in {int(districts['runs_planned'].sum())} runs, "
        f"{int(districts['pulls'].sum())} pulls from {int(districts['pits'].sum())} pits",
        f"cost       {districts['cost'].sum():,.0f} {brief.rates.currency} at the brief's rates",
        *_fate_lines(told),
        *_told_lines(told, unit),
        *[f"failed     {n}: {e}" for n, e in zip(bad["district"], bad["error"], strict=True)],
        f"written    {call.folder}",
        *(["Run the same again with --resume to redo what failed."] if len(bad) else []),
        "Planning values only: competent persons, local codes and licensed practice decide.",
    ]
    return Outcome(summary=summary, text="\n".join(lines), failed=bool(len(bad)), layers=tables)
