"""Cautions: what goes with every result, for the work can hurt someone."""

from __future__ import annotations

__all__ = ["AT_RATES", "CAUTIONS", "IN_SHORT"]

# The last line of what a tool says of its result.
IN_SHORT = "Planning values only: competent persons, local codes and licensed practice decide."

# What is said of every cost: settings tell each rate and who set it.
AT_RATES = "at the rates under settings"

CAUTIONS: dict[str, str] = {
    "caution.planning": (
        "All values are planning values only. A competent person, the local codes and licensed "
        "practice decide; check every value before it is used on site."
    ),
    "caution.excavation": (
        "Depth, slope, support and entry of every excavation are decided on site by a competent "
        "person under the local code; locate other services before digging."
    ),
    "caution.traffic": (
        "Traffic control follows the local code and an approved traffic control plan; closures "
        "drawn here are no such plan."
    ),
    "caution.lifting": (
        "Lifting and handling of pipe strings needs its own lift plan by a competent person."
    ),
    "caution.tension": (
        "Keep clear of ropes, rods and pipe under tension; the force limits of pipe, head and "
        "machine are those of their makers, and the pull is watched and logged."
    ),
    "caution.pressure_testing": (
        "Pressure testing stores energy that can kill; test by an approved procedure with "
        "restrained ends and people kept away."
    ),
}
