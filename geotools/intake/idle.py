"""Idle: valves, hydrants and laterals out of service by their status, left out and told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.among import among, as_told
from geotools.intake.findings import Findings, counted
from geotools.intake.load import Loaded
from geotools.intake.normally import says_closed
from geotools.intake.service import (
    coded_statuses,
    doubtful_statuses,
    plain_statuses,
    unknown_statuses,
)

__all__ = ["LAYERS", "in_service"]

LAYERS = ("valves", "laterals", "hydrants")  # that have a status, beside the mains


def in_service(loaded: Loaded, excluded: Sequence[str], findings: Findings) -> Loaded:
    """Return a layer without the features that are out of service, and tell what is made of words.

    Parameters
    ----------
    loaded : Loaded
        One of `LAYERS`.
    excluded : sequence of str
        ``network.excluded_statuses``.
    findings : Findings
        Receives how many features of which status are left out, and which words are doubtful.
    """
    status = loaded.table["status"].to_numpy(dtype=object)[loaded.rows]
    if not (status != "").any():
        return loaded
    name, out = loaded.layer.name, among(status, excluded)
    for word, count in sorted(Counter(map(as_told, status[out])).items()):
        text = f"{count} {name} of status {word!r} are left out (network.excluded_statuses)."
        findings.add("info", "status-excluded", text, layer=name, field="status")
    words = counted(pd.Series(plain_statuses(status, excluded), dtype=object))
    if words:
        text = (
            f"{name} of status {words} are taken to be in service, as none of these words is among "
            "network.excluded_statuses."
        )
        findings.add("info", "status-in-service", text, layer=name, field="status")
    _tell_words(loaded, _without_states(loaded, status, findings), excluded, findings)
    return replace(loaded, rows=loaded.rows[~out], left_out=int(out.sum()))


def _tell_words(
    loaded: Loaded,
    status: npt.NDArray[np.object_],
    excluded: Sequence[str],
    findings: Findings,
) -> None:
    """Tell words that likely mean out of service, codes, and words nobody knows."""
    name = loaded.layer.name
    severity, coded = coded_statuses(status, None, excluded, None, layer=name)
    for level, rule, text in (
        ("warning", "status-doubtful", doubtful_statuses(status, None, excluded, None, layer=name)),
        (severity, "status-code", coded),
        ("warning", "status-unknown", unknown_statuses(status, None, excluded, None, layer=name)),
    ):
        if text:
            findings.add(level, rule, text, layer=name, field="status")


def _without_states(
    loaded: Loaded, status: npt.NDArray[np.object_], findings: Findings
) -> npt.NDArray[np.object_]:
    """Return the statuses without those that say that a valve is closed, which are told."""
    closed = pd.Series(status, dtype=object).astype(str).map(says_closed).to_numpy(dtype=np.bool_)
    if loaded.layer.name != "valves" or "open" in loaded.match.columns or not closed.any():
        return status
    column = loaded.match.columns["status"].name
    text = (
        f"status is {counted(pd.Series(status[closed], dtype=object))} (column {column!r}): that "
        "seems to say whether valves are open, for which no column is read; all are taken as in "
        "service and open; if it does, name the column under [inputs.valves.fields]: "
        f'open = "{column}"'
    )
    findings.add("warning", "status-is-state", text, layer="valves", field="status")
    return np.where(closed, "", status).astype(object)
