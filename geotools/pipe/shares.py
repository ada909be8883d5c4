"""Shares of what pipe and machine could take that a plan uses; plain numbers, quick to load."""

from __future__ import annotations

__all__ = ["FORCE_SHARE", "MACHINE_SHARE"]

FORCE_SHARE = 0.5  # of the pipe's allowable tension: common practice, no source
MACHINE_SHARE = 0.75  # of the machine's rating: common practice, no source
