"""The whole layout, room by room: layers to runs, stations, carriers, sites, pits and pulls."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief
from geotools.errors import BriefError
from geotools.ground.profile import add_profile
from geotools.ground.sample import sample_ground
from geotools.intake.columns import Layers
from geotools.network.build import RunSet, build_runs
from geotools.network.places import Places, points_along
from geotools.network.ragged import FloatArray, IntArray, line_lengths
from geotools.network.stations import build_stations
from geotools.pipe.pulling import friction_band
from geotools.pulls.digs import dig_list
from geotools.pulls.edits import Edited, choose_with_edits
from geotools.pulls.explain import explain_run
from geotools.pulls.force import ForceProfile, build_profile
from geotools.pulls.forces import force_table, with_band
from geotools.pulls.layout import Plan, lay_out
from geotools.pulls.optimise import PullCosts, Sites
from geotools.pulls.sections import section_table
from geotools.pulls.sites import build_sites
from geotools.schema import length_text
from geotools.siting.axis import Axis
from geotools.siting.candidates import Candidates, PitRules, find_candidates
from geotools.siting.carrier import (
    Contest,
    bend_limits,
    carrier_columns,
    hold_contest,
    hydraulic_columns,
    report_fixed,
)
from geotools.siting.ground_checks import hard_places
from geotools.siting.laydown import LaydownRules
from geotools.siting.must import Stretches, must_stretches
from geotools.siting.passing import judge_bends
from geotools.siting.refusals import ROLES
from geotools.siting.service import service_columns
from geotools.siting.works import SiteRates, WorkRates
from geotools.street.scene import StreetScene, build_scene, with_street
from geotools.tool import Progress
from geotools.tools._shared import Shared
from geotools.tools._works import Works, work_out

__all__ = ["Attempt", "Layout", "lay_out_plan"]


@dataclass(frozen=True)
class Attempt:
    """All runs planned through with one carrier each."""

    table: pd.DataFrame
    bends: pd.DataFrame
    must: Stretches
    candidates: Candidates
    sites: Sites
    costs: PullCosts
    edited: Edited
    plan: Plan

    @property
    def value(self) -> FloatArray:
        """What was made least, per run; infinite where there is no plan."""
        return self.edited.choice.cost

    @property
    def cost(self) -> FloatArray:
        """Cost of pits and pulls of each run; infinite where there is no plan."""
        parts = [
            np.bincount(
                rows["run"].to_numpy(dtype=np.int64),
                rows["cost"].to_numpy(dtype=float),
                minlength=len(self.table),
            )
            for rows in (self.plan.pits, self.plan.pulls)
        ]
        return np.where(np.isfinite(self.value), parts[0] + parts[1], np.inf)


@dataclass(frozen=True)
class Layout:
    """Everything a plan consists of, in the working CRS and SI units.

    ``shown`` is the attempt each run's rows come from; ``attempts`` and ``contest`` are kept for
    the alternatives.
    """

    runs: RunSet
    table: pd.DataFrame
    stations: pd.DataFrame
    bends: pd.DataFrame
    candidates: pd.DataFrame
    pits: pd.DataFrame
    pulls: pd.DataFrame
    forces: pd.DataFrame
    sections: pd.DataFrame
    works: Works
    contest: Contest
    attempts: list[Attempt]
    shown: IntArray


def lay_out_plan(layers: Layers, brief: Brief, progress: Progress, *, allow_remote: bool) -> Layout:
    """Lay out pits and pulls of every run of the layers read."""
    ground = _prepare(layers, brief, progress, allow_remote=allow_remote)
    tries = ground.contest.tries.shape[1]
    attempts = []
    for rank in range(tries):
        if rank and not (ground.contest.tries[:, rank] >= 0).any():
            break
        progress("planning pits and pulls", rank, tries)
        attempts.append(_attempt(ground, rank))
    shown = _winners(attempts, brief.carrier.larger_for)
    return _merge(ground, attempts, shown)


def _winners(attempts: list[Attempt], larger_for: float) -> IntArray:
    """Return the attempt that wins each run: the cheapest, or a larger bore for little more."""
    value = np.stack([a.value for a in attempts])
    bore = np.stack([a.table["carrier_bore"].fillna(0.0).to_numpy(dtype=float) for a in attempts])
    best = value.min(axis=0)
    near = np.isfinite(value) & (value <= best * (1 + larger_for))
    if larger_for <= 0:
        return np.asarray(np.argmin(value, axis=0), dtype=np.int64)
    return np.asarray(np.argmax(np.where(near, bore, -1.0), axis=0), dtype=np.int64)


def _prepare(layers: Layers, brief: Brief, progress: Progress, *, allow_remote: bool) -> Shared:
    """Do what does not depend on the carrier."""
    progress("chaining mains")
    runs = build_runs(
        layers,
        brief.network,
        brief.bends,
        accuracy=brief.ground.survey_accuracy,
        edit_reach=brief.pits.edit_reach,
    )
    edits = _edits(runs, layers)
    progress("sampling the ground")
    stations = _stations(runs, edits, layers, brief, allow_remote=allow_remote)
    progress("choosing carriers")
    run_ids = runs.table["run_id"].tolist()
    service = service_columns(
        layers.mains.table, runs.chains.pieces, stations, run_ids, brief.service, layers.findings
    )
    contest = hold_contest(runs.table, service, brief, least_length=_least_between(brief))
    report_fixed(contest, run_ids, layers.findings)
    scene = _scene(layers, brief)
    at = stations["chainage"].to_numpy(dtype=float)
    heading = Axis(runs.thinned).heading(stations["run"].to_numpy(dtype=np.int64), at)
    return Shared(
        runs=runs,
        stations=with_street(stations, heading, scene, brief.street),
        offsets=np.searchsorted(stations["run"], np.arange(len(runs.table) + 1)).astype(np.int64),
        service=service,
        contest=contest,
        scene=scene,
        edits=edits,
        digs=dig_list(runs, connection=brief.rates.connection, valve=brief.rates.valve),
        layers=layers,
        brief=brief,
    )


def _valves_in_pits(runs: RunSet, brief: Brief) -> pd.DataFrame:
    """Return the line valves that must lie in a pit, as places no pull passes."""
    at = runs.valves if brief.pulls.valves == "pit" else runs.valves.iloc[:0]
    places = at[["run", "chainage"]]
    return places.assign(first=at["chainage"], last=at["chainage"], passes=False)


def _least_between(brief: Brief) -> float:
    """Return the room two half pits and the shortest pull between them take, m.

    Bends nearer to each other share a pit; a shorter run is not worth a pull.
    """
    pits = brief.pits
    return pits.working_length + pits.receiving_length / 2 + brief.pulls.min_length


def _scene(layers: Layers, brief: Brief) -> StreetScene | None:
    """Return the streets around the mains; None where no streets were given."""
    if layers.streets is None or not len(layers.streets):
        return None
    return build_scene(
        layers.streets,
        hard_places(layers.avoid),
        brief.street,
        tolerance=brief.network.snap_tolerance,
        accuracy=brief.ground.survey_accuracy,
        clear=brief.pits.clear_of_intersection,
    )


def _attempt(ground: Shared, rank: int) -> Attempt:
    """Plan every run with its carrier of this rank."""
    brief = ground.brief
    table = ground.runs.table.join(ground.service).join(
        carrier_columns(ground.contest, rank, ground.service, brief.carrier, brief.pulls)
    )
    table = _priced(table, ground.contest, brief)
    bends = _judged(ground.runs.bends, table, ground.contest, brief)
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    held = pd.concat([bends, _valves_in_pits(ground.runs, brief)], ignore_index=True)
    must = must_stretches(
        held[lined[held["run"].to_numpy(dtype=np.int64)]],
        table["diameter"].to_numpy(dtype=float),
        table["length"].to_numpy(dtype=float),
        apart=_least_between(brief),
    )
    candidates = _candidates(ground, table, bends, must)
    profile = _profile(ground, table, bends, _friction(brief)["central"])
    sites = build_sites(
        candidates,
        profile,
        must,
        lengths=table["length"].to_numpy(dtype=float),
        limit=table["allowable"].fillna(0.0).to_numpy(dtype=float),
        max_length=brief.pulls.max_length,
        digs=ground.digs,
        objective=_objective(candidates, brief),
    )
    costs = _pull_costs(table, brief)
    edited = choose_with_edits(
        sites,
        costs,
        candidates.table["chainage"].to_numpy(dtype=float),
        candidates.table["reasons"].tolist(),
        ground.edits,
        reach=brief.pits.forbid_reach,
    )
    plan = lay_out(
        edited.choice,
        sites,
        candidates,
        profile,
        costs,
        table,
        rate=brief.pulls.rate,
        joint_hours=brief.pulls.string_joint_hours / 3600,
    )
    return Attempt(table, bends, must, candidates, sites, costs, edited, plan)


def _objective(candidates: Candidates, brief: Brief) -> FloatArray:
    """Return what the optimiser makes least for each site: its cost, a pit, its lane-days."""
    weights = brief.objective
    return np.asarray(
        candidates.cost + weights.per_pit + weights.per_lane_day * candidates.lane_days
    )


def _edits(runs: RunSet, layers: Layers) -> pd.DataFrame:
    """Return the designer's edits that lie on a run; those that do not are findings."""
    columns = ["run", "chainage", "action", "role", "feature"]
    if layers.pit_edits is None or not len(layers.pit_edits):
        return pd.DataFrame({name: [] for name in columns})
    wishes = _read_wishes(layers)
    near = runs.edits
    meant = wishes["run_id"].to_numpy(dtype=object)[near["point"].to_numpy(dtype=np.int64)]
    named = runs.table["run_id"].to_numpy(dtype=object)[near["run"].to_numpy(dtype=np.int64)]
    own = near.assign(other=meant != named)  # of several runs within reach the one it names
    nearest = own.sort_values(["point", "other", "offset"], kind="stable").drop_duplicates("point")
    point = nearest["point"].to_numpy(dtype=np.int64)
    lost = np.setdiff1d(np.arange(len(wishes)), point)
    layers.findings.add_points(
        "warning",
        "edit-refused",
        "the edit lies on no run (pits.edit_reach); move it onto the main",
        layer="pit_edits",
        features=wishes["feature"].to_numpy(dtype=object)[lost],
        xy=layers.pit_edits.xy[lost],
    )
    table = nearest[["run", "chainage"]].assign(
        **{name: wishes[name].to_numpy(dtype=object)[point] for name in columns[2:]}
    )
    table = table[table["action"] != ""]
    return table.sort_values(["run", "chainage", "feature"], kind="stable").reset_index(drop=True)


