"""The whole layout, room by room: layers to runs, stations, bends, candidates, pits and pulls."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.deliver.columns import content_hash
from geotools.deliver.layers import axis_parts, placed, point_layer, run_lines
from geotools.deliver.tables import settings_table
from geotools.ground.profile import add_profile
from geotools.ground.sample import sample_ground
from geotools.intake.columns import Layers
from geotools.intake.findings import SEVERITIES
from geotools.network.build import RunSet, build_runs
from geotools.network.places import Places, points_along
from geotools.network.ragged import line_lengths
from geotools.network.stations import build_stations
from geotools.pulls.explain import explain_run
from geotools.pulls.force import build_profile
from geotools.pulls.layout import Plan, lay_out
from geotools.pulls.optimise import Choice, PullCosts, Sites, choose_pits
from geotools.pulls.sites import build_sites
from geotools.schema import DIMENSIONS
from geotools.siting.candidates import Candidates, PitRules, SiteRates, find_candidates
from geotools.siting.carrier import assign_carriers, carrier_columns, host_bores
from geotools.siting.must import Stretches, must_stretches
from geotools.siting.passing import judge_bends
from geotools.street.intersections import find_intersections
from geotools.tool import Outcome, Progress

__all__ = ["Layout", "lay_out_plan", "plan_tables", "summarise"]


@dataclass(frozen=True)
class Layout:
    """Everything a plan consists of, in the working CRS and SI units."""

    runs: RunSet
    table: pd.DataFrame
    stations: pd.DataFrame
    bends: pd.DataFrame
    candidates: Candidates
    plan: Plan


def lay_out_plan(layers: Layers, brief: Brief, progress: Progress, *, allow_remote: bool) -> Layout:
    """Lay out pits and pulls of every run of the layers read."""
    progress("chaining mains")
    runs = build_runs(layers, brief.network, brief.bends, brief.ground.survey_accuracy)
    progress("sampling the ground")
    stations = _stations(runs, layers, brief, allow_remote=allow_remote)
    bores = host_bores(layers.mains.table, runs.chains.pieces, len(runs.table))
    pipes, index, reason = assign_carriers(bores, brief.carrier)
    table = runs.table.join(carrier_columns(pipes, index, bores, brief.carrier, brief.pulls))
    table["reason"] = reason
    bends = _judged(runs.bends, table)
    progress("looking at sites")
    must = must_stretches(
        bends[_lined(bends, table)], table["diameter"].to_numpy(), table["length"].to_numpy()
    )
    candidates = _candidates(stations, bends, runs, table, must, layers, brief)
    progress("choosing pits")
    plan, choice, sites, costs = _choose(runs, stations, bends, table, candidates, must, brief)
    table = _verdicts(table, choice, plan, sites, candidates, must, costs, runs, layers, brief)
    return Layout(runs, table, stations, bends, candidates, plan)


def _lined(rows: pd.DataFrame, table: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Return which rows belong to a run that has a carrier."""
    has = np.isfinite(table["outside"].to_numpy(dtype=float))
    return np.asarray(has[rows["run"].to_numpy(dtype=np.int64)])


def _stations(runs: RunSet, layers: Layers, brief: Brief, *, allow_remote: bool) -> pd.DataFrame:
    """Set out the stations and give them their profile."""
    fixed = pd.concat(
        [
            runs.bends[["run", "chainage"]].assign(kind="bend"),
            _unmatched(runs).assign(kind="fitting"),
            runs.chains.connections[["run", "chainage"]].assign(kind="connection"),
        ],
        ignore_index=True,
    )
    extra = pd.concat(
        [
            runs.valves[["run", "chainage"]].assign(kind="valve"),
            runs.laterals[["run", "chainage"]].assign(kind="lateral"),
        ],
        ignore_index=True,
    )
    stations = build_stations(runs.chains, fixed, extra, step=brief.ground.step)
    lengths = line_lengths(layers.mains.xy, layers.mains.offsets)
    line = stations["line"].to_numpy(dtype=np.int64)
    share = stations["line_at"].to_numpy() / np.maximum(lengths[line], 1e-9)
    stations = stations.rename(columns={"line": "main"}).assign(main_share=np.clip(share, 0, 1))
    stations["ground_z"] = _ground(stations, layers, brief, allow_remote=allow_remote)
    return add_profile(
        stations,
        layers.mains.table,
        assumed_cover=brief.ground.assumed_cover,
        dem_given=bool(layers.dem),
        findings=layers.findings,
        run_ids=runs.table["run_id"].tolist(),
    )


