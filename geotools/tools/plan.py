"""The tool ``plan``: pits and pulls for every run."""

from __future__ import annotations

from geotools.tool import Parameter, Tool

__all__ = ["TOOL"]

TOOL = Tool(
    name="plan",
    title="Plan pits and pulls",
    summary=(
        "Lays out the lining of every run of mains: where the access pits go, how long each "
        "pull is and from which end, what force it needs and what it costs."
    ),
    function="geotools.tools.plan:plan",
    takes_brief=True,
    inputs=(
        "mains",
        "fittings",
        "valves",
        "laterals",
        "hydrants",
        "sources",
        "streets",
        "avoid",
        "districts",
        "pit_edits",
        "dem",
    ),
    outputs=(
        "runs",
        "stations",
        "bends",
        "candidates",
        "pits",
        "pit_footprints",
        "pulls",
        "findings",
        "settings",
        "inputs",
    ),
    parameters=(
        Parameter("output", "path", "GeoPackage to write", command_requires=True, short="o"),
        Parameter("overwrite", "flag", "replace the GeoPackage if it exists"),
        Parameter(
            "units",
            "choice",
            "units of the columns written; default: as the brief says",
            choices=("si", "us"),
            setting="output.units",
        ),
        Parameter("allow_remote", "flag", "also read layers from the network"),
    ),
)
