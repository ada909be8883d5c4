"""The tools ``joints.schedule`` and ``joints.check``: joints to be fused, joints as fused."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geotools.tool import Outcome, Parameter, Progress, Tool, ToolError

if TYPE_CHECKING:
    from geotools.deliver.joints import Schedule
    from geotools.deliver.read_plan import PlanFile

__all__ = ["TOOLS", "schedule"]

_PLAN = Parameter("plan", "path", "GeoPackage written by plan", required=True, positional=True)
_OVERWRITE = Parameter("overwrite", "flag", "replace files that exist")
_UNITS = Parameter(
    "units", "choice", "units of the columns written; those of the plan if not given",
    choices=("si", "us"),
)  # fmt: skip
_SHARED = (
    Parameter(
        "procedure",
        "choice",
        "how polyethylene is fused: ASTM F2620, or ISO 21307 single high or low pressure",
        default="f2620",
        choices=("f2620", "iso_shp", "iso_slp"),
    ),
    Parameter(
        "procedure_file",
        "path",
        "TOML file with your own qualified written procedure; PVC is never judged without one",
    ),
    Parameter(
        "tail",
        "quantity",
        "carrier on top of the plan at each end of a pull",
        default="0 m",
        measure="length",
    ),
    Parameter("only", "text", "run or pull wanted; all if not given", multiple=True),
)

TOOLS = (
    Tool(
        name="joints.schedule",
        title="List the joints to be fused",
        summary=(
            "Lists every fused joint of a plan: where it comes to rest, the pieces on both "
            "sides, and the window of the fusing procedure. Exit code 1 if a pipe has no window."
        ),
        function="geotools.tools.joints:schedule",
        outputs=("joints",),
        parameters=(
            _PLAN,
            Parameter("output", "path", "CSV or GeoPackage", command_requires=True, short="o"),
            _OVERWRITE,
            _UNITS,
            *_SHARED,
        ),
    ),
)


def schedule(
    *,
    plan: Path,
    output: Path | None,
    overwrite: bool,
    units: str | None,
    procedure: str,
    procedure_file: Path | None,
    tail: float,
    only: tuple[str, ...],
    progress: Progress,
) -> Outcome:
    """List every fused joint of a plan.

    Parameters
    ----------
    plan, output : Path
    overwrite : bool
    units : {"si", "us"}, optional
    procedure : str
    procedure_file : Path, optional
    tail : float
        m.
    only : tuple of str
    progress : Progress

    Raises
    ------
    LayerError
        If the plan or the procedure cannot be used.
    OutputError
        If the schedule cannot be written.
    """
    from geotools.deliver.read_plan import read_plan

    target = None if output is None else _target(output, overwrite)
    file = read_plan(plan)
    system = units or file.units
    progress("joints", 0.0)
    made = _schedule(file, procedure, procedure_file, tail, only)
    if target is not None:
        progress("writing", 0.0)
        _write_layers(target, {"joints": made.joints}, file, system, overwrite=overwrite)
    return _told(made, target)


def _schedule(
    file: PlanFile, procedure: str, procedure_file: Path | None, tail: float, only: tuple[str, ...]
) -> Schedule:
    from geotools.deliver.joints import joint_schedule
    from geotools.deliver.procedure import read_procedure

    if not 0.0 <= tail <= 100.0:
        raise ToolError("joints", [f"tail: {tail:g} m is out of range, 0 to 100 m"])
    own = None if procedure_file is None else read_procedure(procedure_file)
    return joint_schedule(file, procedure=procedure, own=own, tail=tail, only=only)


def _target(output: Path, overwrite: bool) -> Path:
    """Check the output, a GeoPackage or a CSV file."""
    from geotools.deliver.files import check_file
    from geotools.deliver.geopackage import check_target

    if output.suffix.lower() == ".csv":
        return check_file(output, suffix=".csv", overwrite=overwrite)
    if output.suffix.lower() == ".gpkg":
        return check_target(output, overwrite)
    raise ToolError("joints", [f"output: {output}: give it a name ending in .csv or .gpkg"])


def _write_layers(
    target: Path, layers: dict[str, Any], file: PlanFile, units: str, *, overwrite: bool
) -> None:
    from geotools.deliver.columns import GEOMETRY, contract_table
    from geotools.deliver.csv_file import write_csv
    from geotools.deliver.geopackage import write_geopackage

    if target.suffix.lower() == ".csv":
        ((name, frame),) = layers.items()
        write_csv(target, contract_table(name, frame, units=units).drop_columns(GEOMETRY))
        return
    system: Literal["si", "us"] = "us" if units == "us" else "si"
    write_geopackage(target, layers, crs=file.crs, units=system, overwrite=overwrite)


def _told(made: Schedule, target: Path | None) -> Outcome:
    joints = made.joints
    between = int(joints["intermediate"].sum())
    unknown = int((joints["procedure"] == "").sum())
    summary = {
        "joints": len(joints),
        "intermediate": between,
        "pulls": int(joints["pull_id"].nunique()),
        "without_window": unknown,
        "gaps": list(made.gaps),
        "output": None if target is None else str(target),
    }
    lines = [
        f"joints    {len(joints):,} in {summary['pulls']} pulls, {between} of them between strings "
        "in the insertion pit",
        *(f"missing   {gap}" for gap in made.gaps),
        *([f"written   {target}"] if target is not None else []),
        "The limits are planning values; the qualified written procedure of the job decides.",
    ]
    return Outcome(summary, "\n".join(lines), failed=bool(made.gaps), layers={"joints": joints})
