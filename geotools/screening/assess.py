"""Criteria of every run of a network, measured; and the run's marks, scores and place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief
from geotools.criteria import CRITERIA, NEED, SIDES, SUITABILITY, Criterion
from geotools.intake.columns import Layers
from geotools.layout.prepare import prepare
from geotools.layout.rules import least_between
from geotools.layout.shared import Shared, on_streets
from geotools.network.ragged import BoolArray, FloatArray, IntArray, rows_of
from geotools.pipe.choice import occasional_surge_pa
from geotools.pipe.external import collapse_pressure_pa, groundwater_pressure_pa
from geotools.pipe.fit import fit
from geotools.pipe.hydraulics import (
    CARRIER_C,
    capacity_ratio,
    flow_velocity_m_per_s,
    hazen_williams_flow_m3_per_s,
)
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.pressure import check_pressure, surge_pressure_pa
from geotools.schema import VERDICTS
from geotools.screening.breaks import break_columns
from geotools.screening.condition import mean_along, share_known
from geotools.screening.likely import (
    Estimate,
    Surroundings,
    cost_of_services,
    estimate_open_cut,
    estimate_runs,
    station_lengths,
    surroundings,
)
from geotools.screening.records import (
    NEEDS_OF_RECORDS,
    Records,
    filled,
    gather,
    least_of,
    need_thresholds,
    needs_rule,
)
from geotools.screening.scores import (
    SLACK,
    Firmness,
    Scores,
    Weights,
    add_up,
    cost_verdicts,
    marks,
    need_verdicts,
    on_record,
    overall_verdicts,
    rank_runs,
    ranks,
    ranks_if_needed,
    suitability_verdicts,
    try_weights,
)
from geotools.screening.served import served_columns
from geotools.screening.worst import Worst, breaks_of_mains, needs_of_mains, worst_stretches
from geotools.siting.carrier import Contest, choice_limits
from geotools.siting.further import suiting
from geotools.tool import Progress

__all__ = ["Measured", "Ranked", "Screened", "of_kind", "screen_network", "weights_of"]

OF_EVERY_RUN = 2.0  # pits, one at each end
RUNS_AT_ONCE = 1000  # held against all pipes at a time
MOST_RATIO = 99.0  # of flow carried over flow wanted that is told
Words = npt.NDArray[np.object_]


@dataclass(frozen=True)
class Measured:
    """Criteria of the runs, in the order of `CRITERIA`, shape (n, c), and facts beside them.

    ``known`` is the share of the run's length each value is on record for: 0 where there is none,
    or where it rests on what a setting or a table stands in for.
    ``facts`` has a row a run: carrier, capacity ratio, estimate and costs, what was assumed.
    ``larger`` names the pipe of good flow that suits too where that judged is doubtful for flow.
    """

    value: FloatArray
    known: FloatArray
    none_at: FloatArray
    full_at: FloatArray
    facts: pd.DataFrame
    larger: Words


@dataclass(frozen=True)
class Ranked:
    """Marks and verdicts, shape (n, c), and scores, verdict and place of every run.

    ``valued`` is the share of the weight of suitability that has a value, on record or assumed.
    ``sides`` are the scores of the likelihood of a failure and of its consequence: need by the
    criteria of each alone. By the sums of their weights their mean is the need.
    """

    mark: FloatArray
    words: Words
    verdict: Words
    valued: FloatArray
    place: IntArray
    priority: FloatArray
    need: Scores
    suitability: Scores
    sides: dict[str, Scores]
    by_need: IntArray
    by_suitability: IntArray
    if_needed: IntArray
    firmness: Firmness


@dataclass(frozen=True)
class Screened:
    """A network screened, in the working CRS and SI units.

    ``main_needs`` is the need of every source main by its own records, NaN of one in no run,
    ``main_breaks`` how many breaks are on record of it, NaN where none may be.
    """

    ground: Shared
    measured: Measured
    ranked: Ranked
    worst: Worst
    main_needs: FloatArray
    main_breaks: FloatArray


def of_kind(kind: str) -> BoolArray:
    """Return which criteria are of need, or of suitability."""
    return np.array([criterion.group == kind for criterion in CRITERIA])


def weights_of(brief: Brief) -> FloatArray:
    """Return the weight of every criterion."""
    return np.array([getattr(brief.screening, f"{c.name}_weight") for c in CRITERIA], dtype=float)


def screen_network(
    layers: Layers, brief: Brief, progress: Progress, *, allow_remote: bool
) -> Screened:
    """Rank every run of the layers read, or those chosen, by need and by suitability."""
    only = brief.network.only
    ground = on_streets(prepare(layers, brief, progress, allow_remote=allow_remote, only=only))
    progress("estimating pits and cost")
    around = surroundings(ground)
    estimate = estimate_runs(ground, around)
    progress("ranking")
    records = gather(ground)
    measured = _measure(ground, records, around, estimate)
    ranked = _rank(ground, measured)
    rule = needs_rule(ground.brief)
    worst = worst_stretches(ground, records, rule)
    needs, breaks = needs_of_mains(ground, records, rule), breaks_of_mains(ground, records)
    return Screened(ground, measured, ranked, worst, needs, breaks)


def _measure(
    ground: Shared, records: Records, around: Surroundings, estimate: Estimate
) -> Measured:
    """Measure every criterion on every run."""
    count = len(ground.runs.table)
    needs, shares_of_needs = records.measure(records.run, count)
    names = [criterion.name for criterion in NEEDS_OF_RECORDS]
    recorded = {**dict(zip(names, shares_of_needs.T, strict=True)), **_recorded(ground)}
    known = {
        **dict(zip(names, needs.T, strict=True)),
        **_of_carrier(ground, estimate),
        **_of_run(ground, estimate),
    }
    required = known.pop("fit_limit")
    shape = (count, len(CRITERIA))
    none_at, full_at = np.empty(shape), np.empty(shape)
    for column, criterion in enumerate(CRITERIA):
        low, high = _thresholds(criterion, ground.brief)
        none_at[:, column] = required if criterion.name == "fit" else low
        full_at[:, column] = required if criterion.name == "fit" else high
    value = np.stack([known[c.name] for c in CRITERIA], axis=1)
    whole = np.ones(count)
    shares = np.stack([recorded.get(c.name, whole) for c in CRITERIA], axis=1)
    shares = np.where(np.isnan(value), 0.0, shares)
    counts = break_columns(records.breaks, records.length, records.run, count)
    facts = _facts(ground, around, estimate).join(counts).join(served_columns(ground))
    larger = _larger(ground, estimate, known["hydraulics"], ground.brief.screening.hydraulics_good)
    return Measured(value, shares, none_at, full_at, facts, larger)


def _recorded(ground: Shared) -> dict[str, FloatArray]:
    """Return the share of each run's length that what decides on its suitability is on record for.

    Of what `_assumed` names nothing is; criteria that are not here are measured on the drawing.
    """
    mains, pieces, runs = (
        ground.layers.mains.table,
        ground.runs.chains.pieces,
        len(ground.offsets) - 1,
    )
    run, line = (pieces[c].to_numpy(dtype=np.int64) for c in ("run", "line"))
    length = (pieces["end"] - pieces["start"]).to_numpy(dtype=float)
    of_mains = {"fit": "bore", "pressure": "pressure", "hydraulics": "flow"}
    shares = {
        name: share_known(run, length, mains[column].to_numpy(dtype=float)[line], runs)
        for name, column in of_mains.items()
    }
    stations, width = ground.stations, station_lengths(ground)
    at = stations["run"].to_numpy(dtype=np.int64)
    depth = share_known(at, width, _sure_depth(stations), runs)
    level = share_known(at, width, stations["ground_z"].to_numpy(dtype=float), runs)
    return {**shares, "collapse": depth, "depth": depth, "steepness": level}


def _sure_depth(stations: pd.DataFrame) -> FloatArray:
    """Return the depth at every station, m; NaN where it is assumed."""
    sure = np.where(stations["depth_source"] == "assumed", np.nan, stations["depth"])
    return sure.astype(np.float64)


def _thresholds(criterion: Criterion, brief: Brief) -> tuple[float, float]:
    """Return the values with no mark and with the full one; the first is the limit of suitability.

    A threshold on the wrong side of the limit counts as the limit.
    """
    screening, name = brief.screening, criterion.name
    if criterion.group == NEED:
        return need_thresholds(criterion, brief)
    limits = {
        "fit": np.nan,
        "pressure": 1.0,
        "collapse": 1.0,
        "hydraulics": 1.0,
        "run_length": least_between(brief),
        "depth": brief.pits.max_depth,
        "steepness": brief.pits.max_slope,
        "laydown": brief.street.least_string,
    }
    limit = float(limits[name] if name in limits else getattr(screening, f"{name}_limit"))
    good = float(getattr(screening, f"{name}_good", limit))
    return limit, max(good, limit) if criterion.rising else min(good, limit)


def shown_pipes(contest: Contest, estimated: IntArray) -> IntArray:
    """Return the pipe each run is judged with: that estimated, or the one a plan tells it by.

    -1 where none of the catalogue is near the host in size and none is fixed.
    """
    near = contest.in_window.any(axis=1) | (contest.fixed >= 0)
    told = np.where(near, contest.closest, -1)
    return np.where(estimated >= 0, estimated, told).astype(np.int64)


def _of_carrier(ground: Shared, estimate: Estimate) -> dict[str, FloatArray]:
    """Measure what the carrier decides: fit, pressure, groundwater, flow; and the fit asked for."""
    brief, service = ground.brief, ground.service
    pipe = shown_pipes(ground.contest, estimate.pipe)
    there = pipe >= 0
    pipes = rows_of(ground.contest.pipes, np.maximum(pipe, 0))
    choice, limits = brief.carrier, choice_limits(brief)
    clears = fit(
        service["bore_low"].to_numpy(dtype=float),
        pipes.outside_m,
        rule=choice.fit_rule,
        share=choice.clearance_share,
        gap_m=choice.clearance_gap,
        bead_m=choice.bead_height,
    )
    often = surge_pressure_pa(pipes.material, pipes.dr, brief.service.recurring_velocity)
    flow = service["flow"].to_numpy(dtype=float)
    seldom = occasional_surge_pa(pipes, flow, least_m_per_s=brief.service.occasional_velocity)
    pressed = check_pressure(
        pipes.material,
        pipes.dr,
        service["working"].to_numpy(dtype=float),
        recurring_surge_pa=often,
        occasional_surge_pa=seldom,
        recurring_cycles=limits.recurring_cycles,
        temperature_c=brief.service.water_temperature,
    )
    stands = collapse_pressure_pa(
        pipes.material,
        pipes.dr,
        ovality=brief.service.ovality,
        safety=brief.service.collapse_safety,
        grout_factor=np.where(is_polyethylene(pipes.material), limits.grout_factor, 1.0),
        temperature_c=brief.service.water_temperature,
    )
    values = {
        "fit": clears.share,
        "pressure": pressed.utilisation,
        "collapse": groundwater_pressure_pa(service["head"].to_numpy(dtype=float)) / stands,
        "hydraulics": _flow_ratio(service, np.asarray(pipes.bore_m), brief),
    }
    known = {name: np.where(there, value, np.nan) for name, value in values.items()}
    bore = service["bore_low"].to_numpy(dtype=float)
    return {**known, "fit_limit": np.asarray(clears.required_m / bore)}


def _flow_ratio(service: pd.DataFrame, bore: FloatArray, brief: Brief) -> FloatArray:
    """Return the flow the lined main carries over the flow wanted, of a bore a run, or of several.

    With a design flow: what keeps the limits of velocity and gradient over it. Without: capacity
    at equal gradient over the share of the old main's that is wanted.
    """
    flow = _a_run("flow", service, bore)
    by_speed = brief.service.max_velocity / flow_velocity_m_per_s(np.ones(bore.shape), bore)
    by_slope = hazen_williams_flow_m3_per_s(brief.service.max_gradient, bore, CARRIER_C)
    wanted = np.where(flow > 0, flow, 1.0)
    at_flow = np.where(flow > 0, np.minimum(by_speed, by_slope) / wanted, MOST_RATIO)
    least = max(brief.service.least_capacity, 1e-9)
    ratio = np.where(np.isnan(flow), _capacity(service, bore) / least, at_flow)
    return np.minimum(ratio, MOST_RATIO)


def _capacity(service: pd.DataFrame, bore: FloatArray) -> FloatArray:
    """Return flow after over flow before at equal gradient."""
    host_c, host = (_a_run(c, service, bore) for c in ("host_c", "bore"))
    return capacity_ratio(host_c, host, CARRIER_C, bore)


def _a_run(column: str, service: pd.DataFrame, bore: FloatArray) -> FloatArray:
    """Return a column of the runs in the shape of bores: one a run, or a row of them."""
    values = service[column].to_numpy(dtype=float)
    return values if bore.ndim == 1 else np.broadcast_to(values[:, None], bore.shape)


def _larger(ground: Shared, estimate: Estimate, value: FloatArray, good: float) -> Words:
    """Name the pipe that suits too and whose flow would be good where that judged is doubtful.

    The larger pipe that is cheapest as laid; "" where there is none.
    """
    contest = ground.contest
    out = np.full(len(value), "", dtype=object)
    rows = np.flatnonzero((estimate.pipe >= 0) & (value < good * (1 - SLACK)))
    bore = np.asarray(contest.pipes.bore_m)
    for some in np.array_split(rows, max(1, len(rows) // RUNS_AT_ONCE)):
        bores = np.broadcast_to(bore, (len(some), len(bore)))
        ratio = _flow_ratio(ground.service.iloc[some], bores, ground.brief)
        larger = bores > bore[estimate.pipe[some]][:, None]
        fine = suiting(contest, some) & larger & (ratio >= good * (1 - SLACK))
        best = np.argmin(np.where(fine, contest.laid[None, :], np.inf), axis=1)
        there = fine.any(axis=1)
        out[some[there]] = contest.pipes.name[best[there]].astype(object)
    return out


def _of_run(ground: Shared, estimate: Estimate) -> dict[str, FloatArray]:
    """Measure what lies along the run: bends, connections, depth, room, pits."""
    table, brief = ground.runs.table, ground.brief
    length = table["length"].to_numpy(dtype=float)
    # services, hydrants, tees and line valves: of services none are known without laterals
    digs = np.bincount(ground.digs["run"].to_numpy(dtype=np.int64), minlength=len(table))
    counted = ground.layers.laterals is not None
    stations = ground.stations
    depth = mean_along(
        stations["run"].to_numpy(dtype=np.int64),
        station_lengths(ground),
        _sure_depth(stations),
        len(table),
        least_known=brief.screening.least_known,
    )
    room = np.where(np.isfinite(estimate.room), estimate.room, np.nan)
    return {
        "run_length": length,
        "bends": estimate.unpassed / length,
        "connections": digs / length if counted else np.full(len(table), np.nan),
        "depth": depth,
        "steepness": estimate.steepness,
        "laydown": room,
        "pits": np.maximum(estimate.pits - OF_EVERY_RUN, 0.0) / length,
    }


def _facts(ground: Shared, around: Surroundings, estimate: Estimate) -> pd.DataFrame:
    """Return what is told of every run beside its criteria."""
    contest, service = ground.contest, ground.service
    pipe = shown_pipes(contest, estimate.pipe)
    there, safe = pipe >= 0, np.maximum(pipe, 0)
    bore = np.asarray(contest.pipes.bore_m)[safe]
    ratio = _capacity(service, bore)
    low, high = ground.brief.screening.band_low, ground.brief.screening.band_high
    each = cost_of_services(ground, estimate) if ground.layers.laterals is None else None
    costs = {"lining_cost": estimate.cost, "open_cut_cost": estimate_open_cut(ground, around)}
    bands = {f"{n}_{end}": c * by for n, c in costs.items() for end, by in
             (("low", low), ("high", high))}  # fmt: skip
    return pd.DataFrame(
        {
            "carrier": np.where(there, contest.pipes.name[safe].astype(object), ""),
            "carrier_suits": estimate.pipe >= 0,
            "capacity_ratio": np.where(there, ratio, np.nan),
            "hydraulics_basis": np.where(service["flow"].isna(), "capacity", "design flow"),
            **_traced(service),
            "outside": np.where(there, np.asarray(contest.pipes.outside_m)[safe], np.nan),
            "carrier_bore": np.where(there, bore, np.nan),
            "pit_count": pd.array(estimate.pits, dtype="Float64").astype("Int64"),
            "longest_pull": estimate.longest,
            **costs,
            **bands,
            "cost_ratio": costs["lining_cost"] / costs["open_cut_cost"],
            "cost_verdict": cost_verdicts(*costs.values(), low=low, high=high, each=each),
            "assumed": _assumed(ground),
        }
    )


def _traced(service: pd.DataFrame) -> dict[str, FloatArray]:
    """Return what of a run its verdicts on fit, pressure, groundwater and flow rest on."""
    columns = {
        "host_bore": "bore_low",
        "host_bore_flow": "bore",
        "host_c": "host_c",
        "working_pressure": "working",
        "design_flow": "flow",
        "groundwater": "head",
    }
    return {name: service[column].to_numpy(dtype=float) for name, column in columns.items()}


def _assumed(ground: Shared) -> list[str]:
    """Say of every run what stands in for a record that is missing, somewhere along it."""
    mains, pieces = ground.layers.mains.table, ground.runs.chains.pieces
    run, line = (pieces[c].to_numpy(dtype=np.int64) for c in ("run", "line"))
    length = (pieces["end"] - pieces["start"]).to_numpy(dtype=float)
    count = len(ground.runs.table)

    def gaps(values: FloatArray) -> BoolArray:
        lacks: BoolArray = share_known(run, length, values[line], count) < 1 - 1e-9
        return lacks

    named = np.where(mains["material"].fillna("") != "", 1.0, np.nan)
    measured = mains["bore"].to_numpy(dtype=float)
    stations = ground.stations
    guessed = stations.loc[stations["depth_source"] == "assumed", "run"].to_numpy(dtype=np.int64)
    columns: dict[str, BoolArray] = {
        "material": gaps(named),
        "bore (from the tables)": gaps(measured),
        "roughness": gaps(mains["c_factor"].to_numpy(dtype=float)),
        "working pressure": gaps(mains["pressure"].to_numpy(dtype=float)),
        "flow wanted (share of the old main's)": ground.service["flow"].isna().to_numpy(),
        "depth": np.bincount(guessed, minlength=count) > 0,
        "room for strings (no streets given)": np.full(count, ground.scene is None),
        "cost (no hydrants given: none counted)": np.full(count, ground.layers.hydrants is None),
        "cost (no services given: none counted)": np.full(count, ground.layers.laterals is None),
    }
    return [", ".join(n for n, lacks in columns.items() if lacks[k]) for k in range(count)]


def _side(side: str, mark: FloatArray, measured: Measured, brief: Brief) -> Scores:
    """Return need by the criteria of one side alone, and how much of their weight is on record."""
    of = np.array([criterion.side == side for criterion in CRITERIA])
    weight = weights_of(brief)[of]
    score = add_up(mark[:, of], weight, unknown=brief.screening.unknown_need)
    return Scores(score, on_record(measured.known[:, of], weight))


def _rank(ground: Shared, measured: Measured) -> Ranked:
    """Give marks and verdicts, add them up, and rank.

    Length that is not on record counts as the least there is in a mark of need: of two mains the
    younger one's year, lost, would else make their run older.
    """
    screening, weight = ground.brief.screening, weights_of(ground.brief)
    rising = np.array([criterion.rising for criterion in CRITERIA])
    need, suits = of_kind(NEED), of_kind(SUITABILITY)
    value, none_at, full_at = measured.value, measured.none_at, measured.full_at
    mark = marks(
        np.where(need, filled(value, measured.known, least_of(CRITERIA)), value),
        none_at,
        full_at,
        rising,
    )
    most = marks(filled(value, measured.known, full_at), none_at, full_at, rising)[:, need]
    most = np.where(np.isnan(most), 1.0, np.maximum(most, mark[:, need]))
    words = np.empty(value.shape, dtype=object)
    words[:, need] = need_verdicts(value[:, need], none_at[:, need], full_at[:, need])
    words[:, suits] = suitability_verdicts(
        value[:, suits], none_at[:, suits], full_at[:, suits], rising[suits]
    )
    kinds = (screening.need_weight, screening.suitability_weight)
    weights = Weights(weight[need], weight[suits], kinds, screening.unknown_need)
    lined = measured.facts["carrier_suits"].to_numpy(dtype=bool)
    length = ground.runs.table["length"].to_numpy(dtype=float)
    known = [on_record(measured.known[:, of], weight[of]) for of in (need, suits)]
    valued = on_record(np.isfinite(mark[:, suits]), weight[suits])
    verdict = overall_verdicts(words[:, suits], lined, valued, least_known=screening.least_known)
    out = verdict == VERDICTS[-1]
    columns = (mark[:, need], mark[:, suits], out, length, weights)
    place, priority, of_need, of_suit = rank_runs(*columns)
    return Ranked(
        mark=mark,
        words=words,
        verdict=verdict,
        valued=valued,
        place=place,
        priority=priority,
        need=Scores(of_need, known[0]),
        suitability=Scores(of_suit, known[1]),
        sides={side: _side(side, mark, measured, ground.brief) for side in SIDES},
        by_need=ranks(of_need, length),
        by_suitability=ranks(np.where(out, 0.0, 1.0), of_suit, length),
        if_needed=ranks_if_needed(columns[0], most, *columns[1:]),
        firmness=try_weights(*columns, move=screening.weight_move),
    )
