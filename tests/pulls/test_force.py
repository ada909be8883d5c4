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

    Solved by scipy along the string for each place of the head. The march turns a curve at its
    stations: it may be off by the turn at one of them, and no more.
    """
    length, step, theta, rise = 300.0, 0.25, 1.2, 0.08
    at = np.arange(0.0, length + step / 2, step)
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

    for k in (0, 240, 480, 680, 1119):
        way = abs(places[k] - tail)
        start = ROLLER * WEIGHT * (280.0 - way)
        due = start
        if way > 0:
            due = solve_ivp(slower, (0.0, way), [start], max_step=0.5, rtol=1e-8).y[0, -1]
        assert force[k] == pytest.approx(due, rel=MU * theta / 50.0 * step)


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
    assert profile.turn.sum() == pytest.approx(theta)
    # The rule of thumb turns what was dragged straight: mu w R (exp(mu t) - 1) / mu.
    for share in (1.0, 0.6):
        _, force = march(
            profile, np.array([0]), np.array([0.0]), np.array([share * length]),
            np.array([np.inf]), np.array([True]),
        )  # fmt: skip
        exact = weight * radius * (np.exp(mu * share * theta) - 1.0)
        assert force[0] == pytest.approx(exact, rel=0.005)


@pytest.mark.parametrize("off", [1.6e-11, -1.6e-11, 1e-8, -1e-8])
def test_a_station_off_the_edge_of_a_curve_by_rounding_counts_as_at_it(off: float) -> None:
    def turns(first: float, last: float) -> Any:
        stations = pd.DataFrame({"run": 0, "chainage": np.arange(0.0, 101.0, 10.0), "grade": 0.0})
        bends = pd.DataFrame(
            {"run": [0], "chainage": [40.0], "first": [first], "last": [last],
             "deflection": [0.9], "bend_limit": [INF]}
        )  # fmt: skip
        return build_profile(
            stations, bends, np.array([0, 11]), weight=np.array([WEIGHT]),
            string_weight=np.array([WEIGHT]), friction=MU, roller_friction=ROLLER,
        ).turn  # fmt: skip

    # 5 m of 50 m belong to the stations at the edges, 10 m to each between
    due = 0.9 * np.array([0, 0, 0.1, 0.2, 0.2, 0.2, 0.2, 0.1, 0, 0, 0])
    assert turns(20.0, 70.0) == pytest.approx(due)
    assert turns(20.0 + off, 70.0) == pytest.approx(due, abs=1e-8)
    assert turns(20.0, 70.0 + off) == pytest.approx(due, abs=1e-8)


def test_a_curve_over_two_stations_turns_at_both_and_over_one_at_that_one() -> None:
    """From 8 m to 24 m the middle between the stations at 10 m and 20 m is at 15 m."""
    at = [0.0, 10.0, 20.0, 30.0, 40.0]

    def turns(first: float, last: float) -> list[float]:
        table = pd.DataFrame({"run": np.zeros(5, dtype=np.int64), "chainage": at, "grade": 0.0})
        bend = {"run": [0], "chainage": [(first + last) / 2], "first": [first], "last": [last]}
        profile = build_profile(
            table,
            pd.DataFrame({**bend, "deflection": [0.32], "bend_limit": [INF]}),
            np.array([0, 5]),
            weight=np.array([WEIGHT]),
            string_weight=np.array([WEIGHT]),
            friction=MU,
            roller_friction=ROLLER,
        )
        return [float(turn) for turn in profile.turn]

    assert turns(8.0, 24.0) == pytest.approx([0.0, 0.32 * 7 / 16, 0.32 * 9 / 16, 0.0, 0.0])
    assert turns(16.0, 24.0) == pytest.approx([0.0, 0.0, 0.32, 0.0, 0.0])
    assert turns(12.0, 19.0) == pytest.approx([0.0, 0.0, 0.32, 0.0, 0.0])  # middle at 15.5 m


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
