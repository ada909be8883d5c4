"""A batch from end to end: runs shared out to districts, planned by workers, put together."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from geotools.brief import Brief, sources_of
from geotools.deliver.files import spare
from geotools.deliver.geopackage import check_target, write_geopackage
from geotools.deliver.sld import check_styles, style_names, styles_beside
from geotools.errors import OutputError
from geotools.intake.columns import Layers
from geotools.intake.memory import told_apart
from geotools.intake.named import named_files
from geotools.intake.place import odd_letters
from geotools.program import program
from geotools.scale.across import report_across
from geotools.scale.district import Job, plan_district
from geotools.scale.engine import Result, run_all, workers_begun
from geotools.scale.failed import report_failed
from geotools.scale.jobs import district_jobs, districts_spared, with_runs
from geotools.scale.manifest import (
    LOCK,
    NAME,
    Entry,
    file_names,
    files_made,
    locked,
    manifest_fault,
    other_plans,
    read_manifest,
    set_manifest_aside,
    still_good,
    write_manifest,
)
from geotools.scale.resume import FAILED, Fate, fate_of, keep_edited, keep_summary
from geotools.scale.share import Call, read_network, share_out
from geotools.scale.summary import (
    SUMMARY,
    outcome_of,
    read_back,
    summary_tables,
    told_fates,
    told_of,
)
from geotools.schema import PLAN_LAYERS
from geotools.tool import Outcome, Progress

__all__ = ["open_folder", "plan_districts"]

STYLES = "styles"  # folder of the styles of all GeoPackages of a batch
# The plans of all districts have the same layers: one folder does for them and the summary.
_LAYERS = (*PLAN_LAYERS, "district_results", "district_runs")
_STYLE_FILES = tuple(f"{STYLES}/{name}.sld" for name in style_names(_LAYERS))


@contextmanager
def open_folder(path: Path) -> Iterator[Path]:
    """Give the folder of a batch, made if need be, and keep other batches out of it.

    Where a batch ends in an error before it wrote anything, what was made for it goes again.

    Raises
    ------
    OutputError
        If it is no folder, cannot be made, no GeoPackage can be written in it, or another batch
        is at work there.
    """
    folder = path.resolve()
    odd = odd_letters(folder)
    if odd:
        raise OutputError(
            f"{path}: no GeoPackage can be written to a path with {odd} in it; "
            "choose another name or folder"
        )
    made = [part for part in (folder, *folder.parents) if not part.exists()]
    fresh = not (folder / LOCK).exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / LOCK).touch()
    except OSError as error:
        raise OutputError(
            f"{path}: no folder can be used there ({error.strerror}); choose another or change "
            "its permissions"
        ) from error
    with ExitStack() as undo:
        for part in reversed(made):
            undo.callback(_leave, part.rmdir)
        with locked(folder), ExitStack() as within:
            if fresh and not (folder / NAME).exists():
                within.callback(_unmark, folder)
            yield folder
            within.pop_all()
        undo.pop_all()


def _unmark(folder: Path) -> None:
    """Remove the mark of a batch that wrote nothing; within its lock, or another may hold it."""
    if not (folder / NAME).exists():
        _leave((folder / LOCK).unlink)


def _leave(remove: Callable[[], None]) -> None:
    """Remove what is empty or not in use; some systems remove no file that is open."""
    with suppress(OSError):
        remove()


def plan_districts(brief: Brief, call: Call, progress: Progress) -> Outcome:
    """Plan every district, keep the manifest, write the summary."""
    call = replace(call, frames=told_apart(call.frames))
    torn = manifest_fault(call.folder) if call.overwrite else ""
    before, made = ({}, set()) if torn else (_earlier(call), _made(call.folder))
    summary, styles = call.folder / SUMMARY, call.folder / STYLES
    check_target(summary, overwrite=True)
    if brief.output.styles:
        check_styles(summary, _LAYERS, overwrite=True, folder=styles)
    layers, districts = read_network(brief, call, progress)
    had = {name: before[name] for name in districts["name"] if name in before}
    names = file_names(districts["name"], had, {SUMMARY})
    _check_files(brief, call, {*_own_files(brief), *names.values()}, made)
    begun = workers_begun(workers=call.workers, scheduler=call.scheduler, memory=call.memory)
    with begun as workers:
        share = share_out(layers, districts, brief, progress)
        names = file_names(with_runs(share), had, {SUMMARY})
        _check_files(brief, call, {*_own_files(brief), *names.values()}, made)
        jobs, entries = district_jobs(share, brief, call, before, names)
        workers()  # nothing is written for workers that cannot be reached
        aside = set_manifest_aside(call.folder) if torn else ""
        edited = keep_edited({name: job.target for name, job in jobs.items()}, before)
        files = {*_own_files(brief), *(job.target.name for job in jobs.values())}
        files |= {name for name in made if (call.folder / name).exists()}
        spared = districts_spared(share, call.folder, before)
        write_manifest(call.folder, entries | spared, files)
        progress("planning districts", 0, len(jobs))
        results = run_all(jobs, plan_district, workers=workers, retries=call.retries)
        for done, result in enumerate(results, start=1):
            name = result.name
            entries[name] = _remembering(_entry(result, jobs[name]), before.get(name))
            write_manifest(call.folder, entries | spared, files)
            progress("planning districts", done, len(jobs))
    progress("writing the summary")
    back = read_back(call.folder, entries)
    write_manifest(call.folder, entries | spared, files)
    _report_aside(share.layers, aside)
    _report_edited(share.layers, edited)
    kept = keep_summary(summary)
    _report_summary(share.layers, kept)
    stale = _report_stale(share.layers, call.folder, entries | spared, {*edited.values()})
    report_across(share.layers, call.folder, entries | spared)
    report_failed(share, entries)
    fates = _fates(entries, before, jobs, edited)
    tables = summary_tables(share, brief, back, entries, fates)
    units = brief.output.units
    wanted, crs = brief.output.styles, share.layers.output_crs
    with styles_beside(summary, _LAYERS, units=units, folder=styles, wanted=wanted):
        write_geopackage(summary, tables, crs=crs, units=units, overwrite=True)
    told = told_of(share, back, entries, stale, units) | told_fates(fates)
    told["edited"] = {name: edited[name] for name in sorted(edited)}
    told["manifest_kept"], told["summary_kept"] = aside, kept
    told["spared"] = sorted(name for name, entry in spared.items() if entry.file)
    return outcome_of(tables, brief, call, told)


def _fates(
    entries: dict[str, Entry],
    before: dict[str, Entry],
    jobs: dict[str, Job],
    edited: dict[str, str],
) -> dict[str, Fate]:
    whole = {name for name, job in jobs.items() if job.before is not None}
    return {
        name: fate_of(entry, before.get(name), whole=name in whole, edited=name in edited)
        for name, entry in entries.items()
    }


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
        spare(targets, named_files(sources_of(brief)))
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


def _report_aside(layers: Layers, aside: str) -> None:
    """Say what a manifest that could not be read is called now; "" where there was none."""
    if aside:
        layers.findings.add(
            "warning",
            "manifest-unread",
            "is the manifest of an earlier batch, which could not be read: it was begun anew, and "
            "files it made are not known as such; delete it if nobody needs it",
            feature=aside,
        )


def _report_edited(layers: Layers, edited: dict[str, str]) -> None:
    """Say where the plans lie that somebody edited since; ``edited`` as of `keep_edited`."""
    layers.findings.add_many(
        "warning",
        "edited-plan",
        [
            f"is the plan of district {name} as it was found: not as the batch wrote it, edited "
            "since; a new plan has its name; see what of it is to be taken over"
            for name in edited
        ],
        features=list(edited.values()),
    )


def _report_summary(layers: Layers, kept: str) -> None:
    """Say what a summary that somebody's layers lie in is called now; "" where there was none."""
    if kept:
        layers.findings.add(
            "warning",
            "edited-summary",
            "is the summary as it was found, with layers that no batch wrote; a new one has its "
            "name; see what of it is to be taken over",
            feature=kept,
        )


def _report_stale(
    layers: Layers, folder: Path, entries: dict[str, Entry], told: set[str]
) -> list[str]:
    """Return the plans in the folder that this batch did not make or keep; each is a finding.

    Those ``told`` have a finding already.
    """
    stale = other_plans(folder, {SUMMARY, *(entry.file for entry in entries.values()), *told})
    layers.findings.add_many(
        "warning",
        "stale-plan",
        "lies in the folder and is no plan of this batch: what it says may be out of date; move "
        "or delete it",
        features=stale,
    )
    return stale


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


def _remembering(entry: Entry, last: Entry | None) -> Entry:
    """Have a district that failed know its last plan, which lies there until a new one does."""
    if last is None or entry.status not in FAILED:
        return entry
    return replace(entry, sha256=last.sha256)


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
