"""Ranges the formulas hold for that settings take as their bounds; plain numbers, quick to load."""

from __future__ import annotations

__all__ = [
    "BEAD_M",
    "GAP_M",
    "GROUTED",
    "GROUT_DENSITY",
    "GROUT_PRESSURE_PA",
    "LOAD_H",
    "OUTSIDE_M",
    "OWN_RATIO",
    "PE_RATIO",
    "SAFETY",
    "SHARE_OF_BORE",
    "TEMPERATURE_C",
    "TEST_FACTOR",
    "TUBERCLE_M",
]

BEAD_M = (0.0, 0.1)  # height of a fusion bead
GAP_M = (0.0, 0.5)  # gap all round
GROUTED = (1.0, 5.0)  # what grout multiplies the collapse pressure of PE by
GROUT_DENSITY = (300.0, 2300.0)  # of fresh grout, kg/m3; the lightest is mostly foam
GROUT_PRESSURE_PA = (0.0, 1e7)  # allowed at a port, whatever the pipe stands
LOAD_H = (0.01, 876_600.0)  # how long a load stands, h; the last is 100 years
OUTSIDE_M = (0.02, 3.0)  # outside diameter of a pipe of one's own
OWN_RATIO = (5.0, 100.0)  # outside diameter over wall of a pipe of one's own
PE_RATIO = (5.0, 41.0)  # the same of polyethylene, whose bending radius is tabulated no further
SAFETY = (1.0, 10.0)  # against collapse
SHARE_OF_BORE = (0.0, 0.5)  # clearance over the bore of the host
TEMPERATURE_C = (-20.0, 60.0)  # of a pipe's wall
TEST_FACTOR = (1.0, 2.0)  # test pressure over working pressure
TUBERCLE_M = (0.0, 0.1)  # height of tubercles
