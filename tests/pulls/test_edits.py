"""The designer's edits: each honoured or refused with its reason, at the least cost that leaves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import chain, combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.pulls import optimise
from geotools.pulls.edits import Edited, choose_with_edits
from geotools.pulls.explain import mirrored
from geotools.pulls.in_force import Alone
from geotools.pulls.most_pits import most_pits
from geotools.pulls.optimise import TIE, ChosenPits, PullCosts, Sites, choose_pits
from geotools.pulls.together import MOST
from geotools.pulls.ways import Ways
from geotools.pulls.without_plan import Told, why_no_plan
from geotools.schema import ROLES, length_text

COSTS = PullCosts(
    setup=5_000.0,
    per_length=np.array([80.0, 80.0, 80.0]),
    joint=400.0,
    piece_length=12.0,
    connection=3_000.0,
    least_length=5.0,
)
REACH = 15.0  # m, of a forbidden stretch
INF = np.inf
GREAT = 1e8  # more than any plan costs
COLUMNS = ("run", "chainage", "action", "role")


def _streets(seed: int, runs: int = 3) -> tuple[Sites, np.ndarray, list[str]]:
    """Runs of 150 to 500 m with a candidate every 10 m or so; some roles refused."""
    rng = np.random.default_rng(seed)
    at, length, offsets = [], [], [0]
    for _ in range(runs):
        long = float(rng.uniform(150, 500))
        inner = np.sort(rng.uniform(5, long - 5, int(long / 12))).round(2)
        at.append(np.concatenate([[0.0], np.unique(inner), [long]]))
        length.append(long)
        offsets.append(offsets[-1] + len(at[-1]))
    place = np.concatenate(at)
    of = np.repeat(np.arange(runs), np.diff(offsets))
    end_of_run = np.array(length)[of][:, None]
    start = np.maximum(place[:, None] - rng.uniform(1, 9, (len(place), 4)), 0.0)
    end = np.minimum(place[:, None] + rng.uniform(1, 9, (len(place), 4)), end_of_run)
    cost = rng.uniform(5_000, 40_000, (len(place), 4))
    cost[rng.random((len(place), 4)) < 0.2] = np.inf
    longest = float(rng.uniform(60, 250))
    roof = np.minimum(end + longest, end_of_run)
    floor = np.maximum(start - longest, 0.0)
    zero = np.zeros((len(place), 4))
    sites = Sites(
        offsets=np.array(offsets),
        lengths=np.array(length),
        start=start,
        end=end,
        cost=cost,
        reach_ahead=roof,
        reach_behind=floor,
        floor=floor,
        roof=roof,
        passed_start=zero,
        passed_end=zero,
    )
    return sites, place, [f"reason {k}" for k in range(len(place))]


def _edits(*rows: tuple[int, float, str, str]) -> pd.DataFrame:
    table = pd.DataFrame(list(rows), columns=list(COLUMNS))
    return table.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def _chosen(choice: ChosenPits, run: int) -> np.ndarray:
    return choice.states[choice.offsets[run] : choice.offsets[run + 1]]


def _edited(
    streets: tuple[Sites, np.ndarray, list[str]],
    edits: pd.DataFrame,
    placed: np.ndarray | None = None,
    reach: float = REACH,
    held: Callable[[int, float, float], str] = lambda _run, _low, _high: "",
) -> Edited:
    none = np.zeros(len(streets[1]), dtype=bool)
    return choose_with_edits(
        streets[0], COSTS, streets[1], streets[2].__getitem__, edits, reach=reach,
        placed=none if placed is None else placed,
        say=partial(length_text, system="us"), held=held,
    )  # fmt: skip


def _honours(sites: Sites, place: np.ndarray, choice: ChosenPits, edit: Any) -> bool:
    """Say whether the pits of a plan are as an edit wishes."""
    states = _chosen(choice, int(edit.run))
    row, role = states // 4, states % 4
    meant = (edit.role == "") | (np.array(ROLES)[role] == edit.role)
    if edit.action == "forbid":
        opens = (sites.start[row, role] < edit.chainage + REACH) & (
            sites.end[row, role] > edit.chainage - REACH
        )
        return not (opens & meant).any()
    here = np.abs(place[row] - edit.chainage) <= 0.01
    return bool((here & meant).any())


@st.composite
def _cases(draw: st.DrawFn) -> tuple[tuple[Sites, np.ndarray, list[str]], pd.DataFrame]:
    streets = _streets(draw(st.integers(0, 200)))
    sites, place, _ = streets
    rows = []
    for _ in range(draw(st.integers(1, 6))):
        run = draw(st.integers(0, 2))
        candidate = draw(st.integers(int(sites.offsets[run]), int(sites.offsets[run + 1]) - 1))
        if draw(st.booleans()):
            rows.append((run, float(place[candidate]), "fix", draw(st.sampled_from(["", *ROLES]))))
        else:
            at = draw(st.floats(0, float(sites.lengths[run])))
            rows.append((run, at, "forbid", draw(st.sampled_from(["", *ROLES]))))
    return streets, _edits(*rows)


@given(_cases())
@settings(max_examples=80, deadline=None)
def test_every_edit_is_honoured_or_refused_with_a_reason(
    case: tuple[tuple[Sites, np.ndarray, list[str]], pd.DataFrame],
) -> None:
    streets, edits = case
    sites, place, _ = streets
    found = _edited(streets, edits)
    plain = choose_pits(sites, COSTS)
    for edit in edits.itertuples():
        if edit.Index in found.refused:
            assert found.refused[edit.Index]
        else:
            assert np.isfinite(found.choice.cost[edit.run])
            assert _honours(sites, place, found.choice, edit)
    # edits cost, or nothing; they never take a plan away, nor touch another run
    assert (found.choice.cost >= plain.cost - 1e-6).all()
    assert (np.isfinite(found.choice.cost) == np.isfinite(plain.cost)).all()
    for run in range(3):
        if run not in set(edits["run"]):
            assert _chosen(found.choice, run).tolist() == _chosen(plain, run).tolist()
    assert found.plain.cost.tolist() == plain.cost.tolist()
    assert found.runs.tolist() == sorted(set(edits["run"]))


@given(_cases())
@settings(max_examples=60, deadline=None)
def test_the_plan_is_the_cheapest_that_honours_the_edits_kept(
    case: tuple[tuple[Sites, np.ndarray, list[str]], pd.DataFrame],
) -> None:
    """The same optimum by another road: a great reward for a fixed pit, a great fine elsewhere."""
    streets, edits = case
    sites, place, _ = streets
    found = _edited(streets, edits)
    kept = edits.drop(index=list(found.refused))
    cost = sites.cost.copy()
    rewards = np.zeros(3)
    for edit in kept.itertuples():
        rows = slice(int(sites.offsets[edit.run]), int(sites.offsets[edit.run + 1]))
        if edit.action == "forbid":
            opens = (sites.start[rows] < edit.chainage + REACH) & (
                sites.end[rows] > edit.chainage - REACH
            )
            named = np.array([edit.role in ("", name) for name in ROLES])
            cost[rows][opens & named] += GREAT
            continue
        here = np.abs(place[rows] - edit.chainage) <= 0.01
        meant = [ROLES.index(edit.role)] if edit.role else range(4)
        for role in meant:
            cost[rows][here, role] -= GREAT
        rewards[edit.run] += GREAT
    bought = choose_pits(replace(sites, cost=cost), COSTS)
    planned = np.isfinite(found.choice.cost)
    assert bought.cost[planned] + rewards[planned] == pytest.approx(
        found.choice.cost[planned], rel=1e-6
    )


@given(_cases())
@settings(max_examples=40, deadline=None)
def test_seen_from_the_other_end_as_many_edits_are_kept_at_the_same_cost(
    case: tuple[tuple[Sites, np.ndarray, list[str]], pd.DataFrame],
) -> None:
    (sites, place, names), edits = case
    run = int(edits["run"].iloc[0])
    mine = edits[edits["run"] == run].assign(run=0).reset_index(drop=True)
    rows = np.arange(sites.offsets[run], sites.offsets[run + 1])
    own = sites.at(rows, offsets=np.array([0, len(rows)]), lengths=sites.lengths[[run]])
    length = float(own.lengths[0])
    role = mine["role"].map({ROLES[1]: ROLES[2], ROLES[2]: ROLES[1]}).fillna(mine["role"])
    turned = mine.assign(chainage=length - mine["chainage"], role=role).iloc[::-1]
    one_way = _edited((own, place[rows], names), mine)
    other = _edited(
        (mirrored(own, 0), length - place[rows][::-1], names), turned.reset_index(drop=True)
    )
    assert len(one_way.refused) == len(other.refused)
    assert one_way.choice.cost == pytest.approx(other.choice.cost, rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_no_edits_change_nothing(seed: int) -> None:
    streets = _streets(seed)
    found = _edited(streets, _edits())
    plain = choose_pits(streets[0], COSTS)
    assert found.choice.states.tolist() == plain.states.tolist()
    assert found.choice.cost.tolist() == plain.cost.tolist()
    assert found.refused == {}
    assert len(found.runs) == 0


@pytest.mark.parametrize("named", [True, False], ids=["with role", "role left open"])
@pytest.mark.parametrize("seed", range(8))
def test_fixing_all_pits_of_a_plan_gives_that_plan_again(seed: int, named: bool) -> None:
    streets = _streets(seed)
    sites, place, _ = streets
    plain = choose_pits(sites, COSTS)
    rows = [
        (run, float(place[state // 4]), "fix", ROLES[state % 4] if named else "")
        for run in range(3)
        for state in _chosen(plain, run)
    ]
    found = _edited(streets, _edits(*rows))
    assert found.refused == {}
    assert found.choice.states.tolist() == plain.states.tolist()
    assert found.choice.cost.tolist() == plain.cost.tolist()


def _planned(seed: int) -> tuple[tuple[Sites, np.ndarray, list[str]], int]:
    """Return runs of which one has a plan of three pits or more, and that one."""
    streets = _streets(seed)
    plain = choose_pits(streets[0], COSTS)
    counts = np.where(np.isfinite(plain.cost), np.diff(plain.offsets), 0)
    assert counts.max() >= 3
    return streets, int(np.argmax(counts))


def test_a_pit_where_none_may_stand_is_refused_with_the_reason_of_its_place() -> None:
    streets, run = _planned(1)
    sites, place, reasons = streets
    row = int(sites.offsets[run]) + 3
    cost = sites.cost.copy()
    cost[row] = np.inf
    streets = (replace(sites, cost=cost), place, reasons)
    found = _edited(streets, _edits((run, float(place[row]), "fix", "")))
    assert found.refused == {0: f"a pit may not stand there in that role (reason {row})"}
    assert found.choice.cost.tolist() == choose_pits(streets[0], COSTS).cost.tolist()


def test_a_role_that_is_refused_there_is_told_and_another_one_is_not() -> None:
    streets, run = _planned(1)
    sites, place, reasons = streets
    row = int(sites.offsets[run]) + 3
    cost = sites.cost.copy()
    cost[row] = [1.0, np.inf, 1.0, 1.0]
    streets = (replace(sites, cost=cost), place, reasons)

    def refused(role: str) -> bool:
        return bool(_edited(streets, _edits((run, float(place[row]), "fix", role))).refused)

    assert refused("insertion_ahead")
    assert not refused("receiving")
    assert not refused("")


def test_an_edit_that_would_leave_no_plan_is_refused_and_the_others_are_kept() -> None:
    streets, run = _planned(1)
    sites, place, _ = streets
    # at the start of the run a pit must stand: there forbidding one leaves no plan
    pits = [int(s) // 4 for s in _chosen(choose_pits(sites, COSTS), run)]
    middle = pits[1]
    edits = _edits((run, 0.0, "forbid", ""), (run, float(place[middle]), "fix", ""))
    found = _edited(streets, edits)
    assert list(found.refused) == [0]
    reach = length_text(REACH, "us")
    assert found.refused[0] == (
        "with it the run could no longer be lined whole: no pit could stand at its start "
        f"(it keeps {reach} either side free of pits: pits.forbid_reach)"
    )
    assert middle in [int(s) // 4 for s in _chosen(found.choice, run)]


@pytest.mark.parametrize("aside", [-1.0, 1.0])
def test_of_a_pit_and_a_prohibition_that_exclude_each_other_the_prohibition_is_kept(
    aside: float,
) -> None:
    streets, run = _planned(1)
    sites, place, _ = streets
    middle = float(place[int(_chosen(choose_pits(sites, COSTS), run)[1]) // 4])
    edits = _edits((run, middle, "fix", ""), (run, middle + aside, "forbid", ""))
    found = _edited(streets, edits)
    assert [edits["action"][row] for row in found.refused] == ["fix"]


def test_two_pits_are_kept_for_one_prohibition_left_out() -> None:
    streets, run = _planned(1)
    sites, place, _ = streets
    state = int(_chosen(choose_pits(sites, COSTS), run)[1])
    first = float(place[state // 4])
    second = float(next(at for at in place[state // 4 :] if at > first + 20.0))
    pits = (run, first, "fix", ""), (run, second, "fix", "")
    assert _edited(streets, _edits(*pits)).refused == {}
    edits = _edits((run, first - 1.0, "forbid", ""), *pits)
    assert _edited(streets, edits[:1], reach=second - first).refused == {}
    found = _edited(streets, edits, reach=second - first)
    assert [edits["action"][row] for row in found.refused] == ["forbid"]


def _straight(bend: float = INF) -> tuple[Sites, np.ndarray, list[str]]:
    """A run of 100 m: a pit of 4 m may stand in any role every metre; one must hold the bend."""
    place = np.arange(101.0)
    start, end = (
        np.repeat(np.clip(place + half, 0.0, 100.0)[:, None], 4, axis=1) for half in (-2.0, 2.0)
    )
    roof = np.where(end <= bend, min(bend, 100.0), 100.0)
    floor = np.where(start >= bend, min(bend, 100.0), 0.0)
    zero, three = np.zeros((101, 4)), np.array([0, 101, 101, 101])
    sites = Sites(
        offsets=three, lengths=np.array([100.0, 0.0, 0.0]), start=start, end=end,
        cost=np.full((101, 4), 1_000.0), reach_ahead=roof, reach_behind=floor, floor=floor,
        roof=roof, passed_start=zero, passed_end=zero,
    )  # fmt: skip
    return sites, place, [""] * 101


def _refused(*rows: tuple[float, str, str], bend: float = INF, reach: float = REACH) -> list[str]:
    def held(_run: int, low: float, high: float) -> str:
        return "the bend" if low <= bend <= high else ""

    edits = _edits(*((0, *row) for row in rows))
    return list(_edited(_straight(bend), edits, reach=reach, held=held).refused.values())


ALONE = "with it the run could no longer be lined whole: "
SHORTEST = f"the shortest pull of {length_text(5.0, 'us')} (pulls.min_length) finds no room between"


@pytest.mark.parametrize("role", ["insertion_ahead", "insertion_both"])
def test_a_pit_that_inserts_past_the_end_of_its_run_is_refused_for_that(role: str) -> None:
    beyond = "the run ends there, and nothing lies ahead of the pit to pull into"
    assert _refused((100.0, "fix", role)) == [ALONE + beyond]
    mirrored = role.replace("ahead", "behind")
    before = "the run begins there, and nothing lies behind the pit to pull into"
    assert _refused((0.0, "fix", mirrored)) == [ALONE + before]
    assert _refused((100.0, "fix", "receiving")) == []


def test_pits_too_near_for_the_shortest_pull_are_refused_with_its_setting() -> None:
    place = length_text(50.0, "us")
    together = f"no plan of the run honours it and the pit fixed at {place} as well: "
    assert _refused((50.0, "fix", ""), (57.0, "fix", "")) == [f"{together}{SHORTEST} the two"]
    assert _refused((50.0, "fix", ""), (60.0, "fix", "")) == []
    over = "one of the two pits would cover the place of the other"
    assert _refused((50.0, "fix", ""), (51.0, "fix", "")) == [together + over]


def test_a_pit_too_near_to_a_bend_for_the_shortest_pull_names_both() -> None:
    bend = "the bend must lie in a pit"
    told = [f"{ALONE}{SHORTEST} its pit and the next; {bend}"]
    assert _refused((54.0, "fix", ""), bend=60.0) == told
    assert _refused((70.0, "fix", ""), bend=60.0) == []


def test_a_pit_too_near_to_an_end_for_the_shortest_pull_names_the_end() -> None:
    told = [f"{ALONE}{SHORTEST} its pit and the next; the start of the run must lie in a pit"]
    assert _refused((6.0, "fix", "")) == told


def test_of_edits_that_only_all_together_leave_no_plan_all_are_named() -> None:
    ends = ((20.0, "fix", "receiving"), (80.0, "fix", "receiving"))
    middle = (50.0, "forbid", "")
    for pair in (ends, (ends[0], middle), (ends[1], middle)):
        assert _refused(*pair, reach=27.0) == []
    (told,) = _refused(*ends, middle, reach=27.0)
    first, forbidden = (length_text(at, "us") for at in (20.0, 50.0))
    assert told == (
        f"no plan of the run honours it and the pit fixed at {first} and the stretch forbidden at "
        f"{forbidden} as well"
    )


def test_where_an_edit_stops_the_pulls_is_told_from_either_end() -> None:
    (told,) = _refused((60.0, "forbid", ""), bend=60.0, reach=10.0)
    low, high = length_text(50.0, "us"), length_text(70.0, "us")
    assert told.startswith(
        f"{ALONE}pits and pulls would reach {low} from the start and come back to {high} from the "
        "end; the bend must lie in a pit (it keeps "
    )


@given(_cases(), st.integers(1, 2), st.data())
@settings(max_examples=25, deadline=None)
def test_the_most_pits_counted_at_once_are_those_all_sets_tried_give(
    case: tuple[tuple[Sites, np.ndarray, list[str]], pd.DataFrame], apart: int, data: st.DataObject
) -> None:
    """Pits so near to each other that not all go together, with a prohibition or none."""
    (sites, place, _), _ = case
    first = data.draw(st.integers(1, max(1, int(sites.offsets[1]) - 5 * apart)))
    near = range(first, min(first + 5 * apart, int(sites.offsets[1])), apart)
    roles = ["", "", "receiving", "insertion_ahead"]
    rows = [(0, float(place[at]), "fix", data.draw(st.sampled_from(roles))) for at in near]
    if data.draw(st.booleans()):
        rows.append((0, data.draw(st.floats(0, float(sites.lengths[0]))), "forbid", ""))
    edits = _edits(*rows)
    alone = Alone.of(0, sites, COSTS, place, edits, REACH)
    pits = [row for row in range(len(edits)) if edits["action"][row] == "fix"]
    forbids = frozenset(range(len(edits))) - {*pits}
    every = chain.from_iterable(combinations(pits, n) for n in range(len(pits), -1, -1))
    costs = {some: float(alone.chosen({*some, *forbids}).cost[0]) for some in every}
    most = max((len(some) for some, cost in costs.items() if np.isfinite(cost)), default=-1)
    if most < 0:
        assert most_pits(alone, pits, forbids) is None
        return
    best = {some: cost for some, cost in costs.items() if len(some) == most}
    bar = min(best.values()) * (1 + TIE)
    assert most_pits(alone, pits, forbids) == min(
        list(some) for some, cost in best.items() if cost <= bar
    )


def _crowded(forbidden: float | None = None) -> tuple[Edited, pd.DataFrame, int]:
    """A pit wished every metre, and how often the optimiser was asked."""
    rows = [(0, float(at), "fix", "") for at in range(101)]
    edits = _edits(*rows, *([] if forbidden is None else [(0, forbidden, "forbid", "")]))
    asked = 0

    def counted(*given: Any) -> Any:
        nonlocal asked
        asked += 1
        return filled(*given)

    filled = optimise._filled
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(optimise, "_filled", counted)
        return _edited(_straight(), edits, reach=8.0), edits, asked


def test_of_a_hundred_pits_too_near_to_each_other_the_most_are_kept_with_few_plans() -> None:
    """A pit is 4 m long, the shortest pull 5 m: every ninth metre, and the first sets as large."""
    found, edits, asked = _crowded()
    kept = [int(edits["chainage"][row]) for row in sorted({*range(101)} - {*found.refused})]
    assert kept == [*range(0, 100, 9)]
    too_near = "no plan of the run honours it and the pit fixed at"
    assert all(why.startswith((too_near, ALONE)) for why in found.refused.values())
    assert asked < 101


def test_of_very_many_edits_in_the_way_it_is_told_that_they_are_many() -> None:
    sites, place, _ = _straight()
    edits = _edits(*((0, float(at), "fix", "") for at in range(20)))
    ways = Ways(Alone.of(0, sites, COSTS, place, edits, REACH))
    told = Told(partial(length_text, system="us"), lambda _low, _high: "")
    assert why_no_plan(ways, 0, list(range(1, 2 + MOST)), told) == (
        "no plan of the run honours it and more than 12 of those honoured as well"
    )


def test_of_a_hundred_pits_and_a_prohibition_that_is_kept_first() -> None:
    found, edits, _ = _crowded(forbidden=50.0)
    taken = sorted({*range(102)} - {*found.refused})
    assert "forbid" in set(edits["action"][taken])
    kept = [at for at in edits["chainage"][taken] if at != 50.0]
    assert (len(kept), max(kept[:5]), min(kept[5:])) == (10, 38.0, 60.0)  # none opens 42 to 58 m


def test_a_forbidden_role_leaves_the_other_roles_to_the_optimum() -> None:
    """As if a pit in that role cost too much there, and nothing else."""
    streets, run = _planned(1)
    sites, place, _ = streets
    plain = choose_pits(sites, COSTS)
    state = int(_chosen(plain, run)[1])
    at, role = float(place[state // 4]), state % 4
    found = _edited(streets, _edits((run, at, "forbid", ROLES[role])))
    assert found.refused == {}
    cost = sites.cost.copy()
    for row in range(int(sites.offsets[run]), int(sites.offsets[run + 1])):
        if sites.start[row, role] < at + REACH and sites.end[row, role] > at - REACH:
            cost[row, role] = np.inf
    dearer = choose_pits(replace(sites, cost=cost), COSTS)
    assert found.choice.states.tolist() == dearer.states.tolist()
    assert dearer.cost[run] > plain.cost[run]
    # another role, forbidden there, changes nothing
    other = _edits((run, at, "forbid", ROLES[(role + 1) % 4]))
    same = _edited(streets, other).choice.cost[run]
    all_roles = _edited(streets, _edits((run, at, "forbid", "")))
    assert plain.cost[run] <= same < dearer.cost[run] or same == plain.cost[run]
    if not all_roles.refused:
        assert all_roles.choice.cost[run] >= dearer.cost[run]


def test_an_edit_on_a_run_without_a_plan_says_so() -> None:
    streets, run = _planned(1)
    sites, place, reasons = streets
    cost = sites.cost.copy()
    rows = slice(int(sites.offsets[run]), int(sites.offsets[run + 1]))
    cost[rows][:3] = np.inf  # nothing may stand at its start
    streets = (replace(sites, cost=cost), place, reasons)
    edits = _edits((run, float(place[rows][5]), "fix", ""), (run, 50.0, "forbid", ""))
    found = _edited(streets, edits)
    assert set(found.refused.values()) == {"its run has no plan, with or without it"}


@pytest.mark.parametrize("seed", range(8))
def test_forbidding_where_no_pit_opens_changes_nothing(seed: int) -> None:
    streets = _streets(seed)
    sites, _, _ = streets
    plain = choose_pits(sites, COSTS)
    rows = []
    for run in range(3):
        states = _chosen(plain, run)
        row, role = states // 4, states % 4
        for end, start in zip(sites.end[row, role][:-1], sites.start[row, role][1:], strict=True):
            if start - end > 2 * REACH:
                rows.append((run, float(start + end) / 2, "forbid", ""))
    found = _edited(streets, _edits(*rows))
    assert len(rows) > 0
    assert found.refused == {}
    assert found.choice.states.tolist() == plain.states.tolist()


def test_no_pull_passes_a_fixed_pit() -> None:
    streets, run = _planned(1)
    sites, place, _ = streets
    rows = range(int(sites.offsets[run]), int(sites.offsets[run + 1]))
    for row in rows:
        found = _edited(streets, _edits((run, float(place[row]), "fix", "")))
        if 0 in found.refused:
            continue
        states = _chosen(found.choice, run)
        at = place[states // 4]
        assert place[row] in at
        edges = sites.end[states // 4, states % 4][:-1], sites.start[states // 4, states % 4][1:]
        passed = (edges[0] < place[row]) & (edges[1] > place[row])
        assert not passed.any()


@given(case=_cases(), data=st.data())
def test_what_edits_cost_is_told_against_the_plan_without_the_places_they_bring(
    case: tuple[tuple[Sites, np.ndarray, list[str]], pd.DataFrame], data: st.DataObject
) -> None:
    """By the optimiser itself, given the sites without those places."""
    (sites, place, names), edits = case
    chosen = data.draw(st.lists(st.booleans(), min_size=len(place), max_size=len(place)))
    placed = np.array(chosen, dtype=bool)
    done = _edited((sites, place, names), edits, placed)
    rows = np.flatnonzero(~placed)
    runs = np.repeat(np.arange(len(sites.lengths)), np.diff(sites.offsets))[rows]
    offsets = np.searchsorted(runs, np.arange(len(sites.lengths) + 1))
    bare = choose_pits(sites.at(rows, offsets=offsets), COSTS)
    if len(edits):
        np.testing.assert_allclose(done.plain.cost, bare.cost)
    assert _edited((sites, place, names), edits).choice.cost.tolist() == done.choice.cost.tolist()
