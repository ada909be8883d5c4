"""The tool ``sheets``: plan and profile of every run on PDF sheets to true scale."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from geotools.cautions import IN_SHORT
from geotools.errors import BriefError
from geotools.tool import Key, Outcome, Parameter, Progress, Tool, ToolError
from geotools.tools._lettering import FONT, LACKING, lacking_lines, lettered_by
from geotools.tools._parameters import OVERWRITE, PLAN, RUNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from geotools.deliver.sheets.book import Book

__all__ = ["TOOL", "sheets"]

_SMALLEST, _LARGEST = 100, 10_000

TOOL = Tool(
    name="sheets",
    title="Draw plan and profile sheets",
    summary=(
        "Draws a written plan as PDF sheets to true scale: for every run plan strips with streets, "
        "pits, pulls, strings and closures, the profile under them, schedules; a cover with index, "
        "quantities and the runs that have no plan."
    ),
    function="geotools.tools.sheets:sheets",
    parameters=(
        PLAN,
        Parameter("output", "path", "PDF to write", required=True, short="o"),
        OVERWRITE,
        Parameter(
            "paper",
            "choice",
            "size of the sheets; a3, or ansi-b for a plan in US units, if not given",
            choices=("a3", "a1", "ansi-b", "ansi-d"),
        ),
        Parameter(
            "scale",
            "integer",
            "scale, the number under the 1 (500; 480 is 1 in = 40 ft); a standard one that fits "
            "if not given",
        ),
        RUNS,
        Parameter("field", "text", "text of the title block, or the note on every sheet, over "
                  "that of the brief's section sheets, such as revision=B or note=\"...\"",
                  multiple=True),
        FONT,
    ),
    says=(
        Key("sheets", "integer", "sheets drawn"),
        Key("strips", "integer", "sheets of plan and profile"),
        Key("schedules", "integer", "sheets of schedules"),
        Key("runs", "list", "runs drawn"),
        Key("runs_without_plan", "integer", "runs wanted that have no plan"),
        Key("paper", "text", "paper they are for"),
        Key("missing", "list", "layers the plan lacks, so not shown"),
        LACKING,
        Key("output", "text", "file written"),
    ),
)  # fmt: skip


def sheets(
    *,
    plan: Path,
    output: Path,
    overwrite: bool,
    paper: str | None,
    scale: int | None,
    runs: tuple[str, ...],
    field: tuple[str, ...],
    font: Path | None,
    progress: Progress,
) -> Outcome:
    """Draw plan and profile sheets of a plan.

    Parameters
    ----------
    plan, output : Path
    overwrite : bool
    paper : str, optional
    scale : int, optional
    runs, field : tuple of str
    font : Path, optional
    progress : Progress

    Raises
    ------
    LayerError
        If the plan cannot be used.
    ToolError
        If a parameter cannot be taken.
    OutputError
        If the sheets cannot be written.
    """
    from geotools.deliver.files import check_file
    from geotools.deliver.read_plan import read_plan
    from geotools.deliver.sheets.book import make_book, write_book
    from geotools.deliver.sheets.model import load_plan
    from geotools.deliver.sheets.paper import PAPERS
    from geotools.lists import words_apart

    target = check_file(output, suffix=".pdf", overwrite=overwrite)
    if scale is not None and not _SMALLEST <= scale <= _LARGEST:
        raise ToolError("sheets", [f"scale: {scale} is out of range, {_SMALLEST} to {_LARGEST}"])
    file = read_plan(plan)
    texts = _fields(file.settings, field)
    progress("reading", 0.0)
    read = load_plan(file, runs=words_apart(runs))
    given = {f"sheets.{name}": value for name, value in texts.items()}
    read = replace(read, settings={**read.settings, **given})
    size = PAPERS[paper or ("ansi-b" if file.units == "us" else "a3")]
    with lettered_by("sheets", font) as lacking:
        book = make_book(read, size, scale=scale, fields=texts, progress=progress)
        write_book(target, book, overwrite=overwrite, progress=progress)
    return _told(book, target, len(lacking))


def _fields(settings: Mapping[str, str], given: tuple[str, ...]) -> dict[str, str]:
    """Return the texts of the title block, and the note: of the plan's settings, then as given."""
    from geotools.brief import load_brief
    from geotools.deliver.sheets.book import FIELDS

    own, faults = {}, []
    for pair in given:
        name, equals, value = pair.partition("=")
        if equals and name.strip() in FIELDS:
            own[name.strip()] = value.strip()
        else:
            faults.append(f"field: {pair!r} is not NAME=TEXT with one of {', '.join(FIELDS)}")
    try:  # they are settings of the brief, and no longer than those may be
        load_brief(overrides={f"sheets.{name}": value for name, value in own.items()})
    except BriefError as error:
        faults += [f"field: {fault.removeprefix('sheets.')}" for fault in error.faults]
    if faults:
        raise ToolError("sheets", faults)
    return {name: settings.get(f"sheets.{name}", "") for name in FIELDS} | own


def _told(book: Book, target: Path, lacking: int) -> Outcome:
    from geotools.deliver.sheets.book import HINT

    plan = book.plan
    kinds = {kind: sum(s.kind == kind for s in book.sheets) for kind in ("strip", "schedule")}
    without = len(plan.wanted) - len(plan.axes)
    summary = {
        "sheets": len(book.sheets),
        "strips": kinds["strip"],
        "schedules": kinds["schedule"],
        "runs": list(plan.axes),
        "runs_without_plan": without,
        "paper": book.paper.name,
        "missing": list(plan.missing),
        "letters_lacking": lacking,
        "output": str(target),
    }
    lines = [
        f"sheets    {len(book.sheets)} of {book.paper.name}: {kinds['strip']} plan and profile, "
        f"{kinds['schedule']} of schedules, {len(plan.axes)} runs; {without} runs without a plan",
        *(f"not shown {layer}: the plan has no such layer" for layer in plan.missing),
        *lacking_lines(lacking),
        *([f"large     {HINT}"] if book.large else []),
        f"written   {target}",
        IN_SHORT,
    ]  # fmt: skip
    return Outcome(summary, "\n".join(lines))
