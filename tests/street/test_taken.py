"""What strings take of their streets, stretch by stretch, and as one where the lane closed is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.street.closures import ClosureRules, close_lanes
from geotools.street.lanes import Passage
from geotools.street.net import StreetNet, build_streets
from geotools.street.taken import string_stretches, unbroken

SPEED = 50 / 3.6
PASSAGE = Passage(gap=0.6, share=0.85)
PIECE = 20.0


def street(says: list[dict[str, Any]], *, back: bool = False) -> StreetNet:
    """Return a street of pieces 20 m long, each of two lanes and 7 m unless it says otherwise."""
    row = {"class": "local", "lanes": 2, "width": 7.0, "speed": SPEED, "name": "High", "oneway": ""}
    table = pd.DataFrame([{**row, **one} for one in says])
    at = PIECE * np.arange(len(says))
    ends = np.stack([at, at + PIECE], axis=1)
    xy = (ends[:, ::-1] if back else ends).ravel()
    lines = Lines(
        table, np.stack([xy, 0 * xy], axis=1), np.arange(0, 2 * len(says) + 1, 2, dtype=np.int64)
    )
    return build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)


def spaces(
    net: StreetNet, begin: float, end: float, *, off: float = -1.0
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the stretches a string takes from one place of the street to another, and as one."""
    length = float(net.lengths[0])
    turned = bool(net.chains.xy[0, 0] > net.chains.xy[-1, 0])
    if turned:
        begin, end, off = length - begin, length - end, -off
    pull = {
        "pull_id": "L1", "pit_id": "P1", "run_id": "R", "street_chain": 0, "street_name": "High",
        "lay_at": begin, "lay_forward": end > begin, "outside": 0.5, "days": 3.0,
        "first_day": 1.0, "last_day": 4.0,
    }  # fmt: skip
    strings = pd.DataFrame({"pull_id": ["L1"], "off": [off], "end_at": [end]})
    taken = string_stretches(pd.DataFrame([pull]), strings, net.alike, PASSAGE)
    return taken, unbroken(taken, net, PASSAGE)


VARYING = [{"width": 6.6 if k % 5 == 2 else 7.0} for k in range(50)]


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize(("begin", "end"), [(410.0, 595.0), (595.0, 410.0)])
def test_a_lane_closed_unbroken_has_tapers_at_its_outer_ends_alone(
    begin: float, end: float, back: bool
) -> None:
    net = street(VARYING, back=back)
    taken, one = spaces(net, begin, end)
    assert len(taken) == 5 and len(one) == 1
    rules = ClosureRules(PASSAGE, 30.0, 70.0, True, Street().max_turn)
    (row,) = close_lanes(one, net, rules).table.itertuples()
    west, south, east, north = row.geometry.bounds
    assert (west, east) == pytest.approx((410 - 100.0, 595 + row.downstream_taper))
    assert (south, north) == pytest.approx((-3.5, 0.0))
    assert (row.work_length, row.lanes_closed) == (pytest.approx(185.0), 1)
    assert row.street == "High"


@pytest.mark.parametrize(
    "other",
    [{"width": 8.5}, {"class": "primary"}, {"speed": 8.0}, {"lanes": 1}, {"oneway": "along"}],
)
def test_stretches_that_differ_in_more_than_a_little_of_their_width_stay_apart(
    other: dict[str, Any],
) -> None:
    net = street([*[{}] * 20, *[other] * 20])
    taken, one = spaces(net, 300.0, 500.0)
    assert len(taken) == 2
    pd.testing.assert_frame_equal(one, taken)


def test_widths_that_change_little_by_little_are_not_as_wide_for_ever() -> None:
    net = street([{"width": 7.0 + 0.4 * k} for k in range(20)])
    _, one = spaces(net, 5.0, 395.0)
    assert 1 < len(one) < 20
    assert one["work_high"].iloc[:-1].tolist() == one["work_low"].iloc[1:].tolist()


def test_stretches_that_close_other_lanes_stay_apart() -> None:
    """By the middle it leaves the other lane 85 % of 3.5 m, and less of 3.15 m."""
    net = street([*[{"width": 7.0}] * 20, *[{"width": 6.3}] * 20])
    taken, one = spaces(net, 300.0, 500.0, off=-0.35)
    assert taken["lanes_taken"].tolist() == [1, 2]
    pd.testing.assert_frame_equal(one, taken)


def test_no_stretches_are_none() -> None:
    net = street(VARYING)
    _, one = spaces(net, 410.0, 595.0, off=-9.0)
    assert one.empty
