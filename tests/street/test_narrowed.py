"""Lanes left open beside pits: how wide, and how far they are dug into, by plane geometry."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.brief import Street
from geotools.street.lanes import Carriageway, Passage, lanes_between
from geotools.street.narrowed import LaneBeside, lanes_beside
from tests.street.test_closures import closed_each

GAP, HALF = 0.6, 0.75  # m: room to traffic, and half of a pit


def beside(
    lanes: int, width: float, offset: float, *, oneway: float = 0.0, share: float = 0.85
) -> list[LaneBeside]:
    way = Carriageway(np.array([width]), np.array([lanes]), np.array([oneway]))
    edges = np.array([offset - HALF]), np.array([offset + HALF])
    return list(lanes_beside(*edges, way, Passage(GAP, share)))


@pytest.mark.parametrize("oneway", [0.0, 1.0])
@pytest.mark.parametrize(("lanes", "width"), [(1, 4.0), (2, 6.0), (2, 7.0), (4, 12.0), (6, 18.0)])
def test_a_pit_is_dug_into_open_lanes_where_it_lies_on_carriageway_outside_its_closures(
    lanes: int, width: float, oneway: float
) -> None:
    """The section through pit, carriageway and the closures as they are drawn, with shapely."""
    offsets = np.arange(-width / 2 - 1, width / 2 + 1, 0.07).tolist()
    each = closed_each(lanes, width, offsets, street_oneway=oneway)
    for offset, drawn in zip(offsets, each, strict=True):
        section = shapely.LineString([(500.0, offset - HALF), (500.0, offset + HALF)])
        road = shapely.box(0.0, -width / 2, 1000.0, width / 2)
        closures = shapely.union_all(drawn["geometry"].to_numpy())
        bare = section.intersection(road).difference(closures).length
        got = sum(float(one.dug[0]) for one in beside(lanes, width, offset, oneway=oneway))
        assert got == pytest.approx(bare, abs=1e-6)


@pytest.mark.parametrize("lanes", [1, 2, 3, 4])
def test_lanes_left_of_a_one_way_street_share_the_wider_side_of_the_pit(lanes: int) -> None:
    width = 3.3 * lanes
    for offset in np.arange(-width / 2 - 1, width / 2 + 1, 0.07).tolist():
        one = beside(lanes, width, offset, oneway=1.0)[0]
        free = max(offset - HALF - GAP + width / 2, width / 2 - offset - HALF - GAP)
        if one.left[0]:
            assert one.wide[0] == pytest.approx(min(free / one.left[0], 3.3))
            assert one.wide[0] >= min(0.85 * 3.3, 3.25 / lanes) - 1e-9


def test_two_lanes_beside_a_pit_over_the_middle_of_four_are_left_narrower() -> None:
    """Lanes of 3 m; the pit from 0.15 m right of the middle, 0.6 m of room: 5.25 m are left."""
    right, left = beside(4, 12.0, 0.6)
    assert (right.left[0], right.wide[0], right.dug[0]) == pytest.approx((2, 2.625, 0.15))
    assert right.narrowed[0] and right.dug_into[0] and right.closed[0] == 0
    assert (left.closed[0], left.left[0], left.wide[0], left.dug[0]) == pytest.approx((1, 1, 3, 0))
    assert not left.narrowed[0] and not left.dug_into[0]


@pytest.mark.parametrize("offset", np.arange(-6.5, 6.6, 0.31).tolist())
def test_a_lane_that_may_not_be_narrowed_is_closed(offset: float) -> None:
    """But for the 5 cm that take nothing, lanes of 3 m stay 3 m wide."""
    for one in beside(4, 12.0, offset, share=1.0):
        assert one.left[0] == 0 or 3.0 - one.wide[0] <= 0.05
        assert not one.dug_into[0]


def test_the_brief_says_how_narrow_a_lane_may_be_left() -> None:
    way = Carriageway(np.array([12.0]), np.array([4]), np.zeros(1))
    edges = np.array([-0.15]), np.array([1.35])
    for share, taken in ((0.85, 1), (0.875, 1), (0.88, 2), (1.0, 2)):
        passage = Passage.of(Street(least_lane_share=share))
        assert lanes_between(*edges, way, passage).tolist() == [taken]  # 2.625 m is 87.5 %
