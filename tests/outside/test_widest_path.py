"""The radius that passes bends close together, held against the widest path of all.

A carrier of small angles lies at ``y(s)`` beside the host's axis and is curved by the axis' own
curvature and ``y''``. The path whose greatest curvature is least, between the walls, is a linear
programme; SciPy's HiGHS finds it. Nothing is taken from the project but the radius it is held to.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog
from scipy.sparse import lil_matrix

from geotools.pipe.bending import passing_radius_m
from geotools.siting.passing import judge_bends

Bends = list[tuple[float, float, float]]  # begin, m, angle, rad, to the left above 0, and length, m
STEPS = 25  # to the length of an arc
SHARE = 0.02  # by which the programme may be off, of its steps


def _widest(bends: Bends, clearance: float, step: float, room: float) -> float:
    """Return the radius of the widest path, m, looked for every step and so far beyond the ends."""
    low, high = bends[0][0] - room, bends[-1][0] + bends[-1][2] + room
    count = round((high - low) / step) + 1
    at = low + step * np.arange(count)
    turned = np.zeros(count)
    for begin, angle, length in bends:
        if length:
            inside = (at >= begin) & (at <= begin + length)
            turned[inside] += angle / inside.sum()
        else:
            first, share = divmod((begin - low) / step, 1.0)
            turned[int(first)] += angle * (1 - share)
            turned[int(first) + 1] += angle * share
    rows = lil_matrix((2 * (count - 2), count + 1))
    limit = np.zeros(2 * (count - 2))
    for k in range(1, count - 1):
        for row, sign in ((2 * k - 2, 1.0), (2 * k - 1, -1.0)):
            rows[row, k - 1 : k + 2] = sign * np.array([1.0, -2.0, 1.0]) / step**2
            rows[row, count] = -1.0
            limit[row] = -sign * turned[k] / step
    walls = [(-clearance / 2, clearance / 2)] * count
    target = np.append(np.zeros(count), 1.0)
    found = linprog(target, rows.tocsr(), limit, bounds=[*walls, (0.0, None)], method="highs")
    assert found.success
    return float(1 / max(found.x[-1], 1e-9))


def _told(bends: Bends, clearance: float, axis: list[float]) -> float:
    """Return the least radius told of bends; none is so tight that a pit would take it."""
    first = np.array([begin for begin, _, _ in bends])
    angle, length = (np.array([bend[k] for bend in bends]) for k in (1, 2))
    table = pd.DataFrame(
        {
            "run": np.int64(0),
            "first": first,
            "last": first + length,
            "deflection": np.abs(angle),
            "axis_radius": axis,
            "kind": np.where(length > 0, "curve", "fitting"),
            "sense": np.where(angle > 0, "left", "right"),
        }
    )
    judged = judge_bends(table, clearance=np.array([clearance]), needed=np.array([1e-3]))
    return float(judged["passing_radius"].min())


@pytest.mark.parametrize("seed", range(8))
def test_elbows_are_told_no_wider_a_path_than_there_is_and_not_much_less(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clearance, angles = rng.uniform(0.05, 0.4), np.radians(rng.uniform(3.0, 20.0, 2))
    senses = np.array([1.0, -1.0 if seed % 3 else 1.0])
    alone = float(passing_radius_m(angles, clearance).min())
    arc = np.sqrt(2 * clearance * alone)
    apart = rng.uniform(0.3, 4.0) * arc
    bends = [(0.0, angles[0] * senses[0], 0.0), (apart, angles[1] * senses[1], 0.0)]
    widest = min(_widest(bends, clearance, arc / STEPS, 5 * arc), alone)
    told = _told(bends, clearance, [0.0, 0.0])
    assert 0.93 * widest <= told <= (1 + SHARE) * widest


@pytest.mark.parametrize("seed", range(8))
def test_rows_of_elbows_are_told_no_wider_a_path_than_there_is(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    clearance, count = rng.uniform(0.05, 0.4), int(rng.integers(3, 5))
    angles = np.radians(rng.uniform(3.0, 20.0, count)) * rng.choice([-1.0, 1.0], count)
    alone = float(passing_radius_m(np.abs(angles), clearance).min())
    arc = np.sqrt(2 * clearance * alone)
    at = np.concatenate([[0.0], np.cumsum(rng.uniform(0.2, 4.0, count - 1) * arc)])
    bends = [(float(a), float(t), 0.0) for a, t in zip(at, angles, strict=True)]
    widest = min(_widest(bends, clearance, arc / STEPS, 5 * arc), alone)
    assert _told(bends, clearance, [0.0] * count) <= (1 + SHARE) * widest


@pytest.mark.parametrize("seed", range(8))
def test_an_elbow_by_a_curve_is_told_no_wider_a_path_than_there_is(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    clearance, elbow = rng.uniform(0.05, 0.4), np.radians(rng.uniform(3.0, 20.0))
    alone, turn = float(passing_radius_m(elbow, clearance)), np.radians(rng.uniform(10.0, 60.0))
    axis, arc = alone * rng.uniform(0.4, 2.0), np.sqrt(2 * clearance * alone)
    sense, gap = rng.choice([-1.0, 1.0]), rng.uniform(0.1, 3.0) * arc
    bends = [(0.0, turn, axis * turn), (axis * turn + gap, sense * elbow, 0.0)]
    least = min(alone, float(passing_radius_m(turn, clearance, axis_radius_m=axis)))
    widest = min(_widest(bends, clearance, arc / STEPS, 5 * arc), least)
    told = _told(bends, clearance, [axis, 0.0])
    assert told <= (1 + SHARE) * widest
    assert told == pytest.approx(
        _told([(-b - s, t, s) for b, t, s in bends[::-1]], clearance, [0.0, axis])
    )


@pytest.mark.parametrize("seed", range(8))
def test_an_elbow_with_a_curve_beyond_it_is_told_no_wider_a_path_than_there_is(seed: int) -> None:
    rng = np.random.default_rng(300 + seed)
    clearance, turns = rng.uniform(0.05, 0.4), np.radians(rng.uniform(6.0, 20.0, 3))
    alone = passing_radius_m(turns, clearance)
    arc = float(np.sqrt(2 * clearance * alone[1]))
    axis = np.array([0.0 if seed % 2 else 1.0, 0.0, 1.0]) * alone * rng.uniform(0.7, 2.5, 3)
    length, gap = axis * turns, rng.uniform(0.05, 0.8, 2) * arc
    begin = np.array([0.0, length[0] + gap[0], length[0] + gap.sum()])
    bends = [tuple(map(float, bend)) for bend in zip(begin, turns, length, strict=True)]
    least = float(passing_radius_m(turns, clearance, axis_radius_m=axis).min())
    widest = min(_widest(bends, clearance, arc / STEPS, 5 * arc), least)
    assert _told(bends, clearance, axis.tolist()) <= (1 + SHARE) * widest


@pytest.mark.parametrize("seed", range(4))
def test_elbows_of_a_radius_to_either_side_are_told_no_wider_a_path_than_there_is(
    seed: int,
) -> None:
    rng = np.random.default_rng(400 + seed)
    clearance, turn, axis = rng.uniform(0.08, 0.2), np.radians(rng.uniform(8.0, 18.0)), 0.63
    alone = float(passing_radius_m(turn, clearance, axis_radius_m=axis))
    reach, arc = axis * np.tan(turn / 2), np.sqrt(2 * clearance * alone)
    apart = 2 * reach + rng.uniform(0.5, 2.0) * arc
    elbows = [(0.0, turn, 0.0), (apart, -turn, 0.0)]
    drawn = [(at - reach, angle, axis * turn) for at, angle, _ in elbows]
    widest = min(_widest(drawn, clearance, axis * turn / 8, 4 * arc), alone)
    assert _told(elbows, clearance, [axis, axis]) <= (1 + SHARE) * widest


def _curves(rng: np.random.Generator, count: int) -> tuple[Bends, float, list[float], float]:
    """Return curves one after the other, the clearance, radii of the axis, and an arc's length."""
    clearance, turns = rng.uniform(0.05, 0.4), np.radians(rng.uniform(4.0, 40.0, count))
    axis = float(passing_radius_m(turns, clearance).min()) * rng.uniform(0.2, 2.0, count)
    arc = float(np.sqrt(2 * clearance * axis.max()))
    length, gap = axis * turns, rng.uniform(0.02, 3.0, count) * arc
    begin = np.cumsum(length + gap) - length
    signed = turns * rng.choice([-1.0, 1.0], count)
    bends = [tuple(map(float, bend)) for bend in zip(begin, signed, length, strict=True)]
    return bends, clearance, axis.tolist(), arc


