"""The tools: one module each, thin, composing the rooms."""

from __future__ import annotations

__all__ = ["MODULES"]

# Modules with a ``TOOL`` (or ``TOOLS``), in the order in which the work is done.
MODULES = (
    "sample",
    "intake",
    "screen",
    "plan",
    "compare",
    "verify",
    "batch",
    "report",
    "sheets",
    "drawing",
    "joints",
    "pipe",
    "settings",
    "tools",
)
