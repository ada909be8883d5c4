"""Further carriers: none that could give a plan is passed over."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.brief import Brief, load_brief
from geotools.network.ragged import rows_of
from geotools.pulls.force import build_profile, march
from geotools.siting.carrier import Contest, hold_contest
from geotools.siting.further import (
    cheaper_pipes,
    further_pipes,
    larger_pipe,
    no_easier,
    suiting,
    thicker_pipes,
)
from geotools.siting.pulled import bend_limits, pulled_pipes

BORE = 0.61  # m
PE20 = "20 in DIPS DR 17 PE4710"
Matrix = npt.NDArray[np.bool_]


def _held(runs: int = 1, **changes: object) -> tuple[Contest, Brief]:
    brief = load_brief(overrides={k.replace("__", "."): v for k, v in changes.items()})
    names = [f"R{k}" for k in range(runs)]
    table = pd.DataFrame({"run_id": names, "main_ids": names, "length": 300.0})
    need = {"bore_low": BORE, "bore": BORE, "host_c": 70.0, "working": 7e5}
    service = pd.DataFrame({**need, "flow": math.nan, "head": 0.0}, index=range(runs))
    return hold_contest(table, service, brief, least_length=20.0), brief


def _idle(contest: Contest, brief: Brief) -> Matrix:
    return no_easier(contest, pulled_pipes(contest.pipes, brief.carrier, brief.pulls))


def test_every_pipe_that_suits_is_tried_or_no_easier_than_one_that_is() -> None:
    contest, brief = _held(carrier__tries=3)
    idle, rows = _idle(contest, brief), np.array([0])
    more = further_pipes(contest, rows, idle)[0]
    tried = [*contest.tries[0], *more[more >= 0]]
    (suits,) = suiting(contest, rows)
    left = sorted(set(np.flatnonzero(suits)) - set(tried))
    assert len(set(tried)) == len(tried) < suits.sum()
    assert suits[tried].all()
    assert left
    assert idle[np.ix_(tried, left)].any(axis=0).all()


def test_a_run_with_a_fixed_pipe_has_no_further_one() -> None:
    contest, brief = _held(2, carrier__fixed=f"R1 = {PE20}")
    more = further_pipes(contest, np.arange(2), _idle(contest, brief))
    assert (more[0] >= 0).any()
    assert (more[1] < 0).all()


def test_the_cheaper_pipes_passed_over_are_tried_once_one_like_them_gave_a_plan() -> None:
    contest, brief = _held(carrier__tries=3)
    idle, rows = _idle(contest, brief), np.array([0])
    more = further_pipes(contest, rows, idle)[0]
    more = more[more >= 0]
    found = 0
    for won in more:
        then = cheaper_pipes(contest, rows, np.array([won]), idle)[0]
        then = then[then >= 0]
        assert not set(then) & {*contest.tries[0], *more}
        assert (contest.price[then] < contest.price[won]).all()
        assert (np.diff(contest.price[then]) >= 0).all()
        found += len(then)
    assert found


@pytest.mark.parametrize(
    "state", [{}, {"pulls__flooded": "true"}, {"pulls__machine_capacity": "100 kN"}]
)
def test_no_pull_of_a_pipe_passed_over_gets_farther_than_that_of_the_one_tried(
    state: dict[str, object],
) -> None:
    """All pipes marched, by force alone, along one hilly, bent run from many tails, both ways."""
    contest, brief = _held(**state)
    pulled = pulled_pipes(contest.pipes, brief.carrier, brief.pulls)
    idle = no_easier(contest, pulled)
    pipes, points = len(pulled), 60
    rng = np.random.default_rng(5)
    at, grade = np.arange(points) * 50.0, rng.uniform(-0.6, 0.6, points)
    stations = pd.DataFrame(
        {
            "run": np.repeat(np.arange(pipes), points),
            "chainage": np.tile(at, pipes),
            "grade": np.tile(grade, pipes),
        }
    )
    places = at[5:-5:4]
    gap = BORE - pulled["outside"].to_numpy()
    bends = pd.DataFrame(
        {
            "run": np.repeat(np.arange(pipes), len(places)),
            "chainage": np.tile(places, pipes),
            "deflection": 0.2,
            # what passes depends on the outside diameter alone
            "passing_radius": np.repeat(np.maximum(gap, 0.01) / (1 - math.cos(0.1)), len(places)),
            "passes": True,
        }
    )
    bends = bends.assign(first=bends["chainage"], last=bends["chainage"])
    table = pd.DataFrame({"pipe": np.arange(pipes)})
    profile = build_profile(
        stations,
        bends.assign(bend_limit=bend_limits(bends, table, contest.pipes, brief)),
        np.arange(pipes + 1) * points,
        weight=pulled["weight"].to_numpy(),
        string_weight=pulled["dry_weight"].to_numpy(),
        friction=0.5,
        roller_friction=0.1,
    )
    tails = rng.uniform(0.0, at[-1], 12)
    run, tail = np.repeat(np.arange(pipes), len(tails)), np.tile(tails, pipes)
    limit = pulled["allowable"].to_numpy()[run]
    better, worse = np.nonzero(idle & ~np.eye(pipes, dtype=bool))
    assert len(better) > 50
    for ahead in (True, False):
        stop = np.full(len(run), at[-1] if ahead else 0.0)
        reach, _ = march(profile, run, tail, stop, limit, np.full(len(run), ahead))
        far = np.abs(reach - tail).reshape(pipes, -1)
        assert (far[worse] <= far[better] + 1e-5).all()
        assert (far < np.abs(stop - tail).reshape(pipes, -1) - 1.0).any()  # the force does bind


@pytest.mark.parametrize(("eased", "dear"), [(0.0, 9.0), (12.0, 9.0), (math.inf, 9.0), (12.0, 1.4)])
def test_thicker_walls_are_the_cheapest_of_each_tighter_bend_that_could_ease_a_run(
    eased: float, dear: float
) -> None:
    contest, brief = _held(service__least_capacity=0.1)
    pipes, price = contest.pipes, contest.price
    radius = pulled_pipes(pipes, brief.carrier, brief.pulls)["radius"].to_numpy(dtype=float)
    own = pipes.name.tolist().index("400 mm SDR 26 PE100")
    more = thicker_pipes(
        contest,
        np.array([0]),
        np.array([own]),
        tried=np.array([[own, -1]]),
        radius=radius,
        eased=np.array([eased]),
        worth=dear * price[[own]],
    )[0]
    cheapest: dict[float, int] = {}  # of each radius, gone through from the dearest
    (suits,) = suiting(contest, np.array([0]))
    for pipe in np.argsort(-price).tolist():
        alike = pipes.material[pipe] == "PE100" and pipes.outside_m[pipe] == pipes.outside_m[own]
        if alike and suits[pipe] and price[pipe] > price[own] and radius[pipe] <= eased:
            cheapest[radius[pipe]] = pipe
    asked = [
        pipe
        for at, pipe in cheapest.items()
        if at <= radius[own] and price[pipe] < dear * price[own]
    ]
    assert set(more[more >= 0]) == set(asked)
    # PPI Handbook ch. 7: 27, 25 and 20 diameters, that is 10.8, 10 and 8 m, beside 34 of SDR 26;
    # the first alone costs less than 1.4 times as much
    assert len(asked) == (0 if eased == 0 else 1 if dear < 2 else 3)


def test_a_wall_is_thicker_whatever_it_costs() -> None:
    contest, brief = _held(service__least_capacity=0.1, rates__pe_pipe="0 / kg")
    radius = pulled_pipes(contest.pipes, brief.carrier, brief.pulls)["radius"].to_numpy(dtype=float)
    (own,) = _rows(contest, "400 mm SDR 26 PE100")
    more = thicker_pipes(
        contest,
        np.array([0]),
        np.array([own]),
        tried=np.array([[own]]),
        radius=radius,
        eased=np.array([math.inf]),
        worth=np.array([1.0]),
    )[0]
    # one of each tighter bend of the PPI Handbook ch. 7: 27, 25 and 20 diameters
    assert sorted(radius[more[more >= 0]] / 0.4) == pytest.approx([20.0, 25.0, 27.0])


SMALL = "355 mm SDR 21 PE100"


def _rows(contest: Contest, *names: str) -> npt.NDArray[np.int64]:
    return np.array([contest.pipes.name.tolist().index(name) for name in names])


def _larger(contest: Contest, *tried: str, dear: tuple[float, ...]) -> str:
    """Return the larger pipe to try, by what it may cost a metre more than each of those tried."""
    pipe = _rows(contest, *tried)
    worth, above = contest.laid[pipe] + np.array(dear), contest.pipes.bore_m[pipe[:1]]
    (best,) = larger_pipe(
        contest, np.array([0]), above=above, tried=pipe[None, :], worth=worth[None, :]
    )
    return "" if best < 0 else str(contest.pipes.name[best])


@pytest.mark.parametrize("dear", [-1.0, 20.0, 40.0, 60.0, 500.0])
def test_the_larger_pipe_to_try_has_the_largest_bore_its_price_lets_it_have(dear: float) -> None:
    contest, _ = _held(service__least_capacity=0.1)
    pipes, (own,) = contest.pipes, _rows(contest, SMALL)
    (suits,) = suiting(contest, np.array([0]))
    bore, most = pipes.bore_m, contest.laid[own] + dear
    near = suits & (pipes.material == "PE100") & (contest.laid <= most) & (bore > bore[own])
    found = _larger(contest, SMALL, dear=(dear,))
    assert bool(found) == (dear > 0) == near.any()
    if found:
        assert bore[_rows(contest, found)[0]] == bore[near].max()


def test_a_larger_pipe_to_try_is_of_a_material_that_was_tried_and_may_cost_as_much() -> None:
    contest, _ = _held(service__least_capacity=0.1)
    stiff = "14 in DIPS DR 25 PVC"
    assert _larger(contest, SMALL, stiff, dear=(30.0, -math.inf)).endswith("PE100")
    assert _larger(contest, SMALL, stiff, dear=(-math.inf, 30.0)).endswith("PVC")
    assert _larger(contest, SMALL, stiff, dear=(-math.inf, -math.inf)) == ""


def test_a_thicker_wall_of_a_larger_pipe_tried_is_not_tried_after_it() -> None:
    contest, _ = _held(service__least_capacity=0.1)
    tried, dear = [SMALL], [60.0]
    while found := _larger(contest, *tried, dear=tuple(dear)):
        tried.append(found)
        dear.append(-math.inf)  # no plan
    sizes = contest.pipes.outside_m[_rows(contest, *tried)]
    assert len(set(sizes.tolist())) == len(tried) > 3
    assert (np.diff(sizes[1:]) < 0).all()


def test_the_larger_pipe_to_try_does_not_hang_on_the_order_of_the_catalogue() -> None:
    contest, _ = _held(service__least_capacity=0.1)
    mixed = np.random.default_rng(3).permutation(len(contest.price))
    other = dataclasses.replace(
        contest,
        pipes=rows_of(contest.pipes, mixed),
        verdict=dataclasses.replace(contest.verdict, suits=contest.verdict.suits[:, mixed]),
        wanted=contest.wanted[mixed],
        price=contest.price[mixed],
        laid=contest.laid[mixed],
    )
    for tried in ((SMALL,), (SMALL, "16 in IPS DR 21 PE4710", "16 in DIPS DR 17 PE3608")):
        for dear in (20.0, 40.0, 60.0):
            given = (dear,) * len(tried)
            assert _larger(contest, *tried, dear=given) == _larger(other, *tried, dear=given) != ""
