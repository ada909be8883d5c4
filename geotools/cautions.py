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
    "caution.line_of_fire": (
        "While a pull moves nobody is in its insertion or receiving pit, nor in any other pit or "
        "dig open along it; a stop signal works between both ends."
    ),
    "caution.reaction": (
        "The pulling machine bears on its anchorage, or on the face of the pit, with all its "
        "force: have that designed; no pit here is planned for it."
    ),
    "caution.release": (
        "A pulled string is a spring: slack the winch from outside the pits, let nobody in until "
        "the tension is off and the string has rested, then hold both ends, then cut."
    ),
    "caution.confined_space": (
        "Pits and old mains are confined spaces: permit, gas test, air and a watch outside."
    ),
    "caution.pressure_testing": (
        "Pressure testing stores energy that can kill; test by an approved procedure with ends and "
        "caps restrained against pressure times area, and people kept away."
    ),
    "caution.test_water": (
        "Chlorinated and test water is dechlorinated, and let off only where there is leave for it."
    ),
    "caution.old_materials": (
        "Asbestos cement, coal tar or bitumen linings and lead joints of old mains are cut, "
        "cleaned and carted off only by people licensed for it."
    ),
}