def _read_wishes(layers: Layers) -> pd.DataFrame:
    """Return the edits with action and role as the plan knows them; others are findings.

    The ``pits`` layer of a plan, moved about and given back, has no action: each pit is fixed.
    """
    given = layers.pit_edits
    if given is None:
        return pd.DataFrame({"action": [], "role": [], "feature": []})
    wishes = given.table
    action = wishes["action"].astype(str).str.strip().str.casefold().replace("", "fix")
    role = wishes["role"].astype(str).str.strip().str.casefold()
    good = role.isin(["", *ROLES]).to_numpy()
    layers.findings.add_points(
        "warning",
        "edit-refused",
        [
            f"role {r!r} is none of {', '.join(ROLES)}; correct it or leave it out"
            for r in role[~good]
        ],
        layer="pit_edits",
        features=wishes["feature"].to_numpy(dtype=object)[~good],
        xy=given.xy[~good],
    )
    return wishes.assign(action=np.where(good, action, ""), role=role)


def _stations(
    runs: RunSet, edits: pd.DataFrame, layers: Layers, brief: Brief, *, allow_remote: bool
) -> pd.DataFrame:
    """Set out the stations and give them their profile."""
    fixed = pd.concat(
        [
            runs.bends[["run", "chainage"]].assign(kind="bend"),
            _unmatched(runs).assign(kind="fitting"),
            runs.chains.connections[["run", "chainage"]].assign(kind="connection"),
        ],
        ignore_index=True,
    )
    wished = edits.loc[edits["action"] == "fix", ["run", "chainage"]]
    # A valve that must lie in a pit is a place for one.
    valve = "fitting" if brief.pulls.valves == "pit" else "valve"
    extra = pd.concat(
        [
            wished.astype({"run": np.int64}).assign(kind="edit"),
            runs.valves[["run", "chainage"]].assign(kind=valve),
            runs.laterals[["run", "chainage"]].assign(kind="lateral"),
        ],
        ignore_index=True,
    )
    stations = build_stations(runs.chains, fixed, extra, step=brief.ground.step)
    lengths = line_lengths(layers.mains.xy, layers.mains.offsets)
    line = stations["line"].to_numpy(dtype=np.int64)
    share = stations["line_at"].to_numpy() / np.maximum(lengths[line], 1e-9)
    stations = stations.rename(columns={"line": "main"}).assign(main_share=np.clip(share, 0, 1))
    stations["ground_z"] = _levels(stations, layers, brief, allow_remote=allow_remote)
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


