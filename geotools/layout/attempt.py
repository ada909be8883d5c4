"""One attempt at a plan: runs with one carrier each, planned through."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.layout.rules import (
    friction_band_of,
    least_between,
    pit_rules,
    pull_costs,
    refusal_limits,
    site_rates,
    string_rules,
    work_rates,
)
from geotools.layout.shared import Shared
from geotools.network.build import RunSet
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, row_of
from geotools.network.words import by_word
from geotools.pipe.factors import HOUR
from geotools.pulls.annulus import annulus_of
from geotools.pulls.edits import Edited, choose_with_edits
from geotools.pulls.explain import held_words
from geotools.pulls.force import ForceProfile, build_profile
from geotools.pulls.layout import Plan, lay_out, plan_cost
from geotools.pulls.optimise import PullCosts, Sites
from geotools.pulls.sites import build_sites
from geotools.schema import length_text
from geotools.siting.candidates import (
    Candidates,
    Judged,
    SiteSettings,
    Surroundings,
    find_candidates,
)
from geotools.siting.carrier import Contest
from geotools.siting.must import Stretches, must_stretches
from geotools.siting.passing import judge_bends
from geotools.siting.pulled import bend_limits, carrier_columns
from geotools.siting.told import tell_reasons

__all__ = ["Attempt", "Equipped", "equip", "must_be_held", "profile_of", "try_carriers"]


@dataclass(frozen=True)
class Attempt:
    """All runs planned through with one carrier each.

    Attributes
    ----------
    table, bends, must, candidates, sites, costs, plan
        What was planned with, and the plan.
    figures : DataFrame
        A row a run, infinite or not a number where it has no plan: ``value`` (what was made
        least, and testing), ``cost``, ``pit_count``, ``pull_count``, ``longest_pull`` (m),
        ``covered`` (farthest chainage reached, m), ``refused_edits`` (how many of its edits could
        not be honoured), ``eased`` (the bending radius from which on it could do with fewer pits,
        m; infinite if more force could do so, 0 if neither), ``short`` (how much of a run without
        a plan was left, m; not a number where nobody asked yet), and without the edits
        ``plain_value``, ``plain_cost``, ``plain_pits``.
    refused : dict of int to str
        Row of the edit to why it could not be honoured.
    """

    table: pd.DataFrame
    bends: pd.DataFrame
    must: Stretches
    candidates: Judged
    sites: Sites
    costs: PullCosts
    plan: Plan
    figures: pd.DataFrame
    refused: dict[int, str]

    @property
    def value(self) -> FloatArray:
        """What was made least, per run; infinite where there is no plan."""
        return self.figures["value"].to_numpy(dtype=float)

    def only(self, wanted: BoolArray) -> Attempt:
        """Leave the places of the runs wanted; sites only of those of them with no plan.

        A run without a plan is explained from its sites; of the others nobody asks for them.
        """
        return replace(
            self,
            candidates=self.candidates.only(wanted),
            sites=_sites_of(self.sites, wanted & ~np.isfinite(self.value)),
        )


@dataclass(frozen=True)
class Equipped:
    """Runs with a carrier each: table with prices, judged bends, what must lie in a pit."""

    table: pd.DataFrame
    bends: pd.DataFrame
    must: Stretches


def equip(ground: Shared, pipe: IntArray) -> Equipped:
    """Give every run its pipe, -1 for none, and judge what it meets."""
    brief = ground.brief
    table = ground.runs.table.join(ground.service).join(
        carrier_columns(ground.contest, pipe, ground.service, brief.carrier, brief.pulls)
    )
    table = _priced(table, ground.contest)
    bends = _judged(ground.runs.bends, table, ground.contest, brief)
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    held = must_be_held(ground, bends)
    must = must_stretches(
        held[lined[held["run"].to_numpy(dtype=np.int64)]],
        table["diameter"].to_numpy(dtype=float),
        table["length"].to_numpy(dtype=float),
        apart=least_between(brief),
    )
    return Equipped(table, bends, must)


def try_carriers(ground: Shared, equipped: Equipped) -> Attempt:
    """Plan every run that has a carrier and stations through."""
    brief = ground.brief
    table, bends, must = equipped.table, equipped.bends, equipped.must
    candidates = _candidates(ground, table, bends, must)
    profile = profile_of(ground, table, bends, friction_band_of(brief)["central"])
    annulus = annulus_of(ground.bores, table["outside"].to_numpy(dtype=float))
    sites = build_sites(
        candidates,
        profile,
        must,
        lengths=table["length"].to_numpy(dtype=float),
        limit=table["allowable"].fillna(0.0).to_numpy(dtype=float),
        max_length=brief.pulls.max_length,
        digs=ground.digs.assign(cost=ground.digs["cost"] + ground.digs["temporary"]),
        objective=_objective(candidates, brief),
        per_lane_day=brief.objective.per_lane_day,
        annulus=annulus,
        grout=brief.rates.grout if brief.pulls.grouted else 0.0,
    )
    costs = pull_costs(table, brief)
    say = partial(length_text, system=brief.output.units)
    edited = choose_with_edits(
        sites,
        costs,
        candidates.table["chainage"].to_numpy(dtype=float),
        lambda row: str(tell_reasons(candidates, np.array([row]), refusal_limits(brief))[0]),
        ground.edits,
        placed=by_word(candidates.table["kind"], ("edit",).__contains__),
        reach=brief.pits.forbid_reach,
        say=say,
        held=partial(_held_between, must_be_held(ground, bends), say),
    )
    plan = lay_out(
        edited.choice,
        sites,
        candidates,
        profile,
        costs,
        table,
        annulus=annulus,
        rate=brief.pulls.rate,
        joint_hours=brief.pulls.string_joint_hours / HOUR,
    )
    of_refused = ground.edits["run"].to_numpy(dtype=np.int64)[list(edited.refused)]
    tested = brief.rates.testing * table["length"].to_numpy(dtype=float)
    figures = _figures(plan, edited, sites, candidates, costs, tested).assign(
        refused_edits=np.bincount(of_refused, minlength=len(table)), eased=_eased(sites, bends)
    )
    told = candidates.judged()
    return Attempt(table, bends, must, told, sites, costs, plan, figures, edited.refused)


def _held_between(
    held: pd.DataFrame, say: Callable[[float], str], run: int, low: float, high: float
) -> str:
    """Name what of a run must lie in a pit between two chainages, m."""
    return held_words(held[held["run"] == run], low, high, say)


def _eased(sites: Sites, bends: pd.DataFrame) -> FloatArray:
    """Return the bending radius from which on each run is eased, as of `Attempt.figures`."""
    blocked = bends[~bends["passes"].to_numpy(dtype=bool)]
    eased = np.zeros(len(sites.lengths))
    if sites.forced is not None:
        eased[row_of(sites.offsets)[sites.forced.any(axis=1)]] = np.inf
    passing = blocked["passing_radius"].fillna(0.0).to_numpy(dtype=float)
    np.maximum.at(eased, blocked["run"].to_numpy(dtype=np.int64), passing)
    return eased


def _figures(
    plan: Plan,
    edited: Edited,
    sites: Sites,
    candidates: Candidates,
    costs: PullCosts,
    tested: FloatArray,
) -> pd.DataFrame:
    """Return the figures of every run, as of `Attempt.figures`.

    ``tested`` is what testing each run costs: of any choice of pits the same, and no part of what
    the optimiser made least, but of what plans and their carriers are weighed by.
    """
    value, plain = edited.choice.cost + tested, edited.plain
    count, known = len(value), np.isfinite(value)
    of_pit, of_pull = (rows["run"].to_numpy(dtype=np.int64) for rows in (plan.pits, plan.pulls))
    longest = np.full(count, np.nan)  # a run with one pit has no pull
    np.fmax.at(longest, of_pull, plan.pulls["length"].to_numpy(dtype=float))
    cost = plan_cost(edited.choice, sites, candidates, costs) + tested
    unedited = plain is edited.choice
    return pd.DataFrame(
        {
            "value": value,
            "cost": cost,
            "pit_count": np.where(known, np.bincount(of_pit, minlength=count), np.nan),
            "pull_count": np.where(known, np.bincount(of_pull, minlength=count), np.nan),
            "longest_pull": np.where(known, longest, np.nan),
            "covered": edited.choice.covered,
            "short": np.full(count, np.nan),
            "plain_value": plain.cost + tested,
            "plain_cost": cost if unedited else plan_cost(plain, sites, candidates, costs) + tested,
            "plain_pits": np.diff(plain.offsets),
        }
    )


def _sites_of(sites: Sites, wanted: BoolArray) -> Sites:
    """Leave the sites of the runs wanted and of no others."""
    counts = np.diff(sites.offsets)
    rows = np.flatnonzero(np.repeat(wanted, counts))
    return sites.at(rows, offsets=offsets_of(np.where(wanted, counts, 0)))


def must_be_held(ground: Shared, bends: pd.DataFrame) -> pd.DataFrame:
    """Return what must lie in pits: bends that do not pass, and line valves if the brief says so.

    Bends that pass are left out; a valve has no deflection.
    """
    blocked = bends[~bends["passes"].to_numpy(dtype=bool)]
    return pd.concat([blocked, _valves_in_pits(ground.runs, ground.brief)], ignore_index=True)


def _valves_in_pits(runs: RunSet, brief: Brief) -> pd.DataFrame:
    """Return the line valves that must lie in a pit, as places no pull passes."""
    in_main = runs.valves[~runs.valves["tapped"]]
    at = in_main if brief.pulls.valves == "pit" else in_main.iloc[:0]
    places = at[["run", "chainage"]]
    return places.assign(first=at["chainage"], last=at["chainage"], passes=False)


def _objective(candidates: Candidates, brief: Brief) -> FloatArray:
    """Return what the optimiser makes least for each site: its cost, a pit, its lane-days."""
    weights = brief.objective
    return np.asarray(
        candidates.cost + weights.per_pit + weights.per_lane_day * candidates.lane_days
    )


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
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    stations = ground.stations
    return find_candidates(
        stations[lined[stations["run"].to_numpy(dtype=np.int64)]],
        bends,
        ground.axis,
        ground.profile,
        table,
        must,
        around=Surroundings(
            scene=ground.scene,
            avoid=ground.avoid,
            levels=ground.levels,
            digs=ground.digs,
        ),
        settings=SiteSettings(
            pits=pit_rules(ground.brief),
            strings=string_rules(ground.brief),
            rates=site_rates(ground.brief),
            work=work_rates(ground.brief),
        ),
    )


def profile_of(
    ground: Shared, table: pd.DataFrame, bends: pd.DataFrame, friction: float
) -> ForceProfile:
    """Return what the force of a pull is reckoned from, at this friction."""
    return build_profile(
        ground.stations,
        bends,
        ground.offsets,
        weight=table["weight"].fillna(0.0).to_numpy(dtype=float),
        string_weight=table["dry_weight"].fillna(0.0).to_numpy(dtype=float),
        friction=friction,
        roller_friction=ground.brief.pulls.roller_friction,
    )


def _priced(table: pd.DataFrame, contest: Contest) -> pd.DataFrame:
    """Add the price of the pipe, per m."""
    pipe = table["pipe"].to_numpy(dtype=np.int64)
    return table.assign(pipe_price=np.where(pipe >= 0, contest.price[np.maximum(pipe, 0)], np.nan))
