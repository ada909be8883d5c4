"""Names of materials and of systems of outside diameters; plain words, quick to load."""

from __future__ import annotations

from typing import Literal, get_args

__all__ = ["MATERIALS", "PIT_CAST_CLASSES", "SYSTEMS", "Material", "System"]

# PVC is rated by its hydrostatic design basis (AWWA C900), PVC-U by its minimum required strength
# (ISO 1452-2): like resins under unlike rules, so each has a word of its own.
Material = Literal["PE4710", "PE3608", "PE100", "PVC", "PVC-U"]
System = Literal["DIPS", "IPS", "METRIC"]
MATERIALS: tuple[str, ...] = get_args(Material)
SYSTEMS: tuple[str, ...] = get_args(System)
PIT_CAST_CLASSES = ("A", "B", "C", "D")  # of the standard of 1908, by the head of water