def _levels(
    stations: pd.DataFrame, layers: Layers, brief: Brief, *, allow_remote: bool
) -> FloatArray | float:
    """Return the ground level of the stations; not-a-number where there is none."""
    if not layers.dem:
        return float("nan")
    source = brief.inputs.get("dem")
    sample = sample_ground(
        layers.dem,
        stations[["x", "y"]].to_numpy(dtype=float),
        crs=layers.working_crs,
        vertical_unit=brief.ground.vertical_unit or (source.vertical_unit if source else None),
        findings=layers.findings,
        allow_remote=allow_remote,
    )
    return sample.z


def _judged(
    bends: pd.DataFrame, table: pd.DataFrame, contest: Contest, brief: Brief
) -> pd.DataFrame:
    """Judge the bends for each run's carrier, and limit the tension where it is bent."""
    judged = judge_bends(
        bends,
        clearance=table["clearance"].fillna(-1.0).to_numpy(dtype=float),
        needed=table["radius"].fillna(1.0).to_numpy(dtype=float),
    )
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    unknown = ~lined[judged["run"].to_numpy(dtype=np.int64)]
    judged.loc[unknown, ["passing_radius", "needed_radius"]] = np.nan
    return judged.assign(bend_limit=bend_limits(judged, table, contest.pipes, brief))


