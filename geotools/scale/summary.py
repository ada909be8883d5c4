"""The summary of a batch: every district, every run ranked by unit cost, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.brief import Brief
from geotools.cautions import AT_RATES, IN_SHORT
from geotools.deliver.layers import placed, run_lines
from geotools.deliver.read_plan import read_plan, read_raw
from geotools.deliver.tables import settings_table
from geotools.errors import LayerError
from geotools.intake.findings import SEVERITIES
from geotools.layout.told import counts_of, finding_counts
from geotools.scale.failed import failed_layer, failed_runs, length_of
from geotools.scale.manifest import Entry
from geotools.scale.resume import FAILED, Fate
from geotools.scale.share import NOT_CHOSEN, OUTSIDE, Call, Share
from geotools.schema import DIMENSIONS, DISTRICT_STATUSES, NO_RESULT, OUTPUTS
from geotools.tool import Outcome

__all__ = ["SUMMARY", "Back", "outcome_of", "read_back", "summary_tables", "told_fates", "told_of"]

SUMMARY = "summary.gpkg"
NOWHERE = (
    "failed     no run lies in any district, so nothing is planned; see that districts and mains "
    "lie in one place, and that the CRS of each is the one it was drawn in"
)
_SAME = ["severity", "rule", "layer", "feature", "text"]  # with its place, makes two findings one
_DECIMALS = 6  # of a coordinate, in m, ft or degrees; closer places are one


@dataclass(frozen=True)
class Back:
    """What the summary takes from the plan of a district."""

    runs: pd.DataFrame
    findings: pd.DataFrame


def summary_tables(
    share: Share,
    brief: Brief,
    back: dict[str, Back],
    entries: dict[str, Entry],
    fates: dict[str, Fate],
) -> dict[str, Any]:
    """Return the layers of the summary: every district, every run of one, ranked by unit cost."""
    layers = share.layers
    own = {
        "district_results": _district_layer(share, entries, fates, brief.output.units),
        "district_runs": _run_layer(share, back, entries),
        "findings": layers.findings.table(),
    }
    tables = placed(own, layers.working_crs, layers.output_crs)
    table = settings_table(brief, brief.output.units, working_crs=layers.working_crs)
    return tables | {"settings": table, "inputs": layers.inputs}


def _district_layer(
    share: Share, entries: dict[str, Entry], fates: dict[str, Fate], system: str
) -> pd.DataFrame:
    unit, size = DIMENSIONS["length"].shown_in(system)
    failed = failed_runs(share, entries)
    rows = []
    for name in share.districts["name"]:
        entry = entries[name]
        said, runs = entry.summary, entry.summary.get("runs", {})
        told = said.get("findings", {})
        lost = failed.get(name, np.zeros(0, dtype=np.int64))
        rows.append(
            {
                "district": name,
                "status": entry.status,
                "error": entry.error,
                "file": entry.file,
                "resumed": fates[name].why,
                "changed": ",".join(fates[name].changed),
                "tries": entry.tries,
                "runs_planned": runs.get("planned", 0),
                "runs_without_plan": runs.get("no_plan", 0),
                "runs_not_suitable": runs.get("not_suitable", 0),
                "runs_failed": len(lost),
                "pits": said.get("pits", 0),
                "pulls": said.get("pulls", 0),
                "length": said.get(f"planned_length_{unit}", 0.0) * size,
                "length_failed": length_of(share, lost),
                "cost": said.get("cost", 0.0),
                "plan_errors": told.get("error", 0),
                "plan_warnings": told.get("warning", 0),
            }
        )
    return pd.DataFrame(rows).assign(geometry=share.districts["geometry"].to_numpy(dtype=object))


def read_back(folder: Path, entries: dict[str, Entry]) -> dict[str, Back]:
    """Return what the summary takes from the plans; a district whose plan is gone failed."""
    back = {}
    for name, entry in list(entries.items()):
        if not entry.file:
            continue
        path = folder / entry.file
        try:
            runs = read_plan(path).table("runs")[[f.name for f in OUTPUTS["runs"].fields]]
            findings = read_raw(path, "findings", geometry=True)
        except LayerError as error:
            text = f"its plan was done, and is no more: {error}"
            entries[name] = Entry("failed", error=text, tries=entry.tries)
        else:
            told = pd.DataFrame(findings[_SAME]).assign(geometry=findings.geometry.to_numpy())
            back[name] = Back(pd.DataFrame(runs).assign(district=name), told)
    return back


def _run_layer(share: Share, back: dict[str, Back], entries: dict[str, Entry]) -> pd.DataFrame:
    """Return every run of a district, the cheapest by length first; those failed have no plan."""
    fields = [f.name for f in OUTPUTS["runs"].fields]
    parts = [plan.runs for plan in back.values()]
    failed = failed_layer(share, entries)
    parts += [failed] if len(failed) else []
    empty = pd.DataFrame({name: [] for name in [*fields, "district"]})
    runs = pd.concat(parts, ignore_index=True) if parts else empty
    runs = runs.reindex(columns=empty.columns)
    place = {name: row for row, name in enumerate(share.runs.table["run_id"])}
    row = runs["run_id"].map(place).to_numpy(dtype=np.int64)
    runs = runs.assign(
        geometry=run_lines(share.runs.chains)[row], unit_cost=runs["cost"] / runs["length"]
    )
    runs = runs.sort_values(["unit_cost", "run_id"], kind="stable").reset_index(drop=True)
    planned = runs["unit_cost"].notna().to_numpy()
    return runs.assign(rank=np.where(planned, np.arange(1, len(runs) + 1), np.nan))


def told_of(
    share: Share, back: dict[str, Back], entries: dict[str, Entry], stale: list[str], system: str
) -> dict[str, Any]:
    """Return what the summary says of runs outside, findings and stale plans.

    Findings are counted in the plans of the districts, in the summary, and in all of these; and
    once each, for what is so of the whole is told in every district.
    """
    unit, size = DIMENSIONS["length"].shown_in(system)
    outside = np.flatnonzero(share.district == OUTSIDE)
    failed = np.concatenate([outside[:0], *failed_runs(share, entries).values()])
    severities = SEVERITIES[::-1]
    own = {s: share.layers.findings.count(s) for s in severities}
    by_district = {
        name: {s: entry.summary.get("findings", {}).get(s, 0) for s in severities}
        for name, entry in entries.items()
        if entry.file
    }
    counts = (own, *by_district.values())
    return {
        "runs_failed": len(failed),
        f"length_failed_{unit}": length_of(share, failed) / size,
        "runs_outside_districts": len(outside),
        "runs_not_chosen": int((share.district == NOT_CHOSEN).sum()),
        f"length_outside_districts_{unit}": length_of(share, outside) / size,
        "findings": {s: sum(count[s] for count in counts) for s in severities},
        "findings_distinct": _distinct(share, back),
        "findings_of_summary": own,
        "findings_by_district": {name: by_district[name] for name in sorted(by_district)},
        "shared_saving_within_districts": sum(
            entry.summary.get("shared_saving", 0.0) for entry in entries.values()
        ),
        "stale_plans": stale,
    }


def _distinct(share: Share, back: dict[str, Back]) -> dict[str, int]:
    """Count the findings of the summary and of all districts, each once however often it is told.

    Those are one that say the same of the same feature at the same place: what is found often
    has no feature of its own, or the same words at many places.
    """
    own = {"findings": pd.DataFrame(share.layers.findings.table())}
    own = placed(own, share.layers.working_crs, share.layers.output_crs)
    tables = [own["findings"], *(plan.findings for plan in back.values())]
    return finding_counts(pd.concat([_said(table) for table in tables]).drop_duplicates())


def _said(findings: pd.DataFrame) -> pd.DataFrame:
    """Return what makes findings the same, their places as bytes."""
    shapes = findings["geometry"].to_numpy(dtype=object)
    places = shapely.to_wkb(shapely.transform(shapes, lambda xy: xy.round(_DECIMALS)))
    told = pd.DataFrame(findings[_SAME]).assign(place=places)
    return told.astype(object).fillna("")


def told_fates(fates: dict[str, Fate]) -> dict[str, Any]:
    """Return which plans of an earlier batch were kept, and which districts were planned and why.

    ``renewed`` are plans kept whose inputs and settings are told anew.
    """
    known = [(name, fates[name]) for name in sorted(fates) if fates[name].why]
    return {
        "kept": [name for name, fate in known if fate.why == "kept"],
        "renewed": [name for name, fate in known if fate.renewed],
        "planned": {
            name: {"why": fate.why, "changed": list(fate.changed)}
            for name, fate in known
            if fate.why != "kept"
        },
    }


def _fate_lines(told: dict[str, Any]) -> list[str]:
    """Return in words what `told_fates` tells; nothing where there was no earlier batch."""
    reasons: dict[str, list[str]] = {}
    for name, fate in told["planned"].items():
        changed = f" ({', '.join(fate['changed'])})" if fate["changed"] else ""
        reasons.setdefault(fate["why"] + changed, []).append(_in_line(name))
    if not told["kept"] and reasons.keys() <= {"new"}:
        return []
    lines = [f"kept       {', '.join(map(_in_line, told['kept'])) or 'none'}"]
    if count := len(told["renewed"]):
        lines += [f"           {count} of them now tell of inputs and settings as they are"]
    return lines + [
        f"{'new' if why == 'new' else 'redone':<11}{', '.join(names)}"
        + ("" if why == "new" else f": {why.replace('_', ' ')}")
        for why, names in reasons.items()
    ]


def _told_lines(told: dict[str, Any], unit: str) -> list[str]:
    lines = []
    if count := told["runs_failed"]:
        far = told[f"length_failed_{unit}"]
        lines += [
            f"missing    {count} runs, {far:,.0f} {unit}, of districts that failed are not planned "
            f"(findings of {SUMMARY})"
        ]
    if count := told["runs_outside_districts"]:
        far = told[f"length_outside_districts_{unit}"]
        lines += [
            f"outside    {count} runs, {far:,.0f} {unit}, touch no district and are not planned "
            f"(findings of {SUMMARY})"
        ]
    if count := told["runs_not_chosen"]:
        lines += [f"left out   {count} runs are not among those chosen (network.only)"]
    if aside := told["manifest_kept"]:
        lines += [f"begun anew the manifest there was cannot be read; it is kept as {aside}"]
    if aside := told["summary_kept"]:
        lines += [f"edited     the summary held layers of others; it is kept as {aside}"]
    lines += [
        f"edited     {_in_line(name)}: its plan was edited since, and is kept as {file}"
        for name, file in told["edited"].items()
    ]
    if names := [_in_line(name) for name in told["spared"]]:
        lines += [
            f"spared     {', '.join(names)}: none of their runs is among those chosen; their plans "
            "stay as they are"
        ]
    counts = {
        "in all": told["findings"],
        "each told once": told["findings_distinct"],
        f"in {SUMMARY}": told["findings_of_summary"],
    }
    lines += [
        "findings   "
        + "; ".join(
            ", ".join(f"{n} {s}" for s, n in count.items()) + f" {where}"
            for where, count in counts.items()
        )
    ]
    lines += [
        f"           {', '.join(f'{n} {s}' for s, n in count.items())} in district {_in_line(name)}"
        for name, count in told["findings_by_district"].items()
        if count["error"] or count["warning"]
    ]
    return [*lines, *(f"stale      {n} is no plan of this batch" for n in told["stale_plans"])]


def _failed_lines(bad: pd.DataFrame, unit: str) -> list[str]:
    """Return each district that failed, what of it is not planned and why."""
    far = bad["length_failed"].to_numpy(dtype=float) / DIMENSIONS["length"].units[unit]
    told = zip(bad["district"], bad["runs_failed"], far, bad["error"], strict=True)
    return [
        f"failed     {_in_line(n)} ({runs} runs, {m:,.0f} {unit}): {why}"
        for n, runs, m, why in told
    ]


def _in_line(name: str) -> str:
    """Return the name of a district, which may be of several lines, for a line of text."""
    return " ".join(name.split())


def outcome_of(tables: dict[str, Any], brief: Brief, call: Call, told: dict[str, Any]) -> Outcome:
    """Put the result of a batch into a summary and a few lines of text; ``told``: `told_of`."""
    districts, runs = tables["district_results"], tables["district_runs"]
    unit, size = DIMENSIONS["length"].shown_in(brief.output.units)
    planned = float(districts["length"].sum()) / size
    count = counts_of(districts["status"], DISTRICT_STATUSES)
    bad = districts[districts["status"].isin(FAILED)]
    nowhere = bool(told["runs_outside_districts"]) and count["empty"] == len(districts)
    summary = {
        "districts": count,
        "runs": int((runs["status"] != NO_RESULT).sum()),
        f"planned_length_{unit}": planned,
        "cost": float(districts["cost"].sum()),
        "failures": dict(zip(bad["district"], bad["error"], strict=True)),
        **told,
        "output": str(call.folder),
    }
    lines = [
        "districts  " + ", ".join(f"{n} {s.replace('_', ' ')}" for s, n in count.items()),
        f"planned    {planned:,.0f} {unit} in {int(districts['runs_planned'].sum())} runs, "
        f"{int(districts['pulls'].sum())} pulls from {int(districts['pits'].sum())} pits",
        f"cost       {districts['cost'].sum():,.0f} {brief.rates.currency} {AT_RATES}",
        *_fate_lines(told),
        *_told_lines(told, unit),
        *_failed_lines(bad, unit),
        *([NOWHERE] if nowhere else []),
        f"written    {call.folder}",
        *(["Run the same again with --resume to redo what failed."] if len(bad) else []),
        IN_SHORT,
    ]
    failed = nowhere or bool(len(bad))
    return Outcome(summary=summary, text="\n".join(lines), failed=failed, layers=tables)
