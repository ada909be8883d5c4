"""The whole layout: the plan of every run, and what follows from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.accel import expect, give_back
from geotools.brief import Brief, FixedPipe
from geotools.deliver.context import Backdrop, context_layer
from geotools.deliver.layers import Encoded
from geotools.estimate.schedule import days_out
from geotools.intake.columns import Layers, Lines
from geotools.layout.attempt import profile_of
from geotools.layout.dry import report_dry
from geotools.layout.lots import Planned, plan_lots
from geotools.layout.mains_beside import MainsBeside
from geotools.layout.prepare import prepare
from geotools.layout.rules import friction_band_of, says_side
from geotools.layout.shared import Shared
from geotools.layout.turned import azimuths, bearings
from geotools.layout.unset import report_unset
from geotools.layout.works import Works, work_out
from geotools.network.build import RunSet
from geotools.network.noding import Graph
from geotools.network.onto import OnEdges
from geotools.network.places import points_along
from geotools.network.ragged import IntArray, line_lengths
from geotools.network.shutdown import plan_shutdowns
from geotools.network.words import in_words, rows_in_order
from geotools.pipe.materials import is_polyethylene
from geotools.pulls.downhill import report_running_ahead
from geotools.pulls.duration import report_longer_pulls, report_short_joints
from geotools.pulls.force import ForceProfile
from geotools.pulls.forces import force_table, with_band
from geotools.pulls.grouting import report_floating, report_grout
from geotools.pulls.sections import section_table
from geotools.pulls.tested import report_tests
from geotools.pulls.upper_friction import report_upper_friction
from geotools.schema import quantity_text
from geotools.siting.carrier import Contest
from geotools.siting.profile import Profile
from geotools.siting.pulled import hydraulic_columns
from geotools.siting.vacuum import report_vacuum
from geotools.street.driving import tell_side
from geotools.threads import ThreadPool
from geotools.tool import Progress
from geotools.units import told_apart

__all__ = ["Layout", "lay_out_plan"]

# Half of what was counted in cities of 400 to 10,000 mains with their streets.
STEPS_A_MAIN = 100
STEPS_A_STATION = 500
OTHER_ROLES = (
    "a pit in another role may stand there, and one that inserts may take in the pull from its "
    "other side too: with no role given, none may"
)
SIDE_BY_SIDE = 500_000  # mains of a network up to which two steps of a plan are done at once
SAME = ("chainage", "turn", "curvature", "bend_limit", "curve_limit")  # whatever the friction
FOLLOWED = 100_000  # stations of runs whose pulls are followed at once: it takes dozens of columns


@dataclass(frozen=True)
class Layout:
    """Everything a plan consists of, in the working CRS and SI units.

    Of the layers and the network it is of, what the plan tells of them is left. ``contest``,
    ``tried`` (as of `Planned`) and ``edited``, the runs that have edits, are kept for the
    alternatives.
    """

    layers: Layers
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
    shutdowns: pd.DataFrame
    backdrop: Encoded
    contest: Contest
    tried: pd.DataFrame
    edited: IntArray


def lay_out_plan(
    layers: Layers,
    brief: Brief,
    progress: Progress,
    *,
    allow_remote: bool,
    named: Callable[[RunSet], pd.DataFrame] | None = None,
    shutdowns: pd.DataFrame | None = None,
    fixed: Sequence[FixedPipe] | None = None,
) -> Layout:
    """Lay out pits and pulls of every run of the layers read, or of those chosen.

    ``named`` and ``fixed`` are as in `prepare`: who gives them has chosen among the runs.
    Shutdowns are worked out from the network unless they are given, as `plan_shutdowns` does.
    What of layers and network is asked for no more is let go meanwhile; a caller who keeps the
    layers keeps it.
    """
    give_back()
    expect(_least_work(layers, brief))
    if layers.streets is not None and not says_side(brief):
        tell_side(layers.mains.xy, layers.working_crs, layers.findings)
    ground = prepare(
        layers,
        brief,
        progress,
        allow_remote=allow_remote,
        named=named,
        only=() if named is not None else brief.network.only,
        fixed=fixed,
    )
    give_back()
    # What is drawn around the runs does not hang on valves: the two are found side by side, but
    # where that would take much memory.
    drawn = partial(context_layer, layers, ground.runs.chains, brief.output.context)
    with ThreadPool(1) as pool:
        beside = pool.submit(drawn) if len(layers.mains) <= SIDE_BY_SIDE else None
        if shutdowns is None:
            shutdowns = plan_shutdowns(layers, ground.runs, brief.network, brief.bends)
        give_back()
        backdrop = drawn() if beside is None else beside.result()
    del drawn
    ground = _asked_for(ground)
    del layers
    give_back()
    planned = plan_lots(ground, progress)
    ground = _planned_through(ground)
    give_back()
    return _merge(ground, planned, shutdowns, backdrop)


def _least_work(layers: Layers, brief: Brief) -> float:
    """Estimate the inner steps of kernels a plan of these layers takes at least."""
    mains, network = layers.mains, brief.network
    large = mains.table["diameter"].to_numpy(dtype=float) >= network.min_diameter
    length = line_lengths(mains.xy, mains.offsets)[large].sum()
    return float(STEPS_A_MAIN * len(mains) + STEPS_A_STATION * length / brief.ground.step)


def _asked_for(ground: Shared) -> Shared:
    """Leave what is asked for once the shutdowns are worked out and the backdrop is drawn."""
    layers, contest = ground.layers, ground.contest
    none = np.zeros((0, 0), dtype=bool)
    nowhere = np.zeros((0, 2)), np.zeros(1, dtype=np.int64)
    left = Layers(
        working_crs=layers.working_crs,
        output_crs=layers.output_crs,
        mains=Lines(layers.mains.table[["main_id"]], *nowhere),
        avoid=layers.avoid,
        dem=layers.dem,
        inputs=layers.inputs,
        findings=layers.findings,
    )
    verdict = replace(contest.verdict, fit=none, pressure=none, collapse=none, flow=none)
    return replace(
        ground,
        beside=MainsBeside.of(ground.runs, layers.mains, ground.brief.network),
        layers=left,
        runs=replace(
            ground.runs,
            graph=Graph.nothing(),
            services=OnEdges.nowhere(0),
            hydrant_taps=OnEdges.nowhere(0),
        ),
        contest=replace(contest, verdict=verdict),
    )


def _planned_through(ground: Shared) -> Shared:
    """Leave what is asked for once the runs are planned through."""
    scene, nowhere = ground.scene, Profile(ground.stations.iloc[:0], 0)
    return replace(ground, scene=None if scene is None else scene.at_rest(), profile=nowhere)


def _merge(ground: Shared, planned: Planned, shutdowns: pd.DataFrame, backdrop: Backdrop) -> Layout:
    """Work out what follows from the carrier, the pits and the pulls of every run."""
    brief, bends, pits = ground.brief, planned.bends, planned.pits
    forces = _forces(ground, planned)
    pulls = with_band(planned.pulls, forces)
    report_upper_friction(pulls, forces, ground.runs.chains, ground.layers.findings)
    forces = forces.drop(columns=["pull", "run", "strained"])
    ground = replace(ground, stations=in_words(ground.stations, ("kind",)))
    give_back()
    table = _verdicts(ground, planned, pulls)
    strength = table["pipe_limit"].to_numpy(dtype=float) / brief.pulls.force_share
    _report_blocked(ground, planned.blocked)
    _report_unsuitable(ground, table)
    _report_narrow(ground, table)
    _report_vacuum(ground, table)
    _report_edits(ground, planned.refused)
    pipes, findings = ground.contest.pipes, ground.layers.findings
    sections = section_table(pulls, table, ground.stations, ground.bores, pipes, brief)
    report_longer_pulls(pulls, pits, table, pipes, brief, findings)
    report_short_joints(pulls, pits, table, pipes, brief, findings)
    _report_running_ahead(ground, table, pulls)
    report_grout(pulls, sections, pits, table, pipes, brief, findings)
    report_floating(pulls, sections, ground.stations, ground.offsets, table, pipes, brief, findings)
    report_tests(pulls, sections, pits, table, pipes, brief, findings)
    works = work_out(ground, table, pits, pulls, sections, shutdowns, backdrop)
    _report_unset(ground, table, pits, pulls, works.quantities)
    report_dry(ground, table, shutdowns, days_out(works.schedule))
    return Layout(
        layers=ground.layers,
        runs=ground.runs,
        table=table,
        stations=ground.stations,
        bends=bends,
        candidates=planned.candidates,
        pits=pits.assign(**_ways_on(ground, pits)),
        pulls=pulls.assign(
            digs=works.dig_count,
            pipe_strength=strength[pulls["run"].to_numpy(dtype=np.int64)],
        ),
        forces=forces,
        sections=sections,
        works=works,
        shutdowns=shutdowns,
        backdrop=backdrop.with_streets(works.streets),
        contest=ground.contest,
        tried=planned.tried,
        edited=np.unique(ground.edits["run"].to_numpy(dtype=np.int64)),
    )


def _ways_on(ground: Shared, pits: pd.DataFrame) -> dict[str, npt.NDArray[np.float64]]:
    """Return in which direction chainage grows at pits, from true north and from grid north."""
    run, crs = pits["run"].to_numpy(dtype=np.int64), ground.layers.working_crs
    at, before, after = (pits[c].to_numpy(dtype=float) for c in ("chainage", "before", "after"))
    written = ground.layers.output_crs
    legs = bearings(ground.runs, run, at - before, at + after, crs, written)
    return {"ahead_deg": azimuths(ground.runs, run, at, crs), **legs}


def _forces(ground: Shared, planned: Planned) -> pd.DataFrame:
    """Work out the force along every pull, with each friction of the band, some runs at a time."""
    part = ground.offsets[:-1] // FOLLOWED
    bounds = [0, *(np.flatnonzero(np.diff(part)) + 1).tolist(), len(part)]
    pull = np.searchsorted(planned.pulls["run"].to_numpy(dtype=np.int64), bounds)
    parts = [
        (forces := _forces_between(ground, planned, low, high)).assign(
            pull=forces["pull"] + before, run=forces["run"] + low
        )
        for low, high, before in zip(bounds[:-1], bounds[1:], pull[:-1], strict=True)
    ]
    return rows_in_order(parts, None)


def _forces_between(ground: Shared, planned: Planned, low: int, high: int) -> pd.DataFrame:
    """Work out the force along the pulls of the runs from one on to another, counted from there."""

    def own(rows: pd.DataFrame) -> pd.DataFrame:
        run = rows["run"].to_numpy(dtype=np.int64)
        first, last = np.searchsorted(run, [low, high])
        return rows.iloc[first:last].assign(run=run[first:last] - low)

    part = replace(
        ground,
        stations=own(ground.stations),
        offsets=ground.offsets[low : high + 1] - ground.offsets[low],
    )
    table, bends = planned.table.iloc[low:high], own(planned.bends)
    profiles: dict[str, ForceProfile] = {}
    for name, friction in friction_band_of(ground.brief).items():
        profile = profile_of(part, table, bends, friction)
        known = next(iter(profiles.values()), profile)  # what friction is no matter to: held once
        profiles[name] = replace(profile, **{each: getattr(known, each) for each in SAME})
    return force_table(own(planned.pulls), profiles)


def _verdicts(ground: Shared, planned: Planned, pulls: pd.DataFrame) -> pd.DataFrame:
    """Say of every run whether it is planned, and if not, why; add the figures of the plan."""
    table, tried, blocked = planned.table, planned.tried, planned.blocked
    count = len(table)
    best = tried[tried["shown"]]
    cost = np.full(count, np.inf)
    cost[best["run"]] = best["cost"]
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    known = np.isfinite(cost)
    reason = np.where(lined, "", ground.contest.reason).astype(object)
    reason[blocked["run"].to_numpy(dtype=np.int64)] = blocked["reason"]

    def per_run(frame: pd.DataFrame) -> npt.NDArray[np.int64]:
        return np.bincount(frame["run"].to_numpy(dtype=np.int64), minlength=count)

    longest = np.zeros(count)
    np.maximum.at(longest, pulls["run"].to_numpy(dtype=np.int64), pulls["length"].to_numpy())
    return table.join(hydraulic_columns(table)).assign(
        status=np.where(known, "planned", np.where(lined, "no_plan", "not_suitable")),
        reason=reason,
        host_bore=table["bore_low"],
        pit_count=per_run(planned.pits),
        pull_count=per_run(pulls),
        longest_pull=np.where(longest > 0, longest, np.nan),
        bend_count=per_run(ground.runs.bends),
        connection_count=per_run(ground.runs.chains.connections),
        cost=np.where(known, cost, np.nan),
    )


def _report_unset(
    ground: Shared,
    table: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    quantities: pd.DataFrame,
) -> None:
    """Say how much of the plan's cost is counted with rates that nobody set."""
    pipe = np.maximum(table["pipe"].to_numpy(dtype=np.int64), 0)
    plastic = is_polyethylene(ground.contest.pipes.material)[pipe]
    of_run = pd.Series(plastic, table["run_id"].to_numpy(dtype=object))
    report_unset(quantities, pits, pulls, of_run, ground.brief, ground.layers.findings)


