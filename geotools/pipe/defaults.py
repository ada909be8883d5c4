"""Defaults that plans and hand calculations share, as a user would write them; quick to load."""

from __future__ import annotations

__all__ = [
    "BEAD",
    "BEDDING",
    "COLLAPSE_SAFETY",
    "CURE",
    "CURE_H",
    "DURATION",
    "DURATION_H",
    "FATIGUE_SAFETY",
    "FIT_RULE",
    "FORCE_SHARE",
    "GROUT_FACTOR",
    "HOST",
    "LIFE",
    "MACHINE_SHARE",
    "MAX_VELOCITY",
    "OCCASIONAL_VELOCITY",
    "OVALITY",
    "PE_TEST_HOURS",
    "PULL_TEMPERATURE",
    "PVC_TEST_HOURS",
    "RAMP",
    "RATED_C",
    "RECURRING_VELOCITY",
    "SHARE_OF_BORE",
    "SIDE_ROOM",
    "SOIL",
    "SURGES_PER_DAY",
    "TEST_FACTOR",
    "WATER_TEMPERATURE",
    "WORKING_ROOM",
]

# Where each is from stands in the brief.
BEAD = "0 mm"
BEDDING = "0.15 m"
COLLAPSE_SAFETY = 2.0
CURE_H = 12.0
CURE = f"{CURE_H:g} h"
DURATION_H = 12.0
DURATION = f"{DURATION_H:g} h"
FATIGUE_SAFETY = 2.0
FIT_RULE = "share_of_bore"
FORCE_SHARE = 0.5  # of the pipe's allowable tension
GROUT_FACTOR = 1.0
HOST = "dry"
LIFE = "50 year"
MACHINE_SHARE = 0.75  # of the machine's rating
MAX_VELOCITY = "2.5 m/s"
OCCASIONAL_VELOCITY = "1.2 m/s"
OVALITY = 0.03
PE_TEST_HOURS = 3
RATED_C = 23.0  # at which strengths of pipe are told
PULL_TEMPERATURE = f"{RATED_C:g} degC"
PVC_TEST_HOURS = 2
RAMP = "level"
RECURRING_VELOCITY = "0 m/s"
SHARE_OF_BORE = 0.10
SIDE_ROOM = "0.45 m"
SOIL = "C"
SURGES_PER_DAY = 0.0
TEST_FACTOR = 1.5
WATER_TEMPERATURE = "15 degC"  # highest of the year; PE100 is rated at 20 degC
WORKING_ROOM = "2 m"
