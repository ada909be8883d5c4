"""Runs out of service: the water they take from others, and valves two of them need: findings."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from geotools.layout.shared import Shared
from geotools.lists import listed
from geotools.network.places import points_along
from geotools.network.shutdown import CUT_BY_OTHERS

__all__ = ["report_dry"]

# Of a shutdown: the rule of a finding, who is without water, and what to do before valves close.
_TO_TELL = {
    "critical": (
        "critical-without-water",
        ("critical customer(s)", "agree with each how it is fed meanwhile"),
    ),
    "hydrants": (
        "hydrants-without-water",
        ("hydrant(s)", "tell the fire service which and when, and agree how it is covered"),
    ),
}


def report_dry(
    ground: Shared, table: pd.DataFrame, shutdowns: pd.DataFrame, days: pd.Series
) -> None:
    """Leave findings on planned runs whose shutdown has to be told before it is agreed.

    That is one that takes water from customers off the run, or a source, or one that relies on
    valves which the work on another run cuts out.

    Parameters
    ----------
    ground : Shared
    table : DataFrame
        The runs.
    shutdowns : DataFrame
        As of `isolate`.
    days : Series
        Working days out of service by run.
    """
    rows = shutdowns["run"].to_numpy(dtype=np.int64)
    shutdowns = shutdowns[table["status"].to_numpy(dtype=object)[rows] == "planned"]
    told = shutdowns.assign(days=shutdowns["run_id"].map(days).astype(float))
    _report_beyond(ground, table, told[told["customers_beyond"].astype(float) > 0])
    for name, (rule, what) in _TO_TELL.items():
        some = told[told[name].astype(float) > 0]
        texts = [
            f"run {row['run_id']}: {_least(row)}{row[name]:,.0f} {what[0]} without water while "
            f"it is out of service, by the schedule {row['days']:.1f} working days: {what[1]}"
            for row in some.to_dict("records")
        ]
        _add(ground, table, some, rule, texts)
    _report_sources(ground, table, told[told["sources_shut"].astype(bool)])
    status = dict(zip(table["run_id"], table["status"], strict=True))
    _report_cut_by_others(ground, table, told, status)


def _least(row: Mapping[Hashable, Any]) -> str:
    """Say of a shutdown's counts that they are the least, where no source is known."""
    return "at least " if pd.isna(row["cut_off_nodes"]) else ""


def _report_beyond(ground: Shared, table: pd.DataFrame, told: pd.DataFrame) -> None:
    """Leave a finding on every run whose work takes water from customers off it."""
    texts = [
        f"run {name}: {customers:,.0f} customers not served off it, at {services} service "
        "connections, are without water while it is out of service, by the schedule "
        f"{days:.1f} working days. No temporary supply is priced for them. Shut it in "
        "nearer, with valves or stops on the mains at its ends, or plan a bypass."
        for name, customers, services, days in zip(
            told["run_id"],
            told["customers_beyond"],
            told["services"] - told["temporary_services"],
            told["days"],
            strict=True,
        )
    ]
    _add(ground, table, told, "customers-beyond", texts)


def _report_sources(ground: Shared, table: pd.DataFrame, told: pd.DataFrame) -> None:
    """Leave a finding on every run whose shutdown takes a source with it."""
    say = partial(ground.layers.findings.length, digits=0)
    texts = [_source_text(row, say) for row in told.to_dict("records")]
    _add(ground, table, told, "source-shut-in", texts)


def _report_cut_by_others(
    ground: Shared, table: pd.DataFrame, told: pd.DataFrame, status: Mapping[str, str]
) -> None:
    """Leave a finding on every run that is shut in by valves the work on others cuts out.

    Runs that this plan does not hold may be planned in another district's.
    """
    texts, found = [], []
    for row in told.to_dict("records"):
        cut: dict[str, list[str]] = {}
        for other, name in row[CUT_BY_OTHERS]:
            if status.get(other, "planned") == "planned":
                cut.setdefault(other, []).append(name)
        found.append(bool(cut))
        others = listed([f"{other} ({listed(valves)})" for other, valves in cut.items()])
        texts.append(
            f"run {row['run_id']} is shut in by valves that the work on others cuts out: {others}. "
            "Have them replaced and proved before this run is shut in, or renew this run first; "
            "never have both out of service at the same time."
        )
    texts = [text for text, due in zip(texts, found, strict=True) if due]
    told = told[np.array(found, dtype=bool)]
    _add(ground, table, told, "valve-cut-out-elsewhere", texts)


def _source_text(row: Mapping[Hashable, Any], say: Callable[[float], str]) -> str:
    """Say of a shutdown that it takes a source with it, and what has no other then."""
    names = ", ".join(row["valves"].split(","))
    how = f"closing {names}" if names else "no valve to close"
    left = (
        "This part of the network has no other: all of it loses water, "
        f"{say(row['lost_length'])} of mains with {row['lost_customers']:,.0f} customers on "
        "record. Feed it from elsewhere"
        if row["lost"]
        else "Other sources of this part of the network stay: check that they carry the rest"
    )
    return (
        f"run {row['run_id']}: its shutdown ({how}) takes a source with it, by the schedule for "
        f"{row['days']:.1f} working days. {left}, or shut the run in nearer, with a valve or stop "
        "between it and the source."
    )


def _add(
    ground: Shared, table: pd.DataFrame, told: pd.DataFrame, rule: str, texts: Sequence[str]
) -> None:
    """Add a warning on shutdowns, in the middle of their runs."""
    chains, run = ground.runs.chains, told["run"].to_numpy(dtype=np.int64)
    half = table["length"].to_numpy(dtype=float)[run] / 2
    ground.layers.findings.add_points(
        "warning",
        rule,
        texts,
        layer="shutdowns",
        features=told["run_id"].to_numpy(dtype=object),
        xy=points_along(chains.xy, chains.offsets, run, half),
    )