def _report_blocked(ground: Shared, blocked: pd.DataFrame) -> None:
    """Leave a finding where each run that has no plan is blocked."""
    chains, run = ground.runs.chains, blocked["run"].to_numpy(dtype=np.int64)
    names = ground.runs.table["run_id"].to_numpy(dtype=object)[run]
    at = blocked["chainage"].to_numpy(dtype=float)
    ground.layers.findings.add_points(
        "warning",
        "no-plan",
        [f"run {name}: {text}" for name, text in zip(names, blocked["reason"], strict=True)],
        layer="runs",
        features=names,
        xy=points_along(chains.xy, chains.offsets, run, at),
    )


def _report_running_ahead(ground: Shared, table: pd.DataFrame, pulls: pd.DataFrame) -> None:
    """Leave a finding on every pull whose string runs ahead by itself at the least friction."""
    weight = table["weight"].fillna(0.0).to_numpy(dtype=float)
    friction = friction_band_of(ground.brief)["low"]
    findings = ground.layers.findings
    report_running_ahead(pulls, ground.stations, ground.offsets, weight, friction, findings)


def _report_unsuitable(ground: Shared, table: pd.DataFrame) -> None:
    """Leave a finding at the middle of every run that no carrier suits."""
    rows = np.flatnonzero(table["status"] == "not_suitable")
    chains = ground.runs.chains
    middle = table["length"].to_numpy(dtype=float)[rows] / 2
    names = table["run_id"].to_numpy(dtype=object)[rows]
    ground.layers.findings.add_points(
        "warning",
        "no-carrier",
        [f"run {n}: {r}" for n, r in zip(names, table["reason"].iloc[rows], strict=True)],
        layer="runs",
        features=names,
        xy=points_along(chains.xy, chains.offsets, rows, middle),
    )


