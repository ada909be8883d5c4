"""The tool ``screen``: every run ranked by need and by suitability."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.tool import Key, Outcome, Progress, Tool
from geotools.tools._parameters import ALL_LAYERS, ALLOW_REMOTE, OVERWRITE, UNITS, WRITTEN

if TYPE_CHECKING:
    from geotools.brief import Brief

__all__ = ["TOOL", "screen"]

TOOL = Tool(
    name="screen",
    title="Screen a whole system",
    summary=(
        "Ranks every run of mains by need and by suitability for lining, each criterion with "
        "value, limit and verdict, and sets a quick cost beside that of open cut. The mains "
        "alone are enough."
    ),
    function="geotools.tools.screen:screen",
    takes_brief=True,
    inputs=(
        *("mains", "fittings", "valves", "laterals", "hydrants", "breaks"),
        *("streets", "avoid", "districts", "dem"),
    ),
    outputs=(
        "ranking",
        "ranking_mains",
        "criteria",
        "marks",
        "findings",
        "settings",
        "inputs",
    ),
    parameters=(
        WRITTEN,
        OVERWRITE,
        UNITS,
        ALLOW_REMOTE,
    ),
    says=(
        Key("runs", "integer", "runs ranked"),
        Key("verdicts", "table", "runs by verdict"),
        Key("length", "number", "length of all runs", "length"),
        Key("mains", "integer", "mains of the source"),
        Key("mains_not_considered", "integer", "mains of the source that are in no run ranked"),
        Key(
            "criteria_known",
            "table",
            "by criterion, how many runs have a value of it, on record or assumed",
        ),
        Key("first", "list", "the first runs of the ranking, ten at most"),
        Key(
            "budget",
            "table",
            "what screening.budget holds: runs, those doubtful, length, cost, left, passed over; "
            "none without a budget",
            open=True,
        ),
        Key("findings", "table", "findings by severity"),
        Key("output", "text", "GeoPackage written", open=True),
        Key("content_hash", "text", "hash of all layers: the same for the same result"),
    ),
)


def screen(
    brief: Brief,
    *,
    layers: Mapping[str, Any] | None,
    output: Path | None,
    overwrite: bool,
    allow_remote: bool,
    progress: Progress,
) -> Outcome:
    """Rank every run of a network, or those chosen (``network.only``).

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
        If the ranking cannot be written.
    """
    from geotools.deliver.geopackage import check_target, write_geopackage
    from geotools.deliver.sld import check_styles, styles_beside
    from geotools.intake.read import read_layers
    from geotools.screening.assess import screen_network
    from geotools.screening.tables import screening_tables, summarise_screening

    target = None if output is None else check_target(output, overwrite)
    styles = brief.output.styles
    if target is not None and styles:
        check_styles(target, TOOL.outputs, overwrite=overwrite)
    read = read_layers(
        brief,
        frames=layers,
        allow_remote=allow_remote,
        progress=progress,
        elsewhere={*ALL_LAYERS} - {*TOOL.inputs} | {"districts"},  # they change no ranking
        screened=True,
    )
    screened = screen_network(read, brief, progress, allow_remote=allow_remote)
    tables = screening_tables(screened, read, brief)
    if target is not None:
        progress("writing", 0.0)
        units = brief.output.units
        crs = read.output_crs
        with styles_beside(target, tables, units=units, overwrite=overwrite, wanted=styles):
            write_geopackage(target, tables, crs=crs, units=units, overwrite=overwrite)
    return summarise_screening(tables, brief, target)
