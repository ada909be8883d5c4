"""A screening as the layers of the contract: ranking, mains, criteria, marks, findings."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import USERS, Brief, Setting, settings
from geotools.cautions import IN_SHORT
from geotools.criteria import CRITERIA, NEED, SUITABILITY, Criterion
from geotools.deliver.columns import content_hash
from geotools.deliver.layers import placed, run_lines, wider
from geotools.deliver.tables import settings_table
from geotools.intake.among import among
from geotools.intake.columns import Layers
from geotools.intake.crs import full_turn
from geotools.layout.tables import report_across
from geotools.layout.told import counts_of, finding_counts, finding_line, left_out_lines
from geotools.network.ragged import FloatArray, IntArray, line_lengths, to_linestrings
from geotools.schema import (
    COSTS,
    DIMENSIONS,
    NOT_KNOWN,
    REASONS,
    VERDICTS,
)
from geotools.screening.assess import Measured, Screened, of_kind, weights_of
from geotools.screening.budget import budget_line
from geotools.screening.likely import service_prices
from geotools.screening.wording import needs_told, shown, unit_of
from geotools.text_table import table as text_table
from geotools.tool import Outcome
from geotools.units import percent_text, told_apart

__all__ = ["screening_tables", "summarise_screening"]

Words = npt.NDArray[np.object_]
# Settings outside ``screening`` that a threshold or a value follows from.
FURTHER = {
    "age": ("service.year",),
    "criticality": ("screening.criticality_scale",),
    "fit": ("carrier.fit_rule", "carrier.clearance_share", "carrier.clearance_gap"),
    "pressure": (
        *("service.working_pressure", "service.recurring_velocity"),
        "service.occasional_velocity",
    ),
    "collapse": ("service.water_table", "service.collapse_safety"),
    "hydraulics": ("service.max_velocity", "service.max_gradient", "service.least_capacity"),
    "run_length": ("pits.working_length", "pits.receiving_length", "pulls.min_length"),
    "depth": ("pits.max_depth", "ground.assumed_cover"),
    "steepness": ("pits.max_slope",),
    "laydown": ("street.least_string",),
    "pits": (
        *("pulls.max_length", "pulls.machine_capacity", "crew.shift"),
        *("pits.clear_of_intersection", "street.least_string"),
    ),
}
# What makes a criterion known.
GIVEN_BY = {
    "age": "installed on the mains",
    "breaks": "breaks on the mains, or a layer of breaks",
    "leakage": "leakage on the mains",
    "criticality": "criticality on the mains, in numbers from 1 to screening.criticality_scale",
    "critical_services": "a layer of laterals with critical",
    "connections": "a layer of laterals",
    "depth": "invert levels with a DEM, or cover, on the mains",
    "steepness": "ground levels",
    "laydown": "a layer of streets, and a carrier that suits",
}
# Settings of a screening that are no planning values: of layers and records, none is invented.
NO_VALUES = tuple(
    f"screening.{name}" for name in ("break_reach", "breaks_since", "breaks_until", "budget")
)
NO_CARRIER = "a carrier that suits"
NOT_CONSIDERED = "not considered"
DRAWN_ON = "drawn on another main, which is taken instead"
CHEAPER, TOO_CLOSE, DEARER = COSTS
COST_WORDS = {CHEAPER: "cheaper", TOO_CLOSE: "too close", DEARER: "dearer"}
WIDTH, INDENT = 100, " " * 6  # characters of a line of the terminal; of a reason beneath its run


def screening_tables(screened: Screened, layers: Layers, brief: Brief) -> dict[str, Any]:
    """Return the layers of the contract, in the CRS of the mains, bare names, SI units."""
    units = brief.output.units
    ranking = _ranking(screened, units)
    _report(screened, brief)
    tables = {
        "ranking": ranking.sort_values("rank").reset_index(drop=True),
        "ranking_mains": _mains(screened, ranking, brief),
        "criteria": _criteria(screened.measured, brief),
        "marks": _marks(screened, brief),
    }
    out = placed(tables, layers.working_crs, layers.output_crs)
    half = full_turn(layers.output_crs) / 2
    drawn = {name: out[name].geometry.to_numpy() for name in out if "geometry" in out[name]}
    report_across([name for name, shapes in drawn.items() if wider(shapes, half)], layers)
    told = {"findings": layers.findings.table()}
    return {
        **out,
        **placed(told, layers.working_crs, layers.output_crs),
        "settings": settings_table(brief, units, working_crs=layers.working_crs),
        "inputs": layers.inputs,
    }


def _ranking(screened: Screened, units: str) -> pd.DataFrame:
    """Return the runs with all that is told of them, in the order of the runs."""
    ranked, measured = screened.ranked, screened.measured
    table = screened.ground.runs.table
    limit = np.where(of_kind(NEED), measured.full_at, measured.none_at)
    criteria: dict[str, Any] = {}
    for k, criterion in enumerate(CRITERIA):
        criteria[criterion.name] = measured.value[:, k]
        criteria[f"{criterion.name}_limit"] = limit[:, k]
        criteria[f"{criterion.name}_verdict"] = ranked.words[:, k]
    movers = [*(c.name for c in _by_kind()), NEED, SUITABILITY, ""]
    reasons, needs = _reasons(screened, units), needs_told(screened, units)
    gaps = ranked.words == NOT_KNOWN
    frame = {
        "rank": ranked.place,
        "run_id": table["run_id"],
        "main_ids": table["main_ids"],
        "host_diameter": table["diameter"],
        "host_material": table["material"],
        "length": table["length"],
        "verdict": ranked.verdict,
        "reason_need": needs,
        **{f"reason_{k + 1}": [told[k] for told in reasons] for k in range(REASONS)},
        "not_known": [
            ", ".join(c.name for c, gap in zip(CRITERIA, row, strict=True) if gap) for row in gaps
        ],
        "priority": ranked.priority,
        "need": ranked.need.score,
        "need_known": ranked.need.known,
        "suitability": ranked.suitability.score,
        "suitability_known": ranked.suitability.known,
        "worst_need": screened.worst.need,
        "worst_length": screened.worst.length,
        "worst_main_ids": screened.worst.mains,
        "rank_need": ranked.by_need,
        "rank_suitability": ranked.by_suitability,
        "rank_best": ranked.firmness.best,
        "rank_worst": ranked.firmness.worst,
        "rank_if_needed": ranked.if_needed,
        "moved_most_by": [movers[k] for k in ranked.firmness.mover],
        **criteria,
    }
    lines = run_lines(screened.ground.runs.chains)
    table = pd.DataFrame(frame).join(measured.facts)
    return table.assign(**_budgeted(screened), **_sides(screened), geometry=lines)


def _sides(screened: Screened) -> dict[str, FloatArray]:
    """Return likelihood and consequence, and how much of each is known."""
    sides = screened.ranked.sides.items()
    return {
        **{side: scores.score for side, scores in sides},
        **{f"{side}_known": scores.known for side, scores in sides},
    }


def _budgeted(screened: Screened) -> dict[str, Any]:
    """Return what runs cost down to each, and which are within the budget."""
    cost = screened.measured.facts["lining_cost"].to_numpy(dtype=float)
    out = np.asarray(screened.ranked.verdict == VERDICTS[-1], dtype=np.bool_)
    budget = screened.ground.brief.screening.budget
    line = budget_line(screened.ranked.place, cost, out, budget)
    return {
        "cost_running": line.running,
        "in_budget": pd.array(line.within, dtype="Float64").astype("boolean"),
        "budget_left": line.left,
    }


def _by_kind() -> list[Criterion]:
    """Return the criteria as the weights are moved: those of need first."""
    return [c for kind in (NEED, SUITABILITY) for c in CRITERIA if c.group == kind]


def _reasons(screened: Screened, units: str) -> list[list[str]]:
    """Return the reasons of every run, as many as there are columns; the last holds the rest."""
    out = []
    for run in range(len(screened.ranked.place)):
        told = list(_reasons_of(screened, run, units))
        told = told or ["nothing known speaks against lining it"]
        told += [*_little_known(screened, run), *_cost_open(screened, run)]
        rest = "; ".join(told[REASONS - 1 :])
        out.append([*told[: REASONS - 1], *[""] * (REASONS - 1 - len(told)), rest])
    return out


def _reasons_of(screened: Screened, run: int, units: str) -> Iterator[str]:
    """Yield what speaks against a run, the gravest first, then whether its need is known.

    A lining that is dearer than open cut rules nothing out, and comes after what does.
    """
    ranked, measured, ground = screened.ranked, screened.measured, screened.ground
    words = ranked.words[run]
    weight = weights_of(ground.brief)
    _, doubtful, out = VERDICTS
    why = _no_carrier(screened, run)
    if why:
        yield f"{out}: {why}"
    order = sorted(range(len(CRITERIA)), key=lambda k: (-weight[k], k))
    for verdict in (out, doubtful):
        for k in (k for k in order if words[k] == verdict):
            yield f"{verdict}: {_against(screened, run, k, units)}"
    valued, least = ranked.valued[run], ground.brief.screening.least_known
    if valued < least * (1 - 1e-9):
        yield f"{doubtful}: only {_below(valued, least)} of what decides on suitability has a value"
    if measured.facts["cost_verdict"].iloc[run] == DEARER:
        yield f"dearer than open cut: {_cost(screened, run)}, all above 1"
    known = ranked.need.known[run]
    if known < least * (1 - 1e-9):
        yield f"need not known: only {_below(known, least)} of what decides on it is on record"


def _below(known: float, least: float) -> str:
    """Return a share in percent that does not read as the least there should be."""
    return told_apart((known, least), 0, lambda value, d: f"{value:.{d}%}")[0]


def _little_known(screened: Screened, run: int) -> list[str]:
    """Say of a run that little of what decides on its suitability is on record."""
    known = screened.ranked.suitability.known[run]
    least = screened.ground.brief.screening.least_known
    if known >= least * (1 - 1e-9):
        return []
    return [
        f"suitability rests on assumptions: {_below(known, least)} of what decides on it is on "
        "record or drawn"
    ]


def _cost_open(screened: Screened, run: int) -> list[str]:
    """Say of a run that it is open whether lining it is cheaper; nothing where the bands tell."""
    facts = screened.measured.facts.iloc[run]
    if facts["cost_verdict"] == TOO_CLOSE:
        return [f"cost {TOO_CLOSE}: {_cost(screened, run)}, which holds 1"]
    if facts["cost_verdict"] == NOT_KNOWN and np.isfinite(facts["cost_ratio"]):
        return [f"cost {NOT_KNOWN}: no services are given; with none {_cost(screened, run)}"]
    return []


def _cost(screened: Screened, run: int) -> str:
    """Say what lining costs over open cut, and the band of that: of both estimates together."""
    ratio = float(screened.measured.facts["cost_ratio"].iloc[run])
    screening = screened.ground.brief.screening
    spread = screening.band_high / screening.band_low
    low, high = (
        told_apart((end, 1.0), 2, lambda value, d: f"{value:,.{d}f}")[0]
        for end in (ratio / spread, ratio * spread)
    )
    return f"lining {ratio:,.2f} times open cut by the quick estimate, its band {low} to {high}"


def _no_carrier(screened: Screened, run: int) -> str:
    """Say why a run has no carrier; empty where it has one, or is but too short for any."""
    contest, facts = screened.ground.contest, screened.measured.facts
    length = [criterion.name for criterion in CRITERIA].index("run_length")
    short = screened.ranked.words[run, length] == VERDICTS[-1]
    if facts["carrier_suits"].iloc[run] or short:
        return ""
    if contest.fixed[run] >= 0:
        return str(contest.reason[run])
    if facts["carrier"].iloc[run] == "":
        return "no pipe the brief allows comes near the bore in size"
    return f"no carrier will do; judged with {facts['carrier'].iloc[run]}"


def _against(screened: Screened, run: int, k: int, units: str) -> str:
    """Say how a value misses its limit, or the value that would be good."""
    measured, criterion = screened.measured, CRITERIA[k]
    three = (measured.value[run, k], measured.none_at[run, k], measured.full_at[run, k])
    value, limit, good = shown(criterion, three, units)
    end, on = ("at least", "from") if criterion.rising else ("at most", "up to")
    out = screened.ranked.words[run, k] == VERDICTS[-1]
    text = f"{criterion.says} {value}; {end} {limit}" + ("" if out else f", good {on} {good}")
    if criterion.name != "hydraulics":
        return text
    share = screened.ground.brief.service.least_capacity
    flowing = measured.facts["hydraulics_basis"].iloc[run] == "design flow"
    wanted = "the design flow" if flowing else f"{percent_text(share)} of what the old main carries"
    larger = measured.larger[run]
    more = f"; {larger} suits too and would be good" if larger and not out else ""
    return f"{text} (wanted: {wanted}){more}"


def _mains(screened: Screened, ranking: pd.DataFrame, brief: Brief) -> pd.DataFrame:
    """Return every source main once, with its runs and the place of the one with most of it.

    Behind them those that were set aside when they were read.
    """
    mains = screened.ground.layers.mains
    source, ids = pd.factorize(mains.table["source_id"])
    whole = line_lengths(mains.xy, mains.offsets)
    length = np.bincount(source, whole, minlength=len(ids)).astype(np.float64)
    held = _held(screened, source, length)
    held["name"] = ranking["run_id"].to_numpy(dtype=object)[held["run"]]
    first = held.drop_duplicates("source").set_index("source").reindex(np.arange(len(ids)))
    run = first["run"].fillna(-1).to_numpy(dtype=np.int64)
    there, safe = run >= 0, np.maximum(run, 0)

    def of_run(column: str, missing: Any) -> Any:
        if not len(ranking):
            return np.full(len(ids), missing, dtype=object)
        return np.where(there, ranking[column].to_numpy(dtype=object)[safe], missing)

    part = np.unique(source, return_index=True)[1]
    lines = pd.Series(to_linestrings(mains.xy, mains.offsets)).groupby(source)
    table = pd.DataFrame(
        {
            "main_id": ids,
            "run_id": of_run("run_id", ""),
            "run_ids": _joined(held, "name", len(ids)),
            "run_shares": _joined(held, "told", len(ids)),
            "length": length,
            "share": first["share"].fillna(0.0).to_numpy(),
            "rank": pd.array(of_run("rank", None), dtype="Int64"),
            "verdict": of_run("verdict", NOT_CONSIDERED),
            "reason_need": of_run("reason_need", ""),
            "reason": np.where(there, of_run("reason_1", ""), _left_out(mains.table, brief)[part]),
            **{c: of_run(c, np.nan).astype(float) for c in ("priority", "need", "suitability")},
            "main_need": screened.main_needs,
            "break_count": screened.main_breaks,
            "geometry": [shapely.MultiLineString(list(some)) for _, some in lines],
        }
    )
    return _with_aside(table, screened.ground.layers.aside)


def _with_aside(table: pd.DataFrame, aside: pd.DataFrame) -> pd.DataFrame:
    """Return source mains with those set aside behind them, which have neither length nor line."""
    if not len(aside):
        return table
    more = table.reindex(np.arange(len(table) + len(aside)))
    last = more.index[len(table) :]
    more.loc[last, ["run_id", "run_ids", "run_shares", "reason_need"]] = ""
    more.loc[last, "share"] = 0.0
    more.loc[last, "verdict"] = NOT_CONSIDERED
    for name in ("main_id", "reason"):
        more.loc[last, name] = aside[name].to_numpy(dtype=object)
    none = np.full(len(aside), None, dtype=object)
    return more.assign(geometry=np.concatenate([table["geometry"].to_numpy(dtype=object), none]))


def _held(screened: Screened, source: IntArray, length: FloatArray) -> pd.DataFrame:
    """Return what of every source main each run holds: the run with most of it first.

    Columns ``source``, ``run``, ``share`` and ``told``, the share in words.
    """
    pieces = screened.ground.runs.chains.pieces
    parts = pieces.assign(part=pieces["end"] - pieces["start"], source=source[pieces["line"]])
    held = parts.groupby(["source", "run"], as_index=False)["part"].sum()
    held = held.assign(even=held["part"].round(3)).sort_values(
        ["source", "even", "run"], ascending=[True, False, True], kind="stable"
    )
    # joints that gape may make a piece longer than its main
    share = np.minimum(held["part"].to_numpy() / length[held["source"].to_numpy()], 1.0)
    told: pd.DataFrame = held.assign(share=share, told=[f"{value:.2f}" for value in share])
    return told


def _joined(held: pd.DataFrame, column: str, count: int) -> Words:
    """Return a column of what runs hold, joined by commas, a text for every source main."""
    words: list[list[str]] = [[] for _ in range(count)]
    for source, word in zip(held["source"], held[column], strict=True):
        words[source].append(word)
    return np.array([",".join(some) for some in words], dtype=object)


def _left_out(mains: pd.DataFrame, brief: Brief) -> Words:
    """Say why a main that is in no run ranked is in none."""
    diameter = mains["diameter"].to_numpy(dtype=float)
    status = mains["status"].fillna("").astype(str).str.strip()
    rest = "in no run that is chosen (network.only)" if brief.network.only else DRAWN_ON
    words = np.full(len(mains), rest, dtype=object)
    banned = among(status, brief.network.excluded_statuses)
    words[banned] = [f"its status is {s!r} (network.excluded_statuses)" for s in status[banned]]
    owner = mains["owner"].fillna("").astype(str).str.strip()
    foreign = among(owner, brief.network.excluded_owners) & ~banned
    words[foreign] = [f"its owner is {s!r} (network.excluded_owners)" for s in owner[foreign]]
    small = diameter < brief.network.min_diameter - 1e-9
    words[small] = "smaller than network.min_diameter"
    words[np.isnan(diameter)] = "no diameter on record"
    return words


def _criteria(measured: Measured, brief: Brief) -> pd.DataFrame:
    """Return the criteria with weight and thresholds, in the units of the output."""
    known = {setting.key: setting for setting in settings(brief)}
    weight = weights_of(brief)
    rows = []
    for k, criterion in enumerate(CRITERIA):
        unit, size = unit_of(criterion, brief.output.units)
        used = _settings_of(criterion, known)
        rows.append(
            {
                "criterion": criterion.name,
                "kind": criterion.group,
                "side": criterion.side,
                "weight": weight[k],
                "full_at": _common(measured.full_at[:, k]) / size,
                "none_at": _common(measured.none_at[:, k]) / size,
                "unit": unit,
                "origin": known[f"screening.{criterion.name}_weight"].origin,
                "source": "; ".join(dict.fromkeys(s.source for s in used)),
                "settings": ", ".join(s.key for s in used),
                "text": f"{criterion.text}; {_rule(criterion)}",
                "known": int(np.isfinite(measured.value[:, k]).sum()),
            }
        )
    return pd.DataFrame(rows)


def _settings_of(criterion: Criterion, known: dict[str, Setting]) -> list[Setting]:
    ends = ("weight", "from", "good", "limit")
    names = [f"screening.{criterion.name}_{end}" for end in ends]
    return [known[n] for n in (*names, *FURTHER.get(criterion.name, ())) if n in known]


def _common(values: npt.NDArray[np.float64]) -> float:
    """Return the value all runs share, NaN where they differ."""
    if not len(values) or np.ptp(values) > 1e-9 * abs(values[0]):
        return float("nan")
    return float(values[0])


def _rule(criterion: Criterion) -> str:
    """Say how the verdict follows from the thresholds."""
    if criterion.group == NEED:
        return (
            "high from full_at, low up to none_at, middle between; length that is not on record "
            f"counts as {criterion.least:g} in the mark, and no record at all as "
            "screening.unknown_need"
        )
    word = "below" if criterion.rising else "above"
    return f"not suitable {word} none_at, suitable from full_at on, doubtful between"


def _marks(screened: Screened, brief: Brief) -> pd.DataFrame:
    """Return every criterion of every run, so that each score can be added up by hand."""
    measured, ranked = screened.measured, screened.ranked
    runs, count = measured.value.shape
    sizes = np.array([unit_of(c, brief.output.units)[1] for c in CRITERIA])
    names = [unit_of(c, brief.output.units)[0] for c in CRITERIA]
    weight = weights_of(brief)
    # what is not known of need counts as a mark that is set, of suitability not at all
    unknown = np.where(of_kind(NEED), brief.screening.unknown_need, np.nan)
    mark = np.where(np.isfinite(ranked.mark), ranked.mark, unknown)
    there = np.isfinite(mark)
    over = np.zeros((runs, count))
    for kind in (of_kind(NEED), of_kind(SUITABILITY)):
        over[:, kind] = (there * weight)[:, kind].sum(axis=1)[:, None]
    part = np.where(there & (over > 0), mark * weight / np.where(over > 0, over, 1), np.nan)
    run_ids = screened.ground.runs.table["run_id"].to_numpy(dtype=object)

    def tiled(values: Any) -> Any:
        return np.tile(np.asarray(values), runs)

    return pd.DataFrame(
        {
            "run_id": np.repeat(run_ids, count),
            "criterion": tiled(np.array([c.name for c in CRITERIA], dtype=object)),
            "kind": tiled(np.array([c.group for c in CRITERIA], dtype=object)),
            "value": (measured.value / sizes).ravel(),
            "unit": tiled(np.array(names, dtype=object)),
            "full_at": (measured.full_at / sizes).ravel(),
            "none_at": (measured.none_at / sizes).ravel(),
            "known": measured.known.ravel(),
            "mark": ranked.mark.ravel(),
            "weight": tiled(weight),
            "part": part.ravel(),
            "verdict": ranked.words.ravel(),
        }
    )


def _report(screened: Screened, brief: Brief) -> None:
    """Leave a finding for every criterion that is not known everywhere, and on the estimates."""
    findings, measured = screened.ground.layers.findings, screened.measured
    runs = len(measured.value)
    for k, criterion in enumerate(CRITERIA):
        missing = int(np.isnan(measured.value[:, k]).sum())
        if missing:
            needed = GIVEN_BY.get(criterion.name, NO_CARRIER)
            counted = (
                f"its mark there is {brief.screening.unknown_need:g} (screening.unknown_need)"
                if criterion.group == NEED
                else "it takes no part there and the other weights count for more"
            )
            findings.add(
                "info",
                "criterion-not-known",
                f"{criterion.name} is not known for {missing} of {runs} runs: {counted}. It takes "
                f"{needed}.",
                layer="ranking",
                feature=criterion.name,
            )
    known, least = screened.ranked.need.known, brief.screening.least_known
    silent = int((known < least * (1 - 1e-9)).sum())
    if silent:
        findings.add(
            "warning",
            "no-need-known",
            f"of the need of {silent} of {runs} runs nothing, or less than {percent_text(least)} "
            "by weight (screening.least_known), is known: they rank low for want of records, not "
            "of need. Give year laid, breaks, leakage or criticality of the mains.",
            layer="ranking",
        )
    findings.add(
        "info",
        "quick-estimate",
        "pits, longest pull and costs are quick estimates: no site was looked for between the ends "
        "of a run, and every rate "
        "and weight is an invented planning value until you set your own "
        f"({_own_rates(brief)} of the rates and weights are). Plan a run before you price it."
        + ("" if screened.ground.layers.laterals is not None else _no_services(brief)),
        layer="ranking",
    )


def _no_services(brief: Brief) -> str:
    """Say what costs without services leave out."""
    between, in_pit, open_cut = service_prices(brief)
    return (
        " Laterals are not given, so no service is in any cost, nor in its band, the running sum "
        f"or the budget: each adds {between:,.0f} {brief.rates.currency} to lining between pits "
        f"and {in_pit:,.0f} in one (rates.connection, rates.in_pit_share, "
        f"rates.temporary_service), and {open_cut:,.0f} to open cut "
        "(rates.open_cut_connection)."
    )


def _own_rates(brief: Brief) -> str:
    """Say how many of the rates and weights were set; what is nothing until then is no other."""
    every = [
        s
        for s in settings(brief)
        if s.key.startswith(("rates.", "screening.")) and s.key not in NO_VALUES
    ]
    own = sum(s.origin != "default" for s in every)
    invented = sum(s.origin == "default" and s.source != USERS for s in every)
    return f"{own} of {own + invented}"


def summarise_screening(tables: dict[str, Any], brief: Brief, target: Path | None) -> Outcome:
    """Put a screening into a summary and a few lines of text."""
    ranking = tables["ranking"]
    unit, scale = DIMENSIONS["length"].shown_in(brief.output.units)
    counts = counts_of(ranking["verdict"], VERDICTS)
    summary = {
        "runs": len(ranking),
        "verdicts": counts,
        f"length_{unit}": float(ranking["length"].sum()) / scale,
        "mains": len(tables["ranking_mains"]),
        "mains_not_considered": int((tables["ranking_mains"]["run_id"] == "").sum()),
        "criteria_known": dict(
            zip(tables["criteria"]["criterion"], map(int, tables["criteria"]["known"]), strict=True)
        ),
        "first": ranking["run_id"].head(10).tolist(),
        "budget": _budget_summary(ranking, brief),
        "findings": finding_counts(tables["findings"]),
        "output": None if target is None else str(target),
        "content_hash": content_hash(tables),
    }
    return Outcome(summary, _text(tables, brief, counts, target), layers=tables)


def _text(tables: dict[str, Any], brief: Brief, counts: dict[str, int], target: Path | None) -> str:
    ranking = tables["ranking"]
    silent = [
        c for c, known in zip(tables["criteria"]["criterion"], tables["criteria"]["known"],
                              strict=True) if not known
    ]  # fmt: skip
    lines = [
        f"{len(ranking)} runs: " + ", ".join(f"{n} {word}" for word, n in counts.items()),
        *([f"not known for any run: {', '.join(silent)}"] if silent and len(ranking) else []),
        *_assumed_text(ranking),
        *left_out_lines(ranking, tables["findings"], tables["inputs"]),
        "",
        *_first_runs(ranking.head(10), brief.output.units),
        *_budget_text(ranking, brief),
        *_estimated(counts),
        finding_line(tables["findings"]),
        *([f"wrote     {target}"] if target is not None else []),
        IN_SHORT,
    ]
    return "\n".join(lines)


def _first_runs(ranking: pd.DataFrame, units: str) -> list[str]:
    """Return runs as a table of text, beneath each its need in words and its first reason.

    Nothing where there are none; an empty line ends it.
    """
    if not len(ranking):
        return []
    unit, size = DIMENSIONS["length"].shown_in(units)
    lengths = ranking["length"].to_numpy(dtype=float) / size
    rows = [
        (r.rank, r.run_id, round(length), r.verdict, f"{r.priority:.2f}",
         f"{r.need:.2f}, {r.need_known:.0%}", _score(r.suitability),
         f"{r.rank_best} to {r.rank_worst}", _cost_cell(r))
        for r, length in zip(ranking.itertuples(), lengths.tolist(), strict=True)
    ]  # fmt: skip
    head = ("rank", "run", unit, "verdict", "priority", "need, known", "suitability",
            "weights move", "cost to open cut")  # fmt: skip
    title, rule, *lines = text_table(head, rows).splitlines()
    told = [
        [line, *_wrapped(need), *_wrapped(reason)]
        for line, need, reason in zip(
            lines, ranking["reason_need"], ranking["reason_1"], strict=True
        )
    ]
    return [title, rule, *(text for some in told for text in some), ""]


def _budget_summary(ranking: pd.DataFrame, brief: Brief) -> dict[str, Any] | None:
    """Return what a budget holds: runs, their length and cost, and what is left; None without."""
    if brief.screening.budget is None:
        return None
    unit, size = DIMENSIONS["length"].shown_in(brief.output.units)
    within = ranking["in_budget"]
    taken = ranking[within.fillna(False).astype(bool)]
    cost = float(taken["lining_cost"].sum())
    return {
        "runs": len(taken),
        f"length_{unit}": float(taken["length"].sum()) / size,
        "cost": cost,
        "left": max(brief.screening.budget - cost, 0.0),
        "passed_over": int((~within).fillna(False).sum()),
        "doubtful": int((taken["verdict"] == VERDICTS[1]).sum()),
    }


def _budget_text(ranking: pd.DataFrame, brief: Brief) -> list[str]:
    """Return a line that says what the budget holds; nothing where there is none."""
    told = _budget_summary(ranking, brief)
    if told is None:
        return []
    unit, _ = DIMENSIONS["length"].shown_in(brief.output.units)
    text = (
        f"budget {brief.screening.budget:,.0f} {brief.rates.currency}: holds {told['runs']:,} runs "
        f"({told['doubtful']:,} of them doubtful) of {told[f'length_{unit}']:,.0f} {unit} at "
        f"{told['cost']:,.0f} by the quick estimate, {told['left']:,.0f} left; "
        f"{told['passed_over']:,} passed over, for they did not fit into what was left"
    )
    return textwrap.wrap(text, WIDTH)


def _wrapped(text: str) -> list[str]:
    """Return a text as lines beneath a run."""
    return textwrap.wrap(text, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT)


def _score(value: Any) -> str:
    """Return a score in two digits; nothing where there is none."""
    return "" if np.isnan(value) else f"{value:.2f}"


def _cost_cell(run: Any) -> str:
    """Return what lining a run costs over open cut, and what that tells, in few words."""
    if run.cost_verdict == NOT_KNOWN:
        return NOT_KNOWN
    return f"{run.cost_ratio:,.2f} {COST_WORDS[run.cost_verdict]}"


def _estimated(counts: dict[str, int]) -> list[str]:
    """Return a line that says what a verdict is not; nothing where no run would be planned."""
    _, doubtful, out = VERDICTS
    if not sum(counts.values()) - counts[out]:
        return []
    return [
        f"A ranking is an estimate: a run, above all one that is {doubtful}, may come out with no "
        "plan; `slipmain plan --only RUN` tells."
    ]


def _assumed_text(ranking: pd.DataFrame) -> list[str]:
    """Return a line that says what was assumed, and for how many runs."""
    counts = Counter(item for text in ranking["assumed"] for item in text.split(", ") if item)
    told = ", ".join(f"{item} {count}" for item, count in counts.items())
    return [f"assumed, by number of runs: {told}"] if told else []