def _report_narrow(ground: Shared, table: pd.DataFrame) -> None:
    """Report carriers that carry their design flow, and little of what the host could.

    Of a fixed one that does not carry it `report_fixed` has told.
    """
    least, findings = ground.brief.service.least_capacity, ground.layers.findings
    ratio, flow = (table[c].to_numpy(dtype=float) for c in ("capacity_ratio", "flow"))
    carries = np.isfinite(flow) & ~ground.contest.short_of_flow
    rows = np.flatnonzero((table["status"] == "planned") & carries & (ratio < least))
    chains, middle = ground.runs.chains, table["length"].to_numpy(dtype=float)[rows] / 2
    names = table["run_id"].to_numpy(dtype=object)[rows]
    carriers = table["carrier"].to_numpy(dtype=object)[rows]
    shares = [told_apart((part, least), 0, lambda v, d: f"{v:.{d}%}") for part in ratio[rows]]
    findings.add_points(
        "warning",
        "little-capacity",
        [
            f"run {name}: {carrier} carries the design flow of "
            f"{quantity_text(flow[row], 'flow', findings.system)} on record and keeps "
            f"{kept} of the host's capacity at equal gradient, below the {asked} "
            "asked for where no flow is on record (service.least_capacity); see that the flow is "
            "that of the run's worst day, fire flow included, or fix a larger carrier"
            for name, carrier, row, (kept, asked) in zip(
                names, carriers, rows.tolist(), shares, strict=True
            )
        ],
        layer="runs",
        features=names,
        xy=points_along(chains.xy, chains.offsets, rows, middle),
    )


