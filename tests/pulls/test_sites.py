"""Reach and price of every pull between two pits, against a plain check of each."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.pulls.explain import mirrored
from geotools.pulls.force import ForceProfile, build_profile
from geotools.pulls.optimise import Sites
from geotools.pulls.sites import build_sites
from geotools.schema import AHEAD, BEHIND, BOTH
from geotools.siting.must import Stretches
from tests.pulls.along import pull_forces

LONGEST, LIMIT = 180.0, 60e3  # m, N
PLACES = 9


def _case(seed: int) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    length = float(rng.uniform(250, 500))
    at = np.sort(rng.uniform(0, length, PLACES))
    at[0], at[-1] = 0.0, length
    shape = (PLACES, 4)
    cost = np.where(rng.random(shape) < 0.2, np.inf, rng.uniform(1, 9, shape))
    start, end = at[:, None] - rng.uniform(1, 12, shape), at[:, None] + rng.uniform(1, 12, shape)
    stations = np.unique([*np.arange(0.0, length, 10.0), *at, length])
    bends = pd.DataFrame({"run": np.int64(0), "chainage": rng.choice(stations, 3, replace=False)})
    bends = bends.assign(first=bends["chainage"], last=bends["chainage"])
    bends = bends.assign(deflection=rng.uniform(0, 0.6, 3), bend_limit=rng.uniform(2e4, 9e4, 3))
    profile = build_profile(
        pd.DataFrame(
            {"run": 0, "chainage": stations, "grade": rng.uniform(-0.1, 0.1, len(stations))}
        ),
        bends,
        np.array([0, len(stations)]),
        weight=np.array([900.0]),
        string_weight=np.abs(np.array([900.0])),
        friction=0.4,
        roller_friction=0.1,
    )
    low = np.sort(rng.uniform(0, length - 9, 2))
    spans = [(float(low[0]), float(low[0]) + 4.0)]
    if low[1] > low[0] + 5:
        spans.append((float(low[1]), float(low[1]) + 4.0))
    refused = [
        [any(a < edge < b for a, b in spans for edge in (start[j, r], end[j, r])) for r in range(4)]
        for j in range(PLACES)
    ]
    return {
        "length": length,
        "start": start,
        "end": end,
        "cost": np.where(np.array(refused), np.inf, cost),
        "profile": profile,
        "spans": spans,
        "digs": pd.DataFrame(
            {
                "run": np.int64(0),
                "chainage": np.sort(rng.uniform(0, length, 12)),
                "cost": rng.uniform(100, 900, 12),
            }
        ),
        "longest_ahead": rng.choice([90.0, 140.0, np.inf], PLACES),
        "longest_behind": rng.choice([90.0, 140.0, np.inf], PLACES),
    }


def _sites(case: dict[str, Any], limit: float = LIMIT) -> Sites:
    low, high = np.array(case["spans"]).T
    candidates: Any = SimpleNamespace(
        table=pd.DataFrame({"run": np.zeros(PLACES, dtype=np.int64)}),
        extents=SimpleNamespace(start=case["start"], end=case["end"]),
        offsets=np.array([0, PLACES]),
        laydown=SimpleNamespace(
            longest_ahead=case["longest_ahead"],
            longest_behind=case["longest_behind"],
            pieces_ahead=np.arange(PLACES, dtype=float) + 1,
            pieces_behind=np.arange(PLACES, dtype=float) + 50,
            lanes_ahead=np.tile([1.0, 2.0, np.inf], (PLACES, 1)),
            lanes_behind=np.arange(PLACES, dtype=float)[:, None],
            day_ahead=np.tile([700.0, 2800.0, np.inf], (PLACES, 1)),
            day_behind=np.full((PLACES, 1), 150.0),
            begins_ahead=np.zeros((PLACES, 1)),
            begins_behind=np.zeros((PLACES, 1)),
        ),
    )
    return build_sites(
        candidates,
        case["profile"],
        Stretches(np.zeros(len(low), dtype=np.int64), low, high, 1),
        lengths=np.array([case["length"]]),
        limit=np.array([limit]),
        max_length=LONGEST,
        digs=case["digs"],
        objective=case["cost"],
        per_lane_day=10.0,
    )


def _stands(profile: ForceProfile, tail: float, head: float) -> bool:
    """Whether the pull stays within its limits: at the head all along, and at every bend."""
    at, force = pull_forces(profile, 0, tail, head)
    if force.max() > LIMIT:
        return False
    limits = dict(zip(profile.chainage.tolist(), profile.bend_limit.tolist(), strict=True))
    turns = dict(zip(profile.chainage.tolist(), profile.turn.tolist(), strict=True))
    for place, before in zip(at[1:-1].tolist(), force[1:-1].tolist(), strict=True):
        after = before * np.exp(profile.friction * turns[place])
        if after > min(limits[place], LIMIT):
            return False
    return True


def _legal(case: dict[str, Any], one: tuple[int, int], two: tuple[int, int], ahead: bool) -> bool:
    tail, edge = float(case["end"][one]), float(case["start"][two])
    longest = case["longest_ahead"][one[0]] if ahead else case["longest_behind"][two[0]]
    if not 0 < edge - tail <= min(LONGEST, longest):
        return False
    if any(low < edge and high > tail for low, high in case["spans"]):
        return False
    return _stands(case["profile"], tail, edge) if ahead else _stands(case["profile"], edge, tail)


def _allowed(sites: Sites, one: tuple[int, int], two: tuple[int, int], ahead: bool) -> bool:
    """Whether the columns made ready for the optimiser allow the pull."""
    tail, edge = sites.end[one], sites.start[two]
    if edge <= tail or tail < sites.floor[two] or edge > sites.roof[one]:
        return False
    return bool(edge <= sites.reach_ahead[one] if ahead else tail >= sites.reach_behind[two])


@pytest.mark.parametrize("seed", range(25))
def test_the_pulls_allowed_are_those_within_every_limit(seed: int) -> None:
    case = _case(seed)
    sites = _sites(case)
    usable = np.isfinite(case["cost"])
    pits = [(int(j), int(r)) for j, r in np.argwhere(usable)]
    found = []
    for one in pits:
        for two in pits:
            if one[0] >= two[0]:
                continue
            if one[1] in (AHEAD, BOTH):
                found.append(_legal(case, one, two, True))
                assert _allowed(sites, one, two, True) is found[-1]
            if two[1] in (BEHIND, BOTH):
                found.append(_legal(case, one, two, False))
                assert _allowed(sites, one, two, False) is found[-1]
    assert 5 < sum(found) < len(found) - 5


@pytest.mark.parametrize("seed", range(3))
def test_a_pull_ends_at_the_longest_at_a_forbidden_stretch_or_where_the_run_does(seed: int) -> None:
    case = _case(seed)
    sites = _sites(case)
    for state in np.ndindex(PLACES, 4):
        start, end = case["start"][state], case["end"][state]
        before = [high for _, high in case["spans"] if high <= start]
        after = [low for low, _ in case["spans"] if low >= end]
        if np.isfinite(case["cost"][state]):
            assert sites.floor[state] == pytest.approx(max(0.0, start - LONGEST, *before))
            assert sites.roof[state] == pytest.approx(min(case["length"], end + LONGEST, *after))


def test_digs_between_two_pits_are_those_between_their_edges() -> None:
    case = _case(1)
    sites = _sites(case)
    at, price = case["digs"]["chainage"].to_numpy(), case["digs"]["cost"].to_numpy()
    for one in np.ndindex(PLACES, 4):
        for two in np.ndindex(PLACES, 4):
            low, high = case["end"][one], case["start"][two]
            if low < high:
                between = price[(at > low) & (at < high)].sum()
                passed = sites.passed_start[two] - sites.passed_end[one]
                assert passed == pytest.approx(between, abs=1e-9)


def test_what_lies_at_the_very_edge_of_a_pit_is_dug_with_the_pit() -> None:
    case = _case(4)
    edges = [case["end"][0, 0], case["start"][3, 0]]
    case["digs"] = pd.DataFrame({"run": np.int64(0), "chainage": edges, "cost": [10.0, 300.0]})
    sites = _sites(case)
    assert sites.passed_start[3, 0] - sites.passed_end[0, 0] == 0.0


def test_strings_lie_behind_the_pit_they_are_pulled_from() -> None:
    sites = _sites(_case(2))
    ahead, behind = sites.string_pieces()
    assert ahead[3].tolist() == [4.0] * 4
    assert behind[3].tolist() == [53.0] * 4


def test_a_lane_day_of_strings_counts_beside_its_cost() -> None:
    ahead, behind = _sites(_case(2)).string_days()
    assert ahead[5].tolist() == [710.0, 2820.0, np.inf]
    assert behind[5].tolist() == [200.0]


def test_mirrored_twice_the_sites_are_what_they_were() -> None:
    sites = _sites(_case(3))
    back = mirrored(mirrored(sites, 0), 0)
    for name, values in vars(sites).items():
        there: npt.NDArray[Any] = getattr(back, name)
        np.testing.assert_allclose(there, values, rtol=0, atol=1e-9, err_msg=name)


@pytest.mark.parametrize("seed", range(3))
def test_force_ends_a_pull_just_where_more_force_would_take_it_farther(seed: int) -> None:
    case = _case(seed)
    case["profile"].bend_limit[:] = np.inf
    sites, free = _sites(case, limit=LIMIT / 3), _sites(case, limit=1e12)
    farther = free.reach_ahead > sites.reach_ahead + 1e-6
    farther |= free.reach_behind < sites.reach_behind - 1e-6
    assert 0 < farther.sum() < farther.size
    np.testing.assert_array_equal(sites.forced, farther)
    assert free.forced is not None
    assert not free.forced.any()
