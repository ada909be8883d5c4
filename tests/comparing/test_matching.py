"""Runs of several plans are matched by what they are."""

from __future__ import annotations

import numpy as np

from geotools.comparing.matching import RunKeys, match_runs

SPANS = np.array([[0, 0, 100, 0, 100], [0, 50, 300, 50, 310], [0, 90, 300, 90, 300.0]])


def keys(
    rows: list[int],
    *,
    span: np.ndarray = SPANS,
    mains: tuple[str, ...] = ("A", "B,C", "D"),
    host: tuple[float, ...] = (0.3, 0.4, np.nan),
) -> RunKeys:
    return RunKeys(
        span[rows],
        np.array([mains[row] for row in rows], dtype=object),
        np.array([host[row] for row in rows]),
    )


def numbers(*plans: RunKeys) -> list[list[int]]:
    return [found.tolist() for found in match_runs(plans)]


def test_the_same_runs_bear_one_number_in_whatever_order_a_plan_has_them() -> None:
    assert numbers(keys([0, 1]), keys([2, 1, 0]), keys([2])) == [[0, 1], [2, 1, 0], [2]]


def test_a_run_drawn_the_other_way_is_the_same() -> None:
    other = SPANS[:, [2, 3, 0, 1, 4]]
    assert numbers(keys([0, 1, 2]), keys([0, 1, 2], span=other))[1] == [0, 1, 2]


def test_other_names_of_mains_do_not_matter_where_ends_and_length_are_the_same() -> None:
    assert numbers(keys([0, 1]), keys([0, 1], mains=("X", "Y", "Z")))[1] == [0, 1]


def test_the_same_mains_may_be_joined_a_little_otherwise() -> None:
    moved = SPANS + np.array([0.3, 0.2, 0.1, 0.0, 0.4])
    assert numbers(keys([0, 1]), keys([0, 1], span=moved))[1] == [0, 1]
    assert numbers(keys([0, 1]), keys([0, 1], span=moved, mains=("X", "Y", "Z")))[1] == [2, 3]


def test_a_run_cut_short_or_led_another_way_is_another() -> None:
    short = SPANS - np.array([0, 0, 2.0, 0, 2.0])
    assert numbers(keys([0]), keys([0], span=short))[1] == [1]
    longer = SPANS + np.array([0, 0, 0, 0, 2.0])
    assert numbers(keys([0]), keys([0], span=longer))[1] == [1]


def test_a_host_of_another_diameter_is_another_run() -> None:
    assert numbers(keys([0, 2]), keys([0, 2], host=(0.35, 0.4, np.nan)))[1] == [2, 1]


def test_mains_drawn_one_over_the_other_are_told_apart_by_their_names() -> None:
    twins = np.repeat(SPANS[:1], 3, axis=0)
    host = (0.3, 0.3, 0.3)
    first = keys([0, 1, 2], span=twins, host=host)
    assert numbers(first, keys([2, 0, 1], span=twins, host=host)) == [[0, 1, 2], [2, 0, 1]]


def test_plans_without_runs_have_no_numbers() -> None:
    assert numbers(keys([]), keys([0]), keys([])) == [[], [0], []]
