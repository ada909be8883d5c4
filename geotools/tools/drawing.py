"""The tool ``drawing``: a plan as a DXF drawing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from geotools.cautions import IN_SHORT
from geotools.tool import Key, Outcome, Parameter, Progress, Tool, ToolError
from geotools.tools._parameters import OVERWRITE, PLAN, RUNS

if TYPE_CHECKING:
    from geotools.deliver.drawing import Drawn

__all__ = ["TOOL", "drawing"]

TOOL = Tool(
    name="drawing",
    title="Draw a plan",
    summary=(
        "Draws a plan as DXF, in the coordinates of the plan: pits and fittings as blocks with "
        "attributes, host and pulls as 3-D polylines, lettering sized for the print."
    ),
    function="geotools.tools.drawing:drawing",
    outputs=(),
    parameters=(
        PLAN,
        Parameter("output", "path", "DXF file to write", command_requires=True, short="o"),
        Parameter("scale", "number", "scale of the print, 500 for 1:500", default=500.0),
        RUNS,
        OVERWRITE,
    ),
    says=(
        Key("crs", "text", "CRS of the drawing"),
        Key("unit", "text", "its unit of length"),
        Key("scale", "number", "scale that texts and symbols are for, 1 to this"),
        Key("runs", "integer", "runs drawn"),
        Key("entities", "table", "entities by layer"),
        Key("lines_without_level", "integer", "lines drawn flat, at 0"),
        Key("output", "text", "file written", open=True),
    ),
)
_SCALES = (10.0, 50_000.0)


def drawing(
    *,
    plan: Path,
    output: Path | None,
    scale: float,
    runs: tuple[str, ...],
    overwrite: bool,
    progress: Progress,
) -> Outcome:
    """Draw a plan.

    Parameters
    ----------
    plan, output : Path
    scale : float
        Of the print.
    runs : tuple of str
    overwrite : bool
    progress : Progress

    Raises
    ------
    LayerError
        If the plan cannot be used.
    OutputError
        If the drawing cannot be written.
    ToolError
        If the scale is none.
    """
    from geotools.deliver.drawing import draw_plan, write_drawing
    from geotools.deliver.files import check_file
    from geotools.deliver.read_plan import read_plan
    from geotools.lists import words_apart

    low, high = _SCALES
    if not low <= scale <= high:
        raise ToolError("drawing", [f"scale: 1:{scale:g} is out of range, 1:{low:g} to 1:{high:g}"])
    target = None if output is None else check_file(output, suffix=".dxf", overwrite=overwrite)
    file = read_plan(plan)
    progress("drawing", 0.0)
    drawn = draw_plan(file, scale=scale, runs=words_apart(runs))
    if target is not None:
        progress("writing", 0.0)
        write_drawing(target, drawn, overwrite=overwrite)
    return _told(drawn, scale, target)


def _told(drawn: Drawn, scale: float, target: Path | None) -> Outcome:
    """Say what was drawn and where it was written."""
    from geotools.deliver.wording import print_scale

    counts, place = drawn.counts(), drawn.place
    summary = {
        "crs": place.name,
        "unit": place.unit_name,
        "scale": scale,
        "runs": drawn.runs,
        "entities": counts,
        "lines_without_level": drawn.flat,
        "output": None if target is None else str(target),
    }
    print_at = print_scale(scale, drawn.units)
    lines = [
        f"drawing   {sum(counts.values()):,} entities on {len(counts)} layers, for {print_at}",
        f"CRS       {place.name}, in {place.unit_name}"
        + (f"; not that of the plan: {place.reason}" if place.reason else ""),
        *([f"levels    {drawn.flat} lines drawn flat, at 0: levels not known"] * bool(drawn.flat)),
        *([f"written   {target}"] if target is not None else []),
        IN_SHORT,
    ]
    return Outcome(summary, "\n".join(lines))