@pytest.mark.parametrize("seed", [0, 2, 3, 9, 10, 11])
def test_curves_in_a_row_are_told_no_wider_a_path_than_there_is(seed: int) -> None:
    bends, clearance, axis, arc = _curves(np.random.default_rng(500 + seed), 2 + seed % 2)
    turns = np.abs([turn for _, turn, _ in bends])
    least = float(passing_radius_m(turns, clearance, axis_radius_m=np.array(axis)).min())
    widest = min(_widest(bends, clearance, arc / STEPS, 5 * arc), least)
    assert _told(bends, clearance, axis) <= (1 + SHARE) * widest


@pytest.mark.parametrize("gap", [0.0, 0.2, 2.0])
def test_a_curve_drawn_as_two_is_told_no_wider_a_path_than_there_is_and_not_much_less(
    gap: float,
) -> None:
    clearance, turn, axis = 0.25, np.radians(14.0), 20.0
    arc = float(np.sqrt(2 * clearance * axis))
    bends = [(0.0, turn, axis * turn), (axis * turn + gap * arc, turn, axis * turn)]
    widest = _widest(bends, clearance, arc / STEPS, 5 * arc)
    assert widest < 0.95 * float(passing_radius_m(turn, clearance, axis_radius_m=axis))
    assert 0.9 * widest <= _told(bends, clearance, [axis, axis]) <= (1 + SHARE) * widest


