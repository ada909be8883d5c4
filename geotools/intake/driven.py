"""Ways that no vehicle uses, left out of the streets: no lane is closed there, no string laid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from geotools.intake.findings import Findings, counted
from geotools.intake.load import Loaded
from geotools.lists import as_compared

__all__ = ["only_streets"]


def only_streets(loaded: Loaded, excluded: Sequence[str], findings: Findings) -> Loaded:
    """Return the layer of streets without the ways of the classes excluded, and count these.

    A footway beside a street would else be taken for the main's street, and every place where one
    comes to a street for an intersection.

    Parameters
    ----------
    loaded : Loaded
        The layer of streets.
    excluded : sequence of str
        ``street.excluded_classes``.
    findings : Findings
        Receives how many ways of which class are left out.
    """
    words = pd.Series(loaded.table["class"].to_numpy(dtype=object)[loaded.rows], dtype=object)
    none = words.str.strip().str.casefold().isin(as_compared(excluded)).to_numpy(dtype=bool)
    if not none.any():
        return loaded
    driven = loaded.table[["lanes", "speed"]].to_numpy(dtype=float)[loaded.rows][none] > 0
    doubt = " Some of them have lanes or a speed on record: look." if driven.any() else ""
    if none.all():
        doubt += " Nothing is left, and the plan is made as if there were no streets."
    findings.add(
        "warning" if doubt else "info",
        "class-excluded",
        f"{none.sum():,} of {len(words):,} lines are left out, being no streets by their class: "
        f"{counted(words[none])}; they make no intersection, and no pit or string has its place "
        "in them. Where vehicles do use them, take their class out of street.excluded_classes."
        f"{doubt}",
        layer="streets",
        field="class",
    )
    return replace(loaded, rows=loaded.rows[~none], left_out=int(none.sum()))
