"""Layers and parameters that several tools declare alike."""

from __future__ import annotations

from geotools.schema import INPUTS, SCREENED
from geotools.tool import Parameter

__all__ = [
    "ALLOW_REMOTE",
    "ALL_LAYERS",
    "ONLY",
    "OVERWRITE",
    "PLAN",
    "PLANNED_LAYERS",
    "RUNS",
    "UNITS",
    "WRITTEN",
]

ALL_LAYERS = (*INPUTS, "dem")
PLANNED_LAYERS = tuple(name for name in ALL_LAYERS if name not in SCREENED)
PLAN = Parameter("plan", "path", "GeoPackage written by plan", required=True, positional=True)
RUNS = Parameter(
    "runs", "text", "run wanted, or several with commas; all if not given", multiple=True
)
WRITTEN = Parameter("output", "path", "GeoPackage to write", command_requires=True, short="o")
OVERWRITE = Parameter("overwrite", "flag", "replace files that exist")
UNITS = Parameter(
    "units",
    "choice",
    "units of the columns written; default: as the brief says",
    choices=("si", "us"),
    setting="output.units",
)
ONLY = Parameter(
    "only",
    "text",
    "run to plan, or main whose runs to plan; several with commas between them. Default: all",
    multiple=True,
    setting="network.only",
)
ALLOW_REMOTE = Parameter("allow_remote", "flag", "also read layers from the network")
