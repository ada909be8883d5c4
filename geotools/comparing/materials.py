"""Runs whose host, or whose carrier, is of another material in another plan."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.read_plan import PlanFile
from geotools.errors import LayerError
from geotools.intake.findings import Findings
from geotools.pipe.names import MATERIALS
from geotools.pipe.words import kind_of

__all__ = ["carrier_materials", "tell_materials"]

UNKNOWN = "unknown"  # as plans say it

_HOST = (
    "warning",
    "host-material-differs",
    "its host is of",
    "bore, capacity and what is dug follow from it, so part of what differs may come from the "
    "records and not from the brief",
)
_CARRIER = (
    "info",
    "carrier-material-differs",
    "its carrier is of",
    "radius of bending, length of pits, tension and price follow from it",
)


def carrier_materials(file: PlanFile, carriers: Iterable[str]) -> list[str]:
    """Return the material of each carrier of a plan, "" where neither it nor its name tells.

    A pipe of the user's own has that of ``carrier.own``; one of the catalogue bears it in its name.
    """
    own = _own_materials(file)
    return [own.get(name, _in_name(name)) for name in carriers]


def _own_materials(file: PlanFile) -> dict[str, str]:
    if "carrier.own" not in file.settings:
        return {}
    try:
        pipes = file.setting("carrier.own")
    except LayerError:  # of another version of the program
        return {}
    return {pipe.name: pipe.material for pipe in pipes or ()}


def _in_name(name: str) -> str:
    last = name.rpartition(" ")[2]
    return last if last in MATERIALS else ""


def tell_materials(table: pd.DataFrame, planned: str, findings: Findings) -> None:
    """Tell, run by run, where plans differ in the material of the host or of the carrier.

    Parameters
    ----------
    table : DataFrame
        Runs of all plans in order: ``number``, ``plan``, ``run_id``, ``status``,
        ``host_material``, ``carrier_material`` and geometry.
    planned : str
        Status of runs whose carrier counts.
    findings : Findings
        Added to.
    """
    hosts = table["host_material"].replace("", UNKNOWN)
    _tell(table, hosts, hosts.map(_kinds), _HOST, findings)
    of_plan = table[(table["status"] == planned) & (table["carrier_material"] != "")]
    carriers = of_plan["carrier_material"]
    _tell(of_plan, carriers, carriers, _CARRIER, findings)


def _kinds(text: str) -> str:
    """Return the kinds of material met along a run, whichever way it is drawn and they are spelled.

    A word nobody knows stands for itself.
    """
    words = {word.strip() for word in text.split(",")} - {""}
    kinds = [(word, kind_of(word)) for word in words]
    return ",".join(
        sorted({word.casefold() if kind in ("", UNKNOWN) else kind for word, kind in kinds})
    )


def _tell(
    table: Any,
    said: pd.Series[str],
    kind: pd.Series[str],
    words: tuple[str, str, str, str],
    findings: Findings,
) -> None:
    """Tell of runs that are of several kinds in the plans, each as its plan says it."""
    severity, rule, of, why = words
    several = kind.groupby(table["number"]).transform("nunique") > 1
    rows = table.assign(said=said, kind=kind)[several.to_numpy(dtype=bool)]
    first = rows.drop_duplicates("number")
    by_number = {number: _by_plan(own) for number, own in rows.groupby("number")}
    findings.add_many(
        severity,
        rule,
        [
            f"run {run_id}: {of} {by_number[number]}; {why}"
            for run_id, number in zip(first["run_id"], first["number"], strict=True)
        ],
        layer="comparison",
        features=first["run_id"].to_numpy(dtype=object),
        geometry=np.asarray(first["geometry"], dtype=object),
    )


def _by_plan(rows: pd.DataFrame) -> str:
    """Return each material, as the first plan of it says it, with the plans that have it."""
    kinds = [own for _, own in rows.groupby("kind", sort=False)]
    return ", ".join(f"{own['said'].iloc[0]} in {' and '.join(own['plan'])}" for own in kinds)
