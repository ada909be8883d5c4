"""Mains left out of lining, told: too small, by status or owner; and those that meet others."""

from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Network
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings, counted
from geotools.intake.service import plain_statuses
from geotools.network.mains import (
    carries_water,
    large_enough,
    may_be_lined,
    of_others,
    owners_of,
    statuses_of,
)
from geotools.network.noding import Graph
from geotools.schema import quantity_text

__all__ = ["report_dry", "report_left_out", "why_left_out"]


def report_dry(graph: Graph, mains: Lines, network: Network, findings: Findings) -> None:
    """Count the ends of mains without water that meet mains to be lined: no connections."""
    node, meets = graph.ends, np.zeros(len(graph.node_xy), dtype=np.bool_)
    meets[node[may_be_lined(mains, network)[graph.line]]] = True
    dry = ~carries_water(mains, network)[graph.line]
    ends = node[dry].ravel()
    line = np.repeat(graph.line[dry], 2)[meets[ends]]
    if not len(line):
        return
    names = mains.table["main_id"].to_numpy(dtype=object)[line]
    places = np.unique(ends[meets[ends]])
    findings.add(
        "info",
        "dry-end",
        f"mains that carry no water (network.excluded_statuses), {min(names.astype(str))} the "
        f"first of them, meet mains that may be lined with {len(line):,} of their ends: no "
        "connections, so nothing is dug up and made again there. Correct the status of those that "
        "do carry water.",
        layer="mains",
        geometry=shapely.multipoints(graph.node_xy[places]),
    )


def why_left_out(mains: Lines, network: Network, system: str) -> npt.NDArray[np.object_]:
    """Say of every main why it is not considered for lining; empty where it is."""
    diameter = mains.table["diameter"].to_numpy(dtype=float)
    least = quantity_text(network.min_diameter, "bore", system, 0)
    status, owner = statuses_of(mains), owners_of(mains)
    why = np.full(len(mains.table), "", dtype=object)
    for rows, words in (
        (of_others(mains, network), "it is of owner " + owner + " (network.excluded_owners)"),
        (
            ~carries_water(mains, network),
            "its status is " + status + " (network.excluded_statuses)",
        ),
        (~large_enough(mains, network), f"it is smaller than {least} (network.min_diameter)"),
        (~np.isfinite(diameter), "its diameter is not known"),
    ):
        why[rows] = words if isinstance(words, str) else words.to_numpy(dtype=object)[rows]
    return why


def report_left_out(mains: Lines, network: Network, findings: Findings) -> None:
    """Count the mains that are too small to be lined, and those left out by status or owner."""
    large = large_enough(mains, network)
    known = np.isfinite(mains.table["diameter"].to_numpy(dtype=float))
    least = quantity_text(network.min_diameter, "bore", findings.system, 0)
    small = int((known & ~large).sum())
    if small:
        findings.add(
            "info",
            "main-too-small",
            f"{small} mains are smaller than {least} "
            "(network.min_diameter) and are not considered for lining.",
            layer="mains",
        )
    left_out = statuses_of(mains)[~carries_water(mains, network) & large]
    for name, count in sorted(Counter(left_out).items()):
        findings.add(
            "info",
            "status-excluded",
            f"{count} mains of status {name!r} are not lined (network.excluded_statuses).",
            layer="mains",
        )
    status = mains.table["status"].to_numpy(dtype=object)[large]
    plain = plain_statuses(status, network.excluded_statuses)
    words = counted(pd.Series(plain, dtype=object))
    if words:
        findings.add(
            "info",
            "status-in-service",
            f"mains of status {words} are taken to be in service, as none of these words is among "
            "network.excluded_statuses.",
            layer="mains",
        )
    _report_owners(mains, network, findings)


def _report_owners(mains: Lines, network: Network, findings: Findings) -> None:
    """Count the mains left out by their owner, and those of each owner where several are left."""
    if "owner" not in mains.table:
        return
    sound = large_enough(mains, network) & carries_water(mains, network)
    others = of_others(mains, network)
    words = owners_of(mains)
    left = counted(words[others & sound])
    if left:
        text = f"mains of owner {left} are not lined (network.excluded_owners)."
        findings.add("info", "owner-excluded", text, layer="mains")
    taken = words[sound & ~others & (words != "").to_numpy()]
    if taken.nunique() > 1:
        findings.add(
            "info",
            "several-owners",
            f"mains of owner {counted(taken)} may all be lined; name those whose mains are not in "
            "network.excluded_owners.",
            layer="mains",
        )
