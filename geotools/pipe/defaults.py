"""Defaults that plans and hand calculations share, as a user would write them; quick to load."""

from __future__ import annotations

from geotools.pipe._tables import rows
from geotools.pipe.factors import PSI

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
    "GROUT_DENSITY",
    "GROUT_DENSITY_KG_PER_M3",
    "GROUT_FACTOR",
    "GROUT_PRESSURE",
    "GROUT_PRESSURE_PA",
    "HOST",
    "LIFE",
    "MACHINE_SHARE",
    "MAX_VELOCITY",
    "MAX_VELOCITY_M_PER_S",
    "OCCASIONAL_VELOCITY",
    "OVALITY",
    "PE_TEST_HOURS",
    "PULL_RATE",
    "PULL_RATE_M_PER_S",
    "PULL_TEMPERATURE",
    "PVC_TEST_HOURS",
    "RAMP",
    "RATED_C",
    "RECURRING_VELOCITY",
    "ROLLER_FRICTION",
    "SHARE_OF_BORE",
    "SIDE_ROOM",
    "SOIL",
    "STRING_JOINT",
    "STRING_JOINT_H",
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
GROUT_DENSITY_KG_PER_M3 = 1200.0
GROUT_DENSITY = f"{GROUT_DENSITY_KG_PER_M3:g} kg/m^3"
GROUT_FACTOR = 1.0
_GROUT_PSI = 5.0
GROUT_PRESSURE = f"{_GROUT_PSI:g} psi"
GROUT_PRESSURE_PA = _GROUT_PSI * PSI
HOST = "dry"
LIFE = "50 year"
MACHINE_SHARE = 0.75  # of the machine's rating
MAX_VELOCITY_M_PER_S = 2.5
MAX_VELOCITY = f"{MAX_VELOCITY_M_PER_S:g} m/s"
OCCASIONAL_VELOCITY = "1.2 m/s"
OVALITY = 0.03
PE_TEST_HOURS = 3
RATED_C = 23.0  # at which strengths of pipe are told
PULL_TEMPERATURE = f"{RATED_C:g} degC"
PULL_RATE_M_PER_S = 3.5 / 60.0
PULL_RATE = f"{PULL_RATE_M_PER_S * 60.0:g} m/min"
PVC_TEST_HOURS = 2
RAMP = "level"
RECURRING_VELOCITY = "0 m/s"
ROLLER_FRICTION = next(
    float(row["central"]) for row in rows("friction") if row["condition"] == "rollers"
)
SHARE_OF_BORE = 0.10
SIDE_ROOM = "0.45 m"
SOIL = "C"
STRING_JOINT_H = 1.0
STRING_JOINT = f"{STRING_JOINT_H:g} h"
SURGES_PER_DAY = 0.0
TEST_FACTOR = 1.5
WATER_TEMPERATURE = "15 degC"  # highest of the year; PE100 is rated at 20 degC
WORKING_ROOM = "2 m"
