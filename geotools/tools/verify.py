"""The tool ``verify``: every rule of a written plan, worked out again from its file alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.tool import Key, Outcome, Parameter, Progress, Tool

if TYPE_CHECKING:
    from geotools.deliver.verify.optimum import Optimum
    from geotools.deliver.verify.rules import Verdict
    from geotools.deliver.verify.tally import Rule

__all__ = ["TOOL", "verify"]

SHOWN = 5  # faults of a rule shown to a reader; --json has them all

TOOL = Tool(
    name="verify",
    title="Check a written plan again",
    summary=(
        "Works every rule of a plan out again from its GeoPackage alone, by code of its own: "
        "coverage, lengths, forces both ways, bends, sites, strings, cost, units, "
        "references, findings. Exit code 1 if one does not hold."
    ),
    function="geotools.tools.verify:verify",
    parameters=(
        Parameter(
            "plan",
            "path",
            "GeoPackage written by plan, or folder written by batch: all its plans",
            required=True,
            positional=True,
        ),
        Parameter(
            "optimum",
            "text",
            "also solve the choice of pits of this run, or of several with commas, as a "
            "mixed-integer model",
            multiple=True,
        ),
        Parameter("rules", "text", "only this rule, or several with commas", multiple=True),
    ),
    says=(
        Key("plan", "text", "plan checked, or folder of a batch"),
        Key("checked", "integer", "checks made"),
        Key("failed", "integer", "checks that do not hold"),
        Key("rules", "list", "rules, what each checked and did not, and every fault"),
        Key("other_program", "list", "plans made by another version of the program than this"),
        Key("without_plan", "list", "districts of the batch that have no plan, in words"),
        Key("optimum", "list", "runs solved anew: cost of the plan and the best there is"),
    ),
)


def verify(
    *, plan: Path, optimum: tuple[str, ...], rules: tuple[str, ...], progress: Progress
) -> Outcome:
    """Check every rule of a plan, or of every plan of a batch.

    Parameters
    ----------
    plan : Path
        GeoPackage written by the tool ``plan``, or folder written by ``batch``.
    optimum : tuple of str
        Runs whose choice of pits is solved again.
    rules : tuple of str
        Names of the rules wanted; all if empty.
    progress : Progress

    Raises
    ------
    LayerError
        If there is no such file, or it is no plan.
    ToolError
        If there is no such rule or run.
    """
    from geotools.comparing.batches import read_batch
    from geotools.deliver.read_plan import read_plan
    from geotools.deliver.verify.rules import RULES, together
    from geotools.lists import words_apart
    from geotools.program import program

    named, runs = words_apart(rules), words_apart(optimum)
    wanted = [rule for rule in RULES if not named or rule.name in named]
    _known("rules", named, [rule.name for rule in RULES])
    batch = read_batch(plan) if plan.is_dir() else None
    files = [plan] if batch is None else [one.path for one in batch.plans]
    _known("optimum", runs, _run_ids(files) if runs else [])
    parts: dict[str, list[Verdict]] = {}
    solved: list[Optimum] = []
    older: dict[str, str] = {}
    for file in files:
        parts[file.name], optima = _checked(file, wanted, runs, progress)
        solved += optima
        if (made := read_plan(file).program) != program():
            older[file.name] = made
    verdicts = parts[plan.name] if batch is None else together(parts)
    lost = [] if batch is None else batch.without_plan()["text"].tolist()
    summary = _summary(plan, verdicts, solved) | {
        "other_program": list(older),
        "without_plan": lost,
    }
    failed = bool(summary["failed"] or lost) or not all(one.holds for one in solved)
    told = _other_program(older) if summary["failed"] else []
    text = "\n".join([*told, _text(verdicts, solved, lost)])
    return Outcome(summary, text, failed=failed)


def _other_program(older: dict[str, str]) -> list[str]:
    """Say that plans are of another version of the program: their faults may be none."""
    from geotools.lists import listed
    from geotools.program import program

    if not older:
        return []
    made = sorted({text or "too old to say which" for text in older.values()})
    return [
        f"{listed(list(older), most=3)}: made by another version of the program than this one "
        f"({listed(made, most=3)}; this is {program()}). What fails below may come from rules and "
        "settings that changed since, and need be no fault of the file: plan again."
    ]


def _run_ids(files: list[Path]) -> list[str]:
    from geotools.deliver.read_plan import read_plan

    tables = [read_plan(file).table("runs", ("run_id",)) for file in files]
    return [str(name) for table in tables for name in table["run_id"]]


def _checked(
    file: Path, rules: list[Rule], runs: list[str], progress: Progress
) -> tuple[list[Verdict], list[Optimum]]:
    """Check one plan by these rules, and solve those of the runs that are in it."""
    from geotools.deliver.verify.optimum import solve_run
    from geotools.deliver.verify.plan import load_plan
    from geotools.deliver.verify.rules import check
    from geotools.tools.plan import TOOL as PLAN

    progress(f"reading {file.name}")
    written = load_plan(file, PLAN.outputs)
    verdicts, solved = [], []
    for number, rule in enumerate(rules):
        progress(f"checking {rule.name}", number, len(rules))
        verdicts.append(check(written, rule))
    here = {str(run.run_id) for run in written.rows("runs")} if runs else set()
    for run_id in [one for one in runs if one in here]:
        progress(f"solving {run_id}")
        solved.append(solve_run(written, run_id))
    return verdicts, solved


def _known(name: str, given: list[str], known: list[str]) -> None:
    """Refuse names that none bears."""
    import difflib

    from geotools.tool import ToolError

    faults = []
    for one in given:
        if one not in known:
            near = difflib.get_close_matches(one, known, n=1, cutoff=0.0)
            hint = f"; did you mean {near[0]}?" if near else ""
            faults.append(f"{name}: there is no {one!r}{hint}")
    if faults:
        raise ToolError("verify", faults)


def _summary(plan: Path, verdicts: list[Verdict], solved: list[Optimum]) -> dict[str, Any]:
    """Return what was checked, with every fault."""
    return {
        "plan": str(plan),
        "checked": sum(v.checked for v in verdicts),
        "failed": sum(len(v.faults) for v in verdicts),
        "rules": [
            {
                "rule": v.rule.name,
                "text": v.rule.text,
                "checked": v.checked,
                "failed": len(v.faults),
                "not_checked": list(v.skipped),
                "faults": [
                    {"layer": f.layer, "feature": f.feature, "text": f.text} for f in v.faults
                ],
            }
            for v in verdicts
        ],
        "optimum": [one.summary() for one in solved],
    }


def _lost_text(lost: list[str]) -> str:
    many = f"{len(lost)} districts have" if len(lost) > 1 else "1 district has"
    return f" {many} no plan." if lost else ""


def _text(verdicts: list[Verdict], solved: list[Optimum], lost: list[str]) -> str:
    """Return a table of the rules, then what failed and what was not checked."""
    from geotools.text_table import table

    rows = [(v.rule.name, v.checked, len(v.faults), v.rule.text) for v in verdicts]
    lines = [table(("rule", "checked", "failed", "what holds"), rows)]
    for v in verdicts:
        lines += [f"not checked, {v.rule.name}: {text}" for text in v.skipped]
    for v in verdicts:
        for fault in v.faults[:SHOWN]:
            where = " ".join(part for part in (fault.layer, fault.feature) if part)
            lines.append(f"FAILED {v.rule.name}: {where}: {fault.text}")
        if len(v.faults) > SHOWN:
            lines.append(f"FAILED {v.rule.name}: and {len(v.faults) - SHOWN} more (--json)")
    lines += [f"FAILED {text}" for text in lost]
    lines += [one.text() for one in solved]
    count = sum(len(v.faults) for v in verdicts)
    held = sum(v.checked for v in verdicts) - count
    lines.append(f"{held:,} checks hold, {count:,} fail.{_lost_text(lost)}")
    return "\n".join(lines)
