"""The choice of pits of one run solved again as a mixed-integer model, by an independent solver.

A binary for every pit (candidate and role) and for every pull between two of them. Walking along
the run every pit is entered once, by a pull or by the run's start, and left once, by a pull or
by its end: so pits and pulls cover every metre once, for a pull goes from edge to edge. Pits cost
what ``candidates`` tells; the cost, the reach, the strings and the hours of every pull are worked
out here from settings, stations, bends and digs. HiGHS solves it (`scipy.optimize.milp`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.deliver.verify.bends import held_stretches
from geotools.deliver.verify.carriers import pipe_of
from geotools.deliver.verify.force import (
    Path,
    Pulled,
    allowed,
    frictions,
    march,
    path_of,
    pulled_of,
)
from geotools.deliver.verify.formulas import pieces
from geotools.deliver.verify.money import dig_cost, pipe_price, testing_cost
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.records import AT, honoured_edits
from geotools.deliver.verify.strings import strings_needed
from geotools.deliver.verify.tally import CLOSE, Unreadable
from geotools.schema import ROLES

__all__ = ["GAP", "Optimum", "lane_days", "solve_run"]

GAP = 1e-6  # share of the cost the solver may leave open, and the plan may lie above its answer
AHEAD, BEHIND = ("insertion_ahead", "insertion_both"), ("insertion_behind", "insertion_both")


@dataclass(frozen=True)
class Optimum:
    """The plan of a run beside the best there is; ``reason`` says why it was not solved."""

    run_id: str
    found: float = math.nan
    best: float = math.nan
    pits: int = 0
    pulls: int = 0
    reason: str = ""

    @property
    def holds(self) -> bool:
        """Whether the plan costs no more than the best, within the gap; or none was to solve."""
        if self.reason:
            return True
        if math.isinf(self.best) or math.isinf(self.found):
            return self.best == self.found
        return abs(self.found - self.best) <= GAP * max(abs(self.best), 1.0)

    def text(self) -> str:
        """Return the answer in a line."""
        if self.reason:
            return f"optimum of {self.run_id}: not checked: {self.reason}"
        verdict = "holds" if self.holds else "FAILED"
        found = f"the plan costs {self.found:,.2f}"
        if math.isinf(self.found):
            found = "the run has no plan"
        best = f"the best choice costs {self.best:,.2f}, to {GAP:g} of it"
        if math.isinf(self.best):
            best = "there is none"
        return (
            f"optimum of {self.run_id}: {verdict}: {found}; of {self.pits:,} pits and "
            f"{self.pulls:,} pulls that could be made, {best}"
        )

    def summary(self) -> dict[str, Any]:
        """Return the answer for ``--json``."""
        known = {"found": self.found, "best": self.best}
        return {
            "run_id": self.run_id,
            **{name: value if math.isfinite(value) else None for name, value in known.items()},
            "pits": self.pits,
            "pulls": self.pulls,
            "gap": GAP,
            "holds": None if self.reason else self.holds,
            "not_checked": self.reason,
        }


@dataclass(frozen=True)
class Site:
    """A pit that could be dug: its edges along the run, m, role, cost, and the place itself."""

    start: float
    end: float
    role: str
    cost: float
    place: Any


def solve_run(plan: Plan, run_id: str) -> Optimum:
    """Solve the choice of pits of one run.

    Parameters
    ----------
    plan : Plan
    run_id : str

    Raises
    ------
    RuntimeError
        If the solver gives up.
    """
    try:
        run = plan.one("runs", "run_id")[run_id]
        reason = _unsolved(plan, run)
        if reason:
            return Optimum(run_id, reason=reason)
        per_pit = plan.setting("objective.per_pit")
        sites = _sites(plan, run)
        pulls = _pulls(plan, run, sites)
        tested = testing_cost(plan, run)  # of any choice
        found = run.cost + per_pit * run.pit_count if run.status == "planned" else math.inf
    except Unreadable as spoiled:
        return Optimum(run_id, reason=str(spoiled))
    best = _solve(run.length, [s.cost + per_pit for s in sites], sites, pulls)
    return Optimum(run_id, found, best + tested, len(sites), len(pulls))


def _unsolved(plan: Plan, run: Any) -> str:
    """Say why a run is not solved; empty if it can be."""
    if run.status == "not_suitable" or pipe_of(plan, run) is None:
        return "no carrier suits the run"
    if plan.setting("objective.per_lane_day"):
        return "the plan does not hold the lane-days of its candidates"
    if "stations" not in plan.tables:
        return "the plan was written without stations (output.stations)"
    return ""


def _sites(plan: Plan, run: Any) -> list[Site]:
    """Return every pit that could be dug, under the edits honoured."""
    edits = [edit for edit in honoured_edits(plan) if edit[0] == run.run_id]
    reach = plan.setting("pits.forbid_reach")
    sites = []
    for place in plan.by("candidates", "run_id", "chainage").get(run.run_id, []):
        for role in ROLES:
            cost = getattr(place, f"cost_{role}")
            before, after = (getattr(place, f"{side}_{role}") for side in ("before", "after"))
            if math.isnan(before + after):
                raise Unreadable(f"candidate {place.candidate_id} does not say what it opens")
            site = Site(place.chainage - before, place.chainage + after, role, cost, place)
            if math.isfinite(cost) and all(_allows(edit, site, reach) for edit in edits):
                sites.append(site)
    return sites


def _allows(edit: tuple[str, str, str, float, str], site: Site, reach: float) -> bool:
    """Say whether an edit leaves a pit: none in a forbidden stretch, none but the fixed one.

    Of a role that is forbidden no other is meant.
    """
    _, action, role, at, _ = edit
    if action == "forbid":
        if role and role != site.role:
            return True
        return site.end <= at - reach + CLOSE or site.start >= at + reach - CLOSE
    covers = site.start <= at <= site.end
    meant = abs(site.place.chainage - at) <= AT and (not role or role == site.role)
    return meant or not covers


@dataclass(frozen=True)
class _Case:
    """What all pulls of a run have in common."""

    path: Path
    held: list[tuple[float, float]]
    digs: list[tuple[float, float]]
    per_metre: float
    pulled: Pulled
    friction: float
    most: float
    rules: dict[str, float]


_RULES = (
    "pulls.min_length",
    "pulls.max_length",
    "pulls.piece_length",
    "pulls.rate",
    "pulls.string_joint_hours",
    "street.least_string",
    "crew.joints_per_day",
    "crew.least_pull_days",
    "crew.shift",
    "rates.pull_setup",
    "rates.joint",
    "rates.string_joint",
    "rates.pulling_hour",
)


def _case(plan: Plan, run: Any) -> _Case:
    """Gather what the pulls of a run have in common."""
    pipe = pipe_of(plan, run)
    if pipe is None:
        raise Unreadable(f"run {run.run_id} has no carrier")
    if plan.setting("pulls.grouted"):
        raise Unreadable("the plan does not hold the grout a metre of its annulus takes")
    service = plan.setting("rates.temporary_service")
    rules = {key: float(plan.setting(key)) for key in _RULES}
    held = [(low, high) for low, high, _ in held_stretches(plan, run)]
    fixed = [edit for edit in honoured_edits(plan) if edit[:2] == (run.run_id, "fix")]
    held += [(at, at) for _, _, _, at, _ in fixed]
    digs = [
        (dig.chainage, dig_cost(plan, dig.kind) + service * (dig.kind == "lateral"))
        for dig in plan.by("local_digs", "run_id").get(run.run_id, [])
    ]
    per_metre = pipe_price(plan, run) + rules["rates.pulling_hour"] / rules["pulls.rate"]
    per_metre += plan.setting("rates.cleaning") if plan.setting("service.host_cleaned") else 0.0
    return _Case(
        path=path_of(plan, run.run_id, pipe),
        held=held,
        digs=digs,
        per_metre=per_metre,
        pulled=pulled_of(plan, pipe),
        friction=frictions(plan)["central"],
        most=allowed(plan, pipe)[0],
        rules=rules,
    )


def _pulls(plan: Plan, run: Any, sites: list[Site]) -> list[tuple[int, int, float]]:
    """Return every pull that could be made: site before, site after, cost."""
    case = _case(plan, run)
    low = case.rules["pulls.min_length"] - CLOSE
    high = case.rules["pulls.max_length"] + CLOSE
    order = sorted(range(len(sites)), key=lambda k: sites[k].start)
    starts = np.array([sites[k].start for k in order])
    reached: dict[tuple[float, float, bool], bool] = {}
    out = []
    for a, one in enumerate(sites):
        first, last = np.searchsorted(starts, [one.end + low, one.end + high])
        for b in (order[k] for k in range(first, last)):
            two = sites[b]
            ahead, behind = one.role in AHEAD, two.role in BEHIND
            if ahead == behind:
                continue  # nobody inserts, or both do
            key = (one.end, two.start, ahead)
            if key not in reached:
                reached[key] = _reaches(case, *key)
            cost = _cost(case, one, two, ahead=ahead) if reached[key] else math.inf
            if math.isfinite(cost):
                out.append((a, b, cost))
    return out


def _reaches(case: _Case, start: float, end: float, ahead: bool) -> bool:
    """Say whether a string can be pulled from edge to edge: no held place, force and bends."""
    if any(low < end - CLOSE and high > start + CLOSE for low, high in case.held):
        return False
    tail, head = (start, end) if ahead else (end, start)
    marched = march(case.path, tail, head, case.friction, case.pulled, end - start)
    return all(force <= min(case.most, limit) * (1 + 1e-12) for _, force, limit in marched)


def _cost(case: _Case, one: Site, two: Site, *, ahead: bool) -> float:
    """Return what a pull costs; infinite where its strings find no room or no shift holds it."""
    rules = case.rules
    length = two.start - one.end
    count = pieces(length, rules["pulls.piece_length"])
    place = one.place if ahead else two.place
    room = place.string_room_ahead if ahead else place.string_room_behind
    strings = strings_needed(count, room, rules["pulls.piece_length"], rules["street.least_string"])
    days = place.string_day_ahead if ahead else place.string_day_behind
    piece = rules["pulls.piece_length"]
    longest = math.ceil(count / strings) * piece if 1 < strings < math.inf else length
    prices = lane_days(days, longest)
    if not strings <= len(prices):
        return math.inf
    standstill = rules["pulls.string_joint_hours"]
    spent = length / rules["pulls.rate"] + (strings - 1) * standstill
    if not spent <= rules["crew.shift"] + CLOSE:
        return math.inf
    joining = rules["rates.string_joint"] + rules["rates.pulling_hour"] * standstill
    return float(
        rules["rates.pull_setup"]
        + case.per_metre * length
        + rules["rates.joint"] * max(count - 1, 0)
        + joining * (strings - 1)
        + sum(cost for at, cost in case.digs if one.end < at < two.start)
        + prices[int(strings) - 1] * _lying(rules, count, spent)
    )


def lane_days(told: str, longest: float) -> list[float]:
    """Return what lanes cost a day by the number of strings, the longest of which is so long, m."""
    first, *later = told.split("; ")
    for level in later:
        begins, _, prices = level.partition(" m: ")
        if float(begins) < longest - CLOSE:
            first = prices
    return [float(price) for price in first.split()]


def _lying(rules: dict[str, float], count: int, spent: float) -> float:
    """Return the days strings of so many pipes lie in the street, pulled in so many seconds."""
    joints = max(count - 1, 0)
    pulling = max(spent / rules["crew.shift"], rules["crew.least_pull_days"])
    return joints / rules["crew.joints_per_day"] + pulling


def _solve(
    length: float, prices: list[float], sites: list[Site], pulls: list[tuple[int, int, float]]
) -> float:
    """Return the least cost of pits and pulls that cover the run; infinite where none do.

    Columns: pits, pulls, then the pit that begins the run and the one that ends it. Rows: every
    pit is entered once and left once if it is dug; one begins, one ends.
    """
    import scipy.optimize
    from scipy.sparse import coo_array

    count = len(sites)
    first = [k for k, s in enumerate(sites) if s.start <= CLOSE and s.role not in BEHIND]
    last = [k for k, s in enumerate(sites) if s.end >= length - CLOSE and s.role not in AHEAD]
    if not first or not last:
        return math.inf
    entries: list[tuple[int, int, float]] = []
    for k in range(count):
        entries += [(k, k, -1.0), (count + k, k, -1.0)]
    column = count
    for a, b, _ in pulls:
        entries += [(b, column, 1.0), (count + a, column, 1.0)]
        column += 1
    for row, ends, total in ((0, first, 2 * count), (count, last, 2 * count + 1)):
        for k in ends:
            entries += [(row + k, column, 1.0), (total, column, 1.0)]
            column += 1
    rows, columns, values = (np.array(part) for part in zip(*entries, strict=True))
    at = (rows.astype(np.int32), columns.astype(np.int32))  # older releases of milp take no other
    matrix = coo_array((values, at), shape=(2 * count + 2, column)).tocsr()
    due: npt.NDArray[np.float64] = np.zeros(2 * count + 2)
    due[-2:] = 1.0
    cost = np.zeros(column)
    cost[:count] = prices
    cost[count : count + len(pulls)] = [price for _, _, price in pulls]
    result = scipy.optimize.milp(
        cost / 1e3,
        constraints=scipy.optimize.LinearConstraint(matrix, due, due),
        integrality=np.ones(column, dtype=np.int64),
        bounds=scipy.optimize.Bounds(0, 1),
        options={"mip_rel_gap": GAP / 10},
    )
    if result.status == 2:
        return math.inf
    if not result.success:
        raise RuntimeError(f"the solver gave up: {result.message}")
    return float(cost @ np.round(result.x))
