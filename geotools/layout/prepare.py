"""Everything a plan needs before a carrier is tried: runs, stations, service, contest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from geotools.accel import give_back
from geotools.brief import Brief, FixedPipe, Rates
from geotools.ground.profile import add_profile
from geotools.intake.columns import Layers, Points
from geotools.intake.findings import Findings
from geotools.layout.levels import ground_levels, mosaic_of
from geotools.layout.rules import least_between
from geotools.layout.shared import Shared, runs_of
from geotools.layout.told import NOT_CHOSEN
from geotools.layout.turned import azimuths, roles_turned
from geotools.lists import as_spelled
from geotools.network.along import runs_within
from geotools.network.build import RunSet
from geotools.network.cutting import renumber
from geotools.network.keep import keep_runs
from geotools.network.left_out import why_left_out
from geotools.network.measured import Polylines
from geotools.network.named import chosen_runs, namesakes, runs_by_name
from geotools.network.onto import ALMOST
from geotools.network.places import Places, points_along
from geotools.network.ragged import BoolArray, FloatArray, line_lengths
from geotools.network.stations import build_stations, joint_records
from geotools.pulls.digs import dig_list
from geotools.schema import NAMESAKE, ROLES
from geotools.siting.axis import Axis
from geotools.siting.carrier import Contest, hold_contest, report_fixed, report_warm
from geotools.siting.ground_checks import avoid_tree, hard_places
from geotools.siting.profile import Profile
from geotools.siting.ramps import Levels
from geotools.siting.service import host_bores, service_columns
from geotools.street.scene import StreetScene, build_scene
from geotools.threads import ThreadPool
from geotools.tool import Progress

__all__ = [
    "choose_runs",
    "edits_on_runs",
    "fixed_for",
    "prepare",
    "report_not_chosen",
    "report_off_runs",
    "wishes_elsewhere",
]

Sampled = Callable[..., FloatArray]  # `ground_levels` of the layers at hand
TURNED = "the run went the other way when it was drawn (ahead_deg): then {role}, the same pit"
BY_HAND = 1.0  # m; common practice, no source: a point drawn on a map is meant no nearer


def prepare(
    layers: Layers,
    brief: Brief,
    progress: Progress,
    *,
    allow_remote: bool,
    named: Callable[[RunSet], pd.DataFrame] | None = None,
    only: Sequence[str] = (),
    fixed: Sequence[FixedPipe] | None = None,
) -> Shared:
    """Do what does not depend on the carrier.

    ``named`` gives the table of runs other names; a run named "" is planned elsewhere. ``only``
    names the runs wanted, or mains they hold; all are if it is empty. ``fixed`` stands in for
    ``carrier.fixed`` where that names runs that are not here.
    """
    mosaic = mosaic_of(layers.dem, brief, allow_remote=allow_remote)
    part = named is not None or bool(only)
    sampled = partial(ground_levels, mosaic, layers.working_crs, brief, part=part)
    levels = partial(_levels_beside, sampled) if layers.dem else None
    # Streets and mains do not hang on each other: they are chained side by side.
    with ThreadPool(1) as pool:
        streets = pool.submit(_scene, layers, brief)
        wishes = brief.carrier.fixed if fixed is None else fixed
        runs, edits, wishes = _chained(
            layers, progress, brief, wishes, levels=levels or _unknown, named=named, only=only
        )
        give_back()
        progress("sampling the ground")
        stations = _stations(runs, edits, layers, brief, sampled)
        scene = streets.result()
    give_back()
    progress("choosing carriers")
    run_ids = runs.table["run_id"].tolist()
    service = service_columns(
        layers.mains.table, runs.chains.pieces, stations, run_ids, brief.service, layers.findings
    )
    contest = _contest(runs, service, brief, wishes, layers.findings)
    return Shared(
        runs=runs,
        axis=Axis(runs.thinned),
        profile=Profile(stations, len(runs.table)),
        stations=stations,
        offsets=np.searchsorted(stations["run"], np.arange(len(runs.table) + 1)).astype(np.int64),
        service=service,
        bores=host_bores(layers.mains.table, runs.chains.pieces, brief.service),
        contest=contest,
        scene=scene,
        avoid=avoid_tree(layers.avoid, unsaid=brief.rates.soft_place_factor),
        edits=edits,
        digs=_digs(runs, brief.rates),
        levels=levels,
        layers=layers,
        brief=brief,
    )


def _digs(runs: RunSet, rates: Rates) -> pd.DataFrame:
    """Return what is dug up along the runs, at these rates."""
    return dig_list(
        runs,
        connection=rates.connection,
        valve=rates.valve,
        at_end=rates.end_connection,
        in_pit_share=rates.in_pit_share,
        temporary=rates.temporary_service,
    )


def _contest(
    runs: RunSet,
    service: pd.DataFrame,
    brief: Brief,
    wishes: Sequence[FixedPipe],
    findings: Findings,
) -> Contest:
    """Hold the contest of carriers with these wishes for ``carrier.fixed``, and report on it."""
    choice = brief.carrier.model_copy(update={"fixed": list(wishes)})
    own = brief.model_copy(update={"carrier": choice})
    contest = hold_contest(runs.table, service, own, least_length=least_between(brief))
    report_fixed(contest, runs.table["run_id"].tolist(), findings)
    report_warm(brief, findings)
    return contest


def _chained(
    layers: Layers,
    progress: Progress,
    brief: Brief,
    wishes: Sequence[FixedPipe],
    *,
    levels: Levels,
    named: Callable[[RunSet], pd.DataFrame] | None,
    only: Sequence[str],
) -> tuple[RunSet, pd.DataFrame, list[FixedPipe]]:
    """Return the runs to plan, the designer's edits on them, and the carriers fixed for them."""
    progress("chaining mains")
    runs = runs_of(layers, brief, levels=levels)
    if named is not None:
        runs = replace(runs, table=named(runs))
    ours = (runs.table["run_id"] != "").to_numpy()
    chosen = ours & choose_runs(runs, layers, only)
    edits = _edits(runs, layers, brief)
    report_not_chosen(ours & ~chosen, layers.findings)
    _report_lost_edits(runs, edits, ours & ~chosen, layers)
    wishes = fixed_for(runs.table, chosen, wishes)
    _report_fixed_names(runs.table[chosen], brief.carrier.fixed, wishes, layers.findings)
    rows = np.flatnonzero(chosen)
    if len(rows) < len(runs.table):
        runs, edits = keep_runs(runs, rows), renumber(edits, rows, by="chainage")
    return runs, edits, wishes