def _candidates(
    ground: Shared, table: pd.DataFrame, bends: pd.DataFrame, must: Stretches
) -> Candidates:
    brief = ground.brief
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    stations = ground.stations
    return find_candidates(
        stations[lined[stations["run"].to_numpy(dtype=np.int64)]],
        bends,
        ground.runs.thinned,
        table,
        must,
        scene=ground.scene,
        avoid=ground.layers.avoid,
        rules=_pit_rules(brief),
        strings=LaydownRules(
            piece=brief.pulls.piece_length,
            least=brief.street.least_string,
            rate=brief.pulls.rate,
            shift=brief.crew.shift,
            joint_time=brief.pulls.string_joint_hours,
            max_pull=brief.pulls.max_length,
        ),
        rates=_site_rates(brief),
        work=WorkRates(
            pit_days=brief.crew.pit_days,
            tie_in_days=brief.crew.tie_in_days,
            dig_per_day=brief.crew.dig_per_day * DAY,
            restore_per_day=brief.crew.restore_per_day * DAY,
        ),
    )


DAY = 86400.0  # s


def _pit_rules(brief: Brief) -> PitRules:
    pits = brief.pits
    return PitRules(
        max_depth=pits.max_depth,
        max_slope=pits.max_slope,
        clear=pits.clear_of_intersection,
        ramp=pits.ramp,
        resting_height=pits.resting_height,
        working=pits.working_length,
        receiving=pits.receiving_length,
        side_room=pits.side_room,
        bedding=pits.bedding,
        receive_in_intersection=pits.receive_in_intersection,
        support=pits.support,
        soil=pits.soil,
        spoil_setback=pits.spoil_setback,
        lateral_gap=brief.street.lateral_gap,
        busy=frozenset(name.strip().casefold() for name in brief.street.no_block),
        limits={
            "max_depth": length_text(pits.max_depth, brief.output.units),
            "clear": length_text(pits.clear_of_intersection, brief.output.units),
            "max_slope": f"{pits.max_slope:.0%}",
            "least_string": length_text(brief.street.least_string, brief.output.units),
        },
    )


def _site_rates(brief: Brief) -> SiteRates:
    rates = brief.rates
    lane_day = dict(_class_rate(wish) for wish in rates.lane_day)
    return SiteRates(
        setup=(rates.receiving_pit, rates.insertion_pit, rates.insertion_pit, rates.two_way_pit),
        intersection_factor=rates.intersection_factor,
        excavation=rates.excavation,
        restoration=rates.restoration,
        open_laying=rates.open_laying,
        off_street=rates.off_street,
        lane_day=lane_day,
        lane_day_other=rates.lane_day_other,
        full_closure_factor=rates.full_closure_factor,
    )


