"""The optimiser against a mixed-integer model solved by HiGHS, and against every plan there is.

Independent truth: `scipy.optimize.milp` (HiGHS, gap 0) on a model of its own: binary pits and
pulls, every metre of the run covered exactly once. It is built from positions along the run and
shares nothing with the dynamic programme. Gap allowed: 1e-9 of the cost, the rounding of sums in
another order; the solver's own plan is priced again from its rounded variables.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from geotools.pulls.explain import Limits, explain_run, mirrored
from geotools.pulls.optimise import PullCosts, Sites, StringDays, choose_pits
from geotools.siting.must import Stretches
from geotools.siting.refusals import AVOID

RECEIVING, AHEAD, BEHIND, BOTH = range(4)
SLACK = 1e-6  # m; edges this close meet


@dataclass(frozen=True)
class Street:
    """One run with its places for pits; arrays per place and role have shape (n, 4), m."""

    length: float
    start: npt.NDArray[np.float64]
    end: npt.NDArray[np.float64]
    cost: npt.NDArray[np.float64]
    ahead: npt.NDArray[np.float64]  # farthest chainage the force allows from the pit's end
    behind: npt.NDArray[np.float64]  # lowest chainage the force allows from the pit's start
    room_ahead: npt.NDArray[np.float64]  # pipes in a string laid out for the pull ahead
    room_behind: npt.NDArray[np.float64]
    must: tuple[tuple[float, float], ...]
    connections: tuple[float, ...]
    longest: float
    day_ahead: npt.NDArray[np.float64]  # lanes' cost a day of one string, of two, of three or more
    day_behind: npt.NDArray[np.float64]
    begins: npt.NDArray[np.float64]  # m of a string, above which the second three of them count

    def holds_off(self, j: int, role: int) -> bool:
        """Whether an edge of the pit lies inside a stretch that must lie in one pit."""
        return any(
            low < edge < high
            for low, high in self.must
            for edge in (self.start[j, role], self.end[j, role])
        )


def _street(rng: np.random.Generator, places: int) -> Street:
    length = float(rng.uniform(150, 700))
    at = np.sort(rng.uniform(0, length, places))
    if rng.random() < 0.9:
        at[0], at[-1] = 0.0, length
    before = rng.uniform(1, 25, (places, 4))
    after = rng.uniform(1, 25, (places, 4))
    cost = rng.uniform(5_000, 40_000, (places, 4))
    cost[rng.random((places, 4)) < 0.25] = np.inf
    start, end = at[:, None] - before, at[:, None] + after
    must = []
    for place in rng.permutation(places)[: rng.integers(0, 3)]:
        size = rng.uniform(0.5, 6.0)
        low = max(0.0, float(at[place]) - size / 2)
        high = min(length, low + size)
        if all(high < other[0] or low > other[1] for other in must):
            must.append((low, high))
    street = Street(
        length=length,
        start=start,
        end=end,
        cost=cost,
        ahead=end + rng.uniform(20, 500, (places, 4)),
        behind=start - rng.uniform(20, 500, (places, 4)),
        room_ahead=rng.choice([1.0, 2.0, 5.0, 11.0, np.inf], (places, 4)),
        room_behind=rng.choice([1.0, 2.0, 5.0, 11.0, np.inf], (places, 4)),
        must=tuple(sorted(must)),
        connections=tuple(np.sort(rng.uniform(0, length, rng.integers(0, 8)))),
        longest=float(rng.uniform(100, 450)),
        day_ahead=_lanes(rng, places),
        day_behind=_lanes(rng, places),
        begins=rng.uniform(20, 200, places),
    )
    refused = [[street.holds_off(j, role) for role in range(4)] for j in range(places)]
    return replace(street, cost=np.where(np.array(refused), np.inf, cost))


def _lanes(rng: np.random.Generator, places: int) -> npt.NDArray[np.float64]:
    """Return what lanes cost a day by the strings side by side; some find no room."""
    levels = []
    for _ in range(2):
        day = np.cumsum(rng.choice([0.0, 0.0, 700.0, 3_000.0], (places, 3)), axis=1)
        many: npt.NDArray[np.int64] = rng.choice([0, 1, 2, 3, 3, 3, 3], places)
        levels.append(np.where(np.arange(3) < many[:, None], day, np.inf))
    return np.concatenate(levels, axis=1)


def _costs(rng: np.random.Generator, runs: int) -> PullCosts:
    return PullCosts(
        setup=float(rng.uniform(0, 15_000)),
        per_length=rng.uniform(0, 300, runs),
        joint=float(rng.uniform(0, 2_000)),
        piece_length=float(rng.uniform(6, 100)),
        connection=float(rng.uniform(0, 9_000)),
        least_length=float(rng.uniform(0.1, 30)),
        string_joint=float(rng.choice([0.0, rng.uniform(0, 4_000)])),
        days=StringDays(
            joint=float(rng.uniform(0, 0.3)),
            length=float(rng.uniform(0, 0.01)),
            standstill=float(rng.uniform(0, 0.3)),
            least=float(rng.uniform(0, 1)),
        ),
    )


def _sites(streets: list[Street]) -> Sites:
    """Write the streets down as the optimiser takes them."""

    def floor(s: Street, edge: float) -> float:
        ends = [high for _, high in s.must if high <= edge + SLACK]
        return max([0.0, edge - s.longest, *ends])

    def roof(s: Street, edge: float) -> float:
        starts = [low for low, _ in s.must if low >= edge - SLACK]
        return min([s.length, edge + s.longest, *starts])

    def per_edge(rule, name: str) -> list[list[float]]:  # type: ignore[no-untyped-def]
        return [[rule(s, e) for e in row] for s in streets for row in getattr(s, name)]

    floors, roofs = np.array(per_edge(floor, "start")), np.array(per_edge(roof, "end"))
    return Sites(
        offsets=np.cumsum([0, *(len(s.cost) for s in streets)]).astype(np.int64),
        lengths=np.array([s.length for s in streets]),
        start=np.concatenate([s.start for s in streets]),
        end=np.concatenate([s.end for s in streets]),
        cost=np.concatenate([s.cost for s in streets]),
        reach_ahead=np.minimum(np.concatenate([s.ahead for s in streets]), roofs),
        reach_behind=np.maximum(np.concatenate([s.behind for s in streets]), floors),
        floor=floors,
        roof=roofs,
        passed_start=np.array(
            per_edge(lambda s, e: float(sum(c < e for c in s.connections)), "start")
        ),
        passed_end=np.array(
            per_edge(lambda s, e: float(sum(c <= e for c in s.connections)), "end")
        ),
        pieces_ahead=np.concatenate([s.room_ahead for s in streets]),
        pieces_behind=np.concatenate([s.room_behind for s in streets]),
        string_day_ahead=np.concatenate([s.day_ahead for s in streets]),
        string_day_behind=np.concatenate([s.day_behind for s in streets]),
        string_begins_ahead=_begins(streets),
        string_begins_behind=_begins(streets),
    )


def _begins(streets: list[Street]) -> npt.NDArray[np.float64]:
    begins = np.concatenate([s.begins for s in streets])
    return np.stack([np.zeros(len(begins)), begins], axis=1)


@dataclass(frozen=True)
class Pull:
    """A pull between two pits, each (place, role)."""

    first: tuple[int, int]
    second: tuple[int, int]
    ahead: bool
    cost: float


def _pull(
    street: Street, costs: PullCosts, per_length: float, one: tuple[int, int], two: tuple[int, int]
) -> Pull | None:
    """Return the pull between two pits, or None where there is none."""
    tail, edge = street.end[one], street.start[two]
    length = edge - tail
    if length < costs.least_length - SLACK or length > street.longest + SLACK:
        return None
    if any(low < edge - SLACK and high > tail + SLACK for low, high in street.must):
        return None
    inserts_ahead, inserts_behind = one[1] in (AHEAD, BOTH), two[1] in (BEHIND, BOTH)
    if inserts_ahead == inserts_behind:
        return None  # nobody inserts, or both do
    if inserts_ahead and edge > street.ahead[one] + SLACK:
        return None
    if inserts_behind and tail < street.behind[two] - SLACK:
        return None
    passed = sum(tail < c < edge for c in street.connections)
    pieces = math.ceil(length / costs.piece_length - 1e-9)
    room = street.room_ahead[one] if inserts_ahead else street.room_behind[two]
    strings = 1 if room >= pieces else math.ceil(pieces / room)
    place = one[0] if inserts_ahead else two[0]
    longest = length if strings == 1 else math.ceil(pieces / strings) * costs.piece_length
    level = 3 if longest > street.begins[place] else 0
    day = (street.day_ahead if inserts_ahead else street.day_behind)[place][
        level + min(strings, 3) - 1
    ]
    if math.isinf(day):
        return None  # so many strings find no room side by side
    joints, last = max(pieces - 1, 0), costs.days
    lying = last.joint * joints + max(
        last.length * length + last.standstill * (strings - 1), last.least
    )
    price = (
        day * lying
        + costs.setup
        + per_length * length
        + costs.joint * joints
        + costs.string_joint * (strings - 1)
        + costs.connection * passed
    )
    return Pull(one, two, inserts_ahead, price)


def _model(street: Street, costs: PullCosts, per_length: float) -> float:
    """Return the least cost by the mixed-integer model; infinite where it is infeasible."""
    pits = [(int(j), int(r)) for j, r in np.argwhere(np.isfinite(street.cost))]
    pulls = [
        pull
        for one, two in itertools.permutations(pits, 2)
        if (pull := _pull(street, costs, per_length, one, two)) is not None
    ]
    price = np.array([street.cost[p] for p in pits] + [p.cost for p in pulls])
    spans = [(street.start[p], street.end[p]) for p in pits]
    spans += [(street.end[p.first], street.start[p.second]) for p in pulls]
    rows, low, high = _cover(street, spans)
    for k, pit in enumerate(pits):
        one = np.eye(1, len(price), k)[0]
        out = [float(p.first == pit) for p in pulls]
        into = [float(p.second == pit) for p in pulls]
        for inserts, sides in ((pit[1] in (AHEAD, BOTH), out), (pit[1] in (BEHIND, BOTH), into)):
            rows.append(one - np.concatenate([np.zeros(len(pits)), sides]))
            low.append(0.0)
            high.append(0.0 if inserts else 1.0)  # who inserts on a side pulls on that side
    rows.append(np.concatenate([np.ones(len(pits)), -np.ones(len(pulls))]))
    low.append(1.0)  # one pit more than pulls: every gap between pits is pulled
    high.append(1.0)
    if not len(price):
        return math.inf
    result = milp(
        price / 1e4,
        constraints=LinearConstraint(csr_array(np.array(rows)), low, high),
        integrality=np.ones(len(price)),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    if result.status == 2:
        return math.inf
    assert result.success, result.message
    chosen = np.round(result.x) == 1
    assert np.abs(result.x - chosen).max() < 1e-5
    return float(price[chosen].sum())


def _cover(
    street: Street, spans: list[tuple[float, float]]
) -> tuple[list[npt.NDArray[np.float64]], list[float], list[float]]:
    """Return rows that say: every bit of the run is covered once."""
    edges = np.unique(np.clip([0.0, street.length, *itertools.chain(*spans)], 0.0, street.length))
    keep = np.diff(edges) > 2 * SLACK
    middle = (edges[:-1] + edges[1:])[keep] / 2
    start, end = np.array(spans).reshape(-1, 2).T
    table = ((start < middle[:, None]) & (middle[:, None] < end)).astype(float)
    return list(table), [1.0] * len(table), [1.0] * len(table)


def _every_plan(street: Street, costs: PullCosts, per_length: float) -> float:
    """Return the least cost over all choices of no pit or one of four roles at every place."""
    best = math.inf
    for roles in itertools.product((None, 0, 1, 2, 3), repeat=len(street.cost)):
        plan = [(j, r) for j, r in enumerate(roles) if r is not None]
        if not plan or not all(np.isfinite(street.cost[p]) for p in plan):
            continue
        if street.start[plan[0]] > SLACK or street.end[plan[-1]] < street.length - SLACK:
            continue
        if plan[0][1] in (BEHIND, BOTH) or plan[-1][1] in (AHEAD, BOTH):
            continue  # would insert towards nothing
        pulls = [_pull(street, costs, per_length, a, b) for a, b in itertools.pairwise(plan)]
        if any(p is None for p in pulls):
            continue
        total = sum(street.cost[p] for p in plan) + sum(p.cost for p in pulls if p is not None)
        best = min(best, float(total))
    return best


def _price(street: Street, costs: PullCosts, per_length: float, states: list[int]) -> float:
    """Return the cost of a plan the optimiser gave, after checking that it is one."""
    plan = [(s // 4, s % 4) for s in states]
    pulls = [_pull(street, costs, per_length, a, b) for a, b in itertools.pairwise(plan)]
    assert None not in pulls
    assert street.start[plan[0]] <= SLACK
    assert street.end[plan[-1]] >= street.length - SLACK
    for low, high in street.must:
        assert any(street.start[p] <= low + SLACK and street.end[p] >= high - SLACK for p in plan)
    pits = [float(street.cost[p]) for p in plan]
    return math.fsum(pits + [p.cost for p in pulls if p is not None])


def _plan_of(choice, sites: Sites, run: int) -> list[int]:  # type: ignore[no-untyped-def]
    states = choice.states[choice.offsets[run] : choice.offsets[run + 1]]
    return [int(s) - 4 * int(sites.offsets[run]) for s in states]


@pytest.mark.parametrize("seed", range(8))
def test_the_optimum_is_that_of_a_mixed_integer_model(seed: int) -> None:
    rng = np.random.default_rng(seed)
    streets = [_street(rng, int(rng.integers(3, 10))) for _ in range(32)]
    costs = _costs(rng, len(streets))
    sites = _sites(streets)
    choice = choose_pits(sites, costs)
    truth = np.array(
        [_model(s, costs, rate) for s, rate in zip(streets, costs.per_length, strict=True)]
    )
    assert np.isfinite(choice.cost).tolist() == np.isfinite(truth).tolist()
    planned = np.isfinite(truth)
    assert 4 < planned.sum() < len(streets)  # both kinds are in the sample
    np.testing.assert_allclose(choice.cost[planned], truth[planned], rtol=1e-9)
    for run in np.flatnonzero(planned):
        price = _price(streets[run], costs, costs.per_length[run], _plan_of(choice, sites, run))
        assert price == pytest.approx(choice.cost[run], rel=1e-12)


@pytest.mark.parametrize("seed", range(100, 104))
def test_the_optimum_is_the_best_of_all_plans(seed: int) -> None:
    rng = np.random.default_rng(seed)
    streets = [_street(rng, int(rng.integers(1, 5))) for _ in range(40)]
    costs = _costs(rng, len(streets))
    truth = [_every_plan(s, costs, rate) for s, rate in zip(streets, costs.per_length, strict=True)]
    choice = choose_pits(_sites(streets), costs)
    assert 2 < np.isfinite(truth).sum() < len(truth)
    np.testing.assert_allclose(choice.cost, truth, rtol=1e-9)


@pytest.mark.parametrize("seed", range(200, 203))
def test_from_the_other_end_the_run_gets_the_same_plan(seed: int) -> None:
    rng = np.random.default_rng(seed)
    streets = [_street(rng, int(rng.integers(3, 12))) for _ in range(60)]
    costs = _costs(rng, len(streets))
    sites = _sites(streets)
    choice = choose_pits(sites, costs)
    swapped = [RECEIVING, BEHIND, AHEAD, BOTH]
    for run, street in enumerate(streets):
        one = replace(costs, per_length=costs.per_length[run : run + 1])
        back = choose_pits(mirrored(sites, run), one)
        assert back.cost[0] == pytest.approx(choice.cost[run], rel=1e-9)
        last = 4 * (len(street.cost) - 1)
        turned = [last - 4 * (s // 4) + swapped[s % 4] for s in back.states.tolist()[::-1]]
        assert turned == _plan_of(choice, sites, run)


def _reached(street: Street, costs: PullCosts, *, back: bool) -> float:
    """Return how far pits and pulls get from one end, by trying all that join on."""
    pits = [(int(j), int(r)) for j, r in np.argwhere(np.isfinite(street.cost))]
    if back:
        todo = [p for p in pits if street.end[p] >= street.length - SLACK]
        todo = [p for p in todo if p[1] in (RECEIVING, BEHIND)]
    else:
        todo = [p for p in pits if street.start[p] <= SLACK and p[1] in (RECEIVING, AHEAD)]
    known = set(todo)
    while todo:
        one = todo.pop()
        for two in pits:
            pair = (two, one) if back else (one, two)
            if two not in known and _pull(street, costs, 0.0, *pair) is not None:
                known.add(two)
                todo.append(two)
    if back:
        return max(0.0, min([street.length, *(float(street.start[p]) for p in known)]))
    return min(street.length, max([0.0, *(float(street.end[p]) for p in known)]))


def _holds_what_no_pit_holds(street: Street, code: npt.NDArray[np.int64], text: str) -> None:
    """Check that the text names every stretch that lies in no pit that may stand, and no other."""
    for lo, hi in street.must:
        inside = any(
            street.start[j, r] <= lo + SLACK and street.end[j, r] >= hi - SLACK
            for j, r in np.argwhere(code == 0)
        )
        words = f"the bend of 90 deg at {(lo + hi) / 2:.1f} m cannot be passed"
        assert (words in text) is not inside


@pytest.mark.parametrize("seed", range(300, 304))
def test_what_blocks_a_run_is_where_every_partial_plan_ends(seed: int) -> None:
    rng = np.random.default_rng(seed)
    streets = [_street(rng, int(rng.integers(2, 9))) for _ in range(60)]
    costs = _costs(rng, len(streets))
    sites = _sites(streets)
    choice = choose_pits(sites, costs)
    rows = [(k, *span) for k, s in enumerate(streets) for span in s.must]
    run, low, high = (np.array(c) for c in zip(*rows, strict=True))
    middle = (sites.start + sites.end)[:, 0] / 2
    usable = rng.random(len(middle)) < 0.6  # as told; what the optimiser sees is the cost
    table = pd.DataFrame({"chainage": middle, "street_class": "local"})
    # Pits that hold a stretch speak for themselves: told as the optimiser sees them.
    code = np.where(np.isfinite(sites.cost), 0, AVOID)
    code[~usable] = AVOID
    candidates = SimpleNamespace(
        table=table,
        offsets=sites.offsets,
        extents=sites,
        code=code,
        places=np.full(code.shape, "a tree", dtype=object),
    )
    held = pd.DataFrame({"run": run, "chainage": (low + high) / 2, "deflection": np.radians(90)})
    must = Stretches(run.astype(np.int64), low, high, len(streets))
    blocked = np.flatnonzero(~np.isfinite(choice.cost))
    assert len(blocked) > 10
    for k in blocked:
        street, own = streets[k], replace(costs, per_length=costs.per_length[k : k + 1])
        told = explain_run(
            sites,
            candidates,  # type: ignore[arg-type]
            must,
            costs,
            run=int(k),
            covered=float(choice.covered[k]),
            held=held,
            lifted={},
            limits=Limits({}, {}, street.longest),
        )
        assert told.low == pytest.approx(_reached(street, own, back=False), abs=1e-9)
        assert told.high == pytest.approx(_reached(street, own, back=True), abs=1e-9)
        place = f"chainage {told.low:.1f} m" if told.low > 0 else "no pit can stand at the start"
        assert place in told.text
        place = f"to {told.high:.1f} m" if told.high < street.length else "stand at the end"
        assert place in told.text
        left = told.high - told.low
        short = 0 < left < costs.least_length and told.low > 0
        assert (f"the {left:.1f} m left between are shorter" in told.text) is short
        assert ("no pit joins the two" in told.text) is (left <= 0)
        own_rows = slice(sites.offsets[k], sites.offsets[k + 1])
        _holds_what_no_pit_holds(street, code[own_rows], told.text)
        near = ((middle > told.low) | (told.low <= 0)) & (middle <= told.low + street.longest)
        none = (code != 0).all(axis=1)
        beyond, refused = near[own_rows].sum(), (near & none)[own_rows].sum()
        words = f"within a pull beyond {refused} are refused ({refused} x in a place to avoid (a t"
        assert (words in told.text) is bool(refused)
        assert (f"of {beyond} place" in told.text) or not refused