def _small(kinds: str, rng: np.random.Generator) -> tuple[Bends, float, list[float], float]:
    """Return bends of some degrees, elbows ("e") and curves ("c") in a row, as `_curves` does."""
    curve, count = np.array([kind == "c" for kind in kinds]), len(kinds)
    clearance, turns = rng.uniform(0.05, 0.4), np.radians(rng.uniform(4.0, 22.0, count))
    base = float(passing_radius_m(turns, clearance).min())
    axis = np.where(curve, base * rng.uniform(0.3, 1.2, count), 0.0)
    arc = float(np.sqrt(2 * clearance * base))
    length, gap = axis * turns, rng.uniform(0.02, 2.5, count) * arc
    begin = np.cumsum(length + gap) - length
    signed = turns * rng.choice([-1.0, 1.0], count)
    bends = [tuple(map(float, bend)) for bend in zip(begin, signed, length, strict=True)]
    return bends, clearance, axis.tolist(), arc


# among them those by which an elbow beside a tight curve of its side was told too wide a path
@pytest.mark.parametrize(
    ("kinds", "seed"),
    [*(("ec", k) for k in (0, 63, 127, 153)), *(("ece", k) for k in (1, 72, 85, 117)),
     *(("cce", k) for k in (2, 69, 125))],
)  # fmt: skip
def test_small_elbows_by_tight_curves_are_told_no_wider_a_path_than_there_is(
    kinds: str, seed: int
) -> None:
    bends, clearance, axis, arc = _small(kinds, np.random.default_rng(50_000 + seed))
    turns = np.abs([turn for _, turn, _ in bends])
    least = float(passing_radius_m(turns, clearance, axis_radius_m=np.array(axis)).min())
    widest = min(_widest(bends, clearance, arc / 20, 4 * arc), least)
    assert _told(bends, clearance, axis) <= (1 + SHARE) * widest
