"""The tool ``plan``: pits and pulls for every run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.schema import PLAN_LAYERS
from geotools.tool import Key, Outcome, Progress, Tool
from geotools.tools._parameters import ALLOW_REMOTE, ONLY, OVERWRITE, PLANNED_LAYERS, UNITS, WRITTEN

if TYPE_CHECKING:
    from geotools.brief import Brief

__all__ = ["TOOL", "plan"]

TOOL = Tool(
    name="plan",
    title="Plan pits and pulls",
    summary=(
        "Lays out the lining of every run of mains: where the access pits go, how long each "
        "pull is and from which end, what force it needs and what it costs. Exit code 0 also where "
        "runs have no plan: their status and reason say why."
    ),
    function="geotools.tools.plan:plan",
    takes_brief=True,
    inputs=PLANNED_LAYERS,
    outputs=PLAN_LAYERS,
    parameters=(
        WRITTEN,
        OVERWRITE,
        ONLY,
        UNITS,
        ALLOW_REMOTE,
    ),
    says=(
        Key("runs", "table", "runs by status"),
        Key("planned_length", "number", "length of the runs planned", "length"),
        Key("pits", "integer", "pits planned"),
        Key("pulls", "integer", "pulls planned"),
        Key("longest_pull", "number", "longest pull planned", "length"),
        Key("cost", "number", "planning cost of all runs, in the brief's currency"),
        Key("shared_saving", "number", "what pits on one ground would save as one; in no cost"),
        Key("findings", "table", "findings by severity"),
        Key("output", "text", "GeoPackage written", open=True),
        Key("content_hash", "text", "hash of all layers: the same for the same result"),
    ),
)


def plan(
    brief: Brief,
    *,
    layers: Mapping[str, Any] | None,
    output: Path | None,
    overwrite: bool,
    allow_remote: bool,
    progress: Progress,
) -> Outcome:
    """Plan pits and pulls for every run of a network.

    Parameters
    ----------
    brief : Brief
    layers : mapping of str to GeoDataFrame, optional
        Layers in memory; they beat those of the brief.
    output : Path, optional
        GeoPackage to write.
    overwrite, allow_remote : bool
    progress : Progress

    Raises
    ------
    LayerError
        If a layer cannot be used.
    OutputError
        If the plan cannot be written.
    """
    from geotools.accel import give_back
    from geotools.deliver.geopackage import check_target
    from geotools.deliver.sld import check_styles
    from geotools.intake.read import read_layers
    from geotools.layout.tables import plan_tables, summarise, write_plan
    from geotools.layout.whole import lay_out_plan

    target = None if output is None else check_target(output, overwrite)
    styles = target is not None and brief.output.styles
    if target is not None and styles:
        check_styles(target, TOOL.outputs, overwrite=overwrite)
    # What is read and laid out is held by nobody here: each step lets go what it needs no more.
    drawn = plan_tables(
        lay_out_plan(
            read_layers(brief, frames=layers, allow_remote=allow_remote, progress=progress),
            brief,
            progress,
            allow_remote=allow_remote,
        ),
        brief,
    )
    wkb = drawn.encoded()
    give_back()
    if target is not None:
        progress("writing", 0.0)
        write_plan(target, drawn, brief, wkb, overwrite=overwrite, styled=styles)
    return summarise(drawn, brief, target, wkb)