def _class_rate(wish: str) -> tuple[str, float]:
    """Read ``class = cost``."""
    name, _, cost = wish.partition("=")
    try:
        return name.strip().casefold(), float(cost)
    except ValueError as error:
        raise BriefError([f"rates.lane_day: {wish!r} is not 'class = cost'"]) from error


def _friction(brief: Brief) -> dict[str, float]:
    """Return the band of friction; a friction named in the brief is its middle."""
    band = friction_band(brief.pulls.host)
    central = band.central if brief.pulls.friction is None else brief.pulls.friction
    return {
        "low": min(band.low, central),
        "central": central,
        "high": max(band.high, central),
    }


def _profile(
    ground: Shared, table: pd.DataFrame, bends: pd.DataFrame, friction: float
) -> ForceProfile:
    return build_profile(
        ground.stations,
        bends,
        ground.offsets,
        weight=table["weight"].fillna(0.0).to_numpy(dtype=float),
        string_weight=table["dry_weight"].fillna(0.0).to_numpy(dtype=float),
        friction=friction,
        roller_friction=ground.brief.pulls.roller_friction,
    )


def _priced(table: pd.DataFrame, contest: Contest, brief: Brief) -> pd.DataFrame:
    """Add the price of the pipe (per m) and the annulus to be grouted (m3 per m)."""
    pipe = table["pipe"].to_numpy(dtype=np.int64)
    bore, outside = table["bore"].to_numpy(dtype=float), table["outside"].to_numpy(dtype=float)
    gap = np.pi / 4 * np.maximum(bore**2 - outside**2, 0.0)
    return table.assign(
        pipe_price=np.where(pipe >= 0, contest.price[np.maximum(pipe, 0)], np.nan),
        annulus=gap if brief.pulls.grouted else 0.0,
    )


def _pull_costs(table: pd.DataFrame, brief: Brief) -> PullCosts:
    pulls, rates = brief.pulls, brief.rates
    price = table["pipe_price"].to_numpy(dtype=float) + rates.grout * table["annulus"].to_numpy()
    return PullCosts(
        setup=rates.pull_setup,
        per_length=np.nan_to_num(price) + rates.pulling_hour / pulls.rate,
        joint=rates.joint,
        piece_length=pulls.piece_length,
        connection=1.0,  # the digs come priced
        least_length=pulls.min_length,
        string_joint=rates.string_joint + rates.pulling_hour * pulls.string_joint_hours,
    )


def _rows_of(frames: list[pd.DataFrame], shown: IntArray, run: str = "run") -> pd.DataFrame:
    """Take each run's rows from the attempt shown for it."""
    parts = [
        frame[shown[frame[run].to_numpy(dtype=np.int64)] == rank]
        for rank, frame in enumerate(frames)
    ]
    rows: pd.DataFrame = pd.concat(parts).sort_values(run, kind="stable")
    return rows.reset_index(drop=True)


def _merge(ground: Shared, attempts: list[Attempt], shown: IntArray) -> Layout:
    """Put the plan together from the attempt that won each run, and work out what follows."""
    brief = ground.brief
    number = np.arange(len(shown))
    table = _rows_of([a.table.assign(run=number) for a in attempts], shown)
    bends = _rows_of([a.bends for a in attempts], shown)
    pits = _rows_of([a.plan.pits for a in attempts], shown)
    pulls = _rows_of([a.plan.pulls for a in attempts], shown)
    profiles = {
        name: _profile(ground, table, bends, friction)
        for name, friction in _friction(brief).items()
    }
    forces = force_table(pulls, profiles)
    pulls = with_band(pulls, forces)
    table = _verdicts(ground, table, attempts, shown, pits, pulls)
    _report_edits(ground, attempts, shown)
    sections = section_table(pulls, table, ground.stations, ground.contest.pipes, brief)
    works = work_out(ground, table, pits, pulls, sections)
    pulls = pulls.assign(digs=works.dig_count)
    return Layout(
        runs=ground.runs,
        table=table,
        stations=ground.stations,
        bends=bends,
        candidates=_rows_of([_costed(a.candidates) for a in attempts], shown),
        pits=pits,
        pulls=pulls,
        forces=forces,
        sections=sections,
        works=works,
        contest=ground.contest,
        attempts=attempts,
        shown=shown,
    )


