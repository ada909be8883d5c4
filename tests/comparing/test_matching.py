"""Runs of several plans are matched by what they are."""

from __future__ import annotations

import numpy as np
import shapely

from geotools.comparing.matching import RunKeys, match_runs, of_other_hosts

SPANS = np.array([[0, 0, 100, 0, 100], [0, 50, 300, 50, 310], [0, 90, 300, 90, 300.0]])


def keys(
    rows: list[int],
    *,
    span: np.ndarray = SPANS,
    mains: tuple[str, ...] = ("A", "B,C", "D"),
    host: tuple[float, ...] = (0.3, 0.4, np.nan),
    lines: tuple[shapely.LineString, ...] = (),
) -> RunKeys:
    return RunKeys(
        span[rows],
        np.array([mains[row] for row in rows], dtype=object),
        np.array([host[row] for row in rows]),
        np.array([lines[row] for row in rows], dtype=object)
        if lines
        else shapely.linestrings(span[rows, :4].reshape(-1, 2, 2)),
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
    moved = SPANS + np.array([0.6, 0.2, 0.1, 0.0, 0.4])
    assert numbers(keys([0, 1]), keys([0, 1], span=moved))[1] == [0, 1]
    assert numbers(keys([0, 1]), keys([0, 1], span=moved, mains=("X", "Y", "Z")))[1] == [2, 3]


def test_a_run_that_lies_where_another_does_is_the_same_whatever_its_mains_are_called() -> None:
    moved = SPANS + np.array([0.3, 0.2, 0.1, 0.0, 0.7])  # lengths are told by another zone
    other = ("X", "Y", "Z")
    assert numbers(keys([0, 1]), keys([0, 1], span=moved, mains=other))[1] == [0, 1]
    turned = moved[:, [2, 3, 0, 1, 4]]
    assert numbers(keys([0, 1]), keys([0, 1], span=turned, mains=other))[1] == [0, 1]
    straight = shapely.LineString([(0, 0), (100, 0)])
    round_ = shapely.LineString([(0, 0), (50, 0.7), (100, 0)])
    one = keys([0], mains=("A",), lines=(straight,))
    assert numbers(one, keys([0], span=moved, mains=other, lines=(round_,)))[1] == [1]


def test_runs_side_by_side_find_the_nearest_and_no_run_is_taken_twice() -> None:
    first = np.array([[0, y, 100, y, 100] for y in (0.0, 0.4, 0.8)])
    host, known = (0.3,) * 3, keys([0, 1, 2], span=first, host=(0.3,) * 3)
    second = first + np.array([0, 0.1, 0, 0.1, 0.0])
    for rows in ([0, 1, 2], [2, 0, 1]):
        found = keys(rows, span=second, host=host, mains=("X", "Y", "Z"))
        assert numbers(known, found)[1] == rows
    pair = keys([0, 1], span=first, host=host, mains=("X", "Y", "Z"))
    late = first + np.array([0, 0.25, 0, 0.25, 0.0])  # the first is nearest to the second of these
    found = keys([0, 1], span=late[[0, 0]] + [[0, 0, 0, 0, 0], [0, 0.05, 0, 0.05, 0]], host=host)
    assert sorted(numbers(pair, found)[1]) == [0, 1]


def test_a_run_cut_short_or_led_another_way_is_another() -> None:
    short = SPANS - np.array([0, 0, 2.0, 0, 2.0])
    assert numbers(keys([0]), keys([0], span=short))[1] == [1]
    longer = SPANS + np.array([0, 0, 0, 0, 2.0])
    assert numbers(keys([0]), keys([0], span=longer))[1] == [1]


def test_a_host_of_another_diameter_is_another_run() -> None:
    assert numbers(keys([0, 2]), keys([0, 2], host=(0.35, 0.4, np.nan)))[1] == [2, 1]


def test_a_run_that_its_host_alone_keeps_apart_is_known() -> None:
    wide = keys([0, 1, 2], host=(0.35, 0.4, 0.2), mains=("X", "Y", "Z"))
    assert of_other_hosts(keys([2, 0, 1]), wide).tolist() == [1, -1, 0]


def test_mains_drawn_one_over_the_other_are_told_apart_by_their_names() -> None:
    twins = np.repeat(SPANS[:1], 3, axis=0)
    host = (0.3, 0.3, 0.3)
    first = keys([0, 1, 2], span=twins, host=host)
    assert numbers(first, keys([2, 0, 1], span=twins, host=host)) == [[0, 1, 2], [2, 0, 1]]


def test_plans_without_runs_have_no_numbers() -> None:
    assert numbers(keys([]), keys([0]), keys([])) == [[], [0], []]
