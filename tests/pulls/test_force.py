"""Pull force along runs against a plain loop and closed forms."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from geotools import accel
from geotools.pulls.force import ForceProfile, build_profile, march, pull_forces

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


def _plain(
    chainage: list[float],
    grade: list[float],
    bends: list[tuple[float, float, float]],
    tail: float,
    stop: float,
    limit: float,
) -> tuple[float, float]:
    """Walk from tail to stop by the rule as written, one stretch after another."""
    low, high = min(tail, stop), max(tail, stop)
    marks = sorted({tail, stop, *(c for c in chainage if low < c < high)}, reverse=stop < tail)
    force, at = 0.0, tail
    for here, there in itertools.pairwise(marks):
        middle = (here + there) / 2
        row = max(k for k, c in enumerate(chainage) if c <= middle or k == 0)
        rise = math.atan(grade[row]) * (1 if stop > tail else -1)
        load = MU * WEIGHT * math.cos(rise) + WEIGHT * math.sin(rise)
        load = max(load, ROLLER * WEIGHT)
        step = abs(there - here)
        if force + load * step > limit:
            step = (limit - force) / load
            return here + math.copysign(step, stop - tail), limit
        force, at = force + load * step, there
        if there == stop:
            break
        turn = sum(b[1] for b in bends if b[0] == there)
        allowed = min([limit, *(b[2] for b in bends if b[0] == there)])
        if force * math.exp(MU * turn) > allowed:
            return at, force
        force *= math.exp(MU * turn)
    return at, force


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
    up = WEIGHT * 80 * (MU * math.cos(slope) + math.sin(slope))
    down = WEIGHT * 80 * (MU * math.cos(slope) - math.sin(slope))
    least = ROLLER * WEIGHT * 80
    assert _march_one(profile, 10.0, 90.0)[1] == pytest.approx(max(up, least), rel=1e-12)
    assert _march_one(profile, 90.0, 10.0)[1] == pytest.approx(max(down, least), rel=1e-12)


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
    at_limit = drag * 50 * math.exp(MU * 0.5)
    for allowed, reach in ((at_limit * 1.001, 100.0), (at_limit * 0.999, 50.0)):
        profile = _profile([0.0, 50.0, 100.0], bends=[(0, 50.0, 0.5)], bend_limits=[allowed])
        assert _march_one(profile, 0.0, 100.0)[0] == reach
        assert _march_one(profile, 100.0, 0.0)[0] == 100.0 - reach


def test_downhill_stretches_never_ease_the_pull_below_the_drag_of_the_rollers() -> None:
    steep = _profile([0.0, 100.0], grades=[[-0.6, -0.6]])
    assert _march_one(steep, 0.0, 100.0)[1] == pytest.approx(ROLLER * WEIGHT * 100)
    _, force = pull_forces(steep, 0, 0.0, 100.0)
    assert (np.diff(force) >= 0).all()


def test_a_carrier_that_floats_drags_on_the_crown() -> None:
    afloat = _profile([0.0, 100.0], grades=[[0.1, 0.1]], weight=-500.0, roller=0.0)
    slope = math.atan(0.1)
    against = 500 * 100 * (MU * math.cos(slope) - math.sin(slope))  # buoyancy helps uphill
    assert _march_one(afloat, 0.0, 100.0)[1] == pytest.approx(against)


def test_pull_forces_are_those_of_pulls_that_end_there() -> None:
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
        assert force[0] == 0.0
        assert force.tolist() == [_march_one(profile, tail, float(c))[1] for c in at]


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
