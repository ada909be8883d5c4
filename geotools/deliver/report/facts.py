"""The few numbers that head the report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.cautions import AT_RATES
from geotools.deliver.read_plan import PlanFile
from geotools.schema import DIMENSIONS, OUTSIDE_RULE, VERDICTS

__all__ = ["facts_of"]

Frames = Mapping[str, pd.DataFrame]


def facts_of(frames: Frames, file: PlanFile, shapes: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the head numbers: a value, what it is, and a remark.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Layers as in the file; only those that are there give numbers.
    file : PlanFile
        Its units and settings.
    shapes : mapping of str to ndarray of geometries
        Of the layers that have any, in metres.
    """
    facts: list[dict[str, str]] = []
    if "ranking" in frames:
        facts += _ranked(frames["ranking"])
    if "comparison" in frames:
        facts += _compared(frames["comparison"])
    if "district_results" in frames:
        outside = _outside(frames.get("findings"), shapes.get("findings"))
        facts += _districts(frames["district_results"], outside, file)
    if "runs" in frames:
        facts += _runs(frames["runs"], file) + _shared(frames.get("quantities"), file)
    if "pits" in frames:
        facts.append(_fact(f"{len(frames['pits']):,}", "pits"))
    if "pulls" in frames and len(frames["pulls"]):
        facts += _pulls(frames["pulls"], file)
    if "shutdowns" in frames:
        facts += _dry(frames["shutdowns"], frames.get("runs"))
    if "findings" in frames:
        facts.append(_findings(frames["findings"], frames.get("district_results")))
    return facts


def _fact(value: str, label: str, note: str = "") -> dict[str, str]:
    return {"value": value, "label": label, "note": note}


def _length(value: float, file: PlanFile) -> str:
    return f"{value:,.0f} {DIMENSIONS['length'].suffix(file.units)}"


def _column(frame: pd.DataFrame, name: str, dimension: str, file: PlanFile) -> Any:
    """Return a column in the file's unit, or not-a-numbers where it has none."""
    column = f"{name}_{DIMENSIONS[dimension].suffix(file.units)}"
    if column not in frame:
        return np.full(len(frame), np.nan)
    return frame[column].to_numpy(dtype=float)


def _ranked(ranking: pd.DataFrame) -> list[dict[str, str]]:
    facts = [_fact(f"{len(ranking):,}", "runs ranked")]
    if "verdict" in ranking:
        verdicts = ranking["verdict"].astype(str)
        order = {word: place for place, word in enumerate(VERDICTS)}
        words = sorted(verdicts.unique(), key=lambda word: (order.get(word, len(order)), word))
        facts += [_fact(f"{int((verdicts == word).sum()):,}", word) for word in words[:4]]
    return facts


def _compared(rows: pd.DataFrame) -> list[dict[str, str]]:
    several = rows.loc[rows["plans"] == rows["plan"].nunique(), "number"].nunique()
    return [
        _fact(f"{rows['plan'].nunique():,}", "plans compared"),
        _fact(f"{rows['number'].nunique():,}", "runs", f"{several:,} of them in every plan"),
    ]


def _runs(runs: pd.DataFrame, file: PlanFile) -> list[dict[str, str]]:
    planned = (runs["status"] == "planned").to_numpy()
    without = int((runs["status"] == "no_plan").sum())
    unfit = int((runs["status"] == "not_suitable").sum())
    length = _column(runs, "length", "length", file)
    currency = file.settings.get("rates.currency", "")
    return [
        _fact(
            f"{planned.sum():,} of {len(runs):,}",
            "runs planned",
            f"{without:,} without a plan, {unfit:,} not suitable",
        ),
        _fact(
            _length(float(np.nansum(length[planned])), file),
            "of main to be lined",
            f"of {_length(float(np.nansum(length)), file)} looked at",
        ),
        _fact(
            f"{runs['cost'].sum():,.0f}",
            f"{currency}, planning cost".lstrip(", "),
            AT_RATES,
        ),
    ]


def _shared(quantities: pd.DataFrame | None, file: PlanFile) -> list[dict[str, str]]:
    """Return what pits on one ground would save as one, where there are any."""
    if quantities is None:
        return []
    rows = quantities[quantities["scope"] == "shared"]
    if not len(rows):
        return []
    currency = file.settings.get("rates.currency", "")
    label = f"{currency} less, were pits on one ground one".lstrip()
    return [_fact(f"{-rows['cost'].sum():,.0f}", label, f"{len(rows):,} places; in no cost")]


