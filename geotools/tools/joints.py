"""The tools ``joints.schedule`` and ``joints.check``: joints to be fused, joints as fused."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geotools.lists import words_apart
from geotools.schema import CUT_OUT, DIMENSIONS, NOT_CHECKED, NOT_HELD, OUTPUTS
from geotools.tool import Key, Outcome, Parameter, Progress, Tool, ToolError
from geotools.tools._lettering import FONT, LACKING, lacking_lines, lettered_by
from geotools.tools._parameters import OVERWRITE, PLAN, WRITTEN

if TYPE_CHECKING:
    import pandas as pd

    from geotools.deliver.joints.asbuilt import Checked
    from geotools.deliver.joints.records import Records
    from geotools.deliver.joints.schedule import Machine, Schedule
    from geotools.deliver.read_plan import PlanFile

__all__ = ["TOOLS", "check", "schedule"]

_CHECKED = ("asbuilt_joints", "asbuilt_pulls")
_TOLD = 10  # joints that do not pass, and pulls, in the text; the layers have all
_SCHEDULE, _CHECK = "joints schedule", "joints check"
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
        "carrier on top of the plan at each end of every pull; if not given, what the plan "
        "leaves out of the host at head and tail, pull by pull",
        measure="length",
    ),
    Parameter(
        "only",
        "text",
        "run or pull wanted, or several with commas; all if not given",
        multiple=True,
    ),
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
            PLAN,
            Parameter("output", "path", "CSV or GeoPackage", command_requires=True, short="o"),
            OVERWRITE,
            _UNITS,
            *_SHARED,
            Parameter(
                "piston_area",
                "quantity",
                "total effective piston area of the fusion machine, for the pressure on its gauge",
                measure="area",
            ),
            Parameter(
                "drag",
                "quantity",
                "gauge pressure that just moves the carriage, measured at the joint; none if not "
                "given",
                measure="pressure",
            ),
        ),
        says=(
            Key("joints", "integer", "joints scheduled"),
            Key("intermediate", "integer", "of these between strings, in the insertion pit"),
            Key("pulls", "integer", "pulls they are of"),
            Key(
                "joints_planned", "integer", "joints the plan counts in these pulls, none for tails"
            ),
            Key("tails", "integer", "joints on top of these, for what is left at the ends"),
            Key("tail_length", "number", "carrier left at the ends of these pulls", "length"),
            Key("without_window", "integer", "joints without a time to fuse in"),
            Key("gaps", "list", "what the plan does not say"),
            Key("output", "text", "file written", open=True),
        ),
    ),
    Tool(
        name="joints.check",
        title="Check records of joints and pulls",
        summary=(
            "Holds the inspector's records of fused joints, and of pulls, against the plan: joints "
            "missing, double or unknown, values out of the window, people and machines not "
            "qualified, joints made too late, machines at two joints at once. Exit code 1 if any "
            "joint or pull does not pass."
        ),
        function="geotools.tools.joints:check",
        outputs=("asbuilt_joints", "asbuilt_pulls"),
        parameters=(
            PLAN,
            Parameter(
                "records",
                "path",
                "CSV of joint records, or several",
                required=True,
                positional=True,
                multiple=True,
            ),
            WRITTEN,
            Parameter("csv", "path", "CSV of the joints to write as well"),
            Parameter("report", "path", "PDF to write as well: one page, more for long notes"),
            FONT,
            OVERWRITE,
            _UNITS,
            Parameter("pulls", "path", "CSV of pull records"),
            Parameter(
                "schedule",
                "path",
                "the schedule as it was issued, CSV: for records that bear no mark of their pull, "
                "and to hold its windows against those of this check",
            ),
            Parameter("qualifications", "path", "CSV of who and what is qualified, and when"),
            Parameter(
                "map",
                "text",
                "which column of the joint records is which, OURS=THEIRS, such as drag_psi='P 0'",
                multiple=True,
            ),
            Parameter("map_file", "path", "the same for all files read, as TOML"),
            Parameter("encoding", "text", "encoding of files that are not UTF-8", default="utf-8"),
            Parameter(
                "date_format",
                "text",
                "how times that are not ISO 8601 are written, such as %d.%m.%Y %H:%M; the time of "
                "day may be left out",
            ),
            *_SHARED,
        ),
        says=(
            Key("joints", "table", "joints by verdict"),
            Key("pulls", "table", "pulls by verdict"),
            Key("procedures", "list", "procedures that joints were judged by"),
            Key("rules", "table", "faults by rule"),
            Key("notes", "list", "what was assumed"),
            Key("output", "text", "GeoPackage written", open=True),
            Key("csv", "text", "CSV written", open=True),
            Key("report", "text", "report written", open=True),
            dataclasses.replace(LACKING, open=True),
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
    tail: float | None,
    only: tuple[str, ...],
    piston_area: float | None,
    drag: float | None,
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
    tail : float, optional
        m.
    only : tuple of str
    piston_area : float, optional
        m2.
    drag : float, optional
        Pa.
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
    _check_styles(target, ("joints",), file, overwrite=overwrite)
    system = units or file.units
    progress("joints", 0.0)
    machine = _machine(piston_area, drag)
    _check_tail(_SCHEDULE, tail)
    given = (procedure, procedure_file, tail)
    made = _schedule(file, *given, system, only=words_apart(only), machine=machine)
    if target is not None:
        progress("writing", 0.0)
        _write_layers(target, {"joints": made.joints}, file, system, overwrite=overwrite)
    planned = _without_tails(file, made)
    return _told(made, target, planned, _gauges(made, machine, system), units=system)


def _gauges(made: Schedule, machine: Machine | None, units: str) -> list[str]:
    """Say what to set on the gauge of the machine, pipe by pipe."""
    from geotools.deliver.wording import shown

    if machine is None:
        return []
    pipes = made.joints.drop_duplicates("carrier")
    pipes = pipes[pipes["gauge_low"].notna()]
    drag = f"drag {shown(machine.drag, 'pressure', units)}" if machine.drag else "no drag"
    return [
        *(
            f"gauge     {pipe.carrier}: "
            + ("" if pipe.gauge != pipe.gauge else f"{shown(pipe.gauge, 'pressure', units)}, ")
            + f"{shown(pipe.gauge_low, 'pressure', units)} to "
            f"{shown(pipe.gauge_high, 'pressure', units)}"
            for pipe in pipes.itertuples()
        ),
        f"          with {drag}; measure the drag at every joint and put it in",
    ]


def _without_tails(file: PlanFile, made: Schedule) -> int:
    """Return the joints the plan counts in the pulls of a schedule; it counts none for tails."""
    planned = file.table("pulls", ("pull_id", "joints"))
    return int(planned.loc[planned["pull_id"].isin(made.tails.index), "joints"].sum())


def _schedule(
    file: PlanFile,
    procedure: str,
    procedure_file: Path | None,
    tail: float | None,
    units: str,
    *,
    only: Sequence[str] = (),
    machine: Machine | None = None,
) -> Schedule:
    from geotools.deliver.joints.procedure import read_procedure
    from geotools.deliver.joints.schedule import joint_schedule

    own = None if procedure_file is None else read_procedure(procedure_file)
    return joint_schedule(
        file, procedure=procedure, own=own, tail=tail, machine=machine, only=only, units=units
    )


def _check_tail(command: str, tail: float | None) -> None:
    if tail is not None and not 0.0 <= tail <= 100.0:
        raise ToolError(command, [f"tail: {tail:g} m is out of range, 0 to 100 m"])


def _machine(piston_area: float | None, drag: float | None) -> Machine | None:
    """Return the fusion machine; None where nothing is said of it."""
    from geotools.deliver.joints.schedule import Machine

    if piston_area is None:
        if drag is not None:
            raise ToolError(_SCHEDULE, ["drag: give the piston area of the machine as well"])
        return None
    faults = []
    if not 1e-5 <= piston_area <= 1.0:
        faults.append(f"piston_area: {piston_area * 1e4:g} cm2 is out of range, 0.1 to 10,000 cm2")
    drag = 0.0 if drag is None else drag
    if not 0.0 <= drag <= 3e7:
        faults.append(f"drag: {drag / 1e5:g} bar is out of range, 0 to 300 bar")
    if faults:
        raise ToolError(_SCHEDULE, faults)
    return Machine(piston_area, drag)


def _target(output: Path, overwrite: bool) -> Path:
    """Check the output, a GeoPackage or a CSV file."""
    from geotools.deliver.files import check_file
    from geotools.deliver.geopackage import check_target

    if output.suffix.lower() == ".csv":
        return check_file(output, suffix=".csv", overwrite=overwrite)
    if output.suffix.lower() == ".gpkg":
        return check_target(output, overwrite)
    raise ToolError(_SCHEDULE, [f"output: {output}: give it a name ending in .csv or .gpkg"])


def _styled(target: Path | None, file: PlanFile) -> bool:
    """Say whether styles go beside an output: beside a GeoPackage, if the plan has them."""
    if target is None or target.suffix.lower() != ".gpkg":
        return False
    return file.styled


def _check_styles(
    target: Path | None, layers: tuple[str, ...], file: PlanFile, *, overwrite: bool
) -> None:
    from geotools.deliver.sld import check_styles

    if target is not None and _styled(target, file):
        check_styles(target, layers, overwrite=overwrite, by_brief=False)


def _with_levels(name: str, frame: Any, file: PlanFile) -> Any:
    """Return a layer with its levels, read as metres, in the unit the CRS of the plan has."""
    import geopandas

    from geotools.deliver.levels import scaled_levels
    from geotools.intake.crs import level_unit

    if not OUTPUTS[name].geometry or not OUTPUTS[name].geometry[0].endswith(" Z"):
        return frame
    lines = scaled_levels(frame.geometry.to_numpy(), 1 / level_unit(file.crs)[1])
    return frame.set_geometry(geopandas.GeoSeries(lines, frame.index, crs=file.crs))


def _write_layers(
    target: Path, layers: dict[str, Any], file: PlanFile, units: str, *, overwrite: bool
) -> None:
    from geotools.deliver.columns import GEOMETRY, contract_table
    from geotools.deliver.csv_file import write_csv
    from geotools.deliver.geopackage import write_geopackage
    from geotools.deliver.sld import styles_beside

    if target.suffix.lower() == ".csv":
        ((name, frame),) = layers.items()
        table = contract_table(name, frame, units=units).drop_columns(GEOMETRY)
        write_csv(target, table, overwrite=overwrite)
        return
    system: Literal["si", "us"] = "us" if units == "us" else "si"
    layers = {name: _with_levels(name, frame, file) for name, frame in layers.items()}
    styled = _styled(target, file)
    with styles_beside(target, layers, units=system, overwrite=overwrite, wanted=styled):
        write_geopackage(target, layers, crs=file.crs, units=system, overwrite=overwrite)


def _told(
    made: Schedule, target: Path | None, planned: int, gauges: Sequence[str], *, units: str
) -> Outcome:
    from geotools.deliver.wording import in_system

    joints = made.joints
    between = int(joints["intermediate"].sum())
    unknown = int((joints["procedure"] == "").sum())
    summary = {
        "joints": len(joints),
        "intermediate": between,
        "pulls": int(joints["pull_id"].nunique()),
        "joints_planned": planned,
        "tails": len(joints) - planned,
        f"tail_length_{DIMENSIONS['length'].suffix(units)}": in_system(
            float(made.tails.sum()), "length", units
        ),
        "without_window": unknown,
        "gaps": list(made.gaps),
        "output": None if target is None else str(target),
    }
    lines = [
        f"joints    {len(joints):,} in {summary['pulls']} pulls, {between} of them between strings "
        "in the insertion pit",
        *(f"tails     {note}" for note in made.notes),
        *(
            [
                f"          {len(joints) - planned:+,} joints beside the {planned:,} of the plan, "
                "which counts none for tails"
            ]
            if len(joints) != planned
            else []
        ),
        *gauges,
        *(f"missing   {gap}" for gap in made.gaps),
        *([f"written   {target}"] if target is not None else []),
        "The limits are planning values; the qualified written procedure of the job decides.",
    ]
    return Outcome(summary, "\n".join(lines), failed=bool(made.gaps), layers={"joints": joints})


def check(
    *,
    plan: Path,
    records: tuple[Path, ...],
    output: Path | None,
    csv: Path | None,
    report: Path | None,
    font: Path | None,
    overwrite: bool,
    units: str | None,
    pulls: Path | None,
    schedule: Path | None,
    qualifications: Path | None,
    map: tuple[str, ...],
    map_file: Path | None,
    encoding: str,
    date_format: str | None,
    procedure: str,
    procedure_file: Path | None,
    tail: float | None,
    only: tuple[str, ...],
    progress: Progress,
) -> Outcome:
    """Hold the records of joints and pulls against a plan.

    Parameters
    ----------
    plan, output, csv, report, pulls, schedule, qualifications : Path
    records : tuple of Path
    font, map_file, procedure_file : Path, optional
    units, procedure, encoding, date_format : str
    map, only : tuple of str
    tail : float, optional
        m.
    overwrite : bool
    progress : Progress

    Raises
    ------
    LayerError, OutputError, ToolError
        If the plan or a file of records cannot be used, a result not be written, a parameter not
        be taken.
    """
    from geotools.deliver.joints.schedule import wanted_pulls
    from geotools.deliver.read_plan import read_plan

    targets = _check_targets(output, csv, report, font, overwrite=overwrite)
    file = read_plan(plan)
    _check_styles(targets.get("output"), _CHECKED, file, overwrite=overwrite)
    single = {"pulls": pulls, "schedule": schedule, "qualifications": qualifications}
    read = _read_all(records, single, map, map_file, encoding, date_format or "")
    _check_tail(_CHECK, tail)
    system = units or file.units
    made = _schedule(file, procedure, procedure_file, tail, system)
    wanted = words_apart(only)
    progress("checking", 0.0)
    checked = _checked(file, made, read, wanted_pulls(file, wanted) if wanted else None, system)
    with _lettering(targets, font) as lacking:
        _write_check(targets, checked, file, system, records, only=wanted, overwrite=overwrite)
    return _told_check(checked, targets, len(lacking))


def _lettering(targets: Mapping[str, Path], font: Path | None) -> AbstractContextManager[set[str]]:
    """Return what letters are drawn within, where anything is drawn."""
    return lettered_by(_CHECK, font) if "report" in targets else nullcontext(set())


def _check_targets(
    output: Path | None,
    csv: Path | None,
    report: Path | None,
    font: Path | None,
    *,
    overwrite: bool,
) -> dict[str, Path]:
    from geotools.deliver.files import check_file
    from geotools.deliver.geopackage import check_target

    targets = {} if output is None else {"output": check_target(output, overwrite)}
    for name, path, suffix in (("csv", csv, ".csv"), ("report", report, ".pdf")):
        if path is not None:
            targets[name] = check_file(path, suffix=suffix, overwrite=overwrite)
    if font is not None and report is None:
        raise ToolError(_CHECK, ["font: give the report it is for as well"])
    return targets


def _check_records(paths: Sequence[Path]) -> None:
    """Refuse a file of records that is given twice: every joint of it would be double."""
    known = [path.resolve() for path in paths]
    twice = [str(path) for k, path in enumerate(paths) if known[k] in known[:k]]
    if twice:
        raise ToolError(_CHECK, [f"records: {path} is given twice" for path in twice])


def _read_all(
    records: Sequence[Path],
    single: Mapping[str, Path | None],
    pairs: tuple[str, ...],
    map_file: Path | None,
    encoding: str,
    date_format: str,
) -> dict[str, Records]:
    """Read the files of records that are given; those of joints may be several."""
    from geotools.deliver.joints.records import ReadAs, parse_pairs, read_files, read_map

    _check_records(records)
    maps = {} if map_file is None else read_map(map_file)
    maps["records"] = {**maps.get("records", {}), **parse_pairs(pairs)}
    paths = {"records": records} | {n: (path,) for n, path in single.items() if path is not None}
    return {
        name: read_files(of, name, ReadAs(maps.get(name, {}), encoding, date_format))
        for name, of in paths.items()
    }


def _checked(
    file: PlanFile,
    made: Schedule,
    read: Mapping[str, Records],
    only: list[str] | None,
    units: str,
) -> Checked:
    """Hold the records that were given against joints and pulls, those asked for if any are."""
    import numpy as np

    from geotools.deliver.joints.asbuilt import check_records
    from geotools.deliver.joints.asbuilt_pulls import PLANNED

    now = np.datetime64(datetime.now(UTC).replace(tzinfo=None), "s")
    checked = check_records(
        made.joints,
        file.table("pulls", (*PLANNED, "start", "end")),
        read["records"],
        pull_records=read.get("pulls"),
        qualifications=read.get("qualifications"),
        issued=read.get("schedule"),
        tails=made.tails,
        now=now,
        only=only,
        units=units,
    )
    tails = tuple(f"the schedule counts for tails: {note}" for note in made.notes)
    return dataclasses.replace(checked, notes=(*checked.notes, *tails))


def _write_check(
    targets: Mapping[str, Path],
    checked: Checked,
    file: PlanFile,
    units: str,
    records: Sequence[Path],
    *,
    only: Sequence[str],
    overwrite: bool,
) -> None:
    layers = dict(zip(_CHECKED, (checked.joints, checked.pulls), strict=True))
    if "output" in targets:
        _write_layers(targets["output"], layers, file, units, overwrite=overwrite)
    if "csv" in targets:
        one = {"asbuilt_joints": checked.joints}
        _write_layers(targets["csv"], one, file, units, overwrite=overwrite)
    if "report" in targets:
        from geotools.deliver.joints.report import write_report

        write_report(
            targets["report"],
            checked,
            plan=file.path.name,
            records=", ".join(path.name for path in records),
            units=units,
            only=only,
            overwrite=overwrite,
        )


def _not_passing(kind: str, table: pd.DataFrame) -> Iterator[str]:
    """Yield a line for some joints or pulls that do not pass, rare faults first, and the rest."""
    from geotools.deliver.joints.reasons import rarest_first

    bad = table[~table["verdict"].isin(NOT_HELD)]
    bad = bad.iloc[rarest_first(bad["reasons"])]
    for name, why in zip(bad[f"{kind}_id"].head(_TOLD), bad["reasons"].head(_TOLD), strict=True):
        yield f"{kind:<10}{name or 'no name'}: {why}"
    if len(bad) > _TOLD:
        yield f"{'':<10}and {len(bad) - _TOLD:,} more"


def _told_check(checked: Checked, targets: Mapping[str, Path], lacking: int) -> Outcome:
    verdicts = ("pass", "fail", "missing", "unknown")
    joints = {v: int((checked.joints["verdict"] == v).sum()) for v in (*verdicts, CUT_OUT)}
    pulls = {v: int((checked.pulls["verdict"] == v).sum()) for v in (*verdicts, NOT_CHECKED)}
    summary = {
        "joints": joints,
        "pulls": pulls,
        "procedures": list(checked.procedures),
        "rules": checked.rules,
        "notes": list(checked.notes),
        **{name: str(path) for name, path in targets.items()},
        **({LACKING.name: lacking} if "report" in targets else {}),
    }
    lines = [
        "joints    " + ", ".join(f"{n:,} {v}" for v, n in joints.items()),
        "pulls     " + ", ".join(f"{n:,} {v}" for v, n in pulls.items()),
        f"judged    by {' and '.join(checked.procedures) or 'no known procedure'}",
        *(f"rule      {rule}: {n:,}" for rule, n in checked.rules.items()),
        *_not_passing("joint", checked.joints),
        *_not_passing("pull", checked.pulls),
        *(f"note      {note}" for note in checked.notes),
        *lacking_lines(lacking),
        *(f"written   {path}" for path in targets.values()),
    ]
    return Outcome(
        summary,
        "\n".join(lines),
        failed=checked.failed,
        layers={"asbuilt_joints": checked.joints, "asbuilt_pulls": checked.pulls},
    )
