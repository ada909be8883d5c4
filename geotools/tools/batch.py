"""The tool ``batch``: a plan for every district, and all of them in one table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.tool import Key, Outcome, Parameter, Progress, Tool
from geotools.tools._parameters import ALLOW_REMOTE, ONLY, PLANNED_LAYERS, UNITS

if TYPE_CHECKING:
    from geotools.brief import Brief

__all__ = ["TOOL", "batch"]

TOOL = Tool(
    name="batch",
    title="Plan district by district",
    summary=(
        "Plans every district on its own, on several processors or a cluster, and puts the "
        "results side by side. A run that crosses a border is planned once, whole, in the district "
        "most of it lies in. Exit code 1 if a district failed, though the others are done all the "
        "same, or if no run lies in any."
    ),
    function="geotools.tools.batch:batch",
    takes_brief=True,
    inputs=PLANNED_LAYERS,
    outputs=("district_results", "district_runs", "findings", "settings", "inputs"),
    parameters=(
        Parameter("output", "path", "folder for the plans", required=True, short="o"),
        Parameter(
            "workers",
            "integer",
            "processes on this machine; without it one district after the other in this process",
        ),
        Parameter("scheduler", "text", "address of a Dask scheduler to use instead"),
        Parameter(
            "memory", "text", "bound on the memory of each worker, such as 4GiB", default="auto"
        ),
        Parameter("retries", "integer", "tries more after a worker died", default=2),
        Parameter("resume", "flag", "go on with an earlier batch: redo what failed or changed"),
        Parameter(
            "overwrite",
            "flag",
            "begin anew in a folder that holds a batch, and replace files that exist",
        ),
        ONLY,
        UNITS,
        ALLOW_REMOTE,
    ),
    says=(
        Key("districts", "table", "districts by status"),
        Key("runs", "integer", "runs of the districts done"),
        Key("planned_length", "number", "length of the runs planned", "length"),
        Key("cost", "number", "planning cost of all runs, in the brief's currency"),
        Key("failures", "table", "districts that failed, and why"),
        Key("runs_failed", "integer", "runs of districts that failed or were set aside"),
        Key("length_failed", "number", "length of these runs", "length"),
        Key("runs_outside_districts", "integer", "runs that touch no district"),
        Key("runs_not_chosen", "integer", "runs that network.only leaves out"),
        Key(
            "length_outside_districts",
            "number",
            "length of the runs that touch no district",
            "length",
        ),
        Key("findings", "table", "findings by severity, in all plans and the summary together"),
        Key("findings_distinct", "table", "the same, each counted once however often it is told"),
        Key("findings_of_summary", "table", "findings by severity, in the summary"),
        Key("findings_by_district", "table", "findings by severity, in each plan"),
        Key("shared_saving_within_districts", "number", "as shared_saving of plan, added up"),
        Key("stale_plans", "list", "plans in the folder that are none of this batch"),
        Key("spared", "list", "districts not chosen (network.only) whose earlier plan stays"),
        Key("kept", "list", "districts whose earlier plan was kept"),
        Key("renewed", "list", "of these, those whose inputs and settings are told anew"),
        Key("planned", "table", "districts planned and why, where there was an earlier batch"),
        Key("edited", "table", "districts whose plan was edited since, and the name it now has"),
        Key("summary_kept", "text", "name a summary with layers of others now has"),
        Key("manifest_kept", "text", "name a manifest that could not be read now has"),
        Key("output", "text", "folder written to"),
    ),
)


def batch(
    brief: Brief,
    *,
    layers: Mapping[str, Any] | None,
    output: Path,
    workers: int | None,
    scheduler: str | None,
    memory: str,
    retries: int,
    resume: bool,
    overwrite: bool,
    allow_remote: bool,
    progress: Progress,
) -> Outcome:
    """Plan every district.

    Parameters
    ----------
    brief : Brief
    layers : mapping, optional
        GeoDataFrames by layer; every district is handed what lies around it.
    output : Path
        Folder, made if it is not there.
    workers, scheduler, memory, retries
        As `run_all`.
    resume, overwrite : bool
        What to do with a folder that holds a batch.
    allow_remote : bool
    progress : Progress

    Raises
    ------
    LayerError
        If the mains or the districts cannot be used.
    OutputError
        If the folder cannot be used.
    WorkersError
        If processes for the workers cannot be begun.
    """
    from geotools.scale.batch import open_folder, plan_districts
    from geotools.scale.engine import check_process
    from geotools.scale.manifest import sweep
    from geotools.scale.share import Call
    from geotools.tool import ToolError

    check_process(workers=workers is not None)
    faults = _faults(workers, scheduler, memory, retries)
    if faults:
        raise ToolError("batch", faults)
    with open_folder(output) as folder:
        call = Call(
            *(folder, workers, scheduler, memory, retries, resume, overwrite, allow_remote),
            layers or {},
        )
        sweep(folder, overwrite=overwrite)
        return plan_districts(brief, call, progress)


def _faults(
    workers: int | None,
    scheduler: str | None,
    memory: str,
    retries: int,
) -> list[str]:
    """Return what is wrong with how the work is to be shared out."""
    from geotools.scale.engine import memory_fault

    faults = []
    if workers is not None and workers < 1:
        faults.append(f"workers: {workers} is less than 1")
    if workers is not None and scheduler is not None:
        faults.append("give workers or scheduler, not both")
    elif fault := memory_fault(workers, memory):
        faults.append(fault)
    if retries < 0:
        faults.append(f"retries: {retries} is less than 0")
    return faults
