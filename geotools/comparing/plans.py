"""Plans of the same mains side by side: run by run, in sum, and where their settings differ."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from geotools.brief import declared, load_brief, settings
from geotools.comparing.batches import tell_lost
from geotools.comparing.matching import RunKeys, ends_of, match_runs, of_other_hosts
from geotools.comparing.materials import carrier_materials, tell_materials
from geotools.comparing.same_names import tell_same_names
from geotools.criteria import COMPARED
from geotools.deliver.read_plan import PlanFile
from geotools.deliver.working_crs import WORKING_CRS
from geotools.errors import BriefError, LayerError
from geotools.estimate.efficient import Standing, stand
from geotools.intake.crs import choose_working_crs, crs_name, horizontal, project
from geotools.intake.findings import Findings
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.program import PROGRAM
from geotools.schema import DIMENSIONS, OUTPUTS

__all__ = ["compare_plans"]

PLANNED = "planned"
_RUN_FIELDS = (
    *(
        "run_id",
        "main_ids",
        "host_diameter",
        "host_material",
        "length",
        "status",
        "reason",
        "carrier",
        "cost",
    ),
    *("pit_count", "pull_count", "longest_pull", "head_after", "capacity_ratio"),
)
_SUMMED = ("length", "cost", "pit_count", "pull_count", "lane_days")
_CAUTION = "caution."
_CURRENCY = "rates.currency"
# Mains have a finding of their own; districts say who plans a run, and change nothing in a plan.
_NOT_INPUTS = {"mains", "districts"}

Words = npt.NDArray[np.object_]


@dataclass(frozen=True)
class _Plan:
    """One plan as read: its runs (a frame with geometry in the CRS of the first), and inputs."""

    name: str
    file: PlanFile
    runs: Any
    inputs: pd.DataFrame


def compare_plans(
    files: Sequence[PlanFile], *, criteria: Sequence[str] = tuple(COMPARED), units: str
) -> dict[str, Any]:
    """Return the layers of a comparison.

    Parameters
    ----------
    files : sequence of PlanFile
        Two or more, of the same mains; a batch counts as one.
    criteria : sequence of str, optional
        Those of `COMPARED` that count.
    units : {"si", "us"}
        Of the texts.

    Returns
    -------
    dict of str to DataFrame or GeoDataFrame
        ``comparison``, ``comparison_totals``, ``settings_differ``, ``findings``, ``settings``
        (those all plans share) and ``inputs`` (the plans), in SI and in the CRS of the first plan.

    Raises
    ------
    LayerError
        If the plans are not in one currency, or have no run in common and are of other mains.
    """
    _check_currency(files)
    plans = [
        _Plan(name, file, _runs_of(file, files[0]), _inputs_of(file))
        for name, file in zip(_names(files), files, strict=True)
    ]
    findings = Findings(units)
    keys = _keys(plans)
    numbers = [number + 1 for number in match_runs(keys)]
    whys = _other_hosts(plans, keys, numbers, units)
    _check_mains(plans, numbers, whys, findings)
    _tell_programs(plans, findings)
    rows = _rows(plans, numbers)
    shape = (int(rows["number"].max()) if len(rows) else 0, len(plans))
    counting = [name for name in COMPARED if name in criteria]
    table = _judged(rows, shape, counting, [plan.name for plan in plans])
    differ = _differing(plans)
    for plan in plans:
        tell_lost(plan.name, plan.file, findings)
    _tell_alone(plans, table, whys, findings)
    tell_materials(table, PLANNED, findings)
    _tell(table, differ, findings)
    _tell_names(plans, findings)
    common = _common(table, shape)
    return {
        "comparison": _placed(table, files[0]),
        "comparison_totals": _totals(plans, table, common, counting),
        "settings_differ": differ,
        "findings": _placed(findings.table(), files[0]),
        "settings": _shared_settings(files, differ, units),
        "inputs": pd.DataFrame([_input_row(plan) for plan in plans]),
    }


def _names(files: Sequence[PlanFile]) -> list[str]:
    """Return a short name for each plan: that of its file; with its folder if two are the same."""
    # names are joined by commas
    names = [file.path.stem.replace(",", " ") for file in files]
    longer = [f"{f.path.resolve().parent.name}/{n}".replace(",", " ")
              for f, n in zip(files, names, strict=True)]  # fmt: skip
    chosen = [long if names.count(n) > 1 else n for n, long in zip(names, longer, strict=True)]
    return [
        f"{name} ({chosen[: k + 1].count(name)})" if chosen.count(name) > 1 else name
        for k, name in enumerate(chosen)
    ]


def _check_currency(files: Sequence[PlanFile]) -> None:
    first = files[0].settings.get(_CURRENCY, "")
    for file in files[1:]:
        other = file.settings.get(_CURRENCY, "")
        if other != first:
            raise LayerError(
                str(file.path),
                f"its costs are in {other!r}, those of {files[0].path} in {first!r}; plan both in "
                f"one currency ({_CURRENCY} and the rates)",
            )


def _runs_of(file: PlanFile, first: PlanFile) -> Any:
    """Return the runs of a plan with what its other layers say of them."""
    runs = file.table("runs", _RUN_FIELDS)
    if not file.crs.equals(first.crs, ignore_axis_order=True):
        source, target = horizontal(file.crs), horizontal(first.crs)
        moved = shapely.transform(runs.geometry.to_numpy(), lambda xy: project(xy, source, target))
        runs = runs.set_geometry(geopandas.GeoSeries(moved, index=runs.index, crs=first.crs))
        if not np.isfinite(shapely.get_coordinates(moved)).all():
            raise LayerError(
                str(file.path),
                f"is in {crs_name(file.crs)} and cannot be moved to {crs_name(first.crs)}, the CRS "
                f"of {first.path}; plan both from mains in one CRS",
            )
    runs = runs.assign(carrier_material=carrier_materials(file, runs["carrier"]))
    added = {"lane_days": _lane_days(file), **_days(file), **_shutdown(file)}
    return runs.assign(
        **{n: runs["run_id"].map(added[n]).astype(float) if n in added else np.nan
           for n in ("lane_days", "days", "customers", "shut_length")}
    )  # fmt: skip


def _lane_days(file: PlanFile) -> Any:
    """Return lanes times days of pits and strings by run; not-a-number where one is not known."""
    parts = []
    for layer, days in (("pits", "days"), ("pulls", "string_days")):
        rows = file.table(layer, ("run_id", "lanes_taken", days))
        taken = rows["lanes_taken"].astype("Float64").astype(float) * rows[days]
        parts.append(rows[["run_id"]].assign(lane_days=taken))
    lanes = pd.concat(parts).groupby("run_id")["lane_days"]
    return lanes.agg(lambda days: days.sum(skipna=False))


def _days(file: PlanFile) -> dict[str, Any]:
    if "schedule" not in file.layers:
        return {}
    tasks = file.table("schedule", ("run_id", "start_day", "days"))
    ends = (tasks["start_day"] + tasks["days"]).groupby(tasks["run_id"]).max()
    return {"days": ends}


def _shutdown(file: PlanFile) -> dict[str, Any]:
    if "shutdowns" not in file.layers:
        return {}
    fields = ("run_id", "customers", "main_length", "cut_off_length")
    shut = pd.DataFrame(file.table("shutdowns", fields))
    shut = shut.drop_duplicates("run_id").set_index("run_id")
    # Where what is cut off is not known, those told are the least: not to be set beside others.
    customers = shut["customers"].where(shut["cut_off_length"].notna())
    return {"customers": customers, "shut_length": shut["main_length"]}


def _inputs_of(file: PlanFile) -> pd.DataFrame:
    fields = ("layer", "source", "sublayer", "sha256")
    if "inputs" not in file.layers:
        return pd.DataFrame({name: np.empty(0, dtype=object) for name in fields})
    return pd.DataFrame(file.table("inputs", fields))


def _keys(plans: Sequence[_Plan]) -> list[RunKeys]:
    """Return what tells the runs of each plan apart, in one CRS."""
    crs, metric = horizontal(plans[0].file.crs), _metric(plans)
    keys = []
    for plan in plans:
        lines = shapely.force_2d(plan.runs.geometry.to_numpy(dtype=object))
        if metric is not None:
            lines = shapely.transform(lines, lambda xy, to=metric: project(xy, crs, to))
        ends = [ends_of(lines, last) for last in (False, True)]
        keys.append(
            RunKeys(
                np.column_stack([*ends, plan.runs["length"]]),
                plan.runs["main_ids"].map(_sorted_mains).to_numpy(dtype=object),
                plan.runs["host_diameter"].to_numpy(dtype=float),
                lines,
            )
        )
    return keys


def _other_hosts(
    plans: Sequence[_Plan], keys: Sequence[RunKeys], numbers: Sequence[IntArray], units: str
) -> dict[int, str]:
    """Return by number which run of another plan only its host keeps a run apart from, in words."""
    whys: dict[int, str] = {}
    for k, j in itertools.permutations(range(len(plans)), 2):
        twin = of_other_hosts(keys[j], keys[k])
        for row in np.flatnonzero((twin >= 0) & ~np.isin(numbers[k], numbers[j])):
            own, other = (_size(keys[n].host[r], units) for n, r in ((k, row), (j, twin[row])))
            whys.setdefault(
                int(numbers[k][row]),
                f"where it lies {plans[j].name} has {plans[j].runs['run_id'].iloc[twin[row]]}, of "
                f"a host of {other}, and not {own}: runs of two diameters are not compared",
            )
    return whys


def _size(diameter: float, units: str) -> str:
    unit, size = DIMENSIONS["bore"].shown_in(units)
    return "unknown diameter" if np.isnan(diameter) else f"{round(diameter / size, 1):g} {unit}"


def _metric(plans: Sequence[_Plan]) -> pyproj.CRS | None:
    """Return a CRS to measure all runs in; none if there are none."""
    corners = [np.reshape(plan.runs.total_bounds, (2, 2)) for plan in plans if len(plan.runs)]
    if not corners:
        return None
    first = plans[0].file
    box = np.concatenate(corners)
    return choose_working_crs(str(first.path), horizontal(first.crs), box, None).crs


def _sorted_mains(text: str) -> str:
    return ",".join(sorted(text.split(",")))


def _check_mains(
    plans: Sequence[_Plan],
    numbers: Sequence[IntArray],
    whys: Mapping[int, str],
    findings: Findings,
) -> None:
    """Refuse plans of other mains; tell those whose inputs are not the same files."""
    first = plans[0]
    for k, plan in enumerate(plans[1:], start=1):
        others = np.concatenate([n for j, n in enumerate(numbers) if j != k])
        common = int(np.isin(numbers[k], others).sum())
        why = []
        if _others(first, plan, "mains"):
            why.append("its mains were read from a file of another content (see inputs)")
        if not plan.file.crs.equals(first.file.crs, ignore_axis_order=True):
            why.append(f"it is in {crs_name(plan.file.crs)}, not in {crs_name(first.file.crs)}")
        if why and not common:
            host = next((f" ({whys[n]})" for n in numbers[k].tolist() if n in whys), "")
            raise LayerError(
                str(plan.file.path),
                f"{' and '.join(why)}, and no run of it lies where one of another plan does, or is "
                f"one by its mains{host}; compare plans made from the same mains as "
                f"{first.file.path}",
            )
        for text in why:
            findings.add(
                "warning",
                "other-mains",
                f"{plan.name}: {text}; {common} of its {len(plan.runs)} runs were matched by "
                "their place or mains; see that the mains are the same",
                layer="mains",
                feature=plan.name,
            )
        _tell_unknown(first, plan, findings)
        layers = sorted({*first.inputs["layer"], *plan.inputs["layer"]} - _NOT_INPUTS)
        other = [name for name in layers if _others(first, plan, name)]
        if other:
            findings.add(
                "warning",
                "other-inputs",
                f"{plan.name}: {', '.join(other)} were not read from the same files as those of "
                f"{first.name}; part of what differs may come from them",
                layer="inputs",
                feature=plan.name,
            )


def _tell_unknown(first: _Plan, plan: _Plan, findings: Findings) -> None:
    """Tell of what two plans read without a hash: whether it is the same cannot be told."""
    layers = sorted({*first.inputs["layer"], *plan.inputs["layer"]} - {"districts"})
    unknown = [name for name in layers if not _known(first, plan, name)]
    if unknown:
        findings.add(
            "info",
            "inputs-not-known",
            f"{plan.name}: whether {', '.join(unknown)} were the same as those of {first.name} is "
            "not known: the plans tell no hash of them, as they were read from afar, or from "
            "memory by an earlier version",
            layer="inputs",
            feature=plan.name,
        )


def _tell_programs(plans: Sequence[_Plan], findings: Findings) -> None:
    """Tell which plans another program made than the first, or that it is not known."""
    first = plans[0]
    for plan in plans[1:]:
        made, other = plan.file.program, first.file.program
        if made and made == other:
            continue
        unknown = not made and not other
        findings.add(
            "info" if unknown else "warning",
            "other-program",
            f"{plan.name} and {first.name}: neither says which version of the program made it; if "
            "they are two, part of what differs may come from rules that changed; plan again"
            if unknown
            else f"{plan.name} was made by another version of the program "
            f"({made or 'too old to say which'}) than {first.name} "
            f"({other or 'too old to say which'}); part of what differs may come from rules that "
            "changed in between, under the same settings; plan both with one version",
            layer="settings",
            feature=plan.name,
        )


def _others(first: _Plan, plan: _Plan, layer: str) -> bool:
    """Tell whether two plans read a layer from other content, as far as both tell a hash of it."""
    return _known(first, plan, layer) and _hashes(plan, layer) != _hashes(first, layer)


def _known(first: _Plan, plan: _Plan, layer: str) -> bool:
    """Tell whether two plans have a hash of all that either read as a layer."""
    return all(sha for one in (first, plan) for sha, _ in _hashes(one, layer))


def _hashes(plan: _Plan, layer: str) -> list[tuple[str, str]]:
    rows = plan.inputs[plan.inputs["layer"] == layer]
    return sorted(zip(rows["sha256"], rows["sublayer"], strict=True))


def _rows(plans: Sequence[_Plan], numbers: Sequence[IntArray]) -> Any:
    """Return every run of every plan, by its number, then in the order of the plans."""
    parts = [
        plan.runs.assign(number=number, plan=plan.name, column=k)
        for k, (plan, number) in enumerate(zip(plans, numbers, strict=True))
    ]
    rows = pd.concat(parts, ignore_index=True).sort_values(["number", "column"], kind="stable")
    rows = rows.reset_index(drop=True)
    return rows.assign(plans=rows.groupby("number")["plan"].transform("size"))


def _judged(
    rows: Any, shape: tuple[int, int], counting: Sequence[str], names: Sequence[str]
) -> Any:
    """Add to every run of every plan how it stands to those of the other plans."""
    at = (rows["number"].to_numpy() - 1, rows["column"].to_numpy())
    planned = np.zeros(shape, dtype=bool)
    planned[at] = rows["status"] == PLANNED
    standing = stand(_values(rows, at, shape, counting), planned, _rising(counting))
    cost = stand(_values(rows, at, shape, ["cost"]), planned, _rising(["cost"]))
    beaten = standing.beaten[at]
    any_planned = np.any(planned, axis=1, keepdims=True)
    return rows.assign(
        cheapest=(cost.place[:, :, 0] == 0)[at],
        best_in=_joined(standing.best[at], counting),
        dominated_by=_joined(beaten, names),
        efficient=planned[at] & ~beaten.any(axis=1),
        not_counted=_joined((~standing.takes_part & any_planned)[at[0]], counting),
    )


def _values(
    rows: Any, at: tuple[IntArray, IntArray], shape: tuple[int, int], counting: Sequence[str]
) -> FloatArray:
    values = np.full((*shape, len(counting)), np.nan)
    values[at] = _told_apart(rows[list(counting)].astype(float).to_numpy(), counting)
    return values


def _told_apart(values: FloatArray, counting: Sequence[str]) -> FloatArray:
    """Round figures, a column for each criterion, to what of them differs at all."""
    step = np.array([COMPARED[name].step for name in counting])
    return np.asarray(np.floor(values / step + 0.5) * step, dtype=np.float64)


def _rising(counting: Sequence[str]) -> BoolArray:
    return np.array([COMPARED[name].rising for name in counting], dtype=bool)


def _joined(chosen: BoolArray, words: Sequence[str]) -> list[str]:
    return [",".join(words[int(k)] for k in np.flatnonzero(row)) for row in chosen]


def _common(table: Any, shape: tuple[int, int]) -> BoolArray:
    """Tell which rows are of a run planned in every plan."""
    planned = table.loc[table["status"] == PLANNED, "number"]
    count = np.bincount(planned, minlength=shape[0] + 1)
    return np.asarray(count[table["number"].to_numpy()] == shape[1])


def _totals(
    plans: Sequence[_Plan], table: Any, common: BoolArray, counting: Sequence[str]
) -> pd.DataFrame:
    shared, planned = table[common], table[table["status"] == PLANNED]
    flow = shared.groupby("number")["head_after"].transform(lambda head: head.notna().all())
    rows = []
    for plan in plans:
        own, all_own = shared[shared["plan"] == plan.name], planned[planned["plan"] == plan.name]
        heads = own.loc[flow[own.index].astype(bool), "head_after"]
        of_common = {
            **_sums(own),
            "head_after": heads.sum() if len(heads) else np.nan,
            "capacity_ratio": own["capacity_ratio"].min(skipna=False) if len(own) else np.nan,
        }
        rows.append(
            {
                "plan": plan.name,
                "file": plan.file.path.name,
                "common_runs": len(own),
                **{f"common_{name}": value for name, value in of_common.items()},
                "common_cheapest": int(own["cheapest"].sum()),
                "common_efficient": int(own["efficient"].sum()),
                "runs": len(plan.runs),
                "runs_planned": len(all_own),
                **_sums(all_own),
            }
        )
    totals = pd.DataFrame(rows)
    standing = _standing_of(totals, counting)
    beaten = standing.beaten[0]
    return totals.assign(
        best_in=_joined(standing.best[0], counting),
        dominated_by=_joined(beaten, [plan.name for plan in plans]),
        efficient=(totals["common_runs"] > 0).to_numpy() & ~beaten.any(axis=1),
    )


def _sums(runs: Any) -> dict[str, float]:
    sums = {name: float(runs[name].astype(float).sum(skipna=False)) for name in _SUMMED}
    longest = runs["longest_pull"].astype(float).max()
    return {**sums, "longest_pull": float(longest)}


def _standing_of(totals: pd.DataFrame, counting: Sequence[str]) -> Standing:
    values = totals[[f"common_{name}" for name in counting]].to_numpy(dtype=float)
    values = _told_apart(values, counting)
    planned = (totals["common_runs"] > 0).to_numpy(dtype=bool)
    return stand(values[None], planned[None], _rising(counting))


def _differing(plans: Sequence[_Plan]) -> pd.DataFrame:
    """Return the settings that are not the same in all plans, a row for each and plan."""
    tables = [plan.file.table("settings").drop_duplicates("name") for plan in plans]
    tables = [table.set_index("name") for table in tables]
    names = dict.fromkeys(
        n for t in tables for n in t.index if not n.startswith(_CAUTION) and n != PROGRAM
    )
    if not all(WORKING_CRS in t.index for t in tables):  # not known of earlier versions
        names.pop(WORKING_CRS, None)
    written = [[plan.file.settings.get(name) for plan in plans] for name in names]
    doubtful = [n for n, texts in zip(names, written, strict=True) if len(set(texts)) > 1]
    used = [_used(plan.file, doubtful) for plan in plans]
    rows = [
        {
            "name": name,
            "plan": plan.name,
            "value": table["value"].get(name, ""),
            "origin": table["origin"].get(name, ""),
            "text": next(str(t.at[name, "text"]) for t in tables if name in t.index),
        }
        for name in doubtful
        if not _alike([values[name] for values in used])
        for plan, table in zip(plans, tables, strict=True)
    ]
    return pd.DataFrame(rows, columns=[f.name for f in OUTPUTS["settings_differ"].fields])


def _used(file: PlanFile, names: Sequence[str]) -> dict[str, Any]:
    """Return settings of a plan as the program used them, in SI; as text where it cannot tell."""
    out: dict[str, Any] = {name: file.settings.get(name) for name in names}
    given = {n: text for n, text in out.items() if n in declared() and text not in (None, "none")}
    try:
        brief = load_brief(overrides=given)
    except BriefError:  # of another version of the program
        return out
    return out | {s.key: s.value for s in settings(brief) if s.key in given}


def _alike(values: Sequence[Any]) -> bool:
    """Tell whether all values are one; numbers as near as ten figures in either system are."""
    if all(isinstance(value, float) for value in values):
        return bool(np.allclose(values, values[0], rtol=1e-8, atol=0))
    return all(value == values[0] for value in values)


def _tell_alone(
    plans: Sequence[_Plan], table: Any, whys: Mapping[int, str], findings: Findings
) -> None:
    """Tell which runs are not in all plans, and why where their hosts alone keep them apart."""
    alone = table[table["plans"] < len(plans)].drop_duplicates("number")
    holders = table.groupby("number")["plan"].agg(", ".join)
    findings.add_many(
        "warning",
        "run-not-in-all",
        [
            f"run {run_id} ({findings.length(length, 0)}) is only in {holders[number]}; it has a "
            "row of its own and no part in the sums over the runs planned in all plans"
            + (f"; {whys[number]}" if number in whys else "")
            for run_id, length, number in zip(
                alone["run_id"], alone["length"], alone["number"], strict=True
            )
        ],
        layer="comparison",
        features=alone["run_id"].to_numpy(dtype=object),
        geometry=alone.geometry.to_numpy(),
    )


def _tell(table: Any, differ: pd.DataFrame, findings: Findings) -> None:
    """Add the findings: rates that differ, criteria that are not known."""
    rates = sorted({name for name in differ["name"] if name.startswith("rates.")})
    if rates:
        findings.add(
            "warning",
            "rates-differ",
            f"the plans were not priced at the same rates ({', '.join(rates)}); part of what their "
            "costs differ by comes from that",
            layer="settings_differ",
        )
    if differ.empty:
        findings.add("info", "settings-alike", "the plans differ in no setting")
    left = table.drop_duplicates("number")["not_counted"]
    for name in COMPARED:
        count = int(left.map(lambda text, name=name: name in text.split(",")).sum())
        if count:
            findings.add(
                "info",
                "criterion-not-known",
                f"{name} is not known in every plan of {count} of {len(left)} runs and takes no "
                "part there",
                layer="comparison",
                feature=name,
            )


def _tell_names(plans: Sequence[_Plan], findings: Findings) -> None:
    """Add which names of pulls and pits of the first plan are of others in another plan."""
    metric, first = _metric(plans), plans[0]
    if metric is None:
        return
    for plan in plans[1:]:
        pair = (first.name, first.file), (plan.name, plan.file)
        tell_same_names(*pair, crs=metric, findings=findings)


def _placed(table: pd.DataFrame, first: PlanFile) -> Any:
    return geopandas.GeoDataFrame(table, geometry="geometry", crs=first.crs)


def _shared_settings(files: Sequence[PlanFile], differ: pd.DataFrame, units: str) -> pd.DataFrame:
    """Return the settings, and cautions, that hold for all plans; the units are those written."""
    table = files[0].table("settings")
    own = table["name"] == "output.units"
    table.loc[own, "value"] = units
    other = {*differ["name"], *_facts_that_differ(files)}
    kept: pd.DataFrame = table[own | ~table["name"].isin(other)]
    return kept.reset_index(drop=True)


def _facts_that_differ(files: Sequence[PlanFile]) -> list[str]:
    """Return the rows of settings that no brief gives and that are not the same in all plans."""
    facts = (PROGRAM, WORKING_CRS)
    return [name for name in facts if len({f.settings.get(name, "") for f in files}) > 1]


def _input_row(plan: _Plan) -> Mapping[str, object]:
    path = plan.file.path
    return {
        "layer": "plan",
        "source": path.name,
        "sublayer": "runs",
        "sha256": plan.file.sha256(),
        "crs": crs_name(plan.file.crs),
        "features_read": len(plan.runs),
        "features_used": len(plan.runs),
    }