def choose_runs(runs: RunSet, layers: Layers, only: Sequence[str]) -> BoolArray:
    """Return which runs are to be planned: those named, or all where none is."""
    if not only:
        return chosen_runs(runs.table, (), ())
    known = layers.mains.table[["main_id", "source_id"]].astype(str)
    chosen = chosen_runs(runs.table, only, set(known.to_numpy().ravel()))
    others = namesakes(runs.table, only)
    lost = {name: [run for run in rows if not chosen[run]] for name, rows in others.items()}
    _report_namesakes("network.only", lost, runs.table, layers.findings)
    return chosen


def fixed_for(runs: pd.DataFrame, chosen: BoolArray, fixed: Sequence[FixedPipe]) -> list[FixedPipe]:
    """Return the wishes for a carrier, without those for runs that are not planned here."""
    if chosen.all() or not fixed:
        return list(fixed)
    owners = runs_by_name(runs)  # of all, or a main here would do for a run of its name elsewhere
    names = [as_spelled(wish.owner, owners) for wish in fixed]
    return [
        wish
        for wish, name in zip(fixed, names, strict=True)
        if name not in owners or chosen[owners[name]].any()
    ]


def wishes_elsewhere(
    runs: pd.DataFrame, every: Sequence[FixedPipe], fixed: Sequence[FixedPipe]
) -> dict[str, list[int]]:
    """Return the runs here with a main of a name by which ``carrier.fixed`` means another run.

    ``every`` are all wishes, ``fixed`` those for runs that are here.
    """
    names = [wish.owner for wish in every]
    here = {wish.owner for wish in fixed}
    return namesakes(runs, names, elsewhere=[name for name in names if name not in here])


