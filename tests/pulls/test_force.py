"""Pull force along runs against a plain loop and closed forms."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from geotools import accel
from geotools.pulls.force import ForceProfile, build_profile, march
from tests.pulls.along import pull_forces

WEIGHT, MU, ROLLER = 800.0, 0.3, 0.1  # N/m and coefficients
INF = np.inf


def _profile(
    *chainages: list[float],
    grades: list[list[float]] | None = None,
    bends: list[tuple[int, float, float]] | None = None,
    bend_limits: list[float] | None = None,
    weight: float = WEIGHT,
    roller: float = ROLLER,
) -> ForceProfile:
    """Runs with stations at these chainages; bends as (run, chainage, deflection)."""
    counts = [len(c) for c in chainages]
    grade = grades if grades is not None else [[0.0] * n for n in counts]
    stations = pd.DataFrame(
        {
            "run": np.repeat(np.arange(len(counts)), counts),
            "chainage": np.concatenate(chainages),
            "grade": np.concatenate(grade),
        }
    )
    table = pd.DataFrame(bends or [], columns=["run", "chainage", "deflection"]).astype(
        {"run": np.int64, "chainage": float, "deflection": float}
    )
    table["first"] = table["last"] = table["chainage"]
    table["bend_limit"] = bend_limits if bend_limits is not None else [INF] * len(table)
    return build_profile(
        stations,
        table,
        np.cumsum([0, *counts]),
        weight=np.full(len(counts), weight),
        string_weight=np.abs(np.full(len(counts), weight)),
        friction=MU,
        roller_friction=roller,
    )


def _march_one(
    profile: ForceProfile, tail: float, stop: float, limit: float = INF, run: int = 0
) -> tuple[float, float]:
    reach, force = march(
        profile,
        np.array([run]),
        np.array([tail]),
        np.array([stop]),
        np.array([limit]),
        np.array([stop > tail]),
    )
    return float(reach[0]), float(force[0])


Bends = list[tuple[float, float, float]]


def _history(
    chainage: list[float], grade: list[float], bends: Bends, tail: float, stop: float
) -> list[tuple[float, float, float]]:
    """Walk one pull by the rule as written: what drags at each place, and what is allowed there.

    Each row is the way pulled, the force just past that place with the rest of the string, as
    long as the pull, on its rollers, and the tension the carrier may have there.
    """
    low, high, length = min(tail, stop), max(tail, stop), abs(stop - tail)
    marks = sorted({tail, stop, *(c for c in chainage if low < c < high)}, reverse=stop < tail)
    inside, outside, pulled = 0.0, ROLLER * WEIGHT * length, 0.0
    rows = [(0.0, outside, INF)]
    for here, there in itertools.pairwise(marks):
        middle = (here + there) / 2
        row = max(k for k, c in enumerate(chainage) if c <= middle or k == 0)
        rise = math.atan(grade[row]) * (1 if stop > tail else -1)
        load = max(MU * WEIGHT * math.cos(rise) + WEIGHT * math.sin(rise), 0.0)
        pulled += abs(there - here)
        inside += load * abs(there - here) / math.cos(rise)  # there is more pipe than in plan
        turns = [b for b in bends if b[0] == there] if there != stop else []
        gain = math.exp(MU * sum(b[1] for b in turns))
        # The tail's pull is passed on through every bend between it and the head.
        share = outside / max(length - rows[-1][0], 1e-300) * gain
        inside, outside = inside * gain, share * max(length - pulled, 0.0)
        rows.append((pulled, inside + outside, min([INF, *(b[2] for b in turns)])))
    return rows


def _plain(
    chainage: list[float], grade: list[float], bends: Bends, tail: float, stop: float, limit: float
) -> tuple[float, float]:
    """Find the longest pull towards a stop that stands, by halving; and its force all in."""

    def stands(length: float) -> bool:
        end = tail + math.copysign(length, stop - tail)
        rows = _history(chainage, grade, bends, tail, end)
        return all(force <= min(limit, most) for _, force, most in rows)

    low, high = 0.0, abs(stop - tail)
    if stands(high):
        low = high
    for _ in range(100 if low < high else 0):
        middle = (low + high) / 2
        low, high = (middle, high) if stands(middle) else (low, middle)
    reach = tail + math.copysign(low, stop - tail)
    # Halving ends a hair before or after the bend that stops it: it is not turned.
    reach = next((b[0] for b in bends if abs(b[0] - reach) < 1e-9), reach)
    return reach, _history(chainage, grade, bends, tail, reach)[-1][1] if low > 0 else 0.0


@pytest.mark.parametrize("seed", range(6))
def test_march_is_the_rule_walked_by_a_plain_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    chainages, grades, bends, rows = [], [], [], []
    for run in range(4):
        length = float(rng.uniform(50, 400))
        at = np.sort(rng.uniform(0, length, rng.integers(0, 30))).tolist()
        at = [0.0, *at, length]
        chainages.append(at)
        grades.append(rng.uniform(-0.5, 0.5, len(at)).tolist())
        chosen = [at[k] for k in rng.integers(0, len(at), 4)]
        bends.append([(c, float(rng.uniform(0, 1)), float(rng.uniform(2e4, 1e6))) for c in chosen])
        # tails and heads anywhere, at stations, and at bends; both ways
        marks = [*rng.uniform(0, length, 12), *rng.choice(at, 6), *chosen, 0.0, length]
        for _ in range(60):
            tail, stop = (float(v) for v in rng.choice(marks, 2))
            limit = float(rng.choice([INF, *rng.uniform(1e3, 2e5, 3)]))
            rows.append((run, tail, stop, limit))
    profile = _profile(
        *chainages,
        grades=grades,
        bends=[(run, c, d) for run, of in enumerate(bends) for c, d, _ in of],
        bend_limits=[limit for of in bends for _, _, limit in of],
    )
    run, tail, stop, limit = (np.array(c) for c in zip(*rows, strict=True))
    reach, force = march(profile, run, tail, stop, limit, stop > tail)
    truth = [_plain(chainages[r], grades[r], bends[r], t, s, m) for r, t, s, m in rows]
    np.testing.assert_allclose(reach, [t[0] for t in truth], rtol=0, atol=1e-9)
    np.testing.assert_allclose(force, [t[1] for t in truth], rtol=1e-12, atol=1e-9)
    stopped = ~np.isclose(reach, stop)
    assert stopped.sum() > 10
    assert (~stopped).sum() > 10


@pytest.mark.parametrize(("tail", "stop"), [(3.0, 97.0), (97.0, 3.0), (0.0, 100.0), (100.0, 0.0)])
def test_straight_and_level_the_force_is_weight_times_friction_times_length(
    tail: float, stop: float
) -> None:
    profile = _profile([0.0, 10.0, 35.0, 100.0])
    reach, force = _march_one(profile, tail, stop)
    assert reach == stop
    assert force == pytest.approx(MU * WEIGHT * abs(stop - tail), rel=1e-12)


@pytest.mark.parametrize("slope", [0.05, -0.05, 0.8])
def test_on_a_grade_the_weight_helps_or_hinders(slope: float) -> None:
    profile = _profile([0.0, 50.0, 100.0], grades=[[math.tan(slope)] * 3])
    pipe = 80 / math.cos(slope)  # along the grade; 80 m are measured in plan
    up = WEIGHT * pipe * (MU * math.cos(slope) + math.sin(slope))
    down = WEIGHT * pipe * (MU * math.cos(slope) - math.sin(slope))
    assert _march_one(profile, 10.0, 90.0)[1] == pytest.approx(max(up, 0.0), rel=1e-12)
    assert _march_one(profile, 90.0, 10.0)[1] == pytest.approx(max(down, 0.0), rel=1e-12)


def test_one_bend_multiplies_what_is_behind_it() -> None:
    turn = math.radians(45)
    profile = _profile([0.0, 30.0, 100.0], bends=[(0, 30.0, turn)])
    drag, gain = MU * WEIGHT, math.exp(MU * turn)
    assert _march_one(profile, 5.0, 100.0)[1] == pytest.approx(drag * 25 * gain + drag * 70)
    assert _march_one(profile, 95.0, 0.0)[1] == pytest.approx(drag * 65 * gain + drag * 30)


def test_a_bend_at_the_tail_or_at_the_head_turns_nothing() -> None:
    bends = [(0, 30.0, 1.0), (0, 80.0, 1.0)]
    profile = _profile([0.0, 30.0, 80.0, 100.0], bends=bends)
    plain = MU * WEIGHT * 50
    assert _march_one(profile, 30.0, 80.0)[1] == pytest.approx(plain, rel=1e-12)
    assert _march_one(profile, 80.0, 30.0)[1] == pytest.approx(plain, rel=1e-12)
    past = (plain + 0.0) * math.exp(MU * 1.0) + MU * WEIGHT * 1e-3
    assert _march_one(profile, 30.0, 80.001)[1] == pytest.approx(past, rel=1e-9)


def test_bends_at_one_station_add_up() -> None:
    profile = _profile([0.0, 50.0, 100.0], bends=[(0, 50.0, 0.2), (0, 50.0, 0.3)])
    assert _march_one(profile, 0.0, 100.0)[1] == pytest.approx(
        MU * WEIGHT * 50 * (math.exp(MU * 0.5) + 1)
    )


def test_a_limit_stops_the_head_within_a_stretch() -> None:
    profile = _profile([0.0, 50.0, 100.0])
    assert _march_one(profile, 10.0, 100.0, MU * WEIGHT * 62) == pytest.approx(
        (72.0, MU * WEIGHT * 62)
    )
    assert _march_one(profile, 90.0, 0.0, MU * WEIGHT * 62) == pytest.approx(
        (28.0, MU * WEIGHT * 62)
    )


def test_a_limit_stops_the_head_at_the_bend_it_cannot_turn() -> None:
    profile = _profile([0.0, 50.0, 100.0], bends=[(0, 50.0, 1.0)])
    drag = MU * WEIGHT
    assert _march_one(profile, 0.0, 100.0, drag * 51) == pytest.approx((50.0, drag * 50))
    assert _march_one(profile, 100.0, 0.0, drag * 51) == pytest.approx((50.0, drag * 50))


def test_the_tension_a_bent_carrier_may_have_stops_the_head_at_that_bend_only() -> None:
    drag = MU * WEIGHT
    at_limit = (drag + ROLLER * WEIGHT) * 50 * math.exp(MU * 0.5)  # 50 m in, 50 m on rollers
    for allowed, reach in ((at_limit * 1.001, 100.0), (at_limit * 0.999, 50.0)):
        profile = _profile([0.0, 50.0, 100.0], bends=[(0, 50.0, 0.5)], bend_limits=[allowed])
        ends = _march_one(profile, 0.0, 100.0)[0], _march_one(profile, 100.0, 0.0)[0]
        if reach == 100.0:
            assert ends == (100.0, 0.0)
            continue
        # A shorter pull has less on its rollers when its head is at the bend.
        short = 50 * 0.001 * (drag + ROLLER * WEIGHT) / (ROLLER * WEIGHT)
        assert ends == pytest.approx((100.0 - short, short))


def test_a_stretch_that_would_run_by_itself_adds_nothing_and_the_string_still_drags() -> None:
    steep = _profile([0.0, 100.0], grades=[[-0.6, -0.6]])
    assert _march_one(steep, 0.0, 100.0) == (100.0, 0.0)
    at, force = pull_forces(steep, 0, 0.0, 100.0)
    assert force == pytest.approx(ROLLER * WEIGHT * (100.0 - at))
    # the limit is held where the force is greatest: at the tail, before anything is in
    assert _march_one(steep, 0.0, 100.0, ROLLER * WEIGHT * 70)[0] == pytest.approx(70.0)


def test_on_a_straight_level_pull_the_string_on_its_rollers_gives_way_to_the_one_in_the_host() -> (
    None
):
    """Closed form, L the pull and s the way: F(s) = w (mu s + rollers (L - s))."""
    profile = _profile(np.linspace(0.0, 400.0, 41).tolist())
    for tail, head in ((20.0, 380.0), (380.0, 20.0)):
        at, force = pull_forces(profile, 0, tail, head)
        way = np.abs(at - tail)
        assert force == pytest.approx(WEIGHT * (MU * way + ROLLER * (360.0 - way)), rel=1e-12)


@pytest.mark.parametrize("ahead", [True, False])
def test_the_force_at_the_head_is_that_of_a_differential_equation_along_the_string(
    ahead: bool,
) -> None:
    """One curve and one grade: dT/dx = w (mu + tan a) + mu k T in plan, from rollers to head.

    Solved by scipy along the string for each place of the head, in the curve too, whatever
    stations there are.
    """
    length, theta, rise = 300.0, 1.2, 0.08
    at = np.array([0.0, 7.0, 60.0, 110.0, 135.0, 210.0, 290.0, length])
    stations = pd.DataFrame({"run": 0, "chainage": at, "grade": rise})
    bends = pd.DataFrame(
        {"run": [0], "chainage": [125.0], "first": [100.0], "last": [150.0],
         "deflection": [theta], "bend_limit": [INF]}
    )  # fmt: skip
    profile = build_profile(
        stations, bends, np.array([0, len(at)]), weight=np.array([WEIGHT]),
        string_weight=np.array([WEIGHT]), friction=MU, roller_friction=ROLLER,
    )  # fmt: skip
    tail, head = (10.0, 290.0) if ahead else (290.0, 10.0)
    places, force = pull_forces(profile, 0, tail, head)
    slope = math.atan(rise) * (1 if ahead else -1)
    load = WEIGHT * (MU + math.tan(slope))

    def slower(x: float, tension: Any) -> Any:
        where = tail + x if ahead else tail - x
        return load + (MU * theta / 50.0 * tension if 100.0 <= where <= 150.0 else 0.0)

    assert set(places) == {10.0, 60.0, 100.0, 110.0, 135.0, 150.0, 210.0, 290.0}
    for k in range(len(places)):
        way = abs(places[k] - tail)
        start = ROLLER * WEIGHT * (280.0 - way)
        due = start
        if way > 0:
            due = solve_ivp(slower, (0.0, way), [start], max_step=0.5, rtol=1e-8).y[0, -1]
        assert force[k] == pytest.approx(due, rel=1e-5)


def test_a_carrier_that_floats_drags_on_the_crown() -> None:
    afloat = _profile([0.0, 100.0], grades=[[0.1, 0.1]], weight=-500.0, roller=0.0)
    slope = math.atan(0.1)
    pipe = 100 / math.cos(slope)
    against = 500 * pipe * (MU * math.cos(slope) - math.sin(slope))  # buoyancy helps uphill
    assert _march_one(afloat, 0.0, 100.0)[1] == pytest.approx(against)


def test_pull_forces_are_those_of_pulls_that_end_there_and_the_rest_of_the_string() -> None:
    profile = _profile(
        [0.0, 20.0, 40.0, 60.0, 100.0],
        [0.0, 70.0],
        bends=[(0, 40.0, 0.7)],
        grades=[[0.1] * 5, [0] * 2],
    )
    for tail, head in ((5.0, 95.0), (95.0, 5.0), (20.0, 60.0), (60.0, 20.0)):
        at, force = pull_forces(profile, 0, tail, head)
        inner = [c for c in (20.0, 40.0, 60.0) if min(tail, head) < c < max(tail, head)]
        assert at.tolist() == [tail, *sorted(inner, reverse=head < tail), head]
        # what is in drags as in a pull that ends there; what is not, through the bends, besides
        bend = np.where(np.sign(head - tail) * (at - 40.0) > 0, math.exp(MU * 0.7), 1.0)
        bend = np.where(np.sign(head - tail) * (40.0 - tail) > 0, bend, 1.0)
        rest = ROLLER * WEIGHT * np.abs(head - at) * bend
        inside = [_march_one(profile, tail, float(c))[1] for c in at]
        assert force == pytest.approx(inside + rest, rel=1e-12)


def test_the_run_may_be_left_at_either_end() -> None:
    # a pit may reach past the run's ends: the last stretch goes on as it is
    profile = _profile([0.0, 50.0])
    assert _march_one(profile, 40.0, -5.0) == pytest.approx((-5.0, MU * WEIGHT * 45))
    assert _march_one(profile, 10.0, 55.0) == pytest.approx((55.0, MU * WEIGHT * 45))


def test_runs_do_not_see_each_other() -> None:
    one = _profile([0.0, 50.0, 100.0], bends=[(0, 50.0, 0.4)])
    many = _profile(
        [0.0, 10.0], [0.0, 50.0, 100.0], [0.0, 50.0], bends=[(1, 50.0, 0.4), (2, 50.0, 9.0)]
    )
    for tail, stop in ((0.0, 100.0), (100.0, 0.0), (50.0, 100.0)):
        assert _march_one(many, tail, stop, run=1) == _march_one(one, tail, stop)


def test_the_compiled_march_gives_what_the_interpreted_one_gives(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(11)
    at = [0.0, *np.sort(rng.uniform(0, 500, 60)).tolist(), 500.0]
    bends = [(0, at[k], float(rng.uniform(0, 0.5))) for k in (5, 20, 44)]
    profile = _profile(at, grades=[rng.uniform(-0.2, 0.2, 62).tolist()], bends=bends)
    tail, stop = rng.uniform(0, 500, (2, 300))
    limit = rng.uniform(1e3, 1e5, 300)
    answers = []
    for threshold in (INF, -1.0):
        monkeypatch.setattr(accel, "COMPILE_ABOVE", threshold)
        run = np.zeros(300, dtype=np.int64)
        answers.append(march(profile, run, tail, stop, limit, stop > tail))
    np.testing.assert_array_equal(answers[0][0], answers[1][0])
    np.testing.assert_array_equal(answers[0][1], answers[1][1])


def test_a_curve_turns_along_its_length_and_each_pull_takes_its_part_of_it() -> None:
    """Capstan with weight on a level curve: F = w R (exp(mu theta) - 1), closed form."""
    radius, theta, mu, weight = 100.0, np.radians(85.0), 0.5, 500.0
    length = radius * theta
    at = np.linspace(0.0, length, 301)
    stations = pd.DataFrame({"run": 0, "chainage": at, "grade": 0.0})
    bends = pd.DataFrame(
        {
            "run": [0],
            "chainage": [at[150]],
            "first": [0.0],
            "last": [length],
            "deflection": [theta],
            "bend_limit": [np.inf],
        }
    )
    profile = build_profile(
        stations,
        bends,
        np.array([0, len(at)]),
        weight=np.array([weight]),
        string_weight=np.array([0.0]),
        friction=mu,
        roller_friction=0.0,
    )
    for share in (1.0, 0.6):
        _, force = march(
            profile, np.array([0]), np.array([0.0]), np.array([share * length]),
            np.array([np.inf]), np.array([True]),
        )  # fmt: skip
        exact = weight * radius * (np.exp(mu * share * theta) - 1.0)
        assert force[0] == pytest.approx(exact, rel=1e-9)


def _round(
    stations: list[float],
    *curves: tuple[float, float, float, float],
    weight: float = WEIGHT,
    grade: float = 0.0,
    roller: float = ROLLER,
    friction: float = MU,
) -> ForceProfile:
    """One run with curves as (first, last, deflection, limit), each of them a bend."""
    first, last, deflection, limit = np.array(curves).T
    run = np.zeros(len(curves), dtype=np.int64)
    return build_profile(
        pd.DataFrame({"run": 0, "chainage": stations, "grade": grade}),
        pd.DataFrame(
            {"run": run, "chainage": (first + last) / 2, "first": first, "last": last,
             "deflection": deflection, "bend_limit": limit}
        ),
        np.array([0, len(stations)]), weight=np.array([weight]),
        string_weight=np.array([abs(weight)]), friction=friction, roller_friction=roller,
    )  # fmt: skip


@pytest.mark.parametrize("off", [1.6e-11, -1.6e-11, 1e-8, -1e-8])
def test_a_curve_begins_and_ends_at_a_station_it_is_off_by_rounding(off: float) -> None:
    tens = np.arange(0.0, 101.0, 10.0).tolist()
    for ends in ((20.0, 70.0), (20.0 + off, 70.0), (20.0, 70.0 + off)):
        profile = _round(tens, (*ends, 0.9, INF))
        assert profile.chainage.tolist() == tens
        due = np.where((profile.chainage >= 20.0) & (profile.chainage < 70.0), 0.9 / 50.0, 0.0)
        assert profile.curvature == pytest.approx(due)
        assert not profile.turn.any()


def test_stations_change_nothing_in_a_curve() -> None:
    """Wherever in it a pull begins and ends."""
    curve = (33.0, 91.0, 1.1, INF)
    few, many = _round([0.0, 120.0], curve), _round(np.linspace(0.0, 120.0, 77).tolist(), curve)
    assert few.chainage.tolist() == [0.0, 33.0, 91.0, 120.0]
    for tail, head in ((5.0, 50.0), (50.0, 5.0), (40.0, 115.0), (115.0, 60.0), (50.0, 51.0)):
        assert _march_one(few, tail, head) == pytest.approx(_march_one(many, tail, head), rel=1e-12)


def test_curves_over_each_other_turn_what_both_turn_and_allow_what_the_less_allows() -> None:
    profile = _round([0.0, 100.0], (10.0, 50.0, 0.4, 9e5), (30.0, 70.0, 0.8, 4e5))
    assert profile.chainage.tolist() == [0.0, 10.0, 30.0, 50.0, 70.0, 100.0]
    assert profile.curvature == pytest.approx([0.0, 0.01, 0.03, 0.02, 0.0, 0.0])
    assert profile.curve_limit.tolist() == [INF, 9e5, 4e5, 4e5, INF, INF]


def test_a_pull_that_ends_in_a_curve_is_held_to_what_the_curve_allows() -> None:
    """The carrier is bent at the pit's edge, and all of the force is on it.

    By hand, rollers without friction: w mu 50 N at the curve, and there
    (F + w R) exp(mu s / R) - w R, which is the limit after s m.
    """
    radius, limit = 60.0 / 1.2, 22_000.0
    profile = _round([0.0, 50.0, 110.0, 200.0], (50.0, 110.0, 1.2, limit), roller=0.0)
    before = WEIGHT * MU * 50.0
    way = math.log((limit + WEIGHT * radius) / (before + WEIGHT * radius)) * radius / MU
    assert 0.0 < way < 60.0
    assert _march_one(profile, 0.0, 105.0) == pytest.approx((50.0 + way, limit))
    assert _march_one(profile, 0.0, 55.0)[0] == 55.0


@pytest.mark.parametrize("friction", [0.0, 1e-9])
def test_without_friction_a_curve_still_limits_what_the_string_on_its_rollers_draws(
    friction: float,
) -> None:
    """The rollers alone draw, rollers w (L - 50) as the head comes to the curve at 50 m."""
    limit = 20_000.0
    profile = _round([0.0, 321.0], (50.0, 90.0, 1.5, limit), roller=1.0, friction=friction)
    reach, force = _march_one(profile, 5.0, 316.0)
    assert reach == pytest.approx(50.0 + limit / WEIGHT, rel=1e-6)
    assert force == pytest.approx(0.0, abs=0.01)
    # uphill the weight alone, 80 N/m: 4 kN are reached in the curve
    alone = _round([0.0, 321.0], (50.0, 90.0, 1.5, 4e3), grade=0.1, roller=0.0, friction=friction)
    assert _march_one(alone, 30.0, 316.0)[0] == pytest.approx(80.0, rel=1e-6)


def _most(
    profile: ForceProfile, curves: list[tuple[float, float, float, float]], tail: float, end: float
) -> tuple[float, float]:
    """Follow a pull by small steps; return its greatest share of what is allowed, and the last."""
    sign, length = math.copysign(1.0, end - tail), abs(end - tail)
    edges = [sign * (edge - tail) for curve in curves for edge in curve[:2]]
    ways = np.unique([*np.linspace(0.0, length, 2000), *(x for x in edges if 0.0 < x < length)])
    step, at = np.diff(ways), tail + sign * (ways[1:] + ways[:-1]) / 2
    bent, limit = np.zeros(len(at)), np.full(len(at), 3e5)
    for first, last, deflection, held in curves:
        inside = (at > first) & (at < last)
        bent[inside] += MU * deflection / (last - first)
        limit[inside] = np.minimum(limit[inside], held)
    pulled, grown, most, drag = 0.0, 1.0, 0.0, float(profile.string_drag[0])
    for k in range(len(at)):
        most = max(most, (pulled + drag * grown * (length - ways[k])) / limit[k])
        growth = math.exp(bent[k] * step[k])
        pulled = pulled * growth + WEIGHT * MU * step[k] * (1 + growth) / 2
        grown = grown * growth
        most = max(most, (pulled + drag * grown * (length - ways[k + 1])) / limit[k])
    return most, pulled


def test_no_pull_round_curves_needs_more_than_is_allowed_and_none_could_go_on() -> None:
    """Against small steps: the greatest on the way too, which may lie inside of a curve."""
    rng = np.random.default_rng(5)
    ended = {"in a curve": 0, "whole": 0, "elsewhere": 0}
    for _ in range(40):
        begin = np.sort(rng.uniform(20.0, 360.0, 4))
        limits = 10 ** rng.uniform(4.3, 5.6, 2)
        curves = [
            (float(begin[2 * k]), float(begin[2 * k + 1]), float(rng.uniform(0.3, 2.5)),
             float(limits[k])) for k in range(2)
        ]  # fmt: skip
        roller = float(rng.choice([0.0, 0.05, 0.4]))
        profile = _round([0.0, 111.0, 222.0, 400.0], *curves, roller=roller)
        tail, stop = (5.0, 395.0) if rng.integers(2) else (395.0, 5.0)
        reach, force = _march_one(profile, tail, stop, limit=3e5)
        length, sign = abs(reach - tail), math.copysign(1.0, stop - tail)
        if length > 0.0:
            share, last = _most(profile, curves, tail, reach)
            assert share <= 1.0 + 1e-5
            assert force == pytest.approx(last, rel=1e-5)
        if reach == stop:
            ended["whole"] += 1
            continue
        inside = any(first < reach < last for first, last, _, _ in curves)
        ended["in a curve" if inside else "elsewhere"] += 1
        assert _most(profile, curves, tail, reach + sign * max(0.002 * length, 0.02))[0] > 1.0
    assert min(ended.values()) >= 4, ended


def test_the_compiled_march_round_curves_gives_what_the_interpreted_one_gives(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(12)
    at = [0.0, *np.sort(rng.uniform(0, 500, 40)).tolist(), 500.0]
    profile = _round(
        at, (50.0, 160.0, 1.4, 6e4), (150.0, 210.0, 0.5, 9e4), (300.0, 420.0, 2.0, 5e4)
    )
    tail, stop = rng.uniform(0, 500, (2, 300))
    limit, answers = rng.uniform(1e3, 1e5, 300), []
    for threshold in (INF, -1.0):
        monkeypatch.setattr(accel, "COMPILE_ABOVE", threshold)
        run = np.zeros(300, dtype=np.int64)
        answers.append(march(profile, run, tail, stop, limit, stop > tail))
    np.testing.assert_allclose(answers[0], answers[1], rtol=1e-13)


def test_over_rough_rollers_the_force_is_greatest_just_past_a_bend_near_the_tail() -> None:
    """By hand, 20 stretches of 10 m, a turn of 1 rad after the first, the rest on its rollers.

    Past the bend (mu w 10 + rollers w 190) exp(mu); at the end nothing is left on rollers.
    """
    profile = _profile(np.linspace(0.0, 200.0, 21).tolist(), bends=[(0, 10.0, 1.0)], roller=0.6)
    at, force = pull_forces(profile, 0, 0.0, 200.0)
    before = WEIGHT * (MU * 10 + 0.6 * 190)
    assert force[at == 10.0] == pytest.approx([before])
    beyond = WEIGHT * (MU * 10 + 0.6 * 180) * math.exp(MU) + WEIGHT * MU * 10
    assert force[at == 20.0] == pytest.approx([beyond])
    assert beyond > force[-1] == pytest.approx(WEIGHT * (MU * 10 * math.exp(MU) + MU * 190))
