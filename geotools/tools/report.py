"""The tool ``report``: a plan, a screening, a comparison or a batch as one HTML file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from geotools.cautions import IN_SHORT
from geotools.tool import Key, Outcome, Parameter, Progress, Tool
from geotools.tools._parameters import OVERWRITE

__all__ = ["TOOL", "report"]

TOOL = Tool(
    name="report",
    title="Report a plan, screening, comparison or batch",
    summary=(
        "Writes a plan, a screening, a comparison or the summary of a batch as one HTML file that "
        "needs no network: map, profiles, forces, tables to sort and filter, quantities, findings, "
        "cautions and every setting."
    ),
    function="geotools.tools.report:report",
    parameters=(
        Parameter(
            "plan",
            "path",
            "GeoPackage written by plan, screen, compare or batch (its summary)",
            required=True,
            positional=True,
        ),
        Parameter("output", "path", "HTML file to write", required=True, short="o"),
        Parameter("title", "text", "heading; the name of the file if not given"),
        OVERWRITE,
    ),
    says=(
        Key("output", "text", "file written"),
        Key("bytes", "integer", "its size"),
        Key("rows", "table", "rows by table"),
        Key("plan", "text", "plan reported"),
        Key("unplaced", "list", "layers and features that are not on the map, and why"),
    ),
)


def report(
    *, plan: Path, output: Path, title: str | None, overwrite: bool, progress: Progress
) -> Outcome:
    """Write the report of a plan, a screening, a comparison or the summary of a batch.

    Parameters
    ----------
    plan, output : Path
    title : str, optional
    overwrite : bool
    progress : Progress

    Raises
    ------
    LayerError
        If the file is none of these, or a layer cannot be read.
    OutputError
        If the report cannot be written.
    """
    from geotools.deliver.files import check_file
    from geotools.deliver.read_plan import read_plan
    from geotools.deliver.report.html_file import write_report

    target = check_file(output, suffix=".html", overwrite=overwrite)
    file = read_plan(plan, needs=())
    progress("report", 0.0)
    content = write_report(target, file, title=title or "", overwrite=overwrite)
    rows = {name: table["rows"] for name, table in content["tables"].items()}
    told = _told(rows, len(content["profiles"]))
    size = target.stat().st_size
    lines = [
        f"report    {told}, {rows.get('findings', 0):,} findings",
        *(f"left out  of the map: {text}" for text in content["unplaced"]),
        f"written   {target} ({size / 1e6:.1f} MB); opens in any browser, without a network",
        IN_SHORT,
    ]
    summary = {
        "output": str(target),
        "bytes": size,
        "rows": rows,
        "plan": str(plan),
        "unplaced": content["unplaced"],
    }
    return Outcome(summary, "\n".join(lines))


def _told(rows: Mapping[str, int], profiles: int) -> str:
    """Return what the report is of, in a few words."""
    if "comparison" in rows:
        return f"{rows['comparison_totals']:,} plans compared"
    if "ranking" in rows:
        return f"{rows['ranking']:,} runs ranked"
    if "district_results" in rows:
        return f"{rows['district_results']:,} districts"
    return f"{profiles:,} profiles, {rows.get('pulls', 0):,} pulls"
