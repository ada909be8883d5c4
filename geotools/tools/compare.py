"""The tool ``compare``: plans made from different briefs, over the same mains, side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geotools.cautions import AT_RATES, IN_SHORT
from geotools.criteria import COMPARED
from geotools.tool import Key, Outcome, Parameter, Progress, Tool, ToolError
from geotools.tools._parameters import OVERWRITE, WRITTEN

if TYPE_CHECKING:
    from geotools.deliver.read_plan import PlanFile

__all__ = ["TOOL", "compare"]

LEAST = 2  # plans to be set side by side
SHOWN = 15  # rows of settings and runs shown to a reader; the GeoPackage has them all

TOOL = Tool(
    name="compare",
    title="Compare plans",
    summary=(
        "Sets plans of the same mains side by side, made from different briefs, carriers or "
        "objectives: cost, pits, longest pull, lane-days, head and capacity, run by run and in "
        "sum; which plans no other beats, and which settings differ."
    ),
    function="geotools.tools.compare:compare",
    outputs=(
        "comparison",
        "comparison_totals",
        "settings_differ",
        "findings",
        "settings",
        "inputs",
    ),
    parameters=(
        Parameter(
            "plans",
            "path",
            "GeoPackages written by plan, or folders written by batch, two or more",
            required=True,
            positional=True,
            multiple=True,
            least=LEAST,
        ),
        WRITTEN,
        Parameter("csv", "path", "CSV of the runs to write as well"),
        OVERWRITE,
        Parameter(
            "units",
            "choice",
            "units of the columns written; those of the first plan if not given",
            choices=("si", "us"),
        ),
        Parameter(
            "criteria",
            "choice",
            "what counts; all if not given",
            choices=tuple(COMPARED),
            multiple=True,
        ),
    ),
    says=(
        Key("plans", "list", "totals of every plan, as in comparison_totals"),
        Key("criteria", "list", "what counted"),
        Key("settings_differ", "table", "by setting, its value in every plan"),
        Key("findings", "table", "findings by severity"),
        Key("output", "list", "files written"),
    ),
)


def compare(
    *,
    plans: tuple[Path, ...],
    output: Path | None,
    csv: Path | None,
    overwrite: bool,
    units: str | None,
    criteria: tuple[str, ...],
    progress: Progress,
) -> Outcome:
    """Compare plans of the same mains.

    Parameters
    ----------
    plans : tuple of Path
        GeoPackages written by the tool ``plan``, or folders written by ``batch``.
    output, csv : Path, optional
    overwrite : bool
    units : {"si", "us"}, optional
    criteria : tuple of str
        What counts; all if empty.
    progress : Progress

    Raises
    ------
    LayerError
        If a plan cannot be used, or is of other mains or in another currency.
    OutputError
        If the comparison cannot be written.
    ToolError
        If there are not two plans.
    """
    from geotools.comparing.batches import read_batch
    from geotools.comparing.plans import compare_plans
    from geotools.deliver.files import check_file, spare
    from geotools.deliver.geopackage import check_target
    from geotools.deliver.read_plan import read_plan
    from geotools.deliver.sld import check_styles

    _check_plans(plans)
    target = None if output is None else check_target(output, overwrite)
    rows = None if csv is None else check_file(csv, suffix=".csv", overwrite=overwrite)
    files = [read_batch(path) if path.is_dir() else read_plan(path) for path in plans]
    spare([path for path in (target, rows) if path is not None], _read_from(files))
    if target is not None and files[0].styled:
        check_styles(target, TOOL.outputs, overwrite=overwrite, by_brief=False)
    system: Literal["si", "us"] = files[0].units if units is None else _system(units)
    progress("comparing", 0.0)
    layers = compare_plans(files, criteria=criteria or tuple(COMPARED), units=system)
    progress("writing", 0.0)
    _write(layers, target, rows, files[0], system, overwrite=overwrite)
    return _told(layers, files[0], system, criteria or tuple(COMPARED), [target, rows])


def _read_from(files: Sequence[PlanFile]) -> list[Path]:
    """Return every file that is read, those of the folder of a batch too."""
    return [path for file in files for path in file.files()]


def _system(units: str) -> Literal["si", "us"]:
    return "us" if units == "us" else "si"


def _check_plans(plans: Sequence[Path]) -> None:
    places = [path.resolve() for path in plans]
    twice = [str(p) for k, p in enumerate(plans) if places[k] in places[:k]]
    faults = [f"plans: {path} is given twice" for path in twice]
    if len(plans) < LEAST:
        faults.append("plans: give two or more to compare")
    if faults:
        raise ToolError("compare", faults)


def _write(
    layers: dict[str, Any],
    target: Path | None,
    csv: Path | None,
    first: PlanFile,
    system: Literal["si", "us"],
    *,
    overwrite: bool,
) -> None:
    from geotools.deliver.columns import GEOMETRY, contract_table
    from geotools.deliver.csv_file import write_csv
    from geotools.deliver.geopackage import write_geopackage
    from geotools.deliver.sld import styles_beside

    if target is not None:
        styled = first.styled
        with styles_beside(target, layers, units=system, overwrite=overwrite, wanted=styled):
            write_geopackage(target, layers, crs=first.crs, units=system, overwrite=overwrite)
    if csv is not None:
        table = contract_table("comparison", layers["comparison"], units=system)
        write_csv(csv, table.drop_columns(GEOMETRY), overwrite=overwrite)


def _told(
    layers: Mapping[str, Any],
    first: PlanFile,
    system: str,
    criteria: Sequence[str],
    targets: Sequence[Path | None],
) -> Outcome:
    """Put the comparison into a summary and a few tables."""
    from geotools.deliver.columns import contract_table

    totals = contract_table("comparison_totals", layers["comparison_totals"], units=system)
    written = [path for path in targets if path is not None]
    differ, findings = layers["settings_differ"], layers["findings"]
    summary = {
        "plans": totals.to_pylist(),
        "criteria": list(criteria),
        "settings_differ": {
            str(name): dict(zip(rows["plan"], rows["value"], strict=True))
            for name, rows in differ.groupby("name", sort=False)
        },
        "findings": findings["severity"].value_counts().to_dict(),
        "output": [str(path) for path in written],
    }
    currency = first.settings.get("rates.currency", "")
    lines = [
        _totals_text(totals.to_pylist(), system, currency),
        "",
        _settings_text(differ),
        "",
        _runs_text(layers["comparison"]),
        "",
        f"counted: {', '.join(criteria)}",
        *(f"{row.severity:9} {row.text}" for row in findings.head(SHOWN).itertuples()),
        *([f"          and {len(findings) - SHOWN} more findings"] * (len(findings) > SHOWN)),
        *(f"written   {path}" for path in written),
        IN_SHORT,
    ]
    return Outcome(summary, "\n".join(lines), layers=layers)


def _totals_text(totals: Sequence[Mapping[str, Any]], system: str, currency: str) -> str:
    """Return the plans over the runs planned in all of them."""
    from geotools.schema import OUTPUTS
    from geotools.text_table import table

    field = OUTPUTS["comparison_totals"].field
    unit = "ft" if system == "us" else "m"
    shown = (
        ("cost", "common_cost", 0),
        ("pits", "common_pit_count", 0),
        (f"longest pull {unit}", "common_longest_pull", 0),
        ("lane-days", "common_lane_days", 0),
        (f"head {unit}", "common_head_after", 1),
        ("least capacity", "common_capacity_ratio", 2),
    )
    rows = [
        (
            row["plan"],
            f"{row['runs_planned']} of {row['runs']}",
            *(_number(row[field(name).column(system)], digits) for _, name, digits in shown),
            row["best_in"],
            row["dominated_by"] or "none",
        )
        for row in totals
    ]
    heads = ("plan", "runs planned", *(head for head, _, _ in shown), "best in", "beaten by")
    common = totals[0]["common_runs"]
    head = f"Over the {common} runs planned in all of them; cost in {currency} {AT_RATES} of each"
    return f"{head}\n\n{table(heads, rows)}"


def _number(value: float | None, digits: int) -> float | str:
    if value is None:
        return ""
    return round(value, digits) if digits else round(value)


def _settings_text(differ: Any) -> str:
    from geotools.text_table import table

    if differ.empty:
        return "The plans differ in no setting."
    plans = list(dict.fromkeys(differ["plan"]))
    rows = [(name, *rows["value"]) for name, rows in differ.groupby("name", sort=False)]
    more = [f"and {len(rows) - SHOWN} more settings"] * (len(rows) > SHOWN)
    return "\n".join([table(("setting", *plans), rows[:SHOWN]), *more])


def _runs_text(comparison: Any) -> str:
    """Return the runs that plans differ in, each with the plans no other beats."""
    from geotools.text_table import table

    rows, alike, unplanned = [], 0, 0
    for _, group in comparison.groupby("number", sort=False):
        if not (group["status"] == "planned").any():
            unplanned += 1
            continue
        if not group["best_in"].any() and not group["dominated_by"].any():
            alike += int(len(group) > 1)
            continue
        cheapest = group.loc[group["cheapest"], "plan"]
        efficient = group.loc[group["efficient"], "plan"]
        rows.append((group["run_id"].iloc[0], ", ".join(cheapest), ", ".join(efficient)))
    more = [f"and {len(rows) - SHOWN} more runs"] * (len(rows) > SHOWN)
    none = [f"In {alike} runs no plan is better than another in what counts."] * (alike > 0)
    none += [f"For {unplanned} runs there is nothing planned in any of them."] * (unplanned > 0)
    shown = [table(("run", "cheapest", "beaten by none"), rows[:SHOWN])] * bool(rows)
    return "\n".join([*shown, *more, *none])
