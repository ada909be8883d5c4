"""Screening: marks, verdicts, scores and ranks against sums made the plain way."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geotools.screening.condition import mean_along, per_length
from geotools.screening.scores import (
    Weights,
    add_up,
    cost_verdicts,
    marks,
    need_verdicts,
    on_record,
    overall_verdicts,
    rank_runs,
    ranks,
    ranks_if_needed,
    suitability_verdicts,
    try_weights,
)

NAN = float("nan")


def column(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)[:, None]


def test_a_mark_runs_straight_from_none_to_full_whichever_way_is_good() -> None:
    up = marks(column(10, 20, 25, 30, 40, NAN), column(20.0), column(30.0), np.array([True]))
    np.testing.assert_allclose(up[:, 0], [0, 0, 0.5, 1, 1, NAN])
    down = marks(column(1, 2, 5, 8, 9), column(8.0), column(2.0), np.array([False]))
    np.testing.assert_allclose(down[:, 0], [1, 1, 0.5, 0, 0])


def test_with_one_threshold_the_mark_is_all_or_nothing_and_the_threshold_itself_is_good() -> None:
    values = column(0.99, 1.0, 1.01, NAN)
    rising = marks(values, column(1.0), column(1.0), np.array([True]))
    falling = marks(values, column(1.0), column(1.0), np.array([False]))
    np.testing.assert_allclose(rising[:, 0], [0, 1, 1, NAN])
    np.testing.assert_allclose(falling[:, 0], [1, 1, 0, NAN])


def test_verdicts_change_at_the_thresholds() -> None:
    words = need_verdicts(column(30, 30.1, 89.9, 90, NAN), column(30.0), column(90.0))
    assert words[:, 0].tolist() == ["low", "middle", "middle", "high", "not known"]
    words = suitability_verdicts(
        column(4, 4.1, 15, 15.1, NAN), column(15.0), column(4.0), np.array([False])
    )
    assert words[:, 0].tolist() == ["suitable", "doubtful", "doubtful", "not suitable", "not known"]
    words = suitability_verdicts(
        column(1.05, 1.04, 1.0, 0.99), column(1.0), column(1.05), np.array([True])
    )
    assert words[:, 0].tolist() == ["suitable", "doubtful", "doubtful", "not suitable"]


def test_the_verdict_on_a_run_is_the_worst_and_lack_of_carrier_or_records_weighs() -> None:
    words = np.array(
        [
            ["suitable", "not known"],
            ["suitable", "doubtful"],
            ["doubtful", "not suitable"],
            ["suitable", "suitable"],
            ["suitable", "not known"],
        ],
        dtype=object,
    )
    lined = np.array([True, True, True, False, True])
    known = np.array([0.5, 1.0, 1.0, 1.0, 0.4])
    verdict = overall_verdicts(words, lined, known, least_known=0.5)
    assert verdict.tolist() == ["suitable", "doubtful", "not suitable", "not suitable", "doubtful"]


def test_what_is_not_known_takes_no_part_and_the_other_weights_count_for_more() -> None:
    mark = np.array([[1.0, 0.5, NAN], [NAN, NAN, NAN], [0.0, 1.0, 1.0]])
    weight = np.array([3.0, 1.0, 4.0])
    scores = add_up(mark, weight)
    np.testing.assert_allclose(scores, [3.5 / 4, NAN, 5 / 8])
    assert np.isnan(add_up(mark, np.zeros(3))).all()


def test_what_is_on_record_counts_by_the_length_it_is_on_record_for() -> None:
    known = np.array([[1.0, 0.5, 0.25], [0.0, 0.0, 0.0], [1.0, 1.0, 1.0]])
    weight = np.array([3.0, 1.0, 4.0])
    np.testing.assert_allclose(on_record(known, weight), [4.5 / 8, 0.0, 1.0])
    np.testing.assert_allclose(on_record(known, np.zeros(3)), [0.0, 0.0, 0.0])


def test_ranks_put_the_higher_first_and_ties_in_the_order_given() -> None:
    first = np.array([0.5, 0.9, NAN, 0.5 + 1e-12, 0.9])
    assert ranks(first).tolist() == [3, 1, 5, 4, 2]
    assert ranks(first, np.array([1.0, 1.0, 9.0, 2.0, 3.0])).tolist() == [4, 2, 5, 3, 1]


def plainly_ranked(
    need: np.ndarray, suit: np.ndarray, out: np.ndarray, length: np.ndarray, weights: list[float]
) -> list[int]:
    """Rank with loops and a sort of tuples."""

    def mean(values: list[float], by: list[float]) -> float:
        pairs = [(v, w) for v, w in zip(values, by, strict=True) if not math.isnan(v)]
        total = sum(w for _, w in pairs)
        return sum(v * w for v, w in pairs) / total if total else NAN

    count = need.shape[1]
    keys = []
    for run in range(len(need)):
        a = mean([0.0 if math.isnan(v) else v for v in need[run]], weights[:count])
        b = mean(list(suit[run]), weights[count:-2])
        both = mean([a, b], weights[-2:])
        tup = [both if not math.isnan(both) else 0.0, a, b]
        told = [math.inf if math.isnan(v) else -round(v, 9) for v in tup]
        keys.append((bool(out[run]), *told, -length[run], run))
    order = sorted(range(len(keys)), key=keys.__getitem__)
    return [order.index(run) + 1 for run in range(len(keys))]


@pytest.fixture
def made() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, Weights]:
    rng = np.random.default_rng(7)
    need, suit = rng.integers(0, 5, (40, 3)) / 4, rng.integers(0, 5, (40, 4)) / 4
    need[rng.random(need.shape) < 0.3] = NAN
    suit[rng.random(suit.shape) < 0.2] = NAN
    need[5] = NAN
    weights = Weights(np.array([2.0, 3.0, 1.0]), np.array([1.0, 2.0, 2.0, 4.0]), (1.0, 2.0))
    length = rng.integers(1, 4, 40) * 100.0
    return need, suit, rng.random(40) < 0.3, length, weights


def test_ranks_are_those_of_a_plain_sort(made: tuple) -> None:
    need, suit, out, length, weights = made
    place = rank_runs(*made)[0]
    flat = [*weights.need, *weights.suitability, *weights.kinds]
    assert place.tolist() == plainly_ranked(need, suit, out, length, flat)
    assert place[out].min() > place[~out].max()


def test_best_and_worst_rank_are_those_of_every_weight_moved_by_hand(made: tuple) -> None:
    need, suit, out, length, weights = made
    flat = [*weights.need, *weights.suitability, *weights.kinds]
    base = np.array(plainly_ranked(need, suit, out, length, flat))
    tried = {}
    for k, factor in itertools.product(range(len(flat)), (0.8, 1.2)):
        moved = [w * (factor if j == k else 1.0) for j, w in enumerate(flat)]
        tried[k, factor] = np.array(plainly_ranked(need, suit, out, length, moved))
    found = try_weights(*made, move=0.2)
    every = np.stack([base, *tried.values()])
    np.testing.assert_array_equal(found.best, every.min(axis=0))
    np.testing.assert_array_equal(found.worst, every.max(axis=0))
    assert (found.best < found.worst).any()
    for run in range(len(base)):
        change = {k: max(abs(tried[k, f][run] - base[run]) for f in (0.8, 1.2))
                  for k in range(len(flat))}  # fmt: skip
        most = max(change.values())
        assert found.mover[run] == (
            -1 if most == 0 else min(k for k in change if change[k] == most)
        )


@given(st.integers(0, 39), st.integers(0, 2))
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_a_mark_of_need_that_is_lost_never_raises_a_run(made: tuple, run: int, column: int) -> None:
    need, *rest = made
    lost = need.copy()
    lost[run, column] = NAN
    assert rank_runs(lost, *rest)[0][run] >= rank_runs(need, *rest)[0][run]


def test_what_is_not_known_counts_as_the_mark_that_is_set_where_one_is() -> None:
    mark, weight = np.array([[1.0, 0.5, NAN], [NAN, NAN, NAN]]), np.array([3.0, 1.0, 4.0])
    np.testing.assert_allclose(add_up(mark, weight, unknown=0.0), [3.5 / 8, 0.0])
    np.testing.assert_allclose(add_up(mark, weight, unknown=0.5), [5.5 / 8, 0.5])
    assert np.isnan(add_up(mark, np.zeros(3), unknown=0.0)).all()


def test_the_place_if_needed_is_that_of_a_sort_with_the_marks_of_that_run_raised(
    made: tuple,
) -> None:
    need, suit, out, length, weights = made
    flat = [*weights.need, *weights.suitability, *weights.kinds]
    most = np.where(np.isnan(need), 1.0, need)
    found = ranks_if_needed(need, most, suit, out, length, weights)
    for run in range(len(need)):
        alone = need.copy()
        alone[run] = most[run]
        assert found[run] == plainly_ranked(alone, suit, out, length, flat)[run]
    assert (found < rank_runs(*made)[0]).any()


def test_costs_compare_only_where_the_bands_are_apart() -> None:
    words = cost_verdicts(np.array([50.0, 90.0, 300.0, NAN]), np.full(4, 100.0), low=0.75, high=1.4)
    assert words.tolist() == ["lining cheaper", "too close to call", "lining dearer", "not known"]


def test_of_costs_with_services_not_counted_is_told_what_holds_whatever_their_number() -> None:
    lining, each = (
        part.ravel() for part in np.meshgrid([50.0, 90.0, 300.0], [0.0, 2.0, 7.0, 20.0, 60.0])
    )
    costs, more = (lining, np.full(15, 100.0)), (each, np.full(15, 20.0))
    band = {"low": 0.75, "high": 1.4}
    told = cost_verdicts(*costs, **band, each=more)
    some = np.array(
        [
            cost_verdicts(*(c + n * e for c, e in zip(costs, more, strict=True)), **band)
            for n in (0, 1, 2, 5, 20, 100, 10_000)
        ]
    )
    same = (some == some[0]).all(axis=0)
    assert told[same].tolist() == some[0][same].tolist()
    assert set(told[~same]) == {"not known"}
    assert set(told[same]) == {"lining cheaper", "too close to call", "lining dearer"}


def test_a_record_counts_by_the_length_it_holds_for() -> None:
    run, length = np.array([0, 0, 1, 1, 2]), np.array([100.0, 300.0, 100.0, 300.0, 50.0])
    values = np.array([10.0, 50.0, NAN, 20.0, NAN])
    mean = mean_along(run, length, values, 4, least_known=0.5)
    np.testing.assert_allclose(mean, [40.0, 20.0, NAN, NAN])
    strict = mean_along(run, length, values, 4, least_known=0.8)
    np.testing.assert_allclose(strict, [40.0, NAN, NAN, NAN])


def test_breaks_of_a_main_are_shared_by_length_among_its_runs() -> None:
    # one main of 400 m with 8 breaks, 100 m of it in run 0; there another of 300 m with none
    rate = per_length(
        np.array([0, 1, 0]), np.array([100.0, 300.0, 300.0]), np.array([400.0, 400.0, 300.0]),
        np.array([8.0, 8.0, 0.0]), 2, least_known=0.5,
    )  # fmt: skip
    np.testing.assert_allclose(rate * 1000, [8 * 0.25 / 0.4, 20.0])
