"""Ragged columns: lengths of lines, the same whatever else is measured."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.network.ragged import firsts, measures, number_within, offsets_of, spread_out, take


def test_a_line_is_measured_the_same_to_the_last_digit_whatever_lies_beside_it() -> None:
    rng = np.random.default_rng(5)
    counts = rng.integers(2, 60, 4000)
    offsets = offsets_of(counts)
    xy = rng.normal([500_000.0, 4_800_000.0], 400.0, (int(offsets[-1]), 2))
    whole = measures(xy, offsets)
    for rows in (np.arange(7), np.arange(3000, 3100), np.arange(0, 4000, 3)):
        vertex = take(offsets, rows)
        alone = measures(xy[vertex], offsets_of(counts[rows]))
        assert (alone == whole[vertex]).all()
    lines = shapely.linestrings(xy, indices=np.repeat(np.arange(4000), counts))
    assert whole[offsets[1:] - 1] == pytest.approx(shapely.length(lines), abs=1e-8)


def test_lines_beyond_all_measure_are_measured_as_floats_are() -> None:
    xy = np.array([[0.0, 0.0], [3e9, 4e9], [0.0, 0.0], [np.nan, 1.0]])
    assert measures(xy[:2], np.array([0, 2])).tolist() == [0.0, 5e9]
    assert np.isnan(measures(xy, np.array([0, 2, 4]))[-1])


def test_rows_are_first_where_any_key_changes_however_often_it_comes_back() -> None:
    one = np.array([4, 4, 4, 7, 7, 4])
    other = np.array([0.5, 0.5, 2.0, 2.0, 2.0, 2.0])
    assert firsts(one, other).tolist() == [True, False, True, True, False, True]
    assert firsts(one).tolist() == [True, False, False, True, False, True]
    assert firsts(one[:0], other[:0]).tolist() == []


def test_rows_are_spread_out_as_often_as_counted_and_numbered_from_nothing() -> None:
    row, place = spread_out(np.array([2, 0, 3]))
    assert row.tolist() == [0, 0, 2, 2, 2]
    assert place.tolist() == [0, 1, 0, 1, 2]
    assert number_within(np.array([3, 3, 8, 9, 9, 9])).tolist() == [0, 1, 0, 0, 1, 2]
    assert [len(column) for column in spread_out(np.zeros(0, dtype=np.int64))] == [0, 0]