def _findings(findings: pd.DataFrame, districts: pd.DataFrame | None) -> dict[str, str]:
    """Return how many findings there are, and of a batch those in the plans of its districts."""
    counts = findings["severity"].value_counts()
    note = f"{counts.get('error', 0):,} errors, {counts.get('info', 0):,} notes"
    if districts is not None and "plan_warnings" not in districts:
        note += "; findings of the districts lie in their own files"
    elif districts is not None:
        errors, warnings = (int(districts[f"plan_{s}"].sum()) for s in ("errors", "warnings"))
        note += (
            f"; beside these {warnings:,} warnings and {errors:,} errors in the files of the "
            "districts"
        )
    return _fact(f"{counts.get('warning', 0):,}", "warnings to read", note)


def _outside(findings: pd.DataFrame | None, shapes: Any) -> tuple[int, float]:
    """Return how many runs touch no district, and their length, m."""
    if findings is None or shapes is None:
        return 0, 0.0
    outside = (findings["rule"] == OUTSIDE_RULE).to_numpy()
    return int(outside.sum()), float(np.nansum(shapely.length(shapes[outside])))


def _unplanned(
    rows: pd.DataFrame, outside: tuple[int, float], file: PlanFile
) -> tuple[list[str], list[str]]:
    """Return how many runs nobody planned and how long they are, by why, in words."""
    failed = int(rows["runs_failed"].sum()) if "runs_failed" in rows else 0
    length = float(np.nansum(_column(rows, "length_failed", "length", file)))
    unit = DIMENSIONS["length"].units[DIMENSIONS["length"].suffix(file.units)]
    told = [
        (failed, length, "of districts that failed"),
        (outside[0], outside[1] / unit, "outside all districts"),
    ]
    return (
        [f"{count:,} {where}" for count, _, where in told if count],
        [f"{_length(far, file)} {where}" for count, far, where in told if count],
    )


def _districts(
    rows: pd.DataFrame, outside: tuple[int, float], file: PlanFile
) -> list[dict[str, str]]:
    done = int((rows["status"] == "done").sum())
    length = float(np.nansum(_column(rows, "length", "length", file)))
    others = rows["status"].value_counts().drop("done", errors="ignore")
    currency = file.settings.get("rates.currency", "")
    runs, far = _unplanned(rows, outside, file)
    left = int(rows["runs_without_plan"].sum()), int(rows["runs_not_suitable"].sum())
    return [
        _fact(
            f"{done:,} of {len(rows):,}",
            "districts done",
            ", ".join(f"{count:,} {str(word).replace('_', ' ')}" for word, count in others.items()),
        ),
        _fact(
            f"{rows['runs_planned'].sum():,}",
            "runs planned",
            ", ".join([f"{left[0]:,} without a plan, {left[1]:,} not suitable", *runs]),
        ),
        _fact(
            _length(length, file),
            "of main to be lined",
            f"not planned: {', '.join(far)}" if far else "",
        ),
        _fact(
            f"{rows['cost'].sum():,.0f}",
            f"{currency}, planning cost".lstrip(", "),
            AT_RATES,
        ),
        _fact(f"{rows['pits'].sum():,}", "pits"),
        _fact(f"{rows['pulls'].sum():,}", "pulls"),
    ]


def _pulls(pulls: pd.DataFrame, file: PlanFile) -> list[dict[str, str]]:
    longest = float(np.nanmax(_column(pulls, "length", "length", file)))
    facts = [_fact(f"{len(pulls):,}", "pulls", f"longest {_length(longest, file)}")]
    if pulls["utilisation"].notna().any():
        worst = pulls.iloc[int(np.nanargmax(pulls["utilisation"].to_numpy(dtype=float)))]
        facts.append(
            _fact(
                f"{worst['utilisation']:.0%}",
                "of the allowed force at most",
                f"pull {worst['pull_id']}",
            )
        )
    return facts


def _dry(shutdowns: pd.DataFrame, runs: pd.DataFrame | None) -> list[dict[str, str]]:
    """Return the worst shutdown of the work; a run without a plan is not shut."""
    if runs is not None:
        planned = runs.loc[runs["status"] == "planned", "run_id"]
        shutdowns = shutdowns[shutdowns["run_id"].isin(planned)]
    if not shutdowns["customers"].notna().any():
        return []
    worst = shutdowns.iloc[int(np.nanargmax(shutdowns["customers"].to_numpy(dtype=float)))]
    least = bool(shutdowns["cut_off_nodes"].isna().any())
    return [
        _fact(
            f"{worst['customers']:,.0f}",
            "customers or more without water" if least else "customers without water at most",
            f"shutdown of run {worst['run_id']}"
            + (": who is cut off beyond it is not known" if least else ""),
        )
    ]