def _report_fixed_names(
    runs: pd.DataFrame, every: Sequence[FixedPipe], fixed: Sequence[FixedPipe], findings: Findings
) -> None:
    """Say of names in ``carrier.fixed`` that they are those of a run and of a main of another."""
    if every:
        lost = wishes_elsewhere(runs, every, fixed)
        _report_namesakes("carrier.fixed", lost, runs, findings)


def _report_namesakes(
    setting: str, lost: dict[str, list[int]], runs: pd.DataFrame, findings: Findings
) -> None:
    """Say of every name of a run that a main bears it too, in runs that were not meant by it."""
    ids = runs["run_id"].to_numpy(dtype=object)
    told = {name: ", ".join(ids[rows]) for name, rows in lost.items() if rows}
    findings.add_many(
        "warning",
        NAMESAKE,
        [
            f"{setting}: {name!r} is the name of a run, which is meant by it, and of a main in run "
            f"{others}, which is not; if the main is meant, write {others}"
            for name, others in told.items()
        ],
        layer="runs",
        features=list(told),
    )


def report_not_chosen(left: BoolArray, findings: Findings) -> None:
    """Say how many of the runs are left out, for others were chosen."""
    if left.any():
        findings.add(
            "info",
            NOT_CHOSEN,
            f"{left.sum():,} of {len(left):,} runs are not among those chosen (network.only) and "
            "are left out",
            layer="runs",
        )


def _report_lost_edits(runs: RunSet, edits: pd.DataFrame, left: BoolArray, layers: Layers) -> None:
    """Say of every edit on a run that is left out that it is."""
    names = runs.table["run_id"].to_numpy(dtype=object)
    run = edits["run"].to_numpy(dtype=np.int64)
    lost = left[run]
    layers.findings.add_points(
        "info",
        "edit-refused",
        [f"the edit lies on run {n}, which is not chosen (network.only)" for n in names[run[lost]]],
        layer="pit_edits",
        features=edits["feature"].to_numpy(dtype=object)[lost].astype(str),
        xy=points_along(
            runs.chains.xy, runs.chains.offsets, run[lost], edits["chainage"].to_numpy(float)[lost]
        ),
    )


def _scene(layers: Layers, brief: Brief) -> StreetScene | None:
    """Return the streets around the mains; None where no streets were given."""
    if layers.streets is None or not len(layers.streets):
        return None
    return build_scene(
        layers.streets,
        hard_places(layers.avoid).shapes,
        brief.street,
        tolerance=brief.network.snap_tolerance,
        accuracy=brief.ground.survey_accuracy,
        clear=brief.pits.clear_of_intersection,
        findings=layers.findings,
    )


def _edits(runs: RunSet, layers: Layers, brief: Brief) -> pd.DataFrame:
    """Return the designer's edits that lie on a run; those that do not are findings."""
    columns = ["run", "chainage", "doubtful", "beside", "action", "role", "feature"]
    if layers.pit_edits is None or not len(layers.pit_edits):
        return pd.DataFrame({name: [] for name in columns})
    wishes = _read_wishes(layers)
    nearest = edits_on_runs(runs, layers.pit_edits)
    point = nearest["point"].to_numpy(dtype=np.int64)
    report_off_runs(layers, nearest, brief)
    beside, doubtful = _beside(runs, nearest, layers.pit_edits, layers.findings)
    given = wishes.iloc[point]
    role, turned = roles_turned(
        given["role"].to_numpy(dtype=object),
        given["ahead_deg"].to_numpy(dtype=float),
        azimuths(
            runs,
            nearest["run"].to_numpy(dtype=np.int64),
            nearest["chainage"].to_numpy(dtype=float),
            layers.working_crs,
        ),
    )
    told = [
        "; ".join(filter(None, [text, TURNED.format(role=was) if anew else ""]))
        for text, anew, was in zip(beside, turned, given["role"], strict=True)
    ]
    table = nearest[["run", "chainage"]].assign(
        doubtful=doubtful,
        beside=told,
        role=role,
        **{name: given[name].to_numpy(dtype=object) for name in ("action", "feature")},
    )[columns]
    table = table[table["action"] != ""]
    return table.sort_values(["run", "chainage", "feature"], kind="stable").reset_index(drop=True)