def _report_vacuum(ground: Shared, table: pd.DataFrame) -> None:
    """Report carriers that may not stand the vacuum after a stop, in the middle of their runs."""
    chains, every = ground.runs.chains, np.arange(len(table), dtype=np.int64)
    half = table["length"].to_numpy(dtype=float) / 2
    report_vacuum(
        table,
        ground.service,
        ground.contest.pipes,
        ground.brief,
        ground.layers.findings,
        middle=points_along(chains.xy, chains.offsets, every, half),
    )


def _report_edits(ground: Shared, refused: dict[int, str]) -> None:
    """Say of every edit whether it was honoured, and why not where it was not."""
    chains = ground.runs.chains
    edits = ground.edits
    run = edits["run"].to_numpy(dtype=np.int64)
    at = edits["chainage"].to_numpy(dtype=float)
    places = points_along(chains.xy, chains.offsets, run, at)
    told = ("action", "role", "feature", "beside", "doubtful")
    for row, (action, role, feature, beside, doubtful) in enumerate(
        zip(*(edits[name] for name in told), strict=True)
    ):
        why = refused.get(row)
        name = ground.runs.table["run_id"].iloc[run[row]]
        verdict = "honoured" if why is None else f"not honoured, {why}"
        if role and action == "forbid" and why is None:
            verdict += f"; {OTHER_ROLES}"
        if beside:
            verdict += f"; {beside}"
        place = f"{ground.layers.findings.length(at[row])} of run {name}"
        text = f"{action} {role or 'a pit'} at {place}: {verdict}"
        ground.layers.findings.add_points(
            "info" if why is None and not doubtful else "warning",
            "edit-honoured" if why is None else "edit-refused",
            [text],
            layer="pit_edits",
            features=[str(feature)],
            xy=places[row : row + 1],
        )