def _costed(candidates: Candidates) -> pd.DataFrame:
    """Return the candidates with the site cost of each role; NaN where it is refused."""
    cost = np.where(np.isfinite(candidates.cost), candidates.cost, np.nan)
    names = ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")
    return candidates.table.assign(**{f"cost_{n}": cost[:, k] for k, n in enumerate(names)})


def _verdicts(
    ground: Shared,
    table: pd.DataFrame,
    attempts: list[Attempt],
    shown: IntArray,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
) -> pd.DataFrame:
    """Say of every run whether it is planned, and if not, why; add the figures of the plan."""
    count = len(table)
    cost = np.stack([a.cost for a in attempts])[shown, np.arange(count)]
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    planned = np.isfinite(cost)
    status = np.where(planned, "planned", np.where(lined, "no_plan", "not_suitable"))
    reason = np.where(lined, "", ground.contest.reason).astype(object)
    for run in np.flatnonzero(lined & ~planned):
        reason[run] = _explained(ground, attempts[int(shown[run])], int(run))
    _report_unsuitable(ground, table, status, reason)

    def per_run(frame: pd.DataFrame) -> npt.NDArray[np.int64]:
        return np.bincount(frame["run"].to_numpy(dtype=np.int64), minlength=count)

    longest = np.zeros(count)
    np.maximum.at(longest, pulls["run"].to_numpy(dtype=np.int64), pulls["length"].to_numpy())
    return table.join(hydraulic_columns(table)).assign(
        status=status,
        reason=reason,
        host_bore=table["bore_low"],
        pit_count=per_run(pits),
        pull_count=per_run(pulls),
        longest_pull=np.where(longest > 0, longest, np.nan),
        bend_count=per_run(ground.runs.bends),
        connection_count=per_run(ground.runs.chains.connections),
        cost=np.where(planned, cost, np.nan),
    )


def _explained(ground: Shared, attempt: Attempt, run: int) -> str:
    """Return why a run has no plan, and leave a finding where it is blocked."""
    blocked = explain_run(
        attempt.sites,
        attempt.candidates,
        attempt.must,
        attempt.costs,
        run=run,
        covered=float(attempt.edited.choice.covered[run]),
        max_length=ground.brief.pulls.max_length,
        say=partial(length_text, system=ground.brief.output.units),
    )
    name = ground.runs.table["run_id"].iloc[run]
    chains = ground.runs.chains
    ground.layers.findings.add_points(
        "warning",
        "no-plan",
        [f"run {name}: {blocked.text}"],
        layer="runs",
        features=[name],
        xy=points_along(chains.xy, chains.offsets, np.array([run]), np.array([blocked.low])),
    )
    return blocked.text


def _report_unsuitable(
    ground: Shared, table: pd.DataFrame, status: Any, reason: npt.NDArray[np.object_]
) -> None:
    """Leave a finding at the middle of every run that no carrier suits."""
    rows = np.flatnonzero(status == "not_suitable")
    chains = ground.runs.chains
    middle = table["length"].to_numpy(dtype=float)[rows] / 2
    names = table["run_id"].to_numpy(dtype=object)[rows]
    ground.layers.findings.add_points(
        "warning",
        "no-carrier",
        [f"run {n}: {r}" for n, r in zip(names, reason[rows], strict=True)],
        layer="runs",
        features=names,
        xy=points_along(chains.xy, chains.offsets, rows, middle),
    )


def _report_edits(ground: Shared, attempts: list[Attempt], shown: IntArray) -> None:
    """Say of every edit whether it was honoured, and why not where it was not."""
    chains = ground.runs.chains
    edits = ground.edits
    run = edits["run"].to_numpy(dtype=np.int64)
    at = edits["chainage"].to_numpy(dtype=float)
    places = points_along(chains.xy, chains.offsets, run, at)
    for row, (action, role, feature) in enumerate(
        zip(edits["action"], edits["role"], edits["feature"], strict=True)
    ):
        why = attempts[int(shown[run[row]])].edited.refused.get(row)
        name = ground.runs.table["run_id"].iloc[run[row]]
        verdict = "honoured" if why is None else f"not honoured, {why}"
        text = f"{action} {role or 'a pit'} at {at[row]:.1f} m of run {name}: {verdict}"
        ground.layers.findings.add_points(
            "info" if why is None else "warning",
            "edit-honoured" if why is None else "edit-refused",
            [text],
            layer="pit_edits",
            features=[str(feature)],
            xy=places[row : row + 1],
        )