def edits_on_runs(runs: RunSet, given: Points) -> pd.DataFrame:
    """Return the run of each edit that lies on one: ``point``, ``run``, ``chainage``, ``astray``.

    Of several runs within reach it is the one the edit names, in whatever case, else the nearest;
    ``astray`` if it names another.
    """
    near = runs.edits
    meant, named = (
        table["run_id"].astype(str).str.casefold().to_numpy(dtype=object)[near[row].to_numpy()]
        for table, row in ((given.table, "point"), (runs.table, "run"))
    )
    # A run planned elsewhere bears no name here: an edit that names none does not mean it.
    other = (meant != named) | (meant == "")
    own = near.assign(other=other, astray=other & (meant != ""))
    return own.sort_values(["point", "other", "offset"], kind="stable").drop_duplicates("point")


def _beside(
    runs: RunSet, nearest: pd.DataFrame, given: Points, findings: Findings
) -> tuple[list[str], list[bool]]:
    """Say of every edit on a run that it may have been meant for another; empty where not.

    And which name a run that is not near them, or is much farther than another, whose name it may
    have been when they were drawn. ``nearest`` as of `edits_on_runs`.
    """
    names = runs.table["run_id"].to_numpy(dtype=object)
    own = nearest.set_index("point")
    others = runs.edits[runs.edits["run"].to_numpy() != _of_own(runs.edits, own, "run")]
    offset, own_offset = others["offset"].to_numpy(dtype=float), _of_own(others, own, "offset")
    as_near = others[offset <= _as_near(own_offset)].groupby("point")["run"].agg(list)
    nearer = others[own_offset > _as_near(offset)].sort_values("offset").groupby("point").first()
    wanted = given.table["run_id"].to_numpy(dtype=object)[own.index]
    out, doubtful = [], []
    told_of = zip(own.index, own["run"], own["astray"], own["offset"], wanted, strict=True)
    for row, run, astray, away, meant in told_of:
        rest = sorted({str(names[k]) for k in as_near.get(row, ()) if names[k]})
        told = []
        if astray:
            told.append(f"run {meant}, which it names, is not near it (pits.edit_reach)")
        if rest and (astray or meant == "" != names[run]):
            told.append(f"run {', '.join(rest)} is about as near: say in run_id which is meant")
        if row in nearer.index and names[nearer.loc[row, "run"]]:
            closest, by = nearer.loc[row, ["run", "offset"]]
            told.append(
                f"it lies {findings.length(away, 1)} beside run {names[run]}, which it names, and "
                f"{findings.length(by, 1)} beside run {names[int(closest)]}: if runs have other "
                "names than when it was drawn, correct its run_id"
            )
        out.append("; ".join(told))
        doubtful.append(bool(astray or row in nearer.index))
    return out, doubtful


def _of_own(edits: pd.DataFrame, own: pd.DataFrame, name: str) -> FloatArray:
    """Return a column of the run that each edit is taken to be on."""
    column: FloatArray = own.loc[edits["point"], name].to_numpy(dtype=float)
    return column


def _as_near(offset: FloatArray) -> FloatArray:
    """Return how far off a run lies at most that is about as near as one this far off, m."""
    return np.maximum(ALMOST * offset, offset + BY_HAND)


def report_off_runs(layers: Layers, nearest: pd.DataFrame, brief: Brief) -> None:
    """Say of every edit that lies on no run that it does, and why the main it is on is none.

    ``nearest`` as of `edits_on_runs`.
    """
    given = layers.pit_edits
    if given is None:
        return
    lost = np.setdiff1d(np.arange(len(given)), nearest["point"].to_numpy(dtype=np.int64))
    text = np.full(len(lost), "the edit lies on no run (pits.edit_reach); move it onto the main")
    text = text.astype(object)
    for place, words in _mains_left_out(given.xy[lost], layers, brief):
        text[place] = words
    layers.findings.add_points(
        "warning",
        "edit-refused",
        text.tolist(),
        layer="pit_edits",
        features=given.table["feature"].to_numpy(dtype=object)[lost],
        xy=given.xy[lost],
    )