def _unmatched(runs: RunSet) -> pd.DataFrame:
    """Return the fittings on runs that are not bends already."""
    bends, fittings = runs.bends, runs.fittings
    places = Places.of(bends["run"].to_numpy(), bends["chainage"].to_numpy(), len(runs.table))
    _, gap = places.nearest(
        fittings["run"].to_numpy(dtype=np.int64), fittings["chainage"].to_numpy(dtype=float)
    )
    return fittings.loc[gap > 1.0, ["run", "chainage"]]


def _ground(stations: pd.DataFrame, layers: Layers, brief: Brief, *, allow_remote: bool) -> Any:
    if not layers.dem:
        return np.nan
    source = brief.inputs.get("dem")
    unit = brief.ground.vertical_unit or (source.vertical_unit if source else None)
    sample = sample_ground(
        layers.dem,
        stations[["x", "y"]].to_numpy(dtype=float),
        crs=layers.working_crs,
        vertical_unit=unit,
        findings=layers.findings,
        allow_remote=allow_remote,
    )
    return sample.z


def _judged(bends: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    clearance = table["clearance"].fillna(-1.0).to_numpy(dtype=float)
    radius = table["radius"].fillna(1.0).to_numpy(dtype=float)
    judged = judge_bends(bends, clearance=clearance, needed=radius)
    known = _lined(judged, table)
    judged.loc[~known, ["passing_radius", "needed_radius"]] = np.nan
    return judged


def _candidates(
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    runs: RunSet,
    table: pd.DataFrame,
    must: Stretches,
    layers: Layers,
    brief: Brief,
) -> Candidates:
    streets = layers.streets
    crossings = (
        find_intersections(streets, tolerance=brief.network.snap_tolerance)
        if streets is not None
        else None
    )
    pits, rates = brief.pits, brief.rates
    return find_candidates(
        stations[_lined(stations, table)],
        bends,
        runs.thinned,
        table,
        must,
        crossings=crossings,
        avoid=layers.avoid,
        rules=PitRules(
            max_depth=pits.max_depth,
            clear=pits.clear_of_intersection,
            ramp=pits.ramp,
            resting_height=pits.resting_height,
            working=pits.working_length,
            receiving=pits.receiving_length,
            side_room=pits.side_room,
            bedding=pits.bedding,
            receive_in_intersection=pits.receive_in_intersection,
        ),
        rates=SiteRates(
            setup=(
                rates.receiving_pit,
                rates.insertion_pit,
                rates.insertion_pit,
                rates.two_way_pit,
            ),
            intersection_factor=rates.intersection_factor,
            excavation=rates.excavation,
            restoration=rates.restoration,
            open_laying=rates.open_laying,
        ),
    )


def _choose(
    runs: RunSet,
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    table: pd.DataFrame,
    candidates: Candidates,
    must: Stretches,
    brief: Brief,
) -> tuple[Plan, Choice, Sites, PullCosts]:
    pulls, rates = brief.pulls, brief.rates
    offsets = np.searchsorted(stations["run"].to_numpy(), np.arange(len(table) + 1))
    profile = build_profile(
        stations,
        bends,
        offsets.astype(np.int64),
        weight=table["weight"].fillna(0.0).to_numpy(dtype=float),
        friction=pulls.friction,
        roller_friction=pulls.roller_friction,
    )
    digs = _digs(runs)
    sites = build_sites(
        candidates,
        profile,
        must,
        lengths=table["length"].to_numpy(dtype=float),
        limit=table["allowable"].fillna(0.0).to_numpy(dtype=float),
        max_length=pulls.max_length,
        connections=Places.of(digs["run"].to_numpy(), digs["chainage"].to_numpy(), len(table)),
    )
    mass = table["mass"].fillna(0.0).to_numpy(dtype=float)
    costs = PullCosts(
        setup=rates.pull_setup,
        per_length=mass * rates.pipe + rates.pulling_hour / pulls.rate,
        joint=rates.joint,
        piece_length=pulls.piece_length,
        connection=rates.connection,
        least_length=pulls.min_length,
    )
    choice = choose_pits(sites, costs)
    plan = lay_out(choice, sites, candidates, profile, costs, table, rate=pulls.rate)
    return plan, choice, sites, costs


def _digs(runs: RunSet) -> pd.DataFrame:
    """Return what must be dug up along a pull: connections of mains, and services."""
    places = [runs.chains.connections[["run", "chainage"]], runs.laterals[["run", "chainage"]]]
    both = pd.concat(places, ignore_index=True)
    return both.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def _verdicts(
    table: pd.DataFrame,
    choice: Choice,
    plan: Plan,
    sites: Sites,
    candidates: Candidates,
    must: Stretches,
    costs: PullCosts,
    runs: RunSet,
    layers: Layers,
    brief: Brief,
) -> pd.DataFrame:
    """Say of every run whether it is planned, and if not, why; add the figures of the plan."""
    count = len(table)
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    planned = np.isfinite(choice.cost)
    status = np.where(planned, "planned", np.where(lined, "no_plan", "not_suitable"))
    reason = table["reason"].to_numpy(dtype=object).copy()
    for run in np.flatnonzero(lined & ~planned):
        blocked = explain_run(
            sites,
            candidates,
            must,
            costs,
            run=int(run),
            covered=float(choice.covered[run]),
            max_length=brief.pulls.max_length,
        )
        reason[run] = blocked.text
        at = np.array([blocked.low, max(blocked.high, blocked.low)])
        places = points_along(runs.chains.xy, runs.chains.offsets, np.array([run, run]), at)
        layers.findings.add_points(
            "warning",
            "no-plan",
            [f"run {table['run_id'].iloc[run]}: {blocked.text}"],
            layer="runs",
            features=[table["run_id"].iloc[run]],
            xy=places[:1],
        )
    pulls, bends = plan.pulls, runs.bends
    longest = np.zeros(count)
    np.maximum.at(longest, pulls["run"].to_numpy(dtype=np.int64), pulls["length"].to_numpy())
    connections = runs.chains.connections["run"].to_numpy(dtype=np.int64)
    return table.assign(
        status=status,
        reason=reason,
        pit_count=np.bincount(plan.pits["run"].to_numpy(dtype=np.int64), minlength=count),
        pull_count=np.bincount(pulls["run"].to_numpy(dtype=np.int64), minlength=count),
        longest_pull=np.where(longest > 0, longest, np.nan),
        bend_count=np.bincount(bends["run"].to_numpy(dtype=np.int64), minlength=count),
        connection_count=np.bincount(connections, minlength=count),
        cost=np.where(planned, choice.cost, np.nan),
    )


def plan_tables(layout: Layout, layers: Layers, brief: Brief) -> dict[str, Any]:
    """Return the layers of the contract, in the CRS of the mains, bare names, SI units."""
    runs, units = layout.runs, brief.output.units
    run_ids = layout.table["run_id"].to_numpy(dtype=object)
    length_units = DIMENSIONS["length"]
    pulls = layout.plan.pulls
    lines = axis_parts(
        runs.chains,
        layout.stations,
        pulls["run"].to_numpy(dtype=np.int64),
        pulls["start"].to_numpy(dtype=float),
        pulls["end"].to_numpy(dtype=float),
        z_unit=length_units.units[length_units.suffix(units)],
    )
    tables = {
        "runs": layout.table.rename(
            columns={"diameter": "host_diameter", "material": "host_material"}
        ).assign(geometry=run_lines(runs.chains)),
        "stations": _station_layer(layout, layers, run_ids),
        "bends": _bend_layer(layout, run_ids),
        "candidates": _candidate_layer(layout, run_ids),
        "pits": point_layer(layout.plan.pits),
        "pit_footprints": _footprint_layer(layout),
        "pulls": pulls.assign(geometry=lines),
        "findings": layers.findings.table(),
        "settings": settings_table(brief, units),
        "inputs": layers.inputs,
    }
    return placed(tables, layers.working_crs, layers.output_crs)


def _station_layer(layout: Layout, layers: Layers, run_ids: Any) -> pd.DataFrame:
    stations = layout.stations
    mains = layers.mains.table["main_id"].to_numpy(dtype=object)
    return point_layer(
        stations.assign(
            run_id=run_ids[stations["run"].to_numpy(dtype=np.int64)],
            main_id=mains[stations["main"].to_numpy(dtype=np.int64)],
        )
    )


def _bend_layer(layout: Layout, run_ids: Any) -> pd.DataFrame:
    bends = layout.bends
    run = bends["run"].to_numpy(dtype=np.int64)
    chains = layout.runs.chains
    xy = points_along(chains.xy, chains.offsets, run, bends["chainage"].to_numpy(dtype=float))
    place = np.arange(len(run)) - np.searchsorted(run, run, side="left") + 1
    return point_layer(
        bends.assign(
            bend_id=[f"{name}-B{k}" for name, k in zip(run_ids[run], place, strict=True)],
            run_id=run_ids[run],
            span=bends["last"] - bends["first"],
            x=xy[:, 0],
            y=xy[:, 1],
        )
    )


def _candidate_layer(layout: Layout, run_ids: Any) -> pd.DataFrame:
    candidates = layout.candidates
    table = candidates.table
    run = table["run"].to_numpy(dtype=np.int64)
    place = np.arange(len(run)) - np.searchsorted(run, run, side="left") + 1
    cost = np.where(np.isfinite(candidates.cost), candidates.cost, np.nan)
    return point_layer(
        table.assign(
            candidate_id=[f"{name}-C{k}" for name, k in zip(run_ids[run], place, strict=True)],
            run_id=run_ids[run],
            cost_receiving=cost[:, 0],
            cost_insertion_ahead=cost[:, 1],
            cost_insertion_behind=cost[:, 2],
            cost_insertion_both=cost[:, 3],
        )
    )


def _footprint_layer(layout: Layout) -> pd.DataFrame:
    import shapely

    pits = layout.plan.pits
    ground = layout.candidates.ground[
        pits["candidate"].to_numpy(dtype=np.int64), pits["role_index"].to_numpy(dtype=np.int64)
    ]
    shapes = [g if g.geom_type == "MultiPolygon" else shapely.MultiPolygon([g]) for g in ground]
    out = pits[["pit_id", "run_id", "role", "area"]].copy()
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    return out.assign(geometry=geometry)


def summarise(tables: dict[str, Any], units: str, target: Path | None) -> Outcome:
    """Put the result of a plan into a summary and a few lines of text."""
    runs, pits, pulls = tables["runs"], tables["pits"], tables["pulls"]
    length = DIMENSIONS["length"]
    unit = length.suffix(units)
    scale = length.units[unit]
    by_status = {
        s: int((runs["status"] == s).sum()) for s in ("planned", "no_plan", "not_suitable")
    }
    planned = float(runs.loc[runs["status"] == "planned", "length"].sum())
    severity = tables["findings"]["severity"]
    found = {s: int((severity == s).sum()) for s in reversed(SEVERITIES)}
    longest = float(pulls["length"].max()) if len(pulls) else 0.0
    summary = {
        "runs": by_status,
        f"planned_length_{unit}": planned / scale,
        "pits": len(pits),
        "pulls": len(pulls),
        f"longest_pull_{unit}": longest / scale,
        "cost": float(runs["cost"].sum()),
        "findings": found,
        "output": None if target is None else str(target),
        "content_hash": content_hash(tables),
    }
    text = "\n".join(
        [
            f"runs      {by_status['planned']} planned, {by_status['no_plan']} without a plan, "
            f"{by_status['not_suitable']} not suitable",
            f"planned   {planned / scale:,.0f} {unit} in {len(pulls)} pulls from {len(pits)} pits; "
            f"longest pull {longest / scale:,.0f} {unit}",
            "findings  " + ", ".join(f"{count} {name}" for name, count in found.items()),
            *([f"written   {target}"] if target is not None else []),
            "Planning values only: competent persons, local codes and licensed practice decide.",
        ]
    )
    return Outcome(summary=summary, text=text, failed=False, layers=tables)
