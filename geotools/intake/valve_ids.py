"""Identifiers of valves: one that names one valve alone is its name; others go by their number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.identity import SEPARATOR
from geotools.intake.load import NUMBERED, Loaded

__all__ = ["doubled_valves", "sure_valves"]

BoolArray = npt.NDArray[np.bool_]
SHOWN = 5  # valves named in the text


def doubled_valves(loaded: Loaded, out: BoolArray) -> dict[str, str]:
    """Return, by number in the source, the identifiers that more than one valve bears.

    Valves ``out`` of service have left theirs to others.
    """
    ids = pd.Series(np.where(out, "", loaded.table["valve_id"].to_numpy(dtype=object)))
    rows = np.flatnonzero((ids != "") & ids.duplicated(keep=False))
    return dict(zip(loaded.fids[rows], ids[rows], strict=True))


def sure_valves(loaded: Loaded, doubled: Mapping[str, str]) -> Loaded:
    """Take identifiers as missing that do not name one valve alone, and count the valves without.

    So do those that others bear too, those with a comma, which stands between the valves to close,
    and those that read like the number of a valve that has none.

    Parameters
    ----------
    loaded : Loaded
        The valves.
    doubled : mapping
        As of `doubled_valves`, of all valves where these are a part of them.
    """
    ids = loaded.table["valve_id"].to_numpy(dtype=object)
    twice = np.array([fid in doubled for fid in loaded.fids], dtype=bool)
    unfit = np.array([SEPARATOR in name or name.startswith(NUMBERED) for name in ids], dtype=bool)
    lost = twice | unfit
    table = loaded.table.assign(valve_id=np.where(lost, "", ids))
    named = replace(loaded, table=table)
    # of a layer that brings no such column nobody has lost a name
    severity = "warning" if "valve_id" in loaded.match.columns else "info"
    remark = _numbered(severity, named.names, bare=ids == "", twice=twice, unfit=unfit & ~twice)
    return replace(named, remarks=[*loaded.remarks, *remark])


def _numbered(
    severity: str, names: npt.NDArray[Any], *, bare: BoolArray, twice: BoolArray, unfit: BoolArray
) -> list[tuple[str, str, str]]:
    """Say how many valves are told by their number, and why; nothing where none is."""
    some = names[bare | twice | unfit]
    if not len(some):
        return []
    reasons = [
        f"{int(rows.sum()):,} {why}"
        for rows, why in (
            (bare, "without a valve_id"),
            (twice, "with one that other valves bear too"),
            (unfit, f"with one that holds a comma or begins with {NUMBERED.strip()!r}"),
        )
        if rows.any()
    ]
    more = f" and {len(some) - SHOWN:,} more" if len(some) > SHOWN else ""
    text = (
        f"{len(some):,} of {len(names):,} valves are named by the number of their feature in the "
        f"source, here and in shutdowns, sheets and drawing: {', '.join(reasons)} "
        f"({', '.join(some[:SHOWN])}{more}); give each a valve_id of its own"
    )
    return [(severity, "valve-by-number", text)]