def _mains_left_out(places: FloatArray, layers: Layers, brief: Brief) -> Iterator[tuple[int, str]]:
    """Yield of places on no run those on a main that is not lined, and why it is not."""
    if not len(places):
        return
    mains = layers.mains
    names = mains.table["feature"].to_numpy(dtype=object)
    why = why_left_out(mains, brief.network, layers.findings.system)
    near = runs_within(places, Polylines(mains.xy, mains.offsets), reach=brief.pits.edit_reach)
    near = near[why[near["run"].to_numpy(dtype=np.int64)] != ""].drop_duplicates("point")
    for place, main in near[["point", "run"]].to_numpy(dtype=np.int64).tolist():
        yield (
            place,
            f"the edit lies on no run: the main by it, {names[main]}, is in none, for {why[main]}; "
            "move it onto a main that is to be lined",
        )


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
            for r in wishes["role"].astype(str).str.strip()[~good]
        ],
        layer="pit_edits",
        features=wishes["feature"].to_numpy(dtype=object)[~good],
        xy=given.xy[~good],
    )
    return wishes.assign(action=np.where(good, action, ""), role=role)


def _stations(
    runs: RunSet, edits: pd.DataFrame, layers: Layers, brief: Brief, sampled: Sampled
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
    in_pit = ~runs.valves["tapped"] & (brief.pulls.valves == "pit")
    valve = np.where(in_pit, "fitting", "valve")
    extra = pd.concat(
        [
            wished.astype({"run": np.int64}).assign(kind="edit"),
            runs.valves[["run", "chainage"]].assign(kind=valve),
            runs.laterals[["run", "chainage"]].assign(kind="lateral"),
            runs.hydrants[["run", "chainage"]].assign(kind="hydrant"),
        ],
        ignore_index=True,
    )
    stations = build_stations(runs.chains, fixed, extra, step=brief.ground.step)
    lengths = line_lengths(layers.mains.xy, layers.mains.offsets)
    joints = _by_share(joint_records(runs.chains, stations), lengths)
    stations = _by_share(stations, lengths)
    stations["ground_z"] = sampled(stations[["x", "y"]].to_numpy(dtype=float), layers.findings)
    profiled = add_profile(
        stations,
        layers.mains.table,
        assumed_cover=brief.ground.assumed_cover,
        dem_given=bool(layers.dem),
        findings=layers.findings,
        run_ids=runs.table["run_id"].tolist(),
        joints=joints,
    )
    return profiled.drop(columns=["main_share", "main_rate"])


def _by_share(places: pd.DataFrame, lengths: FloatArray) -> pd.DataFrame:
    """Say of places on mains by what share of these they lie along them; lengths in m."""
    line = places["line"].to_numpy(dtype=np.int64)
    share, rate = (
        places[name].to_numpy(dtype=float) / np.maximum(lengths[line], 1e-9)
        for name in ("line_at", "line_rate")
    )
    columns = {"main_share": np.clip(share, 0, 1), "main_rate": rate}
    return (
        places.drop(columns=["line_at", "line_rate"])
        .rename(columns={"line": "main"})
        .assign(**columns)
    )


def _unmatched(runs: RunSet) -> pd.DataFrame:
    """Return the fittings on runs that are not bends already."""
    bends, fittings = runs.bends, runs.fittings
    places = Places.of(bends["run"].to_numpy(), bends["chainage"].to_numpy(), len(runs.table))
    _, gap = places.nearest(
        fittings["run"].to_numpy(dtype=np.int64), fittings["chainage"].to_numpy(dtype=float)
    )
    return fittings.loc[gap > 1.0, ["run", "chainage"]]


def _levels_beside(sampled: Sampled, places: FloatArray) -> FloatArray:
    """Return ground levels at places beside the runs; what was assumed is told at the stations."""
    return sampled(places, Findings(), must_overlap=False)


def _unknown(places: FloatArray) -> FloatArray:
    """Return the ground where no raster was given."""
    return np.full(len(places), np.nan)
