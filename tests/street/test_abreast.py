"""Strings side by side: where they lie across the street, and the lanes they take."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotools.street.abreast import string_lanes, string_places
from geotools.street.lanes import Carriageway, Passage

PASSAGE = Passage(gap=0.6, share=0.85)
OUTSIDE, GAP = 0.4, 0.5  # a step of 0.9 m


def both_ways(width: float, lanes: int) -> Carriageway:
    return Carriageway(np.array([width]), np.array([lanes]), np.zeros(1))


def places(own: float, half: float, count: int = 12, *, over_middle: bool = True) -> list[float]:
    (row,) = string_places([own], [half], [OUTSIDE], gap=GAP, count=count, over_middle=over_middle)
    return [round(float(v), 6) for v in row[np.isfinite(row)]]


def test_strings_lie_towards_the_verge_first_then_towards_the_middle_and_over_it() -> None:
    assert places(5.0, 7.5, 6) == [5.0, 5.9, 6.8, 4.1, 3.2, 2.3]
    assert places(-5.0, 7.5, 6) == [-5.0, -5.9, -6.8, -4.1, -3.2, -2.3]
    assert min(places(5.0, 7.5, 40)) == pytest.approx(5.0 - 13 * 0.9)  # the next were half out
    assert places(2.0, np.inf, 3) == pytest.approx([2.0, 2.9, 3.8])


def test_kept_to_the_side_of_their_pit_none_crosses_the_middle() -> None:
    assert places(2.0, 3.5, over_middle=False) == [2.0, 2.9, 1.1, 0.2]
    assert places(0.1, 3.5, over_middle=False)[0] == 0.1  # the first is in line with its pit
    assert min(places(0.1, 3.5, over_middle=False)) == 0.1


@given(
    share=st.floats(-1.0, 1.0),
    half=st.floats(1.0, 15.0),
    outside=st.floats(0.1, 1.2),
    gap=st.floats(0.0, 2.0),
    over=st.booleans(),
)
def test_strings_keep_their_gap_and_all_but_the_first_keep_within_the_street(
    share: float, half: float, outside: float, gap: float, over: bool
) -> None:
    own = share * half  # a string begins in its street
    (row,) = string_places([own], [half], [outside], gap=gap, count=30, over_middle=over)
    known = np.isfinite(row)
    assert known[0] and row[0] == own
    assert not known[int(known.sum()) :].any()  # no hole between them
    laid = np.sort(row[known])
    assert (np.diff(laid) >= outside + gap - 1e-6).all()
    others = row[known][1:]
    assert (np.abs(others) + outside / 2 <= half + 1e-6).all()
    if not over:
        assert (np.where(own < 0, -1, 1) * others - outside / 2 >= -1e-6).all()


@pytest.mark.parametrize(
    ("own", "width", "lanes", "taken"),
    [
        # Verge first: nothing, until less than 85 % of the lane is left beside them.
        (6.0, 7.0, 2, [0, 0, 0, 0, 1]),
        # In a lane of two: that lane; out to the verge it stays one.
        (2.0, 7.0, 2, [1, 1, 1, 1, 1]),
        # By the middle the other lane is narrowed, or taken by the room to traffic alone.
        (0.5, 7.0, 2, [1, 1, 1, 1, 1]),
        (0.1, 7.0, 2, [2, 2, 2, 2, 2]),
        # Four lanes: the kerb lane first, then the inner one too.
        (6.0, 14.0, 4, [1, 1, 1, 1, 1]),
        (2.6, 14.0, 4, [1, 2, 2, 2, 2]),
    ],
)
def test_lanes_taken_by_strings(own: float, width: float, lanes: int, taken: list[int]) -> None:
    """Room to traffic 0.6 m, verge 4 m; a lane may be narrowed to 85 %: common practice."""
    row = string_places([own], [width / 2 + 4.0], [OUTSIDE], gap=GAP, count=5, over_middle=True)
    got = string_lanes(row, np.array([OUTSIDE]), both_ways(width, lanes), PASSAGE)
    assert got.taken[0].tolist() == taken
    assert (got.taken + got.left == lanes).all()


def test_off_the_streets_strings_take_no_lane() -> None:
    row = string_places([0.0], [np.inf], [OUTSIDE], gap=GAP, count=3, over_middle=True)
    got = string_lanes(row, np.array([OUTSIDE]), both_ways(0.0, 0), PASSAGE)
    assert got.taken[0].tolist() == [0, 0, 0] and got.fits.all()
